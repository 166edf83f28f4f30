"""One review entry: what a person decided about one stretch, how it names the stretch, and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

EXCLUDE, INCLUDE, RELABEL, UNDO = "exclude", "include", "relabel", "review-undo"
REVIEW_KINDS = (INCLUDE, EXCLUDE, RELABEL, UNDO)
"""Kinds of note that are review entries."""
HIGHEST_RPM = 20_000.0
"""A relabelled engine speed above this is a slip of the pen (common practice, no source)."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND_NS = 1_000_000_000
_SHOWN = 60


class EntryError(ValueError):
    """An entry cannot be followed; the text says why."""


@dataclass(frozen=True, slots=True)
class ReviewEntry:
    """One review entry as it was noted; nothing in it has been checked.

    Attributes:
        line: 0-based line in the notes.
        kind: One of `REVIEW_KINDS`.
        times: What names the stretch: each an instant inside it, or its interval as ``start/stop``, ISO 8601.
        segment_id: Its number, as a check on the time; None where not given.
        band_rpm: The band a relabelled stretch is to stand in; None where not given.
        reason: Why.
        by: Who.
    """

    line: int
    kind: str
    times: tuple[Any, ...]
    segment_id: Any = None
    band_rpm: Any = None
    reason: str = ""
    by: str = ""


def parse_interval(text: Any) -> tuple[int, int]:
    """Return the half-open interval [ns since 1970 UTC] that an instant or a ``start/stop`` pair speaks of.

    Tables show times cut to whole seconds, so an instant without a fraction stands for its whole second.

    Raises:
        EntryError: It is neither, a time has no zone, or the stop does not follow the start; the text says which.
    """
    shown = repr(text)[:_SHOWN]
    if not isinstance(text, str) or not text.strip():
        raise EntryError(f"{shown} is no time; give a UTC instant inside the stretch, or start/stop")
    ends = [_parse_ns(part) for part in text.split("/")]
    if len(ends) == 1:
        return ends[0], ends[0] + (_SECOND_NS if ends[0] % _SECOND_NS == 0 else 1)
    if len(ends) > 2 or ends[1] <= ends[0]:
        raise EntryError(f"{shown} is no interval; give start/stop, the start first")
    return ends[0], ends[1]


def _parse_ns(text: str) -> int:
    shown = repr(text.strip())[:_SHOWN]
    try:
        stamp = datetime.fromisoformat(text.strip())
    except ValueError:
        raise EntryError(f"{shown} is no time such as 2026-05-12T10:12:30Z") from None
    if stamp.tzinfo is None:
        raise EntryError(f"{shown} has no zone; end it in Z for UTC")
    return (stamp - EPOCH) // timedelta(microseconds=1) * 1000


def parse_rpm(value: Any) -> float:
    """Return the engine speed of a relabelling [rpm].

    Raises:
        EntryError: It is no number, or none an engine has.
    """
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 < value <= HIGHEST_RPM:
        shown = "no band_rpm" if value is None else f"band_rpm {value!r}"[:_SHOWN]
        raise EntryError(f"{shown} where an engine speed in rpm is needed")
    return float(value)


def find_row(entry: ReviewEntry, start: list[int], stop: list[int], ids: list[int]) -> int:
    """Return the row of the one stretch an entry names; everything it says of the stretch must fit.

    Args:
        entry: The entry.
        start: Of each stretch [ns since 1970 UTC].
        stop: Likewise.
        ids: Number of each stretch.

    Raises:
        EntryError: It gives no reason, cannot be read, or fits no stretch or more than one.
    """
    if not entry.reason.strip():
        raise EntryError("it gives no reason")
    if not entry.times:
        more = "; a number alone may mean another stretch in another version" if entry.segment_id is not None else ""
        raise EntryError(f"it does not say when (value){more}")
    found: set[int] = set()
    for text in entry.times:
        rows = _rows_meant(parse_interval(text), start, stop)
        if not rows:
            raise EntryError(f"no stretch lies at {str(text)[:_SHOWN]}")
        if len(rows) > 1:
            numbers = ", ".join(str(ids[row]) for row in rows)
            raise EntryError(f"{str(text)[:_SHOWN]} fits stretches {numbers}; name one")
        found.update(rows)
    if len(found) > 1:
        raise EntryError("value and start name different stretches")
    row = found.pop()
    if entry.segment_id is not None and (isinstance(entry.segment_id, bool) or entry.segment_id != ids[row]):
        shown = repr(entry.segment_id)[:_SHOWN]
        raise EntryError(f"it says stretch {shown}, at that time lies stretch {ids[row]}")
    return row


def _rows_meant(interval: tuple[int, int], start: list[int], stop: list[int]) -> list[int]:
    """Return the stretches an interval covers by half, or that cover half of it; of an instant, the one it lies in.

    Half, because limits noted by hand or found by another version differ by some seconds.
    """
    first, last = interval
    if last - first <= _SECOND_NS:
        inside = [row for row in range(len(start)) if start[row] <= first < stop[row]]
        return inside or [row for row in range(len(start)) if first <= start[row] < last]
    rows = []
    for row, (a, b) in enumerate(zip(start, stop, strict=True)):
        shared = min(b, last) - max(a, first)
        if shared > 0 and 2 * shared >= min(b - a, last - first):
            rows.append(row)
    return rows
