"""When an engine log is refused, and what is said about it: row, column, the cell seen, what would fit."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from trialcapture.config import EngineLog
from trialcapture.decode.log_cells import NUMBER, VOID_CELLS
from trialcapture.decode.log_headings import shown
from trialcapture.decode.log_rows import LogRows, Reject
from trialcapture.decode.log_time import fitting_formats
from trialcapture.decode.log_zone import SKIPPED, TWICE
from trialcapture.errors import TrialCaptureError

MISFIT_SHARE = 0.01
"""A larger share of cells of a column, or of rows, that do not fit means a wrong declaration and not damage
(common practice, no source). A single one never does."""


@dataclass(frozen=True, slots=True)
class FirstRow:
    """The first row of data, if it is whole.

    Attributes:
        row: 0-based line.
        cells: The wanted cells by heading or number of their column, those of the time first.
        times: How many of them are of the time.
        fits: True where its time or one of its numbers fits what was declared.
    """

    row: int
    cells: Mapping[str, str]
    times: int
    fits: bool

    @property
    def is_of_units(self) -> bool:
        """True for a row that is more likely one of units than of data: they may not be those declared."""
        if self.fits or any(re.search(r"\d\d", text) for text in self.cells.values()):
            return False
        values = list(self.cells.values())[self.times :]
        return any(_UNIT.fullmatch(text) and text.lower() not in VOID_CELLS for text in values)

    def __str__(self) -> str:
        """Return the row as people may compare it with the declaration."""
        return f"row {self.row + 1} reads " + ", ".join(
            f"{name} = {shown(text)!r}" for name, text in self.cells.items()
        )


_UNIT = re.compile(r"[^#=]*(?:[^\W\d_]|[%°\u00ba])[^#=]*")
_MISFITS = ("field count", "quotes", "control bytes")


class RowFit:
    """How far the rows of a log fit its headings.

    Attributes:
        first_row: 0-based line of the first row of data, whole or not, or None before there was one.
    """

    def __init__(self) -> None:
        self.first_row: int | None = None
        self._rows = 0
        self._misfits = 0
        self._first_misfit: Reject | None = None
        self._first_reject: Reject | None = None

    def add(self, found: LogRows) -> None:
        """Count rows as they come."""
        bad = [reject for reject in found.rejects if reject.reason in _MISFITS]
        self._rows += len(found.rows)
        self._misfits += len(bad)
        self._first_misfit = self._first_misfit or next(iter(bad), None)
        self._first_reject = self._first_reject or next(iter(found.rejects), None)
        self.first_row = found.first_row if self.first_row is None else self.first_row

    def check(self, spec: EngineLog, where: str) -> None:
        """Refuse a log whose rows do not fit its headings.

        Raises:
            TrialCaptureError: There is no row, or too many have not one cell a heading.
        """
        bad = self._first_misfit
        if not self._rows and bad is None:
            raise TrialCaptureError(
                "this engine log has no whole row of data",
                seen=shown(self._first_reject.text) if self._first_reject else "nothing but empty rows",
                where=where,
                expected="one whole row at least",
            )
        limit = max(1.0, MISFIT_SHARE * (self._rows + self._misfits))
        if bad is None or (self._rows and self._misfits <= limit):
            return
        hint = f"each row must have a cell for each heading, with {spec.delimiter!r} between"
        if bad.reason == "field count" and spec.delimiter == ",":
            hint += "; decimal commas need another delimiter, or quotes around each number"
        raise TrialCaptureError(
            "the rows of this engine log do not fit its headings",
            seen=shown(bad.text),
            where=f"{where}, row {bad.row + 1} ({bad.reason}), {self._misfits} such row(s) in all",
            expected=hint,
        )


class CellFit:
    """How far the cells of one column fit what was declared of it."""

    def __init__(self, heading: str) -> None:
        self.heading = heading
        self.numbers: tuple[int, ...] = ()
        """Numbers of its columns in a row, from 1, where they were found by heading."""
        self._filled = 0
        self._misfits = 0
        self._first: tuple[int, str, str] | None = None

    def add(self, misfits: Sequence[Reject], filled: int, hint: Callable[[], str]) -> None:
        """Count cells as they come.

        Args:
            misfits: Those that do not fit, in order.
            filled: How many cells are not void.
            hint: Says what would fit instead of the first misfit.
        """
        self._filled += filled
        self._misfits += len(misfits)
        if misfits and self._first is None:
            self._first = (misfits[0].row, misfits[0].text, hint())

    def check(self, first: FirstRow | None, where: str, *, needs_one: bool = False) -> None:
        """Refuse a log one of whose columns does not fit what was declared of it.

        Args:
            first: The first row of data.
            where: What to call the log.
            needs_one: There is nothing without a cell that fits.

        Raises:
            TrialCaptureError: Too many cells do not fit, or none does, or the first row is one of units.
        """
        if self._first is None:
            return
        row, text, expected = self._first
        is_units = first is not None and row == first.row and first.is_of_units
        is_none = self._misfits >= self._filled
        if not is_units and self._misfits <= max(1.0, MISFIT_SHARE * self._filled) and not (is_none and needs_one):
            return
        if is_none and first is not None:
            expected += f"; {first}"
        share = "" if self._misfits == 1 else f", one of {self._misfits} such cells in {self._filled}"
        raise TrialCaptureError(
            "a cell of this engine log does not fit what was declared",
            seen=shown(text),
            where=f"{where}, row {row + 1}, {self._column()}{share}{self._number()}",
            expected=expected,
        )

    def _column(self) -> str:
        is_number = not self.numbers and self.heading.startswith("column ")
        return self.heading if is_number else f"column {self.heading!r}"

    def _number(self) -> str:
        return f" (column {' + '.join(map(str, self.numbers))} from the left)" if self.numbers else ""


def number_hint(text: str, spec: EngineLog, row: int) -> str:
    """Return what would be right where a number was expected."""
    other = "," if spec.decimal == "." else "."
    if text.count(other) == 1 and spec.decimal not in text and NUMBER.fullmatch(text.replace(other, ".")):
        thousands = f", or thousands = {other!r}" if re.search(r"\D\d{3}$", text) else ""
        return f"expected a number with decimal {spec.decimal!r}; decimal = {other!r}{thousands}?"
    if re.fullmatch(r"[\d.,' \u00a0\u202f]+", text):
        mark = next((m for m in ",.' \u2019" if m != spec.decimal and m in re.sub("[\u00a0\u202f]", " ", text)), other)
        return f"expected a number without thousands separators; if {mark!r} is one, declare thousands = {mark!r}"
    if re.match(r"[+-]?\d", text):
        return "expected a number alone; export the log without units or other text in the cells"
    return f"expected a number with decimal {spec.decimal!r}, or an empty cell" + _unit_row_hint(text, spec, row)


def time_hint(text: str, state: int, spec: EngineLog, row: int) -> str:
    """Return what would be right where a time was expected; `state` as `log_zone` gives it."""
    if state in (SKIPPED, TWICE):
        what = (
            "never was, the clocks were put forward past it"
            if state == SKIPPED
            else "came twice as the clocks were put back, and the rows around it do not tell which is meant"
        )
        return (
            f"in {spec.timezone} this time {what}; declare the offset from UTC that the logger kept, "
            f"such as timezone = '+01:00'"
        )
    hint = f"expected a time as time_format = {spec.time_format!r} declares it"
    fitting = [pattern for pattern in fitting_formats(text) if pattern != spec.time_format]
    if len(fitting) == 1:
        return f"{hint}; this one would fit time_format = {fitting[0]!r}"
    if fitting:
        choice = " or ".join(repr(pattern) for pattern in fitting)
        return f"{hint}; this one would fit {choice}: find out which, it is not guessed here"
    if re.match(r"\d{1,2}:\d\d", text):
        return (
            f'{hint}; this one has no date: if that stands in another column, declare date = "…" beside time; if '
            'nowhere, declare date = "2026-05-14", the day of the first row; if it counts from the start of the log, '
            'declare time_format = "elapsed_hms"'
        )
    return hint + _unit_row_hint(text, spec, row)


def _unit_row_hint(text: str, spec: EngineLog, row: int) -> str:
    if row != spec.header_rows + spec.skip_rows_after_header or re.search(r"\d\d", text):
        return ""
    return f"; if this is a row of units, declare skip_rows_after_header = {spec.skip_rows_after_header + 1}"
