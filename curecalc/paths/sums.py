"""Lengths, counts and areas of paths, layer by layer and in all: read some vectors at a time, wherever they are kept."""

from __future__ import annotations

import numpy as np

from .stored import StoredPaths, slices
from .vectors import OUTLINE, Paths, joined

__all__ = ["areas", "layer_sums", "totals"]


def totals(paths: Paths | StoredPaths) -> dict[str, dict[str, float]]:
    """For each kind that is scanned: vectors, their length in all and the longest (mm)."""
    found: dict[str, dict[str, float]] = {}
    for one in (part.scanned for part in slices(paths)):
        lengths = one.length
        for i, kind in enumerate(one.kinds):
            mine = lengths[one.kind == i]
            if mine.size:
                so_far = found.setdefault(kind, {"count": 0, "length": 0.0, "longest": 0.0})
                so_far["count"] += int(mine.size)
                so_far["length"] += float(mine.sum())
                so_far["longest"] = max(so_far["longest"], float(mine.max()))
    return dict(sorted(found.items()))


def areas(paths: Paths | StoredPaths) -> np.ndarray:
    """Drawn area of each layer from the first to the last (mm^2): inside an odd number of outlines that do not cross."""
    first, last = int(paths.layers[0]), int(paths.layers[-1])
    found = np.zeros(last - first + 1)
    open_end = None
    for part in slices(paths):
        if OUTLINE not in part.kinds:
            break
        one = part.chosen(part.kind == part.kinds.index(OUTLINE))
        one = one if open_end is None else joined([open_end, one])
        begin = 0
        for a, b in one.chains():
            closed = one.closes(a, b)
            if closed and b - a > 2:
                x, y = one.x0[a:b], one.y0[a:b]
                found[one.layer[a] - first] += 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))  # holes run the other way round
            if closed or b < len(one):
                begin = b
        open_end = one.chosen(slice(begin, None))  # which may go on
    return np.abs(found)


def layer_sums(paths: Paths | StoredPaths) -> tuple[dict[str, np.ndarray], ...]:
    """Length (mm), count and length of the moves to each scanned kind's vectors, layer by layer from the first to the last."""
    first, last = int(paths.layers[0]), int(paths.layers[-1])
    sums: dict[str, np.ndarray] = {}
    before = None
    for one in (part.scanned for part in slices(paths)):
        if not len(one):
            continue
        above = one if before is None else before
        x, y, layer = (np.append(getattr(above, name)[-1:], getattr(one, name)) for name in ("x1", "y1", "layer"))
        moved = np.where(layer[1:] == layer[:-1], np.hypot(one.x0 - x[:-1], one.y0 - y[:-1]), 0.0)
        if before is None:
            moved[0] = 0.0
        before = one.chosen(slice(-1, None))
        for i, kind in enumerate(one.kinds):
            mine = one.kind == i
            if mine.any():
                many = sums.setdefault(kind, np.zeros((3, last - first + 1)))
                for row, values in zip(many, (one.length, np.ones(len(one)), moved)):
                    np.add.at(row, one.layer[mine] - first, values[mine])
    return tuple({kind: many[k] for kind, many in sorted(sums.items())} for k in range(3))
