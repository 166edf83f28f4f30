"""Lines read by their template give what they give one by one: the same rows to the last bit, rejects and counts.

`general` takes any line apart at its separators and is held against libraries and published examples by the
other tests; here `templated` is held against it, on sound text, on text at the edge of each field's shape, on
damage and on soup.
"""

from __future__ import annotations

from random import Random
from types import SimpleNamespace
from typing import Any
from unittest import mock

import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.decode.test_nmea0183_damage import DAMAGE, SOUP, clean_sentences, damaged_stream
from tests.nmea_builders import journal_line, sentence, tag_block
from trialcapture.decode.nmea0183 import templated
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.templated import find_lines, group_by_template

NEVER = 1 << 40

NUMBERS = ["", "0", "1", "007", "1.5", ".5", "5.", "12.345", "0.0", "-0.0", "-1.5", "+2", "-.5", "--1", "1-", ".", "-",
           "359.99", "360", "360.0", "360.1", "9999", "1e3", "0x1", " 1", "1 ", "123456789012345", "1234567890123456",
           "0.123456789012345", "12345678901234567890", "2000", "2000.1", "180.0", "30001"]  # fmt: skip
TIMES = ["", "000000", "101112", "101112.", "101112.5", "101112.123456789", "101112.1234567891", "235959.99", "235960",
         "235961.0", "101161.0", "101169", "101160.5", "240000", "240000.00", "126000", "10111", "1011122", "10111x",
         "101112.5.5"]  # fmt: skip
DATES = ["", "000000", "010170", "290224", "290223", "310226", "311299", "320126", "011326", "10126", "0101260"]
LATITUDES = ["", "5042.123", "0000.0", "9000.00", "9000.01", "5060.0", "5059.9999999999", "5042", "5042.", "542.1",
             "05042.1", "5042.12345678901234", "-5042.1"]  # fmt: skip
LONGITUDES = ["", "00142.123", "18000.0", "18000.001", "17959.99999", "00160.0", "0142.1", "00142."]
LETTERS = ["", "A", "V", "N", "S", "E", "W", "T", "M", "K", "f", "F", "C", "L", "R", "D", "AA", "0", "a", "AN"]
WORDS = ["", "PITCH", "ROLL", "ENGINE#0", "ENGINE#1", "Temp 1", "a^b", "x!y", "x~y", "A" * 95]


ODD = {"n": NUMBERS, "t": TIMES, "d": DATES, "y": LATITUDES, "x": LONGITUDES, "l": LETTERS, "w": WORDS}
# A sound sentence of each kind, and what its fields are: n number, t time, d date, y x position, l letter, w word.
SOUND = {
    "GPRMC,101112.50,A,5042.12345,N,00142.12345,W,2.47,79.0,040226,2.4,W,A,S": "tlylxlnndnlll",
    "GPRMC,101112.50,A,5042.12345,N,00142.12345,W,2.47,79.0,040226,2.4,W": "tlylxlnndnl",
    "GPRMC,101112,V,,,,,,,040226,,": "tlylxlnndnl",
    "GPGGA,101112.50,5042.12345,N,00142.12345,W,1,09,1.0,2.6,M,48.2,M,,": "tylxlnnnnlnlnn",
    "GNGNS,101112.50,5042.12345,N,00142.12345,W,AA,09,1.0,2.6,48.2,,,S": "tylxlwnnnnnnl",
    "GPGLL,5042.12345,N,00142.12345,W,101112.50,A,A": "ylxltll",
    "GPVTG,79.0,T,81.4,M,2.47,N,4.58,K,A": "nlnlnlnll",
    "GPVTG,79.0,81.4,2.47,4.58": "nnnn",
    "GPZDA,101112.50,04,02,2026,00,00": "tnnnnn",
    "HEHDT,4.9,T": "nl",
    "HETHS,4.9,A": "nl",
    "HCHDG,4.9,1.0,E,2.0,W": "nnlnl",
    "VWVHW,4.5,T,6.9,M,0.01,N,0.02,K": "nlnlnlnl",
    "VWVBW,1.0,0.1,A,2.0,0.2,A,0.3,A,0.4,A": "nnlnnlnlnl",
    "IIRPM,E,1,600.0,10.0,A": "lnnnl",
    "IIRSA,1.0,A,-2.0,A": "nlnl",
    "WIMWV,218.6,R,6.5,N,A": "nlnll",
    "WIMWD,218.6,T,220.1,M,6.5,N,3.3,M": "nlnlnlnl",
    "WIVWR,18.6,L,6.5,N,3.3,M,12.0,K": "nlnlnlnl",
    "SDDPT,2.3,0.5,100.0": "nnn",
    "SDDBT,7.5,f,2.3,M,1.2,F": "nlnlnl",
    "YXMTW,14.9,C": "nl",
    "TIROT,-23.7,A": "nl",
    "IIXDR,A,0.9,D,PITCH,A,-0.1,D,ROLL": "lnlwlnlw",
    "GPGSV,3,1,11,01,40,083,46,02,17,308,41": "nnnnnnnnnnn",
    "PGRME,15.0,M,45.0,M": "nlnl",
    "GPXYZ,1,101112,abc": "ntw",
}


