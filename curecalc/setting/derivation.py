"""Derivations: an answer taken apart into formulas with this setting's numbers, one plain sentence each."""

from __future__ import annotations

import math
from functools import partial

from ..formulas.resin import Resin
from ..physics import tilt
from ..physics.laws import Law
from ..physics.light import Gaussian
from ..physics.raster import harmonic
from ..physics.stack import accumulation
from ..symbols import percent
from ..units import Quantity, show, show_kernel
from .answer import Answer
from .explain import Step
from .layers import StackAnswer
from .model import Problem, cure_law, scan_of
from .solution import Solution
from .unknowns import UNKNOWNS

__all__ = ["constants", "depth_steps", "parameters", "solution_steps", "stack_steps"]


_show, _kernel = (partial(one, digits=6) for one in (show, show_kernel))


def _f(number: float) -> str:
    return f"{number:.6g}"


def constants(law: Law, resin: Resin) -> dict[str, str]:
    """The numbers of a law as they are shown, by field."""
    return {name: _show(Quantity(float(getattr(law, name)), unit)) for name, unit in resin.law_units.items()}


def parameters(law: Law, resin: Resin) -> str:
    """The same behind their symbols: `Dp = 0.15 mm, Ec = 8 mJ/cm^2`."""
    return ", ".join(f"{resin.symbols[name]} = {text}" for name, text in constants(law, resin).items() if name in resin.symbols)


def _dp(given: Problem) -> str:
    return _kernel(float(cure_law(given.x, given.form).penetration_depth), "length")


def _ec(given: Problem) -> str:
    return _kernel(float(cure_law(given.x, given.form).critical_exposure), "exposure")


def _tilt_steps(given: Problem) -> list[Step]:
    form = given.form
    if not form.tilted:
        return []
    theta, n = form.incidence_angle, form.refractive_index
    inside = math.degrees(float(tilt.refraction_angle(theta, n)))
    power = "^w" if form.weighted else ""
    more = ", Eb' = Eb cos theta' (T(0)/T(theta))" if "bleaching_exposure" in given.x else ""
    light = "unpolarised" if form.s_polarised_share == 0.5 else f"{percent(form.s_polarised_share)} s-polarised"
    return [
        Step(
            f"sin theta' = sin theta/n, Dp' = Dp cos theta', Ec' = Ec [cos theta' (T(0)/T(theta))]{power}{more}"
            if power
            else f"sin theta' = sin theta/n, Dp' = Dp cos theta', Ec' = Ec cos theta' (T(0)/T(theta)){more}",
            f"theta = {_f(math.degrees(theta))} deg, n = {_f(n)}, theta' = {_f(inside)} deg, "
            f"T(theta)/T(0) = {_f(float(tilt.transmission_ratio(theta, n, form.s_polarised_share)))} ({light} light)",
            f"{_dp(given)} and {_ec(given)}",
            "Slanted light reaches less deep; across the refracted beam it is denser, and a little more is reflected.",
        )
    ]


def _radius_step(answer: Answer) -> list[Step]:
    given = answer.given
    if given.form.round and not given.form.tilted:
        return []
    across, _ = scan_of(given.x, given.form).spot.radii(given.form.track_angle)
    wx = given.x["beam_radius"] if given.form.round else given.x["radius_x"]
    wy = wx if given.form.round else given.x["radius_y"]
    return [
        Step(
            "W_perp^2 = Wx^2 sin^2 psi + Wy^2 cos^2 psi (the spot stretched by 1/cos theta along a tilt)",
            f"Wx = {_f(wx)} mm, Wy = {_f(wy)} mm, psi = {_f(math.degrees(given.form.track_angle - given.form.spot_angle))} deg, "
            f"theta = {_f(math.degrees(given.form.incidence_angle))} deg",
            _kernel(float(across), "length"),
            f"Only the width across the track matters for a line; it stands for {answer.beam.told.radius} below.",
        )
    ]


