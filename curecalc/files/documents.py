"""Strict documents in TOML: what people write about a machine, a resin, a beam, their needs.

A document is declared by a `Schema` and read whole or not at all. Quantities are text with a unit, `"300 mW"` or
`"300 mW +- 6 mW"`, or a table `{ value = "300 mW", standard_uncertainty = "6 mW" }`. Every complaint is one line,
`path:line: key: what was read, the rule, a way out`.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from ..errors import FileError
from .places import KeyPath, key_lines
from .reading import Reader
from .schema import Field, Schema
from .writing import document_text, starting_text

__all__ = ["Document", "Field", "Schema", "document_text", "parse_document", "starting_text"]


@dataclass(frozen=True)
class Document:
    """A document read from a file: its values as quantities, and where each stood.

    `values` holds every key of the schema; a key that was not written is None.
    `sha256` is of the bytes of the file.
    """

    path: str
    schema: Schema
    values: dict[str, Any]
    sha256: str
    text: str
    lines: dict[KeyPath, int] = field(default_factory=dict, repr=False)

    def __getitem__(self, key: str) -> Any:
        return self.values[key]

    def error(self, key: str | Sequence[str | int], message: str) -> FileError:
        """The error to raise for a key (or a path of keys), naming file and line."""
        path = (key,) if isinstance(key, str) else tuple(key)
        return FileError(complaint(self.path, self.lines, path, message))


def complaint(source: str, lines: dict[KeyPath, int], path: KeyPath, message: str) -> str:
    """`source:line: key: message`, with the line of the nearest key that has one."""
    line = _line_of(lines, path)
    where = source if line == math.inf else f"{source}:{line}"
    return f"{where}: {key_name(path)}: {message}" if path else f"{where}: {message}"


def key_name(path: Sequence[str | int]) -> str:
    """A path of keys as people count: `needs[2].kind`, the first item being 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def parse_document(data: bytes | str, schema: Schema, *, source: str) -> Document:
    """The document in bytes or text, checked against `schema`; `source` is the name used in complaints.

    Raises
    ------
    FileError
        Not UTF-8 text, not TOML, another schema version, an unknown or missing key, a value of the wrong kind or outside its
        bounds. One line; nothing is read in part.

    >>> schema = Schema("note", {"power": Field("power", required=True, uncertain=True)})
    >>> document = parse_document('schema = 1\\npower = "300 mW +- 2 %"', schema, source="note.toml")
    >>> document["power"].standard_uncertainty.m_as("mW")
    6.0
    """
    raw = data.encode() if isinstance(data, str) else data
    text = _decode(raw, source, schema)
    if not text.strip():
        raise FileError(f"{source}: is empty. A {schema.name} file begins with: schema = {schema.version}")
    try:
        tree = tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise FileError(_syntax(source, text, str(error))) from None
    except RecursionError:
        raise FileError(f"{source}: is nested too deeply. Write plain keys and values.") from None
    lines = key_lines(text.replace("\r\n", "\n"))
    _check_version(source, lines, tree, schema)
    tree.pop("schema")
    reader = Reader(schema.name)
    values = reader.table((), tree, schema.table())
    if reader.problems:
        (path, message), *others = sorted(reader.problems, key=lambda problem: _line_of(lines, problem[0]))
        tail = f" ({len(others)} more problem{'s' * bool(others[1:])} in this file.)" if others else ""
        raise FileError(complaint(source, lines, path, message + tail))
    return Document(source, schema, values, hashlib.sha256(raw).hexdigest(), text, lines)


def _line_of(lines: dict[KeyPath, int], path: KeyPath) -> float:
    """Where the nearest key stands that has a line."""
    nearest = (lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in lines)
    return next(nearest, math.inf)


def _decode(raw: bytes, source: str, schema: Schema) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileError(f"{source}: is saved as UTF-16. Save it again as plain text in UTF-8.")
    if raw.startswith(b"PK\x03\x04"):
        raise FileError(f"{source}: is a zip or office document. A {schema.name} file is plain text (TOML).")
    if b"\x00" in raw:
        raise FileError(f"{source}: is a binary file. A {schema.name} file is plain text (TOML).")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].split(b"\n")
        where = f"{source}:{len(before)}:{len(before[-1]) + 1}"
        wrong = f"byte 0x{raw[error.start]:02x} is not UTF-8 text"
        raise FileError(f"{where}: {wrong}. Save the file again as plain text in UTF-8.") from None


def _syntax(source: str, text: str, message: str) -> str:
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    if found is None:
        return f"{source}: cannot be read as TOML: {message}. Write one key = value a line, text in quotes."
    problem = message[: found.start()]
    if found.group(1):
        line, column = int(found.group(1)), int(found.group(2))
        row = (text.split("\n") + [""] * line)[line - 1].strip()
    else:
        rows = text.rstrip().split("\n")
        line, column, row = len(rows), len(rows[-1]) + 1, rows[-1].strip()
    way = "Write one key = value a line, text in quotes."
    if re.match(r"[A-Za-z0-9_.-]+\s*=\s*[+-]?[0-9.,eE+-]+\s*[A-Za-zµ%°/]", row):
        key, value = (part.strip() for part in row.split("=", 1))
        way = f'A value with a unit goes in quotes: {key} = "{value.split("#")[0].strip()}"'
    elif "overwrite" in problem or "twice" in problem:
        problem, way = "this key stands twice", "Keep one of the two."
    shown = "".join(c if c.isprintable() else "?" for c in row[:60])
    return f"{source}:{line}:{column}: cannot be read as TOML ({problem[0].lower()}{problem[1:]}) in {shown!r}. {way}"


def _check_version(source: str, lines: dict[KeyPath, int], tree: dict[str, Any], schema: Schema) -> None:
    if "schema" not in tree:
        raise FileError(f"{source}: schema: is missing. Write schema = {schema.version} on the first line of a {schema.name} file.")
    version = tree["schema"]
    if type(version) is not int:
        message = f"must be the whole number {schema.version}, got {version!r}. Write schema = {schema.version}"
        raise FileError(complaint(source, lines, ("schema",), message))
    if version > schema.version:
        way = "Update curecalc, or write the file anew."
    elif version < schema.version:
        way = "Write the file anew."
    else:
        return
    message = f"is {version}, but this version of curecalc reads {schema.name} files of schema {schema.version}. {way}"
    raise FileError(complaint(source, lines, ("schema",), message))
