"""Readings onto the uniform grid with their quality flags, a stretch at a time; only short gaps are bridged.

Angles go by sine and cosine. Flags come from QARTOD tests adapted to a boat's rates, which never silently drop
anything: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing; the worst wins in the order 9 < 2 < 1 < 3 < 4 of the US
IOOS QARTOD manuals. Only FAIL keeps a reading out of the trial set.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats_to_arrow, integers, to_arrow
from trialcapture.channels import BOAT_CHANNELS, Channel, QualityFlag, base_group, groups, trial_channels
from trialcapture.config import Config
from trialcapture.prepare.channels.series import (
    HOLD_MOST_S,
    Candidate,
    OnChange,
    alive_times,
    choose,
    column,
    find_contradicted,
    hold,
    truth,
)
from trialcapture.prepare.data_health import Spikes
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


def reach_s(gap_s: float) -> float:
    """Return how far from an instant a reading can matter to it [s]; an age beyond is null.

    Twice the longest gap: once for what is bridged, once so that a source is known to have been silent before
    another fills in for it.
    """
    return 2.0 * gap_s + 5.0


def grid_times(first_ns: int, last_ns: int, grid_hz: float) -> Ints:
    """Return grid instants [ns UTC] from first to last, on whole multiples of the grid step since 1970.

    Where none lies between, as in a log of a single fix, it is the next one after.
    """
    step = round(1e9 / grid_hz)
    start = -(-first_ns // step) * step
    return np.arange(start, max(last_ns, start) + 1, step, dtype=np.int64)


def samples_schema(config: Config) -> pa.Schema:
    """Return the Arrow schema of ``samples.parquet``; units in field metadata."""
    fields = [pa.field("t", pa.timestamp("ns", tz="UTC"), metadata={"unit": "UTC"})]
    for group, channels in groups(config.engine_ids).items():
        fields += [pa.field(c.name, pa.float64(), metadata={"unit": c.unit, "meaning": c.meaning}) for c in channels]
        fields.append(pa.field(f"{group}_age_s", pa.float32(), metadata={"unit": "s"}))
        fields.append(pa.field(f"{group}_flag", pa.uint8(), metadata={"unit": "QARTOD flag"}))
    return pa.schema(fields)


def sample_grid(series: Mapping[str, pa.Table], grid_ns: Ints, config: Config) -> pa.Table:
    """Return the samples table: every channel group of the boat on the grid.

    Args:
        series: One table per channel group as `trialcapture.prepare.channels.series.choose` makes it; absent groups
            become null columns flagged MISSING.
        grid_ns: Grid instants [ns UTC].
        config: Engine ids and longest gaps.
    """
    arrays: list[pa.Array] = [to_arrow(grid_ns, kind=pa.timestamp("ns", tz="UTC"))]
    left_out: list[FailedReadings] = []
    for group, channels in groups(config.engine_ids).items():
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        possible = possible_channels(channels, config)
        values, age_s, flags, more = _group_on_grid(series.get(group), possible, grid_ns, gap_s)
        left_out += more
        arrays += [floats_to_arrow(values[c.name]) for c in channels]
        arrays.append(floats_to_arrow(age_s.astype(np.float32)))
        arrays.append(to_arrow(flags))
    schema = samples_schema(config)
    if left_out:
        schema = schema.with_metadata(_told(left_out))
    return pa.Table.from_arrays(arrays, schema=schema)


def possible_channels(channels: Iterable[Channel], config: Config) -> tuple[Channel, ...]:
    """Return the channels of a group with what cannot be of this boat's engines out of range."""
    highs = {f"rpm_{e.id}": e.most_rpm for e in config.engine}
    return tuple(replace(c, high=min(c.high, highs.get(c.name, c.high))) for c in channels)


def void_failed(candidate: Candidate, group: str, config: Config) -> Candidate:
    """Return a candidate of a group without the readings that fail a test, which the grid would leave out too."""
    channels = {c.name: c for c in possible_channels(groups(config.engine_ids)[group], config)}
    values = {}
    for name, value in candidate.values.items():
        failed = flag_channel(value, channels[name], candidate.t_ns) == QualityFlag.FAIL
        values[name] = np.where(failed, np.nan, value) if failed.any() else value
    return replace(candidate, values=values)


