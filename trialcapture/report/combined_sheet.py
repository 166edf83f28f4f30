"""A trial of several sessions, as a sheet and on the screen: one for the whole, every session keeps what was its own.

Nothing is reduced anew here. A row of the band table is the mean of several sessions only where they agree (see
`trialcapture.reduce.combined_bands`); weight, conditions, current and seal stand for each session by its letter, and
every number names the summary of the session it comes from.

On the screen it is one table, and what was each session's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Literal

import pyarrow as pa
from rich.console import Group, RenderableType
from rich.text import Text

from trialcapture.reduce.combined_bands import (
    BestOfSessions,
    CombinedTrial,
    StepOfSessions,
    UnpairedStep,
    session_letter,
)
from trialcapture.reduce.summary import Severity, Summary
from trialcapture.report.answers import plan_lines_of
from trialcapture.report.band_table import BAND_QUANTITIES, table_decimals
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_results import sheet_figure
from trialcapture.report.format import (
    DASH,
    METRIC,
    ReaderUnits,
    clock,
    date,
    expanded,
    number,
    own_decimals,
    plural,
    rows,
)
from trialcapture.report.limits import SEVERITY_ORDER
from trialcapture.report.page import draw_now, sheet_page
from trialcapture.report.sheet import (
    MOST_LIMITS,
    NO_RUN,
    NOT_RECORDED,
    PLAN,
    Sheet,
    SheetAnswer,
    SheetTable,
    band_cells,
    band_heads,
    conditions_of,
    cruise_answer,
    foot_of,
    limits_of,
    missing_of,
    other_answers,
    paper_of,
    particulars_of,
    plan_of,
    sealed_as,
    slowest_answer,
    tester_of,
    texts_of,
    top_speed_answer,
    weight_of,
)
from trialcapture.report.sheet_words import crowding_of
from trialcapture.report.terminal import hanging, plain_text
from trialcapture.report.traced import Ledger, Phrase, Traced, in_units, joined, measured_in, plain, said, text_of

_OF_THE_WHOLE = (PLAN, "Declared steps")
_NOTHING = ((NOT_RECORDED,), ("not noted",))


class _Part:
    """One session on the sheet.

    Attributes:
        letter: It goes by.
        summary: Of it.
        bands: Of it alone.
        ledger: Where its numbers stand.
    """

    def __init__(self, n: int, summary: Summary, bands: pa.Table, folder: str) -> None:
        self.letter = session_letter(n)
        self.summary = summary
        self.bands = bands
        self.ledger = Ledger(summary, rows(bands), f"../{folder}/reduction/")


def render_combined_sheet(
    sheet: Sheet,
    bands: pa.Table,
    trial: CombinedTrial,
    units: ReaderUnits = METRIC,
    draw: Callable[..., Any] = draw_now,
) -> str:
    """Return the sheet of all sessions as one HTML file, with links to the report of each.

    Args:
        sheet: From `build_combined_sheet`.
        bands: Of all sessions, from `trialcapture.reduce.combined_bands.combine_bands`.
        trial: The rest of the result.
        units: What the reader asked for.
        draw: See `trialcapture.report.page.render_report`.
    """
    figure: Drawing | None = draw(sheet_figure, bands, _circled(bands, trial), units)
    annexes = [
        (f"Evidence report of session {session_letter(n)}, {session.id}", f"../{session.folder}/reduction/report.html")
        for n, session in enumerate(trial.sessions)
    ]
    return sheet_page(sheet, figure, units, trial.software_version, annexes)


def build_combined_sheet(
    bands: pa.Table,
    trial: CombinedTrial,
    summaries: Sequence[Summary],
    own_bands: Sequence[pa.Table],
    units: ReaderUnits,
) -> Sheet:
    """Return the sheet of all sessions.

    Args:
        bands: Of all sessions, from `trialcapture.reduce.combined_bands.combine_bands`.
        trial: The rest of the result.
        summaries: Of the sessions, in their order.
        own_bands: Band table of each session.
        units: What the reader asked for.
    """
    whole = Ledger(trial, rows(bands))
    parts = [
        _Part(n, summary, own, session.folder)
        for n, (summary, own, session) in enumerate(zip(summaries, own_bands, trial.sessions, strict=True))
    ]
    letters = {part.summary.session.id: part.letter for part in parts}
    testers = [tester_of(part.summary, part.ledger) for part in parts if part.summary.trial.tested_by]
    made = Sheet(
        paper=paper_of(units),
        boat=said(whole.at("boat", "name")),
        title=_title(parts),
        when=joined([_when(part) for part in parts], "; "),
        tested_by=testers[0] if testers else tester_of(parts[0].summary, parts[0].ledger),
        answers=tuple(_answers(trial, parts, whole, letters, units)),
        others=tuple(_others(parts, units)),
        particulars=tuple(particulars_of(parts[0].summary, parts[0].ledger, units)),
        weight=tuple(row for part in parts for row in _weight(part, units)),
        conditions=tuple((f"Session {part.letter}", _conditions(part, units)) for part in parts),
        table=_table(bands, trial, whole, letters, units),
        words=tuple(_words(trial, whole, letters, units)),
        limits=tuple(_limits(parts, trial, whole, letters)),
        missing=_missing(parts),
        plan=plan_of(trial.plan, whole),
        seal=joined([_seal(part) for part in parts], "; "),
        is_changed=any(part.summary.seal.state == "changed" for part in parts),
        foot=tuple(foot_of(parts[0].summary, parts[0].ledger, units)),
        crowding=0,
    )
    return replace(made, crowding=crowding_of(texts_of(made), made.paper))


def _title(parts: Sequence[_Part]) -> Phrase:
    titled = next((part for part in parts if part.summary.trial.title), None)
    count = f"trial of {plural(len(parts), 'session')}"
    return (said(titled.ledger.at("trial", "title")), f", {count}") if titled else (f"Sea {count}",)


def _when(part: _Part) -> Phrase:
    start, stop = (part.ledger.at("conditions", key) for key in ("start", "stop"))
    if start.value is None:
        return (f"{part.letter}: no run was accepted",)
    place = part.ledger.at("conditions", "place")
    where: Phrase = (", ", said(place)) if place.value else ()
    return (
        f"{part.letter}: ", Traced(date(start.value), start.place), ", ",
        Traced(clock(start.value, seconds=False), start.place), " to ",
        Traced(clock(stop.value, seconds=False), stop.place), " UTC", *where,
    )  # fmt: skip


# ------------------------------------------------------------------------------
# Answers: the best of the sessions, each with whose it is.
# ------------------------------------------------------------------------------


def _answers(
    trial: CombinedTrial, parts: Sequence[_Part], whole: Ledger, letters: dict[str, str], units: ReaderUnits
) -> list[SheetAnswer]:
    made = [_top_speed(trial, whole, letters, units)]
    regimes = [("Best cruise", "economy_displacement")]
    if trial.boat.planing:
        regimes = [
            ("Best cruise on the plane", "economy_planing"), ("Best cruise below planing", "economy_displacement"),
        ]  # fmt: skip
    for label, key in regimes:
        best: BestOfSessions | None = getattr(trial, key)
        own = next((part for part in parts if best is not None and part.summary.session.id == best.session_id), None)
        of = own or parts[0]
        answer = cruise_answer(label, key, of.bands, of.summary, of.ledger, units)
        made.append(_of_session(answer, own) if own is not None else answer)
    if trial.boat.planing:
        known = [part for part in parts if part.summary.slowest_planing_speed is not None]
        slowest = min(known, key=lambda part: _slowest_kn(part.summary), default=None)
        of = slowest or parts[0]
        answer = slowest_answer(of.summary, of.ledger, units)
        made.append(_of_session(answer, slowest) if slowest is not None else answer)
    return made


def _slowest_kn(summary: Summary) -> float:
    found = summary.slowest_planing_speed
    return float("inf") if found is None else found.speed_kn


def _of_session(answer: SheetAnswer, part: _Part) -> SheetAnswer:
    return replace(answer, lines=(*answer.lines, (f"session {part.letter}",)))


def _whose(session_id: str, letters: dict[str, str]) -> str:
    named = [letters.get(name, "?") for name in session_id.split("; ")]
    return f"session {named[0]}" if len(named) == 1 else f"sessions {' and '.join(named)}"


def _top_speed(trial: CombinedTrial, whole: Ledger, letters: dict[str, str], units: ReaderUnits) -> SheetAnswer:
    key: Literal["top_speed", "fastest_seen"] = "fastest_seen" if trial.top_speed is None else "top_speed"
    found = trial.fastest_seen if trial.top_speed is None else trial.top_speed
    if found is None:
        return SheetAnswer("Top speed", (), (NO_RUN,))
    name: Phrase = ("at ", said(whole.at(key, "band_name")), ", ") if found.band_name else ()
    run = (*name, "both ways, " if key == "top_speed" else "", _whose(found.session_id, letters))
    return top_speed_answer(key, ("value", "u", "k"), run, whole, units)


def _others(parts: Sequence[_Part], units: ReaderUnits) -> list[SheetAnswer]:
    """Return, of each kind of result beside the bands, that of the first session that has one."""
    made = []
    for answers in zip(*(other_answers(part.summary, part.ledger, units) for part in parts), strict=True):
        own = next((n for n, answer in enumerate(answers) if answer.lines and answer.lines[0] not in _NOTHING), None)
        made.append(answers[0] if own is None else _of_session(answers[own], parts[own]))
    return made


# ------------------------------------------------------------------------------
# What is each session's own.
# ------------------------------------------------------------------------------


def _weight(part: _Part, units: ReaderUnits) -> list[tuple[str, Phrase]]:
    """Return the sum of a session's test weight and what it is made of, in one line."""
    *of, (_, total) = weight_of(part.summary, part.ledger, units)
    told: list[Phrase] = [(f"{name.lower()} ", *text) for name, text in of]
    return [(f"Session {part.letter}", (*total, ": ", *joined(told, "; ")) if told else total)]


