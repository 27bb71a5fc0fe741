"""What a kind of vector asks and what bounds it, as plain floats in mm, s, mW, mJ."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..physics import motion
from ..units import MM, MM_S, MW, Quantity
from .assurance import Curve, Errors
from .light import Pattern, shape

if TYPE_CHECKING:
    from ..jobs.machine import Machine
    from ..jobs.needs import VectorNeeds

__all__ = ["Bounds", "DEPTHS", "Hold", "LIMITS", "LIMIT_NAMES", "MET_BY_PASSES", "RunUp", "Task", "bounds_of", "moved", "number_of"]

INFINITE = float("inf")

LIMITS = {
    "scan_speed_low": ("least scan speed", "speed"),
    "ripple": ("ripple", "length"),
    "print_through": ("print-through", "length"),
    "overcure": ("largest overcure", "length"),
    "line_width_high": ("largest line width", "length"),
    "line_width_low": ("smallest line width", "length"),
    "width_accuracy": ("width accuracy", "length"),
    "power_high": ("laser power", "power"),
    "power_low": ("least laser power", "power"),
    "beam_radius_high": ("largest beam radius", "length"),
    "beam_radius_low": ("smallest beam radius", "length"),
    "hatch_spacing_low": ("smallest hatch spacing", "length"),
    "hatch_spacing_high": ("largest hatch spacing", "length"),
    "scan_speed_high": ("scanner speed", "speed"),
    "pulse_share": ("pulse spacing", "number"),
}
"""Plain name and kind of the limits, by field of `Bounds`: those of what comes out, then the ranges of what is set."""
LIMIT_NAMES = {field: name for field, (name, _) in LIMITS.items()}
DEPTHS = ("print_through", "overcure")  # upper limits that may be zero or less: moved by shares of the layer
MET_BY_PASSES = (LIMIT_NAMES["scan_speed_low"], "given scan speed")  # limits that more passes over the same lines can meet


@dataclass(frozen=True)
class Bounds:
    """Limits of one kind of vector. A range of one value is a setting that is given.

    `pulse_share` is the largest distance between pulses over the beam radius; `ripple`, `print_through` and `overcure`
    are depths (mm) that may not be exceeded; `width_accuracy` bounds the expanded uncertainty of the line width (mm).
    `power_least` is the least the laser gives, below which power cannot follow speed. The steps are those
    of what the machine can be set to; 0: any value.
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
    power_least: float = 0.0
    power_step: float = 0.0
    scan_speed_step: float = 0.0
    beam_radius_step: float = 0.0
    hatch_spacing_step: float = 0.0


def number_of(q: Quantity | None, unit: Any, otherwise: float = INFINITE) -> float:
    """A quantity of a file in a unit, or what stands where none is given."""
    return otherwise if q is None else float(q.m_as(unit))


def bounds_of(machine: Machine, one: VectorNeeds, ranges: dict[str, tuple[float, float]]) -> Bounds:
    """What machine and needs ask of one kind of vector, within the ranges of what is set."""
    return Bounds(
        **{f"{key}_{end}": value for key, both in ranges.items() for end, value in zip(("low", "high"), both)},
        pulse_share=INFINITE if machine.pulse_rate is None else machine.pulse_spacing_max,
        ripple=number_of(one.ripple_max, MM),
        print_through=number_of(one.print_through_max, MM),
        overcure=number_of(one.overcure_max, MM),
        line_width_low=number_of(one.line_width_min, MM, 0.0),
        line_width_high=number_of(one.line_width_max, MM),
        width_accuracy=number_of(one.width_accuracy, MM),
        power_least=number_of(machine.power_min, MW, 0.0),
        power_step=number_of(machine.power_step, MW, 0.0),
        scan_speed_step=number_of(machine.scan_speed_step, MM_S, 0.0),
        beam_radius_step=number_of(machine.beam_radius_step, MM, 0.0),
        hatch_spacing_step=number_of(machine.hatch_spacing_step, MM, 0.0),
    )


