r"""The shape of a line: what must stand where, and what the digits in each place are worth.

A shape is made once from the text of one line with every digit given as ``0``; the lines that have it differ in
their digits alone. It says for each column which byte must stand there or how far a digit may go, and holds the
weights that turn digits into the numbers of all fields in one matrix product. Lines of which this cannot be said
have no shape and are decoded the other way.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from trialcapture.decode.addresses import split_address
from trialcapture.decode.encapsulated import is_encapsulated
from trialcapture.decode.fields import EXACT_DIGITS, F64, U8, Fit, weigh_digits
from trialcapture.decode.lines import MOST_ABOVE_0
from trialcapture.decode.sentences import LAYOUTS
from trialcapture.decode.xdr import GROUP_FIELDS, TRANSDUCER_VALUE

ANY_DIGIT_AS_0 = bytes(ord("0") if byte in b"123456789" else byte for byte in range(256))
ZERO = ord("0")

ANY = MOST_ABOVE_0
"""Cap of a column in which any byte may stand that is not marked."""
_DIGIT = 9
_SOURCE = re.compile(rb"[0-9A-Za-z_.:;/+@#()& -]{1,64}")
_ADDRESS = re.compile(rb"\$[A-Z0]+|![A-Z0]{5}")
_FIELDS = re.compile(rb"[ \"#%-)+-\[\]-~]*")
"""Printable text without the bytes that start or end something."""
_LONGEST_NAME = 90
_OF_TAG = 2
"""So many numbers are of the TAG block."""
MS_DIGITS, _S_DIGITS = 13, 10

Span = tuple[int, int]


class Shape(NamedTuple):
    """How the lines of one shape are read; the arrays over columns are (c,), as long as a line with its LF."""

    formatter: str
    """Three letters, "" where the sentence is only to be counted."""
    fields: int
    """How many fields it has."""
    literal: U8
    """1 where the byte is the same in every line."""
    zero: U8
    """0 where the byte is the same in every line, else "0"."""
    cap: U8
    """How far a byte may lie above the literal one, or above `zero`."""
    source: Span | None
    """Columns of the source's name, if the TAG block gives one."""
    address: Span
    """Columns of the sentence's address, ``$`` or ``!`` included."""
    wall_digits: int
    """How many digits the wall clock has, 0 where it is not given."""
    mono: bool
    """Whether a relative time is given."""
    digits: slice
    """Columns from the first digit that matters to the last."""
    weights: F64
    """(2 + numbers, columns) what they are worth to the wall clock [ms], the relative time [µs] and each number of
    each field; column after column in memory, in which order BLAS takes half the time."""
    scales: F64
    """(numbers, 1) what each number of a field is divided by."""
    present: tuple[bool, ...]
    """For each field, whether it is not blank."""
    fixed: tuple[bytes, ...]
    """For each field, the letters it says, where it says any."""
    groups: tuple[tuple[Span, Span, Span], ...]
    """Columns of type, unit and name in each group of an XDR sentence."""


class _Columns:
    """A line's columns from left to right, with what the digits in them are worth."""

    def __init__(self) -> None:
        self.caps = bytearray()
        self.terms: list[tuple[int, tuple[float, ...], float]] = []

    def add(self, caps: bytes) -> Span:
        self.caps += caps
        return len(self.caps) - len(caps), len(self.caps)

    def add_number(self, weights: tuple[float, ...], scale: float = 1.0) -> None:
        self.terms.append((len(self.caps), weights, scale))

    def add_fit(self, fit: Fit) -> Span:
        for weights, scale in zip(fit.weights, fit.scales, strict=True):
            self.add_number(weights, scale)
        return self.add(fit.caps)

    def product(self) -> tuple[slice, F64]:
        """Return the columns that matter to some numbers, and the weights of those columns."""
        terms = self.terms
        used = [term for term in terms if term[1]]
        first = min((at for at, _, _ in used), default=0)
        last = max((at + len(weights) for at, weights, _ in used), default=0)
        matrix = np.zeros((len(terms), last - first), order="F")
        for row, (at, weights, _) in enumerate(terms):
            if weights:
                matrix[row, at - first : at - first + len(weights)] = weights
        return slice(first, last), matrix


