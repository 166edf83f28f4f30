"""Reading raw files as they lie on disk: plain, gzip or zstandard by their first bytes, torn or whole; workbooks.

Engine logs are read in blocks of lines: delimited text as it is, a workbook (.xlsx) row by row.
"""

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

import numpy as np
import zstandard

from trialcapture.config import EngineLog
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import open_plain, read_parts

_LONGEST_LINE_BYTES = 1 << 20
_CHUNK_BYTES = 1 << 18
_PACKED_BYTES = 1 << 14
_DENSE_BYTES, _USUAL_BYTES = 1 << 20, 8
"""A block with a line end or the begin of a sentence in every eighth byte is given in parts of a mebibyte."""
_STRETCH_BYTES = 1 << 17
"""So many bytes are searched for line ends at once: they stay in the processor's cache."""
_ZSTD_BYTES = 1 << 9
"""So much of a zstandard file is unpacked at once: a block of 128 KiB may stand in four bytes (RFC 8878, 3.1.1.2)."""
_WINDOW_BYTES = 1 << 27
"""Largest window of a zstandard frame, which is memory (that of its program without a special option, from memory)."""
_MOST_UNPACKED_BYTES = 32 << 30
_MOST_RATIO, _RATIO_FROM_BYTES = 200, 16 << 20
"""Bounds of a packed log (our choice): three days at 1,200 lines a second; packed logs of a boat that lies still, in
which one line is like the other, were found to be 10 to 40 times smaller."""
_GZIP = b"\x1f\x8b\x08"
_ZSTD = b"\x28\xb5\x2f\xfd"

Packing = Literal["", "gz", "zst"]


def _warn(text: str) -> None:
    warnings.warn(text, stacklevel=2)


def packing(head: bytes) -> Packing:
    """Return how a file is packed, told by its first bytes and never by its name: "gz", "zst" or ""."""
    if head.startswith(_GZIP):
        return "gz"
    return "zst" if head.startswith(_ZSTD) or _is_skippable(head) else ""


def _is_skippable(head: bytes) -> bool:
    return len(head) >= 4 and head[1:4] == b"\x2a\x4d\x18" and 0x50 <= head[0] <= 0x5F


def is_packed(path: Path) -> bool:
    """Return True for a file that is read by unpacking it; False also for one that cannot be read."""
    try:
        with open_plain(path) as file:
            return packing(file.read(4)) != ""
    except OSError:
        return False


def read_blocks(
    path: Path,
    block_bytes: BlockBytes = 8 << 20,
    *,
    warn: Callable[[str], None] = _warn,
    limit_bytes: int | None = None,
) -> Iterator[tuple[int, bytes]]:
    """Read a journal or a plain NMEA log in numbered blocks of whole lines, in bounded memory.

    Args:
        path, block_bytes, warn, limit_bytes: As `cut_blocks` takes them.

    Yields:
        The 0-based number of the block's first line (lines end in CRLF, LF or CR), and the block.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    first_line = 0
    for block in cut_blocks(path, block_bytes, warn=warn, limit_bytes=limit_bytes):
        yield first_line, block
        first_line += max(1, count_lines(block))


def cut_blocks(
    path: Path, block_bytes: BlockBytes, *, warn: Callable[[str], None] = _warn, limit_bytes: int | None = None
) -> Iterator[bytes]:
    """Read any text in blocks of whole lines, in bounded memory.

    Args:
        path: The file; gzip (several members too) and zstandard are told by their first bytes and unpacked.
        block_bytes: As `BlockCutter` takes it.
        warn: Called with one sentence for each place where a packed file is damaged or ends early;
            everything that survives is given.
        limit_bytes: Read no further, while another program goes on appending; None reads to the end.

    Yields:
        Blocks that joined are the file, an unterminated last line included.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    cutter = BlockCutter(block_bytes)
    for chunk in read_chunks(path, cutter.chunk_bytes, warn=warn, limit_bytes=limit_bytes):
        yield from cutter.push(chunk)
    yield from cutter.finish()


BlockBytes = int | Callable[[int], int]
"""About how many bytes a block has; or that by where the block begins in the text."""


