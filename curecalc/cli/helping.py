"""Help that fits a screen: an example that runs and the options of the common case; `--help-all` tells the rest."""

from __future__ import annotations

import argparse
import sys
import textwrap
from typing import Any

__all__ = ["COMMON", "SHORT", "add_help"]

_SETTING = "power beam-radius beam-diameter beam-fwhm penetration-depth critical-exposure resin hatch-spacing"
_LIGHT = "--power 30mW --beam-radius 0.125mm --penetration-depth 0.15mm --critical-exposure 8mJ/cm2"
_FILES = "--machine machine.toml --resin resin.toml --needs needs.toml"

# command: an example that runs in a folder with the demo's files, and the options of the common case
COMMON: dict[str, tuple[str, str]] = {
    "depth": (f"{_LIGHT} --scan-speed 1m/s --layer-thickness 0.1mm", f"{_SETTING} scan-speed layer-thickness beam explain json figure"),
    "speed": (f"{_LIGHT} --layer-thickness 0.1mm --overcure 0.05mm", f"{_SETTING} layer-thickness overcure beam explain json figure"),
    "solve": (
        f"--for hatch_spacing {_LIGHT} --scan-speed 1m/s --layer-thickness 0.1mm --overcure 0.02mm",
        f"for {_SETTING} scan-speed layer-thickness overcure beam explain json",
    ),
    "stack": (
        f"{_LIGHT} --scan-speed 1m/s --hatch-spacing 0.1mm --layer-thickness 0.1mm",
        f"{_SETTING} scan-speed layer-thickness layers exposure explain json figure",
    ),
    "spot": (
        "beam_knife_edge.csv --figure edge.png",
        "columns kind pixel-size at power wavelength meter-uncertainty save beam figure explain json log",
    ),
    "plan": (
        '--resin resin.toml --at-depth 0.18mm --to "3 %" --power 240mW --hatch-spacing 0.1mm --scan-speed-max 14m/s',
        "resin at-depth to coupons readings power beam-radius hatch-spacing machine scan-speed-max run-sheet table json",
    ),
    "fit": (
        "coupons_lot_7_read_again.csv --at-depth 0.18mm --save lot_7.toml",
        "columns at-depth exclude elsewhere prior save lot machine-name log figure explain json",
    ),
    "compare": (
        "coupons_lot_6.csv coupons_lot_7_read_again.csv --layer-thickness 0.1mm --overcure 0.08mm --tolerance 8um",
        "layer-thickness overcure cure-depth tolerance exclude log figure json",
    ),
    "recipe": (
        f"{_FILES} --sheet sheet.html --save recipe.json",
        "machine resin needs beam paths sheet save table figure log json explain",
    ),
    "window": (f"{_FILES} --figure window.png", "machine resin needs vector-kind across up points figure json"),
    "retune": ("recipe.json --power 222mW", "power beam-radius log machine-name save sheet json"),
    "paths": ("bracket.stl --layer-thickness 0.1mm --hatch-spacing 0.1mm --save paths.npz", "layer-thickness hatch-spacing save json"),
    "map": (
        "bracket.csv --layer 1 --resin resin.toml --layer-thickness 0.1mm --overcure 0.08mm",
        "columns layer layer-thickness overcure recipe resin power scan-speed beam-radius machine window figure save json",
    ),
    "part": (
        "bracket.csv --resin resin.toml --layer-thickness 0.1mm --overcure 0.08mm",
        "columns layer-range layer-thickness overcure recipe resin power scan-speed beam-radius machine window figure save json",
    ),
    "lesson": ("line --no-answer", "machine beam resin no-answer html figure json"),
    "practice": ("--seed 7 --print", "seed count grade lesson answer print worksheet answer-key machine resin json"),
    "page": ("--machine machine.toml --resin resin.toml --log shop.db --write", "machine resin needs log write port open host person"),
}

# examples of commands whose help is short
SHORT: dict[str, tuple[str, ...]] = {
    "new": ("needs needs_to_fill_in.toml",),
    "log": ('add power --machine-name "bay 2" --power "238 mW +- 2 %" --log shop.db', "list --log shop.db", "status --log shop.db"),
    "validate": ("",),
}


class _Formatter(argparse.RawDescriptionHelpFormatter):
    """The text of an option beside it, not below."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=sys.maxsize)


def _command(parser: argparse.ArgumentParser) -> str:
    return parser.prog.removeprefix("curecalc ")


class _Short(argparse.Action):
    """`--help`: an example and the common case; the rest is counted."""

    def __call__(self, parser: Any, namespace: Any, values: Any, option_string: str | None = None) -> None:
        example, names = COMMON[_command(parser)]
        options = {o: a for a in parser._actions for o in a.option_strings if o not in ("-h", "--help", "--help-all", "--overwrite")}
        wanted = [options[f"--{name}"] for name in names.split()]
        for action in wanted:
            action.brief = True
        for group in parser._action_groups[1:]:
            group._group_actions[:] = wanted if group is parser._optionals else []
        rest = len(set(map(id, options.values()))) - len(wanted)
        reads = [a.metavar + "..." * (a.nargs in ("*", "+")) for a in parser._actions if not a.option_strings]
        parser.usage = " ".join([parser.prog, *reads, "[options]"])
        lines = textwrap.wrap(f"example: {parser.prog} {example}", 94, subsequent_indent="    ", break_on_hyphens=False)
        parser.epilog = " \\\n".join(lines) + f"\n\n{rest} more options: {parser.prog} --help-all"
        parser.formatter_class = _Formatter
        parser.print_help()
        parser.exit()


def add_help(parser: argparse.ArgumentParser) -> None:
    """-h and --help, short where the command has many options, then with --help-all beside."""
    short = _command(parser) in COMMON
    more: Any = {"action": _Short, "nargs": 0} if short else {"action": "help"}
    parser.add_argument("-h", "--help", help="the options of the common case" if short else "this help", **more)
    parser.add_argument("--help-all", action="help", help="this help" if short else argparse.SUPPRESS)
