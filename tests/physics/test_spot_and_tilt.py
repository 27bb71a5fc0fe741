"""Spots, focus, tilt and roots against moments on a grid, complex beam parameters, least time, Maxwell's conditions."""

import cmath
import math

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.optimize import minimize_scalar

from curecalc.physics import roots, spot, tilt


def grid_of(wx, wy, angle, n=401, reach=6.0):
    edge = reach * max(wx, wy)
    x = np.linspace(-edge, edge, n)
    X, Y = np.meshgrid(x, x, indexing="ij")
    c, s = math.cos(angle), math.sin(angle)
    return X, Y, spot.irradiance(1.0, wx, wy, c * X + s * Y, -s * X + c * Y), (x[1] - x[0]) ** 2


@pytest.mark.parametrize(("wx", "wy", "angle"), [(0.1, 0.1, 0.0), (0.1, 0.2, 0.0), (0.3, 0.1, 0.7), (0.1, 0.25, -2.1)])
def test_irradiance_holds_the_power_and_the_width_matrix_its_second_moments(wx, wy, angle):
    """ISO 11146: the 1/e^2 radius of a Gaussian is twice the square root of its variance."""
    X, Y, i, area = grid_of(wx, wy, angle)
    assert i.sum() * area == pytest.approx(1.0, rel=1e-12, abs=0.0)
    moments = [4.0 * (i * a * b).sum() * area for a, b in ((X, X), (X, Y), (Y, Y))]
    assert spot.spot_matrix(wx, wy, angle) == pytest.approx(moments, rel=1e-11, abs=1e-15)
    for track in (0.0, 0.4, 2.0, -1.0):
        across = -math.sin(track) * X + math.cos(track) * Y
        want = 2.0 * math.sqrt((i * across * across).sum() * area)
        assert spot.perpendicular_radius(spot.spot_matrix(wx, wy, angle), track) == pytest.approx(want, rel=1e-11, abs=0.0)
        assert spot.along_radius(spot.spot_matrix(wx, wy, angle), track) * want == pytest.approx(wx * wy, rel=1e-10, abs=0.0)


@pytest.mark.parametrize(("factor", "direction"), [(1.0, 0.3), (1.2, 0.0), (1.5, 1.1), (2.0, -2.5)])
def test_stretching_a_spot_stretches_its_second_moments(factor, direction):
    wx, wy, angle = 0.1, 0.2, 0.6
    X, Y, i, area = grid_of(wx, wy, angle)
    c, s = math.cos(direction), math.sin(direction)
    along, across = factor * (c * X + s * Y), -s * X + c * Y
    x, y = c * along - s * across, s * along + c * across
    moments = [4.0 * (i * a * b).sum() * area for a, b in ((x, x), (x, y), (y, y))]
    assert spot.stretched(spot.spot_matrix(wx, wy, angle), factor, direction) == pytest.approx(moments, rel=1e-11, abs=0.0)


@pytest.mark.parametrize("r", [0.01, 0.05, 0.125, 0.3])
def test_power_inside_a_circle(r):
    w0 = 0.125
    want = dblquad(lambda a, x: x * spot.irradiance(1.0, w0, w0, x * math.cos(a), x * math.sin(a)), 0, r, 0, 2 * math.pi)[0]
    assert spot.enclosed_power(r, w0) == pytest.approx(want, rel=1e-9, abs=0.0)


def test_enclosed_power_of_a_tiny_circle_keeps_its_digits():
    assert spot.enclosed_power(1e-9, 1.0) == pytest.approx(2e-18, rel=1e-12, abs=0.0)


def test_half_maximum_and_second_moment_widths():
    w0 = 0.125
    half = spot.irradiance(1.0, w0, w0, 0.5 * spot.FWHM_PER_RADIUS * w0, 0.0)
    assert half == pytest.approx(0.5 * spot.irradiance(1.0, w0, w0, 0.0, 0.0), rel=1e-15, abs=0.0)
    i = lambda x: spot.irradiance(1.0, w0, w0, x, 0.0)  # noqa: E731
    variance = quad(lambda x: x * x * i(x), -1, 1, points=[0.0])[0] / quad(i, -1, 1, points=[0.0])[0]
    assert 4.0 * math.sqrt(variance) / w0 == pytest.approx(spot.D4SIGMA_PER_RADIUS, rel=1e-8, abs=0.0)


