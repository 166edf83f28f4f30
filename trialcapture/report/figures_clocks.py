"""Evidence that all records stand on one time axis: what alignment leaves open, and rpm leading speed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.report.columns import Floats, Ints, engine_ids, floats, has_values, rows, times_ns
from trialcapture.report.figures import (
    COMPACT,
    ENGINE_STYLES,
    HALO,
    INK,
    PETROL,
    QUIET,
    RUST,
    Drawing,
    draw,
    draw_series,
    shorten,
    write_names,
)  # fmt: skip
from trialcapture.report.figures_layout import Row, lay_out, new_axes
from trialcapture.report.format import K, clock, decimals_for, duration, fixed


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

    def paint(figure: Any) -> None:
        top, bottom = new_axes(figure), new_axes(figure)
        for engine, (colour, dash) in zip(engines, ENGINE_STYLES, strict=False):
            rpm = floats(samples, f"rpm_{engine}")[near]
            draw_series(top, seconds, rpm, 300, colour, *((dash, engine) if len(engines) > 1 else ()))
        draw_series(bottom, seconds, sog[near], 300, INK)
        for axes in (top, bottom):
            axes.axvline(0, color=RUST, lw=1, ls=(0, (4, 3)), zorder=1)
        rows_drawn = [Row(top, "Engine speed [rpm]", legend="above"), Row(bottom, "Speed over ground [kn]")]
        lay_out(figure, rows_drawn, "Seconds from the middle of the rpm rise", _with_air(seconds))

    alt = f"Engine speed and speed over ground around {clock(centre)} UTC, where rpm rose most."
    caption = (
        f"The greatest rise of rpm, at {clock(centre)} UTC, and the speed that answers it. The boat must follow her "
        "engines: speed that rose first would betray a misplaced engine clock."
    )
    return Drawing("onset", draw("fig-onset", COMPACT, paint, label=alt), alt, caption)


def _with_air(values: Floats) -> tuple[float, float]:
    pad = 0.05 * float(np.ptp(values))
    return float(values[0]) - pad, float(values[-1]) + pad


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

    def paint(figure: Any) -> None:
        axes = new_axes(figure)
        upwards = found[::-1]
        names = [shorten(str(row.get("source"))) for row in upwards]
        places, half = np.arange(len(found)), [K * row["offset_u_s"] for row in upwards]
        axes.errorbar(np.zeros(len(found)), places, xerr=half, fmt="|", color=PETROL, ms=9, elinewidth=1.8, capsize=4)
        left_open = [(0.0, place + 0.22, f"± {_seconds(row['offset_u_s'])}") for place, row in enumerate(upwards)]
        write_names(axes, left_open, ha="center", va="bottom", fontsize=9.5, color=QUIET, gid=HALO)
        axes.axvline(0, color=RUST, lw=1, ls=(0, (4, 3)), zorder=1)
        axes.set_ylim(-0.6, len(found) - 0.3)
        reach = max(half) * 1.15 or 1.0
        drawn = Row(axes, "", y_ticks=(places.tolist(), names), rules="x", side=False)
        lay_out(figure, [drawn], "Time error left after alignment [s]", (-reach, reach))

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
