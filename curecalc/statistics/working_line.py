"""A working curve as plain numbers: what the fit, the resin file and the recipe share. Kernels over `LineFit`.

x is ln of the exposure in mJ/cm^2, y the depth in mm, so the slope is Dp and the zero of the line ln Ec.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import NoSolution, QuantityError
from .intervals import t_factor, t_quantile
from .line import LineFit, mean_sd, prediction_sd

__all__ = [
    "WorkingLine",
    "assured_log_exposure",
    "bands",
    "correlation",
    "covariance",
    "depth_at",
    "line_of",
    "log_threshold",
    "log_threshold_sd",
    "working_line",
]


@dataclass(frozen=True)
class WorkingLine:
    """The numbers that fix a fitted working curve and everything one may infer from it.

    Attributes
    ----------
    penetration_depth : float
        Dp (mm).
    log_threshold : float
        ln(Ec / 1 mJ cm^-2).
    x_mean : float
        Centre of gravity of x = ln(E / 1 mJ cm^-2).
    mean_variance : float
        Variance of the depth of the mean at the centre (mm^2).
    slope_variance : float
        Variance of Dp (mm^2); height at the centre and slope are uncorrelated.
    coupon_variance : float
        Variance of one coupon (or one layer) about the line (mm^2).
    t_degrees_of_freedom : float
        Of Student's t; infinite for stated uncertainties.
    x_low, x_high : float
        Range of x the coupons covered.
    """

    penetration_depth: float
    log_threshold: float
    x_mean: float
    mean_variance: float
    slope_variance: float
    coupon_variance: float
    t_degrees_of_freedom: float
    x_low: float
    x_high: float


def working_line(fit: LineFit, *, x_low: float, x_high: float) -> WorkingLine:
    """The working line of a fit of one lot."""
    if not fit.slope > 0:
        raise QuantityError(_not_rising(fit.slope))
    return WorkingLine(
        penetration_depth=float(fit.slope),
        log_threshold=float(log_threshold(fit)),
        x_mean=float(fit.x_mean),
        mean_variance=float(fit.scale / fit.weight_sum),
        slope_variance=float(fit.scale / fit.sxx),
        coupon_variance=float(fit.scale),
        t_degrees_of_freedom=float(fit.t_degrees_of_freedom),
        x_low=float(x_low),
        x_high=float(x_high),
    )


def _not_rising(slope: float) -> str:
    return (
        f"thickness does not rise with exposure: the fitted slope is {slope:.4g} mm. Check that the columns are not swapped "
        "and that each exposure belongs to its coupon."
    )


def line_of(line: WorkingLine) -> LineFit:
    """The same numbers as a `LineFit` (scale 1), for the functions that take one."""
    height = line.penetration_depth * (line.x_mean - line.log_threshold)
    return LineFit(
        slope=line.penetration_depth,
        intercept=-line.penetration_depth * line.log_threshold,
        slope_sd=float(np.sqrt(line.slope_variance)),
        intercept_sd=float(np.sqrt(line.mean_variance + line.x_mean**2 * line.slope_variance)),
        covariance=-line.x_mean * line.slope_variance,
        correlation=float("nan"),
        residual_sd=float(np.sqrt(line.coupon_variance)),
        degrees_of_freedom=0,
        t_degrees_of_freedom=line.t_degrees_of_freedom,
        sum_of_squares=float("nan"),
        x_mean=line.x_mean,
        y_mean=height,
        sxx=1.0 / line.slope_variance if line.slope_variance else np.inf,
        weight_sum=1.0 / line.mean_variance if line.mean_variance else np.inf,
        scale=1.0,
        n=0,
        uncertainties="as stated",
        residuals=np.empty(0),
        regression_f=float("nan"),
    )


def log_threshold(fit: LineFit) -> Any:
    """ln Ec: where the line reaches zero."""
    return fit.x_mean - fit.y_mean / fit.slope


def log_threshold_sd(fit: LineFit) -> Any:
    """First-order standard uncertainty of ln Ec."""
    d = log_threshold(fit) - fit.x_mean
    return np.sqrt(fit.scale / fit.weight_sum + d**2 * fit.scale / fit.sxx) / np.abs(fit.slope)


def covariance(fit: LineFit) -> Any:
    """Covariance matrix of (Dp, ln Ec), first order; leading axes in front."""
    d = fit.x_mean - log_threshold(fit)
    slope_variance = np.asarray(fit.scale / fit.sxx)
    cross = d / fit.slope * slope_variance
    own = np.asarray(log_threshold_sd(fit)) ** 2
    return np.stack([np.stack([slope_variance, cross], -1), np.stack([cross, own], -1)], -2)


def correlation(fit: LineFit) -> Any:
    """Correlation of Dp and ln Ec, defined (as a limit) for an exact line too."""
    d = fit.x_mean - log_threshold(fit)
    return (d / np.sqrt(d**2 + fit.sxx / fit.weight_sum))[()]


def depth_at(line: WorkingLine, x: Any) -> tuple[Any, Any, Any]:
    """Depth at x, the standard uncertainty of its mean, and that of a single layer (mm)."""
    x = np.asarray(x, dtype=float)
    mean = np.sqrt(line.mean_variance + (x - line.x_mean) ** 2 * line.slope_variance)
    return ((line.penetration_depth * (x - line.log_threshold))[()], mean[()], np.sqrt(mean**2 + line.coupon_variance)[()])


def assured_log_exposure(line: WorkingLine, depth: Any, *, assurance: float = 0.95, single: bool = True, more_variance: Any = 0.0) -> Any:
    """The least x at which the one-sided lower bound of depth reaches `depth`.

    Parameters
    ----------
    line : WorkingLine
    depth : float
        mm; broadcasts.
    assurance : float
        One-sided confidence, 0.5 to 1.
    single : bool
        For one future layer (or coupon) instead of the mean of many.
    more_variance : float
        Further variance of depth (mm^2) from what changes later: power, spot, speed, recoating.

    Raises
    ------
    NoSolution
        The slope is known too badly: at any exposure the bound stays below the wanted depth.

    Source: one-sided Fieller bound, `fieller1954`. With t the quantile of the assurance, c the variance that does not depend
    on x, v that of the slope and d the distance from the centre: (height + Dp d - depth)^2 = t^2 (c + d^2 v), larger root.
    """
    if not 0.5 <= assurance < 1.0:
        raise QuantityError(f"assurance must be at least 0.5 and below 1, got {assurance:g}. A usual value is 0.95.")
    t = float(t_quantile(assurance, line.t_degrees_of_freedom))
    constant = line.mean_variance + (line.coupon_variance if single else 0.0) + np.asarray(more_variance, dtype=float)
    gap = np.asarray(depth, dtype=float) - line.penetration_depth * (line.x_mean - line.log_threshold)
    b, v = line.penetration_depth, line.slope_variance
    lead = b**2 - t**2 * v
    if lead <= 0:
        raise NoSolution(
            f"penetration_depth is not told from zero at an assurance of {assurance:g}: no exposure is sure to reach the depth.",
            limit="coupons",
            remedy="Add coupons over a wider range of exposures.",
        )
    root = gap**2 * v + lead * constant
    return (line.x_mean + (b * gap + t * np.sqrt(root)) / lead)[()]


def bands(fit: LineFit, x: Any, *, confidence: float, coupon_variance: float) -> tuple[Any, Any]:
    """Half-widths at x of the confidence band (mean) and of the prediction band (one coupon)."""
    t = t_factor(confidence, fit.t_degrees_of_freedom)
    return t * mean_sd(fit, x), t * prediction_sd(fit, x, coupon_variance)
