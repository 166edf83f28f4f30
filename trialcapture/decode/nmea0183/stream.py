r"""A stream of NMEA 0183 as it arrives: split into lines, and the quality of each line, found without decoding it.

No byte is lost or invented. A received line ends at its line end (CRLF, LF or CR), before the start of another sentence
inside it (``$``, ``!`` or the ``\`` of a TAG block), after a closed TAG block, or at `LIMIT_BYTES`.
"""

from __future__ import annotations

import re
from typing import Literal

from trialcapture.decode.nmea0183.encapsulated import READ_GROUPS

LIMIT_BYTES = 1024
"""Longest line, its line end included (our choice: eight sentences and a TAG block); an endless one is cut here."""

# A content byte is anything but a line end or a start. The groups are atomic and the counts possessive, so that an
# incomplete line fails at once instead of being tried at every shorter length.
_LINE = re.compile(
    rb"""
      \\ [^$!\\\r\n]{0,1020}+ \\                                  # a closed TAG block stands alone
    | (?> [$!\\][^$!\\\r\n]{0,1021}+ | [^$!\\\r\n]{1,1022}+ | )  # a sentence, noise or nothing, then
      (?: \r\n | \n | \r(?=[^\n]) | (?=[^\r\n]) )               # its end, the next start, or a byte too many
    """,
    re.VERBOSE,
)


def split_stream(buffer: bytes) -> tuple[list[bytes], bytes]:
    """Split received bytes into lines, and return the rest, whose line is not complete yet.

    The lines do not depend on how the stream was divided into chunks: pass ``rest + next chunk``.

    Args:
        buffer: The rest of the last call and what came since.

    Returns:
        The lines, line ends included, and the rest, at most `LIMIT_BYTES` long;
        ``b"".join(lines) + rest == buffer`` always.
    """
    lines = []
    at = 0
    match = _LINE.match
    while (found := match(buffer, at)) is not None:
        lines.append(found[0])
        at = found.end()
    return lines, buffer[at:]


def xor_checksum(data: bytes) -> int:
    """Return the XOR of all bytes, as NMEA 0183 sums its sentences and TAG blocks."""
    size = 1 << max(len(data) - 1, 0).bit_length()
    folded = int.from_bytes(data, "little")
    while size > 1:
        size >>= 1
        folded = (folded >> (8 * size)) ^ (folded & ((1 << (8 * size)) - 1))
    return folded


# The quality of a received line.

LineQuality = Literal["good", "unread", "bad", "unsummed", "noise", "tag", "blank"]

READ_FORMATTERS = frozenset(
    b"RMC GGA GNS GLL VTG ZDA HDT THS HDG HDM VHW VBW RPM RSA XDR MWV MWD MDA VWR VWT DPT DBT DBS DBK MTW ROT".split()
)
"""Sentence formatters that become channels later; others are kept and counted as seen, not read."""

_READ_GROUPS = frozenset(b"%06X" % group for group in READ_GROUPS)
_SENTENCE = re.compile(rb"[$!]([ -)+-~]{5,})\*([0-9A-Fa-f]{2})[\r\n]*")
_UNSUMMED = re.compile(rb"[$!][A-Z][ -)+-~]*[\r\n]*")
_TAG = re.compile(rb"\\[ -\[\]-~]*\*[0-9A-Fa-f]{2}\\")
_TEXT = re.compile(rb"[ -~]*[\r\n]*")


def line_quality(line: bytes) -> LineQuality:
    """Return the quality of a received line; quick enough for every line.

    Args:
        line: As `split_stream` returns it.

    Returns:
        ``good`` (checksum right, a type that becomes channels), ``unread`` (checksum right, another type),
        ``bad`` (checksum wrong, or text that is no sentence), ``unsummed`` (a sentence without checksum),
        ``noise`` (bytes that are no text), ``tag`` (a TAG block by itself) or ``blank`` (a line end alone).
    """
    found = _SENTENCE.fullmatch(line)
    if found is not None:
        if xor_checksum(found[1]) != int(found[2], 16):
            return "bad"
        return "good" if _is_read(line) else "unread"
    if _TEXT.fullmatch(line) is None:
        return "noise"
    if not line.strip(b"\r\n"):
        return "blank"
    if _TAG.fullmatch(line) is not None:
        return "tag"
    return "unsummed" if _UNSUMMED.fullmatch(line) is not None and b"," in line else "bad"


def _is_read(line: bytes) -> bool:
    if line[:2] != b"$P" and line[3:6] in READ_FORMATTERS:
        return True
    carries = line.startswith(b"$PCDIN,") or (line[:2] != b"$P" and line[3:7] == b"PGN,")
    return carries and line[7:13] in _READ_GROUPS
