"""The live board of boats that are wired otherwise: a CAN bus alone, a log that grows, a second disk."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.bench.live_replay import rehearsed
from tests.nmea_builders import journal_line, sentence
from tests.test_can_session import CONFIG, START_S, as_shown, bus
from trialcapture.acquire.live_status import NAME, LiveLine
from trialcapture.acquire.status import Status
from trialcapture.archive.session import create_session, open_session
from trialcapture.config import load_config
from trialcapture.pipeline import process
from trialcapture.pipeline.live_board import Board
from trialcapture.pipeline.live_guidance import SHOWN_S, LiveBoard
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.rehearse.scenarios import SCENARIOS, briefed
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

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


def follow(growth: Growth, *, lines: Any = lambda: None, after_s: int = 12) -> list[Board]:
    """Follow a session while it grows; returns every board, those of some seconds after the end too."""
    boards: list[Board] = []
    live: LiveBoard | None = None
    now_s = 0.0
    for now_s in growth.steps():
        live = live or LiveBoard(LiveTrial(growth.folder, share=None), read_status=lines)
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
    plan = process(session)["findings"].plan
    assert plan is not None
    return {(f"{c.step_rpm:g}", c.way): c.state for c in plan.cells if c.step_rpm is not None}


def short_states(boards: list[Board]) -> list[str]:
    """Return the states of the detector that were shown for less than five seconds, the first and last left out."""
    changes = [(0, boards[0].detector.state)]
    for number, board in enumerate(boards):
        if board.detector.state != changes[-1][1]:
            changes.append((number, board.detector.state))
    return [
        state
        for (begin, state), (end, _) in zip(changes[1:-1], changes[2:], strict=True)
        if (end - begin) * STEP_S < SHOWN_S
    ]


@pytest.mark.parametrize("wiring", ["recorded, with the first note late", "candump on a screen", "NMEA position"])
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
        growth.add("can.log", stamped([line for line in lines if not b"F8" in line.split()[2][2:6]]))
        growth.add("notes.jsonl", [(0.0, START_NOTE + b"\n")])
    boards = follow(growth)
    last = boards[-1]
    assert short_states(boards) == []
    told = decided(session)
    assert len(told) == 4
    assert {state for state in told.values()} == {"done"}
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
