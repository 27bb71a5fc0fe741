"""`curecalc log` as a technician uses it, mistakes among it."""

import csv
import json
import os
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from curecalc.cli import main
from curecalc.logbook.book import Logbook
from curecalc.logbook.demoshop import write_demo_shop


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*argv: object) -> tuple[int, str, str]:
        status = main([str(a) for a in argv])
        out, err = capsys.readouterr()
        return status, out, err

    return call


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("shop") / "shop.db"
    write_demo_shop(path, end=datetime.now(UTC)).close()
    return path


LOG = ("--log", "shop.db")


def furnish(run) -> None:
    Path("readings.csv").write_text("power [mW]\n240\n241\n")
    for words in (
        ["machine", "--machine-name", "north", "--scan-speed-min", "500 mm/s", "--power-reading-every", "7 d"],
        ["lot", "--lot", "L1", "--machine-name", "north", "--resin-name", "clear", "--expiry", "2099-12-31"],
        ["power", "--machine-name", "north", "--power", "240 mW +- 2 %", "--operator", "ab", "--source", "readings=readings.csv"],
        ["beam", "--machine-name", "north", "--beam-diameter", "0.22 mm +- 4 um"],
        ["calibration", "--lot", "L1", "--penetration-depth", "0.142 mm", "--critical-exposure", "9.4 mJ/cm^2"],
        [
            "recipe",
            "--machine-name",
            "north",
            "--scan-speed",
            "8 m/s",
            "--hatch-spacing",
            "0.1 mm",
            "--layer-thickness",
            "0.1 mm",
            "--overcure",
            "0.05 mm",
            "--passes",
            "1",
        ],
        ["room", "--temperature", "22.5 degC", "--humidity", "45 %"],
        ["note", "--note", "the vat was cleaned"],
    ):
        status, out, err = run("log", "add", *words, *LOG)
        assert (status, err) == (0, "")
        assert re.match(r"entry \d+ written: \w+", out)


def test_a_day_in_the_shop(run) -> None:
    furnish(run)
    status, out, _ = run("log", "status", *LOG)
    assert status == 0, out
    assert "All well." in out
    assert re.search(r"well +north +L1 +240\.0 mW +today +today +0.164 mm / 0.1 mm", out)

    status, out, _ = run("log", "list", *LOG)
    assert status == 0
    assert "W0 0.1100 +- 0.0020 mm" in out
    assert "240.0 +- 4.8 mW" in out
    assert len(out.splitlines()) == 9

    status, out, _ = run("log", "show", "3", *LOG, "--save-sources", "kept")
    assert status == 0
    assert "operator" in out
    assert Path("kept/readings.csv").read_text() == "power [mW]\n240\n241\n"

    status, out, _ = run("log", "add", "power", "--machine-name", "north", "--power", "238 mW", "--corrects", "3", *LOG)
    assert "(corrects 3)" in out
    assert "240.0 +- 4.8 mW" not in run("log", "list", *LOG)[1]
    assert "(corrected by 9)" in run("log", "list", *LOG, "--corrected")[1]

    assert run("log", "verify", *LOG)[0] == 0
    assert run("log", "backup", "copy.db", *LOG)[0] == 0
    assert run("log", "verify", "--log", "copy.db")[0] == 0


