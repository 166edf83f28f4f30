"""The workbook, opened by others' libraries: every figure is the stored one, and nothing in it can do anything.

Opened with openpyxl, pandas and polars; converted with pint. A formula is a cell with ``f`` (ISO/IEC 29500-1,
18.3.1.40); how formulas begin: OWASP, "CSV Injection". Parts of the package: ECMA-376 part 2 (from memory).
"""

from __future__ import annotations

import io
import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import openpyxl
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from tests.made_once import processed_copy
from tests.report.test_reader_units import BOTH, IMPERIAL, METRIC_ONLY, US, in_pint
from tests.report.test_sheet import full_trial
from tests.report.trial_tables import bare_summary, make_trial, typed
from trialcapture.archive.notes import Note, parse_note, read_notes
from trialcapture.archive.session import open_session
from trialcapture.cli import group
from trialcapture.pipeline import process
from trialcapture.reduce.summary import Summary, parse_summary
from trialcapture.report.band_table import band_table
from trialcapture.report.format import DASH, METRIC, ReaderUnits, expanded
from trialcapture.report.sheet import build_sheet
from trialcapture.report.spreadsheet import trial_xlsx
from trialcapture.report.traced import text_of

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "displacement_session"
OWN = {"Speed": "kn", "Fuel flow": "L/h", "Economy": "nm/L", "Range": "nm"}
COLUMNS = {
    "Speed": ("speed_kn", "speed_u_kn", "speed_k"), "Fuel flow": ("fuel_l_per_h", "fuel_u_l_per_h", "fuel_k"),
    "Economy": ("economy_nm_per_l", "economy_u_nm_per_l", "economy_k"), "Range": ("range_nm", "range_u_nm", "range_k"),
}  # fmt: skip
IN_UNITS = {
    "metric": (METRIC, {"Speed": ["kn"], "Fuel flow": ["L/h"], "Economy": ["nm/L"], "Range": ["nm"]}),
    "us": (US, {
        "Speed": ["kn", "mph"], "Fuel flow": ["gal/h"], "Economy": ["nm/gal", "mi/gal"], "Range": ["nm", "mi"],
    }),
    "imperial": (IMPERIAL, {
        "Speed": ["kn", "mph"], "Fuel flow": ["imp gal/h"], "Economy": ["nm/imp gal", "mi/imp gal"],
        "Range": ["nm", "mi"],
    }),
    "us and metric": (BOTH, {
        "Speed": ["kn", "mph"], "Fuel flow": ["gal/h", "L/h"], "Economy": ["nm/gal", "mi/gal", "nm/L"],
        "Range": ["nm", "mi"],
    }),
}  # fmt: skip
EVIL = [
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "＝1+1",
    "=cmd|' /C calc'!A1",
    '=HYPERLINK("http://x.invalid")',
]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return processed_copy(SAMPLE.name, tmp_path_factory.mktemp("trial") / "session", pages=True)


def workbook(bands: pa.Table, legs: pa.Table | None, summary: Summary, notes: list[Note], units: ReaderUnits) -> bytes:
    return trial_xlsx(bands, legs, build_sheet(bands, legs, summary, units), summary, notes, units)


def of_session(folder: Path, units: ReaderUnits = METRIC, notes: list[Note] | None = None) -> bytes:
    reduction = folder / "reduction"
    bands, legs = pq.read_table(reduction / "bands.parquet"), None
    summary = parse_summary((reduction / "summary.json").read_text(encoding="utf-8"))
    return workbook(bands, legs, summary, notes or [], units)


def of_trial(trial: dict[str, Any], units: ReaderUnits = METRIC, notes: list[Note] | None = None) -> bytes:
    return workbook(trial["bands"], trial["legs"], typed(trial["summary"]), notes or [], units)


def opened(data: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(data))


def table(sheet: Any) -> list[dict[str, Any]]:
    """Return the rows below the heading, up to the first empty one, as cells by heading."""
    heads = [cell.value for cell in sheet[1]]
    assert len(heads) == len(set(heads))
    return [dict(zip(heads, row, strict=True)) for row in sheet.iter_rows(min_row=2) if any(c.value for c in row)]


