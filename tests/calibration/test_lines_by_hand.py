"""Lines and what they say of themselves: weights, boundaries and exact cases by hand, by definition, or by a general library."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS, WLS
from statsmodels.tools.tools import add_constant

from curecalc.errors import NoSolution, QuantityError
from curecalc.statistics.coupon_line import coarse, coupon_line, either, stated_line
from curecalc.statistics.diagnostics import added_term, curvature, groups_of, influence, lack_of_fit, parabola, robust_line
from curecalc.statistics.intervals import chi_squared_p, inverse, t_quantile
from curecalc.statistics.least_squares import fit as least_squares
from curecalc.statistics.line import mean_sd, ordinary_line, prediction_sd, relative_line, weighted_line, york_line
from curecalc.statistics.lines import compare_fits, compare_lines, difference_at
from curecalc.statistics.outlying import LEVELS, fit_of, outlying
from curecalc.statistics.points import intercept_sd_with_bias, inverse_of_points, line_value
from curecalc.statistics.uncertainty import (
    draw_inputs,
    effective_degrees_of_freedom,
    log_gradient,
    monte_carlo,
    shortest_interval,
    standard_uncertainties,
)
from curecalc.statistics.working_line import (
    assured_log_exposure,
    bands,
    correlation,
    covariance,
    depth_at,
    line_of,
    log_threshold,
    working_line,
)

X = np.array([1.0, 1.0, 2.0, 2.5, 2.5, 4.0, 4.0, 4.5])
Y = np.array([0.02, 0.01, 0.16, 0.22, 0.25, 0.44, 0.47, 0.50])
W = np.array([1.0, 2.0, 1.0, 0.5, 3.0, 1.0, 2.0, 1.5])


def off_the_line(x, squares):
    """A vector square to constants and to x, with this sum of squares."""
    r = (-1.0) ** np.arange(x.size) + 0.1 * np.arange(x.size) ** 2
    r = r - np.polyval(np.polyfit(x, r, 1), x)
    return r * math.sqrt(squares / (r @ r))


# ---------------------------------------------------------------- diagnoses


def test_weighted_diagnoses_agree_with_a_general_library():
    levels = (X[:, None] == np.unique(X)).astype(float)
    line = WLS(Y, add_constant(X), weights=W).fit()
    f, p, dof = WLS(Y, levels, weights=W).fit().compare_f_test(line)
    ours = lack_of_fit(X, Y, weight=W)
    assert (ours.f, ours.p, ours.lack_of_fit_degrees_of_freedom) == pytest.approx((f, p, dof))
    assert (ours.pure_error_degrees_of_freedom, ours.lack_of_fit_squares) == (3, pytest.approx(line.ssr - ours.pure_error_squares))
    bent, curve = WLS(Y, np.stack([np.ones(8), X, X**2], 1), weights=W).fit(), parabola(X, Y, W)
    assert [curve.constant, curve.linear, curve.quadratic] == pytest.approx(list(bent.params))
    assert [curve.constant_sd, curve.linear_sd, curve.quadratic_sd] == pytest.approx(list(bent.bse))
    assert (curve.residual_sd, curve.sum_of_squares, curve.degrees_of_freedom) == pytest.approx((math.sqrt(bent.scale), bent.ssr, 5))
    root = np.sqrt(W)
    theirs = OLS(Y * root, add_constant(X) * root[:, None]).fit().get_influence()
    mine = influence(relative_line(X, Y, W), X, weight=W)
    assert mine.leverage == pytest.approx(theirs.hat_matrix_diag)
    assert mine.internal == pytest.approx(theirs.resid_studentized_internal)
    assert mine.external == pytest.approx(theirs.resid_studentized_external)
    assert mine.cook == pytest.approx(theirs.cooks_distance[0])
    assert mine.outlier_p == pytest.approx(2 * stats.t.sf(np.abs(theirs.resid_studentized_external), 5))
    assert mine.bonferroni_p == pytest.approx(np.minimum(8 * mine.outlier_p, 1.0))
    assert mine.bonferroni_p.max() == 1.0


def test_the_fewest_points_that_each_diagnosis_needs():
    three, four = np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.0, 4.0, 5.0])
    assert curvature(three, three**2) is None
    coefficient, t, p, dof = curvature(four, 3.0 * four**2)
    assert (coefficient, dof) == (pytest.approx(3.0), 1)
    assert abs(t) > 1e6
    assert p < 1e-6
    exact = parabola(three, 1.0 + 2.0 * three - 0.5 * three**2)
    assert [exact.constant, exact.linear, exact.quadratic] == pytest.approx([1.0, 2.0, -0.5])
    assert exact.degrees_of_freedom == 0
    assert np.isnan([exact.constant_sd, exact.linear_sd, exact.quadratic_sd, exact.residual_sd]).all()
    assert added_term(three, [1.0, 2.0, 3.5], [1.0, -1.0, 2.0]) is None
    assert added_term(four, [1.0, 2.0, 3.5, 4.0], [1.0, -1.0, 2.0, 0.0])[3] == 1
    assert lack_of_fit([1.0, 1.0, 2.0, 2.0], [0.0, 0.1, 1.0, 1.1]) is None  # two levels are always on a line
    assert lack_of_fit([1.0, 1.0, 2.0, 3.0], [0.0, 0.1, 1.0, 1.1]).lack_of_fit_degrees_of_freedom == 1
    assert lack_of_fit([1.0, 1.0, 2.0, 3.0], [0.0, 0.0, 1.0, 3.0]).f == math.inf
    assert lack_of_fit([1.0, 1.0, 2.0, 3.0], [0.0, 0.0, 0.0, 0.0]).f == 0.0
    assert groups_of([1.0, 1.0, 1.5]).tolist() == [0, 0, 1]
    assert groups_of([10.0, 10.9, 12.0], relative=0.09).tolist() == [0, 0, 1]  # a step over the larger of the two


def test_many_pairs_of_a_robust_line_are_those_half_the_points_apart():
    """Theil's incomplete method on five and six points in any order: the middle one of an odd number stands out."""
    for x in ([5.0, 1.0, 3.0, 2.0, 4.0], [5.0, 1.0, 3.0, 2.0, 4.0, 6.0]):
        x = np.array(x)
        y = x**2
        half, n = (x.size + 1) // 2, x.size
        ordered = np.sort(x)
        slopes = [ordered[i] + ordered[i + half] for i in range(n // 2)]  # (b^2 - a^2)/(b - a)
        found = robust_line(x, y, most=n - 1)
        assert (found.slope, found.pairs) == (pytest.approx(np.median(slopes)), n // 2)
        assert found.intercept == pytest.approx(np.median(y - found.slope * x))
        assert robust_line(x, y, most=n).pairs == n * (n - 1) // 2
    for n, pairs in ((2000, 2000 * 1999 // 2), (2001, 1000)):
        assert robust_line(np.arange(n), np.arange(n)).pairs == pairs


# ---------------------------------------------------------------- lines


def test_moments_of_a_line_are_those_of_a_general_library():
    for ours, theirs in (
        (ordinary_line(X, Y), WLS(Y, add_constant(X)).fit()),
        (relative_line(X, Y, W), WLS(Y, add_constant(X), weights=W).fit()),
        (weighted_line(X, Y, W**-0.5), WLS(Y, add_constant(X), weights=W).fit(cov_type="fixed scale")),
    ):
        cov = theirs.cov_params()
        assert (ours.covariance, ours.correlation) == pytest.approx((cov[0, 1], cov[0, 1] / math.sqrt(cov[0, 0] * cov[1, 1])))
        assert (ours.regression_f, ours.sum_of_squares) == pytest.approx(
            (WLS(Y, add_constant(X), weights=theirs.model.weights).fit().fvalue, theirs.ssr)
        )
        assert ours.residual_sd == pytest.approx(math.sqrt(theirs.ssr / 6))
        assert prediction_sd(ours, 3.0, 0.01) == pytest.approx(math.sqrt(mean_sd(ours, 3.0) ** 2 + 0.01))
    exact = ordinary_line([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    assert exact.correlation == pytest.approx(-2.0 / math.sqrt(2 / 3 + 4.0))
    assert exact.regression_f == math.inf
    assert york_line(X, Y, 0.0, 0.1).t_degrees_of_freedom == math.inf
    assert line_value(X, Y, 3.0) == pytest.approx((np.polyval(np.polyfit(X, Y, 1), 3.0), mean_sd(ordinary_line(X, Y), 3.0)))
    bias = intercept_sd_with_bias(X, Y, 0.03)
    assert bias == pytest.approx((math.hypot(ordinary_line(X, Y).intercept_sd, 0.03), ordinary_line(X, Y).slope_sd))


def test_the_x_of_a_wanted_y_and_its_variances():
    """(u of y)^2 = s^2/m for the mean of m readings, over the slope, first order."""
    fit = ordinary_line(X, Y)
    for future, more in ((None, 0.0), (1, fit.scale), (4, fit.scale / 4)):
        got = inverse_of_points(X, Y, 0.3, future=future)
        assert got.standard_error == pytest.approx(math.sqrt(mean_sd(fit, got.value) ** 2 + more) / fit.slope)
        assert got.half_width == pytest.approx(stats.t.ppf(0.975, 6) * got.standard_error)
        assert got.g == pytest.approx((stats.t.ppf(0.975, 6) * fit.slope_sd / fit.slope) ** 2)
    stated = inverse_of_points(X, Y, 0.3, sigma=0.05, wanted_sd=0.02, confidence=0.9)
    known = weighted_line(X, Y, 0.05)
    assert stated.half_width == pytest.approx(1.644854 * math.sqrt(mean_sd(known, stated.value) ** 2 + 0.0004) / known.slope, rel=1e-6)
    assert t_quantile(0.975, [2, math.inf]) == pytest.approx([4.302653, 1.959964], abs=5e-7)
    assert chi_squared_p(3.841459, 1) == pytest.approx(0.05, abs=1e-7)
    # an unbounded set by its own equation: outside the gap the line covers y, inside it does not
    weak = ordinary_line([1.0, 2.0, 3.0, 4.0], [0.0, 1.0, 0.2, 0.9])
    gap = inverse(weak, 30.0)
    for end in (gap.gap_low, gap.gap_high):
        assert abs(weak.y_mean + weak.slope * (end - 2.5) - 30.0) == pytest.approx(stats.t.ppf(0.975, 2) * mean_sd(weak, end))
    assert np.isnan(inverse(ordinary_line(X, Y), 0.3).gap_low)


def test_lines_side_by_side_by_hand():
    """Slopes 1 and 2 on x = -1, 0, 1; residuals (1, -2, 1) d of each line: 12 d^2 on 2, Sxx 2 each."""
    x, d = np.array([-1.0, 0.0, 1.0]), 0.1
    away = d * np.array([1.0, -2.0, 1.0])
    got = compare_lines([(x, x + away), (x, 2 * x + 1.0 + away)])
    scatter = 12 * d * d / 2
    assert got.slope_difference_t == pytest.approx(1.0 / math.sqrt(scatter))
    assert (got.slopes.f, got.residual_sd, got.degrees_of_freedom) == pytest.approx((1.0 / scatter, math.sqrt(scatter), 2))
    parallel = 12 * d * d + 1.0  # (1/2)^2 x 2, twice
    assert (got.intercepts.f, got.intercepts.denominator) == pytest.approx((1.5 / (parallel / 3), 3))  # heights 0 and 1: 2 x 3/4
    assert (got.coincidence.f, got.coincidence.numerator) == pytest.approx(((1.0 + 1.5) / 2 / scatter, 2))
    assert (got.common_slope, got.common_slope_sd) == pytest.approx((1.5, math.sqrt(parallel / 3 / 4)))
    assert math.isnan(compare_lines([(x, x + away)] * 3).slope_difference_t)
    exact = compare_fits([ordinary_line(x, x), ordinary_line(x, x)])
    assert math.isnan(exact.slope_difference_t)
    assert (exact.slopes.f, exact.slopes.p) == (0.0, 1.0)
    assert compare_fits([ordinary_line(x, x), ordinary_line(x, 2 * x)]).slopes.f == math.inf


def test_a_difference_of_two_lines_is_welchs():
    """Means of three points each at x = 0, variances s1^2/3 and s2^2/3 on one degree of freedom each."""
    x, away = np.array([-1.0, 0.0, 1.0]), np.array([1.0, -2.0, 1.0])
    old, new = ordinary_line(x, x + 0.1 * away), ordinary_line(x, x + 0.5 + 0.2 * away)
    v1, v2 = 0.06 / 3, 0.24 / 3
    got = difference_at(old, new, 0.0, tolerance=5.0)
    dof = (v1 + v2) ** 2 / (v1**2 + v2**2)
    assert (got.value, got.standard_uncertainty, got.degrees_of_freedom) == pytest.approx((0.5, math.sqrt(v1 + v2), dof))
    half = stats.t.ppf(0.95, dof) * math.sqrt(v1 + v2)
    assert (got.low, got.high) == pytest.approx((0.5 - half, 0.5 + half))
    assert got.equivalence_p == pytest.approx(stats.t.sf(4.5 / math.sqrt(v1 + v2), dof))
    assert difference_at(old, new, 0.0, tolerance=0.3).equivalence_p == pytest.approx(stats.t.cdf(0.2 / math.sqrt(v1 + v2), dof))
    assert math.isnan(difference_at(old, new, 0.0).equivalence_p)
    stated = difference_at(weighted_line(x, x, 0.1), weighted_line(x, x, 0.1), 0.0)
    assert (stated.degrees_of_freedom, stated.high) == (math.inf, pytest.approx(1.644854 * 0.1 * math.sqrt(2 / 3), rel=1e-6))


# ---------------------------------------------------------------- lines of lots


def test_a_step_counts_once_it_is_larger_than_the_scatter():
    x = np.arange(6.0)
    line = ordinary_line(x, x + off_the_line(x, 4 * 0.01))  # scatter 0.1 on 4
    assert coarse(line, 0.0999) is line
    wide = coarse(line, 0.2)
    assert wide.scale == pytest.approx(0.01 + 0.04 / 12)
    assert wide.slope_sd == pytest.approx(math.sqrt(wide.scale / 17.5))
    assert mean_sd(wide, 2.5) == pytest.approx(math.sqrt(wide.scale / 6))
    assert wide.t_degrees_of_freedom == 4
    flat = coarse(ordinary_line(x, 0.0 * x), 0.3)
    assert (flat.scale, flat.slope_sd, mean_sd(flat, 2.5)) == pytest.approx((0.09 / 12, math.sqrt(0.0075 / 17.5), math.sqrt(0.0075 / 6)))
    assert coarse(ordinary_line(x, 0.0 * x), 0.0).scale == 0.0


def test_unequal_counts_are_two_components_from_four_coupons_on():
    x, y = np.array([1.0, 2.0, 3.0, 4.0]), np.array([0.1, 0.21, 0.29, 0.4])
    assert coupon_line(x[:3], y[:3], counts=[1, 2, 1], within_squares=1e-4).weight is None
    assert coupon_line(x, y, counts=[2, 2, 2, 2], within_squares=1e-4).weight is None
    found = coupon_line(x, y, counts=[1, 2, 1, 1], within_squares=1e-4)
    assert found.weight.mean() == pytest.approx(1.0)
    assert found.weight[1] > found.weight[0] == pytest.approx(found.weight[2])
    # the coupons differ far more than readings do: all count the same
    assert coupon_line(x, y, counts=[1, 9, 1, 9], within_squares=1e-12).weight == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    ("n", "chi_squared", "stated"),
    [
        (6, 4.878 * 0.98, True),  # chi-squared of 4: 4.878 at 30 % (handbook table)
        (6, 4.878 * 1.02, False),
        (5, 3 * (1.959964 / 3.182446) ** 2 * 0.98, True),  # too few to test: the wider of 1.96 stated and 3.182 of the scatter
        (5, 3 * (1.959964 / 3.182446) ** 2 * 1.02, False),
        (5, 3.0, False),
        (6, 1.0, True),
    ],
)
def test_stated_uncertainties_are_believed_from_six_coupons_and_thirty_percent_on(n, chi_squared, stated):
    x = np.arange(float(n))
    y = x + off_the_line(x, 0.01**2 * chi_squared)
    found = stated_line(x, y, coupon_line(x, y), sigma_y=0.01)
    assert found.stated == stated
    sxx = n * (n * n - 1) / 12
    assert found.line.slope_sd == pytest.approx(0.01 / math.sqrt(sxx) * (1.0 if stated else math.sqrt(chi_squared / (n - 2))))
    assert found.line.t_degrees_of_freedom == (math.inf if stated else n - 2)
    assert found.line.scale == pytest.approx(1e-4 if stated else 1e-4 * chi_squared / (n - 2))
    both = stated_line(
        np.stack([x, x]), np.stack([y, x + off_the_line(x, 1e-6)]), coupon_line(np.stack([x, x]), np.stack([y, y])), sigma_y=0.01
    )
    assert both.stated[0] == stated
    assert both.line.slope_sd[0] == pytest.approx(found.line.slope_sd)


def test_lines_of_either_kind_keep_their_own_moments():
    many = np.stack([Y, Y[::-1]])
    a, b = ordinary_line(X, many), weighted_line(X, many, np.full((2, 8), 0.1))
    mixed = either(np.array([True, False]), a, b)
    for name in ("slope_sd", "intercept_sd", "covariance", "correlation", "scale", "t_degrees_of_freedom"):
        one, two = (np.broadcast_to(getattr(f, name), 2) for f in (a, b))
        assert getattr(mixed, name) == pytest.approx([one[0], two[1]]), name


# ---------------------------------------------------------------- working lines


def test_an_assured_exposure_solves_its_own_equation():
    line = working_line(ordinary_line(X, Y), x_low=1.0, x_high=4.5)
    for assurance, single, more in ((0.95, True, 0.0), (0.9, False, 0.0), (0.99, True, 1e-4), (0.5, True, 0.0)):
        x = assured_log_exposure(line, 0.3, assurance=assurance, single=single, more_variance=more)
        depth, mean, one = depth_at(line, x)
        u = math.sqrt((one if single else mean) ** 2 + more)
        assert depth - stats.t.ppf(assurance, 6) * u == pytest.approx(0.3, abs=1e-12)
    assert assured_log_exposure(line, 0.3) == assured_log_exposure(line, 0.3, assurance=0.95, single=True)
    for bad in (0.499, 1.0):
        with pytest.raises(QuantityError, match=f"assurance must be at least 0.5 and below 1, got {bad:g}"):
            assured_log_exposure(line, 0.3, assurance=bad)
    t = stats.t.ppf(0.95, 6)
    for share, sure in ((1.01, True), (0.99, False)):  # Dp = t u(Dp) times this
        edge = replace(line, slope_variance=(line.penetration_depth / t / share) ** 2)
        if sure:
            assert assured_log_exposure(edge, 0.3) > 4.5
        else:
            with pytest.raises(NoSolution, match=r"not told from zero at an assurance of 0\.95"):
                assured_log_exposure(edge, 0.3)
    with pytest.raises(QuantityError, match=r"the fitted slope is -0\.1 mm"):
        working_line(ordinary_line([1.0, 2.0, 3.0], [0.3, 0.2, 0.1]), x_low=1.0, x_high=3.0)
    with pytest.raises(QuantityError, match="the fitted slope is 0 mm"):
        working_line(ordinary_line([1.0, 2.0, 3.0], [0.3, 0.3, 0.3]), x_low=1.0, x_high=3.0)


def test_the_covariance_of_a_threshold_is_that_of_the_delta_method():
    """ln Ec = -a/b: gradient (-1/b, a/b^2) in intercept and slope, from the library's covariance of both."""
    fit, theirs = ordinary_line(X, Y), WLS(Y, add_constant(X)).fit()
    a, b = theirs.params
    gradient = np.array([[0.0, 1.0], [-1.0 / b, a / b**2]])
    want = gradient @ theirs.cov_params() @ gradient.T
    assert covariance(fit) == pytest.approx(want)
    assert log_threshold(fit) == pytest.approx(-a / b)
    assert correlation(fit) == pytest.approx(want[0, 1] / math.sqrt(want[0, 0] * want[1, 1]))
    again = line_of(working_line(fit, x_low=1.0, x_high=4.5))
    for name in ("slope", "intercept", "slope_sd", "intercept_sd", "covariance", "residual_sd", "x_mean", "y_mean", "t_degrees_of_freedom"):
        assert getattr(again, name) == pytest.approx(getattr(fit, name)), name
    assert mean_sd(again, 5.0) == pytest.approx(mean_sd(fit, 5.0))
    assert (again.n, again.degrees_of_freedom, again.residuals.size) == (0, 0, 0)  # numbers of a file: no points
    exact = line_of(working_line(ordinary_line([0.0, 1.0, 2.0], [0.0, 1.0, 2.0]), x_low=0.0, x_high=2.0))
    assert (mean_sd(exact, 5.0), exact.slope_sd) == (0.0, 0.0)
    level = replace(working_line(fit, x_low=1.0, x_high=4.5), slope_variance=1.0, penetration_depth=t_quantile(0.9, math.inf))
    with pytest.raises(NoSolution, match="no exposure is sure"):  # the limit itself
        assured_log_exposure(replace(level, t_degrees_of_freedom=math.inf), 0.2, assurance=0.9)
    narrow, wide = bands(fit, 3.0, confidence=0.9, coupon_variance=0.01)
    t = stats.t.ppf(0.95, 6)
    assert (narrow, wide) == pytest.approx((t * mean_sd(fit, 3.0), t * math.sqrt(mean_sd(fit, 3.0) ** 2 + 0.01)))


# ---------------------------------------------------------------- outlying points


def test_points_are_looked_at_in_ones_twos_and_threes():
    """A quarter of them at most, three at most, and no more sets than 32 points make of three (4960)."""
    for n, away, found in (
        (3, [1], None),
        (4, [1], 1),
        (7, [1, 5], None),  # two hide each other, and only one may be looked at
        (8, [1, 6], 2),
        (11, [1, 2, 9], 2),
        (12, [1, 2, 10], 3),
        (32, [1, 2, 3], 3),
        (33, [1, 2, 3], 2),
    ):
        x = np.arange(float(n))
        y = x + 0.01 * (-1.0) ** (x * (x - 1) / 2)
        y[away] += 5.0
        got = outlying(x, y)
        assert (None if got is None else len(got.index)) == found or (found == 2 and got is None), (n, away)
    assert outlying(np.ones(6), np.arange(6.0)) is None


@pytest.mark.parametrize(("away", "level"), [([2], 0.020), ([2, 9], 0.028), ([2, 6, 9], 0.004)])
def test_one_two_or_three_points_are_odd_below_their_chances(away, level):
    """At a size of the odd points whose chance is just 2 %, 2.8 % or 0.4 %: a little smaller is left alone, a little larger told."""
    x = np.arange(12.0)
    y = x + 0.3 * np.cos(5.0 * x)

    def found(size, levels=LEVELS):
        return outlying(x, y + size * np.isin(x, away), levels=levels)

    only = tuple(float(k == len(away)) for k in (1, 2, 3))
    low, high = 0.0, 9.0
    for _ in range(20):
        size = (low + high) / 2.0
        got = found(size, only)
        low, high = (size, high) if got is None or got.p > level else (low, size)
    assert [outcome and outcome.index for outcome in (found(0.999 * size, np.multiply(only, LEVELS)), found(1.001 * size))] == [
        None,
        tuple(away),
    ]


def test_the_chance_of_an_outlying_point_is_bonferronis():
    """One: n times the p of the externally studentised residual. Two: F on 2 and n - 4, all pairs, sqrt(6/n)."""
    x, y = np.arange(9.0), np.array([0.1, 0.9, 2.2, 2.9, 4.1, 5.6, 5.9, 7.1, 7.9])
    got = outlying(x, y, levels=(0.9,))
    t = OLS(y, add_constant(x)).fit().get_influence().resid_studentized_external
    assert got.index == (5,)
    assert got.p == pytest.approx(min(1.0, 9 * 2 * stats.t.sf(abs(t[5]), 6)))
    assert got.studentised[0] == pytest.approx(t[5])
    assert got.away[0] == pytest.approx(5.6 - np.polyval(np.polyfit(np.delete(x, 5), np.delete(y, 5), 1), 5.0))
    assert outlying(x, y, levels=(got.p,)) is None
    assert outlying(x, x + off_the_line(x, 1.0), levels=(1.5,)).p == 1.0  # a chance is no more than one
    assert outlying(x, np.where(x == 3.0, 9.0, x)).p < 1e-30
    assert outlying(x, np.zeros(9)) is None
    y[[2, 5]] += 2.0
    pair = outlying(x, y, levels=(0.0, 1.0))
    assert pair.index == (2, 5)
    whole, rest = WLS(y, add_constant(x)).fit().ssr, WLS(np.delete(y, [2, 5]), add_constant(np.delete(x, [2, 5]))).fit().ssr
    f = (whole - rest) / 2 / (rest / 5)
    assert pair.p == pytest.approx(min(1.0, stats.f.sf(f, 2, 5) * 36 * math.sqrt(6 / 9)))
    keep = np.arange(9) < 3
    assert fit_of(x, y, None, keep).n == 3
    assert fit_of(x, y, None, np.arange(9) < 2) is None
    assert fit_of(np.ones(9), y, None, keep) is None


# ---------------------------------------------------------------- propagation


def test_uncertainties_combine_as_the_guide_says():
    """JCGM 100 eq. 16: u^2 = sum c_i^2 u_i^2 + 2 r c_1 c_2 u_1 u_2; logarithmic derivatives of a^2/b are 2 f and -f."""
    gradient = log_gradient(lambda x: {"f": x["a"] ** 2 / x["b"], "g": 0.0 * x["a"] + 7.0}, {"a": 3.0, "b": 2.0}, ["a", "b"])
    assert (gradient["f"]["a"], gradient["f"]["b"]) == pytest.approx((9.0, -4.5), rel=1e-9)
    assert gradient["g"] == {"a": 0.0, "b": 0.0}
    for r in (0.0, 0.5, 1.0):
        u = standard_uncertainties({"f": {"a": 9.0, "b": -4.5}}, {"a": 0.01, "b": 0.02}, {("a", "b"): r})["f"]
        assert u == pytest.approx(math.sqrt(0.09**2 + 0.09**2 - 2 * r * 0.09**2), abs=1e-12)
    assert effective_degrees_of_freedom([3.0, 4.0], [5, math.inf]) == pytest.approx(625 / (81 / 5))
    assert effective_degrees_of_freedom([3.0, 4.0], [math.inf, math.inf]) == math.inf


def test_draws_have_the_spread_and_the_correlation_that_were_stated():
    values, u = {"power": 300.0, "critical_exposure": 8.0, "scan_speed": 5.0}, {"power": 6.0, "critical_exposure": 1.6, "scan_speed": 0.0}
    drawn = draw_inputs(values, u, {("power", "critical_exposure"): -0.6}, draws=40_000, seed=1)
    assert drawn["scan_speed"] == 5.0
    log = np.log(drawn["critical_exposure"] / 8.0)
    assert (drawn["power"].mean(), drawn["power"].std()) == (pytest.approx(300.0, abs=0.15), pytest.approx(6.0, rel=0.02))
    assert (log.mean(), log.std()) == (pytest.approx(0.0, abs=0.005), pytest.approx(0.2, rel=0.02))
    assert np.corrcoef(drawn["power"], log)[0, 1] == pytest.approx(-0.6, abs=0.02)
    with pytest.raises(QuantityError, match="power: a standard uncertainty of 50 % lets Gaussian draws fall to zero"):
        draw_inputs({"power": 300.0}, {"power": 150.0}, draws=1000, seed=1)
    lowest = -np.random.default_rng(1).standard_normal(9).min()
    with pytest.raises(QuantityError, match="fall to zero or below"):  # one draw is nothing: so many of its uncertainty away
        draw_inputs({"power": lowest}, {"power": 1.0}, draws=9, seed=1)
    three = dict.fromkeys((("a", "b"), ("b", "c"), ("a", "c")), -0.9)
    with pytest.raises(QuantityError, match="contradict each other"):
        draw_inputs(dict.fromkeys("abc", 1.0), dict.fromkeys("abc", 0.01), three, draws=10, seed=1)
    same = draw_inputs(dict.fromkeys("ab", 1.0), dict.fromkeys("ab", 0.01), {("a", "b"): 1.0}, draws=10, seed=1)
    assert same["a"] == pytest.approx(same["b"])


def test_intervals_of_drawn_values():
    v = np.arange(1.0, 101.0) ** 2
    mc = monte_carlo(v, confidence=0.95)
    assert mc.standard_uncertainty == pytest.approx(np.std(v, ddof=1))
    assert mc.interval == pytest.approx(tuple(np.quantile(v, [0.025, 0.975])))
    assert (mc.shortest, mc.draws, mc.confidence) == ((1.0, 95.0**2), 100, 0.95)
    assert shortest_interval([1.0, 2.0, 4.0, 8.0], confidence=0.5) == (1.0, 2.0)
    assert shortest_interval([1.0, 2.0, 4.0, 8.0], confidence=0.01) == (1.0, 1.0)  # one at least
    assert shortest_interval([0.0, 5.0, 6.0], confidence=0.99) == (0.0, 6.0)


def test_a_fit_without_spare_points_or_with_an_idle_parameter():
    x = np.array([0.0, 1.0])
    exact = least_squares(lambda p: (p[0] + p[1] * x, np.stack([np.ones(2), x], 1)), [1.0, 3.0], [0.0, 0.0])
    assert exact.parameters == pytest.approx([1.0, 2.0])
    assert (exact.degrees_of_freedom, exact.residual_sd) == (0, math.inf)
    x = np.array([0.0, 1.0, 2.0])
    idle = least_squares(lambda p: (p[0] + 0.0 * x, np.stack([np.ones(3), 0.0 * x], 1)), [1.0, 2.0, 6.0], [0.0, 5.0])
    assert idle.parameters == pytest.approx([3.0, 5.0])
    assert idle.converged
    weighted = least_squares(lambda p: (p[0] + 0.0 * x, np.ones((3, 1))), [1.0, 2.0, 6.0], [0.0], sigma=[1.0, 1.0, 2.0])
    assert weighted.parameters[0] == pytest.approx((1 + 2 + 6 / 4) / 2.25)
    left = 1.0 + 0.0 + 16 / 4
    assert weighted.sd[0] == pytest.approx(math.sqrt(left / 2 / 2.25))
    assert not least_squares(lambda p: (np.exp(p[0] * x), (x * np.exp(p[0] * x))[:, None]), [1.0, 9.0, 81.0], [0.0], max_steps=1).converged
    assert least_squares(lambda p: (p[0] * x, x[:, None]), np.zeros(3), [0.0]).converged
    rounds = itertools.count(1)
    falling = least_squares(lambda p: (np.array([1.0 + 1.0 / next(rounds)]), np.ones((1, 1))), [0.0], [0.0])
    assert (falling.converged, next(rounds)) == (False, 202)  # the beginning and two hundred steps


def test_a_bend_wants_four_points_at_three_places():
    assert curvature([1.0, 2.0, 3.0], [1.0, 4.0, 9.0]) is None
    assert curvature([1.0, 1.0, 2.0, 2.0], [1.0, 1.1, 4.0, 4.1]) is None
    bend, _, _, dof = curvature([1.0, 2.0, 3.0, 4.0], [1.0, 4.0, 9.0, 16.0])
    assert (bend, dof) == (pytest.approx(1.0), 1)
    assert curvature([1.0, 1.0, 2.0, 3.0], [1.0, 1.0, 4.0, 9.1]) is not None
