"""Whatever bytes come as an engine log: values come back exactly, or the log is refused; nothing else happens."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.config import EngineLog
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.errors import TrialCaptureError

SPECS: list[dict[str, Any]] = [
    {},
    {"delimiter": ";", "decimal": ",", "time_format": "%d.%m.%Y %H:%M:%S", "timezone": "Europe/Athens"},
    {"delimiter": "\t", "time_format": "unix_ms", "encoding": "cp1252"},
    {"time_format": "elapsed_s", "header_rows": 2, "skip_rows_after_header": 1, "encoding": "utf-16-le"},
    {"columns": {"date": "Day", "time": "Time", "rpm_port": {"name": "RPM#2", "unit": "1/s"}}},
    {"date": "2026-05-04", "thousands": ","},
    {"date": "2026-05-04", "time_format": "%I:%M:%S %p", "locale": "es", "timezone": "Europe/Athens"},
    {"year": 2026, "time_format": "%d %b %H:%M", "locale": "fr", "delimiter": "\t"},
    {"year": 2026, "time_format": "%m/%d %H:%M:%S"},
    {"time_format": "spreadsheet", "thousands": " "},
    {"time_format": "spreadsheet", "date": "2026-05-04", "decimal": ",", "delimiter": ";"},
    {"time_format": "elapsed_hms"},
    {"time_format": "elapsed_min", "header_rows": 0, "columns": {"time": 1, "rpm_port": {"name": 2, "unit": "rpm"}}},
    {"columns": {"time": [1, 2, 3, 4, 5, 6], "rpm_port": {"name": 2, "unit": "rpm", "scale": -2.0, "offset": 1e9}}},
    {"form": "long", "parameter": "RPM", "value": "Fuel", "time_format": "elapsed_s",
     "columns": {"time": "Time", "rpm_port": {"name": "x", "unit": "rpm"}, "load_port": {"name": "é", "unit": "%"}}},
    {"form": "long", "parameter": 2, "value": 3, "header_rows": 0, "date": "2026-05-04",
     "columns": {"time": 1, "rpm_port": {"name": "x", "unit": "rpm"}, "load_port": {"name": "1000", "unit": "%"}}},
]  # fmt: skip
CELL = st.sampled_from(
    ["Time", "RPM", "Fuel", "Day", "2026-05-04T10:00:00", "04.05.2026 10:00:01", "1777888800123", "12.5", "12,5",
     "1000", "-", "n/a", "", '"', '""', '"a', "x", "\0", "é", "#2", "2026-10-25 03:30:00", "1e400", "10:00:00",
     "23:59:59", "00:00:00", "9:04:03 p.m.", "4 févr. 10:00", "05/04 10:00:00", "02/29 00:00:00", "46156.5", "0.99999",
     "1:00:00", "1,234.5", "1e308", "Infinity", "60", "0000-01-01 00:00:00", "9999-12-31 23:59:59"]
)  # fmt: skip
LINE = st.lists(CELL, max_size=6).flatmap(lambda cells: st.sampled_from([",", ";", "\t"]).map(lambda d: d.join(cells)))
TEXT = st.lists(LINE, max_size=20).flatmap(
    lambda lines: st.sampled_from(["\r\n", "\n", "\r"]).map(lambda e: e.join(lines))
)
NUMBERS = st.floats(min_value=0, max_value=9000, allow_nan=False).map(lambda x: round(x, 6))


def make_spec(given_keys: dict[str, Any]) -> EngineLog:
    columns = {
        "time": "Time",
        "rpm_port": {"name": "RPM", "unit": "rpm"},
        "fuel_port": {"name": "Fuel", "unit": "imp gal/h"},
    }
    return EngineLog.model_validate({"columns": columns} | given_keys)


@settings(max_examples=120)
@given(
    st.one_of(st.binary(max_size=300), TEXT.map(lambda t: t.encode("utf-8")), TEXT.map(lambda t: t.encode("utf-16"))),
    st.sampled_from(SPECS),
)
def test_any_bytes_give_a_table_or_a_refusal(data: bytes, keys: dict[str, Any]) -> None:
    try:
        table, rejects = decode_engine_log(data, make_spec(keys), ("port",), "log.csv")
    except TrialCaptureError as fault:
        said = str(fault)
    else:
        said = "log.csv"
        check_table(table, rejects)
    assert "log.csv" in said
    assert "\n" not in said


def check_table(table: pa.Table, rejects: pa.Table) -> None:
    for name in table.column_names:
        values = table[name].drop_null().to_numpy()
        assert np.isfinite(values.astype(float)).all()
    assert table["row"].null_count == table["t_log_ns"].null_count == 0
    assert all(0 <= row < 400 for row in [*table["row"].to_pylist(), *rejects["line"].to_pylist()])


@given(
    st.lists(st.tuples(NUMBERS, st.none() | NUMBERS), min_size=1, max_size=60),
    st.sampled_from([".", ","]),
    st.sampled_from(["\r\n", "\n", "\r"]),
)
def test_values_come_back_bit_by_bit(values: list[tuple[float, float | None]], decimal: str, end: str) -> None:
    start = datetime(2026, 5, 4, 10, tzinfo=UTC)
    lines = ["Fuel;Time;RPM"]
    for number, (rpm, fuel) in enumerate(values):
        cells = [f"{rpm!r}", "" if fuel is None else f"{fuel!r}"]
        cells = [cell.replace(".", decimal) for cell in cells]
        lines.append(f"{cells[1]};{(start + timedelta(seconds=number)):%Y-%m-%d %H:%M:%S};{cells[0]}")
    spec = make_spec({"delimiter": ";", "decimal": decimal} | {"columns": {
        "time": "Time", "rpm_port": {"name": "RPM", "unit": "rpm"}, "fuel_port": {"name": "Fuel", "unit": "l/h"},
    }})  # fmt: skip
    table, rejects = decode_engine_log((end.join(lines) + end).encode(), spec, ("port",), "log.csv")
    assert rejects.num_rows == 0
    assert table["rpm_port"].to_pylist() == [rpm for rpm, _ in values]
    assert table["fuel_l_per_h_port"].to_pylist() == [fuel for _, fuel in values]
    assert table["t_log_ns"].to_pylist() == [1_777_888_800 * 10**9 + n * 10**9 for n in range(len(values))]


@settings(max_examples=60)
@given(st.data())
def test_cutting_a_log_anywhere_changes_no_row_before_the_cut(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 30))
    lines = [f"2026-05-04T10:00:{n % 60:02d},{1000 + n * 7 % 900}.{n % 10},{n}.5\r\n" for n in range(count)]
    whole = "Time,RPM,Fuel\r\n" + "".join(lines)
    cut = data.draw(st.integers(len("Time,RPM,Fuel\r\n") + 1, len(whole)))
    full, _ = decode_engine_log(whole.encode(), make_spec({}), ("port",), "log.csv")
    try:
        part, rejects = decode_engine_log(whole[:cut].encode(), make_spec({}), ("port",), "log.csv")
    except TrialCaptureError:
        assert cut < len("Time,RPM,Fuel\r\n") + len(lines[0])
        return
    complete = whole[:cut].count("\n") - 1
    assert part.slice(0, complete).equals(full.slice(0, complete))
    for name in part.column_names:  # of the cut row, a cell is right or null
        for seen, true in zip(part[name].to_pylist()[complete:], full[name].to_pylist()[complete:], strict=False):
            assert seen is None or seen == true
    assert rejects.num_rows <= 1


def test_a_log_reads_written_by_another_library_reads_back() -> None:
    # Check against the outside: a log written by pandas' to_csv, stamps and zone by pandas' own code.
    rng = np.random.default_rng(7)
    frame = pd.DataFrame(
        {
            "Time": pd.date_range("2026-05-04 13:00:00", periods=5000, freq="250ms").strftime("%d/%m/%Y %H:%M:%S.%f"),
            "RPM": rng.uniform(600, 2500, 5000).round(2),
            "Fuel": np.where(rng.random(5000) < 0.05, np.nan, rng.lognormal(2, 1, 5000)),
        }
    )
    text = frame.to_csv(index=False, sep=";", decimal=",", lineterminator="\r\n")
    spec = make_spec(
        {"delimiter": ";", "decimal": ",", "time_format": "%d/%m/%Y %H:%M:%S.%f", "timezone": "Europe/Athens"}
    )
    table, rejects = decode_engine_log(text.encode(), spec, ("port",), "log.csv")
    assert rejects.num_rows == 0
    assert table["rpm_port"].to_pylist() == frame["RPM"].tolist()
    expected = [None if np.isnan(gallons) else gallons * 4.54609 for gallons in frame["Fuel"]]
    assert table["fuel_l_per_h_port"].to_pylist() == expected
    stamps = pd.to_datetime(frame["Time"], format="%d/%m/%Y %H:%M:%S.%f").dt.tz_localize("Europe/Athens")
    assert table["t_log_ns"].to_pylist() == stamps.dt.as_unit("ns").astype("int64").tolist()
