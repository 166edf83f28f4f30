"""``trialcapture explain``: from a printed number back to legs, seconds, corrections and raw lines."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import click

from trialcapture.archive.manifest import hash_file
from trialcapture.archive.notes import marks_of, read_notes
from trialcapture.archive.session import Session, is_combined, open_session
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.config import Config, UnitSystem, config_hash, read_config
from trialcapture.errors import TrialCaptureError
from trialcapture.frames import CombinedFrames, TrialFrames, load_combined, load_frames
from trialcapture.measure.plan_result import NOT_DRIVEN
from trialcapture.pipeline.raw_places import find_raw_places
from trialcapture.reduce.combined_bands import session_letter
from trialcapture.reduce.summary import Summary
from trialcapture.reduce.tables import iso_utc
from trialcapture.report.band_table import BAND_QUANTITIES, quantity_decimals
from trialcapture.report.format import ReaderUnits, plural
from trialcapture.report.terminal import plain_text

_TERMS_SHOWN = 5


def explain(
    session: Path, what: tuple[str, ...], config_path: Path | None, units: UnitSystem | None, as_json: bool
) -> None:
    """Print what a number is made of and where its raw data stands."""
    if is_combined(session):
        if config_path is not None:
            raise click.UsageError("--config is for a single session.")
        _explain_combined(session, " ".join(" ".join(what).split()), units, as_json)
        return
    opened = open_session(session)
    frames = load_frames(session)
    config = _settings(opened, frames.summary, config_path)
    told = _explained(opened, frames, config, " ".join(what))
    if as_json:
        print_json(told)
    else:
        bands = [_plain(row) for row in frames.bands.to_dict("records")]
        _show(told, bands, ReaderUnits(units or config.report.units, config.report.also))


def _explain_combined(folder: Path, what: str, units: UnitSystem | None, as_json: bool) -> None:
    """Trace a row of a trial of several sessions to each of them, or what is asked of one of them."""
    frames = load_combined(folder)
    letters = {session_letter(n): of for n, of in enumerate(frames.sessions)}
    row, chosen = _chosen_of_several(what, frames, letters)
    each = []
    for letter, asked in chosen:
        of = letters[letter]
        config = _settings(of.session, of.summary, None)
        each.append((letter, of, config, _explained(of.session, of, config, asked)))
    if as_json:
        print_json({"band": row, "sessions": [{"letter": letter, **told} for letter, _, _, told in each]})
        return
    if row is not None:
        report = each[0][2].report
        _show_combined_row(row, each, frames, ReaderUnits(units or report.units, report.also))
    for letter, of, config, told in each:
        tell()
        say(of.session.id, label=f"session {letter}", err=False)
        bands = [_plain(own) for own in of.bands.to_dict("records")]
        _show(told, bands, ReaderUnits(units or config.report.units, config.report.also))


def _chosen_of_several(
    what: str, frames: CombinedFrames, letters: Mapping[str, TrialFrames]
) -> tuple[dict[str, Any] | None, list[tuple[str, str]]]:
    """Return the row asked for, None for what is asked of one session, and what to explain of which session."""
    head, _, rest = what.partition(" ")
    if head.upper() in letters and rest:
        return None, [(head.upper(), rest)]
    by_id = {of.session.id: letter for letter, of in letters.items()}
    bands = [_plain(row) for row in frames.bands.to_dict("records")]
    asked = re.fullmatch(r"(\d+(?:\.\d+)?)(?:\s*rpm)?", what, re.IGNORECASE)
    rpm = float(asked[1]) if asked else math.nan
    rows = [row for row in bands if row["band_name"].lower() == what.lower()]
    rows = rows or [
        row for row in bands if row["band_rpm"] == rpm or row["band_name"].lower().startswith(f"{what.lower()}, ")
    ]
    if rows:
        names = [(name, row["band_name"].split(", ")[0]) for row in rows for name in row["session_id"].split("; ")]
        found = [(by_id[name], _own_name(letters[by_id[name]], called, rows[0]["band_rpm"])) for name, called in names]
        return (rows[0] if len(rows) == 1 else None), found
    raise TrialCaptureError(
        "no row is called so; a leg is asked for by its session, as its number counts in it",
        seen=what[:80],
        expected=f"a row ({', '.join(row['band_name'] for row in bands) or 'there is none'}), or a session's letter "
        f"and then a row or a leg of it, such as '{next(iter(letters))} leg 1' (sessions {', '.join(letters)})",
    )


def _own_name(of: TrialFrames, called: str, rpm: float | None) -> str:
    """Return what a step is called in one of its sessions, where its engine speed may be a little another."""
    own = [_plain(row) for row in of.bands.to_dict("records")]
    if any(row["band_name"] == called for row in own) or rpm is None:
        return called
    known = [row for row in own if row["band_rpm"] is not None]
    return str(min(known, key=lambda row: abs(row["band_rpm"] - rpm))["band_name"]) if known else called


def _show_combined_row(
    row: Mapping[str, Any],
    each: Sequence[tuple[str, TrialFrames, Config, dict[str, Any]]],
    frames: CombinedFrames,
    units: ReaderUnits,
) -> None:
    bands = [_plain(own) for own in frames.bands.to_dict("records")]
    whose = " and ".join(letter for letter, *_ in each)
    ways = "both ways" if row["ways"] == 2 else "one way"
    tell(f"{row['band_name']}: of session{'s' if len(each) > 1 else ''} {whose}, {ways}")
    for q in BAND_QUANTITIES:
        if row[q.value] is None:
            continue
        decimals = partial(quantity_decimals, q, plain=bands)
        printed = plain_text(units.measured(row[q.value], (row[q.k] or 2.0) * row[q.u], q.unit, decimals))
        own = [(letter, (told["band"] or {}).get("quantities", {}).get(q.name)) for letter, _, _, told in each]
        parts = [f"{letter} {plain_text(units.measured(x['value'], (x['k'] or 2.0) * x['u'], q.unit, decimals))}"
                 for letter, x in own if x is not None]  # fmt: skip
        how = "speed over fuel flow" if q.name == "economy" else "weighted by what is each session's own uncertainty"
        how = "economy times the fuel in the tanks" if q.name == "range" else how
        say(f"{printed}; {', '.join(parts)}" + (f"; {how}" if len(parts) > 1 else ""), label=f"  {q.name}", err=False)


def _settings(session: Session, summary: Summary, config_path: Path | None) -> Config:
    """Return the settings that the result was made with; refuse others, and raw files that are others by now."""
    config = session.config if config_path is None else read_config(config_path)[0]
    if config_hash(config) != summary.config_hash:
        raise TrialCaptureError(
            "the result was made with other settings, so these cannot explain it",
            seen=f"settings {config_hash(config)[:12]}…, and {summary.config_hash[:12]}… in the result",
            where=str(session.folder / "reduction" / "summary.json"),
            expected="give those it was processed with by --config (and --plan's file put into them), or process again",
        )
    for file in summary.raw:
        path = session.folder / file.path
        if file.path.startswith("raw/notes"):
            continue  # read anew, and noted after processing as before
        if not path.is_file() or hash_file(path)[0] != file.sha256:
            raise TrialCaptureError(
                "a raw file is not the one that the result was made of",
                seen="another content" if path.is_file() else "no such file",
                where=file.path,
                expected=f"process the session again: trialcapture process {session.folder}",
            )
    return config


def _explained(session: Session, frames: TrialFrames, config: Config, what: str) -> dict[str, Any]:
    bands, legs, segments = (
        [_plain(row) for row in frame.to_dict("records")] for frame in (frames.bands, frames.legs, frames.segments)
    )
    band, chosen = _chosen(what, bands, legs, segments)
    intervals = [(leg["start"].value, leg["stop"].value) for leg in chosen]
    with shown_progress() as progress:
        places = find_raw_places(session, config, marks_of(read_notes(session)), intervals, progress)
    summary = frames.summary
    used = {leg["segment_id"] for leg in legs}
    refused = [s for s in segments if band is not None and s["segment_id"] not in used and _tried(s, band)]
    return {
        "session": session.id,
        "band": None if band is None else _band(band, summary),
        "legs": [_leg(leg) | {"raw": asdict(place)} for leg, place in zip(chosen, places, strict=True)],
        "refused": [{"leg": s["segment_id"], "start": _iso(s["start"]), "reason": s["reason"]} for s in refused],
        "corrections": _corrections(band, summary),
        "clocks": [asdict(clock) for clock in summary.clocks],
    }


def _plain(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return a row of a frame with None where nothing is known."""
    return {
        str(key): None if value is None or value != value else value  # noqa: PLR0124  NaN and NaT differ from themselves
        for key, value in row.items()
    }


