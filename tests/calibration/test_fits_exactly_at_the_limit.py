"""Fits, plans and comparisons: what is listed, which laws can be told, and what is taken exactly where it begins to count."""

import math
from dataclasses import replace

import numpy as np
import pytest
from eight_coupons import APART, E, X, Y, fit
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.tools.tools import add_constant

from curecalc.calibration.coupons import coupons_from_arrays, coupons_from_bytes
from curecalc.calibration.curve import fit_coupons
from curecalc.calibration.findings import RARE, chance, gauge_step, rare, varied_settings
from curecalc.calibration.laws import akaike, bleaching_fit, power_threshold_fit
from curecalc.calibration.outliers import outliers_of, reading_outliers
from curecalc.calibration.report import fit_steps, fit_text
from curecalc.calibration.verdict import robust_finding
from curecalc.errors import QuantityError
from curecalc.statistics.line import ordinary_line, york_line
from curecalc.units import Quantity as Q

# ---------------------------------------------------------------- errors of exposures alone


def test_exposures_whose_errors_explain_the_scatter_leave_none_for_thickness():
    """Then the line is the one of exact thickness; else chi-squared is its degrees of freedom, for the scatter chosen."""
    wide = fit(exposure_uncertainty=Q(0.05 * E, "mJ/cm^2"))
    exact = york_line(X, Y, 0.05, 0.0)
    assert (wide.line.slope, wide.line.slope_sd) == pytest.approx((exact.slope, exact.slope_sd), rel=1e-9)
    assert wide.line.sum_of_squares < 6
    assert wide.line.t_degrees_of_freedom == 6.0
    narrower = 0.05 * math.sqrt(wide.data_line.sum_of_squares / 6.5)  # chi-squared 6.5 with thickness exact
    assert fit(exposure_uncertainty=Q(narrower * E, "mJ/cm^2")).data_line.sum_of_squares == pytest.approx(6.0, rel=1e-6)
    u = np.array([0.002, 0.004, 0.002, 0.004, 0.002, 0.004, 0.002, 0.004])
    found = fit(exposure_uncertainty=Q(u * E, "mJ/cm^2"))
    slope = found.line.slope
    low, own = 0.001, 0.004
    while own - low > 1e-8:
        middle = (low + own) / 2
        low, own = (middle, own) if york_line(X, Y, u, middle).sum_of_squares > 6 else (low, middle)
    variance = own**2 + (slope * u) ** 2
    assert found.weight == pytest.approx(variance.mean() / variance, rel=1e-3)
    assert found.line.slope_sd == pytest.approx(york_line(X, Y, u, own).slope_sd, rel=2e-3)
    exactly = fit(y=0.15 * np.log(E / 8.0), exposure_uncertainty=Q(0.01 * E, "mJ/cm^2"))
    assert exactly.line.scale == pytest.approx(0.0015**2)  # what the next coupon scatters by is what its exposure does
    with pytest.raises(QuantityError, match="thickness does not rise with exposure"):
        fit(y=np.full(8, 0.2), exposure_uncertainty=Q(0.01 * E, "mJ/cm^2"))
    with pytest.raises(QuantityError, match="the fitted slope is 0 mm"):
        fit(y=np.full(8, 0.25))


def test_a_depth_is_extrapolated_beyond_the_last_coupon():
    line = fit().line
    for x, out in ((X[-1], False), (X[-1] + 5e-4, True), (X[0], False), (X[0] - 5e-4, True)):
        (wanted,) = fit(at_depth=Q(line.y_mean + line.slope * (x - line.x_mean), "mm")).exposure_for_depth
        assert wanted.extrapolated == out


# ---------------------------------------------------------------- laws


def raster(power, radius, speed, thickness):
    rows = "".join(f"c{i},{p},{r},{v},{1000 * y:.6f}\n" for i, (p, r, v, y) in enumerate(zip(power, radius, speed, thickness)))
    head = "# hatch_spacing = 0.05 mm\ncoupon,power [mW],beam radius [mm],scan speed [mm/s],thickness [um]\n"
    return fit_coupons(coupons_from_bytes("c.csv", (head + rows).encode()))


