"""The live board of boats that are wired otherwise: a CAN bus alone, a log that grows, a second disk."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import asdict, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.nmea_builders import journal_line, sentence
from tests.numbers import process_numbers
from tests.test_can_session import CONFIG, START_S, as_shown, bus
from trialcapture.acquire.live_status import NAME, LiveFile, LiveLine, read_last_line, second_folder
from trialcapture.acquire.raw_files import prepare_second
from trialcapture.acquire.status import Alarm, Status, TrialAlarm
from trialcapture.archive.halves import join_halves
from trialcapture.archive.session import create_session, open_session
from trialcapture.config import load_config
from trialcapture.pipeline.live_board import Board
from trialcapture.pipeline.live_follow import Follower
from trialcapture.pipeline.live_guidance import SHOWN_S, LiveBoard, guidance_of
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.pipeline.reuse import KeptBlocks
from trialcapture.system.session_files import SessionLock

PLAN = """
[plan]
steps_rpm = [1200, 2000]
axis_deg = 70
full_throttle = false
"""
STEP_S = 4.0


class Growth:
    """Raw files that grow together: lines with the time each came in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lines: list[tuple[float, Path, bytes]] = []

    def add(self, name: str, lines: Iterator[tuple[float, bytes]] | list[tuple[float, bytes]], at: str = "") -> None:
        """Let a file under ``raw`` grow; `at` is another folder than that of the session."""
        path = (Path(at) if at else self.folder) / "raw" / name
        self._lines += [(t_s, path, line) for t_s, line in lines]

    def steps(self, step_s: float = STEP_S) -> Iterator[float]:
        """Append what came in, step by step; yields the time [s]."""
        lines = sorted(self._lines, key=lambda entry: entry[0])
        at, now_s = 0, 0.0
        while at < len(lines):
            now_s += step_s
            waiting: dict[Path, list[bytes]] = {}
            while at < len(lines) and lines[at][0] <= now_s:
                waiting.setdefault(lines[at][1], []).append(lines[at][2])
                at += 1
            for path, parts in waiting.items():
                path.parent.mkdir(parents=True, exist_ok=True)
                with path.open("ab") as file:
                    file.write(b"".join(parts))
            yield now_s


def follow(growth: Growth, *, lines: Any = lambda: None, after_s: int = 12, step_s: float = STEP_S) -> list[Board]:
    """Follow a session while it grows; returns every board, those of some seconds after the end too."""
    boards: list[Board] = []
    live: LiveBoard | None = None
    now_s = 0.0
    for now_s in growth.steps(step_s):
        live = live or LiveBoard(LiveTrial(growth.folder, is_sparing=False), read_status=lines)
        boards.append(live.look(now_s, (START_S + round(now_s)) * 10**9))
    assert live is not None
    for more in range(1, after_s):
        live.look(now_s + more, (START_S + round(now_s)) * 10**9)
    boards.append(live.board(now_s + after_s, (START_S + round(now_s)) * 10**9))
    return boards


def stamped(lines: Iterator[bytes] | list[bytes]) -> Iterator[tuple[float, bytes]]:
    """Give candump lines the time at which they came in."""
    for line in lines:
        found = re.search(rb"\(([\d.]+)\)", line)
        assert found is not None
        yield float(found[1]) - START_S, line


def new_session(folder: Path, config: str = CONFIG + PLAN) -> Path:
    create_session(folder, load_config(config), made_by="test", created="2026-09-21T14:13:20Z", config_text=config)
    return folder


def two_steps() -> list[bytes]:
    """Return the traffic of the first two steps, there and back: eight minutes."""
    return [line for line in bus() if float(line[1:18]) < START_S + 480]


START_NOTE = json.dumps({"t": "2026-09-21T14:13:20Z", "kind": "start", "epoch_wall_ns": START_S * 10**9}).encode()


def states(board: Board) -> dict[tuple[str, str], str]:
    return {(str(c.step), c.way): c.state for c in board.grid.cells}


