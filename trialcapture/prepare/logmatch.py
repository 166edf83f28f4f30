"""Finding where two recordings of the same rpm lie over each other, to the second, over every overlap."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_MIN_OVERLAP_S = 120
_APART_S = 5

Pair = tuple[Ints, Floats, Ints, Floats]
"""One engine seen twice: network UTC [ns], network rpm, log stamp [ns], log rpm; finite values only."""

Sampled = tuple[int, Floats, int, Floats]
"""Both sides at 1 Hz: first UTC second, values (NaN where unknown), first log second, values."""


def search_offset(pairs: list[Pair]) -> tuple[float, float, float | None, float | None] | None:
    """Return offset [s], misfit, rival offset [s] and rival misfit of the best whole-second match, or None."""
    found = _misfit_by_offset(pairs, _MIN_OVERLAP_S, 0.25)
    if found is None:
        return None
    lags, total_best = found
    best = int(np.nanargmin(total_best))
    others = total_best.copy()
    # the flank of the best minimum is not a rival
    others[best - _flank(others[best::-1]) : best + _flank(others[best:]) + 1] = np.nan
    if not np.isfinite(others).any():
        return float(lags[best]), float(total_best[best]), None, None
    rival = int(np.nanargmin(others))
    return float(lags[best]), float(total_best[best]), float(lags[rival]), float(others[rival])


def find_places(pairs: list[Pair], count: int, least_s: float, most_misfit: float) -> list[float]:
    """Return the whole-second offsets [s] at which two recordings fit best, the best first.

    Args:
        pairs: One entry per engine both sides saw.
        count: How many are wanted at most.
        least_s: Least overlap [s]; half of the shorter recording is asked for too.
        most_misfit: Share of the variance that may be unexplained.
    """
    found = _misfit_by_offset(pairs, least_s, 0.5)
    places: list[float] = []
    if found is None:
        return places
    offsets, misfit = found[0], np.where(np.isfinite(found[1]), found[1], np.inf)
    while len(places) < count:
        best = int(misfit.argmin())
        if misfit[best] > most_misfit:
            break
        places.append(float(offsets[best]))
        misfit[max(0, best - _APART_S) : best + _APART_S + 1] = np.inf
    return places


def _misfit_by_offset(pairs: list[Pair], least_s: float, share: float) -> tuple[Ints, Floats] | None:
    """Return whole-second offsets [s] and the engines' mean misfit at each, NaN where too little overlaps; or None."""
    total_best: Floats | None = None
    lags: Ints | None = None
    base: int | None = None
    for first_utc, seen, first_log, logged in map(_at_1_hz, pairs):
        if seen.size < 10 or logged.size < 10:
            continue
        misfit, count = misfit_by_lag(seen, logged)
        need = max(least_s, share * min(np.isfinite(seen).sum(), np.isfinite(logged).sum()))
        misfit[count < need] = np.nan
        # index k pairs log sample i with network sample i + k - (logged.size - 1)
        offsets = np.arange(misfit.size) - (logged.size - 1) + first_utc - first_log
        if total_best is None or lags is None or base is None:
            total_best, lags, base = misfit, offsets, int(offsets[0])
        else:
            shift = int(offsets[0]) - base
            aligned = np.full(total_best.size, np.nan)
            low, high = max(0, shift), min(total_best.size, shift + misfit.size)
            if high > low:
                aligned[low:high] = misfit[low - shift : high - shift]
            total_best = np.where(np.isfinite(aligned), (total_best + aligned) / 2, total_best)
    if total_best is None or lags is None or not np.isfinite(total_best).any():
        return None
    return lags, total_best


def _flank(outward: Floats) -> int:
    """Return how many samples from a minimum outwards belong to it: up to where the misfit falls again."""
    climbs = ~np.isfinite(outward[1:]) | (outward[1:] >= outward[:-1])
    climbs[:_APART_S] = True
    return int(np.concatenate([climbs, [False]]).argmin())


