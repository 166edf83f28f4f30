"""The trial against time: what was held, what was accepted, what was left out; and rpm leading speed."""

from __future__ import annotations

from collections.abc import Collection
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
    draw_series,
)
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

    def paint(bins: int, tall: bool) -> Any:
        def on(figure: Any) -> None:
            grid = figure.add_gridspec(3, 1, height_ratios=(4, 4, 2.2 if tall else 1.9))
            top = figure.add_subplot(grid[0])
            middle = figure.add_subplot(grid[1], sharex=top)
            lanes = figure.add_subplot(grid[2], sharex=top)
            minutes = (t - start) / _NS_PER_MIN
            shown = (t >= start) & (t <= stop)
            _rpm(top, minutes, samples, engines, bins, shown, tall)
            draw_series(middle, minutes[shown], floats(samples, "sog_kn")[shown], bins, INK, "-")
            middle.set_title("Speed over ground [kn]")
            for axes in (top, middle):
                axes.set_ylim(bottom=0)
                _shade(axes, accepted, start)
                axes.tick_params(labelbottom=False)
            _lanes(lanes, accepted, rejected, letters, start, (stop - start) / _NS_PER_MIN, bins)
            _time_axis(lanes, start, stop, 5 if tall else 10)

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


def _rpm(
    axes: Any, minutes: Floats, samples: pa.Table | None, engines: tuple[str, ...], bins: int, shown: Any, tall: bool
) -> None:  # fmt: skip
    drawn = 0
    for engine, (colour, dash) in zip(engines, ENGINE_STYLES, strict=False):
        if has_values(samples, f"rpm_{engine}"):
            rpm = floats(samples, f"rpm_{engine}")[shown]
            draw_series(axes, minutes[shown], rpm, bins, colour, dash if len(engines) > 1 else "-", engine)
            drawn += 1
    axes.set_title("Engine speed [rpm]")
    if not drawn:
        axes.set_title("Engine speed: no engine gave its rpm")
    if drawn > 1:
        axes.legend(
            loc="lower right", bbox_to_anchor=(1, 1.0), ncols=2 if tall else 4, handlelength=2.4, fontsize="small",
            borderaxespad=0, borderpad=0.1, columnspacing=1.2,
        )  # fmt: skip


def _shade(axes: Any, stretches: list[dict[str, Any]], start: int) -> None:
    for s in stretches:
        axes.axvspan(
            (s["start"] - start) / _NS_PER_MIN, (s["stop"] - start) / _NS_PER_MIN, color=TINT, lw=0, zorder=0.5
        )


def _lanes(
    axes: Any, accepted: list[dict[str, Any]], rejected: list[dict[str, Any]], letters: dict[str, str], start: int,
    length_min: float, bins: int,
) -> None:  # fmt: skip
    """Draw one lane of accepted and one of rejected stretches, each named where its name has room."""
    per_char = 8.0 * length_min / bins if length_min else 1.0
    for lane, stretches in ((1.5, accepted), (0.0, rejected)):
        free_from = -np.inf
        # all names of a lane inside their bars, or all above them
        inside = lane > 0 and all(
            (s["stop"] - s["start"]) / _NS_PER_MIN > 1.2 * per_char * len(s["name"]) for s in stretches
        )
        for s in sorted(stretches, key=lambda s: s["start"]):
            a, b = (s["start"] - start) / _NS_PER_MIN, (s["stop"] - start) / _NS_PER_MIN
            if lane:
                axes.barh(lane, b - a, left=a, height=0.62, color=PETROL, lw=0)
                text = s["name"]
            else:
                axes.barh(lane, b - a, left=a, height=0.62, color=WARN_TINT, ec=RUST, lw=0.7, hatch="////")
                text = letters.get(kind_of_reason(s.get("reason")), "")
            middle, half = (a + b) / 2, per_char * len(text) / 2
            if middle - half < free_from:
                continue
            axes.text(
                middle, lane if inside else lane + 0.36, text, ha="center", va="center" if inside else "bottom",
                color=PAPER if inside else PETROL if lane else RUST, fontsize="small", fontweight="bold",
            )  # fmt: skip
            free_from = middle + half
    axes.set_ylim(-0.5, 2.3)
    axes.set_yticks([0, 1.5], ["left out", "used"])
    axes.grid(visible=False)
    axes.spines["left"].set_visible(False)


def _time_axis(axes: Any, start: int, stop: int, most: int) -> None:
    length = max((stop - start) / _NS_PER_MIN, 0.1)
    step = next((s for s in _TICKS_MIN if length / s <= most), _TICKS_MIN[-1])
    first = -(-start // (step * _NS_PER_MIN)) * step * _NS_PER_MIN
    ticks = np.arange(first, stop + 1, step * _NS_PER_MIN)
    axes.set_xticks((ticks - start) / _NS_PER_MIN, [clock(int(tick), seconds=False) for tick in ticks])
    axes.set_xlim(0, length)
    axes.set_xlabel("Time of day, UTC")
