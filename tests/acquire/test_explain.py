"""Every kind of sentence is explained: fields by name with their latest values, and whether it feeds the result."""

from __future__ import annotations

import pynmea2
import pytest

from tests.decode.test_nmea0183_fields import rmc
from tests.nmea_builders import journal_line, sentence
from trialcapture.acquire.preflight import SentenceSeen, explain_groups, explain_log, explained_lines
from trialcapture.config import load_config
from trialcapture.decode.can.can_decoder import decode_can
from trialcapture.decode.nmea0183.sentences import LAYOUTS

CONFIG = load_config('[[engine]]\nid = "main"\nrated_rpm = 3000\n[[xdr]]\nname = "OIL"\nchannel = "oil_bar_main"\n')


def one(*bodies: str, journal: bool = True) -> SentenceSeen:
    lines = [journal_line(sentence(body), source="bus") if journal else sentence(body) for body in bodies]
    (seen,) = explain_log(lines, CONFIG)
    return seen


@pytest.mark.parametrize("journal", [True, False])
def test_the_latest_values_stand_under_the_librarys_names(journal: bool) -> None:
    seen = one(rmc(sog="1.0"), rmc(sog="2.0"), journal=journal)
    assert (seen.source, seen.sentence, seen.count, seen.bad) == ("bus" if journal else "", "GPRMC", 2, 0)
    message = pynmea2.parse(sentence(rmc(sog="2.0")).decode().strip())
    assert [(f.name, f.value) for f in seen.fields] == list(
        zip((str(entry[0]) for entry in message.fields), message.data, strict=False)
    )
    assert seen.feeds.startswith("position, speed")


def test_a_blank_position_is_blank_and_not_zero() -> None:
    seen = one(rmc(status="V", position=",,,", sog="", cog=""))
    assert {f.name: f.value for f in seen.fields}["Latitude"] == ""
    assert "Latitude = blank" in " ".join(" ".join(explained_lines([seen])).split())


@pytest.mark.parametrize(
    ("body", "feeds", "remark"),
    [
        ("IIVPW,5.0,N,2.6,M", "", "carries speed"),
        ("WIVWT,45.0,L,12.0,N,6.2,M,22.2,K", "", "carries wind"),
        ("GPGSV,3,1,11,01,40,083,46,02,17,308,41", "", ""),
        ("PXYZA,1,2,3", "", ""),
        ("IIRPM,E,1,2400,10.0", "engine speed", "status void: missing field"),
        ("SDDPT,99999.9,0.0", "depth", "refused: range"),
        ("IIXDR,P,3.5,B,OIL,P,1.0,B,MINE", "what its transducers are mapped to", "not mapped to a channel: P,B,MINE"),
        ("PCDIN,01F200,000C72EA,10,00803E36007FFFFF", "engine speed", ""),
        ("MXPGN,01F205,2810,FFFF7F36003E8000", "", "carries engine"),
    ],
)
def test_it_says_which_feed_the_result(body: str, feeds: str, remark: str) -> None:
    seen = one(body)
    assert seen.feeds.startswith(feeds)
    assert bool(seen.feeds) == bool(feeds)
    assert remark in seen.remark


def test_every_type_that_is_decoded_has_names_for_its_fields() -> None:
    for formatter, layouts in LAYOUTS.items():
        seen = one(f"II{formatter}," + "," * (max(layouts) - 1))
        names = [f.name for f in seen.fields]
        assert len(names) == max(layouts)
        assert not [name for name in names if name.startswith("field ")], (formatter, names)


def test_groups_of_a_bus_are_explained_by_number() -> None:
    counts = decode_can(b"(1790000000.123456) can1 09F20010#00B036D204FBFFFF\n(1790000000.2) can1 09F20510#00\n")[2]
    seen = explain_groups(counts)
    assert [(s.source, s.sentence, s.feeds) for s in seen] == [("can1/10", "127488", "engine speed")]


def test_lines_are_no_wider_than_eighty_columns_and_any_bytes_are_welcome() -> None:
    lines = [sentence(rmc()), b"\xff\x00noise$", b"$GPGGA,1*00", b"", b"\\s:a*00\\$IIRPM,E,1,2*00", sentence("gp,1")]
    seen = explain_log(lines)
    assert all(len(line) <= 80 for line in explained_lines(seen))
    assert [(s.sentence, s.count, s.bad) for s in seen] == [("GPRMC", 1, 0), ("GPGGA", 1, 1), ("IIRPM", 1, 1)]
    assert "checksum" in seen[1].remark


def test_a_type_that_is_not_decoded_has_the_librarys_names() -> None:
    seen = one("GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1")
    assert "GSA" not in LAYOUTS
    message = pynmea2.parse(sentence("GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1").decode().strip())
    assert [f.name for f in seen.fields] == [str(entry[0]) for entry in message.fields]
