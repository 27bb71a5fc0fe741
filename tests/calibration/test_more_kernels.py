"""Several lines, priors, plans and further laws: against a general library, by simulation, by arithmetic."""

from dataclasses import replace

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS
from statsmodels.tools.tools import add_constant

from curecalc.calibration.design import expected, levels_and_counts, most_useful
from curecalc.calibration.laws import akaike, bleaching_fit, power_threshold_fit
from curecalc.calibration.prior import LinePrior, prior_conflict, prior_from_lots
from curecalc.errors import QuantityError
from curecalc.statistics.coupon_line import with_earlier_lots
from curecalc.statistics.intervals import t_factor
from curecalc.statistics.line import ordinary_line, weighted_line
from curecalc.statistics.lines import compare_lines, difference_at, log_exposure_change


def lots(seed, k=3):
    rng = np.random.default_rng(seed)
    out = []
    for i in range(k):
        x = rng.uniform(1, 4, 6 + i)
        out.append((x, 0.15 * x - 0.3 + 0.02 * i + rng.normal(0, 0.01, x.size)))
    return out


@pytest.mark.parametrize("k", [2, 3, 5])
def test_nested_line_tests_agree_with_a_general_library(k):
    data = lots(k, k)
    x, y = (np.concatenate([d[i] for d in data]) for i in (0, 1))
    which = np.concatenate([np.full(d[0].size, i) for i, d in enumerate(data)])
    dummies = (which[:, None] == np.arange(k)).astype(float)
    full = OLS(y, np.hstack([dummies, dummies * x[:, None]])).fit()
    parallel = OLS(y, np.hstack([dummies, x[:, None]])).fit()
    one = OLS(y, add_constant(x)).fit()
    ours = compare_lines(data)
    assert (ours.slopes.f, ours.slopes.p) == pytest.approx(full.compare_f_test(parallel)[:2], rel=1e-7)
    assert (ours.intercepts.f, ours.intercepts.p) == pytest.approx(parallel.compare_f_test(one)[:2], rel=1e-7)
    assert (ours.coincidence.f, ours.coincidence.p) == pytest.approx(full.compare_f_test(one)[:2], rel=1e-7)
    assert ours.common_slope == pytest.approx(parallel.params[-1], rel=1e-9)
    assert ours.common_slope_sd == pytest.approx(parallel.bse[-1], rel=1e-9)
    assert (ours.slopes.numerator, ours.slopes.denominator) == (k - 1, x.size - 2 * k)


def test_one_lot_cannot_be_compared():
    with pytest.raises(QuantityError, match="at least two lots, got 1"):
        compare_lines(lots(1, 1))


def test_equivalence_is_the_interval_inside_the_tolerance():
    old, new = (ordinary_line(*d) for d in lots(4, 2))
    found = difference_at(old, new, 3.0, tolerance=0.05)
    assert found.equivalent == (found.equivalence_p < 0.05)
    just = difference_at(old, new, 3.0, tolerance=found.high)
    assert just.equivalence_p == pytest.approx(0.05, abs=1e-9)
    assert not difference_at(old, new, 3.0, tolerance=0.001).equivalent
    change = log_exposure_change(old, new, 0.15, confidence=0.95)
    at_old = old.x_mean + (0.15 - old.y_mean) / old.slope
    assert change.value == pytest.approx(-difference_at(old, new, at_old).value / new.slope, rel=1e-9)


def test_equivalence_errs_at_the_stated_rate():
    """At a true difference equal to the tolerance, at most 5 % are called equivalent (20,000 pairs of lots)."""
    rng = np.random.default_rng(11)
    x = np.log(np.geomspace(10, 60, 8))
    y = 0.15 * (x - 2.0)
    old = ordinary_line(x, y + rng.normal(0, 0.004, (20_000, 8)))
    new = ordinary_line(x, y + 0.01 + rng.normal(0, 0.004, (20_000, 8)))
    rate = np.mean(difference_at(old, new, 3.0, tolerance=0.01).equivalent)
    assert 0.045 < rate < 0.055


def prior():
    return prior_from_lots(
        [0.15, 0.148], [2.0, 2.1], [np.diag([1e-6, 1e-4])] * 2, [0.004, 0.005], [6, 6], slope_between=0.03, log_threshold_between=0.1
    )


