"""Two trials side by side: what cancels, what is brought to one engine speed, and how often noise is called real."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest
from scipy import stats

from tests.accuracy import comparisons
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.session_comparison import (
    LEG_COLUMNS,
    ComparedSession,
    QuantityDifference,
    SessionsCompared,
    compare_sessions,
    parse_derived,
)
from trialcapture.reduce.summary import (
    BandBudget,
    BoatStatement,
    BudgetTerm,
    EngineStatement,
    FuelCheck,
    FuelStatement,
    LoadSheet,
    QuantityBudget,
    SealStatement,
    SentenceCount,
    SessionOrigin,
    TrialConditions,
    TrialStatement,
)
from trialcapture.reduce.tables import BANDS_SCHEMA, LEGS_SCHEMA, QUANTITY_UNITS

NO_LEGS = pa.schema([LEGS_SCHEMA.field(name) for name in LEG_COLUMNS]).empty_table()


def budget(
    quantity: str, value: float, own: float, common: Sequence[tuple[str, float]], freedom: float | None = None
) -> QuantityBudget:
    terms = [BudgetTerm("sampling", own, False, freedom, "test")]
    terms += [BudgetTerm(name, u, True, None, "test") for name, u in common]
    common_u = float(np.sqrt(sum(u * u for _, u in common)))
    return QuantityBudget(
        quantity,
        QUANTITY_UNITS[quantity],
        value,
        float(np.hypot(own, common_u)),
        own,
        common_u,
        freedom,
        2.0,
        tuple(terms),
    )


def trial(
    name: str,
    rpm: Sequence[float],
    speed: Callable[[float], float],
    *,
    own: float = 0.02,
    bias: float = 0.05,
    version: str = "0.1.0",
    boat: str = "Old Sedge",
    source: str = "gps1",
    ways: int = 2,
    freedom: float | None = None,
) -> ComparedSession:
    """A session whose speed is `speed` of the engine speed and whose fuel is calibrated to 1 %."""
    rows, budgets = [], []
    for at in rpm:
        v, f = speed(at), 1e-9 * at**3
        of_economy = [("speed, common", bias / f), ("fuel, common", 0.01 * v / f)]
        quantities = (
            budget("speed", v, own, [("receiver bias", bias), ("tachometer", 0.001 * v)], freedom),
            budget("fuel", f, 0.01 * f, [("calibration", 0.01 * f)]),
            budget("economy", v / f, 0.01 * v / f, of_economy),
        )
        label = f"{at:.0f} rpm"
        budgets.append(BandBudget(at, label, quantities))
        row = dict.fromkeys(BANDS_SCHEMA.names)
        rows.append(row | {"band_rpm": at, "rpm_mean": at, "band_name": label, "ways": ways, "legs": 4, "flags": "",
                           "speed_kn": v, "fuel_l_per_h": f, "session_id": name})  # fmt: skip
    derived = comparisons.DerivedSession(
        SessionOrigin(name, "2031-05-14T09:00:00Z", "test"), version, "0",
        BoatStatement(boat, 11.6, 3.7, 1.35, 8900.0, False),
        (EngineStatement("main", "", 2600.0, 60.0, 2.6, None, None, None),), TrialStatement("", "", ""),
        LoadSheet((), None, (), ()),
        FuelStatement(480.0, 2.0, 0.97, 0.015, 0.1, None, 838.0, FuelCheck(1.02, "tank to tank", 1.0), None),
        TrialConditions(None, None, "", 0.0, *[None] * 6, "sea", None, 1025.0, None, "", ()),
        (SentenceCount(source, "GP", "RMC", 9, 0, 0),), tuple(budgets),
        SealStatement("intact", None, "", (), "", (), "of the session"),
    )  # fmt: skip
    return ComparedSession(derived, pa.Table.from_pylist(rows, BANDS_SCHEMA), NO_LEGS)


def at(found: SessionsCompared, rpm: float, quantity: str = "speed") -> QuantityDifference:
    q = next(band for band in found.bands if band.rpm == pytest.approx(rpm, rel=1e-3)).of(quantity)
    assert q is not None
    return q


STEPS = (1000.0, 1200.0, 1400.0, 1600.0, 1800.0)


def straight(rpm: float) -> float:
    return rpm / 200.0


# ------------------------------------------------------------------------------
# What both share takes no part in the difference.
# ------------------------------------------------------------------------------


def test_the_same_receiver_cancels_and_stays_in_the_values() -> None:
    found = compare_sessions([trial("a", STEPS, straight)], [trial("b", STEPS, straight)])
    q = at(found, 1400.0)
    # GUM 5.2.2 with correlation 1: equal values, so that bias and tachometer cancel in difference and ratio
    assert q.difference_u == pytest.approx(np.hypot(0.02, 0.02))
    assert q.ratio_u == pytest.approx(np.hypot(0.02, 0.02) / 7.0)
    assert q.first.u == pytest.approx(np.sqrt(0.02**2 + 0.05**2 + 0.007**2))
    assert all(cause.is_shared for cause in found.shared)


@pytest.mark.parametrize(
    ("other", "stated", "is_shared"),
    [({"source": "gps2"}, {}, False), ({}, {"receiver": False}, False), ({"source": "gps2"}, {"receiver": True}, True)],
)
def test_another_receiver_does_not_cancel(other: dict[str, str], stated: dict[str, bool], is_shared: bool) -> None:
    found = compare_sessions([trial("a", STEPS, straight)], [trial("b", STEPS, straight, **other)], stated)  # type: ignore[arg-type]
    own = np.hypot(0.02, 0.02)
    assert at(found, 1400.0).difference_u == pytest.approx(own if is_shared else np.sqrt(own**2 + 2 * 0.05**2))
    assert next(c.is_shared for c in found.shared if c.kind == "receiver") is is_shared


def test_another_boat_shares_nothing_and_is_named() -> None:
    found = compare_sessions([trial("a", STEPS, straight)], [trial("b", STEPS, straight, boat="Small Tern")])
    assert not any(cause.is_shared for cause in found.shared)
    assert "Different boats: Old Sedge, Small Tern" in found.remarks[0]
    q = at(found, 1400.0, "fuel")
    assert q.ratio_u == pytest.approx(np.sqrt(4 * 0.01**2))


def test_real_is_beyond_k_times_the_uncertainty_of_the_ratio() -> None:
    few = 3.0
    for freedom, k in ((None, 2.0), (few, 2.87)):
        for share, is_real in ((1.9, False), (3.2, True)):
            moved = np.exp(share * 0.02 * np.sqrt(2.0) / 7.0 * 1.0)
            b = trial("b", STEPS, lambda rpm, m=moved: straight(rpm) * m, freedom=freedom)  # type: ignore[misc]
            q = at(compare_sessions([trial("a", STEPS, straight, freedom=freedom)], [b]), 1400.0)
            assert q.is_real is is_real
        # two parts of equal size with three degrees of freedom each have six (Welch-Satterthwaite), k 2.52 at 95.45 %
        assert q.k == pytest.approx(2.0 if freedom is None else 2.52, abs=0.02), k


def test_results_of_different_versions_are_named_first() -> None:
    found = compare_sessions([trial("a", STEPS, straight)], [trial("b", STEPS, straight, version="0.2.0")])
    assert found.remarks[0].startswith("Derived by different versions of the program (0.1.0: a; 0.2.0: b)")


def test_a_session_is_not_compared_with_itself() -> None:
    one = trial("a", STEPS, straight)
    with pytest.raises(TrialCaptureError, match="compared with itself"):
        compare_sessions([one], [one])
    with pytest.raises(TrialCaptureError, match="nothing to compare"):
        compare_sessions([one], [])


# ------------------------------------------------------------------------------
# Equal engine speed.
# ------------------------------------------------------------------------------


def test_between_bands_a_power_law_is_met_exactly_and_costs_uncertainty() -> None:
    found = compare_sessions([trial("a", STEPS, straight)], [trial("b", (1100.0, 1300.0, 1500.0, 1700.0), straight)])
    q = at(found, 1200.0)
    assert q.second.how == "between 1100 and 1300 rpm"
    assert q.second.value == pytest.approx(6.0)
    t = np.log(12 / 11) / np.log(13 / 11)
    own = 6.0 * np.sqrt(((1 - t) * 0.02 / 5.5) ** 2 + (t * 0.02 / 6.5) ** 2 + 0.002**2)
    assert q.difference_u == pytest.approx(np.hypot(0.02, own), rel=2e-3)
    assert not q.is_real
    assert {n.name for n in found.not_compared} == {"1000 rpm", "1800 rpm"}


def test_a_hump_between_two_bands_is_not_interpolated() -> None:
    def hump(rpm: float) -> float:
        return rpm / 200.0 * (1.6 if rpm > 1450.0 else 1.0)

    found = compare_sessions([trial("a", STEPS, hump)], [trial("b", (1100.0, 1300.0, 1500.0, 1700.0), hump)])
    reasons = {n.name: n.reason for n in found.not_compared}
    assert reasons["1400 rpm"] == "B: the curve may have a step between 1300 and 1500 rpm"
    assert reasons["1500 rpm"] == "A: the curve may have a step between 1400 and 1600 rpm"


def test_bands_far_apart_and_beyond_the_ends_are_not_compared() -> None:
    found = compare_sessions([trial("a", (1000.0, 1300.0, 2500.0), straight)],
                             [trial("b", (900.0, 1000.0, 1600.0, 2000.0), straight)])  # fmt: skip
    reasons = {n.name: n.reason for n in found.not_compared}
    assert reasons["1300 rpm"] == "B: nothing was run between 1000 and 1600 rpm, which are too far apart"
    assert reasons["2500 rpm"] == "B: run from 900 to 2000 rpm only"


def test_full_throttle_that_came_out_a_little_different_is_one_row() -> None:
    found = compare_sessions(
        [trial("a", (*STEPS, 2000.0), straight)], [trial("b", (*STEPS, 2035.0), straight)]
    )  # fmt: skip
    q = at(found, 2000.0)
    assert q.second.value == pytest.approx(10.0)
    assert not any(band.rpm == pytest.approx(2035.0) for band in found.bands)
    assert found.top is not None
    top = found.top.of("speed")
    assert top is not None
    assert (top.first.value, top.second.value) == pytest.approx((10.0, 10.175))


def test_one_way_bands_claim_no_top() -> None:
    found = compare_sessions([trial("a", STEPS, straight, ways=1)], [trial("b", STEPS, straight)])
    assert found.top is None
    assert at(found, 1400.0).first.ways == 1


# ------------------------------------------------------------------------------
# Scatter of runs, and wind.
# ------------------------------------------------------------------------------


def with_runs(
    of: ComparedSession, rng: np.random.Generator, each_way: int, scatter: float, **wind: float
) -> ComparedSession:
    """Return a session whose runs scatter by a share of the speed, and whose budget of speed says so roughly."""
    rows, budgets = [], []
    bands = of.bands.to_pylist()
    for row, said in zip(bands, of.derived.budgets, strict=True):
        speeds = row["speed_kn"] * (1.0 + rng.normal(0.0, scatter, 2 * each_way))
        name = row["band_name"]
        for n, speed in enumerate(speeds.tolist()):
            course = 180.0 * (n % 2)
            leg = {"run": len(rows), "band_name": name, "way": 1 - 2 * (n % 2), "rpm_mean": row["rpm_mean"],
                   "through_water_kn": speed, "sog_kn_mean": speed, "heading_true_deg_mean": course,
                   "cog_true_deg_mean": course, "fuel_l_per_h_mean": row["fuel_l_per_h"]}  # fmt: skip
            rows.append(leg | wind)
        row["speed_kn"] = float(speeds.mean())
        repeat = 1.3 * scatter * row["speed_kn"] / np.sqrt(2 * each_way)
        term = BudgetTerm("repeat", repeat, False, 4.0, "test")
        speed_budget = replace(said.quantities[0], value=row["speed_kn"], own_u=repeat, terms=(term,))
        budgets.append(replace(said, quantities=(speed_budget, *said.quantities[1:])))
    return ComparedSession(
        replace(of.derived, budgets=tuple(budgets)), pa.Table.from_pylist(bands, BANDS_SCHEMA),
        pa.Table.from_pylist([dict.fromkeys(NO_LEGS.schema.names) | r for r in rows], NO_LEGS.schema),
    )  # fmt: skip


def test_with_many_runs_the_verdict_is_that_of_welchs_test() -> None:
    """Scale and degrees of freedom come from the runs: beside `scipy.stats.ttest_ind` (Welch 1947; GUM G.4.1)."""
    rng = np.random.default_rng(5)
    sizes = ((40, 0.004), (25, 0.009))
    sides = [with_runs(trial(name, (1400.0,), straight), rng, n, s, wind_speed_true_kn_mean=0.0,
                       wind_from_true_deg_mean=0.0) for name, (n, s) in zip("ab", sizes, strict=True)]  # fmt: skip
    q = at(compare_sessions(sides[:1], sides[1:]), 1400.0)
    runs = [np.log(side.legs["through_water_kn"].to_numpy()) for side in sides]
    welch = stats.ttest_ind(runs[1], runs[0], equal_var=False)
    low, high = welch.confidence_interval(0.9545)
    assert q.k * q.ratio_u / q.ratio == pytest.approx((high - low) / 2.0, rel=0.05)
    assert q.k == pytest.approx(stats.t.ppf(0.97725, welch.df), rel=0.01)


def test_few_runs_of_many_bands_have_the_degrees_of_freedom_of_all() -> None:
    """Six bands of two pairs: twelve differences within a way and trial; k of Student's t with 24 or a few more."""
    rng = np.random.default_rng(6)
    rpm = (1000.0, 1200.0, 1400.0, 1600.0, 1800.0, 2000.0)
    half = []
    for _ in range(12):
        sides = [with_runs(trial(name, rpm, straight), rng, 2, 0.005, wind_speed_true_kn_mean=0.0,
                           wind_from_true_deg_mean=0.0) for name in "ab"]  # fmt: skip
        found = compare_sessions(sides[:1], sides[1:])
        half.append([(at(found, r).k, 100.0 * at(found, r).ratio_u) for r in rpm])
    k, u_pct = np.array(half).transpose(2, 0, 1)
    assert stats.t.ppf(0.97725, 40) < k.mean() < stats.t.ppf(0.97725, 18)
    assert np.sqrt(np.mean(u_pct**2, axis=0)) == pytest.approx(0.5 * np.sqrt(2.0 / 4.0), rel=0.35)


