"""Telling good traffic from bad without decoding it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import rig
from trialcapture.decode.nmea0183.nmea_decoder import FORMATTERS, decode_nmea
from trialcapture.decode.nmea0183.stream import READ_FORMATTERS, line_quality


@pytest.mark.parametrize(
    ("piece", "grade"),
    [
        (b"$GPHDT,274.07,T*03\r\n", "good"),
        (b"$GPHDT,274.07,T*03", "good"),
        (b"$GPHDT,274.08,T*03\r\n", "bad"),
        (rig.sentence("IIFLW,1"), "unread"),
        (b"!" + rig.sentence("AIVDM,1,1,,A,15M67FC000G,0")[1:], "unread"),
        (b"$GPHDT,274.07,T\r\n", "unsummed"),
        (b"hello\r\n", "bad"),
        (b"\x00\xff\r\n", "noise"),
        (b"\\s:a*12\\", "tag"),
        (b"\r\n", "blank"),
    ],
)
def test_each_kind_of_piece_has_its_grade(piece: bytes, grade: str) -> None:
    assert line_quality(piece) == grade


def test_what_counts_as_read_is_what_the_decoder_reads() -> None:
    assert {name.decode() for name in READ_FORMATTERS} == set(FORMATTERS)


@given(st.binary(max_size=100))
def test_any_bytes_have_a_grade_and_no_more_are_good_than_the_decoder_takes(piece: bytes) -> None:
    grade = line_quality(piece)
    if grade == "good":
        counts = decode_nmea(piece + b"\r\n", source="x")[2]
        assert counts.num_rows >= 1
