"""The text of documents, read back before it is handed out, and commented files to start from."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from ..errors import FileError
from ..units import KELVIN, KINDS, Measured, Quantity
from .schema import Field, Schema

__all__ = ["document_text", "starting_text"]


def document_text(schema: Schema, values: Mapping[str, Any], *, comment: str = "") -> str:
    """The text of a document, checked by reading it back."""
    import tomli_w

    from .documents import parse_document

    body = tomli_w.dumps({"schema": schema.version} | _table(schema.table(), values), multiline_strings=False)
    head = "".join(f"# {line}".rstrip() + "\n" for line in comment.splitlines())
    parse_document(head + body, schema, source=f"the {schema.name} to be written")
    return head + body


def _table(spec: Field, values: Mapping[str, Any]) -> dict[str, Any]:
    unknown = [key for key in values if key not in spec.fields]
    if unknown:
        raise FileError(f"{unknown[0]} is not a key of this document; known keys: {', '.join(spec.fields)}.")
    return {key: _plain(spec.fields[key], value) for key, value in values.items() if value is not None}


def _plain(field: Field, value: Any) -> Any:
    if field.kind == "table":
        return _table(field, value)
    if field.kind == "tables":
        return [_table(field, one) for one in value]
    if field.kind == "list":
        assert field.item is not None
        return [_plain(field.item, one) for one in value]
    if isinstance(value, Measured | Quantity):
        return _quantity_text(field, value)
    if field.kind in ("number", "fraction") and not isinstance(value, str):
        return float(value)
    if isinstance(value, datetime.datetime):
        return value.date()
    return value


def _quantity_text(field: Field, value: Measured | Quantity) -> str | float:
    quantity = value.value if isinstance(value, Measured) else value
    spread = value.standard_uncertainty if isinstance(value, Measured) else None
    kind = KINDS[field.kind]
    spelled = {unit: text for text, unit in reversed(list(kind.spellings.items()))}
    unit = quantity.units if quantity.units in spelled else kind.shown
    number = float(quantity.m_as(unit))
    if spread is None or float(spread.m) == 0.0:
        return number if not spelled[unit] else f"{number!r} {spelled[unit]}"
    u = float(spread.m_as(KELVIN if field.kind == "temperature" else unit))
    return f"{number!r} {spelled[unit]} +- {u!r} {spelled[unit]}".replace("  ", " ").strip()


# ---------------------------------------------------------------- starting files


def starting_text(schema: Schema, *, values: Mapping[str, str] | None = None) -> str:
    """A commented document to start from: required keys with examples, the others behind a `#`.

    `values` replaces examples by key (or dotted key), written as TOML: `{"power": '"280 mW"'}`. Such a key, and one
    whose field says what to `start` with, stands without `#`. The text is a valid document as it is.

    >>> print(starting_text(Schema("machine", {"power": Field("power", required=True, help="At the resin surface.")})))
    schema = 1
    <BLANKLINE>
    # At the resin surface.
    power = "300 mW"
    <BLANKLINE>
    """
    lines = [f"# {line}".rstrip() for line in schema.help.splitlines()]
    lines += [f"schema = {schema.version}", ""]
    lines += _starting(schema.table(), "", dict(values or {}), live=True)
    return "\n".join(lines).rstrip() + "\n"


_NESTED = ("table", "tables")


def _starting(spec: Field, prefix: str, values: dict[str, str], *, live: bool) -> list[str]:
    others = {name for group in spec.exactly_one for name in _rest(group, prefix, values)}
    firsts = {name for group in spec.exactly_one for name in group} - others
    lines: list[str] = []
    ordered = sorted(spec.fields.items(), key=lambda pair: pair[1].kind in _NESTED)  # keys before tables, as TOML asks
    for key, field in ordered:
        path = f"{prefix}{key}"
        given = values.get(path) or field.live()
        wanted = any(name.startswith(f"{path}.") for name in values) or any(inner.start for inner in field.fields.values())
        on = live and (field.required or key in firsts or given is not None or wanted) and key not in others
        lines += [f"# {line}".rstrip() for line in field.help.splitlines()]
        mark = "" if on else "# "
        if field.kind in _NESTED:
            lines.append(f"{mark}[[{path}]]" if field.kind == "tables" else f"{mark}[{path}]")
            lines += _starting(field, f"{path}.", values, live=on)
        else:
            lines += [f"{mark}{key} = {given if given is not None else field.sample()}", ""]
    return lines


def _rest(group: tuple[str, ...], prefix: str, values: dict[str, str]) -> list[str]:
    given = [name for name in group if f"{prefix}{name}" in values]
    keep = given[0] if given else group[0]
    return [name for name in group if name != keep]