def _conditions(part: _Part, units: ReaderUnits) -> Phrase:
    told: list[Phrase] = [(f"{name.lower()} ", *text) for name, text in conditions_of(part.summary, part.ledger, units)]
    fit = part.summary.current.fit
    if fit:
        least, most = (pick(range(len(fit)), key=lambda n: fit[n].speed_kn) for pick in (min, max))
        ends = [in_units(part.ledger.at("current", "fit", n, "speed_kn"), "kn", 1, units) for n in (least, most)]
        told.append(("current ", *(ends[0] if text_of(ends[0]) == text_of(ends[1]) else joined(ends, " to "))))
    return joined(told, ", ")


def _limits(
    parts: Sequence[_Part], trial: CombinedTrial, whole: Ledger, letters: dict[str, str]
) -> list[tuple[Severity, str, Phrase]]:
    """Return one line for each kind of fault of a session, the gravest first; what several share stands once."""
    found: dict[tuple[Severity, str, str], tuple[Phrase, list[str]]] = {}
    for part in parts:
        for severity, name, text in limits_of(part.summary, part.ledger):
            if name in _OF_THE_WHOLE or (name == "Top speed" and trial.top_speed is not None):
                continue  # told of all sessions together
            key = (severity, name, text_of(text))
            found.setdefault(key, (text, []))[1].append(part.letter)
    lines = [
        (severity, name, (*text, "" if len(whose) == len(parts) else f" (session {', '.join(whose)})"))
        for (severity, name, _), (text, whose) in found.items()
    ]
    for n, step in enumerate(trial.unpaired):
        step_name = said(whole.at("unpaired", n, "band_name"))
        whose = ", ".join(letters[session] for session in step.sessions)
        lines.append(("yellow", "No pair", (f"{unpaired_text(step)} (", step_name, f", sessions {whose})")))
    lines.sort(key=lambda line: SEVERITY_ORDER[line[0]])
    if len(lines) <= MOST_LIMITS:
        return lines
    rest = len(lines) - MOST_LIMITS + 1
    more: Phrase = (f"{plural(rest, 'line')} more: see the report of each session",)
    return [*lines[: MOST_LIMITS - 1], (lines[MOST_LIMITS - 1][0], "And", more)]


