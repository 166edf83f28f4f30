"""Break what a working recorder prints to, and see whether it goes on.

    python -m tests.faults.outputs --seconds 20

Eight kinds: the reader of standard output, of standard error, or of both has gone; the terminal is closed; SIGHUP
alone; both outputs on a full disk; both closed before the start; a pipe that nobody reads. A real recorder process
hears 200 numbered lines a second from loopback all the while and is ended by ``record --stop``. Every line sent must
be in the journal once, the notes must say what happened to the screen and why the recording ended, the session must
verify, and the exit code must be that of a good ending. POSIX.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import signal
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from tests import rig
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session

ROOT = Path(__file__).parents[2]
LINES_PER_S = 200
_WIDE_PIPE_BYTES = 4096


@dataclass(frozen=True)
class Output:
    """One kind of broken output.

    Attributes:
        name: What it is called in the table.
        note: Kind of the note that must say so, "" where there is nothing to note.
    """

    name: str
    note: str


KINDS = (
    Output("reader of stdout gone", "output_lost"),
    Output("reader of stderr gone", "screen_lost"),
    Output("reader of both gone (| tee)", "screen_lost"),
    Output("terminal closed", "screen_lost"),
    Output("SIGHUP alone", "hangup"),
    Output("both on a full disk", "screen_lost"),
    Output("both closed from the start", "screen_lost"),
    Output("a pipe that nobody reads", "screen_blocked"),
)


@dataclass
class Outcome:
    """What a recorder left.

    Attributes:
        sent, kept: Lines.
        code: Its exit code.
        faults: What is not as it should be.
    """

    sent: int
    kept: int
    code: int
    faults: list[str]


def command(config: Path, folder: Path) -> list[str]:
    return [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(folder)]


def run_kind(kind: Output, folder: Path, seconds: float) -> Outcome:
    """Record for so long before and after the output breaks."""
    port = rig.free_port()
    config = folder.with_suffix(".toml")
    config.write_text(f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n')
    sender = rig.SteadySender(port, LINES_PER_S)

    with ExitStack() as stack:
        process, break_it = _started(kind, command(config, folder), stack)
        rig.wait_for(lambda: b"listening on" in _read(folder / "raw" / "notes.jsonl") or process.poll() is not None)
        sender.start()
        time.sleep(seconds / 2)
        break_it()
        time.sleep(seconds / 2)
        if kind.note:
            with suppress(AssertionError):
                rig.wait_for(lambda: f'"{kind.note}"'.encode() in _read(folder / "raw" / "notes.jsonl"), 30.0)
        sent = sender.end()
        with suppress(AssertionError):
            rig.wait_for(lambda: _kept(folder) >= sent or process.poll() is not None, 20.0)
        faults = [] if process.poll() is None else ["the recorder ended by itself"]
        subprocess.run(
            [sys.executable, "-m", "trialcapture", "record", "--stop", str(folder)],
            cwd=ROOT, capture_output=True, check=False,
        )  # fmt: skip
        try:
            code = process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            code = process.wait()
            faults.append("the recorder did not end")
    kept = _kept(folder)
    notes = _read(folder / "raw" / "notes.jsonl")
    if kept != sent:
        faults.append(f"{sent - kept} of {sent} lines lost")
    if code != 0:
        faults.append(f"exit code {code}")
    if kind.note and f'"{kind.note}"'.encode() not in notes:
        faults.append(f"the notes do not say {kind.note}")
    if b"asked to stop by" not in notes:
        faults.append("the notes do not say why it ended")
    faults += list(verify_session(folder).faults)
    return Outcome(sent, kept, code, faults)


def _started(kind: Output, wanted: list[str], stack: ExitStack) -> tuple[subprocess.Popen[bytes], Callable[[], None]]:
    """Start the recorder on outputs of this kind; return it and what breaks them."""

    # where the harness itself runs under nohup, what it starts would not hear of a hangup
    was = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    stack.callback(signal.signal, signal.SIGHUP, was)

    def start(out: int | None, err: int | None, **options: object) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(wanted, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=out, stderr=err, **options)  # type: ignore[call-overload]
        stack.callback(lambda: process.poll() is None and process.kill())
        return process  # type: ignore[no-any-return]

    if kind.name == "terminal closed":
        master, slave = os.openpty()
        process = subprocess.Popen(
            wanted, cwd=ROOT, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509  one thread only at this moment
            env=os.environ | {"TERM": "xterm"},
        )  # fmt: skip
        stack.callback(lambda: process.poll() is None and process.kill())
        os.close(slave)
        drain = threading.Thread(target=_drain, args=(master,), daemon=True)
        drain.start()
        return process, lambda: os.close(master)
    if kind.name == "SIGHUP alone":
        process = start(subprocess.DEVNULL, subprocess.DEVNULL)
        return process, lambda: process.send_signal(signal.SIGHUP)
    if kind.name == "both on a full disk":
        full = os.open("/dev/full", os.O_WRONLY)
        stack.callback(os.close, full)
        return start(full, full), lambda: None
    if kind.name == "both closed from the start":
        shell = ["sh", "-c", 'exec "$@" >&- 2>&-', "sh", *wanted]
        process = subprocess.Popen(shell, cwd=ROOT, stdin=subprocess.DEVNULL)
        stack.callback(lambda: process.poll() is None and process.kill())
        return process, lambda: None
    reader, writer = os.pipe()
    if kind.name == "a pipe that nobody reads":
        with suppress(AttributeError, OSError):
            fcntl.fcntl(writer, fcntl.F_SETPIPE_SZ, _WIDE_PIPE_BYTES)
        _fill(writer)
        stack.callback(os.close, reader)
        process = start(writer, writer)
        os.close(writer)
        return process, lambda: None
    of_out, of_err = "stdout" in kind.name or "both" in kind.name, "stderr" in kind.name or "both" in kind.name
    process = start(writer if of_out else subprocess.DEVNULL, writer if of_err else subprocess.DEVNULL)
    os.close(writer)
    return process, lambda: os.close(reader)


def _fill(writer: int) -> None:
    os.set_blocking(writer, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writer, b" " * 512)
    os.set_blocking(writer, True)


def _drain(master: int) -> None:
    with suppress(OSError):
        while os.read(master, 65536):
            pass


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _kept(folder: Path) -> int:
    streams = original_bytes(b"".join(_read(path) for path in rig.journal_parts(folder)))
    lines = [line for line in streams.get("net", b"").split(b"\r\n") if line]
    return len(set(lines))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=20.0, help="how long each recording lasts")
    parser.add_argument("--only", default="", help="kinds whose name holds these words")
    arguments = parser.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        for number, kind in enumerate(KINDS):
            if arguments.only not in kind.name:
                continue
            outcome = run_kind(kind, Path(place) / f"session-{number}", arguments.seconds)
            bad += bool(outcome.faults)
            verdict = "; ".join(outcome.faults) or "goes on"
            print(f"{kind.name:30} {outcome.kept} of {outcome.sent} lines, exit {outcome.code}: {verdict}", flush=True)
    print(f"{bad} of {len(KINDS)} kinds of broken output cost something")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
