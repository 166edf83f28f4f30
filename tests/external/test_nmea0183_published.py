"""Sentences published elsewhere decode to their published values.

"NMEA Revealed" is the open document of the gpsd project (www/NMEA.adoc), which restates IEC 61162-1.
Checksums were summed again; where a published one is wrong, the test says so.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from tests.nmea_builders import sentence
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea

NS = 1_000_000_000


def decoded(text: str, formatter: str) -> dict[str, Any]:
    """The one row that the one sentence gives, nothing rejected."""
    tables, rejects, _ = decode_nmea(text.encode() + b"\r\n", source="test")
    assert rejects.to_pylist() == []
    assert list(tables) == [formatter]
    (row,) = tables[formatter].to_pylist()
    return dict(row)


def time_of_day_ns(hours: int, minutes: int, seconds: float) -> int:
    return round((hours * 3600 + minutes * 60 + seconds) * NS)


def day(year: int, month: int, date: int) -> int:
    return (dt.date(year, month, date) - dt.date(1970, 1, 1)).days


def test_rmc_without_a_course_as_a_receiver_at_rest_sends_it() -> None:
    # Source: "NMEA Revealed", section RMC, the example.
    row = decoded("$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B", "RMC")
    assert row["talker"] == "GN"
    assert (row["lat_deg"], row["lon_deg"]) == (44 + 4.13993 / 60, -(121 + 18.86023 / 60))
    assert row["lat_deg"] == pytest.approx(44.0689988, abs=5e-8)
    assert row["lon_deg"] == pytest.approx(-121.3143372, abs=5e-8)
    assert (row["sog_kn"], row["cog_true_deg"], row["variation_deg"]) == (0.146, None, None)
    assert (row["date_days"], row["tod_ns"]) == (day(2017, 1, 10), time_of_day_ns(0, 10, 31))
    assert (row["valid"], row["mode"], row["nav_status"]) == (True, "A", None)


def test_rmc_of_eleven_fields_with_a_variation() -> None:
    # Source: the test suite of pynmea2 (test_types, test_RMC).
    row = decoded("$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68", "RMC")
    assert row["lat_deg"] == pytest.approx(49.274166667, abs=5e-10)
    assert row["lon_deg"] == pytest.approx(-123.185333333, abs=5e-10)
    assert (row["sog_kn"], row["cog_true_deg"], row["variation_deg"]) == (0.5, 54.7, 20.3)
    assert (row["date_days"], row["tod_ns"]) == (day(1994, 11, 19), time_of_day_ns(22, 54, 46))
    assert (row["valid"], row["mode"]) == (True, None)


def test_vtg_in_knots_and_km_per_h() -> None:
    # Source: "NMEA Revealed", section VTG, the example; 4.724 km/h is 2.551 kn, within its rounding.
    row = decoded("$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34", "VTG")
    assert (row["cog_true_deg"], row["cog_magnetic_deg"], row["sog_kn"]) == (220.86, None, 2.55)
    assert row["valid"] is True


@pytest.mark.parametrize("tail", ["M", "M,,"])
def test_gga_with_and_without_its_last_two_fields(tail: str) -> None:
    # Source: "NMEA Revealed", section GGA, the example; two commas cancel out in the checksum.
    row = decoded(f"$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,{tail}*47", "GGA")
    assert (row["quality"], row["satellites"], row["hdop"]) == (1, 12, 0.98)
    assert (row["altitude_m"], row["separation_m"], row["valid"]) == (1113.0, -21.3, True)
    assert (row["lat_deg"], row["lon_deg"]) == (44 + 4.14036 / 60, -(121 + 18.85961 / 60))


def test_gga_in_the_southern_hemisphere() -> None:
    # Source: the test suite of pynmea2 (test_types, test_GGA).
    row = decoded("$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D", "GGA")
    assert row["lat_deg"] == pytest.approx(-19.4840833, abs=5e-8)
    assert row["lon_deg"] == pytest.approx(24.1751, abs=5e-8)
    assert row["tod_ns"] == time_of_day_ns(18, 43, 53) + 70_000_000
    assert (row["quality"], row["satellites"], row["altitude_m"]) == (1, 4, 100.0)


@pytest.mark.parametrize(
    ("text", "lat", "lon", "tod", "mode"),
    [
        # Source: "NMEA Revealed", section GLL, the example.
        (
            "$GNGLL,4404.14012,N,12118.85993,W,001037.00,A,A*67",
            44 + 4.14012 / 60,
            -(121 + 18.85993 / 60),
            time_of_day_ns(0, 10, 37),
            "A",
        ),
        # Source: the test suite of pynmea2 (test_types, test_GLL).
        (
            "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
            49 + 16.45 / 60,
            -(123 + 11.12 / 60),
            time_of_day_ns(22, 54, 44),
            None,
        ),
    ],
)
def test_gll_with_and_without_a_mode(text: str, lat: float, lon: float, tod: int, mode: str | None) -> None:
    row = decoded(text, "GLL")
    assert (row["lat_deg"], row["lon_deg"], row["tod_ns"]) == (lat, lon, tod)
    assert (row["valid"], row["mode"]) == (True, mode)


@pytest.mark.parametrize(
    ("text", "formatter", "column", "value"),
    [
        # Source: "NMEA Revealed", the example of each section.
        ("$GPHDT,274.07,T*03", "HDT", "heading_true_deg", 274.07),
        ("$HEROT,0.0,A*2B", "ROT", "rate_of_turn_deg_per_min", 0.0),
        ("$SDDBT,7.8,f,2.4,M,1.3,F*0D", "DBT", "depth_m", 2.4),
        ("$INDPT,2.3,0.0*46", "DPT", "depth_m", 2.3),
        ("$INDPT,2.3,0.0*46", "DPT", "offset_m", 0.0),
        ("$INMTW,17.9,C*1B", "MTW", "water_temp_c", 17.9),
    ],
)
def test_sentences_of_one_quantity(text: str, formatter: str, column: str, value: float) -> None:
    assert decoded(text, formatter)[column] == value


def test_wind_over_the_ground_in_knots_and_m_per_s() -> None:
    # Source: later editions of "NMEA Revealed", section MWD, the example; 10.5 kn is 5.4 m/s.
    row = decoded("$WIMWD,302.4,T,289.6,M,10.5,N,5.4,M*6F", "MWD")
    assert (row["wind_from_true_deg"], row["wind_from_magnetic_deg"]) == (302.4, 289.6)
    assert row["wind_speed_true_kn"] == 10.5
    assert row["wind_speed_true_kn"] * 1852 / 3600 == pytest.approx(5.4, abs=0.05)


def test_relative_wind() -> None:
    # Source: the test suite of pynmea2 (test_types, test_MWV).
    row = decoded("$IIMWV,271.0,R,000.2,N,A*3B", "MWV")
    assert (row["wind_angle_deg"], row["reference"], row["wind_speed_kn"]) == (271.0, "R", 0.2)
    assert row["valid"] is True


def test_transducers_in_groups_of_four() -> None:
    # Source: "NMEA Revealed", section XDR, the example (blank units), and pynmea2's test_XDR (negative, name).
    tables, rejects, _ = decode_nmea(
        b"$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41\r\n"
        b"$YXXDR,A,-64.437,M,N,A,054.454,D,E,C,17.09,C,T-N1052*46\r\n",
        source="test",
    )
    assert rejects.num_rows == 0
    rows = [(r["line"], r["type"], r["value"], r["unit"], r["name"]) for r in tables["XDR"].to_pylist()]
    assert rows == [
        (0, "A", 171.0, "D", "PITCH"),
        (0, "A", -37.0, "D", "ROLL"),
        (0, "G", 367.0, None, "MAGX"),
        (0, "G", 2420.0, None, "MAGY"),
        (0, "G", -8984.0, None, "MAGZ"),
        (1, "A", -64.437, "M", "N"),
        (1, "A", 54.454, "D", "E"),
        (1, "C", 17.09, "C", "T-N1052"),
    ]


def test_time_and_date() -> None:
    # Source: "NMEA Revealed", section ZDA, the example.
    row = decoded("$GPZDA,160012.71,11,03,2004,-1,00*7D", "ZDA")
    assert row["date_days"] == day(2004, 3, 11)
    assert row["tod_ns"] == time_of_day_ns(16, 0, 12) + 710_000_000


def test_headings_engine_speed_log_and_rudder() -> None:
    # Made here from the field lists of "NMEA Revealed" (HDG, HDM, RPM, VHW, RSA, MWV).
    hdg = decoded("$HCHDG,101.1,,,7.1,W*3C", "HDG")
    assert (hdg["heading_sensor_deg"], hdg["deviation_deg"], hdg["variation_deg"]) == (101.1, None, -7.1)
    assert hdg["heading_sensor_deg"] + hdg["variation_deg"] == pytest.approx(94.0)  # true = sensor + variation E
    assert decoded("$HCHDM,238.5,M*25", "HDM")["heading_magnetic_deg"] == 238.5
    engine = decoded("$IIRPM,E,1,2418.2,10.5,A*5F", "RPM")
    assert (engine["kind"], engine["number"], engine["rpm"], engine["pitch_pct"]) == ("E", 1, 2418.2, 10.5)
    shaft = decoded("$IIRPM,S,2,1209.0,,A*57", "RPM")
    assert (shaft["kind"], shaft["number"], shaft["rpm"], shaft["pitch_pct"]) == ("S", 2, 1209.0, None)
    assert engine["valid"] is shaft["valid"] is True
    log = decoded("$VWVHW,135.0,T,142.1,M,12.30,N,22.78,K*5A", "VHW")
    assert (log["heading_true_deg"], log["heading_magnetic_deg"], log["stw_kn"]) == (135.0, 142.1, 12.3)
    rudder = decoded("$IIRSA,-3.5,A,,V*52", "RSA")
    assert (rudder["rudder_stbd_deg"], rudder["stbd_valid"]) == (-3.5, True)
    assert (rudder["rudder_port_deg"], rudder["port_valid"]) == (None, False)
    wind = decoded("$WIMWV,045.0,T,12.0,N,A*17", "MWV")
    assert (wind["wind_angle_deg"], wind["reference"], wind["wind_speed_kn"]) == (45.0, "T", 12.0)


def test_the_leap_second_is_a_time() -> None:
    # Made here: the last leap second so far, 2016-12-31T23:59:60Z (IERS Bulletin C 52).
    row = decoded("$GPRMC,235960.00,A,5042.0000,N,00118.0000,W,12.3,045.0,311216,,,A*7B", "RMC")
    assert (row["date_days"], row["tod_ns"]) == (day(2016, 12, 31), 86_400 * NS)
    assert (row["valid"], row["sog_kn"]) == (True, 12.3)


def test_no_fix_is_no_position_and_never_the_gulf_of_guinea() -> None:
    # Made here, in the form u-blox and SiRF receivers send without a fix.
    gga = decoded("$GPGGA,120000.00,,,,,0,00,99.9,,M,,M,,*5C", "GGA")
    assert (gga["lat_deg"], gga["lon_deg"], gga["altitude_m"], gga["valid"]) == (None, None, None, False)
    assert (gga["quality"], gga["satellites"]) == (0, 0)
    rmc = decoded("$GPRMC,120000,V,,,,,,,040226,,*30", "RMC")
    assert (rmc["lat_deg"], rmc["lon_deg"], rmc["sog_kn"], rmc["valid"]) == (None, None, None, False)
    assert rmc["date_days"] == day(2026, 2, 4)


def test_nav_status_v_is_kept_apart_from_the_fix() -> None:
    # Made here, in the form u-blox receivers send it (NMEA 4.1): a good fix, and no statement on integrity.
    text = "$GPRMC,120000.00,A,5042.12345,N,00118.98765,W,30.000,359.9,040226,,,D,V*08"
    row = decoded(text, "RMC")
    assert len(text + "\r\n") == 76
    assert (row["valid"], row["mode"], row["nav_status"], row["sog_kn"]) == (True, "D", "V", 30.0)


TAGS = [
    # Source: the test suite of pyais (TAG blocks of recorded AIS).
    ("s:2573535,c:1671533231*08", "2573535", 1_671_533_231_000),
    ("s:2573545,c:1671533231*0F", "2573545", 1_671_533_231_000),
    ("c:1503079517*53", "test", 1_503_079_517_000),
    ("g:1-2-27300,n:636994,s:b003669710,c:1428621738*5F", "b003669710", 1_428_621_738_000),
]


@pytest.mark.parametrize(("tag", "source", "wall_ms"), TAGS)
def test_tag_blocks_tell_source_and_time(tag: str, source: str, wall_ms: int) -> None:
    row = decoded(f"\\{tag}\\$GPHDT,274.07,T*03", "HDT")
    assert (row["source"], row["wall_ms"], row["mono_ns"]) == (source, wall_ms, None)


def test_a_tag_blocks_time_is_utc() -> None:
    row = decoded(f"\\{TAGS[0][0]}\\$GPHDT,274.07,T*03", "HDT")
    assert dt.datetime.fromtimestamp(row["wall_ms"] / 1000, dt.UTC).isoformat() == "2022-12-20T10:47:11+00:00"


@pytest.mark.parametrize(
    ("tag", "right"),
    [
        # Source: the test suite of pyais (tag block queue), where both stand with a checksum that does not add up.
        ("g:1-1-4512,s:FooBar,c:1428451253*50", "53"),
        ("n:3140,s:FooBar,c:1428451253*1C", "5E"),
    ],
)
def test_a_tag_block_that_does_not_add_up_is_reported_and_its_sentence_kept(tag: str, right: str) -> None:
    line = f"\\{tag}\\".encode() + sentence("GPHDT,274.07,T")
    tables, rejects, counts = decode_nmea(line, source="test")
    (row,) = tables["HDT"].to_pylist()
    assert (row["heading_true_deg"], row["source"], row["wall_ms"]) == (274.07, "test", None)
    (reject,) = rejects.to_pylist()
    assert (reject["reason"], reject["bytes"]) == ("tag checksum", f"\\{tag}\\".encode())
    assert counts.to_pylist() == [
        {"source": "test", "talker": "GP", "formatter": "HDT", "good": 1, "bad": 0, "not_decoded": 0}
    ]
    mended = f"\\{tag[:-2]}{right}\\".encode() + sentence("GPHDT,274.07,T")
    assert decode_nmea(mended, source="test")[0]["HDT"].to_pylist()[0]["source"] == "FooBar"
