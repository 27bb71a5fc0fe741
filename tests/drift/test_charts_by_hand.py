"""Charts, rules, trends, changes and components: every constant and limit by hand, in print, or by the definition itself."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from curecalc.errors import QuantityError
from curecalc.statistics import turning as turnings
from curecalc.statistics import watch as watches
from curecalc.statistics.change import change
from curecalc.statistics.charts import Baseline, baseline, ewma_chart, ewma_half_width, ewma_run_length, individuals_chart
from curecalc.statistics.components import between_and_within
from curecalc.statistics.constants import chart_constants
from curecalc.statistics.covariates import regress
from curecalc.statistics.rules import run_length
from curecalc.statistics.steps import step_of
from curecalc.statistics.trend import crossing, trend
from curecalc.statistics.turning import bend, cumulative_sums, cusum_run_length, turning
from curecalc.statistics.watch import Watch, delay, display_step, mean_variance, scatter, watch

# ---------------------------------------------------------------- charts


def test_a_baseline_says_three_sigma_and_how_loose_it_is() -> None:
    stated = Baseline(10.0, 2.0)
    assert (stated.lower, stated.upper, stated.sd_uncertainty) == (4.0, 16.0, 0.0)
    assert Baseline(10.0, 2.0, 1, "moving range").sd_uncertainty == 0.0
    assert Baseline(10.0, 2.0, 9, "standard deviation").sd_uncertainty == 0.25  # 1/sqrt(2 (n - 1))
    assert Baseline(10.0, 2.0, 2, "moving range").sd_uncertainty == pytest.approx(math.sqrt(math.pi / 2 - 1) * 1.2, rel=0.01)
    # variance and covariance of |x2 - x1| and |x3 - x2| in closed form
    for n in (20, 30, 50):
        own, neighbours = 2 - 4 / math.pi, 4 / math.pi * (math.sqrt(0.75) + 0.5 * math.asin(0.5) - 1.0)
        exact = math.sqrt(((n - 1) * own + 2 * (n - 2) * neighbours) / (n - 1) ** 2 / (4 / math.pi))
        assert Baseline(0.0, 1.0, n, "moving range").sd_uncertainty == pytest.approx(exact, rel=0.007)
    assert baseline([1.0, 3.0, 6.0], span=3).sd == pytest.approx(5.0 / 1.692569)  # d2 for 3, as printed in reference/data


def test_a_baseline_of_fewer_than_twenty_readings_is_called_loose() -> None:
    notes = {n: individuals_chart([0.0], baseline=Baseline(0.0, 1.0, n, "moving range")).notes for n in (0, 1, 19, 20)}
    assert [len(notes[n]) for n in notes] == [0, 1, 1, 0]
    assert notes[19][0] == "The baseline has only 19 readings, so its limits are uncertain by 21 %; take 20."
    assert "uncertain by 90 %" in individuals_chart([0.0], baseline=Baseline(0.0, 1.0, 2, "moving range")).notes[0]


def test_limits_are_passed_only_beyond_them() -> None:
    chart = individuals_chart([13.0, 13.1, 7.0, 6.9], baseline=Baseline(10.0, 1.0))
    assert [(s.index, s.text) for s in chart.signals] == [
        (1, "a point beyond the three-sigma limits (above)"),
        (3, "a point beyond the three-sigma limits (below)"),
    ]
    assert chart.steady_limits == (7.0, 13.0) == (chart.lower[0], chart.upper[0])
    wide = individuals_chart([0.0, 2.1, -2.1], baseline=Baseline(0.0, 1.0), width=2.0)
    assert [s.index for s in wide.signals] == [1, 2]
    assert wide.run_length == pytest.approx(1 / 0.0455003, rel=1e-5)  # two tails of the normal table
    assert individuals_chart([0.0], baseline=Baseline(0.0, 1.0), rules=["two-of-three"]).run_length == pytest.approx(225.44, abs=0.005)
    smooth = ewma_chart([16.0, -16.0], baseline=Baseline(0.0, 1.0), weight=0.2)
    assert [s.text for s in smooth.signals] == ["the weighted mean is above its limits"]
    assert ewma_chart([-16.0], baseline=Baseline(0.0, 1.0)).signals[0].text == "the weighted mean is below its limits"
    assert smooth.to_dict()["weight"] == 0.2
    assert ewma_chart([0.0], baseline=Baseline(0.0, 1.0)).weight == 0.2


@pytest.mark.parametrize(("weight", "f"), [(0.2, 0.0), (0.2, 0.3), (0.5, 0.6), (1.0, 0.3)])
def test_half_widths_are_those_of_the_weighted_sum(weight: float, f: float) -> None:
    """Var(sum a_i x_i) = a' R a with R_ij = f^|i - j|, summed outright."""
    for n, points in ((1, 1), (2, 2), (3, 3), (40, 40), (200, 5000), (200, math.inf)):
        a = weight * (1 - weight) ** np.arange(n)
        exact = 2.5 * 3.0 * math.sqrt(a @ f ** np.abs(np.subtract.outer(np.arange(n), np.arange(n))) @ a)
        assert ewma_half_width(sd=2.5, weight=weight, points=points, correlation=f) == pytest.approx(exact, rel=1e-9)
    many = ewma_half_width(sd=1.0, weight=weight, points=np.array([1.0, 3.0, math.inf]), correlation=f)
    assert many == pytest.approx([ewma_half_width(sd=1.0, weight=weight, points=n, correlation=f) for n in (1, 3, math.inf)])


