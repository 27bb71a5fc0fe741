"""A step or a drift: told apart, dated, and not seen where nothing changed; cumulative sums against their definition."""

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.statistics.turning import cumulative_sums, cusum_run_length, turning


def readings(random, count, correlation):
    """First-order autoregressive scatter of standard deviation 1."""
    e = random.standard_normal(count)
    x = np.empty(count)
    x[0] = e[0]
    for i in range(1, count):
        x[i] = correlation * x[i - 1] + np.sqrt(1.0 - correlation**2) * e[i]
    return x


@pytest.mark.parametrize("correlation", [0.0, 0.3])
def test_steady_series_show_no_change(correlation):
    """About 1 % of steady series, 4.5 of 300 and its scatter: at most 9."""
    random = np.random.default_rng([1, int(10 * correlation)])
    found = [
        turning(np.arange(n), readings(random, n, correlation), sd=1.0, correlation=correlation).kind
        for n in (10, 25, 60)
        for _ in range(100)
    ]
    assert sum(kind != "none" for kind in found) <= 9


@pytest.mark.parametrize("correlation", [0.0, 0.3])
@pytest.mark.parametrize("kind", ["step", "drift"])
def test_a_change_is_named_and_dated(kind, correlation):
    """5 standard deviations by a step, 10 by a drift: named in most, never wrongly in more than 5 %, dated within the interval in 95 %."""
    random = np.random.default_rng([2, len(kind), int(10 * correlation)])
    named, covered, wrong, runs = 0, 0, 0, 150
    for _ in range(runs):
        begin, t = int(random.integers(8, 28)), np.arange(40.0)
        y = readings(random, 40, correlation)
        y += 5.0 * (t >= begin) if kind == "step" else 10.0 * np.maximum(t - begin, 0.0) / (39 - begin)
        found = turning(t, y, sd=1.0, correlation=correlation)
        named += found.kind == kind
        wrong += found.kind not in (kind, "step or drift")
        covered += found.kind != kind or found.low <= begin <= found.high
    assert named >= 0.9 * runs
    assert wrong <= 0.05 * runs
    assert covered >= 0.93 * runs


def test_the_size_of_an_exact_change_is_exact():
    t = np.arange(20.0)
    step = turning(t, np.where(t < 12, 240.0, 231.0), sd=1.0)
    assert (step.kind, step.time, step.size) == ("step", 12.0, pytest.approx(-9.0))
    drift = turning(t, 240.0 - 0.8 * np.maximum(t - 7.0, 0.0), sd=0.5)
    assert (drift.kind, drift.time, drift.size) == ("drift", 7.0, pytest.approx(-0.8 * 12))
    assert drift.low <= 7.0 <= drift.high


def test_few_readings_or_no_scatter_say_nothing():
    assert turning([1, 2, 3], [1, 2, 9], sd=1.0).kind == "none"
    assert turning(range(9), [1, 2] * 4 + [9], sd=0.0).kind == "none"


def test_cumulative_sums_by_their_definition():
    """C+ = max(0, C+ + z - k), worked by hand."""
    up, down = cumulative_sums([10.0, 11.0, 9.0, 12.0, 7.0], centre=10.0, sd=1.0, slack=0.5)
    assert up.tolist() == [0.0, 0.5, 0.0, 1.5, 0.0]
    assert down.tolist() == [0.0, 0.0, 0.5, 0.0, 2.5]
    with pytest.raises(QuantityError, match="sd must be above zero"):
        cumulative_sums([1.0], centre=0.0, sd=0.0)


def test_run_length_by_simulation():
    """Limit 3, shift 1: mean of 2,000 runs within four standard errors."""
    random = np.random.default_rng(3)
    runs = []
    for _ in range(2000):
        up = down = 0.0
        for n in range(1, 10_000):
            z = random.standard_normal() + 1.0
            up, down = max(0.0, up + z - 0.5), max(0.0, down - z - 0.5)
            if max(up, down) > 3.0:
                runs.append(n)
                break
    assert cusum_run_length(3.0, shift=1.0) == pytest.approx(np.mean(runs), abs=4.0 * np.std(runs) / np.sqrt(2000))
