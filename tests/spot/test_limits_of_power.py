"""Warm-up, drift, ends of the range, digits and likeness of power readings: each rule just on either side, by closed forms."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import f
from scipy.stats import t as student

from curecalc.spot import light, power
from curecalc.spot.power import power_reading, warm_up
from curecalc.units import Quantity as Q

T = np.arange(40.0)
FLICKER = 0.1 * np.where(T % 2 == 0, 1.0, -1.0)


def approach(size, tau, n=40):
    return (100.0 - size * np.exp(-T / tau) + FLICKER)[:n]


def f_of(y):
    """F of an exponential approach over a level, its time constant searched for by a general minimiser."""

    def left(log_tau):
        shape = np.exp(-T[: y.size] / math.exp(log_tau))
        return float(np.linalg.lstsq(np.column_stack([np.ones(y.size), shape]), y, rcond=None)[1][0])

    rest = minimize_scalar(left, bounds=(math.log(0.4), math.log(30.0)), method="bounded").fun
    return (((y - y.mean()) ** 2).sum() - rest) / 2.0 / (rest / (y.size - 3))


@pytest.mark.parametrize(("tau", "n"), [(3.0, 40), (6.0, 40), (0.8, 9)])
def test_a_warm_up_is_real_where_chance_would_once_in_a_thousand(tau, n):
    limit = f.isf(1e-3, 2, n - 3)
    sizes = np.linspace(0.05, 1.5, 146)
    found = np.array([f_of(approach(s, tau, n)) for s in sizes])
    weak, strong = sizes[found < 0.97 * limit].max(), sizes[found > 1.03 * limit].min()
    assert warm_up(approach(weak, tau, n)) == 0
    assert warm_up(approach(strong, tau, n)) > 0


@pytest.mark.parametrize(("size", "tau"), [(5.0, 3.0), (5.0, 4.0), (1.0, 6.0)])
def test_a_warm_up_is_cut_where_what_is_left_moves_the_mean_by_less_than_a_third_of_its_uncertainty(size, tau):
    """The mean of what is left from reading n on is a geometric sum; the noise of a mean of N - n readings is sd/sqrt(N - n)."""
    noise = 0.1 * math.sqrt(40.0 / 37.0)
    rest = [size * (math.exp(-n / tau) - math.exp(-40.0 / tau)) / (1.0 - math.exp(-1.0 / tau)) / (40 - n) for n in range(40)]
    first = next(n for n in range(1, 40) if rest[n] < 0.3 * noise / math.sqrt(40 - n))
    assert abs(warm_up(approach(size, tau)) - first) <= 1
    assert abs(warm_up(approach(size, tau), T / 7.0) - first) <= 1  # whatever the clock's unit
    assert abs(warm_up(200.0 - approach(size, tau)) - first) <= 1  # from above


@pytest.mark.parametrize(("share", "cut"), [(0.7, 24), (1.4, 0)])
def test_nearly_settled_readings_lose_three_fifths_and_drifting_ones_none(share, cut):
    """What is left at reading 24 of 40 as a share of the noise of the mean: settled enough up to one, a drift beyond."""
    noise = 0.1 * math.sqrt(40.0 / 37.0) / 4.0
    rest = (math.exp(-3.0) - math.exp(-5.0)) / (1.0 - math.exp(-0.125)) / 16.0
    assert warm_up(approach(share * noise / rest, 8.0)) == cut


def test_fewer_than_eight_readings_or_one_time_show_no_warm_up():
    y = 100.0 - 50.0 * np.exp(-np.arange(8.0)) + np.array([1, -1, 1, -1, 1, -1, 1, -1])
    assert warm_up(y) > 0
    assert warm_up(y[:7]) == 0
    assert warm_up(y, np.zeros(8)) == 0
    assert warm_up(np.full(8, 3.0)) == warm_up(np.zeros(8)) == 0


@pytest.mark.parametrize(("times", "drifts"), [(0.99, False), (1.01, True)])
def test_a_drift_counts_where_chance_would_once_in_a_hundred(times, drifts):
    """Student's t of a slope, twelve readings less two."""
    n = np.arange(12.0)
    line = n - n.mean()
    rest = np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0])  # no slope of its own
    slope = times * student.isf(0.005, 10) * math.sqrt((rest @ rest) / 10.0 / (line @ line))
    got = power_reading(reading=100.0 + rest + slope * line, keep_warm_up=True)
    assert got.drift == pytest.approx(11.0 * slope / 100.0)
    assert got.drift_p == pytest.approx(2.0 * student.sf(times * student.isf(0.005, 10), 10))
    assert (("drift (Type B)", pytest.approx(11.0 * slope / math.sqrt(12.0)), math.inf) in got.components) is drifts


