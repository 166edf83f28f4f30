"""Regular lines to columns: lines of one shape are read together, all their digits in one matrix product.

What is accepted here is what `irregular` would decode without a fault, to the same bits: lines whose checksums
are right, that have their shape to the letter, and whose values all are such as the quantity can have. A line
that falls short anywhere is left, and `irregular` says what is wrong with it, if anything is.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.addresses import split_address
from trialcapture.decode.fields import F64, I64, U8, Bools, Column
from trialcapture.decode.framing import LF, STAR
from trialcapture.decode.lines import Lines, group_by_shape, sort_alike
from trialcapture.decode.meanings import MEANINGS, Columns
from trialcapture.decode.parts import Names, Part
from trialcapture.decode.sentences import LAYOUTS
from trialcapture.decode.shapes import ANY, ANY_DIGIT_AS_0, MS_DIGITS, Shape, find_shape
from trialcapture.decode.tag import FIRST_MS
from trialcapture.decode.views import read_windows
from trialcapture.decode.xdr import TRANSDUCER_VALUE, Transducer, is_wanted

FEWEST_ALIKE = 3
"""Shapes of fewer lines in a block are left: each shape costs about as much as so many lines do."""
_MOST_AT_ONCE = 4096
"""So many lines of one shape stay in the processor's cache."""
_SMALL_PRODUCT = 250_000
"""Multiplications in one matrix product: of so few a BLAS makes no threads, whose start costs more than the work
(OpenBLAS: below 4 x 65 536)."""
_MOST_TRIES = 8
"""Lines of one shape may still differ in their letters; so many sets of letters are tried."""


Key = tuple[str, str, str]
"""Source, talker and formatter."""


class Regular(NamedTuple):
    """What the regular lines of a block gave."""

    parts: dict[str, list[Part]]
    """By formatter, in any order of lines."""
    good: Counter[Key]
    """Sentences decoded."""
    not_decoded: Counter[Key]
    """Sound sentences of types that are not decoded."""
    done: Bools
    """(lines,) which lines are dealt with."""


class _Run(NamedTuple):
    """Lines read by one shape, and their numbers."""

    shape: Shape
    rows: I64
    numbers: F64
    """(2 + k, n) wall clock, relative time, and the numbers of the fields."""
    text: bytes
    """The first line."""
    source: int
    talker: int
    key: tuple[str, str, str]


class _Reader:
    """Reads the lines of a block shape by shape."""

    def __init__(self, lines: Lines, file_line: I64, sources: Names, talkers: Names, source: str) -> None:
        self.lines, self.file_line, self.sources, self.talkers, self.source = lines, file_line, sources, talkers, source
        self.runs: defaultdict[tuple[str, int], list[_Run]] = defaultdict(list)
        self.not_decoded: Counter[Key] = Counter()
        self.done = np.zeros(len(lines.start), np.bool_)

    def read(self, rows: I64, length: int, split: bool = True) -> None:
        """Read lines of one shape, template by template, until few are left.

        Args:
            rows: The lines, ascending.
            length: How long each is.
            split: Whether those that differ from the first in their letters may be sorted by them.
        """
        for _ in range(_MOST_TRIES):
            if len(rows) < FEWEST_ALIKE:
                return
            window = read_windows(self.lines.buf, self.lines.start[rows], length)
            text = window[0].tobytes()
            shape = self._shape_of(text, int(self.lines.sentence[rows[0]] - self.lines.start[rows[0]]))
            if shape is None:
                rows = rows[1:]
                continue
            above = window - (window[0] * shape.literal + shape.zero)
            fits = above <= shape.cap
            if fits.all():
                self._take(shape, rows, above, text)
                return
            fits = fits.all(axis=1)
            self._take(shape, rows[fits], above[fits], text)
            fits[0] = True  # it had its turn, even where it does not fit itself
            left = ~fits
            if split and left.sum() >= FEWEST_ALIKE:
                for members in _sort_by_letters(window[left] * (shape.cap < ANY)):
                    self.read(rows[left][members], length, split=False)
                return
            rows = rows[left]

    @staticmethod
    def _shape_of(text: bytes, sentence: int) -> Shape | None:
        ending = 4 if text.endswith(b"\r\n") else 3
        tag_star, star = sentence - 4, len(text) - ending - 1
        if (sentence and text[tag_star] != STAR) or text[-1] != LF:
            return None
        plain = text.translate(ANY_DIGIT_AS_0)
        return find_shape(plain[: max(tag_star, 0)], plain[sentence:star], ending)

    def _take(self, shape: Shape, rows: I64, above: U8, text: bytes) -> None:
        """Turn the digits of lines that have a shape into numbers."""
        if not len(rows):
            return
        numbers = _multiply(shape.weights, above[:, shape.digits])
        if shape.wall_digits == MS_DIGITS and numbers[0].min() < FIRST_MS:
            later = numbers[0] >= FIRST_MS
            self._take(shape, rows[later], above[later], text)
            return
        source = text[slice(*shape.source)].decode() if shape.source else self.source
        talker, formatter, _ = split_address(text[slice(*shape.address)].decode())
        key = (source, talker, formatter)
        line = int(self.file_line[rows[0]])
        codes = self.sources.code(source, line), self.talkers.code(talker, line)
        self.done[rows] = True
        if not shape.formatter:
            self.not_decoded[key] += len(rows)
            return
        numbers[2:] /= shape.scales
        self.runs[shape.formatter, shape.fields].append(_Run(shape, rows, numbers, text, *codes, key))


