"""Quality flags on readings: QARTOD tests adapted to a boat's rates, never silently dropping anything.

Flags: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing; the worst wins in the order 9 < 2 < 1 < 3 < 4 of the
US IOOS QARTOD manuals. Only FAIL keeps a reading out of the trial set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.channels import Channel, QualityFlag
from trialcapture.prepare.sample_statistics import wrap_deg

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]

_ORDER = {
    QualityFlag.MISSING: 0,
    QualityFlag.NOT_EVALUATED: 1,
    QualityFlag.GOOD: 2,
    QualityFlag.SUSPECT: 3,
    QualityFlag.FAIL: 4,
}
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


@dataclass(frozen=True, slots=True)
class Burst:
    """How far one reading, or a few, must stand out from those on both sides to be no motion of a boat.

    Attributes:
        least: Never less [unit of the channel].
        per_s: For each second from the middle of the burst to the readings beside it: what moves so fast may come
            back as fast [unit/s].
        most: Never more is asked for, however far apart readings are.
        share: Never less than this share of the readings beside it.
    """

    least: float
    per_s: float
    most: float
    share: float = 0.0


BURST: dict[str, Burst] = {
    "sog_kn": Burst(1.5, 2.0, 6.0),
    "stw_kn": Burst(2.0, 2.0, 10.0),
    "heading_true_deg": Burst(15.0, 30.0, 60.0),
    "depth_m": Burst(3.0, 3.0, 200.0, 0.5),
    "rpm": Burst(100.0, 3000.0, 1500.0),
    "lat_deg": Burst(0.0003, 0.0003, 0.005),
    "lon_deg": Burst(0.0003, 0.0003, 0.005),
}
"""By channel stem (common practice, no source): a boat gains or loses at most about 2 kn a second, an engine without
load, its throttle blipped, up to 3000 rpm a second."""
_BURST_READINGS = 3
"""Readings a burst has at most (our choice, no source)."""
_BURST_S = 4.2
"""Longest time from the reading before a burst to the one after it [s]: three readings at 1 Hz (our choice, no
source)."""
_BURST_NOISES = 8.0
"""A burst stands out by more than this many standard deviations of the readings around it (our choice, no source)."""
_NOISE_S = 8.0
"""Readings within this time tell that noise [s] (our choice, no source)."""
_RETURN_SHARE = 0.5
"""After a burst the signal is back: it has moved by less than this share of the burst's size (our choice, no
source)."""
_STOPPED_RPM, _STOPPED_SHARE = 350.0, 0.4
"""An engine that turns cannot stop and be back within two seconds: a lone reading below both, the share being of its
neighbours, is none (common practice, no source)."""
_STOPPED_S = 2.2
"""Longest time from the reading before such a one to the reading after it [s]: 1 Hz (our choice)."""
CONTEXT_S = _NOISE_S + _BURST_S
"""How far around a reading others matter to its flag [s]."""


def flag_range(value: Floats, channel: Channel) -> Flags:
    """Return GOOD inside the channel's plausible range, FAIL outside, MISSING where void (QARTOD gross range)."""
    flags = np.full(value.size, QualityFlag.GOOD, dtype=np.uint8)
    flags[(value < channel.low) | (value > channel.high)] = QualityFlag.FAIL
    flags[~np.isfinite(value)] = QualityFlag.MISSING
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
    flags = np.full(value.size, QualityFlag.NOT_EVALUATED, dtype=np.uint8)
    known = np.flatnonzero(np.isfinite(value))
    flags[~np.isfinite(value)] = QualityFlag.MISSING
    if known.size < 3:
        return flags
    step = np.diff(value[known])
    step = wrap_deg(step) if angle else step
    into, out = step[:-1], step[1:]
    size = np.where(into * out < 0, np.minimum(np.abs(into), np.abs(out)), 0.0)
    inner = np.full(size.size, QualityFlag.GOOD, dtype=np.uint8)
    inner[size > suspect] = QualityFlag.SUSPECT
    inner[size > fail] = QualityFlag.FAIL
    flags[known[1:-1]] = inner
    return flags


def worst(*flags: Flags) -> Flags:
    """Return the worst flag of several tests, element by element."""
    rank = _RANK.take(flags[0])
    for other in flags[1:]:
        np.maximum(rank, _RANK.take(other), out=rank)
    flag: Flags = _BACK.take(rank)
    return flag


