"""CAN logs: every whole message is found, nothing is made of parts of two, damage is counted and never an error."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.decode.can.can_decoder import CAN_REASONS, CanDecoder, decode_can, parse_candump
from trialcapture.decode.can.messages import TP_CM, TP_DT, FastPackets, Transport
from trialcapture.decode.can.parameter_groups import CARRIES
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.rejects import SCHEMA

DYNAMIC = 127489
EPOCH_NS = 1_790_000_000_000_000_000


def line(frame: str, t_s: float = 0.0, channel: str = "can1", end: str = "\n") -> bytes:
    return f"({1_790_000_000 + t_s:.6f}) {channel} {frame}{end}".encode()


def frames_of(payload: bytes, sequence: int) -> list[bytes]:
    """Cut a payload into fast-packet frames."""
    frames = [bytes([sequence << 5, len(payload)]) + payload[:6]]
    for number, at in enumerate(range(6, len(payload), 7), 1):
        frames.append(bytes([sequence << 5 | number]) + payload[at : at + 7].ljust(7, b"\xff"))
    return frames


def feed(packets: FastPackets, frames: list[tuple[int, bytes]], *, step_ns: int = 1_000_000) -> list[tuple[int, bytes]]:
    """Feed (address, data) and return (address, payload) of what came whole."""
    whole = []
    for at, (address, data) in enumerate(frames):
        message = packets.feed(DYNAMIC, address, 0, at, at * step_ns, data)
        if message is not None:
            whole.append((message.address, message.payload))
    return whole


def dynamic(instance: int, fill: int) -> bytes:
    return bytes([instance]) + bytes([fill]) * 25


def test_lines_are_taken_apart() -> None:
    block = line("09F20010#00B036D204FBFFFF", 0.5) + line("18FEF200#8E03", 1.25, "engine-2", "\r\n")
    frames, odd, short = parse_candump(block, first_line=7)
    assert frames.line.tolist() == [7, 8]
    assert frames.stamp_ns.tolist() == [EPOCH_NS + 500_000_000, EPOCH_NS + 1_250_000_000]
    assert [frames.channels[code] for code in frames.channel] == ["can1", "engine-2"]
    assert frames.pgn.tolist() == [127488, 65266]
    assert frames.address.tolist() == [0x10, 0x00]
    assert frames.data[1].tolist() == [0x8E, 0x03] + [0xFF] * 6
    assert frames.length.tolist() == [8, 2]
    assert (odd, short) == ([], 0)


SHAPES = [
    "({s}.{us}) can1 {id}#{hex}",
    " ({s}.{us})  can1  {id}   [{n}]  {octets}",
    "({s}.{us}) can1 {id} [{n}] {octets}\r",
    " ({s}.{us})  can1  RX - -  {id}   [{n}]  {octets}   '..6.....'",
    "({s}.{us})   can1   {id}#{hex}  ",
    "({s}.{us}000) can1 {id}#{hex}",
]
"""As candump of the can-utils writes or shows a frame: -L, -ta, with a bare CR, -xa, widely spaced, in nanoseconds."""


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("octets", ["00 B0 36 D2 04 FB FF FF", "8E 03", ""])
def test_each_shape_of_a_line_is_the_same_frame(shape: str, octets: str) -> None:
    fields = {"s": 1_790_000_000, "us": "250000", "id": "09F20010", "octets": octets, "hex": octets.replace(" ", "")}
    text = shape.format(n=len(octets.split()), **fields) + ("\n" if not shape.endswith("\r") else "")
    plain = line("09F20010#" + fields["hex"], 0.25)
    seen, odd, _ = parse_candump(text.encode() * 3)
    expected, _, _ = parse_candump(plain * 3)
    assert odd == []
    for got, wanted in zip(seen, expected, strict=True):
        assert list(map(repr, got)) == list(map(repr, wanted))


def test_a_shown_line_with_another_number_of_bytes_than_it_announces_is_no_frame() -> None:
    text = b" (1790000000.123456)  can1  09F20010   [8]  00 B0 36\n"
    frames, odd, _ = parse_candump(text + line("09F20010#00"))
    assert frames.line.tolist() == [1]
    assert [o.line for o in odd] == [0]


def test_the_destination_is_no_part_of_an_addressed_group() -> None:
    frames, _, _ = parse_candump(line("1CEC2110#10") + line("1CECFF10#20"))
    assert frames.pgn.tolist() == [TP_CM, TP_CM]
    assert frames.destination.tolist() == [0x21, 0xFF]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (b"garbage\n", "no can frame"),
        (b"(179) can1 09F20010#00\n", "no can frame"),
        (b"(1790000000.123456) can1 09F20010#0\n", "no data frame"),
        (b"(1790000000.123456) can1 09F20010#00B0ZZ\n", "no can frame"),
        (b"(1790000000.123456) can1 09F2001#00\n", "no can frame"),
        (b"(1790000000.123456) can1 09F20010#R\n", "no data frame"),
        (b"(1790000000.123456) can1 09F20010##100112233\n", "no data frame"),
        (b"(1790000000.123456) can1 20000080#0000000000000000\n", "no data frame"),
        (b"(1790000000.123456) can1 09F20", "no can frame"),
        (b"\x00\xff(((###   \n", "no can frame"),
    ],
)
def test_a_line_that_is_no_frame_is_counted_and_its_neighbours_are_kept(text: bytes, reason: str) -> None:
    good = line("09F20010#00B036D204FBFFFF")
    tables, rejects, _ = decode_can(good + text)
    assert tables["RPM"].num_rows == 1
    assert rejects["reason"].to_pylist() == [reason]
    assert rejects["line"].to_pylist() == [1]
    assert decode_can(good + text + b"\n" * (not text.endswith(b"\n")) + good)[0]["RPM"].num_rows == 2


def test_eleven_bit_identifiers_are_neither_kind_of_network() -> None:
    assert parse_candump(line("123#0011"))[1:] == ([], 1)


def test_session_time_comes_from_the_noted_epoch_and_is_null_without_it() -> None:
    block = line("09F20010#00B036D204FBFFFF", 2.5)
    table = decode_can(block, epoch_wall_ns=EPOCH_NS)[0]["RPM"]
    assert table["mono_ns"].to_pylist() == [2_500_000_000]
    assert table["wall_ms"].to_pylist() == [1_790_000_002_500]
    assert decode_can(block)[0]["RPM"]["mono_ns"].to_pylist() == [None]


def test_tables_named_like_a_sentence_have_that_sentences_columns() -> None:
    sentences = {
        "RPM": b"$IIRPM,E,1,2418.2,10.5,A*5F", "HDG": b"$HCHDG,101.1,,,7.1,W*3C", "HDT": b"$GPHDT,274.07,T*03",
        "ROT": b"$HEROT,0.0,A*2B", "RSA": b"$IIRSA,-3.5,A,,V*52", "VHW": b"$VWVHW,135.0,T,142.1,M,12.30,N,22.78,K*5A",
        "DPT": b"$INDPT,2.3,0.0*46", "MTW": b"$INMTW,17.9,C*1B", "MWV": b"$IIMWV,271.0,R,000.2,N,A*3B",
        "MWD": b"$WIMWD,302.4,T,289.6,M,10.5,N,5.4,M*6F", "ZDA": b"$GPZDA,160012.71,11,03,2004,-1,00*7D",
        "GGA": b"$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M*47",
        "XDR": b"$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
    }  # fmt: skip
    gnss = bytes.fromhex(
        "00 1A4F C0F2B20F 0000C4A8B5C1A506 0000C4A8B5C1A506 0000000000000000 10 FC 0C 5A00 7D00 00000000 00"
    )
    log = b"".join(
        line(frame)
        for frame in (
            "09F20010#00B036D204FBFFFF", "09F11210#00B87AFF7F51FFFD", "09F11210#00B87AFF7F51FFFC",
            "09F11310#00F8213300FFFFFF", "09F10D10#00FFFF7F97FCFFFF", "09F50310#00F401FFFFFFFFFF",
            "09F50B10#00D2040000D4FEFF", "09FD0810#0000007374FFFFFF", "09FD0210#000504AE1EFAFFFF",
            "09FD0210#000504AE1EF8FFFF", "09F01010#00F0E64F00CCBF19", "09F11910#00FFFF10001000FF",
            *(f"0DF80510#{f.hex()}" for f in frames_of(gnss, 0)),
        )
    )  # fmt: skip
    tables, rejects, _ = decode_can(log, epoch_wall_ns=EPOCH_NS)
    assert rejects.num_rows == 0
    theirs, bad, _ = decode_nmea(b"\r\n".join(sentences.values()) + b"\r\n", source="x")
    assert bad.num_rows == 0
    for name in sentences:
        assert name in tables, name
        assert tables[name].schema.names == theirs[name].schema.names, name
        assert tables[name].schema.types == theirs[name].schema.types, name
    assert rejects.schema == SCHEMA


def test_a_fast_packet_comes_out_whole() -> None:
    payload = dynamic(1, 7)
    assert feed(FastPackets(), [(5, f) for f in frames_of(payload, 3)]) == [(5, payload)]


@pytest.mark.parametrize("missing", [0, 1, 2, 3])
def test_a_missing_frame_costs_its_message_and_no_other(missing: int) -> None:
    packets = FastPackets()
    first, second = frames_of(dynamic(0, 1), 1), frames_of(dynamic(0, 2), 2)
    del first[missing]
    assert feed(packets, [(5, f) for f in first + second]) == [(5, dynamic(0, 2))]
    losses = packets.finish()
    assert [loss.reason for loss in losses] == [{0: "no start", 3: "unfinished"}.get(missing, "frame missing")]


@pytest.mark.parametrize("order", [[0, 2, 1, 3], [0, 1, 3, 2], [1, 0, 2, 3], [0, 1, 1, 2, 3]])
def test_frames_out_of_order_are_never_put_together(order: list[int]) -> None:
    packets = FastPackets()
    frames = frames_of(dynamic(0, 1), 1)
    assert feed(packets, [(5, frames[at]) for at in order]) in ([], [(5, dynamic(0, 1))] if order[0] == 1 else [])
    assert packets.finish()


def test_senders_and_engines_that_interleave_are_kept_apart() -> None:
    port, starboard, other = frames_of(dynamic(0, 1), 1), frames_of(dynamic(1, 2), 2), frames_of(dynamic(0, 3), 1)
    mixed = [
        (at, f) for trio in zip(port, starboard, other, strict=True) for at, f in zip((5, 5, 9), trio, strict=True)
    ]
    assert feed(FastPackets(), mixed) == [(5, dynamic(0, 1)), (5, dynamic(1, 2)), (9, dynamic(0, 3))]


def test_a_sequence_number_that_comes_round_again_never_completes_an_old_message() -> None:
    packets = FastPackets()
    frames = [(5, f) for f in frames_of(dynamic(0, 0xAA), 0)[:3]]
    for sequence in range(1, 8):
        frames += [(5, f) for f in frames_of(dynamic(0, sequence), sequence)]
    frames += [(5, frames_of(dynamic(0, 0xBB), 0)[3])]
    whole = feed(packets, frames)
    assert [payload[1] for _, payload in whole] == list(range(1, 8))


def test_frames_too_far_apart_in_time_are_no_message() -> None:
    packets = FastPackets()
    assert feed(packets, [(5, f) for f in frames_of(dynamic(0, 1), 1)], step_ns=800_000_000) == []
    assert packets.finish()[0].reason == "timeout"


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=200, deadline=None)
def test_whatever_is_lost_doubled_or_swapped_only_true_messages_come_out(seed: int) -> None:
    """Messages are filled with their own number, so a mixed one would show."""
    dice = random.Random(seed)
    frames = [(5, f) for n in range(40) for f in frames_of(dynamic(0, n), n % 8)]
    for _ in range(dice.randrange(30)):
        at = dice.randrange(len(frames))
        what = dice.randrange(3)
        if what == 0:
            del frames[at]
        elif what == 1:
            frames.insert(at, frames[at])
        elif at:
            frames[at - 1], frames[at] = frames[at], frames[at - 1]
    packets = FastPackets()
    for _, payload in feed(packets, frames, step_ns=60_000_000):
        assert len(payload) == 26
        assert len(set(payload[1:])) == 1
    packets.finish()


def tp(
    frames: list[tuple[int, bytes]], *, source: int = 0x21, to: int = 0xFF, step_ns: int = 50_000_000
) -> tuple[list[bytes], list[str]]:
    transport = Transport()
    whole = []
    for at, (pgn, data) in enumerate(frames):
        sender, receiver = (to, source) if pgn == TP_CM and data[0] in (17, 19) else (source, to)
        message = transport.feed(pgn, sender, receiver, 0, at, at * step_ns, data)
        if message is not None:
            whole.append(message.payload)
    return whole, [loss.reason for loss in transport.finish()]


BAM = (TP_CM, bytes.fromhex("20 0C 00 02 FF 45 FF 01"))
ONE = (TP_DT, bytes.fromhex("01 A1 A2 A3 A4 A5 A6 A7"))
TWO = (TP_DT, bytes.fromhex("02 A8 A9 AA AB AC FF FF"))
WHOLE = bytes.fromhex("A1A2A3A4A5A6A7A8A9AAABAC")


@pytest.mark.parametrize(
    ("frames", "whole", "reasons"),
    [
        ([BAM, ONE, TWO], [WHOLE], []),
        ([BAM, TWO, ONE], [], ["frame missing"]),
        ([BAM, ONE, ONE], [], ["frame order"]),
        ([BAM, TWO], [], ["frame missing"]),
        ([BAM, ONE], [], ["unfinished"]),
        ([ONE, TWO], [], ["no start"]),
        ([BAM, ONE, BAM, ONE, TWO], [WHOLE], ["frame missing"]),
        ([(TP_CM, bytes.fromhex("20 0C 00 03 FF 45 FF 01")), ONE, TWO], [], ["length", "no start"]),
        ([(TP_CM, b"\x10" + BAM[1][1:]), ONE, (TP_CM, bytes([255] * 8)), TWO], [], ["aborted", "no start"]),
        (
            [(TP_CM, b"\x10" + BAM[1][1:]), ONE, (TP_CM, bytes([17, 1, 1, 255, 255, 0x45, 0xFF, 1])), ONE, TWO],
            [WHOLE],
            [],
        ),
    ],
)
def test_transport_sessions_are_whole_or_nothing(
    frames: list[tuple[int, bytes]], whole: list[bytes], reasons: list[str]
) -> None:
    assert tp(frames) == (whole, reasons)


def test_a_transport_session_that_pauses_too_long_is_given_up() -> None:
    assert tp([BAM, ONE, TWO], step_ns=800_000_000) == ([], ["timeout"])


def log_of_many() -> bytes:
    dice = random.Random(3)
    lines = []
    for n in range(400):
        t_s = n * 0.05
        lines.append(line(f"09F20010#{n % 2:02X}B036D204FBFFFF", t_s))
        if n % 5 == 0:
            lines += [line(f"09F2010{n % 3}#{f.hex()}", t_s) for f in frames_of(dynamic(n % 2, n % 200), n // 5 % 8)]
        if dice.random() < 0.1:
            lines.insert(dice.randrange(len(lines)), dice.randbytes(20).replace(b"\n", b"") + b"\n")
    return b"".join(lines)


@pytest.mark.parametrize("cut_at", [1, 777, 5000, 20_000])
def test_blocks_cut_anywhere_give_the_same_tables(cut_at: int) -> None:
    log = log_of_many()
    whole, rejects, _ = decode_can(log, epoch_wall_ns=EPOCH_NS)
    decoder = CanDecoder(EPOCH_NS)
    rows: dict[str, list[dict[str, object]]] = {}
    bad: list[dict[str, object]] = []
    at = first_line = 0
    while at < len(log):
        end = log.find(b"\n", at + cut_at) + 1 or len(log)
        tables, some, _ = decoder.decode(log[at:end], first_line)
        for name, table in tables.items():
            rows.setdefault(name, []).extend(table.to_pylist())
        bad += some.to_pylist()
        first_line += log.count(b"\n", at, end)
        at = end
    bad += decoder.finish()[0].to_pylist()
    for name, table in whole.items():
        assert sorted(map(repr, rows[name])) == sorted(map(repr, table.to_pylist())), name
    assert sorted(map(repr, bad)) == sorted(map(repr, rejects.to_pylist()))


@given(st.binary(max_size=400))
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_a_log_of_something(data: bytes) -> None:
    _, rejects, _ = decode_can(data, epoch_wall_ns=0)
    assert set(rejects["reason"].to_pylist()) <= set(CAN_REASONS)


def test_counts_say_what_came_whole_broken_and_unread() -> None:
    frames = frames_of(dynamic(0, 1), 0)
    log = b"".join(line(f"09F20110#{f.hex()}") for f in frames + frames_of(dynamic(0, 2), 1)[1:])
    log += line("09F20010#00B036D204FBFFFF") + line("18EEFF10#0011223344556677")
    counts = decode_can(log)[2]
    assert {(r["formatter"], r["good"], r["bad"], r["not_decoded"]) for r in counts.to_pylist()} == {
        ("127489", 1, 1, 0),
        ("127488", 1, 0, 0),
        ("60928", 0, 0, 1),
    }


@pytest.mark.parametrize(("pause_ms", "is_whole"), [(745, True), (755, False)])
def test_three_quarters_of_a_second_between_frames_end_a_message(pause_ms: int, is_whole: bool) -> None:
    """ISO 11783-3 and SAE J1939-21 give a receiver 750 ms from one packet to the next (T1); from memory."""
    whole = feed(FastPackets(), [(5, f) for f in frames_of(dynamic(0, 1), 1)], step_ns=pause_ms * 1_000_000)
    assert whole == ([(5, dynamic(0, 1))] if is_whole else [])
    expected = ([WHOLE], []) if is_whole else ([], ["timeout"])
    assert tp([BAM, ONE, TWO], step_ns=pause_ms * 1_000_000) == expected


@pytest.mark.parametrize(
    ("group", "name"),
    [
        # SAE J1939-71, from memory: EEC3, AMB, VEP1, TRF1, DD, RF, HOURS of fuel
        (65247, "EEC3"), (65269, "ambient"), (65271, "electrical power"), (65272, "transmission"),
        (65276, "fuel level"), (65257, "total fuel"), (61445, "gear"),
    ],
)  # fmt: skip
def test_groups_with_engine_data_that_are_not_decoded_are_known_by_name(group: int, name: str) -> None:
    assert CARRIES[group].startswith("engine: ")
    assert name in CARRIES[group]


def test_a_clock_without_a_receiver_tells_time_and_date() -> None:
    """129033 time and date: days since 1970, seconds since midnight, minutes of local time (canboat's database)."""
    days = 20_000
    payload = days.to_bytes(2, "little") + (36_005_000).to_bytes(4, "little") + bytes(2)
    tables, _, _ = decode_can(line(f"0DF80910#{payload.hex()}"))
    [row] = tables["ZDA"].to_pylist()
    assert (row["tod_ns"], row["date_days"]) == (3_600_500_000_000, days)


@pytest.mark.parametrize(("size", "is_session"), [(8, False), (9, True), (1785, True), (1786, False)])
def test_a_transport_session_carries_nine_to_1785_bytes(size: int, is_session: bool) -> None:
    """SAE J1939-21: eight bytes fit one frame, and 255 packets of seven are the most; from memory."""
    packets = -(-size // 7)
    announced = (TP_CM, bytes([0x20, size & 0xFF, size >> 8, packets & 0xFF, 0xFF, 0x45, 0xFF, 0x01]))
    data = [(TP_DT, bytes([n & 0xFF, *([0xAA] * 7)])) for n in range(1, packets + 1)]
    whole, reasons = tp([announced, *data], step_ns=1_000_000)
    assert whole == ([bytes([0xAA] * size)] if is_session else [])
    assert ("length" in reasons) is not is_session
