"""A recipe with the layers of a whole part: times and resin summed over the slices of its mesh."""

from __future__ import annotations

from dataclasses import replace

from ..units import G_CM3, MM, MM3, MW, Quantity, S, to_json
from . import rates
from .mesh import Slices
from .recipe import work_of
from .record import Recipe

__all__ = ["with_mesh"]


def with_mesh(recipe: Recipe, slices: Slices, *, path: str) -> Recipe:
    """Rates over all layers of the part: the first raster kind fills the areas, the first line kind draws the outlines.

    Other kinds keep what the needs say of a typical layer, for every layer.
    """
    needs, machine = recipe.needs, recipe.machine
    fill = next((i for i, v in enumerate(needs.vectors) if v.raster and not v.down_facing), None)
    line = next((i for i, v in enumerate(needs.vectors) if not v.raster), None)
    kinds = []
    n = slices.layers
    for i, (one, vector) in enumerate(zip(needs.vectors, recipe.vectors)):
        if i == fill:
            work = rates.Work(area=slices.area)
        elif i == line:
            work = rates.Work(length=slices.perimeter, count=slices.pieces)
        else:
            typical = work_of(one)
            work = rates.Work(area=typical.area * n, length=typical.length * n, count=None if typical.count is None else typical.count * n)
        kinds.append((vector.best, work))
    recoat = float(machine.recoat_time.m_as(S))
    t = float(needs.layer_thickness.m_as(MM))
    total = rates.build_rates(kinds, power_available=float(machine.power.value.m_as(MW)), recoat_time=recoat, layer_thickness=t, layers=n)
    # the part's own volume, not that of slabs
    per_layer = replace(
        total,
        scan_time=total.scan_time / n,
        recoat_time=recoat,
        layer_time=total.layer_time / n,
        light_time=total.light_time / n,
        volume=slices.volume / n,
        by_kind={k: v / n for k, v in total.by_kind.items()},
    )
    mass = None if recipe.lot.density is None else 3.6 * per_layer.volume_rate * float(recipe.lot.density.m_as(G_CM3))
    mesh = {
        "path": path,
        "layers": n,
        "height": to_json(Quantity(slices.height, MM)),
        "volume": to_json(Quantity(slices.volume, MM3)),
        "total_time": to_json(Quantity(total.layer_time, S)),
        "scan_time": to_json(Quantity(total.scan_time, S)),
        "mass": None
        if recipe.lot.density is None
        else {"value": 1e-3 * slices.volume * float(recipe.lot.density.m_as(G_CM3)), "unit": "g"},
    }
    return replace(recipe, rates=per_layer, mass_rate=mass, part_layers=n, part_time=total.layer_time, mesh=mesh)
