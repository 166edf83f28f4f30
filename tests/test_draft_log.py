"""draft-log: what a first look shows, and a draft that reads the file once its questions are answered."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from click.testing import CliRunner, Result

from trialcapture.archive.collect import collect
from trialcapture.archive.raw import open_engine_log
from trialcapture.archive.session import engine_files
from trialcapture.cli import group
from trialcapture.config import load_config
from trialcapture.decode.engine_log.log_draft import look_at_bytes
from trialcapture.decode.engine_log.log_table import EngineLogDecoder
from trialcapture.errors import ConfigError, TrialCaptureError

START = datetime(2026, 6, 22, 9, 4, 3)
TIMES = [START + timedelta(seconds=n) for n in range(60)]
START_NS = int(START.replace(tzinfo=UTC).timestamp()) * 10**9
ENGINES = '[fuel]\ndensity_kg_per_m3 = 840\n[[engine]]\nid = "port"\nrated_rpm = 3000\n'
UTC_ZONE = {"timezone": '"UTC"'}
RPM_AND_FUEL = {"QUANTITY_ENGINE1 = { name = 2": "rpm", "QUANTITY_ENGINE1 = { name = 3": "fuel"}


def run(*arguments: str) -> Result:
    return CliRunner().invoke(group, ["draft-log", *arguments], catch_exceptions=True)


def rows(write: Callable[[datetime], str], delimiter: str = ",", decimal: str = ".", end: str = "\n") -> str:
    return "".join(
        delimiter.join([write(t), f"{1000 + n}{decimal}5", f"{n}{decimal}25"]) + end for n, t in enumerate(TIMES)
    )


def long_rows(by_time: bool) -> str:
    made = [
        f"{t.isoformat()},{name},{value}\n"
        for n, t in enumerate(TIMES)
        for name, value in (("Engine/Speed", 1000.5 + n), ("Engine/Fuel", n + 0.25))
    ]
    return "".join(made if by_time else sorted(made, key=lambda row: row.split(",")[1]))


@dataclass
class Layout:
    """One way a log is laid out, and what a person answers."""

    text: str
    answers: dict[str, str] = field(default_factory=dict)
    encoding: str = "utf-8"
    start_ns: int = START_NS


HEAD = "Time,Engine speed (rpm),Fuel rate (l/h)\n"
SERIAL = datetime(1899, 12, 30)
LAYOUTS = {
    "iso": Layout(HEAD + rows(datetime.isoformat), UTC_ZONE),
    "iso with zone": Layout(HEAD + rows(lambda t: f"{t.isoformat()}Z")),
    "byte order mark": Layout("\ufeff" + HEAD + rows(datetime.isoformat, end="\r\n"), UTC_ZONE),
    "utf-16": Layout(HEAD + rows(datetime.isoformat), UTC_ZONE, "utf-16"),
    "utf-16 without mark": Layout(HEAD + rows(datetime.isoformat), UTC_ZONE, "utf-16-le"),
    "line ends of one CR": Layout(HEAD.replace("\n", "\r") + rows(datetime.isoformat, end="\r"), UTC_ZONE),
    "cp1252": Layout(
        "Time;Régime (rpm);Débit carburant (l/h)\n" + rows(lambda t: f"{t:%d.%m.%Y %H:%M:%S}", ";", ","),
        {"encoding": '"cp1252"', **UTC_ZONE}, "cp1252",
    ),
    "day before month, or not": Layout(
        HEAD + rows(lambda t: f"{t - timedelta(days=17):%d/%m/%Y %H:%M:%S}"),
        {"time_format": '"%d/%m/%Y %H:%M:%S"', **UTC_ZONE}, start_ns=START_NS - 17 * 86400 * 10**9,
    ),
    "units below": Layout(HEAD + ",rpm,l/h\n" + rows(lambda t: f"{t:%Y/%m/%d %H:%M:%S}"), UTC_ZONE),
    "rows above": Layout("Logger 7,,\n\nSerial 4,,\n" + HEAD + rows(datetime.isoformat), UTC_ZONE),
    "a.m. and p.m.": Layout(HEAD + rows(lambda t: f"{t:%m/%d/%Y %I:%M:%S %p}"), UTC_ZONE),
    "time of day": Layout(HEAD + rows(lambda t: f"{t:%H:%M:%S}"),
                          {"time_format": '"iso"', "date": '"2026-06-22"', **UTC_ZONE}),
    "no year": Layout(HEAD + rows(lambda t: f"{t:%d.%m. %H:%M:%S}"), {"year": "2026", **UTC_ZONE}),
    "two columns": Layout(HEAD.replace("Time", "Date,Time") + rows(lambda t: f"{t:%d-%m-%Y},{t:%H:%M:%S}"), UTC_ZONE),
    "a day that is written as midnight": Layout(
        HEAD.replace("Time", "Date,Time") + rows(lambda t: f"{t:%Y-%m-%d} 00:00:00,{t:%H:%M:%S}"),
        {"time_format": '"iso"', "date": '"2026-06-22"', **UTC_ZONE}),
    "six columns": Layout("Y,M,D,h,m,s,rpm,Fuel (l/h)\n" + rows(lambda t: f"{t:%Y,%m,%d,%H,%M,%S}"),
                          {"unit, such as rpm": '"rpm"', **UTC_ZONE}),
    "no headings": Layout(rows(datetime.isoformat), {**RPM_AND_FUEL, **UTC_ZONE}),
    "no headings, tabs": Layout(rows(lambda t: f"{t:%d.%m.%Y %H:%M:%S}", "\t", ","), {**RPM_AND_FUEL, **UTC_ZONE}),
    "long, by time": Layout("Time,Name,Value\n" + long_rows(True), {"l/h": '"l/h"', "rpm": '"rpm"', **UTC_ZONE}),
    "long, by quantity": Layout("Time,Name,Value\n" + long_rows(False),
                                {"l/h": '"l/h"', "rpm": '"rpm"', **UTC_ZONE}),
    "unix_s": Layout(HEAD + rows(lambda t: f"{t.replace(tzinfo=UTC).timestamp():.0f}")),
    "unix_ms": Layout(HEAD + rows(lambda t: f"{t.replace(tzinfo=UTC).timestamp() * 1e3:.0f}")),
    "unix_us": Layout(HEAD + rows(lambda t: f"{t.replace(tzinfo=UTC).timestamp() * 1e6:.0f}")),
    "elapsed_s": Layout(HEAD + rows(lambda t: f"{(t - START).total_seconds():.1f}"), {"time_format": '"elapsed_s"'},
                        start_ns=0),
    "elapsed_ms": Layout(HEAD + rows(lambda t: f"{(t - START).total_seconds() * 1000:.0f}"),
                         {"time_format": '"elapsed_ms"'}, start_ns=0),
    "elapsed_hms": Layout(HEAD + rows(lambda t: f"{t - START}"), {"time_format": '"elapsed_hms"', "date": None,
                                                                  "timezone": None}, start_ns=0),
    "spreadsheet": Layout(HEAD + rows(lambda t: repr((t - SERIAL) / timedelta(days=1))),
                          {"time_format": '"spreadsheet"', **UTC_ZONE}),
    "thousands": Layout(
        "Time;Speed (rpm);Fuel (l/h)\n"
        + "".join(f"{t.isoformat()};{1000 + n:,}.5;{n}.25\n" for n, t in enumerate(TIMES)), UTC_ZONE),
    "French months": Layout(HEAD + rows(lambda t: f"{t:%d} juin {t:%Y %H:%M:%S}"), UTC_ZONE),
    "months that two languages share": Layout(
        HEAD + rows(lambda t: f"{t - timedelta(days=30):%d} mai {t:%Y %H:%M:%S}"), {"locale": '"fr"', **UTC_ZONE},
        start_ns=START_NS - 30 * 86400 * 10**9),
    "English months": Layout(HEAD + rows(lambda t: f"{t:%d %b %Y %H:%M:%S}"), UTC_ZONE),
    "fuel by mass": Layout("Time,RPM,Fuel (kg/h)\n" + "".join(
                               f"{t.isoformat()},{1000 + n}.5,{n * 0.84 + 0.21!r}\n" for n, t in enumerate(TIMES)),
                           {"unit, such as rpm": '"rpm"', **UTC_ZONE}),
}  # fmt: skip


def filled(draft: str, answers: dict[str, str]) -> str:
    """Answer a draft's questions as a person would, in a text editor."""
    lines = draft.replace("ENGINE1", "port").splitlines()
    for question, answer in answers.items():
        made = []
        for line in lines:
            key = line.partition(" = ")[0]
            if key == question:
                made += [] if answer is None else [f"{key} = {answer}"]
            elif line.startswith(f"# {question.replace('ENGINE1', 'port')}"):
                unit = {"rpm": "rpm", "fuel": "l/h"}[answer]
                made.append(line.removeprefix("# ").replace("QUANTITY", answer).replace('"?"', f'"{unit}"'))
            elif '"?"' in line and question in line and "name =" in line:
                made.append(line.replace('"?"', answer))
            else:
                made.append(line)
        lines = made
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_draft_reads_its_log_once_its_questions_are_answered(tmp_path: Path, name: str) -> None:
    layout = LAYOUTS[name]
    path = tmp_path / "log.csv"
    path.write_bytes(layout.text.encode(layout.encoding))
    result = run(str(path), "--json", "--timezone", "UTC")
    assert result.exit_code == 0, result.output
    (found,) = json.loads(result.stdout)["files"]
    tomllib.loads(found["draft"])
    if "?" in found["draft"]:  # what only a person can know is no setting
        with pytest.raises(ConfigError):
            load_config(ENGINES + found["draft"])
    check_reads(path, filled(found["draft"], layout.answers), layout.start_ns)


