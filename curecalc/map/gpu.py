"""The body of `deposit` for a graphics card, with CuPy (extra `gpu`); and a whole layer there, its points never leaving the card."""

from __future__ import annotations

import math
from typing import Any

import cupy as cp
import numpy as np

from ..errors import QuantityError
from ..paths.vectors import Paths
from .beam import HALF, taps
from .field import Grid, Optics, by_radius
from .points import NODES, even_legs, panels, points

__all__ = ["deposit", "layer_dose"]

_SOURCE = r"""
__device__ void spline(double d, double* w) {
    double e = 1.0 - d, d2 = d * d, e2 = e * e, p = 1.0 + d, q = 1.0 + e;
    double d5 = d2 * d2 * d, e5 = e2 * e2 * e, p2 = p * p, q2 = q * q;
    w[0] = e5 / 120.0;
    w[1] = (q2 * q2 * q - 6.0 * e5) / 120.0;
    w[2] = (66.0 - 60.0 * d2 + 30.0 * d2 * d2 - 10.0 * d5) / 120.0;
    w[3] = (66.0 - 60.0 * e2 + 30.0 * e2 * e2 - 10.0 * e5) / 120.0;
    w[4] = (p2 * p2 * p - 6.0 * d5) / 120.0;
    w[5] = d5 / 120.0;
}
__device__ void put(double* grid, long long rows, long long columns, double x, double y, double e) {
    double fx = floor(x), fy = floor(y);
    if (!(fx >= -3.0 && fx < columns + 2.0 && fy >= -3.0 && fy < rows + 2.0)) return;
    double wx[6], wy[6];
    spline(x - fx, wx);
    spline(y - fy, wy);
    long long ix = (long long)fx - 2, iy = (long long)fy - 2;
    for (int j = 0; j < 6; ++j) {
        if (iy + j < 0 || iy + j >= rows) continue;
        for (int i = 0; i < 6; ++i)
            if (ix + i >= 0 && ix + i < columns) atomicAdd(grid + (iy + j) * columns + ix + i, e * wy[j] * wx[i]);
    }
}
extern "C" __global__ void scatter(double* grid, long long rows, long long columns, const double* x, const double* y, const double* e,
                                   long long n) {
    long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x;
    if (k < n) put(grid, rows, columns, x[k], y[k], e[k]);
}
// one thread a node: `last` counts nodes up to each leg's end
extern "C" __global__ void lines(double* grid, long long rows, long long columns, const double* x0, const double* y0, const double* dx,
                                 const double* dy, const double* dose, const double* share, const double* first, const int* m,
                                 const long long* last, long long legs, const double* at, const double* weight, long long n) {
    long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x;
    if (k >= n) return;
    long long low = 0, high = legs - 1;
    while (low < high) {
        long long middle = (low + high) / 2;
        if (last[middle] > k) high = middle; else low = middle + 1;
    }
    long long own = k - (low ? last[low - 1] : 0);
    int node = m[low] * 8 + (int)(own % m[low]);
    double u = (first[low] + own / m[low] + at[node]) * share[low];
    put(grid, rows, columns, x0[low] + dx[low] * u, y0[low] + dy[low] * u, dose[low] * weight[node]);
}
extern "C" __global__ void spread(const double* from, double* to, long long rows, long long columns, long long step, long long length,
                                  const double* taps, int n, double scale) {
    long long j = blockIdx.x * (long long)blockDim.x + threadIdx.x, i = blockIdx.y;
    if (j >= columns) return;
    long long at = i * columns + j, place = step == 1 ? j : i;
    double sum = taps[0] * from[at];
    for (int k = 1; k < n; ++k) {
        double a = place >= k ? from[at - k * step] : 0.0, b = place + k < length ? from[at + k * step] : 0.0;
        sum += taps[k] * (a + b);
    }
    to[at] = scale * sum;
}
"""
_MODULE = cp.RawModule(code=_SOURCE)
_THREADS = 256


def _launch(name: str, n: int, *args: Any, rows: int = 1) -> None:
    if n:
        _MODULE.get_function(name)((math.ceil(n / _THREADS), rows), (_THREADS,), args)


def deposit(grid: Any, x: Any, y: Any, e: Any) -> None:
    """As `curecalc.map.deposit.deposit`: points from anywhere on a grid of the card, or of the host."""
    there = grid if isinstance(grid, cp.ndarray) else cp.zeros(grid.shape)
    rows, columns = (np.int64(n) for n in grid.shape)
    px, py, pe = (cp.asarray(q, dtype=cp.float64) for q in (x, y, e))
    _launch("scatter", len(x), there, rows, columns, px, py, pe, np.int64(len(x)))
    if there is not grid:
        grid += cp.asnumpy(there)


def _filtered(grid: Any, beam: Any, pixel: float) -> Any:
    rows, columns = grid.shape
    for variance, step, length, scale in zip(beam.variances, (1, columns), (columns, rows), (1.0, pixel**-2)):
        half = cp.asarray(taps(math.sqrt(variance) / pixel))
        out = cp.empty_like(grid)
        sizes = (np.int64(rows), np.int64(columns), np.int64(step), np.int64(length))
        _launch("spread", columns, grid, out, *sizes, half, np.int32(len(half)), np.float64(scale), rows=rows)
        grid = out
    return grid


def layer_dose(paths: Paths, optics: Optics, grid: Grid) -> Any:
    """As `curecalc.map.field.layer_dose`, on the card: an array of CuPy; spots whose axes are those of the grid.

    Raises
    ------
    QuantityError
        A turned spot or a measured picture.
    """
    total = cp.zeros((grid.rows, grid.columns))
    for beam, own in by_radius(paths, optics):
        if not beam.separable:
            raise QuantityError("a turned spot or a measured picture is mapped on the processor: leave the graphics card out.")
        margin = beam.reach(grid.pixel)
        wide = grid.padded(margin)
        energy = cp.zeros((wide.rows, wide.columns))
        near = wide.window(HALF * grid.pixel)
        if optics.scanning.even and not own.recorded:
            _lines(own.scanned, beam, wide, near, energy)
        else:
            for x, y, e in points(own, optics.scanning, beam, near):
                deposit(energy, (x - wide.x0) / grid.pixel, (y - wide.y0) / grid.pixel, e)
        total += _filtered(energy, beam, grid.pixel)[margin:-margin, margin:-margin]
    return cp.maximum(total, 0.0, out=total)


def _lines(one: Paths, beam: Any, wide: Grid, near: tuple[float, float, float, float], energy: Any) -> None:
    legs = even_legs(one)
    m, count, first, last = panels(legs, beam, near)
    lit = np.flatnonzero(m)
    legs, m, count, first, last = legs.chosen(lit), m[lit], count[lit], first[lit], last[lit]
    nodes = np.cumsum(m * (last - first).astype(np.int64))
    number = int(nodes.max(initial=0))
    host = (
        (legs.x0 - wide.x0) / wide.pixel,
        (legs.y0 - wide.y0) / wide.pixel,
        legs.dx / wide.pixel,
        legs.dy / wide.pixel,
        beam.dose(legs.power) * legs.time / count,
        1.0 / count,
        first,
    )
    there = [cp.asarray(a) for a in host]
    sizes = (np.int64(len(m)), *map(cp.asarray, NODES), np.int64(number))
    rows, columns = np.int64(wide.rows), np.int64(wide.columns)
    _launch("lines", number, energy, rows, columns, *there, cp.asarray(m.astype(np.int32)), cp.asarray(nodes), *sizes)
