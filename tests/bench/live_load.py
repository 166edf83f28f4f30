"""What the live board costs at a thousand lines a second: `python -m tests.bench.live_load`.

A rehearsed trial is thickened to so many lines a second and played into a growing session; the follower looks every
0.6 s, as the desk does where somebody looks at it. What it takes of a processor is printed by part, beside the seconds
that were played.
"""

from __future__ import annotations

import argparse
import tempfile
from functools import reduce
from itertools import islice
from pathlib import Path
from time import process_time

import numpy as np

from tests.bench.live_replay import Tape, grow, read_tape, rehearsed
from trialcapture.pipeline.live_guidance import LiveBoard
from trialcapture.pipeline.live_trial import LiveTrial

_ALONE = (b"RMC", b"GGA", b"VTG", b"GLL", b"ZDA", b"GNS", b"RPM", b"XDR")


_SOURCES = 2
"""Further sources that the lines come from: a boat has few, each of many sentences (our choice)."""


def thicken(tape: Tape, lines_per_s: float) -> Tape:
    """Return a tape with as many lines a second: lines of instruments come again from further sources."""
    now_per_s = len(tape.ends) / float(tape.t_s[-1])
    begins = np.concatenate([[0], tape.ends[:-1]])
    lines = [tape.text[a:b] for a, b in zip(begins.tolist(), tape.ends.tolist(), strict=True)]
    may = [not any(name in line for name in _ALONE) and line.startswith(b"\\s:") for line in lines]
    copies = round((lines_per_s - now_per_s) * float(tape.t_s[-1]) / max(sum(may), 1))
    made: list[bytes] = []
    t_s: list[float] = []
    wall: list[float] = []
    for line, is_copied, t, w in zip(lines, may, tape.t_s.tolist(), tape.wall_ns.tolist(), strict=True):
        group = [line] + [_renamed(line, n % _SOURCES) for n in range(copies if is_copied else 0)]
        made += group
        t_s += [t] * len(group)
        wall += [w] * len(group)
    text = b"".join(made)
    return Tape(text, np.cumsum([len(line) for line in made]), np.array(t_s), np.array(wall))


def _renamed(line: bytes, number: int) -> bytes:
    """Return a journal line as if it came from another source."""
    block, _, rest = line[1:].partition(b"\\")
    source, _, others = block.partition(b"*")[0].partition(b",")
    told = source + b"-%d," % number + others
    return b"\\%s*%02X\\%s" % (told, reduce(lambda a, b: a ^ b, told), rest)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=float, default=1000.0, help="lines a second")
    parser.add_argument("--from-s", type=int, default=180, help="the follower joins here [s]")
    parser.add_argument("--seconds", type=int, default=120, help="how long it is measured [s]")
    parser.add_argument("--every", type=float, default=0.6, help="time between two looks [s]")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        session = rehearsed(0, Path(place), short=True)
        tape = thicken(read_tape(session), given.lines)
        into = Path(place) / "growing"
        steps = grow(session, into, tape, given.every)
        now_s = 0.0
        for joined_s in islice(steps, int(given.from_s / given.every)):
            now_s = joined_s
        live = LiveBoard(LiveTrial(into), read_status=lambda: None)
        live.look(now_s, live.trial.newest_ns or 0)
        live.trial.seconds_used.clear()
        used, began_s = process_time(), now_s
        for now_s in islice(steps, int(given.seconds / given.every)):
            # the play itself is not counted
            before = process_time()
            live.trial.look(now_s)
            live.board(now_s, live.trial.newest_ns or 0)
            live.trial.seconds_used["all"] = live.trial.seconds_used.get("all", 0.0) + process_time() - before
        played_s = now_s - began_s
        print(f"{len(tape.ends) / tape.t_s[-1]:.0f} lines a second, {played_s:.0f} s played")
        for name, cost_s in sorted(live.trial.seconds_used.items(), key=lambda of: -of[1]):
            print(f"  {name:8} {100 * cost_s / played_s:5.1f} % of a core")
        print(f"  harness and play {100 * (process_time() - used) / played_s:5.1f} % of a core in all")


if __name__ == "__main__":
    main()
