"""What commands share that can write into a logbook: the options, and saying what was written."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from .common import _Once, flag

__all__ = ["add_log", "checked_log", "said"]

_HELP = {
    "lot": "name of the resin lot",
    "machine": "name of the machine",
    "machine_name": "name of the machine",
    "beam_name": "name of the beam",
    "old_lot": "name of the old lot",
}


def add_log(parser: argparse.ArgumentParser, *, names: tuple[str, ...] = ()) -> None:
    """--log FILE, --operator, and the names that the command does not have already."""
    group = parser.add_argument_group("logbook")
    group.add_argument("--log", metavar="FILE", action=_Once, help="record this in the logbook, with its source data")
    group.add_argument("--operator", metavar="INITIALS", action=_Once, help="who did it, for the logbook")
    for name in names:
        option = "--machine-name" if name == "machine" else flag(name)
        group.add_argument(option, dest=name, metavar="NAME", action=_Once, help=f"{_HELP[name]}, for the logbook")


def checked_log(args: argparse.Namespace) -> bool:
    """Whether a logbook is asked for; refused before any work when it could not be written."""
    if args.log is None:
        return False
    from ..logbook.recording import check_logbook

    check_logbook(args.log)
    return True


def said(entry: Any, path: str) -> dict[str, Any]:
    """Say on stderr what was written; the same for JSON."""
    print(f"wrote entry {entry.number} to {path}", file=sys.stderr)
    return {"log_entry": entry.number, "log_sha256": entry.sha256}
