"""From the fields of a sentence to the columns of its table: units, signs, validity, and void to null.

What a sentence itself calls void (status V, mode N, quality 0) is absent here, whatever digits stand in it:
receivers fill such fields with zeros or with the last place they knew. Estimated, manual and simulated values
are kept and marked not valid.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from trialcapture.decode.fields import Bools, Column
from trialcapture.decode.places import day_number
from trialcapture.decode.rejects import Reason
from trialcapture.units import convert

Columns = dict[str, Column]
Faults = dict[tuple[str, Reason], Bools]
"""By field and reason, where a field is void (it is so already); "" is the whole sentence."""
Meaning = Callable[[Columns], tuple[Columns, Faults]]

_HPA_PER_INHG = 33.86389
"""Conventional inch of mercury [hPa] (NIST SP 811, appendix B.8)."""
_MEASURED = np.frombuffer(b"ADFPR", np.uint8)  # autonomous, differential, float, precise, real time
_MODES = np.frombuffer(b"\0ADEFMNPRS", np.uint8)


def _is(column: Column, letters: str) -> Bools:
    """Return where a letter is there and is one of these."""
    found: Bools = column.values == ord(letters[0])
    for other in letters[1:]:
        found |= column.values == ord(other)
    return column.present & found


def _optional(c: Columns, name: str, like: str) -> Column:
    """Return a letter that only newer versions of the sentence have; absent everywhere in older ones."""
    return c[name] if name in c else _absent_like(c[like])


def _truth(values: Bools) -> Column:
    return Column(values, np.ones(len(values), np.bool_))


def _absent_like(column: Column) -> Column:
    return Column(np.zeros_like(column.values), np.zeros_like(column.present))


def _first_of(*choices: Column) -> Column:
    """Return the first of several columns that has a value, row by row."""
    best = choices[0]
    for other in choices[1:]:
        best = Column(np.where(best.present, best.values, other.values), best.present | other.present)
    return best


def _in_unit(column: Column, unit: str, to: str) -> Column:
    return Column(convert(column.values, unit, to), column.present)


def _signed(size: Column, letter: Column, negative: str) -> tuple[Column, Bools]:
    """Give a size the sign its letter tells; also return where the letter is missing."""
    values = np.where(letter.values == ord(negative), -size.values, size.values)
    return size._replace(values=values).where(letter.present), size.present & ~letter.present


def _position(c: Columns, fixed: Bools) -> tuple[Column, Column, Faults]:
    """Return latitude and longitude, both or none, and where part of a position is missing."""
    lat, no_ns = _signed(c["lat"], c["north"], "S")
    lon, no_ew = _signed(c["lon"], c["east"], "W")
    both = lat.present & lon.present
    doubtful = no_ns | no_ew | (c["lat"].present != c["lon"].present)
    return lat.where(both & fixed), lon.where(both & fixed), {("position", Reason.HEMISPHERE): doubtful & fixed}


def _rmc(c: Columns) -> tuple[Columns, Faults]:
    east = c["variation_east"]
    mode = _optional(c, "mode", "status")
    if "mode" not in c:  # the 11-field form; some receivers put the mode where the variation's letter belongs
        is_side = (east.values == ord("E")) | (east.values == ord("W"))
        mode, east = east.where(~is_side), east.where(is_side)
        c["variation"] = c["variation"].where(is_side)
    fixed = _is(c["status"], "A") & ~_is(mode, "N")
    lat, lon, faults = _position(c, fixed)
    variation, no_side = _signed(c["variation"], east, "W")
    faults["variation", Reason.HEMISPHERE] = no_side & fixed & (variation.values != 0)
    valid = fixed & lat.present & ~_is(mode, "EMS")
    return {
        "tod_ns": c["time"], "date_days": c["date"], "valid": _truth(valid), "mode": mode,
        "nav_status": _optional(c, "nav_status", "status"), "lat_deg": lat, "lon_deg": lon,
        "sog_kn": c["sog_kn"].where(fixed), "cog_true_deg": c["cog"].where(fixed),
        "variation_deg": variation.where(fixed),
    }, faults  # fmt: skip


def _gga(c: Columns) -> tuple[Columns, Faults]:
    quality = c["quality"]
    fixed = quality.present & (quality.values > 0)
    lat, lon, faults = _position(c, fixed)
    valid = fixed & lat.present & (quality.values <= 5)  # 6 estimated, 7 manual, 8 simulated
    return {
        "tod_ns": c["time"], "valid": _truth(valid), "quality": quality, "lat_deg": lat, "lon_deg": lon,
        "satellites": c["satellites"], "hdop": c["hdop"].where(fixed), "altitude_m": c["altitude_m"].where(fixed),
        "separation_m": c["separation_m"].where(fixed),
    }, faults  # fmt: skip


def _gns(c: Columns) -> tuple[Columns, Faults]:
    mode = c["mode"]
    systems = mode.values.view(np.uint8).reshape(len(mode.values), -1)  # one letter a satellite system
    fixed = ((systems != 0) & (systems != ord("N"))).any(axis=1)
    measured = np.isin(systems, _MEASURED).any(axis=1)
    odd = np.asarray(np.isin(systems, _MODES, invert=True).any(axis=1))
    lat, lon, faults = _position(c, fixed)
    faults["mode", Reason.LETTER] = odd
    return {
        "tod_ns": c["time"], "valid": _truth(measured & lat.present), "mode": mode.where(~odd), "lat_deg": lat,
        "lon_deg": lon, "satellites": c["satellites"], "hdop": c["hdop"].where(fixed),
    }, faults  # fmt: skip


def _gll(c: Columns) -> tuple[Columns, Faults]:
    mode = _optional(c, "mode", "status")
    fixed = _is(c["status"], "A") & ~_is(mode, "N")
    lat, lon, faults = _position(c, fixed)
    valid = fixed & lat.present & ~_is(mode, "EMS")
    return {"tod_ns": c["time"], "valid": _truth(valid), "lat_deg": lat, "lon_deg": lon, "mode": mode}, faults


def _vtg(c: Columns) -> tuple[Columns, Faults]:
    sog = _first_of(c["sog_kn"], _in_unit(c["sog_km_per_h"], "km/h", "kn"))
    none = np.zeros(len(sog.values), np.bool_)
    mode = c["mode"] if "mode" in c else Column(none.view(np.uint8), none)
    fixed = ~_is(mode, "N")
    return {
        "valid": _truth(sog.present & ~_is(mode, "NEMS")), "cog_true_deg": c["cog_true"].where(fixed),
        "cog_magnetic_deg": c["cog_magnetic"].where(fixed), "sog_kn": sog.where(fixed),
    }, {}  # fmt: skip


def _zda(c: Columns) -> tuple[Columns, Faults]:
    parts = (c["day"], c["month"], c["year"])
    days, exists = day_number(*(part.values for part in parts[::-1]))
    given = parts[0].present & parts[1].present & parts[2].present
    none = (parts[0].values == 0) & (parts[1].values == 0) & (parts[2].values == 0)  # 00,00,0000
    return {"tod_ns": c["time"], "date_days": Column(days, given & exists)}, {
        ("", Reason.DATE): given & ~exists & ~none
    }


def _ths(c: Columns) -> tuple[Columns, Faults]:
    heading = c["true"].where(~_is(c["mode"], "V"))
    return {"heading_true_deg": heading, "valid": _truth(heading.present & _is(c["mode"], "A"))}, {}


def _hdg(c: Columns) -> tuple[Columns, Faults]:
    deviation, no_side = _signed(c["deviation"], c["deviation_east"], "W")
    variation, no_side_2 = _signed(c["variation"], c["variation_east"], "W")
    faults = {
        ("deviation", Reason.HEMISPHERE): no_side & (deviation.values != 0),
        ("variation", Reason.HEMISPHERE): no_side_2 & (variation.values != 0),
    }
    return {"heading_sensor_deg": c["sensor"], "deviation_deg": deviation, "variation_deg": variation}, faults


def _vhw(c: Columns) -> tuple[Columns, Faults]:
    stw = _first_of(c["stw_kn"], _in_unit(c["stw_km_per_h"], "km/h", "kn"))
    return {"heading_true_deg": c["true"], "heading_magnetic_deg": c["magnetic"], "stw_kn": stw}, {}


def _vbw(c: Columns) -> tuple[Columns, Faults]:
    water, ground = c["stw_kn"].where(_is(c["water"], "A")), c["sog_long_kn"].where(_is(c["ground"], "A"))
    return {
        "stw_kn": water, "water_valid": _truth(water.present), "sog_long_kn": ground,
        "ground_valid": _truth(ground.present),
    }, {}  # fmt: skip


def _not_denied(c: Columns, told: Column) -> tuple[Bools, Faults]:
    """Return where a status says valid, or says nothing; and where a value is believed without it."""
    said = c["status"].present
    return ~said | _is(c["status"], "A"), {("status", Reason.MISSING_FIELD): told.present & ~said}


def _rpm(c: Columns) -> tuple[Columns, Faults]:
    valid, faults = _not_denied(c, c["rpm"])
    rpm = c["rpm"].where(valid)
    return {
        "kind": c["kind"], "number": c["number"], "rpm": rpm, "pitch_pct": c["pitch_pct"].where(valid),
        "valid": _truth(rpm.present),
    }, faults  # fmt: skip


def _rsa(c: Columns) -> tuple[Columns, Faults]:
    starboard, port = c["starboard"].where(_is(c["s_status"], "A")), c["port"].where(_is(c["p_status"], "A"))
    return {
        "rudder_stbd_deg": starboard, "stbd_valid": _truth(starboard.present), "rudder_port_deg": port,
        "port_valid": _truth(port.present),
    }, {}  # fmt: skip


def _mwv(c: Columns) -> tuple[Columns, Faults]:
    unit, speed = c["unit"], c["speed"].values
    valid, faults = _not_denied(c, Column(speed, c["speed"].present | c["angle"].present))
    in_kn = np.where(unit.values == ord("K"), convert(speed, "km/h", "kn"), speed)
    in_kn = np.where(unit.values == ord("M"), convert(speed, "m/s", "kn"), in_kn)
    in_kn = np.where(unit.values == ord("S"), convert(speed, "mph", "kn"), in_kn)
    wind = Column(in_kn, c["speed"].present & unit.present).where(valid)
    return {
        "wind_angle_deg": c["angle"].where(valid), "reference": c["reference"], "wind_speed_kn": wind,
        "valid": _truth(wind.present & c["angle"].present),
    }, faults  # fmt: skip


def _mwd(c: Columns) -> tuple[Columns, Faults]:
    speed = _first_of(c["speed_kn"], _in_unit(c["speed_m_per_s"], "m/s", "kn"))
    return {
        "wind_from_true_deg": c["true"], "wind_from_magnetic_deg": c["magnetic"], "wind_speed_true_kn": speed,
    }, {}  # fmt: skip


def _mda(c: Columns) -> tuple[Columns, Faults]:
    """Weather: wind over ground as MWD has it; the pressure in bar has more digits than that in inches."""
    wind, _ = _mwd(c)
    inches = c["pressure_inhg"]
    pressure = _first_of(
        _in_unit(c["pressure_bar"], "bar", "mbar"), Column(inches.values * _HPA_PER_INHG, inches.present)
    )
    return {
        **wind, "pressure_hpa": pressure, "air_temp_c": c["air_c"],
        "water_temp_c": c["water_c"], "relative_humidity_pct": c["relative_humidity_pct"],
    }, {}  # fmt: skip


def _off_bow(c: Columns) -> tuple[Column, Column, Faults]:
    """Return angle clockwise from the bow [0, 360) and speed [kn]."""
    angle, side = c["angle"], c["side"]
    clockwise = np.where((side.values == ord("L")) & (angle.values > 0), 360.0 - angle.values, angle.values)
    speed = _first_of(
        c["speed_kn"], _in_unit(c["speed_m_per_s"], "m/s", "kn"), _in_unit(c["speed_km_per_h"], "km/h", "kn")
    )
    ahead = angle.values == 0
    no_side = angle.present & ~side.present & ~ahead
    return Column(clockwise, angle.present & (side.present | ahead)), speed, {("angle", Reason.HEMISPHERE): no_side}


def _vwr(c: Columns) -> tuple[Columns, Faults]:
    angle, speed, faults = _off_bow(c)
    return {"wind_angle_apparent_deg": angle, "wind_speed_apparent_kn": speed}, faults


def _vwt(c: Columns) -> tuple[Columns, Faults]:
    angle, speed, faults = _off_bow(c)
    return {"wind_angle_true_bow_deg": angle, "wind_speed_kn": speed}, faults


def _depth(c: Columns) -> tuple[Columns, Faults]:
    feet, fathoms = _in_unit(c["depth_ft"], "ft", "m"), _in_unit(c["depth_fathoms"], "fathom", "m")
    return {"depth_m": _first_of(c["depth_m"], feet, fathoms)}, {}


def _rot(c: Columns) -> tuple[Columns, Faults]:
    valid, faults = _not_denied(c, c["rate"])
    rate = c["rate"].where(valid)
    return {"rate_of_turn_deg_per_min": rate, "valid": _truth(rate.present)}, faults


def _renamed(**names: str) -> Meaning:
    return lambda c: ({new: c[old] for new, old in names.items()}, {})


MEANINGS: dict[str, Meaning] = {
    "RMC": _rmc, "GGA": _gga, "GNS": _gns, "GLL": _gll, "VTG": _vtg, "ZDA": _zda,
    "HDT": _renamed(heading_true_deg="true"), "THS": _ths, "HDG": _hdg,
    "HDM": _renamed(heading_magnetic_deg="magnetic"),
    "VHW": _vhw, "VBW": _vbw, "RPM": _rpm, "RSA": _rsa, "MWV": _mwv, "MWD": _mwd, "MDA": _mda, "VWR": _vwr, "VWT": _vwt,
    "DPT": _renamed(depth_m="depth_m", offset_m="offset_m"), "DBT": _depth, "DBS": _depth, "DBK": _depth,
    "MTW": _renamed(water_temp_c="temperature_c"), "ROT": _rot,
}  # fmt: skip
"""Formatter to the function that makes its columns; the two tables have the same keys, XDR aside."""
