"""The hyperbola through the widths of a caustic beside a general library: covariance, what follows from it, a width that fits none."""

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import t as student

from curecalc.spot import caustic as module
from curecalc.spot.caustic import _start, caustic, coverage, defocus_window
from curecalc.spot.focus import caustic_beam
from curecalc.units import Quantity as Q

LAMBDA = 355e-6
Z = 400.0 + 26.0 * np.array([-3.5, -2.8, -2.2, -0.9, -0.5, 0.0, 0.4, 0.8, 2.1, 2.7, 3.3])
WIDTHS = np.hypot(0.06, 0.06 / 26.0 * (Z - 405.0)) + 1e-3 * np.random.default_rng(5).standard_normal(Z.size)


def curve(z, waist, at, half):
    return np.hypot(waist, half * (z - at))


def through(z, w, **more):
    return curve_fit(curve, z, w, (0.06, 400.0, 0.0023), xtol=1e-12, ftol=1e-12, **more)


@pytest.mark.parametrize("errors", ["equal", "relative", "stated", "positions too"])
def test_parameters_and_covariance_agree_with_a_general_library(errors):
    u = np.linspace(1.2e-3, 0.8e-3, Z.size)
    best, spread = through(Z, WIDTHS)
    if errors == "relative":
        best, spread = through(Z, WIDTHS, sigma=WIDTHS)
    if errors in ("stated", "positions too"):
        best, spread = through(Z, WIDTHS, sigma=u, absolute_sigma=True)
    if errors == "positions too":  # half a millimetre counts by the slope of the curve
        slope = best[2] ** 2 * (Z - best[1]) / curve(Z, *best)
        best, spread = through(Z, WIDTHS, sigma=np.hypot(u, 0.5 * slope), absolute_sigma=True)
    more = {"equal": {}, "relative": {"relative": True}, "stated": {"u_radius": u}, "positions too": {"u_radius": u, "u_position": 0.5}}
    got = caustic(position=Z, radius=WIDTHS, wavelength=LAMBDA, **more[errors])
    assert got.converged
    assert (got.waist_radius, got.position, got.divergence) == pytest.approx((best[0], best[1], 2.0 * best[2]), rel=1e-6)
    assert got.covariance == pytest.approx(spread, rel=1e-4)
    assert (got.u_waist_radius, got.u_position, got.u_divergence) == pytest.approx(np.sqrt(np.diag(spread)) * (1.0, 1.0, 2.0), rel=1e-4)
    assert (got.weighted, got.chi_squared is None, got.degrees_of_freedom) == (errors != "equal", errors in ("equal", "relative"), 8)
    # M^2 = pi W0 half/lambda, zR = W0/half and the width at a place, with slopes by differences
    for value, u_value, how in (
        (got.beam_quality, got.u_beam_quality, lambda p: math.pi * p[0] * p[2] / LAMBDA),
        (got.rayleigh_range, got.u_rayleigh_range, lambda p: p[0] / p[2]),
        (got.radius_at(450.0), got.u_radius_at(450.0), lambda p: curve(450.0, *p)),
    ):
        steps = 1e-5 * np.diag(best)
        slopes = np.array([(how(best + s) - how(best - s)) / (2.0 * s.max()) for s in steps])
        assert (value, u_value) == (pytest.approx(how(best), rel=1e-6), pytest.approx(math.sqrt(slopes @ spread @ slopes), rel=1e-4))


@pytest.mark.parametrize("sigma", [None, np.linspace(2.0, 1.0, Z.size)])
@pytest.mark.parametrize("k", [0, 5, 9])
def test_a_width_is_wild_where_chance_would_once_in_a_thousand(sigma, k):
    """Off the curve through the others by Student's factor at 0.001 over the number of widths, times its own spread and the curve's."""
    keep = np.arange(Z.size) != k
    best, spread = through(Z[keep], WIDTHS[keep], sigma=None if sigma is None else sigma[keep])
    one = np.ones(Z.size) if sigma is None else sigma
    scatter = math.sqrt((((WIDTHS[keep] - curve(Z[keep], *best)) / one[keep]) ** 2).sum() / 7.0)
    away = curve(Z[k], *best)
    slope = np.array([best[0], -(best[2] ** 2) * (Z[k] - best[1]), best[2] * (Z[k] - best[1]) ** 2]) / away
    limit = student.isf(5e-4 / Z.size, 7) * math.sqrt((scatter * one[k]) ** 2 + slope @ spread @ slope)
    for times, said in ((0.99, None), (1.01, k)):
        w = np.where(keep, WIDTHS, away + times * limit)
        got = caustic(position=Z, radius=w, wavelength=LAMBDA, u_radius=None if sigma is None else 2e-3 * sigma)
        assert got.wild == said


