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
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from trialcapture.archive.notes import notes_files, parse_note
from trialcapture.archive.raw import read_chunks
from trialcapture.archive.session import nmea_files, open_session
from trialcapture.pipeline import process
from trialcapture.pipeline.live_trial import LiveTrial

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
    text = b"".join(read_chunks(path, 1 << 20))
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
    t_s = np.maximum.accumulate(np.nan_to_num(t_s, nan=-np.inf))
    t_s[~np.isfinite(t_s)] = 0.0
    return Tape(text, ends, t_s, np.maximum.accumulate(wall))


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
