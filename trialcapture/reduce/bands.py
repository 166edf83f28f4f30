"""Which held engine speeds belong together: the declared steps, or clusters of what was held."""

from __future__ import annotations

from typing import TypedDict

import numpy as np

from trialcapture.config import Bands, Steady
from trialcapture.prepare.statistics import wrap_deg
from trialcapture.reduce.legs import IntArray, Legs
from trialcapture.reduce.statistics import FloatArray

WIDEST_DEFAULT_HALF_WIDTH_RPM = 100.0
"""Common practice, no source: a throttle set by hand stays well inside it."""
SAME_STEP_PCT = 1.0
"""Holds this close are always one step: the rpm match asked of a reciprocal run (common practice, no source)."""
OTHER_STEP_PCT = 4.0
"""Holds this far apart are never neighbours in one cluster (common practice, no source)."""
NOMINAL_PCT = 0.5
"""A cluster is named after a round number this close to its mean; the mean itself stands beside it."""
SAME_SPEED_KN = 0.7
BACK_SPEED_KN = 3.0
"""Without engine speed: how far two runs of one setting may differ one way, and out and back (no source)."""
CLEARLY_OTHER_STEP_PCT = 8.0
"""Gaps wider than this tell no more about where the cut should be (common practice, no source)."""


class Band(TypedDict):
    """Limits of one RPM band; all NaN when the boat's engine speed is unknown."""

    band_rpm: float
    low_rpm: float
    high_rpm: float
    declared: bool


def assign_bands(rpm: FloatArray, settings: Bands) -> tuple[IntArray, list[Band]]:
    """Return the band of each hold (-1 for none) and the bands, ascending.

    With declared steps a hold belongs to the nearest step within the half width. A hold above the highest declared
    step makes a band of its own, because it may well be the top speed; other holds between steps stay out.

    Args:
        rpm: Mean engine speed of each hold [rpm]; NaN is put in no band.
        settings: ``[bands]`` of the configuration.
    """
    if settings.is_automatic:
        found = find_clusters(rpm, settings.half_width_rpm)
        return _number_bands(rpm, [(_nominal(rpm[members]), members, False) for members in found])
    steps = np.array(settings.steps_rpm, dtype=np.float64)
    half = band_half_width_rpm(settings)
    distance = np.abs(rpm[:, None] - steps[None, :])
    nearest = np.argmin(np.where(np.isfinite(distance), distance, np.inf), axis=1)
    inside = distance[np.arange(rpm.size), nearest] <= half
    groups: list[tuple[float, IntArray, bool]] = [
        (float(step), np.flatnonzero(inside & (nearest == k)), True) for k, step in enumerate(steps)
    ]
    above = np.flatnonzero(rpm > steps[-1] + half)
    for members in find_clusters(rpm[above], settings.half_width_rpm):
        groups.append((_nominal(rpm[above][members]), above[members], False))
    numbers, bands = _number_bands(rpm, groups)
    for band in bands:
        if band["declared"]:
            band["low_rpm"], band["high_rpm"] = band["band_rpm"] - half, band["band_rpm"] + half
    return numbers, bands


def band_half_width_rpm(settings: Bands) -> float:
    """Return the half width of a declared band [rpm]: as given, else half the smallest step, at most 100."""
    if settings.half_width_rpm is not None:
        return settings.half_width_rpm
    gaps = np.diff(np.array(settings.steps_rpm, dtype=np.float64))
    return float(min(WIDEST_DEFAULT_HALF_WIDTH_RPM, *(gaps / 2.0))) if gaps.size else WIDEST_DEFAULT_HALF_WIDTH_RPM


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


def _nominal(rpm: FloatArray) -> float:
    """Return the name of a cluster: its mean to the nearest 50 rpm where within 0.5 %, else to the nearest 10."""
    mean = float(rpm.mean())
    round_rpm = 50.0 * round(mean / 50.0)
    return round_rpm if abs(mean - round_rpm) <= NOMINAL_PCT / 100.0 * mean else 10.0 * round(mean / 10.0)


def assign_without_rpm(legs: Legs, settings: Steady) -> tuple[IntArray, list[Band]]:
    """Return bands of legs whose engine speed is unknown, ascending in speed; their rpm is NaN.

    A leg joins the legs before it when it goes the same way at the same speed soon after, or comes back soon after
    at a speed that a strong current explains; anything else opens a new band.

    Args:
        legs: Accepted segments in order of time.
        settings: ``reciprocal_deg`` and ``reciprocal_max_gap_min`` are used.
    """
    sog, course = legs["values"]["sog_kn_mean"], legs["values"]["cog_true_deg_mean"]
    groups: list[list[int]] = []
    for k in range(sog.size):
        last = groups[-1][-1] if groups else k
        gap_min = (legs["start_ns"][k] - legs["stop_ns"][last]) / 60e9
        turned, back = np.abs(wrap_deg(np.array([course[k] - course[last], course[k] - course[last] - 180.0])))
        apart = abs(sog[k] - sog[last])
        joins = (turned <= settings.reciprocal_deg and apart <= SAME_SPEED_KN) or (
            back <= 2.0 * settings.reciprocal_deg and apart <= BACK_SPEED_KN
        )
        if groups and joins and gap_min <= settings.reciprocal_max_gap_min:
            groups[-1].append(k)
        else:
            groups.append([k])
    groups.sort(key=lambda members: float(sog[members].mean()))
    numbers = np.full(sog.size, -1, dtype=np.int64)
    for b, members in enumerate(groups):
        numbers[members] = b
    nan = float(np.nan)
    return numbers, [{"band_rpm": nan, "low_rpm": nan, "high_rpm": nan, "declared": False} for _ in groups]


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
            {"band_rpm": shown, "low_rpm": float(held.min()), "high_rpm": float(held.max()), "declared": declared}
        )
    return numbers, bands
