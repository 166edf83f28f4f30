"""The command line as a first-time user meets it: clear messages, right exit codes, nothing half-written."""

import inspect
import json
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest

from tests.command import Run, calling
from tests.made_once import simulated
from trialcapture import __version__
from trialcapture.archive.manifest import verify_manifest
from trialcapture.archive.note_kinds import FIELDS
from trialcapture.archive.session import open_session
from trialcapture.cli import group, main
from trialcapture.cli.commands import LazyCommand, archive
from trialcapture.cli.output import say
from trialcapture.rehearse.scenarios import DEFAULT
from trialcapture.rehearse.write import write_session

ROOT = Path(__file__).parents[1]
CONFIG = """
[boat]
name = "Grey Ptarmigan"
[[engine]]
id = "main"
rated_rpm = 2400
[[engine_log]]
files = "*.csv"
columns = { time = "Time", rpm_main = { name = "RPM", unit = "rpm" } }
"""
SENTENCE = b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68\r\n"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command in a folder with a log, an engine log and a configuration; gives exit code, stdout, stderr."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    Path("boat.toml").write_text(CONFIG)
    Path("day.nmea").write_bytes(SENTENCE * 100)
    Path("main.csv").write_bytes(b"Time,RPM\r\n2026-05-04T10:00:00,1000\r\n")

    return calling(capsys)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_help_and_version(run: Run) -> None:
    code, out, _ = run("--help")
    assert code == 0
    assert all(name in out for name in ("preflight", "record", "collect", "process", "review", "verify", "rehearse"))
    assert run("--version")[1].strip() == f"trialcapture, version {__version__}"
    names = [(name,) for name, one in group.commands.items() if name != "archive" and not one.hidden]
    for words in [*names, *(("archive", name) for name in archive.commands)]:
        code, out, _ = run(*words, "--help")
        assert code == 0
        assert "--json" in out
        assert max(map(len, out.splitlines())) <= 80


def test_the_module_of_every_command_has_a_function_that_takes_what_is_declared() -> None:
    commands = [one for one in (*group.commands.values(), *archive.commands.values()) if one is not archive]
    assert len(commands) == 23
    for command in commands:
        assert isinstance(command, LazyCommand)
        taken = inspect.signature(command.load()).parameters
        named = {name for name, p in taken.items() if p.kind is not p.VAR_KEYWORD} - {"context"}
        declared = {p.name for p in command.params}
        if any(p.kind is p.VAR_KEYWORD for p in taken.values()):  # the fields of a note
            assert declared - named == set(FIELDS)
        else:
            assert declared == named, command.name


@pytest.mark.parametrize("words", [["--help"], ["process", "--help"], ["note", "-h"], ["archive", "query", "--help"]])
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    script = (
        f"import sys; sys.argv = {['trialcapture', *words]}\ntry:\n import trialcapture.cli; trialcapture.cli.main()\n"
    )
    script += "finally:\n print(sorted({name.partition('.')[0] for name in sys.modules}))"
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = done.stdout.splitlines()[-1]
    for heavy in (
        "pandas",
        "pyarrow",
        "numpy",
        "scipy",
        "matplotlib",
        "pydantic",
        "rich",
        "jinja2",
        "zstandard",
        "serial",
    ):
        assert f"'{heavy}'" not in loaded


@pytest.mark.parametrize(
    "arguments", [["nonsense"], ["collect"], ["process"], ["rehearse"], ["collect", "--wrong"], ["process", "a", "b"]]
)
def test_wrong_usage_is_exit_2(run: Run, arguments: list[str]) -> None:
    code, out, err = run(*arguments)
    assert code == 2
    assert "Usage:" in err
    assert out == ""


def test_collect_makes_a_session_and_says_what_is_next(run: Run) -> None:
    code, out, err = run("collect", "day.nmea", "--engine-log", "main.csv", "--config", "boat.toml", "--into", "s")
    assert (code, err) == (0, "")
    assert "2 files copied" in out
    assert "trialcapture process s" in out
    assert Path("s/raw/nmea.log").read_bytes() == SENTENCE * 100
    assert verify_manifest(Path("s")) == []
    assert run("collect", "--engine-log", "main.csv", "--into", "s")[0] == 0


