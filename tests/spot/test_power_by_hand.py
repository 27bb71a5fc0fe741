"""A power reading and second moments by hand: every part of the budget, and the aperture of the standard."""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.spot.frame import cells
from curecalc.spot.light import beam_power
from curecalc.spot.moments import moments
from curecalc.spot.power import power_reading
from curecalc.statistics.intervals import t_factor
from curecalc.statistics.steps import level_error
from curecalc.units import Quantity as Q

# scatter without a trend, with mean 100 and standard deviation 1 (n - 1 = 9)
READINGS = 100.0 + math.sqrt(0.9) * np.array([1, -1, -1, 1, -1, 1, 1, -1, 1, -1.0])


def parts(**more):
    got = power_reading(reading=READINGS, keep_warm_up=True, **more)
    return got, {name: (u, dof) for name, u, dof in got.components}


def test_readings_alone():
    got, budget = parts()
    assert (got.value, got.mean, got.sd) == pytest.approx((100.0, 100.0, 1.0))
    assert budget == {"readings (Type A)": (pytest.approx(1 / math.sqrt(10)), pytest.approx(9.0))}
    assert (got.standard_uncertainty, got.effective_dof) == (pytest.approx(1 / math.sqrt(10)), pytest.approx(9.0))


def test_every_part_of_the_budget():
    """JCGM 100 4.3.7: a resolution is rectangular, r/sqrt 12; two losses multiply."""
    got, budget = parts(calibration=0.02, calibration_dof=50, resolution=0.6, losses=[("window", 0.04, 0.005), ("mirror", 0.1, 0.01)])
    through = 0.96 * 0.9
    assert got.transmission == pytest.approx(through)
    assert got.value == pytest.approx(100 * through)
    assert budget == {
        "readings (Type A)": (pytest.approx(through / math.sqrt(10)), pytest.approx(9.0)),
        "meter calibration (Type B)": (pytest.approx(0.02 * 100 * through), 50),
        "meter resolution (Type B)": (pytest.approx(0.6 / math.sqrt(12) * through), math.inf),
        "loss window (Type B)": (pytest.approx(100 * through * 0.005 / 0.96), math.inf),
        "loss mirror (Type B)": (pytest.approx(100 * through * 0.01 / 0.9), math.inf),
    }
    squares = [u**2 for u, _ in budget.values()]
    assert got.standard_uncertainty == pytest.approx(math.sqrt(sum(squares)))
    # Welch-Satterthwaite (JCGM 100 G.2b)
    assert got.effective_dof == pytest.approx(sum(squares) ** 2 / (squares[0] ** 2 / 9 + squares[1] ** 2 / 50))


def test_zero_is_taken_off_and_a_drift_is_rectangular():
    got, _ = parts(zero=2.0)
    assert got.value == pytest.approx(98.0)
    line = 100.0 + np.arange(12) * 0.5 + 0.01 * np.array([1, -1] * 6)
    got = power_reading(reading=line, keep_warm_up=True)
    slope = np.polyfit(np.arange(12), line, 1)[0]
    assert got.drift == pytest.approx(slope * 11 / line.mean())
    assert {n: u for n, u, _ in got.components}["drift (Type B)"] == pytest.approx(slope * 11 / math.sqrt(12))


@pytest.mark.parametrize(("n", "counted"), [(7, False), (8, True)])
def test_readings_that_resemble_each_other(n, counted):
    """One turn of a sine has the lag-one correlation cos(2 pi/(n + 1)), the most there is: seven stay below 2/sqrt 7, eight do not."""
    r = math.cos(2.0 * math.pi / (n + 1.0))
    got = power_reading(reading=100.0 + np.sin(2.0 * math.pi * np.arange(1.0, n + 1.0) / (n + 1.0)), keep_warm_up=True)
    assert got.correlation == (pytest.approx(r) if counted else 0.0)
    grown = (1.0 + r) / (1.0 - r) if counted else 1.0
    assert got.type_a == pytest.approx(got.sd / math.sqrt(n) * math.sqrt(grown))
    assert got.components[0][2] == (1.0 if counted else 6.0)  # eight that say as much as 1.06: one degree of freedom at least


