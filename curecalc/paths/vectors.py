"""The straight vectors of layers as records of arrays: where they run, of what kind, how they are lit; lengths, counts, times, outlines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..errors import FileError
from ..physics import motion

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["AT_ONCE", "ENDS", "FAR", "JOINED", "LIT", "MOST_LAYERS", "OUTLINE", "Paths", "Positions", "assembled", "joined", "paths_from"]

OUTLINE = "outline"
"""The kind of vectors that are not scanned but draw the part's section."""
JOINED = 1e-6
"""How far apart (mm) ends may lie that meet."""
AT_ONCE = 65_536
"""Vectors read at once."""
FAR = 1e5
"""mm; a hundred metres is no machine's field."""
MOST_LAYERS = 1_000_000
"""Of a hundredth of a millimetre they are ten metres high."""
ENDS, LIT = ("x0", "y0", "x1", "y1"), ("power", "scan_speed", "beam_radius")


@dataclass(frozen=True)
class Positions:
    """Recorded positions of one layer: time (s), x, y (mm), power (mW) of each sample; straight and even between samples."""

    layer: int
    time: np.ndarray
    x: np.ndarray
    y: np.ndarray
    power: np.ndarray


@dataclass(frozen=True)
class Paths:
    """Vectors of one layer or many, in the order they are scanned. Plain float64 arrays in mm, mW and mm/s, one value a vector.

    `kind` indexes the names in `kinds`; what a file left out of power, scan_speed and beam_radius (1/e^2) is NaN. `recorded` holds
    positions recorded in time instead of vectors; `source` names where it all came from. Layers ascend; `heights` are their upper
    surfaces where the file says them.
    """

    layer: np.ndarray
    x0: np.ndarray
    y0: np.ndarray
    x1: np.ndarray
    y1: np.ndarray
    kind: np.ndarray
    kinds: tuple[str, ...]
    power: np.ndarray
    scan_speed: np.ndarray
    beam_radius: np.ndarray
    recorded: tuple[Positions, ...] = ()
    heights: tuple[float, ...] = ()
    source: str = "paths"

    def __len__(self) -> int:
        return len(self.layer)

    @property
    def rows(self) -> int:
        """Vectors and recorded positions."""
        return len(self) + sum(len(p.time) for p in self.recorded)

    @property
    def layers(self) -> np.ndarray:
        """Numbers of the layers that hold anything."""
        return np.unique(np.concatenate([self.layer, np.array([p.layer for p in self.recorded], self.layer.dtype)]))

    @property
    def length(self) -> np.ndarray:
        """Of each vector (mm)."""
        return np.hypot(self.x1 - self.x0, self.y1 - self.y0)

    @property
    def names(self) -> np.ndarray:
        """The kind of each vector as text."""
        return np.array(self.kinds)[self.kind] if len(self) else np.array([], str)

    def chosen(self, which: np.ndarray | slice) -> Paths:
        """These vectors alone."""
        return replace(self, **{name: getattr(self, name)[which] for name in ("layer", *ENDS, "kind", *LIT)})  # type: ignore[arg-type]

    def in_order(self) -> Paths:
        """Layer by layer."""
        return self if bool((np.diff(self.layer) >= 0).all()) else self.chosen(np.argsort(self.layer, kind="stable"))

    def of_layer(self, layer: int) -> Paths:
        """The vectors and positions of one layer; a view, since layers ascend."""
        low, high = np.searchsorted(self.layer, [layer, layer + 1])
        return replace(self.chosen(slice(int(low), int(high))), recorded=tuple(p for p in self.recorded if p.layer == layer))

    @property
    def scanned(self) -> Paths:
        """What the laser draws: all but outlines and points of no length."""
        keep = self.length > 0.0
        if OUTLINE in self.kinds:
            keep &= self.kind != self.kinds.index(OUTLINE)
        return self if bool(np.all(keep)) else self.chosen(keep)

    def bounds(self) -> tuple[float, float, float, float]:
        """x low, y low, x high, y high of all vectors and positions."""
        x = np.concatenate([self.x0, self.x1, *(p.x for p in self.recorded)])
        y = np.concatenate([self.y0, self.y1, *(p.y for p in self.recorded)])
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    def meets(self, window: tuple[float, float, float, float], room: float) -> np.ndarray:
        """Whether the box of each vector comes within `room` of a window of x low, y low, x high, y high."""
        near = (np.maximum(self.x0, self.x1) > window[0] - room) & (np.minimum(self.x0, self.x1) < window[2] + room)
        near &= (np.maximum(self.y0, self.y1) > window[1] - room) & (np.minimum(self.y0, self.y1) < window[3] + room)
        return near

    def loops(self, kind: str) -> list[np.ndarray]:
        """Closed polygons (points by 2, the first not repeated) that vectors of a kind draw end to end."""
        if kind not in self.kinds:
            return []
        one = self.chosen(self.kind == self.kinds.index(kind))
        return [np.column_stack([one.x0[a:b], one.y0[a:b]]) for a, b in one.chains() if b - a > 2 and one.closes(a, b)]

    def chains(self) -> Iterator[tuple[int, int]]:
        """Ranges of vectors that follow each other end to end; a closed one ends where it returns to its start."""
        start = 0
        for i in range(len(self)):
            if i + 1 == len(self) or not self._joins(i, i + 1) or (i - start > 1 and self._joins(i, start)):
                yield start, i + 1
                start = i + 1

    def closes(self, a: int, b: int) -> bool:
        """Whether these vectors return to their start."""
        return bool(self._joins(b - 1, a))

    def joints(self) -> np.ndarray:
        """Whether each vector begins where the one before it ended (same layer and kind)."""
        joined = np.zeros(len(self), bool)
        joined[1:] = self._joins(np.arange(len(self) - 1), np.arange(1, len(self)))
        return joined

    def _joins(self, i: int | np.ndarray, j: int | np.ndarray) -> np.ndarray:
        near = np.hypot(self.x1[i] - self.x0[j], self.y1[i] - self.y0[j]) <= JOINED
        return near & (self.layer[i] == self.layer[j]) & (self.kind[i] == self.kind[j])

    def scan_time(self, acceleration: float | None = None, settling: float = 0.0) -> float:
        """Seconds of drawing all vectors, from rest to rest where an acceleration (mm/s^2) is given; each then settles."""
        one = self.scanned
        if acceleration is None:
            times = one.length / one.scan_speed
        else:
            times = motion.vector_time(one.length, one.scan_speed, acceleration)
        recorded = sum(float(p.time[-1] - p.time[0]) for p in self.recorded)
        return float(np.sum(times + settling)) + recorded

    def faster(self, factor: float) -> Paths:
        """The same ways at every speed times a factor; positions recorded in time pass in as much less time."""
        recorded = tuple(replace(p, time=p.time / factor) for p in self.recorded)
        return replace(self, scan_speed=self.scan_speed * factor, recorded=recorded)

    def filled(self, settings: dict[str, dict[str, float]], *, default: dict[str, float] | None = None) -> Paths:
        """Power, speed and radius that are missing, by kind from `settings`, else from `default`.

        Raises
        ------
        FileError
            A vector is still without one of them.
        """
        changes = {}
        for name in LIT:
            column = getattr(self, name).copy()
            for i, kind in enumerate(self.kinds):
                value = settings.get(kind, {}).get(name, (default or {}).get(name))
                if value is not None:
                    column[np.isnan(column) & (self.kind == i)] = value
            missing = np.isnan(column)
            if OUTLINE in self.kinds:
                missing &= self.kind != self.kinds.index(OUTLINE)
            if missing.any():
                kind = self.kinds[int(self.kind[np.argmax(missing)])]
                raise FileError(
                    f"{self.source}: vectors of kind {kind!r} have no {name}. Give a column {name}, a recipe with this kind, "
                    f"or --{name.replace('_', '-')}."
                )
            changes[name] = column
        if self.recorded and "beam_radius" in (default or {}):
            changes["beam_radius"] = np.array([(default or {})["beam_radius"]])  # recorded positions state none
        return replace(self, **changes)


