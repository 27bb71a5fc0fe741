"""Charts, steps of displays, turnings and the watch exactly where they begin to speak, and what nothing at all gives."""

import math

import numpy as np
import pytest
from scipy import stats

from curecalc.errors import QuantityError
from curecalc.statistics.change import change
from curecalc.statistics.charts import Baseline, baseline, ewma_chart, ewma_half_width, ewma_run_length, individuals_chart
from curecalc.statistics.components import between_and_within
from curecalc.statistics.constants import chart_constants
from curecalc.statistics.covariates import regress
from curecalc.statistics.rules import RULES, run_length, run_signals
from curecalc.statistics.series import numbers
from curecalc.statistics.steps import level_error, step_of
from curecalc.statistics.trend import crossing, trend
from curecalc.statistics.turning import bend, cumulative_sums, cusum_run_length, turning
from curecalc.statistics.watch import WEIGHT, Watch, delay, display_step, mean_variance, scatter, watch


def test_a_mean_on_the_limit_is_no_signal() -> None:
    """Weight 1: the limit is the width times the standard deviation, here a whole number."""
    chart = ewma_chart([3.0, -3.0, 3.5, -3.5], baseline=Baseline(0.0, 1.0), weight=1.0)
    assert [(s.index, s.text) for s in chart.signals] == [
        (2, "the weighted mean is above its limits"),
        (3, "the weighted mean is below its limits"),
    ]
    assert chart.to_dict()["correlation"] == 0.0
    single = individuals_chart([3.0], baseline=Baseline(0.0, 1.0)).to_dict()
    assert (single["weight"], single["correlation"], single["width"], single["notes"]) == (1.0, 0.0, 3.0, [])
    assert single["baseline"] == {"centre": 0.0, "sd": 1.0, "points": 0, "method": "stated"}
    assert baseline([1.0, 2.0, 4.0]).points == 3
    assert ewma_half_width(sd=1.0, weight=0.2, points=0) == 0.0
    assert ewma_half_width(sd=2.0, weight=0.3, points=2) == pytest.approx(3 * 2.0 * math.sqrt(0.09 + 0.09 * 0.49))
    for f in (0.0, 0.4):
        assert ewma_half_width(sd=1.0, weight=0.2, correlation=f) == pytest.approx(
            ewma_half_width(sd=1.0, weight=0.2, points=500, correlation=f), rel=1e-12
        )


def test_constants_of_small_samples_in_closed_form() -> None:
    """d2 and d3 of two, 2/sqrt(pi) and sqrt(2 - 4/pi); d2 of three, 3/sqrt(pi); d2 of five by the general library's integral."""
    two, three, five = (chart_constants(n) for n in (2, 3, 5))
    assert (two.d2, two.d3) == pytest.approx((2 / math.sqrt(math.pi), math.sqrt(2 - 4 / math.pi)), abs=1e-9)
    assert three.d2 == pytest.approx(3 / math.sqrt(math.pi), abs=1e-9)
    x = np.linspace(-9.0, 9.0, 2001)
    assert five.d2 == pytest.approx(np.trapezoid(1 - stats.norm.cdf(x) ** 5 - stats.norm.sf(x) ** 5, x), abs=1e-9)
    assert chart_constants(50).c4 == pytest.approx(stats.chi.mean(49) / 7.0, abs=1e-9)


def test_run_lengths_of_runs_alone_are_those_of_coins() -> None:
    """A chain of how many stand on one side so far, the limits beside it: solved outright."""
    p, out = stats.norm.cdf(1.0), stats.norm.sf(2.0) + stats.norm.sf(4.0)
    assert run_length(shift=1.0) == pytest.approx(1.0 / out)
    up, down = p - stats.norm.sf(2.0), 1.0 - p - stats.norm.sf(4.0)
    # L(k) ups so far, M(k) downs so far: one more of the kind, the first of the other, or a signal
    chain, one = np.eye(15), np.ones(15)
    for k in range(15):
        ups, downs = (k, 0) if k < 8 else (0, k - 7)
        if ups < 7:
            chain[k, ups + 1] -= up
        if downs < 7:
            chain[k, 8 + downs] -= down
    assert run_length(["eight-in-a-row"], shift=1.0) == pytest.approx(np.linalg.solve(chain, one)[0])
    assert ewma_run_length(0.2, 3.0) == ewma_run_length(0.2, 3.0, 0.0) != ewma_run_length(0.2, 3.0, 0.5)
    assert cusum_run_length(5.0) == cusum_run_length(5.0, 0.5, 0.0)


