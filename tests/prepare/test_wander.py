"""The standard error of a leg's mean and slope with known memory, of one and of two correlation times."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from trialcapture.prepare.sample_statistics import bend_of, find_wander

Floats = np.ndarray
DT = 0.1


def remembering(n: int, sd: float, memory_s: float, rng: np.random.Generator) -> Floats:
    """Return first-order autoregressive noise of a standard deviation and a correlation time."""
    phi = float(np.exp(-DT / memory_s))
    kicks = rng.normal(0.0, sd * np.sqrt(1.0 - phi**2), n)
    kicks[0] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -phi], kicks))


def exact_u(sd: float, memory_s: float, length_s: float) -> float:
    """Return the standard error of a mean over so long: ``2 (x - 1 + exp(-x)) / x²``, x the length in memories.

    The autocorrelation exp(-|t|/memory) integrated over the stretch twice (any text on time series).
    """
    x = length_s / memory_s
    return float(sd * np.sqrt(2.0 * (x - 1.0 + np.exp(-x)) / x**2))


def leg(rng: np.random.Generator, quick_kn: float, slow_kn: float, slow_s: float, waves_kn: float) -> Floats:
    n = round(rng.uniform(60.0, 180.0) / DT)
    t = np.arange(n) * DT
    swell = waves_kn * np.sin(2.0 * np.pi * t / rng.uniform(2.5, 6.0) + rng.uniform(0.0, 6.3))
    slow = remembering(n, slow_kn, slow_s, rng) if slow_kn else 0.0
    return remembering(n, quick_kn, 4.0, rng) + slow + swell + rng.normal(0.0, 0.03, n)


@pytest.mark.parametrize(
    ("legs", "quick_kn", "slow_kn", "slow_s", "waves_kn", "least", "most_caution"),
    [
        # of a pair alone nobody can tell whether the slow part is there: it is too careful without, and not quite
        # careful enough where it is twice as large as the quick one
        (2, 0.08, 0.0, 45.0, 0.0, 0.93, 2.0), (2, 0.06, 0.12, 45.0, 0.0, 0.83, 1.2),
        (12, 0.08, 0.0, 45.0, 0.0, 0.93, 1.5), (12, 0.06, 0.12, 45.0, 0.0, 0.91, 1.2),
        (12, 0.08, 0.08, 25.0, 0.3, 0.92, 1.4),
        # and between them
        *(pytest.param(*given, marks=pytest.mark.long) for given in (
            (2, 0.08, 0.04, 45.0, 0.0, 0.93, 1.4), (2, 0.08, 0.08, 45.0, 0.0, 0.88, 1.2),
            (12, 0.08, 0.04, 45.0, 0.0, 0.92, 1.3), (12, 0.08, 0.08, 45.0, 0.0, 0.91, 1.2),
        )),
    ],
)  # fmt: skip
def test_the_error_of_a_mean_holds_with_two_memories(
    legs: int, quick_kn: float, slow_kn: float, slow_s: float, waves_kn: float, least: float, most_caution: float
) -> None:
    """Two standard errors hold 95 % of the errors where everything is known of the noise."""
    rng = np.random.default_rng(20)
    inside, stated, errors = [], [], []
    for _ in range(360 // legs):
        parts = [leg(rng, quick_kn, slow_kn, slow_s, waves_kn) for _ in range(legs)]
        wander = find_wander(parts, DT)
        for part in parts:
            u = wander.errors(part, DT).mean
            stated.append(u)
            errors.append(part.mean())
            inside.append(abs(part.mean()) < 2.0 * u)
    assert np.mean(inside) >= least
    assert np.median(stated) < most_caution * np.sqrt(np.mean(np.square(errors)))


@pytest.mark.parametrize("memory_s", [1.0, 3.0, 8.0])
def test_one_memory_gives_the_exact_error_and_some_caution(memory_s: float) -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(6):
        parts = [remembering(1200, 0.1, memory_s, rng) for _ in range(40)]
        wander = find_wander(parts, DT)
        found += [wander.errors(p, DT).mean ** 2 for p in parts]
    # and what forty legs cannot rule out of a slow part
    assert 0.95 < np.sqrt(np.mean(found)) / exact_u(0.1, memory_s, 120.0) < 1.35


def test_the_errors_of_slope_and_bend_are_those_by_which_they_scatter() -> None:
    rng = np.random.default_rng(5)
    parts = [remembering(900, 0.1, 4.0, rng) + remembering(900, 0.06, 45.0, rng) for _ in range(60)]
    wander = find_wander(parts, DT)
    t_s = np.arange(900) * DT
    slopes = [np.polyfit(t_s, p, 1)[0] for p in parts]
    bends = [np.polyfit(np.linspace(-1.0, 1.0, 900), p, 2)[0] for p in parts]
    assert [bend_of(p) for p in parts] == pytest.approx(bends)
    stated = [wander.errors(p, DT) for p in parts]
    # sixty values know their spread to a tenth
    assert np.sqrt(np.mean([u.slope_per_s**2 for u in stated])) == pytest.approx(np.std(slopes), rel=0.3)
    assert np.sqrt(np.mean([u.bend**2 for u in stated])) == pytest.approx(np.std(bends), rel=0.3)


def test_a_rough_leg_is_less_sure_than_a_calm_one_of_the_same_trial() -> None:
    rng = np.random.default_rng(6)
    parts = [size * remembering(900, 0.05, 3.0, rng) for size in [1.0, 4.0] * 6]
    wander = find_wander(parts, DT)
    calm, rough = (np.mean([wander.errors(p, DT).mean for p in parts[k::2]]) for k in range(2))
    assert 1.5 < rough / calm < 4.0


@pytest.mark.parametrize("parts", [[], [np.full(900, 12.0)], [np.full(900, np.nan)], [np.zeros(5)]])
def test_what_shows_no_noise_has_no_error(parts: list[Floats]) -> None:
    wander = find_wander(parts, DT)
    errors = wander.errors(np.full(300, 12.0), DT)
    assert (errors.mean, errors.slope_per_s, errors.bend) == (0.0, 0.0, 0.0)
    assert wander.errors(np.full(1, 12.0), DT).mean == 0.0
