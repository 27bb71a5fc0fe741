"""The chain by its definition, and what a logbook takes and finds at each of its limits."""

import csv
import hashlib
import io
import json
import re

import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.logbook.book import LARGEST_PAYLOAD, LARGEST_SOURCE, Logbook, Source
from curecalc.logbook.entries import check_payload, check_time, name_text
from curecalc.logbook.interchange import csv_text, import_text, json_text
from curecalc.logbook.rows import Row
from curecalc.logbook.series import series
from curecalc.logbook.store import Lost
from curecalc.logbook.verifying import verify
from curecalc.units import Measured, Quantity

POWER = {"power": Measured(Quantity(0.3, "W"), Quantity(6.0, "mW"))}
CURVE = {"penetration_depth": Quantity(0.1, "mm"), "critical_exposure": Quantity(9.0, "mJ/cm^2")}


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "shop.db", create=True) as book:
        yield book


def shop(book) -> None:
    book.add("machine", {"wavelength": Quantity(355.0, "nm")}, machine="north")
    book.add("power", POWER, machine="north", sources=[Source("readings", "p.csv", b"abc"), Source("meter", "m.txt", b"of 2025")])
    book.add("power", POWER, machine="north", corrects=2)
    book.add("note", {"text": "hello"})


def test_every_hash_is_that_of_the_json_list_of_its_entry_and_the_hash_before(book) -> None:
    shop(book)
    assert book.head()[1] == book.entry(4).sha256
    previous = "0" * 64
    for e in book.entries(corrected=True):
        stored = [e.number, e.kind, e.time, e.recorded, e.operator, e.version, e.machine, e.lot, e.beam, e.corrects, e.origin]
        listed = [*stored, e.payload_text, [[one.role, one.name, one.sha256] for one in e.attached], previous]
        assert e.previous == previous
        assert e.sha256 == hashlib.sha256(json.dumps(listed, separators=(",", ":")).encode("ascii")).hexdigest()
        previous = e.sha256


@pytest.mark.parametrize("number", [-1, 0, 5, 10**30, "1", None])
def test_a_number_that_no_entry_has_is_said(book, number) -> None:
    shop(book)
    with pytest.raises(QuantityError, match=f"there is no entry {number}; the logbook holds 4"):
        book.entry(number)
    if number is not None:
        with pytest.raises(QuantityError, match=f"corrects: there is no entry {number}"):
            book.add("note", {"text": "x"}, corrects=number)
    assert len(book) == 4


def test_a_head_noted_earlier_stands_is_missing_or_has_another_hash(book) -> None:
    assert verify(book, head=book.head()).passed  # of an empty logbook
    shop(book)
    number, sha256 = book.head()
    assert verify(book, head=(number, sha256[:8])).passed
    for wrong, words in (
        ((5, sha256), "entry 5, noted earlier, is missing: this logbook ends at entry 4"),
        ((10**30, sha256), f"entry {10**30}, noted earlier, is missing"),
        ((3, sha256), "entry 3 has another hash than was noted earlier"),
    ):
        (problem,) = verify(book, head=wrong).problems
        assert problem.startswith(words)


def test_an_entry_sent_to_a_server_that_is_lost_is_sent_five_times(book, monkeypatch) -> None:
    for failures, written in ((4, True), (5, False)):
        sent, real = [], Logbook._added

        def added(self, *given, sent=sent, real=real, failures=failures):
            sent.append(given)
            if len(sent) <= failures:
                raise Lost("gone")
            return real(self, *given)

        monkeypatch.setattr(Logbook, "_added", added)
        monkeypatch.setattr("curecalc.logbook.store.connect_again", lambda _, old: old)
        if written:
            assert book.add("note", {"text": "x"}).number == 1
        else:
            with pytest.raises(Lost):
                book.add("note", {"text": "y"})
        assert len(sent) == 5
        assert all(one == sent[0] for one in sent)
        monkeypatch.undo()
    assert len(book) == 1


def test_an_entry_may_be_corrected_and_struck_out_so_often(book) -> None:
    book.add("power", POWER, machine="north")
    book.add("power", POWER, machine="north", corrects=1)
    book.add("correction", {"reason": "the first was right"}, corrects=2)
    assert [one.number for one in book.entries()] == [1]
    with pytest.raises(QuantityError, match="entry 1 holds again after corrections"):
        book.add("correction", {"reason": "x"}, corrects=1)  # which would strike out the correction
    replaced = book.add("power", POWER, machine="north", corrects=1)
    assert (replaced.corrects, book.entry(1).corrected_by, [one.number for one in book.entries()]) == (3, 2, [4])
    book.add("correction", {"reason": "the first was right"}, corrects=4)
    assert [one.number for one in book.entries()] == [1]
    with pytest.raises(QuantityError, match=r"entry 1 holds again after corrections\. Write a power entry"):
        book.add("power", POWER, machine="north", corrects=1)