def test_the_wind_of_each_trial_is_taken_out_where_it_was_measured() -> None:
    def pair(wind_kn: float | None) -> SessionsCompared:
        rng = np.random.default_rng(7)
        calm = with_runs(trial("a", STEPS, straight), rng, 2, 0.003, wind_speed_true_kn_mean=0.0,
                         wind_from_true_deg_mean=0.0)  # fmt: skip
        wind = {} if wind_kn is None else {"wind_speed_true_kn_mean": wind_kn, "wind_from_true_deg_mean": 0.0}
        other = with_runs(trial("b", STEPS, straight), rng, 2, 0.003, **wind)
        nobody_noted = replace(other.derived.conditions, wind_speed_true_kn_mean=None)
        return compare_sessions([calm], [replace(other, derived=replace(other.derived, conditions=nobody_noted))])

    still, windy, unknown = pair(0.0), pair(10.0), pair(None)
    at_5 = [at(found, 1000.0) for found in (still, windy, unknown)]
    # b g (W²/2V) / V with b 0.018 and g 1/2: 1.8 %; her fuel does not show any of it, so b is believed to be less
    assert 0.002 < np.log(at_5[1].ratio / at_5[0].ratio) < 0.018
    assert at_5[1].ratio_u > 1.1 * at_5[0].ratio_u
    assert at_5[2].ratio == pytest.approx(at_5[0].ratio)
    assert at_5[2].ratio_u > at_5[0].ratio_u
    assert not still.remarks
    assert windy.remarks[0].startswith("Values are those in still air")
    assert unknown.remarks[0].startswith("The wind was not measured in every trial")
    assert next(c for c in windy.shared if c.kind == "air drag").is_shared


