"""What earlier lots say about a new one: a normal prior of its line, and whether the line contradicts it. Pure numpy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.intervals import f_p
from ..statistics.line import LineFit
from .conditions import Conditions

__all__ = ["Conflict", "LinePrior", "prior_conflict", "prior_from_lots"]


@dataclass(frozen=True)
class LinePrior:
    """What earlier lots say of the next one's line, and how they scattered.

    `mean` is (height at `origin` in mm, slope in mm), `covariance` its 2 by 2 covariance in mm^2: lot to lot, and how well the
    earlier lots are known. `scatter` (mm) of their coupons stands on `degrees_of_freedom`. Leading axes are independent lots.
    `conditions` are those the earlier lots were exposed and read under, where known.
    """

    mean: Any
    covariance: Any
    origin: Any
    scatter: Any
    degrees_of_freedom: Any
    conditions: tuple[Conditions, ...] = ()


def prior_from_lots(
    slopes: Any,
    log_thresholds: Any,
    covariances: Any,
    residual_sds: Any,
    degrees_of_freedom: Any,
    *,
    slope_between: float,
    log_threshold_between: float,
) -> LinePrior:
    """A prior for the next lot from the fits of earlier ones.

    Parameters
    ----------
    slopes, log_thresholds : float64, (..., k)
        Dp and ln Ec of each earlier lot.
    covariances : float64, (..., k, 2, 2)
        Of (Dp, ln Ec) within each lot.
    residual_sds, degrees_of_freedom : float64, (..., k)
    slope_between : float
        Relative standard deviation of Dp from lot to lot.
    log_threshold_between : float
        Standard deviation of ln Ec from lot to lot. With three lots or more the observed spread is used where larger.

    Source: `gelman2013` section 5.4 (normal hierarchy, moment estimate).
    """
    b, c = np.asarray(slopes, dtype=float), np.asarray(log_thresholds, dtype=float)
    within = np.einsum("...ii->...i", np.asarray(covariances, dtype=float))
    sds, dofs = np.broadcast_arrays(np.asarray(residual_sds, dtype=float), np.asarray(degrees_of_freedom, dtype=float))
    lots = np.stack([b, c], -1)
    between = np.stack([(slope_between * b.mean(-1)) ** 2, np.full(b.shape[:-1], log_threshold_between**2)], -1)
    weights = 1.0 / (within + between[..., None, :])
    middle = (weights * lots).sum(-2) / weights.sum(-2)
    between[..., 0] = (slope_between * middle[..., 0]) ** 2
    if b.shape[-1] >= 3:
        between = np.maximum(between, lots.var(-2, ddof=1) - within.mean(-2))
    about = between + 1.0 / weights.sum(-2)  # the mean of the earlier lots is itself uncertain
    # height at the origin x = ln Ec of the mean is Dp (x - ln Ec): zero, with sd Dp sd(ln Ec)
    b0, c0 = middle[..., 0], middle[..., 1]
    covariance = np.stack([b0**2 * about[..., 1], about[..., 0]], -1)[..., None] * np.eye(2)
    freedom = dofs.sum(-1)
    scatter = np.sqrt((dofs * sds**2).sum(-1) / freedom)
    return LinePrior(np.stack([np.zeros_like(b0), b0], -1), covariance, c0[()], scatter[()], freedom[()])


@dataclass(frozen=True)
class Conflict:
    """Whether the new coupons contradict the earlier lots: F of the line, F of the scatter (new over old), and their p values."""

    f: Any
    p: Any
    scatter_f: Any
    scatter_p: Any


def prior_conflict(fit: LineFit, prior: LinePrior) -> Conflict:
    """How far the data's own line lies from the earlier lots, in units of both uncertainties, and how much more it scatters.

    Source: `gelman2013` section 6.3; F(2, nu) with the coupons' degrees of freedom over the square of their share (`gum` G.4.1); F of
    the scatter one-sided, since more scatter is what misleads.
    """
    from scipy.special import inv_boxcox

    away = np.asarray(prior.origin) - np.asarray(fit.x_mean)
    height, slope = np.asarray(fit.scale / fit.weight_sum), np.asarray(fit.scale / fit.sxx)
    shift = np.stack([fit.y_mean + fit.slope * away, np.asarray(fit.slope) + 0.0 * away], -1) - prior.mean
    lever = np.stack([away, np.ones_like(away)], -1)
    own = slope[..., None, None] * lever[..., None] * lever[..., None, :]
    own[..., 0, 0] += height
    both = np.linalg.inv(own + prior.covariance)
    f = 0.5 * np.einsum("...i,...ij,...j->...", shift, both, shift)
    share = 0.5 * np.einsum("...ij,...ji", own, both)
    # the tail of F(2, nu) in closed form, (1 + 2 f/nu)^(-nu/2), exp(-f) where nu is infinite
    p = inv_boxcox(-f, -2.0 * share**2 / np.asarray(fit.t_degrees_of_freedom))
    scatter = np.asarray(fit.scale / np.asarray(prior.scatter) ** 2)
    return Conflict(f[()], p[()], scatter[()], f_p(scatter, fit.degrees_of_freedom, prior.degrees_of_freedom))
