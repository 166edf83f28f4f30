"""Playing a recorded session through the live path again, at any speed, with its own stamps."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from trialcapture.acquire.clock import Clock
from trialcapture.acquire.source import Chunk, SourceError
from trialcapture.archive.journal import parse_line, split_lines
from trialcapture.archive.raw import read_blocks
from trialcapture.archive.session import FILE_NAME, nmea_files, open_session
from trialcapture.errors import TrialCaptureError

_BLOCK_BYTES = 1 << 18
_AT_ONCE = 500
_TIMED = re.compile(rb"\$..(?:RMC|GGA|GNS|ZDA),(\d\d)(\d\d)(\d\d(?:\.\d+)?),")
_SOURCE = re.compile(r"[A-Za-z0-9_-]{1,15}")
_DAY_S = 86_400.0
_LONGEST_PAUSE_S = 60.0


class Replay:
    """A recorded session, or any NMEA log, as a source.

    Journal lines keep their source, monotonic and wall stamps, so that processing the replay gives the same
    result; a plain log is paced by the times of day in its sentences and stamped anew.

    Args:
        source_id: Id from the settings; journal lines keep their own.
        path: A session folder or a log file.
        clock: Told to run faster for a faster replay.
        start_ns: Monotonic time the session began [ns].
    """

    stream = "nmea.log"

    def __init__(self, source_id: str, path: Path, clock: Clock, start_ns: int) -> None:
        self.id = source_id
        self.where = f"replay {path}"
        self._path = path
        self._clock = clock
        self._start_ns = start_ns
        self._lines: Iterator[tuple[int, Chunk]] | None = None
        self._next: tuple[int, Chunk] | None = None
        self.ended = False

    def open(self) -> None:
        """Find the logs and begin with the first line; a replay that has begun goes on."""
        if self._lines is None:
            self._lines = self._due_lines(self._logs())
            self._advance()

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait until the next lines are due and give them."""
        if self._lines is None:
            raise SourceError("lost", f"{self.where} is not open.", "It is being opened.")
        if self._next is None:
            self._clock.sleep(timeout_s)
            return []
        wait_s = (self._next[0] - self._now_ns()) / 1e9
        if wait_s > 0:
            self._clock.sleep(min(wait_s, timeout_s))
        chunks: list[Chunk] = []
        now_ns = self._now_ns()
        while self._next is not None and self._next[0] <= now_ns and len(chunks) < _AT_ONCE:
            chunks.append(self._next[1])
            self._advance()
        return chunks

    def close(self) -> None:
        """Keep the place; nothing is held open but the log."""

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns

    def _advance(self) -> None:
        assert self._lines is not None
        try:
            self._next = next(self._lines, None)
        except TrialCaptureError as fault:
            self._next = None
            raise SourceError("unusable", f"{self.where} cannot be read on.", str(fault)) from fault
        self.ended = self._next is None

    def _logs(self) -> list[Path]:
        if not self._path.exists():
            raise SourceError("absent", f"There is no {self._path}.", "Give a session folder or a log file.")
        if not self._path.is_dir():
            return [self._path]
        try:
            return nmea_files(open_session(self._path))
        except TrialCaptureError as fault:
            raise SourceError("unusable", f"{self._path} has no {FILE_NAME} that can be read.", str(fault)) from fault

    def _due_lines(self, logs: list[Path]) -> Iterator[tuple[int, Chunk]]:
        last_s: float | None = None
        due_ns = 0
        for path in logs:
            for _, block in read_blocks(path, _BLOCK_BYTES):
                for line in split_lines(block):
                    parsed = parse_line(line)
                    if _SOURCE.fullmatch(parsed.source) and parsed.mono_us is not None and parsed.wall_ms is not None:
                        due_ns = parsed.mono_us * 1000
                        yield (
                            due_ns,
                            Chunk(parsed.original, "", parsed.source, due_ns, parsed.wall_ms * 1_000_000),
                        )
                        continue
                    if (timed := _TIMED.search(line)) is not None:
                        tod_s = int(timed[1]) * 3600 + int(timed[2]) * 60 + float(timed[3])
                        step_s = (tod_s - (tod_s if last_s is None else last_s)) % _DAY_S
                        if step_s <= _LONGEST_PAUSE_S:  # more is a damaged time, or one that went back
                            due_ns += round(step_s * 1e9)
                        last_s = tod_s
                    yield due_ns, Chunk(line)
