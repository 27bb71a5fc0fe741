"""The logbook's file under ill treatment: many writers, kills, damage, full disks, wrong and newer files."""

import gc
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from datetime import datetime
from pathlib import Path

import pytest

from curecalc.errors import FileError
from curecalc.logbook import store
from curecalc.logbook.book import Logbook, Source
from curecalc.logbook.interchange import json_text
from curecalc.logbook.status import shop_status
from curecalc.logbook.verifying import verify
from curecalc.units import Quantity

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def harm(*arguments: object, **options: object) -> dict:
    done = subprocess.run(
        [sys.executable, str(HERE / "harm.py"), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=300,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=False,
        **options,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def filled(path: Path, count: int = 40) -> None:
    with Logbook(path, create=True) as book:
        for step in range(count):
            data = [Source("scan", f"scan{step}.csv", bytes([step]) * 3000)] if step % 4 == 0 else []
            book.add("note", {"text": f"note {step} " + "z" * 200}, machine="north", sources=data)


# ---------------------------------------------------------------- many writers, kills


@pytest.mark.slow
def test_eight_writers_at_once_lose_nothing(tmp_path) -> None:
    got = harm("writers", tmp_path / "shop.db", 8, 200)
    assert got["statuses"] == [0] * 8
    assert got["entries"] == 1600
    assert sorted(got["texts"]) == sorted(f"{name}/{step}" for name in range(8) for step in range(200))
    assert got["problems"] == []


@pytest.mark.slow
def test_two_hundred_kills_lose_no_acknowledged_entry(tmp_path) -> None:
    got = harm("kills", tmp_path / "shop.db", 200)
    assert got["turns_with_entries"] >= 150
    assert got["acknowledged"] > 200
    assert got["failed"] == []
    assert got["problems"] == []
    assert got["entries"] >= got["acknowledged"]


@pytest.mark.slow
def test_a_few_kills_lose_no_acknowledged_entry(tmp_path) -> None:
    got = harm("kills", tmp_path / "shop.db", 10)
    assert got["acknowledged"] >= 7  # three writers of four are killed after their first entry
    assert (got["failed"], got["problems"]) == ([], [])


@pytest.mark.slow
def test_killed_while_it_is_made_a_logbook_is_whole_or_not_there(tmp_path) -> None:
    got = harm("creation", tmp_path, 40)
    assert got["broken"] == []
    assert got["whole"] + got["absent"] == 40
    assert got["whole"] > 0
    assert got["absent"] > 0


# ---------------------------------------------------------------- append-only


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET operator = 'x' WHERE number = 3",
        "DELETE FROM entry WHERE number = 40",
        "UPDATE attached SET name = 'x'",
        "DELETE FROM attached",
        "UPDATE source SET data = x'00'",
        "DELETE FROM source",
        "UPDATE about SET value = 'x'",
        "DELETE FROM about",
        "INSERT INTO entry SELECT 99, 'note', time, '', '', '', '', '', '', NULL, '', '{}', '', hex(randomblob(32)) FROM entry",
        "INSERT OR REPLACE INTO entry SELECT * FROM entry WHERE number = 2",
        "INSERT INTO source VALUES (hex(randomblob(32)), 5, x'00')",
        "INSERT INTO attached VALUES (1000, 'r', 'n', (SELECT sha256 FROM source LIMIT 1))",
    ],
)
def test_what_was_written_cannot_be_changed_or_taken_away(tmp_path, statement: str) -> None:
    path = tmp_path / "shop.db"
    filled(path)
    with Logbook(path) as book:
        with pytest.raises(sqlite3.Error):
            book.connection.execute(statement)
        assert verify(book).passed


# ---------------------------------------------------------------- damage


