"""The example inputs in sample_logs are whole, small, documented, and taken by `collect`."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from tests.made_once import simulated
from trialcapture.archive.collect import collect
from trialcapture.archive.manifest import verify_manifest
from trialcapture.archive.session import engine_files, nmea_files, open_session
from trialcapture.config import load_config
from trialcapture.rehearse import samples
from trialcapture.rehearse.samples import main, write_samples

SAMPLES = Path(__file__).parents[2] / "sample_logs"
SESSIONS = sorted(path.parent for path in SAMPLES.glob("*/session.toml"))
LOOSE = sorted(path.parent for path in SAMPLES.glob("*/boat.toml"))


def test_all_samples_together_are_smaller_than_8_megabytes() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) < 8_000_000


def test_every_sample_is_in_the_readme_and_has_its_truth() -> None:
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    folders = [path for path in SAMPLES.iterdir() if path.is_dir()]
    assert len(folders) >= 5
    assert set(folders) == {*SESSIONS, *LOOSE}
    for folder in folders:
        assert f"`{folder.name}/`" in readme
        truth = folder.with_name(f"{folder.name}.truth.json")
        truth = truth if truth.exists() else folder / "trial.truth.json"
        assert json.loads(truth.read_text(encoding="utf-8"))["steps"]


@pytest.mark.parametrize("folder", SESSIONS, ids=lambda p: p.name)
def test_sample_sessions_verify(folder: Path) -> None:
    assert verify_manifest(folder) == []
    session = open_session(folder)
    assert nmea_files(session)
    assert engine_files(session)


@pytest.mark.parametrize("folder", LOOSE, ids=lambda p: p.name)
def test_loose_samples_can_be_collected(folder: Path, tmp_path: Path) -> None:
    text = (folder / "boat.toml").read_text(encoding="utf-8")
    nmea = sorted(folder.glob("trial*.nmea*"))
    engines = [path for path in sorted(folder.iterdir()) if path.suffix == ".csv"]
    session = collect(
        nmea, engines, load_config(text), tmp_path / "s", created="2026-05-14T12:00:00Z", config_text=text
    )
    assert verify_manifest(session.folder) == []
    assert len(engine_files(session)) == len(tomllib.loads(text)["engine_log"])


def assert_every_file_is_there(folder: Path) -> None:
    made = {path.relative_to(folder) for path in folder.rglob("*") if path.is_file()}
    kept = {path.relative_to(SAMPLES) for path in SAMPLES.rglob("*") if path.is_file()}
    kept -= {Path("README.md"), Path("desk.png")}
    assert made == {p for p in kept if p.parts[1:2] not in (("trialset",), ("reduction",))}


def test_the_documented_command_writes_every_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # shorter trials in the same forms; the long form has those of the samples
    monkeypatch.setattr(samples, "simulate", lambda name, _seed, **_length: simulated(name, 7, short=True))
    write_samples(tmp_path / "again")
    assert_every_file_is_there(tmp_path / "again")
    for truth in ("displacement_session.truth.json", "messy_zst/trial.truth.json"):
        assert json.loads((tmp_path / "again" / truth).read_text())["bands"]


@pytest.mark.long
def test_the_documented_command_writes_the_same_samples(tmp_path: Path) -> None:
    write_samples(tmp_path / "again")
    assert_every_file_is_there(tmp_path / "again")
    for name in ("displacement_session.truth.json", "messy_zst/trial.truth.json"):
        again, before = (json.loads((base / name).read_text()) for base in (tmp_path / "again", SAMPLES))
        for one, other in zip(again["bands"], before["bands"], strict=True):
            # another processor may round the last digits of the simulation differently
            assert one["speed_kn"] == pytest.approx(other["speed_kn"], abs=0.02)


def test_the_command_says_how_it_is_used(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(samples, "simulate", lambda name, _seed, **_length: simulated(name, 7, short=True))
    assert main([]) == 2
    (tmp_path / "journal_session").mkdir()
    (tmp_path / "journal_session" / "mine").write_text("keep")
    assert main([str(tmp_path)]) == 1
    assert "folder of its own" in capsys.readouterr().err
