"""Marks made by hand at throttle blips tie a log, with their drift where they can, or are refused."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from trialcapture.prepare.clocks.log_clock import LogFit, find_rises, fit_by_marks

Ints = npt.NDArray[np.int64]
UTC0_S = 1_790_000_000


def blipped(
    starts_s: list[float], length_s: float, drift_ppm: float, seed: int, others_s: list[float] | None = None
) -> tuple[Ints, npt.NDArray[np.float64], Ints]:
    """A 1 Hz log with blips of 2.5 s, and a mark a hand's reaction after each.

    UTC is log time plus 3600 s plus drift.
    """
    rng = np.random.default_rng(seed)
    at = np.arange(0.0, length_s, 1.0)
    rpm = np.full(at.size, 700.0) + rng.normal(0.0, 3.0, at.size)
    for start in [*starts_s, *(others_s or [])]:
        since = at - start
        rpm += 900.0 * np.clip(since / 0.6, 0.0, 1.0) * np.exp(-np.clip(since - 2.5, 0.0, 60.0) / 0.8)
    log_ns = np.rint((UTC0_S + at) * 1e9).astype(np.int64)
    true_s = np.array(starts_s) * (1.0 + drift_ppm * 1e-6) + 3600.0
    marks = true_s + 0.2 + rng.exponential(0.3, len(starts_s))
    return log_ns, rpm, np.rint((UTC0_S + marks) * 1e9).astype(np.int64)


def is_right(fit: LogFit, drift_ppm: float) -> None:
    assert fit.offset_s is not None, fit.quality
    assert fit.offset_u_s is not None
    assert 0.5 <= fit.offset_u_s < 1.5
    assert abs(fit.offset_s - 3600.0) < 2.0 * fit.offset_u_s
    assert abs(fit.drift_ppm - drift_ppm) < 2.0 * fit.drift_u_ppm


@pytest.mark.parametrize("seed", range(5))
def test_marks_at_both_ends_of_a_long_day_give_offset_and_drift(seed: int) -> None:
    hours = 8 * 3600.0
    starts = [100.0, 110.3, 123.6, hours - 300, hours - 288.2, hours - 279.1]
    fit = fit_by_marks(*_order(blipped(starts, hours, 100.0, seed)))
    is_right(fit, 100.0)
    assert fit.drift_u_ppm < 30.0


def test_marks_of_one_end_leave_the_drift_open() -> None:
    fit = fit_by_marks(*_order(blipped([100.0, 110.3, 123.6, 131.0], 3000.0, 20.0, 1)))
    is_right(fit, 20.0)
    assert (fit.drift_ppm, fit.drift_u_ppm) == pytest.approx((0.0, 100.0), abs=1.0)


def test_other_rises_between_do_not_lead_astray() -> None:
    rng = np.random.default_rng(5)
    others = np.sort(rng.uniform(300.0, 4500.0, 25)).tolist()
    starts = [100.0, 110.3, 123.6, 4700.0, 4711.5, 4722.8]
    is_right(fit_by_marks(*_order(blipped(starts, 5000.0, 30.0, 2, others))), 30.0)


def test_evenly_spaced_blips_of_which_some_went_unmarked_are_refused_with_both_offsets() -> None:
    starts = [100.0 + 10.0 * i for i in range(8)]
    log_ns, rpm, marks = blipped(starts, 3000.0, 0.0, 3)
    fit = fit_by_marks(marks[2:6], log_ns, rpm)
    assert fit.offset_s is None
    assert "two offsets" in fit.quality
    assert fit.rival_s is not None


def test_three_marks_among_a_hundred_rises_prove_nothing() -> None:
    rng = np.random.default_rng(7)
    others = np.sort(rng.uniform(0.0, 5000.0, 150)).tolist()
    log_ns, rpm, _ = blipped([], 5000.0, 0.0, 1, others)
    claimed = 0
    for seed in range(20):
        marks = np.sort(np.random.default_rng(seed).uniform(100.0, 4900.0, 3))
        fit = fit_by_marks(np.rint((UTC0_S + marks) * 1e9).astype(np.int64), log_ns, rpm)
        claimed += fit.offset_s is not None
    assert claimed == 0


def test_a_mark_announced_too_early_does_not_move_the_rest() -> None:
    log_ns, rpm, marks = blipped([100.0, 110.3, 123.6, 131.0], 3000.0, 0.0, 4)
    sure = fit_by_marks(marks, log_ns, rpm)
    marks[1] -= 1_500_000_000
    early = fit_by_marks(marks, log_ns, rpm)
    assert early.offset_s is not None
    assert sure.offset_s is not None
    assert abs(early.offset_s - sure.offset_s) < 0.5


def test_too_few_marks_are_said_to_be_so() -> None:
    log_ns, rpm, marks = blipped([100.0, 110.3, 123.6], 3000.0, 0.0, 4)
    assert "fewer than three" in fit_by_marks(marks[:2], log_ns, rpm).quality
    assert fit_by_marks(marks[:0], log_ns, rpm).offset_s is None
    assert fit_by_marks(marks, log_ns, np.full(log_ns.size, 700.0)).offset_s is None
    assert "at no offset" in fit_by_marks(marks * 1 + np.array([0, 37, 91]) * 1_000_000_000, log_ns, rpm).quality


def test_the_beginning_of_a_rise_is_found_between_the_readings() -> None:
    log_ns, rpm, _ = blipped([100.0, 200.4, 300.7], 600.0, 0.0, 6)
    rises = (find_rises(log_ns, rpm) - UTC0_S * 1_000_000_000) / 1e9
    assert rises.tolist() == pytest.approx([100.0, 200.4, 300.7], abs=1.0)


def test_a_log_without_rpm_has_no_rises() -> None:
    nothing = np.empty(0, dtype=np.int64)
    assert find_rises(nothing, np.empty(0)).size == 0
    fit = fit_by_marks(np.arange(1, 5, dtype=np.int64) * 1_000_000_000, nothing, np.empty(0))
    assert fit.offset_s is None
    assert fit.quality.startswith("failed")


def _order(made: tuple[Ints, npt.NDArray[np.float64], Ints]) -> tuple[Ints, Ints, npt.NDArray[np.float64]]:
    log_ns, rpm, marks = made
    return marks, log_ns, rpm
