"""Exposures against the moving beam integrated in time, from nothing but the irradiance of the spot.

No formula of the library is used on the outside: the irradiance 2P/(pi Wx Wy) exp(-2 x^2/Wx^2 - 2 y^2/Wy^2) is written
out here once more and integrated by adaptive quadrature (scipy), by sums of pulses, or by high precision (mpmath).
"""

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from curecalc.physics import laws, line, raster, spot, tilt

RNG = np.random.default_rng(20261125)


def gauss(p, wx, wy, x, y, angle=0.0):
    """Irradiance at (x, y) from the centre of a spot whose axes are turned by angle."""
    c, s = math.cos(angle), math.sin(angle)
    a, b = c * x + s * y, -s * x + c * y
    return 2.0 * p / (math.pi * wx * wy) * math.exp(-2.0 * (a / wx) ** 2 - 2.0 * (b / wy) ** 2)


def in_time(f, half_time, points=()):
    """Integral over time from minus to plus half_time, split so that the peak is not missed."""
    cuts = sorted({-half_time, -half_time / 4, 0.0, half_time / 4, half_time, *points})
    return math.fsum(quad(f, a, b, epsabs=0.0, epsrel=1e-13, limit=200)[0] for a, b in itertools.pairwise(cuts))


def random_settings(n):
    for _ in range(n):
        yield tuple(float(10 ** RNG.uniform(math.log10(a), math.log10(b))) for a, b in ((0.1, 1e3), (5e-3, 1.0), (1.0, 2e4)))


@pytest.mark.parametrize(("p", "w0", "v"), list(random_settings(12)))
def test_line_on_and_off_its_axis(p, w0, v):
    peak = line.scan_exposure(p, w0, v)
    for y in (0.0, 0.3 * w0, -1.1 * w0, 2.0 * w0):
        want = in_time(lambda t: gauss(p, w0, w0, v * t, y), 9.0 * w0 / v)  # noqa: B023
        assert line.line_profile(peak, w0, y) == pytest.approx(want, rel=1e-12, abs=0.0)


@pytest.mark.parametrize(("p", "w0", "v"), list(random_settings(4)))
def test_speed_and_power_that_give_an_exposure_and_a_depth(p, w0, v):
    e = in_time(lambda t: gauss(p, w0, w0, v * t, 0.0), 9.0 * w0 / v)
    assert line.speed_for_exposure(p, w0, e) == pytest.approx(v, rel=1e-12, abs=0.0)
    assert line.power_for_exposure(e, w0, v) == pytest.approx(p, rel=1e-12, abs=0.0)
    dp, ec = 0.15, e / 3.0
    tip = brentq(lambda z: e * math.exp(-z / dp) - ec, 0.0, 5.0, xtol=1e-15)
    assert line.scan_speed(p, w0, dp, ec, tip) == pytest.approx(v, rel=1e-12, abs=0.0)


@pytest.mark.parametrize(("p", "w0", "v"), list(random_settings(3)))
@pytest.mark.parametrize("length", [1e-4, 0.2, 1.0, 7.0])
def test_finite_segment(p, w0, v, length):
    peak, length = line.scan_exposure(p, w0, v), length * w0
    for s in np.array([-1.5, -0.2, 0.0, 0.3, 1.0, 3.0]) * w0:
        end = length / v
        cuts = sorted({0.0, end, min(max(s / v, 0.0), end)})
        want = math.fsum(
            quad(lambda t: gauss(p, w0, w0, s - v * t, 0.0), a, b, epsrel=1e-13)[0]  # noqa: B023
            for a, b in itertools.pairwise(cuts)
        )
        got = peak * line.segment_factor(s, length, w0)
        assert got == pytest.approx(want, rel=1e-11 if s >= 0 else 1e-9)


def test_segment_keeps_its_digits_where_it_is_weak():
    mp = pytest.importorskip("mpmath").mp
    with mp.workdps(40):
        root2 = mp.sqrt(2)
        for s, length in ((1e-6, 3e-6), (-4.0, 2.0), (9.0, 5.0), (2.0, 4.0), (-0.5, 1.0)):
            a, b = root2 * mp.mpf(s), root2 * (mp.mpf(length) - mp.mpf(s))
            want = (mp.erf(a) + mp.erf(b)) / 2
            assert float(abs(line.segment_factor(s, length, 1.0) / want - 1)) < 1e-12


@pytest.mark.parametrize("case", range(10))
def test_elliptical_spot_at_any_track_angle(case):
    p, wx, v = next(random_settings(1))
    wy, angle, track = wx * float(RNG.uniform(0.3, 3.0)), *RNG.uniform(-math.pi, math.pi, 2)
    across = spot.perpendicular_radius(spot.spot_matrix(wx, wy, angle), track)
    peak, big = line.scan_exposure(p, across, v), max(wx, wy)
    for y in (0.0, 0.7 * across):
        # the point lies y to the left of a track that runs in direction `track`
        px, py = -y * math.sin(track), y * math.cos(track)
        want = in_time(
            lambda t: gauss(p, wx, wy, px - v * t * math.cos(track), py - v * t * math.sin(track), angle),  # noqa: B023
            12.0 * big / v,
        )
        assert line.line_profile(peak, across, y) == pytest.approx(want, rel=1e-11, abs=0.0)


