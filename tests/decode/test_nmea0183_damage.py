"""However a log is damaged: no exception, no valid neighbour lost, nothing invented.

What damage gets past a one-byte checksum *and* leaves every field in its published shape is a sentence like
any other; a second, plainly written check of those shapes says which that is.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from random import Random
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.nmea_builders import journal_line, sentence, tag_block, xor
from tests.nmea_shapes import undamaged
from trialcapture.archive.journal import encode_line
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.stream import split_stream


def clean_sentences(random: Random, count: int) -> list[bytes]:
    """A trial's mix of sentences, every one different from every other."""
    made = []
    for nth in range(count):
        time = f"{10 + nth // 3600 % 10:02d}{nth // 60 % 60:02d}{nth % 60:02d}.{random.randrange(100):02d}"
        lat = f"50{random.randrange(60):02d}.{random.randrange(10**5):05d},N"
        lon = f"001{random.randrange(60):02d}.{random.randrange(10**5):05d},W"
        angle, speed = f"{random.randrange(3600) / 10:.1f}", f"{random.randrange(40_000) / 1000:.3f}"
        made.append(
            sentence(
                random.choice(
                    [
                        f"GPRMC,{time},A,{lat},{lon},{speed},{angle},040226,1.2,W,A",
                        f"GPGGA,{time},{lat},{lon},1,12,0.9,{nth}.5,M,47.2,M,,",
                        f"GPVTG,{angle},T,,M,{speed},N,{nth}.5,K,A",
                        f"HCHDG,{angle},,,{nth % 180}.2,W",
                        f"GPHDT,{nth % 360}.{random.randrange(1000):03d},T",
                        f"IIRPM,E,{nth % 100},{random.randrange(30_000) / 10},,A",
                        f"WIMWV,{angle},R,{speed},N,A",
                        f"SDDPT,{nth}.3,{random.randrange(1000) / 1000}",
                        f"IIXDR,A,{nth}.1,D,PITCH,A,-{speed},D,ROLL",
                    ]
                )
            )
        )
    return made


def values(tables: dict[str, pa.Table]) -> Counter[tuple[Any, ...]]:
    """Every row by its sentence type and values, without where it was found."""
    rows: Counter[tuple[Any, ...]] = Counter()
    for formatter, table in tables.items():
        columns = table.drop_columns(["line", "mono_ns", "wall_ms", "source"])
        rows.update((formatter, *row.values()) for row in columns.to_pylist())
    return rows


def well_formed(stream: bytes) -> list[bytes]:
    """Every sentence in a stream whose checksum adds up and whose fields have their published shape."""
    return [text for _, _, text in undamaged(stream)]


def bit_flips(text: bytes, random: Random) -> bytes:
    damaged = bytearray(text)
    for _ in range(random.choice([1, 1, 2, 2, 3, 8])):
        damaged[random.randrange(len(damaged))] ^= 1 << random.randrange(8)
    return bytes(damaged)


def dropped(text: bytes, random: Random) -> bytes:
    for _ in range(random.choice([1, 2, 2, 3])):
        at = random.randrange(len(text))
        text = text[:at] + text[at + random.choice([1, 1, 2]) :]
    return text


def truncated(text: bytes, random: Random) -> bytes:
    return text[: random.randrange(len(text))] + random.choice([b"", b"\r\n", b"\n"])


def beheaded(text: bytes, random: Random) -> bytes:
    return text[random.randrange(1, len(text)) :]


def burst(text: bytes, random: Random) -> bytes:
    at = random.randrange(len(text))
    return text[:at] + random.randbytes(random.randint(1, 12)) + text[at + random.randint(0, 12) :]


def digits_changed(text: bytes, random: Random) -> bytes:
    places = [at for at, byte in enumerate(text) if 0x30 <= byte <= 0x39]
    for at in random.sample(places, min(2, len(places))):
        text = text[:at] + b"%d" % random.randrange(10) + text[at + 1 :]
    return text


def doubled(text: bytes, random: Random) -> bytes:
    at = random.randrange(len(text))
    return text[: at + 3] + text[at:]


Damage = Callable[[bytes, Random], bytes]
LINE_NOISE: list[Damage] = [bit_flips, dropped, truncated, beheaded, burst, doubled]
DAMAGE: list[Damage] = [*LINE_NOISE, digits_changed]


