"""What commands share: reading options with units, the beam, resin and scan they describe, printing."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Iterable, Iterator
from typing import Any, NoReturn

from ..errors import QuantityError
from ..files.disk import FIGURES, ending
from ..symbols import clip, renamed

__all__ = [
    "CommandParser",
    "FIGURES",
    "QUANTITIES",
    "add_columns",
    "add_output",
    "add_quantities",
    "add_target",
    "as_options",
    "flag",
    "joined",
    "print_json",
    "quantities",
    "show_rows",
    "told_in_options",
    "write_figure",
    "write_target",
]

# name: (kind of quantity, rule, may carry an uncertainty, help)
QUANTITIES: dict[str, tuple[str, str, bool, str]] = {
    "power": ("power", "positive", True, "optical power reaching the resin surface"),
    "beam_radius": ("length", "positive", True, "radius at 1/e^2 of the peak irradiance"),
    "beam_diameter": ("length", "positive", True, "diameter at 1/e^2 of the peak irradiance"),
    "beam_fwhm": ("length", "positive", True, "full width at half maximum"),
    "spot_angle": ("angle", "finite", False, "of an elliptical spot's x axis to the machine's x axis"),
    "wavelength": ("wavelength", "positive", False, "of the laser"),
    "pulse_rate": ("frequency", "positive", False, "of a pulsed laser"),
    "scan_speed": ("speed", "positive", True, "speed of the spot on the surface"),
    "hatch_spacing": ("length", "positive", True, "distance between neighbouring parallel lines; makes it a raster"),
    "track_angle": ("angle", "finite", False, "of the tracks to the machine's x axis"),
    "incidence_angle": ("angle", "nonnegative", False, "of the beam to the vertical"),
    "incidence_direction": ("angle", "finite", False, "the tilted beam leans to, from the machine's x axis"),
    "penetration_depth": ("length", "positive", True, "depth in which irradiance falls to 1/e (Dp)"),
    "critical_exposure": ("exposure", "positive", True, "least exposure that gels the resin (Ec)"),
    "bleaching_exposure": ("exposure", "positive", True, "Eb of an initiator that bleaches; chooses that cure model"),
    "reference_irradiance": ("irradiance", "positive", False, "at which the critical exposure holds, with --power-exponent"),
    "exposure": ("exposure", "positive", True, "radiant exposure at the surface, instead of power, speed and spot"),
    "layer_thickness": ("length", "positive", True, "thickness of the layer"),
    "overcure": ("length", "finite", False, "cure depth beyond the layer thickness"),
    "cure_depth": ("length", "positive", False, "wanted depth, instead of layer thickness and overcure"),
    "line_width": ("length", "positive", False, "wanted width of a single line at the surface"),
    "scan_speed_max": ("speed", "positive", False, "the scanner's greatest speed"),
    "scan_speed_min": ("speed", "positive", False, "the scanner's least speed"),
    "power_max": ("power", "positive", False, "the greatest power at the surface"),
    "power_min": ("power", "positive", False, "the least power at the surface"),
    "temperature": ("temperature", "finite", False, "of the resin; recorded, not modelled"),
    "slit_width": ("length", "positive", True, "full width of the scanned slit"),
    "pinhole_diameter": ("length", "positive", True, "of the scanned pinhole"),
    "pixel_size": ("length", "positive", True, "camera pixel pitch along the rows, at the plane of the spot"),
    "pixel_size_y": ("length", "positive", True, "pixel pitch down the rows, where it differs"),
    "camera_angle": ("angle", "finite", True, "of the picture's x axis to the machine's x axis"),
    "surface_position": ("length", "finite", False, "where the resin surface stands along the caustic"),
    "wanted_radius": ("length", "positive", False, "beam radius to find the defocus for"),
    "dark_reading": ("power", "finite", False, "meter reading with the beam blocked; taken off"),
    "resolution": ("power", "nonnegative", False, "last digit of the power meter"),
    "position_uncertainty": ("length", "positive", False, "standard uncertainty of each position of a scan or caustic"),
    "scale_uncertainty": ("fraction", "nonnegative", False, "relative standard uncertainty of the stage's lengths"),
    "clip_level": ("fraction", "positive", False, "of the two-level estimate beside a knife-edge fit (10 %)"),
    "model_uncertainty": ("fraction", "nonnegative", False, "of a threshold model of line width, standard (17 %)"),
    "meter_uncertainty": ("fraction", "nonnegative", False, "relative standard uncertainty of the power meter"),
}


def flag(name: str) -> str:
    """The option of a vocabulary name: scan_speed, --scan-speed."""
    return "--" + name.replace("_", "-")


class CommandParser(argparse.ArgumentParser):
    """argparse with errors in one line and exit status 2."""

    def error(self, message: str) -> NoReturn:
        message = " ".join(message.split())
        message = re.sub(r"^argument (--[\w-]+)(?:/\S+)?: ", r"\1: ", message)
        message = "".join(c if c.isprintable() else "?" for c in message)
        if unknown := re.match(r"unrecognized arguments: (.+)", message):
            message = self._nearest(unknown[1])
        elif missing := re.match(r"the following arguments are required: (.+)", message):
            message = f"{missing[1]} is missing"
        elif choice := re.match(r"(?:argument )?(.+?): invalid choice: (.+?) \(choose from (.+)\)", message):
            name, got, known = choice.groups()
            message = f"{name} must be one of {known}, got ".replace("'", "") + got
        end = "" if message.endswith((".", "?")) else "."
        self.exit(2, f"{message}{end} See {self.prog} --help.\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse does, then the files to be written are checked."""
        found, rest = super().parse_known_args(args, namespace)
        if not rest:
            check_targets(self, found)
        return found, rest

    def every_action(self) -> Iterator[argparse.Action]:
        """Its options and arguments, and those of the actions below it."""
        for action in self._actions:
            yield action
            if isinstance(action, argparse._SubParsersAction):
                for parser in action.choices.values():
                    yield from parser.every_action()

    def _nearest(self, given: str) -> str:
        if not given.startswith("-"):
            return (
                f"{clip(given)} belongs to no option. Put a value and its unit into one argument: in plain quotes, like "
                '--power "30 mW", or without a space, like --power 30mW'
            )
        given, *_ = given.split()
        from difflib import get_close_matches

        known = [option for action in self._actions for option in action.option_strings if option.startswith("--")]
        typed, *_ = given.split("=")
        hint = "".join(f" Did you mean {near}?" for near in get_close_matches(typed, known, n=1, cutoff=0.75))
        return f"unknown option {clip(given)}.{hint}"


