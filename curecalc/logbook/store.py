"""The logbook's file: one SQLite database, made in one step, opened with care, upgraded from any earlier version.

Write-ahead log, full synchronisation, STRICT tables, foreign keys, triggers that refuse to change or delete what was
written. What SQLite says is turned into one line that names the file and the way out. Keep the file on a local disk: SQLite's
locks cannot be trusted on a network share; on a network one computer owns the file.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from ..errors import FileError
from ..files.disk import move_new

__all__ = ["APPLICATION_ID", "MIGRATIONS", "VERSION", "connect", "guarded", "integrity", "writing"]

APPLICATION_ID = 0x43757265  # four letters in the header by which the file is known
BUSY_SECONDS = 30.0
_OLDEST_SQLITE = (3, 38, 0)  # STRICT tables and JSON functions built in

_FIRST = """
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE source (
    sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64),
    size INTEGER NOT NULL CHECK (size >= 0),
    data BLOB CHECK (data IS NULL OR length(data) = size)
) STRICT;
CREATE TABLE entry (
    number INTEGER PRIMARY KEY CHECK (number > 0),
    kind TEXT NOT NULL CHECK (kind <> ''),
    time TEXT NOT NULL,
    recorded TEXT NOT NULL,
    operator TEXT NOT NULL,
    version TEXT NOT NULL,
    machine TEXT,
    lot TEXT,
    beam TEXT,
    corrects INTEGER UNIQUE REFERENCES entry (number) CHECK (corrects < number),
    origin TEXT NOT NULL,
    payload TEXT NOT NULL CHECK (json_valid(payload)),
    previous TEXT NOT NULL,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64)
) STRICT;
CREATE TABLE attached (
    entry INTEGER NOT NULL REFERENCES entry (number),
    role TEXT NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL REFERENCES source (sha256),
    PRIMARY KEY (entry, role)
) STRICT;
CREATE TRIGGER entry_in_order BEFORE INSERT ON entry
WHEN NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entry)
BEGIN SELECT RAISE(ABORT, 'entries are numbered one after the other'); END;
CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER attached_no_update BEFORE UPDATE ON attached
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER attached_no_delete BEFORE DELETE ON attached
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER source_no_update BEFORE UPDATE ON source
WHEN OLD.data IS NOT NULL OR NEW.sha256 <> OLD.sha256 OR NEW.size <> OLD.size
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER source_no_delete BEFORE DELETE ON source
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER about_no_update BEFORE UPDATE ON about
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER about_no_delete BEFORE DELETE ON about
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
"""

_SECOND = """
CREATE INDEX entry_by_time ON entry (time);
CREATE INDEX entry_by_kind ON entry (kind, time);
CREATE INDEX entry_by_machine ON entry (machine, kind, time);
CREATE INDEX entry_by_lot ON entry (lot, kind, time);
CREATE INDEX entry_by_origin ON entry (origin) WHERE origin <> '';
CREATE INDEX attached_by_source ON attached (sha256);
"""

MIGRATIONS: tuple[str, ...] = (_FIRST, _SECOND)  # each brings a file from version n to n + 1; never edited once released
VERSION = len(MIGRATIONS)


def connect(path: str | Path, *, create: bool = False, write: bool = True) -> sqlite3.Connection:
    """An open connection to a logbook, upgraded to the present version when `write`.

    Raises
    ------
    FileError
        No such file (unless `create`), not a logbook, damaged, of a newer version, in a place that may not be written.
    """
    path = Path(path)
    if not stands(path, write):
        if not create:
            raise FileError(f"{path}: there is no such logbook. It is made by the first entry: curecalc log add note ...")
        _make(path)
    with guarded(path):
        connection = _open(path, write)
        try:
            _check_identity(connection, path)
            if write:
                _upgrade(connection, path)  # every earlier version can be read as it is
        except BaseException:
            connection.close()
            raise
    return connection


def blank() -> sqlite3.Connection:
    """A logbook without entries that stands nowhere: what a new one is until its first entry."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    _migrate(connection, 0)
    return connection


def stands(path: Path, write: bool = True) -> bool:
    """Whether a file that may be a logbook stands there; `FileError` where none can."""
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise FileError(
            f"{path}: the logbook needs SQLite {'.'.join(map(str, _OLDEST_SQLITE))} or later, and this Python carries "
            f"{sqlite3.sqlite_version}. Use a newer Python."
        )
    try:
        if path.is_dir():
            raise FileError(f"{path}: is a folder. Name a file within it, like {path / 'shop.db'}.")
        with path.open("rb") as stream:
            head = stream.read(100)
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise FileError(f"{path}: the folder {path.parent} does not stand. Make it first.") from None
        return False
    except PermissionError:
        raise FileError(f"{path}: may not be read. Ask for the right to read it.") from None
    except (OSError, ValueError) as error:
        raise FileError(f"{path}: cannot be opened ({getattr(error, 'strerror', None) or error}).") from None
    if not head:
        raise FileError(
            f"{path}: is empty (0 bytes). If it was a logbook, restore the last backup; if it is new, delete it and let curecalc make it."
        )
    if head[:16] != b"SQLite format 3\x00" or len(head) < 100:
        raise FileError(f"{path}: is not a logbook (or its beginning is damaged). Check the name, or restore the last backup.")
    page = int.from_bytes(head[16:18], "big")
    whole = (65536 if page == 1 else page) * int.from_bytes(head[28:32], "big")
    if write and not _has_log(path) and (size := path.stat().st_size) < whole:  # size last: a checkpoint may be under way
        raise FileError(
            f"{path}: is damaged: it was cut off ({size} bytes of {whole}). Do not write to it: keep a copy, restore the last "
            "backup, and see what can be read with: curecalc log verify --log FILE"
        )
    return True


