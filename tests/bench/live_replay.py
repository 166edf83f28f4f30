"""Replay of sessions through the live follower, on a paced clock: `python -m tests.bench.live_replay`.

Every sample session, and rehearsed trials whose engine speed is live, are played into a growing session, look by look.
At the end of each, the cells that the board shows are held against the plan of `process`, or its bands where there is
no plan: the same code decides, so what was shown as done must be in the table. On the way no state may be shown for
less than five seconds, and seconds left may not jump up without a reason.
"""

from __future__ import annotations

import argparse
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np

from trialcapture.archive.collect import collect
from trialcapture.archive.notes import notes_files, parse_note, parse_time
from trialcapture.archive.raw import read_chunks
from trialcapture.archive.session import nmea_files, open_session
from trialcapture.config import read_config
from trialcapture.pipeline import process
from trialcapture.pipeline.live_board import Board
from trialcapture.pipeline.live_guidance import SHOWN_S, LiveBoard
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.rehearse.scenarios import SCENARIOS, briefed, shortened
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

ROOT = Path(__file__).parents[2]
_R, _C = re.compile(rb"[\\,]r:(\d+)"), re.compile(rb"[\\,]c:(\d+)")


@dataclass(frozen=True, slots=True)
class Tape:
    """The lines of a journal with the times they came in.

    Attributes:
        text: All of it.
        ends: Where each line ends in it, shape (n,).
        t_s: When it came in [s], ascending, shape (n,).
        wall_ns: The computer's clock then [ns since 1970 UTC], 0 where unknown, shape (n,).
    """

    text: bytes
    ends: Any
    t_s: Any
    wall_ns: Any


def read_tape(session: Path, duration_s: float | None = None) -> Tape:
    """Read the journal of a session; one without stamps is spread evenly over `duration_s`."""
    (path, *_) = nmea_files(open_session(session))
    return tape_of(b"".join(read_chunks(path, 1 << 20)), duration_s)


def tape_of(text: bytes, duration_s: float | None = None) -> Tape:
    """Return the lines of a journal with the times they came in; arguments as those of `read_tape`."""
    if not text.endswith(b"\n"):
        text += b"\r\n"
    lines = text.splitlines(keepends=True)
    ends = np.cumsum([len(line) for line in lines])
    t_s, wall = np.full(len(lines), np.nan), np.zeros(len(lines))
    for i, line in enumerate(lines):
        head = line[:80]
        if found := _R.search(head):
            t_s[i] = int(found[1]) / 1e6
        if found := _C.search(head):
            stamp = int(found[1])
            wall[i] = stamp * (1e6 if stamp > 1e11 else 1e9)
    if not np.isfinite(t_s).any():
        t_s = (
            wall / 1e9 - wall[wall > 0][0] / 1e9
            if (wall > 0).any()
            else np.linspace(0.0, duration_s or 3600.0, len(lines))
        )
    if np.nanmax(t_s, initial=0.0) < len(lines) / 1000.0:  # no clock of receipt that ran: by the times told
        t_s = _told_times_s(lines)
    t_s = np.maximum.accumulate(np.nan_to_num(t_s, nan=-np.inf))
    t_s[~np.isfinite(t_s)] = 0.0
    return Tape(text, ends, t_s, np.maximum.accumulate(wall))


_TOLD = re.compile(rb"\$..(?:RMC|GGA|ZDA),(\d\d)(\d\d)(\d\d(?:\.\d+)?),")


def _told_times_s(lines: list[bytes]) -> Any:
    """Return when lines came in by the times of day in them [s]; steps of more than a minute are damage or set back."""
    made, now_s, last_s = np.zeros(len(lines)), 0.0, None
    for at, line in enumerate(lines):
        if (found := _TOLD.search(line)) is not None:
            told_s = int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3])
            step_s = (told_s - (told_s if last_s is None else last_s)) % 86_400.0
            now_s += step_s if step_s <= 60.0 else 0.0
            last_s = told_s
        made[at] = now_s
    return made if now_s > 0.0 else np.linspace(0.0, 3600.0, len(lines))


