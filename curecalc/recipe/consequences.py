"""What chosen settings bring with them: corners, field edge, interfaces, compensation, the gap from contour to hatch. Floats."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..physics import light, motion, stack
from ..physics.roots import falling_root
from ..statistics.intervals import t_quantile
from .assurance import depth_state, relative_variance
from .bounds import Hold, RunUp
from .ends import ends_of
from .search import Best, best_settings

__all__ = [
    "Corner",
    "FieldEdge",
    "Proof",
    "Seam",
    "as_if_always_at_speed",
    "compensation",
    "corner",
    "depth_along",
    "field_edge",
    "interface_exposure",
    "mean_print_through",
    "proof",
    "seam",
    "shifted",
]


_PLACES = 361  # between contour and hatch


@dataclass(frozen=True)
class Corner:
    """A full stop at a sharp corner at constant power: exposure over the steady line's, deeper by, and how far it reaches."""

    exposure_factor: float
    depth_error: float
    reach: float


def corner(best: Best) -> Corner | None:
    """A sharp corner of the vectors found; None where the acceleration is not stated.

    Where the beam is off while the scanner turns, two hard ends meet and make a line; else both arms slow to the corner's speed.
    """
    task = best.task
    if not math.isfinite(task.acceleration):
        return None
    pattern, law, scan = task.pattern, task.curve.cure, _scan(best)
    _, along = scan.spot.radii(scan.track)
    ends = motion.Ends(math.inf, task.acceleration) if task.run_up is None else ends_of(task, best.power, math.inf, task.corner_speed)
    factor = 2.0 * float(motion.share(0.0, best.scan_speed, float(along), ends, pattern.exponent))
    # a raster gets the stop on top of what its neighbours bring
    steady = best.dose_max / best.along_max
    own = pattern.doses(replace(scan, spacing=None, crossed=False))["mean"] * (2 if scan.crossed else 1) / steady
    total = 1.0 + own * (factor - 1.0)
    slowed = float(motion.speed_up_distance(best.scan_speed, task.acceleration))
    reach = 0.0 if task.run_up is not None and task.run_up.follows is None else slowed
    return Corner(total, float(law.height(steady * total) - law.height(steady)), reach)


def _scan(best: Best) -> light.Scan:
    return best.task.pattern.scan(best.power, best.beam_radius, best.hatch_spacing, best.scan_speed)


@dataclass(frozen=True)
class FieldEdge:
    """The far corner of the scan field: angle of the beam (rad), and the change of depth there in the worst direction (mm)."""

    incidence_angle: float
    depth_change: float


def field_edge(best: Best, place: Hold) -> FieldEdge:
    """Depth of the weakest place where the beam leans, less that in the centre, at the same surface speed.

    The worse of a beam that leans along the tracks and one that leans across them, the spot as far out of focus as the place is.
    Source: `derived` from `tilt` and `light`.
    """
    law, pattern, scan = best.task.curve.cure, best.task.pattern, _scan(best)
    growth = float(place.growth(best.beam_radius))
    other = None if scan.spot.wy is None else scan.spot.wy * growth
    there = replace(scan.spot, wx=scan.spot.wx * growth, wy=other, stretch=place.stretch)
    least = min(float(pattern.doses(replace(scan, spot=replace(there, lean=scan.track + turn)))["min"]) for turn in (0.0, 0.5 * math.pi))
    here = pattern.doses(scan)["min"]
    return FieldEdge(place.angle, float(law.tilted(place.gain, place.slant).depth(least) - law.depth(here)))


def interface_exposure(best: Best, above: float) -> float:
    """Dose at the bottom of a layer in its weakest place after all later layers, each with mean dose `above`."""
    task = best.task
    law, t = task.curve.cure, task.layer_thickness
    return float(law.below(stack.total(law, best.dose_min, t, task.layers, above), t))


@dataclass(frozen=True)
class Proof:
    """A coupon of the kind, free on glass: its thickness as coupons are read (mm), and the 95 % interval for one coupon made today."""

    thickness: float
    low: float
    high: float


def proof(best: Best) -> Proof:
    """What a coupon exposed with the settings shows where the recipe holds: a raster by its mean exposure, a line by its peak."""
    task, (radius, *others) = best.task, best.light.powers
    x = math.log(best.dose_mean)
    relative = relative_variance(task.errors, 0.0 if task.pattern.raster else radius, *others)
    state = depth_state(task.curve, task.errors, x, relative, single=True)
    half = float(t_quantile(0.975, state["degrees_of_freedom"]) * state["standard_uncertainty"])
    thickness = float(state["depth"])
    return Proof(thickness, max(thickness - half, 0.0), thickness + half)


def mean_print_through(best: Best) -> float:
    """Solid below a down-facing face at mean doses."""
    task = best.task
    return float(stack.print_through(task.curve.cure, best.dose_mean, task.layer_thickness, task.layers, task.above))


def compensation(best: Best) -> tuple[int, float]:
    """Layers to leave out at a down-facing face so that it ends nearest to its place, and the print-through that remains.

    The lowest layer that is left takes the exposure of the down-facing kind.
    """
    task = best.task
    return stack.compensation(task.curve.cure, best.dose_mean, task.layer_thickness, task.layers, task.above)


