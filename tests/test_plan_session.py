"""A plan from the settings to the page: what is missing is named on every surface, and a note signs it off."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from click.testing import CliRunner

from tests.numbers import pages_left_out
from trialcapture.cli import group
from trialcapture.rehearse.scenarios import SCENARIOS, shortened
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short trial whose last step was run one way only."""
    folder = tmp_path_factory.mktemp("plan") / "session"
    plan = shortened(SCENARIOS["small-petrol"].plan)
    write_session(simulate("small-petrol", 3, plan=replace(plan, one_way=(-1,))), folder)
    return folder


def processed(folder: Path, *more: str) -> tuple[dict[str, Any], str]:
    done = CliRunner().invoke(group, ["process", str(folder), *more], catch_exceptions=False)
    assert done.exit_code == 0
    told = done.output
    return json.loads((folder / "reduction" / "summary.json").read_text(encoding="utf-8")), told


def test_a_way_that_was_not_run_stands_on_page_1_and_in_the_terminal_until_signed_off(session: Path) -> None:
    summary, told = processed(session)
    by_state = {state: [c for c in summary["plan"]["cells"] if c["state"] == state] for state in ("half", "missing")}
    assert [c["step"] for c in by_state["half"]] == ["5500 rpm, full throttle"]
    (hole,) = by_state["missing"]
    page = (session / "reduction" / "report.html").read_text(encoding="utf-8").partition('id="bands"')[0]
    for text in (" ".join(told.split()), re.sub(r"<[^>]*>", "", page)):
        assert "5500 rpm, full throttle on " + hole["way"] in text
        assert "nothing missing" not in text
    note = ["note", str(session), "hole", "--step", "5500", "--reason", "fog came in", "--by", "Kim"]
    assert CliRunner().invoke(group, note, catch_exceptions=False).exit_code == 0
    summary, told = processed(session)
    cells = [c for c in summary["plan"]["cells"] if c["state"] == "signed_off"]
    assert [(c["way"], c["reason"]) for c in cells] == [(hole["way"], "fog came in (Kim)")]
    assert "fog came in (Kim)" in " ".join(told.split())


def test_another_plan_can_be_held_against_the_same_trial(session: Path, tmp_path: Path) -> None:
    plan = tmp_path / "day.toml"
    plan.write_text("[plan]\nsteps_rpm = [2500, 5500]\nfull_throttle = false\n", encoding="utf-8")
    config = tmp_path / "boat.toml"
    settings = tomllib.loads((session / "session.toml").read_text(encoding="utf-8"))
    config.write_text(tomli_w.dumps({**settings, "bands": {"half_width_rpm": 100.0}}), encoding="utf-8")
    with pages_left_out():
        summary, _ = processed(session, "--config", str(config), "--plan", str(plan))
    assert {c["step_rpm"] for c in summary["plan"]["cells"]} == {2500.0, 5500.0}
