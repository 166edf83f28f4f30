"""Whole sessions whose receiver's clock is set half-way come out as the same session without that."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.made_once import simulated
from tests.nmea_builders import sentence
from tests.numbers import process_numbers
from trialcapture.rehearse.write import write_session

_TIMED = re.compile(rb"\$(..)(RMC|GGA|GLL|GNS|ZDA),([^*\r\n]*)\*[0-9A-F]{2}")
_TIME_AT = {b"RMC": 0, b"GGA": 0, b"GNS": 0, b"ZDA": 0, b"GLL": 4}
_DATE_AT = {b"RMC": 8}
_STAMP = re.compile(rb"^\\[^\\]*\\")


def stepped(log: bytes, size_s: float, *, share: float = 0.5, plain: bool = False) -> bytes:
    """The log with the times of its receivers moved from a share of its lines on; without stamps where plain."""
    lines = log.splitlines(keepends=True)
    first = int(len(lines) * share)
    day = next(m[3].split(b",")[8] for m in map(_TIMED.search, lines) if m and m[2] == b"RMC" and m[3].split(b",")[8])
    out = []
    for number, line in enumerate(lines):
        found = _TIMED.search(line)
        if found and found[2] == b"RMC" and found[3].split(b",")[8]:
            day = found[3].split(b",")[8]
        kept = line
        if found and number >= first and size_s:
            moved = _moved(found[1] + found[2], found[3].split(b","), day, size_s)
            kept = line[: found.start()] + sentence(moved, end=b"") + line[found.end() :]
        out.append(_STAMP.sub(b"", kept) if plain else kept)
    return b"".join(out)


def _moved(address: bytes, fields: list[bytes], day: bytes, size_s: float) -> bytes:
    formatter = address[2:]
    at = _TIME_AT[formatter]
    told = fields[at]
    if told:
        moment = datetime.strptime(f"{day.decode()}{told[:6].decode()}", "%d%m%y%H%M%S").replace(tzinfo=UTC)
        moment += timedelta(seconds=size_s)
        fields[at] = moment.strftime("%H%M%S").encode() + told[6:]
        if formatter in _DATE_AT and fields[8]:
            fields[8] = moment.strftime("%d%m%y").encode()
        if formatter == b"ZDA":
            fields[1:4] = moment.strftime("%d,%m,%Y").encode().split(b",")
    return b",".join([address, *fields])


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short trial, as recorded."""
    folder = tmp_path_factory.mktemp("trial") / "session"
    write_session(simulated("twin-planing", 3, short=True, errors=True), folder)
    return folder


def outcome(session: Path, folder: Path, size_s: float, *, plain: bool = False) -> dict[str, Any]:
    """What a copy of the session gives with its receiver's clock set so far."""
    shutil.copytree(session, folder)
    log = folder / "raw" / "nmea.log"
    log.write_bytes(stepped(log.read_bytes(), size_s, plain=plain))
    return process_numbers(folder)


