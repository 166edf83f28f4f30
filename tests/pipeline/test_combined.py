"""A trial over two days: copies byte for byte, one table, load and conditions of each session its own."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from trialcapture import load
from trialcapture.cli import group
from trialcapture.errors import TrialCaptureError
from trialcapture.frames import CombinedFrames
from trialcapture.pipeline.combined import combine_sessions
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two sessions of one boat: some steps on each day, one of them on both; two persons more on the second day."""
    plan = replace(
        SCENARIOS["small-petrol"].plan, hold_s=85.0, warm_up_s=30.0, manoeuvres=False, marks=False, idle_share=0.3,
        full_throttle=False,
    )  # fmt: skip
    folders = []
    for day, steps in ((22, (1500.0, 3500.0)), (23, (3500.0, 4500.0))):
        begin_ns = int(datetime(2026, 6, day, 9, tzinfo=UTC).timestamp()) * 10**9
        folder = tmp_path_factory.mktemp("days") / f"day{day}"
        write_session(simulate("small-petrol", day, plan=replace(plan, steps_rpm=steps), start_utc_ns=begin_ns), folder)
        folders.append(folder)
    settings = folders[1] / "session.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("persons = 3", "persons = 5"), encoding="utf-8")
    return folders[0], folders[1]


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def assert_every_number_is_stored(sheet: str, at: Path) -> None:
    """Every traced value of a sheet names a file that is there, and a place in it."""
    places = set(re.findall(r'<data value="([^" ]+)', sheet))
    assert {place.partition("/sessions/")[0] for place in places if "/sessions/" in place} == {".."}
    for place in places:
        name, _, pointer = place.partition("#/")
        assert (at / name).is_file(), place
        if name.endswith("summary.json"):
            value = json.loads((at / name).read_text(encoding="utf-8"))
            for key in pointer.split("/"):
                value = value[int(key)] if isinstance(value, list) else value[key]


