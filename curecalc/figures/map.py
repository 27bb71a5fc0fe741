"""Maps: overcure of a layer with a closer look at its weakest place, the histogram, edge errors; print-through of a part from below.

Tones run evenly from dark to light and hold in grey and for colour-blind eyes; outlines and marks are drawn in ink.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from ..map.answer import FieldAnswer, dose_image
from ..map.drawing import loops_of
from ..map.look import Look
from ..map.survey import face_map
from ..map.tally import Place
from ..symbols import symbols
from ..units import IN_UM, MM, show
from .style import INK, TONES, axes, caption, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..map.field import Grid

__all__ = ["draw_histogram", "draw_look", "draw_overcure", "look_figure", "map_figure", "part_figure"]

_MOST_SHOWN = 2_000_000  # pixels of a part of which a picture is still computed
_COLOURS = "cividis"  # perceptually even, the same for common colour blindness, monotone in grey
LOOK_SHAPE = 0.78
LOOK_BOXES = ((0.15, 0.15, 0.66, 0.75), (0.925, 0.15, 0.03, 0.75))


def map_figure(answer: FieldAnswer, width_mm: float = 190.0, height_mm: float = 150.0) -> Figure:
    """Overcure over the layer, its weakest place closer, the histogram of overcure and the edge error."""
    figure = new_figure(width_mm, height_mm)
    job = answer.job
    assert job is not None
    whole = axes(figure, (0.08, 0.44, 0.40, 0.46))
    limits = _limits(answer)
    shown = draw_overcure(whole, answer, job.grid.window(), limits)
    place = (answer.weakest_places or answer.rim_weakest_places or answer.deepest_places)[0]
    near = axes(figure, (0.70, 0.44, 0.28, 0.46))
    half = 4.0 * job.radius
    draw_overcure(near, answer, (place.x - half, place.y - half, place.x + half, place.y + half), limits)
    near.plot([place.x], [place.y], "o", markersize=11, markerfacecolor="none", markeredgecolor="white", markeredgewidth=3.0)
    near.plot([place.x], [place.y], "o", markersize=11, markerfacecolor="none", markeredgecolor=INK, markeredgewidth=1.4)
    near.set_title(f"Weakest place:\n{place.why}", loc="left", fontsize=11)
    whole.set_title(f"Overcure of layer {job.first}", loc="left", pad=20)
    caption(whole, f"layer {show(answer.layer_thickness)}, error {answer.numerical_error:.0e} of the peak")
    bar = figure.add_axes((0.51, 0.46, 0.018, 0.42))
    figure.colorbar(shown, cax=bar)
    bar.set_title("µm", fontsize=10, color=INK)
    draw_histogram(axes(figure, (0.08, 0.11, 0.40, 0.22)), answer)
    _draw_edges(axes(figure, (0.60, 0.11, 0.37, 0.22)), answer)
    return figure


def _limits(answer: FieldAnswer) -> tuple[float, float]:
    """The range of tones, micrometres: that of core and rim, the deepest place included."""
    t = float(answer.layer_thickness.m_as(MM))
    low, high = (IN_UM * (float(q.m_as(MM)) - t) for q in (answer.cure_depth_min, answer.cure_depth_max))
    return max(low - 0.25 * (high - low), -IN_UM * t), high


def draw_overcure(ax: Axes, answer: FieldAnswer, window: tuple[float, float, float, float], limits: tuple[float, float]) -> Any:
    """Overcure in a window (mm) in tones, white where nothing cures, the drawn outline in ink; returns the image."""
    job = answer.job
    assert job is not None
    dose, grid, _ = dose_image(job, window, most=250_000)
    law, t = job.optics.law, job.layer_thickness
    over = np.where(dose >= law.dose(0.0), IN_UM * (law.depth(dose) - t), np.nan)
    image = ax.imshow(over, origin="lower", extent=_extent(grid), cmap=_COLOURS, vmin=limits[0], vmax=limits[1], interpolation="nearest")
    if np.nanmin(over, initial=0.0) < 0.0 < np.nanmax(over, initial=0.0):
        ax.contour(grid.x, grid.y, np.nan_to_num(over, nan=-IN_UM * t), levels=[0.0], colors="white", linewidths=0.9, linestyles="--")
    for loop in loops_of(job.paths.of_layer(job.first)):
        closed = np.vstack([loop, loop[:1]])
        ax.plot(closed[:, 0], closed[:, 1], color=INK, linewidth=0.9)
    ax.set_xlim(window[0], window[2])
    ax.set_ylim(window[1], window[3])
    ax.grid(visible=False)
    _scale_bar(ax, window)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    return image


def _extent(grid: Grid) -> tuple[float, float, float, float]:
    half = 0.5 * grid.pixel
    low_x, low_y, high_x, high_y = grid.window()
    return low_x - half, high_x + half, low_y - half, high_y + half


def _scale_bar(ax: Axes, window: tuple[float, float, float, float]) -> None:
    wide = window[2] - window[0]
    length = 10.0 ** np.floor(np.log10(0.3 * wide))
    length *= max(k for k in (1, 2, 5) if k * length <= 0.3 * wide)
    x, y = window[0] + 0.05 * wide, window[1] + 0.05 * (window[3] - window[1])
    ax.plot([x, x + length], [y, y], color="white", linewidth=5.0, solid_capstyle="butt")
    ax.plot([x, x + length], [y, y], color=INK, linewidth=2.5, solid_capstyle="butt")
    text = f"{length:g} mm" if length >= 0.1 else f"{IN_UM * length:g} µm"
    clear = {"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.85}
    ax.annotate(text, (x, y), xytext=(0, 5), textcoords="offset points", fontsize=9, color=INK, bbox=clear)


def draw_histogram(ax: Axes, answer: FieldAnswer) -> None:
    """Share of the core's area over overcure."""
    edges, counts = answer.overcure_histogram
    if len(edges):
        low, high = IN_UM * edges[0], IN_UM * (edges[-1] + 0.001)
        bins = np.linspace(low, high, max(int(min((high - low), 60)), 1) + 1).tolist()
        ax.hist(IN_UM * edges + 0.5, bins=bins, weights=100.0 * counts / counts.sum(), color=TONES["solid"])
        ax.axvline(IN_UM * (answer.job.overcure if answer.job else 0.0), color=TONES["limit"], linestyle="--", linewidth=1.6)
    ax.set_xlabel("overcure in the core (µm)")
    ax.set_ylabel("area (%)")


