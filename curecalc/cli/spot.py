"""`curecalc spot`: beam radius, shape, focus and power from a file of measurements."""

from __future__ import annotations

import argparse
import datetime
from typing import Any

from ..errors import QuantityError
from ..symbols import clip
from .common import (
    _Once,
    add_columns,
    add_output,
    add_quantities,
    add_target,
    as_options,
    print_json,
    quantities,
    show_rows,
    told_in_options,
    write_figure,
)
from .recorded import add_log, checked_log, said

__all__ = ["add_arguments", "run"]

_PICTURE = ["pixel_size", "pixel_size_y", "camera_angle"]
_SCAN = ["slit_width", "pinhole_diameter", "position_uncertainty", "scale_uncertainty", "clip_level"]
_CAUSTIC = ["surface_position", "wanted_radius"]
_POWER = ["meter_uncertainty", "dark_reading", "resolution"]
_OTHERS = ["penetration_depth", "model_uncertainty"]
_FRACTIONS = ("scale_uncertainty", "clip_level", "model_uncertainty", "meter_uncertainty")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    from ..spot.files import KINDS_OF_FILE

    parser.add_argument("file", metavar="FILE", help="table of a scan, caustic, places, cured lines or power readings, or a picture")
    parser.add_argument("more", metavar="FILE", nargs="*", help="further files, each measured at another place of the field, with --at")
    add_columns(parser, "spot.files", "a table of a scan, places or readings")
    parser.add_argument("--at", metavar="X,Y", action="append", help='place of each file in the field, like "50 mm, 0 mm"; once a file')
    parser.add_argument(
        "--kind",
        metavar="KIND",
        action=_Once,
        choices=KINDS_OF_FILE,
        help=f"what FILE is, where it cannot be told: {', '.join(KINDS_OF_FILE)}",
    )
    add_quantities(parser, ["power", "wavelength"], title="beam")
    add_quantities(parser, _SCAN, title="knife edge, slit and pinhole")
    parser.add_argument("--keep-straight", action="store_true", help="leave tilt and drift out of the fit of a scan")
    add_quantities(parser, [*_PICTURE, "penetration_depth"], title="camera image")
    group = parser.add_argument_group("more about the image")
    group.add_argument("--full-scale", metavar="COUNTS", action=_Once, help="reading at which the camera saturates")
    group.add_argument("--mirrored", action="store_true", help="the picture's y axis (down the rows) runs against the machine's")
    group.add_argument("--moved-image", metavar="FILE", action=_Once, help="a second picture with the spot moved by --moved: camera angle")
    group.add_argument("--moved", metavar="X,Y", action=_Once, help='that move along the machine\'s axes, like "2 mm, 0 mm"')
    add_quantities(parser, _CAUSTIC, title="caustic")
    parser.add_argument("--relative-errors", action="store_true", help="errors of a caustic's widths in proportion to the width")
    add_quantities(parser, ["model_uncertainty"], title="cured lines")
    add_quantities(parser, _POWER, title="power readings")
    group = parser.add_argument_group("more about power")
    group.add_argument("--meter-degrees-of-freedom", metavar="N", action=_Once, help="of the meter's calibration (infinite)")
    group.add_argument(
        "--loss",
        metavar="SHARE",
        action="append",
        help='share lost between meter and resin, like "window = 4 %% +- 0.5 %%"; may be repeated',
    )
    group.add_argument("--keep-warm-up", action="store_true", help="leave no reading out as warm-up")
    group = parser.add_argument_group("answer")
    group.add_argument("--confidence", metavar="P", action=_Once, help="coverage of the intervals (0.95)")
    add_target(group, "--save", "write a beam record for --beam of other commands", ".toml", renews=("beam",))
    group.add_argument("--beam", metavar="FILE", action=_Once, help="beam record whose other entries --save keeps")
    group.add_argument("--record-name", dest="name", metavar="TEXT", action=_Once, help="of machine and laser, for the record")
    group.add_argument("--date", metavar="YYYY-MM-DD", action=_Once, help="day of the measurement, for the record (today)")
    add_log(parser, names=("machine", "beam_name"))
    add_output(parser, figure="data with fit and residuals, image with axes, or caustic with waist")


def run(args: argparse.Namespace) -> int:
    """Measure and print."""
    from ..spot.measure import measure_file

    day = _day(args.date)
    _check_save(args)
    logging = checked_log(args)
    if logging and args.machine is None and args.beam_name is None:
        raise QuantityError("--machine is missing: the logbook keeps a beam of a machine. Give its name, or --beam-name.")
    options = _options(args)
    base = None
    if args.beam:
        from ..jobs.beam import read_beam_record

        base = read_beam_record(args.beam)
    if args.more or args.at:
        from ..spot.mapping import field_of_files

        if logging:
            raise QuantityError("--log: a map of several files cannot be logged. Keep it with --save.")
        places = [pair("--at", text) for text in args.at or ()]
        result: Any = field_of_files([args.file, *args.more], places, kind=args.kind, **options)
    else:
        result = measure_file(args.file, kind=args.kind, **options)
    written = _logged(args, result, options) if logging else {}
    saved = _save(args, result, base, options, day) if args.save else None
    if args.figure is not None:
        from ..figures.spot import spot_figure

        write_figure(spot_figure(result), args)
    if args.json:
        record = told_in_options(result.to_dict(), vars(args))
        if args.explain:
            record["derivation"] = [step.to_dict() for step in result.steps]
        print_json(record | written)
        return 0
    print(as_options(result_text(result), vars(args)))
    if args.explain:
        from ..setting.explain import as_text

        print("\n" + as_text(list(result.steps)))
    if saved:
        print(f"\nsaved {saved}: use it with --beam {saved}")
    return 0