def test_top_hat_holds_the_power():
    assert quad(lambda r: 2 * math.pi * r * spot.top_hat_irradiance(7.0, 0.3), 0, 0.3)[0] == pytest.approx(7.0)


@pytest.mark.parametrize("m2", [1.0, 1.3, 4.0])
def test_focus_by_the_complex_beam_parameter(m2):
    """A beam of quality M^2 is M times as wide everywhere as its embedded Gaussian, whose q grows by the distance."""
    w0, wavelength = 0.0625, 355e-6
    zr = spot.rayleigh_range(w0, m2, wavelength)
    for z in (-200.0, -5.0, 0.0, 26.59, 400.0):
        q = z + 1j * math.pi * (w0 / math.sqrt(m2)) ** 2 / wavelength
        embedded = math.sqrt(-wavelength / (math.pi * (1 / q).imag))
        want = math.sqrt(m2) * embedded
        assert spot.caustic_radius(z, w0, zr) == pytest.approx(want, rel=1e-13, abs=0.0)
        assert spot.defocus_for_radius(max(want, w0), w0, zr) == pytest.approx(abs(z), rel=1e-9, abs=1e-6)
    # the far field opens at M^2 lambda/(pi W0)
    assert spot.caustic_radius(1e6, w0, zr) / 1e6 == pytest.approx(m2 * wavelength / (math.pi * w0), rel=1e-8, abs=0.0)


# tilt


@pytest.mark.parametrize("n", [1.0, 1.3, 1.5, 2.2])
@pytest.mark.parametrize("deg", [0.0, 8.0, 20.0, 45.0, 79.0])
def test_refraction_is_the_way_of_least_time(n, deg):
    """Fermat: from a point above to a point below the surface, the crossing that takes the least time."""
    theta = math.radians(deg)
    inside = tilt.refraction_angle(theta, n)
    # build the two end points from the angles; least time must cross at the origin
    start = np.array([-math.tan(theta), 1.0])
    goal = np.array([math.tan(inside), -1.0])
    time = lambda x: math.hypot(x - start[0], start[1]) + n * math.hypot(goal[0] - x, goal[1])  # noqa: E731
    best = minimize_scalar(time, bracket=(start[0] - 0.1, goal[0] + 0.1), tol=1e-14).x
    assert best == pytest.approx(0.0, abs=2e-7 * (1 + abs(start[0])))
    assert tilt.vertical_factor(theta, n) == pytest.approx(1.0 / math.hypot(1.0, math.tan(inside)), rel=1e-12, abs=0.0)


@pytest.mark.parametrize("n", [1.0, 1.3, 1.5, 2.2])
@pytest.mark.parametrize("deg", [0.0, 8.0, 20.0, 45.0, 56.3, 79.0])
def test_reflection_from_the_conditions_at_the_surface(n, deg):
    """Tangential E and H continuous: two linear equations for each polarisation, solved numerically."""
    theta = math.radians(deg)
    c1, c2 = math.cos(theta), cmath.sqrt(1 - (math.sin(theta) / n) ** 2).real
    # s: 1 + r = t; (1 - r) c1 = n t c2.   p: (1 - r) c1 = t c2; 1 + r = n t
    rs, ts = np.linalg.solve([[-1.0, 1.0], [c1, n * c2]], [1.0, c1])
    rp, tp = np.linalg.solve([[c1, c2], [-1.0, n]], [c1, 1.0])
    s, p, mean = tilt.fresnel_loss(theta, n)
    assert s == pytest.approx(rs**2, abs=1e-14)
    assert p == pytest.approx(rp**2, abs=1e-14)
    assert mean == pytest.approx(0.5 * (rs**2 + rp**2), abs=1e-14)
    assert s + n * c2 / c1 * ts**2 == pytest.approx(1.0, abs=1e-13)
    assert p + n * c2 / c1 * tp**2 == pytest.approx(1.0, abs=1e-13)
    straight = ((1.0 - n) / (1.0 + n)) ** 2
    assert tilt.transmission_ratio(theta, n) == pytest.approx((1 - mean) / (1 - straight), rel=1e-13, abs=0.0)


