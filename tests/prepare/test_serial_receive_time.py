"""Time on a serial line comes off the receipt stamps of programs that stamp a line when it is complete."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from tests.nmea_builders import journal_line, sentence
from trialcapture.config import load_config
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.clocks.sentence_times import correct_receive_times, count_characters, serial_lines

START = datetime(2026, 5, 14, 9, 0, 0, tzinfo=UTC).timestamp()
SLOW = '[[source]]\nid = "gps1"\nkind = "serial"\nport = "COM7"\nbaud = 4800\n'


def block(stamps_s: list[float], sentences: list[bytes], source: str = "gps1") -> bytes:
    return b"".join(
        journal_line(s, wall_ms=round((START + t) * 1000), mono_us=round(t * 1e6), source=source)
        for t, s in zip(stamps_s, sentences, strict=True)
    )


@pytest.mark.parametrize(
    ("line", "characters"),
    [
        (b"$HEHDT,90.0,T*2A\r\n", 18),
        (b"$HEHDT,90.0,T*2A\n", 18),
        (b"$HEHDT,90.0,T*2A\r", 18),
        (b"$HEHDT,90.0,T*2A", 18),
        (rb"\s:gps1,c:1,r:2*00\$HEHDT,90.0,T*2A" + b"\r\n", 18),
        (b"\r\n", 2),
    ],
)
def test_a_sentence_is_as_long_as_it_was_on_the_wire(line: bytes, characters: int) -> None:
    assert count_characters(b"$X\r\n" + line).tolist() == [4, characters]


def test_a_heading_stamped_when_complete_is_put_back_by_its_time_on_the_line() -> None:
    headings = [sentence(f"HEHDT,{i % 360:05.1f},T") for i in range(200)]
    data = block([10.0 + 0.2 * i for i in range(200)], headings)
    tables, _, _ = decode_nmea(data, source="log", first_line=40)
    moved = correct_receive_times(tables, data, 40, serial_lines(load_config(SLOW + 'stamp = "last_byte"')))
    late_s = (np.array(tables["HDT"]["mono_ns"]) - np.array(moved["HDT"]["mono_ns"])) / 1e9
    # 19 characters of ten bits at 4800 bit/s (NMEA 0183, from memory)
    assert len(headings[0].rstrip()) == 17
    assert np.allclose(late_s, 19 * 10 / 4800, atol=1e-6)
    assert np.array(tables["HDT"]["wall_ms"])[0] - np.array(moved["HDT"]["wall_ms"])[0] == round(1000 * late_s[0])


def test_our_own_stamps_stand_at_the_first_byte_and_stay() -> None:
    assert serial_lines(load_config(SLOW)) == {}
    data = block([1.0, 2.0], [sentence("HEHDT,90.0,T")] * 2)
    tables, _, _ = decode_nmea(data, source="log")
    assert correct_receive_times(tables, data, 0, {}) == tables


def test_a_second_sender_of_a_source_is_corrected_like_it_and_others_are_left() -> None:
    lines = serial_lines(load_config(SLOW + 'stamp = "last_byte"'))
    data = block([1.0], [sentence("HEHDT,90.0,T")], "gps1-2") + block([1.5], [sentence("HEHDT,91.0,T")], "ins1")
    tables, _, _ = decode_nmea(data, source="log")
    moved = correct_receive_times(tables, data, 0, lines)["HDT"]["mono_ns"].to_pylist()
    assert moved[0] < 1_000_000_000
    assert moved[1] == 1_500_000_000
