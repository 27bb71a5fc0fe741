"""A camera frame made small enough to measure: the whole in coarse cells, the beam in cells a sixteenth of its radius wide.

Second moments are sums, so means over cells lose nothing but the cell's own width, which is known and taken out again. The
noise is read from the pixels themselves. Plain float64, mm; x along the columns, y down the rows, from the middle of the
first pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..statistics.steps import step_of

__all__ = ["Cells", "Ground", "block_mean", "ground", "least_radius", "mean_radius", "mend", "middles", "noise_of", "raw_moments", "window"]

_PER_RADIUS, _FEWEST = 16, 24


def least_radius(xx: float, xy: float, yy: float) -> float:
    """The shorter 1/e^2 radius of an ellipse of these second moments; zero where they are none of an ellipse."""
    return 2.0 * math.sqrt(max(0.5 * (xx + yy) - math.hypot(0.5 * (xx - yy), xy), 0.0))


def mean_radius(xx: float, xy: float, yy: float) -> float:
    """The 1/e^2 radius of the round spot of the same area."""
    return 2.0 * (xx * yy - xy * xy) ** 0.25


def _around(shape: Any, pixel: Any, at: Any, variance: Any, reach: float) -> tuple[slice, slice]:
    """Rows and columns within `reach` radii of a place, which counts from the middle of the first pixel."""
    half = reach * 2.0 * np.sqrt([variance[2], variance[0]])
    middle, pitch = np.array(at)[::-1], np.array(pixel)[::-1]
    first, last = np.floor((middle - half) / pitch), np.ceil((middle + half) / pitch) + 1
    rows, columns = (slice(int(a), int(b)) for a, b in np.clip(np.stack([first, last], axis=1), 0, np.array(shape)[:, None]))
    return rows, columns


def block_mean(image: Any, block: int) -> Any:
    """Mean over square blocks of pixels; rows and columns that do not fill a block are left out."""
    z = np.asarray(image)
    rows, columns = z.shape[0] // block * block, z.shape[1] // block * block
    view = z[:rows, :columns].reshape(rows // block, block, columns)
    sums = view.sum(axis=1, dtype=np.uint32 if z.dtype in (np.uint8, np.uint16) else np.float64)
    return sums.reshape(rows // block, columns // block, block).astype(np.float64).sum(axis=2) / (block * block)


def middles(at: Any, block: int) -> Any:
    """Middles of blocks of cells that stand at these places; those that do not fill a block are left out."""
    return at[: at.size // block * block].reshape(-1, block).mean(axis=1)


def raw_moments(z: Any, x: Any, y: Any) -> tuple[float, float, float, float, float, float]:
    """Sum, centroid and second moments (s_xx, s_xy, s_yy) of the light z on the grid of x and y."""
    rows, columns = z.sum(axis=1), z.sum(axis=0)
    total = float(rows.sum())
    mx, my = float(columns @ x) / total, float(rows @ y) / total
    xx = float(columns @ (x - mx) ** 2) / total
    yy = float(rows @ (y - my) ** 2) / total
    xy = float((y - my) @ (z @ (x - mx))) / total
    return total, mx, my, xx, xy, yy


@dataclass(frozen=True)
class Cells:
    """Means over blocks of pixels with the middles of the blocks, mm, the variance of one cell from pixel noise, and the step
    that the pixels' readings stand on (0 where none is seen)."""

    z: Any
    x: Any
    y: Any
    block: int
    noise: Any = None
    step: float = 0.0

    @property
    def pitch(self) -> tuple[float, float]:
        """Width and height of a cell."""
        return float(self.x[1] - self.x[0]), float(self.y[1] - self.y[0])

    def around(self, centre: Any, variance: Any, reach: float) -> tuple[slice, slice]:
        """Rows and columns of the cells within `reach` radii of a centre."""
        return _around(self.z.shape, self.pitch, (centre[0] - self.x[0], centre[1] - self.y[0]), variance, reach)


def cells(image: Any, pixel: tuple[float, float], block: int, corner: tuple[int, int] = (0, 0)) -> Cells:
    """The image in cells of `block` pixels; `corner` is the pixel (column, row) of its first one."""
    z = block_mean(image, block)
    x, y = (
        (start + np.arange(n) * block + 0.5 * (block - 1)) * p for start, n, p in zip(corner, (z.shape[1], z.shape[0]), pixel, strict=True)
    )
    return Cells(z, x, y, block)