def test_json_is_one_object_and_nothing_else(run) -> None:
    status, out, err = run("log", "add", "note", "--note", "first", *LOG, "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["payload"] == {"text": "first"}
    furnish(run)
    for words in (["list"], ["show", "2"], ["verify"], ["verify", "--recompute"], ["status"]):
        status, out, err = run("log", *words, *LOG, "--json")
        assert (status, err) == (0, "")
        json.loads(out)
    listed = json.loads(run("log", "list", *LOG, "--entry-kind", "power", "--json")[1])
    assert listed["total"] == 9
    assert listed["entries"][0]["payload"]["power"] == {"value": 240.0, "unit": "mW", "standard_uncertainty": pytest.approx(4.8)}


def test_export_and_import_by_command(run) -> None:
    furnish(run)
    run("log", "add", "note", "--note", "=1+1\n'quoted' \u202e", *LOG)
    for name in ("out.csv", "out.json"):
        assert run("log", "export", *LOG, "--save", name)[0] == 0
        status, out, err = run("log", "import", name, "--log", f"from-{name}.db")
        assert (status, err) == (0, "")
        assert out.startswith("9 entries added")
        with Logbook("shop.db") as one, Logbook(f"from-{name}.db") as two:
            assert [e.to_dict()["sha256"] for e in one.entries()] == [e.to_dict()["sha256"] for e in two.entries()]
    with open("out.csv", encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows[-1]["text"].startswith("'=1+1")
    assert rows[2]["power [mW]"] == "240.0"
    status, _, err = run("log", "export", *LOG, "--save", "out.csv")
    assert (status, "stands already" in err) == (2, True)
    assert run("log", "export", *LOG, "--save", "out.csv", "--overwrite", "--entry-kind", "power")[1].startswith("wrote 1 entries")


def test_hostile_text_does_not_reach_the_terminal(run) -> None:
    furnish(run)
    run("log", "add", "note", "--note", "\x1b[2J\x07clear\u202e\nsecond line", *LOG)
    for words in (["list"], ["show", "9"]):
        out = run("log", *words, *LOG)[1]
        assert "clear?" in out
        assert not re.search("[\x00-\x09\x0b-\x1f\u202e]", out)


@pytest.mark.slow
def test_the_drift_of_the_invented_shop(run, shop) -> None:
    status, out, err = run("log", "drift", "power", "--log", shop, "--machine-name", "bay 2", "--figure", "p.png", "--rules", "all")
    assert status == 0
    assert "OUT NOW: " in out
    assert "one in 92 readings" in out
    assert re.search(r"forecast +1\d\d\.\d mW \(today's settings cure no deeper than the layer\): about 20", out)
    assert Path("p.png").stat().st_size > 20_000
    assert err == "wrote p.png\n"
    got = json.loads(run("log", "drift", "critical_exposure", "--log", shop, "--json")[1])
    assert got["signalling"]
    assert [got["readings"][s["index"]]["lot"] for s in got["individuals"]["signals"]] == ["R16"]
    stated = json.loads(
        run("log", "drift", "power", "--log", shop, "--machine-name", "bay 1", "--centre", "0.24 W", "--sd", "2 mW", "--json")[1]
    )
    assert stated["individuals"]["centre"] == 240.0
    assert stated["baseline"].startswith("stated: 240")
    status, out, _ = run("log", "drift", "humidity", "--log", shop)
    assert "room humidity" in out
    status, out, _ = run("log", "drift", "temperature", "--log", shop, "--centre", "22 degC", "--sd", "2 degC")
    assert status == 0
    status, out, _ = run("log", "status", "--log", shop)
    assert status == 1
    assert len(out.splitlines()) < 12
    assert re.match(r" +machine", out)
    assert "DUE" in out.splitlines()[1]


MISTAKES = [
    (["log"], "ACTION"),
    (["log", "dance", *LOG], "got 'dance'"),
    (["log", "add", "note", "--note", "x"], "--log"),
    (["log", "list", "--log", "none.db"], "none.db: there is no such logbook"),
    (["log", "status", "--log", "text.db"], "text.db: is not a logbook"),
    (["log", "add", "power", *LOG, "--machine-name", "north"], "--power is missing: a power entry must hold it"),
    (["log", "add", "power", *LOG, "--power", "240 mW"], "--machine-name is missing: a power entry must name its machine"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240"], "--power has no unit: got '240'"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240,5 mW"], "--power: cannot read '240,5 mW'"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "-3 mW"], "--power must be above zero"),
    (["log", "add", "power", *LOG, "--machine-name", "nrth", "--power", "240 mW"], "'nrth' is not in the logbook, but 'north' is"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--pwer", "240 mW"], "Did you mean --power?"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240 mW", "--time", "noon"], "--time: cannot read 'noon'"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240 mW", "--time", "2099-01-01"], "is in the future"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240 mW", "--corrects", "77"], "there is no entry 77"),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240 mW", "--corrects", "one"], "--corrects must be a whole"),
    (
        ["log", "add", "power", *LOG, "--machine-name", "north", "--power", "240 mW", "--source", "gone.csv"],
        "gone.csv: there is no such file",
    ),
    (["log", "add", "power", *LOG, "--machine-name", "north", "--power", "1 mW", "--power", "2 mW"], "--power is given twice"),
    (
        ["log", "add", "beam", *LOG, "--machine-name", "north"],
        "give exactly one of --beam-radius, --beam-diameter, --beam-fwhm; found none",
    ),
    (["log", "add", "beam", *LOG, "--machine-name", "north", "--beam-radius", "1 mm", "--beam-fwhm", "1 mm"], "radius and --beam-fwhm"),
    (["log", "add", "lot", *LOG, "--lot", "L2", "--expiry", "1.2.2027"], "--expiry must be a date"),
    (["log", "add", "room", *LOG, "--temperature", "22 degC", "--humidity", "450 %"], "--humidity must be at most 1"),
    (["log", "add", "recipe", *LOG, "--machine-name", "north", "--passes", "two"], "--passes must be a whole number"),
    (["log", "add", "correction", *LOG, "--reason", "x"], "--corrects is missing"),
    (["log", "list", *LOG, "--entry-kind", "powr"], "Did you mean power?"),
    (["log", "list", *LOG, "--last", "-1"], "--last must be a whole number"),
    (["log", "list", *LOG, "--since", "soon"], "--since: cannot read 'soon'"),
    (["log", "show", "seven", *LOG], "NUMBER must be a whole number"),
    (["log", "show", "700", *LOG], "there is no entry 700; the logbook holds 8"),
    (["log", "export", *LOG, "--save", "out.xlsx"], "the name ends in .csv or .json"),
    (["log", "export", *LOG, "--save", "none/out.csv"], "does not exist. Make it first"),
    (["log", "import", "gone.csv", *LOG], "gone.csv: there is no such file"),
    (["log", "import", "text.db", *LOG], "is not a logbook export"),
    (["log", "import", "shop.db", *LOG], "is not UTF-8 text"),
    (["log", "backup", "text.db", *LOG], "stands already"),
    (["log", "drift", "powr", *LOG], "nothing called 'powr' can be charted"),
    (["log", "drift", "power", *LOG, "--machine-name", "north"], "at least 8 readings, and the logbook holds 1 of power for north"),
    (["log", "drift", "power", *LOG, "--machine-name", "north", "--centre", "240 mW"], "--centre and --sd belong together"),
    (["log", "drift", "power", *LOG, "--machine-name", "north", "--centre", "240", "--sd", "2 mW"], "--centre has no unit"),
    (["log", "drift", "power", *LOG, "--machine-name", "north", "--centre", "240 mW", "--sd", "2 mW", "--rules", "x"], "no run rule is"),
    (["log", "drift", "power", *LOG, "--machine-name", "north", "--centre", "240 mW", "--sd", "2 mW", "--weight", "2"], "--weight must be"),
    (["log", "drift", "power", *LOG, "--machine-name", "north", "--figure", "p.gif"], "the name ends in .png or .svg or .pdf"),
    (["log", "drift", "depth", *LOG], "--machine-name is missing: the depth"),
]


