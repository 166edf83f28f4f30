"""A trial while it is recorded: the same decoding, alignment, grid, detection and reduction as `process`, as it grows.

`LiveTrial.look` is called a few times a second and does what is due, oldest question first:

- new lines are decoded and placed on UTC by the alignment last found, and the end of the grid is made anew;
- rows of the grid that nothing still to come can change are kept, and detection takes them for good; what came after
  is shown to a copy of it (`SegmentFinder.peek`);
- the alignment of the whole is found anew, and where it moved, the grid is made again from the kept blocks;
- segments, bands, manoeuvres and the plan are reduced as `process` reduces them.

It reads the session and nothing else, and it runs in no process of the recorder. `live_guidance` makes the board of it.
"""

from __future__ import annotations

import copy
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from time import thread_time
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from threadpoolctl import threadpool_limits

from trialcapture.archive.notes import Note, marks_of, notes_files, read_notes
from trialcapture.archive.session import Session, open_session
from trialcapture.buffers import integers, table_of
from trialcapture.channels import base_group
from trialcapture.config import Config
from trialcapture.decode.nmea0183.general import COUNTS_SCHEMA
from trialcapture.errors import TrialCaptureError
from trialcapture.measure.circumstances import Circumstances, TrialSamples
from trialcapture.measure.trial import TrialParts, measure_manoeuvres
from trialcapture.pipeline.live_follow import DecodedPiece, Follower
from trialcapture.pipeline.preparing import find_slices, joined_candidates, sample_windows
from trialcapture.pipeline.reading import DecodedEngineLog
from trialcapture.pipeline.results import episode_rows, reduce_noted
from trialcapture.pipeline.reuse import KeptBlocks, PreparedTrial
from trialcapture.prepare.channels.engine_readings import gather_log, log_source
from trialcapture.prepare.channels.grid import (
    grid_times,
    joined_by_source,
    overview_of,
    reaches_s,
    sample_window,
    samples_schema,
)
from trialcapture.prepare.channels.receiver_choice import receiver_of
from trialcapture.prepare.channels.series import Candidate
from trialcapture.prepare.clocks.log_alignment import assign_utc_to_rows
from trialcapture.prepare.clocks.log_clock import EngineLogClock
from trialcapture.prepare.clocks.sentence_times import CLOCKS
from trialcapture.prepare.clocks.utc_assignment import assign_utc
from trialcapture.prepare.data_health import DataHealth
from trialcapture.prepare.steady.criteria import Track
from trialcapture.prepare.steady.detection import BlockMeans, SegmentFinder
from trialcapture.prepare.steady.segments import CheckedStretches, check_segments
from trialcapture.prepare.steady.setpoint_holds import Stretch
from trialcapture.prepare.trial_alignment import Candidates, TrialAlignment, align_trial, gather_tables
from trialcapture.reduce.reduction import GatheredLegs, Reduction, reduce_segments
from trialcapture.reduce.summary import Findings, Measured

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Made = TypeVar("Made")

