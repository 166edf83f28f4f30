"""Speed, fuel flow, economy and range against engine speed, each with its uncertainty bars."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.report.columns import Floats, floats, has_values
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
)
from trialcapture.report.figures_layout import Row, lay_out, new_axes
from trialcapture.report.format import K, fixed, number, percent


@dataclass(frozen=True, slots=True)
class _Curve:
    key: str
    value: str
    u: str
    title: str
    says: str


ECONOMY_NAMES = (("economy_planing", "best on the plane"), ("economy_displacement", "best below planing"))
_AXES_SIZE = (COMPACT[0] - 40, COMPACT[1] - 56)

_CURVES = (
    _Curve("speed", "speed_kn", "speed_u_kn", "Speed, current removed [kn]", "Speed with the current removed"),
    _Curve(
        "fuel", "fuel_l_per_h", "fuel_u_l_per_h", "Fuel flow, all engines [L/h]", "Fuel flow of all engines together"
    ),
    _Curve("economy", "economy_nm_per_l", "economy_u_nm_per_l", "Economy [nm/L]", "Distance per litre"),
    _Curve("range", "range_nm", "range_u_nm", "Range, reserve kept back [nm]", "Range on the usable fuel"),
)


def curves(bands: pa.Table, legs: pa.Table, summary: Mapping[str, Any]) -> list[Drawing]:
    """Draw one figure per quantity that any band has a value for.

    Args:
        bands: The band table.
        legs: The accepted segments; their speeds over ground are drawn small beside the band speeds.
        summary: Where the answers marked on the curves are read from.
    """
    if not has_values(bands, "rpm_mean") and not has_values(bands, "band_rpm"):
        return []
    return [_curve(curve, bands, legs, summary) for curve in _CURVES if has_values(bands, curve.value)]


def _curve(curve: _Curve, bands: pa.Table, legs: pa.Table, summary: Mapping[str, Any]) -> Drawing:
    x = floats(bands, "rpm_mean")
    x = np.where(np.isfinite(x), x, floats(bands, "band_rpm"))
    y, u, ways = floats(bands, curve.value), floats(bands, curve.u), floats(bands, "ways")
    order = np.argsort(x)[: int(np.isfinite(x).sum())]
    x, y, u, ways = x[order], y[order], u[order], ways[order]
    nominal = floats(bands, "band_rpm")[order]
    marks = _marks(curve.key, summary)
    # without one run back there is nothing the current was removed by
    bare = curve.key == "speed" and not (ways >= 2).any()
    title = "Speed, current unknown [kn]" if bare else curve.title
    alt = _alt(curve.key, title, x, y, u)
    flat = _flat_rpm(summary, x, floats(bands, "speed_kn")[order]) if curve.key == "economy" else []

    def paint(figure: Any) -> None:
        axes = new_axes(figure)
        limits = _room(x, y, u)
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
        if curve.key == "speed":
            leg_rpm, leg_kn = floats(legs, "rpm_mean"), floats(legs, "sog_kn_mean")
            axes.plot(leg_rpm, leg_kn, "x", ms=4.5, color=QUIET, mew=0.9, zorder=1.5)
        axes.set_ylim(limits[1])
        _name_points(axes, limits, marks, nominal, x, y, u)
        lay_out(figure, [Row(axes, title)], "Engine speed [rpm]", limits[0])

    return Drawing(
        curve.key, draw(f"fig-{curve.key}", COMPACT, paint, label=alt), alt,
        _caption(curve, flat, bare, summary),
    )  # fmt: skip


def _marks(key: str, summary: Mapping[str, Any]) -> list[tuple[float, str]]:
    """Return the nominal rpm of each answer and its name, for the curves the answer is about."""
    wanted = {
        "speed": (("top_speed", "top speed"),),
        "economy": ECONOMY_NAMES,
        "range": ECONOMY_NAMES,
    }.get(key, ())
    if summary.get("boat") and isinstance(summary["boat"], Mapping) and summary["boat"].get("planing") is False:
        wanted = tuple((name, text.removesuffix(" below planing")) for name, text in wanted)
    found = []
    for name, text in wanted:
        answer = summary.get(name)
        rpm = number(answer.get("band_rpm")) if isinstance(answer, dict) else None
        if rpm is not None:
            found.append((rpm, text))
    return found


_Limits = tuple[tuple[float, float], tuple[float, float]]


def _name_points(
    axes: Any, limits: _Limits, marks: list[tuple[float, str]], nominal: Floats, x: Floats, y: Floats, u: Floats
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


def _room(x: Floats, y: Floats, u: Floats) -> _Limits:
    """Return limits that start the scale at zero and leave air above the highest bar for its name."""
    top = float(np.nanmax(y + np.where(np.isfinite(u), K * u, 0)))
    pad = max(0.06 * float(np.ptp(x)), 50.0)
    return (
        (max(0.0, float(np.nanmin(x)) - pad), float(np.nanmax(x)) + pad),
        (0.0, top * 1.16 if top > 0 else 1.0),
    )


def _flat_rpm(summary: Mapping[str, Any], x: Floats, speed: Floats) -> list[tuple[float, float]]:
    """Return the engine speeds between which economy stays near its best, where speed rises steadily with rpm."""
    known = np.isfinite(speed) & np.isfinite(x)
    if known.sum() < 2 or (np.diff(speed[known]) <= 0).any():
        return []
    found = []
    for name in ("economy_displacement", "economy_planing"):
        answer = summary.get(name)
        ends = [number(answer.get(k)) for k in ("flat_from_kn", "flat_to_kn")] if isinstance(answer, dict) else [None]
        ends_known = [end for end in ends if end is not None]
        if len(ends_known) == 2:
            low, high = np.interp(ends_known, speed[known], x[known])
            found.append((float(low), float(high)))
    return found


def _alt(key: str, title: str, x: Floats, y: Floats, u: Floats) -> str:
    decimals = {"speed": 1, "fuel": 1, "economy": 3, "range": 0}[key]
    known = np.flatnonzero(np.isfinite(y))
    points = "; ".join(
        f"{x[i]:.0f} rpm {fixed(y[i], decimals)}" + (f" ± {fixed(K * u[i], decimals)}" if np.isfinite(u[i]) else "")
        for i in known
    )
    return f"{title} against engine speed, {len(known)} points: {points}."


def _caption(curve: _Curve, flat: list[tuple[float, float]], bare: bool, summary: Mapping[str, Any]) -> str:
    parts = ["Speed by runs one way only." if bare else f"{curve.says}."]
    if curve.key == "speed":
        parts.append("Small crosses: each leg’s speed over ground, current still in it.")
    if curve.key == "economy":
        parts.append("Mean speed divided by mean fuel flow.")
        within = [
            summary[k].get("within_pct")
            for k in ("economy_planing", "economy_displacement")
            if isinstance(summary.get(k), dict)
        ]
        if flat and within and number(within[0]) is not None:
            parts.append(f"Shaded: within {within[0]:g} % of the best.")
    if curve.key == "range":
        fuel = summary.get("fuel") or {}
        parts.append(f"A reserve of {percent(fuel.get('reserve_fraction'))} is kept back.")
    return " ".join(parts)