def _draw_edges(ax: Axes, answer: FieldAnswer) -> None:
    """Edge error at its worst places and its usual range."""
    if answer.edge_error is None:
        ax.text(0.5, 0.5, "no drawn outline", transform=ax.transAxes, ha="center", va="center", color=INK)
        ax.set_axis_off()
        return
    low, mean, high = (IN_UM * float(answer.edge_error[k].m_as(MM)) for k in ("low", "mean", "high"))
    ax.axvspan(low, high, color=TONES["light"])
    ax.axvline(mean, color=TONES["solid"], linewidth=2.2)
    worst = np.array([IN_UM * p.value for p in answer.edge_places])
    ax.plot(worst, np.linspace(0.85, 0.15, len(worst)), "D", color=TONES["second"], markersize=5)
    ax.axvline(0.0, color=INK, linewidth=1.2)
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    ax.set_xlabel("cured edge beyond the drawing (µm)")
    ax.set_title("mean, 95 % range, worst places", loc="left", fontsize=9)


def part_figure(answer: FieldAnswer, width_mm: float = 190.0, height_mm: float = 140.0) -> Figure:
    """Print-through in tones, as seen from below, with the worst places over the part's outlines; the histogram of overcure."""
    figure = new_figure(width_mm, height_mm)
    job = answer.job
    assert job is not None
    ax = axes(figure, (0.08, 0.12, 0.46, 0.74))
    if job.grid.rows * job.grid.columns <= _MOST_SHOWN:
        through, _ = face_map(job)
        if np.isfinite(through).any():
            tones = ax.imshow(IN_UM * through, origin="lower", extent=_extent(job.grid), cmap=_COLOURS, interpolation="nearest")
            bar = figure.add_axes((0.555, 0.16, 0.016, 0.62))
            figure.colorbar(tones, cax=bar)
            bar.set_title("µm", fontsize=10, color=INK)
    for layer in np.unique(np.linspace(job.first, job.last, 12).astype(int)):
        for loop in loops_of(job.paths.of_layer(int(layer))):
            closed = np.vstack([loop, loop[:1]])
            ax.plot(closed[:, 0], closed[:, 1], color=TONES["faint"], linewidth=0.8)
    ax.grid(visible=False)
    _marks(ax, answer.print_through_places, "s", TONES["second"], "print-through")
    _marks(ax, answer.weakest_places, "o", TONES["limit"], "weakest bond")
    _marks(ax, answer.deepest_places, "^", TONES["solid"], "deepest")
    low_x, low_y, high_x, high_y = job.grid.window()
    ax.set_xlim(low_x, high_x)
    ax.set_ylim(low_y, high_y)
    ax.set_aspect("equal")
    _scale_bar(ax, job.grid.window())
    ax.legend(loc="lower left", bbox_to_anchor=(-0.02, 1.0), ncols=3, fontsize=9, frameon=False, columnspacing=1.0, handletextpad=0.2)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    draw_histogram(axes(figure, (0.72, 0.56, 0.26, 0.30)), answer)
    rows = [row for row in answer.rows() if not row[0].startswith(" ")]
    for i, (name, text) in enumerate([*rows[5:12], rows[-1]]):
        figure.text(0.625, 0.42 - 0.045 * i, f"{name}: {symbols(text)}", fontsize=8, color=INK)
    return figure


