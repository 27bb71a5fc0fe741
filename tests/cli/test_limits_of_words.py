"""What the status and other commands print at their limits: ages, names cut, shares; and what files of a logbook must be."""

from types import SimpleNamespace

import pytest

from curecalc.cli import common, compare, logtext, setting, terminal
from curecalc.errors import FileError, QuantityError
from curecalc.files import disk, rawtable
from curecalc.formulas.beam import radius_of
from curecalc.logbook import store
from curecalc.logbook.status import Item, MachineState, ShopState
from curecalc.symbols import clip
from curecalc.units import Measured
from curecalc.units import Quantity as Q


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
        fade=-0.2,
        power_age=0.99,
        calibration_age=1.0,
        depth=0.17891,
        layer=0.1,
    )
    assert row(full) == (
        "well",
        "m" * 21 + "...",
        "l" * 21 + "...",
        "240.0 mW (-20.0 %/month)",
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
    for name, shown in (("m" * 24, "m" * 24), ("m" * 25, "m" * 21 + "...")):
        one = machine(machine=name, items=(Item("due", "x" * 301),))
        assert f"DUE     {shown}: {'x' * 297}...\n" in logtext.status_text(ShopState((one,), 7, "abc"))


def test_long_values_of_an_entry_are_cut():
    assert logtext._long("x" * 2000) == "x" * 2000
    assert logtext._long("x" * 2001) == "x" * 1997 + "..."
    assert len(logtext._long(["x" * 30_000])) == 20_000
    assert logtext._long({"value": 2.0, "unit": "mm"}) == "2 mm"
    entry = SimpleNamespace(kind="power", machine="m" * 25, lot=None, beam="b", payload={}, corrects=None, corrected_by=None)
    assert logtext.one_line(entry) == f"power  {'m' * 21}... b"


def test_a_table_of_entries_cuts_long_names():
    about = {"time": "2026-03-01T12:00:00.000000Z", "payload": {}, "corrects": None, "corrected_by": None}
    rows = [SimpleNamespace(number=k, kind="note", machine="m" * n, lot="l" * n, **about) for k, n in ((9, 16), (10, 17))]
    head, one, two = logtext.entry_table(rows).splitlines()
    assert head.split() == ["entry", "time", "kind", "machine", "lot", "values"]
    assert one.split()[-2:] == ["m" * 16, "l" * 16]
    assert two.split()[-2:] == ["m" * 13 + "...", "l" * 13 + "..."]


def test_sums_and_chances_in_words():
    sums = SimpleNamespace(sums=([0.0, 1.26], [0.0, 2.0]), passed={})
    assert logtext._sums(sums) == "up 1.3, down 2.0, limit 5 standard deviations: none out"
    sums.passed = {"above": 0.5}
    assert logtext._sums(sums).startswith("limit 5 standard deviations: above since 19")
    charts = {"single readings": SimpleNamespace(run_length=370.4), "weighted mean": SimpleNamespace(run_length=559.6)}
    told = "one in 370 readings (single readings), one in 560 readings (weighted mean), were the limits known exactly; from few"
    assert logtext._chances(charts.items()).startswith(told)

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
    # the lot of the first signal is named where the quantity is the lot's
    lots = {"lots": ["L1", "L2", "L3", None], "times": [0.0] * 4, "numbers": [1, 2, 3, 4]}
    chart = SimpleNamespace(signals=[SimpleNamespace(index=k, text="beyond") for k in (2, 1)], run_length=370.0)
    for name, told in (("depth", "entry 2, L2"), ("penetration_depth", "entry 2, L2"), ("power", "entry 2")):
        series = type("S", (), {"__len__": lambda _: 4, "name": name, **lots})()
        assert f"({told}): beyond" in logtext._signals(SimpleNamespace(series=series), chart)


def test_lots_are_named_and_left_out_by_file():
    assert compare._names(["a/one.csv", "b/two.csv"]) == ["one", "two"]
    assert compare._names(["a/one.csv", "b/one.csv"]) == ["a/one.csv", "b/one.csv"]
    assert compare._excluded(["a.csv:7", "a.csv:x:y"], ["a.csv", "b.csv"]) == {"a.csv": ["7", "x:y"]}
    with pytest.raises(QuantityError, match=r"names none of the files. Write it as FILE:LABEL, like 'b.csv:7'"):
        compare._excluded(["c.csv:7"], ["a.csv", "b.csv"])


def test_an_error_that_no_database_made_is_not_swallowed(tmp_path):
    with pytest.raises(KeyError), store.guarded("shop.db"):
        raise KeyError("slip")
    import sqlite3

    with pytest.raises(FileError, match=r"shop\.db: is in use by another program"), store.guarded("shop.db"):
        raise sqlite3.OperationalError("database is locked")


def test_what_a_server_says_is_told_and_what_it_does_not_know_is_not_swallowed(monkeypatch):
    monkeypatch.setattr(store, "server_says", lambda error: "cannot be reached" if "gone" in str(error) else None)
    address = "postgresql://shop@host/book"
    with pytest.raises(FileError, match=f"^{address}: cannot be reached$"), store.guarded(address):
        raise RuntimeError("gone")
    for path, said in ((address, "slip"), ("shop.db", "gone")):
        with pytest.raises(RuntimeError, match=said), store.guarded(path):
            raise RuntimeError(said)


def test_plain_numbers_of_options():
    for text, whole in (("2", 2), ("-3", -3), ("9007199254740991", 2**53 - 1), ("9007199254740992", None), ("2.5", None), ("two", None)):
        if whole is None:
            with pytest.raises(QuantityError, match="--passes must be a whole number"):
                setting.number("--passes", text, whole=True)
        else:
            assert setting.number("--passes", text, whole=True) == whole
    assert setting.number("--share", "5 %", kind="fraction") == pytest.approx(0.05)
    assert setting.number("--share", None, 7) == 7
    assert [setting._confidence(text) for text in (None, "50 %", "0.99")] == pytest.approx([0.95, 0.5, 0.99])
    for text in ("49 %", "1"):
        with pytest.raises(QuantityError, match="--confidence"):
            setting._confidence(text)
    blank = {"seed": None, "confidence": None}
    assert setting.monte_carlo(SimpleNamespace(monte_carlo=None, **blank)) is None
    made = setting.monte_carlo(SimpleNamespace(monte_carlo="1000", **blank))
    assert (made.draws, made.seed, made.confidence) == (1000, 1, 0.95)
    for given, words in (
        ({"monte_carlo": "999"}, "--monte-carlo must"),
        ({"monte_carlo": None, "seed": "2"}, "--seed belongs to --monte-carlo"),
    ):
        with pytest.raises(QuantityError, match=words):
            setting.monte_carlo(SimpleNamespace(**(blank | given)))
    # a diameter is two radii, a full width at half maximum 2 sqrt(ln 2/2) of them: 1/1.17741
    for name, radius in (("beam_radius", 0.2), ("beam_diameter", 0.1), ("beam_fwhm", 0.2 / 1.17741)):
        found = radius_of(name, Measured(Q(0.2, "mm"), Q(0.01, "mm")))
        assert (found.value.m_as("mm"), found.relative) == (pytest.approx(radius, rel=1e-5), pytest.approx(0.05))
    mc = SimpleNamespace(mean=0.15, standard_uncertainty=0.01, interval=(0.13, 0.17), confidence=0.95)
    assert setting.mc_text(mc, "length") == "0.150 +- 0.010 mm, 95 % in 0.130 to 0.170 mm"


def test_what_was_typed_stands_in_a_message_in_one_short_line():
    assert clip("a" * 60) == f"'{'a' * 60}'"
    assert clip("a" * 61) == f"'{'a' * 57}...'"
    assert clip("a\nb\x1b") == "'a?b?'"


def test_negative_values_are_told_from_options():
    parser = common.CommandParser(prog="map")
    for option, more in (("--one", {}), ("--four", {"nargs": 4}), ("--flag", {"action": "store_true"}), ("--some", {"nargs": "*"})):
        parser.add_argument(option, **more)
    for given, read in (
        ("--one -0.5mm", ["--one=-0.5mm"]),
        ("--one -.5mm --one 3 -7", ["--one=-.5mm", "--one", "3", "-7"]),
        ("--one -x", ["--one", "-x"]),
        ("--four -1 -2 3 -4 -5", ["--four", " -1", " -2", "3", " -4", "-5"]),
        ("--four 1 --one -2", ["--four", "1", "--one=-2"]),
        ("--flag -3 -4", ["--flag", "-3", "-4"]),
        ("--some -3 -4", ["--some=-3", "-4"]),
        ("-3 --flag", ["-3", "--flag"]),
    ):
        assert common.joined(parser, given.split()) == read


def test_a_bar_of_progress(monkeypatch, capsys):
    assert terminal.progress("mapping", "tiles") is None
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    show = terminal.progress("mapping", "tiles")
    for done in (0, 1, 7):
        show(done, 7)
    # four of thirty for one in seven
    bars = ("." * 30, "#" * 4 + "." * 26, "#" * 30)
    assert capsys.readouterr().err == "".join(f"\rmapping [{bar}] {n}/7 tiles" for bar, n in zip(bars, (0, 1, 7))) + "\n"


def test_symbols_are_for_terminals_that_have_them(monkeypatch):
    monkeypatch.delenv("CURECALC_PLAIN", raising=False)
    for encoding, terminal_too, said in (
        ("UTF-8", True, "5 µm"),
        ("utf8", True, "5 µm"),
        ("ascii", True, "5 um"),
        (None, True, "5 µm"),
        ("utf-8", False, "5 um"),
    ):
        written = []
        stream = SimpleNamespace(encoding=encoding, isatty=lambda terminal_too=terminal_too: terminal_too, write=written.append)
        terminal._Spoken(stream).write("5 um")
        assert written == [said], encoding
    monkeypatch.setenv("CURECALC_PLAIN", "1")
    stream = SimpleNamespace(encoding="utf-8", isatty=lambda: True, write=written.append)
    terminal._Spoken(stream).write("5 um")
    assert written[-1] == "5 um"


def test_columns_stand_below_one_another():
    rows = [("kind", "old", "new"), ("a", "1.5", "")]
    assert terminal.aligned(rows) == ["kind  old  new", "a     1.5"]
    assert terminal.aligned(rows, str.rjust) == ["kind  old  new", "   a  1.5"]


def test_lines_fold_below_their_last_column():
    assert terminal.folded("a" * 20, 20) == "a" * 20
    assert terminal.folded("one two three", 12) == "one two\nthree"
    assert terminal.folded("name  one two three", 14) == "name  one two\n      three"
    assert terminal.table(["name", "depth [mm]"], [["a", "0.1"], ["bcd", "10.25"]], left=[0]) == [
        "      depth",
        "name   [mm]",
        "a       0.1",
        "bcd   10.25",
    ]


def test_how_a_table_is_split():
    names = rawtable.Names({"power", "speed", "slit_width"}, {"slit_width"}, lambda text: text.strip().lower().replace(" ", "_"))
    for header, mark in (("power,speed", ","), ("power;speed", ";"), ("power\tspeed", "\t"), ("power [m,W];speed", ";"), ("power", "")):
        assert rawtable._delimiter(header, names) == mark
    assert rawtable._numbers([["a"], ["b\nc", "d"], ["e"]], 5) == [5, 6, 8, 9]
    for cells, width, nothing in (
        (["", " "], 2, True),
        (["# a", ""], 2, True),
        (["# a", "1"], 2, False),
        (["# a"], 1, False),
        (["1", ""], 2, False),
    ):
        assert rawtable._says_nothing(cells, width) is nothing
    for cells, is_setting in (
        (["slit width", "0.1 mm"], True),
        (["slit width", ".1", ""], True),
        (["slit width", "0.1", "2"], False),
        (["slit width", "power"], False),  # the names of two columns: a header
        (["slit width", "powers"], False),
        (["slit width", "wide"], True),
        (["power", "0.1"], False),
    ):
        assert rawtable._is_setting(cells, names) is is_setting
    assert rawtable._looks_like_header("power,speed", names)
    assert not rawtable._looks_like_header("power,mine", names)


def test_files_are_read_up_to_their_largest_size(tmp_path):
    file = tmp_path / "a.toml"
    file.write_bytes(b"x" * 100)
    assert disk.read_bytes(file, what="machine", largest=100) == b"x" * 100
    with pytest.raises(FileError, match=r"is larger than 9\.9e-05 MB, too large for a machine file"):
        disk.read_bytes(file, what="machine", largest=99)
