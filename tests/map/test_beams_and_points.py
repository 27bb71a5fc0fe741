"""The filter of a beam, its stated error and the points of paths against closed forms, direct sums and motion by hand."""

import math
from dataclasses import replace

import mpmath
import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

from curecalc.errors import QuantityError
from curecalc.map import field as field_module
from curecalc.map import points as points_module
from curecalc.map.beam import Beam, clean_picture, filtered, pixel_for, spread_error, taps
from curecalc.map.deposit import smooth
from curecalc.map.field import Grid as Field
from curecalc.map.field import Optics, by_radius, choose_pixel, layer_dose, logged, stated_error
from curecalc.map.points import LONGEST, NODES, QUADRATURE, Legs, Scanning, _inside, _joint_speeds, _kept, chunks, points
from curecalc.paths.vectors import Positions
from curecalc.physics.laws import Plain, Threshold

from .scenes import LINE, POWER, RADIUS, joined, polyline, raster, vectors

LAW = Plain(0.15, 0.08)
ROUND = Beam((0.0025, 0.0, 0.0025), 1.0, 1.0)


def test_panels_are_as_long_as_the_error_term_of_their_rule_allows():
    """Error of m nodes over a length h: h^(2m+1) m!^4/((2m+1) (2m)!^3) f^(2m) (handbook, from memory); a standard normal density has
    |f^(2m)| at most (2m-1)!!/sqrt(2 pi). A share h of a steady line's whole, the error is a quarter of what is stated.
    """
    for m, longest in enumerate(LONGEST, 1):
        h = mpmath.mpf(float(longest))
        bend = mpmath.fac2(2 * m - 1) / mpmath.sqrt(2 * mpmath.pi)
        error = h ** (2 * m + 1) * mpmath.fac(m) ** 4 / ((2 * m + 1) * mpmath.fac(2 * m) ** 3) * bend
        assert float(error / h) == pytest.approx(0.25 * QUADRATURE, rel=1e-12)


def test_a_filter_that_never_fades_is_kept_whole():
    assert len(taps(1.0)) == 65


@pytest.mark.parametrize("sigma", [3.0, 20.0, 700.0])
def test_taps_are_the_gaussian_less_the_splines_own_width(sigma):
    """Six unit pixels convolved have the variance 6/12."""
    half = taps(sigma)
    variance = sigma**2 - 0.5
    expected = np.exp(-0.5 * np.arange(len(half)) ** 2 / variance) / math.sqrt(2.0 * math.pi * variance)
    assert half == pytest.approx(expected, abs=0.03 / sigma**5)
    assert half[0] + 2.0 * half[1:].sum() == pytest.approx(1.0, abs=max(2e-10, 2e-3 * spread_error(sigma)))
    assert len(half) < 7.5 * sigma


@pytest.mark.parametrize("sigma", [1.2, 1.8, 2.5, 3.5])
def test_the_stated_error_is_the_integral_over_aliases(sigma):
    """What the filter lets through of the spline's spectrum about whole cycles, and the beam's own beyond half a cycle; both axes."""

    def through(f):
        return math.exp(-2.0 * (math.pi * sigma * f) ** 2) * sum(abs(f / (k + f)) ** 6 + abs(f / (k - f)) ** 6 for k in range(1, 200))

    one = 2.0 * math.sqrt(2.0 * math.pi) * sigma * quad(through, 0.0, 0.5, epsabs=1e-14)[0] + math.erfc(math.pi * sigma / math.sqrt(2.0))
    assert spread_error(sigma) == pytest.approx((1.0 + one) ** 2 - 1.0, rel=1e-6)


@pytest.mark.parametrize("tolerance", [1e-6, 1e-5, 1e-4])
def test_the_pixel_is_the_coarsest_within_the_tolerance(tolerance):
    assert spread_error(0.04 / pixel_for(0.04, tolerance)) == pytest.approx(tolerance, rel=1e-6)
    pixel, error = choose_pixel([ROUND, replace(ROUND, covariance=(0.04, 0.0, 0.04))], tolerance)
    assert error == pytest.approx(tolerance - 3e-7, rel=1e-6)  # the sum over time has its share twice: once stated, once kept
    assert pixel == pytest.approx(pixel_for(0.05, tolerance - 6e-7))
    assert choose_pixel([ROUND], tolerance, 0.9 * pixel)[0] == 0.9 * pixel


