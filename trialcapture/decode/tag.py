r"""TAG blocks: who sent a sentence and when it was received, for all sentences of a block at once.

``\s:gps1,c:1790000000123,r:5123456*hh\$GPRMC,…`` as NMEA 0183 v4 and IEC 61162-450 have it, described in the
gpsd project's open document on AIVDM ("NMEA Tag Blocks"): ``s`` source, ``c`` UTC since 1970 in s or ms, ``r``
relative time (here: µs since the session began), ``t`` text, ``hh`` the XOR of the characters between the
backslashes. A damaged TAG block is reported and its values are not used; its sentence is kept.

TAG blocks that touch each other are one *head*; where they name the same thing twice, the first counts (it
is the one put in front last, by the recorder). A head holds to the end of its line or to the next head.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.columns import encode_spans
from trialcapture.decode.digits import POWER_OF_10, parse_decimals, split_at_point
from trialcapture.decode.framing import I64, TAG, U8, Bools, Frame, rows_from
from trialcapture.decode.rejects import Reason
from trialcapture.decode.views import words_of

FIRST_MS = 100_000_000_000
"""A ``c`` below this counts seconds (1e11 s is the year 5138), from here on milliseconds (1e11 ms is 1973)."""
_MOST_FIELDS = 32
"""More ``key:value`` fields than fit into a TAG block; also less than the margin behind a block is long."""
_LAST_MS = 100_000_000_000_000


class Tags(NamedTuple):
    """The TAG blocks of a block of bytes and what their heads say.

    The per-head arrays have one entry more than there are heads: the last one, reached by index -1, is for
    what stands behind no head at all.
    """

    opens: Bools
    """(m,) bounds that open a TAG block."""
    closes: Bools
    """(m,) bounds that close one."""
    bound: I64
    """(t,) which bound opens each TAG block."""
    start: I64
    """(t,) position of each opening backslash."""
    stop: I64
    """(t,) position behind each closing one."""
    reason: U8
    """(t,) `Reason` code of each TAG block."""
    head: I64
    """(t,) which head each belongs to."""
    line: I64
    """(t,) its line."""
    source: npt.NDArray[np.int32]
    """(h+1,) index into `sources`."""
    sources: list[str]
    """Source names; the first is the caller's, for heads that name none."""
    mono_ns: I64
    """(h+1,) receipt since the session began [ns]."""
    mono_known: Bools
    wall_ms: I64
    """(h+1,) wall clock at receipt [ms since 1970 UTC]."""
    wall_known: Bools
    cut: Bools
    """(h+1,) the recorder says the line end was not received (``t:cut``)."""
    journal: Bools
    """(h+1,) names source, wall clock and relative time: a line of our own journal."""

    def head_of(self, frame: Frame, bound: I64) -> I64:
        """Return the head that each bound stands behind, -1 where none."""
        if not len(self.head) or not len(bound):
            return np.full(len(bound), -1, np.int64)
        if np.array_equal(bound, self.bound + 2) and np.array_equal(frame.line[bound], self.line):
            return self.head  # each stands right behind one of its own, as in a journal
        latest = np.cumsum(self.closes)[bound] - 1
        same_line = (latest >= 0) & (self.line[latest] == frame.line[bound])
        return np.where(same_line, self.head[latest], -1)


def parse_tags(frame: Frame, source: str) -> Tags:
    """Find the TAG blocks of a block, check them and read their heads.

    Args:
        frame: The block.
        source: Source name for what no sound TAG block names a source for.
    """
    buf, at = frame.buf, frame.at
    opens, closes = _pair_backslashes(frame)
    bound = np.flatnonzero(opens)
    start, stop = frame.place[bound], frame.place[bound + 1] + 1
    line = frame.line[bound]
    first, last = frame.bound[bound], frame.inner[bound]
    count = len(bound)

    sound = frame.sums[bound] & (at[last] == stop - 4) & (last - first <= _MOST_FIELDS)
    reason = np.where(sound, np.uint8(Reason.SOUND), np.uint8(Reason.TAG_CHECKSUM))
    values = _find_values(frame, first, (last - first) * sound)
    touches = np.zeros(count, np.bool_)
    touches[1:] = (start[1:] == stop[:-1]) & (line[1:] == line[:-1])
    head = np.cumsum(~touches) - 1
    heads = int(head[-1]) + 1 if count else 0
    code, sources = _source_codes(buf, *values["s"], source)
    times = {}
    for key, read in (("c", _wall_ms), ("r", _mono_ns)):
        number, is_time = read(buf, *values[key])
        reason[(values[key][1] > 0) & ~is_time] = Reason.TAG_VALUE
        times[key] = _first_in_head(number, is_time, head, heads)
    (wall_ms, wall_known), (mono_ns, mono_known) = times["c"], times["r"]
    source_code, named = _first_in_head(code, values["s"][1] > 0, head, heads)
    cut, _ = _first_in_head(*_says_cut(buf, *values["t"]), head, heads)
    return Tags(
        opens, closes, bound, start, stop, reason, head, line, source_code.astype(np.int32), sources,
        mono_ns, mono_known, wall_ms, wall_known, cut.astype(np.bool_), named & wall_known & mono_known,
    )  # fmt: skip


