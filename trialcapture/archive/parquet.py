"""Parquet files that are complete or absent, and byte-identical for equal input."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from trialcapture.archive.atomic import open_replacement, write_file
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import require_plain

__all__ = ["ParquetStream", "open_parquet", "read_parquet", "read_row_groups", "write_file", "write_parquet"]

ROW_GROUP_ROWS = 36_000
"""Rows of a row group: one hour of the default 10 Hz grid, so that readers need little memory."""

_ZSTD_LEVEL = 3
"""Levels above cost more time than they save room: level 9 took four times as long for a tenth less."""

_POSITION = ("lat_deg", "lon_deg")


class ParquetStream:
    """A Parquet file that is being written part by part; made by `open_parquet`.

    Attributes:
        schema: Schema of the file, its provenance included.
        rows: Rows taken so far.
    """

    def __init__(self, file: BinaryIO, schema: pa.Schema) -> None:
        self.schema = schema
        self.rows = 0
        self._waiting: list[pa.Table] = []
        self._waiting_rows = 0
        self._writer = pq.ParquetWriter(
            file,
            schema,
            version="2.6",
            data_page_version="1.0",
            compression="zstd",
            compression_level=_ZSTD_LEVEL,
            write_page_checksum=True,
            **_encodings(schema),
        )

    def write(self, table: pa.Table) -> None:
        """Add rows.

        Full row groups go to the file at once, the rest waits for the next rows: equal rows give equal bytes
        however they were cut into calls, and at most one row group and the table itself are held.

        Args:
            table: Rows with the columns and types of the schema; schema metadata is not looked at.

        Raises:
            ValueError: Other columns or types.
        """
        if not table.schema.equals(self.schema, check_metadata=False):
            raise ValueError(f"the rows have other columns or types than the file: {table.schema} for {self.schema}")
        self.rows += table.num_rows
        self._waiting.append(table.replace_schema_metadata(None))
        self._waiting_rows += table.num_rows
        if self._waiting_rows >= ROW_GROUP_ROWS:
            self._write_groups(self._waiting_rows // ROW_GROUP_ROWS * ROW_GROUP_ROWS)

    def _write_groups(self, rows: int) -> None:
        # field metadata may differ from part to part; the file has that of its schema
        schema = self.schema.remove_metadata()
        plain = [pa.Table.from_arrays(part.columns, schema=schema) for part in self._waiting]
        whole = pa.concat_tables(plain).unify_dictionaries()
        for first in range(0, rows, ROW_GROUP_ROWS):
            group = whole.slice(first, min(ROW_GROUP_ROWS, rows - first)).combine_chunks()
            self._writer.write_table(group, row_group_size=ROW_GROUP_ROWS)
        rest = whole.slice(rows)
        self._waiting = [rest] if rest.num_rows else []
        self._waiting_rows = rest.num_rows

    def finish(self) -> None:
        """Write what waits and the footer; `open_parquet` does so."""
        if self._waiting_rows:
            self._write_groups(self._waiting_rows)
        self._writer.close()

    def abandon(self) -> None:
        """Give the file up; `open_parquet` does so when anything was raised."""
        self._waiting = []
        # the file is thrown away and something is being raised already: a footer that finds no room adds nothing
        with suppress(OSError, ValueError, pa.ArrowException):
            self._writer.close()
        self._writer.is_open = False


@contextmanager
def open_parquet(
    path: Path, schema: pa.Schema, metadata: Mapping[str, str], *, needed_bytes: int | None = None
) -> Iterator[ParquetStream]:
    """Open a Parquet file that is written part by part and is complete or absent in the end.

    The file is written beside its place, flushed to the disk, opened again and compared with what was handed in
    (row count and schema), and only then renamed. Leaving the block by any exception leaves nothing behind and a
    former file as it was. Equal rows, schema and metadata give equal bytes with the same version of pyarrow.

    Args:
        path: The file to make or replace.
        schema: Its columns; schema metadata is kept, except pandas' (which varies by version).
        metadata: Added to the schema metadata: program version, config hash, raw hashes.
        needed_bytes: About how much will be written, for the message when the disk is full.

    Raises:
        TrialCaptureError: The disk is full, the file cannot be written, or it does not read back the same.
    """
    named = {**(schema.metadata or {}), **{k.encode(): v.encode() for k, v in metadata.items()}}
    named.pop(b"pandas", None)
    schema = schema.with_metadata(dict(sorted(named.items())))
    taken_rows = 0

    def reads_back(temporary: Path) -> None:
        with pq.ParquetFile(temporary) as file:
            rows, found = file.metadata.num_rows, file.schema_arrow
        if rows != taken_rows or not found.equals(schema, check_metadata=True):
            raise TrialCaptureError(
                "a Parquet file did not read back as it was written",
                seen=f"{rows} rows of {taken_rows}",
                where=str(path),
                expected="check the disk; nothing was replaced",
            )

    with open_replacement(path, needed_bytes=needed_bytes, check=reads_back) as file:
        stream = ParquetStream(file, schema)
        try:
            yield stream
            stream.finish()
        except BaseException:
            stream.abandon()
            raise
        taken_rows = stream.rows


def write_parquet(path: Path, table: pa.Table, metadata: Mapping[str, str]) -> None:
    """Write a whole table with its provenance as a Parquet file, complete or absent; see `open_parquet`.

    Args:
        path: The file to make or replace.
        table: Any Arrow table; its own schema metadata is kept, except pandas' (which varies by version).
        metadata: Added to the schema metadata: program version, config hash, raw hashes.

    Raises:
        TrialCaptureError: The disk is full, the file cannot be written, or it does not read back the same.
    """
    with open_parquet(path, table.schema, metadata, needed_bytes=table.nbytes) as stream:
        stream.write(table)


def _encodings(schema: pa.Schema) -> dict[str, object]:
    """Choose each column's encoding by its type.

    Measured on simulated trials, their values rounded to the resolution of their channels: 64-bit floats are left
    plain for zstd, which finds the repeated decimals better and sooner than a dictionary does that has almost as
    many entries as there are rows; positions hardly ever repeat, so their bytes are split by significance; stamps
    and counters are kept as differences; what has few values (ages, flags, words) by dictionary. The types stay
    plain, so that every reader of Parquet sees numbers.
    """
    nested = any(pa.types.is_nested(f.type) for f in schema)
    if nested or len(set(schema.names)) != len(schema.names):
        return {}
    special = {f.name: "DELTA_BINARY_PACKED" for f in schema if _is_stepping(f.type)}
    special |= {f.name: "BYTE_STREAM_SPLIT" for f in schema if f.name in _POSITION and f.type == pa.float64()}
    plain = {f.name for f in schema if f.type == pa.float64()}
    return {
        "use_dictionary": [name for name in schema.names if name not in special and name not in plain],
        "column_encoding": special,
    }


def _is_stepping(kind: pa.DataType) -> bool:
    return bool(pa.types.is_timestamp(kind)) or kind in (pa.int32(), pa.int64())


_MOST_ROWS, _MOST_COLUMNS, _MOST_CELLS = 30_000_000, 2_000, 1_500_000_000
"""What is read at once at most: a day of samples of four engines at 100 Hz has nine million rows (our choice)."""
_LONGEST_TEXT = 1 << 20


def read_parquet(path: Path, schema: pa.Schema | None = None, *, needs_all: bool = False) -> pa.Table:
    """Read a Parquet file of ours, its page checksums checked.

    Words are read by their dictionary first: in a forged file a single one may be of any length, and stand in every
    row.

    Args:
        path: The file.
        schema: Types of columns by name; None for any. It may have others too, of plain types.
        needs_all: Refuse it where a column of the schema is missing, as in a file of an older version.

    Raises:
        TrialCaptureError: The file is missing, cut short or damaged, holds more than any of ours, lacks a column or has
            one of another type.
    """
    with _faults_in_words(path), pq.ParquetFile(path, page_checksum_verification=True) as file:
        found = file.schema_arrow
        _refuse_foreign(path, found, file.metadata.num_rows, schema, needs_all)
        words = [field.name for field in found if _is_text(field.type) or pa.types.is_dictionary(field.type)]
    with _faults_in_words(path):
        table = pq.read_table(path, page_checksum_verification=True, read_dictionary=words)
        for name in words:
            _refuse_long_texts(path, name, table[name])
        return table.cast(found)


def _refuse_foreign(path: Path, found: pa.Schema, rows: int, wanted: pa.Schema | None, needs_all: bool) -> None:
    seen = ""
    if rows > _MOST_ROWS or len(found) > _MOST_COLUMNS or rows * len(found) > _MOST_CELLS:
        seen = f"{rows} rows of {len(found)} columns"
    elif len(set(found.names)) != len(found):
        seen = "two columns of one name"
    for field in found if not seen else ():
        if not _is_plain_type(field.type):
            seen = f"column {field.name!r} of type {str(field.type)[:60]}"
            break
    for field in (wanted or ()) if not seen else ():
        index = found.get_field_index(field.name)
        if needs_all if index < 0 else found.field(index).type != field.type:
            kind = "missing" if index < 0 else f"of type {found.field(index).type}, not {field.type}"
            seen = f"column {field.name!r} {kind}"
            break
    if seen:
        raise TrialCaptureError(
            "a Parquet file is none that this program made, or it is damaged",
            seen=seen,
            where=str(path),
            expected="delete it and run 'trialcapture process' on the session again; raw data is enough",
        )


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_binary(kind))


def _is_plain_type(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        return _is_text(kind.value_type)
    tests = (pa.types.is_boolean, pa.types.is_integer, pa.types.is_floating, pa.types.is_timestamp, _is_text)
    return any(test(kind) for test in tests)


def _refuse_long_texts(path: Path, name: str, column: pa.ChunkedArray) -> None:
    total = 0
    for chunk in column.chunks:
        lengths = pc.binary_length(chunk.dictionary)
        longest = pc.max(lengths).as_py() or 0
        total += longest * len(chunk)
        if longest <= _LONGEST_TEXT and total <= _MOST_CELLS:
            continue
        raise TrialCaptureError(
            "a Parquet file holds texts longer than any of this program",
            seen=f"column {name!r}: {longest} bytes in {len(chunk)} rows",
            where=str(path),
            expected="delete it and run 'trialcapture process' on the session again; raw data is enough",
        )


def read_row_groups(path: Path, columns: Sequence[str] | None = None) -> Iterator[pa.Table]:
    """Read a Parquet file a row group at a time, in bounded memory, its page checksums checked.

    Args:
        path: The file.
        columns: Names of the columns wanted, in any order (the tables have the file's); None for all.

    Yields:
        One table a row group, in order; their rows together are the file's.

    Raises:
        TrialCaptureError: The file is missing, cut short or damaged, or lacks a column.
    """
    with _faults_in_words(path), pq.ParquetFile(path, page_checksum_verification=True) as file:
        lacking = [name for name in columns or () if name not in file.schema_arrow.names]
        if lacking:
            raise TrialCaptureError(
                "a Parquet file lacks columns",
                seen=", ".join(lacking),
                where=str(path),
                expected=f"columns among {', '.join(file.schema_arrow.names)}",
            )
        for number in range(file.num_row_groups):
            yield file.read_row_group(number, columns=None if columns is None else list(columns))


@contextmanager
def _faults_in_words(path: Path) -> Iterator[None]:
    """Say what is wrong with a file in words, whatever library found it."""
    try:
        require_plain(path)
        yield
    except FileNotFoundError as fault:
        raise TrialCaptureError(
            "a file is missing", where=str(path), expected="run 'trialcapture process' on the session again"
        ) from fault
    except (OSError, pa.ArrowException, UnicodeDecodeError, OverflowError) as fault:
        raise TrialCaptureError(
            "a Parquet file is damaged",
            seen=str(fault).splitlines()[0],
            where=str(path),
            expected="delete it and run 'trialcapture process' on the session again; raw data is enough",
        ) from fault


class SampleRows:
    """Reads rows of an open samples file, the next row group while one is used; made by `open_sample_rows`."""

    def __init__(self, file: pq.ParquetFile, beside: Executor) -> None:
        self._file = file
        self._beside = beside
        self._held: tuple[int, tuple[str, ...], pa.Table] | None = None
        self._coming: tuple[int, tuple[str, ...], Future[pa.Table]] | None = None

    def read(self, start: int, stop: int, columns: Sequence[str]) -> pa.Table:
        """Return rows [start, stop) of some columns; cheap where calls go forward through the file."""
        parts = []
        for group in range(start // ROW_GROUP_ROWS, (max(stop, start + 1) - 1) // ROW_GROUP_ROWS + 1):
            table = self._group(group, tuple(columns))
            low = max(start - group * ROW_GROUP_ROWS, 0)
            parts.append(table.slice(low, min(stop - group * ROW_GROUP_ROWS, ROW_GROUP_ROWS) - low))
        return pa.concat_tables(parts).combine_chunks()

    def _group(self, group: int, columns: tuple[str, ...]) -> pa.Table:
        if self._held is None or self._held[:2] != (group, columns):
            coming, self._held, self._coming = self._coming, None, None
            if coming is None or coming[:2] != (group, columns):
                coming = self._read(group, columns)
            self._held = (group, columns, coming[2].result())
            if group + 1 < self._file.num_row_groups:
                self._coming = self._read(group + 1, columns)
        return self._held[2]

    def _read(self, group: int, columns: tuple[str, ...]) -> tuple[int, tuple[str, ...], Future[pa.Table]]:
        return group, columns, self._beside.submit(self._file.read_row_group, group, columns=list(columns))


@contextmanager
def open_sample_rows(path: Path) -> Iterator[SampleRows]:
    """Open a samples file as `open_parquet` writes it, to read rows where they are wanted."""
    require_plain(path)
    with pq.ParquetFile(path) as file, ThreadPoolExecutor(1) as beside:
        yield SampleRows(file, beside)