def test_collect_prints_json(run: Run) -> None:
    Path("odd.csv").write_bytes(b"Time,RPM\r\n2026-05-04T10:00:00,\r\n")
    code, out, _ = run(
        "collect", "day.nmea", "--engine-log", "odd.csv", "--config", "boat.toml", "--into", "s", "--json"
    )
    assert code == 0
    told = json.loads(out)
    assert told["session"] == open_session(Path("s")).id
    assert [entry["path"] for entry in told["files"]] == ["raw/nmea.log", "raw/engine/odd.csv"]
    assert "rpm_main is empty" in told["warnings"][0]


@pytest.mark.parametrize(
    ("prepare", "arguments", "said"),
    [
        ("", "collect absent.nmea --config boat.toml --into s", "there is no such file, at absent.nmea"),
        ("e", "collect e --config boat.toml --into s", "this log is empty"),
        ("b", "collect b --config boat.toml --into s", "this is not an NMEA log, saw 'no sentence in 4096 bytes'"),
        ("", "collect . --config boat.toml --into s", "this is a folder, not a log"),
        ("", "collect main.csv --config boat.toml --into s", "give it with --engine-log"),
        ("", "collect day.nmea --into s", "a new session needs its settings"),
        ("", "collect --config boat.toml --into s", "a new session needs an NMEA log"),
        ("", "collect day.nmea --config absent.toml --into s", "the configuration cannot be read"),
        ("", "collect day.nmea --config . --into s", "saw 'a folder'"),
        ("b", "collect day.nmea --config b --into s", "no UTF-8 text"),
        ("", "collect day.nmea --config day.nmea --into s", "this is not TOML"),
        ("", "collect day.nmea --engine-log day.nmea --config boat.toml --into s", "files = '*.csv'"),
        ("", "collect day.nmea day.nmea --config boat.toml --into s", "given twice"),
        ("d", "collect day.nmea --config boat.toml --into d", "folder of its own"),
        ("", "collect day.nmea --config boat.toml --into boat.toml", "folder of its own"),
        ("", "process absent", "there is no such folder"),
        ("", "process .", "there is no session here"),
        ("", "process day.nmea", "this is a file, not a session"),
        ("", "rehearse s --scenario nonsense", "choose one of"),
        ("d", "rehearse d", "folder of its own"),
    ],
)
def test_bad_input_is_one_clear_message(run: Run, prepare: str, arguments: str, said: str) -> None:
    if prepare == "e":
        Path("e").write_bytes(b"")
    if prepare == "b":
        Path("b").write_bytes(bytes(range(128, 256)) * 32)
    if prepare == "d":
        Path("d").mkdir()
        Path("d/mine.txt").write_text("mine")
    before = sorted(Path.cwd().rglob("*"))
    code, out, err = run(*arguments.split())
    assert code == 1
    assert out == ""
    assert said.lower() in flat(err).lower()
    assert err.startswith("error: ")
    assert all(len(line) <= 80 for line in err.splitlines())
    assert sorted(Path.cwd().rglob("*")) == before


def test_the_same_fault_as_json(run: Run) -> None:
    code, out, err = run("process", "absent", "--json")
    assert code == 1
    told = json.loads(out)["error"]
    assert told["what"] == "there is no such folder"
    assert told["where"] == "absent"
    assert "error: there is no such folder" in err


