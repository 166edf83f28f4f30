"""The tables behind the result as text: legs, clocks, data read, load, conditions, budgets, checks, raw files."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.report.answers import at
from trialcapture.report.arrow_columns import rows
from trialcapture.report.band_table import QUANTITIES, STAR
from trialcapture.report.format import (
    DASH,
    band_label,
    clock,
    column_decimals,
    degrees,
    duration,
    fixed,
    general,
    grouped,
    label_and_unit,
    number,
    plus_minus,
    sentence,
    span,
    words,
)


def common_trim(legs: pa.Table | None) -> str:
    """Return the trim every leg was run with; "" where legs differ or one is not noted."""
    trims = {r.get("trim") for r in rows(legs)}
    return str(*trims) if len(trims) == 1 and None not in trims else ""


def leg_rows(legs: pa.Table | None, stars: Collection[int] = ()) -> list[dict[str, str]]:
    """Return the accepted stretches as text, in the order sailed, a star behind the number of those in `stars`."""
    plain = sorted(rows(legs), key=lambda r: r.get("start") or 0)
    decimals = column_decimals([r.get("sog_u_kn") for r in plain], usual=2, most=2)
    made = []
    for r in plain:
        made.append(
            {
                "number": fixed(r.get("segment_id"), 0) + (STAR if r.get("segment_id") in stars else ""),
                "band": band_label(r),
                "start": clock(r.get("start")),
                "held": duration(r.get("duration_s")),
                "heading": degrees(r.get("heading_true_deg_mean")),
                "course": degrees(r.get("cog_true_deg_mean")),
                "rpm": fixed(r.get("rpm_mean"), 0),
                "sog": fixed(r.get("sog_kn_mean"), decimals),
                "sog_pm": plus_minus(r.get("sog_u_kn"), decimals, dash=""),
                "through": fixed(r.get("through_water_kn"), decimals),
                "fuel": fixed(r.get("fuel_l_per_h_mean"), 1),
                "depth": fixed(r.get("depth_m_min"), 1),
                "trim": str(r.get("trim") or "not noted"),
            }
        )
    return made


def clock_rows(clocks: pa.Table | None) -> list[dict[str, str]]:
    """Return how each source was placed on UTC, as text."""
    made = []
    for r in rows(clocks):
        u, du = r.get("offset_u_s"), r.get("drift_u_ppm")
        decimals = column_decimals([u], usual=2, most=3)
        drift_decimals = column_decimals([du], usual=1, most=1)
        made.append(
            {
                "source": str(r.get("source") or DASH),
                "offset": fixed(r.get("offset_s"), decimals),
                "offset_pm": plus_minus(u, decimals, dash=""),
                "drift": fixed(r.get("drift_ppm"), drift_decimals),
                "drift_pm": plus_minus(du, drift_decimals, dash=""),
                "method": str(r.get("method") or DASH),
                "quality": str(r.get("quality") or DASH),
            }
        )
    return made


def reject_rows(rejects: pa.Table | None) -> list[dict[str, str]]:
    """Return the lines not used, counted by source and reason, the commonest first.

    Args:
        rejects: ``source``, ``reason`` and how many of them as ``count``.
    """
    counted = rows(rejects)
    ranked = sorted(counted, key=lambda r: (-r["count"], str(r["source"]), str(r["reason"])))
    return [
        {
            "source": str(r["source"] or DASH),
            "reason": words(str(r["reason"] or DASH)),
            "count": grouped(r["count"]),
        }
        for r in ranked
    ]


_FAULTS = (
    ("disagreements", "Contradiction"),
    ("stuck", "Stood still"),
    ("spikes", "Lone wrong readings"),
    ("clock_steps", "Clock set"),
    ("restarts", "Restart"),
    ("holes", "No data"),
    ("rejected", "Not used"),
    ("undecoded", "Not decoded"),
    ("readings_rounded_to", "Steps of a reading"),
)
_MOST_OF_A_KIND = 24


def health_rows(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return what is wrong with the data, fault by fault, those of one kind together; the first two dozen of each."""
    made = []
    for key, kind in _FAULTS:
        found = [item for item in at(summary, "data_health", key) or [] if isinstance(item, Mapping)]
        for item in found[:_MOST_OF_A_KIND]:
            what = str(item.get("what") or item.get("sentence") or DASH)
            made.append({"kind": kind, "what": what, "text": sentence(str(item.get("text") or ""))})
        if len(found) > _MOST_OF_A_KIND:
            more = f"{len(found) - _MOST_OF_A_KIND} more stand in summary.json."
            made.append({"kind": kind, "what": DASH, "text": more})
    return made