@pytest.mark.parametrize(("tolerance", "fine"), [(1e-6, True), (0.99e-6, False), (1e-4, True), (1.01e-4, False)])
def test_tolerances_have_their_range(tolerance, fine):
    if fine:
        choose_pixel([ROUND], tolerance)
    else:
        with pytest.raises(QuantityError, match=r"tolerance must be from 1e-06 to 0\.0001 of the peak, got .*\. Usual is 1e-05\."):
            choose_pixel([ROUND], tolerance)


def test_the_pixel_of_a_picture_is_the_coarsest_of_eighteen(monkeypatch):
    """Pixels from the beam's own width down in steps of a fifth; the error here a hundredth of the pixel over the width."""
    beam = replace(ROUND, image=np.ones((3, 3)), image_pixel=0.01)
    monkeypatch.setattr(field_module, "stated_error", lambda _, pixel: 0.01 * pixel / 0.05)
    pixel, error = choose_pixel([beam], 0.01)
    assert (pixel, error) == pytest.approx((0.05, 0.01))
    assert choose_pixel([beam], 0.0099)[0] == pytest.approx(0.8 * 0.05)
    least = 0.01 * 0.8**17  # 0.000225180
    assert choose_pixel([beam], least * 1.0001)[1] == pytest.approx(least)
    with pytest.raises(QuantityError, match=r"less than this picture of the beam can be drawn with\. Allow 0\.00023, or take"):
        choose_pixel([beam], least * 0.9999)
    with pytest.raises(QuantityError, match=r"from 1e-06 to 0\.01 of the peak"):
        choose_pixel([beam], 0.0101)


def test_the_transform_of_a_picture_is_the_sum_over_its_pixels():
    """About its centre of mass, each pixel a triangle of its pitch to either side: sinc^2 along both axes."""
    image, p = np.array([[1.0, 2.0, 0.0, 1.0], [4.0, 8.0, 3.0, 0.0], [0.0, 1.0, 2.0, 5.0]]), 0.03
    beam = Beam((1.0, 0.0, 1.0), 1.0, 1.0, image=image, image_pixel=p)
    fx, fy = np.array([0.0, 3.0, -7.0]), np.array([0.0, 2.0, 5.0, -11.0])
    y, x = np.mgrid[0:3, 0:4] * p
    share = image / image.sum()
    x, y = x - (share * x).sum(), y - (share * y).sum()
    for i, v in enumerate(fy):
        for j, u in enumerate(fx):
            expected = (share * np.exp(-2j * np.pi * (u * x + v * y))).sum() * (np.sinc(u * p) * np.sinc(v * p)) ** 2
            assert beam.transform(fx, fy)[i, j] == pytest.approx(expected, abs=1e-12)
    optics = Optics(LAW, image=image, image_pixel=p)
    assert optics.beam(1.0).covariance == pytest.approx(((share * x * x).sum(), (share * x * y).sum(), (share * y * y).sum()))
    assert optics.beam(1.0).whole == pytest.approx(1.0)
    w = 0.7  # of irradiances share/p^2 to the power w, over the reference to w - 1
    threshold = Optics(Threshold(0.15, 0.08, w, 5.0), image=image, image_pixel=p).beam(1.0)
    assert threshold.whole == pytest.approx(((share / p**2) ** w).sum() * p**2 / 5.0 ** (w - 1.0))
    assert threshold.image / threshold.image.sum() == pytest.approx(share**w / (share**w).sum())
    # half its diagonal, 2.5 pitches, is 15 pixels of 0.005; six more for the spline
    assert beam.reach(0.005) == 21


def test_the_error_of_a_smooth_picture_is_up_to_four_times_that_of_its_gaussian():
    """Stated with less knowledge: the nearer alias for both, and both axes added twice."""
    pitch = 0.004
    x = pitch * np.arange(-90, 91)
    picture = np.exp(-2.0 * (x[None, :] ** 2 + x[:, None] ** 2) / RADIUS**2)
    beam = Optics(LAW, image=picture, image_pixel=pitch).beam(1.0)
    for size in (1.8, 2.2):
        pixel = 0.5 * RADIUS / size
        assert 3.0 < (stated_error([beam], pixel) - QUADRATURE) / spread_error(size) < 4.0


