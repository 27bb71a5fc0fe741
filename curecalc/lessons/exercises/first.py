"""Exercises of grade 1: one formula, units mixed on purpose."""

from __future__ import annotations

import math

from ...physics import laws, spot
from ...setting.explain import Step
from ...units import figure
from .draw import Draw, Made

__all__ = ["FIRST"]

AREA = "Off by a factor of 100: mJ/cm^2 and mJ/mm^2 are mixed up. 1 mJ/mm^2 = 100 mJ/cm^2."
LOG10 = "That is the logarithm to the base ten. The working curve takes the natural logarithm, ln, on the calculator's other key."
TEN = "That is a power of ten. The law of fading takes powers of e: use the key e^x."


def f(value: float) -> str:
    """A number of a step."""
    return figure(value, digits=5)


def patch_exposure(d: Draw) -> Made:
    area, time = d.between(100.0, 5000.0), d.between(0.05, 2.0)
    e = d.power * time / area
    return Made(
        f"A power of {d.light(d.power)} is spread evenly over {d.said(area, 'area', 'mm^2 cm^2')} for "
        f"{d.said(time, 'time', 's ms')}. Which exposure is that? Answer in mJ/cm^2.",
        "exposure",
        "mJ/cm^2",
        e,
        [
            Step("E = P T/A", f"{f(d.power)} mW x {f(time)} s/{f(area)} mm^2", f"{f(e)} mJ/mm^2", "Energy over area."),
            Step("1 mJ/mm^2 = 100 mJ/cm^2", f"{f(e)} x 100", f"{f(100 * e)} mJ/cm^2", "The unit asked for."),
        ],
        area_unit=(e / 100.0, AREA),
    )


def unit_change(d: Draw) -> Made:
    e = d.ec * d.between(1.0, 6.0)
    e = float(f"{e:.3g}")
    return Made(
        f"A data sheet says {f(e)} mJ/mm^2. How much is that in mJ/cm^2?",
        "exposure",
        "mJ/cm^2",
        e,
        [
            Step(
                "1 mJ/mm^2 = 100 mJ/cm^2",
                f"{f(e)} x 100",
                f"{f(100 * e)} mJ/cm^2",
                "A square centimetre holds one hundred square millimetres and gets a hundred times as much.",
            )
        ],
        linear_factor=(e / 10.0, "That is a factor of ten. An area goes with the square: 1 cm^2 is 100 mm^2."),
        wrong_way=(e / 1e4, "Divided where one multiplies: a larger area gets more energy, so the number grows."),
    )


def light_at_depth(d: Draw) -> Made:
    e, z = d.near(d.ec, 2.5, 8.0), d.near(d.dp, 0.5, 2.2)
    left = float(laws.Plain(d.dp, d.ec).below(e, z))
    return Made(
        f"The surface of a resin with a penetration depth of {d.length(d.dp)} gets {d.exposure(e)}. How much arrives "
        f"{d.length(z)} below? Answer in mJ/cm^2.",
        "exposure",
        "mJ/cm^2",
        left,
        [
            Step(
                "E(z) = E e^(-z/Dp)",
                f"{f(100 * e)} mJ/cm^2 x e^(-{f(z)} mm/{f(d.dp)} mm)",
                f"{f(100 * left)} mJ/cm^2",
                "Light fades by equal shares.",
            )
        ],
        base_ten=(e * 10 ** (-z / d.dp), TEN),
        straight_line=(
            e * (1 - z / d.dp) if z < 0.9 * d.dp else None,
            ("That takes the same amount from each slice. Each slice takes the same share."),
        ),
    )


def cure_depth(d: Draw) -> Made:
    e = d.near(d.ec, 2.0, 9.0)
    depth = float(laws.Plain(d.dp, d.ec).depth(e))
    return Made(
        f"A resin has a penetration depth of {d.length(d.dp)} and a critical exposure of {d.said(d.ec, 'exposure', 'mJ/cm^2')}. "
        f"How deep does an exposure of {d.exposure(e)} cure it?",
        "length",
        "mm",
        depth,
        [
            Step(
                "Cd = Dp ln(E/Ec)",
                f"{f(d.dp)} mm x ln({f(100 * e)}/{f(100 * d.ec)})",
                f"{f(depth)} mm",
                "Both exposures in the same unit, then the natural logarithm.",
            )
        ],
        base_ten=(d.dp * math.log10(e / d.ec), LOG10),
        area_unit=(d.dp * math.log(e / d.ec * 100.0), AREA),
        no_logarithm=(d.dp * e / d.ec, "The logarithm is missing: depth does not grow in step with the exposure."),
    )


