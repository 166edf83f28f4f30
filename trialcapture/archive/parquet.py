"""Parquet files that are complete or absent, and byte-identical for equal input."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from trialcapture.archive.atomic import open_replacement, write_file
from trialcapture.errors import TrialCaptureError

__all__ = ["read_parquet", "write_file", "write_parquet"]

ROW_GROUP_ROWS = 36_000
"""Rows of a row group: one hour of the default 10 Hz grid, so that readers need little memory."""


def write_parquet(path: Path, table: pa.Table, metadata: Mapping[str, str]) -> None:
    """Write a table with its provenance as a Parquet file, complete or absent.

    The file is written beside its place, flushed to the disk, opened again and compared with the table in
    row count and schema, and only then renamed. Equal tables and metadata give equal bytes with the same
    version of pyarrow.

    Args:
        path: The file to make or replace.
        table: Any Arrow table; its own schema metadata is kept, except pandas' (which varies by version).
        metadata: Added to the schema metadata: program version, config hash, raw hashes.

    Raises:
        TrialCaptureError: The disk is full, the file cannot be written, or it does not read back the same.
    """
    named = {**(table.schema.metadata or {}), **{k.encode(): v.encode() for k, v in metadata.items()}}
    named.pop(b"pandas", None)
    whole = table.combine_chunks().replace_schema_metadata(dict(sorted(named.items())))

    def reads_back(temporary: Path) -> None:
        with pq.ParquetFile(temporary) as file:
            rows, schema = file.metadata.num_rows, file.schema_arrow
        if rows != whole.num_rows or not schema.equals(whole.schema, check_metadata=True):
            raise TrialCaptureError(
                "a Parquet file did not read back as it was written",
                seen=f"{rows} rows of {whole.num_rows}",
                where=str(path),
                expected="check the disk; nothing was replaced",
            )

    with open_replacement(path, needed_bytes=whole.nbytes, check=reads_back) as file:
        pq.write_table(
            whole,
            file,
            version="2.6",
            data_page_version="1.0",
            compression="zstd",
            compression_level=3,
            row_group_size=ROW_GROUP_ROWS,
            write_page_checksum=True,
            **_encodings(whole.schema),
        )


def _encodings(schema: pa.Schema) -> dict[str, object]:
    """Choose the encoding by type: stamps and counters as differences, everything else by dictionary."""
    stepping = [f.name for f in schema if pa.types.is_timestamp(f.type) or f.type in (pa.int32(), pa.int64())]
    nested = any(pa.types.is_nested(f.type) for f in schema)
    if nested or len(set(schema.names)) != len(schema.names):
        return {}
    return {
        "use_dictionary": [name for name in schema.names if name not in stepping],
        "column_encoding": dict.fromkeys(stepping, "DELTA_BINARY_PACKED"),
    }


def read_parquet(path: Path) -> pa.Table:
    """Read a Parquet file, its page checksums checked.

    Raises:
        TrialCaptureError: The file is missing, cut short or damaged.
    """
    try:
        return pq.read_table(path, page_checksum_verification=True)
    except FileNotFoundError as fault:
        raise TrialCaptureError(
            "a file is missing", where=str(path), expected="run 'trialcapture process' on the session again"
        ) from fault
    except (OSError, pa.ArrowException) as fault:
        raise TrialCaptureError(
            "a Parquet file is damaged",
            seen=str(fault).splitlines()[0],
            where=str(path),
            expected="delete it and run 'trialcapture process' on the session again; raw data is enough",
        ) from fault
