"""Entries: what may be written, corrections, hostile text, export and import, backup, the chain."""

import csv
import io
import json
import math
import re
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import curecalc
from curecalc.errors import FileError, QuantityError
from curecalc.logbook.book import Logbook, Source
from curecalc.logbook.entries import ENTRY_KINDS, check_time
from curecalc.logbook.interchange import csv_text, import_text, json_text, neutral, restored
from curecalc.logbook.verifying import verify
from curecalc.units import Measured, Quantity

POWER = {"power": Measured(Quantity(0.3, "W"), Quantity(6.0, "mW"))}
HOSTILE = [
    "'; DROP TABLE entry; --",
    '=HYPERLINK("http://192.0.2.1","x")',
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "'quoted",
    "''twice",
    "line one\nline two\r\nline three",
    "\u202eright to left\u202c \u200f",
    "zero\x00inside",
    "\x1b[2J\x07",
    'tab\tcomma,semicolon;"quotes"',
    "ünïcödé 漢字 🧪",
    "\ud800",
    "<script>alert(1)</script>",
    "%s %n {0} ${x}",
    " ",
    "x" * 1_000_000,
    "null",
    "{}",
    "\ufeffbom",
]


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "shop.db", create=True) as book:
        yield book


def test_an_entry_comes_back_as_it_was_written(book) -> None:
    made = book.add(
        "power",
        POWER | {"meter": "A", "extra": [1, {"deep": None}]},
        machine="north",
        lot="L1",
        operator="ab",
        time="2026-03-01T12:00:00+02:00",
        sources=[Source("readings", "power.csv", b"1,2\n")],
    )
    again = book.entry(1)
    assert made == again
    assert again.time == "2026-03-01T10:00:00.000000Z"
    assert again.payload["power"] == {"value": 300.0, "unit": "mW", "standard_uncertainty": 6.0}
    assert again.quantity("power").standard_uncertainty.m_as("mW") == 6.0
    assert again.quantity("meter") is None
    assert again.payload["extra"] == [1, {"deep": None}]
    assert (again.operator, again.version, again.machine, again.lot, again.beam) == ("ab", curecalc.__version__, "north", "L1", None)
    assert book.source(again.attached[0].sha256) == b"1,2\n"
    assert json.loads(json.dumps(again.to_dict()))["sources"][0]["name"] == "power.csv"


def test_corrections_replace_and_strike_out_without_erasing(book) -> None:
    book.add("power", POWER, machine="north")
    book.add("power", POWER, machine="north")
    fixed = book.add("power", {"power": Quantity(290.0, "mW"), "reason": "meter off"}, machine="north", corrects=1)
    struck = book.add("correction", {"reason": "lamp was cold"}, corrects=2)
    assert [entry.number for entry in book.entries()] == [fixed.number]
    # a correction keeps the time of what it corrects: it does not become the newest reading
    assert fixed.time == book.entry(1).time
    assert [entry.number for entry in book.entries(corrected=True)] == [1, 3, 2, 4]
    assert (book.entry(1).corrected_by, book.entry(2).corrected_by) == (3, 4)
    assert book.latest("power", machine="north").number == 3
    again = book.add("power", {"power": Quantity(291.0, "mW")}, machine="north", corrects=3)
    assert [entry.number for entry in book.entries()] == [again.number]
    back = book.add("correction", {"reason": "it was warm after all"}, corrects=struck.number)
    assert back.number == 6
    assert verify(book).passed