def test_a_mistake_gets_one_line_and_changes_nothing(run) -> None:
    furnish(run)
    Path("text.db").write_text("this is no database but some text")
    before = sorted(p for p in os.listdir() if "-" not in p)
    for words, said in MISTAKES:
        status, out, err = run(*words)
        assert (status, out) == (2, ""), words
        assert said in err, words
        assert err.count("\n") == 1, words
        assert sorted(p for p in os.listdir() if "-" not in p) == before, words
        with Logbook("shop.db") as book:
            assert len(book) == 8, words


def test_a_damaged_logbook_ends_verify_with_one(run) -> None:
    furnish(run)
    data = Path("shop.db").read_bytes()
    place = data.index(b"the vat was cleaned")
    Path("shop.db").write_bytes(data[:place] + b"T" + data[place + 1 :])
    status, out, _ = run("log", "verify", *LOG)
    assert status == 1
    assert "NOT as it was written" in out
    assert "entry 8 (note" in out
    assert json.loads(run("log", "verify", *LOG, "--json")[1])["passed"] is False


def test_every_action_has_help(run) -> None:
    for words in ([], ["add"], ["add", "power"], ["list"], ["drift"], ["status"], ["verify"], ["export"]):
        status, out, _ = run("log", *words, "--help")
        assert status == 0
        assert "usage: curecalc log" in out


def test_a_power_that_looks_like_a_slip_is_written_and_doubted(run) -> None:
    run("log", "add", "machine", *LOG, "--machine-name", "M1", "--rated-power", "40 mW")
    status, out, err = run("log", "add", "power", *LOG, "--machine-name", "M1", "--power", "300 mW")
    assert (status, out[:5]) == (0, "entry")
    assert "300 mW is 7.5 times the machine's rated power of 40 mW" in err
    assert "--corrects 2" in err
    status, _, err = run("log", "add", "power", *LOG, "--machine-name", "M2", "--power", "30 mW")
    assert (status, "'M2' is not in the logbook, but 'M1' is" in err) == (2, True)
    assert "0.1 times the last reading" in run("log", "add", "power", *LOG, "--machine-name", "M1", "--power", "30 mW")[2]
    assert run("log", "add", "power", *LOG, "--machine-name", "M1", "--power", "31 mW")[2] == ""


def test_a_refused_first_entry_leaves_no_logbook_behind(run) -> None:
    for words in (
        ["machine", "--machine-name", "north", "--power-reading-every", "0 d"],
        ["beam", "--beam-radius", "0.1 mm"],
        ["note", "--note", "x", "--time", "yesterday"],
        ["power", "--machine-name", "north", "--power", "240 mW", "--time", "soon"],
    ):
        assert run("log", "add", *words, *LOG)[0] == 2, words
        assert not list(Path().iterdir()), words
