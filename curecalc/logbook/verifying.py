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
from .entries import GENESIS, Entry, brief
from .recompute import RECOMPUTED_KINDS, recompute
from .rows import each_row

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
    recomputed: int
    unrepeatable: tuple[str, ...]
    doubts: tuple[str, ...]

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
    last, count, sources, elsewhere = GENESIS, 0, 0, 0
    try:
        for last, count in _walk(connection, problems, doubts):  # noqa: B007 - what was reached, wherever it stops
            pass
        if head is not None:
            problems += _against(connection, head, count)
        sources, elsewhere = _sources(connection, problems)
    except sqlite3.DatabaseError as error:
        problems.append(f"reading stops after entry {count}: SQLite says: {error}. Restore the last backup.")
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


def _walk(connection: store.Database, problems: list[str], doubts: list[str]) -> Iterator[tuple[str, int]]:
    """Hash and number of each entry, once it is judged."""
    attached: dict[int, list[tuple[str, str, str]]] = {}
    for number, *about in connection.execute("SELECT entry, role, name, sha256 FROM attached"):
        attached.setdefault(number, []).append(tuple(about))
    head, last, before = GENESIS, 0, ""
    for row in each_row(connection):
        number, what, recorded = row.number, f"entry {row.number} ({row.kind}, {str(row.time)[:10]})", str(row.recorded)
        if recorded < before:
            doubts.append(f"entry {number} was recorded {recorded[:16]}, before entry {number - 1}: a clock ran backwards or was set")
        if _later(str(row.time), recorded):
            doubts.append(f"entry {number} is dated {str(row.time)[:16]}, ahead of the clock when it was recorded")
        if number != last + 1:
            problems.append(f"entries {last + 1} to {number - 1} are missing")
        elif row.previous != head:
            problems.append(f"entry {number} does not follow entry {last}: one of them was changed")
        try:
            got = row.chained(attached.pop(number, []))
        except TypeError:  # damage can turn text into bytes
            got = ""
        if got != row.sha256:
            problems.append(f"{what} is not as it was written")
        elif not _is_table(row.payload):
            problems.append(f"{what} cannot be read")
        head, last, before = row.sha256, number, recorded
        yield head, last
    for number in attached:
        problems.append(f"source data stands for entry {number}, which is missing")


def _later(time: str, recorded: str) -> bool:
    """More than ten minutes after."""
    try:
        return (datetime.fromisoformat(time) - datetime.fromisoformat(recorded)).total_seconds() > 600.0
    except ValueError:
        return False


def _against(connection: store.Database, noted: tuple[int, str], count: int) -> list[str]:
    """What a head noted earlier, elsewhere, says of this logbook."""
    number, sha256 = noted
    if number > count:
        return [f"entry {number}, noted earlier, is missing: this logbook ends at entry {count}, entries were cut off"]
    if any(not str(found).startswith(sha256) for (found,) in connection.execute("SELECT sha256 FROM entry WHERE number = ?", (number,))):
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
            problems.append(f"the source data {brief(sha256)} cannot be found by its hash")
            continue
        data = row[0]
        if data is None:
            elsewhere += 1
            continue
        kept += 1
        if len(data) != size or hashlib.sha256(data).hexdigest() != sha256:
            problems.append(f"the source data {brief(sha256)} is not as it was kept")
    return kept, elsewhere


def _missing(logbook: Logbook, entry: Entry) -> str:
    if not entry.attached:
        return "was recorded without its source data"
    held = dict(logbook.connection.execute("SELECT sha256, data IS NOT NULL FROM source").fetchall())
    gone = [one.name for one in entry.attached if not held.get(one.sha256)]
    return f"its source data {', '.join(gone)} is held elsewhere" if gone else ""
