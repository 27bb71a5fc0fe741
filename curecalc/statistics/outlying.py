"""Points that do not belong to a line, one, two or three together, so that none hides the others. Pure numpy."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Any

import numpy as np

from ..errors import QuantityError
from .intervals import f_p
from .line import LineFit, ordinary_line, relative_line

__all__ = ["LEVELS", "Outlying", "fit_of", "outlying"]

LEVELS = (0.020, 0.028, 0.004)
"""Chance at which a lot without any odd coupon is said to have one, two or three: together below 4 %, pinned by simulation."""
_MOST_SUBSETS = comb(32, 3)


@dataclass(frozen=True)
class Outlying:
    """Points `index` that lie `away` from the line `rest` of the others; `p` allows for all the sets looked at.

    `studentised` is each point's distance over its standard uncertainty, both from the others.
    """

    index: tuple[int, ...]
    away: tuple[float, ...]
    studentised: tuple[float, ...]
    p: float
    rest: LineFit


def outlying(x: Any, y: Any, weight: Any | None = None, *, levels: tuple[float, ...] = LEVELS) -> Outlying | None:
    """The set of at most a quarter of the points (one at least, three at most) that most surely does not belong; None if none does.

    For each size k all sets are tried: F = (drop of the residual squares / k) / (what is left / (n - 2 - k)), its p value times the
    number of sets, times (6/n)^((k-1)/2) because sets share points (simulated, within a tenth for 6 to 20 points). Of the sizes
    whose p is below its level the one furthest below is taken.

    Parameters
    ----------
    x, y : float64, (n,)
    weight : float64, (n,), optional
        Relative weights.

    Source: deletion of subsets as in `belsley1980` section 2.1; for k = 1 the externally studentised residual with Bonferroni.

    >>> x = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    >>> outlying(x, [0.0, 1.1, 1.9, 3.0, 9.0, 5.1]).index
    (4,)
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n = x.size
    root = np.ones(n) if weight is None else np.sqrt(np.asarray(weight, dtype=float))
    design = np.stack([root, root * (x - x.mean())], -1)
    basis = np.linalg.qr(design)[0]
    residual = root * y - basis @ (basis.T @ (root * y))
    squares = float(residual @ residual)
    if squares == 0.0:
        return None
    found: list[tuple[float, int, float, tuple[int, ...]]] = []
    for k in range(1, min(len(levels), n // 4) + 1):
        if k > 1 and comb(n, k) > _MOST_SUBSETS:
            break
        sets = np.array(list(combinations(range(n), k)))
        inner = np.eye(k) - basis[sets] @ np.swapaxes(basis[sets], -1, -2)
        mine = residual[sets]
        drop = np.einsum("si,sij,sj->s", mine, np.linalg.pinv(inner, hermitian=True), mine)
        i = np.argmax(drop)
        rest = max(squares - float(drop[i]), np.finfo(float).eps * squares)
        f = drop[i] / k / (rest / (n - 2 - k))
        p = min(1.0, float(f_p(f, k, n - 2 - k)) * len(sets) * (6.0 / n) ** (0.5 * (k - 1)))
        if p < levels[k - 1]:
            found.append((p / levels[k - 1], k, p, tuple(sets[i].tolist())))
    if not found:
        return None
    *_, p, index = min(found)
    return _described(x, y, weight, index, p)


def _described(x: np.ndarray, y: np.ndarray, weight: Any | None, index: tuple[int, ...], p: float) -> Outlying | None:
    keep = np.ones(x.size, dtype=bool)
    keep[list(index)] = False
    rest = fit_of(x, y, weight, keep)
    if rest is None:
        return None
    at = np.array(index)
    away = y[at] - rest.y_mean - rest.slope * (x[at] - rest.x_mean)
    mine = np.ones(at.size) if weight is None else np.asarray(weight)[at]
    sd = np.sqrt(rest.scale * (1.0 / mine + 1.0 / rest.weight_sum + (x[at] - rest.x_mean) ** 2 / rest.sxx))
    with np.errstate(divide="ignore"):
        return Outlying(index, tuple(away.tolist()), tuple((away / sd).tolist()), p, rest)


def fit_of(x: np.ndarray, y: np.ndarray, weight: Any | None, keep: np.ndarray) -> LineFit | None:
    """The line of the points kept; None where they are too few or at one place."""
    try:
        return ordinary_line(x[keep], y[keep]) if weight is None else relative_line(x[keep], y[keep], np.asarray(weight)[keep])
    except QuantityError:
        return None
