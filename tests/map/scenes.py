"""Vectors for tests, and the exposure they give by two ways that share nothing with the package: erf by hand, and the moving beam."""

import math

import numpy as np
from scipy.special import erf

from curecalc.formulas.resin import Resin
from curecalc.paths.vectors import Paths
from curecalc.units import Quantity as Q

RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
POWER, SPEED, RADIUS = 30.0, 1000.0, 0.125
LINE = math.sqrt(2.0 / math.pi) * POWER / (RADIUS * SPEED)


def vectors(rows, *, power=POWER, speed=SPEED, radius=RADIUS, kind="hatch", layer=1):
    """Paths of rows (x0, y0, x1, y1)."""
    rows = np.asarray(rows, float).reshape(-1, 4)
    n = len(rows)
    every = [np.full(n, v) if np.ndim(v) == 0 else np.asarray(v, float) for v in (power, speed, radius)]
    return Paths(np.full(n, layer), *rows.T.copy(), np.zeros(n, int), (kind,), *every)


def joined(*paths):
    """Paths of several kinds and layers as one, layers ascending."""
    kinds = tuple(dict.fromkeys(k for p in paths for k in p.kinds))
    kind = np.concatenate([np.array([kinds.index(k) for k in p.kinds])[p.kind] for p in paths])
    arrays = [np.concatenate([getattr(p, n) for p in paths]) for n in ("layer", "x0", "y0", "x1", "y1")]
    lit = [np.concatenate([getattr(p, n) for p in paths]) for n in ("power", "scan_speed", "beam_radius")]
    return Paths(*arrays, kind, kinds, *lit).chosen(np.argsort(arrays[0], kind="stable"))


def polyline(points, **more):
    """Paths along the points."""
    points = np.asarray(points, float)
    return vectors(np.column_stack([points[:-1], points[1:]]), **more)


def raster(spacing, count, length, **more):
    """Lines along x, the first through the origin."""
    y = spacing * np.arange(count)
    return vectors(np.column_stack([0 * y, y, 0 * y + length, y]), **more)


def rectangle(x0, y0, x1, y1, **more):
    """A closed loop, counter-clockwise."""
    return polyline([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], **more)


def scattered(rng, count, length, size):
    """Vectors of random place, direction and length."""
    x, y = rng.uniform(0.0, size, (2, count))
    angle, far = rng.uniform(0.0, 2.0 * np.pi, count), length * rng.uniform(0.2, 1.0, count)
    return vectors(np.column_stack([x, y, x + far * np.cos(angle), y + far * np.sin(angle)]))


def summed(paths, x, y, w=1.0, reference=1.0):
    """Sum over segments of the integral of I^w dt in closed form (erf), at full speed; a round Gaussian."""
    total = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y)))
    for i in range(len(paths)):
        dx, dy = paths.x1[i] - paths.x0[i], paths.y1[i] - paths.y0[i]
        far = math.hypot(dx, dy)
        s = ((x - paths.x0[i]) * dx + (y - paths.y0[i]) * dy) / far
        off = ((y - paths.y0[i]) * dx - (x - paths.x0[i]) * dy) / far
        r0 = paths.beam_radius[i]
        peak = (2.0 * paths.power[i] / (math.pi * r0 * r0)) ** w / reference ** (w - 1.0)
        root = math.sqrt(2.0 * w) / r0
        along = 0.5 * (erf(root * s) - erf(root * (s - far))) * math.sqrt(math.pi) / root / paths.scan_speed[i]
        total += peak * np.exp(-2.0 * w * (off / r0) ** 2) * along
    return total