def _at_1_hz(pair: Pair) -> Sampled:
    utc_ns, seen, log_ns, logged = pair
    return (*to_seconds(utc_ns, seen), *to_seconds(log_ns, logged))


def usual_pace_s(t_s: Floats) -> float:
    """Return the usual time between readings [s]; 1 s for a single one."""
    return float(np.median(np.diff(t_s))) if t_s.size > 1 else 1.0


def longest_gap_s(pace_s: float) -> float:
    """Return the longest gap bridged by a straight line [s]: 3 s, or 2.5 readings where they come slower than that.

    Beyond 30 s nothing is bridged, however slow the readings.
    """
    return min(max(3.0, 2.5 * pace_s), 30.0)


def to_seconds(t_ns: Ints, value: Floats) -> tuple[int, Floats]:
    """Return first second and 1 Hz values, linearly interpolated, NaN inside gaps (`longest_gap_s`).

    Readings that come faster than once a second are averaged over a second first, so that a fast noisy recording
    does not look unlike a slow one.
    """
    t_s, value = _averaged(t_ns / 1e9, value)
    first, last = int(np.ceil(t_s[0])), int(np.floor(t_s[-1]))
    grid = np.arange(first, last + 1)
    after = np.clip(np.searchsorted(t_s, grid), 1, max(t_s.size - 1, 1))
    gap = t_s[np.minimum(after, t_s.size - 1)] - t_s[after - 1]
    values = np.interp(grid, t_s, value)
    values[gap > longest_gap_s(usual_pace_s(t_s))] = np.nan
    return first, values


def _averaged(t_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Return mean time and mean value of the readings of each second; a slow recording as it is."""
    second = np.floor(t_s + 0.5)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(second) > 0.0]))
    if begins.size > 0.6 * t_s.size:
        return t_s, value
    count = np.diff(np.concatenate([begins, [t_s.size]]))
    base_s = t_s[0]  # sums of seconds since 1970 would lose their last digits
    return base_s + np.add.reduceat(t_s - base_s, begins) / count, np.add.reduceat(value, begins) / count


def misfit_by_lag(seen: Floats, logged: Floats) -> tuple[Floats, Floats]:
    """Return 1 - r**2 and the overlap [samples] for every lag, samples unknown on either side left out.

    Masked normalised cross-correlation: Padfield, "Masked Object Registration in the Fourier Domain", IEEE
    Trans. Image Processing 21(5), 2012.
    """
    n = seen.size + logged.size - 1
    size = 1 << (n - 1).bit_length()

    def transform(values: Floats) -> npt.NDArray[np.complex128]:
        return np.fft.rfft(values, size)

    ms, ml = np.isfinite(seen).astype(np.float64), np.isfinite(logged).astype(np.float64)
    s = np.where(ms > 0, _standardised(seen), 0.0)
    g = np.where(ml > 0, _standardised(logged), 0.0)[::-1]
    ml = ml[::-1]
    fs, fss, fms = transform(s), transform(s * s), transform(ms)
    fg, fgg, fml = transform(g), transform(g * g), transform(ml)

    def back(product: npt.NDArray[np.complex128]) -> Floats:
        return np.fft.irfft(product, size)[:n]

    count = np.maximum(np.rint(back(fms * fml)), 0.0)
    safe = np.maximum(count, 1.0)
    sum_s, sum_g = back(fs * fml), back(fms * fg)
    var_s = back(fss * fml) - sum_s**2 / safe
    var_g = back(fms * fgg) - sum_g**2 / safe
    cross = back(fs * fg) - sum_s * sum_g / safe
    # an overlap in which either side hardly changes shows nothing about the lag
    floor = 0.02 * safe
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.clip(cross / np.sqrt(np.maximum(var_s, floor) * np.maximum(var_g, floor)), 0.0, 1.0)
    return 1.0 - r**2, count


def _standardised(values: Floats) -> Floats:
    """Return values less their mean, over their spread; a constant gives zeros."""
    spread = float(np.nanstd(values))
    scaled: Floats = (values - np.nanmean(values)) / (spread if spread > 0 else 1.0)
    return scaled
