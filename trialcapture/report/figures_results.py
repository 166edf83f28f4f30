"""The results as curves against engine speed with their uncertainty bars, and the current over time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialcapture.reduce.summary import NamedBand, SequenceCurrent, Summary
from trialcapture.report.arrow_columns import Floats, floats, has_values, rows
from trialcapture.report.band_table import ECONOMY, FUEL, RANGE, SPEED, BandQuantity
from trialcapture.report.figures import (
    COMPACT,
    INK,
    OCHRE,
    PAPER,
    PETROL,
    QUIET,
    RUST,
    TINT,
    Drawing,
    draw,
    draw_boxes,
    new_axes,
    set_time_axis,
)
from trialcapture.report.format import (
    K,
    band_label,
    clock,
    column_decimals,
    degrees,
    fixed,
    number,
    percent,
    plus_minus,
)
from trialcapture.report.reader_units import METRIC, ReaderUnits


class _Curve(NamedTuple):
    """A figure of one quantity: its title, what it is, and the decimals read out to who cannot see it."""

    quantity: BandQuantity
    title: str
    says: str
    decimals: int


_AXES_SIZE = (COMPACT[0] - 60, COMPACT[1] - 67)
"""Of the axes of a curve [px]."""

_CURVES = (
    _Curve(SPEED, "Speed, current removed", "Speed with the current removed", 1),
    _Curve(FUEL, "Fuel flow, all engines", "Fuel flow of all engines together", 1),
    _Curve(ECONOMY, "Economy", "Distance on a unit of fuel", 3),
    _Curve(RANGE, "Range, reserve kept back", "Range on the usable fuel", 0),
)


def curves(bands: pa.Table, legs: pa.Table | None, summary: Summary, units: ReaderUnits = METRIC) -> list[Drawing]:
    """Draw one figure per quantity that any band has a value for.

    Args:
        bands: The band table.
        legs: The accepted segments; their speeds over ground are drawn small beside the band speeds.
        summary: Where the answers marked on the curves are read from.
        units: Of the upright axes: the usual one on the left, another on the right.
    """
    if not has_values(bands, "rpm_mean") and not has_values(bands, "band_rpm"):
        return []
    drawn = [curve for curve in _CURVES if has_values(bands, curve.quantity.value)]
    return [_curve(curve, bands, legs, summary, units) for curve in drawn]


def _curve(curve: _Curve, bands: pa.Table, legs: pa.Table | None, summary: Summary, units: ReaderUnits) -> Drawing:
    quantity = curve.quantity
    scale, *others = units.scales(quantity.unit)
    # of several further units that of `also`, which was asked for by name, is drawn
    right = others[-1] if others else None
    x = floats(bands, "rpm_mean")
    x = np.where(np.isfinite(x), x, floats(bands, "band_rpm"))
    # straight lines through zero: one factor turns the program's unit into the reader's
    factor = scale.u(1.0) or 1.0
    y, u, ways = factor * floats(bands, quantity.value), factor * floats(bands, quantity.u), floats(bands, "ways")
    order = np.argsort(x)[: int(np.isfinite(x).sum())]
    x, y, u, ways = x[order], y[order], u[order], ways[order]
    nominal = floats(bands, "band_rpm")[order]
    marks = _marks(quantity, summary)
    # without one run back there is nothing the current was removed by
    bare = quantity is SPEED and not (ways >= 2).any()
    title = f"{'Speed, current unknown' if bare else curve.title} [{scale.text}]"
    alt = _alt(title, x, y, u, scale.decimals(curve.decimals))
    flat = _flat_rpm(summary, x, floats(bands, "speed_kn")[order]) if quantity is ECONOMY else []

    def paint(figure: Figure) -> None:
        (axes,) = new_axes(figure, right=42 if right else 16)
        limits = _limits(x, y, u)
        draw_boxes(axes, flat, *limits[1], TINT)
        axes.plot(x, y, color=PETROL, lw=1, zorder=2)
        known = np.isfinite(u) & np.isfinite(y)
        axes.errorbar(
            x[known], y[known], yerr=K * u[known], fmt="none", ecolor=INK, elinewidth=1.1, capsize=3.5, zorder=3
        )
        both = ways >= 2
        for some, fill, edge, width in ((both, PETROL, PAPER, 0.8), (~both, PAPER, RUST, 1.6)):
            if some.any():
                axes.plot(x[some], y[some], "o", ms=6, color=fill, mec=edge, mew=width, zorder=4)
        if quantity is SPEED:
            leg_rpm, leg_speed = floats(legs, "rpm_mean"), factor * floats(legs, "sog_kn_mean")
            axes.plot(leg_rpm, leg_speed, "x", ms=4.5, color=QUIET, mew=0.9, zorder=1.5)
        axes.set(xlim=limits[0], ylim=limits[1], title=title, xlabel="Engine speed [rpm]")
        if right:
            _draw_right_scale(axes, (right.u(1.0) or 1.0) / factor, right.text)
        _name_points(axes, limits, marks, nominal, x, y, u)

    return Drawing(
        quantity.name, draw(f"fig-{quantity.name}", COMPACT, paint, label=alt), alt,
        _caption(curve, flat, bare, summary),
    )  # fmt: skip


def _draw_right_scale(axes: Axes, factor: float, text: str) -> None:
    """Draw the same axis in another unit on the right, its unit in line with the title."""

    def forward(y: Any) -> Any:
        return y * factor

    def back(y: Any) -> Any:
        return y / factor

    axis = axes.secondary_yaxis("right", functions=(forward, back))
    axis.grid(visible=False)
    axis.tick_params(length=3)
    axes.set_title(f"[{text}]", loc="right")


def _marks(quantity: BandQuantity, summary: Summary) -> list[tuple[float, str]]:
    """Return the nominal rpm of each answer and its name, for the curves the answer is about."""
    below = "best below planing" if summary.boat.planing else "best"
    named: list[tuple[str, NamedBand | None]] = []
    if quantity is SPEED:
        named = [("top speed", summary.top_speed)]
    elif quantity is not FUEL:
        named = [("best on the plane", summary.economy_planing), (below, summary.economy_displacement)]
    return [(band.band_rpm, text) for text, band in named if band is not None and band.band_rpm is not None]


_Limits = tuple[tuple[float, float], tuple[float, float]]


def _name_points(
    axes: Axes, limits: _Limits, marks: list[tuple[float, str]], nominal: Floats, x: Floats, y: Floats, u: Floats
) -> None:
    for rpm, text in marks:
        hits = np.flatnonzero(np.isclose(nominal, rpm))
        if not len(hits) or not np.isfinite(y[hits[0]]):
            continue
        i = hits[0]
        axes.plot(x[i], y[i], "o", ms=12, color="none", mec=OCHRE, mew=1.4, zorder=5)
        half = float(K * u[i]) if np.isfinite(u[i]) else 0.0
        dx, dy, side, edge = _free_place(limits, len(text), i, x, y, half)
        axes.annotate(
            text, (x[i], y[i] + (half if dy > 0 else -half if dy < 0 else 0.0)), xytext=(dx, dy), color=OCHRE,
            textcoords="offset points", ha=side, va=edge, fontweight="bold", fontsize=10, zorder=6,
        )  # fmt: skip


_PLACES: tuple[tuple[float, float, str, str], ...] = (
    (0, 9, "center", "bottom"), (-5, 9, "left", "bottom"), (5, 9, "right", "bottom"), (0, -9, "center", "top"),
    (-5, -9, "left", "top"), (5, -9, "right", "top"), (12, 0, "left", "center"), (-12, 0, "right", "center"),
)  # fmt: skip


def _free_place(
    limits: _Limits, letters: int, i: int, x: Floats, y: Floats, half: float
) -> tuple[float, float, str, str]:
    """Return the offset and alignment at which a name about a point covers least of the curve.

    Works on the drawing's usual size, because the axes are laid out only when all text is placed.
    """
    (left, right), (bottom, top) = limits
    known = np.isfinite(x) & np.isfinite(y)
    along = np.linspace(x[known].min(), x[known].max(), 400)
    px = (along - left) / (right - left) * _AXES_SIZE[0]
    py = (np.interp(along, x[known], y[known]) - bottom) / (top - bottom) * _AXES_SIZE[1]
    at_x = (x[i] - left) / (right - left) * _AXES_SIZE[0]
    at_y = (y[i] - bottom) / (top - bottom) * _AXES_SIZE[1]
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


def _limits(x: Floats, y: Floats, u: Floats) -> _Limits:
    """Return limits that start the scale at zero and leave air above the highest bar for its name."""
    top = float(np.nanmax(y + np.where(np.isfinite(u), K * u, 0)))
    pad = max(0.06 * float(np.ptp(x)), 50.0)
    return (
        (max(0.0, float(np.nanmin(x)) - pad), float(np.nanmax(x)) + pad),
        (0.0, top * 1.16 if top > 0 else 1.0),
    )


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


def _alt(title: str, x: Floats, y: Floats, u: Floats, decimals: int) -> str:
    known = np.flatnonzero(np.isfinite(y))
    points = "; ".join(
        f"{x[i]:.0f} rpm {fixed(y[i], decimals)}" + (f" ± {fixed(K * u[i], decimals)}" if np.isfinite(u[i]) else "")
        for i in known
    )
    return f"{title} against engine speed, {len(known)} points: {points}."


def _caption(curve: _Curve, flat: list[tuple[float, float]], bare: bool, summary: Summary) -> str:
    parts = ["Speed by runs one way only." if bare else f"{curve.says}."]
    if curve.quantity is SPEED:
        parts.append("Small crosses: each leg’s speed over ground, current still in it.")
    if curve.quantity is ECONOMY:
        parts.append("Mean speed divided by mean fuel flow.")
        best = summary.economy_planing or summary.economy_displacement
        if flat and best is not None:
            parts.append(f"Shaded: within {best.within_pct:g} % of the best.")
    if curve.quantity is RANGE:
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
    decimals = max(2, column_decimals([p.u_kn for p in pairs], usual=2, most=2))
    made = []
    for p in pairs:
        beside = p.fit_kn if p.fit_kn is not None else _fit_along(fit, p)
        made.append(
            CurrentRow(
                time=_hour(p.t_s),
                band=p.band,
                pair=fixed(p.speed_kn, decimals),
                pair_pm=plus_minus(p.u_kn, decimals, dash=""),
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
