"""`curecalc compare OLD NEW`: keep, change the speed, keep for now and expose more, reject, or cannot compare."""

from __future__ import annotations

import argparse
import math
from typing import Any

from ..errors import FileError, QuantityError
from .common import _Once, add_output, print_json, write_figure
from .fit import fraction
from .recorded import add_log, checked_log, said

__all__ = ["ERROR_RATES", "add_arguments", "run"]

ERROR_RATES = (
    "Error rates, simulated for lots of 4 to 12 coupons (reference/simulations/compare.toml): a new lot exactly at the tolerance is kept "
    "in at most 5 of 100; two samples of one lot are told to change in less than 1 of 100 where the tolerance is a coupon's scatter "
    "or more; everything not proven either way is 'keep for now'."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("old", metavar="OLD", help="coupon table or resin file of the lot the settings were made for")
    parser.add_argument("new", metavar="NEW", nargs="+", help="coupon table of the new lot; with several, the verdict is on the last")
    for name, text in (
        ("--layer-thickness", "compared at layer plus overcure"),
        ("--overcure", "beyond the layer"),
        ("--cure-depth", "compared at this depth, instead of layer and overcure"),
        ("--tolerance", "change of depth one can live with, either way"),
    ):
        parser.add_argument(name, metavar="VALUE", action=_Once, help=f'{text}, like "0.1 mm"')
    parser.add_argument("--confidence", metavar="VALUE", action=_Once, help='of each bound, like "95 %%" (default)')
    parser.add_argument("--most-speed-change", metavar="VALUE", action=_Once, help='beyond which a lot is rejected, like "30 %%" (default)')
    parser.add_argument(
        "--most-depth-change", metavar="VALUE", action=_Once, help='of Dp beyond which a lot is rejected, like "20 %%" (default)'
    )
    parser.add_argument(
        "--exclude", metavar="FILE:LABEL", action="append", default=[], help="leave a coupon of a file out; may be given more than once"
    )
    parser.add_argument("--skip-blank", action="store_true", help="leave out rows whose thickness is blank")
    add_log(parser, names=("lot", "old_lot", "machine"))
    add_output(parser, figure="both curves and the change of depth against the tolerance", explain=False)
    parser.epilog = ERROR_RATES


def run(args: argparse.Namespace) -> int:
    """Read the lots, compare, print."""
    from ..calibration.comparing import compare_lots, comparison_text

    logging = checked_log(args)
    depth, tolerance = _depth(args), _length(args, "tolerance")
    if depth is None:
        raise QuantityError("--layer-thickness with --overcure, or --cure-depth, is missing: lots are compared at one depth. Give yours.")
    if tolerance is None:
        raise QuantityError("--tolerance is missing: which change of depth can you live with, either way? Give it, like '10 um'.")
    limits = {n: fraction(n, getattr(args, n)) for n in ("confidence", "most_speed_change", "most_depth_change")}
    files = [args.old, *args.new]
    excluded = _excluded(args.exclude, files)
    lots, warnings, tables = [], [], []
    names = _names(files)
    for file, name in zip(files, names):
        lot, said, table = _lot(file, name, excluded.get(file, []), args.skip_blank)
        lots.append(lot)
        tables.append(table)
        warnings += [f"{name}: {sentence}" for sentence in said]
    warnings += _same_data(files)
    result = compare_lots(lots=lots, cure_depth=depth, tolerance=tolerance, **{k: v for k, v in limits.items() if v is not None})
    if args.figure is not None:
        from ..figures.comparison import comparison_figure

        write_figure(comparison_figure(result), args)
    written = _logged(args, result, files, names, excluded, tables) if logging else {}
    if args.json:
        print_json(result.to_dict() | {"warnings": warnings} | written)
        return 0
    print(comparison_text(result))
    for sentence in warnings:
        print(f"Check: {sentence}")
    return 0


def _logged(
    args: argparse.Namespace, result: Any, files: list[str], names: list[str], excluded: dict[str, list[str]], tables: list[dict[str, str]]
) -> dict[str, Any]:
    """Record the verdict under the names that the options give, else those that the tables state."""
    from ..logbook.recording import record_comparison

    texts = ("tolerance", "confidence", "most_speed_change", "most_depth_change")
    options: dict[str, Any] = {name: value for name in texts if (value := getattr(args, name)) is not None}
    depth = _depth(args)
    options |= {"names": names} | ({} if depth is None else {"cure_depth": f"{float(depth.m_as('mm'))!r} mm"})
    options |= {"skip_blank": True} if args.skip_blank else {}
    left_out = {f"lot{place}": excluded[file] for place, file in enumerate(files, 1) if file in excluded}
    options |= {"exclude": left_out} if left_out else {}
    entry = record_comparison(
        args.log,
        result,
        files=files,
        options=options,
        lot=args.lot or tables[-1].get("lot") or names[-1],
        old_lot=args.old_lot or tables[0].get("lot"),
        machine=args.machine or tables[-1].get("machine"),
        operator=args.operator or "",
    )
    return said(entry, args.log)


def _length(args: argparse.Namespace, name: str) -> Any:
    from ..units import MM, parse, positive
    from .common import flag

    text = getattr(args, name)
    if text is None:
        return None
    value = parse(flag(name), text, "length")
    if name != "overcure":
        positive(flag(name), value, MM)
    return value


def _depth(args: argparse.Namespace) -> Any:
    layer, over, depth = (_length(args, n) for n in ("layer_thickness", "overcure", "cure_depth"))
    if depth is not None:
        if layer is not None or over is not None:
            raise QuantityError("--cure-depth says it all: leave out --layer-thickness and --overcure, or the depth.")
        return depth
    if over is not None and layer is None:
        raise QuantityError("--layer-thickness is missing: an overcure is counted from it. Give it, or --cure-depth.")
    if layer is None:
        return None
    return layer if over is None else layer + over


def _excluded(texts: list[str], files: list[str]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for text in texts:
        for file in files:
            if text.startswith(f"{file}:"):
                out.setdefault(file, []).append(text.removeprefix(f"{file}:"))
                break
        else:
            raise QuantityError(f"--exclude: {text!r} names none of the files. Write it as FILE:LABEL, like '{files[-1]}:7'.")
    return out


def _names(files: list[str]) -> list[str]:
    from pathlib import Path

    short = [Path(f).stem for f in files]
    return short if len(set(short)) == len(short) else files


def _same_data(files: list[str]) -> list[str]:
    """A warning where two of the files hold the same bytes."""
    from hashlib import sha256
    from itertools import combinations

    from ..files.disk import read_bytes

    sums = {file: sha256(read_bytes(file, what="coupon", largest=math.inf)).digest() for file in files}
    twins = [(a, b) for a, b in combinations(files, 2) if sums[a] == sums[b]]
    return [f"{a} and {b} hold the same data: a lot compared with itself says nothing about a new one." for a, b in twins]


def _lot(file: str, name: str, excluded: list[str], skip_blank: bool) -> tuple[Any, list[str], dict[str, str]]:
    """The lot in a file, what is to be checked about it, the names that the file states."""
    from ..calibration.comparing import lot_from_fit
    from ..calibration.coupons import read_coupons
    from ..calibration.curve import fit_coupons

    if file.lower().endswith(".toml"):
        if excluded:
            raise QuantityError(f"--exclude: {file} is a resin file, its coupons are fitted already. Give the coupon table.")
        from ..jobs.fitted import lot_from_resin
        from ..jobs.lot import read_resin

        resin = read_resin(file)
        return lot_from_resin(resin, name), [], {key: value for key in ("lot", "machine") if (value := getattr(resin, key))}
    try:
        fit = fit_coupons(read_coupons(file, skip_blank=skip_blank), exclude=excluded)
    except QuantityError as error:
        raise FileError(str(error) if str(error).startswith(file) else f"{file}: {error}") from None
    return lot_from_fit(name, fit), [*fit.warnings], fit.coupons.names