def paths_from(
    *,
    x0: Quantity,
    y0: Quantity,
    x1: Quantity,
    y1: Quantity,
    kind: object = "hatch",
    layer: object = 1,
    power: Quantity | None = None,
    scan_speed: Quantity | None = None,
    beam_radius: Quantity | None = None,
) -> Paths:
    """Vectors from arrays of quantities; kind and layer are one for all or one for each.

    Parameters
    ----------
    x0, y0, x1, y1 : Quantity [mm]
        Starts and ends, arrays of one shape.
    kind : str or sequence of str
    layer : int or sequence of int
    power : Quantity [mW], optional
    scan_speed : Quantity [mm/s], optional
    beam_radius : Quantity [mm], optional
        At 1/e^2 of the peak irradiance.

    Raises
    ------
    QuantityError
        No unit, wrong dimension, not finite, not as many of each.

    >>> from curecalc.units import Quantity as Q
    >>> one = paths_from(x0=Q([0.0], "mm"), y0=Q([0.0], "mm"), x1=Q([3.0], "mm"), y1=Q([4.0], "mm"))
    >>> one.length.tolist()
    [5.0]
    """
    from ..units import MM, MM_S, MW, QuantityError, finite, positive

    places = [np.atleast_1d(np.asarray(finite(n, q, MM), float)) for n, q in (("x0", x0), ("y0", y0), ("x1", x1), ("y1", y1))]
    size, *others = map(len, places)
    if any(other != size for other in others):
        raise QuantityError(
            f"x0, y0, x1 and y1 must be as many, got {', '.join(map(str, map(len, places)))}. Give each vector both its ends."
        )
    lit = []
    for name, value, unit in (("power", power, MW), ("scan_speed", scan_speed, MM_S), ("beam_radius", beam_radius, MM)):
        lit.append(np.full(size, np.nan) if value is None else np.broadcast_to(positive(name, value, unit), size).astype(float))
    kinds, codes = np.unique(np.broadcast_to(np.asarray(kind, str), size), return_inverse=True)
    layers = np.broadcast_to(np.asarray(layer, np.int64), size).copy()
    order = np.argsort(layers, kind="stable")
    return assembled(layers, places, codes, kinds, lit).chosen(order)


