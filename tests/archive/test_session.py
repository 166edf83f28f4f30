"""A session folder can be made, opened and read again, and says clearly when it is none."""

import tomllib
from pathlib import Path

import pytest

from trialcapture.archive.session import (
    ImportedFile,
    create_session,
    engine_files,
    match_engine_log,
    nmea_files,
    open_session,
    settings_text,
    unmatched_engine_files,
)
from trialcapture.config import Config, load_config
from trialcapture.errors import ConfigError, TrialCaptureError

CREATED = "2026-05-04T09:30:00Z"
TABLES_FIRST = """# measured on the hard
[boat]
name = "Grey Ptarmigan"   # invented
lightship_lb = 22000
[[engine]]
id = "main"
rated_rpm = 2400
[[engine_log]]
files = ["Main*.csv", "extra.txt"]
columns = { time = "Time", rpm_main = { name = "RPM", unit = "rpm" } }
"""
KEYS_FIRST = """source = [
    { id = "gps1", kind = "udp", port = 10110 },
]
boat = { name = "Grey Ptarmigan" }
"""
IMPORTED = ImportedFile("raw/nmea.log", 'monday ünïcode "quoted".nmea', "ab" * 32, 5, CREATED)


def make(folder: Path, text: str, **more: object) -> Path:
    create_session(folder, load_config(text), made_by="trialcapture test", created=CREATED, config_text=text, **more)  # type: ignore[arg-type]
    return folder


@pytest.mark.parametrize("text", ["", TABLES_FIRST, KEYS_FIRST])
@pytest.mark.parametrize("files", [(), (IMPORTED, IMPORTED)])
def test_settings_come_back_word_by_word(tmp_path: Path, text: str, files: tuple[ImportedFile, ...]) -> None:
    session = open_session(make(tmp_path / "a", text, files=files))
    assert session.config == load_config(text)
    assert session.config_text.strip() == text.strip()
    assert session.files == files
    assert (session.created, session.made_by) == (CREATED, "trialcapture test")
    assert (session.folder / "raw").is_dir()


@pytest.mark.parametrize("text", ["", TABLES_FIRST, KEYS_FIRST])
def test_a_session_file_is_a_configuration_too(tmp_path: Path, text: str) -> None:
    first = make(tmp_path / "a", text, files=(IMPORTED,))
    session_text = (first / "session.toml").read_text(encoding="utf-8")
    assert load_config(session_text) == load_config(text)
    second = make(tmp_path / "b", session_text)
    assert open_session(second).config == load_config(text)
    assert tomllib.loads((second / "session.toml").read_text(encoding="utf-8"))["session"]["id"] != ""
    assert open_session(second).files == ()


def test_settings_edited_by_hand_are_used(tmp_path: Path) -> None:
    path = make(tmp_path / "a", TABLES_FIRST) / "session.toml"
    path.write_text(path.read_text().replace("# ----", "# my own").replace("2400", "2500"))
    session = open_session(tmp_path / "a")
    assert session.config.engine[0].rated_rpm == 2500
    assert load_config(session.config_text) == session.config


def test_settings_without_text_are_written_from_what_differs(tmp_path: Path) -> None:
    config = load_config(TABLES_FIRST)
    create_session(tmp_path / "a", config, made_by="test", created=CREATED)
    assert open_session(tmp_path / "a").config == config
    assert load_config(settings_text(config)) == config
    assert settings_text(Config()) == ""


def test_the_id_names_time_and_boat(tmp_path: Path) -> None:
    config = load_config('[boat]\nname = "Grey Ptarmigan II / ÅÄÖ"')
    session = create_session(tmp_path / "a", config, made_by="test", created="2026-05-04T11:30:00+02:00")
    assert session.id == "20260504T093000Z-grey-ptarmigan-ii"
    named = create_session(tmp_path / "b", config, made_by="test", created=CREATED, id="mine")
    assert open_session(tmp_path / "b").id == named.id == "mine"


