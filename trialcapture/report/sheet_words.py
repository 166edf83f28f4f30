"""The words of the trial sheet: the trial in six sentences that can be read aloud, and how small the print has to be.

Every figure is from the summary and rounded for speech. So that the sheet fits one page, its print is estimated from
its letters and lines. Fonts differ from computer to computer. The estimate is of a wide one (DejaVu Sans), so that
others leave air, which the figure takes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from trialcapture.reduce.summary import BestEconomy, Measured, QuantityChange, Summary
from trialcapture.report.format import ReaderUnits, date, fixed, join_words
from trialcapture.report.traced import Ledger, Phrase, Stored, Traced, joined, plain, said, share, spoken

_SPOKEN = {
    "kn": "knots", "mph": "miles an hour", "nm": "nautical miles", "mi": "statute miles", "L/h": "litres an hour",
    "gal/h": "gallons an hour", "US gal/h": "US gallons an hour", "imp gal/h": "imperial gallons an hour",
    "nm/L": "nautical miles a litre", "nm/gal": "nautical miles a gallon", "nm/US gal": "nautical miles a US gallon",
    "nm/imp gal": "nautical miles an imperial gallon", "kg": "kilograms", "lb": "pounds", "m": "metres", "ft": "feet",
    "s": "seconds",
}  # fmt: skip


_SINGULAR = {"feet": "foot"}
_PLURAL = re.compile(r"\b(?:feet|[a-z]+s)\b")
HANDLING = (("Acceleration", ("acceleration", "time")), ("Stopping", ("stop",)), ("Turning", ("turn",)))
"""Label, and what the names of its results begin with."""
_FIRST = ("20_kn", "30_mph", "plane", "track", "stop_time", "tactical")
"""What of a manoeuvre is asked for first, by a part of its name."""


def results_of(summary: Summary, stems: Sequence[str]) -> list[tuple[int, Measured]]:
    """Return the results whose names begin so, those that are asked for first in front, with their places."""

    def rank(found: tuple[int, Measured]) -> int:
        return next((n for n, part in enumerate(_FIRST) if part in found[1].name), len(_FIRST))

    own = [(n, m) for n, m in enumerate(summary.measures) if m.name.split("_")[0].rstrip("s") in stems]
    return sorted(own, key=rank)


def in_words(summary: Summary, ledger: Ledger, units: ReaderUnits) -> tuple[Phrase, ...]:
    """Return six sentences: the trial, top speed, best cruise on the plane and below it, slow end and tester, the rest.

    Args:
        summary: The summary.
        ledger: The same by where each number stands.
        units: Of the reader; of several the first are spoken.
    """
    return (
        _trial(summary, ledger, units),
        _top_speed(summary, ledger, units),
        _best(summary, ledger, units),
        _below(summary, ledger, units),
        _slow_and_tester(summary, ledger, units),
        _handling(summary, ledger, units),
    )


def _say(stored: Stored, unit: str, units: ReaderUnits, digits: int = 2, *, step: float | None = None) -> Phrase:
    """Return a number to so many digits, or to a step, with its unit as a word."""
    scale = units.scale(unit)
    x = abs(scale.value(stored.value) or 0.0)
    fine = 10.0 ** (math.floor(math.log10(x)) - digits + 1) if x else 1.0
    figure = spoken(stored, scale, step or fine)
    return (figure, f" {spoken_unit(scale.text, one=figure.text == '1')}")


def spoken_unit(unit: str, *, one: bool = False) -> str:
    """Return a unit as it is said, of one in the singular: "1 knot", "1 mile an hour"."""
    name = _SPOKEN.get(unit, unit)
    if not one or unit not in _SPOKEN:
        return name
    return _PLURAL.sub(lambda found: _SINGULAR.get(found[0], found[0][:-1]), name, count=1)


def _speed(stored: Stored, units: ReaderUnits) -> Phrase:
    return _say(stored, "kn", units, step=0.1)


def _name(summary: Summary, ledger: Ledger) -> Phrase:
    return (said(ledger.at("boat", "name")),) if summary.boat.name else ("The boat",)


def _trial(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    c, start = summary.conditions, ledger.at("conditions", "start")
    made: Phrase = (*_name(summary, ledger), " was tested")
    if start.value is not None:
        made += (" on ", Traced(date(start.value), start.place))
    weight = ledger.at("load", "displacement_kg")
    if weight.value is None:
        made += (", her weight not known",)
    else:
        made += (" at a weight of ", *_say(weight, "kg", units, 3))
        made += (", not counting what was not stated",) if summary.load.missing else ()
    felt: list[Phrase] = []
    if c.wind_speed_true_kn_mean is not None:
        felt.append(("a wind of ", *_say(ledger.at("conditions", "wind_speed_true_kn_mean"), "kn", units, step=1.0)))
    if c.wave_height_m is not None:
        felt.append(("waves of ", *_say(ledger.at("conditions", "wave_height_m"), "m", units, step=0.1)))
    return (*made, *((", in ", *joined(felt, " and ")) if felt else ()), ".")


def _top_speed(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    found = summary.top_speed
    if found is None:
        seen = summary.fastest_seen
        if seen is None:
            return ("No speed was measured that can be claimed.",)
        fastest = _speed(ledger.at("fastest_seen", "speed_kn"), units)
        return ("Her top speed is not claimed; the fastest seen was ", *fastest, ", not held both ways.")
    speed = ledger.at("top_speed", "speed_kn")
    made: Phrase = ("Her top speed was ", spoken(speed, units.scale("kn"), 0.1), " knots")
    for scale in units.scales("kn")[1:]:
        made += (", or ", spoken(speed, scale, 0.1), f" {_SPOKEN.get(scale.text, scale.text)}")
    at = _at(found.band_rpm, "top_speed", ledger)
    at = (",", *at) if at and len(units.scales("kn")) > 1 else at
    return (*made, *at, ", run both ways with the current taken out.")


def _at(rpm: float | None, key: str, ledger: Ledger) -> Phrase:
    return () if rpm is None else (" at ", plain(ledger.at(key, "band_rpm"), 0, "rpm", thousands=True), " rpm")


def _cruise(point: BestEconomy, key: str, ledger: Ledger, units: ReaderUnits) -> Phrase:
    made: Phrase = (*_speed(ledger.at(key, "speed_kn"), units), *_at(point.band_rpm, key, ledger))
    made += (", burning ", *_say(ledger.at(key, "fuel_l_per_h"), "L/h", units))
    made += (" for ", *_say(ledger.at(key, "economy_nm_per_l"), "nm/L", units))
    return made


def _range(point: BestEconomy, key: str, ledger: Ledger, units: ReaderUnits) -> Phrase:
    if point.range_nm is None:
        return ()
    return (", a range of ", *_say(ledger.at(key, "range_nm"), "nm", units))


def _best(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    key, start = "economy_planing", "On the plane she cruises best at "
    if not summary.boat.planing:
        key, start = "economy_displacement", "She cruises best at "
    point: BestEconomy | None = getattr(summary, key)
    if point is None and summary.economy_overall is not None and summary.economy_displacement is None:
        key, start, point = "economy_overall", "She cruises best at ", summary.economy_overall
    if point is None:
        return ("No economy on the plane was measured." if summary.boat.planing else "No economy was measured.",)
    reach = _range(point, key, ledger, units)
    kept: Phrase = (" with ", *share(ledger.at("fuel", "reserve_fraction"))[:1], " percent kept in reserve")
    return (start, *_cruise(point, key, ledger, units), *reach, *(kept if reach else ()), ".")


def _below(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    if not summary.boat.planing:
        flat = summary.economy_displacement
        if flat is None:
            return ("Nothing can be said of her range.",)
        if fixed(flat.flat_from_kn, 1) == fixed(flat.flat_to_kn, 1):
            return ("No other speed that was run is as good.",)
        low, high = (ledger.at("economy_displacement", key) for key in ("flat_from_kn", "flat_to_kn"))
        return (
            "Anything from ", spoken(low, units.scale("kn"), 0.1), " to ", *_speed(high, units), " is about as good.",
        )  # fmt: skip
    point = summary.economy_displacement
    if point is None:
        return ("No economy below planing was measured.",)
    key = "economy_displacement"
    return (
        "Below planing her best is ", *_cruise(point, key, ledger, units), *_range(point, key, ledger, units), ".",
    )  # fmt: skip


def _slow_and_tester(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    if summary.slowest_planing_speed is not None:
        slow: Phrase = (
            "She stays on the plane down to about ",
            *_say(ledger.at("slowest_planing_speed", "speed_kn"), "kn", units, step=1.0),
        )
    elif summary.slowest_on_the_plane is not None:
        speed = _say(ledger.at("slowest_on_the_plane", "speed_kn"), "kn", units, step=1.0)
        slow = ("The slowest speed held on the plane was ", *speed)
    else:
        slow = ("How slowly she planes was not shown",) if summary.boat.planing else ("She is not made to plane",)
    return (*slow, "; ", *_tester(summary, ledger, units), ".")


def _tester(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    found = summary.cruise
    if found is None:
        return ("no cruise of the tester was noted",)
    made: Phrase = ("the tester would cruise at ", plain(ledger.at("cruise", "rpm"), 0, "rpm", thousands=True), " rpm")
    if found.reason:
        return (*made, ", which was not run")
    if found.speed is None and found.economy is None:
        return (*made, ", which is her best" if found.best_band_name == found.band_name else "")
    told: list[Phrase] = []
    if found.speed is not None:
        told.append(_difference("speed", found.speed, "kn", ("", " faster"), ("", " slower"), "speed", ledger, units))
    if found.range is not None:
        less, more = ("at a cost of ", " of range"), ("for ", " more range")
        told.append(_difference("range", found.range, "nm", more, less, "range", ledger, units))
    elif found.economy is not None:
        word = "more economical" if found.economy.difference > 0 else "less economical"
        told.append((word,) if found.economy.is_real else ("with no difference in economy beyond the noise",))
    return (*made, ", ", *joined(told, ", "))


def _difference(
    key: str, change: QuantityChange, unit: str, more: tuple[str, str], less: tuple[str, str], name: str,
    ledger: Ledger, units: ReaderUnits,
) -> Phrase:  # fmt: skip
    if not change.is_real:
        return (f"with no difference in {name} beyond the noise",)
    before, after = more if change.difference > 0 else less
    stored = ledger.at("cruise", key, "difference")
    return (before, *_say(Stored(abs(change.difference), stored.place), unit, units), after)


def _handling(summary: Summary, ledger: Ledger, units: ReaderUnits) -> Phrase:
    claimed = []
    for _, stems in HANDLING:
        found = [(n, m) for n, m in results_of(summary, stems) if m.claimed and m.answer.value is not None]
        claimed += found[:1]
    told: list[Phrase] = []
    for n, m in claimed:
        at = ledger.at("measures", n, "answer", "value")
        told.append((_lower(ledger.at("measures", n, "answer", "label")), " ", *_say(at, m.answer.unit, units)))
    levels = [(n, s) for n, s in enumerate(summary.sound) if s.band_name]
    if levels:
        n = max(levels, key=lambda item: item[1].level_db)[0]
        level = plain(ledger.at("sound", n, "level_db"), 0, "dB(A)")
        told.append(("sound up to ", level, " decibels"))
    lacking = [] if claimed else ["manoeuvres"]
    lacking += [] if levels else ["sound"]
    rest = f"{join_words(lacking)} {'were' if lacking != ['sound'] else 'was'} not measured" if lacking else ""
    if not told:
        return (f"{rest[0].upper()}{rest[1:]}.",)
    return ("Measured besides: ", *joined(told, ", "), f"; {rest}." if rest else ".")


def _lower(label: Stored) -> Traced:
    text = str(label.value)
    return Traced(f"{text[:1].lower()}{text[1:]}", label.place)


Paper = Literal["A4", "letter"]
PAGE_PT: dict[Paper, tuple[float, float]] = {"A4": (538.0, 782.0), "letter": (555.0, 732.0)}
"""Width and height inside the margins [pt]."""
LETTER_EM = 0.56
"""Mean width of a letter of running text over the size of the font (measured in DejaVu Sans)."""
SIZES_PT = ((7.7, 1.28), (7.15, 1.25), (6.5, 1.2), (5.9, 1.17), (5.3, 1.15))
"""Sizes of print and their line spacing, those of ``sheet.css``."""
SPARE = 0.97
"""Part of the height that is filled by the estimate."""


@dataclass(frozen=True, slots=True)
class SheetTexts:
    """What stands on a sheet as plain text.

    Attributes:
        boat: Her name.
        answers: The lines of each of the first answers.
        others: Those of each of the others.
        facts: The lines of the particulars and of the weight.
        conditions: Those beside them.
        rows: How many bands.
        words: The sentences.
        limits: One line each.
        foot: Seal and foot.
    """

    boat: str
    answers: Sequence[Sequence[str]]
    others: Sequence[Sequence[str]]
    facts: Sequence[str]
    conditions: Sequence[str]
    rows: int
    words: Sequence[str]
    limits: Sequence[str]
    foot: Sequence[str]


def crowding_of(texts: SheetTexts, paper: Paper) -> int:
    """Return the largest size of print that fits one page, by its place in `SIZES_PT`; the smallest where none does."""
    width, height = PAGE_PT[paper]
    fits = (n for n, (size, spacing) in enumerate(SIZES_PT) if _height_pt(texts, width, size, spacing) < SPARE * height)
    return next(fits, len(SIZES_PT) - 1)


def _height_pt(texts: SheetTexts, width: float, size: float, spacing: float) -> float:
    def lines(text: str, share: float, less_em: float = 0.0, scale: float = 1.0) -> int:
        room = (share * width - less_em * size) / (LETTER_EM * size * scale)
        return max(1, math.ceil(len(text) / max(room, 1.0)))

    def tallest(answers: Sequence[Sequence[str]], shares: Sequence[float]) -> int:
        return max(
            (sum(lines(t, s, 2.0) for t in texts_of) for texts_of, s in zip(answers, shares, strict=True)), default=0
        )

    count = max(len(texts.answers), 1)
    first = tallest(texts.answers, [1.0 / count] * count) + 1.6
    others = tallest(texts.others, [0.286, *[0.179] * (len(texts.others) - 1)]) + 1.0
    facts = sum(lines(t, 0.40, 8.2) for t in texts.facts) + 3.4
    beside = lines("; ".join(texts.conditions), 0.57) + 16.0
    limits = sum(lines(t, 0.47, 1.5) for t in texts.limits) / 2.0 + 2.2
    in_lines = first + others + max(facts, beside) + limits
    in_lines += 1.3 * lines(" ".join(texts.words), 1.0, 0.0, 0.92) + 1.5
    in_lines += 0.95 * sum(lines(t, 1.0, 0.0, 0.95) for t in texts.foot) + 0.8
    in_lines += 2.3 * lines(texts.boat, 0.48, 0.0, 2.2) + 1.8
    # rows of the table and facts have air of their own, sections a gap between them
    own_air = texts.rows * 0.42 + 2.0 + len(texts.facts) * 0.24
    return size * spacing * (in_lines + texts.rows + 2.4) + size * own_air + 8 * 3.0