# ------------------------------------------------------------------------------
# Groups.
# ------------------------------------------------------------------------------


def test_a_group_that_agrees_is_known_better_and_one_that_scatters_is_not() -> None:
    lone = [trial("z", STEPS, straight)]

    def group(*factors: float) -> QuantityDifference:
        sessions = [trial(f"s{n}", STEPS, lambda rpm, f=f: straight(rpm) * f) for n, f in enumerate(factors)]  # type: ignore[misc]
        return at(compare_sessions(lone, sessions), 1400.0)

    agreeing = group(1.0, 1.0, 1.0, 1.0)
    assert agreeing.difference_u == pytest.approx(0.02 * np.sqrt(1.0 + 1.0 / 4.0))
    scattered = group(0.96, 1.0, 1.04)
    # weighted mean with the Birge ratio: sd of 7 x (0.96, 1, 1.04) over the root of three
    assert scattered.difference_u == pytest.approx(np.hypot(0.02, 0.28 / np.sqrt(3.0)), rel=1e-3)
    assert scattered.second.value == pytest.approx(7.0)
    assert scattered.k > 3.0, "two degrees of freedom"


def test_what_a_group_shares_within_itself_does_not_shrink_by_averaging() -> None:
    sessions = [trial(f"s{n}", STEPS, straight, source="gps2") for n in range(4)]
    q = at(compare_sessions([trial("z", STEPS, straight)], sessions), 1400.0)
    assert q.difference_u == pytest.approx(np.sqrt(0.02**2 * 1.25 + 2 * 0.05**2))


