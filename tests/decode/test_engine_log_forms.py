"""Every declared form of an engine log, written from known values and read back."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from babel.dates import format_datetime
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import to_excel

from trialcapture.config import EngineLog
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, decode_engine_log
from trialcapture.errors import TrialCaptureError

S = 10**9
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
START = datetime(2026, 5, 14, 9, 4, 3, tzinfo=UTC)
TABLE = {"delimiter": ",", "decimal": ".", "end": "\r\n"}
CHANNELS = {"rpm_port": {"name": "RPM", "unit": "rpm"}, "fuel_port": {"name": "Fuel", "unit": "l/h"}}


def make_spec(**keys: Any) -> EngineLog:
    columns = {"time": "Time", **CHANNELS} | keys.pop("columns", {})
    return EngineLog.model_validate({"columns": columns} | keys)


def read(text: str | bytes, **keys: Any) -> tuple[pa.Table, list[dict[str, Any]]]:
    data = text if isinstance(text, bytes) else text.encode()
    table, bad = decode_engine_log(data, make_spec(**keys), ("port",), "log.csv")
    return table, bad.to_pylist()


def refusal(text: str | bytes, **keys: Any) -> str:
    with pytest.raises(TrialCaptureError) as caught:
        read(text, **keys)
    return str(caught.value)


def ns(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(microseconds=1) * 1000


def log(times: Sequence[str], head: str = "Time,RPM,Fuel\r\n") -> str:
    return head + "".join(f"{text},{1000 + n},{n}.5\r\n" for n, text in enumerate(times))


def stamps(text: str, **keys: Any) -> list[int]:
    table, bad = read(text, **keys)
    assert bad == []
    assert table["rpm_port"].to_pylist() == [1000.0 + n for n in range(table.num_rows)]
    return table["t_log_ns"].to_pylist()  # type: ignore[no-any-return]


# ---- time of day without a date, and dates without a year


def moments(start: datetime, count: int, step_s: float) -> list[datetime]:
    return [start + timedelta(seconds=step_s * n) for n in range(count)]


TIMES_OF_DAY: list[tuple[str, dict[str, Any]]] = [
    ("%H:%M:%S", {}),
    ("%H%M%S", {}),
    ("T%H:%M:%S.%f", {}),
    ("%H:%M:%SZ", {"timezone": "America/Chicago"}),
    ("%I:%M:%S %p", {"time_format": "%I:%M:%S %p"}),
    ("%H.%M.%S", {"time_format": "%H.%M.%S"}),
]


@pytest.mark.parametrize(("written", "keys"), TIMES_OF_DAY)
@pytest.mark.parametrize("start", [START, datetime(2026, 5, 14, 23, 59, 50, tzinfo=UTC)])
@pytest.mark.parametrize("step_s", [1, 37])
def test_midnight_moves_the_date_on(written: str, keys: dict[str, Any], start: datetime, step_s: int) -> None:
    truth = moments(start, 6000, step_s)  # 37 s: over three days
    assert stamps(log([m.strftime(written) for m in truth]), date="2026-05-14", **keys) == [ns(m) for m in truth]


def test_the_date_is_that_of_the_declared_zone_and_summer_time_ends_in_the_night() -> None:
    truth = moments(datetime(2026, 10, 24, 20, 0, tzinfo=UTC), 400, 60)  # the clocks go back at 01:00 UTC
    local = pd.DatetimeIndex(truth).tz_convert("Europe/Athens")
    text = log([f"{m:%H:%M:%S}" for m in local])
    assert stamps(text, date="2026-10-24", timezone="Europe/Athens") == [ns(m) for m in truth]


def test_a_date_of_toml_is_the_same_as_its_text() -> None:
    assert make_spec(date=datetime(2026, 5, 14).date()).date == "2026-05-14"


def test_newest_first_goes_back_over_midnight() -> None:
    truth = moments(datetime(2026, 5, 14, 0, 0, 20, tzinfo=UTC), 400, -7)
    assert stamps(log([f"{m:%H:%M:%S}" for m in truth]), date="2026-05-14") == [ns(m) for m in truth]


@pytest.mark.parametrize("odd", ["12:00:00", "03:17:44", "23:00:00", "00:00:00", "11:59:59"])
@pytest.mark.parametrize("at", [3, 9, 10, 11, 40])
def test_one_wrong_time_moves_no_other_row(odd: str, at: int) -> None:
    truth = moments(datetime(2026, 5, 14, 23, 59, 50, tzinfo=UTC), 60, 1)
    texts = [f"{m:%H:%M:%S}" for m in truth]
    texts[at] = odd
    found = stamps(log(texts), date="2026-05-14")
    assert [t for n, t in enumerate(found) if n != at] == [ns(m) for n, m in enumerate(truth) if n != at]


def test_a_hole_and_a_clock_set_back_are_no_midnight() -> None:
    texts = ["09:00:00", "09:00:01", "08:00:02", "08:00:03", "22:30:00", "22:30:01", "23:59:59", "00:00:00", "23:59:59"]
    day = ns(datetime(2026, 5, 14, tzinfo=UTC))
    hours = [9 * 3600, 9 * 3600 + 1, 8 * 3600 + 2, 8 * 3600 + 3, 81000, 81001, 86399, 86400, 86399]
    assert stamps(log(texts), date="2026-05-14") == [day + h * S for h in hours]


@pytest.mark.parametrize(("year", "days"), [(2026, 365), (2027, 365), (2024, 366)])
def test_new_year_moves_the_year_on(year: int, days: int) -> None:
    truth = moments(datetime(year, 12, 31, 23, 50, tzinfo=UTC), 300, 30)
    texts = [f"{m:%d.%m. %H:%M:%S}" for m in truth]
    assert stamps(log(texts), year=year, time_format="%d.%m. %H:%M:%S") == [ns(m) for m in truth]
    truth = moments(datetime(year, 1, 1, 12, tzinfo=UTC), days + 20, 86_400)
    texts = [f"{m:%b %d %H:%M}" for m in truth]
    assert stamps(log(texts), year=year, time_format="%b %d %H:%M") == [ns(m) for m in truth]


def test_a_day_that_the_year_has_not_is_no_time() -> None:
    texts = [f"28/02 23:59:{n:02d}" for n in range(50)] + ["29/02 00:00:00", "01/03 00:00:00"]
    table, bad = read(log(texts), year=2026, time_format="%d/%m %H:%M:%S")
    assert table["t_log_ns"].to_pylist()[-1] == ns(datetime(2026, 3, 1, tzinfo=UTC))
    assert [(r["line"], r["reason"], r["bytes"]) for r in bad] == [(51, "time", b"Time=29/02 00:00:00")]
    assert len(stamps(log(texts), year=2028, time_format="%d/%m %H:%M:%S")) == 52


# ---- two columns, six columns, numbers instead of headings


def test_date_and_time_in_two_columns_in_any_form() -> None:
    truth = moments(START, 50, 1)
    rows = "".join(f"{m:%d/%m/%Y},{m:%H:%M:%S},{1000 + n},1\r\n" for n, m in enumerate(truth))
    columns = {"date": "Day", "time": "Time"}
    keys: dict[str, Any] = {"columns": columns, "time_format": "%d/%m/%Y %H:%M:%S"}
    assert stamps("Day,Time,RPM,Fuel\r\n" + rows, **keys) == [ns(m) for m in truth]
    serial = [(m - datetime(1899, 12, 30, tzinfo=UTC)) / timedelta(days=1) for m in truth]
    rows = "".join(f"{int(d)},{d % 1!r},{1000 + n},1\r\n" for n, d in enumerate(serial))
    keys = {"columns": columns, "time_format": "spreadsheet"}
    assert stamps("Day,Time,RPM,Fuel\r\n" + rows, **keys) == [ns(m) for m in truth]


SIX = ["Y", "M", "D", "h", "m", "s"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.datetimes(datetime(1970, 1, 2), datetime(2199, 12, 30)), min_size=1, max_size=30),
    st.sampled_from(["{:d}", "{:02d}", "{:d}.0", "{:.6e}"]),
    st.booleans(),
)
def test_six_columns_are_a_time(times: list[datetime], shape: str, by_place: bool) -> None:
    lines = []
    for n, m in enumerate(times):
        parts = [shape.format(v) for v in (m.year, m.month, m.day, m.hour, m.minute)]
        lines.append(",".join([*parts, f"{m.second}.{m.microsecond:06d}", f"{1000 + n}", "1"]))
    columns: dict[str, Any] = {"time": [1, 2, 3, 4, 5, 6] if by_place else SIX}
    found = stamps(",".join([*SIX, "RPM", "Fuel"]) + "\n" + "\n".join(lines) + "\n", columns=columns)
    assert found == [ns(m.replace(tzinfo=UTC)) for m in times]


@pytest.mark.parametrize(
    "parts", ["2026,13,1,0,0,0", "2026,2,30,0,0,0", "2026,5,14,24,0,0", "2026,5,14,9,60,0", "2026,5,14,9,4,60",
              "0,5,14,9,4,x", "9999,5,14,9,4,3", "2026,5.5,14,9,4,3", "2026,5,14,,4,3",
              "1e308,5,14,9,4,3", "-5,5,1,1,1,1"]
)  # fmt: skip
def test_six_columns_that_are_no_time_cost_their_row(parts: str) -> None:
    good = "".join(f"2026,5,14,9,4,{n},{1000 + n},1\n" for n in range(60))
    table, bad = read(",".join([*SIX, "RPM", "Fuel"]) + "\n" + good + f"{parts},1,1\n", columns={"time": SIX})
    assert table.num_rows == 60
    assert [(r["line"], r["reason"]) for r in bad] == [(61, "time")]
    assert bad[0]["bytes"].decode() == f"Y + M + D + h + m + s={parts.replace(',', ' ')}"


@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", ","), ("\t", ".")])
@pytest.mark.parametrize("trailing", [False, True])
def test_columns_by_number_without_headings(delimiter: str, decimal: str, trailing: bool) -> None:
    truth = moments(START, 40, 1)
    lines = [
        delimiter.join(["x", f"{1000 + n}{decimal}25", f"{m:%Y-%m-%d %H:%M:%S}", f"{n}{decimal}5"] + [""] * trailing)
        for n, m in enumerate(truth)
    ]
    keys: dict[str, Any] = {"columns": {
        "time": 3, "rpm_port": {"name": 2, "unit": "rpm"}, "fuel_port": {"name": 4, "unit": "l/h"},
    }}  # fmt: skip
    text = "\r\n".join(lines) + "\r\n"
    table, bad = read(text, header_rows=0, delimiter=delimiter, decimal=decimal, **keys)
    assert bad == []
    assert table["row"].to_pylist() == list(range(40))
    assert table["rpm_port"].to_pylist() == [1000.25 + n for n in range(40)]
    assert table["t_log_ns"].to_pylist() == [ns(m) for m in truth]
    broken = text.replace(f"1007{decimal}25", "broken")
    table, bad = read(broken, header_rows=0, delimiter=delimiter, decimal=decimal, **keys)
    assert [(r["line"], r["bytes"]) for r in bad] == [(7, b"column 2=broken")]
    assert "there is no column 9" in refusal(
        text, header_rows=0, delimiter=delimiter, decimal=decimal, columns=keys["columns"] | {"time": 9}
    )


def test_numbers_pass_over_headings_that_cannot_be_matched() -> None:
    text = '"Time","Engine\nspeed","Fuel\n(l/h)"\r\n2026-05-14T09:04:03,1000,1\r\n'
    columns = {"time": 1, "rpm_port": {"name": 2, "unit": "rpm"}, "fuel_port": {"name": 3, "unit": "l/h"}}
    assert stamps(text, header_rows=3, columns=columns) == [ns(START)]


def test_a_wrong_delimiter_is_named_without_headings_too() -> None:
    columns = {"time": 1, "rpm_port": {"name": 2, "unit": "rpm"}, "fuel_port": {"name": 3, "unit": "l/h"}}
    assert "delimiter = ';'" in refusal("2026-05-14;1;2\n", header_rows=0, columns=columns)


# ---- formats that count


COUNTS: list[tuple[str, Callable[[float], str], bool]] = [
    ("unix_us", lambda s: f"{round((1778749443 + s) * 1e6)}", True),
    ("unix_s", lambda s: f"{1778749443 + s:.9E}", True),
    ("elapsed_ms", lambda s: f"{round(s * 1000)}", False),
    ("elapsed_ms", lambda s: f"{s * 1000:.3f}", False),
    ("elapsed_min", lambda s: f"{s / 60:.12f}", False),
    ("elapsed_s", lambda s: f"{s:.6E}", False),
    ("elapsed_hms", lambda s: f"{int(s // 3600)}:{int(s // 60 % 60):02d}:{s % 60:06.3f}", False),
    ("elapsed_hms", lambda s: f"{int(s // 3600):02d}:{int(s // 60 % 60):02d}:{int(s % 60):02d}", False),
]


@pytest.mark.parametrize(("time_format", "write", "is_unix"), COUNTS, ids=[f"{c[0]}-{n}" for n, c in enumerate(COUNTS)])
def test_counts_come_back(time_format: str, write: Callable[[float], str], is_unix: bool) -> None:
    seconds = [float(n * 61) for n in range(3000)]  # beyond 24 h
    found = stamps(log([write(s) for s in seconds]), time_format=time_format)
    assert found == pytest.approx([(1778749443 * is_unix + s) * S for s in seconds], abs=1)


@pytest.mark.parametrize("text", ["1:60:00", "1:00:60", "1:00", "x", "1.7E+00:00:00", ""])
def test_what_is_no_count_of_hours_is_refused(text: str) -> None:
    table, bad = read(log([f"0:00:{n:02d}" for n in range(50)] + [text]), time_format="elapsed_hms")
    assert (table.num_rows, [r["line"] for r in bad]) == (50, [51])


@given(st.lists(st.integers(0, 9999), min_size=1, max_size=30), st.sampled_from(["", ".5", ".123456789012"]))
@settings(deadline=None, max_examples=50)
def test_minutes_are_exact(minutes: list[int], rest: str) -> None:
    found = stamps(log([f"{m}{rest}" for m in minutes]), time_format="elapsed_min")
    assert found == [(m * 10**12 + int(rest[1:].ljust(12, "0") or 0)) * 60 // 1000 for m in minutes]


# ---- days of a spreadsheet


@settings(max_examples=60, deadline=None)
@given(st.lists(st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1)), min_size=1, max_size=20))
def test_days_of_a_spreadsheet_come_back_to_the_microsecond(times: list[datetime]) -> None:
    # Check against the outside: openpyxl's own serial days.
    found = stamps(log([repr(float(to_excel(m))) for m in times]), time_format="spreadsheet")
    # to_excel itself works with floating seconds of a day: a microsecond at most
    assert np.abs(np.array(found) - [ns(m.replace(tzinfo=UTC)) for m in times]).max() <= 1000


@pytest.mark.parametrize(
    ("serial", "expected"),
    [
        # ECMA-376 part 1, 18.17.4.1 and .3: the 1900 date system and its day 60
        ("1", "1900-01-01"), ("59", "1900-02-28"), ("60", None), ("61", "1900-03-01"), ("25569", "1970-01-01"),
        ("46156", "2026-05-14"), ("0.5", None), ("-1", None), ("1e308", None), ("nan", None),
    ],
)  # fmt: skip
def test_the_1900_system_is_read_with_its_leap_day_that_never_was(serial: str, expected: str | None) -> None:
    table, bad = read(log([f"46156.{n:03d}" for n in range(60)] + [serial]), time_format="spreadsheet")
    assert (table.num_rows, len(bad)) == (60 + (expected is not None), int(expected is None))
    if expected:
        assert table["t_log_ns"].to_pylist()[-1] == ns(datetime.fromisoformat(expected).replace(tzinfo=UTC))


def test_fractions_of_a_day_go_with_a_declared_date() -> None:
    fractions = [(86390 + n) % 86400 / 86400 for n in range(30)]
    found = stamps(log([repr(f) for f in fractions]), time_format="spreadsheet", date="2026-05-14")
    assert found == [ns(datetime(2026, 5, 14, 23, 59, 50, tzinfo=UTC)) + n * S for n in range(30)]


@pytest.mark.parametrize(
    "odd",
    ["0000-01-01T00:00:00,1,1", "9999-12-31T23:59:59,1,1", "Average,1200,11", ",1200,11", "Total 60 rows", "--,--,--",
     '2026-05-14T10:00:00,"1,1', "2026-05-14T10:00:00,1,1,1", "=SUM(B2:B9),,", "9e999,1,1", "\x1a",
     "#REF!,#REF!,#REF!"],
)  # fmt: skip
@pytest.mark.parametrize("at", [0, 30, 300])
def test_footers_and_other_odd_rows_cost_themselves(odd: str, at: int) -> None:
    times = [START + timedelta(seconds=n) for n in range(300)]
    lines = [f"{t:%Y-%m-%dT%H:%M:%S},{n},1.5" for n, t in enumerate(times)]
    lines.insert(at, odd)
    table, bad = read("Time,RPM,Fuel\r\n" + "\r\n".join(lines) + "\r\n")
    assert table["rpm_port"].to_pylist() == [float(n) for n in range(300)]
    assert {r["line"] for r in bad} == {at + 1}


def test_a_line_end_inside_a_cell_costs_its_row_only() -> None:
    # A row is one line, so that a stray quote cannot swallow the rows behind it.
    times = [START + timedelta(seconds=n) for n in range(300)]
    lines = [f'{t:%Y-%m-%dT%H:%M:%S},{n},1.5,"note"' for n, t in enumerate(times)]
    lines[100] = '2026-05-14T09:05:43,100,1.5,"two\r\nlines"'
    table, bad = read("Time,RPM,Fuel,Note\r\n" + "\r\n".join(lines) + "\r\n")
    assert table["rpm_port"].to_pylist() == [float(n) for n in range(300) if n != 100]
    assert [(r["line"] + 1, r["reason"]) for r in bad] == [(102, "quotes"), (103, "field count")]


# ---- languages


@pytest.mark.parametrize("locale", ["fr", "de", "es", "it", "nl", "pt_BR", "pt", "sv", "fi", "el", "pl", "tr", "en_AU"])
@pytest.mark.parametrize(
    ("skeleton", "pattern"),
    [("d MMM y HH:mm:ss", "%d %b %Y %H:%M:%S"), ("d MMMM y h:mm:ss a", "%d %B %Y %I:%M:%S %p"),
     ("dd-MMM-yy HH:mm", "%d-%b-%y %H:%M"), ("EEEE d. LLLL y HH:mm", "%A %d. %B %Y %H:%M")],
)  # fmt: skip
def test_months_and_halves_of_the_day_in_a_declared_language(locale: str, skeleton: str, pattern: str) -> None:
    # Check against the outside: written by Babel from the Unicode CLDR.
    truth = [datetime(2026, month, 3 + month, hour, 5, tzinfo=UTC) for month in range(1, 13) for hour in (0, 9, 12, 23)]
    texts = [format_datetime(m, skeleton, locale=locale) for m in truth]
    assert stamps(log(texts), time_format=pattern, locale=locale) == [ns(m) for m in truth]


@pytest.mark.parametrize(
    ("locale", "text"),
    [("en", "3 may 2026 9:05:00 p.m."), ("es", "3 MAYO 2026 9:05:00 p. m."), ("fr", "3 Mai. 2026 9:05:00 PM"),
     ("de", "3 Mai 2026 9:05:00 nachm."), ("en", "3 MAY 2026 09:05:00 P.M.")],
)  # fmt: skip
def test_spellings_that_loggers_use_are_known(locale: str, text: str) -> None:
    assert stamps(log([text]), time_format="%d %b %Y %I:%M:%S %p", locale=locale) == [
        ns(datetime(2026, 5, 3, 21, 5, tzinfo=UTC))
    ]


def test_a_word_of_another_language_costs_its_row() -> None:
    texts = [f"3 févr. 2026 1{n // 60}:{n % 60:02d}" for n in range(240)] + ["3 März 2026 10:00", "3 jui 2026 10:00"]
    table, bad = read(log(texts), time_format="%d %b %Y %H:%M", locale="fr")
    assert (table.num_rows, [r["line"] for r in bad]) == (240, [241, 242])


# ---- numbers


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(-1e7, 1e7).map(lambda x: round(x, 3)), min_size=1, max_size=30),
    st.sampled_from([(",", "."), (".", ","), (" ", ","), ("'", "."), ("\u2019", "."), (" ", ".")]),
    st.sampled_from(["", "\u00a0", "\u202f"]),
)
def test_groups_of_thousands_come_back(values: list[float], marks: tuple[str, str], space: str) -> None:
    thousands, decimal = marks
    texts = []
    for value in values:
        text = f"{value:,.3f}".replace(",", "#").replace(".", decimal)
        texts.append(text.replace("#", space if thousands == " " and space else thousands))
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["Time", "RPM", "Fuel"])
    writer.writerows([f"{n}", text, "1"] for n, text in enumerate(texts))
    table, bad = read(out.getvalue(), time_format="elapsed_s", thousands=thousands, decimal=decimal)
    assert bad == []
    assert table["rpm_port"].to_pylist() == values


@pytest.mark.parametrize("text", ["1,5", "12,34", "1,2345", "1234,567", ",123", "1,,234", "1,234,56", "1,234e2x"])
def test_other_groups_are_no_number(text: str) -> None:
    table, bad = read(log([f"{n}" for n in range(50)]) + f'50,"{text}",1\r\n', time_format="elapsed_s", thousands=",")
    assert table["rpm_port"].to_pylist()[-1] is None
    assert [(r["line"], r["reason"]) for r in bad] == [(51, "number")]


@given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=30), st.sampled_from(["E", "e"]))
@settings(deadline=None)
def test_numbers_with_an_exponent_come_back(values: list[float], letter: str) -> None:
    rows = "".join(f"{n},{value:.17{letter}},1\n" for n, value in enumerate(values))
    table, bad = read("Time,RPM,Fuel\n" + rows, time_format="elapsed_s")
    assert (table["rpm_port"].to_pylist(), bad) == (values, [])


def test_counts_become_values_by_scale_and_offset() -> None:
    columns = {
        "rpm_port": {"name": "RPM", "unit": "rpm", "scale": 0.125},
        "coolant_port": {"name": "T", "unit": "degF", "scale": 0.5, "offset": -40.0},
    }
    text = "Time,RPM,T,Fuel\n0,8000,304,0\n1,8001,,0\n"
    table, _ = read(text, time_format="elapsed_s", columns=columns)
    assert table["rpm_port"].to_pylist() == [1000.0, 1000.125]
    assert table["coolant_c_port"].to_pylist() == [pytest.approx(44.444444, abs=1e-6), None]


@pytest.mark.parametrize("text", ["1e308", "-1e308", "1e309", "Infinity", "-inf", "NaN", "nan", "1e99999", "9" * 400])
@pytest.mark.parametrize("scale", [1.0, 1e10])
def test_numbers_beyond_all_bounds_are_null_or_themselves_and_never_a_crash(text: str, scale: float) -> None:
    columns = {"rpm_port": {"name": "RPM", "unit": "1/s", "scale": scale}}
    table, bad = read(log([f"{n}" for n in range(200)]) + f"200,{text},1\r\n", time_format="elapsed_s", columns=columns)
    assert table["rpm_port"].to_pylist()[-1] is None
    assert [r["reason"] for r in bad] == ([] if text.lower() == "nan" else ["range" if "308" in text else "number"])


# ---- long forms


def long_rows(count: int = 200, step_ms: int = 1000) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a wide table and the same in long form, as pandas melts it."""
    times = pd.date_range("2026-05-14 09:00:00", periods=count, freq=f"{step_ms}ms")
    wide = pd.DataFrame({
        "Time": times.strftime("%Y-%m-%dT%H:%M:%S.%f"),
        "Engine1/speed": 1000.0 + np.arange(count) // 3,
        "Engine1/fuel": 10.0 + np.sin(np.arange(count)).round(3),
        "Engine1/note": 7.0,
    })  # fmt: skip
    return wide, wide.melt(id_vars="Time", var_name="Name", value_name="Value")


