"""Where the boat went: the track and the legs on it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.geodesy import offsets_m, place_at
from trialcapture.report.columns import Floats, Ints, floats, rows, times_ns
from trialcapture.report.figures import INK, PAPER, PETROL, Drawing, Panel, Sheet, draw
from trialcapture.report.ink import path, places, words, words_width
from trialcapture.report.panels import Scale
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

    def paint(sheet: Sheet) -> None:
        panel = sheet.panel()
        panel.line(thin_x, thin_y, "#8a969f", width=0.9, layer=1)
        half = _frame(sheet, panel, framed_x, framed_y, shape)
        _draw_legs(panel, parts, sheet.small_px, 2 * half / (sheet.width - 45))
        sheet.x_label, panel.title = "East of the middle [nm]", "North of the middle [nm]"
        panel.add(5, _north)

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


def _draw_legs(panel: Panel, parts: list[tuple[str, Floats, Floats]], size: float, pixel_nm: float) -> None:
    """Draw each leg heavy with an arrow at its end, its number to starboard where no other stands in its way.

    Args:
        panel: Where to draw.
        parts: Number, eastings and northings of each leg [nm].
        size: Of the numbers [px].
        pixel_nm: Length of a pixel.
    """
    if not parts:
        return
    gap = np.array([np.nan])
    panel.line(
        np.concatenate([piece for _, px, _ in parts for piece in (px, gap)]),
        np.concatenate([piece for _, _, py in parts for piece in (py, gap)]), PETROL, width=2.2,
    )  # fmt: skip
    arrows: list[tuple[float, float, float, float, float]] = []
    named: list[tuple[float, float, float]] = []
    for text, px, py in parts:
        dx, dy = float(px[-1] - px[0]), float(py[-1] - py[0])
        length = float(np.hypot(dx, dy))
        if length == 0:
            continue
        dx, dy = dx / length, dy / length
        arrows.append((float(px[-1]), float(py[-1]), dx, dy, length))
        middle = len(px) // 2
        x, y, half_width = float(px[middle]), float(py[middle]), words_width(text, size) / 2 + 1
        # far enough out that a number beside a leg that runs upwards does not touch it
        out = 9 + max(0.0, half_width - 8) * abs(dy)
        spot = (x / pixel_nm + out * dy, y / pixel_nm - out * dx, half_width)
        if any(abs(spot[0] - a) < half_width + b and abs(spot[1] - c) < size for a, c, b in named):
            continue
        named.append(spot)
        panel.text(text, x, y, right=out * dy, up=-out * dx, size=size, colour=PETROL, bold=True, halo=PAPER, layer=4)
    panel.add(3, lambda s: path("".join(_arrow(s, *a) for a in arrows), fill=PETROL, stroke=PETROL, width=0.8))


def _arrow(s: Scale, x: float, y: float, dx: float, dy: float, length: float) -> str:
    """Return the head of an arrow that ends at a point and goes along a unit vector, small on a short leg."""
    tip_x, tip_y = s.x(x), s.y(y)
    head = min(7.0, 0.6 * (s.x(x + length) - tip_x))
    back_x, back_y, wide = tip_x - head * dx, tip_y + head * dy, 0.45 * head
    one, other = places(back_x + wide * dy, back_y + wide * dx), places(back_x - wide * dy, back_y - wide * dx)
    return f"M{places(tip_x, tip_y)} {one} {other}z"


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


def _frame(sheet: Sheet, panel: Panel, x: Floats, y: Floats, shape: float) -> float:
    half = max(float(np.ptp(x)), float(np.ptp(y)) / shape, 0.1) * 0.56
    mid_x, mid_y = float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2
    sheet.x_limits = (mid_x - half, mid_x + half)
    panel.y_limits = (mid_y - half * shape, mid_y + half * shape)
    sheet.true_to_shape, panel.rules = True, "xy"
    return half


def _north(s: Scale) -> str:
    x, top = s.left + 0.965 * s.width, s.top + 8
    return (
        path(f"M{places(x, top + 5)}v24", stroke=INK, width=1.2)
        + path(f"M{places(x, top)}l3.2 7h-6.4z", fill=INK)
        + words("N", x, top + 33, edge="top", size=12, bold=True)
    )


def _place(value: float, positive: str, negative: str) -> str:
    minutes = round(abs(value) * 60, 1)
    return f"{int(minutes // 60)}° {minutes % 60:04.1f}′ {positive if value >= 0 else negative}"