def _logged(args: argparse.Namespace, result: Any, options: dict[str, Any]) -> dict[str, Any]:
    from ..logbook.recording import record_spot

    kept = dict(options) | ({"kind": args.kind} if args.kind else {}) | ({"losses": args.loss} if args.loss else {})
    entry = record_spot(
        args.log, result, file=args.file, options=kept, machine=args.machine, beam=args.beam_name, operator=args.operator or ""
    )
    return said(entry, args.log)


def _options(args: argparse.Namespace) -> dict[str, Any]:
    from ..units import ONE, parse
    from .setting import number

    found = quantities(args, ["power", "wavelength", *_SCAN, *_PICTURE, *_CAUSTIC, *_POWER, *_OTHERS])
    for name in _FRACTIONS:
        if name in found:
            found[name] = float(found[name].m_as(ONE))
    for name in ("keep_straight", "mirrored", "relative_errors", "keep_warm_up"):
        if getattr(args, name):
            found[name] = True
    for name, option in (("full_scale", "--full-scale"), ("meter_degrees_of_freedom", "--meter-degrees-of-freedom")):
        if getattr(args, name) is not None:
            found[name] = number(option, getattr(args, name))
    if args.moved_image is not None:
        found["moved_image"] = args.moved_image
    if args.moved is not None:
        found["moved"] = pair("--moved", args.moved)
    if args.confidence is not None:
        found["confidence"] = float(parse("--confidence", args.confidence, "fraction").m_as(ONE))
        if not 0.5 <= found["confidence"] < 1.0:
            raise QuantityError(f"--confidence must be from 0.5 to below 1, got {args.confidence!r}. Write 0.95 for 95 %.")
    if args.loss:
        found["losses"] = [_loss(text, k) for k, text in enumerate(args.loss, 1)]
    return found


def pair(option: str, text: str) -> Any:
    """Two lengths, "10 mm, -5 mm"."""
    from ..units import parse

    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 2:
        raise QuantityError(f"{option}: cannot read {clip(text)}. Write two lengths with a comma between them, like '10 mm, -5 mm'.")
    return tuple(parse(option, part, "length") for part in parts)


def _loss(text: str, number: int) -> Any:
    from ..spot.light import loss_of
    from ..units import ONE, parse_measured

    name, _, share = text.rpartition("=")
    value = parse_measured("--loss", share.strip(), "fraction")
    if not 0.0 <= float(value.value.m_as(ONE)) < 1.0:
        raise QuantityError(f"--loss must be at least 0 and below 100 %, got {text!r}. Write the share lost, like '4 %'.")
    return loss_of(name.strip(), value, number)


def _day(text: str | None) -> datetime.date:
    if text is None:
        return datetime.date.today()
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise QuantityError(f"--date: cannot read {clip(text)}. Write it like 2026-01-31.") from None


def _check_save(args: argparse.Namespace) -> None:
    """Refuse what has no meaning without a record to write."""
    if not args.save:
        for name in ("beam", "name", "date"):
            if getattr(args, name):
                raise QuantityError(f"--{name} belongs to --save. Add --save beam.toml, or leave --{name} out.")


def _save(args: argparse.Namespace, result: Any, base: Any, options: dict[str, Any], day: datetime.date) -> str:
    from ..jobs.beam import beam_record, with_power, write_beam_record
    from ..spot.light import PowerMeasurement

    if isinstance(result, PowerMeasurement):
        if base is None:
            raise QuantityError("--save needs a beam radius, and these are power readings. Name the beam's record with --beam FILE.")
        record = with_power(base, result, measured_on=day)
    else:
        record = beam_record(
            result, measured_on=day, power=options.get("power"), wavelength=options.get("wavelength"), base=base, name=args.name or ""
        )
    write_beam_record(args.save, record, overwrite=args.overwrite)
    return str(args.save)


# ---------------------------------------------------------------- text


def result_text(result: Any) -> str:
    """The whole answer as text: numbers, what to watch, cautions."""
    from ..cautions import BEAM_CAUTION, RULES_CAUTION
    from ..spot.words import result_rows

    text = show_rows(result_rows(result))
    for word, told in (("Check", result.warnings), ("note", result.notes)):
        text += "".join(f"\n\n{word}: {one}" for one in told)
    return f"{text}\n\n{BEAM_CAUTION} {RULES_CAUTION}"
