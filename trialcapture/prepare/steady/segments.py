"""The segments table: every candidate stretch with its means, spreads, standard errors and verdict.

``segments.parquet`` has one row a stretch; what differs by engine stands there in columns named after the engines, for
readers that know the boat. ``segment_engines.parquet`` says the same in long form, one row a stretch and engine, so
that the tables of boats whose engines have other names can be put one below the other. Both carry the session.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, empty_table, integers, table_of
from trialcapture.channels import trial_channels
from trialcapture.config import Config
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN, LegError, check_legs, error_of_leg
from trialcapture.prepare.channels.resolution import Resolution, rounding_columns
from trialcapture.prepare.channels.series import column
from trialcapture.prepare.data_health import Disagreement, Hole, utc_text
from trialcapture.prepare.sample_statistics import (
    Wander,
    bend_of,
    blocking_error,
    choose_block,
    circular_mean_deg,
    circular_sd_deg,
    find_wander,
    leave_out_outliers,
    slope_per_s,
)
from trialcapture.prepare.steady.setpoint_holds import Silence, Stretch
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_NUMBERS = (
    ("duration_s", "s"), ("band_rpm", "rpm"), ("rpm_mean", "rpm"), ("rpm_sd", "rpm"),
    ("sog_kn_mean", "kn"), ("sog_kn_sd", "kn"), ("sog_slope_kn_per_min", "kn/min"), ("sog_u_kn", "kn"),
    ("n_eff", "1"), ("heading_true_deg_mean", "deg"), ("cog_true_deg_mean", "deg"), ("stw_kn_mean", "kn"),
    ("fuel_l_per_h_mean", "l/h"), ("fuel_u_l_per_h", "l/h"), ("depth_m_min", "m"), ("depth_froude", "1"),
    ("wind_speed_true_kn_mean", "kn"), ("pitch_deg_mean", "deg"),
)  # fmt: skip
_MORE = (
    ("sog_bias_u_kn", "kn"), ("wind_from_true_deg_mean", "deg"), ("roll_deg_mean", "deg"),
    ("water_temp_c_mean", "degc"), ("heading_sd_deg", "deg"), ("sog_u_blocking_kn", "kn"),
)  # fmt: skip
_APPROACH = (
    ("approach_step_kn", "kn"), ("since_change_s", "s"), ("sog_slope_u_kn_per_min", "kn/min"), ("sog_bend_kn", "kn"),
    ("sog_bend_u_kn", "kn"),
)  # fmt: skip
"""What is left of the approach to a speed shows in these; they are explained in `Stretch` and `TrendErrors`."""
_BOAT_CHANNELS = (
    "sog_kn", "cog_true_deg", "heading_true_deg", "stw_kn", "depth_m", "wind_speed_true_kn", "wind_from_true_deg",
    "pitch_deg", "roll_deg", "water_temp_c",
)  # fmt: skip
_PLACE = ("lat_deg", "lon_deg")
_ENGINE_CHANNELS = ("rpm", "fuel_l_per_h", "load_pct", "coolant_c", "oil_bar", "boost_bar", "trim_pct")
_ONLY_SHOWN = ("coolant_c", "oil_bar", "boost_bar", "trim_pct")
_ENGINE_COLUMNS = (
    ("rpm_mean", "rpm", "rpm_{}_mean"), ("rpm_sd", "rpm", "rpm_{}_sd"),
    ("fuel_l_per_h", "l/h", "fuel_l_per_h_{}_mean"), ("load_pct", "%", "load_pct_{}_mean"),
    ("coolant_c", "degc", "coolant_c_{}_mean"), ("oil_bar", "bar", "oil_bar_{}_mean"),
    ("boost_bar", "bar", "boost_bar_{}_mean"), ("trim_pct", "%", "trim_pct_{}_mean"),
)  # fmt: skip
"""What is known of a stretch by engine: column of the long table, unit, and column of the segments table by engine."""
_WITH_ERRORS = ("sog_kn", "fuel")
_DEPTH_WINDOW_S = 21.0
"""A sounding is compared with the median of this time around it [s]: bad ones come alone or a few in a row (common
practice, no source)."""
_DEPTH_SHARE, _DEPTH_M, _DEPTH_SPREADS = 0.2, 0.5, 4.0
"""It is bad where it is off by more than each of: this share of depth, so many metres, so many robust deviations
(common practice, no source)."""
_DEPTH_LOW = 0.02
"""Quantile that stands for the least depth of a stretch once bad soundings are out (common practice, no source)."""
_IDLE_SHARE, _STOPPED_RPM, _FASTEST_CURRENT_KN = 1.3, 100.0, 10.0
"""Engines idle up to this share of their idle speed, and are stopped below so many rpm; nothing that only drifts is
faster than this (common practice, no source)."""
_NO_WAY_KN, _SIDEWAYS_DEG = 0.7, 60.0
"""A boat at idle lies in neutral where her log shows less than this, and less than three tenths of her speed over
ground, or where her course is this far off her heading (common practice, no source)."""
_READ_ROWS = 36_000
"""Stretches that begin within this many rows are read together: an hour of the default grid (our choice, no source)."""
_DIRECTIONS = ("heading_true_deg", "cog_true_deg", "wind_from_true_deg")


@dataclass(frozen=True, slots=True)
class TrimEntry:
    """A trim setting noted by a person: UTC [ns] it was entered, and what it was."""

    t_ns: int
    value: str


def segments_schema(engine_ids: Sequence[str]) -> pa.Schema:
    """Return the Arrow schema of ``segments.parquet``; units in field metadata."""

    def number(name: str, unit: str) -> pa.Field:
        return pa.field(name, pa.float64(), metadata={"unit": unit})

    stamp = pa.timestamp("ns", tz="UTC")
    fields = [pa.field("segment_id", pa.int32()), pa.field("start", stamp), pa.field("stop", stamp)]
    for name, unit in _NUMBERS:
        fields.append(number(name, unit))
        if name == "rpm_sd":
            fields += [number(f"rpm_{e}_mean", "rpm") for e in engine_ids]
    fields += [
        pa.field("trim", pa.string()),
        pa.field("accepted", pa.bool_()),
        pa.field("reason", pa.string()),
    ]
    for e in engine_ids:
        fields += [number(f"fuel_l_per_h_{e}_mean", "l/h"), number(f"load_pct_{e}_mean", "%")]
    fields.append(pa.field("n_samples", pa.int64()))
    fields += [number(name, unit) for name, unit in _MORE]
    fields += [pa.field("sog_blocks", pa.int64()), pa.field("n_outliers", pa.int64())]
    fields.append(number("depth_m_max", "m"))
    fields += [number(name, unit) for name, unit in rounding_columns(engine_ids).values()]
    wide = [number(made_of.format(e), unit) for e in engine_ids for _, unit, made_of in _ENGINE_COLUMNS]
    there = {field.name for field in fields}
    approach = [number(name, unit) for name, unit in _APPROACH]
    return pa.schema([*fields, *(field for field in wide if field.name not in there), *approach])


SEGMENT_ENGINES_SCHEMA = pa.schema(
    [
        ("session_id", pa.string()), ("segment_id", pa.int32()), ("engine", pa.string()),
        *(pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit, _ in _ENGINE_COLUMNS),
    ]
)  # fmt: skip
"""Schema of ``segment_engines.parquet``: means over a stretch, and the standard deviation of rpm; null where not
known."""


def segment_engines(segments: pa.Table, engine_ids: Sequence[str], session_id: str) -> pa.Table:
    """Return what the segments table says of each engine in long form, by segment and engine.

    Args:
        segments: From `check_segments`.
        engine_ids: Its engines.
        session_id: Of the session.
    """
    count = segments.num_rows
    parts = [empty_table(SEGMENT_ENGINES_SCHEMA)]
    for e in engine_ids:
        own = [segments[made_of.format(e)] for _, _, made_of in _ENGINE_COLUMNS]
        session, engine = (column_of([name] * count, pa.string()) for name in (session_id, e))
        named = [session, segments["segment_id"], engine]
        parts.append(pa.table([*named, *own], schema=SEGMENT_ENGINES_SCHEMA))
    # the sort keeps the order of engines within a segment
    return pa.concat_tables(parts).sort_by("segment_id").combine_chunks()


def with_session(segments: pa.Table, session_id: str) -> pa.Table:
    """Return the segments table with the session in its first column, as it is written."""
    session = column_of([session_id] * segments.num_rows, pa.string())
    return segments.add_column(0, pa.field("session_id", pa.string()), session)


Reader = Callable[[int, int, Sequence[str]], pa.Table]
"""Returns rows [start, stop) of the samples, and of their columns the ones named."""


def rows_of(samples: pa.Table) -> Reader:
    """Return the reader of samples that are held whole."""
    return lambda start, stop, names: samples.slice(start, stop - start).select(list(names))


@dataclass(frozen=True, slots=True)
class CheckedStretch:
    """What one stretch says by itself, before it is compared with the others.

    Attributes:
        row: Of the segments table, as far as it is known by then.
        pooled: Speed and fuel as received, of an accepted stretch; None of another.
        used: Speed and fuel that means rest on, and what else is known to a resolution.
        leg: Its speed against the distance its positions made good.
    """

    row: Mapping[str, Any]
    pooled: Mapping[str, Floats] | None
    used: Mapping[str, Floats]
    leg: LegError


class CheckedStretches:
    """What calls of `check_segments` have found of stretches of the same samples, so that none is read twice."""

    def __init__(self) -> None:
        """Begin with none."""
        self._found: dict[Stretch, CheckedStretch] = {}
        self._rounding: dict[Stretch, dict[str, float | None]] = {}
        self._resolutions: Mapping[str, Resolution] = {}

    def keep(self, stretches: Iterable[Stretch]) -> None:
        """Forget all but these."""
        kept = set(stretches)
        self._found = {s: of for s, of in self._found.items() if s in kept}
        self._rounding = {s: of for s, of in self._rounding.items() if s in kept}

    def check(
        self,
        read: Reader,
        first_ns: int,
        stretches: Sequence[Stretch],
        config: Config,
        resolutions: Mapping[str, Resolution],
    ) -> Iterator[tuple[CheckedStretch, dict[str, object]]]:
        """Yield what each stretch says by itself, and the rounding of its means; arguments as in `check_segments`."""
        dt_s = 1.0 / config.samples.grid_hz
        reaching = _reaching_beyond(resolutions, dt_s, config.engine_ids)
        if reaching != _reaching_beyond(self._resolutions, dt_s, config.engine_ids):
            self._found = {}
        others = {n for n, one in resolutions.items() if not _are_alike(one, self._resolutions.get(n))}
        others |= self._resolutions.keys() - resolutions.keys()
        if others:
            self._rounding = {
                s: {name: u for name, u in of.items() if name not in others} for s, of in self._rounding.items()
            }
            self._resolutions = dict(resolutions)
        finest = {c.name: 3.0 * c.resolution for c in trial_channels(config.engine_ids)}
        columns = {name: column for name, (column, _) in rounding_columns(config.engine_ids).items()}
        new = [s for s in stretches if s not in self._found]
        wanted = (*_WITH_ERRORS, *columns)
        self._found |= zip(new, _check_each(read, first_ns, new, config, reaching, wanted), strict=True)
        for s in stretches:
            known = self._rounding.setdefault(s, {})
            for name in columns.keys() & resolutions.keys() - known.keys():
                known[name] = _rounding(self._found[s].used[name], resolutions[name], finest[name], dt_s)
            yield self._found[s], {columns[name]: u for name, u in known.items() if u is not None}


def _are_alike(one: Resolution, other: Resolution | None) -> bool:
    """Return whether a channel can be read as finely by both."""
    return other is not None and repr(one) == repr(other) and np.array_equal(one.levels, other.levels)


def check_segments(
    read: Reader,
    first_ns: int,
    stretches: Sequence[Stretch],
    config: Config,
    receiver: str = "the receiver",
    speed_u_kn: Callable[[float], float] = lambda _: 0.0,
    resolutions: Mapping[str, Resolution] | None = None,
    checked: CheckedStretches | None = None,
) -> tuple[pa.Table, list[Disagreement]]:
    """Return the segments table for candidate stretches of the samples, and where speed contradicts positions.

    Where it does, the speed made good by positions stands for that of the receiver.

    Standard errors (k = 1) rest on how speed and fuel wander, found from all accepted stretches of the trial together,
    because one stretch alone is too short to show a memory of a minute. The fuel rate that is the slope of a running
    total reaches half its window to both sides, so half a window is left out of it at both ends of a stretch.

    Args:
        read: Gives the samples, which lie on a uniform grid.
        first_ns: Their first instant [ns UTC].
        stretches: Row intervals with verdicts, in order.
        config: Engines and grid.
        receiver: Whose speed it is, as people know it.
        speed_u_kn: Standard uncertainty of a speed beyond that of any receiver [kn], by speed [kn].
        resolutions: By channel, how finely it can be read; channels left out count as infinitely fine.
        checked: What calls before found of stretches of the same samples and settings; None where there were none.
    """
    dt_s = 1.0 / config.samples.grid_hz
    checked = checked or CheckedStretches()
    by_itself = list(checked.check(read, first_ns, stretches, config, resolutions or {}))
    found = [of for of, _ in by_itself]
    rows: list[dict[str, Any]] = [
        {**of.row, **rounding, "segment_id": number} for number, (of, rounding) in enumerate(by_itself, start=1)
    ]
    kept: list[dict[str, Floats]] = [dict(of.used) for of in found]
    legs = [of.leg for of in found]
    pooled = {name: [of.pooled[name] for of in found if of.pooled is not None] for name in _WITH_ERRORS}
    shown = [float(_known(k["sog_kn"]).mean()) if np.isfinite(k["sog_kn"]).any() else 0.0 for k in kept]
    known_u = np.array([speed_u_kn(v) for v in shown])
    wrong, wrong_u = check_legs(legs, known_u)
    items: list[Disagreement] = []
    for row, part, leg, error in zip(rows, kept, legs, wrong.tolist(), strict=True):
        if leg.is_another_way and row["accepted"]:
            row |= {"accepted": False, "reason": _ASTRAY}
            items.append(
                Disagreement(
                    f"speed of {receiver}", "distance made good", round(leg.error_kn, 3), 0.5, "kn",
                    row["start"], row["stop"], "excluded", "the run is left out: " + _ASTRAY,
                )
            )  # fmt: skip
        if error:
            part["sog_kn"] = part["sog_kn"] - error
            if row.get("depth_froude"):
                row["depth_froude"] = depth_froude(float(_known(part["sog_kn"]).mean()), row["depth_m_min"])
    wander = {
        "sog_kn": find_wander(pooled["sog_kn"], dt_s),
        "fuel": find_wander([_relative(p) for p in pooled["fuel"]], dt_s),
    }
    block = choose_block([p for p in pooled["sog_kn"] if np.isfinite(p).all()])
    bias_u = np.sqrt(SOG_BIAS_U_KN**2 + known_u**2 + wrong_u**2)
    whole = [
        row | _speed_and_fuel(part, wander, block, float(u), dt_s)
        for row, part, u in zip(rows, kept, bias_u, strict=True)
    ]
    items += _contradictions(rows, wrong, np.hypot(SOG_BIAS_U_KN, wrong_u), receiver)
    return table_of(whole, segments_schema(config.engine_ids)), items


def _check_each(
    read: Reader,
    first_ns: int,
    stretches: Sequence[Stretch],
    config: Config,
    reaching: Mapping[str, int],
    wanted: Sequence[str],
) -> Iterator[CheckedStretch]:
    """Yield what each stretch says by itself.

    Args:
        read, first_ns, stretches, config: As `check_segments` takes them.
        reaching: From `_reaching_beyond`.
        wanted: Channels that are used further on.
    """
    dt_s = 1.0 / config.samples.grid_hz
    # the outliers counted are those of channels that feed a result
    untouched = ("depth_m", *_PLACE, *(f"{q}_{e}" for q in _ONLY_SHOWN for e in config.engine_ids))
    for found, read_part in _read_parts(read, stretches, config.engine_ids):
        part = _within_hold(read_part, reaching)
        why = _in_neutral(part, config) if found.accepted else ""
        stretch = replace(found, accepted=False, reason=why) if why else found
        used, outliers = leave_out_outliers(part, _DIRECTIONS, untouched) if config.steady.chauvenet else (part, None)
        row = _row(stretch, used, first_ns + round(stretch.start * dt_s * 1e9), dt_s, config)
        yield CheckedStretch(
            row | {"n_outliers": outliers},
            {name: part[name] for name in _WITH_ERRORS} if stretch.accepted else None,
            {name: used[name] for name in wanted},
            error_of_leg(part["sog_kn"], part["cog_true_deg"], part["lat_deg"], part["lon_deg"], dt_s),
        )


_ASTRAY = "speed and course contradict positions, which go another way or another speed"
_SAME_RPM_SHARE = 0.02
"""Runs whose rpm differ by less are told as one (our choice, no source)."""


def _contradictions(rows: Sequence[Mapping[str, Any]], wrong: Floats, u: Floats, receiver: str) -> list[Disagreement]:
    """Return one item for the runs at one engine speed whose speed contradicts the distance made good."""
    groups: list[list[int]] = []
    for i in (i for i, row in enumerate(rows) if wrong[i] and row["accepted"]):
        near = next((g for g in groups if _is_same_run(rows[g[0]], rows[i]) and wrong[g[0]] * wrong[i] > 0.0), None)
        if near is None:
            groups.append([i])
        else:
            near.append(i)
    items = []
    for g in groups:
        rpm = rows[g[0]].get("rpm_mean")
        at = f" at about {rpm:.0f} rpm" if rpm else ""
        size, of_size = float(wrong[g].mean()), float(np.sqrt((u[g] ** 2).mean() / len(g)))
        runs = f"{len(g)} run" + "s" * (len(g) > 1)
        items.append(
            Disagreement(
                f"speed of {receiver}", "distance made good", round(size, 3), round(of_size, 3), "kn",
                min(rows[i]["start"] for i in g), max(rows[i]["stop"] for i in g), "corrected",
                f"the speed made good is used for {runs}{at}",
            )
        )  # fmt: skip
    return items


def _rounding(values: Floats, resolution: Resolution, finest: float, dt_s: float) -> float | None:
    """Return what rounding leaves open in the mean of a channel; None where nothing of it is known."""
    return resolution.u_of_mean(values, values.size * dt_s, finest) if np.isfinite(values).any() else None


def _read_parts(
    read: Reader, stretches: Sequence[Stretch], engine_ids: Sequence[str]
) -> Iterator[tuple[Stretch, dict[str, Floats]]]:
    """Yield each stretch with its channels, ``fuel`` being that of all engines; neighbours are read together."""
    names = [*_BOAT_CHANNELS, *_PLACE, *(f"{q}_{e}" for e in engine_ids for q in _ENGINE_CHANNELS)]
    for _, group in groupby(stretches, key=lambda s: s.start // _READ_ROWS):
        near = list(group)
        first = near[0].start
        table = read(first, near[-1].stop, names)
        columns = {name: column(table, name) for name in names}
        columns["fuel"] = _total([columns[f"fuel_l_per_h_{e}"] for e in engine_ids], table.num_rows)
        for s in near:
            yield s, {name: values[s.start - first : s.stop - first] for name, values in columns.items()}


def _total(parts: list[Floats], n: int) -> Floats:
    """Return the sum over engines; unknown where that of any engine is."""
    total: Floats = np.sum(parts, axis=0) if parts else np.full(n, np.nan)
    return total


def _reaching_beyond(resolutions: Mapping[str, Resolution], dt_s: float, engine_ids: Sequence[str]) -> dict[str, int]:
    """Return by channel how many samples to both sides the values rest on; channels that rest on their own are out."""
    names = [f"fuel_l_per_h_{e}" for e in engine_ids]
    reach = {n: round(resolutions[n].window_s / 2.0 / dt_s) for n in names if n in resolutions}
    reach["fuel"] = max(reach.values(), default=0)
    return {name: samples for name, samples in reach.items() if samples}


def _within_hold(part: dict[str, Floats], reaching: Mapping[str, int]) -> dict[str, Floats]:
    """Return a stretch with only those values that rest on nothing outside it; one at least is kept of each channel."""
    kept = {name: min(samples, (part[name].size - 1) // 2) for name, samples in reaching.items()}
    return part | {name: part[name][cut : part[name].size - cut] for name, cut in kept.items()}


def _relative(values: Floats) -> Floats:
    """Return values over their mean; nothing where there is none, or where it is not above zero."""
    mean = float(values.mean()) if values.size else 0.0
    return values / mean if mean > 0.0 else np.zeros(0)


def _known(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _mean(values: Floats) -> float | None:
    """Return the mean of what is known, or None where that is less than half."""
    mean = float(values.mean())
    # most channels are known throughout, which their mean shows
    if math.isfinite(mean):
        return mean
    known = _known(values)
    return float(known.mean()) if known.size >= max(values.size // 2, 1) else None


def _row(
    stretch: Stretch,
    part: dict[str, Floats],
    start_ns: int,
    dt_s: float,
    config: Config,
) -> dict[str, Any]:
    """Return what one stretch says by itself."""
    stop_ns = start_ns + round((stretch.stop - stretch.start) * dt_s * 1e9)
    row: dict[str, Any] = {
        "start": start_ns,
        "stop": stop_ns,
        "duration_s": (stop_ns - start_ns) / 1e9,
        "accepted": stretch.accepted,
        "reason": _reason(stretch, start_ns, dt_s, config),
        "n_samples": int(stretch.stop - stretch.start),
        "approach_step_kn": stretch.approach_step_kn,
        "since_change_s": None if stretch.since_change is None else stretch.since_change * dt_s,
        "trim": _recorded_trim(part, config),
    }
    engine_rpm = [part[f"rpm_{e}"] for e in config.engine_ids]
    means = [_mean(r) for r in engine_rpm]
    for e, values, mean in zip(config.engine_ids, engine_rpm, means, strict=True):
        row |= {f"rpm_{e}_mean": mean, f"rpm_{e}_sd": None if mean is None else float(_known(values).std())}
    seen = [(r, m) for r, m in zip(engine_rpm, means, strict=True) if m is not None]
    if seen:
        row["rpm_mean"] = float(np.mean([m for _, m in seen]))
        row["rpm_sd"] = max(float(_known(r).std()) for r, _ in seen)
    row.update({f"{q}_{e}_mean": _mean(part[f"{q}_{e}"]) for e in config.engine_ids for q in _ENGINE_CHANNELS[1:]})
    for name in ("stw_kn", "wind_speed_true_kn", "pitch_deg", "roll_deg", "water_temp_c"):
        row[f"{name}_mean"] = _mean(part[name])
    for name in _DIRECTIONS:
        row[f"{name}_mean"] = circular_mean_deg(part[name])
    row["heading_sd_deg"] = circular_sd_deg(part["heading_true_deg"])
    sog = _known(part["sog_kn"])
    if sog.size:
        row["sog_slope_kn_per_min"] = slope_per_s(sog, dt_s) * 60.0
    if depth := depth_range(part["depth_m"], dt_s):
        row["depth_m_min"], row["depth_m_max"] = depth
        if sog.size and depth[0] > 0:
            row["depth_froude"] = depth_froude(float(sog.mean()), depth[0])
    return row


def _is_same_run(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    rpm = one.get("rpm_mean"), other.get("rpm_mean")
    return bool(rpm[0] and rpm[1] and abs(rpm[0] / rpm[1] - 1.0) < _SAME_RPM_SHARE)


def _in_neutral(part: dict[str, Floats], config: Config) -> str:
    """Return why a boat whose engines idle only drifts with the water, or an empty string where nothing shows that.

    She does where her log shows no way, and where she goes sideways: ahead, she would need a current across her
    nearly twice as fast as herself. A current from right ahead or astern does not show in one stretch alone.
    """
    idle_rpm = max((e.idle_rpm for e in config.engine), default=0.0)
    rpm = [mean for e in config.engine_ids if (mean := _mean(part[f"rpm_{e}"])) is not None]
    stw, sog = _mean(part["stw_kn"]), _mean(part["sog_kn"])
    if not rpm or max(rpm) > max(_IDLE_SHARE * idle_rpm, _STOPPED_RPM) or (sog or 0.0) > _FASTEST_CURRENT_KN:
        return ""
    heading, course = (circular_mean_deg(part[name]) for name in ("heading_true_deg", "cog_true_deg"))
    if max(rpm) <= _STOPPED_RPM:
        return f"in neutral: engines at {max(rpm):.0f} rpm"
    if stw is not None and sog is not None and stw < min(_NO_WAY_KN, 0.3 * sog):
        return f"in neutral: {stw:.1f} kn through the water, {sog:.1f} kn over ground at {max(rpm):.0f} rpm"
    if heading is None or course is None:
        return ""
    off_deg = abs((course - heading + 180.0) % 360.0 - 180.0)
    if off_deg > _SIDEWAYS_DEG:
        return f"in neutral: course {off_deg:.0f} deg off the heading at {max(rpm):.0f} rpm"
    return ""


def _reason(stretch: Stretch, start_ns: int, dt_s: float, config: Config) -> str:
    """Return why a stretch was refused; where a silence is the reason, with when it was and whose."""
    silence = stretch.silence
    if silence is None or not stretch.reason.startswith(f"{silence.what} silent"):
        return stretch.reason
    at = utc_text(start_ns + round((silence.start - stretch.start) * dt_s * 1e9))[11:19]
    several = silence.engine is not None and len(config.engine_ids) > 1
    return f"{stretch.reason} at {at}" + (f" ({config.engine_ids[silence.engine or 0]})" if several else "")


def silence_holes(stretches: Sequence[Stretch], first_ns: int, config: Config) -> list[Hole]:
    """Return the silences that cut holds, with what each cost.

    Args:
        stretches: Row intervals with verdicts, in order.
        first_ns: First instant of the samples [ns UTC].
        config: Engines and grid.
    """
    step_ns = 1e9 / config.samples.grid_hz
    by_silence: dict[Silence, list[Stretch]] = {}
    for stretch in stretches:
        silence = stretch.silence
        # what lay still or turned would have been no leg anyway, and a log that begins late cut no hold
        if silence is not None and (
            stretch.reason.startswith(f"{silence.what} silent") or (stretch.accepted and silence.whole)
        ):
            by_silence.setdefault(silence, []).append(stretch)
    holes = []
    for silence, cut in by_silence.items():
        name = "speed over ground" if silence.what == "speed" else silence.what
        engine = "" if silence.engine is None else f" of engine {config.engine_ids[silence.engine]}"
        refused_s = sum((s.stop - s.start) * step_ns for s in cut if not s.accepted) / 1e9
        cost = f"{refused_s:.0f} s of a hold not used" if refused_s else "a hold cut in two, both parts used"
        if refused_s and not any(s.accepted for s in cut):
            cost += ": one leg"
        cause = "no reading" if silence.whole else "no reading, for this long at least"
        start_ns, stop_ns = (first_ns + round(row * step_ns) for row in (silence.start, silence.stop))
        holes.append(Hole(start_ns, stop_ns, name + engine, cause, cost))
    return holes


def depth_range(depth_m: Floats, dt_s: float) -> tuple[float, float] | None:
    """Return the least and the greatest depth of a stretch [m] that no bad sounding decides; None where none is known.

    Soundings far from the running median around them are left out first; of what is left, a low and a high quantile
    stand for the extremes.

    Args:
        depth_m: Shape (n,), NaN where unknown.
        dt_s: Spacing [s].
    """
    every = max(round(1.0 / dt_s), 1)
    known = _known(depth_m[::every])
    if known.size == 0:
        known = _known(depth_m)
    if known.size == 0:
        return None
    half = min(round(_DEPTH_WINDOW_S / 2.0 / (every * dt_s)), (known.size - 1) // 2)
    around = np.median(
        np.lib.stride_tricks.sliding_window_view(np.pad(known, half, mode="reflect"), 2 * half + 1), axis=1
    )
    off = np.abs(known - around)
    limit = np.maximum(_DEPTH_SHARE * around, max(_DEPTH_M, _DEPTH_SPREADS * 1.4826 * np.median(off)))
    sound = known[off <= limit]
    low, high = np.quantile(sound, [_DEPTH_LOW, 1.0 - _DEPTH_LOW]) if sound.size else (known.min(), known.max())
    return float(low), float(high)


def _recorded_trim(part: dict[str, Floats], config: Config) -> str | None:
    """Return the mean drive trim in words, or None where it was not recorded."""
    recorded = []
    for e in config.engine_ids:
        mean = _mean(part[f"trim_pct_{e}"])
        if mean is not None:
            recorded.append(f"{mean:.0f} %")
    if not recorded:
        return None
    return " / ".join(recorded) if len(set(recorded)) > 1 else recorded[0]


def with_trims(segments: pa.Table, trims: Sequence[TrimEntry], config: Config) -> pa.Table:
    """Return segments with the trim in force where none was recorded: the last note's, else that of the settings.

    Args:
        segments: From `check_segments`.
        trims: Trim notes, ascending in time.
        config: Trial settings.
    """
    starts_ns = integers(segments["start"])[0].tolist()
    named: list[str | None] = []
    for start_ns, recorded in zip(starts_ns, segments["trim"].to_pylist(), strict=True):
        noted = [t.value for t in trims if t.t_ns <= start_ns]
        named.append(recorded or (noted[-1] if noted else config.trial.trim or None))
    index = segments.schema.get_field_index("trim")
    return segments.set_column(index, segments.schema.field(index), column_of(named, pa.string()))


def _speed_and_fuel(
    part: dict[str, Floats], wander: Mapping[str, Wander], block: int, bias_u_kn: float, dt_s: float
) -> dict[str, object]:
    """Return the means of speed and of fuel with their errors, which rest on how all stretches wander."""
    row: dict[str, object] = {}
    sog, fuel = _known(part["sog_kn"]), _known(part["fuel"])
    if sog.size:
        spread = float(sog.std(ddof=1)) if sog.size > 1 else 0.0
        u = wander["sog_kn"].errors(sog, dt_s)
        row |= {
            "sog_kn_mean": float(sog.mean()),
            "sog_kn_sd": spread,
            "n_eff": worth_in_samples(sog.size, spread, u.mean),
            "sog_u_kn": u.mean,
            "sog_bias_u_kn": bias_u_kn,
            "sog_slope_u_kn_per_min": u.slope_per_s * 60.0,
            "sog_bend_kn": bend_of(sog),
            "sog_bend_u_kn": u.bend,
        }
        by_blocks, row["sog_blocks"] = blocking_error(sog, block)
        row["sog_u_blocking_kn"] = by_blocks if math.isfinite(by_blocks) else None
    if fuel.size >= 0.8 * part["fuel"].size and fuel.size:
        mean, relative = float(fuel.mean()), _relative(fuel)
        error = mean * wander["fuel"].errors(relative, dt_s).mean if relative.size else 0.0
        row |= {"fuel_l_per_h_mean": mean, "fuel_u_l_per_h": error}
    return row


def worth_in_samples(n: int, spread: float, mean_u: float) -> float:
    """Return how many independent samples of this spread have a mean as uncertain as that of n samples that remember.

    Between 1 and n: the spread about a stretch's own mean lacks what the mean itself is off by.
    """
    return float(min(max(1.0 + (spread / mean_u) ** 2, 1.0), n)) if mean_u > 0.0 else float(n)


def depth_froude(speed_kn: float, depth_m: float) -> float:
    """Return the depth Froude number ``V / sqrt(g h)`` [-]; 1 is the critical speed of shallow water."""
    return speed_kn * KN_M_PER_S / math.sqrt(G_M_PER_S2 * depth_m)
