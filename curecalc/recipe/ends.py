"""What the ends of vectors of typical length do to the dose along them: the weakest and the strongest place."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..physics import light as _light
from ..physics import motion
from .bounds import Task
from .light import Pattern, Shape, shape

__all__ = ["along", "ends_of", "least_along", "with_ends"]

_CLOSER = 5  # rounds, each four times closer: the weakest place to one part in a million of the dose
_FURTHER = np.linspace(0.0, 1.0, 9)  # where the greatest dose near an end is sought, in radii: to one percent of the dose


def ends_of(task: Task, power: Any, length: float, slowest: float = 0.0) -> motion.Ends:
    """How the machine begins and ends vectors of a length: hard ends where the run-up lies outside them."""
    up = task.run_up
    if up is None or up.follows is None or not math.isfinite(task.acceleration):
        return motion.Ends(length)
    return motion.Ends(length, task.acceleration, up.follows, np.minimum(task.bounds.power_least / power, 1.0), slowest)


def along(
    task: Task, power: Any, radius: Any, speed: Any, spot: Any = 1.0, spacing: Any = None, *, further: Any = _FURTHER
) -> tuple[Any, Any]:
    """Least and greatest dose along a typical vector over that of the steady line, from the margin inside each end.

    `spot` is the true radius over the nominal one, which sets the margin. Over all directions of the tracks: the least over the
    weakest steady one, the greatest over the fullest. The greatest is sought in so many radii `further` than the margin.
    """
    if task.run_up is None or not math.isfinite(task.vector_length):
        return 1.0, 1.0
    first, *more = task.pattern.tracks
    if not more:
        return _along(task, task.pattern, power, radius, speed, spot, spacing, further)
    steady, least, most = [], [], []
    for track in (first, *more):
        own = task.pattern._replace(tracks=(track,))
        low, high = _along(task, own, power, radius, speed, spot, spacing, further)
        weakest = shape(own, radius, spacing, speed, powers=False).weakest
        steady.append(weakest)
        least.append(weakest * low)
        most.append(weakest * high)
    return np.min(least, axis=0) / np.min(steady, axis=0), np.max(most, axis=0) / np.max(steady, axis=0)


def least_along(task: Task, power: Any, radius: Any, speed: Any, spot: Any = 1.0, spacing: Any = None) -> Any:
    """The least alone."""
    return along(task, power, radius, speed, spot, spacing, further=_FURTHER[:1])[0]


def _along(task: Task, pattern: Pattern, power: Any, radius: Any, speed: Any, spot: Any, spacing: Any, further: Any) -> tuple[Any, Any]:
    """Of the first direction. The neighbouring lines of a turned ellipse end some sooner, some later: as if the spot were longer by as
    much as it leans (exact for lines close together).
    """
    assert task.run_up is not None
    up, length = task.run_up, task.vector_length
    own, track = pattern.sized(radius), pattern.tracks[0]
    across, long = own.radii(track)
    if pattern.raster and pattern.spot.wy is not None:
        long = np.hypot(long, own.shear(track) * np.maximum(across, spacing))
    # the dose rises from the margin, is greatest within a radius, and falls to the middle, or rises all the way
    nearest, _ = np.broadcast_arrays(up.margin * radius, spot * speed)
    middle = np.full(nearest.shape, 0.5 * length)
    ends, w = ends_of(task, power, length), pattern.exponent
    places = np.minimum([*(nearest + more * radius for more in further), middle], middle)
    found = motion.share(places, speed, spot * long, ends, w)
    least = found.min(0)
    if ends.acceleration is not None and ends.follows * w > 1.0 and np.any(ends.least > 0.0):
        # it falls towards the ends, faster than there is more time, until the laser's least power is reached: weakest near there
        place, span = (ends.least ** (1.0 / ends.follows) * speed) ** 2 / (2.0 * ends.acceleration) + 0.0 * middle, 1.25 * spot * long
        for _ in range(_CLOSER):
            places = np.clip(place + span * np.linspace(-1.0, 1.0, 9).reshape(-1, *(1,) * middle.ndim), nearest, middle)
            dose = motion.share(places, speed, spot * long, ends, w)
            place = np.take_along_axis(places, dose.argmin(0)[None], 0)[0]
            span, least = 0.25 * span, np.minimum(least, dose.min(0))
    return least, found.max(0)


def with_ends(task: Task, lit: Shape, power: Any, radius: Any, speed: Any, spacing: Any = None) -> Shape:
    """The local powers of the weakest place with what its place along the vector adds."""
    if task.run_up is None or not math.isfinite(task.vector_length):
        return lit

    def least(spot: Any, faster: Any) -> Any:
        return np.log(least_along(task, power, radius, speed * faster, spot, spacing))

    here, up = least(1.0, 1.0), math.exp(_light.STEP)
    return lit._replace(
        radius_power=lit.radius_power + (least(up, 1.0) - here) / _light.STEP,
        speed_power=lit.speed_power + (least(1.0, up) - here) / _light.STEP,
    )
