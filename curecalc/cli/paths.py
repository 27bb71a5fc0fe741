"""`curecalc paths`: study paths of a mesh, with their lengths, counts and areas; or those of a file of paths."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ..errors import QuantityError
from .common import _Once, add_output, add_quantities, add_target, print_json, quantities, show_rows
from .terminal import progress

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("mesh", metavar="MESH", help="a closed mesh in mm (.stl, .3mf, .obj)")
    add_quantities(parser, ["layer_thickness", "hatch_spacing"], title="rules (study paths, never a machine's own)")
    parser.add_argument("--contour-offset", metavar="VALUE", action=_Once, help="of the contour inside the outline (half a hatch spacing)")
    parser.add_argument("--hatch-offset", metavar="VALUE", action=_Once, help="of the hatch's ends inside the outline (the hatch spacing)")
    add_target(parser, "--save", "the paths as a table", ".csv", ".npz")
    add_output(parser, explain=False)


def run(args: argparse.Namespace) -> int:
    """Make study paths, say what they hold, save them."""
    from ..paths.saving import save_paths
    from ..paths.study import study_paths
    from ..paths.sums import areas, totals
    from ..units import MM, MM2, MM3, Quantity, parse, show, to_json
    from .common import need

    found: dict[str, Any] = {n: getattr(q, "value", q) for n, q in quantities(args, ["layer_thickness", "hatch_spacing"]).items()}
    need(found, ["layer_thickness", "hatch_spacing"])
    for name, share in (("contour_offset", 0.5), ("hatch_offset", 1.0)):
        given = getattr(args, name)
        found[name] = share * found["hatch_spacing"] if given is None else parse(f"--{name.replace('_', '-')}", given, "length")
        if float(found[name].m_as(MM)) < 0.0:
            raise QuantityError(f"--{name.replace('_', '-')} must not be below zero, got {given}.")
    paths = study_paths(args.mesh, progress=progress("slicing", "layers"), **found)
    drawn, kinds = areas(paths), totals(paths)
    volume = float(drawn.sum()) * float(found["layer_thickness"].m_as(MM))
    if args.save is not None:
        save_paths(args.save, paths)
        print(f"wrote {args.save}", file=sys.stderr)
    if args.json:
        record: dict[str, Any] = {"study": True, "layers": len(drawn), "volume": to_json(Quantity(volume, MM3))}
        record["greatest_area"] = to_json(Quantity(float(drawn.max()), MM2))
        record["kinds"] = [
            {"kind": kind, "count": one["count"]} | {name: to_json(Quantity(one[name], MM)) for name in ("length", "longest")}
            for kind, one in kinds.items()
        ]
        print_json(record)
        return 0
    rows = [
        ("layers", str(len(drawn))),
        ("volume", show(Quantity(volume, MM3))),
        ("greatest area", show(Quantity(float(drawn.max()), MM2))),
    ]
    for kind, one in kinds.items():
        rows.append((kind, f"{one['count']} vectors, {1e-3 * one['length']:.4g} m, the longest {one['longest']:.4g} mm"))
    print(f"{show_rows(rows)}\n\nStudy paths by plain rules: a machine makes its own.")
    return 0
