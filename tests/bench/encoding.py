"""How the samples of a trial set may be kept: size and time to write, beside pandas' default of the same grid.

    python -m tests.bench.encoding

Each choice is written in turn with the others, several times, to memory; sizes are exact, times are medians. The
yardstick is what a notebook writes: ``frame.to_parquet()`` of the grid with every digit of the interpolation.
"""

from __future__ import annotations

import argparse
import io
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any
from unittest.mock import PropertyMock, patch

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from trialcapture.archive.parquet import ROW_GROUP_ROWS, ParquetStream
from trialcapture.channels import Channel, trial_channels
from trialcapture.pipeline import process
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

SCENARIOS = ("twin-planing", "coarse-1hz", "displacement")
POSITION = ("lat_deg", "lon_deg")


def unrounded_samples(session: Path) -> pa.Table:
    """Return the samples of a session with every digit the interpolation makes; its derived files are made anew."""
    with patch.object(Channel, "decimals", new_callable=PropertyMock, return_value=15):
        process(session)
    return pq.read_table(session / "trialset" / "samples.parquet").combine_chunks()


def rounded(table: pa.Table, coarser: int = 0) -> pa.Table:
    """Return the grid at the resolution of its channels, or that many powers of ten coarser; 0.01 s for ages."""
    engines = [n.removesuffix("_age_s").removeprefix("rpm_") for n in table.schema.names if n.startswith("rpm_")]
    decimals = {c.name: c.decimals - coarser for c in trial_channels(sorted(set(engines)))}
    columns = []
    for field in table.schema:
        column = table[field.name].combine_chunks()
        if field.name in decimals:
            values = column.to_numpy(zero_copy_only=False)
            column = pa.array(np.round(values, decimals[field.name]) + 0.0, field.type, from_pandas=True)
        columns.append(column)
    return pa.Table.from_arrays(columns, schema=table.schema)


def as_integers(table: pa.Table) -> pa.Table:
    """Return the rounded grid as whole numbers of steps: the practical limit, which no reader takes for numbers."""
    engines = [n.removesuffix("_age_s").removeprefix("rpm_") for n in table.schema.names if n.startswith("rpm_")]
    steps = {c.name: c.decimals for c in trial_channels(sorted(set(engines)))}
    columns, names = [], []
    for field in table.schema:
        column = table[field.name].combine_chunks()
        if field.name in steps:
            values = column.to_numpy(zero_copy_only=False)
            whole = np.where(np.isfinite(values), np.rint(values * 10.0 ** steps[field.name]), 0)
            kind = pa.int64() if field.name in POSITION else pa.int32()
            column = pa.array(whole.astype(np.int64), mask=~np.isfinite(values)).cast(kind)
        columns.append(column)
        names.append(field.name)
    return pa.table(columns, names=names)


def written(table: pa.Table, how: str, level: int = 3, group_rows: int = ROW_GROUP_ROWS, page: int = 1 << 20) -> int:
    """Write a table to memory, floats encoded as `how` says, and return its size [bytes]."""
    floats = [f.name for f in table.schema if f.type == pa.float64()]
    few = [f.name for f in table.schema if f.type in (pa.float32(), pa.uint8())]
    special = {f.name: "DELTA_BINARY_PACKED" for f in table.schema if f.name not in floats + few}
    dictionary = list(few)
    if how == "dictionary":
        dictionary += floats
    elif how == "split":
        special |= dict.fromkeys(floats, "BYTE_STREAM_SPLIT")
    elif how == "plain, position split":
        special |= {n: "BYTE_STREAM_SPLIT" for n in floats if n in POSITION}
    elif how == "dictionary, position split":
        dictionary += [n for n in floats if n not in POSITION]
        special |= {n: "BYTE_STREAM_SPLIT" for n in floats if n in POSITION}
    sink = io.BytesIO()
    pq.write_table(
        table, sink, version="2.6", compression="zstd", compression_level=level, row_group_size=group_rows,
        data_page_size=page, use_dictionary=dictionary, column_encoding=special, write_page_checksum=True,
    )  # fmt: skip
    return sink.tell()


def ours(table: pa.Table) -> int:
    """Write a table to memory as `trialcapture.archive.parquet` does and return its size [bytes]."""
    sink = io.BytesIO()
    stream = ParquetStream(sink, table.schema)
    stream.write(table)
    stream.finish()
    return sink.tell()


def by_pandas(frame: pd.DataFrame) -> int:
    """Write a frame to memory as pandas does when told nothing and return its size [bytes]."""
    sink = io.BytesIO()
    frame.to_parquet(sink)
    return sink.tell()


def choices(table: pa.Table) -> dict[str, Callable[[], int]]:
    """Return what to compare, the yardstick first."""
    frame = table.to_pandas()
    kept, coarse, whole = rounded(table), rounded(table, 1), as_integers(table)
    found: dict[str, Callable[[], int]] = {
        "pandas default, every digit": lambda: by_pandas(frame),
        "as the program writes it": lambda: ours(kept),
    }

    def add(name: str, data: pa.Table, how: str, **more: Any) -> None:
        found[name] = lambda: written(data, how, **more)

    for how in ("dictionary", "plain", "split", "dictionary, position split", "plain, position split"):
        add(f"every digit, {how}", table, how)
    for how in ("dictionary", "plain", "split", "dictionary, position split", "plain, position split"):
        add(f"rounded, {how}", kept, how)
    for level in (1, 6, 9):
        add(f"rounded, plain, position split, zstd {level}", kept, "plain, position split", level=level)
    for page in (1 << 16, 1 << 23):
        add(f"rounded, plain, position split, pages of {page >> 10} kB", kept, "plain, position split", page=page)
    add("rounded, plain, position split, one row group", kept, "plain, position split", group_rows=10**7)
    add("ten times coarser, plain, position split", coarse, "plain, position split")
    add("whole steps as integers, differences (no reader sees numbers)", whole, "plain")
    return found


def measure(tables: list[pa.Table], rounds: int) -> list[tuple[str, list[float], list[float]]]:
    """Return (choice, its size per table, its time per table), as ratios to the yardstick."""
    sizes: dict[str, list[float]] = {}
    times: dict[str, list[float]] = {}
    for table in tables:
        run = choices(table)
        took: dict[str, list[float]] = {name: [] for name in run}
        size: dict[str, int] = {}
        for _ in range(rounds):
            for name, write in run.items():
                began = time.perf_counter()
                size[name] = write()
                took[name].append(time.perf_counter() - began)
        first = next(iter(run))
        for name in run:
            sizes.setdefault(name, []).append(size[name] / size[first])
            times.setdefault(name, []).append(median(took[name]) / median(took[first]))
    return [(name, sizes[name], times[name]) for name in sizes]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    tables = []
    with tempfile.TemporaryDirectory() as home:
        for name in SCENARIOS:
            write_session(simulate(name, arguments.seed), Path(home) / name)
            tables.append(unrounded_samples(Path(home) / name))
    print(f"size and time to write, ratios to pandas' default; {', '.join(SCENARIOS)}\n")
    print(f"| choice | size {' | size '.join(SCENARIOS)} | time {' | time '.join(SCENARIOS)} |")
    print("|---" * (1 + 2 * len(SCENARIOS)) + "|")
    for name, sizes, times in measure(tables, arguments.rounds):
        print(f"| {name} | {' | '.join(f'{v:.2f}' for v in sizes)} | {' | '.join(f'{v:.2f}' for v in times)} |")


if __name__ == "__main__":
    main()