def test_a_point_on_the_edge_of_a_zone_is_not_beyond_it() -> None:
    found = run_signals([3.0, 2.0, 2.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0])
    assert not any(signal.any() for name, signal in found.items() if name not in ("two-of-three", "four-of-five"))
    assert found["four-of-five"].tolist() == [False] * 9
    assert found["two-of-three"].tolist() == [False] * 9
    assert set(run_signals([0.0])) == set(RULES)
    many = np.random.default_rng(4).normal(0.5, 1.5, (5, 30))
    together = run_signals(many)
    for name in RULES:
        assert together[name].tolist() == [run_signals(one)[name].tolist() for one in many], name


def test_steps_of_a_display_from_two_values_on() -> None:
    assert step_of([5.0, 5.0, 7.5]) == 2.5
    assert step_of([0.0, 1e-9, 1.0, 1.0]) == 1e-9
    assert step_of([0.0, 1.0, 2.0012, 2.0012]) == 0.0  # a thousandth of a step counts as rounding
    assert step_of([0.0, 1.0, 2.0008, 2.0008]) == 1.0
    assert display_step([-3.0, 6.0]) == 1.0


@pytest.mark.parametrize("noise", [0.0, 0.3, 0.45])
def test_the_pull_of_steps_on_a_mean(noise: float) -> None:
    """Rounding whole steps: the mean of rounded readings less the true level, root mean square over all levels, by summing the normal."""
    level, k = np.linspace(0.0, 1.0, 200, endpoint=False) + 0.0025, np.arange(-6.0, 8.0)[:, None]
    edges = ((k - 0.5 - level) / max(noise, 1e-9), (k + 0.5 - level) / max(noise, 1e-9))
    pulled = (k * (stats.norm.cdf(edges[1]) - stats.norm.cdf(edges[0]))).sum(0) - level
    found = float(np.sqrt((pulled**2).mean()))
    first = {0.0: 0.2251, 0.3: found, 0.45: found}[noise]  # without noise only the first term of a saw tooth, 1/(pi sqrt 2) of 1/sqrt(12)
    assert level_error(noise, 1.0) == pytest.approx(first, rel=1e-3)
    assert level_error(3.0 * noise, 3.0) == pytest.approx(3.0 * first, rel=1e-3)
    assert level_error(noise, 0.0) == 0.0


def test_a_change_is_shown_from_thirteen_on() -> None:
    """Two levels of 26 readings each, one standard deviation apart: chi-squared falls by 26 x 26/52 = 13."""
    y = np.repeat([0.0, 1.0], 26)
    assert turning(range(52), y, sd=1.0).kind == "step or drift"
    assert turning(range(52), y, sd=1.0001).kind == "none"
    none = turning(range(52), 0.0 * y, sd=1.0)
    assert (none.kind, none.size, math.isnan(none.time)) == ("none", 0.0, True)
    assert turning(range(52), y, sd=0.0).kind == "none"
    with pytest.raises(QuantityError, match="sd must be above zero, got 0"):
        cumulative_sums([1.0], centre=0.0, sd=0.0)


def test_readings_at_one_time_at_the_end_cannot_drift() -> None:
    found = turning([0, 1, 2, 3, 4, 5, 5, 5], [0, 0, 0, 0, 9, 9, 9, 9], sd=0.5)
    assert (found.kind, found.time, found.size) == ("step", 4.0, 9.0)
    assert bend([0, 1, 2, 3, 3, 3], [0, 0, 0, 5, 5, 5]) == 2.0
    assert bend([0, 2**-9, 2**-8, 3 * 2**-9, 2**-7], [0, 0, 0, 1, 2]) == 2**-8  # in any unit of time


def test_a_watch_exactly_at_its_limits() -> None:
    def held(level: float = 0.0, newest: float = 0.0, before: float = 0.0) -> Watch:
        return Watch(0.0, 1.0, 10.0, 5, level, newest, before, 0.5, 2.0, 4.0)

    for newest, before, lone in (
        (4.5, 2.5, False),  # a leap of half the limit is none
        (4.5, 2.25, True),
        (7.0, 4.0, False),  # the one before stood on the limit
        (12.5, 4.5, False),  # a leap of two limits
        (12.75, 4.5, True),
        (-12.75, -4.5, True),
    ):
        assert held(newest=newest, before=before).lone == lone, (newest, before)
    assert held(level=2.5).to_dict()["side"] == "above"