def test_a_line_without_scatter_drifts_and_a_level_does_not():
    level = [0.1 + 0.2, 0.3, 0.3, 0.1 + 0.2]  # but for rounding
    for reading, p in (([3.0, 3.5, 4.0, 4.5], 0.0), ([3.0, 3.5, 4.0], 0.0), ([3.0] * 4, 1.0), (level, 1.0), ([3.0, 4.0], 1.0)):
        assert power_reading(reading=reading).drift_p == pytest.approx(p, abs=1e-6)
    one_time = power_reading(reading=[3.0, 4.0, 5.0], time=[1.0, 1.0, 1.0])
    assert (one_time.drift_p, one_time.drift, power_reading(reading=[3.0, 4.0]).drift) == (1.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("readings", "held"),
    [
        ([1, 1, 1, 1, 2, 3, 4], (0, 4)),
        ([1, 2, 3, 4, 4, 4, 4], (4, 0)),
        ([1, 1, 1, 2, 3, 4], (0, 0)),  # three are few
        ([1, 1, 1, 1, 2, 3], (0, 0)),  # three values tell no scatter
        ([1] * 6 + [2, 2, 3, 4], (0, 6)),  # three times as many as share any other value
        ([1] * 5 + [2, 2, 3, 4], (0, 0)),
        ([1] * 4 + [2, 3] + [4] * 5, (5, 4)),
    ],
)
def test_ends_of_the_range(readings, held):
    assert power._held(np.array(readings, float)) == held


def test_half_of_the_readings_may_stand_at_the_end():
    inside = [2.0, 2.3, 2.7, 3.1]
    assert power_reading(reading=[*inside, 4, 4, 4, 4], keep_warm_up=True).at_top == 4
    for ends, where in (([4.0] * 5, "5 of 9 readings stand at full scale"), ([1.0] * 5, "5 of 9 readings stand at the bottom")):
        with pytest.raises(ValueError, match=where):
            power_reading(reading=[*inside, *ends])
    with pytest.raises(ValueError, match="4 of 11 readings stand at full scale"):
        power_reading(reading=[2.0, 2.3, 2.7, *[4.0] * 4, *[1.0] * 4])


def test_three_readings_inside_the_range_are_too_few_for_a_likelihood():
    """Where the warm-up is cut, three readings inside are left beside six at the end: their plain mean stands."""
    warm = 10.0 - 9.0 * np.exp(-np.arange(7.0) / 1.2)
    reading = [*warm, 10.05, 10.05, 9.9, 10.05, 10.05, 9.95, 10.05, 10.05, 9.85]
    got = power_reading(reading=reading)
    assert got.left_out == 7
    assert (got.mean, got.at_top) == (pytest.approx(np.mean(reading[7:])), 6)
    more = power_reading(reading=[*reading, 9.92])
    assert more.mean > np.mean([*reading[7:], 9.92])  # four tell how far the others lie beyond


@pytest.mark.parametrize(("many", "hidden"), [(3, True), (4, False)])
def test_a_step_hides_the_scatter_beyond_twice_the_standard_deviation(many, hidden):
    """`many` of ten readings one step up: variance many (10 - many)/90 of a step squared, 0.483^2 or 0.516^2."""
    reading = 50.0 + np.array([1.0] * many + [0.0] * (10 - many))[[0, 5, 1, 6, 2, 7, 3, 8, 4, 9]]
    got = power_reading(reading=reading, keep_warm_up=True)
    assert got.step == (1.0 if hidden else 0.0)
    assert got.sd == pytest.approx(math.sqrt(many * (10 - many) / 90.0))
    parts = {name: u for name, u, _ in got.components}
    assert ("meter resolution (Type B)" in parts) is hidden


def test_readings_are_sorted_by_their_time_and_zero_is_taken_off():
    y = approach(5.0, 3.0)
    order = np.random.default_rng(3).permutation(T.size)
    there, here = power_reading(reading=y[order], time=T[order]), power_reading(reading=y)
    assert (there.left_out, there.mean, there.drift) == pytest.approx((here.left_out, here.mean, here.drift))
    assert here.warm_up_change == pytest.approx((y[0] - here.mean) / here.mean)
    assert power_reading(reading=y, keep_warm_up=True).warm_up_change == 0.0
    kept = light.beam_power(reading=Q(y, "mW"), dark_reading=Q(2.0, "mW"), keep_warm_up=True)
    assert kept.readings == pytest.approx(y - 2.0)
    assert kept.at_meter.m_as("mW") == pytest.approx(y.mean() - 2.0)
    assert kept.time == pytest.approx(T)


def test_losses_have_a_step_of_their_own():
    y = Q(100.0 + FLICKER, "mW")
    plain = light.beam_power(reading=y, meter_uncertainty=0.01)
    less = light.beam_power(reading=y, meter_uncertainty=0.01, losses=[light.Loss("window", 0.04)])
    assert [len(plain.steps), len(less.steps)] == [2, 3]
    assert less.steps[1].numbers.endswith("x 0.9600")
    assert power_reading(reading=y.m, losses=[("filter", 0.99, 0.0)]).value == pytest.approx(1.0)
    record = plain.to_dict()
    assert (record["warm_up_change"], record["left_out"], record["readings"]) == (None, 0, 40)
    assert [p.name for p in plain.power.parts] == ["readings (Type A)", "meter calibration (Type B)"]
    # readings that are all one have no scatter to list
    assert [p.name for p in light.beam_power(reading=Q([5.0, 5.0], "mW"), meter_uncertainty=0.01).power.parts] == [
        "meter calibration (Type B)"
    ]
