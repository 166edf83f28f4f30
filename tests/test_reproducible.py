"""Equal raw files, settings and version give equal bytes, whatever the computer's zone, hash seed or leftovers."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[1] / "sample_logs"
SESSIONS = sorted(p.parent for p in SAMPLES.glob("*/session.toml"))


def hashes(session: Path) -> dict[str, str]:
    """SHA-256 of every derived file."""
    files = [p for folder in ("trialset", "reduction") for p in (session / folder).rglob("*") if p.is_file()]
    return {p.relative_to(session).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(files)}


def process(session: Path, **environment: str) -> None:
    """Process a session as somebody who never saw it."""
    cache = tempfile.mkdtemp(dir=session.parent, prefix="cache-")
    done = subprocess.run(
        [sys.executable, "-m", "trialcapture", "process", str(session)],
        capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(SAMPLES.parent), "TRIALCAPTURE_CACHE": cache, **environment},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("sample", SESSIONS, ids=lambda p: p.name)
def test_a_sample_processed_again_gives_the_same_bytes(sample: Path, tmp_path: Path) -> None:
    session = tmp_path / "a" / sample.name
    shutil.copytree(sample, session, ignore=shutil.ignore_patterns("trialset", "reduction"))
    before = {p: p.read_bytes() for p in session.rglob("*") if p.is_file()}
    process(session, PYTHONHASHSEED="1", TZ="Europe/Athens")
    first = hashes(session)
    assert {"trialset/samples.parquet", "trialset/segments.parquet", "trialset/clocks.parquet"} <= set(first)
    assert {"trialset/rejects.parquet", "reduction/bands.csv", "reduction/bands.parquet"} <= set(first)
    assert {"reduction/legs.csv", "reduction/summary.json", "reduction/report.html"} <= set(first)
    assert {p: p.read_bytes() for p in before} == before
    # elsewhere, by somebody else, over what the first run left, and after midnight of another zone
    moved = tmp_path / "elsewhere" / "b"
    shutil.copytree(session, moved)
    process(moved, PYTHONHASHSEED="2", TZ="Pacific/Auckland", LC_ALL="C")
    assert hashes(moved) == first
    left = [p.name for p in session.rglob("*") if p.is_file() and p not in before]
    assert sorted(left) == sorted(Path(name).name for name in first)
