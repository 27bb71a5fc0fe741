"""Walk the chain of a logbook: is every entry as it was written, is the source data whole, does it compute again."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import dataclass
from typing import Any

from . import store
from .book import Logbook
from .entries import COLUMNS, GENESIS, Entry, chain_hash
from .recompute import RECOMPUTED_KINDS, recompute

__all__ = ["Verification", "verify"]

_MOST = 50  # problems listed; a broken chain would fill the screen


@dataclass(frozen=True)
class Verification:
    """What `verify` found. `head` is the hash of the last entry: noted elsewhere, it also proves that none was cut off."""

    path: str
    entries: int
    sources: int
    elsewhere: int
    head: str
    problems: tuple[str, ...]
    recomputed: int = 0
    unrepeatable: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Nothing wrong was found."""
        return not self.problems

    def to_dict(self) -> dict[str, Any]:
        """The verification as it stands in JSON."""
        return {
            "passed": self.passed,
            "entries": self.entries,
            "sources": self.sources,
            "sources_elsewhere": self.elsewhere,
            "head": self.head,
            "problems": list(self.problems),
            "recomputed": self.recomputed,
            "unrepeatable": list(self.unrepeatable),
        }


def verify(logbook: Logbook, *, again: bool = False) -> Verification:
    """Check file, chain, source data; with `again`, compute every result again that was kept with its source data.

    Finds: a damaged file, an entry changed, removed from the middle or inserted, source data changed, the triggers that
    keep the file append-only taken away. Entries cut off at the end leave no trace in the file itself: compare `head` and
    the number of entries with those noted at the last backup.
    """
    connection = logbook.connection
    problems = store.integrity(connection)
    head, count = GENESIS, 0
    try:
        head, count = _walk(connection, problems)
        sources, elsewhere = _sources(connection, problems)
    except sqlite3.DatabaseError as error:
        problems.append(f"reading stops after entry {count}: SQLite says: {error}. Restore the last backup.")
        sources = elsewhere = 0
    recomputed, unrepeatable = 0, []
    if again and not problems:
        for kind in RECOMPUTED_KINDS:
            for entry in logbook.entries(kind=kind, corrected=True):
                if "options" not in entry.payload:
                    continue  # written by hand: there is nothing to compute
                reason = _missing(logbook, entry)
                if reason:
                    unrepeatable.append(f"entry {entry.number} ({kind}): {reason}")
                    continue
                different = recompute(entry, {one.role: (one.name, logbook.source(one.sha256)) for one in entry.attached})
                recomputed += 1
                problems += [f"entry {entry.number} ({kind}): {what}" for what in different]
    if len(problems) > _MOST:
        problems = [*problems[:_MOST], f"and {len(problems) - _MOST} more problems"]
    return Verification(logbook.path, count, sources, elsewhere, head, tuple(problems), recomputed, tuple(unrepeatable))


def _walk(connection: sqlite3.Connection, problems: list[str]) -> tuple[str, int]:
    attached: dict[int, list[tuple[str, str, str]]] = {}
    for number, role, name, sha256 in connection.execute("SELECT entry, role, name, sha256 FROM attached"):
        attached.setdefault(number, []).append((role, name, sha256))
    head, expected = GENESIS, 1
    for row in connection.execute(f"SELECT {COLUMNS} FROM entry ORDER BY number"):
        (number, kind, time, recorded, operator, version, machine, lot, beam, corrects, origin, text, previous, sha256) = row
        if number != expected:
            problems.append(f"entries {expected} to {number - 1} are missing")
        elif previous != head:
            problems.append(f"entry {number} does not follow entry {number - 1}: one of them was changed")
        try:
            got = chain_hash(
                number=number,
                kind=kind,
                time=time,
                recorded=recorded,
                operator=operator,
                version=version,
                machine=machine,
                lot=lot,
                beam=beam,
                corrects=corrects,
                origin=origin,
                payload_text=text,
                previous=previous,
                attached=attached.pop(number, []),
            )
        except TypeError:  # damage can turn text into bytes
            got = ""
        if got != sha256:
            problems.append(f"entry {number} ({kind}, {str(time)[:10]}) is not as it was written")
        elif not _is_table(text):
            problems.append(f"entry {number} ({kind}, {str(time)[:10]}) cannot be read")
        head, expected = sha256, number + 1
    for number in attached:
        problems.append(f"source data stands for entry {number}, which is missing")
    return head, expected - 1


def _is_table(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, TypeError, RecursionError):
        return False


def _sources(connection: sqlite3.Connection, problems: list[str]) -> tuple[int, int]:
    kept = elsewhere = 0
    for sha256, size, data in connection.execute("SELECT sha256, size, data FROM source"):
        if data is None:
            elsewhere += 1
            continue
        kept += 1
        if len(data) != size or hashlib.sha256(data).hexdigest() != sha256:
            problems.append(f"the source data {sha256[:12]}... is not as it was kept")
    return kept, elsewhere


def _missing(logbook: Logbook, entry: Entry) -> str:
    if not entry.attached:
        return "was recorded without its source data"
    held = dict(logbook.connection.execute("SELECT sha256, data IS NOT NULL FROM source").fetchall())
    gone = [one.name for one in entry.attached if not held.get(one.sha256)]
    return f"its source data {', '.join(gone)} is held elsewhere" if gone else ""