def change_digits(random: Random, body: str) -> str:
    """Other numbers of the same shape, most of them sound; the address keeps its digits."""
    address, _, fields = body.partition(",")
    return address + "," + "".join(random.choice("0123456789") if c.isdigit() else c for c in fields)


def odd_bodies(random: Random) -> list[str]:
    """One kind of sentence several times, with one field (or none, or some) of a shape at the edge."""
    sound, kinds = random.choice(list(SOUND.items()))
    address, *fields = sound.split(",")
    for _ in range(random.choice([0, 1, 1, 1, 1, 2])):
        nth = random.randrange(len(fields))
        fields[nth] = random.choice(ODD[kinds[nth]])
    if random.random() < 0.1:
        fields = fields[: random.randrange(len(fields))]
    body = ",".join([address, *fields])
    return [body if random.random() < 0.6 else change_digits(random, body) for _ in range(random.choice([1, 3, 6]))]


def outcome(block: bytes, fewest: int, **options: Any) -> tuple[Any, ...]:
    """Everything decoded, numbers by their bits, and dictionaries as they stand."""
    with mock.patch.object(templated, "FEWEST_ALIKE", fewest):
        tables, rejects, counts = decode_nmea(block, source="test", first_line=7, **options)
    for table in (*tables.values(), rejects, counts):
        table.validate(full=True)
    return (
        {name: (str(table.schema), {c: bits(table[c]) for c in table.column_names}) for name, table in tables.items()},
        rejects.to_pylist(),
        counts.to_pylist(),
    )


def bits(column: pa.ChunkedArray) -> Any:
    if not pa.types.is_primitive(column.type) or pa.types.is_boolean(column.type):
        return column.to_pylist()
    known, numbers = column.is_valid().to_numpy(), column.fill_null(0).to_numpy()
    return known.tobytes(), numbers.tobytes()


def lines_at_the_edge(random: Random, count: int, *, journal: bool) -> bytes:
    lines = []
    for body in (body for _ in range(count) for body in odd_bodies(random)):
        text = sentence(body, end=random.choice([b"\r\n"] * 8 + [b"\n", b"\r"]))
        if journal:
            text = journal_line(text, source=random.choice(["gps1", "ins", "a 1"]), mono_us=random.randrange(10**8))
        lines.append(text)
    return b"".join(lines)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32), st.booleans())
def test_fields_at_the_edge_of_their_shape_read_alike_both_ways(seed: int, journal: bool) -> None:
    block = lines_at_the_edge(Random(seed), 100, journal=journal)
    expected = outcome(block, NEVER)
    assert outcome(block, 1) == expected
    assert outcome(block, templated.FEWEST_ALIKE) == expected


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([0.05, 0.5]), st.booleans())
def test_damaged_lines_read_alike_both_ways(seed: int, share: float, journal: bool) -> None:
    random = Random(seed)
    block, _ = damaged_stream(random, clean_sentences(random, 80), share, DAMAGE)
    if journal:
        parts = block.splitlines(keepends=True)
        block = b"".join(journal_line(part, mono_us=nth) for nth, part in enumerate(parts))
    assert outcome(block, 1) == outcome(block, NEVER)


TAGS = [tag_block(text) for text in (
    "s:a,c:1790000000123,r:5", "s:a,c:1790000000123,r:15", "c:1790000000,s:b", "r:12", "s:a", "c:0000000000123,s:a",
    "s:a,s:b", "s:a,c:1,r:2", "s:a,c:17900000001234,r:2", "s:a,r:1234567890123456", "s:a,n:3,c:1790000000123",
    "s:,c:1790000000123", "s:test,r:3", "g:1-2-33", "s:a,c:x,r:1", "S:a", "s:a,c:1790000000123,r:5,t:cut",
)] + [b"\\s:a,c:1790000000123,r:5*00\\", b"\\s:a\\", b"\\s:ax12\\"]  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([*TAGS, b""]), st.sampled_from(
    [sentence("GPHDT,274.07,T"), sentence("GPHDT,1.07,T"), sentence("PGRME,15.0,M"), sentence("GPTXT,a^b"), b"x\r\n",
     sentence("GPHDT,4.0,T", end=b"\r"), sentence("IIXDR,A,1,D,X"), b"!AIVDM,1,1,,A,x,0*26\r\n", b"$GPHDT,1.0,T*00\n"]
)), max_size=30).map(lambda pairs: b"".join(tag + text for tag, text in pairs)))  # fmt: skip
def test_tag_blocks_of_all_kinds_read_alike_both_ways(block: bytes) -> None:
    assert outcome(block, 1) == outcome(block, NEVER)


