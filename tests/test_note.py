"""``trialcapture note`` and ``seal``: what people add is checked, kept beside a recorder at work, and sealed."""

from __future__ import annotations

import json
import shlex
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from PIL import Image

from tests import rig
from tests.command import Run, calling
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.note_entry import note_entry
from trialcapture.archive.note_kinds import FIELDS, KINDS
from trialcapture.archive.notes import DAMAGED, add_notes, marks_of, observations_of, read_notes, trims_of
from trialcapture.archive.seal import NOTE, compare_seal, read_chain
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process
from trialcapture.reduce.summary import parse_summary, summary_schema
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("note") / "s"
    write_session(simulate("coarse-1hz", 3, hours=0.2), folder)
    return folder


@pytest.fixture
def session(made: Path, tmp_path: Path) -> Path:
    for path in (p for p in made.rglob("*") if p.is_file()):
        target = tmp_path / "s" / path.relative_to(made)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    return tmp_path / "s"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("COLUMNS", "80")

    return calling(capsys, joins_err=True)


GOOD = [
    "mark",
    "mark 'throttle blip' --by Kim",
    "trim 25 --unit % --side port",
    "trim 'tabs up' --side both",
    "remark 'ferry passed'",
    "sea 'slight, long swell'",
    "sound 71.5 --where helm --doors closed --seconds 30 --background-db 42",
    "reading 2400 --unit rpm --quantity rpm --engine port",
    "reading 31 --unit 'US gal/h' --quantity fuel --engine stbd",
    "measure 0.82 --unit m --what 'draught aft' --where transom",
    "finding 'hose chafed' --grade watch --where 'port engine'",
    "finding 'two bolts turn' --grade defect --what 'cleats and chocks' --about boat",
    "remark 'heels little' --about handling",
    "load --when before --tank 'port tank' --fraction 0.75",
    "load --when after --tank water --litres 120 --persons 4",
    "hole --step 2200 --way 2 --reason 'traffic'",
    "cruise 2000",
    "conditions --air-temp-c 18.5 --pressure-hpa 1013 --wind-speed-kn 11 --wind-from-deg 240 --wave-height-m 0.4",
    "trim -3 --unit deg",
    "plan_change --action skip --step 1400 --way 255 --reason 'ferry on the line'",
    "plan_change --action first --step 2200",
    "acknowledged --alarm 'gps1 silent'",
    "brief 'cut-off link is worn'",
    "pause begin --reason traffic",
]


@pytest.mark.parametrize("typed", GOOD)
def test_every_kind_is_taken_and_sealed(typed: str, session: Path, run: Run) -> None:
    words = shlex.split(typed)
    code, out, err = run("note", session, *words)
    assert (code, err) == (0, "")
    chain = read_chain(session)
    assert chain is not None
    assert chain.root is not None
    assert chain.root in out
    (entry,) = [json.loads(line) for line in (session / "raw" / "notes-note.jsonl").read_bytes().splitlines()]
    assert entry["kind"] == words[0]
    assert (session / "raw" / "notes.jsonl").exists()
    assert verify_session(session).ending == "sound"
    assert read_notes(open_session(session))[-1].kind == words[0]


BAD = [
    ("trim", "lacks its value"),
    ("trim 25 --side left", "side cannot be that, saw 'left'"),
    ("sound loud", "must be a number"),
    ("sound 71 --doors ajar", "doors cannot be that"),
    ("sound 71 --side port", "has no such field"),
    ("sound nan", "must be a number"),
    ("reading 2400 --quantity rpm", "lacks its unit"),
    ("reading 2400 --unit rpm", "no quantity"),
    ("reading 2400 --unit kn --quantity rpm", "cannot have this unit"),
    ("reading 2400 --unit rpm --quantity speed", "there is no such quantity"),
    ("reading 2400 --unit rpm --quantity rpm --engine centre", "no such engine"),
    ("measure 0.82 --unit m", "no what"),
    ("finding 'hose chafed'", "no grade"),
    ("load --when before", "says nothing"),
    ("load --when before --tank a", "how full it is"),
    ("load --when before --tank a --fraction 1.2", "from 0 to 1"),
    ("load --when before --persons 2.5", "whole number"),
    ("hole --step 2200", "no reason"),
    ("conditions", "says nothing"),
    ("plan_change --action skip --step 1400", "not left out without a reason"),
    ("plan_change --action later --step 1400", "action cannot be that"),
    ("plan_change --action first", "no step"),
    ("acknowledged", "no alarm"),
    ("brief", "lacks its value"),
    ("pause later", "a pause begins or ends"),
    ("conditions --pressure-hpa 13", "from 850 to 1100"),
    ("cruise fast", "must be a number"),
    ("photo", "no --photo"),
    ("undo 2026-05-14T10:00:00Z --of trim", "no such entry"),
    ("remark x --at 10:12", "no time with its zone"),
    ("remark x --at 2126-05-14T10:12:00Z", "future"),
    ("finding x --grade watch --photo /nowhere/x.jpg", "no such photo"),
]


