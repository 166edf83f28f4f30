"""Sentences are found wherever they stand, each once, and everything else is reported."""

from __future__ import annotations

import sys
from subprocess import run
from typing import Any

import pytest

from tests.nmea_builders import journal_line, sentence, tag_block, xor
from trialcapture.decode.nmea0183.general import COUNTS_SCHEMA
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.rejects import REASONS, SCHEMA

HDT = sentence("GPHDT,274.07,T", end=b"")
DPT = sentence("SDDPT,2.3,0.0", end=b"")
ROT = sentence("TIROT,-3.5,A", end=b"")


def decode(block: bytes, **options: Any) -> tuple[list[tuple[str, int]], list[tuple[int, str, bytes]]]:
    """Formatter and line of every row (sorted), and line, reason and bytes of every reject (as they stand)."""
    tables, rejects, _ = decode_nmea(block, source="test", **options)
    rows = sorted((line, name) for name, table in tables.items() for line in table["line"].to_pylist())
    found = [(r["line"], r["reason"], r["bytes"]) for r in rejects.to_pylist()]
    return [(name, line) for line, name in rows], found


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_lines_end_in_crlf_lf_or_cr(end: bytes) -> None:
    assert decode(HDT + end + DPT + end + end + ROT + end) == ([("HDT", 0), ("DPT", 1), ("ROT", 3)], [])


def test_line_numbers_are_those_of_bytes_splitlines() -> None:
    block = b"\n" + HDT + b"\r\r\n" + DPT + b"\n\r" + b"noise\r" + ROT + b"\n\n" + HDT
    rows, rejects = decode(block, first_line=100)
    lines = block.splitlines()
    expected = [("HDT", 1), ("DPT", 3), ("ROT", lines.index(ROT)), ("HDT", len(lines) - 1)]
    assert rows == [(name, 100 + line) for name, line in expected]
    assert rejects == [(100 + lines.index(b"noise"), "noise", b"noise")]


@pytest.mark.parametrize(
    ("line", "rows", "rejects"),
    [
        pytest.param(HDT + DPT, ["HDT", "DPT"], [], id="glued"),
        pytest.param(HDT + HDT + DPT + ROT, ["HDT", "HDT", "DPT", "ROT"], [], id="four glued, one of them twice"),
        pytest.param(b"\x00\xfe\x01noise" + HDT, ["HDT"], [("noise", b"\x00\xfe\x01noise")], id="behind noise"),
        pytest.param(HDT + b" noise", ["HDT"], [("noise", b"noise")], id="before noise"),
        pytest.param(HDT + b"  \t", ["HDT"], [], id="before blanks"),
        pytest.param(b"$GPRMC,1200" + HDT, ["HDT"], [("truncated", b"$GPRMC,1200")], id="behind a cut one"),
        pytest.param(HDT[:-1] + DPT, ["DPT"], [("truncated", HDT[:-1])], id="behind one cut in its checksum"),
        pytest.param(HDT[:-2] + DPT, ["DPT"], [("truncated", HDT[:-2])], id="behind one cut at its star"),
        pytest.param(HDT + DPT[:-3], ["HDT"], [("no checksum", DPT[:-3])], id="before one without checksum"),
        pytest.param(HDT + DPT[1:], ["HDT"], [("noise", DPT[1:])], id="before one that lost its start"),
        pytest.param(b"$$$" + HDT, ["HDT"], [("truncated", b"$$$")], id="starts"),
        pytest.param(
            b"$$ $$$GP" + HDT,
            ["HDT"],
            [("truncated", b"$"), ("truncated", b"$"), ("truncated", b"$$"), ("truncated", b"$GP")],
            id="starts apart",
        ),
        pytest.param(
            b"$GPH$DT,1.0,T*00",
            [],
            [("truncated", b"$GPH"), ("checksum", b"$DT,1.0,T*00")],
            id="start inside",
        ),
        pytest.param(HDT + b"*00", ["HDT"], [("noise", b"*00")], id="two checksums"),
        pytest.param(b"\\\\\\" + HDT, ["HDT"], [("noise", b"\\")] * 3, id="stray backslashes"),
        pytest.param(b"! hello " + HDT + b"!", ["HDT"], [("noise", b"! hello"), ("noise", b"!")], id="exclamations"),
        pytest.param(b"$*00", [], [("truncated", b"$*00")], id="nothing but a frame"),
        pytest.param(b"$GPHDT,1\x07,T*00", [], [("control bytes", b"$GPHDT,1\x07,T*00")], id="control byte"),
        pytest.param(b"$GPHDT,1\xb0,T*00", [], [("control bytes", b"$GPHDT,1\xb0,T*00")], id="high byte"),
        pytest.param(sentence("gphdt,274.07,T", end=b""), [], [("address", b"$gphdt,274.07,T*23")], id="lower case"),
        pytest.param(HDT[:-2] + HDT[-2:].lower() + b"", ["HDT"], [], id="checksum in lower case"),
    ],
)
def test_every_intact_sentence_of_a_line_is_found_and_the_rest_reported(
    line: bytes, rows: list[str], rejects: list[tuple[str, bytes]]
) -> None:
    assert decode(line + b"\r\n") == ([(name, 0) for name in sorted(rows)], [(0, *reject) for reject in rejects])