@settings(max_examples=80, deadline=None)
@given(SOUP, st.booleans())
@example(b"\\", True)
@example(b"", True)
@example(b"\r", True)
@example(b"\n\r\r\n", False)
def test_soup_reads_alike_both_ways(soup: bytes, require_checksum: bool) -> None:
    good = b"\r\n" + sentence("SDDPT,2.3,0.0") * 2
    for block in (soup, soup + good, good + soup):
        assert outcome(block, 1, require_checksum=require_checksum) == outcome(
            block, NEVER, require_checksum=require_checksum
        )


@pytest.mark.parametrize("wanted", [[], [("PITCH", "", "")], [("PITCH", "A", "D"), ("ROLL", "", "X")], [("", "A", "")]])
def test_wanted_transducers_are_the_same_both_ways(wanted: list[tuple[str, str, str]]) -> None:
    random = Random(3)
    block = b"".join(sentence(f"IIXDR,A,{random.random():.1f},D,PITCH,A,{nth},D,ROLL,,,,") for nth in range(40))
    xdr = [SimpleNamespace(name=name, type=kind, unit=unit) for name, kind, unit in wanted]
    assert outcome(block, 1, xdr=xdr) == outcome(block, NEVER, xdr=xdr)


def test_a_sound_log_is_read_by_its_templates_and_only_its_oddities_one_by_one() -> None:
    lines = [journal_line(text, mono_us=nth) for nth, text in enumerate(clean_sentences(Random(1), 2000))]
    found = find_lines(b"".join(lines))
    assert found.plain.all()
    with mock.patch("trialcapture.decode.nmea0183.nmea_decoder.decode_general", side_effect=AssertionError) as other:
        decode_nmea(b"".join(lines[:1] * 10), source="x")
    assert not other.called


def test_lines_of_one_template_with_other_letters_are_told_apart() -> None:
    texts = ["HEHDT,4.9,T", "YXMTW,4.9,C", "HCHDM,4.9,M", "XXZZZ,4.9,M", "TIROT,4.9,A", "TIROT,4.9,V"] * 20
    block = b"".join(map(sentence, texts))
    assert outcome(block, 3) == outcome(block, NEVER)
    with mock.patch("trialcapture.decode.nmea0183.nmea_decoder.decode_general", side_effect=AssertionError):
        tables, _, counts = decode_nmea(block, source="x")
    assert {name: table.num_rows for name, table in tables.items()} == {"HDT": 20, "HDM": 20, "MTW": 20, "ROT": 40}
    assert sum(counts["not_decoded"].to_pylist()) == 20


def test_lines_that_come_together_by_chance_are_told_apart() -> None:
    """Shapes are found by a hash; here it is the same for all lines."""
    random = Random(5)
    text, _ = damaged_stream(random, clean_sentences(random, 60), 0.1, DAMAGE)
    for block in (lines_at_the_edge(random, 40, journal=True), text):
        expected = outcome(block, NEVER)
        with mock.patch.object(templated, "_ODD", (0,) * 4):
            assert len(group_by_template(find_lines(block), 1)) == 1
            assert outcome(block, 1) == expected


def test_lines_whose_marks_and_address_are_the_same_are_one_group() -> None:
    texts = ["HEHDT,4.9,T", "HEHDT,5.7,T", "HEHDT,15.7,T", "HCHDM,4.9,M", "HEHDT,4.9,A", "HEHDT,4.9,T,"]
    found = find_lines(b"".join(map(sentence, texts)))
    groups = {tuple(group.rows.tolist()): group.length for group in group_by_template(found, 1)}
    assert groups == {(0, 1, 4): 17, (2,): 18, (3,): 17, (5,): 18}
    assert [group.rows.tolist() for group in group_by_template(found, 3)] == [[0, 1, 4]]


def test_a_transducer_out_of_range_is_refused_among_many_lines_alike() -> None:
    sound, wild = sentence("IIXDR,A,1.0,D,X"), sentence("IIXDR,A,9999999999999,D,X")
    tables, rejects, counts = decode_nmea((sound * 40 + wild) * 12, source="x")
    assert tables["XDR"]["value"].to_pylist() == [1.0] * 480
    assert [row["reason"] for row in rejects.to_pylist()] == ["range"] * 12
    assert [(row["good"], row["bad"]) for row in counts.to_pylist()] == [(480, 12)]
