"""The cured cross-section of a line or a raster, with the layer and its overcure marked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..physics import light
from ..setting.answer import Answer
from ..setting.model import Problem, cure_law, scan_of
from ..symbols import symbols
from ..units import MM, measured, show, show_kernel
from .style import FINE, HIGH, INK, PLATE, TONES, WIDE, arrow, caption, new_figure, panels, roomy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["dose_profile", "draw_section", "section_figure", "settings_text"]


def section_figure(answer: Answer, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
    """A figure of its own with the section drawn to scale in depth.

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
    (ax,) = panels(figure, top=18.0)
    draw_section(ax, answer)
    return figure


def dose_profile(given: Problem, answer: Answer) -> tuple[Any, Any]:
    """Positions across the tracks in mm and the surface dose there in mJ/mm^2 (weakest place along the track)."""
    scan, law = scan_of(given.x, given.form), cure_law(given.x, given.form)
    if scan.spacing is not None:
        half = 2.0 * scan.spacing
    else:
        across, _ = scan.spot.radii(scan.track)
        half = max(0.8 * float(answer.outputs["line_width"].m_as(MM)), 1.2 * float(across))
    y = np.linspace(-half, half, FINE)
    dose = light.across(scan, y, law.exponent, law.reference_irradiance)
    return y, dose


def draw_section(ax: Axes, answer: Answer, *, headed: bool = True) -> None:
    """Draw the section on axes: solid hatched in tone, the surface on top, depth downward in mm."""
    given = answer.given
    y, dose = dose_profile(given, answer)
    with np.errstate(under="ignore"):
        depth = cure_law(given.x, given.form).depth(dose)
    depth = np.broadcast_to(depth, y.shape)
    layer = None if answer.layer_thickness is None else float(measured(answer.layer_thickness).value.m_as(MM))
    deepest = roomy(max(float(depth.max()), layer or 0.0) or given.x["penetration_depth"])
    span = float(y[-1])
    ax.fill_between(y, 0.0, depth, color=TONES["light"], edgecolor="none")
    ax.plot(y, depth, color=TONES["solid"], linewidth=2.2)
    ax.axhline(0.0, color=INK, linewidth=1.2)
    if layer is not None:
        ax.axhline(layer, color=TONES["limit"], linewidth=1.6, linestyle="--")
        ax.annotate(
            f"layer {layer:.4g} mm",
            (span, layer),
            xytext=(-4, 4),
            textcoords="offset points",
            color=TONES["limit"],
            ha="right",
            va="bottom",
            fontsize=10,
            bbox=PLATE,
        )
    if given.form.raster:
        at = given.x["hatch_spacing"] * np.arange(-2, 3)
        ax.plot(at, np.zeros_like(at), linestyle="none", marker="v", color=INK, markersize=7, clip_on=False)
        words: dict[str, Any] = {"textcoords": "offset points", "ha": "center", "va": "bottom", "color": INK}
        ax.annotate("scanned lines (triangles)", (0.0, 0.0), xytext=(0, 4), fontsize=10, **words)
    ax.set_xlim(-span, span)
    ax.set_ylim(1.2 * deepest, -0.12 * deepest)
    _mark_overcure(ax, answer, layer, 0.5 * given.x["hatch_spacing"] if given.form.raster else 0.0)
    ax.set_xlabel("across the scan lines (mm)" if given.form.raster else "across the line (mm)")
    ax.set_ylabel("depth below the surface (mm)")
    if headed:
        ax.set_title(_title(answer), loc="left", pad=22)
        caption(ax, symbols(settings_text(answer)), xytext=(0, 6))


def _mark_overcure(ax: Axes, answer: Answer, layer: float | None, where: float) -> None:
    """An arrow between the layer's bottom and the tip, its size written clear of the curve."""
    if layer is None or not answer.cures:
        return
    depth = float(answer.weakest_depth.m_as(MM))
    over = answer.outputs["overcure"]
    arrow(ax, (where, where), sorted((depth, layer)))
    word = "overcure" if over.m >= 0 else "short by"
    amount = show_kernel(abs(float(over.m_as(MM))), "length", digits=3)
    ax.annotate(
        f"{word} {amount}",
        (where, 0.5 * (depth + layer)),
        xytext=(0.97, 0.05),
        textcoords="axes fraction",
        ha="right",
        va="bottom",
        fontsize=10,
        color=INK,
        bbox=PLATE,
        arrowprops={"arrowstyle": "-", "color": INK},
    )


def settings_text(answer: Answer) -> str:
    beam, scan, resin = answer.beam, answer.scan, answer.resin
    parts = [show(measured(beam.power).value, digits=3), f"W0 {show(measured(beam.radius_x).value, digits=3)}"]
    if beam.radius_y is not None:
        parts[-1] += f" x {show(measured(beam.radius_y).value, digits=3)}"
    parts.append(show(measured(scan.scan_speed).value, digits=4))
    if scan.hatch_spacing is not None:
        parts.append(f"spacing {show(measured(scan.hatch_spacing).value, digits=3)}")
    if scan.passes > 1 or scan.cross_hatch:
        parts.append(f"{scan.passes} passes" + (", crossed" if scan.cross_hatch else ""))
    parts.append(f"Dp {show(measured(resin.penetration_depth).value, digits=3)}")
    parts.append(f"Ec {show(measured(resin.critical_exposure).value, digits=3)}")
    return ", ".join(parts)


def _title(answer: Answer) -> str:
    place = "weakest place" if answer.scan.raster else "line"
    if not answer.cures:
        return f"Nothing cures at the {place}"
    text = f"Cured section: {place} {show(answer.weakest_depth, digits=3)} deep"
    if "line_width" in answer.outputs:
        text += f", {show(answer.outputs['line_width'], digits=3)} wide"
    return text
