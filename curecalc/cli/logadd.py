"""Adding entries to a logbook: from options, by typing when asked, or many at once from a script."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING, Any

from ..errors import QuantityError
from .common import flag, print_json
from .setting import whole

if TYPE_CHECKING:
    from ..logbook.book import Logbook

__all__ = ["RADII", "add_entry", "open_log", "option_of"]

RADII = ("beam_radius", "beam_diameter", "beam_fwhm")
# keys of entries that elsewhere are a file, or have another name: the options keep one name for one thing
_OPTIONS = {
    "machine": "--machine-name",
    "beam": "--beam-name",
    "resin": "--resin-name",
    "meter": "--power-meter",
    "text": "--note",
    "fastest_scan_speed": "--scan-speed-max",
    "slowest_scan_speed": "--scan-speed-min",
}


def option_of(key: str) -> str:
    """The option that holds a key of an entry."""
    return _OPTIONS.get(key, flag(key))


def open_log(args: argparse.Namespace, *, create: bool = False, write: bool = False) -> Logbook:
    """The logbook that `--log` names."""
    from ..logbook.book import Logbook

    return Logbook(args.log, create=create, write=write)


def _ask(args: argparse.Namespace) -> None:
    """Ask for every value and name given as `ask`: a command that can be pasted before the reading is made."""
    for name, text in vars(args).items():
        if text == "ask":
            print(f"{name.replace('_', ' ')}: ", end="", file=sys.stderr, flush=True)
            answer = sys.stdin.readline().strip()
            if not answer:
                raise QuantityError(f"{option_of(name)}: nothing was typed. Give the value, or type it when asked.")
            setattr(args, name, answer)


def add_entry(args: argparse.Namespace) -> int:
    """`log add`."""
    if args.kind == "lines":
        return _lines(args)
    _ask(args)
    payload = _values(args)
    _query(args, payload)
    sources = [_source(text, index) for index, text in enumerate(args.source)]
    corrects = whole("--corrects", args.corrects)
    from ..logbook.doubts import clock_doubts, power_doubts

    with open_log(args, create=corrects is None, write=True) as book:
        doubts = power_doubts(book, args.machine, payload["power"]) if args.kind == "power" and corrects is None else []
        doubts += clock_doubts(book, args.time)
        entry = book.add(
            args.kind,
            payload,
            machine=args.machine,
            lot=args.lot,
            beam=args.beam,
            operator=args.operator or "",
            time=args.time,
            corrects=corrects,
            sources=sources,
            identity=args.identity,
        )
    if args.json:
        print_json(entry.to_dict())
    else:
        from .logtext import one_line

        print(f"entry {entry.number} written: {one_line(entry)}\nhead: entry {entry.number}, {entry.sha256}")
    for doubt in doubts:
        print(f"Check: {doubt} If it is a slip: curecalc log add {args.kind} ... --corrects {entry.number}", file=sys.stderr)
    return 0


def _query(args: argparse.Namespace, payload: dict[str, Any]) -> None:
    """Ask once about a value that is hardly ever right."""
    from ..logbook.doubts import implausible

    if not args.sure and (odd := implausible(payload)):
        raise QuantityError(f"{odd} Check the number and its unit; if it is right, add --sure.")


_LINE_KEYS = ("machine", "lot", "beam", "time", "operator", "corrects", "identity")


def _lines(args: argparse.Namespace) -> int:
    """Entries from stdin, in one transaction."""
    import json

    from ..logbook.entries import ENTRY_KINDS

    added = []
    with open_log(args, create=True, write=True) as book, book.together():
        for place, line in enumerate(sys.stdin, 1):
            if not line.strip():
                continue
            try:
                given = json.loads(line)
                kind = given.pop("kind")
                fields = ENTRY_KINDS[kind].fields
            except (ValueError, KeyError, AttributeError, TypeError):
                way = '{"kind": "power", "machine": "north", "power": "238 mW +- 2 %"}'
                raise QuantityError(f"stdin line {place}: is no entry. Write one JSON object a line, like {way}.") from None
            words: dict[str, Any] = dict.fromkeys([*_LINE_KEYS, *fields, *RADII])
            for key in given:
                if key not in words:
                    raise QuantityError(
                        f"stdin line {place}: {key!r} is no key of a {kind} entry; it knows {', '.join([*_LINE_KEYS, *fields])}."
                    )
            words |= given
            one = argparse.Namespace(
                kind=kind, sure=args.sure, **{k: v if v is None or k == "corrects" else str(v) for k, v in words.items()}
            )
            try:
                payload = _values(one)
                _query(one, payload)
                names = {name: getattr(one, name) for name in ("machine", "lot", "beam", "time", "corrects", "identity")}
                added.append(book.add(kind, payload, operator=one.operator or "", **names))
            except QuantityError as error:
                raise QuantityError(f"stdin line {place}: {error} Nothing was written.") from None
    if args.json:
        print_json({"entries": [entry.to_dict() for entry in added]})
    else:
        head = f"\nhead: entry {added[-1].number}, {added[-1].sha256}" if added else ""
        print(f"{len(added)} entries written{head}")
    return 0


def _values(args: argparse.Namespace) -> dict[str, Any]:
    from .. import units
    from ..formulas.beam import radius_of
    from ..logbook.entries import ENTRY_KINDS

    payload: dict[str, Any] = {}
    for name, spec in ENTRY_KINDS[args.kind].fields.items():
        text = getattr(args, name)
        if name == "beam_radius":
            given = [one for one in RADII if getattr(args, one) is not None]
            if len(given) > 1 or (spec.required and not given):
                found = " and ".join(map(flag, given)) or "none"
                raise QuantityError(f"give exactly one of {', '.join(map(flag, RADII))}; found {found}.")
            for one in given:
                payload[name] = radius_of(one, units.parse_measured(flag(one), getattr(args, one), "length"))
            continue
        if spec.kind == "boolean" and isinstance(text, str):
            text = text == "True"
        if text is None:
            if spec.required:
                raise QuantityError(f"{option_of(name)} is missing: a {args.kind} entry must hold it, for example {spec.sample()}.")
            continue
        if spec.quantity:
            value: Any = (units.parse_measured if spec.uncertain else units.parse)(option_of(name), text, spec.kind)
            payload[name] = float(value.m_as("")) if spec.kind in ("number", "fraction") and not spec.uncertain else value
        elif spec.kind == "whole":
            payload[name] = whole(option_of(name), text, least=spec.minimum)
        else:
            payload[name] = text
    return payload


def _source(text: str, index: int) -> Any:
    from ..logbook.book import Source

    role, equals, path = text.partition("=")
    if not equals or os.path.exists(text):
        role, path = ("data" if index == 0 else f"data{index + 1}"), text
    return Source.read(path, role)