def unpaired_text(step: UnpairedStep) -> str:
    """Return what is said of a step that several sessions ran one way and none both ways."""
    if step.is_averaged:
        return "one way only in each session; averaged, each with the current its session shows elsewhere"
    return "one way only in each session; runs of different sessions are no pair, so each stands by itself"


def _missing(parts: Sequence[_Part]) -> str:
    told = {part.letter: missing_of(part.summary, with_plan=False) for part in parts}
    if len(set(told.values())) == 1:
        return next(iter(told.values()))
    return " ".join(f"{letter}: {text}" for letter, text in told.items())


def _seal(part: _Part) -> Phrase:
    name = said(part.ledger.at("session", "id"))
    return (f"{part.letter} ", name, " ", *sealed_as(part.summary, part.ledger))


# ------------------------------------------------------------------------------
# The whole: table, sentences, figure.
# ------------------------------------------------------------------------------


def _table(
    bands: pa.Table, trial: CombinedTrial, whole: Ledger, letters: dict[str, str], units: ReaderUnits
) -> SheetTable:
    heads = [*band_heads(units), ("Ways", ""), ("Session", "")]
    answered = {
        (found.session_id, found.band_name)
        for found in (trial.top_speed, trial.economy_planing, trial.economy_displacement)
        if found is not None
    }
    made = []
    for n, row in enumerate(rows(bands)):
        cells = band_cells(row, n, whole, units)
        of = str(row.get("session_id") or "").split("; ")
        named = "+".join(letters.get(name, "?") for name in of)
        cells += [(plain(whole.band(n, "ways")),), (Traced(named or DASH, whole.band(n, "session_id").place),)]
        step = str(row.get("band_name") or "").split(", ")[0]
        is_answered = any(name.split(", ")[0] == step and set(whose.split("; ")) & set(of) for whose, name in answered)
        made.append((is_answered, tuple(cells)))
    return SheetTable(tuple(heads), tuple(made), ())


