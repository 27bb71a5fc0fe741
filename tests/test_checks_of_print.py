"""How outside checks read a printed number and when they agree with it: the last digit, a tolerance, an exact value, lists."""

import math

import pytest

from curecalc.errors import FileError
from curecalc.validation import Report, printed, run_check

CHECK = {"id": "root", "function": "builtins.pow", "kind": "formula", "tag": "derived", "source": "hand", "expected": "1.41"}


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sources.toml").write_text('[hand]\ntitle = "by hand"\n', encoding="utf-8")
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "d.csv").write_text("# a remark\nx,lot\n2,a\n5,b\n9,a\n", encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("text", "value", "half", "unit"),
    [
        ("15.96 mJ/cm^2", 15.96, 0.005, "mJ/cm^2"),
        ("100", 100.0, 0.5, ""),
        ("100.", 100.0, 0.5, ""),
        ("-.50", -0.5, 0.005, ""),
        ("+2.5e-3 mm", 0.0025, 0.00005, "mm"),
        ("1e3", 1000.0, 500.0, ""),
        ("0.00", 0.0, 0.005, ""),
    ],
)
def test_half_of_the_last_digit(text, value, half, unit):
    got = printed(text)
    assert (got.value, got.half_last_digit, got.unit) == (value, pytest.approx(half, rel=1e-12), unit)


def ran(folder, base, **more):
    return run_check(CHECK | {"inputs": {"base": base, "exp": 1.0}} | more, folder)


def test_when_a_check_agrees(folder):
    for value, more, agrees in (
        (1.4149, {}, True),
        (1.415, {}, True),
        (1.415 + 2e-9, {}, False),
        (1.41501, {}, False),
        (1.405, {}, True),
        (1.40499, {}, False),
        (1.51, {"tolerance": 0.1, "why": "rounded"}, True),
        (1.5101, {"tolerance": 0.1, "why": "rounded"}, False),
        (1.414, {"exact": "1.414"}, True),
        (1.4144, {"exact": "1.414"}, True),
        (1.4146, {"exact": "1.414"}, False),
        (1.41414, {"exact": "1.414", "exact_rtol": 1e-4}, True),
        (1.41415, {"exact": "1.414", "exact_rtol": 1e-4}, False),
        (1.414, {"exact": "1.414", "exact_rtol": 0.0}, True),
        (math.nan, {}, False),
    ):
        got = ran(folder, value, **more)
        assert got.agrees == agrees, (value, more)
    assert (ran(folder, 1.4149).difference, ran(folder, 1.4149).tolerance) == (pytest.approx(0.0049), pytest.approx(0.005))
    just = ran(folder, 0.05, expected="0", exact="0.0")  # half of the last digit itself agrees
    assert (just.agrees, just.difference, just.tolerance) == (True, 0.05, 0.5)
    assert ran(folder, 1.5, tolerance=0.1, why="rounded").note == "rounded"
    wrong = ran(folder, 1.4146, exact="1.414")
    assert (wrong.difference, wrong.tolerance) == (pytest.approx(0.0006), pytest.approx(0.0005))
    with pytest.raises(FileError, match="a tolerance needs a why"):
        ran(folder, 1.4, tolerance=0.1)
    with pytest.raises(FileError, match="source 'none' is not in"):
        ran(folder, 1.4, source="none")
    with pytest.raises(FileError, match="cannot read the printed value 'about two'"):
        ran(folder, 1.4, expected="about two")


def test_lists_columns_and_broken_functions(folder):
    column = {"file": "d.csv", "column": "x"}
    for spec, values in (
        (column, ["2", "5", "9"]),
        (column | {"where": {"lot": "a"}}, ["2", "9"]),
        (column | {"minus": 1.0, "times": 2.0}, ["2", "8", "16"]),
        (column | {"minus": 1.0, "power": 2.0}, ["1", "16", "64"]),
        (column | {"where": {"lot": "b"}, "log": True}, ["1.609438"]),
    ):
        assert ran(folder, spec, expected=values).agrees, spec
    for text, value in ((".5", "0.5"), ("-.5e1", "-5"), ("5. mm", "5 mm")):
        assert ran(folder, text, expected=value).agrees, text
    short = ran(folder, column, expected=["2", "5"])
    assert (short.agrees, short.note) == (False, "3 values for 2 expected")
    assert math.isnan(short.difference)
    assert not ran(folder, column, expected=["2", "5", "8"]).agrees
    assert not ran(folder, column, expected=["3", "5", "9"]).agrees
    broken = ran(folder, 1.0, function="builtins.divmod")
    assert not broken.agrees
    assert broken.note.startswith("TypeError")
    assert not Report("", {}, ()).passed
    assert Report("", {}, (ran(folder, 1.41),)).passed
    both = Report("", {}, (ran(folder, 1.41), short))
    assert not both.passed
    assert (both.to_dict()["failed"], both.to_dict()["checks"]) == (["root"], 2)
    assert both.to_dict()["outcomes"][1]["difference"] is None
