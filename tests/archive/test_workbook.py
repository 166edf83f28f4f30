"""Engine logs that are workbooks: read as the same log in text is, and never more than is safe."""

from __future__ import annotations

import zipfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from trialcapture.archive import raw
from trialcapture.archive.raw import is_workbook, open_engine_log, sheet_names
from trialcapture.config import EngineLog
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, decode_engine_log
from trialcapture.errors import TrialCaptureError

S = 10**9
START = datetime(2026, 5, 14, 9, 4, 3)
START_NS = int(START.replace(tzinfo=UTC).timestamp()) * S
CHANNELS = {"rpm_port": {"name": "RPM", "unit": "rpm"}, "fuel_port": {"name": "Fuel", "unit": "l/h"}}


def make_spec(**keys: Any) -> EngineLog:
    columns = {"time": "Time", **CHANNELS} | keys.pop("columns", {})
    return EngineLog.model_validate({"columns": columns} | keys)


def read(path: Path, **keys: Any) -> tuple[pa.Table, list[dict[str, Any]], list[str]]:
    told: list[str] = []
    spec, blocks = open_engine_log(path, make_spec(**keys), 3000, warn=told.append)
    decoder = EngineLogDecoder(spec, ("port",), path.name)
    parts = [*map(decoder.decode, blocks), decoder.finish()]
    rows = pa.concat_tables([table.replace_schema_metadata() for table, _ in parts])
    return rows, [row for _, bad in parts for row in bad.to_pylist()], told


def refusal(path: Path, **keys: Any) -> str:
    with pytest.raises(TrialCaptureError) as caught:
        read(path, **keys)
    return str(caught.value)


def book(path: Path, rows: list[list[Any]], formats: dict[int, str] | None = None, **sheets: list[list[Any]]) -> Path:
    made = openpyxl.Workbook()
    made.active.title = "Log"
    for row in rows:
        made.active.append(row)
    for column, shape in (formats or {}).items():
        for (cell,) in made.active.iter_rows(min_row=2, min_col=column, max_col=column):
            cell.number_format = shape
    for title, others in sheets.items():
        sheet = made.create_sheet(title)
        for row in others:
            sheet.append(row)
    made.save(path)
    return path


def data_rows(times: list[Any]) -> list[list[Any]]:
    return [["Time", "RPM", "Fuel"], *([t, 1000 + n, n + 0.5] for n, t in enumerate(times))]


def check(path: Path, count: int, **keys: Any) -> list[int]:
    rows, bad, told = read(path, **keys)
    assert (bad, told) == ([], [])
    assert rows["row"].to_pylist() == list(range(1, count + 1))
    assert rows["rpm_port"].to_pylist() == [1000.0 + n for n in range(count)]
    assert rows["fuel_l_per_h_port"].to_pylist() == [n + 0.5 for n in range(count)]
    return rows["t_log_ns"].to_pylist()  # type: ignore[no-any-return]


TIMES = [START + timedelta(seconds=n) for n in range(400)]
TRUE_NS = [START_NS + n * S for n in range(400)]


@pytest.mark.parametrize("time_format", ["iso", "%d/%m/%Y %H:%M:%S", "%d %b %Y %I:%M:%S %p", "spreadsheet"])
@pytest.mark.parametrize("locale", [None, "fr"])
def test_cells_that_hold_dates_are_read_whatever_they_look_like(
    tmp_path: Path, time_format: str, locale: str | None
) -> None:
    path = book(tmp_path / "a.xlsx", data_rows(TIMES), {1: "dd.mm.yyyy hh:mm:ss"})
    assert check(path, 400, time_format=time_format, locale=locale) == TRUE_NS


