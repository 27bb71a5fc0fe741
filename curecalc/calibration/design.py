"""How well a set of coupons will pin down the line, before any is exposed. Pure numpy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..statistics.intervals import t_factor

__all__ = ["Expected", "expected", "levels_and_counts", "most_useful"]


@dataclass(frozen=True)
class Expected:
    """Standard uncertainties a plan may be expected to give, and the factors of its 95 % (or other) intervals.

    `slope`, `log_threshold`, `log_exposure` are the standard uncertainties of Dp (mm), ln Ec, and the ln of exposure for
    the wanted depth; `half_width_factor` is Student's t times the mean of the estimated over the true scatter, so that
    factor times standard uncertainty is the mean half-width of an interval. `assured_factor` gives the half-width that is not
    exceeded with the assurance asked for: the scatter of few coupons is itself a matter of chance.
    """

    slope: float
    log_threshold: float
    log_exposure: Any
    degrees_of_freedom: int
    half_width_factor: float
    assured_factor: float

    @property
    def assured_half_width(self) -> float:
        """The relative half-width that is not exceeded with that assurance; not a number where no depth is wanted."""
        return np.nan if self.log_exposure is None else float(self.assured_factor * self.log_exposure)


def expected(
    x: Any,
    *,
    slope: float,
    log_threshold: float,
    scatter: float,
    depth: float | None = None,
    confidence: float = 0.95,
    assurance: float = 0.8,
) -> Expected:
    """Expected standard uncertainties from coupons at x = ln E, given a guess of the line and the scatter of a coupon.

    Parameters
    ----------
    x : float64, (n,)
        Natural logarithms of the exposures, replicates repeated.
    slope, log_threshold : float
        Guessed Dp (mm) and ln Ec.
    scatter : float
        Standard deviation of a coupon's mean thickness about the line (mm).
    depth : float, optional
        Depth whose exposure is wanted.
    assurance : float
        Probability with which a half-width is to be met.

    Source: `gum` H.3; the ratio's variance is carried to the fourth order of the slope's relative uncertainty.
    """
    x = np.asarray(x, dtype=float)
    n = x.size
    if n < 3:
        raise QuantityError(f"a plan needs at least three coupons, got {n}. Add coupons.")
    x_mean, sxx = float(x.mean()), float(n * x.var())
    if np.ptp(x) == 0.0:
        raise QuantityError("a plan needs at least two exposures, got one. Widen the range.")
    threshold = _ratio_sd(log_threshold - x_mean, n, sxx, scatter, slope)
    wanted = None if depth is None else _ratio_sd(log_threshold + depth / slope - x_mean, n, sxx, scatter, slope)
    t = float(t_factor(confidence, n - 2))
    return Expected(scatter / np.sqrt(sxx), threshold, wanted, n - 2, t * _mean_scatter(n - 2), t * _most_scatter(n - 2, assurance))


def _ratio_sd(d: float, n: int, sxx: float, scatter: float, slope: float) -> float:
    c = scatter**2 / (slope**2 * sxx)
    square = d**2 + scatter**2 / (slope**2 * n)
    return float(np.sqrt(square * (1 + 3 * c + 15 * c**2) - d**2 * (1 + c + 3 * c**2) ** 2))


def _most_scatter(dof: int, assurance: float) -> float:
    """Estimated over true scatter, not exceeded with this probability."""
    from scipy.special import chdtri

    return float(np.sqrt(chdtri(dof, 1.0 - assurance) / dof))


def _mean_scatter(dof: int) -> float:
    from scipy.special import gammaln

    return float(np.sqrt(2.0 / dof) * np.exp(gammaln(0.5 * (dof + 1)) - gammaln(0.5 * dof)))


def levels_and_counts(low: float, high: float, coupons: int, levels: int) -> np.ndarray:
    """x of `coupons` over `levels` equally spaced levels; those left over go to the outer levels first, in pairs."""
    where = np.linspace(low, high, levels)
    counts = np.full(levels, coupons // levels)
    place = np.arange(levels)
    outer_first = np.argsort(-np.abs(place - place.mean()), kind="stable")
    counts[outer_first[: coupons % levels]] += 1
    return np.repeat(where, counts)


def most_useful(
    x: Any, low: float, high: float, more: int, *, slope: float, log_threshold: float, scatter: float, depth: float | None
) -> np.ndarray:
    """The next `more` exposures (as x) that bring the wanted uncertainty down most, chosen one after another.

    Without a wanted depth, ln Ec is the aim.
    """
    chosen = np.asarray(x, dtype=float)
    target = log_threshold if depth is None else log_threshold + depth / slope
    for k in range(more):
        if chosen.size < 2:
            chosen = np.append(chosen, low if k else high)
            continue
        # the ends, and the exposure that brings the centre to the target
        candidates = np.array([low, high, np.clip((chosen.size + 1) * target - chosen.sum(), low, high)])
        trials = np.column_stack([np.tile(chosen, (candidates.size, 1)), candidates])
        with np.errstate(divide="ignore"):
            mean = trials.mean(-1)
            away = (target - mean) ** 2 / ((trials - mean[:, None]) ** 2).sum(-1)
        chosen = np.append(chosen, candidates[np.argmin(away)])
    return chosen[np.size(x) :]