@dataclass(frozen=True, slots=True)
class FailedReadings:
    """Readings of one channel that failed a test, counted within a window.

    Attributes:
        channel: The channel.
        test: ``range`` for what cannot be, ``spike`` for what stands out from its neighbours.
        count: How many.
        largest: The reading farthest out of range, or the largest difference from the neighbours.
        source: Who told them; "" for the one that leads the channel's group.
    """

    channel: str
    test: str
    count: int
    largest: float
    source: str = ""


_LEFT_OUT = b"left_out"


def _told(left_out: Sequence[FailedReadings]) -> dict[bytes, str]:
    return {_LEFT_OUT: json.dumps([astuple(entry) for entry in left_out])}


def with_failed_readings(samples: pa.Table, more: Sequence[FailedReadings]) -> pa.Table:
    """Return a window's samples that tell of more readings left out."""
    return samples.replace_schema_metadata(_told([*failed_readings_of(samples), *more])) if more else samples


def count_impossible(candidate: Candidate, channel: Channel, grid_ns: Ints) -> list[FailedReadings]:
    """Return the readings of a window that cannot be, of a source that does not lead and so is tested nowhere else."""
    raw = candidate.values.get(channel.name, np.zeros(0))
    return [
        replace(entry, source=candidate.source.split(" ")[0])
        for entry in _count_failed(candidate.t_ns, raw, flag_range(raw, channel), channel, grid_ns)
        if raw.size
    ]


def failed_readings_of(samples: pa.Table) -> list[FailedReadings]:
    """Return what was left out of a window's samples, as `sample_grid` found it."""
    told = (samples.schema.metadata or {}).get(_LEFT_OUT)
    return [FailedReadings(*entry) for entry in json.loads(told)] if told else []


OCCASIONAL, OCCASIONAL_PER_H = 4, 6.0
"""So many readings that fail a test in a trial, or each hour of it, are told by their flags alone: a line damaged now
and then changes digits without changing the checksum (common practice, no source)."""


def spike_items(
    left_out: Iterable[FailedReadings], rankings: Mapping[str, Sequence[str]], hours: float, config: Config
) -> list[Spikes]:
    """Return what was left out of the samples of a trial, where it is more than occasional.

    Args:
        left_out: Of all windows.
        rankings: By channel group, its sources, the leader first.
        hours: Length of the trial [h].
        config: Engines.
    """
    gathered: dict[tuple[str, str, str], list[FailedReadings]] = {}
    for entry in left_out:
        gathered.setdefault((entry.channel, entry.test, entry.source), []).append(entry)
    by_name = {c.name: c for c in trial_channels(config.engine_ids)}
    items = []
    for (name, test, told_by), entries in sorted(gathered.items()):
        count, channel = sum(e.count for e in entries), by_name[name]
        if count <= max(OCCASIONAL, OCCASIONAL_PER_H * hours):
            continue
        source = told_by or next(iter(rankings.get(channel.group, ())), "").split(" ")[0]
        largest = max((e.largest for e in entries), key=lambda x: abs(x - channel.low) if test == "range" else abs(x))
        why = "cannot be" if test == "range" else "no motion that a boat can make"
        cost = f"{why}: each is left out by itself, and a hold is judged across it"
        items.append(Spikes(f"{channel.meaning} of {source}", count, round(largest, 6), channel.unit, cost))
    return items


def to_resolution(values: Floats, channel: Channel) -> Floats:
    """Return values of a channel rounded to its resolution.

    Digits that interpolation makes up far below any instrument's step tell nothing and take half of the file. A
    value with no more decimals than the channel stays as it is, bit for bit: an integer over a power of ten is the
    double nearest to the decimal.
    """
    rounded: Floats = np.round(values, channel.decimals) + 0.0  # no negative zero
    if channel.kind == "angle" and channel.low >= 0:
        # what rounds up to a whole turn is north again; a reading of 360 stays one
        rounded = np.where((rounded == 360.0) & (values < 360.0), 0.0, rounded)
    return rounded


