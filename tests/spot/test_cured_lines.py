"""Cured lines against scipy's least squares in other unknowns: v0 and W0, Dp or Ec themselves in place of their logarithms."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from curecalc.spot.cured import cured_lines
from curecalc.spot.indirect import cured_line_beam
from curecalc.units import Quantity as Q

V = np.array([200.0, 300.0, 450.0, 700.0, 1100.0, 1700.0, 2600.0, 4000.0])
RNG = np.random.default_rng(12)
WIDTH = 0.125 * np.sqrt(2.0 * np.log(8000.0 / V)) + 2e-3 * RNG.standard_normal(8)
DEPTH = 0.15 * np.log(8000.0 / V) + 4e-3 * RNG.standard_normal(8)
POWER = 100.0


def width_of(v, radius, v0):
    return radius * np.sqrt(2.0 * np.log(v0 / v))


def depth_of(v, dp, v0):
    return dp * np.log(v0 / v)


def width_of_ec(v, ec, v0):
    return width_of(v, math.sqrt(2.0 / math.pi) * POWER / (ec * v0), v0)


def fitted(model, readings, first, **more):
    values, covariance = optimize.curve_fit(model, V, readings, first, **more)
    return values, np.sqrt(np.diag(covariance))


def test_widths_alone_as_another_method_fits_them():
    got = cured_lines(scan_speed=V, line_width=WIDTH, power=POWER)
    (radius, v0), (u_radius, u_v0) = fitted(width_of, WIDTH, [0.1, 9000.0])
    assert (got.radius, got.u_radius) == pytest.approx((radius, u_radius), rel=1e-4)
    assert (got.vanishing_speed, got.u_log_vanishing_speed) == pytest.approx((v0, u_v0 / v0), rel=1e-4)
    (ec, _), (u_ec, _) = fitted(width_of_ec, WIDTH, [0.08, 9000.0])  # W0 and v0 err together: Ec knows it
    assert (got.critical_exposure, got.u_critical_exposure) == pytest.approx((ec, u_ec), rel=1e-4)
    assert (got.degrees_of_freedom, got.penetration_depth, got.depth_sd, got.agreement_p) == (6, None, None, None)
    assert got.width_sd == pytest.approx(math.sqrt(((WIDTH - width_of(V, radius, v0)) ** 2).sum() / 6.0), rel=1e-6)
    sure = cured_lines(scan_speed=V, line_width=WIDTH, power=POWER, u_power=5.0)
    assert sure.u_critical_exposure / ec == pytest.approx(math.hypot(u_ec / ec, 0.05), rel=1e-4)


def test_depths_alone_as_another_method_fits_them():
    got = cured_lines(scan_speed=V, cure_depth=DEPTH, power=POWER)
    (dp, v0), (u_dp, u_v0) = fitted(depth_of, DEPTH, [0.1, 9000.0])
    assert (got.penetration_depth, got.u_penetration_depth) == pytest.approx((dp, u_dp), rel=1e-4)
    assert (got.vanishing_speed, got.u_log_vanishing_speed) == pytest.approx((v0, u_v0 / v0), rel=1e-4)
    assert (got.degrees_of_freedom, got.radius, got.width_sd, got.critical_exposure) == (6, None, None, None)


def test_widths_and_depths_together_as_another_method_fits_them():
    width = np.where(V == 700.0, np.nan, WIDTH)
    got = cured_lines(scan_speed=V, line_width=width, cure_depth=DEPTH)
    has = np.isfinite(width)
    lone = [cured_lines(scan_speed=V[has], line_width=width[has]), cured_lines(scan_speed=V, cure_depth=DEPTH)]
    sigma = np.repeat([lone[0].width_sd, lone[1].depth_sd], [7, 8])
    both = lambda _, radius, dp, v0: np.concatenate([width_of(V[has], radius, v0), depth_of(V, dp, v0)])  # noqa: E731
    values, covariance = optimize.curve_fit(both, None, np.concatenate([width[has], DEPTH]), [0.1, 0.1, 9000.0], sigma=sigma)
    u = np.sqrt(np.diag(covariance))
    assert (got.radius, got.penetration_depth, got.vanishing_speed) == pytest.approx(values, rel=1e-4)
    assert (got.u_radius, got.u_penetration_depth, got.u_log_vanishing_speed * values[2]) == pytest.approx(u, rel=1e-4)
    assert got.degrees_of_freedom == 5  # of the widths, fewer than the depths' six
    gap = math.log(lone[0].vanishing_speed / lone[1].vanishing_speed)
    spread = math.hypot(*(one.u_log_vanishing_speed for one in lone))
    assert got.agreement_p == pytest.approx(2.0 * stats.t.sf(abs(gap) / spread, 5), rel=1e-6)


@pytest.mark.parametrize(("v0", "agree"), [(8000.0, 1.0), (8100.0, 0.0)])
def test_lines_without_scatter_agree_or_do_not(v0, agree):
    got = cured_lines(scan_speed=V, line_width=width_of(V, 0.125, 8000.0), cure_depth=depth_of(V, 0.15, v0))
    assert got.agreement_p == pytest.approx(agree, abs=1e-3)
    assert got.converged


def test_lines_that_barely_show_are_fitted_to_where_they_end():
    """The fastest line is drawn a hair below the speed at which it vanishes."""
    v = np.append(V, 7999.0)
    got = cured_lines(scan_speed=v, line_width=width_of(v, 0.125, 8000.0))
    assert (got.radius, got.vanishing_speed, got.converged) == (pytest.approx(0.125, rel=1e-6), pytest.approx(8000.0, rel=1e-6), True)
    both = cured_lines(scan_speed=v, line_width=width_of(v, 0.125, 8000.0), cure_depth=depth_of(v, 0.15, 8000.0))
    assert (both.radius, both.vanishing_speed, both.converged) == (pytest.approx(0.125, rel=1e-6), pytest.approx(8000.0, rel=1e-6), True)


@pytest.mark.parametrize("lines", [[0.2] * 8, [0.3] * 8, np.linspace(0.1, 0.2, 8), np.linspace(0.2001, 0.2, 8)])
@pytest.mark.parametrize(("column", "what"), [("line_width", "narrower"), ("cure_depth", "shallower")])
def test_lines_that_do_not_fall_with_speed_tell_nothing(lines, column, what):
    """Nor do those that fall by so little that v0 is beyond all numbers."""
    with pytest.raises(ValueError, match=f"do not get {what} as the speed rises"):
        cured_lines(scan_speed=V, **{column: np.array(lines)})


def test_without_a_power_the_rest_of_a_line_is_told():
    got = cured_line_beam(scan_speed=Q(V, "mm/s"), line_width=Q(WIDTH, "mm"), cure_depth=Q(DEPTH, "mm"))
    assert "critical_exposure" not in got.details
    assert [s.formula for s in got.steps] == ["width^2 = 2 W0^2 ln(v0/v)", "depth = Dp ln(v0/v)"]
    more = cured_line_beam(scan_speed=Q(V, "mm/s"), line_width=Q(WIDTH, "mm"), cure_depth=Q(DEPTH, "mm"), power=Q(POWER, "mW"))
    assert more.steps[-1].formula == "Ec = sqrt(2/pi) P/(W0 v0)"
    assert [p.degrees_of_freedom for p in more.radius_x.parts] == [6, math.inf]
    found = more.fits[0][1]
    for name, unit in (("penetration_depth", "mm"), ("critical_exposure", "mJ/mm^2")):
        told = more.details[name]
        assert (told.value.m_as(unit), told.standard_uncertainty.m_as(unit)) == (getattr(found, name), getattr(found, f"u_{name}"))
    assert [more.details[f"{what}_sd"].m_as("mm") for what in ("width", "depth")] == [found.width_sd, found.depth_sd]
    assert more.details["agreement_p"] == found.agreement_p
    sure = cured_line_beam(scan_speed=Q(V, "mm/s"), line_width=Q(WIDTH, "mm"), model_uncertainty=0.99)
    assert sure.radius_x.parts[1].relative == pytest.approx(0.99)
