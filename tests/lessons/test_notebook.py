"""Records show themselves in notebooks; the example of the demo folder runs cell by cell."""

import ast
from pathlib import Path

import pytest

import curecalc
from curecalc import Quantity as Q
from curecalc.lessons import invented_bench, lesson
from curecalc.lessons.exercises import exercise

DEMO = Path(__file__).resolve().parents[2] / "demo"


@pytest.fixture(scope="module")
def cells():
    """The values of the cells that end in an expression, as a notebook shows them."""
    text = (DEMO / "notebook.py").read_text(encoding="utf-8")
    space = {"__file__": str(DEMO / "notebook.py"), "__name__": "notebook"}
    values = []
    for node in ast.parse(text).body:
        piece = ast.unparse(node)
        if isinstance(node, ast.Expr):
            values.append(eval(piece, space))  # our own file
        else:
            exec(piece, space)
    return values


@pytest.mark.slow
def test_every_cell_shows_something(cells):
    from matplotlib.figure import Figure

    assert len(cells) == 18
    for value in cells:
        assert isinstance(value, Figure) or value._repr_html_().startswith(("<table>", "<article"))
    assert sum(isinstance(value, Figure) for value in cells) == 9


@pytest.mark.slow
def test_the_example_finds_the_invented_truth(cells):
    """The lot was made with Dp 0.142 mm and Ec 9.4 mJ/cm^2, the spot with radii of 0.116 and 0.104 mm (stated in the demo)."""
    spot, _, fit, _, verdict, _, solution, *_ = cells
    assert spot.radius_x.value.m_as("mm") == pytest.approx(0.116, rel=0.03)
    assert fit.penetration_depth.value.m_as("mm") == pytest.approx(0.142, abs=4 * 0.142 * 0.03)
    assert verdict.sentence.startswith("Keep the settings for now")
    assert solution.answer.outputs["overcure"].m_as("mm") == pytest.approx(0.08, abs=1e-9)


def test_the_notebook_is_the_script():
    """Made by `python demo/make_notebook.py`: the same cells, each with its answer; run again where they differ."""
    import json
    import runpy

    maker = runpy.run_path(str(DEMO / "make_notebook.py"))
    kept = json.loads((DEMO / "notebook.ipynb").read_text(encoding="utf-8"))
    made = maker["notebook"]((DEMO / "notebook.py").read_text(encoding="utf-8"), run=False)
    bare = [{key: value for key, value in cell.items() if key != "outputs"} for cell in kept["cells"]]
    assert bare == [{key: value for key, value in cell.items() if key != "outputs"} for cell in made["cells"]], (
        "python demo/make_notebook.py"
    )
    assert (kept["nbformat"], kept["nbformat_minor"]) == (4, 5)
    outputs = [o["data"] for cell in kept["cells"] for o in cell.get("outputs", [])]
    assert len(outputs) == 18
    assert sum("image/png" in data for data in outputs) == 9
    assert all(str(DEMO) not in json.dumps(data) for data in outputs)


@pytest.mark.parametrize(
    "record",
    [
        invented_bench().beam,
        invented_bench().resin,
        curecalc.Scan(scan_speed=Q(2.0, "m/s"), hatch_spacing=Q(0.1, "mm"), cross_hatch=True),
        lesson("spot"),
        exercise("line-speed", seed=1),
    ],
    ids=lambda r: type(r).__name__,
)
def test_records_show_themselves(record):
    html = record._repr_html_()
    assert html.startswith("<")
    assert "None" not in html


def test_names_are_shown_as_text():
    import dataclasses

    hostile = dataclasses.replace(invented_bench().beam, name="<img src=x onerror=alert(1)>")
    assert "<img" not in hostile._repr_html_()
    assert "240.0 +- 4.8 mW" in hostile._repr_html_()


def test_a_recipe_shows_itself():
    from curecalc.jobs.lot import read_resin
    from curecalc.jobs.machine import read_machine
    from curecalc.jobs.needs import read_needs
    from curecalc.recipe.recipe import make_recipe

    recipe = make_recipe(
        machine=read_machine(DEMO / "machine.toml"), resin=read_resin(DEMO / "resin.toml"), needs=read_needs(DEMO / "needs.toml")
    )
    html = recipe._repr_html_()
    assert all(one.kind in html for one in recipe.vectors)
