"""Cells of a frame, its ground, hot pixels, the aperture of second moments and lines through a spot, by hand."""

import math

import numpy as np
import pytest

from curecalc.spot import frame, moments, track
from curecalc.spot.gauss2d import bell, first_estimate


def test_cells_are_means_at_the_middle_of_their_blocks():
    picture = np.arange(30.0).reshape(5, 6)
    assert frame.block_mean(picture, 2).tolist() == [[3.5, 5.5, 7.5], [15.5, 17.5, 19.5]]  # the fifth row fills no block
    for most in (np.uint8(255), np.uint16(65535), np.uint32(4294967295)):
        assert frame.block_mean(np.full((4, 4), most), 4).tolist() == [[float(most)]]
    found = frame.cells(picture, (0.1, 0.2), 2, (10, 20))
    assert (found.x.tolist(), found.y.tolist()) == (pytest.approx([1.05, 1.25, 1.45]), pytest.approx([4.1, 4.5]))
    # readings of +-1 in turn: second differences of 4, in units of 0.6745 sqrt 6 standard deviations
    assert frame.noise_of(np.tile([1.0, -1.0], (3, 5))) == pytest.approx(4.0 / 0.6745 / math.sqrt(6.0))
    assert frame.noise_of(np.tile(np.arange(9.0), (3, 1))) == 0.0
    rows = np.where(np.arange(400)[:, None] % 2 == 1, np.tile([1.0, -1.0], 5), 0.0)  # every second row is still
    assert frame.noise_of(rows[:398]) > 0.0
    assert frame.noise_of(rows) == 0.0  # 200 rows of a large picture are looked at


def test_the_window_of_a_beam_reaches_four_and_a_half_radii_in_cells_of_a_sixteenth():
    found = frame.window(np.zeros((300, 300)), (1.0, 1.0), (150.0, 150.0, 256.0, 0.0, 256.0))  # radius 32: 144 to either side
    assert (found.block, found.z.shape) == (2, (144, 144))
    assert (found.x[0], found.y[-1]) == (6.5, 6.5 + 286.0)
    narrow = frame.window(np.zeros((300, 300)), (1.0, 1.0), (150.0, 150.0, 256.0, 0.0, 64.0))
    assert (narrow.block, narrow.z.shape) == (1, (145, 289))  # the least radius, 16, decides


@pytest.mark.parametrize(
    ("level", "pixel", "count"),
    [
        # the pixel raises the mean of its own sixteen: hot beyond 8 + 1.3 p/16, 8.707
        (0.0, 8.70, 0),
        (0.0, 8.72, 1),
        # on light of 100 beyond 8 + 1.3 (100 + (p - 100)/16), 141.36; dead below 0.7 (100 - (100 - p)/16) - 8, 60.26
        (100.0, 141.3, 0),
        (100.0, 141.4, 1),
        (100.0, 60.3, 0),
        (100.0, 60.2, 1),
        # darker than the dark level beyond 8 + p/16 alone, 8.533
        (0.0, -8.50, 0),
        (0.0, -8.56, 1),
    ],
)
def test_hot_and_dead_pixels_stand_beyond_eight_times_the_noise_and_a_third_of_the_light(level, pixel, count):
    picture = np.full((32, 32), level)
    picture[13, 18] = pixel
    mended, many = frame.mend(picture, 1.0, 0.0)
    assert many == count
    assert mended[13, 18] == (level if count else pixel)
    assert picture[13, 18] == pixel  # what was measured stays
    assert frame.mend(picture, 0.0, 0.0)[1] == 0


@pytest.mark.parametrize(("level", "other", "pixel"), [(0.0, 100.0, 12.0), (100.0, 0.0, 60.0)])
def test_a_pixel_is_judged_by_its_own_cell_and_those_beside_it(level, other, pixel):
    picture = np.full((32, 32), level)
    picture[4:8, 4:8] = other  # two cells away
    picture[13, 14] = pixel
    assert frame.mend(picture, 1.0, 0.0)[1] == 1


def test_a_plane_of_ground_comes_back_from_two_dozen_cells():
    z = 1.0 + 2.0 * np.arange(6.0)[None, :] - 3.0 * np.arange(4.0)[:, None]
    cells = frame.Cells(z, np.arange(6.0), np.arange(4.0), 1)
    dark = np.ones((4, 6), bool)
    ground = frame.ground(cells, dark, (2.5, 1.5), 1)
    assert ground.degree == 1
    assert ground.over([7.0], [9.0])[0, 0] == ground.level((7.0, 9.0)) == pytest.approx(1.0 + 14.0 - 27.0)
    dark[0, 0] = False
    assert frame.ground(cells, dark, (2.5, 1.5), 1) is None
    wide = frame.Cells(np.zeros((12, 12)), np.arange(12.0), np.arange(12.0), 1)
    wide.z[:] = 0.01 * np.random.default_rng(1).standard_normal((12, 12))
    bent = frame.Cells(wide.z + 0.1 * wide.x**2, wide.x, wide.y, 1)
    every = np.ones((12, 12), bool)
    assert [frame.ground(cells, every, (5.5, 5.5)).degree for cells in (wide, bent)] == [1, 2]


