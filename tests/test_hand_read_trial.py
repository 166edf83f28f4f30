"""A boat whose engines cannot be logged: figures typed a leg give the bands that the log of the same trial gives."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from tests.numbers import process_numbers
from trialcapture.archive.manifest import write_manifest
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

pytestmark = pytest.mark.slow

SEED = 11


@pytest.fixture(scope="module")
def logged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The trial with its engine log."""
    folder = tmp_path_factory.mktemp("logged") / "day"
    write_session(simulate("twin-planing", SEED, short=True), folder)
    return folder, process_numbers(folder)


def unlogged(logged: Path, into: Path, notes: list[dict[str, Any]]) -> Path:
    """Return the same trial without engine log and without engine speed on the network."""
    shutil.copytree(logged, into, ignore=shutil.ignore_patterns("engine", "trialset", "reduction"))
    raw = (into / "raw" / "nmea.log").read_bytes()
    (into / "raw" / "nmea.log").write_bytes(re.sub(rb"(?m)^[^\n]*RPM,[^\n]*\n", b"", raw))
    settings = (into / "session.toml").read_text(encoding="utf-8")
    kept = re.sub(r"(?ms)^\[\[engine_log\]\].*?(?=^# ----)", "", settings)
    (into / "session.toml").write_text(kept, encoding="utf-8")
    with (into / "raw" / "notes.jsonl").open("a", encoding="utf-8") as file:
        file.writelines(json.dumps(note) + "\n" for note in notes)
    write_manifest(into)
    return into


def readings(folder: Path) -> list[dict[str, Any]]:
    """Return what a person reads off displays of 10 rpm and half a litre an hour, twice in each leg."""
    samples = pq.read_table(folder / "trialset" / "samples.parquet").to_pandas().set_index("t")
    segments = pq.read_table(folder / "trialset" / "segments.parquet").to_pylist()
    notes = []
    for segment in (s for s in segments if s["accepted"]):
        for share in (0.3, 0.8):
            at = segment["start"] + share * (segment["stop"] - segment["start"])
            row = samples.iloc[int(np.searchsorted(samples.index.asi8, at.value))]
            for engine in ("port", "stbd"):
                for quantity, name, unit, step in (("rpm", "rpm", "rpm", 10.0), ("fuel", "fuel_l_per_h", "L/h", 0.5)):
                    shown = round(float(row[f"{name}_{engine}"]) / step) * step
                    notes.append(
                        {"t": at.isoformat(), "kind": "reading", "engine": engine, "quantity": quantity,
                         "value": f"{shown:g}", "unit": unit, "by": "technician"}
                    )  # fmt: skip
    return notes


def test_readings_typed_by_leg_give_the_bands_of_the_log(logged: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    folder, with_log = logged
    by_hand = process_numbers(unlogged(folder, tmp_path / "hand", readings(folder)))
    expected = {row["band_rpm"]: row for row in with_log["bands"].to_pylist()}
    found = {row["band_rpm"]: row for row in by_hand["bands"].to_pylist() if row["band_rpm"] is not None}
    assert len(found) == len(expected)
    for rpm, row in found.items():
        log = expected[rpm]
        assert "read-by-hand" in row["flags"]
        for name in ("speed_kn", "fuel_l_per_h", "economy_nm_per_l", "range_nm"):
            stem = name.partition("_")[0]
            apart = abs(row[name] - log[name])
            # both share receiver, current and calibration, so they differ by far less than their whole uncertainty
            assert apart <= 2.0 * row[f"{stem}_u_own"] + 1e-9, (rpm, name, row[name], log[name])
        assert row["fuel_u_own"] >= log["fuel_u_own"]
    legs = by_hand["legs"].to_pylist()
    assert all(leg["read_by_hand"] for leg in legs if leg["band_rpm"] is not None)
    assert not any(w["code"] == "reading" for w in by_hand["summary"]["warnings"])


def test_readings_that_cannot_be_used_are_told_and_change_nothing(
    logged: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    folder, _ = logged
    at = "2026-05-14T00:00:00Z"
    bad = [
        {"engine": "middle", "quantity": "rpm", "value": 2000},
        {"engine": "port", "quantity": "mood", "value": 2000},
        {"engine": "port", "quantity": "rpm", "value": "fast"},
        {"engine": "port", "quantity": "fuel", "value": 80, "unit": "degC"},
        {"engine": "port", "quantity": "fuel", "value": 20, "unit": "gal/h"},
        {"engine": "port", "quantity": "rpm", "value": 2000},
    ]
    result = process_numbers(unlogged(folder, tmp_path / "bad", [{"t": at, "kind": "reading", **note} for note in bad]))
    told = [w["text"] for w in result["summary"]["warnings"] if w["code"] == "reading"]
    assert len(told) == len(bad)
    assert "port, stbd" in told[0]
    assert all(row["band_rpm"] is None for row in result["bands"].to_pylist())
