"""`curecalc part`: the exposure field of layers on layers."""

from __future__ import annotations

import argparse

from ..errors import QuantityError
from ..symbols import clip
from .common import _Once, add_output
from .map import add_common, field_options, show_answer
from .setting import number
from .terminal import progress

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_common(parser)
    parser.add_argument("--layer-range", metavar="FIRST-LAST", action=_Once, help="some of the layers, like 1-100; all when left out")
    add_output(parser, figure="print-through seen from below, and the histograms", explain=False)


def run(args: argparse.Namespace) -> int:
    """Map the part and print it."""
    from ..map.answer import part_field

    paths, options = field_options(args)
    layers = None
    if args.layer_range is not None:
        ends = args.layer_range.split("-")
        if len(ends) != 2:
            raise QuantityError(
                f"--layer-range must be two whole numbers, got {clip(args.layer_range)}. Write them like --layer-range 1-100."
            )
        layers = tuple(number("--layer-range", end, whole=True) for end in ends)
    return show_answer(args, part_field(paths, layers=layers, progress=progress("stacking", "tiles"), **options))
