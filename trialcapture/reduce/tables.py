"""The tables a reduction hands out, with their schemas and their CSV, and the flags that stand in them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, NamedTuple

import pyarrow as pa

from trialcapture.reduce.summary import Measured, Quantity, Severity, TrialWarning
from trialcapture.safe_text import spreadsheet_text

# name, unit, decimals in CSV
_BANDS = (
    ("band_rpm", "rpm", 0), ("rpm_low", "rpm", 0), ("rpm_high", "rpm", 0), ("rpm_mean", "rpm", 1),
    ("legs", "1", None), ("ways", "1", None), ("speed_kn", "kn", 3), ("speed_u_kn", "kn", 4), ("stw_kn", "kn", 3),
    ("current_kn", "kn", 3), ("current_towards_deg", "deg", 1), ("fuel_l_per_h", "l/h", 3),
    ("fuel_u_l_per_h", "l/h", 4), ("economy_nm_per_l", "nm/l", 5), ("economy_u_nm_per_l", "nm/l", 6),
    ("range_nm", "nm", 2), ("range_u_nm", "nm", 3), ("slip_pct", "%", 2), ("depth_froude_max", "1", 4),
)  # fmt: skip
QUANTITY_COLUMNS = {
    "speed": ("speed_kn", "speed_u_kn"),
    "fuel": ("fuel_l_per_h", "fuel_u_l_per_h"),
    "economy": ("economy_nm_per_l", "economy_u_nm_per_l"),
    "range": ("range_nm", "range_u_nm"),
}
"""Columns of value and standard uncertainty of the quantities that have a budget."""
QUANTITY_UNITS = {"speed": "kn", "fuel": "L/h", "economy": "nm/L", "range": "nm"}
"""Units of these quantities, as they are printed."""
_COLUMN_UNITS = {"speed": ("kn", 4), "fuel": ("l/h", 4), "economy": ("nm/l", 6), "range": ("nm", 3)}
_BUDGETS = tuple(
    column
    for name, (unit, decimals) in _COLUMN_UNITS.items()
    for column in (
        (f"{name}_k", "1", 3), (f"{name}_u_own", unit, decimals), (f"{name}_u_common", unit, decimals),
        (f"{name}_dof_own", "1", 1),
    )
)  # fmt: skip
_LEGS_BEFORE = (("band_rpm", "rpm", 0), ("rpm_mean", "rpm", 1))
_LEGS = (
    ("duration_s", "s", 1), ("rpm_sd", "rpm", 2), ("sog_kn_mean", "kn", 4), ("sog_kn_sd", "kn", 4),
    ("sog_u_kn", "kn", 5), ("sog_slope_kn_per_min", "kn/min", 4), ("n_eff", "1", 1),
    ("heading_true_deg_mean", "deg", 2), ("cog_true_deg_mean", "deg", 2), ("stw_kn_mean", "kn", 3),
    ("through_water_kn", "kn", 4), ("current_along_kn", "kn", 4), ("residual_kn", "kn", 4), ("weight", "1", 4),
    ("fuel_l_per_h_mean", "l/h", 3), ("fuel_u_l_per_h", "l/h", 4), ("depth_m_min", "m", 2), ("depth_froude", "1", 4),
    ("wind_speed_true_kn_mean", "kn", 2), ("wind_from_true_deg_mean", "deg", 1), ("pitch_deg_mean", "deg", 2),
    ("water_temp_c_mean", "degc", 2),
)  # fmt: skip
_LEGS_AFTER = (
    ("depth_m_max", "m", 2), ("approach_step_kn", "kn", 2), ("since_change_s", "s", 1),
    ("sog_slope_u_kn_per_min", "kn/min", 4),
)  # fmt: skip


def _number(name: str, unit: str) -> pa.Field:
    kind = pa.int32() if name in ("legs", "ways") else pa.float64()
    return pa.field(name, kind, metadata={"unit": unit})


BANDS_SCHEMA = pa.schema(
    [
        *(_number(name, unit) for name, unit, _ in _BANDS),
        pa.field("flags", pa.string()),
        pa.field("band_name", pa.string(), metadata={"meaning": "what people call the row"}),
        _number("rpm_u", "rpm"),
        pa.field("session_id", pa.string()),
        *(_number(name, unit) for name, unit, _ in _BUDGETS),
        _number("slip_u_pct", "%"),
    ]
)
"""One row a band, ascending in rpm. ``rpm_low`` and ``rpm_high`` are the limits of a declared band, or the lowest and
highest leg of one found automatically. ``*_u_*`` are standard uncertainties, k=1; ``<quantity>_k`` is the coverage
factor that makes the printed ± of it, ``<quantity>_u_own`` and ``<quantity>_u_common`` are its parts, in the unit of
the quantity: each band's own, with ``<quantity>_dof_own`` degrees of freedom (null: infinite), and what all bands
share. ``rpm_u`` is what rounding by the tachometer leaves open in ``rpm_mean``. ``flags`` are codes of
`trialcapture.reduce.tables`, parted by ";"."""

LEGS_SCHEMA = pa.schema(
    [
        *(_number(name, unit) for name, unit, _ in _LEGS_BEFORE),
        pa.field("segment_id", pa.int32()),
        pa.field("run", pa.int32(), metadata={"meaning": "legs of one number were one pass"}),
        pa.field("sequence", pa.int32(), metadata={"meaning": "runs of one number were reduced together"}),
        pa.field("way", pa.int32(), metadata={"meaning": "+1 one way, -1 the other"}),
        pa.field("start", pa.timestamp("ns", "UTC")),
        pa.field("stop", pa.timestamp("ns", "UTC")),
        *(_number(name, unit) for name, unit, _ in _LEGS),
        pa.field("trim", pa.string()),
        _number("sog_u_blocking_kn", "kn"),
        pa.field("band_name", pa.string()),
        pa.field("session_id", pa.string()),
        *(_number(name, unit) for name, unit, _ in _LEGS_AFTER),
        pa.field("read_by_hand", pa.string(), metadata={"meaning": "engine figures that a person read off a display"}),
    ]
)
"""The accepted segments behind each row, in order of time. ``through_water_kn`` is the leg's run with the fitted
current taken out, at the band's mean rpm; ``residual_kn`` is what the run shows minus what all other runs predict for
it; ``weight`` is its run's share in the band's means of rpm and fuel."""

_NAMED = (*_BANDS, *_BUDGETS, *_LEGS_BEFORE, *_LEGS, *_LEGS_AFTER)
_DECIMALS = {name: decimals for name, _, decimals in _NAMED if decimals is not None} | {
    "sog_u_blocking_kn": 5,
    "rpm_u": 2,
    "slip_u_pct": 2,
}
"""Decimals written to CSV; Parquet keeps full doubles."""


def bands_csv(bands: pa.Table) -> bytes:
    """Return the bands table as CSV: UTF-8, LF, header with units in the names, point for the decimals, null empty.

    A text that a spreadsheet would take for a formula has an apostrophe before it; see
    `trialcapture.safe_text.spreadsheet_text`.
    """
    return _csv(bands)


def legs_csv(legs: pa.Table) -> bytes:
    """Return the legs table as CSV, same form; times are ISO 8601 UTC with milliseconds."""
    return _csv(legs)


_MANOEUVRES = (
    "session_id", "kind", "start", "direction", "from", "to", "value", "unit", "u", "conditions", "claimed", "reason",
)  # fmt: skip


def manoeuvres_csv(measures: Iterable[Measured], session_id: str) -> bytes:
    """Return every manoeuvre as CSV, same form, in order of time: one row a value, ``claimed`` true or false.

    Args:
        measures: Results with their manoeuvres.
        session_id: Of the trial.
    """
    rows = sorted((m for found in measures for m in found.manoeuvres), key=lambda m: m.start)
    lines = [",".join(_MANOEUVRES)]
    for m in rows:
        value, u = (None if x is None else float(f"{x:.6g}") for x in (m.value, m.u))
        cells = (
            session_id, m.kind, m.start, m.direction, m.from_, m.to, value, m.unit, u, m.conditions,
            str(m.claimed).lower(), m.reason,
        )  # fmt: skip
        texts = ("" if c is None else spreadsheet_text(c) if isinstance(c, str) else str(c) for c in cells)
        lines.append(",".join(map(_quoted, texts)))
    return ("\n".join(lines) + "\n").encode()


def _csv(table: pa.Table) -> bytes:
    plain = table
    for k, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            plain = plain.set_column(k, field.name, table.column(k).cast(pa.int64()))
    stamps = {f.name for f in table.schema if pa.types.is_timestamp(f.type)}
    names = table.column_names
    lines = [",".join(names)]
    columns = [plain.column(name).to_pylist() for name in names]
    for row in zip(*columns, strict=True):
        lines.append(",".join(_cell(name, value, name in stamps) for name, value in zip(names, row, strict=True)))
    return ("\n".join(lines) + "\n").encode()


def _cell(name: str, value: Any, is_time: bool) -> str:
    if value is None:
        return ""
    if is_time:
        return iso_utc(value)
    if isinstance(value, float):
        text = f"{value:.{_DECIMALS.get(name, 6)}f}"
        # a small negative number rounds to "-0.000", which reads as a sign it has not
        return text.removeprefix("-") if float(text) == 0 else text
    return _quoted(spreadsheet_text(value) if isinstance(value, str) else str(value))


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\n\r') else text


def iso_utc(t_ns: int) -> str:
    """Return a time [ns since 1970 UTC] as ISO 8601 with milliseconds, such as ``2031-05-14T09:40:00.000Z``."""
    ms = (int(t_ns) + 500_000) // 1_000_000
    whole = datetime.fromtimestamp(ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{whole}.{ms % 1000:03d}Z"


# ------------------------------------------------------------------------------
# What may be said against a row or a trial: one code, one severity, one sentence each.
# ------------------------------------------------------------------------------


class Flag(NamedTuple):
    """Severity and sentence of a code."""

    severity: Severity
    text: str


BAND_FLAGS: dict[str, Flag] = {
    "one-way": Flag(
        "yellow", "One direction only: no run the other way cancels the current; the ± holds what that costs."
    ),
    "current-unknown": Flag(
        "red",
        "One direction only, and no other run tells the current: the speed may be wrong by as much. The ± is for a "
        "stream of up to about 1.5 kn; where chart or tide tables give another, state it.",
    ),
    "current-from-other-bands": Flag("info", "One direction only: the current found at the other bands was taken out."),
    "late-reciprocal": Flag("yellow", "The way back came later than the allowed gap: the current may have changed."),
    "rpm-mismatch": Flag(
        "yellow", "The runs of this band differ in rpm by more than allowed; they were brought to one rpm."
    ),
    "methods-disagree": Flag("yellow", "Pair mean and fit to all runs differ by more than their uncertainty."),
    "outlying-leg": Flag("yellow", "One run does not fit the others; the ± holds half of what it would move."),
    "third-run-advised": Flag(
        "info", "The current changed so much between the two runs that a third would have been worth its time."
    ),
    "undeclared-step": Flag("info", "Held above the highest declared step, and shown because it may be the top speed."),
    "shallow": Flag(
        "yellow",
        "Shallower than the larger of 3 √(beam x draught) and 2.75 V²/g: speed and fuel are not those of deep water.",
    ),
    "near-critical": Flag(
        "red",
        "Depth Froude number between 0.9 and 1.1, on part of a leg at least: the water's depth governs the speed; "
        "repeat in deeper water.",
    ),
    "wind": Flag("yellow", "More than a gentle breeze (Beaufort 3)."),
    "trim-unknown": Flag("yellow", "Trim was not noted on every leg."),
    "trim-differs": Flag("yellow", "Legs with different trim settings are averaged in this row."),
    "engines-differ": Flag("yellow", "Engine speeds differ by more than 1.5 %."),
    "fuel-differs": Flag("yellow", "Fuel rates of the engines differ by more than 5 % at equal rpm."),
    "no-fuel": Flag("yellow", "No fuel flow is known for this row."),
    "coarse-readings": Flag(
        "yellow", "Readings are rounded so coarsely that the economy is uncertain by more than 10 % (95 %)."
    ),
    "read-by-hand": Flag("info", "Engine figures were read off a display by a person; the ± allows for it."),
    "reviewed": Flag(
        "info", "A person changed which stretches are in this row; the automatic result stands beside it."
    ),
}
"""Codes that stand in the ``flags`` of a band."""

TRIAL_WARNINGS: dict[str, Flag] = {
    "no-bands": Flag("red", "No steady run was accepted, so there is no band."),
    "no-rpm": Flag("yellow", "Engine speed is unknown: runs are matched by speed and time, and no rpm can be given."),
    "no-heading": Flag(
        "yellow",
        "No heading: runs are matched by course, and a current abeam cannot be seen on one line of runs. The ± is for "
        "one of up to 3 kn in all; where chart or tide tables give less, state it.",
    ),
    "heading-not-usable": Flag("red", "The heading does not follow the course over ground; it was not used."),
    "heading-offset": Flag("yellow", "The heading is off by a constant angle; the fit took it out."),
    "no-depth": Flag("info", "No depth is known: shallow water cannot be ruled out."),
    "load-read": Flag("yellow", "The load was read otherwise than stated; the test weight rests on what was stated."),
    "fuel-uncalibrated": Flag(
        "yellow", "Fuel flow is uncalibrated; its ± allows for what engine figures are usually wrong by."
    ),
    "capacity-unknown": Flag("info", "The tank capacity is not stated, so no range is given."),
    "load-incomplete": Flag("yellow", "The load sheet is not complete."),
    "sea": Flag("yellow", "The waves were higher than a speed trial of this length of boat allows, 1.5 √(L/100)."),
    "no-full-throttle": Flag("yellow", "Rated rpm was not reached."),
    "not-monotonic": Flag("yellow", "Speed or fuel does not rise with rpm throughout."),
    "no-planing-threshold": Flag("info", "A slow run shows no planing threshold:"),
    "planing-reversed": Flag(
        "yellow", "Planing ended at a higher speed than it began: the opposite is usual, so one of the two is wrong."
    ),
    "top-speed-not-claimed": Flag("yellow", "The fastest speed was not held both ways, so no top speed is claimed."),
    "drifted": Flag(
        "info",
        "A stretch at idle only moved with the current that the other runs show: she lay in neutral.",
    ),
    "not-settled": Flag(
        "yellow",
        "Speed was still on its way when the runs were measured, beyond doubt in all of them together; the ± allows "
        "for what is left.",
    ),
    "tide-not-told": Flag(
        "yellow",
        "The runs back came in such an order that a steady change of the current cannot be told from speed; the ± "
        "allows for one. One step repeated both ways, straight after each other, would tell it.",
    ),
    "outside-bands": Flag("yellow", "Steady runs that belong to no declared band were left out of the table."),
    "generator": Flag("info", "A generator ran; its fuel is in the figures where it draws from the same meter."),
    "outliers-left-out": Flag(
        "info", "Samples were left out of the segments' means by Chauvenet's criterion, as the settings ask."
    ),
    "standard-errors-differ": Flag(
        "yellow",
        "Blocking gives another standard error of the mean speed than the effective sample size does, by more than a "
        "factor of two.",
    ),
    "generator-unknown": Flag(
        "info", "Nobody stated whether a generator ran; if one did, its fuel may be in the figures."
    ),
    "plan-open": Flag("yellow", "Part of the plan is open."),
    "declared-not-run": Flag("yellow", "Declared among the bands, and no steady run was accepted there."),
    "plan-signed-off": Flag("info", "Left out of the plan on purpose:"),
    "plan-unfit": Flag("yellow", "Something was signed off that fits nothing open in the plan:"),
    "repeat-differs": Flag(
        "yellow",
        "Run again at the end of other steps, this one came out differently, beyond noise: boat, load, sea or "
        "instruments had changed, and steps run far apart in time do not compare to better than this.",
    ),
    "size-doubtful": Flag("yellow", "A weight or a tank does not fit the size of the boat: check figure and unit."),
    "implausible": Flag("yellow", "A figure lies outside what is usual."),
}
"""Codes that concern the whole trial."""


def warn(code: str, where: str = "", detail: str = "", quantities: tuple[Quantity, ...] = ()) -> TrialWarning:
    """Return one entry for the warnings of a summary.

    Args:
        code: A key of `BAND_FLAGS` or `TRIAL_WARNINGS`.
        where: What it concerns, such as ``"1500, 2000 rpm"``.
        detail: A sentence with the figures, put behind the standing sentence.
        quantities: Numbers of that sentence in units that readers may want to change.
    """
    flag = BAND_FLAGS.get(code) or TRIAL_WARNINGS[code]
    return TrialWarning(code, flag.severity, f"{flag.text} {detail}".strip(), where, quantities)


def quantity(value: float, unit: str, form: str) -> Quantity:
    """Return a number with its unit as it stands in a sentence.

    Args:
        value: The number.
        unit: Its unit, "1" for a bare number, which is not written.
        form: Format of the number, such as ``".2f"``.
    """
    return Quantity(value, unit, f"{value:{form}} {unit}".removesuffix(" 1"))