def damaged_stream(random: Random, clean: list[bytes], share: float, kinds: list[Damage]) -> tuple[bytes, list[bytes]]:
    """A stream of the sentences, some of them damaged or spliced; and those that came through whole."""
    stream, whole = b"", []
    nth = 0
    while nth < len(clean):
        text = clean[nth]
        kind = random.random()
        if kind < share:
            stream += random.choice(kinds)(text, random)
        elif kind < 1.2 * share and nth + 1 < len(clean):  # the head of one and the tail of the next
            stream += text[: random.randrange(1, len(text) - 2)] + clean[nth + 1][random.randrange(1, 30) :]
            nth += 1
        elif kind < 1.4 * share:  # glued to the next: its line end is lost
            stream += text.rstrip()
            whole.append(text)
        elif kind < 1.5 * share:
            stream += random.randbytes(random.randint(1, 20)) + text
            whole.append(text)
        else:
            stream += text
            whole.append(text)
        nth += 1
    return stream, whole


def check_damaged(random: Random, count: int, share: float, kinds: list[Damage]) -> tuple[int, int]:
    """Decode a damaged stream, and return how many damaged sentences add up and how many give a row."""
    clean = clean_sentences(random, count)
    stream, whole = damaged_stream(random, clean, share, kinds)
    tables, rejects, counts = decode_nmea(stream, source="test")
    assert sum(counts["bad"].to_pylist()) <= rejects.num_rows
    found = values(tables)
    expected = values(decode_nmea(b"".join(whole), source="test")[0])
    # A cut sentence may still reach far enough to hold its checksum; then it is whole.
    alive = {text.rstrip(): text for text in clean}
    lucky = [text for text in well_formed(stream) if text not in alive]
    also_whole = Counter(text for text in well_formed(stream) if text in alive) - Counter(t.rstrip() for t in whole)
    expected += values(decode_nmea(b"\r\n".join(also_whole.elements()), source="test")[0])
    assert expected - found == Counter(), "a sound sentence was lost"
    invented = found - expected
    possible = values(decode_nmea(b"\r\n".join(lucky), source="test")[0])
    assert invented - possible == Counter(), "a row came from text that no shape allows"
    adds_up = [
        m[0]
        for m in re.finditer(rb"\$([^$*\\\r\n]*)\*([0-9A-F]{2})", stream)
        if m[0] not in alive and xor(m[1]) == int(m[2], 16)
    ]
    return len(adds_up), sum(invented.values())


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([0.1, 0.5, 0.9]))
def test_only_rows_of_the_clean_twin_come_out_and_all_sound_ones_do(seed: int, share: float) -> None:
    check_damaged(Random(seed), 60, share, DAMAGE)


def test_of_many_damaged_sentences_few_pass_and_those_keep_every_shape() -> None:
    random = Random(20260204)
    totals = [check_damaged(random, 20_000, 0.6, LINE_NOISE) for _ in range(2)]
    add_up, let_through = (sum(total) for total in zip(*totals, strict=True))
    # Some 24 000 sentences were damaged: enough pass the checksum for the shapes to have work to do.
    assert add_up > 150
    assert let_through < 0.25 * add_up


MORSELS = [
    *(b"$", b"!", b"\\", b"*", b",", b"^", b"\r", b"\n", b"\r\n", b"^0D", b"^0A", b"^5C", b"^24", b"*00", b"s:", b"c:"),
    *(b"$GPRMC,", b"$IIXDR,A,", b",A,", b"1.5", b"101112.00", b"5042.123", b"!AIVDM,1,1,,A,x,0*26"),
    *(tag_block("s:a,c:1,r:2"), tag_block("s:b"), b"\\s:a,c:1*00\\", b"$GPHDT,274.07,T*03", b"$GPHDT,1.0,T*00"),
    *(journal_line(b"$GPHDT,274.07,T*03\n"), journal_line(b"\xff$GPHDT,274.07,T*03", cut=True, end=b"\n")),
]
SOUP = st.lists(st.one_of(st.binary(max_size=12), st.sampled_from(MORSELS)), max_size=25).map(b"".join)


@settings(max_examples=120, deadline=None)
@given(SOUP, st.booleans())
@example(b"\\", True)
@example(b"$", False)
@example(b"\\s:\\s:\\", True)
@example(tag_block("s:a,c:1,r:2") + b"^0D^0A^", True)
@example(b"$" * 600, True)
@example(b"!" * 300, True)
def test_no_bytes_raise_and_a_good_sentence_behind_them_is_found(soup: bytes, require_checksum: bool) -> None:
    good = b"\r\n" + sentence("SDDPT,2.3,0.0")
    tables, rejects, counts = decode_nmea(soup + good, source="test", require_checksum=require_checksum)
    assert (2.3, 0.0) in zip(tables["DPT"]["depth_m"].to_pylist(), tables["DPT"]["offset_m"].to_pylist(), strict=True)
    for table in (*tables.values(), rejects, counts):
        table.validate(full=True)
    assert tables["DPT"]["line"].to_pylist()[-1] == len((soup + good).splitlines()) - 1


