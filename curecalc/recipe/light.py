"""Exposure of a line or raster for unit power and speed, and the powers with which each setting enters. Floats, arrays."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ..physics import raster

__all__ = ["Pattern", "Shape", "shape"]

_ROOT_2_PI = math.sqrt(2.0 / math.pi)
_LEAST_STEP = 1e-4


class Pattern(NamedTuple):
    """One line or a raster, how often, and whether the laser is pulsed (rate in Hz, or None)."""

    raster: bool
    passes: int = 1
    crossed: bool = False
    pulse_rate: float | None = None

    @property
    def times(self) -> int:
        """How often each place is scanned."""
        return self.passes * (2 if self.crossed else 1)


class Shape(NamedTuple):
    """Exposure at the weakest, the mean and the strongest place, times v/P; and local powers of the weakest one."""

    weakest: Any
    mean: Any
    strongest: Any
    radius_power: Any
    speed_power: Any
    spacing_power: Any


def _log_slope(s: Any, step: float) -> Any:
    """Slope of ln valley over ln s, across a step towards larger s: the side on which the valley falls faster."""
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (np.log(raster.valley(s * math.exp(step))) - np.log(raster.valley(s))) / step
    return np.where(np.isfinite(slope), slope, -(np.asarray(s, float) ** 2))


def shape(
    pattern: Pattern,
    beam_radius: Any,
    hatch_spacing: Any,
    scan_speed: Any = 1.0,
    step: float = 0.0,
    *,
    powers: bool = True,
) -> Shape:
    """The exposures times v/P. `scan_speed` matters for a pulsed laser only.

    `step` is the relative error over which the powers are taken, since the valley falls ever faster as lines move
    apart: about two standard uncertainties of the radius. Zero gives the local powers. Without `powers` those of a raster are
    left at zero, for searches that need the exposures alone.
    """
    step = max(step, _LEAST_STEP)
    w = np.asarray(beam_radius, float)
    n = float(pattern.times)
    if pattern.raster:
        h = np.asarray(hatch_spacing, float)
        s = h / w
        mean = n / h
        low, high = mean * raster.valley(s), mean * raster.ridge(s)
        across = _log_slope(s, step) if powers else np.zeros(np.shape(s))
        radius, spacing = -across, across - 1.0
    else:
        mean = n * _ROOT_2_PI / w
        low = high = mean
        radius, spacing = np.full(w.shape, -1.0), np.zeros(w.shape)
    speed: Any = np.full(np.shape(low), -1.0)
    if pattern.pulse_rate is not None:
        pitch = np.asarray(scan_speed, float) / pattern.pulse_rate / w
        low, high = low * raster.valley(pitch), high * raster.ridge(pitch)
        along = _log_slope(pitch, step) if powers else np.zeros(np.shape(pitch))
        radius, speed = radius - along, speed + along
    return Shape(low, mean, high, radius, speed, spacing)
