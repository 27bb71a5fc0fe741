r"""The line of a lot as shops measure it: coupons and readings as two components, coarse gauges, stated uncertainties, earlier lots.

Pure numpy over leading axes: points stand on the last axis, leading axes are independent lots.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from .intervals import chi_squared_p, t_factor
from .line import LineFit, line_of_moments, ordinary_line, relative_line, weighted_line, york_line

__all__ = ["BELIEVED", "ENOUGH", "CouponLine", "coarse", "coupon_line", "either", "stated_line", "two_component_line", "with_earlier_lots"]

BELIEVED = 0.30
"""Stated uncertainties are taken as they are where chi-squared is no rarer than this; else the wider interval stands."""
ENOUGH = 6
"""Fewer coupons than this cannot test what is stated: the wider of the intervals with and without it is used."""
_MIXED = 0.21
"""Where coupons are read unequally the next one is a mixture of normals of unequal variance, whose 95 % interval is wider than its
variance says: (z^2 - 3)/4 times the relative variance of the variances (Cornish and Fisher's first term, z = 1.96)."""


@dataclass(frozen=True)
class CouponLine:
    """The line to judge by, and what it was made from.

    Attributes
    ----------
    line : LineFit
        For intervals; its `scale` is the variance of the next coupon (mm^2).
    plain : LineFit
        The least-squares arithmetic behind it, for diagnoses.
    weight : float64, (..., n), or None
        Relative weights of the coupons in `plain`.
    stated : bool
        Whether stated uncertainties were used as they are; over leading axes an array.
    """

    line: LineFit
    plain: LineFit
    weight: Any | None = None
    stated: Any = False


def coupon_line(x: Any, y: Any, *, counts: Any | None = None, within_squares: Any = None, resolution: Any = 0.0) -> CouponLine:
    """The line from coupon means whose scatter is not known beforehand.

    Parameters
    ----------
    x, y : float64, (..., n)
    counts : int, (..., n), optional
        Readings behind each mean. Where they differ, coupons and readings are two components; else ordinary least squares.
    within_squares : float64, (...), optional
        Sum of squares of readings about their coupon's mean; goes with `counts`.
    resolution : float64, (...)
        Step of the gauge, 0 for none: see `coarse`.

    Source: derived here and proven by simulated lots (`reference/simulations/shops.toml`).

    >>> fit = coupon_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 4.0, 6.0]).line
    >>> f"{fit.slope:.2f} {fit.slope_sd:.4f}"
    '1.60 0.1414'
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if counts is None or not np.ptp(counts) or y.shape[-1] < 4:
        plain = ordinary_line(x, y)
        return CouponLine(coarse(plain, resolution), plain)
    line, weight = two_component_line(x, y, counts, within_squares)
    return CouponLine(coarse(line, resolution), relative_line(x, y, weight), weight)


def coarse(line: LineFit, resolution: Any) -> LineFit:
    """A line with the gauge's step counted as a type B part, step^2/12, where the step is larger than the scatter.

    The degrees of freedom stay those of the coupons: rounding hides scatter as well as adding to it.

    Source: `gum` F.2.2.1 for the rectangular part. Up to steps of one scatter the coupons' own scatter tells it well enough.
    """
    step2, spread = np.asarray(resolution, dtype=float) ** 2, np.asarray(line.scale)
    wide = step2 > spread
    if not np.any(wide):
        return line
    scale = spread + wide * step2 / 12.0
    return line_of_moments(line, scale / line.weight_sum, scale / line.sxx, scale, line.t_degrees_of_freedom)


def two_component_line(x: Any, y: Any, counts: Any, within_squares: Any) -> tuple[LineFit, Any]:
    r"""The line where the variance of a coupon's mean is tau^2 + sigma^2/m: between coupons, and m readings.

    The share tau^2/(tau^2 + sigma^2) is not one number: weights are their mean over its restricted likelihood. The variance of the
    line is that of these weights under each share (with the scale the weighted residuals give), averaged over what the F of
    residuals against readings, exact at the true share, says of the share; it is read at eleven shares, even in their logit from
    -4 to 4. What the variance is uncertain by takes degrees of freedom away from n - 2. Where few coupons carry the line and are
    read more often than the rest, only a difference of two scatters tells their own, and 95 % intervals hold between 94 and 97 %.

    Parameters
    ----------
    x, y, counts : float64, (..., n), broadcast
    within_squares : float64, (...)

    Returns
    -------
    LineFit, and the relative weights (..., n), mean one

    Source: restricted likelihood as in `pinheiro2000` ch. 2; exact F of a ratio of two components, `harville1985`, with its
    probabilities read as a distribution of the share; degrees of freedom after `gum` G.4.1 with a further term for the share.
    """
    from scipy.special import fdtrc

    x, y, m = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in (x, y, counts)))
    n = y.shape[-1]
    dof = np.maximum((m - 1.0).sum(-1), m.min(-1))
    shares = 1.0 / (1.0 + np.exp(-np.linspace(-4.0, 4.0, 11)))
    likelihood, variances, below = [], [], []
    least = 1e-18 * np.asarray(y.var(-1))
    within = np.asarray(within_squares, dtype=float)
    readings = np.maximum(within, least) / dof
    for share in shares:
        v = share + (1.0 - share) / m
        fit = relative_line(x, y, 1.0 / v)
        total, sxx, squares = fit.weight_sum, fit.sxx, fit.sum_of_squares
        left = np.maximum(within / (1.0 - share) + squares, least)
        likelihood.append(-0.5 * (dof * np.log1p(-share) + np.log(v).sum(-1) + np.log(total * sxx) + (dof + n - 2) * np.log(left)))
        variances.append(v / v.mean(-1, keepdims=True))
        below.append(fdtrc(n - 2, dof, (1.0 - share) * squares / (n - 2) / readings))
    likely = np.exp(np.stack(likelihood) - np.max(likelihood, axis=0))
    w = sum(p[..., None] / v for p, v in zip(likely / likely.sum(0), variances))
    w = w / w.mean(-1, keepdims=True)
    fit = relative_line(x, y, w)
    dx = x - np.asarray(fit.x_mean)[..., None]
    total, sxx, squares = (np.asarray(a) for a in (fit.weight_sum, fit.sxx, fit.sum_of_squares))
    height = cross = slope = coupon = 0.0
    logs = []
    probability = [high - low for low, high in pairwise([0.0, *below, 1.0])]
    for p, share in zip(probability, [0.0, *((a + b) / 2.0 for a, b in pairwise(shares)), 1.0]):
        v = share + (1.0 - share) / m
        v = v / v.mean(-1, keepdims=True)
        q = w * w * v
        b0, b1, b2 = q.sum(-1), (q * dx).sum(-1), (q * dx * dx).sum(-1)
        each = 1.0 / ((w * v).sum(-1) - b0 / total - b2 / sxx)
        scale = squares * each
        height, cross = height + p * scale * b0 / total**2, cross + p * scale * b1 / (total * sxx)
        slope = slope + p * scale * b2 / sxx**2
        coupon = coupon + p * scale * (1.0 + _MIXED * v.var(-1))
        logs.append(np.log(np.stack([b0, b2]) * each))
    middle = sum(p * v for p, v in zip(probability, logs))
    doubt = sum(p * (v - middle) ** 2 for p, v in zip(probability, logs)).max(0)
    t_dof = 1.0 / (1.0 / (n - 2) + 0.5 * doubt)
    return line_of_moments(fit, height, slope, coupon, t_dof if np.ndim(t_dof) else float(t_dof), cross=cross), w


def stated_line(x: Any, y: Any, scatter: CouponLine, *, sigma_y: Any, sigma_x: Any | None = None) -> CouponLine:
    """The line with stated standard uncertainties where the scatter lets them be believed, else the wider of it and `scatter`.

    Believed: at least `ENOUGH` coupons and a chi-squared of probability `BELIEVED` or more. Wider: of the two intervals of the slope.

    Parameters
    ----------
    x, y : float64, (..., n)
    scatter : CouponLine
        The same coupons judged by their own scatter.
    sigma_y, sigma_x : float64, broadcast
        With `sigma_x` both axes have errors (`york_line`).
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    sigma = np.broadcast_to(np.asarray(sigma_y, dtype=float), y.shape)
    if sigma_x is None:
        known, variance = weighted_line(x, y, sigma), sigma**2
    else:
        known = york_line(x, y, sigma_x, sigma)
        variance = sigma**2 + (np.asarray(known.slope)[..., None] * np.asarray(sigma_x)) ** 2
    weight = np.reciprocal(variance)
    weight = weight / weight.mean(-1, keepdims=True)
    own = line_of_moments(known, known.scale / known.weight_sum, known.scale / known.sxx, variance.mean(-1), known.t_degrees_of_freedom)
    doubted = (np.asarray(chi_squared_p(known.sum_of_squares, known.degrees_of_freedom)) < BELIEVED) | (known.n < ENOUGH)
    half = np.asarray(scatter.line.slope_sd) * t_factor(0.95, scatter.line.t_degrees_of_freedom)
    other = doubted & (half > np.asarray(known.slope_sd) * t_factor(0.95, np.inf))
    if not np.ndim(other):
        return CouponLine(scatter.line if other else own, known, weight, not bool(other))
    return CouponLine(either(other, scatter.line, own), known, weight, ~other)


def either(first: np.ndarray, a: LineFit, b: LineFit) -> LineFit:
    """Line a in the lots where `first` holds, line b in the others."""

    def pick(u: Any, v: Any) -> Any:
        return np.where(first, u, v)

    moments = [(f.scale / f.weight_sum, f.scale / f.sxx, f.scale, f.t_degrees_of_freedom, f.x_mean, f.y_mean, f.slope) for f in (a, b)]
    height, slope, coupon, dof, x_mean, y_mean, b1 = (pick(u, v) for u, v in zip(*moments))
    like = replace(a, x_mean=x_mean, y_mean=y_mean, slope=b1)
    return line_of_moments(like, height, slope, coupon, dof)


def with_earlier_lots(own: LineFit, mean: Any, covariance: Any, origin: Any) -> tuple[LineFit, Any]:
    """A line with what earlier lots say of it: their mean (height at `origin`, slope) and covariance in the same units.

    Precisions add. Scatter and degrees of freedom stay those of the new coupons alone, so that a lot that scatters more than
    earlier ones is not flattered; the weight returned is the share of earlier lots in the precision of the line in use.

    Parameters
    ----------
    own : LineFit
    mean : float64, (..., 2)
    covariance : float64, (..., 2, 2)
    origin : float64, (...)

    Source: `gelman2013` section 3.5 (normal mean with known covariance), with Student's t of the coupons for the scatter.
    """
    m0, c0 = np.asarray(mean, dtype=float), np.asarray(covariance, dtype=float)
    away = np.asarray(origin) - np.asarray(own.x_mean)
    least = np.square(1e-9 * np.asarray(own.slope))  # an exact line outweighs everything earlier
    # own precision about the origin, from its uncorrelated height at the centre and slope
    p, q = 1.0 / np.maximum(own.scale / own.weight_sum, least), 1.0 / np.maximum(own.scale / own.sxx, least)
    mine = np.stack([np.stack([p, -away * p], -1), np.stack([-away * p, away**2 * p + q], -1)], -2)
    at = np.stack([own.y_mean + own.slope * away, np.asarray(own.slope) + 0.0 * away], -1)
    earlier = np.linalg.inv(c0)
    together = np.linalg.inv(mine + earlier)
    said = np.einsum("...ij,...j->...i", mine, at) + np.einsum("...ij,...j->...i", earlier, m0)
    best = np.einsum("...ij,...j->...i", together, said)
    weight = 0.5 * np.trace(together @ earlier, axis1=-2, axis2=-1)
    like = replace(own, x_mean=origin, y_mean=best[..., 0][()], slope=best[..., 1][()], uncertainties="with earlier lots")
    (height, cross), (_, slope) = np.moveaxis(together, (-2, -1), (0, 1))
    line = line_of_moments(like, height, slope, own.scale, own.t_degrees_of_freedom, cross=cross)
    return line, weight[()]