def test_a_workbook_written_by_pandas_is_the_log_written_by_pandas_as_text(tmp_path: Path) -> None:
    # Check against the outside: one frame, written by pandas in both forms.
    frame = pd.DataFrame({"Time": TIMES, "Speed": 1.0, "RPM": range(1000, 1400), "Fuel": [n / 7 for n in range(400)]})
    frame.loc[[3, 77], "Fuel"] = None
    path = tmp_path / "a.xlsx"
    frame.to_excel(path, index=False)
    rows, bad, _ = read(path)
    expected, _ = decode_engine_log(frame.to_csv(index=False).encode(), make_spec(), ("port",), "a.csv")
    assert bad == []
    for name in rows.column_names:  # the workbook holds 16 digits
        assert rows[name].is_null().equals(expected[name].is_null())
        assert rows[name].drop_null().to_pylist() == pytest.approx(expected[name].drop_null().to_pylist(), rel=1e-15)


def test_texts_and_numbers_are_read_as_declared(tmp_path: Path) -> None:
    texts = [f"{t:%d/%m/%Y %H:%M:%S}" for t in TIMES]
    assert check(book(tmp_path / "a.xlsx", data_rows(texts)), 400, time_format="%d/%m/%Y %H:%M:%S") == TRUE_NS
    unix = [START_NS // S + n for n in range(400)]
    assert check(book(tmp_path / "b.xlsx", data_rows(unix)), 400, time_format="unix_s") == TRUE_NS
    assert check(book(tmp_path / "c.xlsx", data_rows(unix)), 400, time_format="unix_s", decimal=",") == TRUE_NS
    days = [(t - datetime(1899, 12, 30)) / timedelta(days=1) for t in TIMES]
    assert check(book(tmp_path / "d.xlsx", data_rows(days)), 400, time_format="spreadsheet") == pytest.approx(
        TRUE_NS,
        abs=1000,  # 16 digits
    )


def test_day_and_time_in_two_columns(tmp_path: Path) -> None:
    rows = [["Day", "Time", "RPM", "Fuel"], *([t.date(), t.time(), 1000 + n, n + 0.5] for n, t in enumerate(TIMES))]
    path = book(tmp_path / "a.xlsx", rows, {1: "dd/mm/yyyy", 2: "hh:mm:ss"})
    for time_format in ("iso", "%d/%m/%Y %H:%M:%S", "spreadsheet"):
        assert check(path, 400, columns={"date": "Day"}, time_format=time_format) == TRUE_NS


def test_times_of_day_with_a_declared_date(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", data_rows([t.time() for t in TIMES]), {1: "hh:mm:ss"})
    for time_format in ("iso", "%H:%M:%S", "spreadsheet"):
        assert check(path, 400, date="2026-05-14", time_format=time_format) == TRUE_NS
    assert 'declare date = "2026-05-14"' in refusal(path)


@pytest.mark.parametrize("shape", ["[h]:mm:ss", "h:mm:ss"])
def test_hours_since_the_start(tmp_path: Path, shape: str) -> None:
    spans = [timedelta(seconds=n * 700) for n in range(400)]  # beyond three days
    path = book(tmp_path / "a.xlsx", data_rows([s / timedelta(days=1) for s in spans]), {1: shape})
    assert check(path, 400, time_format="elapsed_hms") == [n * 700 * S for n in range(400)]


def test_headings_that_are_broken_into_lines_and_cells_with_tabs_and_quotes(tmp_path: Path) -> None:
    rows = [["Time", "a\tb", "Engine\nspeed", 'the "fuel"'], [START, 'x"\ty\n', 1000, 0.5]]
    columns = {"rpm_port": {"name": "Engine\nspeed", "unit": "rpm"}, "fuel_port": {"name": 'the "fuel"', "unit": "l/h"}}
    assert check(book(tmp_path / "a.xlsx", rows), 1, columns=columns) == [START_NS]


def test_rows_are_those_that_the_spreadsheet_shows(tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet["B4"], sheet["C4"], sheet["D4"] = "Time", "RPM", "Fuel"
    for n in range(200):
        sheet.cell(6 + n, 2, TIMES[n])
        sheet.cell(6 + n, 3, 1000 + n if n != 100 else "#DIV/0!")
        sheet.cell(6 + n, 4, 1)
    sheet.cell(9, 9, "a note beside the table")
    made.save(tmp_path / "a.xlsx")
    rows, bad, _ = read(tmp_path / "a.xlsx", header_rows=4)
    assert rows["row"].to_pylist() == list(range(5, 205))  # from 0: sheet rows 6 to 205
    assert [(r["line"] + 1, r["bytes"]) for r in bad] == [(106, b"RPM=#DIV/0!")]
    columns = {"time": 2, "rpm_port": {"name": 3, "unit": "rpm"}, "fuel_port": {"name": 4, "unit": "l/h"}}
    assert read(tmp_path / "a.xlsx", header_rows=0, skip_rows_after_header=5, columns=columns)[0].equals(rows)


def test_dates_and_texts_in_one_column_are_not_mixed(tmp_path: Path) -> None:
    # A spreadsheet that takes the day for the month leaves texts where there is no such month.
    times = [f"{n}/05/2026 10:00:00" if n > 12 else datetime(2026, n, 5, 10) for n in range(1, 32)]
    path = book(tmp_path / "a.xlsx", data_rows(times))
    for time_format in ("iso", "%d/%m/%Y %H:%M:%S"):
        assert "a text among dates" in refusal(path, time_format=time_format)
    path = book(tmp_path / "b.xlsx", data_rows(times[::-1]))
    assert "a date among texts" in refusal(path, time_format="%d/%m/%Y %H:%M:%S")


def test_the_sheet_is_declared_where_there_are_several(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", [["notes"]], Engine=data_rows(TIMES))
    assert sheet_names(path) == ["Log", "Engine"]
    assert "several sheets, saw \"'Log', 'Engine'\"" in refusal(path)
    assert "no sheet 'engine'" in refusal(path, sheet="engine")
    assert check(path, 400, sheet="Engine") == TRUE_NS


def test_days_from_1904_are_not_guessed(tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    made.epoch = CALENDAR_MAC_1904
    for row in data_rows(TIMES):
        made.active.append(row)
    made.save(tmp_path / "a.xlsx")
    assert check(tmp_path / "a.xlsx", 400, time_format="iso") == TRUE_NS  # a date is a date
    for (cell,) in made.active.iter_rows(min_row=2, max_col=1):
        cell.value, cell.number_format = (cell.value - datetime(1904, 1, 1)) / timedelta(days=1), "0.00000"
    made.save(tmp_path / "b.xlsx")
    assert "counts days from 1904" in refusal(tmp_path / "b.xlsx", time_format="spreadsheet")


def test_a_long_form_in_a_workbook(tmp_path: Path) -> None:
    rows = [["Time", "Name", "Value"]]
    rows += [[t, name, value] for n, t in enumerate(TIMES) for name, value in (("s", 1000 + n), ("f", n + 0.5))]
    columns = {"rpm_port": {"name": "s", "unit": "rpm"}, "fuel_port": {"name": "f", "unit": "l/h"}}
    found, bad, _ = read(book(tmp_path / "a.xlsx", rows), form="long", parameter="Name", value="Value", columns=columns)
    assert (found["t_log_ns"].to_pylist(), bad) == (TRUE_NS, [])
    assert found["fuel_l_per_h_port"].to_pylist() == [n + 0.5 for n in range(400)]


# ---- what is no sound workbook


def repacked(path: Path, change: dict[str, bytes | None]) -> Path:
    with zipfile.ZipFile(path) as old:
        parts = {info.filename: old.read(info) for info in old.infolist()} | change
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in parts.items():
            if content is not None:
                new.writestr(name, content)
    return path


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"PK\x03\x04" + b"x" * 100, "cannot be read"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "an old .xls file"),
    ],
)
def test_what_is_no_workbook_is_named(tmp_path: Path, data: bytes, said: str) -> None:
    (tmp_path / "a.xlsx").write_bytes(data)
    assert said in refusal(tmp_path / "a.xlsx")


def test_another_archive_is_no_workbook(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as archive:
        archive.writestr("log.csv", "Time,RPM\n")
    assert "no workbook, saw 'log.csv'" in refusal(tmp_path / "a.xlsx")


@pytest.mark.parametrize(
    "part", ["xl/workbook.xml", "[Content_Types].xml", "xl/worksheets/sheet1.xml", "xl/styles.xml"]
)
@pytest.mark.parametrize("content", [None, b"", b"<nonsense", b"<a/>", b"\xff\xfe\x00"])
def test_a_damaged_part_is_a_fault_with_a_name_or_a_warning(tmp_path: Path, part: str, content: bytes | None) -> None:
    path = repacked(book(tmp_path / "a.xlsx", data_rows(TIMES)), {part: content})
    told: list[str] = []
    try:
        _, _, told = read(path)
    except TrialCaptureError as fault:
        told = [str(fault)]
    assert "a.xlsx" in "".join(told) or part == "xl/styles.xml"


def test_of_a_sheet_that_breaks_off_what_comes_before_is_used(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", data_rows(TIMES))
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    repacked(path, {"xl/worksheets/sheet1.xml": sheet[: len(sheet) // 2]})
    rows, _, told = read(path)
    assert 100 < rows.num_rows < 300
    assert ["damaged behind row" in text for text in told] == [True]


def test_truncated_copies_are_refused_by_name(tmp_path: Path) -> None:
    whole = book(tmp_path / "a.xlsx", data_rows(TIMES)).read_bytes()
    for size in (4, 100, len(whole) // 2, len(whole) - 10):
        (tmp_path / "b.xlsx").write_bytes(whole[:size])
        assert "b.xlsx" in refusal(tmp_path / "b.xlsx")


def test_a_small_file_that_unpacks_to_a_large_one_is_not_opened(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", data_rows(TIMES[:3]))
    repacked(path, {"xl/worksheets/sheet1.xml": b" " * (40 << 20)})
    assert "larger than an engine log can be" in refusal(path)


def test_large_shared_texts_are_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(raw, "_MOST_BYTES_HELD", 20_000)
    path = repacked(book(tmp_path / "a.xlsx", data_rows(TIMES[:3])), {"xl/sharedStrings.xml": b" " * 30_000})
    assert "30000 bytes in xl/sharedStrings.xml" in refusal(path)


def test_a_row_beyond_the_format_is_not_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert raw._MOST_ROWS == 1_048_576  # ECMA-376, as spreadsheets show it; a smaller one is sooner reached
    monkeypatch.setattr(raw, "_MOST_ROWS", 10_000)
    path = book(tmp_path / "a.xlsx", data_rows(TIMES[:3]))
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    repacked(path, {"xl/worksheets/sheet1.xml": sheet.replace(b'<row r="4"', b'<row r="99999999"')})
    assert "larger than an engine log can be" in refusal(path)


def test_entities_that_multiply_are_not_followed(tmp_path: Path) -> None:
    entities = b'<!ENTITY e0 "' + b"x" * 100 + b'">'
    for n in range(1, 10):
        entities += b'<!ENTITY e%d "' % n + b"&e%d;" % (n - 1) * 10 + b'">'
    path = book(tmp_path / "a.xlsx", data_rows(TIMES[:3]))
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml").split(b"?>")[-1]
    for part in ("xl/worksheets/sheet1.xml", "xl/workbook.xml"):
        content = b'<?xml version="1.0"?><!DOCTYPE a [' + entities + b"]>" + sheet.replace(b"RPM", b"&e9;")
        text = refusal(repacked(path, {part: content}))
        assert "a.xlsx" in text
        assert len(text) < 1000


def test_text_is_no_workbook(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"Time,RPM,Fuel\n")
    assert not is_workbook(tmp_path / "a.csv")
    spec = make_spec(encoding="cp1252")
    assert open_engine_log(tmp_path / "a.csv", spec, 10, warn=lambda _: None)[0] is spec


def test_times_are_dates_of_a_date_alone_too(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", data_rows([date(2026, 5, 14), datetime(2026, 5, 14, 9)]))
    assert check(path, 2) == [START_NS // S // 86400 * 86400 * S, START_NS // S // 3600 * 3600 * S]


def test_a_cell_that_is_true_or_false_is_refused_as_the_spreadsheet_shows_it(tmp_path: Path) -> None:
    rows = data_rows(TIMES)
    rows[5][1], rows[9][2] = True, False
    table, bad, _ = read(book(tmp_path / "a.xlsx", rows))
    assert table["rpm_port"][4].as_py() is None
    assert table["fuel_l_per_h_port"][8].as_py() is None
    assert [b"TRUE" in bad[0]["bytes"], b"FALSE" in bad[1]["bytes"]] == [True, True]


def _with_sheet(path: Path, sheet: bytes) -> None:
    book = openpyxl.Workbook()
    book.save(path)
    with zipfile.ZipFile(path) as file:
        parts = {name: file.read(name) for name in file.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, part in parts.items():
            file.writestr(name, sheet if name == "xl/worksheets/sheet1.xml" else part)


_MAIN = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%b</sheetData></worksheet>'


def test_entities_of_a_sheet_are_not_expanded(tmp_path: Path) -> None:
    """A package may hold no document type definitions at all (ECMA-376 part 2, from memory)."""
    entities = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "' + b"&a;" * 1000 + b'">]>'
    _with_sheet(tmp_path / "a.xlsx", entities + _MAIN % b'<row r="1"><c t="inlineStr"><is><t>&b;</t></is></c></row>')
    rows, told = [], list[str]()
    try:
        rows = raw.first_rows(tmp_path / "a.xlsx", None, 5)
    except TrialCaptureError as refusal:
        told.append(str(refusal))
    assert not any("haha" in cell for row in rows for cell in row)


def test_rows_that_name_the_last_column_alone_are_counted_at_their_full_width(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(raw, "_MOST_CELLS", 10 * 16_384)
    rows = b"".join(b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>' % (n, n) for n in range(1, 100))
    _with_sheet(tmp_path / "a.xlsx", _MAIN % rows)
    assert len(raw.first_rows(tmp_path / "a.xlsx", None, 5)) == 5
    with pytest.raises(TrialCaptureError, match="larger"):
        raw.first_rows(tmp_path / "a.xlsx", None, 50)


@pytest.mark.parametrize("is_large", [False, True])
def test_a_list_of_parts_is_not_read_where_it_says_that_it_is_long(
    tmp_path: Path, is_large: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the record for large archives (ZIP64) says so and the small one does not."""
    if is_large:  # every archive of more than one part is written as a large one
        monkeypatch.setattr(zipfile, "ZIP_FILECOUNT_LIMIT", 1)
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as file:
        for number in range(3000):
            file.writestr(f"xl/{number:05}", b"")
    assert (b"PK\x06\x06" in (tmp_path / "a.xlsx").read_bytes()) is is_large
    monkeypatch.setattr(raw, "_MOST_LIST_BYTES", 100_000)
    monkeypatch.setattr(zipfile, "ZipFile", None)  # it would read the whole list
    with pytest.raises(TrialCaptureError, match="a list of parts of 1"):
        sheet_names(tmp_path / "a.xlsx")


def test_a_file_of_nothing_but_the_end_of_an_archive_is_believed_in_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w"):
        pass
    end = bytearray((tmp_path / "a.xlsx").read_bytes())
    assert end.startswith(b"PK\x05\x06")
    end[12:16] = (2**31).to_bytes(4, "little")  # size of the list (APPNOTE 6.3.10, 4.3.16)
    (tmp_path / "a.xlsx").write_bytes(end)
    monkeypatch.setattr(zipfile, "ZipFile", None)
    with pytest.raises(TrialCaptureError, match="a list of parts of 2147483648 bytes"):
        sheet_names(tmp_path / "a.xlsx")
