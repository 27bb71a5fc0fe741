"""Where a map is lowest and highest, to a fraction of a pixel, and why: end, corner, seam, thin wall, or the raster itself."""

from __future__ import annotations

import numpy as np

from ..paths.vectors import Paths
from .drawing import Drawing
from .field import Grid
from .tally import KEPT, Place

__all__ = ["extremes", "reason"]

_TURN = np.cos(np.radians(20.0))
_NEAR = 12  # pixels about a place through which the spline runs: its rim must not be felt in the middle
_STAR = np.array([(a, b) for a in (0.0, -1.0, 1.0) for b in (0.0, -1.0, 1.0)]).T


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
    values = shown[own][rows, columns]
    order = np.argsort(values if low else -values, kind="stable")[: 4 * KEPT]
    found: list[Place] = []
    taken: list[tuple[int, int]] = []
    for k in order:
        i, j = int(rows[k]) + own[0].start, int(columns[k]) + own[1].start
        if any(max(abs(i - a), abs(j - b)) <= 6 for a, b in taken):
            continue
        taken.append((i, j))
        # a pixel may miss a ridge by 3 %
        if bar is not None and ((values[k] > bar) if low else (1.04 * values[k] < bar)):
            break
        within = where[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].all()  # at a mask's rim the rim itself is worst
        value, di, dj = _between(dose, i, j, low) if within else (float(dose[i, j]), 0.0, 0.0)
        found.append(Place(value, float(grid.x0 + (j + dj) * grid.pixel), float(grid.y0 + (i + di) * grid.pixel), layer, region))
        if len(found) == KEPT:
            break
    return found


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
