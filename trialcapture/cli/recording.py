"""What ``trialcapture record`` does: keep what every source says, show it again, end it, and tell what came of it."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from threading import Thread
from threading import enumerate as enumerate_threads
from typing import Any, TextIO

from trialcapture.acquire.ending import EndRequest, ended_by_signals, stop_recorder
from trialcapture.acquire.live_status import attach, read_last_line, second_folder
from trialcapture.acquire.recorder import Recorded, record
from trialcapture.acquire.screen import THREAD_NAME
from trialcapture.archive.session import engine_files, open_session
from trialcapture.cli.beside import beside_screen, start_desk
from trialcapture.cli.output import print_json, say, tell
from trialcapture.cli.sealing import root_text
from trialcapture.config import read_config
from trialcapture.errors import TrialCaptureError

_LAST_WORDS_S = 5.0
"""So long an output that takes nothing is waited for at the end (our choice)."""


def record_until_end(
    config_path: Path, plan_path: Path | None, into: Path, *, with_desk: bool, as_json: bool, **how: Any
) -> int:
    """Record by the settings of a file and tell what came of it; return the exit code.

    Args:
        config_path: Settings.
        plan_path: A plan to use instead of theirs.
        into: Folder of the session.
        with_desk: Start the desk beside it.
        as_json: Tell it as JSON.
        how: See `trialcapture.acquire.recorder.record`.
    """
    config, text = read_config(config_path, plan_path)
    if with_desk:
        start_desk(into)
    return _tell_outcome(record(config, into, config_text=text, beside=beside_screen(), **how), as_json)


def _tell_outcome(done: Recorded, as_json: bool) -> int:
    """Print what a recording came to; its exit code stands whether anybody can read that or not."""
    faults = _faults_of(done)
    following = _next_steps(done)
    told = None
    if as_json:
        told = {
            "session": done.session,
            "folder": done.folder,
            "elapsed_s": done.elapsed_s,
            "reason": done.reason,
            "complete": done.complete,
            "on_disk_bytes": done.status.on_disk_bytes,
            "root": done.root or None,
            "lost_lines": done.lost,
            "damaged": list(done.damaged),
            "faults": [fault.what for fault in faults],
            "next": following,
        }
    length = f"{done.elapsed_s:.0f} s recorded"

    def report() -> None:
        if told is not None:
            print_json(told)
            return
        tell(f"session {done.session} in {done.folder}: {length}, ended by: {done.reason}")
        if done.root:
            for line in root_text(done.root).split("\n"):
                tell(line)
        for step in following:
            tell(step)

    def complain() -> None:
        for fault in faults:
            say(str(fault), label="error")

    code = 1 if faults else 0
    output = Thread(target=_each_as_far_as_it_goes, args=((report, complain),), name=THREAD_NAME, daemon=True)
    output.start()
    output.join(_LAST_WORDS_S)
    if any(thread.name == THREAD_NAME for thread in enumerate_threads()):
        os._exit(code)  # an output that takes nothing would keep the program from ever ending
    return code


def _each_as_far_as_it_goes(parts: Sequence[Callable[[], None]]) -> None:
    for part in parts:
        try:
            part()
            if sys.stdout is not None:
                sys.stdout.flush()
        except (OSError, ValueError):  # nobody can read it; the recording is what it is, and its notes say so
            for stream in (sys.stdout, sys.stderr):
                _discard_if_broken(stream)


def _discard_if_broken(stream: TextIO | None) -> None:
    """Lead a stream that takes nothing to nowhere, or Python complains once more when it ends."""
    if stream is None:
        return
    try:
        stream.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _faults_of(done: Recorded) -> list[TrialCaptureError]:
    """Return what a person must know before trusting this recording, worst first."""
    where = str(done.folder)
    faults = []
    if not done.written_bytes and done.complete:
        faults.append(
            TrialCaptureError(
                "nothing was received, this recording holds 0 bytes",
                seen="; ".join(done.silent) or "no line and no frame",
                where=where,
                expected="check power and cables, port and baud rate of each source, and that no other program holds "
                "it; 'trialcapture preflight CONFIG' tells which source says what",
            )
        )
    if done.lost:
        lost = ", ".join(f"{source} {count} lines" for source, count in done.lost.items())
        what, advice = "more came than could be kept", "look for a loop or a wrong rate at that source"
        if done.disk_fault:
            what = f"the disk did not take everything that was received: {done.disk_fault}"
            advice = "free some space, and give a second disk with --second the next time"
        faults.append(
            TrialCaptureError(what, seen=f"lost: {lost}", where=where, expected=f"{advice}; raw/notes.jsonl says when")
        )
    if done.damaged:
        faults.append(
            TrialCaptureError(
                "another program changed files of this recording while it was made",
                seen="; ".join(done.damaged),
                where=where,
                expected="keep sync clients and virus scanners away from this folder; raw/notes.jsonl tells all of it",
            )
        )
    if done.apart is not None:
        first, second = done.apart
        faults.append(
            TrialCaptureError(
                "the two halves of this session could not be joined",
                seen=f"{first} and {second}",
                where=where,
                expected=f"trialcapture collect --join {first} {second} --into NEW",
            )
        )
    if done.unsealed:
        faults.append(
            TrialCaptureError(
                "the session could not be sealed, so no hash covers it yet",
                seen=done.unsealed,
                where=where,
                expected=f"close it now: trialcapture seal {done.folder}",
            )
        )
    if not done.complete and not faults:
        faults.append(
            TrialCaptureError(
                "not everything that was received is on the disk",
                where=where,
                expected="see raw/notes.jsonl for what is missing, and check the disk",
            )
        )
    return faults


def _next_steps(done: Recorded) -> list[str]:
    folder = done.folder
    if not done.status.on_disk_bytes:
        return []
    try:
        session = open_session(folder)
        wants_log = len(session.config.engine_log) > len({id(log) for _, log in engine_files(session)})
    except TrialCaptureError:  # what is wrong with the session is said below, and by the next command
        return []
    steps = [f"next: trialcapture process {folder}"]
    if wants_log:
        steps = [
            f"next: trialcapture collect --engine-log FILE --into {folder}",
            f"then: trialcapture process {folder}",
        ]
    return steps


def look_at(session: Path, as_json: bool) -> None:
    """Show the screen of a recorder that is at work, or its last line as JSON."""
    if as_json:
        last = read_last_line(session)
        if last is None:
            raise TrialCaptureError("there is no live status", where=str(session), expected="a session being recorded")
        print_json(asdict(last))
        return
    request = EndRequest()
    with ended_by_signals(request):
        last = attach(session, request=request, beside=beside_screen())
    if last.state == "ended":
        tell(f"the recording has ended: {last.reason}")
    else:
        tell(f"the recorder goes on; to end it: trialcapture record --stop {session}")


def stop(session: Path, as_json: bool) -> None:
    """End a recorder that is at work, and tell how its recording ended."""
    second = second_folder(session, read_last_line(session))
    stop_recorder(session)
    last = read_last_line(session, second)
    complete = None if last is None else last.complete
    if as_json:
        print_json({"folder": session, "ended": True, "complete": complete})
        return
    tell(f"the recorder of {session} has ended" + ("" if last is None else f": {last.reason}"))
    if complete is False:
        raise TrialCaptureError(
            "not everything that was received is on the disk",
            where=str(session),
            expected="see raw/notes.jsonl for what is missing",
        )
