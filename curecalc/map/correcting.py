"""Dose along each vector, and the one speed for each that would even out the weakest place along it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..paths.vectors import Paths
from .field import Grid, Optics, layer_dose

__all__ = ["Correction", "along", "corrected", "corrections"]

_ROUNDS, _FARTHEST, _INNER = 6, 4.0, 0.15


@dataclass(frozen=True)
class Correction:
    """Of one kind of vector: the range of speeds that would even it out, and the deepest and weakest dose before and after."""

    kind: str
    scan_speed: tuple[float, float, float]
    before: tuple[float, float]
    after: tuple[float, float]


def along(paths: Paths, dose: np.ndarray, grid: Grid, *, inner: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least, mean and greatest dose on each scanned vector (mJ/mm^2); with `inner` of its middle part, away from its ends."""
    from scipy.ndimage import map_coordinates, spline_filter

    one = paths.scanned
    with np.errstate(divide="ignore"):
        logged = spline_filter(np.log(np.maximum(dose, 1e-30 * max(float(dose.max()), 1e-300))), order=3)
    count = np.clip(np.ceil(one.length / (2.0 * grid.pixel)).astype(np.int64), 2, 4000) + 1
    row = np.repeat(np.arange(len(one)), count)
    first = np.cumsum(count) - count
    u = (np.arange(len(row)) - first[row]) / (count[row] - 1)
    if inner:
        u = _INNER + (1.0 - 2.0 * _INNER) * u
    places = grid.places(one.x0[row] + u * (one.x1 - one.x0)[row], one.y0[row] + u * (one.y1 - one.y0)[row])
    found = np.exp(map_coordinates(logged, places, order=3, mode="nearest", prefilter=False))
    return np.minimum.reduceat(found, first), np.add.reduceat(found, first) / count, np.maximum.reduceat(found, first)


def corrected(paths: Paths, optics: Optics, grid: Grid) -> tuple[Paths, np.ndarray, np.ndarray]:
    """The layer's scanned vectors with one speed each, and the doses on the grid before and after.

    A vector's speed moves in proportion to the least dose along its middle over the median of its kind, a few rounds, at most four-fold.
    """
    one = replace(paths.scanned, recorded=paths.recorded)
    first = dose = layer_dose(one, optics, grid)
    start = one.scan_speed
    for _ in range(_ROUNDS):
        least = along(one, dose, grid, inner=True)[0]
        factor = np.ones(len(one))
        for i in np.unique(one.kind):
            mine = one.kind == i
            factor[mine] = least[mine] / np.median(least[mine])
        speed = np.clip(one.scan_speed * factor, start / _FARTHEST, start * _FARTHEST)
        one = replace(one, scan_speed=speed)
        dose = layer_dose(one, optics, grid)
    return one, first, dose


def corrections(paths: Paths, optics: Optics, grid: Grid) -> list[Correction]:
    """What one speed per vector would mend, by kind."""
    one = paths.scanned
    if not len(one):
        return []
    after, first, dose = corrected(paths, optics, grid)
    then, now = along(one, first, grid, inner=True), along(after, dose, grid, inner=True)
    found = []
    for i in np.unique(one.kind):
        mine = one.kind == i
        speeds = after.scan_speed[mine]
        found.append(
            Correction(
                one.kinds[int(i)],
                (float(np.median(speeds)), float(speeds.min()), float(speeds.max())),
                (float(then[0][mine].min()), float(then[2][mine].max())),
                (float(now[0][mine].min()), float(now[2][mine].max())),
            )
        )
    return found
