"""The time of each row of an engine log: its columns read as declared, made whole, and placed in the log's zone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import numpy.typing as npt

from trialcapture.config import EngineLog
from trialcapture.decode.log_cells import NumberCells
from trialcapture.decode.log_headings import column_name
from trialcapture.decode.log_rows import LogRows
from trialcapture.decode.log_stamps import read_serial_days, read_six_columns, read_stamp_cells
from trialcapture.decode.log_time import TIME_OF_DAY, ZONELESS, Readings
from trialcapture.decode.log_zone import BAD, PartialClock, ZoneClock

Ints = npt.NDArray[np.int64]
States = npt.NDArray[np.uint8]


class RowTimes:
    """Reads the time columns of a log, in file order.

    Attributes:
        columns: Headings or numbers of the columns, in the order their cells are wanted.
        heading: What to call them together.
    """

    def __init__(self, spec: EngineLog) -> None:
        self.columns: list[str | int] = _time_columns(spec)
        self.heading = " + ".join(column_name(column) for column in self.columns)
        self._spec = spec
        self._has_parts = isinstance(spec.columns["time"], tuple)
        self._numbers = NumberCells(spec.decimal)
        self._zone = ZoneClock(spec.zone)
        self._partial = _partial_clock(spec)

    def read(self, found: LogRows) -> Readings:
        """Read the times of some rows; those that lack a day or a year are made whole by `place`."""
        spec, places = self._spec, range(len(self.columns))
        if self._has_parts:
            readings = read_six_columns([self._numbers.read(found, nth) for nth in places])
        elif spec.time_format == "spreadsheet":
            days = [self._numbers.read(found, nth) for nth in places]
            readings = read_serial_days(days, is_time_of_day=spec.date is not None)
        else:
            is_time = spec.time_format == "iso" and spec.date is not None
            readings = read_stamp_cells(found, places, TIME_OF_DAY if is_time else spec.time_format, spec.locale)
        self._zone.add(readings.clock_ns[readings.is_local])
        return readings

    def place(self, held: Sequence[Readings], *, is_last: bool) -> list[tuple[Ints, States]] | None:
        """Return the times of rows [ns since 1970 UTC, or since the log's start] and how sure each is.

        Args:
            held: Readings that were not placed yet, the older ones first.
            is_last: No more will come.

        Returns:
            For each of `held` times and states, as `log_zone` gives them; None where later rows must tell.
        """
        made = self._made_whole(held, is_last=is_last)
        if made is None:
            return None
        clocks, states = made
        locals_ = [readings.is_local & (state == 0) for readings, state in zip(held, states, strict=True)]
        local_ns = [clock_ns[is_local] for clock_ns, is_local in zip(clocks, locals_, strict=True)]
        placed = self._zone.resolve(np.concatenate([np.zeros(0, dtype=np.int64), *local_ns]), is_last=is_last)
        if placed is None:
            return None
        if self._partial is not None:
            self._partial.accept()
        found: list[tuple[Ints, States]] = []
        begin = 0
        for readings, clock_ns, state, is_local in zip(held, clocks, states, locals_, strict=True):
            its = slice(begin, begin + int(np.count_nonzero(is_local)))
            offset_ns, its_state = readings.offset_ns.copy(), state.copy()
            offset_ns[is_local], its_state[is_local] = placed[0][its], placed[1][its]
            found.append((clock_ns - offset_ns, its_state))
            begin = its.stop
        return found

    def _made_whole(self, held: Sequence[Readings], *, is_last: bool) -> tuple[list[Ints], list[States]] | None:
        if self._partial is None:
            return [readings.clock_ns for readings in held], [readings.state for readings in held]
        sound = [readings.state == 0 for readings in held]
        shown = [readings.clock_ns[is_sound] for readings, is_sound in zip(held, sound, strict=True)]
        whole = self._partial.resolve(np.concatenate([np.zeros(0, dtype=np.int64), *shown]), is_last=is_last)
        if whole is None:
            return None
        clocks, states, begin = [], [], 0
        for readings, is_sound in zip(held, sound, strict=True):
            its = slice(begin, begin + int(np.count_nonzero(is_sound)))
            clock_ns, state = readings.clock_ns.copy(), readings.state.copy()
            clock_ns[is_sound] = whole[0][its]
            state[is_sound] = np.where(whole[1][its], 0, BAD)
            clocks.append(clock_ns)
            states.append(state)
            begin = its.stop
        return clocks, states


def _time_columns(spec: EngineLog) -> list[str | int]:
    time, day = spec.columns["time"], spec.columns.get("date")
    parts = list(time) if isinstance(time, tuple) else [day, time]
    return [part for part in parts if isinstance(part, str | int)]


def _partial_clock(spec: EngineLog) -> PartialClock | None:
    if spec.time_format in ZONELESS:
        return None
    if spec.date is not None:
        return PartialClock(date.fromisoformat(spec.date), lacks="day")
    return None if spec.year is None else PartialClock(date(spec.year, 1, 1), lacks="year")
