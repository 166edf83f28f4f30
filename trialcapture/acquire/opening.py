"""From the settings to sources."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from trialcapture.acquire.can_bus import CanBus
from trialcapture.acquire.clock import Clock
from trialcapture.acquire.growing_file import GrowingFile
from trialcapture.acquire.network import TcpClient, UdpListener
from trialcapture.acquire.replay import Replay
from trialcapture.acquire.source import Say, Source, say_nothing
from trialcapture.config import Config
from trialcapture.config import Source as SourceSettings
from trialcapture.errors import TrialCaptureError

SayFor = Callable[[str], Say]


def make_source(
    settings: SourceSettings, clock: Clock, start_ns: int, epoch_ns: int, *, say: Say = say_nothing
) -> Source:
    """Return the source that a ``[[source]]`` table describes; nothing is opened yet.

    Args:
        settings: The table.
        clock: Clocks.
        start_ns: Monotonic time the session began [ns].
        epoch_ns: Wall clock at that moment [ns since 1970 UTC], the origin of CAN stamps.
        say: Told by the source what belongs in the record.
    """
    match settings.kind:
        case "serial":
            from trialcapture.acquire.serial_port import SerialPort  # noqa: PLC0415  pyserial only where needed

            return SerialPort(settings.id, str(settings.port), settings.baud, clock, say=say)
        case "udp":
            return UdpListener(settings.id, int(settings.port or 0), settings.host, say=say)
        case "tcp":
            return TcpClient(settings.id, str(settings.host), int(settings.port or 0), clock)
        case "can":
            return CanBus(
                settings.id,
                str(settings.channel),
                settings.interface,
                settings.bitrate,
                clock,
                epoch_ns - start_ns,
                say=say,
            )
        case "replay":
            return Replay(settings.id, Path(str(settings.path)), clock, start_ns)


def make_sources(
    config: Config,
    clock: Clock,
    start_ns: int,
    epoch_ns: int,
    *,
    raw_folder: Path | None = None,
    engine_logs: Sequence[Path] = (),
    say_for: SayFor = lambda _: say_nothing,
) -> list[Source]:
    """Return every source of the settings, and the growing engine logs.

    Args:
        config: Settings.
        clock: Clocks.
        start_ns: Monotonic time the session began [ns].
        epoch_ns: Wall clock when the session began [ns since 1970 UTC], the origin of CAN stamps.
        raw_folder: The session's raw folder, where engine logs are copied.
        engine_logs: Files that other programs are writing.
        say_for: Gives each source, by id, its way to speak.

    Raises:
        TrialCaptureError: Two engine logs have one name.
    """
    sources = [make_source(s, clock, start_ns, epoch_ns, say=say_for(s.id)) for s in config.source]
    names = [path.name for path in engine_logs]
    if len(set(names)) < len(names):
        raise TrialCaptureError(
            "two engine logs have the same name", seen=", ".join(names), expected="rename one of them"
        )
    if raw_folder is not None:
        ids = {source.id for source in sources}
        for path in engine_logs:
            source_id = free_id("".join(c if c.isalnum() and c.isascii() else "_" for c in path.stem), ids)
            ids.add(source_id)
            sources.append(GrowingFile(source_id, path, raw_folder, clock, say=say_for(source_id)))
    return sources


def free_id(wanted: str, taken: set[str]) -> str:
    """Return a source id like the one wanted that is not taken yet."""
    wanted = wanted[:15] or "log"
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{wanted[:12]}_{number}"
    return found
