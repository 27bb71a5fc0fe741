"""`curecalc window`: the process window of one kind of vector over any two settings, as a figure and a table."""

from __future__ import annotations

import argparse
from typing import Any

from ..errors import QuantityError
from ..symbols import percent
from .common import _Once, add_output, print_json, write_figure
from .recipe import add_files, made
from .setting import whole
from .terminal import aligned

__all__ = ["add_arguments", "run"]

AXES = ("power", "scan-speed", "hatch-spacing", "beam-radius", "layer-thickness")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_files(parser)
    group = parser.add_argument_group("window")
    group.add_argument("--vector-kind", metavar="NAME", action=_Once, help="which kind of vector (the first raster)")
    group.add_argument("--across", metavar="SETTING", choices=AXES, help=f"along: {', '.join(AXES)} (scan-speed)")
    group.add_argument("--up", metavar="SETTING", choices=AXES, help="upwards (hatch-spacing; of lines beam-radius)")
    for name in ("across", "up"):
        group.add_argument(f"--{name}-from", metavar="VALUE", action=_Once, help="first value of that axis, with its unit")
        group.add_argument(f"--{name}-to", metavar="VALUE", action=_Once, help="last value of that axis")
    group.add_argument("--points", metavar="N", action=_Once, help="of the table in each direction (9)")
    add_output(parser, figure="the window", explain=False)


def run(args: argparse.Namespace) -> int:
    """Compute the window and print it."""
    points = whole("--points", args.points, 9, least=5)
    if points > 201:
        raise QuantityError(f"--points: must be at most 201, got {points}.")
    recipe = made(args)
    vector = _vector(recipe, args.vector_kind)
    across = (args.across or "scan-speed").replace("-", "_")
    up = (args.up or ("hatch-spacing" if vector.pattern == "raster" else "beam-radius")).replace("-", "_")
    from ..recipe.window import process_window

    options: dict[str, Any] = {
        "across_range": _range("across", across, args.across_from, args.across_to),
        "up_range": _range("up", up, args.up_from, args.up_to),
        "layer_range": (recipe.machine.layer_thickness_min, recipe.machine.layer_thickness_max),
    }
    window = process_window(vector, across, up, points=points, **options)
    if args.figure:
        from ..figures.window import window_figure

        fine = process_window(vector, across, up, points=81, with_assurance=False, **options)
        write_figure(window_figure(fine), args)
    if args.json:
        print_json(window.to_dict())
        return 0
    print(_text(window))
    return 0


def _vector(recipe: Any, name: str | None) -> Any:
    if name is None:
        return recipe.main
    try:
        return recipe.vector(name)
    except KeyError:
        kinds = ", ".join(v.kind for v in recipe.vectors)
        raise QuantityError(f"--vector-kind: {name!r} is not in the needs. They name {kinds}.") from None


def _range(axis: str, setting: str, low: str | None, high: str | None) -> tuple[Any, Any] | None:
    if low is None and high is None:
        return None
    if low is None or high is None:
        missing = f"--{axis}-{'from' if low is None else 'to'}"
        raise QuantityError(f"{missing} is missing: an axis needs both ends. Give both, or leave both out.")
    from ..recipe.window import AXES as KNOWN
    from ..units import parse, positive

    kind, unit = KNOWN[setting]
    ends = [parse(f"--{axis}-{e}", text, kind) for e, text in (("from", low), ("to", high))]
    numbers = [positive(f"--{axis}-{e}", q, unit) for e, q in zip(("from", "to"), ends)]
    if numbers[0] >= numbers[1]:
        raise QuantityError(f"--{axis}-to must be above --{axis}-from, got {low} and {high}. Exchange them.")
    return ends[0], ends[1]


def _text(window: Any) -> str:
    from ..recipe.window import AXES as KNOWN
    from ..units import KINDS, figure

    def unit(name: str) -> str:
        return KINDS[KNOWN[name][0]].shown_text

    asked = percent(window.vector.assurance_asked, "g")
    lines = [
        f"{window.vector.kind}: cure depth of the weakest place (mm); * inside all limits and {asked} assured",
        f"across {window.across.replace('_', ' ')} ({unit(window.across)}), up {window.up.replace('_', ' ')} ({unit(window.up)})",
        "",
    ]
    rows = [
        [figure(y), *(f"{depth:.4f}{'*' if inside else ' '}" for depth, inside in zip(*cells, strict=True))]
        for y, *cells in zip(window.y, window.cure_depth, window.inside, strict=True)
    ]
    lines += aligned([*reversed(rows), ["", *map(figure, window.x)]], str.rjust)
    chosen = f"chosen: {figure(window.chosen[0])} {unit(window.across)}, {figure(window.chosen[1])} {unit(window.up)}"
    return "\n".join([*lines, "", chosen])
