"""Where a map is lowest and highest, to a fraction of a pixel, and why: end, corner, seam, thin wall, or the raster itself."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..paths.vectors import Paths
from .drawing import Drawing
from .field import Grid
from .tally import KEPT, Place

__all__ = ["extremes", "reason"]

_TURN = np.cos(np.radians(20.0))
_NEAR = 12  # pixels about a place through which the spline runs: its rim must not be felt in the middle
_STAR = np.array([(a, b) for a in (0.0, -1.0, 1.0) for b in (0.0, -1.0, 1.0)]).T

_QUARTIC = np.array([[2, -16, 0, 16, -2], [-1, 16, -30, 16, -1], [-2, 4, 0, -4, 2], [1, -4, 6, -4, 1]]) / 24.0  # through five pixels


def extremes(
    dose: np.ndarray,
    grid: Grid,
    where: np.ndarray,
    layer: int,
    *,
    low: bool,
    region: str,
    own: tuple[slice, slice],
    bar: float | None = None,
) -> list[Place]:
    """The worst local extremes inside a mask and a tile's own part, between pixels; what stays behind the value `bar` is left out."""
    from scipy.ndimage import maximum_filter, minimum_filter

    mask = where[own]
    if not mask.any():
        return []
    fill = np.inf if low else -np.inf
    shown = np.where(where, dose, fill)
    filtered = (minimum_filter if low else maximum_filter)(shown, 5, mode="nearest")[own]
    rows, columns = np.nonzero(mask & (shown[own] == filtered))
    rows, columns = rows + own[0].start, columns + own[1].start
    values = _nearly(dose, where, rows, columns, 1.0 if low else -1.0)
    order = np.argsort(values if low else -values, kind="stable")[: 4 * KEPT]
    found: list[Place] = []
    taken: list[tuple[int, int]] = []
    for k in order:
        i, j = int(rows[k]), int(columns[k])
        if any(max(abs(i - a), abs(j - b)) <= 6 for a, b in taken):
            continue
        taken.append((i, j))
        if bar is not None and ((values[k] > 1.01 * bar) if low else (1.01 * values[k] < bar)):
            break
        value, di, dj = _between(dose, i, j, low) if _within(where, i, j) else (float(dose[i, j]), 0.0, 0.0)
        found.append(Place(value, float(grid.x0 + (j + dj) * grid.pixel), float(grid.y0 + (i + di) * grid.pixel), layer, region))
        if len(found) == KEPT:
            break
    return found


def _within(where: np.ndarray, i: Any, j: Any) -> Any:
    """Whether the pixels about a pixel lie in the mask; at its rim the rim itself is worst."""
    a, b = where.shape
    rows, columns = (np.clip(k[..., None] + np.arange(-1, 2), 0, n - 1) for k, n in ((np.asarray(i), a), (np.asarray(j), b)))
    return where[rows[..., :, None], columns[..., None, :]].all((-2, -1))


def _nearly(dose: np.ndarray, where: np.ndarray, i: np.ndarray, j: np.ndarray, sign: float) -> np.ndarray:
    """Extremes between pixels, near enough to tell which are the worst: quartics along both axes of ln dose, and how they lean together.

    A pixel may miss a ridge by 3 %, more than the worst places differ. `sign` 1 for lowest, -1 for highest.
    """
    value = dose[i, j].astype(float)
    a, b = dose.shape
    k = np.flatnonzero(_within(where, i, j) & (value > 0.0) & (i > 1) & (j > 1) & (i < a - 2) & (j < b - 2))
    i, j = i[k], j[k]

    def at(p: int, q: int) -> np.ndarray:
        return sign * np.log(np.maximum(dose[i + p, j + q], 1e-12 * value[k]))

    lean = 0.25 * (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1))
    drop, slope, bend = 0.0, [], []
    for row, column in ((1, 0), (0, 1)):
        c = _QUARTIC @ np.array([at(n * row, n * column) for n in range(-2, 3)])
        t = np.zeros(len(k))
        for _ in range(3):  # Newton's steps, from the pixel
            second = 2.0 * c[1] + t * (6.0 * c[2] + 12.0 * t * c[3])
            first = c[0] + t * (2.0 * c[1] + t * (3.0 * c[2] + 4.0 * t * c[3]))
            t = np.clip(t - np.divide(first, second, out=np.zeros(len(k)), where=second > 0.0), -1.0, 1.0)
        drop = drop - t * (c[0] + t * (c[1] + t * (c[2] + t * c[3])))
        slope.append(c[0])
        bend.append(2.0 * c[1])
    (gi, gj), (ii, jj) = slope, bend
    whole = ii * jj - lean * lean
    bowl = (ii > 0.0) & (jj > 0.0) & (whole > 0.05 * ii * jj)
    more = np.divide(gi * gi * jj - 2.0 * gi * gj * lean + gj * gj * ii, 2.0 * whole, out=np.zeros(len(k)), where=bowl)
    more -= np.divide(gi * gi * jj + gj * gj * ii, 2.0 * ii * jj, out=np.zeros(len(k)), where=bowl)
    value[k] *= np.exp(-sign * np.clip(drop + more, 0.0, 0.05))
    return value


