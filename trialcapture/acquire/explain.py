"""What each kind of sentence in a log says: its fields by name with their latest values, and what it feeds.

Names of fields are pynmea2's; of that library nothing else is used, since it gives zeros for blank positions and knows
no void. Values are the characters as they came. Whether a sentence can be used is for this program's own decoder.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import pyarrow as pa
import pynmea2

from trialcapture.config import Config
from trialcapture.decode.nmea0183.encapsulated import is_encapsulated
from trialcapture.decode.nmea0183.framing import split_address
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.sentences import LAYOUTS
from trialcapture.decode.nmea0183.stream import xor_checksum
from trialcapture.prepare.channels.engine_readings import unmapped_transducers
from trialcapture.prepare.data_health import carries_of, feeds_of

_SENTENCE = re.compile(rb"[$!]([ -#%-)+-\[\]-~]+?)(?:\*([0-9A-Fa-f]{2}))?(?=[$\\\r\n]|$)")
_SOURCE = re.compile(rb"\\(?:[^\\]*,)?s:([^,*\\]+)")
_MOST_SHOWN = 24
"""Fields shown of one sentence; more are those of long lists of satellites (common practice, no source)."""
_BUS_FIELDS = {
    "CDIN": ("parameter group", "gateway's time", "sender", "data"),
    "PGN": ("parameter group", "attributes", "data"),
}


@dataclass(frozen=True, slots=True)
class NamedValue:
    """One field: pynmea2's name of it, and the characters that stood there last."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class SentenceSeen:
    """One kind of sentence, as a source sends it.

    Attributes:
        source: Source by the TAG block, "" where lines have none.
        sentence: Address (``GPRMC``), or parameter group number of what a sentence or a bus carries (``127488``).
        count: How many came in.
        bad: How many of them had a wrong checksum, or none.
        feeds: What of the result they feed; "" for nothing.
        remark: What they carry that is not used, why the latest was refused, which of its fields were void.
        fields: Fields of the latest sound one; empty for messages of a bus.
    """

    source: str
    sentence: str
    count: int
    bad: int
    feeds: str
    remark: str
    fields: tuple[NamedValue, ...]


@dataclass(slots=True)
class _Kind:
    count: int = 0
    bad: int = 0
    latest: bytes = b""
    latest_sound: bool = False
    texts: list[bytes] = field(default_factory=list)


def explain_log(lines: Iterable[bytes], config: Config | None = None) -> list[SentenceSeen]:
    """Explain every kind of sentence in lines of an NMEA 0183 log, plain or with TAG blocks, in order of appearance.

    Any bytes are welcome; what is no sentence is passed over.

    Args:
        lines: Lines, with or without their ends. What is held does not grow with their number.
        config: Settings that say which transducers of XDR sentences are channels; None to leave that open.
    """
    kinds: dict[tuple[str, str], _Kind] = {}
    for line in lines:
        head = _SOURCE.search(line)
        source = head[1].decode("latin-1") if head else ""
        for found in _SENTENCE.finditer(line):
            name = _name_of(found[1])
            if not name:
                continue
            kind = kinds.setdefault((source, name), _Kind())
            sound = found[2] is not None and xor_checksum(found[1]) == int(found[2], 16)
            kind.count += 1
            kind.bad += not sound
            if sound or not kind.latest_sound:
                kind.latest, kind.latest_sound = found[0], sound
            if name.endswith("XDR") and sound:
                kind.texts = [*kind.texts[-31:], found[0]]
    return [_explain(source, name, kind, config) for (source, name), kind in kinds.items()]


def explain_groups(counts: pa.Table) -> list[SentenceSeen]:
    """Explain every parameter group of a CAN log, from the counts of its decoder."""
    seen = []
    for row in counts.to_pylist():
        group = str(row["formatter"])
        count, carries = row["good"] + row["not_decoded"] + row["bad"], carries_of(group)
        remark = f"carries {carries}; not used" if carries else ""
        seen.append(
            SentenceSeen(f"{row['source']}/{row['talker']}", group, count, row["bad"], feeds_of(group), remark, ())
        )
    return seen


