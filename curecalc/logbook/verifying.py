"""Walk the chain of a logbook: is every entry as it was written, is the source data whole, does it compute again."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
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
    doubts: tuple[str, ...] = ()

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
            "doubts": list(self.doubts),
        }


def verify(logbook: Logbook, *, again: bool = False, head: tuple[int, str] | None = None) -> Verification:
    """Check file, chain, source data; with `again`, compute every result again that was kept with its source data.

    Parameters
    ----------
    logbook : Logbook
    again : bool
    head : (int, str), optional
        Number and hash of an entry, noted earlier elsewhere; the beginning of the hash will do.

    Finds: a damaged file, an entry changed, removed from the middle or inserted, source data changed, the triggers that
    keep the file append-only taken away. Entries cut off at the end, or a chain written anew as a whole, leave no trace in the file
    itself: give the `head` (number and hash) that was noted earlier, elsewhere. What the chain cannot prove: that what was written
    was true, who wrote it, and anything about entries after the last head that was noted.
    """
    connection = logbook.connection
    problems = store.integrity(connection)
    doubts: list[str] = []
    last, count = GENESIS, 0
    try:
        last, count = _walk(connection, problems, doubts)
        if head is not None:
            problems += _against(connection, head, count)
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
    told = (tuple(problems), recomputed, tuple(unrepeatable), tuple(doubts[:_MOST]))
    return Verification(logbook.path, count, sources, elsewhere, last, *told)


def _all(connection: store.Database) -> Iterator[Any]:
    """Every entry in order of its number, some thousands at a time."""
    number = 0
    while rows := connection.execute(f"SELECT {COLUMNS} FROM entry WHERE number > ? ORDER BY number LIMIT 5000", (number,)).fetchall():
        yield from rows
        number = rows[-1][0]


def _walk(connection: store.Database, problems: list[str], doubts: list[str]) -> tuple[str, int]:
    attached: dict[int, list[tuple[str, str, str]]] = {}
    for number, role, name, sha256 in connection.execute("SELECT entry, role, name, sha256 FROM attached"):
        attached.setdefault(number, []).append((role, name, sha256))
    head, expected, before = GENESIS, 1, ""
    for row in _all(connection):
        (number, kind, time, recorded, operator, version, machine, lot, beam, corrects, origin, text, previous, sha256) = row
        if str(recorded) < before:
            doubts.append(f"entry {number} was recorded {str(recorded)[:16]}, before entry {number - 1}: a clock ran backwards or was set")
        if _later(str(time), str(recorded)):
            doubts.append(f"entry {number} is dated {str(time)[:16]}, ahead of the clock when it was recorded")
        before = str(recorded)
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


def _later(time: str, recorded: str) -> bool:
    """More than ten minutes after."""
    try:
        return (datetime.fromisoformat(time) - datetime.fromisoformat(recorded)).total_seconds() > 600.0
    except ValueError:
        return False


def _against(connection: store.Database, noted: tuple[int, str], count: int) -> list[str]:
    """What a head noted earlier, elsewhere, says of this logbook."""
    number, sha256 = noted
    row = connection.execute("SELECT sha256 FROM entry WHERE number = ?", (number,)).fetchone()
    if number and row is None:
        return [f"entry {number}, noted earlier, is missing: this logbook ends at entry {count}, entries were cut off"]
    if number and not str(row[0]).startswith(sha256):
        return [f"entry {number} has another hash than was noted earlier: it or one before it was written anew"]
    return []


def _is_table(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, TypeError, RecursionError):
        return False


def _sources(connection: store.Database, problems: list[str]) -> tuple[int, int]:
    kept = elsewhere = 0
    for sha256, size in connection.execute("SELECT sha256, size FROM source").fetchall():
        row = connection.execute("SELECT data FROM source WHERE sha256 = ?", (sha256,)).fetchone()
        if row is None:
            problems.append(f"the source data {str(sha256)[:12]}... cannot be found by its hash")
            continue
        data = row[0]
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
