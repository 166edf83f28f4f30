"""Robust nonlinear least squares with bounds, for few parameters and many residuals.

Minimised is ``sum(loss(r))`` with the soft L1 loss ``loss(r) = f² (sqrt(1 + (r / f)²) - 1)``: half the square of a
residual far below f, f times its size far above. The way down is that of Levenberg and Marquardt with the damping of
Madsen, Nielsen & Tingleff, "Methods for Non-Linear Least Squares Problems", 2nd ed., IMM, Technical University of
Denmark, 2004, algorithm 3.16; the loss enters by its first and second derivative (Triggs et al., "Bundle Adjustment: A
Modern Synthesis", 2000, section 4.3). A step is cut at the bounds, and a parameter that is pressed against its own
takes no part in the next (projected steps as of Kanzow, Yamashita & Fukushima, J. Comput. Appl. Math. 172, 2004).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Model = Callable[[Floats], tuple[Floats, Floats]]
"""Takes parameters, shape (p,); gives residuals, shape (n,), and their derivatives by each parameter, shape (p, n)."""

_FIRST_DAMPING = 1.0
"""Cautious: where most residuals lie beyond f, the curvature of the loss promises more than the step keeps."""
_MOST_STEPS = 200
_SETTLED = 1e-14
"""A step that could change the cost by less than this share of it is none."""
_NEARLY = 1e-6
"""The same where the steps have run out: residuals with kinks, as of lines between readings, let them shrink slowly."""


class RobustFit(NamedTuple):
    """Where the cost is least.

    Attributes:
        at: The parameters, shape (p,).
        residual: Residuals there, shape (n,).
        curvature: Second derivatives of the cost there, residuals taken for linear (Gauss-Newton), shape (p, p).
    """

    at: Floats
    residual: Floats
    curvature: Floats


class _Cost(NamedTuple):
    value: float
    gradient: Floats
    curvature: Floats
    residual: Floats


def fit_robustly(model: Model, start: Floats, low: Floats, high: Floats, soft: float) -> RobustFit | None:
    """Fit parameters by the soft L1 loss.

    Args:
        model: The residuals and their derivatives.
        start: Where to begin, shape (p,).
        low: Least value of each parameter, shape (p,), and
        high: greatest.
        soft: Size from which a residual counts by its size, no longer by its square (f above); infinite for plain
            least squares.

    Returns:
        The fit, or None where it does not settle.
    """
    at = np.clip(start, low, high)
    cost = _cost(model, at, soft)
    damping, growth, left = _FIRST_DAMPING, 2.0, np.inf
    for _ in range(_MOST_STEPS):
        moved = np.clip(at + _step(cost, at, low, high, damping), low, high)
        step = moved - at
        left = float((step**2 * np.diag(cost.curvature)).max())
        if left <= _SETTLED * cost.value:
            return RobustFit(at, cost.residual, cost.curvature)
        tried = _cost(model, moved, soft)
        promised = -float(cost.gradient @ step + 0.5 * step @ cost.curvature @ step)
        gained = cost.value - tried.value
        if promised > 0.0 and gained > 0.0:
            at, cost = moved, tried
            damping *= max(1.0 / 3.0, 1.0 - (2.0 * gained / promised - 1.0) ** 3)
            growth = 2.0
        else:
            damping *= growth
            growth *= 2.0
    return RobustFit(at, cost.residual, cost.curvature) if left <= _NEARLY * cost.value else None


def _cost(model: Model, at: Floats, soft: float) -> _Cost:
    """Return the cost and its derivatives at one place."""
    residual, slopes = model(at)
    stretch = np.sqrt(1.0 + (residual / soft) ** 2)
    gradient = slopes @ (residual / stretch)
    curvature = (slopes / stretch**3) @ slopes.T
    # written so, the sum neither cancels for small residuals nor asks for a finite `soft`
    return _Cost(float((residual**2 / (1.0 + stretch)).sum()), gradient, curvature, residual)


def _step(cost: _Cost, at: Floats, low: Floats, high: Floats, damping: float) -> Floats:
    """Return the damped Gauss-Newton step of the parameters that are not pressed against a bound."""
    free = ~(((at <= low) & (cost.gradient > 0.0)) | ((at >= high) & (cost.gradient < 0.0)))
    step = np.zeros(at.size)
    own = np.diag(cost.curvature)[free]
    damped = cost.curvature[np.ix_(free, free)] + damping * np.diag(np.where(own > 0.0, own, 1.0))
    step[free] = np.linalg.solve(damped, -cost.gradient[free])
    return step
