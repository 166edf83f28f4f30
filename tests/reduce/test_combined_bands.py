"""Bands of several sessions: the weighted mean by hand, errors in common not averaged away, real differences apart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.buffers import table_of
from trialcapture.reduce.combined_bands import combine_bands, combine_plans
from trialcapture.reduce.summary import PlanCell, PlanComparison, PlanState
from trialcapture.reduce.tables import BANDS_SCHEMA


def part(session: str, *rows: dict[str, Any]) -> pa.Table:
    base: dict[str, Any] = {"legs": 2, "ways": 2, "flags": "", "session_id": session}
    return table_of([base | row for row in rows], BANDS_SCHEMA)


def row(rpm: float | None, kn: float, own: float = 0.1, common: float = 0.03, **more: Any) -> dict[str, Any]:
    return {
        "band_rpm": rpm, "rpm_mean": rpm, "band_name": f"{kn} kn" if rpm is None else f"{rpm:.0f} rpm",
        "speed_kn": kn, "speed_u_kn": float(np.hypot(own, common)), "speed_u_own": own, "speed_u_common": common,
        "speed_k": 2.0, "speed_dof_own": None, **more,
    }  # fmt: skip


def test_a_step_of_both_sessions_is_their_weighted_mean_and_common_errors_stay() -> None:
    bands, steps = combine_bands([part("a", row(1800.0, 17.0, 0.1)), part("b", row(1805.0, 17.2, 0.2, 0.04))])
    (found,) = bands.to_pylist()
    # weights 1/0.01 and 1/0.04: four fifths and one fifth
    assert found["speed_kn"] == pytest.approx(17.0 * 0.8 + 17.2 * 0.2)
    assert found["speed_u_own"] == pytest.approx(np.hypot(0.08, 0.04))
    assert found["speed_u_common"] == pytest.approx(0.03 * 0.8 + 0.04 * 0.2)
    assert found["speed_u_kn"] == pytest.approx(np.hypot(found["speed_u_own"], found["speed_u_common"]))
    assert (found["legs"], found["session_id"]) == (4, "a; b")
    assert not steps[0].is_real
    assert steps[0].difference == pytest.approx(0.2)


def test_what_really_differs_is_not_averaged() -> None:
    bands, steps = combine_bands([part("a", row(1800.0, 17.0)), part("b", row(1800.0, 18.0))])
    assert [r["speed_kn"] for r in bands.to_pylist()] == [17.0, 18.0]
    assert [r["band_name"] for r in bands.to_pylist()] == ["1800 rpm, a", "1800 rpm, b"]
    assert steps[0].is_real


def test_steps_of_one_session_alone_stay_as_they_are_in_order_of_engine_speed() -> None:
    first = part("a", row(1000.0, 8.0), row(2000.0, 22.0))
    second = part("b", row(1500.0, 12.0), row(2100.0, 24.0))
    bands, steps = combine_bands([first, second])
    assert [r["band_rpm"] for r in bands.to_pylist()] == [1000.0, 1500.0, 2000.0, 2100.0]
    assert steps == []
    assert bands.to_pylist()[0] == first.to_pylist()[0]


def test_bands_without_engine_speed_are_never_taken_for_one() -> None:
    bands, _ = combine_bands([part("a", row(None, 17.0)), part("b", row(None, 17.0))])
    assert bands.num_rows == 2


def test_what_one_session_does_not_know_comes_from_the_other() -> None:
    fuel = {"fuel_l_per_h": 140.0, "fuel_u_l_per_h": 4.0, "fuel_u_own": 1.0, "fuel_u_common": 3.8, "fuel_k": 2.0}
    bands, _ = combine_bands([part("a", row(1800.0, 17.0)), part("b", row(1800.0, 17.1, **fuel))])
    assert bands.to_pylist()[0]["fuel_l_per_h"] == pytest.approx(140.0)


def test_a_calibration_in_common_is_counted_once_as_with_resistors_of_one_standard() -> None:
    # ten resistors of 1000 Ω, each compared with one standard of u = 0.1 Ω: in series u is 1 Ω, so 0.1 Ω of the mean,
    # not 0.032 (GUM, JCGM 100:2008, 5.2.2, example)
    parts = [part(f"s{n}", row(1800.0, 1000.0, 1e-9, 0.1)) for n in range(10)]
    (found,) = combine_bands(parts)[0].to_pylist()
    assert 10.0 * found["speed_u_kn"] == pytest.approx(1.0)


def test_the_ratio_of_correlated_means_is_that_of_the_worked_example() -> None:
    # voltage over current of five observations: Z = 254.260 Ω, u = 0.236 (GUM, JCGM 100:2008, H.2, tables H.2 to H.4)
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    s_v, s_i, r = volts.std(ddof=1), amperes.std(ddof=1), np.corrcoef(volts, amperes)[0, 1]
    parts = []
    for n, (v, i) in enumerate(zip(volts, amperes, strict=True)):
        of_ratio = v / i * np.sqrt((s_v / v) ** 2 + (s_i / i) ** 2 - 2 * r * s_v * s_i / (v * i))
        own = {
            "fuel_l_per_h": i, "fuel_u_l_per_h": s_i, "fuel_u_own": s_i, "fuel_u_common": 0.0, "fuel_k": 2.0,
            "economy_nm_per_l": v / i, "economy_u_nm_per_l": of_ratio, "economy_u_own": of_ratio,
            "economy_u_common": 0.0, "economy_k": 2.0,
        }  # fmt: skip
        parts.append(part(f"s{n}", row(1800.0, v, s_v, 0.0, **own)))
    (found,) = combine_bands(parts)[0].to_pylist()
    assert found["economy_nm_per_l"] == pytest.approx(254.260, abs=5e-3)
    assert found["economy_u_nm_per_l"] == pytest.approx(0.236, abs=5e-4)
    # who divides what is printed finds what is printed
    assert found["economy_nm_per_l"] == pytest.approx(found["speed_kn"] / found["fuel_l_per_h"])


def test_one_way_of_each_day_is_no_pair_and_one_way_never_enters_a_row_run_both_ways() -> None:
    unknown = {"ways": 1, "flags": "one-way;current-unknown"}
    known = {"ways": 1, "flags": "one-way;current-from-other-bands"}
    up, down = part("a", row(1800.0, 17.0, 0.4, **unknown)), part("b", row(1800.0, 17.3, 0.4, **unknown))
    bands, _ = combine_bands([up, down])
    assert [r["speed_kn"] for r in bands.to_pylist()] == [17.0, 17.3]
    bands, _ = combine_bands([part("a", row(1800.0, 17.0, **known)), part("b", row(1800.0, 17.2, **known))])
    assert [(r["ways"], r["session_id"]) for r in bands.to_pylist()] == [(1, "a; b")]
    bands, _ = combine_bands([up, part("b", row(1800.0, 17.2)), part("c", row(1800.0, 17.4))])
    assert [(r["ways"], r["session_id"]) for r in bands.to_pylist()] == [(2, "b; c"), (1, "a")]


def plan(*states: PlanState) -> PlanComparison:
    cells = tuple(PlanCell(f"{1000 + n} rpm", 1000.0 + n, "040°", state, "", (n,)) for n, state in enumerate(states))
    return PlanComparison(cells, 40.0, 50.0, (), ())


def test_a_plan_is_done_where_any_session_did_it_and_halves_of_two_days_are_no_pair() -> None:
    found = combine_plans(
        [plan("done", "half", "missing", "refused"), None, plan("missing", "half", "done", "missing")]
    )
    assert found is not None
    assert [c.state for c in found.cells] == ["done", "half", "done", "refused"]
    assert combine_plans([None, None]) is None
