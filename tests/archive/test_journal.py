"""Any byte stream goes into the journal and comes back exactly, in a file other tools can read."""

import random
from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.archive.journal import (
    LINE_LIMIT_BYTES,
    encode_line,
    escape,
    original_bytes,
    parse_line,
    split_lines,
    unescape,
)
from trialcapture.decode.nmea0183.stream import split_stream, xor_checksum
from trialcapture.errors import TrialCaptureError

LINE_END = st.sampled_from([b"\r\n", b"\n", b"\r", b"", b"\r\r\n", b"\n\r"])
PAYLOAD = st.one_of(st.binary(max_size=60), st.sampled_from([b"\r" * 700, b"\xff" * 2000, b"a" * 5000, b"\r", b"\n"]))


def encode(payload: bytes, line_end: bytes = b"\r\n", source: str = "gps1") -> bytes:
    return encode_line(payload, source=source, wall_ms=1_790_000_000_123, mono_us=5_123_456, line_end=line_end)


@given(st.lists(st.tuples(st.sampled_from(["gps1", "a_b-9"]), PAYLOAD, LINE_END), max_size=12))
def test_original_bytes_come_back_exactly(received: list[tuple[str, bytes, bytes]]) -> None:
    journal = b"".join(encode(payload, end, source) for source, payload, end in received)
    sent: dict[str, bytes] = {}
    for source, payload, end in received:
        sent[source] = sent.get(source, b"") + payload + end
    assert original_bytes(journal) == sent
    for line in split_lines(journal):
        assert len(line) <= LINE_LIMIT_BYTES
        assert line.endswith(b"\r\n")
        assert all(0x20 <= byte <= 0x7E for byte in line[:-2])
        assert parse_line(line).fault == ""


@given(st.binary(max_size=3000))
def test_a_stream_cut_into_pieces_and_journalled_comes_back_exactly(stream: bytes) -> None:
    pieces, rest = split_stream(stream)
    journal = b"".join(encode(piece, b"") for piece in [*pieces, rest] if piece)
    assert original_bytes(journal).get("gps1", b"") == stream


def test_an_ordinary_sentence_stands_in_the_journal_as_it_was_sent() -> None:
    line = encode(b"$GPHDT,274.07,T*03")
    assert line == b"\\s:gps1,c:1790000000123,r:5123456*%02X\\$GPHDT,274.07,T*03\r\n" % reduce(
        xor, b"s:gps1,c:1790000000123,r:5123456"
    )
    parsed = parse_line(line)
    assert (parsed.source, parsed.wall_ms, parsed.mono_us) == ("gps1", 1_790_000_000_123, 5_123_456)


# The strings are those of the pyais test suite, three with a right TAG checksum and two with a wrong one.
@pytest.mark.parametrize(
    ("block", "stated", "right"),
    [
        (b"s:2573535,c:1671533231", 0x08, 0x08),
        (b"s:2573545,c:1671533231", 0x0F, 0x0F),
        (b"c:1503079517", 0x53, 0x53),
        (b"g:1-2-27300,n:636994,s:b003669710,c:1428621738", 0x5F, 0x5F),
        (b"g:1-1-4512,s:FooBar,c:1428451253", 0x50, 0x53),
        (b"n:3140,s:FooBar,c:1428451253", 0x1C, 0x5E),
    ],
)
def test_tag_block_checksums_agree_with_published_blocks(block: bytes, stated: int, right: int) -> None:
    assert xor_checksum(block) == right
    parsed = parse_line(b"\\%s*%02X\\$GPHDT,274.07,T*03\r\n" % (block, stated))
    assert parsed.fault == ("" if stated == right else "tag checksum")
    assert parsed.original == b"$GPHDT,274.07,T*03\r\n"


@given(st.binary(max_size=200))
def test_checksum_is_the_xor_of_all_bytes(data: bytes) -> None:
    assert xor_checksum(data) == reduce(xor, data, 0)


@given(st.binary(max_size=200))
def test_escape_and_unescape_are_inverse(data: bytes) -> None:
    assert unescape(escape(data)) == data


@given(st.binary(max_size=200), st.integers(0, 400))
def test_a_torn_last_line_costs_only_its_own_missing_bytes(payload: bytes, keep: int) -> None:
    before = encode(b"$GPHDT,274.07,T*03")
    last = encode(payload)
    torn = last[: min(keep, len(last))]
    streams = original_bytes(before + torn)
    assert streams["gps1"].startswith(b"$GPHDT,274.07,T*03\r\n")
    # closed with a bare LF at the next start, it still claims no line end that was never received
    closed = torn if torn.endswith(b"\n") or not torn else torn + b"\n"
    assert original_bytes(before + closed) == streams
    assert original_bytes(before + closed + before)["gps1"].endswith(b"$GPHDT,274.07,T*03\r\n")


@given(st.binary(max_size=500))
def test_any_bytes_can_be_read_as_a_journal(data: bytes) -> None:
    original_bytes(data)


@pytest.mark.parametrize("source", ["", "two words", "a,b", "a*b", "sixteen_letters_", "ü"])
def test_a_source_id_that_cannot_stand_in_a_tag_block_is_refused(source: str) -> None:
    with pytest.raises(TrialCaptureError, match="source id"):
        encode(b"x", source=source)


def test_an_hour_of_mixed_traffic_comes_back_exactly() -> None:
    dice = random.Random(7)
    streams: dict[str, bytearray] = {name: bytearray() for name in ("gps", "engine", "noise")}
    rests = dict.fromkeys(streams, b"")
    journal: list[bytes] = []
    for second in range(3600):
        for name in streams:
            chunk = {
                "gps": b"$GPRMC,%06d.00,A,5042.1234,N,00118.9876,W,12.3,045.0,311226,,,A*00\r\n" % second,
                "engine": b"!weird" + dice.randbytes(dice.randrange(30)) + dice.choice([b"\n", b"\r", b"\r\n", b""]),
                "noise": dice.randbytes(dice.randrange(200)),
            }[name]
            streams[name] += chunk
            pieces, rests[name] = split_stream(rests[name] + chunk)
            journal += [
                encode_line(piece, source=name, wall_ms=second * 1000, mono_us=second * 10**6, line_end=b"")
                for piece in pieces
            ]
    journal += [
        encode_line(rest, source=name, wall_ms=0, mono_us=0, line_end=b"") for name, rest in rests.items() if rest
    ]
    assert original_bytes(b"".join(journal)) == {name: bytes(sent) for name, sent in streams.items()}


@given(st.binary(min_size=2, max_size=60), st.integers(1, 50))
def test_what_is_repeated_to_make_a_line_whole_counts_once(payload: bytes, again: int) -> None:
    again = min(again, len(payload) - 1)
    if payload.endswith((b"\r", b"\n")):
        payload += b"x"
    half = encode(payload[:again], b"")
    whole = encode_line(payload, source="gps1", wall_ms=0, mono_us=0, again=again)
    assert original_bytes(half + whole)["gps1"] == payload + b"\r\n"
