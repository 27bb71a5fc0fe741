"""Dose along each vector, and the one speed for each that would even out the weakest place along it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..paths.vectors import Paths
from .field import Grid, Optics, layer_dose, logged
from .points import chunks, numbered

__all__ = ["Correction", "along", "corrected", "corrections"]

_ROUNDS, _FARTHEST = 6, 4.0
_MIDDLE = 0.7  # of a vector's length


@dataclass(frozen=True)
class Correction:
    """Of one kind of vector: the range of speeds that would even it out, and the deepest and weakest dose before and after."""

    kind: str
    scan_speed: tuple[float, float, float]
    before: tuple[float, float]
    after: tuple[float, float]


def along(paths: Paths, dose: np.ndarray, grid: Grid, *, inner: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least, mean and greatest dose on each scanned vector (mJ/mm^2) as far as it runs on the grid, NaN where it runs beside it.

    With `inner` of its middle part, away from its ends.
    """
    from scipy.ndimage import map_coordinates, spline_filter

    every = paths.scanned
    spline = spline_filter(logged(dose))
    found = np.full((3, len(every)), np.nan)
    number = np.clip(np.ceil(every.length / (2.0 * grid.pixel)).astype(np.int64), 2, 4000) + 1
    for which in chunks(number):
        one, count = every.chosen(which), number[which]
        row, k = numbered(count)
        u = k / (count[row] - 1)
        if inner:
            u = 0.5 + _MIDDLE * (u - 0.5)
        places = grid.places(one.x0[row] + u * (one.x1 - one.x0)[row], one.y0[row] + u * (one.y1 - one.y0)[row])
        on = ((places >= 0.0) & (places <= np.array([[grid.rows], [grid.columns]]) - 1.0)).all(axis=0)
        doses = np.exp(map_coordinates(spline, places[:, on], mode="mirror", prefilter=False))
        own, first, count = np.unique(row[on], return_index=True, return_counts=True)
        if len(own):
            least, mean, most = np.minimum.reduceat(doses, first), np.add.reduceat(doses, first) / count, np.maximum.reduceat(doses, first)
            found[:, which.start + own] = least, mean, most
    least, mean, most = found
    return least, mean, most


def corrected(paths: Paths, optics: Optics, grid: Grid) -> tuple[Paths, np.ndarray, np.ndarray]:
    """The layer's scanned vectors with one speed each, and the doses on the grid before and after.

    A vector's speed moves in proportion to the least dose along its middle over the median of its kind, six rounds, at most four-fold.
    """
    one = replace(paths.scanned, recorded=paths.recorded)
    first = dose = layer_dose(one, optics, grid)
    start = one.scan_speed
    for _ in range(_ROUNDS):
        least, _, _ = along(one, dose, grid, inner=True)
        factor = np.ones(len(one))
        for i in np.unique(one.kind[~np.isnan(least)]):
            mine = (one.kind == i) & ~np.isnan(least)
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
    ends = []
    for dosed, doses in ((one, first), (after, dose)):
        least, _, most = along(dosed, doses, grid, inner=True)
        ends.append((least, most))
    on = ~np.isnan(least)
    found = []
    for i in np.unique(one.kind[on]):
        mine = (one.kind == i) & on
        speeds = after.scan_speed[mine]
        before, now = ((float(low[mine].min()), float(high[mine].max())) for low, high in ends)
        found.append(Correction(one.kinds[int(i)], (float(np.median(speeds)), float(speeds.min()), float(speeds.max())), before, now))
    return found
