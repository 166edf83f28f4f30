"""Which held engine speeds belong together: the declared steps, or clusters of what was held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np
import scipy

from trialcapture.config import Bands, Fuel, Steady, default_half_width_rpm
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.runs import IntArray, Legs, Runs, RunSequence
from trialcapture.reduce.uncertainty import BoolArray, Budget, FloatArray, Term, pooled_scatter, weighted_mean

SAME_STEP_PCT = 1.0
"""Holds this close are always one step: the rpm match asked of a reciprocal run (common practice, no source)."""
OTHER_STEP_PCT = 4.0
"""Holds this far apart are never neighbours in one cluster (common practice, no source)."""
NOMINAL_PCT = 0.5
"""A cluster is named after a round number this close to its mean, which stands beside it (our choice)."""
SAME_SPEED_KN = 0.7
"""Without engine speed: how far two runs of one setting may differ one way (common practice, no source)."""
BACK_SPEED_KN = 3.0
"""Without engine speed: how far they may differ out and back (common practice, no source)."""
SAME_FUEL_SHARE = 0.15
"""Without engine speed: fuel rates further apart than this are two settings (no source)."""
ONE_CURRENT_KN = 1.0
"""Without engine speed: out and back are one setting only where the current they show is within this of what the runs
out and back next in time show (no source)."""
COMPARED_CURRENTS = 4
"""How many groups next in time a current is compared with (our choice)."""
MOST_DOUBTED = 2
"""Fewer others doubt nothing: of two groups that show two currents, nothing tells which is wrong."""
STRONG_BACK_SPEED_KN = 6.0
"""Out and back may differ by this where several groups all show one and the same current (no source)."""
CLEARLY_OTHER_STEP_PCT = 8.0
"""Gaps wider than this tell no more about where the cut should be (common practice, no source)."""
RPM_SCATTER_PCT = 0.3
"""Spread of a step's engine speed from run to run expected before looking (common practice, no source)."""
RPM_SCATTER_WORTH = 4.0
"""How many runs that expectation is worth (our choice)."""
TORN_STEP_SHARE, TORN_FOR_ONE_SHARE = 0.05, 0.01
"""A step as restless as the others of its trial is taken for two in no more than this share of cases; the second where
that would leave a hold by itself, which is no measurement both ways (our choice)."""

POWER_U = 0.5
"""Standard uncertainty of d ln q / d ln rpm as the bands show it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Band:
    """Limits of one RPM band; all NaN when the boat's engine speed is unknown."""

    band_rpm: float
    low_rpm: float
    high_rpm: float
    declared: bool
    name: str
    """What people call it; without engine speed it is named after its speed and time, once these are known."""


class BandKey(TypedDict):
    """What entries of the summary are told apart by: the first fields of a `NamedBand`."""

    band_rpm: float | None
    band_name: str


def band_key(band: Band) -> BandKey:
    """Return what entries of the summary are told apart by: ``band_rpm``, None where unknown, and ``band_name``."""
    rpm = band.band_rpm
    return {"band_rpm": rpm if np.isfinite(rpm) else None, "band_name": band.name}


def join_names(names: Sequence[str], last: str = ", ") -> str:
    """Return the names of some bands as people say them: "1500, 2000 rpm"."""
    unit = " rpm" if all(n.endswith(" rpm") for n in names) else ""
    short = [n.removesuffix(unit) for n in names]
    return last.join([", ".join(short[:-1]), short[-1]] if len(short) > 1 else short) + unit


def rpm_name(band_rpm: float) -> str:
    """Return the name of a band of known engine speed."""
    return f"{band_rpm:.0f} rpm"


