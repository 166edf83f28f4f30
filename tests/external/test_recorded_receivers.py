"""Logs of real receivers say the same through our decoder, two libraries and gpsd itself.

Debian's source package of gpsd carries some 150 recorded receiver logs (``test/daemon/*.log``: NMEA, binary
protocols, comments, mixtures) and beside each what gpsd made of it (``.chk``: the sentences, each followed by
the JSON report it led to). The package is fetched with ``apt-get source`` into a temporary folder.

*Undamaged* means: frame and checksum hold, and every field has its published shape (`tests.nmea_shapes`).
Each such sentence must give its rows, nothing else may, and every value must equal pynmea2's bit for bit and
pynmeagps' within the ten decimals it keeps. Rules that decide where the libraries differ or take nonsense:

* what a sentence calls void (status V, mode N, quality 0 or blank) is null here; the libraries hand on the
  digits, often zeros;
* in the eleven-field RMC with the mode in the place of the variation's letter we read the mode.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
import shutil
import subprocess
import tarfile
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from contextlib import nullcontext, suppress
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.nmea_peers import by_pynmea2, by_pynmeagps
from tests.nmea_shapes import TYPES, framed
from tests.nmea_shapes import undamaged as find_undamaged
from tests.numbers import process_numbers
from tests.prepare.receiver_logs import located
from trialcapture.archive.collect import collect
from trialcapture.config import load_config
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.data_health import Rejection

pytestmark = pytest.mark.external

KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
Logs = dict[str, bytes]


def skip(why: str) -> None:
    pytest.skip(f"NOT CHECKED against recorded receivers: {why}")


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    """The package's logs and reports by file name, fetched once a session."""
    release = Path("/etc/os-release")
    text = release.read_text(encoding="utf-8") if release.exists() else ""
    codename = re.search(r"^VERSION_CODENAME=(\S+)", text, re.MULTILINE)
    if re.search(r"^ID=debian$", text, re.MULTILINE) is None or codename is None:
        skip("this is no Debian, so there is no apt-get source for its packages")
    if shutil.which("apt-get") is None or not KEYRING.exists():
        skip("apt-get or Debian's archive keys are missing")
    assert codename is not None
    archive = fetch(tmp_path_factory.mktemp("gpsd"), codename[1])
    return dict(members(archive))


def fetch(folder: Path, codename: str) -> Path:
    """Fetch the package's source with a private apt configuration, and return its archive."""
    sources = folder / "sources.list"
    sources.write_text(f"deb-src [signed-by={KEYRING}] http://deb.debian.org/debian {codename} main\n")
    for name in ("lists/partial", "cache/archives/partial"):
        (folder / name).mkdir(parents=True)
    private = [
        f"Dir::Etc::sourcelist={sources}",
        "Dir::Etc::sourceparts=-",
        f"Dir::State::lists={folder / 'lists'}",
        f"Dir::Cache={folder / 'cache'}",
        "Acquire::Retries=2",
        "Acquire::http::Timeout=30",
    ]
    options = [part for option in private for part in ("-o", option)]
    for command in (["update"], ["source", "--download-only", "gpsd"]):
        done = subprocess.run(
            ["apt-get", "-q", *options, *command], cwd=folder, capture_output=True, text=True, timeout=600, check=False
        )
        if done.returncode:
            skip(f"apt-get {command[0]} failed, perhaps offline: {done.stderr.strip()[-200:]}")
    found = sorted(folder.glob("gpsd_*.orig.tar.*"))
    if not found:
        skip("the source package holds no archive of the expected name")
    return found[0]


