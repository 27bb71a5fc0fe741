"""The drawing on the grid against counting crossings one by one, and distances by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.map import points as points_module
from curecalc.map.drawing import _near_vectors, drawing_of, filled, loops_of
from curecalc.map.field import Grid
from curecalc.map.outline import _sides, corner_errors, edge_errors, sides_of
from curecalc.paths.vectors import Positions

from .scenes import joined, polyline, raster, rectangle, vectors


def inside(loops, x, y):
    """Whether a ray to the left of a place crosses the loops an odd number of times; of an edge's ends the lower belongs to it."""
    crossed = 0
    for loop in loops:
        for (x0, y0), (x1, y1) in zip(loop, np.roll(loop, -1, axis=0)):
            if min(y0, y1) <= y < max(y0, y1) and x0 + (y - y0) / (y1 - y0) * (x1 - x0) <= x:
                crossed += 1
    return crossed % 2 == 1


@pytest.mark.parametrize("seed", range(6))
def test_pixels_inside_an_odd_number_of_loops(seed):
    """Loops at random, within the grid and beyond each of its sides, some corners on pixels' centres."""
    rng = np.random.default_rng(seed)
    grid = Grid(-0.5, 1.0, 0.25, 14, 11)
    loops = [np.column_stack([rng.uniform(-2.0, 4.5, n), rng.uniform(-0.5, 5.0, n)]) for n in (3, 5, 7)]
    loops[1] = np.rint(loops[1] * 4.0) / 4.0
    expected = [[inside(loops, x, y) for x in grid.x] for y in grid.y]
    assert filled(loops, grid).tolist() == expected


def test_the_core_lies_farther_than_a_radius_inside():
    grid = Grid(0.05, 0.05, 0.1, 40, 30)  # the outline runs midway between pixels
    square = rectangle(1.0, 0.5, 3.0, 2.5, kind="outline")
    found = drawing_of(square, grid, 0.3)
    x, y = np.meshgrid(grid.x, grid.y)
    inward = np.minimum(np.minimum(x - 1.0, 3.0 - x), np.minimum(y - 0.5, 2.5 - y))
    assert (found.inside == (inward > 0.0)).all()
    assert (found.core == (inward > 0.3)).all()  # from the pixel beyond the outline, half a pixel farther
    assert found.depth[found.inside] == pytest.approx(inward[found.inside] + 0.05)
    whole = drawing_of(rectangle(-9.0, -9.0, 9.0, 9.0, kind="outline"), grid, 0.3)
    assert whole.core.all()
    cut = drawing_of(rectangle(-9.0, -9.0, 2.0, 9.0, kind="outline"), grid, 0.3)  # the grid's rim is no outline
    assert (cut.core == (x < 2.0 - 0.3)).all()
    nothing = drawing_of(vectors([(9.0, 9.0, 9.5, 9.0)]), grid, 0.3)
    assert not nothing.inside.any()
    assert not nothing.core.any()


def test_what_draws():
    contours = joined(rectangle(0, 0, 1, 1, kind="Contour 2"), rectangle(0, 0, 2, 2, kind="outline"), polyline([(0, 0), (1, 0)]))
    assert [loop.max() for loop in loops_of(contours)] == [2.0]
    assert [loop.max() for loop in loops_of(contours.chosen(contours.names != "outline"))] == [1.0]
    assert loops_of(rectangle(0, 0, 1, 1)) == []


def test_without_outlines_what_lies_between_vectors_is_drawn(monkeypatch):
    """A square frame of lines two radii apart and one hole four wide: closed by a radius, opened by a radius."""
    grid = Grid(0.0, 0.0, 0.1, 60, 60)
    lines = joined(raster(0.5, 5, 2.0), vectors([(0.0, 4.0, 2.0, 4.0)]), vectors([(-9.0, 30.0, 9.0, 30.0), (20.0, -9.0, 20.0, 9.0)]))
    for chunk in (200_000, 7):
        monkeypatch.setattr(points_module, "_CHUNK", chunk)
        drawn = drawing_of(lines, grid, 0.3).inside
        x, y = np.meshgrid(grid.x, grid.y)
        assert drawn[(x <= 1.95) & (y <= 1.95)].all()
        assert not drawn[(y > 2.05) & (y < 3.95)].any()
        assert drawn[40, :20].all()
        assert not drawn[:, 22:].any()


def test_a_way_marks_every_pixel_it_runs_through():
    from curecalc.map.drawing import _near_vectors

    grid = Grid(0.0, 0.0, 1.0, 9, 7)
    hit = _near_vectors(vectors([(-5.0, 2.0, 3.0, 2.0), (6.0, 6.4, 6.0, 9.0), (7.0, 5.0, 7.2, 5.0), (2.0, -3.0, 2.0, -0.6)]), grid)
    assert sorted(zip(*(k.tolist() for k in np.nonzero(hit)))) == [(2, 0), (2, 1), (2, 2), (2, 3), (5, 7), (6, 6)]
    place = Positions(1, np.arange(5.0), np.array([0.0, 1.0, 3.0, 4.0, 6.0]), np.full(5, 3.0), np.array([1.0, 0.0, 1.0, 1.0, 0.0]))
    from dataclasses import replace

    lit = _near_vectors(replace(vectors(np.zeros((0, 4))), recorded=(place,)), grid)
    assert np.flatnonzero(lit[3]).tolist() == [3, 4]  # where the beam is on at both ends
    steep = _near_vectors(vectors([(0.0, 0.0, 8.0, 6.0)]), grid)
    assert steep.any(axis=0).all()
    assert steep[:7].any(axis=1).all()


