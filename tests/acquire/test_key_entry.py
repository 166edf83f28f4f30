"""Keys while recording: what each stores, what it answers, and that one key takes the last entry back."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tests import rig
from trialcapture.acquire.screen import KEYS, KeyEntry
from trialcapture.archive.notes import parse_note, readings_of, standing, trims_of


class Pad:
    """Keys with what they stored; the clock stands still unless it is moved."""

    def __init__(self, engine_ids: tuple[str, ...] = ("port", "stbd"), **options: Any) -> None:
        self.notes: list[dict[str, Any]] = []
        self.now_s = 100.0
        self.entry = KeyEntry(self._store, engine_ids=engine_ids, now_s=lambda: self.now_s, **options)

    def _store(self, kind: str, value: Any, unit: str, more: Mapping[str, Any]) -> str:
        t = f"2026-05-14T10:00:{len(self.notes):02d}.000Z"
        self.notes.append({"t": t, "kind": kind, "value": value, "unit": unit, **more})
        return t

    def press(self, keys: str) -> str:
        for key in keys:
            self.entry.press(key)
        return self.entry.prompt

    @property
    def stored(self) -> list[dict[str, Any]]:
        return [{k: v for k, v in note.items() if k != "t"} for note in self.notes]


def one(keys: str, **options: Any) -> dict[str, Any]:
    pad = Pad(**options)
    pad.press(keys)
    (found,) = pad.stored
    return found


def test_a_mark_is_one_key() -> None:
    pad = Pad()
    assert pad.press("mM ").startswith("noted: mark 3")
    assert [(n["kind"], n["value"]) for n in pad.notes] == [("mark", 1), ("mark", 2), ("mark", 3)]


@pytest.mark.parametrize(
    ("keys", "stored"),
    [
        ("t25\r", {"value": 25, "unit": "%"}),
        ("t37\x7f5,5\n", {"value": 35.5, "unit": "%"}),
        ("t-100\r", {"value": -100, "unit": "%"}),
        ("t101\r", {"value": 101, "unit": ""}),
        ("ttabs down\r", {"value": "tabs down", "unit": ""}),
        ("t25p\r", {"value": 25, "unit": "%", "side": "port"}),
        ("T20 % stbd\r", {"value": 20, "unit": "%", "side": "stbd"}),
        ("ttabs down b\r", {"value": "tabs down", "unit": "", "side": "both"}),
    ],
)
def test_a_trim_has_a_side_where_one_is_typed(keys: str, stored: dict[str, Any]) -> None:
    assert one(keys) == {"kind": "trim", **stored}


@pytest.mark.parametrize(
    ("keys", "stored"),
    [
        ("s71.5\r", {"value": 71.5}),
        ("s71,5 helm closed 30s\r", {"value": 71.5, "where": "helm", "doors": "closed", "seconds": 30}),
        ("S68 aft cabin doors open\r", {"value": 68, "where": "aft cabin", "doors": "open"}),
    ],
)
def test_a_sound_has_its_place_its_doors_and_its_seconds(keys: str, stored: dict[str, Any]) -> None:
    assert one(keys) == {"kind": "sound", "unit": "dB(A)", **stored}


@pytest.mark.parametrize(
    ("keys", "options", "stored"),
    [
        ("drpm 2400 port\r", {}, {"value": 2400, "unit": "rpm", "quantity": "rpm", "engine": "port"}),
        ("dfuel 62 L/h stbd\r", {}, {"value": 62, "unit": "L/h", "quantity": "fuel", "engine": "stbd"}),
        ("dfuel 62 stbd\r", {}, {"value": 62, "unit": "L/h", "quantity": "fuel", "engine": "stbd"}),
        ("dfuel 16,4\r", {"engine_ids": ("main",), "units": "us"},
         {"value": 16.4, "unit": "US gal/h", "quantity": "fuel", "engine": "main"}),
        ("dcoolant 180 \u00b0F port\r", {}, {"value": 180, "unit": "\u00b0F", "quantity": "coolant", "engine": "port"}),
    ],
)  # fmt: skip
def test_a_reading_names_quantity_and_engine(keys: str, options: dict[str, Any], stored: dict[str, Any]) -> None:
    assert one(keys, **options) == {"kind": "reading", **stored}


def test_an_engine_speed_in_gallons_is_refused_in_every_unit_system() -> None:
    pad = Pad(engine_ids=("main",), units="us")
    assert "cannot have this unit" in pad.press("drpm 2400 gal/h\r")
    assert pad.stored == []
    assert pad.press("dfuel 16.4 gal/h\r").startswith("noted: reading fuel 16.4 US gal/h")


def test_readings_typed_by_keys_are_those_that_bands_are_made_of() -> None:
    pad = Pad()
    pad.press("drpm 2400 port\rdrpm 2390 stbd\ru")
    notes = [parse_note(json.dumps(note).encode(), n) for n, note in enumerate(pad.notes)]
    found, faults = readings_of(notes, ("port", "stbd"))
    assert faults == []
    # what was taken back is no reading
    assert [(r.engine, r.value) for r in found] == [("port", 2400.0)]


def test_trims_of_one_side_leave_the_other_as_it_was() -> None:
    pad = Pad()
    pad.press("t25\rt30s\rt30p\rt10p\ru")
    notes = [parse_note(json.dumps(note).encode(), n) for n, note in enumerate(pad.notes)]
    assert [trim.value for trim in trims_of(notes)] == ["25 %", "port 25 %, stbd 30 %", "30 %"]


def test_remark_and_sea_are_words() -> None:
    pad = Pad()
    pad.press("rferry wash from the left\rwshort chop, no swell\r")
    assert pad.stored == [
        {"kind": "remark", "value": "ferry wash from the left", "unit": ""},
        {"kind": "sea", "value": "short chop, no swell", "unit": ""},
    ]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("drpm 2400\r", "which engine"), ("drpm\r", "a reading is"), ("dspeed 20 port\r", "a reading is"),
        ("dfuel 62 kn port\r", "cannot have this unit"), ("sloud\r", "must be a number"), ("dfuel x port\r", "number"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told_and_not_stored(keys: str, said: str) -> None:
    pad = Pad()
    answer = pad.press(keys)
    assert answer.startswith("NOT noted")
    assert said in answer
    assert pad.notes == []


def test_undo_takes_back_the_last_then_the_one_before_and_no_more() -> None:
    pad = Pad()
    pad.press("mt25p\r")
    assert pad.press("u") == "taken back: trim 25 % port"
    assert pad.press("u") == "taken back: mark 1"
    assert "nothing" in pad.press("u")
    notes = [parse_note(json.dumps(note).encode(), n) for n, note in enumerate(pad.notes)]
    assert len(notes) == 4
    assert standing(notes) == []


def test_an_entry_can_be_forgotten_and_stray_keys_do_nothing() -> None:
    pad = Pad()
    assert "nothing was noted" in pad.press("t25\x1b")
    pad.press("xyzq\rt\r\x1b")
    assert pad.notes == []


def test_what_is_typed_and_what_is_answered_fit_the_screen_and_the_answer_goes_away() -> None:
    pad = Pad()
    for keys in ("t", "r", "w", "s", "d"):
        assert len(pad.press(keys)) <= 80
        assert "Enter" in pad.entry.prompt
        pad.press("\x1b")
    pad.press("r" + "wordy" * 70)
    assert len(pad.entry.prompt) <= 80
    assert pad.entry.prompt.endswith("_")
    assert len(pad.press("\r")) <= 80
    assert pad.entry.prompt
    pad.now_s += 60.0
    assert pad.entry.prompt == ""
    assert len(pad.notes[0]["value"]) == 300
    assert len(KEYS) <= 80


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_record_at_a_terminal_answers_every_key_and_keeps_what_was_stored(tmp_path: Path) -> None:
    port = rig.free_port()
    (tmp_path / "boat.toml").write_text(
        '[boat]\nname = "Tarn Plover"\n[report]\nunits = "us"\n[[engine]]\nid = "main"\nrated_rpm = 2400\n'
        f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
    )
    pty = rig.Pty()
    seen = b""
    with open(pty.name, "r+b", buffering=0) as terminal:  # noqa: PTH123  (a device, not a file)
        recorder = subprocess.Popen(
            [sys.executable, "-m", "trialcapture", "record", "boat.toml", "--into", "day"], cwd=tmp_path,
            stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2]), "TERM": "xterm"} | {"COLUMNS": "80"},
        )  # fmt: skip

        def shows(text: bytes) -> bool:
            nonlocal seen
            seen += pty.received()
            return text in seen

        try:
            rig.wait_for(lambda: shows(b"m mark"), 60.0)
            for keys, answer in (
                (b"m", b"noted: mark 1"), (b"t25p\r", b"noted: trim 25 % port"),
                (b"rferry wash\r", b"noted: remark ferry wash"), (b"wshort chop\r", b"noted: sea short chop"),
                (b"s71.5 helm closed\r", b"noted: sound 71.5 dB(A)"),
                (b"dfuel 16.4\r", b"noted: reading fuel 16.4 US gal/h"),
                (b"u", b"taken back: reading fuel"), (b"sx\r", b"NOT noted"),
            ):  # fmt: skip
                seen = b""
                pty.send(keys)
                rig.wait_for(lambda answer=answer: shows(answer), 30.0)
            recorder.send_signal(2)
            rig.wait_for(lambda: (shows(b"\0") or True) and recorder.poll() is not None, 60.0)
        finally:
            if recorder.poll() is None:
                recorder.kill()
            recorder.wait()
    lines = (tmp_path / "day" / "raw" / "notes.jsonl").read_bytes().splitlines()
    notes = [parse_note(line, n) for n, line in enumerate(lines)]
    typed = [(n.kind, n.value, n.unit, dict(n.more)) for n in notes if n.by == "screen"]
    kept = [(kind, value, unit, {k: v for k, v in more.items() if k != "mono_us"}) for kind, value, unit, more in typed]
    (reading,) = [n for n in lines if b'"reading"' in n and b"undo" not in n]
    assert kept == [
        ("mark", 1, "", {}), ("trim", 25, "%", {"side": "port"}), ("remark", "ferry wash", "", {}),
        ("sea", "short chop", "", {}), ("sound", 71.5, "dB(A)", {"doors": "closed", "where": "helm"}),
        ("reading", 16.4, "US gal/h", {"quantity": "fuel", "engine": "main"}),
        ("undo", json.loads(reading)["t"], "", {"of": "reading"}),
    ]  # fmt: skip