def test_irradiance_is_power_over_the_square_of_the_radius():
    """Depth = a + Dp ln(P/W^2) + (Dp/w) ln(time), time being exposure over irradiance: by a general library."""
    power = np.array([100.0, 100, 200, 200, 400, 400, 100, 400])
    radius = np.array([0.10, 0.12, 0.10, 0.11, 0.12, 0.10, 0.11, 0.12])
    speed = np.array([2000.0, 4000, 3000, 9000, 8000, 16000, 1500, 5000])
    log_irradiance, x = np.log(power / radius**2), np.log(100.0 * power / (speed * 0.05))
    y = 0.10 + 0.12 * (log_irradiance - 10.0) + 0.15 * (x - log_irradiance + 8.0) + 0.002 * APART
    y += 0.1 - y.min()
    theirs = OLS(y, add_constant(np.column_stack([log_irradiance, x - log_irradiance]))).fit()
    found = raster(power, radius, speed, y).power_threshold
    assert found.penetration_depth == pytest.approx(theirs.params[1], rel=1e-6)
    assert found.w == pytest.approx(theirs.params[1] / theirs.params[2], rel=1e-6)


def test_laws_that_the_settings_cannot_tell_apart():
    lt = np.tile([0.0, 1.0, 2.0], 3)
    wave = np.repeat([1.0, -2.0, 1.0], 3)
    y = 0.1 * lt + 0.01 * np.array([1, -1, 0, -1, 1, 0, 1, 0, -1.0])
    for spread, told in ((2e-3, True), (1e-4, False)):  # a variance of 2 spread^2 against a millionth
        assert (power_threshold_fit(spread * wave, lt, y) is not None) == told
        assert (power_threshold_fit(lt, spread * wave, y) is not None) == told
    for apart, told in ((1e-3, True), (1e-5, False)):  # 1 - r^2 against a thousand-millionth
        assert (power_threshold_fit(lt + apart * wave, lt, y) is not None) == told
    assert akaike(0.0, 10, 3) < akaike(1e-290, 10, 3) < akaike(1e-4, 10, 3)
    x = np.log(np.geomspace(10.0, 80.0, 6))
    assert bleaching_fit(x, 0.15 * x) is None  # no better than the line
    assert bleaching_fit(x, 0.15 * np.exp(1.5 * x)) is None  # best at the end of what is looked at


def test_a_bend_too_small_for_the_last_digit_is_no_bleaching():
    e = np.geomspace(6.0, 90.0, 10)
    y = 0.1 * np.log(np.expm1(e / 20.0) / np.expm1(0.2))
    found = bleaching_fit(np.log(e), y)
    assert (found.penetration_depth, found.bleaching_exposure, np.exp(found.log_threshold)) == pytest.approx((0.1, 20.0, 4.0), rel=1e-4)
    assert found.degrees_of_freedom == 7
    shape = np.polynomial.polynomial.polyfit(np.log(e), y, 1)
    plain = float(((y - np.polynomial.polynomial.polyval(np.log(e), shape)) ** 2).sum())
    noisy = y + 1e-3 * (-1.0) ** np.arange(10)
    bent = bleaching_fit(np.log(e), noisy)
    line = ordinary_line(np.log(e), noisy).sum_of_squares
    f = (line - bent.sum_of_squares) / (bent.sum_of_squares / 7)
    assert bent.p == pytest.approx(stats.f.sf(f, 1, 7))
    assert plain > found.sum_of_squares


# ---------------------------------------------------------------- findings


def test_a_chance_on_the_limit_is_not_below_it():
    assert not rare(RARE)
    assert rare(np.nextafter(RARE, 0.0))
    assert not rare(math.nan)
    assert rare(0.5, than=0.6)
    assert [chance(p) for p in (1e-6, 0.01)] == ["by chance once in 1000000", "by chance 1 times in 100"]


