"""First estimate, window and Gaussian fit of a spot: closed forms, and the same fit by a general optimiser."""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.spot import frame, gauss2d, image
from curecalc.spot.gauss2d import bell, first_estimate, fit_bell, form

X, Y = np.arange(44.0), np.arange(40.0)


def test_the_fit_of_a_turned_ellipse_agrees_with_a_general_optimiser():
    """Variances fitted directly, slopes by differences; the covariance is (J^T J)^-1 J^T diag(r^2) J (J^T J)^-1 n/(n - p)."""
    from scipy.optimize import least_squares

    true = (16.0, 7.0, 9.0)
    z = 30.0 + 0.4 * X[None, :] - 0.2 * Y[:, None] + 200.0 * bell(X, Y, (21.3, 18.8), true)
    z += 6.0 * np.random.default_rng(3).standard_normal(z.shape)
    start = (21.0, 19.0, 15.0, 5.0, 10.0)
    got = fit_bell(frame.Cells(z, X, Y, 1), start)
    # three radii of the first estimate: 21 -+ 23.2, 19 -+ 19.0
    assert got.block == 1
    part, x, y = z[:39], X, Y[:39]

    def misfit(p):
        return (part - p[0] * bell(x, y, p[1:3], p[3:6]) - p[6] - p[7] * x[None, :] - p[8] * y[:, None]).ravel()

    best = least_squares(misfit, (200.0, 21.0, 19.0, *true, 30.0, 0.4, -0.2), method="lm", xtol=1e-12, ftol=1e-12, x_scale="jac")
    assert got.converged
    assert (got.peak, *got.centre, *got.variance) == pytest.approx(best.x[:6], rel=1e-5)
    assert got.ground.over([5.0], [7.0])[0, 0] == pytest.approx(best.x[6] + 5.0 * best.x[7] + 7.0 * best.x[8], rel=1e-5)
    inverse = np.linalg.inv(best.jac.T @ best.jac)
    lever = best.jac @ inverse * best.fun[:, None]
    spread = lever.T @ lever * part.size / (part.size - 9)
    assert got.covariance == pytest.approx(spread[3:6, 3:6], rel=1e-3)
    assert (got.u_peak, *got.u_centre) == pytest.approx(np.sqrt(np.diag(spread)[:3]), rel=1e-3)
    inside = form((x - got.centre[0])[None, :], (y - got.centre[1])[:, None], got.variance) <= 9.0
    assert got.residual == pytest.approx(np.sqrt(np.mean(best.fun.reshape(part.shape)[inside] ** 2)) / got.peak, rel=1e-4)
    assert got.noise == pytest.approx(frame.noise_of(part) / got.peak, rel=1e-5)


@pytest.mark.parametrize(
    ("sx", "sy", "pixels", "block"),
    [
        (40.0, 35.0, 601, 11),  # three radii to each side are 481 pixels: 48 cells of ten or a little more; a fifth of 70 is 14
        (40.0, 35.0, 480, 10),
        (40.0, 12.4, 601, 4),  # a fifth of the shorter radius, 24.8
        (30.0, 2.4, 601, 1),
    ],
)
def test_cells_of_a_fit_are_never_wider_than_a_fifth_of_the_radius_and_their_width_is_taken_out(sx, sy, pixels, block):
    x = np.arange(float(pixels)) - pixels // 2
    z = 5.0 + 100.0 * bell(x, x, (0.0, 0.0), (sx**2, 0.0, sy**2))
    got = fit_bell(frame.Cells(z, x, x, 1), (0.0, 0.0, sx**2, 0.0, sy**2))
    assert got.block == block
    assert got.variance == pytest.approx((sx**2, 0.0, sy**2), rel=3e-4, abs=1e-6)
    assert got.centre == pytest.approx((0.0, 0.0), abs=1e-6)


def test_a_window_of_fewer_than_five_cells_has_no_fit():
    z = 5.0 + 100.0 * bell(X, Y, (20.0, 20.0), (4.0, 0.0, 4.0))
    for rows, found in ((5, True), (4, False)):
        part = frame.Cells(z[18 : 18 + rows], X, Y[18 : 18 + rows], 1)
        assert (fit_bell(part, (20.0, 20.0, 4.0, 0.0, 4.0)) is not None) is found
    assert fit_bell(frame.Cells(100.0 - z, X, Y, 1), (20.0, 20.0, 4.0, 0.0, 4.0)) is None  # a hole in the light
    for rows, found in ((5, True), (4, False)):
        assert (frame.window(z[:rows], (1.0, 1.0), (20.0, 2.0, 4.0, 0.0, 4.0)) is not None) is found


def test_the_window_s_noise_is_that_of_its_second_differences():
    """Readings of +-1 in turn have second differences of 4, sixteen sixths squared; over blocks of two a quarter of it."""
    z = np.tile([1.0, -1.0], (300, 150))
    for radius, block in ((31.9, 1), (32.1, 2), (48.1, 3)):
        found = frame.window(z, (1.0, 1.0), (150.0, 150.0, radius**2 / 4.0, 0.0, radius**2 / 4.0))
        assert found.block == block
        assert found.noise == pytest.approx(np.full(found.z.shape, 16.0 / 6.0 / block**2))
    bent = np.tile(np.arange(20.0) ** 3 / 6.0, (20, 1))  # second differences grow by one a pixel, the ends take their neighbours'
    local = frame.window(bent, (1.0, 1.0), (10.0, 10.0, 100.0, 0.0, 100.0)).noise[0]
    assert np.sqrt(6.0 * local) == pytest.approx([1.0, *np.arange(1.0, 19.0), 18.0])


