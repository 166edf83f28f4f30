"""Engine logs are read as declared; what does not fit is refused with row and column, never guessed."""

import random
from encodings.aliases import aliases
from typing import Any

import pyarrow as pa
import pytest

from trialcapture.config import EngineLog
from trialcapture.decode import rejects
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.errors import TrialCaptureError

COLUMNS: dict[str, Any] = {
    "time": "Time",
    "rpm_port": {"name": "RPM", "unit": "rpm"},
    "fuel_port": {"name": "Fuel", "unit": "L/h"},
}
T0_NS = 1_777_888_800 * 10**9  # 2026-05-04T10:00:00Z
S = 10**9


def read(data: str | bytes, *, density: float | None = None, **spec: Any) -> tuple[pa.Table, list[dict[str, Any]]]:
    spec.setdefault("columns", COLUMNS)
    log = EngineLog.model_validate(spec)
    raw = data.encode() if isinstance(data, str) else data
    table, found = decode_engine_log(raw, log, ("port", "stbd"), "port.csv", density_kg_per_m3=density)
    assert found.schema.equals(rejects.SCHEMA)
    return table, found.to_pylist()


def refusal(data: str | bytes, **spec: Any) -> str:
    with pytest.raises(TrialCaptureError) as caught:
        read(data, **spec)
    return str(caught.value)


def rows(count: int, start: int = 0, end: str = "\r\n") -> str:
    return "".join(
        f"2026-05-04T10:{s // 60:02d}:{s % 60:02d},{1000 + s},{10 + s / 10}{end}" for s in range(start, start + count)
    )


HEAD = "Time,RPM,Fuel\r\n"


def test_columns_come_by_heading_in_canonical_units() -> None:
    table, found = read(
        "Fuel;Hours;Time;RPM\n5,0;12;04.05.2026 12:00:00;1000,5\n6,0;12;04.05.2026 12:00:01;1001\n",
        columns=COLUMNS | {"fuel_port": {"name": "Fuel", "unit": "US gal/h"}},
        time_format="%d.%m.%Y %H:%M:%S",
        timezone="Europe/Berlin",
        delimiter=";",
        decimal=",",
    )
    assert table.column_names == ["row", "t_log_ns", "rpm_port", "fuel_l_per_h_port"]
    assert table["row"].to_pylist() == [1, 2]
    assert table["t_log_ns"].to_pylist() == [T0_NS, T0_NS + S]
    assert table["rpm_port"].to_pylist() == [1000.5, 1001.0]
    assert table["fuel_l_per_h_port"].to_pylist() == pytest.approx([18.92705892, 22.712470704], abs=1e-12)
    assert table.schema.field("fuel_l_per_h_port").metadata == {b"unit": b"l/h"}
    assert found == []


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le with mark", "utf-16-be with mark", "utf-32"]
)
def test_line_ends_and_byte_order_marks_make_no_difference(end: str, encoding: str) -> None:
    text = (HEAD + rows(3)).replace("\r\n", end).replace("Fuel", "Füel")
    data = ("\ufeff" + text).encode(encoding.split(maxsplit=1)[0]) if "mark" in encoding else text.encode(encoding)
    columns = COLUMNS | {"fuel_port": {"name": "Füel", "unit": "L/h"}}
    table, found = read(data, columns=columns)
    assert table["rpm_port"].to_pylist() == [1000.0, 1001.0, 1002.0]
    assert found == []


def test_a_declared_encoding_is_used() -> None:
    text = (HEAD + rows(2)).replace("Fuel", "Débit °")
    columns = COLUMNS | {"fuel_port": {"name": "Débit °", "unit": "L/h"}}
    assert read(text.encode("cp1252"), columns=columns, encoding="cp1252")[0].num_rows == 2
    assert read(text.encode("utf-16-le"), columns=columns, encoding="utf-16-le")[0].num_rows == 2
    assert "encoding = 'cp1252'" in refusal(text.encode("cp1252"), columns=columns)
    assert "encoding = 'utf-16-le'" in refusal(text.encode("utf-16-le"), columns=columns)


