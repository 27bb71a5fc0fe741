"""Camera images to beam widths by second moments (ISO 11146-1 and -3): background, aperture, principal axes.

Plain float64. Frame: x along the columns to the right, y along the rows downward, the origin in the middle of the
first pixel, lengths in mm; the angle turns from x towards y. Radius means 2 sqrt(second moment), half of D4sigma.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Moments", "block_mean", "moments", "principal"]

_APERTURE = 3.0  # ISO 11146-1: sides three times the beam widths
_COARSE = 256


@dataclass(frozen=True)
class Moments:
    """Second moments of one image about the centroid; mm, mm^2; readings in camera counts.

    `plane` is the background: level at the centroid, slope along x, slope along y (per mm). `variance` holds
    (s_xx, s_xy, s_yy), `covariance` its 3 x 3 covariance from the noise and the background together.
    """

    centre: tuple[float, float]
    variance: tuple[float, float, float]
    covariance: Any
    u_centre: tuple[float, float]
    total: float
    plane: tuple[float, float, float]
    noise: float
    steps: int
    settled: bool
    aperture_cut: bool


def block_mean(image: Any, block: int) -> Any:
    """Mean over square blocks of pixels; rows and columns that do not fill a block are left out."""
    if block <= 1:
        return np.asarray(image, dtype=np.float64)
    rows, columns = image.shape[0] // block * block, image.shape[1] // block * block
    view = image[:rows, :columns].reshape(rows // block, block, columns // block, block)
    # sum over the contiguous axis last: several times faster than mean((1, 3))
    return view.sum(axis=1, dtype=np.float64).sum(axis=2) / (block * block)


def principal(xx: float, xy: float, yy: float) -> tuple[float, float, float]:
    """Variances along the principal axes and the angle of the first one, the axis nearest to x (-45 to 45 degrees).

    >>> [round(v, 6) for v in principal(2.0, 0.5, 1.0)]
    [2.207107, 0.792893, 0.392699]
    """
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    if angle > 0.25 * math.pi + 1e-12:
        angle -= 0.5 * math.pi
    elif angle < -0.25 * math.pi - 1e-12:
        angle += 0.5 * math.pi
    c, s = math.cos(angle), math.sin(angle)
    along = xx * c * c + 2.0 * xy * c * s + yy * s * s
    across = xx * s * s - 2.0 * xy * c * s + yy * c * c
    return along, across, angle


def _raw(z: Any, x: Any, y: Any) -> tuple[float, float, float, float, float, float]:
    rows, columns = z.sum(axis=1), z.sum(axis=0)
    total = float(rows.sum())
    mx, my = float(columns @ x) / total, float(rows @ y) / total
    xx = float(columns @ (x - mx) ** 2) / total
    yy = float(rows @ (y - my) ** 2) / total
    xy = float((y - my) @ (z @ (x - mx))) / total
    return total, mx, my, xx, xy, yy


def _inside(x: Any, y: Any, mx: float, my: float, variance: Any, reach: float) -> Any:
    """Mask of the rectangle along the principal axes whose half sides are `reach` radii."""
    along, across, angle = principal(*variance)
    a, b = reach * 2.0 * math.sqrt(along), reach * 2.0 * math.sqrt(across)
    c, s = math.cos(angle), math.sin(angle)
    dx, dy = x - mx, y - my
    u = np.abs((c * dx)[None, :] + (s * dy)[:, None]) <= a
    u &= np.abs((-s * dx)[None, :] + (c * dy)[:, None]) <= b
    return u


def _window(x: Any, y: Any, mx: float, my: float, variance: Any, reach: float) -> tuple[slice, slice, bool]:
    along, across, angle = principal(*variance)
    a, b = reach * 2.0 * math.sqrt(along), reach * 2.0 * math.sqrt(across)
    c, s = abs(math.cos(angle)), abs(math.sin(angle))
    hx, hy = a * c + b * s, a * s + b * c
    i0, i1 = int(np.searchsorted(x, mx - hx)), int(np.searchsorted(x, mx + hx, side="right"))
    j0, j1 = int(np.searchsorted(y, my - hy)), int(np.searchsorted(y, my + hy, side="right"))
    cut = mx - hx < x[0] or mx + hx > x[-1] or my - hy < y[0] or my + hy > y[-1]
    return slice(j0, j1), slice(i0, i1), bool(cut)


def _plane(z: Any, x: Any, y: Any, outside: Any, mx: float, my: float) -> tuple[Any, Any, float] | None:
    """Level and slopes of the background about (mx, my), with covariance and the scatter of the pixels used."""
    n = int(outside.sum())
    if n < 24:
        return None
    j, i = np.nonzero(outside)
    basis = np.stack([np.ones(n), x[i] - mx, y[j] - my], axis=1)
    size = np.abs(basis).max(axis=0)
    solution, _, rank, _ = np.linalg.lstsq(basis / size, z[j, i], rcond=None)
    if rank < 3:
        return None
    left = z[j, i] - (basis / size) @ solution
    scatter = float(left @ left) / (n - 3)
    inverse = np.linalg.inv((basis / size).T @ (basis / size)) / np.outer(size, size)
    return solution / size, inverse * scatter, math.sqrt(scatter)


def _outside(z: Any, x: Any, y: Any, mx: float, my: float, variance: Any) -> Any | None:
    """Background pixels: beyond three radii along a principal axis, a little nearer where the sensor leaves no room."""
    for reach in (_APERTURE, 2.6, 2.3):
        mask = ~_inside(x, y, mx, my, variance, reach)
        if mask.mean() > 0.04 and mask.sum() >= 200:
            return mask
    return None


def moments(image: Any, pixel: tuple[float, float], start: Any, *, max_steps: int = 15) -> Moments | None:
    """Second moments inside an aperture three beam widths wide that follows the beam, background plane taken out.

    Parameters
    ----------
    image : float array (rows, columns)
    pixel : (float, float), mm
        Pitch along x and y.
    start : (mx, my, s_xx, s_xy, s_yy)
        First estimate, for example from a Gaussian fit.

    Returns
    -------
    Moments or None
        None where the sensor leaves no dark pixels for the background or the moments come out negative.

    Source: ISO 11146-1 (definition, aperture), ISO 11146-3 (background, noise).
    """
    image = np.asarray(image, dtype=np.float64)
    block = max(1, math.ceil(max(image.shape) / _COARSE))
    coarse = block_mean(image, block)
    x, y = np.arange(image.shape[1]) * pixel[0], np.arange(image.shape[0]) * pixel[1]
    xb = (np.arange(coarse.shape[1]) * block + 0.5 * (block - 1)) * pixel[0]
    yb = (np.arange(coarse.shape[0]) * block + 0.5 * (block - 1)) * pixel[1]
    mx, my, *variance = (float(v) for v in start)
    small = min(variance[0] / pixel[0] ** 2, variance[2] / pixel[1] ** 2) < (2 * block) ** 2
    # one pixel entering or leaving the aperture moves noisy moments by more than any finer tolerance
    single = block == 1 or small
    levels = [(image, x, y, 2e-5, max_steps)] if single else [(coarse, xb, yb, 1e-4, max_steps), (image, x, y, 2e-5, 4)]
    steps, settled, cut = 0, False, False
    found: Any = None
    for z, gx, gy, tolerance, most in levels:
        settled = False
        for _ in range(most):
            steps += 1
            mask = _outside(coarse, xb, yb, mx, my, variance)
            ground = None if mask is None else _plane(coarse, xb, yb, mask, mx, my)
            if ground is None:
                return None
            (level, sx, sy), _, _ = ground
            rows, columns, cut = _window(gx, gy, mx, my, variance, _APERTURE)
            if rows.stop - rows.start < 3 or columns.stop - columns.start < 3:
                return None
            wx, wy = gx[columns], gy[rows]
            q = z[rows, columns] - ((level + sx * (wx - mx))[None, :] + (sy * (wy - my))[:, None])
            inside = _inside(wx, wy, mx, my, variance, _APERTURE)
            q *= inside
            total, nx, ny, xx, xy, yy = _raw(q, wx, wy)
            if not (total > 0 and xx > 0 and yy > 0 and xx * yy > xy * xy):
                return None
            change = max(abs(xx / variance[0] - 1), abs(yy / variance[2] - 1), abs(xy - variance[1]) / math.sqrt(xx * yy))
            found = (total, nx, ny, ground, mx, my, inside, rows, columns, wx, wy)
            mx, my, variance = nx, ny, [xx, xy, yy]
            if change < tolerance:
                settled = True
                break
    return _finish(image, found, tuple(variance), block, steps, settled, cut)


def _finish(image: Any, found: Any, variance: Any, block: int, steps: int, settled: bool, cut: bool) -> Moments:
    """Uncertainty: pixel noise read from second differences inside the aperture, background from its own fit."""
    total, nx, ny, (plane, ground, scatter), px, py, inside, rows, columns, wx, wy = found
    z = image[rows, columns]
    local = np.zeros_like(z)
    if z.shape[1] > 2:
        local[:, 1:-1] = (z[:, :-2] - 2.0 * z[:, 1:-1] + z[:, 2:]) ** 2 / 6.0
        local[:, 0], local[:, -1] = local[:, 1], local[:, -2]
    local *= inside
    dx, dy = wx - nx, wy - ny
    xx, xy, yy = variance
    powers_x, powers_y = [dx**k for k in range(5)], [dy**k for k in range(5)]
    weight = inside.astype(np.float64)

    def noise_sum(i: int, j: int) -> float:
        return float(powers_y[j] @ (local @ powers_x[i]))

    def area_sum(i: int, j: int) -> float:
        return float(powers_y[j] @ (weight @ powers_x[i]))

    # influence of one pixel on (s_xx, s_xy, s_yy): (dx^2 - s_xx)/total and so on
    terms = [(2, 0, xx), (1, 1, xy), (0, 2, yy)]
    covariance = np.empty((3, 3))
    for a, (i, j, s) in enumerate(terms):
        for b, (k, m, t) in enumerate(terms):
            covariance[a, b] = (noise_sum(i + k, j + m) - t * noise_sum(i, j) - s * noise_sum(k, m) + s * t * noise_sum(0, 0)) / total**2
    # moving the background level and slopes: the same influence summed over the aperture
    shift = np.array([nx - px, ny - py])
    effect = np.empty((3, 3))
    for a, (i, j, s) in enumerate(terms):
        level = area_sum(i, j) - s * area_sum(0, 0)
        along = area_sum(i + 1, j) - s * area_sum(1, 0)
        down = area_sum(i, j + 1) - s * area_sum(0, 1)
        effect[a] = -np.array([level, along + shift[0] * level, down + shift[1] * level]) / total
    covariance += effect @ ground @ effect.T
    first = np.array([[area_sum(1, 0), area_sum(2, 0), area_sum(1, 1)], [area_sum(0, 1), area_sum(1, 1), area_sum(0, 2)]])
    from_ground = np.einsum("ij,jk,ik->i", first / total, ground, first / total)
    u_x = math.sqrt(max(noise_sum(2, 0), 0.0) / total**2 + from_ground[0])
    u_y = math.sqrt(max(noise_sum(0, 2), 0.0) / total**2 + from_ground[1])
    noise = float(np.sqrt(max(np.median(local[inside]) / 0.4549, 0.0)))  # median of chi-squared with one degree
    level = float(plane[0] + plane[1] * shift[0] + plane[2] * shift[1])
    return Moments(
        centre=(nx, ny),
        variance=variance,
        covariance=covariance,
        u_centre=(u_x, u_y),
        total=total,
        plane=(level, float(plane[1]), float(plane[2])),
        noise=noise if noise > 0 else scatter * block,
        steps=steps,
        settled=settled,
        aperture_cut=cut,
    )
