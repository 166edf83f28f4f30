"""The trial against time: what was held, what was accepted, what was left out; and rpm leading speed."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.report.columns import Floats, Ints, engine_ids, floats, has_values, rows, times_ns
from trialcapture.report.figures import (
    ENGINE_STYLES,
    INK,
    PAPER,
    PETROL,
    RUST,
    TALL,
    TINT,
    WARN_TINT,
    WIDE,
    Drawing,
    draw,
    draw_boxes,
    draw_series,
    write_names,
)
from trialcapture.report.figures_layout import Row, Ticks, lay_out, new_axes, words_width
from trialcapture.report.format import clock, plural
from trialcapture.report.review import STAR
from trialcapture.report.view import kind_of_reason

_TICKS_MIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360, 720)
_NS_PER_MIN = 60_000_000_000


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
    engines = engine_ids(samples)[:4]
    for s in stretches:
        s["name"] = f"{s.get('segment_id', '')}{STAR if s.get('segment_id') in stars else ''}"
    accepted = [s for s in stretches if s.get("accepted")]
    rejected = [s for s in stretches if not s.get("accepted")]

    minutes, shown = (t - start) / _NS_PER_MIN, (t >= start) & (t <= stop)
    spans, length_min = _spans(accepted, start), (stop - start) / _NS_PER_MIN

    def paint(bins: int, tall: bool) -> Callable[[Any], None]:
        def on(figure: Any) -> None:
            top, middle, lanes = new_axes(figure), new_axes(figure), new_axes(figure)
            title = _rpm(top, minutes[shown], samples, engines, bins, shown)
            draw_series(middle, minutes[shown], floats(samples, "sog_kn")[shown], bins, INK)
            for axes in (top, middle):
                axes.set_ylim(0, axes.get_ylim()[1])
                draw_boxes(axes, spans, 0, axes.get_ylim()[1], TINT)
            _lanes(lanes, accepted, rejected, letters, start, length_min / (0.93 * bins), 9.5 if tall else 11)
            rows_drawn = [
                Row(top, title, 4, legend="above"), Row(middle, "Speed over ground [kn]", 4),
                Row(lanes, "", 2.2 if tall else 1.9, ([0, 1.5], ["left out", "used"]), rules="", side=False),
            ]  # fmt: skip
            lay_out(figure, rows_drawn, "Time of day, UTC", *_time_axis(start, stop, 5 if tall else 10))

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
    margin = max((max(ends) - min(ends)) // 20, 2 * _NS_PER_MIN)
    start, stop = max(whole[0], min(ends) - margin), min(whole[1], max(ends) + margin)
    return (
        start,
        stop,
        f" The record runs from {clock(whole[0])} to {clock(whole[1])}; no stretch was found in the part not drawn.",
    )


def _spans(stretches: list[dict[str, Any]], start: int) -> list[tuple[float, float]]:
    return [((s["start"] - start) / _NS_PER_MIN, (s["stop"] - start) / _NS_PER_MIN) for s in stretches]


def _rpm(
    axes: Any, minutes: Floats, samples: pa.Table | None, engines: tuple[str, ...], bins: int, shown: Any
) -> str:  # fmt: skip
    """Draw each engine's rpm and return the title."""
    drawn = [(e, style) for e, style in zip(engines, ENGINE_STYLES, strict=False) if has_values(samples, f"rpm_{e}")]
    for engine, (colour, dash) in drawn:
        rpm = floats(samples, f"rpm_{engine}")[shown]
        label = engine if len(drawn) > 1 else None
        draw_series(axes, minutes, rpm, bins, colour, dash if len(engines) > 1 else "-", label)
    return "Engine speed [rpm]" if drawn else "Engine speed: no engine gave its rpm"


def _lanes(
    axes: Any, accepted: list[dict[str, Any]], rejected: list[dict[str, Any]], letters: dict[str, str], start: int,
    pixel_min: float, size: float,
) -> None:  # fmt: skip
    """Draw one lane of accepted and one of rejected stretches, each named where its name has room."""
    for lane, stretches in ((1.5, accepted), (0.0, rejected)):
        in_order = sorted(stretches, key=lambda s: s["start"])
        spans = _spans(in_order, start)
        look = {} if lane else {"ec": RUST, "lw": 0.7, "hatch": "////"}
        draw_boxes(axes, spans, lane - 0.31, lane + 0.31, PETROL if lane else WARN_TINT, **look)
        names = [s["name"] if lane else letters.get(kind_of_reason(s.get("reason")), "") for s in in_order]
        # heavy letters are a tenth wider
        halves = [pixel_min * (0.55 * words_width(name, size) + 1.5) for name in names]
        # all names of a lane inside their bars, or all above them
        inside = lane > 0 and all(b - a > 2.2 * half for (a, b), half in zip(spans, halves, strict=True))
        shown: list[tuple[float, float, str]] = []
        free_from = -np.inf
        for (a, b), name, half in zip(spans, names, halves, strict=True):
            middle = (a + b) / 2
            if name and middle - half >= free_from:
                shown.append((middle, lane if inside else lane + 0.36, name))
                free_from = middle + half
        write_names(
            axes, shown, ha="center", va="center" if inside else "bottom",
            color=PAPER if inside else PETROL if lane else RUST, fontsize=size, fontweight="bold",
        )  # fmt: skip
    axes.set_ylim(-0.5, 2.3)


def _time_axis(start: int, stop: int, most: int) -> tuple[tuple[float, float], Ticks]:
    """Return limits [min from the start] and ticks of the time axis."""
    length = max((stop - start) / _NS_PER_MIN, 0.1)
    step = next((s for s in _TICKS_MIN if length / s <= most), _TICKS_MIN[-1])
    first = -(-start // (step * _NS_PER_MIN)) * step * _NS_PER_MIN
    ticks = np.arange(first, stop + 1, step * _NS_PER_MIN)
    names = [clock(int(tick), seconds=False) for tick in ticks]
    return (0.0, length), (((ticks - start) / _NS_PER_MIN).tolist(), names)