def test_a_beam_that_separates_is_filtered_the_same_whole():
    energy = np.zeros((120, 140))
    energy[50:60, 70:75] = np.random.default_rng(1).uniform(size=(10, 5))
    beam, pixel = Beam((0.0025, 0.0, 0.0049), 1.0, 1.0), 0.025
    across, down = taps(2.0) / pixel, taps(2.8) / pixel
    total = np.ones((80, 100))
    smooth(energy, across, down, 20, total)
    assert filtered(energy, beam, pixel)[20:-20, 20:-20] == pytest.approx(total - 1.0, abs=1e-6 * total.max())
    assert beam.separable
    assert Beam((0.0025, 2e-15, 0.0049), 1.0, 1.0).separable
    assert not Beam((0.0025, 3e-15, 0.0049), 1.0, 1.0).separable


def test_what_is_lit_weakly_is_cut_out_from_a_ten_thousandth_on():
    picture = np.zeros((20, 24))
    picture[8:13, 8:13] = 1.0
    picture[2, 2] = 0.5  # one pixel alone is no part of the beam
    for level, wide in ((1.01e-4, 8), (0.99e-4, 5)):
        picture[8:13, 13:16] = level
        assert clean_picture(picture).shape == (5, wide)
    picture[10, 10] = 0.5e-4  # and one dark pixel within it is dark
    assert clean_picture(picture).tolist() == [[1.0] * 5] * 2 + [[1.0, 1.0, 0.0, 1.0, 1.0]] + [[1.0] * 5] * 2
    alone = np.zeros((9, 9))
    alone[4, 6] = 2.0
    assert clean_picture(alone).tolist() == [[2.0]]


@pytest.mark.parametrize("m", range(1, 9))
def test_nodes_integrate_the_longest_panel_within_their_share(m):
    """A quarter of the error allowed for each standard deviation of the beam's way, at the worst place beside the panel."""
    at, weight = NODES[:, m, :m]
    long, s = LONGEST[m - 1], np.linspace(-3.0, LONGEST[m - 1] + 3.0, 4001)
    found = (weight * long * np.exp(-0.5 * (s[:, None] - at * long) ** 2)).sum(1) / math.sqrt(2.0 * math.pi)
    worst = np.abs(found - (ndtr(s) - ndtr(s - long))).max() / (QUADRATURE * long)
    assert (0.24 if m < 4 else 0.09) < worst < 0.251


def test_chunks_hold_so_many_points_or_one_vector(monkeypatch):
    monkeypatch.setattr(points_module, "_CHUNK", 6)
    for sizes, ends in (([3, 3, 3], [2, 3]), ([3, 4, 3], [1, 2, 3]), ([9, 1, 5, 0, 1], [1, 4, 5]), ([], [])):
        assert [part.stop for part in chunks(np.array(sizes, int))] == ends
        assert [part.start for part in chunks(np.array(sizes, int))] == [0, *ends][: len(ends)]


def test_logarithms_of_doses_end_a_million_millionth_below_the_greatest():
    assert logged(np.array([2.0, 1e-3, 0.0])).tolist() == pytest.approx([math.log(2.0), math.log(1e-3), math.log(2e-12)])
    assert np.isfinite(logged(np.zeros(3))).all()


def test_each_radius_is_scanned_by_its_own_beam_and_recorded_positions_by_the_first():
    place = Positions(1, np.array([0.0, 1.0]), np.zeros(2), np.zeros(2), np.ones(2))
    both = joined(vectors([(0, 0, 1, 0), (0, 1, 1, 1)], radius=0.1), vectors([(0, 2, 1, 2)], radius=0.2))
    found = list(by_radius(replace(both, recorded=(place,)), Optics(LAW)))
    assert [beam.narrow for beam, _ in found] == pytest.approx([0.05, 0.1])
    assert [(len(own), len(own.recorded)) for _, own in found] == [(2, 1), (1, 0)]
    alone = replace(vectors(np.zeros((0, 4))), recorded=(place,)).filled({}, default={"power": 1.0, "scan_speed": 1.0, "beam_radius": 0.3})
    assert [(beam.narrow, own.recorded) for beam, own in by_radius(alone, Optics(LAW))] == [(pytest.approx(0.15), (place,))]


