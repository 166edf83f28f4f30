"""A session from files recorded elsewhere: copied verbatim, hashed, and nothing half-made left behind."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from trialcapture import __version__
from trialcapture.archive.atomic import free_bytes, open_replacement, sync_folder, write_error
from trialcapture.archive.incoming import (
    check_engine_log,
    check_log,
    refuse_changed_files,
    refuse_same_content,
    refuse_same_names,
)
from trialcapture.archive.manifest import hash_file, read_manifest, write_manifest
from trialcapture.archive.raw import packing
from trialcapture.archive.session import (
    FILE_NAME,
    ImportedFile,
    Session,
    can_files,
    create_session,
    nmea_files,
    open_session,
    write_session,
)
from trialcapture.archive.session_toml import settings_text
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError

Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""


@dataclass(frozen=True, slots=True)
class _Copy:
    """One file to be copied: from where, and to where inside the session."""

    source: Path
    target: str


def _warn(text: str) -> None:
    warnings.warn(text, stacklevel=3)


def collect(
    logs: Sequence[Path],
    engine_logs: Sequence[Path],
    config: Config | None,
    into: Path,
    *,
    created: str,
    config_text: str | None = None,
    progress: Progress = lambda _step, _share: None,
    warn: Callable[[str], None] = _warn,
) -> Session:
    """Make a session from files recorded elsewhere, or add engine logs to a session that is there.

    Every input is looked at before anything is written. A new session is built in a folder beside `into` and
    renamed, so it is there whole or not at all. A session that is there is never overwritten: the same files
    again change nothing, engine logs are added, anything else is refused.

    Args:
        logs: NMEA 0183 logs and CAN logs (candump text), each kind in order of time, plain, gzip or zstandard.
        engine_logs: Engine logs as offloaded; each must fit one ``[[engine_log]]`` table of the settings.
        config: Boat and trial settings; None to use those of a session that is there.
        into: The session's folder.
        created: UTC time, ISO 8601 with ``Z``.
        config_text: TOML text of the settings, kept word by word.
        progress: See `Progress`.
        warn: Called with one sentence about each thing that is odd but no reason to stop.

    Raises:
        TrialCaptureError: An input is missing, unreadable, empty or not what it should be; the folder is in
            use; the disk is full. Nothing has changed then.
    """
    refuse_same_names(logs, engine_logs)
    is_new = not (into / FILE_NAME).exists()
    former = None if is_new else open_session(into)
    settings = config if config is not None else former.config if former is not None else None
    if settings is None:
        raise TrialCaptureError(
            "a new session needs its settings", where=str(into), expected="give them with --config CONFIG"
        )
    kinds: list[Literal["nmea", "can"]] = []
    for number, path in enumerate([*logs, *engine_logs]):
        progress(f"looking at {path.name}", None)
        if number < len(logs):
            kinds.append(check_log(path, warn))
        else:
            check_engine_log(path, settings, warn)
    if former is None:
        _build(_named(logs, kinds), engine_logs, settings, into, created, config_text, progress)
    else:
        if config is not None and config != former.config:
            text = config_text if config_text is not None else settings_text(config)
            wanted = replace(former, config=config, config_text=text)
        else:
            wanted = former
        _add(logs, engine_logs, former, wanted, created, progress, warn)
    return open_session(into)


def _build(
    logs: Sequence[_Copy],
    engine_logs: Sequence[Path],
    config: Config,
    into: Path,
    created: str,
    config_text: str | None,
    progress: Progress,
) -> None:
    """Build a new session beside its place and rename it."""
    if not logs:
        raise TrialCaptureError(
            "a new session needs an NMEA log or a CAN log",
            where=str(into),
            expected="give one or more; engine logs alone can only be added to a session that is there",
        )
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise TrialCaptureError(
            "a new session needs a folder of its own",
            seen="a folder that is in use" if into.is_dir() else "a file",
            where=str(into),
            expected="give a name that does not exist yet",
        )
    copies = [*logs]
    copies += [_Copy(path, f"raw/engine/{path.name}") for path in engine_logs]
    unfinished = into.with_name(f"{into.name}.unfinished-{os.getpid()}")
    try:
        session = create_session(
            unfinished, config, made_by=f"trialcapture {__version__}", created=created, config_text=config_text
        )
        files = _copy_all(copies, unfinished, created, progress)
        refuse_same_content(files)
        write_session(replace(session, files=files))
        _write_manifest(unfinished, files)
        if into.is_dir():
            into.rmdir()
        unfinished.rename(into)
        sync_folder(into.parent)
    except OSError as fault:
        raise write_error(fault, into) from fault
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)


def _add(
    logs: Sequence[Path],
    engine_logs: Sequence[Path],
    former: Session,
    wanted: Session,
    created: str,
    progress: Progress,
    warn: Callable[[str], None],
) -> None:
    """Add engine logs to a session that is there, and take over the settings that describe them."""
    folder = former.folder
    has_manifest = read_manifest(folder) is not None
    if has_manifest:
        refuse_changed_files(folder)
    known = {hash_file(path)[0] for path in [*nmea_files(former), *can_files(former)]} if logs else set()
    for path in logs:
        if hash_file(path)[0] not in known:
            raise TrialCaptureError(
                "there is a session already, and it takes no other NMEA log or CAN log",
                seen=path.name,
                where=str(folder),
                expected="give all of them at once, into a folder that does not exist yet",
            )
    copies = []
    for path in engine_logs:
        target = folder / "raw" / "engine" / path.name
        if not target.exists():
            copies.append(_Copy(path, f"raw/engine/{path.name}"))
        elif hash_file(target)[0] != hash_file(path)[0]:
            raise TrialCaptureError(
                "the session holds another engine log of this name, and raw files are never overwritten",
                seen=path.name,
                where=str(target),
                expected="rename the new one",
            )
    files = (*former.files, *_copy_all(copies, folder, created, progress))
    if wanted.config != former.config:
        kept = _keep_former_settings(folder)
        warn(f"{folder / FILE_NAME} now has the settings given; the former ones are kept as {kept.name}")
    if wanted != former or files != former.files:
        write_session(replace(wanted, files=files))
    if files != former.files or not has_manifest:
        _write_manifest(folder, files)


def _keep_former_settings(folder: Path) -> Path:
    number = 1
    while (kept := folder / f"session-former-{number:02d}.toml").exists():
        number += 1
    with open_replacement(kept) as file:
        file.write((folder / FILE_NAME).read_bytes())
    return kept


def _copy_all(copies: Sequence[_Copy], folder: Path, created: str, progress: Progress) -> tuple[ImportedFile, ...]:
    """Copy files verbatim, each complete or absent; the free space is looked at first."""
    total = sum(copy.source.stat().st_size for copy in copies)
    if total > free_bytes(folder):
        raise write_error(OSError(errno.ENOSPC, ""), folder, total)
    done = 0
    files: list[ImportedFile] = []
    try:
        for copy in copies:
            digest, size = hashlib.sha256(), 0
            with open_replacement(folder / copy.target, needed_bytes=total) as out:
                for chunk in _chunks(copy.source):
                    out.write(chunk)
                    digest.update(chunk)
                    size += len(chunk)
                    progress("copying", min((done + size) / max(total, 1), 1.0))
            done += size
            files.append(ImportedFile(copy.target, copy.source.name, digest.hexdigest(), size, created))
    except BaseException:
        for file in files:
            (folder / file.path).unlink(missing_ok=True)
        raise
    return tuple(files)


def _chunks(path: Path) -> Iterator[bytes]:
    try:
        with path.open("rb") as file:
            while chunk := file.read(1 << 20):
                yield chunk
    except OSError as fault:
        raise TrialCaptureError(
            "a file cannot be read to its end", seen=fault.strerror or str(fault), where=str(path)
        ) from fault


def _write_manifest(folder: Path, files: Sequence[ImportedFile]) -> None:
    """Write the manifest from what is on the disk now, and compare it with what was read."""
    write_manifest(folder)
    on_disk = {entry.path: entry.sha256 for entry in read_manifest(folder) or []}
    for file in files:
        if on_disk.get(file.path) != file.sha256:
            raise TrialCaptureError(
                "a copy is not the same as its original",
                seen=file.original,
                where=str(folder / file.path),
                expected="check the disk; the original was not touched",
            )


def _named(logs: Sequence[Path], kinds: Sequence[Literal["nmea", "can"]]) -> list[_Copy]:
    """Return each log with its place in the session: ``raw/nmea.log``, ``raw/nmea-02.log`` …, ``raw/can.log`` …"""
    counts: Counter[str] = Counter()
    copies = []
    for path, kind in zip(logs, kinds, strict=True):
        counts[kind] += 1
        with path.open("rb") as file:
            packed = packing(file.read(4))
        number = f"-{counts[kind]:02d}" if counts[kind] > 1 else ""
        copies.append(_Copy(path, f"raw/{kind}{number}.log" + (f".{packed}" if packed else "")))
    return copies