def explained_lines(seen: Sequence[SentenceSeen], width: int = 80) -> list[str]:
    """Return the explanation as lines of text no wider than `width` columns."""
    said = []
    for one in seen:
        bad = f", {one.bad} bad" if one.bad else ""
        source = f" from {one.source}" if one.source else ""
        said += textwrap.wrap(f"{one.sentence}{source}: {one.count}{bad}", width, break_long_words=True)
        said += textwrap.wrap(f"feeds {one.feeds or 'nothing'}", width, initial_indent="  ", subsequent_indent="    ")
        if one.remark:
            said += textwrap.wrap(one.remark, width, initial_indent="  ! ", subsequent_indent="    ")
        shown = "; ".join(f"{f.name} = {f.value or 'blank'}" for f in one.fields)
        said += textwrap.wrap(shown, width, initial_indent="  ", subsequent_indent="  ")
    return said


def field_names(formatter: str, count: int) -> list[str]:
    """Return names of a sentence's fields: pynmea2's where it knows them, else this program's, else numbers."""
    known = pynmea2.TalkerSentence.sentence_types.get(formatter)
    names = [str(entry[0]) for entry in known.fields] if known is not None else []
    own = LAYOUTS.get(formatter, {})
    names += list(own[max(own)] if own else _BUS_FIELDS.get(formatter, ()))[len(names) :]
    if formatter == "XDR":
        names = [f"{name} {nth // 4 + 1}" for nth, name in enumerate(names * (count // 4 + 1))]
    return [names[nth] if nth < len(names) else f"field {nth + 1}" for nth in range(count)]


def _name_of(text: bytes) -> str:
    """Return the address, or the parameter group of what the sentence carries; "" where it is no sentence."""
    address, _, rest = text.decode("latin-1").partition(",")
    talker, formatter, _ = split_address(f"${address}")
    if not formatter or not rest:
        return ""
    if is_encapsulated(talker, formatter):
        group = rest.split(",")[0]
        return str(int(group, 16)) if re.fullmatch("[0-9A-Fa-f]{1,6}", group) else f"{talker}{formatter}"
    return address


def _explain(source: str, name: str, kind: _Kind, config: Config | None) -> SentenceSeen:
    text = kind.latest[1:].decode("latin-1").partition("*")[0]
    address, _, rest = text.partition(",")
    _, formatter, _ = split_address(f"${address}")
    values = rest.split(",")
    names = field_names(formatter, len(values))
    fields = tuple(NamedValue(n, v) for n, v in zip(names, values, strict=True))[:_MOST_SHOWN]
    group = name if name.isdigit() else formatter
    carries = carries_of(group)
    feeds = "" if carries else feeds_of(name)
    remarks = [f"carries {carries}; not used"] if carries else []
    if feeds:
        remarks += _remarks_of(kind, config)
    return SentenceSeen(source, name, kind.count, kind.bad, feeds, "; ".join(remarks), fields)


def _remarks_of(kind: _Kind, config: Config | None) -> list[str]:
    """Return why the latest sentence was refused, which of its fields are void, which transducers feed nothing."""
    if not kind.latest_sound:
        return ["refused: checksum wrong or missing"]
    said = []
    _, rejects, _ = decode_nmea(kind.latest + b"\r\n", source="")
    for row in rejects.to_pylist():
        said.append(f"{row['field']} void: {row['reason']}" if row["field"] else f"refused: {row['reason']}")
    if kind.texts and config is not None:
        tables, _, _ = decode_nmea(b"".join(text + b"\r\n" for text in kind.texts), source="")
        left = sorted({",".join(key[1:]) for key in unmapped_transducers(tables, config)})
        said += [f"not mapped to a channel: {'; '.join(left)}"] if left else []
    return said
