"""Depth along a vector from rest to rest: the recipe's settings, and those that steady scanning alone would have chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..recipe.consequences import as_if_always_at_speed, depth_along
from ..recipe.record import Recipe, VectorRecipe
from ..symbols import symbols
from ..units import IN_CM2
from .style import FINE, HIGH, INK, TONES, WIDE, new_figure, panels, plain_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["along_figure", "draw_along"]


def along_figure(recipe: Recipe, kinds: tuple[str, ...], width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
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
    drawn = panels(figure, columns=len(kinds), right=18.0, top=18.0, wspace=14.0)
    for ax, kind in zip(drawn, kinds):
        draw_along(ax, recipe.vector(kind))
    top = max(max(one.get_ylim()) for one in drawn)
    for one in drawn:
        one.set_ylim(0.0, top)
    first, *_ = drawn
    first.set_ylabel("depth of the weakest place (mm)")
    _doses(ax, recipe.vector(kind))
    first.legend(
        loc="upper center",
        fontsize=8,
        handlelength=1.4,
        handletextpad=0.4,
        borderpad=0.2,
        frameon=True,
        facecolor="white",
        edgecolor="none",
        framealpha=0.9,
    )
    return figure


def _doses(ax: Axes, vector: VectorRecipe) -> None:
    """The dose that cures so deep, on the right: depth is a function of it alone."""
    law, (low, high) = vector.best.task.curve.cure, ax.get_ylim()
    right = ax.secondary_yaxis("right")
    doses = plain_ticks().tick_values(*(IN_CM2 * float(law.dose(end)) for end in (low, high)))
    shown = {depth: f"{dose:g}" for dose in doses if low < (depth := float(law.height(0.01 * dose))) < high}
    right.set_ticks(list(shown), labels=list(shown.values()))
    right.set_ylabel(symbols("dose there (mJ/cm^2)"))
    right.yaxis.label.set_color(INK)
    right.tick_params(colors=INK)


def draw_along(ax: Axes, vector: VectorRecipe) -> None:
    """Depth along one typical vector, with the layer and the depth asked for."""
    best = vector.best
    task, length = best.task, best.task.vector_length
    begin, end = -best.beam_radius, length + best.beam_radius
    s = np.linspace(begin, end, 4 * FINE)  # depth rises steeply near both ends
    before = as_if_always_at_speed(best)
    ax.plot(s, depth_along(before, s), color=TONES["second"], linewidth=1.8, linestyle="--", label="steady scanning assumed, beam on")
    ax.plot(s, depth_along(best, s), color=TONES["solid"], linewidth=2.4, label="this recipe")
    ax.axhline(task.layer_thickness, color=INK, linewidth=1.0, linestyle=":")
    ax.annotate("layer", (begin, task.layer_thickness), xytext=(2, 3), textcoords="offset points", fontsize=10, color=INK)
    ax.axhline(task.depth, color=TONES["limit"], linewidth=1.4, linestyle="-.")
    ax.annotate("asked for", (end, task.depth), xytext=(-2, -12), textcoords="offset points", ha="right", fontsize=10, color=TONES["limit"])
    ax.set_xlim(begin, end)
    ax.set_ylim(0.0, 1.25 * float(np.max(depth_along(before, s))))
    ax.set_xlabel("along the vector (mm)")
    speeds = f"{best.scan_speed:.4g} mm/s\n(before: {before.scan_speed:.4g} mm/s)"
    ax.set_title(f"{vector.kind}, {length:.4g} mm: {speeds}", loc="left", pad=6, fontsize=11)
