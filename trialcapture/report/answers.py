"""The answers that stand at the top of the page and under the terminal table, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.report.arrow_columns import has_values
from trialcapture.report.format import (
    band_phrase,
    column_decimals,
    degrees,
    fixed,
    general,
    grouped,
    join_words,
    measured,
    number,
    percent,
    plus_minus,
    words,
)


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer, ready to print.

    Attributes:
        label: What was asked.
        value: The number, "" where there is none.
        pm: Its ± at 95 %, "" where not known.
        unit: Its unit.
        lines: What it holds for; or why there is no answer.
    """

    label: str
    value: str
    pm: str
    unit: str
    lines: tuple[str, ...]


def at(data: Any, *path: str) -> Any:
    """Return what nested dicts hold at a path, None where anything on the way is missing."""
    for key in path:
        if not isinstance(data, Mapping):
            return None
        data = data.get(key)
    return data


def answers(bands: pa.Table, summary: Mapping[str, Any]) -> list[Answer]:
    """Return top speed, best economy on the plane and below it, and range with its reserve."""
    return [_top_speed(bands, summary), *_economies(bands, summary), _range(bands, summary)]


def _quantity(label: str, value: Any, u: Any, unit: str, lines: list[str], *, usual: int, most: int = 4) -> Answer:
    decimals = column_decimals([u], usual=usual, most=most)
    pm = plus_minus(u, decimals, dash="")
    return Answer(label, fixed(value, decimals), pm, unit, tuple(lines if pm else [*lines, "± not known"]))


def _none(label: str, why: str) -> Answer:
    return Answer(label, "", "", "", (why,))


_TOLD_BY = {
    "position": ("RMC", "GGA", "GLL", "GNS", "POSITION", "129025", "129029"),
    "speed": ("RMC", "VTG", "VELOCITY", "129026"),
    "heading": ("HDT", "HDG", "HDM", "THS", "127250"),
    "depth": ("DPT", "DBT", "DBS", "DBK", "128267"),
    "wind": ("MWD", "MWV", "VWR", "VWT", "MDA", "130306"),
    "log": ("VHW", "VBW", "128259"),
    "water": ("MTW", "MDA", "130310", "130311", "130312", "130316"),
    "rpm": ("RPM", "XDR", "ENGINE", "127488", "61444"),
    "fuel": ("XDR", "ENGINE", "127489", "65266"),
}
"""Sentences, and messages of a CAN bus (counted by parameter group), that tell a quantity."""
_IN_LOGS = ("rpm", "fuel")


def why_absent(summary: Mapping[str, Any], quantity: str) -> str:
    """Return "was not recorded" of what never came in, else that it came in and could not be used.

    Args:
        summary: The reduction's summary with what the pipeline adds.
        quantity: One of `_TOLD_BY`.
    """
    read = [r for r in at(summary, "counts") or [] if isinstance(r, Mapping)]
    types = [r for r in read if r.get("formatter") in _TOLD_BY[quantity]]
    # XDR and ENGINE tell many things: whole sentences of them say nothing of this one
    if quantity in _IN_LOGS:
        types = [r for r in types if r.get("formatter") not in ("XDR", "ENGINE")]
    count = sum(int(number(r.get("good")) or 0) + int(number(r.get("bad")) or 0) for r in types)
    if count:
        names = join_words(sorted({str(r["formatter"]) for r in types}))
        return f"came in and could not be used ({grouped(count)} sentences of type {names})"
    clocks = [r for r in at(summary, "clocks") or [] if isinstance(r, Mapping)]
    logs = [str(r["source"]) for r in clocks if str(r.get("source")).startswith("engine log") and not r.get("method")]
    logs += [
        str(r["source"]) for r in clocks if str(r.get("quality")).startswith("failed") and "log" in str(r["source"])
    ]
    if quantity in _IN_LOGS and logs:
        return f"came in and could not be used ({join_words(sorted(set(logs)))})"
    return "was not recorded"


def why_no_fuel(bands: pa.Table, summary: Mapping[str, Any]) -> str:
    """Return why no band has an economy."""
    if bands.num_rows == 0:
        return "No steady stretch was accepted."
    if not has_values(bands, "fuel_l_per_h"):
        return f"Fuel flow {why_absent(summary, 'fuel')}."
    return "No band has both speed and fuel flow."


def _top_speed(bands: pa.Table, summary: Mapping[str, Any]) -> Answer:
    found = at(summary, "top_speed")
    seen = at(summary, "fastest_seen")
    if number(at(found, "speed_kn")) is None and number(at(seen, "speed_kn")) is not None:
        return _none("Top speed", f"Not claimed. {fastest_seen(seen)}")
    if number(at(found, "speed_kn")) is None:
        why = "No steady stretch was accepted." if bands.num_rows == 0 else "No band has a speed."
        return _none("Top speed", why)
    ways = number(found.get("ways"))
    lines = [_at_band(found)] if band_phrase(found) else []
    if ways is not None:
        lines.append("both directions, current removed" if ways >= 2 else "one direction only: current not cancelled")
    return _quantity("Top speed", found["speed_kn"], found.get("speed_u_kn"), "kn", lines, usual=2, most=2)


