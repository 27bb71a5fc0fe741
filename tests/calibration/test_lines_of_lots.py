"""Lines of lots by their definitions in matrices, and all lines exactly where they can no longer be told."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.api import add_constant
from statsmodels.regression.linear_model import OLS

from curecalc.calibration.many import fit_lots
from curecalc.errors import QuantityError
from curecalc.statistics import coupon_line as lot_lines
from curecalc.statistics.coupon_line import CouponLine, coarse, coupon_line, stated_line, two_component_line, with_earlier_lots
from curecalc.statistics.diagnostics import added_term, curvature, groups_of, influence, lack_of_fit, parabola, robust_line
from curecalc.statistics.intervals import chi_squared_p, inverse, slope_interval, t_factor, t_p, t_quantile, t_tail
from curecalc.statistics.line import line_of_moments, mean_sd, ordinary_line, relative_line, weighted_line, york_line
from curecalc.statistics.lines import compare_lines, difference_at, log_exposure_change
from curecalc.statistics.outlying import fit_of, outlying
from curecalc.statistics.points import influence_of_points, inverse_of_points
from curecalc.statistics.uncertainty import draw_inputs, log_gradient, monte_carlo, shortest_interval
from curecalc.units import Quantity as Q

X = np.array([1.0, 1.5, 2.0, 2.8, 3.0, 3.5, 4.1])


def by_definition(x, y, m, within):
    """Slope and height at zero, their covariance, the next coupon's variance, degrees of freedom: generalised least squares."""
    n, dof, design = x.size, (m - 1).sum(), np.column_stack([np.ones(x.size), x])
    shares = 1 / (1 + np.exp(-np.linspace(-4.0, 4.0, 11)))
    logs, below, variances = [], [], []
    for share in shares:
        v = np.diag(share + (1 - share) / m)
        precision = np.linalg.inv(v)
        covariance = np.linalg.inv(design.T @ precision @ design)
        left = y - design @ covariance @ design.T @ precision @ y
        squares = left @ precision @ left
        ends = np.linalg.slogdet(v)[1] - np.linalg.slogdet(covariance)[1]
        logs.append(-0.5 * (dof * math.log(1 - share) + ends + (dof + n - 2) * math.log(within / (1 - share) + squares)))
        below.append(stats.f.sf((1 - share) * squares / (n - 2) / (within / dof), n - 2, dof))
        variances.append(np.diag(v) / np.diag(v).mean())
    likely = np.exp(np.array(logs) - max(logs))
    w = (likely / likely.sum()) @ (1 / np.array(variances))
    w = np.diag(w / w.mean())
    hat = np.linalg.inv(design.T @ w @ design) @ design.T @ w
    rest = np.eye(n) - design @ hat
    squares = (rest @ y) @ w @ (rest @ y)
    covariance, coupon, logs = np.zeros((2, 2)), 0.0, []
    probability = np.diff([0.0, *below, 1.0])
    for p, share in zip(probability, [0.0, *((shares[1:] + shares[:-1]) / 2), 1.0]):
        v = np.diag(share + (1 - share) / m)
        v = v / np.trace(v) * n
        scale = squares / np.trace(rest.T @ w @ rest @ v)
        one = scale * hat @ v @ hat.T
        covariance, coupon = covariance + p * one, coupon + p * scale * (1 + 0.21 * np.diag(v).var())
        at = np.array([1.0, np.diag(w) @ x / n])
        logs.append(np.log([at @ one @ at, one[1, 1]]))
    away = np.array(logs) - probability @ np.array(logs)
    return hat @ y, covariance, coupon, 1 / (1 / (n - 2) + 0.5 * (probability @ away**2).max())