@pytest.mark.parametrize(("typed", "told"), BAD)
def test_what_cannot_be_is_refused_and_nothing_is_written(typed: str, told: str, session: Path, run: Run) -> None:
    before = {p: p.read_bytes() for p in session.rglob("*") if p.is_file()}
    code, _, err = run("note", session, *shlex.split(typed))
    assert code == 1
    assert told in err
    assert {p: p.read_bytes() for p in session.rglob("*") if p.is_file()} == before


def test_an_unknown_kind_is_wrong_usage(session: Path, run: Run) -> None:
    assert run("note", session, "exclude", "x")[0] == 2
    code, _, err = run("note", session, "mark", "--sidee")
    assert code == 2
    assert "--sidee" in err
    with pytest.raises(TrialCaptureError, match="trialcapture review"):
        note_entry("exclude", None, t="2026-05-14T10:00:00Z", fields={}, engine_ids=[])


def test_every_field_belongs_to_a_kind_and_every_kind_is_tried_above() -> None:
    used = {name for kind in KINDS.values() for name in (*kind.needs, *kind.one_of, *kind.may)}
    assert used == set(FIELDS)
    assert {typed.split()[0] for typed in GOOD} >= set(KINDS) - {"photo", "undo"}


def test_a_photo_is_copied_once_and_sealed(session: Path, tmp_path: Path, run: Run) -> None:
    for folder, data in (("a", b"one"), ("b", b"two"), ("c", b"one")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "hose.jpg").write_bytes(data)
        photo = ("--photo", tmp_path / folder / "hose.jpg")
        assert run("note", session, "photo", "the hose", *photo, "--camera-offset-s", "-3600")[0] == 0
    assert sorted(p.name for p in (session / "raw" / "photos").iterdir()) == ["hose-2.jpg", "hose.jpg"]
    notes = [note for note in read_notes(open_session(session)) if note.kind == "photo"]
    assert [note.more["file"].rpartition("/")[2] for note in notes] == ["hose.jpg", "hose-2.jpg", "hose.jpg"]
    assert verify_session(session).ending == "sound"
    (session / "raw" / "photos" / "hose.jpg").write_bytes(b"other")
    assert verify_session(session).ending == "damaged"


def camera_photo(path: Path, clock: str = "", offset: str = "") -> Path:
    exif = Image.Exif()
    exif[0x0110] = "One"  # Model
    for tag, text in ((0x9003, clock), (0x9011, offset)):  # DateTimeOriginal, OffsetTimeOriginal
        if text:
            exif.get_ifd(0x8769)[tag] = text
    Image.new("RGB", (64, 48), (200, 30, 30)).save(path, exif=exif)
    return path


def test_a_photo_without_a_zone_is_asked_for_it_and_a_photo_of_the_clock_answers(
    session: Path, tmp_path: Path, run: Run
) -> None:
    photo = camera_photo(tmp_path / "a.jpg", "2026:05:14 10:44:00")
    before = {p: p.read_bytes() for p in session.rglob("*") if p.is_file()}
    code, _, err = run("note", session, "photo", "--photo", photo)
    assert code == 1
    for said in ("2026-05-14 10:44:00", "--camera-zone", "--clock-shown", "--at"):
        assert said in err
    for options, told in (
        (("--camera-zone", "Paris"), "no zone of a camera"),
        (("--camera-zone", "+02:00", "--camera-offset-s", "3"), "told in one way"),
        (("--clock-shown", "10:12"), "no time with its zone"),
    ):
        code, _, err = run("note", session, "photo", "--photo", photo, *options)
        assert (code, told in err) == (1, True), err
    assert {p: p.read_bytes() for p in session.rglob("*") if p.is_file()} == before
    clock = camera_photo(tmp_path / "clock.jpg", "2026:05:14 10:30:00")
    assert run("note", session, "photo", "--photo", clock, "--clock-shown", "2026-05-14T08:30:05Z")[0] == 0
    assert run("note", session, "photo", "--photo", photo)[0] == 0
    notes = read_notes(open_session(session))
    assert [n.more["camera_offset_s"] for n in notes if "camera_offset_s" in n.more] == [-7195.0]
    found = [o for o in observations_of(notes, session) if o.kind == "photo"]
    assert [o.taken_ns for o in found] == [1_778_747_405 * 10**9, 1_778_748_245 * 10**9]  # 08:30:05 and 08:44:05
    assert verify_session(session).ending == "sound"


