"""The fit of a lot: published lines mapped to coupons, the JSON contract, diagnoses, budget, earlier lots."""

import json

import numpy as np
import pytest

from curecalc.calibration.coupons import coupons_from_arrays
from curecalc.calibration.curve import fit_coupons, fit_working_curve
from curecalc.calibration.prior import prior_from_lots
from curecalc.calibration.report import fit_steps, fit_text
from curecalc.errors import QuantityError
from curecalc.units import Quantity as Q
from curecalc.units import figure, show
from curecalc.validation import reference_folder


def column(file, *names):
    table = np.genfromtxt(reference_folder() / "data" / file, delimiter=",", names=True)
    return [table[name] for name in names]


def mapped(x, y, **more):
    """Points as coupons: exposure exp(x) mJ/cm^2, thickness y mm, so Dp is the slope and the line is unchanged."""
    return fit_working_curve(exposure=Q(np.exp(x), "mJ/cm^2"), thickness=Q(np.asarray(y), "mm"), **more)


def lot(seed=1, n=8, r=3, dp=0.15, ec=8.0, between=0.004, within=0.002):
    rng = np.random.default_rng(seed)
    e = np.repeat(np.geomspace(14, 70, n // 2), 2)[:n]
    depth = dp * np.log(e / ec) + rng.normal(0, between, n)
    thickness = (depth[:, None] + rng.normal(0, within, (n, r))).ravel()
    labels = np.repeat([f"c{i + 1}" for i in range(n)], r)
    return np.repeat(e, r), thickness, labels


def fit_of(seed=1, change=None, **more):
    e, t, labels = lot(seed)
    if change:
        change(e, t)
    return fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, **more)


# ---------------------------------------------------------------- published cases mapped to coupons


def test_thermometer_of_the_gum():
    """JCGM 100 H.3: corrections moved up by 1 so that thickness stays positive; slope and scatter are unchanged."""
    t, b = column("gum_h3_thermometer.csv", "t_k_degC", "b_k_degC")
    fit = mapped(t - 20.0, b + 1.0)
    assert fit.penetration_depth.value.m == pytest.approx(0.00218269773989, rel=1e-9)
    assert fit.penetration_depth.standard_uncertainty.m == pytest.approx(0.00066793877323, rel=1e-9)
    assert fit.residual_sd.m == pytest.approx(0.00349756396351, rel=1e-9)
    assert fit.line.intercept == pytest.approx(1 - 0.17120379013135, rel=1e-9)
    assert fit.degrees_of_freedom == 9


def test_weighted_line_of_iso_28037():
    x, y, u = column("iso28037_wls_equal.csv", "x", "y", "u_y")
    fit = mapped(x, y, thickness_uncertainty=Q(u, "mm"), at_depth=Q(10.5, "mm"))
    assert fit.penetration_depth.value.m == pytest.approx(1.757143, abs=5e-7)
    assert fit.penetration_depth.standard_uncertainty.m == pytest.approx(0.1195229, abs=5e-8)
    assert fit.chi_squared[0] == pytest.approx(1.665, abs=5e-4)
    wanted = fit.exposure_for_depth[0]
    assert np.log(wanted.exposure.m) == pytest.approx(4.913, abs=5e-4)
    # the next coupon carries u = 0.5 itself, as y0 does in the standard
    assert wanted.next_standard_uncertainty.m / wanted.exposure.m == pytest.approx(0.322, abs=5e-4)


def test_linewidth_of_iso_11095_as_single_reading_coupons():
    x, y = column("nist_linewidth_iso11095.csv", "reference_x", "measured_y")
    fit = mapped(x, y)
    assert fit.penetration_depth.value.m == pytest.approx(0.987037714, abs=5e-10)
    assert fit.lack_of_fit.f == pytest.approx(0.691756725, rel=1e-8)
    assert fit.lack_of_fit.pure_error_squares == pytest.approx(0.12345, rel=1e-8)
    assert fit.to_dict()["lack_of_fit"]["degrees_of_freedom"] == [8, 30]


def test_inverse_predictions_of_graybill_and_iyer():
    x, y = column("inverse_thermostat.csv", "x", "y")
    # x is shifted by 100 (chamber: 50) to keep exposures in the range of numbers accepted; the line only moves along
    wanted = mapped(x - 100, y, at_depth=Q(104.0, "mm")).exposure_for_depth[0]
    assert 100 + np.log(wanted.exposure.m) == pytest.approx(103.994915646, abs=5e-10)
    assert [100 + np.log(q.m) for q in wanted.next_interval] == pytest.approx([103.404051142, 104.589459385], abs=5e-10)
    x, y = column("inverse_chamber.csv", "x", "y")
    wanted = mapped(x - 50, y, at_depth=Q(400.0, "mm"), confidence=0.99).exposure_for_depth[0]
    assert [50 + np.log(q.m) for q in wanted.mean_interval] == pytest.approx([65.0708935303, 68.0258324997], abs=5e-10)


def test_pearson_york_turned_upwards():
    x, wx, y, wy = column("pearson_york.csv", "x", "w_x", "y", "w_y")
    e = np.exp(-x)
    fit = fit_working_curve(
        exposure=Q(e, "mJ/cm^2"),
        thickness=Q(y, "mm"),
        exposure_uncertainty=Q(e * wx**-0.5, "mJ/cm^2"),
        thickness_uncertainty=Q(wy**-0.5, "mm"),
    )
    assert fit.penetration_depth.value.m == pytest.approx(0.480533407446, abs=5e-13)
    assert fit.penetration_depth.standard_uncertainty.m == pytest.approx(0.0579850090, abs=5e-11)
    assert fit.chi_squared == pytest.approx((11.866353, 0.157), abs=1e-3)
    assert "York 2004" in fit.method


def test_an_influential_point_is_the_one_in_print():
    """Gesell data turned upwards (x to -x): case 18 holds the greatest Cook's distance, 0.6781, case 19 is the outlier."""
    age, score = column("gesell_cook.csv", "age", "score")
    table = mapped(-age, score).to_dict()["coupon_table"]
    assert table[17]["cook"] == pytest.approx(0.6781, abs=5e-5)
    assert table[17]["leverage"] == pytest.approx(0.6516, abs=5e-5)
    assert table[18]["studentised_residual"] == pytest.approx(3.607, abs=5e-4)
    assert [o.coupon for o in mapped(-age, score).outliers] == ["19"]


# ---------------------------------------------------------------- contract


def test_json_has_the_keys_of_the_contract_and_is_json():
    record = fit_of(at_depth=[Q(0.15, "mm"), Q(0.2, "mm")]).to_dict()
    for key in (
        "penetration_depth",
        "critical_exposure",
        "correlation",
        "residual_sd",
        "coupons",
        "readings",
        "degrees_of_freedom",
        "lack_of_fit",
        "curvature",
        "outliers",
        "warnings",
        "exposure_for_depth",
    ):
        assert key in record
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert (record["coupons"], record["readings"], record["degrees_of_freedom"]) == (8, 24, 6)
    assert record["penetration_depth"]["unit"] == "mm"
    assert record["critical_exposure"]["unit"] == "mJ/cm^2"
    for key in ("penetration_depth", "critical_exposure"):
        low, high = record[key]["interval"]
        assert low < record[key]["value"] < high
        assert record[key]["confidence"] == 0.95
    first = record["exposure_for_depth"][0]
    assert first["mean"]["interval"][0] > first["next_coupon"]["interval"][0]
    assert first["mean"]["interval"][1] < first["next_coupon"]["interval"][1]
    assert first["depth"] == {"value": 0.15, "unit": "mm"}


def test_correlation_and_covariance_follow_from_the_line():
    fit = fit_of()
    line = fit.line
    full = np.array([[line.intercept_sd**2, line.covariance], [line.covariance, line.slope_sd**2]])
    turn = np.array([[0.0, 1.0], [-1.0 / line.slope, line.intercept / line.slope**2]])
    expected = turn @ full @ turn.T
    np.testing.assert_allclose(fit.covariance, expected, rtol=1e-8)
    assert fit.correlation == pytest.approx(expected[0, 1] / np.sqrt(expected[0, 0] * expected[1, 1]), rel=1e-8)


def test_readings_are_averaged_and_do_not_count_as_coupons():
    e, t, labels = lot()
    many = fit_of()
    means = np.array([t[labels == label].mean() for label in dict.fromkeys(labels)])
    one = fit_working_curve(exposure=Q(e[::3], "mJ/cm^2"), thickness=Q(means, "mm"))
    assert many.penetration_depth.value.m == pytest.approx(one.penetration_depth.value.m, rel=1e-12)
    assert many.degrees_of_freedom == one.degrees_of_freedom == 6
    assert many.repeatability_sd.m == pytest.approx(0.002, rel=0.5)
    assert one.repeatability_sd is None


def test_units_and_order_do_not_matter():
    e, t, labels = lot()
    a = fit_of()
    mix = np.random.default_rng(1).permutation(e.size)
    b = fit_working_curve(exposure=Q(e[mix] / 100, "mJ/mm^2"), thickness=Q(1000 * t[mix], "um"), coupon=labels[mix])
    assert b.penetration_depth.value.m == pytest.approx(a.penetration_depth.value.m, rel=1e-12)
    assert b.critical_exposure.value.m == pytest.approx(a.critical_exposure.value.m, rel=1e-12)


def test_a_scale_error_of_exposure_leaves_dp_alone_and_multiplies_ec():
    e, t, labels = lot()
    a = fit_of()
    b = fit_working_curve(exposure=Q(1.1 * e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels)
    assert b.penetration_depth.value.m == pytest.approx(a.penetration_depth.value.m, rel=1e-12)
    assert b.critical_exposure.value.m == pytest.approx(1.1 * a.critical_exposure.value.m, rel=1e-12)


def test_a_thickness_bias_leaves_dp_alone_and_moves_ec_by_the_exponential():
    e, t, labels = lot()
    a, d = fit_of(), 0.003
    b = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t + d, "mm"), coupon=labels)
    dp = a.penetration_depth.value.m
    assert b.penetration_depth.value.m == pytest.approx(dp, rel=1e-12)
    assert b.critical_exposure.value.m == pytest.approx(a.critical_exposure.value.m * np.exp(-d / dp), rel=1e-12)


