"""Measured places of the field with units: a map, read at its middle, with what it says from place to place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..statistics.intervals import t_factor
from ..symbols import percent
from ..units import DEG, MM, RAD, Quantity, QuantityError, finite, show_kernel
from .field import FieldMap, FieldSpot, Place
from .measurement import COMMON, BeamMeasurement, Estimate, checked, estimate

__all__ = ["field_beam", "field_of_files", "place_of"]


def place_of(measurement: BeamMeasurement, at: tuple[Quantity, Quantity]) -> Place:
    """One measurement as a place of the field; what its radii share with all others is left to the map."""
    x, y = (float(finite(f"at {name}", value, MM)) for name, value in zip("xy", at, strict=True))
    own = math.sqrt(sum(p.relative**2 for p in measurement.radius_x.parts if not p.name.startswith(COMMON)))
    return Place(
        x=x,
        y=y,
        radius_x=float(measurement.radius_x.value.m_as(MM)),
        radius_y=None if measurement.radius_y is None else float(measurement.radius_y.value.m_as(MM)),
        angle=float(measurement.angle.m_as(RAD)),
        relative=own,
    )


def field_of_files(files: Sequence[str | Path], at: Sequence[tuple[Quantity, Quantity]], **options: Any) -> BeamMeasurement:
    """A map from one file of a beam measurement at each place; options as in `measure_file`.

    Raises
    ------
    QuantityError
        Not one place for each file, or power readings among them.
    """
    from .measure import measure_file

    if len(files) != len(at):
        raise QuantityError(
            f'at: {len(files)} files and {len(at)} places. Give one place, like "10 mm, 20 mm", for each file, in their order.'
        )
    found = [measure_file(file, **options) for file in files]
    beams = [f for f in found if isinstance(f, BeamMeasurement)]
    if len(beams) < len(found):
        raise QuantityError("at: power readings give no radius. Name files of scans, pictures or caustics.")
    common = max(math.sqrt(sum(p.relative**2 for p in b.radius_x.parts if p.name.startswith(COMMON))) for b in beams)
    told = tuple(f"{b.source}: {w}" for b in beams for w in b.warnings)
    return field_beam([place_of(b, where) for b, where in zip(beams, at, strict=True)], common=common, warnings=told)


def field_beam(
    places: Sequence[Place], *, common: float = 0.0, confidence: float = 0.95, warnings: tuple[str, ...] = (), notes: tuple[str, ...] = ()
) -> BeamMeasurement:
    """The map as a measurement: its radius is the one in the middle of the places, `fits` holds the `FieldMap`.

    Parameters
    ----------
    places : sequence of Place
        Five at least, not on one line.
    common : float
        Relative standard uncertainty that all radii share.
    confidence : float

    Raises
    ------
    QuantityError

    >>> grid = [Place(x=x, y=y, radius_x=0.1 + 1e-6 * x * x) for x in (-50.0, 0.0, 50.0) for y in (-50.0, 0.0, 50.0)]
    >>> f"{field_beam(grid).radius_x.value.m_as('um'):.1f}"
    '100.0'
    """
    if any((p.radius_y is None) != (places[0].radius_y is None) for p in places):
        raise QuantityError("some places state one radius and others two. Measure both axes everywhere, or one.")
    field = FieldMap(places=tuple(places), common=common)
    surfaces = checked(lambda: field.surfaces)
    x, y = np.array([p.x for p in places]), np.array([p.y for p in places])
    middle = field.at(float(x.min() + x.max()) / 2.0, float(y.min() + y.max()) / 2.0)
    grid = [field.at(float(a), float(b)) for a in np.linspace(x.min(), x.max(), 9) for b in np.linspace(y.min(), y.max(), 9)]
    within = [spot for spot in grid if not spot.extrapolated]
    least, most = min(within, key=lambda s: s.radius), max(within, key=lambda s: s.radius)
    size = surfaces["size"]
    spread = t_factor(confidence, size.degrees_of_freedom) * max(spot.relative for spot in within)
    bent = "a thin plate" if size.plate > 0.5 else "a quadratic surface" if size.curved > 0.5 else "a plane"
    details: dict[str, Any] = {
        "radius_is": "in the middle of the field",
        "places": len(places),
        "surface": bent,
        "surface_weight_quadratic": size.curved,
        "surface_weight_thin_plate": size.plate,
        "smallest_spot": _told(least),
        "largest_spot": _told(most),
        "widest_band": spread,
    }
    if "power" in surfaces:
        factors = [s.power_factor for s in within]
        details["power_factor_range"] = [min(factors), max(factors)]
    if spread > 0.1:
        told = f"the map's {percent(confidence, '.0f')} band reaches {percent(spread, '.0f')} of the radius."
        warnings = (*warnings, f"{told} Measure more places, or each more exactly.")
    return BeamMeasurement(
        kind="field",
        radius_x=_estimate(middle, 0, size.degrees_of_freedom, common, confidence),
        radius_y=None if field.round else _estimate(middle, 1, size.degrees_of_freedom, common, confidence),
        angle=Quantity(math.degrees(middle.angle), DEG),
        u_angle=Quantity(math.degrees(math.sqrt(middle.covariance[2, 2])), DEG),
        details=details,
        warnings=warnings,
        notes=notes,
        steps=(
            Step(
                "ln W(x, y) = plane + quadratic + thin plate",
                f"{len(places)} places, sizes of both by restricted likelihood",
                f"{bent}; band {percent(spread, '.2g')} at its widest inside the places",
                "The surface bends as much as the readings ask for, and its band knows that this was chosen.",
            ),
        ),
        fits=(("field", field, x, y),),
    )


def _estimate(spot: FieldSpot, axis: int, dof: int, common: float, confidence: float) -> Estimate:
    value = (spot.radius_x, spot.radius_y)[axis]
    own = math.sqrt(max(float(spot.covariance[axis, axis]) - common**2, 0.0))
    return estimate(
        value, [("map (Type A)", own * value, dof), (f"{COMMON}length scale (Type B)", common * value, math.inf)], confidence=confidence
    )


def _told(spot: FieldSpot) -> str:
    return f"{show_kernel(spot.radius, 'length', spot.relative * spot.radius)} at {spot.x:.4g}, {spot.y:.4g} mm"
