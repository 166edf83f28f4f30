"""Trim sweeps: one engine speed, several settings of tabs or drive trim; the best of them, and whether that is real.

A sweep is two or more settings, as the legs carry them, held at one engine speed within `WITHIN_S`. Settings are
compared by the speed over ground one way: on one course, minutes apart, current and receiver are the same for all of
them and go out, but for what the current may have changed. Where every setting was run both ways, the means of both
ways are compared. The speed of a run is brought to one engine speed first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trialcapture.measure.circumstances import (
    TIDE_KN_PER_H,
    Circumstances,
    TrialSamples,
    are_opposite,
    course_text,
    described,
)
from trialcapture.measure.circumstances import Parts as ValueParts
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.reduce.runs import NS_PER_H
from trialcapture.reduce.summary import AnswerLine, Manoeuvre, Measured
from trialcapture.reduce.tables import iso_utc
from trialcapture.reduce.uncertainty import (
    ComparedValue,
    Comparison,
    combine_uncertainties,
    compare_values,
    pooled_scatter,
)
from trialcapture.reduce.vectorfit import SCATTER_KN, SCATTER_WORTH

WITHIN_S = 3600.0
"""Settings held longer apart met another current (common practice, no source)."""
RPM_PCT = 2.0
"""Engine speeds within so much of each other are one [%] (our choice)."""
LEAST_KN = 1.0
"""Slower over ground nothing is compared (our choice)."""
_KIND = "trim sweep"


@dataclass(frozen=True, slots=True)
class _Setting:
    """One setting: its name, its speed at the engine speed of the sweep, and what tells it."""

    trim: str
    speed_kn: float
    own_u: float
    freedom: float
    start_ns: int
    legs: int

    @property
    def compared(self) -> ComparedValue:
        """As `compare_values` takes it: the receiver's error is common to all settings."""
        return ComparedValue(self.speed_kn, self.own_u, SOG_BIAS_U_KN, self.freedom)


def measure_trim_sweeps(circumstances: Circumstances, _samples: TrialSamples) -> tuple[Measured, ...]:
    """Return the best setting of every sweep, with what it gains and whether that is more than noise.

    Args:
        circumstances: With the accepted legs and their trim.
    """
    found = []
    for members in find_sweeps(circumstances):
        made = _measure(circumstances, members)
        found += [made] if made is not None else []
    return tuple(found)


def find_sweeps(circumstances: Circumstances) -> list[list[int]]:
    """Return the legs of each sweep: one engine speed, two or more settings, close in time."""
    legs = circumstances.legs
    rpm, sog = legs.values["rpm_mean"], legs.values["sog_kn_mean"]
    usable = [
        k for k in range(rpm.size)
        if np.isfinite(rpm[k]) and np.isfinite(sog[k]) and sog[k] >= LEAST_KN and legs.trim[k] is not None
    ]  # fmt: skip
    sweeps: list[list[int]] = []
    for k in usable:
        for sweep in sweeps:
            near = abs(rpm[k] - rpm[sweep[0]]) <= RPM_PCT / 100.0 * rpm[sweep[0]]
            if near and legs.start_ns[k] - legs.stop_ns[sweep[-1]] <= WITHIN_S * 1e9:
                sweep.append(k)
                break
        else:
            sweeps.append([k])
    return [s for s in sweeps if len({legs.trim[k] for k in s}) >= 2]