def test_common_errors_count_only_where_they_do_not_cancel():
    own = fit_of()
    same = fit_of(power_scale_uncertainty=0.03, thickness_bias_uncertainty=Q(2.0, "um"))
    assert same.critical_exposure.standard_uncertainty.m == own.critical_exposure.standard_uncertainty.m
    assert "cancels" in same.budget.sentence
    away = fit_of(power_scale_uncertainty=0.03, beam_radius_scale_uncertainty=Q(4.0, "percent"), same_machine=False)
    relative = away.critical_exposure.relative
    assert relative == pytest.approx(np.sqrt(own.critical_exposure.relative**2 + 0.03**2 + 0.04**2))
    assert away.critical_exposure_interval[0].m < own.critical_exposure_interval[0].m
    assert away.critical_exposure_interval[1].m > own.critical_exposure_interval[1].m
    assert "is counted" in away.budget.sentence
    assert away.penetration_depth.standard_uncertainty.m == own.penetration_depth.standard_uncertainty.m
    gauge = fit_of(thickness_bias_uncertainty=Q(3.0, "um"), same_gauge=False)
    assert gauge.budget.here**2 - gauge.budget.random**2 == pytest.approx((0.003 / gauge.penetration_depth.value.m) ** 2)
    assert "No common scale error" in own.budget.sentence
    # what is counted reaches the exposure for a depth, its speed and the next coupon as it reaches Ec
    far = fit_of(power_scale_uncertainty=0.05, same_machine=False, at_depth=Q(0.15, "mm")).exposure_for_depth[0]
    near = fit_of(power_scale_uncertainty=0.05, at_depth=Q(0.15, "mm")).exposure_for_depth[0]
    for far_u, near_u in (
        (far.mean_standard_uncertainty, near.mean_standard_uncertainty),
        (far.next_standard_uncertainty, near.next_standard_uncertainty),
    ):
        assert (far_u / far.exposure).m ** 2 == pytest.approx((near_u / near.exposure).m ** 2 + 0.05**2)
    ends = [np.log(v.m / far.exposure.m) for v in (*far.mean_interval, *near.mean_interval)]
    assert ends[1] ** 2 == pytest.approx(ends[3] ** 2 + (1.959964 * 0.05) ** 2)