def test_run_lengths_of_weighted_means_and_cumulative_sums_in_print() -> None:
    """Source: Lucas and Saccucci 1990, table 3, and the table of NIST/SEMATECH e-Handbook 6.3.2.3.1 (h = 5); both from memory."""
    for shift, printed in (
        (0.0, (500, 500, 500, 500, 500)),
        (0.5, (71.2, 48.2, 41.8, 31.3, 28.8)),
        (1.0, (14.3, 11.1, 10.5, 10.3, 11.4)),
        (2.0, (3.5, 3.6, 3.7, 4.4, 5.2)),
    ):
        for (weight, width), want in zip(((0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)), printed):
            assert ewma_run_length(weight, width, shift) == pytest.approx(want, abs=0.06 + 0.002 * want)
    for shift, h4, h5 in ((0.0, 168, 465), (0.25, 74.2, 139), (0.5, 26.6, 38.0), (1.0, 8.38, 10.4), (2.0, 3.34, 4.01), (4.0, 1.71, 2.01)):
        for limit, want in ((4.0, h4), (5.0, h5)):
            assert cusum_run_length(limit, shift=shift) == pytest.approx(want, abs=0.6 if want > 90 else 0.06 if want > 9 else 0.006)
    assert [round(run_length(shift=s), 2) for s in (0.0, 1.0, 2.0, 3.0)] == [370.40, 43.89, 6.30, 2.00]  # 1/P(|z + s| > 3)


def test_constants_reach_a_hundred_and_no_further() -> None:
    k = chart_constants(100)
    assert (k.d2, k.d3) == pytest.approx((5.015, 0.605), abs=5e-4)  # tables of the range (Harter), from memory
    assert k.c4 == pytest.approx(4 * 99 / (4 * 100 - 3), abs=1e-5)  # the handbook's approximation
    with pytest.raises(ValueError, match="at most 100"):
        chart_constants(101)


# ---------------------------------------------------------------- trends


def test_a_trend_and_its_bands_are_those_of_a_general_library() -> None:
    t, y = np.array([0.0, 1.0, 3.0, 4.0, 7.0]), np.array([5.0, 4.2, 3.9, 2.1, 0.7])
    line, other = trend(t, y), stats.linregress(t, y)
    assert (line.slope, line.slope_uncertainty, line.p_value) == pytest.approx((other.slope, other.stderr, other.pvalue))
    s2 = float(((y - other.intercept - other.slope * t) ** 2).sum()) / 3
    for at in (0.0, 3.0, 9.0):
        share = 1 / 5 + (at - 3.0) ** 2 / 30.0
        assert line.half_width(at) == pytest.approx(stats.t.ppf(0.975, 3) * math.sqrt(s2 * share))
        assert line.half_width(at, confidence=0.9, future=True) == pytest.approx(stats.t.ppf(0.95, 3) * math.sqrt(s2 * (1 + share)))
    assert (trend([0, 1, 2], [1, 1, 1]).p_value, trend([0, 1, 2], [1, 2, 3]).p_value) == (1.0, 0.0)
    assert trend([0, 1, 2], [1, 1, 1]).neighbours == 0.0