def test_prior_of_earlier_lots_and_its_conflict():
    p = prior()
    assert p.mean[1] == pytest.approx(0.149, abs=1e-3)
    assert p.origin == pytest.approx(2.05, abs=1e-3)
    rng = np.random.default_rng(1)
    x = np.log(np.geomspace(10, 60, 6))
    same = ordinary_line(x, 0.15 * (x - 2.05) + rng.normal(0, 0.004, 6))
    other = ordinary_line(x, 0.20 * (x - 1.5) + rng.normal(0, 0.004, 6))
    noisy = ordinary_line(x, 0.15 * (x - 2.05) + rng.normal(0, 0.04, 6))
    assert prior_conflict(same, p).p > 0.05
    assert prior_conflict(other, p).p < 0.01
    assert prior_conflict(noisy, p).scatter_p < 0.01


def test_prior_of_one_lot_by_hand():
    """One lot: its own variance and the spread between lots add, once for the mean, once for the next lot."""
    within = np.diag([4e-6, 1e-4])
    p = prior_from_lots([0.15], [2.0], [within], [0.004], [6], slope_between=0.04, log_threshold_between=0.1)
    own_slope, own_threshold = 0.006**2 + 4e-6, 0.1**2 + 1e-4  # of the mean of the lots, from one
    assert p.covariance[1, 1] == pytest.approx(0.006**2 + own_slope)
    assert p.covariance[0, 0] == pytest.approx(0.15**2 * (0.1**2 + own_threshold))
    assert (p.scatter, p.degrees_of_freedom) == pytest.approx((0.004, 6.0))


def test_three_lots_that_spread_more_than_stated_widen_the_prior():
    calm = prior_from_lots(
        [0.15] * 4, [2.0, 2.0, 2.0, 2.0], [np.diag([1e-8, 1e-8])] * 4, [0.004] * 4, [6] * 4, slope_between=0.03, log_threshold_between=0.1
    )
    wild = prior_from_lots(
        [0.15] * 4, [1.5, 2.0, 2.5, 3.0], [np.diag([1e-8, 1e-8])] * 4, [0.004] * 4, [6] * 4, slope_between=0.03, log_threshold_between=0.1
    )
    assert wild.covariance[0, 0] > 5 * calm.covariance[0, 0]


@pytest.mark.parametrize("scatter", [0.5, 1.0, 2.0])
def test_prior_conflict_errs_at_the_stated_rate(scatter):
    """20,000 new lots of the same kind, whatever they scatter: the line's test at 5 and at 1 %."""
    rng = np.random.default_rng(6)
    p = LinePrior(np.array([0.0, 0.15]), np.diag([0.02**2, 0.006**2]), 2.0, 0.004, 12)
    x = np.log(np.geomspace(10, 60, 6))
    beta = rng.multivariate_normal(p.mean, p.covariance, 20_000)
    y = beta[:, :1] + beta[:, 1:] * (x - p.origin) + rng.normal(0, 0.004 * scatter, (20_000, 6))
    history = 0.004 * np.sqrt(rng.chisquare(12, 20_000) / 12)
    found = prior_conflict(ordinary_line(np.broadcast_to(x, y.shape), y), replace(p, scatter=history))
    assert 0.04 < np.mean(found.p < 0.05) < 0.06
    assert 0.006 < np.mean(found.p < 0.01) < 0.014
    if scatter == 1.0:
        assert 0.04 < np.mean(found.scatter_p < 0.05) < 0.06


def test_earlier_lots_add_their_precision():
    """Normal mean under a normal prior, by hand: the published five points with unit variance and unit prior."""
    x, y = np.arange(-2.0, 3.0), np.array([1.0, 3.0, 3.0, 3.0, 5.0])
    line, weight = with_earlier_lots(weighted_line(x, y, 1.0), [0.0, 0.0], np.eye(2), 0.0)
    assert line.slope == pytest.approx(8 / 11)
    assert line.intercept == pytest.approx(2.5)
    assert line.slope_sd == pytest.approx(1 / np.sqrt(11))
    assert line.intercept_sd == pytest.approx(1 / np.sqrt(6))
    assert weight == pytest.approx(0.5 * (1 / 6 + 1 / 11))


def test_expected_uncertainties_match_simulation():
    rng = np.random.default_rng(3)
    x = levels_and_counts(np.log(12), np.log(60), 8, 4)
    dp, lec, s, depth = 0.15, np.log(8.0), 0.006, 0.15
    fit = ordinary_line(x, dp * (x - lec) + rng.normal(0, s, (200_000, 8)))
    plan = expected(x, slope=dp, log_threshold=lec, scatter=s, depth=depth)
    threshold = fit.x_mean - fit.y_mean / fit.slope
    wanted = fit.x_mean + (depth - fit.y_mean) / fit.slope
    assert plan.slope == pytest.approx(fit.slope.std(), rel=0.01)
    assert plan.log_threshold == pytest.approx(threshold.std(), rel=0.01)
    assert plan.log_exposure == pytest.approx(wanted.std(), rel=0.01)
    half = t_factor(0.95, 6) * fit.slope_sd
    assert plan.half_width_factor * plan.slope == pytest.approx(half.mean(), rel=0.01)


