"""A recipe with the paths of a whole part: times and resin summed over the vectors of its layers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ..errors import FileError
from ..paths.stored import StoredPaths
from ..paths.sums import areas, layer_sums
from ..paths.vectors import Paths
from ..units import G_CM3, MM, MM2, MM3, MW, Quantity, S, to_json
from . import rates
from .record import Recipe

__all__ = ["with_paths"]


_MOST_LAYERS = 1_000_000


def with_paths(recipe: Recipe, paths: Paths | StoredPaths) -> Recipe:
    """Rates over all layers of the paths: each kind of vector by its own lengths and counts, at the settings of the recipe's kind.

    A kind of the paths goes by its name; `hatch` else by the first raster kind, all others by the first line kind.

    Raises
    ------
    FileError
        The recipe has no kind for what the paths hold.
    """
    needs, machine = recipe.needs, recipe.machine
    n = int(paths.layers[-1] - paths.layers[0]) + 1
    if n > _MOST_LAYERS:
        raise FileError(f"{paths.source}: {n} layers from the first to the last are more than {_MOST_LAYERS}. Number them one by one.")
    length, count, gap = layer_sums(paths)
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
        moves: Any = sum(gap[name] for name in names) / np.maximum(number, 1)
        lines = best.hatch_spacing is None
        much = {"length": along} if lines else {"area": along * best.hatch_spacing}
        work = rates.Work(**much, count=number, gap=moves)
        kinds.append((best, work))
    recoat = float(machine.recoat_time.m_as(S))
    t = float(needs.layer_thickness.m_as(MM))
    total = rates.build_rates(kinds, power_available=float(machine.power.value.m_as(MW)), recoat_time=recoat, layer_thickness=t, layers=n)
    drawn = areas(paths)
    volume = float(drawn.sum()) * t if drawn.any() else total.volume
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
        "greatest_area": to_json(Quantity(float(drawn.max()), MM2)) if drawn.any() else None,
        "total_time": to_json(Quantity(total.layer_time, S)),
        "scan_time": to_json(Quantity(total.scan_time, S)),
        "mass": None if density is None else {"value": 1e-3 * volume * density, "unit": "g"},
    }
    mass = None if density is None else 3.6 * per_layer.volume_rate * density
    return replace(recipe, rates=per_layer, mass_rate=mass, part_layers=n, part_time=total.layer_time, part=part)


def _kind_for(recipe: Recipe, kind: str) -> int | None:
    vectors = recipe.needs.vectors
    named = next((i for i, v in enumerate(recipe.vectors) if v.kind == kind), None)
    if named is not None:
        return named
    raster = kind == "hatch"
    return next((i for i, v in enumerate(vectors) if v.raster == raster and not v.down_facing), None)