@pytest.mark.parametrize(
    ("raster", "will_set", "counted", "said"),
    [
        (False, None, False, "where rasters are set it counts: say which"),
        (False, "lines", False, "lines will be set with the same beam"),
        (False, "rasters", True, "is counted, since the radius does not divide out"),
        (True, None, False, "does not enter"),
        (True, "rasters", False, "does not enter"),
        (True, "lines", True, "is counted, since the radius does not divide out"),
    ],
)
def test_a_beam_radius_error_cancels_only_where_coupons_and_settings_are_alike(raster, will_set, counted, said):
    from curecalc.calibration.budget import budget, scales

    stated = scales(beam_radius_scale_uncertainty=0.05, will_set=will_set)
    found = budget(random=0.02, penetration_depth=0.15, stated=stated, raster=raster)
    assert found.here == pytest.approx(np.hypot(0.02, 0.05) if counted else 0.02)
    assert said in found.sentence


def test_unequal_readings_are_weighted():
    """Mostly reading scatter: coupons read once count less, and the interval stays that of two components."""
    rng = np.random.default_rng(8)
    counts = np.array([1, 8, 1, 8, 2, 8, 1, 8])
    labels = np.repeat([f"c{k}" for k in range(8)], counts)
    e = np.repeat(np.geomspace(14, 70, 8), counts)
    t = 0.15 * np.log(e / 8) + rng.normal(0, 0.012, e.size)
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels)
    assert fit.weight[1] > 3 * fit.weight[0]
    assert "two components" in fit.method
    assert 3.0 < fit.line.t_degrees_of_freedom <= 6.0
    equal = fit_of()
    assert equal.weight is None


