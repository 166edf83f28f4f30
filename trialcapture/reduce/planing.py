"""The slowest planing speed, up and down, where a slow run shows it; nothing is claimed where none does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trialcapture.config import Config
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.prepare.sample_statistics import rolling_mean
from trialcapture.reduce.conditions import trial_conditions
from trialcapture.reduce.hump import Hump, find_hump_by_rpm, find_hump_by_trim
from trialcapture.reduce.legs import Legs
from trialcapture.reduce.load import load_sheet
from trialcapture.reduce.regime import (
    DISPLACEMENT_FNL,
    DISPLACEMENT_FNV,
    FULL_PLANING_FNV,
    PAST_HUMP_FNV,
    PLANING_FNL,
    PLANING_FNV,
    length_froude_number,
    volumetric_froude_number,
)
from trialcapture.reduce.slow_runs import SlowRun
from trialcapture.reduce.statistics import FloatArray, combine_uncertainties
from trialcapture.reduce.summary import JudgedSlowRun, MeanThreshold, SlowestPlaning, ThresholdRun
from trialcapture.reduce.tables import iso_utc

DEFINITION_U_KN, DEFINITION_U_PCT = 0.3, 3.0
"""Standard uncertainty of what "slowest planing speed" means, the larger of the two: the change is gradual, and the
faster the boat, the more knots it takes (common practice, no source)."""
FLOW_LAG_S = 4.0
"""How long flow and trim take to follow the speed (common practice, no source); what that moves the threshold by is
taken as uncertainty, because its size differs from hull to hull."""
_SMOOTH_S = 15


def judge_slow_runs(
    runs: list[SlowRun], current_kn: list[FloatArray], current_u_kn: list[float], legs: Legs, config: Config
) -> tuple[JudgedSlowRun, ...]:
    """Return what each slow run through the hump shows: a threshold, or the reason why none.

    A run can show the threshold when it reaches from clearly displacing to clearly planing: by the volumetric Froude
    number where the displacement is known, by the length Froude number where only the length is. Where neither is, a
    hump must show both in the trim and in speed against rpm, at one speed. Stretches that stay on one side of the
    hump (warming up, slowing from fast to less fast) are no slow runs in this sense and are left out.

    Args:
        runs: From `find_slow_runs`.
        current_kn: Current at every second of each run, north and east.
        current_u_kn: Its standard uncertainty along the course, per run.
        legs: For the trim last noted before a run.
        config: A boat stated not to plane has no such speed.

    Returns:
        In order of time.
    """
    if not config.boat.planing:
        return ()
    hull = _Hull(legs, config)
    judged = []
    for run, current, current_u in zip(runs, current_kn, current_u_kn, strict=True):
        through = run["ground_kn"] - current
        speed = np.hypot(through[:, 0], through[:, 1])
        smooth = rolling_mean(speed, _SMOOTH_S)
        if not np.isfinite(smooth).any():
            continue
        low, high = float(np.nanmin(smooth)), float(np.nanmax(smooth))
        if not hull.meets_hump(low, high):
            continue
        found = run["fault"] or hull.falls_short(low, high) or _find_threshold(run, speed, hull)
        begin_ns = int(run["t_ns"][0])
        nothing = JudgedSlowRun(
            way=run["way"], t=iso_utc(begin_ns), from_kn=low, to_kn=high, speed_kn=None, u_kn=None, basis=None,
            trim=_trim_at(begin_ns, legs), reason="",
        )  # fmt: skip
        if isinstance(found, str):
            judged.append(replace(nothing, reason=found))
            continue
        defined = max(DEFINITION_U_KN, DEFINITION_U_PCT / 100.0 * found.speed_kn)
        u = combine_uncertainties(found.u_kn, current_u, SOG_BIAS_U_KN, defined, _lag_u(smooth, found.speed_kn))
        judged.append(replace(nothing, speed_kn=found.speed_kn, u_kn=u, basis=found.basis))
    return tuple(judged)


def find_slowest_planing(judged: Sequence[JudgedSlowRun]) -> SlowestPlaning | None:
    """Return the slowest planing speed through water, from the way down; None where no slow run shows one.

    A hull that planes holds on to it when slowing down, and must go faster to get there: both values are kept, each
    the mean of the runs that way, and the way down answers the question. Where runs of one way were judged by
    different evidence, those by the running trim count, because speed against rpm tells it far less well.

    Args:
        judged: From `judge_slow_runs`.
    """
    shown = [
        ThresholdRun(way=run.way, t=run.t, speed_kn=run.speed_kn, u_kn=run.u_kn, basis=run.basis, trim=run.trim)
        for run in judged
        if run.speed_kn is not None and run.u_kn is not None and run.basis is not None
    ]
    down, up = (_best_shown([s for s in shown if s.way == way]) for way in ("down", "up"))
    mean_down, mean_up = _mean(down), _mean(up)
    answer, mean = down or up, mean_down or mean_up
    if mean is None:
        return None
    alone = "" if down and up else " only"
    return SlowestPlaning(
        speed_kn=mean.speed_kn,
        u_kn=mean.u_kn,
        from_=f"slow run-{answer[0].way}{alone}, {answer[0].basis}",
        trim=answer[0].trim,
        run_down=mean_down,
        run_up=mean_up,
        runs=(*down, *up),
    )


def is_hysteresis_reversed(found: SlowestPlaning | None) -> bool:
    """Return whether planing ended at a clearly higher speed than it began: no hull does, so one of them is wrong."""
    if found is None or found.run_down is None or found.run_up is None:
        return False
    # the definition is common to both and says nothing about their difference
    u = [np.sqrt(max(x.u_kn**2 - DEFINITION_U_KN**2, 0.0)) for x in (found.run_down, found.run_up)]
    return bool(found.run_down.speed_kn - found.run_up.speed_kn > 2.0 * combine_uncertainties(*u))


class _Hull:
    """What is known of the hull's size, and what that says about a slow run."""

    def __init__(self, legs: Legs, config: Config) -> None:
        kg = load_sheet(config).displacement_kg
        self.volume_m3 = kg and kg / trial_conditions(legs, config).water_density_kg_per_m3
        self.length_m = config.boat.length_m
        self.is_known = self.volume_m3 is not None or self.length_m is not None

    def _number(self, speed_kn: float) -> tuple[float, str]:
        if self.volume_m3 is not None:
            return volumetric_froude_number(speed_kn, self.volume_m3), "volumetric"
        return length_froude_number(speed_kn, self.length_m or 1.0), "length"

    def _limits(self) -> tuple[float, float, float]:
        """Return where displacing ends, where a run is clearly past the hump, and the highest likely threshold."""
        if self.volume_m3 is not None:
            return DISPLACEMENT_FNV, PAST_HUMP_FNV, FULL_PLANING_FNV
        return DISPLACEMENT_FNL, PLANING_FNL, PLANING_FNL

    def meets_hump(self, low_kn: float, high_kn: float) -> bool:
        """Return whether a run comes where the hump may be; any may where the hull is unknown."""
        if not self.is_known:
            return True
        displacing, past, _ = self._limits()
        begins = PLANING_FNV if self.volume_m3 is not None else past
        return self._number(low_kn)[0] < begins and self._number(high_kn)[0] > displacing

    def falls_short(self, low_kn: float, high_kn: float) -> str:
        """Return why a run does not reach from displacing to planing; "" where it does or that cannot be said."""
        if not self.is_known:
            return ""
        (low, kind), (high, _) = self._number(low_kn), self._number(high_kn)
        displacing, past, _ = self._limits()
        if low <= displacing and high >= past:
            return ""
        return (
            f"it covers {low_kn:.1f} to {high_kn:.1f} kn, {kind} Froude numbers {low:.2f} to {high:.2f}; from "
            f"{displacing:g} or less to {past:g} or more is needed"
        )

    def disbelieves(self, speed_kn: float) -> str:
        """Return why a threshold is not plausible for the hull; "" where it is or that cannot be said."""
        if not self.is_known:
            return ""
        number, kind = self._number(speed_kn)
        lowest, _, highest = self._limits()
        if lowest <= number <= highest:
            return ""
        return f"{speed_kn:.1f} kn, {kind} Froude number {number:.2f}, lies outside {lowest:g} to {highest:g}"


