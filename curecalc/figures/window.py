"""The process window drawn: assurance in greys, depth contours, the borders of bond and print-through, limits hatched out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..recipe.bounds import LIMIT_NAMES
from ..recipe.window import AXES, Window
from ..symbols import percent
from ..units import KINDS
from .style import HOLLOW, INK, PLATE, TALL, TONES, WIDE, new_figure, panels, plain_step

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
_TOUCHES = 1e-9  # what is no further beyond a limit than this stands on it
_GREYS = ("#8d979e", "#c3cad0", "#e6eaed", "#ffffff")


def window_figure(window: Window, width_mm: float = WIDE, height_mm: float = TALL) -> Figure:
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
    (ax,) = panels(figure, bottom=36.0)
    draw_window(ax, window)
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
    unsure, *surer = tones = _GREYS[-len(levels) - 1 :]
    ax.set_facecolor(unsure)
    for level, tone in zip(levels, surer):
        ax.contourf(x, y, window.excess[level], levels=[0.0, np.inf], colors=[tone])
    handles: list[Any] = [Patch(facecolor=tone, edgecolor=INK, linewidth=0.6, label=_band(levels, i)) for i, tone in enumerate(tones)]
    _depth_lines(ax, x, y, window)
    handles.append(Line2D([], [], color=TONES["solid"], linewidth=1.2, label="cure depth (mm)"))
    ax.contour(x, y, window.excess[asked], levels=[0.0], colors=[INK], linewidths=2.4)
    handles.append(Line2D([], [], color=INK, linewidth=2.4, label=f"bond, {percent(asked)} assured"))
    handles += _soft(ax, x, y, window)
    named = _hard(ax, x, y, window)
    said = ""
    if named:
        handles.append(Patch(facecolor="none", edgecolor=TONES["limit"], hatch="////", linewidth=0.8, label="beyond a limit"))
        said = f"limits crossed: {', '.join(named)}"
    mark: Any = {"marker": "o", "markeredgecolor": INK, **HOLLOW}
    ax.plot(*window.chosen, **mark, markersize=11, clip_on=False, zorder=9)
    ax.plot(*window.chosen, marker="+", markersize=7, color=INK, clip_on=False, zorder=10)
    handles.append(Line2D([], [], color="none", **mark, markersize=9, label="chosen"))
    ax.set_xlim(window.x.min(), window.x.max())
    ax.set_ylim(window.y.min(), window.y.max())
    ax.set_xlabel(_label(window.across))
    ax.set_ylabel(_label(window.up))
    held = ", ".join(f"{_SHORT[name]} {value:.4g} {KINDS[AXES[name][0]].shown_text}" for name, value in window.held.items())
    ax.set_title(f"{window.vector.kind} at {held}", loc="left", pad=8, fontsize=9.5, color=INK)
    ax.figure.legend(
        handles=handles, loc="lower left", ncols=3, frameon=False, fontsize=8.5, title=said, title_fontsize=8.5, alignment="left"
    )


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
    low, high = max(float(depth.min()), 0.0), float(depth.max())
    if high <= low:
        return
    step = plain_step((high - low) / 5.0)
    levels = step * np.arange(np.floor(low / step) + 1.0, np.ceil(high / step))  # between, not at the ends
    lines = ax.contour(x, y, depth, levels=levels, colors=[TONES["solid"]], linewidths=1.2)
    labels = ax.clabel(lines, fmt=lambda v: f"{v:.3g}", fontsize=9, inline=True)
    for label in labels or []:
        label.set(rotation=0.0, bbox=PLATE, zorder=8)


_SOFT: dict[str, tuple[str, Any, str]] = {
    "print_through": ("second", "--", "largest print-through"),
    "ripple": ("second", ":", "largest ripple"),
    "overcure": ("second", "-.", "largest overcure"),
    "line_width_high": ("third", "--", "largest line width"),
    "line_width_low": ("third", ":", "smallest line width"),
    "width_accuracy": ("third", "-.", "width accuracy"),
}


def _soft(ax: Axes, x: Any, y: Any, window: Window) -> list[Any]:
    from matplotlib.lines import Line2D

    handles = []
    for name, (tone, style, text) in _SOFT.items():
        grid = window.over.get(name)
        if grid is None or not (np.nanmin(grid) < 0.0 < np.nanmax(grid)):
            continue
        ax.contour(x, y, _near(grid), levels=[0.0], colors=[TONES[tone]], linewidths=2.0, linestyles=[style])
        handles.append(Line2D([], [], color=TONES[tone], linewidth=2.0, linestyle=style, label=text))
    return handles


def _near(grid: Any) -> Any:
    """How far beyond a limit, where far is no more than far enough: it bends no contour beside it."""
    return np.clip(grid, -1.0, 1.0)


def _hard(ax: Axes, x: Any, y: Any, window: Window) -> list[str]:
    """Hatch what lies beyond limits of the machine or of the needs; their names."""
    import matplotlib

    beyond = {name: grid for name, grid in window.over.items() if np.any(grid > _TOUCHES)}
    if beyond:
        worst = np.max([_near(grid) for grid in beyond.values()], axis=0)
        with matplotlib.rc_context({"hatch.color": TONES["limit"], "hatch.linewidth": 0.8}):
            ax.contourf(x, y, worst, levels=[_TOUCHES, np.inf], colors="none", hatches=["////"])
        if worst.min() < _TOUCHES:
            ax.contour(x, y, worst, levels=[_TOUCHES], colors=[TONES["limit"]], linewidths=1.0)
    return [LIMIT_NAMES.get(name, name) for name in beyond]
