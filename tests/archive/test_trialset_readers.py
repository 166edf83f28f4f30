"""A trial set is plain numbers to every reader of Parquet, and at most 0.55 of what pandas makes of the same data."""

from __future__ import annotations

import json
from pathlib import Path
from unittest.mock import PropertyMock, patch

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.made_once import simulated
from tests.numbers import process_numbers
from trialcapture.archive.parquet import read_parquet
from trialcapture.channels import Channel, trial_channels
from trialcapture.rehearse.write import write_session

SCENARIOS = (
    "twin-planing",
    pytest.param("coarse-1hz", marks=pytest.mark.slow),
    pytest.param("displacement", marks=pytest.mark.slow),
)


@pytest.fixture(scope="module", params=SCENARIOS)
def session(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A processed session; its grid with every digit lies beside the samples as ``unrounded.parquet``."""
    folder = tmp_path_factory.mktemp("trialset") / request.param
    write_session(simulated(request.param, 7, short=True), folder)
    samples = folder / "trialset" / "samples.parquet"
    with patch.object(Channel, "decimals", new_callable=PropertyMock, return_value=15):
        process_numbers(folder)
    samples.rename(samples.with_name("unrounded.parquet"))
    process_numbers(folder)
    return folder


def column_of(table: pa.Table, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return (values with 0 for null, where null) by Arrow's own reader."""
    array = table[name].combine_chunks()
    if pa.types.is_timestamp(array.type):
        array = array.cast(pa.int64())
    return array.fill_null(0).to_numpy(zero_copy_only=False), array.is_null().to_numpy(zero_copy_only=False)


@pytest.mark.parametrize("reader", ["pandas", "duckdb", "polars"])
def test_every_column_is_plain_numbers_to(reader: str, session: Path) -> None:
    path = session / "trialset" / "samples.parquet"
    table = read_parquet(path)
    got: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    if reader == "pandas":
        frame = pd.read_parquet(path)
        assert frame.columns.tolist() == table.schema.names
        for name in frame.columns:
            kind = frame[name].dtype.kind
            assert kind in "fuM", (name, frame[name].dtype)
            series = frame[name].astype("int64") if kind == "M" else frame[name].fillna(0)
            got[name] = series.to_numpy(), frame[name].isna().to_numpy()
    elif reader == "duckdb":
        with duckdb.connect() as base:
            kinds = base.execute(
                "select column_name, column_type from (describe select * from read_parquet(?))", [str(path)]
            ).fetchall()
            assert [name for name, _ in kinds] == table.schema.names
            assert {kind for _, kind in kinds} <= {
                "DOUBLE",
                "FLOAT",
                "UTINYINT",
                "TIMESTAMP WITH TIME ZONE",
                "TIMESTAMPTZ_NS",
            }
            for name in table.schema.names:
                value = f'coalesce("{name}", 0)' if name != "t" else "epoch_us(t::timestamptz) * 1000"
                query = f'select {value} as v, "{name}" is null as n from read_parquet(?)'
                rows = base.execute(query, [str(path)]).fetchnumpy()
                got[name] = np.asarray(rows["v"]), np.asarray(rows["n"])
    else:
        lazy = pl.read_parquet(path)
        assert lazy.columns == table.schema.names
        assert set(lazy.dtypes) <= {pl.Float64, pl.Float32, pl.UInt8, pl.Datetime("ns", "UTC")}
        for name in lazy.columns:
            series = lazy[name].cast(pl.Int64) if name == "t" else lazy[name].fill_null(0)
            got[name] = series.to_numpy(), lazy[name].is_null().to_numpy()
    for name in table.schema.names:
        values, nulls = column_of(table, name)
        np.testing.assert_array_equal(got[name][1], nulls, err_msg=name)
        np.testing.assert_array_equal(got[name][0], values, err_msg=name)


@pytest.mark.parametrize("name", ["samples", "segments", "segment_engines", "clocks", "rejects"])
def test_every_table_opens_in_all_three(name: str, session: Path) -> None:
    path = session / "trialset" / f"{name}.parquet"
    rows = read_parquet(path).num_rows
    assert len(pd.read_parquet(path)) == rows
    assert pl.read_parquet(path).height == rows
    with duckdb.connect() as base:
        assert base.execute("select count(*) from read_parquet(?)", [str(path)]).fetchone() == (rows,)


def test_the_samples_take_at_most_0_55_of_what_pandas_writes(session: Path, tmp_path: Path) -> None:
    """Both hold the same grid and columns; pandas' is not rounded and written as it does when told nothing."""
    samples = session / "trialset" / "samples.parquet"
    frame = pd.read_parquet(samples.with_name("unrounded.parquet"))
    frame.to_parquet(tmp_path / "pandas.parquet")
    assert samples.stat().st_size <= 0.55 * (tmp_path / "pandas.parquet").stat().st_size


def test_rounding_moves_no_value_by_more_than_half_a_step(session: Path) -> None:
    samples = session / "trialset" / "samples.parquet"
    table, whole = read_parquet(samples), read_parquet(samples.with_name("unrounded.parquet"))
    engines = sorted({n.removeprefix("rpm_") for n in table.schema.names if n.startswith("rpm_") and n.count("_") == 1})
    channels = trial_channels(engines)
    assert len(channels) > 20
    for channel in channels:
        values, nulls = column_of(table, channel.name)
        exact, absent = column_of(whole, channel.name)
        np.testing.assert_array_equal(nulls, absent)
        np.testing.assert_array_equal(values, np.round(values, channel.decimals), err_msg=channel.name)
        if channel.group == "wind_true":
            continue  # derived on the grid, from values rounded before
        off = np.abs(values - exact)
        if channel.kind == "angle":
            off = np.minimum(off, 360.0 - off)
        assert off.max() <= 0.5000001 * channel.resolution, channel.name


def test_no_scale_is_hidden_in_the_metadata(session: Path) -> None:
    file = pq.ParquetFile(session / "trialset" / "samples.parquet")
    told = {key.decode() for field in file.schema_arrow for key in field.metadata or {}}
    assert told <= {"unit", "meaning"}
    assert json.loads(file.schema_arrow.metadata[b"raw_sha256"])
