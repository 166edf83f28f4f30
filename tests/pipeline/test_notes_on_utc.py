"""What is noted on board falls into the run it was noted in, however wrong the laptop's clock is."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.numbers import process_numbers
from trialcapture.archive.notes import on_utc, parse_note
from trialcapture.rehearse.boats import Laptop
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

FAST_S = 900.0


def stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def test_a_reading_by_a_clock_a_quarter_of_an_hour_fast_is_that_of_its_run(tmp_path: Path) -> None:
    scenario = replace(SCENARIOS["small-petrol"], laptop=Laptop(wall_error_s=FAST_S, steps=()), vary=False)
    write_session(simulate(scenario, 5, short=True), tmp_path / "day")
    legs = process_numbers(tmp_path / "day")["legs"].to_pylist()
    leg = legs[2]
    middle = leg["start"] + (leg["stop"] - leg["start"]) / 2
    by_clock, on_watch = middle + timedelta(seconds=FAST_S), legs[0]["start"] + timedelta(seconds=20)
    sound = {"kind": "sound", "unit": "dB(A)", "where": "helm", "by": ""}
    # the second was entered later with a time of its own, which is UTC
    notes = [
        {"t": stamp(by_clock), "value": 71, **sound},
        {"t": stamp(on_watch), "value": 66, **sound, "entered": "2026-06-23T10:00:00Z"},
    ]
    (tmp_path / "day" / "raw" / "notes-note.jsonl").write_text("".join(json.dumps(n) + "\n" for n in notes))
    found = process_numbers(tmp_path / "day")["findings"]
    assert {s.level_db: s.band_name for s in found.sound} == {71.0: leg["band_name"], 66.0: legs[0]["band_name"]}
    (said,) = [w for w in found.warnings if w.code == "noted-by-clock"]
    assert "900 s ahead of UTC" in said.text


def note(second: int, kind: str = "remark") -> bytes:
    t = f"1970-01-01T00:{second // 60:02d}:{second % 60:02d}Z"
    return json.dumps({"t": t, "kind": kind, "value": "x"}).encode()


@pytest.mark.parametrize("off_s", [-7.0, 1.0, 1.99, 2.0, 3600.0])
def test_a_clock_that_is_about_right_moves_nothing(off_s: float) -> None:
    offsets = ((600 * 10**9, round(off_s * 1e9)), (900 * 10**9, round(off_s * 1e9)))
    moved, most = on_utc([parse_note(note(700), 0)], offsets)
    assert (moved[0].t_ns / 1e9 - 700, most) == ((off_s, off_s) if abs(off_s) >= 2.0 else (0.0, 0.0))


def test_a_clock_that_was_set_is_followed_and_what_nobody_noted_stays() -> None:
    offsets = ((600 * 10**9, 0), (700 * 10**9, 30 * 10**9), (900 * 10**9, 30 * 10**9))
    notes = [parse_note(note(s), n) for n, s in enumerate((100, 650, 750, 1000, 1300))]
    notes += [parse_note(note(750, "gap"), 9), parse_note(note(750, "photo"), 10)]
    moved, most = on_utc(notes, offsets)
    assert [m.t_ns // 10**9 for m in moved] == [100, 650, 780, 1030, 1300, 750, 750]
    assert most == 30.0
    assert on_utc(notes, ()) == (notes, 0.0)
