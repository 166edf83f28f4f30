"""CAN decoding against frames and field tables published elsewhere.

Sources: the canboat project (test files ``pgn-test``, ``j1939-pgn-test``, ``j1939-iso-tp`` and its database of
parameter groups, version 8, as packaged on npm in ``@canboat/ts-pgns``); the ``nmea2000`` library's decoder and
test data; ``cantools`` for J1939 bit positions. Frames marked "computed" were worked out by hand from the
canboat field tables.
"""

from __future__ import annotations

import json
import math
import random
import shutil
import subprocess
import tarfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import cantools
import numpy as np
import pytest
from nmea2000.decoder import NMEA2000Decoder

from tests.nmea_builders import sentence
from trialcapture.decode.can.can_decoder import decode_can
from trialcapture.decode.can.messages import FastPackets
from trialcapture.decode.can.parameter_groups import FAST, J1939, NMEA2000, Field, read_field
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea

KN = 3600 / 1852


def decode(*frames: str) -> dict[str, list[dict[str, Any]]]:
    log = b"".join(f"(1790000000.{at:06d}) can1 {frame}\n".encode() for at, frame in enumerate(frames))
    return {name: table.to_pylist() for name, table in decode_can(log)[0].items()}


def one(kind: str, ident: str, data: str) -> dict[str, Any]:
    return decode(f"{ident}#{data.replace(' ', '')}")[kind][0]


def fields(pgn: int, payload: str) -> dict[str, float | None]:
    rows = np.frombuffer(bytes.fromhex(payload), np.uint8)[None, :]
    table = NMEA2000.get(pgn) or J1939[pgn]
    read = {name: read_field(rows, field, j1939=pgn in J1939) for name, field in table.items()}
    return {name: float(value[0]) if present[0] else None for name, (value, present) in read.items()}


def test_engine_speed_boost_and_trim() -> None:
    """Computed: 0x36B0 × 0.25 rpm, 0x04D2 × 100 Pa, −5 %."""
    assert one("RPM", "09F20010", "00 B0 36 D2 04 FB FF FF")["rpm"] == 3500.0
    engine = one("ENGINE", "09F20010", "00 B0 36 D2 04 FB FF FF")
    assert engine["boost_bar"] == pytest.approx(1.234)
    assert engine["trim_pct"] == -5.0
    assert engine["number"] == 0


def test_an_engine_that_is_off_says_nothing_rather_than_zero() -> None:
    tables = decode("09F20010#01FFFFFFFF7FFFFF")
    assert tables["RPM"][0]["rpm"] is None
    assert tables["RPM"][0]["valid"] is False
    assert "ENGINE" not in tables


def test_two_engines_of_one_capture_are_told_apart() -> None:
    """Canboat sample of a two-engine boat; its reserved bytes are 00."""
    rows = decode("09F20010#000D143C00000000", "09F20010#01B9135000000000")
    assert [(r["number"], r["rpm"]) for r in rows["RPM"]] == [(0, 1283.25), (1, 1262.25)]
    assert [r["boost_bar"] for r in rows["ENGINE"]] == pytest.approx([0.06, 0.08])
    assert [r["trim_pct"] for r in rows["ENGINE"]] == [0.0, 0.0]


def test_engine_dynamic_parameters_with_blanks() -> None:
    """From the tests of the nmea2000 library (test_bitlookup_parse) and canboat's pgn-test."""
    read = fields(127489, "00 2F 06 FF FF E3 73 65 05 FF 7F 72 10 00 00 FF FF FF FF FF 06 00 00 00 7F 7F")
    assert read["oil_bar"] == pytest.approx(1.583)
    assert read["oil_c"] is None
    assert read["coolant_c"] == pytest.approx(296.67 - 273.15)
    assert read["alternator_v"] == pytest.approx(13.81)
    assert read["fuel_l_per_h"] is None
    assert read["hours_h"] == pytest.approx(4210 / 3600)
    assert read["load_pct"] is None
    assert read["torque_pct"] is None


def test_engine_dynamic_parameters_without_blanks() -> None:
    """From the tests of the nmea2000 library."""
    read = fields(127489, "00 2F 06 10 20 E3 73 65 05 65 04 72 10 00 00 10 20 30 40 FF 06 00 FF 00 30 18")
    assert read["oil_c"] == pytest.approx(820.8 - 273.15)
    assert read["fuel_l_per_h"] == pytest.approx(112.5)
    assert read["coolant_bar"] == pytest.approx(8.208)
    assert read["fuel_bar"] == pytest.approx(164.32)
    assert (read["load_pct"], read["torque_pct"]) == (48, 24)


