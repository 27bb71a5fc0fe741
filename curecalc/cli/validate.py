"""`curecalc validate`: every outside check of the installation, run on this machine."""

from __future__ import annotations

import argparse
from typing import Any

from ..files.disk import json_text
from .common import add_output, add_target, print_json, write_target

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_output(parser, explain=False)
    add_target(parser, "--save", "write the whole record", ".json")
    parser.add_argument("--all", action="store_true", help="list every check, not only those that fail")


def run(args: argparse.Namespace) -> int:
    """Run the checks; status 0 when all agree, 1 when one does not."""
    from ..validation import validate

    report = validate()
    record = report.to_dict()
    if args.save:
        write_target(args, "save", json_text(record))
    if args.json:
        print_json(record)
    else:
        _tell(report, everything=args.all)
    return 0 if report.passed else 1


def _tell(report: Any, *, everything: bool) -> None:
    for o in report.outcomes:
        if everything or not o.agrees:
            got = ", ".join(f"{v:.10g}" for v in o.obtained) or o.note
            verdict = "agrees" if o.agrees else "DIFFERS"
            print(f"{verdict:<8} {o.id}: source {o.source} ({o.locator}; {o.tag}) prints {o.published}; obtained {got}; ", end="")
            print(f"difference {o.difference:.2g}, tolerance {o.tolerance:.2g}")
    versions = ", ".join(f"{name} {v}" for name, v in report.versions.items())
    failed = sum(not o.agrees for o in report.outcomes)
    print(f"{len(report.outcomes)} outside checks, {len(report.outcomes) - failed} agree, {failed} differ")
    print(f"{report.date}; {versions}")
    if failed:
        print("Do not calculate with this installation until the differences are explained.")
