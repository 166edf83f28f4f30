"""Engine logs as they lie on disk, in blocks of lines: delimited text as it is, a workbook (.xlsx) row by row."""

from __future__ import annotations

import re
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import chain, islice
from pathlib import Path
from typing import Any, BinaryIO, Literal
from xml.etree.ElementTree import ParseError

from trialcapture.archive.raw import cut_blocks
from trialcapture.config import EngineLog
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import open_plain

_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MOST_PARTS = 10_000
_MOST_BYTES = 1 << 30
_MOST_BYTES_HELD = 64 << 20
_MOST_RATIO, _RATIO_FROM_BYTES = 200, 32 << 20
_MOST_ROWS, _MOST_COLUMNS = 1_048_576, 16_384
"""Bounds of a workbook: rows and columns are those of the format (ECMA-376), the others keep a hostile file from
filling the memory; a log of a day at ten rows a second unpacks to a tenth of them (common practice, no source)."""
_MOST_CELLS = 100_000_000
_MOST_LIST_BYTES = 8 << 20
"""A row that names its last column alone is as wide as the sheet, and the list of parts is read before it is known how
many there are: both are bounded too (our choice)."""
_LONGEST_CELL = 32_767
"""Letters of a cell: the limit of the format's makers (from memory)."""
_PEEKED_ROWS = 200
_FAULTS = (
    zipfile.BadZipFile, zlib.error, ParseError, OSError, EOFError, KeyError, ValueError, TypeError, AttributeError,
    IndexError, OverflowError, NotImplementedError, RuntimeError,
)  # fmt: skip
"""What a damaged workbook makes its reader raise."""

Row = tuple[Any, ...]


def open_engine_log(
    path: Path, spec: EngineLog, block_bytes: int, *, warn: Callable[[str], None]
) -> tuple[EngineLog, Iterator[bytes]]:
    """Open an engine log.

    A workbook is given as tab-delimited text, one line a row of the sheet. A cell that holds a number or a date
    rather than text is unambiguous: it is written as the declaration wants it. Where the first time is such a date,
    all are, and a text among them, which a spreadsheet may have left where day and month were taken for each other,
    is no time.

    Args:
        path: Delimited text (plain, gzip or zstandard), or a workbook, told by its content.
        spec: What was declared about it.
        block_bytes: About how much to give at a time.
        warn: Called with one sentence for each place where the file is damaged.

    Returns:
        What holds for the text that is given, and its blocks, which joined are the log.

    Raises:
        TrialCaptureError: The file cannot be read, is no workbook that can be, exceeds all bounds, or has no sheet
            of the declared name.
    """
    if not is_workbook(path):
        return spec, cut_blocks(path, block_bytes, warn=warn)
    sheet = _Sheet.open(path, spec.sheet, warn)
    rows = sheet.rows()
    above = list(islice(rows, spec.header_rows + spec.skip_rows_after_header))
    peeked = list(islice(rows, _PEEKED_ROWS))
    form = _cell_form(spec, above, peeked, sheet, path)
    return form.spec, _blocks(chain(above, peeked, rows), form, len(above), block_bytes)


def is_workbook(path: Path) -> bool:
    """Return True for a workbook, told by its first bytes.

    Raises:
        TrialCaptureError: It is a workbook of an old or protected kind, or another ZIP archive, or unreadable.
    """
    try:
        with open_plain(path) as file:
            head = file.read(8)
    except OSError as fault:
        raise TrialCaptureError("a file cannot be read", seen=fault.strerror or str(fault), where=str(path)) from fault
    if head.startswith(_OLE):
        raise TrialCaptureError(
            "this workbook cannot be read",
            seen="an old .xls file, or one protected by a password",
            where=str(path),
            expected="save it as .xlsx without a password, or as delimited text",
        )
    return head.startswith(_ZIP)


def sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets, in order.

    Raises:
        TrialCaptureError: As `open_engine_log` does.
    """
    with closing(_load(path)) as book:
        return [sheet.title for sheet in book.worksheets]


def first_rows(path: Path, sheet: str | None, count: int) -> list[list[str]]:
    """Return the first rows of a sheet as people see them, dates as ISO 8601.

    Raises:
        TrialCaptureError: As `open_engine_log` does.
    """
    rows = _Sheet.open(path, sheet, lambda _: None).rows()
    shown = [["" if cell is None else _plain(cell, ".") for cell in row] for row in islice(rows, count)]
    return [row[: max((n + 1 for n, cell in enumerate(row) if cell), default=0)] for row in shown]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A sheet of a workbook that is open."""

    path: Path
    book: Any
    sheet: Any
    warn: Callable[[str], None]

    @classmethod
    def open(cls, path: Path, name: str | None, warn: Callable[[str], None]) -> _Sheet:
        book = _load(path)
        titles = [sheet.title for sheet in book.worksheets]
        wanted = name if name is not None else titles[0] if len(titles) == 1 else None
        if wanted not in titles:
            book.close()
            raise TrialCaptureError(
                f"this workbook has no sheet {name!r}" if name is not None else "this workbook has several sheets",
                seen=", ".join(repr(title) for title in titles[:40]) or "no sheet",
                where=str(path),
                expected="declare which one it is by its name, as in sheet = "
                + repr(titles[0] if titles else "Sheet1"),
            )
        return cls(path, book, book.worksheets[titles.index(wanted)], warn)

    @property
    def counts_from_1904(self) -> bool:
        return bool(self.book.epoch.year == 1904)

    def rows(self) -> Iterator[Row]:
        """Yield the values of each row from the first on; what is behind a damaged place is not given."""
        number = cells = 0
        try:
            self.sheet.reset_dimensions()  # what a file says of its own size need not be so
            for number, row in enumerate(_quiet(self.sheet.iter_rows(values_only=True)), 1):
                cells += len(row)
                if number > _MOST_ROWS or len(row) > _MOST_COLUMNS or cells > _MOST_CELLS:
                    raise _too_large(self.path, f"row {number} with {len(row)} columns")
                yield row
        except _FAULTS as fault:
            self.warn(f"{self.path}: damaged behind row {number} ({fault}); what comes before is used")
        finally:
            self.book.close()


def _quiet(rows: Iterator[Row]) -> Iterator[Row]:
    """Yield rows without the reader's remarks on styles and the like."""
    while True:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            row = next(rows, None)
        if row is None:
            return
        yield row


def _load(path: Path) -> Any:
    """Open a workbook after a look at what it would unpack to."""
    with open_plain(path) as file:
        if (listed := _list_bytes(file)) > _MOST_LIST_BYTES:
            raise _too_large(path, f"a list of parts of {listed} bytes")
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except _FAULTS as fault:
        raise _unreadable(path, str(fault)) from fault
    names = {part.filename for part in parts}
    if not any(name.lower().startswith("xl/") for name in names):
        raise TrialCaptureError(
            "this ZIP archive is no workbook",
            seen=", ".join(sorted(names)[:5]) or "nothing in it",
            where=str(path),
            expected="unpack it and give the logs in it",
        )
    total = sum(part.file_size for part in parts)
    packed = max(sum(part.compress_size for part in parts), 1)
    if len(parts) > _MOST_PARTS:
        raise _too_large(path, f"{len(parts)} parts")
    if total > _MOST_BYTES or (total > _RATIO_FROM_BYTES and total > _MOST_RATIO * packed):
        raise _too_large(path, f"{total} bytes packed into {packed}")
    for part in parts:
        if part.file_size > _MOST_BYTES_HELD and not part.filename.startswith("xl/worksheets/"):
            raise _too_large(path, f"{part.file_size} bytes in {part.filename}")
    from openpyxl import load_workbook  # noqa: PLC0415  needed for few logs
    from openpyxl.utils.exceptions import InvalidFileException  # noqa: PLC0415

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return load_workbook(path, read_only=True, data_only=True, keep_links=False)
    except (*_FAULTS, InvalidFileException) as fault:
        raise _unreadable(path, str(fault)) from fault