def test_correlation_just_on_either_side():
    """Two over the root of n, by patterns whose lag-one correlation lies just below and just above 2/4 of 16 readings."""
    for runs, used in (((4, 4, 4, 4), True), ((3, 3, 3, 3, 2, 2), False)):
        signs = np.concatenate([np.full(k, (-1.0) ** i) for i, k in enumerate(runs)])
        d = signs - signs.mean()
        r = float(d[1:] @ d[:-1] / (d @ d))
        assert (r > 0.5) == used
        got = power_reading(reading=100.0 + signs, keep_warm_up=True)
        assert got.correlation == (pytest.approx(r) if used else 0.0)
        if used:
            grown = math.sqrt((1 + r) / (1 - r))
            assert got.type_a == pytest.approx((100.0 + signs).std(ddof=1) / 4 * grown)
            assert got.components[0][2] == pytest.approx(16 / grown**2 - 1)
            tiny = power_reading(reading=100.0 + 1e-7 * signs, keep_warm_up=True)  # a million times what the computer rounds
            assert tiny.correlation == pytest.approx(r, rel=1e-4)


@pytest.mark.parametrize("loss", [-0.01, 1.0])
def test_a_loss_is_a_share(loss):
    with pytest.raises(
        ValueError, match=r"loss window must be at least 0 and below 1, got .*\. Write the share of power lost, like '4 %'\."
    ):
        power_reading(reading=READINGS, losses=[("window", loss, 0.0)])


def test_too_few_readings_or_no_light():
    with pytest.raises(ValueError, match=r"^one reading cannot show its scatter\. Take at least ten, a few seconds apart\.$"):
        power_reading(reading=[100.0])
    with pytest.raises(
        ValueError, match=r"^the mean reading is not above zero\. Check the shutter, the range of the meter and its zero\.$"
    ):
        power_reading(reading=[-1.0, 1.0, -1.0, 1.0])


# ---------------------------------------------------------------- second moments

PIXEL = 0.004


def picture(sx, sy, size=401, extra=lambda x, y: 0.0):
    at = (np.arange(size) - size // 2) * PIXEL
    x, y = np.meshgrid(at, at)
    return 1000.0 * np.exp(-(x**2) / (2 * sx**2) - y**2 / (2 * sy**2)) + extra(x, y)


def measured(image, sx, sy):
    middle = image.shape[0] // 2 * PIXEL
    beam, frame = (cells(image, (PIXEL, PIXEL), block) for block in (1, 4))
    return moments(replace(beam, noise=np.zeros_like(image)), frame, (middle, middle, sx**2, 0.0, sy**2))


def test_a_gaussian_on_a_dark_ground():
    """Three widths either way hold all of a Gaussian but 4e-9 of its variance (integral of x^2 exp(-x^2/2) beyond six sigma)."""
    got = measured(picture(0.06, 0.05), 0.055, 0.055)
    assert got.variance[0] == pytest.approx(0.06**2, rel=1e-6)
    assert got.variance[2] == pytest.approx(0.05**2, rel=1e-6)
    assert got.total == pytest.approx(1000 * 2 * math.pi * 0.06 * 0.05 / PIXEL**2, rel=1e-6)
    assert got.steps < 15


@pytest.mark.parametrize(("place", "inside"), [(0.9, True), (1.1, False)])
def test_the_aperture_is_three_times_the_width(place, inside):
    """ISO 11146-1: sides three times the beam widths (4 sigma), so half a side is 6 sigma; two faint bars just in or just out.

    A bar pair of power share a at distance b adds a (b^2 - s^2) to the variance along it, where it is counted.
    """
    s, b = 0.05, place * 6 * 0.05
    total = 1000 * 2 * math.pi * s * s / PIXEL**2
    share = 2e-3

    # each bar is one pixel: the pair holds `share` of the power
    def bars(x, y):
        lit = (np.abs(np.abs(x) - round(b / PIXEL) * PIXEL) < PIXEL / 4) & (np.abs(y) < PIXEL / 4)
        return np.where(lit, share * total / 2, 0.0)

    b = round(b / PIXEL) * PIXEL
    got = measured(picture(s, s, extra=bars), s, s)
    plain = measured(picture(s, s), s, s)
    gained = (got.variance[0] - plain.variance[0]) / (share / (1 + share) * (b**2 - s**2))
    assert gained == pytest.approx(1.0 if inside else 0.0, abs=0.06)


# ------------------------------------------------------------------ ends of the range and digits of the display

SETTLED = 300.0 + 0.6 * np.random.default_rng(5).standard_normal(30)


def warned(reading, **more):
    return " ".join(beam_power(reading=Q(reading, "mW"), meter_uncertainty=0.02, **more).warnings)


def test_readings_at_an_end_of_the_range_are_counted():
    top, low = np.minimum(np.round(SETTLED, 3), 300.4), np.maximum(np.round(SETTLED, 3), 299.6)
    assert f"{(top == 300.4).sum()} of 30 readings stand at one top value" in warned(top)
    assert f"{(low == 299.6).sum()} of 30 readings stand at one bottom value" in warned(low)
    with pytest.raises(QuantityError, match=r"of 30 readings stand at full scale.*Choose a wider range"):
        warned(np.minimum(np.round(SETTLED, 3), 299.8))


def test_readings_beyond_the_range_count_as_at_least_its_end():
    """Mean and its uncertainty by a general optimiser on the likelihood of Tobin's model, and its Hessian in other coordinates."""
    from scipy.optimize import minimize
    from scipy.stats import norm

    for y, sign in ((np.minimum(SETTLED, 300.3), 1.0), (np.maximum(SETTLED, 299.7), -1.0)):
        end = y.max() if sign > 0 else y.min()
        held = y == end

        def loss(x, y=y, end=end, held=held, sign=sign):
            return -norm.logpdf(y[~held], x[0], math.exp(x[1])).sum() - held.sum() * norm.logcdf(sign * (x[0] - end) / math.exp(x[1]))

        best = minimize(loss, (y.mean(), 0.0), method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000}).x
        got = power_reading(reading=y, keep_warm_up=True)
        inside = (~held).sum()
        fair = math.sqrt(inside / (inside - 1))
        assert got.mean == pytest.approx(best[0], abs=1e-6)
        assert got.sd == pytest.approx(math.exp(best[1]) * fair, rel=1e-6)
        step = 1e-3
        a, b = step * np.eye(2)
        mm, ss = ((loss(best + d) + loss(best - d) - 2 * loss(best)) / step**2 for d in (a, b))
        ms = (loss(best + a + b) - loss(best + a - b) - loss(best - a + b) + loss(best - a - b)) / (4 * step**2)
        assert got.type_a == pytest.approx(fair * math.sqrt(ss / (mm * ss - ms**2)), rel=1e-4)
        assert abs(got.mean - SETTLED.mean()) < 0.5 * abs(y.mean() - SETTLED.mean())
        assert got.effective_dof == pytest.approx(inside - 1)


