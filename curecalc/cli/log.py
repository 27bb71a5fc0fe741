"""`curecalc log`: the logbook of a shop. Add and list entries, see drift, keep it safe, see what is due."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING, Any

from ..errors import FileError, QuantityError
from ..symbols import clip
from .common import FIGURES, CommandParser, _Once, add_target, flag, print_json, write_figure
from .logadd import RADII, add_entry, open_log, option_of
from .setting import whole

if TYPE_CHECKING:
    from ..logbook.book import Logbook

__all__ = ["add_arguments", "run"]

_SWITCHES = {
    "out_of_use": "no longer in use: left out of the status",
    "cross_hatch": "every pass is scanned in two crossed directions",
    "new_baseline": "the charts begin anew (laser serviced, optics cleaned)",
}
_NAMES = {"machine": "name of the machine", "lot": "name of the resin lot", "beam": "name of the beam (a setting of the optics)"}


class _ActionParser(CommandParser):
    """The parser of one action: an unknown option is its own to explain, and so is its help."""

    def __init__(self, **options: Any) -> None:
        from .helping import add_help

        super().__init__(**options, add_help=False)
        add_help(self)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        found, rest = super().parse_known_args(args, namespace)
        if rest:
            self.error(f"unrecognized arguments: {rest[0]}")
        return found, rest


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command: an action, then its own."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True, parser_class=_ActionParser)
    _add_action(actions)
    _list_actions(actions)
    _file_actions(actions)
    _drift_action(actions)
    said = "every machine on one screen, and what is due; exit status 1 when something is"
    action = _action(actions, "status", said, needed=False)
    action.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")
    action.add_argument("--schema", action="store_true", help="the JSON Schema of that object instead; needs no logbook")


def _action(actions: Any, name: str, text: str, *, needed: bool = True) -> argparse.ArgumentParser:
    parser = actions.add_parser(name, help=text, description=text, allow_abbrev=False)
    parser.add_argument(
        "--log", metavar="FILE", action=_Once, required=needed, help="the logbook: a file like shop.db, or postgresql://... or service=NAME"
    )
    return parser


def _filters(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("which entries")
    for name, text in _NAMES.items():
        group.add_argument(option_of(name), dest=name, metavar="NAME", action=_Once, help=f"of this {text.removeprefix('name of the ')}")
    group.add_argument("--since", metavar="TIME", action=_Once, help='from then on, like "2026-03-01"')


def _add_action(actions: Any) -> None:
    from ..logbook.entries import ENTRY_KINDS
    from ..units import KINDS

    add = actions.add_parser("add", help="write an entry", description="Write an entry.", allow_abbrev=False)
    kinds = add.add_subparsers(dest="kind", metavar="KIND", required=True, parser_class=_ActionParser)
    for kind in ENTRY_KINDS.values():
        parser = _action(kinds, kind.name, kind.help)
        about = parser.add_argument_group("what it is about")
        for name, text in _NAMES.items():
            about.add_argument(option_of(name), dest=name, metavar="NAME", action=_Once, help=text)
        about.add_argument("--time", metavar="TIME", action=_Once, help='when it was so, like "2026-03-01 14:30" (now)')
        about.add_argument("--operator", metavar="INITIALS", action=_Once, help="who says so")
        about.add_argument(
            "--source", metavar="[ROLE=]FILE", action="append", default=[], help="data to keep with the entry; may be repeated"
        )
        about.add_argument("--identity", metavar="TEXT", action=_Once, help="the entry's own: sent again, it is not added again")
        about.add_argument("--sure", action="store_true", help="an unusual value is right")
        about.add_argument("--corrects", metavar="NUMBER", action=_Once, help="the entry that this one replaces or strikes out")
        values = parser.add_argument_group("values")
        for name, spec in kind.fields.items():
            if spec.kind == "boolean":
                values.add_argument(flag(name), action="store_true", default=None, help=_SWITCHES[name])
                continue
            text = KINDS[spec.kind].example if spec.quantity else {"date": "2026-03-01", "whole": "2"}.get(spec.kind, "text")
            more = f' or "{text} +- 2 %%"' if spec.uncertain and spec.kind not in ("number", "fraction", "temperature") else ""
            needed = "needed; " if spec.required and name != "beam_radius" else ""
            said = f'{needed}like "{text.replace("%", "%%")}"{more}'
            shown = "TEXT" if text == "text" else "VALUE"
            values.add_argument(option_of(name), dest=name, metavar=shown, action=_Once, help=said)
            if name == "beam_radius":
                for other in RADII[1:]:
                    values.add_argument(flag(other), metavar="VALUE", action=_Once, help="instead of --beam-radius")
        parser.add_argument("--json", action="store_true", help="the entry as one JSON object")

    lines = _action(kinds, "lines", "entries from stdin, one JSON object a line: all of them, or none when one is refused")
    lines.add_argument("--sure", action="store_true", help="unusual values are right")
    lines.add_argument("--json", action="store_true", help="the entries as one JSON object")


def _list_actions(actions: Any) -> None:
    from ..logbook.entries import ENTRY_KINDS

    action = _action(actions, "list", "entries in order of time")
    _filters(action)
    action.add_argument("--entry-kind", dest="kind", metavar="KIND", action=_Once, help=f"one of {', '.join(ENTRY_KINDS)}")
    action.add_argument("--until", metavar="TIME", action=_Once, help="up to then")
    action.add_argument("--corrected", action="store_true", help="corrected entries too")
    action.add_argument("--last", metavar="N", action=_Once, help="so many of the newest (40)")
    action.add_argument("--all", action="store_true", help="all of them")
    action.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")
    action = _action(actions, "show", "one entry in full")
    action.add_argument("number", metavar="NUMBER", help="of the entry")
    action.add_argument("--save-sources", metavar="FOLDER", action=_Once, help="write its source data there")
    action.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")


def _file_actions(actions: Any) -> None:
    action = _action(actions, "export", "entries to a file that ends in .csv (for spreadsheets) or .json (complete)")
    _filters(action)
    action.add_argument("--entry-kind", dest="kind", metavar="KIND", action=_Once, help="of this kind only")
    add_target(action, "--save", "the entries", ".csv", ".json", required=True)
    action = _action(actions, "import", "entries from an export, none of them changed since")
    action.add_argument("file", metavar="FILE", help="an export, .csv or .json")
    action.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")
    action = _action(actions, "backup", "a complete copy, safe while the logbook is in use")
    action.add_argument("file", metavar="FILE", help="the copy; must not stand yet")
    action = _action(actions, "salvage", "what a damaged file still holds, into a new logbook that says so; exit status 1 when not all")
    action.add_argument("file", metavar="FILE", help="the new logbook; must not stand yet")
    action = _action(actions, "verify", "walk the chain: is every entry as it was written; exit status 1 when not")
    action.add_argument("--head", metavar="NUMBER:HASH", action=_Once, help="noted earlier, or a backup: is all of it still here")
    action.add_argument("--recompute", action="store_true", help="compute results again from their source data as well")
    action.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")


def _drift_action(actions: Any) -> None:
    from ..logbook.series import CHARTED
    from ..statistics.rules import RULES

    action = _action(actions, "drift", "control charts and trend of a quantity, and what it forecasts")
    action.add_argument("quantity", metavar="QUANTITY", help=f"one of {', '.join(CHARTED)}")
    _filters(action)
    group = action.add_argument_group("limits")
    group.add_argument("--baseline", metavar="N", action=_Once, help="limits from the first N readings (20)")
    group.add_argument("--centre", metavar="VALUE", action=_Once, help='with --sd: limits stated, like "300 mW"')
    group.add_argument("--sd", metavar="VALUE", action=_Once, help="standard deviation of single readings")
    group.add_argument(
        "--rules",
        metavar="RULES",
        action=_Once,
        help=f"run rules, 'all' or names with commas ({', '.join(list(RULES)[1:])}); each costs false alarms",
    )
    group.add_argument("--weight", metavar="W", action=_Once, help="of the newest reading in the weighted mean (0.2)")
    group.add_argument("--limit", metavar="VALUE", action=_Once, help="forecast when the trend reaches it")
    group.add_argument("--confidence", metavar="P", action=_Once, help="of the forecast (0.95)")
    add_target(action, "--figure", "draw the charts", *FIGURES)
    action.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")


def run(args: argparse.Namespace) -> int:
    """Do the action."""
    return {
        "add": add_entry,
        "list": _list,
        "show": _show,
        "export": _export,
        "import": _import,
        "backup": _backup,
        "salvage": _salvage,
        "verify": _verify,
        "drift": _drift,
        "status": _status,
    }[args.action](args)


# ---------------------------------------------------------------- list, show


def _list(args: argparse.Namespace) -> int:
    from .logtext import entry_table

    last = whole("--last", args.last, 40)
    with open_log(args) as book:
        found = book.entries(
            kind=args.kind,
            machine=args.machine,
            lot=args.lot,
            beam=args.beam,
            since=_time(args, "since"),
            until=_time(args, "until"),
            corrected=args.corrected,
            last=None if args.all else last,
        )
        total = len(book)
    if args.json:
        print_json({"entries": [entry.to_dict() for entry in found], "total": total})
        return 0
    print(entry_table(found) if found else "no such entries")
    if not args.all and len(found) == last and total > last:
        print(f"the newest {last} of {total} entries; --all for all, --last N for more")
    return 0


def _time(args: argparse.Namespace, name: str) -> str | None:
    from datetime import UTC, datetime, timedelta

    from ..logbook.entries import check_time, moment

    text = getattr(args, name)
    if text is None:
        return None
    try:
        found = check_time(text, now=datetime(2500, 1, 1, tzinfo=UTC))
    except QuantityError as error:
        raise QuantityError(str(error).replace("time:", f"{flag(name)}:", 1)) from None
    if name == "until" and len(text.strip()) == 10:  # a day is meant whole
        found = moment(datetime.fromisoformat(found) + timedelta(days=1, microseconds=-1))
    return found


def _show(args: argparse.Namespace) -> int:
    with open_log(args) as book:
        entry = book.entry(whole("NUMBER", args.number))
        if args.save_sources is not None:
            _save_sources(book, entry, args.save_sources)
    if args.json:
        print_json(entry.to_dict())
        return 0
    from .logtext import entry_text

    print(entry_text(entry))
    return 0


def _save_sources(book: Logbook, entry: Any, folder: str) -> None:
    from pathlib import Path

    from ..files.disk import write_bytes

    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"--save-sources: {folder}: cannot be made ({error.strerror}). Name another folder.") from None
    for one in entry.attached:
        # the name comes from whoever wrote the entry: only plain characters of it, and never a path
        safe = "".join(c if c.isalnum() or c in "-_." else "_" for c in one.name).lstrip(".")[:100]
        path = target / (safe or "data")
        write_bytes(path, book.source(one.sha256))
        print(f"wrote {path}", file=sys.stderr)


# ---------------------------------------------------------------- files


def _export(args: argparse.Namespace) -> int:
    from ..files.disk import write_bytes
    from ..logbook.interchange import csv_text, json_text

    ending = os.path.splitext(args.save)[1].lower()
    with open_log(args) as book:
        found = book.entries(kind=args.kind, machine=args.machine, lot=args.lot, beam=args.beam, since=_time(args, "since"), corrected=True)
        found.sort(key=lambda entry: entry.number)
        # the mark at the beginning lets spreadsheets read the text as UTF-8
        text = "\ufeff" + csv_text(found) if ending == ".csv" else json_text(book, found)
    write_bytes(args.save, text, overwrite=args.overwrite)
    print(f"wrote {len(found)} entries to {args.save}")
    return 0


def _import(args: argparse.Namespace) -> int:
    from ..files.disk import read_bytes
    from ..logbook.interchange import import_text

    data = read_bytes(args.file, what="logbook export", largest=2_000_000_000)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileError(f"{args.file}: is not UTF-8 text. Export it again with: curecalc log export.") from None
    with open_log(args, create=True, write=True) as book:
        got = import_text(book, text, source=args.file)
    if args.json:
        print_json(got.to_dict())
        return 0
    print(f"{got.added} entries added, {got.standing} stood already")
    if got.without_data:
        print(f"the source data of {got.without_data} is not in the export: a .json export carries it")
    return 0


def _backup(args: argparse.Namespace) -> int:
    with open_log(args) as book:
        count = book.backup(args.file)
        number, head = book.head()
    print(f"wrote {count} entries to {args.file}; keep it on another disk\nhead: entry {number}, {head}")
    return 0


def _salvage(args: argparse.Namespace) -> int:
    from ..logbook.salvage import salvage

    found = salvage(args.log, args.file)
    print(f"{found.text()}\nwrote them to {args.file}; the damaged file stands as it was")
    return 0 if found.whole else 1


def _head(text: str | None) -> tuple[int, str] | None:
    """A head noted as NUMBER:HASH (eight or more of its letters), or that of a backup."""
    if text is None:
        return None
    number, colon, sha256 = text.partition(":")
    if colon and number.strip().isdigit() and len(sha256.strip()) >= 8 and not os.path.exists(text):
        return int(number), sha256.strip().lower()
    if os.path.exists(text):
        from ..logbook.book import Logbook

        with Logbook(text, write=False) as book:
            return book.head()
    raise QuantityError(f"--head: {clip(text)} is neither NUMBER:HASH (at least eight letters of it) nor a backup. See: log status")


def _verify(args: argparse.Namespace) -> int:
    from ..logbook.verifying import verify
    from .logtext import verification_text

    with open_log(args) as book:
        result = verify(book, again=args.recompute, head=_head(args.head))
    if args.json:
        print_json(result.to_dict())
    else:
        print(verification_text(result, again=args.recompute))
    return 0 if result.passed else 1


# ---------------------------------------------------------------- drift, status


def _drift(args: argparse.Namespace) -> int:
    from ..logbook.drifting import drift_report
    from ..logbook.series import CHARTED
    from ..statistics.rules import RULES
    from .logtext import drift_text

    kind = CHARTED[args.quantity][2] if args.quantity in CHARTED else "number"
    if (args.centre is None) != (args.sd is None):
        raise QuantityError("--centre and --sd belong together: give both, or neither and let the first readings set them.")
    rules = ["limit"] if args.rules is None else list(RULES) if args.rules == "all" else [r.strip() for r in args.rules.split(",")]
    with open_log(args) as book:
        report = drift_report(
            book,
            args.quantity,
            machine=args.machine,
            lot=args.lot,
            beam=args.beam,
            since=_time(args, "since"),
            baseline_points=whole("--baseline", args.baseline, least=2),
            centre=_plain(args.centre, "--centre", kind),
            sd=_plain(args.sd, "--sd", kind, difference=True),
            rules=rules,
            weight=_number("--weight", args.weight, 0.2),
            limit=_plain(args.limit, "--limit", kind),
            confidence=_number("--confidence", args.confidence, 0.95),
        )
    if args.figure is not None:
        from ..figures.drift import drift_figure

        write_figure(drift_figure(report), args)
    if args.json:
        print_json(report.to_dict())
    else:
        print(drift_text(report))
    return 0


def _plain(text: str | None, option: str, kind: str, *, difference: bool = False) -> float | None:
    from .. import units

    if text is None:
        return None
    value = units.parse(option, text, kind)
    if difference and kind == "temperature":  # a standard deviation in degC is one in kelvin
        return float(value.m)
    return float(value.m_as(units.KINDS[kind].shown))


def _number(option: str, text: str | None, default: float) -> float:
    from .. import units

    return default if text is None else float(units.parse(option, text, "number").m_as(""))


def _status(args: argparse.Namespace) -> int:
    from ..logbook.status import schema_text, shop_status
    from .logtext import status_text

    if args.schema:
        print(schema_text(), end="")
        return 0
    if args.log is None:
        raise QuantityError("--log is missing: give the logbook, a file like shop.db, or postgresql://... or service=NAME.")
    with open_log(args) as book:
        state = shop_status(book)
    if args.json:
        print_json(state.to_dict())
    else:
        print(status_text(state))
    return state.exit_status