def values(sheet: Any) -> list[dict[str, Any]]:
    return [{name: cell.value for name, cell in row.items()} for row in table(sheet)]


def shown(cell: Any) -> str:
    """Return what a cell shows: its number in its format, of the few forms that there are."""
    if cell.value is None:
        return ""
    form = cell.number_format
    if ";" in form:
        least = float(re.search(r"\[<([\d.]+)\]", form)[1])  # type: ignore[index]
        if 0 < cell.value < least:
            return str(re.search(r'"(<[\d.]+)"', form)[1])  # type: ignore[index]
        form = form.rpartition(";")[2]
    assert re.fullmatch(r"0(\.0+)?", form), form
    return f"{cell.value:.{len(form.partition('.')[2])}f}"


def parts(data: bytes) -> Iterator[tuple[str, bytes]]:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        for entry in packed.infolist():
            yield entry.filename, packed.read(entry)


@pytest.mark.parametrize("asked", IN_UNITS)
def test_every_band_figure_is_the_stored_one_in_the_readers_unit(session: Path, asked: str) -> None:
    units, expected = IN_UNITS[asked]
    bands = pq.read_table(session / "reduction" / "bands.parquet")
    summary = parse_summary((session / "reduction" / "summary.json").read_text(encoding="utf-8"))
    sheet = opened(of_session(session, units))["Bands"]
    heads = [cell.value for cell in sheet[1]]
    wanted = [f"{name}{pm} [{unit}]" for name in expected for unit in expected[name] for pm in ("", " ±")]
    assert [h for h in heads if h.partition(" [")[0].removesuffix(" ±") in OWN] == wanted
    stored = sorted(bands.to_pylist(), key=lambda r: r["band_rpm"])
    printed = band_table(bands, summary, units)
    made = table(sheet)
    assert len(made) == len(stored) >= 7
    checked = 0
    for row, r, told_row in zip(made, stored, printed.rows, strict=True):
        assert row["Band"].value == r["band_name"]
        cells = zip(printed.columns, told_row.cells, strict=True)
        as_printed = {(column.quantity.heading, column.scale.text): cell for column, cell in cells}
        for name, names in expected.items():
            value, u, k = (r[column] for column in COLUMNS[name])
            for unit in names:
                cell, pm = row[f"{name} [{unit}]"], row[f"{name} ± [{unit}]"]
                assert cell.value == pytest.approx(in_pint(value, OWN[name], unit, difference=False), rel=1e-12)
                half_width = expanded(u, k)
                assert half_width is not None
                assert pm.value == pytest.approx(in_pint(half_width, OWN[name], unit, difference=True), rel=1e-12)
                told = as_printed[name, unit]
                assert (shown(cell), shown(pm)) == (told.value, told.pm)
                checked += 2
    assert checked == 2 * len(stored) * sum(map(len, expected.values()))


def test_legs_are_those_of_the_result(session: Path) -> None:
    made = process(session)
    summary, legs = made["findings"], made["legs"]
    sheet = opened(workbook(made["bands"], legs, summary, [], US))["Legs"]
    got = values(sheet)
    stored = sorted(legs.to_pylist(), key=lambda r: r["start"])
    assert [g["Leg"] for g in got] == [r["segment_id"] for r in stored]
    for g, r in zip(got, stored, strict=True):
        assert g["Start [UTC]"] == r["start"].to_pydatetime(warn=False).replace(tzinfo=None, microsecond=0)
        assert g["Speed over ground [kn]"] == pytest.approx(r["sog_kn_mean"], rel=1e-12)
        assert g["Speed over ground ± [kn]"] == pytest.approx(2 * r["sog_u_kn"], rel=1e-12)
        flow = in_pint(r["fuel_l_per_h_mean"], "L/h", "gal/h", difference=False)
        assert g["Fuel flow [gal/h]"] == pytest.approx(flow, rel=1e-12)
        assert g["Least depth [ft]"] == pytest.approx(in_pint(r["depth_m_min"], "m", "ft", difference=False), rel=1e-9)
        assert g["Water [°F]"] == pytest.approx(in_pint(r["water_temp_c_mean"], "°C", "°F", difference=False), rel=1e-9)


