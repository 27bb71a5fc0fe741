"""Vectors of layers found by place: an index of blocks that follow each other, each with the box it lies in. Memory follows what is asked.

Vectors follow each other as they are scanned, so a block lies together, and a window meets few of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from .stored import StoredPaths
from .vectors import AT_ONCE, OUTLINE, Paths, Positions, joined

if TYPE_CHECKING:
    Window = tuple[float, float, float, float]

__all__ = ["Shelf"]

_BLOCK = 1024  # vectors


@dataclass(frozen=True)
class Shelf:
    """Vectors of the layers from `first` to `last`, in memory or in a file, and their index.

    Of each block: its first and last row, its layer, its box, that of the loops that run on through blocks and their number, and 2 where
    it draws outlines, 1 contours, 0 neither. `radii` and `fastest` are those of all vectors that are scanned.
    """

    rows: Paths | StoredPaths
    begin: np.ndarray
    end: np.ndarray
    layer: np.ndarray
    box: np.ndarray
    around: np.ndarray
    draws: np.ndarray
    group: np.ndarray
    radii: tuple[float, ...]
    fastest: float

    @property
    def source(self) -> str:
        """Where it all came from."""
        return self.rows.source

    @property
    def recorded(self) -> bool:
        """Whether there are recorded positions."""
        return bool(self.rows.recorded)

    @property
    def held(self) -> tuple[Positions, ...]:
        """Recorded positions in memory, which have no index."""
        return self.rows.recorded if isinstance(self.rows, Paths) else ()

    @staticmethod
    def of(rows: Paths | StoredPaths, first: int, last: int) -> Shelf:
        """The index of some layers, made in one pass."""
        if isinstance(rows, Paths):
            rows = replace(rows, recorded=tuple(p for p in rows.recorded if first <= p.layer <= last))
        begin, end, layer, box, draws, goes_on = [], [], [], [], [], []
        radii: set[float] = set()
        fastest = 0.0
        low, high = _span(rows, first, last)
        for start in range(low, high, AT_ONCE):
            before = min(start - low, 1)
            stop = min(start + AT_ONCE, high)
            one = rows.chosen(slice(start - before, stop)) if isinstance(rows, Paths) else rows.ways(start - before, stop)
            radii.update(np.unique(one.scanned.beam_radius[~np.isnan(one.scanned.beam_radius)]).tolist())
            fastest = max(fastest, float(np.max(one.scanned.scan_speed, initial=0.0)))
            joins = one.joints()[before:]
            one = one.chosen(slice(before, None))
            at = np.union1d(np.arange(0, len(one), _BLOCK), np.flatnonzero(np.diff(one.layer)) + 1)
            kind = _draws(one)
            begin.append(start + at)
            end.append(start + np.append(at[1:], len(one)))
            layer.append(one.layer[at])
            lows = (np.minimum.reduceat(np.minimum(a, b), at) for a, b in ((one.x0, one.x1), (one.y0, one.y1)))
            highs = (np.maximum.reduceat(np.maximum(a, b), at) for a, b in ((one.x0, one.x1), (one.y0, one.y1)))
            box.append(np.column_stack([*lows, *highs]))
            draws.append(np.maximum.reduceat(kind, at))
            goes_on.append(joins[at] & (kind[at] > 0))
        if not begin:
            none, no_box = np.zeros(0, np.int64), np.zeros((0, 4))
            return Shelf(rows, none, none, none, no_box, no_box, none, none, (), fastest)
        whole, group = np.concatenate(box), np.cumsum(~np.concatenate(goes_on)) - 1
        _, first_of = np.unique(group, return_index=True)
        around = np.hstack([np.minimum.reduceat(whole[:, :2], first_of), np.maximum.reduceat(whole[:, 2:], first_of)])[group]
        a, b, numbers = (np.concatenate(p) for p in (begin, end, layer))
        return Shelf(rows, a, b, numbers, whole, around, np.concatenate(draws), group, tuple(sorted(radii)), fastest)

    def bounds(self) -> Window:
        """x low, y low, x high, y high of all vectors and positions."""
        every = np.concatenate([self.box, *(np.column_stack([p.x, p.y, p.x, p.y]) for p in self.held)])
        (x0, y0), (x1, y1) = every[:, :2].min(0).tolist(), every[:, 2:].max(0).tolist()
        return x0, y0, x1, y1

    def of_layer(self, layer: int) -> Paths:
        """All vectors and positions of one layer."""
        mine = self.layer == layer
        part = self.rows.chosen(slice(int(self.begin[mine][0]), int(self.end[mine][-1])) if mine.any() else slice(0))
        return replace(part, recorded=self._recorded([part], layer))

    def near(self, layer: int, window: Window, room: float) -> Paths:
        """Vectors of a layer whose box comes within `room` of a window; outlines and contours near it whole, shortened farther away.

        Where a layer draws outlines, one of them always comes along, so that how it is drawn is known everywhere.
        """
        low, high = np.searchsorted(self.layer, [layer, layer + 1])
        hit = _meets(self.around[low:high], window, room)
        draws = self.draws[low:high]
        if draws.any() and draws.max() not in draws[hit]:
            hit |= self.group[low:high] == self.group[low + int(np.argmax(draws))]
        found = [self._kept(a, b, window, room) for a, b in _runs(self.begin[low:high][hit], self.end[low:high][hit])]
        return replace(joined(found or [self.rows.chosen(slice(0))]), recorded=self._recorded(found, layer))

    def crowd(self, window: Window, room: float) -> int:
        """Most vectors of a layer in blocks whose box comes within `room` of a window: about what `near` reads."""
        _, place = np.unique(self.layer, return_inverse=True)
        near = _meets(self.box, window, room)
        return int(np.max(np.bincount(place[near], (self.end - self.begin)[near]), initial=0))

    def _recorded(self, parts: list[Paths], layer: int) -> tuple[Positions, ...]:
        every = self.held if isinstance(self.rows, Paths) else [piece for part in parts for piece in part.recorded]
        return tuple(piece for piece in every if piece.layer == layer)

    def _kept(self, start: int, stop: int, window: Window, room: float) -> Paths:
        if isinstance(self.rows, StoredPaths) and self.rows.recorded:
            return self.rows.chosen(slice(start, stop + 1))  # with the position that the last way leads to
        one = self.rows.chosen(slice(start, stop))
        near = one.meets(window, room)
        if bool(near.all()):
            return one
        return _shortened(one, near, (_draws(one) > 0) & ~near, window, room)

    def cut(self, window: Window, room: float) -> Shelf:
        """What is near a window, of all layers, in memory."""
        layers = np.unique(np.concatenate([self.layer, np.array([p.layer for p in self.held], self.layer.dtype)])).tolist()
        parts = [self.near(layer, window, room) for layer in layers]
        one = replace(joined(parts), recorded=tuple(piece for part in parts for piece in part.recorded))
        return replace(Shelf.of(one, layers[0], layers[-1]), radii=self.radii, fastest=self.fastest)

    def slices(self) -> Iterator[Paths]:
        """All vectors and positions in their order, some at a time."""
        for a, b in _runs(self.begin, self.end):
            part = self.rows.chosen(slice(a, b))
            yield replace(part, recorded=()) if self.held else part
        if self.held:
            yield replace(self.rows.chosen(slice(0)), recorded=self.held)


def _draws(one: Paths) -> np.ndarray:
    """2 for each vector of an outline, 1 of a contour, else 0."""
    return np.array([2 if k == OUTLINE else 1 if "contour" in k.lower() else 0 for k in one.kinds])[one.kind]


def _span(rows: Paths | StoredPaths, first: int, last: int) -> tuple[int, int]:
    if isinstance(rows, Paths):
        low, high = np.searchsorted(rows.layer, [first, last + 1])
    else:
        low, high = rows.begin[np.searchsorted(rows.layers, [first, last + 1])]
    return int(low), int(high)


def _shortened(one: Paths, near: np.ndarray, far: np.ndarray, window: Window, room: float) -> Paths:
    """The near vectors, and far ones of outlines: of those that follow each other on one side of the window the first, the last, and one
    for all between, so that a loop surrounds each place of the window as before.
    """
    left, _, right, _ = window
    beside = ~one.meets((left, -np.inf, right, np.inf), room)  # else above or below; none runs on from one side to the opposite one
    begins = far & ~(one.joints() & np.append(False, far[:-1] & (beside[1:] == beside[:-1])))
    first = np.flatnonzero(begins)
    last = first + np.bincount(np.cumsum(begins)[far], minlength=len(first) + 1)[1:] - 1
    long = last - first > 1
    first, last = first[long], last[long]
    x1, y1 = one.x1.copy(), one.y1.copy()
    x1[first + 1], y1[first + 1] = one.x1[last - 1], one.y1[last - 1]
    inner = np.zeros(len(one) + 1, np.int64)
    inner[first + 2] += 1
    inner[last] -= 1
    return replace(one, x1=x1, y1=y1).chosen((near | far) & (np.cumsum(inner)[:-1] == 0))


def _meets(boxes: np.ndarray, window: Window, room: float) -> np.ndarray:
    near = (boxes[:, 2] > window[0] - room) & (boxes[:, 0] < window[2] + room)
    met: np.ndarray = near & (boxes[:, 3] > window[1] - room) & (boxes[:, 1] < window[3] + room)
    return met


def _runs(begin: np.ndarray, end: np.ndarray) -> Iterator[tuple[int, int]]:
    """Rows of blocks that follow each other, as few ranges of not too many rows."""
    if not len(begin):
        return
    start, stop = int(begin[0]), int(begin[0])
    for a, b in zip(begin.tolist(), end.tolist()):
        if stop != a or b - start > AT_ONCE:
            yield start, stop
            start = a
        stop = b
    yield start, stop