@pytest.mark.parametrize("counts", [(1, 3, 1, 5, 2, 1, 4), (1, 1, 1, 2, 1, 1, 1)])
def test_two_components_by_their_definition_in_matrices(counts):
    rng, m = np.random.default_rng(1), np.array(counts, dtype=float)
    for within in (2e-5, 2e-4):
        y = 0.15 * X + rng.normal(0, 0.004, 7)
        (height, slope), covariance, coupon, dof = by_definition(X, y, m, within)
        line, weight = two_component_line(X, y, m, within)
        assert (line.intercept, line.slope) == pytest.approx((height, slope), rel=1e-9)
        assert (line.intercept_sd, line.slope_sd) == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-9)
        assert (line.covariance, line.scale, line.t_degrees_of_freedom) == pytest.approx((covariance[0, 1], coupon, dof), rel=1e-9)
        assert line.correlation == pytest.approx(covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]))
        assert mean_sd(line, 2.5) == pytest.approx(math.sqrt(np.array([1, 2.5]) @ covariance @ [1, 2.5]), rel=1e-9)
        # two lots at once, and any unit: a ten-millionth of the scatter weighs coupons alike
        both, weights = two_component_line(X, np.stack([y, y[::-1]]), m, np.array([within, within]))
        assert (both.slope_sd[0], both.t_degrees_of_freedom[0]) == pytest.approx((line.slope_sd, dof))
        assert weights.mean(-1) == pytest.approx([1.0, 1.0])
        small = two_component_line(X, 0.15 * X + 1e-6 * (y - 0.15 * X), m, 1e-12 * within)[1]
        assert small == pytest.approx(weight, rel=1e-4)


def test_lots_of_equal_and_of_no_readings_among_others():
    """A lot read once on every coupon is the ordinary line; an exact one has no uncertainty, and a place for it all the same."""
    y = 0.15 * X + 0.004 * np.array([1, -1, 1, 0, -1, 1, -1.0])
    m = np.stack([np.ones(7), [1, 3, 1, 5, 2, 1, 4]])
    lots = coupon_line(X, np.stack([y, y]), counts=m, within_squares=np.array([0.0, 1e-5])).line
    plain = ordinary_line(X, y)
    assert (lots.slope[0], lots.slope_sd[0], lots.t_degrees_of_freedom[0]) == pytest.approx((plain.slope, plain.slope_sd, 5.0))
    assert lots.slope_sd[1] == pytest.approx(two_component_line(X, y, m[1], 1e-5)[0].slope_sd)
    exact = two_component_line(np.arange(4.0), 2.0 * np.arange(4.0), [1, 2, 1, 1], 0.0)[0]
    assert (exact.slope, exact.slope_sd, exact.intercept_sd) == (2.0, 0.0, 0.0)
    assert (exact.x_mean, exact.y_mean) == (pytest.approx(1.5, abs=0.2), 2.0 * exact.x_mean)
    assert exact.correlation == pytest.approx(-exact.x_mean / math.sqrt(exact.sxx / exact.weight_sum + exact.x_mean**2))


def test_a_coarse_step_widens_only_the_lots_it_is_coarse_for():
    x = np.arange(6.0)
    lots = ordinary_line(x, np.stack([x + 0.5 * (-1.0) ** x, x + 0.001 * (-1.0) ** x]))
    wide = coarse(lots, 0.1)
    assert wide.scale == pytest.approx([lots.scale[0], lots.scale[1] + 0.01 / 12])
    assert wide.slope_sd == pytest.approx(np.sqrt(wide.scale / 17.5))
    line = replace(ordinary_line(x, x + 0.5 * (-1.0) ** x), scale=0.25)
    assert coarse(line, 0.5) is line  # as large as the scatter is not larger
    assert coupon_line(x, x, resolution=0.6).line.scale == pytest.approx(0.03)


def test_stated_weights_are_relative(monkeypatch):
    x, sigma = np.arange(7.0), np.array([1.0, 1, 2, 2, 1, 4, 1])
    y = x + 0.01 * (-1.0) ** x
    own = coupon_line(x, np.stack([y, y]))
    for found in (stated_line(x, y, coupon_line(x, y), sigma_y=sigma), stated_line(x, np.stack([y, y]), own, sigma_y=sigma)):
        weight = np.atleast_2d(found.weight)[0]
        assert weight == pytest.approx(sigma**-2.0 / (sigma**-2.0).mean())
    both = stated_line(x, y, coupon_line(x, y), sigma_y=sigma, sigma_x=0.5)
    assert both.line.scale == pytest.approx((sigma**2 + 0.25 * both.line.slope**2).mean())
    assert both.line.slope_sd == pytest.approx(york_line(x, y, 0.5, sigma).slope_sd)
    wild = X + 0.1 * (-1.0) ** np.arange(7.0)
    chance = chi_squared_p(weighted_line(X, wild, 0.1).sum_of_squares, 5)
    for believed, stated in ((chance, True), (1.001 * chance, False)):  # as rare as that is believed
        monkeypatch.setattr(lot_lines, "BELIEVED", believed)
        assert stated_line(X, wild, CouponLine(*2 * (replace(ordinary_line(X, wild), slope_sd=9.0),)), sigma_y=0.1).stated == stated
    known = weighted_line(X[:5], [0.0, 9.0, 0.0, 9.0, 0.0], 1.0)
    assert stated_line(X[:5], [0.0, 9.0, 0.0, 9.0, 0.0], CouponLine(known, known), sigma_y=1.0).stated  # as wide is not wider


