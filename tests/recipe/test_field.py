"""A beam measured over the field: the place that asks most gets its depth, zones by hand, and assurance over simulated fields."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import erf

from curecalc.cli import main
from curecalc.figures.zones import zones_figure
from curecalc.jobs.beam import FieldPlace
from curecalc.jobs.machine import spot_readings, with_spot_readings
from curecalc.recipe.assurance import Curve
from curecalc.recipe.field import measured_places
from curecalc.recipe.inputs import gather
from curecalc.recipe.outcome import fastest_at
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.steps import vector_steps
from curecalc.units import Measured
from curecalc.units import Quantity as Q

from .whole_shops import Case, files

SPAN = np.linspace(-100.0, 100.0, 5)


def field(size, power=None, noise=0.0, random=None):
    """Places measured on a 5 x 5 grid: radius 0.1 mm times size(x, y), power 240 mW times power(x, y)."""
    places = []
    for y in SPAN:
        for x in SPAN:
            radius = 0.1 * size(x, y) * (1.0 if random is None else math.exp(noise * random.standard_normal()))
            places.append(
                FieldPlace(
                    x=Q(float(x), "mm"),
                    y=Q(float(y), "mm"),
                    radius_x=Measured(Q(radius, "mm"), Q(noise * radius, "mm")),
                    power=None if power is None else Q(240.0 * power(x, y), "mW"),
                )
            )
    return tuple(places)


def shop(case, places, **more):
    """Machine with that field and no lean, resin and needs."""
    machine, lot, needs = files(case)
    return replace(machine, field=places, field_width=Q(200, "mm"), field_length=Q(200, "mm"), beam_height=None, **more), lot, needs


def grows(x, y):
    return 1.0 + 0.1 * (x * x + y * y) / 2e4


def fades(x, y):
    return 1.0 - 0.06 * (x * x + y * y) / 2e4


def end(wider):
    """Share of the steady dose one nominal radius inside a hard end, for a spot wider by that: the normal distribution's."""
    return 0.5 * (1.0 + math.erf(math.sqrt(2.0) / wider))


@pytest.mark.parametrize("raster", [False, True])
def test_the_place_that_asks_most_gets_the_depth(raster):
    """Corner: 10 % wider, 6 % weaker. A line's exposure falls by both, a close raster's by the power alone (by hand); and both by what
    the hard end, one nominal radius away, takes more from a wider spot.
    """
    case = Case(0.95, True, True, 8, raster, radius=0.1, spacing=0.05)
    machine, lot, needs = shop(case, field(grows, fades))
    task = gather(machine, lot, needs).tasks[0]
    assert tuple(abs(v) for v in task.hold.at) == (100.0, 100.0)
    share = (0.94 if raster else 0.94 / 1.1) * end(1.1) / end(1.0)
    aim = float(np.ravel(task.depth_for(0.1, 0.05 if raster else None))[0])
    law = task.curve.cure
    # surfaces through 25 exact readings of a smooth field are good to some 1e-4
    assert float(law.dose(aim)) * share == pytest.approx(float(law.dose(0.18)), rel=2e-3)


def test_a_finer_spot_at_the_edge_leaves_deeper_valleys():
    """Spacing 1.2 radii, spot 20 % finer in the corners: the valley over the mean by the sum of Gaussians written out."""
    case = Case(0.95, True, True, 8, True, radius=0.1, spacing=0.12)
    machine, lot, needs = shop(case, field(lambda x, y: 1.0 - 0.2 * (x * x + y * y) / 2e4))
    task = gather(machine, lot, needs).tasks[0]

    def valley(radius):
        lines = 0.12 * (np.arange(-30, 30) + 0.5)
        return np.exp(-2.0 * (lines / radius) ** 2).sum() / radius

    aim = float(np.ravel(task.depth_for(0.1, 0.12))[0])
    law = task.curve.cure
    assert float(law.dose(aim) / law.dose(0.18)) == pytest.approx(valley(0.1) / valley(0.08), rel=1e-2)


