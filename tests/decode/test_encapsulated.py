"""Messages of a CAN bus inside NMEA 0183 sentences: the same values as the bus's own log, however they are written.

The sentence formats are those of the module's own docstring; payloads are packed by the published field layouts.
"""

from __future__ import annotations

import struct
from random import Random
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nmea_builders import journal_line, sentence
from trialcapture.decode.can.can_decoder import decode_can
from trialcapture.decode.nmea0183.encapsulated import last_frames
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.stream import line_quality

RAPID = struct.pack("<BHHbH", 0, 2400 * 4, 1234, 127, 65535)
DYNAMIC = struct.pack("<BHHHhhIHHBHHbb", 0, 3920, 3500, 35315, 1380, 425, 7200, 65535, 65535, 255, 0, 0, 50, 60)
MESSAGES = [
    (127488, RAPID),
    (127489, DYNAMIC),
    (127250, struct.pack("<BHhhB", 7, 15_000, 32767, 32767, 0xFC)),
    (128267, struct.pack("<BIhB", 3, 1234, 500, 255)),
    (129026, struct.pack("<BBHHH", 3, 0xFC, 12_345, 678, 65535)),
    (130306, struct.pack("<BHHBH", 3, 500, 20_000, 0xFA, 65535)),
    (129025, struct.pack("<ii", 507_000_000, -13_000_000)),
    (127257, struct.pack("<BhhhB", 3, 0, 500, -700, 255)),
    (130312, struct.pack("<BBBHHB", 3, 0, 0, 29_315, 65535, 255)),
    (61444, bytes.fromhex("FFFFFF803EFFFFFF")),
    (128259, struct.pack("<BHHBB", 3, 612, 65535, 0, 255)),
    (127251, struct.pack("<Bi", 3, 100_000) + b"\xff\xff\xff"),
    (126992, struct.pack("<BBHI", 3, 0xF0, 20_000, 360_000_000)),
    (127505, struct.pack("<BhIB", 0x13, 18_000, 2000, 255)),
    (127245, struct.pack("<BBhhH", 0, 255, 32767, 500, 65535)),
]


def pcdin(pgn: int, data: bytes, source: int = 0x10) -> str:
    return f"PCDIN,{pgn:06X},000C72EA,{source:02X},{data.hex().upper()}"


def frames_of(pgn: int, data: bytes, counter: int = 0) -> list[bytes]:
    if pgn not in (127489, 129029):
        return [data]
    rest = [data[at : at + 7] for at in range(6, len(data), 7)]
    first = bytes([counter % 8 << 5, len(data)]) + data[:6]
    return [first, *(bytes([counter % 8 << 5 | nth]) + part for nth, part in enumerate(rest, start=1))]


def mxpgn(pgn: int, frame: bytes, source: int = 0x10, *, forward: bool = False) -> str:
    data = frame if forward else frame[::-1]
    return f"MXPGN,{pgn:06X},{2 << 12 | len(frame) << 8 | source:04X},{data.hex().upper()}"


def on_the_bus() -> dict[str, list[dict[str, Any]]]:
    log = b"".join(
        b"(1790000000.%06d) can1 %08X#%s\n" % (at, 2 << 26 | pgn << 8 | 0x10, frame.hex().encode())
        for at, (pgn, data) in enumerate(MESSAGES)
        for frame in frames_of(pgn, data)
    )
    return plain(decode_can(log)[0])


def plain(tables: dict[str, pa.Table]) -> dict[str, list[dict[str, Any]]]:
    """Values alone, without where they were found."""
    axis = ["line", "mono_ns", "wall_ms", "source", "talker"]
    return {kind: table.drop_columns(axis).to_pylist() for kind, table in sorted(tables.items())}


@pytest.mark.parametrize("way", ["PCDIN", "MXPGN", "MXPGN in the order of the bus"])
def test_what_sentences_carry_reads_as_on_the_bus(way: str) -> None:
    bodies = [
        body
        for pgn, data in MESSAGES
        for body in (
            [pcdin(pgn, data)]
            if way == "PCDIN"
            else [mxpgn(pgn, frame, forward=way != "MXPGN") for frame in frames_of(pgn, data)]
        )
    ]
    lines = [journal_line(sentence(body), source="gw", mono_us=1000 * nth) for nth, body in enumerate(bodies)]
    tables, rejects, counts = decode_nmea(b"".join(lines), source="x")
    assert plain(tables) == on_the_bus()
    assert rejects.num_rows == 0
    assert counts["good"].to_pylist() == [1] * len(MESSAGES)
    assert sorted(counts["formatter"].to_pylist()) == sorted(str(pgn) for pgn, _ in MESSAGES)
    for table in tables.values():
        table.validate(full=True)
        assert table["source"].to_pylist() == ["gw"] * table.num_rows
        assert set(table["talker"].to_pylist()) == {"CAN10"}
        line = table["line"].to_pylist()
        assert table["mono_ns"].to_pylist() == [1_000_000 * nth for nth in line]


