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
            if closed:
                x, y = one.x0[a:b], one.y0[a:b]
                found[one.layer[a] - first] += 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))  # holes run the other way round
            if closed or b < len(one):
                begin = b
        open_end = one.chosen(slice(begin, None))  # which may go on
    return np.abs(found)


def layer_sums(paths: Paths | StoredPaths) -> tuple[dict[str, np.ndarray], ...]:
    """Length (mm), count and length of the moves to each scanned kind's vectors, layer by layer from the first to the last."""
    first, last = int(paths.layers[0]), int(paths.layers[-1])
    sums: tuple[dict[str, np.ndarray], ...] = ({}, {}, {})
    ends = None
    for one in (part.scanned for part in slices(paths)):
        if not len(one):
            continue
        above = (one.x0[:1], one.y0[:1], one.layer[:1]) if ends is None else ends
        x, y, layer = (np.append(a, b[:-1]) for a, b in zip(above, (one.x1, one.y1, one.layer)))
        moved = np.where(layer == one.layer, np.hypot(one.x0 - x, one.y0 - y), 0.0)
        ends = one.x1[-1:], one.y1[-1:], one.layer[-1:]
        for i, kind in enumerate(one.kinds):
            mine = one.kind == i
            if mine.any():
                for found, values in zip(sums, (one.length, np.ones(len(one)), moved)):
                    np.add.at(found.setdefault(kind, np.zeros(last - first + 1)), one.layer[mine] - first, values[mine])
    return tuple(dict(sorted(found.items())) for found in sums)
