"""Exercises of grade 3: several steps, more numbers than needed, several traps."""

from __future__ import annotations

import math

from ...physics import laws, line, raster, stack
from ...setting.explain import Step
from .draw import Draw, Made
from .first import AREA, LOG10, TEN, f
from .second import NO_OVERCURE, _need

__all__ = ["THIRD"]


def _pair(d: Draw) -> tuple[float, float, float, float]:
    e1 = d.near(d.ec, 1.8, 2.6)
    e2 = d.near(e1, 2.5, 5.0)
    y1, y2 = (float(f"{float(laws.Plain(d.dp, d.ec).depth(e)):.3g}") for e in (e1, e2))
    return e1, e2, y1, y2


def two_coupons_depth(d: Draw) -> Made:
    e1, e2, y1, y2 = _pair(d)
    dp = (y2 - y1) / math.log(e2 / e1)
    spread = round(0.02 * y2, 4)
    return Made(
        f"Two coupons: one got {d.exposure(e1)} and its readings were {f(y1 - spread)}, {f(y1 + spread)} and {f(y1)} mm; the other got "
        f"{d.exposure(e2)} and is {d.length(y2)} thick. Which penetration depth does the line through the two coupons have?",
        "length",
        "mm",
        dp,
        [
            Step(
                "coupon = mean of its readings",
                f"({f(y1 - spread)} + {f(y1 + spread)} + {f(y1)})/3 mm",
                f"{f(y1)} mm",
                "One coupon, one point.",
            ),
            Step("Dp = slope", f"({f(y2)} - {f(y1)}) mm/ln({f(100 * e2)}/{f(100 * e1)})", f"{f(dp)} mm", "Rise over step in ln(E)."),
        ],
        base_ten=((y2 - y1) / math.log10(e2 / e1), LOG10),
        without_logarithm=((y2 - y1) / (e2 / e1), "The logarithm is missing: the line is straight against ln(E)."),
    )


def two_coupons_critical(d: Draw) -> Made:
    e1, e2, y1, y2 = _pair(d)
    dp = (y2 - y1) / math.log(e2 / e1)
    ec = float(laws.Plain(dp, e1).dose(-y1))
    return Made(
        f"Two coupons: {d.exposure(e1)} gave {d.length(y1)}, {d.exposure(e2)} gave {d.length(y2)}. Which critical exposure does the line "
        "through them have? Answer in mJ/cm^2.",
        "exposure",
        "mJ/cm^2",
        ec,
        [
            Step("Dp = slope", f"({f(y2)} - {f(y1)}) mm/ln({f(100 * e2)}/{f(100 * e1)})", f"{f(dp)} mm", "Rise over step in ln(E)."),
            Step(
                "Cd = Dp ln(E/Ec)",
                f"Ec = {f(100 * e1)} mJ/cm^2 x e^(-{f(y1)}/{f(dp)})",
                f"{f(100 * ec)} mJ/cm^2",
                "Where the line meets depth zero.",
            ),
        ],
        base_ten=(e1 * 10 ** (-y1 / dp), TEN),
        area_unit=(ec / 100.0, AREA),
    )


