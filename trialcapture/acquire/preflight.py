"""``preflight``: is everything there for this trial, before the lines are cast off."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from trialcapture import __version__
from trialcapture.acquire.checks import Check, quantity_checks, receiver_checks, source_checks
from trialcapture.acquire.clock import Clock, system_clock
from trialcapture.acquire.computer import battery_pct, is_removable, is_synced_folder, sleep_setting
from trialcapture.acquire.events import utc_text
from trialcapture.acquire.explain import SentenceSeen, explain_groups, explain_log
from trialcapture.acquire.listening import Heard, listen
from trialcapture.acquire.opening import make_sources
from trialcapture.acquire.serial_port import ports_present
from trialcapture.acquire.source import Source
from trialcapture.archive.atomic import free_bytes, size_text, write_file
from trialcapture.archive.session import FILE_NAME, create_session, open_session
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError

RESULT = "preflight.json"
_TRIAL_H = 8.0
_MARGIN = 3.0
_ENOUGH_S = 10.0
_PORT_TAKERS = ("brltty", "ModemManager", "gpsd")
"""Services on Linux known to claim serial adapters that are plugged in (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Preflight:
    """What a preflight found.

    Attributes:
        t: When, UTC.
        listened_s: How long was listened [s].
        checks: One line each.
        heard: Types of sentence heard, by source: its signature.
        sentences: Every kind of sentence heard, its fields and what it feeds.
        stored: Where the result was written, None where it was not.
    """

    t: str
    listened_s: float
    checks: tuple[Check, ...]
    heard: dict[str, tuple[str, ...]]
    sentences: tuple[SentenceSeen, ...]
    stored: Path | None

    @property
    def ready(self) -> bool:
        """True when nothing is missing."""
        return all(check.state != "missing" for check in self.checks)


def preflight(
    config: Config,
    *,
    seconds: float = 30.0,
    into: Path | None = None,
    config_text: str | None = None,
    progress: Callable[[float], None] = lambda _: None,
    clock: Clock | None = None,
    sources: Callable[[Clock, int], list[Source]] | None = None,
) -> Preflight:
    """Listen on every source and tell what is there, what is missing and how to mend it.

    Args:
        config: Settings.
        seconds: How long to listen.
        into: Session the result is stored with, as ``raw/preflight.json``; made when it is not there yet, and
            `record` may go on in it.
        config_text: The settings as text, kept word by word in a session that is made.
        progress: Called with the share of the time that has passed, 0 to 1.
        clock: Clocks; the computer's own by default.
        sources: Makes the sources from clock and start time, instead of the settings; for tests.

    Raises:
        TrialCaptureError: There is nothing to listen to, or the session cannot be written.
    """
    clock = clock or system_clock()
    start_ns = clock.mono_ns()
    made = sources(clock, start_ns) if sources else make_sources(config, clock, start_ns, clock.wall_ns())
    if not made:
        raise TrialCaptureError(
            "there is nothing to listen to",
            where="[[source]]",
            expected="add a [[source]] table with id, kind and its address to the settings",
        )
    trusted = frozenset(s.id for s in config.source if not s.require_checksum)
    seen_ports: list[set[str]] = []

    def look(passed_s: float) -> None:
        if len(seen_ports) < passed_s:
            seen_ports.append({port.device for port in ports_present()})
        progress(min(1.0, passed_s / seconds))

    heard = listen(made, clock, start_ns, seconds, trusted=trusted, look=look)
    signature = {s.source: _types(s.source, heard) for s in heard.health.sources.values()}
    checks = [
        *source_checks(heard),
        *_port_checks(config, seen_ports),
        *quantity_checks(heard, config),
        *receiver_checks(heard),
        *_signature_checks(signature, into),
        *computer_checks(into or Path.cwd(), heard),
    ]
    seen = (*explain_log(heard.lines, config), *explain_groups(heard.groups))
    result = Preflight(utc_text(clock.wall_ns()), heard.listened_s, tuple(checks), signature, seen, None)
    if into is None:
        return result
    return replace(result, stored=_store(result, config, config_text, into))


def computer_checks(folder: Path, heard: Heard) -> list[Check]:
    """Judge disk, battery and sleep."""
    rate = sum(s.bytes for s in heard.health.sources.values()) / max(heard.listened_s, 1.0)
    needed = int(rate * 2 * _TRIAL_H * 3600 * _MARGIN)  # stamps about double what is received
    free = free_bytes(folder)
    space_ok = free > max(needed, 500_000_000)
    checks = [
        Check(
            "disk space",
            "ok" if space_ok else "missing",
            f"{size_text(free)} free, {size_text(needed)} wanted for {_TRIAL_H:.0f} h with margin",
            "" if space_ok else "Free some space, or record on another disk.",
        )
    ]
    if is_removable(folder):
        checks.append(
            Check("disk", "warning", "a stick or card", "Record on the computer's own disk and copy afterwards.")
        )
    if is_synced_folder(folder):
        checks.append(Check("disk", "warning", "a folder that a cloud service syncs", "Record into a plain folder."))
    sleeps, seen = sleep_setting()
    checks.append(
        Check("sleep", "unknown", "cannot be told", "Switch off sleep and what closing the lid does, by hand.")
        if sleeps is None
        else Check("sleep", "warning" if sleeps else "ok", seen, "Switch it off for the trial." if sleeps else "")
    )
    charge = battery_pct()
    if charge is not None:
        low = charge < 50
        checks.append(
            Check("battery", "warning" if low else "ok", f"{charge:.0f} %", "Plug the charger in." if low else "")
        )
    return checks


def _types(source: str, heard: Heard) -> tuple[str, ...]:
    found = set()
    for kind, tables in heard.tables.items():
        if any(source in table["source"].to_pylist() for table in tables):
            found.add(kind)
    return tuple(sorted(found))


def _port_checks(config: Config, seen: list[set[str]]) -> list[Check]:
    wanted = {str(s.port): s.id for s in config.source if s.kind == "serial"}
    checks = []
    for port, source in wanted.items():
        presence = [port in ports for ports in seen]
        if any(presence) and not presence[-1]:
            takers = ", ".join(_running(_PORT_TAKERS)) or "unknown"
            checks.append(
                Check(
                    f"port of {source}",
                    "missing",
                    f"{port} came and went",
                    f"Another service on this computer takes this adapter ({takers}): stop it for the trial.",
                )
            )
    if sys.platform == "win32" and wanted and not any(seen):
        remedy = (
            "If the adapter is plugged in, Windows may take a talking receiver for a mouse: in Device Manager "
            "disable (not uninstall) that mouse, or 'serial enumerator' of the port."
        )
        checks.append(Check("serial ports", "missing", "none", remedy))
    return checks


def _signature_checks(signature: dict[str, tuple[str, ...]], into: Path | None) -> list[Check]:
    if into is None:
        return []
    before: dict[str, Any] = {}
    with suppress(OSError, ValueError):
        before = json.loads((into / "raw" / RESULT).read_bytes()).get("heard", {})
    checks = []
    for source, types in signature.items():
        then = set(before.get(source, ()))
        if then and types and not then & set(types):
            seen = f"{source} now says {', '.join(types)}; last time {', '.join(sorted(then))}"
            checks.append(Check("wiring", "warning", seen, "Wrong socket? Swap the plugs, or correct the settings."))
    return checks


def _running(names: tuple[str, ...]) -> list[str]:
    found = set()
    for path in Path("/proc").glob("[0-9]*/comm"):
        with suppress(OSError):
            found |= {name for name in names if path.read_text().strip() == name}
    return sorted(found)


def _store(result: Preflight, config: Config, config_text: str | None, into: Path) -> Path:
    if (into / FILE_NAME).exists():
        open_session(into)
    else:
        create_session(into, config, made_by=f"trialcapture {__version__}", created=result.t, config_text=config_text)
    path = into / "raw" / RESULT
    content = {
        "t": result.t,
        "listened_s": result.listened_s,
        "checks": [asdict(check) for check in result.checks],
        "heard": result.heard,
    }
    write_file(path, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())
    return path
