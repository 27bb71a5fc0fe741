"""Plans of coupons, earlier lots and comparisons: what may be asked for, what is chosen, what is shown."""

import math
from dataclasses import replace

import numpy as np
import pytest
from eight_coupons import APART, X, Y, fit

from curecalc.calibration.columns import coupon_template
from curecalc.calibration.comparing import compare_lots, comparison_text, lot_from_fit
from curecalc.calibration.coupons import coupons_from_arrays
from curecalc.calibration.design import expected, levels_and_counts, most_useful
from curecalc.calibration.planning import plan_coupons, plan_text
from curecalc.calibration.prior import LinePrior, prior_conflict, prior_from_lots
from curecalc.errors import QuantityError
from curecalc.statistics.line import weighted_line
from curecalc.units import Quantity as Q
from curecalc.units import figure


def test_the_next_exposure_is_the_best_of_very_many():
    """Against every exposure of a fine grid, for depths below, inside and above what was measured."""
    have = np.log([20.0, 20.0, 40.0, 45.0])
    grid = np.linspace(math.log(10.0), math.log(80.0), 20001)
    for depth in (None, 0.02, 0.2, 0.25, 0.34, 0.6):
        aim = {"slope": 0.15, "log_threshold": math.log(8.0), "scatter": 0.005, "depth": depth}
        (one,) = most_useful(have, grid[0], grid[-1], 1, **aim)
        target = aim["log_threshold"] + (0.0 if depth is None else depth / 0.15)
        trials = np.column_stack([np.tile(have, (grid.size, 1)), grid])
        variance = 0.2 + (target - trials.mean(1)) ** 2 / (trials.var(1) * 5)
        at = np.append(have, one)
        assert 0.2 + (target - at.mean()) ** 2 / (at.var() * 5) <= variance.min() + 1e-12
    assert most_useful([1.5], 1.0, 2.0, 1, **aim).tolist() == [2.0]
    for coupons, planned in ((5, [0, 0, 1, 2, 3]), (6, [0, 0, 1, 2, 3, 3]), (7, [0, 0, 1, 1, 2, 3, 3])):
        assert levels_and_counts(0.0, 3.0, coupons, 4).tolist() == planned
    assert levels_and_counts(0.0, 2.0, 5, 3).tolist() == [0, 0, 1, 2, 2]


def test_plans_count_on_from_the_labels_that_are_taken():
    measured = coupons_from_arrays(exposure=Q([20.0, 30.0, 45.0, 60.0], "mJ/cm^2"), thickness=Q(Y[[0, 2, 4, 6]], "mm"), coupon=list("1245"))
    guess = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2")}
    plan = plan_coupons(**guess, measured_coupons=measured, coupons=3, at_depth=Q(0.15, "mm"), to=0.05)
    assert sorted(c.label for c in plan.coupons) == ["3", "6", "7"]
    half = plan.assured_half_width(plan.expected)
    assert f"(so surely: {100 * half:.2g} %)" in plan_text(plan)
    assert f"the 4 coupons measured give the speed to {100 * plan.half_width_measured:.2g} %" in plan_text(plan)
    relative = figure(100 * plan.relative_half_width(plan.expected), digits=2)
    assert f"{figure(100 * plan.expected.log_exposure, digits=2)} % (standard), {relative} % (95 % interval)" in plan_text(plan)
    assert plan.to_dict()["relative_half_width_measured"] == plan.half_width_measured
    assert replace(plan, half_width_measured=math.inf).to_dict()["relative_half_width_measured"] is None
    # a resin a hundred times as fast is known as well, though its exposures are below 1 mJ/cm^2
    fast = replace(measured, exposure=measured.exposure / 100)
    asked = {"penetration_depth": Q(0.15, "mm"), "coupons": 3, "at_depth": Q(50.0, "um"), "to": 0.05}
    quick = plan_coupons(**asked, critical_exposure=Q(0.08, "mJ/cm^2"), measured_coupons=fast)
    slow = plan_coupons(**asked, critical_exposure=Q(8.0, "mJ/cm^2"), measured_coupons=measured)
    assert quick.half_width_measured == pytest.approx(slow.half_width_measured)
    three = plan_coupons(**guess, measured_coupons=measured.without(["5"]), at_depth=Q(0.15, "mm"), to=0.05)
    assert three.verdict == "two more"  # from three coupons on there is an interval
    assert three.half_width_measured is not None
    assert plan_coupons(**guess, measured_coupons=measured.without(["4", "5"]), at_depth=Q(0.15, "mm"), to=0.05).verdict == ""
    same = expected(np.log([c.exposure.m for c in plan.coupons] + [20.0, 30.0, 45.0, 60.0]), slope=0.15, log_threshold=math.log(8.0),
        scatter=plan.coupon_sd.m_as("mm"), depth=0.15)  # fmt: skip
    assert plan.expected.log_exposure == pytest.approx(same.log_exposure)


def test_the_fewest_coupons_of_a_plan_and_what_is_just_met():
    guess = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2"), "at_depth": Q(0.15, "mm")}
    assert [len(plan_coupons(**guess, to=0.9, levels=levels).coupons) for levels in (2, 3, 4, 5)] == [4, 4, 4, 5]
    six = plan_coupons(**guess, coupons=6)
    half = six.assured_half_width(six.expected)
    assert [plan_coupons(**guess, coupons=6, to=to).reached for to in (half, half * 0.999)] == [True, False]
    plan = plan_coupons(**guess, max_depth=Q(0.33333, "mm"))
    assert "  0.333\n" in plan_text(plan)  # three digits, of the exposures as well
    one, other = (f"{q.m:.3g}" for q in plan.two_more_exposures)
    assert f"with two more, at {one} and {other} mJ/cm^2" in plan_text(plan)


