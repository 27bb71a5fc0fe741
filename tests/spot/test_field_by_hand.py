"""The map of the field beside independent formulas: its surfaces by dense algebra, its spots by differences, its plan at the limit."""

import math

import numpy as np
import pytest
from field_survey import grid

from curecalc.spot import field as module
from curecalc.spot.field import FieldMap, Place, plan_places
from curecalc.spot.surface import surface


def by_integration(x, y, z, noise, at):
    """Mean and standard deviation of the surface at a place, by generalised least squares of the plane.

    The quadratic is of one of ten sizes from a thousandth to a million times the noise, each as likely, the plate of the same sizes
    with a half-Cauchy standard deviation, median ten as a variance. A size is the mean variance beside every plane. Restricted
    likelihood with the noise's own size integrated out: (|K| |F K^-1 F|)^-1/2 (z K^-1 (z - F beta))^(-(n-3)/2).
    """
    n, scale = x.size, 0.5 * max(np.ptp(x), np.ptp(y))
    u, v = (x - 0.5 * (x.max() + x.min())) / scale, (y - 0.5 * (y.max() + y.min())) / scale
    u, v = np.append(u, (at[0] - 0.5 * (x.max() + x.min())) / scale), np.append(v, (at[1] - 0.5 * (y.max() + y.min())) / scale)
    square = (u[:, None] - u) ** 2 + (v[:, None] - v) ** 2
    plate = np.where(square > 0.0, 0.5 * square * np.log(np.where(square > 0.0, square, 1.0)), 0.0)
    bend = (np.outer(u, u) + np.outer(v, v)) ** 2  # of a u^2 + b sqrt 2 u v + c v^2
    plane = np.column_stack([np.ones(n + 1), u, v])
    flat, here = plane[:n], plane[n]
    beside = np.eye(n) - flat @ np.linalg.pinv(flat)
    own = np.diag(np.append(noise**2 / np.mean(noise**2), 0.0))
    logs, means, squares = [], [], []
    for a in 10.0 ** np.arange(-3.0, 7.0):
        for b in 10.0 ** np.arange(-3.0, 7.0):
            size_a, size_b = ((n - 3) * s / np.trace(beside @ k[:n, :n]) for s, k in ((a, bend), (b, plate)))
            k = own + size_a * bend + size_b * plate
            inverse, to = np.linalg.inv(k[:n, :n]), k[:n, n]
            normal = flat.T @ inverse @ flat
            beta = np.linalg.solve(normal, flat.T @ inverse @ z)
            quadratic = z @ inverse @ (z - flat @ beta)
            size = np.linalg.slogdet(k[:n, :n])[1] + np.linalg.slogdet(normal)[1]
            logs.append(-0.5 * size - 0.5 * (n - 3) * math.log(quadratic) + math.log(math.sqrt(b) / (10.0 + b)))
            means.append(here @ beta + to @ inverse @ (z - flat @ beta))
            gap = here - flat.T @ inverse @ to
            spread = k[n, n] - to @ inverse @ to + gap @ np.linalg.solve(normal, gap)
            squares.append(spread * quadratic / (n - 3) + means[-1] ** 2)
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    mean = weight @ means
    sizes = np.array([(a, b) for a in range(10) for b in range(10)])
    return mean, math.sqrt(weight @ squares - mean**2), weight @ (sizes[:, 0] > 3), weight @ (sizes[:, 1] > 3)


