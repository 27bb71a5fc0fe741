"""Cure models against the equations they solve, integrated numerically."""

import math

import numpy as np
import pytest
from scipy.integrate import cumulative_simpson, quad, solve_ivp
from scipy.optimize import brentq

from curecalc.physics import laws, stack


def test_plain_depth_is_where_the_decaying_exposure_meets_the_critical():
    """dE/dz = -E/Dp integrated by an ODE solver, stopped at Ec."""
    for e, dp, ec in ((0.2, 0.15, 0.08), (3.0, 0.05, 0.02), (0.081, 0.1, 0.08)):
        stop = lambda z, y: y[0] - ec  # noqa: B023, E731
        stop.terminal = True
        run = solve_ivp(lambda z, y: -y / dp, (0, 2), [e], events=stop, rtol=1e-12, atol=1e-16, method="DOP853")  # noqa: B023
        z = run.t_events[0][0]
        assert laws.Plain(dp, ec).depth(e) == pytest.approx(z, rel=1e-9, abs=0.0)
        assert laws.Plain(dp, ec).dose(z) == pytest.approx(e, rel=1e-9, abs=0.0)
        assert laws.Plain(dp, 1.0).below(e, z) == pytest.approx(ec, rel=1e-9, abs=0.0)


def test_nothing_cures_at_or_below_the_critical_exposure():
    e = np.array([0.0, 1e-300, 0.04, 0.08])
    assert np.array_equal(laws.Plain(0.15, 0.08).depth(e), np.zeros(4))
    assert np.array_equal(laws.Threshold(0.15, 0.08, 0.8).depth(e), np.zeros(4))
    assert np.array_equal(laws.Bleaching(0.15, 0.08, 0.1).depth(e), np.zeros(4))


def bleach(layers, dp, eb, exposure):
    """Rate equations dI/dz = -c I/Dp, dc/dt = -c I/(Eb) by the method of lines, time counted in surface exposure.

    `layers` is a list of (grid of depths, initiator left on it), topmost first; light that leaves one enters the next.
    Returns for each layer the initiator left, the exposure passed at each depth, the share of light now passing.
    """
    ends = np.cumsum([grid.size for grid, _ in layers])

    def transmission(c):
        above, parts = 1.0, []
        for (grid, _), part in zip(layers, np.split(c, ends[:-1])):
            parts.append(above * np.exp(-cumulative_simpson(part, x=grid, initial=0.0) / dp))
            above = parts[-1][-1]
        return np.concatenate(parts)

    def rates(_, y):
        c, i = y[: ends[-1]], transmission(y[: ends[-1]])
        return np.concatenate((-c * i / eb, i))

    start = np.concatenate([c for _, c in layers] + [np.zeros(ends[-1])])
    y = solve_ivp(rates, (0.0, exposure), start, rtol=1e-10, atol=1e-13, method="DOP853").y[:, -1]
    c, passed = y[: ends[-1]], y[ends[-1] :]
    return [np.split(x, ends[:-1]) for x in (c, passed, transmission(c))]


@pytest.mark.parametrize(("e_over_eb", "ec_over_eb"), [(3.0, 0.5), (3.0, 0.1), (0.3, 0.05), (8.0, 2.0)])
def test_bleaching_closed_form_solves_the_rate_equations(e_over_eb, ec_over_eb):
    dp, eb = 0.15, 0.2
    e, ec = e_over_eb * eb, ec_over_eb * eb
    z = np.linspace(0.0, 12.0 * dp, 801)
    (c,), (passed,), (through,) = bleach([(z, np.ones_like(z))], dp, eb, e)
    near = slice(0, 601)
    assert laws.Bleaching(dp, 1.0, eb).below(e, z)[near] == pytest.approx(passed[near], rel=1e-6, abs=0.0)
    assert laws.bleaching_transmission(e, z, dp, eb)[near] == pytest.approx(through[near], rel=1e-6, abs=0.0)
    assert laws.bleached_fraction(e, z, dp, eb)[near] == pytest.approx(1.0 - c[near], rel=1e-6, abs=1e-9)
    assert laws.bleaching_rate(e, z, dp, eb)[near] == pytest.approx((through * c)[near], rel=1e-6, abs=0.0)
    tip = brentq(lambda x: np.interp(x, z, np.log(passed)) - math.log(ec), 0.0, z[-1])
    assert laws.Bleaching(dp, ec, eb).depth(e) == pytest.approx(tip, rel=2e-5, abs=0.0)
    assert laws.Bleaching(dp, ec, eb).dose(laws.Bleaching(dp, ec, eb).depth(e)) == pytest.approx(e, rel=1e-12, abs=0.0)