def check_reads(path: Path, draft: str, start_ns: int) -> None:
    config = load_config(ENGINES + draft)
    spec, blocks = open_engine_log(path, config.engine_log[0], 1000, warn=pytest.fail)
    decoder = EngineLogDecoder(spec, config.engine_ids, path.name, density_kg_per_m3=840)
    parts = [*map(decoder.decode, blocks), decoder.finish()]
    read: dict[str, list[Any]] = {"t_log_ns": [], "rpm_port": [], "fuel_l_per_h_port": []}
    for table, bad in parts:
        assert bad.to_pylist() == []
        for key in read:
            read[key] += table[key].to_pylist()
    assert read["rpm_port"] == [1000.5 + n for n in range(60)]
    assert read["fuel_l_per_h_port"] == pytest.approx([n + 0.25 for n in range(60)])
    assert read["t_log_ns"] == [start_ns + n * 10**9 for n in range(60)]


@pytest.mark.parametrize("sheets", [1, 2])
def test_a_workbook_is_drafted_too(tmp_path: Path, sheets: int) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Engine"
    for row in [
        ["Time", "Engine speed (rpm)", "Fuel (l/h)"],
        *([t, 1000.5 + n, n + 0.25] for n, t in enumerate(TIMES)),
    ]:
        book.active.append(row)
    if sheets == 2:
        book.create_sheet("Notes").append(["a note"])
    path = tmp_path / "log.xlsx"
    book.save(path)
    if sheets == 2:
        assert "several sheets" in str(run(str(path)).exception)
    more = ["--sheet", "Engine"] if sheets == 2 else []
    (found,) = json.loads(run(str(path), "--json", *more).stdout)["files"]
    assert ('sheet = "Engine"' in found["draft"]) == (sheets == 2)
    check_reads(path, filled(found["draft"], UTC_ZONE), START_NS)


