"""Exposure across the scan lines of a setting, with what the layer needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..setting.answer import Answer
from ..setting.model import cure_law
from ..symbols import symbols
from ..units import IN_CM2, show_kernel
from .section import dose_profile
from .style import INK, TONES, axes, new_figure, roomy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_ripple", "ripple_figure"]


def ripple_figure(answer: Answer, width_mm: float = 170.0, height_mm: float = 105.0) -> Figure:
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
    draw_ripple(axes(figure), answer)
    return figure


def draw_ripple(ax: Axes, answer: Answer) -> None:
    """Surface dose across the lines: ridges, valleys, the mean; gel threshold and the layer's need as dashed lines."""
    given = answer.given
    x, form, law = given.x, given.form, cure_law(given.x, given.form)
    y, dose = dose_profile(given, answer)
    top = roomy(IN_CM2 * float(dose.max()) or 1.0)
    span = float(y[-1])
    ax.fill_between(y, 0.0, IN_CM2 * dose, color=TONES["light"], edgecolor="none")
    ax.plot(y, IN_CM2 * dose, color=TONES["solid"], linewidth=2.2)
    if form.raster:
        mean = float(answer.outputs.get("equivalent_mean", answer.outputs["exposure_mean"]).m_as("mJ/cm^2"))
        ax.axhline(mean, color=INK, linewidth=1.2, linestyle=":")
        h = x["hatch_spacing"]
        at = h * np.arange(-2, 3)
        ax.plot(at, np.full(5, 1.19 * top), linestyle="none", marker="v", color=INK, markersize=7, clip_on=False)
    marks = [("gels", IN_CM2 * float(law.dose(0.0)), "--")]
    if "layer_thickness" in x:
        marks.append(("bottom of the layer gels", IN_CM2 * float(law.dose(x["layer_thickness"])), "-."))
    for word, level, style in marks:
        if level > 1.15 * top:
            continue
        ax.axhline(level, color=TONES["limit"], linewidth=1.5, linestyle=style)
        ax.annotate(
            symbols(f"{word} at {show_kernel(0.01 * level, 'exposure', digits=3)}"),
            (-span, level),
            xytext=(5, 4),
            textcoords="offset points",
            fontsize=10,
            color=TONES["limit"],
            bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )
    ax.set_xlim(-span, span)
    ax.set_ylim(0.0, 1.19 * top)
    ax.set_xlabel("across the scan lines (mm)" if form.raster else "across the line (mm)")
    ax.set_ylabel("exposure (mJ/cm²)")
    ax.set_title("Exposure across the lines (dotted: mean)" if form.raster else "Exposure across the line", loc="left", pad=10)
