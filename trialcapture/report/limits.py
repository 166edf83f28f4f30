"""What limits a result: warnings, what is not known, stretches left out, and the questions asked in a dispute."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from trialcapture.prepare.data_health import page_one
from trialcapture.reduce.bands import join_names
from trialcapture.reduce.engine_checks import RATED_REACHED_PCT
from trialcapture.reduce.summary import Severity, Summary
from trialcapture.report.answers import calibration_statement, rated_rpm_lines, why_absent
from trialcapture.report.band_table import review_line
from trialcapture.report.evidence_tables import condition_items
from trialcapture.report.format import (
    ReaderUnits,
    band_phrase,
    clock,
    column_decimals,
    degrees,
    engine_ids,
    expanded,
    fixed,
    floats,
    has_values,
    join_words,
    measured,
    number,
    plural,
    plus_minus,
    rows,
    sentence,
    without_keys,
    words,
)

SEVERITY_ORDER: dict[Severity, int] = {"red": 0, "yellow": 1, "info": 2}
SEVERITY_WORDS: dict[Severity, str] = {"red": "Serious", "yellow": "Caution", "info": "Note"}
_MOST_NAMED = 12


def seal_line(summary: Summary) -> str:
    """Return what page 1 and the terminal say of the seal: "intact, root 1b8bd-77deb-8623e-95d57 …"."""
    seal = summary.seal
    if seal.state == "changed":
        files = list(dict.fromkeys(change.path for change in seal.changes))
        named = join_words(files[:_MOST_NAMED]) + (
            f" and {len(files) - _MOST_NAMED} more" if files[_MOST_NAMED:] else ""
        )
        return f"CHANGED since it was sealed: {named}. These results rest on changed data."
    if seal.state == "unsealed":
        return f"not sealed: {seal.reason}. Nothing shows whether the data was changed."
    last = seal.events[-1]
    return f"intact since {last.t[:10]} {last.t[11:16]} UTC ({last.what}, by {last.by})."


class WarningLine(NamedTuple):
    """A warning as text: how grave it is and the word for that, a sentence, and what it concerns."""

    severity: Severity
    word: str
    text: str
    where: str


def warning_lines(summary: Summary, units: ReaderUnits) -> list[WarningLine]:
    """Return the warnings in the reader's units, gravest first, otherwise in the order given."""
    faults = iter(page_one(units.restate_health(summary.data_health)))
    made = []
    for w in summary.warnings:
        # each line of the account of the data is a warning of its own, in the same order
        fault = next(faults, None) if w.code == "data-health" else None
        text = units.restate_warning(w) if fault is None else f"{fault.what} {fault.text}"
        made.append(WarningLine(w.severity, SEVERITY_WORDS[w.severity], sentence(without_keys(text)), w.where))
    return sorted(made, key=lambda line: SEVERITY_ORDER[line.severity])


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


def gaps(samples: pa.Table | None, bands: pa.Table, summary: Summary) -> list[str]:
    """Return what was neither measured nor stated, and what the report lacks for it.

    What a warning of the reduction already says is not said again.
    """
    said = {w.code for w in summary.warnings}
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
    if "capacity-unknown" not in said and summary.fuel.capacity_l is None:
        found.append("The tank capacity was not stated. No range is given.")
    if summary.load.missing and "load-incomplete" not in said:
        found.append(f"Load: {join_words(summary.load.missing)} not stated. The displacement is not complete.")
    checked = "fuel-uncalibrated" in said or summary.fuel.calibration is not None
    if not checked and has_values(bands, "fuel_l_per_h"):
        found.append("Fuel flow was not checked against a measured volume.")
    return found


@dataclass(frozen=True, slots=True)
class RefusedKind:
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


def rejected_stretches(segments: pa.Table | None) -> list[RefusedKind]:
    """Return the candidates left out, by kind of reason, the commonest first, each kind with a letter."""
    by_kind: dict[str, list[tuple[int, str]]] = {}
    for s in rows(segments):
        if not s.get("accepted"):
            reason = without_keys(str(s.get("reason") or ""))
            detail = reason[len(kind_of_reason(reason)) :].lstrip(":, ") if reason else ""
            by_kind.setdefault(kind_of_reason(reason), []).append((s.get("start") or 0, detail))
    ranked = sorted(by_kind.items(), key=lambda item: (-len(item[1]), item[0]))
    made = []
    for n, (kind, found) in enumerate(ranked):
        letter = chr(65 + n) if n < 26 else f"Z{n - 25}"
        named = tuple((clock(t), detail) for t, detail in sorted(found)[:_MOST_NAMED])
        made.append(RefusedKind(letter, kind, len(found), named, max(0, len(found) - _MOST_NAMED)))
    return made