def test_they_stand_among_other_sentences_in_order_of_lines() -> None:
    bodies = ["IIRPM,E,1,1000,,A", pcdin(127488, RAPID), "IIRPM,E,1,1100,,A", "HEHDT,1.0,T", pcdin(127488, RAPID, 0x20)]
    tables, _, counts = decode_nmea(b"".join(sentence(body) for body in bodies), source="x")
    rpm = tables["RPM"]
    assert rpm["line"].to_pylist() == [0, 1, 2, 4]
    assert rpm["rpm"].to_pylist() == [1000.0, 2400.0, 1100.0, 2400.0]
    assert rpm["talker"].to_pylist() == ["II", "CAN10", "II", "CAN20"]
    assert set(tables) == {"RPM", "HDT", "ENGINE"}
    assert sum(counts["good"].to_pylist()) == 5


def test_blocks_cut_at_any_line_give_the_same_where_the_lines_before_are_shown() -> None:
    dice = Random(4)
    bodies = []
    for nth in range(40):
        pgn, data = dice.choice(MESSAGES)
        bodies += [mxpgn(pgn, frame, dice.choice([1, 2])) for frame in frames_of(pgn, data, nth)]
    # 127488 in every block tells which way round its bytes are
    lines = [sentence(mxpgn(127488, RAPID)) + sentence(body) for body in bodies]
    whole = decode_nmea(b"".join(lines), source="x")
    cuts = sorted(dice.sample(range(1, len(lines)), 9))
    found: dict[str, list[dict[str, Any]]] = {}
    before, good = b"", 0
    for a, b in zip([0, *cuts], [*cuts, len(lines)], strict=True):
        block = b"".join(lines[a:b])
        tables, _, counts = decode_nmea(block, source="x", first_line=2 * a, before=last_frames(before))
        for kind, table in tables.items():
            found.setdefault(kind, []).extend(table.to_pylist())
        good += sum(counts["good"].to_pylist())
        before += block
    assert found == {kind: table.to_pylist() for kind, table in whole[0].items()}
    assert good == sum(whole[2]["good"].to_pylist())


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("PCDIN,01F200,00000000,10", "field count"),
        ("PCDIN,01F200,00000000,10,00,00", "field count"),
        ("PCDIN,01F2G0,00000000,10,0000000000000000", "number"),
        ("PCDIN,,00000000,10,0000000000000000", "number"),
        ("PCDIN,01F200,00000000,10,", "number"),
        ("PCDIN,01F200,00000000,10,000", "number"),
        ("PCDIN,01F200,00000000,10,000x", "number"),
        ("PCDIN,01F200,00000000,1000,0000", "number"),
        ("PCDIN,FFFFFF,00000000,10,0000", "number"),
        ("MXPGN,01F200,2810", "field count"),
        ("MXPGN,01F200,2710,FFFF7F00000CB201", "number"),  # seven bytes announced
        ("MXPGN,01F200,xx10,FFFF7F00000CB201", "number"),
    ],
)
def test_damage_is_a_counted_reject(body: str, reason: str) -> None:
    tables, rejects, counts = decode_nmea(sentence(body), source="x")
    assert tables == {}
    assert rejects["reason"].to_pylist() == [reason]
    assert rejects["sentence"].to_pylist() == [body[:5]]
    assert counts["bad"].to_pylist() == [1]


def test_a_message_that_lost_a_frame_is_counted_and_the_next_is_whole() -> None:
    first, second = frames_of(127489, DYNAMIC, 0), frames_of(127489, DYNAMIC, 1)
    bodies = [mxpgn(127489, frame) for frame in [first[0], *first[2:], *second]]
    tables, rejects, counts = decode_nmea(b"".join(sentence(body) for body in bodies), source="x")
    assert tables["ENGINE"].num_rows == 1
    assert (rejects["reason"].to_pylist(), rejects["sentence"].to_pylist()) == (["frame missing"], ["127489"])
    (row,) = counts.to_pylist()
    assert (row["formatter"], row["good"], row["bad"]) == ("127489", 1, 1)


def test_a_group_that_is_not_read_is_counted_by_its_number() -> None:
    tables, rejects, counts = decode_nmea(sentence(pcdin(127493, b"\0" * 8)), source="x")
    assert (tables, rejects.num_rows) == ({}, 0)
    (row,) = counts.to_pylist()
    assert (row["talker"], row["formatter"], row["not_decoded"]) == ("CAN10", "127493", 1)


def test_live_numbers_take_them_for_what_they_are() -> None:
    assert line_quality(sentence(pcdin(127488, RAPID))) == "good"
    assert line_quality(sentence(mxpgn(127488, RAPID))) == "good"
    assert line_quality(sentence(pcdin(127493, RAPID))) == "unread"


FIELD = st.text("0123456789ABCDEFabcdefG,- ", max_size=24) | st.sampled_from(["01F201", "01F200", "00EC00", "00EB00"])


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["PCDIN", "MXPGN", "AAPGN"]), st.lists(FIELD, max_size=5)), max_size=30))
def test_no_fields_raise_and_every_sentence_is_counted(soup: list[tuple[str, list[str]]]) -> None:
    lines = [sentence(",".join([address, *fields])) for address, fields in soup]
    tables, rejects, counts = decode_nmea(b"".join(lines), source="x", before=b"".join(lines[:7]))
    for table in (*tables.values(), rejects, counts):
        table.validate(full=True)
    assert all(min(table["line"].to_pylist()) >= 0 for table in tables.values())
