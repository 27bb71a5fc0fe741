"""What the ends of vectors of typical length do to the dose along them: the weakest and the strongest place."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from ..physics import light as _light
from ..physics import motion
from .bounds import Task
from .light import Shape, shape

__all__ = ["along", "ends_of", "least_along", "with_ends"]

_FURTHER = np.linspace(0.0, 1.0, 9)  # where the greatest dose near an end is sought, in radii: to one percent of the dose
_ABOUT = -1.0, 2.5  # where the weakest place is sought, in radii beyond the one where the least power is reached,
_LOOKS = 13  # at so many places,
_CLOSER = 0.25, 0.25, 0.0  # then at three so many times closer each time: nearly always to one part in a million of the dose


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
    if not _has_ends(task):
        return 1.0, 1.0
    _, least, most = _sought(task, power, radius, speed, spot, spacing, further)
    return least, most


def least_along(task: Task, power: Any, radius: Any, speed: Any, spot: Any = 1.0, spacing: Any = None) -> Any:
    """The least alone."""
    return along(task, power, radius, speed, spot, spacing, further=_FURTHER[:1])[0]


def with_ends(task: Task, lit: Shape, power: Any, radius: Any, speed: Any, spacing: Any = None) -> tuple[Shape, Any]:
    """The local powers of the weakest place with what its place along the vector adds; and the least dose along it."""
    if not _has_ends(task):
        return lit, 1.0
    places, here, _ = _sought(task, power, radius, speed, 1.0, spacing, _FURTHER[:1])
    ends = ends_of(task, power, task.vector_length)

    def power_of(spot: float, faster: float) -> Any:
        # at its least a dose changes as it does at the place where it was least
        ways = zip(places, _tracks(task, radius, speed * faster, spacing))
        found = [(steady, steady * _dose(task, ends, speed * faster, spot * long)(place)) for place, (steady, long) in ways]
        steady, least = (np.min(part, axis=0) for part in zip(*found))
        return np.log(least / steady / here) / _light.STEP

    up = math.exp(_light.STEP)
    return lit._replace(radius_power=lit.radius_power + power_of(up, 1.0), speed_power=lit.speed_power + power_of(1.0, up)), here


def _has_ends(task: Task) -> bool:
    return task.run_up is not None and math.isfinite(task.vector_length)


def _tracks(task: Task, radius: Any, speed: Any, spacing: Any) -> Iterator[tuple[Any, Any]]:
    """Of each direction the weakest dose of the steady lines (one alone: 1), and the radius along it.

    The neighbouring lines of a turned ellipse end some sooner, some later: as if the spot were longer by as much as it leans (exact for
    lines close together).
    """
    pattern = task.pattern
    spot = pattern.sized(radius)
    for track in pattern.tracks:
        across, long = spot.radii(track)
        if pattern.raster and pattern.spot.wy is not None:
            long = np.hypot(long, spot.shear(track) * np.maximum(across, spacing))
        one = pattern._replace(tracks=(track,))
        yield shape(one, radius, spacing, speed, powers=False).weakest if len(pattern.tracks) > 1 else 1.0, long


def _dose(task: Task, ends: motion.Ends, speed: Any, radius: Any) -> Callable[[Any], Any]:
    """The dose at places along a vector over that of the steady line."""
    return lambda place: motion.share(place, speed, radius, ends, task.pattern.exponent)


def _sought(task: Task, power: Any, radius: Any, speed: Any, spot: Any, spacing: Any, further: Any) -> tuple[list[Any], Any, Any]:
    """Of each direction the weakest place; and what `along` gives."""
    assert task.run_up is not None
    # the dose rises from the margin, is greatest within a radius, and falls to the middle, or rises all the way
    nearest, *_ = np.broadcast_arrays(task.run_up.margin * radius, spot, speed, power)
    middle = np.full(nearest.shape, 0.5 * task.vector_length)
    ends = ends_of(task, power, task.vector_length)
    places, found = [], []
    for steady, long in _tracks(task, radius, speed, spacing):
        dose = _dose(task, ends, speed, spot * long)
        tried = np.minimum([*(nearest + more * radius for more in further), middle], middle)
        doses = dose(tried)
        place, least = _least(tried, doses)
        if ends.acceleration is not None and ends.follows * task.pattern.exponent > 1.0 and np.any(ends.least > 0.0):
            # it falls towards the ends, faster than there is more time, until the laser's least power is reached: weakest near there
            about = (ends.least ** (1.0 / ends.follows) * speed) ** 2 / (2.0 * ends.acceleration)
            near = _valley(dose, *(np.clip(about + way * spot * long, nearest, middle) for way in _ABOUT))
            place, least = _least(np.stack([place, near]), np.stack([least, dose(near)]))
        places.append(place)
        found.append((steady, steady * least, steady * doses.max(0)))
    steady, lows, highs = zip(*found)
    return places, np.min(lows, axis=0) / np.min(steady, axis=0), np.max(highs, axis=0) / np.max(steady, axis=0)


def _least(places: Any, doses: Any) -> tuple[Any, Any]:
    """Of places along the first axis the one of the least dose, and it."""
    pick = doses.argmin(0)[None]
    return np.take_along_axis(places, pick, 0)[0], np.take_along_axis(doses, pick, 0)[0]


def _valley(dose: Callable[[Any], Any], first: Any, last: Any) -> Any:
    """The place of least dose between two, neither of them: the lowest point of a parabola through three near it, again and again."""
    step = (last - first) / (_LOOKS - 1)
    doses = dose(np.linspace(first, last, _LOOKS))
    before, here, after = doses[:-2], doses[1:-1], doses[2:]
    pick = np.where(here <= np.minimum(before, after), here, np.inf).argmin(0)
    place, three = first + step * (pick + 1), [np.take_along_axis(part, pick[None], 0)[0] for part in (before, here, after)]
    for closer in _CLOSER:
        before, here, after = three
        with np.errstate(divide="ignore", invalid="ignore"):
            low = 0.5 * (before - after) / (before - 2.0 * here + after)
        place = place + step * np.clip(np.nan_to_num(low), -2.0, 2.0)
        step = closer * step
        place = np.clip(place, first + step, last - step)
        if closer:
            three = dose(np.stack([place - step, place, place + step]))
    return place