def reason_letters(segments: pa.Table | None) -> dict[str, str]:
    """Return the letter of each kind of reason."""
    return {r.kind: r.letter for r in rejected_stretches(segments)}


def steady_count(segments: pa.Table | None) -> str:
    """Return "18 of 27 stretches used"."""
    plain = rows(segments)
    used = sum(bool(s.get("accepted")) for s in plain)
    return f"{used} of {plural(len(plain), 'stretch', 'stretches')} used"


KNOWN, CAUTION, UNKNOWN = "stated", "caution", "not known"


@dataclass(frozen=True, slots=True)
class Point:
    """One question with its answer and whether the answer limits the result."""

    question: str
    state: str
    answer: str


def points(
    *, segments: pa.Table | None, clocks: pa.Table | None, bands: pa.Table, legs: pa.Table | None,
    summary: Summary, rejected: list[RefusedKind], units: ReaderUnits,
) -> list[Point]:  # fmt: skip
    """Return the points of dispute in the order they are usually raised."""
    return [
        _load(summary, units),
        _directions(bands),
        _current(bands, summary, units),
        _depth(bands, legs, summary, units),
        _weather(summary, units),
        _trim(legs),
        _fuel(bands, summary),
        _rated(summary),
        _speed_log(summary, units),
        _clocks(clocks),
        _left_out(segments, rejected),
        _reviewed(summary),
    ]


def _load(summary: Summary, units: ReaderUnits) -> Point:
    question, load = "How was the boat loaded?", summary.load
    lacking = f" Not stated: {join_words(load.missing)}." if load.missing else ""
    if load.displacement_kg is None:
        return Point(question, UNKNOWN, f"The displacement is not known.{lacking}")
    total = units.say(load.displacement_kg, "kg", 0, thousands=True)
    return Point(
        question, CAUTION if load.missing else KNOWN, f"{total} in all; the load sheet shows the sum.{lacking}"
    )


def _directions(bands: pa.Table) -> Point:
    question = "Was each speed run in both directions?"
    if not bands.num_rows:
        return Point(question, UNKNOWN, "There is no band to judge.")
    one_way = [band_phrase(r) for r in rows(bands) if (number(r.get("ways")) or 0) < 2]
    if not one_way:
        return Point(question, KNOWN, f"Yes, all {plural(bands.num_rows, 'band')}.")
    both = f"{bands.num_rows - len(one_way)} of {plural(bands.num_rows, 'band')}"
    return Point(question, CAUTION, f"{both}. One direction only: {join_names(one_way, ' and ')}.")


def _current(bands: pa.Table, summary: Summary, units: ReaderUnits) -> Point:
    question = "How strong was the current?"
    size, towards = floats(bands, "current_kn"), floats(bands, "current_towards_deg")
    known = np.isfinite(size)
    if not known.any():
        return Point(question, UNKNOWN, "It could not be found from the runs.")
    low, high = float(size[known].min()), float(size[known].max())
    where = towards[known & np.isfinite(towards)]
    text = units.span(low, high, "kn", 2)
    if len(where):
        radians = np.radians(where)
        mean = np.degrees(np.arctan2(np.sin(radians).mean(), np.cos(radians).mean()))
        text += f", setting about {degrees(float(mean))}"
    disagree = any("disagree" in w.code for w in summary.warnings)
    said = summary.current.disagreement
    extra = f" {sentence(said)}" if said else ""
    return Point(question, CAUTION if disagree else KNOWN, f"{text}. Pairs and fit are compared in section 6.{extra}")


def _depth(bands: pa.Table, legs: pa.Table | None, summary: Summary, units: ReaderUnits) -> Point:
    question = "Was the water deep enough?"
    depth, froude = floats(legs, "depth_m_min"), floats(bands, "depth_froude_max")
    if not np.isfinite(depth).any() and not np.isfinite(froude).any():
        return Point(question, UNKNOWN, f"Depth {why_absent(summary, 'depth')}.")
    text = f"Least depth on a leg {units.say(np.nanmin(depth), 'm', 1)}." if np.isfinite(depth).any() else ""
    bands_near = [band_phrase(r) for r in rows(bands) if "near-critical" in str(r.get("flags") or "").split(";")]
    if np.isfinite(froude).any():
        text += f" Depth Froude number up to {fixed(float(np.nanmax(froude)), 2)}."
    if bands_near:
        text += f" Near-critical (0.9 to 1.1) at {join_names(bands_near, ' and ')}: "
        text += "speed there is not that of deep water."
    return Point(question, CAUTION if bands_near else KNOWN, text.strip())


