"""What the logbook's actions print of a chart, a verification and an entry: each figure from a record made by hand."""

from contextlib import nullcontext
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.cli import log, logtext, main
from curecalc.statistics.turning import Turning

# days since 1970, at noon: local dates in every zone but the farthest
DAY = {20000.5: "2024-10-04", 20001.5: "2024-10-05", 20009.5: "2024-10-13"}
START = 20000.5


class Series(SimpleNamespace):
    def __len__(self):
        return len(self.values)


def report(**values):
    """Four readings of a power about 240 mW with a standard deviation of 2 mW."""
    series = Series(
        name="power",
        title="Power",
        about="north",
        unit="mW",
        values=np.array([240.0, 241.0, 239.0, 238.04]),
        times=np.array([START, START + 1.0, START + 2.0, START + 9.0]),
        lots=[None] * 4,
        numbers=[3, 4, 5, 6],
    )
    baseline = SimpleNamespace(sd=2.0)
    limits = {"centre": 240.0, "steady_limits": (234.0, 246.0)}
    single = SimpleNamespace(signals=[], run_length=370.4, baseline=baseline, rules=("limit",), **limits)
    smooth = SimpleNamespace(signals=[], run_length=559.6, steady_limits=(238.0, 242.0))
    blank = ("turning", "trend", "trend_since", "per_month", "per_month_uncertainty", "since_settings", "components", "covariates")
    plain = {"found_after": {}, "relative": True, "sums": ([0.0], [0.0]), "passed": {}, "forecasts": (), "notes": ()}
    plain |= {
        "series": series,
        "individuals": single,
        "charts": {"single readings": single, "weighted mean": smooth},
        "baseline_text": "the first 4",
    }
    return SimpleNamespace(**(dict.fromkeys(blank) | plain | values))


def rows(**values):
    return {line[:15].strip(): line[18:] for line in logtext.drift_text(report(**values)).splitlines()}


def test_charts_in_words():
    found = rows()
    assert list(found) == ["quantity", "newest", "baseline", "single readings", "weighted mean", "cumulative sums", "false alarms"]
    assert found["quantity"] == "Power, north, 4 readings"
    assert found["newest"] == "238.0 mW on 2024-10-13"
    assert found["baseline"] == "240.0 mW, sd 2.0 mW; the first 4"
    assert found["single readings"] == "limits 234.0 to 246.0 mW: in control"
    assert found["weighted mean"] == "limits 238.0 to 242.0 mW: in control"
    chance = "one in 370 readings (single readings), one in 560 readings (weighted mean), were the limits known exactly; "
    assert found["false alarms"].startswith(chance)


@pytest.mark.parametrize(
    ("values", "row", "told"),
    [
        (
            {"turning": Turning("step", START, START, START + 1.0, -4.0)},
            "change",
            "a step on 2024-10-04 (95 % between 2024-10-04 and 2024-10-05), -4.0 mW so far",
        ),
        ({"turning": Turning("drift", START, START, START, 4.0)}, "change", "a drift since 2024-10-04, 4.0 mW so far"),
        ({"turning": Turning("none", START, START, START, 0.0)}, "change", None),
        (
            {"found_after": {0.01: 40.4, 0.05: 9.6}},
            "found after",
            "a steady fade of 1 % a month after about 40 days, 5 % a month after about 10 days",
        ),
        ({"per_month": -0.05, "per_month_uncertainty": 0.01, "trend": 0.049}, "trend", "-5.0 +- 1.0 % in 30 days"),
        ({"per_month": -0.05, "per_month_uncertainty": 0.01, "trend": 0.05}, "trend", "-5.0 +- 1.0 % in 30 days (no clear trend)"),
        (
            {"per_month": -0.5, "per_month_uncertainty": 0.1, "trend": 0.01, "relative": False, "trend_since": START},
            "trend",
            "-0.50 +- 0.10 mW in 30 days, since 2024-10-04",
        ),
        (
            {"since_settings": (START, SimpleNamespace(relative=-0.0123, difference=-2.952, standard_uncertainty=1.0))},
            "since settings",
            "-1.2 % (-3.0 +- 1.0 mW) since 2024-10-04, when the settings in force were chosen",
        ),
        ({"forecasts": (SimpleNamespace(text="never"),)}, "forecast", "never"),
        ({"components": SimpleNamespace(between=1.5, within=0.5, groups=3)}, "between lots", "sd 1.5 mW between, 0.5 mW within, 3 lots"),
        ({"covariates": ("temperature", 0.0123, 0.002, 0.049)}, "goes with", "temperature: 1.23 +- 0.20 % per degC"),
        ({"covariates": ("lot_age", 0.0123, 0.002, 0.05)}, "goes with", "lot age: 1.23 +- 0.20 % per day of age (not clear)"),
        ({"notes": ("few",)}, "note", "few"),
    ],
)
def test_a_row_of_a_chart(values, row, told):
    if p := values.get("trend"):
        values = values | {"trend": SimpleNamespace(p_value=p)}
    if given := values.get("covariates"):
        name, *found = given
        values = values | {"covariates": SimpleNamespace(names=(name,), coefficient={name: found}.__getitem__)}
    assert rows(**values).get(row) == told


