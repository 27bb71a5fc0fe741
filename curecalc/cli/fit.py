"""`curecalc fit FILE`: coupons to a working curve with honest uncertainty, a verdict on the data, and a resin file."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from ..errors import QuantityError
from .common import _Once, add_columns, add_output, add_target, as_options, flag, print_json, told_in_options, write_figure, write_target
from .recorded import add_log, checked_log, said

if TYPE_CHECKING:
    from ..calibration.fit import Fit

__all__ = ["add_arguments", "fit_from", "run"]

NAMES = ("lot", "machine", "power_meter", "gauge")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("file", metavar="FILE", help="coupon table: .csv (comma, semicolon, tab) or .xlsx")
    add_columns(parser, "calibration.columns", "a coupon table")
    add_reading(parser)
    parser.add_argument(
        "--at-depth",
        metavar="VALUE",
        action="append",
        default=[],
        help='depth whose exposure is wanted, like "0.15 mm"; may be given more than once',
    )
    parser.add_argument("--confidence", metavar="VALUE", action=_Once, help='of all intervals, like "95 %%" (default)')
    group = parser.add_argument_group("errors common to all coupons (standard uncertainties)")
    group.add_argument("--power-scale-uncertainty", metavar="VALUE", action=_Once, help='of the power meter, like "3 %%"')
    group.add_argument("--beam-radius-scale-uncertainty", metavar="VALUE", action=_Once, help='of the beam radius, like "5 %%"')
    group.add_argument("--thickness-bias-uncertainty", metavar="VALUE", action=_Once, help='of the gauge, like "2 um"')
    group.add_argument(
        "--elsewhere", action="store_true", help="the numbers will be used on another machine or with another meter: scale errors count"
    )
    group.add_argument(
        "--other-gauge", action="store_true", help="wanted depths are true depths, not those this gauge reads: its bias counts"
    )
    group.add_argument(
        "--will-set",
        choices=("lines", "rasters"),
        action=_Once,
        help="what will be set with the numbers: a beam radius error cancels only where that is what the coupons were",
    )
    group = parser.add_argument_group("earlier lots")
    group.add_argument(
        "--prior",
        metavar="FILE",
        action="append",
        default=[],
        help="resin file of an earlier lot (comma between several, or given more than once)",
    )
    group.add_argument("--lot-spread-depth", metavar="VALUE", action=_Once, help='of Dp from lot to lot, like "5 %%" (default)')
    group.add_argument("--lot-spread-exposure", metavar="VALUE", action=_Once, help='of Ec from lot to lot, like "15 %%" (default)')
    group = parser.add_argument_group("resin file")
    add_target(group, "--save", "write the resin file that recipe reads", ".toml")
    group.add_argument("--resin-name", dest="name", metavar="TEXT", action=_Once, help="of the resin, for sheets")
    for name in NAMES:
        option = "--machine-name" if name == "machine" else flag(name)
        group.add_argument(option, dest=name, metavar="TEXT", action=_Once, help="if the table does not say")
    group.add_argument("--wavelength", metavar="VALUE", action=_Once, help='if the table does not say, like "355 nm"')
    group.add_argument("--temperature", metavar="VALUE", action=_Once, help='of the resin, if the table does not say, like "24 degC"')
    group.add_argument("--density", metavar="VALUE", action=_Once, help='of the liquid, like "1.12 g/cm^3"')
    add_log(parser)
    add_output(parser, figure="the working curve with its bands and residuals")
    add_target(parser, "--report", "result, coupons, readings and checks as a workbook", ".xlsx")


def add_reading(parser: argparse.ArgumentParser) -> None:
    """Options of how a coupon table is read."""
    parser.add_argument("--table-sheet", dest="sheet", metavar="NAME", action=_Once, help="of a spreadsheet with more than one")
    parser.add_argument("--skip-blank", action="store_true", help="leave out rows whose thickness is blank")
    parser.add_argument(
        "--exclude",
        metavar="LABEL",
        action="append",
        default=[],
        help="leave a coupon out; may be given more than once, and the result says so",
    )


def fraction(name: str, text: str | None) -> float | None:
    """A share, `3 %` or `0.03`."""
    if text is None:
        return None
    from ..units import ONE, parse

    return float(parse(flag(name), text, "fraction").m_as(ONE))


def depths(texts: list[str]) -> list[Any]:
    """The wanted depths."""
    from ..units import MM, parse, positive

    out = []
    for text in texts:
        value = parse("--at-depth", text, "length")
        positive("--at-depth", value, MM)
        out.append(value)
    return out


def fit_from(args: argparse.Namespace) -> Fit:
    """Read and fit as the options say."""
    from ..calibration.coupons import read_coupons
    from ..calibration.curve import fit_coupons
    from ..units import MM, nonnegative, parse

    confidence = fraction("confidence", args.confidence)
    bias = None
    if args.thickness_bias_uncertainty is not None:
        bias = parse("--thickness-bias-uncertainty", args.thickness_bias_uncertainty, "length")
        nonnegative("--thickness-bias-uncertainty", bias, MM)
    at_depth = depths(args.at_depth)
    scales = {name: fraction(name, getattr(args, name)) for name in ("power_scale_uncertainty", "beam_radius_scale_uncertainty")}
    prior, names = _prior(args)
    coupons = _stated(read_coupons(args.file, sheet=args.sheet, skip_blank=args.skip_blank), args)
    return fit_coupons(
        coupons,
        at_depth=at_depth,
        exclude=args.exclude,
        confidence=0.95 if confidence is None else confidence,
        prior=prior,
        prior_names=names,
        thickness_bias_uncertainty=bias,
        same_machine=not args.elsewhere,
        same_gauge=not args.other_gauge,
        will_set=args.will_set,
        **scales,
    )


def _stated(coupons: Any, args: argparse.Namespace) -> Any:
    """The coupons with the names and the wavelength that options state where the table does not."""
    from dataclasses import replace

    from ..units import NM, parse

    given = {name: text for name in ("machine", "power_meter", "gauge") if (text := getattr(args, name))}
    wavelength = coupons.wavelength
    if wavelength is None and args.wavelength is not None:
        wavelength = float(parse("--wavelength", args.wavelength, "wavelength").m_as(NM))
    return replace(coupons, names=given | coupons.names, wavelength=wavelength)


def _prior_files(args: argparse.Namespace) -> list[str]:
    return [part.strip() for text in args.prior for part in text.split(",") if part.strip()]


def _prior(args: argparse.Namespace) -> tuple[Any, list[str]]:
    files = _prior_files(args)
    if not files:
        for name in ("lot_spread_depth", "lot_spread_exposure"):
            if getattr(args, name) is not None:
                raise QuantityError(f"{flag(name)} goes with --prior only. Name the earlier lots, or leave it out.")
        return None, []
    from ..jobs.fitted import prior_from_resins
    from ..jobs.lot import read_resin

    spread = {
        "penetration_depth_spread": fraction("lot_spread_depth", args.lot_spread_depth),
        "critical_exposure_spread": fraction("lot_spread_exposure", args.lot_spread_exposure),
    }
    resins = [read_resin(file) for file in files]
    return prior_from_resins(resins, **{k: v for k, v in spread.items() if v is not None}), files


def run(args: argparse.Namespace) -> int:
    """Fit and print; write the resin file and the figure if asked."""
    more = _beside(args) if args.save else {}
    logging = checked_log(args)
    fit = fit_from(args)
    text = None
    if args.save:
        from ..jobs.fitted import resin_text

        text = resin_text(fit, **(_named_by_logbook(more, fit) if logging else more))
    record = told_in_options(fit.to_dict(), vars(args)) if args.json else {}
    if logging:
        record |= _logged(args, fit, text)
    steps = []
    if args.explain:
        from ..calibration.report import fit_steps

        steps = fit_steps(fit)
        record["derivation"] = [step.to_dict() for step in steps]
    if args.figure is not None:
        from ..figures.working_curve import working_curve_figure

        write_figure(working_curve_figure(fit), args)
    if args.report is not None:
        from ..files.workbook import report_workbook
        from ..sheets.fit_report import fit_sheets

        write_target(args, "report", report_workbook(fit_sheets(fit.to_dict())))
    if text is not None:
        write_target(args, "save", text)
    if args.json:
        print_json(record)
        return 0
    from ..calibration.report import fit_text

    print(as_options(fit_text(fit), vars(args)))
    if args.explain:
        from ..setting.explain import as_text

        print("\n" + as_text(steps))
    return 0


def _logged(args: argparse.Namespace, fit: Fit, resin: str | None) -> dict[str, Any]:
    from ..logbook.recording import record_fit

    names = (
        "sheet",
        "skip_blank",
        "exclude",
        "at_depth",
        "confidence",
        "power_scale_uncertainty",
        "beam_radius_scale_uncertainty",
        "thickness_bias_uncertainty",
        "elsewhere",
        "other_gauge",
        "will_set",
        "lot_spread_depth",
        "lot_spread_exposure",
    )
    options = {name: value for name in names if (value := getattr(args, name)) not in (None, False, [])}
    priors = _prior_files(args)
    if resin is None:
        resin = _resin_to_keep(args, fit)
    entry = record_fit(
        args.log,
        fit,
        options=options | ({"prior": priors} if priors else {}),
        priors=priors,
        lot=args.lot,
        machine=args.machine,
        operator=args.operator or "",
        resin_document=resin,
    )
    return said(entry, args.log)


def _resin_to_keep(args: argparse.Namespace, fit: Fit) -> str | None:
    """The resin file that `recipe --log` reads by the lot's name; without a wavelength there is none."""
    import sys

    from ..errors import CurecalcError
    from ..jobs.fitted import resin_text

    try:
        return resin_text(fit, **_named_by_logbook(_beside(args), fit))
    except CurecalcError as error:
        print(f"the logbook keeps no resin file of this lot: {error}", file=sys.stderr)
        return None


def _named_by_logbook(more: dict[str, Any], fit: Any) -> dict[str, Any]:
    """With a logbook, lot and machine are the shop's names in it; the resin file keeps those of the coupon table."""
    return more | {"names": {k: v for k, v in more["names"].items() if k not in fit.coupons.names}}


def _beside(args: argparse.Namespace) -> dict[str, Any]:
    from ..units import parse

    kinds = {"wavelength": "wavelength", "temperature": "temperature", "density": "density"}
    read = {k: parse(flag(k), v, kind) for k, kind in kinds.items() if (v := getattr(args, k)) is not None}
    return read | {"name": args.name or "", "names": {n: getattr(args, n) for n in NAMES if getattr(args, n)}}