@pytest.mark.parametrize("theta_deg", [0.0, 5.0, 20.0, 45.0])
@pytest.mark.parametrize("lean_deg", [0.0, 35.0, 90.0, 210.0])
def test_tilted_beam_by_geometry_in_space(theta_deg, lean_deg):
    """A round beam along a unit vector: irradiance on the flat surface is the beam's times cos theta."""
    p, w0, v = 30.0, 0.125, 1000.0
    theta, lean, track = math.radians(theta_deg), math.radians(lean_deg), math.radians(17.0)
    d = np.array([math.sin(theta) * math.cos(lean), math.sin(theta) * math.sin(lean), -math.cos(theta)])

    def on_surface(x, y):
        r = np.array([x, y, 0.0])
        off_axis = r - (r @ d) * d
        return 2.0 * p / (math.pi * w0**2) * math.exp(-2.0 * (off_axis @ off_axis) / w0**2) * math.cos(theta)

    matrix = spot.stretched((w0**2, 0.0, w0**2), tilt.footprint_factor(theta), lean)
    across = spot.perpendicular_radius(matrix, track)
    for y in (0.0, 0.6 * w0):
        px, py = -y * math.sin(track), y * math.cos(track)
        want = in_time(
            lambda t: on_surface(px - v * t * math.cos(track), py - v * t * math.sin(track)),  # noqa: B023
            12.0 * w0 / v / math.cos(theta),
        )
        assert line.line_profile(line.scan_exposure(p, across, v), across, y) == pytest.approx(want, rel=1e-11, abs=0.0)
    along = spot.along_radius(matrix, track)
    assert on_surface(0.0, 0.0) == pytest.approx(2.0 * p / (math.pi * along * across), rel=1e-12, abs=0.0)


@pytest.mark.parametrize("y", [0.0, 0.05, -0.1, 0.1249, 0.125, 0.2])
def test_top_hat_line(y):
    p, r, v = 30.0, 0.125, 1000.0
    half = math.sqrt(max(r * r - y * y, 0.0)) / v
    flat = p / (math.pi * r * r)
    want = in_time(lambda t: flat if (v * t) ** 2 + y * y <= r * r else 0.0, 2 * r / v, (-half, half))
    assert line.top_hat_exposure(p, r, v, y) == pytest.approx(want, rel=1e-10, abs=1e-300)
    assert spot.top_hat_irradiance(p, r) == pytest.approx(flat, rel=1e-15, abs=0.0)


@pytest.mark.parametrize("w", [0.5, 0.887, 1.0, 1.4])
def test_power_threshold_law_integrated(w):
    p, along, across, v, dp, ec, i_ref = 30.0, 0.1, 0.16, 900.0, 0.12, 0.05, 60.0

    def dose(z, y=0.0):
        f = lambda t: (gauss(p, along, across, v * t, y) * math.exp(-z / dp)) ** w  # noqa: E731
        return in_time(f, 12 * along / v)

    needed = i_ref**w * (ec / i_ref)  # what the irradiance i_ref gives in the time that makes the exposure ec
    s = line.equivalent_exposure(p, along, across, v, w, i_ref)
    assert s * i_ref ** (w - 1.0) == pytest.approx(dose(0.0), rel=1e-12, abs=0.0)
    tip = brentq(lambda z: dose(z) / needed - 1.0, 0.0, 2.0, xtol=1e-14)
    assert laws.Threshold(dp, ec, w).depth(s) == pytest.approx(tip, rel=1e-11, abs=0.0)
    assert laws.Threshold(dp, ec, w).dose(tip) == pytest.approx(s, rel=1e-11, abs=0.0)
    assert laws.Threshold(dp, 1.0, w).below(s, 0.1) * i_ref ** (w - 1.0) == pytest.approx(dose(0.1), rel=1e-12, abs=0.0)
    assert line.line_profile(s, across / math.sqrt(w), 0.1) * i_ref ** (w - 1.0) == pytest.approx(dose(0.0, 0.1), rel=1e-12)


def lines_in_time(p, w0, v, h, y, reach=9.0):
    """A raster, line by line, each integrated in time by the trapezoid rule (exact to 1e-15 for a Gaussian at W0/8)."""
    t = np.arange(-9.0 * w0, 9.0 * w0, w0 / 8.0) / v
    first = math.floor(y / h - reach * w0 / h)
    last = math.ceil(y / h + reach * w0 / h)
    total = []
    for k in range(first, last + 1):
        i = 2.0 * p / (math.pi * w0**2) * np.exp(-2.0 * ((v * t) ** 2 + (y - k * h) ** 2) / w0**2)
        total.append(math.fsum(i) * (t[1] - t[0]))
    return math.fsum(total)