def test_levels_share_coupons_and_spread_as_the_formula_says():
    x = levels_and_counts(0.0, 3.0, 8, 4)
    assert x.tolist() == [0, 0, 1, 1, 2, 2, 3, 3]
    assert levels_and_counts(0.0, 3.0, 6, 4).tolist() == [0, 0, 1, 2, 3, 3]
    assert levels_and_counts(0.0, 3.0, 5, 4).tolist() == [0, 0, 1, 2, 3]


def test_next_exposures_lower_the_wanted_uncertainty():
    have = np.log([20.0, 20.0, 40.0, 40.0])
    aim = {"slope": 0.15, "log_threshold": np.log(8.0), "scatter": 0.005, "depth": 0.15}
    chosen = most_useful(have, np.log(10), np.log(80), 2, **aim)
    best = expected(np.concatenate([have, chosen]), **aim).log_exposure
    rng = np.random.default_rng(0)
    for _ in range(50):
        other = rng.uniform(np.log(10), np.log(80), 2)
        assert best <= expected(np.concatenate([have, other]), **aim).log_exposure * 1.01
    assert most_useful([], 1.0, 2.0, 3, **aim).size == 3
    with pytest.raises(QuantityError, match="at least three coupons"):
        expected([1.0, 2.0], slope=1, log_threshold=0, scatter=1)
    with pytest.raises(QuantityError, match="at least two exposures"):
        expected([1.0, 1.0, 1.0], slope=1, log_threshold=0, scatter=1)


def test_power_threshold_law_is_found_and_its_interval_is_honest():
    rng = np.random.default_rng(2)
    li, lt = np.repeat(np.log([1.0, 2.0, 4.0]), 4), np.tile(np.log([1.0, 2.0, 4.0, 8.0]), 3)
    held = 0
    for _ in range(1000):
        fit = power_threshold_fit(li, lt, 0.1 * (li + lt / 0.887) - 0.1 + rng.normal(0, 0.003, 12))
        held += fit.w_low <= 0.887 <= fit.w_high
    assert 0.93 < held / 1000 < 0.97
    assert power_threshold_fit(li, 2.0 * li, li) is None
    assert power_threshold_fit(li, np.zeros(12), li) is None
    assert power_threshold_fit(li[:3], lt[:3], li[:3]) is None


def test_power_threshold_agrees_with_a_general_library():
    rng = np.random.default_rng(2)
    li, lt = rng.uniform(0, 2, 10), rng.uniform(0, 2, 10)
    y = 0.1 * li + 0.12 * lt + rng.normal(0, 0.01, 10)
    other = OLS(y, np.stack([np.ones(10), li, lt], 1)).fit()
    fit = power_threshold_fit(li, lt, y)
    assert fit.penetration_depth == pytest.approx(other.params[1], rel=1e-8)
    assert fit.penetration_depth_sd == pytest.approx(other.bse[1], rel=1e-8)
    assert fit.w == pytest.approx(other.params[1] / other.params[2], rel=1e-8)
    assert fit.p == pytest.approx(float(other.t_test([0, 1, -1]).pvalue), rel=1e-6)


def test_bleaching_curve_is_recovered_and_agrees_with_a_general_optimiser():
    from scipy.optimize import least_squares

    rng = np.random.default_rng(9)
    e = np.geomspace(6, 90, 10)
    y = 0.1 * np.log(np.expm1(e / 20.0) / np.expm1(4.0 / 20.0)) + rng.normal(0, 5e-4, 10)
    fit = bleaching_fit(np.log(e), y)
    other = least_squares(lambda q: q[0] * np.log(np.expm1(e / q[2]) / np.expm1(q[1] / q[2])) - y, [0.1, 4.0, 20.0], xtol=1e-15, ftol=1e-15)
    got = [fit.penetration_depth, np.exp(fit.log_threshold), fit.bleaching_exposure]
    assert got == pytest.approx(list(other.x), rel=1e-4)
    assert fit.sum_of_squares == pytest.approx(2 * other.cost, rel=1e-6)
    assert fit.p < 0.001
    assert bleaching_fit(np.log(e[:4]), y[:4]) is None
    hollow = 0.1 * np.log(e) - 0.02 * np.log(e) ** 2
    assert bleaching_fit(np.log(e), hollow) is None


def test_akaike_by_arithmetic():
    assert akaike(2.0, 10, 3) == pytest.approx(10 * np.log(0.2) + 6 + 24 / 6)
    assert akaike(2.0, 4, 3) == np.inf
