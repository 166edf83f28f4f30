"""What is entered at the desk stands in the notes as `trialcapture note` would have written it, once, and as text."""

from __future__ import annotations

import hashlib
import io
import json
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image

from tests import rig
from tests.desk.served import SETTINGS, TWO_HOLES, Served, empty_session, serving
from trialcapture.acquire.ending import STOP_NAME
from trialcapture.acquire.raw_files import prepare_second
from trialcapture.archive.halves import join_halves
from trialcapture.archive.note_kinds import KINDS
from trialcapture.archive.notes import parse_time, read_notes
from trialcapture.archive.seal import NOTE, read_chain, seal_closed
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import verify_session
from trialcapture.desk import entries
from trialcapture.desk.entries import photo_name
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import SessionLock

MARKUP = [
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "{{ 7 * 7 }}", "</textarea><svg/onload=alert(1)>",
    "&lt;b&gt;", "javascript:alert(1)", "Ärger, 日本語, ﷽, 🚤", "a\u202eb", "=HYPERLINK(\"http://attacker.example\")",
    "' OR 1=1 --", "../../etc/passwd", "%00%2e%2e", "\\u003cscript\\u003e",
]  # fmt: skip


@pytest.fixture
def recorded(tmp_path: Path) -> Iterator[Served]:
    """A desk beside a recorder."""
    folder = empty_session(tmp_path / "day")
    with SessionLock(folder), serving(folder) as served:
        yield served


def lines(served: Served) -> list[dict[str, Any]]:
    path = served.folder / "raw" / "notes-desk.jsonl"
    return [json.loads(line) for line in path.read_bytes().splitlines()] if path.exists() else []


GOOD: list[tuple[str, dict[str, str], dict[str, Any]]] = [
    ("mark", {}, {"value": None}),
    ("mark", {"value": "blip", "by": "Kim"}, {"value": "blip", "by": "Kim"}),
    ("trim", {"value": "25", "unit": "%", "side": "port"}, {"value": 25, "unit": "%", "side": "port"}),
    ("trim", {"value": "tabs up", "side": ""}, {"value": "tabs up"}),
    ("sound", {"value": "71,5", "where": "helm", "doors": "closed", "seconds": "30"},
     {"value": 71.5, "unit": "dB(A)", "where": "helm", "doors": "closed", "seconds": 30}),
    ("sea", {"value": "slight"}, {"value": "slight"}),
    ("remark", {"value": "ferry passed", "about": "boat"}, {"value": "ferry passed", "about": "boat"}),
    ("reading", {"value": "2400", "unit": "rpm", "quantity": "rpm", "engine": "port"}, {"engine": "port"}),
    ("finding", {"value": "hose chafed", "grade": "watch"}, {"grade": "watch"}),
    ("measure", {"value": "0.82", "unit": "m", "what": "draught aft"}, {"value": 0.82}),
    ("cruise", {"value": "2100"}, {"value": 2100, "unit": "rpm"}),
    ("conditions", {"air_temp_c": "18.5", "wind_speed_kn": "11"}, {"air_temp_c": 18.5, "wind_speed_kn": 11}),
    ("load", {"when": "before", "tank": "port tank", "fraction": "0.75"}, {"fraction": 0.75}),
    ("hole", {"step": "2000", "way": "255°", "reason": "ferry"}, {"step": "2000", "way": "255°", "reason": "ferry"}),
    ("pause", {"value": "begin", "reason": "traffic"}, {"value": "begin"}),
    ("brief", {"value": "lookout"}, {"value": "lookout"}),
    ("plan_change", {"action": "skip", "step": "2000", "way": "255°", "reason": "late"}, {"action": "skip"}),
    ("acknowledged", {"alarm": "gps1 silent"}, {"alarm": "gps1 silent"}),
]  # fmt: skip


