"""Records of files, each field declared once: a frozen dataclass whose annotations say how a field stands in its file.

    power: Annotated[Measured, Key("power", table="laser", uncertain=True, help="As read last.")]

From that one line a `RecordFile` reads, checks, writes and templates the field, and `documented` describes it. A field
without a default must stand in the file; where one is missing, the record's default counts.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, dataclass, field, replace
from functools import cached_property
from itertools import groupby, zip_longest
from pathlib import Path
from typing import Any, Generic, Self, TypeVar, get_args, get_type_hints

from ..units import Quantity, Shown
from .disk import read_bytes, write_bytes
from .documents import Document, document_text, parse_document, starting_text
from .places import KeyPath
from .schema import Field, Schema

__all__ = ["Key", "Origin", "R", "RecordFile", "documented", "keys_of"]


@dataclass(frozen=True)
class Key(Field):
    """How a field of a record stands in its file: all that a `Field` says, and more.

    Parameters
    ----------
    table : str
        The table it stands in; none at the top of the file.
    of : type, optional
        The record of each entry, for `tables`: a dataclass with keys of its own.
    also : mapping of str to (str, callable)
        Other keys that may state the same value instead: their help, and what turns their value into this one.
    """

    table: str = ""
    of: type[Any] | None = None
    also: Mapping[str, tuple[str, Callable[[Quantity], Quantity]]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Origin(Shown):
    """Where a record was read: file, hash, text, the line of each key. All empty for one made by hand."""

    path: str = ""
    sha256: str = ""
    text: str = ""
    lines: dict[KeyPath, int] = field(default_factory=dict, repr=False, compare=False)

    def rows(self) -> list[tuple[str, str]]:
        """What is shown, the file last."""
        return sorted(super().rows(), key=lambda row: row[0] in ("path", "sha256"))

    def problems(self) -> Iterator[tuple[str | KeyPath, str]]:
        """What disagrees between fields: the field (or a path of keys) and a sentence about it."""
        return iter(())

    def completed(self) -> Self:
        """The record with what follows from its fields."""
        return self


R = TypeVar("R", bound=Origin)
T = TypeVar("T")


_known: dict[type[Any], dict[str, tuple[Key, Any]]] = {}


def keys_of(record: type[Any]) -> dict[str, tuple[Key, Any]]:
    """Key and default of each field that stands in the file; `MISSING` for one that must."""
    if record not in _known:
        hints = get_type_hints(record, include_extras=True)
        found = ((one, key) for one in dataclasses.fields(record) for key in get_args(hints[one.name]) if isinstance(key, Key))
        _known[record] = {one.name: (key, one.default) for one, key in found}
    return _known[record]


def _fields(record: type[Any], tables: Mapping[str, str]) -> tuple[dict[str, Field], tuple[tuple[str, ...], ...]]:
    """The fields of a record's file, and the groups of which exactly one must stand (a record names its own in `EXACTLY_ONE`)."""
    placed: dict[str, dict[str, Field]] = {}
    groups: dict[str, list[tuple[str, ...]]] = {"": list(getattr(record, "EXACTLY_ONE", ()))}
    for _, run in groupby(keys_of(record).items(), key=lambda item: bool(item[1][0].also)):
        forms = []
        for name, (key, default) in run:
            inner = _fields(key.of, {}) if key.of else ({}, ())
            required = key.required or (default is MISSING and not key.also)
            whole = replace(key, required=required, fields=inner[0], exactly_one=inner[1], also={})
            forms.append([(name, whole), *((n, replace(whole, help=said)) for n, (said, _) in key.also.items())])
            if key.also:
                groups.setdefault(key.table, []).append((name, *key.also))
        # a run of values with several forms stands form by form: both radii, both diameters
        for name, whole in (pair for same in zip_longest(*forms) for pair in same if pair):
            placed.setdefault(whole.table, {})[name] = whole
    must = {key.table for key, default in keys_of(record).values() if default is MISSING}
    fields = placed.pop("", {})
    for table, inside in placed.items():
        fields[table] = Field(
            "table", required=table in must, help=tables.get(table, ""), fields=inside, exactly_one=tuple(groups.get(table, ()))
        )
    return fields, tuple(groups[""])