def exposure_for_depth(d: Draw) -> Made:
    depth = d.near(d.dp, 0.6, 2.0)
    e = float(laws.Plain(d.dp, d.ec).dose(depth))
    return Made(
        f"Which exposure cures a resin (penetration depth {d.length(d.dp)}, critical exposure {d.exposure(d.ec)}) "
        f"{d.length(depth)} deep? Answer in mJ/cm^2.",
        "exposure",
        "mJ/cm^2",
        e,
        [
            Step(
                "E = Ec e^(Cd/Dp)",
                f"{f(100 * d.ec)} mJ/cm^2 x e^({f(depth)}/{f(d.dp)})",
                f"{f(100 * e)} mJ/cm^2",
                "The working curve read backwards.",
            )
        ],
        base_ten=(d.ec * 10 ** (depth / d.dp), TEN),
        upside_down=(d.ec * math.exp(d.dp / depth), "The exponent is upside down: it is depth over penetration depth."),
        straight_line=(d.ec * depth / d.dp, "The power of e is missing: the exposure grows far faster than the depth."),
    )


def more_exposure(d: Draw) -> Made:
    k, depth = d.one_of([1.5, 2.0, 3.0, 4.0]), d.near(d.dp, 0.8, 1.8)
    gain = float(laws.Plain(d.dp, 1.0).height(k))
    return Made(
        f"A resin with a penetration depth of {d.length(d.dp)} cures {d.length(depth)} deep. The exposure is made "
        f"{k:g} times as large. By how much does the cure depth grow?",
        "length",
        "mm",
        gain,
        [
            Step(
                "Cd = Dp ln(E/Ec)",
                f"{f(d.dp)} mm x ln({k:g})",
                f"{f(gain)} mm",
                "ln of a product is the sum of the two ln: the old depth does not matter.",
            )
        ],
        base_ten=(d.dp * math.log10(k), LOG10),
        in_proportion=((k - 1) * depth, "Depth does not grow in proportion: it grows by Dp times ln of the factor."),
        new_depth=(depth + gain, "That is the new depth. Asked was how much it grows."),
    )


def beam_radius(d: Draw) -> Made:
    if d.one_of([True, False]):
        w = d.radius
        return Made(
            f"A beam has a diameter of {d.length(2 * w)}. What is its beam radius?",
            "length",
            "mm",
            w,
            [Step("diameter = 2 W0", f"{f(2 * w)} mm/2", f"{f(w)} mm", "The radius is half the diameter.")],
            factor_of_two=(2 * w, "That is the diameter. The radius is half of it."),
        )
    width = d.radius
    w = width / spot.FWHM_PER_RADIUS
    return Made(
        f"A data sheet gives the spot as FWHM {d.length(width)}. What is its beam radius (at 1/e^2)?",
        "length",
        "mm",
        w,
        [Step("W0 = 0.849 FWHM", f"0.8493 x {f(width)} mm", f"{f(w)} mm", "Valid for a Gaussian spot.")],
        half_of_it=(width / 2, "Half the FWHM reaches to the half of the irradiance only, not to 13.5 %."),
        diameter=(2 * w, "That is the beam diameter. The radius is half of it."),
    )


def absorbance(d: Draw) -> Made:
    cell, a = d.one_of([0.05, 0.1, 0.2]), d.between(0.25, 1.4)
    dp = laws.depth_from_absorbance(a, cell)
    return Made(
        f"A cell holds {d.length(cell)} of resin. Its absorbance at the laser's wavelength is {f(a)}. What is the penetration depth?",
        "length",
        "mm",
        dp,
        [Step("Dp = L/(A ln 10)", f"{f(cell)} mm/({f(a)} x 2.3026)", f"{f(dp)} mm", "Absorbance counts powers of ten.")],
        without_ln_10=(cell / a, "ln 10 is missing: absorbance counts powers of ten, Dp counts powers of e."),
    )


FIRST = {
    "patch-exposure": ("exposure", patch_exposure),
    "unit-change": ("exposure", unit_change),
    "light-at-depth": ("absorption", light_at_depth),
    "absorbance": ("absorption", absorbance),
    "cure-depth": ("working-curve", cure_depth),
    "exposure-for-depth": ("working-curve", exposure_for_depth),
    "more-exposure": ("working-curve", more_exposure),
    "beam-radius": ("spot", beam_radius),
}