@pytest.mark.parametrize("shape", ["plane", "bowl", "bump"])
def test_the_surface_agrees_with_dense_algebra(shape):
    rng = np.random.default_rng(7)
    x, y = np.array(grid(4)).T + rng.uniform(-9.0, 9.0, (2, 16))
    away = np.array([500.0, -300.0])  # where the field lies plays no part
    noise = rng.uniform(0.5, 1.5, 16)
    z = {"plane": 0.01 * x, "bowl": 2e-4 * (x * x + 2.0 * x * y), "bump": 3.0 * np.exp(-((x - 30.0) ** 2 + y * y) / 3000.0)}[shape]
    z = 5.0 + z + 0.2 * noise * rng.standard_normal(16)
    got = surface(x + away[0], y + away[1], z, noise)
    for at in ((20.0, -40.0), (-90.0, 110.0)):
        mean, u, curved, plate = by_integration(x, y, z, noise, at)
        value, spread = got.at(at[:1] + away[:1], at[1:] + away[1:])
        assert (value[0], spread[0]) == (pytest.approx(mean, abs=2e-3 * u), pytest.approx(u, rel=5e-3))
        assert (got.curved, got.plate) == (pytest.approx(curved, abs=2e-3), pytest.approx(plate, abs=2e-3))
    assert got.degrees_of_freedom == 13


def test_places_stand_on_a_line_within_a_twentieth():
    """(+-1, +-e) and the middle: singular values sqrt 5, 2 and 2 e of ones, x and y."""
    with pytest.raises(ValueError, match="one line"):
        surface(np.ones(6), np.ones(6), np.ones(6))
    with pytest.raises(ValueError, match="4 places are too few"):
        surface(np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0, 1.0]), np.ones(4))
    for e, fine in ((0.055, False), (0.057, True)):
        x, y = np.array([-1.0, -1.0, 1.0, 1.0, 0.0]), e * np.array([-1.0, 1.0, -1.0, 1.0, 0.0])
        if fine:
            assert surface(x, y, x).at([0.5], [0.0])[0][0] == pytest.approx(0.5, abs=1e-6)
        else:
            with pytest.raises(ValueError, match="one line"):
                surface(x, y, x)


class Read:
    """A surface that reads one value with its uncertainty everywhere."""

    degrees_of_freedom = 6

    def __init__(self, value, u):
        self.read = np.array([value]), np.array([u])

    def at(self, x, y):
        return self.read


@pytest.mark.parametrize(("b", "c"), [(0.03, 0.04), (-0.03, 0.04), (-0.03, -0.04), (0.05, 0.001)])
def test_a_spot_of_the_map_and_its_covariance_by_differences(b, c):
    """ln of both radii is size -+ hypot(b, c), their axis half the angle of (b, c), the first the one nearest to x."""
    field = FieldMap(places=tuple(Place(x=x, y=y, radius_x=0.1, radius_y=0.1, power=3.0) for x, y in grid(3)), common=0.02)
    parts = {"size": Read(math.log(2.0), 0.01), "plus": Read(b, 0.004), "cross": Read(c, 0.003), "power": Read(0.1, 0.05)}
    field.__dict__["surfaces"] = parts
    got = field.at(1.0, 2.0)

    def spot(size, b, c):
        rotated = np.array([[b, c], [c, -b]])  # the logarithm of the spot's matrix beside its size
        values, axes = np.linalg.eigh(rotated)
        first = int(np.argmax(np.abs(axes[0])))
        way = axes[:, first] * np.sign(axes[0, first])
        return np.array([size + values[first], size + values[1 - first], math.atan2(way[1], way[0])])

    here = spot(math.log(2.0), b, c)
    assert (math.log(got.radius_x), math.log(got.radius_y), got.angle) == pytest.approx(tuple(here))
    step = 1e-7
    slopes = np.stack([(spot(0.0, b + step, c) - spot(0.0, b - step, c)), (spot(0.0, b, c + step) - spot(0.0, b, c - step))]) / (2 * step)
    spread = slopes.T @ np.diag([0.004**2, 0.003**2]) @ slopes
    spread[:2, :2] += 0.01**2 + 0.02**2
    assert got.covariance[:3, :3] == pytest.approx(spread, rel=1e-5, abs=1e-12)
    assert (got.power_factor, got.covariance[3, 3]) == (pytest.approx(math.exp(0.1)), pytest.approx(0.0025))
    assert got.covariance[3, :3].tolist() == got.covariance[:3, 3].tolist() == [0.0, 0.0, 0.0]
    assert got.relative == pytest.approx(math.hypot(0.01, 0.02))
    assert got.factor == pytest.approx(2.4469, rel=1e-4)


