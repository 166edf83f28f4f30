"""The spans of lines, TAG blocks, sentences and noise in a block of bytes, with addresses, receive times and escapes.

NMEA 0183 as restated in the open "NMEA Revealed" document: a sentence starts at ``$`` or ``!``, its fields are
separated by commas, ``*`` and two hexadecimal digits end it. A sentence ends, whole or not, at the end of its line or
at the start of the next sentence; so a good sentence behind noise, behind a cut one or glued to another is found.
Lines end in CRLF, LF or CR.

Only the *structural* bytes (those separators, and bytes outside 0x20–0x7E), about one byte in seven, are looked at; the
text between them is read for its checksum and, later, its fields.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.byte_columns import POWER_OF_10, encode_spans, parse_decimals, split_at_point, words_of
from trialcapture.decode.rejects import Reason

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LONGEST_SENTENCE_BYTES = 256
"""Longest sentence accepted, ``$`` to checksum. The standard's 82 is too short for precise receivers
(common practice, no source)."""

_STRETCH_BYTES = 1 << 16
"""Bytes searched at once, so that they stay in the processor's cache (our choice)."""
_BEFORE = b"0" * 127 + b"\n"
_AFTER = b"\n" + b"," * 127
"""Stand around a block, longer than any look behind or ahead; the LF ends a last line that has no line end."""

COMMA, STAR, DOLLAR, BANG, TAG, CR, LF = (np.uint8(ord(byte)) for byte in ",*$!\\\r\n")
_HEX = np.full(256, -1, np.int16)
for _digit in b"0123456789ABCDEFabcdef":
    _HEX[_digit] = int(chr(_digit), 16)