def test_listing_by_what_entries_are_about(book) -> None:
    for day in range(1, 11):
        machine = "north" if day % 2 else "south"
        book.add("power", POWER, machine=machine, time=f"2026-03-{day:02d}T00:00:00+00:00")
    book.add("room", {"temperature": Quantity(22.0, "degC"), "humidity": 0.5}, time="2026-02-01")
    assert book.entries()[0].kind == "room"
    assert len(book.entries(kind="power", machine="north")) == 5
    assert [e.time[8:10] for e in book.entries(kind="power", last=3)] == ["08", "09", "10"]
    since = check_time("2026-03-09T00:00:00+00:00")
    assert len(book.entries(since=since)) == 2
    assert len(book.entries(until=since, kind="power")) == 9
    assert book.names("machine") == ["north", "south"]
    assert book.values("power", ["power.value", "none.value"], machine="south")[0][2:] == ("south", None, None, 300.0, None)
    assert book.latest("lot") is None


BAD = [
    (lambda b: b.add("powr", POWER, machine="n"), "no entry is of the kind 'powr'. Did you mean power?"),
    (lambda b: b.add("power", POWER), "machine is missing: a power entry must name its machine"),
    (lambda b: b.add("power", {}, machine="n"), "power is missing: a power entry must hold it"),
    (lambda b: b.add("power", {"power": 300.0}, machine="n"), "power must be a power with its unit, got '300.0'"),
    (lambda b: b.add("power", {"power": "300 mW"}, machine="n"), "power must be a power with its unit"),
    (lambda b: b.add("power", {"power": Quantity(3.0, "mm")}, machine="n"), "power is not a power"),
    (lambda b: b.add("power", {"power": Quantity(-3.0, "mW")}, machine="n"), "power must be above zero, got -3."),
    (lambda b: b.add("power", {"power": {"value": "x", "unit": "mW"}}, machine="n"), "power is not a power"),
    (lambda b: b.add("power", {"power": {"value": 1.0, "unit": "parsec"}}, machine="n"), "unknown unit"),
    (lambda b: b.add("power", {"power": Quantity(math.nan, "mW")}, machine="n"), "power"),
    (lambda b: b.add("power", POWER | {"x": math.inf}, machine="n"), "only finite numbers"),
    (lambda b: b.add("power", POWER | {"x": object()}, machine="n"), "may hold only numbers, text"),
    (lambda b: b.add("power", POWER, machine=" north"), "begins or ends with a space"),
    (lambda b: b.add("power", POWER, machine=""), "machine is empty"),
    (lambda b: b.add("power", POWER, machine="a\nb"), "must be one line of printable text"),
    (lambda b: b.add("power", POWER, machine="x" * 201), "longer than 200"),
    (lambda b: b.add("power", POWER, machine="n", time="yesterday"), "time: cannot read 'yesterday'"),
    (lambda b: b.add("power", POWER, machine="n", time="2099-01-01"), "is in the future"),
    (lambda b: b.add("power", POWER, machine="n", time="1926-01-01"), "is before 1970"),
    (lambda b: b.add("power", POWER, machine="n", time="0001-01-01"), "time: "),
    (lambda b: b.add("beam", {"beam_radius": Quantity(60.0, "um")}), "must name one of them"),
    (lambda b: b.add("calibration", {"penetration_depth": Quantity(0.1, "mm")}, lot="L"), "critical_exposure is missing"),
    (
        lambda b: b.add(
            "calibration",
            {"penetration_depth": Quantity(0.1, "mm"), "critical_exposure": Quantity(9.0, "mJ/cm^2"), "correlation": 1.5},
            lot="L",
        ),
        "correlation must be at most 1",
    ),
    (lambda b: b.add("room", {"temperature": Quantity(20.0, "degC"), "humidity": 45.0}), "humidity must be at most 1"),
    (lambda b: b.add("lot", {"opened": "1.3.2026"}, lot="L"), "opened must be a date"),
    (lambda b: b.add("machine", {"out_of_use": "yes"}, machine="n"), "out_of_use must be a boolean"),
    (lambda b: b.add("recipe", {"passes": 0}, machine="n"), "passes must be a whole"),
    (lambda b: b.add("note", {"text": "  "}), "text is empty"),
    (lambda b: b.add("correction", {"reason": "x"}), "corrects is missing"),
    (lambda b: b.add("correction", {"reason": "x"}, corrects=9), "there is no entry 9"),
    (lambda b: b.add("note", {"text": "x"}, corrects=1), "a note entry cannot replace it"),
    (lambda b: b.add("note", {"text": "x"}, sources=[Source("a", "n", b""), Source("a", "m", b"")]), "the same role"),
    (lambda b: b.add("note", {"text": "x"}, sources=[Source("a", "n\n", b"")]), "one line of printable text"),
    (lambda b: b.entry(7), "there is no entry 7; the logbook holds 1"),
    (lambda b: b.entries(kind="pwoer"), "no entry is of the kind"),
]