def test_corners_are_taken_at_a_speed_that_can_be_reached_and_left():
    """v^2 = 2 a s, from rest at both ends of the way; 2 a = 4e5 mm/s^2."""
    corner = polyline([(0.0, 0.0), (1.0, 0.0), (1.0, 0.05), (1.05, 0.05)])
    first, last = _joint_speeds(corner, Scanning(2e5, "on", corner_speed=500.0))
    assert first.tolist() == pytest.approx([0.0, 200.0, math.sqrt(2e4)])
    assert last.tolist() == pytest.approx([200.0, math.sqrt(2e4), 0.0])
    slow = replace(polyline([(0, 0), (9, 0), (9, 9), (0, 9)]), scan_speed=np.array([900.0, 300.0, 400.0]))
    first, last = _joint_speeds(slow, Scanning(2e5, "on", corner_speed=500.0))
    assert (first.tolist(), last.tolist()) == ([0.0, 300.0, 300.0], [300.0, 300.0, 0.0])
    back = _joint_speeds(polyline([(0.0, 0.0), (0.05, 0.0), (0.05, 1.0)]), Scanning(2e5, "on", corner_speed=500.0))
    assert back[0].tolist() == pytest.approx([0.0, math.sqrt(2e4)])
    first, last = _joint_speeds(polyline([(0.0, 0.0), (0.05, 0.0), (0.05, 0.05), (1.05, 0.05)]), Scanning(2e5, "on", corner_speed=500.0))
    assert first.tolist() == pytest.approx([0.0, math.sqrt(2e4), 200.0])
    assert last.tolist() == pytest.approx([math.sqrt(2e4), 200.0, 0.0])
    apart = joined(polyline([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]), vectors([(9.0, 9.0, 10.0, 9.0)]))
    first, last = _joint_speeds(apart, Scanning(2e5, "on", corner_speed=500.0))
    assert (first.tolist(), last.tolist()) == ([0.0, 500.0, 0.0], [500.0, 0.0, 0.0])
    everywhere = Scanning(2e5, "follows speed", corner_speed=500.0)
    assert everywhere.cornering == 2e5
    for still in (Scanning(2e5, "off", corner_speed=500.0), Scanning(2e5, "on"), Scanning(pulse_rate=1.0, corner_speed=500.0)):
        assert not np.any(_joint_speeds(corner, still))


def test_the_part_of_a_way_within_a_window():
    window = (1.0, -1.0, 3.0, 2.0)
    for start, way, part in (
        ((0.0, 0.0), (4.0, 0.0), (0.25, 0.75)),
        ((4.0, 0.0), (-4.0, 0.0), (0.25, 0.75)),
        ((2.0, -2.0), (0.0, 8.0), (0.125, 0.5)),
        ((2.0, 0.0), (0.5, 0.5), (0.0, 1.0)),
        ((0.0, -2.0), (4.0, 4.0), (0.25, 0.75)),
        ((2.0, 0.0), (0.0, 0.0), (0.0, 1.0)),
        ((1.0, 2.0), (0.0, 0.0), None),  # on its edge, where nothing is added any more
        ((0.0, 2.1), (4.0, 0.0), None),
        ((0.0, -1.1), (4.0, 0.0), None),
        ((3.1, 0.0), (0.0, 0.0), None),
        ((0.9, 0.0), (0.0, 1.0), None),
        ((-5.0, 0.0), (4.0, 0.0), None),
        ((5.0, 0.0), (4.0, 0.0), None),
    ):
        zero = np.zeros(1)
        begin, end = _inside(Legs(*(np.array([v]) for v in (*start, *way)), zero, zero, zero), window)
        if part is None:
            assert not end[0] >= begin[0]
        else:
            assert (begin[0], end[0]) == pytest.approx(part)


def pulses(paths, scanning):
    x, y, dose = (np.concatenate(part) for part in zip(*points(paths, scanning, ROUND)))
    assert not y.any()
    return x, dose


