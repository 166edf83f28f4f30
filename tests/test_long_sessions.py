"""A session is read in blocks, gridded in windows and shared by two processes; none of that may change the result."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from trialcapture import buffers, pipeline
from trialcapture.archive import second_process
from trialcapture.archive.second_process import SecondProcess, open_second_process
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import gridding, preparing, process, reading
from trialcapture.prepare.channels.on_change import OnChange

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"
DERIVED = ("trialset", "reduction")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return processed(tmp_path_factory.mktemp("whole"))


def processed(folder: Path) -> Path:
    session = folder / "session"
    shutil.copytree(SAMPLE, session)
    process(session)
    return session


def contents(session: Path) -> dict[str, bytes]:
    return {str(p.relative_to(session)): p.read_bytes() for d in DERIVED for p in sorted((session / d).iterdir())}


def test_two_processes_give_the_bytes_of_one(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_process, "WORTH_HELP_BYTES", 0)
    assert contents(processed(tmp_path)) == contents(whole)


def test_windows_give_the_samples_of_the_whole(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gridding, "WINDOW_ROWS", 730)
    found = processed(tmp_path)
    for name in ("samples.parquet", "segments.parquet"):
        assert (found / "trialset" / name).read_bytes() == (whole / "trialset" / name).read_bytes()
    assert (found / "reduction" / "bands.csv").read_bytes() == (whole / "reduction" / "bands.csv").read_bytes()


def test_windows_made_by_either_process_give_the_samples_of_the_whole(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(second_process, "WORTH_HELP_BYTES", 0)
    monkeypatch.setattr(gridding, "WINDOW_ROWS", 730)
    found = processed(tmp_path)
    for name in ("samples.parquet", "segments.parquet"):
        assert (found / "trialset" / name).read_bytes() == (whole / "trialset" / name).read_bytes()
    assert (found / "reduction" / "bands.csv").read_bytes() == (whole / "reduction" / "bands.csv").read_bytes()


@pytest.mark.parametrize("is_slow", [False, True])
def test_windows_come_in_order_whoever_is_the_faster(
    is_slow: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A courier in this process stands for the second one; the windows each side makes are told apart by `kept`."""
    made: dict[bool, list[int]] = {False: [], True: []}

    def make(window: Any, _needed: Any, _rankings: Any, _on_change: Any, _config: Any, kept: Any) -> pa.Table:
        is_second = kept is gridding._KEPT
        if is_second == is_slow:
            time.sleep(0.02)
        made[is_second].append(int(window[0]))
        return pa.table({"first": [int(window[0])]})

    monkeypatch.setattr(gridding, "_make", make)
    monkeypatch.setattr(SecondProcess, "is_there", True)
    windows = [np.array([n]) for n in range(24)]
    with open_second_process(wanted=False) as second:
        found = list(gridding._made(windows, [], {}, OnChange(), load_config(""), tmp_path, second))
    assert [table["first"][0].as_py() for table in found] == list(range(24))
    assert sorted(made[False] + made[True]) == list(range(24))
    assert made[False] == sorted(made[False], reverse=True)
    assert not list(tmp_path.iterdir())


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


def test_nothing_set_aside_is_left_behind(whole: Path) -> None:
    assert not list(whole.glob(".work*"))


def test_a_day_is_processed_without_the_heaviest_imports(tmp_path: Path) -> None:
    """It takes a quarter of a second and 40 MB, and pyarrow brings it in at the first chance; the same for SciPy's."""
    shutil.copytree(SAMPLE, tmp_path / "session")
    code = (
        "import sys; from pathlib import Path; from trialcapture.pipeline import process; "
        "process(Path(sys.argv[1])); print(sorted(set(sys.argv[2:]) & set(sys.modules)))"
    )
    heavy = ["pandas", "scipy.signal", "scipy.optimize", "scipy.interpolate"]
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "session"), *heavy], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def refuse(value: int) -> int:
    raise TrialCaptureError("this cannot be done", seen=str(value))


def test_what_a_call_raises_in_the_second_process_is_raised_here() -> None:
    with open_second_process() as second:
        with pytest.raises(TrialCaptureError, match="cannot be done"):
            second.submit(refuse, 3).result()
        assert second.submit(divmod, 7, 2).result() == (3, 1)


def test_where_the_second_process_is_lost_its_work_is_done_here() -> None:
    with open_second_process() as second:
        if second._process is None:
            pytest.skip("this computer has one core")
        second._process.kill()
        assert second.submit(divmod, 7, 2).result() == (3, 1)
        assert not second.is_there


def test_linear_algebra_keeps_to_one_thread_while_a_session_is_processed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []
    monkeypatch.setattr(pipeline, "prepare_session", lambda *_: seen.extend(blas_threads()) or fail())
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


def test_a_second_process_lost_on_the_way_changes_no_byte(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(second_process, "WORTH_HELP_BYTES", 0)
    monkeypatch.setattr(gridding, "WINDOW_ROWS", 7300)
    made = pipeline.prepare_session

    def losing(*given: Any) -> Any:
        second = given[3]
        decode = preparing.arrange_trial

        def arrange(*args: Any, **more: Any) -> Any:
            if second._process is not None:
                second._process.kill()
            return decode(*args, **more)

        monkeypatch.setattr(preparing, "arrange_trial", arrange)
        return made(*given)

    monkeypatch.setattr(pipeline, "prepare_session", losing)
    assert contents(processed(tmp_path)) == contents(whole)


def test_calls_nobody_waits_for_are_given_up_with_the_second_process() -> None:
    given: list[Future[Any]] = []
    with pytest.raises(KeyboardInterrupt):
        interrupted(given)
    assert given[1].cancelled()
    assert given[0].done()


def interrupted(given: list[Future[Any]]) -> None:
    with open_second_process() as second:
        if not second.is_there:
            pytest.skip("this computer has one core")
        given += [second.submit(time.sleep, 60.0), second.submit(divmod, 7, 2)]
        raise KeyboardInterrupt