def grow(session: Path, into: Path, tape: Tape, step_s: float = 0.5) -> Iterator[float]:
    """Make a session that grows as it did on the day; yields the time [s] after each step."""
    shutil.copytree(session, into, ignore=shutil.ignore_patterns("trialset", "reduction", "engine", "nmea*", "notes*"))
    (into / "raw").mkdir(exist_ok=True)
    notes = sorted(
        (parse_note(line, 0).t_ns, path.name, line)
        for path in notes_files(session)
        for line in path.read_bytes().split(b"\n")
        if line.strip()
    )
    begin = 0
    for now_s in np.arange(step_s, tape.t_s[-1] + 2.0 * step_s, step_s):
        count = int(np.searchsorted(tape.t_s, now_s, side="right"))
        end = int(tape.ends[count - 1]) if count else 0
        if end > begin:
            with (into / "raw" / "nmea.log").open("ab") as file:
                file.write(tape.text[begin:end])
            begin = end
        wall_ns = tape.wall_ns[count - 1] if count else 0
        while notes and (notes[0][0] <= wall_ns or count == len(tape.ends)):
            _, name, line = notes.pop(0)
            with (into / "raw" / name).open("ab") as file:
                file.write(line + b"\n")
        yield float(now_s)


@dataclass(slots=True)
class Outcome:
    """What a replay showed.

    Attributes:
        name: Of the session.
        length_s: Of the recording [s].
        shown: Cells by step and way as the last board showed them.
        decided: The same by `process`.
        differing: Cells that differ, each with why.
        states: How many states the detector showed.
        shortest_s: The shortest state that was shown, the last one left out [s].
        short: States shown for less than five seconds.
        jumps: Times at which seconds left went up without a reason.
        oldest_s: The greatest age of the table of bands behind the newest sample [s].
        cpu_s: Seconds of a processor that it took.
    """

    name: str
    length_s: float
    shown: dict[tuple[str, str], str] = field(default_factory=dict)
    decided: dict[tuple[str, str], str] = field(default_factory=dict)
    differing: list[str] = field(default_factory=list)
    states: int = 0
    shortest_s: float = float("inf")
    short: list[str] = field(default_factory=list)
    jumps: list[str] = field(default_factory=list)
    oldest_s: float = 0.0
    cpu_s: float = 0.0

    @property
    def agreement(self) -> float:
        """Share of cells that are alike."""
        alike = sum(self.decided.get(key) == state for key, state in self.shown.items())
        return alike / len(self.shown) if self.shown else 1.0


class Watch:
    """Watches boards go by: how long each state is shown, and whether seconds left go up."""

    def __init__(self, outcome: Outcome) -> None:
        self._outcome = outcome
        self._since: dict[str, tuple[str, float]] = {}
        self._left: tuple[str, float] | None = None

    def see(self, board: Board, now_s: float) -> None:
        """Take in one board."""
        states = {"detector": board.detector.state, "advice": f"{board.advice.kind}"}
        states |= {f"cell {c.step} {c.way}": c.state for c in board.grid.cells}
        for what, state in states.items():
            before = self._since.get(what)
            if before is not None and before[0] == state:
                continue
            if before is not None:
                lasted = now_s - before[1]
                if what == "detector":
                    self._outcome.states += 1
                    self._outcome.shortest_s = min(self._outcome.shortest_s, lasted)
                # the first of all was shown before there was any data
                if lasted < SHOWN_S - 1e-6 and before[1] > self._first_s:
                    self._outcome.short.append(f"{what}: {before[0]} for {lasted:.1f} s until {now_s:.0f} s")
            else:
                self._first_s = now_s
            self._since[what] = (state, now_s)
        left_s, key = board.detector.left_s, f"{board.detector.step} {board.detector.way}"
        if left_s is not None:
            if (
                self._left is not None
                and self._left[0] == key
                and left_s > self._left[1] + 2.0
                and not board.detector.reason
            ):
                self._outcome.jumps.append(f"{self._left[1]:.0f} to {left_s:.0f} s at {now_s:.0f} s")
            self._left = (key, left_s)
        else:
            self._left = None
        if board.bands_at and board.t:
            age_s = (parse_time(board.t) - parse_time(board.bands_at)) / 1e9
            self._outcome.oldest_s = max(self._outcome.oldest_s, age_s)

    _first_s = 0.0


