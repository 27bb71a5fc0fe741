"""What the status and other commands print at their limits: ages, names cut, shares; and what files of a logbook must be."""

from types import SimpleNamespace

import pytest

from curecalc.cli import compare, logtext
from curecalc.errors import FileError, QuantityError
from curecalc.logbook import store
from curecalc.logbook.status import Item, MachineState, ShopState
from curecalc.sheets.pdf_page import _Page


def machine(**values):
    blank = dict.fromkeys(MachineState.__dataclass_fields__)
    return MachineState(**(blank | {"machine": "A", "chart": "in control", "kinds": (), "items": ()} | values))


def test_a_row_of_the_status():
    row = logtext._status_row
    assert row(machine()) == ("well", "A", "-", "-", "never", "-", "unknown", "in control")
    full = machine(
        machine="m" * 25,
        lot="l" * 25,
        power=240.04,
        power_uncertainty=1.0,
        fade=-0.0123,
        power_age=0.99,
        calibration_age=1.0,
        depth=0.17891,
        layer=0.1,
    )
    assert row(full) == (
        "well",
        "m" * 21 + "...",
        "l" * 21 + "...",
        "240.0 mW (-1.2 %/month)",
        "today",
        "1 d ago",
        "0.179 mm / 0.1 mm",
        "in control",
    )
    assert row(machine(machine="m" * 24))[1] == "m" * 24
    assert row(machine(lot="L", calibration_age=None))[5] == "never"
    assert [logtext._age(days) for days in (None, 0.0, 1.4, 1.6, 90.0)] == ["never", "today", "1 d ago", "2 d ago", "90 d ago"]


def test_the_verdict_counts_machines_by_their_worst():
    made = [machine(items=(Item(level, "said", "do it"),)) for level in ("stop", "due", "due", "unknown", "near")]
    said = logtext._verdict(ShopState((*made, machine()), 7, "abc")).splitlines()
    assert said[0] == "1 well, 1 near, 1 UNKNOWN, 2 DUE, 1 STOP."
    assert said[-1] == "head: entry 7, abc"
    assert logtext._verdict(ShopState((machine(),), 7, "abc")).startswith("All well.")
    text = logtext.status_text(ShopState((made[0],), 7, "abc", (Item("due", "x" * 301),)))
    assert "DUE     " + "x" * 297 + "..." in text
    assert "STOP    A: said\n        do it\n" in text


def test_long_values_of_an_entry_are_cut():
    assert logtext._long("x" * 2000) == "x" * 2000
    assert logtext._long("x" * 2001) == "x" * 1997 + "..."
    assert len(logtext._long(["x" * 30_000])) == 20_000
    assert logtext._long({"value": 2.0, "unit": "mm"}) == "2 mm"
    entry = SimpleNamespace(kind="power", machine="m" * 25, lot=None, beam="b", payload={}, corrects=None, corrected_by=None)
    assert logtext.one_line(entry) == f"power  {'m' * 21}... b"


def test_sums_and_chances_in_words():
    sums = SimpleNamespace(sums=([0.0, 1.26], [0.0, 2.0]), passed={})
    assert logtext._sums(sums) == "up 1.3, down 2.0, limit 5 standard deviations: none out"
    sums.passed = {"above": 0.5}
    assert logtext._sums(sums).startswith("limit 5 standard deviations: above since 19")
    assert logtext._chances(SimpleNamespace(run_length=370.4), SimpleNamespace(run_length=559.6)).startswith(
        "one in 370 readings for single readings, in 560 for the weighted mean"
    )

    def signals(readings, places, run_length=370.0):
        chart = SimpleNamespace(signals=[SimpleNamespace(index=k, text="beyond") for k in places], run_length=run_length)
        series = SimpleNamespace(name="power", lots=[None] * readings, times=[0.0] * readings, numbers=list(range(1, readings + 1)))
        series = type("S", (), {"__len__": lambda _: readings, **vars(series)})()
        return logtext._signals(SimpleNamespace(series=series), chart)

    assert signals(9, []) == "in control"
    assert signals(9, [6]).startswith("OUT NOW: 1 of 9, first on ")
    assert "(entry 6): beyond" in signals(9, [5])
    assert signals(9, [5]).startswith("signalled: 1 of 9")
    assert "chance alone" not in signals(740, [5])
    assert "(chance alone: about 2)" in signals(741, [5])


def test_lots_are_named_and_left_out_by_file():
    assert compare._names(["a/one.csv", "b/two.csv"]) == ["one", "two"]
    assert compare._names(["a/one.csv", "b/one.csv"]) == ["a/one.csv", "b/one.csv"]
    assert compare._excluded(["a.csv:7", "a.csv:x:y"], ["a.csv", "b.csv"]) == {"a.csv": ["7", "x:y"]}
    with pytest.raises(QuantityError, match=r"names none of the files. Write it as FILE:LABEL, like 'b.csv:7'"):
        compare._excluded(["c.csv:7"], ["a.csv", "b.csv"])


def test_words_wider_than_a_line_of_a_sheet_are_broken():
    page = SimpleNamespace(font=lambda *_: None, pdf=SimpleNamespace(get_string_width=len))
    for text, width, lines in (
        ("abc de", 2.0, ["ab", "c", "de"]),
        ("ab cd", 5.0, ["ab cd"]),
        ("ab cd", 4.9, ["ab", "cd"]),
        ("ab", 0.5, ["a", "b"]),
        ("", 5.0, [""]),
    ):
        assert _Page.wrapped(page, text, width, 9.0) == lines


def test_an_error_that_no_database_made_is_not_swallowed(tmp_path):
    with pytest.raises(KeyError), store.guarded("shop.db"):
        raise KeyError("slip")
    import sqlite3

    with pytest.raises(FileError, match=r"shop\.db: is in use by another program"), store.guarded("shop.db"):
        raise sqlite3.OperationalError("database is locked")
