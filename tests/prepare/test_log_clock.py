"""An engine log's wrong clock is found from what both sides saw, or refused; it is never taken at its word."""

from __future__ import annotations

import numpy as np
import pytest

from tests.signals import lagging, stairs, wandering
from trialcapture.prepare.clocks.log_clock import LogFit, fit_by_marks, fit_by_rpm
from trialcapture.prepare.clocks.log_motion import fit_by_motion

UTC0_S = 1_790_000_000
STEPS = [800.0, 1000, 1000, 1300, 1300, 1600, 1600, 2000, 2000, 2400, 2400, 2800, 2800, 3100, 3100, 1200, 2200, 800]


def run(
    seed: int,
    offset_s: float,
    drift_ppm: float,
    quantum: float = 10.0,
    steps: list[float] = STEPS,
    stamp_s: float = 1.0,
) -> tuple[LogFit, float]:
    """Fit a simulated log; the truth is UTC minus log time at its first row."""
    rng = np.random.default_rng(seed)
    dt = 0.1
    rpm = stairs(steps, 150.0, dt, 120.0)
    t = np.arange(rpm.size) * dt
    net = slice(0, None, 5)
    net_ns = np.rint((UTC0_S + t[net]) * 1e9).astype(np.int64)
    since = np.arange(0.0, t[-1] - 120.0, stamp_s)
    true_s = 60.0 + since * (1.0 + drift_ppm * 1e-6)
    logged = np.interp(true_s, t, rpm) + rng.normal(0.0, 6.0, since.size)
    log_ns = np.rint((UTC0_S + 60.0 - offset_s + since) * 1e9).astype(np.int64)
    seen = np.round((rpm[net] + rng.normal(0.0, 5.0, net_ns.size)) / quantum) * quantum
    return fit_by_rpm([(net_ns, seen, log_ns, logged)], int(log_ns[0])), offset_s


@pytest.mark.parametrize(
    ("offset_s", "drift_ppm"), [(0.0, 0.0), (-137.3, 50.0), (7200.4, -80.0), (-86_400.0 * 3, 120.0)]
)
@pytest.mark.parametrize("seed", [1, 2])
def test_rpm_on_both_sides_finds_offset_and_drift(seed: int, offset_s: float, drift_ppm: float) -> None:
    fit, truth = run(seed, offset_s, drift_ppm)
    assert fit.offset_s == pytest.approx(truth, abs=0.15)
    assert fit.offset_u_s is not None
    assert abs(fit.offset_s - truth) < 3.0 * fit.offset_u_s
    assert fit.drift_ppm == pytest.approx(drift_ppm, abs=max(3.0 * fit.drift_u_ppm, 30.0))


def test_a_log_of_another_run_is_refused_with_the_reason() -> None:
    rng = np.random.default_rng(3)
    net = stairs(list(rng.uniform(800, 3000, 18)), 150.0, 0.5, 120.0)
    log = stairs(list(rng.uniform(800, 3000, 18)), 150.0, 1.0, 120.0)
    net_ns = np.rint((UTC0_S + np.arange(net.size) * 0.5) * 1e9).astype(np.int64)
    log_ns = np.rint((UTC0_S + np.arange(log.size)) * 1e9).astype(np.int64)
    fit = fit_by_rpm([(net_ns, net, log_ns, log)], int(log_ns[0]))
    assert fit.offset_s is None
    assert "another run" in fit.quality or "two alignments" in fit.quality


def test_a_log_of_the_same_steps_held_for_another_time_is_another_run() -> None:
    steps = [800.0, 1200, 1200, 1600, 1600, 2100, 2100, 2600, 2600, 800]
    net, log = stairs(steps, 60.0, 0.5, 150.0), stairs(steps, 45.0, 1.0, 150.0)
    net_ns = np.rint((UTC0_S + np.arange(net.size) * 0.5) * 1e9).astype(np.int64)
    log_ns = np.rint((UTC0_S + np.arange(log.size)) * 1e9).astype(np.int64)
    fit = fit_by_rpm([(net_ns, net, log_ns, log)], int(log_ns[0]))
    assert fit.offset_s is None
    assert fit.quality.startswith("failed")


def test_two_alignments_that_fit_alike_are_refused_and_both_shown() -> None:
    fit, _ = run(4, 0.0, 0.0, steps=[900.0, 2000.0] * 10)
    assert fit.offset_s is None
    assert "two alignments" in fit.quality
    assert fit.rival_s is not None


def test_an_engine_that_never_changed_shows_nothing() -> None:
    fit, _ = run(5, 30.0, 0.0, steps=[2000.0] * 10)
    assert fit.offset_s is None


def test_acceleration_finds_the_offset_without_the_lag_of_speed() -> None:
    rng = np.random.default_rng(6)
    rpm = stairs(STEPS, 150.0, 0.2, 120.0)
    speed = lagging(rpm / 110.0, 0.2, 14.0)
    t = np.arange(rpm.size) * 0.2
    sog_ns = np.rint((UTC0_S + t[::5]) * 1e9).astype(np.int64)
    sog = speed[::5] + wandering(sog_ns.size, 1.0, 0.05, 4.0, rng)
    log_ns = np.rint((UTC0_S + 425.0 + t[::5]) * 1e9).astype(np.int64)
    fit = fit_by_motion(sog_ns, sog, np.full(sog.size, 40.0), log_ns, rpm[::5] + rng.normal(0, 5, sog.size))
    assert fit.offset_s == pytest.approx(-425.0, abs=1.0)
    assert fit.offset_u_s is not None
    assert fit.offset_u_s >= 0.5


def test_three_throttle_blips_tie_a_log_to_marks() -> None:
    rpm = np.full(1200, 700.0)
    for start in (100, 110, 123, 1000, 1012, 1021):
        rpm[start : start + 4] = 1500.0
    log_ns = np.rint((UTC0_S + np.arange(1200)) * 1e9).astype(np.int64)
    marks = [
        UTC0_S + 3600 + s + e
        for s, e in zip((100, 110, 123, 1000, 1012, 1021), (0.3, -0.2, 0.1, 0.4, 0.0, -0.3), strict=True)
    ]
    fit = fit_by_marks(np.rint(np.array(marks) * 1e9).astype(np.int64), log_ns, rpm)
    # a rise is seen up to three seconds before its peak
    assert fit.offset_s == pytest.approx(3600.0, abs=3.5)
    assert fit_by_marks(np.zeros(0, dtype=np.int64), log_ns, rpm).offset_s is None
