"""Following the raw files of a recording that goes on: only what is new is read, and blocks that are whole are kept.

The recorder appends and knows nothing of its readers. A follower opens each file anew for every look, so that the
recorder may put a file back or go on in another one, and on Windows too.

Every block that is whole is decoded once, exactly as `process` decodes it, and kept in the work folder of the session
(`pipeline/reuse.py`), where `process` finds it. Between two blocks the new lines are decoded as they come, for what is
shown now.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa

from trialcapture.archive.raw import BlockCutter, count_lines, is_packed
from trialcapture.archive.session import Session, can_files, engine_files, nmea_files
from trialcapture.archive.work_folder import HeldTables, StoredTables
from trialcapture.buffers import integers
from trialcapture.decode.engine_log.log_table import EngineLogDecoder
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.kept_blocks import KeptBlocks
from trialcapture.pipeline.reading import (
    DecodedEngineLog,
    DecodedLog,
    LogDecoder,
    block_bytes_at,
    decode_and_keep,
    log_decoders,
    read_columns,
)
from trialcapture.prepare.clocks.downsampled_index import BlockIndex, index_block, index_log, join_indexes
from trialcapture.system.session_files import open_plain

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
    """

    log: str
    tables: dict[str, pa.Table]
    satellites: dict[str, int] = field(default_factory=dict)


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
        self._path = path
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
        with open_plain(self._path) as file:
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
        tables, _, _ = self._of_lines.decode(self.lines, block)
        self.lines += count_lines(block)
        piece = read_columns(tables)
        if self._tail is not None:
            self._since_tail.append(piece)
        return DecodedPiece(self.name, piece, _satellites(tables)), is_late or is_other

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
        kept = decode_and_keep(self._path.name, len(self._blocks), self._of_blocks, self._block_line, block, self._kept)
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
            with open_plain(self._path) as file:
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


class FollowedEngineLog:
    """One engine log that grows: its new rows are decoded as they come.

    Args:
        path: The file.
        session: The session.
    """

    def __init__(self, path: Path, session: Session) -> None:
        """Begin before the first byte."""
        self.path = path
        self._spec = next(spec for own, spec in engine_files(session) if own == path)
        self._config = session.config
        self._begin_anew()

    def _begin_anew(self) -> None:
        density = self._config.fuel.density_kg_per_m3
        self._decoder = EngineLogDecoder(self._spec, self._config.engine_ids, self.path.name, density_kg_per_m3=density)
        self._read_to = 0
        self._rows: list[pa.Table] = []
        self.fault = ""
        """Why it cannot be used, "" where it can."""

    def look(self) -> pa.Table | None:
        """Decode what is new and return its rows; None where there are none."""
        if self.fault:
            return None
        with open_plain(self.path) as file:
            size = file.seek(0, 2)
            if size < self._read_to:
                self._begin_anew()
            file.seek(self._read_to)
            new = file.read(size - self._read_to)
        self._read_to += len(new)
        if not new:
            return None
        try:
            rows, _ = self._decoder.decode(new)
        except TrialCaptureError as fault:
            self.fault = str(fault)
            return None
        if not rows.num_rows:
            return None
        self._rows.append(rows)
        return rows

    def rows_now(self) -> pa.Table | None:
        """Return the rows that are certain by now; None where there are none."""
        return pa.concat_tables(self._rows) if self._rows else None

    def so_far(self) -> DecodedEngineLog | None:
        """Return the log so far; None where it has no rows or does not fit what was declared of it."""
        if self.fault or not self._rows:
            return None
        try:
            last, _ = copy.deepcopy(self._decoder).finish()
        except TrialCaptureError:  # too little of it yet, or half a row at its end
            return None
        rows = pa.concat_tables([*self._rows, last]).combine_chunks()
        held = HeldTables({"rows": rows})
        return DecodedEngineLog(self.path.name, self._spec, index_log(rows), [held], [rows.num_rows], [])


class Follower:
    """Follows all logs of a session.

    Args:
        session: The session.
        kept: Where whole blocks are kept.
    """

    def __init__(self, session: Session, kept: KeptBlocks) -> None:
        """Begin before the first byte."""
        self._session = session
        self._kept = kept
        self.logs: dict[str, FollowedLog] = {}
        self.engine_logs: dict[str, FollowedEngineLog] = {}

    def look(self) -> tuple[list[DecodedPiece], list[tuple[str, pa.Table]], bool]:
        """Read what is new of every log, and take up logs that are new.

        Returns:
            New lines; new rows of engine logs by name; True where everything must be taken from `so_far`.
        """
        self._take_up()
        pieces: list[DecodedPiece] = []
        anew = False
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
                found = engine_log.look()
            except OSError:
                continue
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
        return [log.fault for log in self.engine_logs.values() if log.fault]

    def _take_up(self) -> None:
        there = [*nmea_files(self._session), *can_files(self._session)]
        # a packed log does not grow, and no recorder writes one
        if any(path.name not in self.logs and not is_packed(path) for path in there):
            for path, decoder in log_decoders(self._session, self._session.config):
                if path.name not in self.logs and not is_packed(path):
                    self.logs[path.name] = FollowedLog(path, decoder, self._kept)
        try:
            found = engine_files(self._session)
        except TrialCaptureError:
            return
        for path, _ in found:
            if path.name not in self.engine_logs and path.suffix.lower() not in (".xlsx", ".gz", ".zst"):
                self.engine_logs[path.name] = FollowedEngineLog(path, self._session)
