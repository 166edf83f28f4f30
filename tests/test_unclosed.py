"""A recording that nobody closed is named by the next command, with the command that closes it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.made_once import second_look
from trialcapture.cli import group
from trialcapture.system.session_files import SessionLock

ROOT = Path(__file__).parents[1]
START = {"t": "2026-05-04T09:30:00.000Z", "kind": "start", "value": "recording begins", "unit": "", "by": "recorder",
         "mono_us": 0}  # fmt: skip
STOP = START | {"t": "2026-05-04T10:30:00.000Z", "kind": "stop", "value": "recording ends", "mono_us": 3_600_000_000}


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    """A session as a recorder leaves it that was killed."""
    session = tmp_path / "monday"
    shutil.copytree(ROOT / "sample_logs" / "journal_session", session)
    for name in ("manifest.json", "seal.jsonl"):
        (session / name).unlink()
    (session / "raw" / "notes.jsonl").write_text(json.dumps(START) + "\n")
    return session


def run(*arguments: object) -> Result:
    return CliRunner().invoke(group, [str(argument) for argument in arguments])


def told(session: Path) -> list[str]:
    """What each command that meets a session says of its being closed."""
    config = session.parent / "other.toml"
    config.write_text("[boat]\n")
    results = [run("review", session), run("collect", "--into", session)]
    return [" ".join(result.stderr.split()) for result in results]


def test_a_recording_without_end_is_named_with_the_command_that_closes_it(recorded: Path) -> None:
    for text in told(recorded):
        assert "never closed" in text
        assert f"trialcapture seal {recorded}" in text


def test_a_recording_that_ended_before_its_manifest_was_written_is_named_too(recorded: Path) -> None:
    (recorded / "raw" / "notes.jsonl").write_text(json.dumps(START) + "\n" + json.dumps(STOP) + "\n")
    for text in told(recorded):
        assert "manifest is missing" in text
        assert f"trialcapture seal {recorded}" in text


def test_nothing_is_said_while_a_recorder_is_at_work_and_of_files_collected(recorded: Path) -> None:
    with SessionLock(recorded):
        assert not any("never closed" in text for text in told(recorded))
    (recorded / "raw" / "notes.jsonl").unlink()
    assert not any("seal" in text for text in told(recorded))


def test_process_says_it_before_its_results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = second_look(tmp_path / "monday", monkeypatch)
    assert "never closed" not in run("process", session).stderr
    for name in ("manifest.json", "seal.jsonl"):
        (session / name).unlink()
    notes = session / "raw" / "notes.jsonl"
    notes.write_bytes(json.dumps(START).encode() + b"\n" + notes.read_bytes())
    result = run("process", session)
    assert result.exit_code == 0
    assert "never closed" in " ".join(result.stderr.split())
