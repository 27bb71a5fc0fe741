"""The compiled body of the map, with numba (extra `fast`): the numbers of `curecalc.map.deposit` to rounding, without arrays between."""

from __future__ import annotations

import numba
import numpy as np

from .beam import Beam
from .deposit import weights
from .points import LONGEST, NODES, Legs

__all__ = ["deposit", "lines", "smooth"]

_compiled = numba.njit(cache=True, nogil=True, error_model="numpy")
_weights = _compiled(weights)


@_compiled
def _put(grid, x, y, e):  # type: ignore[no-untyped-def]
    rows, columns = grid.shape
    fx, fy = np.floor(x), np.floor(y)
    wx, wy = _weights(x - fx), _weights(y - fy)
    ix, iy = int(fx) - 2, int(fy) - 2
    if 0 <= ix <= columns - len(wx) and 0 <= iy <= rows - len(wy):  # all of it inside: the same, unrolled
        a, b, c, d, f, g = wx
        for j in range(len(wy)):
            ej = wy[j] * e
            row = grid[iy + j, ix : ix + len(wx)]
            row[0] += ej * a
            row[1] += ej * b
            row[2] += ej * c
            row[3] += ej * d
            row[4] += ej * f
            row[5] += ej * g
    else:
        for j in range(max(0, -iy), min(len(wy), rows - iy)):
            for i in range(max(0, -ix), min(len(wx), columns - ix)):
                grid[iy + j, ix + i] += wy[j] * e * wx[i]


@_compiled
def _add(grid, x, y, e):  # type: ignore[no-untyped-def]
    for k in range(len(x)):
        _put(grid, x[k], y[k], e[k])


@_compiled
def _clip(start, way, low, high, begin, end):  # type: ignore[no-untyped-def]
    a, b = (low - start) / way, (high - start) / way  # infinite where it stands still
    return max(begin, min(a, b)), min(end, max(a, b))


@_compiled
def _run(grid, left, low, pixel, x0, y0, dx, dy, dose, even, power, change, sigma, whole, w, near, longest, at, weight):  # type: ignore[no-untyped-def]
    x_low, y_low, x_high, y_high = near
    for k in range(len(x0)):
        begin, end = _clip(x0[k], dx[k], x_low, x_high, 0.0, 1.0)
        begin, end = _clip(y0[k], dy[k], y_low, y_high, begin, end)
        if not end >= begin:
            continue
        length = np.sqrt(dx[k] * dx[k] + dy[k] * dy[k]) / sigma
        count = max(np.ceil(length / longest[-1]), 1.0)
        m = np.searchsorted(longest[:-1], length / count) + 1
        if change[k] != 0.0:
            m = len(longest)
        first, last = np.floor(begin * count), min(np.ceil(end * count), count)
        share = 1.0 / count
        for p in range(int(last - first)):
            for i in range(m):
                u = (first + p + at[m, i]) * share
                e = dose[k] if even else whole * (power[k] + change[k] * u) ** w * dose[k]
                _put(grid, (x0[k] + dx[k] * u - left) / pixel, (y0[k] + dy[k] * u - low) / pixel, e * share * weight[m, i])


@_compiled
def _smooth(grid, across, down, margin, total):  # type: ignore[no-untyped-def]
    rows, columns = total.shape
    line = np.empty(grid.shape[1])
    for i in range(rows):
        here = grid[i + margin]
        for j in range(len(line)):
            line[j] = down[0] * here[j]
        for k in range(1, len(down)):
            above, below, h = grid[i + margin - k], grid[i + margin + k], down[k]
            for j in range(len(line)):
                line[j] += h * (above[j] + below[j])
        out, here = total[i], line[margin:]
        for j in range(columns):
            out[j] += across[0] * here[j]
        for k in range(1, len(across)):
            left, right, h = line[margin - k :], line[margin + k :], across[k]
            for j in range(columns):
                out[j] += h * (left[j] + right[j])


def deposit(grid: np.ndarray, x: np.ndarray, y: np.ndarray, e: np.ndarray) -> None:
    """As `curecalc.map.deposit.deposit`."""
    _add(grid, x, y, e)


def lines(
    grid: np.ndarray, corner: tuple[float, float], pixel: float, legs: Legs, beam: Beam, near: tuple[float, float, float, float]
) -> None:
    """As `curecalc.map.deposit.lines`; each point goes straight to the grid."""
    even = not np.any(legs.change)
    dose = beam.dose(legs.power) * legs.time if even else legs.time
    way = (legs.x0, legs.y0, legs.dx, legs.dy, dose, even, legs.power, legs.change)
    _run(grid, *corner, pixel, *way, beam.narrow, beam.whole, beam.w, near, LONGEST, *NODES)


def smooth(grid: np.ndarray, across: np.ndarray, down: np.ndarray, margin: int, total: np.ndarray) -> None:
    """As `curecalc.map.deposit.smooth`, both axes in one pass over the grid."""
    _smooth(grid, across, down, margin, total)