@settings(max_examples=80, deadline=None)
@given(SOUP, st.sets(st.integers(0, 400)), st.booleans())
@example(tag_block("s:a,c:1,r:2,n:3") + b"$GPHDT,274.07,T*03\r\n\\\\:", {1}, True)
@example(b"$IIXDR,\n\r\n" + tag_block("s:a,c:1,r:2") + b"\r,A,", {2}, False)
@example(tag_block(",".join(["n:1"] * 300)) + b"$GPHDT,274.07,T*03\r\n" + tag_block("s:a"), {1}, True)
def test_blocks_cut_at_any_line_ends_give_the_same_as_the_whole(
    soup: bytes, cuts: set[int], require_checksum: bool
) -> None:
    lines = soup.splitlines(keepends=True)
    edges = sorted({0, len(lines), *(cut % (len(lines) + 1) for cut in cuts)})
    options: dict[str, Any] = {"source": "test", "require_checksum": require_checksum}
    whole = decode_nmea(soup, **options)
    parts = [decode_nmea(b"".join(lines[a:b]), first_line=a, **options) for a, b in pairwise(edges)]
    rows = {name: table.to_pylist() for name, table in whole[0].items()}
    joined: dict[str, list[Any]] = {}
    for tables, _, _ in parts:
        for name, table in tables.items():
            joined.setdefault(name, []).extend(table.to_pylist())
    assert joined == rows
    assert [row for _, rejects, _ in parts for row in rejects.to_pylist()] == whole[1].to_pylist()
    totals: Counter[tuple[str, ...]] = Counter()
    for counts in (whole[2], *(pa.concat_tables([part[2]]) for part in parts)):
        sign = 1 if counts is whole[2] else -1
        for row in counts.to_pylist():
            for what in ("good", "bad", "not_decoded"):
                totals[row["source"], row["talker"], row["formatter"], what] += sign * row[what]
    assert not any(totals.values())


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32))
def test_a_damaged_stream_gives_the_same_rows_through_the_journal(seed: int) -> None:
    random = Random(seed)
    stream, _ = damaged_stream(random, clean_sentences(random, 25), 0.5, DAMAGE)
    pieces, rest = split_stream(stream)
    lines = []
    for piece in [*pieces, rest]:
        bare = piece.rstrip(b"\r\n") if piece.endswith((b"\r", b"\n")) else piece
        end = piece[len(bare) :]
        lines.append(encode_line(bare, source="gps1", wall_ms=1_790_000_000_000, mono_us=len(lines), line_end=end))
    direct = decode_nmea(stream, source="gps1")[0]
    recorded = decode_nmea(b"".join(lines), source="file")[0]
    assert values(recorded) == values(direct)


@pytest.mark.parametrize("seed", range(5))
def test_a_tag_block_may_be_damaged_anywhere_and_costs_at_most_its_own_line(seed: int) -> None:
    random = Random(seed)
    clean = [journal_line(text, mono_us=nth) for nth, text in enumerate(clean_sentences(random, 200))]
    for nth in range(0, 200, 3):
        line = clean[nth]
        clean[nth] = random.choice(DAMAGE)(line[:40], random) + line[40:]
    expected = values(decode_nmea(b"".join(clean[nth] for nth in range(200) if nth % 3), source="x")[0])
    # A damaged head that ends in a line end of its own makes two lines of one; the next line is not touched.
    assert expected - values(decode_nmea(b"".join(clean), source="x")[0]) == Counter()


@pytest.mark.parametrize("kind", DAMAGE, ids=lambda kind: kind.__name__)
def test_every_byte_of_a_damaged_log_is_accounted_for_and_little_gets_through(kind: Damage) -> None:
    from tests.decode.damage import check, check_journal  # noqa: PLC0415  it imports this module

    tally = check(Random(20261126), 1500, kind)
    assert tally.damaged > 900
    assert tally.let_through < 0.05 * tally.damaged
    moved = check_journal(Random(20261127), 1500, kind)
    assert moved.damaged > 600
    assert moved.other_time + moved.other_value < 0.05 * moved.damaged