def assign_bands(rpm: FloatArray, settings: Bands) -> tuple[IntArray, list[Band]]:
    """Return the band of each hold (-1 for none) and the bands, ascending.

    With declared steps a hold belongs to the nearest step within the half width; holds between steps stay out. The
    highest engine speed reached is a band of its own, whatever was declared, because it shows the top speed: see
    `find_top_step`. So is every other hold above the highest declared step.

    Args:
        rpm: Mean engine speed of each hold [rpm]; NaN is put in no band.
        settings: ``[bands]`` of the configuration.
    """
    if settings.is_automatic:
        found = find_clusters(rpm, settings.half_width_rpm)
        if found:
            top = find_top_step(rpm, found)
            found[-1:] = [part for part in (np.setdiff1d(found[-1], top), top) if part.size]
        return _number_bands(rpm, [(_nominal(rpm[members]), members, False) for members in found])
    steps = np.array(settings.steps_rpm, dtype=np.float64)
    half = band_half_width_rpm(settings)
    step = _nearest_step(rpm, steps, half)
    top = _top_of_declared(rpm, step, steps)
    step[top] = -1
    groups = [(float(at), np.flatnonzero(step == k), True) for k, at in enumerate(steps)]
    own = [top] if top.size else []
    if top.size and np.abs(steps - rpm[top].mean()).min() <= half:
        at, members, _ = groups[k := int(np.abs(steps - rpm[top].mean()).argmin())]
        # of two groups about one step, the one closer to it bears its name
        if not members.size or abs(rpm[top].mean() - at) < abs(rpm[members].mean() - at):
            groups[k], own = (at, top, True), [members] if members.size else []
    above = np.setdiff1d(np.flatnonzero(rpm > steps[-1] + half), top)
    own += [above[members] for members in find_clusters(rpm[above], settings.half_width_rpm)]
    numbers, bands = _number_bands(rpm, groups + [(_nominal(rpm[members]), members, False) for members in own])
    declared = [replace(b, low_rpm=b.band_rpm - half, high_rpm=b.band_rpm + half) if b.declared else b for b in bands]
    return numbers, declared


def _nearest_step(rpm: FloatArray, steps: FloatArray, half_rpm: float) -> IntArray:
    """Return the declared step each hold lies at, -1 for none."""
    apart = np.abs(rpm[:, None] - steps[None, :])
    apart = np.where(np.isfinite(apart), apart, np.inf)
    nearest: IntArray = np.where(apart.min(axis=1) <= half_rpm, np.argmin(apart, axis=1), -1)
    return nearest


def _top_of_declared(rpm: FloatArray, step: IntArray, steps: FloatArray) -> IntArray:
    """Return the holds at the highest engine speed where these are no declared step by themselves; else none."""
    clusters = find_clusters(rpm, None)
    if not clusters:
        return np.zeros(0, dtype=np.int64)
    top, highest = find_top_step(rpm, clusters), int(np.nanargmax(rpm))
    at = step[highest]
    if at >= 0:
        # two declared steps stay two, however close
        part: IntArray = top[step[top] == at]
        return part if part.size < np.sum(step == at) else part[:0]
    if rpm[highest] < steps[0]:
        return np.zeros(0, dtype=np.int64)
    # holds that reach into a declared step belong to it, unless others below them are what was held there
    inside = step[top] >= 0
    below = np.isin(step, step[top[inside]])
    below[top] = False
    is_apart = top.size < clusters[-1].size or below.any()
    return top if is_apart else top[rpm[top] > rpm[top[inside]].max(initial=-np.inf)]


def band_half_width_rpm(settings: Bands) -> float:
    """Return the half width of a declared band [rpm]: as given, else half the smallest step, at most 100."""
    if settings.half_width_rpm is not None:
        return settings.half_width_rpm
    return default_half_width_rpm(settings.steps_rpm)


def find_clusters(rpm: FloatArray, half_width_rpm: float | None) -> list[IntArray]:
    """Return groups of indices, ascending in rpm; NaN belongs to none.

    Sorted holds are cut where the gap to the next is wide. "Wide" is read from the data, between 1 % and 4 %: the
    gaps inside a step and the gaps between steps are two classes, and the cut lies between them. A group wider than
    4 % (or than the declared width) is cut again at its widest gap, so that a creeping throttle makes no endless
    chain.
    """
    order = np.flatnonzero(np.isfinite(rpm))
    order = order[np.argsort(rpm[order], kind="stable")]
    if not order.size:
        return []
    held = rpm[order]
    gap_pct = 100.0 * np.diff(held) / np.maximum(held[:-1], 1.0)
    limit_pct = np.full(gap_pct.shape, _cut_pct(gap_pct))
    if half_width_rpm is not None:
        limit_pct = 100.0 * half_width_rpm / np.maximum(held[:-1], 1.0)
    groups: list[IntArray] = []
    pending = [np.array(piece) for piece in np.split(order, np.flatnonzero(gap_pct > limit_pct) + 1)][::-1]
    while pending:
        members = pending.pop()
        values = rpm[members]
        width = 2.0 * half_width_rpm if half_width_rpm is not None else OTHER_STEP_PCT / 100.0 * float(values.mean())
        if members.size > 1 and values[-1] - values[0] > width:
            cut = int(np.argmax(np.diff(values))) + 1
            pending += [members[cut:], members[:cut]]
        else:
            groups.append(members)
    return groups


