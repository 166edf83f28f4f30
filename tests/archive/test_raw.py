"""Logs are read whole, in bounded pieces, whatever they are packed in and however they were torn."""

import gzip
import random
import re
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.archive import raw
from trialcapture.archive.raw import count_lines, packing, read_blocks, read_chunks
from trialcapture.errors import TrialCaptureError

LINES = st.lists(st.tuples(st.binary(max_size=40), st.sampled_from([b"\r\n", b"\n", b"\r", b""])), max_size=60)
SKIPPABLE_FRAME = b"\x50\x2a\x4d\x18\x04\x00\x00\x00abcd"  # RFC 8878, 3.1.2


def sentences(count: int, seed: int = 1) -> bytes:
    rng = random.Random(seed)
    return b"".join(b"$GPRMC,%d,%d*%02X\r\n" % (i, rng.randrange(10**9), i % 256) for i in range(count))


def read(path: Path, data: bytes, block_bytes: int = 8 << 20) -> tuple[bytes, list[str]]:
    path.write_bytes(data)
    warned: list[str] = []
    blocks = list(read_blocks(path, block_bytes, warn=warned.append))
    return b"".join(block for _, block in blocks), warned


@settings(max_examples=150)
@given(LINES, st.integers(1, 50))
def test_blocks_end_where_lines_end_and_join_to_the_file(
    tmp_path_factory: pytest.TempPathFactory, lines: list[tuple[bytes, bytes]], block_bytes: int
) -> None:
    data = b"".join(content + end for content, end in lines)
    path = tmp_path_factory.mktemp("raw") / "nmea.log"
    path.write_bytes(data)
    if packing(data):  # hypothesis may hit upon a gzip header
        return
    blocks = list(read_blocks(path, block_bytes))
    assert b"".join(block for _, block in blocks) == data
    line = 0
    for number, (first_line, block) in enumerate(blocks):
        assert first_line == line
        line += count_lines(block)
        if number + 1 < len(blocks):
            assert block.endswith((b"\n", b"\r"))
            assert not (block.endswith(b"\r") and blocks[number + 1][1].startswith(b"\n"))