def _chosen(
    what: str, bands: Sequence[dict[str, Any]], legs: Sequence[dict[str, Any]], segments: Sequence[dict[str, Any]]
) -> tuple[dict[str, Any] | None, list[dict[str, Any]]]:
    """Return the band asked for, None for a leg of no band, and its legs or the one leg asked for."""
    text = " ".join(what.strip().split())
    as_leg = re.fullmatch(r"(?:leg|stretch)\s+(\d+)\*?", text, re.IGNORECASE)
    number = re.fullmatch(r"(\d+(?:\.\d+)?)(?:\s*rpm)?", text, re.IGNORECASE)
    if not as_leg:
        rpm = float(number[1]) if number else math.nan
        for row in bands:
            if row["band_name"].lower() == text.lower() or (row["band_rpm"] is not None and row["band_rpm"] == rpm):
                return row, [leg for leg in legs if leg["band_name"] == row["band_name"]]
    wanted = as_leg[1] if as_leg else text if text.isdigit() else ""
    if wanted:
        leg_no = int(wanted)
        for leg in legs:
            if leg["segment_id"] == leg_no:
                return next(row for row in bands if row["band_name"] == leg["band_name"]), [leg]
        for segment in segments:
            if segment["segment_id"] == leg_no:
                return None, [segment]
    raise TrialCaptureError(
        "no row and no leg is called so",
        seen=what,
        expected=f"a band ({', '.join(row['band_name'] for row in bands) or 'there is none'}) or the number of a leg, "
        f"1 to {len(segments)}",
    )