def _between(dose: np.ndarray, i: int, j: int, low: bool) -> tuple[float, float, float]:
    """Value and place, within a pixel, of the extreme of a spline through ln dose about a pixel."""
    from scipy.ndimage import map_coordinates, spline_filter

    top, left = max(i - _NEAR, 0), max(j - _NEAR, 0)
    near = dose[top : i + _NEAR + 1, left : j + _NEAR + 1]
    if not dose[i, j] > 0.0 or min(near.shape) < _NEAR:
        return float(dose[i, j]), 0.0, 0.0
    spline = spline_filter(np.log(np.maximum(near, 1e-12 * near.max())), order=5)
    best, step, size = np.array([float(i - top), float(j - left)]), np.zeros(2), 0.5
    value = np.log(dose[i, j])
    for _ in range(12):
        tried = np.clip(step[:, None] + size * _STAR, -1.0, 1.0)
        values = map_coordinates(spline, best[:, None] + tried, order=5, mode="mirror", prefilter=False)
        k = int(np.argmin(values) if low else np.argmax(values))
        step, value, size = tried[:, k], values[k], 0.5 * size
    return float(np.exp(value)), float(step[0]), float(step[1])


def reason(place: Place, paths: Paths, drawing: Drawing, grid: Grid, radius: float) -> tuple[str, str]:
    """The kind of the nearest vector, and why: the first that applies of thin wall, corner, end, seam, outline, else between lines."""
    one = paths.scanned
    if not len(one):
        return "recorded", "recorded"
    beside = one.meets((place.x, place.y, place.x, place.y), 2.0 * radius)
    if beside.any():
        one = one.chosen(beside)
    dx, dy = one.x1 - one.x0, one.y1 - one.y0
    along = np.clip(((place.x - one.x0) * dx + (place.y - one.y0) * dy) / np.maximum(dx * dx + dy * dy, 1e-30), 0.0, 1.0)
    off = np.hypot(place.x - one.x0 - along * dx, place.y - one.y0 - along * dy)
    near = int(np.argmin(off))
    kind = one.kinds[int(one.kind[near])]
    close = np.flatnonzero(off < 1.5 * radius)
    i, j = (int(np.clip(round(q), 0, n - 1)) for q, n in zip(grid.places(place.x, place.y), drawing.inside.shape))  # type: ignore[arg-type]
    if _thin(drawing, grid, i, j, radius):
        return kind, "thin wall"
    corners, ends = _corners_and_ends(one, close)
    for name, places in (("corner", corners), ("end", ends)):
        if (np.hypot(place.x - places[:, 0], place.y - places[:, 1]) < 1.1 * radius).any():
            if name == "end" and len(np.unique(one.kind[close])) > 1:
                return kind, "seam"
            return kind, name
    if len(np.unique(one.kind[off < 1.2 * radius])) > 1:
        return kind, "seam"
    if place.region == "rim":
        return kind, "outline"
    return kind, "on a line" if off[near] < 0.25 * radius else "between lines"


def _thin(drawing: Drawing, grid: Grid, i: int, j: int, radius: float) -> bool:
    """Whether no core lies within two radii although the place is drawn."""
    if not drawing.inside[i, j] or drawing.core[i, j] or not np.any(drawing.depth):
        return False
    n = int(2.0 * radius / grid.pixel)
    part = slice(max(i - n, 0), i + n + 1), slice(max(j - n, 0), j + n + 1)
    return not drawing.core[part].any()


def _corners_and_ends(one: Paths, close: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places where vectors near turn, and where they begin or end alone."""
    if not len(close):
        return np.zeros((0, 2)), np.zeros((0, 2))
    from scipy.spatial import KDTree

    near = one.chosen(close)
    way = np.column_stack([near.x1 - near.x0, near.y1 - near.y0]) / near.length[:, None]
    places = np.concatenate([np.column_stack([near.x0, near.y0]), np.column_stack([near.x1, near.y1])])
    inward = np.concatenate([-way, way])  # towards each start and stop
    pairs = KDTree(places).query_pairs(1e-6, output_type="ndarray")
    a, b = pairs[pairs[:, 0] % len(near) != pairs[:, 1] % len(near)].T
    turns = -(inward[a] * inward[b]).sum(1) < _TURN
    alone = np.ones(len(places), bool)
    alone[a] = alone[b] = False
    return places[a[turns]], places[alone]