def test_a_round_spot_has_no_angle_and_one_that_may_be_round_any():
    both = tuple(Place(x=x, y=y, radius_x=0.1, radius_y=0.1) for x, y in grid(3))
    one = tuple(Place(x=x, y=y, radius_x=0.1) for x, y in grid(3))
    assert FieldMap(places=both).at(0.0, 0.0).covariance[2, 2] == pytest.approx(math.pi**2 / 48.0)
    assert FieldMap(places=one).at(0.0, 0.0).covariance[2, 2] == 0.0
    assert (FieldMap(places=one).round, FieldMap(places=both).round) == (True, False)
    assert FieldMap(places=(*one[1:], both[0])).round is False
    unsure = FieldMap(places=both)
    unsure.__dict__["surfaces"] = {"size": Read(0.0, 0.01), "plus": Read(1e-4, 0.1), "cross": Read(0.0, 0.1)}
    assert unsure.at(0.0, 0.0).covariance[2, 2] == pytest.approx(math.pi**2 / 48.0)


def test_stated_uncertainties_weigh_only_where_all_are_stated():
    z = np.array([0.0, 0.0, 0.0, 0.0, 0.1, 0.0, 0.0, 0.0, 0.0])
    at = grid(3)

    def middle(u):
        places = tuple(Place(x=x, y=y, radius_x=0.1 * math.exp(v), relative=r) for (x, y), v, r in zip(at, z, u, strict=True))
        return FieldMap(places=places).surfaces["size"].at([0.0], [0.0])[0][0] - math.log(0.1)

    rough = np.where(z > 0.0, 0.05, 0.005)
    assert middle(rough) < 0.5 * middle(np.full(9, 0.005))
    assert middle(np.where(z > 0.0, 0.05, 0.0)) == pytest.approx(middle(np.full(9, 0.005)))


def test_the_fewest_places_and_no_more_that_keep_the_band():
    asked = {"size_x": 200.0, "size_y": 100.0, "relative": 0.01}
    nine, reached = plan_places(**asked, to=0.5)
    assert nine == [(x, y) for y in (-50.0, 0.0, 50.0) for x in (-100.0, 0.0, 100.0)]
    again, same = plan_places(**asked, to=reached, bend=0.05)
    assert (len(again), same) == (9, reached)
    more, less = plan_places(**asked, to=0.999 * reached)
    assert len(more) == 16
    assert less < reached
    # more bend than is expected by itself widens the band
    assert plan_places(**asked, to=0.5, bend=0.5)[1] > reached


def test_a_plan_asks_squares_up_to_nine_by_nine_for_the_bend_of_its_corners(monkeypatch):
    asked, read = [], []

    class Wide:
        def __init__(self, x, y, value):
            asked.append((x.max(), y.min(), value.min(), value.max()))
            self.degrees_of_freedom = x.size - 3

        def at(self, x, y):
            read.append((x.min(), x.max(), y.min(), y.max()))
            return np.zeros(x.size), np.full(x.size, 0.1)

    monkeypatch.setattr(module, "surface", Wide)
    # Student at 95 % of 78 degrees of freedom times 0.1 is 19.9 %: each place 19.9 times as exactly
    with pytest.raises(ValueError, match=r"^81 places reach 20 %, not 1 %\. Measure each place more exactly: 0\.05 % or better\.$"):
        plan_places(size_x=200.0, size_y=100.0, relative=0.01, to=0.01, bend=1000.0)
    assert len(asked) == len(read) == 70
    assert np.array(asked)[:10] == pytest.approx(np.tile([100.0, -50.0, 0.0, 1000.0], (10, 1)), abs=0.05)
    assert set(read) == {(-100.0, 100.0, -50.0, 50.0)}
