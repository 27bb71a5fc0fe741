"""Turning the plain values of a TOML document into quantities, dates and tables, collecting every complaint."""

from __future__ import annotations

import datetime
import difflib
import math
from typing import Any

from ..errors import QuantityError
from ..units import KINDS, ONE, Measured, Quantity, parse, parse_measured, show
from ..units.kinds import clip
from .places import KeyPath
from .schema import Field

__all__ = ["Reader"]

_LONGEST_TEXT = 100_000


class _Refused(Exception):
    """A value that cannot be used, with the reason and the way out."""


class Reader:
    """Reads values against fields; `problems` holds (path, message) for all that could not be used."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.problems: list[tuple[KeyPath, str]] = []

    def table(self, path: KeyPath, given: Any, spec: Field) -> dict[str, Any]:
        """All keys of a table, None where a key is missing."""
        if not isinstance(given, dict):
            self.problems.append((path, f"must be a table of keys, got {_brief(given)}."))
            return {}
        meant = set()  # known keys that unknown ones stand for: naming those is enough, they are not missing too
        for key in given:
            if key not in spec.fields:
                self.problems.append(((*path, key), _unknown(key, list(spec.fields), bool(path), self.what)))
                meant.update(_nearest(key, list(spec.fields)))
        for group in spec.exactly_one:
            present = [name for name in group if name in given]
            if len(present) != 1 and not (not present and meant.intersection(group)):
                found = f"found {' and '.join(present)}" if present else "found none"
                where = (*path, present[-1]) if present else path
                rule = f"give exactly one of {', '.join(group)}; {found}."
                self.problems.append((where, rule if where else f"{rule[0].upper()}{rule[1:]}"))
        values: dict[str, Any] = {}
        for key, field in spec.fields.items():
            if key in given:
                values[key] = self.value((*path, key), given[key], field)
            elif key in meant:
                values[key] = None
            elif field.required:
                self.problems.append(((*path, key), f"is missing. {_way(key, field)}"))
            else:
                values[key] = None
        return values

    def value(self, path: KeyPath, given: Any, field: Field) -> Any:
        """One value by its field; None after a complaint."""
        if field.kind == "table":
            return self.table(path, given, field)
        if field.kind == "tables":
            return self._tables(path, given, field)
        if field.kind == "list":
            return self._list(path, given, field)
        try:
            *_, key = _names(path)
            return _scalar(key, given, field)
        except _Refused as refused:
            self.problems.append((path, str(refused)))
        return None

    def _tables(self, path: KeyPath, given: Any, field: Field) -> list[dict[str, Any]]:
        if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
            way = f"Begin each with a line [[{'.'.join(_names(path))}]]"
            self.problems.append((path, f"must be a list of tables, got {_brief(given)}. {way}"))
            return []
        self._enough(path, given, field)
        return [self.table((*path, index), one, field) for index, one in enumerate(given)]

    def _list(self, path: KeyPath, given: Any, field: Field) -> list[Any]:
        assert field.item is not None
        if not isinstance(given, list):
            self.problems.append((path, f"must be a list, got {_brief(given)}. Write, for example: {field.sample()}"))
            return []
        self._enough(path, given, field)
        return [self.value((*path, index), one, field.item) for index, one in enumerate(given)]

    def _enough(self, path: KeyPath, given: Any, field: Field) -> None:
        if len(given) < field.minimum:
            self.problems.append((path, f"needs at least {field.minimum}, got {len(given)}."))


def _names(path: KeyPath) -> list[str]:
    """The keys of a path, without the places in lists."""
    return [part for part in path if isinstance(part, str)]


def _way(key: str, field: Field) -> str:
    """What to write where a key is missing."""
    tables = {"table": f"Write its keys below a line [{key}]", "tables": f"Begin each with a line [[{key}]]"}
    return tables.get(field.kind, f"Add, for example: {key} = {field.sample()}")


def _nearest(key: str, known: list[str]) -> list[str]:
    return difflib.get_close_matches(key.lower().replace("-", "_").replace(" ", "_"), known, n=1, cutoff=0.5)


def _unknown(key: str, known: list[str], inside: bool, what: str) -> str:
    near = _nearest(key, known)
    place = "here" if inside else f"in a {what} file"
    if near:
        return f"is not a known key {place}. The nearest known key is {near[0]}."
    return f"is not a known key {place}. Known keys: {', '.join(known)}."


def _scalar(key: str, given: Any, field: Field) -> Any:
    kind = field.kind
    if field.quantity:
        return _quantity(key, given, field)
    if kind == "text" or kind == "choice":
        return _text(key, given, field)
    if kind == "date":
        return _date(key, given)
    if kind == "boolean":
        if not isinstance(given, bool):
            raise _Refused(f"must be true or false (without quotes), got {_brief(given)}.")
        return given
    if kind == "whole":
        if type(given) is not int or given < field.minimum:
            raise _Refused(f"must be a whole number of at least {field.minimum}, got {_brief(given)}.")
        return given
    return given


def _quantity(key: str, given: Any, field: Field) -> Any:
    plain = field.kind in ("number", "fraction")
    example = field.sample()
    if isinstance(given, dict):
        given = _with_uncertainty(given, field)
    if plain and type(given) in (int, float):
        given = repr(given)
    if not isinstance(given, str):
        if type(given) in (int, float):
            raise _Refused(f"has no unit: got {given}. Write it as text with its unit, like {key} = {example}")
        raise _Refused(f"must be text with a number and a unit, got {_brief(given)}. Write, for example: {key} = {example}")
    try:
        value = parse_measured(key, given, field.kind) if field.uncertain else parse(key, given, field.kind)
    except QuantityError as error:
        message = str(error)
        if not field.uncertain and any(mark in given for mark in ("+-", "+/-", "±")):
            message = f"takes a value without an uncertainty, got {given!r}. Write, for example: {key} = {example}"
        raise _Refused(message.removeprefix(f"{key}: ").removeprefix(f"{key} ")) from None
    _check(value.value if isinstance(value, Measured) else value, field)
    if plain and not field.uncertain:
        assert isinstance(value, Quantity)
        return float(value.m_as(ONE))
    return value


def _with_uncertainty(given: dict[str, Any], field: Field) -> str:
    if not field.uncertain:
        raise _Refused(f"takes a value without an uncertainty. Write, for example: {field.sample()}")
    form = '{ value = "300 mW", standard_uncertainty = "6 mW" }'
    unknown = [name for name in given if name not in ("value", "standard_uncertainty")]
    if unknown:
        raise _Refused(f"has the unknown key {unknown[0]}. Write, like {form}")
    if "value" not in given:
        raise _Refused(f"has no value. Write, like {form}")
    parts = []
    for name in ("value", "standard_uncertainty"):
        part = given.get(name)
        if part is None:
            continue
        if type(part) in (int, float) and field.kind in ("number", "fraction"):
            part = repr(part)
        if not isinstance(part, str):
            raise _Refused(f"{name} has no unit: got {_brief(part)}. Write, like {form}")
        if any(mark in part for mark in ("+-", "+/-", "±")):
            raise _Refused(f"{name} must be one number with a unit, got {part!r}. Write, like {form}")
        parts.append(part)
    return " +- ".join(parts)


def _check(value: Quantity, field: Field) -> None:
    kind = KINDS[field.kind]
    number = float(value.m_as(kind.kernel))
    if not math.isfinite(number):
        raise _Refused(f"must be finite, got {value.m:g}.")
    if field.kind != "temperature":  # below absolute zero is refused where it is read
        if field.rule == "positive" and number <= 0:
            raise _Refused(f"must be above zero, got {show(value)}.")
        if field.rule == "nonnegative" and number < 0:
            raise _Refused(f"must not be below zero, got {show(value)}.")
    for bound, word, wrong in ((field.low, "at least", -1), (field.high, "at most", 1)):
        if bound is None:
            continue
        limit = float(parse("bound", bound, field.kind).m_as(kind.kernel)) if isinstance(bound, str) else float(bound)
        if (number - limit) * wrong > 0:
            raise _Refused(f"must be {word} {bound if isinstance(bound, str) else f'{bound:g}'}, got {show(value)}.")


def _text(key: str, given: Any, field: Field) -> str:
    if not isinstance(given, str):
        raise _Refused(f"must be text in quotes, got {_brief(given)}. Write, for example: {key} = {field.sample()}")
    if field.kind == "choice":
        if given not in field.choices:
            near = difflib.get_close_matches(given.lower(), field.choices, n=1)
            way = f"Did you mean {near[0]!r}?" if near else ""
            raise _Refused(f"must be one of {', '.join(map(repr, field.choices))}, got {_brief(given)}. {way}".rstrip())
        return given
    if field.required and not given.strip():
        raise _Refused(f"is empty. Write, for example: {key} = {field.sample()}")
    if len(given) > _LONGEST_TEXT:
        raise _Refused(f"is longer than {_LONGEST_TEXT} characters.")
    return given


def _date(key: str, given: Any) -> datetime.date:
    if isinstance(given, datetime.datetime):
        return given.date()
    if isinstance(given, datetime.date):
        return given
    if isinstance(given, str):
        try:
            return datetime.date.fromisoformat(given)
        except ValueError:
            pass
    raise _Refused(f"must be a date as year-month-day, got {_brief(given)}. Write, for example: {key} = 2026-01-31")


def _brief(given: Any) -> str:
    if isinstance(given, str):
        return f"the text {clip(given)}"
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, int | float):
        return f"the number {given}"
    if isinstance(given, dict):
        return "a table"
    if isinstance(given, list):
        return "a list"
    return str(given)
