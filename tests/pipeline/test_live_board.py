"""The board as JSON: every name of the contract is there, and what is unknown is null."""

from __future__ import annotations

import json
from pathlib import Path

from trialcapture.pipeline.live_board import (
    Advice,
    BandSoFar,
    Board,
    BoardAlarm,
    BoardCell,
    BoardClock,
    BoardHole,
    CurrentSoFar,
    Detector,
    Disk,
    EngineNow,
    Entry,
    Grid,
    ManoeuvreCell,
    Now,
    Recent,
    SourceLine,
    Step,
    Way,
    board_as_json,
    board_text,
)

EXAMPLE = Path(__file__).with_name("live_board_example.json")

STEPS = (
    Step(1000, "1000 rpm", 1000.0),
    Step(2000, "2000 rpm", 2000.0),
    Step("full throttle", "full throttle, 2600 rpm", 2600.0),
)
BOARD = Board(
    t="2026-06-09T08:12:40.2Z",
    session="day",
    boat="Example 12",
    recording=True,
    made_at="2026-06-09T08:12:40.6Z",
    data_age_s=0.4,
    sources=(
        SourceLine("gps1", "serial", "ok", 0.2, 40.0, 100.0, "GNSS fix", 11),
        SourceLine("engines", "udp", "late", 4.2, 2.0, 97.5, "", None, "nothing for 4.2 s"),
    ),
    disk=Disk(81234.0, 411.0),
    battery_pct=78.0,
    elapsed_s=2412.0,
    safe_age_s=0.7,
    clocks=(BoardClock("gps1", -0.12, 0.01),),
    now=Now(
        14.2, 75.1, 74.0, float("nan"), 22.5, 0.49, 61.0, 14.2 / 61.0, 3.1,
        (EngineNow("port", 2003.0, 30.4, 12.0), EngineNow("stbd", 1998.0, 30.6, None)),
        {"sog_kn": 0.2, "rpm_port": 0.4}, "tabs 20 %",
    ),
    recent=Recent(
        (-2.0, -1.0, 0.0), (14.1, None, 14.2), {"port": (2001.0, 2002.0, 2003.0), "stbd": (1999.0, 1998.0, None)}
    ),
    detector=Detector("holding", "Holding 2000 rpm, 38 s more", "", 22.0, 38.0, 2000, "075°", "2026-06-09T08:12:18Z"),
    advice=Advice("hold", "Hold 2000 rpm, 38 s more", 38.0, "s", 22.0 / 60.0, None, None, "2026-06-09T08:12:18Z"),
    grid=Grid(
        75.0, STEPS, (Way("075°", "075°"), Way("255°", "255°")),
        (
            BoardCell(1000, "075°", "done", "", 1),
            BoardCell(1000, "255°", "done", "", 1, "a third run would change the speed by 0.14 kn"),
            BoardCell(2000, "075°", "now"), BoardCell(2000, "255°", "refused", "speed still rising 0.6 kn/min"),
            BoardCell("full throttle", "075°", "missing"),
            BoardCell("full throttle", "255°", "skipped", "sea too rough"),
        ),
        2000, "075°",
    ),
    manoeuvres=(ManoeuvreCell("turn", "port", "missing"), ManoeuvreCell("stop", "", "refused", "too short")),
    current=CurrentSoFar(0.8, 190.0, 0.15),
    bands=(BandSoFar("1000 rpm", 1001.0, 7.42, 0.08, 9.1, 0.815, 2, ("shallow",), 0.3, 0.02),),
    bands_at="2026-06-09T08:12:35Z",
    holes=(
        BoardHole(2000, "255°", "refused: speed still rising 0.6 kn/min"),
        BoardHole("full throttle", "075°", "missing"),
    ),
    holes_open=2,
    alarms=(
        BoardAlarm(
            "late:engines", "warning", "engines is late: nothing for 4.2 s", "Look at its plug and its gateway.",
            "2026-06-09T08:12:36Z",
        ),
    ),
    entries=(Entry("2026-06-09T08:10:00Z", "trim", "tabs 20 %"),),
)  # fmt: skip


def test_the_example_is_what_the_board_gives() -> None:
    """The example stands beside this test so that pages can be built on it."""
    assert json.loads(EXAMPLE.read_text(encoding="utf-8")) == board_as_json(BOARD)


def test_unknown_is_null_and_never_zero() -> None:
    told = json.loads(board_text(Board("day", "Example 12", recording=True, made_at="2026-06-09T08:12:40Z")))
    assert told["now"]["sog_kn"] is None
    assert told["current"] is None
    assert board_as_json(BOARD)["now"]["stw_kn"] is None  # not a number becomes null


def test_the_strip_names_each_engine() -> None:
    assert board_as_json(BOARD)["recent"]["rpm_stbd"] == [1999.0, 1998.0, None]
    assert "rpm" not in board_as_json(BOARD)["recent"]