class BlockCutter:
    """Cuts text that arrives in chunks into blocks of whole lines.

    Where a block ends follows from the text before its end and from the size of the chunks alone, never from what
    comes after: a file that still grows has the blocks that it will have when it is whole.

    Args:
        block_bytes: About how much to give at a time. Blocks are cut only where a line ends; a run of more than a
            mebibyte (or one block, if that is more) without any line end is no line and is cut there.
    """

    def __init__(self, block_bytes: BlockBytes) -> None:
        """Begin before the first byte."""
        self._size_at = block_bytes if callable(block_bytes) else lambda _: block_bytes
        self._block_bytes = self._size_at(0)
        self._pieces: list[bytes] = []
        self._held = 0
        self._given = 0
        self.chunk_bytes = min(self._block_bytes, _CHUNK_BYTES)
        """Size of the chunks that are to be pushed."""

    def push(self, chunk: bytes) -> Iterator[bytes]:
        """Take the next chunk and yield the blocks it completes; all must be taken before the next chunk is pushed."""
        self._pieces.append(chunk)
        self._held += len(chunk)
        if self._held < self._block_bytes:
            return
        if not (end := _last_line_end(chunk)):
            self._pieces = [b"".join(self._pieces)]
            end = _last_line_end(self._pieces[0])
            if not end and self._held < max(self._block_bytes, _LONGEST_LINE_BYTES):
                return
        last = self._pieces.pop()
        end = end or len(last)
        block = b"".join((*self._pieces, memoryview(last)[:end]))
        # what is not needed is let go before the block is worked on
        self._pieces, self._held = [last[end:]], len(last) - end
        self._given += len(block)
        self._block_bytes = self._size_at(self._given)
        del last, chunk
        yield from _in_parts(block)

    def finish(self) -> Iterator[bytes]:
        """Yield what is left."""
        rest, self._pieces, self._held = b"".join(self._pieces), [], 0
        if rest:
            yield from _in_parts(rest)


def _in_parts(block: bytes) -> Iterator[bytes]:
    """Yield a block, in parts where it has so many lines and begins of sentences that to take it at once costs much.

    A decoder needs some hundred bytes for each of them; a log has one in twenty bytes, noise some more.
    """
    if len(block) <= _DENSE_BYTES or _count_marks(block) * _USUAL_BYTES <= len(block):
        yield block
        return
    begin = 0
    while begin < len(block):
        end = begin + _DENSE_BYTES
        if end < len(block):
            part = block[begin : end + 1]
            end = begin + (_last_line_end(part) or _DENSE_BYTES)
        yield block[begin:end]
        begin = end


def _count_marks(block: bytes) -> int:
    """Return how many bytes may end a line or begin a sentence: all up to "$" in ASCII, and backslashes.

    The interpreter is free meanwhile, so that this goes on beside the decoding of the block before.
    """
    data = np.frombuffer(block, np.uint8)
    marks = 0
    for begin in range(0, data.size, _STRETCH_BYTES):
        part = data[begin : begin + _STRETCH_BYTES]
        marks += int(np.count_nonzero(part <= ord("$"))) + int(np.count_nonzero(part == ord("\\")))
    return marks


def _last_line_end(text: bytes) -> int:
    """Return where the last line that surely ended does so, or 0; LF may follow on a CR at the very end."""
    return max(text.rfind(b"\n"), text.rfind(b"\r", 0, -1)) + 1


def count_lines(block: bytes) -> int:
    """Return the number of line ends in a block, where CRLF, LF and CR each end one line."""
    data = np.frombuffer(block, np.uint8)
    lines = 0
    for begin in range(0, data.size, _STRETCH_BYTES):
        # a byte more than is counted here: a CR at the end may be half of a pair
        part = data[begin : begin + _STRETCH_BYTES + 1]
        feed, back = part == ord("\n"), part == ord("\r")
        lines += int(np.count_nonzero(feed[:_STRETCH_BYTES])) + int(np.count_nonzero(back[:_STRETCH_BYTES]))
        lines -= int(np.count_nonzero(back[:-1] & feed[1:]))
    return lines


