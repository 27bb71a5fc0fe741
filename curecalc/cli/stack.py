"""`curecalc stack`: exposures and print-through of layers on layers."""

from __future__ import annotations

import argparse
import math
from typing import Any

from .common import _Once, add_output, add_quantities, need, print_json, quantities, show_rows, write_figure
from .setting import add_setting, beam_resin_scan, read_resin, whole

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_quantities(parser, ["layer_thickness", "exposure"], title="stack")
    parser.add_argument("--layers", metavar="N", action=_Once, help="how many layers in all; many when left out")
    add_setting(parser)
    add_output(parser, figure="exposure against depth")


def run(args: argparse.Namespace) -> int:
    """Evaluate the stack and print it."""
    from ..setting.layers import evaluate_stack

    found = quantities(args, ["layer_thickness", "exposure"])
    need(found, ["layer_thickness"])
    layers: Any = whole("--layers", args.layers, math.inf)
    what: dict[str, Any] = {}
    if "exposure" in found:
        refuse_setting(args)
        what = {"exposure": found["exposure"], "resin": read_resin(args)}
    else:
        beam, resin, scan = beam_resin_scan(args)
        what = {"beam": beam, "resin": resin, "scan": scan}
    answer = evaluate_stack(layer_thickness=found["layer_thickness"], layers=layers, **what)
    if args.figure is not None:
        from ..figures.stack import stack_figure

        write_figure(stack_figure(answer), args)
    steps = []
    if args.explain:
        from ..setting.derivation import stack_steps

        steps = stack_steps(answer)
    if args.json:
        record = answer.to_dict()
        if args.explain:
            record["derivation"] = [step.to_dict() for step in steps]
        print_json(record)
        return 0
    print(_text(answer))
    if args.explain:
        from ..setting.explain import as_text

        print("\n" + as_text(steps))
    return 0


def refuse_setting(args: argparse.Namespace) -> None:
    """An exposure leaves no room for power, speed and spot."""
    from ..errors import QuantityError
    from .common import flag

    for name in ("power", "scan_speed", "hatch_spacing", "beam_radius", "beam_diameter", "beam_fwhm", "beam", "passes"):
        if getattr(args, name) is not None:
            raise QuantityError(f"--exposure already says what each surface gets: leave out {flag(name)}, or the exposure.")


def _text(answer: Any) -> str:
    from ..units import show, show_span

    many = "many" if math.isinf(answer.layers) else f"{answer.layers:.0f}"
    u = answer.standard_uncertainty
    rows = [
        ("layers", many),
        ("cure depth of one exposure", show(answer.single_depth)),
        ("exposure at a layer's bottom, own layer only", show(answer.own_exposure)),
        ("exposure at a layer's bottom, after all layers", show(answer.interface_exposure, u.get("interface_exposure"))),
        ("print-through below a down-facing face", show(answer.print_through, u.get("print_through"))),
    ]
    low, high = answer.print_through_range
    if low.m != high.m:
        rows.append(("   from the weakest to the strongest place", show_span(low, high)))
    rows += [("layers to leave out at that face", str(answer.compensation_layers))]
    for left_out, remains in answer.choices:
        size = show(abs(remains))
        what = f"{size} of print-through remains" if remains.m > 0 else f"the face ends {size} too high"
        rows.append((f"   leaving out {left_out}", what))
    text = show_rows(rows)
    moved = [(f"  {name.replace('_', ' ')}", f"{'+' if by.m > 0 else ''}{show(by, digits=3)}") for name, by in answer.sensitivity.items()]
    text += "\n\n1 % more of this moves the print-through by\n" + show_rows(moved)
    for note in answer.warnings:
        text += f"\n\nnote: {note}"
    return text