def _make(path: Path) -> None:
    """Make a new logbook whole beside its place, then put it there in one step; another maker may be quicker."""
    folder = path.parent
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".new", dir=folder)
        os.close(handle)
    except OSError as error:
        raise FileError(f"{path}: cannot be made ({error.strerror}). Choose a folder you may write to.") from None
    try:
        with guarded(path):
            connection = sqlite3.connect(temporary, isolation_level=None)
            try:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                _migrate(connection, 0)
                made = [("identity", str(uuid.uuid4()))]
                connection.executemany("INSERT INTO about VALUES (?, ?)", made)
            finally:
                connection.close()
        with contextlib.suppress(OSError):
            os.chmod(temporary, 0o660)
        with contextlib.suppress(FileExistsError):
            move_new(temporary, path)
        _sync_folder(folder)
    finally:
        for leftover in (temporary, f"{temporary}-wal", f"{temporary}-shm"):
            with contextlib.suppress(OSError):
                os.unlink(leftover)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not every system opens folders
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _open(path: Path, write: bool) -> sqlite3.Connection:
    place = quote(str(path.resolve()))
    if not write and not os.access(path.parent, os.W_OK) and not _has_log(path):
        # without the right to write beside it there can be no other writer either: read it as it lies
        connection = sqlite3.connect(f"file:{place}?mode=ro&immutable=1", uri=True, isolation_level=None)
    else:
        connection = sqlite3.connect(f"file:{place}?mode=rw", uri=True, isolation_level=None, timeout=BUSY_SECONDS)
    try:
        connection.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA cell_size_check = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def _has_log(path: Path) -> bool:
    log = Path(f"{path}-wal")
    return log.exists() and log.stat().st_size > 0


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _check_identity(connection: sqlite3.Connection, path: Path) -> None:
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise FileError(f"{path}: is a database, but not a logbook of curecalc. Nothing was changed; check the name.")
    version = _version(connection)
    if version > VERSION:
        raise FileError(
            f"{path}: was written by a newer curecalc (logbook version {version}, this one reads up to {VERSION}). "
            "Nothing was changed; update curecalc."
        )


def _upgrade(connection: sqlite3.Connection, path: Path) -> None:
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        connection.execute("PRAGMA journal_mode = WAL")
    version = _version(connection)
    if version == VERSION:
        return
    kept = path.with_name(f"{path.name}.version-{version}")
    if not kept.exists():
        connection.execute("VACUUM INTO ?", (str(kept),))
    _migrate(connection, version)


def _migrate(connection: sqlite3.Connection, version: int) -> None:
    with writing(connection):
        version = max(version, _version(connection))  # another process may have been quicker
        for step in MIGRATIONS[version:]:
            for statement in _statements(step):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {VERSION}")


def _statements(script: str) -> Iterator[str]:
    part = ""
    for line in script.splitlines(keepends=True):
        part += line
        if sqlite3.complete_statement(part):
            yield part
            part = ""


@contextlib.contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction that holds the right to write from its beginning; all of it stands, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def guarded(path: str | Path) -> Iterator[None]:
    """Turn what SQLite raises into one line that names the file and the way out."""
    started = time.monotonic()
    try:
        yield
    except sqlite3.Error as error:
        raise FileError(f"{path}: {_plain(error, time.monotonic() - started)}") from None


def _plain(error: sqlite3.Error, waited: float) -> str:
    said = str(error)
    if "locked" in said or "busy" in said:
        return f"is in use by another program (waited {waited:.0f} s). Nothing was written; try again."
    if "readonly" in said:
        return "may not be written: the file or its folder is read-only. Nothing was written; ask for the right to write."
    if "full" in said:
        return "cannot be written, the disk is full. Nothing was written and nothing is lost; make room and try again."
    if "disk I/O" in said:
        return (
            "cannot be written or read (the disk refused: full, at a size limit, or failing). What was acknowledged is kept; "
            "make room or check the disk, and try again."
        )
    if "malformed" in said or "not a database" in said or "corrupt" in said:
        return (
            "is damaged. Do not write to it: keep a copy, restore the last backup, and see what can be read "
            f"with: curecalc log verify --log FILE. SQLite says: {said}."
        )
    if "unable to open" in said:
        return "cannot be opened for writing; the folder may be read-only or full. Ask for the right to write."
    if "append-only" in said:
        return f"{said}."
    return f"refused: {said}."


def integrity(connection: sqlite3.Connection) -> list[str]:
    """What SQLite's own checks find wrong with the file; an empty list when all is well."""
    found: list[str] = []
    try:
        for (line,) in connection.execute("PRAGMA integrity_check(20)"):
            if line != "ok":
                found.append("; ".join(str(line).split("\n")))
        for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
            found.append(f"row {row} of {table} points at a missing row of {parent}")
        expected = sqlite3.connect(":memory:")
        for step in MIGRATIONS:
            expected.executescript(step)
        query = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
        wanted = {(kind, name): _squeeze(sql) for kind, name, sql in expected.execute(query)}
        there = {(kind, name): _squeeze(sql) for kind, name, sql in connection.execute(query)}
        expected.close()
        for (kind, name), sql in wanted.items():
            if there.get((kind, name)) != sql:
                found.append(f"the {kind} {name} is missing or was changed, so entries may have been tampered with")
        for kind, name in there.keys() - wanted.keys():
            found.append(f"the {kind} {name} does not belong to a logbook")
    except sqlite3.DatabaseError as error:
        found.append(f"SQLite says: {error}")
    return found


def _squeeze(sql: str | None) -> str:
    return " ".join((sql or "").split())
