"""CAN buses by python-can: received only, silent where the adapter can, kept as candump text lines."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.source import Chunk, Say, SourceError, say_nothing

_AT_ONCE = 1000
"""Frames handed on at a time at most (our choice)."""
_CLOCK_EVERY_NS = 10_000_000_000
"""How often the adapter's clock is held against the computer's: drift stays below a millisecond (our choice)."""
_JUMP_S = 0.05
"""A change of adapter time against ours beyond this is a jump (common practice, no source)."""
_MARINE_BITRATE = 250_000
"""Bit rate of NMEA 2000 and of J1939 on its usual wiring [bit/s]."""

_SILENT_BY_INTERFACE: dict[str, dict[str, Any]] = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": "PASSIVE"},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": "PASSIVE"},
    "vector": {"listen_only": True},
}
"""How each interface of python-can is asked not even to acknowledge what others send."""
_HARMLESS = ("virtual", "udp_multicast", "socketcand")


def silent_options(interface: str) -> dict[str, Any]:
    """Return the python-can arguments that make an adapter silent; empty where it has no such mode."""
    return dict(_SILENT_BY_INTERFACE.get(interface, {}))


class CanBus:
    """A CAN source; no frame is ever sent.

    Args:
        source_id: Id from the settings; written where candump writes the channel.
        channel: Channel as python-can names it, such as ``can0``.
        interface: python-can interface; SocketCAN when not given.
        bitrate: Bit rate [bit/s]; 250 000 when not given.
        clock: For stamps.
        epoch_ns: What to add to the clock's monotonic time to get the stamp written [ns since 1970 UTC]: the
            session's start by the wall clock, so that stamps never step.
        say: Told about acknowledgement and about adapter time.
        open_bus: Opens the bus, replaceable in tests.
    """

    stream = "can.log"
    can_wait = False

    def __init__(
        self,
        source_id: str,
        channel: str,
        interface: str | None,
        bitrate: int | None,
        clock: Clock,
        epoch_ns: int,
        *,
        say: Say = say_nothing,
        open_bus: Callable[..., Any] | None = None,
    ) -> None:
        self.id = source_id
        self._interface = interface or "socketcan"
        self.where = f"{self._interface} {channel}"
        self._channel = channel
        self._bitrate = bitrate or _MARINE_BITRATE
        self._clock = clock
        self._epoch_ns = epoch_ns
        self._say = say
        self._open_bus = open_bus
        self._bus: Any = None
        self._next_clock_ns = 0
        self._offset_s: float | None = None

    def open(self) -> None:
        """Open the bus in silent mode where there is one."""
        self.close()
        can = _library()
        options = silent_options(self._interface)
        if options.get("state") == "PASSIVE":
            options["state"] = can.BusState.PASSIVE
        if self._interface not in ("socketcan", *_HARMLESS):
            options["bitrate"] = self._bitrate
        if not silent_options(self._interface) and self._interface not in _HARMLESS:
            self._say(
                "acknowledges",
                f"{self.id}: this adapter acknowledges frames unless it is set to listen only outside this program "
                "(SocketCAN: ip link set CHANNEL type can bitrate RATE listen-only on)",
            )
        try:
            self._bus = (self._open_bus or can.Bus)(
                interface=self._interface, channel=self._channel, receive_own_messages=False, **options
            )
        except (can.CanError, OSError, ValueError, TypeError, ImportError, NotImplementedError) as fault:
            self.close()
            raise SourceError(
                "absent",
                f"CAN {self.where} cannot be opened ({fault}).",
                "Check the adapter, its driver, and that the channel is up.",
            ) from fault

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for frames and take all that wait, as candump lines."""
        if self._bus is None:
            raise SourceError("lost", f"CAN {self.where} is not open.", "It is being opened again.")
        can = _library()
        lines = []
        try:
            message = self._bus.recv(timeout_s)
            while message is not None:
                now_ns = self._clock.mono_ns()
                lines.append(candump_line(self._epoch_ns + now_ns, self.id, message))
                self._compare_clocks(message.timestamp, now_ns)
                if len(lines) >= _AT_ONCE:
                    break
                message = self._bus.recv(0)
        except (can.CanError, OSError, ValueError) as fault:
            self.close()
            raise SourceError(
                "lost", f"CAN {self.where} failed ({fault}).", "Check the adapter; it is taken up again by itself."
            ) from fault
        return [Chunk(b"".join(lines))] if lines else []

    def close(self) -> None:
        """Let the bus go."""
        bus, self._bus = self._bus, None
        if bus is not None:
            with suppress(Exception):  # python-can lets drivers' own exceptions through when hardware is gone
                bus.shutdown()

    def _compare_clocks(self, adapter_s: float, now_ns: int) -> None:
        """Keep the adapter's own time beside ours, so that its drift and jumps can be told afterwards."""
        if now_ns < self._next_clock_ns:
            return
        self._next_clock_ns = now_ns + _CLOCK_EVERY_NS
        offset_s = adapter_s - now_ns / 1e9
        jumped = self._offset_s is not None and abs(offset_s - self._offset_s) > _JUMP_S
        if self._offset_s is None or jumped:
            what = "adapter time jumped" if jumped else "adapter time"
            self._say("can_clock", f"{self.id}: {what}", adapter_s=adapter_s, jumped=jumped)
            self._offset_s = offset_s


def candump_line(stamp_ns: int, channel: str, message: Any) -> bytes:
    """Return a frame in the text form of ``candump -L``.

    Args:
        stamp_ns: Time to write [ns since 1970 UTC].
        channel: Channel to write.
        message: A `can.Message`.
    """
    stamp_us = stamp_ns // 1000
    if message.is_error_frame:
        name = f"{0x20000000 | message.arbitration_id:08X}"
    elif message.is_extended_id:
        name = f"{message.arbitration_id:08X}"
    else:
        name = f"{message.arbitration_id:03X}"
    if message.is_remote_frame:
        content = f"#R{message.dlc or ''}"
    elif message.is_fd:
        flags = (1 if message.bitrate_switch else 0) | (2 if message.error_state_indicator else 0)
        content = f"##{flags:X}{bytes(message.data).hex().upper()}"
    else:
        content = f"#{bytes(message.data).hex().upper()}"
    return f"({stamp_us // 1_000_000}.{stamp_us % 1_000_000:06d}) {channel} {name}{content}\n".encode()


def _library() -> Any:
    try:
        import can  # noqa: PLC0415  an optional extra
    except ImportError as fault:
        raise SourceError(
            "unusable", "CAN needs the python-can library.", "Install it: python -m pip install python-can"
        ) from fault
    return can