def test_settings_that_differ_by_a_rounding_did_not_vary():
    def of(power):
        return coupons_from_arrays(exposure=Q(E, "mJ/cm^2"), thickness=Q(Y, "mm"), power=Q(power, "mW"))

    assert varied_settings(of(300.0 * (1.0 + 1e-7 * APART))) == []
    assert varied_settings(of(300.0 * (1.0 + 1e-6 * APART))) == ["power"]
    assert varied_settings(of(300.0)) == []
    near = coupons_from_arrays(exposure=Q([20.0, 20.00001, 20.1, 40.0], "mJ/cm^2"), thickness=Q([0.1, 0.1, 0.1, 0.2], "mm"))
    assert near.levels.tolist() == [0, 0, 1, 2]
    speeds = Q(300.0 / E * (1.0 + 4e-4 * APART), "mm/s")
    for more, known in ((speeds, True), (Q(300.0 / E * (1.0 + 6e-4 * APART), "mm/s"), False)):  # within a thousandth
        assert (fit(power=Q(300.0, "mW"), scan_speed=more, at_depth=Q(0.15, "mm")).exposure_for_depth[0].scan_speed is not None) == known


def test_two_degrees_of_freedom_are_not_few_and_many_readings_are_told():
    def said(n, readings, **more):
        e = np.geomspace(14.0, 80.0, n)
        y = 0.15 * np.log(e / 8.0) + 0.002 * APART[:n]
        names = np.repeat(np.arange(n), readings)
        found = fit(np.repeat(e, readings), np.repeat(y, readings), coupon=names, **more).findings
        return next((f.sentence for f in found if f.code == "few_coupons"), None)

    assert said(4, 1) is None
    assert "Many readings" not in said(3, 2)
    assert "Many readings on a coupon do not replace coupons." in said(3, 3)
    assert said(3, 1, thickness_uncertainty=Q(2.0, "um")) is None  # stated uncertainties need no degrees of freedom


def test_what_a_gauge_of_fine_steps_hides():
    """Below a thousandth of a millimetre steps count only where readings repeat within one."""
    e = np.repeat(np.geomspace(14.0, 80.0, 4), 3)

    def found(step, spread):
        y = np.round(0.15 * np.log(e / 8.0) / step) * step + spread * step * np.tile([0.0, 1.0, 0.0], 4)
        lot = fit(e, y + 0.0001 * 0, coupon=np.repeat(list("abcd"), 3))
        return "gauge_resolution" in {f.code for f in lot.findings}

    assert found(0.005, 0)
    assert found(0.0005, 0)
    assert not found(0.0005, 2)


def test_steps_are_those_of_all_readings():
    for off, step in ((7e-6, 0.05), (1.3e-5, None)):  # a hundred-thousandth of the reading
        assert gauge_step([0.1 * (1.0 + off), 0.15]) == (None if step is None else pytest.approx(step))
    assert gauge_step([0.05]) == pytest.approx(0.05)


def test_a_robust_line_exactly_at_the_limit():
    class Line:
        slope, slope_sd = 0.5, 0.125

    class Robust:
        slope = 0.5 + 2.5 * 0.125

    assert robust_finding(Robust, Line) == []


def test_leverage_of_four_coupons_is_no_finding():
    e = np.array([20.0, 21.0, 22.0, 80.0])
    assert "influence" not in {f.code for f in fit(e, 0.15 * np.log(e / 8.0) + 0.001 * APART[:4]).findings}
    e = np.array([20.0, 21.0, 22.0, 23.0, 80.0])
    assert "influence" in {f.code for f in fit(e, 0.15 * np.log(e / 8.0) + 0.001 * APART[:5]).findings}


# ---------------------------------------------------------------- readings and coupons that stand out


def test_at_most_five_readings_are_set_aside_and_one_in_twenty_coupons_is_looked_at():
    e = np.repeat(np.geomspace(14.0, 80.0, 12), 4)
    y = np.round(0.15 * np.log(e / 8.0), 3) + np.tile([0.001, 0.0, -0.001, 0.0], 12)
    y[0::8] += 0.5 * 4.0 ** np.arange(6)
    c = coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), coupon=np.repeat(np.arange(12), 4))
    found, keep = reading_outliers(c)
    assert len(found) == 5
    assert (~keep).sum() == 5
    assert [o.studentised > 0 for o in found] == [True] * 5
    assert found[0].deviation == pytest.approx(0.5 * 4.0**5 + 0.001, rel=1e-3)  # from the mean of the other three
    assert found[0].p < 0.01


