"""The trial as it was sailed: time line, track, rpm leading speed, and how well each source is placed on UTC."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from trialcapture.geodesy import offsets_m, place_at
from trialcapture.report.band_table import STAR
from trialcapture.report.figures import (
    COMPACT,
    ENGINE_STYLES,
    HALO,
    INK,
    NS_PER_DAY,
    NS_PER_MIN,
    PAPER,
    PETROL,
    QUIET,
    RUST,
    TALL,
    TINT,
    TOP_PX,
    WARN_TINT,
    WIDE,
    Drawing,
    bottom_px,
    draw,
    draw_boxes,
    draw_series,
    draw_shapes,
    new_axes,
    set_time_axis,
    shorten,
    text_width,
)
from trialcapture.report.format import (
    Floats,
    Ints,
    K,
    clock,
    decimals_for,
    duration,
    engine_ids,
    fixed,
    floats,
    has_values,
    plural,
    rows,
    times_ns,
)
from trialcapture.report.limits import kind_of_reason
from trialcapture.safe_text import clean_page
from trialcapture.units import NM_M

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def timeline(
    samples: pa.Table | None, segments: pa.Table | None, letters: dict[str, str], stars: Collection[int] = ()
) -> Drawing | None:
    """Draw rpm and speed against time with every stretch found, accepted and rejected.

    Args:
        samples: The uniform grid.
        segments: Candidates, accepted or not.
        letters: The letter that stands for each kind of reason for leaving one out.
        stars: Numbers of the stretches that a person included or put into another band.

    Returns:
        None when there is neither a sample nor a segment to place on a time axis.
    """
    t = times_ns(samples, "t")
    stretches = rows(segments)
    ends = [s[k] for s in stretches for k in ("start", "stop") if s.get(k) is not None]
    if not len(t) and not ends:
        return None
    start, stop, cut = _frame(t, ends)
    # a record of one instant still needs an axis with two ends
    begin, end = (start, stop) if start < stop else (start - NS_PER_MIN // 2, stop + NS_PER_MIN // 2)
    engines = engine_ids(samples)[:4]
    for s in stretches:
        s["name"] = f"{s.get('segment_id', '')}{STAR if s.get('segment_id') in stars else ''}"
    accepted = [s for s in stretches if s.get("accepted")]
    rejected = [s for s in stretches if not s.get("accepted")]

    shown = (t >= start) & (t <= stop)
    days, sog_kn, pixel_days = t[shown] / NS_PER_DAY, floats(samples, "sog_kn")[shown], (end - begin) / NS_PER_DAY

    def paint(bins: int, tall: bool) -> Callable[[Figure], None]:
        def on(figure: Figure) -> None:
            room = 26 + (13 * ((len(engines) + 1) // 2) if tall and len(engines) > 1 else 0)
            heights, left = (4, 4, 2.2 if tall else 1.9), text_width("left out", 11.5 if not tall else 10) + 6
            top, middle, lanes = new_axes(figure, heights, left=left, top=room)
            _draw_rpm(top, days, samples, engines, bins, shown)
            _name_engines(top, beside=not tall)
            draw_series(middle, days, sog_kn, bins, INK)
            middle.set_title("Speed over ground [kn]")
            for axes in (top, middle):
                axes.set_ylim(0, axes.get_ylim()[1])
                draw_boxes(axes, _spans(accepted), 0, axes.get_ylim()[1], TINT)
            _draw_lanes(lanes, accepted, rejected, letters, pixel_days / (0.93 * bins), 9.5 if tall else 11)
            set_time_axis(lanes, begin, end, 6 if tall else 10)

        return on

    alt = (
        f"Engine speed and speed over ground from {clock(start)} to {clock(stop)} UTC. "
        f"{plural(len(accepted), 'steady stretch', 'steady stretches')} accepted, {len(rejected)} rejected."
    )
    caption = (
        "Engine speed and speed over ground. Shaded and numbered: the steady stretches used. "
        "Hatched and lettered: candidates left out; the letters are explained below."
    )
    caption += " A star: a person included it or put it into another band; see table 2b." if stars else ""
    caption += cut
    return Drawing(
        "timeline",
        draw("fig-time", WIDE, paint(900, False), label=alt, font_size=12.5),
        alt,
        caption,
        draw("fig-time-n", TALL, paint(330, True), label=alt),
    )


def _frame(t: Ints, ends: list[int]) -> tuple[int, int, str]:
    """Return what to draw from when to when, and what the caption says of the rest.

    A long record with a short trial in it is drawn about the trial, with a twentieth of its length to either side.
    """
    whole = (int(t[0]), int(t[-1])) if len(t) else (min(ends), max(ends))
    if not ends or not len(t) or max(ends) - min(ends) > 0.6 * (whole[1] - whole[0]):
        return *whole, ""
    margin = max((max(ends) - min(ends)) // 20, 2 * NS_PER_MIN)
    start, stop = max(whole[0], min(ends) - margin), min(whole[1], max(ends) + margin)
    return (
        start,
        stop,
        f" The record runs from {clock(whole[0])} to {clock(whole[1])}; no stretch was found in the part not drawn.",
    )


def _spans(stretches: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """Return begin and end of each in days since 1970."""
    return [(s["start"] / NS_PER_DAY, s["stop"] / NS_PER_DAY) for s in stretches]


def _draw_rpm(
    axes: Axes, x: Floats, samples: pa.Table | None, engines: tuple[str, ...], bins: int, shown: Any
) -> None:  # fmt: skip
    """Draw the rpm of each engine that gave one."""
    drawn = [(e, style) for e, style in zip(engines, ENGINE_STYLES, strict=False) if has_values(samples, f"rpm_{e}")]
    for engine, (colour, dash) in drawn:
        rpm = floats(samples, f"rpm_{engine}")[shown]
        label = engine if len(drawn) > 1 else None
        draw_series(axes, x, rpm, bins, colour, dash if len(engines) > 1 else "-", label)


def _name_engines(axes: Axes, *, beside: bool) -> None:
    """Write the title and the names of the engines, beside the title where there is room, else under it."""
    names = axes.get_legend_handles_labels()[1]
    title = "Engine speed [rpm]" if axes.lines else "Engine speed: no engine gave its rpm"
    if names and not beside:
        axes.legend(title=title, alignment="left", loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderaxespad=0.7)
        return
    axes.set_title(title)
    if names:
        axes.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=len(names), borderaxespad=0.7)


def _draw_lanes(
    axes: Axes, accepted: list[dict[str, Any]], rejected: list[dict[str, Any]], letters: dict[str, str],
    pixel_days: float, size: float,
) -> None:  # fmt: skip
    """Draw one lane of accepted and one of rejected stretches, each named where its name has room.

    Args:
        axes: Where to draw.
        accepted: The stretches used.
        rejected: Those left out.
        letters: The letter of each kind of reason.
        pixel_days: Duration a pixel stands for.
        size: Of the names [px].
    """
    for lane, stretches in ((1.5, accepted), (0.0, rejected)):
        in_order = sorted(stretches, key=lambda s: s["start"])
        spans = _spans(in_order)
        look = {} if lane else {"ec": RUST, "lw": 0.7, "hatch": "////"}
        draw_boxes(axes, spans, lane - 0.31, lane + 0.31, PETROL if lane else WARN_TINT, **look)
        names = [s["name"] if lane else letters.get(kind_of_reason(s.get("reason")), "") for s in in_order]
        # heavy letters are a tenth wider
        halves = [pixel_days * (0.55 * text_width(name, size) + 1.5) for name in names]
        # all names of a lane inside their bars, or all above them
        inside = lane > 0 and all(b - a > 2.2 * half for (a, b), half in zip(spans, halves, strict=True))
        free_from = -np.inf
        for (a, b), name, half in zip(spans, names, halves, strict=True):
            middle = (a + b) / 2
            if not name or middle - half < free_from:
                continue
            free_from = middle + half
            axes.text(
                middle, lane if inside else lane + 0.36, name, ha="center", va="center" if inside else "bottom",
                color=PAPER if inside else PETROL if lane else RUST, fontsize=size, fontweight="bold",
            )  # fmt: skip
    axes.set_ylim(-0.5, 2.3)
    axes.set_yticks([0, 1.5], ["left out", "used"])
    axes.grid(visible=False)
    axes.spines["left"].set_visible(False)


_WIDTH, _NARROW_WIDTH = 560, 372
_TRACK_LEFT, _TRACK_RIGHT = 48, 14
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

    def paint(width: int, size: float) -> Callable[[Figure], None]:
        def on(figure: Figure) -> None:
            (axes,) = new_axes(figure, left=_TRACK_LEFT, right=_TRACK_RIGHT)
            axes.plot(thin_x, thin_y, color="#8a969f", lw=0.9, zorder=1)
            low, high = _set_limits(axes, framed_x, framed_y, shape)
            _draw_legs(axes, parts, size, (high - low) / (width - _TRACK_LEFT - _TRACK_RIGHT))
            axes.set_aspect("equal")
            axes.grid(visible=True, axis="both")
            axes.set_title("North of the middle [nm]")
            axes.set_xlabel("East of the middle [nm]")
            _draw_north(axes)

        return on

    alt = f"Track of the trial, {len(parts)} legs, about {middle}."
    caption = (
        f"The track, north up, about {middle}. Heavy lines with an arrow: the legs used, numbered as in the leg table, "
        "the number standing to starboard of the leg and left out where legs crowd. Thin line: all else."
    ) + cut
    drawn = []
    for key, width, font, numbers in (("fig-track", _WIDTH, 12, 10.5), ("fig-track-n", _NARROW_WIDTH, 11, 9.5)):
        height = shape * (width - _TRACK_LEFT - _TRACK_RIGHT) + TOP_PX + bottom_px(font)
        drawn.append(draw(key, (width, round(height)), paint(width, numbers), label=alt, font_size=font))
    return Drawing("track", drawn[0], alt, caption, drawn[1])


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


def _draw_legs(axes: Axes, parts: list[tuple[str, Floats, Floats]], size: float, pixel_nm: float) -> None:
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
    for text, px, py in parts:
        way = np.array([px[-1] - px[0], py[-1] - py[0]])
        length = float(np.hypot(*way))
        if length == 0:
            continue
        dx, dy = way = way / length
        tip, head = np.array([px[-1], py[-1]]), min(7.0 * pixel_nm, 0.6 * length)
        wing = 0.45 * head * np.array([-dy, dx])
        heads.append(np.array([tip, tip - head * way + wing, tip - head * way - wing]))
        middle, half_width = len(px) // 2, text_width(text, size) / 2 + 1
        # far enough out that a number beside a leg that runs upwards does not touch it
        out = 9 + max(0.0, half_width - 8) * abs(dy)
        x, y = float(px[middle]) / pixel_nm + out * dy, float(py[middle]) / pixel_nm - out * dx
        if all(abs(x - a) >= half_width + b or abs(y - c) >= size for a, c, b in taken):
            taken.append((x, y, half_width))
            axes.text(
                x * pixel_nm, y * pixel_nm, text, ha="center", va="center", fontsize=size, fontweight="bold",
                color=PETROL, zorder=4, gid=HALO,
            )  # fmt: skip
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


def _set_limits(axes: Axes, x: Floats, y: Floats, shape: float) -> tuple[float, float]:
    """Set the limits and return those across."""
    half = max(float(np.ptp(x)), float(np.ptp(y)) / shape, 0.1) * 0.56
    mid_x, mid_y = float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2
    axes.set_ylim(mid_y - half * shape, mid_y + half * shape)
    axes.set_xlim(mid_x - half, mid_x + half)
    return mid_x - half, mid_x + half


def _draw_north(axes: Axes) -> None:
    axes.annotate(
        "N", xy=(0.965, 0.985), xytext=(0, -26), xycoords="axes fraction", textcoords="offset points",
        ha="center", va="center", color=INK, fontweight="bold",
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2},
    )  # fmt: skip


def _place(value: float, positive: str, negative: str) -> str:
    minutes = round(abs(value) * 60, 1)
    return f"{int(minutes // 60)}° {minutes % 60:04.1f}′ {positive if value >= 0 else negative}"


def onset(samples: pa.Table | None) -> Drawing | None:
    """Draw the greatest rise of rpm and the speed that answers it: evidence that both stand on one time axis.

    A boat cannot gather way before her engines do. Speed that rose first would show a clock misplaced by as much.
    """
    t, sog = times_ns(samples, "t"), floats(samples, "sog_kn")
    engines = [e for e in engine_ids(samples)[:4] if has_values(samples, f"rpm_{e}")]
    if samples is None or len(t) < 10 or not engines or not np.isfinite(sog).any():
        return None
    centre = _greatest_rise(t, floats(samples, f"rpm_{engines[0]}"))
    if centre is None:
        return None
    near = (t >= centre - 25 * 10**9) & (t <= centre + 50 * 10**9)
    seconds = (t[near] - centre) / 1e9

    def paint(figure: Figure) -> None:
        room = 26 + (13 * ((len(engines) + 1) // 2) if len(engines) > 1 else 0)
        top, bottom = new_axes(figure, (1, 1), top=room)
        for engine, (colour, dash) in zip(engines, ENGINE_STYLES, strict=False):
            rpm = floats(samples, f"rpm_{engine}")[near]
            draw_series(top, seconds, rpm, 300, colour, *((dash, engine) if len(engines) > 1 else ()))
        draw_series(bottom, seconds, sog[near], 300, INK)
        for axes in (top, bottom):
            axes.axvline(0, color=RUST, lw=1, ls=(0, (4, 3)), zorder=1)
        _name_engines(top, beside=False)
        bottom.set_title("Speed over ground [kn]")
        bottom.set_xlabel("Seconds from the middle of the rpm rise")

    alt = f"Engine speed and speed over ground around {clock(centre)} UTC, where rpm rose most."
    caption = (
        f"The greatest rise of rpm, at {clock(centre)} UTC, and the speed that answers it. The boat must follow her "
        "engines: speed that rose first would betray a misplaced engine clock."
    )
    return Drawing("onset", draw("fig-onset", COMPACT, paint, label=alt), alt, caption)


def _greatest_rise(t: Ints, rpm: Floats) -> int | None:
    """Return the time at which rpm passes half-way through its greatest rise within 10 s, or None without one."""
    known = np.flatnonzero(np.isfinite(rpm))
    if len(known) < 10:
        return None
    t, rpm = t[known], rpm[known]
    ahead = np.minimum(np.searchsorted(t, t + 10 * 10**9), len(t) - 1)
    # a pause in the record is not a rise
    rise = np.where(t[ahead] - t <= 11 * 10**9, rpm[ahead] - rpm, 0.0)
    i = int(np.argmax(rise))
    if rise[i] < 0.05 * np.max(rpm):
        return None
    half = np.flatnonzero(rpm[i : ahead[i] + 1] >= rpm[i] + rise[i] / 2)
    return int(t[i + half[0]])


def clocks_figure(clocks: pa.Table | None) -> Drawing | None:
    """Draw how well each source is placed on UTC: its ± about its own offset."""
    found = [r for r in rows(clocks) if r.get("offset_u_s") is not None and np.isfinite(r["offset_u_s"])]
    if not found:
        return None
    size = (COMPACT[0], 96 + 30 * len(found))

    def paint(figure: Figure) -> None:
        upwards = found[::-1]
        names = [shorten(clean_page(str(row.get("source")))) for row in upwards]
        (axes,) = new_axes(figure, left=max(text_width(name, 10) for name in names) + 6, top=6)
        places, half = np.arange(len(found)), [K * row["offset_u_s"] for row in upwards]
        axes.errorbar(np.zeros(len(found)), places, xerr=half, fmt="|", color=PETROL, ms=9, elinewidth=1.8, capsize=4)
        for place, row in enumerate(upwards):
            text = f"± {_seconds(row['offset_u_s'])}"
            axes.text(0.0, place + 0.22, text, ha="center", va="bottom", fontsize=9.5, color=QUIET, gid=HALO)
        axes.axvline(0, color=RUST, lw=1, ls=(0, (4, 3)), zorder=1)
        axes.set_ylim(-0.6, len(found) - 0.3)
        reach = max(half) * 1.15 or 1.0
        axes.set_xlim(-reach, reach)
        axes.set_yticks(places, names)
        axes.grid(visible=False, axis="y")
        axes.grid(visible=True, axis="x")
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("Time error left after alignment [s]")

    worst = max(found, key=lambda r: r["offset_u_s"])
    alt = "Uncertainty of each source’s place on UTC: " + "; ".join(
        f"{r.get('source')} ± {_seconds(r['offset_u_s'])}" for r in found
    )
    widest = f"Widest: {worst.get('source')}, ± {_seconds(worst['offset_u_s'])}."
    caption = f"What the alignment leaves open, ± at 95 %. {widest}"
    return Drawing("clocks", draw("fig-clocks", size, paint, label=alt), alt, caption)


def _seconds(u_s: float) -> str:
    """Return the expanded uncertainty of a time with two significant digits, a long one in minutes."""
    big = K * u_s
    return f"{fixed(big, min(decimals_for(big), 4))} s" if big < 60 else duration(big)