def test_a_wild_width_needs_seven_and_scatter():
    exact = np.hypot(0.06, 0.06 / 26.0 * (Z - 400.0))
    assert caustic(position=Z, radius=exact + 1e-7 * (Z[4] == Z), wavelength=LAMBDA).wild == 4
    assert caustic(position=Z, radius=exact + 1e-10 * (Z[4] == Z), wavelength=LAMBDA).wild is None  # rounding
    few = np.array([0, 2, 4, 5, 6, 8, 10])
    assert caustic(position=Z[few], radius=(exact + 0.02 * (Z[8] == Z))[few], wavelength=LAMBDA).wild == 5
    six = np.array([0, 2, 4, 6, 8, 10])
    assert caustic(position=Z[six], radius=(exact + 0.02 * (Z[8] == Z))[six], wavelength=LAMBDA).wild is None


@pytest.mark.parametrize("at", [5, 11])
def test_a_wild_width_is_looked_for_by_how_far_the_curve_can_follow_it(at):
    """The curve follows the twelfth, far from the others, so that the residual of another is the largest."""
    z = np.array([-3.0, -2.5, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 2.5, 3.0, 20.0])
    w = np.hypot(1.0, z) + 1e-4 * np.array([1, -1, -1, -1, 1, 1, 1, 1, -1, -1, 1, 0])
    w[at] += 0.03
    got = caustic(position=z, radius=w, wavelength=1.0)
    assert got.wild == at
    assert int(np.argmax(np.abs(got.residuals))) != 11


def test_a_first_estimate_of_a_waist():
    t = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    assert _start(t, np.hypot(0.5, 2.0 * (t - 0.25))) == pytest.approx([0.5, 0.25, 2.0])
    # widths that bend the wrong way: the least of them, and the steepest way up from it, sqrt(2^2 - 1)/1
    assert _start(t, np.array([1.0, 2.0, 2.2, 2.3, 2.2])) == pytest.approx([1.0, -2.0, math.sqrt(3.0)])
    # a parabola that dips below zero has no waist
    assert _start(t, np.array([6.0, 1.0, 0.9, 1.0, 6.0])) == pytest.approx([0.9, 0.0, math.sqrt(36.0 - 0.81) / 2.0])


def test_a_fit_that_comes_out_below_zero_is_the_same_curve(monkeypatch):
    plain = caustic(position=Z, radius=WIDTHS, wavelength=LAMBDA)
    for start in ([-0.06, 0.0, 0.0023], [0.06, 0.0, -0.0023], [-0.06, 0.0, -0.0023]):
        monkeypatch.setattr(module, "_start", lambda t, w, start=start: start)
        got = caustic(position=Z, radius=WIDTHS, wavelength=LAMBDA)
        assert (got.waist_radius, got.divergence) == pytest.approx((plain.waist_radius, plain.divergence), rel=1e-6)
        assert got.covariance == pytest.approx(plain.covariance, rel=1e-4)
    # a line without slope has no Rayleigh length
    monkeypatch.setattr(module, "_start", lambda t, w: [0.06, 0.0, 0.0])
    flat = caustic(position=Z, radius=np.full(Z.size, 0.06), wavelength=LAMBDA)
    assert (flat.rayleigh_range, flat.u_rayleigh_range, flat.beam_quality) == (math.inf, 0.0, 0.0)


def test_widths_on_one_side_of_a_far_waist_come_back():
    z = np.linspace(30.0, 300.0, 12)
    got = caustic(position=z, radius=np.hypot(0.06, 0.06 / 26.0 * z), wavelength=LAMBDA)
    assert (got.waist_radius, got.position, got.rayleigh_range) == (
        pytest.approx(0.06, rel=1e-6),
        pytest.approx(0.0, abs=1e-5),
        pytest.approx(26.0, rel=1e-6),
    )


def test_the_defocus_at_the_waist_itself():
    assert defocus_window(waist_radius=2.0, rayleigh_range=10.0, radius=2.0) == (
        0.0,
        (pytest.approx(-10.0 * math.sqrt(1.05**2 - 1.0)), pytest.approx(10.0 * math.sqrt(1.05**2 - 1.0))),
    )
    low = defocus_window(waist_radius=0.9, rayleigh_range=10.0, radius=1.0, tolerance=0.1)
    assert low[1][0] == pytest.approx(-low[1][1])  # the waist itself is just within the tolerance


def test_zones_count_their_ends():
    rule = coverage([1.0, 1.01, 1.99, 2.0, -3.0], 0.0, 1.0)
    assert (rule.positions, rule.within_one, rule.between, rule.beyond_two) == (5, 1, 2, 2)


def test_notes_name_the_axis_where_there_are_two():
    rough = Q(WIDTHS + 0.03 * np.cos(9.0 * Z), "mm")
    given = {"position": Q(Z, "mm"), "radius_x": rough, "wavelength": Q(355.0, "nm")}
    one, two = caustic_beam(**given), caustic_beam(**given, radius_y=rough)
    assert any(n.startswith("M^2 is uncertain by") for n in one.notes)
    assert [sum(n.startswith(f"{axis} axis: M^2 is uncertain by") for n in two.notes) for axis in "xy"] == [1, 1]
    assert (one.radius_y, len(one.notes) - 1) == (None, len(two.notes) / 2)  # one more: that the beam is taken as round
