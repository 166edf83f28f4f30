"""Quality flags on readings: QARTOD tests adapted to a boat's rates, never silently dropping anything.

Flags: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing; the worst wins in the order 9 < 2 < 1 < 3 < 4 of the
US IOOS QARTOD manuals. Only FAIL keeps a reading out of the trial set.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.channels import Channel, Flag
from trialcapture.prepare.statistics import wrap_deg

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]

_ORDER = {Flag.MISSING: 0, Flag.NOT_EVALUATED: 1, Flag.GOOD: 2, Flag.SUSPECT: 3, Flag.FAIL: 4}
_RANK = np.zeros(10, dtype=np.uint8)
_BACK = np.zeros(5, dtype=np.uint8)
for _flag, _rank in _ORDER.items():
    _RANK[_flag] = _rank
    _BACK[_rank] = _flag

SPIKE: dict[str, tuple[float, float]] = {
    "sog_kn": (2.0, 6.0),
    "stw_kn": (3.0, 10.0),
    "heading_true_deg": (20.0, 60.0),
    "depth_m": (20.0, 200.0),
    "rpm": (300.0, 1500.0),
    "lat_deg": (0.0005, 0.005),
    "lon_deg": (0.0005, 0.005),
}
"""Suspect and fail thresholds of the spike test, by channel stem (common practice, no source)."""


def flag_range(value: Floats, channel: Channel) -> Flags:
    """Return GOOD inside the channel's plausible range, FAIL outside, MISSING where void (QARTOD gross range)."""
    flags = np.full(value.size, Flag.GOOD, dtype=np.uint8)
    flags[(value < channel.low) | (value > channel.high)] = Flag.FAIL
    flags[~np.isfinite(value)] = Flag.MISSING
    return flags


def flag_spike(value: Floats, suspect: float, fail: float, *, angle: bool = False) -> Flags:
    """Return flags of the QARTOD spike test, differential form.

    A reading is a spike when both steps, into it and out of it, have opposite signs and the smaller one exceeds
    the threshold; so the neighbours of a spike are not blamed. Ends are NOT_EVALUATED.

    Args:
        value: Readings in order of time, finite where known.
        suspect: Threshold for SUSPECT [unit of value].
        fail: Threshold for FAIL.
        angle: Take differences modulo 360 degrees.
    """
    flags = np.full(value.size, Flag.NOT_EVALUATED, dtype=np.uint8)
    known = np.flatnonzero(np.isfinite(value))
    flags[~np.isfinite(value)] = Flag.MISSING
    if known.size < 3:
        return flags
    step = np.diff(value[known])
    step = wrap_deg(step) if angle else step
    into, out = step[:-1], step[1:]
    size = np.where(into * out < 0, np.minimum(np.abs(into), np.abs(out)), 0.0)
    inner = np.full(size.size, Flag.GOOD, dtype=np.uint8)
    inner[size > suspect] = Flag.SUSPECT
    inner[size > fail] = Flag.FAIL
    flags[known[1:-1]] = inner
    return flags


def worst(*flags: Flags) -> Flags:
    """Return the worst flag of several tests, element by element."""
    rank = _RANK.take(flags[0])
    for other in flags[1:]:
        np.maximum(rank, _RANK.take(other), out=rank)
    flag: Flags = _BACK.take(rank)
    return flag


def flag_channel(value: Floats, channel: Channel) -> Flags:
    """Return the flag of every reading of a channel: range, and spike where the channel has thresholds."""
    flags = flag_range(value, channel)
    stem = next((s for s in SPIKE if channel.name == s or channel.name.startswith(f"{s}_")), None)
    if stem is None:
        return flags
    suspect, fail = SPIKE[stem]
    tested = flag_spike(np.where(flags == Flag.FAIL, np.nan, value), suspect, fail, angle=channel.kind == "angle")
    tested[flags == Flag.FAIL] = Flag.FAIL
    # the ends of a series are judged by range alone; void and failed readings are so by both tests
    tested[(tested == Flag.NOT_EVALUATED) & (flags == Flag.GOOD)] = Flag.GOOD
    return tested
