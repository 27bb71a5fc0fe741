"""The exposure field against plain windowed numpy, as ratios of processor time within one run."""

import math
import time

import numpy as np
import pytest

from curecalc.map.deposit import BASE, best_body
from curecalc.map.field import Grid, Optics, layer_dose
from curecalc.paths.vectors import assembled
from curecalc.physics.laws import Plain

OPTICS = Optics(Plain(0.15, 0.08))
RADIUS, PIXEL = 0.125, 0.0255


def short_vectors(count, size):
    """Vectors of up to two radii, sorted by place as a raster is."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(1.0, size - 1.0, (2, count))
    order = np.lexsort((x, np.floor(y / 1.0)))
    x, y = x[order], y[order]
    angle, far = rng.uniform(0.0, 2.0 * np.pi, count), 0.25 * rng.uniform(0.2, 1.0, count)
    lit = [np.full(count, v) for v in (30.0, 1000.0, RADIUS)]
    places = [x, y, x + far * np.cos(angle), y + far * np.sin(angle)]
    return assembled(np.ones(count, int), places, np.zeros(count, int), ("hatch",), lit)


def windowed(paths, grid):
    """Plain numpy: each vector's closed form on the pixels within four radii."""
    from scipy.special import erf

    out = np.zeros((grid.rows, grid.columns))
    root, reach = math.sqrt(2.0) / RADIUS, 4.0 * RADIUS / grid.pixel
    for k in range(len(paths)):
        xs, ys = (sorted((a[k], b[k])) for a, b in ((paths.x0, paths.x1), (paths.y0, paths.y1)))
        j0, j1 = (int((v - grid.x0) / grid.pixel + s * reach) for v, s in zip(xs, (-1, 1)))
        i0, i1 = (int((v - grid.y0) / grid.pixel + s * reach) for v, s in zip(ys, (-1, 1)))
        x, y = grid.x[max(j0, 0) : j1 + 1] - paths.x0[k], (grid.y[max(i0, 0) : i1 + 1] - paths.y0[k])[:, None]
        dx, dy = paths.x1[k] - paths.x0[k], paths.y1[k] - paths.y0[k]
        far = math.hypot(dx, dy)
        s, off = (x * dx + y * dy) / far, (y * dx - x * dy) / far
        line = math.sqrt(2.0 / math.pi) * paths.power[k] / (RADIUS * paths.scan_speed[k])
        share = 0.5 * (erf(root * s) - erf(root * (s - far)))
        out[max(i0, 0) : i1 + 1, max(j0, 0) : j1 + 1] += line * np.exp(-2.0 * (off / RADIUS) ** 2) * share
    return out


def spent(work):
    start = time.process_time()
    work()
    return time.process_time() - start


@pytest.mark.parametrize("compiled", [True, False], ids=["compiled", "numpy"])
def test_a_million_short_vectors_against_plain_windowed_numpy(compiled):
    if compiled:
        pytest.importorskip("numba")
    body = best_body() if compiled else BASE
    grid = Grid(0.0, 0.0, PIXEL, 4000, 4000)
    every = short_vectors(1_000_000, 102.0)
    layer_dose(every.chosen(slice(0, 100)), OPTICS, Grid(0.0, 0.0, PIXEL, 200, 200), body=body)
    few = every.chosen(slice(0, 1_000_000, 500))
    plain = 500.0 * spent(lambda: windowed(few, grid))
    ours = spent(lambda: layer_dose(every, OPTICS, grid, body=body))
    print(f"plain windowed numpy over this: {plain / ours:.0f} (processor seconds {ours:.2f})")
    assert plain / ours > (50.0 if compiled else 10.0)


def test_time_is_linear_in_path_length_and_pixels():
    pytest.importorskip("numba")
    grid = Grid(0.0, 0.0, PIXEL, 2000, 2000)
    every = short_vectors(800_000, 51.0)
    wider = Grid(0.0, 0.0, PIXEL, 4000, 4000)
    # the first touch of so much memory costs more than the work, by machine: it is had before
    layer_dose(every.chosen(slice(0, 100)), OPTICS, wider)
    empty, wide = (min(spent(lambda g=g: layer_dose(every.chosen(slice(0, 10)), OPTICS, g)) for _ in range(5)) for g in (grid, wider))
    half, whole = (spent(lambda n=n: layer_dose(every.chosen(slice(0, n)), OPTICS, grid)) - empty for n in (400_000, 800_000))
    print(f"twice the paths: {whole / half:.2f} times; four times the pixels: {wide / empty:.2f} times")
    assert 1.4 < whole / half < 2.8
    assert 2.5 < wide / empty < 6.5
