"""What differs between two sets of results of one session by more than its printed digits, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.archive.fleet.fleet_archive import StoredResults
from trialcapture.reduce.tables import QUANTITY_COLUMNS, QUANTITY_UNITS
from trialcapture.report.format import DASH, decimals_for, expanded, fixed, number
from trialcapture.safe_text import clean_text

_ANSWERS = {
    "top_speed": ("top speed", "speed_kn", "speed_u_kn", "speed_k", "kn"),
    "fastest_seen": ("fastest seen", "speed_kn", "u_kn", "k", "kn"),
    "economy_planing": ("best economy on the plane", "economy_nm_per_l", "economy_u_nm_per_l", "economy_k", "nm/L"),
    "economy_displacement": (
        "best economy below planing", "economy_nm_per_l", "economy_u_nm_per_l", "economy_k", "nm/L"),
    "slowest_planing_speed": ("slowest planing speed", "speed_kn", "u_kn", "", "kn"),
}  # fmt: skip
"""Answers of a summary: what they are called, their keys of value, standard uncertainty and k, and the unit."""
_USUAL_DECIMALS = 3
"""Where no uncertainty tells how many digits a value is worth (our choice)."""


@dataclass(frozen=True, slots=True)
class ResultChange:
    """One printed figure that is another now.

    Attributes:
        where: The band, or the answer.
        what: The quantity, or ``±`` of it, or ``row``, ``warning``.
        before, after: As printed; a dash where there was none.
        unit: Of both.
    """

    where: str
    what: str
    before: str
    after: str
    unit: str = ""

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.where}: {self.what} {self.before} -> {self.after}{unit}"


@dataclass(frozen=True, slots=True)
class Derivation:
    """A set of results as far as it is compared with another: what it was made with and what it says.

    Attributes:
        made: Versions, settings, root.
        bands: `trialcapture.reduce.tables.BANDS_SCHEMA`, or that of an older version.
        summary: What ``summary.json`` holds, of whichever version.
    """

    made: StoredResults
    bands: pa.Table
    summary: Mapping[str, Any]


def find_changes(before: Derivation, after: Derivation) -> tuple[ResultChange, ...]:
    """Return every figure that is printed otherwise now: bands, answers, and which warnings stand.

    A value has the digits that two significant ones of its ± give it; a step of less than half of the last digit is no
    change, though rounding may print another one.
    """
    return (*_band_changes(before.bands, after.bands), *_answer_changes(before.summary, after.summary),
            *_warning_changes(before.summary, after.summary))  # fmt: skip


def find_causes(before: StoredResults, after: StoredResults) -> tuple[str, ...]:
    """Return what the two sets were made with that differs: versions of program and libraries, settings, files."""
    names = list(dict.fromkeys([*before.versions, *after.versions]))
    names.sort(key=lambda name: (name != "trialcapture", name))
    causes = []
    for name in names:
        old, new = (clean_text(of.versions.get(name, DASH)) for of in (before, after))
        if old != new:
            causes.append(f"{clean_text(name)} {old} -> {new}")
    if before.settings_sha256 != after.settings_sha256:
        causes.append("other settings")
    if before.root != after.root:
        causes.append("other files")
    return tuple(causes)


def _printed(value: Any, u: Any, k: Any) -> tuple[int, float | None, float | None]:
    """Return decimals, value and ± of a figure."""
    half = expanded(u, k)
    decimals = decimals_for(half) if half else _USUAL_DECIMALS
    return decimals, number(value), half


def _figure_changes(
    where: str, what: str, unit: str, before: tuple[Any, Any, Any], after: tuple[Any, Any, Any]
) -> Iterator[ResultChange]:
    old_decimals, old, old_half = _printed(*before)
    decimals, new, half = _printed(*after)
    if new is None:
        decimals = old_decimals
    if _differs(old, new, decimals):
        yield ResultChange(where, what, fixed(old, decimals), fixed(new, decimals), unit)
    if old is not None and new is not None and _differs(old_half, half, decimals):
        yield ResultChange(where, f"± of {what}", fixed(old_half, decimals), fixed(half, decimals), unit)


def _differs(old: float | None, new: float | None, decimals: int) -> bool:
    if old is None or new is None:
        return old is not new
    return fixed(old, decimals) != fixed(new, decimals) and abs(old - new) > 0.5 * 10.0**-decimals


def _band_changes(before: pa.Table, after: pa.Table) -> Iterator[ResultChange]:
    old, new = _rows_by_name(before), _rows_by_name(after)
    for name in dict.fromkeys([*new, *old]):
        a, b = old.get(name), new.get(name)
        if a is None or b is None:
            yield ResultChange(clean_text(name), "row", DASH if a is None else "there", DASH if b is None else "there")
            continue
        for quantity, (column, u_column) in QUANTITY_COLUMNS.items():
            figures = [(r.get(column), r.get(u_column), r.get(f"{quantity}_k")) for r in (a, b)]
            yield from _figure_changes(clean_text(name), quantity, QUANTITY_UNITS[quantity], *figures)
        if a.get("ways") != b.get("ways"):
            yield ResultChange(clean_text(name), "ways", str(a.get("ways")), str(b.get("ways")))
        flags = [set(str(r.get("flags") or "").split(";")) - {""} for r in (a, b)]
        if flags[0] != flags[1]:
            yield ResultChange(
                clean_text(name), "flags", *(clean_text(", ".join(sorted(f)) or DASH) for f in flags)
            )  # fmt: skip


def _rows_by_name(bands: pa.Table) -> dict[str, Mapping[str, Any]]:
    return {str(r.get("band_name") or f"{r.get('band_rpm')} rpm"): r for r in bands.to_pylist()}


def _answer_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[ResultChange]:
    for key, (name, value, u, k, unit) in _ANSWERS.items():
        a, b = (_entry(summary.get(key)) for summary in (before, after))
        figures = [(entry.get(value), entry.get(u), entry.get(k)) for entry in (a, b)]
        yield from _figure_changes(name, "value", unit, *figures)
        bands = [clean_text(str(entry.get("band_name") or DASH)) for entry in (a, b)]
        if a and b and bands[0] != bands[1]:
            yield ResultChange(name, "band", *bands)
    measured = [
        {str(m.get("name")): _entry(m.get("answer")) for m in map(_entry, _entries(s.get("measures")))}
        for s in (before, after)
    ]
    for name in dict.fromkeys([*measured[1], *measured[0]]):
        a, b = (of.get(name, {}) for of in measured)
        figures = [(entry.get("value"), entry.get("u"), entry.get("coverage_factor")) for entry in (a, b)]
        unit = str((b or a).get("unit") or "")
        yield from _figure_changes(clean_text(name), "value", clean_text(unit), *figures)


def _warning_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[ResultChange]:
    said = []
    for summary in (before, after):
        entries = map(_entry, _entries(summary.get("warnings")))
        said.append({(str(w.get("code")), str(w.get("where") or "")): str(w.get("text") or "") for w in entries})
    for key in dict.fromkeys([*said[1], *said[0]]):
        if (key in said[0]) != (key in said[1]):
            where = clean_text(f"{key[0]} {key[1]}".strip())[:120]
            sides = ["stands" if key in of else DASH for of in said]
            yield ResultChange(where, "warning", *sides)


def _entry(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _entries(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list) else []
