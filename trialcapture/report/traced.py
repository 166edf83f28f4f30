"""Numbers as they are printed, each with the stored number it comes from.

A trial sheet is argued over number by number. So each number in it is made from one stored number of ``summary.json``
or of a row of ``bands.parquet``, converted once and rounded after, and the page names where that number stands.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup, escape

from trialcapture.reduce.combined_bands import CombinedTrial
from trialcapture.reduce.summary import Summary, as_json
from trialcapture.report.band_table import BandQuantity, quantity_decimals
from trialcapture.report.format import DASH, ReaderUnits, Scale, expanded, fixed, grouped, number, plus_minus
from trialcapture.safe_text import clean_page

SUMMARY, BANDS, LEGS = "summary.json", "bands.parquet", "legs.csv"


class Stored(NamedTuple):
    """A stored value and where it stands: a file and a JSON pointer (RFC 6901); of a table, row and column."""

    value: Any
    place: str


class Traced(NamedTuple):
    """A printed number, or another printed value.

    Attributes:
        text: As printed.
        place: Where the stored number stands; of a ±, where the standard uncertainty and its coverage factor do.
        unit: It is printed in; "" for a number without one and for text.
        step: What it was rounded to where that is no power of ten.
    """

    text: str
    place: str
    unit: str = ""
    step: float | None = None


Piece = str | Traced
Phrase = tuple[Piece, ...]
"""A sentence or a cell; plain text in it holds no number."""


class Ledger:
    """Everything stored that a sheet may print, by where it stands."""

    def __init__(self, summary: Summary | CombinedTrial, bands: Sequence[Mapping[str, Any]], folder: str = "") -> None:
        """Take up the summary, and the rows of the band table in their stored order; the folder ends in ``/``."""
        self._summary: dict[str, Any] = as_json(summary)
        self._bands = bands
        self._folder = folder

    def at(self, *path: str | int) -> Stored:
        """Return a value of the summary; None where a part of the path is not there."""
        value: Any = self._summary
        for part in path:
            try:
                value = value[part]
            except (KeyError, IndexError, TypeError):
                value = None
        return Stored(value, f"{self._folder}{SUMMARY}#/{'/'.join(map(str, path))}")

    def row_of(self, band_name: str) -> int | None:
        """Return the row of a band; None where there is none of that name."""
        return next((n for n, r in enumerate(self._bands) if r.get("band_name") == band_name), None)

    def decimals(self, quantity: BandQuantity) -> Callable[[Scale], int]:
        """Return the decimals that a quantity has in the band table, by unit."""
        return lambda scale: quantity_decimals(quantity, scale, self._bands)

    def band(self, row: int, column: str) -> Stored:
        """Return a cell of the band table."""
        return Stored(self._bands[row].get(column), f"{self._folder}{BANDS}#/{row}/{column}")


def text_of(phrase: Phrase) -> str:
    """Return a phrase as plain text."""
    return "".join(piece if isinstance(piece, str) else piece.text for piece in phrase)


def markup(phrase: Phrase) -> Markup:
    """Return a phrase as HTML: every traced piece a ``data`` element that names where its number stands."""
    return Markup("").join(_element(piece) for piece in phrase)


def _element(piece: Piece) -> Markup:
    if isinstance(piece, str):
        return escape(clean_page(piece))
    step = Markup(' data-step="{}"').format(f"{piece.step:g}") if piece.step is not None else ""
    unit = Markup(' data-unit="{}"').format(piece.unit) if piece.unit else ""
    text = clean_page(piece.text)
    return Markup('<data value="{}"{}{}>{}</data>').format(piece.place, unit, step, text)


def said(stored: Stored) -> Traced:
    """Return a text that a person or the program wrote, as it stands."""
    return Traced("" if stored.value is None else str(stored.value), stored.place)


def counted(stored: Stored) -> Traced:
    """Return how many entries a stored list has."""
    return Traced(str(len(stored.value or ())), stored.place, "count")


def plain(stored: Stored, decimals: int = 0, unit: str = "", *, thousands: bool = False) -> Traced:
    """Return a number in its own unit."""
    return Traced((grouped if thousands else fixed)(stored.value, decimals), stored.place, unit)


def share(stored: Stored, decimals: int = 0) -> Phrase:
    """Return a share of a whole as a percentage."""
    known = number(stored.value)
    return (Traced(fixed(None if known is None else 100.0 * known, decimals), stored.place, "%"), " %")


def in_units(
    stored: Stored, unit: str, decimals: int, units: ReaderUnits, *, thousands: bool = False, result: bool = False
) -> Phrase:
    """Return a number with its unit, in the others of the reader behind it: "177.2 ft (54.0 m)".

    Args:
        stored: In the program's unit.
        unit: That unit.
        decimals: Worth printing in it.
        units: Of the reader.
        thousands: Whether thousands are set apart.
        result: Whether all units of the reader are printed; else the usual one and that of `also`.
    """
    if number(stored.value) is None:
        return (DASH,)
    return in_scales(stored, units.scales(unit) if result else units.beside(unit), decimals, thousands=thousands)


def in_scales(stored: Stored, scales: Sequence[Scale], decimals: int, *, thousands: bool = False) -> Phrase:
    """Return a number with its unit, in each of some units; see `in_units`."""
    write = grouped if thousands else fixed
    return beside([
        (Traced(write(s.value(stored.value), s.decimals(decimals)), stored.place, s.text), _unit(s)) for s in scales
    ])  # fmt: skip


def spoken(stored: Stored, scale: Scale, step: float) -> Traced:
    """Return a number as people say it: in a unit, to the next step."""
    x = scale.value(stored.value)
    if x is None:
        return Traced(DASH, stored.place)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return Traced(grouped(round(x / step) * step, decimals), stored.place, scale.text, step)


def measured_in(
    stored: Stored, u: Stored, k: Stored | None, scales: Sequence[Scale], decimals: Callable[[Scale], int]
) -> Phrase:
    """Return "31.92 ± 0.12 kn (36.73 ± 0.14 mph)"; "–" where there is no value.

    Args:
        stored: In the program's unit.
        u, k: Its standard uncertainty and coverage factor; without `k` it is 2.
        scales: Units to print it in.
        decimals: Of value and ± in a unit.
    """
    if number(stored.value) is None:
        return (DASH,)
    return beside([(*value_and_pm(stored, u, k, s, decimals(s)), _unit(s)) for s in scales])


def value_and_pm(stored: Stored, u: Stored, k: Stored | None, scale: Scale, decimals: int) -> Phrase:
    """Return "31.92 ± 0.12" without the unit."""
    half_width = expanded(u.value, None if k is None else k.value)
    pm = plus_minus(scale.u(half_width), decimals, dash="")
    place = u.place if k is None else f"{u.place} {k.place}"
    printed: Phrase = (Traced(fixed(scale.value(stored.value), decimals), stored.place, scale.text),)
    return (*printed, "\u00a0±\u00a0", Traced(pm, place, f"±{scale.text}")) if pm else printed


def beside(phrases: Sequence[Phrase]) -> Phrase:
    """Return phrases as "a", "a (b)" or "a (b; c)"."""
    first, *others = phrases
    if not others:
        return first
    inner = joined(others, "; ")
    return (*first, " (", *inner, ")")


def joined(phrases: Sequence[Phrase], between: str) -> Phrase:
    """Return phrases one after the other."""
    made: list[Piece] = []
    for n, phrase in enumerate(phrases):
        made += [between] if n else []
        made += phrase
    return tuple(made)


def _unit(scale: Scale) -> str:
    return scale.text if scale.text in ("", "°") else f"\u00a0{scale.text}"
