"""The numbers that stand in the lessons, computed by the library for a bench. Names are the placeholders of the texts."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from ..formulas.beam import Beam, beam_diameter, beam_fwhm, beam_irradiance, radius_from_fwhm
from ..formulas.raster import light_limited_area_rate, raster_exposure
from ..formulas.resin import Resin, cure_depth, exposure_at_depth, exposure_for_depth
from ..formulas.scan import Scan, line_width, scan_exposure, scan_speed
from ..formulas.stack import print_through
from ..physics import laws
from ..setting.solving import solve_scan_speed
from ..units import KINDS, MJ_CM2, MJ_MM2, MM, MM2, MW, MW_MM2, ONE, Quantity, S, figure, show, show_percent
from .bench import Bench

__all__ = ["NUMBERS", "Told", "coupon_lot", "line_speed", "nice", "raster_speed", "shown", "stack_answer"]

Told = dict[str, Any]


def nice(value: Quantity) -> Quantity:
    """The quantity rounded to two digits in the unit it is shown in, so that people can copy it.

    >>> show(nice(Quantity(0.14732, "mm")))
    '0.15 mm'
    """
    from ..units import kind_of

    kind = kind_of(value)
    unit = kind.shown if kind else value.units
    return Quantity(float(f"{float(value.m_as(unit)):.2g}"), unit)


def shown(value: Any, unit: str = "") -> str:
    """A number of a lesson as it stands in the text: `0.16 mm`, or in another unit where the text asks for it."""
    if isinstance(value, Quantity):
        if unit:
            spelled = next(u for kind in KINDS.values() for text, u in kind.spellings.items() if text == unit)
            return f"{figure(float(value.m_as(spelled)), digits=4)} {unit}"
        return show(value, digits=4)
    if isinstance(value, float):
        return figure(value, digits=4)
    return str(value)


def line_speed(b: Bench) -> Quantity:
    """Speed of a single line that reaches layer and overcure, rounded so that it can be copied."""
    return nice(
        scan_speed(
            power=b.power,
            beam_radius=b.beam_radius,
            penetration_depth=b.penetration_depth,
            critical_exposure=b.critical_exposure,
            cure_depth=b.cure_depth,
        )
    )


def raster_speed(b: Bench) -> Quantity:
    """Speed of the raster whose valley reaches layer and overcure, rounded."""
    pattern = Scan(scan_speed=line_speed(b), hatch_spacing=b.hatch_spacing)
    plain = Beam(power=b.power, radius_x=b.beam_radius)
    solution = solve_scan_speed(beam=plain, resin=b.resin, scan=pattern, layer_thickness=b.layer_thickness, overcure=b.overcure)
    return nice(solution.value)


def _depth(b: Bench, exposure: Quantity) -> Quantity:
    return cure_depth(exposure=exposure, penetration_depth=b.penetration_depth, critical_exposure=b.critical_exposure)


def _needed(b: Bench, depth: Quantity) -> Quantity:
    return exposure_for_depth(cure_depth=depth, penetration_depth=b.penetration_depth, critical_exposure=b.critical_exposure)


def _plain(b: Bench) -> laws.Plain:
    """The bench's resin, with 1 for its critical exposure: depth of a factor, factor of a depth."""
    return laws.Plain(float(b.penetration_depth.m_as(MM)), 1.0)


def _gain(b: Bench, factor: float) -> Quantity:
    """How much deeper a dose cures when it is multiplied; below zero where the factor is below one."""
    return Quantity(float(_plain(b).height(factor)), MM)


def _factor(b: Bench, depth: Quantity) -> float:
    """By what a dose grows that is to cure deeper by that much."""
    return float(_plain(b).dose(float(depth.m_as(MM))))


def _line_exposure(b: Bench, speed: Quantity) -> Quantity:
    return scan_exposure(power=b.power, beam_radius=b.beam_radius, scan_speed=speed)


def _exposure(b: Bench) -> Told:
    area = Quantity(400.0, MM2)
    time = nice(_needed(b, b.cure_depth) * area / b.power).to(S)
    wanted = nice(1.6 * b.power * time / area)
    return {
        "power": b.power,
        "patch_area": area,
        "patch_time": time,
        "patch_exposure": (b.power * time / area).to(MJ_MM2),
        "wanted_exposure": wanted,
        "wanted_time": (wanted * area / b.power).to(S),
    }


def _absorption(b: Bench) -> Told:
    surface, depth = nice(_needed(b, b.cure_depth)), nice(1.4 * b.penetration_depth)
    ratio = float((depth / b.penetration_depth).m_as(ONE))
    return {
        "penetration_depth": b.penetration_depth,
        "surface_exposure": surface,
        "question_depth": depth,
        "question_ratio": figure(ratio, digits=3),
        "question_share": figure(1.0 / _factor(b, depth), digits=3),
        "question_exposure": exposure_at_depth(exposure=surface, depth=depth, penetration_depth=b.penetration_depth),
    }