@pytest.mark.parametrize("turns", [40, pytest.param(150, marks=pytest.mark.slow)])
def test_a_flipped_byte_is_found_wherever_it_matters(tmp_path, turns) -> None:
    """Every byte that holds an entry, its source or the structure is covered; only unused space may differ unseen."""
    clean = tmp_path / "clean.db"
    filled(clean)
    with Logbook(clean) as book:
        wanted = [(e.to_dict(), [book.source(a.sha256) for a in e.attached]) for e in book.entries(corrected=True)]
    data = clean.read_bytes()
    rng = random.Random(5)
    found = unseen = 0
    for turn in range(turns):
        place = rng.randrange(len(data))
        broken = bytearray(data)
        broken[place] ^= 1 << rng.randrange(8)
        path = tmp_path / f"broken{turn}.db"
        path.write_bytes(broken)
        try:
            with Logbook(path, write=False) as book:
                problems = verify(book).problems
                if problems:
                    found += 1
                    continue
                there = [(e.to_dict(), [book.source(a.sha256) for a in e.attached]) for e in book.entries(corrected=True)]
        except FileError:
            found += 1
            continue
        assert there == wanted, place
        unseen += 1
    assert found > turns / 4
    assert unseen + found == turns


def test_every_byte_of_an_entry_and_of_its_source_counts(tmp_path) -> None:
    clean = tmp_path / "clean.db"
    filled(clean)
    data = clean.read_bytes()
    text, scan = data.index(b"note 17 "), data.index(bytes([36]) * 100)
    for place in [*range(text, text + 8), *range(scan, scan + 8)]:
        path = tmp_path / "broken.db"
        path.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
        with Logbook(path, write=False) as book:
            assert len(verify(book).problems) == 1


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_truncated_file_is_named_and_left_alone(tmp_path, share: float) -> None:
    path = tmp_path / "shop.db"
    filled(path)
    data = path.read_bytes()
    short = data[: int(len(data) * share)]
    path.write_bytes(short)
    said = []
    try:
        with Logbook(path) as book:
            said += verify(book).problems
            for _ in range(30):
                book.add("note", {"text": "more"})
    except FileError as error:
        said.append(str(error))
    assert said
    assert any(word in said[-1] for word in ("empty", "damaged", "not a logbook", "SQLite says"))
    if share in (0.0, 0.1):
        assert path.read_bytes() == short


def test_a_changed_entry_a_missing_entry_and_lost_triggers_are_named(tmp_path) -> None:
    path = tmp_path / "shop.db"
    filled(path)
    raw = sqlite3.connect(path)
    raw.execute("DROP TRIGGER entry_no_update")
    raw.execute("UPDATE entry SET payload = json_set(payload, '$.text', 'other') WHERE number = 7")
    raw.commit()
    raw.close()
    with Logbook(path, write=False) as book:
        problems = verify(book).problems
    assert any("trigger entry_no_update is missing" in p for p in problems)
    assert any("entry 7 (note, " in p and "not as it was written" in p for p in problems)

    shutil.copy(path, tmp_path / "b.db")
    raw = sqlite3.connect(tmp_path / "b.db")
    raw.execute("DROP TRIGGER entry_no_delete")
    raw.execute("DELETE FROM entry WHERE number = 20")
    raw.execute("DELETE FROM entry WHERE number = 21")
    raw.commit()
    raw.close()
    with Logbook(tmp_path / "b.db", write=False) as book:
        assert any("entries 20 to 21 are missing" in p for p in verify(book).problems)


def test_an_entry_changed_with_its_hash_breaks_the_chain(tmp_path) -> None:
    path = tmp_path / "shop.db"
    filled(path)
    raw = sqlite3.connect(path)
    trigger = raw.execute("SELECT sql FROM sqlite_master WHERE name = 'entry_no_update'").fetchone()[0]
    raw.execute("DROP TRIGGER entry_no_update")
    raw.execute("UPDATE entry SET sha256 = replace(sha256, substr(sha256, 1, 8), '00000000') WHERE number = 7")
    raw.execute(trigger)
    raw.commit()
    raw.close()
    with Logbook(path, write=False) as book:
        problems = verify(book).problems
    assert "entry 8 does not follow entry 7: one of them was changed" in problems


def test_changed_source_data_is_named(tmp_path) -> None:
    path = tmp_path / "shop.db"
    filled(path)
    raw = sqlite3.connect(path)
    trigger = raw.execute("SELECT sql FROM sqlite_master WHERE name = 'source_no_update'").fetchone()[0]
    raw.execute("DROP TRIGGER source_no_update")
    raw.execute("UPDATE source SET data = zeroblob(size)  WHERE rowid = 2")
    raw.execute(trigger)
    raw.commit()
    raw.close()
    with Logbook(path, write=False) as book:
        assert ["the source data" in p for p in verify(book).problems] == [True]