def _words(trial: CombinedTrial, whole: Ledger, letters: dict[str, str], units: ReaderUnits) -> list[Phrase]:
    name: Phrase = (said(whole.at("boat", "name")),) if trial.boat.name else ("The boat",)
    days = ", ".join(letters[session.id] for session in trial.sessions)
    made: list[Phrase] = [
        (*name, f" was tested in {plural(len(trial.sessions), 'session')} ({days}), each with a weight, a sea and a "
         "current of its own.")
    ]  # fmt: skip
    compared = [(n, s) for n, s in enumerate(trial.steps) if s.quantity != "economy"]
    if not compared:
        return [*made, ("No step was run in more than one of them, so nothing shows whether they agree.",)]
    made += [_compared(n, step, whole, letters, units) for n, step in compared]
    return [*made, ("What agrees is one row of the table, and what really differs a row for each session.",)]


def _compared(n: int, step: StepOfSessions, whole: Ledger, letters: dict[str, str], units: ReaderUnits) -> Phrase:
    quantity = next(q for q in BAND_QUANTITIES if q.name == step.quantity)
    at = [whole.at("steps", n, key) for key in ("difference", "difference_u", "k")]
    half_width = expanded(step.difference_u, step.k)
    figures = measured_in(
        at[0], at[1], at[2], units.beside(quantity.unit), own_decimals(half_width, quantity.usual, quantity.most)
    )
    first, second = (letters[name] for name in step.sessions)
    verdict = "a real difference" if step.is_real else "within noise"
    return ("At ", said(whole.at("steps", n, "band_name")), f" {step.quantity} of {second} less that of {first} is ",
            *figures, f", {verdict}.")  # fmt: skip


def _circled(bands: pa.Table, trial: CombinedTrial) -> tuple[tuple[str, float], ...]:
    """Return the engine speeds of the answers that the figure circles, each with its quantity."""
    rpm = {str(r.get("band_name")).split(", ")[0]: number(r.get("band_rpm")) for r in rows(bands)}
    answers = (
        ("speed", trial.top_speed), ("economy", trial.economy_planing), ("economy", trial.economy_displacement),
    )  # fmt: skip
    found = [(name, rpm.get(best.band_name.split(", ")[0])) for name, best in answers if best is not None]
    return tuple((name, value) for name, value in found if value is not None)


_BY_NAME = {quantity.name: quantity for quantity in BAND_QUANTITIES}