def read_chunks(
    path: Path, size: int, *, warn: Callable[[str], None] = _warn, limit_bytes: int | None = None
) -> Iterator[bytes]:
    """Yield a file's content in chunks of at most about `size` bytes, unpacked, cut anywhere.

    With `limit_bytes` a plain file is read no further than that.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    try:
        with open_plain(path) as file:
            head = file.read(4)
            file.seek(0)
            if kind := packing(head):
                yield from _bounded(_unpack(file, kind, path, warn), file, path)
            else:
                yield from read_parts(file, size, limit_bytes)
    except OSError as fault:
        raise TrialCaptureError(
            "a file cannot be read",
            seen=fault.strerror or str(fault),
            where=str(path),
            expected="check the path, and that you may read it",
        ) from fault


def _bounded(parts: Iterator[bytes], file: BinaryIO, path: Path) -> Iterator[bytes]:
    """Yield what a packed file holds, while that is as much as a log can be."""
    size = 0
    for part in parts:
        size += len(part)
        packed = max(file.tell(), 1)
        if size > _MOST_UNPACKED_BYTES or (size > _RATIO_FROM_BYTES and size > _MOST_RATIO * packed):
            raise TrialCaptureError(
                "a packed file unpacks to more than a log can hold, and is not read",
                seen=f"{size} bytes or more from {packed} bytes",
                where=str(path),
                expected=f"at most {_MOST_RATIO} times what it is packed; unpack it yourself and look at it",
            )
        yield part


def _unpack(file: BinaryIO, kind: Packing, path: Path, warn: Callable[[str], None]) -> Iterator[bytes]:
    """Unpack members (gzip) or frames (zstandard) one after the other until what follows is neither."""
    parts = read_parts(file, _PACKED_BYTES)
    at_once = _ZSTD_BYTES if kind == "zst" else _PACKED_BYTES
    packed = next(parts, b"")
    while packed:
        unpacker, fault_type = _unpacker(kind)
        while packed and not unpacker.eof:
            packed, rest = packed[:at_once], packed[at_once:]
            part, fault = _decompress(unpacker, packed, fault_type)
            if part:
                yield part
            if "memory" in fault:
                raise TrialCaptureError(
                    "a packed file needs more memory to unpack than a log may ask for, and is not read",
                    seen=fault,
                    where=str(path),
                    expected=f"a window of at most {_WINDOW_BYTES >> 20} MiB, as zstd makes it without --long",
                )
            if fault:
                warn(f"{path}: damaged near byte {file.tell()} ({fault}); what comes before is used")
                return
            packed = unpacker.unused_data + rest if unpacker.eof else rest or next(parts, b"")
        if not unpacker.eof:
            warn(f"{path}: the packed file ends early, as after a crash or a torn copy; what survives is used")
            return
        while not packed.strip(b"\0") and (packed := next(parts, b"")):  # zeros pad some files
            pass
        packed = packed.lstrip(b"\0")
        if len(packed) < 4:
            packed += next(parts, b"")
        if packed and packing(packed) != kind:
            warn(f"{path}: what follows near byte {file.tell()} is not packed the same way; it is not used")
            return


def _unpacker(kind: Packing) -> tuple[Any, type[Exception]]:
    if kind == "gz":
        return zlib.decompressobj(wbits=31), zlib.error
    return zstandard.ZstdDecompressor(max_window_size=_WINDOW_BYTES).decompressobj(), zstandard.ZstdError


def _decompress(unpacker: Any, packed: bytes, fault_type: type[Exception]) -> tuple[bytes, str]:
    """Return what `packed` unpacks to, and what is wrong with it or ""."""
    spare = unpacker.copy() if hasattr(unpacker, "copy") else None
    try:
        return unpacker.decompress(packed), ""
    except fault_type as fault:
        # zlib gives out nothing of a failing call, however much of it was sound: go up to the fault by bytes.
        parts = []
        for at in range(len(packed)):
            if spare is None:
                break
            try:
                parts.append(spare.decompress(packed[at : at + 1]))
            except fault_type:
                break
        return b"".join(parts), str(fault)


_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MOST_PARTS = 10_000
_MOST_BYTES = 1 << 30
_MOST_BYTES_HELD = 64 << 20
_MOST_SHEET_RATIO, _SHEET_RATIO_FROM_BYTES = 200, 32 << 20
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
    if total > _MOST_BYTES or (total > _SHEET_RATIO_FROM_BYTES and total > _MOST_SHEET_RATIO * packed):
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