def test_windows_reach_to_the_pixel_that_holds_their_edge():
    z = np.zeros((60, 80))
    # pixels of 0.5 and 0.25: radii 2 and 1, so 9 to both sides of 20 are pixels 22 to 58, 4.5 of 7 rows 10 to 46
    found = frame.window(z, (0.5, 0.25), (20.0, 7.0, 1.0, 0.0, 0.25))
    assert (found.x[0], found.x[-1], found.y[0], found.y[-1]) == (11.0, 29.0, 2.5, 11.5)
    assert found.pitch == (0.5, 0.25)
    # eight cells at least stand side by side: 44 pixels make cells of five, though a sixteenth of the radius is ten
    assert frame.window(np.zeros((44, 60)), (1.0, 1.0), (30.0, 20.0, 6400.0, 0.0, 6400.0)).block == 5
    assert found.around((20.0, 7.0), (1.0, 0.0, 0.25), 1.0) == (slice(14, 23), slice(14, 23))
    assert found.around((20.1, 7.0), (1.0, 0.0, 0.25), 1.0) == (slice(14, 23), slice(14, 24))
    assert found.around((20.0, 7.0), (1e4, 0.0, 1e4), 1.0) == (slice(0, 37), slice(0, 37))
    assert found.around((-90.0, 7.0), (1.0, 0.0, 0.25), 1.0) == (slice(14, 23), slice(0, 0))


@pytest.mark.parametrize("size", [60, 200, 400])  # pixels one by one, by four, by seven
def test_a_first_estimate_in_closed_form(size):
    """exp(-u) less 0.2 where it is above 0.3 has the variance (1 - 0.3 (1 + L) - 0.1 L^2)/(0.7 - 0.2 L) with L = ln(1/0.3); 2.2 of it."""
    log = math.log(1.0 / 0.3)
    share = 2.2 * (1.0 - 0.3 * (1.0 + log) - 0.1 * log**2) / (0.7 - 0.2 * log)
    x = np.arange(float(size))
    s = 0.15 * size
    z = 10.0 + 100.0 * bell(x, x, (0.5 * size, 0.45 * size), (s * s, 0.3 * s * s, s * s))
    mx, my, xx, xy, yy = first_estimate(z, (0.01, 0.02))
    assert (mx, my) == pytest.approx((0.005 * size, 0.009 * size), rel=5e-3)
    assert (xx, yy) == pytest.approx((share * (0.01 * s) ** 2, share * (0.02 * s) ** 2), rel=0.04)
    assert xy == pytest.approx(share * 0.3 * 0.01 * 0.02 * s * s, rel=0.04)


def test_a_first_estimate_is_of_the_brightest_spot_alone():
    z = 100.0 * bell(X, Y, (10.0, 20.0), (4.0, 0.0, 4.0)) + 90.0 * bell(X, Y, (32.0, 20.0), (4.0, 0.0, 4.0))
    assert first_estimate(z, (1.0, 1.0))[:2] == pytest.approx((10.0, 20.0), abs=0.05)
    # one bright pixel in a corner lights a single mean of three by three: no spot is narrower than a pixel
    z = np.zeros((40, 40))
    z[0, 39] = 9.0
    assert first_estimate(z, (0.1, 0.2)) == (
        pytest.approx(3.8),
        pytest.approx(0.2),
        pytest.approx(0.01 / 12.0),
        0.0,
        pytest.approx(0.04 / 12.0),
    )


def test_a_first_estimate_is_believed_beyond_six_times_the_noise_of_nine_pixels():
    """Columns of +-1 in turn have the noise 4/0.6745/sqrt 6 = 2.421, a mean over nine a third of it. The brightest such mean stands
    at 1/3 + height over a dark of -1: six times the noise are 4.843."""
    for height, seen in ((3.50, False), (3.52, True)):
        z = np.tile([1.0, -1.0], (40, 20))
        z[17:23, 17:23] += height
        assert (first_estimate(z, (1.0, 1.0)) is not None) is seen, height


def test_a_spot_in_the_outermost_coarse_cell_is_found_in_finer_ones():
    x = np.arange(640.0)
    mx, my, xx, _, yy = first_estimate(100.0 * bell(x, x, (5.0, 6.0), (4.0, 0.0, 4.0)), (1.0, 1.0))
    assert (mx, my) == pytest.approx((5.0, 6.0), abs=1.0)
    assert 4.0 < xx < 12.0
    assert 4.0 < yy < 12.0


def test_the_noise_of_second_moments_by_quadrature():
    """A half side of three radii: u(W)/W = u(s^2)/(2 s^2), u^2(s^2) = noise^2 sum (x^2 - s^2)^2/total^2 over its cells."""
    at = (np.arange(600.0) - 299.5) / 100.0
    share = math.sqrt(((at**2 - 0.25) ** 2).sum() * at.size) / (math.pi / 2.0 * 100.0**2) / (2.0 * 0.25)
    found = gauss2d.Bell((0, 0), (0, 0), (2500.0, 0.0, 2500.0), None, 1.0, 0.0, None, 0.0, 0.01, 2, True)
    assert image._expected_spread(found, (1.0, 1.0), 3) == pytest.approx(0.06 * share, rel=3e-3)
    wide = replace(found, variance=(4 * 2500.0, 0.0, 2500.0))
    assert image._expected_spread(wide, (2.0, 1.0), 3) == pytest.approx(0.06 * share, rel=3e-3)