FAST_FRAMES = ["201A0072102F0EF3", "21898505F90187D6", "221200FFFFFFFFFF", "23000000004E50FF"]


def test_a_published_fast_packet_and_the_same_with_a_frame_lost() -> None:
    """Computed; with any frame dropped there is no message, and none of another's bytes."""
    engine = decode(*(f"09F20110#{f}" for f in FAST_FRAMES))["ENGINE"][0]
    assert engine["oil_bar"] == pytest.approx(4.21)
    assert engine["oil_c"] == pytest.approx(363.1 - 273.15)
    assert engine["coolant_c"] == pytest.approx(80.0)
    assert engine["alternator_v"] == pytest.approx(14.13)
    assert engine["fuel_l_per_h"] == pytest.approx(50.5)
    assert engine["hours_h"] == pytest.approx(342.9353, abs=1e-4)
    assert (engine["load_pct"], engine["torque_pct"]) == (78, 80)
    for lost in range(4):
        kept = [f for at, f in enumerate(FAST_FRAMES) if at != lost]
        assert decode(*(f"09F20110#{f}" for f in kept)) == {}


def test_trip_fuel() -> None:
    read = fields(127497, "00 7B 00 63 01 FF 7F 9C 01")
    assert read["trip_fuel_l"] == 123
    assert read["trip_mean_l_per_h"] == pytest.approx(35.5)
    assert read["economy_l_per_h"] is None
    assert read["economy_now_l_per_h"] == pytest.approx(41.2)


@pytest.mark.parametrize(
    ("data", "number", "kind", "level", "capacity"),
    [
        ("00 D4 30 A0 0F 00 00 FF", 0, 0, 50.0, 400.0),  # computed
        ("08 A8 61 3C 05 00 00 FF", 8, 0, 100.0, 134.0),  # canboat sample
        ("50 FF 7F BE 11 00 00 FF", 0, 5, None, 454.2),  # canboat sample
    ],
)
def test_tank_levels(data: str, number: int, kind: int, level: float | None, capacity: float) -> None:
    tank = one("TANK", "19F21110", data)
    assert (tank["number"], tank["kind"]) == (number, kind)
    assert tank["level_pct"] is None if level is None else tank["level_pct"] == pytest.approx(level)
    assert tank["capacity_l"] == pytest.approx(capacity)


def test_course_and_speed_over_ground() -> None:
    row = one("POSITION", "09F80110", "00 17 3A 1E B2 9E 43 FF")
    assert row["lat_deg"] == pytest.approx(50.7123456)
    assert row["lon_deg"] == pytest.approx(-1.2345678)


def test_magnetic_heading_with_westerly_variation() -> None:
    row = one("HDG", "09F11210", "00 B8 7A FF 7F 51 FF FD")
    assert row["heading_sensor_deg"] == pytest.approx(math.degrees(3.1416))
    assert row["deviation_deg"] is None
    assert row["variation_deg"] == pytest.approx(-1.003, abs=5e-4)


def test_rate_of_turn_rudder_depth_and_wind() -> None:
    assert one("ROT", "09F11310", "00 F8 21 33 00 FF FF FF")["rate_of_turn_deg_per_min"] == pytest.approx(
        360.0, abs=1e-3
    )
    assert one("RSA", "09F10D10", "00 FF FF 7F 97 FC FF FF")["rudder_stbd_deg"] == pytest.approx(math.degrees(-0.0873))
    depth = one("DPT", "0DF50B10", "00 D2 04 00 00 D4 FE FF")
    assert (depth["depth_m"], depth["offset_m"]) == (pytest.approx(12.34), pytest.approx(-0.3))
    wind = one("MWV", "09FD0210", "00 05 04 AE 1E FA FF FF")
    assert wind["reference"] == "R"
    assert wind["wind_speed_kn"] == pytest.approx(10.29 * KN)
    assert wind["wind_angle_deg"] == pytest.approx(45.0, abs=1e-2)


def test_system_time() -> None:
    row = one("ZDA", "09F01010", "00 F0 E6 4F 00 CC BF 19")
    assert row["date_days"] == 20454  # 2026-01-01
    assert row["tod_ns"] == 12 * 3600 * 10**9


