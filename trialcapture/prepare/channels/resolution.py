"""The least count of a channel, and what rounding to it leaves open in the mean of a stretch.

A reading rounded to a step q is off by anything up to q/2. Where readings move over several counts their mean is as
good as if they had not been rounded (they dither); where they stand at one count, no averaging makes it finer.

Readings are taken as rounded to the nearest count. A logger that cuts the digits off instead reads half a count low
throughout; nothing in the readings shows which of the two it does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.prepare.data_health import Rounding

Floats = npt.NDArray[np.float64]

FEWEST_LEVELS = 3
"""Distinct readings from which a least count is read (our choice, no source)."""
STRAY_SHARE = 0.02
"""Readings seen once, where they are fewer than this share of all, are damage and tell no count (no source)."""
OFF_LATTICE = 0.15
"""Readings may miss a whole number of counts by this share of one: a logger that rounds in one unit and converts to
another writes such (common practice, no source)."""
ON_LATTICE_SHARE = 0.95
"""Share of the readings that lie on the lattice where there is one (common practice, no source)."""
MOST_LEVELS = 4000
"""Distinct readings above which a channel shows no least count (our choice, no source)."""
MOST_PARTS = 10
"""Few readings are looked at for a step of so many parts of their least distance (no source)."""
NEAR_SHARE = 0.25
"""Readings this close in value tell the least count there: loggers with so many significant digits count in larger
steps where values are larger (common practice, no source)."""
NEGLIGIBLE_COUNTS = 0.02
"""What rounding leaves open is set to nothing below this many counts: the readings dither (no source)."""
SLOPE_WINDOW_S = 30.0
"""A running total is differentiated over this long, half of it to either side: that half is left out at both ends of a
steady stretch, so it is no longer than the shortest one [s] (our choice, no source)."""
DITHERED_COUNTS = 0.1
"""Readings are said to dither where rounding leaves less than this many counts open in the usual leg (no source)."""
LEAST_PASSED = 0.15
"""Share of a count's saw-tooth that no slope window takes out: rows are some time apart (no source)."""
_HARMONICS = 6
"""Harmonics of the saw-tooth that are summed up (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Resolution:
    """How finely a channel can be read.

    Attributes:
        what: Source and channel.
        unit: Unit of the channel.
        levels: Distinct readings, ascending; none where they are too many to show a count.
        least_count: Smallest step between readings; 0 where they show none.
        meters: How many readings of that count make one value: 2 for a supply and a return meter.
        counter_l: Least count of the running total that the rate is the slope of [l]; 0 where it is none.
        window_s: What each value is a mean over, half of it before and half of it after [s]; 0 for its own instant.
        deadband: Smallest change that is published where a channel is published on change only; else 0.
    """

    what: str
    unit: str
    levels: Floats = field(default_factory=lambda: np.zeros(0), repr=False)
    least_count: float = 0.0
    meters: int = 1
    counter_l: float = 0.0
    deadband: float = 0.0
    window_s: float = 0.0

    @property
    def step(self) -> float:
        """The smallest step between readings, or the smallest change that is published; 0 where there is none."""
        return max(self.least_count, self.counter_l, self.deadband)

    def count_near(self, value: float) -> float:
        """Return the least count about a value."""
        near = self.levels[np.abs(self.levels - value) <= NEAR_SHARE * abs(value)]
        local = find_least_count(near) if near.size >= 2 * FEWEST_LEVELS else 0.0
        return local or self.least_count

    def u_of_mean(self, values: Floats, duration_s: float, finest: float) -> float:
        """Return the standard uncertainty that rounding leaves in the mean of a stretch [unit of the channel].

        Args:
            values: The stretch, NaN where unknown.
            duration_s: Its length.
            finest: Counts below this are not looked at: the grid itself is no finer.
        """
        known = values[np.isfinite(values)]
        if not known.size:
            return 0.0
        mean = float(known.mean())
        if self.counter_l > 0.0:
            # the slope over one window alone is known about as well as a mean of slopes over half of it
            return counter_u_l_per_h(self.counter_l, mean, max(duration_s, self.window_s / 2.0), self.window_s)
        count = self.count_near(mean)
        if count < finest:
            return 0.0
        origin = float(self.levels[np.abs(self.levels - mean).argmin()]) if self.levels.size else 0.0
        if self.deadband > 0.0:
            return self._u_held(known, origin)
        return math.sqrt(self.meters) * rounding_u(known, count, origin)

    def _u_held(self, known: Floats, origin: float) -> float:
        """Return the same where a reading stands until the signal has moved a deadband away from it, either way.

        A reading that stood throughout leaves a range of two deadbands, with d/√3; readings that moved to and fro
        keep memory of where they came from, so one that moved little counts as rounded to the deadband, at least.
        """
        d = self.deadband
        u = 2.0 * rounding_u(known, d, origin)
        return max(u, d / math.sqrt(12.0)) if float(known.std()) < d else u


def find_levels(values: Floats) -> Floats:
    """Return the distinct readings, ascending, without strays; none where there are more than `MOST_LEVELS`."""
    known = values[np.isfinite(values)]
    if not known.size:
        return np.zeros(0)
    # conversion of a unit leaves a jitter in the last digits
    size = max(float(np.abs(known).max()), 1e-12)
    levels, counts = np.unique(np.round(known / size, 9), return_counts=True)
    levels = levels * size
    lone = counts == 1
    if lone.sum() < STRAY_SHARE * known.size:
        levels = levels[~lone]
    return levels if levels.size <= MOST_LEVELS else np.zeros(0)


def find_least_count(levels: Floats) -> float:
    """Return the step of the lattice that distinct readings lie on, 0 where they lie on none.

    Neighbouring levels are a whole number of steps apart. The smallest distances give the step, all of them refine
    it (least squares); readings that miss the lattice refute it.

    Args:
        levels: Ascending.
    """
    if levels.size < FEWEST_LEVELS:
        return 0.0
    gaps = np.diff(levels)
    step = float(np.median(gaps[gaps <= 1.5 * gaps.min()]))
    # near neighbours first: over far ones the error of a step adds up to a whole count
    for reach in (3.5, 12.5, 60.5, np.inf):
        used = gaps <= reach * step
        whole = np.maximum(np.rint(gaps[used] / step), 1.0)
        step = float(gaps[used] @ whole / (whole @ whole))
    if np.count_nonzero(_off(gaps, step) <= OFF_LATTICE) >= ON_LATTICE_SHARE * gaps.size:
        return step
    # few readings, all far apart, may have no neighbours: then what divides all distances
    shares = (float(gaps.min()) / k for k in range(1, MOST_PARTS + 1) if gaps.size <= MOST_PARTS)
    return next((part for part in shares if float(_off(gaps, part).max()) <= OFF_LATTICE / 3.0), 0.0)


def _off(gaps: Floats, step: float) -> Floats:
    return np.abs(gaps / step - np.rint(gaps / step))


def find_resolution(what: str, unit: str, values: Floats, *, meters: int = 1) -> Resolution:
    """Return how finely a channel can be read.

    Args:
        what: Source and channel.
        unit: Unit of the channel.
        values: Its readings, or those of a downsampled index; NaN where unknown.
        meters: As in `Resolution`.
    """
    levels = find_levels(values)
    return Resolution(what, unit, levels, find_least_count(levels), meters)


def rounding_u(values: Floats, count: float, origin: float = 0.0) -> float:
    """Return the standard uncertainty that rounding leaves in the mean of readings [their unit].

    Readings at one count: q/√12 (GUM, JCGM 100:2008, F.2.2.1). Readings that toggle between two counts, a share p of
    them at the upper one: the signal lies about the threshold between the two, so the mean is off by no more than
    |p - 1/2| q, taken as evenly spread from nothing to that; it becomes q/√12 where p is 0 or 1. Readings over more
    counts: for a normal spread s the error of the mean is a sine of its place between two counts, with the amplitude
    q/π exp(-2π²s²/q²) and its harmonics (Widrow & Kollár, *Quantization Noise*, 2008, chapter 11; from memory), s²
    being the variance of the readings less q²/12 (Sheppard's correction).

    Args:
        values: Readings of a stretch, also joined by straight lines; NaN is left out.
        count: Their least count q, positive.
        origin: A value that is a reading: the lattice need not contain zero.
    """
    known = values[np.isfinite(values)]
    if not known.size or count <= 0.0:
        return 0.0
    levels = np.rint((known - origin) / count)
    shares = np.bincount((levels - levels.min()).astype(np.int64).clip(0, 10_000)) / known.size
    pairs = shares[:-1] + shares[1:] if shares.size > 1 else shares
    first = int(np.argmax(pairs))
    if pairs[first] > 1.0 - STRAY_SHARE:
        upper = shares[first + 1] / pairs[first] if shares.size > 1 else 0.0
        u = abs(upper - 0.5) / math.sqrt(3.0)
    else:
        variance = max(float(levels.var()) - 1.0 / 12.0, 0.0)
        k = np.arange(1, _HARMONICS + 1)
        amplitudes = np.exp(-2.0 * (np.pi * k) ** 2 * variance) / (np.pi * k)
        u = min(float(np.sqrt(np.sum(amplitudes**2) / 2.0)), 1.0 / math.sqrt(12.0))
    return u * count if u >= NEGLIGIBLE_COUNTS else 0.0


def counter_u_l_per_h(counter_l: float, rate_l_per_h: float, duration_s: float, window_s: float) -> float:
    """Return what the least count of a running total leaves open in the mean of its slope over a stretch [l/h].

    The mean slope is the difference of the total at both ends, each smoothed over the window the slope is taken in,
    over the duration. Rounding makes a saw-tooth of each, with the period in which the total moves one count; the
    window takes out of it what is shorter (transfer function of a least-squares slope, 3 (sin x - x cos x) / x³ with
    x = π f W; elementary).

    Args:
        counter_l: Least count of the total [l].
        rate_l_per_h: Mean rate.
        duration_s: Of the stretch.
        window_s: Of the slope.
    """
    k = np.arange(1, _HARMONICS + 1)
    x = np.pi * k * max(rate_l_per_h, 1e-6) / 3600.0 / counter_l * window_s
    passed = np.where(x > 1e-2, 3.0 * (np.sin(x) - x * np.cos(x)) / np.maximum(x, 1e-2) ** 3, 1.0)
    passed = np.maximum(np.abs(passed), LEAST_PASSED)
    end_l = counter_l * math.sqrt(float(np.sum((passed / (np.pi * k)) ** 2)) / 2.0)
    return math.sqrt(2.0) * end_l / duration_s * 3600.0


def rounding_columns(engine_ids: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Return by channel the column that holds what rounding leaves open in its mean, and the column's unit."""
    return {"sog_kn": ("sog_rounding_u_kn", "kn")} | {
        f"{channel}_{e}": (column.format(e), unit)
        for e in engine_ids
        for channel, column, unit in (
            ("rpm", "rpm_{}_rounding_u", "rpm"),
            ("fuel_l_per_h", "fuel_l_per_h_{}_rounding_u", "l/h"),
        )
    }


def find_roundings(
    segments: pa.Table, resolutions: Mapping[str, Resolution], engine_ids: Sequence[str]
) -> list[Rounding]:
    """Return the least count of each channel that feeds a result, and what it costs the accepted segments.

    Args:
        segments: From `check_segments`.
        resolutions: As given to it.
        engine_ids: Engines.
    """
    accepted = buffers.truths(segments["accepted"])
    found = []
    for name, (u_column, unit) in rounding_columns(engine_ids).items():
        resolution = resolutions.get(name)
        if resolution is None or resolution.step <= 0.0:
            continue
        u = buffers.floats(segments[u_column])[accepted]
        u = u[np.isfinite(u)]
        # counts of a running total and of its slope are not comparable: there it is the share of legs without any
        limit = DITHERED_COUNTS * resolution.step if resolution.counter_l == 0.0 else 0.0
        dithers = bool(u.size) and float(np.median(u)) <= limit
        worst = 2.0 * float(u.max(initial=0.0))
        cost = (
            f"up to ±{worst:.2g} {unit} in the mean of a leg (95 %)" if worst > 0.0 else "none: readings dither over it"
        )
        if resolution.deadband > 0.0:
            cost += "; published on change only, and held in between"
        found.append(Rounding(resolution.what, float(f"{resolution.step:.6g}"), resolution.unit, dithers, cost))
    return found
