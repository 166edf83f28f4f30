"""What every source of bytes has in common."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple, Protocol

Trouble = Literal["absent", "busy", "denied", "refused", "lost", "silent", "unusable"]


class Chunk(NamedTuple):
    """Bytes that came in one go.

    Attributes:
        data: The bytes.
        sender: Who sent them, where one source hears several; a line never spans two senders.
        source: Id to journal them under, when it is not the source's own (a replay speaks for many).
        mono_ns: Session time of receipt [ns], when it is not now (a replay keeps the old stamps).
        wall_ns: Wall clock at receipt [ns since 1970 UTC], likewise.
    """

    data: bytes
    sender: str = ""
    source: str = ""
    mono_ns: int | None = None
    wall_ns: int | None = None


class SourceError(Exception):
    """A source cannot be opened or has gone; it will be tried again.

    Args:
        trouble: The kind of it.
        what: One sentence on what is wrong.
        remedy: One sentence on what to do.
    """

    def __init__(self, trouble: Trouble, what: str, remedy: str) -> None:
        super().__init__(f"{what} {remedy}")
        self.trouble = trouble
        self.what = what
        self.remedy = remedy


class Source(Protocol):
    """One input, which only listens.

    `open` takes the device, `read` waits up to `timeout_s` and gives what has come since (nothing is no error),
    `close` may be called at any time and twice. Any trouble is a `SourceError`; after it the source is closed
    and may be opened again. Sources are used by one thread. A source may say ``can_wait = True``: what is not read now
    stays at its sender, or the system counts what it drops.
    """

    @property
    def id(self) -> str:
        """Id from the settings."""

    @property
    def stream(self) -> str:
        """Raw file it is kept in: ``nmea.log``, ``can.log`` or ``engine/<name>``."""

    @property
    def where(self) -> str:
        """Port or address, for people."""

    def open(self) -> None:
        """Take the device."""

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for bytes."""

    def close(self) -> None:
        """Let the device go."""


Say = Callable[..., None]
"""``say(kind, text, **details)``: how a source reports what is no trouble but belongs in the record."""


def say_nothing(kind: str, text: str, **details: object) -> None:
    """Ignore a remark."""