@lru_cache(maxsize=4096)
def find_shape(tag: bytes, sentence: bytes, ending: int) -> Shape | None:
    """Return the shape of a line, or None where its lines are not all read alike.

    Args:
        tag: Its TAG block, or nothing; up to the ``*``, every digit given as 0.
        sentence: Its sentence up to the ``*``, given likewise.
        ending: How many bytes follow that ``*``: three, or four with a CR.
    """
    line = _Columns()
    head = _read_tag(line, tag)
    address, comma, text = sentence.partition(b",")
    if head is None or not comma or _ADDRESS.fullmatch(address) is None or _FIELDS.fullmatch(text) is None:
        return None
    source, wall_digits, mono = head
    talker, formatter, standard = split_address(address.decode())
    if not formatter or is_encapsulated(talker, formatter):
        return None
    is_ours = standard and address[:1] == b"$"
    where = line.add(bytes(len(address)))
    fields = text.split(b",")
    present: tuple[bool, ...] = ()
    fixed: tuple[bytes, ...] = ()
    groups: tuple[tuple[Span, Span, Span], ...] = ()
    if is_ours and formatter == "XDR":
        found = _read_groups(line, fields)
        if found is None:
            return None
        groups, present = found
    elif is_ours and formatter in LAYOUTS:
        fits = _read_fields(line, formatter, fields)
        if fits is None:
            return None
        present, fixed = tuple(bool(fit.caps) for fit in fits), tuple(fit.fixed for fit in fits)
    else:
        formatter = ""
        line.add(bytes([0, *(ANY * (byte >= ZERO) for byte in text)]))
    line.add(bytes((0, ANY, ANY, 0, 0)[: 1 + ending]))

    cap = np.frombuffer(bytes(line.caps), np.uint8)
    digits, weights = line.product()
    scales = np.array([scale for _, _, scale in line.terms[_OF_TAG:]]).reshape(-1, 1)
    return Shape(
        formatter, len(fields), (cap == 0).view(np.uint8), (cap > 0) * np.uint8(ZERO), cap, source, where, wall_digits,
        mono, digits, weights, scales, present, fixed, groups,
    )  # fmt: skip


def _read_tag(line: _Columns, tag: bytes) -> tuple[Span | None, int, bool] | None:
    """Add a TAG block; return its source's columns, the digits of its wall clock and whether it has a time."""
    if not tag:
        line.terms += [(0, (), 1.0)] * _OF_TAG
        return None, 0, False
    source, wall, mono = None, b"", b""
    seen = set()
    if tag[:1] != b"\\":
        return None
    terms = {}
    for field in tag[1:].split(b","):
        key, value = field[:2], field[2:]
        if key in seen:
            return None
        seen.add(key)
        line.add(bytes(3))  # the backslash or comma before it, and its key
        if key == b"s:" and _SOURCE.fullmatch(value):
            source = line.add(bytes(len(value)))
            continue
        if value.strip(b"0") or not 0 < len(value) <= EXACT_DIGITS:
            return None
        weights = weigh_digits(len(value), 0)
        if key == b"c:" and len(value) in (MS_DIGITS, _S_DIGITS):
            wall = value
            in_ms = 1 if len(value) == MS_DIGITS else 1000
            terms[key] = len(line.caps), tuple(weight * in_ms for weight in weights), 1.0
        elif key == b"r:":
            mono = value
            terms[key] = len(line.caps), weights, 1.0
        else:
            return None
        line.add(bytes([_DIGIT] * len(value)))
    line.terms += [terms.get(key, (0, (), 1.0)) for key in (b"c:", b"r:")]
    line.add(bytes((0, ANY, ANY, 0)))
    return source, len(wall), bool(mono)


def _read_fields(line: _Columns, formatter: str, fields: list[bytes]) -> list[Fit] | None:
    layout = LAYOUTS[formatter].get(len(fields))
    if layout is None:
        return None
    fits = []
    for reader, text in zip(layout.values(), fields, strict=True):
        fit = reader.fit(text)
        if fit is None:
            return None
        line.add(bytes(1))  # the comma before it
        line.add_fit(fit)
        fits.append(fit)
    return fits


def _read_groups(
    line: _Columns, fields: list[bytes]
) -> tuple[tuple[tuple[Span, Span, Span], ...], tuple[bool, ...]] | None:
    """Add the groups of an XDR sentence; return the columns of their letters and names, and which have a value."""
    if len(fields) % GROUP_FIELDS:
        return None
    groups, present = [], []
    for nth in range(0, len(fields), GROUP_FIELDS):
        kind, value, unit, name = fields[nth : nth + GROUP_FIELDS]
        fit = TRANSDUCER_VALUE.fit(value)
        if fit is None or len(kind) > 1 or len(unit) > 1 or len(name) > _LONGEST_NAME:
            return None
        columns = []
        for text in (kind, None, unit, name):
            line.add(bytes(1))
            columns.append(line.add_fit(fit) if text is None else line.add(bytes(len(text))))
        groups.append((columns[0], columns[2], columns[3]))
        present.append(bool(value))
    return tuple(groups), tuple(present)
