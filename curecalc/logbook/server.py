"""The logbook's tables on a PostgreSQL server, and what the server says in one line."""

from __future__ import annotations

from typing import Any

from ..errors import FileError
from ..units.kinds import clip

__all__ = ["DATABASE_SCRIPTS", "GRANTS", "is_server", "lost", "open_server", "server_says"]

_FIRST = """
CREATE TABLE schema_step (step INTEGER PRIMARY KEY);
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE source (
    sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64),
    size BIGINT NOT NULL CHECK (size >= 0),
    data BYTEA CHECK (data IS NULL OR length(data) = size)
);
CREATE TABLE entry (
    number BIGINT PRIMARY KEY CHECK (number > 0),
    kind TEXT NOT NULL CHECK (kind <> ''),
    time TEXT NOT NULL,
    recorded TEXT NOT NULL,
    operator TEXT NOT NULL,
    version TEXT NOT NULL,
    machine TEXT,
    lot TEXT,
    beam TEXT,
    corrects BIGINT UNIQUE REFERENCES entry (number) CHECK (corrects < number),
    origin TEXT NOT NULL,
    payload TEXT NOT NULL CHECK (payload::jsonb IS NOT NULL),
    previous TEXT NOT NULL,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64)
);
CREATE TABLE attached (
    entry BIGINT NOT NULL REFERENCES entry (number),
    role TEXT NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL REFERENCES source (sha256),
    PRIMARY KEY (entry, role)
);
CREATE FUNCTION logbook_keeps() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the logbook is append-only: write a correction'; END $$;
CREATE FUNCTION logbook_order() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entry) THEN
        RAISE EXCEPTION 'entries are numbered one after the other';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER entry_in_order BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION logbook_order();
CREATE TRIGGER entry_kept BEFORE UPDATE OR DELETE ON entry FOR EACH ROW EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER attached_kept BEFORE UPDATE OR DELETE ON attached FOR EACH ROW EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER about_kept BEFORE UPDATE OR DELETE ON about FOR EACH ROW EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER source_kept BEFORE DELETE ON source FOR EACH ROW EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER source_unchanged BEFORE UPDATE ON source FOR EACH ROW
WHEN (OLD.data IS NOT NULL OR NEW.sha256 <> OLD.sha256 OR NEW.size <> OLD.size) EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER entry_whole BEFORE TRUNCATE ON entry EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER attached_whole BEFORE TRUNCATE ON attached EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER about_whole BEFORE TRUNCATE ON about EXECUTE FUNCTION logbook_keeps();
CREATE TRIGGER source_whole BEFORE TRUNCATE ON source EXECUTE FUNCTION logbook_keeps();
INSERT INTO schema_step VALUES (1);
"""

_SECOND = """
CREATE INDEX entry_by_time ON entry (time);
CREATE INDEX entry_by_kind ON entry (kind, time);
CREATE INDEX entry_by_machine ON entry (machine, kind, time);
CREATE INDEX entry_by_lot ON entry (lot, kind, time);
CREATE INDEX entry_by_origin ON entry (origin) WHERE origin <> '';
CREATE INDEX attached_by_source ON attached (sha256);
INSERT INTO schema_step VALUES (2);
"""

DATABASE_SCRIPTS: tuple[str, ...] = (_FIRST, _SECOND)  # step by step as the file's; never edited once released

# what a desk's role needs, and no more
GRANTS = "GRANT SELECT ON schema_step, about TO {role}; GRANT SELECT, INSERT ON entry, attached, source TO {role};"


def is_server(path: str) -> bool:
    """Whether a logbook's name is that of a server, as libpq writes it: an address or `service=NAME`."""
    return path.startswith(("postgresql://", "postgres://", "service="))


def open_server(path: str) -> Any:
    """A connection by libpq's own ways: password file, service file, environment, certificates."""
    try:
        import psycopg
        from psycopg.conninfo import conninfo_to_dict
    except ImportError:
        raise FileError(f"{path.split('@')[-1]}: a logbook on a server needs: pip install 'curecalc[shared]'") from None
    try:
        given = conninfo_to_dict(path)
    except psycopg.Error as error:
        raise FileError(f"--log: {clip(path)} is no address of a server ({' '.join(str(error).split())}).") from None
    if "password" in given:
        raise FileError(
            "--log: a password on a command line can be read by everyone on this computer. Leave it out and keep it in libpq's password "
            "file (~/.pgpass), or name a service: --log service=shop"
        )
    return psycopg.connect(path, autocommit=True, connect_timeout=10, application_name="curecalc")


def lost(error: Exception) -> bool:
    """Whether the connection itself failed, not what was asked of it."""
    import psycopg

    return isinstance(error, psycopg.OperationalError)


def server_says(error: Exception) -> str | None:
    """What the server or its driver said, in one line with the way out; None when it is no error of theirs."""
    import psycopg

    if not isinstance(error, psycopg.Error):
        return None
    said = " ".join(str(error).split())[:200]
    if isinstance(error, psycopg.errors.InsufficientPrivilege):
        return f"this role may not do that ({said}). A desk's role reads and adds entries; nobody changes them."
    if "append-only" in said or "one after the other" in said:
        return f"{said.split(' CONTEXT')[0]}."
    if isinstance(error, psycopg.OperationalError):
        return f"the server cannot be reached or was lost ({said}). No half entry stands; repeat it when the server is back."
    return f"the server refused: {said}."