def test_entries_and_values_from_either_end(book) -> None:
    for day in (1, 2, 3, 4):
        book.add("room", {"temperature": Quantity(20.0 + day, "degC")}, time=f"2026-01-0{day}T00:00Z")
    assert [[e.number for e in book.entries(last=n)] for n in (-1, 0, 1, 3)] == [[], [], [4], [2, 3, 4]]
    field = ["temperature.value"]
    assert [row[5] for row in book.values("room", field)] == [21.0, 22.0, 23.0, 24.0]
    assert [row[5] for row in book.values("room", field, first=2)] == [21.0, 22.0]
    assert [row[5] for row in book.values("room", field, last=2)] == [23.0, 24.0]
    since, until = (check_time(f"2026-01-0{day}T00:00Z") for day in (2, 3))
    assert [e.number for e in book.entries(since=since, until=until)] == [2, 3]  # the ends included
    assert book.values("room", [], last=1) == [(4, check_time("2026-01-04T00:00Z"), None, None, None)]


def test_names_that_look_like_a_slip(book) -> None:
    book.add("machine", {}, machine="abcdefgh")
    book.add("lot", {}, lot="abcdefgh", machine="abcdefgh")
    # six letters of eight are alike by 6 x 2 / 16 = 0.75, five by 0.625
    for lot, refused in (("abcdefxy", True), ("ABCDEFXY", True), ("abcdexyz", False)):
        if refused:
            with pytest.raises(QuantityError, match=f"lot: '{lot}' is not in the logbook, but 'abcdefgh' is"):
                book.add("calibration", CURVE, lot=lot)
        else:
            book.add("calibration", CURVE, lot=lot)
    # where machines are introduced, another is refused whatever its name, and the one it holds or is part of is named
    book.add("machine", {}, machine="xyxy")
    for machine, near in (("the abcdefgh in bay 2", "abcdefgh"), ("xy", "xyxy"), ("qqqqyyyy", "xyxy")):
        with pytest.raises(QuantityError, match=f"machine: '{machine}' is not in the logbook, but '{near}' is"):
            book.add("power", POWER, machine=machine)