def test_the_axis_nearest_to_x_comes_first():
    for given, found in (
        ((1.0, 0.0, 2.0), (1.0, 2.0, 0.0)),
        ((1.0, 0.5, 1.0), (1.5, 0.5, math.pi / 4.0)),
        ((1.0, -0.5, 1.0), (1.5, 0.5, -math.pi / 4.0)),
        ((2.0, 0.5, 2.0 - 1e-6), (2.5, 1.5, math.pi / 4.0)),
        ((2.0 - 1e-3, 0.5, 2.0), (1.5, 2.5, -math.pi / 4.0)),
    ):
        assert moments.principal(*given) == pytest.approx(found, abs=1e-3)
    mask = moments.inside(np.arange(9.0), np.arange(9.0), 4.0, 4.0, (0.25, 0.0, 1.0), 1.5)  # radii 1 and 2
    assert (mask.sum(axis=0).max(), mask.sum(axis=1).max()) == (7, 3)


@pytest.mark.parametrize(
    ("centre", "radius", "dark"),
    [
        (19.5, 6.34, 156),  # 3 radii are 19.02 pixels: the outermost ring of 40 by 40 is left
        (19.0, 6.5, 511),  # 79 would be left beyond three radii, too few: beyond 2.6, 33 x 33 inside
        (19.5, 6.6, 444),  # 2.6 radii are 17.2 pixels, 34 x 34 inside
        (19.5, 7.6, 444),  # nothing beyond 2.6: 2.3 radii are 17.5 pixels
        (19.5, 8.6, None),
    ],
)
def test_the_background_is_beyond_three_radii_or_a_little_nearer(centre, radius, dark):
    x = np.arange(40.0)
    mask = moments._outside(x, x, centre, centre, (radius**2 / 4.0, 0.0, radius**2 / 4.0))
    assert (None if mask is None else mask.sum()) == dark


def test_exposure_of_a_track_through_a_gaussian_by_hand():
    x = np.arange(-60.0, 61.0) * 0.05  # radius 1 mm, 20 pixels: bins of one pixel
    z = bell(x, x, (0.0, 0.0), (0.25, 0.0, 0.25))
    got = track.track_exposure(z, x, x, (0.25, 0.0, 0.25), 0.0)
    top = math.sqrt(2.0 / math.pi)
    assert (got.radius, got.gaussian_peak, got.image_peak) == (1.0, pytest.approx(top), pytest.approx(top, rel=1e-4))
    assert got.distance[1] - got.distance[0] == pytest.approx(0.05)
    assert got.image.sum() * 0.05 == pytest.approx(1.0)
    assert got.gaussian == pytest.approx(top * np.exp(-2.0 * got.distance**2))
    # finer pixels are summed in bins of a sixtieth of the radius: 0.007 mm make 3 of them
    fine = np.arange(-40.0, 41.0) * 0.007
    wide = track.track_exposure(np.ones((81, 81)), fine, fine, (0.25, 0.0, 0.25), 0.0)
    assert wide.distance[1] - wide.distance[0] == pytest.approx(0.021)
    # an ellipse of variances 1 and 4 mm^2 along a track at 30 degrees: across it sin^2 + 4 cos^2 = 3.25
    turned = track.track_exposure(z, x, x, (1.0, 0.0, 4.0), math.radians(30.0))
    assert turned.radius == pytest.approx(2.0 * math.sqrt(3.25))
    # with a covariance of 0.5 mm^2 besides, 2 x 0.5 sin 30 cos 30 less
    leaning = track.track_exposure(z, x, x, (1.0, 0.5, 4.0), math.radians(30.0))
    assert leaning.radius == pytest.approx(2.0 * math.sqrt(3.25 - math.sqrt(3.0) / 4.0))
    # pixels of two sizes are summed in bins of the larger
    for across, along in ((x[::2], x), (x, x[::2])):
        oblong = track.track_exposure(np.ones((along.size, across.size)), across, along, (0.25, 0.0, 0.25), 0.0)
        assert oblong.distance[1] - oblong.distance[0] == pytest.approx(0.1)
        assert np.abs(oblong.distance).max() < 3.2


