"""The graphics card's body against the processor's, and its time for a whole layer: run by hand on a machine that has one."""

import time

import numpy as np

from curecalc.map import field, gpu
from curecalc.map.field import Grid, Optics
from curecalc.map.points import Scanning
from curecalc.paths.vectors import assembled
from curecalc.physics.laws import Plain


def _paths(x0, y0, x1, y1):
    n = len(x0)
    lit = [np.full(n, v) for v in (30.0, 1000.0, 0.125)]
    return assembled(np.ones(n, int), [x0, y0, x1, y1], np.zeros(n, int), ("hatch",), lit)


def raster(spacing, count, length):
    """Lines along x."""
    y = spacing * np.arange(count)
    return _paths(0.0 * y, y, 0.0 * y + length, y)


def scattered(rng, count, length, size):
    """Vectors of random place, direction and length."""
    x, y = rng.uniform(0.0, size, (2, count))
    angle, far = rng.uniform(0.0, 2.0 * np.pi, count), length * rng.uniform(0.2, 1.0, count)
    return _paths(x, y, x + far * np.cos(angle), y + far * np.sin(angle))


def main() -> None:
    """Print differences over the peak, and device milliseconds."""
    import cupy as cp

    optics = Optics(Plain(0.15, 0.08))
    for name, way in (("off", Scanning()), ("on", Scanning(2e5, "on"))):
        paths = scattered(np.random.default_rng(1), 3000, 2.0, 8.0)
        grid = Grid.over((-1.0, -1.0, 9.0, 9.0), 0.026)
        here = field.layer_dose(paths, Optics(optics.law, way), grid)
        there = cp.asnumpy(gpu.layer_dose(paths, Optics(optics.law, way), grid))
        print(f"run-up {name}: card against processor {np.abs(here - there).max() / here.max():.1e} of the peak")
    rng = np.random.default_rng(2)
    short = scattered(rng, 1_000_000, 0.25, 100.0)
    _timed("1e6 short vectors on 4000 x 4000", short, optics, Grid(-1.0, -1.0, 0.0255, 4000, 4000))
    wide = raster(0.1, 4445, 450.0)  # 2 km
    _timed("450 mm layer at 25 um, 2 km of hatch", wide, optics, Grid(-0.1, -0.1, 0.025, 18000, 18000))
    grid, total = Grid(-0.1, -0.1, 0.025, 18000, 18000), None
    start = time.perf_counter()
    law = optics.law
    for _ in range(100):
        dose = gpu.layer_dose(wide, optics, grid)
        total = dose if total is None else dose + np.exp(-0.1 / law.penetration_depth) * total
        del dose
    cp.cuda.Device().synchronize()
    spent = time.perf_counter() - start
    print(f"100 layers with their stack: {spent:.2f} s; 3,000 layers would take {30 * spent / 60:.1f} min")


def _timed(name, paths, optics, grid) -> None:
    import cupy as cp

    times = []
    for _ in range(4):
        start, end = cp.cuda.Event(), cp.cuda.Event()
        start.record()
        gpu.layer_dose(paths, optics, grid)
        end.record()
        end.synchronize()
        times.append(cp.cuda.get_elapsed_time(start, end))
    print(f"{name}: {min(times[1:]):.1f} ms")


if __name__ == "__main__":
    main()
