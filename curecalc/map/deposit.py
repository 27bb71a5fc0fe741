"""Points with energy on a grid, by a quintic B-spline, and the filter after it. One seam, `Body`: numpy here, compiled, or a graphics card.

All bodies give the same numbers: they add the same products and differ only in the order of sums.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np

from .beam import HALF, ORDER, Beam
from .points import Legs, even_points

__all__ = ["BASE", "Body", "best_body", "deposit", "lines", "smooth", "weights"]


class _Deposit(Protocol):
    def __call__(self, grid: np.ndarray, x: np.ndarray, y: np.ndarray, e: np.ndarray) -> None: ...


class _Lines(Protocol):
    def __call__(
        self, grid: np.ndarray, corner: tuple[float, float], pixel: float, legs: Legs, beam: Beam, near: tuple[float, float, float, float]
    ) -> None: ...


class _Smooth(Protocol):
    def __call__(self, grid: np.ndarray, across: np.ndarray, down: np.ndarray, margin: int, total: np.ndarray) -> None: ...


@dataclass(frozen=True)
class Body:
    """What adds points, what adds straight pieces run at even speed, and what filters."""

    deposit: _Deposit
    lines: _Lines
    smooth: _Smooth


def weights(d: np.ndarray) -> tuple[np.ndarray, ...]:
    """The quintic B-spline's six weights for a point d of a pixel (0 to 1) past a pixel's centre, from two pixels before it on."""
    e = 1.0 - d
    d2, e2, p, q = d * d, e * e, 1.0 + d, 1.0 + e
    d5, e5, p2, q2 = d2 * d2 * d, e2 * e2 * e, p * p, q * q
    return (
        e5 / 120.0,
        (q2 * q2 * q - 6.0 * e5) / 120.0,
        (66.0 - 60.0 * d2 + 30.0 * d2 * d2 - 10.0 * d5) / 120.0,
        (66.0 - 60.0 * e2 + 30.0 * e2 * e2 - 10.0 * e5) / 120.0,
        (p2 * p2 * p - 6.0 * d5) / 120.0,
        d5 / 120.0,
    )


def deposit(grid: np.ndarray, x: np.ndarray, y: np.ndarray, e: np.ndarray) -> None:
    """Add doses e at places x, y (in pixels; pixel centres are whole numbers) to the grid; points beyond it add what falls inside.

    The base body, in numpy.
    """
    rows, columns = grid.shape
    wide = np.zeros((rows + 2 * ORDER, columns + 2 * ORDER))
    flat = wide.reshape(-1)
    # what lies farther away is moved to where it adds nothing either
    x, y = np.clip(x, -HALF, columns - 1 + HALF), np.clip(y, -HALF, rows - 1 + HALF)
    fx, fy = np.floor(x), np.floor(y)
    wx, wy = weights(x - fx), weights(y - fy)
    first = (fy.astype(np.int64) + ORDER - 2) * wide.shape[1] + fx.astype(np.int64) + ORDER - 2
    for j, down in enumerate(wy):
        for i, across in enumerate(wx):
            np.add.at(flat, first + j * wide.shape[1] + i, down * e * across)
    grid += wide[ORDER:-ORDER, ORDER:-ORDER]


def lines(
    grid: np.ndarray, corner: tuple[float, float], pixel: float, legs: Legs, beam: Beam, near: tuple[float, float, float, float]
) -> None:
    """Add the points of straight pieces (mm) that run near the grid, whose first pixel lies at `corner`."""
    for x, y, e in even_points(legs, beam, near):
        deposit(grid, (x - corner[0]) / pixel, (y - corner[1]) / pixel, e)


def smooth(grid: np.ndarray, across: np.ndarray, down: np.ndarray, margin: int, total: np.ndarray) -> None:
    """Add to `total` the grid within its margin, filtered by weights from the middle outwards along rows and down columns."""
    from scipy.ndimage import correlate1d

    for axis, half in ((1, across), (0, down)):
        grid = correlate1d(grid, np.concatenate([half[:0:-1], half]), axis=axis, mode="constant")
    total += grid[margin:-margin, margin:-margin]


BASE = Body(deposit, lines, smooth)


@cache
def best_body() -> Body:
    """The compiled body where numba is installed, else numpy's."""
    try:
        from . import fast
    except ImportError:
        return BASE
    return Body(fast.deposit, fast.lines, fast.smooth)
