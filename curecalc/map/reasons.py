"""Where a map is lowest and highest, to a fraction of a pixel, and why: end, corner, seam, thin wall, or the raster itself."""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.polynomial.polynomial import polyder, polyval

from ..paths.vectors import JOINED, Paths
from .drawing import Drawing
from .field import Grid, logged
from .tally import KEPT, Place

__all__ = ["extremes", "reason"]

_TURN = np.cos(np.radians(20.0))
_NEAR = 13  # pixels about a place through which the spline runs: its rim must not be felt in the middle
_STAR = np.array(list(product((0, -1, 1), repeat=2))).T
_FIVE = range(-2, 3)
_QUARTIC = np.linalg.inv(np.vander(_FIVE, increasing=True))  # values at five pixels to coefficients


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

    mask, sign = where[own], 1 if low else -1
    if not mask.any():
        return []
    fill = np.inf if low else -np.inf
    shown = np.where(where, dose, fill)
    filtered = (minimum_filter if low else maximum_filter)(shown, 5, mode="nearest")[own]
    rows, columns = np.nonzero(mask & (shown[own] == filtered))
    rows, columns = rows + own[0].start, columns + own[1].start
    within = minimum_filter(where, 3)[rows, columns] & (dose[rows, columns] > 0.0)  # at the rim of the mask the rim itself is worst
    values = dose[rows, columns].astype(float)
    values[within] *= _beyond(dose, rows[within], columns[within], sign)
    order = np.argsort(sign * values, kind="stable")[: 4 * KEPT]
    found: list[Place] = []
    taken: list[tuple[int, int]] = []
    for k in order:
        i, j = int(rows[k]), int(columns[k])
        if any(max(abs(i - a), abs(j - b)) <= 6 for a, b in taken):
            continue
        taken.append((i, j))
        if bar is not None and sign * values[k] > sign * bar * 1.01**sign:
            break
        value, di, dj = _between(dose, i, j, sign) if within[k] else (float(dose[i, j]), 0.0, 0.0)
        found.append(Place(value, float(grid.x0 + (j + dj) * grid.pixel), float(grid.y0 + (i + di) * grid.pixel), layer, region))
        if len(found) == KEPT:
            break
    return found


def _beyond(dose: np.ndarray, i: np.ndarray, j: np.ndarray, sign: int) -> np.ndarray:
    """Extremes between pixels over the pixels' values, near enough to tell which are the worst: quartics along both axes of ln dose, and
    how they lean together.

    A pixel may miss a ridge by 3 %, more than the worst places differ. `sign` 1 for lowest, -1 for highest.
    """

    def at(p: int, q: int) -> np.ndarray:
        return sign * np.log(np.maximum(dose[i + p, j + q] / dose[i, j], 1e-12))

    lean = 0.25 * (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1))
    drop, slope, bend = np.zeros(len(i)), [], []
    for row, column in ((1, 0), (0, 1)):
        form = _QUARTIC @ np.array([at(n * row, n * column) for n in _FIVE])
        first, second = polyder(form), polyder(form, 2)
        t = np.zeros(len(i))
        for _ in range(3):  # Newton's steps, from the pixel
            rise, curve = (polyval(t, one, tensor=False) for one in (first, second))
            t = np.clip(t - np.divide(rise, curve, out=np.zeros(len(i)), where=curve > 0.0), -1.0, 1.0)
        drop -= polyval(t, form, tensor=False)
        slope.append(first[0])
        bend.append(second[0])
    (gi, gj), (ii, jj) = slope, bend
    whole = ii * jj - lean * lean
    bowl = (ii > 0.0) & (jj > 0.0) & (whole > 0.05 * ii * jj)
    more = np.divide(gi * gi * jj - 2.0 * gi * gj * lean + gj * gj * ii, 2.0 * whole, out=np.zeros(len(i)), where=bowl)
    more -= np.divide(gi * gi * jj + gj * gj * ii, 2.0 * ii * jj, out=np.zeros(len(i)), where=bowl)
    found: np.ndarray = np.exp(-sign * np.clip(drop + more, 0.0, 0.05))
    return found


def _between(dose: np.ndarray, i: int, j: int, sign: int) -> tuple[float, float, float]:
    """Value and place, within a pixel, of the extreme of a spline through ln dose about a pixel."""
    from scipy.ndimage import map_coordinates, spline_filter

    top, left = max(i - _NEAR, 0), max(j - _NEAR, 0)
    spline = spline_filter(sign * logged(dose[top : i + _NEAR, left : j + _NEAR]), order=5)
    middle, step, size = np.array([[i - top], [j - left]]), np.zeros((2, 1)), 0.5
    for _ in range(12):
        tried = step + size * _STAR
        values = map_coordinates(spline, middle + tried, order=5, mode="mirror", prefilter=False)
        k = int(np.argmin(values))
        step, size = tried[:, [k]], 0.5 * size
    return float(np.exp(sign * values[k])), *tried[:, k].tolist()


def reason(place: Place, paths: Paths, drawing: Drawing, grid: Grid, radius: float) -> tuple[str, str]:
    """The kind of the nearest vector, and why: the first that applies of thin wall, corner, end, seam, outline, else between lines."""
    one = paths.scanned
    if not len(one):
        return "recorded", "recorded"
    reach = 1.5 * radius
    beside = one.meets((place.x, place.y, place.x, place.y), reach)
    if beside.any():
        one = one.chosen(beside)
    dx, dy = one.x1 - one.x0, one.y1 - one.y0
    along = np.clip(((place.x - one.x0) * dx + (place.y - one.y0) * dy) / (dx * dx + dy * dy), 0.0, 1.0)
    off = np.hypot(place.x - one.x0 - along * dx, place.y - one.y0 - along * dy)
    near = int(np.argmin(off))
    kind = one.kinds[int(one.kind[near])]
    close = np.flatnonzero(off < reach)
    i, j = np.rint(grid.places(place.x, place.y)).astype(int)  # type: ignore[arg-type]
    if _thin(drawing, grid, i, j, radius):
        return kind, "thin wall"
    corners, ends = _corners_and_ends(one, close)
    for name, places in (("corner", corners), ("end", ends)):
        if (np.hypot(*(places - (place.x, place.y)).T) < 1.1 * radius).any():
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
    n = int(2.0 * radius / grid.pixel)
    return bool(drawing.inside[i, j]) and not drawing.core[i - n : i + n + 1, j - n : j + n + 1].any()


def _corners_and_ends(one: Paths, close: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places where vectors near turn, and where they begin or end alone."""
    from scipy.spatial import KDTree

    near = one.chosen(close)
    way = np.column_stack([near.x1 - near.x0, near.y1 - near.y0]) / near.length[:, None]
    places = np.concatenate([np.column_stack([near.x0, near.y0]), np.column_stack([near.x1, near.y1])])
    inward = np.concatenate([-way, way])  # towards each start and stop
    pairs = KDTree(places).query_pairs(JOINED, output_type="ndarray")
    a, b = pairs[pairs[:, 0] % len(near) != pairs[:, 1] % len(near)].T
    turns = -(inward[a] * inward[b]).sum(1) < _TURN
    alone = np.ones(len(places), bool)
    alone[a] = alone[b] = False
    return places[a[turns]], places[alone]