def _group_on_grid(
    table: pa.Table | None, channels: tuple[Channel, ...], grid_ns: Ints, gap_s: float
) -> tuple[dict[str, Floats], Floats, Flags, list[FailedReadings]]:
    n = grid_ns.size
    if table is None or table.num_rows == 0:
        values = {c.name: np.full(n, np.nan) for c in channels}
        return values, np.full(n, np.nan), np.full(n, QualityFlag.MISSING, dtype=np.uint8), []
    t_ns = integers(table["t_ns"])[0]
    around = _find_neighbours(t_ns, grid_ns, gap_s)
    reading_flags = [np.where(truth(table, "fallback"), QualityFlag.SUSPECT, QualityFlag.MISSING).astype(np.uint8)]
    values, some = {}, np.zeros(n, dtype=np.bool_)
    left_out: list[FailedReadings] = []
    for c in channels:
        raw = column(table, c.name)
        tested = flag_channel(raw, c, t_ns)
        passed = np.isfinite(raw) & (tested != QualityFlag.FAIL)
        if (tested == QualityFlag.FAIL).any():
            left_out += _count_failed(t_ns, raw, tested, c, grid_ns)
        if passed.all():
            joined = _bridge(raw, around, gap_s, c)
        else:
            joined = _bridge(raw[passed], _find_neighbours(t_ns[passed], grid_ns, gap_s), gap_s, c)
        values[c.name] = to_resolution(joined, c)
        some |= np.isfinite(joined)
        reading_flags.append(tested)
    told = (around.since_ns >= 0) & (around.since_ns <= round(reach_s(gap_s) * 1e9))
    held_ns = integers(table["age_ns"])[0] if "age_ns" in table.column_names else np.zeros_like(t_ns)
    since_ns = around.since_ns + held_ns[around.before]
    # an age finer than a hundredth of a second tells nothing and would not pack
    since_s = np.where(told, np.round(since_ns / 1e9, 2), np.nan)
    flags = np.where(told, worst(*reading_flags)[around.before], QualityFlag.MISSING).astype(np.uint8)
    flags[~some & (flags != QualityFlag.FAIL)] = QualityFlag.MISSING
    flags[some & ((flags == QualityFlag.FAIL) | (flags == QualityFlag.MISSING))] = QualityFlag.SUSPECT
    # held longer than any other reading may be bridged: it is inferred from silence, not measured (QARTOD 3, to be
    # looked at by people; 2 would say that nothing is known of its quality)
    flags[some & told & (since_ns > round(gap_s * 1e9)) & (since_ns > around.since_ns)] = QualityFlag.SUSPECT
    return values, since_s, flags, left_out


def _count_failed(t_ns: Ints, raw: Floats, flags: Flags, channel: Channel, grid_ns: Ints) -> list[FailedReadings]:
    """Return what failed among the readings that belong to a window: from its first instant to the next window's."""
    step_ns = int(grid_ns[1] - grid_ns[0]) if grid_ns.size > 1 else 0
    mine = (flags == QualityFlag.FAIL) & (t_ns >= grid_ns[0]) & (t_ns < grid_ns[-1] + step_ns)
    outside = mine & ((raw < channel.low) | (raw > channel.high))
    sound = np.isfinite(raw) & (flags != QualityFlag.FAIL)
    found = []
    if outside.any():
        beyond = np.maximum(channel.low - raw[outside], raw[outside] - channel.high)
        found.append(FailedReadings(channel.name, "range", int(outside.sum()), float(raw[outside][beyond.argmax()])))
    spikes = mine & ~outside
    if spikes.any() and sound.any():
        usual = np.interp(t_ns[spikes] - t_ns[0], t_ns[sound] - t_ns[0], raw[sound])
        away = raw[spikes] - usual
        away = wrap_deg(away) if channel.kind == "angle" else away
        found.append(FailedReadings(channel.name, "spike", int(spikes.sum()), float(away[np.abs(away).argmax()])))
    return found


@dataclass(frozen=True, slots=True)
class _Neighbours:
    """Which of some readings stand around each instant of a grid.

    Attributes:
        before: Shape (n,), the last reading at or before each instant; the first one where there is none.
        since_ns: Shape (n,), how long before the instant that was [ns], negative where there is none.
        between: Shape (m,), instants between two readings that may be bridged and at neither of them.
        low: Shape (m,), the reading before each of those; the next one is the reading after.
        weight: Shape (m,), how far each of those is on its way from the reading before to the one after, 0 to 1.
    """

    before: Ints
    since_ns: Ints
    between: Ints
    low: Ints
    weight: Floats