def _list_bytes(file: BinaryIO) -> int:
    """Return how long the list of parts of a ZIP archive says it is (APPNOTE 6.3.10, 4.3.14 and 4.3.16), 0 unknown."""
    size = file.seek(0, 2)
    file.seek(max(0, size - 66_000))
    tail = file.read()
    file.seek(0)
    end = tail.rfind(b"PK\x05\x06")
    told = int.from_bytes(tail[end + 12 : end + 16], "little") if end >= 0 else 0
    larger = tail.rfind(b"PK\x06\x06", 0, max(end, 0))
    if larger >= 0:
        told = max(told if told != 0xFFFF_FFFF else 0, int.from_bytes(tail[larger + 40 : larger + 48], "little"))
    return told


def _unreadable(path: Path, why: str) -> TrialCaptureError:
    return TrialCaptureError(
        "this workbook cannot be read",
        seen=re.sub(r"\s+", " ", why)[:200],
        where=str(path),
        expected="open it in a spreadsheet and save it as .xlsx again, or as delimited text",
    )


def _too_large(path: Path, seen: str) -> TrialCaptureError:
    return TrialCaptureError(
        "this workbook is larger than an engine log can be, and is not opened",
        seen=seen,
        where=str(path),
        expected=f"at most {_MOST_ROWS} rows, {_MOST_BYTES >> 20} MiB unpacked, and no more than {_MOST_RATIO} times "
        "what it is packed; export the log as delimited text",
    )


Role = Literal["date", "time", ""]


@dataclass(frozen=True, slots=True)
class _CellForm:
    """How the cells of a sheet are written as text.

    Attributes:
        spec: What holds for the text.
        roles: What the columns hold that tell the time, by place from 0.
        width: Cells a line has.
        has_dates: The times are dates, not texts.
    """

    spec: EngineLog
    roles: dict[int, Role]
    width: int
    has_dates: bool

    def line(self, row: Row, *, is_data: bool) -> str:
        cells = [*row[: self.width], *[None] * (self.width - len(row))]
        return "\t".join(
            _quoted(self._time(cell, self.roles[n]) if is_data and n in self.roles else _plain(cell, self.spec.decimal))
            for n, cell in enumerate(cells)
        )

    def _time(self, cell: Any, role: Role) -> str:
        spec = self.spec
        is_date = isinstance(cell, datetime | date | time | timedelta)
        if spec.time_format == "spreadsheet" and is_date:
            days = _days(cell)
            return repr(days if role == "" else float(int(days)) if role == "date" else days % 1)
        if spec.time_format == "elapsed_hms" and is_date:
            return _hours(cell)
        if is_date and not self.has_dates:
            return f"{_plain(cell, '.')} (a date among texts)"
        if self.has_dates and isinstance(cell, str) and cell.strip():
            return f"{cell} (a text among dates)"
        if is_date and role == "date":
            return cell.date().isoformat() if isinstance(cell, datetime) else _plain(cell, ".")
        if isinstance(cell, datetime) and (role == "time" or spec.date is not None):
            return cell.time().isoformat()
        return _plain(cell, spec.decimal)