def test_neighbours_are_called_out_from_ten_readings_on_beyond_two_standard_errors() -> None:
    t = np.arange(10)
    y = np.cos(2 * math.pi * t / 9)
    r = y - np.polyval(np.polyfit(t, y, 1), t)
    line = trend(t, y)
    assert line.neighbours == pytest.approx((r[1:] @ r[:-1]) / (r @ r))
    assert "correlation 0.66" in line.notes[0]  # more than 1.96/sqrt(10) = 0.62, which nine readings of no wave reach
    rng = np.random.default_rng(2)
    for _ in range(200):  # 1.96/sqrt(n): both sides of the limit, near it
        line = trend(range(25), np.convolve(rng.standard_normal(26), [1.0, 0.9], "valid"))
        assert bool(line.notes) == (line.neighbours > 0.392)


def test_a_crossing_without_end_keeps_the_later_side() -> None:
    t, y = np.arange(6.0), np.array([0.0, 1.0, 0.2, 0.9, 0.1, 1.1])
    line = trend(t, y)
    assert line.p_value > 0.05
    for limit in (9.0, -9.0):
        got = crossing(line, limit)
        end = got.low
        assert got.high == math.inf
        assert abs(line.at(end) - limit) == pytest.approx(line.half_width(end))
        assert end > line.centre
        assert got.time == pytest.approx(line.centre + (limit - line.level) / line.slope)
        assert abs(line.at(end + 1.0) - limit) < line.half_width(end + 1.0)
        assert abs(line.at(end - 1.0) - limit) > line.half_width(end - 1.0)
    assert not got.bounded
    one = replace(line, centre=0.0, residual_sd=1.0, degrees_of_freedom=4, points=4, spread=1.0)
    k = one.half_width(0.0) * 2.0
    for slope, level in ((k, 1.0), (0.0, k / 2.0)):  # parallel to its own limits, and touching them in one place
        free = crossing(replace(one, slope=slope, level=level), 0.0)
        assert (free.low, free.high) == (-math.inf, math.inf)
    sure = crossing(trend([0.0, 1.0, 2.0, 3.0], [4.0, 3.1, 1.9, 1.0]), 0.0, confidence=0.9)
    assert sure.to_dict() == {"limit": 0.0, "time": sure.time, "interval": [sure.low, sure.high], "confidence": 0.9}
    assert sure.low < sure.time < sure.high


def test_bends_are_looked_for_in_all_but_the_last_two_readings() -> None:
    assert bend(range(6), [7, 7, 7, 7, 7, 5]) == 3.0  # exact at 4, but the ramp needs two readings
    assert bend(range(6), [7, 6, 5, 4, 3, 2]) == 0.0
    assert bend([0, 1, 2, 3], [1, 1, 2, 3]) == 1.0
    long = np.arange(2000.0)
    assert bend(long, -np.maximum(0.0, long - 1200.0)) == pytest.approx(1200.0, abs=2.1)  # one place in four of 2000 is tried
    with pytest.raises(QuantityError, match="times needs at least 4 values, got 3"):
        bend([0, 1, 2], [1, 1, 2])


# ---------------------------------------------------------------- changes, components, covariates


def test_a_change_by_hand() -> None:
    got = change(before=100.0, after=90.0, before_uncertainty=3.0, after_uncertainty=4.0)
    assert (got.standard_uncertainty, got.relative) == (5.0, -0.1)
    assert (got.low, got.high) == pytest.approx((-10 - 1.959964 * 5, -10 + 1.959964 * 5), abs=1e-5)
    assert got.differs
    narrow = change(before=100.0, after=90.0, before_uncertainty=3.0, after_uncertainty=4.0, confidence=0.9)
    assert narrow.high == pytest.approx(-10 + 1.644854 * 5, abs=1e-5)
    same = change(before=0.0, after=0.0, before_uncertainty=0.0, after_uncertainty=0.0)
    assert not same.differs
    assert (same.relative, same.to_dict()["relative"]) == (math.inf, None)
    with pytest.raises(QuantityError, match="confidence must be finite, above 0 and below 1, got 1"):
        change(before=1.0, after=2.0, before_uncertainty=1.0, after_uncertainty=1.0, confidence=1.0)
    with pytest.raises(QuantityError, match="correlation must be finite, at least 0 and below 1, got 1"):
        ewma_chart([1.0], baseline=Baseline(0.0, 1.0), correlation=1.0)
    assert change(before=-50.0, after=-40.0, before_uncertainty=1.0, after_uncertainty=1.0).relative == 0.2
    # u^2 = 3^2 + 4^2 - 2 x 0.02^2 x 100 x 90
    common = change(before=100.0, after=90.0, before_uncertainty=3.0, after_uncertainty=4.0, common=0.02)
    assert common.standard_uncertainty == pytest.approx(math.sqrt(25 - 7.2))
    assert change(before=100.0, after=100.0, before_uncertainty=2.0, after_uncertainty=2.0, common=0.02).standard_uncertainty == 0.0
    with pytest.raises(QuantityError, match=r"whole uncertainty of after: 1.8 against 1.799\."):
        change(before=100.0, after=90.0, before_uncertainty=2.0, after_uncertainty=1.799, common=0.02)