def test_a_file_that_is_no_picture_is_kept_and_told_so(session: Path, tmp_path: Path, run: Run) -> None:
    (tmp_path / "x.heic").write_bytes(b"no picture")
    code, out, err = run("note", session, "photo", "--photo", tmp_path / "x.heic")
    assert (code, err) == (0, "")
    assert "--at" in out
    assert (session / "raw" / "photos" / "x.heic").read_bytes() == b"no picture"


def test_the_list_shows_what_is_open_and_notes_nothing(session: Path, tmp_path: Path, run: Run) -> None:
    checklist = tmp_path / "round.toml"
    checklist.write_text(
        '[[item]]\narea = "Decks\\u001b[2J"\nwhat = "width"\nkind = "measure"\nunit = "m"\n'
        '[[item]]\narea = "Helm"\nwhat = "wheel"\nkind = "finding"\nstandard = false\n',
        encoding="utf-8",
    )
    before = {p: p.read_bytes() for p in session.rglob("*") if p.is_file()}
    code, out, _ = run("note", session, "--list", checklist)
    assert code == 0
    assert {p: p.read_bytes() for p in session.rglob("*") if p.is_file()} == before
    assert "open  width (measure, m)" in out
    assert "open  wheel (finding, optional)" in out
    assert "1 of 1 standard items open" in out
    assert "\x1b" not in out
    assert run("note", session, "measure", "0.4", "--unit", "m", "--what", "Width")[0] == 0
    code, out, _ = run("note", session, "--list", checklist)
    assert "done  width" in out
    assert "0 of 1 standard items open" in out
    items = json.loads(run("note", session, "--json", "--list", checklist)[1])["items"]
    assert [item["is_open"] for item in items] == [False, True]
    assert run("note", session, "mark", "--list", checklist)[0] == 2
    code, _, err = run("note", session, "--list")
    assert (code, "no checklist" in err, "walk_round" in err) == (1, True, True)
    assert run("note", session)[0] == 2


HOSTILE = "<script>alert(1)</script>\u001b[2J\u202e=1+1"


def test_hostile_notes_are_printed_harmless_in_page_and_terminal(session: Path, tmp_path: Path, run: Run) -> None:
    fields: dict[str, Any] = dict.fromkeys(("where", "what", "grade", "about", "when", "tank", "doors"), HOSTILE)
    fields |= {
        "file": f"raw/photos/{HOSTILE}",
        "sha256": HOSTILE,
        "camera_zone": HOSTILE,
        "fraction": "x",
        "litres": {},
    }
    fields |= {"persons": 1e300, "air_temp_c": 1e300, "pressure_hpa": [], "wind_speed_kn": -5, "seconds": True}
    lines = [
        {"t": "2026-05-14T08:35:00Z", "kind": kind, "value": value, "unit": HOSTILE, "by": HOSTILE, **fields}
        for kind in KINDS
        for value in (HOSTILE, 71.5, None, [HOSTILE], {"a": 1})
    ]
    text = "".join(json.dumps(line) + "\n" for line in lines)
    with (session / "raw" / "notes-desk.jsonl").open("w", encoding="utf-8") as file:
        file.write(text)
    made = process(session)
    page = made["paths"]["report"].read_text(encoding="utf-8")
    assert 'id="noted"' in page
    assert "<script" not in page
    assert not {"\x1b", "\u202e"} & set(page)
    assert "<img" not in page
    noted = made["findings"].noted
    assert len(noted.findings) == 5
    assert {n.air_temp_c for n in noted.conditions} == {None}
    assert {n.persons for n in noted.loads} == {None}
    code, out, err = run("process", session)
    assert code == 0
    assert "\x1b" not in out + err