HEX_PAIR = np.where((_HEX >= 0) & (_HEX[:, None] >= 0), _HEX * 16 + _HEX[:, None], -1).astype(np.int16).ravel()
"""The value of two hexadecimal digits read as one little-endian 16-bit word; -1 where they are none."""
_UPPER = np.zeros(256, np.bool_)
_UPPER[np.frombuffer(b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", np.uint8)] = True


class Frame(NamedTuple):
    """The structural bytes of a block."""

    buf: U8
    """(b,) the block between margins; every position below counts in it."""
    at: I64
    """(n,) positions of the structural bytes."""
    mark: U8
    """(n,) those bytes; a CR or LF that ends no line reads as 0."""
    bound: I64
    """(m,) the *bounds*: starts of sentences, backslashes and line ends, as indices into `at`."""
    place: I64
    """(m,) position of each bound."""
    bound_mark: U8
    """(m,) the byte there."""
    inner: I64
    """(m,) the first structural byte after each bound that is no comma, as index into `at`."""
    line: I64
    """(m,) 0-based line, within the block, of what begins at each bound."""
    sums: Bools
    """(m,) True where ``*`` and a right checksum follow a bound, before the next bound."""


class SentenceSpans(NamedTuple):
    """The spans of the sentences of a block, sound and damaged, in order; each field is an array (p,)."""

    bound: I64
    """Which bound of the frame it begins at."""
    start: I64
    """Position of its ``$`` or ``!``."""
    end: I64
    """Position where its fields end: of ``*``, or of the line end where there is no checksum."""
    stop: I64
    """Position of the next bound; between the checksum and here there may be noise."""
    first: I64
    """Its start as index into `Frame.at`: comma k of the sentence is ``at[first + 1 + k]``."""
    commas: I64
    """How many commas it has."""
    reason: U8
    """`Reason` code, SOUND when framing and checksum are right."""


def frame_block(block: bytes) -> Frame:
    """Find the structural bytes of a block of whole lines."""
    return frame_buffer(np.frombuffer(_BEFORE + block + _AFTER, np.uint8))


def frame_buffer(buf: U8, line_ends: I64 | None = None) -> Frame:
    """Find the structural bytes of a block that already has its margins.

    Args:
        buf: (b,) the block between margins.
        line_ends: Positions of the bytes that end lines; any other CR or LF is then a control byte. Without
            it every CR and LF ends a line.
    """
    at = _find_structural(buf)
    mark = buf[at]
    text = (mark >= 0x20) & (mark < ord("-")) & (mark != COMMA) & (mark != STAR) & (mark != DOLLAR)
    if text.any():
        bang = np.flatnonzero(mark == BANG)
        text[bang] = ~_starts_encapsulated(buf, at[bang])
        at, mark = at[~text], mark[~text]
    if line_ends is not None:
        ends = np.searchsorted(at, line_ends)
        kept = mark[ends]
        mark[(mark == CR) | (mark == LF)] = 0
        mark[ends] = kept
    inner = np.flatnonzero(mark != COMMA)
    inner_mark = mark[inner]
    is_end = (inner_mark == CR) | (inner_mark == LF)
    which = np.flatnonzero(is_end | (inner_mark == DOLLAR) | (inner_mark == TAG) | (inner_mark == BANG))
    bound = inner[which]
    bound_mark, place = mark[bound], at[bound]
    following = np.minimum(which + 1, len(inner) - 1)
    after = inner[following]
    ends_line = is_end[which]
    cr = np.flatnonzero((bound_mark[:-1] == CR) & (bound_mark[1:] == LF))
    ends_line[cr[place[cr + 1] == place[cr] + 1]] = False
    line = ends_line.astype(np.int64)
    line[0] = 0  # the margin before the block ends no line of it
    sums = _sum_up(buf, place, at[after], inner_mark[following] == STAR)
    return Frame(buf, at, mark, bound, place, bound_mark, after, np.cumsum(line, out=line), sums)


def _sum_up(buf: U8, place: I64, end: I64, starred: Bools) -> Bools:
    """Return where the XOR of the bytes between a bound and its ``*`` is what the two digits behind it say.

    Args:
        buf: (b,) bytes.
        place: (m,) bounds.
        end: (m,) the first structural byte after each that is no comma.
        starred: (m,) where that is a ``*``.
    """
    holds = np.zeros(len(place), np.bool_)
    rows = np.flatnonzero(starred)
    first, star = place[rows] + 1, end[rows]
    digits = hex_pair(buf, star + 1)
    some = (star > first) & (digits >= 0)
    if not some.all():
        rows, first, star, digits = rows[some], first[some], star[some], digits[some]
    if len(rows):
        edges = np.empty(2 * len(rows), np.int64)
        edges[0::2], edges[1::2] = first, star
        holds[rows] = np.bitwise_xor.reduceat(buf, edges)[::2] == digits
    return holds


def _starts_encapsulated(buf: U8, at: I64) -> Bools:
    """Return which ``!`` start a sentence (AIS and the like): five letters or digits and a comma follow."""
    five: Bools = _UPPER[buf[at[:, None] + np.arange(1, 6)]].all(axis=1)
    five &= buf[at + 6] == COMMA
    return five


def _find_structural(buf: U8) -> I64:
    """Return where the structural bytes are, and some blanks and signs that the caller sorts out."""
    some = np.empty(len(buf), np.bool_)
    for offset in range(0, len(buf), _STRETCH_BYTES):
        part, found = buf[offset : offset + _STRETCH_BYTES], some[offset : offset + _STRETCH_BYTES]
        # Below "-" are the separators and little else that occurs; above "~" is nothing printable.
        np.greater(part - np.uint8(ord("-")), ord("~") - ord("-"), out=found)
        found |= part == TAG
    return np.flatnonzero(some)


def find_sentences(frame: Frame) -> SentenceSpans:
    """Find every sentence, sound or not, with the first fault of its frame or checksum."""
    bound = np.flatnonzero(starts(frame))
    first, last = frame.bound[bound], frame.inner[bound]
    start, end, stop = frame.place[bound], frame.at[last], frame.place[bound + 1]
    reason = np.where(frame.sums[bound], np.uint8(Reason.SOUND), np.uint8(Reason.CHECKSUM))
    if (reason != Reason.SOUND).any():
        mark = frame.mark[last]
        at_line_end = (mark == CR) | (mark == LF)
        reason[at_line_end] = Reason.NO_CHECKSUM
        reason[(mark != STAR) & ~at_line_end & (end < stop)] = Reason.CONTROL_BYTES
        reason[(mark != STAR) & ~at_line_end & (end == stop)] = Reason.TRUNCATED
        reason[(mark == STAR) & ((end + 3 > stop) | (end == start + 1))] = Reason.TRUNCATED
    long = end - start > LONGEST_SENTENCE_BYTES - 3
    if long.any():
        reason[long & (reason != Reason.CONTROL_BYTES)] = Reason.TOO_LONG
    return SentenceSpans(bound, start, end, stop, first, last - first - 1, reason)


def starts(frame: Frame) -> Bools:
    """Return which bounds start a sentence, (m,)."""
    found: Bools = (frame.bound_mark == DOLLAR) | (frame.bound_mark == BANG)
    return found


def hex_pair(buf: U8, at: I64) -> npt.NDArray[np.int16]:
    """Return the value of the two hexadecimal digits at each position, -1 where they are none."""
    value: npt.NDArray[np.int16] = HEX_PAIR[words_of(buf, 2)[at]]
    return value


def holds_bang(frame: Frame, first: I64, commas: I64 | int) -> Bools:
    """Return which sentences hold a ``!``, which the standard reserves for the start of one.

    Args:
        frame: The block.
        first: (n,) their starts, as indices into `Frame.at`.
        commas: How many commas each has.
    """
    start, stop = frame.at[first], frame.at[first + 1 + commas]
    spans = zip(start.tolist(), stop.tolist(), strict=True)
    return np.array([b"!" in frame.buf[a + 1 : b].tobytes() for a, b in spans], np.bool_)


def rows_from(values: I64, start: I64, width: int) -> I64:
    """Return ``values[start + k]`` for each k below `width`, as (width, n)."""
    rows = np.ndarray((len(values) - width + 1,), f"V{8 * width}", buffer=values, strides=(8,))
    return np.ascontiguousarray(rows[start].view(np.int64).reshape(-1, width).T)


def find_noise(
    frame: Frame, sentences: SentenceSpans, summed: Bools, tag_open: Bools, tag_close: Bools
) -> tuple[I64, I64, I64]:
    """Find the bytes that belong to no sentence and no TAG block.

    Args:
        frame: The block.
        sentences: Its sentences.
        summed: (p,) which of them have a right checksum: they end behind it, others at the next bound.
        tag_open: (m,) bounds that open a TAG block.
        tag_close: (m,) bounds that close one.

    Returns:
        Start and stop positions of each stretch (it may be blank), and the bound it begins at.
    """
    place = frame.place
    stray = (frame.bound_mark == TAG) & ~(tag_open | tag_close)
    after = np.flatnonzero((place[1:] > place[:-1] + 1) & ~(starts(frame) | tag_open)[:-1] | stray[:-1])
    tail = np.flatnonzero(summed & (sentences.end + 3 < sentences.stop))
    return (
        np.concatenate([place[after] + ~stray[after], sentences.end[tail] + 3]),
        np.concatenate([place[after + 1], sentences.stop[tail]]),
        np.concatenate([after, sentences.bound[tail]]),
    )


# TAG blocks: source and receive time of a sentence.
#
# ``\s:gps1,c:1790000000123,r:5123456*hh\$GPRMC,…`` as NMEA 0183 v4 and IEC 61162-450 have it, described in the
# gpsd project's open document on AIVDM ("NMEA Tag Blocks"): ``s`` source, ``c`` UTC since 1970 in s or ms, ``r``
# relative time (here: µs since the session began), ``t`` text, ``hh`` the XOR of the characters between the
# backslashes. A damaged TAG block is reported and its values are not used; its sentence is kept.
#
# Adjacent TAG blocks are one *head*; of two values of one key the first counts (it is the recorder's, which is put in
# front last). A head applies to the end of its line or to the next head.

FIRST_MS = 100_000_000_000
"""A ``c`` below this counts seconds, from here on milliseconds (our choice: 1e11 s is the year 5138, 1e11 ms is
1973)."""
_MOST_FIELDS = 32
"""Most ``key:value`` fields of a TAG block (our choice: 80 characters hold 20); less than the margin is long."""
_LAST_MS = 100_000_000_000_000
"""A ``c`` from here on is no time (our choice: 1e14 ms is the year 5138)."""
_LAST_US = 9_000_000_000_000_000
"""An ``r`` from here on is no time: its nanoseconds would leave 64 bits."""


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
    is_time = number.sound & ~number.point & (number.mantissa < _LAST_US)
    return number.mantissa * 1000, is_time


# Addresses: talker and formatter.
#
# Two letters of talker and three of formatter (``GPRMC``); after ``P`` comes a manufacturer's own format, which
# the talker rule must not touch ("NMEA Revealed", IEC 61162-1). A sentence type that is not in our table is no
# fault: it is counted.

_LONGEST = 8
"""Most characters of an address told apart, ``$`` or ``!`` included (our choice: one 64-bit word)."""
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


def find_addresses(frame: Frame, sentences: SentenceSpans) -> Addresses:
    """Read the address of every sentence."""
    length = np.minimum(frame.at[sentences.first + 1] - sentences.start, _LONGEST)
    code, words = encode_spans(frame.buf, sentences.start, length)
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


# Escapes: journal lines back to the bytes that were received.
#
# In a journal line every byte outside 0x20–0x7E, and ``^`` and ``\``, stands as ``^hh``. Only such lines are
# unescaped: elsewhere ``^hh`` belongs to the sentence and its checksum.


def unescape_lines(frame: Frame, journal: Bools) -> Frame:
    """Return the frame of the block with the escapes of its journal lines undone; the lines stay the same.

    A CR or LF that an escape stood for ends no line of the file. At the end of a line it was the line end as
    received, and is left out as every line end is.

    Args:
        frame: The block as it stands in the file.
        journal: (lines,) which lines are journal lines.
    """
    buf = frame.buf
    is_end = (frame.bound_mark == CR) | (frame.bound_mark == LF)
    line_ends = frame.place[is_end]
    caret = np.flatnonzero(buf[:-2] == ord("^"))
    value = hex_pair(buf, caret + 1)
    line_of = frame.line[is_end][np.searchsorted(line_ends, caret) - 1]
    used = (value >= 0) & (line_of >= 0) & (line_of < len(journal))
    used[used] = journal[line_of[used]]
    caret, value = caret[used], value[used]
    after = buf[caret + 3]
    ends_line = ((after == CR) | (after == LF)) & ((value == CR) | (value == LF))

    keep = np.ones(len(buf), np.bool_)
    keep[caret + 1] = keep[caret + 2] = False
    keep[caret[ends_line]] = False
    plain = buf.copy()
    plain[caret] = value
    moved = np.cumsum(~keep)[line_ends]
    return frame_buffer(plain[keep], line_ends - moved)