def decided(session: Path) -> dict[tuple[str, str], str]:
    plan = process_numbers(session)["findings"].plan
    assert plan is not None
    return {(f"{c.step_rpm:g}", c.way): c.state for c in plan.cells if c.step_rpm is not None}


def short_states(boards: list[Board]) -> list[str]:
    """Return the states of the detector that were shown for less than five seconds, the first and last left out."""
    changes = [(0, boards[0].detector.state)]
    for number, board in enumerate(boards):
        if board.detector.state != changes[-1][1]:
            changes.append((number, board.detector.state))
    return [state for (begin, state), (end, _) in pairwise(changes[1:]) if (end - begin) * STEP_S < SHOWN_S]


@pytest.mark.parametrize(
    "wiring",
    [
        pytest.param("recorded, with the first note late", marks=pytest.mark.long),
        pytest.param("candump on a screen", marks=pytest.mark.long),
        "NMEA position",
    ],
)
def test_a_boat_whose_engines_are_on_a_can_bus_is_followed_live(tmp_path: Path, wiring: str) -> None:
    session = new_session(tmp_path / "day")
    growth = Growth(session)
    lines = two_steps()
    if wiring.startswith("recorded"):
        growth.add("can.log", stamped(lines))
        growth.add("notes.jsonl", [(7.0, START_NOTE + b"\n")])
    elif wiring.startswith("candump"):
        growth.add("can.log", stamped([as_shown(line) for line in lines]))
    else:
        growth.add("nmea.log", position_sentences(lines))
        growth.add("can.log", stamped([line for line in lines if b"F8" not in line.split()[2][2:6]]))
        growth.add("notes.jsonl", [(0.0, START_NOTE + b"\n")])
    boards = follow(growth)
    last = boards[-1]
    assert short_states(boards) == []
    told = decided(session)
    assert len(told) == 4
    assert set(told.values()) == {"done"}
    assert states(last) == told
    # what was shown on the way: speed, engine speed, flow and the detector's states
    middle = boards[3 * len(boards) // 4 - 3]
    assert middle.now.sog_kn == pytest.approx(15.0, abs=1.5)
    assert middle.now.engines[0].rpm == pytest.approx(2000, abs=5)
    assert middle.now.fuel_l_per_h == pytest.approx(60, rel=0.05)
    assert {"moving", "settling", "holding", "held"} <= {board.detector.state for board in boards}
    assert {"hold", "turn", "next_step"} <= {board.advice.kind for board in boards}
    assert not {alarm.id for alarm in last.alarms} & {"rpm", "rpm-main", "live"}
    assert not any(alarm.id.startswith("packets") for board in boards for alarm in board.alarms)


def position_sentences(lines: list[bytes]) -> Iterator[tuple[float, bytes]]:
    """Return RMC sentences that say what the frames of position, course and speed say (NMEA 0183, RMC)."""
    lat = lon = 0.0
    for t_s, line in stamped(lines):
        ident, data = line.split()[2].split(b"#")
        pgn, payload = int(ident, 16) >> 8 & 0x3FFFF, bytes.fromhex(data.decode())
        if pgn == 129025:
            lat, lon = (int.from_bytes(payload[a : a + 4], "little", signed=True) / 1e7 for a in (0, 4))
        elif pgn == 129026:
            cog_deg = np.degrees(int.from_bytes(payload[2:4], "little") / 1e4)
            sog_kn = int.from_bytes(payload[4:6], "little") / 100 * 3600 / 1852
            second = START_S + int(t_s)
            day = np.datetime64(second, "s").astype(object)
            where = f"{int(abs(lat)):02d}{abs(lat) % 1 * 60:08.5f},N,{int(abs(lon)):03d}{abs(lon) % 1 * 60:08.5f},W"
            body = f"GPRMC,{day:%H%M%S}.00,A,{where},{sog_kn:.2f},{cog_deg:.2f},{day:%d%m%y},,,A"
            yield (
                t_s,
                journal_line(
                    sentence(body), source="gps", mono_us=round(t_s * 1e6), wall_ms=round((START_S + t_s) * 1000)
                ),
            )


def line_of(session: Path, second: Path) -> LiveLine:
    """Return what a recorder says that goes on on its second disk."""
    status = Status(open_session(session).id, True, 0, 10.0, 10, 0.4, 10**9, 10.0, (), (SECOND,), ())
    return LiveLine("2026-09-21T14:13:20Z", "recording", "", None, status, str(second))


SECOND = Alarm("yellow", "Recording goes to the second folder. Mend the first after the trial.", "second")


@pytest.fixture
def two_disks(tmp_path: Path) -> tuple[Path, Path]:
    """A session, and its twin on another disk, as `prepare_second` makes it."""
    session = new_session(tmp_path / "first" / "day")
    second = prepare_second(open_session(session), tmp_path / "second")
    return session, second


def test_the_board_goes_on_with_the_second_disk(two_disks: tuple[Path, Path]) -> None:
    session, second = two_disks
    growth = Growth(session)
    lines = list(stamped(two_steps()))
    growth.add("notes.jsonl", [(0.0, START_NOTE + b"\n")])
    growth.add("can.log", [entry for entry in lines if entry[0] < 240])
    growth.add("can-02.log", [entry for entry in lines if entry[0] >= 240], at=str(second))
    remark = json.dumps({"t": "2026-09-21T14:18:20Z", "kind": "remark", "value": "wash", "unit": "", "by": "x"})
    growth.add("notes-desk-2.jsonl", [(300.0, remark.encode() + b"\n")], at=str(second))
    with SessionLock(session):
        # which files are followed is tested here, and what is shown between two looks in the tests above and below
        boards = follow(growth, lines=lambda: line_of(session, second), step_s=12.0)
    last = boards[-1]
    assert set(states(last).values()) == {"done"}
    assert len(states(last)) == 4
    assert last.entries[0].words == "wash"
    alarm = next(alarm for alarm in last.alarms if alarm.id == "second")
    assert str(second) in alarm.text
    assert "joined" in alarm.action or "one session" in alarm.action
    assert "second" not in {told.key for told in guidance_of(last).alarms}  # the screen has it from the recorder
    # joined at the end, it is what was shown
    join_halves(session, second, at="2026-09-21T15:00:00Z", is_sealing=False)
    assert decided(session) == states(last)


def test_a_second_disk_is_believed_of_a_recorder_at_work_only(two_disks: tuple[Path, Path], tmp_path: Path) -> None:
    session, second = two_disks
    line = line_of(session, second)
    assert second_folder(session, line) is None
    with SessionLock(session):
        assert second_folder(session, line) == second
    text = json.dumps({"t": "2026-09-21T14:13:20Z", "state": "recording", **asdict(line.status), "second": str(second)})
    (session / NAME).write_text(text + "\n")
    later = text.replace("14:13:20", "14:13:40")
    (second / NAME).write_text(later + "\n")
    found = read_last_line(session)
    assert found is not None
    assert found.t == "2026-09-21T14:13:20Z"
    with SessionLock(session):
        found = read_last_line(session)
        assert found is not None
        assert found.t == "2026-09-21T14:13:40Z"
    # a link in its place is not followed
    (tmp_path / "elsewhere").write_text(later + "\n")
    (session / NAME).unlink()
    try:
        (session / NAME).symlink_to(tmp_path / "elsewhere")
    except OSError:
        pytest.skip("no links can be made here")
    assert read_last_line(session) is None


def test_an_engine_log_goes_on_on_the_second_disk(two_disks: tuple[Path, Path]) -> None:
    session, second = two_disks
    config = LOG_CONFIG
    (session / "session.toml").write_text((session / "session.toml").read_text() + config)
    rows = [f"{n:d},{1000 + n}\n".encode() for n in range(400)]
    (session / "raw" / "engine").mkdir()
    own = session / "raw" / "engine" / "run.csv"
    own.write_bytes(b"t,rpm\n" + b"".join(rows[:200]) + rows[200][:3])
    follower = Follower(open_session(session), KeptBlocks(open_session(session)))
    follower.look()
    follower.also_follow(second)
    (second / "raw" / "engine").mkdir()
    (second / "raw" / "engine" / "run.csv").write_bytes(rows[200][3:] + b"".join(rows[201:]) + b"400,14")
    follower.look()
    (log,) = follower.so_far()[1]
    assert log.sizes == [400]  # half a row is no row yet
    assert follower.faults == []


LOG_CONFIG = """
[[engine_log]]
files = "*.csv"
time_format = "elapsed_s"
[engine_log.columns]
time = "t"
rpm_main = { name = "rpm", unit = "rpm" }
"""


def test_messages_of_several_frames_that_do_not_come_whole_are_told_of(tmp_path: Path) -> None:
    """A fifth of the frames that follow a first one is taken away: what was open is not whole (fast packet)."""
    session = new_session(tmp_path / "day")
    growth = Growth(session)
    growth.add("notes.jsonl", [(0.0, START_NOTE + b"\n")])
    lines = [line for line in two_steps() if float(line[1:18]) < START_S + 90]
    number, kept = 0, []
    for line in lines:
        is_later = b"F201" in line and line.split(b"#")[1][:2] not in tuple(b"%02X" % (n << 5) for n in range(8))
        number += is_later
        if not (is_later and number % 15 == 0 and float(line[1:18]) > START_S + 40):
            kept.append(line)
    assert len(kept) < len(lines)
    growth.add("can.log", stamped(kept))
    boards = follow(growth, after_s=2)
    told = [alarm for board in boards for alarm in board.alarms if alarm.id == "packets-can0"]
    assert told
    assert all(alarm.rank == "warning" for alarm in told)
    assert re.search(r"can0: multi-packet messages incomplete \d+ %\.", told[-1].text)
    assert "bus" in told[-1].action
    assert "packets-can0" not in {alarm.id for board in boards[:9] for alarm in board.alarms}
    # and the recorder's own screen has it, with what to do
    last = next(board for board in reversed(boards) if told[-1] in board.alarms)
    assert TrialAlarm("yellow", told[-1].text, told[-1].action, "packets-can0") in guidance_of(last).alarms


# ----- Engine speed from a log that a logger appends to.


@pytest.mark.parametrize("flush_s", [pytest.param(1, marks=pytest.mark.long), 10])
def test_engine_speed_from_a_log_that_grows_fills_the_grid(tmp_path: Path, flush_s: int) -> None:
    """The logger writes its file every second, or every ten seconds as buffered ones do."""
    session = new_session(tmp_path / "day", CONFIG + PLAN + GROWING)
    growth = Growth(session)
    lines = two_steps()
    growth.add("notes.jsonl", [(0.0, START_NOTE + b"\n")])
    growth.add("can.log", stamped([line for line in lines if b"F200" not in line and b"F201" not in line]))
    growth.add("engine/run.csv", flushed(engine_rows(lines), flush_s))
    boards = follow(growth)
    last = boards[-1]
    told = decided(session)
    assert set(told.values()) == {"done"}
    assert states(last) == told
    assert short_states(boards) == []
    middle = boards[3 * len(boards) // 4 - 3]
    assert middle.now.engines[0].rpm == pytest.approx(2000, abs=5)
    assert middle.now.fuel_l_per_h == pytest.approx(60, rel=0.05)
    assert {"settling", "holding", "held"} <= {board.detector.state for board in boards}
    held = [board for board in boards if board.detector.state == "held"]
    assert {board.detector.step for board in held} == {1200, 2000}
    assert ("log-late" in {alarm.id for board in boards for alarm in board.alarms}) == (flush_s == 10)


GROWING = """
[[engine_log]]
files = "run*.csv"
time_format = "unix_s"
clock = { method = "fixed", offset_s = 0.0 }
[engine_log.columns]
time = "time"
rpm_main = { name = "rpm", unit = "rpm" }
fuel_main = { name = "fuel", unit = "L/h" }
"""


def engine_rows(lines: list[bytes]) -> Iterator[tuple[float, bytes]]:
    """Return the rows of a logger: engine speed (parameter group 127488), and the flow of its step."""
    yield 0.0, b"time,rpm,fuel\n"
    for t_s, line in stamped([line for line in lines if b"F200" in line]):
        rpm = int.from_bytes(bytes.fromhex(line.split(b"#")[1].decode())[1:3], "little") / 4
        yield t_s, b"%.2f,%.0f,%.1f\n" % (START_S + t_s, rpm, {1200: 20.0, 2000: 60.0}[round(rpm)])


def flushed(rows: Iterator[tuple[float, bytes]], every_s: int) -> list[tuple[float, bytes]]:
    """Return rows as a file grows that is written every so often, cut anywhere in a row."""
    made: list[tuple[float, bytes]] = []
    left = b""
    for at, (t_s, row) in enumerate(rows):
        left += row
        if at % every_s == 0:
            made.append((t_s, left[:-3]))
            left = left[-3:]
    return [*made, (made[-1][0] + 1.0, left)]


def test_without_engine_speed_the_board_says_what_that_means_for_the_grid(tmp_path: Path) -> None:
    session = new_session(tmp_path / "day", CONFIG + PLAN + GROWING)
    growth = Growth(session)
    lines = [line for line in two_steps() if float(line[1:18]) < START_S + 200]
    growth.add("notes.jsonl", [(0.0, START_NOTE + b"\n")])
    growth.add("can.log", stamped([line for line in lines if b"F200" not in line and b"F201" not in line]))
    growth.add("engine/whole.xlsx", [(30.0, b"no rows yet")])
    growth.add("engine/other.csv", [(30.0, b"1,2\n")])
    boards = follow(growth, after_s=2)
    alarm = next(alarm for alarm in boards[-1].alarms if alarm.id == "rpm")
    assert (
        alarm.text == "Engine speed comes later, with the engine log, so no run can be put in its cell of the grid yet."
    )
    assert "reading" in alarm.action
    assert {"log-whole.xlsx", "log-other.csv"} <= {alarm.id for alarm in boards[-1].alarms}
    # the run itself is counted down all the same, and no step is called next that may have been run
    assert any(board.advice.sentence.startswith("Hold this,") for board in boards)
    assert any(board.advice.sentence == "Held: note its engine speed" for board in boards)
    assert {cell.state for cell in boards[-1].grid.cells} == {"missing"}


def test_a_recorder_that_was_killed_is_told_of_with_how_to_go_on(two_disks: tuple[Path, Path]) -> None:
    session, second = two_disks
    live = LiveBoard(LiveTrial(session), read_status=lambda: replace(line_of(session, second), second=""))
    wall_ns = START_S * 10**9
    with SessionLock(session):
        board = live.look(1.0, wall_ns + 8 * 10**9)
        assert board.recording
        assert "told nothing for 8 s" in next(a.text for a in board.alarms if a.id == "recorder")
    board = live.look(10.0, wall_ns + 17 * 10**9)
    assert not board.recording
    alarm = next(alarm for alarm in board.alarms if alarm.id == "recorder")
    assert alarm.rank == "alarm"
    assert "--resume" in alarm.action
    with SessionLock(session):  # it was gone on with
        line = replace(line_of(session, second), second="", t="2026-09-21T14:14:00Z")
        live._read_status = lambda: line
        assert live.look(40.0, wall_ns + 41 * 10**9).recording


def test_the_end_of_a_recording_is_told_on_both_disks(two_disks: tuple[Path, Path]) -> None:
    file = LiveFile([*two_disks])
    status = line_of(*two_disks).status
    file.append(status, START_S * 10**9)
    file.append(status, START_S * 10**9 + 10**9, state="ended", reason="Ctrl-C", complete=True)
    first, second = (read_last_line(folder) for folder in two_disks)
    assert first is not None
    assert second is not None
    assert first.state == second.state == "ended"
