"""Every decoded sentence type says the same as pynmea2 (bit for bit) and pynmeagps, over generated sentences.

Where the three differ on purpose: a void value is null here, whatever digits stand in it, and a leap second is
a time. Generated sentences are valid ones, so that nothing else may differ.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from tests.nmea_builders import sentence
from tests.nmea_peers import by_pynmea2, by_pynmeagps
from trialcapture.decode.nmea0183.nmea_decoder import FORMATTERS, decode_nmea

Text = Callable[[Random], str]


def decimal(most: int, *, places: int = 3, signed: bool = False) -> Text:
    """Numbers as instruments print them: leading zeros, any number of decimals, a point without any."""

    def write(random: Random) -> str:
        whole = random.choice([0, random.randrange(most), random.randrange(most)])
        fraction = "".join(random.choices("0123456789", k=random.randint(0, places)))
        point = random.choice(["", f".{fraction}", f".{fraction}"])
        sign = random.choice(["", "", "-"]) if signed else ""
        return f"{sign}{whole:0{random.choice([1, 1, 2, 3])}d}{point}"

    return write


def maybe(text: Text) -> Text:
    return lambda random: "" if random.random() < 0.25 else text(random)


def one_of(*choices: str | Text) -> Text:
    def write(random: Random) -> str:
        choice = random.choice(choices)
        return choice if isinstance(choice, str) else choice(random)

    return write


def joined(*parts: str | Text) -> Text:
    return lambda random: ",".join(part if isinstance(part, str) else part(random) for part in parts)


def digits(random: Random, least: int, most: int) -> str:
    return "".join(random.choices("0123456789", k=random.randint(least, most)))


def clock(random: Random) -> str:
    fraction = random.choice(["", "." + digits(random, 1, 6)])
    return f"{random.randrange(24):02d}{random.randrange(60):02d}{random.randrange(60):02d}{fraction}"


def day(form: str) -> Text:
    return lambda random: (dt.date(1990, 1, 1) + dt.timedelta(random.randrange(25_000))).strftime(form)


def position(random: Random) -> str:
    lat = f"{random.randrange(90):02d}{random.randrange(60):02d}.{digits(random, 1, 9)}"
    lon = f"{random.randrange(180):03d}{random.randrange(60):02d}.{digits(random, 1, 9)}"
    return f"{lat},{random.choice('NS')},{lon},{random.choice('EW')}"


def groups(random: Random) -> str:
    one = joined(
        one_of(*"ACGPTU"),
        maybe(decimal(9000, signed=True, places=6)),
        maybe(one_of(*"BCDVRP%")),
        lambda r: "".join(r.choices("ABCXYZ019_# -", k=r.randrange(20))),
    )
    return ",".join(one(random) for _ in range(random.randint(1, 6)))


ANGLE = one_of(decimal(360), decimal(360), "360.0")
SPEED = decimal(100, places=4)
SPEED_EITHER_WAY = decimal(90, signed=True)
VARIATION = one_of(",", joined(decimal(90), one_of(*"EW")))
RMC = joined(clock, "A", position, maybe(SPEED), maybe(ANGLE), maybe(day("%d%m%y")), VARIATION)
VTG = joined(maybe(ANGLE), "T", maybe(ANGLE), "M", SPEED, "N", maybe(SPEED), "K")
ALTITUDE, SEPARATION = decimal(900, signed=True), decimal(110, signed=True)
OFF_BOW = joined(decimal(180), one_of(*"LR"), SPEED, "N", maybe(SPEED), "M", maybe(SPEED), "K")
THREE_DEPTHS = joined(maybe(decimal(900)), "f", decimal(300), "M", maybe(decimal(160)), "F")
MODE = one_of(*"ADEFMPRS")

BODIES: dict[str, Text] = {
    "RMC": one_of(RMC, joined(RMC, MODE), joined(RMC, MODE, one_of(*"SCUV"))),
    "GGA": joined(
        clock, position, one_of(*"12345678"), maybe(one_of("00", "7", "12")), maybe(decimal(100)), maybe(ALTITUDE),
        "M", maybe(SEPARATION), "M", maybe(decimal(100)), one_of("", "0000", "12"),
    ),
    "GNS": joined(
        clock, position, one_of("AN", "DD", "ANNA", "RRF", "NNE"), maybe(one_of("00", "7", "31")), maybe(decimal(100)),
        maybe(ALTITUDE), maybe(SEPARATION), "", "",
    ),
    "GLL": one_of(joined(position, clock, "A"), joined(position, clock, "A", MODE)),
    "VTG": one_of(VTG, joined(VTG, MODE)),
    "ZDA": joined(clock, day("%d,%m,%Y"), one_of("00", "-08", "+01", ""), "00"),
    "HDT": joined(maybe(ANGLE), "T"),
    "THS": joined(maybe(ANGLE), one_of(*"AEMS")),
    "HDG": joined(maybe(ANGLE), VARIATION, VARIATION),
    "HDM": joined(maybe(ANGLE), "M"),
    "VHW": joined(maybe(ANGLE), "T", maybe(ANGLE), "M", SPEED_EITHER_WAY, "N", maybe(SPEED), "K"),
    "VBW": one_of(
        joined(*([SPEED_EITHER_WAY] * 2 + ["A"]) * 2),
        joined(*([SPEED_EITHER_WAY] * 2 + ["A"]) * 2, SPEED_EITHER_WAY, "A", SPEED_EITHER_WAY, "A"),
    ),
    "RPM": joined(
        one_of(*"ES"), one_of(*"0123"), decimal(9000, signed=True), maybe(decimal(100, signed=True)), "A"
    ),
    "RSA": joined(decimal(90, signed=True), "A", decimal(90, signed=True), "A"),
    "MWV": joined(ANGLE, one_of(*"RT"), SPEED, one_of(*"KMNS"), "A"),
    "MWD": joined(maybe(ANGLE), "T", maybe(ANGLE), "M", SPEED, "N", maybe(SPEED), "M"),
    "MDA": joined(
        maybe(decimal(32)), "I", maybe(decimal(2)), "B", maybe(decimal(40, signed=True)), "C",
        maybe(decimal(40, signed=True)), "C", maybe(decimal(100)), maybe(decimal(100)), maybe(decimal(30)), "C",
        maybe(ANGLE), "T", maybe(ANGLE), "M", SPEED, "N", maybe(SPEED), "M",
    ),
    "VWR": OFF_BOW,
    "VWT": OFF_BOW,
    "DPT": one_of(
        joined(maybe(decimal(6000)), decimal(9, signed=True)),
        joined(maybe(decimal(6000)), maybe(decimal(9, signed=True)), maybe(decimal(900))),
    ),
    "DBT": THREE_DEPTHS,
    "DBS": THREE_DEPTHS,
    "MTW": joined(maybe(decimal(40, signed=True)), "C"),
    "ROT": joined(decimal(900, signed=True), "A"),
    "XDR": groups,
}  # fmt: skip


def same(ours: Any, theirs: Any, column: str, *, rounded: bool) -> bool:
    if ours is None or theirs is None:
        return ours is theirs
    if column == "tod_ns":
        return 0 <= ours - theirs <= 1000  # both libraries cut to whole microseconds
    if rounded and column in ("lat_deg", "lon_deg"):
        return round(ours, 10) == theirs
    return ours == theirs and str(ours).startswith("-") == str(theirs).startswith("-")


@pytest.mark.parametrize("formatter", sorted(BODIES))
def test_the_three_agree(formatter: str) -> None:
    random = Random(formatter)
    lines = [sentence(f"II{formatter},{BODIES[formatter](random)}") for _ in range(400)]
    tables, rejects, _ = decode_nmea(b"".join(lines), source="test")
    assert rejects.to_pylist() == []
    rows: dict[int, list[dict[str, Any]]] = {}
    for row in tables[formatter].to_pylist() if formatter in tables else []:
        rows.setdefault(row["line"], []).append(row)
    for number, line in enumerate(lines):
        peers = [(by_pynmea2(line), False), (by_pynmeagps(line), True)]
        assert any(values for values, _ in peers), line
        for values, rounded in peers:
            for column, theirs in (values or {}).items():
                if column == "groups":
                    ours = [(r["type"] or "", r["value"], r["unit"] or "", r["name"] or "") for r in rows[number]]
                    assert ours == theirs, line
                else:
                    assert same(rows[number][0][column], theirs, column, rounded=rounded), (line, column)


def test_every_decoded_type_is_compared_with_a_library() -> None:
    # DBK is known to neither; it has the fields of DBT and the same layout, and is checked by hand below.
    assert set(FORMATTERS) - set(BODIES) == {"DBK"}


def test_depth_below_keel_in_metres_feet_or_fathoms() -> None:
    # Source of the factors: the international foot (0.3048 m exactly) and fathom (6 ft).
    lines = [sentence(f"SDDBK,{body}") for body in ("9.8,f,3.0,M,1.6,F", "10.0,f,,M,,F", ",f,,M,2.0,F", ",f,,M,,F")]
    tables, _, _ = decode_nmea(b"".join(lines), source="test")
    assert tables["DBK"]["depth_m"].to_pylist() == [3.0, 3.048, 3.6576, None]