@pytest.fixture(scope="module")
def unbroken(session: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[bool, dict[str, Any]]:
    """What the session gives as it was recorded, with the stamps of its journal and as a plain log."""
    folder = tmp_path_factory.mktemp("unbroken")
    return {plain: outcome(session, folder / f"plain {plain}", 0.0, plain=plain) for plain in (False, True)}


# each of them with stamps and without, in the short form every one once: by sentences all of both are tried in
# `tests/prepare/test_receiver_steps.py`
@pytest.mark.parametrize(
    ("size_s", "plain"),
    [
        (3600.0, False), (-3600.0, True), (-18.0, True), (1.0, False),
        *(pytest.param(*given, marks=pytest.mark.long) for given in (
            (3600.0, True), (-3600.0, False), (-18.0, False), (1.0, True),
        )),
    ],
)  # fmt: skip
def test_bands_are_those_of_the_session_with_an_unbroken_clock(
    session: Path, unbroken: dict[bool, dict[str, Any]], tmp_path: Path, size_s: float, plain: bool
) -> None:
    calm = unbroken[plain]
    shaken = outcome(session, tmp_path / "shaken", size_s, plain=plain)
    bands, expected = (r["bands"].to_pylist() for r in (shaken, calm))
    assert [(b["band_rpm"], b["ways"]) for b in bands] == [(b["band_rpm"], b["ways"]) for b in expected]
    for band, other in zip(bands, expected, strict=True):
        assert band["speed_kn"] == pytest.approx(other["speed_kn"], abs=0.02)
        if other["fuel_l_per_h"] is not None:
            assert band["fuel_l_per_h"] == pytest.approx(other["fuel_l_per_h"], rel=0.01)
    steps = shaken["summary"]["data_health"]["clock_steps"]
    # both receivers of this boat were set
    assert [s["size_s"] for s in steps if s["what"].startswith("time of")] == [size_s, size_s]
    assert not [s for s in calm["summary"]["data_health"]["clock_steps"] if s["what"].startswith("time of")]


_RECEIVER = re.compile(rb"\$(..)(RMC|GGA|GLL|GNS|ZDA|VTG),([^*\r\n]*)\*[0-9A-F]{2}")


def frozen(log: bytes, talker: bytes, begin: float, end: float, *, is_lost: bool, plain: bool) -> bytes:
    """The log in which a receiver repeats its sentences, or their time alone, between two shares of its lines."""
    lines = log.splitlines(keepends=True)
    last: dict[bytes, list[bytes]] = {}
    out = []
    for number, line in enumerate(lines):
        found = _RECEIVER.search(line)
        kept = line
        if found and found[1] == talker:
            fields = found[3].split(b",")
            if begin <= number / len(lines) < end:
                held = last.setdefault(found[2], fields)
                at = _TIME_AT.get(found[2])
                told = fields if at is None else [*fields[:at], held[at], *fields[at + 1 :]]
                body = b",".join([talker + found[2], *(held if is_lost else told)])
                kept = line[: found.start()] + sentence(body, end=b"") + line[found.end() :]
            else:
                last[found[2]] = fields
        out.append(_STAMP.sub(b"", kept) if plain else kept)
    return b"".join(out)


SPANS = {"once": (0.3, 0.6), "first": (0.0, 0.3), "last": (0.7, 1.1)}


@pytest.mark.parametrize(
    ("span", "is_lost", "plain"),
    [
        ("once", True, False), ("first", True, True), ("last", False, True), ("first", False, False),
        *(pytest.param(*given, marks=pytest.mark.long) for given in (
            ("once", True, True), ("once", False, False), ("once", False, True), ("first", True, False),
            ("first", False, True), ("last", True, False), ("last", True, True), ("last", False, False),
        )),
    ],
)  # fmt: skip
def test_a_receiver_whose_time_stands_still_costs_nothing_else(
    session: Path, unbroken: dict[bool, dict[str, Any]], tmp_path: Path, span: str, is_lost: bool, plain: bool
) -> None:
    begin, end = SPANS[span]
    calm = unbroken[plain]
    source = next(c for c in calm["summary"]["clocks"] if "/" in c["source"])["source"]
    shutil.copytree(session, tmp_path / "stopped")
    log = tmp_path / "stopped" / "raw" / "nmea.log"
    talker = source.split("/")[1].encode()
    log.write_bytes(frozen(log.read_bytes(), talker, begin, end, is_lost=is_lost, plain=plain))
    stopped = process_numbers(tmp_path / "stopped")
    bands, expected = (r["bands"].to_pylist() for r in (stopped, calm))
    assert [(round(b["band_rpm"], -1), b["ways"]) for b in bands] == [
        (round(b["band_rpm"], -1), b["ways"]) for b in expected
    ]
    for band, other in zip(bands, expected, strict=True):
        # the other receiver stands in with its own error where this one told nothing
        assert abs(band["speed_kn"] - other["speed_kn"]) <= (
            band["speed_u_kn"] + other["speed_u_kn"] if is_lost else 0.02
        )
        if other["fuel_l_per_h"] is not None:
            assert band["fuel_l_per_h"] == pytest.approx(other["fuel_l_per_h"], rel=0.01)
    health = stopped["summary"]["data_health"]
    named = [item["what"] for item in health["stuck"]]
    assert f"time of {source}" in named
    assert (f"position of {source}" in named) == is_lost
    assert not [s for s in health["clock_steps"] if s["what"].startswith("time of")]
