"""The engine of scans at its limits: ends of a range, wild readings, starts, directions. Fits are told, so that each limit is exact."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from curecalc.spot import scanfit
from curecalc.spot.knife import _edge, knife_edge, knife_edge_power
from curecalc.spot.profile import _narrow, profile
from curecalc.spot.scatter import misfit
from curecalc.statistics.least_squares import Fit

X = np.linspace(-3.0, 3.0, 31)


# ---------------------------------------------------------------- ends of the range


class Told(scanfit._Curve):
    """A curve whose fit scatters by 1 with no reading held, and by `after` with those beyond by `beyond`."""

    def solve(self, first, wander, **_):
        held = self.top | self.low
        away = np.where(self.top, self.beyond, -self.beyond) * held
        away[np.flatnonzero(held)[: int(held.sum() > 2)]] *= -40.0  # the median counts, not the mean
        covariance = np.diag([0.0, 0.0, self.u**2, 0.0])
        after = self.after if held.any() else 1.0
        return Fit(np.array([0.0, 0.0, 0.0, self.height]), covariance, self.y + away, -away, after, 9, True)


def marked(turn=1.0, *, top=3, low=1, others=6, least=3, after=0.89, beyond=100.0, u=0.0, height=1.0, finest=1.0):
    """Numbers of readings marked at the end of the range and at the other."""
    y = turn * finest * np.concatenate([np.zeros(low), np.arange(1.0, others + 1.0), np.full(top, others + 1.5)])
    curve = Told(np.arange(y.size, dtype=float), y, _edge, None)
    curve.after, curve.beyond, curve.u, curve.height = after, beyond, u, turn * height
    scanfit._held(curve, None, least)
    return int(curve.top.sum()), int(curve.low.sum())


@pytest.mark.parametrize("turn", [1.0, -1.0])
@pytest.mark.parametrize(
    ("fine", "held"),
    [
        ({"beyond": 2.66}, {"beyond": 2.68}),  # three standard deviations of 0.89
        ({"beyond": 4.47, "u": 1.2}, {"beyond": 4.49, "u": 1.2}),  # with the curve's own: 3 hypot(0.89, 1.2) = 4.48
        ({"after": 0.9}, {"after": 0.8999}),
        ({"beyond": 9.99, "height": 5000.0}, {"beyond": 10.01, "height": 5000.0}),  # 0.2 % of the height
        ({"top": 2}, {"top": 3}),
        ({"top": 1, "least": 2}, {"top": 2, "least": 2, "others": 5}),
        ({"others": 4}, {"others": 5}),  # six must be left, the lowest among them
        # four alike to the last digit, where the others scatter by more than three digits
        ({"top": 4, "after": 10.0, "finest": 3.4}, {"top": 4, "after": 10.0, "finest": 3.3}),
        ({"top": 3, "after": 10.0, "finest": 3.3}, {"top": 4, "after": 10.0, "finest": 0.1}),
    ],
)
def test_readings_at_the_end_of_the_range_are_told_beyond_each_limit(fine, held, turn):
    assert marked(turn, **fine) == (0, 0)
    assert marked(turn, **held) == ((held.get("top", 3), 0) if turn > 0 else (0, held.get("top", 3)))


def test_both_ends_of_the_range_leave_six_readings_between():
    # at the second end the fit must be better still than at the first, unless four readings are alike
    assert marked(top=4, low=4, others=6, after=10.0) == (4, 4)
    assert marked(top=4, low=4, others=5, after=10.0) == (4, 0)
    assert marked(top=3, low=3, others=6) == (3, 0)


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_held_readings_enter_by_the_probability_of_standing_there(turn):
    """Maximum of the likelihood of Tobit (1958), written with the normal distribution and found by another method."""
    rng = np.random.default_rng(4)
    y = turn * np.minimum(knife_edge_power(X, 1.0, 0.05) + 0.02 * rng.standard_normal(31), 0.9)
    got = knife_edge(X, y, drift=False)
    held = y == turn * 0.9
    assert got.readings.saturated + got.readings.clipped == held.sum() > 5

    def minus_log_likelihood(p):
        mean = p[2] + p[3] * knife_edge_power(X, math.exp(p[1]), p[0])
        z = (mean - y) / got.residual_sd
        return -(stats.norm.logpdf(z[~held]).sum() + stats.norm.logcdf(turn * z[held]).sum())

    best = optimize.minimize(
        minus_log_likelihood, [0.0, 0.0, 0.0, turn], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000}
    )
    height = got.full if got.rising else -got.full
    dark = got.dark if got.rising else got.dark + got.full
    assert [got.centre, math.log(got.radius), dark, height] == pytest.approx(best.x, abs=2e-5)
    assert got.residual_sd == pytest.approx(math.sqrt((got.residuals[~held] ** 2).sum() / ((~held).sum() - 4)))
    h = 1e-3  # the curvature of the likelihood is the information
    steps = h * np.eye(4)
    f = minus_log_likelihood
    corners = [[f(best.x + a + b) - f(best.x + a - b) - f(best.x - a + b) + f(best.x - a - b) for a in steps] for b in steps]
    u = 2.0 * h * np.sqrt(np.diag(np.linalg.inv(corners)))
    assert (got.u_centre, got.u_radius / got.radius) == pytest.approx(u[:2], rel=0.05)
    assert got.degrees_of_freedom == (~held).sum() - 4


@pytest.mark.parametrize(("beyond", "marks"), [(2, 0), (3, 3)])
def test_an_edge_saturates_from_three_readings_on_and_a_peak_from_two(beyond, marks):
    x = X[: 19 + beyond]  # 0.8 mm is the first to stand above nine tenths of the light
    assert knife_edge(x, np.minimum(knife_edge_power(x, 1.0, 0.0), 0.9)).readings.saturated == marks
    peak = np.minimum(np.exp(-2.0 * (X + 0.1) ** 2), 0.9)
    assert profile(X, peak).readings.saturated == (peak == 0.9).sum() == 2


# ---------------------------------------------------------------- wild readings


class Known(scanfit._Curve):
    """A curve whose fit always gives an edge of radius 1 at 0 from 0 to `height`, without uncertainty."""

    height = 2.0

    def solve(self, first, wander, **_):
        p = np.array([0.0, 0.0, 0.0, self.height])
        fitted = self.model(0, False)(p)[0]
        rest, dof = self.y - fitted, int(self.free.sum()) - 4
        return Fit(p, np.zeros((4, 4)), fitted, rest, math.sqrt((rest[self.free] ** 2).sum() / dof), dof, True)


def left_out(x, rest, misled=None):
    curve = Known(x, 2.0 * knife_edge_power(x, 1.0, 0.0) + rest, _edge, None)
    result = curve.solve(None, 0)
    if misled is not None:
        result.residuals[misled] = 9.0
    scanfit._wild(curve, result)
    return [int(i) for i in np.flatnonzero(~curve.kept)]


FEW_STEEP = np.sort(np.concatenate([np.linspace(-3.0, -0.83, 14), [-0.6, -0.2, 0.2, 0.6], np.linspace(0.83, 3.0, 13)]))


@pytest.mark.parametrize(
    ("x", "at", "kin", "steep", "flat"),
    [
        # steep above 0.3 of the steepest: exp(-2 g^2) > 0.3 within 0.776, seven readings 0.2 apart
        (X, 15, 6, 0.02, 0.02),
        (X, 2, 23, 0.02, 0.02),
        (X, 15, 6, 0.03, 0.01),
        (X, 28, 23, 0.03, 0.01),
        (FEW_STEEP, 15, 30, 0.02, 0.02),  # three others are too few: all count
        (np.sort(np.append(np.delete(FEW_STEEP, 0), 0.0)), 15, 4, 0.03, 0.01),
    ],
)
def test_a_wild_reading_is_one_in_a_thousand_scans_by_the_scatter_of_its_kin(x, at, kin, steep, flat):
    is_steep = np.exp(-2.0 * x**2) > 0.3
    rest = np.where(is_steep, steep, flat) * np.resize([1.0, -1.0], 31)
    others = np.delete(rest, at)
    like = np.delete(rest, at)[np.delete(is_steep, at) == is_steep[at]] if kin < 30 else others
    assert like.size == kin
    sd = math.sqrt(max((others**2).sum() / 26.0, (like**2).mean() * 30.0 / 26.0))
    limit = stats.t.isf(1e-3 / 31.0 / 2.0, min(26, kin)) * sd
    for share, found in ((1.001, [at]), (0.999, [])):
        rest[at] = share * limit
        assert left_out(x, rest) == found


def test_a_wild_reading_lies_half_a_per_cent_of_the_height_off_at_the_least():
    rest = 1e-6 * np.resize([1.0, -1.0], 31)
    for off, found in ((0.0101, [7]), (0.0099, [])):
        rest[7] = off
        assert left_out(X, rest) == found
    assert left_out(X, np.where(np.arange(31) == 7, 0.1, 0.0)) == [7]  # no scatter at all: the computer's rounding


@pytest.mark.parametrize(("n", "many"), [(14, 1), (29, 1), (30, 2), (31, 2), (45, 3)])
def test_one_reading_in_fifteen_may_be_wild_and_one_at_the_least(n, many):
    x, rest = np.linspace(-3.0, 3.0, n), 1e-3 * np.resize([1.0, -1.0], n)
    wild = [1, 4, n // 2, n - 3]
    rest[wild] = [40.0, 300.0, -1000.0, -5.0]
    assert left_out(x, rest) == sorted(sorted(wild, key=lambda i: -abs(rest[i]))[:many])


def test_a_wild_reading_leaves_six_others():
    for n, found in ((6, []), (7, [1])):
        rest = 1e-4 * np.resize([1.0, -1.0], n)
        rest[1] = 1.0
        assert left_out(np.linspace(-2.0, 2.0, n), rest) == found


@pytest.mark.parametrize("at", [0, 30, 12])
def test_a_reading_far_from_both_neighbours_is_tried_where_the_curve_is_misled(at):
    rest = 1e-3 * np.resize([1.0, -1.0], 31)
    rest[at] = 1.0 if at != 12 else 3.0
    assert left_out(X, rest, misled=20) == [at]


# ---------------------------------------------------------------- starts, directions


@pytest.mark.parametrize(("k", "j"), [(1, 0), (20, 5), (39, 11), (20, 17)])
def test_a_start_is_the_knot_that_the_readings_stand_on(k, j):
    # centres a fortieth of the travel of 6 mm apart; radii from half a step of 0.2 mm to 0.7 x 6 mm
    centre, radius = -3.0 + 6.0 * k / 40.0, 0.1 * 42.0 ** (j / 17.0)
    curve = scanfit._Curve(X, 5.0 + 2.0 * knife_edge_power(X, radius, centre), _edge, None)
    assert scanfit._grid(curve) == pytest.approx([centre, math.log(radius), 5.0, 2.0], abs=1e-4)


def test_a_start_leaves_room_on_both_sides_and_may_tilt_and_drift():
    knot = 0.1 * 42.0 ** (8 / 17.0)
    y = 5.0 + 0.3 * X + (2.0 - 0.2 * X) * knife_edge_power(X, knot, -1.2)
    curve = scanfit._Curve(X, y, _edge, None)
    room = 1.8 / knot
    assert scanfit._grid(curve, 2, 0.999 * room) == pytest.approx([-1.2, math.log(knot), 5.0, 2.0, 0.9, -0.6], abs=1e-4)  # t is x/3
    centre, log_radius = scanfit._grid(curve, 2, 1.001 * room)[:2]
    assert min(centre + 3.0, 3.0 - centre) >= room * math.exp(log_radius)
    assert scanfit._grid(curve, 2, 31.0) is None  # 3 mm beside the middle are 30 of the least radius


@pytest.mark.parametrize(("n", "used"), [(300, 300), (301, 151), (900, 300)])
def test_of_many_readings_a_few_hundred_give_the_start(n, used):
    seen = []
    shape = lambda away, radius: (seen.append(away.size), _edge(away, radius))[1]  # noqa: E731
    scanfit._grid(scanfit._Curve(np.linspace(-3.0, 3.0, n), np.arange(n, dtype=float), shape, None))
    assert set(seen) == {39 * used}


@pytest.mark.parametrize(
    ("position", "way"),
    [
        ([0, 1, 2, 3, 4, 5, 4, 3, 2, 1, 0], [1] * 6 + [-1] * 5),
        ([5, 4, 3, 2, 1, 0, 1, 2, 3, 4, 5], [-1] * 6 + [1] * 5),
        ([0, 1, 2, 3, 4, 5, 4, 3, 2, 1], None),  # four steps back are too few
        ([0, 0, 1, 2, 2, 3, 4, 5, 4, 3, 2, 1, 0], [1, 1, 1, 1, 1, 1, 1, 1] + [-1] * 5),  # standing counts as forward
        ([0, 1, 2, 3, 2, 1, 0, 1, 2, 1, 0], [1, 1, 1, 1, -1, -1, -1, 1, 1, -1, -1]),
        ([0, 1, 2, 3, 2, 1, 0, 1, 2, 1, 0, 1], None),  # turns four times
        (list(range(12)), None),
        ([3] * 12, None),
    ],
)
def test_a_scan_there_and_back_has_directions(position, way):
    found = scanfit._both_ways(position)
    assert found is way is None or list(found) == way


def test_tilt_asks_for_nine_readings_and_for_room():
    for n, reach, tilts in ((9, 2.0, True), (8, 2.0, False), (21, 1.51, True), (21, 1.49, False)):
        x = np.linspace(-2.0, reach, n)
        assert profile(7.0 + 2.0 * x, np.exp(-2.0 * x**2)).with_tilt is tilts
        assert profile(7.0 - 2.0 * x, np.exp(-2.0 * x**2)).with_tilt is tilts
    for reach, drifts in ((1.76, True), (1.74, False)):
        x = np.linspace(-2.5, reach, 25)
        assert knife_edge(7.0 - 2.0 * x, knife_edge_power(x, 1.0, 0.0)).with_drift is drifts


def test_a_wrong_shape_is_sought_in_its_third_and_fourth_moment():
    """An edge differs by the slope of what a peak differs by, so its terms are one order lower."""
    scatter = 2e-3 * np.random.default_rng(2).standard_normal(31)
    edge = knife_edge(X, 0.5 * (knife_edge_power(X, 0.8, -0.3) + knife_edge_power(X, 0.8, 0.5)) + scatter, drift=False)
    peak = profile(X, 0.5 * (np.exp(-2.0 * (X - 0.3) ** 2 / 0.64) + np.exp(-2.0 * (X + 0.5) ** 2 / 0.64)) + scatter, tilt=False)
    for got, shape, height, orders in ((edge, _edge, edge.full, (2, 3)), (peak, _narrow, peak.peak, (3, 4))):
        away = X - got.centre
        s, slope, wide = shape(away, got.radius)
        columns = np.stack([-height * slope, height * wide, np.ones(31), s], axis=1)
        p, size = misfit(got.residuals, columns, 2.0 * away / got.radius, orders=orders, floor=1e-12)
        assert (got.readings.misfit_p, got.readings.misfit) == pytest.approx((p, size / height), rel=1e-6)


def test_backlash_is_told_at_two_in_a_thousand():
    there = np.linspace(-2.5, 2.5, 21)
    x, way = np.concatenate([there, there[::-1]]), np.repeat([1.0, -1.0], 21)
    noise = 0.01 * np.random.default_rng(5).standard_normal(42)

    def lagging(lag):
        got = knife_edge(x, knife_edge_power(x - 0.5 * lag * way, 1.0, 0.0) + noise, drift=False)
        assert not got.weighted
        return got.readings.backlash, got.readings.u_backlash

    found, u = lagging(0.05)
    limit = 0.05 - found + stats.t.isf(0.001, 42 - 5) * u
    assert lagging(1.03 * limit)[0] > 0.0
    assert lagging(0.97 * limit) == (0.0, 0.0)


def test_positions_that_are_not_sharp_and_light_that_flickers_are_weighed():
    rng = np.random.default_rng(7)
    x = np.linspace(-2.7, 3.3, 61)
    for turn in (1.0, -1.0):
        got = knife_edge(turn * x, knife_edge_power(x + 0.05 * rng.standard_normal(61), 1.0, 0.3) + 1e-3 * rng.standard_normal(61))
        assert got.weighted
        assert got.readings.jitter == pytest.approx(0.05, rel=0.25)
        light = knife_edge_power(x, 1.0, 0.3)
        got = knife_edge(turn * x, light * (1.0 + 0.03 * rng.standard_normal(61)) + 1e-3 * rng.standard_normal(61))
        assert (got.weighted, got.readings.jitter) == (True, 0.0)
        even = knife_edge(turn * x, light + 0.01 * rng.standard_normal(61))
        assert (even.weighted, even.readings.jitter) == (False, 0.0)
        still = knife_edge(turn * x, knife_edge_power(x + 5e-8 * rng.standard_normal(61), 1.0, 0.3))  # far above what the computer rounds
        assert 2e-8 < still.readings.jitter < 1e-7
        cut = np.minimum(knife_edge_power(x + 0.05 * rng.standard_normal(61), 1.0, 0.3), 0.9)
        got = knife_edge(turn * x, cut, u_position=0.05)
        assert (got.readings.saturated > 9, got.weighted, got.readings.jitter) == (True, False, 0.0)


def test_a_radius_that_runs_away_is_kept_where_its_square_is_a_number():
    for way in (-1.0, 1.0):
        assert [scanfit._radius(way * big) for big in (59.9, 60.0, 60.1, 1e9)] == [math.exp(way * x) for x in (59.9, 60.0, 60.0, 60.0)]