def noise_of(image: Any) -> float:
    """Noise of an image from its neighbouring differences, blind to anything smooth."""
    z = image[:: max(1, image.shape[0] // 200)].astype(np.float64)
    steps = (z[:, 2:] - 2.0 * z[:, 1:-1] + z[:, :-2]).ravel()
    return float(np.median(np.abs(steps)) / 0.6745 / math.sqrt(6.0))


def window(image: Any, pixel: tuple[float, float], start: Any, reach: float = 4.5) -> Cells | None:
    """The beam and its surroundings, `reach` radii to every side of a first estimate (mx, my, s_xx, s_xy, s_yy).

    None where fewer than five rows or columns of pixels stand there.
    """
    rows, columns = _around(image.shape, pixel, start[:2], start[2:], reach)
    part = image[rows, columns]
    if min(part.shape) < 5:
        return None
    block = max(1, min(int(least_radius(*start[2:]) / max(pixel) / _PER_RADIUS), min(part.shape) // 8))
    found = cells(part, pixel, block, (columns.start, rows.start))
    high, wide = found.z.shape
    strip = part[: high * block : block, : wide * block].astype(np.float64)
    local = np.pad(np.diff(strip, 2, axis=1) ** 2 / 6.0, ((0, 0), (1, 1)), mode="edge")
    noise = local.reshape(high, wide, block).mean(axis=2) / block**2
    return replace(found, noise=noise, step=step_of(strip))


def mend(image: Any, noise: float, dark: float) -> tuple[Any, int]:
    """Hot and dead pixels, alone or in clusters up to three by three, replaced by their surroundings; how many there were.

    A pixel is hot that stands above the brightest mean of the blocks around it by eight times the noise and a third of their
    light: a beam wider than six pixels does not.
    """
    from scipy.ndimage import maximum_filter, minimum_filter

    block = max(4, math.ceil(max(image.shape) / 256))
    rows, columns = image.shape[0] // block, image.shape[1] // block
    if not noise > 0:
        return image, 0
    whole = image[: rows * block, : columns * block]
    mean = block_mean(whole, block)
    stripes = whole.reshape(rows, block, columns * block)
    high = stripes.max(axis=1).reshape(rows, columns, block).max(axis=2)
    low = stripes.min(axis=1).reshape(rows, columns, block).min(axis=2)
    top, bottom = maximum_filter(mean, 3, mode="nearest"), minimum_filter(mean, 3, mode="nearest")
    above = top + 8.0 * noise + 0.3 * np.maximum(top - dark, 0.0)
    below = bottom - 8.0 * noise - 0.3 * np.maximum(bottom - dark, 0.0)
    fixed, count = image, 0
    for j, i in zip(*np.nonzero((high > above) | (low < below)), strict=True):
        if fixed is image:
            fixed = image.copy()
        part = fixed[j * block : (j + 1) * block, i * block : (i + 1) * block]
        ring = image[max(0, j * block - 2) : (j + 1) * block + 2, max(0, i * block - 2) : (i + 1) * block + 2]
        odd, around = ((z > above[j, i]) | (z < below[j, i]) for z in (part, ring))
        part[odd] = np.median(ring[~around]) if not around.all() else mean[j, i]
        count += int(odd.sum())
    return fixed, count


@dataclass(frozen=True)
class Ground:
    """Background as a polynomial surface about a place: coefficients with covariance, scatter of the cells used."""

    degree: int
    at: tuple[float, float]
    scale: float
    coefficients: Any
    covariance: Any
    scatter: float

    def basis(self, x: Any, y: Any) -> Any:
        """Its terms on the grid of x (columns) and y (rows): shape (terms, rows, columns)."""
        u, v = (np.asarray(x) - self.at[0]) / self.scale, (np.asarray(y) - self.at[1]) / self.scale
        return np.stack([np.multiply.outer(v**j, u**i) for i, j in _terms(self.degree)])

    def over(self, x: Any, y: Any) -> Any:
        """The surface on a grid."""
        return np.tensordot(self.coefficients, self.basis(x, y), 1)

    def level(self, centre: tuple[float, float]) -> float:
        """Its height at a place."""
        return float(self.over(centre[:1], centre[1:]).item())


def _terms(degree: int) -> list[tuple[int, int]]:
    return [(i, n - i) for n in range(degree + 1) for i in range(n, -1, -1)]


def ground(frame: Cells, dark: Any, at: tuple[float, float], degree: int | None = None) -> Ground | None:
    """Surface through the cells of `dark` (a mask); its degree, one to three, by evidence (F test) where none is given.

    Cells far above or below the others (five times their scatter: another spot, dirt) are left out, a third of them at most.
    """
    j, i = np.nonzero(dark)
    scale = max(float(np.ptp(frame.x)), float(np.ptp(frame.y)))
    u, v, z = (frame.x[i] - at[0]) / scale, (frame.y[j] - at[1]) / scale, frame.z[j, i]
    kept = np.ones(z.size, dtype=bool)
    while True:
        found = _surface(u[kept], v[kept], z[kept], at, scale, degree)
        if found is None:
            return None
        left = z - np.stack([u**a * v**b for a, b in _terms(found.degree)], axis=1) @ found.coefficients
        sound = kept & (np.abs(left) <= 5.0 * 1.4826 * float(np.median(np.abs(left[kept]))))
        if 3 * sound.sum() < 2 * sound.size or sound.sum() == kept.sum():
            return found
        kept = sound


def _surface(u: Any, v: Any, z: Any, at: tuple[float, float], scale: float, degree: int | None) -> Ground | None:
    from scipy.special import fdtrc

    best: tuple[Ground, float, int] | None = None
    for n in (1, 2, 3) if degree is None else (degree,):
        basis = np.stack([u**a * v**b for a, b in _terms(n)], axis=1)
        gram = basis.T @ basis
        if z.size < _FEWEST or np.linalg.matrix_rank(gram) < len(gram):
            break
        solution = np.linalg.solve(gram, basis.T @ z)
        rest = float(((z - basis @ solution) ** 2).sum())
        dof = z.size - solution.size
        if best is not None:
            _, before, count = best
            if not rest or fdtrc(solution.size - count, dof, (before - rest) / (solution.size - count) / (rest / dof)) > 1e-4:
                break
        best = (Ground(n, at, scale, solution, np.linalg.inv(gram) * rest / dof, math.sqrt(rest / dof)), rest, solution.size)
    return None if best is None else best[0]
