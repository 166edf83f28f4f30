"""Generalised least squares of the runs' equations against its matrices written out (Aitken 1935; from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.reduce.vectorfit import CurrentCovariance, CurrentModel, Observations, Strengths, Whitening, explain

RUN_H = np.array([0.0, 0.1, 0.35, 0.6, 0.8, 1.4])
STRENGTHS: Strengths = (0.6, 0.12, 0.07, 2.0)
MODEL = CurrentModel()


def equations(*, measured: bool) -> Observations:
    """Return six runs of two bands, four of them with a heading."""
    generator = np.random.default_rng(4)
    position = np.array([0, 1, 2, 3, 4, 5, 0, 1, 3, 5])
    along = generator.uniform(0.0, 2.0 * np.pi, 6)
    angle = np.concatenate([along, along[position[6:]] + np.pi / 2.0])
    lever = np.concatenate([np.zeros(6), generator.uniform(6.0, 20.0, 4)])
    design = np.zeros((10, 2))
    design[np.arange(6), [0, 1, 0, 1, 0, 1]] = 1.0
    return Observations(
        y=np.concatenate([np.array([8.0, 14.0, 8.3, 14.2, 7.9, 13.8]), generator.normal(0.0, 0.3, 4)]),
        design=design,
        position=position,
        unit=np.column_stack([np.cos(angle), np.sin(angle)]),
        own_var=generator.uniform(0.01, 0.03, 10) ** 2,
        slope_var=np.concatenate([generator.uniform(0.0, 0.02, 6) ** 2, np.zeros(4)]),
        lever_kn=lever,
        offset_lever_kn=lever if measured else np.zeros(10),
        bend_lever_kn=np.zeros(10) if measured else lever * np.tile([1.0, -1.0], 5),
        leeway_lever_kn=np.zeros((10, 2)),
    )


def plain_covariance(seen: Observations) -> np.ndarray:
    tide, wander, scatter, degrees = STRENGTHS
    at = RUN_H[seen.position]
    made = np.zeros((at.size, at.size))
    for i in range(at.size):
        for j in range(at.size):
            lag = abs(at[i] - at[j])
            x = np.sqrt(3.0) * lag / MODEL.wander_length_h
            current = MODEL.constant_kn**2 + tide**2 * np.exp(-0.5 * (lag / MODEL.tide_length_h) ** 2)
            current += wander**2 * (1.0 + x) * np.exp(-x)
            made[i, j] = current * float(seen.unit[i] @ seen.unit[j])
            for lever, error in (("offset_lever_kn", MODEL.heading_offset_deg), ("bend_lever_kn", MODEL.line_bend_deg)):
                made[i, j] += np.radians(error) ** 2 * getattr(seen, lever)[i] * getattr(seen, lever)[j]
        made[i, i] += (seen.lever_kn[i] * np.radians(degrees)) ** 2
        made[i, i] += seen.own_var[i] + seen.slope_var[i] + scatter**2
    return made


@pytest.mark.parametrize("measured", [True, False])
def test_speeds_likelihood_and_gain_are_those_of_the_matrices(measured: bool) -> None:
    seen = equations(measured=measured)
    whitening = Whitening(seen, CurrentCovariance(RUN_H[:, None] - RUN_H[None, :], MODEL), MODEL)
    white = whitening.whiten(STRENGTHS)
    covariance, x, y = plain_covariance(seen), seen.design, seen.y
    assert white.factor @ white.factor.T == pytest.approx(covariance, rel=1e-12)
    own = np.diag(seen.own_var + seen.slope_var + STRENGTHS[2] ** 2)
    assert whitening.water(STRENGTHS) + whitening.compass(STRENGTHS) + own == pytest.approx(covariance, rel=1e-12)
    inverse = np.linalg.inv(covariance)
    normal = x.T @ inverse @ x
    gain = np.linalg.inv(normal) @ x.T @ inverse
    left = y - x @ gain @ y
    assert white.speed == pytest.approx(gain @ y, rel=1e-9)
    # restricted likelihood of Patterson & Thompson but for a constant
    logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1]
    assert white.log_likelihood == pytest.approx(-0.5 * (logs + left @ inverse @ left), rel=1e-9)
    assert whitening.log_likelihood(STRENGTHS) == white.log_likelihood
    found_gain, explained = explain(white)
    assert found_gain == pytest.approx(gain, abs=1e-9)
    assert explained == pytest.approx(inverse @ left, rel=1e-6)


def test_one_set_of_equations_serves_any_strengths_in_any_order() -> None:
    seen = equations(measured=True)
    current = CurrentCovariance(RUN_H[:, None] - RUN_H[None, :], MODEL)
    once = Whitening(seen, current, MODEL)
    other: Strengths = (0.05, 0.3, 0.35, 0.7)
    first = once.log_likelihood(STRENGTHS)
    assert once.log_likelihood(other) == Whitening(seen, current, MODEL).log_likelihood(other)
    assert once.log_likelihood(STRENGTHS) == first
