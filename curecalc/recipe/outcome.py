"""What settings of one kind of vector do: the depths, widths and rates limits are asked of. Floats and arrays."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..physics import light as _light
from ..physics import motion, stack
from .assurance import assured_log_exposure, relative_variance
from .bounds import Task
from .light import Shape, shape

__all__ = ["at_settings", "fastest_at", "line_widths", "rate", "step_of", "violations", "wanted_over_ratio"]

_PULSE_STEPS = 24
_MORE = np.geomspace(1.0, 40.0, 121)
_MOST = 600.0  # log exposure no machine reaches, still a number in float64
_RATIOS = np.linspace(0.02, 6.0, 1500)
COVERAGE = 2.0  # of the expanded uncertainty of a line width


def step_of(task: Task) -> float:
    """Relative error of the radius over which the powers of the settings are taken."""
    return 2.0 * math.hypot(task.errors.beam_radius, task.errors.beam_radius_scale)


def rate(task: Task, speed: Any, spacing: Any) -> Any:
    """Area (or, for lines, length) finished per time, with the overhead at the ends of vectors of typical length."""
    if math.isfinite(task.vector_length):
        speed = task.vector_length / (motion.vector_time(task.vector_length, speed, task.acceleration) + task.settling)
    return speed * (spacing if task.pattern.raster else 1.0) / task.pattern.times


def _needed(task: Task, light: Shape) -> Any:
    relative = relative_variance(task.errors, *light[3:])
    return assured_log_exposure(task.curve, task.errors, relative, task.depth, assurance=task.assurance, single=task.single)


def wanted_over_ratio(task: Task) -> Any | None:
    """The exposure needed as a quick function of spacing over radius (any for a line), where it depends on that alone.

    A table for searches, good to about 1e-7; None where more enters: the speed of a pulsed
    laser, the directions of an ellipse, the spot itself under an exponent.
    """
    if task.pattern.pulse_rate is not None:
        return None
    if task.pattern.spot.wy is not None or task.pattern.exponent != 1.0:
        return None
    if not task.pattern.raster:
        value = float(_needed(task, shape(task.pattern, 1.0, None, 1.0, step_of(task))))
        return lambda ratio: value
    values = _needed(task, shape(task.pattern, 1.0, _RATIOS, 1.0, step_of(task)))
    return lambda ratio: np.interp(ratio, _RATIOS, values)


def fastest_at(task: Task, radius: Any, spacing: Any, quick: Any | None = None) -> dict[str, Any]:
    """The fastest speed, and the power it takes, for given radii and spacings; then all that `at_settings` gives.

    Full power where the scanner allows the speed it gives; else the speed limit and the power that meets the depth
    there, though not less than the least power. `quick` is `wanted_over_ratio`.
    """
    b = task.bounds
    cap = b.scan_speed_high
    if math.isfinite(task.vector_length * task.acceleration):
        # beyond this speed a typical vector ends before it is reached: nothing is gained, the exposure only grows uneven
        cap = min(cap, max(math.sqrt(task.vector_length * task.acceleration), b.scan_speed_low))
    rate_of_pulses = task.pattern.pulse_rate
    if rate_of_pulses is not None:
        cap = np.minimum(cap, b.pulse_share * rate_of_pulses * radius)
    speed: Any = cap * np.ones(np.shape(radius)) if rate_of_pulses is not None else 1.0
    for _ in range(1 if rate_of_pulses is None else _PULSE_STEPS):
        light = shape(task.pattern, radius, spacing, speed, step_of(task), powers=quick is None)
        wanted = _needed(task, light) if quick is None else quick(1.0 if spacing is None else spacing / radius)
        per_power = light.weakest / np.exp(_aimed(task, light, wanted, radius))
        new = np.minimum(b.power_high**task.pattern.exponent * per_power, cap)
        settled = np.all(np.abs(new - speed) <= 1e-14 * new)
        speed = new
        if settled:
            break
    power = np.clip((speed / per_power) ** (1.0 / task.pattern.exponent), b.power_low, b.power_high)
    return at_settings(task, power, radius, spacing, speed, light=light, wanted=wanted)


def _aimed(task: Task, light: Shape, wanted: Any, radius: Any) -> Any:
    """The exposure to aim at: what depth needs, or more where a line has to be wider or its width surer."""
    b = task.bounds
    if task.pattern.raster or (b.line_width_low <= 0.0 and b.width_accuracy == math.inf):
        return wanted
    threshold = task.curve.log_threshold
    scan = task.pattern.scan(1.0, radius, None, 1.0)
    with np.errstate(over="ignore"):
        needed = _light.dose_for_width(scan, b.line_width_low, task.curve.cure.dose(0.0), task.pattern.exponent)
    wide = np.minimum(np.log(needed), _MOST)
    x = np.maximum(wanted, wide) + np.zeros(np.shape(radius))
    if b.width_accuracy == math.inf:
        return x

    def unsure(excess: Any) -> Any:
        lit = light._replace(radius_power=light.radius_power[..., None], speed_power=light.speed_power[..., None])
        return line_widths(task, lit, threshold + excess, radius[..., None])["line_width_expanded"] > b.width_accuracy

    radius = np.asarray(radius, float)
    light = light._replace(radius_power=light.radius_power + 0.0 * radius, speed_power=light.speed_power + 0.0 * radius)
    start = np.maximum(x - threshold, 1e-9)[..., None]
    if not unsure(start).any():
        return x
    tried = start * _MORE
    fails = unsure(tried)
    first = np.argmin(fails, axis=-1)[..., None]  # the least exposure at which the width is sure enough
    high = np.take_along_axis(tried, first, -1)
    low = np.take_along_axis(tried, np.maximum(first - 1, 0), -1)
    for _ in range(40):
        middle = 0.5 * (low + high)
        bad = unsure(middle)
        low, high = np.where(bad, middle, low), np.where(bad, high, middle)
    # none is sure enough: leave the depth's exposure, the limit then shows as broken
    never = fails.all(axis=-1)
    return np.where(never | ~fails[..., 0], x, threshold + high[..., 0])


def at_settings(
    task: Task, power: Any, radius: Any, spacing: Any, speed: Any, *, light: Shape | None = None, wanted: Any = None
) -> dict[str, Any]:
    """Exposures, depths, widths and rate of settings."""
    if light is None:
        light = shape(task.pattern, radius, spacing, speed, step_of(task))
        wanted = _needed(task, light)
    pattern, law = task.pattern, task.curve.cure
    per = power**pattern.exponent / speed
    weakest, mean, strongest = light.weakest * per, light.mean * per, light.strongest * per
    x = np.log(weakest)
    depth = law.height(weakest)
    energy = {"min": weakest, "mean": mean, "max": strongest}
    if pattern.exponent != 1.0:  # the exposure carries energy only
        plain = shape(pattern._replace(exponent=1.0), radius, spacing, speed, powers=False)
        energy = dict(zip(energy, (e * power / speed for e in plain[:3])))
    out = {
        "power": power,
        "beam_radius": radius,
        "hatch_spacing": spacing,
        "scan_speed": speed,
        "log_exposure": x,
        "log_wanted": wanted,
        "exposure_min": energy["min"],
        "exposure_mean": energy["mean"],
        "exposure_max": energy["max"],
        "dose_min": weakest,
        "dose_mean": mean,
        "dose_max": strongest,
        "depth": depth,
        "ripple": law.height(strongest) - depth,
        "rate": rate(task, speed, spacing),
        "light": light,
    }
    # this layer at its strongest, and those above at their mean
    above = mean if task.above is None else task.above
    out["print_through"] = stack.print_through(law, strongest, task.layer_thickness, task.layers, above)
    out |= line_widths(task, light, x, radius)
    return out


def line_widths(task: Task, light: Shape, x: Any, radius: Any) -> dict[str, Any]:
    """Width of the cured line at the surface and at the bottom of the layer, and its expanded uncertainty (mm).

    Lw^2 = 2 W0^2 ln(E/Ec): the radius enters directly and through the exposure. Zero for rasters.
    """
    if task.pattern.raster:
        zero = np.zeros(np.shape(x))
        return {"line_width": zero, "line_width_at_layer": zero, "line_width_expanded": zero}
    curve, errors, w = task.curve, task.errors, task.pattern.exponent
    excess = np.maximum(x - curve.log_threshold, 1e-12)
    scan = task.pattern.scan(1.0, radius, None, 1.0)
    dose = np.exp(np.minimum(x, _MOST))
    width = _light.line_width(scan, dose, curve.cure.dose(0.0), w)
    below = _light.line_width(scan, dose, curve.cure.dose(task.layer_thickness), w)
    powers = (light.power_power * errors.power) ** 2 + (light.power_power * errors.exposure_scale) ** 2
    others = powers + (light.speed_power * errors.scan_speed) ** 2 + curve.log_threshold_variance
    held = 0.0 if errors.coupon_radius_power is None else errors.coupon_radius_power
    # the radius counts directly and through ln E, there without the part that cancels
    relative = (
        ((1.0 + 0.5 * light.radius_power / excess) * errors.beam_radius) ** 2
        + ((1.0 + 0.5 * (light.radius_power - held) / excess) * errors.beam_radius_scale) ** 2
        + others / (4.0 * excess**2)
    )
    return {"line_width": width, "line_width_at_layer": below, "line_width_expanded": COVERAGE * width * np.sqrt(relative)}


def violations(task: Task, found: dict[str, Any]) -> dict[str, Any]:
    """By how much each limit is exceeded, as ln of value over limit: above zero where it does not hold."""
    b = task.bounds
    never = np.full(np.shape(found["rate"]), -np.inf)

    def above(value: Any, limit: float) -> Any:
        if limit == math.inf:
            return never
        if limit <= 0.0:  # a depth that may not be positive: compared in penetration depths
            return (value - limit) / task.curve.penetration_depth
        return np.log(np.maximum(value, 1e-300) / limit)

    def below(value: Any, limit: float) -> Any:
        return never if limit <= 0.0 else np.log(limit / np.maximum(value, 1e-300))

    out = {
        "scan_speed_low": below(found["scan_speed"], b.scan_speed_low),
        "ripple": above(found["ripple"], b.ripple),
        "print_through": above(found["print_through"], b.print_through),
        "overcure": above(found["depth"] - task.layer_thickness, b.overcure),
    }
    if not task.pattern.raster:
        out["line_width_high"] = above(found["line_width"], b.line_width_high)
        out["line_width_low"] = below(found["line_width"], b.line_width_low)
        out["width_accuracy"] = above(found["line_width_expanded"], b.width_accuracy)
    return out
