"""The scan field in zones: how much faster than the recipe each could be scanned, over the measured places."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..recipe.record import Recipe
from ..symbols import percent
from ..units import MM
from .style import HIGH, INK, PLATE, WIDE, new_figure, panels

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["zones_figure"]


def zones_figure(recipe: Recipe, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
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
    x_of, y_of = ([float(getattr(p, axis).m_as(MM)) for p in recipe.machine.field] for axis in "xy")
    for ax, v in zip(panels(figure, columns=len(kinds), top=18.0), kinds):
        zones = v.field_zones
        assert zones is not None
        factors = np.array(zones["speed_factors"])
        (low_x, high_x), (low_y, high_y) = zones["span"]["x"], zones["span"]["y"]
        rows, columns = factors.shape
        x, y = np.linspace(low_x, high_x, columns + 1), np.linspace(low_y, high_y, rows + 1)
        ax.pcolormesh(x, y, factors, cmap="Greys", alpha=0.5, edgecolors=INK, linewidth=0.8)
        ax.set_aspect("equal")
        ax.grid(False)
        for (row, column), factor in np.ndenumerate(factors):
            middle = (np.mean(x[column : column + 2]), np.mean(y[row : row + 2]))
            ax.annotate(f"{factor:.3f}", middle, ha="center", va="center", fontsize=14, color=INK, bbox=PLATE, zorder=3)
        ax.plot(x_of, y_of, linestyle="", marker="+", markersize=6, color=INK, clip_on=False)
        at = zones["held_at"]
        ax.plot([at["x"]["value"]], [at["y"]["value"]], linestyle="", marker="o", markersize=13, fillstyle="none", color=INK, clip_on=False)
        ax.set_xlabel("x (mm)")
        ax.set_ylabel("y (mm)")
        ax.set_title(
            f"{v.kind}: speed over the recipe's\na speed per zone: {percent(zones['gain'], '.2g')} faster", loc="left", fontsize=11
        )
    return figure
