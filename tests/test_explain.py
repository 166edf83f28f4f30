"""From a printed number back: the raw lines named are the ones whose own times lie in the leg, read here by hand."""

from __future__ import annotations

import csv
import gzip
import json
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from tests.made_once import processed_copy
from tests.numbers import process_numbers
from trialcapture.cli import group
from trialcapture.errors import TrialCaptureError

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"
TIME = re.compile(rb"\$G.RMC,(\d\d)(\d\d)(\d\d)(?:\.\d+)?,A")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return processed_copy("journal_session", tmp_path_factory.mktemp("explain") / "session")


def explained(folder: Path, *what: str) -> dict[str, Any]:
    done = CliRunner().invoke(group, ["explain", str(folder), *what, "--json"], catch_exceptions=False)
    assert done.exit_code == 0
    told: dict[str, Any] = json.loads(done.output)
    return told


def shown(folder: Path, *what: str) -> str:
    done = CliRunner().invoke(group, ["explain", str(folder), *what], catch_exceptions=False)
    return " ".join(done.output.split())


def rmc_times(raw: bytes, day: datetime) -> list[datetime]:
    return [day + timedelta(hours=int(h), minutes=int(m), seconds=int(s)) for h, m, s in TIME.findall(raw)]


def test_lines_and_bytes_are_those_whose_times_lie_in_the_leg(session: Path) -> None:
    told = explained(session, "1800")
    log = (session / "raw" / "nmea.log").read_bytes()
    lines = log.split(b"\r\n")
    for leg in told["legs"]:
        start, stop = (datetime.fromisoformat(leg[key]) for key in ("start", "stop"))
        (place,) = leg["raw"]["lines"]
        inside = log[place["first_byte"] : place["stop_byte"]]
        assert inside.split(b"\r\n")[:-1] == lines[place["first_line"] - 1 : place["last_line"]]
        day = start.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=UTC)
        whole = {t for t in rmc_times(log, day) if start <= t < stop}
        assert whole
        assert whole <= set(rmc_times(inside, day))
        assert place["sentences"]["bus GPRMC"] == len(whole)
        # nothing much before or after: the first and last second at most
        assert all(start - timedelta(seconds=2) <= t < stop + timedelta(seconds=2) for t in rmc_times(inside, day))


def test_engine_rows_are_those_whose_times_lie_in_the_leg(session: Path) -> None:
    told = explained(session, "1800")
    rows = (session / "raw" / "engine" / "engines.csv").read_text(encoding="utf-8").splitlines()
    for leg in told["legs"]:
        (place,) = leg["raw"]["rows"]
        start, stop = (datetime.fromisoformat(leg[key]) for key in ("start", "stop"))
        times = [
            datetime.fromisoformat(row.split(",")[0]).replace(tzinfo=UTC) + timedelta(seconds=place["offset_s"])
            for row in rows[place["first_row"] - 1 : place["last_row"]]
        ]
        assert len(times) == place["rows"] == place["last_row"] - place["first_row"] + 1
        assert start - timedelta(seconds=0.2) <= times[0]
        assert times[-1] < stop + timedelta(seconds=0.2)
        assert (stop - start).total_seconds() == pytest.approx(place["rows"], abs=2.0)


def test_the_numbers_are_those_of_the_table_and_the_corrections_add_up(session: Path) -> None:
    told = explained(session, "1800 rpm")
    with (session / "reduction" / "bands.csv").open(encoding="utf-8") as file:
        row = next(r for r in csv.DictReader(file) if r["band_name"] == "1800 rpm")
    band = told["band"]
    assert band["quantities"]["speed"]["value"] == pytest.approx(float(row["speed_kn"]), abs=5e-4)
    assert band["legs"] == len(told["legs"]) == int(row["legs"])
    terms = band["quantities"]["speed"]["terms"]
    assert sum(t["u"] ** 2 for t in terms) ** 0.5 == pytest.approx(band["quantities"]["speed"]["u"], rel=1e-6)
    for leg in told["legs"]:
        made = leg["along_heading_kn"] - leg["current_along_kn"] + leg["matched_kn"]
        assert made == pytest.approx(leg["through_water_kn"], abs=1e-9)
        assert abs(leg["matched_kn"]) < 0.5
    assert "uncalibrated" in shown(session, "1800")


def test_a_leg_is_found_by_its_number_and_a_refused_one_says_why(session: Path) -> None:
    legs = explained(session, "1800")["legs"]
    one = explained(session, "leg", str(legs[0]["leg"]))
    assert one["legs"] == legs[:1]
    assert one["band"]["band_name"] == "1800 rpm"
    refused = explained(session, "16")
    assert refused["band"] is None
    assert refused["legs"][0]["reason"]
    assert "left out: turning" in shown(session, "16")


def test_what_is_not_there_is_answered_with_what_is(session: Path) -> None:
    with pytest.raises(TrialCaptureError, match=r"no row and no leg.*1800 rpm.*number of a leg"):
        explained(session, "1850")


def test_a_sheet_in_other_units_is_explained_in_them(session: Path) -> None:
    """The international yard and the US gallon of 231 cubic inches (NIST SP 811, Appendix B)."""
    fuel = explained(session, "1800")["band"]["quantities"]["fuel"]
    told = shown(session, "1800", "--units", "us")
    printed = re.search(r"fuel: ([\d.]+) ±", told)
    assert printed is not None
    assert float(printed[1]) == pytest.approx(fuel["value"] / 3.785411784, rel=5e-3)
    assert "gal/h" in told
    measured = re.search(r"measured: engine speed [\d.,]+ rpm; fuel ([\d.]+) gal/h", told)
    assert measured is not None
    assert float(measured[1]) == pytest.approx(
        explained(session, "1800")["legs"][0]["fuel_l_per_h"] / 3.785411784, rel=5e-3
    )


def test_a_packed_log_is_traced_in_what_it_holds(session: Path, tmp_path: Path) -> None:
    folder = tmp_path / "packed"
    shutil.copytree(SAMPLE, folder)
    log = folder / "raw" / "nmea.log"
    (folder / "raw" / "nmea.log.gz").write_bytes(gzip.compress(log.read_bytes()))
    log.unlink()
    process_numbers(folder)
    (place,) = explained(folder, "1800")["legs"][0]["raw"]["lines"]
    (plain,) = explained(session, "1800")["legs"][0]["raw"]["lines"]
    assert place == plain | {"file": "raw/nmea.log.gz", "is_packed": True}


def test_other_settings_or_raw_files_than_those_of_the_result_are_refused(session: Path, tmp_path: Path) -> None:
    folder = tmp_path / "other"
    shutil.copytree(session, folder)
    settings = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(settings.replace("beam_m = 4.7", "beam_m = 4.6"), encoding="utf-8")
    with pytest.raises(TrialCaptureError, match="other settings"):
        explained(folder, "1800")
    (tmp_path / "own.toml").write_text(settings.partition("\n[session]")[0], encoding="utf-8")
    assert explained(folder, "1800", "--config", str(tmp_path / "own.toml"))["legs"]
    log = folder / "raw" / "nmea.log"
    log.write_bytes(log.read_bytes() + b"$GPRMC\r\n")
    with pytest.raises(TrialCaptureError, match="not the one that the result was made of"):
        explained(folder, "1800", "--config", str(tmp_path / "own.toml"))
