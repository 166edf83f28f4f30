"""Following the raw files of a recording that goes on: only what is new is read, and blocks that are whole are kept.

The recorder appends and knows nothing of its readers. A follower opens each file anew for every look, so that the
recorder may put a file back or go on in another one, and on Windows too.

Every block that is whole is decoded once, exactly as `process` decodes it, and kept in the work folder of the session
(`pipeline/reuse.py`), where `process` finds it. Between two blocks the new lines are decoded as they come, for what is
shown now.
"""

from __future__ import annotations

import copy
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from trialcapture.archive.atomic import HeldTables, StoredTables
from trialcapture.archive.notes import notes_path
from trialcapture.archive.raw import BlockCutter, count_lines, is_packed
from trialcapture.archive.session import (
    Session,
    can_files,
    engine_files,
    nmea_files,
    open_session,
    unmatched_engine_files,
)
from trialcapture.archive.verify import read_timeline
from trialcapture.buffers import integers
from trialcapture.config import Config, EngineLog
from trialcapture.decode.can.parameter_groups import FAST
from trialcapture.decode.engine_log.log_table import EngineLogDecoder
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.reading import (
    CanLogDecoder,
    DecodedEngineLog,
    DecodedLog,
    LogDecoder,
    block_bytes_at,
    decode_and_keep,
    nmea_log_decoder,
    read_columns,
)
from trialcapture.pipeline.reuse import KeptBlocks
from trialcapture.prepare.clocks.downsampled_index import BlockIndex, index_block, index_log, join_indexes
from trialcapture.system.session_files import is_plain_file, open_plain

_READ_BYTES = 4 << 20
"""So much is read at a time (our choice)."""
LATE_BYTES = 2 << 20
"""More new bytes than this are no tick's news but a recording that was joined late: they are not decoded line by line
first (our choice: twenty seconds of a thousand lines a second)."""


@dataclass(frozen=True, slots=True)
class DecodedPiece:
    """New lines of one log.

    Attributes:
        log: The raw file.
        tables: Decoded, by formatter.
        satellites: In use, by source, as its last GGA sentence tells.
        packets: Messages of several frames on a CAN bus, by source: how many are whole, and how many are not.
    """

    log: str
    tables: dict[str, pa.Table]
    satellites: dict[str, int] = field(default_factory=dict)
    packets: dict[str, tuple[int, int]] = field(default_factory=dict)


