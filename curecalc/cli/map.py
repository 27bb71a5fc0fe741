"""`curecalc map` and `curecalc part`: the exposure field of a layer of real scan paths, and of layers on layers."""

from __future__ import annotations

import argparse
from typing import Any

from ..errors import QuantityError
from ..physics.motion import RUN_UPS
from ..units import IN_CM2
from .common import (
    _Once,
    add_columns,
    add_output,
    add_quantities,
    add_target,
    print_json,
    quantities,
    show_rows,
    write_figure,
    write_target,
)
from .setting import add_resin, number, read_resin, whole
from .terminal import progress

__all__ = ["add_arguments", "add_common", "field_options", "filled_paths", "run", "save", "show_answer"]

_SETTINGS = ["power", "scan_speed", "beam_radius"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_common(parser)
    parser.add_argument("--layer", metavar="N", action=_Once, help="which layer, where the file holds several")
    add_output(parser, figure="overcure over the layer, with the weakest place closer, its histogram and the edge error", explain=False)


def add_common(parser: argparse.ArgumentParser) -> None:
    """What a layer and a part share."""
    from ..paths.reading import APART

    others = " or ".join(f"{what} ({ending})" for ending, what in APART.items())
    parser.add_argument("paths", metavar="PATHS", help=f"a table of vectors or positions (.csv, .xlsx), {others}")
    add_columns(parser, "paths.table", "a table of paths")
    add_quantities(parser, ["layer_thickness", "overcure"], title="layer (--overcure: what counts as bonded, 0 when left out)")
    add_quantities(parser, _SETTINGS, title="settings of vectors whose file says none")
    group = parser.add_argument_group("or by kind")
    group.add_argument(
        "--recipe", metavar="FILE", action=_Once, help="a recipe saved by `curecalc recipe --save`: settings by kind, resin, layer"
    )
    group.add_argument("--machine", metavar="FILE", action=_Once, help="the machine file: its beam, acceleration, pulses")
    add_resin(parser)
    group = parser.add_argument_group("how vectors are scanned")
    group.add_argument("--acceleration", metavar="VALUE", action=_Once, help='of the spot, like "1e6 mm/s^2"')
    run_ups = tuple(name.replace(" ", "-") for name in RUN_UPS)
    group.add_argument("--run-up-beam", choices=run_ups, help="what the laser does while the spot speeds up (off)")
    group.add_argument("--speed-factor", metavar="F", action=_Once, help="all speeds times this, to see what it does (1)")
    group.add_argument("--least-power", metavar="S", action=_Once, help="share below which power does not follow speed (0)")
    group.add_argument("--corner-speed", metavar="VALUE", action=_Once, help="kept where vectors meet end to end (0: a full stop)")
    group.add_argument("--pulse-rate", metavar="VALUE", action=_Once, help='of a pulsed laser, like "80 kHz"')
    group.add_argument("--radius-ratio", metavar="R", action=_Once, help="y radius over x radius of an elliptical spot (1)")
    group.add_argument("--spot-angle", metavar="VALUE", action=_Once, help="of the spot's x axis to the machine's x axis")
    group.add_argument("--beam-picture", metavar="FILE", action=_Once, help="a measured picture of the beam (.png, .csv, ...) as its shape")
    group.add_argument("--pixel-size", metavar="VALUE", action=_Once, help="camera pixel pitch of the picture")
    group = parser.add_argument_group("the map")
    group.add_argument("--pixel", metavar="VALUE", action=_Once, help="of the map; chosen for the tolerance when left out")
    group.add_argument(
        "--numerical-error", dest="tolerance", metavar="E", action=_Once, help="error of the exposure, as a share of the peak (1e-5)"
    )
    group.add_argument("--window", metavar=("X0", "Y0", "X1", "Y1"), nargs=4, help="a part of the field, like 0mm 0mm 5mm 5mm")
    add_target(group, "--save", "exposure and cure depth of the map", ".npz")
    group.add_argument("--work", metavar="FOLDER", action=_Once, help="keeps what is done, so that interrupted work goes on")
    group.add_argument("--workers", metavar="N", action=_Once, help="processes (all cores)")
    group.add_argument("--scheduler", metavar="ADDRESS", action=_Once, help="of a dask cluster that does the work instead")


def run(args: argparse.Namespace) -> int:
    """Map one layer and print it."""
    from ..map.answer import exposure_field

    paths, options = field_options(args)
    layer = None if args.layer is None else number("--layer", args.layer, whole=True)
    answer = exposure_field(paths, layer=layer, progress=progress("mapping", "tiles"), **options)
    return show_answer(args, answer)


def field_options(args: argparse.Namespace) -> tuple[Any, dict[str, Any]]:
    """Paths with their settings, and the keywords of `exposure_field`."""
    from ..map.settings import scanning_of, spot_of
    from ..units import parse

    paths, saved = filled_paths(args)
    found = quantities(args, ["layer_thickness", "overcure"])
    options: dict[str, Any] = {name: getattr(value, "value", value) for name, value in found.items()}
    options["layer_thickness"] = _layer(options, saved)
    options["resin"] = saved.lot.resin if saved is not None and args.resin is None and args.penetration_depth is None else read_resin(args)
    kinds = {"pixel": "length", "spot_angle": "angle", "acceleration": "acceleration", "corner_speed": "speed", "pulse_rate": "frequency"}
    given = {n: parse(f"--{n.replace('_', '-')}", getattr(args, n), kind) for n, kind in kinds.items() if getattr(args, n) is not None}
    scanning: dict[str, Any] = {n: given.pop(n) for n in list(given) if n in ("acceleration", "corner_speed", "pulse_rate")}
    if args.run_up_beam is not None:
        scanning["run_up_beam"] = args.run_up_beam.replace("-", " ")
    if args.least_power is not None:
        scanning["least_power"] = number("--least-power", args.least_power, kind="fraction")
    machine = _machine(args, saved)
    if machine is not None:
        scanning = scanning_of(machine) | scanning
        if args.beam_picture is None and args.radius_ratio is None:
            options |= spot_of(machine)
    options |= given | {"scanning": scanning}
    for name, kind in (("tolerance", "fraction"), ("radius_ratio", "number")):
        if getattr(args, name) is not None:
            options[name] = number(f"--{name.replace('_', '-')}", getattr(args, name), kind=kind)
    if args.window is not None:
        options["window"] = tuple(parse("--window", text, "length") for text in args.window)
    if args.beam_picture is not None:
        options["picture"], options["picture_pixel"] = _picture(args)
    if args.workers is not None:
        options["workers"] = whole("--workers", args.workers)
    return paths, options | {"work": args.work, "scheduler": args.scheduler, "saved": args.save is not None}


def filled_paths(args: argparse.Namespace) -> tuple[Any, Any]:
    """The paths of the file with settings by kind from a recipe, else from the options; and the recipe, where one is named."""
    from ..map.settings import settings_by_kind
    from ..paths.stored import open_paths
    from ..units import MM, MM_S, MW, ONE, Quantity, positive

    paths = open_paths(args.paths)
    units = {"power": MW, "scan_speed": MM_S, "beam_radius": MM}
    given: dict[str, Any] = {name: getattr(value, "value", value) for name, value in quantities(args, _SETTINGS).items()}
    default = {name: float(value.m_as(units[name])) for name, value in given.items()}
    saved, settings = None, {}
    if args.recipe is not None:
        from ..recipe.file import read_recipe

        saved = read_recipe(args.recipe)
        settings = settings_by_kind(saved.record, args.recipe)
    machine = _machine(args, saved)
    if machine is not None and args.recipe is None:
        default = {"power": float(machine.power.value.m_as(MW))} | default
    paths = paths.filled(settings, default=default)
    if args.speed_factor is not None:
        factor = number("--speed-factor", args.speed_factor)
        paths = paths.faster(float(positive("--speed-factor", Quantity(factor, ONE), ONE)))
    return paths, saved


def _machine(args: argparse.Namespace, saved: Any) -> Any:
    if args.machine is None:
        return None if saved is None else saved.machine
    from ..jobs.machine import read_machine

    return read_machine(args.machine)


def _layer(found: dict[str, Any], saved: Any) -> Any:
    from .common import need

    if "layer_thickness" in found:
        return found["layer_thickness"]
    if saved is not None:
        return saved.needs.layer_thickness
    need(found, ["layer_thickness"])
    return None


def _picture(args: argparse.Namespace) -> tuple[Any, Any]:
    from ..map.beam import clean_picture
    from ..spot.files import read_measurement
    from ..units import parse

    if args.pixel_size is None:
        raise QuantityError('--pixel-size is missing: the camera pixel pitch of the picture. Give it, like --pixel-size "5 um".')
    picture = clean_picture(read_measurement(args.beam_picture, kind="image").image)
    return picture, parse("--pixel-size", args.pixel_size, "length")


def show_answer(args: argparse.Namespace, answer: Any) -> int:
    """Write the files that were asked for, print the rest."""
    if args.save is not None:
        save(args, answer)
    if args.figure is not None:
        from ..figures.map import map_figure, part_figure

        write_figure(map_figure(answer) if answer.job.single else part_figure(answer), args)
    if args.json:
        print_json(answer.to_dict())
        return 0
    from ..cautions import SHORT_CAUTION

    text = show_rows(answer.rows())
    for note in answer.warnings:
        text += f"\n\nnote: {note}"
    print(f"{text}\n\n{SHORT_CAUTION}")
    return 0


def save(args: argparse.Namespace, answer: Any) -> None:
    """The field as .npz: x, y (mm), exposure (mJ/cm^2) and cure depth (mm) of the (first) layer."""
    from io import BytesIO

    import numpy as np

    from ..map.answer import dose_image
    from ..map.field import MOST_SAVED

    dose, shown, _ = dose_image(answer.job, answer.job.grid.window(), most=MOST_SAVED)
    buffer = BytesIO()
    np.savez_compressed(buffer, x=shown.x, y=shown.y, exposure=IN_CM2 * dose, cure_depth=answer.job.optics.law.depth(dose))
    write_target(args, "save", buffer.getvalue())
