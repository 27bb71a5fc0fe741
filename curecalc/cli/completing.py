"""Completion of commands, options and files at the shell's tab key; needs the extra `completion`."""

from __future__ import annotations

import os

from . import COMMANDS
from .common import CommandParser

__all__ = ["complete"]


def complete() -> None:
    """Answer the shell, which has set the line typed so far, and end."""
    from importlib import import_module

    import argcomplete

    parser = CommandParser(prog="curecalc", allow_abbrev=False)
    commands = parser.add_subparsers()
    typed = os.environ.get("COMP_LINE", "").split()
    for name, (module, text) in COMMANDS.items():
        one = commands.add_parser(name, help=text, allow_abbrev=False)
        if name in typed[1:2]:  # the others need not load
            import_module(f"{__package__}.{module}").add_arguments(one)
    argcomplete.autocomplete(parser)