def _measure(circumstances: Circumstances, members: Sequence[int]) -> Measured | None:
    legs = circumstances.legs
    course = legs.values["cog_true_deg_mean"]
    ways = _ways(members, course)
    rpm = float(np.mean(legs.values["rpm_mean"][list(members)]))
    by_way = [_settings(circumstances, way, rpm) for way in ways]
    if len(ways) == 2 and by_way[0].keys() == by_way[1].keys():
        settings = [_both(by_way[0][trim], by_way[1][trim]) for trim in by_way[0]]
        way_text = f"mean of {course_text(float(course[ways[0][0]]))}° and {course_text(float(course[ways[1][0]]))}°"
        direction = "both"
    else:
        k = max(range(len(ways)), key=lambda i: len(by_way[i]))
        settings = list(by_way[k].values())
        direction = course_text(float(course[ways[k][0]]))
        way_text = f"on {direction}°"
    if len(settings) < 2:
        return None
    ranked = sorted(settings, key=lambda s: -s.speed_kn)
    best, pairs = ranked[0], len(ranked) * (len(ranked) - 1) // 2
    # the best of several was chosen by its own noise: each comparison stands for all that could have been made
    against = {s.trim: compare_values(s.compared, best.compared, comparisons=pairs) for s in ranked[1:]}
    rows = [_row(s, best, against.get(s.trim), rpm, direction) for s in sorted(settings, key=lambda s: s.start_ns)]
    worst = against[ranked[-1].trim]
    half = worst.k * worst.difference_u
    notes = [
        f"best of {len(ranked)} settings at {rpm:.0f} rpm, {way_text}: {best.trim}",
        _verdict(f"over the slowest, {ranked[-1].trim}", worst),
    ]
    if len(ranked) > 2:
        notes.append(_verdict(f"over the next, {ranked[1].trim}", against[ranked[1].trim]))
    name = f"trim_sweep_{rpm:.0f}_rpm"
    label = f"Trim at {rpm:.0f} rpm, gained"
    if not worst.is_real:
        reason = f"no setting is better than another beyond noise: {worst.difference:.2f} ± {half:.2f} kn"
        line = AnswerLine(label, None, None, "kn", worst.k, (reason, *notes[:1]))
        return Measured(name, False, reason, line, tuple(rows), (), ())
    line = AnswerLine(label, worst.difference, worst.difference_u, "kn", worst.k, tuple(notes))
    return Measured(name, True, "", line, tuple(rows), (), ())


def _verdict(what: str, found: Comparison) -> str:
    half = found.k * found.difference_u
    said = "real" if found.is_real else "within noise"
    return f"{found.difference:.2f} ± {half:.2f} kn {what}: {said}"


def _ways(members: Sequence[int], course: np.ndarray) -> list[list[int]]:
    """Return the legs by the way they went, those of the first leg's way first; other courses are left out."""
    first = float(course[members[0]])
    there = [k for k in members if are_opposite(float(course[k]), first + 180.0)]
    back = [k for k in members if are_opposite(float(course[k]), first)]
    return [there, back] if back else [there]


def _settings(circumstances: Circumstances, way: Sequence[int], rpm: float) -> dict[str, _Setting]:
    """Return each setting on one way, its speed brought to one engine speed, in proportion."""
    legs = circumstances.legs
    speed = legs.values["sog_kn_mean"] * rpm / legs.values["rpm_mean"]
    middle_h = (legs.start_ns + legs.stop_ns) / 2.0 / NS_PER_H
    trims = list(dict.fromkeys(legs.trim[k] for k in way))
    groups = {trim: [k for k in way if legs.trim[k] == trim] for trim in trims if trim is not None}
    residuals = np.concatenate([speed[g] - speed[g].mean() for g in groups.values()])
    scatter, freedom = pooled_scatter(
        residuals, len(way) - len(groups), prior_sd=SCATTER_KN, prior_degrees_of_freedom=SCATTER_WORTH
    )
    centre_h = float(np.mean([middle_h[g].mean() for g in groups.values()]))
    out = {}
    for trim, g in groups.items():
        sampling = legs.values["sog_u_kn"][g]
        known = sampling[np.isfinite(sampling)]
        drift = TIDE_KN_PER_H * abs(float(middle_h[g].mean()) - centre_h)
        own = combine_uncertainties(
            scatter / float(np.sqrt(len(g))), float(np.sqrt(np.sum(known**2))) / len(g), drift
        )  # fmt: skip
        out[trim] = _Setting(trim, float(speed[g].mean()), own, freedom, int(legs.start_ns[g].min()), len(g))
    return out


def _both(there: _Setting, back: _Setting) -> _Setting:
    """Return the mean of both ways of a setting."""
    own = combine_uncertainties(there.own_u, back.own_u) / 2.0
    return _Setting(
        there.trim, (there.speed_kn + back.speed_kn) / 2.0, own, there.freedom + back.freedom,
        min(there.start_ns, back.start_ns), there.legs + back.legs,
    )  # fmt: skip


def _row(setting: _Setting, best: _Setting, found: Comparison | None, rpm: float, direction: str) -> Manoeuvre:
    said = "best"
    if found is not None:
        half, verdict = found.k * found.difference_u, "real" if found.is_real else "within noise"
        said = f"{best.trim} is faster by {found.difference:.2f} ± {half:.2f} kn, {verdict}"
    parts = ValueParts(setting.speed_kn, setting.own_u, SOG_BIAS_U_KN)
    over = "" if direction == "both" else "over ground, "
    return described(
        _KIND, iso_utc(setting.start_ns), direction, f"{rpm:.0f} rpm", setting.trim, "kn", parts=parts,
        conditions=f"{over}{said}",
    )  # fmt: skip
