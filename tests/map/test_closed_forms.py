"""The field of a layer against closed forms, a direct sum of segments, and a moving beam integrated in time.

Closed forms are derived (an endless line is the limit of a finite one; the circle's integral is a Bessel function's definition); the
ridge table is `gibson2015` eq. 4.25 to 4.27 as PUBLISHED values of the raster test quote it; integration confirms each.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from model import integration
from scipy.special import i0e, ndtr

from curecalc.map.field import Grid, Optics, choose_pixel, dose_at, layer_dose
from curecalc.map.points import Scanning
from curecalc.physics.laws import Plain, Threshold

from .scenes import LINE, POWER, RADIUS, SPEED, joined, polyline, raster, scattered, summed, vectors

LAW = Plain(0.15, 0.08)


def field(paths, *, tolerance=1e-5, optics=None, room=0.3, window=None):
    optics = optics or Optics(LAW)
    pixel, error = choose_pixel(list(optics.beams(paths).values()), tolerance)
    x0, y0, x1, y1 = window or paths.bounds()
    grid = Grid.over((x0 - room, y0 - room, x1 + room, y1 + room), pixel)
    return layer_dose(paths, optics, grid), grid, error


def at(paths, x, y, *, optics=None):
    """The field at one place, on a grid that has a pixel there."""
    optics = optics or Optics(LAW)
    pixel, _ = choose_pixel(list(optics.beams(paths).values()), 1e-5)
    return float(layer_dose(paths, optics, Grid(x, y, pixel, 1, 1))[0, 0])


LONG = vectors([(-5.0, 0.0, 5.0, 0.0)])


@pytest.mark.parametrize(
    ("paths", "place", "share"),
    [
        (LONG, (0.013, 0.0), 1.0),
        (LONG, (-5.0, 0.0), 0.5),
        (polyline([(-5.0, 0.0), (0.0, 0.0), (5.0, 0.0)]), (0.0, 0.0), 1.0),
        (polyline([(-5.0, 0.0), (0.0, 0.0), (0.0, 5.0)]), (0.0, 0.0), 1.0),
        (polyline([(-5.0, 0.0), (0.0, 0.0), (-3.0, 4.0)]), (0.0, 0.0), 1.0),
    ],
    ids=["line", "end", "straight-on", "square-corner", "sharp-corner"],
)
def test_lines_ends_and_vertices(paths, place, share):
    assert at(paths, *place) == pytest.approx(share * LINE, abs=1e-5 * LINE)


@pytest.mark.parametrize("u", [0.0, 0.05, 0.253 * RADIUS, 0.2])
def test_the_bisector_of_a_square_corner(u):
    corner = polyline([(-5.0, 0.0), (0.0, 0.0), (0.0, 5.0)])
    expected = 2.0 * LINE * math.exp(-2.0 * (u / RADIUS) ** 2) * float(ndtr(2.0 * u / RADIUS))
    assert at(corner, -u, u) == pytest.approx(expected, abs=1e-5 * LINE)


def test_a_square_corner_is_greatest_a_third_of_a_radius_inside():
    corner = polyline([(-1.0, 0.0), (0.0, 0.0), (0.0, 1.0)])
    u = np.linspace(0.0, 0.6, 601) * RADIUS
    found = dose_at(corner, Optics(LAW), -u, u)
    best = int(np.argmax(found))
    assert found[best] / LINE == pytest.approx(1.2205, abs=5e-5)
    assert u[best] * math.sqrt(2.0) / RADIUS == pytest.approx(0.358, abs=2e-3)


@pytest.mark.parametrize("r", [0.0, 0.2, 0.4, 0.45, 0.6])
def test_a_circle(r):
    big = 0.4
    angle = np.linspace(0.0, 2.0 * np.pi, 4001)
    circle = polyline(big * np.column_stack([np.cos(angle), np.sin(angle)]))
    a = 4.0 * r * big / RADIUS**2
    expected = 4.0 * big / RADIUS**2 * math.exp(-2.0 * (r - big) ** 2 / RADIUS**2) * float(i0e(a)) * POWER / SPEED
    assert at(circle, r / math.sqrt(2.0), r / math.sqrt(2.0)) == pytest.approx(expected, abs=1e-5 * LINE)


def test_edge_and_corner_of_a_filled_area():
    h = 0.02  # so fine that it is even to 1e-30
    filled = raster(h, 201, 4.0)
    even = POWER / (SPEED * h)
    assert at(filled, 2.0, 2.0) == pytest.approx(even, abs=1e-5 * even)
    assert at(filled, 2.0, -h / 2) == pytest.approx(even / 2, abs=1e-5 * even)
    assert at(filled, 0.0, 2.0) == pytest.approx(even / 2, abs=1e-5 * even)
    assert at(filled, 0.0, -h / 2) == pytest.approx(even / 4, abs=1e-5 * even)


def test_ridge_and_valley_of_a_raster():
    """1.1123 lines at h = 1.2 W0: `gibson2015`, eq. 4.25 to 4.27."""
    h = 1.2 * RADIUS
    lines = raster(h, 21, 4.0)
    assert at(lines, 2.0, 10 * h) / LINE == pytest.approx(1.1123, abs=5e-5)
    k = np.arange(-30, 31)
    for y in (0.0, 0.5 * h):
        expected = LINE * np.exp(-2.0 * ((y - k * h) / RADIUS) ** 2).sum()
        assert at(lines, 2.0, 10 * h + y) == pytest.approx(expected, abs=1e-5 * LINE)


def test_all_energy_arrives():
    paths = scattered(np.random.default_rng(3), 40, 2.0, 2.0)
    dose, grid, _ = field(paths, room=0.8)
    assert dose.sum() * grid.pixel**2 == pytest.approx(POWER * paths.length.sum() / SPEED, rel=1e-8)


def test_a_full_stop_with_the_beam_on():
    """10.8787 lines at v = 2 m/s, a = 1e6 mm/s^2, W0 = 0.1 mm: derived, and integrated in tests/model."""
    stop = polyline([(-6.0, 0.0), (0.0, 0.0), (0.0, 6.0)], speed=2000.0, radius=0.1)
    line = math.sqrt(2.0 / math.pi) * POWER / (0.1 * 2000.0)
    optics = Optics(LAW, Scanning(acceleration=1e6, run_up_beam="on"))
    assert at(stop, 0.0, 0.0, optics=optics) / line == pytest.approx(10.8787, abs=1e-5 * 10.8787)


SCENES = [(1, 0.01), (1, 1.0), (30, 0.1), (30, 3.0), (300, 1.0)]


@pytest.mark.parametrize(("count", "length"), SCENES)
@pytest.mark.parametrize("seed", [1, 2])
def test_scenes_against_the_direct_sum_of_segments(count, length, seed):
    paths = scattered(np.random.default_rng(seed), count, length, 2.0)
    dose, grid, error = field(paths)
    exact = summed(paths, *np.meshgrid(grid.x, grid.y))
    assert np.abs(dose - exact).max() <= 1e-5 * exact.max()
    assert np.abs(dose - exact).max() <= error * exact.max()


@pytest.mark.slow
@pytest.mark.parametrize("tolerance", [1e-6, 1e-5, 1e-4])
def test_the_stated_error_is_never_below_the_measured_one(tolerance):
    """200 random scenes, from a single short vector to a crowd."""
    rng = np.random.default_rng(17)
    for _ in range(200):
        count, length = int(rng.integers(1, 12)), float(10.0 ** rng.uniform(-2.5, 0.3))
        paths = scattered(rng, count, length, float(rng.uniform(0.05, 0.6)))
        paths = vectors(np.column_stack([paths.x0, paths.y0, paths.x1, paths.y1]), radius=float(rng.uniform(0.05, 0.25)))
        dose, grid, error = field(paths, tolerance=tolerance)
        exact = summed(paths, *np.meshgrid(grid.x, grid.y))
        assert np.abs(dose - exact).max() <= error * exact.max()
        assert error <= tolerance


def test_places_without_a_grid_are_exact():
    paths = scattered(np.random.default_rng(5), 30, 1.0, 1.0)
    x, y = np.random.default_rng(6).uniform(0.0, 1.0, (2, 50))
    assert dose_at(paths, Optics(LAW), x, y) == pytest.approx(summed(paths, x, y), abs=4e-7 * LINE * 5)


def test_two_radii_and_two_powers_add():
    rng = np.random.default_rng(8)
    thin, wide = scattered(rng, 10, 1.0, 1.0), scattered(rng, 10, 1.0, 1.0)
    thin = vectors(np.column_stack([thin.x0, thin.y0, thin.x1, thin.y1]), radius=0.06, power=12.0, speed=700.0)
    both = joined(thin, wide)
    dose, grid, _ = field(both)
    exact = summed(both, *np.meshgrid(grid.x, grid.y))
    assert np.abs(dose - exact).max() <= 1e-5 * exact.max()


def test_the_power_threshold_law_counts_intensity_to_the_power_w():
    law = Threshold(0.15, 0.08, 0.7, 5.0)
    paths = scattered(np.random.default_rng(9), 20, 1.0, 1.0)
    dose, grid, _ = field(paths, optics=Optics(law))
    exact = summed(paths, *np.meshgrid(grid.x, grid.y), 0.7, 5.0)
    assert np.abs(dose - exact).max() <= 1e-5 * exact.max()


PLACES = [(0.0, 0.0), (0.31, 0.02), (0.9, -0.05), (1.2, 0.1), (1.17, 0.61)]
CORNERED = [(0.0, 0.0), (1.2, 0.0), (1.2, 0.7), (1.1, 0.7)]


@pytest.mark.parametrize("w", [1.0, 0.7])
@pytest.mark.parametrize(("beam", "least"), [("on", 0.0), ("follows", 0.0), ("follows", 0.2)], ids=["on", "follows", "follows-to-a-fifth"])
def test_motion_against_the_moving_beam(beam, least, w):
    """From rest to rest in every vector, a turned ellipse, against integration in time."""
    law = Threshold(0.15, 0.08, w, 5.0) if w != 1.0 else LAW
    way = Scanning(acceleration=2e5, run_up_beam="on" if beam == "on" else "follows speed", least_power=least)
    optics = Optics(law, way, radius_ratio=1.5, spot_angle=math.radians(30.0))
    paths = polyline(CORNERED)
    spot = integration.Spot(RADIUS, 1.5 * RADIUS, 30.0)
    scan = integration.Scan(POWER, SPEED, 1.0, acceleration=2e5, beam=beam, least_power=least * POWER)
    exact = [integration.polyline_dose(p, CORNERED, spot, scan, w=w, i_ref=5.0 if w != 1.0 else 1.0) for p in PLACES]
    found = [at(paths, *p, optics=optics) for p in PLACES]
    assert np.abs(np.array(found) - exact).max() <= 1e-5 * max(exact)


def test_pulses_against_the_moving_beam():
    rate = 9000.0  # a pulse every 0.11 mm
    line = [(0.0, 0.0), (1.3, 0.4)]
    spot = integration.Spot(RADIUS)
    scan = integration.Scan(POWER, SPEED, 1.0, rate=rate)
    exact = [integration.polyline_dose(p, line, spot, scan) for p in PLACES]
    found = [at(polyline(line), *p, optics=Optics(LAW, Scanning(pulse_rate=rate))) for p in PLACES]
    assert np.abs(np.array(found) - exact).max() <= 1e-5 * LINE


def test_a_corner_speed_lies_between_a_stop_and_none():
    corner = polyline([(-6.0, 0.0), (0.0, 0.0), (0.0, 6.0)])
    stop, half, full = (at(corner, 0.0, 0.0, optics=Optics(LAW, Scanning(2e5, "on", corner_speed=v))) / LINE for v in (0.0, 500.0, SPEED))
    assert full == pytest.approx(1.0, abs=1e-5)
    assert stop > half > full
    # through the corner at half speed: ramps of v^2/2a; integrated by a sum over time
    t = np.linspace(0.0, 0.0025, 200_001)
    s = 500.0 * t + 0.5 * 2e5 * t**2
    ramp = np.exp(-2.0 * (s / RADIUS) ** 2) * 2.0 * POWER / (math.pi * RADIUS**2)
    rest = summed(vectors([(s[-1], 0.0, 3.5, 0.0)]), 0.0, 0.0)
    assert half * LINE == pytest.approx(2.0 * (np.trapezoid(ramp, t) + rest), rel=1e-5)


def test_a_turned_ellipse_is_a_round_spot_on_a_stretched_plane():
    """A change of coordinates: vectors and places shrunk along the long axis see a round spot."""
    rng = np.random.default_rng(11)
    paths = scattered(rng, 15, 1.0, 1.0)
    angle, ratio = 0.6, 1.7
    dose, grid, _ = field(paths, optics=Optics(LAW, radius_ratio=ratio, spot_angle=angle))
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle) / ratio, math.cos(angle) / ratio]])

    def shrunk(x, y):
        return turn[0, 0] * x + turn[0, 1] * y, turn[1, 0] * x + turn[1, 1] * y

    x0, y0 = shrunk(paths.x0, paths.y0)
    x1, y1 = shrunk(paths.x1, paths.y1)
    speed = SPEED * np.hypot(x1 - x0, y1 - y0) / paths.length
    exact = summed(vectors(np.column_stack([x0, y0, x1, y1]), speed=speed), *shrunk(*np.meshgrid(grid.x, grid.y))) / ratio
    assert np.abs(dose - exact).max() <= 1e-5 * exact.max()


def test_a_measured_picture_of_a_gaussian_is_that_gaussian():
    pitch = 0.004
    x = pitch * np.arange(-100, 101)
    picture = np.exp(-2.0 * (x[None, :] ** 2 + x[:, None] ** 2) / RADIUS**2)
    paths = scattered(np.random.default_rng(12), 10, 1.0, 1.0)
    optics = Optics(LAW, image=picture, image_pixel=pitch)
    dose, grid, error = field(paths, optics=optics)
    exact = summed(paths, *np.meshgrid(grid.x, grid.y))
    assert error <= 1e-5
    assert np.abs(dose - exact).max() <= 2e-3 * exact.max()  # straight lines between pixels widen it by pitch^2/6


def test_recorded_positions_are_what_they_record():

    from curecalc.paths.vectors import Positions

    t = np.array([0.0, 1e-3, 1.5e-3, 2.5e-3])
    x, y, p = np.array([0.0, 1.0, 1.0, 1.0]), np.array([0.0, 0.0, 0.0, 0.8]), np.full(4, POWER)
    empty = vectors(np.zeros((0, 4)))
    paths = replace(empty, recorded=(Positions(1, t, x, y, p),))
    found = at(paths, 0.9, 0.03, optics=Optics(LAW, radius=RADIUS))
    stay = 2.0 * POWER / (math.pi * RADIUS**2) * math.exp(-2.0 * (0.1**2 + 0.03**2) / RADIUS**2) * 0.5e-3
    peak = 2.0 * POWER / (math.pi * RADIUS**2) * 0.5e-3 + LINE
    moves = vectors([(0.0, 0.0, 1.0, 0.0), (1.0, 0.0, 1.0, 0.8)], speed=[1000.0, 800.0])
    assert found == pytest.approx(stay + float(summed(moves, 0.9, 0.03)), abs=1e-5 * peak)


@pytest.mark.parametrize("tolerance", [1e-6, 1e-5])
def test_tiles_give_the_numbers_of_the_whole(tolerance):
    paths = scattered(np.random.default_rng(13), 60, 3.0, 3.0)
    optics = Optics(LAW, Scanning(2e5, "on"))
    dose, grid, _ = field(paths, optics=optics, tolerance=tolerance)
    size = 57
    for tile in grid.tiles(size):
        part = layer_dose(paths, optics, tile)
        i, j = (round((tile.y0 - grid.y0) / grid.pixel), round((tile.x0 - grid.x0) / grid.pixel))
        assert np.abs(part - dose[i : i + tile.rows, j : j + tile.columns]).max() <= 1e-7 * dose.max()


def test_the_compiled_body_gives_the_same_numbers():
    pytest.importorskip("numba")
    from curecalc.map import deposit, fast

    rng = np.random.default_rng(14)
    x, y, e = rng.uniform(-8.0, 108.0, 20_000), rng.uniform(-8.0, 88.0, 20_000), rng.uniform(0.0, 1.0, 20_000)
    one, two = np.zeros((80, 100)), np.zeros((80, 100))
    deposit.deposit(one, x, y, e)
    fast.deposit(two, x, y, e)
    assert np.abs(one - two).max() <= 1e-12 * one.max()


@pytest.mark.parametrize("w", [1.0, 0.7])
def test_the_compiled_body_does_as_its_source_says(monkeypatch, w):
    """The same map with every compiled function run by the interpreter: vectors across the rim, long and short, a ramp of power."""
    pytest.importorskip("numba")
    from curecalc.map import fast
    from curecalc.map.deposit import best_body
    from curecalc.paths.vectors import Positions

    paths = joined(scattered(np.random.default_rng(16), 8, 0.2, 1.0), vectors([(0.0, 0.5, 1.0, 0.5), (0.5, 0.5, 0.5, 0.5)]))
    ramp = Positions(1, np.array([0.0, 1e-3]), np.array([0.0, 1.0]), np.array([0.4, 0.6]), np.array([0.0, POWER]))
    paths = replace(paths, recorded=(ramp,))
    optics = Optics(LAW if w == 1.0 else Threshold(0.15, 0.08, w, 5.0), Scanning())
    grid = Grid(0.2, 0.3, 0.03, 17, 14)
    rng = np.random.default_rng(17)
    points = rng.uniform(-4.0, 18.0, 200), rng.uniform(-4.0, 15.0, 200), rng.uniform(0.0, 1.0, 200)

    def both():
        spread = np.zeros((14, 17))
        fast.deposit(spread, *points)
        return layer_dose(paths, optics, grid, body=best_body()), spread

    compiled = both()
    for name in ("_weights", "_put", "_add", "_clip", "_run", "_smooth"):
        monkeypatch.setattr(fast, name, getattr(fast, name).py_func)
    with np.errstate(divide="ignore", invalid="ignore"):  # of which what is compiled says nothing
        source = both()
    for one, two in zip(compiled, source):
        assert one.max() > 0.0
        assert np.abs(one - two).max() <= 1e-12 * one.max()


@pytest.mark.parametrize("w", [1.0, 0.7])
@pytest.mark.parametrize("way", [Scanning(), Scanning(2e5, "on")], ids=["even", "from-rest"])
def test_the_compiled_map_gives_the_same_numbers(way, w):
    """Vectors of all lengths, and a recorded ramp of power, across the rim of the grid."""
    pytest.importorskip("numba")
    from curecalc.map.deposit import BASE, best_body
    from curecalc.paths.vectors import Positions

    rng = np.random.default_rng(15)
    paths = joined(scattered(rng, 200, 0.2, 3.0), scattered(rng, 50, 3.0, 3.0), vectors([(0.0, 1.0, 3.0, 1.0), (1.0, 0.0, 1.0, 3.0)]))
    x, y = np.array([0.0, 1.0, 1.0, 1.0]), np.array([0.5, 0.5, 1.0, 1.0])  # at the end it stands still
    ramp = Positions(1, np.array([0.0, 1e-3, 2e-3, 3e-3]), x, y, np.array([0.0, POWER, 5.0, 5.0]))
    paths = replace(paths, recorded=(ramp,))
    optics = Optics(LAW if w == 1.0 else Threshold(0.15, 0.08, w, 5.0), way)
    grid = Grid(0.4, 0.6, 0.0255, 73, 61)
    one, two = (layer_dose(paths, optics, grid, body=body) for body in (BASE, best_body()))
    assert best_body() is not BASE
    assert np.abs(one - two).max() <= 1e-12 * one.max()
