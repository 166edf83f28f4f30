"""The bench of a followed recording plays every byte of a journal once, its end at the pace it came in."""

from __future__ import annotations

from tests.bench import answer
from tests.bench.answer import paced, split_log


def test_a_journal_is_fed_whole_and_its_end_at_its_pace() -> None:
    lines = [b"\\s:a,r:%d*00\\$IIRPM,E,1,%d,,A*00\r\n" % (200_000 * n, 1000 + n) for n in range(300)]
    text = b"".join(lines)
    pieces, tape = split_log(text, 10.0)
    looks = list(paced(tape))
    assert b"".join(pieces) + b"".join(part for _, part in looks) == text
    assert all(piece.endswith(b"\n") for piece in pieces)
    # five lines a second: two or three between two looks, and nothing left for the end
    assert {part.count(b"\n") for _, part in looks[1:-1]} <= {2, 3}
    assert abs(looks[-1][0] - 10.0) <= 2 * answer._LOOK_S
