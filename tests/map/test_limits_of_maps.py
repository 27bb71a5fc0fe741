"""What maps count, keep, refuse and reach for, by hand."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.figures import map as map_figure
from curecalc.formulas.resin import Resin
from curecalc.map import correcting, survey
from curecalc.map.answer import optics_of
from curecalc.map.beam import Beam, clean_picture
from curecalc.map.correcting import along
from curecalc.map.field import Grid
from curecalc.map.outline import _mine, _outward, _sides, corner_errors, edge_errors, sides_of, wall_width
from curecalc.map.points import Scanning
from curecalc.map.reasons import reason
from curecalc.map.survey import Job
from curecalc.map.tally import Histogram, Place, Tally
from curecalc.paths.vectors import joined, paths_from
from curecalc.units import Quantity as Q


def test_a_histogram_counts_micrometres_from_two_below_to_six_above():
    found = Histogram()
    found.add(np.array([0.0005] * 5 + [0.0015] * 95))
    assert [part.tolist() for part in found.arrays()] == [[0.0, 0.001], [5, 95]]
    assert [found.quantile(share) for share in (0.05, 0.0501, 1.0)] == pytest.approx([0.0005, 0.0015, 0.0015])
    assert found.mean() == pytest.approx(0.00145)
    ends = Histogram()
    ends.add(np.array([-3.0, -1.9995, 5.9995, 9.0]))
    assert [part.tolist() for part in ends.arrays()] == [pytest.approx([-2.0, 5.999]), [2, 2]]
    assert Histogram().quantile(0.5) is Histogram().mean() is None


def test_a_place_that_was_found_more_closely_may_lie_in_another_region(monkeypatch):
    """One pixel of the core, one of the rim, one outside: a place that came to stand elsewhere is called by where it stands."""
    monkeypatch.setattr(survey, "reason", lambda *_: ("gap", "between lines"))
    drawing = SimpleNamespace(core=np.array([[True, False, False]]), inside=np.array([[True, True, False]]))
    slab = SimpleNamespace(grid=Grid(0.0, 0.0, 0.1, 3, 1), drawing=drawing, paths=None)
    rim = ((0.2, "rim", "rim"), (0.0, "rim", "rim"))
    for x, region, found in ((0.04, "core", "core"), (0.06, "core", "rim"), (0.2, "core", "outside"), *rim):
        place = survey._explained(Place(0.1, x, 0.0, 1, region), slab, SimpleNamespace(radius=0.1))
        assert (place.region, place.kind, place.why, place.x) == (found, "gap", "between lines", x)


def test_the_twelve_worst_places_are_kept_once():
    tally = Tally()
    for name, first in (("weakest", 0.0), ("deepest", 19.0)):
        tally.offer(name, [Place(float(k), 0.1 * k, 0.0, 1) for k in range(20)])
        tally.offer(name, [Place(first, 0.1 * first + 4e-5, 0.0, 1), Place(first, 0.1 * first, 0.0, 2)])
        values = [place.value for place in tally.places[name]]
        assert len(values) == 12
        assert values[:3] == [first, first, abs(first - 1.0)]  # of two within a twentieth of a micrometre one, of two layers both


def test_grids_stand_at_whole_multiples_of_the_pixel():
    grid = Grid.over((-0.05, 0.0, 0.32, 0.1), 0.1)
    assert (round(grid.x0, 9), grid.y0, grid.columns, grid.rows) == (-0.1, 0.0, 6, 2)
    assert grid.window() == pytest.approx((-0.1, 0.0, 0.4, 0.1))
    wide = grid.padded(3)
    assert (wide.x0, wide.y0, wide.columns, wide.rows) == (pytest.approx(-0.4), pytest.approx(-0.3), 12, 8)
    assert [(t.columns, t.rows) for t in grid.tiles(4)] == [(4, 2), (2, 2)]
    assert grid.places(0.1, 0.05).tolist() == pytest.approx([0.5, 2.0])
    job = Job(SimpleNamespace(fastest=100.0), SimpleNamespace(scanning=Scanning()), grid, 1, 1, 0.1, 0.0, 0.11)
    # the halo is 3.5 radii and four pixels; light reaches six radii, corners at speed as far as it takes to stop
    assert (job.halo, job.room, job.single) == (8, pytest.approx(0.66), True)
    way = Scanning(acceleration=1000.0, run_up_beam="on", corner_speed=10.0)
    assert Job(job.paths, SimpleNamespace(scanning=way), grid, 1, 2, 0.1, 0.0, 0.11).room == pytest.approx(0.66 + 10100.0 / 2000.0)


def test_a_wall_is_as_wide_as_straight_across_it():
    sides = sides_of([np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]])])
    for x, y, wide in ((0.3, 0.5, 2.0), (1.0, 0.4, 1.0), (1.9, 0.5, 2.0), (1.0, 0.95, 1.0)):
        assert wall_width(sides, x, y) == pytest.approx(wide)
    split = sides_of([np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]])])
    assert wall_width(split, 1.0, 0.6) == pytest.approx(1.0)  # to the point where two sides meet
    # of an L the left side is nearest, 0.3 away; the foot on the inner side's line beyond its end does not count
    bent = sides_of([np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 1.0], [1.0, 1.0], [1.0, 4.0], [0.0, 4.0]])])
    assert wall_width(bent, 0.3, 0.9) == pytest.approx(4.0)
    for angle in (0.0, 0.5, 2.0):
        turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
        for order in (1, -1):
            loop = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 1.0], [1.0, 1.0], [1.0, 4.0], [0.0, 4.0]])[::order] @ turn.T
            for place, wide in (((0.3, 0.9), 4.0), ((0.4, 2.0), 1.0), ((3.0, 0.2), 1.0)):
                assert wall_width(sides_of([loop]), *(turn @ place)) == pytest.approx(wide)
    start, _, length = _sides(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 0.0], [0.0, 1e-6]]))  # the last is a nanometre long
    assert (len(start), length.tolist()) == (2, pytest.approx([2.0, 2.0]))


def test_edges_and_corners_of_a_square_whose_cured_edge_is_known():
    # dose exp(distance inside the square): needed 1 at its outline, e^-0.1 a tenth beyond it
    grid = Grid(-1.0, -1.0, 0.1, 61, 61)
    x, y = np.meshgrid(grid.x, grid.y)
    inward = np.minimum(np.minimum(x, 4.0 - x), np.minimum(y, 4.0 - y))
    loop = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    places, error = edge_errors([loop], inward > 0.0, np.exp(inward), grid, grid, math.exp(-0.1), 0.2)
    # sides of 4 mm less 3 radii, a place every half radius: 35 on each of four
    assert len(places) == 140
    assert error == pytest.approx(np.full(140, 0.1), abs=1e-3)
    for corner in loop:
        assert np.hypot(*(places - corner).T).min() == pytest.approx(0.3)
    # cured as far as it is looked: 1.5 radii
    assert edge_errors([loop], inward > 0.0, np.exp(inward), grid, grid, 1e-9, 0.2)[1] == pytest.approx(np.full(140, 0.3))
    split = np.insert(loop, 1, [[2.0, 0.0]], axis=0)  # a vertex on a straight side is no corner
    assert len(corner_errors([split], inward > 0.0, np.exp(inward), grid, grid, math.exp(-0.1), 0.2)[0]) == 4
    outer, cut = corner_errors([loop], inward > 0.0, np.exp(inward), grid, grid, math.exp(-0.1), 0.2)
    assert outer.tolist() == [True] * 4
    assert cut == pytest.approx(np.full(4, 0.1 * math.sqrt(2.0)), abs=0.01)
    # a vertex that turns by less than 25 degrees is no corner
    for degrees, corners in ((24.0, 3), (26.0, 4)):
        tip = np.array([[0.0, 0.0], [2.0, 0.0], [2.0 + math.cos(math.radians(degrees)), math.sin(math.radians(degrees))], [1.5, 3.0]])
        assert len(corner_errors([tip], inward > 0.0, np.exp(inward), grid, grid, 1.0, 0.2)[0]) == corners


def test_a_place_between_tiles_belongs_to_one_and_a_wall_thinner_than_a_pixel_is_outside_on_both_sides():
    own = Grid(0.0, 0.0, 1.0, 4, 4)  # pixels from -0.5 to 3.5
    places = np.array([[-0.5, 1.0], [1.0, -0.5], [3.5, 1.0], [1.0, 3.5], [-0.6, 1.0], [1.0, -0.6], [3.4, 3.4]])
    assert _mine(places, own).tolist() == [True, True, False, False, False, False, True]
    normal = np.array([[1.0, 0.0], [-1.0, 0.0]])
    assert _outward(np.array([[1.3, 1.0], [1.3, 1.0]]), normal, np.zeros((4, 4), bool), own).all()
    half = np.tile(np.arange(4) < 2, (4, 1))  # drawn on the left
    assert _outward(np.array([[1.5, 1.0], [1.5, 1.0]]), normal, half, own).tolist() == [True, False]


def test_dose_along_a_vector_and_along_its_middle():
    grid = Grid(0.0, 0.0, 0.05, 61, 5)
    dose = np.exp(np.tile(grid.x, (5, 1)))
    line = paths_from(x0=Q([0.5], "mm"), y0=Q([0.1], "mm"), x1=Q([2.5], "mm"), y1=Q([0.1], "mm"))
    least, _, most = along(line, dose, grid)
    assert (math.log(least[0]), math.log(most[0])) == (pytest.approx(0.5, abs=1e-3), pytest.approx(2.5, abs=1e-3))
    least, mean, most = along(line, dose, grid, inner=True)  # 15 % of the way at either end left out
    assert (math.log(least[0]), math.log(most[0])) == (pytest.approx(0.8, abs=1e-3), pytest.approx(2.2, abs=1e-3))
    assert mean[0] == pytest.approx((math.exp(2.2) - math.exp(0.8)) / 1.4, rel=1e-2)


def test_speeds_are_evened_out_in_six_rounds_to_a_quarter_and_four_fold(monkeypatch):
    """A dose that does not move, three vectors of a hundredth, one and a hundred times their median."""
    grid, asked = Grid(0.0, 0.0, 0.1, 21, 61), []
    rows = np.exp(np.log(100.0) * np.round(grid.y / 2.0 - 1.5))  # 1e-2 to 1e2 in bands of 2 mm about 1, 3 and 5 mm
    dose = np.tile(rows[:, None], (1, 21))
    monkeypatch.setattr(correcting, "layer_dose", lambda *_: asked.append(1) or dose)
    y = Q([1.0, 3.0, 5.0], "mm")
    lines = paths_from(x0=0.0 * y + Q(0.5, "mm"), y0=y, x1=0.0 * y + Q(1.5, "mm"), y1=y, scan_speed=Q(8.0, "mm/s"))
    after, first, last = correcting.corrected(lines, None, grid)
    assert after.scan_speed == pytest.approx([2.0, 8.0, 32.0])
    assert first is last is dose
    assert len(asked) == 1 + 6


def test_a_beam_picture_is_cut_out_above_three_deviations_of_its_rim():
    picture = np.full((16, 16), 10.0)
    picture[0] = picture[-1] = picture[:, 0] = picture[:, -1] = np.resize([9.0, 11.0], 16)  # deviation 1.4826: three are 4.448
    picture[5:10, 6:11] = 14.5
    assert clean_picture(picture).tolist() == [[4.5] * 5] * 5
    picture[5:10, 6:11] = 14.4
    with pytest.raises(QuantityError, match="holds no light above its dark rim"):
        clean_picture(picture)
    assert Beam((2.5, 1.5, 2.5), 1.0, 1.0).narrow == pytest.approx(1.0)  # variances 1 and 4 along the diagonals
    assert Beam((4.0, 0.0, 1.0), 1.0, 1.0).at(np.array([2.0]), np.array([0.0]))[0] == pytest.approx(math.exp(-0.5) / (4.0 * math.pi))


def test_options_of_the_light_have_their_range():
    resin = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))

    def refused(scanning=None, ratio=1.0, picture=None, pitch=None):
        try:
            optics_of(SimpleNamespace(recorded=False), resin, scanning, ratio, None, picture, pitch)
        except QuantityError as error:
            return str(error).split(" ")[0]
        return ""

    five = Q(5.0, "um")
    for share, word in ((0.0, ""), (1.0, ""), (-0.01, "least_power"), (1.01, "least_power")):
        assert refused({"least_power": share}) == word
    for picture, word in (
        (np.ones((3, 3)), ""),
        (np.ones((2, 3)), "picture"),
        (np.zeros((3, 3)), "picture"),
        (np.full((3, 3), -1.0), "picture"),
        (np.full((3, 3), math.nan), "picture"),
        (np.ones(9), "picture"),
    ):
        assert refused(picture=picture, pitch=five) == word
    assert refused(picture=np.ones((3, 3))) == "picture_pixel"
    assert refused(ratio=0.0) == "radius_ratio"
    assert refused({"run_up_beam": "on"}) == "run_up_beam"
    assert refused({"run_up_beam": "on", "acceleration": Q(1e6, "mm/s^2")}) == ""


def test_tones_of_a_map():
    # steps of 1, 2 or 5 so that 12 or more fill the range: 0.25/12 = 0.0208, steps of 0.02
    assert map_figure._bands(-0.1, 0.15).tolist() == pytest.approx([-0.1, *(0.02 * k for k in range(-4, 9))])
    assert map_figure._bands(-0.1, 0.03).tolist() == pytest.approx([-0.1, *(0.01 * k for k in range(-9, 4))])
    for high in (0.01, 0.05, 0.2, 0.77, 3.0):
        assert 12 <= len(map_figure._bands(-0.1, high)) <= 32
    for depths, tones in (((0.08, 0.2), (-50.0, 100.0)), ((0.0, 0.2), (-100.0, 100.0))):  # a quarter of the range below, at most the layer
        low, high = (Q(depth, "mm") for depth in depths)
        answer = SimpleNamespace(layer_thickness=Q(0.1, "mm"), cure_depth_min=low, cure_depth_max=high)
        assert map_figure._limits(answer) == pytest.approx(tones)


def why(x, y, *lines, region="core"):
    """The reason at a place near lines of (kind, points), for a radius of 1 mm."""
    parts = []
    for kind, points in lines:
        px, py = np.array(points, float).T
        parts.append(paths_from(x0=Q(px[:-1], "mm"), y0=Q(py[:-1], "mm"), x1=Q(px[1:], "mm"), y1=Q(py[1:], "mm"), kind=kind))
    nothing = np.zeros((20, 80), bool)
    return reason(
        Place(1.0, x, y, 1, region), joined(parts), SimpleNamespace(inside=nothing, core=nothing), Grid(-10.0, -10.0, 1.0, 80, 20), 1.0
    )


def test_reasons_reach_as_far_as_a_radius_says():
    line = ("hatch", [(0, 0), (50, 0)])
    turned = lambda degrees: ("contour", [(-20, 0), (0, 0), (20 * math.cos(math.radians(degrees)), 20 * math.sin(math.radians(degrees)))])  # noqa: E731
    for at, lines, found in (
        ((9.0, 0.24), [line], "on a line"),
        ((9.0, 0.25), [line], "between lines"),
        ((1.09, 0.0), [line], "end"),
        ((1.1, 0.0), [line], "on a line"),
        ((51.2, 0.0), [line], "between lines"),
        ((-1.2, 0.0), [line], "between lines"),
        ((0.0, -1.09), [turned(21.0)], "corner"),
        ((0.0, -1.1), [turned(21.0)], "between lines"),
        ((0.0, -0.1), [turned(19.0)], "on a line"),
        ((9.0, 0.0), [line, ("contour", [(0, 1.19), (50, 1.19)])], "seam"),
        ((9.0, 0.0), [line, ("contour", [(0, 1.2), (50, 1.2)])], "on a line"),
        ((1.0, 0.0), [line, ("contour", [(-9, 1.49), (50, 1.49)])], "seam"),  # an end beside another kind
        ((1.0, 0.0), [line, ("contour", [(-9, 1.5), (50, 1.5)])], "end"),
    ):
        assert why(*at, *lines) == (lines[0][0], found)
    assert why(9.0, 0.1, line, region="rim") == ("hatch", "outline")
