"""Help that teaches: one screen with an example that runs, all options on request, completion from the same declarations."""

import importlib
import os
import runpy
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import argcomplete
import pytest

from curecalc.cli import COMMANDS, main
from curecalc.cli.helping import COMMON

DEMO = Path(__file__).parents[2] / "demo"
CUBE = "solid\n{}\nendsolid\n"
FACES = ("000 010 110", "000 110 100", "001 101 111", "001 111 011", "000 100 101", "000 101 001")
FACES += ("010 011 111", "010 111 110", "000 001 011", "000 011 010", "100 110 111", "100 111 101")


def told(capsys, *words):
    assert main(list(words)) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("name", COMMANDS)
def test_help_is_one_screen_and_names_the_rest(capsys, monkeypatch, name):
    monkeypatch.setenv("COLUMNS", "100")
    short, whole = told(capsys, name, "--help"), told(capsys, name, "--help-all")
    assert told(capsys, "help", name) == told(capsys, name, "-h") == short
    assert max(map(len, (short + whole).splitlines())) <= 100
    assert len(short.splitlines()) <= 40
    if name in COMMON:
        listed = [line.split()[0] for line in short.splitlines() if line.startswith("  --")]
        assert listed == [f"--{option}" for option in COMMON[name][1].split()]
        beside = [line.strip().partition("  ")[2] for line in short.splitlines() if line.startswith("  --")]
        assert all(beside), "the text of an option stands beside it"
        assert all(option in whole for option in listed)
        every = {word.strip("[]") for word in whole.partition("\n\n")[0].split() if word.strip("[]").startswith("--")}
        left_out = len(every) - len(listed) - len(every & {"--help-all", "--overwrite"})
        assert f"{left_out} more options: curecalc {name} --help-all" in short


@pytest.mark.parametrize(
    ("name", "reads"),
    [("depth", ""), ("lesson", "LESSON... "), ("compare", "OLD NEW... "), ("spot", "FILE FILE... "), ("retune", "RECIPE.json ")],
)
def test_what_a_command_reads_stands_first(capsys, name, reads):
    assert told(capsys, name, "--help").startswith(f"usage: curecalc {name} {reads}[options]\n")


def test_an_action_of_the_logbook_has_its_help(capsys):
    assert told(capsys, "help", "log", "add", "power").startswith("usage: curecalc log add power")


@pytest.mark.slow
def test_every_example_runs(capsys, tmp_path, monkeypatch):
    """In the order of a job, in a folder with the invented files, as printed by the help."""
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    corners = ["".join(f"vertex {' '.join(c)}\n" for c in face.split()) for face in FACES]
    (tmp_path / "bracket.stl").write_text(CUBE.format("\n".join(f"facet normal 0 0 0\nouter loop\n{c}endloop\nendfacet" for c in corners)))
    monkeypatch.chdir(tmp_path)
    for name in COMMON:
        example = told(capsys, name, "--help").partition("example: ")[2].partition("\n\n")[0]
        words = shlex.split(example.replace("\\\n", " "))
        assert words[:2] == ["curecalc", name]
        if name != "page":  # runs until it is stopped; tried in tests/page
            assert main(words[1:]) == 0, capsys.readouterr().err
            assert capsys.readouterr().out


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("curecalc sp", {"speed", "spot"}),
        pytest.param("curecalc speed --layer", {"--layer-thickness"}, marks=pytest.mark.slow),
        pytest.param("curecalc log add po", {"power"}, marks=pytest.mark.slow),
        pytest.param("curecalc spot --kind k", {"knife-edge"}, marks=pytest.mark.slow),
        pytest.param(
            "curecalc fit coupons_lot", {"coupons_lot_6.csv", "coupons_lot_7.csv", "coupons_lot_7_read_again.csv"}, marks=pytest.mark.slow
        ),
    ],
)
def test_the_tab_key_offers_what_fits(tmp_path, typed, offered):
    """As a shell asks: the line so far in the environment, the answer in a file that is named there."""
    answer = tmp_path / "answer"
    asked = {"_ARGCOMPLETE": "1", "COMP_LINE": typed, "COMP_POINT": str(len(typed)), "_ARGCOMPLETE_IFS": "\n"}
    asked |= {"_ARGCOMPLETE_STDOUT_FILENAME": str(answer), "_ARGCOMPLETE_SUPPRESS_SPACE": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "curecalc"], env={**os.environ, **asked}, cwd=DEMO, capture_output=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert {one.strip() for one in answer.read_text().splitlines()} == offered


def test_the_tab_key_loads_the_options_of_the_command_typed_alone(monkeypatch):
    """As `python -m curecalc`, asked by a shell; every command is offered."""
    asked = []
    monkeypatch.setattr(argcomplete, "autocomplete", lambda parser: asked.append(parser) or sys.exit(0))
    monkeypatch.setenv("_ARGCOMPLETE", "1")
    monkeypatch.setenv("COMP_LINE", "curecalc speed --")
    with pytest.raises(SystemExit) as ended:
        runpy.run_module("curecalc", run_name="__main__")
    assert ended.value.code == 0
    importlib.reload(importlib.import_module("curecalc.__main__"))  # read as a module it does nothing
    assert len(asked) == 1
    (commands,) = (action.choices for action in asked[0]._actions if action.choices)
    assert commands.keys() == COMMANDS.keys()
    options = {name: len(parser._actions) for name, parser in commands.items()}
    assert options.pop("speed") > 20
    assert set(options.values()) == {1}  # --help


@pytest.mark.parametrize(
    ("command", "line"), [("fit", "thickness [mm] (needed) - "), ("spot", "position [mm] - Of the edge"), ("part", "x0 [mm] - Where")]
)
def test_the_columns_of_a_table_are_explained(capsys, command, line):
    """Every one of them, and no line wider than a screen."""
    lines = told(capsys, command, "--columns").splitlines()
    assert any(one.startswith(line) for one in lines)
    assert all(one.rpartition(" - ")[2].strip() for one in lines if " - " in one)
    assert max(map(len, lines)) <= 100