def test_process_writes_it_among_the_results_twice_with_equal_bytes(session: Path, tmp_path: Path) -> None:
    first = (session / "reduction" / "trial.xlsx").read_bytes()
    again = tmp_path / "elsewhere" / "other"
    shutil.copytree(SAMPLE, again, ignore=shutil.ignore_patterns("trialset", "reduction"))
    made = process(again)
    assert made["paths"]["spreadsheet"].read_bytes() == first
    notes = read_notes(open_session(again))
    assert workbook(made["bands"], made["legs"], made["findings"], notes, METRIC) == first
    listed = json.loads((session / "reduction" / "results.json").read_text(encoding="utf-8"))
    assert "reduction/trial.xlsx" in {entry["path"] for entry in listed["files"]}
    result = CliRunner().invoke(group, ["process", str(again), "--units", "us"])
    assert result.exit_code == 0
    assert "Speed [mph]" in [c.value for c in opened(made["paths"]["spreadsheet"].read_bytes())["Bands"][1]]


def test_the_file_tells_no_time_of_making_and_no_path(session: Path) -> None:
    data = (session / "reduction" / "trial.xlsx").read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        assert {entry.date_time for entry in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    summary = parse_summary((session / "reduction" / "summary.json").read_text(encoding="utf-8"))
    begun = datetime.fromisoformat(summary.session.created).astimezone(UTC).replace(tzinfo=None, microsecond=0)
    properties = opened(data).properties
    assert (properties.created, properties.modified) == (begun, begun)
    assert not any(str(session.parent).encode() in content for _, content in parts(data))
    undated = replace(summary, session=replace(summary.session, created="no time"))
    bands = pq.read_table(session / "reduction" / "bands.parquet")
    assert opened(workbook(bands, None, undated, [], METRIC)).properties.created == datetime(1980, 1, 1)


def test_the_trial_page_says_what_the_sheet_says(session: Path) -> None:
    trial = full_trial()
    for units in (METRIC, US, BOTH):
        sheet = build_sheet(trial["bands"], trial["legs"], typed(trial["summary"]), units)
        rows = values(opened(of_trial(trial, units))["Trial"])
        said = [row["As on the trial sheet"] for row in rows if row["As on the trial sheet"]]
        wanted = [text_of(sheet.title), text_of(sheet.when), text_of(sheet.seal), sheet.missing]
        wanted += [text_of(sheet.plan)] if sheet.plan else []
        wanted += [text_of(t) for a in (*sheet.answers, *sheet.others) for t in (a.figure, *a.lines) if t]
        wanted += [text_of(t) for _, t in (*sheet.particulars, *sheet.weight, *sheet.conditions)]
        wanted += [text_of(t) for t in sheet.words] + [text_of(t) for _, _, t in sheet.limits]
        assert [w for w in wanted if w not in said] == []
        labels = {row["Trial"] for row in rows}
        assert {"Top speed", "Best cruise on the plane", "Length", "Test weight", "Wind, true", "Seal"} <= labels


def test_numbers_of_the_trial_page_are_those_in_its_words() -> None:
    trial = full_trial()
    rows = table(opened(of_trial(trial, BOTH))["Trial"])
    weight = next(r for r in rows if r["Trial"].value == "Test weight" and r["Value"].value is not None)
    kg = trial["summary"]["load"]["displacement_kg"]
    assert weight["Value"].value == round(in_pint(kg, "kg", "lb", difference=False))
    assert (weight["Unit"].value, weight["Value 2"].value, weight["Unit 2"].value) == ("lb", round(kg), "kg")
    top = next(r for r in rows if r["Trial"].value == "Top speed")
    text = top["As on the trial sheet"].value.replace("\u00a0", " ")
    assert f"{shown(top['Value'])} ± {shown(top['±'])} {top['Unit'].value}" == text
    said = "\n".join(str(r["As on the trial sheet"].value or "") for r in rows).replace("\u202f", "")
    numbers = [r[f"Value{n}"] for r in rows for n in ("", " 2") if r[f"Value{n}"].value is not None]
    assert len(numbers) > 50
    for cell in numbers:
        assert shown(cell).lstrip("-") in said
    costs = next(n for n, r in enumerate(rows) if str(r["As on the trial sheet"].value).startswith("against the best"))
    assert rows[costs + 2]["Value"].value < 0


def test_it_can_be_printed_and_scrolled(session: Path) -> None:
    for units, paper in ((METRIC, "9"), (IMPERIAL, "9"), (US, "1")):
        book = opened(of_session(session, units))
        assert book.sheetnames == ["Trial", "Bands", "Legs", "Manoeuvres", "Notes"]
        for sheet in book:
            assert sheet.freeze_panes.endswith("2")
            assert sheet.print_title_rows == "$1:$1"
            page = sheet.page_setup
            assert (page.orientation, str(page.paperSize)) == ("landscape", paper)
            # one page wide is what an absent width means (ISO/IEC 29500-1, 18.3.1.63); any number of pages long
            assert (page.fitToWidth, page.fitToHeight) == (None, 0)
            assert sheet.sheet_properties.pageSetUpPr.fitToPage
            assert all(5 <= d.width <= 80 for d in sheet.column_dimensions.values())
            assert all(cell.font.b and cell.value for cell in sheet[1])


def test_no_metric_unit_stands_in_a_us_workbook() -> None:
    trial = full_trial()
    metric = "|".join(map(re.escape, METRIC_ONLY))
    book = opened(of_trial(trial, US))
    heads = [cell.value for sheet in book for cell in sheet[1]]
    assert [h for h in heads if re.search(rf"\[({metric})\]", h)] == []
    texts = [str(cell.value) for row in book["Trial"].iter_rows() for cell in row if isinstance(cell.value, str)]
    definitions = texts.pop()
    assert definitions.startswith("±")
    assert [t for t in texts if t in METRIC_ONLY or re.search(rf"\d\s?(?:{metric})(?![\w/³])", t)] == []
    both = [cell.value for cell in opened(of_trial(trial, BOTH))["Bands"][1]]
    assert {"Fuel flow [gal/h]", "Fuel flow [L/h]", "Consumption [gal/nm]", "Consumption [L/nm]"} <= set(both)


# ------------------------------------------------------------------------------
# Charts.
# ------------------------------------------------------------------------------


def drawn(sheet: Any) -> list[tuple[str, list[tuple[str, str, str]]]]:
    """Return title and, of each curve, name, x and y of the charts, as headings of the columns they refer to."""

    def heading(reference: str) -> str:
        return str(sheet[f"{re.search(r'[A-Z]+', reference.rpartition('!')[2])[0]}1"].value)  # type: ignore[index]

    made = []
    for chart in sheet._charts:
        series = [s for part in chart._charts for s in part.series]
        title = "".join(run.t for p in chart.title.tx.rich.p for run in p.r or ())
        made.append(
            (title, [(heading(s.tx.strRef.f), heading(s.xVal.numRef.f), heading(s.yVal.numRef.f)) for s in series])
        )
    return made


def test_charts_are_drawn_from_the_columns_of_the_table() -> None:
    trial = full_trial()
    sheet = opened(of_trial(trial, US))["Bands"]
    assert drawn(sheet) == [
        (
            "Speed and economy over engine speed",
            [("Speed [kn]", "Rpm mean", "Speed [kn]"), ("Economy [nm/gal]", "Rpm mean", "Economy [nm/gal]")],
        ),
        ("Fuel flow over engine speed", [("Fuel flow [gal/h]", "Rpm mean", "Fuel flow [gal/h]")]),
    ]
    last = trial["bands"].num_rows + 1
    for chart in sheet._charts:
        assert chart.anchor._from.row > last
        for curve in (s for part in chart._charts for s in part.series):
            assert re.fullmatch(rf"Bands!\$[A-Z]+\$2:\$[A-Z]+\${last}", curve.yVal.numRef.f)
            assert len(curve.xVal.numRef.numCache.pt) == trial["bands"].num_rows
            # the bars are the column of the ± beside it
            (bars,) = curve.errBars if isinstance(curve.errBars, list) else [curve.errBars]
            assert sheet[bars.plus.numRef.f.split("!")[1].split(":")[0].replace("$", "")].column == (
                sheet[curve.yVal.numRef.f.split("!")[1].split(":")[0].replace("$", "")].column + 1
            )


def test_without_fuel_only_speed_is_drawn() -> None:
    sheet = opened(of_trial(make_trial(fuel=False)))["Bands"]
    assert drawn(sheet) == [("Speed over engine speed", [("Speed [kn]", "Rpm mean", "Speed [kn]")])]
    for row in values(sheet):
        assert row["Speed [kn]"] > 0
        # void is nothing, never zero
        assert {
            row[f"{name}{pm} [{OWN[name]}]"] for name in ("Fuel flow", "Economy", "Range") for pm in ("", " ±")
        } == {None}


def test_without_engine_speed_bands_have_names_and_nothing_is_drawn() -> None:
    trial = make_trial()
    bands = trial["bands"]
    for name in ("band_rpm", "rpm_low", "rpm_high", "rpm_mean"):
        bands = bands.set_column(bands.column_names.index(name), name, pa.nulls(bands.num_rows, pa.float64()))
    names = [f"{5 + n}.4 kn 09:{n:02d}" for n in range(bands.num_rows)]
    bands = bands.set_column(bands.column_names.index("band_name"), "band_name", pa.array(names))
    sheet = opened(of_trial(trial | {"bands": bands}))["Bands"]
    assert drawn(sheet) == []
    assert [row["Band"] for row in values(sheet)] == names
    assert {row["Rpm"] for row in values(sheet)} == {None}


def test_a_band_of_unknown_engine_speed_among_others_is_not_drawn() -> None:
    trial = make_trial()
    rows = trial["bands"].to_pylist()
    rows[0] |= {"band_rpm": None, "rpm_mean": None, "band_name": "5.4 kn 09:10"}
    sheet = opened(of_trial(trial | {"bands": pa.Table.from_pylist(rows, trial["bands"].schema)}))["Bands"]
    assert values(sheet)[-1]["Band"] == "5.4 kn 09:10"
    assert sheet._charts[0]._charts[0].series[0].yVal.numRef.f.endswith(f"${len(rows)}")


@pytest.mark.parametrize("units", [METRIC, BOTH])
def test_a_trial_without_bands_is_a_workbook_too(units: ReaderUnits) -> None:
    trial = make_trial(accepted=False)
    for summary in (trial["summary"], bare_summary()):
        book = opened(workbook(trial["bands"].slice(0, 0), None, typed(summary), [], units))
        assert book.sheetnames[:3] == ["Trial", "Bands", "Legs"]
        assert drawn(book["Bands"]) == []
        assert (table(book["Bands"]), table(book["Legs"]), table(book["Notes"])) == ([], [], [])
        assert "no run was accepted" in str([c.value for row in book["Trial"].iter_rows() for c in row])


# ------------------------------------------------------------------------------
# Manoeuvres and notes.
# ------------------------------------------------------------------------------


def manoeuvre(**facts: Any) -> dict[str, Any]:
    return {
        "kind": "stop track reach", "start": "2031-05-14T09:12:30.400Z", "direction_deg": 74.6, "from": "20 kn",
        "to": "2 kn", "value": 81.234, "u": 1.4, "unit": "m", "conditions": "current removed", "claimed": True,
        "reason": "",
    } | facts  # fmt: skip


def test_manoeuvres_stand_with_their_results_in_the_readers_units() -> None:
    trial = full_trial()
    missing = manoeuvre(claimed=False, value=None, u=None, reason="=the helm was not marked", direction="port")
    trial["summary"]["measures"][1]["manoeuvres"] = [manoeuvre(), missing]
    rows = table(opened(of_trial(trial, US))["Manoeuvres"])
    result, first, second = [r for r in rows if r["Result"].value == "Track reach"]
    feet = in_pint(81.2, "m", "ft", difference=False)
    assert result["Value"].value == pytest.approx(feet, rel=1e-12)
    assert result["±"].value == pytest.approx(2 * 1.4 / 0.3048, rel=1e-12)
    assert (result["Unit"].value, result["What"].value, result["Holds for"].value) == (
        "ft",
        "result",
        "mean of both ways",
    )
    assert first["Value"].value == pytest.approx(81.234 / 0.3048, rel=1e-12)
    assert first["Start [UTC]"].value == datetime(2031, 5, 14, 9, 12, 30)
    assert (first["What"].value, first["Direction"].value, first["From, to"].value) == (
        "stop track reach", "075", "20 kn to 2 kn",
    )  # fmt: skip
    assert (second["Value"].value, second["±"].value, second["Unit"].value) == (None, None, None)
    assert (second["Direction"].value, second["Not claimed because"].value) == ("port", "'=the helm was not marked")
    both = table(opened(of_trial(trial, BOTH))["Manoeuvres"])
    first = [r for r in both if r["Result"].value == "Track reach"][1]
    assert (first["Value 2"].value, first["Unit 2"].value) == (pytest.approx(81.234), "m")
    trial["summary"]["measures"] = []
    assert "Manoeuvres" not in opened(of_trial(trial)).sheetnames


def noted(**entry: Any) -> Note:
    return parse_note(json.dumps({"t": "2031-05-14T08:20:00Z", "by": "lead", **entry}).encode(), 0)


def test_notes_that_stand_are_there_with_their_numbers() -> None:
    notes = [
        noted(kind="remark", value="dry decks"),
        noted(kind="measure", value=1.25, unit="m", what="side deck", where="port"),
        noted(kind="sound", value=71.5, unit="dB(A)", where="helm", doors="closed", seconds=30, background_db=50.5),
        noted(kind="conditions", air_temp_c=11.5, wave_height_m=0.4, unit=""),
        noted(kind="gap", value="the network was silent", by="recorder"),
        noted(kind="sea", value="slight", t="2031-05-14T08:30:00Z"),
        noted(kind="undo", value="2031-05-14T08:30:00Z", of="sea"),
        noted(kind="exclude", value="2031-05-14T08:20:00Z", reason="ferry wash"),
        parse_note(b"{torn", 9),
    ]
    got = values(opened(of_trial(make_trial(), US, notes))["Notes"])
    assert [g["Kind"] for g in got] == ["remark", "measure", "sound", "conditions", "exclude", "damaged"]
    assert got[0]["Time [UTC]"] == datetime(2031, 5, 14, 8, 20)
    assert (got[1]["Value"], got[1]["Unit"], got[1]["Where"]) == (pytest.approx(1.25 / 0.3048), "ft", "port")
    assert (got[1]["As noted"], got[1]["More"]) == ("1.25 m", "what side deck")
    assert (got[2]["Value"], got[2]["Unit"]) == (71.5, "dB(A)")
    assert got[2]["More"] == "doors closed; seconds 30 s; background 50.5 dB(A)"
    assert got[3]["More"] == "air temp 52.7 °F; wave height 1.3 ft"
    assert (got[4]["Reason"], got[5]["As noted"], got[5]["Time [UTC]"]) == ("ferry wash", "{torn", None)


def test_more_notes_than_anybody_writes_are_counted() -> None:
    many = [noted(kind="remark", value=f"note {n}") for n in range(10_003)]
    got = values(opened(of_trial(make_trial(steps=(2000,)), METRIC, many))["Notes"])
    assert len(got) == 10_001
    assert got[-1]["As noted"] == "3 more notes stand in the session"


# ------------------------------------------------------------------------------
# What others wrote.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize("text", EVIL)
def test_nothing_that_others_wrote_becomes_a_formula(text: str) -> None:
    trial = full_trial(name=text)
    s = trial["summary"]
    s["trial"] |= {"title": text, "tested_by": text, "notes": text}
    s["conditions"] |= {"place": text, "trim": [text]}
    s["engines"][0]["id"] = text
    s["measures"][0]["answer"] |= {"label": text, "notes": [text]}
    legs = trial["legs"]
    legs = legs.set_column(legs.column_names.index("trim"), "trim", pa.array([text] * legs.num_rows))
    notes = [
        noted(kind="remark", value=text, where=text, by=text, reason=text),
        noted(kind="trim", value=text, side=text),
    ]
    data = of_trial(trial | {"legs": legs}, METRIC, notes)
    cells = [cell for sheet in opened(data) for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "d"}
    assert all(cell.hyperlink is None for cell in cells)
    begins = re.compile(r"[=+\-@\t\r\n＝＋－＠]")
    assert [cell.value for cell in cells if isinstance(cell.value, str) and begins.match(cell.value)] == []
    # a carriage return is spelled out, so that nothing begins with it
    spelled = "\\x0d" if text[0] == "\r" else "'"
    assert sum(isinstance(cell.value, str) and cell.value.startswith(spelled) for cell in cells) >= 8
    for name, content in parts(data):
        assert not re.search(rb"<f[ >]|<hyperlink|externalLink|TargetMode|definedName[^s>]*hidden", content), name
        assert not re.search(r"vba|macro|external|activeX|embed|connections|query", name, re.IGNORECASE)


@pytest.mark.parametrize(
    "text",
    [
        "a\x1b[2Jb",
        "a\x00b",
        "a\x07b",
        "a\u202eb",
        "a\ufffeb",
        "a\uffffb",
        "_x0041_",
        "<b>&amp;\"'",
        "a\x85b",
    ],
)
def test_no_name_breaks_the_file_or_hides_anything(text: str) -> None:
    trial = full_trial(name=text)
    trial["summary"]["trial"]["title"] = text
    data = of_trial(trial, METRIC, [Note(0, 0, "remark", text, "", text, {"where": text})])
    for name, content in parts(data):
        if name.endswith((".xml", ".rels")):
            ElementTree.fromstring(content)  # damaged XML is refused by every program
    book = opened(data)
    name = book["Trial"]["B2"].value
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\ud800-\udfff]", name)
    if text.startswith(("_x", "<b")):
        assert name == text
    assert book["Notes"]["C2"].value == name


