"""Scan speed and power for a depth."""

from __future__ import annotations

import dataclasses

from ...formulas.beam import Beam
from ...formulas.resin import Resin
from ...formulas.scan import Scan
from ...units import MM_S, MW, Measured, Quantity
from ..answer import MonteCarloOptions
from .case import Solution, case_for, power, solved, speed, with_scan
from .finish import finish
from .limits import Limits

__all__ = ["solve_power", "solve_scan_speed"]


def solve_scan_speed(
    *,
    beam: Beam,
    resin: Resin,
    scan: Scan | None = None,
    layer_thickness: Measured | Quantity | None = None,
    overcure: Quantity | None = None,
    cure_depth: Quantity | None = None,
    line_width: Quantity | None = None,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """Scan speed at which the weakest place cures to layer thickness plus overcure, or to a cure depth.

    Parameters
    ----------
    beam : Beam
    resin : Resin
    scan : Scan, optional
        Spacing, passes and angles; its speed is not looked at. A single line when left out.
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

    Returns
    -------
    Solution
        One value; closed form, or the one root of the pulsed line.

    Raises
    ------
    QuantityError
        A value out of range.
    NoSolution
        The speed lies outside the limits.

    Source: `gibson2015` eq. 4.14 and the raster sum, solved for v.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve_scan_speed(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     layer_thickness=Q(100.0, "um"),
    ...     overcure=Q(50.0, "um"),
    ... )
    >>> f"{solution.value.m_as('mm/s'):.3f}"
    '880.576'
    """
    pattern = with_scan(scan, scan_speed=Quantity(1.0, MM_S))
    case = case_for("scan_speed", beam, resin, pattern, layer_thickness, overcure, cure_depth, line_width)
    found = solved(case, speed, monte_carlo)
    if limits is not None:
        limits.check_speed(case, found[0])
    return finish(case, found, beam, resin, pattern, layer_thickness, monte_carlo)


def solve_power(
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
    """Power at which the weakest place reaches the depth; the beam's own power is not looked at.

    Parameters
    ----------
    beam : Beam
    resin : Resin
    scan : Scan
    layer_thickness : Quantity or Measured [mm], optional
    overcure, cure_depth : Quantity [mm], optional
    line_width : Quantity [mm], optional
        Of a single line at the surface, instead of a depth.
    limits : Limits, optional
    monte_carlo : MonteCarloOptions, optional

    Returns
    -------
    Solution

    Raises
    ------
    QuantityError
    NoSolution
        More than the greatest power.

    Source: as `solve_scan_speed`, solved for P.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve_power(
    ...     beam=Beam(power=Q(1.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(880.576, "mm/s")),
    ...     cure_depth=Q(150.0, "um"),
    ... )
    >>> f"{solution.value.m_as('mW'):.3f}"
    '30.000'
    """
    bare = dataclasses.replace(beam, power=Quantity(1.0, MW))
    case = case_for("power", bare, resin, scan, layer_thickness, overcure, cure_depth, line_width)
    found = solved(case, power, monte_carlo)
    if limits is not None:
        limits.check_power(case, found[0])
    return finish(case, found, bare, resin, scan, layer_thickness, monte_carlo)