def test_the_first_time_is_shown_as_each_declaration_would_have_it(tmp_path: Path) -> None:
    path = tmp_path / "port.csv"
    path.write_text(HEAD + rows(lambda t: f"{t - timedelta(days=17):%d/%m/%Y %H:%M:%S}"))
    said = run(str(path), "--timezone", "America/Chicago", "--timezone", "+12:00").output
    assert '"%d/%m/%Y %H:%M:%S"\n      5 Jun 2026 09:04:03 local = 14:04:03 UTC, if the zone is America/Chicago' in said
    assert '"%m/%d/%Y %H:%M:%S"\n      6 May 2026 09:04:03 local = 14:04:03 UTC, if the zone is America/Chicago' in said
    assert "5 Jun 2026 09:04:03 local = 4 Jun 2026 21:04:03 UTC, if the zone is +12:00" in said
    assert "   1  Time | Engine speed (rpm) | Fuel rate (l/h)" in said
    assert 'time_format = "?"  # decide: ' in said
    assert max(map(len, said.split("a table to edit")[0].splitlines())) <= 100
    assert not (tmp_path / "boat.toml").exists()


def test_what_is_no_engine_log_is_named(tmp_path: Path) -> None:
    contents: dict[str, tuple[bytes, str]] = {
        "a.nmea": (b"$GPRMC,100000,A,4916.45,N,12311.12,W,010.5,054.7,040526,,,A*5F\r\n", "an NMEA log"),
        "a.log": (b"(1700000000.123456) can0 09F80102#FFFFFFFF\n", "a CAN log"),
        "a.txt": (b"hello\nworld\n", "no row of this file looks like data"),
        "a.csv": (b"", "empty"),
        "b.csv": (b"\x00\xff" * 500, "no row of this file"),
    }
    for name, (data, said) in contents.items():
        (tmp_path / name).write_bytes(data)
        fault = run(str(tmp_path / name)).exception
        assert isinstance(fault, TrialCaptureError)
        assert said in str(fault)
    for arguments in (
        [str(tmp_path / "absent.csv")],
        [str(tmp_path)],
        [str(tmp_path / "b.csv"), "--timezone", "Athens"],
    ):
        assert isinstance(run(*arguments).exception, TrialCaptureError)
    assert run().exit_code == 2


