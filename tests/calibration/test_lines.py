"""Line fits against general-purpose libraries, and the properties they must have."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.regression.linear_model import OLS, WLS
from statsmodels.tools.tools import add_constant

from curecalc.errors import QuantityError
from curecalc.statistics.diagnostics import added_term, curvature, groups_of, influence, lack_of_fit, parabola, robust_line, within_groups
from curecalc.statistics.intervals import f_p, inverse, slope_interval, t_factor, t_p
from curecalc.statistics.line import mean_sd, ordinary_line, prediction_sd, relative_line, value_at, weighted_line, york_line
from curecalc.statistics.working_line import covariance

NORRIS = "nist_norris.csv"


def norris():
    from curecalc.validation import reference_folder

    table = np.genfromtxt(reference_folder() / "data" / NORRIS, delimiter=",", names=True)
    return table["x"], table["y"]


def digits(got, want):
    return -np.log10(abs(got - want) / abs(want)) if got != want else 16.0


def test_norris_keeps_at_least_eleven_digits():
    fit = ordinary_line(*norris())
    for got, want in (
        (fit.intercept, -0.262323073774029),
        (fit.intercept_sd, 0.232818234301152),
        (fit.slope, 1.00211681802045),
        (fit.slope_sd, 0.429796848199937e-03),
        (fit.residual_sd, 0.884796396144373),
        (fit.regression_f, 5436385.54079785),
    ):
        assert digits(got, want) > 11.5


def test_norris_far_from_the_origin_loses_nothing_to_cancellation():
    x, y = norris()
    fit, far = ordinary_line(x, y), ordinary_line(x + 1e6, y)
    # x + 1e6 is itself rounded, by 1e-10 at most; uncentred sums would lose 1e-4
    assert far.slope == pytest.approx(fit.slope, rel=1e-11)
    assert far.residual_sd == pytest.approx(fit.residual_sd, rel=1e-9)


def random_points(seed, n=9):
    rng = np.random.default_rng(seed)
    x = rng.uniform(1.0, 4.0, n)
    return rng, x, 0.15 * x - 0.3 + rng.normal(0, 0.01, n)


@pytest.mark.parametrize("seed", range(5))
def test_ordinary_line_and_bands_agree_with_a_general_library(seed):
    _, x, y = random_points(seed)
    other = OLS(y, add_constant(x)).fit()
    fit = ordinary_line(x, y)
    assert [fit.intercept, fit.slope] == pytest.approx(list(other.params), rel=1e-10)
    assert [fit.intercept_sd, fit.slope_sd] == pytest.approx(list(other.bse), rel=1e-10)
    assert fit.covariance == pytest.approx(other.cov_params()[0, 1], rel=1e-10)
    assert slope_interval(fit) == pytest.approx(tuple(other.conf_int()[1]), rel=1e-10)
    at = np.array([0.5, 2.0, 5.0])
    band = other.get_prediction(add_constant(at)).summary_frame()
    t = t_factor(0.95, fit.degrees_of_freedom)
    np.testing.assert_allclose(value_at(fit, at) - t * mean_sd(fit, at), band["mean_ci_lower"], rtol=1e-9)
    np.testing.assert_allclose(value_at(fit, at) + t * prediction_sd(fit, at), band["obs_ci_upper"], rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_weighted_lines_agree_with_a_general_library(seed):
    rng, x, y = random_points(seed)
    sigma = rng.uniform(0.005, 0.02, x.size)
    other = WLS(y, add_constant(x), weights=1 / sigma**2)
    known, scaled = other.fit(cov_type="fixed scale"), other.fit()
    fit, relative = weighted_line(x, y, sigma), relative_line(x, y, 1 / sigma**2)
    assert [fit.intercept_sd, fit.slope_sd] == pytest.approx(list(known.bse), rel=1e-9)
    assert [relative.intercept_sd, relative.slope_sd] == pytest.approx(list(scaled.bse), rel=1e-9)
    assert fit.sum_of_squares == pytest.approx(scaled.scale * scaled.df_resid, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_both_axes_agree_with_orthogonal_distance_regression(seed):
    odr = pytest.importorskip("odrpack")
    rng, x, y = random_points(seed, 12)
    sx, sy = rng.uniform(0.01, 0.05, x.size), rng.uniform(0.005, 0.02, x.size)
    fit = york_line(x, y, sx, sy)
    other = odr.odr_fit(
        lambda x, b: b[0] + b[1] * x,
        x,
        y,
        np.array([0.0, 0.1]),
        weight_x=1 / sx**2,
        weight_y=1 / sy**2,
        diff_scheme="central",
        sstol=1e-15,
        partol=1e-15,
    )
    assert [fit.intercept, fit.slope] == pytest.approx(list(other.beta), rel=1e-6)
    assert fit.sum_of_squares == pytest.approx(other.sum_square, rel=1e-6)
    unscaled = other.sd_beta / np.sqrt(other.res_var)
    assert [fit.intercept_sd, fit.slope_sd] == pytest.approx(list(unscaled), rel=1e-3)


def test_both_axes_becomes_weighted_when_x_is_exact():
    rng, x, y = random_points(3)
    sigma = rng.uniform(0.005, 0.02, x.size)
    a, b = york_line(x, y, 0.0, sigma), weighted_line(x, y, sigma)
    for name in ("slope", "intercept", "slope_sd", "intercept_sd", "sum_of_squares"):
        assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_influence_agrees_with_a_general_library(seed):
    _, x, y = random_points(seed)
    y[3] += 0.06
    other = OLS(y, add_constant(x)).fit()
    theirs = other.get_influence()
    ours = influence(ordinary_line(x, y), x)
    np.testing.assert_allclose(ours.leverage, theirs.hat_matrix_diag, rtol=1e-9)
    np.testing.assert_allclose(ours.internal, theirs.resid_studentized_internal, rtol=1e-9)
    np.testing.assert_allclose(ours.external, theirs.resid_studentized_external, rtol=1e-9)
    np.testing.assert_allclose(ours.cook, theirs.cooks_distance[0], rtol=1e-9)
    test = other.outlier_test()
    np.testing.assert_allclose(ours.bonferroni_p, test[:, 2], rtol=1e-8)


@pytest.mark.parametrize("seed", range(3))
def test_curvature_and_added_term_agree_with_a_general_library(seed):
    rng, x, y = random_points(seed)
    z = rng.normal(size=x.size)
    bent = OLS(y, np.stack([np.ones_like(x), x, x**2], 1)).fit()
    coefficient, t, p, dof = curvature(x, y)
    assert (coefficient, t, p, dof) == pytest.approx((bent.params[2], bent.tvalues[2], bent.pvalues[2], 6), rel=1e-6)
    curve = parabola(x, y)
    assert [curve.constant, curve.linear] == pytest.approx(list(bent.params[:2]), rel=1e-6)
    assert [curve.constant_sd, curve.linear_sd] == pytest.approx(list(bent.bse[:2]), rel=1e-6)
    more = OLS(y, np.stack([np.ones_like(x), x, z], 1)).fit()
    coefficient, t, p, _ = added_term(x, y, z)
    assert (coefficient, t, p) == pytest.approx((more.params[2], more.tvalues[2], more.pvalues[2]), rel=1e-6)


def test_lack_of_fit_agrees_with_the_nested_models_of_a_general_library():
    rng = np.random.default_rng(8)
    x = np.repeat([1.0, 2.0, 3.0, 4.0], [2, 3, 1, 2])
    y = x + rng.normal(0, 0.1, x.size)
    levels = (x[:, None] == np.unique(x)).astype(float)
    f, p, dof = OLS(y, levels).fit().compare_f_test(OLS(y, add_constant(x)).fit())
    ours = lack_of_fit(x, y)
    assert (ours.f, ours.p, ours.lack_of_fit_degrees_of_freedom) == pytest.approx((f, p, dof), rel=1e-9)
    assert lack_of_fit([1.0, 2.0, 3.0], [1.0, 2.0, 3.0]) is None
    assert lack_of_fit([1.0, 1.0, 3.0], [1.0, 2.0, 3.0]) is None


def test_robust_line_agrees_with_a_general_library_and_ignores_wild_points():
    from scipy.stats import theilslopes

    _, x, y = random_points(2)
    y[0] += 5.0
    other = theilslopes(y, x, method="joint")
    ours = robust_line(x, y)
    assert (ours.slope, ours.intercept) == pytest.approx((other.slope, other.intercept), rel=1e-12)
    assert ours.slope == pytest.approx(0.15, abs=0.03)


def test_robust_line_of_very_many_points_and_of_equal_x():
    rng = np.random.default_rng(4)
    x = np.repeat(np.linspace(1, 4, 5000), 2)
    y = 0.15 * x - 0.3 + rng.normal(0, 0.01, x.size)
    ours = robust_line(x, y)
    assert ours.slope == pytest.approx(0.15, abs=1e-3)
    assert ours.pairs == 5000
    assert robust_line([1.0, 1.0, 2.0, 2.0], [0.0, 0.1, 1.0, 1.1]).slope == pytest.approx(1.0)


def test_groups_and_within():
    assert groups_of([3.0, 1.0, 3.0000001, 2.0], relative=1e-6).tolist() == [2, 0, 2, 1]
    squares, dof = within_groups([1.0, 3.0, 5.0], [0, 0, 1])
    assert (squares, dof) == (2.0, 1)


def test_lots_together_equal_lots_one_by_one():
    rng = np.random.default_rng(5)
    x = np.log(np.geomspace(10, 60, 8))
    y = 0.15 * (x - 2.0) + rng.normal(0, 0.005, (7, 8))
    sigma = rng.uniform(0.004, 0.006, (7, 8))
    for many, one in (
        (ordinary_line(x, y), lambda i: ordinary_line(x, y[i])),
        (weighted_line(x, y, sigma), lambda i: weighted_line(x, y[i], sigma[i])),
        (york_line(x, y, 0.01, sigma), lambda i: york_line(x, y[i], 0.01, sigma[i])),
    ):
        for i in range(7):
            single = one(i)
            for name in ("slope", "intercept", "slope_sd", "intercept_sd", "covariance", "correlation", "residual_sd"):
                assert getattr(many, name)[i] == pytest.approx(getattr(single, name), rel=1e-9)
            a, b = inverse(many, 0.1, future_variance=many.scale), inverse(single, 0.1, future_variance=single.scale)
            assert (a.value[i], a.low[i], a.high[i], a.g[i]) == pytest.approx((b.value, b.low, b.high, b.g), rel=1e-9)
            assert a.kind[i] == b.kind == "bounded"
    fit = ordinary_line(x, y)
    many = influence(fit, np.broadcast_to(x, y.shape))
    one = influence(ordinary_line(x, y[3]), x)
    np.testing.assert_allclose(many.external[3], one.external, rtol=1e-9)
    assert robust_line(x, y).slope[3] == pytest.approx(robust_line(x, y[3]).slope)
    assert lack_of_fit(np.repeat(x[:4], 2), y).f[2] == pytest.approx(lack_of_fit(np.repeat(x[:4], 2), y[2]).f)
    assert covariance(fit)[3] == pytest.approx(covariance(ordinary_line(x, y[3])))
    assert parabola(x, y).quadratic[2] == pytest.approx(parabola(x, y[2]).quadratic)


def test_the_exact_set_solves_its_own_equation():
    _, x, y = random_points(1)
    fit = ordinary_line(x, y)
    found = inverse(fit, 0.1, future_variance=fit.scale / 2)
    t = t_factor(0.95, fit.degrees_of_freedom)
    for end in (found.low, found.high):
        assert abs(value_at(fit, end) - 0.1) == pytest.approx(t * np.sqrt(mean_sd(fit, end) ** 2 + fit.scale / 2), rel=1e-9)


def test_an_unbounded_set_is_reported_as_such():
    x = np.array([1.0, 2.0, 3.0, 4.0])
    weak = inverse(ordinary_line(x, [0.0, 1.0, 0.2, 0.9]), 9.0)
    assert weak.g > 1
    assert weak.kind in ("outside", "everything")
    assert (weak.low, weak.high) == (-np.inf, np.inf)
    known = weighted_line(x, x, 1.0)
    t = t_factor(0.95, np.inf)
    for share, kind in ((0.99, "bounded"), (1.0, "everything"), (1.01, "everything"), (1.4, "everything")):
        flat = inverse(replace(known, slope=t, scale=share, sxx=1.0), known.y_mean)
        assert (flat.g, flat.kind) == (pytest.approx(share), kind)
    none = inverse(ordinary_line(x, [0.0, 1.0, 0.9, 0.05]), 0.5)
    assert none.kind == "everything"
    gap = inverse(ordinary_line(x, [0.0, 1.0, 0.2, 0.9]), 30.0)
    assert gap.kind == "outside"
    assert gap.gap_low < gap.gap_high


@given(slope=st.floats(0.02, 1.0), threshold=st.floats(0.0, 3.0), shift=st.floats(-5, 5), stretch=st.floats(0.1, 10.0))
def test_an_exact_line_is_recovered_and_units_do_not_matter(slope, threshold, shift, stretch):
    x = np.array([1.0, 1.7, 2.9, 4.0, 4.4])
    y = slope * (x - threshold)
    fit = ordinary_line(x, y)
    assert fit.slope == pytest.approx(slope, rel=1e-9)
    noisy = y + np.array([0.01, -0.02, 0.015, 0.0, -0.005])
    a, b = ordinary_line(x, noisy), ordinary_line(x + shift, stretch * noisy)
    assert b.slope == pytest.approx(stretch * a.slope, rel=1e-9)
    assert b.slope_sd == pytest.approx(stretch * a.slope_sd, rel=1e-6)
    assert inverse(b, 0.0).value == pytest.approx(inverse(a, 0.0).value + shift, rel=1e-7, abs=1e-8)


def test_known_uncertainties_are_never_rescaled_and_unknown_ones_are():
    x = np.array([1.0, 2.0, 3.0, 4.0])
    calm, wild = np.array([1.0, 2.0, 3.01, 4.0]), np.array([1.0, 2.3, 2.7, 4.0])
    assert weighted_line(x, calm, 0.1).slope_sd == pytest.approx(weighted_line(x, wild, 0.1).slope_sd)
    assert ordinary_line(x, wild).slope_sd > 10 * ordinary_line(x, calm).slope_sd
    assert weighted_line(x, calm, 0.1).t_degrees_of_freedom == np.inf
    assert t_factor(0.95, np.inf) == pytest.approx(1.959964, abs=1e-6)


def test_p_values_agree_with_distributions_of_a_general_library():
    from scipy import stats

    assert t_p(2.1, 5) == pytest.approx(2 * stats.t.sf(2.1, 5), rel=1e-10)
    assert t_p(2.1, np.inf) == pytest.approx(2 * stats.norm.sf(2.1), rel=1e-10)
    assert f_p(3.0, 2, 7) == pytest.approx(stats.f.sf(3.0, 2, 7), rel=1e-10)
    assert f_p(3.0, 2, np.inf) == pytest.approx(stats.chi2.sf(6.0, 2), rel=1e-10)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ordinary_line([1.0, 2.0], [1.0, 2.0]), "at least three points, got 2"),
        (lambda: ordinary_line(1.0, 2.0), "at least three points, got 1"),
        (lambda: ordinary_line([2.0, 2.0, 2.0], [1.0, 2.0, 3.0]), "two different x"),
        (lambda: parabola([1.0, 2.0, 1.0, 2.0], [1.0, 2.0, 3.0, 4.0]), "three different x"),
    ],
)
def test_impossible_lines_are_refused(call, words):
    with pytest.raises(QuantityError, match=words):
        call()
    assert curvature([1.0, 2.0, 1.0, 2.0], [1.0, 2.0, 3.0, 4.0]) is None
    assert added_term([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0, 4.5], [2.0, 4.0, 6.0, 8.0]) is None
