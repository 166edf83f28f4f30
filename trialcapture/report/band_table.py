"""The band table as text, and the reviewed result beside the automatic one where people changed it.

Digits of a column line up; notes are letters, answers capitals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.reduce.flags import BAND_FLAGS
from trialcapture.report.answers import at
from trialcapture.report.arrow_columns import rows
from trialcapture.report.format import (
    DASH,
    band_label,
    band_phrase,
    clock,
    column_decimals,
    degrees,
    fixed,
    join_words,
    number,
    plural,
    plus_minus,
    sentence,
    split_flags,
    words,
)

QUANTITIES: tuple[tuple[str, str, str, str, int, int], ...] = (
    ("speed", "speed_kn", "speed_u_kn", "kn", 2, 2),
    ("fuel", "fuel_l_per_h", "fuel_u_l_per_h", "L/h", 1, 3),
    ("economy", "economy_nm_per_l", "economy_u_nm_per_l", "nm/L", 3, 5),
    ("range", "range_nm", "range_u_nm", "nm", 0, 1),
)
"""Name, value column, standard-uncertainty column, unit, usual decimals, most decimals."""

SHOWN_RPM_U = 0.5
"""Below this standard uncertainty [rpm] an engine speed stands without its ±."""

ANSWER_LETTERS: tuple[tuple[str, str, str], ...] = (
    ("top_speed", "T", "top speed"),
    ("economy_planing", "P", "best economy on the plane"),
    ("economy_displacement", "D", "best economy below planing"),
    ("economy_overall", "E", "best economy"),
)


@dataclass(frozen=True, slots=True)
class Cell:
    """A value and its ±, both "–" or "" where there is none."""

    value: str
    pm: str


@dataclass(frozen=True, slots=True)
class BandRow:
    """One RPM band, ready to print; ``rpm_pm`` is "" where rounding by the tachometer leaves less than 1 rpm open."""

    rpm: str
    rpm_pm: str
    rpm_span: str
    rpm_mean: str
    legs: str
    ways: str
    cells: Mapping[str, Cell]
    litres_per_nm: str
    current: str
    towards: str
    stw: str
    slip: str
    froude: str
    answers: str
    notes: str


@dataclass(frozen=True, slots=True)
class BandTable:
    """Rows in ascending rpm, and what their letters stand for."""

    rows: tuple[BandRow, ...]
    notes: tuple[tuple[str, str], ...]
    answers: tuple[tuple[str, str], ...]


def band_table(bands: pa.Table, summary: Mapping[str, Any]) -> BandTable:
    """Return the band table as text.

    Args:
        bands: One row an RPM band.
        summary: Gives the bands of the answers, and the words of warnings that share a flag's code.
    """
    plain = sorted(rows(bands), key=lambda r: (number(r.get("band_rpm")) is None, number(r.get("band_rpm")) or 0.0))
    decimals = {
        name: column_decimals([r.get(u) for r in plain if number(r.get(value)) is not None], usual=usual, most=most)
        for name, value, u, _, usual, most in QUANTITIES
    }
    letters = _letters([flag for r in plain for flag in split_flags(r.get("flags"))])
    marked = {key: _band_of(at(summary, key)) for key, _, _ in ANSWER_LETTERS}
    # the best of all is one of the best of its regime, unless no regime could be judged
    if marked["economy_planing"] is not None or marked["economy_displacement"] is not None:
        marked["economy_overall"] = None
    made = []
    for r in plain:
        band = _band_of(r)
        hits = [letter for key, letter, _ in ANSWER_LETTERS if band is not None and marked[key] == band]
        made.append(_row(r, decimals, letters, "".join(hits)))
    used = {letter for row in made for letter in row.answers}
    return BandTable(
        tuple(made),
        tuple((letter, flag_text(flag, summary)) for flag, letter in letters.items()),
        tuple((letter, _answer_text(text, summary)) for _, letter, text in ANSWER_LETTERS if letter in used),
    )


def _band_of(entry: Any) -> float | str | None:
    """Return what a band is told by: its engine speed, else its name; None where there is neither."""
    if not isinstance(entry, Mapping):
        return None
    rpm = number(entry.get("band_rpm"))
    return entry.get("band_name") if rpm is None else rpm


def _answer_text(text: str, summary: Mapping[str, Any]) -> str:
    """Return what an answer's letter stands for: a boat that does not plane has no "below planing"."""
    return text.removesuffix(" below planing") if at(summary, "boat", "planing") is False else text