def test_six_faults_of_a_config_are_all_shown(run: Run) -> None:
    Path("bad.toml").write_text(
        "[boat]\nlenght_m=1\n[fuel]\nusable_fraction=2\n[bands]\nsteps_rpm=[2,1]\n[trial]\nwater='salt'\n"
        "[[source]]\nid='a'\nkind='tcp'\nport=1\n[[engine]]\nid='a'\nrated_rpm=1\n"
    )
    code, _, err = run("collect", "day.nmea", "--config", "bad.toml", "--into", "s")
    assert code == 1
    assert "6 faults, at bad.toml" in err
    for path in (
        "boat.lenght_m",
        "fuel.usable_fraction",
        "bands.steps_rpm",
        "trial.water",
        "source[0].host",
        "engine[0].idle_rpm",
    ):
        assert f"- {path}: " in err
    told = json.loads(run("collect", "day.nmea", "--config", "bad.toml", "--into", "s", "--json")[1])
    assert len(told["error"]["faults"]) == 6


def test_a_session_without_nmea_log_is_named(run: Run) -> None:
    run("collect", "day.nmea", "--config", "boat.toml", "--into", "s")
    Path("s/raw/nmea.log").unlink()
    code, _, err = run("process", "s")
    assert code == 1
    assert "holds no NMEA log" in flat(err)