def test_every_kind_is_taken_as_form_and_as_json(recorded: Served) -> None:
    assert {kind for kind, _, _ in GOOD} == set(KINDS) - {"photo", "undo"}
    for kind, fields, wanted in GOOD:
        for send in ("form", "json"):
            with recorded.client() as client:
                given = {"token": recorded.token, **fields}
                path = f"/entry/{kind}"
                answer = client.post(path, data=given) if send == "form" else client.post(path, json=given)
            assert answer.status_code == 200, answer.text
            entry = lines(recorded)[-1]
            assert entry == answer.json()["entry"]
            assert entry | {"kind": kind} | wanted == entry
            age = datetime.now(UTC) - datetime.fromisoformat(entry["t"])
            assert timedelta(0) <= age < timedelta(minutes=5)
            assert "" not in entry.values() or entry["unit"] == "" or entry["by"] == ""
    assert len(lines(recorded)) == 2 * len(GOOD)
    assert [note.kind for note in read_notes(open_session(recorded.folder))].count("mark") == 4


def test_short_ways_lead_to_the_same_notes(recorded: Served) -> None:
    assert recorded.post("/plan", {"action": "first", "step": "1400"}).status_code == 200
    assert recorded.post("/acknowledge", {"alarm": "gps1 silent"}).status_code == 200
    assert [entry["kind"] for entry in lines(recorded)] == ["plan_change", "acknowledged"]


BAD = [
    ("trim", {}, "lacks its value"),
    ("trim", {"value": "25", "side": "left"}, "side cannot be that"),
    ("sound", {"value": "loud"}, "must be a number"),
    ("sound", {"value": "nan"}, "must be a number"),
    ("sound", {"value": "71", "doors": "ajar"}, "doors cannot be that"),
    ("reading", {"value": "2400", "unit": "kn", "quantity": "rpm", "engine": "port"}, "cannot have this unit"),
    ("reading", {"value": "2400", "unit": "rpm", "quantity": "rpm", "engine": "centre"}, "no such engine"),
    ("hole", {"step": "2000"}, "no reason"),
    ("plan_change", {"action": "skip", "step": "2000"}, "without a reason"),
    ("pause", {"value": "soon"}, "begins or ends"),
    ("remark", {"value": "x" * 2001}, "too long"),
    ("remark", {"value": "x", "colour": "red"}, "no note has"),
    ("remark", {"value": "x", "at": "10:12"}, "no time with its zone"),
    ("remark", {"value": "x", "at": "2126-05-14T10:12:00Z"}, "future"),
    ("remark", {"value": "x", "ago_s": "-5"}, "waited"),
    ("remark", {"value": "x", "ago_s": "1e9"}, "waited"),
    ("remark", {"value": "x", "ago_s": "nan"}, "waited"),
    ("undo", {"value": "2026-05-14T10:00:00Z", "of": "trim"}, "no such entry"),
    ("photo", {}, "needs its file"),
]


def test_what_cannot_be_is_refused_in_words_and_nothing_is_written(recorded: Served) -> None:
    for kind, fields, told in BAD:
        answer = recorded.post(f"/entry/{kind}", fields)
        assert answer.status_code == 422
        assert told in answer.json()["error"], answer.text
        assert "--" not in answer.json()["error"]  # no option of the command line
    assert recorded.post("/entry/exclude", {"value": "x"}).status_code == 404
    assert recorded.post("/entry/..%2fmark", {}).status_code == 404
    assert lines(recorded) == []
    assert recorded.faults == []


def test_a_browser_without_scripts_reads_why_something_is_refused(recorded: Served) -> None:
    with recorded.client(accept="text/html,*/*") as client:
        for fields, status, told in (
            ({"token": recorded.token}, 422, "lacks its value"), ({"token": "old"}, 403, "out of date"),
        ):  # fmt: skip
            answer = client.post("/entry/trim", data=fields)
            assert (answer.status_code, answer.headers["content-type"]) == (status, "text/plain; charset=utf-8")
            assert told in answer.text


@pytest.mark.parametrize("text", MARKUP)
def test_markup_in_an_entry_stays_text(recorded: Served, text: str) -> None:
    for kind, name in (("remark", "value"), ("mark", "by"), ("sound", "where"), ("acknowledged", "alarm")):
        given = {"value": "71"} if kind == "sound" else {}
        assert recorded.post(f"/entry/{kind}", {**given, name: text}).status_code == 200
        stands = lines(recorded)[-1][name]
        assert stands == text.replace("\u202e", " ")  # which would turn the order of letters
    answer = recorded.post(f"/entry/{'x' + text.replace('/', '')}", {})
    assert answer.status_code == 404
    assert "<" not in answer.text


