"""When an engine log is refused, and what is said about it: row, column, the cell seen, what would fit."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from trialcapture.config import EngineLog
from trialcapture.decode.log_rows import LogRows, shown
from trialcapture.decode.log_time import SKIPPED, TWICE, fitting_formats
from trialcapture.errors import TrialCaptureError

MISFIT_SHARE = 0.01
"""A larger share of cells of a column, or of rows, that do not fit means a wrong declaration and not damage
(common practice, no source). A single one never does, unless it is the first row of data."""

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)


def refuse_misfit_rows(found: LogRows, spec: EngineLog, where: str) -> None:
    """Refuse a log whose rows do not fit its headings.

    Raises:
        TrialCaptureError: There is no row, or the first, or too many others, have not one cell a heading.
    """
    bad = [reject for reject in found.rejects if reject.reason in ("field count", "quotes", "control bytes")]
    limit = max(1.0, MISFIT_SHARE * (len(found.rows) + len(bad)))
    if not found.rows and not bad:
        raise TrialCaptureError(
            "this engine log has no whole row of data",
            seen=shown(found.rejects[0].text) if found.rejects else "nothing but empty rows",
            where=where,
            expected="one whole row at least",
        )
    if not bad or (bad[0].row != found.first_row and len(bad) <= limit):
        return
    hint = f"each row must have a cell for each heading, with {spec.delimiter!r} between"
    if bad[0].reason == "field count" and spec.delimiter == ",":
        hint += "; decimal commas need another delimiter, or quotes around each number"
    raise TrialCaptureError(
        "the rows of this engine log do not fit its headings",
        seen=shown(bad[0].text),
        where=f"{where}, row {bad[0].row + 1} ({bad[0].reason}), {len(bad)} such row(s) in all",
        expected=hint,
    )


def refuse_misfit_cells(
    found: LogRows,
    heading: str,
    texts: Sequence[str],
    bad: npt.NDArray[np.int64],
    *,
    filled: int,
    where: str,
    hint: Callable[[int], str],
) -> None:
    """Refuse a log one of whose columns does not fit what was declared of it.

    Args:
        found: The rows of the log.
        heading: Of the column.
        texts: Its cells.
        bad: Indexes of those that do not fit.
        filled: How many cells are not void.
        where: What to call the log.
        hint: Says of the cell with an index what would fit.

    Raises:
        TrialCaptureError: The cell in the first row of data, or too many others, do not fit.
    """
    if bad.size == 0:
        return
    index = int(bad[0])
    if found.rows[index] != found.first_row and bad.size <= max(1.0, MISFIT_SHARE * filled):
        return
    share = "" if bad.size == 1 else f", one of {bad.size} such cells in {filled}"
    raise TrialCaptureError(
        "a cell of this engine log does not fit what was declared",
        seen=shown(texts[index]),
        where=f"{where}, row {found.rows[index] + 1}, column {heading!r}{share}",
        expected=hint(index),
    )


def number_hint(text: str, spec: EngineLog, row: int) -> str:
    """Return what would be right where a number was expected."""
    other = "," if spec.decimal == "." else "."
    if text.count(other) == 1 and spec.decimal not in text and NUMBER.fullmatch(text.replace(other, ".")):
        return f"expected a number with decimal {spec.decimal!r}; decimal = {other!r}?"
    if re.fullmatch(r"[\d.,' \u00a0\u202f]+", text):
        return "expected a number without thousands separators; export the log without them"
    if re.match(r"[+-]?\d", text):
        return "expected a number alone; export the log without units or other text in the cells"
    return f"expected a number with decimal {spec.decimal!r}, or an empty cell" + _unit_row_hint(text, spec, row)


def time_hint(text: str, state: int, spec: EngineLog, row: int) -> str:
    """Return what would be right where a time was expected; `state` as `read_stamps` gives it."""
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
        return f'{hint}; this one has no date: if that stands in another column, declare date = "…" beside time'
    return hint + _unit_row_hint(text, spec, row)


def _unit_row_hint(text: str, spec: EngineLog, row: int) -> str:
    if row != spec.header_rows + spec.skip_rows_after_header or re.search(r"\d\d", text):
        return ""
    return f"; if this is a row of units, declare skip_rows_after_header = {spec.skip_rows_after_header + 1}"