@pytest.mark.parametrize("s", [0.05, 0.1, 0.3, 0.5, 0.8, 1.0, 1.2, 1.25, 1.26, 1.5, 1.89, 1.91, 2.5, 4.0, 7.0, 12.0, 20.0])
def test_raster_from_its_lines(s):
    p, w0, v = 30.0, 0.125, 1000.0
    h = s * w0
    mean = raster.mean_exposure(p, v, h)
    for u in (0.0, 0.1, 0.25, 0.37, -0.37, 0.5, 1.5, 17.25):
        reach = 9.0 if s < 4 else 60.0
        want = lines_in_time(p, w0, v, h, u * h, reach)
        assert mean * raster.profile(u, s) == pytest.approx(want, rel=4e-14, abs=0.0)
    assert mean * raster.ridge(s) == pytest.approx(lines_in_time(p, w0, v, h, 0.0, reach), rel=4e-14, abs=0.0)
    assert mean * raster.valley(s) == pytest.approx(lines_in_time(p, w0, v, h, 0.5 * h, reach), rel=4e-14, abs=0.0)


def test_raster_ripple_has_all_its_digits():
    mp = pytest.importorskip("mpmath").mp
    with mp.workdps(60):
        for s in (0.05, 0.1, 0.2, 0.5, 0.9, 1.2, 1.2533, 1.2534, 1.4, 2.0, 3.5, 8.0, 20.0):
            q = mp.exp(-(mp.pi**2) / (2 * mp.mpf(s) ** 2))
            want = 4 * sum(q ** ((2 * m + 1) ** 2) for m in range(60))
            # an exponent of some hundreds carries its own rounding into the value
            allowed = (4e-15 + 4e-16 * float(-mp.log(q))) * want + mp.mpf("1e-300")
            assert abs(raster.ripple(s) - want) <= allowed, s
            assert abs(raster.ripple(np.array([s, 0.7]))[0] - want) <= allowed, s


def test_mean_of_a_raster_is_power_over_area_rate():
    p, w0, v, h = 30.0, 0.125, 1000.0, 0.3
    u = (np.arange(4000) + 0.5) / 4000
    mean = np.mean(raster.profile(u, h / w0)) * raster.mean_exposure(p, v, h)
    assert mean == pytest.approx(p / (v * h), rel=1e-12, abs=0.0)


def test_four_neighbours_each_side_hold_nearly_all():
    """`gibson2015` p. 92: about 99 % at h/W0 >= 0.5; 99.9997 % there by this sum."""
    h, w0 = 0.5, 1.0
    nine = math.fsum(line.line_profile(1.0, w0, k * h) for k in range(-4, 5))
    all_of_them = raster.ridge(h / w0) * math.sqrt(math.pi / 2) / (h / w0)
    assert 100 * nine / all_of_them == pytest.approx(99.9997, abs=0.00005)


@pytest.mark.parametrize("d", [0.2, 0.9, 1.3, 2.4, 5.0])
def test_pulses_along_a_track(d):
    """Each pulse drops a whole spot of energy P/f at once; on the axis their fluences add."""
    p, w0, f = 30.0, 0.125, 5e3
    v = d * w0 * f
    mean = line.scan_exposure(p, w0, v)
    for u, got in ((0.0, raster.ridge(d)), (0.5, raster.valley(d)), (0.2, raster.profile(0.2, d))):
        k = np.arange(-200, 201)
        want = math.fsum(gauss(p / f, w0, w0, (u - n) * d * w0, 0.0) for n in k)
        assert mean * got == pytest.approx(want, rel=1e-13, abs=0.0)


@pytest.mark.parametrize("level", [3e-9, 0.02, 0.8, 1.3, 40.0])
def test_spacing_whose_weakest_place_has_an_exposure(level):
    """Brute force root of the sum over lines, relative to the peak of one."""

    def valley_over_peak(s):
        k = np.arange(0, 4000) + 0.5
        return 2.0 * math.fsum(np.exp(-2.0 * (k * s) ** 2))

    want = brentq(lambda x: math.log(valley_over_peak(math.exp(x)) / level), math.log(0.003), math.log(10.0), xtol=1e-15)
    assert raster.spacing_ratio(level) == pytest.approx(math.exp(want), rel=1e-12, abs=0.0)
    assert raster.breakup_ratio(level) == pytest.approx(math.exp(want), rel=1e-12, abs=0.0)


def test_spacing_ratio_far_beyond_any_use():
    s = raster.spacing_ratio(np.array([1e-300, 1e-200, 1e-20, 1.0, 1e20, 1e200]))
    assert np.all(np.diff(s) < 0)
    # two equal neighbours: 2 exp(-s^2/2) at large s; the mean sqrt(pi/2)/s at small s
    assert s[0] == pytest.approx(math.sqrt(2.0 * math.log(2e300)), rel=1e-12, abs=0.0)
    assert s[-1] == pytest.approx(math.sqrt(math.pi / 2) / 1e200, rel=1e-12, abs=0.0)