def raster_speed(d: Draw) -> Made:
    depth = d.layer + d.overcure
    e, first = _need(d, depth)
    thin, _ = _need(d, d.layer)
    v = float(raster.mean_exposure(d.power, e, d.spacing))
    return Made(
        f"A raster of lines {d.length(d.spacing)} apart (beam diameter {d.length(max(2 * d.radius, 2.2 * d.spacing))}) must cure a "
        f"layer of "
        f"{d.length(d.layer)} with {d.length(d.overcure)} overcure. Power {d.light(d.power)}, penetration depth {d.length(d.dp)}, critical "
        f"exposure {d.exposure(d.ec)}. Ridges and valleys may be neglected. Which scan speed gives this in the mean?",
        "speed",
        "mm/s",
        v,
        [
            Step("overcure = Cd - t", f"Cd = {f(d.layer)} mm + {f(d.overcure)} mm", f"{f(depth)} mm", "What the raster must reach."),
            first,
            Step("E_mean = P/(v h)", f"v = {f(d.power)} mW/({f(d.spacing)} mm x {f(e)} mJ/mm^2)", f"{f(v)} mm/s", "Solved for v."),
        ],
        without_overcure=(d.power / (d.spacing * thin), NO_OVERCURE),
        area_unit=(v / 100.0, AREA),
        base_ten=(d.power / (d.spacing * d.ec * 10 ** (depth / d.dp)), TEN),
        single_line=(
            float(line.speed_for_exposure(d.power, 0.5 * max(2 * d.radius, 2.2 * d.spacing), e)),
            ("That is one line alone: in a raster E_mean = P/(v h)."),
        ),
    )


def print_through(d: Draw) -> Made:
    cd = d.layer + d.overcure
    through = float(stack.depth_after_layers(cd, math.inf, d.layer, d.dp)) - d.layer
    return Made(
        f"Many layers of {d.length(d.layer)} are drawn, each cured {d.length(cd)} deep alone, penetration depth {d.length(d.dp)}. "
        f"How far does the "
        "solid end below a down-facing face?",
        "length",
        "mm",
        through,
        [
            Step("overcure = Cd - t", f"{f(cd)} mm - {f(d.layer)} mm", f"{f(d.overcure)} mm", "The first layer alone."),
            Step(
                "print-through = (Cd - t) - Dp ln(1 - e^(-t/Dp))",
                f"{f(d.overcure)} mm - {f(d.dp)} mm x ln(1 - e^(-{f(d.layer / d.dp)}))",
                f"{f(through)} mm",
                "The layers above add their fading light.",
            ),
        ],
        overcure_only=(d.overcure, "That is the first layer alone. The light of the layers above is missing."),
        layers_above_only=(through - d.overcure, "The overcure of the first layer is missing: depth without overcure."),
        base_ten=(d.overcure - d.dp * math.log10(1 - math.exp(-d.layer / d.dp)), LOG10),
        not_below_the_face=(through + d.layer, "That is counted from the layer's top. The face is its bottom: take the layer off."),
    )


def combined_uncertainty(d: Draw) -> Made:
    a, b = d.between(1.0, 4.0), d.between(2.0, 8.0)
    u = d.dp * math.hypot(a, b) / 100
    return Made(
        f"For a single line, the power is uncertain by {f(a)} % and the beam radius by {f(b)} % (standard uncertainties, "
        f"independent). Penetration "
        f"depth {d.length(d.dp)}. Which standard uncertainty of the cure depth follows?",
        "length",
        "um",
        u,
        [
            Step(
                "depth error = Dp x relative exposure error",
                f"{f(1000 * d.dp)} um x {f(a)} % and x {f(b)} %",
                f"{f(10 * d.dp * a)} um and {f(10 * d.dp * b)} um",
                "Exposure goes with P/W0: each share counts once.",
            ),
            Step("u^2 = u1^2 + u2^2", f"sqrt({f(10 * d.dp * a)}^2 + {f(10 * d.dp * b)}^2) um", f"{f(1000 * u)} um", "Independent doubts."),
        ],
        plain_sum=(d.dp * (a + b) / 100, "Added plainly. Independent uncertainties add as squares."),
        larger_only=(d.dp * max(a, b) / 100, "That is the larger one alone. It rules, but the other one adds its square."),
    )