def test_groups_of_unequal_size_by_hand() -> None:
    """MSW 4/3, MSB 137/12, n0 11/6, so between^2 = 11/2; the tail of F with two degrees above is (1 + 2 F/3)^(-3/2)."""
    got = between_and_within(groups=[1, 2, 2, 3, 3, 3], values=[1, 2, 4, 5, 6, 7])
    assert (got.between, got.within) == pytest.approx((math.sqrt(5.5), math.sqrt(4 / 3)))
    w = np.array([1 / (5.5 + 4 / 3 / n) for n in (1, 2, 3)])
    assert (got.mean, got.mean_uncertainty) == pytest.approx(((w @ [1, 3, 6]) / w.sum(), w.sum() ** -0.5))
    assert got.p_value == pytest.approx((1 + 2 * (137 / 12) / (4 / 3) / 3) ** -1.5)
    apart = between_and_within(groups="aabb", values=[1, 1, 3, 3])
    assert (apart.between, apart.within, apart.p_value) == pytest.approx((math.sqrt(2), 0, 0))
    assert apart.mean_uncertainty == pytest.approx(1.0)
    alike = between_and_within(groups="aab", values=[2, 2, 2])
    assert (alike.mean, alike.mean_uncertainty, alike.between, alike.p_value) == (2.0, 0.0, 0.0, 1.0)
    with pytest.raises(QuantityError, match="got 1 groups and 3 readings"):
        between_and_within(groups="aaa", values=[1, 2, 3])
    with pytest.raises(QuantityError, match="values needs at least 3 values"):
        between_and_within(groups="aa", values=[1, 2])