def test_pulses_come_evenly_from_the_start_of_each_vector():
    x, dose = pulses(vectors([(0.0, 0.0, 1.0, 0.0), (5.0, 0.0, 5.25, 0.0), (9.0, 0.0, 9.01, 0.0)]), Scanning(pulse_rate=1e4))
    assert x == pytest.approx([*(0.1 * k for k in range(10)), 5.0, 5.1, 5.2, 9.0])  # none at the end, which is the next one's
    assert dose == pytest.approx(np.full(14, POWER / 1e4))
    assert len(pulses(vectors([(0.0, 0.0, 1.0000005, 0.0)]), Scanning(pulse_rate=1e4))[0]) == 11  # the last half a nanometre before the end
    # from rest to rest in 10 mm at 1000 mm/s, 2e5 mm/s^2: 2.5 mm and 5 ms at either end, 5 ms between
    for beam, share in (("on", 1.0), ("follows speed", None)):
        x, dose = pulses(vectors([(0.0, 0.0, 10.0, 0.0)]), Scanning(2e5, beam, pulse_rate=1e3))
        t = np.arange(15)
        expected = np.where(t < 5, 0.1 * t**2, np.where(t <= 10, t - 2.5, 10.0 - 0.1 * (15.0 - t) ** 2))
        assert x == pytest.approx(expected, abs=1e-9)
        speed = np.minimum(np.minimum(0.2 * t, 1.0), 0.2 * (15 - t))
        assert dose == pytest.approx(POWER / 1e3 * (speed if share is None else share))
    with pytest.raises(QuantityError, match="pulse_rate cannot be combined"):
        list(points(vectors([(0, 0, 1, 0)]), Scanning(pulse_rate=1e4), replace(ROUND, w=0.7)))


def test_recorded_ways_are_lit_where_either_end_is():
    place = Positions(1, np.arange(6.0), np.arange(6.0), np.zeros(6), np.array([0.0, 0.0, 0.4, 0.4, 0.0, 0.0]))
    recorded = replace(vectors(np.zeros((0, 4))), recorded=(place,))
    x, _, dose = (np.concatenate(part) for part in zip(*points(recorded, Scanning(), ROUND)))
    assert (x.min() > 1.0, x.max() < 4.0, dose.sum()) == (True, True, pytest.approx(0.2 + 0.4 + 0.2))


def test_a_spot_that_stands_still_adds_all_its_dose_and_a_window_keeps_its_edge():
    place = Positions(1, np.array([0.0, 2.0]), np.ones(2), np.ones(2), np.full(2, 0.4))
    recorded = replace(vectors(np.zeros((0, 4))), recorded=(place,))
    for window in (None, (0.0, 0.0, 2.0, 2.0)):
        x, y, dose = (np.concatenate(part) for part in zip(*points(recorded, Scanning(), ROUND, window)))
        assert (x.tolist(), y.tolist(), dose.tolist()) == ([1.0], [1.0], [pytest.approx(0.8)])
    x = np.array([0.0, 1.0, -0.1, 1.1, 0.5, 0.5, 0.5, 0.5])
    y = np.array([0.5, 0.5, 0.5, 0.5, 0.0, 1.0, -0.1, 1.1])
    assert _kept(x, y, np.arange(8), (0.0, 0.0, 1.0, 1.0))[2].tolist() == [0, 1, 4, 5]


def test_tiles_of_a_picture_are_those_of_the_whole():
    image = np.exp(-2.0 * (np.arange(-20, 21)[None, :] ** 2 + 2.0 * np.arange(-20, 21)[:, None] ** 2) / 8.0**2)
    optics = Optics(LAW, image=image, image_pixel=0.015)
    grid = Field.over((-0.2, -0.2, 1.0, 0.6), 0.02)
    paths = raster(0.1, 3, 0.8)
    whole = layer_dose(paths, optics, grid)
    for tile in grid.tiles(17):
        i, j = (round((tile.y0 - grid.y0) / 0.02), round((tile.x0 - grid.x0) / 0.02))
        assert layer_dose(paths, optics, tile) == pytest.approx(whole[i : i + tile.rows, j : j + tile.columns], abs=1e-5 * whole.max())
    assert whole.max() > 0.5 * LINE
