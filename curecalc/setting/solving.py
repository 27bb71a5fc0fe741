"""Any one unknown from the others: speed, power, spacing, radius, passes, layer thickness, overcure.

All ask that the weakest place (axis of a line, valley of a raster) reaches a depth, or that a line has a width. What is found how
stands in one table, `UNKNOWNS`. All answers that exist come back, an interval of them as an interval; where none does, `NoSolution`
says why and what would help.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, TypedDict, Unpack

import numpy as np

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..physics import light, roots
from ..statistics.uncertainty import MonteCarlo, log_gradient, monte_carlo, standard_uncertainties
from ..symbols import percent
from ..units import MM, Measured, NoSolution, Quantity, QuantityError, Unit, finite, measured, nonnegative, positive, show, show_kernel
from .answer import Answer, MonteCarloOptions, draws_of, evaluate
from .holders import HoldsBeam, HoldsResin, beam_of, resin_of
from .limits import Limits
from .model import Problem, cure_law, model, problem, scan_of, stated
from .solution import Solution
from .unknowns import FLAT, UNKNOWNS, Case

__all__ = [
    "solve",
    "solve_beam_radius",
    "solve_hatch_spacing",
    "solve_layer_thickness",
    "solve_overcure",
    "solve_passes",
    "solve_power",
    "solve_scan_speed",
]

_DEEPEST = math.exp(60.0)  # times the critical dose: no exposure of this world


# ---------------------------------------------------------------- the one way through


def solve(
    unknown: str,
    *,
    beam: Beam | HoldsBeam,
    resin: Resin | HoldsResin,
    scan: Scan | None = None,
    layer_thickness: Measured | Quantity | None = None,
    overcure: Quantity | None = None,
    cure_depth: Quantity | None = None,
    line_width: Quantity | None = None,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """The value of one unknown at which the weakest place cures to layer thickness plus overcure, or to a cure depth.

    Parameters
    ----------
    unknown : str
        `scan_speed`, `power`, `hatch_spacing` (the widest), `beam_radius` (all there are), `passes` (the fewest),
        `layer_thickness` (the thickest) or `overcure`. A value the records hold for it is not looked at, but for the shape of an
        elliptical beam.
    beam : Beam or BeamRecord
    resin : Resin or Lot
    scan : Scan, optional
        A single line when left out.
    layer_thickness : Quantity or Measured [mm], optional
    overcure : Quantity [mm], optional
        Beyond the layer; may be negative as long as some depth is left.
    cure_depth : Quantity [mm], optional
        Instead of the two above.
    line_width : Quantity [mm], optional
        Of a single line at the surface, instead of a depth.
    limits : Limits, optional
        What the machine can do.
    monte_carlo : MonteCarloOptions, optional
        Of the answer and of the setting there; scalars only.

    Returns
    -------
    Solution
        Records that hold arrays broadcast; the answer then is an array, nan where one element has fewer answers than others.

    Raises
    ------
    QuantityError
        A value out of range, or missing.
    NoSolution
        No value does it, or none inside the limits; says which limit binds and what would move it.

    Source: `gibson2015` eq. 4.14 and the sums of `raster_exposure`, solved for the unknown: closed form where the dose goes as a power
    of it, bisection else, all roots on a logarithmic grid from 1 um to 100 mm for the radius.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve(
    ...     "scan_speed",
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     layer_thickness=Q(100.0, "um"),
    ...     overcure=Q(50.0, "um"),
    ... )
    >>> f"{solution.value.m_as('mm/s'):.3f}"
    '880.576'
    """
    if unknown not in UNKNOWNS:
        raise QuantityError(f"unknown must be one of {', '.join(UNKNOWNS)}, got {unknown!r}.")
    resin = resin_of(resin)
    beam, scan = _without(unknown, beam_of(beam, needs_power=unknown != "power"), scan or Scan())
    case = _case(unknown, beam, resin, scan, layer_thickness, overcure, cure_depth, line_width)
    if limits is not None:
        limits.check_given(case.given.x)
    values = UNKNOWNS[unknown].find(case, case.given.x)
    _inside_range(case, values)
    if limits is not None:
        limits.check_found(case, values)
    notes: list[str] = []
    if unknown == "passes":
        if not case.given.shape:
            notes.append(f"The exact ratio is {values.flat[0]:.4g} passes.")
        # a whole number within rounding error of the exact ratio is that number, not the next
        values = np.ceil(values * (1.0 - 1e-12))
    found = [_finished(case, value, beam, resin, scan, layer_thickness, monte_carlo, notes) for value in values]
    ranges = _ranges(case, values)
    notes += [_flat_note(one) for one in ranges if one is not None]
    numbers, answers, spreads, drawn = (tuple(part) for part in zip(*found))
    no_depth = case.width is not None or unknown in ("layer_thickness", "overcure")
    return Solution(
        unknown=unknown,
        values=numbers,
        answers=answers,
        standard_uncertainty=spreads,
        monte_carlo=drawn,
        notes=(*notes, *_narrow(list(answers))),
        wanted=None if no_depth else Quantity(np.asarray(case.depth(case.given.x), float)[()], MM),
        ranges=ranges,
    )


def _without(unknown: str, beam: Beam, scan: Scan) -> tuple[Beam, Scan]:
    """The records without the unknown."""
    if unknown == "passes":
        return beam, dataclasses.replace(scan, passes=1)
    if unknown == "beam_radius" and beam.round:
        return dataclasses.replace(beam, radius_x=None), scan
    return _put(unknown, None, beam, scan)


def _put(unknown: str, value: Any, beam: Beam, scan: Scan) -> tuple[Beam, Scan]:
    """The records with a value, or none, for an unknown that one of them holds."""
    record = UNKNOWNS[unknown].record
    if record == "beam":
        return dataclasses.replace(beam, **{unknown: value}), scan
    return beam, dataclasses.replace(scan, **{unknown: value}) if record == "scan" else scan


def _case(
    unknown: str,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None,
    overcure: Quantity | None,
    cure_depth: Quantity | None,
    line_width: Quantity | None,
) -> Case:
    """The problem with its target: a depth, or the width of a single line."""
    given = problem(beam=beam, resin=resin, scan=scan, layer_thickness=layer_thickness)
    if unknown == "hatch_spacing":
        given = replace(given, form=replace(given.form, raster=True))
    stated(given, unknown)
    # what is asked for has no uncertainty of its own
    own = ("radius_x", "radius_y") if unknown == "beam_radius" else (unknown,)
    given = replace(given, u={name: u for name, u in given.u.items() if name not in own})
    if unknown == "layer_thickness":
        return Case(given, unknown, (positive if overcure is None else nonnegative)("overcure", overcure, MM))
    if unknown == "overcure":
        if layer_thickness is None:
            raise QuantityError("layer_thickness is missing. Give it a quantity, for example Q(0.1, 'mm').")
        return Case(given, unknown, uses_layer=True)
    if line_width is not None:
        return _width_case(given, unknown, line_width, overcure, cure_depth)
    beyond, layer = _target(layer_thickness, overcure, cure_depth)
    case = Case(given, unknown, beyond, bool(np.any(layer > 0.0)))
    law = cure_law(given.x, given.form)
    too_deep = np.asarray(case.needed(given.x) > _DEEPEST * law.dose(0.0))
    if too_deep.any():
        dp, deep = law.penetration_depth, beyond + layer
        dp, deep = (float(np.broadcast_to(v, too_deep.shape)[too_deep].flat[0]) for v in (dp, deep))
        raise QuantityError(
            f"a depth of {show_kernel(deep, 'length')} is {deep / dp:.3g} penetration depths of "
            f"{show_kernel(dp, 'length')}: no exposure reaches it. Check the units of the layer, overcure and penetration depth."
        )
    return case


def _target(layer_thickness: Measured | Quantity | None, overcure: Quantity | None, cure_depth: Quantity | None) -> tuple[Any, Any]:
    """(depth wanted beyond the layer, or in all; layer thickness or 0)."""
    if cure_depth is not None:
        if overcure is not None:
            raise QuantityError("cure_depth and overcure cannot both be given: cure_depth is layer_thickness plus overcure.")
        return positive("cure_depth", cure_depth, MM), 0.0
    if layer_thickness is None:
        raise QuantityError("layer_thickness is missing. Give layer_thickness and overcure, or cure_depth.")
    if overcure is None:
        raise QuantityError("overcure is missing. Give layer_thickness and overcure, or cure_depth.")
    over, thick = finite("overcure", overcure, MM), positive("layer_thickness", measured(layer_thickness).value, MM)
    gone = np.asarray(thick + over <= 0.0)
    if gone.any():
        over, thick = (float(v[gone].flat[0]) for v in np.broadcast_arrays(over, thick))
        raise QuantityError(
            f"overcure of {over:.6g} mm takes the whole layer of {thick:.6g} mm away: layer_thickness plus overcure must be above zero."
        )
    return over, thick


def _width_case(given: Problem, unknown: str, line_width: Quantity, overcure: Any, cure_depth: Any) -> Case:
    width = positive("line_width", line_width, MM)
    if given.form.raster:
        raise QuantityError("line_width is asked of a single line, but a hatch_spacing is given. Leave one of them out.")
    if cure_depth is not None or overcure is not None:
        raise QuantityError("line_width cannot be combined with cure_depth or overcure: give one target.")
    if unknown != "beam_radius":
        across, _ = scan_of({"power": math.nan, "scan_speed": math.nan, **given.x}, given.form).spot.radii(given.form.track_angle)
        ratio, most = np.max(width / across), 2.0 if given.form.shape is light.TopHat else 10.0
        if ratio > most:
            raise QuantityError(
                f"a line_width of {show_kernel(float(np.max(width)), 'length')} is {ratio:.3g} beam radii of "
                f"{show_kernel(float(np.min(across)), 'length')}: no exposure widens a line that far. Check the units of both."
            )
    return Case(given, unknown, width=width)


def _inside_range(case: Case, values: Any) -> None:
    """`NoSolution` or `QuantityError` where there is no answer, or one no machine could hold."""
    x = case.given.x
    low, high = UNKNOWNS[case.unknown].range
    if case.unknown == "beam_radius":
        if not values.shape[0]:
            raise _no_radius(case)
        return
    if case.unknown == "layer_thickness":
        if np.any(values <= 0.0):
            depth, over = (float(np.min(v)) for v in (case.reached(x), case.beyond))
            raise NoSolution(
                f"The setting cures the weakest place to {show_kernel(depth, 'length')}, not more than the overcure of "
                f"{show_kernel(over, 'length')} asked for: no layer is left.",
                limit="cure_depth",
                remedy="Slow the scan, raise the power or ask for less overcure.",
            )
        return
    bad = np.isnan(values) | (values < low) | (values > high)
    if not bad.any():
        return
    if case.unknown == "passes":
        raise NoSolution(
            f"{float(values[bad].flat[0]):.3g} passes would be needed at "
            f"{show_kernel(float(np.broadcast_to(x['scan_speed'], values.shape)[bad].flat[0]), 'speed')}.",
            limit="passes",
            remedy="Slow the scan, raise the power or narrow the spacing.",
        )
    if case.unknown != "hatch_spacing":
        raise QuantityError(f"{case.unknown} comes out as {float(values[bad].flat[0]):g}: one of the inputs is out of all proportion.")
    too_close = np.signbit(case.excess(x, low)).any()
    end, word = (low, "closer than") if too_close else (high, "further apart than")
    raise NoSolution(
        f"The lines would have to lie {word} {show_kernel(end, 'length')}, beyond any scanner.",
        limit="hatch_spacing",
        remedy="Slow the scan or raise the power." if too_close else "Raise the speed or lower the power.",
    )


def _finished(
    case: Case, value: Any, beam: Beam, resin: Resin, scan: Scan, layer: Any, options: MonteCarloOptions | None, notes: list[str]
) -> tuple[Any, Answer, Quantity | None, MonteCarlo | None]:
    """The value in its unit, the whole setting evaluated there, its standard uncertainty and Monte Carlo."""
    name, unit = case.unknown, UNKNOWNS[case.unknown].unit
    value = np.asarray(value, float)[()]
    shown: Any = Quantity(value, unit)
    if name == "passes":
        shown = int(value) if np.ndim(value) == 0 else value.astype(int)
        scan = dataclasses.replace(scan, passes=shown)
    elif name == "beam_radius":
        other = None if beam.round else shown * float(np.max(case.given.x["radius_y"] / case.given.x["radius_x"]))
        beam = dataclasses.replace(beam, radius_x=shown, radius_y=other)
    elif name == "layer_thickness":
        layer = shown
    else:
        beam, scan = _put(name, shown, beam, scan)
    drawn = None
    if options is not None and name != "passes":
        drawn = _drawn(case, value, options, notes)
    answer = evaluate(beam=beam, resin=resin, scan=scan, layer_thickness=layer, monte_carlo=options)
    if name in ("layer_thickness", "overcure"):
        return shown, answer, answer.standard_uncertainty.get("overcure"), drawn
    return shown, answer, None if name == "passes" else _spread(case, value, unit), drawn


def _spread(case: Case, value: Any, unit: Unit) -> Quantity | None:
    """First-order standard uncertainty of the unknown, by the implicit function theorem on the excess."""
    given = case.given
    if not given.u:
        return None
    slopes = _slopes(case, given.x, value, sorted(given.u))
    by = slopes.pop("the unknown")
    if np.allclose(by, 0.0, atol=1e-7):
        return None  # flat: any value will do
    row = {name: -slope / by for name, slope in slopes.items()}
    return Quantity(value * standard_uncertainties({"": row}, given.relative, given.correlations)[""], unit)


def _slopes(case: Case, x: Mapping[str, Any], value: Any, names: list[str]) -> dict[str, Any]:
    """How the excess moves with the logarithm of each named input and of the unknown."""
    at = {**x, "the unknown": value}
    return log_gradient(lambda one: {"excess": case.excess(one, one["the unknown"])}, at, [*names, "the unknown"])["excess"]


def _drawn(case: Case, value: Any, options: MonteCarloOptions, notes: list[str]) -> MonteCarlo | None:
    """The unknown found anew in every draw; a radius followed by Newton steps, since other answers lie beside it."""
    lanes = draws_of(case.given, options)
    if case.unknown != "beam_radius":
        many = np.broadcast_to(UNKNOWNS[case.unknown].find(case, lanes)[0], (options.draws,))
        lost = np.isnan(many)
    else:
        many, longest = np.full(options.draws, math.log(value)), 0.2
        with np.errstate(invalid="ignore", divide="ignore"):
            for _ in range(40):
                at = np.exp(many)
                many = many - np.clip(case.excess(lanes, at) / _slopes(case, lanes, at, [])["the unknown"], -longest, longest)
            lost = ~(np.abs(case.excess(lanes, np.exp(many))) < 1e-8)
        many = np.exp(many)
    if lost.any():
        notes.append(
            f"Monte Carlo: {percent(lost.mean(), '.2g')} of the draws have no such {case.unknown.replace('_', ' ')} (two answers meet "
            "nearby, or none is left): no interval is given."
        )
        return None
    return monte_carlo(many, confidence=options.confidence)


# ---------------------------------------------------------------- radii: intervals, none, two


def _ranges(case: Case, values: Any) -> tuple[tuple[Quantity, Quantity] | None, ...]:
    """For each answer the interval it begins, where all values in it do as well; None for a single value."""
    if case.unknown != "beam_radius" or case.given.shape:
        return tuple(None for _ in values)
    x = {name: float(v) for name, v in case.given.x.items()}
    found = roots.all_roots(lambda r: case.excess(x, r), *UNKNOWNS["beam_radius"].range, FLAT)
    return tuple(None if high <= low else (Quantity(low, MM), Quantity(high, MM)) for low, high in found)


def _flat_note(found: tuple[Quantity, Quantity]) -> str:
    low, high = (show(end) for end in found)
    return f"Every beam radius from {low} to {high} does alike: the lines are so close that the spot no longer matters."


def _no_radius(case: Case) -> NoSolution:
    """Why no beam radius meets the target."""
    ends, form = UNKNOWNS["beam_radius"].range, case.given.form
    radii = np.geomspace(*ends, 600)
    x = {name: float(np.asarray(v).flat[0]) for name, v in case.given.x.items()}
    excess = case.excess(x, radii)
    span = "from " + " to ".join(show_kernel(end, "length") for end in ends)
    if (excess > 0.0).all():
        return NoSolution(
            f"Every beam radius {span} goes beyond the target.", limit="beam_radius", remedy="Raise the speed or lower the power first."
        )
    if case.width is not None:
        lines = model(case.put(x, radii), form)["line_width"]
        got, at = (show_kernel(float(v[np.argmax(lines)]), "length") for v in (lines, radii))
        return NoSolution(
            f"No beam radius {span} gives a line {show_kernel(float(np.max(case.width)), 'length')} wide: the widest is {got} "
            f"at a radius of {at}.",
            limit="beam_radius",
            remedy="Lower the speed or raise the power.",
        )
    best = float(radii[int(np.argmax(excess))])
    at_best = case.put(x, best)
    return NoSolution(
        f"No beam radius {span} reaches {show_kernel(float(case.depth(x)), 'length')}: the deepest is "
        f"{show_kernel(float(case.reached(at_best)), 'length')} at a radius of {show_kernel(best, 'length')}.",
        limit="beam_radius",
        remedy="Lower the speed, raise the power" + (" or narrow the hatch spacing." if form.raster else "."),
    )


def _narrow(answers: list[Answer]) -> tuple[str, ...]:
    """A word on the answer whose line is shallow, where two radii give one width."""
    if len(answers) < 2 or np.ndim(answers[0].weakest_depth.m):
        return ()
    deep, flat = (pick(answers, key=lambda a: float(a.weakest_depth.m_as(MM))) for pick in (max, min))
    if deep.weakest_depth < 1.5 * flat.weakest_depth:
        return ()
    a, b = (f"{show(p.weakest_depth, digits=3)} deep with {show(measured(p.beam.radius_x).value, digits=3)}" for p in (deep, flat))
    return (f"Both radii meet the target, but the line is {a} and only {b}.",)


# ---------------------------------------------------------------- thin names


class Given(TypedDict, total=False):
    """The arguments of `solve`, but for the unknown."""

    beam: Beam | HoldsBeam
    resin: Resin | HoldsResin
    scan: Scan | None
    layer_thickness: Measured | Quantity | None
    overcure: Quantity | None
    cure_depth: Quantity | None
    line_width: Quantity | None
    limits: Limits | None
    monte_carlo: MonteCarloOptions | None


def solve_scan_speed(**given: Unpack[Given]) -> Solution:
    """`solve` for the scan speed."""
    return solve("scan_speed", **given)


def solve_power(**given: Unpack[Given]) -> Solution:
    """`solve` for the power."""
    return solve("power", **given)


def solve_hatch_spacing(**given: Unpack[Given]) -> Solution:
    """`solve` for the widest hatch spacing."""
    return solve("hatch_spacing", **given)


def solve_beam_radius(**given: Unpack[Given]) -> Solution:
    """`solve` for all beam radii there are."""
    return solve("beam_radius", **given)


def solve_passes(**given: Unpack[Given]) -> Solution:
    """`solve` for the fewest equal passes."""
    return solve("passes", **given)


def solve_layer_thickness(**given: Unpack[Given]) -> Solution:
    """`solve` for the thickest layer that bonds with the wanted overcure."""
    return solve("layer_thickness", **given)


def solve_overcure(**given: Unpack[Given]) -> Solution:
    """`solve` for the overcure; negative where the layer below is not reached."""
    return solve("overcure", **given)
