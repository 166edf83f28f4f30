"""A step that was run again after others, the bookend of a trial: the last runs against the first, with a verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa

from trialcapture.config import Config
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.bands import POWER_U, Band, band_key, power_at
from trialcapture.reduce.reduction import GatheredLegs, Reduction, reduce_gathered
from trialcapture.reduce.runs import IntArray
from trialcapture.reduce.summary import RepeatedQuantity, RepeatedStep, TrialWarning
from trialcapture.reduce.tables import iso_utc, quantity, warn
from trialcapture.reduce.uncertainty import ComparedValue, combine_uncertainties, compare_values

ONE_WAY_DEG = 45.0
"""Runs within this of each other go the same way (common practice, no source)."""
_UNITS = {"speed": "kn", "fuel": "L/h", "economy": "nm/L"}


def find_repeats(made: Reduction) -> dict[int, list[list[int]]]:
    """Return the bands that were run again after another one: by band, groups of runs that nothing lies between.

    A way back that came after other steps is no repetition: first and last group must have a direction in common.

    Args:
        made: The reduction.
    """
    groups: dict[int, list[list[int]]] = {}
    former = -1
    for k in np.argsort(made.runs.start_h, kind="stable").tolist():
        band = int(made.runs.band[k])
        if band == former:
            groups[band][-1].append(k)
        else:
            groups.setdefault(band, []).append([k])
        former = band
    course = made.runs.cog_deg
    return {
        band: found
        for band, found in sorted(groups.items())
        if len(found) > 1
        and np.isfinite(made.rpm[band])
        and np.any(np.abs(wrap_deg(course[found[0]][:, None] - course[found[-1]][None, :])) <= ONE_WAY_DEG)
    }


def compare_repeats(
    gathered: GatheredLegs,
    made: Reduction,
    segments: pa.Table,
    config: Config,
    clocks: pa.Table | None,
    *,
    with_differences: bool = True,
) -> tuple[RepeatedStep, ...]:
    """Return how the last runs of each repeated step differ from its first ones.

    All runs are reduced once more with each group as a band of its own, so that every group has its own budget and
    both lie in the same fit of the current. What all runs share cancels. Values are compared at the engine speed of the
    first runs, by the local slope of the band table.

    Args:
        gathered: The legs.
        made: The reduction.
        segments: It was made of.
        config: Settings as used.
        clocks: Clocks of the trial set.
        with_differences: Tell by how much they differ, which takes as long as the reduction; without, which steps were
            repeated.

    Source: GUM (JCGM 100:2008) 5.2.2 (correlated input quantities).
    """
    repeats = find_repeats(made)
    if not repeats:
        return ()
    numbers, bands = _one_band_a_group(gathered, made, repeats)
    apart = None
    if with_differences:
        regrouped = replace(gathered, band=numbers, bands=bands)
        apart = reduce_gathered(regrouped, segments, config, clocks, made.fit.current)
    found = []
    for band, groups in repeats.items():
        first, last = ([leg for k in group for leg in made.runs.members[k]] for group in (groups[0], groups[-1]))
        ends = int(numbers[first[0]]), int(numbers[last[0]])
        compared = (
            ()
            if apart is None
            else tuple(q for name in _UNITS if (q := _compared(name, made, band, apart, *ends)) is not None)
        )
        if compared or apart is None:
            legs = made.legs
            found.append(
                RepeatedStep(
                    **band_key(made.bands[band]),
                    first_start=iso_utc(int(legs.start_ns[first].min())),
                    last_start=iso_utc(int(legs.start_ns[last].min())),
                    first_legs=tuple(legs.segment_id[first].tolist()),
                    last_legs=tuple(legs.segment_id[last].tolist()),
                    quantities=compared,
                )
            )
    return tuple(found)


def _one_band_a_group(
    gathered: GatheredLegs, made: Reduction, repeats: dict[int, list[list[int]]]
) -> tuple[IntArray, list[Band]]:
    """Return the band of each leg and the bands, ascending in engine speed, with a band for each group of runs."""
    parts: list[tuple[float, Band, list[int]]] = []
    for band, limits in enumerate(gathered.bands):
        groups = repeats.get(band, [np.flatnonzero(made.runs.band == band).tolist()])
        for number, group in enumerate(groups):
            legs = [leg for k in group for leg in made.runs.members[k]]
            name = f"{made.bands[band].name}, {iso_utc(int(made.legs.start_ns[legs].min()))}" if number else limits.name
            parts.append((float(np.nanmean(made.runs.rpm[group])), replace(limits, name=name), legs))
    parts.sort(key=lambda part: (not np.isfinite(part[0]), part[0]))
    numbers = np.full(gathered.band.size, -1, dtype=np.int64)
    for number, (_, _, legs) in enumerate(parts):
        numbers[legs] = number
    return numbers, [limits for _, limits, _ in parts]


def _compared(
    name: str, made: Reduction, band: int, apart: Reduction, first: int, last: int
) -> RepeatedQuantity | None:
    """Return one quantity of the last runs beside that of the first; None where either is unknown."""
    values = {
        "speed": (apart.quantities.speed_kn, apart.quantities.speed),
        "fuel": (apart.quantities.fuel_l_per_h, apart.quantities.fuel),
        "economy": (apart.quantities.economy_nm_per_l, apart.quantities.economy),
    }
    value, budget = values[name]
    if not (np.isfinite(value[[first, last]]).all() and (value[[first, last]] > 0).all()):
        return None
    log_ratio = float(np.log(apart.rpm[first] / apart.rpm[last]))
    brought = float(np.exp(_power(name, made, band) * log_ratio))
    at_first = float(value[last]) * brought
    a = ComparedValue(
        float(value[first]), float(budget.own_u[first]), float(budget.common_u[first]), float(budget.own_freedom[first])
    )
    own_u = combine_uncertainties(float(budget.own_u[last]) * brought, at_first * POWER_U * log_ratio)
    b = ComparedValue(at_first, own_u, float(budget.common_u[last]) * brought, float(budget.own_freedom[last]))
    found = compare_values(a, b)
    return RepeatedQuantity(
        quantity=name, unit=_UNITS[name], first=a.value, last=b.value, difference=found.difference,
        difference_u=found.difference_u, k=found.k, is_real=found.is_real,
    )  # fmt: skip


def _power(name: str, made: Reduction, band: int) -> float:
    """Return d ln q / d ln rpm at a band by the band table; 1 for speed, 3 for fuel where there is nothing to tell."""
    speed = power_at(made.quantities.speed_kn, made.rpm, band, 1.0, 4.0)
    fuel = power_at(made.quantities.fuel_l_per_h, made.rpm, band, 3.0, 6.0)
    return {"speed": speed, "fuel": fuel, "economy": speed - fuel}[name]


def repeat_warnings(found: tuple[RepeatedStep, ...]) -> list[TrialWarning]:
    """Return one warning for each step whose last runs differ from its first ones beyond noise."""
    warnings = []
    for step in found:
        for q in step.quantities:
            if q.is_real and q.quantity != "economy":
                size, pm = (
                    quantity(x, q.unit, form) for x, form in ((q.difference, "+.2f"), (q.k * q.difference_u, ".2f"))
                )
                warnings.append(
                    warn("repeat-differs", step.band_name, f"{q.quantity}: {size.text}, ± {pm.text}.", (size, pm))
                )
    return warnings