# ------------------------------------------------------------------------------
# What a stranger's or an older summary holds.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [b"", b"{}", b"[1]", b"\xff", b'{"session": 1}', b"[" * 5000])
def test_no_summary_is_named(text: bytes) -> None:
    with pytest.raises(TrialCaptureError, match="cannot be compared"):
        parse_derived(text)


def test_bands_without_engine_speed_are_named() -> None:
    without = trial("b", STEPS, straight)
    column = BANDS_SCHEMA.get_field_index("rpm_mean")
    bands = without.bands.set_column(column, BANDS_SCHEMA.field(column), pa.nulls(5, pa.float64()))
    found = compare_sessions([trial("a", STEPS, straight)], [replace(without, bands=bands)])
    assert not found.bands
    assert found.not_compared[-1].name == "b"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 0.0, -1.0, 1e300])
def test_sizes_that_no_boat_has_are_left_out(value: float) -> None:
    good = trial("b", STEPS, straight)
    for name in ("rpm_mean", "speed_kn"):
        column = BANDS_SCHEMA.get_field_index(name)
        values = [value, *good.bands[name].to_pylist()[1:]]
        bands = good.bands.set_column(column, BANDS_SCHEMA.field(column), pa.array(values, pa.float64()))
        found = compare_sessions([trial("a", STEPS, straight)], [replace(good, bands=bands)])
        assert [n.name for n in found.not_compared] == ["1000 rpm"]
    first, *others = good.derived.budgets
    for key in ("value", "own_u", "u"):
        if (key, value) in (("own_u", 0.0), ("u", 0.0)):
            continue
        broken = replace(first, quantities=(replace(first.quantities[0], **{key: value}), *first.quantities[1:]))
        session = replace(good, derived=replace(good.derived, budgets=(broken, *others)))
        found = compare_sessions([trial("a", STEPS, straight)], [session])
        assert [n.name for n in found.not_compared] == ["1000 rpm"], key


