"""The tables a reduction hands out: their schemas, and their CSV with fixed decimals."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pyarrow as pa

# name, unit, decimals in CSV
_BANDS = (
    ("band_rpm", "rpm", 0), ("rpm_low", "rpm", 0), ("rpm_high", "rpm", 0), ("rpm_mean", "rpm", 1),
    ("legs", "1", None), ("ways", "1", None), ("speed_kn", "kn", 3), ("speed_u_kn", "kn", 4), ("stw_kn", "kn", 3),
    ("current_kn", "kn", 3), ("current_towards_deg", "deg", 1), ("fuel_l_per_h", "l/h", 3),
    ("fuel_u_l_per_h", "l/h", 4), ("economy_nm_per_l", "nm/l", 5), ("economy_u_nm_per_l", "nm/l", 6),
    ("range_nm", "nm", 2), ("range_u_nm", "nm", 3), ("slip_pct", "%", 2), ("depth_froude_max", "1", 4),
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
    ]
)
"""One row a band, ascending in rpm. ``rpm_low`` and ``rpm_high`` are the limits of a declared band, or the lowest and
highest leg of one found automatically. ``*_u_*`` are standard uncertainties, k=1; ``rpm_u`` is what rounding by the
tachometer leaves open in ``rpm_mean``. ``flags`` are codes of
`trialcapture.reduce.flags`, parted by ";"."""

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
    ]
)
"""The accepted segments behind each row, in order of time. ``through_water_kn`` is the leg's run with the fitted
current taken out, at the band's mean rpm; ``residual_kn`` is what the run shows minus what all other runs predict for
it; ``weight`` is its run's share in the band's means of rpm and fuel."""

_DECIMALS = {name: decimals for name, _, decimals in (*_BANDS, *_LEGS_BEFORE, *_LEGS) if decimals is not None} | {
    "sog_u_blocking_kn": 5,
    "rpm_u": 2,
}
"""Decimals written to CSV; Parquet keeps full doubles."""


def bands_csv(bands: pa.Table) -> bytes:
    """Return the bands table as CSV: UTF-8, LF, header with units in the names, point for the decimals, null empty."""
    return _csv(bands)


def legs_csv(legs: pa.Table) -> bytes:
    """Return the legs table as CSV, same form; times are ISO 8601 UTC with milliseconds."""
    return _csv(legs)


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
    text = str(value)
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\n\r') else text


def iso_utc(t_ns: int) -> str:
    """Return a time [ns since 1970 UTC] as ISO 8601 with milliseconds, such as ``2031-05-14T09:40:00.000Z``."""
    ms = (int(t_ns) + 500_000) // 1_000_000
    whole = datetime.fromtimestamp(ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{whole}.{ms % 1000:03d}Z"