LONG: dict[str, Any] = {
    "form": "long", "parameter": "Name", "value": "Value",
    "columns": {"rpm_port": {"name": "Engine1/speed", "unit": "rpm"},
                "fuel_port": {"name": "Engine1/fuel", "unit": "l/h"}},
}  # fmt: skip


@pytest.mark.parametrize("order", ["by quantity", "by time", "newest first", "by quantity, newest first"])
def test_a_long_form_is_the_wide_one(order: str) -> None:
    # Check against the outside: melted by pandas.
    wide, long = long_rows()
    if "time" in order or order == "newest first":
        long = long.sort_values("Time", kind="stable")
    if "newest" in order:
        long, wide = (long.iloc[::-1], wide.iloc[::-1])
    table, bad = read(long.to_csv(index=False), **LONG)
    assert bad == []
    assert table["rpm_port"].to_pylist() == wide["Engine1/speed"].tolist()
    assert table["fuel_l_per_h_port"].to_pylist() == wide["Engine1/fuel"].tolist()
    stamps_ns = pd.to_datetime(wide["Time"]).dt.as_unit("ns").astype("int64").tolist()
    assert table["t_log_ns"].to_pylist() == stamps_ns
    assert table.schema.metadata == {b"backward_stamps": str(199 if "newest" in order else 0).encode()}


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_long_form_cut_anywhere_gives_the_same_rows(data: st.DataObject) -> None:
    _, long = long_rows(data.draw(st.integers(1, 40)))
    if data.draw(st.booleans()):
        long = long.sort_values("Time", kind="stable")
    keep = data.draw(st.lists(st.booleans(), min_size=len(long), max_size=len(long)))
    must = [k or name != "Engine1/note" for name, k in zip(long["Name"], keep, strict=True)]
    raw = long[must].to_csv(index=False).encode()
    whole, _ = decode_engine_log(raw, make_spec(**LONG), ("port",), "log.csv")
    decoder = EngineLogDecoder(make_spec(**LONG), ("port",), "log.csv")
    cuts = sorted(data.draw(st.lists(st.integers(0, len(raw)), max_size=8)))
    parts = [decoder.decode(raw[a:b])[0] for a, b in zip([0, *cuts], [*cuts, len(raw)], strict=True)]
    parts.append(decoder.finish()[0])
    assert pa.concat_tables([p.replace_schema_metadata() for p in parts]).to_pydict() == whole.to_pydict()