@pytest.mark.parametrize(
    ("ident", "data", "name", "expected"),
    [
        ("0CF00400", "FF FF FF 8A 03 FF FF FF", "rpm", 113.25),  # canboat j1939-pgn-test, printed 113.2
        ("0CF00400", "FF FF FF F5 06 FF FF FF", "rpm", 222.625),  # the same, printed 222.6
        ("0CF00400", "FF 7D 7D 60 6D FF FF FF", "rpm", 3500.0),  # computed
        ("0CF00400", "FF 7D 7D 60 6D FF FF FF", "torque_pct", 0.0),
        ("18FEF200", "8E 03 FF FF FF FF FF FF", "fuel_l_per_h", 45.5),  # computed
        ("18FEF200", "FF FF FF FF FF FF 11 FF", "fuel_l_per_h", None),  # canboat j1939-pgn-test
        ("18FEF200", "FF FF FF FF FF FF 11 FF", "throttle_pct", 6.8),
        ("18FEEE00", "3E FF FF FF FF FF FF FF", "coolant_c", 22.0),
        ("18FEF600", "FF FF 3D 32 FF FF FF FF", "intake_c", 21.0),
        ("18FEF600", "FF FF 3D 32 FF FF FF FF", "air_inlet_bar", 1.0),
    ],
)
def test_j1939_engine_frames(ident: str, data: str, name: str, expected: float | None) -> None:
    row = one("ENGINE", ident, data)
    assert row[name] is None if expected is None else row[name] == pytest.approx(expected)
    assert row["number"] == 0


def test_j1939_codes_of_error_and_absence_are_no_data() -> None:
    """SAE J1939-71: 0xFExx error, 0xFFxx not available (as restated in canboat's j1939 data)."""
    for top in ("FB", "FE", "FF"):
        assert fields(61444, f"FF FF FF 00 {top} FF FF FF")["rpm"] is None
    assert fields(61444, "FF FF FF FF FA FF FF FF")["rpm"] == pytest.approx(8031.875)
    assert fields(65266, "FF FA FF FF FF FF FF FF")["fuel_l_per_h"] == pytest.approx(3212.75)


# Bit positions of J1939 by the DBC notation (start bit, little-endian) for an independent decoder.
DBC = """
VERSION ""
BU_: X
BO_ 2364540158 EEC1: 8 X
 SG_ torque_pct : 16|8@1+ (1,-125) [-125|125] "%" X
 SG_ rpm : 24|16@1+ (0.125,0) [0|8031.875] "rpm" X
BO_ 2566844158 LFE: 8 X
 SG_ fuel_l_per_h : 0|16@1+ (0.05,0) [0|3212.75] "l/h" X
 SG_ throttle_pct : 48|8@1+ (0.4,0) [0|100] "%" X
BO_ 2566843134 ET1: 8 X
 SG_ coolant_c : 0|8@1+ (1,-40) [-40|210] "degC" X
 SG_ oil_c : 16|16@1+ (0.03125,-273) [-273|1735] "degC" X
"""


def test_j1939_values_agree_with_cantools_over_random_payloads() -> None:
    database = cantools.database.load_string(DBC, "dbc")
    dice = random.Random(11)
    for name, pgn in (("EEC1", 61444), ("LFE", 65266), ("ET1", 65262)):
        message = database.get_message_by_name(name)
        for _ in range(200):
            payload = bytes(dice.randrange(0xFB) for _ in range(8))
            theirs = message.decode(payload, decode_choices=False)
            ours = fields(pgn, payload.hex())
            for signal, value in theirs.items():
                assert ours[signal] == pytest.approx(float(value)), (name, signal, payload.hex())


