"""The parsers of all commands and actions, as the command line makes them."""

import argparse
from collections.abc import Iterator
from importlib import import_module

from curecalc.cli import COMMANDS
from curecalc.cli.common import CommandParser


def parsers() -> Iterator[tuple[list[str], CommandParser]]:
    """Every command and action with its parser."""
    for name, (module, _) in COMMANDS.items():
        parser = CommandParser(prog=name, allow_abbrev=False)
        import_module(f"curecalc.cli.{module}").add_arguments(parser)
        waiting = [([name], parser)]
        while waiting:
            words, one = waiting.pop()
            yield words, one
            for action in one._actions:
                if isinstance(action, argparse._SubParsersAction):
                    waiting += [([*words, key], inner) for key, inner in action.choices.items()]
