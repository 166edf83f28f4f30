"""Decoding a log block by block into a spill, by this process and a second one beside it.

The second process is a plain Python that reads jobs on its standard input and answers on its standard output: it
needs nothing of how this one was started, and on every system it starts the same way.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import pyarrow as pa

from trialcapture.archive.spill import Spilled, write_spill
from trialcapture.decode.nmea0183 import decode_nmea
from trialcapture.prepare.outline import BlockOutline, outline_block

WORTH_HELP_BYTES = 24 << 20
"""A second process costs half a second to start; shorter logs are done sooner without one."""
_AHEAD = 2
_COMMAND = "from trialcapture.archive.decoding import serve; serve()"


@dataclass(frozen=True, slots=True)
class Transducer:
    """A transducer wanted from XDR sentences; empty text stands for any."""

    name: str
    type: str
    unit: str


@dataclass(frozen=True, slots=True)
class Job:
    """One block to decode.

    Attributes:
        path: Where to set its tables aside.
        block: Whole lines.
        first_line: Number of its first line in the log.
        source: Source of sentences whose TAG block names none.
        xdr: Transducers wanted.
        require_checksum, without_checksum: As `trialcapture.decode.nmea0183.decode_nmea` takes them.
    """

    path: Path
    block: bytes
    first_line: int
    source: str
    xdr: tuple[Transducer, ...]
    require_checksum: bool
    without_checksum: frozenset[str]


@dataclass(frozen=True, slots=True)
class DecodedBlock:
    """One decoded block.

    Attributes:
        tables: Its sentences by formatter, set aside.
        rejects: Its rejects, set aside as the one table ``rejects``.
        outline: Few rows of it.
        counts: Sentences by source, talker and formatter.
    """

    tables: Spilled
    rejects: Spilled
    outline: BlockOutline
    counts: pa.Table


def decode_job(job: Job) -> DecodedBlock:
    """Decode one block and set its tables aside."""
    tables, rejects, counts = decode_nmea(
        job.block,
        source=job.source,
        first_line=job.first_line,
        xdr=job.xdr,
        require_checksum=job.require_checksum,
        without_checksum=job.without_checksum,
    )
    return keep_block(job.path, tables, rejects, counts)


def keep_block(path: Path, tables: dict[str, pa.Table], rejects: pa.Table, counts: pa.Table) -> DecodedBlock:
    """Set a decoded block aside."""
    aside = write_spill(path, {**tables, "rejects": rejects})
    own = {name: place for name, place in aside.places.items() if name != "rejects"}
    bad = {"rejects": aside.places["rejects"]}
    return DecodedBlock(Spilled(path, own), Spilled(path, bad), outline_block(tables), counts)


def decode_blocks(jobs: Iterable[Job], total_bytes: int) -> Iterator[DecodedBlock]:
    """Decode blocks, two at a time where there is much to do; yields them in order.

    Args:
        jobs: Blocks in order; taken one by one as there is room.
        total_bytes: About how much there is.
    """
    if total_bytes < WORTH_HELP_BYTES or (os.cpu_count() or 1) < 2:
        yield from map(decode_job, jobs)
        return
    with _helper() as helper, ThreadPoolExecutor(1) as courier:
        waiting: list[DecodedBlock | Future[DecodedBlock]] = []
        for job in jobs:
            away = sum(isinstance(w, Future) and not w.done() for w in waiting)
            waiting.append(courier.submit(helper.decode, job) if away < _AHEAD else decode_job(job))
            while waiting and not (isinstance(waiting[0], Future) and not waiting[0].done()):
                yield _result(waiting.pop(0))
        yield from map(_result, waiting)


def _result(done: DecodedBlock | Future[DecodedBlock]) -> DecodedBlock:
    return done.result() if isinstance(done, Future) else done


class _Helper:
    """The second process; where it cannot be had or is lost, this one does its work."""

    def __init__(self, process: subprocess.Popen[bytes] | None) -> None:
        self._process = process

    def decode(self, job: Job) -> DecodedBlock:
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            return decode_job(job)
        try:
            pickle.dump(job, process.stdin, pickle.HIGHEST_PROTOCOL)
            process.stdin.flush()
            answer: DecodedBlock = pickle.load(process.stdout)
        except (OSError, EOFError, pickle.UnpicklingError):
            # whatever stopped it will be met here again, and told, if it was the block's doing
            self._process = None
            return decode_job(job)
        return answer


@contextmanager
def _helper() -> Iterator[_Helper]:
    process = None
    with suppress(OSError):
        process = subprocess.Popen(
            [sys.executable, "-c", _COMMAND],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        )
    try:
        yield _Helper(process)
    finally:
        if process is not None:
            process.kill()
            process.communicate()


def serve() -> None:
    """Answer jobs until the input ends."""
    jobs: IO[bytes] = sys.stdin.buffer
    answers: IO[bytes] = sys.stdout.buffer
    while True:
        try:
            job: Any = pickle.load(jobs)
        except EOFError:
            return
        pickle.dump(decode_job(job), answers, pickle.HIGHEST_PROTOCOL)
        answers.flush()
