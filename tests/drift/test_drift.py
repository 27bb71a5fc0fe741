"""Charts, run lengths, trends, changes, components and covariates against published cases and their own laws."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curecalc.errors import QuantityError
from curecalc.statistics.change import change
from curecalc.statistics.charts import Baseline, baseline, ewma_chart, ewma_run_length, individuals_chart
from curecalc.statistics.components import between_and_within
from curecalc.statistics.constants import chart_constants
from curecalc.statistics.covariates import regress
from curecalc.statistics.rules import RULES, run_length, run_signals
from curecalc.statistics.trend import crossing, trend

DATA = Path(__file__).parents[2] / "reference" / "data"


def column(file: str, name: str) -> np.ndarray:
    with (DATA / file).open() as stream:
        return np.array([float(row[name]) for row in csv.DictReader(stream)])


# ---------------------------------------------------------------- published cases


def test_every_constant_of_the_published_table() -> None:
    """Source: factors for control charts, common practice; the table as it stands in reference/data."""
    with (DATA / "control_chart_constants.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 9
    for row in rows:
        got = chart_constants(int(row.pop("n"))).to_dict()
        for name, printed in row.items():
            digits = 6 if name in ("d2", "d3", "c4") else 4
            assert got[name] == pytest.approx(float(printed), abs=0.5 * 10**-digits), (got["n"], name)


def test_individuals_chart_of_the_handbook() -> None:
    """Source: NIST/SEMATECH e-Handbook 6.3.2.2, flow rates; d2 rounded to 1.128 there."""
    x = column("nist_imr_flowrate.csv", "value")
    chart = individuals_chart(x, baseline=baseline(x, d2=1.128))
    assert chart.centre == pytest.approx(50.81, abs=0.005)
    assert chart.upper[0] == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower[0] == pytest.approx(45.8159, abs=5e-5)
    assert chart.in_control
    assert "only 10 readings" in chart.notes[0]


def test_ewma_chart_of_the_handbook() -> None:
    """Source: NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, target 50, s 2.0539; every plotted point is printed there."""
    chart = ewma_chart(column("nist_ewma.csv", "x"), baseline=Baseline(50.0, 2.0539), weight=0.3)
    printed = column("nist_ewma.csv", "ewma_printed")
    off = np.abs(chart.plotted - printed)
    assert off.max() < 0.0151  # the source rounds each step before the next
    assert chart.plotted[-1] == pytest.approx(51.99, abs=0.005)
    assert chart.steady_limits[1] == pytest.approx(52.5884, abs=5e-5)
    assert chart.steady_limits[0] == pytest.approx(47.4115, abs=1.1e-4)  # 50 - 2.5884 is printed as 47.4115
    assert chart.upper[0] - 50.0 == pytest.approx(3 * 0.3 * 2.0539, rel=1e-12)
    assert chart.in_control


def test_run_lengths_of_every_set_of_rules() -> None:
    """Source: Champ and Woodall 1987, no shift, from memory: the eight combinations with the limits."""
    two, four, eight = "two-of-three", "four-of-five", "eight-in-a-row"
    for rules, printed in (
        ([], 370.40),
        ([two], 225.44),
        ([four], 166.05),
        ([eight], 152.73),
        ([two, four], 132.89),
        ([two, eight], 122.05),
        ([four, eight], 105.78),
        ([two, four, eight], 91.75),
    ):
        assert run_length(rules) == pytest.approx(printed, abs=0.0051)


def test_inverse_of_a_line_gives_the_published_limits() -> None:
    """Source: Graybill and Iyer 1994, chamber, mean response 400, 99 %."""
    line = trend(column("inverse_chamber.csv", "x"), column("inverse_chamber.csv", "y"))
    got = crossing(line, 400.0, confidence=0.99)
    assert got.time == pytest.approx(66.5200432069, rel=1e-10)
    assert (got.low, got.high) == pytest.approx((65.0708935303, 68.0258324997), rel=1e-10)


def test_rails_between_and_within() -> None:
    """Source: Pinheiro and Bates 2000, rails: 66.5, 24.805, 4.0208."""
    got = between_and_within(groups=column("rail.csv", "rail"), values=column("rail.csv", "travel"))
    assert (got.mean, got.between, got.within) == pytest.approx((66.5, 24.805, 4.0208), abs=5e-4)


def test_two_covariates_meet_certified_values() -> None:
    """Source: NIST StRD Pontius, quadratic, as a model in x and x squared."""
    x, y = column("nist_pontius.csv", "x"), column("nist_pontius.csv", "y")
    got = regress(y, {"x": x, "square": x * x})
    want = (0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14)
    sds = (0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16)
    assert got.coefficients == pytest.approx(want, rel=1e-9)
    assert got.standard_uncertainties == pytest.approx(sds, rel=1e-9)
    assert got.degrees_of_freedom == 37
    assert got.residual_sd == pytest.approx(0.205177424076185e-3, rel=1e-9)


# ---------------------------------------------------------------- run lengths by simulation


@pytest.mark.slow
@pytest.mark.parametrize(("rules", "published", "length"), [(("limit",), 370.40, 6000), (tuple(RULES), 91.75, 1600)])
def test_run_lengths_by_simulation_match_the_published_ones(rules: tuple[str, ...], published: float, length: int) -> None:
    """Source: Champ and Woodall 1987: 370 and 91.75; 20,000 series with a fixed seed, four standard errors."""
    rng = np.random.default_rng(20260301)
    runs: list[np.ndarray] = []
    for _ in range(20):
        signals = run_signals(rng.standard_normal((1000, length)), rules)
        any_rule = np.any(list(signals.values()), axis=0)
        assert any_rule.any(axis=1).all()  # no series is cut short
        runs.append(any_rule.argmax(axis=1) + 1)
    all_runs = np.concatenate(runs)
    error = all_runs.std() / math.sqrt(all_runs.size)
    assert abs(all_runs.mean() - published) < 4 * error
    assert error < published / 100


@pytest.mark.slow
def test_the_weighted_mean_has_the_computed_run_length_by_simulation() -> None:
    rng = np.random.default_rng(7)
    weight, width, series, length = 0.2, 3.0, 4000, 6000
    half = width * math.sqrt(weight / (2 - weight))
    level, run = np.zeros(series), np.zeros(series)
    alive = np.ones(series, dtype=bool)
    for step in range(1, length + 1):
        level += weight * (rng.standard_normal(series) - level)
        out = alive & (np.abs(level) > half)
        run[out] = step
        alive &= ~out
    assert not alive.any()
    assert abs(run.mean() - ewma_run_length(weight, width)) < 4 * run.std() / math.sqrt(series)


def test_weight_one_is_the_individuals_chart() -> None:
    x = np.array([1.0, 2.0, 9.0, -8.0])
    base = Baseline(0.5, 2.0)
    smooth, single = ewma_chart(x, baseline=base, weight=1.0), individuals_chart(x, baseline=base)
    assert np.array_equal(smooth.plotted, x)
    assert smooth.upper == pytest.approx(single.upper)
    assert [s.index for s in smooth.signals] == [s.index for s in single.signals] == [2, 3]
    assert ewma_run_length(1.0, 3.0) == pytest.approx(run_length(), rel=1e-9)


@given(st.lists(st.integers(-40, 40), min_size=1, max_size=60))
def test_signals_agree_with_a_plain_reading_of_the_rules(tenths: list[int]) -> None:
    z = [n / 10 + 0.01 for n in tenths]
    got = run_signals(z)
    for name, rule in RULES.items():
        for i in range(len(z)):
            window = z[max(0, i - rule.span + 1) : i + 1]
            want = any(s * z[i] > rule.zone and sum(s * value > rule.zone for value in window) >= rule.hits for s in (1, -1))
            assert got[name][i] == want


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=30), st.floats(0.01, 100), st.floats(-1e3, 1e3))
def test_charts_do_not_care_about_the_unit(values: list[float], scale: float, shift: float) -> None:
    x = np.array(values)
    if np.abs(np.diff(x)).mean() < 1e-3:
        return
    one, two = baseline(x), baseline(x * scale + shift)
    assert two.sd == pytest.approx(one.sd * scale, rel=1e-6)
    a = ewma_chart(x, baseline=one)
    b = ewma_chart(x * scale + shift, baseline=two)
    assert b.plotted == pytest.approx(a.plotted * scale + shift, rel=1e-6, abs=1e-6 * scale * 1e3)


def test_moving_ranges_of_any_span_estimate_the_same_scatter() -> None:
    x = np.random.default_rng(3).normal(5.0, 2.0, 20000)
    for span in (2, 3, 5, 10):
        assert baseline(x, span=span).sd == pytest.approx(2.0, rel=0.02)


# ---------------------------------------------------------------- trends, changes, components


@given(slope=st.floats(-5, 5), level=st.floats(-100, 100), limit=st.floats(-50, 50), seed=st.integers(0, 1000))
def test_the_crossing_interval_is_where_the_line_covers_the_limit(slope: float, level: float, limit: float, seed: int) -> None:
    t = np.arange(12.0)
    y = level + slope * t + np.random.default_rng(seed).normal(0, 1.0, t.size)
    line = trend(t, y)
    got = crossing(line, limit)
    for end in (got.low, got.high):
        if math.isfinite(end):
            assert abs(line.at(end) - limit) == pytest.approx(line.half_width(end), rel=1e-5, abs=1e-6)
    if got.bounded:
        assert got.low <= got.time <= got.high


def test_a_level_series_bounds_no_crossing() -> None:
    t = np.arange(20.0)
    y = np.where(t % 2 == 0, 1.0, -1.0)
    got = crossing(trend(t, y), 0.0)
    assert (got.low, got.high) == (-math.inf, math.inf)
    assert got.to_dict()["interval"] == [None, None]


def test_an_exact_line_crosses_exactly() -> None:
    got = crossing(trend([0.0, 1.0, 2.0], [10.0, 9.0, 8.0]), 5.0)
    assert (got.time, got.low, got.high) == (5.0, 5.0, 5.0)
    level = crossing(trend([0.0, 1.0, 2.0], [10.0, 10.0, 10.0]), 5.0)
    assert (level.time, level.low, level.high) == (math.inf, math.inf, math.inf)


def test_intervals_of_a_forecast_cover_as_often_as_they_say() -> None:
    rng = np.random.default_rng(11)
    t = np.arange(10.0)
    inside = 0
    for _ in range(2000):
        line = trend(t, 3.0 - 0.5 * t + rng.normal(0, 0.4, t.size))
        future = 3.0 - 0.5 * 14.0 + rng.normal(0, 0.4)
        inside += abs(future - line.at(14.0)) <= line.half_width(14.0, future=True)
    assert 0.935 < inside / 2000 < 0.965


def test_a_wandering_series_is_called_out() -> None:
    t = np.arange(60.0)
    assert "wander together" in trend(t, np.sin(t / 8.0)).notes[0]
    assert trend(t, np.random.default_rng(1).normal(size=60)).notes == ()


def test_a_common_meter_error_cancels_in_a_change() -> None:
    """JCGM 100, 5.2.2: correlated inputs; the meter's scale error is common to both readings."""
    apart = change(before=300.0, after=291.0, before_uncertainty=6.0, after_uncertainty=5.9)
    assert apart.standard_uncertainty == pytest.approx(math.hypot(6.0, 5.9))
    assert not apart.differs
    same = change(before=300.0, after=291.0, before_uncertainty=6.0, after_uncertainty=5.82, common=0.02)
    assert same.standard_uncertainty == pytest.approx(9.0 * 0.02, rel=1e-6)
    assert same.differs
    assert same.relative == pytest.approx(-0.03)


