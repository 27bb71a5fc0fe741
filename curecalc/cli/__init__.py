"""The command line: `curecalc COMMAND`. Only the asked command's module is imported."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from ..errors import CurecalcError, FileError
from ..symbols import clip

__all__ = ["COMMANDS", "main"]

COMMANDS: dict[str, tuple[str, str]] = {
    "depth": ("depth", "exposure and cure depth from settings"),
    "speed": ("speed", "scan speed for a layer and its overcure"),
    "solve": ("solve", "any other unknown, like power or hatch spacing"),
    "stack": ("stack", "layers on layers: exposure through depth and print-through"),
    "spot": ("spot", "beam radius from a knife edge, slit, image, caustic or cured lines; power from readings"),
    "new": ("new", "a commented machine, resin or needs file, or a table of coupons or a scan, to start from"),
    "recipe": ("recipe", "machine, resin and needs to settings for every kind of vector"),
    "window": ("window", "the process window over any two settings"),
    "retune": ("retune", "new speeds after a new power or spot reading"),
    "demo": ("demo", "the whole job on invented data"),
    "lesson": ("lesson", "short lessons on exposure and cure, with your own machine's numbers"),
    "paths": ("paths", "study paths of a mesh: contours and hatch, lengths and counts"),
    "map": ("map", "exposure field of a layer of real scan paths"),
    "part": ("part", "exposure field of layers on layers: bond, print-through, walls"),
    "plan": ("plan", "which coupons to expose so that a speed is known well enough"),
    "fit": ("fit", "coupons to a working curve, a verdict on the data, and a resin file"),
    "compare": ("compare", "two lots or more: keep the settings, change the speed, or reject"),
    "log": ("log", "the logbook: lots, readings, recipes, kept and charted"),
    "practice": ("practice", "exercises with checked answers; worksheets and answer keys for a class"),
    "page": ("page", "a local browser page to play with settings, coupons, lessons"),
    "validate": ("validate", "run every outside check on this machine"),
    "manual": ("manual", "write the handbook: every command, file, table, formula and check"),
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status: 0 done, 2 bad input, 3 no answer inside the limits."""
    import os

    from .terminal import spoken

    if "_ARGCOMPLETE" in os.environ:  # the shell asks at its tab key
        from .completing import complete

        complete()
    given = list(sys.argv[1:] if argv is None else argv)
    with spoken(raw="--json" in given or given[:1] == ["new"]):
        return _answered(given)


def _answered(given: list[str]) -> int:
    try:
        return _main(given)
    except CurecalcError as error:
        print(_one_line(str(error)), file=sys.stderr)
        return error.exit_status
    except BrokenPipeError:
        # the reader (head, a pager) went away: not a fault
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 130
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 2


def _main(given: list[str]) -> int:
    from importlib import import_module

    name, *rest = given or ["help"]
    if name == "help" and rest:
        name, *rest = *rest, "--help"
    if name in ("-h", "--help", "help"):
        print(_overview())
        return 0
    if name in ("-V", "--version", "version"):
        from .. import __version__

        print(f"curecalc {__version__}")
        return 0
    if name not in COMMANDS:
        return _unknown(name)
    stem, text = COMMANDS[name]
    module = import_module(f"{__name__}.{stem}")
    from .common import CommandParser, as_options, joined
    from .helping import add_help

    parser = CommandParser(prog=f"curecalc {name}", description=text, allow_abbrev=False, add_help=False)
    add_help(parser)
    module.add_arguments(parser)
    args = parser.parse_args(joined(parser, rest))
    try:
        return module.run(args)
    except CurecalcError as error:
        said = str(error)
        calls_only = isinstance(error, FileError) or said.startswith("--")  # a file's error names columns and keys, not options
        error.args = (_as_named(as_options(said, vars(args), calls_only=calls_only), parser),)
        raise


def _overview() -> str:
    width = max(len(name) for name in COMMANDS)
    lines = ["usage: curecalc COMMAND [options]   (curecalc help COMMAND for its options)", ""]
    lines += [f"  {name:<{width}}  {text}" for name, (_, text) in COMMANDS.items()]
    lines += ["", 'A value is a number and a unit in one argument: --power "300 mW" --beam-radius 125um']
    return "\n".join(lines)


def _unknown(name: str) -> int:
    from difflib import get_close_matches

    hint = "".join(f" Did you mean {near}?" for near in get_close_matches(name, COMMANDS, n=1))
    print(f"unknown command {clip(name)}.{hint} The commands are {', '.join(COMMANDS)}.", file=sys.stderr)
    return 2


def _as_named(message: str, parser: Any) -> str:
    """Options whose value the program calls otherwise, as people type them."""
    import re

    from .common import flag

    for action in parser.every_action():
        if action.option_strings and flag(action.dest) not in action.option_strings:
            message = re.sub(rf"(?<![\w-]){flag(action.dest)}(?![\w-])", action.option_strings[-1], message)
    return message


def _one_line(text: str) -> str:
    return " ".join(text.split())
