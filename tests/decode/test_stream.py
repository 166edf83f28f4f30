"""A stream is cut the same however it was chopped, and not a byte is lost."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.decode.nmea0183.stream import LIMIT_BYTES, split_stream

STREAM = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from(
            [b"$", b"!", b"\\", b"\r", b"\n", b"\r\n", b"$GPHDT,274.07,T*03\r\n", b"\\s:a*12\\$", b"x" * 1100]
        ),
    ),
    max_size=30,
).map(b"".join)


def feed(chunks: list[bytes]) -> tuple[list[bytes], bytes]:
    pieces: list[bytes] = []
    rest = b""
    for chunk in chunks:
        found, rest = split_stream(rest + chunk)
        pieces += found
    return pieces, rest


@given(STREAM)
def test_no_byte_is_lost_or_moved(stream: bytes) -> None:
    pieces, rest = split_stream(stream)
    assert b"".join(pieces) + rest == stream
    assert all(0 < len(piece) <= LIMIT_BYTES for piece in pieces)
    assert len(rest) <= LIMIT_BYTES


@given(STREAM, st.lists(st.integers(0, 3000), max_size=20))
def test_lines_do_not_depend_on_how_the_stream_was_chopped(stream: bytes, cuts: list[int]) -> None:
    edges = sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    chunks = [stream[a:b] for a, b in pairwise(edges)]
    assert feed(chunks) == split_stream(stream)
    assert feed([stream[i : i + 1] for i in range(len(stream))]) == split_stream(stream)


@pytest.mark.parametrize(
    ("stream", "expected"),
    [
        (b"$A*00\r\n$B*00\r\n", [b"$A*00\r\n", b"$B*00\r\n"]),
        (b"$A*00\n$B*00\n", [b"$A*00\n", b"$B*00\n"]),
        (b"$A*00\r$B*00\r", [b"$A*00\r"]),
        (b"$A,12$B*00\r\n", [b"$A,12", b"$B*00\r\n"]),
        (b"junk!B*00\r\n", [b"junk", b"!B*00\r\n"]),
        (b"\\s:a*00\\$A*00\r\n", [b"\\s:a*00\\", b"$A*00\r\n"]),
        (b"\\half$A*00\r\n", [b"\\half", b"$A*00\r\n"]),
        (b"\r\n\n\r\r\n", [b"\r\n", b"\n", b"\r", b"\r\n"]),
    ],
)
def test_cuts_fall_at_line_ends_and_before_the_next_start(stream: bytes, expected: list[bytes]) -> None:
    assert split_stream(stream)[0] == expected


def test_a_stream_that_never_ends_a_line_is_cut_at_the_limit() -> None:
    pieces, rest = split_stream(b"x" * 10_000)
    assert {len(piece) for piece in pieces} == {LIMIT_BYTES - 2}
    assert len(rest) <= LIMIT_BYTES


def test_a_sentence_glued_to_damage_is_found_whole() -> None:
    good = b"$GPHDT,274.07,T*03\r\n"
    for damage in (b"\x00\xff\xfe", b"$GPRMC,1234", b"!AIVDM,1,1,,A", b"\\s:x", b"^^^"):
        assert split_stream(damage + good)[0][-1] == good