def test_a_byte_that_is_no_text_costs_its_cell_only() -> None:
    data = (HEAD + rows(200)).encode().replace(b",1100,", b",11\xe9,")
    table, found = read(data)
    assert table["rpm_port"][100].as_py() is None
    assert table["rpm_port"][101].as_py() == 1101.0
    assert [(r["line"], r["reason"], r["bytes"]) for r in found] == [(101, "number", b"RPM=11\xe9")]


@pytest.mark.parametrize("void", ["", " ", "-", "--", "---", "n/a", "N/A", "nan", "NaN", "null", "NULL", '""'])
def test_void_is_null_and_never_zero(void: str) -> None:
    table, found = read(HEAD + rows(2) + f"2026-05-04T10:00:02,{void},0\r\n")
    assert table["rpm_port"].to_pylist() == [1000.0, 1001.0, None]
    assert table["fuel_l_per_h_port"].to_pylist()[2] == 0.0
    assert found == []


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1e3", 1000.0),
        ("+7", 7.0),
        ("-0.5", -0.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("0.1", 0.1),
        ("1000.000000001", 1000.000000001),
    ],
)
def test_numbers_are_read_as_python_reads_them(text: str, value: float) -> None:
    assert read(HEAD + f"2026-05-04T10:00:00,{text},1\n")[0]["rpm_port"].to_pylist() == [value]


@pytest.mark.parametrize(
    "text", ["1,5", "1 5", "0x10", "1e999", "inf", "1_000", "١٢", "10 rpm", "1.2.3", "--5", "1e", "TRUE"]
)
def test_what_is_no_number_is_a_reject_and_null(text: str) -> None:
    table, found = read(HEAD + rows(150) + f'2026-05-04T10:02:30,"{text}",1\r\n' + rows(3, 151))
    assert table.num_rows == 154
    assert table["rpm_port"].to_pylist()[149:152] == [1149.0, None, 1151.0]
    assert [(r["line"], r["reason"], r["bytes"]) for r in found] == [(151, "number", f"RPM={text}".encode())]


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ('"12,5"', "decimal = ','?"),
        ('"1,234.5"', "thousands"),
        ("12.5 l/h", "without units"),
        ("on", "skip_rows_after_header = 1"),
    ],
)
def test_a_column_that_does_not_fit_is_refused_with_row_column_and_advice(cell: str, said: str) -> None:
    text = refusal(HEAD + f"2026-05-04T10:00:00,1000,{cell}\r\n" * 2000)
    assert "port.csv, row 2, column 'Fuel'" in text
    assert said in text
    assert cell.strip('"') in text
    assert "row 2 reads Time = '2026-05-04T10:00:00', RPM = '1000', Fuel = " in text.replace("Row 2", "row 2")


@pytest.mark.parametrize("cell", ['"12,5"', '"1,234.5"', "12.5 l/h", "on", "####"])
def test_one_wrong_cell_costs_itself_in_the_first_row_too(cell: str) -> None:
    table, found = read(HEAD + f"2026-05-04T10:00:00,1000,{cell}\r\n" + rows(2000, 1))
    assert table["rpm_port"].to_pylist()[:2] == [1000.0, 1001.0]
    assert table["fuel_l_per_h_port"].to_pylist()[:2] == [None, 10.1]
    seen = "Fuel=" + cell.strip('"')
    assert [(r["line"], r["reason"], r["bytes"].decode()) for r in found] == [(1, "number", seen)]


@pytest.mark.parametrize("row", ["9,99", "2026-05-04T10:00:00", "26-05-04 25:61:00,x12,10"])
def test_one_wrong_row_costs_itself_in_the_first_place_too(row: str) -> None:
    table, found = read(HEAD + row + "\r\n" + rows(2000, 1))
    assert table["rpm_port"].to_pylist()[:2] == [1001.0, 1002.0]
    assert {r["line"] for r in found} == {1}


def test_a_log_nothing_of_which_can_be_read_shows_its_first_row_beside_the_declaration() -> None:
    text = refusal(HEAD + "4.5.26 10h,1000,10\r\n")
    assert "time_format = 'iso'" in text
    assert "row 2 reads Time = '4.5.26 10h', RPM = '1000', Fuel = '10'" in text