def _exposure_steps(answer: Answer) -> list[Step]:
    x, form = answer.given.x, answer.given.form
    across, along = (float(w) for w in scan_of(x, form).spot.radii(form.track_angle))
    passes = "" if x["passes"] == 1 else f" x {x['passes']:.0f} passes"
    crossed = " x 2 directions" if form.cross_hatch else ""
    steps, told = _radius_step(answer), answer.beam.told
    p, v = x["power"], x["scan_speed"]
    if not form.raster:
        peak = answer.outputs["exposure_peak"]
        steps.append(
            Step(
                f"E = {told.factor} P/({told.radius} v)",
                f"{_f(told.value)} x {_f(p)} mW/({_f(across)} mm x {_f(v)} mm/s){passes}",
                f"{_f(peak.m_as('mJ/mm^2'))} mJ/mm^2 = {_show(peak)}",
                "The moving beam leaves its greatest exposure on the axis of the line.",
            )
        )
    else:
        h = x["hatch_spacing"]
        mean, low = answer.outputs["exposure_mean"], answer.outputs["exposure_min"]
        steps.append(
            Step(
                "E_mean = P/(v h)",
                f"{_f(p)} mW/({_f(v)} mm/s x {_f(h)} mm){passes}{crossed}",
                f"{_f(mean.m_as('mJ/mm^2'))} mJ/mm^2 = {_show(mean)}",
                "Each line brings its energy to a strip one spacing wide: the mean does not depend on the spot.",
            )
        )
        if not form.pulsed:
            steps.append(_valley_step(answer, mean, low, across))
    if form.pulsed:
        low = answer.outputs["exposure_min"]
        pitch = v / x["pulse_rate"]
        steps.append(
            Step(
                "d = v/f; the weakest place lies half-way between two pulses (same sum as between lines, d in place of h)",
                f"d = {_f(v)} mm/s/{_f(x['pulse_rate'])} Hz = {_f(pitch)} mm, d/W0 = {_f(pitch / along)}",
                _show(low),
                "Pulses side by side along the track add like lines side by side.",
            )
        )
    return steps


def _valley_step(answer: Answer, mean: Quantity, low: Quantity, across: float) -> Step:
    given, told = answer.given, answer.beam.told
    h, form = given.x["hatch_spacing"], given.form
    share = _f(float((low / mean).m_as("dimensionless")))
    if form.cross_hatch and form.shape is Gaussian and not (form.round and not form.tilted):
        other, _ = scan_of(given.x, form).spot.radii(form.track_angle + 0.5 * math.pi)
        return Step(
            "E_valley = E_mean [F(h/W1) + F(h/W2)]/2, F(s) = 1 - 2 q + 2 q^4 - ..., q = exp(-pi^2/(2 s^2))",
            f"h/W1 = {_f(h / across)} and h/W2 = {_f(h / other)}: {_show(mean)} x {share}",
            _show(low),
            told.why,
        )
    numbers = told.numbers.format(s=_f(h / across), q=_f(float(harmonic(h / across))))
    return Step(f"E_valley = {told.weakest}", f"{_show(mean)} x {share}, {numbers}", _show(low), told.why)


def _cure_step(answer: Answer) -> Step:
    given = answer.given
    depth, told = answer.weakest_depth, answer.resin.told
    low = answer.outputs.get("equivalent_min", answer.outputs["exposure_min"])
    tilted = ", Dp and Ec as the tilted beam sees them" if given.form.tilted else ""
    return Step(
        told.depth + tilted,
        told.numbers.format(dose=_show(low), **constants(cure_law(given.x, given.form), answer.resin)),
        _show(depth),
        told.why if answer.cures else "The exposure does not exceed the critical exposure: nothing gels, the depth is 0.",
    )


def depth_steps(answer: Answer) -> list[Step]:
    """From settings to depth, width and overcure, with the numbers put in."""
    given = answer.given
    steps = [*_exposure_steps(answer), *_tilt_steps(given), _cure_step(answer)]
    law = cure_law(given.x, given.form)
    if not given.form.raster and answer.cures and law.reach is not None and given.form.shape is Gaussian:
        across, _ = scan_of(given.x, given.form).spot.radii(given.form.track_angle)
        steps.append(
            Step(
                "Lw = W0 sqrt(2 Cd/Dp)",
                f"{_f(across)} mm x sqrt(2 x {_show(answer.weakest_depth)}/{_f(law.penetration_depth)} mm)",
                _show(answer.outputs["line_width"]),
                "The cured section is a parabola; published widths from an exposure threshold were off by about 30 %.",
            )
        )
    if "overcure" in answer.outputs:
        t = _kernel(given.x["layer_thickness"], "length")
        steps.append(
            Step(
                "overcure = Cd - t",
                f"{_show(answer.weakest_depth)} - {t}",
                _show(answer.outputs["overcure"]),
                "What reaches into the layer below bonds the two.",
            )
        )
    return steps