def find_bursts(t_ns: Ints, value: Floats, limit: Burst, *, angle: bool = False) -> npt.NDArray[np.bool_]:
    """Return which readings belong to a burst: one to three that stand out to one side, after which all is back.

    What stands out is measured from the straight line between the readings before and after, so a steady rise or fall
    is none; how far, by `limit` and by the noise of the readings around, whichever is more. A step that stays is no
    burst either.

    Args:
        t_ns: Time of each reading, ascending [ns].
        value: Readings in order of time, finite where known.
        limit: See `Burst`.
        angle: Take differences modulo 360 degrees.
    """
    found = np.zeros(value.size, dtype=np.bool_)
    known = np.flatnonzero(np.isfinite(value))
    v, t_s = value[known], (t_ns[known] - t_ns[0]) / 1e9 if known.size else np.zeros(0)
    # the step into a burst is at least the least size: where there is none, which is nearly everywhere, no more is done
    steps = np.abs(_between(v[:-1], v[1:], angle=angle)) if v.size else v
    for many in range(1, _BURST_READINGS + 1):
        first = np.flatnonzero(steps[: max(steps.size - many, 0)] > 0.5 * limit.least)
        span_s = t_s[first + many + 1] - t_s[first]
        first, span_s = first[span_s <= _BURST_S], span_s[span_s <= _BURST_S]
        if not first.size:
            continue
        before, moved = v[first], _between(v[first], v[first + many + 1], angle=angle)
        away = np.array(
            [
                _between(before, v[first + k], angle=angle) - moved * (t_s[first + k] - t_s[first]) / span_s
                for k in range(1, many + 1)
            ]
        )
        one_side = (away > 0).all(axis=0) | (away < 0).all(axis=0)
        size = np.abs(away).min(axis=0)
        least = np.clip(limit.per_s * span_s / 2.0, limit.least, limit.most)
        least = np.maximum(least, limit.share * np.abs(before))
        for at in np.flatnonzero(one_side & (size > least) & (np.abs(moved) < _RETURN_SHARE * size)):
            i = int(first[at])
            if size[at] > _BURST_NOISES * _noise_around(t_s, v, i, i + many + 1, angle=angle):
                found[known[i + 1 : i + many + 1]] = True
    return found


def _between(a: Floats, b: Floats, *, angle: bool) -> Floats:
    return wrap_deg(b - a) if angle else b - a


def _noise_around(t_s: Floats, v: Floats, before: int, after: int, *, angle: bool) -> float:
    """Return the standard deviation of the noise around a burst, from second differences outside it [unit of v].

    Those of white noise have six times its variance; their median hardly feels other bursts nearby.
    """
    low = int(np.searchsorted(t_s, t_s[before] - _NOISE_S))
    high = int(np.searchsorted(t_s, t_s[after] + _NOISE_S, side="right"))
    bends = [
        np.diff(_between(part[:-1], part[1:], angle=angle))
        for part in (v[low : before + 1], v[after:high])
        if part.size > 2
    ]
    if not bends:
        return 0.0
    return float(1.4826 / np.sqrt(6.0) * np.median(np.abs(np.concatenate(bends))))


def find_stops(t_ns: Ints, rpm: Floats) -> npt.NDArray[np.bool_]:
    """Return which lone readings say that an engine stood still while those on both sides say that it turned."""
    found = np.zeros(rpm.size, dtype=np.bool_)
    known = np.flatnonzero(np.isfinite(rpm))
    if known.size < 3:
        return found
    v, t_s = rpm[known], (t_ns[known] - t_ns[0]) / 1e9
    beside = np.minimum(v[:-2], v[2:])
    low = (v[1:-1] < np.minimum(_STOPPED_SHARE * beside, _STOPPED_RPM)) & (t_s[2:] - t_s[:-2] <= _STOPPED_S)
    found[known[1:-1][low]] = True
    return found


def flag_channel(value: Floats, channel: Channel, t_ns: Ints | None = None) -> Flags:
    """Return the flag of every reading of a channel: range, and spike where the channel has thresholds.

    Args:
        value: Readings in order of time, finite where known.
        channel: The channel.
        t_ns: Their times [ns]; where they are known, bursts of a few readings are found too, and smaller ones.
    """
    flags = flag_range(value, channel)
    stem = next((s for s in SPIKE if channel.name == s or channel.name.startswith(f"{s}_")), None)
    if stem is None:
        return flags
    suspect, fail = SPIKE[stem]
    tested = flag_spike(
        np.where(flags == QualityFlag.FAIL, np.nan, value), suspect, fail, angle=channel.kind == "angle"
    )
    if t_ns is not None and value.size:
        sound = np.where(flags == QualityFlag.FAIL, np.nan, value)
        tested[find_bursts(t_ns, sound, BURST[stem], angle=channel.kind == "angle")] = QualityFlag.FAIL
        if stem == "rpm":
            tested[find_stops(t_ns, sound)] = QualityFlag.FAIL
    tested[flags == QualityFlag.FAIL] = QualityFlag.FAIL
    # the ends of a series are evaluated by range alone; void and failed readings are so by both tests
    tested[(tested == QualityFlag.NOT_EVALUATED) & (flags == QualityFlag.GOOD)] = QualityFlag.GOOD
    return tested