def test_half_a_character_in_a_note_is_spelled_out() -> None:
    data = of_trial(make_trial(steps=(2000,)), METRIC, [Note(0, 0, "remark", "a\ud800b", "", "", {})])
    assert opened(data)["Notes"]["C2"].value == "a\\ud800b"


def test_a_text_longer_than_a_cell_is_cut_and_says_so() -> None:
    # a cell holds 32,767 characters; letters beyond the first plane count twice
    for long in ("x" * 40_000, "\U0001f6a4" * 20_000):
        trial = make_trial(steps=(2000,))
        got = opened(of_trial(trial, METRIC, [noted(kind="remark", value=long)]))["Notes"]["C2"].value
        assert got.endswith("… (cut)")
        assert len(got.encode("utf-16-le")) // 2 <= 32_767
        assert long.startswith(got.removesuffix(" … (cut)"))


def test_others_read_it_as_a_table(session: Path) -> None:
    path = session / "reduction" / "trial.xlsx"
    stored = pq.read_table(session / "reduction" / "bands.parquet").to_pandas().sort_values("band_rpm")
    with_charts = pd.read_excel(path, sheet_name="Bands").dropna(how="all")
    assert with_charts["Speed [kn]"].tolist() == pytest.approx(stored["speed_kn"].tolist(), rel=1e-12)
    frame = pl.read_excel(path, sheet_name="Bands", engine="openpyxl", infer_schema_length=None)
    assert frame["Fuel flow [L/h]"].drop_nulls().to_list() == pytest.approx(stored["fuel_l_per_h"].tolist(), rel=1e-12)
    assert frame["Band"].drop_nulls().to_list() == stored["band_name"].tolist()


def test_a_plus_minus_too_small_for_its_decimals_is_no_zero() -> None:
    trial = make_trial()
    rows = trial["bands"].to_pylist()
    rows[0]["speed_u_kn"], rows[1]["speed_u_kn"], rows[2]["speed_u_kn"] = 1e-6, 0.0, None
    bands = pa.Table.from_pylist(rows, trial["bands"].schema)
    made = table(opened(of_trial(trial | {"bands": bands}))["Bands"])
    assert [shown(made[n]["Speed ± [kn]"]) for n in range(3)] == ["<0.01", "0.00", ""]
    printed = band_table(bands, typed(trial["summary"]), METRIC).rows
    assert [row.cells[0].pm for row in printed[:3]] == ["<0.01", "0.00", ""]
    assert DASH not in {row["Speed [kn]"].value for row in made}
