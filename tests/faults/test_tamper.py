"""Every way to tamper with a session is found and named, and `process` says so where everybody looks."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tests.faults.tamper import Original, faster, make_original, tamperings, try_one, with_its_list
from trialcapture.archive.verify import verify_session
from trialcapture.cli import main
from trialcapture.pipeline.derived_again import verify_with_results
from trialcapture.reduce.summary import parse_summary, summary_schema
from trialcapture.system.files import CACHE_VARIABLE

NAMES = [tampering.name for tampering in tamperings(Path("stranger.pem"))]
SLOW = (
    "a note from the middle removed, and all of it sealed anew", "the seal of another session",
    "the manifest of another session", "manifest and seal of another session", "a line of 66 MB behind the seal",
)  # fmt: skip
"""Run by ``-m long`` and by ``python -m tests.faults.tamper``."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Original:
    folder = tmp_path_factory.mktemp("tamper")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(CACHE_VARIABLE, str(folder / "cache"))
        return make_original(folder)


@pytest.fixture
def original(made: Original, monkeypatch: pytest.MonkeyPatch) -> Original:
    monkeypatch.setenv(CACHE_VARIABLE, str(made.folder.parent / "cache"))
    return made


def test_the_untouched_session_is_sound_with_and_without_its_root(original: Original) -> None:
    assert verify_session(original.folder).ending == "sound"
    found = verify_session(original.folder, root=original.root)
    assert found.ending == "sound"
    assert found.root_given == found.seal.lines[-1]


def test_there_are_enough_ways() -> None:
    assert len(set(NAMES)) == len(NAMES) >= 25


@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.long) if n in SLOW else n for n in NAMES])
def test_it_is_found_and_named(name: str, original: Original, tmp_path: Path) -> None:
    (tampering,) = (t for t in tamperings(original.stranger) if t.name == name)
    outcome = try_one(tampering, original, tmp_path)
    assert (outcome.found, outcome.named) == (True, True), outcome.said


def test_process_computes_on_changed_data_and_says_so_everywhere(
    original: Original, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "s"
    for path in (p for name in ("session.toml", "manifest.json", "seal.jsonl", "raw") for p in _files(original, name)):
        target = session / path.relative_to(original.folder)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    log = session / "raw" / "nmea.log"
    log.write_bytes(faster(log.read_bytes()))
    outside = {p: p.read_bytes() for p in session.rglob("*") if p.is_file()}
    with pytest.raises(SystemExit) as ended:
        main(["process", str(session)])
    assert not ended.value.code
    out = capsys.readouterr().out
    assert out.startswith("THE DATA OF THIS SESSION WAS CHANGED SINCE IT WAS SEALED:")
    assert "raw/nmea.log: content changed" in out
    text = (session / "reduction" / "summary.json").read_text()
    told = json.loads(text)
    assert list(Draft202012Validator(summary_schema()).iter_errors(told)) == []
    assert told["seal"]["state"] == parse_summary(text).seal.state == "changed"
    assert [change["path"] for change in told["seal"]["changes"]][:1] == ["raw/nmea.log"]
    assert told["seal"]["root"] == original.root != told["seal"]["root_of_files"]
    page = (session / "reduction" / "report.html").read_text()
    assert page.index('class="changed"') < page.index('id="h-result"')
    assert all(path.read_bytes() == data for path, data in outside.items())
    made = {p for p in session.rglob("*") if p.is_file()} - set(outside)
    assert {p.relative_to(session).parts[0] for p in made} == {"trialset", "reduction"}


def _files(original: Original, name: str) -> list[Path]:
    path = original.folder / name
    return [p for p in path.rglob("*") if p.is_file()] if path.is_dir() else [path]


# Results and their list edited together: what the seal does not cover is derived again.


def _faster_band(data: bytes) -> bytes:
    """Return a band table whose first speed is a tenth of a knot higher."""
    lines = data.decode().splitlines(keepends=True)
    at = lines[0].split(",").index("speed_kn")
    cells = lines[1].split(",")
    cells[at] = f"{float(cells[at]) + 0.1:.9f}"
    return "".join([lines[0], ",".join(cells), *lines[2:]]).encode()


def test_a_result_edited_with_its_list_on_another_computer_is_found_by_deriving_again(
    original: Original, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    session = Path(shutil.copytree(original.folder, tmp_path / "s"))
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "of-the-buyer"))
    with_its_list("reduction/bands.csv", _faster_band)(session)
    plain = verify_with_results(session)
    assert plain.ending == "sound"
    assert any("which no seal covers" in text and "--derive" in text for text in plain.remarks)
    before = {p: p.read_bytes() for p in original.folder.rglob("*") if p.is_file()}
    again = verify_with_results(original.folder, derive=True)
    assert (again.ending, again.faults) == ("sound", ())
    assert any(text.startswith("results: made again from the raw files, ") for text in again.remarks)
    assert {p: p.read_bytes() for p in original.folder.rglob("*") if p.is_file()} == before
    with pytest.raises(SystemExit) as ended:
        main(["verify", str(session), "--derive"])
    assert ended.value.code == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "reduction/bands.csv: is not what the raw files give when derived again (row 1, speed_kn: " in said
    assert said.endswith(" damaged")


def test_results_of_other_versions_are_compared_to_the_printed_digits(original: Original, tmp_path: Path) -> None:
    session = Path(shutil.copytree(original.folder, tmp_path / "s"))
    path = session / "reduction" / "results.json"
    content = json.loads(path.read_text())
    content["versions"]["numpy"] = "1.0.0"
    path.write_text(json.dumps(content))
    with_its_list("reduction/bands.csv", lambda data: data.replace(b"\n", b"\r\n"))(session)
    with_its_list("reduction/legs.csv", _faster_legs)(session)
    found = verify_with_results(session, derive=True)
    assert [fault.partition(":")[0] for fault in found.faults] == ["reduction/legs.csv"]
    assert any("not compared (other versions made them)" in text for text in found.remarks)


def _faster_legs(data: bytes) -> bytes:
    lines = data.decode().splitlines(keepends=True)
    at = lines[0].split(",").index("sog_kn_mean")
    cells = lines[-1].split(",")
    cells[at] = f"{float(cells[at]) * 1.05:.9f}"
    return "".join([*lines[:-1], ",".join(cells)]).encode()


def test_a_session_is_checked_through_a_link_to_it(original: Original, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(original.folder, target_is_directory=True)
    assert verify_with_results(tmp_path / "link").ending == "sound"
