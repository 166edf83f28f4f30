"""What comes in: sources on the boat's network, engine logs as offloaded, transducers by name."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from difflib import get_close_matches
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Discriminator, Field, StringConstraints, Tag, field_validator

from trialcapture.config.base import Flag, Number, Section, Text, Whole
from trialcapture.errors import TrialCaptureError
from trialcapture.units import parse_unit

TIME_WORDS = ("iso", "unix_s", "unix_ms", "elapsed_s")
_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2})(?::?([0-5]\d))?")


class Source(Section):
    """One input on the boat's network; we only listen."""

    id: Annotated[Text, Field(pattern=r"^[A-Za-z0-9_-]{1,15}$")]
    kind: Literal["serial", "tcp", "udp", "can", "replay"]
    port: Whole | Text | None = None
    """Serial device name, or TCP/UDP port number."""
    host: Text | None = None
    """TCP server, or UDP interface or multicast group to listen on."""
    baud: Literal[4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800] | None = None
    channel: Text | None = None
    interface: Text | None = None
    bitrate: Whole | None = None
    path: Text | None = None
    latency_s: Annotated[Number, Field(ge=0, le=10)] = 0.0
    require_checksum: Flag = True
    stamp: Literal["first_byte", "last_byte"] | None = None
    """Which byte of a sentence receipt stamps were made at. By default the first, as the recorder does, and the last
    for ``replay``: most programs stamp a line when it is complete. Counts only where `baud` is known."""
    bursts: Flag = False
    """Sentences that follow each other without a pause were all measured when the first of them set out."""

    @property
    def stamped_at(self) -> Literal["first_byte", "last_byte"]:
        """Which byte of a sentence receipt stamps were made at."""
        return self.stamp or ("last_byte" if self.kind == "replay" else "first_byte")


class Column(Section):
    """One column of an engine log: its heading and its declared unit."""

    name: Annotated[Text, Field(min_length=1)]
    unit: Text

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, value: str) -> str:
        try:
            return parse_unit(value)
        except TrialCaptureError as fault:
            raise ValueError(f"{fault.what}; {fault.expected}") from fault


class LogClock(Section):
    """How an engine log's clock is tied to UTC."""

    method: Literal["auto", "rpm", "marks", "fixed"] = "auto"
    offset_s: Number | None = None
    """UTC minus log time [s], for ``fixed``."""


def _column_kind(value: Any) -> str:
    return "heading" if isinstance(value, str) else "table"


HeadingOrColumn = Annotated[
    Annotated[Text, Tag("heading")] | Annotated[Column, Tag("table")], Discriminator(_column_kind)
]


class EngineLog(Section):
    """One kind of engine log, as offloaded after the trial."""

    files: Text | tuple[Text, ...] = "*.csv"
    """Name pattern, or several, under ``raw/engine``."""
    columns: dict[str, HeadingOrColumn]
    """``time`` gives a heading, and ``date`` too where day and time stand in two columns; every other key is
    ``<quantity>_<engine id>`` and gives heading and unit. ``"RPM#2"`` is the second column headed RPM."""
    time_format: Text = "iso"
    """``strptime`` pattern, or ``iso``, ``unix_s``, ``unix_ms``, ``elapsed_s``. With a ``date`` column the
    pattern is for date, one space, time."""
    timezone: Text = "UTC"
    """IANA zone name, or an offset such as ``+02:00``; read only where the stamps carry no zone."""
    delimiter: Annotated[str, Field(strict=True), StringConstraints(strip_whitespace=False)] = ","
    decimal: Literal[".", ","] = "."
    encoding: Text = "utf-8-sig"
    header_rows: Annotated[Whole, Field(ge=1, le=100)] = 1
    """Rows up to and including the headings."""
    skip_rows_after_header: Annotated[Whole, Field(ge=0, le=100)] = 0
    """Rows between headings and data, such as a row of units."""
    clock: LogClock = Field(default_factory=LogClock)

    @property
    def zone(self) -> tzinfo:
        """The zone of stamps that carry none."""
        return parse_zone(self.timezone)

    @field_validator("time_format")
    @classmethod
    def _reads_a_whole_stamp(cls, value: str) -> str:
        if value in TIME_WORDS:
            return value
        if "%" not in value:
            raise ValueError(f"must be {', '.join(TIME_WORDS)} or a pattern such as '%d.%m.%Y %H:%M:%S'")
        if found := re.search("%[-#]?[cxXZ]", value):
            raise ValueError(f"{found[0]} differs from computer to computer; spell the stamp out, zone apart")
        sample = datetime(2026, 11, 24, 17, 48, 39, tzinfo=UTC)
        try:
            read = datetime.strptime(sample.strftime(value), value).replace(tzinfo=None)
        except ValueError as fault:
            raise ValueError(f"is no pattern strptime can read ({fault})") from fault
        if read.date() != sample.date():
            raise ValueError(
                "lacks the day, the month or the year; where the date has a column of its own, map it with "
                'date = "…" and write the pattern for date, one space, time'
            )
        if (read.hour, read.minute) != (sample.hour, sample.minute):
            raise ValueError("lacks the hour (%H, or %I with %p) or the minute (%M)")
        return value

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        parse_zone(value)
        return value

    @field_validator("delimiter")
    @classmethod
    def _one_character(cls, value: str) -> str:
        if len(value) != 1 or value in '\r\n"':
            raise ValueError(r"must be one character, such as ';', or '\t' for a tab")
        return value

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            b"\0\0\0\0".decode(value)  # four zeros are sound in every text encoding
        except (LookupError, ValueError) as fault:
            raise ValueError("must be a text encoding, such as utf-8, cp1252, latin-1 or utf-16") from fault
        return value


class Xdr(Section):
    """Which transducer of an XDR sentence is which channel; confirmed once per boat."""

    name: Text
    type: Annotated[Text, Field(max_length=1)] = ""
    unit: Annotated[Text, Field(max_length=1)] = ""
    channel: Text


def parse_zone(text: str) -> tzinfo:
    """Return a time zone.

    Args:
        text: IANA name such as ``"Europe/Athens"``, or an offset such as ``"+02:00"``.

    Raises:
        ValueError: There is no such zone; the text says what comes near.
    """
    if text in ("UTC", "Z"):
        return UTC
    if match := _OFFSET.fullmatch(text):
        offset = timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
        if offset > timedelta(hours=14):
            raise ValueError("an offset from UTC lies between -14:00 and +14:00")
        return timezone(-offset if match[1] == "-" else offset)
    zones = available_timezones()
    if text in zones:
        return ZoneInfo(text)
    near = [zone for zone in sorted(zones) if zone.rpartition("/")[2].lower() == text.lower()]
    near = near or get_close_matches(text, sorted(zones), 3)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    raise ValueError(f"must be an IANA zone such as 'Europe/Athens' or an offset such as '+02:00'{hint}")
