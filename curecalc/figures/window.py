"""The process window drawn: assurance in greys, depth contours, the borders of bond and print-through, limits hatched out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..recipe.bounds import LIMIT_NAMES
from ..recipe.window import AXES, Window
from ..symbols import percent
from ..units import KINDS
from .style import INK, TONES, axes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_window", "window_figure"]

_NAMES = {
    "power": "power",
    "scan_speed": "scan speed",
    "hatch_spacing": "hatch spacing",
    "beam_radius": "beam radius",
    "layer_thickness": "layer thickness",
}
_SHORT = {**_NAMES, "hatch_spacing": "spacing", "layer_thickness": "layer", "scan_speed": "speed"}
_GREYS = ("#8d979e", "#c3cad0", "#e6eaed", "#ffffff")


def window_figure(window: Window, width_mm: float = 170.0, height_mm: float = 125.0) -> Figure:
    """A figure of its own.

    Parameters
    ----------
    window : Window
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    below = 36.0 / height_mm
    draw_window(axes(figure, (20.0 / width_mm, below, 1.0 - 28.0 / width_mm, 1.0 - below - 10.0 / height_mm)), window)
    return figure


def draw_window(ax: Axes, window: Window) -> None:
    """Draw the window on axes, with a legend below."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    x, y = np.meshgrid(window.x, window.y)
    asked = window.vector.assurance_asked
    levels = sorted(window.excess)
    ax.grid(visible=False)
    # from the darkest: less sure than the first level, then lighter towards sure
    tones = _GREYS[-len(levels) - 1 :]
    ax.set_facecolor(tones[0])
    for level, tone in zip(levels, tones[1:]):
        ax.contourf(x, y, window.excess[level], levels=[0.0, np.inf], colors=[tone])
    handles: list[Any] = [Patch(facecolor=tone, edgecolor=INK, linewidth=0.6, label=_band(levels, i)) for i, tone in enumerate(tones)]
    _depth_lines(ax, x, y, window)
    handles.append(Line2D([], [], color=TONES["solid"], linewidth=1.2, label="cure depth (mm)"))
    ax.contour(x, y, window.excess[asked], levels=[0.0], colors=[INK], linewidths=2.4)
    handles.append(Line2D([], [], color=INK, linewidth=2.4, label=f"bond, {percent(asked)} assured"))
    handles += _soft(ax, x, y, window)
    named = _hard(ax, x, y, window)
    if named:
        handles.append(Patch(facecolor="none", edgecolor=TONES["limit"], hatch="////", linewidth=0.8, label="beyond a limit"))
        said = f"limits crossed: {', '.join(named)}"
        ax.text(-0.09, _below(ax, 29.5), said, transform=ax.transAxes, fontsize=8.5, color=INK, va="top", clip_on=False)
    ax.plot(
        *window.chosen,
        marker="o",
        markersize=11,
        markerfacecolor="white",
        markeredgecolor=INK,
        markeredgewidth=2.2,
        clip_on=False,
        zorder=9,
    )
    ax.plot(*window.chosen, marker="+", markersize=7, color=INK, markeredgewidth=1.8, clip_on=False, zorder=10)
    handles.append(
        Line2D(
            [],
            [],
            marker="o",
            color="none",
            markerfacecolor="white",
            markeredgecolor=INK,
            markeredgewidth=2.0,
            markersize=9,
            label="chosen",
        )
    )
    ax.set_xlim(window.x[0], window.x[-1])
    ax.set_ylim(window.y[0], window.y[-1])
    ax.set_xlabel(_label(window.across))
    ax.set_ylabel(_label(window.up))
    held = ", ".join(f"{_SHORT[name]} {value:.4g} {KINDS[AXES[name][0]].shown_text}" for name, value in window.held.items())
    ax.set_title(f"{window.vector.kind} at {held}", loc="left", pad=8, fontsize=9.5, color=INK)
    ax.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(-0.1, _below(ax, 13.0)),
        ncol=3,
        frameon=False,
        fontsize=8.5,
        handlelength=2.0,
        columnspacing=1.1,
        borderaxespad=0.0,
    )


def _below(ax: Axes, millimetres: float) -> float:
    """A place that many millimetres below the axes, in their own heights."""
    return -millimetres / 25.4 / (ax.figure.get_figheight() * ax.get_position().height)  # type: ignore[union-attr]


def _band(levels: list[float], i: int) -> str:
    if i == 0:
        return f"below {percent(levels[0])}"
    if i == len(levels):
        return f"{percent(levels[-1])} and more"
    return f"assurance {percent(levels[i - 1], to=levels[i])}"


def _label(name: str) -> str:
    return f"{_NAMES[name]} ({KINDS[AXES[name][0]].shown_text})"


def _depth_lines(ax: Axes, x: Any, y: Any, window: Window) -> None:
    depth = window.cure_depth
    low, high = float(depth.min()), float(depth.max())
    if high <= low:
        return
    step = _nice((high - low) / 6.0)
    levels = np.arange(np.ceil(low / step) * step, high, step)
    levels = levels[levels > 0.0]
    if levels.size == 0:
        return
    lines = ax.contour(x, y, depth, levels=levels, colors=[TONES["solid"]], linewidths=1.2)
    labels = ax.clabel(lines, fmt=lambda v: f"{v:.3g}", fontsize=9, inline=True)
    for label in labels or []:
        label.set_rotation(0.0)
        label.set_bbox({"boxstyle": "round,pad=0.12", "facecolor": "white", "edgecolor": "none", "alpha": 0.85})
        label.set_zorder(8)


def _nice(step: float) -> float:
    base = 10.0 ** np.floor(np.log10(step))
    return float(base * min((1.0, 2.0, 2.5, 5.0, 10.0), key=lambda m: abs(m * base - step)))


_SOFT: dict[str, tuple[Any, str]] = {
    "print_through": ("--", "largest print-through"),
    "ripple": (":", "largest ripple"),
    "overcure": ("-.", "largest overcure"),
    "line_width_high": ((0, (1, 1)), "largest line width"),
    "line_width_low": ((0, (5, 1, 1, 1)), "smallest line width"),
    "width_accuracy": ((0, (8, 2)), "width accuracy"),
}


def _soft(ax: Axes, x: Any, y: Any, window: Window) -> list[Any]:
    from matplotlib.lines import Line2D

    handles = []
    for name, (style, text) in _SOFT.items():
        grid = window.over.get(name)
        if grid is None or not (np.nanmin(grid) < 0.0 < np.nanmax(grid)):
            continue
        ax.contour(x, y, np.clip(grid, -1.0, 1.0), levels=[0.0], colors=[TONES["second"]], linewidths=2.0, linestyles=[style])
        handles.append(Line2D([], [], color=TONES["second"], linewidth=2.0, linestyle=style, label=text))
    return handles


def _hard(ax: Axes, x: Any, y: Any, window: Window) -> list[str]:
    """Hatch what lies beyond limits of the machine or of the needs; their names."""
    named = []
    worst = np.full(x.shape, -np.inf)
    for name, grid in window.over.items():
        if np.any(grid > 1e-9):
            worst = np.maximum(worst, np.clip(grid, -1.0, 1.0))
            named.append(LIMIT_NAMES.get(name, name))
    if named:
        import matplotlib

        with matplotlib.rc_context({"hatch.color": TONES["limit"], "hatch.linewidth": 0.8}):
            ax.contourf(x, y, worst, levels=[1e-9, np.inf], colors="none", hatches=["////"])
        if worst.min() < 0.0:
            ax.contour(x, y, worst, levels=[1e-9], colors=[TONES["limit"]], linewidths=1.0)
    return named
