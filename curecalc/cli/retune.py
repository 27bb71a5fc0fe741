"""`curecalc retune`: new speeds after a new power or spot reading, beside the old ones."""

from __future__ import annotations

import argparse
from typing import Any

from ..errors import QuantityError
from .common import _Once, add_output, add_target, print_json, show_rows, write_target
from .recorded import add_log, checked_log, said
from .terminal import aligned

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "recipe",
        metavar="RECIPE.json",
        nargs="?",
        help="saved by `curecalc recipe --save`; without it, with --log and --machine: the machine's newest recipe and readings there",
    )
    group = parser.add_argument_group("new reading")
    group.add_argument("--power", metavar="VALUE", action=_Once, help='greatest power at the surface, like "225 mW" or "225 mW +- 1 %%"')
    group.add_argument("--power-meter", metavar="NAME", action=_Once, help="where another meter was used")
    group.add_argument("--beam-radius", metavar="VALUE", action=_Once, help="radius at 1/e^2 now measured; all radii are scaled alike")
    group.add_argument("--instead-of", metavar="VALUE", action=_Once, help="the radius that setting was taken to have")
    group.add_argument(
        "--earlier-reading-wrong", action="store_true", help="the laser is what it was; the reading the recipe was made with was off"
    )
    add_log(parser, names=("machine", "lot"))
    add_output(parser, explain=False)
    group = parser.add_argument_group("more output")
    add_target(group, "--save", "the new recipe", ".json")
    add_target(group, "--sheet", "its sheet", ".pdf", ".html")


def run(args: argparse.Namespace) -> int:
    """Solve again and print old and new side by side."""
    logging = checked_log(args)
    from ..recipe.retuning import retune

    saved, power, radius = _start(args)
    result = retune(
        machine=saved.machine,
        resin=saved.lot,
        needs=saved.needs,
        old=saved.record,
        power=power,
        beam_radius=radius,
        power_meter=args.power_meter,
        earlier_reading_wrong=args.earlier_reading_wrong,
    )
    record = result.to_dict()
    record["old_recipe"] = {"path": saved.path, "sha256": saved.sha256}
    written = _logged(args, result, saved, power, radius) if logging else {}
    record |= written
    _write(args, result, saved, written)
    if args.json:
        print_json(record)
        return 0
    print(_text(result))
    return 0


def _start(args: argparse.Namespace) -> tuple[Any, Any, Any]:
    """The recipe, and the new power and radius: from a file and options, or from the logbook."""
    from ..recipe.file import read_recipe

    if args.recipe is not None:
        power, radius = _readings(args)
        return read_recipe(args.recipe), power, radius
    if args.log is None or args.machine is None:
        raise QuantityError("RECIPE.json is missing: give the file, or --log and --machine to retune the recipe kept there.")
    from ..logbook.recording import retune_inputs

    saved, power, radius = retune_inputs(args.log, machine=args.machine)
    if args.power is not None or args.beam_radius is not None:
        power, radius = _readings(args)
    return saved, power, radius


def _readings(args: argparse.Namespace) -> tuple[Any, Any]:
    from ..units import MM, MW, parse, parse_measured, positive

    power = radius = None
    if args.power is not None:
        power = parse_measured("--power", args.power, "power")
        positive("--power", power.value, MW)
    elif args.power_meter is not None:
        raise QuantityError("--power-meter stands without --power. Give the reading made with it.")
    if (args.beam_radius is None) != (args.instead_of is None):
        missing = "--instead-of" if args.instead_of is None else "--beam-radius"
        raise QuantityError(f"{missing} is missing: a new spot needs the radius now measured and the one it was taken for. Give both.")
    if args.beam_radius is not None:
        radius = tuple(
            parse(flag, text, "length") for flag, text in (("--instead-of", args.instead_of), ("--beam-radius", args.beam_radius))
        )
        for flag, value in zip(("--instead-of", "--beam-radius"), radius):
            positive(flag, value, MM)
    if power is None and args.earlier_reading_wrong:
        raise QuantityError("--earlier-reading-wrong stands without --power. Give the reading that is right.")
    if power is None and radius is None:
        raise QuantityError('--power is missing: give a new reading, like --power "225 mW", or --beam-radius with --instead-of.')
    return power, radius


def _logged(args: argparse.Namespace, result: Any, saved: Any, power: Any, radius: Any) -> dict[str, Any]:
    from ..logbook.recording import record_recipe, stored_options

    options = stored_options({"power": power} if power is not None else {})
    if radius is not None:
        options["beam_radius"] = [stored_options({"r": one})["r"] for one in radius]
    if args.power_meter is not None:
        options["power_meter"] = args.power_meter
    if args.earlier_reading_wrong:
        options["earlier_reading_wrong"] = True
    entry = record_recipe(
        args.log,
        _new_record(result, saved),
        recipe=result.recipe,
        kind="retune",
        machine=args.machine or saved.machine.name,
        lot=args.lot or saved.lot.lot or saved.lot.resin.name,
        options=options,
        old=saved.record,
        reason="; ".join(f"{one.kind}: {one.reason}" for one in result.changes),
        reading=power if args.power is not None else None,
        operator=args.operator or "",
    )
    return said(entry, args.log)


def _new_record(result: Any, saved: Any) -> dict[str, Any]:
    record = result.recipe.to_dict()
    # the files as they stood; the new reading is told apart
    for name in record["files"]:
        record["files"][name] = saved.record["files"][name]
    record["readings"] = result.readings()
    record["retuned_from"] = {"path": saved.path, "sha256": saved.sha256}
    return record


def _write(args: argparse.Namespace, result: Any, saved: Any, logged: dict[str, Any]) -> None:
    if not args.save and not args.sheet:
        return
    from ..files.disk import ending, json_text
    from ..sheets import sheet_bytes

    record = _new_record(result, saved)
    if args.sheet:
        write_target(args, "sheet", sheet_bytes(result.recipe, record | logged, ending(args.sheet)))
    if args.save:
        write_target(args, "save", json_text(record))


def _text(result: Any) -> str:
    from ..recipe.retuning import shown

    lines = aligned([("kind", "old", "new"), *map(shown, result.changes)])
    lines += ["", show_rows([(change.kind, change.reason) for change in result.changes])]
    if result.recalibrate:
        lines += ["", "Expose coupons before trusting the new speeds:", *(f"  {reason}" for reason in result.recalibrate)]
    else:
        lines += ["", "No new calibration is due for this change."]
    lines += ["", *(f"note: {text}" for text in result.notes)] if result.notes else []
    notes = [w for w in result.recipe.warnings if w not in result.recalibrate]
    if notes:
        lines += ["", *(f"note: {text}" for text in notes)]
    from ..cautions import SHORT_CAUTION

    return "\n".join([*lines, "", SHORT_CAUTION])