class _Once(argparse.Action):
    """An option that may be given once only; a second value would silently win."""

    def __call__(self, parser: Any, namespace: Any, values: Any, option_string: str | None = None) -> None:
        if getattr(namespace, self.dest, None) is not None:
            parser.error(f"{option_string} is given twice: {getattr(namespace, self.dest)!r} and {values!r}. Leave one out")
        setattr(namespace, self.dest, values)


class _Target(_Once):
    """A file that the command writes, refused before any work where it cannot or should not be written."""

    def __init__(self, *args: Any, endings: tuple[str, ...] = (), renews: tuple[str, ...] = (), **more: Any) -> None:
        super().__init__(*args, **more)
        self.endings, self.renews = endings, renews


def add_target(group: Any, option: str, text: str, *endings: str, renews: tuple[str, ...] = (), **more: Any) -> None:
    """An option (or argument) that names a file to write, and `--overwrite` beside the first of a command.

    `renews` names options whose file it may replace; every other file that a command reads is never written.
    """
    end = f"; FILE ends in {', '.join(endings[:-1])} or {endings[-1]}".replace("in  or ", "in ") if endings else ""
    group.add_argument(option, metavar="FILE", action=_Target, endings=endings, renews=renews, help=text + end, **more)
    if "--overwrite" not in group._option_string_actions:
        group.add_argument("--overwrite", action="store_true", help="replace files that stand already")


def check_targets(parser: argparse.ArgumentParser, args: argparse.Namespace) -> None:
    """`FileError` for the first file that cannot be written as asked: ending, folder, one that stands, one that is read."""
    from ..files.disk import check_target

    targets = [a for a in parser._actions if isinstance(a, _Target) and getattr(args, a.dest, None) is not None]
    for action in targets:
        option, path = next(iter(action.option_strings), action.metavar), getattr(args, action.dest)
        others = [v for k, v in vars(args).items() if k not in (action.dest, *action.renews)]
        check_target(str(option), path, action.endings, others=others, overwrite=args.overwrite)


class _Columns(argparse.Action):
    """Print what each column of a table means, as --help prints what each option means."""

    def __call__(self, parser: Any, *_: object) -> None:
        import textwrap
        from importlib import import_module

        from ..files.tables import explained

        columns = import_module(f"curecalc.{self.const}").COLUMNS
        print("\n".join(textwrap.fill(line, 100, subsequent_indent="    ", break_on_hyphens=False) for line in explained(columns)))
        parser.exit(0)


def add_columns(parser: Any, module: str, table: str) -> None:
    """`--columns`: the columns declared in a module, explained."""
    parser.add_argument("--columns", nargs=0, action=_Columns, const=module, help=f"explain the columns of {table}, and stop")


