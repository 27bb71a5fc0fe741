"""What should be solid: the drawing of a layer on the grid, how far inside it a place lies, and where it is thin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..paths.vectors import OUTLINE, Paths
from .field import Grid
from .points import chunks, numbered

__all__ = ["Drawing", "distance", "drawing_of", "filled", "loops_of"]


@dataclass(frozen=True)
class Drawing:
    """Masks of one layer: the drawn section, and its core, farther than a beam radius inside; with distances to the outline (mm)."""

    inside: np.ndarray
    core: np.ndarray
    depth: np.ndarray


def loops_of(paths: Paths) -> list[np.ndarray]:
    """The drawn outlines of a layer: loops of the kind `outline`, else of every kind called a contour, else none."""
    loops = paths.loops(OUTLINE)
    for kind in paths.kinds:
        if not loops and "contour" in kind.lower():
            loops = paths.loops(kind)
    return loops


def filled(loops: list[np.ndarray], grid: Grid) -> np.ndarray:
    """Pixels whose centres lie inside an odd number of loops."""
    mark = np.zeros((grid.rows, grid.columns + 1), np.int32)
    for loop in loops:
        y0, x0 = grid.places(*loop.T)
        y1, x1 = grid.places(*np.roll(loop, -1, axis=0).T)
        # a row on the upper end belongs to the next edge
        first, last = (np.clip(np.ceil(end(y0, y1)), 0, grid.rows).astype(np.int64) for end in (np.minimum, np.maximum))
        edge, k = numbered(last - first)
        row = first[edge] + k
        at = x0[edge] + (row - y0[edge]) / (y1 - y0)[edge] * (x1 - x0)[edge]
        np.add.at(mark, (row, np.clip(np.ceil(at), 0, grid.columns).astype(np.int64)), 1)
    return (np.cumsum(mark[:, :-1], axis=1) % 2).astype(bool)


def distance(mask: np.ndarray) -> np.ndarray:
    """Pixels from each place of a mask to the nearest place beside it."""
    from scipy.ndimage import distance_transform_edt

    return np.full(mask.shape, np.inf) if mask.all() else distance_transform_edt(mask)


def drawing_of(paths: Paths, grid: Grid, radius: float) -> Drawing:
    """The drawing on the grid. Without outlines it is what lies between vectors no farther apart than two beam radii.

    True within three beam radii of the grid's rim only if vectors beyond the rim are given too; ask for a grid that much wider.
    """
    loops = loops_of(paths)
    reach = radius / grid.pixel
    if loops:
        inside = filled(loops, grid)
    else:
        inside = distance(distance(~_near_vectors(paths, grid)) <= reach) > reach
    depth = distance(inside)
    return Drawing(inside, depth > reach + 0.5, (depth * grid.pixel).astype(np.float32))


def _near_vectors(paths: Paths, grid: Grid) -> np.ndarray:
    """Pixels a scanned vector, or a lit recorded way, runs through."""
    one = paths.scanned
    x0, y0, x1, y1 = [one.x0], [one.y0], [one.x1], [one.y1]
    for p in paths.recorded:
        lit = np.flatnonzero((p.power[:-1] > 0.0) & (p.power[1:] > 0.0))
        x0, y0, x1, y1 = [*x0, p.x[lit]], [*y0, p.y[lit]], [*x1, p.x[lit + 1]], [*y1, p.y[lit + 1]]
    start, end = (grid.places(np.concatenate(x), np.concatenate(y)) for x, y in ((x0, y0), (x1, y1)))
    size = np.array([[grid.rows], [grid.columns]])
    near = ((np.maximum(start, end) > -1) & (np.minimum(start, end) < size)).all(axis=0)
    start, way = start[:, near], (end - start)[:, near]
    hit = np.zeros((grid.rows, grid.columns), bool)
    count = np.ceil(np.hypot(*way) * 1.5).astype(np.int64)  # steps, each shorter than a pixel is wide
    for part in chunks(count):
        row, k = numbered(count[part] + 1)
        row += part.start
        places = np.rint(start[:, row] + k / np.maximum(count[row], 1) * way[:, row]).astype(int)
        i, j = places[:, ((places >= 0) & (places < size)).all(axis=0)]
        hit[i, j] = True
    return hit
