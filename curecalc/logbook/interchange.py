"""Logbook entries out to CSV and JSON, and back in.

JSON carries everything, source data in base64 among it. CSV is for spreadsheets: one row an entry, the stored fields
first, then each value of the payload in a column of its own with its unit in the header. A spreadsheet takes a cell that
begins with one of = + - @ (or tab, or carriage return) for a formula, and text from a logbook must never become one: such a
cell gets an apostrophe in front, and a cell that begins with an apostrophe gets another. Reading takes exactly one
apostrophe away, so every text comes back as it was.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import csv
import hashlib
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ..errors import FileError
from ..units.kinds import clip
from .book import LARGEST_PAYLOAD, Logbook
from .entries import ENTRY_KINDS, GENESIS, Entry, brief
from .rows import Row

__all__ = ["Imported", "csv_text", "import_text", "json_text", "neutral", "restored"]

FORMAT = "curecalc logbook"
*_BEFORE, _PREVIOUS, _OWN = Row._fields
_STORED = (*_BEFORE, "sources", _PREVIOUS, _OWN)
_RISKY = ("=", "+", "-", "@", "\t", "\r", "'")


def neutral(text: str) -> str:
    """Text as a cell that no spreadsheet takes for a formula.

    >>> neutral("=1+1"), neutral("'quoted"), neutral("plain")
    ("'=1+1", "''quoted", 'plain')
    """
    return f"'{text}" if text.startswith(_RISKY) else text


def restored(cell: str) -> str:
    """The text that `neutral` was given."""
    return cell[1:] if cell.startswith("'") else cell


def csv_text(entries: Iterable[Entry]) -> str:
    """Entries as CSV (comma, quotes, CRLF), safe to open in a spreadsheet, readable again by `import_text`."""
    rows = [(entry, _flat(entry.payload)) for entry in entries]
    extra = sorted({name for _, flat in rows for name in flat})
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*_STORED, *(neutral(name) for name in extra)])
    for entry, flat in rows:
        own = [cell if isinstance(cell := flat.get(name, ""), _Number) else neutral(cell) for name in extra]
        writer.writerow([*map(neutral, _stored(entry)), *own])
    return out.getvalue()


def _stored(entry: Entry) -> list[str]:
    attached = [[one.role, one.name, one.sha256, one.size] for one in entry.attached]
    cells = vars(entry) | {"payload": entry.payload_text, "sources": json.dumps(attached)}
    return ["" if cells[name] is None else str(cells[name]) for name in _STORED]


def _flat(payload: dict[str, Any]) -> dict[str, str]:
    cells: dict[str, str] = {}
    for name, value in payload.items():
        if isinstance(value, dict) and "unit" in value and "value" in value:
            unit = f" [{value['unit']}]" if value["unit"] else ""
            cells[f"{name}{unit}"] = _cell(value["value"])
            if value.get("standard_uncertainty") is not None:
                cells[f"{name} standard uncertainty{unit}"] = _cell(value["standard_uncertainty"])
        elif not isinstance(value, dict | list):
            cells[name] = _cell(value)
    return {_cell(name): cell for name, cell in cells.items() if name not in _STORED}


class _Number(str):
    """A cell that is a number: no spreadsheet takes it for a formula, and it stays a number."""


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode()
    return str(value) if isinstance(value, bool) else _Number(repr(value) if isinstance(value, float) else str(value))


def json_text(logbook: Logbook, entries: Iterable[Entry]) -> str:
    """Entries as one JSON object with their source data in base64."""
    listed = list(entries)
    kept: dict[str, str] = {}
    for sha256 in sorted({one.sha256 for entry in listed for one in entry.attached}):
        with contextlib.suppress(FileError):
            kept[sha256] = base64.b64encode(logbook.source(sha256)).decode()
    written = [entry.to_dict() | {"payload": entry.payload_text} for entry in listed]
    for one in written:
        del one["corrected_by"]
    record = {"format": FORMAT, "version": 1, "entries": written, "source_data": kept}
    return json.dumps(record, ensure_ascii=True, indent=1) + "\n"


# ---------------------------------------------------------------- import


@dataclass(frozen=True)
class Imported:
    """How many entries came in, how many stood already, how many sources came without their data."""

    added: int
    standing: int
    without_data: int

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {"added": self.added, "standing": self.standing, "sources_without_data": self.without_data}


def import_text(logbook: Logbook, text: str, *, source: str = "the import") -> Imported:
    """Bring exported entries into a logbook: all of them, or none when one has been changed since its export.

    Into an empty logbook a whole export comes back under its own numbers and hashes. Otherwise entries get new numbers at the
    end of the chain and keep time, recording time, operator and version; `origin` is the hash they had. What stands already
    is left alone, so an import can be repeated.
    """
    rows, data = _read_json(text, source) if text.lstrip().startswith("{") else _read_csv(text, source)
    exported: dict[int, str] = {}
    for place, row, attached in rows:
        _check_row(place, row, attached)
        if row.corrects is not None and row.corrects not in exported:
            raise FileError(f"{place}: corrects entry {row.corrects}, which is not among the exported ones. Export the whole logbook.")
        exported[row.number] = row.sha256
    with logbook.together():
        connection, before = logbook.connection, len(logbook)
        chain = enumerate([GENESIS, *(row.sha256 for _, row, _ in rows)], 1)
        whole = not before and all((row.number, row.previous) == due for due, (_, row, _) in zip(chain, rows))
        numbers = _standing(connection)
        standing = bare = 0
        for place, row, attached in rows:
            there = numbers.get(row.sha256, numbers.get(row.origin))
            if there is not None:
                standing += 1
                numbers[row.sha256] = there
                continue
            corrects = _corrected(place, row, exported, numbers, connection)
            for _, _, sha256, size in attached:
                logbook._keep(data.get(sha256), sha256, size)
                bare += sha256 not in data
            origin = row.origin if whole else row.origin or row.sha256
            numbers[row.sha256] = logbook._append(row._replace(corrects=corrects, origin=origin), _hashed(attached))
        added = len(logbook) - before
    return Imported(added, standing, bare)


def _standing(connection: Any) -> dict[str, int]:
    numbers: dict[str, int] = {}
    for number, sha256, origin in connection.execute("SELECT number, sha256, origin FROM entry"):
        numbers[sha256] = number
        if origin:
            numbers[origin] = number
    return numbers


def _corrected(place: str, row: Row, exported: dict[int, str], numbers: dict[str, int], connection: Any) -> int | None:
    if row.corrects is None:
        return None
    here = numbers[exported[row.corrects]]
    by = connection.execute("SELECT number FROM entry WHERE corrects = ?", (here,)).fetchone()
    if by is not None:
        raise FileError(f"{place}: corrects entry {here}, which entry {by[0]} has corrected here already. Settle by hand which one holds.")
    return here


# where it stands in the export, its row, what is attached: role, name, sha256, size
_Read = tuple[str, Row, list[tuple[str, str, str, int]]]


def _read_json(text: str, source: str) -> tuple[list[_Read], dict[str, bytes]]:
    try:
        record = json.loads(text)
    except json.JSONDecodeError as error:
        raise FileError(f"{source}:{error.lineno}:{error.colno}: is not whole JSON ({error.msg}). Export it again.") from None
    except RecursionError:
        raise FileError(f"{source}: is nested too deeply to be a logbook export.") from None
    if record.get("format") != FORMAT or not isinstance(record.get("entries"), list):
        raise FileError(f"{source}: is not a logbook export. Make one with: curecalc log export --save FILE.json")
    if record.get("version") != 1:
        raise FileError(f"{source}: is an export of version {record.get('version')!r}; this curecalc reads version 1. Update it.")
    rows = []
    for index, item in enumerate(record["entries"], 1):
        place = f"{source}: entry {index} of the list"
        try:
            attached = [(s["role"], s["name"], s["sha256"], s["size"]) for s in item["sources"]]
            rows.append((place, Row(*(item[key] for key in Row._fields)), attached))
        except (KeyError, TypeError):
            raise FileError(f"{place}: lacks a field. Export it again.") from None
    data: dict[str, bytes] = {}
    for sha256, coded in (record.get("source_data") or {}).items():
        try:
            data[sha256] = base64.b64decode(coded, validate=True)
        except (binascii.Error, TypeError, ValueError):
            data[sha256] = b""
        if hashlib.sha256(data[sha256]).hexdigest() != sha256:
            raise FileError(f"{source}: the source data {brief(sha256)} was changed since the export. Export it again.")
    return rows, data


def _read_csv(text: str, source: str) -> tuple[list[_Read], dict[str, bytes]]:
    limit = csv.field_size_limit(LARGEST_PAYLOAD)
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""))
    try:
        table = list(reader)
    except csv.Error as error:
        raise FileError(f"{source}:{reader.line_num}: cannot be read as CSV ({error}). Export it again.") from None
    finally:
        csv.field_size_limit(limit)
    if not table or tuple(table[0][: len(_STORED)]) != _STORED:
        raise FileError(f"{source}:1: is not a logbook export. Make one with: curecalc log export --save FILE.csv")
    names = [restored(cell) for cell in table[0]]
    rows = []
    for line, cells in enumerate(table[1:], 2):
        place = f"{source}: row {line}"
        if len(cells) != len(names):
            raise FileError(f"{place}: has {len(cells)} cells instead of {len(names)}. Export it again.")
        values = dict(zip(names, map(restored, cells)))
        try:
            fields: dict[str, Any] = {key: values[key] for key in Row._fields}
            fields |= {key: values[key] or None for key in ("machine", "lot", "beam")}
            fields |= {"number": int(values["number"]), "corrects": int(values["corrects"]) if values["corrects"] else None}
            attached = [tuple(one) for one in json.loads(values["sources"])]
            flat = _flat(json.loads(values["payload"]))
        except (ValueError, TypeError, AttributeError, RecursionError):
            raise FileError(f"{place}: cannot be read; a cell was changed since the export. Export it again.") from None
        for name in names[len(_STORED) :]:
            if values[name] != flat.get(name, ""):
                raise FileError(
                    f"{place}: {name} was changed since the export, and an import takes nothing that was changed. "
                    "Write a correction in the logbook instead."
                )
        rows.append((place, Row(**fields), attached))
    return rows, {}


def _hashed(attached: list[tuple[str, str, str, int]]) -> list[tuple[str, str, str]]:
    return [(role, name, sha256) for role, name, sha256, _ in attached]


def _check_row(place: str, row: Row, attached: list[tuple[str, str, str, int]]) -> None:
    if row.kind not in ENTRY_KINDS:
        raise FileError(f"{place}: the kind {clip(str(row.kind))} is not known here. Update curecalc, or leave the entry out.")
    try:
        good = row.chained(_hashed(attached)) == row.sha256
    except (TypeError, ValueError):
        good = False
    if not good:
        raise FileError(
            f"{place}: was changed since the export, and an import takes nothing that was changed. "
            "Write a correction in the logbook instead."
        )