class FollowedLog:
    """One NMEA or CAN log that grows.

    Args:
        path: The file.
        decoder: Decodes it from its first byte on.
        kept: Where whole blocks are kept.
    """

    def __init__(self, path: Path, decoder: LogDecoder, kept: KeptBlocks) -> None:
        """Begin before the first byte."""
        self.name = f"raw/{path.name}"
        self.path = path
        self._kept = kept
        self._fresh = decoder
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._of_blocks, self._of_lines = copy.deepcopy(self._fresh), copy.deepcopy(self._fresh)
        self._cutter = BlockCutter(block_bytes_at)
        self._uncut = b""
        self._read_to = 0
        self._blocks: list[StoredTables | HeldTables] = []
        self._indexes: list[BlockIndex] = []
        self._block_end, self._block_line = 0, 0
        self._line_rest = b""
        self._tail: dict[str, pa.Table] | None = {}
        self._since_tail: list[dict[str, pa.Table]] = []
        self.lines = 0
        """Whole lines seen so far."""

    def look(self) -> tuple[DecodedPiece | None, bool]:
        """Read what is new.

        Returns:
            The new lines, None where there are none; and True where those are not all that is new: the log was joined
            late or begins anew, and everything must be taken from `so_far`.

        Raises:
            OSError: The file cannot be read now.
        """
        with open_plain(self.path) as file:
            size = file.seek(0, 2)
            is_other = size < self._read_to
            if is_other:  # it was replaced by a shorter one: what was known of it is void
                self._begin_anew()
            file.seek(self._read_to)
            left, is_late = size - self._read_to, size - self._read_to > LATE_BYTES
            new: list[bytes] = []
            while left > 0 and (part := file.read(min(left, _READ_BYTES))):
                left -= len(part)
                self._read_to += len(part)
                self._cut(part)
                if is_late:
                    self._tail, self._since_tail = None, []
                    self.lines += count_lines(self._whole_lines(part))
                else:
                    new.append(part)
        block = self._whole_lines(b"".join(new))
        if not block:
            return None, is_late or is_other
        tables, rejects, counts = self._of_lines.decode(self.lines, block)
        self.lines += count_lines(block)
        piece = read_columns(tables)
        if self._tail is not None:
            self._since_tail.append(piece)
        of_piece = DecodedPiece(self.name, piece, _satellites(tables), _packets(counts, rejects))
        return of_piece, is_late or is_other

    def _whole_lines(self, part: bytes) -> bytes:
        """Return the lines that are whole with a part; what is left waits for the next one."""
        text = self._line_rest + part
        end = text.rfind(b"\n") + 1
        self._line_rest = text[end:]
        return text[:end]

    def _cut(self, part: bytes) -> None:
        """Take in bytes, and decode the blocks that are whole with them."""
        self._uncut += part
        size = self._cutter.chunk_bytes
        while len(self._uncut) >= size:
            chunk, self._uncut = self._uncut[:size], self._uncut[size:]
            for block in self._cutter.push(chunk):
                self._keep(block)

    def _keep(self, block: bytes) -> None:
        kept = decode_and_keep(self.path.name, len(self._blocks), self._of_blocks, self._block_line, block, self._kept)
        self._of_blocks = kept.decoder
        self._blocks.append(kept.tables)
        self._indexes.append(kept.index)
        self._block_end += len(block)
        self._block_line += max(1, count_lines(block))

    def so_far(self) -> DecodedLog:
        """Return the log up to its last whole line: whole blocks as kept, and after them the lines as they came.

        Raises:
            OSError: The file cannot be read now.
        """
        if self._tail is None:
            with open_plain(self.path) as file:
                file.seek(self._block_end)
                text = file.read(max(self._read_to - self._block_end, 0))
            tables, _, _ = copy.deepcopy(self._of_blocks).decode(self._block_line, text[: text.rfind(b"\n") + 1])
            self._tail = read_columns(tables)
        self._tail = _joined_after(self._block_line, [self._tail, *self._since_tail])
        self._since_tail = []
        index = join_indexes([*self._indexes, index_block(self._tail)])
        return DecodedLog(self.name, index, [*self._blocks, HeldTables(self._tail)])


def _joined_after(line: int, parts: Sequence[Mapping[str, pa.Table]]) -> dict[str, pa.Table]:
    """Return decoded tables one behind the other, from a line on."""
    by_name: dict[str, list[pa.Table]] = {}
    for part in parts:
        for name, table in part.items():
            by_name.setdefault(name, []).append(table)
    joined = {}
    for name, tables in by_name.items():
        whole = tables[0] if len(tables) == 1 else pa.concat_tables(tables, promote_options="permissive")
        whole = whole.unify_dictionaries().combine_chunks()
        first = int(np.searchsorted(integers(whole["line"])[0], line))
        if first < whole.num_rows:
            joined[name] = whole.slice(first)
    return joined


def _satellites(tables: Mapping[str, pa.Table]) -> dict[str, int]:
    if "GGA" not in tables:
        return {}
    rows = tables["GGA"].select(["source", "satellites"]).to_pylist()
    return {row["source"]: int(row["satellites"]) for row in rows if row["satellites"] is not None}


_SEVERAL_FRAMES = frozenset(str(pgn) for pgn in FAST)
_BROKEN = ("frame missing", "frame order", "timeout", "no start", "length", "aborted")
"""Reasons of rejects by which a message of several frames is not whole, see `CAN_REASONS`."""


def _packets(counts: pa.Table, rejects: pa.Table) -> dict[str, tuple[int, int]]:
    """Return by source how many messages of several frames are whole, and how many are not."""
    broken: Counter[str] = Counter()
    groups = set(_SEVERAL_FRAMES)
    for row in rejects.select(["source", "reason", "sentence"]).to_pylist() if rejects.num_rows else ():
        if row["reason"] in _BROKEN and str(row["sentence"]).isdigit():
            broken[row["source"]] += 1
            groups.add(row["sentence"])
    whole: Counter[str] = Counter()
    for row in counts.to_pylist():
        if row["formatter"] in groups:
            whole[row["source"]] += row["good"] + row["not_decoded"]
    return {source: (whole[source], broken[source]) for source in sorted({*whole, *broken})}


