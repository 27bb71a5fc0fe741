"""Extremes between pixels against forms whose extremes are known, which of them are told, and what is thin."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.map.field import Grid
from curecalc.map.reasons import _between, _beyond, _thin, extremes

Y, X = np.mgrid[-3:4, -3:4].astype(float)
MIDDLE = np.array([3]), np.array([3])


def beyond(logarithm, sign):
    """How far the extreme of a form lies beyond the pixel in the middle, as a difference of logarithms."""
    return -sign * math.log(_beyond(3.0 * np.exp(sign * logarithm), *MIDDLE, sign)[0])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("slope", "bend"),
    [
        ((0.05, -0.03), (0.2, 0.3, 0.0)),
        ((0.05, -0.03), (0.2, 0.3, 0.1)),
        ((-0.02, -0.04), (0.2, 0.3, -0.15)),
        ((0.003, 0.002), (0.3, 0.3, 0.29)),  # the lean's square 0.934 of the greatest: counted
    ],
)
def test_the_extreme_of_a_bowl_is_that_of_its_form(slope, bend, sign):
    """x.Hx/2 + g.x is least at -g.H^-1 g/2."""
    form = np.array([[bend[0], bend[2]], [bend[2], bend[1]]])
    logarithm = slope[0] * Y + slope[1] * X + 0.5 * (form[0, 0] * Y * Y + 2.0 * form[0, 1] * X * Y + form[1, 1] * X * X)
    least = 0.5 * np.array(slope) @ np.linalg.solve(form, slope)
    assert least < 0.05
    assert beyond(logarithm, sign) == pytest.approx(least, rel=1e-9)


def test_quartics_and_what_is_no_bowl():
    def along(c0, c1, c2, c3):
        return c0 * X + c1 * X**2 + c2 * X**3 + c3 * X**4

    for c in ((0.03, 0.1, 0.01, 0.004), (-0.04, 0.2, -0.03, 0.01)):
        steep = np.roots([4 * c[3], 3 * c[2], 2 * c[1], c[0]])
        t = steep[np.abs(steep.imag) < 1e-12].real[0]
        least = -(c[0] * t + c[1] * t**2 + c[2] * t**3 + c[3] * t**4)
        assert beyond(along(*c) + 0.1 * Y**2, 1.0) == pytest.approx(least, rel=1e-6)
        assert beyond(along(*c).T + 0.1 * Y.T**2, -1.0) == pytest.approx(least, rel=1e-6)
    assert beyond(along(-0.03, 0.01, 0.0, 0.0) + 0.1 * Y**2, 1.0) == pytest.approx(0.02)  # a pixel and a half away: at most one is gone
    assert beyond(along(0.03, 0.01, 0.0, 0.0) + 0.1 * Y**2, 1.0) == pytest.approx(0.02)
    assert beyond(along(0.2, 0.1, 0.0, 0.0) + 0.1 * Y**2, 1.0) == pytest.approx(0.05)  # of a tenth, no more than a twentieth is believed
    assert beyond(0.1 * Y - 0.1 * Y**2 + 0.02 * X + 0.1 * X**2, 1.0) == pytest.approx(0.02**2 / 0.4)  # a saddle: along its valley alone
    flat = 0.003 * X + 0.002 * Y + 0.15 * X**2 + 0.15 * Y**2 + 0.294 * X * Y  # the lean's square 0.96 of the greatest: left out
    assert beyond(flat, 1.0) == pytest.approx((0.003**2 + 0.002**2) / 0.6)
    assert beyond(0.0 * X, 1.0) == 0.0


@pytest.mark.parametrize(("di", "dj"), [(0.0, 0.0), (0.31, -0.42), (-0.77, 0.05), (0.5, 0.5)])
@pytest.mark.parametrize("low", [True, False])
def test_a_place_between_pixels_is_found_to_their_two_thousandth(di, dj, low):
    sign = -1.0 if low else 1.0
    y, x = np.mgrid[-30:31, -30:31].astype(float)
    wave = 0.3 * np.cos((y - di) * 2.0 * np.pi / 14.0) + 0.2 * np.cos((x - dj) * 2.0 * np.pi / 17.0)
    value, *place = _between(3.0 * np.exp(sign * wave), 30, 30, 1 if low else -1)
    assert value == pytest.approx(3.0 * math.exp(0.5 * sign), rel=4e-6)
    assert place == pytest.approx((di, dj), abs=5e-4)


def told(spots, *, low=True, own=(slice(10, 90), slice(12, 88)), mask=None, bar=None):
    """The extremes of a plane with Gaussian dips (or bumps) at (row, column, height), a pixel wide."""
    y, x = np.mgrid[0:100, 0:100].astype(float)
    dose = 1.0 + sum(h * np.exp(-0.5 * ((y - i) ** 2 + (x - j) ** 2)) for i, j, h in spots)
    where = np.ones(dose.shape, bool) if mask is None else mask(y, x)
    grid = Grid(-5.0, 3.0, 0.1, 100, 100)
    found = extremes(dose, grid, where, 7, low=low, region="core", own=own, bar=bar)
    places = [p for p in found if (p.value < 0.999 if low else p.value > 1.001)]
    assert all((p.layer, p.region) == (7, "core") for p in places)
    return [(round((p.y - 3.0) / 0.1, 2), round((p.x + 5.0) / 0.1, 2), round(p.value, 4)) for p in places]


def test_which_extremes_are_told():
    assert told([(30, 40, -0.3), (50, 60, -0.4)]) == [(50, 60, 0.6), (30, 40, 0.7)]
    assert told([(30, 40, 0.3), (50, 60, 0.4)], low=False) == [(50, 60, 1.4), (30, 40, 1.3)]
    # of two within six pixels the worse
    for apart, count in ((6, 1), (7, 2)):
        for other in ((30 + apart, 40), (30, 40 + apart), (30 - apart, 40), (30, 40 - apart)):
            assert len(told([(30, 40, -0.4), (*other, -0.3)])) == count
    # in the tile's own part alone
    assert told([(9, 40, -0.3), (40, 11, -0.3), (90, 40, -0.3), (40, 88, -0.3), (10, 70, -0.3)]) == [(10, 70, 0.7)]
    # the twelve worst
    many = [(12 + 10 * (k // 5), 12 + 15 * (k % 5), -0.1 - 0.01 * k) for k in range(20)]
    assert told(many) == [(i, j, round(1.0 + h, 4)) for i, j, h in reversed(many[8:])]
    # none that stays more than a hundredth behind the bar
    assert len(told([(20, 20, -0.5), (40, 40, -0.496), (60, 60, -0.494)], bar=0.5)) == 2
    assert len(told([(20, 20, 0.5), (40, 40, 0.486), (60, 60, 0.484)], low=False, bar=1.5)) == 2
    # at the rim of the mask the pixel itself, beside it what lies between
    assert told([(50.3, 40, -0.3)], mask=lambda y, x: y <= 50) == [(50, 40, round(1.0 - 0.3 * math.exp(-0.5 * 0.09), 4))]
    for mask in (lambda y, x: y <= 51, lambda y, x: y >= 49, lambda y, x: x <= 41, lambda y, x: x >= 39):
        assert told([(50.3, 40, -0.3)], mask=mask) == [(pytest.approx(50.3, abs=0.05), 40, pytest.approx(0.7, abs=5e-3))]
    assert told([(50, 40, -0.3)], mask=lambda y, x: y < 0) == []
    # where nothing falls at all
    (dark,) = told([(50, 40, -1.0)], mask=lambda y, x: np.hypot(y - 50, x - 40) < 2)
    assert dark == (50, 40, 0.0)


def test_what_is_drawn_is_thin_where_no_core_lies_within_two_radii():
    inside, core = np.ones((21, 21), bool), np.zeros((21, 21), bool)
    inside[3, 3] = False
    drawing = SimpleNamespace(inside=inside, core=core)
    grid = Grid(0.0, 0.0, 0.1, 21, 21)
    assert _thin(drawing, grid, 10, 10, 0.25)
    assert not _thin(drawing, grid, 3, 3, 0.25)
    core[10, 10] = True
    for i, j, found in ((10, 10, False), (5, 10, False), (15, 15, False), (4, 10, True), (10, 4, True), (16, 10, True), (10, 16, True)):
        assert _thin(drawing, grid, i, j, 0.25) == found