def test_a_scale_error_in_the_exposure_column_is_named():
    e, t, labels = lot(2)
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, exposure_uncertainty=Q(0.12 * e, "mJ/cm^2"))
    assert "scale_in_column" in codes(fit)
    assert any("power_scale_uncertainty" in s for s in fit.warnings)


@pytest.mark.parametrize("wrong", [(1, 6), (3, 4)])
def test_two_coupons_that_hide_each_other_are_both_named(wrong):
    rng = np.random.default_rng(2)
    e = np.repeat(np.geomspace(14, 70, 6), 2)
    t = 0.15 * np.log(e / 8) + rng.normal(0, 0.003, 12)
    t[list(wrong)] += 0.03
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"))
    assert {o.coupon for o in fit.outliers} == {str(k + 1) for k in wrong}
    assert "together they hide each other" in fit.warnings[0]


# ---------------------------------------------------------------- diagnoses


def codes(fit):
    return {f.code for f in fit.findings}


def test_a_good_lot_has_nothing_to_complain_of():
    fit = fit_of(seed=2)
    assert fit.warnings == ()
    assert codes(fit) <= {"varied"}


def test_a_mis_measured_coupon_is_named_and_kept():
    def change(e, t):
        t[9:12] += 0.03

    fit = fit_of(change=change)
    assert [(o.kind, o.coupon) for o in fit.outliers] == [("coupon", "c4")]
    assert "Coupon c4 lies" in fit.warnings[0]
    assert "above the line" in fit.warnings[0]
    assert len(fit.coupons) == 8
    left_out = fit_of(change=change, exclude=["c4"])
    said = f"Without it Dp is {show(left_out.penetration_depth)} and Ec {figure(left_out.critical_exposure.value.m)} mJ/cm^2"
    assert said in fit.warnings[0]
    assert not left_out.outliers
    assert len(left_out.coupons) == 7
    assert left_out.excluded == ("c4",)
    assert any("Left out: c4 (on request)" in s for s in left_out.notes)