def _weather(summary: Summary, units: ReaderUnits) -> Point:
    named = (("Wind, true", "wind"), ("Wave height", "waves"), ("Sea state, WMO code", "sea state (WMO code)"))
    said = dict(condition_items(summary, units))
    text = "; ".join(f"{name} {said[label]}" for label, name in named if label in said)
    if not text:
        return Point("What were wind and sea?", UNKNOWN, "Neither wind nor sea was recorded or noted.")
    return Point("What were wind and sea?", KNOWN, sentence(text))


def _trim(legs: pa.Table | None) -> Point:
    question = "Was trim the same throughout?"
    trims = [str(r.get("trim") or "") for r in rows(legs)]
    if not any(trims):
        return Point(question, UNKNOWN, "Trim was not noted on any leg.")
    kinds = sorted({t for t in trims if t})
    void = sum(not t for t in trims)
    where = "on every leg it was noted for" if void else "on every leg"
    text = f"Noted as {join_words(kinds)}." if len(kinds) > 1 else f"{kinds[0]}, {where}."
    text += f" Not noted on {plural(void, 'leg')}." if void else ""
    return Point(question, CAUTION if void or len(kinds) > 1 else KNOWN, sentence(text))


def _fuel(bands: pa.Table, summary: Summary) -> Point:
    question = "Was the fuel flow calibrated?"
    if not has_values(bands, "fuel_l_per_h"):
        return Point(question, UNKNOWN, f"Fuel flow {why_absent(summary, 'fuel')}.")
    return Point(
        question, CAUTION if summary.fuel.calibration is None else KNOWN, calibration_statement(summary, bands)
    )


def _rated(summary: Summary) -> Point:
    question = "Did the engines reach rated rpm?"
    lines = rated_rpm_lines(summary)
    if not lines:
        return Point(question, UNKNOWN, "There is no full-throttle stretch to judge by, or rated rpm was not stated.")
    short = any(check.pct is None or check.pct < RATED_REACHED_PCT for check in summary.rated_rpm_check)
    return Point(question, CAUTION if short else KNOWN, " ".join(lines))


def _speed_log(summary: Summary, units: ReaderUnits) -> Point:
    question, found = "Does the boat’s own log agree?", summary.speed_log
    if found is None:
        return Point(question, UNKNOWN, "No log speed to compare, or no band run both ways.")
    text = f"Log speed × {measured(found.factor, expanded(found.factor_u), '', usual=3)}"
    if found.offset_kn:
        text += f" {'+' if found.offset_kn > 0 else '−'} {units.say(abs(found.offset_kn), 'kn', 2)}"
    text += f" is the speed found, over {plural(found.bands, 'band')}"
    text += f", within {units.say(found.worst_left_kn, 'kn', 2)}"
    return Point(question, KNOWN, f"{text}. The log is shown and used for nothing.")


def _clocks(clocks: pa.Table | None) -> Point:
    question = "Do all records share one time?"
    plain = rows(clocks)
    if not plain:
        return Point(question, UNKNOWN, "No clock could be compared.")
    failed = [
        str(r.get("source")) for r in plain if r.get("offset_s") is None or str(r.get("quality")).startswith("failed")
    ]
    us = [number(r.get("offset_u_s")) for r in plain]
    worst = max((u for u in us if u is not None), default=None)
    text = ""
    if worst is not None:
        pm = plus_minus(expanded(worst), column_decimals([expanded(worst)], usual=2, most=3))
        text = f"Sources are placed on UTC within ± {pm} s or better."
    if failed:
        text += f" Not placed, and so not used: {join_words(failed)}."
    poor = any(str(r.get("quality")).startswith("poor") for r in plain)
    return Point(question, CAUTION if failed or poor else KNOWN, text.strip() or "See the table of clocks.")


def _left_out(segments: pa.Table | None, rejected: list[RefusedKind]) -> Point:
    question = "What was left out, and why?"
    total = 0 if segments is None else segments.num_rows
    if not total:
        return Point(question, UNKNOWN, "No steady stretch was found at all.")
    out = sum(r.count for r in rejected)
    if not out:
        return Point(question, KNOWN, f"Nothing: all {plural(total, 'stretch', 'stretches')} found were used.")
    why = join_words([f"{r.count} × {r.kind}" for r in rejected[:4]])
    more = f" and {len(rejected) - 4} more reasons" if len(rejected) > 4 else ""
    return Point(question, KNOWN, f"{out} of {total} stretches: {why}{more}. Section 4 names each.")


def _reviewed(summary: Summary) -> Point:
    question = "Did a person change what was used?"
    line = review_line(summary)
    if not line:
        return Point(question, KNOWN, "No: every stretch was used or left out by the limits alone.")
    return Point(question, CAUTION, f"Yes: {line}. Section 2 gives the reasons and the result without it.")