def wrong_meter(d: Draw) -> Made:
    percent = d.whole(9, 15)  # large enough that a share taken for its logarithm is no rounding
    shift = float(laws.Plain(d.dp, 1.0).height(1 + percent / 100))
    return Made(
        f"A resin (penetration depth {d.length(d.dp)}) was calibrated with a power meter that reads {percent} % too high. The file "
        f"goes to another "
        "machine, set with a meter that reads true. By how much is the cure depth there deeper than asked for?",
        "length",
        "um",
        shift,
        [
            Step(
                "depth error = Dp ln(factor of exposure)",
                f"{f(1000 * d.dp)} um x ln({f(1 + percent / 100)})",
                f"{f(1000 * shift)} um",
                "Ec was counted too high, so the true exposure now set is too high by the same factor.",
            )
        ],
        base_ten=(d.dp * math.log10(1 + percent / 100), LOG10),
        share_of_layer=(d.layer * percent / 100, "Not a share of the layer: the depth moves by Dp times ln of the factor."),
        without_logarithm=(d.dp * percent / 100, "Not Dp times the share: Dp times ln of the factor."),
        wrong_way=(-d.dp * math.log(1 - percent / 100), "The meter reads too high: the factor is 1 plus the share, not 1 less it."),
        cancelled=(0.0, "It cancels only when the same meter calibrates and sets the machine."),
    )


def new_lot(d: Draw) -> Made:
    v, k = d.between(800.0, 6000.0), d.one_of([0.85, 0.9, 1.08, 1.15, 1.22])
    new = float(f"{d.ec * k:.3g}")
    return Made(
        f"A recipe ran at {d.speed(v)} with a lot whose critical exposure is {d.exposure(d.ec)}. The new lot has {d.exposure(new)} "
        f"and the same penetration "
        f"depth, {d.length(d.dp)}; the beam diameter is {d.length(2 * d.radius)}. Which speed keeps the cure depth?",
        "speed",
        "mm/s",
        v * d.ec / new,
        [
            Step(
                "E = Ec e^(Cd/Dp)",
                f"E grows by {f(new)}/{f(d.ec)}",
                f"{f(new / d.ec)} times",
                "Same depth, same Dp: the exposure goes with Ec.",
            ),
            Step(
                "v = sqrt(2/pi) P/(W0 E)", f"{f(v)} mm/s/{f(new / d.ec)}", f"{f(v * d.ec / new)} mm/s", "Speed goes with one over exposure."
            ),
        ],
        upside_down=(v * new / d.ec, "The wrong way round: a higher critical exposure needs a slower spot."),
    )


def spot_change(d: Draw) -> Made:
    k = d.one_of([1.15, 1.25, 1.4])
    wide = float(f"{d.radius * k:.3g}")
    lost = float(laws.Plain(d.dp, 1.0).height(wide / d.radius))
    return Made(
        f"After a service the beam diameter is {d.length(2 * wide)} instead of {d.length(2 * d.radius)}; power and speed stay. "
        f"Penetration depth "
        f"{d.length(d.dp)}. How much cure depth does a single line lose?",
        "length",
        "mm",
        lost,
        [
            Step(
                "E = sqrt(2/pi) P/(W0 v)",
                f"E falls by {f(d.radius)}/{f(wide)}",
                f"{f(d.radius / wide)} times",
                "A wider spot spreads the light.",
            ),
            Step("Cd = Dp ln(E/Ec)", f"{f(d.dp)} mm x ln({f(wide / d.radius)})", f"{f(lost)} mm", "The depth follows the logarithm."),
        ],
        square=(2 * lost, "The square of the radius went in. On the middle of a line the exposure goes with one over W0."),
        base_ten=(d.dp * math.log10(wide / d.radius), LOG10),
    )


THIRD = {
    "spot-change": ("line", spot_change),
    "raster-speed": ("overcure", raster_speed),
    "print-through": ("stack", print_through),
    "two-coupons-depth": ("coupons", two_coupons_depth),
    "two-coupons-critical": ("coupons", two_coupons_critical),
    "combined-uncertainty": ("uncertainty", combined_uncertainty),
    "wrong-meter": ("uncertainty", wrong_meter),
    "new-lot": ("drift", new_lot),
}