def test_equal_groups_have_no_scatter_between_them() -> None:
    got = between_and_within(groups=[1, 1, 2, 2], values=[1.0, 3.0, 1.1, 2.9])
    assert got.between == 0.0
    assert got.within > 1.0


BAD = [
    (lambda: baseline([1.0]), "values needs at least 2 values, got 1"),
    (lambda: baseline([1.0, 1.0, 1.0]), "the baseline has no scatter"),
    (lambda: baseline([1.0, 2.0], span=1), "span must be at least 2"),
    (lambda: baseline([1.0, math.nan]), "values must be finite, got nan at index 1"),
    (lambda: baseline(["a", "b"]), "values must be plain numbers"),
    (lambda: baseline([[1.0, 2.0]]), "must be a list of numbers"),
    (lambda: Baseline(math.inf, 1.0), "the baseline must be finite"),
    (lambda: Baseline(0.0, -1.0), "the baseline has no scatter"),
    (lambda: individuals_chart([], baseline=Baseline(0.0, 1.0)), "values needs at least 1 values, got 0"),
    (lambda: individuals_chart([1.0], baseline=Baseline(0.0, 1.0), rules=["nine"]), "no run rule is called 'nine'"),
    (lambda: individuals_chart([1.0], baseline=Baseline(0.0, 1.0), rules=RULES, width=2.0), "run rules are defined for"),
    (lambda: ewma_chart([1.0], baseline=Baseline(0.0, 1.0), weight=0.0), "weight must be finite, above 0 and at most 1"),
    (lambda: ewma_chart([1.0], baseline=Baseline(0.0, 1.0), weight=1.1), "weight must be finite, above 0 and at most 1"),
    (lambda: trend([0.0, 1.0], [1.0, 2.0]), "times needs at least 3 values"),
    (lambda: trend([0.0, 1.0, 2.0], [1.0, 2.0, 3.0, 4.0]), "they must pair up"),
    (lambda: trend([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "times are all the same"),
    (lambda: crossing(trend([0.0, 1.0, 2.0], [1.0, 2.0, 4.0]), 5.0, confidence=1.0), "confidence must be"),
    (lambda: change(before=math.nan, after=1.0, before_uncertainty=0.0, after_uncertainty=0.0), "must be finite"),
    (lambda: change(before=1.0, after=1.0, before_uncertainty=-1.0, after_uncertainty=0.0), "must not be below zero"),
    (lambda: change(before=1.0, after=1.0, before_uncertainty=0.1, after_uncertainty=0.1, common=0.2), "larger than the whole"),
    (lambda: between_and_within(groups=[1, 2, 3], values=[1.0, 2.0, 3.0]), "two readings in one of them"),
    (lambda: between_and_within(groups=[1, 2], values=[1.0, 2.0, 3.0]), "they must pair up"),
    (lambda: regress([1.0, 2.0], {"age": [1.0, 2.0]}), "values needs at least 3 values"),
    (lambda: regress([1.0, 2.0, 3.0], {"age": [1.0, 1.0, 1.0]}), "age is the same in every entry"),
    (lambda: regress([1.0, 2.0, 3.0, 5.0], {"a": [1.0, 2.0, 3.0, 4.0], "b": [2.0, 4.0, 6.0, 8.0]}), "move together"),
    (lambda: regress([1.0, 2.0, 3.0], {"a": [1.0, 2.0]}), "they must pair up"),
    (lambda: chart_constants(1), "n must be a whole number of at least 2"),
]


@pytest.mark.parametrize(("call", "words"), BAD, ids=range(len(BAD)))
def test_what_cannot_be_charted_is_refused_in_one_line(call, words: str) -> None:
    with pytest.raises(QuantityError) as raised:
        call()
    assert words in str(raised.value)
    assert "\n" not in str(raised.value)
