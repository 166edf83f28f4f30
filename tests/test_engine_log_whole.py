"""An engine log in another form gives the same trial: bands, clock and account of the data."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow.parquet as pq
import pytest
import tomli_w

from tests.numbers import process_numbers
from trialcapture.archive.collect import collect
from trialcapture.config import load_config
from trialcapture.rehearse.scenarios import DEFAULT, SCENARIOS, briefed
from trialcapture.rehearse.simulate import SimulatedTrial, simulate
from trialcapture.rehearse.write import write_session

Rows = list[list[str]]


@pytest.fixture(scope="module")
def trial() -> SimulatedTrial:
    return simulate(DEFAULT, 3, plan=briefed(SCENARIOS[DEFAULT].plan))


@pytest.fixture(scope="module")
def plain(trial: SimulatedTrial, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    session = tmp_path_factory.mktemp("plain") / "session"
    write_session(trial, session)
    return process_numbers(session)


def table(trial: SimulatedTrial) -> tuple[Rows, dict[str, Any]]:
    """Return the rows of the trial's engine log, and its settings as a table."""
    config = load_config(trial.config_text).model_dump(mode="json", exclude_none=True)
    rows = list(csv.reader(io.StringIO(trial.engine_logs[0].data.decode())))
    return rows, config


def text(rows: Rows) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue().encode()


def times(rows: Rows) -> list[datetime]:
    return [datetime.fromisoformat(row[0]) for row in rows[1:]]


def as_workbook(rows: Rows, log: dict[str, Any]) -> bytes:
    book = openpyxl.Workbook()
    book.active.append(rows[0])
    for t, row in zip(times(rows), rows[1:], strict=True):
        book.active.append([t, *(float(cell) if cell else None for cell in row[1:])])
    out = io.BytesIO()
    book.save(out)
    log["files"] = "engines.xlsx"
    return out.getvalue()


def as_time_of_day(rows: Rows, log: dict[str, Any]) -> bytes:
    log |= {"date": times(rows)[0].date().isoformat(), "time_format": "%I:%M:%S %p"}
    return text([rows[0], *([f"{t:%I:%M:%S %p}", *row[1:]] for t, row in zip(times(rows), rows[1:], strict=True))])


def as_six_columns(rows: Rows, log: dict[str, Any]) -> bytes:
    log["columns"]["time"] = list(range(1, 7))
    log["header_rows"] = 0
    for key, column in log["columns"].items():
        if key != "time":
            column["name"] = rows[0].index(column["name"]) + 6
    made = zip(times(rows), rows[1:], strict=True)
    return text([[*f"{t:%Y-%m-%d-%H-%M-%S}".split("-"), *row[1:]] for t, row in made])


def as_long_form(rows: Rows, log: dict[str, Any]) -> bytes:
    log |= {"form": "long", "parameter": "Name", "value": "Value"}
    made = [["Time", "Name", "Value"]]
    for n in range(1, len(rows[0])):
        made += [[row[0], rows[0][n], row[n]] for row in rows[1:]]
    return text(made)


def as_spreadsheet_days(rows: Rows, log: dict[str, Any]) -> bytes:
    log["time_format"] = "spreadsheet"
    days = [(t - datetime(1899, 12, 30)) / timedelta(days=1) for t in times(rows)]
    return text([rows[0], *([repr(d), *row[1:]] for d, row in zip(days, rows[1:], strict=True))])


FORMS = [as_workbook, as_time_of_day, as_six_columns, as_long_form, as_spreadsheet_days]


@pytest.mark.parametrize("write", FORMS, ids=lambda f: f.__name__)
def test_another_form_of_the_log_gives_the_same_bands(
    trial: SimulatedTrial, plain: dict[str, Any], tmp_path: Path, write: Callable[[Rows, dict[str, Any]], bytes]
) -> None:
    rows, config = table(trial)
    log = config["engine_log"][0]
    log.pop("time_format", None)
    data = write(rows, log)
    settings = tomli_w.dumps(config)
    session = tmp_path / "session"
    write_session(trial, tmp_path / "recorded")
    nmea = tmp_path / "recorded" / "raw" / "nmea.log"
    path = tmp_path / log["files"]
    path.write_bytes(data)
    collect([nmea], [path], load_config(settings), session, created="2026-06-01T00:00:00Z", config_text=settings)
    assert (session / "raw" / "engine" / path.name).read_bytes() == data
    found = process_numbers(session)
    names = ["band_rpm", "ways", "speed_kn", "fuel_l_per_h"]
    for one, other in zip(found["bands"].to_pylist(), plain["bands"].to_pylist(), strict=True):
        assert [one[n] for n in names] == pytest.approx([other[n] for n in names], rel=1e-6)


def test_a_wrong_cell_and_a_wrong_row_are_named_and_cost_themselves(
    trial: SimulatedTrial, plain: dict[str, Any], tmp_path: Path
) -> None:
    rows, config = table(trial)
    heading = config["engine_log"][0]["columns"]["fuel_port"]["name"]
    rows[1][rows[0].index(heading)] = "ERR"
    rows[40] = ["x"]
    write_session(trial, tmp_path / "session")
    (log,) = (tmp_path / "session" / "raw" / "engine").iterdir()
    log.write_bytes(text(rows))
    (tmp_path / "session" / "manifest.json").unlink()
    found = process_numbers(tmp_path / "session")
    speeds = [row["speed_kn"] for row in found["bands"].to_pylist()]
    assert speeds == pytest.approx([row["speed_kn"] for row in plain["bands"].to_pylist()], rel=1e-3)
    rejects = pq.read_table(tmp_path / "session" / "trialset" / "rejects.parquet").to_pylist()
    mine = [(r["line"], r["reason"], r["bytes"].decode()) for r in rejects if r["source"] == log.name]
    assert mine == [(2, "number", f"{heading}=ERR"), (41, "field count", "x")]
    summary = json.loads((tmp_path / "session" / "reduction" / "summary.json").read_text())
    items = [i for i in summary["data_health"]["rejected"] if i["sentence"] == log.name]
    assert [(i["field"], i["count"]) for i in items] == [("", 1), (heading, 1)]
    assert "row 41" in items[0]["reason"]
    assert "row 2: 'ERR'" in items[1]["reason"]