def test_ripple_is_that_of_the_finest_spot_of_the_field():
    """Spacing 1.2 radii, spot 20 % finer in the corners: Dp ln of the sum of Gaussians on a line over that between two, written out."""
    case = Case(0.95, True, True, 8, True, radius=0.1, spacing=0.12)
    machine, lot, needs = shop(case, field(lambda x, y: 1.0 - 0.2 * (x * x + y * y) / 2e4))
    task = replace(gather(machine, lot, needs).tasks[0], run_up=None, hottest=1.0)
    found = fastest_at(task, np.array([0.1]), np.array([0.12]))

    def sum_at(place, radius):
        return np.exp(-2.0 * ((0.12 * np.arange(-30, 31) - place) / radius) ** 2).sum()

    corner, middle = (task.curve.penetration_depth * math.log(sum_at(0.0, r) / sum_at(0.06, r)) for r in (0.08, 0.1))
    assert corner > 2.5 * middle
    assert float(found["ripple"][0]) == pytest.approx(corner, rel=1e-2)
    with_limit = replace(task, bounds=replace(task.bounds, ripple=corner), assured_limits=True)
    beyond = fastest_at(with_limit, np.array([0.1]), np.array([0.12]))["ripple_beyond"]
    at_middle = fastest_at(replace(with_limit, finest=1.0), np.array([0.1]), np.array([0.12]))["ripple_beyond"]
    assert float(beyond[0]) > 1.5 * float(at_middle[0])  # the finer the spot, the more the same doubt of spot and spacing counts
    through = fastest_at(replace(task, layers=1.0), np.array([0.1]), np.array([0.12]))["print_through"]
    flat = fastest_at(replace(task, layers=1.0, finest=1.0), np.array([0.1]), np.array([0.12]))["print_through"]
    stronger = sum_at(0.0, 0.08) / 0.08 * 0.1 / sum_at(0.0, 0.1)
    assert float(through[0] - flat[0]) == pytest.approx(task.curve.penetration_depth * math.log(stronger), rel=1e-2)


def test_the_strongest_place_counts_for_upper_limits():
    """Lines in a field whose corners get 5 % more power in a 10 % finer spot: 1.05/0.9 of the dose, Dp ln of that deeper."""
    machine, lot, needs = shop(
        Case(0.95, True, True, 8, False), field(lambda x, y: 2.0 - grows(x, y), lambda x, y: 1 + 0.05 * (x * x + y * y) / 2e4)
    )
    task = gather(machine, lot, needs).tasks[0]
    found = fastest_at(replace(task, run_up=None), np.array([0.1]), None)
    more = task.curve.penetration_depth * math.log(1.05 / 0.9)
    assert float(found["depth_max"][0] - found["depth"][0]) == pytest.approx(more, rel=5e-3)


