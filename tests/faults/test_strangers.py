"""Some hostile sessions in every run; all by ``python -m tests.faults.strangers``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="makes links, named pipes and sockets")

SOME = (
    "reduction is a link",
    "raw/notes.jsonl is a named pipe",
    "the notes are a link to an endless device",
    "verify: the manifest lists '../outside/precious'",
    "settings nested 100,000 deep",
    "a packed log that asks for a window of 2 GiB",
    "an engine log of a million columns",
    "a workbook whose sheet expands entities",
    "a file name with line ends and escapes",
    "review: a column of another type",
)
FULL = ("a trim note that is a formula", "kept results that run a program when read")
MORE = (
    "a note of the year 202",
    "a name of the session with line ends and escapes",
    "a result has a second name elsewhere",
)
"""In the long form; tests of notes, of safe text and of files of a session have them in small."""


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from tests.faults.strangers import make_base  # noqa: PLC0415  POSIX only

    folder = tmp_path_factory.mktemp("strangers")
    make_base(folder)
    return folder


def _faults(name: str, base: Path) -> list[str]:
    from tests.faults.strangers import CASES, run_case  # noqa: PLC0415  POSIX only

    (one,) = [case for case in CASES if case.name == name]
    return run_case(one, base).faults


@pytest.mark.parametrize("name", SOME)
def test_a_hostile_session_is_refused_by_name(name: str, base: Path) -> None:
    assert _faults(name, base) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", [*FULL, *(pytest.param(name, marks=pytest.mark.long) for name in MORE)])
def test_a_hostile_session_gives_the_right_result(name: str, base: Path) -> None:
    assert _faults(name, base) == []


def test_there_are_thirty_cases_at_least() -> None:
    from tests.faults.strangers import CASES  # noqa: PLC0415  POSIX only

    assert len({case.name for case in CASES}) == len(CASES) >= 30
