"""A session from files recorded elsewhere: copied verbatim, hashed, and nothing half-made left behind."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Literal

from trialcapture import __version__
from trialcapture.archive.atomic import as_before_on_failure, free_bytes, open_replacement, write_error
from trialcapture.archive.manifest import hash_file, read_manifest, write_manifest
from trialcapture.archive.raw import (
    first_rows,
    is_workbook,
    open_engine_log,
    packing,
    read_blocks,
    read_chunks,
    sheet_names,
)
from trialcapture.archive.seal import (
    COLLECTED,
    MANIFEST,
    SETTINGS,
    Acceptance,
    add_event,
    hold_seal,
    refuse_changed,
    seal_closed,
)
from trialcapture.archive.seal import NAME as SEAL
from trialcapture.archive.session import (
    FILE_NAME,
    ImportedFile,
    Session,
    can_files,
    create_session,
    match_engine_log,
    nmea_files,
    open_session,
    settings_text,
    write_session,
)
from trialcapture.archive.verify import read_timeline
from trialcapture.bounded_parsing import MOST_TOML_BYTES
from trialcapture.config import Config
from trialcapture.decode.can.can_decoder import candump_kind
from trialcapture.decode.engine_log.log_cells import shown
from trialcapture.decode.engine_log.log_draft import FirstLook, look_at_bytes, look_at_rows
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, LogRejection
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import name_key, patiently, remove_file, remove_tree, rename_new, sync_folder
from trialcapture.system.session_files import open_plain, read_parts, read_whole, refuse_in_place_of

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
    accept: Acceptance | None = None,
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
        accept: Who accepts what was changed since the session was sealed; None where nobody does.
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
        with hold_seal(into):
            _add(logs, engine_logs, former, wanted, created, accept, progress, warn)
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
        seal_closed(unfinished, by="collect", t=created, what=COLLECTED)
        _compare_copies(unfinished, files)
        was_empty = into.is_dir()
        if was_empty:
            patiently(into.rmdir)
        try:
            rename_new(unfinished, into)
        except OSError:
            if was_empty:
                into.mkdir()
            raise
        sync_folder(into.parent)
    except OSError as fault:
        raise write_error(fault, into) from fault
    finally:
        remove_tree(unfinished)


def _add(
    logs: Sequence[Path],
    engine_logs: Sequence[Path],
    former: Session,
    wanted: Session,
    created: str,
    accept: Acceptance | None,
    progress: Progress,
    warn: Callable[[str], None],
) -> None:
    """Add engine logs to a session that is there, and take over the settings that describe them."""
    folder = former.folder
    before = refuse_changed(folder, read_timeline(folder).recording, accept)
    has_manifest = read_manifest(folder) is not None
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
    there = {name_key(path.name): path for path in (folder / "raw" / "engine").glob("*")}
    for path in engine_logs:
        target = there.get(name_key(path.name))  # on some disks "A.csv" is "a.csv"
        refuse_in_place_of(target or folder / "raw" / "engine" / path.name)
        if target is None:
            copies.append(_Copy(path, f"raw/engine/{path.name}"))
        elif hash_file(target)[0] != hash_file(path)[0]:
            raise TrialCaptureError(
                "the session holds another engine log of this name, and raw files are never overwritten",
                seen=path.name,
                where=str(target),
                expected="rename the new one",
            )
    with as_before_on_failure([folder / FILE_NAME, folder / MANIFEST, folder / SEAL]) as made:
        files = (*former.files, *_copy_all(copies, folder, created, progress))
        made += [folder / copy.target for copy in copies]
        if wanted.config != former.config:
            kept = _keep_former_settings(folder)
            made.append(kept)
            warn(f"{folder / FILE_NAME} now has the settings given; the former ones are kept as {kept.name}")
        if wanted != former or files != former.files:
            write_session(replace(wanted, files=files))
        if before.state == "intact":
            if wanted.config != former.config:
                add_event(folder, before, SETTINGS, "collect", created, [FILE_NAME])
            if files != former.files:
                add_event(folder, before, COLLECTED, "collect", created, [FILE_NAME, *(copy.target for copy in copies)])
        elif files != former.files or not has_manifest:
            write_manifest(folder)
        if files != former.files:
            _compare_copies(folder, files[len(former.files) :])


def keep_settings(
    folder: Path, config: Config, config_text: str, *, by: str, t: str, accept: Acceptance | None = None
) -> Path | None:
    """Put settings into a session in place of its own, which are kept beside them, and seal that.

    Args:
        folder: The session.
        config: The settings.
        config_text: The same as TOML text, kept word by word.
        by: Who.
        t: When, ISO 8601 UTC.
        accept: Who accepts what was changed since the session was sealed; None where nobody does.

    Returns:
        Where the former settings are kept; None where they are the same.

    Raises:
        TrialCaptureError: The session was changed since it was sealed, or cannot be written.
    """
    with hold_seal(folder):
        former = open_session(folder)
        if config == former.config:
            return None
        before = refuse_changed(folder, read_timeline(folder).recording, accept)
        kept = _keep_former_settings(folder)
        write_session(replace(former, config=config, config_text=config_text))
        add_event(folder, before, SETTINGS, by, t, [FILE_NAME])
        return kept


def _keep_former_settings(folder: Path) -> Path:
    number = 1
    while (kept := folder / f"session-former-{number:02d}.toml").exists():
        number += 1
    with open_replacement(kept) as file:
        file.write(read_whole(folder / FILE_NAME, MOST_TOML_BYTES))
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
            remove_file(folder / file.path)
        raise
    return tuple(files)


def _chunks(path: Path) -> Iterator[bytes]:
    try:
        with open_plain(path) as file:
            yield from read_parts(file, 1 << 20)
    except OSError as fault:
        raise TrialCaptureError(
            "a file cannot be read to its end", seen=fault.strerror or str(fault), where=str(path)
        ) from fault


def _compare_copies(folder: Path, files: Sequence[ImportedFile]) -> None:
    """Compare the manifest, which was written from what is on the disk, with what was read."""
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
        with open_plain(path) as file:
            packed = packing(file.read(4))
        number = f"-{counts[kind]:02d}" if counts[kind] > 1 else ""
        copies.append(_Copy(path, f"raw/{kind}{number}.log" + (f".{packed}" if packed else "")))
    return copies


# Looking at files before they are collected: what is no log is refused before anything is copied.

# A sentence by its shape alone: whether its checksum holds is for the decoder to say, line by line.
_SENTENCE = re.compile(rb"[$!](?:[A-Z]{2}[A-Z0-9]{3}|P[A-Z0-9]{3,8}),[ -~]{2,250}(?:\*[0-9A-Fa-f]{2}|[\r\n])")
_OTHER_KINDS = (
    (b"PK\x03\x04", "a ZIP archive; unpack it and give the logs in it"),
    (b"7z\xbc\xaf", "a 7-Zip archive; unpack it and give the logs in it"),
    (b"\xfd7zXZ", "an xz archive; unpack it and give the logs in it"),
    (b"BZh", "a bzip2 archive; unpack it and give the logs in it"),
    (b"%PDF", "a PDF document"),
    (b"PAR1", "a Parquet file"),
    (b"\xff\xfe", "UTF-16 text, as some terminals save it; save it as plain text (ASCII or UTF-8)"),
    (b"\xfe\xff", "UTF-16 text, as some terminals save it; save it as plain text (ASCII or UTF-8)"),
    (b"\xd4\xc3\xb2\xa1", "a packet capture; export its NMEA text first"),
    (b"\x0a\x0d\x0d\x0a", "a packet capture; export its NMEA text first"),
)
_LOG_BYTES = 1 << 20
_LOOKED_AT_BYTES = 1 << 18
_TABLE = re.compile(rb"[^\r\n]*[,;\t][^\r\n]*(?:\r\n?|\n)[^\r\n]*\d[,;\t]")


def check_log(path: Path, warn: Callable[[str], None]) -> Literal["nmea", "can"]:
    """Make sure that a file is an NMEA 0183 log or a CAN log, and return which.

    Args:
        path: The file, plain or packed.
        warn: Called with one sentence when it is torn or damaged but something survives.

    Raises:
        TrialCaptureError: It is missing, no file, unreadable or empty, or holds neither sentence nor frame, or
            frames without times.
    """
    is_packed = bool(packing(_check_file(path)))
    size, head = 0, b""
    kind: Literal["nmea", "can"] | None = None
    timeless = False
    for _, block in read_blocks(path, 1 << 20, warn=warn):
        head = head or block[:4096]
        size += len(block)
        if kind is None:
            found = "" if _SENTENCE.search(block) else candump_kind(block)
            timeless = timeless or found == "frames without times"
            kind = "can" if found == "frames" else "nmea" if _SENTENCE.search(block) else None
        if kind and not is_packed:  # a packed file is read to its end: a torn copy can be made again now
            return kind
    if kind:
        return kind
    if timeless:
        raise TrialCaptureError(
            "the frames of this CAN log have no times that can be read",
            seen=head.split(b"\n")[0].decode("ascii", "replace").strip(),
            where=str(path),
            expected="record it with 'candump -L', which writes (seconds.micros) before each frame",
        )
    raise TrialCaptureError(
        "this is not an NMEA log",
        seen=f"no sentence in {size} bytes",
        where=str(path),
        expected=_kind_hint(head),
    )


def check_engine_log(path: Path, config: Config, warn: Callable[[str], None]) -> None:
    """Make sure that an engine log is described by the settings and fits what they say.

    Args:
        path: The file, plain or packed.
        config: Boat and trial settings.
        warn: Called with one sentence when it is torn, or when nothing is in a declared column.

    Raises:
        TrialCaptureError: It is missing, no file, unreadable or empty; no ``[[engine_log]]`` table fits its
            name; or its content does not fit the table.
    """
    _check_file(path)
    spec = match_engine_log(path.name, config)
    if spec is None:
        patterns = [log.files if isinstance(log.files, str) else " ".join(log.files) for log in config.engine_log]
        raise TrialCaptureError(
            "no [[engine_log]] table of the settings describes this engine log",
            seen=path.name,
            where=str(path),
            expected="a table whose files pattern fits its name; there is "
            + (", ".join(f"files = {pattern!r}" for pattern in patterns) if patterns else "none"),
        )
    spec, text = open_engine_log(path, spec, _LOG_BYTES, warn=warn)
    decoder = EngineLogDecoder(spec, config.engine_ids, str(path), density_kg_per_m3=config.fuel.density_kg_per_m3)
    filled: Counter[str] = Counter()
    unread = 0
    blocks = (decoder.decode(block) for block in text)
    for table, rejects in chain(blocks, (decoder.finish() for _ in range(1))):
        filled.update({name: table.num_rows - table[name].null_count for name in table.column_names[2:]})
        unread += sum(reason != "repeated heading" for reason in rejects["reason"].to_pylist())
    for name, count in filled.items():
        if count == 0:
            warn(f"{path}: the column for {name} is empty from top to bottom")
    if unread:
        places = ", ".join(_place(found) for found in decoder.rejections[:3] if found.reason != "repeated heading")
        warn(f"{path}: {unread} of its rows or cells cannot be read; they are kept, counted and left out: {places}")


def look_at_engine_log(path: Path, sheet: str | None) -> tuple[FirstLook, str | None]:
    """Return what a first look at an engine log shows, and its sheet where it is one of several.

    Raises:
        TrialCaptureError: It is missing, no file, unreadable or empty, is a log of another kind, has several sheets
            and none is named, or nothing in it looks like data.
    """
    _check_file(path)
    if is_workbook(path):
        return look_at_rows(first_rows(path, sheet, 200), str(path)), sheet if len(sheet_names(path)) > 1 else None
    head, is_whole = b"", True
    for chunk in read_chunks(path, 1 << 16, warn=lambda _: None):
        head += chunk
        if len(head) >= _LOOKED_AT_BYTES:
            is_whole = False
            break
    kind = "an NMEA log" if _SENTENCE.search(head) else "a CAN log" if candump_kind(head) else ""
    if kind:
        raise TrialCaptureError(
            "this is no engine log",
            seen=kind,
            where=str(path),
            expected="collect takes it without a declaration: trialcapture collect LOG --config CONFIG --into SESSION",
        )
    return look_at_bytes(head, str(path), is_whole=is_whole), None


def _place(found: LogRejection) -> str:
    column = f", column {found.column!r}" if found.column else ""
    more = f" and {found.count - 1} more" if found.count > 1 else ""
    return f"row {found.row}{column} ({found.reason}: {shown(found.text)!r}){more}"


def refuse_same_names(logs: Sequence[Path], engine_logs: Sequence[Path]) -> None:
    """Refuse a log given twice, and engine logs that would overwrite each other.

    Raises:
        TrialCaptureError: There are such files.
    """
    seen: set[str] = set()
    for path in logs:
        if str(path.resolve()) in seen:
            raise TrialCaptureError("a log is given twice", where=str(path), expected="give it once")
        seen.add(str(path.resolve()))
    names: dict[str, Path] = {}
    for path in engine_logs:
        other = names.setdefault(name_key(path.name), path)
        if other is not path:
            raise TrialCaptureError(
                "two engine logs have the same name, and the session keeps them by name",
                seen=f"{other} and {path}",
                expected="rename one, and let an [[engine_log]] table fit each",
            )


def refuse_same_content(files: Sequence[ImportedFile]) -> None:
    """Refuse files of the same content under different names.

    Raises:
        TrialCaptureError: There are such files.
    """
    seen: dict[str, str] = {}
    for count, file in enumerate(files):
        other = seen.setdefault(file.sha256, file.original)
        if len(seen) == count:
            raise TrialCaptureError(
                "two files have the same content, and it would count twice",
                seen=f"{other} and {file.original}",
                expected="give one of them",
            )


def _check_file(path: Path) -> bytes:
    """Return the first bytes of a file."""
    if path.is_dir():
        raise TrialCaptureError("this is a folder, not a log", where=str(path), expected="give the files in it")
    if not path.exists():
        raise TrialCaptureError("there is no such file", where=str(path), expected="check the path")
    if not path.is_file():
        raise TrialCaptureError("this is no plain file", where=str(path), expected="give a recorded log")
    try:
        with open_plain(path) as file:
            first = file.read(8)
    except OSError as fault:
        raise TrialCaptureError(
            "a file cannot be read",
            seen=fault.strerror or str(fault),
            where=str(path),
            expected="check that you may read it",
        ) from fault
    if not first:
        raise TrialCaptureError(
            "this log is empty", seen="0 bytes", where=str(path), expected="copy it from the recorder again"
        )
    return first


def _kind_hint(head: bytes) -> str:
    for mark, kind in _OTHER_KINDS:
        if head.startswith(mark):
            return f"it looks like {kind}"
    if b"\0" not in head and _TABLE.match(head):
        return "it looks like a table; if it is an engine log, give it with --engine-log"
    return (
        "NMEA sentences look like $GPRMC,...*hh (was it recorded at the wrong baud rate?), "
        "and a CAN log like (1700000000.123456) can0 0CF00400#FFFFFF..."
    )
