"""From raw files to decoded blocks on the disk, an outline of each log in memory, and the table of rejects.

Times can be given only once the whole of a log is known, so each decoded block is set aside once; what must be known
of all of it at once is found from the outlines.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa

from trialcapture.archive.atomic import HeldTables, StoredTables, read_table, write_tables
from trialcapture.archive.parquet import open_parquet
from trialcapture.archive.raw import open_engine_log, read_blocks
from trialcapture.archive.session import Session, can_files, engine_files, nmea_files
from trialcapture.archive.verify import read_timeline
from trialcapture.buffers import count_texts, integers, table_of, to_arrow
from trialcapture.config import Config, EngineLog
from trialcapture.decode.can.can_decoder import CanDecoder
from trialcapture.decode.engine_log.log_cells import shown
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, LogRejection
from trialcapture.decode.nmea0183.encapsulated import last_frames
from trialcapture.decode.nmea0183.general import COUNTS_SCHEMA
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.reuse import KeptBlock, KeptBlocks
from trialcapture.prepare.clocks.downsampled_index import (
    BlockIndex,
    DownsampledIndex,
    index_block,
    index_log,
    join_indexes,
)
from trialcapture.prepare.clocks.log_clock import find_repeated, is_newest_first, row_codes
from trialcapture.prepare.clocks.sentence_times import correct_receive_times, serial_lines
from trialcapture.prepare.clocks.utc_assignment import REJECTS_SCHEMA, LineTimes, assign_utc_to_rejects, line_times
from trialcapture.prepare.data_health import Item, Rejection
from trialcapture.prepare.trial_alignment import TrialAlignment

Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""
Decoded = tuple[dict[str, pa.Table], pa.Table, pa.Table]
"""One decoded block: tables by formatter, rejects, counts of sentences."""
SentenceCounts = dict[tuple[str, str, str], list[int]]
"""By source, talker and formatter: sentences good, bad and not decoded."""

BLOCK_BYTES, MOST_BLOCK_BYTES, _MORE_FROM_BYTES = 6 << 20, 12 << 20, 48 << 20
"""How much of a log is decoded at a time: the second from the third on, which is a day's log. Less costs time for each
block, more costs memory (measured on 1 h and 8 h). What a block is follows from the log up to its end alone, so that
blocks decoded while a log grows are those of the whole log."""
_LOG_ROWS = 50_000
_LOG_BYTES = 2 << 20
REJECTS = "rejects"
"""Name of the rejects among the tables of a block."""
UNREAD = frozenset({"mode", "nav_status", "satellites", "hdop", "altitude_m", "separation_m", "pitch_pct"})
"""Columns that no channel is made of; they are not set aside."""
_NO_TIMES: LineTimes = (integers(pa.nulls(0))[0], integers(pa.nulls(0))[0])


@dataclass(frozen=True, slots=True)
class DecodedLog:
    """One NMEA or CAN log.

    Attributes:
        name: The raw file.
        outline: Few rows of all of it.
        blocks: Its blocks, set aside: tables by formatter, and `REJECTS`.
    """

    name: str
    outline: DownsampledIndex
    blocks: list[StoredTables | HeldTables]


@dataclass(frozen=True, slots=True)
class DecodedEngineLog:
    """One engine log.

    Attributes:
        name: The raw file.
        spec: What was declared about it.
        outline: Few rows of all of it.
        blocks: Its rows, set aside as the tables ``rows``.
        sizes: Rows of each block.
        rejects: Its rejects, set aside as the tables `REJECTS`.
        warnings: About the file itself and the order of its rows.
        items: What is wrong with its rows, for the account of data health.
        rejections: The rejects counted by column and reason.
    """

    name: str
    spec: EngineLog
    outline: pa.Table
    blocks: Sequence[StoredTables | HeldTables]
    sizes: list[int]
    rejects: list[StoredTables]
    warnings: tuple[str, ...] = ()
    items: tuple[Item, ...] = ()
    rejections: tuple[LogRejection, ...] = ()


@dataclass(frozen=True, slots=True)
class RejectCounts:
    """Counts of rejects.

    Attributes:
        by_source: Of what was refused: ``source``, ``reason`` and ``count``, in order of source and reason.
        by_field: Of all of the NMEA and CAN logs, count by source, sentence, field and reason; "" where there is none.
    """

    by_source: pa.Table
    by_field: dict[tuple[str, str, str, str], int]


def read_logs(
    session: Session, config: Config, folder: Path, progress: Progress
) -> tuple[list[DecodedLog], SentenceCounts, list[str]]:
    """Decode every NMEA and CAN log of a session.

    Args:
        session: The session.
        config: Sources and transducers.
        folder: Where to set decoded blocks aside.
        progress: See `Progress`.

    Returns:
        The logs; counts of sentences; warnings about the files themselves.

    Raises:
        TrialCaptureError: There is no such log, or the disk is full.
    """
    nmea, can = nmea_files(session), can_files(session)
    if not nmea and not can:
        raise TrialCaptureError(
            "this session holds no NMEA log and no CAN log",
            where=str(session.folder / "raw"),
            expected="record one, or put one there with 'trialcapture collect'",
        )
    total = sum(path.stat().st_size for path in [*nmea, *can]) or 1
    warnings: list[str] = []
    logs: list[DecodedLog] = []
    counts: SentenceCounts = {}
    done = 0

    def raw_blocks(path: Path) -> Iterator[tuple[int, bytes, bytes]]:
        nonlocal done
        limit_bytes = session.lengths.get(path.relative_to(session.folder).as_posix())
        read = read_blocks(path, block_bytes_at, warn=warnings.append, limit_bytes=limit_bytes)
        for first_line, block, block_hash in _one_ahead(_hashed(path.name, read, kept), beside):
            yield first_line, block, block_hash
            done += len(block)
            progress("decoding", min(done / total, 1.0))

    # the disk needs no Python: while a block is decoded the next one is read and the last one is set aside
    kept = KeptBlocks(session)
    with ThreadPoolExecutor(1) as beside:
        for path, decoder in log_decoders(session, config):
            logs.append(_set_aside(path, raw_blocks(path), decoder, folder, counts, beside, kept))
    return logs, counts, warnings


def block_bytes_at(begin: int) -> int:
    """Return about how large the block of a log is that begins at a byte of it."""
    return BLOCK_BYTES if begin < _MORE_FROM_BYTES else MOST_BLOCK_BYTES


def log_decoders(session: Session, config: Config) -> Iterator[tuple[Path, LogDecoder]]:
    """Yield every NMEA and CAN log of a session with what decodes it."""
    for path in nmea_files(session):
        yield path, nmea_log_decoder(path, config)
    can = can_files(session)
    epoch_ns = read_timeline(session.folder).epoch_wall_ns if can else None
    for path in can:
        yield path, CanLogDecoder(epoch_ns)


def nmea_log_decoder(path: Path, config: Config) -> NmeaLogDecoder:
    """Return what decodes an NMEA log of a session."""
    return NmeaLogDecoder(path.name.split(".")[0], config)


def _hashed(name: str, blocks: Iterable[tuple[int, bytes]], kept: KeptBlocks) -> Iterator[tuple[int, bytes, bytes]]:
    """Yield the blocks of a log with their hashes, which are needed only where some may have been kept."""
    for number, (first_line, block) in enumerate(blocks):
        yield first_line, block, kept.hash_ahead(name, number, block) if kept.are_there else b""


Next = TypeVar("Next")


def _one_ahead(items: Iterator[Next], beside: Executor) -> Iterator[Next]:
    """Yield items; while one is used the next one is made."""
    coming = beside.submit(next, items, None)
    while (item := coming.result()) is not None:
        coming = beside.submit(next, items, None)
        yield item


class NmeaLogDecoder:
    """Decodes an NMEA log block by block, in order.

    Args:
        source: What sentences come from that name no source.
        config: Sources.
    """

    def __init__(self, source: str, config: Config) -> None:
        """Begin before the first block."""
        self._source = source
        self._lenient = frozenset(s.id for s in config.source if not s.require_checksum)
        self._strict = not self._lenient or len(self._lenient) < len(config.source)
        self._lines = serial_lines(config)
        self._before = b""

    @property
    def state(self) -> bytes:
        """Settings, and what the lines before leave open: with it a block always decodes alike."""
        settings = (self._source, sorted(self._lenient), self._strict, sorted(self._lines.items()))
        return repr(settings).encode() + b"\0" + self._before

    def decode(self, first_line: int, block: bytes) -> Decoded:
        """Decode the next block."""
        tables, rejects, counts = decode_nmea(
            block,
            source=self._source,
            first_line=first_line,
            require_checksum=self._strict,
            without_checksum=self._lenient,
            before=self._before,
        )
        self._before = last_frames(block)
        return correct_receive_times(tables, block, first_line, self._lines), rejects, counts

    def finish(self) -> Decoded | None:
        """Return what the end of the log adds, if anything."""
        return None


class CanLogDecoder:
    """Decodes a CAN log block by block, in order.

    Args:
        epoch_ns: As `CanDecoder` takes it.
    """

    def __init__(self, epoch_ns: int | None) -> None:
        """Begin before the first block."""
        self._decoder = CanDecoder(epoch_ns)
        self._state = repr(epoch_ns).encode()

    @property
    def state(self) -> bytes:
        """Settings, and a hash of all blocks before: with it a block always decodes alike."""
        return self._state

    def decode(self, first_line: int, block: bytes) -> Decoded:
        """Decode the next block."""
        self._state = hashlib.sha256(self._state + hashlib.sha256(block).digest()).digest()
        return self._decoder.decode(block, first_line)

    def finish(self) -> Decoded | None:
        """Return what the end of the log adds: messages that were still open."""
        return {}, *self._decoder.finish()


LogDecoder = NmeaLogDecoder | CanLogDecoder


def _set_aside(
    path: Path,
    raw_blocks: Iterable[tuple[int, bytes, bytes]],
    decoder: LogDecoder,
    folder: Path,
    counts: SentenceCounts,
    beside: Executor,
    kept: KeptBlocks,
) -> DecodedLog:
    """Outline the blocks of a log, set them aside and count their sentences; blocks that were kept are used again."""
    indexes: list[BlockIndex] = []
    blocks: list[Future[StoredTables] | StoredTables | HeldTables] = []

    def take(decoded: Decoded) -> None:
        tables, rejects, of_block = decoded
        place = folder / f"{path.name}-{len(blocks)}.arrows"
        blocks.append(beside.submit(write_tables, place, {**read_columns(tables), REJECTS: rejects}))
        indexes.append(index_block(tables))
        add_to_counts(counts, of_block)

    for first_line, block, block_hash in raw_blocks:
        key = kept.key_of(decoder.state, first_line, block_hash) if kept.are_there else ""
        found = kept.find(path.name, len(blocks), key) if key else None
        if found is None:
            take(decoder.decode(first_line, block))
            continue
        blocks.append(found.tables)
        indexes.append(found.index)
        add_to_counts(counts, found.counts)
        decoder = found.decoder
    if (last := decoder.finish()) is not None:
        take(last)
    stored = [block.result() if isinstance(block, Future) else block for block in blocks]
    return DecodedLog(f"raw/{path.name}", join_indexes(indexes), stored)


def decode_and_keep(
    name: str, number: int, decoder: LogDecoder, first_line: int, block: bytes, kept: KeptBlocks
) -> KeptBlock:
    """Return a block that is whole as it was kept, or decode and keep it.

    Args:
        name: File name of its log.
        number: Its number in the log.
        decoder: As it stands before the block; it goes on as that of the result.
        first_line: Number of its first line.
        block: Its bytes.
        kept: Where to.
    """
    key = kept.key_of(decoder.state, first_line, hashlib.sha256(block).digest())
    if (found := kept.find(name, number, key)) is not None:
        return found
    tables, rejects, counts = decoder.decode(first_line, block)
    held = {**read_columns(tables), REJECTS: rejects}
    return kept.keep(name, number, key, KeptBlock(HeldTables(held), index_block(tables), counts, decoder), held)


def read_columns(tables: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
    """Return decoded tables without the columns that nothing reads."""
    return {n: t.select([c for c in t.column_names if c not in UNREAD]) for n, t in tables.items()}


def add_to_counts(counts: SentenceCounts, of_block: pa.Table) -> None:
    """Add the counts of a block."""
    for r in of_block.to_pylist():
        entry = counts.setdefault((r["source"], r["talker"], r["formatter"]), [0, 0, 0])
        for i, kind in enumerate(("good", "bad", "not_decoded")):
            entry[i] += r[kind]


def counts_table(counts: SentenceCounts) -> pa.Table:
    """Return counts of sentences as a table, in order of source, talker and formatter."""
    rows = [dict(zip(COUNTS_SCHEMA.names, (*name, *of), strict=True)) for name, of in sorted(counts.items())]
    return table_of(rows, COUNTS_SCHEMA)


def read_engine_logs(session: Session, config: Config, folder: Path) -> list[DecodedEngineLog]:
    """Decode every engine log of a session.

    Raises:
        TrialCaptureError: A log does not fit what was declared about it, or the disk is full.
    """
    logs = []
    for number, (path, spec) in enumerate(engine_files(session)):
        warnings: list[str] = []
        # of a workbook another declaration holds for its text: the session's stays that of the log
        text_spec, text = open_engine_log(path, spec, _LOG_BYTES, warn=warnings.append)
        density = config.fuel.density_kg_per_m3
        decoder = EngineLogDecoder(text_spec, config.engine_ids, path.name, density_kg_per_m3=density)
        log = _set_log_aside(path.name, spec, _decode_engine_log(text, decoder), folder / f"engine-{number}")
        logs.append(replace(log, warnings=(*warnings, *log.warnings), rejections=tuple(decoder.rejections)))
    return logs


def _decode_engine_log(text: Iterator[bytes], decoder: EngineLogDecoder) -> Iterator[tuple[pa.Table, pa.Table]]:
    """Decode an engine log; it is judged as a whole, so it may be refused at its end."""
    for block in text:
        yield decoder.decode(block)
    yield decoder.finish()


def _set_log_aside(
    name: str, spec: EngineLog, decoded: Iterator[tuple[pa.Table, pa.Table]], stem: Path
) -> DecodedEngineLog:
    kept = _LogRows(stem)
    bad: list[StoredTables] = []
    open_rows: list[pa.Table] = []
    for rows, rejects in decoded:
        if rejects.num_rows:
            bad.append(write_tables(stem.with_name(f"{stem.name}-rejects-{len(bad)}.arrows"), {REJECTS: rejects}))
        open_rows.append(rows)
        while sum(part.num_rows for part in open_rows) >= _LOG_ROWS:
            joined = pa.concat_tables(open_rows).combine_chunks()
            kept.add(joined.slice(0, _LOG_ROWS))
            open_rows = [joined.slice(_LOG_ROWS)]
    rest = pa.concat_tables(open_rows).combine_chunks()
    if rest.num_rows:
        kept.add(rest)
    warnings, items = kept.put_in_order(name)
    outline = pa.concat_tables(kept.indexes or [index_log(rest)]).combine_chunks()
    return DecodedEngineLog(name, spec, outline, kept.blocks, kept.sizes, bad, tuple(warnings), tuple(items))


class _LogRows:
    """The rows of an engine log, set aside block by block, and their outlines, oldest first."""

    def __init__(self, stem: Path) -> None:
        self.blocks: list[StoredTables] = []
        self.indexes: list[pa.Table] = []
        self.sizes: list[int] = []
        self._stem = stem
        self._written = 0
        self._turned = 0
        self._is_plain = True
        self._last_ns: int | None = None

    def add(self, rows: pa.Table) -> None:
        """Set a block aside, turned round where it is written newest first."""
        t_ns = integers(rows["t_log_ns"])[0]
        if is_newest_first(t_ns):
            rows, t_ns = rows.take(to_arrow(np.arange(t_ns.size)[::-1])), t_ns[::-1]
            self._turned += rows.num_rows
        last_ns, self._last_ns = self._last_ns, int(t_ns[-1])
        self._is_plain &= bool(np.all(np.diff(t_ns) > 0)) and (last_ns is None or t_ns[0] > last_ns)
        self._keep(rows)

    def _keep(self, rows: pa.Table) -> None:
        place = self._stem.with_name(f"{self._stem.name}-{self._written}.arrows")
        self._written += 1
        self.blocks.append(write_tables(place, {"rows": rows}))
        self.indexes.append(index_log(rows))
        self.sizes.append(rows.num_rows)

    def put_in_order(self, name: str) -> tuple[list[str], list[Item]]:
        """Turn the blocks of a log written newest first round, and leave out rows that came before.

        Returns:
            Sentences for people, and items for the account of data health.
        """
        warnings: list[str] = []
        if self._turned > 0.5 * sum(self.sizes):
            self.blocks.reverse()
            self.indexes.reverse()
            self.sizes.reverse()
            warnings.append(f"engine log {name} is written newest first; its rows are turned round")
        if self._is_plain or not self.blocks:
            return warnings, []
        tables = (read_table(block, "rows") for block in self.blocks)
        stamps, codes = zip(*((integers(rows["t_log_ns"])[0], row_codes(rows)) for rows in tables), strict=True)
        repeated = find_repeated(np.concatenate(stamps), np.concatenate(codes))
        count = int(repeated.sum())
        if not count:
            return warnings, []
        blocks, sizes = self.blocks, self.sizes
        self.blocks, self.indexes, self.sizes = [], [], []
        for block, its in zip(blocks, np.split(repeated, np.cumsum(sizes)[:-1]), strict=True):
            rows = read_table(block, "rows")
            if not its.all():
                self._keep(rows.filter(to_arrow(~its)) if its.any() else rows)
        return warnings, [Rejection(f"engine log {name}", "", "repeated row", count, "none: each is used once")]


def log_rejections(engine_logs: Sequence[DecodedEngineLog]) -> list[Rejection]:
    """Return what could not be read in engine logs, one item a column and reason."""
    items = []
    for log in engine_logs:
        for found in log.rejections:
            if found.reason == "repeated heading":
                continue  # no data is lost
            where = f"first in row {found.row}: {shown(found.text)!r}"
            is_row = not found.column or found.reason == "time"
            # more than one in a hundred would have had the whole log refused
            cost = "none: these rows are left out" if is_row else "none: these cells are left empty"
            items.append(Rejection(log.name, found.column, f"{found.reason}, {where}", found.count, cost))
    return items


def write_rejects(
    path: Path,
    provenance: dict[str, str],
    logs: Sequence[DecodedLog],
    engine_logs: Sequence[DecodedEngineLog],
    arrangement: TrialAlignment,
) -> RejectCounts:
    """Write ``rejects.parquet``: file by file, in the order of their lines.

    Raises:
        TrialCaptureError: The disk is full.
    """
    counts: Counter[tuple[str, str]] = Counter()
    fields: Counter[tuple[str, str, str, str]] = Counter()
    files: list[tuple[Sequence[StoredTables | HeldTables], LineTimes, bool]] = [
        (log.blocks, line_times(arrangement.logs[log.name].with_utc), True) for log in logs
    ]
    files += [(log.rejects, _NO_TIMES, False) for log in engine_logs]
    with open_parquet(path, REJECTS_SCHEMA, provenance) as file:
        for blocks, times, of_network in files:
            for block in blocks:
                rejects = read_table(block, REJECTS)
                file.write(assign_utc_to_rejects(rejects, times))
                words = (rejects[name] for name in ("source", "sentence", "field", "reason"))
                for (source, sentence, field, reason), count in count_texts(*words).items():
                    if of_network:
                        fields[source, sentence, field, reason] += count
                    if not sentence or not field:
                        counts[source, reason] += count
    rows = [{"source": s, "reason": r, "count": n} for (s, r), n in sorted(counts.items())]
    schema = pa.schema([("source", pa.string()), ("reason", pa.string()), ("count", pa.int64())])
    return RejectCounts(table_of(rows, schema), dict(sorted(fields.items())))