def sentence_counts(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the sentences read, by source and type; types met in damaged sentences alone are added up a source."""
    read = [r for r in at(summary, "counts") or [] if isinstance(r, Mapping)]
    made, damaged = [], dict.fromkeys((str(r.get("source") or DASH) for r in read), 0)
    for r in read:
        source = str(r.get("source") or DASH)
        if not number(r.get("good")) and not number(r.get("not_decoded")):
            damaged[source] += int(number(r.get("bad")) or 0)
            continue
        kind = f"{r.get('talker') or ''}{r.get('formatter') or ''}" or DASH
        counts = {name: grouped(r.get(name)) for name in ("good", "bad", "not_decoded")}
        made.append({"source": source, "type": kind} | counts)
    none = {"good": "0", "not_decoded": "0"}
    made += [{"source": s, "type": "damaged", "bad": grouped(n)} | none for s, n in damaged.items() if n]
    return sorted(made, key=lambda r: r["source"])


def load_sheet(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the load sheet as text, with its sum as printed."""
    items = [i for i in at(summary, "load", "items") or [] if isinstance(i, Mapping)]
    return {
        "items": [(str(i.get("name") or "unnamed"), grouped(i.get("kg"))) for i in items],
        "total": grouped(at(summary, "load", "displacement_kg")),
        "missing": [str(m) for m in at(summary, "load", "missing") or []],
    }


def budget_table(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the uncertainty budgets as two tables, of speed [kn] and of fuel flow [L/h], standard uncertainties.

    Returns:
        ``speed`` and ``fuel``, each with ``names`` of the terms and a row a band.
    """
    budgets = [b for b in at(summary, "budgets") or [] if isinstance(b, Mapping)]
    return {
        "speed": _budget(budgets, "terms", "u_kn", "speed_u_kn", 3, QUANTITIES[0]),
        "fuel": _budget(budgets, "fuel_terms", "u_l_per_h", "fuel_u_l_per_h", 2, QUANTITIES[1]),
    }


def _budget(
    budgets: list[Mapping[str, Any]],
    terms_key: str,
    u_key: str,
    total_key: str,
    decimals: int,
    quantity: tuple[str, str, str, str, int, int],
) -> dict[str, Any]:
    """Return one budget as text, its ± with the decimals of the band table."""
    names = list(dict.fromkeys(str(t.get("name")) for b in budgets for t in b.get(terms_key) or []))
    terms = [{str(t.get("name")): number(t.get(u_key)) for t in b.get(terms_key) or []} for b in budgets]
    totals = [_total(b.get(total_key), list(t.values())) for b, t in zip(budgets, terms, strict=True)]
    printed = column_decimals(totals, usual=quantity[4], most=quantity[5])
    return {
        "names": [words(name) for name in names],
        "rows": [
            {
                "band": band_label(b),
                "terms": [fixed(t.get(name), decimals) for name in names],
                "combined": fixed(total, decimals),
                "expanded": plus_minus(total, printed),
            }
            for b, t, total in zip(budgets, terms, totals, strict=True)
            if names
        ],
    }


def _total(given: Any, terms: list[float | None]) -> float | None:
    """Return the combined standard uncertainty: as given, else the root of the sum of squares (GUM 5.1.2)."""
    if number(given) is not None:
        return number(given)
    known = [u for u in terms if u is not None]
    return float(np.sqrt(np.sum(np.square(known)))) if known else None


def method_rows(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return per band the speed by pairs alone beside the speed by the fit to all runs."""
    return [
        {
            "band": band_label(m),
            "method": str(m.get("method") or DASH),
            "classical": fixed(m.get("classical_kn"), 2),
            "fit": fixed(m.get("fit_kn"), 2),
            "difference": fixed(m.get("difference_kn"), 3),
            "allowed": fixed(m.get("allowed_kn"), 3),
            "agree": "yes" if m.get("agree") else "no",
        }
        for m in at(summary, "current", "methods") or []
        if isinstance(m, Mapping)
    ]


def plausibility_rows(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the figures an engineer looks at first, beside what is usual."""
    made = []
    for p in at(summary, "plausibility") or []:
        if not isinstance(p, Mapping):
            continue
        usual = p.get("usual") or []
        ok = p.get("ok")
        unit = str(p.get("unit") or "").replace("^(2/3)", "^⅔").replace("^3", "³")
        made.append(
            {
                "name": str(p.get("name") or DASH),
                "value": f"{general(p.get('value'), 3)} {unit}".removesuffix(" 1"),
                "usual": f"{general(usual[0], 3)} to {general(usual[1], 3)}" if len(usual) == 2 else DASH,
                "verdict": DASH if ok is None else "usual" if ok else "unusual",
            }
        )
    return made


def raw_files(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the raw files with size and SHA-256."""
    return [
        {"path": str(r.get("path") or DASH), "bytes": grouped(r.get("bytes")), "sha256": str(r.get("sha256") or DASH)}
        for r in at(summary, "raw") or []
        if isinstance(r, Mapping)
    ]


def standard_error_rows(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the standard error of the mean speed by effective sample size and by blocking, band by band.

    Returns:
        ``rows``, the last of them of all legs together, and ``factor``, beyond which the two count as different.
    """
    found = [e for e in at(summary, "statistics", "standard_errors", "bands") or [] if isinstance(e, Mapping)]
    together = at(summary, "statistics", "standard_errors", "all")
    named = [(band_label(e), e) for e in found]
    if isinstance(together, Mapping) and len(found) > 1:
        named.append(("all", together))
    kinds = ("n_eff_u_kn", "blocking_u_kn")
    decimals = max(column_decimals([number(e.get(kind)) for _, e in named], usual=3, most=3) for kind in kinds)
    return {
        "factor": general(at(summary, "statistics", "standard_errors", "factor"), 2),
        "rows": [
            {
                "band": name,
                "n_eff": fixed(e.get("n_eff_u_kn"), decimals),
                "blocking": fixed(e.get("blocking_u_kn"), decimals),
                "ratio": fixed(e.get("ratio"), 2),
                "blocks": fixed(e.get("blocks"), 0),
                "agree": DASH if e.get("agree") is None else "yes" if e.get("agree") else "no",
            }
            for name, e in named
        ],
    }


def regime_rows(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the Froude numbers of each band and how it was judged; empty where no band has either number."""
    found = [e for e in at(summary, "regimes", "bands") or [] if isinstance(e, Mapping)]
    kinds = ("volumetric_froude", "length_froude")
    if not any(number(e.get(kind)) is not None for e in found for kind in kinds):
        return []
    return [
        {
            "band": band_label(e),
            "volumetric": fixed(e.get("volumetric_froude"), 2),
            "length": fixed(e.get("length_froude"), 2),
            "regime": str(e.get("regime") or DASH),
        }
        for e in found
    ]


_NAMED: tuple[tuple[str, str, str, int], ...] = (
    ("wave_height_m", "Wave height", "m", 1),
    ("sea_state", "Sea state, WMO code", "", 0),
    ("depth_m_min", "Least depth", "m", 1),
    ("water_temp_c", "Water temperature", "°C", 1),
    ("water_density_kg_per_m3", "Water density", "kg/m³", 1),
)
"""Key, label, unit, decimals."""
_TOLD = (
    "start",
    "stop",
    "place",
    "wind_speed_true_kn_mean",
    "wind_speed_true_kn_max",
    "wind_from_true_deg",
    "wind_beaufort_max",
)


def conditions_line(summary: Mapping[str, Any]) -> str:
    """Return day, place, wind, sea and depth in one line."""
    c = at(summary, "conditions") or {}
    said = dict(condition_items(summary))
    parts = [said[k] for k in ("Time of the legs", "Place") if k in said]
    if "Wind, true" in said:
        parts.append("wind " + said["Wind, true"])
    parts += [
        f"{text} {said[label]}"
        for label, text in (("Wave height", "waves"), ("Least depth", "depth from"))
        if label in said
    ]
    if "Wave height" not in said and number(c.get("sea_state")) is not None:
        parts.append(f"sea state {fixed(c['sea_state'], 0)}")
    return "; ".join(parts)


def wind(c: Mapping[str, Any]) -> str:
    """Return "8.1 kn from 285°, at most 11.0 kn (Beaufort 4)"; "" without a wind."""
    mean, most = number(c.get("wind_speed_true_kn_mean")), number(c.get("wind_speed_true_kn_max"))
    if mean is None and most is None:
        return ""
    text = f"{fixed(mean if mean is not None else most, 1)} kn"
    if number(c.get("wind_from_true_deg")) is not None:
        text += f" from {degrees(c['wind_from_true_deg'])}"
    if mean is not None and most is not None and fixed(most, 1) != fixed(mean, 1):
        text += f", at most {fixed(most, 1)} kn"
    force = number(c.get("wind_beaufort_max"))
    return text if force is None else f"{text} (Beaufort {fixed(force, 0)})"


def condition_items(summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the conditions as label and value; what was neither measured nor stated is left to the list of gaps."""
    flat = _flatten(at(summary, "conditions") or {})
    items: list[tuple[str, str]] = []
    if flat.get("start"):
        items.append(("Time of the legs", span(flat["start"], flat.get("stop"))))
    if flat.get("place"):
        items.append(("Place", str(flat["place"])))
    if wind(flat):
        items.append(("Wind, true", wind(flat)))
    for key, label, unit, decimals in _NAMED:
        if number(flat.get(key)) is not None:
            items.append((label, f"{fixed(flat[key], decimals)} {unit}".strip()))
    named = {key for key, *_ in _NAMED} | set(_TOLD)
    for key, value in flat.items():
        if key in named or value is None or value in ("", [], ()):
            continue
        label, unit = label_and_unit(key)
        items.append((label[:1].upper() + label[1:], plain_value(value, unit)))
    return items


def plain_value(value: Any, unit: str = "") -> str:
    """Return any JSON value as text, with its unit."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(plain_value(item, unit) for item in value)
    if number(value) is not None:
        if unit == "° true":
            return f"{degrees(value)} true"
        return f"{general(value, 3)}{'' if unit in ('', '°') else ' '}{unit}"
    return DASH if value is None else str(value)


def _flatten(data: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in data.items():
        if isinstance(value, Mapping):
            flat.update(_flatten(value, f"{prefix}{key}_"))
        else:
            flat[f"{prefix}{key}"] = value
    return flat
