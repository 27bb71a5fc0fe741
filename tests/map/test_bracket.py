"""The invented bracket of the demo: its three findings against a beam that moves, integrated in time apart from the map; and the README.

Vectors are read here from the table itself; doses of layers add as exp(-z / Dp).
"""

import csv
import importlib.util
import json
import math
import re
import shlex
from pathlib import Path

import pytest
from model import integration

from curecalc.cli import main

ROOT = Path(__file__).resolve().parents[2]
T, OVERCURE, RADIUS, SPACING = 0.1, 0.08, 0.1, 0.1
COMMAND = "curecalc part demo/bracket.csv --resin demo/resin.toml --layer-thickness 0.1mm --overcure 0.08mm"


def resin():
    """Dp (mm) and Ec (mJ/mm^2) as the file writes them."""
    text = (ROOT / "demo" / "resin.toml").read_text()
    dp, ec = (float(re.search(rf'^{key} = "([\d.]+) ', text, re.MULTILINE)[1]) for key in ("penetration_depth", "critical_exposure"))
    return dp, 0.01 * ec


DP, EC = resin()


def scanned():
    lines = [line for line in (ROOT / "demo" / "bracket.csv").read_text().splitlines() if not line.startswith("#")]
    rows = [{key.split(" [")[0]: value for key, value in row.items()} for row in csv.DictReader(lines)]
    return [row for row in rows if row["kind"] != "outline"]


def dose(rows, layer, x, y):
    """Of one layer at a place (mJ/mm^2): the moving beam of every vector that comes near."""
    total = 0.0
    for row in rows:
        ends = [(float(row[f"x{i}"]), float(row[f"y{i}"])) for i in (0, 1)]
        near = all(min(q) - 1.0 < p < max(q) + 1.0 for p, q in zip((x, y), zip(*ends)))
        if int(row["layer"]) == layer and near:
            scan = integration.Scan(float(row["power"]), float(row["scan_speed"]), 1.0)
            total += integration.polyline_dose((x, y), ends, integration.Spot(float(row["beam_radius"])), scan)
    return total


def depth(exposure):
    return DP * math.log(exposure / EC)


@pytest.fixture(scope="module")
def answer():
    from contextlib import redirect_stdout
    from io import StringIO

    out = StringIO()
    words = shlex.split(COMMAND.replace("demo/", f"{ROOT}/demo/"))[1:]
    with redirect_stdout(out):
        assert main([*words, "--workers", "1", "--json"]) == 0
    return json.loads(out.getvalue())


def at(place):
    return place["x"]["value"], place["y"]["value"]


def raster_depth(speed=3500.0, power=120.0):
    """Of the hatch far from any end: its valley, from the sum over endless lines."""
    line = math.sqrt(2.0 / math.pi) * power / (RADIUS * speed)
    valley = line * sum(math.exp(-2.0 * ((k + 0.5) * SPACING / RADIUS) ** 2) for k in range(-20, 20))
    return depth(valley)


def test_the_settings_bond_everywhere_by_the_closed_form():
    assert raster_depth() - T == pytest.approx(OVERCURE, abs=2e-3)
    assert depth(math.sqrt(2.0 / math.pi) * 120.0 / (RADIUS * 2500.0)) - T > OVERCURE


def test_a_fin_of_three_spacings_does_not_bond_in_its_middle(answer):
    place = answer["weakest_places"][0]
    x, y = at(place)
    assert 2.2 < x < 2.5  # the fin of 0.3
    assert place["layer"] % 2 == 0
    found = depth(dose(scanned(), place["layer"], x, y)) - T
    assert place["overcure"]["value"] == pytest.approx(found, abs=1e-5)
    assert found < -0.085
    beside = [depth(dose(scanned(), place["layer"], x + dx, y)) - T for dx in (-0.01, 0.01)]
    assert min(beside) > found
    above = depth(dose(scanned(), place["layer"] - 1, x, y)) - T  # the layer hatched across it bonds
    assert above > 0.5 * OVERCURE


def test_a_fin_thinner_than_the_beam_is_cured_far_too_deep(answer):
    place = answer["deepest_places"][0]
    x, y = at(place)
    assert 0.5 < x < 0.68  # the fin of 0.18
    assert place["why"] == "thin wall"
    found = depth(dose(scanned(), place["layer"], x, y)) - T
    assert place["overcure"]["value"] == pytest.approx(found, abs=1e-5)
    assert found > 1.9 * OVERCURE
    assert answer["thin_features"][0]["width"]["value"] == pytest.approx(0.18, abs=1e-6)


def test_the_overhangs_corner_prints_through_more_than_a_wide_face(answer):
    place = answer["print_through_places"][0]
    x, y = at(place)
    assert x > 4.8  # beyond the right leg: the overhang
    assert place["layer"] == 9
    rows = scanned()
    total = sum(dose(rows, k, x, y) * math.exp(-(k - 9) * T / DP) for k in range(9, 21))
    found = depth(total) - T
    assert place["print_through"]["value"] == pytest.approx(found, abs=1e-5)
    n = 6  # layers of the overhang
    even = 120.0 / (3500.0 * SPACING)
    wide = depth(even) - T + DP * math.log((1.0 - math.exp(-n * T / DP)) / (1.0 - math.exp(-T / DP)))
    assert wide == pytest.approx(0.179, abs=5e-4)
    assert found > wide + 0.055


def test_the_table_is_what_the_script_makes():
    pytest.importorskip("manifold3d")
    spec = importlib.util.spec_from_file_location("make_bracket", ROOT / "demo" / "make_bracket.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    text = (ROOT / "demo" / "bracket.csv").read_text()
    assert text.startswith("# invented data")
    assert sorted(script.bracket().splitlines()) == sorted(text.splitlines())


def test_the_readme_tells_what_is_printed(capsys):
    section = (ROOT / "README.md").read_text().split("## Map real scan paths", 1)[1].split("\n## ", 1)[0]
    assert COMMAND in section
    assert main([*shlex.split(COMMAND.replace("demo/", f"{ROOT}/demo/"))[1:], "--workers", "1"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    told = re.findall(r"`([^`]*: [^`]*)`", " ".join(section.split("`demo/bracket.csv`")[1].split()))
    assert len(told) == 3
    for text in told:
        assert text in printed, text