def test_more_than_one_in_a_hundred_is_a_wrong_declaration() -> None:
    def log(every: int) -> str:
        lines = rows(1000).splitlines(keepends=True)
        return HEAD + "".join(line.replace(",1", ",1x", 1) if i % every == 50 else line for i, line in enumerate(lines))

    table, found = read(log(100))
    assert table["rpm_port"].null_count == len(found) == 10
    text = refusal(log(90))
    assert "row 52, column 'RPM', one of 11 such cells in 1000" in text


def test_a_single_odd_cell_in_a_short_log_is_a_reject() -> None:
    table, found = read(HEAD + rows(5).replace("1003", "10O3"))
    assert table["rpm_port"].to_pylist() == [1000.0, 1001.0, 1002.0, None, 1004.0]
    assert len(found) == 1


def test_a_missing_heading_names_those_seen() -> None:
    text = refusal("Time,Rpm,Fuel\r\n" + rows(2))
    assert "no column headed 'RPM'" in text
    assert "'Time', 'Rpm', 'Fuel'" in text
    assert "port.csv, row 1" in text
    assert "did you mean 'Rpm'" in text.replace("Did", "did")


def test_a_wrong_delimiter_is_recognised() -> None:
    assert "delimiter = ';'" in refusal((HEAD + rows(2)).replace(",", ";"))
    assert r"delimiter = '\t'" in refusal((HEAD + rows(2)).replace(",", "\t"))
    assert "header_rows = 2" in refusal("sep=,\r\n" + HEAD + rows(2), delimiter=";")


def test_a_heading_that_stands_twice_must_be_numbered() -> None:
    data = "Port,,,Stbd,,\r\nTime,RPM,Fuel,Time,RPM,Fuel\r\n2026-05-04T10:00:00,1000,10,2026-05-04T10:00:00,2000,20\r\n"
    said = refusal(data, header_rows=2)
    assert "'Time' stands more than once" in said
    assert "columns 1, 4" in said
    table, _ = read(
        data,
        header_rows=2,
        columns={
            "time": "Time#1",
            "rpm_port": {"name": "RPM#1", "unit": "rpm"},
            "rpm_stbd": {"name": "RPM#2", "unit": "rpm"},
        },
    )
    assert table.select(["rpm_port", "rpm_stbd"]).to_pylist() == [{"rpm_port": 1000.0, "rpm_stbd": 2000.0}]
    assert "no column headed 'RPM#3'" in refusal(
        data, header_rows=2, columns=COLUMNS | {"time": "Time#1", "rpm_port": {"name": "RPM#3", "unit": "rpm"}}
    )


def test_rows_above_and_units_below_the_headings_are_passed_over() -> None:
    data = "Logger 7\r\n\r\n" + HEAD + ",1/min,l/h\r\n" + rows(3)
    table, found = read(data, header_rows=3, skip_rows_after_header=1)
    assert table["row"].to_pylist() == [4, 5, 6]
    assert found == []
    assert "skip_rows_after_header = 1" in refusal(data, header_rows=3)


def test_headings_repeated_in_mid_file_are_counted_and_may_change_places() -> None:
    moved = "Fuel,Time,RPM\r\n30,2026-05-04T10:01:00,3000\r\n"
    table, found = read(
        HEAD + "-,1/min,l/h\r\n" + rows(2) + HEAD + "-,1/min,l/h\r\n" + rows(1, 2) + moved, skip_rows_after_header=1
    )
    assert table["rpm_port"].to_pylist() == [1000.0, 1001.0, 1002.0, 3000.0]
    assert table["fuel_l_per_h_port"].to_pylist() == [10.0, 10.1, 10.2, 30.0]
    assert [(r["line"], r["reason"]) for r in found] == [(n, "repeated heading") for n in (4, 5, 7)]
    text = refusal(HEAD + rows(2) + "Time,Speed,Fuel\r\n" + rows(2))
    assert "port.csv, row 4" in text
    assert "no column headed 'RPM'" in text


