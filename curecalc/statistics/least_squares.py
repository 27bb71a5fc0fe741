"""Nonlinear least squares for a handful of parameters: damped Gauss-Newton steps with the covariance of the fit.

Plain float64 and numpy only. Models return their values and their derivatives, so no step sizes are guessed; columns
are scaled, so parameters may differ by many orders of magnitude.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Fit", "Model", "fit"]

Model = Callable[[Any], tuple[Any, Any]]
"""parameters -> (values of shape (n,), derivatives of shape (n, p))"""


@dataclass(frozen=True)
class Fit:
    """Result of `fit`.

    `covariance` is scaled by the residual variance (unknown sigma) unless `known_sigma` says the weights came from
    stated standard uncertainties; `sd` holds the standard uncertainties of the parameters.
    """

    parameters: Any
    covariance: Any
    fitted: Any
    residuals: Any
    residual_sd: float
    degrees_of_freedom: int
    converged: bool
    known_sigma: bool = False

    @property
    def sd(self) -> Any:
        """Standard uncertainties of the parameters."""
        return np.sqrt(np.diag(self.covariance))


def fit(model: Model, y: Any, start: Any, *, sigma: Any = None, known_sigma: bool = False, max_steps: int = 200) -> Fit:
    """Parameters that minimise sum(((y - model)/sigma)^2), by Levenberg's damping of Gauss-Newton steps.

    Parameters
    ----------
    model : callable
        Takes the parameters, returns values (n,) and derivatives (n, p).
    y : float array (n,)
    start : float array (p,)
    sigma : float array (n,), optional
        Relative or absolute standard deviations of `y`; equal when left out.
    known_sigma : bool
        True leaves the covariance unscaled by the scatter (stated standard uncertainties).

    Returns
    -------
    Fit

    Source: certified cases of the NIST Statistical Reference Datasets (Misra1a, DanWood, Eckerle4).

    >>> import numpy as np
    >>> x = np.array([0.0, 1.0, 2.0, 3.0])
    >>> line = lambda p: (p[0] + p[1] * x, np.stack([np.ones_like(x), x], axis=1))
    >>> [f"{p:.3f}" for p in fit(line, np.array([1.0, 3.0, 5.0, 7.0]), [0.0, 1.0]).parameters]
    ['1.000', '2.000']
    """
    y = np.asarray(y, dtype=np.float64)
    p = np.asarray(start, dtype=np.float64).copy()
    weight = np.ones_like(y) if sigma is None else 1.0 / np.asarray(sigma, dtype=np.float64)
    values, slopes = model(p)
    r = (y - values) * weight
    rss = float(r @ r)
    damping, converged = 1e-3, False
    rounding = 1e-14 * float(np.linalg.norm(y * weight))
    for _ in range(max_steps):
        scaled, size = _scaled(slopes * weight[:, None])
        stacked = np.vstack([scaled, math.sqrt(damping) * np.eye(p.size)])
        step = np.linalg.lstsq(stacked, np.concatenate([r, np.zeros(p.size)]), rcond=None)[0] / size
        with np.errstate(all="ignore"):
            new_values, new_slopes = model(p + step)
            new_r = (y - new_values) * weight
            new_rss = float(new_r @ new_r)
        if math.isfinite(new_rss) and new_rss <= rss:
            small = np.linalg.norm(scaled @ (step * size)) <= 1e-10 * np.linalg.norm(new_r) + rounding
            p, values, slopes, r, rss = p + step, new_values, new_slopes, new_r, new_rss
            if small:
                converged = True
                break
            damping = max(damping / 10.0, np.finfo(float).eps)
        elif damping > 1e10:  # steps this short find nothing lower
            converged = True
            break
        else:
            damping *= 8.0
    dof = y.size - p.size
    scaled, size = _scaled(slopes * weight[:, None])
    inverse = np.linalg.pinv(scaled)
    covariance = (inverse @ inverse.T) / np.outer(size, size)
    variance = rss / dof if dof > 0 else math.inf
    if not known_sigma:
        covariance = covariance * variance
    return Fit(p, covariance, values, y - values, math.sqrt(variance), dof, converged, known_sigma)


def _scaled(jacobian: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of length one, and their lengths; a column of zeros stays."""
    size = np.linalg.norm(jacobian, axis=0)
    size += size == 0.0
    return jacobian / size, size
