"""What the scatter about a scan's curve tells: each answer written out with full matrices, scipy's distributions, or by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from curecalc.spot.scatter import log_radius_scatter, misfit, rounding, uneven

TWO_PERCENT = stats.f.isf(0.02, 4, 4)  # variances of six readings each, two of them spent


def noise(*groups):
    """Per reading: how steep, how bright, residual; from (number, steep, bright, residual)."""
    return (np.concatenate([np.full(n, value) for n, *_, value in [(*g[:1], g[k]) for g in groups]]) for k in (1, 2, 3))


@pytest.mark.parametrize(
    ("many", "ratio", "seen"),
    [(6, 1.001 * TWO_PERCENT, True), (6, 0.999 * TWO_PERCENT, False), (5, stats.f.isf(0.0199, 3, 4), True), (4, 1e6, False)],
)
def test_jitter_is_told_from_steep_readings_against_flat_ones(many, ratio, seen):
    # steep: above 0.4 of the steepest; flat: below 0.1; what lies between counts for neither
    steep, _, r = noise((many - 1, 0.41, 1.0, math.sqrt(ratio)), (1, 1.0, 1.0, -math.sqrt(ratio)), (5, 0.09, 1.0, 1.0), (1, 0.0, 1.0, 1.0))
    between, _, wide = noise((3, 0.39, 1.0, 0.0), (3, 0.11, 1.0, 1e3))
    per_mm, residuals = np.append(steep, between), np.append(r, wide)
    rows = np.arange(per_mm.size + 1) < per_mm.size  # a last reading, left out
    per_mm, residuals = np.append(per_mm, 0.0), np.append(residuals, 1e6)
    sigma, jitter = uneven(residuals, per_mm, np.ones_like(per_mm), rows, floor=1e-12, u_position=0.0)
    if seen:
        assert jitter == pytest.approx(math.sqrt((ratio - 1.0) * many / ((many - 1) * 0.41**2 + 1.0)))
        assert sigma == pytest.approx(np.sqrt(1.0 + (jitter * per_mm) ** 2))
    else:
        assert (sigma, jitter) == (None, 0.0)


@pytest.mark.parametrize("dim", [False, True])
@pytest.mark.parametrize(
    ("many", "ratio", "seen"),
    [(6, 1.001 * TWO_PERCENT, True), (6, 0.999 * TWO_PERCENT, False), (5, stats.f.isf(0.0199, 3, 4), True), (4, 1e6, False)],
)
def test_light_noise_is_told_from_bright_readings_against_dark_ones(many, ratio, seen, dim):
    # of the range from 3 to 5: bright above 0.8 of it, dark below 0.2
    ends = (0.0, 0.19, 0.81, 1.0)
    high, low = (ends[1::-1], ends[2:]) if dim else (ends[2:], ends[1::-1])
    _, share, r = noise(
        (many - 1, 0.0, high[0], math.sqrt(ratio)), (1, 0.0, high[1], math.sqrt(ratio)), (5, 0.0, low[0], 1.0), (1, 0.0, low[1], 1.0)
    )
    share, residuals = np.append(share, [0.21, 0.79]), np.append(r, [1e3, 1e-3])
    sigma, jitter = uneven(residuals, np.zeros(share.size), 3.0 + 2.0 * share, np.ones(share.size, bool), floor=1e-12, u_position=0.0)
    assert jitter == 0.0
    if seen:
        assert sigma == pytest.approx(np.sqrt(1.0 + (ratio - 1.0) * (1.0 - share if dim else share) ** 2))
    else:
        assert sigma is None


def test_a_stated_uncertainty_of_positions_is_the_least_that_is_taken():
    steep, bright, r = noise((6, 2.0, 1.0, 1.0), (6, 0.0, 1.0, 2.0))
    every = np.ones(12, bool)
    sigma, jitter = uneven(r, steep, bright, every, floor=1e-12, u_position=0.5)
    assert (sigma, jitter) == (pytest.approx(np.sqrt(4.0 + (0.5 * steep) ** 2)), 0.5)  # flat readings scatter by 2
    sigma, jitter = uneven(r, np.full(12, 2.0), bright, every, floor=1e-12, u_position=0.5)
    assert sigma == pytest.approx(np.full(12, math.sqrt(2.5 + 1.0)))  # none is flat: all together, (1 + 4)/2
    for stated, taken in ((4.9, 5.0), (5.1, 5.1)):  # 101 = 1 + (5 x 2)^2
        sigma, jitter = uneven(np.repeat([math.sqrt(101.0), 1.0], 6), steep, bright, every, floor=1e-12, u_position=stated)
        assert jitter == pytest.approx(taken)
        assert sigma == pytest.approx(np.hypot(1.0, taken * steep))


def test_rounding_of_the_computer_is_even_scatter():
    steep, bright, r = noise((6, 1.0, 1.0, 0.99e-12), (6, 0.0, 0.0, 1e-16))
    every = np.ones(12, bool)
    assert uneven(r, steep, bright, every, floor=1e-12, u_position=0.0) == (None, 0.0)
    assert uneven(10.0 * r, steep, bright, every, floor=1e-12, u_position=0.0)[1] > 0.0
    sigma, _ = uneven(r, steep, bright, every, floor=1e-12, u_position=1.0)
    assert sigma[-1] == pytest.approx(1e-12)


# ---------------------------------------------------------------- what the shape leaves


def columns_of(n, seed=1):
    """Positions in standard deviations, four columns of a fit, residuals at right angles to them."""
    rng = np.random.default_rng(seed)
    away = np.linspace(-3.0, 3.0, n)
    columns = np.stack([np.exp(-0.5 * away**2), away * np.exp(-0.5 * away**2), np.ones(n), stats.norm.cdf(away)], axis=1)
    r = rng.standard_normal(n)
    return away, columns, r - columns @ np.linalg.lstsq(columns, r, rcond=None)[0]


def likeness(r):
    pairs = r[1:] * r[:-1]
    return stats.norm.sf(pairs.sum() / math.sqrt((pairs**2).sum()))


TERMS = {2: lambda g: g**2 - 1.0, 3: lambda g: g**3 - 3.0 * g, 4: lambda g: g**4 - 6.0 * g**2 + 3.0}  # Hermite, as in any table


@pytest.mark.parametrize("orders", [(2, 3), (3, 4)])
@pytest.mark.parametrize(("n", "size"), [(9, 0.0), (9, 30.0), (21, 3.0), (40, 0.0)])
def test_a_wrong_shape_is_tested_by_its_next_two_terms(orders, n, size):
    away, columns, r = columns_of(n)
    columns[2] *= 30.0  # a reading that the fit follows whatever it says
    terms = np.stack([TERMS[k](away) * np.exp(-0.5 * away**2) for k in orders], axis=1)
    r = 0.01 * r + 0.01 * size * terms @ [0.7, -0.4]
    both = np.hstack([columns, terms])
    inverse = np.linalg.inv(both.T @ both) @ both.T
    hat = np.diag(both @ inverse)
    left = (r - both @ inverse @ r) / np.maximum(1.0 - hat, 0.05)  # HC3; no reading counts more than twentyfold
    shift, spread = (inverse @ r)[-2:], (inverse @ np.diag(left**2) @ inverse.T)[-2:, -2:]
    p = stats.f.sf(shift @ np.linalg.inv(spread) @ shift / 2.0, 2, n - 6)
    wanted = [(p, math.sqrt(np.mean((terms @ shift) ** 2))), (likeness(r) if n >= 15 else 1.0, math.sqrt(np.mean(r**2)))]
    assert misfit(r, columns, away, orders=orders, floor=1e-12) == pytest.approx(min(wanted), rel=1e-6)


def test_neighbours_alike_are_a_pattern_from_fifteen_readings_on():
    for n in (14, 15):
        away = np.full(n, 50.0)  # far from the curve, where its terms say nothing
        r = np.where(np.arange(n) < 6, 1.0, -1.0)
        p, size = misfit(r, columns_of(n)[1], away, orders=(2, 3), floor=1e-12)
        assert size == 1.0
        assert p == pytest.approx(likeness(r) if n == 15 else 1.0)
    assert likeness(r) < 0.01


def test_too_few_readings_or_none_off_the_curve_show_no_misfit():
    away, columns, r = columns_of(8)  # two readings more than unknowns
    assert misfit(r, columns, away, orders=(2, 3), floor=1e-12) == (1.0, pytest.approx(math.sqrt(np.mean(r**2))))
    away, columns, r = columns_of(30)
    small = np.cos(away) / math.sqrt(np.mean(np.cos(away) ** 2))
    assert misfit(0.99e-6 * small, columns, away, orders=(2, 3), floor=1e-6) == (1.0, pytest.approx(0.99e-6))
    assert misfit(1.01e-6 * small, columns, away, orders=(2, 3), floor=1e-6)[0] < 0.01


# ---------------------------------------------------------------- the width's own uncertainty


@pytest.mark.parametrize("weighted", [False, True])
def test_the_width_takes_its_uncertainty_from_the_readings_that_decide_it(weighted):
    _, columns, r = columns_of(17)
    columns = np.column_stack([columns, np.zeros(17)])  # a column that says nothing
    columns[3] *= 400.0  # one reading that decides nearly alone: HC2 divides by a thousandth at the least
    sigma = np.linspace(1.0, 2.0, 17) if weighted else np.ones(17)
    x, rest = columns[:, :4] / sigma[:, None], r / sigma
    inverse = np.linalg.inv(x.T @ x) @ x.T
    maker = np.eye(17) - x @ inverse
    assert np.diag(maker).min() < 1e-3
    share = np.diag(inverse[1] ** 2 / np.maximum(np.diag(maker), 1e-3))
    u = math.sqrt(rest @ share @ rest)
    dof = np.trace(maker @ share) ** 2 / np.trace(maker @ share @ maker @ share)
    got = log_radius_scatter(r, columns, sigma if weighted else None)
    assert got == pytest.approx((u, max(dof / 2.0, 1.0) if weighted else dof), rel=1e-9)
    assert dof > 2.0


@pytest.mark.parametrize("columns", [np.random.default_rng(3).normal(size=(4, 4)), np.outer(np.ones(4), [1.0, 0.0, 0.0, 0.0])])
def test_scatter_with_no_reading_to_spare(columns):
    """Where no reading is left over that says how wide the spot is, its scatter says nothing."""
    assert log_radius_scatter(np.full(4, 1e-9), columns) is None


def test_weighted_readings_are_worth_one_degree_at_the_least():
    x = np.stack([np.ones(3), [0.0, 1.0, 2.0]], axis=1)
    r = np.array([1.0, -2.0, 1.0])
    assert log_radius_scatter(r, x)[1] == pytest.approx(1.0)
    assert log_radius_scatter(r, x, np.ones(3))[1] == 1.0


def test_readings_on_one_step_share_its_rounding():
    # slope of a line at 0, 1, 2, 3: influences -3, -1, 1, 3 over 10; two readings on either step share one error of sd q/sqrt 12
    x = np.stack([np.ones(4), np.arange(4.0)], axis=1)
    shared = 0.5 / math.sqrt(12.0) * math.hypot(0.4, 0.4)
    r = np.array([1.0, -1.0, -1.0, 1.0])
    assert rounding(0.35 * r, x, [2.0, 2.0, 2.5, 2.5], 0.5) == pytest.approx(shared)
    assert rounding(0.351 * r, x, [2.0, 2.0, 2.5, 2.5], 0.5) == 0.0  # noise above 0.7 of a step blurs it
    assert rounding(0.0 * r, x, [2.0, 2.0, 2.5, 2.5], 0.0) == 0.0
