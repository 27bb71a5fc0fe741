"""Depth along a vector from rest to rest: the recipe's settings, and those that steady scanning alone would have chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..recipe.consequences import as_if_always_at_speed, depth_along
from ..recipe.record import Recipe, VectorRecipe
from ..symbols import symbols
from .style import INK, TONES, axes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["along_figure", "draw_along"]


def along_figure(recipe: Recipe, kinds: tuple[str, ...], width_mm: float = 190.0, height_mm: float = 105.0) -> Figure:
    """One panel for each kind, with one scale of depth.

    Parameters
    ----------
    recipe : Recipe
    kinds : tuple of str
        Names of kinds whose needs state a vector length.
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    wide = 0.80 / len(kinds)
    panels = [axes(figure, (0.095 + i * (wide + 0.02), 0.15, wide - 0.04, 0.66)) for i in range(len(kinds))]
    for ax, kind in zip(panels, kinds):
        draw_along(ax, recipe.vector(kind))
        ax.set_ylabel("depth of the weakest place (mm)" if ax is panels[0] else "")
    top = max(ax.get_ylim()[1] for ax in panels)
    for ax in panels:
        ax.set_ylim(0.0, top)
    _doses(panels[-1], recipe.vector(kinds[-1]))
    panels[0].legend(loc="upper center", fontsize=9, handlelength=1.6, frameon=True, facecolor="white", edgecolor="none", framealpha=0.9)
    return figure


def _doses(ax: Axes, vector: VectorRecipe) -> None:
    """The dose that cures so deep, on the right: depth is a function of it alone."""
    law, (low, high) = vector.best.task.curve.cure, ax.get_ylim()
    right = ax.secondary_yaxis("right")
    doses = [k * 10.0**e for e in range(-3, 5) for k in (1.0, 2.0, 5.0)]
    shown = {depth: f"{dose:g}" for dose in doses if low < (depth := float(law.height(0.01 * dose))) < high}
    right.set_ticks(list(shown), labels=list(shown.values()))
    right.set_ylabel(symbols("dose there (mJ/cm^2)"))
    right.yaxis.label.set(size=11, color=INK)
    right.tick_params(colors=INK, labelsize=10)


def draw_along(ax: Axes, vector: VectorRecipe) -> None:
    """Depth along one typical vector, with the layer and the depth asked for."""
    best = vector.best
    task, length = best.task, best.task.vector_length
    near = np.geomspace(1e-3, 0.5, 160) * length
    s = np.unique(np.concatenate([[-best.beam_radius, 0.0], near, length - near, [length, length + best.beam_radius]]))
    before = as_if_always_at_speed(best)
    ax.plot(s, depth_along(before, s), color=TONES["second"], linewidth=1.8, linestyle="--", label="steady scanning assumed, beam on")
    ax.plot(s, depth_along(best, s), color=TONES["solid"], linewidth=2.4, label="this recipe")
    ax.axhline(task.layer_thickness, color=INK, linewidth=1.0, linestyle=":")
    ax.annotate("layer", (s[0], task.layer_thickness), xytext=(2, 3), textcoords="offset points", fontsize=10, color=INK)
    ax.axhline(task.depth, color=TONES["limit"], linewidth=1.4, linestyle="-.")
    ax.annotate(
        "asked for", (s[-1], task.depth), xytext=(-2, -12), textcoords="offset points", ha="right", fontsize=10, color=TONES["limit"]
    )
    ax.set_xlim(s[0], s[-1])
    ax.set_ylim(0.0, 1.25 * float(np.max(depth_along(before, s))))
    ax.set_xlabel("along the vector (mm)")
    speeds = f"{best.scan_speed:.4g} mm/s\n(before: {before.scan_speed:.4g} mm/s)"
    ax.set_title(f"{vector.kind}, {length:.4g} mm: {speeds}", loc="left", pad=6, fontsize=11)
