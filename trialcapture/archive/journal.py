r"""The journal: every received byte behind an NMEA 0183 TAG block, exact and readable in thirty years.

One line: ``\s:gps1,c:1790000000123,r:5123456*hh\$GPRMC,…*hh`` and CRLF. ``s`` is the source, ``c`` the wall
clock at receipt [ms since 1970 UTC], ``r`` the monotonic time since the session began [µs], ``hh`` the XOR of
the characters between the backslashes. TAG blocks and the ``^hh`` escape are those of NMEA 0183 v4 and
IEC 61162-450, as restated in the open "NMEA Revealed" document and its readers.

How the original line end is known:

* nothing special: the original ended in CRLF;
* the payload's last byte is an escaped LF or CR (``^0A``, ``^0D``): that was its end;
* the TAG block says ``t:cut``: the payload is all there was, no line end;
* the TAG block says ``t:again-N``: the first N bytes stand in an earlier line already (a sentence whose first
  half had to be written before the rest came is repeated whole, so that it can be read);
* the journal line itself ends in a bare LF: it was torn by a crash and closed at the next start; no line end.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from trialcapture.decode.nmea0183.stream import xor_checksum
from trialcapture.errors import TrialCaptureError

LINE_LIMIT_BYTES = 1024
"""Longest journal line, CRLF included."""
_ALWAYS_FITS_BYTES = 300
"""So many payload bytes fit into one journal line even if each must be escaped."""

_ODD = re.compile(rb"[^ -\[\]_-~]")
_ESCAPED = re.compile(rb"\^([0-9A-Fa-f]{2})")
_SOURCE = re.compile(r"[A-Za-z0-9_-]{1,15}")
_TAG = re.compile(rb"\\([^\\]*)\*([0-9A-Fa-f]{2})\\")
_AGAIN = re.compile(rb"again-(\d{1,4})")
_ESCAPE_OF = {bytes([byte]): b"^%02X" % byte for byte in range(256)}


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One journal line taken apart.

    Attributes:
        source: Source id, "" where the TAG block names none.
        wall_ms: Wall clock at receipt [ms since 1970 UTC], None where not given.
        mono_us: Monotonic time since session start [µs], None where not given.
        original: The bytes as received, line end included.
        fault: "" when sound, else what is wrong with the line itself: "no tag block", "tag checksum", "torn".
    """

    source: str
    wall_ms: int | None
    mono_us: int | None
    original: bytes
    fault: str


def escape(payload: bytes) -> bytes:
    r"""Return the payload with every byte outside 0x20–0x7E, and ``^`` and ``\``, written as ``^hh``."""
    if _ODD.search(payload) is None:
        return payload
    return _ODD.sub(lambda found: _ESCAPE_OF[found[0]], payload)


def unescape(text: bytes) -> bytes:
    """Return the bytes that `escape` was given; a ``^`` without two hex digits stays as it is."""
    if b"^" not in text:
        return text
    return _ESCAPED.sub(lambda found: bytes([int(found[1], 16)]), text)


@lru_cache(maxsize=256)
def _source_field(source: str) -> bytes:
    if _SOURCE.fullmatch(source) is None:
        raise TrialCaptureError(
            "a source id cannot be written to the journal",
            seen=source,
            expected="use 1 to 15 letters, digits, '_' or '-'",
        )
    return b"s:" + source.encode("ascii")