def decode_regular(
    lines: Lines, file_line: I64, *, source: str, sources: Names, talkers: Names, xdr_names: Names,
    wanted: tuple[Transducer, ...],
) -> Regular:  # fmt: skip
    """Decode the regular lines of a block, as far as they are like others.

    Args:
        lines: The lines of the block.
        file_line: (lines,) their numbers in the file.
        source: Source name of sentences whose TAG block names none.
        sources: Takes the sources' names.
        talkers: Takes the talkers.
        xdr_names: Takes the names of transducers.
        wanted: Transducers wanted from XDR sentences; empty keeps all.
    """
    reader = _Reader(lines, file_line, sources, talkers, source)
    for group in group_by_shape(lines, FEWEST_ALIKE):
        for offset in range(0, len(group.rows), _MOST_AT_ONCE):
            reader.read(group.rows[offset : offset + _MOST_AT_ONCE], group.length)
    parts: defaultdict[str, list[Part]] = defaultdict(list)
    good: Counter[Key] = Counter()
    for (formatter, fields), runs in reader.runs.items():
        if formatter == "XDR":
            parts[formatter] += _join_groups(runs, reader, xdr_names, wanted, good)
        else:
            parts[formatter].append(_join_runs(runs, reader, formatter, fields, good))
    return Regular(parts, good, reader.not_decoded, reader.done)