def test_a_trial_with_notes_prints_them_twice_alike_in_us_units(session: Path, tmp_path: Path, run: Run) -> None:
    photo = camera_photo(tmp_path / "a.jpg", "2026:05:14 10:41:00", "+02:00")
    for typed in (
        "measure 0.41 --unit m --what 'side deck width' --where port",
        "finding 'two bolts turn' --grade defect --where bow",
        "remark 'tracks straight' --about handling --at 2026-05-14T08:35:00Z",
        "sound 71.5 --where helm --doors closed --seconds 30 --background-db 65 --at 2026-05-14T08:35:00Z",
        "conditions --air-temp-c 20 --pressure-hpa 1013.25 --at 2026-05-14T08:30:00Z",
        "load --when before --tank fuel --litres 1000 --at 2026-05-14T08:00:00Z",
        f"photo 'the bow' --photo {photo.as_posix()}",
    ):
        assert run("note", session, *shlex.split(typed))[0] == 0
    assert run("process", session, "--units", "us")[0] == 0
    page = (session / "reduction" / "report.html").read_text(encoding="utf-8")
    for said in (
        "16.1 in", "two bolts turn", "tracks straight", "interior, not pass-by", "near the background", "68.0 °F",
        "29.92 inHg", "264.2 gal", "the bow",
    ):  # fmt: skip
        assert said in page, said
    assert page.count("<img ") == 1
    summary = json.loads((session / "reduction" / "summary.json").read_text(encoding="utf-8"))
    assert summary["noted"]["photos"][0]["taken"] == "2026-05-14T08:41:00.000Z"
    assert summary["noted"]["fuel"]["before_l"] == 1000.0
    jsonschema.validate(summary, summary_schema())
    assert parse_summary(json.dumps(summary)).noted is not None
    assert run("process", session, "--units", "us")[0] == 0
    assert (session / "reduction" / "report.html").read_text(encoding="utf-8") == page
    # an entry taken back is printed no more
    (entry,) = [n for n in read_notes(open_session(session)) if n.kind == "finding"]
    at = datetime.fromtimestamp(entry.t_ns / 1e9, UTC).isoformat(timespec="milliseconds")
    assert run("note", session, "undo", at, "--of", "finding")[0] == 0
    assert run("process", session)[0] == 0
    assert "two bolts turn" not in (session / "reduction" / "report.html").read_text(encoding="utf-8")


def test_an_entry_taken_back_has_no_effect_and_stays(session: Path, run: Run) -> None:
    before = read_notes(open_session(session))
    at = "2026-05-14T08:40:00.250Z"
    for words in (("mark",), ("trim", "12", "--unit", "%")):
        assert run("note", session, *words, "--at", at)[0] == 0
    noted = read_notes(open_session(session))
    assert len(marks_of(noted)) == len(marks_of(before)) + 1
    for kind in ("mark", "trim"):
        assert run("note", session, "undo", at, "--of", kind)[0] == 0
    noted = read_notes(open_session(session))
    assert (marks_of(noted), trims_of(noted)) == (marks_of(before), trims_of(before))
    assert len(noted) == len(before) + 4
    assert {"entered"} <= set(noted[-1].more) | {k for n in noted for k in n.more}


def test_notes_of_all_writers_are_read_by_time_and_old_ones_in_their_order(session: Path) -> None:
    def at(minute: int, kind: str) -> bytes:
        return json.dumps({"t": f"2026-05-14T10:{minute:02d}:00Z", "kind": kind}).encode() + b"\n"

    raw = session / "raw"
    (raw / "notes.jsonl").write_bytes(at(1, "a") + at(5, "b") + b"rubbish\n" + at(4, "c") + at(9, "d"))
    (raw / "notes-note.jsonl").write_bytes(at(2, "e") + at(6, "f"))
    (raw / "notes-review.jsonl").write_bytes(at(7, "g"))
    kinds = [note.kind for note in read_notes(open_session(session))]
    assert kinds == ["a", "e", "b", DAMAGED, "c", "f", "g", "d"]


def test_a_recorder_and_a_writer_at_once_lose_nothing_and_the_end_seals_both(tmp_path: Path, run: Run) -> None:
    port, count = rig.free_port(), 300
    config = f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
    folder = tmp_path / "s"
    with rig.recording(folder, config) as recorder:
        rig.wait_for(lambda: len(recorder.noted("start")) == 1)
        code, out, _ = run("note", folder, "remark", "while recording", "--by", "Kim")
        assert code == 0
        assert "not sealed yet" in out

        def write(number: int) -> None:
            for k in range(10):
                entry: dict[str, Any] = {"t": "2026-05-14T10:00:00Z", "kind": "remark", "value": f"{number}-{k}"}
                add_notes(folder, [entry], writer="note", what=NOTE, by="x", t=entry["t"], is_recorded=lambda: True)

        writers = [threading.Thread(target=write, args=(number,)) for number in range(4)]
        for writer in writers:
            writer.start()
        for number in range(count):
            rig.send_udp(port, rig.numbered(number))
        for writer in writers:
            writer.join()
        rig.wait_for(lambda: recorder.journal().count(b"HDT") == count)
        done = recorder.end()
    assert original_bytes(recorder.journal())["net"] == b"".join(rig.numbered(n) for n in range(count))
    values = sorted(n.value for n in read_notes(open_session(folder)) if n.kind == "remark")
    assert values == sorted(["while recording", *(f"{n}-{k}" for n in range(4) for k in range(10))])
    chain = read_chain(folder)
    assert chain is not None
    assert [line.what for line in chain.lines] == ["recording closed"]
    assert done.root == chain.root
    assert "raw/notes-note.jsonl" in chain.sealed
    assert run("note", folder, "remark", "afterwards")[0] == 0
    found = verify_session(folder)
    assert found.faults == ()
    assert [line.what for line in found.seal.lines] == ["recording closed", "note added"]


