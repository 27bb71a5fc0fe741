"""`curecalc plan`: which exposures, how many coupons, what they will tell; a run sheet and a table to fill in."""

from __future__ import annotations

import argparse
from typing import Any

from ..errors import QuantityError
from .common import _Once, add_output, add_quantities, add_target, flag, print_json, quantities, write_target
from .fit import fraction
from .setting import add_beam

__all__ = ["add_arguments", "run"]

_LENGTHS = ("thickness_repeatability", "coupon_sd", "min_depth", "max_depth", "at_depth")
_COUNTS = ("coupons", "levels", "readings", "passes", "seed")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_quantities(parser, ["penetration_depth", "critical_exposure"], title="a guess of the resin")
    parser.add_argument("--resin", metavar="FILE", action=_Once, help="resin file of an earlier lot or a data sheet, instead")
    group = parser.add_argument_group("what must be known")
    group.add_argument("--at-depth", metavar="VALUE", action=_Once, help='depth whose speed is wanted, like "0.15 mm"')
    group.add_argument(
        "--to", metavar="VALUE", action=_Once, help='half-width of the interval of that speed, like "3 %%": plans the fewest coupons for it'
    )
    group.add_argument("--coupons", metavar="N", action=_Once, help="how many, instead")
    group.add_argument("--confidence", metavar="VALUE", action=_Once, help='of the interval, like "95 %%" (default)')
    group.add_argument("--assurance", metavar="VALUE", action=_Once, help='probability that --to is met, like "80 %%" (default)')
    group = parser.add_argument_group("coupons")
    group.add_argument("--levels", metavar="N", action=_Once, help="different exposures (default 4)")
    group.add_argument("--readings", metavar="N", action=_Once, help="on each coupon (default 3)")
    group.add_argument("--thickness-repeatability", metavar="VALUE", action=_Once, help='scatter of readings on a coupon, like "3 um"')
    group.add_argument("--coupon-sd", metavar="VALUE", action=_Once, help='scatter between coupons, like "4 um"')
    group.add_argument("--min-depth", metavar="VALUE", action=_Once, help="thinnest coupon that can be handled")
    group.add_argument("--max-depth", metavar="VALUE", action=_Once, help="thickest coupon")
    group.add_argument("--min-exposure", metavar="VALUE", action=_Once, help='like "12 mJ/cm^2"')
    group.add_argument("--max-exposure", metavar="VALUE", action=_Once, help='like "80 mJ/cm^2"')
    group.add_argument("--measured", metavar="FILE", action=_Once, help="coupons already measured: plans the best ones to add")
    group.add_argument("--seed", metavar="N", action=_Once, help="of the random order (default 1)")
    add_quantities(
        parser,
        ["hatch_spacing", "track_angle", "incidence_angle", "scan_speed_min", "scan_speed_max"],
        title="machine (then the plan names scan speeds)",
    )
    add_beam(parser)
    parser.add_argument("--machine", metavar="FILE", action=_Once, help="machine file: its greatest power and its scan speeds")
    parser.add_argument("--passes", metavar="N", action=_Once, help="equal passes over each coupon (default 1)")
    parser.add_argument("--cross-hatch", action="store_true", help="a second raster square to the first")
    group = parser.add_argument_group("files to write")
    add_target(group, "--run-sheet", "to print and write on", ".html", ".txt")
    add_target(group, "--table", "with the same labels, to fill in and fit", ".csv", ".xlsx")
    add_output(parser, explain=False)


def run(args: argparse.Namespace) -> int:
    """Plan, print, write the sheet and the table if asked."""
    from ..calibration.planning import plan_coupons, plan_text

    plan = plan_coupons(**_given(args))
    if args.run_sheet or args.table:
        _write(args, plan)
    if args.json:
        print_json(plan.to_dict())
        return 0
    print(plan_text(plan))
    return 0


def _given(args: argparse.Namespace) -> dict[str, Any]:
    from ..units import parse
    from .setting import number

    given: dict[str, Any] = quantities(args, ["penetration_depth", "critical_exposure", "scan_speed_min", "scan_speed_max"])
    given |= _light(args)
    for name in _LENGTHS:
        if (text := getattr(args, name)) is not None:
            given[name] = parse(flag(name), text, "length")
    for name in ("min_exposure", "max_exposure"):
        if (text := getattr(args, name)) is not None:
            given[name] = parse(flag(name), text, "exposure")
    for name in _COUNTS:
        if (text := getattr(args, name)) is not None:
            given[name] = number(flag(name), text, whole=True)
    for name in ("to", "confidence", "assurance"):
        if (text := getattr(args, name)) is not None:
            given[name] = fraction(name, text)
    if args.to is not None and args.coupons is not None:
        raise QuantityError("--to and --coupons: give the wanted uncertainty or the number of coupons, not both.")
    if args.measured is not None:
        _measured(args, given)
    if args.resin is not None:
        _resin(args, given)
    for name in ("penetration_depth", "critical_exposure"):
        if name not in given:
            raise QuantityError(
                f"{flag(name)} is missing: a plan needs a guess of the resin. Give it, or --resin FILE of an earlier lot or data sheet."
            )
    return given