def test_earlier_lots_add_their_precision_about_any_origin():
    """Precision matrices of (height at the origin, slope), summed outright; an exact line outweighs everything earlier."""
    x = np.array([1.0, 2.0, 3.0, 5.0])
    fit = weighted_line(x, [1.0, 2.5, 2.9, 5.2], [1.0, 1.0, 0.5, 2.0])
    for origin in (0.0, 4.0):
        design = np.column_stack([np.ones(4), x - origin])
        mine = design.T @ np.diag([1.0, 1.0, 4.0, 0.25]) @ design
        prior, mean = np.array([[0.4, 0.1], [0.1, 0.3]]), np.array([0.2, 0.7])
        together = np.linalg.inv(mine + np.linalg.inv(prior))
        best = together @ (design.T @ np.diag([1.0, 1.0, 4.0, 0.25]) @ [1.0, 2.5, 2.9, 5.2] + np.linalg.inv(prior) @ mean)
        line, weight = with_earlier_lots(fit, mean, prior, origin)
        at = np.array([1.0, 6.0 - origin])
        assert line.slope == pytest.approx(best[1])
        assert line.y_mean + line.slope * (6.0 - line.x_mean) == pytest.approx(at @ best)
        assert mean_sd(line, 6.0) == pytest.approx(math.sqrt(at @ together @ at))
        assert weight == pytest.approx(np.trace(together @ np.linalg.inv(prior)) / 2)
        lots, weights = with_earlier_lots(weighted_line(x, [[1.0, 2.5, 2.9, 5.2], x, 2.0 * x], [1.0, 1.0, 0.5, 2.0]), mean, prior, origin)
        assert (lots.slope[0], lots.slope_sd[0], weights[0]) == pytest.approx((line.slope, line.slope_sd, weight))
    exact, weight = with_earlier_lots(ordinary_line(x, 2.0 * x), [0.0, 1.0], np.diag([0.01, 0.01]), 0.0)
    assert (exact.slope, weight) == pytest.approx((2.0, 0.0), abs=1e-12)


# ---------------------------------------------------------------- what can no longer be told


def test_exposures_closer_than_a_rounding_are_one():
    far = ordinary_line(1.0 + 1e-10 * np.arange(3.0), [1.0, 2.0, 3.0])
    assert far.slope == pytest.approx(1e10, rel=1e-5)
    for same in (0.1, 0.3, 7.7):
        for n in (3, 7, 11):
            with pytest.raises(QuantityError, match="at least two different x"):
                ordinary_line(np.full(n, same), np.arange(float(n)))
            with pytest.raises(QuantityError, match="at least two different x"):
                weighted_line(np.full(n, same), np.arange(float(n)), np.linspace(1.0, 2.0, n))
    assert weighted_line(1.0 + 1e-10 * np.arange(3.0), [1.0, 2.0, 3.0], [1.0, 1.0, 1e-4]).slope == pytest.approx(1e10, rel=1e-5)
    with pytest.raises(QuantityError, match="at least three points, got 1"):
        ordinary_line(1.0, [2.0])
    with pytest.raises(QuantityError, match="two different x"):  # the last digit alone
        ordinary_line([1.0, np.nextafter(1.0, 2.0), 1.0], [1.0, 2.0, 3.0])
    with pytest.raises(QuantityError, match="at least three points, got 2"):
        ordinary_line(np.arange(2.0), np.zeros((5, 2)))
    three = ordinary_line(np.arange(3.0), np.zeros((2, 3)))
    assert (three.x_mean.shape, three.sxx.tolist(), three.weight_sum.tolist()) == ((2,), [2.0, 2.0], [3.0, 3.0])


def test_a_line_with_errors_in_both_axes_settles_or_is_refused():
    """Closed form of both errors alike at all points (Deming), with d the ratio of their variances."""
    y = X + np.array([0.1, -0.2, 0.3, 0.0, -0.4, 0.2, 0.1])
    (sxx, sxy), (_, syy) = np.cov(X, y)
    d = (0.2 / 0.5) ** 2
    slope = (syy - d * sxx + np.hypot(syy - d * sxx, 2.0 * np.sqrt(d) * sxy)) / (2.0 * sxy)
    assert york_line(X, y, 0.5, 0.2).slope == pytest.approx(slope, rel=1e-8)
    assert york_line([0.0, 1.0, 2.0], [1.0, 2.0, 1.0], 0.5, 0.2).slope == 0.0
    with pytest.raises(QuantityError, match="does not settle in 100 rounds"):
        york_line([0.0, 1.0, 0.0, 1.0], [0.0, 0.0, 1.0, 1.001], 1.0, 1.0)