@pytest.mark.parametrize("text", MARKUP)
def test_markup_in_names_stays_text_on_pages_and_boards(tmp_path: Path, text: str) -> None:
    folder = empty_session(tmp_path / "day", f"[boat]\nname = {json.dumps(text, ensure_ascii=False)}\n")
    holes = [{"step": text, "way": text, "reason": text}]
    told = {
        "boat": text, "holes": holes, "holes_open": 1, "entries": [{"t": "", "kind": "remark", "words": text}],
    }  # fmt: skip
    with SessionLock(folder), serving(folder, **told) as served:
        rig.wait_for(lambda: served.server.feed.current is not None, 30)
        assert served.server.feed.current is not None
        assert served.server.feed.current.board["boat"] == text
        with served.client() as client:
            board = client.get("/board")
            assert board.json()["holes"] == holes
            assert board.headers["content-type"] == "application/json"
            for path in ("/", "/helm", "/dock", "/after"):
                page = client.get(path)
                assert page.status_code in (200, 409), path
                shown = page.text.replace(served.token, "").replace('"490', "")
                for tag in ("<script>alert", "<img src=x", "<svg/onload", "49"):
                    assert tag not in shown
    assert served.faults == []


def test_a_text_of_a_form_is_bounded_though_a_photo_may_be_large(recorded: Served) -> None:
    with recorded.client() as client:
        files = {"photo": ("a.jpg", b"x")}
        long = {"token": recorded.token, "value": "x" * 100_000}
        assert client.post("/photo", data=long, files=files).status_code == 400
        assert client.post(
            "/photo", data=long | {"value": "x"}, files={"photo": ("a.jpg", b"x" * 3_000_000)}
        ).is_success
    assert len(lines(recorded)) == 1


def test_an_entry_that_is_sent_twice_is_taken_once(recorded: Served) -> None:
    answers = [recorded.post("/entry/mark", {"once": "a1"}).json() for _ in range(3)]
    assert answers[0] == answers[1] == answers[2]
    assert recorded.post("/entry/mark", {"once": "a2"}).status_code == 200
    assert recorded.post("/entry/trim", {"once": "a3"}).status_code == 422  # a refused one may be sent again
    assert recorded.post("/entry/trim", {"once": "a3", "value": "5"}).status_code == 200
    assert [(entry["kind"], entry["once"]) for entry in lines(recorded)] == [
        ("mark", "a1"), ("mark", "a2"), ("trim", "a3"),
    ]  # fmt: skip
    for name in ("a b", "<b>", "x" * 81, "../a"):
        assert recorded.post("/entry/mark", {"once": name}).status_code == 422
    assert len(lines(recorded)) == 3


def test_an_entry_stands_once_though_the_desk_was_killed_before_it_answered(tmp_path: Path) -> None:
    """Every kind, and photos; the new desk knows an entry by what stands in the notes."""
    folder = empty_session(tmp_path / "day")
    photo = camera_photo("2026:05:14 10:44:00", "+02:00")
    with SessionLock(folder):
        answers = []
        for _ in range(2):
            with serving(folder) as served:
                told = [served.post(f"/entry/{kind}", {"once": f"n{k}", **f}) for k, (kind, f, _) in enumerate(GOOD)]
                told += [send_photo(served, photo, value="the hose", once="photo")]
                trim = told[2].json()["entry"]["t"]
                told += [served.post("/entry/undo", {"value": trim, "of": "trim", "once": "undo"})]
                told += [served.post("/plan", {"action": "first", "step": "1400", "once": "plan"})]
                told += [served.post("/acknowledge", {"alarm": "gps1 silent", "once": "seen"})]
            assert [answer.status_code for answer in told] == [200] * len(told)
            answers.append([answer.json()["entry"] for answer in told])
    assert answers[0] == answers[1] == lines(served)
    assert [p.name for p in (folder / "raw" / "photos").iterdir()] == ["hose.jpg"]
    kept = read_notes(open_session(folder))
    assert [note.once for note in kept if note.kind == "photo"] == ["photo"]
    assert all("once" not in note.more for note in kept)  # it says nothing about the boat


