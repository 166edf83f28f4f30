"""Rehearsed trials without rpm on the network and without marks: the log's clock against the truth beside them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.numbers import process_numbers
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import truth_path, write_session


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "displacement", "coarse-1hz",
        *(pytest.param(name, marks=pytest.mark.long) for name in ("twin-planing", "small-petrol", "current-front")),
    ],
)  # fmt: skip
def test_the_motion_alone_ties_a_rehearsed_log_within_its_uncertainty(name: str, tmp_path: Path) -> None:
    scenario = SCENARIOS[name]
    blind = replace(
        scenario,
        instruments=replace(scenario.instruments, rpm_hz=0.0),
        plan=replace(scenario.plan, marks=False),
    )
    write_session(simulate(blind, seed=4), tmp_path / "session")
    result = process_numbers(tmp_path / "session")
    truth = json.loads(truth_path(tmp_path / "session").read_text(encoding="utf-8"))
    rows = {row["source"]: row for row in result["summary"]["clocks"]}
    for log in truth["engine_log"]:
        row = rows[f"engine log {log['file']}"]
        assert row["method"] == "rpm against the onset of acceleration"
        assert row["quality"].startswith("fair")
        assert abs(row["offset_s"] - log["offset_s"]) < 2.0 * row["offset_u_s"]
        assert row["offset_u_s"] < 1.5