def members(archive: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of the recorded logs and their reports."""
    with tarfile.open(fileobj=io.BytesIO(archive.read_bytes())) as package:
        for member in package:
            path = Path(member.name)
            if path.parts[1:3] == ("test", "daemon") and member.name.endswith((".log", ".chk")):
                content = package.extractfile(member)
                if content is not None:
                    yield path.name, content.read()


def logs(recorded: Logs) -> dict[str, bytes]:
    return {name: data for name, data in recorded.items() if name.endswith(".log")}


def lines_of(data: bytes) -> list[int]:
    """Where each line begins."""
    starts = [0]
    for line in data.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return starts


@cache
def undamaged(data: bytes) -> tuple[tuple[str, int, bytes], ...]:
    """See `tests.nmea_shapes.undamaged`; several tests go through the same logs."""
    return tuple(find_undamaged(data))


@cache
def decoded(data: bytes) -> tuple[dict[str, pa.Table], pa.Table, pa.Table]:
    """Tables, rejects and counts of a log."""
    return decode_nmea(data, source="log")


def our_rows(data: bytes) -> dict[tuple[int, str], list[dict[str, Any]]]:
    """Rows by line and formatter, in order."""
    rows: dict[tuple[int, str], list[dict[str, Any]]] = {}
    for formatter, table in decoded(data)[0].items():
        for row in table.to_pylist():
            rows.setdefault((row["line"], formatter), []).append(row)
    return rows


def test_the_package_is_what_it_was_taken_for(recorded: Logs) -> None:
    assert len(logs(recorded)) > 100
    kinds = Counter(formatter for data in logs(recorded).values() for formatter, _, _ in undamaged(data))
    for formatter in ("RMC", "GGA", "VTG", "HDG", "HDT", "MWV", "DPT", "GLL", "ZDA"):
        assert kinds[formatter] >= 100, kinds


def test_no_log_does_harm_whatever_it_holds(recorded: Logs) -> None:
    binary = 0
    for data in recorded.values():
        tables, rejects, counts = decoded(data)
        for table in (*tables.values(), rejects, counts):
            table.validate(full=True)
        good = sum(counts["good"].to_pylist())
        sentences = sum(len(set(zip(t["line"].to_pylist(), strict=True))) for t in tables.values())
        assert good >= sentences
        binary += b"\x00" in data
    assert binary > 20


def test_every_undamaged_sentence_gives_its_row_and_nothing_else_does(recorded: Logs) -> None:
    checked = 0
    for name, data in logs(recorded).items():
        starts = lines_of(data)
        expected = Counter(
            (bisect_right(starts, at) - 1, formatter)
            for formatter, at, text in undamaged(data)
            if formatter != "XDR" or text.count(b",") >= 4
        )
        found = Counter({key: 1 if key[1] == "XDR" else len(rows) for key, rows in our_rows(data).items()})
        assert found == expected, name
        checked += expected.total()
    assert checked > 10_000


def test_what_the_libraries_take_and_we_refuse_is_little(recorded: Logs) -> None:
    refused: Counter[str] = Counter()
    for data in logs(recorded).values():
        whole = {at for _, at, _ in undamaged(data)}
        refused.update(formatter for formatter, at, _, _ in framed(data) if formatter in TYPES and at not in whole)
    # Latitudes of 360 degrees or 60 minutes before the first fix, status and mode swapped, a date of 2208-1,
    # a time with bars in it: 65 beside some 14 000 in gpsd 3.22.
    assert refused.total() < 150, refused


VOID = {
    "RMC": {"lat_deg", "lon_deg", "sog_kn", "cog_true_deg", "variation_deg"},
    "GGA": {"lat_deg", "lon_deg", "hdop", "altitude_m", "separation_m"},
    "GNS": {"lat_deg", "lon_deg", "hdop"},
    "GLL": {"lat_deg", "lon_deg"},
    "VTG": {"cog_true_deg", "cog_magnetic_deg", "sog_kn"},
    "MWV": {"wind_angle_deg", "wind_speed_kn"},
    "ROT": {"rate_of_turn_deg_per_min"},
}


def is_void(formatter: str, text: bytes) -> bool:
    """Whether the sentence itself says that it holds no data, read off the field that says so."""
    field = text[1 : text.index(b"*")].decode().split(",")[1:]
    if formatter == "RMC":
        mode = field[11] if len(field) > 11 else field[10] if field[10] not in ("E", "W") else ""
        return field[1] != "A" or mode == "N"
    if formatter == "GGA":
        return field[5] in ("", "0")
    if formatter == "GNS":
        return set(field[5]) <= {"N"}
    if formatter == "GLL":
        return field[5] != "A" or field[6:] == ["N"]
    if formatter == "VTG":
        return field[8:] == ["N"]
    if formatter in ("MWV", "ROT"):
        return field[-1] != "A"
    return False


def equal(ours: Any, theirs: Any, column: str, *, rounded: bool) -> bool:
    if ours is None or theirs is None:
        return ours is theirs
    if column == "tod_ns":
        return 0 <= ours - theirs <= 1000  # both libraries cut to whole microseconds
    if rounded and column in ("lat_deg", "lon_deg"):
        return round(ours, 10) == theirs
    return bool(ours == theirs)


def test_every_value_equals_both_libraries(recorded: Logs) -> None:
    compared: Counter[tuple[str, str]] = Counter()
    by_rule: Counter[str] = Counter()
    for name, data in logs(recorded).items():
        starts, rows = lines_of(data), our_rows(data)
        for formatter, at, text in undamaged(data):
            here = rows.get((bisect_right(starts, at) - 1, formatter), [])
            ours = {"groups": groups_of(here)} if formatter == "XDR" else here.pop(0)
            hidden = VOID[formatter] if is_void(formatter, text) else set()
            assert not (hidden and ours.get("valid")), (name, text)
            assert all(ours[column] is None for column in hidden), (name, text)
            for library, read in (("pynmea2", by_pynmea2), ("pynmeagps", by_pynmeagps)):
                theirs = read(text)
                if theirs is None:
                    by_rule[f"{library} does not take {formatter}"] += 1
                for column, value in (theirs or {}).items():
                    if column in hidden:
                        continue
                    if formatter == "RMC" and column == "mode" and text.count(b",") == 11 and ours[column] != value:
                        by_rule["mode in the place of the variation's letter"] += 1
                        continue
                    rounded = library == "pynmeagps"
                    assert equal(ours[column], value, column, rounded=rounded), (name, text, library, column)
                    compared[library, formatter] += 1
    for library in ("pynmea2", "pynmeagps"):
        for formatter in ("RMC", "GGA", "VTG", "HDG", "HDT", "MWV", "DPT"):
            assert compared[library, formatter] > 100, (library, formatter)
    assert compared.total() > 50_000
    assert by_rule.total() < 100, by_rule


def groups_of(rows: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    return [(row["type"] or "", row["value"], row["unit"] or "", row["name"] or "") for row in rows]


def test_gpsd_itself_reports_the_same_fix(recorded: Logs) -> None:
    """A report right behind an RMC, GGA, GLL or GNS sentence speaks of that sentence's fix.

    gpsd prints positions to nine decimals, speeds in m/s to three, courses to four. It corrects the date by
    whole GPS weeks to the year it was told to be in, so only the time of day is compared with it.
    """
    compared: Counter[str] = Counter()
    for name, data in recorded.items():
        if not name.endswith(".chk"):
            continue
        lines = data.splitlines()
        for (number, formatter), rows in our_rows(data).items():
            report = lines[number + 1] if number + 1 < len(lines) else b""
            if formatter not in ("RMC", "GGA", "GLL", "GNS") or not report.startswith(b'{"class":"TPV"'):
                continue
            theirs, row = json.loads(report), rows[-1]
            if not row["valid"]:
                continue
            for ours, key, scale, step in (
                ("lat_deg", "lat", 1.0, 1e-9),
                ("lon_deg", "lon", 1.0, 1e-9),
                ("sog_kn", "speed", 1852 / 3600, 1e-3),
                ("cog_true_deg", "track", 1.0, 1e-4),
                ("altitude_m", "altMSL", 1.0, 1e-4),
            ):
                if row.get(ours) is not None and key in theirs:
                    assert row[ours] * scale == pytest.approx(theirs[key], abs=0.6 * step), (name, lines[number])
                    compared[ours] += 1
            if row["tod_ns"] is not None and "time" in theirs:
                seen = dt.datetime.fromisoformat(theirs["time"])
                tod_s = (seen - seen.replace(hour=0, minute=0, second=0, microsecond=0)).total_seconds()
                assert row["tod_ns"] / 1e9 == pytest.approx(tod_s, abs=1e-3), (name, lines[number])
                compared["tod_ns"] += 1
    assert min(compared[key] for key in ("lat_deg", "lon_deg", "sog_kn", "cog_true_deg", "tod_ns")) > 500, compared
    assert compared.total() > 5000, compared


def test_a_receiver_that_lay_still_gives_no_steady_stretch_and_says_why(recorded: Logs, tmp_path: Path) -> None:
    """Whole logs of a minute and more whose receiver never moved at a knot: a boat at her berth."""
    text = '[boat]\nname = "No boat"\nlength_m = 10.0\n'
    tried = 0
    for name, data in sorted(logs(recorded).items()):
        speeds, seconds = speeds_of(data)
        if len(speeds) < 60 or max(speeds) >= 1.0 or seconds < 60:
            continue
        tried += 1
        log = tmp_path / name
        log.write_bytes(data)
        session = tmp_path / f"{name}-session"
        collect([log], [], load_config(text), session, created="2026-01-01T00:00:00Z", config_text=text)
        result = process_numbers(session)
        segments = pq.read_table(result["paths"]["segments"]).to_pylist()
        assert not any(s["accepted"] for s in segments), name
        assert all(s["reason"] for s in segments), name
        assert any("lying still" in s["reason"] for s in segments), (name, [s["reason"] for s in segments])
        assert result["bands"].num_rows == 0
    assert tried >= 4


AWKWARD = (
    "april6_2019.log",  # one fix, and one with a year of three digits; GPS week rollover
    "blumax-gps009.log",  # three fixes, then two minutes and a half of nothing
    "humminbird-M37.log",  # under way; the time goes back by 12 s
    "gp-320fw-2019-04-07-coldboot.log",  # times before the first fix of several clocks
    "sounder.log",  # GLL alone, so no date at all
    "ublox-lea-5h.log",  # pauses
)


EVERY = 16
"""One log in so many is tried in every run, and all in the long form."""


@pytest.mark.parametrize(
    ("names", "every"),
    [(AWKWARD, 1), ((), EVERY), pytest.param((), 1, marks=[pytest.mark.slow, pytest.mark.long])],
    ids=["awkward", "some", "all"],
)
def test_every_log_goes_through_the_whole_work_and_no_fix_is_lost(
    recorded: Logs, tmp_path: Path, names: tuple[str, ...], every: int
) -> None:
    """``pytest -m long -k whole_work`` runs all of them.

    A log ends in results, or in words on what it lacks. Each fix is placed, but for lone times that are counted.
    """
    text = '[boat]\nname = "No boat"\nlength_m = 10.0\n'
    done = fixes = 0
    for name in names or sorted(logs(recorded))[::every]:
        data = recorded[name]
        tables, placing, _ = located(data)
        lone = sum(item.count for item in placing.items if isinstance(item, Rejection))
        valid = {k: t.filter(t["valid"]) for k, t in tables.items() if k in ("RMC", "GGA", "GLL", "GNS")}
        lost = sum(table["t_ns"].null_count for table in valid.values())
        assert lost <= lone, name
        count = sum(table.num_rows for table in valid.values())
        fixes += count
        log = tmp_path / name
        log.write_bytes(data)
        session = tmp_path / f"{name}-session"
        # a log with a fix gives samples; another may, or is refused in words
        with nullcontext() if count else suppress(TrialCaptureError):
            collect([log], [], load_config(text), session, created="2026-01-01T00:00:00Z", config_text=text)
            result = process_numbers(session)
            assert pq.read_metadata(result["paths"]["samples"]).num_rows > 0
            done += 1
    assert done >= (len(names) or 80 // every)
    assert fixes > (200 if names else 5000 // every // 2)


def speeds_of(data: bytes) -> tuple[list[float], float]:
    """Speeds of the valid RMC sentences [kn], and from the first to the last time of day [s]."""
    table = decoded(data)[0].get("RMC")
    if table is None:
        return [], 0.0
    told = table.select(["valid", "sog_kn", "tod_ns"]).to_pylist()
    rows = [r for r in told if r["valid"] and r["sog_kn"] is not None]
    times = [r["tod_ns"] / 1e9 for r in rows]
    return [r["sog_kn"] for r in rows], (max(times) - min(times)) if times else 0.0