def combined_view(bands: pa.Table, trial: CombinedTrial, units: ReaderUnits = METRIC) -> RenderableType:
    """Return the bands of all sessions, the answers, and load and conditions of each session.

    Args:
        bands: From `trialcapture.reduce.combined_bands.combine_bands`.
        trial: The rest of the result.
        units: What the reader asked for.
    """
    letter = {session.id: session_letter(n) for n, session in enumerate(trial.sessions)}
    parts: list[RenderableType] = [Text(f"{trial.boat.name}: {len(trial.sessions)} sessions", style="bold")]
    for session in trial.sessions:
        load, seen = session.load, session.conditions
        said = [session.id]
        said.append("load not known" if load.displacement_kg is None else units.say(load.displacement_kg, "kg", 0))
        said += [f"{item.name} {units.say(item.kg, 'kg', 0)}" for item in load.items]
        if seen.start is not None and seen.stop is not None:
            said.append(f"legs {seen.start[:16].replace('T', ' ')} to {seen.stop[11:16]} UTC")
        if seen.wind_speed_true_kn_mean is not None:
            said.append(f"wind {units.say(seen.wind_speed_true_kn_mean, 'kn', 0)}")
        if seen.wave_height_m is not None:
            said.append(f"waves {units.say(seen.wave_height_m, 'm', 1)}")
        if session.current:
            speeds = [found.speed_kn for found in session.current]
            said.append(f"current {units.span(min(speeds), max(speeds), 'kn', 2)}")
        said.append("CHANGED since it was sealed" if session.seal == "changed" else f"seal {session.seal}")
        parts.append(hanging(letter[session.id], plain_text("; ".join(said))))
    parts.append(Text(""))
    for row in bands.to_pylist():
        whose = "+".join(letter.get(name, "?") for name in row["session_id"].split("; "))
        said = []
        for q in BAND_QUANTITIES:
            if row[q.value] is not None:
                half_width = expanded(row[q.u], row[q.k])
                said.append(units.measured(row[q.value], half_width, q.unit, table_decimals(q, bands)))
        ways = "" if row["ways"] == 2 else "; one way only"
        name = row["band_name"].split(", ")[0]
        parts.append(hanging(f"{name:>9} {whose}", plain_text("; ".join(said) + ways)))
    parts += [Text(""), *_answer_rows(trial, bands, letter.get, units)]
    for step in trial.steps:
        if step.quantity != "economy":
            pair = " to ".join(letter[s] for s in step.sessions)
            q = _BY_NAME[step.quantity]
            half_width = expanded(step.difference_u, step.k)
            size = units.measured(abs(step.difference), half_width, q.unit, own_decimals(half_width, q.usual, q.most))
            sign = "+" if step.difference >= 0 else "-"
            verdict = "a real difference, so each has a row" if step.is_real else "within noise"
            parts.append(hanging(f"{step.band_name} {pair}:", plain_text(f"{step.quantity} {sign}{size}: {verdict}")))
    for unpaired in trial.unpaired:
        whose = ", ".join(letter[name] for name in unpaired.sessions)
        parts.append(hanging(f"{unpaired.band_name} {whose}:", plain_text(unpaired_text(unpaired))))
    if trial.plan is not None:
        parts += [Text(line) for line in plan_lines_of(trial.plan)]
    return Group(*parts)


def _answer_rows(
    trial: CombinedTrial, bands: pa.Table, letter: Callable[[str], str | None], units: ReaderUnits
) -> list[RenderableType]:
    by_unit = {quantity.unit: quantity for quantity in BAND_QUANTITIES}

    def said(label: str, found: BestOfSessions | None) -> list[RenderableType]:
        if found is None:
            return []
        whose = "+".join(letter(name) or "?" for name in found.session_id.split("; "))
        decimals = table_decimals(by_unit[found.unit], bands)
        value = units.measured(found.value, expanded(found.u, found.k), found.unit, decimals)
        at = found.band_name.split(", ")[0]
        return [hanging(f"{label}:", plain_text(f"{value}, {f'at {at}, ' if at else ''}session {whose}"))]

    seen = said("Fastest seen, not held both ways", trial.fastest_seen)
    return [
        *said("Top speed", trial.top_speed),
        *seen,
        *said("Best economy on the plane", trial.economy_planing),
        *said("Best economy below planing", trial.economy_displacement),
    ]
