"""A log whose clock was set is cut there and each piece comes back to UTC; what cannot be told is left out by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest

from tests.prepare.test_log_match import UTC0_S, engine
from trialcapture.config import load_config
from trialcapture.prepare.clocks.log_alignment import AlignedLog, align_engine_log, assign_utc_to_rows
from trialcapture.prepare.clocks.log_clock import find_cuts
from trialcapture.prepare.data_health import Hole, Rejection, Restart

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
CONFIG = load_config(
    """
[[engine]]
id = "main"
rated_rpm = 3000
[[engine_log]]
files = "log.csv"
columns = { time = "t", rpm_main = { name = "a", unit = "rpm" } }
"""
)
OFFSET_S = 154.3


@dataclass(frozen=True)
class Case:
    """A log of one engine, with UTC of each row, and the network's rpm."""

    log: pa.Table
    utc_s: Floats
    network: pa.Table


def case(
    *steps: tuple[float, float],
    seed: int = 1,
    period_s: float = 1.0,
    irregular: bool = False,
    off_s: float = 0.0,
    quantum: float = 10.0,
    network_hz: float = 2.0,
    seconds: float = 2400.0,
    rpm: Floats | None = None,
) -> Case:
    """A log whose clock is set by each of `steps`, (share of its length, size [s]), and may then pause for `off_s`."""
    rng = np.random.default_rng(seed)
    true = engine(rng, seconds) if rpm is None else rpm
    t = np.arange(true.size) * 0.1
    seen_s = np.arange(2.0, t[-1] - 2.0, 1.0 / network_hz)
    seen = np.round((np.interp(seen_s, t, true) + rng.normal(0.0, 4.0, seen_s.size)) / quantum) * quantum
    since = np.arange(0.0, t[-1] - 60.0, period_s)
    if irregular:
        since = np.cumsum(rng.uniform(0.3, 1.7, since.size) * period_s)
        since = since[since < t[-1] - 60.0]
    true_s, shown = 30.0 + since * (1.0 + 30e-6), since.copy()
    kept = np.ones(since.size, dtype=bool)
    for share, size_s in steps:
        at = int(share * since.size)
        shown[at:] += size_s
        kept[at:] &= since[at:] >= since[at] + off_s
    logged = np.round(np.interp(true_s, t, true) + rng.normal(0.0, 3.0, since.size))
    stamps = np.rint((UTC0_S + 30.0 - OFFSET_S + shown) * 1e9).astype(np.int64)
    log = pa.table({"row": np.arange(since.size) + 1, "t_log_ns": stamps, "rpm_main": logged}).filter(pa.array(kept))
    network = pa.table({"t_ns": np.rint((UTC0_S + seen_s) * 1e9).astype(np.int64), "rpm_main": seen})
    return Case(log, UTC0_S + true_s[kept], network)


def tied(made: Case, log: pa.Table | None = None) -> AlignedLog:
    velocity = pa.table({"t_ns": made.network["t_ns"], "sog_kn": pa.nulls(made.network.num_rows, pa.float64())})
    series = {"velocity": velocity.slice(0, 0), "rpm_main": made.network}
    return align_engine_log("log.csv", CONFIG.engine_log[0], made.log if log is None else log, series, CONFIG)


def errors_in_u(made: Case, found: AlignedLog) -> Floats:
    """How far each row that has a place in time stands from its own, in stated standard uncertainties."""
    assert found.clock is not None
    row = np.asarray(made.log["row"])
    stamps = np.asarray(made.log["t_log_ns"])
    out = []
    for run in found.clock.runs:
        mine = (row >= run.rows[0]) & (row <= run.rows[1])
        off_s = (run.fit.to_utc(stamps[mine], run.origin_ns) - np.rint(made.utc_s[mine] * 1e9)) / 1e9
        out.append(off_s / (run.fit.offset_u_s or 1.0))
    return np.concatenate(out)


SIZES_S = (-3600.0, -120.0, -40.0, -10.0, 25.0, 3600.0)


PACES = [(1.0, False), (2.0, False), (5.0, False), (10.0, False), (5.0, True)]


@pytest.mark.parametrize("size_s", SIZES_S)
@pytest.mark.parametrize(("period_s", "irregular"), PACES)
def test_a_clock_set_midway_is_cut_and_both_pieces_tied(size_s: float, period_s: float, irregular: bool) -> None:
    for seed, share in ((1, 0.33), (2, 0.52), (3, 0.71)):
        made = case((share, size_s), seed=seed, period_s=period_s, irregular=irregular)
        found = tied(made)
        assert found.clock is not None
        assert np.abs(errors_in_u(made, found)).max() < 3.0
        assert assign_utc_to_rows(made.log, found.clock)[0].num_rows > 0.9 * made.log.num_rows
        restarts = [i for i in found.items if isinstance(i, Restart)]
        assert [round(r.size_s or 0.0) for r in restarts] == pytest.approx([size_s], abs=2.0)
        assert [r.source[:34] for r in found.rows] == [f"engine log log.csv, piece {k} of 2 ("[:34] for k in (1, 2)]


