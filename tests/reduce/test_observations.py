"""What people heard and judged: sound levels as published, the tester's cruise against the best, remarks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pyarrow as pa
import pytest

from tests.report.trial_tables import make_trial, typed
from trialcapture.archive.notes import Note, observations_of
from trialcapture.reduce.note_record import (
    AFTER_LEG_NS,
    Observation,
    equivalent_level_db,
    judge_cruise,
    sound_levels,
    with_observations,
)
from trialcapture.reduce.summary import BandRegime, Findings, Regimes, Summary
from trialcapture.reduce.tables import BANDS_SCHEMA, QUANTITY_COLUMNS


@pytest.fixture(scope="module")
def trial() -> dict[str, Any]:
    return make_trial()


@pytest.fixture(scope="module")
def summary(trial: dict[str, Any]) -> Summary:
    found = typed(trial["summary"])
    speeds = {rpm: "displacement" if rpm < 2000 else "planing" for rpm in (1000.0, 2600.0, 3000.0, 3200.0)}
    regimes = tuple(BandRegime(rpm, f"{rpm:.0f} rpm", kind, None, None) for rpm, kind in speeds.items())
    return replace(found, regimes=Regimes("this test", regimes))


def heard(t_ns: int, value: float, **more: Any) -> Observation:
    stated = {"where": "helm", "doors": "", "seconds": None, "background_db": None, "by": "lead"} | more
    return Observation(t_ns=t_ns, kind="sound", value=value, text=f"{value} dB", **stated)


def noted(kind: str, value: Any, t_ns: int = 1_000_000_000, **more: Any) -> Note:
    return Note(0, t_ns, kind, value, "", "lead", more)


@pytest.mark.parametrize(
    ("levels", "seconds", "expected"),
    [
        # levels of equal times, and 60 and 80 dB half and half: by hand, 10 log10 of the mean of 10^(L/10)
        ([80, 80, 80, 90], None, 85.119),
        ([70, 75, 80], None, 76.740),
        ([60, 80], None, 77.033),
        ([60, 80], [30.0, 30.0], 77.033),
        ([60, 80], [90.0, 10.0], 70.374),
        ([71.5], None, 71.5),
    ],
)
def test_an_equivalent_level_is_that_of_the_mean_energy(
    levels: list[float], seconds: list[float] | None, expected: float
) -> None:
    assert equivalent_level_db(levels, seconds) == pytest.approx(expected, abs=1e-3)


def test_readings_belong_to_the_leg_they_fall_in(trial: dict[str, Any]) -> None:
    legs = trial["legs"]
    starts = legs["start"].cast(pa.int64()).to_pylist()
    stops = legs["stop"].cast(pa.int64()).to_pylist()
    name = legs["band_name"].to_pylist()
    found = sound_levels(
        [
            heard(starts[0], 60.0, seconds=30.0),
            heard(stops[1] + AFTER_LEG_NS - 1, 80.0, seconds=30.0),
            heard(starts[2] - AFTER_LEG_NS // 60, 66.0, where="cabin", background_db=57.0),
            heard(stops[-1] + AFTER_LEG_NS, 99.0),
        ],
        legs,
    )
    assert name[0] == name[1]
    at = {(level.place, level.band_name): level for level in found}
    both = at["helm", name[0]]
    assert (both.readings, both.seconds) == (2, 60.0)
    assert both.level_db == pytest.approx(77.033, abs=1e-3)
    assert at["helm", ""].level_db == 99.0
    assert at["helm", ""].band_rpm is None
    assert found[0].place == "helm"
    (cabin,) = [level for level in found if level.place == "cabin"]
    assert cabin.near_background
    assert cabin.u_db >= 1.5


def bands_of(rows: list[dict[str, Any]]) -> pa.Table:
    plain = [{name: row.get(name) for name in BANDS_SCHEMA.names} for row in rows]
    return pa.Table.from_pylist(plain, schema=BANDS_SCHEMA)


def row(rpm: float, speed: float, economy: float | None, *, own: float = 0.001, common: float = 0.05) -> dict[str, Any]:
    made: dict[str, Any] = {"band_rpm": rpm, "rpm_mean": rpm + 3.0, "band_name": f"{rpm:.0f} rpm", "speed_kn": speed}
    made |= {"speed_u_kn": 0.06, "speed_u_own": 0.05, "speed_u_common": 0.03, "speed_k": 2.0}
    if economy is not None:
        flow = speed / economy
        values = {"fuel": flow, "economy": economy, "range": 1000.0 * economy}
        for name, x in values.items():
            column, u_column = QUANTITY_COLUMNS[name]
            made |= {column: x, u_column: x * 0.05, f"{name}_u_own": own * x, f"{name}_u_common": common * x}
            made[f"{name}_k"] = 2.0
    return made


def cruise_at(rpm: float, rows: list[dict[str, Any]], summary: Findings) -> Any:
    note = Observation(1, "cruise", rpm, f"{rpm:.0f}", "", "", None, None, "lead")
    return judge_cruise(note, summary, bands_of(rows))


def test_the_cruise_is_compared_with_the_best_and_common_errors_take_no_part(summary: Summary) -> None:
    best = summary.economy_planing
    assert best is not None
    rows = [row(best.band_rpm or 0.0, 22.0, 0.30), row(3000.0, 26.0, 0.29)]
    found = cruise_at(2990.0, rows, summary)
    assert (found.band_name, found.best_band_name, found.reason) == ("3000 rpm", best.band_name, "")
    assert found.speed.difference == pytest.approx(4.0)
    assert found.speed.is_real
    assert found.economy.difference == pytest.approx(-0.01)
    # 5 % in common would drown 3 %; each band's own 0.1 % does not
    assert found.economy.is_real
    assert found.range.difference == pytest.approx(-10.0)
    noisy = [row(best.band_rpm or 0.0, 22.0, 0.30, own=0.03), row(3000.0, 26.0, 0.29, own=0.03)]
    assert not cruise_at(2990.0, noisy, summary).economy.is_real


def test_a_cruise_that_is_the_best_or_was_not_run_says_so(summary: Summary) -> None:
    best = summary.economy_planing
    assert best is not None
    assert best.band_rpm is not None
    rows = [row(best.band_rpm, 22.0, 0.30), row(3200.0, 26.0, None)]
    same = cruise_at(best.band_rpm, rows, summary)
    assert (same.speed, same.economy, same.band_name) == (None, None, same.best_band_name)
    between = cruise_at(2900.0, [row(2600.0, 20.0, 0.3), row(3200.0, 26.0, 0.2), row(1000.0, 6.0, 0.6)], summary)
    assert between.reason == "2900 rpm was not run; the nearest are 2603 and 3203 rpm"
    assert between.speed_kn is None
    dry = cruise_at(3200.0, rows, summary)
    assert dry.fuel is None
    assert dry.speed.difference == pytest.approx(4.0)
    assert cruise_at(3200.0, [], summary).reason == "3200 rpm was not run"


def test_the_last_cruise_stands_and_undone_notes_do_not_count(trial: dict[str, Any], summary: Summary) -> None:
    notes = [
        noted("cruise", 2000, 1), noted("cruise", 2600, 10**9), noted("cruise", "fast", 3 * 10**9),
        noted("remark", "dry\ndecks", 2 * 10**9), noted("sea", "waves 0.4 m"), noted("sound", "loud"),
        noted("sound", 70.0, 5 * 10**9, where="cabin"),
        noted("undo", "1970-01-01T00:00:05Z", 6 * 10**9, of="sound"), noted("mark", "x"),
    ]  # fmt: skip
    found = with_observations(summary, observations_of(notes), bands_of([row(2600.0, 26.0, 0.2)]), trial["legs"])
    assert found.cruise is not None
    assert found.cruise.rpm == 2600
    assert found.sound == ()
    assert [(r.kind, r.text) for r in found.remarks] == [("sea", "waves 0.4 m"), ("remark", "dry decks")]
