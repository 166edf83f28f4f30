"""Folders of sync clients, sticks, and the user's cache, as each system has them."""

from __future__ import annotations

import os
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest

from tests.system.fakes import FakeKernel
from trialcapture.system import files
from trialcapture.system.files import is_removable, is_within, synced_by, user_cache_folder

NAMES = (
    "OneDrive", "OneDrive - Some Company", "Dropbox", "Dropbox (Personal)", "Google Drive", "GoogleDrive", "My Drive",
    "iCloudDrive", "CloudStorage", "Mobile Documents", "Nextcloud", "ownCloud", "Box", "pCloudDrive", "MEGA", "Sync",
    "Resilio Sync", "Seafile", "SynologyDrive", "Proton Drive", "nextcloud (2)",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_of_a_sync_client_is_known_by_its_name(tmp_path: Path, name: str) -> None:
    assert synced_by(tmp_path / name / "trials" / "monday") == str(tmp_path / name)


@pytest.mark.parametrize(
    "name", ["trials", "dropbox-notes", "boxes", "megaphone", "synced", "syncs", "one drive", "drive"]
)
def test_a_folder_that_only_sounds_like_one_is_not(tmp_path: Path, name: str) -> None:
    assert synced_by(tmp_path / name / "monday") is None


@pytest.mark.parametrize("marker", [".stfolder", ".sync", ".dropbox.cache", ".owncloudsync.log"])
def test_a_folder_of_any_name_is_known_by_what_a_client_left_in_it(tmp_path: Path, marker: str) -> None:
    (tmp_path / "mine" / marker).mkdir(parents=True)
    assert synced_by(tmp_path / "mine" / "trials") == str(tmp_path / "mine")
    assert synced_by(tmp_path / "other") is None


def test_a_folder_is_known_by_what_its_client_tells_programs(tmp_path: Path) -> None:
    root = tmp_path / "Firma"
    environment = {"OneDriveCommercial": str(root)}
    assert synced_by(root / "trials", environment=environment) == str(root)
    assert synced_by(tmp_path / "Firma2", environment=environment) is None
    assert is_within(PureWindowsPath(r"c:\users\x\ONEDRIVE\a"), PureWindowsPath(r"C:\Users\X\OneDrive"))
    assert not is_within(PurePosixPath("/a"), PurePosixPath("/a/b"))


def test_a_folder_is_known_by_the_mark_windows_gives_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Status:
        st_reparse_tag = 0x9000601A  # IO_REPARSE_TAG_CLOUD_6 (ntifs.h; from memory)

    assert not files._has_cloud_tag(tmp_path)
    monkeypatch.setattr(Path, "lstat", lambda self: Status())
    assert files._has_cloud_tag(tmp_path)
    Status.st_reparse_tag = 0xA0000003  # a mount point
    assert not files._has_cloud_tag(tmp_path)


def test_on_macos_desktop_and_documents_may_be_in_the_cloud(tmp_path: Path) -> None:
    (tmp_path / "Library" / "Mobile Documents" / "com~apple~CloudDocs" / "Documents").mkdir(parents=True)
    found = synced_by(tmp_path / "Documents" / "trials", system="macos", home=tmp_path, environment={})
    assert found == str(tmp_path / "Documents")
    assert synced_by(tmp_path / "Desktop", system="macos", home=tmp_path, environment={}) is None
    assert synced_by(tmp_path / "Documents", system="linux", home=tmp_path, environment={}) is None


@pytest.mark.parametrize(("drive", "removable"), [(2, True), (3, False), (4, False)])
def test_windows_tells_what_kind_of_drive_it_is(tmp_path: Path, drive: int, removable: bool) -> None:
    kernel = FakeKernel(drive=drive)
    assert is_removable(tmp_path, system="windows", kernel=kernel) is removable
    assert kernel.drives_asked == ["\\" if os.name == "posix" else f"{tmp_path.drive}\\"]


def test_sticks_of_linux_and_macos_are_known_by_their_place(tmp_path: Path) -> None:
    if os.name == "posix":
        assert is_removable(Path("/media/someone/STICK"), system="linux")
        assert is_removable(Path("/run/media/someone/STICK"), system="linux")
        assert is_removable(Path("/Volumes/STICK"), system="macos")
    assert not is_removable(tmp_path, system="linux")


def test_the_cache_of_a_user_is_where_each_system_keeps_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "expanduser", lambda self: Path("/home/x"))
    assert user_cache_folder("p", system="macos", environment={}) == Path("/home/x/Library/Caches/p")
    assert user_cache_folder("p", system="windows", environment={}) == Path("/home/x/AppData/Local/p/cache")
    assert user_cache_folder("p", system="windows", environment={"LOCALAPPDATA": "/l"}) == Path("/l/p/cache")
    assert user_cache_folder("p", system="linux", environment={"XDG_CACHE_HOME": "rel"}) == Path("/home/x/.cache/p")
