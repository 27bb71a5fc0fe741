"""Intervals: Student t, exact sets for a ratio, and the x at which a line reaches a wanted y."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .line import LineFit

__all__ = ["Inverse", "chi_squared_p", "f_p", "inverse", "slope_interval", "t_factor", "t_p", "t_quantile", "t_tail"]

BOUNDED, OUTSIDE, EVERYTHING = "bounded", "outside", "everything"


def t_quantile(probability: Any, degrees_of_freedom: Any) -> Any:
    """Quantile of Student's t; the normal distribution where the degrees of freedom are infinite.

    >>> f"{t_quantile(0.975, 2):.3f} {t_quantile(0.975, float('inf')):.3f}"
    '4.303 1.960'
    """
    from scipy.special import stdtrit

    return stdtrit(np.asarray(degrees_of_freedom, dtype=float), probability)[()]


def t_factor(confidence: float, degrees_of_freedom: Any) -> Any:
    """Two-sided coverage factor of Student's t: 12.706 for one degree of freedom at 95 %, 1.960 for infinitely many."""
    return t_quantile(0.5 + 0.5 * confidence, degrees_of_freedom)


def t_tail(t: Any, degrees_of_freedom: Any) -> Any:
    """Probability that Student's t lies above this."""
    from scipy.special import stdtr

    return stdtr(np.asarray(degrees_of_freedom, dtype=float), -np.asarray(t))[()]


def t_p(t: Any, degrees_of_freedom: Any) -> Any:
    """Two-sided p value of Student's t."""
    return 2.0 * t_tail(np.abs(t), degrees_of_freedom)


def f_p(f: Any, numerator: Any, denominator: Any) -> Any:
    """Probability of an F at least this large by chance."""
    from scipy.special import chdtrc, fdtrc

    if np.isscalar(denominator) and not np.isfinite(denominator):
        return chdtrc(numerator, np.asarray(f, dtype=float) * numerator)[()]
    return fdtrc(numerator, denominator, np.asarray(f, dtype=float))[()]


def chi_squared_p(chi_squared: Any, degrees_of_freedom: Any) -> Any:
    """Probability of a chi-squared at least this large by chance."""
    from scipy.special import chdtrc

    return chdtrc(degrees_of_freedom, np.asarray(chi_squared, dtype=float))[()]


def slope_interval(fit: LineFit, confidence: float = 0.95) -> tuple[Any, Any]:
    """Student t interval of the slope."""
    half = t_factor(confidence, fit.t_degrees_of_freedom) * np.asarray(fit.slope_sd)
    return (fit.slope - half)[()], (fit.slope + half)[()]


@dataclass(frozen=True)
class Inverse:
    """The x at which a line reaches a wanted y.

    Attributes
    ----------
    value, standard_error : float64
        Estimate and its first-order standard uncertainty.
    low, high : float64
        Ends of the exact confidence set; minus and plus infinity where `kind` is not `bounded`.
    half_width : float64
        Of the first-order interval, t times the standard error.
    g : float64
        (t times the slope's relative standard uncertainty) squared. At 1 and above the slope is not told from zero and the
        exact set is unbounded.
    kind : str
        `bounded`; `outside`: the set is everything except the gap between `gap_low` and `gap_high`; `everything`.
        An array of them over leading axes.
    """

    value: Any
    standard_error: Any
    low: Any
    high: Any
    half_width: Any
    g: Any
    kind: Any
    gap_low: Any
    gap_high: Any


def inverse(fit: LineFit, y: Any, *, future_variance: Any = 0.0, confidence: float = 0.95) -> Inverse:
    r"""The x at which the line reaches `y`, with its exact (Fieller) confidence set.

    Parameters
    ----------
    fit : LineFit
    y : float64
        Wanted value, broadcast against the fit's leading axes.
    future_variance : float64
        Variance of `y` itself: 0 for the mean response, `fit.scale` for one future point, `fit.scale / m` for the mean of m.
    confidence : float

    Returns
    -------
    Inverse

    Source: `graybill1994` section 6.11 and `fieller1954`; with d = x0 - xbar the limits are
    xbar + [d +- (t s/|b|) sqrt(d^2/Sxx + (1-g)(1/m + 1/n))]/(1-g). Exact for normal errors; unbounded sets are reported
    as such, never cut.

    >>> from curecalc.statistics.line import ordinary_line
    >>> fit = ordinary_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 4.0, 6.0])
    >>> f"{inverse(fit, 3.5).value:.2f} {inverse(fit, 3.5, confidence=0.9).low:.2f}"
    '1.50 1.20'
    """
    y = np.asarray(y, dtype=float)
    t = t_factor(confidence, fit.t_degrees_of_freedom)
    slope, scale = np.asarray(fit.slope), np.asarray(fit.scale)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        d = (y - fit.y_mean) / slope
        level = scale / fit.weight_sum + np.asarray(future_variance, dtype=float)
        spread = scale / fit.sxx
        error = np.sqrt(level + d**2 * spread) / np.abs(slope)
        g = t**2 * spread / slope**2
        inside = d**2 * spread + (1.0 - g) * level
        root = t / np.abs(slope) * np.sqrt(inside)
        first, second = (d - root) / (1.0 - g), (d + root) / (1.0 - g)
        low, high = fit.x_mean + np.minimum(first, second), fit.x_mean + np.maximum(first, second)
    bounded = g < 1.0
    everything = ~bounded & ~np.isfinite(first)
    kind = np.where(bounded, BOUNDED, np.where(everything, EVERYTHING, OUTSIDE))
    nan = np.full(np.shape(low), np.nan)
    gap = kind == OUTSIDE
    return Inverse(
        value=(fit.x_mean + d)[()],
        standard_error=error[()],
        low=np.where(bounded, low, -np.inf)[()],
        high=np.where(bounded, high, np.inf)[()],
        half_width=(t * error)[()],
        g=g[()],
        kind=str(kind) if kind.ndim == 0 else kind,
        gap_low=np.where(gap, low, nan)[()],
        gap_high=np.where(gap, high, nan)[()],
    )
