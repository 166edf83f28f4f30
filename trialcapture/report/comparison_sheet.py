"""Two trials, or two groups of them, side by side: a sheet to print, and the same on the screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.console import Group, RenderableType
from rich.text import Text

from trialcapture import __version__
from trialcapture.archive.seal import short_root
from trialcapture.reduce.session_comparison import (
    BandDifference,
    ComparedSide,
    DerivedSession,
    QuantityDifference,
    SessionsCompared,
)
from trialcapture.reduce.tables import BAND_FLAGS
from trialcapture.report.band_table import BAND_QUANTITIES, BandQuantity, note_letters
from trialcapture.report.figures import INK, PAPER, PETROL, QUIET, RUST, Drawing, draw
from trialcapture.report.format import (
    DASH,
    METRIC,
    ReaderUnits,
    Scale,
    clock,
    date,
    expanded,
    fixed,
    join_words,
    plural,
    plus_minus,
    scale_decimals,
    signed,
)
from trialcapture.report.page import page_template, svg_markup
from trialcapture.report.sheet import paper_of
from trialcapture.report.terminal import hanging, plain_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BY_NAME = {quantity.name: quantity for quantity in BAND_QUANTITIES}
_FIGURE_PX = (960, 560)
_MOST_SESSIONS = 6
"""Sessions of a side whose load and conditions stand one by one; of more, least and greatest (our choice)."""
_CHANCE = 0.05
"""Of calling a difference real where there is none: at 95 %."""
_TELLING_FLAGS = ("one-way", "current-unknown", "current-from-other-bands", "shallow", "near-critical", "wind",
                  "trim-differs", "outlying-leg", "read-by-hand")  # fmt: skip
"""Flags of a band that bear on a comparison."""


@dataclass(frozen=True, slots=True)
class DifferenceRow:
    """One row of a table: texts in the units of its heads; the verdict, and whether it is real."""

    name: str
    first: str
    second: str
    difference: str
    percent: str
    verdict: str
    is_real: bool
    notes: str


@dataclass(frozen=True, slots=True)
class DifferenceTable:
    """One quantity: its heading, the unit at its heads, and a row an engine speed."""

    heading: str
    unit: str
    rows: tuple[DifferenceRow, ...]


@dataclass(frozen=True, slots=True)
class ComparisonView:
    """Everything of a comparison as text.

    Attributes:
        first, second: What the sides are called.
        boats: Whose trials they are.
        remarks: To be read before the numbers.
        headline: What came out, in one or two sentences.
        tables: One a quantity, and unit of the reader.
        top: Sentences on the highest engine speed of each.
        beside: Load and conditions: name, of the first, of the second, and whether they differ.
        shared: Which errors cancel.
        notes: What the letters behind rows mean.
        not_compared: What could not be compared.
        rule: Of the verdict.
        origins: Session, version, root.
    """

    first: str
    second: str
    boats: str
    remarks: tuple[str, ...]
    headline: str
    tables: tuple[DifferenceTable, ...]
    top: tuple[str, ...]
    beside: tuple[tuple[str, str, str, bool], ...]
    shared: tuple[tuple[str, str], ...]
    notes: tuple[tuple[str, str], ...]
    not_compared: tuple[tuple[str, str], ...]
    rule: str
    origins: tuple[tuple[str, str], ...]


def comparison_view(found: SessionsCompared, units: ReaderUnits = METRIC) -> ComparisonView:
    """Return a comparison as text, in the units of its reader."""
    letters = _letters(found.bands)
    tables = [
        _table(quantity, scale, found.bands, letters)
        for quantity in BAND_QUANTITIES
        if any(band.of(quantity.name) for band in found.bands)
        for scale in units.scales(quantity.unit)
    ]
    return ComparisonView(
        first=_side_name(found.first), second=_side_name(found.second),
        boats=join_words(list(dict.fromkeys(s.boat.name or "Unnamed boat" for s in (*found.first, *found.second)))),
        remarks=found.remarks, headline=_headline(found), tables=tuple(tables),
        top=() if found.top is None else tuple(_top(q, units) for q in found.top.quantities if q.quantity == "speed"),
        beside=tuple(_beside(found, units)),
        shared=tuple((c.kind, f"{'cancels' if c.is_shared else 'does not cancel'}: {c.reason}") for c in found.shared),
        notes=tuple((letter, words) for letter, words in letters.values()),
        not_compared=tuple((n.name, n.reason) for n in found.not_compared), rule=found.rule,
        origins=tuple(
            (s.session.id, f"side {side}; derived by {s.software_version}; root {short_root(s.seal.root_of_files)}")
            for side, sessions in (("A", found.first), ("B", found.second))
            for s in sessions
        ),
    )  # fmt: skip


def _side_name(sessions: Sequence[DerivedSession]) -> str:
    ids = [s.session.id for s in sessions]
    return ids[0] if len(ids) == 1 else f"{plural(len(ids), 'session', 'sessions')}: {', '.join(ids)}"


def _headline(found: SessionsCompared) -> str:
    count, real = found.counted()
    if not count:
        return "Nothing could be compared: the two have no engine speed in common."
    said = f"{real} of {count} comparisons {'is' if real == 1 else 'are'} real, the others within noise (95 %)."
    by_chance = _CHANCE * count
    return f"{said} Where nothing had changed, about {by_chance:.0f} of them would be called real by chance." if (
        by_chance >= 0.5
    ) else said  # fmt: skip


def _letters(bands: Sequence[BandDifference]) -> dict[str, tuple[str, str]]:
    """Return the letter and the words of every note, by its key, in the order in which they come."""
    words = {key: text for band in bands for q in band.quantities for key, text in _notes_of(q)}
    return {key: (letter, words[key]) for key, letter in note_letters(words).items()}


def _notes_of(q: QuantityDifference) -> list[tuple[str, str]]:
    """Return the notes of a row, key and words: where a value was taken from, and flags that bear on the comparison."""
    notes = [
        (f"{side}:{of.how}", f"{side} {of.how}") for side, of in (("A", q.first), ("B", q.second)) if of.how != "held"
    ]
    for flag in _TELLING_FLAGS:
        whose = " and ".join(side for side, of in (("A", q.first), ("B", q.second)) if flag in of.flags)
        if whose:
            notes.append((f"{whose}:{flag}", f"{whose}: {BAND_FLAGS[flag].text}"))
    return notes


def _table(
    quantity: BandQuantity, scale: Scale, bands: Sequence[BandDifference], letters: dict[str, tuple[str, str]]
) -> DifferenceTable:
    known = [(band, q) for band in bands if (q := band.of(quantity.name)) is not None]
    halves = [expanded(u, k) for _, q in known for u, k in ((q.first.u, q.first.k), (q.second.u, q.second.k))]
    decimals = scale_decimals(scale, halves, usual=quantity.usual, most=quantity.most)
    finer = scale_decimals(
        scale, [expanded(q.difference_u, q.k) for _, q in known], usual=quantity.usual, most=quantity.most
    )
    return DifferenceTable(
        quantity.heading, scale.text, tuple(_row(band, q, scale, decimals, finer, letters) for band, q in known)
    )


def _row(
    band: BandDifference, q: QuantityDifference, scale: Scale, decimals: int, finer: int,
    letters: dict[str, tuple[str, str]],
) -> DifferenceRow:  # fmt: skip
    return DifferenceRow(
        name=band.name.removesuffix(" rpm"),
        first=_side(q.first, scale, decimals),
        second=_side(q.second, scale, decimals),
        difference=f"{signed(scale.u(q.difference), finer)} ± {plus_minus(scale.u(q.k * q.difference_u), finer)}",
        percent=f"{signed(100.0 * (q.ratio - 1.0), 1)} ± {fixed(100.0 * q.k * q.ratio_u, 1)}",
        verdict="real" if q.is_real else "within noise",
        is_real=q.is_real,
        notes=" ".join(letters[key][0] for key, _ in _notes_of(q)),
    )


def _side(side: ComparedSide, scale: Scale, decimals: int) -> str:
    return f"{fixed(scale.value(side.value), decimals)} ± {plus_minus(scale.u(expanded(side.u, side.k)), decimals)}"


def _top(q: QuantityDifference, units: ReaderUnits) -> str:
    said = []
    for scale in units.scales(q.unit):
        halves = [expanded(q.first.u, q.first.k), expanded(q.second.u, q.second.k)]
        decimals = scale_decimals(scale, halves, usual=_BY_NAME[q.quantity].usual, most=_BY_NAME[q.quantity].most)
        pm = plus_minus(scale.u(q.k * q.difference_u), decimals)
        said.append(
            f"A {_side(q.first, scale, decimals)}, B {_side(q.second, scale, decimals)} {scale.text}, "
            f"difference {signed(scale.u(q.difference), decimals)} ± {pm}"
        )
    verdict = "real" if q.is_real else "within noise"
    return f"Highest engine speed both ways, A {q.first.how}, B {q.second.how}: {'; '.join(said)}: {verdict}."


# ------------------------------------------------------------------------------
# Load and conditions side by side.
# ------------------------------------------------------------------------------


def _beside(found: SessionsCompared, units: ReaderUnits) -> list[tuple[str, str, str, bool]]:
    """Return one row a property: of the first side, of the second, and whether they differ."""

    def measured(get: Callable[[DerivedSession], float | None], unit: str, decimals: int) -> list[str]:
        sides = []
        for sessions in (found.first, found.second):
            values = [get(s) for s in sessions]
            known = [x for x in values if x is not None]
            if len(values) > _MOST_SESSIONS and known:
                sides.append(units.span(min(known), max(known), unit, decimals))
            else:
                sides.append("; ".join(dict.fromkeys(units.say(x, unit, decimals) for x in values)))
        return sides

    def told(get: Callable[[DerivedSession], str]) -> list[str]:
        sides = []
        for sessions in (found.first, found.second):
            texts = list(dict.fromkeys(get(s) or DASH for s in sessions))
            more = len(texts) - _MOST_SESSIONS
            sides.append("; ".join(texts[:_MOST_SESSIONS]) + (f"; and {more} more" if more > 0 else ""))
        return sides

    kinds = list(dict.fromkeys(p.kind for s in (*found.first, *found.second) for p in s.load.parts))

    def part(kind: str) -> Callable[[DerivedSession], float | None]:
        return lambda s: sum(p.kg for p in s.load.parts if p.kind == kind) if s.load.parts else None

    rows = [
        ("Boat", *told(lambda s: s.boat.name)),
        ("Trial", *told(lambda s: s.trial.title)),
        ("Day", *told(lambda s: f"{date(s.conditions.start)} {clock(s.conditions.start, seconds=False)} UTC"
                      if s.conditions.start else "")),
        ("Place", *told(lambda s: s.conditions.place)),
        ("Test weight", *measured(lambda s: s.load.displacement_kg, "kg", 0)),
        *((f"  of it {kind}", *measured(part(kind), "kg", 0)) for kind in kinds if kind != "light"),
        ("Wind, mean", *measured(lambda s: s.conditions.wind_speed_true_kn_mean, "kn", 0)),
        ("Wave height", *measured(lambda s: s.conditions.wave_height_m, "m", 1)),
        ("Least depth", *measured(lambda s: s.conditions.depth_m_min, "m", 1)),
        ("Water", *told(lambda s: s.conditions.water)),
        ("Water temperature", *measured(lambda s: s.conditions.water_temp_c, "°C", 0)),
        ("Trim", *told(lambda s: ", ".join(s.conditions.trim))),
        ("Hull cleaned", *told(lambda s: s.conditions.hull_cleaned)),
        ("Fuel figures", *told(lambda s: "uncalibrated" if s.fuel.calibration is None else
                               f"times {s.fuel.calibration.factor:g}, {s.fuel.calibration.origin}")),
        ("Derived by", *told(lambda s: f"trialcapture {s.software_version}")),
        ("Seal", *told(lambda s: s.seal.state)),
    ]  # fmt: skip
    return [(name, a, b, a != b and name not in ("Day", "Trial")) for name, a, b in rows if (a, b) != (DASH, DASH)]


# ------------------------------------------------------------------------------
# The figure: both curves, and the difference in per cent below them.
# ------------------------------------------------------------------------------


def comparison_figure(found: SessionsCompared, units: ReaderUnits = METRIC) -> Drawing | None:
    """Return both sides over engine speed with their ±, and the difference in per cent; None without any."""
    shown = [q for q in ("speed", "economy") if any(band.of(q) for band in found.bands)]
    if "economy" not in shown and any(band.of("fuel") for band in found.bands):
        shown.append("fuel")
    if not shown:
        return None

    def paint(figure: Figure) -> None:
        axes = figure.subplots(
            2, len(shown), sharex="col", squeeze=False,
            gridspec_kw={"left": 0.06, "right": 0.985, "top": 0.93, "bottom": 0.09, "hspace": 0.22, "wspace": 0.16,
                         "height_ratios": [1.25, 1.0]},
        )  # fmt: skip
        for column, quantity in enumerate(shown):
            known = [(b, q) for b in found.bands if b.rpm is not None and (q := b.of(quantity)) is not None]
            _paint_curves(axes[0][column], quantity, known, units.scale(_BY_NAME[quantity].unit))
            _paint_differences(axes[1][column], known)

    count, real = found.counted()
    alt = (
        f"{join_words([_BY_NAME[q].heading.lower() for q in shown])} of A and B over engine speed, and the difference "
        f"of B from A in per cent with its uncertainty; {real} of {count} differences are real."
    )
    caption = (
        "Above: A (filled) and B (open) with ± as printed. Below: B less A in per cent of A; bars are the ± of the "
        "difference, 95 %, without errors that both share. A bar that does not reach zero is a real difference "
        "(diamonds)."
    )
    svg = draw("comparison", _FIGURE_PX, paint, label=alt, font_size=11)
    return Drawing("comparison", svg, alt, caption)


def _paint_curves(
    axes: Axes, quantity: str, known: Sequence[tuple[BandDifference, QuantityDifference]], scale: Scale
) -> None:
    rpm = [band.rpm or 0.0 for band, _ in known]
    axes.set_title(f"{_BY_NAME[quantity].heading}, {scale.text}")
    looks: tuple[dict[str, Any], ...] = (
        {"marker": "o", "color": PETROL, "mfc": PETROL, "mec": PETROL},
        {"marker": "o", "color": RUST, "mfc": PAPER, "mec": RUST},
    )
    for n, (name, look) in enumerate(zip("AB", looks, strict=True)):
        sides = [q.second if n else q.first for _, q in known]
        axes.errorbar(
            rpm, [scale.value(s.value) or 0.0 for s in sides], yerr=[scale.u(s.k * s.u) or 0.0 for s in sides],
            ls="-" if n == 0 else (0, (6, 2.5)), lw=1.3, ms=6, elinewidth=1.0, capsize=2.5, label=name, zorder=3 + n,
            **look,
        )  # fmt: skip
    axes.legend(loc="best", ncols=2)
    axes.set_ylim(bottom=0)


def _paint_differences(axes: Axes, known: Sequence[tuple[BandDifference, QuantityDifference]]) -> None:
    axes.set_title("B less A, %")
    axes.axhline(0.0, color=INK, lw=1.0, zorder=2)
    for is_real in (False, True):
        chosen = [(band, q) for band, q in known if q.is_real is is_real]
        if not chosen:
            continue
        colour = RUST if is_real else QUIET
        axes.errorbar(
            [band.rpm or 0.0 for band, _ in chosen], [100.0 * (q.ratio - 1.0) for _, q in chosen],
            yerr=[100.0 * q.k * q.ratio_u for _, q in chosen], ls="none", marker="D" if is_real else "s",
            ms=6 if is_real else 5, color=colour, mfc=colour if is_real else PAPER, mec=colour, elinewidth=1.2,
            capsize=3, label="real" if is_real else "within noise", zorder=3,
        )  # fmt: skip
    axes.legend(loc="best", ncols=2)
    axes.set_xlabel("Engine speed, rpm")
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -1.0), max(high, 1.0))


def render_comparison(found: SessionsCompared, units: ReaderUnits = METRIC) -> str:
    """Return the sheet of a comparison as one HTML file that needs nothing beside it. Equal input gives equal text."""
    page: str = page_template("comparison.html.j2").render(
        view=comparison_view(found, units), figure=comparison_figure(found, units),
        draw=svg_markup, definitions=units.definitions(), version=__version__, paper=paper_of(units),
    )  # fmt: skip
    return page


def comparison_screen(found: SessionsCompared, units: ReaderUnits = METRIC) -> RenderableType:
    """Return the same for a terminal of 80 columns, without colour too."""
    view = comparison_view(found, units)
    parts: list[RenderableType] = [hanging("A:", plain_text(view.first)), hanging("B:", plain_text(view.second))]
    parts += [hanging("Note:", plain_text(remark)) for remark in view.remarks]
    for table in view.tables:
        parts += [Text(""), Text(plain_text(f"{table.heading}, {table.unit}"), style="bold"), *_screen_table(table)]
    parts.append(Text(""))
    parts += [hanging(f"{letter}:", plain_text(words)) for letter, words in view.notes]
    parts += [hanging(f"{name}:", plain_text(f"not compared: {reason}")) for name, reason in view.not_compared]
    parts += [Text(plain_text(line)) for line in view.top]
    parts += [Text(""), Text("Load and conditions (* differs)", style="bold")]
    for name, a, b, differs in view.beside:
        both = a if a == b else f"{a} | {b}"
        parts.append(hanging(f"{'*' if differs else ' '} {name.strip()}:", plain_text(both)))
    parts += [Text(""), Text("Errors that both share", style="bold")]
    parts += [hanging(f"  {kind}:", plain_text(words)) for kind, words in view.shared]
    parts += [Text(""), hanging("Rule:", plain_text(view.rule)), Text(plain_text(view.headline), style="bold")]
    return Group(*parts)


def _screen_table(table: DifferenceTable) -> list[RenderableType]:
    heads = ("rpm", "A", "B", "B less A", "%", "verdict")
    cells = [(r.name, r.first, r.second, r.difference, r.percent, f"{r.verdict} {r.notes}".strip()) for r in table.rows]
    texts = [[plain_text(cell) for cell in row] for row in [heads, *cells]]
    widths = [max(len(row[n]) for row in texts) for n in range(len(heads))]
    lines = []
    for *row, verdict in texts:
        numbers = [cell.rjust(w) for cell, w in zip(row, widths, strict=False)]
        lines.append(Text("  ".join([*numbers, verdict])))
    return list(lines)