def test_a_reading_stands_out_by_students_t():
    """One reading in nine of three coupons off by d: residual 2 d/3, free 2/3, the rest 1 um: t on five degrees, nine looked at."""
    base = np.tile([0.001, 0.0, -0.001], 4)
    e = np.repeat(np.geomspace(14.0, 80.0, 4), 3)

    def lot(d):
        y = np.repeat([0.1, 0.15, 0.2, 0.3], 3) + base
        y[0] += d
        return coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), coupon=np.repeat(list("abcd"), 3))

    for d in (0.006, 0.012, 0.05):
        y = lot(d).readings
        group = np.repeat(np.arange(4), 3)
        theirs = OLS(y, (group[:, None] == np.arange(4)).astype(float)).fit().get_influence().resid_studentized_external
        p = 12 * 2 * stats.t.sf(theirs[0], 7)
        found, _ = reading_outliers(replace(lot(d), gauge_resolution=1e-6))
        assert bool(found) == (p < 0.01)
        if found:
            assert (found[0].p, found[0].studentised) == pytest.approx((p, theirs[0]))
            assert found[0].deviation == pytest.approx(d + 0.0015)


def test_an_exact_lot_with_one_coupon_off_and_a_quarter_of_them():
    e = np.geomspace(14.0, 80.0, 9)
    y = 0.15 * np.log(e / 8.0)
    assert outliers_of(coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm")), None) == ()
    for off in (0.02, 1e-5):  # a ten-thousandth of the thickness too
        y = 0.15 * np.log(e / 8.0) + np.where(np.arange(9) == 4, off, 0.0)
        (found,) = outliers_of(coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm")), None)
        assert (found.coupon, found.check) == ("5", True)
        assert found.deviation == pytest.approx(off)


def test_four_readings_of_one_coupon_show_one_that_is_wild_three_do_not():
    e, y = np.array([14.0] * 4 + [30.0, 50.0, 80.0]), np.array([0.0842, 0.0841, 0.0843, 0.5, 0.198, 0.275, 0.345])
    c = coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), coupon=list("aaaabcd"))
    assert [o.coupon for o in reading_outliers(c)[0]] == ["a"]
    fine = replace(c, readings=np.where(y == 0.5, 0.0842 + 1e-5, 0.0842 + 1e-8 * (y - 0.0842)))
    assert [o.deviation for o in reading_outliers(fine)[0]] == [pytest.approx(1e-5, rel=0.02)]  # a ten-thousandth of the largest
    three = coupons_from_arrays(exposure=Q(e[1:], "mJ/cm^2"), thickness=Q(y[1:], "mm"), coupon=list("aaabcd"))
    assert reading_outliers(three)[0] == []


def test_digits_exchanged_before_a_decimal_point():
    e = np.repeat(np.geomspace(14.0, 80.0, 6), 3)
    y = np.round(0.15 * np.log(e / 8.0), 3) + np.tile([0.0005, 0.0, -0.0005], 6)
    y[6:9] = 0.1895, 0.1985, 0.1885
    (found,) = reading_outliers(coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), coupon=np.repeat(list("abcdef"), 3)))[0]
    assert ": two digits exchanged? 189.5 um would fit." in found.sentence


# ---------------------------------------------------------------- what is shown


