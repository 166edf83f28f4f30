"""Looking at files before they are collected: what is no log is refused before anything is copied."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from itertools import chain
from pathlib import Path
from typing import Literal

from trialcapture.archive.manifest import has_only_grown, read_manifest, verify_manifest
from trialcapture.archive.raw import packing, read_blocks, read_chunks
from trialcapture.archive.session import ImportedFile, match_engine_log
from trialcapture.archive.workbook import first_rows, is_workbook, open_engine_log, sheet_names
from trialcapture.config import Config
from trialcapture.decode.can.candump import candump_kind
from trialcapture.decode.engine_log.log_cells import shown
from trialcapture.decode.engine_log.log_draft import FirstLook, look_at_bytes, look_at_rows
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, LogRejection
from trialcapture.errors import TrialCaptureError

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
        other = names.setdefault(path.name.lower(), path)
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


def refuse_changed_files(folder: Path, may_have_grown: Collection[str] = ()) -> None:
    """Refuse to go on with a session whose raw files are not as its manifest says.

    Args:
        folder: The session.
        may_have_grown: Files, relative to the session, that may go on behind what the manifest knows of them.

    Raises:
        TrialCaptureError: A file is missing, changed or unreadable.
    """
    changed = [fault for fault in verify_manifest(folder) if fault.kind != "unlisted"]
    if changed and may_have_grown:
        grown = {e.path for e in read_manifest(folder) or [] if e.path in may_have_grown and has_only_grown(folder, e)}
        changed = [fault for fault in changed if fault.path not in grown]
    if changed:
        raise TrialCaptureError(
            "the raw files of this session are not as its manifest says, so nothing is added",
            seen="; ".join(str(fault) for fault in changed[:3]),
            where=str(folder),
            expected="restore them from a copy; a new manifest would hide the change",
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
        with path.open("rb") as file:
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
