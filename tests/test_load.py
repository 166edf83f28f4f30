"""`trialcapture.load` gives the results of a processed session as pandas frames with units."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import trialcapture
from tests.made_once import processed_copy
from trialcapture.errors import TrialCaptureError
from trialcapture.frames import TrialFrames
from trialcapture.reduce.summary import Summary
from trialcapture.reduce.tables import LEGS_SCHEMA, legs_csv

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return processed_copy("journal_session", tmp_path_factory.mktemp("loaded") / "session")


@pytest.fixture(scope="module")
def trial(folder: Path) -> TrialFrames:
    return trialcapture.load(folder)


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("samples", "trialset/samples.parquet"),
        ("segments", "trialset/segments.parquet"),
        ("segment_engines", "trialset/segment_engines.parquet"),
        ("bands", "reduction/bands.parquet"),
    ],
)
def test_a_frame_is_its_file_with_the_units_of_its_columns(
    name: str, file: str, trial: TrialFrames, folder: Path
) -> None:
    frame, table = getattr(trial, name), pq.read_table(folder / file)
    pd.testing.assert_frame_equal(frame, pd.read_parquet(folder / file), check_flags=False)
    told = {f.name: f.metadata[b"unit"].decode() for f in table.schema if f.metadata and b"unit" in f.metadata}
    assert frame.attrs["units"] == told
    assert frame.attrs["provenance"]["session_id"] == trial.session.id


def test_units_are_those_that_the_names_of_columns_tell(trial: TrialFrames) -> None:
    suffixes = {"_kn": "kn", "_m": "m", "_l_per_h": "l/h", "_nm_per_l": "nm/l", "_s": "s"}
    seen = 0
    for frame in (trial.samples, trial.segments, trial.bands, trial.legs):
        for column, unit in frame.attrs["units"].items():
            for suffix, expected in suffixes.items():
                if column.endswith(suffix):
                    assert unit.lower() == expected, column
                    seen += 1
    assert seen > 30


def test_legs_are_the_segments_that_made_the_bands(trial: TrialFrames) -> None:
    legs = trial.legs.merge(trial.segments, on="segment_id", suffixes=("", "_of_segment"))
    assert len(legs) == len(trial.legs) > 0
    assert (legs["start"] == legs["start_of_segment"].dt.round("ms")).all()
    assert legs["sog_kn_mean"].to_numpy() == pytest.approx(legs["sog_kn_mean_of_segment"].to_numpy(), abs=1e-3)
    assert trial.legs.attrs["units"]["duration_s"] == "s"
    assert trial.bands["legs"].sum() == len(trial.legs)


def test_notes_come_in_the_order_of_the_file_with_times_in_utc(trial: TrialFrames, folder: Path) -> None:
    lines = [json.loads(line) for line in (folder / "raw" / "notes.jsonl").read_text().splitlines()]
    assert trial.notes["kind"].tolist() == [line["kind"] for line in lines]
    assert trial.notes["value"].tolist() == [line.get("value") for line in lines]
    stamps = pd.to_datetime([line["t"] for line in lines], utc=True, format="ISO8601")
    assert (trial.notes["t"] == stamps).all()


def test_a_damaged_note_has_no_time_and_further_fields_are_columns(folder: Path, tmp_path: Path) -> None:
    session = tmp_path / "session"
    shutil.copytree(folder, session)
    (session / "raw" / "notes.jsonl").write_text(
        '{"t":"2026-05-14T08:40:00.25Z","kind":"exclude","value":"x","reason":"wash","by":"a"}\n{"t":\n'
    )
    notes = trialcapture.load(session).notes
    assert notes["kind"].tolist() == ["exclude", "damaged"]
    assert notes["t"][0] == pd.Timestamp("2026-05-14T08:40:00.25Z")
    assert pd.isna(notes["t"][1])
    assert notes["reason"][0] == "wash"
    (session / "raw" / "notes.jsonl").unlink()
    assert list(trialcapture.load(session).notes.columns) == ["t", "kind", "value", "unit", "by"]
    assert trialcapture.load(session).notes.empty


def test_manoeuvres_are_a_frame_in_any_case(folder: Path, tmp_path: Path) -> None:
    session = tmp_path / "session"
    shutil.copytree(folder, session)
    path = session / "reduction" / "manoeuvres.csv"
    path.unlink(missing_ok=True)
    none = trialcapture.load(session).manoeuvres
    assert none.empty
    path.write_text(",".join(none.columns) + "\n" + "x,turn,2026-05-14T08:40:00Z,port,0,90,12.5,m,0.5,calm,true,\n")
    (row,) = trialcapture.load(session).manoeuvres.to_dict("records")
    assert (row["kind"], row["value"], row["unit"], row["claimed"]) == ("turn", 12.5, "m", True)
    assert row["start"] == pd.Timestamp("2026-05-14T08:40:00Z")


def test_the_summary_is_typed_and_says_what_the_file_says(trial: TrialFrames, folder: Path) -> None:
    assert isinstance(trial.summary, Summary)
    text = json.loads((folder / "reduction" / "summary.json").read_text())
    assert trial.summary.config_hash == text["config_hash"]
    assert trial.summary.session.id == text["session"]["id"]


def test_a_session_that_was_not_processed_is_told_so(tmp_path: Path) -> None:
    shutil.copytree(SAMPLE, tmp_path / "session", ignore=shutil.ignore_patterns("trialset", "reduction"))
    with pytest.raises(TrialCaptureError, match="was not processed") as told:
        trialcapture.load(tmp_path / "session")
    assert "trialcapture process" in str(told.value)
    with pytest.raises(TrialCaptureError, match="no such folder"):
        trialcapture.load(str(tmp_path / "nowhere"))


def test_a_result_that_is_gone_or_damaged_is_told_by_name(folder: Path, tmp_path: Path) -> None:
    session = tmp_path / "session"
    shutil.copytree(folder, session)
    trial = trialcapture.load(session)
    (session / "reduction" / "legs.csv").unlink()
    with pytest.raises(TrialCaptureError, match=r"legs\.csv"):
        _ = trial.legs
    samples = session / "trialset" / "samples.parquet"
    samples.write_bytes(samples.read_bytes()[:1000])
    with pytest.raises(TrialCaptureError, match=r"damaged.*samples\.parquet"):
        _ = trial.samples


def test_the_package_itself_is_light() -> None:
    code = "import sys, trialcapture; print({'numpy', 'pandas', 'pyarrow', 'scipy', 'matplotlib'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_a_text_that_would_be_a_formula_is_escaped_on_the_disk_and_as_it_was_when_loaded(
    folder: Path, tmp_path: Path
) -> None:
    session = tmp_path / "session"
    shutil.copytree(folder, session)
    texts = ["=1+1", "'=1", "two\nlines", 'a "b", c', "tabs 20 %", None]
    rows = [dict.fromkeys(LEGS_SCHEMA.names) | {"trim": text, "start": 1} for text in texts]
    (session / "reduction" / "legs.csv").write_bytes(legs_csv(pa.Table.from_pylist(rows, LEGS_SCHEMA)))
    assert b"'=1+1" in (session / "reduction" / "legs.csv").read_bytes()
    assert [None if pd.isna(text) else text for text in trialcapture.load(session).legs["trim"]] == texts


def test_foreign_results_are_refused_by_name(folder: Path, tmp_path: Path) -> None:
    session = tmp_path / "session"
    shutil.copytree(folder, session)
    trial = trialcapture.load(session)
    segments = session / "trialset" / "segments.parquet"
    pq.write_table(pq.read_table(segments).append_column("x", pa.array([[1]] * len(pq.read_table(segments)))), segments)
    with pytest.raises(TrialCaptureError, match=r"column 'x' of type list.*segments\.parquet"):
        _ = trial.segments
    for name, content in (("legs.csv", b"a,b\n1\n"), ("summary.json", b"[" * 10**6)):
        (session / "reduction" / name).write_bytes(content)
    with pytest.raises(TrialCaptureError, match=r"legs\.csv"):
        _ = trial.legs
    with pytest.raises(TrialCaptureError, match=r"summary\.json"):
        _ = trial.summary


def test_the_example_of_the_readme_runs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    assert '"2026-05-14_tarn_plover"' in example
    exec(compile(example.replace('"2026-05-14_tarn_plover"', repr(str(folder))), "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert "speed_pm" in said
    assert re.search(r"top speed \d+\.\d\d kn at \d+ rpm", said)
    held, leg = re.search(r"over ground (\S+) kn; the leg says (\S+)", said).groups()
    assert float(held) == pytest.approx(float(leg), abs=0.05)
    assert "yellow" in said