def test_terms_that_other_terms_already_explain():
    x, y = np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([0.0, 1.2, 1.9, 3.3, 3.9])
    wave = np.array([1.0, -2.0, 1.0, 0.0, 0.0])
    theirs = OLS(y, np.column_stack([np.ones(5), x, wave])).fit()
    for size in (1.0, 1e-7):
        slope, t, p, dof = added_term(x, y, x + size * wave)
        assert (slope * size, t, p, dof) == pytest.approx((theirs.params[2], theirs.tvalues[2], theirs.pvalues[2], 2), rel=1e-4)
    assert added_term(x, y, 2.0 * x + 1.0) is None
    assert added_term(x, y, np.ones(5)) is None
    _, t, p, _ = added_term(x, np.zeros(5), wave)
    assert math.isnan(t)
    assert math.isnan(p)
    quadratic, t, p, dof = curvature(x, np.zeros(5))
    assert (quadratic, dof) == (0.0, 2)
    assert not p < 1.0
    with pytest.raises(QuantityError, match="three different x"):
        parabola([0.0, 0.0, 1.0, 1.0], [0.0, 0.0, 1.0, 1.0])
    near = np.array([0.0, 1e-4, 1.0, 1.0])
    assert parabola(near, near**2).quadratic == pytest.approx(1.0, rel=1e-6)
    assert parabola([0.0, 3e-8, 1.0, 1.0], [0.0, 0.0, 1.0, 1.0]).degrees_of_freedom == 1
    both = parabola(np.tile(near, (2, 1)), np.stack([near, near**2]))
    assert (both.quadratic, both.degrees_of_freedom) == (pytest.approx([0.0, 1.0], abs=1e-6), 1)


def test_points_that_carry_a_line_alone_and_points_of_three():
    x = np.array([0.0, 0.0, 0.0, 0.0, 4.0])
    alone = influence_of_points(x, [0.0, 0.1, -0.1, 0.2, 3.0])
    assert np.isnan([alone.internal[4], alone.external[4], alone.cook[4]]).all()
    assert (alone.outlier_p[4], alone.leverage[4]) == (1.0, pytest.approx(1.0))
    nearly = influence_of_points(np.array([0.0, 1e-4, 2e-4, 3e-4, 4.0]), [0.0, 0.1, -0.1, 0.2, 3.0])
    assert np.isfinite(nearly.external).all()
    three = influence_of_points([0.0, 1.0, 2.0], [0.0, 1.0, 3.0])
    assert np.isnan(three.external).all()
    assert three.outlier_p.tolist() == [1.0, 1.0, 1.0]
    assert np.abs(three.internal) == pytest.approx([1.0, 1.0, 1.0])
    y, w = np.stack([X, X[::-1]]) + 0.1 * np.cos(np.arange(7.0)), np.stack([np.arange(1.0, 8.0), np.ones(7)])
    both = influence(relative_line(X, y, w), np.tile(X, (2, 1)), weight=w)
    assert both.cook[0] == pytest.approx(influence(relative_line(X, y[0], w[0]), X, weight=w[0]).cook)
    for far in (9.0, 9.1, 9.2, 9.3, 30.0, 3.1):  # rounding of what is left differs, between machines too
        off = influence_of_points(np.arange(5.0), [0.0, 1.0, 2.0, far, 4.0])
        assert (off.external[3], off.outlier_p[3]) == (math.inf, 0.0)
    y = [1e-5, 1.0, 2.0, 9.0, 4.0]
    theirs = OLS(y, add_constant(np.arange(5.0))).fit().get_influence().resid_studentized_external[3]
    assert influence_of_points(np.arange(5.0), y).external[3] == pytest.approx(theirs, rel=1e-3)


