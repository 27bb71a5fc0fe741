"""What a logbook's file must look like, how long others are waited for, and what is said where reading or checking stops."""

import sqlite3
from pathlib import Path
from types import SimpleNamespace

import pytest

from curecalc.errors import FileError
from curecalc.logbook import store, verifying
from curecalc.logbook.book import Logbook, Source
from curecalc.logbook.copies import copy_into
from curecalc.logbook.rows import Row, each_row, parts
from curecalc.logbook.verifying import verify
from curecalc.units import Quantity

TABLES = ("entry", "attached", "source", "about")


def header(page: int, pages: int) -> bytes:
    """The first 100 bytes of a database file by its format: name, size of a page at 16, their number at 28; all else set."""
    head = bytearray(b"SQLite format 3\0" + b"\xff" * 84)
    head[16:18], head[28:32] = page.to_bytes(2, "big"), pages.to_bytes(4, "big")
    return bytes(head)


@pytest.mark.parametrize(
    ("page", "pages", "whole"), [(4096, 3, 12_288), (512, 0x01000001, 512 * 16_777_217), (1, 2, 131_072), (513, 1, 513), (512, 0, 0)]
)
def test_a_file_must_be_as_long_as_its_header_says(tmp_path: Path, page: int, pages: int, whole: int) -> None:
    path, log = tmp_path / "shop.db", tmp_path / "shop.db-wal"
    path.write_bytes(header(page, pages))
    for size, cut in ((max(whole, 100), False), (whole - 1, whole > 100)):
        with path.open("r+b") as stream:
            stream.truncate(max(size, 100))
        if cut:
            with pytest.raises(FileError, match=rf"it was cut off \({whole - 1} bytes of {whole}\)"):
                store.stands(path)
            assert store.stands(path, write=False)
            log.write_bytes(b"")
            with pytest.raises(FileError, match="it was cut off"):
                store.stands(path)
            log.write_bytes(b"x")  # the rest may be there
        assert store.stands(path)