# ---------------------------------------------------------------- full disk, no right to write


def test_a_file_that_may_not_grow_keeps_what_was_acknowledged(tmp_path) -> None:
    path = tmp_path / "shop.db"
    got = harm("full", path, 300_000)
    assert "\n" not in got["said"]
    assert "disk" in got["said"]
    assert got["done"] > 5
    with Logbook(path) as book:
        assert len(book) == got["done"]
        assert verify(book).passed
        book.add("note", {"text": "room again"})


def test_a_full_database_says_so_and_loses_nothing(tmp_path) -> None:
    path = tmp_path / "shop.db"
    filled(path, 10)
    with Logbook(path) as book:
        pages = book.connection.execute("PRAGMA page_count").fetchone()[0]
        book.connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(FileError, match=r"the disk is full\. Nothing was written and nothing is lost"):
            book.add("note", {"text": "x" * 100_000})
        assert len(book) == 10
        assert verify(book).passed


def test_a_truly_full_disk(tmp_path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", disk], capture_output=True, check=False)
    if mounted.returncode:
        pytest.skip("mounting a small disk needs rights that are not given here")
    try:
        done, said = 0, ""
        try:
            with Logbook(disk / "shop.db", create=True) as book:
                for done in range(1000):  # noqa: B007
                    book.add("note", {"text": "x" * 3000})
        except FileError as error:
            said = str(error)
        assert "disk" in said
        with Logbook(disk / "shop.db", write=False) as book:
            assert len(book) == done > 5
            assert verify(book).passed
    finally:
        subprocess.run(["umount", disk], check=True)


def test_in_a_folder_that_may_not_be_written_reading_works_and_writing_says_why() -> None:
    folder = Path(tempfile.mkdtemp())  # not below pytest's own folder, which only its owner may enter
    filled(folder / "shop.db", 5)
    folder.chmod(0o555)
    (folder / "shop.db").chmod(0o444)
    try:
        got = harm("readonly", folder / "shop.db")
        left = os.listdir(folder)
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)
    assert got["read"] == [5, True]
    assert "may not be written" in got["add"] or "cannot be opened for writing" in got["add"]
    assert "cannot be made" in got["make"]
    assert left == ["shop.db"]


# ---------------------------------------------------------------- wrong files, versions


def test_files_that_are_not_logbooks_are_named_and_left_alone(tmp_path) -> None:
    other = tmp_path / "other.db"
    raw = sqlite3.connect(other)
    raw.execute("CREATE TABLE t (x)")
    raw.close()
    text = tmp_path / "text.db"
    text.write_text("hello, this is some text that is no database")
    for path, words in ((other, "is a database, but not a logbook"), (text, "is not a logbook"), (tmp_path, "is a folder")):
        before = path.read_bytes() if path.is_file() else None
        with pytest.raises(FileError, match=words):
            Logbook(path, create=True)
        assert before is None or path.read_bytes() == before
    with pytest.raises(FileError, match=r"there is no such logbook\. It is made by the first entry"):
        Logbook(tmp_path / "gone.db")
    with pytest.raises(FileError, match=r"does not stand\. Make it first"):
        Logbook(tmp_path / "gone" / "shop.db", create=True)


def test_a_logbook_that_is_forgotten_is_closed(tmp_path) -> None:
    book = Logbook(tmp_path / "shop.db", create=True)
    book.add("note", {"text": "a"})
    raw = book.connection._connection
    assert (tmp_path / "shop.db-wal").exists()
    del book
    gc.collect()
    assert not (tmp_path / "shop.db-wal").exists(), "the last one to close folds the log into the file"
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        raw.execute("SELECT 1")


def test_a_newer_file_is_refused_and_left_alone(tmp_path) -> None:
    path = tmp_path / "shop.db"
    filled(path, 3)
    raw = sqlite3.connect(path)
    raw.execute(f"PRAGMA user_version = {store.VERSION + 1}")
    raw.close()
    before = path.read_bytes()
    with pytest.raises(FileError, match=r"written by a newer curecalc \(logbook version 3, this one reads up to 2\)"):
        Logbook(path)
    assert path.read_bytes() == before