ALIGN_EVERY_S, REDUCE_EVERY_S, DETECT_EVERY_S = 20.0, 8.0, 1.5
"""The least time between two alignments, reductions and looks of the detector [s] (our choice: less than the ten
seconds that the table of bands may be old)."""
FIRST_ALIGN_S = 1.0
"""Until anything can be placed on UTC it is tried so often [s] (our choice)."""
UNCHANGED_EVERY_S = 30.0
"""Results of stretches that are the same are made anew so often at most, for what else has come since [s] (our
choice)."""
REDUCE_LATEST_S = 9.0
"""The table is made at least so often while anything it is made of has changed [s] (our choice)."""
_SHARE = 0.04
"""Share of a core that detection and reduction may take each: after one that took a second the next waits 25 s (our
choice)."""
_LATE_SHARE = 0.01
"""The same of each part that grows with the hours and may be late (our choice): the alignment, since new lines are
placed by the last one, and a clock that goes wrong by 100 parts in a million is 5 ms off in 50 s; the manoeuvres, which
wait some seconds to be ticked off at the end of a long day; and the results of stretches that are the same."""
_MOVED_NS = 50_000_000
"""The grid is made again where the alignment has moved by more [ns]: half a sample of the default grid (our choice)."""
RECENT_S = 300.0
"""So much of the newest samples is at hand for what is shown now [s] (our choice: the longest run of a usual plan)."""
_DETECTED = ("velocity", "position", "heading", "rpm")
"""Groups that detection rests on: its rows are final when nothing can come in that changes these."""
LOG_LAG_S = 60.0
"""Rows wait for an engine log that is behind by no more than this [s]; what comes later makes the grid anew (our
choice: loggers that write a file commonly do so every one to thirty seconds; common practice, no source)."""
_PACKETS_S = 60.0
"""Messages of several frames are counted over so long [s] (our choice)."""
_PART_S, _MOST_CHUNKS = 600, 32
"""Final rows are held in tables of so many seconds, each of few pieces: many make reading slow (our choice)."""
_MIN_MS_BACK = 100


@dataclass(frozen=True, slots=True)
class Reduced:
    """The results so far.

    Attributes:
        segments: With review.
        bands: As `process` prints them.
        legs: Of those.
        findings: With the plan.
        to_ns: Newest sample in it [ns UTC].
    """

    segments: pa.Table
    bands: pa.Table
    legs: pa.Table
    findings: Findings
    to_ns: int


class SamplesSoFar:
    """The samples of a trial as they grow: rows that are final, and a tail that may still change.

    Args:
        config: Engines and grid.
    """

    def __init__(self, config: Config) -> None:
        """Begin empty."""
        self._config = config
        self._block = max(round(config.samples.grid_hz), 1)
        self._parts: list[pa.Table] = []
        self._starts: list[int] = []
        self._overviews: list[pa.Table] = []
        self.final = 0
        """Number of rows that are final."""
        self.tail = samples_schema(config).empty_table()

    def append(self, samples: pa.Table) -> None:
        """Add final rows, a whole number of seconds."""
        plain = samples.replace_schema_metadata(None)
        self._overviews.append(overview_of(plain, self._block, self._config.engine_ids))
        if self._parts and self._parts[-1].num_rows < _PART_S * self._block:
            self._parts[-1] = pa.concat_tables([self._parts[-1], plain])
            if self._parts[-1]["t"].num_chunks > _MOST_CHUNKS or self._parts[-1].num_rows >= _PART_S * self._block:
                self._parts[-1] = self._parts[-1].combine_chunks()
        else:
            self._starts.append(self.final)
            self._parts.append(plain)
        self.final += plain.num_rows
        if len(self._overviews) > 64:
            self._overviews = [pa.concat_tables(self._overviews).combine_chunks()]

    @property
    def rows(self) -> int:
        """Number of rows, the tail included."""
        return self.final + int(self.tail.num_rows)

    def read(self, start: int, stop: int, names: Sequence[str]) -> pa.Table:
        """Return rows [start, stop) of some columns."""
        if start >= self.final:
            return self.tail.select(list(names)).slice(start - self.final, stop - start)
        found: list[pa.Table] = []
        at = max(bisect_right(self._starts, start) - 1, 0)
        while at < len(self._parts) and self._starts[at] < stop:
            part, begin = self._parts[at], self._starts[at]
            low, high = max(start - begin, 0), min(stop - begin, part.num_rows)
            if high > low:
                found.append(part.select(list(names)).slice(low, high - low))
            at += 1
        if stop > self.final:
            low = max(start - self.final, 0)
            found.append(self.tail.select(list(names)).slice(low, stop - self.final - low))
        if not found:
            return self.tail.select(list(names)).slice(0, 0)
        return pa.concat_tables(found).combine_chunks()

    def overview(self) -> pa.Table:
        """Return one row a second of all of it."""
        tail = overview_of(self.tail, self._block, self._config.engine_ids)
        return pa.concat_tables([*self._overviews, tail]).combine_chunks()