def _tried(segment: Mapping[str, Any], band: Mapping[str, Any]) -> bool:
    """Return whether a refused stretch was a try at a band."""
    rpm, low, high = segment["rpm_mean"], band["rpm_low"], band["rpm_high"]
    if None in (rpm, low, high) or str(segment["reason"]).split(":")[0] in NOT_DRIVEN:
        return False
    return bool(0.99 * low <= rpm <= 1.01 * high)


def _band(row: Mapping[str, Any], summary: Summary) -> dict[str, Any]:
    budget = next((b for b in summary.budgets if b.band_name == row["band_name"]), None)
    quantities = {}
    for quantity in BAND_QUANTITIES:
        if row[quantity.value] is None:
            continue
        of = None if budget is None else budget.of(quantity.name)
        quantities[quantity.name] = {
            "value": row[quantity.value], "u": row[quantity.u], "k": row[quantity.k], "unit": quantity.unit,
            "terms": [] if of is None else [asdict(term) for term in sorted(of.terms, key=lambda t: -t.u)],
        }  # fmt: skip
    keys = ("band_rpm", "band_name", "rpm_mean", "legs", "ways", "flags", "current_kn", "current_towards_deg")
    return {key: row[key] for key in keys} | {"quantities": quantities}


def _leg(leg: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was measured on a leg and what was done to it; a refused stretch has its reason."""
    sog, course, heading = (leg.get(k) for k in ("sog_kn_mean", "cog_true_deg_mean", "heading_true_deg_mean"))
    along = sog
    if sog is not None and course is not None and heading is not None:
        along = sog * math.cos(math.radians(course - heading))
    current, through = leg.get("current_along_kn"), leg.get("through_water_kn")
    told: dict[str, Any] = {
        "leg": leg["segment_id"], "start": _iso(leg["start"]), "stop": _iso(leg["stop"]),
        "duration_s": leg["duration_s"], "heading_true_deg": heading, "course_true_deg": course,
        "rpm_mean": leg.get("rpm_mean"), "over_ground_kn": sog, "over_ground_u_kn": leg.get("sog_u_kn"),
        "n_eff": leg.get("n_eff"), "fuel_l_per_h": leg.get("fuel_l_per_h_mean"),
        "wind_speed_true_kn": leg.get("wind_speed_true_kn_mean"),
        "wind_from_true_deg": leg.get("wind_from_true_deg_mean"),
        "depth_m_min": leg.get("depth_m_min"), "depth_froude": leg.get("depth_froude"), "trim": leg.get("trim"),
    }  # fmt: skip
    if through is None:
        return told | {"accepted": False, "reason": str(leg.get("reason") or "in no row of the table")}
    rest = None if along is None or current is None else through - (along - current)
    return told | {
        "accepted": True, "band_name": leg["band_name"], "run": leg["run"], "sequence": leg["sequence"],
        "along_heading_kn": along, "current_along_kn": current, "matched_kn": rest, "through_water_kn": through,
        "residual_kn": leg.get("residual_kn"), "weight": leg.get("weight"),
    }  # fmt: skip


def _corrections(band: Mapping[str, Any] | None, summary: Summary) -> dict[str, Any]:
    """Return what was done to every leg alike."""
    name = None if band is None else band["band_name"]
    still_air = next((b for b in summary.still_air.bands if b.band_name == name), None)
    calibration, evidence = summary.fuel.calibration, summary.current
    return {
        "current_pairs": [asdict(pair) for pair in evidence.pairs if pair.band_name == name],
        "heading_offset_deg": evidence.heading_offset_deg,
        "still_air": None if still_air is None else asdict(still_air),
        "fuel_calibration": None if calibration is None else asdict(calibration),
        "fuel_uncalibrated_u_pct": summary.fuel.uncalibrated_u_pct,
    }


def _iso(stamp: Any) -> str:
    return iso_utc(stamp.value)


# ------------------------------------------------------------------------------
# On the screen.
# ------------------------------------------------------------------------------


def _show(told: Mapping[str, Any], bands: Sequence[Mapping[str, Any]], units: ReaderUnits) -> None:
    band, legs = told["band"], told["legs"]
    if band is not None:
        _show_band(band, bands, len(legs), units)
    for leg in legs:
        tell()
        _show_leg(leg, units)
    if told["refused"]:
        tell()
        tell("Tried at this engine speed and refused:")
        for s in told["refused"]:
            say(f"{s['start'][11:19]} UTC, {s['reason']}", label=f"  leg {s['leg']}", err=False)
    if band is not None:
        tell()
        tell("Done to every leg:")
        _show_corrections(told["corrections"], band)
    tell()
    tell("Clocks, UTC less the source's own time:")
    for clock in told["clocks"]:
        offset = "not placed" if clock["offset_s"] is None else f"{clock['offset_s']:+.3f} s"
        u = "" if clock["offset_u_s"] is None else f", u {clock['offset_u_s']:.3f} s"
        say(f"{offset}{u}, {clock['method'] or ''}: {clock['quality'] or ''}", label=f"  {clock['source']}", err=False)


def _show_band(band: Mapping[str, Any], bands: Sequence[Mapping[str, Any]], legs: int, units: ReaderUnits) -> None:
    ways = "both ways" if band["ways"] == 2 else "one way"
    shown = "" if legs == band["legs"] else f", {legs} shown"
    tell(f"{band['band_name']}: {plural(band['legs'], 'leg')}, {ways}{shown}")
    in_table = {quantity.name: quantity for quantity in BAND_QUANTITIES}
    for name, q in band["quantities"].items():
        # one decimal more than is printed in a table
        d, k = in_table[name].usual + 1, q["k"] or 2.0
        as_printed = partial(quantity_decimals, in_table[name], plain=bands)
        printed = plain_text(units.measured(q["value"], k * q["u"], q["unit"], as_printed))
        line = f"{printed}; {q['value']:.{d}f} {q['unit']}, u {q['u']:.{d}f}, k {k:.2f}"
        terms = [f"{t['name']} {t['u']:.{d + 1}f}" for t in q["terms"][:_TERMS_SHOWN] if t["u"] > 0]
        more = len([t for t in q["terms"] if t["u"] > 0]) - len(terms)
        made = f"; u by {', '.join(terms)}" + (f" and {more} more" if more > 0 else "") if terms else ""
        say(f"{line}{made}", label=f"  {name}", err=False)
    if band["flags"]:
        say(band["flags"].replace(";", ", "), label="  flags", err=False)


def _show_leg(leg: Mapping[str, Any], units: ReaderUnits) -> None:
    way = leg["heading_true_deg"] if leg["heading_true_deg"] is not None else leg["course_true_deg"]
    on = "" if way is None else f" on {way:03.0f}°"
    held = f"{leg['start'][:19].replace('T', ' ')} to {leg['stop'][11:19]} UTC, {leg['duration_s']:.1f} s{on}"
    say(held, label=f"leg {leg['leg']}", err=False)
    if not leg["accepted"]:
        say(leg["reason"], label="  left out", err=False)
    else:
        current, rest = leg["current_along_kn"], leg["matched_kn"]
        said = f"{leg['over_ground_kn']:.3f} kn (u {leg['over_ground_u_kn']:.3f})"
        if current is not None and rest is not None:
            said += f"; along her heading {leg['along_heading_kn']:.3f}; less the current {current:+.3f}"
            said += f"; brought to the row's engine speed, and wind one way taken out {rest:+.3f}"
        say(said, label="  over ground", err=False)
        said = f"{leg['through_water_kn']:.3f} kn; weight {leg['weight'] or 0.0:.3f} in the row's engine speed and fuel"
        if leg["residual_kn"] is not None:
            said += f"; {leg['residual_kn']:+.3f} kn off what all other runs predict"
        say(said, label="  through water", err=False)
    parts = []
    for key, name, unit, decimals in (
        ("rpm_mean", "engine speed", "rpm", 1), ("fuel_l_per_h", "fuel", "L/h", 2),
        ("wind_speed_true_kn", "wind", "kn", 1), ("depth_m_min", "least depth", "m", 1),
    ):  # fmt: skip
        if leg[key] is not None:
            parts.append(f"{name} {plain_text(units.say(leg[key], unit, decimals))}")
    if leg["depth_froude"] is not None:
        parts.append(f"depth Froude number {leg['depth_froude']:.2f}")
    if parts:
        say("; ".join(parts), label="  measured", err=False)
    for found in leg["raw"]["lines"]:
        counts = ", ".join(f"{n} {name}" for name, n in found["sentences"].items())
        packed = " of what it holds unpacked" if found["is_packed"] else ""
        where = f"lines {found['first_line']} to {found['last_line']}, bytes {found['first_byte']} to "
        say(f"{where}{found['stop_byte']}{packed}: {counts}", label=f"  {found['file']}", err=False)
    for found in leg["raw"]["rows"]:
        rows = f"rows {found['first_row']} to {found['last_row']} ({found['rows']})"
        say(f"{rows}, UTC less log time {found['offset_s']:+.2f} s", label=f"  {found['file']}", err=False)


def _show_corrections(made: Mapping[str, Any], band: Mapping[str, Any]) -> None:
    if band["current_kn"] is not None:
        size = f"{band['current_kn']:.2f} kn towards {band['current_towards_deg'] or 0.0:03.0f}°, fitted to all runs"
        pairs = [f"{p['method']} at {p['t'][11:16]} shows {p['along_kn']:+.2f} kn along" for p in made["current_pairs"]]
        say("; ".join([size, *pairs]), label="  current", err=False)
    else:
        say("not known, none taken out", label="  current", err=False)
    offset = made["heading_offset_deg"]
    if offset is not None:
        say(f"the compass reads {offset:+.1f}° low, taken out", label="  heading", err=False)
    air = made["still_air"]
    if air is not None:
        said = f"{air['wind_kn']:.0f} kn; the row is in the wind of the trial; in still air"
        say(f"{said} {-air['difference_kn']:+.2f} kn (u {air['u_kn']:.2f}), not applied", label="  wind", err=False)
    say("nothing is corrected for depth; flags say where it matters", label="  depth", err=False)
    calibration = made["fuel_calibration"]
    said = "uncalibrated" if calibration is None else f"shown x {calibration['factor']:g} ({calibration['origin']})"
    say(said, label="  fuel", err=False)
