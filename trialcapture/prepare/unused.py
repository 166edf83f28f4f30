"""What came in and could not be used, counted: refused sentences, void fields, types that feed no result.

What never came in is not here. Where all that a source said of something was refused, that is said, so that nobody
takes it for missing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from trialcapture.decode import pgn_fields, sentences
from trialcapture.decode.encapsulated import TALKERS
from trialcapture.prepare.health import Rejection, Undecoded

Counts = Mapping[tuple[str, str, str], Sequence[int]]
"""Sentences good, bad and not decoded, by source, talker and formatter or parameter group."""
ByField = Mapping[tuple[str, str, str, str], int]
"""How many were refused or void, by source, sentence, field and reason; "" for no sentence and for all of one."""

NO_COST = "none"
"""How the cost of what cost nothing begins."""
COSTLY_SHARE = 0.05
"""Share of a type's sentences refused from which on it costs something (common practice, no source)."""
_FEWEST_OF_A_TYPE = 5
"""Fewer refused sentences of a type, none of which was ever sound, are damage to other addresses."""
_TRANSDUCERS = {
    "A": "angle", "C": "temperature", "D": "distance", "F": "frequency", "G": "generic", "H": "humidity",
    "I": "electric current",
    "L": "salinity", "N": "force", "P": "pressure", "R": "flow rate", "S": "switch", "T": "engine or shaft speed",
    "U": "voltage", "V": "volume",
}  # fmt: skip
"""Type letters of XDR ("NMEA Revealed")."""


def rejection_items(by_field: ByField, counts: Counts) -> list[Rejection]:
    """Return the refused sentences and void fields of a trial's NMEA and CAN logs, source by source, the most first.

    Args:
        by_field: From the table of rejects.
        counts: Of all sentences.
    """
    good: dict[tuple[str, str], int] = {}
    for (source, talker, formatter), (sound, _, unread) in counts.items():
        # what sentences carry of a bus is counted by its group
        carried = ("PCDIN", "PGN") if talker in TALKERS else ()
        names = (formatter if formatter.isdigit() else f"{talker}{formatter}", *carried)
        for name in names:
            good[source, name] = good.get((source, name), 0) + sound + unread
    refused: dict[tuple[str, str], int] = {}
    items: dict[tuple[str, str, str, str], int] = {}
    for (source, sentence, field, reason), count in by_field.items():
        name = sentence if field or _is_type(source, sentence, count, good) else ""
        key = (source, name, field, reason)
        items[key] = items.get(key, 0) + count
        if name and not field:
            refused[source, name] = refused.get((source, name), 0) + count
    found = []
    for (source, sentence, field, reason), count in items.items():
        sound = good.get((source, "PGN" if sentence[2:] == "PGN" else sentence), 0)
        if not sentence:
            cost = f"{NO_COST}: what is damaged beyond knowing its type is left out"
        elif field:
            cost = _cost_of_field(field, count, sound)
        else:
            cost = _cost_of_refusal(sentence, refused[source, sentence], sound)
        found.append(Rejection(f"{source} {sentence or '(damaged)'}".strip(), field, reason, count, cost))
    return sorted(found, key=lambda item: (item.sentence.split(" ")[0], -item.count, item.sentence, item.field))


def _is_type(source: str, sentence: str, count: int, good: Mapping[tuple[str, str], int]) -> bool:
    """Return whether an address that was refused is one that a talker sends, and not damage of another."""
    if not sentence:
        return False
    known = "PGN" if sentence[2:] == "PGN" else sentence
    return good.get((source, known), 0) > 0 or (count >= _FEWEST_OF_A_TYPE and bool(feeds_of(sentence)))


def _cost_of_refusal(sentence: str, refused: int, sound: int) -> str:
    feeds = feeds_of(sentence)
    if not feeds:
        return f"{NO_COST}: the sentence feeds no result"
    if not sound:
        return f"all {refused:,} that came in were refused; they give no {feeds}"
    share = refused / (refused + sound)
    if share < COSTLY_SHARE:
        return f"{NO_COST}: {refused:,} of {refused + sound:,} refused"
    return f"{share:.0%} of the sentences that give {feeds}"


