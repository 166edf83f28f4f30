"""Where the boat went: the track and the legs on it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.geodesy import offsets_m, place_at
from trialcapture.report.columns import Floats, Ints, floats, rows, times_ns
from trialcapture.report.figures import INK, PAPER, PETROL, RULE, Drawing, draw
from trialcapture.units import NM_M

_WIDTH, _NARROW_WIDTH = 560, 372
_FLATTEST = 0.5
"""Least height of the drawing as a share of its width."""
_MOST_POINTS = 5000


def track(samples: pa.Table | None, legs: pa.Table | None) -> Drawing | None:
    """Draw the track in nautical miles about its middle, true to shape, with each leg's way and number.

    Returns:
        None when no position is known.
    """
    lat, lon, t = floats(samples, "lat_deg"), floats(samples, "lon_deg"), times_ns(samples, "t")
    known = np.isfinite(lat) & np.isfinite(lon)
    if len(t) != len(lat) or known.sum() < 2:
        return None
    x, y, origin = _miles(lat, lon, known)
    framed_x, framed_y, cut = _framed(_leg_parts(rows(legs), t, x, y), x[known], y[known])
    mid_x, mid_y = (framed_x.min() + framed_x.max()) / 2, (framed_y.min() + framed_y.max()) / 2
    x, y, framed_x, framed_y = x - mid_x, y - mid_y, framed_x - mid_x, framed_y - mid_y
    thin_x, thin_y = _thin(x, y)
    parts = _leg_parts(rows(legs), t, x, y)
    mid_lat, mid_lon = place_at(float(mid_y) * NM_M, float(mid_x) * NM_M, origin)
    middle = f"{_place(mid_lat, 'N', 'S')}, {_place(mid_lon, 'E', 'W')}"

    shape = float(np.clip(max(float(np.ptp(framed_y)), 0.1) / max(float(np.ptp(framed_x)), 0.1), _FLATTEST, 1.0))

    def paint(figure: Any) -> None:
        axes = figure.add_subplot()
        axes.plot(thin_x, thin_y, color="#8a969f", lw=0.9, zorder=1)
        half = _frame(axes, framed_x, framed_y, shape)
        named: list[tuple[float, float]] = []
        for name, px, py in parts:
            _leg(axes, name, px, py, named, near=0.07 * half)
        axes.set_xlabel("East of the middle [nm]")
        axes.set_title("North of the middle [nm]")
        _north(axes)

    alt = f"Track of the trial, {len(parts)} legs, about {middle}."
    caption = (
        f"The track, north up, about {middle}. Heavy lines with an arrow: the legs used, numbered as in the leg table, "
        "the number standing to starboard of the leg and left out where legs crowd. Thin line: all else."
    ) + cut
    return Drawing(
        "track", draw("fig-track", (_WIDTH, round(shape * _WIDTH) + 40), paint, label=alt, font_size=12), alt, caption,
        draw("fig-track-n", (_NARROW_WIDTH, round(shape * _NARROW_WIDTH) + 36), paint, label=alt),
    )  # fmt: skip


def _miles(lat: Floats, lon: Floats, known: Any) -> tuple[Floats, Floats, tuple[float, float]]:
    """Return plane coordinates [nm] on the ellipsoid, and latitude and longitude of their origin."""
    wide = np.full(len(lon), np.nan)
    wide[known] = np.unwrap(lon[known], period=360.0)
    middle = float(np.nanmin(lat) + np.nanmax(lat)) / 2, float(np.nanmin(wide) + np.nanmax(wide)) / 2
    north, east = offsets_m(lat, wide, middle)
    return east / NM_M, north / NM_M, middle


def _thin(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Drop points that fall on the same spot of paper as the one before; gaps stay gaps."""
    extent = max(np.nanmax(x) - np.nanmin(x), np.nanmax(y) - np.nanmin(y), 1e-6)
    for cells in (800, 400, 200, 100):
        cell_x, cell_y = np.round(x / extent * cells), np.round(y / extent * cells)
        moved = np.ones(len(x), dtype=bool)
        same = (cell_x[1:] == cell_x[:-1]) & (cell_y[1:] == cell_y[:-1])
        void = np.isnan(x[1:]) & np.isnan(x[:-1])
        moved[1:] = ~(same | void)
        if moved.sum() <= _MOST_POINTS:
            break
    keep = np.flatnonzero(moved)
    if len(keep) > 2 * _MOST_POINTS:
        keep = keep[:: len(keep) // _MOST_POINTS]
    return x[keep], y[keep]


def _leg_parts(legs: list[dict[str, Any]], t: Ints, x: Floats, y: Floats) -> list[tuple[str, Floats, Floats]]:
    parts = []
    for leg in legs:
        if leg.get("start") is None or leg.get("stop") is None:
            continue
        a, b = np.searchsorted(t, [leg["start"], leg["stop"]])
        px, py = x[a:b], y[a:b]
        good = np.isfinite(px) & np.isfinite(py)
        if good.sum() >= 2:
            step = max(1, int(good.sum()) // 60)
            parts.append((str(leg.get("segment_id", "")), px[good][::step], py[good][::step]))
    return parts


def _leg(axes: Any, text: str, px: Floats, py: Floats, named: list[tuple[float, float]], near: float) -> None:
    axes.plot(px, py, color=PETROL, lw=2.2, solid_capstyle="butt", zorder=2)
    dx, dy = px[-1] - px[0], py[-1] - py[0]
    length = float(np.hypot(dx, dy))
    if length == 0:
        return
    dx, dy = dx / length, dy / length
    tip = np.array([px[-1], py[-1]])
    axes.annotate(
        "", xy=tip, xytext=tip - 0.02 * length * np.array([dx, dy]),
        arrowprops={"arrowstyle": "-|>", "color": PETROL, "lw": 1.2, "mutation_scale": 11, "shrinkA": 0, "shrinkB": 0},
        zorder=3,
    )  # fmt: skip
    middle = len(px) // 2
    spot = (float(px[middle] + 0.6 * near * dy), float(py[middle] - 0.6 * near * dx))
    if any(np.hypot(spot[0] - a, spot[1] - b) < near for a, b in named):
        return
    named.append(spot)
    axes.annotate(
        text, (px[middle], py[middle]), xytext=(9 * dy, -9 * dx), textcoords="offset points", ha="center", va="center",
        fontsize="small", fontweight="bold", color=PETROL, zorder=4,
        bbox={"boxstyle": "square,pad=0.1", "fc": PAPER, "ec": "none", "alpha": 0.75},
    )  # fmt: skip


def _framed(parts: list[tuple[str, Floats, Floats]], x: Floats, y: Floats) -> tuple[Floats, Floats, str]:
    """Return the points the drawing must hold: the whole track, or the legs where they are a small part of it."""
    if parts:
        leg_x, leg_y = np.concatenate([p[1] for p in parts]), np.concatenate([p[2] for p in parts])
        reach = 1.3 * max(float(np.ptp(leg_x)), float(np.ptp(leg_y)), 0.1)
        if max(float(np.ptp(x)), float(np.ptp(y))) > 1.6 * reach:
            mid_x, mid_y = (leg_x.min() + leg_x.max()) / 2, (leg_y.min() + leg_y.max()) / 2
            corners = np.array([-reach / 2, reach / 2])
            return mid_x + corners, mid_y + corners, " The way there and back runs outside the drawing."
    return x, y, ""


def _frame(axes: Any, x: Floats, y: Floats, shape: float) -> float:
    half = max(float(np.ptp(x)), float(np.ptp(y)) / shape, 0.1) * 0.56
    mid_x, mid_y = (x.min() + x.max()) / 2, (y.min() + y.max()) / 2
    axes.set_xlim(mid_x - half, mid_x + half)
    axes.set_ylim(mid_y - half * shape, mid_y + half * shape)
    axes.set_aspect("equal")
    axes.grid(visible=True, axis="both", color=RULE, lw=0.6)
    axes.tick_params(length=0)
    return half


def _north(axes: Any) -> None:
    axes.annotate(
        "N", xy=(0.965, 0.985), xytext=(0.965, 0.895), xycoords="axes fraction", textcoords="axes fraction",
        ha="center", va="center", color=INK, fontweight="bold",
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2},
    )  # fmt: skip


def _place(value: float, positive: str, negative: str) -> str:
    minutes = round(abs(value) * 60, 1)
    return f"{int(minutes // 60)}° {minutes % 60:04.1f}′ {positive if value >= 0 else negative}"
