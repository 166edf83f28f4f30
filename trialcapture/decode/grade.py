"""How good a piece of NMEA 0183 traffic is, told without decoding it; quick enough for every line received."""

from __future__ import annotations

import re
from typing import Literal

from trialcapture.decode.encapsulated import READ_GROUPS
from trialcapture.decode.pieces import xor_checksum

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
        piece: As `trialcapture.decode.pieces.cut_pieces` gives it.

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
