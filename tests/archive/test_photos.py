"""When a photo was taken is what it says itself; without a zone nothing is guessed, and no picture breaks a session."""

from __future__ import annotations

import base64
import io
import struct
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from trialcapture.archive.notes import Note, observations_of
from trialcapture.archive.photos import (
    CameraClock,
    PhotoTimes,
    camera_offset_s,
    parse_camera_zone,
    photo_path,
    read_photo_times,
    small_picture,
    small_pictures,
    taken_at,
)
from trialcapture.errors import TrialCaptureError

ORIGINAL, SUBSECONDS, OFFSET = 0x9003, 0x9291, 0x9011
"""DateTimeOriginal, SubSecTimeOriginal and OffsetTimeOriginal, Exif 3.0 (CIPA DC-008, from memory)."""


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp() * 1000) * 10**6


def photo(path: Path, clock: str = "", offset: str = "", subseconds: str = "", model: str = "One", **more: Any) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", model  # Make, Model
    for name, value in more.items():
        exif[{"orientation": 0x0112}[name]] = value
    inner = exif.get_ifd(0x8769)
    for tag, text in ((ORIGINAL, clock), (OFFSET, offset), (SUBSECONDS, subseconds)):
        if text:
            inner[tag] = text
    Image.new("RGB", (800, 400), (10, 120, 200)).save(path, exif=exif)
    return path


def test_time_and_offset_of_the_camera_give_utc(tmp_path: Path) -> None:
    said = read_photo_times(photo(tmp_path / "a.jpg", "2026:05:14 10:40:30", "+02:00", "25"))
    assert (said.camera, said.fault) == ("Maker One", "")
    found = taken_at(said, CameraClock())
    assert (found.t_ns, found.from_, found.reason) == (ns("2026-05-14T08:40:30.250Z"), "camera", "")


def test_time_of_the_satellites_is_utc_and_goes_before(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[ORIGINAL] = "2026:05:14 10:40:30"
    # GPSTimeStamp, GPSDateStamp
    exif.get_ifd(0x8825).update({7: (8.0, 49.0, 10.0), 29: "2026:05:14"})
    Image.new("RGB", (8, 8)).save(tmp_path / "a.jpg", exif=exif)
    found = taken_at(read_photo_times(tmp_path / "a.jpg"), CameraClock(offset_s=9.0))
    assert (found.t_ns, found.from_) == (ns("2026-05-14T08:49:10Z"), "satellites")


def test_without_zone_the_time_is_not_known(tmp_path: Path) -> None:
    said = read_photo_times(photo(tmp_path / "a.jpg", "2026:05:14 10:40:30"))
    found = taken_at(said, CameraClock())
    assert found.t_ns is None
    assert "zone" in found.reason
    told = taken_at(said, CameraClock(zone=timedelta(hours=2)))
    assert told.t_ns == ns("2026-05-14T08:40:30Z")


@pytest.mark.parametrize(
    ("clock", "offset"),
    [("9999:12:31 23:59:59", "-14:00"), ("0001:01:01 00:00:00", "+14:00"), ("9999:12:31 23:59:59", "+00:00")],
)
def test_a_camera_at_the_ends_of_the_calendar_has_no_time(clock: str, offset: str, tmp_path: Path) -> None:
    said = read_photo_times(photo(tmp_path / "a.jpg", clock, offset))
    found = taken_at(said, CameraClock(offset_s=3600.0))
    assert found.t_ns is None
    assert "no year in which boats were tried" in found.reason


def test_satellites_at_the_end_of_the_calendar_tell_nothing(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[ORIGINAL] = "2026:05:14 10:40:30"
    exif.get_ifd(0x8825).update({7: (23.0, 59.0, 60.5), 29: "9999:12:31"})  # GPSTimeStamp, GPSDateStamp
    Image.new("RGB", (8, 8)).save(tmp_path / "a.jpg", exif=exif)
    found = taken_at(read_photo_times(tmp_path / "a.jpg"), CameraClock(zone=timedelta(hours=2)))
    assert (found.t_ns, found.from_) == (ns("2026-05-14T08:40:30Z"), "camera")


def test_a_photo_of_a_clock_tells_how_far_the_camera_is_off_with_its_zone() -> None:
    clock = PhotoTimes("c", datetime(2026, 5, 14, 10, 30, 0))
    shown = datetime(2026, 5, 14, 8, 30, 5, tzinfo=UTC)
    off = camera_offset_s(clock, shown)
    assert off == -7195.0
    later = PhotoTimes("c", datetime(2026, 5, 14, 10, 44, 0))
    assert taken_at(later, CameraClock(offset_s=off)).t_ns == ns("2026-05-14T08:44:05Z")
    # a photo of the same clock that says its offset stands on the same scale
    with_offset = PhotoTimes("c", later.clock, timedelta(hours=2))
    assert taken_at(with_offset, CameraClock(offset_s=off)).t_ns == ns("2026-05-14T08:44:05Z")
    # both say their offset, and between them the camera was set to another zone
    named = PhotoTimes("c", clock.clock, timedelta(hours=2))
    off_named = camera_offset_s(named, shown)
    assert off_named == 5.0
    moved = PhotoTimes("c", datetime(2026, 5, 14, 9, 44, 0), timedelta(hours=1))
    assert taken_at(moved, CameraClock(None, off_named, timedelta(hours=2))).t_ns == ns("2026-05-14T08:44:05Z")
    with pytest.raises(TrialCaptureError, match="cannot be found from this photo"):
        camera_offset_s(PhotoTimes(), shown)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("+02:00", 120), ("-0530", -330), ("Z", 0), ("utc", 0), ("+14:00", 840), (" -03:00 ", -180)],
)
def test_zones_are_read_as_cameras_and_people_write_them(text: str, minutes: int) -> None:
    assert parse_camera_zone(text) == timedelta(minutes=minutes)


