"""Sums that stand for integrals of smooth functions: the nodes and weights of Gauss and Legendre."""

from __future__ import annotations

from functools import cache

import numpy as np

__all__ = ["gauss_legendre"]


def gauss_legendre(low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights between two ends, so many that bells a twentieth as wide as the range are integrated to rounding.

    >>> x, weight = gauss_legendre(0.0, 2.0)
    >>> f"{weight @ x**3:.12f}"
    '4.000000000000'
    """
    nodes, weights = _standard()
    half = (high - low) / 2.0
    return low + half * (1.0 + nodes), half * weights


@cache
def _standard() -> tuple[np.ndarray, np.ndarray]:
    return np.polynomial.legendre.leggauss(150)
