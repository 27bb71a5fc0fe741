"""Several lines side by side: same slope, same height, and whether a difference at one place is small enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from .intervals import f_p, t_quantile, t_tail
from .line import LineFit, mean_sd, ordinary_line, value_at

__all__ = ["Difference", "FTest", "LinesComparison", "compare_fits", "compare_lines", "difference_at", "log_exposure_change"]


@dataclass(frozen=True)
class FTest:
    """An F test: the statistic, its degrees of freedom, and the chance of one at least as large."""

    f: float
    p: float
    numerator: int
    denominator: int


@dataclass(frozen=True)
class LinesComparison:
    """F tests over two or more lines.

    Attributes
    ----------
    slopes : FTest
        Separate slopes against one common slope, with separate heights.
    intercepts : FTest
        Given one common slope: separate heights against one line.
    coincidence : FTest
        Separate lines against one line for all.
    common_slope, common_slope_sd, residual_sd : float
        Of the parallel lines; the scatter pooled over the separate lines.
    degrees_of_freedom : int
        Of the pooled scatter.
    slope_difference_t : float
        Second minus first slope over its standard uncertainty, for two lines; NaN otherwise.
    """

    slopes: FTest
    intercepts: FTest
    coincidence: FTest
    common_slope: float
    common_slope_sd: float
    residual_sd: float
    degrees_of_freedom: int
    slope_difference_t: float


def compare_lines(lots: Sequence[tuple[Any, Any]]) -> LinesComparison:
    """Compare the straight lines of several lots by nested F tests.

    Parameters
    ----------
    lots : sequence of (x, y)
        At least two lots of at least three points each.

    Source: `weisberg2005` section 6.2 (nested models); checked against the two-line data `whiteside`. Valid while the
    lots scatter alike about their own lines.
    """
    return compare_fits([ordinary_line(x, y) for x, y in lots])


def compare_fits(fits: Sequence[LineFit]) -> LinesComparison:
    """Like `compare_lines`, from ordinary lines already fitted: their centres, spreads and residual squares suffice."""
    if len(fits) < 2:
        raise QuantityError(f"a comparison needs at least two lots, got {len(fits)}. Name an old and a new one.")
    k, n = len(fits), sum(f.n for f in fits)
    separate, dof = sum(f.sum_of_squares for f in fits), n - 2 * k
    sxx = sum(f.sxx for f in fits)
    common = sum(f.slope * f.sxx for f in fits) / sxx
    parallel = separate + sum((f.slope - common) ** 2 * f.sxx for f in fits)
    x_mean = sum(f.n * f.x_mean for f in fits) / n
    y_mean = sum(f.n * f.y_mean for f in fits) / n
    dx = np.array([f.x_mean - x_mean for f in fits])
    dy = np.array([f.y_mean - y_mean for f in fits])
    counts = np.array([f.n for f in fits], dtype=float)
    txx = sxx + float(counts @ dx**2)
    txy = common * sxx + float(counts @ (dx * dy))
    # residual sum of squares of one line for all = parallel + what the lot means add about it
    slope = txy / txx
    together = parallel + (slope - common) ** 2 * sxx + float(counts @ (dy - slope * dx) ** 2)
    scatter = separate / dof
    difference_t = float("nan")
    if k == 2:
        old, new = fits
        with np.errstate(divide="ignore", invalid="ignore"):
            difference_t = float(np.divide(new.slope - old.slope, np.sqrt(scatter * (1.0 / old.sxx + 1.0 / new.sxx))))
    return LinesComparison(
        slopes=_test(parallel - separate, k - 1, separate, dof),
        intercepts=_test(together - parallel, k - 1, parallel, n - k - 1),
        coincidence=_test(together - separate, 2 * (k - 1), separate, dof),
        common_slope=float(common),
        common_slope_sd=float(np.sqrt(parallel / (n - k - 1) / sxx)),
        residual_sd=float(np.sqrt(scatter)),
        degrees_of_freedom=dof,
        slope_difference_t=difference_t,
    )


def _test(more: float, numerator: int, squares: float, denominator: int) -> FTest:
    more = max(more, 0.0)
    f = more / numerator / (squares / denominator) if squares > 0 else (float("inf") if more > 0 else 0.0)
    return FTest(float(f), float(f_p(f, numerator, denominator)), numerator, denominator)


@dataclass(frozen=True)
class Difference:
    """A difference with its uncertainty, interval, and the two one-sided tests against a tolerance (NaN without one)."""

    value: Any
    standard_uncertainty: Any
    degrees_of_freedom: Any
    low: Any
    high: Any
    equivalence_p: Any
    equivalent: Any


def difference_at(old: LineFit, new: LineFit, x: Any, *, tolerance: Any = float("nan"), confidence: float = 0.95) -> Difference:
    """New minus old line at x, and whether it stays inside +-tolerance.

    The interval runs from one one-sided bound at `confidence` to the other (so it holds 2 confidence - 1); it lies
    inside the tolerance exactly when both one-sided tests reject (equivalence at level 1 - confidence). The variances
    of the lots are kept apart (Welch), with the degrees of freedom of Satterthwaite.

    Source: `schuirmann1987`; `gum` G.4.1 for the degrees of freedom.
    """
    value = value_at(new, x) - value_at(old, x)
    return _difference(value, (mean_sd(old, x), mean_sd(new, x)), (old, new), tolerance, confidence)


def log_exposure_change(old: LineFit, new: LineFit, y: Any, *, confidence: float) -> Difference:
    """ln of (exposure the new lot needs for depth y over that of the old lot), first order, intervals as `difference_at`."""
    x_old = old.x_mean + (y - old.y_mean) / old.slope
    x_new = new.x_mean + (y - new.y_mean) / new.slope
    sds = (mean_sd(old, x_old) / np.abs(old.slope), mean_sd(new, x_new) / np.abs(new.slope))
    return _difference(x_new - x_old, sds, (old, new), np.nan, confidence)


def _difference(value: Any, sds: tuple[Any, Any], fits: tuple[LineFit, LineFit], tolerance: Any, confidence: float) -> Difference:
    variances = [np.asarray(s) ** 2 for s in sds]
    total = variances[0] + variances[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = sum(v**2 / f.t_degrees_of_freedom for v, f in zip(variances, fits))
        dof = np.where(share > 0, total**2 / share, np.inf)
        sd = np.sqrt(total)
        t = t_quantile(confidence, dof)
        low, high = value - t * sd, value + t * sd
        upper, lower = (tolerance - value) / sd, (tolerance + value) / sd
        p = np.maximum(t_tail(upper, dof), t_tail(lower, dof))
        p = np.where(np.isnan(tolerance), np.nan, p)
    inside = (low > -np.asarray(tolerance)) & (high < np.asarray(tolerance))
    return Difference(value, sd[()], dof[()], low, high, p[()], bool(inside) if np.ndim(inside) == 0 else inside)
