"""Rows of the entries' table: how each is chained to the one before, how they become entries, and which of them hold."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple, TypeVar

from ..errors import FileError
from .entries import Attached, Entry
from .store import Database

__all__ = ["COLUMNS", "HOLDS", "NEWER", "Row", "each_row", "entry_of", "parts", "where"]

_SOME = 500  # names or numbers in one statement, rows read at once
T = TypeVar("T")

# the entry that corrects this one, unless it was itself struck out by a correction that holds: then this one holds again
_CORRECTING = (
    "FROM entry AS c1 WHERE c1.corrects = entry.number AND NOT EXISTS (SELECT 1 FROM entry AS c2 "
    "WHERE c2.corrects = c1.number AND c2.kind = 'correction' AND NOT EXISTS (SELECT 1 FROM entry AS c3 "
    "WHERE c3.corrects = c2.number AND NOT EXISTS (SELECT 1 FROM entry AS c4 "
    "WHERE c4.corrects = c3.number AND c4.kind = 'correction')))"
)
NEWER = f"(SELECT c1.number {_CORRECTING})"
HOLDS = f"NOT EXISTS (SELECT 1 {_CORRECTING})"  # not `NEWER IS NULL`: of that a server expects few rows and reads all of a machine's


class Row(NamedTuple):
    """A row of the table: what `Entry` says of its fields, `payload` as the text that is stored."""

    number: int
    kind: str
    time: str
    recorded: str
    operator: str
    version: str
    machine: str | None
    lot: str | None
    beam: str | None
    corrects: int | None
    origin: str
    payload: str
    previous: str
    sha256: str

    def chained(self, attached: Iterable[tuple[str, str, str]]) -> str:
        """The SHA-256 it must have: of its fields as a JSON list, data attached (role, name, sha256) in order of role and the hash of
        the row before among them.
        """
        *fields, previous, _ = self
        record = [*fields, sorted(attached), previous]
        return hashlib.sha256(json.dumps(record, ensure_ascii=True, separators=(",", ":")).encode()).hexdigest()


COLUMNS = ", ".join(Row._fields)


def entry_of(path: str, row: Row, attached: tuple[Attached, ...], corrected_by: int | None) -> Entry:
    """The entry of a row."""
    fields = row._asdict() | {"payload": _loaded(path, row.number, row.payload), "payload_text": row.payload}
    return Entry(**fields, attached=attached, corrected_by=corrected_by)


def parts(whole: Sequence[T]) -> Iterator[Sequence[T]]:
    """So many of a sequence as one statement may name."""
    return (whole[start : start + _SOME] for start in range(0, len(whole), _SOME))


def each_row(connection: Database, last: int | None = None) -> Iterator[Row]:
    """Every row in order of its number, up to that of `last`, some at a time."""
    end, values = ("", ()) if last is None else ("AND number <= ?", (last,))
    query = f"SELECT {COLUMNS} FROM entry WHERE number > ? {end} ORDER BY number LIMIT {_SOME}"
    rows = connection.execute(query, (0, *values))
    while rows:
        for fields in rows:
            row = Row(*fields)
            yield row
        rows = connection.execute(query, (row.number, *values))


def where(
    *, since: str | None = None, until: str | None = None, corrected: bool = False, **names: str | None
) -> tuple[str, tuple[str, ...]]:
    """Which entries: of these names (columns), from one stored time to another, the ends included; without `corrected` those that hold."""
    asked = {f"{column} = ?": name for column, name in names.items()} | {"time >= ?": since, "time <= ?": until}
    given = {clause: value for clause, value in asked.items() if value is not None}
    holding = [] if corrected else [f"{HOLDS} AND kind <> 'correction'"]
    clauses = " AND ".join([*given, *holding])
    return f"WHERE {clauses}" if clauses else "", tuple(given.values())


def _loaded(path: str, number: int, text: str) -> dict[str, Any]:
    try:
        payload = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        payload = None
    if not isinstance(payload, dict):
        raise FileError(f"{path}: entry {number} is damaged. Run curecalc log verify, and restore the last backup.")
    return payload
