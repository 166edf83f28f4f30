"""A processed session whose results are held open, or whose next run is killed, holds one run's results."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.system.fakes import refusal
from trialcapture.archive.collect import collect
from trialcapture.archive.result_set import compare_results
from trialcapture.config import read_config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process
from trialcapture.system import files as system_files

LOGS = Path(__file__).parents[2] / "sample_logs" / "plain_nmea"
MORE = LOGS / "outboard.csv"


def results(session: Path) -> dict[str, bytes]:
    found = [path for folder in ("trialset", "reduction") for path in (session / folder).rglob("*") if path.is_file()]
    return {p.relative_to(session).as_posix(): p.read_bytes() for p in found if p.name != "results.pickle"}


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Processed without its engine log, which is there now: every result will change."""
    config, text = read_config(LOGS / "boat.toml")
    into = tmp_path / "session"
    collect([LOGS / "trial.nmea"], [], config, into, created="2026-05-04T10:00:00Z", config_text=text)
    process(into)
    collect([], [MORE], None, into, created="2026-05-04T11:00:00Z")
    return into


def test_a_table_open_in_a_spreadsheet_leaves_every_result_of_the_run_before(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = results(session)
    true = os.replace
    held = session / "reduction" / "bands.csv"

    def refuse(source: Path, target: Path) -> None:
        if Path(source) == held or Path(target) == held:
            fault = refusal()
            fault.filename = os.fspath(source)
            raise fault
        true(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", refuse)
        patch.setattr(system_files, "patiently", lambda action: action())
        with pytest.raises(TrialCaptureError, match="stand as they were") as told:
            process(session)
    assert "spreadsheet" in str(told.value)
    assert told.value.where == str(held)
    assert results(session) == before
    assert compare_results(session, [], "", "").faults == ()
    process(session)
    after = results(session)
    assert set(after) == set(before)
    # no manoeuvre was driven, whatever the engine log says
    assert [name for name in after if after[name] == before[name]] in ([], ["reduction/manoeuvres.csv"])