def assembled(
    layer: np.ndarray,
    places: Sequence[np.ndarray],
    kind: np.ndarray,
    kinds: Iterable[object],
    lit: Sequence[np.ndarray],
    source: str = "paths",
) -> Paths:
    """A record from arrays: x0, y0, x1, y1 in `places`; power, scan_speed, beam_radius in `lit`."""
    x0, y0, x1, y1 = places
    power, scan_speed, beam_radius = lit
    return Paths(layer, x0, y0, x1, y1, kind, tuple(str(k) for k in kinds), power, scan_speed, beam_radius, source=source)


def joined(parts: Sequence[Paths]) -> Paths:
    """Parts of the same paths, one after the other; the positions of a layer as one recording."""
    kinds = sorted({kind for part in parts for kind in part.kinds})
    codes = [np.array([kinds.index(kind) for kind in part.kinds], np.int64)[part.kind] for part in parts]

    def whole(name: str) -> np.ndarray:
        return np.concatenate([getattr(part, name) for part in parts])

    places, lit = ([whole(name) for name in names] for names in (ENDS, LIT))
    one = assembled(whole("layer"), places, np.concatenate(codes), kinds, lit, parts[0].source)
    pieces: dict[int, list[Positions]] = {}
    for piece in (piece for part in parts for piece in part.recorded):
        pieces.setdefault(piece.layer, []).append(piece)
    recorded = tuple(
        Positions(layer, *(np.concatenate([getattr(piece, name) for piece in own]) for name in ("time", "x", "y", "power")))
        for layer, own in sorted(pieces.items())
    )
    return replace(one, recorded=recorded, heights=tuple(height for part in parts for height in part.heights))
