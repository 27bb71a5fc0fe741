"""`curecalc validate`: every outside check of the installation, run on this machine."""

from __future__ import annotations

import argparse
import json

from ..errors import FileError
from .common import _Once, add_output, print_json

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_output(parser, explain=False)
    parser.add_argument("--save", metavar="FILE", action=_Once, help="write the whole record as JSON")
    parser.add_argument("--all", action="store_true", help="list every check, not only those that fail")


def run(args: argparse.Namespace) -> int:
    """Run the checks; status 0 when all agree, 1 when one does not."""
    from ..validation import validate

    if args.save:
        _writable(args.save)
    report = validate()
    record = report.to_dict()
    if args.save:
        _save(args.save, record)
    if args.json:
        print_json(record)
        return 0 if report.passed else 1
    for o in report.outcomes:
        if args.all or not o.agrees:
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
    return 0 if report.passed else 1


def _writable(path: str) -> None:
    from pathlib import Path

    target = Path(path)
    if target.is_dir() or not target.parent.is_dir():
        raise FileError(f"--save: {path}: cannot write here. Name a file in a folder that exists.")


def _save(path: str, record: dict[str, object]) -> None:
    from ..files.disk import write_bytes

    write_bytes(path, json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n", overwrite=True)
