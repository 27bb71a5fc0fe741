"""Camera images to beam widths by second moments (ISO 11146-1 and -3): background, aperture, principal axes.

Plain float64. Frame: x along the columns to the right, y along the rows downward, the origin in the middle of the
first pixel, lengths in mm; the angle turns from x towards y. Radius means 2 sqrt(second moment), half of D4sigma.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.steps import level_error
from .frame import Cells, Ground, ground, raw_moments

__all__ = ["ANYWHERE", "Moments", "inside", "moments", "principal"]

ANYWHERE = math.pi / math.sqrt(48.0)  # standard uncertainty of an angle that may lie anywhere within -45 and 45 degrees
_APERTURE = 3.0  # ISO 11146-1: sides three times the beam widths


@dataclass(frozen=True)
class Moments:
    """Second moments of one image about the centroid; mm, mm^2; readings in camera counts.

    `ground` is the background surface, `level` its height at the centroid. `variance` holds (s_xx, s_xy, s_yy) of the cells
    summed, their own width included, `covariance` its 3 x 3 covariance from the noise and the background together.
    """

    centre: tuple[float, float]
    variance: tuple[float, float, float]
    covariance: Any
    u_centre: tuple[float, float]
    total: float
    ground: Ground
    level: float
    noise: float
    steps: int
    settled: bool
    aperture_cut: bool


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


def inside(x: Any, y: Any, mx: float, my: float, variance: Any, reach: float) -> Any:
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


def _outside(x: Any, y: Any, mx: float, my: float, variance: Any) -> Any | None:
    """Background cells: beyond three radii along a principal axis, a little nearer where the sensor leaves no room."""
    for reach in (_APERTURE, 2.6, 2.3):
        mask = ~inside(x, y, mx, my, variance, reach)
        if mask.mean() > 0.04 and mask.sum() >= 100:
            return mask
    return None


def moments(beam: Cells, frame: Cells, start: Any, *, max_steps: int = 15) -> Moments | None:
    """Second moments inside an aperture three beam widths wide that follows the beam, background surface taken out.

    Parameters
    ----------
    beam : Cells
        The beam and its surroundings, with the noise of its cells.
    frame : Cells
        The whole frame in coarse cells, for the background.
    start : (mx, my, s_xx, s_xy, s_yy)
        First estimate, for example from a Gaussian fit.

    Returns
    -------
    Moments or None
        None where the sensor leaves no dark pixels for the background or the moments come out negative.

    Source: ISO 11146-1 (definition, aperture), ISO 11146-3 (background, noise).
    """
    mx, my, *variance = (float(v) for v in start)
    settled, cut, degree, steps = False, False, None, 0
    found: Any = None
    while steps < max_steps and not settled:
        steps += 1
        mask = _outside(frame.x, frame.y, mx, my, variance)
        surface = None if mask is None else ground(frame, mask, (mx, my), degree)
        if surface is None:
            return None
        degree = surface.degree
        rows, columns, cut = _window(beam.x, beam.y, mx, my, variance, _APERTURE)
        if rows.stop - rows.start < 3 or columns.stop - columns.start < 3:
            return None
        wx, wy = beam.x[columns], beam.y[rows]
        mask = inside(wx, wy, mx, my, variance, _APERTURE)
        total, nx, ny, xx, xy, yy = raw_moments((beam.z[rows, columns] - surface.over(wx, wy)) * mask, wx, wy)
        if not (total > 0 and xx > 0 and yy > 0 and xx * yy > xy * xy):
            return None
        change = max(abs(xx / variance[0] - 1), abs(yy / variance[2] - 1), abs(xy - variance[1]) / math.sqrt(xx * yy))
        # one cell entering or leaving the aperture moves noisy moments by more than any finer tolerance
        settled = change < 2e-5
        found = (total, surface, mask, rows, columns, wx, wy)
        mx, my, variance = nx, ny, [xx, xy, yy]
    span = frame.x[0], frame.x[-1], frame.y[0], frame.y[-1]
    cut = cut and min(mx - span[0], span[1] - mx, my - span[2], span[3] - my) < _APERTURE * 2.0 * math.sqrt(max(variance[0], variance[2]))
    return _finish(beam, found, (mx, my), tuple(variance), steps, settled, cut)


def _finish(beam: Cells, found: Any, centre: tuple[float, float], variance: Any, steps: int, settled: bool, cut: bool) -> Moments:
    """Uncertainty: pixel noise inside the aperture, and the background from its own fit, by the influence of each cell."""
    total, surface, mask, rows, columns, wx, wy = found
    local = beam.noise[rows, columns] * mask
    dx, dy = np.meshgrid(wx - centre[0], wy - centre[1])
    xx, xy, yy = variance
    # influence of one cell on (s_xx, s_xy, s_yy, mx, my), zero outside the aperture
    influence = np.stack([dx * dx - xx, dx * dy - xy, dy * dy - yy, dx, dy]) * (mask / total)
    flat = influence.reshape(5, -1)
    covariance = (flat * local.ravel()) @ flat.T
    effect = flat @ surface.basis(wx, wy).reshape(surface.coefficients.size, -1).T
    covariance += effect @ surface.covariance @ effect.T
    dark = ~inside(beam.x, beam.y, *centre, variance, 2.0)
    if beam.step > 0 and dark.any():  # the ground reads on steps, the beam runs across them
        own = math.sqrt(max(float(beam.noise[dark].mean()) * beam.block**2 - beam.step**2 / 12.0, 0.0))
        covariance += level_error(own, beam.step) ** 2 * np.outer(effect[:, 0], effect[:, 0])
    noise = float(np.sqrt(max(np.median(local[mask]) / 0.4549, 0.0))) if beam.block == 1 else math.sqrt(float(local[mask].mean()))
    return Moments(
        centre=centre,
        variance=variance,
        covariance=covariance[:3, :3],
        u_centre=(math.sqrt(covariance[3, 3]), math.sqrt(covariance[4, 4])),
        total=total,
        ground=surface,
        level=surface.level(centre),
        noise=noise * beam.block,
        steps=steps,
        settled=settled,
        aperture_cut=cut,
    )