def encode_line(
    payload: bytes, *, source: str, wall_ms: int, mono_us: int, line_end: bytes = b"\r\n", again: int = 0
) -> bytes:
    """Write one received piece as a journal line (several, when it is too long for one).

    Args:
        payload: What was received, any bytes.
        source: Source id: 1 to 15 letters, digits, ``_`` or ``-``.
        wall_ms: Wall clock at receipt of the first byte [ms since 1970 UTC].
        mono_us: Monotonic time of the same since session start [µs].
        line_end: The line end that was received after the payload; empty when there was none.
        again: So many bytes of the payload were written in an earlier line and are repeated here.

    Returns:
        Journal lines of at most `LINE_LIMIT_BYTES`, each ended by CRLF, from which `original_bytes` gives
        back exactly ``payload + line_end``, less what is repeated.

    Raises:
        TrialCaptureError: The source id cannot stand in a TAG block, or something is repeated that is no line
            ended by CRLF.
    """
    head = b"%s,c:%d,r:%d" % (_source_field(source), wall_ms, mono_us)
    stored = payload + line_end
    if again:
        if not 0 < again < len(stored) or not _may_imply_crlf(stored):
            raise TrialCaptureError("only a line ended by CRLF can repeat what was written", seen=stored)
        return _line(b"%s,t:again-%d" % (head, again), stored[:-2])
    if not stored.endswith((b"\r", b"\n")):
        last_head = head + b",t:cut"
    elif not stored.endswith(b"\r\n"):
        last_head = head
    elif _may_imply_crlf(stored):
        last_head, stored = head, stored[:-2]
    else:
        last_head = head + b",t:cut"
    line = _line(last_head, stored)
    if len(line) <= LINE_LIMIT_BYTES:
        return line
    parts = [stored[at : at + _ALWAYS_FITS_BYTES] for at in range(0, len(stored), _ALWAYS_FITS_BYTES)]
    return b"".join([*(_line(head + b",t:cut", part) for part in parts[:-1]), _line(last_head, parts[-1])])


def _may_imply_crlf(stored: bytes) -> bool:
    """Return False also where what stands before the CRLF would be taken for the line end itself."""
    return stored.endswith(b"\r\n") and stored[-3:-2] not in (b"\r", b"\n")


def _line(head: bytes, received: bytes) -> bytes:
    return b"\\%s*%02X\\%s\r\n" % (head, xor_checksum(head), escape(received))


def parse_line(line: bytes) -> JournalLine:
    """Take one line of a journal apart, its line end included.

    Never fails: a line that is no journal line comes back with its bytes and a `fault`.
    """
    body = line.removesuffix(b"\n")
    whole = body.endswith(b"\r")
    body = body.removesuffix(b"\r")
    tag = _TAG.match(body)
    if tag is None:
        return JournalLine("", None, None, body, "torn" if not whole else "no tag block")
    fields = dict(field.split(b":", 1) for field in tag[1].split(b",") if b":" in field)
    original = unescape(body[tag.end() :])
    if whole and fields.get(b"t") != b"cut" and not original.endswith((b"\r", b"\n")):
        original += b"\r\n"
    if (repeated := _AGAIN.fullmatch(fields.get(b"t", b""))) is not None:
        original = original[int(repeated[1]) :]
    fault = "" if whole else "torn"
    if xor_checksum(tag[1]) != int(tag[2], 16):
        fault = "tag checksum"
    return JournalLine(
        fields.get(b"s", b"").decode("ascii", "replace"),
        _whole_number(fields.get(b"c")),
        _whole_number(fields.get(b"r")),
        original,
        fault,
    )


def _whole_number(text: bytes | None) -> int | None:
    return int(text) if text is not None and re.fullmatch(rb"-?\d{1,19}", text) else None


def original_bytes(journal: bytes) -> dict[str, bytes]:
    """Return what each source had sent, byte for byte.

    Args:
        journal: A journal, or any stretch of whole lines of one; a torn last line gives what survives of it.

    Returns:
        Source id to its bytes in order of receipt. Lines whose TAG block is gone stand under "".
    """
    streams: dict[str, list[bytes]] = {}
    for line in split_lines(journal):
        parsed = parse_line(line)
        streams.setdefault(parsed.source, []).append(parsed.original)
    return {source: b"".join(parts) for source, parts in streams.items()}


def split_lines(journal: bytes) -> list[bytes]:
    """Return the journal's lines, line ends included; a journal line ends in LF and nowhere else."""
    lines = [part + b"\n" for part in journal.split(b"\n")]
    last = lines.pop()[:-1]
    return [*lines, last] if last else lines