# dumps of logbooks by the programs of their time: when version 1 was the newest; and version 2 before status judged the recipe in force,
# before servers, before entries had an identity of their own
OLD = {"first_version.sql": (1, 4), "second_version.sql": (2, 9)}


def old_file(path: Path, dump: str) -> None:
    raw = sqlite3.connect(path)
    raw.executescript((HERE / dump).read_text())
    raw.execute(f"PRAGMA user_version = {OLD[dump][0]}")
    raw.execute(f"PRAGMA application_id = {store.APPLICATION_ID}")
    raw.close()


@pytest.mark.parametrize("dump", OLD)
def test_a_file_of_an_earlier_program_is_read_and_upgraded(tmp_path, dump: str) -> None:
    path, (version, count) = tmp_path / "shop.db", OLD[dump]
    old_file(path, dump)
    with Logbook(path, write=False) as book:
        old = [entry.to_dict() for entry in book.entries(corrected=True)]
        assert len(old) == count
        head = book.head()
    assert path.read_bytes()[18:20] == b"\1\1"  # of its time: no write-ahead log
    with Logbook(path) as book:
        assert [entry.to_dict() for entry in book.entries(corrected=True)] == old
        assert path.read_bytes()[18:20] == b"\2\2"
        assert verify(book, head=head).passed
        book.add("note", {"text": "after the upgrade"})
        assert verify(book, head=head).passed
        assert json.loads(json_text(book, book.entries(corrected=True)))
    kept = tmp_path / f"shop.db.version-{version}"
    assert kept.exists() == (version < store.VERSION)
    if kept.exists():
        raw = sqlite3.connect(kept)
        assert raw.execute("PRAGMA user_version").fetchone()[0] == version
        assert raw.execute("SELECT count(*) FROM entry").fetchone()[0] == count
        raw.close()


def test_a_machine_of_an_earlier_program_is_judged(tmp_path) -> None:
    old_file(tmp_path / "shop.db", "second_version.sql")
    with Logbook(tmp_path / "shop.db") as book:
        recorded = datetime.fromisoformat(book.entry(9).recorded).timestamp() / 86400.0
        (one,) = shop_status(book, now=recorded + 0.01).machines
        assert (one.lot, one.power) == ("L7", 239.0)
        # its recipe carries no promises of each kind: the settings of its main kind are judged, by layer and overcure it states
        assert [kind.kind for kind in one.kinds] == ["hatch"]
        assert one.state == "near"
        book.add("power", {"power": Quantity(150.0, "mW")}, machine="north")
        book.add("power", {"power": Quantity(150.0, "mW")}, machine="north")
        (one,) = shop_status(book).machines
        assert one.due


def test_an_upgrade_that_fails_leaves_the_old_file(tmp_path, monkeypatch) -> None:
    path = tmp_path / "shop.db"
    filled(path, 3)
    bad = (*store.MIGRATIONS, "CREATE TABLE more (x) STRICT;\nCREATE TABLE entry (x INTEGER);\n")
    monkeypatch.setattr(store, "MIGRATIONS", bad)
    monkeypatch.setattr(store, "VERSION", len(bad))
    with pytest.raises(FileError, match="refused"):
        Logbook(path)
    monkeypatch.undo()
    with Logbook(path) as book:
        assert verify(book).passed


def test_an_old_sqlite_is_named(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 34, 0))
    with pytest.raises(FileError, match=r"needs SQLite 3\.38\.0 or later"):
        Logbook(tmp_path / "shop.db", create=True)


def test_a_logbook_held_by_another_program_says_so(tmp_path, monkeypatch) -> None:
    path = tmp_path / "shop.db"
    filled(path, 1)
    monkeypatch.setattr(store, "BUSY_SECONDS", 0.2)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Logbook(path) as book:
        with pytest.raises(FileError, match="in use by another program"):
            book.add("note", {"text": "x"})
        other.execute("ROLLBACK")
        assert book.add("note", {"text": "x"}).number == 2
    other.close()
