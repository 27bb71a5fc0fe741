"""What a tile counts, by hand: walls under many layers, thin parts, energy; and speeds that even out, as far as they may."""

import math

import numpy as np
import pytest
from scipy.interpolate import BSpline

from curecalc.map.answer import exposure_field
from curecalc.map.correcting import along, corrected
from curecalc.map.deposit import deposit, weights
from curecalc.map.field import Grid, Optics
from curecalc.map.spread import surveyed
from curecalc.map.survey import Job, face_map
from curecalc.map.tally import Place, Tally
from curecalc.paths.shelf import Shelf
from curecalc.physics.laws import Bleaching, Plain, Threshold
from curecalc.units import Quantity as Q

from .scenes import LINE, POWER, RADIUS, RESIN, SPEED, joined, polyline, raster, rectangle, vectors


def job(paths, layers, law, over=0.0):
    return Job(Shelf.of(paths, 1, layers), Optics(law), Grid.over((-0.4, -0.4, 1.4, 1.4), 0.025), 1, layers, 0.1, over, RADIUS)


@pytest.mark.parametrize(
    ("law", "above"),
    [(Plain(0.15, 0.08), 5), (Threshold(0.15, 0.08, 0.8, 1000.0), 6), (Bleaching(0.15, 0.08, 0.3), 5)],
    ids=["4.5", "5.6", "4.5-bleached"],
)
def test_walls_count_as_grown_under_three_times_the_reach_of_light(law, above):
    """Layers of 0.1 mm, light falling to 1/e in 0.15 mm, under the power threshold law in 0.15/0.8 mm."""
    layers = 8
    square = joined(*(rectangle(0.05, 0.05, 0.95, 0.95, kind="contour", layer=k) for k in range(1, layers + 1)))
    found = surveyed(job(square, layers, law), workers=1)
    each, rest = divmod(found.histograms["edge_error"].count, layers)
    assert (each > 0, rest, found.uncut) == (True, 0, 0)
    assert found.histograms["deep_edge_error"].count == each * (layers - above)
    if law.exponent == 1.0:
        assert found.energy == pytest.approx(layers * POWER * 3.6 / SPEED, rel=1e-5)


def test_what_is_short_of_bond_and_of_solid():
    """A wide even area whose dose is known: bonded by less than a wanted overcure, solid as deep as it cures."""
    h = 0.05
    area = joined(raster(h, 29, 1.4, power=3.0), rectangle(0.4, 0.4, 1.0, 1.0, kind="outline"))
    depth = 0.15 * math.log(3.0 / (SPEED * h) / 0.04)
    assert 0.05 < depth < 0.1
    for over, short in ((depth - 0.1 - 1e-3, 0), (depth - 0.1 + 1e-3, 1)):
        found = surveyed(job(area, 1, Plain(0.15, 0.04), over), workers=1)
        assert found.short == short * found.drawn
        assert found.unsolid == pytest.approx(found.drawn * (1.0 - depth / 0.1), rel=2e-3)
        assert found.dose_sum == pytest.approx(found.core * 3.0 / (SPEED * h), rel=1e-3)
        assert 0 < found.core < found.drawn == pytest.approx((0.6 / 0.025) ** 2, abs=50)
    through, least = face_map(job(area, 1, Plain(0.15, 0.04)))
    assert np.isnan(through).all()
    assert least[np.isfinite(least)] == pytest.approx(depth - 0.1, abs=1e-3)
    assert np.isfinite(least).sum() == found.drawn


@pytest.mark.parametrize(("length", "told"), [(0.04, False), (0.1, True)])
def test_a_stub_is_thin_from_a_radius_and_a_half_beyond_the_core(length, told):
    """0.06 mm wide on a block: its end lies a radius and its length beyond the core, the corners of the block root two radii."""
    a, b, top = 0.47, 0.53, 1.0 + length
    block = polyline([(0, 0), (1, 0), (1, 1), (b, 1), (b, top), (a, top), (a, 1), (0, 1), (0, 0)], kind="outline")
    paths = joined(block, vectors([(0.0, 0.5, 1.0, 0.5)]))
    answer = exposure_field(paths, resin=RESIN, layer_thickness=Q(0.1, "mm"), pixel=Q(5.0, "um"), workers=1, corrected=False)
    assert [p.value for p in answer.thin_features] == pytest.approx([0.06] * told)


