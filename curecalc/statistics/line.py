r"""Straight lines through points: ordinary, weighted, and with errors in both axes. Pure numpy, over leading axes.

Every fit is described at its centre of gravity, where the two parameters are uncorrelated: the value there has the
variance `scale / weight_sum`, the slope `scale / sxx`. Intercept, covariance, bands and inverse predictions follow
from these numbers, whichever fit they came from. Points stand on the last axis; leading axes are independent lots.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..errors import QuantityError

__all__ = [
    "LineFit",
    "line_of_moments",
    "mean_sd",
    "ordinary_line",
    "prediction_sd",
    "relative_line",
    "value_at",
    "weighted_line",
    "york_line",
]

_UNKNOWN, _KNOWN = "from the scatter", "as stated"
_ROUNDS = 100


@dataclass(frozen=True)
class LineFit:
    """A fitted line y = intercept + slope x, over leading axes.

    Attributes
    ----------
    slope, intercept : float64
    slope_sd, intercept_sd : float64
        Standard uncertainties; `covariance` and `correlation` of intercept and slope beside them.
    residual_sd : float64
        Scatter about the line, sqrt(sum of squares / degrees of freedom). Where the standard uncertainties were stated,
        this is the square root of chi-squared over its degrees of freedom (near 1 when they are believable).
    degrees_of_freedom : int
        Points minus two.
    t_degrees_of_freedom : float
        Those of Student's t in intervals: `degrees_of_freedom`, or infinite where the uncertainties were stated.
    sum_of_squares : float64
        Residual sum of squares, weighted; chi-squared where the uncertainties were stated.
    x_mean, y_mean : float64
        Centre of gravity, weighted.
    sxx, weight_sum, scale : float64
        Weighted spread of x, sum of the weights, and the variance of a point of weight one.
    uncertainties : str
        `from the scatter` (unknown sigma, rescaled) or `as stated` (known sigma, never rescaled).
    residuals : float64, (..., n)
    """

    slope: Any
    intercept: Any
    slope_sd: Any
    intercept_sd: Any
    covariance: Any
    correlation: Any
    residual_sd: Any
    degrees_of_freedom: int
    t_degrees_of_freedom: Any
    sum_of_squares: Any
    x_mean: Any
    y_mean: Any
    sxx: Any
    weight_sum: Any
    scale: Any
    n: int
    uncertainties: str
    residuals: Any
    regression_f: Any


def ordinary_line(x: Any, y: Any) -> LineFit:
    """Least-squares line; the scatter of the points about it gives the uncertainties.

    Parameters
    ----------
    x, y : float64, (..., n), broadcast
        At least three points, at least two different x.

    Returns
    -------
    LineFit

    Source: `gum` H.3 eq. H.13; checked against `nist-strd` Norris. Valid for errors in y alone, of one size, independent.

    >>> fit = ordinary_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 4.0, 6.0])
    >>> f"{fit.slope:.2f} {fit.slope_sd:.4f} {fit.degrees_of_freedom}"
    '1.60 0.1414 2'
    """
    x, y = _points(x, y)
    x_mean, y_mean = _centre(x), _centre(y)
    dx, dy = x - x_mean[..., None], y - y_mean[..., None]
    sxx = np.einsum("...i,...i->...", dx, dx)
    slope = np.einsum("...i,...i->...", dx, dy) / sxx
    residuals = dy - slope[..., None] * dx
    squares = np.einsum("...i,...i->...", residuals, residuals)
    x_mean, sxx = (np.broadcast_to(one, slope.shape) for one in (x_mean, sxx))
    return _made(slope, x_mean, y_mean, sxx, np.full_like(sxx, y.shape[-1]), squares, residuals, _UNKNOWN)


def weighted_line(x: Any, y: Any, sigma: Any) -> LineFit:
    """Line weighted by stated standard uncertainties of y, which are taken as known: never rescaled by the scatter.

    Parameters
    ----------
    x, y, sigma : float64, (..., n), broadcast
        `sigma` above zero.

    Returns
    -------
    LineFit

    Source: `iso28037` clause 6.3. Valid for errors in y alone, independent, with believable stated uncertainties
    (`sum_of_squares` is chi-squared on `degrees_of_freedom`).
    """
    x, y = _points(x, y)
    return _weighted(x, y, 1.0 / np.broadcast_to(np.asarray(sigma, dtype=float), y.shape) ** 2, known=True)


def relative_line(x: Any, y: Any, weight: Any) -> LineFit:
    """Line with weights known up to a common factor, which the scatter about the line supplies.

    Source: `iso28037` clause 6.3 with the variance of unit weight estimated from the residuals.
    """
    x, y = _points(x, y)
    return _weighted(x, y, np.broadcast_to(np.asarray(weight, dtype=float), y.shape), known=False)


def york_line(x: Any, y: Any, sigma_x: Any, sigma_y: Any) -> LineFit:
    """Line with stated standard uncertainties in both axes, independent of each other.

    Parameters
    ----------
    x, y, sigma_x, sigma_y : float64, (..., n), broadcast

    Returns
    -------
    LineFit
        Standard uncertainties by the unified equations, from the adjusted points; known sigma, never rescaled.

    Source: `york2004`, eq. 13. Valid for independent errors of known size; other conventions for the standard
    uncertainty (observed instead of adjusted points) differ by about one per cent.
    """
    x, y = _points(x, y)
    vx = np.broadcast_to(np.asarray(sigma_x, dtype=float), y.shape) ** 2
    vy = np.broadcast_to(np.asarray(sigma_y, dtype=float), y.shape) ** 2
    slope = np.asarray(ordinary_line(x, y).slope)
    for _ in range(_ROUNDS):
        weight = 1.0 / (vy + slope[..., None] ** 2 * vx)
        total = weight.sum(-1)
        x_bar, y_bar = (weight * x).sum(-1) / total, (weight * y).sum(-1) / total
        u, v = x - x_bar[..., None], y - y_bar[..., None]
        beta = weight * (u * vy + slope[..., None] * v * vx)
        last, slope = slope, (weight * beta * v).sum(-1) / (weight * beta * u).sum(-1)
        if np.all(np.abs(slope - last) <= 1e-9 * np.abs(slope)):
            break
    else:
        raise QuantityError(f"the line with errors in both axes does not settle in {_ROUNDS} rounds. State smaller exposure uncertainties.")
    adjusted_mean = x_bar + (weight * beta).sum(-1) / total
    deviation = beta - ((weight * beta).sum(-1) / total)[..., None]
    sxx = (weight * deviation**2).sum(-1)
    residuals = v - slope[..., None] * u
    squares = (weight * residuals**2).sum(-1)
    y_adjusted = y_bar + slope * (adjusted_mean - x_bar)
    return _made(slope, adjusted_mean, y_adjusted, sxx, total, squares, residuals, _KNOWN)


def line_of_moments(like: LineFit, height: Any, slope: Any, scale: Any, t_degrees_of_freedom: Any, *, cross: Any = 0.0) -> LineFit:
    """A fit with the line of `like` and another covariance, described where height and slope are uncorrelated.

    Parameters
    ----------
    like : LineFit
        Gives the line (`x_mean`, `y_mean`, `slope`), the residuals and the counts.
    height, slope : float64
        Variance of the height at `like.x_mean`, variance of the slope.
    scale : float64
        Variance of the next point about the line.
    t_degrees_of_freedom : float64
    cross : float64
        Covariance of that height with the slope.
    """
    plain = (lambda a: float(a)) if np.ndim(like.slope) == 0 else (lambda a: np.asarray(a))
    height, cross, slope, scale = (np.asarray(a, dtype=float) for a in (height, cross, slope, scale))
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(slope > 0, cross / slope, 0.0)
        centre = like.x_mean - shift
        level = np.maximum(height - cross * shift, 0.0)
        intercept = level + centre**2 * slope
        total = np.where(scale > 0, scale / level, like.weight_sum)
        sxx = np.where(scale > 0, scale / slope, like.sxx)
    return replace(
        like,
        intercept=plain(like.y_mean - like.slope * like.x_mean),
        slope=plain(like.slope),
        slope_sd=plain(np.sqrt(slope)),
        intercept_sd=plain(np.sqrt(intercept)),
        covariance=plain(-centre * slope),
        correlation=plain(_correlation(centre, sxx, total)),
        t_degrees_of_freedom=t_degrees_of_freedom,
        x_mean=plain(centre),
        y_mean=plain(like.y_mean - like.slope * shift),
        sxx=plain(sxx),
        weight_sum=plain(total),
        scale=plain(scale),
    )


def value_at(fit: LineFit, x: Any) -> Any:
    """The line's value at x (broadcast against the fit's leading axes)."""
    return fit.y_mean + fit.slope * (np.asarray(x, dtype=float) - fit.x_mean)


def mean_sd(fit: LineFit, x: Any) -> Any:
    """Standard uncertainty of the line's value at x: the mean of many coupons there."""
    return np.sqrt(fit.scale * (1.0 / fit.weight_sum + (np.asarray(x, dtype=float) - fit.x_mean) ** 2 / fit.sxx))


