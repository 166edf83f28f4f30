"""Work that takes long, started from a page: each in a process of its own, so the desk goes on answering.

``python -m trialcapture.desk.jobs KIND …`` does one piece of work and prints a JSON line for each step, the result
last. A desk that is killed takes its jobs with it; none of them leaves anything half done (see `open_result_set` and
`pack_session`). A page asks how far a job is and shows it.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Literal

from trialcapture import __version__
from trialcapture.acquire.preflight import explained_lines, preflight
from trialcapture.archive.pack import pack_session
from trialcapture.archive.seal import parse_root
from trialcapture.bounded_parsing import parse_json_line
from trialcapture.config import read_config
from trialcapture.errors import ConfigError, TrialCaptureError
from trialcapture.pipeline import prepare_ahead, process
from trialcapture.pipeline.derived_again import verify_with_results
from trialcapture.safe_text import clean_text
from trialcapture.system.operating_system import give_way, own_program
from trialcapture.system.session_files import lock_if_there

JobKind = Literal["preflight", "prepare", "process", "verify", "pack", "share"]
KINDS: tuple[JobKind, ...] = ("preflight", "prepare", "process", "verify", "pack", "share")
JobState = Literal["none", "running", "done", "failed"]
Tell = Callable[[str, float | None], None]

# ------------------------------------------------------------------------------
# In the desk: what is under way, and how far it is.
# ------------------------------------------------------------------------------


@dataclass(slots=True)
class Job:
    """A piece of work.

    Attributes:
        kind: Which.
        state: How it stands.
        step: What it does now.
        share: How far it is, 0 to 1; None where that is not known.
        result: What came of it.
        fault: Why nothing came of it.
        began_s: When it began, on the monotonic clock [s].
    """

    kind: JobKind
    state: JobState = "none"
    step: str = ""
    share: float | None = None
    result: Mapping[str, Any] = field(default_factory=dict)
    fault: str = ""
    began_s: float = 0.0

    def as_json(self) -> dict[str, Any]:
        """Return what a page is told."""
        told = {name: getattr(self, name) for name in ("kind", "state", "step", "share", "result", "fault")}
        return told | {"elapsed_s": round(time.monotonic() - self.began_s, 1) if self.state == "running" else None}


class Jobs:
    """All work of a desk; at most one of a kind at a time."""

    def __init__(self, command: Sequence[str] = ()) -> None:
        self._command = list(command) or own_program("trialcapture.desk.jobs")
        self._jobs: dict[str, Job] = {}
        self._programs: dict[str, subprocess.Popen[bytes]] = {}
        self._lock = threading.Lock()

    def state_of(self, kind: JobKind) -> Job:
        """Return how a kind of work stands."""
        return self._jobs.get(kind, Job(kind))

    def start(self, kind: JobKind, *given: str) -> Job:
        """Begin a piece of work; one of the kind that is under way goes on instead.

        Args:
            kind: Which.
            given: Its arguments; see `work`.
        """
        with self._lock:
            there = self._jobs.get(kind)
            if there is not None and there.state == "running":
                return there
            job = self._jobs[kind] = Job(kind, "running", "starting", began_s=time.monotonic())
            try:
                program = subprocess.Popen(
                    [*self._command, kind, *given],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                )
            except OSError as fault:
                job.state, job.fault = "failed", f"it could not be started: {fault.strerror or fault}"
                return job
            self._programs[kind] = program
        threading.Thread(target=self._follow, args=(job, program), name=f"desk {kind}", daemon=True).start()
        return job

    def forget(self, *kinds: JobKind) -> None:
        """Forget results that do not hold any more; what is under way goes on."""
        with self._lock:
            for kind in kinds:
                if self.state_of(kind).state != "running":
                    self._jobs.pop(kind, None)

    def stop(self, kind: JobKind) -> None:
        """End a piece of work if it is under way; the next of its kind may begin at once."""
        with self._lock:
            program = self._programs.get(kind)
            if program is not None and program.poll() is None:
                program.terminate()
            self._jobs.pop(kind, None)

    def end(self) -> None:
        """End what is under way."""
        for program in self._programs.values():
            if program.poll() is None:
                program.terminate()

    @staticmethod
    def _follow(job: Job, program: subprocess.Popen[bytes]) -> None:
        complaints: list[bytes] = []
        reader = threading.Thread(target=_keep_last, args=(program.stderr, complaints), daemon=True)
        reader.start()
        for line in program.stdout or ():
            told = _parsed(line)
            if "step" in told:
                job.step, job.share = str(told["step"]), told.get("share")
            elif "result" in told:
                job.result = told["result"]
            elif "fault" in told:
                job.fault = str(told["fault"])
        code = program.wait()
        reader.join(5.0)
        if code == 0 and not job.fault:
            job.state = "done"
            return
        last = b"".join(complaints).decode("utf-8", "replace").strip().rsplit("\n", 1)[-1]
        job.fault = job.fault or f"the work ended with code {code}" + (f": {clean_text(last)}" if last else "")
        job.state = "failed"


def _keep_last(stream: IO[bytes] | None, into: list[bytes]) -> None:
    for line in stream or ():
        into.append(line)
        del into[:-20]


def _parsed(line: bytes) -> Mapping[str, Any]:
    try:
        told = parse_json_line(line)
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


# ------------------------------------------------------------------------------
# In the process of a job.
# ------------------------------------------------------------------------------


def work(kind: str, given: Sequence[str], tell: Tell) -> Mapping[str, Any]:
    """Do a piece of work and return what came of it, as JSON can hold it.

    Args:
        kind: ``preflight SETTINGS SECONDS``, ``prepare SESSION``, ``process SESSION``, ``verify SESSION ROOT``,
            ``pack SESSION OUT WHY`` or ``share SESSION OUT WHY``, where WHY is why a damaged session is packed, or "".
        given: Its arguments.
        tell: Called with the step under way and how far it is.

    Raises:
        TrialCaptureError: It cannot be done.
    """
    if kind == "preflight":
        return _preflight(Path(given[0]), float(given[1]), tell)
    folder = Path(given[0])
    if kind == "prepare":
        give_way()  # nobody waits for it
        prepare_ahead(folder, tell)
        return {}
    if kind == "process":
        made = process(folder, progress=tell)
        return {"told": list(made["told"]), "warnings": len(made["summary"].get("warnings", []))}
    if kind == "verify":
        return _verify(folder, given[1] if len(given) > 1 else "", tell)
    with lock_if_there(folder):
        packed = pack_session(
            folder, Path(given[1]), made_by=f"trialcapture {__version__}", share=kind == "share", progress=tell,
            accept_damage=given[2] or None if len(given) > 2 else None,
        )  # fmt: skip
    return {
        "name": packed.out.name, "files": packed.files, "bytes": packed.bytes, "condition": packed.condition,
        "left_out": list(packed.left_out), "root": packed.root,
    }  # fmt: skip


def _preflight(settings: Path, seconds: float, tell: Tell) -> Mapping[str, Any]:
    config, text = read_config(settings)
    found = preflight(
        config, seconds=seconds, config_text=text, progress=lambda share: tell("listening to every source", share)
    )
    return {
        "t": found.t,
        "ready": found.ready,
        "listened_s": round(found.listened_s, 1),
        "checks": [asdict(check) for check in found.checks],
        "heard": {source: list(kinds) for source, kinds in found.heard.items()},
        "sentences": list(explained_lines(found.sentences)),
    }


def _verify(folder: Path, root: str, tell: Tell) -> Mapping[str, Any]:
    wanted = parse_root(root) if root else None
    found = verify_with_results(folder, root=wanted, progress=tell)
    at = found.root_given
    return {
        "ending": found.ending,
        "faults": list(found.faults),
        "unvouched": list(found.unvouched),
        "losses": [str(loss) for loss in found.losses],
        "remarks": list(found.remarks),
        "files": found.files,
        "lines": found.lines,
        "root_given": None if at is None else f"line {at.number}: {at.what}, {at.t}, by {at.by}",
    }


def for_form(text: str) -> str:
    """Return a sentence made for the command line with options as the words that a form has."""
    return re.sub(r"--([a-z][a-z-]*)", lambda option: option[1].replace("-", " "), text)


def _say(told: Mapping[str, Any]) -> None:
    def plain(value: Any) -> str:
        return value.isoformat() if isinstance(value, datetime) else str(value)

    # in ASCII, whatever this computer's encoding is; half a surrogate pair is no character to a browser
    line = json.dumps(told, default=plain, allow_nan=False).encode("ascii")
    sys.stdout.buffer.write(line + b"\n")
    sys.stdout.buffer.flush()


def main(arguments: Sequence[str]) -> int:
    """Do the work that the arguments name and print how it goes; return the exit code."""
    last_s, last_step = 0.0, ""
    # what is ended by the desk removes what it has set aside
    signal.signal(signal.SIGTERM, lambda _number, _frame: sys.exit(1))

    def tell(step: str, share: float | None) -> None:
        nonlocal last_s, last_step
        if step != last_step or time.monotonic() - last_s > 0.2:
            last_s, last_step = time.monotonic(), step
            _say({"step": clean_text(step), "share": share})

    try:
        _say({"result": work(arguments[0], arguments[1:], tell)})
    except ConfigError as fault:
        _say({"fault": f"{fault.what}: {'; '.join(map(clean_text, fault.faults))}"})
        return 1
    except TrialCaptureError as fault:
        _say({"fault": for_form(str(fault))})
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
