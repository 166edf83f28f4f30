"""The band table as text, and the reviewed result beside the automatic one where people changed it.

Digits of a column line up; notes are letters, answers capitals.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import pyarrow as pa

from trialcapture.reduce.summary import (
    AutomaticAnswers,
    BandComparison,
    BestEconomy,
    ComparedBand,
    ReviewChange,
    Summary,
    TopSpeed,
)
from trialcapture.reduce.tables import BAND_FLAGS
from trialcapture.report.format import (
    DASH,
    ReaderUnits,
    Scale,
    band_label,
    band_phrase,
    clock,
    degrees,
    expanded,
    fixed,
    join_words,
    number,
    plural,
    plus_minus,
    rows,
    scale_decimals,
    sentence,
    split_flags,
    without_keys,
    words,
)


class BandQuantity(NamedTuple):
    """A column of the band table: its name, heading, columns of value, standard uncertainty and coverage factor, unit.

    ``usual`` decimals are printed where no uncertainty is known, never more than ``most``; both in `unit`.
    """

    name: str
    heading: str
    value: str
    u: str
    k: str
    unit: str
    usual: int
    most: int


BAND_QUANTITIES = (
    BandQuantity("speed", "Speed", "speed_kn", "speed_u_kn", "speed_k", "kn", 2, 2),
    BandQuantity("fuel", "Fuel flow", "fuel_l_per_h", "fuel_u_l_per_h", "fuel_k", "L/h", 1, 3),
    BandQuantity("economy", "Economy", "economy_nm_per_l", "economy_u_nm_per_l", "economy_k", "nm/L", 3, 5),
    BandQuantity("range", "Range", "range_nm", "range_u_nm", "range_k", "nm", 0, 1),
)
SPEED, FUEL, ECONOMY, RANGE = BAND_QUANTITIES

SHOWN_RPM_U = 0.5
"""Below this standard uncertainty [rpm] an engine speed stands without its ±."""

_ON_THE_PLANE, _BELOW_PLANING = "best economy on the plane", "best economy below planing"


@dataclass(frozen=True, slots=True)
class Cell:
    """A value and its ±, both "–" or "" where there is none."""

    value: str
    pm: str


@dataclass(frozen=True, slots=True)
class BandRow:
    """One RPM band, ready to print; ``rpm_pm`` is "" where rounding by the tachometer leaves less than 1 rpm open."""

    rpm: str
    rpm_pm: str
    rpm_span: str
    rpm_mean: str
    legs: str
    ways: str
    cells: tuple[Cell, ...]
    consumption: str
    current: str
    towards: str
    stw: str
    slip: str
    froude: str
    answers: str
    notes: str


class BandColumn(NamedTuple):
    """A quantity in one unit."""

    quantity: BandQuantity
    scale: Scale


@dataclass(frozen=True, slots=True)
class BandTable:
    """The band table.

    Attributes:
        columns: Quantities in their usual units first, in the order of `BAND_QUANTITIES`; then the same in the other
            units of the reader.
        rows: In ascending rpm, a cell for each column.
        notes: What the letters of the notes stand for.
        answers: What the capitals stand for.
    """

    columns: tuple[BandColumn, ...]
    rows: tuple[BandRow, ...]
    notes: tuple[tuple[str, str], ...]
    answers: tuple[tuple[str, str], ...]

    @property
    def usual(self) -> range:
        """Places of the columns in usual units."""
        return range(len(BAND_QUANTITIES))

    @property
    def others(self) -> range:
        """Places of the columns in other units."""
        return range(len(BAND_QUANTITIES), len(self.columns))


def band_table(bands: pa.Table, summary: Summary, units: ReaderUnits) -> BandTable:
    """Return the band table as text.

    Args:
        bands: One row an RPM band.
        summary: Gives the bands of the answers.
        units: What the reader asked for.
    """
    plain = sorted(rows(bands), key=lambda r: (number(r.get("band_rpm")) is None, number(r.get("band_rpm")) or 0.0))
    columns = [BandColumn(q, units.scale(q.unit)) for q in BAND_QUANTITIES]
    columns += [BandColumn(q, scale) for q in BAND_QUANTITIES for scale in units.scales(q.unit)[1:]]
    decimals = [quantity_decimals(column.quantity, column.scale, plain) for column in columns]
    letters = note_letters([flag for r in plain for flag in split_flags(r.get("flags"))])
    marked = _answered_bands(summary)
    made = []
    for r in plain:
        cells = tuple(_cell(r, column, places) for column, places in zip(columns, decimals, strict=True))
        hits = "".join(letter for letter, _, band in marked if band == _key(r))
        made.append(_row(r, cells, letters, hits, units))
    used = {letter for row in made for letter in row.answers}
    return BandTable(
        tuple(columns),
        tuple(made),
        tuple((letter, flag_text(flag, summary)) for flag, letter in letters.items()),
        tuple((letter, text) for letter, text, _ in marked if letter in used),
    )


def coverage_statement(bands: pa.Table) -> str:
    """Return what a standard uncertainty was multiplied with for the ± of the table: "k = 2", or "k = 2.0 to 3.3"."""
    factors = [k for r in rows(bands) for q in BAND_QUANTITIES if (k := number(r.get(q.k))) is not None]
    shown = [fixed(k, 1) for k in (min(factors), max(factors))] if factors else ["2.0", "2.0"]
    return f"k = {' to '.join(dict.fromkeys(shown))}" if shown != ["2.0", "2.0"] else "k = 2"


def table_decimals(quantity: BandQuantity, bands: pa.Table) -> Callable[[Scale], int]:
    """Return the decimals of a quantity in the band table by unit, for a figure of a band that stands elsewhere."""
    plain = rows(bands)
    return lambda scale: quantity_decimals(quantity, scale, plain)


def quantity_decimals(quantity: BandQuantity, scale: Scale, plain: Sequence[Mapping[str, Any]]) -> int:
    """Return the decimals of a quantity in a unit, in the band table and wherever a band's figure is repeated.

    Args:
        quantity: Which.
        scale: The unit.
        plain: Rows of the bands table.
    """
    known = [_half_width(r, quantity) for r in plain if number(r.get(quantity.value)) is not None]
    return scale_decimals(scale, known, usual=quantity.usual, most=quantity.most)


def _half_width(r: Mapping[str, Any], quantity: BandQuantity) -> float | None:
    return expanded(r.get(quantity.u), r.get(quantity.k))


def _cell(r: Mapping[str, Any], column: BandColumn, decimals: int) -> Cell:
    quantity, scale = column
    value = scale.value(r.get(quantity.value))
    pm = "" if value is None else plus_minus(scale.u(_half_width(r, quantity)), decimals, dash="")
    return Cell(fixed(value, decimals), pm)


_Key = float | str | None
"""What a band is told by: its engine speed, else its name; None where there is neither."""


def _key(r: Mapping[str, Any]) -> _Key:
    rpm = number(r.get("band_rpm"))
    return r.get("band_name") if rpm is None else rpm


def _answered_bands(summary: Summary) -> list[tuple[str, str, _Key]]:
    """Return letter, name and band of each answer."""
    below = _BELOW_PLANING if summary.boat.planing else "best economy"
    found: list[tuple[str, str, TopSpeed | BestEconomy | None]] = [
        ("T", "top speed", summary.top_speed),
        ("P", _ON_THE_PLANE, summary.economy_planing),
        ("D", below, summary.economy_displacement),
    ]
    # the best of all is one of the best of its regime, unless no regime could be judged
    if summary.economy_planing is None and summary.economy_displacement is None:
        found.append(("E", "best economy", summary.economy_overall))
    named = [(letter, text, a, a.band_name if a.band_rpm is None else a.band_rpm) for letter, text, a in found if a]
    return [(letter, text, band) for letter, text, _, band in named if band not in ("", None)]


def _row(
    r: Mapping[str, Any], cells: tuple[Cell, ...], letters: Mapping[str, str], hits: str, units: ReaderUnits
) -> BandRow:
    economy = number(r.get("economy_nm_per_l"))
    rpm_u = number(r.get("rpm_u")) or 0.0
    low, high = fixed(r.get("rpm_low"), 0), fixed(r.get("rpm_high"), 0)
    return BandRow(
        rpm=band_label(r),
        rpm_pm=plus_minus(expanded(rpm_u), 0, dash="") if rpm_u >= SHOWN_RPM_U else "",
        rpm_span=DASH if DASH in (low, high) else f"{low}–{high}",
        rpm_mean=fixed(r.get("rpm_mean"), 0),
        legs=fixed(r.get("legs"), 0),
        ways=fixed(r.get("ways"), 0),
        cells=cells,
        consumption=units.cell(1 / economy if economy else None, "L/nm", 2),
        current=units.cell(r.get("current_kn"), "kn", 2),
        towards=degrees(r.get("current_towards_deg")),
        stw=units.cell(r.get("stw_kn"), "kn", 2),
        slip=_with_pm(fixed(r.get("slip_pct"), 1), plus_minus(expanded(r.get("slip_u_pct")), 1, dash="")),
        froude=fixed(r.get("depth_froude_max"), 2),
        answers=hits,
        notes="".join(sorted({letters[flag] for flag in split_flags(r.get("flags"))})),
    )


def _with_pm(value: str, pm: str) -> str:
    return f"{value} ± {pm}" if pm and value != DASH else value


def note_letters(notes: Iterable[str]) -> dict[str, str]:
    """Return a letter per distinct note of a table, in the order met: a to z, then aa, ab …."""
    made: dict[str, str] = {}
    for note in notes:
        if note not in made:
            n = len(made)
            made[note] = chr(97 + n) if n < 26 else chr(96 + n // 26) + chr(97 + n % 26)
    return made


def flag_text(flag: str, summary: Summary) -> str:
    """Return what a flag means: its standing sentence, that of a warning of the same code, or its own words."""
    if flag in BAND_FLAGS:
        return BAND_FLAGS[flag].text
    return sentence(next((w.text for w in summary.warnings if w.code == flag and w.text), words(flag)))


COMPARED = BAND_QUANTITIES[:3]
"""Quantities shown twice; range follows economy."""
STAR = "*"
"""Stands behind the number of a stretch that is used because of, or elsewhere by, a review."""


class Both(NamedTuple):
    """One figure of a band: by the automatic verdicts, and as reviewed, which is "same" where both print alike."""

    automatic: str
    reviewed: str


class ChangeRow(NamedTuple):
    """One thing a person changed about a stretch, as text."""

    number: str
    start: str
    stop: str
    rpm: str
    change: str
    automatic: str
    reason: str
    by: str


class ComparedRow(NamedTuple):
    """One band by the automatic verdicts and as reviewed; `figures` are in the order of `COMPARED`."""

    rpm: str
    changed: bool
    legs: str
    ways: str
    figures: tuple[Both, ...]


@dataclass(frozen=True, slots=True)
class ReviewView:
    """What the page shows of a review.

    Attributes:
        said: One sentence: how many stretches were changed.
        changes: A row for each change.
        bands: A row for each band.
        answers: What the answers are without it, where they print otherwise.
    """

    said: str
    changes: list[ChangeRow]
    bands: list[ComparedRow]
    answers: str


def review_view(summary: Summary, units: ReaderUnits) -> ReviewView | None:
    """Return what the page shows of a review, or None when the result is the automatic one."""
    review = summary.review
    if review is None or not review.changes:
        return None
    return ReviewView(
        review_line(summary),
        [_change_row(change) for change in review.changes],
        _compared_rows(review.bands, units),
        _automatic_answers(review.automatic, summary, units),
    )


def review_line(summary: Summary) -> str:
    """Return "1 stretch excluded (23), 1 included (20)", or "" when the result is the automatic one."""
    parts: list[str] = []
    for word in ("excluded", "included", "relabelled"):
        changes = summary.review.changes if summary.review else ()
        ids = [str(c.segment_id) for c in changes if c.change == word]
        if ids:
            count = f"{len(ids)}" if parts else plural(len(ids), "stretch", "stretches")
            parts.append(f"{count} {word} ({', '.join(ids)})")
    return join_words(parts)


def starred(segments: pa.Table | None) -> set[int]:
    """Return the numbers of the stretches that are used because of, or elsewhere by, a review."""
    return {r["segment_id"] for r in rows(segments) if r.get("review_reason") and r.get("reviewed_accepted")}


def _change_row(c: ReviewChange) -> ChangeRow:
    return ChangeRow(
        number=str(c.segment_id),
        start=clock(c.start),
        stop=clock(c.stop),
        rpm=fixed(c.rpm_mean, 0),
        change=c.change if c.relabelled_rpm is None else f"{c.change} to {fixed(c.relabelled_rpm, 0)}",
        automatic="used" if c.automatic_accepted else f"left out: {without_keys(c.automatic_reason) or DASH}",
        reason=c.reason or DASH,
        by=c.by or "not stated",
    )


_Figure = tuple[float | None, float | None]
"""A value and what is printed behind its ±."""


def _compared_figures(row: ComparedBand | None) -> tuple[_Figure, ...]:
    """Return the figures of a band in the order of `COMPARED`."""
    if row is None:
        return ((None, None),) * len(COMPARED)
    return (
        (row.speed_kn, expanded(row.speed_u_kn, row.speed_k)),
        (row.fuel_l_per_h, expanded(row.fuel_u_l_per_h, row.fuel_k)),
        (row.economy_nm_per_l, expanded(row.economy_u_nm_per_l, row.economy_k)),
    )


def _compared_rows(pairs: Sequence[BandComparison], units: ReaderUnits) -> list[ComparedRow]:
    sides = [(_compared_figures(p.automatic), _compared_figures(p.reviewed)) for p in pairs]
    columns = []
    for n, q in enumerate(COMPARED):
        scale = units.scale(q.unit)
        us = [side[n][1] for both in sides for side in both if side[n][0] is not None]
        columns.append((scale, scale_decimals(scale, us, usual=q.usual, most=q.most)))
    made = []
    for p, (before, after) in zip(pairs, sides, strict=True):
        figures = []
        for n, (scale, decimals) in enumerate(columns):
            old, new = (_figure(side[n], scale, decimals) for side in (before, after))
            figures.append(Both(old, "same" if old == new != DASH else new))
        shown = p.reviewed or p.automatic
        made.append(
            ComparedRow(
                band_label(shown) if shown else DASH,
                p.changed,
                _arrow(p.automatic.legs if p.automatic else 0, p.reviewed.legs if p.reviewed else 0),
                _arrow(p.automatic.ways if p.automatic else 0, p.reviewed.ways if p.reviewed else 0),
                tuple(figures),
            )
        )
    return made


def _arrow(old: int, new: int) -> str:
    """Return "2", or "2 → 1" where a review changed it; a band that is not there has none."""
    return str(new) if old == new else f"{old} → {new}"


def _figure(figure: _Figure, scale: Scale, decimals: int) -> str:
    value = scale.value(figure[0])
    if value is None:
        return DASH
    pm = plus_minus(scale.u(figure[1]), decimals, dash="")
    return _with_pm(fixed(value, decimals), pm)


def _automatic_answers(automatic: AutomaticAnswers, summary: Summary, units: ReaderUnits) -> str:
    """Return those automatic answers that print otherwise than the reviewed ones, as one sentence; "" if none does."""
    tops = (automatic.top_speed, summary.top_speed)
    planing = (automatic.economy_planing, summary.economy_planing)
    below = (automatic.economy_displacement, summary.economy_displacement)
    speeds = [(band_phrase(a), (a.speed_kn, expanded(a.speed_u_kn, a.speed_k))) if a else None for a in tops]
    said = [_unlike("top speed", speeds, SPEED, units)]
    for name, both in ((_ON_THE_PLANE, planing), (_BELOW_PLANING, below)):
        economies = [
            (band_phrase(a), (a.economy_nm_per_l, expanded(a.economy_u_nm_per_l, a.economy_k))) if a else None
            for a in both
        ]
        said.append(_unlike(name, economies, ECONOMY, units))
    kept = [text for text in said if text]
    return f"By the automatic verdicts alone: {'; '.join(kept)}." if kept else ""


def _unlike(
    name: str, both: Sequence[tuple[str, _Figure] | None], quantity: BandQuantity, units: ReaderUnits
) -> str:  # fmt: skip
    """Return the first of two answers, each a band and its figure, where it prints otherwise than the second."""
    us = [answer[1][1] for answer in both if answer]
    texts = []
    for answer in both:
        said = []
        for scale in units.beside(quantity.unit):
            decimals = scale_decimals(scale, us, usual=quantity.usual, most=quantity.most)
            said.append(f"{_figure(answer[1], scale, decimals)} {scale.text}" if answer else "")
        beside = f" ({said[1]})" if len(said) > 1 else ""
        texts.append(f"{said[0]}{beside} at {answer[0]}" if answer else "not given")
    return f"{name} {texts[0]}" if texts[0] != texts[1] else ""
