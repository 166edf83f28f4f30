"""Files from elsewhere become a session verbatim, whole or not at all."""

import gzip
import hashlib
import json
from pathlib import Path

import pytest
import zstandard

from trialcapture.archive.collect import collect, keep_settings
from trialcapture.archive.manifest import verify_manifest
from trialcapture.archive.seal import Acceptance
from trialcapture.archive.session import Session, can_files, engine_files, nmea_files, open_session
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError

CREATED = "2026-05-04T18:00:00Z"
PLAIN = '[boat]\nname = "Grey Ptarmigan"\n'
WITH_ENGINE = (
    PLAIN
    + """
[[engine]]
id = "main"
rated_rpm = 2400
[[engine_log]]
files = "*.csv"
columns = { time = "Time", rpm_main = { name = "RPM", unit = "rpm" }, fuel_main = { name = "Fuel", unit = "L/h" } }
"""
)
ENGINE_LOG = b"Time,RPM,Fuel\r\n2026-05-04T10:00:00,1000,10.5\r\n2026-05-04T10:00:01,1001,10.6\r\n"


def nmea(count: int = 50, end: bytes = b"\r\n", talker: bytes = b"GP") -> bytes:
    lines = []
    for second in range(count):
        body = talker + b"RMC,1000%02d,A,4916.45,N,12311.12,W,010.5,054.7,040526,,,A" % (second % 60)
        checksum = 0
        for byte in body:
            checksum ^= byte
        lines.append(b"$" + body + b"*%02X" % checksum + end)
    return b"".join(lines)