def test_scatter_where_most_readings_are_alike() -> None:
    """Without a step of the display no difference is too large; half of four steps of it else."""
    assert scatter([[0.0] * 5 + [4.0] * 5], correlation=0.0) == pytest.approx((math.sqrt(16.0 / 9.0 / 2.0), 5.4))
    assert scatter([[0.0] * 5 + [4.0] * 5], step=1.0, correlation=0.0)[1] == pytest.approx(5.4)  # four steps are no slip
    assert scatter([[0.0] * 5 + [4.5] * 5], step=1.0, correlation=0.0)[1] == pytest.approx(4.8)
    # six differences tell a slip by themselves, which is none where most are nothing; of five the stated scatter takes 2 sqrt(2) at most
    assert scatter([[0.0] * 6 + [50.0]], stated=1.0, correlation=0.0)[0] == pytest.approx(math.sqrt((0.6 * 2500 / 2 + 6.4) / 10))
    assert scatter([[0.0] * 5 + [50.0]], stated=1.0, correlation=0.0)[0] == pytest.approx(math.sqrt((0.6 * 8 / 2 + 7.0) / 10))
    assert scatter([[1.0, 2.0, 4.0]], correlation=0.0)[0] == pytest.approx(math.sqrt(2.5 / 2.0))
    assert scatter([[0.0, 0.1, 0.0, 0.1]], correlation=0.0)[0] == pytest.approx(0.1 / math.sqrt(2.0))
    assert watch([2.0, 2.0, 2.0], stated=0.01).sd == pytest.approx(0.01 * math.sqrt(8.8 / 10.0))  # 1.2 of 10 from the readings
    assert watch([1.0, 2.0, 1.0, 2.0]).degrees_of_freedom == pytest.approx(1.8)


def test_a_fade_that_takes_more_than_two_thousand_readings_is_not_foreseen() -> None:
    """The weighted mean of the ramp and its limit in closed form, the limit steady after so many."""
    q = 1.0 - WEIGHT
    steady = math.sqrt(ewma_half_width(sd=1.0, weight=WEIGHT, width=1.0, correlation=0.3) ** 2 + mean_variance(20, 0.3))
    limit = stats.t.ppf(1 - 0.00125, 12) * steady
    for m, found in ((1999.5, 2000.0), (2000.5, math.inf)):
        assert delay(limit / (m - q / WEIGHT * (1.0 - q**m)), sd=1.0) == found


def test_neighbours_of_nine_readings_are_not_judged() -> None:
    """All but one at one time; of all series the one whose residuals are most like their neighbours, which alone would speak."""
    for n, notes in ((9, 0), (10, 1)):
        t = np.append(np.zeros(n - 1), 1.0)
        residuals = np.linalg.qr(np.column_stack([np.ones(n), t]), mode="complete")[0][:, 2:]
        alike = np.linalg.eigh(residuals.T @ (np.eye(n, k=1) + np.eye(n, k=-1)) @ residuals / 2.0)
        line = trend(t, residuals @ alike.eigenvectors[:, -1])
        assert line.neighbours == pytest.approx(alike.eigenvalues[-1])
        assert line.neighbours > 1.96 / math.sqrt(n)
        assert len(line.notes) == notes


def test_neighbours_exactly_as_alike_as_chance_allows_are_not_named() -> None:
    """Whole numbers that sum to nothing, and so do their products with their places: 100 squares, 49 products of neighbours, 1.96/4."""
    line = trend(range(16), [-1, -1, 2, -4, -4, 0, 3, 5, 3, 3, -1, 0, 0, -2, -2, -1])
    assert (line.neighbours, line.slope, line.notes) == (0.49, 0.0, ())


