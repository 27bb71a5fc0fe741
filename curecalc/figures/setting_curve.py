"""The working curve of a setting's resin with the setting on it, and what a little more speed or power would do."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..errors import QuantityError
from ..setting.answer import Answer, evaluate
from ..setting.model import cure_law
from ..symbols import symbols
from ..units import IN_CM2, MJ_MM2, MM, measured, show_kernel
from .style import FINE, HIGH, INK, TONES, WIDE, new_figure, panels, plain_log, roomy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_beside", "draw_setting_curve", "setting_curve_figure"]

_COVERED = 2.0  # standard uncertainties either side of the curve: about 95 %


def setting_curve_figure(answer: Answer, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
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
    draw_setting_curve(ax, answer)
    return figure


def draw_setting_curve(ax: Axes, answer: Answer) -> None:
    """Depth against surface dose on a logarithmic scale; the weakest place as a point, the layer as a dashed line."""
    law = cure_law(answer.given.x, answer.given.form)
    dose = float(answer.outputs.get("equivalent_min", answer.outputs["exposure_min"]).m_as("mJ/mm^2"))
    gel = float(law.dose(0.0))
    layer = None if answer.layer_thickness is None else float(measured(answer.layer_thickness).value.m_as(MM))
    needed = float(law.dose(layer or 0.0))
    reach = max(dose, 4.0 * gel, min(needed, 1e6 * gel))
    low, high = 0.6 * min(gel, max(dose, 0.01 * gel)), roomy(150.0 * reach) / 100.0  # far below the threshold the point stands at the edge
    e = np.geomspace(gel, high, FINE)
    with np.errstate(under="ignore", over="ignore"):
        curve = law.depth(e)
    top = roomy(1.1 * max(float(curve[-1]), layer or 0.0))
    plain_log(ax.xaxis)
    _band(ax, answer, e[1:], dose)
    ax.plot(IN_CM2 * e, curve, color=TONES["solid"], linewidth=2.4)
    ax.plot([IN_CM2 * low, IN_CM2 * gel], [0.0, 0.0], color=TONES["solid"], linewidth=2.4)
    ax.plot([IN_CM2 * gel], [0.0], marker="^", markersize=9, color=TONES["limit"], clip_on=False)
    left = gel**2 < low * high
    ax.annotate(
        symbols(f"gels at {show_kernel(gel, 'exposure', digits=3)}"),
        (IN_CM2 * gel, 0.0),
        xytext=(24 if left else -6, 5),
        textcoords="offset points",
        fontsize=10,
        color=TONES["limit"],
        ha="left" if left else "right",
    )
    if layer is not None:
        ax.axhline(layer, color=TONES["limit"], linewidth=1.5, linestyle="--")
        ax.annotate("layer thickness", (IN_CM2 * low, layer), xytext=(4, 4), textcoords="offset points", fontsize=10, color=TONES["limit"])
    depth = float(answer.weakest_depth.m_as(MM))
    ax.plot([IN_CM2 * dose, IN_CM2 * dose], [0.0, depth], color=TONES["second"], linewidth=1.4, linestyle="-.")
    ax.plot([IN_CM2 * dose], [depth], marker="o", markersize=9, color=TONES["second"], markeredgecolor=INK, clip_on=False)
    ax.set_xlim(IN_CM2 * low, IN_CM2 * high)
    ax.set_ylim(0.0, top)
    ax.set_xlabel("exposure (mJ/cm²), logarithmic scale")
    ax.set_ylabel("cure depth (mm)")
    ax.set_title("Working curve, this setting as a point", loc="left", pad=10)


def _swept(answer: Answer, doses: np.ndarray, dose: float) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """Dose, depth and its standard uncertainty from the resin alone, the speed varied to give the doses."""
    beam = replace(answer.beam, power=measured(answer.beam.power).value, radius_x=measured(answer.beam.radius_x).value)
    if answer.beam.radius_y is not None:
        beam = replace(beam, radius_y=measured(answer.beam.radius_y).value)
    speed = measured(answer.scan.scan_speed).value
    spacing = answer.scan.hatch_spacing
    scan = replace(answer.scan, scan_speed=speed * (dose / doses), hatch_spacing=None if spacing is None else measured(spacing).value)
    many = evaluate(beam=beam, resin=answer.resin, scan=scan)
    name = "cure_depth_min" if scan.raster else "cure_depth"
    spread = many.standard_uncertainty.get(name)
    given = np.asarray(many.outputs.get("equivalent_min", many.outputs["exposure_min"]).m_as(MJ_MM2))
    return given, np.asarray(many.outputs[name].m_as(MM)), None if spread is None else np.asarray(spread.m_as(MM))


def _band(ax: Axes, answer: Answer, doses: np.ndarray, dose: float) -> None:
    """Where the curve lies with about 95 % as far as the resin is known; nothing where no uncertainty is stated."""
    try:
        e, depth, spread = _swept(answer, doses, dose)
    except QuantityError:  # no speed that means anything makes such a setting cure
        return
    if spread is not None:
        least, most = np.maximum(depth - _COVERED * spread, 0.0), depth + _COVERED * spread
        ax.fill_between(IN_CM2 * e, least, most, color=TONES["light"], linewidth=0.0, zorder=0.5)


def draw_beside(ax: Axes, other: Answer) -> None:
    """Another setting on the same axes: its curve dashed, its point hollow."""
    law = cure_law(other.given.x, other.given.form)
    dose = float(other.outputs.get("equivalent_min", other.outputs["exposure_min"]).m_as("mJ/mm^2"))
    low, high = ax.get_xlim()
    low, high = min(low, 80.0 * dose), max(high, 120.0 * dose)
    e = np.geomspace(float(law.dose(0.0)), 0.01 * high, FINE)
    ax.plot(IN_CM2 * e, law.depth(e), color=TONES["third"], linewidth=2.0, linestyle="--")
    depth = float(other.weakest_depth.m_as(MM))
    ax.plot([IN_CM2 * dose], [depth], marker="o", markersize=9, color="none", markeredgecolor=TONES["third"])
    ax.set_xlim(low, high)
    ax.set_ylim(0.0, max(*ax.get_ylim(), 1.15 * depth))
