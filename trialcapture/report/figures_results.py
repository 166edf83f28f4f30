"""The results as curves against engine speed with their uncertainty bars, and the current over time."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import pyarrow as pa

from trialcapture.reduce.summary import (
    FigureAxis,
    FigureMark,
    FigureSeries,
    FigureSpec,
    NamedBand,
    SequenceCurrent,
    Summary,
)
from trialcapture.report.band_table import BAND_QUANTITIES, ECONOMY, FUEL, RANGE, SPEED, BandQuantity
from trialcapture.report.figures import (
    COMPACT,
    ENGINE_STYLES,
    INK,
    OCHRE,
    PAPER,
    PETROL,
    QUIET,
    RUST,
    TINT,
    TOP_PX,
    Drawing,
    draw,
    draw_boxes,
    new_axes,
    set_time_axis,
)
from trialcapture.report.format import (
    METRIC,
    Floats,
    K,
    ReaderUnits,
    Scale,
    band_label,
    clock,
    column_decimals,
    degrees,
    expanded,
    fixed,
    floats,
    general,
    has_values,
    join_words,
    number,
    percent,
    plus_minus,
    rows,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_AXES_SIZE = (COMPACT[0] - 60, COMPACT[1] - 67)
"""Of the axes of a curve [px]."""
_LINES: tuple[tuple[str, Any], ...] = ENGINE_STYLES
_POINTS: dict[str, dict[str, Any]] = {
    "points": {"marker": "o", "ms": 6, "color": PETROL, "mec": PAPER, "mew": 0.8, "zorder": 4},
    "open": {"marker": "o", "ms": 6, "color": PAPER, "mec": RUST, "mew": 1.6, "zorder": 4},
    "crosses": {"marker": "x", "ms": 4.5, "color": QUIET, "mew": 0.9, "zorder": 1.5},
}
_MOST_READ_OUT = 40


def draw_specification(spec: FigureSpec, units: ReaderUnits = METRIC) -> Drawing:
    """Draw a figure in the units of its reader, another unit of its upright axis on the right.

    Args:
        spec: What is to be seen, in the program's units.
        units: What the reader asked for.
    """
    across, (scale, *others) = units.scale(spec.x.unit), units.scales(spec.y.unit)
    # of several further units that of `also`, which was asked for by name, is drawn
    right = others[-1] if others else None
    series = [_converted(s, across, scale) for s in spec.series]
    shaded = [(across.value(a) or 0.0, across.value(b) or 0.0) for a, b in spec.shaded]
    title, x_label = _with_unit(spec.title, scale.text), _with_unit(spec.x.label, across.text)
    limits = _limits(series)

    def paint(figure: Figure) -> None:
        labels = [s.label for s in series if s.label]
        legend_rows = math.ceil(len(labels) / 2) if len(labels) > 1 else 0
        (axes,) = new_axes(figure, right=42 if right else 16, top=TOP_PX + 13 * legend_rows)
        draw_boxes(axes, shaded, *limits[1], TINT)
        lines = 0
        for s in series:
            label = s.label or None
            if s.style == "line":
                colour, dash = _LINES[lines % len(_LINES)]
                lines += 1
                axes.plot(s.x, s.y, color=colour, ls=dash, lw=1, zorder=2, label=label)
            else:
                axes.plot(s.x, s.y, ls="none", label=label, **_POINTS[s.style])
            known = np.isfinite(s.pm) & np.isfinite(s.y)
            if known.any():
                axes.errorbar(
                    s.x[known], s.y[known], yerr=s.pm[known], fmt="none", ecolor=INK, elinewidth=1.1, capsize=3.5,
                    zorder=3,
                )  # fmt: skip
        axes.set(xlim=limits[0], ylim=limits[1], xlabel=x_label)
        if spec.is_map:
            _draw_to_one_scale(axes, limits)
        if len(labels) > 1:
            axes.legend(
                title=title, alignment="left", loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderaxespad=0.7
            )
        else:
            axes.set_title(title)
        if right:
            _draw_right_scale(axes, scale, right)
        for mark in spec.marks:
            _name_point(axes, limits, series, across.value(mark.x), scale.value(mark.y), mark.text)

    alt = _alt(title, spec.x.label, across.text, series)
    return Drawing(spec.name, draw(f"fig-{spec.name}", COMPACT, paint, label=alt), alt, spec.caption)


@dataclass(frozen=True, slots=True)
class _Converted:
    label: str
    style: str
    x: Floats
    y: Floats
    pm: Floats


def _converted(series: FigureSeries, across: Scale, scale: Scale) -> _Converted:
    def numbers(convert: Callable[[float], float | None], values: Sequence[float]) -> Floats:
        return np.array([np.nan if (x := convert(v)) is None else x for v in values], dtype=np.float64)

    pm = series.pm if series.pm is not None else (np.nan,) * len(series.y)
    return _Converted(
        series.label,
        series.style,
        numbers(across.value, series.x),
        numbers(scale.value, series.y),
        numbers(scale.u, pm),
    )


def _with_unit(label: str, unit: str) -> str:
    return f"{label} [{unit}]" if unit not in ("", "1") else label


def _draw_right_scale(axes: Axes, left: Scale, right: Scale) -> None:
    """Draw the same axis in another unit on the right, its unit in line with the title."""
    there, zero = (right.value(x) or 0.0 for x in (1.0, 0.0))
    here, own_zero = (left.value(x) or 0.0 for x in (1.0, 0.0))
    factor = (there - zero) / (here - own_zero)

    def forward(y: Any) -> Any:
        return (y - own_zero) * factor + zero

    def back(y: Any) -> Any:
        return (y - zero) / factor + own_zero

    axis = axes.secondary_yaxis("right", functions=(forward, back))
    axis.grid(visible=False)
    axis.tick_params(length=3)
    axes.set_title(f"[{right.text}]", loc="right")


_Limits = tuple[tuple[float, float], tuple[float, float]]


def _limits(series: Sequence[_Converted]) -> _Limits:
    """Return limits that start the scale at zero and leave air above the highest bar for its name."""
    x = np.concatenate([s.x for s in series])
    tops = np.concatenate([s.y + np.where(np.isfinite(s.pm), s.pm, 0.0) for s in series])
    x, tops = x[np.isfinite(x)], tops[np.isfinite(tops)]
    if not len(x) or not len(tops):
        return (0.0, 1.0), (0.0, 1.0)
    pad = max(0.06 * float(np.ptp(x)), 0.025 * float(np.abs(x).max())) or 1.0
    left = float(x.min()) - pad
    bottom, top = min(0.0, 1.16 * float(tops.min())), float(tops.max())
    return (max(0.0, left) if x.min() >= 0 else left, float(x.max()) + pad), (bottom, top * 1.16 if top > 0 else 1.0)


def _draw_to_one_scale(axes: Axes, limits: _Limits) -> None:
    """Widen the limits of one axis so that a unit is as long on both."""
    box = axes.get_window_extent()
    (left, right), (bottom, top) = limits
    per_pixel = max((right - left) / box.width, (top - bottom) / box.height)
    across, up = per_pixel * box.width / 2.0, per_pixel * box.height / 2.0
    axes.set_xlim((left + right) / 2.0 - across, (left + right) / 2.0 + across)
    axes.set_ylim((bottom + top) / 2.0 - up, (bottom + top) / 2.0 + up)


def _name_point(
    axes: Axes, limits: _Limits, series: Sequence[_Converted], x: float | None, y: float | None, text: str
) -> None:
    """Circle a point and write its name where it covers least of the first series."""
    if x is None or y is None:
        return
    axes.plot(x, y, "o", ms=12, color="none", mec=OCHRE, mew=1.4, zorder=5)
    at_point = [s.pm[(s.x == x) & (s.y == y) & np.isfinite(s.pm)] for s in series]
    half = max((float(pm.max()) for pm in at_point if len(pm)), default=0.0)
    dx, dy, side, edge = _free_place(limits, len(text), (x, y), series[0], half)
    axes.annotate(
        text, (x, y + (half if dy > 0 else -half if dy < 0 else 0.0)), xytext=(dx, dy), color=OCHRE,
        textcoords="offset points", ha=side, va=edge, fontweight="bold", fontsize=10, zorder=6,
    )  # fmt: skip


_PLACES: tuple[tuple[float, float, str, str], ...] = (
    (0, 9, "center", "bottom"), (-5, 9, "left", "bottom"), (5, 9, "right", "bottom"), (0, -9, "center", "top"),
    (-5, -9, "left", "top"), (5, -9, "right", "top"), (12, 0, "left", "center"), (-12, 0, "right", "center"),
)  # fmt: skip


def _free_place(
    limits: _Limits, letters: int, point: tuple[float, float], curve: _Converted, half: float
) -> tuple[float, float, str, str]:
    """Return the offset and alignment at which a name about a point covers least of a curve."""
    (left, right), (bottom, top) = limits
    known = np.isfinite(curve.x) & np.isfinite(curve.y)
    along = np.linspace(curve.x[known].min(), curve.x[known].max(), 400)
    px = (along - left) / (right - left) * _AXES_SIZE[0]
    py = (np.interp(along, curve.x[known], curve.y[known]) - bottom) / (top - bottom) * _AXES_SIZE[1]
    at_x = (point[0] - left) / (right - left) * _AXES_SIZE[0]
    at_y = (point[1] - bottom) / (top - bottom) * _AXES_SIZE[1]
    bar = half / (top - bottom) * _AXES_SIZE[1]
    width, height = 6.6 * letters, 12.0

    def cost(place: tuple[float, float, str, str]) -> float:
        dx, dy, side, edge = place
        x0 = at_x + dx - {"left": 0.0, "center": width / 2, "right": width}[side]
        y0 = at_y + dy + (bar if dy > 0 else -bar if dy < 0 else 0.0)
        y0 -= {"bottom": 0.0, "center": height / 2, "top": height}[edge]
        outside = (
            max(0.0, -x0) + max(0.0, x0 + width - _AXES_SIZE[0]) + 9 * (y0 < 2) + 9 * (y0 + height > _AXES_SIZE[1])
        )
        covered = ((px > x0 - 3) & (px < x0 + width + 3) & (py > y0 - 3) & (py < y0 + height + 3)).sum()
        return float(outside + covered)

    return min(_PLACES, key=cost)


def _alt(title: str, x_name: str, x_unit: str, series: Sequence[_Converted]) -> str:
    """Return what a person who cannot see the figure is told: its points, or where its lines begin, peak and end."""
    read = [s for s in series if s.style in ("points", "open")]
    highest = max((float(np.nanmax(np.abs(s.y))) for s in series if np.isfinite(s.y).any()), default=1.0) or 1.0
    decimals = max(0, 2 - math.floor(math.log10(highest)))

    def place(x: float, y: float, half_width: float) -> str:
        pm = f" ± {fixed(half_width, decimals)}" if np.isfinite(half_width) else ""
        return f"{general(x)} {x_unit} {fixed(y, decimals)}{pm}"

    points = sorted((x, y, pm) for s in read for x, y, pm in zip(s.x, s.y, s.pm, strict=True) if np.isfinite(y))
    if read and len(points) <= _MOST_READ_OUT:
        told = "; ".join(place(*point) for point in points)
        return f"{title} against {x_name.lower()}, {len(points)} points: {told}."
    lines = []
    for s in series:
        known = np.flatnonzero(np.isfinite(s.y))
        if len(known):
            ends = (known[0], known[np.argmax(s.y[known])], known[-1])
            lines.append(f"{s.label} from {' by '.join(place(s.x[i], s.y[i], np.nan) for i in ends)}".strip())
    return f"{title} against {x_name.lower()}: {'; '.join(lines)}."


def band_figures(bands: pa.Table, legs: pa.Table | None, summary: Summary) -> list[FigureSpec]:
    """Return the figure of each quantity of the band table that any band has a value for, against engine speed.

    Args:
        bands: The band table.
        legs: The accepted segments; their speeds over ground stand small beside the band speeds.
        summary: Has the answers named in the figures.
    """
    if not has_values(bands, "rpm_mean") and not has_values(bands, "band_rpm"):
        return []
    return [_band_figure(q, bands, legs, summary) for q in BAND_QUANTITIES if has_values(bands, q.value)]


def _band_figure(quantity: BandQuantity, bands: pa.Table, legs: pa.Table | None, summary: Summary) -> FigureSpec:
    x = floats(bands, "rpm_mean")
    x = np.where(np.isfinite(x), x, floats(bands, "band_rpm"))
    y, ways = floats(bands, quantity.value), floats(bands, "ways")
    k = floats(bands, quantity.k)
    pm = floats(bands, quantity.u) * np.where(np.isfinite(k), k, K)
    order = np.argsort(x)[: int(np.isfinite(x).sum())]
    x, y, pm, ways, nominal = x[order], y[order], pm[order], ways[order], floats(bands, "band_rpm")[order]
    both = ways >= 2
    # without one run back there is nothing the current was removed by
    bare = quantity is SPEED and not both.any()
    flat = _flat_rpm(summary, x, floats(bands, "speed_kn")[order]) if quantity is ECONOMY else []
    series = [_series("line", x, y), _series("points", x[both], y[both], pm[both])]
    series.append(_series("open", x[~both], y[~both], pm[~both]))
    if quantity is SPEED:
        series.append(_series("crosses", floats(legs, "rpm_mean"), floats(legs, "sog_kn_mean")))
    marks = []
    for rpm, text in _answered(quantity, summary):
        found = np.flatnonzero(np.isclose(nominal, rpm) & np.isfinite(y))
        marks += [FigureMark(float(x[i]), float(y[i]), text) for i in found[:1]]
    title, says = _TITLES[quantity]
    return FigureSpec(
        quantity.name, "Speed, current unknown" if bare else title, FigureAxis("Engine speed", "rpm"),
        FigureAxis(title, quantity.unit), tuple(s for s in series if s.x), tuple(marks),
        _caption(quantity, "Speed by runs one way only" if bare else says, flat, summary), tuple(flat),
    )  # fmt: skip


SHEET = (480, 236)
"""Size of the figure of the sheet [px]."""


def answered_rpm(summary: Summary) -> tuple[tuple[str, float], ...]:
    """Return the engine speeds of the answers that the figure of the sheet circles, each with its quantity."""
    return tuple((q.name, rpm) for q in (SPEED, ECONOMY) for rpm, _ in _answered(q, summary))


def sheet_figure(bands: pa.Table, circled: Sequence[tuple[str, float]], units: ReaderUnits = METRIC) -> Drawing | None:
    """Draw speed and economy over engine speed in one figure; None where no band has an engine speed.

    Args:
        bands: The band table.
        circled: From `answered_rpm`.
        units: Of the reader.
    """
    x = floats(bands, "rpm_mean")
    x = np.where(np.isfinite(x), x, floats(bands, "band_rpm"))
    order = np.argsort(x)[: int(np.isfinite(x).sum())]
    if not len(order):
        return None
    x, nominal = x[order], floats(bands, "band_rpm")[order]
    curves = []
    for quantity, colour, dash in ((SPEED, PETROL, "-"), (ECONOMY, RUST, (0, (6, 2.5)))):
        scale = units.scale(quantity.unit)
        y, k = floats(bands, quantity.value)[order], floats(bands, quantity.k)[order]
        pm = floats(bands, quantity.u)[order] * np.where(np.isfinite(k), k, K)
        made = _converted(_series("line", x, y, pm), units.scale("rpm"), scale)
        if np.isfinite(made.y).any():
            curves.append((quantity, scale, made, colour, dash))
    if not curves:
        return None

    def paint(figure: Figure) -> None:
        (axes,) = new_axes(figure, right=44)
        for n, (quantity, scale, curve, colour, dash) in enumerate(curves):
            on: Any = axes if n == 0 else axes.twinx()
            limits = _limits([curve])
            on.set(xlim=limits[0], ylim=limits[1])
            on.plot(curve.x, curve.y, color=colour, ls=dash, lw=1.4, marker="o", ms=4, mec=PAPER, mew=0.6, zorder=3)
            known = np.isfinite(curve.pm) & np.isfinite(curve.y)
            on.errorbar(
                curve.x[known], curve.y[known], yerr=curve.pm[known], fmt="none", ecolor=colour, elinewidth=0.9,
                capsize=2.5, zorder=2,
            )  # fmt: skip
            on.tick_params(axis="y", colors=colour)
            if n:
                on.grid(visible=False)
            title = _with_unit(quantity.heading, scale.text)
            on.set_title(title, loc="left" if n == 0 else "right", color=colour)
            for rpm in (rpm for name, rpm in circled if name == quantity.name):
                for i in np.flatnonzero(np.isclose(nominal, rpm) & np.isfinite(curve.y))[:1]:
                    on.plot(curve.x[i], curve.y[i], "o", ms=11, color="none", mec=OCHRE, mew=1.3, zorder=5)
        axes.set_xlabel(_with_unit("Engine speed", "rpm"))

    told = [
        _alt(_with_unit(quantity.heading, scale.text), "engine speed", "rpm", [replace(curve, style="points")])
        for quantity, scale, curve, _, _ in curves
    ]
    alt = " ".join(told)
    asked = {name for name, _ in circled}
    named = {SPEED: "top speed", ECONOMY: "best economy"}
    names = [named[quantity] for quantity, *_ in curves if quantity.name in asked]
    caption = (f"Circled: {join_words(names)}. " if names else "") + "Bars are ± at 95 %."
    return Drawing("sheet", draw("fig-sheet", SHEET, paint, label=alt), alt, caption)


def _series(
    style: Literal["line", "points", "open", "crosses"], x: Floats, y: Floats, pm: Floats | None = None
) -> FigureSeries:
    return FigureSeries("", tuple(x.tolist()), tuple(y.tolist()), None if pm is None else tuple(pm.tolist()), style)


_TITLES = {
    SPEED: ("Speed, current removed", "Speed with the current removed"),
    FUEL: ("Fuel flow, all engines", "Fuel flow of all engines together"),
    ECONOMY: ("Economy", "Distance on a unit of fuel"),
    RANGE: ("Range, reserve kept back", "Range on the usable fuel"),
}
"""Title of each figure, and what it is in its caption."""


def _answered(quantity: BandQuantity, summary: Summary) -> list[tuple[float, str]]:
    """Return the nominal rpm of each answer and its name, for the figures the answer is about."""
    below = "best below planing" if summary.boat.planing else "best"
    named: list[tuple[str, NamedBand | None]] = []
    if quantity is SPEED:
        named = [("top speed", summary.top_speed)]
    elif quantity is not FUEL:
        named = [("best on the plane", summary.economy_planing), (below, summary.economy_displacement)]
    return [(band.band_rpm, text) for text, band in named if band is not None and band.band_rpm is not None]


def _flat_rpm(summary: Summary, x: Floats, speed_kn: Floats) -> list[tuple[float, float]]:
    """Return the engine speeds between which economy stays near its best, where speed rises steadily with rpm."""
    known = np.isfinite(speed_kn) & np.isfinite(x)
    if known.sum() < 2 or (np.diff(speed_kn[known]) <= 0).any():
        return []
    found = []
    for best in (summary.economy_displacement, summary.economy_planing):
        if best is not None:
            low, high = np.interp([best.flat_from_kn, best.flat_to_kn], speed_kn[known], x[known])
            found.append((float(low), float(high)))
    return found


def _caption(quantity: BandQuantity, says: str, flat: list[tuple[float, float]], summary: Summary) -> str:
    parts = [f"{says}."]
    if quantity is SPEED:
        parts.append("Small crosses: each leg’s speed over ground, current still in it.")
    if quantity is ECONOMY:
        parts.append("Mean speed divided by mean fuel flow.")
        best = summary.economy_planing or summary.economy_displacement
        if flat and best is not None:
            parts.append(f"Shaded: within {best.within_pct:g} % of the best.")
    if quantity is RANGE:
        parts.append(f"A reserve of {percent(summary.fuel.reserve_fraction)} is kept back.")
    return " ".join(parts)


_CURRENT_SIZE = (COMPACT[0], 336)


@dataclass(frozen=True, slots=True)
class CurrentPoint:
    """The current at one time.

    Attributes:
        t_s: UTC seconds since 1970.
        speed_kn: Its speed; for a pair, along the line of the runs.
        towards_deg: Where it sets, true; None where not known.
        u_kn: Standard uncertainty of its speed; None where not known.
        band_rpm: Band of the pair, None for the fit.
        fit_kn: What the fit shows along the same line, in the pair's direction; None where not known.
        band: What the band of the pair is called, "" for the fit.
    """

    t_s: float
    speed_kn: float
    towards_deg: float | None
    u_kn: float | None
    band_rpm: float | None
    fit_kn: float | None = None
    band: str = ""


def pair_points(summary: Summary, bands: pa.Table, legs: pa.Table | None) -> list[CurrentPoint]:
    """Return the current each pair shows; from the band table and the times of its legs where no pair was formed."""
    if summary.current.pairs:
        return sorted((_pair_point(pair) for pair in summary.current.pairs), key=lambda p: p.t_s)
    times: dict[float, list[float]] = {}
    for leg in rows(legs):
        rpm = number(leg.get("band_rpm"))
        if rpm is not None and leg.get("start") is not None and leg.get("stop") is not None:
            times.setdefault(rpm, []).append((leg["start"] + leg["stop"]) / 2e9)
    found = []
    for band in rows(bands):
        rpm, speed = number(band.get("band_rpm")), number(band.get("current_kn"))
        if rpm in times and speed is not None:
            towards = number(band.get("current_towards_deg"))
            found.append(CurrentPoint(float(np.mean(times[rpm])), speed, towards, None, rpm, band=band_label(band)))
    return sorted(found, key=lambda p: p.t_s)


def _pair_point(pair: SequenceCurrent) -> CurrentPoint:
    fit_kn = -pair.fit_along_kn if pair.along_kn < 0 else pair.fit_along_kn
    return CurrentPoint(
        _seconds(pair.t), pair.speed_kn, pair.towards_deg, pair.u_kn, pair.band_rpm, fit_kn, band_label(pair)
    )


def fit_points(summary: Summary) -> list[CurrentPoint]:
    """Return the fitted current in order of time; empty where no fit was made."""
    found = [CurrentPoint(_seconds(f.t), f.speed_kn, f.towards_deg, f.u_kn, None) for f in summary.current.fit]
    return sorted(found, key=lambda p: p.t_s)


def _seconds(iso_utc: str) -> float:
    return datetime.fromisoformat(iso_utc).timestamp()


def current_figure(pairs: list[CurrentPoint], fit: list[CurrentPoint]) -> Drawing | None:
    """Draw speed and direction of the current over time; None where nothing is known of it."""
    if not pairs and not fit:
        return None
    start_s, stop_s = min(p.t_s for p in pairs + fit), max(p.t_s for p in pairs + fit)
    margin_s = 0.04 * max(stop_s - start_s, 60.0)

    def days(points: list[CurrentPoint]) -> Floats:
        return np.array([p.t_s / 86_400 for p in points])

    def values(points: list[CurrentPoint], name: str) -> Floats:
        return np.array([np.nan if getattr(p, name) is None else getattr(p, name) for p in points], dtype=np.float64)

    def paint(figure: Figure) -> None:
        top, bottom = new_axes(figure, (3, 2))
        if fit:
            x, y, u = days(fit), values(fit, "speed_kn"), K * np.nan_to_num(values(fit, "u_kn"))
            top.fill_between(x, np.maximum(y - u, 0), y + u, color=TINT, lw=0)
            top.plot(x, y, color=PETROL, label="fit to all runs, whole")
            # a direction that turns through north must not draw a line across the whole panel
            turned = np.degrees(np.unwrap(np.radians(values(fit, "towards_deg"))))
            line = np.concatenate([part for turn in (-360, 0, 360) for part in (turned + turn, [np.nan])])
            bottom.plot(np.tile(np.append(x, np.nan), 3), line, color=PETROL)
        if pairs:
            x = days(pairs)
            top.errorbar(
                x, values(pairs, "speed_kn"), yerr=K * values(pairs, "u_kn"), fmt="o", ms=5.5,
                color=RUST, mfc=PAPER, mew=1.4, capsize=3, label="pair, along its line",
            )  # fmt: skip
            if any(p.fit_kn is not None for p in pairs):
                top.plot(x, values(pairs, "fit_kn"), "_", ms=11, mew=2, color=PETROL, label="fit, along that line")
            bottom.plot(x, values(pairs, "towards_deg"), "o", ms=5.5, color=RUST, mfc=PAPER, mew=1.4)
        # the fit may set against a pair's direction, where the pair itself shows next to nothing
        against = [p.fit_kn for p in pairs if p.fit_kn is not None and p.fit_kn < 0]
        top.margins(y=0.25)
        top.set_ylim(bottom=1.2 * min(against, default=0.0))
        top.set_title("Speed of the current [kn]")
        top.legend(loc="best", borderaxespad=0.5)
        bottom.set(ylim=(0, 360), title="It sets towards [° true]")
        bottom.set_yticks([0, 90, 180, 270, 360], ["N", "E", "S", "W", "N"])
        set_time_axis(bottom, round((start_s - margin_s) * 1e9), round((stop_s + margin_s) * 1e9), 6)

    alt = "Current over time. " + "; ".join(
        f"{_hour(p.t_s)} UTC {fixed(p.speed_kn, 2)} kn towards {degrees(p.towards_deg)}"
        for p in pairs or fit[:: max(1, len(fit) // 8)]
    )
    caption = (
        "The current met. Open circles: along the line of each pair of opposite runs, from that pair alone. "
        if pairs
        else "The current met. "
    )
    caption += (
        "Line: one slowly changing current fitted to all runs together, shaded ± at 95 %."
        if fit
        else "No fit to all runs was made."
    )
    return Drawing("current", draw("fig-current", _CURRENT_SIZE, paint, label=alt), alt, caption)


def _hour(t_s: float) -> str:
    return clock(datetime.fromtimestamp(t_s, UTC), seconds=False)


class CurrentRow(NamedTuple):
    """A pair's current along its line beside the fit along the same line, as text."""

    time: str
    band: str
    pair: str
    pair_pm: str
    pair_towards: str
    fit: str