def _working_curve(b: Bench) -> Told:
    first = nice(3.0 * b.critical_exposure)
    wanted = nice(b.cure_depth)
    return {
        "critical_exposure": b.critical_exposure,
        "penetration_depth": b.penetration_depth,
        "doubling": _gain(b, 2.0),
        "exposure_a": first,
        "depth_a": _depth(b, first),
        "depth_b": _depth(b, 2.0 * first),
        "wanted_depth": wanted,
        "wanted_ratio": figure(float((wanted / b.penetration_depth).m_as(ONE)), digits=4),
        "wanted_exposure": _needed(b, wanted),
    }


def _spot(b: Bench) -> Told:
    fwhm = nice(beam_fwhm(b.beam_radius) * 1.1)
    return {
        "beam_radius": b.beam_radius,
        "beam_diameter": beam_diameter(b.beam_radius),
        "beam_fwhm": beam_fwhm(b.beam_radius),
        "peak_irradiance": beam_irradiance(power=b.power, beam_radius=b.beam_radius, distance=Quantity(0.0, MM)),
        "question_fwhm": fwhm,
        "question_radius": radius_from_fwhm(fwhm),
        "question_diameter": (2.0 * radius_from_fwhm(fwhm)).to(MM),
    }


def _line(b: Bench) -> Told:
    speed = line_speed(b)
    exposure = _line_exposure(b, speed)
    depth = _depth(b, exposure)
    return {
        "power": b.power,
        "beam_radius": b.beam_radius,
        "line_speed": speed,
        "line_exposure": exposure,
        "line_depth": depth,
        "line_width": line_width(beam_radius=b.beam_radius, cure_depth=depth, penetration_depth=b.penetration_depth),
        "cure_depth": b.cure_depth,
        "speed_for_depth": scan_speed(
            power=b.power,
            beam_radius=b.beam_radius,
            penetration_depth=b.penetration_depth,
            critical_exposure=b.critical_exposure,
            cure_depth=b.cure_depth,
        ),
        "double_speed": 2.0 * speed,
        "depth_at_double": _depth(b, _line_exposure(b, 2.0 * speed)),
        "loss_ten_percent": -_gain(b, 0.9),
    }


def _raster(b: Bench) -> Told:
    speed = raster_speed(b)
    wide = nice(1.5 * b.hatch_spacing)

    def light(spacing: Quantity) -> Any:
        return raster_exposure(power=b.power, beam_radius=b.beam_radius, scan_speed=speed, hatch_spacing=spacing)

    here, there = light(b.hatch_spacing), light(wide)
    return {
        "power": b.power,
        "raster_speed": speed,
        "hatch_spacing": b.hatch_spacing,
        "raster_mean": here.mean,
        "raster_ridge": here.maximum,
        "raster_valley": here.minimum,
        "raster_ripple": (_depth(b, here.maximum) - _depth(b, here.minimum)).to(MM),
        "spacing_ratio": figure(float((b.hatch_spacing / b.beam_radius).m_as(ONE)), digits=3),
        "second_pass": _gain(b, 2.0),
        "third_pass": _gain(b, 1.5),
        "needed_exposure": _needed(b, b.cure_depth),
        "area_rate": light_limited_area_rate(power=b.power, exposure=_needed(b, b.cure_depth)),
        "wide_spacing": wide,
        "wide_ratio": figure(float((wide / b.beam_radius).m_as(ONE)), digits=3),
        "wide_mean": there.mean,
        "wide_valley": there.minimum,
    }


def _overcure(b: Bench) -> Told:
    dp = b.penetration_depth
    more = nice(1.5 * b.overcure)
    return {
        "layer_thickness": b.layer_thickness,
        "overcure": b.overcure,
        "cure_depth": b.cure_depth,
        "penetration_depth": dp,
        "five_percent": (0.05 * dp).to(MM),
        "reserve_percent": show_percent(1.0 - 1.0 / _factor(b, b.overcure), digits=3),
        "price_hundredth": figure(_factor(b, Quantity(0.01, MM)), digits=4),
        "question_overcure": more,
        "overcure_change": (more - b.overcure).to(MM),
        "overcure_factor": _factor(b, more - b.overcure),
    }


def stack_answer(b: Bench) -> Any:
    """Layers on layers, each with the exposure that reaches layer and overcure."""
    from ..setting.layers import evaluate_stack

    plain = Resin(penetration_depth=b.penetration_depth, critical_exposure=b.critical_exposure)
    return evaluate_stack(resin=plain, exposure=_needed(b, b.cure_depth), layer_thickness=b.layer_thickness)


def _stack(b: Bench) -> Told:
    lifted = stack_answer(b).compensation_layers

    def through(**changes: Any) -> Quantity:
        given = {"cure_depth": b.cure_depth, "layer_thickness": b.layer_thickness, "penetration_depth": b.penetration_depth} | changes
        return print_through(**given)

    whole, few = through(), 5
    half: Quantity = (0.5 * b.layer_thickness).to(MM)
    return {
        "overcure": b.overcure,
        "pass_on": show_percent(1.0 / _factor(b, b.layer_thickness), digits=3),
        "accumulated": (whole - b.overcure).to(MM),
        "print_through": whole,
        "few_layers": few,
        "print_through_few": through(layers=few),
        "print_through_thin": through(layer_thickness=half, cure_depth=(half + b.overcure).to(MM)),
        "print_through_half_dp": through(penetration_depth=(0.5 * b.penetration_depth).to(MM)),
        "compensation": f"{lifted} layer" + ("" if lifted == 1 else "s"),
    }