def test_zones_by_hand():
    """Lines, no uncertainty of the map: each zone's speed over the recipe's is the corner's width over that of its own worst place, and
    what hard ends take of each.
    """
    case = Case(0.95, True, True, 8, False)
    machine, lot, needs = shop(case, field(grows))
    recipe = make_recipe(machine=machine, resin=lot, needs=needs, gains=False)
    assert not [note for note in recipe.warnings if "hold_at_field_edge" in note]  # the corner is held already
    zones = recipe.vectors[0].field_zones
    edge = 100.0 / 4.0  # the outermost of the places looked at in the middle zone of nine
    corner, by_side, by_middle = (w / end(w) for w in (1.1, grows(100.0, edge), grows(edge, edge)))
    side, middle = corner / by_side, corner / by_middle
    by_hand = np.array([[1.0, side, 1.0], [side, middle, side], [1.0, side, 1.0]])
    assert np.array(zones["speed_factors"]) == pytest.approx(by_hand, rel=2e-3)
    assert zones["gain"] == pytest.approx(9.0 / (4.0 + 4.0 / side + 1.0 / middle) - 1.0, rel=2e-2)
    # the derivation adds k u to the deeper aim of the centre: k is the quantile that the assurance asks for
    steps = {step.formula: step for step in vector_steps(recipe, recipe.vectors[0])}
    held = steps["Cd needed = depth in the centre that gives the place held its Cd"]
    needed, times = steps["Cd expected = Cd needed + k u"].numbers.split(" + ")
    deeper = 0.18 + recipe.vectors[0].best.task.curve.penetration_depth * math.log(corner * end(1.0))
    assert (needed, times.split(" x ")[0]) == (held.result, "1.645")
    assert float(held.result.split()[0]) == pytest.approx(deeper, abs=2e-5)
    assert re.fullmatch("0.18 mm at x -?100 mm, y -?100 mm of the field", held.numbers)  # all corners are alike
    (ax,) = zones_figure(recipe).axes
    assert [t.get_text() for t in ax.texts] == [f"{v:.3f}" for v in np.ravel(zones["speed_factors"])]
    middles = (-200.0 / 3.0, 0.0, 200.0 / 3.0)
    assert [t.xy for t in ax.texts] == [pytest.approx((x, y)) for y in middles for x in middles]
    tones = ax.collections[0]
    assert np.ravel(tones.get_array()).tolist() == pytest.approx(np.ravel(zones["speed_factors"]).tolist())
    assert np.asarray(tones.get_coordinates())[[0, -1], [0, -1]].tolist() == [[-100.0, -100.0], [100.0, 100.0]]
    places, held = ax.lines
    assert (places.get_xdata(), places.get_ydata()) == (pytest.approx(np.tile(SPAN, 5)), pytest.approx(np.repeat(SPAN, 5)))
    assert abs(held.get_xdata()[0]) == abs(held.get_ydata()[0]) == 100.0
    line, *_ = recipe.vectors
    better = replace(line, kind="quick", field_zones=zones | {"gain": zones["gain"] + 0.1})
    both = replace(recipe, vectors=(replace(line, kind="raster", pattern="raster"), line, better))
    assert [one.get_title(loc="left").partition(":")[0] for one in zones_figure(both).axes] == ["quick", "raster"]


@pytest.mark.slow
@pytest.mark.parametrize("raster", [False, True])
def test_the_worst_place_keeps_the_assurance(raster):
    """300 fields with bends and slopes drawn, 25 places read to 1 %: the share whose true worst place reaches its depth.

    The resin is known; power, spot and their scales are drawn as the machine states them. Line: dose P/W; close raster: dose P.
    """
    random = np.random.default_rng([7, raster])
    case = Case(0.95, False, False, 8, raster, radius=0.1, spacing=0.05)
    known = Curve(0.14, math.log(0.1), math.log(0.5), 0.0, 0.0, 0.0, math.inf)
    reached, fields = 0, 300
    for _ in range(fields):
        bend, left, up, dim = (
            0.12 * random.random(),
            0.04 * random.standard_normal(),
            0.04 * random.standard_normal(),
            0.1 * random.random(),
        )

        def size(x, y, bend=bend, left=left, up=up):
            return 1.0 + bend * (x * x + y * y) / 2e4 + (left * x + up * y) / 100.0

        def power(x, y, dim=dim):
            return 1.0 - dim * (x * x + y * y) / 2e4

        machine, lot, needs = shop(case, field(size, power, 0.01, random))
        machine = replace(machine, power_step=None, scan_speed_step=None, beam_radius_step=None, hatch_spacing_step=None)
        gathered = gather(machine, lot, needs)
        task, e = replace(gathered.tasks[0], curve=known, run_up=None), gathered.errors
        found = fastest_at(task, np.array([0.1]), np.array([0.05]) if raster else None)
        scale = random.standard_normal(6)
        true = 1.0 / 0.05 if raster else math.sqrt(2.0 / math.pi) / 0.1
        spot = 0.0 if raster else scale[0] * e.beam_radius + scale[1] * e.beam_radius_scale
        dose = true * float(found["power"][0] / found["scan_speed"][0]) * math.exp(scale[2] * e.power + scale[3] * e.exposure_scale - spot)
        dose *= math.exp(e.scan_speed * scale[4] + (e.hatch_spacing * scale[5] if raster else 0.0))
        corners = [(x, y) for x in (-100.0, 0.0, 100.0) for y in (-100.0, 0.0, 100.0)]
        worst = min(power(x, y) / (1.0 if raster else size(x, y)) for x, y in corners)
        reached += 0.14 * math.log(dose * worst / 0.1) + 0.003 * random.standard_normal() >= 0.18
    share = reached / fields
    assert 0.942 - 2.5 * math.sqrt(0.05 * 0.95 / fields) <= share, share