@pytest.mark.parametrize(
    ("change", "hint"),
    [
        (lambda t: 10 * t, "by a factor near 10"),
        (lambda t: t / 10, "by a factor near 10"),
        (lambda t: 1000 * t, "by a factor near 1000"),
        (lambda t: t + 0.05, "its other readings"),
    ],
)
def test_a_reading_typo_is_found_with_its_likely_slip(change, hint):
    def typo(e, t):
        t[13] = change(t[13])

    fit = fit_of(change=typo)
    first = fit.outliers[0]
    assert (first.kind, first.coupon) == ("reading", "c5")
    assert hint in first.sentence


def test_exchanged_digits_are_suggested():
    from curecalc.calibration.outliers import _slip

    assert "two digits exchanged? 172 um" in _slip(0.127, 0.1705)
    assert _slip(0.150, 0.155) == ""


def test_one_wild_reading_cannot_hide_a_wild_coupon():
    def change(e, t):
        t[13] *= 10
        t[3:6] += 0.04

    kinds = [(o.kind, o.coupon) for o in fit_of(change=change).outliers]
    assert kinds == [("reading", "c5"), ("coupon", "c2")]


@pytest.mark.slow
def test_false_alarms_of_outliers_stay_at_the_stated_rate():
    alarms_coupon = alarms_reading = 0
    for seed in range(600):
        found = {o.kind for o in fit_of(seed=10_000 + seed).outliers}
        alarms_coupon += "coupon" in found
        alarms_reading += "reading" in found
    assert alarms_coupon / 600 < 0.08  # 5 % by Bonferroni, and a little for those set aside one after another
    assert alarms_reading / 600 < 0.02  # 1 %


def test_lack_of_fit_and_curvature_are_named():
    def bend(e, t):
        t += 0.03 * (np.log(e / 30)) ** 2

    fit = fit_of(change=bend)
    assert {"lack_of_fit", "curvature"} <= codes(fit)
    assert any("steeper at high exposure" in s for s in fit.warnings)

    def hollow(e, t):
        t -= 0.03 * (np.log(e / 30)) ** 2

    assert any("flatter at high exposure" in s for s in fit_of(change=hollow).warnings)


def test_a_bleaching_lot_gets_the_bleaching_curve_beside_and_the_line_is_kept():
    rng = np.random.default_rng(5)
    e = np.geomspace(8, 90, 10)
    t = 0.1 * np.log(np.expm1(e / 25) / np.expm1(5 / 25)) + rng.normal(0, 0.001, 10)
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"))
    assert "bleaching" in codes(fit)
    assert fit.bleaching.penetration_depth == pytest.approx(0.1, rel=0.1)
    assert fit.bleaching.criterion < fit.plain_criterion
    slope = np.polyfit(np.log(e), t, 1)[0]
    assert fit.penetration_depth.value.m == pytest.approx(slope, rel=1e-9)
    assert fit.to_dict()["bleaching"]["bleaching_exposure"]["unit"] == "mJ/cm^2"


def test_reciprocity_failure_is_told_when_power_and_speed_were_varied():
    rng = np.random.default_rng(5)
    p, v = np.repeat([100.0, 200.0, 400.0], 4), np.tile([2000.0, 1000.0, 500.0, 250.0], 3)
    e = p / v * 100.0
    for w, credible in ((1.0, True), (0.8, False)):
        t = 0.1 * (np.log(p) - np.log(v) / w) + 0.6 + rng.normal(0, 0.002, 12)
        fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), power=Q(p, "mW"), scan_speed=Q(v, "mm/s"))
        assert fit.power_threshold.w_low < w < fit.power_threshold.w_high
        said = " ".join(f.sentence for f in fit.findings if f.code == "reciprocity")
        assert ("not credible" in said) != credible
        assert "by power and scan speed" in fit_text(fit)