class Files:
    """Loose files in a folder, and what came of collecting them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.into = folder / "session"
        self.warned: list[str] = []

    def write(self, name: str, data: bytes) -> Path:
        path = self.folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
        return path

    def collect(self, logs: list[Path], engines: list[Path], text: str | None = WITH_ENGINE, **more: object) -> Session:
        config = None if text is None else load_config(text)
        return collect(
            logs, engines, config, self.into, created=CREATED, config_text=text, warn=self.warned.append, **more
        )  # type: ignore[arg-type]

    def left(self) -> list[str]:
        """What lies beside the loose files: the session, or anything half-made."""
        return sorted(p.name for p in self.folder.iterdir() if p.is_dir() or "unfinished" in p.name)


@pytest.fixture
def files(tmp_path: Path) -> Files:
    return Files(tmp_path)


def test_files_are_copied_verbatim_and_hashed(files: Files) -> None:
    second = gzip.compress(nmea(20), mtime=0)
    third = zstandard.ZstdCompressor().compress(nmea(30, b"\r"))
    logs = [files.write("Monday am.nmea", nmea(end=b"\n")), files.write("b.log", second), files.write("c.gz", third)]
    engine = files.write("Main engine.csv", ENGINE_LOG)
    session = files.collect(logs, [engine])
    raw = {p.relative_to(files.into).as_posix(): p.read_bytes() for p in (files.into / "raw").rglob("*") if p.is_file()}
    assert raw == {
        "raw/nmea.log": nmea(end=b"\n"),
        "raw/nmea-02.log.gz": second,
        "raw/nmea-03.log.zst": third,
        "raw/engine/Main engine.csv": ENGINE_LOG,
    }
    assert {f.path: f.original for f in session.files} == {
        "raw/nmea.log": "Monday am.nmea",
        "raw/nmea-02.log.gz": "b.log",
        "raw/nmea-03.log.zst": "c.gz",
        "raw/engine/Main engine.csv": "Main engine.csv",
    }
    for imported in session.files:
        assert imported.sha256 == hashlib.sha256(raw[imported.path]).hexdigest()
    assert verify_manifest(files.into) == []
    assert [p.name for p in nmea_files(session)] == ["nmea.log", "nmea-02.log.gz", "nmea-03.log.zst"]
    assert [p.name for p, _ in engine_files(session)] == ["Main engine.csv"]
    assert session.config_text.strip() == WITH_ENGINE.strip()
    assert files.warned == []
    assert files.left() == ["session"]


CAN = b"(1700000000.123456) can0 09F80102#FFFFFFFF\n"
SHOWN = b" (1700000000.123456)  can0  09F80102   [4]  FF FF FF FF\n"


def test_can_logs_are_told_by_their_content_and_copied_like_nmea_logs(files: Files) -> None:
    packed, again = gzip.compress(CAN * 9, mtime=0), zstandard.ZstdCompressor().compress(CAN * 8)
    contents = [CAN * 7, nmea(), packed, SHOWN * 6, again]
    session = files.collect([files.write(f"{n}.log", data) for n, data in enumerate(contents)], [], PLAIN)
    assert [f.path for f in session.files] == [
        "raw/can.log", "raw/nmea.log", "raw/can-02.log.gz", "raw/can-03.log", "raw/can-04.log.zst",
    ]  # fmt: skip
    assert [(files.into / f.path).read_bytes() for f in session.files] == contents
    assert [p.name for p in can_files(session)] == ["can.log", "can-02.log.gz", "can-03.log", "can-04.log.zst"]
    found = verify_session(files.into)
    assert (found.faults, found.lines) == ((), 50 + 7 + 9 + 6 + 8)
    files.collect([files.folder / "0.log"], [], None)  # the same again changes nothing
    with pytest.raises(TrialCaptureError, match="takes no other"):
        files.collect([files.write("other.log", CAN)], [], None)


def test_a_can_log_alone_makes_a_session(files: Files) -> None:
    files.collect([files.write("a.log", b"\xff\x00 noise\n" + CAN)], [], PLAIN)
    assert files.left() == ["session"]
    assert verify_session(files.into).faults == ()


def test_an_empty_folder_may_be_named(files: Files) -> None:
    files.into.mkdir()
    files.collect([files.write("a.nmea", nmea())], [], PLAIN)
    assert open_session(files.into).files[0].original == "a.nmea"


@pytest.mark.parametrize("step", range(1, 12))
def test_ctrl_c_at_any_step_leaves_nothing(files: Files, step: int) -> None:
    logs = [files.write("a.nmea", nmea(40)), files.write("b.nmea", nmea(41))]
    engine = files.write("e.csv", ENGINE_LOG)
    steps: list[str] = []

    def stop(name: str, _share: float | None) -> None:
        steps.append(name)
        if len(steps) == step:
            raise KeyboardInterrupt

    try:
        files.collect(logs, [engine], progress=stop)
    except KeyboardInterrupt:
        assert files.left() == []
    else:
        assert len(steps) < step
        assert files.left() == ["session"]


def test_a_full_disk_is_seen_before_anything_is_written(files: Files, small_disk: Path) -> None:
    files.into = small_disk / "session"
    with pytest.raises(TrialCaptureError, match="disk is full") as caught:
        files.collect([files.write("a.nmea", nmea(9000))], [], PLAIN)
    assert "are needed" in str(caught.value)
    assert list(small_disk.iterdir()) == []


def test_a_disk_that_fills_meanwhile_leaves_nothing(
    files: Files, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files.into = small_disk / "session"
    monkeypatch.setattr("trialcapture.archive.collect.free_bytes", lambda _: 1 << 40)
    with pytest.raises(TrialCaptureError, match="disk is full"):
        files.collect([files.write("a.nmea", nmea(9000))], [], PLAIN)
    assert list(small_disk.iterdir()) == []


def test_a_copy_that_differs_is_noticed(files: Files, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trialcapture.archive.collect.seal_closed", write_wrong_manifest)
    with pytest.raises(TrialCaptureError, match="not the same as its original"):
        files.collect([files.write("a.nmea", nmea())], [], PLAIN)
    assert files.left() == []


def write_wrong_manifest(folder: Path, **_: str) -> None:
    entry = {"path": "raw/nmea.log", "sha256": "00" * 32, "bytes": 1}
    (folder / "manifest.json").write_text(json.dumps({"schema_version": 1, "files": [entry]}))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02\xff" * 3000, "no sentence in 12000 bytes"),
        (b"PK\x03\x04" + b"x" * 100, "ZIP"),
        (nmea().decode().encode("utf-16"), "UTF-16"),
        (b"  can0  09F80102   [4]  FF FF FF FF\n" * 10, "no times"),
        (b" (2026-05-14 09:04:03.123456)  can0  09F80102   [4]  FF FF FF FF\n" * 10, "no times"),
        (ENGINE_LOG, "--engine-log"),
        (b"hello\n" * 100, "baud rate"),
        (gzip.compress(b"hello\n" * 100, mtime=0), "no sentence in 600 bytes"),
    ],
)
def test_what_is_no_nmea_log_is_named_before_anything_is_written(files: Files, data: bytes, said: str) -> None:
    with pytest.raises(TrialCaptureError) as caught:
        files.collect([files.write("a.nmea", nmea()), files.write("b.nmea", data)], [], PLAIN)
    assert said in str(caught.value)
    assert "b.nmea" in str(caught.value)
    assert files.left() == []


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r", b" noise \xff\n"])
@pytest.mark.parametrize("prefix", [b"", b"\\s:gps1,c:1790000000123,r:5123456*hh\\", b"\xef\xbb\xbf", b"\x00" * 5000])
def test_one_sentence_anywhere_makes_a_log(files: Files, end: bytes, prefix: bytes) -> None:
    files.collect([files.write("a.nmea", prefix + nmea(1, end))], [], PLAIN)
    assert files.left() == ["session"]


def test_missing_and_wrong_paths_are_named(files: Files) -> None:
    good = files.write("a.nmea", nmea())
    for logs, said in (
        ([good, files.folder / "absent.nmea"], "no such file"),
        ([files.folder], "a folder, not a log"),
        ([good, good], "given twice"),
        ([good, files.write("copy.nmea", nmea())], "same content"),
        ([good, files.write("sub/a.nmea", nmea())], "same content"),
        ([], "needs an NMEA log"),
    ):
        with pytest.raises(TrialCaptureError, match=said):
            files.collect(logs, [], PLAIN)
        assert not files.into.exists()
    with pytest.raises(TrialCaptureError, match="needs its settings"):
        files.collect([good], [], None)


def test_a_folder_in_use_is_not_touched(files: Files) -> None:
    files.write("session/mine.txt", b"mine")
    with pytest.raises(TrialCaptureError, match="folder of its own"):
        files.collect([files.write("a.nmea", nmea())], [], PLAIN)
    assert [p.name for p in files.into.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("e.txt", ENGINE_LOG, "files = '*.csv'"),
        ("e.csv", b"", "empty"),
        ("e.csv", ENGINE_LOG.replace(b",", b";"), "delimiter = ';'"),
        ("e.csv", ENGINE_LOG.replace(b"RPM", b"Speed"), "no column headed 'RPM'"),
        ("e.csv", b"\x00\xff" * 500, "no row of data"),
    ],
)
def test_an_engine_log_that_does_not_fit_stops_everything(files: Files, name: str, data: bytes, said: str) -> None:
    with pytest.raises(TrialCaptureError) as caught:
        files.collect([files.write("a.nmea", nmea())], [files.write(name, data)])
    assert said in str(caught.value)
    assert files.left() == []


def test_two_engine_logs_of_one_name_are_refused(files: Files) -> None:
    engines = [files.write("e.csv", ENGINE_LOG), files.write("sub/E.csv", ENGINE_LOG + b"\r\n")]
    with pytest.raises(TrialCaptureError, match="same name"):
        files.collect([files.write("a.nmea", nmea())], engines)


def test_odd_engine_logs_are_taken_and_told_about(files: Files) -> None:
    log = ENGINE_LOG + b"2026-05-04T10:00:02,1002,10.7\r\n2026-05-04T10:00:03,10"
    files.collect([files.write("a.nmea", nmea())], [files.write("e.csv", log)])
    assert any("1 of its rows or cells cannot be read" in text for text in files.warned)


def test_a_column_without_any_value_is_told_about(files: Files) -> None:
    log = b"Time,RPM,Fuel\r\n2026-05-04T10:00:00,1000,\r\n2026-05-04T10:00:01,1001,--\r\n"
    files.collect([files.write("a.nmea", nmea())], [files.write("e.csv", log)])
    assert [text for text in files.warned if "fuel_l_per_h_main is empty" in text]


def test_an_engine_log_is_added_to_a_session_later(files: Files) -> None:
    log = files.write("a.nmea", nmea())
    first = files.collect([log], [], PLAIN)
    engine = files.write("e.csv", ENGINE_LOG)
    with pytest.raises(TrialCaptureError, match="there is none"):
        files.collect([], [engine], None)
    second = files.collect([log], [engine], WITH_ENGINE)
    assert second.id == first.id
    assert second.config == load_config(WITH_ENGINE)
    assert (files.into / "raw" / "engine" / "e.csv").read_bytes() == ENGINE_LOG
    assert verify_manifest(files.into) == []
    assert [f.path for f in second.files] == ["raw/nmea.log", "raw/engine/e.csv"]
    assert load_config((files.into / "session-former-01.toml").read_text()) == load_config(PLAIN)
    assert any("former" in text for text in files.warned)


def test_the_same_files_again_change_nothing(files: Files) -> None:
    log, engine = files.write("a.nmea", nmea()), files.write("e.csv", ENGINE_LOG)
    files.collect([log], [engine])
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in files.into.rglob("*") if p.is_file()}
    files.collect([log], [engine])
    files.collect([], [engine], None)
    assert {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in files.into.rglob("*") if p.is_file()} == before


def test_nothing_recorded_is_ever_overwritten_or_mixed(files: Files) -> None:
    log, engine = files.write("a.nmea", nmea()), files.write("e.csv", ENGINE_LOG)
    files.collect([log], [engine])
    with pytest.raises(TrialCaptureError, match="takes no other NMEA log"):
        files.collect([files.write("b.nmea", nmea(60))], [])
    with pytest.raises(TrialCaptureError, match="never overwritten"):
        files.collect([], [files.write("sub/e.csv", ENGINE_LOG.replace(b"1000", b"1010"))])
    assert verify_manifest(files.into) == []


def test_an_engine_log_whose_name_differs_by_case_alone_is_not_put_beside_the_other(files: Files) -> None:
    log, engine = files.write("a.nmea", nmea()), files.write("e.csv", ENGINE_LOG)
    files.collect([log], [engine])
    with pytest.raises(TrialCaptureError, match="never overwritten"):
        files.collect([], [files.write("sub/E.CSV", ENGINE_LOG.replace(b"1000", b"1010"))])
    files.collect([], [files.write("again/E.csv", ENGINE_LOG)])
    assert [path.name for path in (files.into / "raw" / "engine").iterdir()] == ["e.csv"]


def test_a_changed_raw_file_is_not_covered_up_by_a_new_manifest(files: Files) -> None:
    files.collect([files.write("a.nmea", nmea())], [])
    path = files.into / "raw" / "nmea.log"
    path.write_bytes(path.read_bytes().replace(b"010.5", b"011.5", 1))
    with pytest.raises(TrialCaptureError, match="changed since it was sealed"):
        files.collect([], [files.write("e.csv", ENGINE_LOG)])
    assert not (files.into / "raw" / "engine").exists()


def test_a_recording_that_was_never_closed_gets_its_manifest(files: Files) -> None:
    files.collect([files.write("a.nmea", nmea())], [])
    for name in ("manifest.json", "seal.jsonl"):
        (files.into / name).unlink()
    files.collect([], [files.write("e.csv", ENGINE_LOG)])
    assert not (files.into / "seal.jsonl").exists()
    assert verify_manifest(files.into) == []


def test_adding_two_logs_when_the_second_fails_adds_none(files: Files, monkeypatch: pytest.MonkeyPatch) -> None:
    files.collect([files.write("a.nmea", nmea())], [])
    engines = [files.write("e.csv", ENGINE_LOG), files.write("f.csv", ENGINE_LOG + b"\r\n")]
    count = 0

    def stop(name: str, share: float | None) -> None:
        nonlocal count
        count += name == "copying"
        if count == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        files.collect([], engines, progress=stop)
    assert list((files.into / "raw" / "engine").iterdir()) == []
    assert verify_manifest(files.into) == []


def test_a_torn_gz_is_taken_with_a_warning(files: Files) -> None:
    packed = gzip.compress(nmea(2000))
    files.collect([files.write("a.gz", packed[: len(packed) // 2])], [], PLAIN)
    assert ["ends early" in text for text in files.warned] == [True]
    assert (files.into / "raw" / "nmea.log.gz").read_bytes() == packed[: len(packed) // 2]


# What is added to a session that is sealed.


def events(into: Path) -> list[str]:
    return [json.loads(line)["what"] for line in (into / "seal.jsonl").read_bytes().splitlines()]


def test_every_import_and_change_of_settings_is_a_line_of_the_seal(files: Files) -> None:
    files.collect([files.write("a.nmea", nmea())], [], PLAIN)
    assert events(files.into) == ["file collected"]
    files.collect([], [files.write("e.csv", ENGINE_LOG)], WITH_ENGINE)
    assert events(files.into) == ["file collected", "settings changed", "file collected"]
    assert verify_session(files.into).ending == "sound"


def test_nothing_is_collected_over_a_change_unless_it_is_accepted(files: Files) -> None:
    files.collect([files.write("a.nmea", nmea())], [])
    log, engine = files.into / "raw" / "nmea.log", files.write("e.csv", ENGINE_LOG)
    log.write_bytes(log.read_bytes().replace(b"010.5", b"011.5", 1))
    with pytest.raises(TrialCaptureError, match="changed since it was sealed"):
        files.collect([], [engine])
    accept = Acceptance("Kim", "the logger's own correction", "2026-05-14T18:00:00Z")
    files.collect([], [engine], accept=accept)
    assert events(files.into) == ["file collected", "changes accepted", "file collected"]
    found = verify_session(files.into)
    assert found.ending == "sound with named losses"
    assert "the logger's own correction" in str(found.losses[0])


def test_settings_are_kept_with_a_line_of_the_seal(files: Files) -> None:
    files.collect([files.write("a.nmea", nmea())], [], PLAIN)
    other = load_config(WITH_ENGINE)
    assert keep_settings(files.into, other, WITH_ENGINE, by="Kim", t="2026-05-14T18:00:00Z") is not None
    assert keep_settings(files.into, other, WITH_ENGINE, by="Kim", t="2026-05-14T18:00:00Z") is None
    assert events(files.into) == ["file collected", "settings changed"]
    assert verify_session(files.into).ending == "sound"
    toml = files.into / "session.toml"
    toml.write_text(toml.read_text() + "\n[fuel]\ncapacity_l = 9000\n")
    with pytest.raises(TrialCaptureError, match=r"session\.toml"):
        keep_settings(files.into, load_config(PLAIN), PLAIN, by="Kim", t="2026-05-14T18:00:00Z")
