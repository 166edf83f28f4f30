"""Generalised least squares of the runs' equations under any strengths of current, scatter and compass error.

Some hundred combinations of strengths are tried on the same equations, so what none of them changes is worked out
once, and only the combinations that are used afterwards are solved any further than their likelihood.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from trialcapture.reduce.current_model import CurrentCovariance, CurrentModel, Strengths
from trialcapture.reduce.observations import Observations
from trialcapture.reduce.statistics import FloatArray


class White(NamedTuple):
    """Equations turned into independent ones of unit variance; N equations, B bands."""

    factor: FloatArray
    """Lower Cholesky factor of the covariance of the equations, shape (N, N)."""
    design: FloatArray
    """Shape (N, B)."""
    left: FloatArray
    """What the band speeds leave of the right-hand side, shape (N,)."""
    speed_cov: FloatArray
    """Shape (B, B)."""
    speed: FloatArray
    """Band speeds [kn], shape (B,)."""
    log_likelihood: float
    """Restricted: the band speeds are integrated out."""


class Whitening:
    """The equations of all runs with their covariance under any strengths.

    Args:
        seen: The equations.
        current: Of the current at every two runs, shape (n, n).
        model: Beliefs that no strength changes.
        trend_kn: What one standard deviation of a steady change of the current moves each equation by along each of
            its axes, shape (N, k); None for no such change.
    """

    def __init__(
        self, seen: Observations, current: CurrentCovariance, model: CurrentModel, trend_kn: FloatArray | None = None
    ) -> None:
        self.seen = seen
        self.trend_kn = np.zeros((seen["y"].size, 0)) if trend_kn is None else trend_kn
        # what all equations of a kind share and no strength changes: the trend, and the leeway of a drifting boat
        self._shared = self.trend_kn @ self.trend_kn.T + seen["leeway_lever_kn"] @ seen["leeway_lever_kn"].T
        self._current = current
        self._facing = seen["unit"] @ seen["unit"].T
        self._compass = _common_var(seen["offset_lever_kn"], model.heading_offset_deg)
        if seen["bend_lever_kn"].any():
            self._compass += _common_var(seen["bend_lever_kn"], model.line_bend_deg)
        self._own_var = seen["own_var"] + seen["slope_var"]
        self._sides = np.column_stack([seen["design"], seen["y"]])

    def water(self, strengths: Strengths) -> FloatArray:
        """Return the covariance of the equations by the current, and by leeway taken for it [kn²], shape (N, N)."""
        position, by_run = self.seen["position"], self._current.at(strengths[0], strengths[1])
        made = by_run.take(position, axis=0).take(position, axis=1)
        made *= self._facing
        made += self._shared
        return made

    def compass(self, strengths: Strengths) -> FloatArray:
        """Return the covariance of the equations by the headings alone [kn²], shape (N, N)."""
        return self._compass + np.diag(self._heading_var(strengths))

    def whiten(self, strengths: Strengths) -> White:
        """Return the equations made independent, with the band speeds and the restricted likelihood they give."""
        from scipy.linalg import solve_triangular  # noqa: PLC0415  (slow import, needed here only)

        covariance = self.water(strengths)
        variance = np.diagonal(covariance) + (np.diagonal(self._compass) + self._heading_var(strengths))
        covariance += self._compass
        np.fill_diagonal(covariance, variance + (self._own_var + strengths[2] ** 2))
        # symmetric, and by columns as LAPACK wants it
        factor = np.asarray(np.linalg.cholesky(covariance.T), dtype=np.float64)
        white = solve_triangular(factor, self._sides, lower=True, check_finite=False)
        design, y = white[:, :-1], white[:, -1]
        normal = design.T @ design
        speed_cov = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        speed = speed_cov @ (design.T @ y)
        left = y - design @ speed
        spread = 2.0 * np.log(np.diag(factor)).sum() + np.linalg.slogdet(normal)[1]
        return White(factor, design, left, speed_cov, speed, float(-0.5 * (spread + left @ left)))

    def log_likelihood(self, strengths: Strengths) -> float:
        """Return the restricted log-likelihood of the strengths."""
        return self.whiten(strengths).log_likelihood

    def _heading_var(self, strengths: Strengths) -> FloatArray:
        return np.asarray((self.seen["lever_kn"] * np.radians(strengths[3])) ** 2, dtype=np.float64)


def explain(white: White) -> tuple[FloatArray, FloatArray]:
    """Return band speeds as a linear function of the right-hand side, and what is left, both by the equations.

    Returns:
        The gain, shape (B, N), and the inverse covariance times what the band speeds leave of the right-hand side,
        shape (N,): a covariance with the equations times it is the best guess of what is left.
    """
    from scipy.linalg import solve_triangular  # noqa: PLC0415  (slow import, needed here only)

    sides = np.column_stack([white.design, white.left])
    back = solve_triangular(white.factor, sides, lower=True, trans="T", check_finite=False)
    return white.speed_cov @ back[:, :-1].T, back[:, -1]


def _common_var(lever_kn: FloatArray, error_deg: float) -> FloatArray:
    """Return the covariance that one error common to all headings makes [kn²], shape (N, N)."""
    made = np.outer(lever_kn, lever_kn)
    made *= np.radians(error_deg) ** 2
    return made
