"""Nonlinear least squares against the certified values of the NIST Statistical Reference Datasets (StRD).

Source: https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml; data, starting values and certified values as printed
there to eleven digits. Both datasets have three parameters, as the fit of a log's clock has.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from trialcapture.prepare.clocks.log_match import Model, fit_robustly

Floats = npt.NDArray[np.float64]


def logistic(p: Floats) -> tuple[Floats, Floats]:
    """Rat42, ``b1 / (1 + exp(b2 - b3 x))``; Ratkowsky 1983, growth of pasture; average difficulty."""
    x = np.array([9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0])
    y = np.array([8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08])
    e = np.exp(p[1] - p[2] * x)
    below = 1.0 + e
    return p[0] / below - y, np.stack([1.0 / below, -p[0] * e / below**2, p[0] * e * x / below**2])


def thermistor(p: Floats) -> tuple[Floats, Floats]:
    """MGH10, ``b1 exp(b2 / (x + b3))``; Meyer 1970, resistance of a thermistor; hard: its valley is bent and flat."""
    x = np.arange(50.0, 126.0, 5.0)
    y = np.array(
        [34780, 28610, 23650, 19630, 16370, 13720, 11540, 9744, 8261, 7030, 6005, 5147, 4427, 3820, 3307, 2872],
        dtype=np.float64,
    )
    e, below = np.exp(p[1] / (x + p[2])), x + p[2]
    return p[0] * e - y, np.stack([e, p[0] * e / below, -p[0] * e * p[1] / below**2])


@pytest.mark.parametrize(
    ("model", "start", "at", "u", "left", "within"),
    [
        *(
            (
                logistic, start, (7.2462237576e01, 2.6180768402e00, 6.7359200066e-02),
                (1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03), 8.0565229338e00, 1e-6,
            )
            for start in ((100.0, 1.0, 0.1), (75.0, 2.5, 0.07))
        ),
        (
            thermistor, (0.02, 4000.0, 250.0), (5.6096364710e-03, 6.1813463463e03, 3.4522363462e02),
            (1.5687892471e-04, 2.3309021107e01, 7.8486103508e-01), 8.7945855171e01, 1e-5,
        ),
    ],
)  # fmt: skip
def test_certified_parameters_deviations_and_sum_of_squares(
    model: Model,
    start: tuple[float, ...],
    at: tuple[float, ...],
    u: tuple[float, ...],
    left: float,
    within: float,
) -> None:
    wide = np.full(3, np.inf)
    fit = fit_robustly(model, np.array(start), -wide, wide, np.inf)
    assert fit is not None
    squares = float(fit.residual @ fit.residual)
    assert fit.at == pytest.approx(at, rel=within)
    assert squares == pytest.approx(left, rel=1e-9)
    deviations = np.sqrt(np.diag(np.linalg.inv(fit.curvature)) * squares / (fit.residual.size - 3))
    assert deviations == pytest.approx(u, rel=1e-4)
