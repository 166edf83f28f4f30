"""What the published detectors share: block means, the heading gate, and turning masks into stretches.

The detectors judge single channels. A stretch counts when every engine's rpm and the speed over ground are steady
at once, the heading is held, the boat is under way, nothing is missing, and all this lasts.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.steady.criteria import Track

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Interval = tuple[int, int]

MIN_DURATION_S = 30.0
MIN_SOG_KN = 1.0
_TURN_DEG = 10.0
_TURN_WINDOW_S = 10.0
_YAW_S = 6.0


def runs(mask: Bools) -> list[Interval]:
    """Return the half-open intervals in which a mask is True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def close_gaps(mask: Bools, longest: int) -> Bools:
    """Return the mask with False runs of at most `longest` samples between True ones turned True."""
    closed = mask.copy()
    for a, b in runs(~mask):
        if a > 0 and b < mask.size and b - a <= longest:
            closed[a:b] = True
    return closed


def block_means(y: Floats, block: int) -> Floats:
    """Return means over whole blocks of samples; what is left at the end is dropped."""
    whole = y.size // block * block
    means: Floats = y[:whole].reshape(-1, block).mean(axis=1)
    return means


def windows(y: Floats, n: int) -> Floats:
    """Return all windows of n samples as rows, shape (y.size - n + 1, n)."""
    return np.lib.stride_tricks.sliding_window_view(y, n)


def from_windows(steady: Bools, n: int, *, whole: bool) -> Bools:
    """Return a mask of samples from the verdicts on all windows of n samples.

    Args:
        steady: True where the window that begins there is steady.
        n: Samples in a window.
        whole: True: every sample of a steady window is steady. False: its middle sample only, and the windows at
            the ends of the record stand for their outer halves.
    """
    size = steady.size + n - 1
    if whole:
        edges = np.zeros(size + 1, dtype=np.int64)
        np.add.at(edges, np.flatnonzero(steady), 1)
        np.add.at(edges, np.flatnonzero(steady) + n, -1)
        return np.cumsum(edges[:-1]) > 0
    before = (n - 1) // 2
    return np.pad(steady, (before, n - 1 - before), mode="edge")


def percent_of_rpm(rpm: Floats) -> Floats:
    """Return rpm on a scale on which one unit is one per cent of it, at every level."""
    return 100.0 * np.log(np.maximum(rpm, 1.0))


def heading_held(heading_deg: Floats, dt_s: float) -> Bools:
    """Return True where the heading, yaw averaged out, turns by less than ten degrees in ten seconds."""
    half = max(round(_YAW_S / 2 / dt_s), 1)
    east, north = np.sin(np.radians(heading_deg)), np.cos(np.radians(heading_deg))
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    smooth = [np.convolve(np.pad(part, half, mode="edge"), kernel, mode="valid") for part in (east, north)]
    angle = np.unwrap(np.arctan2(*smooth))
    reach = max(round(_TURN_WINDOW_S / 2 / dt_s), 1)
    index = np.arange(angle.size)
    later, earlier = np.minimum(index + reach, angle.size - 1), np.maximum(index - reach, 0)
    return np.abs(np.degrees(angle[later] - angle[earlier])) < _TURN_DEG


def find_where(
    track: Track,
    block_s: float,
    gap_s: float,
    trim_s: tuple[float, float],
    steady: Callable[[list[Floats], Floats, Floats], Bools],
) -> list[Interval]:
    """Find the stretches in which a detector calls every channel steady.

    Args:
        track: The recording.
        block_s: Detection works on means over blocks as long as the noise is correlated, because every published
            test takes its samples to be independent.
        gap_s: A single false alarm shorter than this does not end a stretch.
        trim_s: Cut off at the start and at the stop of every stretch, as a careful user would.
        steady: Given rpm in per cent (one array an engine), rpm and speed, all in blocks, returns a mask.

    Returns:
        Half-open index intervals into the track's samples.
    """
    block = max(round(block_s / track.dt_s), 1)
    known = np.isfinite(track.sog_kn) & np.isfinite(track.heading_true_deg) & np.isfinite(track.rpm).all(axis=0)
    found: list[Interval] = []
    for a, b in runs(known):
        if (b - a) * track.dt_s < MIN_DURATION_S:
            continue
        part = track.part(a, b)
        engines = [block_means(engine, block) for engine in part.rpm]
        sog = block_means(part.sog_kn, block)
        mask = steady([percent_of_rpm(engine) for engine in engines], np.mean(engines, axis=0), sog)
        mask = close_gaps(mask, int(gap_s / (block * track.dt_s)))
        held = block_means(heading_held(part.heading_true_deg, part.dt_s).astype(np.float64), block) == 1.0
        mask &= held & (sog >= MIN_SOG_KN)
        first, last = (round(seconds / track.dt_s) for seconds in trim_s)
        stretches = [(a + i * block + first, a + j * block - last) for i, j in runs(mask)]
        found += [(i, j) for i, j in stretches if (j - i) * track.dt_s >= MIN_DURATION_S]
    return found