def test_a_block_of_nothing_gives_nothing() -> None:
    tables, rejects, counts = decode_nmea(b"", source="test")
    assert tables == {}
    assert rejects.schema == SCHEMA
    assert counts.schema == COUNTS_SCHEMA
    assert rejects.num_rows == counts.num_rows == 0
    assert decode(b"\r\n\n\r   \r\n") == ([], [])


def test_sentences_up_to_256_characters_are_accepted() -> None:
    # The standard's limit is 82; receivers of many digits and XDR of many transducers exceed it.
    group = ",A,1.0,D,{}"
    body = "IIXDR" + "".join(group.format(f"NAME{n:02d}") for n in range(14))
    fill = 256 - len(sentence(body, end=b""))
    whole = sentence(body.replace("NAME00", "NAME00" + "x" * fill), end=b"")
    long = sentence(body.replace("NAME00", "NAME00" + "x" * (fill + 1)), end=b"")
    assert (len(whole), len(long)) == (256, 257)
    rows, rejects = decode(whole + b"\r\n" + long + b"\r\n" + HDT + b"\r\n")
    assert rows == [("XDR", 0)] * 14 + [("HDT", 2)]
    assert [(line, reason) for line, reason, _ in rejects] == [(1, "too long")]


def test_a_line_that_never_ends_costs_nothing_but_itself() -> None:
    rows, rejects = decode(b"$" + b"A" * 100_000 + b"\r\n" + HDT + b"\r\n" + b"x" * 100_000 + HDT + b"\r\n")
    assert rows == [("HDT", 1), ("HDT", 2)]
    assert [(line, reason, len(text)) for line, reason, text in rejects] == [
        (0, "too long", 256),
        (2, "noise", 256),
    ]


def test_types_that_are_not_decoded_are_counted_and_no_fault() -> None:
    ais = sentence("AIVDM,1,1,,A,13nN34?000QFpgRWnQLLSPpF00SO,0", start=b"!")
    bodies = ["GPGSV,1,1,00", "IIFLW,1", "PGRME,15.0,M,22.0,M,15.0,M", "PMTK001,314,3", "GPGPQ,RMC", "PHDT,1.0,T"]
    block = b"".join(sentence(body) for body in [*bodies, "LOG108,1,100", "GPHDT,1.0,T"])
    block += ais + ais + sentence("GPHDT,1.0,T", start=b"!")
    tables, rejects, counts = decode_nmea(block, source="test")
    assert {name: table.num_rows for name, table in tables.items()} == {"HDT": 1}
    assert rejects.num_rows == 0
    seen = {(r["talker"], r["formatter"]): (r["good"], r["bad"], r["not_decoded"]) for r in counts.to_pylist()}
    # A manufacturer's sentence is never split into talker and formatter, even if the letters would fit.
    assert seen == {
        ("GP", "GSV"): (0, 0, 1), ("II", "FLW"): (0, 0, 1), ("P", "GRME"): (0, 0, 1), ("AI", "VDM"): (0, 0, 2),
        ("P", "MTK001"): (0, 0, 1), ("GP", "GPQ"): (0, 0, 1), ("P", "HDT"): (0, 0, 1), ("", "LOG108"): (0, 0, 1),
        ("GP", "HDT"): (1, 0, 1),
    }  # fmt: skip


