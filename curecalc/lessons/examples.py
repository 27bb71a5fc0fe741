"""The worked example of each lesson: steps with the bench's numbers put in."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from ..formulas.resin import exposure_at_depth, exposure_for_depth
from ..formulas.scan import Scan
from ..setting.answer import evaluate
from ..setting.derivation import depth_steps, solution_steps, stack_steps
from ..setting.explain import Step
from ..setting.solving import solve_scan_speed
from ..units import MJ_CM2, MJ_MM2, MM, MM2, MW, MW_MM2, Quantity, figure, show, show_percent
from .bench import Bench
from .numbers import NUMBERS, coupon_lot, line_speed, raster_speed, stack_answer

__all__ = ["EXAMPLES"]


def _n(quantity: Quantity, unit: Any) -> str:
    return figure(float(quantity.m_as(unit)), digits=5)


def _exposure(b: Bench) -> list[Step]:
    t = NUMBERS["exposure"](b)
    e = t["patch_exposure"]
    return [
        Step(
            "E = P T/A",
            f"{_n(b.power, MW)} mW x {_n(t['patch_time'], 's')} s/{_n(t['patch_area'], MM2)} mm^2",
            f"{_n(e, MJ_MM2)} mJ/mm^2",
            "Energy is power times time; exposure is energy over area.",
        ),
        Step(
            "1 mJ/mm^2 = 100 mJ/cm^2",
            f"{_n(e, MJ_MM2)} x 100",
            f"{_n(e, MJ_CM2)} mJ/cm^2",
            "The same light, counted on a square centimetre.",
        ),
    ]


def _absorption(b: Bench) -> list[Step]:
    e0, dp = NUMBERS["absorption"](b)["surface_exposure"], b.penetration_depth
    steps = []
    for n, word in ((1, "one"), (2, "two"), (3, "three")):
        left = exposure_at_depth(exposure=e0, depth=n * dp, penetration_depth=dp)
        steps.append(
            Step(
                "E(z) = E e^(-z/Dp)",
                f"{show(e0)} x e^(-{n})",
                f"{show(left)} at {show((n * dp).to(MM))}",
                f"At {word} penetration depth{'s' if n > 1 else ''}, {show_percent(float(left / e0), digits=3)} is left.",
            )
        )
    return steps


def _working_curve(b: Bench) -> list[Step]:
    t = NUMBERS["working-curve"](b)
    first = t["exposure_a"]
    return [
        Step(
            "Cd = Dp ln(E/Ec)",
            f"{show(b.penetration_depth)} x ln({show(first)}/{show(b.critical_exposure)})",
            show(t["depth_a"]),
            "Solid reaches down to where the exposure has faded to the critical exposure.",
        ),
        Step(
            "Cd = Dp ln(E/Ec)",
            f"{show(b.penetration_depth)} x ln({show(2.0 * first)}/{show(b.critical_exposure)})",
            show(t["depth_b"]),
            f"Twice the exposure: {show(t['doubling'])} deeper, which is 0.693 Dp.",
        ),
    ]


def _spot(b: Bench) -> list[Step]:
    t = NUMBERS["spot"](b)
    w = b.beam_radius
    return [
        Step("diameter = 2 W0", f"2 x {show(w)}", show(t["beam_diameter"]), "The diameter is twice the radius."),
        Step(
            "FWHM = W0/0.849",
            f"{show(w)}/0.849",
            show(t["beam_fwhm"]),
            "Half of the greatest irradiance is reached at 0.589 W0 on each side.",
        ),
        Step(
            "I(0) = 2P/(pi W0^2)",
            f"2 x {_n(b.power, MW)} mW/(3.1416 x ({_n(w, MM)} mm)^2)",
            show(t["peak_irradiance"]),
            "The middle of the spot is twice as bright as the same power spread evenly over the circle of radius W0.",
        ),
    ]


def _line(b: Bench) -> list[Step]:
    solution = solve_scan_speed(beam=b.beam, resin=b.resin, layer_thickness=b.layer_thickness, overcure=b.overcure)
    return solution_steps(solution)


def _raster(b: Bench) -> list[Step]:
    pattern = Scan(scan_speed=raster_speed(b), hatch_spacing=b.hatch_spacing)
    return depth_steps(evaluate(beam=b.beam, resin=b.resin, scan=pattern, layer_thickness=b.layer_thickness))


def _overcure(b: Bench) -> list[Step]:
    pattern = Scan(scan_speed=line_speed(b))
    return depth_steps(evaluate(beam=b.beam, resin=b.resin, scan=pattern, layer_thickness=b.layer_thickness))


def _stack(b: Bench) -> list[Step]:
    return stack_steps(stack_answer(b))


def _coupons(b: Bench) -> list[Step]:
    exposure, readings, labels = coupon_lot(b)
    x, y = np.log(exposure), readings.mean(axis=1)
    xm, ym = float(x.mean()), float(y.mean())
    sxx, sxy = float(((x - xm) ** 2).sum()), float(((x - xm) * (y - ym)).sum())
    slope = sxy / sxx
    intercept = ym - slope * xm

    def f(v: float) -> str:
        return figure(v, digits=5)

    first = ", ".join(f(r) for r in readings[0])
    return [
        Step(
            "coupon = mean of its readings",
            f"coupon {labels[0]}: ({first})",
            f"{f(y[0])} mm at {f(exposure[0])} mJ/cm^2",
            "Readings on one piece count as one coupon.",
        ),
        Step(
            "x = ln(E), means of x and y",
            f"{x.size} coupons",
            f"x mean {f(xm)}, y mean {f(ym)} mm",
            "Depth is straight against the logarithm of the exposure.",
        ),
        Step(
            "slope = sum (x - x mean)(y - y mean)/sum (x - x mean)^2",
            f"{f(sxy)} mm/{f(sxx)}",
            f"{f(slope)} mm = Dp",
            "Least squares: the closest line.",
        ),
        Step(
            "intercept = y mean - slope x mean",
            f"{f(ym)} mm - {f(slope)} mm x {f(xm)}",
            f"{f(intercept)} mm",
            "The line goes through the means.",
        ),
        Step(
            "Ec = e^(-intercept/slope)",
            f"e^({f(-intercept)}/{f(slope)})",
            f"{f(math.exp(-intercept / slope))} mJ/cm^2",
            "Where the line meets depth zero.",
        ),
    ]


def _uncertainty(b: Bench) -> list[Step]:
    t = NUMBERS["uncertainty"](b)
    dp = show(b.penetration_depth)
    return [
        Step("u1 = Dp x u(P)/P", f"{dp} x {t['power_share']}", show(t["depth_from_power"]), "The power's share."),
        Step("u2 = Dp x u(W0)/W0", f"{dp} x {t['radius_share']}", show(t["depth_from_radius"]), "The spot's share."),
        Step(
            "u^2 = u1^2 + u2^2",
            f"({show(t['depth_from_power'])})^2 + ({show(t['depth_from_radius'])})^2",
            f"u = {show(t['depth_from_both'])}",
            "Independent doubts add as squares: the larger one rules.",
        ),
    ]


def _drift(b: Bench) -> list[Step]:
    t = NUMBERS["drift"](b)
    return [
        Step(
            "depth lost = Dp ln(P_old/P_new)",
            f"{show(b.penetration_depth)} x ln({show(b.power)}/{show(t['faded_power'])})",
            show(t["depth_lost"]),
            "The exposure falls with the power, the depth with its logarithm.",
        ),
        Step(
            "v_new = v_old P_new/P_old",
            f"{show(t['old_speed'])} x {show(t['faded_power'])}/{show(b.power)}",
            show(t["new_speed"]),
            "Slower by the same share, and the exposure is what it was.",
        ),
    ]


def _safety(b: Bench) -> list[Step]:
    t = NUMBERS["safety"](b)
    return [
        Step(
            "I(0) = 2P/(pi W0^2)",
            f"2 x {_n(b.power, MW)} mW/(3.1416 x ({_n(b.beam_radius, MM)} mm)^2)",
            f"{_n(t['peak_irradiance'], MW_MM2)} mW/mm^2",
            "The beam is harmless at no distance at which it is this narrow.",
        )
    ]


# The slurry of the cited study, Dp [um] and Ec [mJ/cm^2] by what was varied.
SLURRY = {"power": (76.2, 14.3), "hatch spacing": (113.1, 55.0), "scan speed": (85.9, 23.3)}


def _beyond(b: Bench) -> list[Step]:
    steps = []
    for varied, (dp, ec) in SLURRY.items():
        need = exposure_for_depth(
            cure_depth=Quantity(200.0, "um"), penetration_depth=Quantity(dp, "um"), critical_exposure=Quantity(ec, "mJ/cm^2")
        )
        steps.append(
            Step(
                "E = Ec e^(Cd/Dp)",
                f"{figure(ec)} mJ/cm^2 x e^(200 um/{figure(dp)} um)",
                show(need),
                f"Exposure for 0.2 mm, if the line found by varying the {varied} is believed [colombo2025].",
            )
        )
    return steps


EXAMPLES: dict[str, Callable[[Bench], list[Step]]] = {
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
