"""A trial of several sessions on the screen: one table, and what was each session's own."""

from __future__ import annotations

from collections.abc import Callable

import pyarrow as pa
from rich.console import Group, RenderableType
from rich.text import Text

from trialcapture.reduce.combined_bands import BestOfSessions, CombinedTrial, session_letter
from trialcapture.report.answers import plan_lines_of
from trialcapture.report.band_table import BAND_QUANTITIES, table_decimals
from trialcapture.report.combined_sheet import unpaired_text
from trialcapture.report.format import expanded
from trialcapture.report.reader_units import METRIC, ReaderUnits, own_decimals
from trialcapture.report.terminal import hanging, plain_text

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
    parts += [Text(""), *_answers(trial, bands, letter.get, units)]
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


def _answers(
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
