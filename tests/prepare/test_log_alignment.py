"""Which way a log is tied is chosen by what there is, and said; contradictions and refusals are told with reasons."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from tests.prepare.plain_boat import Recorded, recorded
from trialcapture.config import Config, load_config
from trialcapture.prepare.clocks.log_alignment import align_whole_log
from trialcapture.prepare.clocks.log_clock import LogFit
from trialcapture.prepare.clocks.receiver_clocks import ClockRow

CONFIG = load_config(
    """
[[engine]]
id = "port"
rated_rpm = 3000
[[engine]]
id = "stbd"
rated_rpm = 3000
[[engine_log]]
files = "log.csv"
columns = { time = "t", rpm_port = { name = "a", unit = "rpm" }, rpm_stbd = { name = "b", unit = "rpm" } }
"""
)


def log_table(trial: Recorded, *, stbd: float | None = 1.0) -> pa.Table:
    columns = {"t_log_ns": pa.array(trial.log_ns), "rpm_port": pa.array(trial.rpm)}
    if stbd is not None:
        columns["rpm_stbd"] = pa.array(trial.rpm * stbd)
    return pa.table(columns)


def velocity(trial: Recorded) -> pa.Table:
    return pa.table({"t_ns": trial.sog_ns, "sog_kn": trial.sog_kn, "cog_true_deg": trial.cog_true_deg})


def network_rpm(trial: Recorded, engine_id: str = "port") -> pa.Table:
    """What the network would have shown: the log's rpm at its true times, each second."""
    true_ns = trial.log_ns + round(trial.offset_s * 1e9)
    at = np.arange(true_ns[0], true_ns[-1], 700_000_000)
    return pa.table({"t_ns": at, f"rpm_{engine_id}": np.round(np.interp(at, true_ns, trial.rpm))})


def align(
    trial: Recorded,
    log: pa.Table,
    *,
    rpm: pa.Table | None = None,
    marks_s: list[float] | None = None,
    config: Config = CONFIG,
) -> tuple[LogFit | None, ClockRow, list[str]]:
    series = {"velocity": velocity(trial)} | ({"rpm_port": rpm} if rpm is not None else {})
    marks_ns = [round(m * 1e9) for m in marks_s or []]
    return align_whole_log("log.csv", config.engine_log[0], log, series, config, marks_ns)


def blips_s(trial: Recorded) -> list[float]:
    """UTC of the three blips in neutral: the first three rises above one and a half times idle."""
    high = trial.rpm > 1.5 * np.median(trial.rpm[:20])
    return [float(t) / 1e9 + trial.offset_s for t in trial.log_ns[1:][high[1:] & ~high[:-1]][:3]]


def test_rpm_on_the_network_comes_first() -> None:
    trial = recorded(51, drift_ppm=0.0)
    fit, row, warnings = align(trial, log_table(trial), rpm=network_rpm(trial))
    assert row.method == "rpm against rpm"
    assert row.offset_s == pytest.approx(trial.offset_s, abs=0.3)
    assert fit is not None
    assert fit.offset_s == row.offset_s
    assert not warnings


def test_without_it_the_motion_ties_the_log_and_the_row_says_how_well() -> None:
    trial = recorded(51)
    fit, row, warnings = align(trial, log_table(trial))
    assert row.method == "rpm against the onset of acceleration"
    assert row.quality.startswith("fair")
    assert row.offset_u_s is not None
    assert abs((row.offset_s or 0.0) - trial.offset_s) < 2.0 * row.offset_u_s
    assert fit is not None
    assert not warnings


@pytest.mark.parametrize("stbd", [None, np.nan])
def test_one_engine_alone_is_enough(stbd: float | None) -> None:
    trial = recorded(52)
    _, row, _ = align(trial, log_table(trial, stbd=stbd))
    assert row.offset_s == pytest.approx(trial.offset_s, abs=2.0)


def test_marks_that_contradict_the_motion_are_used_but_said() -> None:
    trial = recorded(53)
    right = align(trial, log_table(trial), marks_s=blips_s(trial))
    assert right[1].method == "marks"
    assert right[1].offset_s == pytest.approx(trial.offset_s, abs=2.0)
    assert not right[2]
    wrong = align(trial, log_table(trial), marks_s=[m + 40.0 for m in blips_s(trial)])
    assert any("check the marks" in w for w in wrong[2])


def test_a_log_that_nothing_ties_is_left_out_with_every_reason() -> None:
    trial, other = recorded(54), recorded(57)
    fit, row, warnings = align(trial, log_table(other), marks_s=[1.0, 2.0, 3.0])
    assert fit is None
    assert row.offset_s is None
    assert "marks:" in row.quality
    assert "rpm against the onset of acceleration:" in row.quality
    assert any("is not used" in w for w in warnings)


def test_a_log_without_rpm_cannot_be_tied() -> None:
    trial = recorded(54)
    fit, row, _ = align(trial, pa.table({"t_log_ns": trial.log_ns}))
    assert fit is None
    assert "no rpm in the log" in row.quality


def test_a_log_that_few_changes_tie_is_told_with_how_well_that_is() -> None:
    few = [(700, 1, 60.0), (1200, 1, 150.0), (1800, 1, 150.0), (2400, 1, 150.0), (700, 0, 100.0)]
    trial = recorded(1, programme=few)
    fit, row, warnings = align(trial, log_table(trial))
    assert fit is not None
    assert row.quality.startswith("poor")
    assert [f"tied to UTC to {fit.offset_u_s:.0f} s only" in w for w in warnings] == [True]


@pytest.mark.parametrize(("off_h", "words"), [(0.2, ""), (2.0, "is the zone right?"), (-26.0, "carries another date")])
def test_a_clock_hours_off_is_told(off_h: float, words: str) -> None:
    trial = recorded(51, drift_ppm=0.0)
    moved = replace(
        trial, log_ns=trial.log_ns - round((off_h * 3600.0 - trial.offset_s) * 1e9), offset_s=off_h * 3600.0
    )
    fit, _, warnings = align(moved, log_table(moved), rpm=network_rpm(moved))
    assert fit is not None
    assert fit.offset_s == pytest.approx(off_h * 3600.0, abs=1.0)
    assert [words in w for w in warnings] == ([True] if words else [])


@pytest.mark.parametrize(
    ("declared", "used"), [("auto", "rpm against rpm"), ("rpm", "rpm against rpm"), ("marks", "marks")]
)
def test_a_log_is_tied_the_way_its_declaration_asks_for(declared: str, used: str) -> None:
    trial = recorded(53)
    spec = CONFIG.engine_log[0]
    asked = CONFIG.model_copy(
        update={"engine_log": (spec.model_copy(update={"clock": spec.clock.model_copy(update={"method": declared})}),)}
    )
    _, row, warnings = align(trial, log_table(trial), rpm=network_rpm(trial), marks_s=blips_s(trial), config=asked)
    assert row.method == used
    assert row.offset_s == pytest.approx(trial.offset_s, abs=2.0)
    assert not warnings