@pytest.mark.parametrize(("call", "words"), BAD, ids=range(len(BAD)))
def test_what_may_not_be_written_is_refused_and_leaves_no_trace(book, call, words: str) -> None:
    book.add("power", POWER, machine="north")
    with pytest.raises(QuantityError) as raised:
        call(book)
    assert words in str(raised.value)
    assert "\n" not in str(raised.value)
    assert len(book) == 1
    assert verify(book).passed


def test_the_same_entry_is_not_corrected_twice(book) -> None:
    book.add("note", {"text": "x"})
    book.add("note", {"text": "y"}, corrects=1)
    with pytest.raises(QuantityError, match=r"entry 1 was already corrected by entry 2\. Correct that one"):
        book.add("note", {"text": "z"}, corrects=1)


def test_hostile_text_comes_back_and_harms_nothing(book, tmp_path) -> None:
    for text in HOSTILE:
        if text.strip():
            book.add("note", {"text": text, text[:50]: text[:50]})
    names = [t for t in HOSTILE if t == t.strip() and len(t) < 100 and not re.search("[\x00-\x1f\x7f-\x9f\ud800-\udfff]", t) and t]
    assert len(names) > 10
    for name in names:
        book.add("power", POWER, machine=name, lot=name, operator=name, sources=[Source(name, name, name.encode())])
    assert [e.payload["text"] for e in book.entries(kind="note")] == [t for t in HOSTILE if t.strip()]
    assert [e.machine for e in book.entries(kind="power")] == names
    assert book.latest("power", machine="'; DROP TABLE entry; --").lot == "'; DROP TABLE entry; --"
    assert verify(book).passed

    entries = book.entries(corrected=True)
    exported = csv_text(entries)
    csv.field_size_limit(10_000_000)
    for row in csv.reader(io.StringIO(exported, newline="")):
        for cell in row:
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    for text in (exported.encode().decode(), json_text(book, entries)):
        with Logbook(tmp_path / f"again{len(text)}.db", create=True) as other:
            import_text(other, text)
            there = other.entries(corrected=True)
            assert [e.to_dict() for e in there] == [e.to_dict() for e in entries]
            assert verify(other).passed


