"""Scatter between groups and within them: resin lots and the calibrations of each, days and the readings of each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from .series import numbers

__all__ = ["Components", "between_and_within"]


@dataclass(frozen=True)
class Components:
    """Variance components of one grouping.

    `mean` is the mean of group means weighted by precision; `between` the standard deviation of true group values,
    `within` that of readings of one group. `between` is zero when groups differ no more than their readings explain.
    """

    mean: float
    mean_uncertainty: float
    between: float
    within: float
    groups: int
    readings: int
    p_value: float

    def to_dict(self) -> dict[str, Any]:
        """The components as they stand in JSON."""
        return {
            "mean": self.mean,
            "mean_standard_uncertainty": self.mean_uncertainty,
            "between_sd": self.between,
            "within_sd": self.within,
            "groups": self.groups,
            "readings": self.readings,
            "p_value": self.p_value,
        }


def between_and_within(*, groups: Any, values: Any) -> Components:
    r"""Standard deviations between and within groups by analysis of variance.

    within^2 = MSW; between^2 = (MSB - MSW)/n0 with n0 = (N - sum n_i^2/N)/(a - 1); equal to restricted maximum likelihood
    for groups of equal size whenever it is above zero. Below zero it is reported as zero.

    Parameters
    ----------
    groups : sequence, shape (N,)
        The group of each reading (any labels).
    values : array_like, shape (N,)

    Source: `pinheiro2000` ch. 1 (the rail data). Valid for normal group values and readings of equal scatter.

    >>> c = between_and_within(groups=["a", "a", "b", "b", "c", "c"], values=[1.0, 1.2, 3.0, 3.2, 5.0, 5.2])
    >>> f"{c.between:.3f} {c.within:.3f}"
    '1.997 0.141'
    """
    y = numbers("values", values, minimum=3)
    labels, place = np.unique(np.asarray(list(groups)).astype(str), return_inverse=True)
    if place.size != y.size:
        raise QuantityError(f"groups has {place.size} labels and values {y.size} readings; they must pair up.")
    a, total = labels.size, y.size
    if a < 2 or total <= a:
        raise QuantityError(f"needs at least two groups and two readings in one of them, got {a} groups and {total} readings.")
    n = np.bincount(place).astype(np.float64)
    means = np.bincount(place, weights=y) / n
    grand = float(y.mean())
    msw = float(np.sum((y - means[place]) ** 2)) / (total - a)
    msb = float(np.sum(n * (means - grand) ** 2)) / (a - 1)
    n0 = (total - float(np.sum(n**2)) / total) / (a - 1)
    between2 = max(0.0, (msb - msw) / n0)
    variance = between2 + msw / n
    weights = 1.0 / variance if variance.all() else n
    mean = float(np.sum(weights * means) / np.sum(weights))
    u = math.sqrt(1.0 / float(np.sum(weights))) if variance.all() else 0.0
    return Components(mean, u, math.sqrt(between2), math.sqrt(msw), a, total, _p_value(msb, msw, a - 1, total - a))


def _p_value(msb: float, msw: float, upper: int, lower: int) -> float:
    from scipy.special import fdtrc

    if not msw:
        return float(not msb)
    return float(fdtrc(upper, lower, msb / msw))