def test_a_prior_of_one_scatter_for_all_and_conflicts_of_stated_lines():
    both = prior_from_lots(
        [[0.15, 0.16], [0.15, 0.15]], [[2.0, 2.0], [2.1, 2.2]], np.tile(np.diag([1e-6, 1e-4]), (2, 2, 1, 1)), [[0.003, 0.004]] * 2, 6,
        slope_between=0.03, log_threshold_between=0.1,
    )  # fmt: skip
    assert both.scatter == pytest.approx([math.sqrt(12.5e-6)] * 2)
    assert both.degrees_of_freedom.tolist() == [12.0, 12.0]
    assert both.mean[:, 0].tolist() == [0.0, 0.0]
    assert both.mean[1, 1] == pytest.approx(0.15)
    # a line of stated uncertainties: two normal deviations, chi-squared of two is exponential
    line = weighted_line(X, Y, 0.003)
    prior = LinePrior(np.array([line.y_mean + 0.004, line.slope]), np.diag([4e-6, 1e-4]), line.x_mean, 0.003, 12)
    found = prior_conflict(line, prior)
    assert found.f == pytest.approx(0.5 * 16.0 / (9.0 / 8 + 4.0))
    assert found.p == pytest.approx(math.exp(-found.f))
    # about any origin: both lines as (height there, slope), their covariances added
    away = np.array([[1.0, 1.5], [0.0, 1.0]])
    own = away @ np.diag([line.scale / line.weight_sum, line.scale / line.sxx]) @ away.T
    covariance = np.array([[4e-6, 1e-6], [1e-6, 1e-4]])
    mean = np.array([0.3, 0.14])
    far = prior_conflict(line, LinePrior(mean, covariance, line.x_mean + 1.5, 0.003, 12))
    shift = np.array([line.y_mean + 1.5 * line.slope, line.slope]) - mean
    assert far.f == pytest.approx(0.5 * shift @ np.linalg.inv(own + covariance) @ shift)


def test_a_comparison_as_people_read_it():
    old, new = lot_from_fit("old", fit()), lot_from_fit("n", fit(y=Y + 0.004 * APART[::-1]))
    c = compare_lots(lots=[old, new], cure_depth=Q(0.15, "mm"), tolerance=Q(10.0, "um"))
    text = comparison_text(c).splitlines()
    assert text[2].startswith("lot  coupons  Dp (mm)")
    assert text[3].startswith("old        8  ")
    f = next(line for line in text if line.startswith("equal slopes"))
    assert f"on 1 and 12, p {c.tests.slopes.p:.3g}" in f
    flat = compare_lots(lots=[old, old], cure_depth=Q(0.15, "mm"), tolerance=Q(10.0, "um"))
    assert flat.tests.slopes.f == pytest.approx(0.0, abs=1e-9)
    assert flat.to_dict()["coincidence"]["df"] == [2, 12]
    assert f"{1e3 * c.depth_difference.value:+.1f}" in text[4]
    assert text[4].index(f"{100 * c.speed_change[0]:+.1f} (") == text[2].index("speed change (%)")  # under its heading
    value, low, high = c.speed_change
    assert f"{100 * value:+.1f} ({100 * low:+.1f} to {100 * high:+.1f})" in text[4]


@pytest.mark.parametrize(
    ("more", "taken"),
    [
        ({"to": 0.99, "at_depth": Q(0.15, "mm")}, True),
        ({"to": 1.0, "at_depth": Q(0.15, "mm")}, False),
        ({"assurance": 0.99}, True),
        ({"assurance": 1.0}, False),
        ({"seed": 0}, True),
        ({"levels": 2}, True),
        ({"levels": 1}, False),
        ({"readings": 1}, True),
        ({"coupons": 10_000}, True),
        ({"passes": 1}, True),
        ({"passes": 0}, False),
    ],
)
def test_what_a_plan_may_be_asked_for(more, taken):
    guess = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2")}
    if not taken:
        with pytest.raises(QuantityError, match=next(iter(more))):
            plan_coupons(**guess, **more)
        return
    plan = plan_coupons(**guess, **more)
    assert len(plan.two_more_exposures) == 2
    assert {c.level for c in plan.coupons} == set(range(1, plan.levels + 1))
    assert [c.run_order for c in plan.coupons] == list(range(1, len(plan.coupons) + 1))
    assert plan.two_more.degrees_of_freedom == plan.expected.degrees_of_freedom + 2


@pytest.mark.parametrize("name", ["most_speed_change", "most_depth_change"])
def test_changes_of_a_comparison_are_shares_below_one(name):
    lots = [lot_from_fit("old", fit()), lot_from_fit("new", fit(y=Y + 0.004 * APART[::-1]))]
    asked = {"lots": lots, "cure_depth": Q(0.15, "mm"), "tolerance": Q(10.0, "um")}
    assert compare_lots(**asked, **{name: 0.99}).lots[0].name == "old"
    with pytest.raises(QuantityError, match=f"{name} must be finite, above 0 and below 1"):
        compare_lots(**asked, **{name: 1.0})


def test_a_table_to_fill_in_has_eight_coupons_of_three_readings():
    rows = [line for line in coupon_template().splitlines() if not line.startswith("#")]
    assert rows[1:] == [f"{k},,,,," for k in range(1, 9) for _ in range(3)]
