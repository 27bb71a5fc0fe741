"""Places of the scan field: what a depth there asks of the centre, from stated geometry or from a measured map; a speed for each zone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import FileError
from ..jobs.beam import field_map
from ..jobs.machine import Machine
from ..physics import tilt
from ..units import MM
from .assurance import Errors
from .bounds import Hold, Task
from .outcome import log_wanted

if TYPE_CHECKING:
    from .search import Best

__all__ = ["Zones", "described", "far_corner", "measured_places", "on_field", "zones"]

_GRID = 9  # places across the field at which a measured map is read; a third of them in each zone
_ZONES = 3


def far_corner(machine: Machine, index: float) -> Hold | None:
    """What happens in the far corner of the field; None where the machine does not state its field.

    The spot's waist lies on the surface in the centre; where focus is not held, the corner lies out of focus by the longer way.
    """
    if machine.beam_height is None or machine.field_width is None or machine.field_length is None:
        return None
    x, y = 0.5 * float(machine.field_width.m_as(MM)), 0.5 * float(machine.field_length.m_as(MM))
    place = _leaning(machine, index, x, y)
    defocus = 0.0 if machine.focus_held else float(machine.beam_height.m_as(MM)) * (place.stretch - 1.0)
    divergence = machine.beam_quality * float(machine.wavelength.m_as(MM)) / math.pi
    return replace(place, out_of_focus=defocus, divergence=divergence)


def _leaning(machine: Machine, index: float, x: float, y: float) -> Hold:
    """The lean of the beam at a place; upright where the machine states no height."""
    if machine.beam_height is None:
        return Hold(1.0, 1.0, 1.0, at=(x, y))
    theta = float(tilt.incidence_angle(math.hypot(x, y), float(machine.beam_height.m_as(MM))))
    gain, slant = float(tilt.absorbed_gain(theta, index)), float(tilt.vertical_factor(theta, index))
    return Hold(gain, slant, float(tilt.footprint_factor(theta)), at=(x, y), angle=theta)


def measured_places(machine: Machine, index: float) -> tuple[Hold, ...]:
    """The measured map read on a grid over the field (or over the places measured, where no field is stated); empty without a map.

    Radii are taken as measured on the surface, so that the footprint of a leaning beam is in them.

    Raises
    ------
    FileError
        Too few places, or all on one line.
    """
    found = field_map(machine.field)
    if found is None:
        return ()
    corners = np.array([[p.x, p.y] for p in found.places])
    low, high = corners.min(axis=0), corners.max(axis=0)
    if machine.field_width is not None and machine.field_length is not None:
        high = 0.5 * np.array([float(machine.field_width.m_as(MM)), float(machine.field_length.m_as(MM))])
        low = -high
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(low[0], high[0], _GRID), np.linspace(low[1], high[1], _GRID)))
    try:
        surfaces = found.surfaces
    except ValueError as error:
        raise FileError(f"field: {error}") from None
    # ln radius and ln power at the places and, last, in the middle
    size, u_size = surfaces["size"].at(np.append(x, 0.0), np.append(y, 0.0))
    power, u_power = surfaces["power"].at(np.append(x, 0.0), np.append(y, 0.0)) if "power" in surfaces else np.zeros((2, size.size))
    places = []
    for i, (px, py) in enumerate(zip(x.tolist(), y.tolist())):
        lean = _leaning(machine, index, px, py)
        places.append(
            replace(
                lean,
                gain=lean.gain * math.exp(power[i] - power[-1]),
                stretch=1.0,
                wider=math.exp(size[i] - size[-1]),
                spot_unsure=math.hypot(u_size[i], u_size[-1]),
                power_unsure=math.hypot(u_power[i], u_power[-1]),
                extrapolated=not found.inside(px, py),
            )
        )
    return tuple(places)


def on_field(task: Task, places: Sequence[Hold]) -> Task:
    """The task with the measured place held that asks most of the centre, and the strongest and the finest one for upper limits."""
    if not places:
        return task
    b = task.bounds
    radius = math.sqrt(b.beam_radius_low * b.beam_radius_high)
    spacing = None if not task.pattern.raster else min(max(radius, b.hatch_spacing_low), b.hatch_spacing_high)
    worst = max(places, key=lambda place: float(np.ravel(replace(task, hold=place).depth_for(radius, spacing))[0]))
    hottest = max(place.gain / (1.0 if task.pattern.raster else place.wider) for place in places)
    finest = min(place.wider for place in places) if task.pattern.raster else 1.0
    return replace(_held(task, worst), hottest=max(hottest, 1.0), finest=min(finest, 1.0))


def _held(task: Task, place: Hold) -> Task:
    """The task with a place held, its own uncertainty counted."""
    e = task.errors
    errors = replace(e, beam_radius=math.hypot(e.beam_radius, place.spot_unsure), power=math.hypot(e.power, place.power_unsure))
    return replace(task, hold=place, errors=errors)


@dataclass(frozen=True)
class Zones:
    """Speeds of the zones of the field over the recipe's own, rows from low to high y, and the rate they would gain over the whole field.

    In each the place that asks most is held; no speed is above the machine's. `span` is the field in x and y (mm).
    """

    factors: tuple[tuple[float, ...], ...]
    gain: float
    worst: tuple[float, float]
    extrapolated: bool
    span: tuple[tuple[float, float], tuple[float, float]]


def zones(best: Best, places: Sequence[Hold], errors: Errors) -> Zones:
    """How much faster each zone of the field could be scanned than the place held allows, everything else as chosen.

    `errors` are those of the machine, without any place's own.
    """
    task = best.task
    assert task.hold is not None
    radius, spacing = np.array(best.beam_radius), None if best.hatch_spacing is None else np.array(best.hatch_spacing)

    def wanted(place: Hold) -> float:
        return float(log_wanted(_held(replace(task, errors=errors), place), best.light, radius, spacing))

    asked = np.array([wanted(place) for place in places]).reshape(_GRID, _GRID)
    third = _GRID // _ZONES
    most = asked.reshape(_ZONES, third, _ZONES, third).max(axis=(1, 3))
    factors = np.minimum(np.exp(float(best.log_wanted) - most), max(task.bounds.scan_speed_high / best.scan_speed, 1.0))
    across, up = zip(places[0].at, places[-1].at)
    return Zones(
        tuple(tuple(float(v) for v in row) for row in factors),
        float(1.0 / np.mean(1.0 / factors)) - 1.0,
        task.hold.at,
        any(place.extrapolated for place in places),
        (across, up),
    )


def described(found: Zones) -> dict[str, Any]:
    """As it stands in JSON."""
    return {
        "speed_factors": [list(row) for row in found.factors],
        "gain": found.gain,
        "held_at": {"x": {"value": found.worst[0], "unit": "mm"}, "y": {"value": found.worst[1], "unit": "mm"}},
        "extrapolated": found.extrapolated,
        "span": {"x": list(found.span[0]), "y": list(found.span[1]), "unit": "mm"},
    }