def _cost_of_field(field: str, count: int, sound: int) -> str:
    if field in ("status", "surplus"):
        return f"{NO_COST}: the sentence is used as if nothing spoke against it"
    used = _FIELDS_USED.get(field)
    if used is None:
        return f"{NO_COST}: the sentence is used without it"
    if count < COSTLY_SHARE * sound:
        return f"{NO_COST}: {count:,} of {sound:,} do not tell {used}"
    return f"{min(count / max(sound, 1), 1.0):.0%} of these sentences do not tell {used}"


_FIELDS_USED = {
    "cog": "course over ground", "cog_true": "course over ground", "t": "course or direction", "north": "position",
    "position": "position", "variation": "magnetic variation", "variation_east": "magnetic variation",
    "deviation": "deviation of the compass", "deviation_east": "deviation of the compass", "speed": "wind speed",
    "speed_kn": "wind speed", "unit": "wind speed", "angle": "wind angle", "side": "wind angle",
    "reference": "which wind it is", "depth_m": "depth in metres", "offset_m": "offset of the transducer",
}  # fmt: skip
"""What is lost with a field that feeds a result."""


def feeds_of(sentence: str) -> str:
    """Return what a sentence type (``GPRMC``) or parameter group (``127488``) feeds, "" for nothing."""
    if sentence.isdigit():
        return _FEEDS_OF_GROUP.get(int(sentence), "")
    if sentence == "PCDIN" or sentence[2:] == "PGN":
        return "what messages of a CAN bus tell"
    return "" if sentence[:1] == "P" else sentences.FEEDS.get(sentence[2:], "")


_FEEDS_OF_GROUP: dict[int, str] = {
    126992: "UTC and date", 127250: "heading", 127251: "rate of turn", 127257: "pitch and roll", 127488: "engine speed",
    127489: "fuel rate and engine readings", 128259: "speed through water", 128267: "depth", 129025: "position",
    129026: "speed and course over ground", 129029: "position, UTC", 129033: "UTC and date", 130306: "wind",
    130310: "water temperature", 130311: "water temperature", 130312: "water temperature", 130316: "water temperature",
    61443: "engine load", 61444: "engine speed", 65262: "coolant temperature", 65263: "oil pressure",
    65266: "fuel rate", 65270: "boost pressure",
}  # fmt: skip


def undecoded_items(counts: Counts) -> list[Undecoded]:
    """Return the types that came in, carry engine, wind, depth or speed data, and feed no result."""
    told = {formatter for (_, _, formatter), (sound, *_) in counts.items() if sound}
    found = []
    for (source, talker, formatter), (sound, _, unread) in sorted(counts.items()):
        carries = carries_of(formatter)
        if carries and sound + unread:
            name = f"{source} {talker} {formatter}" if formatter.isdigit() else f"{source} {talker}{formatter}"
            kind = carries.partition(":")[0]
            others = sorted(_TELLERS.get(kind, frozenset()) & told)
            cost = f"{NO_COST}: {kind} is told by {', '.join(others)}" if others else "nothing of it is used"
            found.append(Undecoded(name.strip(), carries, sound + unread, cost))
    return found


_TELLERS = {
    "speed": frozenset({"RMC", "VTG", "129026"}),
    "wind": frozenset({"MWV", "MWD", "MDA", "VWR", "130306"}),
    "depth": frozenset({"DPT", "DBT", "DBS", "DBK", "128267"}),
}
"""What tells the same and feeds results, by kind."""


def carries_of(formatter: str) -> str:
    """Return what a formatter or parameter group that feeds no result carries, "" where nothing a trial needs."""
    if formatter.isdigit():
        return pgn_fields.CARRIES.get(int(formatter), "")
    return sentences.CARRIES.get(formatter, "")


def unmapped_items(left: Mapping[tuple[str, str, str, str], int]) -> Iterator[Undecoded]:
    """Return the transducers that are no channel; from `trialcapture.prepare.engines.unmapped_transducers`."""
    for (source, kind, unit, name), count in left.items():
        carries = f"{_TRANSDUCERS.get(kind, 'something')}{f' in {unit}' if unit else ''}"
        yield Undecoded(
            f"{source} XDR {kind},{unit},{name}",
            carries,
            count,
            "nothing of it is used: map it in [[xdr]] if it matters",
        )
