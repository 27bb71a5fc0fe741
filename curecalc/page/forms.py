"""A form made from the declaration of a document, and the document made from a form's texts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import FileError
from ..files.schema import Field, Schema
from ..symbols import clip

__all__ = ["Row", "document_of", "rows_of", "texts_of"]

_BARE = ("boolean", "whole", "date", "number")


@dataclass(frozen=True)
class Row:
    """A key of the document as a field of the form, or a table with rows of its own."""

    name: str
    label: str
    spec: Field
    text: str = ""
    rows: tuple[Row, ...] = ()
    open: bool = True

    @property
    def kind(self) -> str:
        """Which control shows it."""
        return self.spec.kind if self.spec.kind in ("choice", "boolean", "table", "tables") else "text"

    @property
    def example(self) -> str:
        """An example without quotes."""
        return self.spec.sample().strip('"')

    @property
    def filled(self) -> bool:
        """Whether the file holds it or must."""
        return bool(self.text) or self.spec.required


def rows_of(schema: Schema, tree: Mapping[str, Any]) -> tuple[Row, ...]:
    """The rows of a document whose TOML was read as `tree`."""
    return _rows(schema.fields, tree, "")


def _rows(fields: Mapping[str, Field], tree: Mapping[str, Any], before: str) -> tuple[Row, ...]:
    made = []
    for key, spec in sorted(fields.items(), key=lambda field: field[1].kind == "tables"):  # lists of tables stand last, as in the file
        name, value = f"{before}{key}", tree.get(key)
        label = key.replace("_", " ")
        label = label[0].upper() + label[1:]
        if spec.kind == "table":
            made.append(Row(name, label, spec, rows=_rows(spec.fields, value or {}, f"{name}.")))
        elif spec.kind == "tables":
            items = [*(value or []), {}]
            inner = tuple(
                Row(
                    f"{name}.{i}",
                    str(one.get("kind", "")) or (f"{label} {i + 1}" if one else "One more"),
                    spec,
                    rows=_rows(spec.fields, one, f"{name}.{i}."),
                    open=bool(one),
                )
                for i, one in enumerate(items)
            )
            made.append(Row(name, label, spec, rows=inner))
        else:
            made.append(Row(name, label, spec, _text(value)))
    return tuple(made)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):  # a quantity with its uncertainty in a table of its own
        return f"{value.get('value', '')} +- {value.get('standard_uncertainty', '')}"
    return str(value)


def texts_of(tree: Mapping[str, Any], before: str = "") -> dict[str, str]:
    """The texts of a form that holds what a read TOML `tree` holds."""
    made: dict[str, str] = {}
    for key, value in tree.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping) and "value" not in value:
            made |= texts_of(value, f"{name}.")
        elif isinstance(value, list):
            for i, one in enumerate(value):
                made |= texts_of(one, f"{name}.{i}.")
        else:
            made[name] = _text(value)
    return made


def document_of(schema: Schema, texts: Mapping[str, str]) -> str:
    """The TOML text of a form; empty fields are left out, and so is a table whose `remove` box is ticked or whose `kind` is empty.

    Raises
    ------
    FileError
        A text that cannot stand in such a document.
    """
    lines = ["# Written on the page.", f"schema = {schema.version}"]
    plain = {key: spec for key, spec in schema.fields.items() if spec.kind not in ("table", "tables")}
    lines += _lines(plain, texts, "")
    for key, spec in schema.fields.items():
        if spec.kind == "table" and (inner := _lines(spec.fields, texts, f"{key}.")):
            lines += ["", f"[{key}]", *inner]
        if spec.kind == "tables":
            places = sorted({int(m[1]) for name in texts if (m := re.match(rf"{key}\.(\d{{1,3}})\.", name))})
            for i in places:
                inner = _lines(spec.fields, texts, f"{key}.{i}.")
                named = "kind" not in spec.fields or texts.get(f"{key}.{i}.kind", "").strip()
                if inner and named and not texts.get(f"{key}.{i}.remove"):
                    lines += ["", f"[[{key}]]", *inner]
    return "\n".join(lines) + "\n"


def _lines(fields: Mapping[str, Field], texts: Mapping[str, str], before: str) -> list[str]:
    made = []
    for key, spec in fields.items():
        text = texts.get(f"{before}{key}", "").strip()
        if text:
            made.append(f"{key} = {_value(spec, text)}")
    return made


def _value(spec: Field, text: str) -> str:
    if any(ord(c) < 32 for c in text):
        raise FileError(f"{clip(text)} holds a line break or a control character. Write it on one line.")
    if spec.kind == "boolean":
        return "true" if text == "yes" else "false"
    if spec.kind in _BARE and re.fullmatch(r"[-+0-9.eE:]+", text):
        return text
    quoted = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{quoted}"'
