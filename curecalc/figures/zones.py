"""The scan field in zones: how much faster than the recipe each could be scanned, over the measured places."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..recipe.record import Recipe
from ..symbols import percent
from ..units import MM
from .style import INK, axes, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["zones_figure"]


def zones_figure(recipe: Recipe, width_mm: float = 200.0, height_mm: float = 105.0) -> Figure:
    """One panel for the line and one for the raster that a slower place of the field costs most; the place held is ringed.

    Parameters
    ----------
    recipe : Recipe
        With a machine whose beam was measured over the field.
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ValueError
        The machine holds no measured field.
    """
    held = [v for v in recipe.vectors if v.field_zones is not None]
    if not held:
        raise ValueError("the machine holds no measured field: give a beam record with places, as `curecalc spot --at` keeps them.")
    by_pattern = ([v for v in held if v.pattern == pattern] for pattern in ("line", "raster"))
    kinds = [max(some, key=lambda v: (v.field_zones or {})["gain"]) for some in by_pattern if some]
    figure = new_figure(width_mm, height_mm)
    places = np.array([[float(p.x.m_as(MM)), float(p.y.m_as(MM))] for p in recipe.machine.field])
    for i, v in enumerate(kinds):
        ax = axes(figure, (0.085 + 0.48 * i, 0.16, 0.39, 0.62))
        zones = v.field_zones
        assert zones is not None
        (low_x, high_x), (low_y, high_y) = zones["span"]["x"], zones["span"]["y"]
        factors = np.array(zones["speed_factors"])
        ax.imshow(factors, cmap="Greys", vmin=1.0, vmax=max(2.0 * float(factors.max()) - 1.0, 1.02), origin="lower")
        ax.images[0].set_extent((low_x, high_x, low_y, high_y))
        ax.grid(False)
        step_x, step_y = (high_x - low_x) / factors.shape[1], (high_y - low_y) / factors.shape[0]
        for (row, column), factor in np.ndenumerate(factors):
            x, y = low_x + (column + 0.5) * step_x, low_y + (row + 0.5) * step_y
            plate = {"facecolor": "white", "edgecolor": "none", "boxstyle": "round,pad=0.2"}
            ax.annotate(f"{factor:.3f}", (x, y), ha="center", va="center", fontsize=14, color=INK, bbox=plate, zorder=3)
        for k in range(1, factors.shape[0]):
            ax.axhline(low_y + k * step_y, color=INK, linewidth=0.8)
            ax.axvline(low_x + k * step_x, color=INK, linewidth=0.8)
        ax.plot(places[:, 0], places[:, 1], linestyle="", marker="+", markersize=6, color=INK, clip_on=False)
        at = zones["held_at"]
        ax.plot([at["x"]["value"]], [at["y"]["value"]], linestyle="", marker="o", markersize=13, fillstyle="none", color=INK, clip_on=False)
        ax.set_xlabel("x (mm)")
        ax.set_ylabel("y (mm)" if i == 0 else "")
        ax.set_title(
            f"{v.kind}: speed over the recipe's\na speed per zone: {percent(zones['gain'], '.2g')} faster", loc="left", fontsize=11
        )
    return figure