def test_spot_speed_and_incidence_from_the_position_of_the_spot():
    height, omega, theta, dt = 900.0, 3.0, 0.35, 1e-6
    moved = height * (math.tan(theta + 0.5 * omega * dt) - math.tan(theta - 0.5 * omega * dt)) / dt
    assert tilt.surface_speed(height, omega, theta) == pytest.approx(moved, rel=1e-8, abs=0.0)
    assert tilt.incidence_angle(height * math.tan(theta), height) == pytest.approx(theta, rel=1e-14, abs=0.0)
    assert tilt.footprint_factor(theta) == pytest.approx(math.hypot(1.0, math.tan(theta)), rel=1e-14, abs=0.0)


# roots


def test_falling_root_of_known_functions():
    target = np.array([0.9, 0.5, 1e-6])
    assert roots.falling_root(lambda x: np.exp(-x), target, 0.0, 50.0) == pytest.approx(-np.log(target), rel=1e-14, abs=0.0)
    assert roots.falling_root(lambda x: -(x**3), -8.0, -10.0, 10.0) == pytest.approx(2.0, rel=1e-14, abs=0.0)


def test_falling_root_outside_its_bracket_is_the_end():
    assert roots.falling_root(lambda x: -x, 5.0, 0.0, 1.0) == pytest.approx(0.0, abs=1e-20)
    assert roots.falling_root(lambda x: -x, -5.0, 0.0, 1.0) == pytest.approx(1.0)


@pytest.mark.parametrize("wanted", [[0.3], [0.01, 0.5], [0.2, 0.2000001, 7.0], [1e-3, 1.0, 2.0, 90.0], [], [0.5, 0.5 * (1 + 1e-5)]])
def test_all_roots_of_polynomials_are_found(wanted):
    f = lambda x: math.prod(np.log(x / r) for r in wanted) + 0.0 * x  # noqa: E731
    got = roots.all_roots(f, 1e-4, 1e3)
    assert roots.all_roots(lambda x: -f(x), 1e-4, 1e3) == got
    assert [low for low, _ in got] == pytest.approx(wanted, rel=1e-10, abs=0.0)
    assert all(low == high for low, high in got)


def test_roots_that_no_number_meets_exactly():
    assert roots.all_roots(lambda x: x * x - 2.0, 0.1, 10.0) == [(pytest.approx(math.sqrt(2.0), rel=1e-15, abs=0.0),) * 2]
    assert roots.all_roots(lambda x: 3.0 - x * x, 0.1, 10.0) == [(pytest.approx(math.sqrt(3.0), rel=1e-15, abs=0.0),) * 2]
    # a pair nearer than the grid, on either side of an irrational place
    for sign in (1.0, -1.0):
        pair = roots.all_roots(lambda x: sign * ((x - math.e) ** 2 - 1e-8), 0.1, 10.0)  # noqa: B023
        assert [low for low, _ in pair] == pytest.approx([math.e - 1e-4, math.e + 1e-4], rel=1e-9, abs=0.0)


def test_roots_at_the_ends_of_the_range_count():
    assert roots.all_roots(lambda x: x - 1.0, 1.0, 10.0) == [(1.0, 1.0)]
    assert roots.all_roots(lambda x: x - 10.0, 1.0, 10.0) == [(pytest.approx(10.0), pytest.approx(10.0))]


def test_a_flat_part_is_an_interval_of_roots():
    f = lambda x: np.maximum(x - 3.0, 0.0) + np.minimum(x - 2.0, 0.0)  # noqa: E731
    assert roots.all_roots(f, 0.1, 100.0, 1e-12) == [(pytest.approx(2.0, rel=1e-9), pytest.approx(3.0, rel=1e-9))]
    noisy = lambda x: np.where(x < 2.0, x - 2.0, 1e-15 * np.sin(1e9 * x))  # noqa: E731
    assert roots.all_roots(noisy, 0.1, 100.0, 1e-12) == [(pytest.approx(2.0, rel=1e-9), pytest.approx(100.0, rel=1e-12))]


def test_a_function_without_roots_has_none():
    assert roots.all_roots(lambda x: 1.0 + (x - 2.0) ** 2, 0.1, 10.0) == []
