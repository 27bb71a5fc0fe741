"""The library speaks of arguments; the command line says the same in options."""

import ast
import re

import pytest
from program import ROOT, tree

from curecalc.cli import main
from curecalc.cli.common import as_options, told_in_options

ROOMS = ("calibration", "spot", "jobs", "setting", "statistics", "formulas", "units", "paths", "map", "recipe", "lessons")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Give power=, at the surface.", "Give --power, at the surface."),
        ("Say kind='knife-edge' or kind='slit'.", "Say --kind knife-edge or --kind slit."),
        ("with pixel_size='4.4um', say", "with --pixel-size 4.4um, say"),
        ("keep_warm_up= keeps them.", "--keep-warm-up keeps them."),
        ("write 'wavelength = 355 nm' above", "write 'wavelength = 355 nm' above"),
        ("p=0.3, E=mc, other='x', power=3", "p=0.3, E=mc, other='x', power=3"),
    ],
)
def test_a_call_is_told_as_options(text, said):
    assert as_options(text, ["power", "kind", "pixel_size", "keep_warm_up", "wavelength"]) == said
    assert told_in_options({"a": [text, 3, None]}, ["power", "kind", "pixel_size", "keep_warm_up"])["a"][1:] == [3, None]


@pytest.mark.parametrize("room", ROOMS)
def test_no_sentence_of_a_library_room_holds_an_option(room):
    """Sentences only: docstrings and what a command of ours is called may name options."""
    for path in (ROOT / room).rglob("*.py"):
        nodes = list(ast.walk(tree(path)))
        docs = {
            id(node.body[0].value)
            for node in nodes
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and node.body and isinstance(node.body[0], ast.Expr)
        }
        for node in nodes:
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
                assert not re.search(r"(?<!fit )(?<!recipe \.\.\. )--[a-z]", node.value), f"{path.name}:{node.lineno}: {node.value}"


def run(capsys, *words):
    status = main(list(words))
    out, err = capsys.readouterr()
    return status, out, err


def test_refusals_and_remarks_reach_people_as_options(tmp_path, capsys):
    flat = tmp_path / "flat.csv"
    flat.write_text("position [mm],power [mW]\n" + "".join(f"{0.01 * i:.2f},{5 if i % 15 else 1}\n" for i in range(30)))
    status, _, err = run(capsys, "spot", str(flat))
    assert status == 2
    assert "Say which with --kind knife-edge or --kind slit." in err
    power = tmp_path / "power.csv"
    power.write_text("time [s],power [mW]\n" + "".join(f"{i},{240 + i % 3}\n" for i in range(30)))
    assert "is left out. Give --meter-uncertainty." in run(capsys, "spot", str(power))[1]
    assert "is left out. Give --meter-uncertainty." in run(capsys, "spot", str(power), "--json")[1]
    beam = tmp_path / "beam.toml"
    beam.write_text('schema = 1\nradius_x = "0.1 mm"\n')
    resin = ("--penetration-depth", "0.142 mm", "--critical-exposure", "9.4 mJ/cm^2")
    status, _, err = run(capsys, "depth", "--beam", str(beam), "--scan-speed", "3000 mm/s", *resin)
    assert status == 2
    assert "beam.toml: power: is missing. Give --power, or add power readings" in err