@given(st.text(max_size=50))
def test_neutral_cells_are_no_formulas_and_reversible(text: str) -> None:
    assert restored(neutral(text)) == text
    assert not neutral(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@settings(max_examples=10, deadline=None)
@given(text=st.text(min_size=1, max_size=200).filter(lambda t: t.strip()), number=st.floats(1e-300, 1e300))
def test_any_note_and_number_survive_export_and_import(tmp_path_factory, text: str, number: float) -> None:
    folder = tmp_path_factory.mktemp("any")
    with Logbook(folder / "a.db", create=True) as book, Logbook(folder / "b.db", create=True) as other:
        book.add("note", {"text": text, "number": number, "=key": text})
        import_text(other, csv_text(book.entries()))
        assert other.entry(1).payload == {"text": text, "number": number, "=key": text}
        assert other.entry(1).sha256 == book.entry(1).sha256


# ---------------------------------------------------------------- export, import, backup


def shop(book) -> None:
    book.add("machine", {"wavelength": Quantity(355.0, "nm")}, machine="north")
    book.add("power", POWER, machine="north", sources=[Source("readings", "p.csv", b"abc")])
    book.add("power", POWER, machine="north", corrects=2)
    book.add("note", {"text": "hello"})


def test_a_whole_export_restores_the_very_chain(book, tmp_path) -> None:
    shop(book)
    text = json_text(book, book.entries(corrected=True))
    with Logbook(tmp_path / "b.db", create=True) as other:
        got = import_text(other, text)
        assert got.to_dict() == {"added": 4, "standing": 0, "sources_without_data": 0}
        assert verify(other).head == verify(book).head
        assert other.source(other.entry(2).attached[0].sha256) == b"abc"
        assert import_text(other, text).to_dict()["standing"] == 4
        assert len(other) == 4


def test_entries_of_another_logbook_join_the_chain_with_their_origin(book, tmp_path) -> None:
    shop(book)
    with Logbook(tmp_path / "b.db", create=True) as other:
        other.add("note", {"text": "own"})
        assert import_text(other, csv_text(book.entries(corrected=True))).to_dict() == {
            "added": 4,
            "standing": 0,
            "sources_without_data": 1,
        }
        assert [e.origin for e in other.entries(kind="machine")] == [book.entry(1).origin]
        assert other.entry(4).corrects == 3
        assert verify(other).passed
        assert verify(other).elsewhere == 1
        with pytest.raises(FileError, match="is not kept in this logbook"):
            other.source(other.entry(3).attached[0].sha256)
        assert import_text(other, json_text(book, book.entries(corrected=True))).added == 0
        book.add("note", {"text": "later"})
        assert import_text(other, json_text(book, book.entries(corrected=True))).added == 1
        assert other.entries()[-1].payload["text"] == "later"


def edited(text: str) -> list[tuple[str, str]]:
    """Exports that were edited, and the words of the refusal."""
    rows = list(csv.reader(io.StringIO(text, newline="")))
    head = rows[0]

    def with_cell(row: int, name: str, value: str) -> str:
        copy = [list(r) for r in rows]
        copy[row][head.index(name)] = value
        out = io.StringIO()
        csv.writer(out).writerows(copy)
        return out.getvalue()

    return [
        (with_cell(2, "machine", "south"), "was changed since the export"),
        (with_cell(2, "payload", '{"power":{"value":999.0,"unit":"mW"}}'), "was changed since the export"),
        (with_cell(2, "power [mW]", "999"), r"power \[mW\] was changed since the export"),
        (with_cell(2, "number", "two"), "cannot be read; a cell was changed"),
        (with_cell(2, "kind", "dream"), "was changed|not known here"),
        (with_cell(2, "sources", "{}"), "cannot be read|was changed"),
        (with_cell(0, "kind", "sort"), ":1: is not a logbook export"),
        ("", ":1: is not a logbook export"),
        ("a,b\n1,2\n", ":1: is not a logbook export"),
        (",".join(head) + "\n1,2\n", "row 2: has 2 cells"),
        ("{", ":1:2: is not whole JSON"),
        ("{}", "is not a logbook export"),
        ('{"format": "curecalc logbook", "entries": [], "version": 9}', "reads version 1"),
        ('{"format": "curecalc logbook", "version": 1, "entries": [{}]}', "entry 1 of the list: lacks a field"),
        ('{"format": "curecalc logbook", "version": 1, "entries": [], "source_data": {"00": "!!"}}', "source data 00"),
        ("{" + '"a":[' * 30000, "JSON|nested"),
    ]


def test_an_edited_export_is_refused_whole(book, tmp_path, monkeypatch) -> None:
    shop(book)
    for text, words in edited(csv_text(book.entries(corrected=True))):
        with Logbook(tmp_path / "b.db", create=True) as other:
            with pytest.raises(FileError, match=words) as raised:
                import_text(other, text, source="x.csv")
            assert "\n" not in str(raised.value)
            assert len(other) == 0
    monkeypatch.setattr("curecalc.logbook.interchange.LARGEST_PAYLOAD", 14)
    said = r"^the import:1: cannot be read as CSV \(field larger than field limit \(14\)\)\. Export it again\.$"
    with Logbook(tmp_path / "b.db", create=True) as other, pytest.raises(FileError, match=said):
        import_text(other, "a" * 15)
    changed = json_text(book, book.entries(corrected=True)).replace("north", "south")
    with Logbook(tmp_path / "b.db", create=True) as other, pytest.raises(FileError, match="entry 1 of the list: was changed"):
        import_text(other, changed)


def test_a_correction_without_its_entry_or_after_another_is_refused(book, tmp_path) -> None:
    shop(book)
    with Logbook(tmp_path / "b.db", create=True) as other:
        with pytest.raises(FileError, match=r"corrects entry 2, which is not among the exported ones\. Export the whole logbook\.$"):
            import_text(other, csv_text(book.entries()))
        other.add("note", {"text": "own"})
        import_text(other, csv_text([book.entry(2)]))
        other.add("power", POWER, machine="north", corrects=2)
        with pytest.raises(FileError, match="which entry 3 has corrected here already"):
            import_text(other, csv_text([book.entry(2), book.entry(3)]))
        assert len(other) == 3


def test_a_backup_is_whole_while_others_write_and_never_overwrites(book, tmp_path, monkeypatch) -> None:
    shop(book)
    with Logbook(book.path) as second:
        second.add("note", {"text": "from another program"})
        assert book.backup(tmp_path / "copy.db") == 5
        second.add("note", {"text": "after"})
    with Logbook(tmp_path / "copy.db", write=False) as copy:
        assert verify(copy).passed
        assert copy.entry(5).sha256 == book.entry(5).sha256
    with pytest.raises(FileError, match="stands already"):
        book.backup(tmp_path / "copy.db")
    with pytest.raises(FileError, match="does not stand"):
        book.backup(tmp_path / "no" / "copy.db")
    monkeypatch.setattr("os.fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(FileError) as told:
        book.backup(tmp_path / "other.db")
    assert str(told.value) == f"{tmp_path / 'other.db'}: cannot be written (No space left on device). Choose another place."
    assert not list(tmp_path.glob("*other*"))


def test_times_without_a_zone_are_local_and_sort_as_text() -> None:
    assert check_time("2026-01-01T00:00:00+01:00") == "2025-12-31T23:00:00.000000Z"
    local = datetime(2026, 1, 1, 12).astimezone(UTC)
    assert check_time("2026-01-01 12:00") == local.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    now = datetime.now(UTC)
    assert check_time(now + timedelta(hours=20)) > check_time(now)


def test_every_kind_has_a_line_of_help_and_plain_fields() -> None:
    for name, kind in ENTRY_KINDS.items():
        assert kind.name == name
        assert kind.help
        assert set(kind.needs) <= {"machine", "lot", "beam"}


def test_a_refused_first_entry_leaves_no_logbook_behind(tmp_path) -> None:
    path = tmp_path / "new.db"
    refused = [
        lambda book: book.add("power", {"power": Quantity(-3.0, "mW")}, machine="north"),
        lambda book: book.add("power", {"power": Quantity(240.0, "mW")}),  # of which machine
        lambda book: book.add("note", {"text": "x"}, time="yesterday"),
        lambda book: book.add("note", {"text": "x"}, corrects=4),
        lambda book: import_text(book, '{"schema": 1}'),
    ]
    for one in refused:
        with Logbook(path, create=True) as book:
            assert len(book) == 0
            assert book.entries() == []
            with pytest.raises((QuantityError, FileError)):
                one(book)
        assert list(tmp_path.iterdir()) == []
    with Logbook(path, create=True) as book, Logbook(path, create=True) as other:  # both see it unmade, one makes it
        assert book.add("note", {"text": "one"}).number == 1
        assert other.add("note", {"text": "two"}).number == 2
        assert [one.number for one in book.entries()] == [1, 2]
