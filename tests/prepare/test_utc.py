"""Receipt clocks are tied to UTC by the early edge of their delays, whatever the clocks did."""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.prepare.clocks.lower_envelope import ClockFit, find_believable_times, fit_lower_envelope
from trialcapture.prepare.clocks.sentence_times import monotone_axis

UTC0_NS = 1_790_000_000_000_000_000
DELAY_S = 0.12


def receive_ns(rng: np.random.Generator, hours: float = 2.0, drift: float = 40e-6) -> tuple[np.ndarray, np.ndarray]:
    """True UTC [s from start] of 5 Hz sentences and the receipt time of each on a drifting clock."""
    t = np.arange(0.0, hours * 3600.0, 0.2)
    arrived = np.maximum.accumulate(t + DELAY_S + rng.exponential(0.05, t.size))
    return t, arrived * (1.0 + drift)


def fit(receipt_s: np.ndarray, utc_s: np.ndarray, wall_s: np.ndarray | None = None) -> tuple[ClockFit, np.ndarray]:
    axis, breaks = monotone_axis(np.rint(receipt_s * 1e9).astype(np.int64))
    utc = UTC0_NS + np.rint(utc_s * 1e9).astype(np.int64)
    wall = None if wall_s is None else np.rint(wall_s * 1e9).astype(np.int64)
    found = fit_lower_envelope(axis, utc, wall, breaks)
    assert found is not None
    return found, (found.to_utc(axis) - UTC0_NS) / 1e9


def test_offset_and_drift_come_from_the_earliest_sentences() -> None:
    t, received = receive_ns(np.random.default_rng(1))
    found, placed = fit(received, t)
    late = placed - t
    assert found.drift * 1e6 == pytest.approx(40.0, abs=1.0)
    assert late.min() == pytest.approx(0.0, abs=0.01)
    assert np.median(late) == pytest.approx(np.median(received / (1 + 40e-6) - t) - DELAY_S, abs=0.01)


def test_a_stalled_gateway_moves_nothing() -> None:
    t, received = receive_ns(np.random.default_rng(2))
    stalled = received.copy()
    stalled[5000:5040] = received[5040]
    _, calm = fit(received, t)
    _, shaken = fit(stalled, t)
    assert np.abs(np.delete(shaken - calm, slice(5000, 5040))).max() < 0.01


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 0.7, -86400.0])
def test_a_stepped_wall_clock_changes_no_time(step_s: float) -> None:
    t, received = receive_ns(np.random.default_rng(3))
    stepped = received + np.where(t > 1000.0, step_s, 0.0)
    _, placed = fit(stepped, t)
    late = placed - t
    assert late.min() > -0.05
    assert np.quantile(late, 0.999) < 0.6


def test_a_receiver_that_learns_its_leap_second_is_put_right() -> None:
    t, received = receive_ns(np.random.default_rng(4))
    told = t + np.where(t < 900.0, 1.0, 0.0)
    found, placed = fit(received, told, wall_s=received)
    assert found.repaired_s[0] == -1.0
    assert np.abs(np.quantile(placed - t, [0.0, 0.9])).max() < 0.3


def test_a_level_of_few_times_makes_the_offset_less_sure() -> None:
    t, received = receive_ns(np.random.default_rng(6), hours=0.5)
    stepped = [received + np.where(t > at, -3600.0, 0.0) for at in (900.0, t[-8])]
    long, short = (fit(r, t)[0] for r in stepped)
    assert [len(f.starts_ns) for f in (long, short)] == [2, 2]
    assert short.offset_u_s > long.offset_u_s
    assert long.offset_u_s == pytest.approx(fit(received, t)[0].offset_u_s, abs=0.002)


def test_a_damaged_time_is_not_believed_and_moves_no_fit() -> None:
    rng = np.random.default_rng(5)
    t, received = receive_ns(rng)
    told = t.copy()
    wrong = rng.choice(t.size, 50, replace=False)
    told[wrong] += rng.choice([1560.0, -600.0, 5.0, 86400.0], 50)
    found, placed = fit(received, told)
    assert found.drift * 1e6 == pytest.approx(40.0, abs=2.0)
    assert (placed - t).min() > -0.02
    believed = find_believable_times(
        np.rint(received * 1e9).astype(np.int64), UTC0_NS + np.rint(told * 1e9).astype(np.int64)
    )
    assert not believed[wrong].any()
    assert believed[np.setdiff1d(np.arange(t.size), wrong)].all()


def test_a_handful_of_sentences_gives_no_fit_and_no_crash() -> None:
    empty = np.zeros(0, dtype=np.int64)
    assert fit_lower_envelope(empty, empty) is None
    assert fit_lower_envelope(np.array([1, 2]), np.array([1, 2])) is None


def test_a_clock_set_back_keeps_lines_in_order() -> None:
    second = 1_000_000_000
    axis, breaks = monotone_axis(np.array([0, 10, 20, 5, 15], dtype=np.int64) * second)
    assert (axis // second).tolist() == [0, 10, 20, 20, 30]
    assert (breaks // second).tolist() == [20]