def test_the_first_hundred_bytes_tell_a_logbook(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    for data, words in ((b"", "is empty"), (header(512, 0)[:99], "is not a logbook"), (b"X" + header(512, 0)[1:], "is not a logbook")):
        path.write_bytes(data)
        with pytest.raises(FileError, match=words):
            store.stands(path)


def test_a_missing_log_is_looked_for_four_times(tmp_path: Path, monkeypatch) -> None:
    path, shared = tmp_path / "shop.db", tmp_path / "shop.db-shm"
    path.write_bytes(header(512, 0))
    for gone_after, stands in ((3, True), (4, False)):
        shared.write_bytes(b"")
        slept = []

        def sleep(seconds, slept=slept, gone_after=gone_after):
            slept.append(seconds)
            if len(slept) == gone_after:
                shared.unlink()

        monkeypatch.setattr("time.sleep", sleep)
        if stands:
            assert store.stands(path)
        else:
            with pytest.raises(FileError, match=r"its write-ahead log shop\.db-wal is missing while shop\.db-shm stands"):
                store.stands(path)
        assert len(slept) == gone_after


@pytest.mark.parametrize(("version", "good"), [((3, 37, 9), False), ((3, 38, 0), True), ((3, 38, 1), True)])
def test_the_oldest_database_library(tmp_path: Path, monkeypatch, version, good) -> None:
    monkeypatch.setattr(sqlite3, "sqlite_version_info", version)
    if good:
        assert not store.stands(tmp_path / "shop.db")
    else:
        with pytest.raises(FileError, match=r"needs SQLite 3\.38\.0 or later"):
            store.stands(tmp_path / "shop.db")


def test_a_new_logbook_is_its_group_s_and_a_writer_waits_half_a_minute(tmp_path: Path) -> None:
    path = tmp_path / f"{'n' * 60}.db"
    with Logbook(path, create=True) as book:
        book.add("note", {"text": "x"})
        settings = {
            name: book.connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("busy_timeout", "foreign_keys", "synchronous")
        }
        assert settings == {"busy_timeout": 30_000, "foreign_keys": 1, "synchronous": 2}
        assert path.stat().st_mode & 0o777 == 0o660
    assert path.read_bytes()[68:72] == b"Cure"  # by which other programs know it


@pytest.mark.parametrize(
    ("said", "begins"),
    [
        ("database is locked", "is in use by another program (waited 30 s)."),
        ("attempt to write a readonly database", "may not be written: the file or its folder is read-only."),
        ("database or disk is full", "cannot be written, the disk is full."),
        ("disk I/O error", "cannot be written or read (the disk refused"),
        ("database disk image is malformed", "is damaged. Do not write to it"),
        ("file is not a database", "is damaged. Do not write to it"),
        ("unable to open database file", "cannot be opened for writing"),
        ("the logbook is append-only: write a correction", "the logbook is append-only: write a correction."),
        ("no such table: {x}", "refused: no such table: {x}."),
    ],
)
def test_what_the_database_says_in_one_line(said: str, begins: str) -> None:
    assert store._plain(sqlite3.OperationalError(said), 29.6).startswith(begins)


def test_a_lost_server_is_asked_for_twenty_seconds(monkeypatch) -> None:
    clock, asked, closed = [100.0], [], []

    def connect(path):
        asked.append(clock[0] - 100.0)
        if asked[-1] < back:
            raise store.Lost("gone")
        return path

    monkeypatch.setattr(store, "connect", connect)
    monkeypatch.setattr(
        store, "time", SimpleNamespace(monotonic=lambda: clock[0], sleep=lambda seconds: clock.__setitem__(0, clock[0] + seconds))
    )
    old = SimpleNamespace(close=lambda: closed.append(True))
    back = 3.0
    assert store.connect_again("service=shop", old) == "service=shop"
    assert asked == [0.25 * k for k in range(13)]
    clock[0], back = 100.0, 99.0
    with pytest.raises(store.Lost):
        store.connect_again("service=shop", old)
    assert asked[-1] == 20.25  # the first look later than that
    assert len(closed) == 2


def test_tables_of_a_server_are_of_this_version_or_refused() -> None:
    def upgrade(step: int, create: bool = False) -> list[str]:
        asked = []

        def execute(query, values=()):
            asked.append(query)
            return store.Rows([(step if "max(step)" in query else True,)])

        store._upgrade_server(SimpleNamespace(execute=execute, server=True), "service=shop", create)
        return [query for query in asked if query in store.DATABASE_SCRIPTS or query.startswith("INSERT")]

    assert upgrade(2) == []
    assert upgrade(1) == [*store.DATABASE_SCRIPTS[1:]]
    assert upgrade(0, create=True) == [*store.DATABASE_SCRIPTS, "INSERT INTO about VALUES (?, ?)"]
    for step, said in ((3, r"made by a newer curecalc \(version 3, this one reads up to 2\)\. Update"), (0, "holds no logbook yet")):
        with pytest.raises(FileError, match=said):
            upgrade(step)


@pytest.mark.parametrize(("there", "missing"), [(("kept", "whole"), 0), (("kept", "whole", "more"), 0), (("kept",), 4), (("whole",), 4)])
def test_each_table_of_a_server_has_both_its_triggers(there, missing: int) -> None:
    held = SimpleNamespace(server=True, execute=lambda query, table: [(f"{table[0]}_{one}",) for one in there])
    said = [f"the triggers of {table} are missing or were changed, so entries may have been tampered with" for table in TABLES]
    assert store.integrity(held) == said[:missing]


# ---------------------------------------------------------------- checking


@pytest.fixture
def book(tmp_path: Path):
    with Logbook(tmp_path / "shop.db", create=True) as book:
        yield book


@pytest.mark.parametrize(("wrong", "listed", "more"), [(49, 50, None), (50, 51, "and 1 more problems"), (60, 51, "and 11 more problems")])
def test_fifty_problems_are_listed_and_where_reading_stops(book, monkeypatch, wrong: int, listed: int, more: str | None) -> None:
    def walk(_connection, problems, doubts):
        problems += ["an entry"] * wrong
        doubts += ["a clock"] * wrong
        yield "a" * 64, 7
        raise sqlite3.DatabaseError("database disk image is malformed")

    monkeypatch.setattr(verifying, "_walk", walk)
    found = verify(book)
    assert (found.head, found.entries, found.sources, found.elsewhere) == ("a" * 64, 7, 0, 0)
    assert len(found.problems) == listed
    assert found.problems[-1] == (
        more or "reading stops after entry 7: SQLite says: database disk image is malformed. Restore the last backup."
    )
    assert len(found.doubts) == min(50, wrong)
    assert not found.passed


def test_what_a_whole_logbook_holds(book) -> None:
    book.add("note", {"text": "x"}, time="2026-01-01")
    book.add("note", {"text": "x"}, sources=[Source("a", "a.txt", b"one"), Source("b", "b.txt", b"two")])
    book._keep(None, "0" * 64, 5)
    found = verify(book)
    assert (found.entries, found.head, found.sources, found.elsewhere, found.passed) == (2, book.entry(2).sha256, 2, 1, True)
    assert (found.recomputed, found.unrepeatable, found.doubts) == (0, (), ())


def test_results_are_computed_again_where_their_data_is_kept(book, monkeypatch) -> None:
    power = {"power": Quantity(240.0, "mW")}
    book.add("power", power, machine="A")  # written by hand
    book.add("power", power | {"options": {}}, machine="A")
    book.add("power", power | {"options": {}}, machine="A", sources=[Source("scan", "a.csv", b"1")])
    book.add("power", power | {"options": {}}, machine="A", sources=[Source("scan", "b.csv", b"2")])
    lost = book.entry(4).attached[0].sha256
    book.connection.execute("DROP TRIGGER source_no_update")
    book.connection.execute("UPDATE source SET data = NULL WHERE sha256 = ?", (lost,))
    given = []
    monkeypatch.setattr(verifying, "recompute", lambda entry, sources: given.append((entry.number, sources)) or ["power was 1"])
    monkeypatch.setattr("curecalc.logbook.store.integrity", lambda _: [])
    found = verify(book, again=True)
    assert given == [(3, {"scan": ("a.csv", b"1")})]
    assert (found.recomputed, found.problems) == (1, ("entry 3 (power): power was 1",))
    assert found.unrepeatable == (
        "entry 2 (power): was recorded without its source data",
        "entry 4 (power): its source data b.csv is held elsewhere",
    )
    assert verify(book).recomputed == 0
    monkeypatch.setattr("curecalc.logbook.store.integrity", lambda _: ["broken"])
    assert verify(book, again=True).recomputed == 0


def test_what_a_chain_shows_entry_by_entry(monkeypatch) -> None:
    def row(number, previous, *, time="2026-01-01T08:00:00.000000Z", recorded="2026-01-01T08:00:00.000000Z", payload="{}", attached=()):
        bare = Row(number, "note", time, recorded, "", "", None, None, None, None, "", payload, previous, "")
        return bare._replace(sha256=bare.chained(attached))

    data = [("b", "b.txt", "f" * 64), ("a", "a.txt", "e" * 64)]
    rows = [row(1, "0" * 64, recorded="2026-01-02T08:00:00.000000Z", attached=data)]
    rows.append(row(2, rows[-1].sha256, recorded="2026-01-01T09:00:00.000000Z"))
    rows.append(row(3, rows[-1].sha256, recorded="2026-01-01T09:00:00.000000Z", time="2026-01-01T09:10:01.000000Z"))
    rows.append(row(6, rows[-1].sha256, recorded="2026-01-01T09:00:00.000000Z"))
    rows.append(row(7, "0" * 64, recorded="2026-01-01T09:00:00.000000Z"))
    rows.append(row(8, rows[-1].sha256, recorded="2026-01-01T09:00:00.000000Z")._replace(payload='{"a":1}'))
    rows.append(row(9, rows[-1].sha256, recorded="2026-01-01T09:00:00.000000Z", payload="[]"))
    rows.append(row(10, rows[-1].sha256, recorded="2026-01-01T09:00:00.000000Z")._replace(payload=b"\xff"))
    monkeypatch.setattr(verifying, "each_row", lambda _: rows)
    held = [(1, *one) for one in data] + [(11, "a", "a.txt", "e" * 64)]
    problems, doubts = [], []
    reached = list(verifying._walk(SimpleNamespace(execute=lambda _: held), problems, doubts))
    assert reached == [(one.sha256, one.number) for one in rows]
    assert doubts == [
        "entry 2 was recorded 2026-01-01T09:00, before entry 1: a clock ran backwards or was set",
        "entry 3 is dated 2026-01-01T09:10, ahead of the clock when it was recorded",
    ]
    assert problems == [
        "entries 4 to 5 are missing",
        "entry 7 does not follow entry 6: one of them was changed",
        "entry 8 (note, 2026-01-01) is not as it was written",
        "entry 9 (note, 2026-01-01) cannot be read",
        "entry 10 (note, 2026-01-01) is not as it was written",
        "source data stands for entry 11, which is missing",
    ]


def test_rows_are_read_some_at_a_time_up_to_one(book, monkeypatch) -> None:
    for step in range(7):
        book.add("note", {"text": f"{step}"}, sources=[Source("a", "a.txt", b"%d" % step)])
    monkeypatch.setattr("curecalc.logbook.rows._SOME", 3)
    for last, numbers in ((None, [1, 2, 3, 4, 5, 6, 7]), (7, [1, 2, 3, 4, 5, 6, 7]), (6, [1, 2, 3, 4, 5, 6]), (3, [1, 2, 3]), (0, [])):
        assert [row.number for row in each_row(book.connection, last)] == numbers
    assert [list(some) for some in parts(range(7))] == [[0, 1, 2], [3, 4, 5], [6]]
    assert [entry.attached[0].name for entry in book.entries()] == ["a.txt"] * 7


def test_a_copy_holds_what_stood_up_to_one_entry(book) -> None:
    for step in (1, 2, 1):
        book.add("note", {"text": f"{step}"}, sources=[Source("a", "a.txt", b"%d" % step)])
    target = store.blank()
    copy_into(book.connection, target, 2)
    for query, rows in (
        ("SELECT number, sha256 FROM entry ORDER BY number", [(n, book.entry(n).sha256) for n in (1, 2)]),
        ("SELECT data FROM source ORDER BY data", [(b"1",), (b"2",)]),
        ("SELECT entry, role, name FROM attached ORDER BY entry", [(1, "a", "a.txt"), (2, "a", "a.txt")]),
    ):
        assert target.execute(query) == rows
    target.close()