@dataclass(frozen=True)
class RunUp:
    """What the laser does while the scanner speeds up at both ends of a vector, and from where inside them places are judged.

    `follows` None: the beam is off until speed is reached, the run-up lies outside the vector; else the power goes with speed to that power
    (0: the beam stays on, 1: power follows speed). `reached` is the share of the vector that must be at full speed, `margin` the
    distance from each end in beam radii.
    """

    follows: float | None = None
    reached: float = 0.5
    margin: float = 1.0


@dataclass(frozen=True)
class Hold:
    """A place in the field where the beam leans and may be out of focus: what a depth there asks of the centre.

    `wider` is the measured radius there over that in the centre, with its relative standard uncertainty and the power's; `at` is in mm
    from the middle, `angle` (rad) the lean of the beam. A measured power ratio is in `gain`.
    """

    gain: float
    slant: float
    stretch: float
    out_of_focus: float = 0.0
    divergence: float = 0.0
    wider: float = 1.0
    spot_unsure: float = 0.0
    power_unsure: float = 0.0
    at: tuple[float, float] = (0.0, 0.0)
    angle: float = 0.0
    extrapolated: bool = False

    def growth(self, radius: Any) -> Any:
        """The spot's radius there over that in the centre: its waist lies on the surface in the centre."""
        return self.wider * np.hypot(1.0, self.divergence * self.out_of_focus / np.asarray(radius, float) ** 2)


@dataclass(frozen=True)
class Task:
    """One kind of vector: its pattern, the depth its weakest place must reach, how surely, and its bounds.

    `depth` (mm) is to be reached with `assurance`, for a `single` layer or the mean of many. `layers` equal layers lie
    on a down-facing face, each with the surface exposure `above` (mJ/mm^2; the kind's own mean where None).
    `vector_length` is a typical length (mm), infinite where overheads at the ends do not count; `run_up` says what happens at its
    ends (None: they are not looked at); `move_speed` is that from vector to vector, beam off.
    With `assured_limits` the upper limits hold with the same assurance, else by the expected value.
    `hold` is a place in the field that must get the depth too; `hottest` the dose of the strongest place over the centre's, where upper
    limits hold; `finest` the smallest spot of the field over the centre's, where lines leave the highest ridges. `able` is what the
    machine can set where the needs give one value: name, least, greatest. `reserve` is the ln dose kept in hand beyond what assures the
    depth.
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
    move_speed: float = INFINITE
    run_up: RunUp | None = None
    assured_limits: bool = False
    hold: Hold | None = None
    corner_speed: float = 0.0
    hottest: float = 1.0
    finest: float = 1.0
    able: tuple[tuple[str, float, float], ...] = ()
    reserve: float = 0.0

    def depth_for(self, radius: Any, spacing: Any = None) -> Any:
        """Depth to aim at in the centre so that the place held still gets `depth`, for beam radii and spacings."""
        if self.hold is None:
            return self.depth
        law, place, w = self.curve.cure, self.hold, self.pattern.exponent
        # a line square to the tilt is spread over the longer axis; lines of a raster make up for one another, but for w > 1
        wide = place.growth(radius)
        spread = (wide**2 * place.stretch) ** max(w - 1.0, 0.0) if self.pattern.raster else wide ** (2.0 * w - 1.0) * place.stretch**w
        # the valleys of a finer spot are deeper; its radius was measured with the lean in it
        if self.pattern.raster and place.wider != 1.0 and spacing is not None:
            here, there = (shape(self.pattern, np.asarray(radius, float) * k, spacing, powers=False).weakest for k in (1.0, wide))
            spread = here / there
        if self.run_up is not None and math.isfinite(self.vector_length):
            # a longer spot is cut by the vector's end: where the beam of a raster leans along it, or is wider
            long = wide * (place.stretch if self.pattern.raster else 1.0)
            here, there = (motion.share(self.run_up.margin, math.nan, one, motion.Ends(math.inf), w) for one in (1.0, long))
            spread = spread * np.maximum(here / there, 1.0)
        return np.maximum(law.depth(law.tilted(place.gain, place.slant).dose(self.depth) * spread), self.depth)


def moved(task: Task, limit: str, factor: float) -> Task:
    """The task with one limit multiplied; a lower bound of zero or an infinite upper one stays what it is."""
    return replace(task, bounds=replace(task.bounds, **{limit: factor * getattr(task.bounds, limit)}))