def test_few_narrow_thin_and_coarse_are_named():
    e = np.array([20.0, 25.0, 30.0])
    few = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(0.15 * np.log(e / 8) + [0, 1e-3, 0], "mm"))
    assert {"few_coupons", "narrow_range", "few_levels"} <= codes(few) | {"few_levels"}
    assert any("12.7" in s for s in few.warnings)
    e = np.array([9.0, 20.0, 40.0, 60.0, 80.0])
    thin = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(0.15 * np.log(e / 8) + [0, 1e-3, 0, -1e-3, 0], "mm"))
    assert "near_gel" in codes(thin)
    e, t, labels = lot()
    coarse = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(np.round(t / 0.02) * 0.02, "mm"), coupon=labels)
    assert any("steps of 20 um" in s for s in coarse.notes)


def test_drift_with_order_and_temperature_is_named():
    e, t, labels = lot(3)
    order = np.repeat([5, 2, 8, 1, 7, 3, 6, 4], 3)
    drift = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t + 0.004 * order, "mm"), coupon=labels, run_order=order)
    assert "trend_order" in codes(drift)
    warm = fit_working_curve(
        exposure=Q(e, "mJ/cm^2"), thickness=Q(t + 0.004 * order, "mm"), coupon=labels, temperature=Q(22.0 + order / 2, "degC")
    )
    assert any("per degC" in s for s in warm.warnings)
    calm = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, run_order=order)
    assert "trend_order" not in codes(calm)


def test_extrapolation_is_named():
    fit = fit_of(at_depth=[Q(0.2, "mm"), Q(0.5, "mm"), Q(0.01, "mm")])
    assert [w.extrapolated for w in fit.exposure_for_depth] == [False, True, True]
    said = [f.sentence for f in fit.findings if f.code == "extrapolation"]
    assert "above the greatest" in said[0]
    assert "below the least" in said[1]


def test_stated_uncertainties_that_cannot_be_believed():
    e, t, labels = lot()
    small = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, thickness_uncertainty=Q(0.5, "um"))
    assert "stated_too_small" in codes(small)
    assert small.penetration_depth_interval == fit_of().penetration_depth_interval
    assert "wider than with the stated" in small.method
    large = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, thickness_uncertainty=Q(100.0, "um"))
    assert "stated_too_large" in codes(large)


def test_exposure_uncertainty_alone_lets_the_scatter_speak_for_thickness():
    e, t, labels = lot()
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, exposure_uncertainty=Q(0.01 * e, "mJ/cm^2"))
    plain = fit_of()
    assert fit.line.t_degrees_of_freedom == 6
    assert fit.line.sum_of_squares == pytest.approx(6.0, rel=1e-6)
    assert fit.penetration_depth.value.m == pytest.approx(plain.penetration_depth.value.m, rel=0.01)
    assert fit.penetration_depth.standard_uncertainty.m == pytest.approx(plain.penetration_depth.standard_uncertainty.m, rel=0.05)
    # the next coupon scatters as these did, whatever share of it the exposures have
    assert np.sqrt(fit.working_line.coupon_variance) == pytest.approx(fit.residual_sd.m, rel=1e-9)


def test_an_unbounded_set_of_ec_is_said_and_written_as_null():
    e = np.array([20.0, 30.0, 40.0, 60.0])
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(np.array([0.10, 0.25, 0.12, 0.2]), "mm"), at_depth=Q(0.3, "mm"))
    record = fit.to_dict()
    assert record["critical_exposure"]["interval"] == [None, None]
    assert fit.critical_exposure_set in ("outside", "everything")
    assert "unbounded" in codes(fit)
    assert "unbounded" in fit_text(fit)
    json.dumps(record, allow_nan=False)


# ---------------------------------------------------------------- earlier lots


def earlier():
    return prior_from_lots(
        [0.15, 0.151],
        np.log([8.0, 8.4]),
        [np.diag([2e-6, 2e-4])] * 2,
        [0.004, 0.004],
        [6, 6],
        slope_between=0.03,
        log_threshold_between=0.08,
    )