def _cut_pct(gap_pct: FloatArray) -> float:
    """Return the gap [%] that best parts gaps inside a step from gaps between steps.

    Source: natural breaks in two classes (Fisher 1958, J. Am. Stat. Assoc. 53:789; from memory), on the logarithm.
    """
    # a few gaps cannot say which class they are, so a clear example of a step stands beside them
    examples = [SAME_STEP_PCT] if np.sum(gap_pct > SAME_STEP_PCT) >= 3 else [SAME_STEP_PCT, CLEARLY_OTHER_STEP_PCT]
    anchored = np.concatenate([examples, gap_pct])
    x = np.sort(np.log(np.clip(anchored, SAME_STEP_PCT, CLEARLY_OTHER_STEP_PCT)))
    spread = [x[:k].var() * k + x[k:].var() * (x.size - k) for k in range(1, x.size)]
    k = int(np.argmin(spread)) + 1
    return float(np.clip(np.exp((x[k - 1] + x[k]) / 2.0), SAME_STEP_PCT, OTHER_STEP_PCT))


def find_top_step(rpm: FloatArray, clusters: list[IntArray]) -> IntArray:
    """Return the holds at the highest engine speed reached, which show the top speed.

    It is the highest cluster, or the upper part of it: full throttle is often 1 to 3 % above the step below it, too
    close for `find_clusters` to part them. A part is another step where it spans no more than 1 % about its middle,
    its mean lies 1 % or more above the mean of the rest, and the holds of one step, which scatter as those of the
    other clusters do, would hardly differ so much. A single restless hold, or runs there and back that differ by
    some tenths of a percent, are no step.

    Args:
        rpm: Mean engine speed of each hold [rpm].
        clusters: From `find_clusters`; not empty.

    Source: contrasts chosen after looking (Scheffé 1953, Biometrika 40:87; from memory).
    """
    members = clusters[-1]
    n = members.size
    x = 100.0 * rpm[members] / rpm[members].mean()
    # a cluster wider than one step may be is none that shows the scatter of one
    others = [100.0 * rpm[g] / rpm[g].mean() for g in clusters[:-1]]
    steps = [y - 100.0 for y in others if np.ptp(y) <= 2.0 * SAME_STEP_PCT]
    scatter_pct, freedom = pooled_scatter(
        np.concatenate([*steps, np.zeros(0)]),
        sum(y.size - 1 for y in steps),
        prior_sd=RPM_SCATTER_PCT,
        prior_degrees_of_freedom=RPM_SCATTER_WORTH,
    )
    best, first = 0.0, 0
    for k in range(1, n):
        apart = float(x[k:].mean() - x[:k].mean())
        if apart >= SAME_STEP_PCT and np.ptp(x[k:]) <= 2.0 * SAME_STEP_PCT:
            shown = apart**2 * k * (n - k) / n / scatter_pct**2
            torn = TORN_STEP_SHARE if min(k, n - k) > 1 else TORN_FOR_ONE_SHARE
            if shown > best and shown > (n - 1) * scipy.special.fdtri(n - 1, freedom, 1.0 - torn):
                best, first = shown, k
    return members[first:]


def _nominal(rpm: FloatArray) -> float:
    """Return the name of a cluster: its mean to the nearest 50 rpm where within 0.5 %, else to the nearest 10."""
    mean = float(rpm.mean())
    round_rpm = 50.0 * round(mean / 50.0)
    return round_rpm if abs(mean - round_rpm) <= NOMINAL_PCT / 100.0 * mean else 10.0 * round(mean / 10.0)


