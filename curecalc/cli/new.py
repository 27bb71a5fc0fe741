"""`curecalc new machine|resin|needs|coupons`: a commented file to start from."""

from __future__ import annotations

import argparse
import sys

from .common import add_target, write_target

__all__ = ["add_arguments", "run"]

KINDS = ("machine", "resin", "needs", "coupons")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("what", metavar="machine|resin|needs|coupons", choices=KINDS, help="which file")
    add_target(parser, "file", "where to write it; printed when left out", nargs="?")


def run(args: argparse.Namespace) -> int:
    """Write or print a starting file; a file that stands is kept."""
    text = _text(args.what)
    if args.file is None:
        print(text, end="")
        return 0
    write_target(args, "file", text)
    use = "curecalc fit" if args.what == "coupons" else f"--{args.what}"
    print(f"Fill in your own numbers, then use it with {use}.", file=sys.stderr)
    return 0


def _text(what: str) -> str:
    if what == "machine":
        from ..jobs.machine import starting_machine

        return starting_machine()
    if what == "needs":
        from ..jobs.needs import starting_needs

        return starting_needs()
    if what == "coupons":
        from ..calibration.columns import coupon_template

        return coupon_template()
    from ..jobs.lot import RESIN

    return RESIN.start()