def test_n2k_fields_agree_with_the_nmea2000_library_over_random_payloads() -> None:
    names = {
        127488: {"rpm": "speed", "boost_bar": "boostPressure", "trim_pct": "tiltTrim"},
        127250: {"heading_deg": "heading", "deviation_deg": "deviation", "variation_deg": "variation"},
        127251: {"rate_deg_per_min": "rate"},
        128259: {"stw_kn": "speedWaterReferenced"},
        128267: {"depth_m": "depth", "offset_m": "offset"},
        129026: {"cog_deg": "cog", "sog_kn": "sog"},
        130306: {"speed_kn": "windSpeed", "angle_deg": "windAngle"},
        127257: {"pitch_deg": "pitch", "roll_deg": "roll"},
        127245: {"position_deg": "position"},
    }  # fmt: skip
    units = {"deg": math.degrees, "kn": lambda v: v * KN, "bar": lambda v: v / 1e5,
             "min": lambda v: math.degrees(v) * 60, "rpm": float, "pct": float, "m": float}  # fmt: skip
    dice = random.Random(5)
    decoder = NMEA2000Decoder()
    compared = 0
    for pgn, pairs in names.items():
        ident = 0x08000010 | pgn << 8
        for _ in range(60):
            payload = (
                dice.randbytes(8) if dice.random() < 0.7 else bytes(dice.choice([0, 0x7F, 0xFF]) for _ in range(8))
            )
            message = decoder.decode(can.Message(arbitration_id=ident, data=payload, is_extended_id=True))
            if message is None:
                continue
            theirs = {f.id: f.value for f in message.fields}
            ours = fields(pgn, payload.hex())
            for mine, other in pairs.items():
                value = theirs.get(other)
                if not isinstance(value, int | float) or ours[mine] is None:
                    continue
                assert ours[mine] == pytest.approx(units[mine.rpartition("_")[2]](value), rel=1e-6, abs=1e-6), (
                    pgn,
                    mine,
                )
                compared += 1
    assert compared > 300, ident