def assign_without_rpm(legs: Legs, settings: Steady) -> tuple[IntArray, list[Band]]:
    """Return bands of legs whose engine speed is unknown, ascending in speed; their rpm is NaN.

    A leg joins a band, the latest first, when it goes the same way at the same speed as every leg of it that does,
    and every leg of it the other way is slower or faster by no more than a strong current explains; when the log speed
    and the fuel rate, where known, are no other; and when it comes soon after. Anything else opens a new band. Legs
    out and back at different settings look like a current: where it is none that the others out and back show, the
    two ways become two bands.

    Args:
        legs: Accepted segments in order of time.
        settings: ``reciprocal_deg`` and ``reciprocal_max_gap_min`` are used.
    """
    sog = legs.values["sog_kn_mean"]
    groups = _split_unlike(_gather(legs, settings, BACK_SPEED_KN), legs)
    strong = _gather(legs, settings, STRONG_BACK_SPEED_KN)
    shown = np.array(list(_shown_currents(strong, legs).values()))
    if shown.shape[0] > 1 and float(np.hypot(*(shown - shown.mean(axis=0)).T).max()) <= ONE_CURRENT_KN / 2.0:
        groups = strong
    groups.sort(key=lambda members: float(sog[members].mean()))
    numbers = np.full(sog.size, -1, dtype=np.int64)
    for b, members in enumerate(groups):
        numbers[members] = b
    nan = float(np.nan)
    nameless = Band(band_rpm=nan, low_rpm=nan, high_rpm=nan, declared=False, name="")
    return numbers, [nameless] * len(groups)


def _gather(legs: Legs, settings: Steady, back_kn: float) -> list[list[int]]:
    """Return the legs by setting of the throttle, as `assign_without_rpm` says."""
    groups: list[list[int]] = []
    for k in range(legs.start_ns.size):
        for members in sorted(groups, key=lambda g: -g[-1]):
            gap_min = (legs.start_ns[k] - legs.stop_ns[members[-1]]) / 60e9
            soon = gap_min <= settings.reciprocal_max_gap_min
            if soon and all(_one_setting(legs, k, m, settings, back_kn) for m in members):
                members.append(k)
                break
        else:
            groups.append([k])
    return groups


def _one_setting(legs: Legs, i: int, j: int, settings: Steady, back_kn: float) -> bool:
    """Return whether two legs may have been run at one setting of the throttle."""
    values = legs.values
    course, sog, stw = values["cog_true_deg_mean"], values["sog_kn_mean"], values["stw_kn_mean"]
    turned, back = np.abs(wrap_deg(np.array([course[i] - course[j], course[i] - course[j] - 180.0])))
    same_way = turned <= settings.reciprocal_deg and abs(sog[i] - sog[j]) <= SAME_SPEED_KN
    out_and_back = back <= 2.0 * settings.reciprocal_deg and abs(sog[i] - sog[j]) <= back_kn
    fuel = values["fuel_l_per_h_mean"][[i, j]]
    # a comparison with what is not known is false
    other = abs(stw[i] - stw[j]) > SAME_SPEED_KN or float(np.ptp(fuel)) > SAME_FUEL_SHARE * float(fuel.mean())
    return bool((same_way or out_and_back) and not other)


def _shown_currents(groups: list[list[int]], legs: Legs) -> dict[int, FloatArray]:
    """Return the current, north and east [kn], that each group run both ways shows: the mean of both ways."""
    sog, course = legs.values["sog_kn_mean"], np.radians(legs.values["cog_true_deg_mean"])
    ground = np.column_stack([sog * np.cos(course), sog * np.sin(course)])
    ways = {g: _ways(members, legs) for g, members in enumerate(groups)}
    return {g: np.mean([ground[w].mean(axis=0) for w in parts], axis=0) for g, parts in ways.items() if all(parts)}


def _split_unlike(groups: list[list[int]], legs: Legs) -> list[list[int]]:
    """Return the groups, those whose two ways show another current than the groups next in time parted by way."""
    shown = _shown_currents(groups, legs)
    made = []
    for g, members in enumerate(groups):
        others = sorted((o for o in shown if o != g), key=lambda o: abs(np.mean(groups[o]) - np.mean(members)))
        near = [shown[o] for o in others[:COMPARED_CURRENTS]]
        doubted = g in shown and len(near) >= MOST_DOUBTED
        if doubted and np.hypot(*(shown[g] - np.median(near, axis=0))) > ONE_CURRENT_KN:
            made += [part for part in _ways(members, legs) if part]
        else:
            made.append(members)
    return made


def _ways(members: list[int], legs: Legs) -> tuple[list[int], list[int]]:
    """Return the legs of a group that go the way of its first one, and those back."""
    course = legs.values["cog_true_deg_mean"]
    ahead = [bool(abs(wrap_deg(course[m] - course[members[0]])) <= 90.0) for m in members]
    out = [m for m, is_out in zip(members, ahead, strict=True) if is_out]
    return out, [m for m in members if m not in out]