def test_pairs_a_millionth_of_a_millionth_apart_have_no_slope():
    assert robust_line([0.0, 1e-9, 1.0], [0.0, 0.0, 1.0]).pairs == 3
    assert robust_line([0.0, 1e-13, 1.0], [0.0, 5.0, 1.0]).pairs == 2
    lots = robust_line(np.array([1.0, 2.0, 4.0, 8.0]), np.array([[1.0, 2.0, 4.0, 9.0], [2.0, 4.0, 8.0, 16.0], [0.0] * 4]), most=3)
    assert lots.intercept == pytest.approx([-1.5 / 12, 0.0, 0.0])
    assert (lots.slope.tolist(), lots.pairs) == ([pytest.approx((1.0 + 7 / 6) / 2), 2.0, 0.0], 2)


def test_weights_and_groups_of_a_lack_of_fit():
    assert groups_of([1.0, 2.0, 2.0, 5.0]).tolist() == [0, 1, 1, 2]
    found = lack_of_fit([1.0, 1.0, 2.0, 3.0], [0.0, 2.0, 1.0, 4.0], group=[0, 0, 1, 2])
    # least squares: slope 3/2 about (7/4, 7/4); pure error 2 on one
    assert found.pure_error_squares == pytest.approx(2.0)
    line = ordinary_line([1.0, 1.0, 2.0, 3.0], [0.0, 2.0, 1.0, 4.0])
    assert found.lack_of_fit_squares == pytest.approx(line.sum_of_squares - 2.0)


def test_tails_of_students_t_and_of_the_normal():
    for dof in (1, 7, 1e9, math.inf):
        assert t_tail(1.7, dof) == pytest.approx(stats.t.sf(1.7, dof), rel=1e-6)
        assert t_tail(-1.7, dof) == pytest.approx(stats.t.cdf(1.7, dof), rel=1e-6)
        assert t_p(-1.7, dof) == pytest.approx(2 * stats.t.sf(1.7, dof), rel=1e-6)
        assert t_quantile(0.9, dof) == pytest.approx(stats.t.ppf(0.9, dof), rel=1e-6)
    assert t_p([1.7, math.inf], [2, 3]) == pytest.approx([2 * stats.t.sf(1.7, 2), 0.0])


def test_what_is_taken_where_nothing_is_said():
    """95 %, the mean response, no tolerance."""
    fit = ordinary_line(X, 0.15 * X + 0.004 * np.array([1, -1, 1, 0, -1, 1, -1.0]))
    t = stats.t.ppf(0.975, 5)
    assert slope_interval(fit) == pytest.approx((fit.slope - t * fit.slope_sd, fit.slope + t * fit.slope_sd))
    assert t_factor(0.95, 5) == pytest.approx(t)
    assert inverse(fit, 0.3).low == inverse(fit, 0.3, future_variance=0.0, confidence=0.95).low
    y = fit.y_mean + fit.slope * (X - fit.x_mean) + fit.residuals
    assert inverse_of_points(X, y, 0.3).half_width == pytest.approx(t * inverse(fit, 0.3).standard_error)
    assert inverse_of_points(X, y, 0.3, sigma=0.1).standard_error == pytest.approx(inverse(weighted_line(X, y, 0.1), 0.3).standard_error)
    other = ordinary_line(X, y + 0.01)
    for found in (difference_at(fit, other, 2.0), log_exposure_change(fit, other, 0.3, confidence=0.95)):
        assert found.high - found.value == pytest.approx(stats.t.ppf(0.95, found.degrees_of_freedom) * found.standard_uncertainty)
        assert not found.equivalent
    on = difference_at(fit, other, 2.0)
    assert not difference_at(fit, other, 2.0, tolerance=on.high).equivalent  # on the tolerance is not inside
    assert not difference_at(other, fit, 2.0, tolerance=on.high).equivalent
    assert difference_at(fit, other, 2.0, tolerance=1.0001 * on.high).equivalent
    exact = ordinary_line(np.arange(4.0), np.arange(4.0))
    none = difference_at(exact, exact, 2.0, tolerance=0.1)
    assert (none.degrees_of_freedom, none.low, none.equivalent) == (math.inf, 0.0, True)
    unlike = compare_lines([(X, y), (X[:4], 0.16 * X[:4] + fit.residuals[3:])])
    assert unlike.slope_difference_t == pytest.approx(math.sqrt(unlike.slopes.f))  # F on one is t squared
    same = compare_lines([(X, y), (X, y)])
    assert (same.slopes.f, same.intercepts.f, same.slope_difference_t) == (pytest.approx(0.0, abs=1e-9), pytest.approx(0.0, abs=1e-9), 0.0)