def _made(record: type[T], values: Mapping[str, Any], origin: Mapping[str, Any]) -> T:
    """The record of the values of a document or a table; a missing key leaves the record's default."""
    given: dict[str, Any] = dict(origin)
    for name, (key, _) in keys_of(record).items():
        table = (values.get(key.table) or {}) if key.table else values
        value = table.get(name)
        if value is None:
            value = next((turn(table[other]) for other, (_, turn) in key.also.items() if table.get(other) is not None), None)
        if value is not None:
            of = key.of
            given[name] = tuple(value if of is None else (_made(of, one, {}) for one in value)) if isinstance(value, list) else value
    return record(**given)


def _written(record: object) -> dict[str, Any]:
    """The values of a record as they stand in its file; what is empty or the default is left out, but not a no."""
    values: dict[str, Any] = {}
    for name, (key, default) in keys_of(type(record)).items():
        value = getattr(record, name)
        if value is None or (default is not MISSING and value is not False and value == default):
            continue
        table = values.setdefault(key.table, {}) if key.table else values
        table[name] = [_written(one) if key.of else one for one in value] if isinstance(value, tuple) else value
    return values


@dataclass(frozen=True)
class RecordFile(Generic[R]):
    """The file of a record.

    `name` is what people call such a file, `help` stands at the top of a starting file, `tables` above its tables.
    """

    record: type[R]
    name: str
    help: str = ""
    tables: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def schema(self) -> Schema:
        """The schema of the file."""
        fields, groups = _fields(self.record, self.tables)
        return Schema(self.name, fields, help=self.help, exactly_one=groups)

    def read(self, path: str | Path) -> R:
        """The record in the file at `path`.

        Raises
        ------
        FileError
            One line that names file, line and key: unreadable, unknown or missing key, values that disagree.
        """
        return self.parse(read_bytes(path, what=self.name), source=str(path))

    def parse(self, data: bytes | str, *, source: str) -> R:
        """Like `read`, from bytes or text; `source` is the name used in complaints."""
        document = parse_document(data, self.schema, source=source)
        origin = {"path": document.path, "sha256": document.sha256, "text": document.text, "lines": document.lines}
        record = _made(self.record, document.values, origin)
        for where, message in record.problems():
            raise document.error(self._place(document, where), message)
        return record.completed()

    def _place(self, document: Document, where: str | KeyPath) -> KeyPath:
        """Where a field stands: its table, and the form it was given in."""
        if not isinstance(where, str):
            return where
        key, _ = keys_of(self.record)[where]
        given = (document[key.table] or {}) if key.table else document.values
        name = next((form for form in (where, *key.also) if given.get(form) is not None), where)
        return (key.table, name) if key.table else (name,)

    def text(self, record: R, *, comment: str = "") -> str:
        """The text of the record's file, read back before it is handed out."""
        text = document_text(self.schema, _written(record), comment=comment)
        self.parse(text, source=f"the {self.name} to be written")
        return text

    def write(self, path: str | Path, record: R, *, comment: str = "", overwrite: bool = False) -> None:
        """Write the record's file, whole or not at all; one that stands is kept unless `overwrite`."""
        write_bytes(path, self.text(record, comment=comment), overwrite=overwrite)

    def start(self, values: Mapping[str, str] | None = None) -> str:
        """A commented file to start from (`starting_text`)."""
        return starting_text(self.schema, values=values)


def documented(record: type[T]) -> type[T]:
    """Class decorator: the docstring gains what the file says about each field."""
    lines = []
    for name, (key, _) in keys_of(record).items():
        place = f", in [{key.table}]" if key.table else ""
        lines.append(f"{name} : {key.kind}{' with uncertainty' if key.uncertain else ''}{place}")
        lines += [f"    {line}" for line in key.help.splitlines()]
    record.__doc__ = "\n".join([record.__doc__ or "", "", "Attributes", "----------", *lines])
    return record
