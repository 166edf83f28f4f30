"""What a field must look like, what its value is, and what is null.

Field shapes and variants: IEC 61162-1 as restated in the open "NMEA Revealed" document.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import pytest

from tests.nmea_builders import sentence
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea

NS = 1_000_000_000
POSITION = "5042.1234,N,00118.5678,W"


def only(body: str, **options: Any) -> tuple[dict[str, Any], list[str]]:
    """The one row of a sentence and the reasons reported beside it."""
    tables, rejects, _ = decode_nmea(sentence(body), source="test", **options)
    (row,) = tables[body[2:5]].to_pylist()
    return dict(row), rejects["reason"].to_pylist()


def rejected(body: str) -> str:
    """Why a sentence with a right checksum is rejected."""
    tables, rejects, counts = decode_nmea(sentence(body), source="test")
    assert tables == {}
    assert counts["bad"].to_pylist() == [1]
    (reason,) = rejects["reason"].to_pylist()
    assert rejects["bytes"].to_pylist() == [sentence(body, end=b"")]
    return str(reason)


RMC = "GPRMC,{time},{status},{position},{sog},{cog},{date},{variation},{mode}"
GOOD = {
    "time": "101112.00", "status": "A", "position": POSITION, "sog": "12.3", "cog": "045.0", "date": "040226",
    "variation": "1.2,W", "mode": "A",
}  # fmt: skip


def rmc(**changed: str) -> str:
    return RMC.format(**(GOOD | changed))


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"time": "1012.00"}, "time"),  # two zeros lost: the XOR stays the same, the row would move 26 minutes
        ({"time": "10111200"}, "time"),
        ({"time": "101112.0.0"}, "time"),
        ({"time": "10:11:12"}, "time"),
        ({"time": "241112.00"}, "time"),
        ({"time": "106012.00"}, "time"),
        ({"time": "101161.00"}, "time"),
        ({"time": "10111x.00"}, "time"),
        ({"time": "-01112.00"}, "time"),
        ({"time": " 101112"}, "time"),
        ({"status": "B"}, "letter"),
        ({"status": "AA"}, "letter"),
        ({"position": "504.21234,N,00118.5678,W"}, "position"),
        ({"position": "50421.234,N,00118.5678,W"}, "position"),
        ({"position": "5042,N,00118.5678,W"}, "position"),
        ({"position": "5042.,N,00118.5678,W"}, "position"),
        ({"position": "5060.0000,N,00118.5678,W"}, "position"),
        ({"position": "9000.0001,N,00118.5678,W"}, "position"),
        ({"position": "5042.1234,N,0118.5678,W"}, "position"),
        ({"position": "5042.1234,N,18000.0001,W"}, "position"),
        ({"position": "5042.1234,N,00099.9999,W"}, "position"),
        ({"position": "5042.12x4,N,00118.5678,W"}, "position"),
        ({"position": "-042.1234,N,00118.5678,W"}, "position"),
        ({"position": "5042.123412341234x,N,00118.5678,W"}, "position"),
        ({"position": "5042.1234,M,00118.5678,W"}, "letter"),
        ({"position": "5042.1234,N,00118.5678,Q"}, "letter"),
        ({"position": "5042.1234,NN,00118.5678,W"}, "letter"),
        ({"sog": "12.3.4"}, "number"),
        ({"sog": "1e1"}, "number"),
        ({"sog": "."}, "number"),
        ({"sog": "nan"}, "number"),
        ({"sog": "-1.0"}, "number"),
        ({"sog": "02x.4"}, "number"),
        ({"sog": "1234567890123456789012345.0.0"}, "number"),
        ({"sog": "1234567890123456789"}, "range"),
        ({"sog": "2001"}, "range"),
        ({"date": "0402"}, "date"),
        ({"date": "310226"}, "date"),
        ({"date": "290225"}, "date"),
        ({"date": "041326"}, "date"),
        ({"date": "000126"}, "date"),
        ({"date": "04.226"}, "date"),
        ({"date": "2208-1"}, "date"),
        ({"date": "04022026"}, "date"),
        ({"variation": ""}, "field count"),
    ],
)  # fmt: skip
def test_damage_that_the_checksum_lets_through_is_told_by_the_fields_shape(
    changed: dict[str, str], reason: str
) -> None:
    if changed == {"variation": ""}:
        assert rejected("GPRMC,101112.00,A") == reason
    else:
        assert rejected(rmc(**changed)) == reason


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("GPGGA,101112.00,5042.1234,N,00118.5678,W,10,08,0.9,1.0,M,47.0,M,,", "number"),
        ("GPGLL,5042.1234,N,00118.5678,W,101112.00,N,V", "letter"),
        ("GPVTG,045.0,045.0,T,12.3", "number"),
        ("GPVTG,045.0,T,,M,12.x,N,22.8,K", "number"),
        ("GPVTG,045.0,T,,M,12.3,K,22.8,K", "letter"),
        ("GPGGA,101112.00,5042.1234,N,00118.5678,W", "field count"),
        ("GPRMC,101112.00,A,5042.1234,N,00118.5678,W,12.3,045.0", "field count"),
        ("GPGLL,5042.1234,N,00118.5678,W,101112.00,B,A", "letter"),
        ("GPGNS,101112.00,5042.1234,N,00118.5678,W,a,08,0.9,1.0,47.0,,", "letter"),
        ("GPZDA,101112.00,04,02,26,00,00", "date"),
        ("GPZDA,101112.00,31,02,2026,00,00", "date"),
        ("GPZDA,101112.00,4.0,02,2026,00,00", "number"),
        ("GPZDA,101112.00,32,02,2026,00,00", "range"),
        ("GPHDT,361.0,T", "range"),
        ("GPHDT,-1.0,T", "number"),
        ("GPHDT,45.0", "field count"),
        ("GPTHS,45.0,X", "letter"),
        ("IIRPM,E,1,2400,,B", "letter"),
        ("IIRPM,X,1,2400,,A", "letter"),
        ("IIRPM,E,1,40000,,A", "range"),
        ("IIRPM,E,x,2400,,A", "number"),
        ("IIRPM,E,1,2400,X", "letter"),  # four fields: the last can only be a status
        ("IIRPM,E,1,2400,1.x,", "field count"),  # no status, and a field misshapen besides
        ("IIRPM,E,1", "field count"),
        ("IIMWV,45.0,R,12.0,N,B", "letter"),
        ("IIMWV,45.0,R,12.x,N", "field count"),
        ("TIROT,1.0,X", "letter"),
        ("HCHDG,45.0,,1.0W", "field count"),  # a comma lost
        ("SDDPT,-2.0,0.4", "number"),
        ("INMTW,64.2,F", "letter"),
        ("IIXDR,A,1.0.0,D,X", "number"),
        ("IIXDR,AB,1.0,D,X", "letter"),
        ("IIXDR,A,1.0,DE,X", "letter"),
        ("IIXDR,A,x,D,X,A,1.0.0,D,Y", "number"),
        ("IIXDR,A,1.0,D,X,A,x,D,Y,A,2", "number"),  # a group cut off, and another misshapen
    ],
)
def test_every_sentence_demands_the_fields_it_says_nothing_without(body: str, reason: str) -> None:
    assert rejected(body) == reason


GGA = f"GPGGA,101112.00,{POSITION}"
VOIDED = [
    # body, what is reported, columns that are null, columns that hold all the same
    (rmc(variation="999.9,E"), [("variation", "range")], ["variation_deg"], {"valid": True, "sog_kn": 12.3}),
    (rmc(variation="1.2,N"), [("variation_east", "letter")], ["variation_deg"], {"valid": True, "cog_true_deg": 45.0}),
    (rmc(cog="360.1"), [("cog", "range")], ["cog_true_deg"], {"valid": True, "sog_kn": 12.3}),
    (rmc(cog="04x.0"), [("cog", "number")], ["cog_true_deg"], {"valid": True, "sog_kn": 12.3}),
    (rmc(mode="X"), [("mode", "letter")], ["mode"], {"valid": True, "sog_kn": 12.3}),
    (rmc(mode="A,Z"), [("nav_status", "letter")], ["nav_status"], {"valid": True, "mode": "A"}),
    (rmc(mode="A,S,1"), [("surplus", "surplus fields")], [], {"valid": True, "nav_status": "S"}),
    (rmc(mode="A,S,"), [("surplus", "surplus fields")], [], {"valid": True, "nav_status": "S"}),
    (
        "GPRMC,101112.00,A,5042.1234,N,00118.5678,W,12.3,045.0,040226",
        [("variation", "missing field")], ["variation_deg", "mode"], {"valid": True, "date_days": 20488},
    ),
    (
        rmc(cog="361.0", variation="999.9,E", mode="Q"),
        [("cog", "range"), ("mode", "letter"), ("variation", "range")], ["cog_true_deg", "variation_deg", "mode"],
        {"valid": True, "sog_kn": 12.3},
    ),
    (f"{GGA},1,xx,0.9,1.0,M,47.0,M,,", [("satellites", "number")], ["satellites"], {"valid": True, "hdop": 0.9}),
    (f"{GGA},1,123,0.9,1.0,M,47.0,M,,", [("satellites", "number")], ["satellites"], {"valid": True}),
    (f"{GGA},1,08,1001,1.0,M,47.0,M,,", [("hdop", "range")], ["hdop"], {"valid": True, "satellites": 8}),
    (f"{GGA},1,08,0.9,1.0,F,47.0,M,,", [("m1", "letter")], ["altitude_m"], {"valid": True, "separation_m": 47.0}),
    (f"{GGA},1,08", [("hdop", "missing field")], ["hdop", "altitude_m"], {"valid": True, "satellites": 8}),
    (f"{GGA},1,08,0.9,1.0,M,47.0,M,,,,", [("surplus", "surplus fields")], [], {"valid": True, "altitude_m": 1.0}),
    ("GPGNS,101112.00,5042.1234,N,00118.5678,W,AX,08,0.9,1.0,47.0,,", [("mode", "letter")], ["mode"], {"valid": True}),
    # a letter not known says nothing of the fix: the place is kept, as an estimated one is, and is not valid
    ("GPGNS,101112.00,5042.1234,N,00118.5678,W,X,08,0.9,1.0,47.0,,", [("mode", "letter")], ["mode"], {"valid": False}),
    (f"GPGLL,{POSITION},101112.00,A,X", [("mode", "letter")], ["mode"], {"valid": True}),
    ("GPVTG,045.0,T,,M,12.3,N,22.8,K,X", [("mode", "letter")], [], {"valid": True, "sog_kn": 12.3}),
    ("GPVTG,045.0,T,999,M,12.3,N,2.x,K,A", [("cog_magnetic", "range"), ("sog_km_per_h", "number")],
     ["cog_magnetic_deg"], {"valid": True, "sog_kn": 12.3, "cog_true_deg": 45.0}),
    ("GPVTG,045.0,T,,M,12.3,N,22.8", [("k", "missing field")], [], {"valid": True, "sog_kn": 12.3}),
    ("GPVTG,045.0,M,,M,12.3,N,22.8,K", [("t", "letter")], ["cog_true_deg"], {"valid": True, "sog_kn": 12.3}),
    ("GPVTG,045.0,T,,M,,N,22.8,X", [("k", "letter")], ["sog_kn"], {"valid": False, "cog_true_deg": 45.0}),
    ("HCHDG,45.0,1.0,N,,", [("deviation_east", "letter")], ["deviation_deg"], {"heading_sensor_deg": 45.0}),
    ("HCHDG,45.0,,,999.9,W", [("variation", "range")], ["variation_deg"], {"heading_sensor_deg": 45.0}),
    ("VWVHW,400.0,T,142.1,M,12.30,N,22.78,K", [("true", "range")], ["heading_true_deg"], {"stw_kn": 12.3}),
    ("VWVBW,12.0,0.1,A,12.3,0.2,B", [("ground", "letter")], ["sog_long_kn"], {"stw_kn": 12.0, "ground_valid": False}),
    ("IIRPM,E,1,2400.0,10.0", [("status", "missing field")], [], {"rpm": 2400.0, "pitch_pct": 10.0, "valid": True}),
    ("IIRPM,E,1,2400.0,10.0,", [("status", "missing field")], [], {"rpm": 2400.0, "pitch_pct": 10.0, "valid": True}),
    ("IIRPM,E,1,2400.0", [("pitch_pct", "missing field"), ("status", "missing field")], ["pitch_pct"], {"rpm": 2400.0}),
    ("IIRPM,E,1,2400.0,A", [("pitch_pct", "missing field")], ["pitch_pct"], {"rpm": 2400.0, "valid": True}),
    ("IIRPM,E,1,2400.0,V", [("pitch_pct", "missing field")], ["pitch_pct", "rpm"], {"valid": False}),
    ("IIRPM,E,1,2400.0,V,", [("pitch_pct", "missing field"), ("surplus", "surplus fields")], ["rpm"], {"valid": False}),
    ("IIRPM,E,1,2400.0,10.0,A,", [("surplus", "surplus fields")], [], {"rpm": 2400.0, "pitch_pct": 10.0}),
    ("IIRPM,E,1,2400.0,10.0,V,", [("surplus", "surplus fields")], ["rpm"], {"valid": False}),
    ("IIRPM,E,1,2400.0,-999,A", [("pitch_pct", "range")], ["pitch_pct"], {"rpm": 2400.0, "valid": True}),
    ("IIRSA,1.0,B,-2.0,A", [("s_status", "letter")], ["rudder_stbd_deg"], {"rudder_port_deg": -2.0}),
    ("IIMWV,45.0,R,12.0,X,A", [("unit", "letter")], ["wind_speed_kn"], {"wind_angle_deg": 45.0}),
    ("IIMWV,45.0,R,9999,N,A", [("speed", "range")], ["wind_speed_kn"], {"wind_angle_deg": 45.0, "valid": False}),
    ("IIMWV,999,R,12.0,N,A", [("angle", "range")], ["wind_angle_deg"], {"wind_speed_kn": 12.0, "valid": False}),
    ("IIMWV,45.0,X,12.0,N,A", [("reference", "letter")], ["reference"], {"wind_speed_kn": 12.0}),
    ("IIMWV,45.0,R,12.0,N,A,", [("surplus", "surplus fields")], [], {"wind_speed_kn": 12.0, "valid": True}),
    ("IIMWV,45.0,R,12.0,N", [("status", "missing field")], [], {"wind_speed_kn": 12.0, "valid": True}),
    ("IIMWV,45.0,R,12.0,N,", [("status", "missing field")], [], {"wind_speed_kn": 12.0, "valid": True}),
    ("TIROT,12.5", [("status", "missing field")], [], {"rate_of_turn_deg_per_min": 12.5, "valid": True}),
    ("SDDPT,2.4,x", [("offset_m", "number")], ["offset_m"], {"depth_m": 2.4}),
    ("SDDPT,2.4", [("offset_m", "missing field")], ["offset_m"], {"depth_m": 2.4}),
    ("SDDBT,7.8,F,2.4,M,1.3,F", [("f", "letter")], [], {"depth_m": 2.4}),
    ("SDDBT,7.8,f,x,M,1.3,F", [("depth_m", "number")], [], {"depth_m": pytest.approx(2.37744)}),
    ("IIVWR,45.0,X,12.0,N,,M,,K", [("side", "letter")], ["wind_angle_apparent_deg"], {"wind_speed_apparent_kn": 12.0}),
    ("IIVWR,181.0,L,12.0,N,,M,,K", [("angle", "range")], ["wind_angle_apparent_deg"], {"wind_speed_apparent_kn": 12.0}),
    ("GPZDA,101112.00,04,02,2026,99,00", [("zone_h", "range")], [], {"date_days": 20488}),
    ("WIMDA,29.9,I,9.9,B,,C,18.5,C,55,,,C,210.0,T,,M,12.0,N,6.2,M", [("pressure_bar", "range")], [],
     {"pressure_hpa": pytest.approx(29.9 * 33.86389), "water_temp_c": 18.5, "wind_speed_true_kn": 12.0}),
    ("IIXDR,A,1.0,D,X,A,x,D,Y", [("Y", "number")], [], {"name": "X", "value": 1.0}),
    ("IIXDR,A,1.0,D,X,A,9999999999999,D,Y", [("Y", "range")], [], {"name": "X", "value": 1.0}),
]  # fmt: skip


@pytest.mark.parametrize(("body", "reported", "null", "holds"), VOIDED, ids=[body for body, *_ in VOIDED])
def test_a_field_is_void_and_not_the_sentence(
    body: str, reported: list[tuple[str, str]], null: list[str], holds: dict[str, Any]
) -> None:
    tables, rejects, counts = decode_nmea(sentence(body), source="test")
    (row,) = tables[body[2:5]].to_pylist()
    assert sorted(zip(rejects["field"].to_pylist(), rejects["reason"].to_pylist(), strict=True)) == reported
    assert set(rejects["sentence"].to_pylist()) == {body[:5]}
    assert (counts["good"].to_pylist(), counts["bad"].to_pylist()) == ([1], [0])
    assert {name: row[name] for name in null} == dict.fromkeys(null)
    assert {name: row[name] for name in holds} == holds


NUMBERS = [
    "0", "0.146", "000.5", "12.", ".5", "0.1", "0.3", "1.1", "99.999", "0.000001", "12345678", "123456.78", "1234567.8",
    "1.2345678", "12345.6789", "0.12345678901234", "12.345678901234", "1999.9999999999", "0.1234567890123456789012345",
    "00000000000000000012.5", "1000.00000000000000000000000000001",
]  # fmt: skip


@pytest.mark.parametrize("text", NUMBERS)
def test_a_number_is_the_same_bits_as_float(text: str) -> None:
    tables, _, _ = decode_nmea(sentence(f"IIXDR,A,{text},D,A"), source="test")
    assert tables["XDR"]["value"].to_pylist() == [float(text)]


@pytest.mark.parametrize("text", ["-0.0", "+12.3", "-12.3", "-.5", "-00012.125", "-0.123456789012345678901"])
def test_a_signed_number_is_the_same_bits_as_float(text: str) -> None:
    row, _ = only(f"TIROT,{text},A")
    value = row["rate_of_turn_deg_per_min"]
    assert value.hex() == float(text).hex()


@pytest.mark.parametrize(
    ("lat", "lon"),
    [
        ("5042.1234", "00118.5678"), ("0000.0001", "00000.0001"), ("8959.9999999", "17959.9999999"),
        ("4134.49821229", "09345.03351845"), ("9000.0", "18000.0"), ("0000.00000000000001", "00059.123456789012345"),
    ],
)  # fmt: skip
def test_a_position_is_degrees_plus_minutes_over_sixty_bit_for_bit(lat: str, lon: str) -> None:
    row, _ = only(rmc(position=f"{lat},S,{lon},W"))
    assert row["lat_deg"] == -(float(lat[:2]) + float(lat[2:]) / 60)
    assert row["lon_deg"] == -(float(lon[:3]) + float(lon[3:]) / 60)


@pytest.mark.parametrize("text", ["360", "360.0", "360.000"])
def test_a_full_turn_is_zero(text: str) -> None:
    assert only(rmc(cog=text))[0]["cog_true_deg"] == 0.0
    assert only(f"HCHDG,{text},,,,")[0]["heading_sensor_deg"] == 0.0


@pytest.mark.parametrize(
    ("text", "tod_ns"),
    [
        ("000000", 0), ("235959.999", 86_399_999_000_000), ("235960", 86_400 * NS), ("235960.5", 86_400_500_000_000),
        ("101112.07", 36_672_070_000_000), ("101112.123456789", 36_672_123_456_789), ("120060.00", 43_260 * NS),
        ("101112.", 36_672 * NS),
    ],
)  # fmt: skip
def test_time_of_day_to_the_nanosecond(text: str, tod_ns: int) -> None:
    assert only(rmc(time=text))[0]["tod_ns"] == tod_ns


@pytest.mark.parametrize(
    ("text", "date"),
    [
        ("040226", dt.date(2026, 2, 4)), ("290224", dt.date(2024, 2, 29)), ("311299", dt.date(1999, 12, 31)),
        ("010170", dt.date(1970, 1, 1)), ("010169", dt.date(1969, 1, 1)), ("311268", dt.date(2068, 12, 31)),
    ],
)  # fmt: skip
def test_two_digit_years_turn_at_69(text: str, date: dt.date) -> None:
    # POSIX, strptime %y: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068.
    assert only(rmc(date=text))[0]["date_days"] == (date - dt.date(1970, 1, 1)).days


def test_a_blank_date_or_time_is_null_and_no_fault() -> None:
    row, reasons = only(rmc(date="", time=""))
    assert (row["date_days"], row["tod_ns"], row["valid"], reasons) == (None, None, True, [])
    assert only(rmc(date="000000"))[0]["date_days"] is None
    for body in ("GPZDA,,,,,,", "GPZDA,,,,,00,00", "GPZDA,,00,00,0000,00,00"):
        row, reasons = only(body)
        assert (row["tod_ns"], row["date_days"], reasons) == (None, None, [])


@pytest.mark.parametrize(
    "body",
    [
        rmc(status="V"),
        rmc(status="V", position="0000.0000,N,00000.0000,E", sog="0.0", cog="0.0"),
        rmc(status="", position=",,,", sog="", cog="", mode=""),
        rmc(mode="N"),
        "GPRMC,101112.00,V,5042.1234,N,00118.5678,W,1.0,2.0,040226,1.2,N",  # 11 fields, mode N in the last
        "GPGGA,101112.00,5042.1234,N,00118.5678,W,0,00,99.9,12.0,M,47.0,M,,",
        "GPGGA,101112.00,5042.1234,N,00118.5678,W,,00,99.9,12.0,M,47.0,M,,",
        "GPGGA,101112.00,,,,,0,00,99.9,,M,,M,,",
        "GPGGA,,,,,,0,,,,,,,,",
        "GPGNS,101112.00,5042.1234,N,00118.5678,W,NNNN,00,99.9,12.0,47.0,,",
        "GPGNS,101112.00,,,,,,00,,,,,",
        "GPGLL,5042.1234,N,00118.5678,W,101112.00,V,A",
        "GPGLL,5042.1234,N,00118.5678,W,101112.00,A,N",
        "GPGLL,,,,,,V,N",
        "GPVTG,045.0,T,046.0,M,12.3,N,22.8,K,N",
        "GPVTG,,,,,,,,,N",
        "GPTHS,45.0,V",
        "IIRPM,E,1,2400,10.0,V",
        "IIRPM,E,1,,,A",
        "IIMWV,45.0,R,12.0,N,V",
        "IIMWV,,R,,N,A",
        "TIROT,12.0,V",
        "IIRSA,1.0,V,2.0,V",
        "IIVBW,1.0,2.0,V,3.0,4.0,V",
        "GPHDT,,T",
        "INMTW,,C",
    ],
)
def test_void_is_null_and_never_zero(body: str) -> None:
    row, reasons = only(body)
    assert reasons == []
    told = {"line", "mono_ns", "wall_ms", "source", "talker", "tod_ns", "date_days"}
    told |= {"mode", "nav_status", "quality", "satellites", "kind", "number", "reference"}
    values = {name: value for name, value in row.items() if name not in told and value is not None}
    assert set(values.values()) <= {False}
    assert all(name.endswith("valid") for name in values)


@pytest.mark.parametrize(
    ("body", "valid"),
    [(rmc(mode=mode), mode in "ADFPR") for mode in "ADEFMPRS"]
    + [(f"GPGGA,101112.00,{POSITION},{q},08,0.9,1.0,M,47.0,M,,", q in "12345") for q in "123456789"]
    + [(f"GPGLL,{POSITION},101112.00,A,{mode}", mode in "ADFPR") for mode in "ADEFMPRS"]
    + [(f"GPVTG,045.0,T,,M,12.3,N,22.8,K,{mode}", mode in "ADFPR") for mode in "ADEFMPRS"]
    + [(f"GPGNS,101112.00,{POSITION},{mode},08,0.9,1.0,47.0,,", mode in "AN NR") for mode in ("AN", "EN", "NR", "S")]
    + [(f"GPTHS,45.0,{mode}", mode == "A") for mode in "AEMS"],
)  # fmt: skip
def test_estimated_manual_and_simulated_values_are_kept_and_marked_not_valid(body: str, valid: bool) -> None:
    row, _ = only(body)
    assert row["valid"] is valid
    assert any(row.get(name) is not None for name in ("lat_deg", "sog_kn", "heading_true_deg"))


@pytest.mark.parametrize(
    ("position", "reasons"),
    [
        ("5042.1234,,00118.5678,W", ["hemisphere"]),
        ("5042.1234,N,00118.5678,", ["hemisphere"]),
        ("5042.1234,,00118.5678,", ["hemisphere"]),
        ("5042.1234,N,,W", ["hemisphere"]),
        (",,00118.5678,W", ["hemisphere"]),
        (",N,,W", []),
        (",,,", []),
    ],
)
def test_half_a_position_is_none_and_the_row_stays(position: str, reasons: list[str]) -> None:
    for body in (rmc(position=position), f"GPGGA,101112.00,{position},1,08,0.9,1.0,M,47.0,M,,"):
        row, found = only(body)
        assert (row["lat_deg"], row["lon_deg"], row["valid"]) == (None, None, False)
        assert row["tod_ns"] == 36_672 * NS
        assert found == reasons
    assert only(rmc(position=position))[0]["sog_kn"] == 12.3


def test_a_deviation_or_variation_without_its_letter_is_null_and_reported() -> None:
    row, reasons = only("HCHDG,45.0,2.0,,3.0,W")
    assert (row["heading_sensor_deg"], row["deviation_deg"], row["variation_deg"]) == (45.0, None, -3.0)
    assert reasons == ["hemisphere"]
    row, reasons = only(rmc(variation="3.0,"))
    assert (row["variation_deg"], row["valid"], reasons) == (None, True, ["hemisphere"])
    assert only(rmc(variation="0.0,"))[1] == []


def test_rmc_grew_from_eleven_to_thirteen_fields() -> None:
    body = rmc().removesuffix(",A")
    rows = [only(body + tail)[0] for tail in ("", ",D", ",D,S")]
    assert [(r["mode"], r["nav_status"], r["variation_deg"]) for r in rows] == [
        (None, None, -1.2),
        ("D", None, -1.2),
        ("D", "S", -1.2),
    ]
    # A recorded quirk: eleven fields, with the mode where the variation's letter belongs.
    row, reasons = only(body.removesuffix("1.2,W") + "0,D")
    assert (row["mode"], row["variation_deg"], row["valid"], reasons) == ("D", None, True, [])
    row, _ = only(body.removesuffix("1.2,W") + "1.2,E")
    assert (row["mode"], row["variation_deg"]) == (None, 1.2)


def test_variants_of_one_sentence_stay_in_the_order_they_came_in() -> None:
    bodies = [rmc(sog=str(n)) + ("" if n % 3 else ",V") for n in range(20)]
    bodies[7] = bodies[7].removesuffix(",A")
    tables, _, _ = decode_nmea(b"".join(sentence(body) for body in bodies), source="test")
    assert tables["RMC"]["sog_kn"].to_pylist() == [float(n) for n in range(20)]
    assert tables["RMC"]["line"].to_pylist() == list(range(20))
    assert tables["RMC"]["nav_status"].to_pylist() == [None if n % 3 else "V" for n in range(20)]


def test_the_old_vtg_has_four_numbers_and_no_letters() -> None:
    # "NMEA Revealed", section VTG: told apart by field 2, which is "T" in the newer form.
    row, _ = only("GPVTG,045.0,047.5,12.3,22.8")
    assert (row["cog_true_deg"], row["cog_magnetic_deg"], row["sog_kn"]) == (45.0, 47.5, 12.3)
    assert row["valid"] is True


def test_speed_falls_back_to_the_other_unit() -> None:
    # 1 kn is 1.852 km/h exactly.
    assert only("GPVTG,045.0,T,,M,,N,18.52,K,A")[0]["sog_kn"] == pytest.approx(10.0, rel=1e-15)
    assert only("VWVHW,,T,,M,,N,18.52,K")[0]["stw_kn"] == pytest.approx(10.0, rel=1e-15)
    assert only("IIVWR,45.0,R,,N,,M,18.52,K")[0]["wind_speed_apparent_kn"] == pytest.approx(10.0, rel=1e-15)
    assert only("WIMWD,45.0,T,,M,,N,5.144444444,M")[0]["wind_speed_true_kn"] == pytest.approx(10.0, rel=1e-9)


@pytest.mark.parametrize(("unit", "kn"), [("N", 10.0), ("K", 10 / 1.852), ("M", 36 / 1.852), ("S", 16.09344 / 1.852)])
def test_wind_speed_is_in_the_unit_the_sentence_names(unit: str, kn: float) -> None:
    row, _ = only(f"IIMWV,45.0,R,10.0,{unit},A")
    assert row["wind_speed_kn"] == pytest.approx(kn, rel=1e-14)
    assert row["valid"] is True


def test_wind_without_its_unit_is_no_wind() -> None:
    row, _ = only("IIMWV,45.0,R,10.0,,A")
    assert (row["wind_speed_kn"], row["valid"], row["wind_angle_deg"]) == (None, False, 45.0)


@pytest.mark.parametrize(("angle", "side", "expected"), [("30.0", "R", 30.0), ("30.0", "L", 330.0), ("0.0", "L", 0.0),
                                                         ("180.0", "L", 180.0), ("0.0", "", 0.0)])  # fmt: skip
def test_wind_off_the_bow_is_clockwise_from_ahead(angle: str, side: str, expected: float) -> None:
    row, reasons = only(f"IIVWR,{angle},{side},12.0,N,,M,,K")
    assert (row["wind_angle_apparent_deg"], row["wind_speed_apparent_kn"], reasons) == (expected, 12.0, [])
    row, _ = only(f"IIVWT,{angle},{side},12.0,N,,M,,K")
    assert (row["wind_angle_true_bow_deg"], row["wind_speed_kn"]) == (expected, 12.0)


def test_wind_off_the_bow_without_its_side_is_null_and_reported() -> None:
    row, reasons = only("IIVWR,30.0,,12.0,N,,M,,K")
    assert (row["wind_angle_apparent_deg"], row["wind_speed_apparent_kn"]) == (None, 12.0)
    assert reasons == ["hemisphere"]


def test_rudders_and_logs_are_valid_one_by_one() -> None:
    row, _ = only("IIRSA,-3.5,A,4.0,V")
    assert (row["rudder_stbd_deg"], row["stbd_valid"]) == (-3.5, True)
    assert (row["rudder_port_deg"], row["port_valid"]) == (None, False)
    row, _ = only("VWVBW,12.3,-0.1,A,,,V,,V,,V")
    assert (row["stw_kn"], row["water_valid"], row["sog_long_kn"], row["ground_valid"]) == (12.3, True, None, False)


def test_an_incomplete_last_transducer_is_reported_and_the_whole_ones_kept() -> None:
    tables, rejects, counts = decode_nmea(sentence("IIXDR,A,1.0,D,PITCH,A,2.0,D"), source="test")
    assert [(r["name"], r["value"]) for r in tables["XDR"].to_pylist()] == [("PITCH", 1.0)]
    assert rejects["reason"].to_pylist() == ["incomplete group"]
    assert (counts["good"].to_pylist(), counts["bad"].to_pylist()) == ([1], [0])
    tables, rejects, _ = decode_nmea(sentence("IIXDR,A,1.0,D,PITCH,,,"), source="test")
    assert (tables["XDR"].num_rows, rejects.num_rows) == (1, 0)
    tables, rejects, _ = decode_nmea(sentence("IIXDR,A,1.0"), source="test")
    assert (tables, rejects["reason"].to_pylist()) == ({}, ["incomplete group"])


def test_transducers_with_blanks_and_spaces() -> None:
    body = "IIXDR,C,,C,AIR TEMP,U,24.1,,,P,1.02, ,ENGINE#0"
    rows = [
        (r["type"], r["value"], r["unit"], r["name"])
        for r in decode_nmea(sentence(body), source="test")[0]["XDR"].to_pylist()
    ]
    assert rows == [("C", None, "C", "AIR TEMP"), ("U", 24.1, None, None), ("P", 1.02, " ", "ENGINE#0")]


@dataclass(frozen=True)
class Wanted:
    name: str
    type: str = ""
    unit: str = ""


def test_only_the_transducers_asked_for_are_kept() -> None:
    body = sentence("IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL,C,3.0,C,PITCH,A,4.0,P,ROLL")
    wanted = [Wanted("PITCH"), Wanted("ROLL", "A", "P"), Wanted("YAW")]
    tables, _, counts = decode_nmea(body, source="test", xdr=wanted)
    assert tables["XDR"]["value"].to_pylist() == [1.0, 3.0, 4.0]
    assert counts["good"].to_pylist() == [1]
    assert decode_nmea(body, source="test", xdr=[Wanted("YAW")])[0] == {}


def test_tables_have_one_schema_whatever_is_in_them() -> None:
    full = decode_nmea(sentence(rmc() + ",S"), source="test")[0]["RMC"].schema
    for body in (rmc(status="V", position=",,,", sog="", cog=""), rmc().removesuffix(",A"), rmc(date="", time="")):
        assert decode_nmea(sentence(body), source="test")[0]["RMC"].schema == full
    assert [str(kind) for kind in full.types[:5]] == [
        "int64", "int64", "int64", "dictionary<values=string, indices=int32, ordered=0>",
        "dictionary<values=string, indices=int32, ordered=0>",
    ]  # fmt: skip
