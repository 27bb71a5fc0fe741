"""`curecalc recipe`: from machine, resin and needs to settings for every kind of vector."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from ..errors import QuantityError
from ..symbols import percent
from .common import FIGURES, _Once, add_output, add_target, flag, print_json, show_rows, write_figure, write_target
from .recorded import add_log, checked_log
from .setting import whole
from .terminal import table

__all__ = ["add_arguments", "add_files", "made", "recipe_text", "run"]


def add_files(parser: argparse.ArgumentParser) -> None:
    """The three files of a recipe."""
    group = parser.add_argument_group("files (curecalc new machine|resin|needs writes one to start from)")
    for name, text in (
        ("machine", "the machine file"),
        ("resin", "the resin file of a fit, or of a data sheet"),
        ("needs", "the needs file"),
    ):
        group.add_argument(f"--{name}", metavar="FILE", action=_Once, help=text)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_files(parser)
    add_log(parser, names=("machine_name", "lot"))
    parser.add_argument("--beam", metavar="FILE", action=_Once, help="a beam record: the spot's shape and its measured field")
    group = parser.add_argument_group("a typical layer, instead of what the needs say; or a whole part")
    group.add_argument("--area", metavar="VALUE", action=_Once, help='filled by the hatch, like "4000 mm^2"')
    group.add_argument("--contour-length", metavar="VALUE", action=_Once, help='of all outlines, like "600 mm"')
    group.add_argument("--contour-vectors", metavar="N", action=_Once, help="straight pieces of the outlines")
    group.add_argument("--hatch-vectors", metavar="N", action=_Once, help="hatch lines")
    group.add_argument("--paths", metavar="FILE", action=_Once, help="paths of a whole part, as `curecalc paths` makes: its time and resin")
    add_output(parser, figure="the process window of the first raster kind (or the first kind)")
    group = parser.add_argument_group("more output")
    add_target(group, "--sheet", "a sheet to print", ".pdf", ".html")
    add_target(group, "--along", "draw the depth along vectors", *FIGURES)
    add_target(group, "--zones", "draw a speed for each zone of a measured field", *FIGURES)
    add_target(group, "--table", "the settings as a table", ".csv")
    add_target(group, "--save", "the recipe for `curecalc retune`", ".json")
    group.add_argument("--monte-carlo", metavar="N", action=_Once, help="prove the assurance with N draws of all that is not known")
    group.add_argument("--seed", metavar="N", action=_Once, help="of the draws (1)")


def run(args: argparse.Namespace) -> int:
    """Make the recipe, then write and print what was asked for."""
    draws, seed = whole("--monte-carlo", args.monte_carlo, least=1000), whole("--seed", args.seed, 1, least=0)
    logging = checked_log(args)
    recipe = made(args)
    from ..recipe.file import recipe_record

    record = recipe_record(recipe)
    if getattr(args, "readings", None):
        record["readings"] = args.readings
    if logging:
        record |= _logged(args, recipe, record)
    if draws is not None:
        from ..recipe.draws import draw_depths

        record["monte_carlo"] = {
            "seed": seed,
            "kinds": [one.to_dict() for one in draw_depths([v.best for v in recipe.vectors], draws=draws, seed=seed)],
        }
    if args.explain and args.json:
        from ..recipe.steps import vector_steps

        record["derivation"] = {v.kind: [s.to_dict() for s in vector_steps(recipe, v)] for v in recipe.vectors}
    _write(args, recipe, record)
    if args.json:
        print_json(record)
        return 0
    print(recipe_text(recipe, record))
    if args.explain:
        from ..recipe.steps import vector_steps
        from ..setting.explain import as_text

        for vector in recipe.vectors:
            print(f"\n{vector.kind}\n\n{as_text(vector_steps(recipe, vector))}")
    return 0


def made(args: argparse.Namespace) -> Any:
    """The recipe of the options."""
    from ..jobs.beam import read_beam_record
    from ..jobs.lot import read_resin
    from ..jobs.machine import MACHINE, named_spot
    from ..jobs.needs import read_needs
    from ..recipe.recipe import make_recipe

    if getattr(args, "log", None) is not None:
        machine, lot, needs = _from_log(args)
    else:
        machine, lot, needs = None, None, None
    for name, one in (("machine", machine), ("resin", lot), ("needs", needs)):
        if getattr(args, name) is None and one is None:
            raise QuantityError(
                f"--{name} is missing: a recipe needs all three files. Write one to start from with: curecalc new {name} {name}.toml"
            )
    machine = MACHINE.read(args.machine) if machine is None else machine  # the spot comes below, with what is to be said of it
    lot = read_resin(args.resin) if lot is None else lot
    needs = read_needs(args.needs) if needs is None else needs
    needs = _with_work(args, needs)
    given = getattr(args, "beam", None)
    spot = read_beam_record(given) if given else named_spot(machine) if args.machine is not None else None
    if spot is not None:
        machine = _with_beam(args, machine, spot)
    recipe = make_recipe(machine=machine, resin=lot, needs=needs)
    if told := getattr(args, "beam_notes", ()):
        recipe = dataclasses.replace(recipe, warnings=(*recipe.warnings, *told))
    if getattr(args, "paths", None):
        from ..paths.stored import open_paths
        from ..recipe.build import with_paths

        recipe = with_paths(recipe, open_paths(args.paths))
    return recipe


def _with_beam(args: argparse.Namespace, machine: Any, record: Any) -> Any:
    """The machine with the spot of the beam record; what a saved recipe must know of it goes with its readings."""
    from ..jobs.machine import spot_readings, with_spot
    from ..units import to_json

    args.beam_notes = record.beam(needs_power=False).notes
    shaped = with_spot(machine, record)
    known = getattr(args, "readings", None) or {
        "power": to_json(machine.power),
        "power_reading_date": machine.power_reading_date.isoformat(),
        "power_meter": machine.power_meter,
        "beam_radius_factor": 1.0,
    }
    args.readings = known | spot_readings(shaped)
    return shaped


def _from_log(args: argparse.Namespace) -> tuple[Any, Any, Any]:
    """What the logbook gives by name: machine with its newest power reading, resin of the lot, needs of the last recipe."""
    from ..logbook.recording import recipe_inputs

    named = args.machine_name
    if args.machine is not None and named is not None:
        raise QuantityError("--machine and --machine-name: the file, or the machine of the logbook. Keep one.")
    if named is None and (args.lot is None or args.resin is not None):
        return None, None, None
    try:
        machine, lot, needs, args.readings = recipe_inputs(
            args.log, machine=named, lot=args.lot, with_resin=args.resin is None, with_needs=args.needs is None
        )
    except QuantityError as error:  # here --machine is the file
        raise QuantityError(str(error).replace("machine: ", "--machine-name: ", 1)) from None
    return machine, lot, needs


def _logged(args: argparse.Namespace, recipe: Any, record: dict[str, Any]) -> dict[str, Any]:
    from ..logbook.recording import record_recipe
    from .recorded import said

    machine, lot = recipe.machine, recipe.lot
    entry = record_recipe(
        args.log,
        record,
        recipe=recipe,
        machine=args.machine_name or machine.name,
        lot=args.lot or lot.lot or lot.resin.name,
        operator=args.operator or "",
    )
    return said(entry, args.log)


def _with_work(args: argparse.Namespace, needs: Any) -> Any:
    from dataclasses import replace

    from ..units import MM, MM2, nonnegative, parse

    given: dict[bool, dict[str, Any]] = {True: {}, False: {}}
    if getattr(args, "area", None) is not None:
        given[True]["area"] = parse("--area", args.area, "area")
        nonnegative("--area", given[True]["area"], MM2)
    if getattr(args, "contour_length", None) is not None:
        given[False]["total_length"] = parse("--contour-length", args.contour_length, "length")
        nonnegative("--contour-length", given[False]["total_length"], MM)
    for option, raster in (("hatch_vectors", True), ("contour_vectors", False)):
        if getattr(args, option, None) is not None:
            given[raster]["count"] = whole(flag(option), getattr(args, option))
    vectors = list(needs.vectors)
    for raster, changes in given.items():
        if not changes:
            continue
        place = next((i for i, v in enumerate(vectors) if v.raster == raster and not v.down_facing), None)
        if place is None:
            what = "raster kind for --area and --hatch-vectors" if raster else "line kind for --contour-length and --contour-vectors"
            raise QuantityError(f"{needs.path}: has no {what}. Add one to the needs, or leave the option out.")
        vectors[place] = replace(vectors[place], **changes)
    return replace(needs, vectors=tuple(vectors))


def _write(args: argparse.Namespace, recipe: Any, record: dict[str, Any]) -> None:
    from ..files.disk import ending, json_text

    drawn = {name: draw(recipe) for name, draw in (("figure", _window), ("along", _along), ("zones", _zones)) if getattr(args, name)}
    for name, figure in drawn.items():  # all drawn before one is written
        write_figure(figure, args, name)
    written: dict[str, bytes] = {}
    if args.sheet:
        from ..sheets import sheet_bytes

        written["sheet"] = sheet_bytes(recipe, record, ending(args.sheet))
    if args.table:
        from ..sheets import recipe_csv

        written["table"] = recipe_csv(record).encode()
    if args.save:
        written["save"] = json_text(record).encode()
    for name, content in written.items():
        write_target(args, name, content)


def _window(recipe: Any) -> Any:
    from ..figures.window import window_figure
    from ..sheets import sheet_window

    return window_figure(sheet_window(recipe))


def _zones(recipe: Any) -> Any:
    from ..figures.zones import zones_figure

    if not recipe.machine.field:
        raise QuantityError("--zones: the beam was not measured over the field. Give --beam with a record that holds places.")
    return zones_figure(recipe)


def _along(recipe: Any) -> Any:
    """Depth along the shortest and the longest vectors of the needs."""
    import math

    from ..figures.along import along_figure

    lengths = {v.kind: v.best.task.vector_length for v in recipe.vectors if math.isfinite(v.best.task.vector_length)}
    if not lengths:
        raise QuantityError("--along: the needs state no vector_length. Add it to the kinds of vector.")
    ends = dict.fromkeys(kind for kind in (min(lengths, key=lengths.__getitem__), max(lengths, key=lengths.__getitem__)))
    return along_figure(recipe, tuple(ends))


def recipe_text(recipe: Any, record: dict[str, Any]) -> str:
    """The recipe as text for a terminal."""
    from ..sheets import recipe_columns, recipe_view

    view = recipe_view(record)
    lines = [view["title"], show_rows(view["head"]), ""]
    names = recipe_columns()
    lines += table(names, view["settings"], left=(0, len(names) - 1))
    gains = [f"  {v.kind}: {limit.sentence}" for v in recipe.vectors for limit in v.limits]
    if gains:
        lines += ["", "What moving a limit would gain", *gains]
    lines += ["", *_consequences(recipe)]
    if view["facts"]:
        lines += ["", *view["facts"]]
    for one in record.get("monte_carlo", {}).get("kinds", []):
        lines.append(f"{one['kind']}: {percent(one['share_that_bonds'], '.2f')} of {one['draws']} draws bond")
    lines += ["", *view["validity"]]
    if view["warnings"]:
        lines += ["", *(f"note: {text}" for text in view["warnings"])]
    from ..cautions import SHORT_CAUTION

    return "\n".join([*lines, "", SHORT_CAUTION])


def _consequences(recipe: Any) -> list[str]:
    from ..units import show

    lines = []
    for v in recipe.vectors:
        parts = []
        if v.line_width is not None:
            parts.append(f"line {show(v.line_width, digits=3)} wide, contour offset {show(v.contour_offset, digits=3)}")
        else:
            parts.append(f"ripple {v.ripple.m_as('um'):.3g} um")
        parts.append(f"print-through {v.print_through.m_as('um'):.3g} um, leave out {v.compensation_layers} layers below")
        if v.upper:
            most = ", ".join(f"{name.replace('_', ' ')} {q.m_as('um'):.3g} um" for name, q in v.upper.items())
            parts.append(f"at most ({percent(v.assurance_asked)} assured): {most}")
        if v.dose_along_max - v.dose_along_min > 0.03:
            parts.append(f"along a vector {percent(v.dose_along_min, '.4g', to=v.dose_along_max)} of the steady dose")
        if v.corner_depth_error is not None and v.corner_depth_error.m > 1e-6:
            parts.append(f"at a corner {v.corner_depth_error.m_as('um'):.3g} um deeper")
        if (zones := v.field_zones) is not None:
            x, y = (zones["held_at"][axis]["value"] for axis in "xy")
            parts.append(f"holds at x {x:.4g} mm, y {y:.4g} mm of the field; a speed for each zone gains {percent(zones['gain'], '.2g')}")
        lines.append(f"  {v.kind}: {'; '.join(parts)}")
    return ["What the settings bring", *lines]