def test_a_folder_in_use_is_never_taken(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    make(tmp_path / "a", "")
    for folder in (tmp_path / "a", tmp_path):
        with pytest.raises(TrialCaptureError, match="folder of its own"):
            make(folder, "")


@pytest.mark.parametrize("created", ["yesterday", "2026-05-04T09:30:00", ""])
def test_a_session_needs_a_time_with_its_zone(tmp_path: Path, created: str) -> None:
    with pytest.raises(TrialCaptureError, match="time of creation"):
        create_session(tmp_path / "a", Config(), made_by="test", created=created)


def test_what_is_no_session_is_named(tmp_path: Path) -> None:
    with pytest.raises(TrialCaptureError, match="no such folder"):
        open_session(tmp_path / "absent")
    with pytest.raises(TrialCaptureError, match="no session here"):
        open_session(tmp_path)
    (tmp_path / "log.nmea").write_bytes(b"$GPRMC")
    with pytest.raises(TrialCaptureError, match="a file, not a session"):
        open_session(tmp_path / "log.nmea")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe\x00", "damaged"),
        (b"[session\n", "damaged"),
        (b"", r"no \[session\] table"),
        (b'[session]\nid = "a"\n', "lacks what makes it a session"),
        (b'[session]\nid="a"\ncreated="b"\nmade_by="c"\nfile=[{path="x"}]\n', "session.file"),
        (b'[session]\nid="a"\ncreated="b"\nmade_by="c"\nfile=3\n', "session.file"),
    ],
)
def test_a_damaged_session_file_says_what_is_wrong(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "session.toml").write_bytes(content)
    with pytest.raises(TrialCaptureError, match=message):
        open_session(tmp_path)


def test_faulty_settings_of_a_session_are_listed(tmp_path: Path) -> None:
    path = make(tmp_path / "a", TABLES_FIRST) / "session.toml"
    path.write_text(path.read_text() + "\n[fuel]\ncapacity_l = -1\nusable_fraction = 2\n")
    with pytest.raises(ConfigError) as caught:
        open_session(tmp_path / "a")
    assert len(caught.value.faults) == 2


def test_nmea_logs_are_found_in_order_and_nothing_else_is(tmp_path: Path) -> None:
    folder = make(tmp_path / "a", "")
    names = ["nmea-10.log", "nmea-02.log.gz", "nmea.log", "nmea-03.log.zst", "nmea.log.bak", "xnmea.log", "can.log"]
    for name in names:
        (folder / "raw" / name).write_bytes(b"x")
    (folder / "raw" / "nmea-04.log").mkdir()
    found = [path.name for path in nmea_files(open_session(folder))]
    assert found == ["nmea.log", "nmea-02.log.gz", "nmea-03.log.zst", "nmea-10.log"]


def test_engine_logs_meet_their_tables_by_name(tmp_path: Path) -> None:
    folder = make(tmp_path / "a", TABLES_FIRST)
    session = open_session(folder)
    assert engine_files(session) == []
    (folder / "raw" / "engine").mkdir()
    for name in ("main_0412.CSV", "other.csv", "Extra.txt.gz", ".main.csv.tmp"):
        (folder / "raw" / "engine" / name).write_bytes(b"x")
    assert [path.name for path, _ in engine_files(session)] == ["Extra.txt.gz", "main_0412.CSV"]
    assert [path.name for path in unmatched_engine_files(session)] == ["other.csv"]


def test_a_log_that_fits_two_tables_is_refused() -> None:
    text = TABLES_FIRST + '\n[[engine_log]]\nfiles = "*.csv"\n'
    text += 'columns = { time = "T", fuel_main = { name = "F", unit = "L/h" } }\n'
    config = load_config(text)
    assert match_engine_log("port.csv", config) is config.engine_log[1]
    with pytest.raises(TrialCaptureError, match="more than one"):
        match_engine_log("main1.csv", config)
