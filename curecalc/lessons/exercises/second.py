"""Exercises of grade 2: two steps, or one with a trap."""

from __future__ import annotations

import math

from ...physics import laws, line, raster
from ...setting.explain import Step
from .draw import Draw, Made
from .first import AREA, LOG10, TEN, f

__all__ = ["SECOND"]

DIAMETER = "The diameter went in where the radius belongs: W0 is half the beam diameter."
NO_OVERCURE = "The overcure is missing: the cure depth must be the layer thickness plus the overcure."
_ROOT = math.sqrt(2.0 / math.pi)


def _need(d: Draw, depth: float) -> tuple[float, Step]:
    e = float(laws.Plain(d.dp, d.ec).dose(depth))
    return e, Step(
        "E = Ec e^(Cd/Dp)",
        f"{f(100 * d.ec)} mJ/cm^2 x e^({f(depth)}/{f(d.dp)})",
        f"{f(100 * e)} mJ/cm^2 = {f(e)} mJ/mm^2",
        "The exposure the depth needs.",
    )


def line_exposure(d: Draw) -> Made:
    v = d.between(500.0, 6000.0)
    e = float(line.scan_exposure(d.power, d.radius, v))
    return Made(
        f"A beam of {d.light(d.power)} with a diameter of {d.length(2 * d.radius)} runs at {d.speed(v)}. Which exposure "
        "does the middle of the line get? Answer in mJ/cm^2.",
        "exposure",
        "mJ/cm^2",
        e,
        [
            Step("diameter = 2 W0", f"W0 = {f(2 * d.radius)} mm/2", f"{f(d.radius)} mm", "The formula asks for the radius."),
            Step(
                "E = sqrt(2/pi) P/(W0 v)",
                f"0.79788 x {f(d.power)} mW/({f(d.radius)} mm x {f(v)} mm/s)",
                f"{f(e)} mJ/mm^2 = {f(100 * e)} mJ/cm^2",
                "A moving Gaussian, added up.",
            ),
        ],
        diameter_for_radius=(e / 2, DIAMETER),
        area_unit=(e / 100.0, AREA),
        without_the_root=(e / _ROOT, "The factor sqrt(2/pi) = 0.798 is missing."),
    )


def line_speed(d: Draw) -> Made:
    depth = d.layer + d.overcure
    e, first = _need(d, depth)
    v = float(line.speed_for_exposure(d.power, d.radius, e))
    thin, _ = _need(d, d.layer)
    return Made(
        f"A single line must bond a layer of {d.length(d.layer)} with {d.length(d.overcure)} overcure. Power {d.light(d.power)}, "
        f"beam diameter {d.length(2 * d.radius)}, penetration depth {d.length(d.dp)}, critical exposure {d.exposure(d.ec)}. "
        "Which scan speed does it?",
        "speed",
        "mm/s",
        v,
        [
            Step("overcure = Cd - t", f"Cd = {f(d.layer)} mm + {f(d.overcure)} mm", f"{f(depth)} mm", "What the line must reach."),
            first,
            Step(
                "v = sqrt(2/pi) P/(W0 E)",
                f"0.79788 x {f(d.power)} mW/({f(d.radius)} mm x {f(e)} mJ/mm^2)",
                f"{f(v)} mm/s",
                "More exposure, less speed.",
            ),
        ],
        without_overcure=(float(line.speed_for_exposure(d.power, d.radius, thin)), NO_OVERCURE),
        diameter_for_radius=(v / 2, DIAMETER),
        base_ten=(float(line.speed_for_exposure(d.power, d.radius, d.ec * 10 ** (depth / d.dp))), TEN),
        area_unit=(v / 100.0, AREA),
    )


def raster_mean(d: Draw) -> Made:
    v = d.between(800.0, 8000.0)
    e = float(raster.mean_exposure(d.power, v, d.spacing))
    return Made(
        f"A raster is drawn with {d.light(d.power)} at {d.speed(v)}, lines {d.length(d.spacing)} apart, beam radius "
        f"{d.length(d.radius)}. Which exposure does the surface get in the mean? Answer in mJ/cm^2.",
        "exposure",
        "mJ/cm^2",
        e,
        [
            Step(
                "E_mean = P/(v h)",
                f"{f(d.power)} mW/({f(v)} mm/s x {f(d.spacing)} mm)",
                f"{f(e)} mJ/mm^2 = {f(100 * e)} mJ/cm^2",
                "The spot does not enter: it only spreads the same light.",
            )
        ],
        area_unit=(e / 100.0, AREA),
        single_line=(float(line.scan_exposure(d.power, d.radius, v)), "That is one line alone. In a raster the neighbours add: P/(v h)."),
    )


def more_passes(d: Draw) -> Made:
    n, depth = d.whole(2, 5), d.near(d.dp, 0.6, 1.3)
    total = depth + float(laws.Plain(d.dp, 1.0).height(n))
    return Made(
        f"One pass of a raster cures {d.length(depth)} deep, in a resin with a penetration depth of {d.length(d.dp)}. How deep do "
        f"{n} equal passes cure?",
        "length",
        "mm",
        total,
        [
            Step("depth gained by N passes = Dp ln(N)", f"{f(d.dp)} mm x ln({n})", f"{f(total - depth)} mm", "Exposures of passes add."),
            Step("new depth = old depth + gain", f"{f(depth)} mm + {f(total - depth)} mm", f"{f(total)} mm", "In all."),
        ],
        in_proportion=(n * depth, "The passes add exposure, not depth: the depth grows by Dp ln(N)."),
        base_ten=(depth + d.dp * math.log10(n), LOG10),
        gain_only=(total - depth, "That is what the further passes add. Asked was the depth in all."),
    )


