"""The notebook peer reads a session as the program does, and the comparison of the two sees what differs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from tests.bench.agreement import GOAL_KN, compare
from tests.bench.measuring import run_cold
from tests.bench.sessions import session
from trialcapture.pipeline import process

ROOT = Path(__file__).parents[2]
HOURS = 0.3
"""Three bands there and back."""


@pytest.fixture(scope="module")
def processed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A session of the bench, processed, and the folder the peer wrote."""
    home = tmp_path_factory.mktemp("bench")
    folder, peer = session(home, HOURS), home / "peer"
    process(folder)
    subprocess.run([sys.executable, "tests/bench/peer.py", str(folder), "--into", str(peer)], cwd=ROOT, check=True)
    return folder, peer


@pytest.mark.slow
def test_both_find_the_same_speeds_at_the_same_instants(processed: tuple[Path, Path]) -> None:
    found = compare(*processed)
    assert found["segments"] >= 4
    assert found["bands"] >= 2
    assert max(found["segment_kn"], found["band_kn"], found["table_kn"]) <= GOAL_KN
    assert found["only_ours"] + found["only_peer"] < 0.01 * found["instants"]


@pytest.mark.slow
def test_a_speed_misread_by_a_hundredth_of_a_knot_is_seen(processed: tuple[Path, Path], tmp_path: Path) -> None:
    folder, peer = processed
    segments = pd.read_parquet(folder / "trialset" / "segments.parquet")
    first = segments[segments["accepted"]].iloc[0]
    samples = pd.read_parquet(peer / "samples.parquet")
    hit = samples.index[samples["fix"] & (samples.index >= first["start"]) & (samples.index < first["stop"])][20:60]
    samples.loc[hit, "sog"] += 0.01
    samples.to_parquet(tmp_path / "samples.parquet")
    assert compare(folder, tmp_path)["segments_above"] == 1


@pytest.mark.slow
def test_the_same_session_is_made_again_byte_for_byte(processed: tuple[Path, Path], tmp_path: Path) -> None:
    again = session(tmp_path, HOURS)
    assert (again / "manifest.json").read_bytes() == (processed[0] / "manifest.json").read_bytes()


def test_memory_of_a_run_is_its_own_and_a_failure_is_told(tmp_path: Path) -> None:
    # asked of a small process, as the bench is one: a child's peak begins with that of its parent
    script = (
        "import sys; from pathlib import Path; from tests.bench.measuring import run_cold; log = Path(sys.argv[1])\n"
        "for code in ('pass', 'x = b\"x\" * 200_000_000'): print(run_cold([sys.executable, '-c', code], log).peak_mb)"
    )
    command = [sys.executable, "-c", script, str(tmp_path / "log")]
    out = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    small_mb, large_mb = map(float, out.split())
    assert large_mb - small_mb == pytest.approx(200, rel=0.1)
    with pytest.raises(RuntimeError, match="no such luck"):
        run_cold([sys.executable, "-c", "raise SystemExit('no such luck')"], tmp_path / "log")
