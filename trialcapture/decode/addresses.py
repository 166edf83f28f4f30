"""Who speaks, and what kind of sentence: the address field, for all sentences of a block at once.

Two letters of talker and three of formatter (``GPRMC``); after ``P`` comes a manufacturer's own format, which
the talker rule must not touch ("NMEA Revealed", IEC 61162-1). A sentence type that is not in our table is no
fault: it is counted and left.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.columns import encode_spans
from trialcapture.decode.framing import Bools, Frame, Pieces

_LONGEST = 8
"""Most characters of an address told apart, ``$`` or ``!`` included; manufacturers' are longer than five."""
_STANDARD = re.compile(r"([A-OQ-Z0-9][A-Z0-9])([A-Z0-9]{3})")
_OTHER = re.compile(r"[A-Z0-9]+")


class Addresses(NamedTuple):
    """The addresses of a block's sentences, each distinct one once."""

    code: npt.NDArray[np.int32]
    """(p,) which address each sentence has; the arrays below are indexed by it."""
    talker: npt.NDArray[np.int32]
    """(a,) index into `talkers`."""
    talkers: list[str]
    """"" is for what has no talker, "P" for manufacturers' own sentences."""
    formatter: list[str]
    """(a,) three letters; for manufacturers' and odd ones all that can be told; "" where it is no address."""
    readable: Bools
    """(a,) whether it is an address at all."""
    dollar: Bools
    """(a,) whether it is a ``$`` sentence of the standard: talker and formatter."""


def find_addresses(frame: Frame, pieces: Pieces) -> Addresses:
    """Read the address of every sentence."""
    length = np.minimum(frame.at[pieces.first + 1] - pieces.start, _LONGEST)
    code, words = encode_spans(frame.buf, pieces.start, length)
    split = [split_address(word) for word in words]
    talkers = sorted({talker for talker, _, _ in split})
    return Addresses(
        code,
        np.array([talkers.index(talker) for talker, _, _ in split], np.int32),
        talkers,
        [formatter for _, formatter, _ in split],
        np.array([formatter != "" for _, formatter, _ in split], np.bool_),
        np.array([standard and word[0] == "$" for word, (_, _, standard) in zip(words, split, strict=True)], np.bool_),
    )


@lru_cache(maxsize=1024)
def split_address(word: str) -> tuple[str, str, bool]:
    """Return talker, formatter ("" where it is no address), and whether they follow the standard's rule.

    Args:
        word: The address as it stands, ``$`` or ``!`` included; what is longer than is told apart is cut off.
    """
    address = word[1:_LONGEST]
    if found := _STANDARD.fullmatch(address):
        return found[1], found[2], True
    if _OTHER.fullmatch(address) is None:
        return "", "", False
    if address[0] == "P" and len(address) > 1:
        return "P", address[1:], False
    return "", address, False