def _cell_form(spec: EngineLog, above: Sequence[Row], peeked: Sequence[Row], sheet: _Sheet, path: Path) -> _CellForm:
    names = [_collapsed(str(cell)) if cell is not None else "" for cell in above[spec.header_rows - 1]] if (
        0 < spec.header_rows <= len(above)
    ) else []  # fmt: skip
    width = max((n + 1 for n, name in enumerate(names) if name), default=1)
    columns = spec.columns
    times = columns["time"] if isinstance(columns["time"], tuple) else (columns["time"],)
    given = [
        *times,
        columns.get("date"),
        spec.parameter,
        spec.value,
        *(getattr(c, "name", None) for c in columns.values()),
    ]
    width = max(width, *(name for name in given if isinstance(name, int)), 1)
    roles: dict[int, Role] = {}
    if not isinstance(columns["time"], tuple):
        has_two = "date" in columns
        for name, role in ((columns["time"], "time" if has_two else ""), (columns.get("date"), "date")):
            place = name - 1 if isinstance(name, int) else names.index(_collapsed(name)) if (
                isinstance(name, str) and _collapsed(name) in names
            ) else None  # fmt: skip
            if place is not None:
                roles[place] = role  # type: ignore[assignment]
    firsts = [row[n] for row in peeked for n, role in roles.items() if role != "date" and len(row) > n]
    first = next((cell for cell in firsts if cell is not None and cell != ""), None)
    if spec.time_format == "spreadsheet" and sheet.counts_from_1904 and isinstance(first, int | float):
        raise TrialCaptureError(
            "this workbook counts days from 1904, and its times are plain numbers",
            seen=first,
            where=str(path),
            expected="give the time column a date format in the spreadsheet, and save it",
        )
    has_dates = isinstance(first, datetime | date | time | timedelta) and (
        spec.time_format == "iso" or "%" in spec.time_format
    )
    update: dict[str, Any] = {"delimiter": "\t", "encoding": "utf-8", "columns": _collapsed_columns(spec)}
    update |= {key: _collapsed(name) for key in ("parameter", "value") if isinstance(name := getattr(spec, key), str)}
    if has_dates:
        update |= {"time_format": "iso", "locale": None, "year": None}
    return _CellForm(spec.model_copy(update=update), roles, width, has_dates)


def _collapsed_columns(spec: EngineLog) -> dict[str, Any]:
    """Return the columns with line ends and double spaces in their headings as single spaces, as lines have them."""
    made: dict[str, Any] = {}
    for key, column in spec.columns.items():
        if isinstance(column, str):
            made[key] = _collapsed(column)
        elif isinstance(column, tuple):
            made[key] = tuple(_collapsed(part) if isinstance(part, str) else part for part in column)
        elif isinstance(column, int) or spec.form == "long" or isinstance(column.name, int):
            made[key] = column
        else:
            made[key] = column.model_copy(update={"name": _collapsed(column.name)})
    return made


def _blocks(rows: Iterator[Row], form: _CellForm, above: int, block_bytes: int) -> Iterator[bytes]:
    lines: list[str] = []
    size = 0
    for number, row in enumerate(rows):
        lines.append(form.line(row, is_data=number >= above))
        size += len(lines[-1])
        if size >= block_bytes:
            yield ("\n".join(lines) + "\n").encode("utf-8", "replace")
            lines, size = [], 0
    if lines:
        yield ("\n".join(lines) + "\n").encode("utf-8", "replace")


def _collapsed(text: str) -> str:
    return " ".join(text.split())


def _quoted(text: str) -> str:
    text = _collapsed(text) if re.search(r"[\s\0]", text) else text
    return '"' + text.replace('"', '""') + '"' if '"' in text else text


def _plain(cell: Any, decimal: str) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, int | float):
        return repr(cell).replace(".", decimal)
    if isinstance(cell, datetime | date | time):
        return cell.isoformat()
    return _hours(cell) if isinstance(cell, timedelta) else str(cell)


def _days(cell: datetime | date | time | timedelta) -> float:
    """Return the serial days of a date, in the 1900 system."""
    from openpyxl.utils.datetime import to_excel  # noqa: PLC0415

    return float(to_excel(cell))  # type: ignore[no-untyped-call]


def _hours(cell: datetime | date | time | timedelta) -> str:
    micros = round(_days(cell) * 86_400_000_000)
    seconds, rest = divmod(micros, 1_000_000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest:06d}"