def test_counts_add_up_to_the_sentences_and_rejects() -> None:
    bad = b"$GPHDT,274.07,T*00\r\n$GPHDT,x,T*59\r\n" + sentence("GPHDT,1.0,X") + b"$GPHD\r\n$?,1*00\r\n"
    tables, rejects, counts = decode_nmea(HDT + b"\r\n" + bad + DPT + b"\r\n", source="test")
    assert (sum(counts["good"].to_pylist()), sum(t.num_rows for t in tables.values())) == (2, 2)
    assert sum(counts["bad"].to_pylist()) == rejects.num_rows == 5
    rows = {(r["talker"], r["formatter"]): r["bad"] for r in counts.to_pylist()}
    assert rows[("GP", "HDT")] == 3
    assert set(rejects["reason"].to_pylist()) <= set(REASONS)


def test_tag_blocks_give_source_and_receipt() -> None:
    block = (
        journal_line(HDT + b"\r\n", source="gps1", wall_ms=1_790_000_000_123, mono_us=5_123_456)
        + tag_block("s:GP0001,n:23") + HDT + b"\r\n"
        + tag_block("c:1790000000") + HDT + b"\r\n"
        + tag_block("c:1790000000.25") + HDT + b"\r\n"
        + tag_block("g:1-2-3") + tag_block("s:second,c:1790000001") + HDT + b"\r\n"
        + HDT + b"\r\n"
    )  # fmt: skip
    tables, rejects, counts = decode_nmea(block, source="file")
    assert rejects.num_rows == 0
    found = [(r["source"], r["wall_ms"], r["mono_ns"]) for r in tables["HDT"].to_pylist()]
    assert found == [
        ("gps1", 1_790_000_000_123, 5_123_456_000), ("GP0001", None, None), ("file", 1_790_000_000_000, None),
        ("file", 1_790_000_000_250, None), ("second", 1_790_000_001_000, None), ("file", None, None),
    ]  # fmt: skip
    assert {r["source"]: r["good"] for r in counts.to_pylist()} == {
        "gps1": 1,
        "GP0001": 1,
        "file": 3,
        "second": 1,
    }


def test_a_tag_block_holds_to_the_end_of_its_line() -> None:
    block = (
        b"noise" + tag_block("s:one") + HDT + DPT + b"\r\n"  # both were received together
        + ROT + b"\r\n"
        + tag_block("s:two") + b"$GPRMC,12" + tag_block("s:three") + HDT + b"\r\n"  # a torn line, then the next
    )  # fmt: skip
    tables, rejects, _ = decode_nmea(block, source="file")
    sources = {name: table["source"].to_pylist() for name, table in tables.items()}
    assert sources == {"HDT": ["one", "three"], "DPT": ["one"], "ROT": ["file"]}
    found = [(r["source"], r["reason"]) for r in rejects.to_pylist()]
    assert found == [("file", "noise"), ("two", "truncated")]


@pytest.mark.parametrize(
    "tag",
    [
        b"\\s:gps1,c:1790000000*00\\",
        b"\\s:gps1,c:1790000000\\",
        b"\\s:gps1,c:17\x0090*11\\",
        tag_block("s:gps1")[:-1],
        b"\\s:gps1,*zz\\",
    ],
)
def test_a_damaged_tag_block_costs_no_sentence(tag: bytes) -> None:
    tables, rejects, _ = decode_nmea(tag + HDT + b"\r\n" + HDT + b"\r\n", source="file")
    assert tables["HDT"]["source"].to_pylist() == ["file", "file"]
    assert tables["HDT"]["wall_ms"].to_pylist() == [None, None]
    assert [r["line"] for r in rejects.to_pylist()] == [0] * rejects.num_rows
    assert rejects.num_rows >= 1


def test_a_time_that_is_none_is_reported_and_not_used() -> None:
    tables, rejects, _ = decode_nmea(tag_block("s:a,c:yesterday,r:-5") + HDT + b"\r\n", source="file")
    (row,) = tables["HDT"].to_pylist()
    assert (row["source"], row["wall_ms"], row["mono_ns"]) == ("a", None, None)
    assert [r["reason"] for r in rejects.to_pylist()] == ["tag value"]