def _row(r: Mapping[str, Any], decimals: Mapping[str, int], letters: Mapping[str, str], hits: str) -> BandRow:
    cells = {}
    for name, value, u, *_ in QUANTITIES:
        known = number(r.get(value)) is not None
        cells[name] = Cell(
            fixed(r.get(value), decimals[name]), plus_minus(r.get(u), decimals[name], dash="") if known else ""
        )
    economy = number(r.get("economy_nm_per_l"))
    low, high = fixed(r.get("rpm_low"), 0), fixed(r.get("rpm_high"), 0)
    return BandRow(
        rpm=band_label(r),
        rpm_pm=plus_minus(r.get("rpm_u"), 0, dash="") if (number(r.get("rpm_u")) or 0.0) >= SHOWN_RPM_U else "",
        rpm_span=DASH if DASH in (low, high) else f"{low}–{high}",
        rpm_mean=fixed(r.get("rpm_mean"), 0),
        legs=fixed(r.get("legs"), 0),
        ways=fixed(r.get("ways"), 0),
        cells=cells,
        litres_per_nm=fixed(1 / economy if economy else None, 2),
        current=fixed(r.get("current_kn"), 2),
        towards=degrees(r.get("current_towards_deg")),
        stw=fixed(r.get("stw_kn"), 2),
        slip=fixed(r.get("slip_pct"), 1),
        froude=fixed(r.get("depth_froude_max"), 2),
        answers=hits,
        notes="".join(sorted({letters[flag] for flag in split_flags(r.get("flags"))})),
    )


