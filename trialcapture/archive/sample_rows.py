"""Rows of a samples file, read where they are wanted, one row group in memory at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from trialcapture.archive.parquet import ROW_GROUP_ROWS


class SampleRows:
    """Reads rows of an open samples file; made by `open_sample_rows`."""

    def __init__(self, file: pq.ParquetFile) -> None:
        self._file = file
        self._held: tuple[int, tuple[str, ...], pa.Table] | None = None

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
            self._held = None
            self._held = (group, columns, self._file.read_row_group(group, columns=list(columns)))
        return self._held[2]


@contextmanager
def open_sample_rows(path: Path) -> Iterator[SampleRows]:
    """Open a samples file as `trialcapture.archive.parquet` writes it."""
    with pq.ParquetFile(path) as file:
        yield SampleRows(file)
