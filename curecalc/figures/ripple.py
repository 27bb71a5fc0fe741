"""Exposure across the scan lines of a setting, with what the layer needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..setting.answer import Answer
from ..setting.model import cure_law
from ..symbols import symbols
from ..units import IN_CM2, show_kernel
from .section import dose_profile
from .style import HIGH, INK, PLATE, TONES, WIDE, new_figure, panels, roomy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_ripple", "ripple_figure"]


def ripple_figure(answer: Answer, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
    """A figure of its own.

    Parameters
    ----------
    answer : Answer
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    (ax,) = panels(figure)
    draw_ripple(ax, answer)
    return figure


def draw_ripple(ax: Axes, answer: Answer) -> None:
    """Surface dose across the lines: ridges, valleys, the mean; gel threshold and the layer's need as dashed lines."""
    given = answer.given
    x, form, law = given.x, given.form, cure_law(given.x, given.form)
    y, dose = dose_profile(given, answer)
    top = roomy(119.0 * float(dose.max()) or 1.0)
    span = float(y[-1])
    ax.fill_between(y, 0.0, IN_CM2 * dose, color=TONES["light"], edgecolor="none")
    ax.plot(y, IN_CM2 * dose, color=TONES["solid"], linewidth=2.2)
    if form.raster:
        mean = float(answer.outputs.get("equivalent_mean", answer.outputs["exposure_mean"]).m_as("mJ/cm^2"))
        ax.axhline(mean, color=INK, linewidth=1.2, linestyle=":")
        at = x["hatch_spacing"] * np.arange(-2, 3)
        ax.plot(at, np.full_like(at, top), linestyle="none", marker="v", color=INK, markersize=7, clip_on=False)
    marks = [("gels", 0.0, "--")]
    if "layer_thickness" in x:
        marks.append(("bottom of the layer gels", x["layer_thickness"], "-."))
    for word, depth, style in marks:
        level = IN_CM2 * float(law.dose(depth))
        if level > top:
            continue
        ax.axhline(level, color=TONES["limit"], linewidth=1.5, linestyle=style)
        ax.annotate(
            symbols(f"{word} at {show_kernel(0.01 * level, 'exposure', digits=3)}"),
            (-span, level),
            xytext=(5, 4),
            textcoords="offset points",
            fontsize=10,
            color=TONES["limit"],
            bbox=PLATE,
        )
    ax.set_xlim(-span, span)
    ax.set_ylim(0.0, top)
    ax.set_xlabel("across the scan lines (mm)" if form.raster else "across the line (mm)")
    ax.set_ylabel("exposure (mJ/cm²)")
    ax.set_title("Exposure across the lines (dotted: mean)" if form.raster else "Exposure across the line", loc="left", pad=10)