def _letters(flags: list[str]) -> dict[str, str]:
    """Return a letter per distinct flag, in the order met: a to z, then aa, ab …."""
    made: dict[str, str] = {}
    for flag in flags:
        if flag not in made:
            n = len(made)
            made[flag] = chr(97 + n) if n < 26 else chr(96 + n // 26) + chr(97 + n % 26)
    return made


def flag_text(flag: str, summary: Mapping[str, Any]) -> str:
    """Return what a flag means: its standing sentence, that of a warning of the same code, or its own words."""
    if flag in BAND_FLAGS:
        return BAND_FLAGS[flag].text
    for warning in at(summary, "warnings") or []:
        if warning.get("code") == flag and warning.get("text"):
            return sentence(str(warning["text"]))
    return sentence(words(flag))


COMPARED = QUANTITIES[:3]
"""Quantities shown twice; range follows economy."""
STAR = "*"
"""Stands behind the number of a stretch that is used because of, or elsewhere by, a review."""


@dataclass(frozen=True, slots=True)
class Both:
    """One figure of a band: by the automatic verdicts, and as reviewed, which is "same" where both print alike."""

    automatic: str
    reviewed: str


@dataclass(frozen=True, slots=True)
class ReviewView:
    """What the page shows of a review.

    Attributes:
        said: One sentence: how many stretches were changed.
        changes: A row for each change: stretch, time, what, automatic verdict, reason, who.
        bands: A row for each band: its rpm, whether it changed, legs, ways, and a `Both` for each quantity.
        answers: What the answers are without it, where they print otherwise.
    """

    said: str
    changes: list[dict[str, str]]
    bands: list[dict[str, Any]]
    answers: str


def review_view(summary: Mapping[str, Any]) -> ReviewView | None:
    """Return what the page shows of a review, or None when the result is the automatic one."""
    if not _changes(summary):
        return None
    return ReviewView(review_line(summary), _change_rows(summary), _band_rows(summary), _automatic_answers(summary))


def review_line(summary: Mapping[str, Any]) -> str:
    """Return "1 stretch excluded (23), 1 included (20)", or "" when the result is the automatic one."""
    parts: list[str] = []
    for word in ("excluded", "included", "relabelled"):
        ids = [fixed(c.get("segment_id"), 0) for c in _changes(summary) if c.get("change") == word]
        if ids:
            count = f"{len(ids)}" if parts else plural(len(ids), "stretch", "stretches")
            parts.append(f"{count} {word} ({', '.join(ids)})")
    return join_words(parts)


def starred(segments: pa.Table | None) -> set[int]:
    """Return the numbers of the stretches that are used because of, or elsewhere by, a review."""
    return {r["segment_id"] for r in rows(segments) if r.get("review_reason") and r.get("reviewed_accepted")}


def _changes(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [c for c in at(summary, "review", "changes") or [] if isinstance(c, Mapping)]


def _change_rows(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    made = []
    for c in _changes(summary):
        rpm, label = fixed(c.get("rpm_mean"), 0), fixed(c.get("relabelled_rpm"), 0)
        what = str(c.get("change") or DASH)
        made.append(
            {
                "number": fixed(c.get("segment_id"), 0),
                "start": clock(c.get("start")),
                "stop": clock(c.get("stop")),
                "rpm": rpm,
                "change": f"{what} to {label}" if number(c.get("relabelled_rpm")) is not None else what,
                "automatic": "used"
                if c.get("automatic_accepted")
                else f"left out: {c.get('automatic_reason') or DASH}",
                "reason": str(c.get("reason") or DASH),
                "by": str(c.get("by") or "not stated"),
            }
        )
    return made


def _band_rows(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    pairs = [p for p in at(summary, "review", "bands") or [] if isinstance(p, Mapping)]
    sides = [p.get(side) or {} for p in pairs for side in ("automatic", "reviewed")]
    decimals = {
        name: column_decimals([r.get(u) for r in sides if number(r.get(value)) is not None], usual=usual, most=most)
        for name, value, u, _, usual, most in COMPARED
    }
    made = []
    for p in pairs:
        old, new = p.get("automatic") or {}, p.get("reviewed") or {}
        row: dict[str, Any] = {
            "rpm": band_label(new or old),
            "changed": bool(p.get("changed")),
            "legs": _arrow(old.get("legs"), new.get("legs")),
            "ways": _arrow(old.get("ways"), new.get("ways")),
        }
        for name, value, u, *_ in COMPARED:
            before, after = (_figure(side, value, u, decimals[name]) for side in (old, new))
            row[name] = Both(before, "same" if before == after != DASH else after)
        made.append(row)
    return made


def _arrow(before: Any, after: Any) -> str:
    """Return "2", or "2 → 1" where a review changed it; a band that is not there has none."""
    old, new = (fixed(x, 0, dash="0") for x in (before, after))
    return new if old == new else f"{old} → {new}"


def _figure(row: Mapping[str, Any], value: str, u: str, decimals: int) -> str:
    if number(row.get(value)) is None:
        return DASH
    pm = plus_minus(row.get(u), decimals, dash="")
    return fixed(row.get(value), decimals) + (f" ± {pm}" if pm else "")


def _automatic_answers(summary: Mapping[str, Any]) -> str:
    """Return those automatic answers that print otherwise than the reviewed ones, as one sentence; "" if none does."""
    said = []
    for key, name, (_, value, u, unit, usual, most) in (
        ("top_speed", "top speed", QUANTITIES[0]),
        ("economy_planing", "best economy on the plane", QUANTITIES[2]),
        ("economy_displacement", "best economy below planing", QUANTITIES[2]),
    ):
        both = [
            r if isinstance(r, Mapping) else {} for r in (at(summary, "review", "automatic", key), at(summary, key))
        ]
        decimals = column_decimals([r.get(u) for r in both if r], usual=usual, most=most)
        old, new = (f"{_figure(r, value, u, decimals)} {unit} at {band_phrase(r)}" if r else "not given" for r in both)
        if old != new:
            said.append(f"{name} {old}")
    return f"By the automatic verdicts alone: {'; '.join(said)}." if said else ""
