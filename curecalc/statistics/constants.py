"""Control-chart constants for samples of n from a normal distribution, computed rather than tabled."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from functools import cache

import numpy as np

from ..units import count
from .quadrature import gauss_legendre

__all__ = ["ChartConstants", "chart_constants"]


@dataclass(frozen=True)
class ChartConstants:
    """Constants of a sample of `n`, in units of the standard deviation.

    `d2` and `d3` are mean and standard deviation of the range, `c4` the mean of the sample standard deviation. The others
    give three-sigma limits: `A2` and `A3` for means from range and standard deviation, `D3` and `D4` for ranges, `B3`
    and `B4` for standard deviations, `E2` for individual values from the moving range.
    """

    n: int
    d2: float
    d3: float
    c4: float
    A2: float
    D3: float
    D4: float
    A3: float
    B3: float
    B4: float
    E2: float

    def to_dict(self) -> dict[str, float]:
        """The constants by name."""
        return asdict(self)


@cache
def chart_constants(n: int) -> ChartConstants:
    r"""Constants of control charts for samples of n, 2 to 100.

    The range W has the distribution P(W < r) = n int phi(x) [F(x + r) - F(x)]^(n - 1) dx, F the normal distribution function;
    d2 = int P(W > r) dr, and its mean square is 2 int r P(W > r) dr. c4 = sqrt(2/(n-1)) Gamma(n/2)/Gamma((n-1)/2).
    Good to 1e-9.

    Source: `nist_handbook` 6.3.2. Valid for independent normal readings.

    >>> k = chart_constants(2)
    >>> f"{k.d2:.6f} {k.c4:.6f} {k.E2:.4f}"
    '1.128379 0.797885 2.6587'
    """
    n = count("n", n, minimum=2)
    if n > 100:
        raise ValueError("n must be at most 100")
    from scipy.special import ndtr, ndtri

    edge = float(-ndtri(np.finfo(float).eps))  # beyond it there is nothing to integrate
    (x, dx), (r, dr) = gauss_legendre(-edge, edge), gauss_legendre(0.0, edge + edge)
    below = (dx * np.exp(-x * x / 2.0)) @ (ndtr(x[:, None] + r) - ndtr(x)[:, None]) ** (n - 1)
    wider = 1.0 - n / math.sqrt(2.0 * math.pi) * below
    d2 = float(dr @ wider)
    d3 = math.sqrt(2.0 * float(dr @ (r * wider)) - d2 * d2)
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))
    spread = 3.0 * math.sqrt(1.0 - c4 * c4) / c4
    return ChartConstants(
        n=n,
        d2=d2,
        d3=d3,
        c4=c4,
        A2=3.0 / (d2 * math.sqrt(n)),
        D3=max(0.0, 1.0 - 3.0 * d3 / d2),
        D4=1.0 + 3.0 * d3 / d2,
        A3=3.0 / (c4 * math.sqrt(n)),
        B3=max(0.0, 1.0 - spread),
        B4=1.0 + spread,
        E2=3.0 / d2,
    )