def current_rows(pairs: list[CurrentPoint], fit: list[CurrentPoint]) -> list[CurrentRow]:
    """Return each pair's current along its line beside the fit along the same line, as text."""
    decimals = max(2, column_decimals([expanded(p.u_kn) for p in pairs], usual=2, most=2))
    made = []
    for p in pairs:
        beside = p.fit_kn if p.fit_kn is not None else _fit_along(fit, p)
        made.append(
            CurrentRow(
                time=_hour(p.t_s),
                band=p.band,
                pair=fixed(p.speed_kn, decimals),
                pair_pm=plus_minus(expanded(p.u_kn), decimals, dash=""),
                pair_towards=degrees(p.towards_deg),
                fit=fixed(beside, decimals),
            )
        )
    return made


def _fit_along(fit: list[CurrentPoint], pair: CurrentPoint) -> float | None:
    """Return the fitted current along a pair's direction at its time, as a vector; None outside the fit."""
    known = [p for p in fit if p.towards_deg is not None]
    if pair.towards_deg is None or not known or not known[0].t_s <= pair.t_s <= known[-1].t_s:
        return None
    angle = np.radians(np.array([p.towards_deg for p in known], dtype=np.float64))
    along = np.array([p.speed_kn for p in known]) * np.cos(angle - np.radians(pair.towards_deg))
    return float(np.interp(pair.t_s, [p.t_s for p in known], along))