def test_earlier_lots_sharpen_and_say_how_much():
    own = fit_of()
    with_prior = fit_of(prior=earlier(), prior_names=["a", "b"])
    assert with_prior.penetration_depth.standard_uncertainty.m < own.penetration_depth.standard_uncertainty.m
    assert 0 < with_prior.prior.weight < 1
    assert with_prior.prior.conflict.p > 0.05
    assert with_prior.prior.own_penetration_depth.value.m == own.penetration_depth.value.m
    assert "with earlier lots" in with_prior.method
    record = with_prior.to_dict()
    assert record["prior"]["lots"] == ["a", "b"]
    assert "Without them" in fit_text(with_prior)


def test_a_conflict_with_earlier_lots_is_reported():
    e, t, labels = lot(dp=0.22, ec=6.0)
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels, prior=earlier())
    own = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), coupon=labels)
    assert fit.prior.weight == 0.0
    assert fit.penetration_depth_interval == own.penetration_depth_interval
    assert "prior_conflict" in codes(fit)
    assert any("contradict the earlier lots" in s for s in fit.warnings)


def test_fewer_than_six_coupons_give_earlier_lots_no_weight():
    e = np.geomspace(14, 70, 5)
    t = 0.15 * np.log(e / 8.0) + np.array([1, -2, 2, -1, 1]) * 1e-3
    own = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"))
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), prior=earlier(), prior_names=["a"])
    assert fit.prior.weight == 0.0
    assert fit.penetration_depth_interval == own.penetration_depth_interval
    assert any("wider interval" in s for s in fit.notes)
    assert "Beside earlier lots" in fit_text(fit)


def test_a_lot_that_scatters_more_than_earlier_ones_keeps_its_own_scatter():
    e, t, labels = lot(3)
    rng = np.random.default_rng(4)
    wild = t + np.repeat(rng.normal(0, 0.02, 8), 3)
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(wild, "mm"), coupon=labels, prior=earlier())
    assert "prior_scatter" in codes(fit)
    assert fit.working_line.coupon_variance == pytest.approx(fit.data_line.scale)


def test_earlier_lots_go_together_with_stated_uncertainties_and_left_out_coupons():
    fit = fit_of(
        prior=earlier(),
        thickness_uncertainty=Q(4.0, "um"),
        exclude=["c1"],
        at_depth=Q(0.2, "mm"),
        power_scale_uncertainty=0.02,
        same_machine=False,
    )
    assert 0 < fit.prior.weight < 1
    json.dumps(fit.to_dict(), allow_nan=False)


# ---------------------------------------------------------------- text and derivation


def test_text_and_steps_carry_the_numbers():
    fit = fit_of(at_depth=Q(0.15, "mm"), power_scale_uncertainty=0.03)
    text = fit_text(fit)
    for words in ("penetration depth Dp", "critical exposure Ec", "mean of many", "next coupon", "cancels"):
        assert words in text
    steps = fit_steps(fit)
    assert any(s.formula == "Dp = Sxy/Sxx" for s in steps)
    assert f"{fit.penetration_depth.value.m:.5g} mm" in [s.result for s in steps]
    assert all(s.why for s in steps)
    assert fit_steps(fit_of(prior=earlier(), thickness_uncertainty=Q(4.0, "um")))


def test_speed_for_a_depth_where_only_speed_was_varied():
    v = np.repeat([4000.0, 6000.0, 9000.0, 13000.0], 2)
    e = 30000.0 / (v * 0.1)
    rng = np.random.default_rng(0)
    t = 0.15 * np.log(e / 8) + rng.normal(0, 0.003, 8)
    fit = fit_working_curve(
        exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), power=Q(np.full(8, 300.0), "mW"), scan_speed=Q(v, "mm/s"), at_depth=Q(0.2, "mm")
    )
    wanted = fit.exposure_for_depth[0]
    assert wanted.scan_speed.m == pytest.approx(300000.0 / wanted.exposure.m, rel=1e-12)
    low, high = wanted.next_scan_speed_interval
    assert low.m == pytest.approx(300000.0 / wanted.next_interval[1].m)
    assert low.m < wanted.scan_speed.m < high.m
    assert fit.to_dict()["exposure_for_depth"][0]["mean"]["scan_speed"]["unit"] == "mm/s"


