"""The assured exposure: exact where it can be, a round trip, monotone, and honest refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curecalc.errors import NoSolution, QuantityError
from curecalc.recipe.assurance import (
    Curve,
    Errors,
    assurance_of,
    assured_log_exposure,
    curve_from_covariance,
    depth_state,
    relative_variance,
)
from curecalc.statistics.working_line import WorkingLine
from curecalc.statistics.working_line import assured_log_exposure as bound_of_the_line

CURVE = Curve(0.14, math.log(0.09), math.log(0.4), 1e-5, 4e-6, 3e-5, 6.0)
depths = st.floats(0.02, 0.5)
assurances = st.floats(0.51, 0.995)
spreads = st.floats(0.0, 0.06)


@given(depth=depths, assured=assurances, single=st.booleans())
def test_without_a_build_it_is_the_exact_bound_of_the_line(depth, assured, single):
    line = WorkingLine(0.14, math.log(0.09), math.log(0.4), 1e-5, 4e-6, 3e-5, 6.0, -math.inf, math.inf)
    exact = bound_of_the_line(line, depth, assurance=assured, single=single)
    got = assured_log_exposure(CURVE, Errors(), 0.0, depth, assurance=assured, single=single)
    assert got == pytest.approx(exact, rel=1e-9, abs=1e-9)


@given(depth=depths, assured=assurances, spread=spreads, single=st.booleans())
def test_the_assurance_at_the_assured_exposure_is_what_was_asked(depth, assured, spread, single):
    errors = Errors(power=spread, layer_thickness=0.003, depth_bias=0.002)
    relative = relative_variance(errors, -1.0, -1.0, 0.0)
    x = assured_log_exposure(CURVE, errors, relative, depth, assurance=assured, single=single)
    assert assurance_of(CURVE, errors, x, relative, depth, single=single) == pytest.approx(assured, abs=1e-6)


@given(depth=depths, assured=st.floats(0.51, 0.98), spread=st.floats(0.001, 0.05))
def test_more_assurance_more_doubt_or_more_depth_need_more_exposure(depth, assured, spread):
    def x(**changes):
        given = {"depth": depth, "assured": assured, "spread": spread} | changes
        errors = Errors(power=given["spread"])
        return assured_log_exposure(
            CURVE, errors, relative_variance(errors, 0.0, 0.0, 0.0), given["depth"], assurance=given["assured"], single=True
        )

    here = x()
    assert x(assured=assured + 0.01) > here
    assert x(spread=1.2 * spread) > here
    assert x(depth=1.1 * depth) > here


def test_with_nothing_unknown_it_is_the_working_curve():
    exact = Curve(0.14, math.log(0.09), math.log(0.4), 0.0, 0.0, 0.0, math.inf)
    x = assured_log_exposure(exact, Errors(), 0.0, 0.18, assurance=0.95, single=True)
    assert x == pytest.approx(math.log(0.09) + 0.18 / 0.14, abs=1e-12)
    assert assurance_of(exact, Errors(), x + 1e-9, 0.0, 0.18, single=True) == pytest.approx(1.0)
    assert assurance_of(exact, Errors(), x - 1e-9, 0.0, 0.18, single=True) == pytest.approx(0.0)


def test_known_errors_alone_give_the_normal_quantile():
    curve = Curve(0.14, math.log(0.09), math.log(0.4), 0.0, 0.0, 0.0, math.inf)
    errors = Errors(power=0.02)
    x = assured_log_exposure(curve, errors, 0.02**2, 0.18, assurance=0.95, single=False)
    # 1.644854: the 95 % quantile of the standard normal distribution, any table
    assert 0.14 * (x - math.log(0.09)) - 0.18 == pytest.approx(1.644854 * 0.14 * 0.02, rel=1e-6)


def test_arrays_equal_scalars():
    targets = np.array([0.05, 0.18, 0.4])
    many = assured_log_exposure(CURVE, Errors(power=0.02), 4e-4, targets, assurance=0.95, single=True)
    one = [assured_log_exposure(CURVE, Errors(power=0.02), 4e-4, float(t), assurance=0.95, single=True) for t in targets]
    np.testing.assert_allclose(many, one, rtol=1e-12)


def test_a_shared_beam_cancels_in_lines_and_not_in_rasters():
    shared = Errors(beam_radius_scale=0.05, coupon_radius_power=-1.0)
    apart = Errors(beam_radius_scale=0.05)
    assert relative_variance(shared, -1.0, -1.0, 0.0) == 0.0
    assert relative_variance(apart, -1.0, -1.0, 0.0) == pytest.approx(0.05**2)
    # a raster's mean does not know the radius: coupons made as lines leave their whole scale error
    assert relative_variance(shared, 0.0, -1.0, -1.0) == pytest.approx(0.05**2)


@given(dp=st.floats(0.05, 0.3), u=st.floats(1e-4, 0.02), v=st.floats(1e-4, 0.2), r=st.floats(-0.99, 0.99), x=st.floats(-3.0, 3.0))
def test_a_covariance_becomes_a_curve_with_the_same_variance_of_depth(dp, u, v, r, x):
    threshold = -2.0
    curve = curve_from_covariance(
        penetration_depth=dp,
        log_threshold=threshold,
        variance_depth=u * u,
        variance_log=v * v,
        covariance=r * u * v,
        layer_variance=0.0,
        degrees_of_freedom=math.inf,
    )
    state = depth_state(curve, Errors(), x, 0.0, single=False)
    d = x - threshold
    direct = d * d * u * u + dp * dp * v * v - 2.0 * d * dp * r * u * v
    assert state["type_a"] == pytest.approx(direct, rel=1e-6, abs=1e-15)


def test_a_covariance_that_cannot_be_is_refused():
    with pytest.raises(QuantityError, match="contradicts itself"):
        curve_from_covariance(
            penetration_depth=0.1,
            log_threshold=-2.0,
            variance_depth=1e-4,
            variance_log=1e-2,
            covariance=0.1,
            layer_variance=0.0,
            degrees_of_freedom=5.0,
        )


def test_a_slope_that_is_not_known_gives_no_exposure():
    loose = Curve(0.14, math.log(0.09), math.log(0.4), 1e-5, 0.05**2, 3e-5, 2.0)
    with pytest.raises(NoSolution, match="not told from zero") as refused:
        assured_log_exposure(loose, Errors(), 0.0, 0.18, assurance=0.99, single=True)
    assert refused.value.limit == "coupons"
    assert "more coupons" in str(refused.value)


@pytest.mark.parametrize("assured", [0.0, 0.49, 1.0, 95.0, -0.5])
def test_an_assurance_that_is_none_is_refused(assured):
    with pytest.raises(QuantityError, match=r"at least 0.5 and below 1"):
        assured_log_exposure(CURVE, Errors(), 0.0, 0.18, assurance=assured, single=True)