@pytest.mark.slow
@pytest.mark.parametrize("many", [20, 40, 80])
def test_intervals_of_readings_cut_at_full_scale_cover(many):
    """A quarter or a third of normal readings beyond full scale: the 95 % interval holds the true power in 93 to 99 % of series."""
    random, found = np.random.default_rng(4100 + many), []
    for _ in range(1200):
        y = np.minimum(240.0 + 3.0 * random.standard_normal(many), 240.0 + random.choice((1.2, 2.0)))
        if (y == y.max()).mean() > 0.5:
            continue  # refused
        got = power_reading(reading=y, keep_warm_up=True)
        if got.at_top and not got.drift_p < 0.01:
            found.append(abs(got.value - 240.0) <= t_factor(0.95, got.effective_dof) * got.standard_uncertainty)
    assert len(found) > 800
    assert 0.93 <= np.mean(found) <= 0.99


@pytest.mark.parametrize("digit", [0.01, 0.1, 1.0])
def test_a_display_finer_than_the_scatter_is_no_fault(digit):
    assert warned(np.round(SETTLED / digit) * digit) == ""


def test_digits_coarser_than_the_scatter_count_as_resolution():
    coarse = 2.0 * np.round(SETTLED / 2.0)
    got = beam_power(reading=Q(coarse, "mW"), meter_uncertainty=0.02)
    assert "all 30 readings kept stand on steps of 2 mW" in got.warnings[0]
    parts = {p.name: p.relative for p in got.power.parts}
    assert parts["meter resolution (Type B)"] == pytest.approx(2.0 / math.sqrt(12.0) / coarse.mean())
    stated = beam_power(reading=Q(coarse, "mW"), meter_uncertainty=0.02, resolution=Q(5.0, "mW"))
    assert {p.name: p.relative for p in stated.power.parts}["meter resolution (Type B)"] == pytest.approx(5 / math.sqrt(12) / coarse.mean())
    assert "all 5 readings kept stand on one value" in warned(np.full(5, 300.0))


@pytest.mark.parametrize("noise", [0.15, 0.25, 0.35])
def test_the_pull_of_steps_on_a_mean(noise):
    """Rounded numbers themselves: the mean of many, about where they lie between the steps."""
    rng = np.random.default_rng(2)
    pulls = [np.round(at + noise * rng.standard_normal(20000)).mean() - at for at in np.linspace(0.0, 1.0, 100, endpoint=False)]
    assert level_error(noise, 1.0) == pytest.approx(math.sqrt(np.mean(np.square(pulls))), rel=0.1)
