"""What chosen settings bring with them: corners, field edge, interfaces, compensation, the gap from contour to hatch. Floats."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..physics import line, motion, raster, stack, tilt
from .search import Best

__all__ = ["Corner", "FieldEdge", "Seam", "compensation", "corner", "edge_depth_needed", "field_edge", "interface_exposure",
           "mean_print_through", "seam"]  # fmt: skip


@dataclass(frozen=True)
class Corner:
    """A full stop at a sharp corner at constant power: exposure over the steady line's, deeper by, and how far it reaches."""

    exposure_factor: float
    depth_error: float
    reach: float


def corner(best: Best) -> Corner | None:
    """The corner of the vectors found; None where the acceleration is not stated. An upper bound: many machines slow less."""
    a = best.task.acceleration
    if not math.isfinite(a):
        return None
    factor = float(motion.stop_factor(best.scan_speed, a, best.beam_radius))
    # a raster gets the stop on top of what its neighbours bring
    own = 1.0
    if best.task.pattern.raster:
        own = float(line.scan_exposure(best.power, best.beam_radius, best.scan_speed)) / best.exposure_max
        own = min(own * best.task.pattern.times, 1.0)
    total = 1.0 + own * (factor - 1.0)
    error = best.task.curve.penetration_depth * math.log(total)
    return Corner(total, error, float(motion.speed_up_distance(best.scan_speed, a)))


@dataclass(frozen=True)
class FieldEdge:
    """The far corner of the scan field: angle of the beam (rad), and the change of depth there in the worst direction (mm)."""

    incidence_angle: float
    depth_change: float


def _seen(theta: float, index: float) -> tuple[float, float]:
    """Share of the depth that is vertical, and exposure that gels over exposure of the surface, as in `settings.resin_seen`."""
    entering = float(tilt.transmission_ratio(theta, index)) * float(tilt.concentration(theta, index))
    return float(tilt.vertical_factor(theta, index)), entering


def field_edge(best: Best, half_diagonal: float, height: float, index: float) -> FieldEdge:
    """Depth of the weakest place in the far corner of the field, less that in the centre, at the same surface speed.

    Lines square to the tilt see the spot's longer axis. Source: `derived` from `tilt` and `raster`.
    """
    theta = float(tilt.incidence_angle(half_diagonal, height))
    vertical, entering = _seen(theta, index)
    curve = best.task.curve
    stretch = float(tilt.footprint_factor(theta))
    change = math.log(entering)
    if best.task.pattern.raster:
        s = best.hatch_spacing / best.beam_radius
        across = math.log(float(raster.valley(s / stretch) / raster.valley(s)))
        change += min(across, 0.0)
    else:
        change -= math.log(stretch)
    here = best.log_exposure - curve.log_threshold
    return FieldEdge(theta, curve.penetration_depth * (vertical * (here + change) - here))


def edge_depth_needed(
    depth: float, penetration_depth: float, half_diagonal: float, height: float, index: float, *, raster_lines: bool
) -> float:
    """Depth to aim at in the centre so that the far corner of the field still gets `depth`."""
    theta = float(tilt.incidence_angle(half_diagonal, height))
    vertical, entering = _seen(theta, index)
    lost = math.log(entering) - (0.0 if raster_lines else math.log(float(tilt.footprint_factor(theta))))
    return max(depth / vertical - penetration_depth * lost, depth)


def interface_exposure(best: Best, above: float) -> float:
    """Exposure at the bottom of a layer in its weakest place after all later layers, each with mean exposure `above`."""
    t, dp = best.task.layer_thickness, best.task.curve.penetration_depth
    own = best.exposure_min * math.exp(-t / dp)
    if best.task.layers <= 1:
        return own
    return own + above * math.exp(-2.0 * t / dp) * float(stack.accumulation(best.task.layers - 1, t, dp))


def mean_print_through(best: Best, layers: float | None = None) -> float:
    """Solid below a down-facing face at mean exposures, with `layers` in all (those of the task when None)."""
    task = best.task
    t, dp = task.layer_thickness, task.curve.penetration_depth
    n = task.layers if layers is None else layers
    above = best.exposure_mean if task.above is None else task.above
    total = best.exposure_mean
    if n > 1:
        total += above * math.exp(-t / dp) * float(stack.accumulation(n - 1, t, dp))
    return dp * (math.log(total) - task.curve.log_threshold) - t


def compensation(best: Best) -> tuple[int, float]:
    """Layers to leave out at a down-facing face so that it ends nearest to its place, and the print-through that remains.

    The lowest layer that is left takes the exposure of the down-facing kind.
    """
    t, n = best.task.layer_thickness, best.task.layers
    chosen, left = 0, mean_print_through(best)
    out = 0
    while out + 1 < n and left > 0.0 and out < 100_000:
        out += 1
        remains = mean_print_through(best, n - out) - out * t
        if abs(remains) < abs(left):
            chosen, left = out, remains
        if remains <= 0.0:
            break
    return chosen, left


@dataclass(frozen=True)
class Seam:
    """Where contour and hatch meet: distance from the contour's line to the first hatch line, and how far they overlap."""

    first_line: float
    overlap: float
    contour_offset: float


def seam(contour: Best, hatch: Best) -> Seam:
    """The widest distance of the first hatch line from the contour's line at which no place between is weaker than the weaker of the two.

    Exposures of the contour's line and of the hatch's lines add. The overlap is that of the two solids, each alone, at the
    depth of the layer.
    """
    spacing, target = hatch.hatch_spacing, min(contour.exposure_min, hatch.exposure_min)
    own = float(line.scan_exposure(hatch.power, hatch.beam_radius, hatch.scan_speed)) * hatch.task.pattern.times
    many = math.ceil(6.0 * hatch.beam_radius / spacing) + 2

    def weakest(distance: float) -> float:
        y = np.linspace(0.0, distance, 121)  # further in the hatch stands by itself
        lines = distance + spacing * np.arange(many)
        with np.errstate(under="ignore"):
            total = line.line_profile(contour.exposure_min, contour.beam_radius, y)
            total = total + line.line_profile(own, hatch.beam_radius, y[:, None] - lines).sum(1)
        return float(total.min())

    low, high = 0.0, 3.0 * (contour.beam_radius + hatch.beam_radius) + spacing
    for _ in range(45):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if weakest(middle) >= target * (1.0 - 1e-9) else (low, middle)
    reach = _raster_edge(hatch, own, many)
    return Seam(low, 0.5 * contour.line_width_at_layer + reach - low, 0.5 * contour.line_width)


def _raster_edge(hatch: Best, own: float, many: int) -> float:
    """How far the hatch alone is solid through the layer beyond its first line; negative where it stops short of it."""
    t, curve = hatch.task.layer_thickness, hatch.task.curve
    needed = math.exp(curve.log_threshold + t / curve.penetration_depth)
    lines = hatch.hatch_spacing * np.arange(many)

    def dose(y: float) -> float:
        with np.errstate(under="ignore"):
            return float(np.sum(line.line_profile(own, hatch.beam_radius, y + lines)))

    low, high = -many * hatch.hatch_spacing, 5.0 * hatch.beam_radius
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if dose(middle) >= needed else (low, middle)
    return low
