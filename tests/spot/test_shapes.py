"""What a scanned opening sees of a Gaussian, against numerical integration of its definition; slopes against differences."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize

from curecalc.spot import knife, profile

AWAY = np.array([-1.3, -0.4, 0.0, 0.2, 0.9])
W = 0.7


def gauss(x):
    return math.exp(-2.0 * (x / W) ** 2)


def edge(x):
    return integrate.quad(gauss, -9.0, x)[0] / integrate.quad(gauss, -9.0, 9.0)[0]


def slit(x):
    return integrate.quad(gauss, x - 0.25, x + 0.25)[0] / 0.5


def pinhole(x):
    """Mean over a disc 0.5 across, strip by strip."""

    def strip(u):
        half = math.sqrt(0.0625 - u * u)
        return gauss(x + u) * integrate.quad(gauss, -half, half)[0]

    return integrate.quad(strip, -0.25, 0.25)[0] / (math.pi * 0.0625)


@pytest.mark.parametrize(
    ("shape", "truth"),
    [(knife._edge, edge), (profile._narrow, gauss), (profile._slit(0.5), slit), (profile._pinhole(0.5), pinhole)],
    ids=["edge", "narrow", "slit", "pinhole"],
)
def test_a_shape_is_its_integral_with_its_slopes(shape, truth):
    value, slope, wide = shape(AWAY, W)
    assert value == pytest.approx([truth(x) for x in AWAY], rel=1e-6)
    h = 1e-5
    assert slope == pytest.approx((shape(AWAY + h, W)[0] - shape(AWAY - h, W)[0]) / (2 * h), abs=1e-8)
    assert wide == pytest.approx((shape(AWAY, W * math.exp(h))[0] - shape(AWAY, W * math.exp(-h))[0]) / (2 * h), abs=1e-8)


def test_the_width_of_an_opening_is_taken_out_of_what_is_measured():
    x = np.linspace(-2.0, 2.0, 25)
    for truth, given, widened in ((slit, {"slit_width": 0.5}, 0.49 + 0.25 / 3.0), (pinhole, {"pinhole_diameter": 0.5}, 0.49 + 0.25 / 4.0)):
        got = profile.profile(x, [3.0 * truth(a) for a in x], **given)
        assert (got.radius, got.peak) == pytest.approx((0.7, 3.0), rel=1e-5)
        assert got.measured_radius == pytest.approx(math.sqrt(widened), rel=1e-5)
        assert got.travel_after == pytest.approx(2.0 / math.sqrt(widened), rel=1e-5)  # in radii as measured


def test_a_pinhole_of_three_radii_is_still_exact():
    """The docstring's promise, against a disc cut into a thousand strips."""
    u = (np.arange(100_000) + 0.5) / 100_000 * 2.1 - 1.05
    chord = np.sqrt(1.05**2 - u**2)
    across = W * math.sqrt(math.pi / 2.0) * np.array([math.erf(math.sqrt(2.0) * c / W) for c in chord])
    mean = (np.exp(-2.0 * ((0.3 + u) / W) ** 2) * across).sum() * 2.1 / 100_000 / (math.pi * 1.05**2)
    assert profile._pinhole(2.1)(np.array([0.3]), W)[0][0] == pytest.approx(mean, rel=1e-6)


X = np.linspace(-3.0, 3.0, 31)
NOISE = 0.01 * np.random.default_rng(8).standard_normal(31)


def test_a_level_edge_and_a_level_peak_as_another_method_fits_them():
    y = 0.2 + (1.0 - 0.004 * X) * knife.knife_edge_power(X, 0.6, 0.3) + NOISE
    level = lambda x, dark, full, w, x0: dark + full * knife.knife_edge_power(x, w, x0)  # noqa: E731
    values, covariance = optimize.curve_fit(level, X, y, [0.0, 1.0, 1.0, 0.0])
    u = np.sqrt(np.diag(covariance))
    for sign, x, wanted in ((1, X, values), (-1, -X, values)):
        got = knife.knife_edge(x, y, drift=False)
        assert not got.weighted
        assert (got.dark, got.full, got.radius, sign * got.centre) == pytest.approx(wanted, rel=1e-5)
        assert (got.u_centre, got.tilt, got.u_tilt, got.drift, got.u_drift) == (pytest.approx(u[3], rel=1e-4), 0.0, 0.0, 0.0, 0.0)
        ends = (got.travel_before, got.travel_after)[::sign]
        assert ends == pytest.approx(((values[3] + 3.0) / values[2], (3.0 - values[3]) / values[2]), rel=1e-5)
    peak = lambda x, dark, top, w, x0: dark + top * np.exp(-2.0 * ((x - x0) / w) ** 2)  # noqa: E731
    y = peak(X, 0.2, 1.0, 0.8, 0.3) + 0.004 * X + NOISE
    values, covariance = optimize.curve_fit(peak, X, y, [0.0, 1.0, 1.0, 0.0])
    got = profile.profile(X, y, tilt=False)
    assert (got.dark, got.peak, got.radius, got.centre) == pytest.approx(values, rel=1e-5)
    assert not got.with_tilt


def test_tilt_and_drift_as_another_method_fits_them():
    y = 0.2 + 0.03 * X + (1.0 - 0.05 * X) * knife.knife_edge_power(X, 0.6, 0.3) + NOISE
    moving = lambda x, dark, full, w, x0, tilt, drift: dark + tilt * x + (full + drift * x) * knife.knife_edge_power(x, w, x0)  # noqa: E731
    values, covariance = optimize.curve_fit(moving, X, y, [0.0, 1.0, 1.0, 0.0, 0.0, 0.0])
    u = np.sqrt(np.diag(covariance))
    got = knife.knife_edge(X, y)
    assert not got.weighted
    assert (got.dark, got.full, got.radius, got.centre, got.tilt, got.drift) == pytest.approx(values, rel=1e-4)
    assert (got.u_centre, got.u_tilt, got.u_drift) == pytest.approx(u[3:], rel=1e-3)
    back = knife.knife_edge(X, y[::-1])  # the same scan from the other side: light where dark was
    assert (back.dark, back.full, back.tilt, back.drift) == pytest.approx((values[0], values[1], -values[4], -values[5]), rel=1e-4)
    assert back.clip.radius == pytest.approx(got.clip.radius, rel=1e-6)
    dark, full, radius, centre, tilt, drift = values
    s = knife.knife_edge_power(X, radius, centre)
    assert got.points_on_edge == ((s > 0.02) & (s < 0.98)).sum()
    near = np.abs(X - centre) < 0.9
    share = ((y - dark - tilt * X - drift * X * s) / full)[near]
    ends = np.interp([0.1, 0.9], share, X[near])
    assert (got.clip.position_low, got.clip.position_high) == pytest.approx(ends, abs=1e-4)