def test_a_wall_is_thin_under_two_radii():
    for wide, told in ((0.24, True), (0.26, False)):
        paths = joined(rectangle(0.0, 0.0, 1.0, wide, kind="outline"), vectors([(0.0, 0.1, 1.0, 0.1)]))
        answer = exposure_field(paths, resin=RESIN, layer_thickness=Q(0.1, "mm"), workers=1, corrected=False)
        assert [p.value for p in answer.thin_features] == pytest.approx([wide] * told)


def test_speeds_move_four_fold_at_most():
    lines = vectors([(0.0, y, 1.0, y) for y in (0.0, 1.0, 2.0, 3.0, 4.0)], power=[30.0, 30.0, 30.0, 900.0, 1.0])
    after, first, dose = corrected(lines, Optics(Plain(0.15, 0.08)), Grid.over((-0.4, -0.4, 1.4, 4.4), 0.025))
    assert after.scan_speed == pytest.approx(SPEED * np.array([1.0, 1.0, 1.0, 4.0, 0.25]), rel=1e-6)
    assert first[16, 30] == pytest.approx(LINE, rel=1e-3)
    assert dose[16 + 120, 30] == pytest.approx(30.0 * LINE / 4.0, rel=1e-3)


@pytest.mark.parametrize(
    ("start", "end", "count"), [(0.5, 0.6, 3), (0.5, 0.75, 4), (0.5, 1.5, 11), (2.01, 4.01, 10), (2.08, 4.08, 10), (-1.06, 0.94, 10)]
)
def test_dose_is_read_every_two_pixels_along_a_vector_and_three_times_at_least(start, end, count):
    """Dose e^x on a grid from x = 0 to 3: of 21 places in 2 mm those that lie on it."""
    grid = Grid(0.0, 0.0, 0.05, 61, 5)
    least, mean, most = along(vectors([(start, 0.1, end, 0.1)]), np.exp(np.tile(grid.x, (5, 1))), grid)
    first = max(start, start % 0.1)
    x = np.linspace(first, min(end, first + 0.1 * (count - 1)), count)
    near = 3e-4 if end < 3.0 and start > 0.0 else 1e-2  # at the rim the spline is level
    assert (least[0], mean[0], most[0]) == pytest.approx((math.exp(x[0]), np.exp(x).mean(), math.exp(x[-1])), rel=near)


def test_the_weights_are_the_quintic_b_spline():
    spline = BSpline.basis_element(np.arange(7.0))
    for d in (0.0, 0.1, 0.5, 0.93):
        assert weights(d) == pytest.approx([float(spline(2.0 + d + 3.0 - k)) for k in range(2 + 3, -1, -1)][::-1], abs=1e-15)


def test_points_beyond_the_rim_add_what_falls_inside():
    rng = np.random.default_rng(5)
    x, y, e = rng.uniform(-6.0, 20.0, 4000), rng.uniform(-6.0, 17.0, 4000), rng.uniform(0.0, 1.0, 4000)
    wide, own = np.zeros((31, 34)), np.ones((11, 14))
    deposit(wide, x + 10.0, y + 10.0, e)
    deposit(own, x, y, e)
    assert own - 1.0 == pytest.approx(wide[10:21, 10:24], rel=1e-12)
    assert wide.sum() == pytest.approx(e.sum())


def test_places_a_tenth_of_a_micrometre_apart_are_two():
    tally = Tally()
    tally.offer("weakest", [Place(1.0, 0.1, 0.2, 1), Place(1.0, 0.1002, 0.2, 1), Place(1.0, 0.1, 0.2002, 1), Place(1.0, 0.10002, 0.2, 1)])
    assert len(tally.places["weakest"]) == 3
    tally.offer("edge_places", [Place(v, v, 0.0, 1) for v in (0.02, -0.03, 0.01)])
    assert [p.value for p in tally.places["edge_places"]] == [-0.03, 0.02, 0.01]
