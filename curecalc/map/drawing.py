"""What should be solid: the drawing of a layer on the grid, how far inside it a place lies, and where it is thin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..paths.vectors import OUTLINE, Paths
from .field import Grid

__all__ = ["Drawing", "drawing_of", "filled", "loops_of"]


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
        end = np.roll(loop, -1, axis=0)
        y0, y1 = ((p[:, 1] - grid.y0) / grid.pixel for p in (loop, end))
        x0, x1 = ((p[:, 0] - grid.x0) / grid.pixel for p in (loop, end))
        first = np.clip(np.ceil(np.minimum(y0, y1)), 0, grid.rows).astype(np.int64)
        last = np.clip(np.ceil(np.maximum(y0, y1)), 0, grid.rows).astype(np.int64)  # a row on the upper end belongs to the next edge
        count = last - first
        edge = np.repeat(np.arange(len(loop)), count)
        row = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + first[edge]
        at = x0[edge] + (row - y0[edge]) / (y1 - y0)[edge] * (x1 - x0)[edge]
        np.add.at(mark, (row, np.clip(np.ceil(at), 0, grid.columns).astype(np.int64)), 1)
    return (np.cumsum(mark[:, :-1], axis=1) % 2).astype(bool)


def drawing_of(paths: Paths, grid: Grid, radius: float) -> Drawing:
    """The drawing on the grid. Without outlines it is what lies between vectors no farther apart than two beam radii.

    True within three beam radii of the grid's rim only if vectors beyond the rim are given too; ask for a grid that much wider.
    """
    from scipy.ndimage import distance_transform_edt as distance

    loops = loops_of(paths)
    reach = radius / grid.pixel
    if loops:
        inside = filled(loops, grid)
    else:
        inside = _near_vectors(paths, grid)
        if inside.any():
            inside = distance(distance(~inside) <= reach) > reach
    if not inside.any():
        return Drawing(inside, inside.copy(), np.zeros(inside.shape, np.float32))
    padded = np.pad(inside, 1, mode="edge")
    depth = distance(padded)[1:-1, 1:-1] if not padded.all() else np.full(inside.shape, np.inf)
    return Drawing(inside, depth > reach + 0.5, (depth * grid.pixel).astype(np.float32))


def _near_vectors(paths: Paths, grid: Grid) -> np.ndarray:
    """Pixels a scanned vector, or a lit recorded way, runs through."""
    one = paths.scanned
    x0, y0 = [one.x0], [one.y0]
    x1, y1 = [one.x1], [one.y1]
    for p in paths.recorded:
        lit = np.flatnonzero((p.power[:-1] > 0.0) & (p.power[1:] > 0.0))
        x0, y0, x1, y1 = [*x0, p.x[lit]], [*y0, p.y[lit]], [*x1, p.x[lit + 1]], [*y1, p.y[lit + 1]]
    ax, bx = ((np.concatenate(q) - grid.x0) / grid.pixel for q in (x0, x1))
    ay, by = ((np.concatenate(q) - grid.y0) / grid.pixel for q in (y0, y1))
    near = (np.maximum(ax, bx) > -1) & (np.minimum(ax, bx) < grid.columns) & (np.maximum(ay, by) > -1) & (np.minimum(ay, by) < grid.rows)
    hit = np.zeros((grid.rows, grid.columns), bool)
    ax, bx, ay, by = ax[near], bx[near], ay[near], by[near]
    count = np.ceil(np.hypot(bx - ax, by - ay) * 1.5).astype(np.int64) + 1
    for start in range(0, len(ax), 20_000):
        part = slice(start, start + 20_000)
        row = np.repeat(np.arange(len(ax))[part], count[part])
        k = np.arange(len(row)) - np.repeat(np.cumsum(count[part]) - count[part], count[part])
        u = k / np.maximum(count[row] - 1, 1)
        i, j = np.rint(ay[row] + u * (by - ay)[row]).astype(int), np.rint(ax[row] + u * (bx - ax)[row]).astype(int)
        ok = (i >= 0) & (i < grid.rows) & (j >= 0) & (j < grid.columns)
        hit[i[ok], j[ok]] = True
    return hit