@pytest.mark.external
def test_every_field_lies_where_the_canboat_database_says(tmp_path: Path) -> None:
    if shutil.which("npm") is None:
        pytest.skip("npm is not installed: the canboat database is not compared")
    packed = subprocess.run(
        ["npm", "pack", "@canboat/ts-pgns", "--silent"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    if packed.returncode:
        pytest.skip("the npm registry cannot be reached: the canboat database is not compared")
    with tarfile.open(next(tmp_path.glob("*.tgz"))) as archive:
        database = json.load(archive.extractfile("package/canboat.json"))  # type: ignore[arg-type]
    groups = {group["PGN"]: group for group in database["PGNs"] if group["PGN"] in NMEA2000}
    assert set(groups) == set(NMEA2000)
    units = {"K": "k", "Pa": "pa", "m/s": "m/s", "rad": "rad", "rad/s": "rad/s", "s": "s"}
    for pgn, ours in NMEA2000.items():
        theirs = {field["BitOffset"]: field for field in groups[pgn]["Fields"]}
        assert (groups[pgn]["Type"] == "Fast") == (pgn in FAST)
        for name, field in ours.items():
            other = theirs[field.bit]
            assert field.bits == other["BitLength"], (pgn, name)
            assert field.signed == other.get("Signed", False), (pgn, name)
            assert field.scale == pytest.approx(other.get("Resolution", 1)), (pgn, name)
            if field.unit:
                assert field.unit == units[other["Unit"]], (pgn, name)
            _limits_agree(field, other)


def _limits_agree(field: Field, other: dict[str, Any]) -> None:
    """The largest raw value that counts as data is the database's, where it is a limit of the coding."""
    if "RangeMax" not in other or other.get("Unit") in ("rad", "deg"):
        return
    largest = round(other["RangeMax"] / other.get("Resolution", 1))
    coding = (1 << (field.bits - field.signed)) - 1
    if field.bits > 32 or largest < coding - 3:
        return
    width = (field.bit + field.bits + 7) // 8
    for raw, present in ((largest, True), (coding, False)):
        payload = np.frombuffer((raw << field.bit).to_bytes(width, "little"), np.uint8)[None, :]
        assert bool(read_field(payload, field)[1][0]) is present


def test_a_published_transport_session_is_reassembled() -> None:
    """The payload is that of canboat's j1939-iso-tp test; the group itself is not one we read."""
    log = b"".join(
        f"(1790000000.000000) can0 {frame}\n".encode()
        for frame in (
            "19FF4521#1122334455667788", "1CECFF21#200C0002FF45FF01",
            "1CEBFF21#01A1A2A3A4A5A6A7", "1CEBFF21#02A8A9AAABACFFFF",
        )
    )  # fmt: skip
    counts = decode_can(log)[2].to_pylist()
    assert [(r["formatter"], r["not_decoded"]) for r in counts] == [("130885", 2)]


def test_frames_are_kept_apart_by_the_library_and_by_us_alike() -> None:
    """A fast packet whose middle frame is lost gives nothing, and the next one is whole (nmea2000 library's rule)."""
    packets = FastPackets()
    first = [bytes.fromhex(f) for f in FAST_FRAMES]
    second = [bytes([f[0] + 0x20]) + f[1:] for f in first]
    whole = [
        packets.feed(127489, 1, 0, at, at, frame) for at, frame in enumerate([first[0], first[1], first[3], *second])
    ]
    assert [message is not None for message in whole] == [False] * 6 + [True]


CARRIED = [
    ["$PCDIN,01F119,00000000,0F,2AAF00D1067414FF*59"],
    ["$PCDIN,01F211,00065D6A,72,034E46FFFFFFFFFF*50"],
    ["$PCDIN,01F211,00065DC0,70,21FE03FFFFFFFFFF*25"],
    ["$PCDIN,01F802,000C8286,09,3AFC8CCA0500FFFF*58"],
    ["$MXPGN,01F801,2801,C1308AC40C5DE343*19"],
    ["$MXPGN,01F112,2807,FC7FFF7FFF168012*11"],
    ["$MXPGN,01F200,2856,FFFF7F00000CB201*6F"],
    [
        "$MXPGN,01F201,2838,630D670F50001AA0*17", "$MXPGN,01F201,2838,FFFF002D0A3C88A1*12",
        "$MXPGN,01F201,2838,7F0030FFFFFFFFA2*14", "$MXPGN,01F201,2738,090800000000A3*69",
    ],
]  # fmt: skip
# Our column, the nmea2000 library's field, and from its SI unit to ours.
PEERS: dict[int, dict[str, tuple[str, str, Callable[[float], float]]]] = {
    127250: {"HDT.heading_true_deg": ("heading", "heading_true_deg", math.degrees)},
    127257: {"XDR.value": ("pitch", "value", math.degrees)},
    127488: {"RPM.rpm": ("speed", "rpm", float), "ENGINE.boost_bar": ("boostPressure", "boost_bar", lambda v: v / 1e5)},
    127489: {
        "ENGINE.oil_bar": ("oilPressure", "oil_bar", lambda v: v / 1e5),
        "ENGINE.coolant_c": ("temperature", "coolant_c", lambda v: v - 273.15),
        "ENGINE.fuel_l_per_h": ("fuelRate", "fuel_l_per_h", float),
        "ENGINE.load_pct": ("engineLoad", "load_pct", float),
        "ENGINE.alternator_v": ("alternatorPotential", "alternator_v", float),
    },
    127505: {"TANK.level_pct": ("level", "level_pct", float), "TANK.capacity_l": ("capacity", "capacity_l", float)},
    129025: {"POSITION.lat_deg": ("latitude", "lat_deg", float), "POSITION.lon_deg": ("longitude", "lon_deg", float)},
    129026: {"VELOCITY.sog_kn": ("sog", "sog_kn", lambda v: v * KN)},
}  # fmt: skip


def in_one_sentence(lines: list[str]) -> str:
    """The frames of one fast packet, last byte first, as one PCDIN; the library takes every PGN sentence for whole."""
    frames = [bytes.fromhex(line.split(",")[3].split("*")[0])[::-1] for line in lines]
    payload = (frames[0][2:] + b"".join(frame[1:] for frame in frames[1:]))[: frames[0][1]]
    return sentence(f"PCDIN,{lines[0][7:13]},00000000,{lines[0][16:18]},{payload.hex().upper()}").decode().strip()


@pytest.mark.parametrize("lines", CARRIED, ids=lambda lines: lines[0][:13] + lines[0][-4:])
def test_what_published_sentences_carry_is_what_the_library_reads(lines: list[str]) -> None:
    """Sentences: canboatjs, the Go package `nmea`, tests of the open readers marulc and jasmine, public listings."""
    theirs = NMEA2000Decoder().decode(lines[0] if len(lines) == 1 else in_one_sentence(lines))
    assert theirs is not None
    values = {field.id: field.value for field in theirs.fields}
    tables, rejects, counts = decode_nmea("".join(f"{line}\r\n" for line in lines).encode(), source="x")
    assert rejects.num_rows == 0
    (row,) = counts.to_pylist()
    assert (int(row["formatter"]), row["talker"]) == (theirs.PGN, f"CAN{theirs.source:02X}")
    for name, (field, column, to_ours) in PEERS[theirs.PGN].items():
        ours = tables[name.split(".")[0]].to_pylist()[0][column]
        if values[field] is None:
            assert ours is None
        else:
            assert ours == pytest.approx(to_ours(values[field]), rel=1e-6, abs=1e-9), name
