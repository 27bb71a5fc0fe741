"""What is printed suits its reader: every terminal's encoding, a narrow window, a pipe; numbers are never touched."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from everywhere import LANGUAGES, Screen, faults, lines, make_languages, prepare, uneven

from curecalc.cli import main
from curecalc.cli.terminal import folded, spoken, table

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "demo"
ENCODINGS = ("cp1250", "cp1252", "cp932", "ascii")
DEPTH = ["depth", "--power", "30 mW ± 2 %", "--scan-speed", "1 m/s", "--beam-radius", "125 µm", "--penetration-depth", "0.15mm"]
DEPTH += ["--critical-exposure", "8 mJ/cm²"]


@pytest.fixture
def shown(monkeypatch):
    """Run a command before such a screen: its status, what stands on stdout, and on stderr."""

    def call(words, encoding="utf-8", terminal=False, columns=100):
        monkeypatch.setenv("COLUMNS", str(columns))
        out, err = Screen(encoding, terminal), Screen(encoding, terminal)
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        status = main(words)
        return status, out.text(), err.text()

    return call


def test_units_are_symbols_on_a_terminal_and_plain_elsewhere(shown, monkeypatch):
    status, told, _ = shown(DEPTH, terminal=True)
    assert status == 0
    assert "mJ/cm²" in told
    assert " ± " in told
    assert "^2" not in told
    for encoding, terminal in [("utf-8", False), *((e, t) for e in ENCODINGS for t in (False, True))]:
        status, plain, _ = shown(DEPTH, encoding, terminal)
        assert status == 0
        assert plain == told.replace("²", "^2").replace("±", "+-").replace("µm", "um")
    monkeypatch.setenv("CURECALC_PLAIN", "1")
    assert shown(DEPTH, terminal=True)[1] == plain


@pytest.mark.parametrize("encodings", [("ascii",), pytest.param(ENCODINGS, marks=pytest.mark.slow)])
def test_json_is_the_same_everywhere(shown, encodings):
    words = ["recipe", *(w for n in ("machine", "resin", "needs") for w in (f"--{n}", str(DEMO / f"{n}.toml"))), "--json"]
    first = json.loads(shown(words)[1])
    for encoding in encodings:
        assert json.loads(shown(words, encoding, terminal=True, columns=40)[1]) == first


def test_a_name_that_the_terminal_cannot_show_is_shown_as_near_as_it_can(shown):
    status, _, told = shown(["fit", "Prüfung – Łódź 樹脂.csv"], "ascii")
    assert (status, told) == (2, "Prufung - ?odz ??.csv: there is no such file. Check the name and the folder of the table file.\n")


def test_streams_are_given_back(monkeypatch):
    out = Screen("ascii", terminal=False)
    monkeypatch.setattr(sys, "stdout", out)
    with spoken(raw=False):
        print("5 µm")
    assert sys.stdout is out
    assert out.errors == "strict"
    assert out.text() == "5 um\n"


def test_long_lines_hang_below_their_last_column():
    line = "critical exposure Ec   9.71 mJ/cm^2   " + "a word " * 20
    lines = folded(line, 70).split("\n")
    assert max(map(len, lines)) <= 70
    assert all(one.startswith((" " * 38 + "a word", " " * 38 + "word")) for one in lines[1:])
    assert " ".join(" ".join(lines).split()) == " ".join(line.split())
    assert folded("short", 70) == "short"
    assert folded("x" * 90, 70) == "x" * 90  # a path is not broken


def test_a_table_is_as_narrow_as_its_cells():
    rows = table(["kind", "scan speed [mm/s]", "limited by"], [["hatch", "4358", "power"], ["contour", "2500", "speed"]], left=(0, 2))
    assert rows == [
        "           scan",
        "          speed  limited",
        "kind     [mm/s]  by",
        "hatch      4358  power",
        "contour    2500  speed",
    ]


@pytest.mark.slow
@pytest.mark.parametrize("number", range(1, len(lines()), 3))
def test_commands_before_terminals(shown, tmp_path, monkeypatch, number):
    """No line wider than the terminal, but for one unbroken word; the status of a pipe; nothing that cannot be encoded.

    Each third recorded line; all of them by hand: `everywhere.py`.
    """
    import shlex

    shutil.copytree(DEMO, tmp_path / "one", dirs_exist_ok=True)
    shutil.copytree(DEMO, tmp_path / "two", dirs_exist_ok=True)
    answers = []
    for folder, encoding, terminal in (("one", "utf-8", True), ("two", ENCODINGS[number % 4], number % 8 < 4)):
        monkeypatch.chdir(tmp_path / folder)
        answers.append([])
        for command in lines()[number].split(" && "):
            if not prepare(command):
                status, out, err = shown(shlex.split(command), encoding, terminal)
                answers[-1].append(status)
                assert "Traceback" not in err
                if terminal and "--json" not in command and not command.startswith("new"):
                    wide = [one for one in (out + err).splitlines() if len(one) > 100 and " " in one.strip()]
                    assert not wide, wide
    assert answers[0] == answers[1]


@pytest.mark.skipif(shutil.which("localedef") is None or not Path("/usr/share/i18n/locales").is_dir(), reason="no language can be made")
@pytest.mark.slow
def test_the_language_of_the_machine_changes_no_number(tmp_path):
    """A decimal comma set by whatever runs in the same process: numbers are read, kept and written as always."""
    make_languages(tmp_path)
    code = f"""if True:
        import locale
        print(locale.setlocale(locale.LC_ALL, ""), locale.localeconv()["decimal_point"])
        from curecalc.cli import main
        from curecalc.logbook.book import Logbook
        from curecalc.units import parse
        main({DEPTH!a})
        main(["fit", {str(DEMO / "coupons_lot_7.csv")!r}])
        with Logbook("shop.db", create=True) as book:
            for text in ("240.5 mW", "241.25 mW"):
                book.add("power", {{"power": parse("power", text, "power")}}, machine="north")
            print([row[5:] for row in book.values("power", ["power.value", "note"])])
    """
    told = {}
    for language in ("C", *LANGUAGES):
        environment = {**os.environ, "LC_ALL": language, "LOCPATH": str(tmp_path), "PYTHONUTF8": "0"}
        (tmp_path / "shop.db").unlink(missing_ok=True)
        done = subprocess.run([sys.executable, "-c", code], env=environment, cwd=tmp_path, capture_output=True, check=False, timeout=60)
        told[language] = done.stdout.decode().splitlines()
        assert done.returncode == 0, done.stderr
    assert told["de_DE.UTF-8"][0] == "de_DE.UTF-8 ,"
    assert told["C"][-1] == "[(240.5, None), (241.25, None)]"
    assert all(lines[1:] == told["C"][1:] for lines in told.values())


def test_uneven_numbers_are_seen():
    for bad in ("x 0.15 +- 0.0042 mm", "x 0.1512 +- 0.004 mm", "from 407.04 to 408.5 mJ", "rest +2.78e-13 mm"):
        assert uneven(bad), bad
    for good in (
        "x 0.1512 +- 0.0042 mm",
        "x 7150 +- 270 mm/s",
        "from 407.04 to 408.50 mJ",
        "usual 0.005 to 2 mm",
        "p 1e-05",
        "2026-01-02 to 3",
    ):
        assert not uneven(good), good


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("localedef") is None or shutil.which("setpriv") is None, reason="no language or closed folder can be made")
def test_everywhere() -> None:
    """Each eleventh recorded line in five encodings, three languages and a folder that may not be written; all: `everywhere.py`."""
    count, wrong = faults(11)
    assert count > 100
    assert not wrong, "\n".join(wrong)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs a folder that nobody may write to")
@pytest.mark.parametrize(
    "words", [[*DEPTH, "--figure", "/proc/a.png"], ["new", "machine", "/proc/a.toml"], ["demo", "--folder", "/proc/demo"]]
)
def test_a_folder_that_may_not_be_written(shown, words):
    status, _, told = shown(words)
    assert status == 2
    assert "/proc" in told
    assert told.count("\n") == 1
    assert not Path(words[-1]).exists()