@given(LINES, st.integers(1, 9))
def test_a_pair_of_line_end_bytes_is_one_end_wherever_the_count_is_cut(
    lines: list[tuple[bytes, bytes]], stretch_bytes: int
) -> None:
    data = b"".join(content + end for content, end in lines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(raw, "_STRETCH_BYTES", stretch_bytes)
        assert count_lines(data) == len(re.findall(rb"\r\n|\n|\r", data))


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_the_last_line_without_an_end_is_not_lost(tmp_path: Path, end: bytes) -> None:
    data = end.join([b"one", b"two", b"three"])
    path = tmp_path / "nmea.log"
    path.write_bytes(data)
    assert list(read_blocks(path, 4)) == [(0, b"one" + end), (1, b"two" + end), (2, b"three")]


def test_memory_stays_bounded_without_any_line_end(tmp_path: Path) -> None:
    path = tmp_path / "nmea.log"
    path.write_bytes(b"\x55" * (5 << 20))
    blocks = list(read_blocks(path, 4096))
    assert b"".join(block for _, block in blocks) == path.read_bytes()
    assert max(len(block) for _, block in blocks) <= 2 << 20
    assert [number for number, _ in blocks] == list(range(len(blocks)))


def test_the_first_bytes_decide_and_not_the_name(tmp_path: Path) -> None:
    body = sentences(2000)
    for name, data in (
        ("plain.gz", body),
        ("packed.log", gzip.compress(body)),
        ("packed.txt", zstandard.ZstdCompressor().compress(body)),
    ):
        assert read(tmp_path / name, data) == (body, [])
    assert b"".join(read_chunks(tmp_path / "packed.txt", 1 << 20, warn=pytest.fail)) == body


def test_joined_members_and_zero_padding_read_as_one(tmp_path: Path) -> None:
    body = sentences(3000)
    half = len(body) // 2
    joined = gzip.compress(body[:half]) + gzip.compress(body[half:])
    assert read(tmp_path / "a", joined) == (body, [])
    assert read(tmp_path / "b", joined + bytes(70_000)) == (body, [])
    frame = zstandard.ZstdCompressor().compress(body)
    assert read(tmp_path / "c", SKIPPABLE_FRAME + frame + SKIPPABLE_FRAME + frame) == (body + body, [])


@pytest.mark.parametrize("begun", [0, 1, 2, 3, 4])
def test_members_are_joined_wherever_reading_cuts_the_second(
    begun: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where only some bytes of what tells its kind came with the part before."""
    first, second = gzip.compress(b"$A\r\n"), gzip.compress(b"$B\r\n")
    monkeypatch.setattr(raw, "_PACKED_BYTES", len(first) + begun)
    assert read(tmp_path / "a", first + second) == (b"$A\r\n$B\r\n", [])


def test_every_tear_gives_all_that_survives_and_says_so(tmp_path: Path) -> None:
    body = sentences(400)
    packed = gzip.compress(body)
    for cut in range(20, len(packed), 97):
        survived, warned = read(tmp_path / "a", packed[:cut])
        assert body.startswith(survived)
        assert len(warned) == 1
        assert "ends early" in warned[0]
    survived, _ = read(tmp_path / "a", packed[:-8])
    assert survived == body  # only the trailer is gone
    cut = len(packed) // 2
    survived, _ = read(tmp_path / "a", packed[:cut])
    assert len(survived) > 0.8 * len(body) * cut / len(packed)  # not only whole chunks


def test_a_torn_zstandard_file_gives_its_whole_blocks(tmp_path: Path) -> None:
    body = sentences(30_000)
    packed = zstandard.ZstdCompressor().compress(body)
    survived, warned = read(tmp_path / "a", packed[: len(packed) // 2])
    assert body.startswith(survived)
    assert len(survived) > len(body) // 4
    assert "ends early" in warned[0]


def test_damage_inside_gives_what_comes_before(tmp_path: Path) -> None:
    body = sentences(2000)
    packed = bytearray(gzip.compress(body))
    packed[len(packed) // 2 : len(packed) // 2 + 40] = b"\xff" * 40
    survived, warned = read(tmp_path / "a", bytes(packed))
    common = next((i for i, (a, b) in enumerate(zip(survived, body, strict=False)) if a != b), len(survived))
    assert common > 0.4 * len(body)
    assert "damaged" in warned[0]


def test_what_follows_the_packed_data_is_named(tmp_path: Path) -> None:
    body = sentences(10)
    survived, warned = read(tmp_path / "a", gzip.compress(body) + b"something else")
    assert survived == body
    assert "not packed the same way" in warned[0]


@pytest.mark.parametrize("tool", ["gzip", "zstd"])
def test_files_packed_by_the_usual_tools_are_read(tmp_path: Path, tool: str) -> None:
    # Check against the outside: the reference command-line tools (GNU gzip, zstd).
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed here")
    body = sentences(5000)
    plain = tmp_path / "nmea.log"
    plain.write_bytes(body)
    packed = subprocess.run([tool, "-c", str(plain)], capture_output=True, check=True).stdout
    assert read(tmp_path / "packed", packed) == (body, [])


def test_a_missing_file_is_named() -> None:
    with pytest.raises(TrialCaptureError, match=r"nowhere\.log"):
        list(read_blocks(Path("nowhere.log")))


@pytest.mark.parametrize("kind", ["zst", "gz"])
def test_a_file_that_unpacks_to_more_than_a_log_holds_is_refused_early(tmp_path: Path, kind: str) -> None:
    """The greatest ratios that the formats allow: RFC 8878 3.1.1.2 (a block of 128 KiB in four bytes) and RFC 1951."""
    size, block = 1 << 28, sentences(1) * 4000
    data = block * (size // len(block))
    packed = gzip.compress(data) if kind == "gz" else zstandard.compress(data, 19)
    (tmp_path / "log").write_bytes(packed)
    sizes: list[int] = []
    with pytest.raises(TrialCaptureError, match="unpacks to more"):
        sizes.extend(map(len, read_chunks(tmp_path / "log", 1 << 18)))
    assert max(sizes) <= 17 << 20
    assert sum(sizes) <= 40 << 20


def test_a_log_of_which_much_is_alike_is_still_read(tmp_path: Path) -> None:
    """A boat that lies still: only the time of a sentence changes."""
    data = b"".join(b"$GPRMC,%06d,A,5000.00,N,00100.00,W,0.0,0.0,010126,,,A*00\r\n" % n for n in range(400_000))
    assert read(tmp_path / "log", zstandard.compress(data, 9))[0] == data


def test_a_packed_file_that_asks_for_much_memory_is_refused(tmp_path: Path) -> None:
    # RFC 8878, 3.1.1.1.2: window descriptor 0xA8 is an exponent of 21, a window of 2 GiB
    (tmp_path / "log").write_bytes(b"\x28\xb5\x2f\xfd\x00\xa8\x01\x00\x00")
    with pytest.raises(TrialCaptureError, match="more memory"):
        list(read_chunks(tmp_path / "log", 1 << 18))


@pytest.mark.parametrize("data", [b"\n", b"$", b"!A\r", b"$A,*\r\n", b"\\", b"\r"])
def test_blocks_of_many_lines_are_given_in_parts_that_joined_are_the_file(tmp_path: Path, data: bytes) -> None:
    whole = data * ((5 << 20) // len(data)) + b"$GPHDT,1,T\r\n"
    (tmp_path / "log").write_bytes(whole)
    blocks = list(read_blocks(tmp_path / "log"))
    assert b"".join(block for _, block in blocks) == whole
    assert max(len(block) for _, block in blocks) <= (1 << 20) + 1
    if data[-1:] in b"\r\n":  # only what has no line end is cut inside a line
        assert [first for first, _ in blocks] == [
            count_lines(b"".join(block for _, block in blocks[:n])) for n in range(len(blocks))
        ]
        assert not any(block.endswith(b"\r") and after.startswith(b"\n") for (_, block), (_, after) in pairwise(blocks))


def test_a_log_that_grows_while_it_is_read_ends_where_it_ended(tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(sentences(2000))
    seen = b""
    for part in read_chunks(tmp_path / "log", 1 << 12):
        seen += part
        with (tmp_path / "log").open("ab") as more:
            more.write(part)
    assert seen == sentences(2000)
