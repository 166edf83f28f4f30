"""NMEA 0183 text for tests: sentences and journal lines with right checksums, made by the plain definition."""

from __future__ import annotations


def xor(text: bytes) -> int:
    """The checksum of NMEA 0183 as the standard words it: every character, exclusive-or, one after the other."""
    total = 0
    for byte in text:
        total ^= byte
    return total


def sentence(body: str | bytes, *, start: bytes = b"$", end: bytes = b"\r\n") -> bytes:
    """A whole sentence from what stands between ``$`` and ``*``."""
    text = body if isinstance(body, bytes) else body.encode("latin-1")
    return b"%s%s*%02X%s" % (start, text, xor(text), end)


def tag_block(text: str | bytes) -> bytes:
    """A TAG block from what stands between the backslashes, checksum left out."""
    inside = text if isinstance(text, bytes) else text.encode("latin-1")
    return b"\\%s*%02X\\" % (inside, xor(inside))


def journal_line(
    payload: bytes,
    *,
    source: str = "gps1",
    wall_ms: int = 1_790_000_000_000,
    mono_us: int = 0,
    cut: bool = False,
    end: bytes = b"\r\n",
) -> bytes:
    """A line of the recorder's journal; the payload is escaped, its own CRLF (if it has one) is left out."""
    escaped = b"".join(
        bytes([byte]) if 0x20 <= byte <= 0x7E and byte not in b"^\\" else b"^%02X" % byte
        for byte in payload.removesuffix(b"\r\n")
    )
    head = f"s:{source},c:{wall_ms},r:{mono_us}" + (",t:cut" if cut else "")
    return tag_block(head) + escaped + end


def damaged_by_bit(text: bytes, at: int, bit: int) -> bytes:
    """The text with one bit of one byte flipped."""
    return text[:at] + bytes([text[at] ^ (1 << bit)]) + text[at + 1 :]