def test_leaving_signs_off_once_though_the_desk_was_killed_before_it_answered(tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day")
    holes = {"holes": [{"step": 2000, "way": "255°", "reason": "missing"}]}
    with SessionLock(folder):
        for _ in range(2):
            with serving(folder, **holes) as served:
                assert served.post("/leave", {"reason": "fog", "by": "Kim"}).status_code == 200
    assert [entry["kind"] for entry in lines(served)] == ["hole"]


def test_an_entry_that_was_written_and_not_sealed_is_not_called_taken(tmp_path: Path) -> None:
    """Killed between the two, a sealed session is changed, and somebody has to say that this is right."""
    folder = empty_session(tmp_path / "day")
    seal_closed(folder, by="tests", t="2026-05-14T12:00:00Z")
    with serving(folder) as served:
        assert served.post("/entry/remark", {"value": "one", "once": "a1"}).status_code == 200
    sealed = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    with serving(folder) as served:
        assert served.post("/entry/remark", {"value": "two", "once": "a2"}).status_code == 200
    for path, data in sealed.items():  # as they were before the second was sealed
        path.write_bytes(data)
    with serving(folder) as served:
        for _ in range(2):
            answer = served.post("/entry/remark", {"value": "two", "once": "a2"})
            assert answer.status_code == 422
            assert "notes-desk.jsonl" in answer.json()["error"]
    assert [entry["value"] for entry in lines(served)] == ["one", "two"]


def test_an_entry_that_waited_stands_at_its_own_time(recorded: Served) -> None:
    before = datetime.now(UTC)
    assert recorded.post("/entry/mark", {"ago_s": "90"}).status_code == 200
    (entry,) = lines(recorded)
    late = before - datetime.fromisoformat(entry["t"])
    assert timedelta(seconds=30) < late <= timedelta(seconds=90, milliseconds=2)
    assert datetime.fromisoformat(entry["entered"]) >= before - timedelta(milliseconds=2)
    assert recorded.post("/entry/mark", {"at": "2026-05-14T10:12:30+02:00"}).status_code == 200
    assert lines(recorded)[-1]["t"] == "2026-05-14T08:12:30.000Z"


def test_an_entry_is_taken_back_and_both_stay(recorded: Served) -> None:
    entry = recorded.post("/entry/trim", {"value": "25"}).json()["entry"]
    assert recorded.post("/entry/undo", {"value": entry["t"], "of": "trim"}).status_code == 200
    assert [e["kind"] for e in lines(recorded)] == ["trim", "undo"]


def test_many_at_once_each_become_one_whole_line(recorded: Served) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(
            pool.map(lambda n: recorded.post("/entry/remark", {"value": f"number {n}"}).status_code, range(40))
        )
    assert answers == [200] * 40
    assert sorted(e["value"] for e in lines(recorded)) == sorted(f"number {n}" for n in range(40))


def test_without_a_session_an_entry_says_so(tmp_path: Path) -> None:
    with serving(tmp_path / "none") as served:
        answer = served.post("/entry/mark")
        assert (
            answer.status_code,
            "no session" in answer.json()["error"] or "no such folder" in answer.json()["error"],
        ) == (422, True)


# ------------------------------------------------------------------------------
# In a session that is sealed.
# ------------------------------------------------------------------------------


def test_entries_in_a_sealed_session_are_sealed(tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day")
    seal_closed(folder, by="tests", t="2026-05-14T12:00:00Z")
    with serving(folder) as served:
        for value in ("one", "two"):
            assert served.post("/entry/remark", {"value": value, "by": "Kim"}).status_code == 200
        answer = send_photo(served, camera_photo("2026:05:14 10:44:00", "+02:00"), "hose.jpg")
        assert answer.status_code == 200, answer.text
    chain = read_chain(folder)
    assert chain is not None
    assert [line.what for line in chain.lines][1:] == [NOTE] * 3
    assert [line.by for line in chain.lines][1:] == ["Kim", "Kim", "desk"]
    assert not [f for f in verify_session(folder).faults if "notes-desk" in f]
    (folder / "raw" / "notes-desk.jsonl").write_bytes(b"changed\n")
    with serving(folder) as served:
        answer = served.post("/entry/remark", {"value": "three"})
        assert answer.status_code == 422
        assert "notes-desk.jsonl" in answer.json()["error"]


# ------------------------------------------------------------------------------
# Photos.
# ------------------------------------------------------------------------------


def camera_photo(clock: str = "", offset: str = "", model: str = "One") -> bytes:
    exif = Image.Exif()
    exif[0x0110] = model  # Model; numbers of Exif 3.0, from memory
    for tag, text in ((0x9003, clock), (0x9011, offset)):  # DateTimeOriginal, OffsetTimeOriginal
        if text:
            exif.get_ifd(0x8769)[tag] = text
    made = io.BytesIO()
    Image.new("RGB", (64, 48), (200, 30, 30)).save(made, "JPEG", exif=exif)
    return made.getvalue()


def send_photo(
    served: Served, data: bytes, name: str = "hose.jpg", path: str = "/photo", **fields: str
) -> httpx.Response:
    with served.client() as client:
        return client.post(path, data={"token": served.token, **fields}, files={"photo": (name, data, "image/jpeg")})


def test_a_photo_is_kept_byte_by_byte(recorded: Served) -> None:
    data = camera_photo("2026:05:14 10:44:00", "+02:00")
    answer = send_photo(recorded, data, value="the hose", by="Kim")
    assert answer.status_code == 200, answer.text
    entry = answer.json()["entry"]
    assert entry["file"] == "raw/photos/hose.jpg"
    assert entry["sha256"] == hashlib.sha256(data).hexdigest()
    assert (recorded.folder / entry["file"]).read_bytes() == data
    no_picture = b"\x00\x01raw sensor data"
    answer = send_photo(recorded, no_picture, "IMG 1.DNG")
    assert (answer.status_code, answer.json()["remark"] != "") == (200, True)
    assert (recorded.folder / "raw" / "photos" / "IMG_1.DNG").read_bytes() == no_picture


def test_a_photo_without_a_zone_is_asked_for_it(recorded: Served) -> None:
    data = camera_photo("2026:05:14 10:44:00")
    answer = send_photo(recorded, data)
    assert (answer.status_code, answer.json()["asks"], answer.json()["clock"]) == (
        422,
        "camera_zone",
        "2026-05-14 10:44:00",
    )
    assert "camera zone" in answer.json()["error"]
    assert not (recorded.folder / "raw" / "photos").exists()
    assert send_photo(recorded, data, camera_zone="Paris").status_code == 422
    assert send_photo(recorded, data, camera_zone="+02:00").status_code == 200
    # the same camera is known now, another one is not
    assert send_photo(recorded, camera_photo("2026:05:14 10:50:00"), "b.jpg").status_code == 200
    assert send_photo(recorded, camera_photo("2026:05:14 10:50:00", model="Two"), "c.jpg").status_code == 422


def test_a_photo_may_come_with_a_finding(recorded: Served) -> None:
    answer = send_photo(recorded, b"any", path="/entry/finding", value="hose chafed", grade="watch")
    assert answer.status_code == 200
    assert answer.json()["entry"]["file"] == "raw/photos/hose.jpg"


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../etc/passwd", "passwd"), ("..\\..\\boot.ini", "boot.ini"), ("/abs/a.jpg", "a.jpg"),
        ("C:\\x\\a.jpg", "a.jpg"), (".hidden.jpg", "hidden.jpg"), ("a\0b.jpg", "a_b.jpg"), ("...", "photo"),
        ("CON.jpg", "photo-CON.jpg"), ("", "photo"), ("日本.jpg", "photo.jpg"), ("a;rm -rf.jpg", "a_rm_-rf.jpg"),
        ("x" * 300 + ".jpg", "x" * 76 + ".jpg"), ("a.jpg.", "a.jpg"), ("<script>.jpg", "script.jpg"),
        ("-rf.jpg", "rf.jpg"), ("a\nb.jpg", "a_b.jpg"), ("NUL", "photo-NUL"), ("jpg", "jpg"),
    ],
)  # fmt: skip
def test_the_name_of_a_photo_leads_nowhere(sent: str, kept: str) -> None:
    assert photo_name(sent) == kept