def test_a_saved_recipe_keeps_the_field():
    machine, _, _ = shop(Case(0.95, True, True, 8, False), field(grows, fades, 0.01, np.random.default_rng(1)), radius_ratio=1.2)
    again = with_spot_readings(replace(machine, field=(), radius_ratio=1.0), spot_readings(machine))
    assert again.radius_ratio == 1.2
    for a, b in zip(measured_places(again, 1.5), measured_places(machine, 1.5), strict=True):
        assert (a.gain, a.wider, a.spot_unsure) == pytest.approx((b.gain, b.wider, b.spot_unsure), rel=1e-12)


def test_too_few_places_are_refused_in_one_line(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for kind in ("machine", "resin", "needs"):
        assert main(["new", kind, f"{kind}.toml"]) == 0
    place = '[[field]]\nx = "-100 mm"\ny = "0 mm"\nradius_x = "0.085 mm"\n'
    (tmp_path / "beam.toml").write_text(f'schema = 1\nradius_x = "0.08 mm +- 0.002 mm"\n{place}', encoding="utf-8")
    parts = [part for kind in ("machine", "resin", "needs", "beam") for part in (f"--{kind}", f"{kind}.toml")]
    capsys.readouterr()
    assert main(["recipe", *parts]) == 2
    said = "field: 1 places are too few for a map. Measure at least five: the middle and four corners.\n"
    assert capsys.readouterr().err == said


def test_zones_without_a_measured_field_are_refused(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for kind in ("machine", "resin", "needs"):
        assert main(["new", kind, f"{kind}.toml"]) == 0
    parts = [part for kind in ("machine", "resin", "needs") for part in (f"--{kind}", f"{kind}.toml")]
    capsys.readouterr()
    assert main(["recipe", *parts, "--zones", "z.png", "--save", "r.json"]) == 2
    said = capsys.readouterr().err
    assert "--zones: the beam was not measured over the field. Give --beam with a record that holds places." in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["machine.toml", "needs.toml", "resin.toml"]


def scans(folder, size):
    """A knife-edge scan of 31 readings at each of nine places, written as a shop keeps them; words for the command."""
    step, files, places = np.linspace(-0.4, 0.4, 31), [], []
    for x in (-120.0, 0.0, 120.0):
        for y in (-120.0, 0.0, 120.0):
            power = 45.0 * (1.0 + erf(math.sqrt(2.0) * step / (0.125 * size(x, y))))
            files.append(folder / f"edge_{len(files)}.csv")
            files[-1].write_text("position [mm],power [mW]\n" + "".join(f"{a:.4f},{b:.5f}\n" for a, b in zip(step, power, strict=True)))
            places += ["--at", f"{x:g} mm, {y:g} mm"]
    return [*map(str, files), *places]


@pytest.mark.slow
def test_scans_at_places_feed_a_recipe_by_files_alone(tmp_path, capsys):
    """Lines of one speed need power in proportion to the width of the widest place, 8 % wider than the middle, and what their hard ends
    take more of it.
    """
    demo = Path(__file__).parents[2] / "demo"
    parts = [part for kind in ("machine", "resin", "needs") for part in (f"--{kind}", str(demo / f"{kind}.toml"))]
    powers = []
    for name, size in (("even", lambda x, y: 1.0), ("corners", lambda x, y: 1.0 + 0.08 * (x * x + y * y) / 28800.0)):
        beam = tmp_path / f"{name}.toml"
        assert main(["spot", *scans(tmp_path, size), "--save", str(beam)]) == 0
        capsys.readouterr()
        assert main(["recipe", *parts, "--beam", str(beam), "--json"]) == 0
        vectors = {v["kind"]: v for v in json.loads(capsys.readouterr().out)["vectors"]}
        assert vectors["contour"]["limited_by"] == ["scanner speed"]
        powers.append(vectors["contour"]["power"]["value"] / vectors["contour"]["scan_speed"]["value"])
    assert powers[1] / powers[0] == pytest.approx(1.08 * end(1.0) / end(1.08), abs=0.001)