class LiveTrial:
    """Follows a session while it is recorded.

    Args:
        folder: The session.
        is_sparing: Wait longer after what was costly; False to do all that is due whatever it costs.

    Raises:
        TrialCaptureError: There is no session.
    """

    def __init__(self, folder: Path, *, is_sparing: bool = True) -> None:
        """Begin before the first byte."""
        self.session: Session = open_session(folder)
        self.config: Config = self.session.config
        self._is_sparing = is_sparing
        self.follower = Follower(self.session, KeptBlocks(self.session))
        self.alignment: TrialAlignment | None = None
        self.notes: list[Note] = []
        self._notes_seen: tuple[tuple[str, int], ...] | None = None
        self.samples = SamplesSoFar(self.config)
        self.first_ns = 0
        self.stretches: list[Stretch] = []
        """As the detector judges them if the recording ended now, as rows of the samples."""
        self.reduced: Reduced | None = None
        self.fault = ""
        """Why nothing can be computed, "" where it can."""
        self.seconds_used: dict[str, float] = {}
        """What each part has cost [s]."""
        self.satellites: dict[str, int] = {}
        self.log_newest_ns: dict[str, int] = {}
        """Newest row of each engine log that grows [ns UTC]."""
        self._packets: deque[tuple[float, dict[str, tuple[int, int]]]] = deque()
        self._candidates: Candidates = {}
        self._finder = SegmentFinder(self.config)
        self._final: list[Stretch] = []
        self._due = dict.fromkeys(("align", "reduce", "detect", "manoeuvres", "unchanged"), 0.0)
        self._manoeuvres: tuple[Measured, ...] | None = None
        self._segments: tuple[object, pa.Table] | None = None
        self._reductions: deque[tuple[pa.Table, tuple[GatheredLegs, Reduction | None]]] = deque(maxlen=2)
        self._checked = CheckedStretches()
        self._reduced_of: object = None
        self._reduced_at_s = -np.inf
        self._last_mono: dict[str, int] = {}
        self._shifts: dict[str, dict[str, int]] = {}
        self._is_void = False
        self._aligned: set[str] = set()

    # ----- What is known now.

    @property
    def newest_ns(self) -> int | None:
        """Instant of the newest sample [ns UTC]; None before the first."""
        rows = self.samples.rows
        return None if not rows else self.first_ns + round((rows - 1) * 1e9 / self.config.samples.grid_hz)

    def recent_track(self, rows: int) -> Track:
        """Return the newest samples before a row, `RECENT_S` of them, as detection sees them."""
        blocks = BlockMeans(self.config)
        first = rows - min(round(RECENT_S * self.config.samples.grid_hz), rows)
        first -= first % blocks.rows
        names = ["sog_kn", *(f"rpm_{e}" for e in self.config.engine_ids), "heading_true_deg", "cog_true_deg"]
        return blocks.push(self.samples.read(first, rows, names))

    def broken_packets(self) -> dict[str, tuple[int, int]]:
        """Return by source how many messages of several frames came in the last minute, and how many not whole."""
        found: dict[str, tuple[int, int]] = {}
        for _, packets in self._packets:
            for source, (whole, broken) in packets.items():
                before = found.get(source, (0, 0))
                found[source] = (before[0] + whole + broken, before[1] + broken)
        return found

    def log_lag_s(self) -> float:
        """Return by how much the engine logs that give engine speed are behind the newest sample [s]; 0 where none is.

        A log that is further behind than `LOG_LAG_S` has stopped, and nothing waits for it.
        """
        newest_ns = self.newest_ns
        if newest_ns is None:
            return 0.0
        leading = {name for group, name in self.leading_logs().items() if group.startswith("rpm_")}
        behind = [(newest_ns - at_ns) / 1e9 for name, at_ns in self.log_newest_ns.items() if name in leading]
        return max([s for s in behind if 0.0 < s <= LOG_LAG_S], default=0.0)

    def leading_logs(self) -> dict[str, str]:
        """Return by channel group the engine log that its samples come from; other groups are left out."""
        if self.alignment is None:
            return {}
        logs = {log_source(name): name for name in self.alignment.fits}
        return {group: logs[of[0]] for group, of in self.alignment.rankings.items() if of and of[0] in logs}

    # ----- Looking.

    def also_follow(self, folder: Path) -> None:
        """Follow the session on its second disk too, see `Follower.also_follow`."""
        self.follower.also_follow(folder)

    def look(self, now_s: float) -> bool:
        """Read what is new and do what is due.

        Args:
            now_s: A clock that only goes forward [s].

        Returns:
            True where the detector has looked, or results were made.
        """
        self._read_notes()
        began = thread_time()
        pieces, rows, anew = self.follower.look()
        self._used("decode", began)
        for piece in pieces:
            self.satellites |= piece.satellites
            if piece.packets:
                self._packets.append((now_s, piece.packets))
        while self._packets and now_s - self._packets[0][0] > _PACKETS_S:
            self._packets.popleft()
        anew = anew or any(self._is_set_back(piece) for piece in pieces)
        began = thread_time()
        anew = anew or (self.alignment is not None and len(marks_of(self.notes)) != len(self.alignment.marks_ns))
        self._is_void |= anew
        is_placed = False
        if anew or now_s >= self._due["align"] or not self._places_lines():
            every_s = FIRST_ALIGN_S if self.alignment is None else ALIGN_EVERY_S
            is_placed = self._spend("align", now_s, every_s, self._align, _LATE_SHARE)
        if not is_placed and self.alignment is not None:
            began = thread_time()
            self._place(pieces, rows)
            self._used("place", began)
        if self.alignment is None:
            return False
        began = thread_time()
        self._grow()
        self._used("grid", began)
        looked = now_s >= self._due["detect"]
        if looked:
            self._spend("detect", now_s, DETECT_EVERY_S, self._detect)
        return self.reduce_if_due(now_s) or looked

    def reduce_if_due(self, now_s: float, ahead_s: float = 0.0) -> bool:
        """Make the results so far where that is due, and return whether it was.

        Args:
            now_s: As `look` takes it.
            ahead_s: It may be done so much before [s], where there is time for it.
        """
        soon_s = now_s + ahead_s
        is_late = self.reduced is not None and soon_s - self._reduced_at_s >= REDUCE_LATEST_S
        if self.alignment is None or not (is_late or soon_s >= self._due["reduce"]):
            return False
        self._spend("reduce", now_s, REDUCE_EVERY_S, partial(self._reduce, now_s))
        return True

    def finish(self) -> None:
        """Do everything once more for all that is there, as at the end of a recording."""
        self._read_notes()
        pieces, rows, anew = self.follower.look()
        self._is_void |= anew
        with threadpool_limits(limits=1, user_api="blas"):
            is_placed = self._align()
            if self.alignment is not None:
                if not is_placed:
                    self._place(pieces, rows)
                self._grow()
                self._detect()
                self._forget_results()
                self._reduce(np.inf)

    def _used(self, name: str, began: float) -> float:
        """Note what a part has cost, and return it [s]."""
        cost_s = thread_time() - began
        self.seconds_used[name] = self.seconds_used.get(name, 0.0) + cost_s
        return cost_s

    def _spend(self, name: str, now_s: float, every_s: float, do: Callable[[], Made], share: float = _SHARE) -> Made:
        """Do a costly part, and say when it is due again: the costlier it was, the later."""
        began = thread_time()
        with threadpool_limits(limits=1, user_api="blas"):
            made = do()
        self._set_due(name, now_s, every_s, self._used(name, began), share)
        return made

    def _set_due(self, name: str, now_s: float, every_s: float, cost_s: float, share: float) -> None:
        self._due[name] = now_s + (max(every_s, cost_s / share) if self._is_sparing else every_s)

    def _read_notes(self) -> None:
        with suppress(OSError, TrialCaptureError):
            folders = self.follower.folders
            seen = tuple((path.name, path.stat().st_size) for folder in folders for path in notes_files(folder))
            if seen != self._notes_seen:
                notes = [note for folder in folders for note in read_notes(replace(self.session, folder=folder))]
                notes = notes if len(folders) == 1 else sorted(notes, key=lambda note: note.t_ns)
                self.notes, self._notes_seen = notes, seen

    def _places_lines(self) -> bool:
        """Return whether new lines can be placed by themselves: not where only the order of all of them tells time."""
        if self.alignment is None:
            return True  # there is no alignment to place them by; it is tried again when it is due
        facts = self.alignment.logs.values()
        there = {log.name for log in self.follower.logs.values() if log.lines}
        return all(of.assignment.clock in CLOCKS for of in facts) and there <= self._aligned

    def _is_set_back(self, piece: DecodedPiece) -> bool:
        """Return whether the receive clock of a log began again, as after a pause of the recording."""
        low, high = np.iinfo(np.int64).max, -1
        for table in piece.tables.values():
            mono, known = integers(table["mono_ns"])
            if known.any():
                low, high = min(low, int(mono[known].min())), max(high, int(mono[known].max()))
        if high < 0:
            return False
        before = self._last_mono.get(piece.log)
        self._last_mono[piece.log] = high
        return before is not None and low < before - _MIN_MS_BACK * 1_000_000

    # ----- Alignment of the whole.

    def _align(self) -> bool:
        """Find the alignment of all that is there, and make the grid again where it has moved.

        Returns:
            True where that placed all lines there are on UTC; False where new ones are still to be placed.
        """
        logs, engine_logs = self.follower.so_far()
        self._aligned = {log.name for log in logs}
        logs = [log for log in logs if log.outline.tables]
        if not logs:
            return False
        try:
            found = align_trial(
                [(log.name, log.outline) for log in logs],
                [(log.name, log.spec, log.outline) for log in engine_logs],
                self.config,
                marks_ns=marks_of(self.notes),
            )
        except TrialCaptureError as fault:
            self.fault = str(fault)
            return False
        self.fault = ""
        if found.span_ns is None:
            return False
        self._shifts = {log.name: {clock: of[-1] for clock, of in log.outline.shifts_ns.items() if of} for log in logs}
        former, self.alignment = self.alignment, found
        self._note_newest(engine_logs)
        first_ns = int(grid_times(*found.span_ns, self.config.samples.grid_hz)[0])
        is_moved = former is None or first_ns != self.first_ns or self._has_moved(former, found)
        is_anew = is_moved or self._is_void or not self._places_lines()
        if not is_anew and not found.fits:
            return False  # what was placed stands; rows of an engine log may need those around them
        slices = find_slices(logs, engine_logs, found)
        if is_anew:
            self._is_void = False
            self.first_ns = first_ns
            self.samples, self._finder, self._final = SamplesSoFar(self.config), SegmentFinder(self.config), []
            self._checked = CheckedStretches()
            self._forget_results()
            final_ns = self._final_until_ns(found.span_ns[1])
            block_ns = 1_000_000_000
            last_ns = first_ns + max((final_ns - first_ns) // block_ns, 0) * block_ns
            step_ns = round(1e9 / self.config.samples.grid_hz)
            if last_ns > first_ns:
                span = (first_ns, last_ns - step_ns)
                for samples, _ in sample_windows(slices, found.rankings, found.on_change, span, self.config):
                    self._take(samples)
        reach = reaches_s(found.rankings, self.config, found.on_change)
        low_ns = self._final_ns() - round(max(reach.values(), default=0.0) * 1e9)
        near = [s for s in slices if s.high_ns >= low_ns]
        self._candidates = joined_candidates(s.load(self.config) for s in near)
        self._forget(reach)
        return True

    def _note_newest(self, engine_logs: Sequence[DecodedEngineLog]) -> None:
        """Note the newest row of each engine log."""
        assert self.alignment is not None
        for log in engine_logs:
            clock = self.alignment.fits.get(log.name)
            rows = log.outline
            if clock is not None and rows.num_rows:
                _, t_ns = assign_utc_to_rows(rows.slice(max(rows.num_rows - 20, 0)), clock)
                if t_ns.size:
                    self.log_newest_ns[log.name] = int(t_ns.max())

    def _final_until_ns(self, newest_ns: int) -> int:
        """Return until when rows are final [ns UTC]: engine logs that are a little behind are waited for."""
        until_ns = newest_ns - round(self._lag_s() * 1e9)
        waited = [at for at in self.log_newest_ns.values() if 0 < newest_ns - at <= round(LOG_LAG_S * 1e9)]
        return min([until_ns, *(at - round(self._lag_s() * 1e9) for at in waited)])

    def _lag_s(self) -> float:
        """Return how long after it a row is final [s]."""
        assert self.alignment is not None
        reach = reaches_s(self.alignment.rankings, self.config)
        wanted = (s for group, s in reach.items() if base_group(group, self.config.engine_ids) in _DETECTED)
        return max(wanted, default=20.0)

    def _final_ns(self) -> int:
        return self.first_ns + round(self.samples.final * 1e9 / self.config.samples.grid_hz)

    def _has_moved(self, former: TrialAlignment, found: TrialAlignment) -> bool:
        """Return whether samples made by a former alignment are others by now."""
        if repr((former.on_change, former.screen)) != repr((found.on_change, found.screen)):
            return True
        leaders = [{g: of[:1] for g, of in a.rankings.items()} for a in (former, found)]
        if (
            leaders[0] != leaders[1]
            or former.logs.keys() != found.logs.keys()
            or former.fits.keys() != found.fits.keys()
        ):
            return True
        for name, now in found.logs.items():
            then = former.logs[name]
            if repr(then.numbers) != repr(now.numbers) or (then.variation_deg is None) != (now.variation_deg is None):
                return True
            if abs((then.variation_deg or 0.0) - (now.variation_deg or 0.0)) > 0.2:
                return True
            a, b = then.assignment, now.assignment
            if a.clock != b.clock or a.receiver != b.receiver or repr(a.own) != repr(b.own):
                return True
            if a.fit is not None and b.fit is not None:
                span = self.newest_ns or self.first_ns
                offset = b.fit.offsets_ns[-1]
                at = np.linspace(self.first_ns + offset, span + offset, 50).astype(np.int64)
                if np.abs(a.fit.to_utc(at) - b.fit.to_utc(at)).max() > _MOVED_NS:
                    return True
        for name, clock in found.fits.items():
            if repr(clock) != repr(former.fits[name]) and self._log_moved(name, former, found):
                return True
        return False

    def _log_moved(self, name: str, former: TrialAlignment, found: TrialAlignment) -> bool:
        log = self.follower.engine_logs.get(name)
        rows = None if log is None else log.rows_now()
        if rows is None:
            return True
        few = rows.take(np.linspace(0, rows.num_rows - 1, 20).astype(np.int64))
        then, now = (assign_utc_to_rows(few, _open_ended(a.fits[name]))[1] for a in (former, found))
        return then.size != now.size or (now.size > 0 and int(np.abs(then - now).max()) > 2 * _MOVED_NS)

    # ----- New lines, and the end of the grid.

    def _place(self, pieces: Sequence[DecodedPiece], rows: Sequence[tuple[str, pa.Table]]) -> None:
        """Place new lines on UTC and gather what they tell."""
        assert self.alignment is not None
        for piece in pieces:
            facts = self.alignment.logs.get(piece.log)
            if facts is None or not piece.tables:
                continue
            shift = self._shifts.get(piece.log, {}).get(facts.assignment.clock, 0)
            placed = assign_utc(piece.tables, facts.assignment, shift)
            found = gather_tables(placed, facts.variation_deg, facts.numbers, self.config)[0]
            self._add({group: self.alignment.screen.apply(group, of) for group, of in found.items()})
        for name, table in rows:
            clock = self.alignment.fits.get(name)
            if clock is None:
                continue
            used, t_ns = assign_utc_to_rows(table, _open_ended(clock))
            if used.num_rows:
                self.log_newest_ns[name] = max(int(t_ns.max()), self.log_newest_ns.get(name, 0))
                if int(t_ns.min()) < self._final_ns():  # they came too late for rows that were made for good
                    self._is_void, self._due["align"] = True, 0.0
                on_change = frozenset(self.alignment.on_change.columns.get(name, ()))
                self._add(gather_log(used, t_ns, name, self.config, on_change, self.alignment.on_change.rows.get(name)))
        self._forget(reaches_s(self.alignment.rankings, self.config, self.alignment.on_change))

    def _add(self, more: Mapping[str, Sequence[Candidate]]) -> None:
        for group, found in more.items():
            self._candidates[group] = joined_by_source([*self._candidates.get(group, []), *found])

    def _forget(self, reach: Mapping[str, float]) -> None:
        """Let go of readings that can matter to no row any more."""
        final_ns = self._final_ns()
        for group, found in self._candidates.items():
            low_ns = final_ns - round(reach.get(group, 0.0) * 1e9)
            self._candidates[group] = [_after(c, low_ns) for c in found]

    def _grow(self) -> None:
        """Make the end of the grid anew, and take for good what is final of it."""
        assert self.alignment is not None
        told = [c for g in ("velocity", "position") for c in self._candidates.get(g, []) if c.t_ns.size]
        if not told:
            return
        newest_ns = max(int(c.t_ns[-1]) for c in told)
        hz, step_ns = self.config.samples.grid_hz, round(1e9 / self.config.samples.grid_hz)
        begin_ns = self.first_ns + self.samples.final * step_ns
        if newest_ns < begin_ns:
            return
        grid_ns = np.arange(begin_ns, newest_ns + 1, step_ns, dtype=np.int64)
        made = sample_window(
            self._candidates, self.alignment.rankings, grid_ns, self.config, self.alignment.on_change
        ).replace_schema_metadata(None)
        block = max(round(hz), 1)
        final = max(int((self._final_until_ns(newest_ns) - begin_ns) // step_ns), 0) // block * block
        if final:
            self._take(made.slice(0, final))
        self.samples.tail = made.slice(final)

    def _take(self, samples: pa.Table) -> None:
        self.samples.append(samples)
        self._final += self._finder.push(samples.replace_schema_metadata(None))

    # ----- Detection and reduction.

    def _detect(self) -> None:
        """Judge the stretches as if the recording ended here."""
        finder = copy.deepcopy(self._finder)
        self.stretches = [*self._final, *finder.push(self.samples.tail), *finder.finish()]

    def _reduce(self, now_s: float) -> None:
        """Reduce all there is, where it differs from what was reduced last."""
        assert self.alignment is not None
        newest_ns = self.newest_ns
        if newest_ns is None or len(marks_of(self.notes)) != len(self.alignment.marks_ns):
            return  # a mark came in since: the alignment places it first
        shown = tuple(_as_reduced(s) for s in self.stretches)
        made_of = (shown, self._notes_seen, self.first_ns)
        is_due = now_s >= self._due["unchanged"]
        if made_of == self._reduced_of and self.reduced is not None and not is_due:
            # the stretches are the same: the table stands as it is, for what has come since
            self.reduced, self._reduced_at_s = replace(self.reduced, to_ns=newest_ns), now_s
            return
        if is_due:
            self._due["manoeuvres"] = now_s
        began = thread_time()
        found = self.alignment
        if self._segments is not None and self._segments[0] == shown:
            segments = self._segments[1]
        else:
            segments = self._check_segments(found)
        none = table_of([], COUNTS_SCHEMA)
        trial = PreparedTrial(
            segments, found.clocks, self.samples.overview(), none, none, [], DataHealth(), found.air, found.marks_ns
        )
        try:
            made = reduce_noted(
                trial, self.config, self.notes, self.session.id, self._read_episode,
                parts=TrialParts(self._reduce_segments, partial(self._measure, now_s), are_provisional=True),
            )  # fmt: skip
        except TrialCaptureError as fault:
            self.fault = str(fault)
            return
        self.reduced = Reduced(*made, to_ns=newest_ns)
        self._reduced_of, self._reduced_at_s, self._segments = made_of, now_s, (shown, segments)
        if is_due:
            self._set_due("unchanged", now_s, UNCHANGED_EVERY_S, thread_time() - began, _LATE_SHARE)

    def _forget_results(self) -> None:
        """Make all results from nothing the next time."""
        self._reduced_of = self._segments = self._manoeuvres = None
        self._reductions.clear()
        self._due |= {"manoeuvres": 0.0, "unchanged": 0.0}

    def _check_segments(self, found: TrialAlignment) -> pa.Table:
        """Return the segments table of the stretches as they are."""
        leading = next(iter(found.rankings["velocity"]), "")
        segments, _ = check_segments(
            self.samples.read, self.first_ns, self.stretches, self.config, receiver_of(leading),
            partial(found.screen.u_kn, leading), found.resolutions, self._checked,
        )  # fmt: skip
        # the end of the samples may still change, and with it what a stretch says that reaches into it
        self._checked.keep(s for s in self.stretches if s.stop <= self.samples.final)
        return segments

    def _reduce_segments(
        self, segments: pa.Table, config: Config, clocks: pa.Table | None
    ) -> tuple[GatheredLegs, Reduction | None]:
        """Return the reduction of segments, that found before where they are the same.

        A clock known a little better since then counts from the next change of the segments on.
        """
        for known, made in self._reductions:
            if known.equals(segments):
                return made
        self._reductions.append((segments, made := reduce_segments(segments, config, clocks)))
        return made

    def _measure(self, now_s: float, circumstances: Circumstances, samples: TrialSamples) -> tuple[Measured, ...]:
        """Return accelerations, stops, turns and sweeps: those of a moment ago where it is too soon to look again."""
        if self._manoeuvres is None or now_s >= self._due["manoeuvres"]:
            began = thread_time()
            self._manoeuvres = measure_manoeuvres(circumstances, samples)
            self._set_due("manoeuvres", now_s, 0.0, thread_time() - began, _LATE_SHARE)
        return self._manoeuvres

    def _read_episode(self, start_ns: int, stop_ns: int, columns: Sequence[str]) -> pa.Table:
        hz = self.config.samples.grid_hz
        block = max(round(hz), 1)
        rows = self.samples.rows // block * block
        return self.samples.read(*episode_rows(start_ns, stop_ns, self.first_ns, hz, rows), columns)


def _as_reduced(stretch: Stretch) -> object:
    """Return what of a stretch the results rest on: of a refused one why it is so, not how it goes on."""
    return stretch if stretch.accepted else (stretch.start, stretch.reason.partition(":")[0])


def _after(c: Candidate, low_ns: int) -> Candidate:
    first = int(np.searchsorted(c.t_ns, low_ns))
    return c.select(slice(first, None)) if first else c


def _open_ended(clock: EngineLogClock) -> EngineLogClock:
    """Return the clock of a log that grows: rows after the last one it was found from go on by it."""
    last = max(clock.runs, key=lambda run: run.rows[1], default=None)
    if last is None:
        return clock
    most = np.iinfo(np.int64).max
    return EngineLogClock(tuple(replace(run, rows=(run.rows[0], most)) if run is last else run for run in clock.runs))
