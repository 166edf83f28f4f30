"""What a serial line takes to carry a sentence, and what that says of when the sentence set out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.prepare.clocks.sentence_times import SerialLine, find_overloaded, first_byte_ns, line_time_ns

MS = 1_000_000


def carried(ready_s: list[float], characters: np.ndarray, baud: int) -> tuple[np.ndarray, np.ndarray]:
    """First and last byte [ns] of sentences that wait for the line: a queue of one server, byte by byte in order."""
    first, last = [], []
    free = 0.0
    for ready, count in zip(ready_s, characters.tolist(), strict=True):
        begin = max(ready, free)
        free = begin + count * 10.0 / baud
        first.append(begin)
        last.append(free)
    return np.rint(np.array(first) * 1e9).astype(np.int64), np.rint(np.array(last) * 1e9).astype(np.int64)


@pytest.mark.parametrize(
    ("characters", "baud", "ms"),
    # ten bits a character: 480 characters a second at 4800 baud (NMEA 0183), 3840 at 38 400 (NMEA 0183-HS)
    [(480, 4800, 1000.0), (3840, 38_400, 1000.0), (82, 4800, 170.833333), (70, 4800, 145.833333), (0, 4800, 0.0)],
)
def test_a_character_is_ten_bits_on_the_line(characters: int, baud: int, ms: float) -> None:
    assert line_time_ns(np.array([characters]), baud)[0] / MS == pytest.approx(ms, abs=1e-5)


def test_a_stamp_made_at_the_last_byte_stands_the_sentences_own_line_time_late() -> None:
    characters = np.array([70, 40, 82], dtype=np.int64)
    first, last = carried([0.0, 1.0, 2.0], characters, 4800)
    source = np.zeros(3, dtype=np.int64)
    found = first_byte_ns(last, characters, source, (SerialLine(4800, "last_byte"),))
    assert np.abs(found - first).max() <= 1
    assert np.array_equal(first_byte_ns(first, characters, source, (SerialLine(4800, "first_byte"),)), first)


def test_without_a_speed_nothing_is_taken_off() -> None:
    stamp = np.array([5, 6, 7], dtype=np.int64) * MS
    characters = np.full(3, 82)
    found = first_byte_ns(stamp, characters, np.zeros(3, dtype=np.int64), (SerialLine(None, "last_byte"),))
    assert np.array_equal(found, stamp)


def test_sentences_read_at_once_cannot_all_have_set_out_then() -> None:
    characters = np.array([60, 60, 60], dtype=np.int64)
    stamp = np.full(3, 1_000 * MS, dtype=np.int64)
    found = first_byte_ns(stamp, characters, np.zeros(3, dtype=np.int64), (SerialLine(4800, "last_byte"),))
    assert (1_000 - found / MS).round().tolist() == [375, 250, 125]


def test_waiting_behind_others_is_taken_off_only_where_the_source_is_said_to_send_bursts() -> None:
    characters = np.full(6, 48, dtype=np.int64)
    first, _ = carried([0.0, 0.0, 0.0, 1.0, 1.0, 1.0], characters, 4800)
    source = np.zeros(6, dtype=np.int64)
    as_they_are = first_byte_ns(first, characters, source, (SerialLine(4800),))
    assert np.array_equal(as_they_are, first)
    said = first_byte_ns(first, characters, source, (SerialLine(4800, bursts=True),))
    assert (said / 1e9).tolist() == pytest.approx([0.0, 0.0, 0.0, 1.0, 1.0, 1.0])


def test_each_source_has_a_line_of_its_own() -> None:
    characters = np.array([48, 48, 48, 48], dtype=np.int64)
    stamp = np.array([100, 100, 200, 200], dtype=np.int64) * MS
    source = np.array([0, 1, 0, 1])
    found = first_byte_ns(stamp, characters, source, (SerialLine(4800, "last_byte"), SerialLine(38_400, "last_byte")))
    assert (found / MS).tolist() == pytest.approx([0.0, 87.5, 100.0, 187.5])


def test_a_clock_set_back_moves_nothing_before_it() -> None:
    characters = np.full(4, 48, dtype=np.int64)
    stamp = np.array([10_000, 11_000, 2_000, 3_000], dtype=np.int64) * MS
    found = first_byte_ns(stamp, characters, np.zeros(4, dtype=np.int64), (SerialLine(4800, "last_byte"),))
    assert ((stamp - found) / MS).tolist() == pytest.approx([100.0, 200.0, 100.0, 100.0])


def test_a_line_that_carried_more_than_it_can_runs_at_another_speed() -> None:
    characters = np.full(600, 70, dtype=np.int64)
    stamp = np.arange(600, dtype=np.int64) * 20 * MS  # 35 000 bit/s
    source = np.zeros(600, dtype=np.int64)
    assert find_overloaded(stamp, characters, source, (SerialLine(4800),)) == (0,)
    assert find_overloaded(stamp, characters, source, (SerialLine(38_400),)) == ()
    assert np.array_equal(first_byte_ns(stamp, characters, source, (SerialLine(4800, "last_byte"),)), stamp)


@given(
    st.lists(st.tuples(st.floats(0.0, 0.4), st.integers(10, 82)), min_size=1, max_size=60),
    st.sampled_from([4800, 9600, 38_400]),
    st.floats(0.001, 1.5),
)
def test_the_instant_found_is_never_before_the_byte_was_sent_nor_after_its_stamp(
    sentences: list[tuple[float, int]], baud: int, read_every_s: float
) -> None:
    """The reader looks at the line now and then, and stamps alike all that are complete."""
    ready = np.cumsum([gap for gap, _ in sentences])
    characters = np.array([count for _, count in sentences], dtype=np.int64)
    first, last = carried(ready.tolist(), characters, baud)
    every = round(read_every_s * 1e9)
    stamp = -(-last // every) * every
    found = first_byte_ns(stamp, characters, np.zeros(stamp.size, dtype=np.int64), (SerialLine(baud, "last_byte"),))
    rounding = 2 * stamp.size
    assert (found >= first - rounding).all()
    assert (found <= stamp - line_time_ns(characters, baud)).all()