def fastest_seen(seen: Mapping[str, Any]) -> str:
    """Return "Fastest seen: 31.9 ± 0.8 kn at 3500 rpm on 074°; repeat at 3500 rpm on 254°."."""
    rpm, heading = number(seen.get("rpm")), number(seen.get("heading_deg"))
    text = f"Fastest seen: {measured(seen['speed_kn'], seen.get('u_kn'), 'kn', usual=1, most=1)}"
    text += "" if rpm is None else f" at {fixed(rpm, 0)} rpm"
    text += "" if heading is None else f" on {degrees(heading)}"
    missing = str(seen.get("missing") or "")
    return f"{text}; {missing}." if missing else f"{text}."


_REGIMES = (("economy_planing", "on the plane"), ("economy_displacement", "below planing"))


def _economy_points(summary: Mapping[str, Any]) -> list[tuple[str, str, Any]]:
    """Return key, place on the curve and point of each economy worth asking for.

    A boat stated not to plane is asked for one; so is one whose running regime could not be judged.
    """
    if at(summary, "boat", "planing") is False:
        return [("economy_displacement", "", at(summary, "economy_displacement"))]
    points = [(key, where, at(summary, key)) for key, where in _REGIMES]
    if all(point is None for *_, point in points) and at(summary, "economy_overall") is not None:
        return [("economy_overall", "", at(summary, "economy_overall"))]
    return points


def _economies(bands: pa.Table, summary: Mapping[str, Any]) -> list[Answer]:
    found = []
    for key, where, point in _economy_points(summary):
        label = f"Best economy {where}".strip()
        if number(at(point, "economy_nm_per_l")) is None:
            no_fuel = not has_values(bands, "economy_nm_per_l")
            found.append(_none(label, why_no_fuel(bands, summary) if no_fuel else f"No band {where} was measured."))
            continue
        lines = [_where_on_curve(point)]
        low, high = number(point.get("flat_from_kn")), number(point.get("flat_to_kn"))
        if low is not None and high is not None and fixed(high, 1) != fixed(low, 1):
            lines.append(flat_interval(point))
        if point.get("at_edge"):
            lines.append("at the end of the speeds measured: a better one may lie outside")
        if (number(point.get("ways")) or 2) < 2:
            lines.append("one direction only: current not cancelled")
        rival = point.get("one_way_as_good")
        if number(at(rival, "economy_nm_per_l")) is not None:
            lines.append(
                f"{_where_on_curve(rival).removeprefix('at ')} run one way looks better, within its uncertainty"
            )
        if key == "economy_overall":
            lines.append("displacing or planing: could not be judged")
        u = point.get("economy_u_nm_per_l")
        found.append(_quantity(label, point["economy_nm_per_l"], u, "nm/L", [x for x in lines if x], usual=3))
    return found


def flat_interval(point: Mapping[str, Any]) -> str:
    """Return "21.0 to 24.5 kn are within 3 % of it"."""
    within = number(point.get("within_pct"))
    share = "about as good" if within is None else f"within {general(within)} % of it"
    return f"{fixed(point.get('flat_from_kn'), 1)} to {fixed(point.get('flat_to_kn'), 1)} kn are {share}"


def _at_band(entry: Mapping[str, Any]) -> str:
    """Return "at 1800 rpm", or which row it is where engine speed is unknown."""
    return f"{'row' if number(entry.get('band_rpm')) is None else 'at'} {band_phrase(entry)}"


def _where_on_curve(point: Mapping[str, Any]) -> str:
    parts = []
    if band_phrase(point):
        parts.append(band_phrase(point))
    if number(point.get("speed_kn")) is not None:
        parts.append(f"{fixed(point['speed_kn'], 1)} kn")
    return "at " + ", ".join(parts) if parts else ""


def _range(bands: pa.Table, summary: Mapping[str, Any]) -> Answer:
    known = [(where, p) for _, where, p in _economy_points(summary) if number(at(p, "range_nm")) is not None]
    if not known:
        if not has_values(bands, "economy_nm_per_l"):
            return _none("Range", why_no_fuel(bands, summary))
        if number(at(summary, "fuel", "capacity_l")) is None:
            return _none("Range", "The tank capacity was not stated.")
        return _none("Range", "No range could be formed.")
    where, point = known[0]
    lines = [_where_on_curve(point)]
    for other, p in known[1:]:
        lines.append(
            f"{other}: {measured(p['range_nm'], p.get('range_u_nm'), 'nm', usual=0, most=1)} {_where_on_curve(p)}"
        )
    lines.append(reserve_in_short(summary))
    return _quantity(
        f"Range {where}".strip(),
        point["range_nm"],
        point.get("range_u_nm"),
        "nm",
        [x for x in lines if x],
        usual=0,
        most=1,
    )


