"""One name, one thing: every option, file key and column of a table, with what stands behind it, in the table `names.txt`.

The same name may stand in many places, and stands for the same kind of thing in all of them: a file, a name, a switch, a value.
Where a name is meant to be new, `CURECALC_WRITE_WORDS=1 python -m pytest tests/words/test_names.py` writes the table anew.
"""

import argparse
import os
from importlib import import_module
from pathlib import Path

from curecalc.calibration.columns import COLUMNS
from curecalc.cli import COMMANDS
from curecalc.cli.common import CommandParser
from curecalc.jobs.beam import BEAM
from curecalc.jobs.lot import RESIN
from curecalc.jobs.machine import MACHINE
from curecalc.jobs.needs import NEEDS
from curecalc.paths.table import COLUMNS as PATHS
from curecalc.spot.files import COLUMNS as SCANS

TABLE = Path(__file__).parent / "names.txt"
THINGS = {
    "FILE": "file",
    "FOLDER": "folder",
    "NAME": "name",
    "TEXT": "name",
    "LABEL": "name",
    "FILE:LABEL": "name",
    "INITIALS": "name",
    "YYYY-MM-DD": "name",
}
KEYS = {"text": "name", "boolean": "switch", "choice": "choice", "table": "table", "tables": "table", "list": "list", "date": "name"}


def of_option(action):
    """What stands behind an option."""
    if action.nargs == 0:
        return "switch"
    if action.choices:
        return "choice"
    return THINGS.get(action.metavar, "value") if isinstance(action.metavar, str) else "value"


def actions(parser):
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in action.choices.values():
                yield from actions(inner)
        else:
            yield action


def keys(fields):
    for name, field in fields.items():
        yield name, KEYS.get(field.kind, "value")
        yield from keys(field.fields)


def found():
    """Name, thing, and the places where it stands for that."""
    every = {}

    def add(name, thing, place):
        every.setdefault(name, {}).setdefault(thing, set()).add(place)

    for command, (module, _) in COMMANDS.items():
        parser = CommandParser(prog=command, allow_abbrev=False)
        import_module(f"curecalc.cli.{module}").add_arguments(parser)
        for action in actions(parser):
            for option in action.option_strings:
                if option.startswith("--"):
                    add(option[2:].replace("-", "_"), of_option(action), command)
    for file in (MACHINE, RESIN, NEEDS, BEAM):
        for name, thing in keys(file.schema.fields):
            add(name, thing, f"{file.name}.toml")
    for title, columns in (("coupons", COLUMNS), ("scans", SCANS), ("paths", PATHS)):
        for name, column in columns.items():
            add(name, KEYS.get(column.kind, "value"), f"{title} table")
    return every


def test_every_name_is_in_the_table_and_stands_for_one_thing():
    every = found()
    lines = [f"{name}: {thing}: {', '.join(sorted(places))}" for name in sorted(every) for thing, places in sorted(every[name].items())]
    if os.environ.get("CURECALC_WRITE_WORDS"):
        TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert TABLE.read_text(encoding="utf-8").splitlines() == lines, "names changed: CURECALC_WRITE_WORDS=1, and read the diff"
    double = {name: things for name, things in every.items() if len(things) > 1 and name not in APART}
    assert not double, double
    assert not set(APART) - {name for name, things in every.items() if len(things) > 1}


# one word of the trade for two things that cannot be mistaken where they stand
APART = {
    "beam": "a beam record; in a machine file, the section that holds the same keys",
    "resin": "a resin file; in a coupon table, which people fill in, the resin by its name",
    "machine": "a machine file; in a coupon table and the resin file made from it, the machine by its name",
    "kind": "of a scan (one of a list); of a vector, by its name",
    "prior": "an earlier lot's file; in a resin file, what was taken from such files",
    "source": "a file kept with an entry; in a resin file, where a data sheet's values come from",
}
