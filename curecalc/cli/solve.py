"""`curecalc solve --for UNKNOWN`: any other unknown of a setting."""

from __future__ import annotations

import argparse
from typing import Any

from ..errors import QuantityError
from ..symbols import clip
from .common import _Once, add_output, add_quantities, flag, quantities
from .setting import add_limits, add_setting, add_uncertainty, beam_resin_scan, limits, monte_carlo
from .solution import show_solution

__all__ = ["add_arguments", "run"]

UNKNOWNS = ("power", "scan_speed", "hatch_spacing", "beam_radius", "passes", "layer_thickness", "overcure")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "--for", dest="unknown", required=True, metavar="UNKNOWN", action=_Once, help=f"what to solve for: {', '.join(UNKNOWNS)}"
    )
    add_quantities(parser, ["layer_thickness", "overcure", "cure_depth", "line_width"], title="wanted")
    add_setting(parser)
    add_limits(parser)
    add_uncertainty(parser)
    add_output(parser, figure="the cured section")


def run(args: argparse.Namespace) -> int:
    """Solve for the unknown and print it with what the setting does."""
    from ..setting.solving import solve

    unknown = args.unknown.replace("-", "_")
    if unknown not in UNKNOWNS:
        raise QuantityError(f"--for must be one of {', '.join(UNKNOWNS)}, got {clip(args.unknown)}.{_meant(unknown)}")
    if unknown in ("power", "scan_speed", "hatch_spacing", "passes") and getattr(args, unknown) is not None:
        raise QuantityError(f"{flag(unknown)} is what is asked for: leave it out.")
    beam, resin, scan = beam_resin_scan(args, unknown=unknown)
    wanted: dict[str, Any] = quantities(args, ["layer_thickness", "overcure", "cure_depth", "line_width"])
    if unknown in wanted:
        raise QuantityError(f"{flag(unknown)} is what is asked for: leave it out.")
    for name in _unused(unknown):
        if name in wanted:
            raise QuantityError(f"{flag(name)} cannot be combined with --for {unknown}: leave it out.")
    if unknown == "layer_thickness" and "overcure" not in wanted:
        raise QuantityError('--overcure is missing: the layer is cure depth less overcure. Give it, like --overcure "0.05 mm".')
    if unknown == "overcure" and "layer_thickness" not in wanted:
        raise QuantityError('--layer-thickness is missing: overcure is counted from it. Give it, like --layer-thickness "0.1 mm".')
    solution = solve(unknown, beam=beam, resin=resin, scan=scan, limits=limits(args), monte_carlo=monte_carlo(args), **wanted)
    return show_solution(args, solution)


def _unused(unknown: str) -> tuple[str, ...]:
    if unknown in ("layer_thickness", "overcure"):
        return ("cure_depth", "line_width")
    return ("line_width",) if unknown == "hatch_spacing" else ()


def _meant(given: str) -> str:
    from difflib import get_close_matches

    near = [name for name in UNKNOWNS if given and given in name] or get_close_matches(given, UNKNOWNS)
    return f" Did you mean {near[0]}?" if near else ""
