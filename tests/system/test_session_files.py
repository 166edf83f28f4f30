"""Only regular files inside a session are read or written, and what a session names lies inside it."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from trialcapture.archive.atomic import append_safely, open_replacement, write_file
from trialcapture.errors import TrialCaptureError
from trialcapture.system import session_files
from trialcapture.system.session_files import (
    LOCK_NAME,
    MARK,
    SessionLock,
    check_session_files,
    inside,
    make_folder,
    open_plain,
    plain_files,
    read_parts,
    read_whole,
    session_of,
)

posix = pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows; named pipes are POSIX")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "session"
    (folder / "raw" / "engine").mkdir(parents=True)
    (folder / "reduction").mkdir()
    (folder / MARK).write_text("")
    (folder / "raw" / "nmea.log").write_bytes(b"0123456789")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "precious").write_bytes(b"precious")
    return folder


@pytest.fixture(params=["folder by folder", "by looking"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Run a test as on systems that can open without following a link, and as on those that cannot."""
    if request.param == "by looking":
        monkeypatch.setattr(session_files, "_CAN_WALK", False)
        monkeypatch.setattr(session_files, "_NO_FOLLOW", 0)
    return str(request.param)


@posix
@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("place", ["raw/nmea.log", "raw/new.log", "raw", "raw/engine/a/b.csv"])
def test_no_link_is_followed_at_any_depth(session: Path, tmp_path: Path, place: str) -> None:
    path = session / "raw" / "nmea.log"
    if place == "raw":
        (session / "raw").rename(tmp_path / "elsewhere" / "raw")
        (session / "raw").symlink_to(tmp_path / "elsewhere" / "raw")
    elif place == "raw/engine/a/b.csv":
        (session / "raw" / "engine" / "a").symlink_to(tmp_path / "elsewhere")
        path = session / "raw" / "engine" / "a" / "precious"
    else:
        path = session / place
        path.unlink(missing_ok=True)
        path.symlink_to(tmp_path / "elsewhere" / "precious")
    for work in (
        lambda: open_plain(path).close(),
        lambda: open_plain(path, "ab").close(),
        lambda: append_safely(path, b"x"),
        lambda: write_file(path, b"x"),
        lambda: check_session_files(session),
    ):
        with pytest.raises(TrialCaptureError, match="symbolic link"):
            work()
    assert (tmp_path / "elsewhere" / "precious").read_bytes() == b"precious"
    assert {p.name for p in (tmp_path / "elsewhere").iterdir()} <= {"precious", "raw"}


@posix
@pytest.mark.usefixtures("way")
def test_a_folder_that_is_a_link_to_another_session_is_no_session_of_its_own(session: Path, tmp_path: Path) -> None:
    other = tmp_path / "elsewhere"
    (other / MARK).write_text("")
    (session / "reduction").rmdir()
    (session / "reduction").symlink_to(other)
    assert session_of(session / "reduction" / "bands.csv") == session
    with pytest.raises(TrialCaptureError, match="symbolic link"):
        write_file(session / "reduction" / "bands.csv", b"x")
    assert {p.name for p in other.iterdir()} == {"precious", MARK}


@posix
@pytest.mark.usefixtures("way")
def test_pipes_devices_and_folders_are_named_and_nothing_waits(session: Path) -> None:
    os.mkfifo(session / "raw" / "notes.jsonl")
    for mode in ("rb", "ab", "r+b"):
        with pytest.raises(TrialCaptureError, match="named pipe"):
            open_plain(session / "raw" / "notes.jsonl", mode)  # type: ignore[arg-type]
    with pytest.raises(TrialCaptureError, match="a folder"):
        open_plain(session / "raw" / "engine")
    with pytest.raises(TrialCaptureError, match="a folder"):
        write_file(session / "raw" / "engine", b"x")
    with pytest.raises(TrialCaptureError, match="a device"):
        open_plain(Path("/dev/null"))
    with pytest.raises(TrialCaptureError, match="named pipe"):
        check_session_files(session)


@posix
def test_links_above_a_session_and_to_files_that_are_collected_are_the_user_s_own(
    session: Path, tmp_path: Path
) -> None:
    (tmp_path / "short").symlink_to(session.parent)
    (tmp_path / "log").symlink_to(session / "raw" / "nmea.log")
    assert read_whole(tmp_path / "short" / "session" / "raw" / "nmea.log", 10) == b"0123456789"
    assert read_whole(tmp_path / "log", 10) == b"0123456789"


@pytest.mark.usefixtures("way")
def test_a_file_with_a_second_name_is_read_and_replaced_but_not_written_into(session: Path, tmp_path: Path) -> None:
    path, precious = session / "raw" / "notes.jsonl", tmp_path / "elsewhere" / "precious"
    os.link(precious, path)
    assert read_whole(path, 100) == b"precious"
    with pytest.raises(TrialCaptureError, match="hard link"):
        append_safely(path, b"x")
    write_file(path, b"new")
    assert (path.read_bytes(), precious.read_bytes()) == (b"new", b"precious")
    append_safely(path, b"er")
    assert path.read_bytes() == b"newer"


@posix
def test_a_lock_that_is_a_link_is_not_opened(session: Path, tmp_path: Path) -> None:
    (session / LOCK_NAME).symlink_to(tmp_path / "elsewhere" / "precious")
    with pytest.raises(TrialCaptureError, match="symbolic link"), SessionLock(session):
        pass
    assert (tmp_path / "elsewhere" / "precious").read_bytes() == b"precious"