def test_what_nobody_expected_is_short_and_kept_in_a_file(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))

    def fail(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("trialcapture.cli.collect.collect_files", fail)
    code, out, err = run("collect", "day.nmea", "--config", "boat.toml", "--into", "s", "--json")
    assert code == 1
    assert "ZeroDivisionError: division by zero" in flat(err)
    assert "ZeroDivisionError" in json.loads(out)["error"]["seen"]
    (kept,) = tmp_path.glob("trialcapture-fault-*.log")
    assert "Traceback" in kept.read_text()
    assert kept.name in "".join(err.split())


@pytest.mark.skipif(sys.platform == "win32", reason="rights of a file are POSIX")
def test_what_is_kept_of_a_fault_is_private_and_no_file_that_was_there(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))

    def fail(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("\ud800\x1b[2J")

    monkeypatch.setattr("trialcapture.cli.collect.collect_files", fail)
    for _ in range(2):
        _, _, err = run("collect", "day.nmea", "--config", "boat.toml", "--into", "s")
        assert "\x1b" not in err
    kept = list(tmp_path.glob("trialcapture-fault-*.log"))
    assert len(kept) == 2  # of the same second, and neither took the place of the other
    assert {stat.S_IMODE(path.stat().st_mode) for path in kept} == {0o600}
    assert all("\\ud800" in path.read_text(encoding="utf-8") for path in kept)


def test_usage_faults_are_shown_clean(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["process", "a", "\x1b[2J\nerror: \u202e"], ["\x1b[2J"], ["process", "--\x1b[2J", "a"]):
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == 2
        err = capsys.readouterr().err
        assert "\x1b" not in err
        assert "\u202e" not in err


def test_what_the_system_refuses_is_no_fault_of_the_program(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied", "far/away")

    monkeypatch.setattr("trialcapture.cli.collect.collect_files", refuse)
    code, _, err = run("collect", "day.nmea", "--config", "boat.toml", "--into", "s")
    assert code == 1
    assert flat(err).startswith("error: a file or folder cannot be used, saw 'Permission denied', at far/away.")


@pytest.mark.parametrize("fault", [KeyboardInterrupt, click.Abort])
def test_ctrl_c_is_said_in_one_line(run: Run, monkeypatch: pytest.MonkeyPatch, fault: type[BaseException]) -> None:
    def stop(*_: Any, **__: Any) -> None:
        raise fault

    monkeypatch.setattr("trialcapture.cli.collect.collect_files", stop)
    code, _, err = run("collect", "day.nmea", "--config", "boat.toml", "--into", "s")
    assert code == 130
    assert err.strip() == "stopped; nothing half-written was left"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGTERM to send")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_in_the_middle_leaves_nothing(tmp_path: Path, number: int) -> None:
    (tmp_path / "boat.toml").write_text(CONFIG)
    (tmp_path / "day.nmea").write_bytes(SENTENCE)
    script = (
        "import signal, sys, time, trialcapture.archive.collect as c\n"
        # a test run in the background hands down an ignored SIGINT
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "real = c.seal_closed\n"
        "def slow(folder, **more):\n real(folder, **more); print('copied', flush=True); time.sleep(60)\n"
        "c.seal_closed = slow\n"
        "from trialcapture.cli import main; main()"
    )
    command = [sys.executable, "-c", script, "collect", "day.nmea", "--config", "boat.toml", "--into", "s"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "copied\n"
        assert any("unfinished" in path.name for path in tmp_path.iterdir())
        child.send_signal(number)
        _, err = child.communicate(timeout=30)
    assert child.returncode == 130
    assert "stopped" in err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["boat.toml", "day.nmea"]


def test_a_reader_that_goes_away_is_no_fault(tmp_path: Path) -> None:
    command = f"{sys.executable} -m trialcapture rehearse --list --json | head -c 1; exit ${{PIPESTATUS[0]}}"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    if sys.platform == "win32":
        pytest.skip("needs a POSIX shell")
    done = subprocess.run(
        ["bash", "-c", command], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert done.stdout == "{"
    assert done.stderr == ""


def test_rehearse_lists_its_scenarios(run: Run) -> None:
    code, out, _ = run("rehearse", "--list")
    assert code == 0
    assert len(out.splitlines()) >= 6
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "twin-planing" in json.loads(run("rehearse", "--list", "--json")[1])["scenarios"]


def test_long_words_and_paths_are_not_broken(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    path = "/a/very-long/" + "path" * 12
    say(f"seen at {path}. Next\n  - one fault that goes on and on and over the line".split("\n"), label="error")
    err = capsys.readouterr().err
    assert path in err
    assert "  - one fault that goes on and on and\n    over the line" in err


def test_rehearse_writes_a_session_with_the_truth_beside_it(run: Run) -> None:
    code, out, _ = run("rehearse", "demo", "--short", "--seed", "3", "--json")
    assert code == 0
    told = json.loads(out)
    assert Path(told["truth"]).exists()
    assert open_session(Path("demo")).id == told["session"]
    assert verify_manifest(Path("demo")) == []


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short simulated session."""
    return write_session(simulated(DEFAULT, 7, short=True), tmp_path_factory.mktemp("demo") / "trial").folder


def test_process_prints_the_band_table_and_where_the_report_is(run: Run, demo: Path) -> None:
    code, out, err = run("process", str(demo))
    assert (code, err) == (0, "")
    assert "2320" in out
    assert f"report: {demo / 'reduction' / 'report.html'}" in out
    assert all(len(line) <= 80 for line in out.splitlines() if not line.startswith(("report:", "sheet:")))
    assert "\x1b" not in out
    first = {p: p.read_bytes() for p in sorted(demo.rglob("*")) if p.is_file()}
    code, out, _ = run("process", str(demo), "--json")
    assert code == 0
    told = json.loads(out)
    assert [band["band_rpm"] for band in told["bands"]] == [1200, 2000, 2320]
    assert told["summary"]["schema_version"] == 2
    assert {p: p.read_bytes() for p in sorted(demo.rglob("*")) if p.is_file()} == first


def test_verify_finds_one_flipped_bit(run: Run, demo: Path) -> None:
    code, out, _ = run("verify", str(demo))
    assert code == 0
    assert out.splitlines()[-1] == "sound"
    path = demo / "raw" / "nmea.log"
    former = path.read_bytes()
    data = bytearray(former)
    data[len(data) // 2] ^= 4
    path.write_bytes(data)
    try:
        code, out, _ = run("verify", str(demo))
        assert code == 1
        assert "raw/nmea.log: content changed" in flat(out)
        told = json.loads(run("verify", str(demo), "--json")[1])
        assert told["faults"]
    finally:
        path.write_bytes(former)


def test_record_without_sources_says_what_is_missing(run: Run) -> None:
    code, out, err = run("record", "boat.toml", "--into", "r")
    assert code == 1
    assert out == ""
    assert "nothing to listen to" in flat(err)
    assert not Path("r").exists()