def test_run_rules_are_named_where_there_are_any():
    one = report()
    one.individuals.rules = ("limit", "two-of-three", "eight-in-a-row")
    assert "run rules         two-of-three, eight-in-a-row: they find small" in logtext.drift_text(one)


@pytest.mark.parametrize("elsewhere", [0, 3])
def test_a_verification_in_words(elsewhere):
    about = {"entries": 12, "sources": 5, "elsewhere": elsewhere, "head": "0123456789abcdefABCD", "recomputed": 4}
    kept = "12 entries, 5 sources" + (" (3 more held elsewhere)" if elsewhere else "")
    good = SimpleNamespace(passed=True, problems=(), doubts=("d" * 201,), unrepeatable=("u" * 200,), **about)
    lines = logtext.verification_text(good, again=True).splitlines()
    assert lines[:3] == [f"all is as it was written: {kept}", "4 results computed again: the same", "last entry 12: 0123456789abcdefABCD"]
    assert "log verify --head 12:0123456789abcdef then" in lines[3]
    assert lines[4:] == [f"  doubt: {'d' * 197}...", f"  not repeated: {'u' * 200}"]
    assert len(logtext.verification_text(good, again=False).splitlines()) == 5
    bad = SimpleNamespace(passed=False, problems=("p" * 301, "q" * 300), doubts=(), unrepeatable=(), **about)
    lines = logtext.verification_text(bad, again=True).splitlines()
    assert lines[:3] == [f"NOT as it was written ({kept}):", f"  {'p' * 297}...", f"  {'q' * 300}"]
    assert len(lines) == 4


def test_an_entry_in_full():
    blank = dict.fromkeys(("operator", "machine", "lot", "beam", "corrects", "corrected_by"))
    plain = {"number": 7, "kind": "note", "time": "2026-03-01T12:00:00Z", "recorded": "2026-03-01T12:00:00Z", "payload": {}, "attached": ()}
    plain |= {"version": "1", "sha256": "abc", "previous": "def"}
    rows = logtext.entry_text(SimpleNamespace(**(blank | plain))).splitlines()
    assert [row.split()[0] for row in rows] == ["entry", "kind", "time", "recorded", "program", "sha256", "follows"]
    source = SimpleNamespace(role="scan", name="a.csv", size=12, sha256="0123456789abcdef01")
    full = {"machine": "m" * 201, "lot": "l" * 200, "corrects": 3, "corrected_by": 9, "payload": {"what_was": 2.5}, "attached": (source,)}
    told = logtext.entry_text(SimpleNamespace(**(blank | plain | full)))
    for row in (
        f"machine           {'m' * 197}...",
        f"lot               {'l' * 200}",
        "corrects          entry 3",
        "corrected by      entry 9: this one no longer holds",
        "what was          2.5",
        "source, scan      a.csv, 12 bytes, sha256 0123456789abcdef...",
    ):
        assert row in told.splitlines()


@pytest.mark.parametrize(
    ("words", "found", "total", "last", "told"),
    [
        ("--last 2", 2, 3, 2, "the newest 2 of 3 entries; --all for all, --last N for more"),
        ("--last 2", 2, 2, 2, None),
        ("--last 2", 1, 3, 2, None),
        ("--all", 3, 3, None, None),
        ("--all --last 3", 3, 9, None, None),
        ("", 0, 0, 40, "no such entries"),
    ],
)
def test_entries_that_are_not_shown_are_counted(monkeypatch, capsys, words, found, total, last, told):
    asked = []

    class Book(nullcontext):
        def __enter__(self):
            return self

        def entries(self, **given):
            asked.append(given["last"])
            return ["entry"] * found

        def __len__(self):
            return total

    monkeypatch.setattr(log, "open_log", lambda args: Book())
    monkeypatch.setattr(logtext, "entry_table", lambda entries: f"{len(entries)} rows")
    assert main(["log", "list", "--log", "s.db", *words.split()]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert asked == [last]
    assert lines == ([f"{found} rows"] if found else []) + ([told] if told else [])


@pytest.mark.parametrize("whole", [True, False])
def test_a_logbook_that_is_not_whole_ends_with_one(monkeypatch, capsys, whole):
    monkeypatch.setattr("curecalc.logbook.salvage.salvage", lambda old, new: SimpleNamespace(whole=whole, text=lambda: "5 entries"))
    assert main(["log", "salvage", "new.db", "--log", "s.db"]) == (0 if whole else 1)
    assert capsys.readouterr().out == "5 entries\nwrote them to new.db; the damaged file stands as it was\n"
    monkeypatch.setattr(log, "open_log", lambda args: nullcontext())
    found = SimpleNamespace(passed=whole, to_dict=lambda: {"passed": whole})
    monkeypatch.setattr("curecalc.logbook.verifying.verify", lambda book, again, head: found)
    assert main(["log", "verify", "--log", "s.db", "--json"]) == (0 if whole else 1)
    state = SimpleNamespace(exit_status=0 if whole else 1, to_dict=dict)
    monkeypatch.setattr("curecalc.logbook.status.shop_status", lambda book: state)
    assert main(["log", "status", "--log", "s.db", "--json"]) == (0 if whole else 1)
