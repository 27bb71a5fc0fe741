"""Where a logbook lies: one SQLite file for a desk, or one PostgreSQL database for a shop, behind the same few calls.

A file is made in one step, opened with care, upgraded from any earlier version: write-ahead log, full synchronisation, STRICT tables,
foreign keys, triggers that refuse to change or delete what was written. On a server the same triggers stand, numbering and chain go
under one advisory lock, and roles need no more than SELECT and INSERT. What the database says is turned into one line that names the
logbook and the way out. Keep a file on a local disk: SQLite's locks cannot be trusted on a network share; that is what the server is for.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import tempfile
import time
import uuid
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from ..errors import FileError
from ..files.disk import move_new
from .server import DATABASE_SCRIPTS, is_server, lost, open_server, server_says

__all__ = ["APPLICATION_ID", "MIGRATIONS", "VERSION", "Database", "Lost", "connect", "connect_again", "guarded", "integrity", "writing"]

APPLICATION_ID = 0x43757265  # four letters in the header by which the file is known
BUSY_SECONDS = 30.0  # how long a writer waits for its turn
_HEAD = 100  # bytes that every database file begins with
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
assert len(DATABASE_SCRIPTS) == VERSION  # every step exists for both


class Rows(list[Any]):
    """Rows of a statement."""

    def fetchone(self) -> Any:
        """The first row, or None."""
        return self[0] if self else None

    def value(self) -> Any:
        """The one value of the one row."""
        ((one,),) = self
        return one

    def fetchall(self) -> list[Any]:
        """All rows."""
        return self


class Database:
    """One open connection of either driver: statements with `?`, each its own transaction or between BEGIN and COMMIT."""

    def __init__(self, connection: Any, *, server: bool) -> None:
        self.server = server
        self._connection = connection

    def execute(self, statement: str, values: Iterable[Any] = ()) -> Rows:
        """One statement, and the rows it gives."""
        found = self._connection.execute(statement.replace("?", "%s") if self.server else statement, tuple(values))
        return Rows(found.fetchall() if found.description else ())

    def executemany(self, statement: str, rows: list[tuple[Any, ...]]) -> None:
        """One statement for many rows."""
        for row in rows:
            self.execute(statement, row)

    def fields(self, paths: Sequence[str]) -> str:
        """Values of the payload by their paths, like `power.value`, as one more column that `held` reads."""
        if not paths:
            return ""
        if not self.server:  # of several paths it gives their text; a number of one it would read by the language's decimal sign
            picks = ", ".join(f"'$.{path}'" for path in (paths if len(paths) > 1 else 2 * list(paths)))
            return f", json_extract(payload, {picks})"
        picks = ", ".join(f"held #> '{{{path.replace('.', ',')}}}'" for path in paths)
        # read from text once a row
        return f", (SELECT jsonb_build_array({picks}) FROM (SELECT payload::jsonb AS held OFFSET 0) AS once)"

    def held(self, texts: Sequence[Any], many: int) -> list[list[Any]]:
        """What the column of so many `fields` holds, a list each."""
        if self.server:
            return [[text[place] for text in texts] for place in range(many)]
        flat = json.loads(f"[{','.join([text[1:-1] for text in texts])}]")  # all read at once: in a tenth of the time
        return [flat[place :: max(many, 2)] for place in range(many)]

    def close(self) -> None:
        """Close the connection."""
        with contextlib.suppress(Exception):
            self._connection.close()

    def __del__(self) -> None:
        self._connection.close()  # one that was forgotten


class Lost(FileError):
    """The connection to the server broke: whether what was sent stands is not known."""


def connect_again(path: str, old: Database) -> Database:
    """A new connection in place of a lost one, tried for 20 s."""
    old.close()
    until = time.monotonic() + 20.0
    while True:
        try:
            return connect(path)
        except Lost:
            if time.monotonic() > until:
                raise
            time.sleep(0.25)


def connect(path: str | Path, *, create: bool = False, write: bool = True) -> Database:
    """An open connection to a logbook, upgraded to the present version when `write`.

    `path` names a file, or a server as libpq does: `postgresql://user@host/shop` or `service=shop`.

    Raises
    ------
    FileError
        No such file (unless `create`), not a logbook, damaged, of a newer version, in a place that may not be written.
    """
    if is_server(str(path)):
        with guarded(path):
            database = Database(open_server(str(path)), server=True)
            try:
                _upgrade_server(database, str(path), create)
            except BaseException:
                database.close()
                raise
        return database
    path = Path(path)
    if not stands(path, write):
        if not create:
            raise FileError(f"{path}: there is no such logbook. It is made by the first entry: curecalc log add note ...")
        _make(path)
    with guarded(path):
        connection = Database(_open(path, write), server=False)
        try:
            _check_identity(connection, path)
            if write:
                _upgrade(connection, path)  # every earlier version can be read as it is
        except BaseException:
            connection.close()
            raise
    return connection


def blank() -> Database:
    """A logbook without entries that stands nowhere: what a new one is until its first entry."""
    made = Database(sqlite3.connect(":memory:", isolation_level=None), server=False)
    _migrate(made, 0)
    return made


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
            head = stream.read(_HEAD)
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise FileError(f"{path}: the folder {path.parent} does not stand. Make it first.") from None
        return False
    except FileError:
        raise
    except PermissionError:
        raise FileError(f"{path}: may not be read. Ask for the right to read it.") from None
    except (OSError, ValueError) as error:
        raise FileError(f"{path}: cannot be opened ({getattr(error, 'strerror', None) or error}).") from None
    if not head:
        raise FileError(
            f"{path}: is empty (0 bytes). If it was a logbook, restore the last backup; if it is new, delete it and let curecalc make it."
        )
    if not head.startswith(b"SQLite format 3\x00") or len(head) < _HEAD:
        raise FileError(f"{path}: is not a logbook (or its beginning is damaged). Check the name, or restore the last backup.")
    for _ in range(4):  # the last of several to close takes both files away, one after the other
        if not Path(f"{path}-shm").exists() or Path(f"{path}-wal").exists():
            break
        time.sleep(0.05)
    else:
        raise FileError(
            f"{path}: its write-ahead log {path.name}-wal is missing while {path.name}-shm stands: after a crash the newest entries are in "
            f"it. Put it back beside the file; if it is lost for good, delete {path.name}-shm to go on with what the file itself holds."
        )
    page = int.from_bytes(head[16:18], "big")
    whole = (65536 if page == 1 else page) * int.from_bytes(head[28:32], "big")
    if write and not _has_log(path) and (size := path.stat().st_size) < whole:  # size last: a checkpoint may be under way
        raise FileError(
            f"{path}: is damaged: it was cut off ({size} bytes of {whole}). Do not write to it: keep a copy, restore the last "
            "backup; what can be read: curecalc log salvage NEW.db --log FILE"
        )
    return True


def _make(path: Path) -> None:
    """Make a new logbook whole beside its place, then put it there in one step; another maker may be quicker."""
    folder = path.parent
    try:
        handle, temporary = tempfile.mkstemp(prefix=".", suffix=".new", dir=folder)
        os.close(handle)
    except OSError as error:
        raise FileError(f"{path}: cannot be made ({error.strerror}). Choose a folder you may write to.") from None
    try:
        with guarded(path):
            connection = Database(sqlite3.connect(temporary, isolation_level=None), server=False)
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


def _version(connection: Database) -> int:
    return int(connection.execute("PRAGMA user_version").value())


def _check_identity(connection: Database, path: Path) -> None:
    if connection.execute("PRAGMA application_id").value() != APPLICATION_ID:
        raise FileError(f"{path}: is a database, but not a logbook of curecalc. Nothing was changed; check the name.")
    version = _version(connection)
    if version > VERSION:
        raise FileError(
            f"{path}: was written by a newer curecalc (logbook version {version}, this one reads up to {VERSION}). "
            "Nothing was changed; update curecalc."
        )


def _upgrade(connection: Database, path: Path) -> None:
    connection.execute("PRAGMA journal_mode = WAL")
    version = _version(connection)
    if version == VERSION:
        return
    kept = path.with_name(f"{path.name}.version-{version}")
    if not kept.exists():
        connection.execute("VACUUM INTO ?", (str(kept),))
    _migrate(connection, version)


def _upgrade_server(database: Database, path: str, create: bool) -> None:
    """Make or upgrade the tables, by the same steps as a file; a role that may only read and add finds them made."""

    def steps() -> int:
        there = database.execute("SELECT to_regclass('schema_step') IS NOT NULL").value()
        return int(database.execute("SELECT coalesce(max(step), 0) FROM schema_step").value()) if there else 0

    version = steps()
    if version > VERSION:
        raise FileError(f"{path}: was made by a newer curecalc (version {version}, this one reads up to {VERSION}). Update curecalc.")
    if version == VERSION:
        return
    if version == 0 and not create:
        raise FileError(f"{path}: holds no logbook yet. It is made by the first entry of its owner: curecalc log add note ...")
    with writing(database):
        version = steps()
        for step in DATABASE_SCRIPTS[version:]:
            database.execute(step)
        if version == 0:
            database.execute("INSERT INTO about VALUES (?, ?)", ("identity", str(uuid.uuid4())))


def _migrate(connection: Database, version: int) -> None:
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
def writing(connection: Database) -> Iterator[None]:
    """One transaction that holds the right to write from its beginning; all of it stands, or nothing."""
    connection.execute("BEGIN" if connection.server else "BEGIN IMMEDIATE")
    try:
        if connection.server:  # numbering and chain: one writer at a time
            connection.execute(f"SELECT pg_advisory_xact_lock({APPLICATION_ID})")
        yield
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(Exception):
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
    except FileError:
        raise
    except Exception as error:
        if not is_server(str(path)) or (said := server_says(error)) is None:
            raise
        raise (Lost if lost(error) else FileError)(f"{path}: {said}") from None


_DAMAGED = (
    "is damaged. Do not write to it: keep a copy, restore the last backup; what can be read: "
    "curecalc log salvage NEW.db --log FILE. SQLite says: {said}."
)
_REFUSED = (
    "cannot be written or read (the disk refused: full, at a size limit, or failing). What was acknowledged is kept; "
    "make room or check the disk, and try again."
)
# by words of what SQLite says
_MEANS = {
    "locked": "is in use by another program (waited {waited:.0f} s). Nothing was written; try again.",
    "readonly": "may not be written: the file or its folder is read-only. Nothing was written; ask for the right to write.",
    "full": "cannot be written, the disk is full. Nothing was written and nothing is lost; make room and try again.",
    "disk I/O": _REFUSED,
    "malformed": _DAMAGED,
    "not a database": _DAMAGED,
    "unable to open": "cannot be opened for writing; the folder may be read-only or full. Ask for the right to write.",
    "append-only": "{said}.",
    "": "refused: {said}.",
}


def _plain(error: sqlite3.Error, waited: float) -> str:
    said = str(error)
    return next(means for words, means in _MEANS.items() if words in said).format(said=said, waited=waited)


def integrity(connection: Database) -> list[str]:
    """What SQLite's own checks find wrong with the file; an empty list when all is well."""
    found: list[str] = []
    if connection.server:
        query = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled = 'O' AND tgrelid::regclass::text = ?"
        for table in ("entry", "attached", "source", "about"):
            names = {name for (name,) in connection.execute(query, (table,))}
            if not {f"{table}_kept", f"{table}_whole"} <= names:
                found.append(f"the triggers of {table} are missing or were changed, so entries may have been tampered with")
        return found
    try:
        for (line,) in connection.execute("PRAGMA integrity_check(20)"):
            if line != "ok":
                found.append("; ".join(str(line).split("\n")))
        for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
            found.append(f"row {row} of {table} points at a missing row of {parent}")
        query = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
        with contextlib.closing(blank()) as expected:
            wanted = {(kind, name): _squeeze(sql) for kind, name, sql in expected.execute(query)}
        there = {(kind, name): _squeeze(sql) for kind, name, sql in connection.execute(query)}
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
