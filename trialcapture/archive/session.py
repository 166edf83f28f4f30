"""A session: the folder of one trial day, from its raw data to its report."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import tomli_w

from trialcapture.archive.atomic import write_error, write_file
from trialcapture.bounded_parsing import MOST_TOML_BYTES, parse_toml
from trialcapture.config import Config, EngineLog, load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import check_session_files, open_plain, plain_files, read_whole

FILE_NAME = "session.toml"
COMBINED = "combined.toml"
"""Makes a folder a trial of several sessions; it lists them."""
_LOG = re.compile(r"(nmea|can)(?:-(\d+))?\.log(?:\.gz|\.zst)?")


@dataclass(frozen=True, slots=True)
class ImportedFile:
    """Where a raw file came from.

    Attributes:
        path: The file, relative to the session, with ``/``.
        original: Its name where it was collected.
        sha256: Hash of its content, which is the original's too.
        bytes: Size.
        added: UTC time of the import.
    """

    path: str
    original: str
    sha256: str
    bytes: int
    added: str


@dataclass(frozen=True, slots=True)
class Session:
    """One trial day on disk.

    Attributes:
        folder: Where it lies.
        id: Its name for people and reports, unique by time and boat.
        created: UTC time it was begun, ISO 8601 with ``Z``.
        made_by: Program and version that began it.
        config: Boat and trial settings as used.
        config_text: The same as TOML text, as it was given.
        files: Origin of every file that was collected; empty for a recording.
        lengths: How far each log is read while a recorder goes on appending to it, by path in the session [bytes];
            empty where all is read.
    """

    folder: Path
    id: str
    created: str
    made_by: str
    config: Config
    config_text: str
    files: tuple[ImportedFile, ...] = field(default=())
    lengths: Mapping[str, int] = field(default_factory=dict)


def create_session(
    folder: Path,
    config: Config,
    *,
    made_by: str,
    created: str,
    id: str | None = None,
    config_text: str | None = None,
    files: Sequence[ImportedFile] = (),
) -> Session:
    """Make a new session folder with ``session.toml`` and an empty ``raw/``.

    Args:
        folder: Where; it must not exist, or be empty.
        config: Boat and trial settings.
        made_by: Program and version, such as ``"trialcapture 0.1.0"``.
        created: UTC time, ISO 8601 with ``Z``.
        id: Name of the session; made of `created` and the boat's name when not given.
        config_text: TOML text of the settings, kept word by word with its comments; written from `config`
            when not given.
        files: Origin of the files that will be put in ``raw/``.

    Raises:
        TrialCaptureError: The folder is in use, or it cannot be written.
    """
    stamp = _parse_created(created)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise TrialCaptureError(
            "a new session needs a folder of its own",
            seen="a session" if (folder / FILE_NAME).exists() else "a folder or file that is in use",
            where=str(folder),
            expected="give a name that does not exist yet",
        )
    session = Session(
        folder=folder,
        id=id or f"{stamp:%Y%m%dT%H%M%SZ}-{_plain_name(config.boat.name)}",
        created=created,
        made_by=made_by,
        config=config,
        config_text=config_text if config_text is not None else settings_text(config),
        files=tuple(files),
    )
    try:
        (folder / "raw").mkdir(parents=True)
    except OSError as fault:
        raise write_error(fault, folder) from fault
    try:
        write_session(session)
    except BaseException:
        with suppress(OSError):  # so that the same folder can be given again
            (folder / "raw").rmdir()
            folder.rmdir()
        raise
    return session


def write_session(session: Session) -> None:
    """Write ``session.toml``: the ``[session]`` table, then the settings as given.

    Raises:
        TrialCaptureError: The disk is full, or the file cannot be written.
    """
    head: dict[str, Any] = {"id": session.id, "created": session.created, "made_by": session.made_by}
    if session.files:
        head["file"] = [
            {"path": f.path, "original": f.original, "sha256": f.sha256, "bytes": f.bytes, "added": f.added}
            for f in session.files
        ]
    write_file(session.folder / FILE_NAME, compose(head, session.config_text).encode())


def open_session(folder: Path) -> Session:
    """Read ``session.toml`` of an existing session.

    Args:
        folder: The session.

    Raises:
        TrialCaptureError: There is no session there, or its ``session.toml`` is damaged.
        ConfigError: The settings in it have faults; every one is listed.
    """
    path = folder / FILE_NAME
    try:
        check_session_files(folder)
        text = read_whole(path, MOST_TOML_BYTES).decode("utf-8-sig")
        data = parse_toml(text)
    except (FileNotFoundError, NotADirectoryError) as fault:
        raise _no_session(folder) from fault
    except OSError as fault:
        raise TrialCaptureError(
            "a session cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    except ValueError as fault:  # not UTF-8, or not TOML
        raise TrialCaptureError(
            "session.toml is damaged",
            seen=str(fault),
            where=str(path),
            expected="mend it with a text editor; the raw files beside it are not touched by this",
        ) from fault
    head = data.get("session")
    if not isinstance(head, dict) or not all(isinstance(head.get(k), str) for k in ("id", "created", "made_by")):
        raise TrialCaptureError(
            "session.toml lacks what makes it a session",
            seen=", ".join(head) if isinstance(head, dict) else "no [session] table",
            where=str(path),
            expected="a [session] table with id, created and made_by",
        )
    settings = {k: v for k, v in data.items() if k != "session"}
    return Session(
        folder=folder,
        id=head["id"],
        created=head["created"],
        made_by=head["made_by"],
        config=load_config(text, where=str(path)),
        config_text=settings_part(text, settings),
        files=_imported_files(head.get("file", []), path),
    )


def as_recorded_so_far(session: Session) -> Session:
    """Return a session of which the logs are read as far as they hold whole lines now, and no further."""
    lengths = {}
    for path in [*nmea_files(session), *can_files(session)]:
        with open_plain(path) as file:
            size = file.seek(0, 2)
            start = max(0, size - (1 << 16))
            file.seek(start)
            lengths[path.relative_to(session.folder).as_posix()] = start + file.read(size - start).rfind(b"\n") + 1
    return replace(session, lengths=lengths)


def nmea_files(session: Session) -> list[Path]:
    """Return the NMEA logs of a session in order: ``raw/nmea.log``, ``raw/nmea-02.log`` … , packed or not."""
    return _logs(session, "nmea")


def can_files(session: Session) -> list[Path]:
    """Return the CAN logs of a session in order: ``raw/can.log``, ``raw/can-02.log`` … , packed or not."""
    return _logs(session, "can")


def _logs(session: Session, kind: str) -> list[Path]:
    found = []
    raw = session.folder / "raw"
    for path in plain_files(raw):
        if (match := _LOG.fullmatch(path.name)) and match[1] == kind and path.parent == raw:
            found.append((int(match[2] or 1), path.name, path))
    return [path for _, _, path in sorted(found)]


def engine_files(session: Session) -> list[tuple[Path, EngineLog]]:
    """Return every engine log of a session with the ``[[engine_log]]`` table that describes it, by name.

    Raises:
        TrialCaptureError: A file is described by two tables.
    """
    matched = []
    for path in _engine_folder(session):
        log = match_engine_log(path.name, session.config)
        if log is not None:
            matched.append((path, log))
    return matched


def unmatched_engine_files(session: Session) -> list[Path]:
    """Return the files in ``raw/engine`` that no ``[[engine_log]]`` table describes, by name."""
    return [path for path in _engine_folder(session) if match_engine_log(path.name, session.config) is None]


def match_engine_log(name: str, config: Config) -> EngineLog | None:
    """Return the ``[[engine_log]]`` table whose ``files`` pattern fits a file name, or None.

    Patterns are compared without regard to case, and a packed file (``.gz``, ``.zst``) fits by its own name
    or by the name it had before.

    Raises:
        TrialCaptureError: Two tables fit, so it would be a guess which one is meant.
    """
    lower = name.lower()
    names = {lower, lower.removesuffix(".gz").removesuffix(".zst")}
    found = []
    for index, log in enumerate(config.engine_log):
        patterns = [log.files] if isinstance(log.files, str) else list(log.files)
        plain = [p.lower().removeprefix("raw/engine/") for p in patterns]
        if any(fnmatchcase(n, p) for n in names for p in plain):
            found.append((index, log))
    if len(found) > 1:
        raise TrialCaptureError(
            "an engine log fits more than one [[engine_log]] table",
            seen=name,
            where=" and ".join(f"engine_log[{index}].files = {log.files!r}" for index, log in found),
            expected="narrow the patterns so that each file fits one table",
        )
    return found[0][1] if found else None


def _engine_folder(session: Session) -> list[Path]:
    folder = session.folder / "raw" / "engine"
    return sorted(path for path in plain_files(folder) if path.parent == folder)


def _imported_files(entries: Any, path: Path) -> tuple[ImportedFile, ...]:
    try:
        return tuple(
            ImportedFile(
                path=str(e["path"]),
                original=str(e["original"]),
                sha256=str(e["sha256"]),
                bytes=int(e["bytes"]),
                added=str(e["added"]),
            )
            for e in entries
        )
    except (KeyError, TypeError, ValueError) as fault:
        raise TrialCaptureError(
            "session.toml has a damaged [[session.file]] entry",
            seen=str(fault),
            where=str(path),
            expected="path, original, sha256, bytes and added in each",
        ) from fault


def is_combined(folder: Path) -> bool:
    """Return whether a folder is a trial of several sessions."""
    return (folder / COMBINED).is_file()


def listed_sessions(folder: Path) -> list[str]:
    """Return the sessions of a trial of several, relative to its folder.

    Raises:
        TrialCaptureError: The list is damaged, or names what lies outside the folder.
    """
    path = folder / COMBINED
    try:
        names = parse_toml(read_whole(path, MOST_TOML_BYTES).decode("utf-8"))["combined"]["session"]
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise TrialCaptureError("the list of sessions is damaged", seen=str(fault), where=str(path)) from fault
    if (
        not isinstance(names, list)
        or not names
        or not all(isinstance(n, str) and n.startswith("sessions/") for n in names)
    ):
        raise TrialCaptureError("the list of sessions is damaged", seen=str(names)[:80], where=str(path))
    if any(".." in Path(n).parts or (folder / n).is_symlink() for n in names):
        raise TrialCaptureError("a session of the list lies outside the folder", seen=str(names)[:80], where=str(path))
    return names


def _no_session(folder: Path) -> TrialCaptureError:
    if folder.is_file():
        return TrialCaptureError(
            "this is a file, not a session",
            where=str(folder),
            expected="make a session of it first: trialcapture collect LOG --config CONFIG --into SESSION",
        )
    if is_combined(folder):
        return TrialCaptureError(
            "this is a trial of several sessions, which only 'process', 'explain' and 'load' take as a whole",
            where=str(folder),
            expected=f"give one of its sessions, a folder in {folder / 'sessions'}",
        )
    return TrialCaptureError(
        "there is no session here" if folder.exists() else "there is no such folder",
        seen=None if not folder.exists() else f"a folder without {FILE_NAME}",
        where=str(folder),
        expected="give the folder that 'record', 'collect' or 'rehearse' made",
    )


def _parse_created(created: str) -> datetime:
    try:
        stamp = datetime.fromisoformat(created)
    except ValueError as fault:
        raise TrialCaptureError(
            "this is no time of creation",
            seen=created,
            expected="UTC in ISO 8601, such as 2026-05-04T09:30:00Z",
        ) from fault
    if stamp.tzinfo is None:
        raise TrialCaptureError("a time of creation needs its zone", seen=created, expected="end it in Z for UTC")
    return stamp.astimezone(UTC)


def _plain_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "boat"


# ``session.toml`` as text: the ``[session]`` table, and the settings word by word as they were given.

_SETTINGS_BELOW = "# ---- boat and trial settings, as given ----"
_SESSION_BELOW = "# ---- the session ----"


def compose(head: Mapping[str, Any], config_text: str) -> str:
    """Return the text of ``session.toml``.

    Args:
        head: Content of the ``[session]`` table.
        config_text: TOML text of the settings; kept with its comments. A ``[session]`` table in it, as the
            settings of another session have, stays behind.
    """
    settings = parse_toml(config_text)
    is_other = settings.pop("session", None) is not None
    text = tomli_w.dumps(settings) if is_other else config_text.strip()
    own = tomli_w.dumps({"session": head})
    whole = f"{own}\n{_SETTINGS_BELOW}\n{text}\n"
    if parses_to(whole, {"session": head, **settings}):
        return whole
    # Keys above the first table of the settings would be the session's: it goes below them.
    return f"{text}\n\n{_SESSION_BELOW}\n{own}"


def settings_part(text: str, settings: Mapping[str, Any]) -> str:
    """Return the settings in a ``session.toml`` as they were given, or said plainly where that cannot be told.

    Args:
        text: The whole file.
        settings: What it says beside the ``[session]`` table.
    """
    below = text.partition(f"\n{_SETTINGS_BELOW}\n")[2]
    above = text.partition(f"\n{_SESSION_BELOW}\n")[0]
    return next((part for part in (below, above) if parses_to(part, settings)), tomli_w.dumps(settings))


def settings_text(config: Config) -> str:
    """Return the settings that differ from their defaults, as TOML."""
    return tomli_w.dumps(_without_none(config.model_dump(mode="json", exclude_defaults=True)))


def parses_to(text: str, data: Mapping[str, Any]) -> bool:
    """Return whether a text is TOML and says just that."""
    try:
        return parse_toml(text) == data
    except ValueError:
        return False


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return [_without_none(item) for item in value]
    return value
