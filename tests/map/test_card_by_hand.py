"""The graphics card's body with its three kernels run one thread after the other in Python: the same field as the processor's."""

import importlib.util
import math
import sys
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from scipy.ndimage import correlate1d

from curecalc.errors import QuantityError
from curecalc.map import deposit, field
from curecalc.map.field import Grid, Optics
from curecalc.map.points import Scanning
from curecalc.paths.vectors import Positions
from curecalc.physics.laws import Plain

from .scenes import joined, scattered, vectors


class There(np.ndarray):
    """An array as it were on the card."""


def scatter(grid, rows, columns, x, y, e, n):
    assert grid.shape == (rows, columns)
    deposit.deposit(np.asarray(grid), x[:n], y[:n], e[:n])


def lines(grid, rows, columns, x0, y0, dx, dy, dose, share, first, m, last, legs, at, weight, n):
    k = np.arange(n)
    leg = np.searchsorted(last[:legs], k, side="right")
    own = k - np.where(leg > 0, last[leg - 1], 0)
    node = own % m[leg]
    u = (first[leg] + own // m[leg] + at[m[leg], node]) * share[leg]
    scatter(grid, rows, columns, x0[leg] + dx[leg] * u, y0[leg] + dy[leg] * u, dose[leg] * weight[m[leg], node], n)


def spread(source, to, rows, columns, step, length, half, n, scale):
    assert source.shape == (rows, columns)
    assert (step, length) in ((1, columns), (columns, rows))
    to[:] = scale * correlate1d(source, np.concatenate([half[n - 1 : 0 : -1], half[:n]]), axis=1 if step == 1 else 0, mode="constant")


KERNELS = {"scatter": scatter, "lines": lines, "spread": spread}


def launched(name):
    """A kernel that is given enough blocks of whole warps, and none too many."""

    def launch(blocks, threads, args):
        across = args[3] if name == "spread" else args[-1]
        assert threads[0] % 32 == 0
        assert blocks == (math.ceil(across / threads[0]), args[2] if name == "spread" else 1)
        KERNELS[name](*args)

    return launch


@pytest.fixture
def gpu(monkeypatch):
    """The module as it is where a card is."""
    card = ModuleType("cupy")
    card.ndarray, card.float64 = There, np.float64
    card.zeros = lambda shape: np.zeros(shape).view(There)
    card.empty_like = lambda a: np.full(a.shape, np.nan).view(There)
    card.asarray = lambda a, dtype=None: np.asarray(a, dtype).view(There)
    card.asnumpy, card.maximum = np.asarray, np.maximum
    card.RawModule = lambda code: type("Module", (), {"get_function": staticmethod(launched)})
    monkeypatch.setitem(sys.modules, "cupy", card)
    spec = importlib.util.find_spec("curecalc.map.gpu")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


OPTICS = Optics(Plain(0.15, 0.08), radius_ratio=1.3)
GRID = Grid(0.2, 0.3, 0.03, 37, 24)


@pytest.mark.parametrize("way", [Scanning(), Scanning(2e5, "on"), Scanning(pulse_rate=1e4)], ids=["even", "from-rest", "pulsed"])
def test_the_field_is_that_of_the_processor(gpu, way):
    thin = replace(scattered(np.random.default_rng(2), 6, 0.4, 1.0), beam_radius=np.full(6, 0.1))
    ramp = Positions(1, np.array([0.0, 1e-3]), np.array([0.0, 1.0]), np.array([0.4, 0.6]), np.array([0.0, 30.0]))
    for paths in (joined(scattered(np.random.default_rng(1), 9, 3.0, 1.0), thin), vectors([(9.0, 9.0, 9.5, 9.0)])):
        for recorded in ((), (ramp,)):
            one, optics = replace(paths, recorded=recorded), replace(OPTICS, scanning=way)
            found, expected = gpu.layer_dose(one, optics, GRID), field.layer_dose(one, optics, GRID, body=deposit.BASE)
            assert isinstance(found, There)
            assert np.asarray(found) == pytest.approx(expected, abs=1e-9 * max(expected.max(), 1.0))


def test_points_go_to_a_grid_here_or_there(gpu):
    rng = np.random.default_rng(3)
    points = rng.uniform(-4.0, 30.0, 600), rng.uniform(-4.0, 30.0, 600), rng.uniform(0.0, 1.0, 600)
    expected = np.ones((20, 25))
    deposit.deposit(expected, *points)
    for grid in (np.ones((20, 25)), np.ones((20, 25)).view(There)):
        gpu.deposit(grid, *points)
        assert np.asarray(grid) == pytest.approx(expected, rel=1e-12)
    gpu.deposit(grid, *(p[:0] for p in points))
    assert np.asarray(grid) == pytest.approx(expected, rel=1e-12)


def test_what_is_mapped_on_the_processor_is_said(gpu):
    with pytest.raises(QuantityError, match="a turned spot or a measured picture is mapped on the processor"):
        gpu.layer_dose(vectors([(0, 0, 1, 0)]), replace(OPTICS, spot_angle=0.5), GRID)