def reserve_in_short(summary: Mapping[str, Any]) -> str:
    """Return "with 10 % kept in reserve"."""
    fraction = number(at(summary, "fuel", "reserve_fraction"))
    return "reserve not stated" if fraction is None else f"with {percent(fraction)} kept in reserve"


def reserve_statement(summary: Mapping[str, Any], bands: pa.Table) -> str:
    """Return the sentence every printed range stands on: capacity, usable share, reserve and what is left to burn."""
    if not has_values(bands, "economy_nm_per_l"):
        why = why_no_fuel(bands, summary)
        return f"Range is not given: {why[0].lower()}{why[1:]}"
    capacity = number(at(summary, "fuel", "capacity_l"))
    reserve = number(at(summary, "fuel", "reserve_fraction"))
    if capacity is None:
        return "Range is not given: the tank capacity was not stated."
    usable = number(at(summary, "fuel", "usable_fraction"))
    left = number(at(summary, "fuel", "usable_after_reserve_l"))
    parts = [
        f"Range is on {grouped(left, 0 if left and left >= 100 else 1)} L of fuel: tank capacity {grouped(capacity)} L"
    ]
    if usable is not None:
        parts.append(f"{percent(usable)} of it usable")
    parts.append(f"{percent(reserve)} kept in reserve" if reserve is not None else "reserve not stated")
    return join_words(parts) + "."


def calibration_statement(summary: Mapping[str, Any], bands: pa.Table) -> str:
    """Return how the fuel flow was checked; "uncalibrated" where it was not, "" without a fuel flow."""
    if not has_values(bands, "fuel_l_per_h"):
        return ""
    found = at(summary, "fuel", "calibration")
    factor = number(at(found, "factor"))
    if factor is None:
        return "Fuel flow is uncalibrated: it is the engines’ own figure."
    origin = str(found.get("origin") or "origin not stated")
    return f"Fuel flow is calibrated: shown flow times {general(factor, 5)} ({origin})."


def also_found(summary: Mapping[str, Any]) -> list[str]:
    """Return slowest planing speed and rated-rpm check, one sentence each, where there is something to say."""
    said = []
    slowest = at(summary, "slowest_planing_speed")
    if number(at(slowest, "speed_kn")) is not None:
        parts = [f"Slowest planing speed {_planing_speed(slowest)}"]
        if slowest.get("from"):
            parts.append(f"from {words(str(slowest['from']))}")
        if slowest.get("trim"):
            parts.append(f"trim {slowest['trim']}")
        text = ", ".join(parts)
        both = [at(slowest, way) for way in ("run_down", "run_up")]
        if all(number(at(run, "speed_kn")) is not None for run in both):
            text += f"; slowing down {_planing_speed(both[0])}, speeding up {_planing_speed(both[1])}"
        said.append(f"{text}.")
    elif number(at(summary, "slowest_on_the_plane", "speed_kn")) is not None:
        said.append(_slowest_held(summary["slowest_on_the_plane"]))
    return said + rated_rpm_lines(summary)


def _slowest_held(band: Mapping[str, Any]) -> str:
    rpm = number(band.get("band_rpm"))
    at_rpm = "" if rpm is None else f" at {fixed(rpm, 0)} rpm"
    ways = "" if (number(band.get("ways")) or 2) >= 2 else ", one direction only"
    speed = measured(band["speed_kn"], band.get("speed_u_kn"), "kn", usual=1, most=1)
    return f"Slowest speed held on the plane {speed}{at_rpm}{ways}; no slow run shows how much slower she would plane."


def _planing_speed(found: Mapping[str, Any]) -> str:
    return measured(found["speed_kn"], found.get("u_kn"), "kn", usual=1, most=1)


def rated_rpm_lines(summary: Mapping[str, Any]) -> list[str]:
    """Return one sentence an engine on whether rated rpm was reached."""
    said = []
    for check in at(summary, "rated_rpm_check") or []:
        reached, rated = number(check.get("reached_rpm")), number(check.get("rated_rpm"))
        name = f"Engine {check.get('engine')}"
        if reached is None:
            said.append(f"{name}: highest rpm not known; rated {fixed(rated, 0)} rpm.")
            continue
        share = number(check.get("pct"))
        verdict = str(check.get("verdict") or "")
        said.append(
            f"{name} reached {fixed(reached, 0)} of {fixed(rated, 0)} rated rpm"
            + (f" ({fixed(share, 1)} %)" if share is not None else "")
            + (f": {words(verdict)}." if verdict else ".")
        )
    return said