def _multiply(weights: F64, digits: U8) -> F64:
    """Return the sums (k, n) of ``digits`` (n, c) by ``weights`` (k, c).

    Every product and sum is a whole number that a float holds exactly, so the order of summation does not matter.
    """
    numbers = np.empty((len(weights), len(digits)))
    size = max(_SMALL_PRODUCT // max(weights.size, 1), 1)
    for offset in range(0, len(digits), size):
        part = slice(offset, offset + size)
        np.matmul(weights, digits[part].astype(np.float64).T, out=numbers[:, part])
    return numbers


def _sort_by_letters(window: U8) -> list[I64]:
    """Return which rows have the same letters in the same places."""
    letters = np.zeros((len(window), -(-window.shape[1] // 8) * 8), np.uint8)
    np.multiply(window, window >= ord("A"), out=letters[:, : window.shape[1]])
    order, edges = sort_alike(letters.view(np.uint64).T, FEWEST_ALIKE)
    return [np.sort(order[a:b]) for a, b in edges]


def _join_runs(runs: list[_Run], reader: _Reader, formatter: str, fields: int, good: Counter[Key]) -> Part:
    """Make columns of one variant of a sentence, and leave the lines in which a value cannot be."""
    numbers = np.concatenate([run.numbers for run in runs], axis=1)
    sizes = [len(run.rows) for run in runs]
    found: Columns = {}
    wrong: list[Bools] = []
    at = 2
    for nth, (name, field) in enumerate(LAYOUTS[formatter][fields].items()):
        present = _repeat([run.shape.present[nth] for run in runs], sizes, np.bool_)
        read = numbers[at : at + field.numbers]
        if not field.numbers:
            read = _repeat_texts([run.shape.fixed[nth] for run in runs], sizes)
        found[name], bad = field.finish(read, present)
        at += field.numbers
        if bad is not None:
            wrong.append(bad)
    columns, faults = MEANINGS[formatter](found)
    wrong += [bad for bad in faults.values() if bad.any()]
    rows = np.concatenate([run.rows for run in runs])
    part = Part(reader.file_line[rows], {**_prefix(runs, sizes, numbers), **columns})
    sound = ~np.logical_or.reduce(wrong) if wrong else None
    _settle(runs, sound, reader, good)
    return part if sound is None else _where(part, sound)


def _join_groups(
    runs: list[_Run], reader: _Reader, names: Names, wanted: tuple[Transducer, ...], good: Counter[Key]
) -> list[Part]:
    """Make columns of XDR sentences: a part for each group of four in each shape."""
    parts = []
    for run in runs:
        count = len(run.rows)
        line, given = reader.file_line[run.rows], np.ones(count, np.bool_)
        found: list[Part] = []
        wrong: list[Bools] = []
        for nth, spans in enumerate(run.shape.groups):
            kind, unit, name = (run.text[slice(*span)] for span in spans)
            present = given & run.shape.present[nth]
            value, bad = TRANSDUCER_VALUE.finish(run.numbers[2 + nth : 3 + nth], present)
            if bad is not None:
                wrong.append(bad)
            if not is_wanted(wanted, *(text.decode() for text in (kind, unit, name))):
                continue
            code = names.code(name.decode(), int(line[0]))
            columns = {
                "type": Column(_repeat_texts([kind], [count]).view(np.uint8), given & bool(kind)),
                "value": value,
                "unit": Column(_repeat_texts([unit], [count]).view(np.uint8), given & bool(unit)),
                "name": Column(np.full(count, code, np.int32), given & bool(name)),
            }
            found.append(Part(line, {**_prefix([run], [count], run.numbers), **columns}))
        sound = ~np.logical_or.reduce(wrong) if wrong else None
        _settle([run], sound, reader, good)
        parts += found if sound is None else [_where(part, sound) for part in found]
    return parts


def _settle(runs: list[_Run], sound: Bools | None, reader: _Reader, good: Counter[Key]) -> None:
    """Count the sound sentences, and give back the lines of the others."""
    at = 0
    for run in runs:
        count = len(run.rows)
        if sound is None:
            good[run.key] += count
        else:
            here = sound[at : at + count]
            good[run.key] += int(np.count_nonzero(here))
            reader.done[run.rows[~here]] = False
        at += count


def _where(part: Part, kept: Bools) -> Part:
    columns = {name: Column(column.values[kept], column.present[kept]) for name, column in part.columns.items()}
    return Part(part.line[kept], columns)


def _prefix(runs: list[_Run], sizes: list[int], numbers: F64) -> Columns:
    """Return the columns every table begins with, behind the line."""
    wall = _repeat([run.shape.wall_digits > 0 for run in runs], sizes, np.bool_)
    mono = _repeat([run.shape.mono for run in runs], sizes, np.bool_)
    given = np.ones(len(wall), np.bool_)
    return {
        "mono_ns": Column(numbers[1].astype(np.int64) * 1000, mono),
        "wall_ms": Column(numbers[0].astype(np.int64), wall),
        "source": Column(_repeat([run.source for run in runs], sizes, np.int32), given),
        "talker": Column(_repeat([run.talker for run in runs], sizes, np.int32), given),
    }


def _repeat(values: list[Any], sizes: list[int], dtype: type[Any]) -> npt.NDArray[Any]:
    """Return each value as often as its size says."""
    if len(set(values)) == 1:
        return np.full(sum(sizes), values[0], dtype)
    return np.repeat(np.array(values, dtype), sizes)


def _repeat_texts(texts: list[bytes], sizes: list[int]) -> npt.NDArray[np.bytes_]:
    """Return each text as often as its size says."""
    if len(set(texts)) == 1:
        return np.full(sum(sizes), texts[0], f"S{max(len(texts[0]), 1)}")
    return np.repeat(np.array(texts), sizes)
