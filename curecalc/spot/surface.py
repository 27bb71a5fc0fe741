"""A smooth surface through a few measured places: a plane, bent as much as the readings ask for. Plain float64.

The surface is a plane plus a quadratic and a thin plate, both of unknown size. Every pair of sizes on a grid is weighed by
its restricted likelihood (the noise integrated out), so a low-order polynomial or a thin plate is chosen by evidence and
the band knows of the choice. Before the readings every order of size of the quadratic counts alike; the plate's standard
deviation is half-Cauchy, so a bump just below what the noise shows keeps its weight in the band, and one far beyond has little.
The band covers places, not readings: noise is not part of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Surface", "surface"]

_SIZES = np.geomspace(1e-3, 1e6, 10)  # how far a part bends the places, as a variance in units of the noise's
_SEEN = 10.0  # size at which readings show a plate well


@dataclass(frozen=True)
class Surface:
    """A weighed mixture of fits; `curved` and `plate` say how much weight stands on a quadratic and on a thin plate larger than
    the noise."""

    places: Any
    middle: Any
    scale: float
    weight: Any
    sizes: Any
    inverse: Any
    right: Any
    variance: Any
    degrees_of_freedom: int
    curved: float
    plate: float

    def at(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Height and its standard uncertainty at places (m,)."""
        q = (np.column_stack([np.ravel(x), np.ravel(y)]) - self.middle) / self.scale
        p = self.places
        bend, plate = _quadratic(q) @ _quadratic(p).T, _plate(q, p)
        own = (_quadratic(q) ** 2).sum(axis=1)
        flat = np.column_stack([np.ones(len(q)), q])
        mean, square = np.zeros(len(q)), np.zeros(len(q))
        for (a, b), inverse, right, variance, w in zip(self.sizes, self.inverse, self.right, self.variance, self.weight, strict=True):
            k = np.column_stack([a * bend + b * plate, flat])
            value = k @ right
            spread = np.maximum(a * own - ((k @ inverse) * k).sum(axis=1), 0.0) * variance
            mean += w * value
            square += w * (spread + value**2)
        return mean, np.sqrt(np.maximum(square - mean**2, 0.0))


def _quadratic(q: Any) -> Any:
    return np.column_stack([q[:, 0] ** 2, math.sqrt(2.0) * q[:, 0] * q[:, 1], q[:, 1] ** 2])


def _plate(q: Any, p: Any) -> Any:
    from scipy.special import xlogy

    square = ((q[:, None, :] - p[None, :, :]) ** 2).sum(axis=2)
    return 0.5 * xlogy(square, square)


def surface(x: Any, y: Any, value: Any, noise: Any = None) -> Surface:
    """Surface through values at places.

    Parameters
    ----------
    x, y, value : float array (n,)
        At least five places that do not stand on one line.
    noise : float array (n,), optional
        Standard deviations of the values relative to each other; equal when left out. Their size is found from the scatter.

    Returns
    -------
    Surface

    Raises
    ------
    ValueError
        Too few places, or all on a line.

    Source: universal kriging with a generalised covariance and restricted likelihood (Wahba, Spline models for observational
    data, 1990) with a half-Cauchy size of the plate (Gelman, Bayesian Analysis 1, 2006), both from memory; checked by
    simulated surfaces.

    >>> u, v = (g.ravel() for g in np.meshgrid(np.linspace(-1, 1, 4), np.linspace(-1, 1, 4)))
    >>> f"{surface(u, v, 2.0 + 0.5 * u - v).at([0.5], [0.5])[0][0]:.3f}"
    '1.750'
    """
    places = np.column_stack([x, y]).astype(np.float64)
    n = len(places)
    if n < 5:
        raise ValueError(f"{n} places are too few for a map. Measure at least five: the middle and four corners.")
    middle = places.mean(axis=0)
    scale = max(float(np.max(np.ptp(places, axis=0))) / 2.0, 1e-300)
    q = (places - middle) / scale
    flat = np.column_stack([np.ones(n), q])
    left, size, _ = np.linalg.svd(flat)
    if size[-1] < 0.05 * size[0]:
        raise ValueError("all places stand on one line, so they say nothing about the field beside it. Add places to both sides.")
    rest = left[:, 3:]
    z = np.asarray(value, dtype=np.float64)
    own = np.ones(n) if noise is None else (np.asarray(noise, dtype=np.float64) / np.sqrt(np.mean(np.square(noise)))) ** 2
    bend, plate = _quadratic(q) @ _quadratic(q).T, _plate(q, q)
    dof = n - 3
    grid = np.array([(a, b) for a in _SIZES for b in _SIZES])
    sizes = grid * [dof / float(np.sum((k @ rest) * rest)) for k in (bend, plate)]
    inner = rest.T @ (np.diag(own) + sizes[:, :1, None] * bend + sizes[:, 1:, None] * plate) @ rest
    _, log_size = np.linalg.slogdet(inner)
    bent = rest.T @ z
    square = np.linalg.solve(inner, np.broadcast_to(bent[:, None], (len(sizes), dof, 1)))[:, :, 0] @ bent
    square = np.maximum(square, max(1e-24 * float(z @ z), 1e-60))
    score = np.log(np.sqrt(grid[:, 1]) / (_SEEN + grid[:, 1])) - 0.5 * log_size - 0.5 * dof * np.log(square)
    weight = np.exp(score - score.max())
    keep = weight > 1e-4
    chosen, weight = sizes[keep], weight[keep] / weight[keep].sum()
    whole = np.zeros((len(chosen), n + 3, n + 3))
    whole[:, :n, :n] = np.diag(own) + chosen[:, :1, None] * bend + chosen[:, 1:, None] * plate
    whole[:, :n, n:], whole[:, n:, :n] = flat, flat.T
    inverse = np.linalg.inv(whole)
    curved, plated = (float(k) for k in weight @ (grid[keep] > 1.0))
    return Surface(
        places=q,
        middle=middle,
        scale=scale,
        weight=weight,
        sizes=chosen,
        inverse=inverse,
        right=inverse[:, :, :n] @ z,
        variance=square[keep] / dof,
        degrees_of_freedom=dof,
        curved=curved,
        plate=plated,
    )
