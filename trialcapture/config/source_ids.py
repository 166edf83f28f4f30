"""Which declared source a journalled id belongs to."""

from __future__ import annotations

import re
from collections.abc import Collection

ID_LENGTH = 15
"""Longest source id: what a TAG block's ``s`` holds (NMEA 0183, as restated in the open "NMEA Revealed" document)."""
_NUMBERED = re.compile(r"(.+)-([2-9]|[1-9]\d+)")


def declared_source(seen: str, declared: Collection[str]) -> str:
    """Return the declared id that a journalled id stands for.

    The recorder journals the second sender heard on source ``gps1`` as ``gps1-2``, and cuts a long id so that the
    number fits. A sender inherits what was declared for its source.

    Args:
        seen: Id as journalled.
        declared: Ids of the settings.

    Returns:
        `seen` where it is declared itself, or belongs to no declared id, or could belong to two; else the declared id.
    """
    if seen in declared:
        return seen
    match = _NUMBERED.fullmatch(seen)
    if match is None:
        return seen
    stem = match[1]
    if stem in declared:
        return stem
    if len(seen) == ID_LENGTH:
        whole = [name for name in declared if len(name) > len(stem) and name.startswith(stem)]
        if len(whole) == 1:
            return whole[0]
    return seen