def normal_equations(design: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Coefficients, their covariance, p values and residual standard deviation, as textbooks write them."""
    inverse, dof = np.linalg.inv(design.T @ design), y.size - design.shape[1]
    found = inverse @ design.T @ y
    variance = float(((y - design @ found) ** 2).sum()) / dof
    return found, variance * inverse, 2 * stats.t.sf(np.abs(found) / np.sqrt(variance * np.diag(inverse)), dof), math.sqrt(variance)


def test_effects_within_groups_are_those_of_a_line_with_a_level_for_each() -> None:
    age = np.array([0.0, 1.0, 2.0, 1.0, 3.0, 4.0])
    y = np.array([1.0, 2.2, 2.9, 7.1, 9.0, 9.9])
    got = regress(y, {"age": age}, groups="aaabbb")
    found, covariance, p, scatter_of = normal_equations(np.column_stack([age, [1, 1, 1, 0, 0, 0], [0, 0, 0, 1, 1, 1]]), y)
    assert got.coefficient("age") == pytest.approx((found[0], math.sqrt(covariance[0, 0]), p[0]))
    assert (got.residual_sd, got.degrees_of_freedom) == pytest.approx((scatter_of, 3))
    assert got.coefficients[0] + got.coefficients[1] * age.mean() == pytest.approx(y.mean())
    plain, second = regress(y, {"age": age}), normal_equations(np.column_stack([np.ones(6), age]), y)
    assert plain.covariance == pytest.approx(second[1])
    assert plain.p_values == pytest.approx(second[2])
    assert regress([1, 2, 3, 5], {"age": [0, 1, 0, 2]}, groups="aabb").degrees_of_freedom == 1
    assert regress([1, 2, 4], {"age": [0, 1, 2]}).degrees_of_freedom == 1
    with pytest.raises(QuantityError, match="2 groups and 1 covariates need at least 4 values, got 3"):
        regress([1, 2, 3], {"age": [0, 1, 2]}, groups="aab")
    with pytest.raises(QuantityError, match="groups has 3 labels and values 4 readings"):
        regress([1, 2, 3, 4], {"age": [0, 1, 2, 3]}, groups="aab")
    with pytest.raises(QuantityError, match="age is the same in every entry"):
        regress([1, 2, 3, 4], {"age": [1, 1, 2, 2]}, groups="aabb")


# ---------------------------------------------------------------- turnings


def tried(t: np.ndarray, y: np.ndarray) -> dict[str, np.ndarray]:
    """Squares left and size of each change, one least-squares fit after another."""
    out: dict[str, list[tuple[float, float]]] = {"step": [], "drift": []}
    for k in range(1, y.size - 1):
        for kind, shape in (("step", (np.arange(y.size) >= k) * 1.0), ("drift", np.maximum(0.0, t - t[k - 1]))):
            design = np.column_stack([np.ones(y.size), shape])
            found = np.linalg.lstsq(design, y, rcond=None)[0]
            out[kind].append((float(((y - design @ found) ** 2).sum()), found[1] * shape[-1]))
    return {kind: np.array(pairs) for kind, pairs in out.items()}


@pytest.mark.parametrize("correlation", [0.0, 0.4])
def test_turnings_are_what_fits_of_every_place_say(correlation: float) -> None:
    """13 to be seen, 6 to be told apart, -2 ln(1 - sqrt(0.95)) for the interval, in chi-squared."""
    rng = np.random.default_rng(5)
    kinds = []
    for i in range(16):
        t = np.cumsum(rng.uniform(0.5, 2.0, 14))
        y = rng.normal(50.0, 1.0, 14) + (1.0 + 0.5 * i) * ((t > t[6]) if i % 2 else np.maximum(0.0, t - t[5]) / 4.0)
        unit = 1.2**2 * (1 + correlation) / (1 - correlation)
        left = tried(t, y)
        best = {kind: int(np.argmin(pairs[:, 0])) for kind, pairs in left.items()}
        chi = {kind: left[kind][best[kind], 0] / unit for kind in left}
        kind = min(chi, key=chi.__getitem__)
        got = turning(t, y, sd=1.2, correlation=correlation)
        kinds.append(got.kind)
        if float(((y - y.mean()) ** 2).sum()) / unit - chi[kind] < 13.0:
            assert got.kind == "none"
            continue
        assert got.kind == (kind if abs(chi["step"] - chi["drift"]) >= 6.0 else "step or drift")
        places = t[1:] if kind == "step" else t
        inside = np.flatnonzero(left[kind][:, 0] / unit <= chi[kind] - 2 * math.log(1 - math.sqrt(0.95)))
        assert (got.time, got.low, got.high) == (places[best[kind]], places[inside[0]], places[inside[-1]])
        assert got.size == pytest.approx(left[kind][best[kind], 1])
    assert set(kinds) == {"none", "step", "drift", "step or drift"}


LEVELS = np.array([-2.0, -2.0, -1.0, -1.0, 3.0, 3.0])


def test_a_place_as_likely_as_the_limit_belongs_to_a_turning(monkeypatch) -> None:
    """Two levels leave 28 less 3 x 2^2 before the third reading, 28 less 3 x 3^2 before the fifth: 16 and 1."""
    monkeypatch.setattr(turnings, "_SET", 15.0)
    found = turning(range(6), LEVELS, sd=1.0)
    assert (found.time, found.low, found.high) == (4.0, 2.0, 4.0)
    least = [float(np.min(one[0])) for one in (turnings._steps(LEVELS), turnings._drifts(np.arange(6.0), LEVELS))]
    monkeypatch.setattr(turnings, "APART", abs(least[0] - least[1]))
    assert turning(range(6), LEVELS, sd=1.0).kind == "step"  # told apart by just as much


def test_six_readings_are_the_fewest_that_show_a_turning() -> None:
    assert turning(range(5), [0, 0, 0, 9, 9], sd=0.5).kind == "none"
    assert turning(range(6), [0, 0, 0, 9, 9, 9], sd=0.5).kind == "step"
    for size, kind in ((2.08, "none"), (2.09, "step or drift")):  # chi-squared falls by 12/4 size^2: 13 at 2.0817
        assert turning(range(12), [0.0] * 6 + [size] * 6, sd=1.0).kind.startswith(kind)
    up, down = cumulative_sums([1.0, 1.0, -2.0], centre=0.0, sd=2.0)
    assert (up.tolist(), down.tolist()) == ([0.0, 0.0, 0.0], [0.0, 0.0, 0.5])


# ---------------------------------------------------------------- the watch


def test_steps_of_displays_and_cameras() -> None:
    assert [display_step([5.0, 10.0, 25.0] * n) for n in (2, 3)] == [1.0, 5.0]  # two and five only from eight readings on
    assert display_step([2.0, 4.0, 8.0, 6.0] * 2) == 2.0
    assert display_step([2.0, 4.0, 8.0, 6.0, 6.0, 2.0, 4.0]) == 1.0
    assert display_step([20.0] * 8) == 20.0
    assert display_step([0.0, 0.0]) == 0.0
    assert display_step([1.234567]) == 1e-6
    assert display_step([1.2345678]) == 0.0
    assert step_of(np.repeat([1.0, 3.0, 7.0], 3)) == 2.0
    assert step_of([4.0, 4.0]) == 0.0
    for end, step in ((2.5, 0.0), (3.0009, 1.0), (2.9991, 1.0), (3.0011, 0.0)):  # whole numbers of steps, to a thousandth
        assert step_of(np.repeat([0.0, 1.0, end], 3)) == step
    assert step_of([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 8.0]) == 1.0  # nine values among ten readings
    assert step_of(np.arange(10.0)) == 0.0
    assert step_of([0.0, 1e-13, 1.0, 1.0]) == 0.0


def test_scatter_by_hand() -> None:
    """Mean square of differences over 2 (1 - f); 0.6 degrees of freedom a difference; what is stated counts until there are ten."""
    differences = np.array([1.0, -2.0, 1.0, 2.0, -1.0, 1.0, -2.0])
    x = np.concatenate([[0.0], np.cumsum(differences)])
    own = 16.0 / 7.0 / 2.0
    sd, dof = scatter([x], correlation=0.0)
    assert (sd, dof) == pytest.approx((math.sqrt(own), 4.2))
    assert scatter([x])[0] == pytest.approx(math.sqrt(own / 0.7))
    assert scatter([x], stated=3.0, correlation=0.0) == pytest.approx((math.sqrt((4.2 * own + 5.8 * 9.0) / 10.0), 10.0))
    assert scatter([[5.0]], stated=3.0) == (3.0, 10.0)
    assert scatter([x], stated=3.0, step=0.5, correlation=0.0)[0] > sd
    assert scatter([np.tile(x, 4)], stated=3.0)[1] == pytest.approx(0.6 * 31)  # enough of its own: nothing stated is needed
    assert scatter([x[:3], x[3:]], correlation=0.0) == pytest.approx((math.sqrt((16.0 - 1.0) / 6.0 / 2.0), 3.6))  # none across the gap
    # a slip among many: beyond four times 1.4826 medians, here of 1
    for leap, counted in ((5.9, 9), (6.0, 7)):
        slip = np.concatenate([[0.0], np.cumsum([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, leap, -leap])])
        assert scatter([slip])[1] == pytest.approx(0.6 * counted)
    # few differences are cut at half of four standard deviations of a difference, or half of four steps
    assert scatter([[0.0, 50.0]], stated=1.0, correlation=0.0)[0] == pytest.approx(math.sqrt((0.6 * 8.0 / 2.0 + 9.4) / 10.0))
    assert scatter([[0.0, 50.0]], stated=1.0, step=5.0, correlation=0.0)[0] == pytest.approx(math.sqrt((0.6 * 100.0 / 2.0 + 9.4) / 10.0))
    for count, cut in ((6, True), (7, False)):  # five differences are few, six are not
        one = scatter([[0.0, 9.0] * (count // 2) + [0.0] * (count % 2)], stated=1.0, correlation=0.0)[0]
        assert (one < 2.0) == cut
    assert scatter([[5.0, 5.0]], step=6.0) == (pytest.approx(6.0 / math.sqrt(12.0)), 0.6)
    with pytest.raises(QuantityError, match="no scatter to judge by"):
        scatter([[5.0]])


@pytest.mark.parametrize(("count", "f"), [(1, 0.3), (2, 0.3), (5, 0.3), (20, 0.6)])
def test_the_variance_of_a_mean_of_alike_neighbours_is_the_mean_of_its_matrix(count: int, f: float) -> None:
    matrix = f ** np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    assert mean_variance(count, f) == pytest.approx(matrix.mean())


def test_a_baseline_keeps_ten_newer_readings_out_and_stops_at_twenty() -> None:
    for n, points in ((2, 1), (3, 1), (10, 5), (20, 10), (21, 11), (29, 19), (30, 20), (31, 20), (90, 20)):
        assert watch([1.0, 2.0] * (n // 2) + [1.0] * (n % 2)).points == points
    assert watch([1.0, 2.0, 1.0, 2.0], points=9).points == 3


def test_limits_of_the_watch_by_hand() -> None:
    """0.25 % of looks by the weighted mean, 0.03 % by the newest reading, both two-sided; weight 0.2."""
    x = [10.0, 12.0, 10.0, 12.0, 11.0, 13.0]
    w = watch(x, stated=1.0, correlation=0.0)
    sd, dof = scatter([x], stated=1.0, correlation=0.0)
    assert (w.points, w.centre, w.newest, w.before) == (3, pytest.approx(32 / 3), 13.0, 11.0)
    level = 0.0
    for z in (12.0, 11.0, 13.0):
        level = 0.8 * level + 0.2 * (z - w.centre)
    assert w.level == pytest.approx(w.centre + level)
    own = 0.04 * (1 + 0.8**2 + 0.8**4)
    assert w.level_sd == pytest.approx(sd * math.sqrt(own + 1 / 3))
    assert w.limit == pytest.approx(stats.t.ppf(1 - 0.00125, dof) * w.level_sd)
    assert w.reading_limit == pytest.approx(stats.t.ppf(1 - 0.00015, dof) * sd * math.sqrt(4 / 3))
    # a slip in the baseline moves no centre, one after it counts for four standard deviations
    calm = [10.0, 10.5, 9.5, 10.0, 10.5, 9.5] * 3
    slipped = watch([*calm[:4], 30.0, *calm[5:]], points=9, stated=0.5)
    assert slipped.centre == pytest.approx((sum(calm[:9]) - calm[4]) / 8)
    late = watch([*calm, 400.0], points=18, stated=0.5)
    assert late.level == pytest.approx(late.centre + 0.2 * 4.0 * late.sd)


def test_a_reading_just_four_standard_deviations_off_is_no_slip(monkeypatch) -> None:
    monkeypatch.setattr(watches, "scatter", lambda *given, **more: (1.0, 10.0))
    assert [watch([0.0, 0.0, 0.0, off, 0.0], points=4).centre for off in (4.0, 4.5)] == [1.0, 0.0]
    assert delay(0.0, sd=0.0) == math.inf  # no fade, never found


def test_a_fade_is_found_when_its_weighted_mean_reaches_the_limit() -> None:
    """The weighted mean of the ramp in closed form: fade (m - (1 - w)/w (1 - (1 - w)^m))."""
    for fade, sd in ((0.5, 1.0), (1.0, 2.5), (-0.5, 1.0)):
        m = delay(fade, sd=sd)
        for n, found in ((m, True), (m - 1, False)):
            level = abs(fade) * (n - 4.0 * (1 - 0.8**n))
            own = ewma_half_width(sd=1.0, weight=0.2, width=1.0, points=n, correlation=0.3)
            assert (level > stats.t.ppf(1 - 0.00125, 12) * sd * math.sqrt(own**2 + mean_variance(20, 0.3))) == found


def test_what_is_out_and_what_may_be_a_slip() -> None:
    def held(level: float = 0.0, newest: float = 0.0, before: float = 0.0) -> Watch:
        return Watch(0.0, 1.0, 10.0, 5, level, newest, before, 0.5, 2.0, 4.0)

    assert [held(level=v).side for v in (2.0, 2.1, -2.0, -2.1)] == ["", "above", "", "below"]
    assert [held(newest=v).side for v in (4.0, 4.1, -4.0, -4.1)] == ["", "above", "", "below"]
    for newest, before, lone in (
        (4.0, 0.0, False),  # not out
        (4.1, 0.0, True),
        (4.4, 2.5, False),  # no leap: half the limit
        (4.4, 2.3, True),
        (7.0, 3.9, True),
        (7.0, 4.1, False),  # the one before was out too
        (13.1, 5.0, True),  # but a leap of two limits is made by no reading of the same power
        (12.9, 5.0, False),
        (-4.1, 0.0, True),
        (-4.4, -2.5, False),
    ):
        assert held(newest=newest, before=before).lone == lone, (newest, before)