# ---------------------------------------------------------------- refusals

E, T = Q(np.array([15.0, 30.0, 60.0]), "mJ/cm^2"), Q(np.array([0.1, 0.2, 0.3]), "mm")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"exposure": 3.0}, "exposure has no unit"),
        ({"exposure": E.m}, "exposure has no unit"),
        ({"exposure": Q(E.m, "mJ")}, "exposure must convert to mJ/cm"),
        ({"exposure": -E}, "exposure must be finite and above zero, got -15 mJ/cm"),
        ({"exposure": E[:2]}, "exposure has shape"),
        ({"exposure": Q(np.array([15.0, np.nan, 60.0]), "mJ/cm^2")}, "at index 1"),
        ({"exposure": Q(np.full(3, 20.0), "mJ/cm^2")}, "all 3 coupons have the same exposure, 20"),
        ({"thickness": -T}, "thickness must be finite and above zero"),
        ({"thickness": T[::-1]}, "thickness does not rise with exposure"),
        ({"thickness": T[:2], "exposure": E[:2]}, "at least three coupons, got 2"),
        ({"thickness": Q(np.ones((2, 2)), "mm"), "exposure": E[0]}, "one axis, got 2"),
        ({"coupon": ["a", "b"]}, "coupon has 2 labels for 3 readings"),
        ({"coupon": ["a", "a", "b"]}, "but coupon 'a' has 15 mJ/cm"),
        ({"thickness_uncertainty": Q(0.0, "mm")}, "thickness_uncertainty must be finite and above zero"),
        ({"thickness_uncertainty": 0.1}, "thickness_uncertainty has no unit"),
        ({"exposure_uncertainty": Q(np.ones(2), "mJ/cm^2")}, "exposure_uncertainty has shape"),
        ({"at_depth": Q(-0.1, "mm")}, "at_depth must be finite and above zero"),
        ({"at_depth": 0.15}, "float"),
        ({"at_depth": Q(200.0, "mm")}, "penetration depths: no exposure a number can hold"),
        ({"exclude": ["9"]}, "there is no coupon '9'"),
        ({"exclude": ["1", "2", "3"]}, "all coupons are left out"),
        ({"confidence": 1.0}, "confidence must be at least 0.5 and below 1"),
        ({"confidence": 0.2}, "confidence must be"),
        ({"power_scale_uncertainty": -0.1}, "power_scale_uncertainty must be"),
        ({"power_scale_uncertainty": 5.0}, "power_scale_uncertainty must be"),
        ({"thickness_bias_uncertainty": Q(-1.0, "um")}, "thickness_bias_uncertainty must be"),
    ],
)
def test_bad_arguments_are_refused_in_words(more, words):
    with pytest.raises((QuantityError, TypeError), match=words):
        fit_working_curve(**({"exposure": E, "thickness": T} | more))


def test_a_set_of_coupons_can_be_fitted_again():
    coupons = coupons_from_arrays(exposure=E, thickness=T)
    assert fit_coupons(coupons).penetration_depth.value.m > 0
    assert [c.label for c in coupons.coupons()] == ["1", "2", "3"]
    assert coupons.coupons()[1].to_dict()["exposure"] == {"value": 30.0, "unit": "mJ/cm^2"}


def test_an_exact_line_is_fitted_without_a_fuss():
    e = np.array([15.0, 20.0, 40.0, 60.0])
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(0.15 * np.log(e / 8), "mm"), at_depth=Q(0.2, "mm"))
    assert fit.penetration_depth.value.m == pytest.approx(0.15, rel=1e-12)
    assert not fit.outliers
    json.dumps(fit.to_dict(), allow_nan=False)
    fit_text(fit)
    fit_steps(fit)
