"""Engine logs that grow, and sessions played again."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import rig
from tests.system.fakes import refusal
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


def growing(tmp_path: Path, raw: Path) -> tuple[Path, GrowingFile, list[str]]:
    said: list[str] = []
    log = tmp_path / "ecu.csv"
    log.write_bytes(b"time,rpm\n1,900\n2,900\n")
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock(), say=lambda kind, *_a, **_k: said.append(kind))
    follow(source, raw)
    return log, source, said


def copies(raw: Path) -> list[str]:
    return sorted(path.name for path in (raw / "engine").iterdir())


@pytest.mark.parametrize("when", ["before the first look", "while it grows", "when recording goes on"])
def test_a_log_that_is_locked_for_a_moment_is_not_copied_twice(
    tmp_path: Path, raw: Path, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    log = tmp_path / "ecu.csv"
    log.write_bytes(b"time,rpm\n1,900\n")
    if when == "when recording goes on":
        (raw / "engine" / "ecu.csv").write_bytes(b"time,rpm\n")
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    if when == "while it grows":
        follow(source, raw)
    with log.open("ab") as file:
        file.write(b"2,900\n")
    true = Path.open

    def held(self: Path, *given: object, **more: object) -> object:
        if self == log:
            raise refusal(33)
        return true(self, *given, **more)  # type: ignore[call-overload]

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", held)
        for _ in range(3):
            follow(source, raw)
    follow(source, raw)
    assert copies(raw) == ["ecu.csv"]
    assert (raw / "engine" / "ecu.csv").read_bytes() == log.read_bytes()


def test_a_log_that_is_replaced_by_itself_with_more_is_not_copied_twice(tmp_path: Path, raw: Path) -> None:
    log, source, said = growing(tmp_path, raw)
    for row in range(3, 6):  # as sync clients and some loggers do: another file takes the name
        other = tmp_path / "ecu.tmp"
        other.write_bytes(log.read_bytes() + b"%d,900\n" % row)
        other.replace(log)
        follow(source, raw)
    assert (copies(raw), said) == (["ecu.csv"], [])
    assert (raw / "engine" / "ecu.csv").read_bytes() == log.read_bytes()


@pytest.mark.parametrize("kept", [0, 9, 15])
def test_a_log_that_is_being_written_anew_is_not_copied_twice(tmp_path: Path, raw: Path, kept: int) -> None:
    log, source, said = growing(tmp_path, raw)
    whole = log.read_bytes() + b"3,900\n"
    for _ in range(3):
        log.write_bytes(whole[:kept])
        follow(source, raw)
        log.write_bytes(whole)
        follow(source, raw)
    assert (copies(raw), said) == (["ecu.csv"], [])
    assert (raw / "engine" / "ecu.csv").read_bytes() == whole


@pytest.mark.parametrize("looks", [(0, 9, 16, 30), (0, 30), (9, 30), (10,), (16, 30)])
def test_a_log_begun_anew_with_the_same_heading_is_a_copy_of_its_own(
    tmp_path: Path, raw: Path, looks: tuple[int, ...]
) -> None:
    log, source, said = growing(tmp_path, raw)
    former, whole = log.read_bytes(), b"time,rpm\n7,1200\n8,1200\n9,1200\n"
    for text in (whole[:size] for size in looks):
        log.write_bytes(text)
        follow(source, raw)
    assert said == ["log_replaced"]
    assert (raw / "engine" / "ecu.csv").read_bytes() == former
    assert (raw / "engine" / "ecu-02.csv").read_bytes() == log.read_bytes()


def test_a_log_whose_name_differs_by_case_from_a_copy_gets_a_name_of_its_own(tmp_path: Path, raw: Path) -> None:
    (raw / "engine" / "ECU.csv").write_bytes(b"another engine's\n")
    log = tmp_path / "ecu.csv"
    log.write_bytes(b"time,rpm\n")
    source = GrowingFile("ecu", log, raw, rig.FakeClocks().clock())
    follow(source, raw)
    assert copies(raw) == ["ECU.csv", "ecu-02.csv"]
