"""The current over time: what each pair of opposite runs shows beside what the fit to all runs shows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.report.answers import at
from trialcapture.report.columns import rows
from trialcapture.report.figures import COMPACT, PAPER, PETROL, RUST, TINT, Drawing, draw
from trialcapture.report.figures_layout import Row, Ticks, lay_out, new_axes
from trialcapture.report.format import (
    K,
    band_label,
    clock,
    column_decimals,
    degrees,
    fixed,
    number,
    parse_moment,
    plus_minus,
)

_SIZE = (COMPACT[0], 336)


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


def pair_points(summary: Mapping[str, Any], bands: pa.Table, legs: pa.Table | None) -> list[CurrentPoint]:
    """Return the current each pair shows; from the band table and the times of its legs where the summary has none."""
    given = _points(at(summary, "current", "pairs"))
    if given:
        return given
    times: dict[float, list[float]] = {}
    for leg in rows(legs):
        rpm = number(leg.get("band_rpm"))
        if rpm is not None and leg.get("start") is not None and leg.get("stop") is not None:
            times.setdefault(rpm, []).append((leg["start"] + leg["stop"]) / 2e9)
    found = []
    for band in rows(bands):
        rpm, speed = number(band.get("band_rpm")), number(band.get("current_kn"))
        if rpm in times and speed is not None:
            found.append(
                CurrentPoint(
                    float(np.mean(times[rpm])),
                    speed,
                    number(band.get("current_towards_deg")),
                    None,
                    rpm,
                    band=band_label(band),
                )
            )
    return sorted(found, key=lambda p: p.t_s)


def fit_points(summary: Mapping[str, Any]) -> list[CurrentPoint]:
    """Return the fitted current in order of time; empty where no fit was made."""
    return _points(at(summary, "current", "fit"))


def _points(entries: Any) -> list[CurrentPoint]:
    found = []
    for entry in entries if isinstance(entries, Iterable) and not isinstance(entries, str | Mapping) else ():
        if not isinstance(entry, Mapping):
            continue
        t = parse_moment(entry.get("t"))
        speed = number(entry.get("speed_kn", entry.get("current_kn")))
        if t is None or speed is None:
            continue
        towards = number(entry.get("towards_deg", entry.get("current_towards_deg")))
        u = number(entry.get("u_kn", entry.get("speed_u_kn")))
        along, fit_along = number(entry.get("along_kn")), number(entry.get("fit_along_kn"))
        fit_kn = None if fit_along is None else -fit_along if along is not None and along < 0 else fit_along
        found.append(
            CurrentPoint(t.timestamp(), speed, towards, u, number(entry.get("band_rpm")), fit_kn, band_label(entry))
        )
    return sorted(found, key=lambda p: p.t_s)


def current_figure(pairs: list[CurrentPoint], fit: list[CurrentPoint]) -> Drawing | None:
    """Draw speed and direction of the current over time; None where nothing is known of it."""
    if not pairs and not fit:
        return None
    start = min(p.t_s for p in pairs + fit)

    def minutes(points: list[CurrentPoint]) -> Any:
        return np.array([(p.t_s - start) / 60 for p in points])

    def values(points: list[CurrentPoint], name: str) -> Any:
        return np.array([np.nan if getattr(p, name) is None else getattr(p, name) for p in points], dtype=np.float64)

    def paint(figure: Any) -> None:
        top, bottom = new_axes(figure), new_axes(figure)
        if fit:
            x, y, u = minutes(fit), values(fit, "speed_kn"), K * np.nan_to_num(values(fit, "u_kn"))
            top.fill_between(x, np.maximum(y - u, 0), y + u, color=TINT, lw=0)
            top.plot(x, y, color=PETROL, label="fit to all runs, whole")
            # a direction that turns through north must not draw a line across the whole panel
            turned = np.degrees(np.unwrap(np.radians(values(fit, "towards_deg"))))
            line = np.concatenate([part for turn in (-360, 0, 360) for part in (turned + turn, [np.nan])])
            bottom.plot(np.tile(np.append(x, np.nan), 3), line, color=PETROL)
        if pairs:
            x = minutes(pairs)
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
        bottom.set_ylim(0, 360)
        rows_drawn = [
            Row(top, "Speed of the current [kn]", 3, legend="inside"),
            Row(bottom, "It sets towards [° true]", 2, ([0, 90, 180, 270, 360], ["N", "E", "S", "W", "N"])),
        ]
        lay_out(figure, rows_drawn, "Time of day, UTC", *_times(start, max(p.t_s for p in pairs + fit)))

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
    return Drawing("current", draw("fig-current", _SIZE, paint, label=alt), alt, caption)


def _hour(t_s: float) -> str:
    return clock(datetime.fromtimestamp(t_s, UTC), seconds=False)


def _times(start: float, stop: float) -> tuple[tuple[float, float], Ticks]:
    """Return limits [min from the start] and ticks of the time axis."""
    length = max((stop - start) / 60, 1.0)
    step = next((s for s in (5, 10, 15, 20, 30, 60, 120, 180, 240) if length / s <= 5), 480)
    first = -(-start // (step * 60)) * step * 60
    ticks = np.arange(first, stop + 1, step * 60)
    return (-0.04 * length, 1.04 * length), (((ticks - start) / 60).tolist(), [_hour(float(t)) for t in ticks])


def current_rows(pairs: list[CurrentPoint], fit: list[CurrentPoint]) -> list[dict[str, str]]:
    """Return each pair's current along its line beside the fit along the same line, as text."""
    decimals = max(2, column_decimals([p.u_kn for p in pairs], usual=2, most=2))
    made = []
    for p in pairs:
        beside = p.fit_kn if p.fit_kn is not None else _fit_along(fit, p)
        made.append(
            {
                "time": _hour(p.t_s),
                "band": p.band,
                "pair": fixed(p.speed_kn, decimals),
                "pair_pm": plus_minus(p.u_kn, decimals, dash=""),
                "pair_towards": degrees(p.towards_deg),
                "fit": fixed(beside, decimals),
            }
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
