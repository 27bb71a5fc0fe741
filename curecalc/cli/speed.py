"""`curecalc speed`: the scan speed that reaches layer thickness plus overcure, or a cure depth."""

from __future__ import annotations

import argparse

from .common import add_output, add_quantities, quantities
from .setting import add_limits, add_setting, add_uncertainty, beam_resin_scan, limits, monte_carlo
from .solution import show_solution

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_quantities(parser, ["layer_thickness", "overcure", "cure_depth"], title="wanted (layer thickness and overcure, or cure depth)")
    add_setting(parser, unknown="scan_speed")
    add_limits(parser)
    add_uncertainty(parser)
    add_output(parser, figure="the cured section")


def run(args: argparse.Namespace) -> int:
    """Solve for the speed and print it with what it does."""
    from ..setting.solving import solve_scan_speed

    beam, resin, scan = beam_resin_scan(args, unknown="scan_speed")
    wanted = quantities(args, ["layer_thickness", "overcure", "cure_depth"])
    solution = solve_scan_speed(beam=beam, resin=resin, scan=scan, limits=limits(args), monte_carlo=monte_carlo(args), **wanted)
    return show_solution(args, solution)
