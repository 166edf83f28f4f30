"""How often a comparison of two trials calls a difference real, with and without one: ``--compare 700``.

Two trials of one simulated boat with the same instruments are drawn, each with a current, a wind and a luck of its own.
The simulation enters at the segments: speeds and fuel are those of the hull of `trialcapture.rehearse` at every run's
wind and current, and the preparation is left out. From there on everything is the program's own: the reduction, its
budgets, and `trialcapture.reduce.session_comparison`. Tests and the program were tuned on seeds below `FIRST_SEED`.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pyarrow as pa
import tomli_w
from scipy.stats import binom, norm

from tests.accuracy.tables import share_bound
from tests.segment_builder import Leg, build_segments
from trialcapture.config import Config, load_config
from trialcapture.reduce.budget import budget_entries
from trialcapture.reduce.reduction import bands_table, legs_table, reduce_segments
from trialcapture.reduce.session_comparison import ComparedSession, DerivedSession, compare_sessions
from trialcapture.reduce.summary import (
    BoatStatement,
    FuelStatement,
    LoadSheet,
    SealStatement,
    SentenceCount,
    SessionOrigin,
    TrialConditions,
    TrialStatement,
)
from trialcapture.reduce.tables import QUANTITY_UNITS
from trialcapture.rehearse.boats import OLD_SEDGE, SMALL_TERN, TARN_PLOVER, BoatModel
from trialcapture.rehearse.hull import settled_fuel_l_per_h, settled_speed_m_s
from trialcapture.rehearse.sea import Sea
from trialcapture.rehearse.simulate import SPEED_BIAS_SD_KN, UNCALIBRATED_SD_PCT, boat_table, engine_tables, load_table
from trialcapture.units import KN_M_PER_S

FIRST_SEED = 50_001
"""Of the table; seeds below are for whoever changes the program."""
BOATS: tuple[BoatModel, ...] = (OLD_SEDGE, SMALL_TERN, TARN_PLOVER)
STEPS = 6
PAIRS = 2
SCATTER_SHARE = 0.005
"""Standard deviation of the speed through water from run to run, over the speed."""
FUEL_SCATTER_SHARE = 0.003
"""Same of the fuel rate beside what the speed does to it."""
CHANGE = 0.03
"""What is to be found."""
SAMPLING_KN, HEADING_SD_DEG, RPM_SD_SHARE = 0.03, 1.0, 0.001
RUN_S, GAP_S = 90.0, 240.0
CURRENT_MOST_KN, WIND_MOST_KN, TIDE_MOST_KN_PER_H = 2.0, 10.0, 0.6
LEAST, MOST, FOUND_LEAST = 0.03, 0.07, 0.90
KINDS = ("nothing", "speed", "fuel")
"""What differs between the two trials: with ``speed`` the speeds, with ``fuel`` the fuel rates, by `CHANGE`."""
MOVES = {"nothing": (), "speed": ("speed", "economy", "range"), "fuel": ("fuel", "economy", "range")}


@dataclass(frozen=True)
class Instruments:
    """Errors that both trials share."""

    bias_kn: float
    fuel_factor: float


@dataclass
class Compared:
    """One comparison: per quantity, whether each band was called real, and the size of k u over the value.

    Attributes:
        seed, kind, is_shifted: What was drawn; shifted means that the second trial ran other steps.
        has_heading: Whether the boat had a compass.
        real, half_pct: Per quantity, one entry a band.
        off: Same, the logarithm of the ratio over its standard uncertainty.
        log_ratio: Same, the logarithm of the ratio.
        steps: Same, the number of the step.
    """

    seed: int
    kind: str
    is_shifted: bool
    has_heading: bool
    real: dict[str, list[bool]] = field(default_factory=lambda: {q: [] for q in QUANTITY_UNITS})
    half_pct: dict[str, list[float]] = field(default_factory=lambda: {q: [] for q in QUANTITY_UNITS})
    off: dict[str, list[float]] = field(default_factory=lambda: {q: [] for q in QUANTITY_UNITS})
    log_ratio: dict[str, list[float]] = field(default_factory=lambda: {q: [] for q in QUANTITY_UNITS})
    steps: dict[str, list[int]] = field(default_factory=lambda: {q: [] for q in QUANTITY_UNITS})


@cache
def config_of(boat: BoatModel) -> Config:
    """Return the settings of a trial of this boat: fuel figures uncalibrated, tank stated."""
    density = boat.engine.fuel_kg_per_l * 1000.0
    return load_config(
        tomli_w.dumps(
            {
                "boat": boat_table(boat), "load": load_table(boat), "engine": engine_tables(boat),
                "fuel": {"capacity_l": boat.fuel_capacity_l, "density_kg_per_m3": round(density, 6)},
            }
        )
    )  # fmt: skip


@cache
def _still_kn(boat: BoatModel, rpm: float) -> float:
    """Return about the speed at an engine speed [kn], from which the balance of each run is sought."""
    near_m_s, calm = 3.0, Sea(47.5, -8.2, current_kn=0.0, wind_kn=0.0, wave_height_m=0.0)
    for at in np.arange(boat.steps_rpm[0], rpm + 1.0, 20.0).tolist():
        near_m_s = settled_speed_m_s(boat, calm, [at] * len(boat.engine_ids), 0.0, (0.0, 0.0),
                                     boat.displacement_kg, near_m_s)  # fmt: skip
    return near_m_s / KN_M_PER_S


def steps_of(boat: BoatModel, is_shifted: bool) -> list[float]:
    """Return the engine speeds of a trial; shifted by half a step where asked."""
    steps = np.round(np.linspace(boat.steps_rpm[1], boat.steps_rpm[-2], STEPS), -1)
    return (steps + np.round(np.diff(steps)[0] / 2.0, -1) * is_shifted).tolist()


def draw_segments(
    boat: BoatModel, steps: Sequence[float], rng: np.random.Generator, shared: Instruments, has_heading: bool,
    speed_factor: float, fuel_factor: float,
) -> pa.Table:  # fmt: skip
    """Return the segments of one trial: `PAIRS` runs there and back at every step, in a current and wind of its own."""
    strength, towards = rng.uniform(0.0, CURRENT_MOST_KN), rng.uniform(0.0, 2.0 * np.pi)
    grows = rng.uniform(-TIDE_MOST_KN_PER_H, TIDE_MOST_KN_PER_H)
    axis = float(rng.uniform(0.0, 360.0))
    wind_kn, wind_from = float(rng.uniform(0.0, WIND_MOST_KN)), float(rng.uniform(0.0, 360.0))
    sea = Sea(47.5, -8.2, current_kn=0.0, wind_kn=wind_kn, wind_from_deg=wind_from, wave_height_m=0.0)

    def current(t_h: float) -> tuple[float, float]:
        kn = strength + grows * t_h
        return float(kn * np.cos(towards)), float(kn * np.sin(towards))

    legs, t_s = [], 0.0
    for step in steps:
        held = step * (1.0 + float(rng.normal(0.0, RPM_SD_SHARE)))
        for run in range(2 * PAIRS):
            mid_h = (t_s + RUN_S / 2.0) / 3600.0
            course = (axis + 180.0 * (run % 2)) % 360.0
            north, east = current(mid_h)
            at = settled_speed_m_s(
                boat, sea, [held] * len(boat.engine_ids), np.radians(course), (east * KN_M_PER_S, north * KN_M_PER_S),
                boat.displacement_kg, _still_kn(boat, step) * KN_M_PER_S,
            )  # fmt: skip
            at *= 1.0 + float(rng.normal(0.0, SCATTER_SHARE))
            fuel = settled_fuel_l_per_h(boat, [held] * len(boat.engine_ids), at)
            fuel *= fuel_factor * shared.fuel_factor * (1.0 + float(rng.normal(0.0, FUEL_SCATTER_SHARE)))
            told = {"wind_speed_true_kn_mean": wind_kn, "wind_from_true_deg_mean": wind_from}
            legs.append(Leg(held, at / KN_M_PER_S * speed_factor, course, mid_h, fuel, RUN_S, told))
            t_s += RUN_S + GAP_S
    table = build_segments(
        legs, current, engines=boat.engine_ids, heading=has_heading, rng=rng, sampling_kn=SAMPLING_KN,
        heading_sd_deg=HEADING_SD_DEG,
    )  # fmt: skip
    sog = table["sog_kn_mean"].to_numpy() + shared.bias_kn
    return table.set_column(table.column_names.index("sog_kn_mean"), "sog_kn_mean", pa.array(sog))


def reduced(segments: pa.Table, boat: BoatModel, session_id: str) -> ComparedSession:
    """Return what the program makes of a trial, as a comparison takes it."""
    config = config_of(boat)
    _, made = reduce_segments(segments, config, clocks=None)
    assert made is not None
    of, fuel = config.boat, config.fuel
    return ComparedSession(
        DerivedSession(
            SessionOrigin(session_id, "2031-05-14T09:00:00Z", "simulated"), "0", "0",
            BoatStatement(of.name, of.length_m, of.beam_m, of.draught_m, of.lightship_kg, of.planing), (),
            TrialStatement("", "", ""), LoadSheet((), None, (), ()),
            FuelStatement(fuel.capacity_l, fuel.capacity_u_pct, fuel.usable_fraction, fuel.usable_u,
                          fuel.reserve_fraction, None, fuel.density_kg_per_m3, None, fuel.uncalibrated_u_pct),
            TrialConditions(None, None, "", *[None] * 7, "sea", None, 1025.0, None, "", ()),
            (SentenceCount("bus", "GP", "RMC", 1, 0, 0),), budget_entries(made.bands, made.quantities),
            SealStatement("intact", None, "", (), "", (), "of the session"),
        ),
        bands_table(made, session_id), legs_table(made, session_id),
    )  # fmt: skip


def run(seed: int, kind: str = "nothing", is_shifted: bool = False, has_heading: bool = True) -> Compared:
    """Draw two trials and compare them."""
    rng = np.random.default_rng([seed, KINDS.index(kind), int(is_shifted), int(has_heading)])
    boat = BOATS[seed % len(BOATS)]
    shared = Instruments(
        float(rng.normal(0.0, SPEED_BIAS_SD_KN)), 1.0 + float(rng.normal(0.0, UNCALIBRATED_SD_PCT)) / 100.0
    )
    found = Compared(seed, kind, is_shifted, has_heading)
    sides = []
    for number in (0, 1):
        by = 1.0 + CHANGE * number
        segments = draw_segments(
            boat, steps_of(boat, is_shifted and number == 1), rng, shared, has_heading,
            by if kind == "speed" else 1.0, by if kind == "fuel" else 1.0,
        )  # fmt: skip
        sides.append(reduced(segments, boat, f"trial-{number}"))
    result = compare_sessions(sides[:1], sides[1:])
    for number, band in enumerate(result.bands):
        for q in band.quantities:
            between = "between" in q.first.how + q.second.how
            if between == is_shifted:
                found.real[q.quantity].append(q.is_real)
                found.half_pct[q.quantity].append(100.0 * q.k * q.ratio_u)
                found.off[q.quantity].append(float(np.log(q.ratio)) / q.ratio_u * q.ratio)
                found.log_ratio[q.quantity].append(float(np.log(q.ratio)))
                found.steps[q.quantity].append(number)
    return found


def run_all(comparisons: int, jobs: int, first: int = FIRST_SEED) -> list[Compared]:
    """Run so many comparisons without a change; a quarter as many with each change, at other steps, no compass."""
    tasks = [(first + n, "nothing", False, True) for n in range(comparisons)]
    part = max(comparisons // 4, 1)
    tasks += [(first + n, kind, False, True) for kind in KINDS[1:] for n in range(part)]
    tasks += [(first + n, "nothing", is_shifted, is_shifted) for is_shifted in (True, False) for n in range(part)]
    found = []
    with ProcessPoolExecutor(jobs) as pool:
        for n, one in enumerate(pool.map(run, *zip(*tasks, strict=True), chunksize=4), start=1):
            found.append(one)
            if n % 100 == 0 or n == len(tasks):
                print(f"{n} of {len(tasks)} comparisons", file=sys.stderr, flush=True)
    return found


# ------------------------------------------------------------------------------
# Tables and demands.
# ------------------------------------------------------------------------------


def flags_of(found: Sequence[Compared], quantity: str, kind: str, *, is_shifted: bool = False) -> list[list[bool]]:
    """Return by comparison which bands were called real, of trials with a compass."""
    chosen = [c for c in found if c.has_heading and c.kind == kind and c.is_shifted == is_shifted]
    return [c.real[quantity] for c in chosen if c.real[quantity]]


def share_of(flags: Sequence[Sequence[bool]]) -> float:
    """Return the share of bands called real."""
    return float(np.mean([x for one in flags for x in one])) if flags else float("nan")


def honest_bounds(bands: int, share: float, level: float = 0.999) -> tuple[float, float]:
    """Return between which shares so many independent bands lie with a chance of `level`, if `share` is true."""
    low, high = binom.interval(level, bands, share)
    return float(low) / bands, float(high) / bands


def ideal_power(found: Sequence[Compared], quantity: str) -> float:
    """Return the share of bands in which a test that knows the scatter of the differences finds `CHANGE`.

    The scatter is that of the differences without a change, by boat and step. A test of 5 % calls real what is beyond
    1.96 times of it; no other test of 5 % that is as good both ways finds more.

    Source: uniformly most powerful unbiased test of a normal mean (Lehmann & Romano, *Testing Statistical Hypotheses*,
    section 4.2; from memory).
    """
    by_place: dict[tuple[int, int], list[float]] = {}
    for c in found:
        if c.has_heading and c.kind == "nothing" and not c.is_shifted:
            for step, off in zip(c.steps[quantity], c.log_ratio[quantity], strict=True):
                by_place.setdefault((c.seed % len(BOATS), step), []).append(off)
    shares, sizes = [], []
    for offs in by_place.values():
        moved = np.log(1.0 + CHANGE) / np.sqrt(np.mean(np.square(offs)))
        shares.append(float(norm.sf(norm.isf(0.025) - moved) + norm.cdf(-norm.isf(0.025) - moved)))
        sizes.append(len(offs))
    return float(np.average(shares, weights=sizes)) if shares else float("nan")


def demands(found: Sequence[Compared]) -> list[tuple[str, bool, str]]:
    """Return each demand: what, whether it is met, and the figure that tells."""
    out = []
    for quantity in QUANTITY_UNITS:
        flags = flags_of(found, quantity, "nothing")
        share, bands = share_of(flags), sum(map(len, flags))
        what = f"{quantity}, no change: bands called real, 3 to 7 %"
        out.append((what, LEAST <= share <= MOST, f"{100 * share:.1f} % of {bands}"))
    for quantity, kind in (("speed", "speed"), ("fuel", "fuel"), ("economy", "speed"), ("economy", "fuel")):
        flags = flags_of(found, quantity, kind)
        share, bands = share_of(flags), sum(map(len, flags))
        what = f"{quantity}, {kind} changed by 3 %: bands called real, at least 90 %"
        most = f"a test that knew the scatter: {100 * ideal_power(found, quantity):.1f} %"
        out.append((what, share >= FOUND_LEAST, f"{100 * share:.1f} % of {bands}; {most}"))
    for quantity in QUANTITY_UNITS:
        flags = flags_of(found, quantity, "nothing", is_shifted=True)
        share, bands = share_of(flags), sum(map(len, flags))
        what = f"{quantity}, no change, interpolated: bands called real, at most 7 %"
        out.append((what, share <= MOST, f"{100 * share:.1f} % of {bands}"))
    return out


def _one_step(found: Compared, n: int) -> Compared:
    """Return a comparison with its band number n alone."""
    kept = replace(found, real={q: x[n : n + 1] for q, x in found.real.items()})
    return replace(kept, half_pct={q: x[n : n + 1] for q, x in found.half_pct.items()})


def level_table(found: Sequence[Compared]) -> str:
    """Return false alarms and the median half width by boat, engine speed and compass, in Markdown."""
    rows = ["| trials | " + " | ".join(f"{q}: real, median ±" for q in QUANTITY_UNITS) + " |", "|---" * 5 + "|"]
    still = [c for c in found if c.kind == "nothing" and not c.is_shifted]
    with_compass = [c for c in still if c.has_heading]
    groups = [("all with a compass", with_compass)]
    groups += [(boat.name, [c for c in with_compass if BOATS[c.seed % len(BOATS)] is boat]) for boat in BOATS]
    groups += [(f"step {n + 1} of {STEPS}", [_one_step(c, n) for c in with_compass]) for n in range(STEPS)]
    groups += [("no compass", [c for c in still if not c.has_heading])]
    for name, group in groups:
        cells = [f"{name} ({len(group)})"]
        for q in QUANTITY_UNITS:
            flags, half = [c.real[q] for c in group], [x for c in group for x in c.half_pct[q]]
            bound = share_bound(flags)
            if half and bound is not None:
                cells.append(f"{100 * share_of(flags):.1f} % (99 % bound {100 * bound:.1f}), {np.median(half):.2f} %")
            else:
                cells.append("-")
        rows.append("| " + " | ".join(cells) + " |")
    return "\n".join(rows)