def _find_threshold(run: SlowRun, speed_kn: FloatArray, hull: _Hull) -> Hump | str:
    """Return the threshold of one run that reaches over the hump, or why there is none."""
    by_trim = find_hump_by_trim(speed_kn, run["pitch_deg"])
    if hull.is_known:
        # a trim that was recorded and shows no hump is not overruled by weaker evidence
        found = find_hump_by_rpm(speed_kn, run["rpm"]) if by_trim == "" else by_trim
    else:
        by_rpm = find_hump_by_rpm(speed_kn, run["rpm"])
        if by_trim == "":
            return "neither displacement nor length is stated, and speed against rpm alone does not tell a hump"
        if isinstance(by_trim, str) or isinstance(by_rpm, str):
            return by_trim if isinstance(by_trim, str) else str(by_rpm)
        if abs(by_trim.speed_kn - by_rpm.speed_kn) > 2.0 * combine_uncertainties(
            by_trim.u_kn, by_rpm.u_kn, DEFINITION_U_KN
        ):
            return f"the trim shows {by_trim.speed_kn:.1f} kn, speed against rpm {by_rpm.speed_kn:.1f} kn"
        found = by_trim
    if isinstance(found, str):
        return found
    return hull.disbelieves(found.speed_kn) or found


def _best_shown(found: list[ThresholdRun]) -> list[ThresholdRun]:
    by_trim = [f for f in found if f.basis == "highest running trim"]
    return by_trim or found


def _mean(found: list[ThresholdRun]) -> MeanThreshold | None:
    if not found:
        return None
    speeds = np.array([f.speed_kn for f in found])
    # the definition and the current are common to all runs, so their mean is no better than one
    u = combine_uncertainties(max(f.u_kn for f in found), float(speeds.std(ddof=1)) if speeds.size > 1 else None)
    return MeanThreshold(float(speeds.mean()), u)


def _lag_u(speed_kn: FloatArray, threshold_kn: float) -> float:
    """Return what a lagging flow does to the threshold: the change of speed there over the lag [kn]."""
    near = np.abs(speed_kn - threshold_kn)
    rate = np.abs(np.gradient(speed_kn))
    return FLOW_LAG_S * float(rate[int(np.nanargmin(near))]) if np.isfinite(near).any() else 0.0


def _trim_at(t_ns: int, legs: Legs) -> str | None:
    earlier = np.flatnonzero(legs["start_ns"] <= t_ns)
    return legs["trim"][int(earlier[-1])] if earlier.size else None