@pytest.mark.parametrize(
    "torn", ["2026-05-04T10:00:03,10", "2026-05-04T10:00:0", "2026-05-04T10:00:03,1003,", '2026-05-04T10:00:03,"10']
)
def test_a_torn_last_row_is_a_reject(torn: str) -> None:
    table, found = read(HEAD + rows(3) + torn)
    assert table.num_rows == 3 + (torn.count(",") == 2)
    assert table["rpm_port"].to_pylist()[:3] == [1000.0, 1001.0, 1002.0]
    if torn.count(",") < 2:
        assert [(r["line"], r["reason"], r["bytes"]) for r in found] == [(4, "truncated", torn.encode())]


def test_the_very_last_cell_without_a_line_end_is_not_trusted() -> None:
    table, found = read(HEAD + rows(3) + "2026-05-04T10:00:03,1003,1")
    assert table["rpm_port"].to_pylist()[3] == 1003.0
    assert table["fuel_l_per_h_port"].to_pylist()[3] is None
    assert [(r["line"], r["reason"], r["bytes"]) for r in found] == [(4, "truncated", b"Fuel=1")]
    table, found = read(HEAD + rows(3) + '2026-05-04T10:00:03,1003,"12.5"')  # closed quotes: it is whole
    assert table["fuel_l_per_h_port"].to_pylist()[3] == 12.5
    assert found == []
    table, found = read("Time,RPM,Fuel,More\r\n2026-05-04T10:00:03,1003,1,x")  # the cut cell is not wanted
    assert table["fuel_l_per_h_port"].to_pylist() == [1.0]
    assert found == []


def test_rows_of_another_length_are_rejects_and_many_of_them_a_refusal() -> None:
    odd = "2026-05-04T10:05:00,1,5,10,7\r\n"
    table, found = read(HEAD + rows(300) + odd + "2026-05-04T10:05:01,10\r\n" + rows(2, 302))
    assert table.num_rows == 302
    assert [(r["line"], r["reason"]) for r in found] == [(301, "field count"), (302, "field count")]
    text = refusal(HEAD + rows(20) + odd * 2 + rows(2, 302))
    assert "row 22 (field count), 2 such row(s)" in text
    assert "decimal commas" in text
    table, found = read(HEAD + odd + rows(500))  # one wrong row costs itself, the first one too
    assert (table.num_rows, [(r["line"], r["reason"]) for r in found]) == (500, [(1, "field count")])
    assert "row 2 (field count)" in refusal(HEAD + odd)


def test_trailing_delimiters_and_empty_rows_are_harmless() -> None:
    data = "Time,RPM,Fuel,,\r\n" + rows(2).replace("\r\n", ",,\r\n") + "\r\n,,,,\r\n  \r\n" + rows(1, 2)
    table, found = read(data)
    assert table["row"].to_pylist() == [1, 2, 6]
    assert found == []


def test_a_stray_quote_costs_one_row() -> None:
    table, found = read(HEAD + rows(150) + '2026-05-04T10:02:30,"1000,10\r\n' + rows(3, 151))
    assert table.num_rows == 153
    assert [(r["line"], r["reason"]) for r in found] == [(151, "quotes")]


def test_quoted_cells_may_hold_the_delimiter() -> None:
    table, _ = read('"Time","Note, free","RPM","Fuel"\n2026-05-04T10:00:00,"a, ""b""","1000","10"\n')
    assert table["rpm_port"].to_pylist() == [1000.0]


def test_zero_bytes_of_a_power_cut_are_a_reject() -> None:
    table, found = read((HEAD + rows(150)).encode() + b"\0" * 4096)
    assert table.num_rows == 150
    assert [(r["line"], r["reason"]) for r in found] == [(151, "truncated")]
    assert len(found[0]["bytes"]) <= 256


@pytest.mark.parametrize("data", [b"", HEAD.encode(), b"\r\n\r\n", b"\x00" * 100, b"\xff\xfe", b"Time"])
def test_a_log_without_data_is_refused(data: bytes) -> None:
    assert "no row of data" in refusal(data) or "no column headed" in refusal(data)


def test_only_torn_or_empty_rows_are_no_data() -> None:
    assert "no whole row" in refusal(HEAD + "2026-05-04T10:00")
    assert "no whole row" in refusal(HEAD + ",,\r\n,,\r\n")