def test_a_crossing_of_the_mean_itself_and_of_an_exact_line() -> None:
    line = trend([0.0, 1.0, 2.0, 3.0], [4.0, 3.1, 1.9, 1.0])
    at = crossing(line, line.level)
    assert (at.time, at.low + at.high) == (pytest.approx(1.5), pytest.approx(3.0))
    y = np.array([0.0, 1.0, 0.2, 0.9, 0.1, 1.1])
    for limit in (9.0, -9.0, 0.5):  # in any unit
        one, other = (crossing(trend(range(6), y / unit), limit / unit) for unit in (1.0, 1e6))
        assert (one.low, one.high) == pytest.approx((other.low, other.high))
    exact = crossing(trend([0, 1, 2], [1, 2, 3]), 2.5)
    assert (exact.low, exact.time, exact.high) == (1.5, 1.5, 1.5)


def test_a_change_without_interval_does_not_differ_where_it_is_zero() -> None:
    assert not change(before=2.0, after=2.0, before_uncertainty=0.0, after_uncertainty=0.0).differs
    assert change(before=2.0, after=2.5, before_uncertainty=0.0, after_uncertainty=0.0).differs
    full = change(before=100.0, after=90.0, before_uncertainty=2.0, after_uncertainty=2.0, common=0.02)  # all of it common
    assert full.standard_uncertainty == pytest.approx(math.sqrt(8.0 - 2 * 0.0004 * 9000.0))


def test_groups_of_one_reading_each_show_no_scatter_within() -> None:
    with pytest.raises(QuantityError, match="got 3 groups and 3 readings"):
        between_and_within(groups="abc", values=[1, 2, 3])
    two = between_and_within(groups="aab", values=[1, 3, 7])  # MSW 2 on one, MSB 2/3 x 25 on one
    assert (two.within, two.readings, two.groups) == (pytest.approx(math.sqrt(2.0)), 3, 2)
    small = between_and_within(groups="aab", values=[0.001, 0.003, 0.007])
    assert (small.mean, small.mean_uncertainty) == pytest.approx((two.mean / 1000, two.mean_uncertainty / 1000))
    assert two.between == pytest.approx(math.sqrt((50 / 3 - 2.0) / (4 / 3)))


def test_the_model_of_covariates_as_it_stands_in_json() -> None:
    """y = 3 + 2 a - b exactly but for one reading: coefficients, their uncertainties and means by name."""
    a, b = np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([1.0, 0.0, 2.0, 1.0, 1.0])
    got = regress(3.0 + 2.0 * a - b + np.array([0.0, 0.1, 0.0, -0.1, 0.0]), {"a": a, "b": b})
    told = got.to_dict()
    design = np.column_stack([np.ones(5), a, b])
    found, *_ = np.linalg.lstsq(design, 3.0 + 2.0 * a - b + np.array([0.0, 0.1, 0.0, -0.1, 0.0]), rcond=None)
    assert told["constant"] == pytest.approx(found[0])
    assert told["constant_standard_uncertainty"] == pytest.approx(got.residual_sd * math.sqrt(np.linalg.inv(design.T @ design)[0, 0]))
    assert [told["covariates"][name]["coefficient"] for name in "ab"] == pytest.approx(found[1:].tolist())
    assert [told["covariates"][name]["mean"] for name in "ab"] == [2.0, 1.0]
    assert [told["covariates"][name]["p_value"] for name in "ab"] == list(got.p_values[1:])
    assert [told["covariates"][name]["standard_uncertainty"] for name in "ab"] == list(got.standard_uncertainties[1:])
    nothing = regress([0.0, 0.0, 0.0, 0.0], {"age": [0.0, 1.0, 2.0, 4.0]})
    assert (nothing.p_values, nothing.residual_sd) == ((1.0, 1.0), 0.0)
    # nearly together is not together: off by a ten-thousandth, and by a millionth of a millionth
    near = a + 1e-4 * b
    assert regress(near, {"a": a, "near": near}).coefficients[2] == pytest.approx(1.0, abs=1e-6)
    with pytest.raises(QuantityError, match="move together"):
        regress(near, {"a": a, "near": a + 1e-12 * b})


def test_series_without_any_number_are_refused() -> None:
    with pytest.raises(QuantityError, match="values needs at least 1 values, got 0"):
        numbers("values", [])
    with pytest.raises(QuantityError, match="values must be above 0, got 0 at index 1"):
        numbers("values", [1.0, 0.0], above=0.0)
    assert numbers("values", [1.0], above=0.0).tolist() == [1.0]
