"""A session is read in blocks and gridded in windows; neither may change the result, and nothing is left behind."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from tests.made_once import brief_session, processed_copy
from tests.numbers import process_numbers
from trialcapture import buffers
from trialcapture.archive import atomic
from trialcapture.errors import TrialCaptureError
from trialcapture.measure import trial
from trialcapture.pipeline import preparing, process, reading
from trialcapture.system.files import CACHE_VARIABLE

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"
DERIVED = ("trialset", "reduction")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return processed_copy("journal_session", tmp_path_factory.mktemp("whole") / "session")


def processed(folder: Path) -> Path:
    session = folder / "session"
    shutil.copytree(SAMPLE, session)
    process_numbers(session)
    return session


def contents(session: Path) -> dict[str, bytes]:
    files = [p for d in DERIVED for p in sorted((session / d).rglob("*")) if p.is_file()]
    return {p.relative_to(session).as_posix(): p.read_bytes() for p in files}


def test_windows_give_the_samples_of_the_whole(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(preparing, "WINDOW_ROWS", 730)
    found = processed(tmp_path)
    for name in ("samples.parquet", "segments.parquet"):
        assert (found / "trialset" / name).read_bytes() == (whole / "trialset" / name).read_bytes()
    assert (found / "reduction" / "bands.csv").read_bytes() == (whole / "reduction" / "bands.csv").read_bytes()


def test_small_blocks_change_no_reading_and_hardly_a_time(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "BLOCK_BYTES", 150_000)
    found = processed(tmp_path)
    for name, tolerance in (("sog_kn", 1e-3), ("lat_deg", 1e-6), ("depth_m", 0.05), ("heading_true_deg", 0.2)):
        before, after = (
            buffers.floats(pq.read_table(s / "trialset" / "samples.parquet")[name]) for s in (whole, found)
        )
        apart = np.abs(before - after)
        apart = np.minimum(apart, 360.0 - apart) if name.endswith("deg") else apart
        assert np.array_equal(np.isfinite(before), np.isfinite(after))
        assert np.nanmax(apart) <= tolerance, name
    bands = [pq.read_table(s / "reduction" / "bands.parquet") for s in (whole, found)]
    assert bands[0]["band_rpm"].equals(bands[1]["band_rpm"])
    assert np.allclose(buffers.floats(bands[0]["speed_kn"]), buffers.floats(bands[1]["speed_kn"]), atol=2e-3)
    rejects = [pq.read_table(s / "trialset" / "rejects.parquet").drop(["t"]) for s in (whole, found)]
    assert rejects[0].equals(rejects[1])


def test_columns_that_are_not_set_aside_change_nothing(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "UNREAD", frozenset())
    assert contents(processed(tmp_path)) == contents(whole)


def test_nothing_set_aside_is_left_behind(whole: Path) -> None:
    assert not list((whole / "trialset").rglob("run-*"))


def test_a_run_that_comes_to_nothing_leaves_no_folder(tmp_path: Path) -> None:
    shutil.copytree(SAMPLE, tmp_path / "session", ignore=shutil.ignore_patterns(*DERIVED))
    (log,) = (tmp_path / "session" / "raw").glob("nmea.log*")
    log.write_bytes(b"noise\r\n")
    with pytest.raises(TrialCaptureError, match="no position"):
        process(tmp_path / "session")
    assert not (tmp_path / "session" / "trialset").exists()


def test_the_folder_of_another_run_stays_until_it_is_a_day_old(tmp_path: Path) -> None:
    ages_s = {"run-young": 86_300.0, "run-old": 86_500.0}
    for name, age_s in ages_s.items():
        folder = atomic.work_folder(tmp_path) / name
        folder.mkdir(parents=True)
        (folder / "block.arrows").write_bytes(b"of another run")
        os.utime(folder, (time.time() - age_s, time.time() - age_s))
    with atomic.open_run_folder(tmp_path) as own:
        left = {path.name for path in own.parent.iterdir()}
        assert left == {"run-young", own.name}
    assert (own.parent / "run-young" / "block.arrows").read_bytes() == b"of another run"
    assert not own.exists()


def test_a_day_is_processed_without_pandas(tmp_path: Path) -> None:
    """It takes a quarter of a second and 40 MB, and pyarrow brings it in at the first chance."""
    brief_session(tmp_path / "session")
    code = (
        "import sys; from pathlib import Path; from trialcapture.pipeline import process; "
        "process(Path(sys.argv[1])); print('pandas' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "session")], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"


def test_linear_algebra_loaded_after_the_package_keeps_to_one_thread() -> None:
    code = (
        "import trialcapture, numpy, scipy.linalg; from threadpoolctl import threadpool_info; "
        "print([of['num_threads'] for of in threadpool_info() if of['user_api'] == 'blas'])"
    )
    free = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run([sys.executable, "-c", code], env=free, capture_output=True, text=True, check=True)
    assert set(json.loads(done.stdout)) == {1}


@pytest.mark.parametrize(("module", "step"), [(preparing, "read_logs"), (trial, "measure_trial")])
def test_linear_algebra_keeps_to_one_thread_while_a_session_is_processed(
    module: object, step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
    monkeypatch.setattr(module, step, lambda *_, **__: seen.extend(blas_threads()) or fail())
    shutil.copytree(SAMPLE, tmp_path / "session")
    with threadpool_limits(limits=2, user_api="blas"):
        with pytest.raises(TrialCaptureError):
            process(tmp_path / "session")
        after = blas_threads()
    assert set(seen) == {1}
    assert after == [2] * len(after)


def blas_threads() -> list[int]:
    return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]


def fail() -> None:
    raise TrialCaptureError("stopped here")
