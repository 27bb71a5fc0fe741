"""What earlier lots say about a new one: the conjugate normal-inverse-gamma prior of a line. Pure numpy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..statistics.intervals import f_p
from ..statistics.line import LineFit

__all__ = ["Conflict", "LinePosterior", "LinePrior", "conjugate_line", "prior_conflict", "prior_from_lots"]


@dataclass(frozen=True)
class LinePrior:
    """Normal-inverse-gamma: variance ~ IG(a, b); (value at `origin`, slope) ~ N(mean, variance * spread).

    `mean` has two entries and `spread` is 2 by 2, in units of the variance of one point.
    """

    mean: Any
    spread: Any
    a: float
    b: float
    origin: float = 0.0


@dataclass(frozen=True)
class LinePosterior:
    """Posterior of the same form, the sd of each parameter, and the line to compute with.

    `mean_sd` are the posterior standard deviations of (value at the origin, slope): those of a t distribution with 2a
    degrees of freedom. `line` describes the same posterior as a `LineFit` with 2a degrees of freedom.
    """

    mean: Any
    spread: Any
    a: float
    b: float
    mean_sd: Any
    prior_weight: float
    line: LineFit


def conjugate_line(
    x: Any, y: Any, prior_mean: Any, prior_spread: Any, prior_a: float, prior_b: float, origin: float = 0.0, weight: Any | None = None
) -> LinePosterior:
    r"""Posterior of a line under a normal-inverse-gamma prior.

    Precision adds: V^-1 = V0^-1 + X'X, m = V (V0^-1 m0 + X'y), a = a0 + n/2,
    b = b0 + (y'y + m0' V0^-1 m0 - m' V^-1 m)/2.

    Parameters
    ----------
    x, y : float64, (..., n)
    prior_mean : float64, (2,)
        Value at `origin`, slope.
    prior_spread : float64, (2, 2)
    prior_a, prior_b : float
    origin : float
    weight : float64, (..., n), optional
        Relative weights; the variance is that of a point of weight one.

    Returns
    -------
    LinePosterior
        `prior_weight`: share of the prior in the precision of the slope and height, 0 to 1 (mean over the two directions).

    Source: `gelman2013` section 3.3 and 14.8. Valid for normal scatter; the prior must speak of the same conditions.
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float) - origin, np.asarray(y, dtype=float))
    m0, v0 = np.asarray(prior_mean, dtype=float), np.asarray(prior_spread, dtype=float)
    if prior_a <= 0 or prior_b <= 0 or np.any(np.linalg.eigvalsh(v0) <= 0):
        raise QuantityError("a prior needs a positive spread and scatter. State the earlier lots' uncertainties.")
    n = x.shape[-1]
    w = np.ones(x.shape) if weight is None else np.broadcast_to(np.asarray(weight, dtype=float), x.shape)
    p0 = np.linalg.inv(v0)
    sw, sx, sy = w.sum(-1), (w * x).sum(-1), (w * y).sum(-1)
    xtx = np.stack([np.stack([sw, sx], -1), np.stack([sx, (w * x * x).sum(-1)], -1)], -2)
    xty = np.stack([sy, (w * x * y).sum(-1)], -1)
    precision = xtx + p0
    spread = np.linalg.inv(precision)
    mean = np.einsum("...ij,...j->...i", spread, xty + p0 @ m0)
    # b by residuals, free of the cancellation of y'y - m'V^-1 m
    residuals = y - mean[..., :1] - mean[..., 1:] * x
    shift = mean - m0
    b = prior_b + 0.5 * ((w * residuals**2).sum(-1) + np.einsum("...i,ij,...j->...", shift, p0, shift))
    a = prior_a + 0.5 * n
    scale = b / a
    diagonal = np.stack([spread[..., 0, 0], spread[..., 1, 1]], -1)
    sd = np.sqrt((b / (a - 1.0))[..., None] * diagonal) if a > 1 else np.full(diagonal.shape, np.inf)
    weight = 0.5 * np.trace(np.einsum("...ij,jk->...ik", spread, p0), axis1=-2, axis2=-1)
    line = _as_line(mean, spread, scale, a, origin, n, residuals, (w * residuals**2).sum(-1))
    return LinePosterior(mean, spread, a, b[()], sd, weight[()], line)


