"""What a kind of vector asks and what bounds it, as plain floats in mm, s, mW, mJ."""

from __future__ import annotations

from dataclasses import dataclass, replace

from .assurance import Curve, Errors
from .light import Pattern

__all__ = ["Bounds", "Task", "LIMIT_NAMES", "moved"]

INFINITE = float("inf")

LIMIT_NAMES = {
    "power_high": "laser power",
    "power_low": "least laser power",
    "beam_radius_low": "smallest beam radius",
    "beam_radius_high": "largest beam radius",
    "hatch_spacing_low": "smallest hatch spacing",
    "hatch_spacing_high": "largest hatch spacing",
    "scan_speed_high": "scanner speed",
    "scan_speed_low": "least scan speed",
    "pulse_share": "pulse spacing",
    "ripple": "ripple",
    "print_through": "print-through",
    "overcure": "largest overcure",
    "line_width_high": "largest line width",
    "line_width_low": "smallest line width",
    "width_accuracy": "width accuracy",
}
"""Plain names of the limits, by field of `Bounds`."""


@dataclass(frozen=True)
class Bounds:
    """Limits of one kind of vector. A range of one value is a setting that is given.

    `pulse_share` is the largest distance between pulses over the beam radius; `ripple`, `print_through` and `overcure`
    are depths (mm) that may not be exceeded; `width_accuracy` bounds the expanded uncertainty of the line width (mm).
    """

    power_low: float
    power_high: float
    beam_radius_low: float
    beam_radius_high: float
    scan_speed_low: float
    scan_speed_high: float
    hatch_spacing_low: float = 0.0
    hatch_spacing_high: float = INFINITE
    pulse_share: float = INFINITE
    ripple: float = INFINITE
    print_through: float = INFINITE
    overcure: float = INFINITE
    line_width_low: float = 0.0
    line_width_high: float = INFINITE
    width_accuracy: float = INFINITE


@dataclass(frozen=True)
class Task:
    """One kind of vector: its pattern, the depth its weakest place must reach, how surely, and its bounds.

    `depth` (mm) is to be reached with `assurance`, for a `single` layer or the mean of many. `layers` equal layers lie
    on a down-facing face, each with the surface exposure `above` (mJ/mm^2; the kind's own mean where None).
    `vector_length` is a typical length (mm), infinite where overheads at the ends do not count.
    """

    kind: str
    pattern: Pattern
    layer_thickness: float
    depth: float
    assurance: float
    single: bool
    curve: Curve
    errors: Errors
    bounds: Bounds
    layers: float = INFINITE
    above: float | None = None
    vector_length: float = INFINITE
    acceleration: float = INFINITE
    settling: float = 0.0


def moved(task: Task, limit: str, factor: float) -> Task:
    """The task with one limit multiplied; a lower bound of zero or an infinite upper one stays what it is."""
    return replace(task, bounds=replace(task.bounds, **{limit: factor * getattr(task.bounds, limit)}))