@posix
def test_the_temporary_name_of_a_new_file_is_never_a_link_that_is_followed(session: Path, tmp_path: Path) -> None:
    waiting = session / "reduction" / f".bands.csv.{os.getpid()}.tmp"
    waiting.symlink_to(tmp_path / "elsewhere" / "precious")
    write_file(session / "reduction" / "bands.csv", b"new")
    assert (tmp_path / "elsewhere" / "precious").read_bytes() == b"precious"
    assert not waiting.is_symlink()


@posix
def test_a_link_put_in_after_the_look_is_still_not_followed(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_files, "_CAN_WALK", False)
    path, look = session / "raw" / "nmea.log", session_files._refuse_on_the_way

    def swap(*given: object, **more: object) -> None:
        look(*given, **more)  # type: ignore[arg-type]
        path.unlink()
        path.symlink_to(tmp_path / "elsewhere" / "precious")

    monkeypatch.setattr(session_files, "_refuse_on_the_way", swap)
    with pytest.raises(TrialCaptureError, match="a link"):
        open_plain(path)


def test_a_file_that_grows_for_ever_ends_where_it_ended_when_it_was_opened(session: Path) -> None:
    path = session / "raw" / "nmea.log"
    with open_plain(path) as file, path.open("ab") as more:
        seen = b""
        for part in read_parts(file, 4):
            seen += part
            more.write(b"more and more")
            more.flush()
    assert seen == b"0123456789"
    with pytest.raises(TrialCaptureError, match="larger than it can be"):
        read_whole(path, 5)


@pytest.mark.parametrize(
    ("tag", "is_link"),
    [
        (0xA000_0003, True),  # a junction or a mounted volume
        (0xA000_000C, True),  # a symbolic link
        (0x8000_0024, True),  # a named pipe of the Linux subsystem
        (0x9000_001A, False),  # a file that a cloud client keeps elsewhere until it is read
        (0x8000_0013, False),  # a deduplicated file
        (0, False),
    ],
)
def test_reparse_points_of_windows_that_stand_for_another_name_are_links(tag: int, is_link: bool) -> None:
    """Tags as MS-FSCC 2.1.2.1 lists them."""
    status = SimpleNamespace(st_mode=stat.S_IFDIR | 0o755, st_reparse_tag=tag, st_nlink=1)
    assert bool(session_files._kind(status)) is is_link  # type: ignore[arg-type]


def test_a_junction_in_a_session_is_refused(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    look = os.lstat

    def told(path: object, **more: object) -> object:
        found = look(path, **more)  # type: ignore[arg-type]
        if str(path).endswith("engine"):
            return SimpleNamespace(st_mode=found.st_mode, st_reparse_tag=0xA000_0003, st_nlink=1)
        return found

    monkeypatch.setattr(os, "lstat", told)
    monkeypatch.setattr(session_files, "_CAN_WALK", False)
    for work in (
        lambda: check_session_files(session),
        lambda: open_plain(session / "raw" / "engine" / "a.csv", "xb").close(),
        lambda: make_folder(session / "raw" / "engine" / "more"),
    ):
        with pytest.raises(TrialCaptureError, match="junction"):
            work()


@pytest.mark.parametrize(
    "name",
    ["", "/etc/passwd", "../x", "raw/../../x", "raw/..", "raw//x", "./x", "C:/x", "C:x", "..\\x", "raw/a\nb", "a\0b"],
)
def test_names_that_lead_outside_are_refused(session: Path, name: str) -> None:
    with pytest.raises(TrialCaptureError, match="outside it"):
        inside(session, name)


def test_names_as_ours_are_lead_inside(session: Path) -> None:
    assert inside(session, "raw/engine/port engine 10-30.csv") == session / "raw" / "engine" / "port engine 10-30.csv"


@posix
@pytest.mark.parametrize("name", [b"a\nb.csv", b"\x1b[2J.csv", b"a\xff.csv", "a\u2028b.csv".encode()])
def test_names_that_are_no_text_are_refused_and_shown_clean(session: Path, name: bytes) -> None:
    (session / "raw" / "engine" / os.fsdecode(name)).touch()
    with pytest.raises(TrialCaptureError) as caught:
        plain_files(session / "raw")
    assert "name that is no text" in str(caught.value)
    assert str(caught.value).isprintable()


def test_files_of_desktops_and_hidden_ones_are_passed_over(session: Path) -> None:
    names = [".DS_Store", "Thumbs.db", "desktop.ini"] + ([] if sys.platform == "win32" else ["Icon\r"])
    for name in names:
        (session / "raw" / name).touch()
    assert plain_files(session / "raw") == [session / "raw" / "nmea.log"]
    assert plain_files(session / "nothing") == []


def test_a_replacement_in_a_folder_that_is_no_session_is_as_before(tmp_path: Path) -> None:
    with open_replacement(tmp_path / "new" / "a.txt") as file:
        file.write(b"x")
    assert (tmp_path / "new" / "a.txt").read_bytes() == b"x"


def test_a_file_of_a_terabyte_of_nothing_is_refused_before_it_is_read(tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    (tmp_path / "session.toml").touch()
    with (tmp_path / "raw" / "nmea.log").open("wb") as file:
        try:
            file.truncate(1 << 40)
        except OSError as fault:
            pytest.skip(f"no file of such a size can be made here: {fault}")
    with pytest.raises(TrialCaptureError, match="more than a trial can"):
        check_session_files(tmp_path)
