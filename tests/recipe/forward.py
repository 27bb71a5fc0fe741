"""An independent forward calculation of one setting: sums of Gaussians written out, variances summed by hand, no package code."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats


def weakest_and_strongest(task, power, radius, spacing, speed):
    """Exposure (mJ/mm^2) by adding the Gaussian of every line (and pulse) at a fine comb of places."""
    b = task.pattern
    peak = math.sqrt(2.0 / math.pi) * power / (radius * speed) * b.passes * (2 if b.crossed else 1)
    low = high = mean = peak
    if b.raster:
        n = math.ceil(9.0 * radius / spacing) + 2
        lines = spacing * np.arange(-n, n + 1)
        places = np.linspace(0.0, 0.5 * spacing, 41)
        profile = np.exp(-2.0 * ((places[:, None] - lines) / radius) ** 2).sum(1)
        low, high, mean = peak * profile.min(), peak * profile.max(), peak * profile_mean(radius, spacing)
    if b.pulse_rate is not None:
        pitch = speed / b.pulse_rate
        n = math.ceil(9.0 * radius / pitch) + 2
        pulses = pitch * np.arange(-n, n + 1)
        places = np.linspace(0.0, 0.5 * pitch, 41)
        comb = np.exp(-2.0 * ((places[:, None] - pulses) / radius) ** 2).sum(1) * pitch / (math.sqrt(0.5 * math.pi) * radius)
        low, high = low * comb.min(), high * comb.max()
    return low, high, mean


def profile_mean(radius, spacing):
    """Mean over a period of a sum of unit Gaussians: their area over the period."""
    return math.sqrt(0.5 * math.pi) * radius / spacing


def lower_bound(task, power, radius, spacing, speed, ends=(1.0, 0.0, 0.0)):
    """One-sided lower bound of the depth of the weakest place, the factor written out once more.

    `ends`: what the ends leave of the dose at the weakest place along a vector, and the powers of spot and speed in it.
    """
    c, e = task.curve, task.errors

    def log_low(w, h, v):
        return math.log(weakest_and_strongest(task, power, w, h, v)[0] * ends[0])

    x = log_low(radius, spacing, speed)
    dp = c.penetration_depth
    step = 2.0 * math.hypot(e.beam_radius, e.beam_radius_scale)
    step = max(step, 1e-4)
    # slopes towards wider gaps, where the valley falls faster
    s_h = 0.0 if spacing is None else gap_slope(task, radius, spacing, step)
    s_v = 0.0 if task.pattern.pulse_rate is None else pulse_slope(task, radius, speed, step)
    p_radius = (-s_h if spacing is not None else -1.0) - s_v + ends[1]
    p_speed, p_spacing = -1.0 + s_v + ends[2], (s_h - 1.0) if spacing is not None else 0.0
    held = 0.0 if e.coupon_radius_power is None else e.coupon_radius_power
    relative = sum(
        t * t
        for t in (
            e.power,
            e.exposure_scale,
            p_radius * e.beam_radius,
            (p_radius - held) * e.beam_radius_scale,
            p_speed * e.scan_speed,
            p_spacing * e.hatch_spacing,
        )
    )
    a = c.centre_variance + (x - c.centre) ** 2 * c.slope_variance + (c.layer_variance if task.single else 0.0)
    b = dp * dp * relative + e.depth_bias**2 + (e.layer_thickness**2 if task.single else 0.0)
    nu = c.degrees_of_freedom
    z = stats.norm.ppf(task.assurance)
    if math.isfinite(nu) and a > 0.0:
        t = stats.t.ppf(task.assurance, nu)
        effective = stats.t.ppf(task.assurance, nu * (1.0 + b / a) ** 2)
        k = math.sqrt(0.5 * (effective**2 + (a * t * t + b * z * z) / (a + b)))
    else:
        k = z
    return dp * (x - c.log_threshold) - k * math.sqrt(a + b)


def gap_slope(task, radius, spacing, step):
    """ln of the valley over the mean, per ln of spacing over radius."""

    def valley(h):
        n = math.ceil(9.0 * radius / h) + 2
        lines = h * (np.arange(-n, n + 1) + 0.5)
        return math.log(np.exp(-2.0 * (lines / radius) ** 2).sum() / profile_mean(radius, h))

    return (valley(spacing * math.exp(step)) - valley(spacing)) / step


def pulse_slope(task, radius, speed, step):
    return gap_slope(task, radius, speed / task.pattern.pulse_rate, step)


def broken(task, found, tolerance=1e-6, ends=(1.0, 1.0)):
    """Names of limits the setting breaks, judged by this module alone; `ends`: least and greatest dose along, over the steady one."""
    b, dp, t = task.bounds, task.curve.penetration_depth, task.layer_thickness
    power, radius, spacing, speed = (found[k] for k in ("power", "beam_radius", "hatch_spacing", "scan_speed"))
    low, high, mean = weakest_and_strongest(task, power, radius, spacing, speed)
    low, high, deepest = low * ends[0], high * ends[1], low * ends[1]
    threshold = math.exp(task.curve.log_threshold)
    names = []

    def check(name, value, least, most):
        if value < least * (1.0 - tolerance) or value > most * (1.0 + tolerance):
            names.append(name)

    check("power", power, b.power_low, b.power_high)
    check("radius", radius, b.beam_radius_low, b.beam_radius_high)
    check("speed", speed, b.scan_speed_low, b.scan_speed_high)
    if task.pattern.raster:
        check("spacing", spacing, b.hatch_spacing_low, b.hatch_spacing_high)
    if dp * math.log(high / deepest) > b.ripple * (1.0 + tolerance) + 1e-9:
        names.append("ripple")
    if task.pattern.pulse_rate is not None:
        check("pulses", speed / task.pattern.pulse_rate / radius, 0.0, b.pulse_share)
    if dp * math.log(deepest / threshold) - t > b.overcure + tolerance * t:
        names.append("overcure")
    total, n = high, 0
    above = mean if task.above is None else task.above
    while n < min(task.layers - 1, 4000):
        n += 1
        total += above * math.exp(-n * t / dp)
    if dp * math.log(total / threshold) - t > b.print_through + tolerance * t:
        names.append("print-through")
    if not task.pattern.raster:
        check("width", radius * math.sqrt(2.0 * math.log(low / threshold)), b.line_width_low, math.inf)
        check("width", radius * math.sqrt(2.0 * math.log(deepest / threshold)), 0.0, b.line_width_high)
    return names