def _marks(ax: Axes, places: tuple[Place, ...], mark: str, tone: str, label: str) -> None:
    if places:
        ax.plot(
            [p.x for p in places],
            [p.y for p in places],
            mark,
            color=tone,
            markersize=7,
            markerfacecolor="none",
            markeredgewidth=1.6,
            label=label,
        )


def look_figure(look: Look) -> Figure:
    """A layer in a window as a figure of its own."""
    figure = new_figure(150.0, 150.0 * LOOK_SHAPE)
    ax, bar = (axes(figure, box) for box in LOOK_BOXES)
    draw_look(ax, bar, look)
    return figure


def draw_look(ax: Axes, bar: Axes, look: Look) -> None:
    """Overcure in bands of one height each, white where nothing cures; outlines, weakest and deepest place; the bands' scale beside it.

    Bands are drawn as outlines of equal dose, not as pixels, and keep their tones at every speed.
    """
    from matplotlib import colormaps
    from matplotlib.colors import BoundaryNorm

    t, law, answer = look.thickness, look.law, look.answer
    edges = _bands(-t, max(float(answer.cure_depth_max.m_as(MM)) - t, 0.0))
    doses = np.array([law.dose(t + e) for e in edges])
    tones = colormaps[_COLOURS](np.linspace(0.0, 1.0, len(edges) - 1))
    logged = np.log(np.clip(look.dose, 0.02 * doses[0], 0.999 * doses[-1]))
    ax.contourf(look.grid.x, look.grid.y, logged, levels=np.log(doses), colors=tones)
    if edges[0] < 0.0 < edges[-1] and logged.min() < np.log(law.dose(t)) < logged.max():
        ax.contour(look.grid.x, look.grid.y, logged, levels=[np.log(law.dose(t))], colors="white", linewidths=1.0, linestyles="--")
    for loop in look.loops:
        closed = np.vstack([loop, loop[:1]])
        ax.plot(closed[:, 0], closed[:, 1], color=INK, linewidth=1.0)
    for name, mark in (("weakest", "o"), ("deepest", "^")):
        for place, _ in look.worst(name)[:1]:
            for tone, width in (("white", 3.4), (INK, 1.6)):
                ax.plot([place.x], [place.y], mark, markersize=10, markerfacecolor="none", markeredgecolor=tone, markeredgewidth=width)
    ax.set_xlim(look.window[0], look.window[2])
    ax.set_ylim(look.window[1], look.window[3])
    ax.grid(visible=False)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    norm = BoundaryNorm(np.arange(len(edges)), 256)
    bar.pcolormesh([0.0, 1.0], IN_UM * edges, np.arange(len(tones))[:, None], cmap=colormaps[_COLOURS], norm=norm)
    bar.xaxis.set_visible(False)
    bar.grid(visible=False)
    bar.set_ylim(IN_UM * edges[0], IN_UM * edges[-1])
    bar.set_title("µm", fontsize=10, color=INK)
    ax.set_title("Overcure", loc="left")


def _bands(low: float, high: float) -> np.ndarray:
    """Edges from low to high and a little beyond at whole multiples of 1, 2 or 5 times a power of ten, 12 to 30 of them."""
    step = (high - low) / 12.0
    step = max(k * 10.0 ** math.floor(math.log10(step)) for k in (1.0, 2.0, 5.0) if k * 10.0 ** math.floor(math.log10(step)) <= step)
    inner = step * np.arange(math.ceil(low / step + 1e-9), math.ceil(high / step) + 1)
    return np.concatenate([[low], inner])
