"""Where the boat went: the track and the legs on it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.geodesy import offsets_m, place_at
from trialcapture.report.columns import Floats, Ints, floats, rows, times_ns
from trialcapture.report.figures import HALO, INK, PETROL, Drawing, draw, draw_shapes, write_names
from trialcapture.report.figures_layout import Row, lay_out, new_axes, words_width
from trialcapture.units import NM_M

_WIDTH, _NARROW_WIDTH = 560, 372
_FLATTEST = 0.5
"""Least height of the drawing as a share of its width."""
_MOST_POINTS = 2000


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
    run = rows(legs)
    framed_x, framed_y, cut = _framed(_leg_parts(run, t, x, y), x[known], y[known])
    mid_x, mid_y = (framed_x.min() + framed_x.max()) / 2, (framed_y.min() + framed_y.max()) / 2
    x, y, framed_x, framed_y = x - mid_x, y - mid_y, framed_x - mid_x, framed_y - mid_y
    thin_x, thin_y = _thin(x, y)
    parts = _leg_parts(run, t, x, y)
    mid_lat, mid_lon = place_at(float(mid_y) * NM_M, float(mid_x) * NM_M, origin)
    middle = f"{_place(mid_lat, 'N', 'S')}, {_place(mid_lon, 'E', 'W')}"

    shape = float(np.clip(max(float(np.ptp(framed_y)), 0.1) / max(float(np.ptp(framed_x)), 0.1), _FLATTEST, 1.0))

    def paint(width: int, size: float) -> Callable[[Any], None]:
        def on(figure: Any) -> None:
            axes = new_axes(figure)
            axes.plot(thin_x, thin_y, color="#8a969f", lw=0.9, zorder=1)
            x_limits = _frame(axes, framed_x, framed_y, shape)
            _draw_legs(axes, parts, size, (x_limits[1] - x_limits[0]) / (width - 45))
            row = Row(axes, "North of the middle [nm]", rules="xy")
            lay_out(figure, [row], "East of the middle [nm]", x_limits, true_to_shape=True)
            _north(axes)

        return on

    alt = f"Track of the trial, {len(parts)} legs, about {middle}."
    caption = (
        f"The track, north up, about {middle}. Heavy lines with an arrow: the legs used, numbered as in the leg table, "
        "the number standing to starboard of the leg and left out where legs crowd. Thin line: all else."
    ) + cut
    sizes = [(width, round(shape * width) + under) for width, under in ((_WIDTH, 40), (_NARROW_WIDTH, 36))]
    wide = draw("fig-track", sizes[0], paint(_WIDTH, 10.5), label=alt, font_size=12)
    narrow = draw("fig-track-n", sizes[1], paint(_NARROW_WIDTH, 9.5), label=alt)
    return Drawing("track", wide, alt, caption, narrow)


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
    # a leg is nearly straight: few points show it
    most = int(np.clip(1500 / max(len(legs), 1), 8, 60))
    for leg in legs:
        if leg.get("start") is None or leg.get("stop") is None:
            continue
        a, b = np.searchsorted(t, [leg["start"], leg["stop"]])
        px, py = x[a:b], y[a:b]
        good = np.flatnonzero(np.isfinite(px) & np.isfinite(py))
        if len(good) >= 2:
            kept = good[np.linspace(0, len(good) - 1, min(len(good), most)).astype(np.int64)]
            parts.append((str(leg.get("segment_id", "")), px[kept], py[kept]))
    return parts


def _draw_legs(axes: Any, parts: list[tuple[str, Floats, Floats]], size: float, pixel_nm: float) -> None:
    """Draw each leg heavy with an arrow at its end, its number to starboard where no other stands in its way.

    Args:
        axes: Where to draw.
        parts: Number, eastings and northings of each leg [nm].
        size: Of the numbers [px].
        pixel_nm: Length of a pixel.
    """
    if not parts:
        return
    gap = np.array([np.nan])
    axes.plot(
        np.concatenate([piece for _, px, _ in parts for piece in (px, gap)]),
        np.concatenate([piece for _, _, py in parts for piece in (py, gap)]),
        color=PETROL, lw=2.2, solid_capstyle="butt", zorder=2,
    )  # fmt: skip
    heads: list[Floats] = []
    taken: list[tuple[float, float, float]] = []
    names: list[tuple[float, float, str]] = []
    for text, px, py in parts:
        way = np.array([px[-1] - px[0], py[-1] - py[0]])
        length = float(np.hypot(*way))
        if length == 0:
            continue
        dx, dy = way = way / length
        tip, head = np.array([px[-1], py[-1]]), min(7.0 * pixel_nm, 0.6 * length)
        wing = 0.45 * head * np.array([-dy, dx])
        heads.append(np.array([tip, tip - head * way + wing, tip - head * way - wing]))
        middle, half_width = len(px) // 2, words_width(text, size) / 2 + 1
        # far enough out that a number beside a leg that runs upwards does not touch it
        out = 9 + max(0.0, half_width - 8) * abs(dy)
        x, y = float(px[middle]) / pixel_nm + out * dy, float(py[middle]) / pixel_nm - out * dx
        if all(abs(x - a) >= half_width + b or abs(y - c) >= size for a, c, b in taken):
            taken.append((x, y, half_width))
            names.append((x * pixel_nm, y * pixel_nm, text))
    write_names(
        axes, names, ha="center", va="center", fontsize=size, fontweight="bold", color=PETROL, zorder=4, gid=HALO
    )
    draw_shapes(axes, heads, PETROL, ec=PETROL, lw=0.8, zorder=3)


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


def _frame(axes: Any, x: Floats, y: Floats, shape: float) -> tuple[float, float]:
    """Set the limits upwards and return those across."""
    half = max(float(np.ptp(x)), float(np.ptp(y)) / shape, 0.1) * 0.56
    mid_x, mid_y = float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2
    axes.set_ylim(mid_y - half * shape, mid_y + half * shape)
    return mid_x - half, mid_x + half


def _north(axes: Any) -> None:
    axes.annotate(
        "N", xy=(0.965, 0.985), xytext=(0.965, 0.895), xycoords="axes fraction", textcoords="axes fraction",
        ha="center", va="center", color=INK, fontweight="bold",
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2},
    )  # fmt: skip


def _place(value: float, positive: str, negative: str) -> str:
    minutes = round(abs(value) * 60, 1)
    return f"{int(minutes // 60)}° {minutes % 60:04.1f}′ {positive if value >= 0 else negative}"