def test_journal_lines_give_back_what_was_received() -> None:
    inner = tag_block("s:GP0001,c:1")
    payloads = [
        HDT + b"\r\n",
        HDT + b"\n",
        HDT + b"\r",
        b"\x00\xff^\\" + DPT + b"\n",
        inner + ROT + b"\r\n",
        sentence("IIXDR,A,1.0,D,A^2CB"),  # an escape of the sender's own, summed as sent
        b"^41 is no sentence\r\n",
    ]
    block = b"".join(journal_line(payload, mono_us=nth) for nth, payload in enumerate(payloads))
    tables, rejects, _ = decode_nmea(block, source="file")
    places = {name: table["line"].to_pylist() for name, table in tables.items()}
    assert places == {"HDT": [0, 1, 2], "DPT": [3], "ROT": [4], "XDR": [5]}
    assert tables["XDR"]["name"].to_pylist() == ["A^2CB"]
    assert {source for table in tables.values() for source in table["source"].to_pylist()} == {"gps1"}
    assert [(r["line"], r["mono_ns"], r["bytes"]) for r in rejects.to_pylist()] == [
        (3, 3000, b"\x00\xff^"),
        (3, 3000, b"\\"),
        (6, 6000, b"^41 is no sentence"),
    ]


def test_an_escape_outside_a_journal_line_stands_as_it_was_sent() -> None:
    name = b"A^2CB"
    body = b"IIXDR,A,1.0,D," + name
    line = tag_block("s:gps1") + b"$" + body + b"*%02X\r\n" % xor(body)
    assert decode_nmea(line, source="file")[0]["XDR"]["name"].to_pylist() == ["A^2CB"]


def test_without_a_checksum_a_sentence_is_used_only_where_that_was_agreed() -> None:
    bare = HDT[:-3]
    wrong = bare + b"*00"
    assert decode(bare + b"\r\n" + wrong + b"\r\n") == ([], [(0, "no checksum", bare), (1, "checksum", wrong)])
    rows, rejects = decode(bare + b"\r\n" + wrong + b"\r\n" + HDT + b"\n", require_checksum=False)
    assert (rows, rejects) == ([("HDT", 0), ("HDT", 2)], [(1, "checksum", wrong)])


@pytest.mark.parametrize(
    "block",
    [
        HDT[:-3] + DPT + b"\r\n",  # the next one starts inside it
        DPT + b"\r\n" + HDT[:-3],  # the file ends inside it
        journal_line(HDT[:-3], cut=True) + DPT + b"\r\n",  # the recorder saw no line end
        journal_line(HDT[:-3], end=b"\n") + DPT + b"\r\n",  # the recorder crashed inside it
    ],
)
def test_a_sentence_without_checksum_must_reach_its_line_end(block: bytes) -> None:
    rows, rejects = decode(block, require_checksum=False)
    assert [name for name, _ in rows] == ["DPT"]
    assert [(reason, text) for _, reason, text in rejects] == [("truncated", HDT[:-3])]
    whole = journal_line(HDT[:-3] + b"\r\n") + journal_line(HDT[:-3] + b"\n")
    assert decode(whole, require_checksum=False) == ([("HDT", 0), ("HDT", 1)], [])


def test_one_source_may_be_trusted_without_checksums_and_the_others_not() -> None:
    bare = HDT[:-3]
    block = journal_line(bare + b"\r\n", source="old") + journal_line(bare + b"\r\n", source="new") + bare + b"\r\n"
    assert decode(block, without_checksum={"old"})[0] == [("HDT", 0)]
    assert decode(block, without_checksum=["old", "test"])[0] == [("HDT", 0), ("HDT", 2)]
    assert decode(block, without_checksum={"old"}, require_checksum=False)[1] == []


def test_decoding_does_not_import_pandas() -> None:
    code = (
        "import sys; from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea;"
        "t = decode_nmea(b'$GPHDT,274.07,T*03\\r\\n$IIXDR,A,1,D,X*6B\\r\\n$GPHDT\\r\\n', source='a');"
        "sys.exit('pandas' in sys.modules)"
    )
    assert run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_second_sender_of_a_lenient_source_needs_no_checksum_either() -> None:
    bare = b"$HEHDT,90.0,T"
    lines = b"".join(tag_block(f"s:{source}") + bare + b"\r\n" for source in ("gps1", "gps1-2", "ins1"))
    tables, _, _ = decode_nmea(lines, source="log", without_checksum={"gps1"})
    assert tables["HDT"]["source"].to_pylist() == ["gps1", "gps1-2"]