def test_sources_and_payloads_have_a_largest_size(book, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("curecalc.logbook.book.LARGEST_PAYLOAD", 14)
    assert book.add("note", {"text": "abc"}).payload_text == '{"text":"abc"}'  # 14 characters
    with pytest.raises(QuantityError, match="Keep large data as a source"):
        book.add("note", {"text": "abcd"})
    monkeypatch.setattr("curecalc.logbook.book.LARGEST_PAYLOAD", 2_999_999)
    with pytest.raises(QuantityError, match=r"^the entry is larger than 2 MB\. Keep large data as a source\.$"):
        book.add("note", {"text": "a" * 3_000_000})
    monkeypatch.undo()
    assert (LARGEST_PAYLOAD, LARGEST_SOURCE) == (50e6, 500e6)
    path = tmp_path / "big.csv"
    with path.open("wb") as stream:
        stream.truncate(500_000_001)
    with pytest.raises(FileError, match="is larger than 500 MB"):
        Source.read(path, "scan")


def test_numbers_stay_numbers_in_a_table_and_no_text_becomes_a_formula(book) -> None:
    payload = {"verdict": "=accept", "speed_change": -0.03, "old_lot": "-7", "count": -2, "yes": True, "none": [1], "'x": "y"}
    book.add("comparison", payload, lot="L1")
    book.add("power", POWER, machine="north", sources=[Source("a", "a.txt", b"1")])
    book.add("power", {"power": Quantity(1.0, "W"), "share": {"value": 0.5, "unit": ""}}, machine="north", corrects=2)
    text = csv_text(book.entries(corrected=True))
    head, *rows = (dict(enumerate(row)) for row in csv.reader(io.StringIO(text, newline="")))
    cells = [{head[k]: cell for k, cell in row.items()} for row in rows]
    assert list(head.values())[:15] == [
        *("number", "kind", "time", "recorded", "operator", "version", "machine", "lot", "beam", "corrects", "origin"),
        *("payload", "sources", "previous", "sha256"),
    ]
    first, second, third = cells
    named = {"verdict": "'=accept", "speed_change": "-0.03", "old_lot": "'-7", "count": "-2", "yes": "True", "''x": "y", "none": ""}
    assert {name: first.get(name, "") for name in named} == named
    assert (second["power [mW]"], second["power standard uncertainty [mW]"], second["corrects"]) == ("300.0", "6.0", "")
    assert (third["power [mW]"], third["power standard uncertainty [mW]"], third["corrects"], third["share"]) == ("1000.0", "", "2", "0.5")
    assert json.loads(second["sources"]) == [["a", "a.txt", hashlib.sha256(b"1").hexdigest(), 1]]
    limit = csv.field_size_limit()
    with Logbook(book.path.replace("shop", "other"), create=True) as other:
        assert import_text(other, "\ufeff" + text).added == 3
        assert [other.entry(n).sha256 for n in (1, 2, 3)] == [book.entry(n).sha256 for n in (1, 2, 3)]
    assert csv.field_size_limit() == limit


def test_what_stands_already_and_what_comes_without_its_data(book, tmp_path) -> None:
    shop(book)
    whole = json_text(book, book.entries(corrected=True))
    bare = json.dumps(json.loads(whole) | {"source_data": {}})
    assert len(json.loads(whole)["source_data"]) == 2
    with Logbook(tmp_path / "b.db", create=True) as other:
        assert import_text(other, bare).to_dict() == {"added": 4, "standing": 0, "sources_without_data": 2}
        assert import_text(other, whole).to_dict() == {"added": 0, "standing": 4, "sources_without_data": 0}
        assert [e.origin for e in other.entries(corrected=True)] == [e.origin for e in book.entries(corrected=True)]
    # part of a logbook, and one that begins in its middle, get new numbers and keep what they were as their origin or identity
    for chosen in ([1, 2], [2, 3], [1, 4]):
        with Logbook(tmp_path / f"{chosen}.db", create=True) as other:
            assert import_text(other, json_text(book, [book.entry(n) for n in chosen])).added == 2
            same = [other.entry(k).sha256 == book.entry(n).sha256 for k, n in enumerate(chosen, 1)]
            assert same == [n == k for k, n in enumerate(chosen, 1)]
            assert verify(other).passed
    with Logbook(tmp_path / "c.db", create=True) as other, Logbook(tmp_path / "d.db", create=True) as third:
        other.add("note", {"text": "own"})
        import_text(other, json_text(book, book.entries(corrected=True)))
        # by way of another logbook, what stands is known by its origin
        import_text(third, json_text(book, book.entries(corrected=True)))
        assert import_text(third, json_text(other, other.entries(corrected=True))).to_dict()["added"] == 1


def test_data_that_was_missing_is_kept_when_it_comes(book) -> None:
    sha256 = hashlib.sha256(b"abc").hexdigest()
    book._keep(None, sha256, 3)
    with pytest.raises(FileError, match="is not kept in this logbook"):
        book.source(sha256)
    book.add("note", {"text": "x"}, sources=[Source("a", "a.txt", b"abc")])
    assert book.source(sha256) == b"abc"


def test_entries_of_before_they_had_identities_come_back_as_they_were_or_known_by_their_hash(book, tmp_path) -> None:
    time = "2020-01-01T00:00:00.000000Z"
    with book.together():
        for text in ("a", "b"):
            book._append(Row(0, "note", time, time, "", "0.1", None, None, None, None, "", json.dumps({"text": text}), "", ""), [])
    whole, hashes = json_text(book, book.entries()), [e.sha256 for e in book.entries()]
    with Logbook(tmp_path / "empty.db", create=True) as empty, Logbook(tmp_path / "other.db", create=True) as other:
        assert import_text(empty, whole).added == 2
        assert [(e.sha256, e.origin) for e in empty.entries()] == [(sha256, "") for sha256 in hashes]
        other.add("note", {"text": "own"}, time="2019-01-01")
        assert import_text(other, whole).added == 2
        assert [e.origin for e in other.entries()[1:]] == hashes


def test_what_is_refused_is_shown_in_sixty_characters() -> None:
    long, cut = "x" * 61, "x" * 57 + "..."
    for call in (
        lambda: check_time(long),
        lambda: check_payload(long, {}),
        lambda: check_payload("power", {"power": long}),
        lambda: check_payload("lot", {"expiry": long}),
        lambda: name_text("lot", f"{long}\x1f"),
        lambda: name_text("lot", f"{long} "),
        lambda: series(None, long),
    ):
        with pytest.raises(QuantityError, match=re.escape(f"'{cut}'")):
            call()
