"""Settings given to one run, kept or not: the run says whose it used, and the next one when it goes back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.made_once import brief_session
from tests.numbers import pages_left_out
from trialcapture.archive.session import open_session
from trialcapture.cli import group


def run(*arguments: str) -> str:
    done = CliRunner().invoke(group, ["process", *arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


@pytest.fixture(autouse=True)
def _no_pages() -> Iterator[None]:
    with pages_left_out():
        yield


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return brief_session(tmp_path / "session")


def test_a_run_with_other_settings_says_so_and_the_next_one_says_that_it_goes_back(session: Path) -> None:
    other = session.parent / "other.toml"
    text = (session / "session.toml").read_text(encoding="utf-8")
    other.write_text(text.replace("persons = 5", "persons = 9"), encoding="utf-8")
    first = run(str(session))
    assert "settings given" not in first
    assert "own settings again" not in first
    given = run(str(session), "--config", str(other))
    assert "--keep makes them the session's own" in given
    assert open_session(session).config.load.persons == 5
    assert "made with the session's own settings again" in run(str(session))
    assert "own settings again" not in run(str(session))


def test_settings_that_are_kept_are_used_by_the_next_run(session: Path) -> None:
    plan = session.parent / "day.toml"
    plan.write_text("[plan]\nsteps_rpm = [800, 1000]\nfull_throttle = false\n", encoding="utf-8")
    before = (session / "session.toml").read_bytes()
    run(str(session), "--plan", str(plan), "--keep", "--by", "Kim")
    kept = open_session(session).config.plan
    assert kept is not None
    assert kept.steps_rpm == (800, 1000)
    assert (session / "session-former-01.toml").read_bytes() == before
    again = run(str(session))
    assert "Plan: 4 of 4 runs; nothing is missing." in again
    assert "own settings again" not in again


def test_there_must_be_something_to_keep(session: Path) -> None:
    done = CliRunner().invoke(group, ["process", str(session), "--keep"])
    assert done.exit_code == 2
    assert "--plan FILE" in done.output