class _Given(_Once):
    """An option of the vocabulary. Its help is made when it is read: examples stand with the units, which take long to load."""

    brief = False

    @property
    def help(self) -> str:  # type: ignore[override]
        from ..units import KINDS

        kind, _, uncertain, text = QUANTITIES[self.dest]
        example = KINDS[kind].example
        more = f', may carry a standard uncertainty: "{example} +- 2 %"' if uncertain and not self.brief else ""
        return f'{text}, like "{example}"{more}'.replace("%", "%%")  # argparse formats help with %

    @help.setter
    def help(self, _: str | None) -> None:
        """argparse has nothing to set."""


def joined(parser: argparse.ArgumentParser, given: list[str]) -> list[str]:
    """Arguments with negative values told apart from options: `--overcure -0.05mm` reads as one, each value of `--window` as a value."""
    valued = {o: a.nargs if isinstance(a.nargs, int) else 1 for a in parser._actions for o in a.option_strings}
    result: list[str] = []
    waiting = 0
    for text in given:
        if waiting and re.match(r"-[0-9.]", text):
            if valued.get(result[-1]) == 1:
                result[-1] += f"={text}"
            else:
                result.append(f" {text}")
            waiting -= 1
        else:
            result.append(text)
            waiting = valued.get(text, max(waiting - 1, 0))
    return result


def add_quantities(parser: argparse.ArgumentParser, names: list[str], *, title: str | None = None) -> None:
    """Options of the vocabulary, each taking a number and a unit in one argument."""
    group = parser.add_argument_group(title) if title else parser
    for name in names:
        group.add_argument(flag(name), action=_Given, metavar="VALUE")


def quantities(args: argparse.Namespace, names: list[str]) -> dict[str, Any]:
    """The given ones of these options, read and checked: Measured where an uncertainty may stand, else Quantity."""
    from .. import units

    found: dict[str, Any] = {}
    for name in names:
        text = getattr(args, name, None)
        if text is None:
            continue
        kind, rule, uncertain, _ = QUANTITIES[name]
        if uncertain:
            value: Any = units.parse_measured(flag(name), text, kind)
            quantity = value.value
        else:
            value = quantity = units.parse(flag(name), text, kind)
        getattr(units, rule)(flag(name), quantity, units.KINDS[kind].kernel)
        found[name] = value
    return found


def need(found: dict[str, Any], names: list[str]) -> None:
    """`QuantityError` naming the first option that is missing."""
    from ..units import KINDS

    for name in names:
        if name not in found:
            example = KINDS[QUANTITIES[name][0]].example
            raise QuantityError(f'{flag(name)} is missing: {QUANTITIES[name][3]}. Give it, like {flag(name)} "{example}".')


def add_output(parser: argparse.ArgumentParser, *, figure: str | None = None, explain: bool = True) -> None:
    """--json, --explain and --figure FILE."""
    group = parser.add_argument_group("output")
    group.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")
    if explain:
        group.add_argument("--explain", action="store_true", help="the derivation step by step")
    if figure:
        add_target(group, "--figure", f"draw {figure}", *FIGURES)


def as_options(text: str, names: Iterable[str], *, calls_only: bool = True) -> str:
    """Arguments of these `names` that the library writes, as in a call only or anywhere, as the options people type.

    >>> as_options("Say kind='slit', or give pixel_size=.", ["kind", "pixel_size"])
    'Say --kind slit, or give --pixel-size.'
    """
    return renamed(text, {name: flag(name) for name in names}, calls_only=calls_only)


def told_in_options(value: Any, names: Iterable[str]) -> Any:
    """A JSON value with `as_options` in all its texts."""
    if isinstance(value, str):
        return as_options(value, names)
    if isinstance(value, dict):
        return {key: told_in_options(one, names) for key, one in value.items()}
    return [told_in_options(one, names) for one in value] if isinstance(value, list) else value


def print_json(record: dict[str, Any]) -> None:
    """One JSON object on stdout; full precision, no NaN."""
    utf8 = (getattr(sys.stdout, "encoding", None) or "utf-8").lower().startswith("utf")
    sys.stdout.write(json.dumps(record, indent=2, ensure_ascii=not utf8, allow_nan=False) + "\n")


def show_rows(rows: list[tuple[str, str]]) -> str:
    """Two aligned columns."""
    width = max((len(label) for label, _ in rows), default=0)
    return "\n".join(f"{label:<{width}}   {value}" for label, value in rows)


def write_target(args: argparse.Namespace, name: str, content: bytes | str) -> None:
    """Write the file of an option, whole or not at all, and say so on stderr, so that stdout stays what was asked for."""
    from ..files.disk import write_bytes

    print(f"wrote {write_bytes(getattr(args, name), content, overwrite=args.overwrite)}", file=sys.stderr)


def write_figure(figure: Any, args: argparse.Namespace, name: str = "figure") -> None:
    """Write a figure to the file of an option."""
    from ..figures.style import figure_bytes

    write_target(args, name, figure_bytes(figure, ending(getattr(args, name))))