def test_greatest_initiation_rate_is_a_quarter_where_little_light_gets_through():
    """`terrones2001`: fully bleaching initiator, strong attenuation."""
    e = np.linspace(0.0, 60.0, 60001)
    assert laws.bleaching_rate(e, 30.0, 1.0, 1.0).max() == pytest.approx(0.25, abs=1e-6)
    # at the surface it is greatest at first, and all of the initiator is used once: the rate integrates to Eb
    assert laws.bleaching_rate(0.0, 0.0, 1.0, 1.0) == 1.0
    for z in (0.0, 0.7, 4.0):
        used = quad(lambda x: laws.bleaching_rate(x, z, 1.0, 2.0), 0.0, 200.0, epsabs=0, epsrel=1e-12, limit=400)[0]  # noqa: B023
        assert used == pytest.approx(2.0, rel=1e-10, abs=0.0)


def test_bleached_resin_keeps_the_digits_of_its_rate():
    mp = pytest.importorskip("mpmath").mp
    with mp.workdps(60):
        for e, z in ((60.0, 2.0), (5.0, 30.0), (200.0, 100.0)):
            x = mp.exp(mp.mpf(-z)) * (mp.exp(mp.mpf(e)) - 1)
            want = 1 / (1 + mp.exp(-mp.mpf(e)) * (mp.exp(mp.mpf(z)) - 1)) / (1 + x)
            assert float(abs(laws.bleaching_rate(e, z, 1.0, 1.0) / want - 1)) < 1e-12


def test_bleaching_far_from_its_middle_agrees_with_high_precision():
    mp = pytest.importorskip("mpmath").mp
    with mp.workdps(400):
        for e, ec, eb in ((1e-3, 1e-6, 1e6), (5.0, 1.0, 1e-2), (3.0, 0.5, 1.0), (2.0, 1.999999, 0.7), (1.0, 1e-9, 1e-3)):
            e_, ec_, eb_ = (mp.mpf(x) for x in (e, ec, eb))
            want = mp.log((mp.exp(e_ / eb_) - 1) / (mp.exp(ec_ / eb_) - 1))
            got = laws.Bleaching(1.0, ec, eb).depth(e)
            assert float(abs(got - want)) < 4e-15 * max(1.0, e / eb, abs(math.log(ec / eb))), (e, ec, eb)


def test_absorbance_is_decadic():
    a, length = 0.7, 93.0
    assert math.exp(-length / laws.depth_from_absorbance(a, length)) == pytest.approx(10**-a, rel=1e-14, abs=0.0)


# layers on layers


def built(es, t, dp, n, z):
    """Exposure at z below the first top: every layer irradiates what lies below its own surface."""
    return math.fsum(es * math.exp(-(z + k * t) / dp) for k in range(n))


@pytest.mark.parametrize(("t", "dp"), [(0.1, 0.15), (0.01, 0.2), (0.3, 0.05)])
@pytest.mark.parametrize("n", [1, 2, 7, 300])
def test_stack_layer_by_layer(t, dp, n):
    es = 0.3
    for z in (0.0, 0.4 * t, t, 3.0 * t):
        assert stack.stack_exposure(es, z, n, t, dp) == pytest.approx(built(es, t, dp, n, z), rel=1e-13, abs=0.0)
    assert stack.accumulation(n, t, dp) == pytest.approx(built(1.0, t, dp, n, 0.0), rel=1e-13, abs=0.0)
    ec = 0.02
    tip = brentq(lambda z: math.log(built(es, t, dp, n, z) / ec), 0.0, 12.0 * dp, xtol=1e-15)
    cd = dp * math.log(es / ec)
    assert stack.depth_after_layers(cd, n, t, dp) == pytest.approx(tip, rel=1e-12, abs=0.0)
    law = laws.Plain(dp, ec)
    assert stack.print_through(law, es, t, n) == pytest.approx(tip - t, rel=1e-9, abs=1e-14)
    totals = stack.layer_totals(law, es, t, n)
    assert totals == pytest.approx([built(es, t, dp, k + 1, 0.0) for k in range(n)], rel=1e-12, abs=0.0)


def test_endless_stack_is_the_limit():
    for t, dp in ((0.1, 0.15), (0.01, 0.2)):
        assert stack.accumulation(math.inf, t, dp) == pytest.approx(built(1.0, t, dp, 4000, 0.0), rel=1e-12, abs=0.0)