@pytest.mark.parametrize(("radius", "reach"), [(1.01, 0.3), (0.1, 0.15)])
def test_the_top_of_a_track_is_that_of_a_quartic_through_the_readings_near_it(radius, reach):
    # within 0.3 radii, or three readings to either side; the middle one is the highest of three together
    q = np.arange(-20, 21) * 0.05
    share = 1.0 + 0.02 * q - 4.0 * q**2 + 3.0 * q**3 + 0.003 * np.random.default_rng(2).standard_normal(41)
    near = np.abs(q) < reach + 0.01
    share[~near] = 0.3 - 0.2 * np.abs(q[~near])
    top = np.polyval(np.polyfit(q[near], share[near], 4), np.linspace(-reach, reach, 10_001)).max()
    assert track._top(q, share, radius) == pytest.approx(top, abs=5e-5)
    lone = np.where(np.abs(q - 0.8) < 0.01, 2.0, share)  # a single reading that noise raised
    assert track._top(q, lone, radius) == track._top(q, share, radius)


def test_the_top_of_five_readings_is_the_highest():
    assert track._top(np.arange(5.0), np.array([0.0, 1.0, 3.0, 1.5, 0.0]), 9.0) == 3.0
    six = np.array([0.0, 1.0, 3.0, 2.9, 0.8, 0.0])
    assert track._top(np.arange(6.0), six, 9.0) != 3.0


def test_a_first_estimate_is_near_and_noise_alone_gives_none():
    x = np.arange(60.0)
    z = 10.0 + 100.0 * bell(x, x, (31.0, 27.0), (16.0, 0.0, 36.0)) + 0.1 * np.cos(7.0 * x)[None, :]
    mx, my, xx, xy, yy = first_estimate(z, (1.0, 1.0))
    assert (mx, my) == pytest.approx((31.0, 27.0), abs=0.3)
    # cut at 30 % with 20 % taken off a Gaussian shows less than half of its variance, 2.2 times makes it up
    assert (xx, yy) == pytest.approx((16.0, 36.0), rel=0.25)
    assert abs(xy) < 1.0
    assert first_estimate(np.random.default_rng(1).standard_normal((60, 60)), (1.0, 1.0)) is None


SIDE = np.arange(12.0)
CHECKS = 0.1 * np.where(np.add.outer(SIDE, SIDE) % 2 == 0, 1.0, -1.0)


def terms(degree):
    """Polynomials on the grid of twelve by twelve, a column each."""
    x, y = (g.ravel() for g in np.meshgrid(SIDE, SIDE))
    return np.stack([x**a * y**b for a in range(degree + 1) for b in range(degree + 1 - a)], axis=1)


def surface(z, kept):
    """The plane through the cells kept, by a general solver, at every cell."""
    return (terms(1) @ np.linalg.lstsq(terms(1)[kept.ravel()], z[kept], rcond=None)[0]).reshape(z.shape)


@pytest.mark.parametrize(("more", "out"), [(0.60, 0), (0.68, 1)])
def test_a_cell_of_ground_beyond_five_times_the_scatter_is_left_out(more, out):
    """Cells of +-0.1: five times 1.4826 times their median are 0.741, and the cell with more stands at 0.1 + 0.98 of it."""
    z = 3.0 + 0.5 * SIDE[None, :] - 0.2 * SIDE[:, None] + CHECKS
    z[4, 4] += more
    kept = np.ones(z.shape, bool)
    kept[4, 4] = not out
    found = frame.ground(frame.Cells(z, SIDE, SIDE, 1), np.ones(z.shape, bool), (5.5, 5.5), 1)
    assert found.over(SIDE, SIDE) == pytest.approx(surface(z, kept), abs=1e-9)


@pytest.mark.parametrize(("many", "out"), [(48, True), (49, False)])
def test_no_more_than_a_third_of_the_ground_is_left_out(many, out):
    odd = np.zeros(144)
    odd[np.random.default_rng(1).permutation(144)[:many]] = 20.0 * (-1.0) ** np.arange(many)
    z = 3.0 + CHECKS + odd.reshape(12, 12)
    found = frame.ground(frame.Cells(z, SIDE, SIDE, 1), np.ones(z.shape, bool), (5.5, 5.5), 1)
    assert found.over(SIDE, SIDE) == pytest.approx(surface(z, (odd == 0.0).reshape(12, 12) | (not out)), abs=1e-9)


def beyond(z, degree):
    """What of z no polynomial of the degree follows."""
    basis = np.linalg.qr(terms(degree))[0]
    return z - basis @ (basis.T @ z)