def _as_line(mean: Any, spread: Any, scale: Any, a: float, origin: float, n: int, residuals: Any, squares: Any) -> LineFit:
    plain = (lambda v: float(v)) if np.ndim(scale) == 0 else (lambda v: np.asarray(v))
    v00, v01, v11 = spread[..., 0, 0], spread[..., 0, 1], spread[..., 1, 1]
    x_mean = origin - v01 / v11
    y_mean = mean[..., 0] + mean[..., 1] * (x_mean - origin)
    total, sxx = 1.0 / (v00 - v01**2 / v11), 1.0 / v11
    intercept_variance = scale / total + x_mean**2 * scale / sxx
    covariance = -x_mean * scale / sxx
    return LineFit(
        slope=plain(mean[..., 1]),
        intercept=plain(mean[..., 0] - mean[..., 1] * origin),
        slope_sd=plain(np.sqrt(scale / sxx)),
        intercept_sd=plain(np.sqrt(intercept_variance)),
        covariance=plain(covariance),
        correlation=plain(covariance / np.sqrt(intercept_variance * scale / sxx)),
        residual_sd=plain(np.sqrt(scale)),
        degrees_of_freedom=n - 2,
        t_degrees_of_freedom=2.0 * a,
        sum_of_squares=plain(squares),
        x_mean=plain(x_mean),
        y_mean=plain(y_mean),
        sxx=plain(sxx),
        weight_sum=plain(total),
        scale=plain(scale),
        n=n,
        uncertainties="with earlier lots",
        residuals=residuals,
        regression_f=plain(mean[..., 1] ** 2 * sxx / scale),
    )


def prior_from_lots(
    slopes: Any,
    log_thresholds: Any,
    covariances: Any,
    residual_sds: Any,
    degrees_of_freedom: Any,
    *,
    slope_between: float,
    log_threshold_between: float,
    most_degrees_of_freedom: float = 20.0,
) -> LinePrior:
    """A prior for the next lot from the fits of earlier ones.

    Parameters
    ----------
    slopes, log_thresholds : float64, (k,)
        Dp and ln Ec of each earlier lot.
    covariances : float64, (k, 2, 2)
        Of (Dp, ln Ec) within each lot.
    residual_sds, degrees_of_freedom : float64, (k,)
    slope_between : float
        Relative standard deviation of Dp from lot to lot.
    log_threshold_between : float
        Standard deviation of ln Ec from lot to lot. With three lots or more the observed spread is used where larger.
    most_degrees_of_freedom : float
        Most that earlier scatter may count for: scatter belongs to a day and a technician too.

    Source: `gelman2013` section 5.4 (normal hierarchy, moment estimate).
    """
    b, c = np.atleast_1d(np.asarray(slopes, dtype=float)), np.atleast_1d(np.asarray(log_thresholds, dtype=float))
    within = np.asarray(covariances, dtype=float).reshape(-1, 2, 2)
    sds, dofs = (np.atleast_1d(np.asarray(residual_sds, dtype=float)), np.atleast_1d(np.asarray(degrees_of_freedom, dtype=float)))
    k = b.size
    weights = 1.0 / (
        np.stack([within[:, 0, 0], within[:, 1, 1]]) + np.array([[(slope_between * b.mean()) ** 2], [log_threshold_between**2]])
    )
    b0, c0 = (float((w * v).sum() / w.sum()) for w, v in zip(weights, (b, c)))
    between = np.diag([(slope_between * b0) ** 2, log_threshold_between**2])
    if k >= 3:
        seen = np.cov(np.stack([b, c])) - within.mean(0)
        between = np.diag(np.maximum(np.diag(seen), np.diag(between)))
    about = between + np.diag(1.0 / weights.sum(1))  # the mean of the earlier lots is itself uncertain
    # value at the origin x = c0 is Dp (c0 - ln Ec): zero, with sd Dp sd(ln Ec)
    turn = np.array([[0.0, -b0], [1.0, 0.0]])
    covariance = turn @ about @ turn.T
    dof = min(float(dofs.sum()), most_degrees_of_freedom)
    variance = float((dofs * sds**2).sum() / dofs.sum())
    return LinePrior(np.array([0.0, b0]), covariance / variance, 0.5 * dof, 0.5 * dof * variance, c0)


@dataclass(frozen=True)
class Conflict:
    """Whether the new coupons contradict the prior: F of the line, F of the scatter, and their p values."""

    f: float
    p: float
    scatter_f: float
    scatter_p: float


def prior_conflict(fit: LineFit, prior: LinePrior) -> Conflict:
    """The prior predictive check: how far the data's own line lies from the prior, in units of both uncertainties.

    Source: `gelman2013` section 6.3; F(2, nu) with nu from the pooled scatter.
    """
    mine = np.array([fit.y_mean + fit.slope * (prior.origin - fit.x_mean), fit.slope])
    away = prior.origin - fit.x_mean
    own = np.array([[1.0 / fit.weight_sum + away**2 / fit.sxx, away / fit.sxx], [away / fit.sxx, 1.0 / fit.sxx]])
    dof = 2.0 * prior.a + fit.degrees_of_freedom
    variance = (2.0 * prior.b + fit.sum_of_squares) / dof
    shift = mine - prior.mean
    f = float(shift @ np.linalg.solve(variance * (own + prior.spread), shift) / 2.0)
    scatter = float(fit.residual_sd**2 / (prior.b / prior.a))
    upper = float(f_p(scatter, fit.degrees_of_freedom, 2.0 * prior.a))
    return Conflict(f, float(f_p(f, 2, dof)), scatter, float(min(1.0, 2.0 * min(upper, 1.0 - upper))))