def replay(
    session: Path, home: Path, *, step_s: float = 1.0, each: Callable[[Board], None] = lambda _: None
) -> Outcome:
    """Replay a session through the follower and hold the last board against `process`.

    Engine logs are left out of both: they come ashore after the trial.

    Args:
        session: A session with a journal.
        home: Where the growing copy is made.
        step_s: Time between two looks [s].
        each: Called with every board.
    """
    tape = read_tape(session)
    into = home / f"{session.name}-growing"
    outcome = Outcome(session.name, float(tape.t_s[-1]))
    watch, live, board, began = Watch(outcome), None, None, process_time()
    for now_s in grow(session, into, tape, step_s):
        if live is None:
            # what is due is done whatever it costs, so that a busy machine gives the same boards
            live = LiveBoard(LiveTrial(into, is_sparing=False), read_status=lambda: None)
        newest_ns = live.trial.newest_ns
        live.trial.look(now_s)
        board = live.board(now_s, live.trial.newest_ns or newest_ns or 0)
        watch.see(board, now_s)
        each(board)
    outcome.cpu_s = process_time() - began
    assert live is not None
    assert board is not None
    # ten seconds after the last line everything has been looked at
    for more in range(1, 13):
        live.trial.look(outcome.length_s + 2.0 * step_s + more)
        board = live.board(outcome.length_s + 2.0 * step_s + more, live.trial.newest_ns or 0)
    made = process(into)
    outcome.shown = {(str(c.step), c.way): _as_decided(c.state) for c in board.grid.cells}
    plan = made["findings"].plan
    steps = {step.rpm: str(step.step) for step in board.grid.steps}
    if plan is not None:
        cells = [c for c in plan.cells if c.step_rpm is not None]
        outcome.decided = {(steps[c.step_rpm], c.way): c.state for c in cells}
        why = {(steps[c.step_rpm], c.way): c.reason for c in cells}
    else:
        rows = made["bands"].select(["band_name", "ways"]).to_pylist()
        ways = ("one way", "the other way")
        outcome.decided = {
            (r["band_name"], way): "missing" if n >= r["ways"] else "done" if r["ways"] == 2 else "half"
            for r in rows for n, way in enumerate(ways)
        }  # fmt: skip
        why = {}
        outcome.shown |= {key: "not shown" for key in outcome.decided if key not in outcome.shown}
    said = {(str(c.step), c.way): c.reason for c in board.grid.cells}
    for key, state in outcome.shown.items():
        if outcome.decided.get(key) != state:
            outcome.differing.append(
                f"{' '.join(key)}: shown {state} ({said.get(key, '')}), decided {outcome.decided.get(key)} "
                f"({why.get(key, '')})"
            )
    return outcome


def _as_decided(state: str) -> str:
    return {"now": "missing", "skipped": "missing"}.get(state, state)


def rehearsed(seed: int, home: Path, *, short: bool) -> Path:
    """Return a rehearsed trial with engine speed on the network and a plan of its own.

    Args:
        seed: Of the simulation; scenarios take turns.
        home: Where to.
        short: Two steps of a minute; else three steps of a minute and a half, or what the scenario plans where that
            leaves something out.
    """
    scenario = SCENARIOS[LIVE[seed % len(LIVE)]]
    trial = simulate(scenario.name, seed, plan=briefed(scenario.plan) if short else shortened(scenario.plan))
    folder = home / f"{scenario.name}-{seed}"
    write_session(trial, folder)
    return folder


