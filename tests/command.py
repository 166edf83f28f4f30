"""A command of the program called in this process, as its user would call it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from trialcapture.cli import main

Run = Callable[..., tuple[int, str, str]]
"""Takes the words of a command; returns exit code, standard output and standard error."""


def calling(capsys: pytest.CaptureFixture[str], *, joins_err: bool = False) -> Run:
    """Return what calls commands; none may show a traceback.

    Args:
        capsys: Of the test.
        joins_err: True for standard error as one line, however it was wrapped.
    """

    def call(*words: object) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([str(word) for word in words])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return int(ended.value.code or 0), out, " ".join(err.split()) if joins_err else err

    return call