GRID = Grid(-1.0, -1.0, 0.1, 61, 61)
X, Y = np.meshgrid(GRID.x, GRID.y)
INWARD = np.minimum(np.minimum(X, 4.0 - X), np.minimum(Y, 4.0 - Y))
SQUARE = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])


@pytest.mark.parametrize(
    ("off", "edge", "corner"), [(0.29, 0.29, 0.29), (0.35, 0.3, 0.35), (0.37, 0.3, 0.5 / math.sqrt(2.0)), (-0.2, -0.2, -0.2)]
)
def test_edges_are_followed_a_radius_and_a_half_and_corners_two_and_a_half(off, edge, corner):
    """Dose exp(distance inside a square): needed exp(-off), reached so far beyond it; along a corner's bisector root two times as far."""
    _, error = edge_errors([SQUARE], INWARD > 0.0, np.exp(INWARD), GRID, GRID, math.exp(-off), 0.2)
    assert error == pytest.approx(np.full(140, edge), abs=2e-3)
    _, cut = corner_errors([SQUARE], INWARD > 0.0, np.exp(INWARD), GRID, GRID, math.exp(-off), 0.2)
    assert cut == pytest.approx(np.full(4, corner * math.sqrt(2.0)), abs=0.012)


def test_where_nothing_is_cured_within_reach_there_is_no_edge():
    _, error = edge_errors([SQUARE], INWARD > 0.0, np.exp(INWARD), GRID, GRID, math.exp(0.35), 0.2)
    assert np.isnan(error).all()


def test_a_side_has_places_from_three_radii_on():
    for side, count in ((0.59, 0), (0.61, 4), (0.69, 4), (0.71, 8)):
        loop = side / 4.0 * SQUARE
        assert len(edge_errors([loop], INWARD > 0.0, np.exp(INWARD), GRID, GRID, 1.0, 0.2)[0]) == count
    for step, count in ((9e-7, 4), (1.1e-6, 5)):
        loop = np.vstack([SQUARE, [0.0, step]])  # a last side as short as ends lie apart that meet
        assert len(_sides(loop)[0]) == count
        assert len(sides_of([loop])[0]) == count


def test_tiles_share_places_of_the_outline_without_a_gap():
    given = ([SQUARE], INWARD > 0.0, np.exp(INWARD), GRID)
    for find, count in ((edge_errors, 140), (corner_errors, 4)):
        assert sum(len(find(*given, tile, 1.0, 0.2)[0]) for tile in GRID.tiles(7)) == count


def test_a_hole_is_an_inner_edge():
    """The same square as a hole in what is drawn: the cured edge lies on its other side."""
    outer, error = corner_errors([SQUARE], INWARD < 0.0, np.exp(-INWARD), GRID, GRID, math.exp(-0.1), 0.2)
    assert not outer.any()
    assert error == pytest.approx(np.full(4, 0.1 * math.sqrt(2.0)), abs=0.012)
    _, error = edge_errors([SQUARE], INWARD < 0.0, np.exp(-INWARD), GRID, GRID, math.exp(-0.1), 0.2)
    assert error == pytest.approx(np.full(140, 0.1), abs=2e-3)


@pytest.mark.parametrize(("radius", "core"), [(2.4, 49), (2.5, 25), (2.6, 25)])
def test_the_core_begins_half_a_pixel_beyond_the_radius(radius, core):
    """Eleven by eleven pixels: those three or four from the nearest beside them, 7 x 7 or 5 x 5."""
    square = polyline([(-0.5, -0.5), (10.5, -0.5), (10.5, 10.5), (-0.5, 10.5), (-0.5, -0.5)], kind="outline")
    found = drawing_of(square, Grid(-3.0, -3.0, 1.0, 17, 17), radius)
    assert (found.inside.sum(), found.core.sum()) == (121, core)


def test_lines_two_radii_apart_are_one_area_and_recorded_ways_are_drawn():
    grid = Grid(-6.0, -6.0, 1.0, 33, 17)
    lines = vectors([(0.0, 0.0, 20.0, 0.0), (0.0, 4.0, 20.0, 4.0)])
    assert (np.flatnonzero(drawing_of(lines, grid, 2.0).inside[:, 16]) - 6).tolist() == [0, 1, 2, 3, 4]
    x = np.array([0.0, 10.0, 10.0, 15.0])  # stands still, then goes on dark
    place = Positions(1, np.arange(4.0), x, np.zeros(4), np.array([1.0, 1.0, 1.0, 0.0]))
    recorded = replace(vectors(np.zeros((0, 4))), recorded=(place,))
    rows, columns = np.nonzero(_near_vectors(recorded, grid))
    assert (set(rows - 6), sorted(columns - 6)) == ({0}, list(range(11)))
