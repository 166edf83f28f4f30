"""Gateways: one cutter a sender, datagrams that are no lines, links that die in silence."""

from __future__ import annotations

import socket

import pytest

from tests import rig
from trialcapture.acquire.received_lines import LineCutter, Received, numbered_id
from trialcapture.acquire.source import SILENCE_S, SourceError, TcpClient, UdpListener
from trialcapture.archive.journal import encode_line, original_bytes

A, B = rig.numbered(1), rig.numbered(2)


def cut(*arrivals: tuple[str, bytes]) -> list[tuple[str, bytes]]:
    cutter = LineCutter()
    pieces = []
    for at, (sender, data) in enumerate(arrivals):
        pieces += cutter.feed(Received("net", "nmea.log", sender, at, at, data))
    pieces += cutter.flush()
    return [(piece.source, piece.data) for piece in pieces]


@pytest.mark.parametrize(
    ("datagrams", "expected"),
    [
        ([A], [A]),
        ([A + B + A + B + A], [A, B, A, B, A]),
        ([A[:9], A[9:]], [A]),
        ([A[:9], A[9:] + B + A], [A, B, A]),
        ([A, b"", B], [A, B]),
        ([A[:-2], B[:-2]], [A[:-2], B[:-2]]),
    ],
)
def test_a_datagram_is_no_line(datagrams: list[bytes], expected: list[bytes]) -> None:
    assert [data for _, data in cut(*(("10.0.0.1:5000", d) for d in datagrams))] == expected


def test_two_senders_never_mix_in_one_line() -> None:
    half, rest = A[:7], A[7:]
    pieces = cut(("10.0.0.1:5000", half), ("10.0.0.2:5000", B), ("10.0.0.1:5000", rest))
    assert pieces == [("net-2", B), ("net", A)]


def test_two_programs_of_one_computer_share_an_id_and_not_a_cutter() -> None:
    pieces = cut(("10.0.0.1:5000", A[:7]), ("10.0.0.1:5001", B), ("10.0.0.1:5000", A[7:]))
    assert pieces == [("net", B), ("net", A)]


def test_a_gateway_that_changes_its_port_with_every_datagram_stays_one_source() -> None:
    pieces = cut(*((f"10.0.0.1:{5000 + n}", A) for n in range(500)))
    assert {source for source, _ in pieces} == {"net"}
    assert len(pieces) == 500


def test_a_flood_of_senders_takes_bounded_memory_and_loses_nothing() -> None:
    sent = [(f"10.{n >> 8}.{n & 255}.1:9", b"$half%d" % n) for n in range(1000)]
    pieces = cut(*sent)
    assert sorted(data for _, data in pieces) == sorted(data for _, data in sent)
    assert len({source for source, _ in pieces}) <= 64


def test_ids_with_numbers_stay_within_what_an_id_may_be() -> None:
    assert numbered_id("a_very_long_id1", 12) == "a_very_long_-12"
    assert numbered_id("net", 1) == "net"


def test_a_line_is_stamped_when_its_first_byte_came() -> None:
    cutter = LineCutter()
    cutter.feed(Received("s", "nmea.log", "", 10, 110, A[:5]))
    first, second = cutter.feed(Received("s", "nmea.log", "", 20, 120, A[5:] + B))
    assert (first.mono_ns, first.wall_ns) == (10, 110)
    assert (second.mono_ns, second.wall_ns) == (20, 120)


def test_an_unfinished_line_is_let_go_after_its_time_and_not_before() -> None:
    cutter = LineCutter()
    cutter.feed(Received("s", "nmea.log", "", 1000, 0, b"$never ends"))
    assert cutter.flush(before_ns=999) == []
    assert [piece.data for piece in cutter.flush(before_ns=1000)] == [b"$never ends"]


def test_a_sentence_whose_rest_comes_late_is_written_again_whole() -> None:
    cutter = LineCutter()
    cutter.feed(Received("s", "nmea.log", "", 1000, 0, A + B[:9]))
    (half,) = cutter.flush(before_ns=2000)
    assert (half.data, half.again) == (B[:9], 0)
    whole, following = cutter.feed(Received("s", "nmea.log", "", 2_000_000_000, 0, B[9:] + A))
    assert (whole.data, whole.again, whole.mono_ns) == (B, 9, 1000)
    assert following.data == A
    lines = b"".join(
        encode_line(p.data, source="s", wall_ms=0, mono_us=0, line_end=b"", again=p.again)
        for p in (half, whole, following)
    )
    assert original_bytes(lines)["s"] == B + A


@pytest.mark.parametrize("late", [b"no rest of it\r\n", B, B[10:], b"\r\n", b"x"])
def test_what_does_not_complete_a_sentence_is_never_joined_to_it(late: bytes) -> None:
    cutter = LineCutter()
    cutter.feed(Received("s", "nmea.log", "", 1000, 0, B[:9]))
    cutter.flush()
    pieces = cutter.feed(Received("s", "nmea.log", "", 2000, 0, late)) + cutter.flush()
    assert b"".join(piece.data for piece in pieces) == late
    assert all(piece.again == 0 for piece in pieces)


def test_a_udp_port_in_use_is_told() -> None:
    port = rig.free_port()
    first = UdpListener("a", port, "127.0.0.1")
    first.open()
    with pytest.raises(SourceError) as told:
        UdpListener("b", port, "127.0.0.1").open()
    assert told.value.trouble == "busy"
    first.close()


def test_an_address_this_computer_does_not_have_is_told() -> None:
    with pytest.raises(SourceError) as told:
        UdpListener("a", rig.free_port(), "203.0.113.7").open()
    assert told.value.trouble == "absent"


def test_the_sender_of_each_datagram_is_known() -> None:
    port = rig.free_port()
    source = UdpListener("a", port, "127.0.0.1")
    source.open()
    rig.send_udp(port, A, b"", B)
    chunks = rig.wait_for(lambda: source.read(0.5))
    while len(chunks) < 2:
        chunks += source.read(0.5)
    assert [chunk.data for chunk in chunks] == [A, B]
    assert chunks[0].sender.startswith("127.0.0.1:")
    source.close()


def test_a_silent_tcp_link_is_given_up_and_made_anew() -> None:
    clocks = rig.FakeClocks()
    server = socket.create_server(("127.0.0.1", 0))
    source = TcpClient("t", "127.0.0.1", server.getsockname()[1], clocks.clock())
    source.open()
    assert source.read(0.0) == []
    clocks.run(SILENCE_S)
    with pytest.raises(SourceError) as told:
        source.read(0.0)
    assert told.value.trouble == "silent"
    source.open()
    assert source.read(0.0) == []
    source.close()


def test_a_refusing_gateway_and_one_that_is_not_there_are_told_apart() -> None:
    clock = rig.FakeClocks().clock()
    with pytest.raises(SourceError) as refused:
        TcpClient("t", "127.0.0.1", rig.free_port(socket.SOCK_STREAM), clock).open()
    assert refused.value.trouble == "refused"
    assert "one at a time" in refused.value.remedy
    with pytest.raises(SourceError) as absent:
        TcpClient("t", "no-such-host.invalid", 10110, clock).open()
    assert absent.value.trouble == "absent"