def _number_bands(rpm: FloatArray, groups: list[tuple[float, IntArray, bool]]) -> tuple[IntArray, list[Band]]:
    numbers = np.full(rpm.size, -1, dtype=np.int64)
    bands: list[Band] = []
    filled = sorted((g for g in groups if g[1].size), key=lambda g: float(rpm[g[1]].mean()))
    names = [g[0] for g in filled]
    for k, (name, members, declared) in enumerate(filled):
        numbers[members] = k
        held = rpm[members]
        # two clusters that round to one name keep their own mean, so that no row can be taken for another
        shown = float(held.mean()) if names.count(name) > 1 and not declared else name
        bands.append(
            Band(
                band_rpm=shown,
                low_rpm=float(held.min()),
                high_rpm=float(held.max()),
                declared=declared,
                name=rpm_name(shown),
            )
        )
    return numbers, bands


# ------------------------------------------------------------------------------
# Bands of a trial in which people put stretches into another band than the one their engine speed was read in.
# ------------------------------------------------------------------------------


def assign_relabelled(rpm: FloatArray, label_rpm: FloatArray, settings: Bands) -> tuple[IntArray, list[Band]]:
    """Return the band of each hold (-1 for none) and the bands, ascending, as `assign_bands` does.

    A hold with a label stands in the declared step the label falls into, else in the band whose name is within 1 % of
    it, else in a band of its own; how the other holds are gathered does not depend on it.

    Args:
        rpm: Mean engine speed of each hold [rpm]; NaN without a label is put in no band.
        label_rpm: Band a person put the hold into [rpm]; NaN where nobody did.
        settings: ``[bands]`` of the configuration.
    """
    labelled = np.isfinite(label_rpm)
    number, bands = assign_bands(np.where(labelled, np.nan, rpm), settings)
    if not labelled.any():
        return number, bands
    for label in np.unique(label_rpm[labelled]):
        members = np.flatnonzero(label_rpm == label)
        name, is_declared = _step(float(label), settings)
        apart = np.array([abs(b.band_rpm - name) for b in bands])
        if apart.size and apart.min() <= SAME_STEP_PCT / 100.0 * name:
            number[members] = int(np.argmin(apart))
            continue
        half = band_half_width_rpm(settings) if is_declared else 0.0
        low, high = (name - half, name + half) if is_declared else (rpm[members].min(), rpm[members].max())
        number[members] = len(bands)
        bands.append(
            Band(
                band_rpm=name,
                low_rpm=float(low),
                high_rpm=float(high),
                declared=is_declared,
                name=rpm_name(name),
            )
        )
    order = sorted(range(len(bands)), key=lambda b: (float(rpm[number == b].mean()), bands[b].band_rpm))
    place = np.empty(len(bands) + 1, dtype=np.int64)
    place[order] = np.arange(len(bands))
    place[-1] = -1
    return place[number], [_with_members(bands[b], rpm[number == b]) for b in order]


def _step(label_rpm: float, settings: Bands) -> tuple[float, bool]:
    """Return the declared step a label falls into and True, else the label and False."""
    if not settings.is_automatic:
        nearest = min(settings.steps_rpm, key=lambda step: abs(step - label_rpm))
        if abs(nearest - label_rpm) <= band_half_width_rpm(settings):
            return float(nearest), True
    return label_rpm, False


def _with_members(band: Band, rpm: FloatArray) -> Band:
    """Return a band found automatically with the limits of what is in it now."""
    if band.declared:
        return band
    return replace(band, low_rpm=float(rpm.min()), high_rpm=float(rpm.max()))


# ------------------------------------------------------------------------------
# Means per band that give both directions equal weight, with the scatter of fuel from run to run.
# ------------------------------------------------------------------------------

FUEL_POWER = 2.7
"""d ln fuel / d ln rpm where one band alone cannot tell; between 2.5 and 3 in propeller practice (no source)."""
FUEL_SCATTER_SHARE = 0.005
"""Spread of fuel rate from run to run expected before looking (common practice, no source)."""
FUEL_SCATTER_WORTH = 3.0
"""How many runs that expectation is worth (common practice, no source)."""
FUEL_SLOPE_SHARE = 0.3
"""Relative error of the slope of fuel against rpm, as of that of speed (common practice, no source)."""
_SAME_LINE = 0.3
"""Courses that spread across their line by less than this share of their spread along it are one line (our choice)."""


