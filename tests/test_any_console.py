"""Every command through consoles and pipes that lack characters: no crash, and JSON that is the same bytes in all."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from functools import cache
from pathlib import Path

import pytest

from tests.numbers import pages_left_out
from trialcapture.cli import main

ROOT = Path(__file__).parents[1]
BOAT = "Größe 速度 ‰ Ω\u2028é"
"""In no single code page, with a line separator that some programs take for an end of line."""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short session of a boat whose name no code page has."""
    folder = tmp_path_factory.mktemp("any") / "Größe 速度"
    source = ROOT / "sample_logs" / "plain_nmea"
    text = (source / "boat.toml").read_text(encoding="utf-8")
    named = re.sub(r"(?m)^name *=.*$", f'name = "{BOAT}"', text, count=1)
    folder.mkdir()
    (folder / "boat.toml").write_text(named, encoding="utf-8")
    shutil.copy(source / "trial.nmea", folder / "速度.nmea")
    shutil.copy(source / "outboard.csv", folder / "outboard.csv")
    return folder


def run(encoding: str, *arguments: object) -> subprocess.CompletedProcess[bytes]:
    """Run a command as a process of its own."""
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "0"}
    return subprocess.run(
        [sys.executable, "-m", "trialcapture", *map(str, arguments)],
        cwd=ROOT, capture_output=True, check=False, env=environment, stdin=subprocess.DEVNULL,
    )  # fmt: skip


def called(encoding: str, *arguments: object) -> subprocess.CompletedProcess[bytes]:
    """Run a command in this process, with standard output and error as Python makes them on Windows."""
    name, _, errors = encoding.partition(":")
    out = io.TextIOWrapper(io.BytesIO(), name, errors or "strict", newline="\r\n")
    err = io.TextIOWrapper(io.BytesIO(), name, "backslashreplace", newline="\r\n")
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    for stream in (out, err):
        stream.flush()
    code = int(ended.value.code or 0)
    return subprocess.CompletedProcess([], code, out.buffer.getvalue(), err.buffer.getvalue())  # type: ignore[attr-defined]


def commands(folder: Path, into: Path) -> list[tuple[int, list[object]]]:
    """Every command that needs no boat, with its exit code, in an order in which each finds what it needs."""
    log, engine, config = folder / "速度.nmea", folder / "outboard.csv", folder / "boat.toml"
    made = into / "セッション"
    return [
        (0, ["draft-log", engine]),
        (0, ["collect", log, "--engine-log", engine, "--config", config, "--into", made]),
        (0, ["process", made]),
        (0, ["review", made]),
        (0, ["review", made, "--exclude", "1", "--reason", "Fähre 波", "--by", "技"]),
        (0, ["verify", made]),
        (1, ["verify", into / "ない"]),
        (1, ["process", folder / "ない"]),
        (1, ["record", folder / "ない.toml", "--into", into / "x"]),
        (1, ["collect", folder / "outboard.csv", "--config", config, "--into", into / "y"]),
        (0, ["rehearse", "--list"]),
    ]


def outcomes(
    encoding: str, session: Path, into: Path, check: Callable[[list[object], bytes], None], *more: str
) -> None:
    for code, arguments in commands(session, into):
        with pages_left_out():
            done = called(encoding, *arguments, *more)
        assert done.returncode == code, (arguments, done.stderr)
        assert b"Traceback" not in done.stderr
        assert b"UnicodeEncodeError" not in done.stderr
        check(arguments, done.stdout)


def test_what_people_read_survives_the_code_page_of_a_console(session: Path, tmp_path: Path) -> None:
    outcomes("cp437:strict", session, tmp_path, lambda _, out: out.decode("cp437"))


def test_it_does_so_in_a_process_of_its_own(session: Path, tmp_path: Path) -> None:
    log, engine, config = session / "速度.nmea", session / "outboard.csv", session / "boat.toml"
    words = ("--engine-log", engine, "--config", config, "--into", tmp_path / "s")
    collected = run("cp437:strict", "collect", log, *words)
    assert (collected.returncode, collected.stderr) == (0, b"")
    assert "2 files copied" in collected.stdout.decode("cp437")
    refused = run("cp437:strict", "verify", tmp_path / "ない")
    assert refused.returncode == 1
    assert b"Traceback" not in refused.stderr
    assert b"UnicodeEncodeError" not in refused.stderr


def test_json_is_ascii_through_a_pipe_of_windows(session: Path, tmp_path: Path) -> None:
    names = set()

    def check(arguments: list[object], out: bytes) -> None:
        assert out.isascii()
        assert b"\r" not in out
        told = json.loads(out)
        if arguments[0] == "process" and "summary" in told:
            names.add(json.dumps(told["summary"], ensure_ascii=False))
        if "error" in told:
            assert told["error"]["what"]

    outcomes("cp1252:strict", session, tmp_path, check, "--json")
    assert len(names) == 1


@cache
def missing_in_utf_8() -> bytes:
    return run("utf-8", "process", ROOT / "ない", "--json").stdout


@pytest.mark.parametrize("encoding", ["cp1252", "cp932", "utf-16", "ascii:strict"])
def test_json_is_the_same_bytes_whatever_standard_output_is_in(encoding: str) -> None:
    done = run(encoding, "process", ROOT / "ない", "--json")
    assert (done.returncode, done.stdout) == (1, missing_in_utf_8())
    assert json.loads(done.stdout)["error"]["where"] == str(ROOT / "ない")


@pytest.mark.skipif(sys.platform != "linux", reason="names of other systems are Unicode")
def test_a_file_name_that_is_no_unicode_is_told_in_json_that_others_can_read(tmp_path: Path) -> None:
    folder = os.fsencode(tmp_path) + b"/caf\xe9"
    Path(os.fsdecode(folder)).mkdir()
    done = run("utf-8", "process", os.fsdecode(folder), "--json")
    assert done.returncode == 1
    told = json.loads(done.stdout)
    told["error"]["where"].encode("utf-8")  # no half of a pair
    assert "caf\\udce9" in told["error"]["where"]


def test_help_of_every_command_survives_a_console_of_the_first_computers() -> None:
    for command in ("", "record", "process", "collect", "verify", "review", "rehearse", "preflight", "draft-log"):
        done = called("cp437:strict", *filter(None, [command]), "--help")
        assert (done.returncode, done.stderr) == (0, b"")