def test_photos_of_odd_names_stay_in_their_folder(recorded: Served) -> None:
    for name in ("../../../outside.jpg", "..\\outside.jpg", "/tmp/outside.jpg", "session.toml", "a/b.jpg"):
        answer = send_photo(recorded, b"x" + name.encode(), name)
        assert answer.status_code == 200
    found = sorted(p.relative_to(recorded.folder).as_posix() for p in recorded.folder.rglob("*") if p.is_file())
    assert [name for name in found if "photos" not in name] == ["raw/notes-desk.jsonl", "recorder.lock", "session.toml"]
    assert not (recorded.folder.parent / "outside.jpg").exists()


def test_two_photos_of_one_name_are_both_kept(recorded: Served) -> None:
    files = [send_photo(recorded, data).json()["entry"]["file"] for data in (b"one", b"two", b"one")]
    assert files == ["raw/photos/hose.jpg", "raw/photos/hose-2.jpg", "raw/photos/hose.jpg"]


# ------------------------------------------------------------------------------
# Leaving with an open run.
# ------------------------------------------------------------------------------


def test_leaving_with_an_open_run_asks_for_a_reason_which_is_kept(tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day")
    with SessionLock(folder), serving(folder, holes=TWO_HOLES, holes_open=2) as served:
        rig.wait_for(lambda: served.server.feed.current is not None, 30)
        with served.client() as client:
            for path in ("/dock", "/after"):
                page = client.get(path)
                assert page.status_code == 409
                assert "2 runs are open" in page.text
                assert f'value="{path}"' in page.text
        for fields in ({}, {"reason": "  "}, {"end": "1"}):
            answer = served.post("/leave", fields)
            assert answer.status_code == 409
            assert answer.json()["holes"] == [
                {"step": 2000, "way": "255°", "reason": "missing"},
                {"step": "full throttle", "way": "075°", "reason": "refused"},
            ]
        assert lines(served) == []
        assert not (folder / STOP_NAME).exists()
        # one of them by itself, then the rest together
        assert served.post("/entry/hole", {"step": "2000", "way": "255°", "reason": "ferry"}).status_code == 200
        answer = served.post("/leave", {"reason": "fog", "by": "Kim", "end": "1"})
        assert (answer.status_code, answer.json()["ends"]) == (200, True)
        assert (folder / STOP_NAME).exists()
        kept = [(e["kind"], e["step"], e["way"], e["reason"]) for e in lines(served)]
        assert kept == [("hole", "2000", "255°", "ferry"), ("hole", "full throttle", "075°", "fog")]
        assert served.server.desk.entries.open_holes() == []
        with served.client() as client:
            assert client.get("/after").status_code != 409


def test_leaving_without_anything_open_needs_no_reason(recorded: Served) -> None:
    rig.wait_for(lambda: recorded.server.feed.current is not None, 30)
    answer = recorded.post("/leave", {})
    assert (answer.status_code, answer.json()) == (200, {"signed_off": [], "ends": False})
    assert not (recorded.folder / STOP_NAME).exists()
    assert recorded.post("/leave", {"end": "1"}).json()["ends"] is True


def test_a_sign_off_that_was_taken_back_is_none(tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day")
    with SessionLock(folder), serving(folder, holes=TWO_HOLES[:1], holes_open=1) as served:
        rig.wait_for(lambda: served.server.feed.current is not None, 30)
        entry = served.post("/entry/hole", {"step": "2000", "reason": "ferry"}).json()["entry"]
        assert served.server.desk.entries.open_holes() == []
        assert served.post("/entry/undo", {"value": entry["t"], "of": "hole"}).status_code == 200
        assert len(served.server.desk.entries.open_holes()) == 1


def test_a_desk_that_is_killed_in_an_entry_leaves_whole_lines(recorded: Served) -> None:
    """A torn last line, as a kill in the middle of a write leaves it, is parted from the next entry."""
    recorded.post("/entry/mark", {})
    path = recorded.folder / "raw" / "notes-desk.jsonl"
    path.write_bytes(path.read_bytes() + b'{"t":"2026-05-14T10:00:00Z","kind":"tr')
    assert recorded.post("/entry/mark", {"value": "after"}).status_code == 200
    kinds = [note.kind for note in read_notes(open_session(recorded.folder)) if note.file == "notes-desk.jsonl"]
    assert sorted(kinds) == ["damaged", "mark", "mark"]
    assert parse_time(json.loads(path.read_bytes().splitlines()[-1])["t"]) > 0


def test_the_desk_and_a_note_of_another_program_do_not_meet(recorded: Served) -> None:
    from trialcapture.archive.notes import append_notes  # noqa: PLC0415

    def other() -> None:
        for n in range(30):
            append_notes(recorded.folder, [{"t": "2026-05-14T10:00:00Z", "kind": "mark", "value": n}], "note")

    worker = threading.Thread(target=other)
    worker.start()
    for n in range(10):
        assert recorded.post("/entry/remark", {"value": str(n)}).status_code == 200
    worker.join()
    notes = read_notes(open_session(recorded.folder))
    assert [note.kind for note in notes].count("mark") == 30
    assert len(lines(recorded)) == 10


@pytest.mark.parametrize(("units", "unit", "litres"), [("us", "US gal/h", 454.249), ("imperial", "imp gal/h", 545.531)])
def test_a_gallon_that_does_not_say_which_is_that_of_the_reader(
    tmp_path: Path, units: str, unit: str, litres: float
) -> None:
    """A US gallon is 231 cubic inches, an imperial one 4.54609 L (both exact by definition)."""
    folder = empty_session(tmp_path / "day", f'{SETTINGS}[report]\nunits = "{units}"\n')
    with SessionLock(folder), serving(folder) as served:
        for typed in ("gal/h", "GPH", "Gal / h"):
            reading = {"value": "12", "unit": typed, "quantity": "fuel", "engine": "port"}
            answer = served.post("/entry/reading", reading).json()
            assert answer["entry"]["unit"] == unit
            assert answer["remark"] == f"Taken as 12 {unit}."
        tank = served.post("/entry/load", {"when": "after", "tank": "main", "litres": "120 gal"}).json()
        assert tank["entry"]["litres"] == pytest.approx(litres, abs=0.01)
        assert "Taken as" in tank["remark"]
        said = served.post("/entry/reading", {"value": "12", "unit": "L/h", "quantity": "fuel", "engine": "port"})
        assert said.json()["remark"] == ""
        with served.client() as client:
            assert 'data-unit="gal/h"' in client.get("/").text


def test_in_metric_units_a_gallon_has_to_say_which_it_is(recorded: Served) -> None:
    answer = recorded.post("/entry/load", {"when": "after", "tank": "main", "litres": "120 gal"})
    assert answer.status_code == 422
    with recorded.client() as client:
        assert 'data-unit="L/h"' in client.get("/").text


def test_where_the_first_disk_is_full_entries_go_to_the_second(
    recorded: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded.post("/entry/remark", {"value": "on the first"})
    second = prepare_second(open_session(recorded.folder), tmp_path / "second")
    recorded.server.desk.day.second = second
    real = entries.add_notes

    def full(folder: Path, *given: Any, **more: Any) -> Any:
        if folder == recorded.folder:
            raise TrialCaptureError("the disk is full", where=str(folder))
        return real(folder, *given, **more)

    monkeypatch.setattr(entries, "add_notes", full)
    with SessionLock(second):
        first = recorded.post("/entry/remark", {"value": "on the second"}).json()["entry"]
        undo = {"value": first["t"], "of": "remark"}
        assert recorded.post("/entry/undo", undo).status_code == 200  # what stands there is known
    assert [entry["value"] for entry in lines(recorded)] == ["on the first"]
    written = [json.loads(line) for line in (second / "raw" / "notes-desk-2.jsonl").read_bytes().splitlines()]
    assert [entry["kind"] for entry in written] == ["remark", "undo"]
    join_halves(recorded.folder, second, at="2026-05-14T12:00:00Z", is_sealing=False)
    assert {note.value for note in read_notes(open_session(recorded.folder)) if note.kind == "remark"} == {
        "on the first", "on the second",
    }  # fmt: skip