@pytest.mark.parametrize("text", ["", "Paris", "+2", "02:00", "+15:00", "+02:60", "+02:00:00", "\x1b[2J"])
def test_what_is_no_offset_is_none(text: str) -> None:
    assert parse_camera_zone(text) is None


def noted(t: str, file: str, kind: str = "photo", **more: Any) -> Note:
    return Note(0, ns(t), kind, "seen", "", "Kim", {"file": f"raw/photos/{file}", **more})


def test_the_photos_of_one_camera_share_what_is_noted_of_its_clock(tmp_path: Path) -> None:
    folder = tmp_path / "raw" / "photos"
    photo(folder / "early.jpg", "2026:05:14 10:40:00")
    photo(folder / "clock.jpg", "2026:05:14 10:30:00")
    photo(folder / "other.jpg", "2026:05:14 10:40:00", model="Two")
    photo(folder / "typed.jpg", "2026:05:14 10:40:00", model="Two")
    (folder / "x.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(40))
    t = "2026-05-14T17:00:00Z"
    notes = [
        noted(t, "early.jpg"),
        noted(t, "clock.jpg", camera_offset_s=-7195.0),
        noted(t, "other.jpg"),
        noted("2026-05-14T09:00:00Z", "typed.jpg", entered=t),
        noted(t, "x.heic"),
        noted(t, "other.jpg", kind="finding", grade="watch"),
    ]
    found = {(o.kind, o.file.rpartition("/")[2]): o for o in observations_of(notes, tmp_path)}
    early = found["photo", "early.jpg"]
    assert (early.taken_ns, early.taken_from) == (ns("2026-05-14T08:40:05Z"), "camera")
    assert found["photo", "clock.jpg"].taken_ns == ns("2026-05-14T08:30:05Z")
    # the clock of another camera is not this one's
    assert found["photo", "other.jpg"].taken_ns is None
    assert "zone" in found["photo", "other.jpg"].fault
    assert (found["photo", "typed.jpg"].taken_ns, found["photo", "typed.jpg"].taken_from) == (
        ns("2026-05-14T09:00:00Z"), "note",
    )  # fmt: skip
    assert (found["photo", "x.heic"].taken_ns, found["photo", "x.heic"].taken_from) == (ns(t), "note")
    assert found["photo", "x.heic"].fault
    assert (found["finding", "other.jpg"].taken_ns, found["finding", "other.jpg"].taken_from) == (ns(t), "note")


def picture_in(uri: str) -> Image.Image:
    head, _, data = uri.partition(",")
    assert head == "data:image/jpeg;base64"
    return Image.open(io.BytesIO(base64.b64decode(data)))


def test_a_small_picture_is_upright_and_says_nothing_of_where_it_was_taken(tmp_path: Path) -> None:
    path = photo(tmp_path / "a.jpg", "2026:05:14 10:40:30", "+02:00", orientation=6)
    before = path.read_bytes()
    uri = small_picture(path)
    small = picture_in(uri)
    assert small.size == (135, 270)
    assert not small.getexif()
    assert b"Maker" not in base64.b64decode(uri.partition(",")[2])
    assert path.read_bytes() == before
    assert small_picture(path) == uri


@pytest.mark.parametrize("mode", ["RGBA", "P", "L", "1", "I;16", "LA"])
def test_pictures_of_every_mode_become_small_ones(mode: str, tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    Image.new(mode, (900, 300)).save(path)
    assert picture_in(small_picture(path)).size == (360, 120)


def bomb(path: Path) -> Path:
    """Write a PNG of a few bytes whose head says 60,000 by 60,000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )
    return path


def test_a_picture_that_unpacks_to_a_flood_is_not_opened(tmp_path: Path) -> None:
    path = bomb(tmp_path / "a.png")
    assert small_picture(path) == ""
    assert read_photo_times(path).fault


def test_only_a_jpeg_may_be_larger_than_what_is_unpacked_whole(tmp_path: Path) -> None:
    for name, mode in (("a.png", "1"), ("a.jpg", "L")):
        Image.new(mode, (10_000, 5_001)).save(tmp_path / name)
    assert (read_photo_times(tmp_path / "a.png").fault == "") is (small_picture(tmp_path / "a.png") != "") is False
    assert small_picture(tmp_path / "a.jpg") != ""


@pytest.mark.parametrize(
    "file",
    [
        "raw/photos/../notes.jsonl", "../a.jpg", "/etc/passwd", "raw/photos/a/b.jpg", "raw/photos/", "raw/photos/..",
        "raw\\photos\\a.jpg", "raw/photos/C:a.jpg", "raw/notes.jsonl", "", "raw/photos/a\0.jpg", "raw/photos/gone.jpg",
    ],
)  # fmt: skip
def test_a_note_names_no_file_outside_the_photos(file: str, tmp_path: Path) -> None:
    (tmp_path / "raw" / "photos").mkdir(parents=True)
    (tmp_path / "raw" / "notes.jsonl").write_bytes(b"")
    assert photo_path(tmp_path, file) is None
    assert small_pictures(tmp_path, [file]) == {}


def test_a_link_among_the_photos_is_not_followed(tmp_path: Path) -> None:
    outside = photo(tmp_path / "secret.jpg")
    (tmp_path / "s" / "raw" / "photos").mkdir(parents=True)
    link = tmp_path / "s" / "raw" / "photos" / "a.jpg"
    try:
        link.symlink_to(outside)
    except OSError:
        pytest.skip("this system lets nobody make a link")
    assert photo_path(tmp_path / "s", "raw/photos/a.jpg") is None


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(st.data())
def test_a_damaged_picture_says_so_and_raises_nothing(tmp_path: Path, data: st.DataObject) -> None:
    sound = photo(tmp_path / "sound.jpg", "2026:05:14 10:40:30", "+02:00").read_bytes()
    at = data.draw(st.lists(st.integers(0, len(sound) - 1), min_size=1, max_size=12))
    broken = bytearray(sound)
    for place in at:
        broken[place] = data.draw(st.integers(0, 255))
    path = tmp_path / "broken.jpg"
    path.write_bytes(bytes(broken[: data.draw(st.integers(0, len(broken)))]))
    taken_at(read_photo_times(path), CameraClock())
    assert small_picture(path) == "" or small_picture(path).startswith("data:image/jpeg;base64,")
