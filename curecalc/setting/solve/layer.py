"""Layer thickness and overcure of a setting: what the cure depth leaves after the other is taken."""

from __future__ import annotations

import dataclasses
from typing import Any

from ...formulas.beam import Beam
from ...formulas.resin import Resin
from ...formulas.scan import Scan
from ...statistics.uncertainty import MonteCarlo
from ...units import MM, Measured, NoSolution, Quantity, QuantityError, nonnegative, show_kernel
from ..answer import MonteCarloOptions, evaluate
from ..model import problem
from .case import Solution
from .limits import Limits

__all__ = ["solve_layer_thickness", "solve_overcure"]


def solve_layer_thickness(
    *,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    overcure: Quantity,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """Thickest layer that the setting bonds with the wanted overcure: cure depth of the weakest place less overcure.

    Parameters
    ----------
    beam : Beam
    resin : Resin
    scan : Scan
    overcure : Quantity [mm]
        Not below zero.
    limits : Limits, optional
    monte_carlo : MonteCarloOptions, optional

    Returns
    -------
    Solution

    Raises
    ------
    QuantityError
    NoSolution
        The setting does not even cure to the overcure.

    Source: definition of overcure.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve_layer_thickness(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(1.0, "m/s")),
    ...     overcure=Q(50.0, "um"),
    ... )
    >>> f"{solution.value.m_as('mm'):.6f}"
    '0.080923'
    """
    over = nonnegative("overcure", overcure, MM)
    return _difference("layer_thickness", beam, resin, scan, over, limits, monte_carlo)


def solve_overcure(
    *,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity,
    limits: Limits | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Solution:
    """Overcure of the weakest place: its cure depth less the layer thickness; negative where it does not reach.

    Parameters
    ----------
    beam : Beam
    resin : Resin
    scan : Scan
    layer_thickness : Quantity or Measured [mm]
    limits : Limits, optional
    monte_carlo : MonteCarloOptions, optional

    Returns
    -------
    Solution

    Raises
    ------
    QuantityError
    NoSolution
        The setting's power or speed lies outside the limits.

    Source: definition of overcure.

    >>> from curecalc.units import Quantity as Q
    >>> solution = solve_overcure(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(1.0, "m/s")),
    ...     layer_thickness=Q(100.0, "um"),
    ... )
    >>> f"{solution.value.m_as('mm'):.6f}"
    '0.030923'
    """
    if layer_thickness is None:
        raise QuantityError("layer_thickness is missing. Give it a quantity, for example Q(0.1, 'mm').")
    return _difference("overcure", beam, resin, scan, layer_thickness, limits, monte_carlo)


def _difference(
    unknown: str,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    taken: Measured | Quantity | float,
    limits: Limits | None,
    options: MonteCarloOptions | None,
) -> Solution:
    """Cure depth of the weakest place less the overcure (a number in mm) or less the layer thickness."""
    given = problem(beam=beam, resin=resin, scan=scan)
    if limits is not None:
        limits.check_given(given.x)
    layer: Any = taken
    if isinstance(taken, float):
        bare = evaluate(beam=beam, resin=resin, scan=scan)
        depth = bare.weakest_depth
        number = float(depth.m_as(MM)) - taken
        if number <= 0.0:
            raise NoSolution(
                f"The setting cures the weakest place to {show_kernel(number + taken, 'length')}, not more than the overcure of "
                f"{show_kernel(taken, 'length')} asked for: no layer is left.",
                limit="cure_depth",
                remedy="Slow the scan, raise the power or ask for less overcure.",
            )
        layer = Quantity(number, MM)
    answer = evaluate(beam=beam, resin=resin, scan=scan, layer_thickness=layer, monte_carlo=options)
    spread, drawn = answer.standard_uncertainty.get("overcure"), answer.monte_carlo.get("overcure")
    if unknown == "layer_thickness":
        if drawn is not None:
            shift = float(layer.m_as(MM))
            drawn = _shifted(drawn, shift)
        return Solution(unknown, (layer,), (answer,), (spread,), (drawn,))
    return Solution(unknown, (answer.outputs["overcure"],), (answer,), (spread,), (drawn,))


def _shifted(drawn: MonteCarlo, by: float) -> MonteCarlo:
    # overcure at the solved layer is depth less that layer; the layer a draw allows is that plus the wanted overcure's complement
    low, high = drawn.interval
    short = drawn.shortest
    return dataclasses.replace(
        drawn, mean=drawn.mean + by, interval=(low + by, high + by), shortest=(short[0] + by, short[1] + by)
    )