@pytest.mark.parametrize("degree", [2, 3])
@pytest.mark.parametrize(("times", "bends"), [(0.99, False), (1.01, True)])
def test_a_ground_bends_where_chance_would_once_in_ten_thousand(degree, times, bends):
    """F test of the terms that a degree adds, from parts at right angles to each other, by a general library."""
    from scipy.stats import f

    noise, bend, bow = beyond(CHECKS.ravel(), 3), beyond(terms(degree)[:, -1], degree - 1), beyond(terms(2)[:, -1], 1)
    added, rest = degree + 1, 144 - terms(degree).shape[1]
    z = noise + bend * math.sqrt(times * f.isf(1e-4, added, rest) * added / rest * (noise @ noise) / (bend @ bend))
    z += 3.0 * bow * (degree - 2)  # a bend that nobody doubts, so that the question of the next comes up
    found = frame.ground(frame.Cells(z.reshape(12, 12), SIDE, SIDE, 1), np.ones((12, 12), bool), (5.5, 5.5))
    assert found.degree == (degree if bends else degree - 1)
    left, basis = beyond(z, found.degree), np.linalg.qr(terms(found.degree))[0]
    assert found.scatter == pytest.approx(math.sqrt(left @ left / (144 - basis.shape[1])))
    # the spread of the surface at a cell is that of an ordinary regression: scatter times the root of its leverage
    here = found.basis([3.0], [7.0])[:, 0, 0]
    assert here @ found.covariance @ here == pytest.approx(found.scatter**2 * (basis[7 * 12 + 3] ** 2).sum())


def test_ground_that_cannot_be_told():
    line = np.zeros((12, 30), bool)
    line[5] = True  # thirty cells in one row say nothing about the slope across it
    flat = frame.Cells(np.zeros((12, 30)), np.arange(30.0), SIDE, 1)
    assert frame.ground(flat, line, (5.0, 5.0)) is None
    dark = frame.ground(flat, np.ones((12, 30), bool), (5.0, 5.0))  # all zeros: a plane without scatter
    assert (dark.degree, dark.scatter, dark.level((3.0, 4.0))) == (1, 0.0, 0.0)


def test_hot_pixels_take_the_middle_of_what_stands_within_two_pixels_of_their_cell():
    picture = np.random.default_rng(2).uniform(0.0, 3.0, (40, 40))
    sound = picture.copy()
    picture[9, 10] = picture[10, 10] = 60.0
    around = [sound[j, i] for j in range(6, 14) for i in range(6, 14) if (j, i) not in ((9, 10), (10, 10))]
    mended, many = frame.mend(picture, 1.0, 0.0)
    assert (many, mended[9, 10], mended[10, 10]) == (2, np.median(around), np.median(around))
    assert (mended[picture < 50.0] == sound[picture < 50.0]).all()
    # at the rim of the picture the ring ends with it
    for j, i in ((0, 39), (39, 0)):
        picture = sound.copy()
        picture[j, i] = 60.0
        around = np.delete(sound[34:, :6] if j else sound[:6, 34:], 30 if j else 5)
        assert frame.mend(picture, 1.0, 0.0)[0][j, i] == np.median(around)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_pixel_at_its_limit_is_sound(sign):
    """64 and 32 among sixteen raise their mean to 6, and eight times the noise of 3.25 is 26: the second stands just at the limit."""
    picture = np.zeros((32, 32))
    picture[13, 18], picture[14, 18] = 64.0 * sign, 32.0 * sign
    mended, many = frame.mend(picture, 3.25, 1e9)
    assert (many, mended[13, 18], mended[14, 18]) == (1, 0.0, 32.0 * sign)


def test_pixels_without_a_sound_one_near_take_the_mean_of_their_cell():
    """A board of 0 and 1000 is dark below 0.7 x 500 - 8 and bright beyond 1.3 x 500 + 8, so that nothing is sound."""
    board = 1000.0 * (np.add.outer(np.arange(32), np.arange(32)) % 2)
    mended, many = frame.mend(board, 1.0, 0.0)
    assert (many, set(mended.ravel())) == (1024, {500.0})


def test_large_frames_are_mended_in_wider_cells():
    """1281 pixels across make cells of six: a pixel raises the mean of thirty-six, and is hot beyond 8 + 1.3 p/36, 8.30.

    1280 pixels make 256 cells of five, 8.44.
    """
    for across, pixel, count in ((1281, 8.25, 0), (1281, 8.35, 1), (1280, 8.40, 0), (1280, 8.48, 1)):
        picture = np.zeros((24, across))
        picture[9, 700] = pixel
        assert frame.mend(picture, 1.0, 0.0)[1] == count
    assert frame.mend(np.zeros((12, 4000)), 1.0, 0.0)[1] == 0  # not one cell
