"""Hatch spacing, beam radius and passes for a depth (or a radius for a line width)."""

from __future__ import annotations

import math

from ...formulas.beam import Beam
from ...formulas.resin import Resin
from ...formulas.scan import Scan
from ...units import MM, Measured, NoSolution, Quantity, show, show_kernel
from ..answer import MonteCarloOptions, evaluate
from .case import Solution, case_for, radii, solved, spacing, with_scan
from .finish import finish, wanted_depth
from .limits import Limits, no_radius

__all__ = ["solve_beam_radius", "solve_hatch_spacing", "solve_passes"]


def solve_hatch_spacing(
    *,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None = None,
    overcure: Quantity | None = None,
    cure_depth: Quantity | None = None,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """Widest hatch spacing whose valley still reaches the depth; the scan's own spacing is not looked at.

    Parameters
    ----------
    beam : Beam
    resin : Resin
    scan : Scan
    layer_thickness : Quantity or Measured [mm], optional
    overcure, cure_depth : Quantity [mm], optional
    limits : Limits, optional
    monte_carlo : MonteCarloOptions, optional

    Returns
    -------
    Solution
        One value: the valley's exposure falls steadily from infinity to zero.

    Raises
    ------
    QuantityError
    NoSolution
        The setting's power or speed lies outside the limits.

    Source: `derived`, the raster sum of `raster_exposure`, by bisection.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve_hatch_spacing(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(1.0, "m/s")),
    ...     cure_depth=Q(150.0, "um"),
    ... )
    >>> f"{solution.value.m_as('mm'):.4f}"
    '0.1342'
    """
    pattern = with_scan(scan, hatch_spacing=Quantity(1.0, MM))
    case = case_for("hatch_spacing", beam, resin, pattern, layer_thickness, overcure, cure_depth)
    if limits is not None:
        limits.check_given(case.given.x)
    return finish(case, solved(case, spacing, monte_carlo), beam, resin, pattern, layer_thickness, monte_carlo)


def solve_beam_radius(
    *,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None = None,
    overcure: Quantity | None = None,
    cure_depth: Quantity | None = None,
    line_width: Quantity | None = None,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """Beam radii (1/e^2) at which the weakest place reaches the depth, or a line its width: none, one or two.

    An elliptical beam keeps its ratio and angle; the value is its x radius.

    Parameters
    ----------
    beam : Beam
        Its size is not looked at, only its shape.
    resin : Resin
    scan : Scan
    layer_thickness : Quantity or Measured [mm], optional
    overcure, cure_depth : Quantity [mm], optional
    line_width : Quantity [mm], optional
        Of a single line at the surface, instead of a depth: usually two radii give one width.
    limits : Limits, optional
    monte_carlo : MonteCarloOptions, optional
        Propagated about each answer by its local derivative in every draw.

    Returns
    -------
    Solution

    Raises
    ------
    QuantityError
    NoSolution
        No radius does it, with the reason.

    Source: `derived`, roots on a logarithmic grid from 1 um to 100 mm.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve_beam_radius(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(1.0, "mm")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(1.0, "m/s")),
    ...     line_width=Q(0.165153, "mm"),
    ... )
    >>> [f"{w.m_as('mm'):.3f}" for w in solution.values]
    ['0.125', '0.232']
    """
    case = case_for("beam_radius", beam, resin, scan, layer_thickness, overcure, cure_depth, line_width)
    if limits is not None:
        limits.check_given(case.given.x)
    found = radii(case, monte_carlo)
    if not found:
        raise no_radius(case)
    parts = [finish(case, one, beam, resin, scan, layer_thickness, monte_carlo) for one in found]
    return Solution(
        "beam_radius",
        tuple(p.value for p in parts),
        tuple(p.answer for p in parts),
        tuple(p.standard_uncertainty[0] for p in parts),
        tuple(p.monte_carlo[0] for p in parts),
        notes=_narrow(parts),
        wanted=wanted_depth(case),
    )


def _narrow(parts: list[Solution]) -> tuple[str, ...]:
    """A word on the answer whose line is shallow, where two radii give one width."""
    if len(parts) < 2:
        return ()
    depths = [float(p.answer.weakest_depth.m_as(MM)) for p in parts]
    if max(depths) < 1.5 * min(depths):
        return ()
    deep, flat = (parts[depths.index(pick(depths))] for pick in (max, min))
    a, b = (f"{show(p.answer.weakest_depth, digits=3)} deep with {show(p.value, digits=3)}" for p in (deep, flat))
    return (f"Both radii meet the target, but the line is {a} and only {b}.",)


def solve_passes(
    *,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None = None,
    overcure: Quantity | None = None,
    cure_depth: Quantity | None = None,
    line_width: Quantity | None = None,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """Fewest equal passes with which the weakest place reaches the depth; a whole number.

    Parameters
    ----------
    beam : Beam
    resin : Resin
    scan : Scan
        Its passes are not looked at.
    layer_thickness : Quantity or Measured [mm], optional
    overcure, cure_depth : Quantity [mm], optional
    line_width : Quantity [mm], optional
        Of a single line at the surface, instead of a depth.
    limits : Limits, optional
    monte_carlo : MonteCarloOptions, optional
        Of the depths at that number.

    Returns
    -------
    Solution

    Raises
    ------
    QuantityError
    NoSolution
        More than a million passes.

    Source: exposures of equal passes add, Dp ln N deeper (`jacobs1992`, from memory; numerical integration agrees).

    >>> from curecalc.units import Quantity as Q
    >>> solve_passes(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(1.0, "m/s")),
    ...     cure_depth=Q(200.0, "um"),
    ... ).value
    2
    """
    single = with_scan(scan, passes=1)
    case = case_for("passes", beam, resin, single, layer_thickness, overcure, cure_depth, line_width)
    if limits is not None:
        limits.check_given(case.given.x)
    exact = math.exp(-float(case.excess(case.given.x)))
    if not exact <= 1e6:
        raise NoSolution(
            f"{exact:.3g} passes would be needed at {show_kernel(case.given.x['scan_speed'], 'speed')}.",
            limit="passes",
            remedy="Slow the scan, raise the power or narrow the spacing.",
        )
    # a whole number within rounding error of the exact ratio is that number, not the next
    passes = max(1, math.ceil(exact * (1.0 - 1e-12)))
    answer = evaluate(
        beam=beam,
        resin=resin,
        scan=with_scan(scan, passes=passes),
        layer_thickness=layer_thickness,
        monte_carlo=monte_carlo,
    )
    return Solution(
        "passes",
        (passes,),
        (answer,),
        (None,),
        (None,),
        (f"The exact ratio is {exact:.4g} passes.",),
        wanted_depth(case),
    )
