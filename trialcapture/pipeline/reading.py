"""From raw files to decoded blocks on the disk and an outline of each log in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from trialcapture.archive.accounting import read_timeline
from trialcapture.archive.decoding import DecodedBlock, Job, Span, decode_blocks, keep_block
from trialcapture.archive.raw import is_packed, read_blocks
from trialcapture.archive.second_process import SecondProcess
from trialcapture.archive.session import Session, can_files, engine_files, nmea_files
from trialcapture.archive.spill import Spilled, read_spill, write_spill
from trialcapture.archive.workbook import open_engine_log
from trialcapture.buffers import integers, to_arrow
from trialcapture.config import Config, EngineLog
from trialcapture.decode.can.can_decoder import CanDecoder
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, LogRejection
from trialcapture.decode.nmea0183.encapsulated import last_frames
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.clocks.downsampled_index import Outline, join_outlines, outline_log
from trialcapture.prepare.clocks.log_pieces import find_repeated, is_newest_first, row_codes
from trialcapture.prepare.clocks.receive_time import serial_lines
from trialcapture.prepare.data_health import Item, Rejection

Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""

BLOCK_BYTES = 6 << 20
"""How much of a log is decoded at a time: less costs time for each block, more costs memory."""
_LOG_ROWS = 50_000
_LOG_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class DecodedLog:
    """One NMEA or CAN log.

    Attributes:
        name: The raw file.
        outline: Few rows of all of it.
        blocks: Its blocks' tables, set aside.
        rejects: Its blocks' rejects, set aside.
    """

    name: str
    outline: Outline
    blocks: list[Spilled]
    rejects: list[Spilled]


@dataclass(frozen=True, slots=True)
class DecodedEngineLog:
    """One engine log.

    Attributes:
        name: The raw file.
        spec: What was declared about it.
        outline: Few rows of all of it.
        blocks: Its rows, set aside as the tables ``rows``.
        sizes: Rows of each block.
        rejects: Its rejects, set aside.
        told: Warnings about the file itself and the order of its rows.
        items: What is wrong with its rows, for the account of data health.
        rejections: The rejects counted by column and reason.
    """

    name: str
    spec: EngineLog
    outline: pa.Table
    blocks: list[Spilled]
    sizes: list[int]
    rejects: list[Spilled]
    told: tuple[str, ...] = ()
    items: tuple[Item, ...] = ()
    rejections: tuple[LogRejection, ...] = ()


def read_logs(
    session: Session, config: Config, folder: Path, second: SecondProcess, progress: Progress
) -> tuple[list[DecodedLog], list[pa.Table], list[str]]:
    """Decode every NMEA and CAN log of a session.

    Args:
        session: The session.
        config: Sources and transducers.
        folder: Where to set decoded blocks aside.
        second: Shares the decoding.
        progress: See `Progress`.

    Returns:
        The logs; counts of sentences; warnings about the files themselves.

    Raises:
        TrialCaptureError: There is no such log, or the disk is full.
    """
    files = nmea_files(session)
    can_logs = can_files(session)
    if not files and not can_logs:
        raise TrialCaptureError(
            "this session holds no NMEA log and no CAN log",
            where=str(session.folder / "raw"),
            expected="record one, or put one there with 'trialcapture collect'",
        )
    total = sum(path.stat().st_size for path in [*files, *can_logs]) or 1
    told: list[str] = []
    logs: list[DecodedLog] = []
    counts: list[pa.Table] = []
    done = [0]

    def shown(size: int) -> None:
        done[0] += size
        progress("decoding", min(done[0] / total, 1.0))

    for number, path in enumerate(files):
        jobs = _jobs(path, folder / f"nmea-{number}", config, told, shown)
        logs.append(_gathered(path, session, decode_blocks(jobs, second), counts))
    for number, path in enumerate(can_logs):
        blocks = _can_blocks(path, session, folder / f"can-{number}", told, shown)
        logs.append(_gathered(path, session, blocks, counts))
    return logs, counts, told


def _jobs(path: Path, stem: Path, config: Config, told: list[str], shown: Callable[[int], None]) -> Iterator[Job]:
    lenient = frozenset(s.id for s in config.source if not s.require_checksum)
    lines = serial_lines(config)
    packed, begin, before = is_packed(path), 0, b""
    for number, (first_line, block) in enumerate(read_blocks(path, BLOCK_BYTES, warn=told.append)):
        span = None if packed else Span(path, begin, begin + len(block))
        begin += len(block)
        yield Job(
            stem.with_name(f"{stem.name}-{number}.arrows"),
            block,
            span,
            first_line,
            path.name.split(".")[0],
            require_checksum=not lenient or len(lenient) < len(config.source),
            without_checksum=lenient,
            lines=lines,
            before=before,
        )
        before = last_frames(block)
        shown(len(block))


def _can_blocks(
    path: Path, session: Session, stem: Path, told: list[str], shown: Callable[[int], None]
) -> Iterator[DecodedBlock]:
    """Decode a CAN log; messages may span blocks, so it is done in one go."""
    decoder = CanDecoder(read_timeline(session.folder).epoch_wall_ns)
    number = 0
    for number, (first_line, block) in enumerate(read_blocks(path, BLOCK_BYTES, warn=told.append)):
        tables, rejects, counts = decoder.decode(block, first_line)
        yield keep_block(stem.with_name(f"{stem.name}-{number}.arrows"), tables, rejects, counts)
        shown(len(block))
    rejects, counts = decoder.finish()
    yield keep_block(stem.with_name(f"{stem.name}-{number + 1}.arrows"), {}, rejects, counts)


def _gathered(path: Path, session: Session, blocks: Iterator[DecodedBlock], counts: list[pa.Table]) -> DecodedLog:
    found = []
    for block in blocks:
        counts.append(block.counts)
        found.append(block)
    name = path.relative_to(session.folder).as_posix()
    outline = join_outlines([b.outline for b in found])
    return DecodedLog(name, outline, [b.tables for b in found], [b.rejects for b in found])


def read_engine_logs(session: Session, config: Config, folder: Path) -> list[DecodedEngineLog]:
    """Decode every engine log of a session.

    Raises:
        TrialCaptureError: A log does not fit what was declared about it, or the disk is full.
    """
    logs = []
    for number, (path, spec) in enumerate(engine_files(session)):
        told: list[str] = []
        # of a workbook another declaration holds for its text: the session's stays that of the log
        text_spec, text = open_engine_log(path, spec, _LOG_BYTES, warn=told.append)
        density = config.fuel.density_kg_per_m3
        decoder = EngineLogDecoder(text_spec, config.engine_ids, path.name, density_kg_per_m3=density)
        log = _kept_log(path.name, spec, _log_blocks(text, decoder), folder / f"engine-{number}")
        logs.append(replace(log, told=(*told, *log.told), rejections=tuple(decoder.rejections)))
    return logs


def _log_blocks(text: Iterator[bytes], decoder: EngineLogDecoder) -> Iterator[tuple[pa.Table, pa.Table]]:
    """Decode an engine log; it is judged as a whole, so it may be refused at its end."""
    for block in text:
        yield decoder.decode(block)
    yield decoder.finish()


def _kept_log(name: str, spec: EngineLog, decoded: Iterator[tuple[pa.Table, pa.Table]], stem: Path) -> DecodedEngineLog:
    kept = _KeptRows(stem)
    bad: list[Spilled] = []
    open_rows: list[pa.Table] = []
    for rows, rejects in decoded:
        if rejects.num_rows:
            place = stem.with_name(f"{stem.name}-rejects-{len(bad)}.arrows")
            bad.append(write_spill(place, {"rejects": rejects}))
        open_rows.append(rows)
        while sum(part.num_rows for part in open_rows) >= _LOG_ROWS:
            joined = pa.concat_tables(open_rows).combine_chunks()
            kept.add(joined.slice(0, _LOG_ROWS))
            open_rows = [joined.slice(_LOG_ROWS)]
    rest = pa.concat_tables(open_rows).combine_chunks()
    if rest.num_rows:
        kept.add(rest)
    said, items = kept.put_in_order(name)
    outline = pa.concat_tables(kept.outlines or [outline_log(rest)]).combine_chunks()
    return DecodedEngineLog(name, spec, outline, kept.blocks, kept.sizes, bad, tuple(said), tuple(items))


class _KeptRows:
    """The rows of an engine log, set aside block by block, and their outlines, oldest first."""

    def __init__(self, stem: Path) -> None:
        self.blocks: list[Spilled] = []
        self.outlines: list[pa.Table] = []
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
        self.blocks.append(write_spill(place, {"rows": rows}))
        self.outlines.append(outline_log(rows))
        self.sizes.append(rows.num_rows)

    def put_in_order(self, name: str) -> tuple[list[str], list[Item]]:
        """Turn the blocks of a log written newest first round, and leave out rows that came before.

        Returns:
            Sentences for people, and items for the account of data health.
        """
        said: list[str] = []
        if self._turned > 0.5 * sum(self.sizes):
            self.blocks.reverse()
            self.outlines.reverse()
            self.sizes.reverse()
            said.append(f"engine log {name} is written newest first; its rows are turned round")
        if self._is_plain or not self.blocks:
            return said, []
        tables = (read_spill(block)["rows"] for block in self.blocks)
        stamps, codes = zip(*((integers(rows["t_log_ns"])[0], row_codes(rows)) for rows in tables), strict=True)
        repeated = find_repeated(np.concatenate(stamps), np.concatenate(codes))
        count = int(repeated.sum())
        if not count:
            return said, []
        blocks, sizes = self.blocks, self.sizes
        self.blocks, self.outlines, self.sizes = [], [], []
        for block, its in zip(blocks, np.split(repeated, np.cumsum(sizes)[:-1]), strict=True):
            rows = read_spill(block)["rows"]
            if not its.all():
                self._keep(rows.filter(to_arrow(~its)) if its.any() else rows)
        return said, [Rejection(f"engine log {name}", "", "repeated row", count, "none: each is used once")]


def merged_counts(counts: Sequence[pa.Table]) -> dict[tuple[str, str, str], list[int]]:
    """Return sentences good, bad and not decoded, by source, talker and formatter."""
    totals: dict[tuple[str, str, str], list[int]] = {}
    for table in counts:
        for r in table.to_pylist():
            entry = totals.setdefault((r["source"], r["talker"], r["formatter"]), [0, 0, 0])
            for i, kind in enumerate(("good", "bad", "not_decoded")):
                entry[i] += r[kind]
    return totals
