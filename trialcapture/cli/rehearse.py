"""``trialcapture rehearse``: a simulated trial as a session, or played live."""

from __future__ import annotations

import signal
import textwrap
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import tomli_w

from trialcapture.archive.atomic import write_file
from trialcapture.cli.output import Progress, print_json, say, shown_progress, tell
from trialcapture.config import read_plan
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.faults import FAULTS
from trialcapture.rehearse.play import play
from trialcapture.rehearse.scenarios import DEFAULT, SCENARIOS, Plan, briefed, load_plan
from trialcapture.rehearse.simulate import SimulatedTrial, find_scenario, simulate
from trialcapture.rehearse.write import truth_path, truth_text, write_session


def rehearse(
    out: Path | None,
    scenario: str | None,
    faults: tuple[str, ...],
    is_list: bool,
    seed: int,
    plan_path: Path | None,
    short: bool,
    hours: float | None,
    at: str | None,
    errors: bool,
    udp: bool,
    tcp: bool,
    serial: str | None,
    port: int,
    baud: int,
    speed: float,
    as_json: bool,
) -> None:
    """Simulate a trial, and write or play it; or list what there is to simulate."""
    if is_list:
        _print_lists(
            {
                "scenarios": {name: found.summary for name, found in SCENARIOS.items()},
                "faults": {name: found.summary for name, found in FAULTS.items()},
            },
            as_json,
        )
        return
    if out is None:
        raise click.UsageError("Missing argument 'OUT'.", click.get_current_context())

    chosen = find_scenario(scenario or DEFAULT)
    plan = None if plan_path is None else _read_plan(plan_path)
    if short:
        plan = briefed(plan or chosen.plan)
    if truth_path(out).exists() or (out.exists() and (not out.is_dir() or any(out.iterdir()))):
        raise TrialCaptureError(
            "a rehearsal needs a folder of its own",
            seen="a folder or truth of this name that is there already",
            where=str(out),
            expected="give a name that does not exist yet",
        )
    outlets = _Outlets(udp=port if udp else None, tcp=port if tcp else None, serial=serial, baud=baud)
    if at is not None and outlets.any:
        raise click.UsageError("--at is for a session that is written; what is played live happens now.")
    begin_ns = None if at is None else _begin_ns(at)
    told: dict[str, Any] = {"scenario": chosen.name, "seed": seed, "out": out, "truth": truth_path(out)}
    if faults:
        told["faults"] = list(faults)
    if outlets.any and speed != 1.0:
        told["warning"] = (_TOO_FAST if serial is None else _ONLY_TO_WATCH).format(speed=speed)
        say(told["warning"], label="caution")
    with shown_progress() as progress:
        progress("simulating", None)
        start_ns = time.time_ns() if outlets.any else begin_ns
        trial = simulate(chosen, seed, plan=plan, hours=hours, start_utc_ns=start_ns, errors=errors, faults=faults)
        told["lines"] = trial.lines.num_rows
        if outlets.any:
            told |= _play(trial, out, outlets, speed, progress)
        else:
            told["session"] = write_session(trial, out, progress=progress).id
    if as_json:
        print_json(told)
    elif outlets.any:
        tell(f"played {told['seconds']:.0f} s of {chosen.name}; engine logs and settings are in {out}")
    else:
        tell(f"session {told['session']} in {out}: {chosen.name}, {told['lines']} lines")
        tell(f"the truth is in {told['truth']}")
        tell(f"next: trialcapture process {out}")


def _begin_ns(text: str) -> int:
    """Return a time that was typed [ns since 1970 UTC].

    Raises:
        TrialCaptureError: It is no time, or has no zone.
    """
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        at = None
    if at is None or at.utcoffset() is None or not 1980 <= at.year <= 2100:
        raise TrialCaptureError(
            "this is no time with its zone", seen=text[:80], where="--at", expected="UTC, such as 2026-05-15T08:30Z"
        )
    return int(at.timestamp()) * 10**9


def _read_plan(path: Path) -> Plan:
    return load_plan(tomli_w.dumps({"plan": read_plan(path)}), where=str(path))


_TOO_FAST = (
    "played {speed:g} times as fast as it happens: the clock of the recorder has to run as fast, or the times in the "
    "sentences contradict it and nothing can be measured. Record it with the command below, which says so."
)
_ONLY_TO_WATCH = (
    "played {speed:g} times as fast as it happens into a serial port, this is for watching the screen only: the clock "
    "of a recorder runs faster for what comes over UDP or TCP from this computer itself, and never for a port, behind "
    "which a boat may be. To process a trial, play it at --speed 1 (--short takes under eight minutes), or over --udp "
    "or --tcp."
)


@dataclass(frozen=True, slots=True)
class _Outlets:
    """Where to play to: ports of this computer, a serial port, or nowhere."""

    udp: int | None
    tcp: int | None
    serial: str | None
    baud: int

    @property
    def any(self) -> bool:
        return self.udp is not None or self.tcp is not None or self.serial is not None


def _print_lists(lists: Mapping[str, Mapping[str, str]], as_json: bool) -> None:
    if as_json:
        print_json(lists)
        return
    for title, summaries in lists.items():
        tell(f"{title}:")
        width = max(map(len, summaries))
        for name, summary in summaries.items():
            lead = f"  {name:{width}}  "
            for line in textwrap.wrap(summary, 80, initial_indent=lead, subsequent_indent=" " * len(lead)):
                tell(line)


def _play(trial: SimulatedTrial, out: Path, outlets: _Outlets, speed: float, progress: Progress) -> dict[str, Any]:
    """Play a trial live, its settings and truth written first; Ctrl-C ends it early, and that is no fault."""
    write_file(out / "boat.toml", _live_settings(trial, outlets).encode())
    write_file(truth_path(out), truth_text(trial).encode())
    stopped: list[bool] = []

    def stop() -> bool:
        return bool(stopped)

    former = signal.signal(signal.SIGINT, lambda *_: stopped.append(True))
    faster = "" if speed == 1.0 or outlets.serial is not None else f" --speed {speed:g}"
    tell(f"playing; record it with: trialcapture record {out / 'boat.toml'} --into FOLDER{faster}", err=True)
    tell("(with --desk behind it the page of the day opens in the browser)", err=True)
    try:
        played = play(
            trial,
            udp=None if outlets.udp is None else ("127.0.0.1", outlets.udp),
            tcp=outlets.tcp,
            serial=outlets.serial,
            baud=outlets.baud,
            engine_folder=out,
            speed=speed,
            stop=stop,
            progress=lambda share: progress("playing", share),
        )
    finally:
        signal.signal(signal.SIGINT, former)
    return {"seconds": played.seconds, "sent": dict(played.lines), "engine_rows": played.engine_rows}


def _live_settings(trial: SimulatedTrial, outlets: _Outlets) -> str:
    """Return the trial's settings with sources that listen where it is played."""
    sources: list[dict[str, Any]] = []
    if outlets.udp is not None:
        sources.append({"id": "udp", "kind": "udp", "host": "127.0.0.1", "port": outlets.udp})
    if outlets.tcp is not None:
        sources.append({"id": "tcp", "kind": "tcp", "host": "127.0.0.1", "port": outlets.tcp})
    if outlets.serial is not None:
        sources.append({"id": "serial", "kind": "serial", "port": outlets.serial, "baud": outlets.baud})
    settings = tomllib.loads(trial.config_text)
    settings.get("trial", {}).pop("primary_gnss", None)  # it names a source that is not there when played
    return tomli_w.dumps({**settings, "source": sources})
