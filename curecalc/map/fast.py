"""The compiled body of `deposit`, with numba (extra `fast`)."""

from __future__ import annotations

import numba
import numpy as np

from .deposit import weights

__all__ = ["deposit"]

_weights = numba.njit(weights)


@numba.njit(cache=True, nogil=True)
def _add(grid, x, y, e):  # type: ignore[no-untyped-def]
    rows, columns = grid.shape
    for k in range(len(x)):
        fx, fy = np.floor(x[k]), np.floor(y[k])
        if not (fx >= -3.0 and fx < columns + 2.0 and fy >= -3.0 and fy < rows + 2.0):
            continue
        wx, wy = _weights(x[k] - fx), _weights(y[k] - fy)
        ix, iy = int(fx) - 2, int(fy) - 2
        if ix >= 0 and iy >= 0 and ix + 5 < columns and iy + 5 < rows:
            for j in range(6):
                ej = wy[j] * e[k]
                for i in range(6):
                    grid[iy + j, ix + i] += ej * wx[i]
        else:
            for j in range(max(0, -iy), min(6, rows - iy)):
                ej = wy[j] * e[k]
                for i in range(max(0, -ix), min(6, columns - ix)):
                    grid[iy + j, ix + i] += ej * wx[i]


def deposit(grid: np.ndarray, x: np.ndarray, y: np.ndarray, e: np.ndarray) -> None:
    """As `curecalc.map.deposit.deposit`, compiled; the same numbers to rounding."""
    _add(grid, x, y, e)
