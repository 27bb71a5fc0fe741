"""Complete copies of a logbook into a file, whole or not at all."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import FileError
from . import store
from .entries import COLUMNS

if TYPE_CHECKING:
    from .book import Logbook

__all__ = ["backup", "copy_into"]


def backup(book: Logbook, path: str | Path) -> int:
    """`Logbook.backup`: a file copies itself, a server's logbook is written into a file entry by entry, with the same hashes."""
    target = Path(path)
    if target.exists():
        raise FileError(f"{target}: stands already. Choose another name for the backup.")
    if not target.parent.is_dir():
        raise FileError(f"{target}: the folder {target.parent} does not stand. Make it first.")
    partial = target.with_name(f".{target.name}.part")
    partial.unlink(missing_ok=True)
    try:
        with store.guarded(target):
            if book.connection.server:
                count = _out_of_a_server(book, partial)
            else:
                book.connection.execute("VACUUM INTO ?", (str(partial),))
                copy = sqlite3.connect(f"{partial.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
                try:
                    count = int(copy.execute("SELECT count(*) FROM entry").fetchone()[0])
                finally:
                    copy.close()
        with partial.open("rb+") as stream:
            os.fsync(stream.fileno())
        partial.rename(target)
    except OSError as error:
        raise FileError(f"{target}: cannot be written ({error.strerror}). Choose another place.") from None
    finally:
        partial.unlink(missing_ok=True)
    return count


def _out_of_a_server(book: Logbook, path: Path) -> int:
    store.connect(path, create=True).close()
    target = store.connect(path)
    try:
        return copy_into(book.connection, target, len(book))
    finally:
        target.close()


def copy_into(source: store.Database, target: store.Database, last: int) -> int:
    """Entries up to number `last`, as they stand, with their source data into an empty logbook; returns how many."""
    count = 0
    marks = ", ".join("?" * len(COLUMNS.split(",")))
    data = "SELECT sha256, size, data FROM source WHERE sha256 IN (SELECT sha256 FROM attached WHERE entry BETWEEN ? AND ?)"
    with store.writing(target):
        for start in range(1, last + 1, 1000):
            span = (start, min(last, start + 999))
            for row in source.execute(data, span):
                target.execute("INSERT INTO source (sha256, size, data) VALUES (?, ?, ?) ON CONFLICT (sha256) DO NOTHING", row)
            for row in source.execute(f"SELECT {COLUMNS} FROM entry WHERE number BETWEEN ? AND ? ORDER BY number", span):
                target.execute(f"INSERT INTO entry ({COLUMNS}) VALUES ({marks})", row)
                count += 1
            for row in source.execute("SELECT entry, role, name, sha256 FROM attached WHERE entry BETWEEN ? AND ?", span):
                target.execute("INSERT INTO attached (entry, role, name, sha256) VALUES (?, ?, ?, ?)", row)
    return count