def test_two_bands_at_one_engine_speed_and_no_number_of_ways_stop_nothing() -> None:
    good = trial("b", STEPS, straight)
    bands = good.bands.set_column(
        BANDS_SCHEMA.get_field_index("ways"), BANDS_SCHEMA.field("ways"), pa.nulls(5, pa.int32())
    )  # fmt: skip
    found = compare_sessions([trial("a", STEPS, straight)], [replace(good, bands=pa.concat_tables([bands, bands]))])
    assert len(found.bands) == 5
    assert found.bands[0].quantities[0].second.ways == 1


# ------------------------------------------------------------------------------
# Simulated hulls: how often noise is called real, and a change is found. The long form is `tests.accuracy --compare`.
# ------------------------------------------------------------------------------

COMPARED, CHANGED = 20, 8


def test_noise_is_seldom_called_real() -> None:
    """120 bands without a change; bands of a comparison share their current, so the bounds allow for 60.

    With a share of 7 % called real, more than 13 of 60 are met once in ten thousand (binomial); where the scatter of
    runs was taken to be half as large, a third would be.
    """
    found = [comparisons.run(seed) for seed in range(101, 101 + COMPARED)]
    _, most = comparisons.honest_bounds(COMPARED * comparisons.STEPS // 2, comparisons.MOST, 0.9998)
    for quantity in QUANTITY_UNITS:
        flags = comparisons.flags_of(found, quantity, "nothing")
        assert sum(map(len, flags)) == COMPARED * comparisons.STEPS
        assert comparisons.share_of(flags) <= most, quantity
        off = np.array([x for c in found for x in c.off[quantity]])
        # nor is the ± so wide that noise fills little of it
        assert 0.5 < np.sqrt(np.mean(off**2)) < 1.6, quantity


@pytest.mark.parametrize("kind", ["speed", "fuel"])
def test_a_change_of_three_per_cent_is_found(kind: str) -> None:
    found = [comparisons.run(seed, kind) for seed in range(201, 201 + CHANGED)]
    flags = comparisons.flags_of(found, kind, kind)
    least, _ = comparisons.honest_bounds(CHANGED * comparisons.STEPS // 2, comparisons.FOUND_LEAST, 0.9998)
    assert comparisons.share_of(flags) >= least
    other = comparisons.flags_of(found, "fuel" if kind == "speed" else "speed", kind)
    assert comparisons.share_of(other) < 0.5, "what did not change is not called real for it"
