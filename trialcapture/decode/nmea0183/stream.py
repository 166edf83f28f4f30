r"""A stream of NMEA 0183 as it arrives: cut into pieces the size of a line, and how good each piece is.

No byte is lost or invented by the cutting; the quality of a line is told without decoding it.

A piece ends at its line end (CRLF, LF or CR), before the start of another sentence inside the same line
(``$``, ``!`` or the ``\`` of a TAG block), after a closed TAG block, or at `LIMIT_BYTES`.
"""

from __future__ import annotations

import re
from typing import Literal

from trialcapture.decode.nmea0183.encapsulated import READ_GROUPS

LIMIT_BYTES = 1024
"""Longest line, its line end included (our choice: eight sentences and a TAG block); an endless one is cut here."""

# A content byte is anything but a line end or a start. The groups are atomic and the counts possessive, so a
# piece that is not yet decided fails at once instead of being tried at every shorter length.
_PIECE = re.compile(
    rb"""
      \\ [^$!\\\r\n]{0,1020}+ \\                                  # a closed TAG block stands alone
    | (?> [$!\\][^$!\\\r\n]{0,1021}+ | [^$!\\\r\n]{1,1022}+ | )  # a sentence, noise or nothing, then
      (?: \r\n | \n | \r(?=[^\n]) | (?=[^\r\n]) )               # its end, the next start, or a byte too many
    """,
    re.VERBOSE,
)


def cut_pieces(buffer: bytes) -> tuple[list[bytes], bytes]:
    """Cut what has arrived into pieces, and give back the rest that is not decided yet.

    However the stream was chopped on its way here, the pieces are the same: feed ``rest + next chunk``.

    Args:
        buffer: The rest of last time and what came since.

    Returns:
        The pieces, line ends included, and the rest, at most `LIMIT_BYTES` long;
        ``b"".join(pieces) + rest == buffer`` always.
    """
    pieces = []
    at = 0
    match = _PIECE.match
    while (found := match(buffer, at)) is not None:
        pieces.append(found[0])
        at = found.end()
    return pieces, buffer[at:]


def xor_checksum(data: bytes) -> int:
    """Return the XOR of all bytes, as NMEA 0183 sums its sentences and TAG blocks."""
    size = 1 << max(len(data) - 1, 0).bit_length()
    folded = int.from_bytes(data, "little")
    while size > 1:
        size >>= 1
        folded = (folded >> (8 * size)) ^ (folded & ((1 << (8 * size)) - 1))
    return folded


# ------------------------------------------------------------------------------
# How good a piece of NMEA 0183 traffic is, told without decoding it; quick enough for every line received.
# ------------------------------------------------------------------------------

Grade = Literal["good", "unread", "bad", "unsummed", "noise", "tag", "blank"]

READ_FORMATTERS = frozenset(
    b"RMC GGA GNS GLL VTG ZDA HDT THS HDG HDM VHW VBW RPM RSA XDR MWV MWD MDA VWR VWT DPT DBT DBS DBK MTW ROT".split()
)
"""Sentence formatters that become channels later; others are kept and counted as seen, not read."""

_READ_GROUPS = frozenset(b"%06X" % group for group in READ_GROUPS)
_SENTENCE = re.compile(rb"[$!]([ -)+-~]{5,})\*([0-9A-Fa-f]{2})[\r\n]*")
_UNSUMMED = re.compile(rb"[$!][A-Z][ -)+-~]*[\r\n]*")
_TAG = re.compile(rb"\\[ -\[\]-~]*\*[0-9A-Fa-f]{2}\\")
_TEXT = re.compile(rb"[ -~]*[\r\n]*")


def grade_piece(piece: bytes) -> Grade:
    """Return how a piece of traffic reads.

    Args:
        piece: As `trialcapture.decode.nmea0183.stream.cut_pieces` gives it.

    Returns:
        ``good`` (checksum right, a type that becomes channels), ``unread`` (checksum right, another type),
        ``bad`` (checksum wrong, or text that is no sentence), ``unsummed`` (a sentence without checksum),
        ``noise`` (bytes that are no text), ``tag`` (a TAG block by itself) or ``blank`` (a line end alone).
    """
    found = _SENTENCE.fullmatch(piece)
    if found is not None:
        if xor_checksum(found[1]) != int(found[2], 16):
            return "bad"
        return "good" if _is_read(piece) else "unread"
    if _TEXT.fullmatch(piece) is None:
        return "noise"
    if not piece.strip(b"\r\n"):
        return "blank"
    if _TAG.fullmatch(piece) is not None:
        return "tag"
    return "unsummed" if _UNSUMMED.fullmatch(piece) is not None and b"," in piece else "bad"


def _is_read(piece: bytes) -> bool:
    if piece[:2] != b"$P" and piece[3:6] in READ_FORMATTERS:
        return True
    carries = piece.startswith(b"$PCDIN,") or (piece[:2] != b"$P" and piece[3:7] == b"PGN,")
    return carries and piece[7:13] in _READ_GROUPS
