"""Speed trials: mean of means, double runs, and their uncertainty, against the arithmetic the literature rests on.

Sources: the mean of means of ship speed trials is that of ITTC Recommended Procedure 7.5-04-01-01.1 and ISO 15016; the
text of neither was at hand, so weights are from memory and every expected value follows from exact arithmetic (the
binomial theorem) or from an independent library named beside it. That two double runs per power setting are needed
where the tide runs is the finding of Strasser, Takagi, Werner et al. 2015, J. Mar. Sci. Technol. 20:213 (abstract).
"""

from __future__ import annotations

from fractions import Fraction
from math import comb
from typing import Any

import numpy as np
import pytest
from uncertainties import ufloat

from trialcapture.reduce.runs import alternating_weights, combine_runs, velocity_kn


def even_weights(n: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return our weights of n runs up and down one line, evenly spaced in time."""
    return alternating_weights(0.25 * np.arange(n), (-1.0) ** np.arange(n))[0]


@pytest.mark.parametrize(
    ("n", "numerators"),
    # ITTC 7.5-04-01-01.1 (from memory): the means of successive means, taken until one is left
    [(2, (1, 1)), (3, (1, 2, 1)), (4, (1, 3, 3, 1)), (5, (1, 4, 6, 4, 1)), (6, (1, 5, 10, 10, 5, 1))],
)
def test_weights_are_those_of_repeated_means(n: int, numerators: tuple[int, ...]) -> None:
    assert even_weights(n) == pytest.approx(np.array(numerators) / 2 ** (n - 1), abs=1e-12)


@pytest.mark.parametrize(
    ("runs_kn", "speed_kn"),
    [
        ((20.4, 19.2, 20.8, 18.8), 19.900),  # exact arithmetic; the plain mean would be 19.800
        ((25.5, 24.3, 25.7, 24.5), 25.000),  # V = 25 in a current of 0.5, 0.7, 0.7, 0.5 kn
        ((25.5, 24.3, 25.7), 24.950),  # the first three only: the quadratic part of that current stays
        ((24.0, 26.0), 25.000),  # a double run averages speeds; two miles over the total time would be 24.96
    ],
)
def test_mean_of_means_of_a_worked_set(runs_kn: tuple[float, ...], speed_kn: float) -> None:
    seen = [Fraction(str(v)) for v in runs_kn]
    n = len(seen)
    exact = sum(Fraction(comb(n - 1, k), 2 ** (n - 1)) * v for k, v in enumerate(seen))
    assert float(exact) == pytest.approx(speed_kn, abs=1e-12)
    assert even_weights(n) @ np.array(runs_kn) == pytest.approx(speed_kn, abs=1e-9)


def test_unequal_spacing_is_weighed_by_the_times_of_the_runs() -> None:
    # current 0.4 + 0.02 t kn, t = 0, 15, 40 min, V = 25 kn (exact arithmetic); the 1, 2, 1 of equal spacing reads 25.05
    t_h, sign = np.array([0.0, 15.0, 40.0]) / 60.0, np.array([1.0, -1.0, 1.0])
    seen = np.array([25.4, 24.3, 26.2])
    assert even_weights(3) @ seen == pytest.approx(25.050, abs=1e-9)
    assert alternating_weights(t_h, sign)[0] @ seen == pytest.approx(25.000, abs=1e-9)


@pytest.mark.parametrize("phase_deg", [0.0, 45.0, 90.0])
@pytest.mark.parametrize("n", [2, 4])
def test_what_a_tide_leaves_in_four_runs_and_in_one_double_run(phase_deg: float, n: int) -> None:
    # principal lunar tide of 12.4206 h, 1.5 kn, runs a = 20 min of it apart. Weights C(n-1,k)/2^(n-1) of alternating
    # signs leave ((1 - exp(ia))/2)^(n-1) of it (binomial theorem): sin(a/2)^(n-1), turned by (n-1)(a - pi)/2
    a, phase = 2 * np.pi / 3.0 / 12.4206, np.radians(phase_deg)
    seen = 25.0 + (-1.0) ** np.arange(n) * 1.5 * np.sin(a * np.arange(n) + phase)
    left = 1.5 * np.sin(a / 2) ** (n - 1) * np.sin(phase + (n - 1) * (a - np.pi) / 2)
    assert even_weights(n) @ seen - 25.0 == pytest.approx(left, abs=1e-12)
    assert abs(left) < (0.13 if n == 2 else 0.001)


@pytest.mark.parametrize(("n", "u_kn"), [(2, 0.0707), (4, 0.0559)])
def test_uncertainty_of_a_mean_of_means(n: int, u_kn: float) -> None:
    # independent runs of 0.10 kn each, against the uncertainties package
    runs = [ufloat(20.0, 0.10) for _ in range(n)]
    weights = even_weights(n)
    assert sum(w * r for w, r in zip(weights, runs, strict=True)).std_dev == pytest.approx(u_kn, abs=1e-4)
    assert 0.10 * np.sqrt(weights @ weights) == pytest.approx(u_kn, abs=1e-4)


def test_a_current_abeam_stays_in_a_scalar_double_run_and_leaves_the_vector_one() -> None:
    # 2 kn across a boat that holds her heading at 20 kn: SOG 20.0998 kn, course 5.711 deg off (plane trigonometry)
    heading = np.array([0.0, 180.0])
    ground = velocity_kn(np.full(2, 20.0), heading) + np.array([0.0, 2.0])
    assert np.hypot(*ground[0]) == pytest.approx(20.0998, abs=1e-4)
    assert np.degrees(np.arctan2(ground[0, 1], ground[0, 0])) == pytest.approx(5.711, abs=1e-3)
    half, sign = np.array([0.5, 0.5]), np.array([1.0, -1.0])
    assert half @ np.hypot(*ground.T) - 20.0 == pytest.approx(0.100, abs=1e-3)
    assert combine_runs(half, sign, ground, heading)[0] == pytest.approx(20.0, abs=1e-12)
    assert combine_runs(half, sign, ground, np.full(2, np.nan))[0] == pytest.approx(20.0, abs=1e-12)