@dataclass(frozen=True, slots=True)
class FuelValues:
    """Fuel rate per band [L/h], calibrated, at the band's mean rpm; NaN where unknown. Uncertainties k=1."""

    rate_l_per_h: FloatArray
    budget: Budget
    power: FloatArray
    """Its exponent on engine speed."""


def balance_ways(runs: Runs, sequences: list[RunSequence], n_bands: int) -> FloatArray:
    """Return the weight of every run in its band's means, shape (B, n), each row adding up to 1.

    Both ways of a sequence count half, so that wind and sea, which favour one way, cancel. Sequences count by
    their number of runs.
    """
    weights = np.zeros((n_bands, len(runs.members)))
    for sequence in sequences:
        members, sign = np.array(sequence.runs), sequence.sign
        sides = [side for side in (sign > 0, sign < 0) if side.any()]
        for side in sides:
            weights[sequence.band, members[side]] = len(members) / len(sides) / side.sum()
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float64)


def band_means(weights: FloatArray, values: FloatArray) -> FloatArray:
    """Return the weighted mean per band of a value per run, NaN where no run of a band has one."""
    return np.array([weighted_mean(values, w) for w in weights], dtype=np.float64)


def reduce_fuel(
    runs: Runs,
    weights: FloatArray,
    band_rpm: FloatArray,
    settings: Fuel,
    rounding_u_l_per_h: FloatArray | None = None,
    run_rounding_u_l_per_h: FloatArray | None = None,
    held_back_share: FloatArray | None = None,
) -> FuelValues:
    """Return the fuel rate of every band.

    Each run's rate is first brought to the band's mean rpm by the local slope of fuel against rpm on logarithmic
    scales. The scatter of runs about their bands is pooled over all bands as a share of the rate. What wind and sea
    add one way and spare the other is no scatter: it is fitted to all runs and taken out of it, because it cancels in
    the mean of both ways; a band run one way keeps all of it, as a term of its own. What a wrong calibration does, it
    does to every run: it is a Type B term that no number of runs reduces.

    Args:
        runs: All runs.
        weights: From `balance_ways`, shape (B, n).
        band_rpm: Mean rpm per band, shape (B,); NaN where unknown.
        settings: ``[fuel]`` of the configuration.
        rounding_u_l_per_h: What rounding of readings leaves open in each band as shown, shape (B,); None for nothing.
        held_back_share: By what share runs of each band scatter in speed, shape (B,): what holds a boat back at one
            engine speed loads her engines by about the same share, because a propeller's torque falls about as its
            advance grows. None for nothing.
        run_rounding_u_l_per_h: Same in each run, shape (n,): runs that differ by no more than rounding can make them
            differ show no scatter.

    Source: GUM (JCGM 100:2008) 4.2 (Type A, pooled), 4.3 (Type B), 5.1.2; 4.2.5 (scatter about a fitted line).
    """
    shown, band = runs.fuel_l_per_h, np.argmax(weights > 0, axis=0)
    raw = band_means(weights, shown)
    ratio = band_rpm[band] / runs.rpm
    power = _fuel_power(raw, band_rpm)
    at_band = shown * np.where(np.isfinite(ratio), ratio, 1.0) ** power[band]
    rate = band_means(weights, at_band)
    use = np.isfinite(at_band) & (rate[band] > 0)
    known = np.where(use, weights, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        known = known / known.sum(axis=1, keepdims=True)
        off = np.where(use, at_band / rate[band] - 1.0, 0.0)
    if run_rounding_u_l_per_h is not None and run_rounding_u_l_per_h.any():
        with np.errstate(invalid="ignore", divide="ignore"):
            hidden = np.where(use, np.sqrt(3.0) * run_rounding_u_l_per_h / rate[band], 0.0)
        off = np.sign(off) * np.maximum(np.abs(off) - hidden, 0.0)
    by_way, ways = _way_effect(runs.cog_deg, off, band, known, use)
    # bands are expected to scatter by different shares; how much more or less than expected they do is pooled
    expected = np.hypot(FUEL_SCATTER_SHARE, 0.0 if held_back_share is None else held_back_share)
    expected = np.broadcast_to(expected, rate.shape)
    times_expected, freedom = pooled_scatter(
        ((off - by_way + np.nansum(known * by_way, axis=1)[band]) / expected[band])[use],
        max(int(use.sum() - np.unique(band[use]).size) - ways, 0),
        prior_sd=1.0,
        prior_degrees_of_freedom=FUEL_SCATTER_WORTH,
    )
    repeat = times_expected * expected * rate * np.sqrt(np.sum(known**2, axis=1))
    sampling = np.sqrt(np.sum((known * np.nan_to_num(runs.fuel_u_l_per_h)) ** 2, axis=1))
    factor, calibration_pct = 1.0, settings.uncalibrated_u_pct
    name, source = "no calibration", f"{calibration_pct:g} %, usual for figures of engines"
    if settings.calibration is not None:
        factor, calibration_pct = settings.calibration.factor, settings.calibration.u_pct
        name, source = "calibration", f"{calibration_pct:g} %, {settings.calibration.origin}"
    # a reading of nothing may be a little fuel that was rounded away: then that is all its ± holds
    shows_nothing = rounding_u_l_per_h is not None and rounding_u_l_per_h.any()
    silent = (rate == 0.0) & shows_nothing
    terms = [
        # the scatter between runs already holds their sampling error; whichever shows more is taken
        Term(
            "repeat", factor * np.maximum(repeat, sampling), "spread of runs about their bands, pooled", False, freedom
        ),
        Term(
            "rpm match", factor * rate * _rpm_match_share(known, ratio, power[band]), "slope of fuel against rpm, 30 %"
        ),
        Term("one way", factor * np.abs(rate * np.sum(known * by_way, axis=1)), "wind and sea, from runs both ways"),
        Term(name, factor * rate * calibration_pct / 100.0, source, is_common=True),
    ]
    terms = [replace(t, u=np.where(silent, 0.0, t.u)) for t in terms]
    if rounding_u_l_per_h is not None:
        terms.append(Term("rounding", factor * rounding_u_l_per_h, "least count of the fuel readings"))
    return FuelValues(factor * rate, Budget(tuple(terms)), power)


def _rpm_match_share(known: FloatArray, ratio: FloatArray, power: FloatArray) -> FloatArray:
    """Return what bringing runs to one engine speed leaves open in each band, as a share of the rate, shape (B,).

    As with the speed, what each run was moved by is uncertain by a share of it.
    """
    moved = np.where(np.isfinite(ratio), power * np.log(np.where(np.isfinite(ratio), ratio, 1.0)), 0.0)
    return np.asarray(FUEL_SLOPE_SHARE * np.sqrt(np.square(np.nan_to_num(known) * moved).sum(axis=1)), dtype=np.float64)


def _way_effect(
    course_deg: FloatArray, off: FloatArray, band: IntArray, known: FloatArray, use: BoolArray
) -> tuple[FloatArray, int]:
    """Return by what share of the rate wind and sea change each run's fuel, and how many parameters that took.

    The effect is taken to go with the cosine of the angle between course and wind, which two parameters describe
    whatever the direction of the wind; on one line of runs they are one. Bands are compared within themselves.
    """
    radians = np.radians(course_deg)
    way = np.where(use[:, None], np.column_stack([np.cos(radians), np.sin(radians)]), 0.0)
    inside = np.where(use[:, None], way - np.nan_to_num(known @ way)[band], 0.0)
    effect, _, rank, _ = np.linalg.lstsq(inside, off, rcond=_SAME_LINE)
    return np.asarray(way @ effect, dtype=np.float64), int(rank)


def _fuel_power(rate: FloatArray, rpm: FloatArray) -> FloatArray:
    power = np.full(rate.size, FUEL_POWER)
    known = np.flatnonzero(np.isfinite(rate) & np.isfinite(rpm) & (rate > 0) & (rpm > 0))
    if known.size >= 2 and np.all(np.diff(rpm[known]) > 0):
        power[known] = np.clip(np.gradient(np.log(rate[known]), np.log(rpm[known])), 0.0, 5.0)
    return power


def power_at(values: FloatArray, rpm: FloatArray, band: int, usual: float, most: float) -> float:
    """Return d ln q / d ln rpm at a band by the band table, between 0 and `most`; `usual` where nothing tells."""
    known = np.flatnonzero(np.isfinite(values) & np.isfinite(rpm) & (values > 0))
    if known.size < 2 or band not in known or not np.all(np.diff(rpm[known]) > 0):
        return usual
    slopes = np.gradient(np.log(values[known]), np.log(rpm[known]))
    return float(np.clip(slopes[np.searchsorted(known, band)], 0.0, most))
