"""Engine logs that grow, and sessions played again."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import rig
from trialcapture.acquire.growing_file import GrowingFile, Replay
from trialcapture.acquire.source import SourceError
from trialcapture.archive.journal import encode_line


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    (tmp_path / "raw" / "engine").mkdir(parents=True)
    return tmp_path / "raw"


def follow(source: GrowingFile, raw: Path) -> None:
    """Copy what was added, as the recorder does."""
    for chunk in source.read(0.0):
        with (raw / source.stream).open("ab") as copy:
            copy.write(chunk.data)


def test_a_file_that_is_not_there_yet_is_waited_for(tmp_path: Path, raw: Path) -> None:
    log = tmp_path / "ecu.csv"
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    source.open()
    assert source.read(0.5) == []
    log.write_bytes(b"time,rpm\n")
    assert source.read(0.0)[0].data == b"time,rpm\n"


def test_the_copy_grows_with_the_file(tmp_path: Path, raw: Path) -> None:
    log = tmp_path / "ecu.csv"
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    with log.open("ab", buffering=0) as file:
        for row in range(50):
            file.write(b"%d,1000\n" % row)
            follow(source, raw)
    assert (raw / "engine" / "ecu.csv").read_bytes() == log.read_bytes()


def test_a_file_begun_anew_gets_a_copy_of_its_own(tmp_path: Path, raw: Path) -> None:
    said: list[str] = []
    log = tmp_path / "ecu.csv"
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock(), say=lambda kind, *_a, **_k: said.append(kind))
    log.write_bytes(b"the first file, long\n")
    follow(source, raw)
    log.write_bytes(b"second\n")
    follow(source, raw)
    follow(source, raw)
    assert (raw / "engine" / "ecu.csv").read_bytes() == b"the first file, long\n"
    assert (raw / "engine" / "ecu-02.csv").read_bytes() == b"second\n"
    assert said == ["log_replaced"]


def test_after_a_crash_the_copy_goes_on_where_it_ended(tmp_path: Path, raw: Path) -> None:
    log = tmp_path / "ecu.csv"
    log.write_bytes(b"one\ntwo\nthree\n")
    (raw / "engine" / "ecu.csv").write_bytes(b"one\ntw")
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    source.open()
    follow(source, raw)
    assert (raw / "engine" / "ecu.csv").read_bytes() == log.read_bytes()


def test_after_a_crash_another_file_of_the_same_name_does_not_touch_the_copy(tmp_path: Path, raw: Path) -> None:
    log = tmp_path / "ecu.csv"
    log.write_bytes(b"another day\n")
    (raw / "engine" / "ecu.csv").write_bytes(b"one\ntwo\n")
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    follow(source, raw)
    assert (raw / "engine" / "ecu.csv").read_bytes() == b"one\ntwo\n"
    assert (raw / "engine" / "ecu-02.csv").read_bytes() == b"another day\n"


def play(path: Path, seconds: float) -> list[tuple[float, str, bytes, int | None]]:
    """Return (time, source, data, own stamp) of everything a replay gives within so many seconds."""
    clocks = rig.FakeClocks()
    start = clocks.mono
    source = Replay("again", path, clocks.clock(), start)
    source.open()
    given = []
    while clocks.mono - start < seconds * 1e9:
        for chunk in source.read(0.25):
            given.append(((clocks.mono - start) / 1e9, chunk.source, chunk.data, chunk.mono_ns))
        if source.ended:
            break
    return given


def test_a_journal_is_played_at_its_own_pace_with_its_own_stamps(tmp_path: Path) -> None:
    path = tmp_path / "nmea.log"
    path.write_bytes(
        b"".join(
            encode_line(rig.numbered(n), source=f"gps{n % 2}", wall_ms=n, mono_us=n * 500_000, line_end=b"")
            for n in range(10)
        )
    )
    given = play(path, 10)
    assert [data for _, _, data, _ in given] == [rig.numbered(n) for n in range(10)]
    assert [stamp for _, _, _, stamp in given] == [n * 500_000_000 for n in range(10)]
    assert [source for _, source, _, _ in given] == [f"gps{n % 2}" for n in range(10)]
    assert [at for at, _, _, _ in given] == pytest.approx([n * 0.5 for n in range(10)])


def test_a_plain_log_is_paced_by_its_sentences_and_not_stopped_by_a_damaged_time(tmp_path: Path) -> None:
    times = ["120000.00", "120001.00", "190002.00", "120003.00", "120004.00"]
    path = tmp_path / "plain.log"
    path.write_bytes(b"".join(rig.sentence(f"GPRMC,{t},A,5000.0,N,00100.0,W,1.0,0.0,010126,,,A") for t in times))
    given = play(path, 20)
    assert len(given) == 5
    assert given[-1][0] == pytest.approx(2.0, abs=0.3)


def test_a_replay_of_nothing_is_told(tmp_path: Path) -> None:
    with pytest.raises(SourceError) as told:
        Replay("r", tmp_path / "absent", rig.FakeClocks().clock(), 0).open()
    assert told.value.trouble == "absent"


def test_a_single_byte_copied_is_a_beginning_that_another_file_does_not_go_on_from(tmp_path: Path, raw: Path) -> None:
    log = tmp_path / "ecu.csv"
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    log.write_bytes(b"t")
    follow(source, raw)
    other = tmp_path / "other.csv"
    other.write_bytes(b"another file, longer\n")
    other.replace(log)
    follow(source, raw)
    assert (raw / "engine" / "ecu.csv").read_bytes() == b"t"
    assert (raw / "engine" / "ecu-02.csv").read_bytes() == b"another file, longer\n"
