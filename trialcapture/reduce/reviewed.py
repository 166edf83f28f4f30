"""The result as people reviewed it beside the automatic one, band by band."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, cast

import pyarrow as pa

from trialcapture.buffers import column_of
from trialcapture.prepare.steady.segment_review import ReviewEntry, review_segments, without_review
from trialcapture.reduce.bands import join_names
from trialcapture.reduce.summary import (
    AutomaticAnswers,
    BandComparison,
    ComparedBand,
    Findings,
    ReviewChange,
    ReviewComparison,
    TrialWarning,
)
from trialcapture.reduce.tables import warn

COMPARED = (
    "band_rpm", "band_name", "legs", "ways", "speed_kn", "speed_u_kn", "fuel_l_per_h", "fuel_u_l_per_h",
    "economy_nm_per_l", "economy_u_nm_per_l", "range_nm", "range_u_nm",
    "speed_k", "fuel_k", "economy_k", "range_k",
)  # fmt: skip
"""Columns of the band table that are shown twice."""
Result = tuple[pa.Table, pa.Table, Findings]
"""Bands, legs and findings of one reduction."""
Tables = tuple[pa.Table, pa.Table]
"""Bands and legs."""


def reduce_reviewed(
    segments: pa.Table, entries: Sequence[ReviewEntry], reduce: Callable[[pa.Table], Result]
) -> tuple[pa.Table, Result]:
    """Reduce a trial as people reviewed it, and once more without them where they changed something.

    Args:
        segments: As prepared.
        entries: Review entries in the order they were written.
        reduce: Reduces a segments table.

    Returns:
        The segments with the review's columns, and the reviewed result. Its findings have ``review``: None where the
        result is the automatic one, else what was changed, why and by whom, with both results beside each other.
    """
    review = review_segments(segments, entries)
    bands, legs, found = automatic = reduce(without_review(review.segments))
    if review.changes:
        bands, legs, found = reduce(review.segments)
        bands, compared = compare_results(automatic[:2], (bands, legs))
        where = [_either(row).band_name for row in compared if row.changed]
        before = automatic[2]
        answers = AutomaticAnswers(
            before.top_speed, before.economy_planing, before.economy_displacement, before.economy_overall
        )
        changes = tuple(ReviewChange(**change) for change in review.changes)
        marked = (warn("reviewed", join_names(where)),) if where else ()
        comparison = ReviewComparison(review.entries, changes, compared, answers)
        found = replace(found, review=comparison, warnings=(*found.warnings, *marked))
    told = tuple(TrialWarning(**cast(dict[str, Any], warning)) for warning in review.warnings)
    return review.segments, (bands, legs, replace(found, warnings=(*found.warnings, *told)))


def compare_results(automatic: Tables, reviewed: Tables) -> tuple[pa.Table, tuple[BandComparison, ...]]:
    """Return the reviewed bands with those marked that were changed, and the rows of both results side by side.

    A band counts as changed where it is made of other stretches than its automatic counterpart: the band that shares
    most of its stretches, else the one of the same name, else the one nearest in speed where engine speed is unknown.
    Its row gets the flag ``reviewed``. Other rows may differ a little too, because all runs tell the current.

    Args:
        automatic: Bands and legs of the segments as prepared.
        reviewed: Same of the segments as people reviewed them.
    """
    before, after = _rows(automatic), _rows(reviewed)
    pairs = _matched(before, after)
    rows: list[BandComparison] = []
    changed: list[bool] = [False] * len(after)
    for b, new in enumerate(after):
        old = before[pairs[b]] if b in pairs else None
        changed[b] = old is None or old["members"] != new["members"] or any(old[k] != new[k] for k in ("legs", "ways"))
        rows.append(BandComparison(_shown(old), _shown(new), changed[b]))
    gone = [row for a, row in enumerate(before) if a not in pairs.values()]
    rows += [BandComparison(_shown(row), None, changed=True) for row in gone]
    rows.sort(key=_place)
    return _marked(reviewed[0], changed), tuple(rows)


def _rows(result: Tables) -> list[dict[str, Any]]:
    bands, legs = result
    members: dict[str, set[int]] = {}
    for name, segment_id in zip(legs["band_name"].to_pylist(), legs["segment_id"].to_pylist(), strict=True):
        members.setdefault(name, set()).add(segment_id)
    return [row | {"members": members.get(row["band_name"], set())} for row in bands.select(COMPARED).to_pylist()]


def _matched(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> dict[int, int]:
    """Return the automatic row of each reviewed row that has one, the likest pairs first."""
    ranked = []
    for b, new in enumerate(after):
        for a, old in enumerate(before):
            shared = len(new["members"] & old["members"])
            nameless = new["band_rpm"] is None and old["band_rpm"] is None
            if shared or nameless or new["band_rpm"] == old["band_rpm"]:
                apart = abs(new["speed_kn"] - old["speed_kn"]) if nameless else 0.0
                ranked.append((-shared, new["band_rpm"] != old["band_rpm"], apart, b, a))
    pairs: dict[int, int] = {}
    for *_, b, a in sorted(ranked):
        if b not in pairs and a not in pairs.values():
            pairs[b] = a
    return pairs


def _shown(row: Mapping[str, Any] | None) -> ComparedBand | None:
    return None if row is None else ComparedBand(**{name: row[name] for name in COMPARED})


def _either(row: BandComparison) -> ComparedBand:
    shown = row.reviewed or row.automatic
    assert shown is not None
    return shown


def _place(row: BandComparison) -> tuple[bool, float]:
    shown = _either(row)
    rpm = shown.band_rpm
    return rpm is None, (shown.speed_kn or 0.0) if rpm is None else rpm


def _marked(bands: pa.Table, changed: list[bool]) -> pa.Table:
    flags = [
        ";".join(part for part in (told, "reviewed" if mark else "") if part)
        for told, mark in zip(bands["flags"].to_pylist(), changed, strict=True)
    ]
    index = bands.schema.get_field_index("flags")
    return bands.set_column(index, bands.schema.field(index), column_of(flags, pa.string()))