def prediction_sd(fit: LineFit, x: Any, future_variance: Any | None = None) -> Any:
    """Standard uncertainty of one future point at x; its own variance is `scale` unless another is given."""
    own = fit.scale if future_variance is None else future_variance
    return np.sqrt(mean_sd(fit, x) ** 2 + own)


# ---------------------------------------------------------------- inside


def _points(x: Any, y: Any) -> tuple[np.ndarray, np.ndarray]:
    """y of every line, and x as it was given: worked on once where all lines share it."""
    x, y = np.atleast_1d(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    _, y = np.broadcast_arrays(x, y)
    if y.shape[-1] < 3:
        raise QuantityError(f"a line with its uncertainty needs at least three points, got {y.shape[-1]}. Add points.")
    if np.any(np.ptp(x, axis=-1) <= np.spacing(np.abs(x).max(-1))):
        raise QuantityError("a line needs at least two different x, got one only. Vary the exposure.")
    return x, y


def _centre(values: np.ndarray) -> Any:
    """Mean over the last axis, corrected once for rounding; a product with ones is far quicker than `mean` on a short axis."""
    weight = np.full(values.shape[-1], 1.0 / values.shape[-1])
    mean = np.asarray(values @ weight)
    return mean + (values - mean[..., None]) @ weight


def _weighted(x: np.ndarray, y: np.ndarray, weight: np.ndarray, *, known: bool) -> LineFit:
    total = weight.sum(-1)
    x_mean, y_mean = (weight * x).sum(-1) / total, (weight * y).sum(-1) / total
    dx, dy = x - x_mean[..., None], y - y_mean[..., None]
    sxx = (weight * dx * dx).sum(-1)
    slope = (weight * dx * dy).sum(-1) / sxx
    residuals = dy - slope[..., None] * dx
    squares = (weight * residuals**2).sum(-1)
    return _made(slope, x_mean, y_mean, sxx, total, squares, residuals, _KNOWN if known else _UNKNOWN)


def _correlation(x_mean: Any, sxx: Any, total: Any) -> Any:
    """Of intercept and slope; free of the scatter, so that an exact line has one too."""
    return -x_mean / np.sqrt(sxx / total + x_mean**2)


def _made(slope: Any, x_mean: Any, y_mean: Any, sxx: Any, total: Any, squares: Any, residuals: np.ndarray, uncertainties: str) -> LineFit:
    n = residuals.shape[-1]
    dof = n - 2
    scale, t_dof = (np.ones_like(squares), np.inf) if uncertainties == _KNOWN else (squares / dof, float(dof))
    slope_variance = scale / sxx
    intercept_variance = scale / total + x_mean**2 * slope_variance
    covariance = -x_mean * slope_variance
    residual_sd = np.sqrt(squares / dof)
    with np.errstate(divide="ignore", invalid="ignore"):
        regression_f = np.where(squares > 0, slope**2 * sxx * dof / squares, np.inf)
    plain = (lambda a: float(a)) if np.ndim(slope) == 0 else (lambda a: np.asarray(a))
    return LineFit(
        slope=plain(slope),
        intercept=plain(y_mean - slope * x_mean),
        slope_sd=plain(np.sqrt(slope_variance)),
        intercept_sd=plain(np.sqrt(intercept_variance)),
        covariance=plain(covariance),
        correlation=plain(_correlation(x_mean, sxx, total)),
        residual_sd=plain(residual_sd),
        degrees_of_freedom=dof,
        t_degrees_of_freedom=t_dof,
        sum_of_squares=plain(squares),
        x_mean=plain(x_mean),
        y_mean=plain(y_mean),
        sxx=plain(sxx),
        weight_sum=plain(total),
        scale=plain(scale),
        n=n,
        uncertainties=uncertainties,
        residuals=residuals,
        regression_f=plain(regression_f),
    )