def _light(args: argparse.Namespace) -> dict[str, Any]:
    """Beam and scan, where the options or a beam file state them."""
    from ..formulas.scan import Scan
    from .setting import BEAM_NAMES, read_beam, whole

    passes = whole("--passes", args.passes, 1)
    pattern = quantities(args, ["hatch_spacing", "track_angle", "incidence_angle"])
    limits = {} if args.machine is None else _of_machine(args)
    if args.power is None and args.beam is None:
        said = [flag(n) for n in (*BEAM_NAMES, "hatch_spacing", "track_angle", "radius_ratio") if getattr(args, n) is not None]
        if said:
            raise QuantityError(f"--power is missing: {', '.join(said)} alone give no exposure. Give the power, or leave these out.")
        return {"passes": passes}
    sizes = [n for n in ("beam_radius", "beam_diameter", "beam_fwhm") if getattr(args, n) is not None]
    if len(sizes) > 1:
        raise QuantityError(f"{flag(sizes[0])} and {flag(sizes[1])}: the beam is given twice. Keep one.")
    if not sizes and args.beam is None and "hatch_spacing" not in pattern:
        raise QuantityError("--hatch-spacing (raster coupons) or --beam-radius (single lines) is missing. Give one with the power.")
    beam = read_beam(args, "spot")
    return limits | {"beam": beam, "scan": Scan(passes=passes, cross_hatch=args.cross_hatch, **pattern)}


def _of_machine(args: argparse.Namespace) -> dict[str, Any]:
    """Speed limits of the machine file; its greatest power and its pulse rate where no option states them."""
    from ..jobs.machine import read_machine
    from ..units import HZ, MW, measured

    machine = read_machine(args.machine)
    most = float(machine.power.value.m_as(MW))
    if args.power is None and args.beam is None:
        args.power = f"{most!r} mW"
    if args.pulse_rate is None and machine.pulse_rate is not None and args.beam is None:
        args.pulse_rate = f"{float(machine.pulse_rate.m_as(HZ))!r} Hz"
    asked = quantities(args, ["power"]).get("power")
    if asked is not None and float(measured(asked).value.m_as(MW)) > most:
        raise QuantityError(f"--power is {args.power}, but {args.machine} gives {most:g} mW at most. Give less, or correct the file.")
    speeds = {"scan_speed_min": machine.scan_speed_min, "scan_speed_max": machine.scan_speed_max}
    return {name: value for name, value in speeds.items() if getattr(args, name) is None}


def _measured(args: argparse.Namespace, given: dict[str, Any]) -> None:
    """Coupons measured already: what their fit says stands in for what was not given."""
    import numpy as np

    from ..calibration.coupons import read_coupons
    from ..calibration.curve import fit_coupons
    from ..units import MM, MW, Quantity

    coupons = read_coupons(args.measured, skip_blank=True)
    given["measured_coupons"] = coupons
    if len(coupons) >= 3:
        fit = fit_coupons(coupons)
        if args.resin is None:
            given.setdefault("penetration_depth", fit.penetration_depth)
            given.setdefault("critical_exposure", fit.critical_exposure)
            if "coupon_sd" not in given and "thickness_repeatability" not in given:
                given["coupon_sd"], given["thickness_repeatability"] = fit.residual_sd, Quantity(0.0, MM)
    if "beam" not in given:
        units = {"power": MW, "beam_radius": MM, "hatch_spacing": MM}
        same = {n: v.max() for n, v in coupons.settings.items() if not np.ptp(v)}
        if "power" in same and ("hatch_spacing" in same or ("hatch_spacing" not in coupons.settings and "beam_radius" in same)):
            given |= {n: Quantity(float(same[n]), unit) for n, unit in units.items() if n in same}
            if "passes" in same:
                given["passes"] = int(same["passes"])


def _resin(args: argparse.Namespace, given: dict[str, Any]) -> None:
    from ..jobs.lot import read_resin

    lot = read_resin(args.resin)
    for name, value in (("penetration_depth", lot.resin.penetration_depth), ("critical_exposure", lot.resin.critical_exposure)):
        if name in given:
            raise QuantityError(f"{flag(name)} and --resin: the resin is given twice. Keep one.")
        given[name] = value
    if lot.verified and "coupon_sd" not in given and "thickness_repeatability" not in given and lot.residual_sd is not None:
        from ..units import MM, Quantity

        # the earlier lot's scatter already holds both parts
        given["coupon_sd"], given["thickness_repeatability"] = lot.residual_sd, Quantity(0.0, MM)


def _write(args: argparse.Namespace, plan: Any) -> None:
    from ..calibration.columns import COLUMNS
    from ..files.workbook import table_file
    from ..sheets.run_sheet import coupon_csv, run_sheet_html, run_sheet_text

    if args.run_sheet:
        text = run_sheet_html(plan) if args.run_sheet.lower().endswith(".html") else run_sheet_text(plan)
        write_target(args, "run_sheet", text)
    if args.table:
        write_target(args, "table", table_file(args.table, coupon_csv(plan), COLUMNS))
