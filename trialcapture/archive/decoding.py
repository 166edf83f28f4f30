"""Decoding a log block by block into a spill, by this process and a second one beside it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa

from trialcapture.archive.second_process import SecondProcess
from trialcapture.archive.spill import Spilled, write_spill
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.clocks.downsampled_index import BlockOutline, outline_block
from trialcapture.prepare.clocks.receive_time import SerialLine, correct_receipt

_AHEAD = 2


@dataclass(frozen=True, slots=True)
class Span:
    """Bytes [begin, end) of a file that is not packed."""

    path: Path
    begin: int
    end: int

    def read(self) -> bytes:
        """Return the bytes."""
        with self.path.open("rb") as file:
            file.seek(self.begin)
            return file.read(self.end - self.begin)


@dataclass(frozen=True, slots=True)
class Job:
    """One block to decode.

    Attributes:
        path: Where to set its tables aside.
        block: Whole lines.
        span: Where those stand, so that they need not be sent to another process; None in a packed file.
        first_line: Number of its first line in the log.
        source: Source of sentences whose TAG block names none.
        require_checksum, without_checksum: As `trialcapture.decode.nmea0183.nmea_decoder.decode_nmea` takes them.
        lines: Serial lines whose time on the wire is taken off the receipt stamps.
        before: Lines before the block with frames that may begin messages that end in it.
    """

    path: Path
    block: bytes
    span: Span | None
    first_line: int
    source: str
    require_checksum: bool
    without_checksum: frozenset[str]
    lines: dict[str, SerialLine]
    before: bytes = b""


@dataclass(frozen=True, slots=True)
class DecodedBlock:
    """One decoded block.

    Attributes:
        tables: Its sentences by formatter, set aside.
        rejects: Its rejects, in the same file as the one table ``rejects``.
        outline: Few rows of it.
        counts: Sentences by source, talker and formatter.
    """

    tables: Spilled
    rejects: Spilled
    outline: BlockOutline
    counts: pa.Table


def decode_job(job: Job) -> DecodedBlock:
    """Decode one block and set its tables aside."""
    block = job.span.read() if job.span and not job.block else job.block
    tables, rejects, counts = decode_nmea(
        block,
        source=job.source,
        first_line=job.first_line,
        require_checksum=job.require_checksum,
        without_checksum=job.without_checksum,
        before=job.before,
    )
    return keep_block(job.path, correct_receipt(tables, block, job.first_line, job.lines), rejects, counts)


def keep_block(path: Path, tables: dict[str, pa.Table], rejects: pa.Table, counts: pa.Table) -> DecodedBlock:
    """Set a decoded block aside."""
    aside = write_spill(path, {**tables, "rejects": rejects})
    own = {name: place for name, place in aside.places.items() if name != "rejects"}
    bad = {"rejects": aside.places["rejects"]}
    return DecodedBlock(Spilled(path, own), Spilled(path, bad), outline_block(tables), counts)


def decode_blocks(jobs: Iterable[Job], second: SecondProcess) -> Iterator[DecodedBlock]:
    """Decode blocks, in two processes where there is a second; yields them in order.

    Args:
        jobs: Blocks in order; taken one by one as there is room.
        second: The second process.
    """
    waiting: list[DecodedBlock | Future[DecodedBlock]] = []
    for job in jobs:
        away = sum(isinstance(w, Future) and not w.done() for w in waiting)
        send = second.is_there and away < _AHEAD
        light = replace(job, block=b"") if job.span else job
        waiting.append(second.submit(decode_job, light) if send else decode_job(job))
        while waiting and not (isinstance(waiting[0], Future) and not waiting[0].done()):
            yield _result(waiting.pop(0))
    yield from map(_result, waiting)


def _result(done: DecodedBlock | Future[DecodedBlock]) -> DecodedBlock:
    return done.result() if isinstance(done, Future) else done
