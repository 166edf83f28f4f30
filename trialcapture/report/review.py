"""What people changed, and the automatic result beside the reviewed one, as text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.report.answers import at
from trialcapture.report.band_rows import QUANTITIES
from trialcapture.report.columns import rows
from trialcapture.report.format import (
    DASH,
    band_label,
    band_phrase,
    clock,
    column_decimals,
    fixed,
    join_words,
    number,
    plural,
    plus_minus,
)

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