class FollowedEngineLog:
    """One engine log that grows: its new rows are decoded as they come.

    Args:
        paths: The file; behind it its part on the second disk, where the copy went on there.
        spec: What was declared about it.
        config: Engines and fuel.
    """

    def __init__(self, paths: Sequence[Path], spec: EngineLog, config: Config) -> None:
        """Begin before the first byte."""
        self.paths = tuple(paths)
        self.name = self.paths[0].name
        self._spec = spec
        self._config = config
        self._begin_anew()

    def _begin_anew(self) -> None:
        density = self._config.fuel.density_kg_per_m3
        self._decoder = EngineLogDecoder(self._spec, self._config.engine_ids, self.name, density_kg_per_m3=density)
        self._read_to: dict[Path, int] = {}
        self._rows: list[pa.Table] = []
        self._lines = 0
        self.fault = ""
        """Why it cannot be used, "" where it can."""
        self.doubt = ""
        """Why it could not be used if it ended here, "" where it could."""

    def look(self) -> tuple[pa.Table | None, bool]:
        """Decode what is new.

        Returns:
            Its rows, None where there are none; and True where the log begins anew, so that what was known of it is
            void.

        Raises:
            OSError: The file cannot be read now.
        """
        new: list[bytes] = []
        for path in self.paths:
            if path != self.paths[0] and not is_plain_file(path):
                continue
            with open_plain(path) as file:
                size = file.seek(0, 2)
                if size < self._read_to.get(path, 0):
                    self._begin_anew()
                    return None, True
                file.seek(self._read_to.get(path, 0))
                part = file.read(size - file.tell())
            self._read_to[path] = self._read_to.get(path, 0) + len(part)
            new.append(part)
        data = b"".join(new)
        if not data or self.fault:
            return None, False
        self._lines += data.count(b"\n")
        try:
            rows, _ = self._decoder.decode(data)
        except TrialCaptureError as fault:
            self.fault = str(fault)
            return None, False
        if not rows.num_rows:
            return None, False
        self._rows.append(rows)
        return rows, False

    def go_on_in(self, path: Path) -> None:
        """Go on in a part on another disk."""
        self.paths = (*self.paths, path)

    def rows_now(self) -> pa.Table | None:
        """Return the rows that are certain by now; None where there are none."""
        return pa.concat_tables(self._rows) if self._rows else None

    def so_far(self) -> DecodedEngineLog | None:
        """Return the log so far; None where it has no rows or does not fit what was declared of it."""
        if self.fault:
            return None
        try:
            last, _ = copy.deepcopy(self._decoder).finish(with_torn=False)
        except TrialCaptureError as fault:
            first = self._spec.header_rows + self._spec.skip_rows_after_header
            self.doubt = str(fault) if self._lines > first else ""  # before the first row there is nothing to say
            return None
        self.doubt = ""
        rows = pa.concat_tables([*self._rows, last]).combine_chunks()
        if not rows.num_rows:
            return None
        held = HeldTables({"rows": rows})
        return DecodedEngineLog(self.name, self._spec, index_log(rows), [held], [rows.num_rows], [])


