"""Complete copies of a logbook into a file, whole or not at all."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import FileError
from . import store
from .rows import COLUMNS, each_row

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
                _out_of_a_server(book, partial)
            else:
                book.connection.execute("VACUUM INTO ?", (str(partial),))
            with contextlib.closing(sqlite3.connect(f"{partial.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as copy:
                ((count,),) = copy.execute("SELECT count(*) FROM entry")
        with partial.open("rb+") as stream:
            os.fsync(stream.fileno())
        partial.rename(target)
    except OSError as error:
        raise FileError(f"{target}: cannot be written ({error.strerror}). Choose another place.") from None
    finally:
        partial.unlink(missing_ok=True)
    return int(count)


def _out_of_a_server(book: Logbook, path: Path) -> None:
    store.connect(path, create=True).close()
    with contextlib.closing(store.connect(path)) as target:
        copy_into(book.connection, target, len(book))


def copy_into(source: store.Database, target: store.Database, last: int) -> None:
    """Entries up to number `last`, as they stand, with their source data into an empty logbook."""
    data = "SELECT sha256, size, data FROM source WHERE sha256 = ?"
    with store.writing(target):
        for held in source.execute("SELECT DISTINCT sha256 FROM attached WHERE entry <= ?", (last,)):
            target.executemany("INSERT INTO source (sha256, size, data) VALUES (?, ?, ?)", source.execute(data, held))
        for row in each_row(source, last):
            target.execute(f"INSERT INTO entry ({COLUMNS}) VALUES ({', '.join('?' * len(row))})", row)
        attached = source.execute("SELECT entry, role, name, sha256 FROM attached WHERE entry <= ?", (last,))
        target.executemany("INSERT INTO attached (entry, role, name, sha256) VALUES (?, ?, ?, ?)", attached)
