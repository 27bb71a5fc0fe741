"""How rows of the entries' table become entries, and which rows hold."""

from __future__ import annotations

import json
from typing import Any

from ..errors import FileError
from .entries import Attached, Entry

__all__ = ["HOLDS", "NEWER", "entry_of", "where"]

# the entry that corrects this one, unless it was itself struck out by a correction that holds: then this one holds again
_CORRECTING = (
    "FROM entry AS c1 WHERE c1.corrects = entry.number AND NOT EXISTS (SELECT 1 FROM entry AS c2 "
    "WHERE c2.corrects = c1.number AND c2.kind = 'correction' AND NOT EXISTS (SELECT 1 FROM entry AS c3 "
    "WHERE c3.corrects = c2.number AND NOT EXISTS (SELECT 1 FROM entry AS c4 "
    "WHERE c4.corrects = c3.number AND c4.kind = 'correction')))"
)
NEWER = f"(SELECT c1.number {_CORRECTING})"
HOLDS = f"NOT EXISTS (SELECT 1 {_CORRECTING})"  # not `NEWER IS NULL`: of that a server expects few rows and reads all of a machine's


def entry_of(path: str, row: tuple[Any, ...], attached: tuple[Attached, ...]) -> Entry:
    # the columns of `COLUMNS`, payload text among them, then the entry that corrects this one
    stored: tuple[Any, ...] = (*row[:11], _loaded(path, row[0], row[11]), *row[11:14], attached, row[14])
    return Entry(*stored)


def where(
    *, kind: str | None, machine: str | None, lot: str | None, beam: str | None, since: str | None, until: str | None, corrected: bool
) -> tuple[str, tuple[Any, ...]]:
    parts, values = [], []
    for column, value in (("kind", kind), ("machine", machine), ("lot", lot), ("beam", beam)):
        if value is not None:
            parts.append(f"{column} = ?")
            values.append(value)
    if since is not None:
        parts.append("time >= ?")
        values.append(since)
    if until is not None:
        parts.append("time <= ?")
        values.append(until)
    if not corrected:
        parts.append(f"{HOLDS} AND kind <> 'correction'")
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), tuple(values)


def _loaded(path: str, number: int, text: str) -> dict[str, Any]:
    try:
        payload = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        payload = None
    if not isinstance(payload, dict):
        raise FileError(f"{path}: entry {number} is damaged. Run curecalc log verify, and restore the last backup.")
    return payload
