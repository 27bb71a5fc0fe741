"""`curecalc new machine|resin|needs|coupons|scan`: a commented file or table to start from."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ..errors import FileError
from .common import add_target, write_target

__all__ = ["add_arguments", "run"]

KINDS = ("machine", "resin", "needs", "coupons", "scan")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("what", metavar="|".join(KINDS), choices=KINDS, help="which file")
    add_target(parser, "file", "where to write it (a table also as .xlsx); printed when left out", nargs="?")


def run(args: argparse.Namespace) -> int:
    """Write or print a starting file; a file that stands is kept."""
    from ..files.workbook import table_file

    text = _text(args.what)
    if args.file is None:
        print(text, end="")
        return 0
    table = args.what in ("coupons", "scan")
    if args.file.lower().endswith(".xlsx") and not table:
        raise FileError(f"FILE: {args.file}: a {args.what} file is text. Name it .toml.")
    write_target(args, "file", table_file(args.file, text, _columns(args.what)) if table else text)
    use = {"coupons": "curecalc fit", "scan": "curecalc spot"}.get(args.what, f"--{args.what}")
    print(f"Fill in your own numbers, then use it with {use}.", file=sys.stderr)
    return 0


def _columns(what: str) -> Any:
    if what == "scan":
        from ..spot.files import COLUMNS as SCAN

        return SCAN
    from ..calibration.columns import COLUMNS

    return COLUMNS


def _text(what: str) -> str:
    if what == "machine":
        from ..jobs.machine import starting_machine

        return starting_machine()
    if what == "needs":
        from ..jobs.needs import starting_needs

        return starting_needs()
    if what == "scan":
        from ..spot.files import scan_template

        return scan_template()
    if what == "coupons":
        from ..calibration.columns import coupon_template

        return coupon_template()
    from ..jobs.lot import RESIN

    return RESIN.start()