def test_a_clock_set_twice_and_a_pause_between() -> None:
    made = case((0.3, -40.0), (0.6, 25.0), seed=4, off_s=20.0)
    found = tied(made)
    assert np.abs(errors_in_u(made, found)).max() < 3.0
    assert [round(i.size_s or 0.0) for i in found.items if isinstance(i, Restart)] == pytest.approx([-40, 25], abs=1)
    assert all("logged nothing for" in i.cause for i in found.items if isinstance(i, Restart))


@pytest.mark.parametrize("off_s", [4.0, 25.0, 300.0])
def test_a_pause_alone_is_no_step_and_the_log_stays_whole(off_s: float) -> None:
    made = case((0.5, 0.0), seed=5, off_s=off_s)
    found = tied(made)
    assert [r.source for r in found.rows] == ["engine log log.csv"]
    assert np.abs(errors_in_u(made, found)).max() < 3.0
    assert not found.items
    assert len(find_cuts(np.asarray(made.log["t_log_ns"])).at) == 1  # type: ignore[union-attr]


def test_stamps_that_begin_again_at_nought_are_tied_piece_by_piece() -> None:
    made = case(seed=6)
    stamps = np.asarray(made.log["t_log_ns"]).copy()
    half = stamps.size // 2
    stamps[:half] -= stamps[0]
    stamps[half:] -= stamps[half]
    log = made.log.set_column(1, "t_log_ns", pa.array(stamps))
    made = Case(log, made.utc_s, made.network)
    found = tied(made)
    assert len(found.rows) == 2
    assert np.abs(errors_in_u(made, found)).max() < 3.0


def test_a_piece_without_a_change_of_rpm_is_left_out_and_named() -> None:
    rng = np.random.default_rng(7)
    rpm = np.concatenate([engine(rng, 1500.0), np.full(4000, 700.0)])
    made = case((0.93, -40.0), rpm=rpm)
    found = tied(made)
    holes = [i for i in found.items if isinstance(i, Hole)]
    assert len(holes) == 1
    assert "not tied" in holes[0].cause
    assert np.abs(errors_in_u(made, found)).max() < 3.0
    assert found.rows[1].offset_s is None
    assert found.rows[1].quality.startswith("failed: ")


def _swapped(rows: Ints) -> Ints:
    rows = rows.copy()
    for i in range(50, rows.size - 5, 97):
        rows[[i, i + 1]] = rows[[i + 1, i]]
    return rows


@pytest.mark.parametrize("order", [_swapped])
def test_few_rows_out_of_order_are_put_in_order_and_counted(order: Callable[[Ints], Ints]) -> None:
    made = case(seed=8)
    log = made.log.take(pa.array(order(np.arange(made.log.num_rows))))
    found = tied(made, log)
    assert [r.source for r in found.rows] == ["engine log log.csv"]
    assert [(i.reason, i.cost) for i in found.items if isinstance(i, Rejection)] == [
        ("out of order", "none: put in order")
    ]
    assert found.rows[0].offset_s == pytest.approx(tied(made).rows[0].offset_s, abs=0.05)


def test_stamps_far_off_cost_only_their_own_rows() -> None:
    made = case(seed=9)
    stamps = np.asarray(made.log["t_log_ns"]).copy()
    stamps[100::211] += 3 * 86_400 * 10**9
    log = made.log.set_column(1, "t_log_ns", pa.array(stamps))
    found = tied(made, log)
    assert found.clock is not None
    rows, t_ns = assign_utc_to_rows(log, found.clock)
    assert rows.num_rows == made.log.num_rows - stamps[100::211].size
    assert np.abs(t_ns / 1e9 - made.utc_s[np.asarray(rows["row"]) - 1]).max() < 1.0
    assert [i.count for i in found.items if isinstance(i, Rejection)] == [stamps[100::211].size]


@pytest.mark.parametrize(("size_s", "is_tied"), [(-40.0, True), (-12.0, True), (25.0, False)])
@pytest.mark.parametrize("last_s", [25.0, 38.0])
def test_a_last_piece_too_short_to_be_matched_alone_goes_on_where_rows_kept_coming(
    size_s: float, is_tied: bool, last_s: float
) -> None:
    """Matching by itself asks for 40 s. Set forward, the clock could as well have paused: then it is left out."""
    changes = np.repeat(np.resize([1200.0, 2000.0, 1500.0, 2300.0, 900.0, 1800.0], 22), 50)
    rpm = np.concatenate([engine(np.random.default_rng(7), 1500.0), changes])
    made = case((1.0 - last_s / (rpm.size * 0.1 - 60.0), size_s), rpm=rpm)
    found = tied(made)
    assert [row.offset_s is not None for row in found.rows] == [True, is_tied]
    assert np.abs(errors_in_u(made, found)).max() < 3.0
