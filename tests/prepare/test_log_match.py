"""Rpm in the log against rpm on the network: offset and drift come back whatever the two loggers are like."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.signals import lagging
from trialcapture.prepare.clocks.log_clock import LogFit, fit_by_rpm
from trialcapture.prepare.clocks.log_match import FineFit, Pair, find_offsets, longest_gap_s, usual_pace_s

Floats = npt.NDArray[np.float64]
UTC0_S = 1_790_000_000
_DT = 0.1


@dataclass(frozen=True)
class Side:
    """A recording of rpm: rate, resolution, noise, what is missing, and when it runs [s of the trial]."""

    hz: float = 1.0
    quantum: float = 1.0
    noise: float = 4.0
    missing: float = 0.0
    gap_s: tuple[float, float] = (0.0, 0.0)
    first_s: float = 20.0
    last_s: float = 3580.0


def engine(rng: np.random.Generator, seconds: float = 3600.0) -> Floats:
    """A random walk between throttle settings, held 30 to 200 s, with a governor's lag; every `_DT`."""
    wanted: list[Floats] = []
    while sum(w.size for w in wanted) * _DT < seconds:
        wanted.append(np.full(round(rng.uniform(30, 200) / _DT), rng.uniform(700, 3000)))
    target = np.concatenate(wanted)[: round(seconds / _DT)]
    moved = np.convolve(np.concatenate([np.full(30, target[0]), target]), np.full(30, 1 / 30), "full")[30:][
        : target.size
    ]
    return lagging(moved, _DT, float(rng.uniform(0.3, 1.5)))


def pair(
    rpm: Floats, net: Side, log: Side, offset_s: float, drift_ppm: float, rng: np.random.Generator
) -> tuple[Pair, int]:
    """Both recordings of one engine; the log's clock is wrong. UTC is log time plus offset plus drift."""
    t = np.arange(rpm.size) * _DT
    seen_s = np.arange(net.first_s, net.last_s, 1.0 / net.hz)
    since_s = np.arange(0.0, log.last_s - log.first_s, 1.0 / log.hz)
    logged_s = log.first_s + since_s * (1.0 + drift_ppm * 1e-6)
    sides = []
    for at_s, side in ((seen_s, net), (logged_s, log)):
        value = np.interp(at_s, t, rpm) + rng.normal(0.0, side.noise, at_s.size)
        kept = (rng.random(at_s.size) >= side.missing) & ~((at_s > side.gap_s[0]) & (at_s < side.gap_s[1]))
        kept[0] = True
        sides.append((np.round(value / side.quantum) * side.quantum, kept))
    log_ns = np.rint((UTC0_S + log.first_s - offset_s + since_s) * 1e9).astype(np.int64)
    (seen, seen_kept), (logged, log_kept) = sides
    utc_ns = np.rint((UTC0_S + seen_s) * 1e9).astype(np.int64)
    return (utc_ns[seen_kept], seen[seen_kept], log_ns[log_kept], logged[log_kept]), int(log_ns[0])


def tied(net: Side, log: Side, offset_s: float, drift_ppm: float, seed: int, seconds: float = 3600.0) -> LogFit:
    rng = np.random.default_rng(seed)
    both, start_ns = pair(engine(rng, seconds), net, log, offset_s, drift_ppm, rng)
    return fit_by_rpm([both], start_ns)


def is_right(fit: LogFit, offset_s: float, drift_ppm: float, within_s: float = 0.3) -> None:
    assert fit.offset_s is not None, fit.quality
    assert fit.offset_u_s is not None
    assert abs(fit.offset_s - offset_s) <= within_s
    assert abs(fit.offset_s - offset_s) <= 3.0 * fit.offset_u_s
    assert abs(fit.drift_ppm - drift_ppm) <= 3.0 * fit.drift_u_ppm