def test_a_session_going_on_is_unsealed_and_closed_again_at_its_end(tmp_path: Path, run: Run) -> None:
    port = rig.free_port()
    config = f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
    folder = tmp_path / "s"
    for resume in (False, True):
        with rig.recording(folder, config, resume=resume) as recorder:
            rig.send_udp(port, rig.numbered(resume))
            rig.wait_for(lambda: recorder.journal().count(b"HDT") == 1 + resume)  # noqa: B023  waited for here
            if resume:
                rig.wait_for(lambda: recorder.noted("resume"))
                found = compare_seal(folder, "open")
                assert (found.state, found.was_sealed) == ("unsealed", True)
                assert verify_session(folder).ending == "sound with named losses"
            recorder.end()
    chain = read_chain(folder)
    assert chain is not None
    assert [(line.what, line.found) for line in chain.lines] == [("recording closed", ())] * 2
    assert compare_seal(folder, "closed").state == "intact"
    code, out, _ = run("verify", folder, "--root", chain.lines[0].root)
    assert code == 0
    assert "the root given is that of line 1" in out
    assert "raw/nmea.log" in out


def test_a_recording_that_was_cut_off_is_closed_late(session: Path, run: Run) -> None:
    for name in ("seal.jsonl", "manifest.json"):
        (session / name).unlink()
    start = {"t": "2026-05-14T08:00:00Z", "kind": "start", "mono_us": 0, "epoch_wall_ns": 0, "sources": []}
    (session / "raw" / "notes.jsonl").write_text(json.dumps(start) + "\n")
    code, out, _ = run("verify", session)
    assert (code, out.splitlines()[-1]) == (0, "sound with named losses")
    assert run("seal", session)[0] == 1
    code, out, _ = run("seal", session, "--by", "Kim")
    assert code == 0
    assert "closed late: the recording has not been closed" in out
    code, out, _ = run("verify", session)
    assert (code, out.splitlines()[-1]) == (0, "sound with named losses")
    assert "closed late" in out
    assert "sealed already" in run("seal", session)[1]
    log = session / "raw" / "nmea.log"
    log.write_bytes(log.read_bytes() + b"more\r\n")
    code, out, _ = run("verify", session)
    assert (code, out.splitlines()[-1]) == (1, "damaged")
    assert run("seal", session, "--by", "Kim")[0] == 1
    code, out, _ = run("seal", session, "--by", "Kim", "--accept-changes", "copied once more")
    assert code == 0
    assert "changes accepted" in out


def test_settings_without_engines_take_no_reading_of_one() -> None:
    with pytest.raises(TrialCaptureError, match="no such engine"):
        note_entry(
            "reading", "1", unit="rpm", t="2026-05-14T10:00:00Z", fields={"quantity": "rpm", "engine": "port"},
            engine_ids=load_config("").engine_ids,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "stored"),
    [("68 °F", 20.0), ("68F", 20.0), ("20", 20), ("-4,5", -4.5)],
)
def test_conditions_may_be_typed_in_another_unit(typed: str, stored: float) -> None:
    entry = note_entry("conditions", None, t="2026-05-14T10:00:00Z", fields={"air_temp_c": typed}, engine_ids=())
    assert entry["air_temp_c"] == pytest.approx(stored)


@pytest.mark.parametrize(("typed", "said"), [("68", "68 °F"), ("68 kn", "cannot be that"), ("warm", "A number from")])
def test_what_is_no_temperature_is_told_with_what_would_be_right(typed: str, said: str) -> None:
    with pytest.raises(TrialCaptureError, match=said):
        note_entry("conditions", None, t="2026-05-14T10:00:00Z", fields={"air_temp_c": typed}, engine_ids=())
