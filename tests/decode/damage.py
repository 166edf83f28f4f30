"""A million damaged lines: nothing invented that a sentence could betray, nothing sound lost, every byte accounted for.

    python -m tests.decode.damage --lines 1000000

Each kind of damage is done to sentences all different from each other, in a stream where some are glued, spliced or
follow noise. The stream is decoded twice: as a plain log, and through the recorder's journal. Shown for each kind:

- damaged: sentences damaged, glued, spliced or led by noise;
- add up: texts that are no clean sentence but whose one-byte checksum is right all the same;
- let through: rows of those that have every published shape besides. From the sentence alone such a row cannot be
  told from one sent so; that nothing else comes out is checked row by row against a second, plain description of the
  shapes (`tests.nmea_shapes`).

Then the same is done to the lines of a journal file, TAG block and all, and rows that its clean twin does not have are
sorted by what is wrong with them: the time of receipt is missing (the TAG block was found damaged), is another, or a
value is another.

Checked in every run, and an error where it fails: no other row than those of clean sentences and of these; no clean
sentence that came through whole is missing; plain log and journal give the same; each byte belongs to a sentence
that was decoded or counted, to a reject, or is blank.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections import Counter, defaultdict
from random import Random
from typing import Any, NamedTuple

import pyarrow as pa

from tests.decode.test_nmea0183_damage import DAMAGE, Damage, clean_sentences, damaged_stream, values, well_formed
from tests.nmea_builders import journal_line, xor
from trialcapture.archive.journal import encode_line
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.stream import split_stream
from trialcapture.decode.rejects import LONGEST_KEPT_BYTES

SHARE = 0.6
BATCH = 5_000
_FRAMED = re.compile(rb"[$!]([ -#%-)+-\[\]-~]*?)\*([0-9A-Fa-f]{2})")


class Tally(NamedTuple):
    damaged: int
    add_up: int
    let_through: int


def journal_of(stream: bytes) -> bytes:
    """The stream as the recorder writes it down."""
    pieces, rest = split_stream(stream)
    lines: list[bytes] = []
    for piece in filter(None, [*pieces, rest]):
        bare = piece.rstrip(b"\r\n") if piece.endswith((b"\r", b"\n")) else piece
        lines.append(
            encode_line(bare, source="gps1", wall_ms=1_790_000_000_000, mono_us=len(lines), line_end=piece[len(bare) :])
        )
    return b"".join(lines)


def unaccounted(stream: bytes, rejects: pa.Table) -> list[bytes]:
    """Lines with bytes that are neither in a reject nor in a sentence whose checksum is right."""
    rejected: defaultdict[int, list[bytes]] = defaultdict(list)
    for row in rejects.to_pylist():
        if row["field"] is None or row["bytes"].startswith(
            b"\\"
        ):  # a field void leaves the sentence; a TAG block is none
            rejected[row["line"]].append(row["bytes"])
    return [
        line for nth, line in enumerate(re.split(rb"\r\n|\n|\r", stream)) if not is_made_of(line, rejected.get(nth, []))
    ]


def is_made_of(line: bytes, rejects: list[bytes]) -> bool:
    """Whether a line is its rejects in order, sound sentences between them, and blanks, to the last byte."""
    rejects = rejects[::-1]
    while rest := line.strip():
        found = _FRAMED.match(rest)
        sound = found is not None and xor(found[1]) == int(found[2], 16)
        if found is not None and sound and not (rejects and rejects[-1].startswith(found[0])):
            line = rest[found.end() :]
        elif rejects and rest.startswith(rejects[-1]):
            if len(rejects[-1]) >= LONGEST_KEPT_BYTES - 1:  # shown shortened: how long it was is not said
                return True
            line = rest[len(rejects.pop()) :]
        else:
            return False
    return not rejects


def check(random: Random, count: int, kind: Damage) -> Tally:
    """Damage one batch in one way and check all that must hold.

    Raises:
        AssertionError: Something does not hold.
    """
    clean = clean_sentences(random, count)
    stream, whole = damaged_stream(random, clean, SHARE, [kind])
    tables, rejects, counts = decode_nmea(stream, source="gps1")
    found = values(tables)

    alive = {text.rstrip() for text in clean}
    sound = Counter(well_formed(stream))
    lucky = Counter({text: times for text, times in sound.items() if text not in alive})
    kept = sound - lucky
    assert Counter(text.rstrip() for text in whole) - kept == Counter(), "a whole sentence is not in the stream"
    expected = values(decode_nmea(b"\r\n".join(kept.elements()), source="x")[0])
    assert expected - found == Counter(), "a sound sentence was lost"
    invented = found - expected
    possible = values(decode_nmea(b"\r\n".join(lucky.elements()), source="x")[0])
    assert invented - possible == Counter(), "a row came from text that no shape allows"

    assert unaccounted(stream, rejects) == [], "bytes are neither decoded nor rejected"
    assert sum(counts["bad"].to_pylist()) <= rejects.num_rows
    assert values(decode_nmea(journal_of(stream), source="x")[0]) == found, "the journal gives other rows"

    add_up = sum(
        1 for m in re.finditer(rb"\$([^$*\\\r\n]*)\*([0-9A-F]{2})", stream)
        if m[0] not in alive and xor(m[1]) == int(m[2], 16)
    )  # fmt: skip
    untouched = sum(1 for line in stream.splitlines() if line in alive)
    return Tally(count - untouched, add_up, sum(invented.values()))


class Moved(NamedTuple):
    damaged: int
    without_time: int
    other_time: int
    other_value: int


def check_journal(random: Random, count: int, kind: Damage) -> Moved:
    """Damage the lines of a journal file in one way and check that those of others are all there.

    Raises:
        AssertionError: Something does not hold.
    """
    clean = [journal_line(text, mono_us=1_000_000 + nth * 997, wall_ms=1_790_000_000_000 + nth)
             for nth, text in enumerate(clean_sentences(random, count))]  # fmt: skip
    lines = [kind(line, random) if random.random() < SHARE else line for line in clean]
    twin = rows_with_times(b"".join(clean))
    found = rows_with_times(b"".join(lines))
    # Behind a line that lost its end, a line may get that one's times: TAG blocks that touch are one head.
    ended = [True, *(line.endswith((b"\r", b"\n")) for line in lines)]
    whole = [line for line, was, by_itself in zip(lines, clean, ended, strict=False) if line == was and by_itself]
    assert rows_with_times(b"".join(whole)) - found == Counter(), "a whole line was lost"
    glued = [line for line, was in zip(lines, clean, strict=True) if line == was]
    lost = _without_times(rows_with_times(b"".join(glued))) - _without_times(found)
    assert lost == Counter(), "a whole sentence was lost"
    sound = _without_times(twin)
    tally = [sum(line != was for line, was in zip(lines, clean, strict=True)), 0, 0, 0]
    for row, times in (found - twin).items():
        what = 3 if row[:1] + row[_TIMES:] not in sound else 1 if row[1] is None else 2
        tally[what] += times
    return Moved(*tally)


_TIMES = 4
"""Formatter, relative time, wall clock and source; behind these come the talker and the values."""


def _without_times(rows: Counter[tuple[Any, ...]]) -> Counter[tuple[Any, ...]]:
    found: Counter[tuple[Any, ...]] = Counter()
    for row, times in rows.items():
        found[row[:1] + row[_TIMES:]] += times
    return found


def rows_with_times(block: bytes) -> Counter[tuple[Any, ...]]:
    """Every row without its line."""
    rows: Counter[tuple[Any, ...]] = Counter()
    for formatter, table in decode_nmea(block, source="x")[0].items():
        rows.update((formatter, *row.values()) for row in table.drop_columns(["line"]).to_pylist())
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=100_000, help="damaged lines in all")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    random = Random(arguments.seed)
    totals = [0, 0, 0]
    print(f"{'':16}{'damaged':>10}{'add up':>10}{'let through':>13}{'of damaged':>13}")
    for kind in DAMAGE:
        of_kind = [0, 0, 0]
        while of_kind[0] < arguments.lines / len(DAMAGE):
            of_kind = [a + b for a, b in zip(of_kind, check(random, BATCH, kind), strict=True)]
        totals = [a + b for a, b in zip(totals, of_kind, strict=True)]
        print(_row(kind.__name__.replace("_", " "), of_kind), flush=True)
    print(_row("all", totals))
    print(f"\n{'journal file':16}{'damaged':>10}{'no time':>10}{'other time':>13}{'other value':>13}")
    for kind in DAMAGE:
        moved = [0, 0, 0, 0]
        while moved[0] < arguments.lines / len(DAMAGE):
            moved = [a + b for a, b in zip(moved, check_journal(random, BATCH, kind), strict=True)]
        print("{:16}{:>10}{:>10}{:>13}{:>13}".format(kind.__name__.replace("_", " "), *moved), flush=True)
    return 0


def _row(name: str, tally: list[int]) -> str:
    damaged, add_up, through = tally
    return f"{name:16}{damaged:>10}{add_up:>10}{through:>13}{through / damaged:>12.3%}"


if __name__ == "__main__":
    sys.exit(main())
