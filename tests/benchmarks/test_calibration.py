"""Time of fitting many lots, as ratios within one run."""

import time
import warnings

import numpy as np
import pytest

from curecalc.calibration.many import fit_lots
from curecalc.statistics.coupon_line import two_component_line
from curecalc.statistics.intervals import inverse, slope_interval
from curecalc.statistics.line import ordinary_line
from curecalc.units import Quantity as Q

LOTS, COUPONS = 20_000, 8


@pytest.fixture(scope="module")
def lots():
    rng = np.random.default_rng(1)
    e = np.repeat(np.geomspace(14, 70, COUPONS // 2), 2)
    return e, 0.15 * np.log(e / 8.0) + rng.normal(0, 0.004, (LOTS, COUPONS))


def best(call, times=5):
    call()
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        spent.append(time.perf_counter() - start)
    return min(spent)


def test_against_a_loop_over_a_general_library(lots):
    """Both give slope, intercept, their standard uncertainties and 95 % intervals."""
    sm = pytest.importorskip("statsmodels.api")
    e, y = lots
    x = np.log(e)
    design = sm.add_constant(x)

    def together():
        fit = ordinary_line(x, y)
        return fit.intercept_sd, slope_interval(fit), inverse(fit, 0.0)

    def loop():
        for i in range(60):
            fit = sm.OLS(y[i], design).fit()
            fit.bse, fit.conf_int()

    def every():
        """All that a fit answers, exposure for a depth and next coupon too, which the loop does not."""
        fit_lots(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), at_depth=Q(0.15, "mm"))

    ours, theirs = best(together), best(loop, 3) * LOTS / 60
    more = theirs / best(every)
    print(f"\nratio to a loop over a general library's line fit: {theirs / ours:.0f}, every answer of a fit: {more:.0f}")
    assert theirs / ours > 500
    assert more > 100


def test_unequal_readings_against_a_loop_over_a_general_library():
    """Coupons and readings as two components: slope and its interval by restricted likelihood, from the readings themselves."""
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rng = np.random.default_rng(2)
    counts = np.array([1, 3, 8, 2, 5, 1, 4, 8])
    x = np.log(np.repeat(np.geomspace(14, 70, COUPONS // 2), 2))
    coupon = np.repeat(np.arange(COUPONS), counts)
    y = 0.15 * (x - np.log(8.0)) + rng.normal(0, 0.004, (LOTS, COUPONS))
    readings = y[:, coupon] + rng.normal(0, 0.004, (LOTS, coupon.size))
    means = np.stack([readings[:, coupon == k].mean(-1) for k in range(COUPONS)], -1)
    squares = ((readings - means[:, coupon]) ** 2).sum(-1)
    design = np.stack([np.ones(coupon.size), x[coupon]], -1)

    def together():
        fit, _ = two_component_line(x, means, counts, squares)
        return slope_interval(fit), inverse(fit, 0.0)

    def loop():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for i in range(5):
                mixed.MixedLM(1e3 * readings[i], design, coupon).fit(reml=True).conf_int()

    ours, theirs = best(together, 3), best(loop, 2) * LOTS / 5
    print(f"\nunequal readings, ratio to a loop over a general library's mixed model: {theirs / ours:.0f}")
    assert theirs / ours > 500
