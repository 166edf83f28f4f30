"""The sample of a recorded session, processed once in a run of tests, and copies of it for a second look.

A test that is not about the way from raw files to samples begins where a person does who has looked at the session
before: `process` then takes up what it made and kept, and does again only what depends on what the test changes. That
this gives the bytes of a run from scratch is what `tests/pipeline/test_reuse.py` holds it to.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

import pytest

from trialcapture.pipeline import process
from trialcapture.pipeline.reuse import CACHE_VARIABLE

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@cache
def processed_sample(name: str = "journal_session") -> Path:
    """Return a sample session with all its results; nobody may change it.

    What was noted of it for later runs lies beside it, in ``cache``.
    """
    home = Path(tempfile.mkdtemp(prefix="trialcapture-processed-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    session = home / "session"
    shutil.copytree(SAMPLES / name, session, ignore=shutil.ignore_patterns("trialset", "reduction"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(CACHE_VARIABLE, str(home / "cache"))
        process(session)
    return session


def second_look(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str = "journal_session") -> Path:
    """Copy a processed sample to a folder, and be who processed it."""
    sample = processed_sample(name)
    shutil.copytree(sample, folder)
    own_cache = folder.with_name(f"{folder.name}-cache")
    shutil.copytree(sample.with_name("cache"), own_cache)
    monkeypatch.setenv(CACHE_VARIABLE, str(own_cache))
    return folder