NET, LOG = Side(hz=2.0), Side()
CASES = {
    "as usual": (NET, LOG),
    "fast log": (NET, replace(LOG, hz=10.0)),
    "slow log": (NET, replace(LOG, hz=0.2)),
    "slow network": (replace(NET, hz=0.5), replace(LOG, hz=10.0)),
    "both slow": (replace(NET, hz=0.2), replace(LOG, hz=0.2)),
    "coarse": (replace(NET, quantum=25.0), replace(LOG, quantum=50.0)),
    "log is longer": (replace(NET, first_s=620.0, last_s=2900.0), LOG),
    "log is shorter": (NET, replace(LOG, first_s=900.0, last_s=2500.0)),
    "log starts and ends later": (replace(NET, last_s=2700.0), replace(LOG, first_s=1200.0)),
    "log starts and ends before": (replace(NET, first_s=1300.0), replace(LOG, last_s=2600.0)),
    "a third is missing": (replace(NET, missing=0.3), replace(LOG, missing=0.3)),
    "long gaps": (replace(NET, gap_s=(800.0, 1400.0)), replace(LOG, gap_s=(2000.0, 2500.0))),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(("offset_s", "drift_ppm"), [(-120.0, 50.0), (120.0, -50.0)])
def test_two_minutes_and_fifty_ppm_come_back_within_three_tenths(name: str, offset_s: float, drift_ppm: float) -> None:
    is_right(tied(*CASES[name], offset_s, drift_ppm, seed=len(name)), offset_s, drift_ppm)


@settings(max_examples=15, deadline=None)
@given(
    offset_s=st.one_of(st.floats(-120, 120), st.floats(-90_000, 90_000)),
    drift_ppm=st.floats(-80, 80),
    seed=st.integers(0, 10_000),
    quantum=st.sampled_from([0.25, 1.0, 10.0, 25.0]),
    log_hz=st.sampled_from([0.5, 1.0, 2.0, 5.0]),
)
def test_any_offset_comes_back(offset_s: float, drift_ppm: float, seed: int, quantum: float, log_hz: float) -> None:
    net, log = replace(NET, quantum=quantum), replace(LOG, quantum=quantum, hz=log_hz)
    is_right(tied(net, log, offset_s, drift_ppm, seed), offset_s, drift_ppm)


@pytest.mark.parametrize(("seed", "quantum"), [(94, 25.0), (4, 10.0), (13, 10.0), (20, 10.0)])
def test_lines_between_coarse_readings_have_kinks_and_the_fit_converges_all_the_same(seed: int, quantum: float) -> None:
    # a least-squares fit makes slower and slower steps over these
    is_right(tied(replace(NET, quantum=quantum), replace(LOG, quantum=quantum, hz=0.5), 0.0, 0.0, seed), 0.0, 0.0)


def test_over_eight_hours_the_drift_is_known_to_a_few_ppm() -> None:
    hours = 8 * 3600.0
    fit = tied(replace(NET, hz=1.0, last_s=hours - 20), replace(LOG, last_s=hours - 20), 33.3, 100.0, 3, hours)
    is_right(fit, 33.3, 100.0)
    assert fit.drift_u_ppm < 10.0


def test_one_engine_of_two_is_enough_and_two_are_no_worse() -> None:
    rng = np.random.default_rng(8)
    one, start_ns = pair(engine(rng), NET, LOG, 12.5, 20.0, rng)
    other, _ = pair(engine(rng), NET, LOG, 12.5, 20.0, rng)
    single, both = fit_by_rpm([one], start_ns), fit_by_rpm([one, other], start_ns)
    is_right(single, 12.5, 20.0)
    is_right(both, 12.5, 20.0)


@pytest.mark.parametrize("seed", range(6))
def test_a_strictly_repeating_rpm_is_refused_and_both_candidates_are_shown(seed: int) -> None:
    rng = np.random.default_rng(seed)
    period = engine(rng, 400.0)
    both, start_ns = pair(np.tile(period, 9), NET, replace(LOG, first_s=820.0, last_s=2800.0), 50.0, 0.0, rng)
    fit = fit_by_rpm([both], start_ns)
    assert fit.offset_s is None
    assert "two alignments fit about equally well" in fit.quality
    shown = [int(word) for word in fit.quality.replace(",", "").split() if word.lstrip("-").isdigit()]
    assert len(shown) == 2
    assert (shown[0] - shown[1]) % 400 in (0, 1, 399)


@pytest.mark.parametrize(
    ("t_s", "pace_s"), [([5.0], 1.0), ([5.0, 5.5], 0.5), ([0.0, 1.0, 3.0], 1.5), ([0.0, 10.0, 20.0, 90.0], 10.0)]
)
def test_the_usual_pace_is_the_middle_step(t_s: list[float], pace_s: float) -> None:
    assert usual_pace_s(np.array(t_s)) == pace_s


@pytest.mark.parametrize(("pace_s", "gap_s"), [(0.1, 3.0), (1.2, 3.0), (2.0, 5.0), (12.0, 30.0), (60.0, 30.0)])
def test_a_gap_of_two_and_a_half_readings_is_bridged(pace_s: float, gap_s: float) -> None:
    assert longest_gap_s(pace_s) == pytest.approx(gap_s)


@pytest.mark.parametrize(("drift_ppm", "drift_u_ppm"), [(0.0, 100.0), (80.0, 20.0), (-30.0, 5.0)])
def test_a_drift_known_from_elsewhere_counts_by_its_uncertainty(drift_ppm: float, drift_u_ppm: float) -> None:
    """The mean of two values weighted by the inverse of their variances (least squares)."""
    own = FineFit(10.0, np.array([0.3, 0.1, 1.0]), np.diag([0.05, 0.04, 1e-4]) ** 2, 2000.0, 0.01, 0.0, False)
    assert own.drift == pytest.approx(50e-6)
    found = own.with_drift(drift_ppm * 1e-6, drift_u_ppm * 1e-6)
    weights = 1.0 / own.drift_u**2, 1.0 / (drift_u_ppm * 1e-6) ** 2
    assert found.drift == pytest.approx((weights[0] * own.drift + weights[1] * drift_ppm * 1e-6) / sum(weights))
    # a delay on the network that wanders by 0.1 s looks like drift
    assert own.drift_u == pytest.approx(float(np.hypot(0.04, 0.1)) / 2000.0)


def test_recordings_of_a_few_seconds_fit_nowhere() -> None:
    t_ns = (UTC0_S + np.arange(9)) * 10**9
    assert find_offsets([(t_ns, np.arange(9.0), t_ns, np.arange(9.0))], 4, 5.0, 0.5) == []
    assert find_offsets([], 4, 5.0, 0.5) == []
