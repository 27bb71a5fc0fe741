"""The working curve of a setting's resin with the setting on it, and what a little more speed or power would do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..setting.answer import Answer
from ..setting.model import cure_law, problem
from ..units import MM, measured, show_kernel
from .style import INK, TONES, axes, new_figure, plain_log, pretty

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_setting_curve", "setting_curve_figure"]


def setting_curve_figure(answer: Answer, width_mm: float = 170.0, height_mm: float = 105.0) -> Figure:
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
    draw_setting_curve(axes(figure), answer)
    return figure


def draw_setting_curve(ax: Axes, answer: Answer) -> None:
    """Depth against surface dose on a logarithmic scale; the weakest place as a point, the layer as a dashed line."""
    given = problem(beam=answer.beam, resin=answer.resin, scan=answer.scan, layer_thickness=answer.layer_thickness)
    law = cure_law(given.x, given.form)
    dose = float(answer.outputs.get("equivalent_min", answer.outputs["exposure_min"]).m_as("mJ/mm^2"))
    gel = float(law.dose(0.0))
    layer = None if answer.layer_thickness is None else float(measured(answer.layer_thickness).value.m_as(MM))
    needed = None if layer is None else float(law.dose(layer))
    reach = max(dose, 4.0 * gel, 0.0 if needed is None or needed > 1e6 * gel else needed)
    low, high = 0.6 * min(gel, dose), 1.8 * reach
    e = np.geomspace(gel, high, 60)
    with np.errstate(under="ignore", over="ignore"):
        curve = law.depth(e)
    top = 1.15 * max(float(curve[-1]), layer or 0.0)
    plain_log(ax.xaxis)
    ax.plot(100.0 * e, curve, color=TONES["solid"], linewidth=2.4)
    ax.plot([100.0 * low, 100.0 * gel], [0.0, 0.0], color=TONES["solid"], linewidth=2.4)
    ax.plot([100.0 * gel], [0.0], marker="|", markersize=14, markeredgewidth=2.2, color=TONES["limit"], clip_on=False)
    left = gel < math.sqrt(low * high)
    ax.annotate(
        pretty(f"gels at {show_kernel(gel, 'exposure', digits=3)}"),
        (100.0 * gel, 0.0),
        xytext=(24 if left else -6, 5),
        textcoords="offset points",
        fontsize=10,
        color=TONES["limit"],
        ha="left" if left else "right",
    )
    if layer is not None:
        ax.axhline(layer, color=TONES["limit"], linewidth=1.5, linestyle="--")
        ax.annotate("layer thickness", (100.0 * low, layer), xytext=(4, 4), textcoords="offset points", fontsize=10, color=TONES["limit"])
    depth = float(answer.weakest_depth.m_as(MM))
    ax.plot([100.0 * dose, 100.0 * dose], [0.0, depth], color=TONES["second"], linewidth=1.4, linestyle="-.")
    ax.plot([100.0 * dose], [depth], marker="o", markersize=9, color=TONES["second"], markeredgecolor=INK, clip_on=False)
    ax.set_xlim(100.0 * low, 100.0 * high)
    ax.set_ylim(0.0, top)
    ax.set_xlabel("exposure (mJ/cm²), logarithmic scale")
    ax.set_ylabel("cure depth (mm)")
    ax.set_title("Working curve, this setting as a point", loc="left", pad=10)
