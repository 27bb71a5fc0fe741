"""From a number found to the solution record."""

from __future__ import annotations

import dataclasses
from typing import Any

from ...formulas.beam import Beam
from ...formulas.resin import Resin
from ...formulas.scan import Scan
from ...units import MM, MM_S, MW, Measured, Quantity
from ..answer import MonteCarloOptions, evaluate
from .case import Case, Found, Solution, usable

__all__ = ["finish", "wanted_depth"]


def finish(
    case: Case,
    found: Found,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None,
    options: MonteCarloOptions | None,
) -> Solution:
    """The solution record: the value in its unit, and the whole setting evaluated there."""
    number, spread, drawn = found
    unknown = case.unknown
    unit = {"scan_speed": MM_S, "power": MW}.get(unknown, MM)
    value = Quantity(number, unit)
    usable(unknown, number)
    if unknown == "power":
        beam = dataclasses.replace(beam, power=value)
    elif unknown == "beam_radius":
        x = case.given.x
        other = None if beam.round else Quantity(number * x["radius_y"] / x["radius_x"], MM)
        beam = dataclasses.replace(beam, radius_x=value, radius_y=other)
    else:
        change: dict[str, Any] = {unknown: value}
        scan = dataclasses.replace(scan, **change)
    answer = evaluate(beam=beam, resin=resin, scan=scan, layer_thickness=layer_thickness, monte_carlo=options)
    shown = (None if spread is None else Quantity(spread, unit),)
    return Solution(unknown, (value,), (answer,), shown, (drawn,), wanted=wanted_depth(case))


def wanted_depth(case: Case) -> Quantity | None:
    """The depth asked for; None where a width was."""
    return None if case.width is not None else Quantity(float(case.depth(case.given.x)), MM)