def _find_neighbours(t_ns: Ints, grid_ns: Ints, gap_s: float) -> _Neighbours:
    """Return what stands around each instant of a grid, bridging no more than `gap_s`.

    Args:
        t_ns: UTC of the readings, strictly ascending [ns].
        grid_ns: Instants, evenly spaced [ns].
        gap_s: Longest gap bridged [s].
    """
    n = grid_ns.size
    if t_ns.size == 0 or n == 0:
        none = np.zeros(0, dtype=np.int64)
        return _Neighbours(np.zeros(n, dtype=np.int64), np.full(n, -1, dtype=np.int64), none, none, np.zeros(0))
    step_ns = int(grid_ns[1] - grid_ns[0]) if n > 1 else 1
    # arithmetic instead of a search: the instant at or after each reading, then how many readings that makes so far
    reaches = np.clip(-((grid_ns[0] - t_ns) // step_ns), 0, n)
    before = np.maximum(np.cumsum(np.bincount(reaches, minlength=n + 1)[:n]) - 1, 0)
    since_ns = grid_ns - t_ns[before]
    step_s = np.diff(t_ns) / 1e9
    between = np.flatnonzero((since_ns > 0) & np.append(step_s <= gap_s, False)[before])
    low = before[between]
    return _Neighbours(before, since_ns, between, low, since_ns[between] / 1e9 / step_s[low])


def _bridge(value: Floats, around: _Neighbours, gap_s: float, channel: Channel) -> Floats:
    """Return finite readings on the grid, NaN wherever those around an instant are further apart than `gap_s`."""
    if value.size == 0:
        return np.full(around.before.size, np.nan)
    held = value[around.before]
    if channel.kind == "step":
        return np.where((around.since_ns >= 0) & (around.since_ns / 1e9 <= gap_s), held, np.nan)
    # where the instant falls on a reading the reading itself stands, bit for bit
    bridged = np.where(around.since_ns == 0, held, np.nan)
    if around.between.size:
        if channel.kind == "angle":
            joined = _join_angles(value, around, from_zero=channel.low >= 0)
        else:
            joined = _join(value, around)
        bridged[around.between] = joined
    return bridged


def _join(value: Floats, around: _Neighbours) -> Floats:
    """Return what lies between two readings, at the instants between."""
    joined: Floats = (1 - around.weight) * value[around.low] + around.weight * value[around.low + 1]
    return joined


def _join_angles(value: Floats, around: _Neighbours, *, from_zero: bool) -> Floats:
    """Return the same of angles [deg]: from 0 to 360 or from -180 to 180, NaN between opposite ones."""
    radians = np.radians(value)
    east, north = _join(np.sin(radians), around), _join(np.cos(radians), around)
    joined: Floats = np.degrees(np.arctan2(east, north))
    if from_zero:
        # what `% 360` gives, several times as fast; a tiny negative angle rounds up to a whole turn, which is north
        joined = np.where(joined < 0, joined + 360.0, joined)
        joined[joined == 360.0] = 0.0
    # exactly opposite readings have no angle between them
    joined[np.hypot(east, north) < 1e-9] = np.nan
    return joined


# True wind over ground from apparent wind, where no sentence tells it.
#
# The wind over ground is the apparent wind vector plus the velocity of the boat over ground; the sensor is turned by
# the heading, not the course (Smith, Bourassa & Sharp 1999, J. Atmos. Oceanic Technol. 16:939).


def true_wind(
    heading_true_deg: Floats,
    angle_apparent_deg: Floats,
    speed_apparent_kn: Floats,
    cog_true_deg: Floats,
    sog_kn: Floats,
) -> tuple[Floats, Floats]:
    """Return (speed over ground [kn], direction the wind comes from [deg true in [0, 360)]).

    Args:
        heading_true_deg: Heading of the boat, which the wind angle is measured from.
        angle_apparent_deg: Apparent wind angle from the bow, clockwise, the direction it comes from.
        speed_apparent_kn: Apparent wind speed.
        cog_true_deg: Course over ground.
        sog_kn: Speed over ground.

    All arrays have one shape; unknown input gives NaN. In a calm (below 1e-6 kn) the direction is NaN.
    """
    toward = np.radians(heading_true_deg + angle_apparent_deg + 180.0)
    course = np.radians(cog_true_deg)
    east = speed_apparent_kn * np.sin(toward) + sog_kn * np.sin(course)
    north = speed_apparent_kn * np.cos(toward) + sog_kn * np.cos(course)
    speed: Floats = np.hypot(east, north)
    from_deg: Floats = (np.degrees(np.arctan2(east, north)) + 180.0) % 360.0
    return speed, np.where(speed > 1e-6, from_deg, np.nan)


# Samples between two instants.


def reaches_s(
    rankings: Mapping[str, Sequence[str]], config: Config, on_change: OnChange | None = None
) -> dict[str, float]:
    """Return how far around a window readings of each group matter [s]; groups without a source are left out."""
    held_s = HOLD_MOST_S if on_change else 0.0
    return {
        group: reach_s(config.samples.gap_s(base_group(group, config.engine_ids))) + CONTEXT_S + held_s
        for group, sources in rankings.items()
        if sources
    }


def sample_window(
    candidates: Mapping[str, Sequence[Candidate]],
    rankings: Mapping[str, Sequence[str]],
    grid_ns: Ints,
    config: Config,
    on_change: OnChange | None = None,
) -> pa.Table:
    """Return the samples of one window, as the grid of the whole recording has them.

    Args:
        candidates: By channel group, readings from at least `reaches_s` before the first to as long after the last
            instant; several of one source are joined.
        rankings: By channel group, its sources, the leader first.
        grid_ns: The window's instants [ns UTC].
        config: Boat and trial settings.
        on_change: What is published on change only, in the whole trial.
    """
    series: dict[str, pa.Table] = {}
    reach = reaches_s(rankings, config, on_change)
    held = {} if on_change is None else on_change.sources
    engine_speeds = {f"rpm_{e}" for e in config.engine_ids}
    impossible: list[FailedReadings] = []
    for group, channels in groups(config.engine_ids).items():
        if group not in reach:
            continue
        around = round(reach[group] * 1e9)
        low, high = int(grid_ns[0]) - around, int(grid_ns[-1]) + around
        mine = joined_by_source([c.between(low, high) for c in candidates.get(group, [])])
        if group in held:
            mine = [hold(c, _alive(candidates, c.source, low, high)) if c.source in held[group] else c for c in mine]
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        series[group] = choose(mine, [c.name for c in channels], gap_s, ranking=rankings[group])
        if group in engine_speeds:
            (engine_speed,) = possible_channels(channels, config)
            others = [c for c in mine if c.source != rankings[group][0]]
            impossible += [entry for c in others for entry in count_impossible(c, engine_speed, grid_ns)]
    samples = with_failed_readings(sample_grid(series, grid_ns, config), impossible)
    if on_change:
        samples = _without_contradicted(samples, series, grid_ns, config)
    if not rankings["wind_true"]:
        return with_true_wind(samples)
    return samples


def _alive(candidates: Mapping[str, Sequence[Candidate]], source: str, low_ns: int, high_ns: int) -> Ints:
    near = {group: [c.between(low_ns, high_ns) for c in members] for group, members in candidates.items()}
    return alive_times(near, source)


def _without_contradicted(samples: pa.Table, series: Mapping[str, pa.Table], grid_ns: Ints, config: Config) -> pa.Table:
    """Return the samples without engine readings that were held while the speed shows that they changed."""
    if "velocity" not in series:
        return samples
    speed_ns, speed_kn = integers(series["velocity"]["t_ns"])[0], column(series["velocity"], "sog_kn")
    for group, channels in groups(config.engine_ids).items():
        if group not in series or group not in {f"{base}_{e}" for base in ("rpm", "fuel") for e in config.engine_ids}:
            continue
        age_s = column(samples, f"{group}_age_s")
        age_ns = np.where(np.isfinite(age_s), np.round(np.nan_to_num(age_s) * 1e9), -1.0).astype(np.int64)
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        wrong = find_contradicted(grid_ns, age_ns, speed_ns, speed_kn, gap_s)
        if wrong.any():
            for c in channels:
                values = np.where(wrong, np.nan, column(samples, c.name))
                samples = _replaced(samples, c.name, floats_to_arrow(values))
            flags = np.where(wrong, QualityFlag.MISSING, integers(samples[f"{group}_flag"])[0]).astype(np.uint8)
            samples = _replaced(samples, f"{group}_flag", to_arrow(flags))
    return samples


def joined_by_source(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Join the candidates of one source into one, in order of time."""
    by_source: dict[str, list[Candidate]] = {}
    for c in candidates:
        if c.t_ns.size:
            by_source.setdefault(c.source, []).append(c)
    return [parts[0] if len(parts) == 1 else _in_order(source, parts) for source, parts in by_source.items()]


def _in_order(source: str, parts: Sequence[Candidate]) -> Candidate:
    t_ns = np.concatenate([p.t_ns for p in parts])
    names = dict.fromkeys(n for p in parts for n in p.values)
    values = {n: np.concatenate([p.values.get(n, np.full(p.t_ns.size, np.nan)) for p in parts]) for n in names}
    ages = None
    if any(p.age_ns is not None for p in parts):
        ages = np.concatenate([np.zeros(p.t_ns.size, np.int64) if p.age_ns is None else p.age_ns for p in parts])
    if np.any(t_ns[1:] < t_ns[:-1]):
        # blocks that lie next to each other overlap only where lines came out of order
        order = np.argsort(t_ns, kind="stable")
        t_ns, values = t_ns[order], {n: v[order] for n, v in values.items()}
        ages = None if ages is None else ages[order]
    return Candidate(source, t_ns, values, min(p.preference for p in parts), age_ns=ages)


def with_true_wind(samples: pa.Table) -> pa.Table:
    """Fill the true wind from the apparent one, for a recording in which no sentence told it."""
    inputs = (
        "heading_true_deg",
        "wind_angle_apparent_deg",
        "wind_speed_apparent_kn",
        "cog_true_deg",
        "sog_kn",
    )
    arrays = [column(samples, name) for name in inputs]
    # a drifting boat has no course; its speed hardly matters then
    arrays[3] = np.where(np.isfinite(arrays[3]) | (arrays[4] > 0.5), arrays[3], 0.0)
    speed, from_deg = true_wind(arrays[0], arrays[1], arrays[2], arrays[3], arrays[4])
    if not np.isfinite(speed).any():
        return samples
    for name, values in (("wind_speed_true_kn", speed), ("wind_from_true_deg", from_deg)):
        stored = to_resolution(values, next(c for c in BOAT_CHANNELS if c.name == name))
        samples = _replaced(samples, name, floats_to_arrow(stored))
    for name in ("wind_true_age_s", "wind_true_flag"):
        samples = _replaced(samples, name, samples[name.replace("true", "apparent")])
    return samples


def _replaced(table: pa.Table, name: str, values: pa.Array) -> pa.Table:
    index = table.schema.get_field_index(name)
    return table.set_column(index, table.schema.field(index), values)


OVERVIEW_GROUPS = ("position", "velocity", "heading", "stw", "depth", "wind_true", "water_temp", "attitude")


def overview_of(samples: pa.Table, block: int, engine_ids: Sequence[str]) -> pa.Table:
    """Return one row for each `block` rows of a window: what the reduction and the drawings need of the whole trial.

    Means of the block, unknown where any sample of it is; of positions and angles the middle sample.

    Args:
        samples: Rows of the grid; rows after the last whole block are left out.
        block: Rows a block.
        engine_ids: Engines.
    """
    whole = samples.num_rows // block
    middle = slice(block // 2, whole * block, block)
    wanted = {*OVERVIEW_GROUPS, *(f"{g}_{e}" for g in ("rpm", "fuel") for e in engine_ids)}
    fields = [samples.schema.field("t")]
    arrays = [to_arrow(integers(samples["t"])[0][middle], kind=fields[0].type)]
    for group, channels in groups(engine_ids).items():
        for c in channels if group in wanted else ():
            fields.append(samples.schema.field(c.name))
            values = column(samples, c.name)
            if c.kind == "linear" and group != "position":
                with np.errstate(invalid="ignore"):
                    values = values[: whole * block].reshape(whole, block).mean(axis=1)
            else:
                values = values[middle]
            arrays.append(floats_to_arrow(values))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))