def test_a_fit_in_json_and_step_by_step():
    x, y = np.roll(X, -1), np.roll(Y, -1)  # the first coupon stands by itself
    spread = 0.002 * (np.arange(56) % 7 - 3)
    lot = fit(np.repeat(np.exp(x), 7), np.repeat(y, 7) + spread, coupon=np.repeat(np.arange(8), 7))
    record = lot.to_dict()
    assert record["range"]["exposure"]["value"] == pytest.approx([14.0, 80.0])
    assert record["range"]["thickness"]["value"] == pytest.approx([Y.min(), Y.max()])
    assert record["coupon_table"][0]["residual"]["value"] == pytest.approx(y[0] - np.polyval(np.polyfit(X, Y, 1), x[0]))
    assert record["line"]["y_mean"]["standard_uncertainty"] == pytest.approx(math.sqrt(lot.line.scale / 8))
    steps = fit_steps(lot)
    first = y[0] + spread[:7]
    assert steps[0].numbers == "0: (" + " + ".join(f"{v:.4g}" for v in first[:6]) + " + ...)/7 mm"
    assert steps[0].result == f"{first.mean():.5g} mm"
    assert steps[1].numbers == "0: ln(14)"
    assert steps[1].result == f"{math.log(14.0):.5f}"
    six = fit(np.repeat(E, 6), np.repeat(Y, 6), coupon=np.repeat(np.arange(8), 6))
    assert "..." not in fit_steps(six)[0].numbers
    assert fit_steps(fit())[0].formula.startswith("x = ln")
    g = next(s for s in fit_steps(fit()) if "Fieller" in s.formula)
    t = stats.t.ppf(0.975, 6)
    assert g.numbers == f"g = (t u(Dp)/Dp)^2 = {(t * fit().line.slope_sd / fit().line.slope) ** 2:.4g}"
    text = fit_text(fit(confidence=0.9))
    assert "90 %: " in text
    assert "14 to 80 mJ/cm^2" in text


@pytest.mark.slow
def test_two_thousand_coupons_are_listed_one_by_one_and_no_more():
    for n, listed in ((2000, True), (2001, False)):
        e = np.geomspace(14.0, 80.0, n)
        lot = fit(e, 0.15 * np.log(e / 8.0) + 0.003 * np.sin(np.arange(n)))
        assert (lot.to_dict()["coupon_table"] is not None) == listed
        assert lot.robust.pairs == (n * (n - 1) // 2 if listed else n // 2)  # all pairs, or those half the coupons apart


def test_a_quarter_of_the_coupons_is_looked_at_and_no_more():
    """Eight coupons: two that are off are named, a third stays."""
    e = np.geomspace(14.0, 80.0, 8)
    y = 0.15 * np.log(e / 8.0) + 0.0003 * APART
    y[[1, 4, 6]] += 0.09, -0.05, 0.02
    found = outliers_of(coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm")), None)
    assert sorted(o.coupon for o in found) == ["2", "5"]


def test_criterion_of_the_straight_line_and_means_of_what_is_known():
    """AICc of three parameters: n ln(S/n) + 6 + 24/(n - 4), S = 8 x 3 um^2."""
    assert fit().to_dict()["plain_criterion"] == pytest.approx(8 * math.log(9e-6) + 6 + 24 / 4)
    rows = "a,100,20,23\na,102,20,\nb,200,40,25\nb,202,40,26\nc,300,80,\nc,302,80,"
    c = coupons_from_bytes("c.csv", f"coupon,thickness [um],exposure [mJ/cm^2],temperature [degC]\n{rows}\n".encode())
    assert c.temperature[:2].tolist() == [23.0, 25.5]
    assert math.isnan(c.temperature[2])
    assert c.mean_temperature.m_as("degC") == pytest.approx(24.25)


@pytest.mark.parametrize(("size", "named"), [(0.95, True), (1.05, False)])
def test_a_scale_is_told_where_so_little_scatter_is_rare(size, named):
    """Once in 125, by chi-squared of 6 degrees of freedom of a general library."""
    least = stats.chi2.ppf(0.008, 6)
    y = 0.15 * np.log(E / 8.0) + math.sqrt(size * least / 8) * 0.15 * 0.03 * APART
    assert ("scale_in_column" in {f.code for f in fit(y=y, exposure_uncertainty=Q(0.03 * E, "mJ/cm^2")).findings}) == named


@pytest.mark.parametrize(("spread", "named"), [(0.019, True), (0.021, False)])
def test_exposures_of_nearly_the_same_share_look_like_a_scale(spread, named):
    u = 0.03 * E
    u[3] *= 1.0 - spread
    y = 0.15 * np.log(E / 8.0) + 0.0002 * APART
    assert ("scale_in_column" in {f.code for f in fit(y=y, exposure_uncertainty=Q(u, "mJ/cm^2")).findings}) == named