def test_stamps_that_go_back_are_kept_in_file_order_and_counted() -> None:
    table, found = read(HEAD + rows(3) + rows(2) + rows(3, 1))
    assert table["t_log_ns"].to_pylist() == [T0_NS + S * n for n in (0, 1, 2, 0, 1, 1, 2, 3)]
    assert table.schema.metadata == {b"backward_stamps": b"1"}
    assert found == []


def test_a_row_without_a_time_is_a_reject() -> None:
    table, found = read(HEAD + rows(200) + "--,1200,30\r\n" + rows(2, 201))
    assert table.num_rows == 202
    assert 1200.0 not in table["rpm_port"].to_pylist()[200:]
    assert [(r["line"], r["reason"], r["bytes"]) for r in found] == [(201, "time", b"Time=--")]


def test_date_and_time_in_two_columns() -> None:
    columns = COLUMNS | {"date": "Date"}
    data = "Time,Date,RPM,Fuel\r\n10:00:00,04/05/2026,1000,10\r\n10:00:01,04/05/2026,1001,10\r\n"
    table, _ = read(data, columns=columns, time_format="%d/%m/%Y %H:%M:%S")
    assert table["t_log_ns"].to_pylist() == [T0_NS, T0_NS + S]
    text = refusal(data, columns=columns, time_format="%m/%d/%Y %H:%M")
    assert "column 'Date + Time'" in text


def test_time_alone_and_swappable_dates_get_advice_and_no_guess() -> None:
    assert "no date" in refusal(HEAD + "10:00:00,1000,10\r\n")
    text = refusal(HEAD + "04/05/2026 10:00:00,1000,10\r\n")
    assert "'%d/%m/%Y %H:%M:%S' or '%m/%d/%Y %H:%M:%S'" in text
    assert "not guessed" in text
    assert "would fit time_format = '%d/%m/%Y %H:%M:%S'" in refusal(HEAD + "23/05/2026 10:00:00,1000,10\r\n")
    assert "would fit time_format = 'unix_ms'" in refusal(HEAD + "1777888800123,1000,10\r\n")
    assert "would fit time_format = 'unix_s'" in refusal(HEAD + "1777888800,1000,10\r\n")
    assert "would fit time_format = 'elapsed_s'" in refusal(HEAD + "12.5,1000,10\r\n")


def test_fuel_by_mass_needs_the_density() -> None:
    columns = COLUMNS | {
        "fuel_port": {"name": "Fuel", "unit": "kg/h"},
        "fuel_total_port": {"name": "Total", "unit": "lb"},
    }
    data = f"Time,RPM,Fuel,Total\n2026-05-04T10:00:00,1000,84,{84 / 0.45359237:.12f}\n"
    table, _ = read(data, columns=columns, density=840.0)
    assert table["fuel_l_per_h_port"].to_pylist() == pytest.approx([100.0])
    assert table["fuel_total_l_port"].to_pylist() == pytest.approx([100.0], abs=1e-6)
    assert "density_kg_per_m3" in refusal(data, columns=columns)


def test_a_value_too_large_for_its_new_unit_is_null() -> None:
    columns = COLUMNS | {"fuel_port": {"name": "Fuel", "unit": "m3/h"}}
    table, _ = read(HEAD + "2026-05-04T10:00:00,1000,1e308\n", columns=columns)
    assert table["fuel_l_per_h_port"].to_pylist() == [None]


def test_more_columns_than_a_log_can_have_are_refused() -> None:
    assert "1000002 columns" in refusal(HEAD.strip() + ",x" * 999_999 + "\r\n2026-05-04T10:00:00,1000,10\r\n")


@pytest.mark.parametrize("encoding", sorted(set(aliases.values()) | {"utf-8-sig"}))
def test_no_encoding_that_is_accepted_lets_bytes_raise(encoding: str) -> None:
    """Every character set that Python knows, with noise, and with the text it was made for."""
    try:
        spec = EngineLog.model_validate({"columns": COLUMNS, "encoding": encoding})
    except ValueError:
        return
    text = (HEAD + "2026-05-04T10:00:00,1000,10\r\n").encode(encoding, "replace")
    noise = random.Random(encoding).randbytes(3000)
    for data in (noise, text + noise, text):
        try:
            decode_engine_log(data, spec, ("port",), where="log")
        except TrialCaptureError:
            continue  # refused with its reason; anything else that is raised is a fault