def overcure_factor(d: Draw) -> Made:
    more = d.near(d.overcure, 1.4, 2.2)
    k = float(laws.Plain(d.dp, 1.0).dose(more - d.overcure))
    return Made(
        f"The overcure of a {d.length(d.layer)} layer is to rise from {d.length(d.overcure)} to {d.length(more)}, penetration depth "
        f"{d.length(d.dp)}. By which factor must the exposure rise? Answer with a plain number.",
        "number",
        "",
        k,
        [Step("E = Ec e^(Cd/Dp)", f"e^(({f(more)} - {f(d.overcure)})/{f(d.dp)})", f(k), "Only the difference of the depths counts.")],
        in_proportion=((d.layer + more) / (d.layer + d.overcure), "Exposure does not grow in proportion to depth."),
        base_ten=(10 ** ((more - d.overcure) / d.dp), TEN),
        whole_overcure=(float(laws.Plain(d.dp, 1.0).dose(more)), "That is for the whole new overcure. Only what it grows by counts."),
    )


def retuned_speed(d: Draw) -> Made:
    v, share = d.between(800.0, 6000.0), d.whole(72, 94) / 100
    new = float(f"{d.power * share:.3g}")
    return Made(
        f"A recipe runs at {d.speed(v)} with {d.light(d.power)}. Today's power reading is {d.light(new)}. Which speed keeps the exposure?",
        "speed",
        "mm/s",
        v * new / d.power,
        [
            Step(
                "v_new = v_old P_new/P_old",
                f"{f(v)} mm/s x {f(new)}/{f(d.power)}",
                f"{f(v * new / d.power)} mm/s",
                "Less light a second: give it more seconds.",
            )
        ],
        upside_down=(v * d.power / new, "The speed went up. With less power the spot must go slower."),
    )


def depth_lost(d: Draw) -> Made:
    percent, depth = d.whole(6, 30), d.layer + d.overcure
    lost = -float(laws.Plain(d.dp, 1.0).height(1 - percent / 100))
    return Made(
        f"A setting cures {d.length(depth)} deep in a resin with a penetration depth of {d.length(d.dp)}. The power falls by {percent} %, "
        "and nobody notices. How much cure depth is lost?",
        "length",
        "mm",
        lost,
        [
            Step(
                "depth lost = Dp ln(P_old/P_new)",
                f"{f(d.dp)} mm x ln(1/{f(1 - percent / 100)})",
                f"{f(lost)} mm",
                "The exposure falls with the power, the depth with its logarithm.",
            )
        ],
        in_proportion=(depth * percent / 100, "Depth does not fall in proportion: it falls by Dp times ln of the factor."),
        base_ten=(-d.dp * math.log10(1 - percent / 100), LOG10),
        remaining_depth=(depth - lost, "That is the depth left. Asked was how much is lost."),
    )


def line_width(d: Draw) -> Made:
    depth = d.near(d.dp, 0.6, 1.6)
    w = d.radius * math.sqrt(2 * depth / d.dp)
    return Made(
        f"A single line cures {d.length(depth)} deep. Beam diameter {d.length(2 * d.radius)}, penetration depth {d.length(d.dp)}. "
        "How wide is the line at the surface?",
        "length",
        "mm",
        w,
        [Step("Lw = W0 sqrt(2 Cd/Dp)", f"{f(d.radius)} mm x sqrt(2 x {f(depth)}/{f(d.dp)})", f"{f(w)} mm", "A parabola's width.")],
        diameter_for_radius=(2 * w, DIAMETER),
        half_width=(w / math.sqrt(2), "The 2 under the root is missing."),
    )


def mean_uncertainty(d: Draw) -> Made:
    n, readings, u = d.one_of([4, 5, 6, 8, 9, 12]), d.whole(2, 5), d.between(4.0, 15.0) / 1000
    return Made(
        f"{n} coupons made under the same conditions were measured {readings} times each; the readings of each were averaged. From coupon "
        f"to coupon these averages scatter with a standard uncertainty of {d.length(u)}. What is the standard uncertainty of the "
        f"mean of all?",
        "length",
        "um",
        u / math.sqrt(n),
        [
            Step(
                "u of a mean = u/sqrt(n)",
                f"{f(1000 * u)} um/sqrt({n})",
                f"{f(1000 * u / math.sqrt(n))} um",
                "Coupons count, readings do not.",
            )
        ],
        readings_counted=(u / math.sqrt(n * readings), "The readings were counted. Several readings on one coupon count as one coupon."),
        without_the_root=(u / n, "The root is missing: u/sqrt(n)."),
    )


SECOND = {
    "line-exposure": ("line", line_exposure),
    "line-width": ("line", line_width),
    "raster-mean": ("raster", raster_mean),
    "more-passes": ("raster", more_passes),
    "line-speed": ("overcure", line_speed),
    "overcure-factor": ("overcure", overcure_factor),
    "mean-uncertainty": ("uncertainty", mean_uncertainty),
    "retuned-speed": ("drift", retuned_speed),
    "depth-lost": ("drift", depth_lost),
}