def solution_steps(solution: Solution) -> list[Step]:
    """From the wanted depth back to the unknown, then forward again as a check."""
    answer = solution.answer
    given = answer.given
    x, form = given.x, given.form
    steps: list[Step] = []
    unknown, value = solution.unknown, solution.value
    shown = _show(value) if isinstance(value, Quantity) else str(value)
    if solution.wanted is not None:
        depth = solution.wanted
        needed = _kernel(float(cure_law(x, form).dose(float(depth.m_as("mm")))), "exposure")
        steps.append(
            Step(
                answer.resin.told.dose,
                f"Cd = {_show(depth)}, {parameters(cure_law(x, form), answer.resin)}",
                needed,
                "The working curve read backwards: the exposure the weakest place needs.",
            )
        )
    steps.append(Step(*_unknown_step(unknown, answer, shown)))
    return steps + depth_steps(answer)


def _unknown_step(unknown: str, answer: Answer, shown: str) -> tuple[str, str, str, str]:
    x, form, told = answer.given.x, answer.given.form, answer.beam.told
    closed = form.round and not (form.weighted or form.pulsed or form.raster or form.tilted)
    if unknown == "scan_speed" and closed:
        return (
            f"v = {told.factor} P/({told.radius} E)" + ("" if x["passes"] == 1 else " x passes"),
            f"{_f(told.value)} x {_f(x['power'])} mW/({_f(x['beam_radius'])} mm x E)",
            shown,
            "Exposure falls as one over the speed.",
        )
    found = UNKNOWNS[unknown]
    return found.formula, "", shown, found.why


def stack_steps(answer: StackAnswer) -> list[Step]:
    """From the exposure of one layer to print-through and compensation."""
    x, form = answer.given.x, answer.given.form
    t, law, told = x["layer_thickness"], cure_law(x, form), answer.resin.told
    many = "infinity" if math.isinf(answer.layers) else f"{answer.layers:.0f}"
    steps = [
        Step(
            told.below,
            f"t = {_f(t)} mm, {parameters(law, answer.resin)}",
            _show(answer.own_exposure),
            "What is left of a layer's own exposure at its bottom bonds it to the layer below.",
        )
    ]
    if law.reach is not None:
        factor = float(accumulation(answer.layers, t, law.reach))
        steps.append(
            Step(
                "A = (1 - e^(-n t/Dp))/(1 - e^(-t/Dp))",
                f"n = {many}, t/Dp = {_f(t / law.reach)}",
                _f(factor),
                "Each later layer adds the same exposure, weakened by one layer more: a geometric series.",
            )
        )
        beyond = float(law.depth(law.dose(0.0) * factor))
        steps.append(
            Step(
                "print-through = (Cd - t) + Dp ln A",
                f"({_show(answer.single_depth)} - {_f(t)} mm) + {_kernel(beyond, 'length')}",
                _show(answer.print_through),
                "Light of all layers goes on curing below the face that should be the last.",
            )
        )
    else:
        steps.append(
            Step(
                "T(1) = Es, T(k+1) = Es + what a layer lets pass of T(k), print-through = Cd(T(n)) - t",
                f"n = {many}",
                _show(answer.print_through),
                "Layers that have bleached pass more light on: the doses are summed layer by layer.",
            )
        )
    steps.append(
        Step(
            "layers to leave out = print-through/t, to the nearest that leaves least",
            f"{_show(answer.print_through)}/{_f(t)} mm",
            f"{answer.compensation_layers}, leaving {show(answer.residual)}",
            "Starting the face that many layers higher lets print-through fill the rest.",
        )
    )
    return steps
