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
from .frame import Cells, Ground, ground, least_radius, raw_moments

__all__ = ["ANYWHERE", "Moments", "inside", "moments", "principal"]

ANYWHERE = math.pi / math.sqrt(48.0)  # standard uncertainty of an angle that may lie anywhere within -45 and 45 degrees
_MOST_STEPS = 15
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
    steps: int


def principal(xx: float, xy: float, yy: float) -> tuple[float, float, float]:
    """Variances along the principal axes and the angle of the first one, the axis nearest to x (-45 to 45 degrees).

    >>> [round(v, 6) for v in principal(2.0, 0.5, 1.0)]
    [2.207107, 0.792893, 0.392699]
    """
    way = math.copysign(1.0, xx - yy)
    middle, apart = 0.5 * (xx + yy), way * math.hypot(0.5 * (xx - yy), xy)
    return middle + apart, middle - apart, 0.5 * math.atan2(2.0 * way * xy, abs(xx - yy))


def inside(x: Any, y: Any, mx: float, my: float, variance: Any, reach: float) -> Any:
    """Mask of the rectangle along the principal axes whose half sides are `reach` radii."""
    along, across, angle = principal(*variance)
    c, s = math.cos(angle), math.sin(angle)
    dx, dy = (x - mx)[None, :], (y - my)[:, None]
    u, v = np.abs(c * dx + s * dy), np.abs(c * dy - s * dx)
    return (u <= reach * 2.0 * math.sqrt(along)) & (v <= reach * 2.0 * math.sqrt(across))


def _outside(x: Any, y: Any, mx: float, my: float, variance: Any) -> Any | None:
    """Background cells: beyond three radii along a principal axis, a little nearer where the sensor leaves no room."""
    for reach in (_APERTURE, 2.6, 2.3):
        mask = ~inside(x, y, mx, my, variance, reach)
        if mask.mean() > 0.04 and mask.sum() >= 100:
            return mask
    return None


def moments(beam: Cells, frame: Cells, start: Any) -> Moments | None:
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
    surface: Any = None
    change, degree, steps = math.inf, None, 0
    # one cell entering or leaving the aperture moves noisy moments by more than any finer tolerance
    while change >= 2e-5 and steps < _MOST_STEPS:
        steps += 1
        dark = _outside(frame.x, frame.y, mx, my, variance)
        surface = None if dark is None else ground(frame, dark, (mx, my), degree)
        if surface is None:
            return None
        degree = surface.degree
        mask = inside(beam.x, beam.y, mx, my, variance, _APERTURE)
        total, mx, my, xx, xy, yy = raw_moments((beam.z - surface.over(beam.x, beam.y)) * mask, beam.x, beam.y)
        if not (total > 0 and least_radius(xx, xy, yy) > 0):
            return None
        change = max(abs(xx / variance[0] - 1), abs(yy / variance[2] - 1), abs(xy - variance[1]) / math.sqrt(xx * yy))
        variance = [xx, xy, yy]
    return _finish(beam, total, surface, mask, (mx, my), (xx, xy, yy), steps)


def _finish(beam: Cells, total: float, surface: Ground, mask: Any, centre: tuple[float, float], variance: Any, steps: int) -> Moments:
    """Uncertainty: pixel noise inside the aperture, and the background from its own fit, by the influence of each cell."""
    dx, dy = np.meshgrid(beam.x - centre[0], beam.y - centre[1])
    xx, xy, yy = variance
    # influence of one cell on (s_xx, s_xy, s_yy, mx, my), zero outside the aperture
    influence = np.stack([dx * dx - xx, dx * dy - xy, dy * dy - yy, dx, dy])[:, mask] / total
    covariance = (influence * beam.noise[mask]) @ influence.T
    effect = influence @ surface.basis(beam.x, beam.y)[:, mask].T
    covariance += effect @ surface.covariance @ effect.T
    dark = ~inside(beam.x, beam.y, *centre, variance, 2.0)
    if beam.step > 0 and dark.any():  # the ground reads on steps, the beam runs across them
        own = math.sqrt(max(float(beam.noise[dark].mean()) * beam.block**2 - beam.step**2 / 12.0, 0.0))
        covariance += level_error(own, beam.step) ** 2 * np.outer(effect[:, 0], effect[:, 0])
    return Moments(
        centre=centre,
        variance=variance,
        covariance=covariance[:3, :3],
        u_centre=(math.sqrt(covariance[3, 3]), math.sqrt(covariance[4, 4])),
        total=total,
        ground=surface,
        level=surface.level(centre),
        steps=steps,
    )
