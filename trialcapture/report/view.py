"""What the page says beside its drawings, as plain values the template only sets in type."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.report.answers import at, why_absent
from trialcapture.report.columns import engine_ids, has_values, rows
from trialcapture.report.format import (
    clock,
    join_words,
    number,
    plural,
    sentence,
    words,
)  # fmt: skip

_SEVERITY_ORDER = {"red": 0, "yellow": 1, "info": 2}
SEVERITY_WORDS = {"red": "Serious", "yellow": "Caution", "info": "Note"}
_MOST_NAMED = 12


def sorted_warnings(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the warnings, gravest first, otherwise in the order given."""
    found = [w for w in at(summary, "warnings") or [] if isinstance(w, Mapping)]
    return sorted(found, key=lambda w: _SEVERITY_ORDER.get(str(w.get("severity")), 2))


def warning_lines(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return each warning as severity word, text and where it applies."""
    lines = []
    for w in sorted_warnings(summary):
        severity = str(w.get("severity")) if w.get("severity") in SEVERITY_WORDS else "info"
        lines.append(
            {
                "severity": severity,
                "word": SEVERITY_WORDS[severity],
                "text": sentence(str(w.get("text") or words(str(w.get("code") or "unnamed warning")))),
                "where": str(w.get("where") or ""),
            }
        )
    return lines


def boat_name(summary: Mapping[str, Any]) -> str:
    """Return the boat's name, however the summary holds it."""
    boat = at(summary, "boat")
    name = boat.get("name") if isinstance(boat, Mapping) else boat
    return str(name) if name else "Unnamed boat"


_MEASURED: tuple[tuple[str, str, str, str, str], ...] = (
    ("lat_deg", "position", "Position", "The track is not drawn.", ""),
    ("sog_kn", "speed", "Speed over ground", "No speed can be given.", ""),
    (
        "heading_true_deg",
        "heading",
        "Heading",
        "Directions come from the course over ground; a cross-current cannot be seen in them.",
        "no-heading",
    ),
    ("depth_m", "depth", "Depth", "Shallow-water effects cannot be ruled out.", "no-depth"),
    ("wind_speed_true_kn", "wind", "True wind", "The wind’s share in speed and fuel is not known.", ""),
    ("stw_kn", "log", "Speed through water", "The boat’s log could not be compared with the result.", ""),
    ("water_temp_c", "water", "Water temperature", "", ""),
)


def gaps(samples: pa.Table | None, bands: pa.Table, summary: Mapping[str, Any]) -> list[str]:
    """Return what was neither measured nor stated, and what the report lacks for it.

    What a warning of the reduction already says is not said again.
    """
    said = {str(w.get("code")) for w in sorted_warnings(summary)}
    found = []
    if samples is None or samples.num_rows == 0:
        found.append("No samples: nothing could be placed on UTC. Time line, track and speeds are missing.")
    else:
        for column, quantity, name, effect, code in _MEASURED:
            if code not in said and not has_values(samples, column):
                found.append(f"{name} {why_absent(summary, quantity)}. {effect}".strip())
        engines = engine_ids(samples)
        for stem, quantity, name, effect, code in (
            ("rpm", "rpm", "Engine speed", "Runs can be matched by speed only.", "no-rpm"),
            ("fuel_l_per_h", "fuel", "Fuel flow", "Economy and range need it.", ""),
        ):
            without = [e for e in engines if not has_values(samples, f"{stem}_{e}")]
            if code in said:
                continue
            if not engines or len(without) == len(engines):
                why = why_absent(summary, quantity)
                found.append(f"{name} {why}{' for any engine' if why == 'was not recorded' else ''}. {effect}")
            elif without:
                found.append(f"{name} {why_absent(summary, quantity)}: engine {join_words(without)}.")
    if "capacity-unknown" not in said and number(at(summary, "fuel", "capacity_l")) is None:
        found.append("The tank capacity was not stated. No range is given.")
    lacking = [str(item) for item in at(summary, "load", "missing") or []]
    if lacking and "load-incomplete" not in said:
        found.append(f"Load: {join_words(lacking)} not stated. The displacement is not complete.")
    checked = "fuel-uncalibrated" in said or at(summary, "fuel", "calibration") is not None
    if not checked and has_values(bands, "fuel_l_per_h"):
        found.append("Fuel flow was not checked against a measured volume.")
    return found


@dataclass(frozen=True, slots=True)
class Rejected:
    """Stretches left out for one kind of reason.

    Attributes:
        letter: Stands for the kind in the time line.
        kind: The limit that was failed.
        count: How many.
        named: Time of day and particulars of each, the first dozen.
        more: How many are not named.
    """

    letter: str
    kind: str
    count: int
    named: tuple[tuple[str, str], ...]
    more: int


def kind_of_reason(reason: Any) -> str:
    """Return what a reason says before its figures: "too short" of "too short: held for 12 s, 30 s needed"."""
    kind = re.split(r"[:,(]|\s[-+]?\d", str(reason or ""), maxsplit=1)[0]
    kind = re.sub(r"\s+(?:at|by|for|of|to)$", "", words(kind))
    return kind or "no reason given"


def rejected_stretches(segments: pa.Table | None) -> list[Rejected]:
    """Return the candidates left out, by kind of reason, the commonest first, each kind with a letter."""
    by_kind: dict[str, list[tuple[int, str]]] = {}
    for s in rows(segments):
        if not s.get("accepted"):
            reason = str(s.get("reason") or "")
            detail = reason[len(kind_of_reason(reason)) :].lstrip(":, ") if reason else ""
            by_kind.setdefault(kind_of_reason(reason), []).append((s.get("start") or 0, detail))
    ranked = sorted(by_kind.items(), key=lambda item: (-len(item[1]), item[0]))
    made = []
    for n, (kind, found) in enumerate(ranked):
        letter = chr(65 + n) if n < 26 else f"Z{n - 25}"
        named = tuple((clock(t), detail) for t, detail in sorted(found)[:_MOST_NAMED])
        made.append(Rejected(letter, kind, len(found), named, max(0, len(found) - _MOST_NAMED)))
    return made


def reason_letters(segments: pa.Table | None) -> dict[str, str]:
    """Return the letter of each kind of reason."""
    return {r.kind: r.letter for r in rejected_stretches(segments)}


def steady_count(segments: pa.Table | None) -> str:
    """Return "18 of 27 stretches used"."""
    plain = rows(segments)
    used = sum(bool(s.get("accepted")) for s in plain)
    return f"{used} of {plural(len(plain), 'stretch', 'stretches')} used"
