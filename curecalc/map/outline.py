"""The cured edge against the drawn outline: its error along the outline, and how corners are rounded."""

from __future__ import annotations

import numpy as np

from ..paths.vectors import JOINED
from .field import Grid, logged
from .points import numbered

__all__ = ["corner_errors", "edge_errors", "sides_of", "wall_width"]

_STEPS = 61
_TURN = 25.0  # degrees from which an outline's vertex is a corner


def _sides(loop: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each side of a closed loop: start, direction, length; sides of no length left out."""
    way = np.roll(loop, -1, axis=0) - loop
    length = np.hypot(*way.T)
    keep = length > JOINED
    return loop[keep], way[keep] / length[keep, None], length[keep]


def _reach(dose: np.ndarray, grid: Grid, at: np.ndarray, out: np.ndarray, needed: float, reach: float) -> np.ndarray:
    """How far along `out` from each place the dose reaches what is needed: the outermost crossing within the reach; NaN where none."""
    from scipy.ndimage import map_coordinates

    offsets = np.linspace(-reach, reach, _STEPS)
    x = at[:, 0, None] + out[:, 0, None] * offsets
    y = at[:, 1, None] + out[:, 1, None] * offsets
    excess = map_coordinates(logged(dose), grid.places(x, y), mode="nearest") - np.log(needed)
    solid = excess >= 0.0
    last = _STEPS - 1 - np.argmax(solid[:, ::-1], axis=1)
    none = ~solid.any(axis=1)
    last = np.minimum(last, _STEPS - 2)
    row = np.arange(len(at))
    a, b = excess[row, last], excess[row, last + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(a / (a - b), 0.0, 1.0)
    return np.where(none, np.nan, offsets[last] + np.nan_to_num(share, nan=1.0) * (offsets[1] - offsets[0]))


def edge_errors(
    loops: list[np.ndarray], inside: np.ndarray, dose: np.ndarray, grid: Grid, own: Grid, needed: float, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Places every half radius along the outline, away from its corners and within `own`, and how far outside it the cured edge lies (mm).

    Negative: the edge falls short; NaN: nothing is cured there.
    """
    at, out = [], []
    for loop in loops:
        start, way, length = _sides(loop)
        count = np.maximum(np.floor((length - 3.0 * radius) / (0.5 * radius)).astype(np.int64) + 1, 0)
        side, k = numbered(count)
        s = 0.5 * length[side] + (k - 0.5 * (count[side] - 1)) * 0.5 * radius
        at.append(start[side] + way[side] * s[:, None])
        out.append(np.column_stack([way[side][:, 1], -way[side][:, 0]]))
    places, normal = np.concatenate(at), np.concatenate(out)
    mine = _mine(places, own)
    places, normal = places[mine], normal[mine]
    normal = np.where(_outward(places, normal, inside, grid)[:, None], normal, -normal)
    return places, _reach(dose, grid, places, normal, needed, 1.5 * radius)


def corner_errors(
    loops: list[np.ndarray], inside: np.ndarray, dose: np.ndarray, grid: Grid, own: Grid, needed: float, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the outline within `own`: whether they point outward, and how far the cured edge lies beyond the drawn corner
    along the bisector, away from the solid (mm); a rounded outer corner is negative.
    """
    at, out = [], []
    for loop in loops:
        start, way, _ = _sides(loop)
        before = np.roll(way, 1, axis=0)
        (bx, by), (wx, wy) = before.T, way.T
        turn = np.degrees(np.abs(np.arctan2(bx * wy - by * wx, bx * wx + by * wy)))
        bisector = before - way
        sharp = turn >= _TURN
        at.append(start[sharp])
        out.append(bisector[sharp] / np.hypot(*bisector[sharp].T)[:, None])
    places, away = np.concatenate(at), np.concatenate(out)
    mine = _mine(places, own)
    places, away = places[mine], away[mine]
    outer = _outward(places, away, inside, grid)
    # the bisector points out of the corner's own wedge: away from solid at an outer corner, into it at an inner one
    error = _reach(dose, grid, places, np.where(outer[:, None], away, -away), needed, 2.5 * radius)
    return outer, error


def sides_of(loops: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Starts of the sides of all outlines, and the ways to their ends (mm)."""
    starts, ways, lengths = (np.concatenate(parts) for parts in zip(*map(_sides, loops)))
    return starts, ways * lengths[:, None]


def wall_width(sides: tuple[np.ndarray, np.ndarray], x: float, y: float) -> float:
    """Width (mm) of what is drawn about a place: to the nearest outline, and straight back from there to the outline opposite."""
    start, way = sides
    start = start - (x, y)
    share = np.clip(-(start * way).sum(1) / (way * way).sum(1), 0.0, 1.0)
    foot = start + share[:, None] * way
    near = int(np.argmin(np.hypot(*foot.T)))
    out = np.array([way[near, 1], -way[near, 0]]) / np.hypot(*way[near])
    depth = float(foot[near] @ out)
    # along the ray from the nearest side, straight through the place
    (sx, sy), (wx, wy), (ox, oy) = start.T, way.T, out
    with np.errstate(divide="ignore", invalid="ignore"):
        at = (sy * ox - sx * oy) / (wx * oy - wy * ox)
        far = ((start + at[:, None] * way) @ out)[(at >= 0.0) & (at < 1.0)]
    opposite = far[far * depth < 0.0] if depth else far[np.abs(far) > JOINED]
    return abs(depth) + float(np.abs(opposite).min(initial=np.inf))


def _mine(places: np.ndarray, own: Grid) -> np.ndarray:
    low_x, low_y, high_x, high_y = own.window(0.5 * own.pixel)
    x, y = places.T
    return (x >= low_x) & (x < high_x) & (y >= low_y) & (y < high_y)


def _outward(places: np.ndarray, normal: np.ndarray, inside: np.ndarray, grid: Grid) -> np.ndarray:
    """Whether the normal points away from the drawn section, not into it."""
    from scipy.ndimage import map_coordinates

    step = grid.pixel * normal
    ahead, behind = (
        map_coordinates(inside.astype(np.float32), grid.places(*(places + way).T), order=1, mode="nearest") for way in (step, -step)
    )
    away: np.ndarray = ahead <= behind
    return away
