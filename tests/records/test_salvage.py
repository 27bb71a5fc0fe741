"""What a damaged file still holds goes into a new logbook that says so; the damaged file stays as it was."""

import hashlib
import random
import sqlite3
from pathlib import Path

import pytest

from curecalc.cli import main
from curecalc.errors import FileError
from curecalc.logbook.book import Logbook, Source
from curecalc.logbook.salvage import _each, _spans, salvage
from curecalc.logbook.verifying import verify
from curecalc.units import Quantity


def filled(path: Path, count: int = 60) -> list[tuple]:
    with Logbook(path, create=True) as book:
        for step in range(count):
            data = [Source("scan", f"scan{step}.csv", bytes([step]) * 3000)] if step % 4 == 0 else []
            book.add("power", {"power": Quantity(200.0 + step, "mW"), "note": "z" * 300}, machine="north", sources=data)
        book.add("power", {"power": Quantity(99.0, "mW")}, corrects=min(7, count))
        return [(e.kind, e.time, e.recorded, e.payload_text, e.sha256) for e in book.entries(corrected=True)]


def held(path: Path) -> list[tuple]:
    with Logbook(path, write=False) as book:
        assert verify(book).passed
        return [(e.kind, e.time, e.recorded, e.payload_text, e.origin) for e in book.entries(corrected=True) if e.number > 1]


def test_a_whole_file_is_salvaged_whole_and_says_so(tmp_path) -> None:
    wanted = filled(tmp_path / "a.db")
    found = salvage(tmp_path / "a.db", tmp_path / "b.db")
    assert (found.kept, found.lost, found.changed, found.without_data, found.whole) == (61, (), (), 0, True)
    assert sorted(held(tmp_path / "b.db")) == sorted(wanted)
    with Logbook(tmp_path / "b.db") as book:
        assert book.entry(1).payload["text"].startswith("salvaged from a.db: 61 entries of 61 could be read as they were written")
        with Logbook(tmp_path / "a.db", write=False) as old:
            assert book.entry(1).payload["text"].endswith("; its last entry kept is {}, {}".format(*old.head()))
        assert book.entry(8).corrected_by == 62  # the correction still corrects
        assert book.latest("power").payload["power"]["value"] == 259.0
        assert book.source(book.entry(2).attached[0].sha256) == bytes(3000)