def _pair_backslashes(frame: Frame) -> tuple[Bools, Bools]:
    r"""Return which bounds open a TAG block (``\x:``) and which close one (the next bound).

    Of two in a row that might open one, the first was cut off and the second is whole.
    """
    is_tag = frame.bound_mark == TAG
    may_open = np.zeros(len(is_tag), np.bool_)
    some = np.flatnonzero(is_tag[:-1] & is_tag[1:])
    may_open[some] = frame.buf[frame.place[some] + 2] == ord(":")
    opens = may_open.copy()
    opens[:-1] &= ~may_open[1:]
    closes = np.zeros(len(is_tag), np.bool_)
    closes[1:] = opens[:-1]
    return opens, closes


def _find_values(frame: Frame, first: I64, count: I64) -> dict[str, tuple[I64, I64]]:
    """Return start and length of the value of each key we know, (t,) each; length 0 where not given.

    Args:
        frame: The block.
        first: (t,) opening backslash of each TAG block, as index into `Frame.at`.
        count: (t,) how many ``key:value`` fields each has.
    """
    found: dict[str, tuple[I64, I64]] = {}
    most = int(count.max(initial=0))
    edges = rows_from(frame.at, first, most + 1)
    pairs = words_of(frame.buf, 2)
    least = int(count.min()) if most else 0
    for nth in range(most):
        start, stop = edges[nth] + 1, edges[nth + 1]
        key = pairs[start] if nth < least else pairs[start] * (count > nth)
        for name in "scrt":
            here = key == ord(name) | ord(":") << 8
            if not here.any():
                continue
            value, length = start + 2, stop - start - 2
            if not here.all():
                value, length = value * here, length * here
            if name in found:  # where a block names a thing twice, the first counts
                earlier = found[name][1] > 0
                value = np.where(earlier, found[name][0], value)
                length = np.where(earlier, found[name][1], length)
            found[name] = value, length
    absent = np.zeros(len(first), np.int64)
    return {name: found.get(name, (absent, absent)) for name in "scrt"}


def _first_in_head(
    value: npt.NDArray[np.int64], given: Bools, head: I64, heads: int
) -> tuple[npt.NDArray[np.int64], Bools]:
    """Return for each head, and for none, the value of the first of its TAG blocks that gives it."""
    best, known = np.zeros(heads + 1, np.int64), np.zeros(heads + 1, np.bool_)
    if heads == len(head):
        best[:-1], known[:-1] = np.where(given, value, 0), given
    else:
        rows = np.flatnonzero(given)[::-1]  # of several written to one place the last one stays
        best[head[rows]], known[head[rows]] = value[rows], True
    return best, known


def _source_codes(buf: U8, start: I64, length: I64, source: str) -> tuple[I64, list[str]]:
    codes, names = encode_spans(buf, start, length)
    sources = [source, *(name for name in names if name not in ("", source))]
    place = np.array([sources.index(name) if name else 0 for name in names], np.int64)
    return place[codes] if len(codes) else np.zeros(0, np.int64), sources


def _says_cut(buf: U8, start: I64, length: I64) -> tuple[I64, Bools]:
    says = length == 3
    rows = np.flatnonzero(says)
    says[rows] = (buf[start[rows, None] + np.arange(3)] == np.frombuffer(b"cut", np.uint8)).all(axis=1)
    return says.astype(np.int64), says


def _wall_ms(buf: U8, start: I64, length: I64) -> tuple[I64, Bools]:
    """Read ``c`` values: whole milliseconds, or seconds with or without decimals."""
    number = parse_decimals(buf, start, length)
    if number.point.any():
        whole, parts = split_at_point(number)
        in_s = whole * 1000 + parts * 1000 // POWER_OF_10[number.places]
    else:
        whole = number.mantissa
        in_s = whole * 1000
    return np.where(whole < FIRST_MS, in_s, whole), number.sound & (whole < _LAST_MS)


def _mono_ns(buf: U8, start: I64, length: I64) -> tuple[I64, Bools]:
    """Read ``r`` values: whole microseconds."""
    number = parse_decimals(buf, start, length)
    is_time = number.sound & ~number.point & (number.mantissa < 9_000_000_000_000_000)
    return number.mantissa * 1000, is_time