LIVE = (
    "twin-planing", "displacement", "small-petrol", "coarse-1hz", "current-front", "messy-bus", "gnss-outages",
    "one-direction", "no-engine-log", "changing-tide",
)  # fmt: skip
"""Scenarios whose engine speed is on the network."""


def table(outcomes: list[Outcome]) -> str:
    """Return the outcomes as a table for people."""
    lines = [
        "| session | length | cells | alike | states | shortest | shown under 5 s | jumps | oldest table |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {o.name} | {o.length_s / 60:.0f} min | {len(o.shown)} | {o.agreement:.0%} | {o.states} "
        f"| {o.shortest_s:.1f} s | {len(o.short)} | {len(o.jumps)} | {o.oldest_s:.0f} s |"
        for o in outcomes
    ]
    cells, alike = sum(len(o.shown) for o in outcomes), sum(o.agreement * len(o.shown) for o in outcomes)
    lines.append("")
    lines.append(f"{alike:.0f} of {cells} cells alike ({alike / max(cells, 1):.1%}).")
    for o in outcomes:
        lines += [f"- {o.name}: {text}" for text in (*o.differing, *o.short[:5], *o.jumps[:5])]
    return "\n".join(lines)


def main() -> None:
    """Replay and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--short", action="store_true", help="trials of a few minutes")
    parser.add_argument("--step", type=float, default=1.0, help="time between two looks [s]")
    parser.add_argument("--no-samples", action="store_true")
    parser.add_argument("--only", type=Path, help="this session alone")
    parser.add_argument("--out", type=Path, help="put the table into this file, in its own section")
    given = parser.parse_args()
    outcomes = []
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        sessions = [given.only] if given.only else []
        if not given.only:
            sessions += [
                rehearsed(seed, home, short=given.short) for seed in range(given.first, given.first + given.seeds)
            ]
            sessions += [] if given.no_samples else sample_sessions(home)
        for session in sessions:
            outcomes.append(replay(session, home, step_s=given.step))
            o = outcomes[-1]
            print(f"{o.name}: {o.agreement:.0%} of {len(o.shown)} cells, cpu {o.cpu_s / o.length_s:.1%}", flush=True)
            for text in (*o.differing, *o.short, *o.jumps):
                print("  ", text, flush=True)
            if given.out:  # after each: a run that is ended early leaves what it found
                write_table(given.out, outcomes, f"{len(outcomes)} of {len(sessions)} sessions")
    print(table(outcomes))


def write_table(out: Path, outcomes: list[Outcome], how_far: str) -> None:
    """Put the table into a file, in its own section."""
    kept = out.read_text(encoding="utf-8") if out.is_file() else ""
    before, _, after = kept.partition(_HEAD)
    after = after[after.find("\n## ") :] if "\n## " in after else ""
    command = f"`python -m tests.bench.live_replay {' '.join(sys.argv[1:])}`, {how_far}"
    out.write_text(f"{before.rstrip()}\n\n{_HEAD}\n\n{command}\n\n{table(outcomes)}\n{after}", encoding="utf-8")


_HEAD = "## The live board against `process`"


def sample_sessions(home: Path) -> list[Path]:
    """Return every sample as a session: those that are none yet are collected."""
    found = []
    for folder in sorted((ROOT / "sample_logs").iterdir()):
        if (folder / "session.toml").is_file():
            found.append(folder)
        elif folder.is_dir():
            into = home / folder.name
            logs = sorted(p for p in folder.iterdir() if ".nmea" in p.name)
            config, text = read_config(folder / "boat.toml")
            collect(logs, [], config, into, created="2026-01-01T00:00:00Z", config_text=text)
            found.append(into)
    return found


if __name__ == "__main__":
    main()