def test_an_nmea_log_and_a_can_log_are_explained(tmp_path: Path) -> None:
    nmea, can = tmp_path / "a.nmea", tmp_path / "a.log"
    nmea.write_bytes(b"$GPRMC,100000,A,4916.45,N,12311.12,W,010.5,054.7,040526,,,A*5F\r\n$IIDPT,3.4,0.5*77\r\n")
    can.write_bytes(b"(1700000000.123456) can0 09F20010#00B036D204FBFFFF\n" * 3)
    found = json.loads(run("--nmea", str(nmea), "--nmea", str(can), "--json").stdout)
    assert [[(s["sentence"], s["count"]) for s in log["sentences"]] for log in found["logs"]] == [
        [("GPRMC", 1), ("IIDPT", 1)], [("127488", 3)],
    ]  # fmt: skip
    said = run("--nmea", str(nmea)).output
    assert "010.5" in said
    assert "GPRMC" in said
    fault = run("--nmea", str(tmp_path / "absent")).exception
    assert isinstance(fault, TrialCaptureError)


def test_a_filled_draft_collects_and_is_found_again(tmp_path: Path) -> None:
    path = tmp_path / "Port engine.csv"
    path.write_text(LAYOUTS["iso"].text)
    nmea = tmp_path / "a.nmea"
    nmea.write_bytes(b"$GPRMC,100000,A,4916.45,N,12311.12,W,010.5,054.7,040526,,,A*5F\r\n")
    (found,) = json.loads(run(str(path), "--json").stdout)["files"]
    text = ENGINES + filled(found["draft"], UTC_ZONE)
    session = collect(
        [nmea], [path], load_config(text), tmp_path / "s", created="2026-06-22T18:00:00Z", config_text=text
    )
    assert [p.name for p, _ in engine_files(session)] == ["Port engine.csv"]


@pytest.mark.parametrize("cell", ['a "quoted" name', "back\\slash", "tab\there", "ünïcode °", "[x]"])
def test_any_heading_is_sound_toml(tmp_path: Path, cell: str) -> None:
    path = tmp_path / "log.csv"
    quoted = '"' + cell.replace('"', '""') + '"'
    path.write_text(f"Time,{quoted},Engine speed (rpm)\n2026-05-14T09:00:00,1,2\n2026-05-14T09:00:01,1,2\n", "utf-8")
    (found,) = json.loads(run(str(path), "--json").stdout)["files"]
    tomllib.loads(found["draft"])
    line = next(line for line in found["draft"].splitlines() if re.match("# QUANTITY_ENGINE1", line))
    assert tomllib.loads(line.removeprefix("# ").replace("QUANTITY_ENGINE1", "x"))["x"]["name"] == " ".join(
        cell.split("\n")
    )


@pytest.mark.parametrize(("is_whole", "rows"), [(True, 3), (False, 2)])
def test_a_line_that_breaks_off_with_what_was_read_is_not_looked_at(is_whole: bool, rows: int) -> None:
    head = b"2026-06-22T09:04:03,1000,1\n2026-06-22T09:04:04,1001,2\n2026-06-22T09:04:05,100"
    assert len(look_at_bytes(head, "a.csv", is_whole=is_whole).rows) == rows


def test_one_long_line_is_looked_at_though_it_breaks_off() -> None:
    look = look_at_bytes(b"2026-06-22T09:04:03,1000.5,0.25", "a.csv", is_whole=False)
    assert look.rows == [["2026-06-22T09:04:03", "1000.5", "0.25"]]