@dataclass(frozen=True)
class Seam:
    """Where contour and hatch meet: distances (mm) from the contour's line, with the depth the weakest place between then has.

    `first_line` to the first hatch line beside it, `line_ends` to where hatch lines end at it; `overlap` of the two solids, each alone,
    beside it; `contour_offset` of the contour's line from the drawing.
    """

    first_line: float
    first_line_depth: float
    line_ends: float
    line_ends_depth: float
    overlap: float
    contour_offset: float


def seam(contour: Best, hatch: Best) -> Seam:
    """The widest distances of hatch from contour at which no place between is weaker than the weaker of the two alone.

    Doses of the contour's line and of the hatch add. Beside the contour the hatch's lines are summed; towards their ends the weakest
    place between the lines fades as the end of a vector does.
    """
    spacing, target = hatch.hatch_spacing, min(contour.dose_min, hatch.dose_min)
    one, outline, pattern = _one_line(hatch), _one_line(contour), contour.task.pattern
    law = hatch.task.curve.cure
    far = one.spot.reach(pattern.exponent)
    lines = np.arange(0.0, far * hatch.beam_radius + spacing, spacing)
    valley = hatch.dose_min / hatch.along_min
    reach = far * (contour.beam_radius + hatch.beam_radius)

    def drawn(y: Any) -> Any:
        return light.across(outline, y, pattern.exponent, pattern.reference)

    def beside(distance: float) -> float:
        y = np.linspace(0.0, distance, _PLACES)  # further in the hatch stands by itself
        with np.errstate(under="ignore"):
            lit = light.across(one, y[:, None] - distance - lines, pattern.exponent, pattern.reference).sum(1)
            return float((drawn(y) + lit).min())

    def towards(distance: float) -> float:
        y = np.linspace(0.0, distance + reach, _PLACES)
        with np.errstate(under="ignore"):
            return float((drawn(y) + valley * _end(hatch, y - distance)).min())

    def widest(weakest: Callable[[float], float], least: float, most: float) -> tuple[float, float]:
        goal = min(target, weakest(least)) * (1.0 - 1e-9)
        gap = float(falling_root(weakest, goal, least, most))
        return gap, float(law.height(weakest(gap)))

    first_line, its_depth = widest(beside, 0.0, reach + spacing)
    # lines of a wide spot may have to end beyond the line of a fine contour: a distance below zero
    line_ends, their_depth = widest(towards, -reach, reach)
    overlap = 0.5 * contour.line_width_at_layer + _raster_edge(hatch, one, lines) - first_line
    return Seam(first_line, its_depth, line_ends, their_depth, overlap, 0.5 * contour.line_width)


def _end(best: Best, s: Any) -> Any:
    """Share of the steady dose at s past the end of long vectors, as the machine runs up to them."""
    return _share(best, s, math.inf)


def _share(best: Best, s: Any, length: float) -> Any:
    task = best.task
    _, along = _scan(best).spot.radii(task.pattern.tracks[0])
    return motion.share(s, best.scan_speed, float(along), ends_of(task, best.power, length), task.pattern.exponent)


def depth_along(best: Best, s: Any) -> Any:
    """Depth of the weakest place across the lines at s past the start of a vector of typical length (mm); as in `ends.along`."""
    steady = best.dose_min / best.along_min
    with np.errstate(divide="ignore"):
        return best.task.curve.cure.depth(steady * _share(best, s, best.task.vector_length))


def as_if_always_at_speed(best: Best) -> Best:
    """What a search that looks at steady scanning alone would choose, as a scanner with the beam on from rest to rest then cures it."""
    task = best.task
    steady = best_settings(replace(task, run_up=None, assured_limits=False, hold=None))
    return Best(replace(task, run_up=RunUp(0.0)), steady.found)


def shifted(best: Best) -> tuple[float, float]:
    """With the hatch moved by half a spacing from layer to layer: greatest print-through, and the weakest bond's dose (mm, mJ/mm^2).

    Sums of layers, so for laws whose doses fall off as an exponential.
    """
    task = best.task
    law, t = task.curve.cure, task.layer_thickness
    if law.reach is None or not task.pattern.raster:
        raise ValueError("a shifted hatch is worked out for rasters in resins whose doses add")
    ridge, valley = best.dose_max, best.dose_min
    # a place gets a ridge and a valley in turn, so every other layer from the first above on adds the one, from the second on the other
    pairs = 0.5 * (task.layers - 1.0)
    odd = law.below(1.0, t) * stack.accumulation(np.ceil(pairs), 2.0 * t, law.reach)
    even = law.below(1.0, 2.0 * t) * stack.accumulation(np.floor(pairs), 2.0 * t, law.reach)
    under_ridge, under_valley = ridge * (1.0 + even) + valley * odd, valley * (1.0 + even) + ridge * odd
    return float(law.height(under_ridge) - t), float(law.below(under_valley, t))


def _one_line(best: Best) -> light.Scan:
    """A single line of the pattern; of a crossed one with the light of both rasters."""
    return replace(_scan(best), spacing=None, crossed=False, passes=float(best.task.pattern.times))


def _raster_edge(hatch: Best, one: light.Scan, lines: Any) -> float:
    """How far the hatch alone is solid through the layer beyond its first line; negative where it stops short of it."""
    pattern = hatch.task.pattern
    needed = float(hatch.task.curve.cure.dose(hatch.task.layer_thickness))

    def dose(y: float) -> Any:
        with np.errstate(under="ignore"):
            return light.across(one, y + lines, pattern.exponent, pattern.reference).sum()

    return float(falling_root(dose, needed, -lines.max(), lines.max()))