class Follower:
    """Follows all logs of a session, on both disks where it was recorded on two.

    Args:
        session: The session.
        kept: Where whole blocks are kept.
    """

    def __init__(self, session: Session, kept: KeptBlocks) -> None:
        """Begin before the first byte."""
        self._session = session
        self._kept = kept
        self._halves = [session]
        self._epoch_ns: int | None = None
        self._notes_size = -1
        self.logs: dict[str, FollowedLog] = {}
        self.engine_logs: dict[str, FollowedEngineLog] = {}
        self.unfollowed: dict[str, str] = {}
        """Engine logs of which nothing is known before `process`, by name, with why."""

    @property
    def folders(self) -> list[Path]:
        """The folders of the session, that on the first disk first."""
        return [half.folder for half in self._halves]

    def also_follow(self, folder: Path) -> None:
        """Follow the session on its second disk too, once it is there."""
        if folder in self.folders:
            return
        with suppress(TrialCaptureError, OSError):
            if open_session(folder).id == self._session.id:
                self._halves.append(replace(self._session, folder=folder))

    def look(self) -> tuple[list[DecodedPiece], list[tuple[str, pa.Table]], bool]:
        """Read what is new of every log, and take up logs that are new.

        Returns:
            New lines; new rows of engine logs by name; True where everything must be taken from `so_far`.
        """
        anew = self._take_up()
        pieces: list[DecodedPiece] = []
        for log in self.logs.values():
            try:
                piece, is_all_new = log.look()
            except OSError:  # the recorder puts it back; it is looked for again
                continue
            anew |= is_all_new
            if piece is not None:
                pieces.append(piece)
        rows: list[tuple[str, pa.Table]] = []
        for name, engine_log in self.engine_logs.items():
            try:
                found, is_other = engine_log.look()
            except OSError:
                continue
            anew |= is_other
            if found is not None:
                rows.append((name, found))
        return pieces, rows, anew

    def so_far(self) -> tuple[list[DecodedLog], list[DecodedEngineLog]]:
        """Return all logs so far."""
        logs: list[DecodedLog] = []
        for log in self.logs.values():
            with suppress(OSError):  # the recorder puts it back
                logs.append(log.so_far())
        engine_logs = [found for log in self.engine_logs.values() if (found := log.so_far()) is not None]
        return logs, engine_logs

    @property
    def faults(self) -> list[str]:
        """What is wrong with engine logs."""
        return [why for log in self.engine_logs.values() if (why := log.fault or log.doubt)]

    def _take_up(self) -> bool:
        """Take up logs that are new; return True where one that was known is read anew."""
        nmea, can = self._files(nmea_files), self._files(can_files)
        is_anew = bool(can) and self._epoch_ns is None and self._find_epoch()
        for path in [*nmea, *can]:
            known = self.logs.get(path.name)
            is_moved = known is not None and known.path != path and not is_plain_file(known.path)
            if known is not None and not is_moved and not (is_anew and path in can):
                continue
            decoder = CanLogDecoder(self._epoch_ns) if path in can else nmea_log_decoder(path, self._session.config)
            self.logs[path.name] = FollowedLog(path, decoder, self._kept)
        self._take_up_engine_logs()
        return is_anew

    def _files(self, list_files: Callable[[Session], list[Path]]) -> list[Path]:
        """Return the logs of one kind that can grow, each once: no recorder writes a packed one."""
        found: dict[str, Path] = {}
        for half in self._halves:
            with suppress(TrialCaptureError, OSError):  # a disk that was pulled out has none
                for path in list_files(half):
                    if path.name in self.logs or not is_packed(path):
                        found.setdefault(path.name, path)
        return list(found.values())

    def _find_epoch(self) -> bool:
        """Look in the notes for what the stamps of CAN logs count from; True where it was found.

        The recorder writes frames and notes in two threads, and the first frames may be there before its first note.
        """
        with suppress(TrialCaptureError, OSError):
            size = notes_path(self._session.folder).stat().st_size
            if size != self._notes_size:
                self._notes_size = size
                self._epoch_ns = read_timeline(self._session.folder).epoch_wall_ns
        return self._epoch_ns is not None

    def _take_up_engine_logs(self) -> None:
        for half in self._halves:
            try:
                found = engine_files(half)
                undeclared = unmatched_engine_files(half)
            except (TrialCaptureError, OSError) as fault:
                if half is self._session:
                    self.unfollowed[""] = str(fault)
                continue
            self.unfollowed.pop("", None)
            for path in undeclared:
                self.unfollowed[path.name] = "no [[engine_log]] table of the settings describes it"
            for path, spec in found:
                known = self.engine_logs.get(path.name)
                if path.suffix.lower() in (".xlsx", ".gz", ".zst"):
                    self.unfollowed[path.name] = "a file of this kind is read when it is whole"
                elif known is None:
                    self.engine_logs[path.name] = FollowedEngineLog([path], spec, self._session.config)
                elif path not in known.paths and is_plain_file(known.paths[0]):
                    known.go_on_in(path)