def test_readings_with_times_of_their_own_stay_apart() -> None:
    text = "Time,Name,Value\n0.0,Engine1/speed,1000\n0.4,Engine1/fuel,10\n1.0,Engine1/speed,1001\n1.4,Engine1/fuel,11\n"
    table, _ = read(text, time_format="elapsed_s", **LONG)
    assert table["rpm_port"].to_pylist() == [1000, None, 1001, None]
    assert table["fuel_l_per_h_port"].to_pylist() == [None, 10, None, 11]


def test_a_wrong_cell_of_a_long_form_is_named_with_its_reading() -> None:
    _, long = long_rows()
    long = long.astype({"Value": object})
    long.iloc[250, 2] = "ERR"
    long.iloc[500, 2] = "text of a reading that nobody wants"
    table, bad = read(long.to_csv(index=False), **LONG)
    assert [(r["line"], r["reason"], r["bytes"]) for r in bad] == [(251, "number", b"Engine1/fuel=ERR")]
    assert table["fuel_l_per_h_port"].null_count == 1


def test_a_name_that_is_not_there_is_refused_with_those_that_are() -> None:
    _, long = long_rows()
    text = refusal(long.replace("Engine1/speed", "Engine1/Speed").to_csv(index=False), **LONG)
    assert "no reading named 'Engine1/speed'" in text
    assert "'Engine1/Speed'" in text


