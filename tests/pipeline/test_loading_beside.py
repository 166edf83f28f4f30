"""What is loaded beside the work must not meet the walk through loaded libraries: each would wait for the other.

threadpoolctl walks through them with ``dl_iterate_phdr``, which holds the loader's lock and calls Python; a thread that
imports a compiled module holds Python's lock and waits for the loader's (seen as a `process` that never ended).
"""

from __future__ import annotations

import shutil
import threading
from pathlib import Path
from typing import Any

import pytest
import threadpoolctl

from trialcapture import pipeline
from trialcapture.pipeline import preparing, results

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "displacement_session"


def test_no_library_is_loaded_while_the_loaded_ones_are_walked_through(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = tmp_path / "session"
    shutil.copytree(SAMPLE, session, ignore=shutil.ignore_patterns("trialset", "reduction"))
    happened: list[str] = []
    prepared = threading.Event()

    class Limits(threadpoolctl.threadpool_limits):
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            happened.append("walk")
            super().__init__(*args, **kwargs)

    def load() -> None:
        happened.append("load")
        assert prepared.wait(300.0)
        happened.append("loaded")

    def progress(step: str, share: float | None) -> None:
        # the last step of preparing: loading takes as long as it may
        if step == "segments" or happened.count("walk") > 1:
            prepared.set()

    monkeypatch.setattr(preparing, "threadpool_limits", Limits)
    monkeypatch.setattr(results, "threadpool_limits", Limits)
    monkeypatch.setattr(pipeline, "load_drawing", load)
    pipeline.process(session, progress=progress)
    assert happened[:4] == ["walk", "load", "loaded", "walk"]
