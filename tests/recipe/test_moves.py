"""Moves with the beam off: between the lines of a raster and along paths, timed by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.paths.vectors import paths_from
from curecalc.recipe.build import with_paths
from curecalc.recipe.outcome import move_time, rate
from curecalc.recipe.recipe import make_recipe
from curecalc.units import Quantity as Q

from .whole_shops import Case, files


def recipe(speed):
    machine, lot, needs = files(Case(0.95, True, True, 8, True, length=12.0))
    return make_recipe(machine=replace(machine, move_speed=speed), resin=lot, needs=needs, gains=False)


def test_a_short_and_a_long_move():
    """2e6 mm/s^2 to 1000 mm/s takes 0.5 ms and 0.25 mm: 0.1 mm never gets there, 2 sqrt(L/a); 10 mm takes L/v + v/a."""
    task = recipe(Q(1000.0, "mm/s")).vectors[0].best.task
    assert float(move_time(task, 0.1)) == pytest.approx(2.0 * math.sqrt(0.1 / 2e6))
    assert float(move_time(task, 10.0)) == pytest.approx(0.01 + 0.0005)
    assert float(move_time(replace(task, acceleration=math.inf), 10.0)) == pytest.approx(0.01)
    assert float(move_time(replace(task, move_speed=math.inf), 10.0)) == 0.0


def test_moves_between_lines_slow_a_raster():
    """Each 12 mm line is followed by a move of one spacing."""
    fast, slow = (recipe(v).vectors[0].best for v in (None, Q(1000.0, "mm/s")))
    assert slow.scan_speed == fast.scan_speed
    more = 12.0 * slow.hatch_spacing / slow.rate - 12.0 * fast.hatch_spacing / fast.rate
    assert more == pytest.approx(2.0 * math.sqrt(slow.hatch_spacing / 2e6), rel=1e-9)
    assert rate(slow.task, slow.scan_speed, slow.hatch_spacing) == pytest.approx(slow.rate)


def test_moves_of_paths_are_their_own():
    """Two layers; in each three 12 mm lines, 8 mm from the end of one to the start of the next: two moves a layer, none to the first."""
    y = np.array([0.0, 8.0, 16.0] * 2)
    x0 = np.array([0.0, 12.0, 0.0] * 2)
    paths = paths_from(
        layer=np.array([1, 1, 1, 2, 2, 2]), x0=Q(x0, "mm"), y0=Q(y, "mm"), x1=Q(12.0 - x0, "mm"), y1=Q(y, "mm"), kind=["hatch"] * 6
    )
    none, some = (with_paths(recipe(v), paths) for v in (None, Q(1000.0, "mm/s")))
    # a layer in which nothing is drawn takes no time for it
    sparse = paths_from(
        layer=np.array([1, 1, 1, 3, 3, 3]), x0=Q(x0, "mm"), y0=Q(y, "mm"), x1=Q(12.0 - x0, "mm"), y1=Q(y, "mm"), kind=["hatch"] * 6
    )
    assert 3.0 * with_paths(recipe(Q(1000.0, "mm/s")), sparse).rates.scan_time == pytest.approx(2.0 * some.rates.scan_time)
    # the mean move of a layer is 16/3 mm, three of them
    assert some.rates.scan_time - none.rates.scan_time == pytest.approx(3.0 * (16.0 / 3.0 / 1000.0 + 0.0005), rel=1e-9)