def test_moments_of_a_line_whose_height_and_slope_go_together():
    line = line_of_moments(ordinary_line(X, X), 0.5, 0.25, 2.0, 5.0, cross=0.2)
    about = line.x_mean - X.mean()
    assert about == pytest.approx(-0.2 / 0.25)  # where the height is least uncertain
    assert mean_sd(line, X.mean()) == pytest.approx(math.sqrt(0.5))
    assert mean_sd(line, X.mean() + 1.0) == pytest.approx(math.sqrt(0.5 + 0.4 + 0.25))
    assert line.scale / line.weight_sum == pytest.approx(0.5 - 0.2**2 / 0.25)
    assert relative_line(X, X + 0.0, np.ones(7)).sxx == pytest.approx(((X - X.mean()) ** 2).sum())


# ---------------------------------------------------------------- outlying points and draws


def test_odd_points_of_very_many_and_of_one_that_stands_far_off():
    x = np.arange(5001.0)
    y = 0.01 * (-1.0) ** x
    y[77] = 3.0
    assert outlying(x, y).index == (77,)
    x = np.append(np.arange(7.0), 3000.0)
    y = x + 0.1 * np.array([1, -1, 1, -1, -1, 1, 0, 0])
    y[7] += 400.0
    assert outlying(x, y).index == (7,)
    exact = np.arange(12.0)
    for odd in ([3], [3, 8]):
        off = exact.copy()
        off[odd] += [5.0, -2.0][: len(odd)]
        assert outlying(exact, off).index == tuple(odd)
    keep = np.array([True, True, True, False])
    assert fit_of(1e-5 * np.arange(4.0), np.arange(4.0), None, keep).slope == pytest.approx(1e5)


def test_differences_of_a_rounding_are_none():
    """Four roundings are none, five are some."""
    eps = np.finfo(float).eps
    for roundings, found in ((4.0, 0.0), (4.5, 4.5 * eps / 2e-6), (-4.0, 0.0)):
        gradient = log_gradient(lambda x, k=roundings: {"f": np.where(x["a"] > 3.0, 1.0, 1.0 - k * eps)}, {"a": 3.0}, ["a"])
        assert gradient["f"]["a"] == pytest.approx(found, rel=1e-9)


def test_correlations_a_little_beyond_what_is_possible():
    one = dict.fromkeys("ab", 1.0)
    with pytest.raises(QuantityError, match="contradict each other"):
        draw_inputs(one, dict.fromkeys("ab", 0.01), {("a", "b"): 1.0005}, draws=10, seed=1)
    assert draw_inputs(one, {}, draws=10, seed=1) == one
    assert draw_inputs(one, {"c": 1.0}, {("a", "c"): 0.5}, draws=10, seed=1) == one
    assert shortest_interval([3.0], confidence=0.99) == (3.0, 3.0)
    assert monte_carlo([1.0, 2.0], confidence=0.9).standard_uncertainty == pytest.approx(math.sqrt(0.5))


def test_lots_read_unequally_need_how_readings_repeat():
    e, y = Q(np.exp(X), "mJ/cm^2"), Q(np.stack([0.15 * X, 0.15 * X]) + 0.004 * (-1.0) ** np.arange(7), "mm")
    m = np.array([1, 3, 1, 5, 2, 1, 4])
    lots = fit_lots(exposure=e, thickness=y, readings=m, repeatability=Q(2.0, "um"))
    alone = two_component_line(X, y.m_as("mm")[0], m, 0.002**2 * 10)[0]
    assert lots.penetration_depth_interval[1][0].m_as("mm") == pytest.approx(slope_interval(alone)[1])
    for bad in (m - 1, None):
        with pytest.raises(QuantityError, match="readings must be whole numbers from 1"):
            fit_lots(exposure=e, thickness=y, readings=m if bad is None else bad, repeatability=None if bad is None else Q(2.0, "um"))
    readings = y.m_as("mm")[..., None] + 0.001 * np.array([-1.0, 0.0, 1.0])
    plain = fit_lots(exposure=e, thickness=y)
    assert fit_lots(exposure=e, thickness=Q(readings, "mm")).residual_sd.m.tolist() == pytest.approx(plain.residual_sd.m.tolist())
    assert (plain.exposure_for_depth, plain.mean_interval) == (None, None)
    stepped = fit_lots(exposure=e, thickness=y, gauge_resolution=Q(20.0, "um"))
    one = coarse(ordinary_line(X, y.m_as("mm")[0]), 0.02)
    assert stepped.penetration_depth_interval[1][0].m_as("mm") == pytest.approx(slope_interval(one)[1])