@pytest.mark.parametrize("turns", [12, pytest.param(40, marks=pytest.mark.slow)])
def test_pages_that_are_gone_cost_what_stood_on_them_and_no_more(tmp_path, turns) -> None:
    wanted = set(filled(tmp_path / "a.db"))
    data = (tmp_path / "a.db").read_bytes()
    rng = random.Random(3)
    lost = 0
    for turn in range(turns):
        broken = bytearray(data)
        page = rng.randrange(1, len(data) // 4096)  # not the first, which holds the layout
        broken[4096 * page : 4096 * (page + 1)] = rng.randbytes(4096)
        path, new = tmp_path / f"broken{turn}.db", tmp_path / f"new{turn}.db"
        path.write_bytes(broken)
        try:
            found = salvage(path, new)
        except FileError:  # the root of the table was on it
            with pytest.raises(FileError, match=r"no entry of it can be read|nothing can be salvaged"):
                salvage(path, new)
            continue
        there = held(new)
        assert set(there) <= wanted  # nothing is made up or changed
        assert len(there) == found.kept
        lost += len(wanted) - found.kept
        assert path.read_bytes() == bytes(broken)
    assert lost > 0


@pytest.mark.parametrize("share", [0.4, 0.7, 0.95])
def test_a_cut_file_gives_what_it_still_holds(tmp_path, capsys, share: float) -> None:
    wanted = set(filled(tmp_path / "a.db"))
    data = (tmp_path / "a.db").read_bytes()
    (tmp_path / "cut.db").write_bytes(data[: int(len(data) * share)])
    assert main(["log", "add", "note", "--note", "x", "--log", str(tmp_path / "cut.db")]) == 2
    assert "curecalc log salvage NEW.db --log FILE" in capsys.readouterr().err
    status = main(["log", "salvage", str(tmp_path / "new.db"), "--log", str(tmp_path / "cut.db")])
    out, err = capsys.readouterr()
    assert status in (1, 2)
    if status == 1:
        assert "could be read as they were written" in out
        assert set(held(tmp_path / "new.db")) < wanted
    else:
        assert err.count("\n") == 1


def test_a_changed_entry_is_left_out_and_named(tmp_path) -> None:
    filled(tmp_path / "a.db")
    raw = sqlite3.connect(tmp_path / "a.db")
    raw.execute("DROP TRIGGER entry_no_update")
    raw.execute("UPDATE entry SET payload = '{}' WHERE number IN (3, 4, 9)")
    raw.commit()
    raw.close()
    found = salvage(tmp_path / "a.db", tmp_path / "b.db")
    assert (found.changed, found.kept) == ((3, 4, 9), 58)
    assert "not as written: 3 to 4, 9" in found.text()


def test_a_correction_of_a_lost_entry_is_named_with_it(tmp_path) -> None:
    filled(tmp_path / "a.db", 5)
    with Logbook(tmp_path / "a.db") as book:
        book.add("correction", {"reason": "wrong"}, corrects=3)  # entry 7
    raw = sqlite3.connect(tmp_path / "a.db")
    raw.execute("DROP TRIGGER entry_no_update")
    raw.execute("UPDATE entry SET payload = '{}' WHERE number = 3")
    raw.commit()
    raw.close()
    found = salvage(tmp_path / "a.db", tmp_path / "b.db")
    assert (found.changed, found.lost) == ((3,), (7,))


def test_what_struck_out_a_correction_that_is_lost_is_lost_with_it_and_nothing_may_be_left(tmp_path) -> None:
    with Logbook(tmp_path / "a.db", create=True) as book:
        book.add("note", {"text": "a"})
        book.add("correction", {"reason": "wrong"}, corrects=1)
        book.add("correction", {"reason": "right"}, corrects=2)
    raw = sqlite3.connect(tmp_path / "a.db")
    raw.execute("DROP TRIGGER entry_no_update")
    raw.execute("UPDATE entry SET payload = '{}' WHERE number = 1")
    raw.commit()
    with pytest.raises(FileError, match="no entry of it can be read as it was written"):
        salvage(tmp_path / "a.db", tmp_path / "b.db")
    assert not (tmp_path / "b.db").exists()
    raw.close()
    with Logbook(tmp_path / "a.db") as book:
        book.add("note", {"text": "b"})
    found = salvage(tmp_path / "a.db", tmp_path / "b.db")
    assert (found.kept, found.changed, found.lost) == (1, (1,), (2, 3))


def test_what_cannot_be_salvaged_is_said(tmp_path) -> None:
    filled(tmp_path / "a.db", 3)
    with pytest.raises(FileError, match="must be a new file"):
        salvage(tmp_path / "a.db", tmp_path / "a.db")
    with pytest.raises(FileError, match="cannot be read"):
        salvage(tmp_path / "none.db", tmp_path / "b.db")
    (tmp_path / "text.db").write_text("no database at all" * 100)
    with pytest.raises(FileError, match="nothing can be salvaged"):
        salvage(tmp_path / "text.db", tmp_path / "b.db")
    assert not (tmp_path / "b.db").exists()


class Shelf:
    """A file whose last number cannot be read, with entries of these numbers."""

    def __init__(self, *numbers: int) -> None:
        self.numbers = numbers

    def execute(self, query: str, values: tuple = ()) -> "Shelf":
        if "max(number)" in query:
            raise sqlite3.DatabaseError("malformed")
        self.found = [(number, *"abcdefghijklm") for number in values if number in self.numbers]
        return self

    def fetchall(self) -> list[tuple]:
        return self.found


@pytest.mark.parametrize(("numbers", "kept", "lost"), [((1, 3, 2003), [1, 3, 2003], 2000), ((1, 3, 2004), [1, 3], 1)])
def test_where_the_end_is_not_known_two_thousand_missing_numbers_are_the_end(numbers, kept, lost) -> None:
    found = list(_each(Shelf(*numbers), "a.db"))
    assert [number for number, row in found if row is not None] == kept
    assert sum(row is None for _, row in found) == lost


def test_numbers_are_told_in_spans() -> None:
    assert _spans((3,)) == "3"
    assert _spans((1, 2, 4, 6, 7, 8)) == "1 to 2, 4, 6 to 8"


def test_source_data_that_is_lost_or_changed_leaves_its_entry(tmp_path) -> None:
    filled(tmp_path / "a.db", 9)  # data with the first, the fifth and the ninth
    raw = sqlite3.connect(tmp_path / "a.db")
    for name in ("source_no_update", "source_no_delete"):
        raw.execute(f"DROP TRIGGER {name}")
    raw.execute("PRAGMA ignore_check_constraints = 1")
    first, fifth = (sha256 for (sha256,) in raw.execute("SELECT sha256 FROM attached ORDER BY entry LIMIT 2"))
    raw.execute("UPDATE source SET data = ? WHERE sha256 = ?", (bytes([7]) * 3000, first))
    raw.execute("DELETE FROM source WHERE sha256 = ?", (fifth,))
    raw.commit()
    raw.close()
    found = salvage(tmp_path / "a.db", tmp_path / "b.db")
    assert (found.kept, found.without_data, found.whole) == (10, 2, False)
    with Logbook(tmp_path / "b.db") as book:
        sizes = {one.sha256: one.size for entry in book.entries() for one in entry.attached}
        assert [sizes[first], sizes[fifth]] == [3000, 0]
        assert book.source(hashlib.sha256(bytes([8]) * 3000).hexdigest()) == bytes([8]) * 3000
        assert (verify(book).passed, verify(book).sources, verify(book).elsewhere) == (True, 1, 2)