@pytest.mark.parametrize("same_stamps", [True, False])
@pytest.mark.parametrize("order", ["by time", "by quantity", "one quantity alone"])
def test_two_engines_mixed_under_one_name_are_refused(same_stamps: bool, order: str) -> None:
    port, _ = long_rows(150)
    stbd = port.copy()
    stbd["Engine1/speed"] += 37.0
    stbd["Engine1/fuel"] += 2.0
    if not same_stamps:
        times = pd.to_datetime(stbd["Time"]) + pd.Timedelta("250ms")
        stbd["Time"] = times.dt.strftime("%Y-%m-%dT%H:%M:%S.%f")
    both = pd.concat([w.melt(id_vars="Time", var_name="Name", value_name="Value") for w in (port, stbd)])
    if order == "by time":
        both = both.sort_values("Time", kind="stable")
    elif order == "by quantity":
        both = both.sort_values("Name", kind="stable")
        if not same_stamps:
            return  # its two runs have times of their own: a log that was restarted looks the same
    else:
        both = both[both["Name"] == "Engine1/speed"].sort_values("Time", kind="stable")
        both = pd.concat([both, port[["Time"]].assign(Name="Engine1/fuel", Value=1.0)])
    text = refusal(both.to_csv(index=False), **LONG)
    assert "of two things in turns" in text
    assert "'Engine1/speed'" in text


@pytest.mark.parametrize("step_ms", [100, 200, 500])
def test_stamps_coarser_than_the_readings_are_not_taken_for_two_engines(step_ms: int) -> None:
    rng = np.random.default_rng(3)
    wide, _ = long_rows(400, step_ms)
    wide["Engine1/speed"] += rng.normal(0, 3, 400).round(1)
    wide["Time"] = wide["Time"].str[:19]
    long = wide.melt(id_vars="Time", var_name="Name", value_name="Value").sort_values("Time", kind="stable")
    table, _ = read(long.to_csv(index=False), **LONG)
    assert table["rpm_port"].drop_null().to_pylist() == wide["Engine1/speed"].tolist()


def test_repeated_rows_of_a_long_form_are_no_second_engine() -> None:
    _, long = long_rows()
    long = pd.concat([long, long]).sort_values("Time", kind="stable")
    assert read(long.to_csv(index=False), **LONG)[1] == []