def test_two_days_make_one_table(days: tuple[Path, Path], tmp_path: Path) -> None:
    into = tmp_path / "whole"
    before = [files(day) for day in days]
    done = CliRunner().invoke(
        group, ["process", *map(str, days), "--into", str(into), "--json"], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert [files(day) for day in days] == before
    copies = sorted((into / "sessions").iterdir())
    for copy, original in zip(copies, before, strict=True):
        kept = {name: data for name, data in files(copy).items() if not name.startswith(("trialset/", "reduction/"))}
        assert kept == original
    speeds = [b["band_rpm"] for b in told["bands"]]
    assert speeds == sorted(speeds)
    assert set(speeds) == {1500.0, 3500.0, 4500.0}
    loads = [s["load"]["displacement_kg"] for s in told["summary"]["sessions"]]
    assert loads[1] - loads[0] == pytest.approx(150.0)
    assert {s["band_name"] for s in told["summary"]["steps"]} == {"3500 rpm"}
    cells = told["summary"]["plan"]["cells"]
    assert {c["step"] for c in cells} == {"1500 rpm", "3500 rpm", "4500 rpm"}
    assert {c["state"] for c in cells} == {"done"}
    # each session's current is its own: the whole tells what each tells alone
    for copy, session in zip(copies, told["summary"]["sessions"], strict=True):
        alone = json.loads((copy / "reduction" / "summary.json").read_text(encoding="utf-8"))
        assert session["current"] == alone["current"]["fit"]
    first = files(into / "reduction")
    again = CliRunner().invoke(group, ["process", str(into)], catch_exceptions=False)
    assert files(into / "reduction") == first
    assert "2 sessions" in again.output
    sheet = (into / "reduction" / "sheet.html").read_text(encoding="utf-8")
    assert_every_number_is_stored(sheet, into / "reduction")
    shown = " ".join(re.sub(r"<[^>]+>", " ", sheet).split())
    assert "trial of 2 sessions" in shown
    # the weight of each, the step of both as one row, and the way to the evidence of each
    for kg in loads:
        assert f"{kg:,.0f}".replace(",", "\u202f") in sheet
    assert re.search(r"<data value=\"bands.parquet#/\d+/session_id\">A\+B</data>", sheet)
    book = openpyxl.load_workbook(into / "reduction" / "trial.xlsx")
    ids = [s["id"] for s in told["summary"]["sessions"]]
    whose = {cell.value for cell in next(c for c in book["Bands"].iter_cols() if c[0].value == "Session")[1:]}
    assert {f"A {ids[0]}", f"B {ids[1]}", f"A {ids[0]}; B {ids[1]}"} >= whose > set()
    assert len(book["Bands"]._charts) == 2
    assert {c.value for c in next(c for c in book["Legs"].iter_cols() if c[0].value == "Session")[1:]} == {
        f"A {ids[0]}", f"B {ids[1]}",
    }  # fmt: skip
    assert not [c for page in book for row in page.iter_rows() for c in row if c.data_type == "f"]
    for copy in copies:
        assert f'href="../sessions/{copy.name}/reduction/report.html"' in sheet
    assert "B" in again.output
    frames = load(into)
    assert isinstance(frames, CombinedFrames)
    assert frames.bands["speed_kn"].tolist() == [b["speed_kn"] for b in told["bands"]]
    assert set(frames.legs["session_id"]) == set(frames.samples["session_id"]) == set(ids)
    assert frames.legs.attrs["units"]["sog_kn_mean"] == "kn"
    assert frames.summary.sessions[1].load.displacement_kg == loads[1]
    assert len(frames.summary.steps) == len(told["summary"]["steps"])
    row = next(b for b in told["bands"] if b["band_rpm"] == 3500.0)
    assert row["economy_nm_per_l"] == pytest.approx(row["speed_kn"] / row["fuel_l_per_h"])
    traced = json.loads(CliRunner().invoke(group, ["explain", str(into), "3500", "--json"]).stdout)
    assert [of["letter"] for of in traced["sessions"]] == ["A", "B"]
    assert all(leg["raw"]["lines"] for of in traced["sessions"] for leg in of["legs"])
    shown = CliRunner().invoke(group, ["explain", str(into), "3500"]).output
    assert "of sessions A and B" in shown
    assert "session B" in CliRunner().invoke(group, ["explain", str(into), "b", "leg", "1"]).output
    refused = CliRunner().invoke(group, ["explain", str(into), "9999"])
    assert refused.exit_code == 1


def test_what_is_no_one_trial_is_refused_and_leaves_nothing(days: tuple[Path, Path], tmp_path: Path) -> None:
    into = tmp_path / "whole"
    with pytest.raises(TrialCaptureError, match="given twice"):
        combine_sessions([days[0], days[0]], into)
    other = tmp_path / "other"
    write_session(simulate("displacement", 1, short=True), other)
    with pytest.raises(TrialCaptureError, match=r"not of one boat.*boat\.name.*engine"):
        combine_sessions([days[0], other], into)
    into.mkdir()
    (into / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(TrialCaptureError, match="folder of its own"):
        combine_sessions(days, into)
    assert [p.name for p in tmp_path.iterdir() if "unfinished" in p.name] == []


@pytest.mark.parametrize("arguments", [["a", "b"], ["a", "--into", "c"], ["a", "b", "--into", "c", "--keep"]])
def test_wrong_usage_is_told(arguments: list[str]) -> None:
    assert CliRunner().invoke(group, ["process", *arguments]).exit_code == 2


@pytest.mark.parametrize("text", ["", "[combined]\nsession = ['../x']", "[combined]\nsession = ['sessions/../../x']"])
def test_a_damaged_list_is_told(text: str, tmp_path: Path) -> None:
    (tmp_path / "combined.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TrialCaptureError, match="list"):
        CliRunner().invoke(group, ["process", str(tmp_path)], catch_exceptions=False)