def coupon_lot(b: Bench) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented coupons: exposures [mJ/cm^2], true line plus scatter; readings [mm], shape (coupons, 3); their labels."""
    random = np.random.default_rng(4)
    dp, ec = float(b.penetration_depth.m_as(MM)), float(b.critical_exposure.m_as("mJ/cm^2"))
    levels = np.array([1.6, 1.6, 2.5, 3.2, 4.0, 6.0, 8.0, 8.0])
    exposure = np.array([float(f"{ec * level:.3g}") for level in levels])
    between = laws.Plain(dp, ec).height(exposure) + random.normal(scale=0.03 * dp, size=levels.size)
    readings = np.round(between[:, None] + random.normal(scale=0.012 * dp, size=(levels.size, 3)), 4)
    return exposure, readings, np.arange(1, levels.size + 1)


def _coupons(b: Bench) -> Told:
    from ..calibration.datasheet import from_two_depths
    from ..statistics.line import ordinary_line

    exposure, readings, _ = coupon_lot(b)
    fit = ordinary_line(np.log(exposure), readings.mean(axis=1))
    slope, intercept = float(fit.slope), float(fit.intercept)
    e1, e2 = nice(2.0 * b.critical_exposure), nice(6.0 * b.critical_exposure)
    d1, d2 = nice(_depth(b, e1)), nice(_depth(b, e2))
    pair, log_pair_ec = from_two_depths(
        depths=(float(d1.m_as(MM)), float(d2.m_as(MM))), log_exposures=(math.log(e1.m_as(MJ_CM2)), math.log(e2.m_as(MJ_CM2)))
    )
    return {
        "penetration_depth": b.penetration_depth,
        "critical_exposure": b.critical_exposure,
        "coupon_count": len(readings),
        "reading_count": readings.size,
        "fit_dp": Quantity(slope, MM),
        "fit_ec": Quantity(math.exp(-intercept / slope), "mJ/cm^2"),
        "pair_e1": e1,
        "pair_e2": e2,
        "pair_d1": d1,
        "pair_d2": d2,
        "pair_dp": Quantity(pair, MM),
        "pair_ec": Quantity(math.exp(log_pair_ec), MJ_CM2),
    }


def _relative(given: Any, otherwise: float) -> float:
    return float(given.relative) or otherwise


def _uncertainty(b: Bench) -> Told:
    dp = b.penetration_depth
    power, radius = _relative(b.beam.power, 0.02), _relative(b.beam.radius_x, 0.04)
    power_share, radius_share = (show_percent(share, digits=3) for share in (power, radius))
    return {
        "power_told": f"power {show(b.power, (b.power * power).to(MW))}",
        "power_share": power_share,
        "radius_share": radius_share,
        "depth_from_power": (dp * power).to(MM),
        "depth_from_radius": (dp * radius).to(MM),
        "depth_from_both": (dp * math.hypot(power, radius)).to(MM),
        "meter_shift": _gain(b, 1.04),
        "gauge_u": Quantity(8.0, "um").to(MM),
        "gauge_target": Quantity(2.0, "um").to(MM),
        "gauge_n": 16,
    }


def _drift(b: Bench) -> Told:
    old = line_speed(b)
    faded, question = nice(0.88 * b.power), nice(0.93 * b.power)
    share = float((faded / b.power).m_as(ONE))
    lost = -_gain(b, share)
    return {
        "power": b.power,
        "old_speed": old,
        "faded_power": faded,
        "new_speed": old * share,
        "cure_depth": _depth(b, _line_exposure(b, old)),
        "depth_unnoticed": _depth(b, scan_exposure(power=faded, beam_radius=b.beam_radius, scan_speed=old)),
        "depth_lost": lost,
        "overcure": b.overcure,
        "ec_rise": show_percent(0.12),
        "question_power": question,
        "question_speed": old * float((question / b.power).m_as(ONE)),
    }


def _safety(b: Bench) -> Told:
    peak = beam_irradiance(power=b.power, beam_radius=b.beam_radius, distance=Quantity(0.0, MM))
    return {"peak_irradiance": peak, "sun_times": f"{float(nice(peak).m_as(MW_MM2)):.0f}", "wavelength": b.wavelength}


def _beyond(b: Bench) -> Told:
    return {}


NUMBERS: dict[str, Callable[[Bench], Told]] = {
    "exposure": _exposure,
    "absorption": _absorption,
    "working-curve": _working_curve,
    "spot": _spot,
    "line": _line,
    "raster": _raster,
    "overcure": _overcure,
    "stack": _stack,
    "coupons": _coupons,
    "uncertainty": _uncertainty,
    "drift": _drift,
    "safety": _safety,
    "beyond": _beyond,
}
