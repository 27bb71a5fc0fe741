"""A recipe with the paths of a whole part: times and resin summed over the vectors of its layers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ..errors import FileError
from ..paths.vectors import Paths
from ..units import G_CM3, MM, MM2, MM3, MW, Quantity, S, to_json
from . import rates
from .record import Recipe

__all__ = ["with_paths"]


def with_paths(recipe: Recipe, paths: Paths) -> Recipe:
    """Rates over all layers of the paths: each kind of vector by its own lengths and counts, at the settings of the recipe's kind.

    A kind of the paths goes by its name; `hatch` else by the first raster kind, all others by the first line kind.

    Raises
    ------
    FileError
        The recipe has no kind for what the paths hold.
    """
    needs, machine = recipe.needs, recipe.machine
    n = int(paths.layers[-1] - paths.layers[0]) + 1
    length, count, gap = _sums(paths, n)
    chosen: dict[int, list[str]] = {}
    for kind in length:
        i = _kind_for(recipe, kind)
        if i is None:
            raise FileError(f"{paths.source}: the recipe has no kind for vectors of kind {kind!r}. Add one of this name to the needs.")
        chosen.setdefault(i, []).append(kind)
    kinds = []
    for i, names in chosen.items():
        best = recipe.vectors[i].best
        along: Any = sum(length[name] for name in names)
        number: Any = sum(count[name] for name in names)
        moves: Any = sum(gap[name] for name in names) / np.maximum(number, 1.0)
        lines = best.hatch_spacing is None
        much = {"length": along} if lines else {"area": along * best.hatch_spacing}
        work = rates.Work(**much, count=number, gap=moves)
        kinds.append((best, work))
    recoat = float(machine.recoat_time.m_as(S))
    t = float(needs.layer_thickness.m_as(MM))
    total = rates.build_rates(kinds, power_available=float(machine.power.value.m_as(MW)), recoat_time=recoat, layer_thickness=t, layers=n)
    areas = paths.areas()
    volume = float(areas.sum()) * t if areas.any() else total.volume
    per_layer = replace(
        total,
        scan_time=total.scan_time / n,
        recoat_time=recoat,
        layer_time=total.layer_time / n,
        light_time=total.light_time / n,
        volume=volume / n,
        by_kind={k: v / n for k, v in total.by_kind.items()},
    )
    density = None if recipe.lot.density is None else float(recipe.lot.density.m_as(G_CM3))
    part = {
        "path": paths.source,
        "layers": n,
        "volume": to_json(Quantity(volume, MM3)),
        "greatest_area": to_json(Quantity(float(areas.max()), MM2)) if areas.any() else None,
        "total_time": to_json(Quantity(total.layer_time, S)),
        "scan_time": to_json(Quantity(total.scan_time, S)),
        "mass": None if density is None else {"value": 1e-3 * volume * density, "unit": "g"},
    }
    mass = None if density is None else 3.6 * per_layer.volume_rate * density
    return replace(recipe, rates=per_layer, mass_rate=mass, part_layers=n, part_time=total.layer_time, part=part)


def _sums(paths: Paths, n: int) -> tuple[dict[str, np.ndarray], ...]:
    """Length (mm), count and length of the moves to each scanned kind's vectors, layer by layer."""
    one = paths.scanned
    at = one.layer - paths.layers[0]
    moved = np.zeros(len(one))
    moved[1:] = np.where(at[1:] == at[:-1], np.hypot(one.x0[1:] - one.x1[:-1], one.y0[1:] - one.y1[:-1]), 0.0)
    length, count, gap = {}, {}, {}
    for i, kind in enumerate(one.kinds):
        mine = one.kind == i
        if mine.any():
            length[kind] = np.bincount(at[mine], one.length[mine], n)
            count[kind] = np.bincount(at[mine], minlength=n).astype(float)
            gap[kind] = np.bincount(at[mine], moved[mine], n)
    return length, count, gap


def _kind_for(recipe: Recipe, kind: str) -> int | None:
    vectors = recipe.needs.vectors
    named = next((i for i, v in enumerate(recipe.vectors) if v.kind == kind), None)
    if named is not None:
        return named
    raster = kind == "hatch"
    return next((i for i, v in enumerate(vectors) if v.raster == raster and not v.down_facing), None)
