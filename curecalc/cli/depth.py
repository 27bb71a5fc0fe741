"""`curecalc depth`: exposure and cure depth from settings."""

from __future__ import annotations

import argparse

from .common import add_output, add_quantities, print_json, quantities, write_figure
from .setting import add_limits, add_setting, add_uncertainty, answer_text, beam_resin_scan, limits, monte_carlo

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_setting(parser)
    add_quantities(parser, ["layer_thickness"], title="layer")
    add_limits(parser)
    add_uncertainty(parser)
    add_output(parser, figure="the cured section")


def run(args: argparse.Namespace) -> int:
    """Evaluate the setting and print it."""
    from ..setting.answer import evaluate

    beam, resin, scan = beam_resin_scan(args)
    layer = quantities(args, ["layer_thickness"]).get("layer_thickness")
    bounds = limits(args)
    if bounds is not None:
        bounds.check_setting(beam, scan)
    answer = evaluate(beam=beam, resin=resin, scan=scan, layer_thickness=layer, monte_carlo=monte_carlo(args))
    if args.figure is not None:
        from ..figures.section import section_figure

        write_figure(section_figure(answer), args)
    if args.json:
        record = answer.to_dict()
        if args.explain:
            from ..setting.derivation import depth_steps

            record["derivation"] = [step.to_dict() for step in depth_steps(answer)]
        print_json(record)
        return 0
    print(answer_text(answer, []))
    if args.explain:
        from ..setting.derivation import depth_steps
        from ..setting.explain import as_text

        print("\n" + as_text(depth_steps(answer)))
    return 0
