"""Commands on board: ``preflight`` listens to what is there, ``record`` keeps it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from threading import Thread
from threading import enumerate as enumerate_threads
from time import monotonic, sleep, time_ns
from typing import TYPE_CHECKING, TextIO

import click

from trialcapture.cli.output import (
    PATH,
    doubtful_sizes,
    hang,
    json_option,
    path_argument,
    plan_option,
    print_json,
    root_text,
    say,
    shown_progress,
    tell,
)
from trialcapture.errors import TrialCaptureError

if TYPE_CHECKING:
    from trialcapture.acquire.recorder import Recorded

_LAST_WORDS_S = 5.0
"""So long an output that takes nothing is waited for at the end (our choice)."""


@click.command()
@click.argument("config", metavar="[CONFIG]", type=PATH, required=False)
@click.option(
    "--into",
    metavar="DIR",
    type=PATH,
    help="Folder of the session to make, or to go on with.",
)
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), help="Stop after so long; else Ctrl-C stops.")
@click.option("--resume", is_flag=True, help="Go on with a session that is there, with the same settings.")
@click.option(
    "--second",
    metavar="DIR",
    type=PATH,
    help="Folder on another disk, taken when the first one fails or fills.",
)
@click.option(
    "--engine-log",
    "engine_logs",
    metavar="FILE",
    multiple=True,
    type=PATH,
    help="A log that another program is writing; copied as it grows.",
)
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    show_default=True,
    help="Times real time: for a replay, or a rehearsal that is played on this computer at the same --speed.",
)
@click.option("--attach", metavar="SESSION", type=PATH, help="Show the screen of a recorder that is at work.")
@click.option("--stop", "stop", metavar="SESSION", type=PATH, help="End a recorder that is at work.")
@click.option("--desk", "with_desk", is_flag=True, help="Open the page of the trial day beside it.")
@plan_option
@json_option
@click.pass_context
def record(
    context: click.Context,
    config: Path | None,
    into: Path | None,
    plan_path: Path | None,
    minutes: float | None,
    resume: bool,
    second: Path | None,
    engine_logs: tuple[Path, ...],
    speed: float,
    attach: Path | None,
    stop: Path | None,
    with_desk: bool,
    as_json: bool,
) -> None:
    """Record every source of CONFIG until Ctrl-C or the time is up.

    The program only listens. It is no substitute for a lookout: the skipper
    decides, and nobody at the helm reads this screen.

    A closed terminal, a broken pipe or a full disk behind a redirection do
    not end a recording. --attach shows its screen again, --stop ends it.

    \b
    trialcapture record boat.toml --into monday
    trialcapture record boat.toml --into monday --desk
    trialcapture record --attach monday
    trialcapture record --stop monday
    """
    if attach is not None or stop is not None:
        if config is not None or into is not None or (attach is not None and stop is not None):
            raise click.UsageError("--attach SESSION and --stop SESSION each stand alone.")
        _look_at(attach, as_json) if attach is not None else _stop(stop or Path(), as_json)
        return
    if config is None:
        raise click.UsageError("Missing argument 'CONFIG'.")
    if into is None:
        raise click.UsageError("Missing option '--into'.")
    from trialcapture.acquire.ending import EndRequest, ended_by_signals  # noqa: PLC0415

    request = EndRequest()
    with ended_by_signals(request, until_exit=True):
        from trialcapture.acquire.recorder import record as record_sources  # noqa: PLC0415
        from trialcapture.config import read_config  # noqa: PLC0415

        settings, text = read_config(config, plan_path)
        if with_desk:
            from trialcapture.cli.desk import start_beside  # noqa: PLC0415

            start_beside(into)
        done = record_sources(
            settings,
            into,
            minutes=minutes,
            resume=resume,
            second=second,
            engine_logs=engine_logs,
            config_text=text,
            speed=speed,
            request=request,
            beside=beside_screen(),
        )
        code = _tell_outcome(done, as_json)
    context.exit(code)


def beside_screen() -> Callable[[Path], Callable[[], None]] | None:
    """Return what starts a follower of the trial beside a screen; None where nobody sees one."""
    if sys.stderr is None or not sys.stderr.isatty():
        return None
    return start_follower


def start_follower(session: Path) -> Callable[[], None]:
    """Start a process of low priority that follows a recording for its screen; return what ends it.

    It only reads the session, and it ends by itself when no recorder is at work on it. Killing it harms nothing.
    """
    from trialcapture.system.operating_system import own_program  # noqa: PLC0415

    flags = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0) | getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0)
    command = [*own_program("trialcapture"), "follow", str(session)]
    try:
        # a group of its own: Ctrl-C at the recorder is not for it
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            creationflags=flags, start_new_session=True,
        )  # fmt: skip
    except OSError:  # no room for another process: the screen does without
        return lambda: None

    def end() -> None:
        process.kill()
        process.wait()

    return end


@click.command(hidden=True)
@path_argument("SESSION")
def follow(session: Path) -> None:
    """Follow a recording and append a line a second for its screen.

    The recorder's screen starts it; it ends when no recorder is at work.
    """
    from trialcapture.acquire.ending import is_being_recorded  # noqa: PLC0415
    from trialcapture.acquire.live_status import append_guidance  # noqa: PLC0415
    from trialcapture.pipeline.live_guidance import LiveBoard, guidance_of  # noqa: PLC0415
    from trialcapture.pipeline.live_trial import LiveTrial  # noqa: PLC0415

    if hasattr(os, "nice"):  # on Windows it is started so
        os.nice(5)
    board = LiveBoard(LiveTrial(session))
    while is_being_recorded(session):
        began_s = monotonic()
        with suppress(OSError, TrialCaptureError):  # no disk takes it: the screen does without
            told = guidance_of(board.look(began_s, time_ns()))
            try:
                append_guidance(session, told)
            except (OSError, TrialCaptureError):
                if board.second is None:
                    raise
                append_guidance(board.second, told)
        sleep(max(_FOLLOW_EVERY_S - (monotonic() - began_s), 0.1))


_FOLLOW_EVERY_S = 1.0


def _tell_outcome(done: Recorded, as_json: bool) -> int:
    """Print what a recording came to; its exit code stands whether anybody can read that or not."""
    from trialcapture.acquire.screen import THREAD_NAME  # noqa: PLC0415  loaded by the recorder

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
    from trialcapture.archive.session import engine_files, open_session  # noqa: PLC0415

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


def _look_at(session: Path, as_json: bool) -> None:
    from trialcapture.acquire.ending import EndRequest, ended_by_signals  # noqa: PLC0415
    from trialcapture.acquire.live_status import attach, read_last_line  # noqa: PLC0415

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


def _stop(session: Path, as_json: bool) -> None:
    from trialcapture.acquire.ending import stop_recorder  # noqa: PLC0415
    from trialcapture.acquire.live_status import read_last_line, second_folder  # noqa: PLC0415

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


# ------------------------------------------------------------------------------
# ``trialcapture preflight``.
# ------------------------------------------------------------------------------

_MEND_SIZE = "Compare it with the plate or the papers now: its unit may have slipped."
_MARKS = {"ok": "ok", "missing": "MISSING", "warning": "look", "later": "later", "unknown": "?"}


@click.command()
@path_argument("CONFIG")
@click.option(
    "--seconds",
    type=click.FloatRange(min=1),
    default=30.0,
    show_default=True,
    help="How long to listen.",
)
@click.option("--into", metavar="DIR", type=PATH, help="Session to store the result with; made if it is not there.")
@json_option
@click.pass_context
def preflight(context: click.Context, config: Path, seconds: float, into: Path | None, as_json: bool) -> None:
    """Listen on every source of CONFIG: what is there, what is missing.

    Only listens. Ends with exit code 1 when something the trial needs is
    missing, and says in one line how to mend it.

    \b
    trialcapture preflight boat.toml
    """
    from trialcapture.acquire.explain import explained_lines  # noqa: PLC0415
    from trialcapture.acquire.preflight import Check  # noqa: PLC0415
    from trialcapture.acquire.preflight import preflight as run_preflight  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415

    settings, text = read_config(config)
    with shown_progress() as progress:
        found = run_preflight(
            settings,
            seconds=seconds,
            into=into,
            config_text=text,
            progress=lambda share: progress("listening", share),
            beside=[Check("weights and tanks", "warning", said, _MEND_SIZE) for said in doubtful_sizes(settings)],
        )
    if as_json:
        print_json({**asdict(found), "ready": found.ready})
    else:
        width = max(len(check.name) for check in found.checks)
        for check in found.checks:
            hang(f"{_MARKS[check.state]:8}{check.name:{width}}  ", check.seen)
            if check.remedy:
                hang(f"{'':8}{'':{width}}  -> ", check.remedy)
        if found.sentences:
            tell("what was heard, field by field:")
            for line in explained_lines(found.sentences):
                tell(line)
        if found.stored is not None:
            tell(f"stored in {found.stored}")
        tell("ready" if found.ready else "not ready")
    context.exit(0 if found.ready else 1)