def test_thin_layers_keep_their_digits():
    assert stack.accumulation(5, 1e-15, 1.0) == pytest.approx(5.0, rel=1e-13, abs=0.0)


@pytest.mark.parametrize(("t", "dp"), [(0.1, 0.15), (0.02, 0.2)])
def test_total_at_the_first_top_of_few_and_of_endless_layers(t, dp):
    law = laws.Plain(dp, 1.0)
    for n in (1, 2, 9):
        assert stack.total(law, 0.3, t, n) == pytest.approx(built(0.3, t, dp, n, 0.0), rel=1e-13, abs=0.0)
    assert stack.total(law, 0.3, t, math.inf) == pytest.approx(built(0.3, t, dp, 4000, 0.0), rel=1e-11, abs=0.0)


def test_light_that_each_layer_bleaches_through_piles_up_for_ever():
    law = laws.Bleaching(0.12, 0.01, 0.001)
    assert stack.total(law, 5.0, 0.1, math.inf) == math.inf
    assert stack.print_through(law, 5.0, 0.1, math.inf) == math.inf
    assert math.isfinite(stack.total(law, 5.0, 0.1, 7))


def test_a_layer_keeps_less_than_what_bleaches_it_through():
    """Of however much falls on it a layer keeps less than Eb t/Dp: from e^(T/Eb) - 1 growing by e^(t/Dp); below that in closed form."""
    dp, eb, t = 0.12, 0.25, 0.1
    law, most, q = laws.Bleaching(dp, 0.05, eb), 0.25 * 0.1 / 0.12, math.exp(-0.1 / 0.12)
    dose = most * np.array([0.2, 0.9, 0.999, 1.001, 3.0])
    want = eb * np.log((1.0 - q) / (np.exp(-dose[:3] / eb) - q))
    assert stack.total(law, dose, t, math.inf) == pytest.approx([*want, math.inf, math.inf], rel=1e-9)
    assert stack.total(law, dose[3], t, math.inf) == math.inf
    assert stack.total(law, dose[0], t, math.inf) == pytest.approx(want[0], rel=1e-12)
    assert np.isfinite(stack.total(law, dose, t, 100)).all()
    assert stack.total(law, 0.3, t, 2) == pytest.approx(0.3 + law.below(0.3, t), rel=1e-15)


def test_a_first_layer_of_its_own_exposure_under_others():
    """Layer by layer: 0.3 on the first, 0.2 on each of three above."""
    t, dp = 0.1, 0.15
    want = 0.3 + 0.2 * sum(math.exp(-k * t / dp) for k in (1, 2, 3))
    assert stack.total(laws.Plain(dp, 1.0), 0.3, t, 4, 0.2) == pytest.approx(want, rel=1e-13, abs=0.0)
    bleaching = laws.Bleaching(dp, 0.05, 0.25)
    passing = 0.2
    for _ in range(2):
        passing = 0.2 + bleaching.below(passing, t)
    assert stack.total(bleaching, 0.3, t, 4, 0.2) == pytest.approx(0.3 + bleaching.below(passing, t), rel=1e-12, abs=0.0)


@pytest.mark.parametrize("n", [2, 4])
def test_stack_of_bleaching_layers_by_the_rate_equations(n):
    """Fresh resin is laid on what earlier exposures have bleached, and the whole column exposed again."""
    t, dp, eb, es = 0.1, 0.12, 0.25, 0.3
    below, fresh = np.linspace(0.0, 0.6, 401), np.linspace(0.0, t, 101)
    layers = [(below, np.ones_like(below))]
    total = np.zeros_like(below)
    for k in range(n):
        if k:
            layers.insert(0, (fresh, np.ones_like(fresh)))
        left, passed, _ = bleach(layers, dp, eb, es)
        layers = [(grid, c) for (grid, _), c in zip(layers, left)]
        total += passed[-1]
    law = laws.Bleaching(dp, 0.01, eb)
    totals = stack.layer_totals(law, es, t, n)
    assert stack.total(law, es, t, n) == pytest.approx(totals[-1], rel=1e-12, abs=0.0)
    assert totals[-1] == pytest.approx(total[0], rel=1e-6, abs=0.0)
    assert laws.Bleaching(dp, 1.0, eb).below(totals[-1], below) == pytest.approx(total, rel=1e-6, abs=0.0)
