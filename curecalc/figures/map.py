"""Maps: overcure of a layer with a closer look at its weakest place, the histogram, edge errors; print-through of a part from below.

Tones run evenly from dark to light and hold in grey and for colour-blind eyes; outlines and marks are drawn in ink.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from ..map.answer import FieldAnswer, dose_image
from ..map.drawing import loops_of
from ..map.look import MOST_PIXELS, Look
from ..map.survey import face_map
from ..map.tally import Place
from ..symbols import symbols
from ..units import IN_UM, MM, Quantity, show
from .style import INK, PLATE, TALL, TONES, WIDE, axes, caption, new_figure, panels, plain_step

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..map.field import Grid

__all__ = ["draw_histogram", "draw_look", "draw_overcure", "look_figure", "map_figure", "part_figure"]

_MOST_SHOWN = 2_000_000  # pixels of a part of which a picture is still computed
_COLOURS = "cividis"  # perceptually even, the same for common colour blindness, monotone in grey
LOOK_SHAPE = 0.78
LOOK_BOXES = ((0.15, 0.15, 0.66, 0.75), (0.925, 0.15, 0.03, 0.75))


def map_figure(answer: FieldAnswer, width_mm: float = WIDE, height_mm: float = TALL) -> Figure:
    """Overcure over the layer, its weakest place closer, the histogram of overcure and the edge error.

    Parameters
    ----------
    answer : FieldAnswer
        Of `exposure_field`.
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    job = answer.job
    assert job is not None
    whole, near, histogram, edges = panels(figure, 2, 2, top=18.0, hspace=30.0)
    limits = _limits(answer)
    draw_overcure(whole, answer, job.grid.window(), limits)
    place, *_ = answer.weakest_places or answer.rim_weakest_places or answer.deepest_places
    half = 4.0 * job.radius
    shown = draw_overcure(near, answer, (place.x - half, place.y - half, place.x + half, place.y + half), limits)
    _ring(near, place, "o")
    near.set_title(f"Weakest place:\n{place.why}", loc="left", fontsize=11)
    whole.set_title(f"Overcure of layer {job.first}", loc="left", pad=20)
    caption(whole, symbols(f"layer {show(answer.layer_thickness)}, error {answer.numerical_error:.0e} of the peak"), xytext=(0, 6))
    _tones_below(near, shown, "overcure")
    draw_histogram(histogram, answer)
    _draw_edges(edges, answer)
    return figure


def _tones_below(ax: Axes, shown: Any, what: str) -> None:
    """What the tones of a picture mean, below it."""
    ax.figure.colorbar(shown, ax=ax, location="bottom", pad=0.3, label=f"{what} (µm)")


def _outlined(linewidth: float) -> Any:
    """Ink with white around it, to be seen on any tone."""
    from matplotlib.patheffects import withStroke

    return {"color": INK, "path_effects": [withStroke(linewidth=linewidth, foreground="white")]}


def _ring(ax: Axes, place: Place, mark: str) -> None:
    ax.plot(place.x, place.y, mark, markersize=11, markerfacecolor="none", **_outlined(linewidth=3.0))


def _limits(answer: FieldAnswer) -> tuple[float, float]:
    """The range of tones, micrometres: that of core and rim, the deepest place included."""
    t = float(answer.layer_thickness.m_as(MM))
    low, high = (IN_UM * (float(q.m_as(MM)) - t) for q in (answer.cure_depth_min, answer.cure_depth_max))
    return max(low - 0.25 * (high - low), -IN_UM * t), high


def draw_overcure(ax: Axes, answer: FieldAnswer, window: tuple[float, float, float, float], limits: tuple[float, float]) -> Any:
    """Overcure in a window (mm) in tones, white where nothing cures, the drawn outline in ink; returns the image."""
    job = answer.job
    assert job is not None
    dose, grid, _ = dose_image(job, window, most=MOST_PIXELS)
    law, t = job.optics.law, job.layer_thickness
    over = np.where(dose >= law.dose(0.0), IN_UM * (law.depth(dose) - t), np.nan)
    image = ax.imshow(over, origin="lower", extent=_extent(grid), cmap=_COLOURS, clim=limits, interpolation="nearest")
    _bond(ax, grid, dose, float(law.dose(t)))
    _outlines(ax, loops_of(job.paths.of_layer(job.first)), INK)
    _frame(ax, window)
    return image


def _bond(ax: Axes, grid: Grid, field: np.ndarray, level: float) -> None:
    """The line inside of which a layer bonds, where there is one."""
    if field.min() < level < field.max():
        ax.contour(grid.x, grid.y, field, levels=[level], colors="white", linewidths=0.9, linestyles="--")


def _outlines(ax: Axes, loops: Iterable[np.ndarray], tone: str) -> None:
    for loop in loops:
        ax.fill(*loop.T, fill=False, edgecolor=tone, linewidth=0.9)


def _frame(ax: Axes, window: tuple[float, float, float, float]) -> None:
    """Ends and names of both axes, and a bar that shows a plain length."""
    low_x, low_y, high_x, high_y = window
    ax.set_xlim(low_x, high_x)
    ax.set_ylim(low_y, high_y)
    ax.grid(visible=False)
    ax.set_xlabel("x (mm)")
    ax.set_ylabel("y (mm)")
    wide = high_x - low_x
    length = plain_step(0.3 * wide)
    x, y = low_x + 0.05 * wide, low_y + 0.05 * (high_y - low_y)
    ax.plot([x, x + length], [y, y], linewidth=2.5, solid_capstyle="butt", **_outlined(linewidth=5.0))
    ax.annotate(
        show(Quantity(length, MM)), (x, y), xytext=(0, 5), textcoords="offset points", fontsize=9, color=INK, bbox=PLATE, zorder=1.5
    )


def _extent(grid: Grid) -> tuple[float, float, float, float]:
    half = 0.5 * grid.pixel
    low_x, low_y, high_x, high_y = grid.window()
    return low_x - half, high_x + half, low_y - half, high_y + half


def draw_histogram(ax: Axes, answer: FieldAnswer) -> None:
    """Share of the core's area over overcure."""
    edges, counts = answer.overcure_histogram
    if len(edges):
        ax.bar(IN_UM * edges, 100.0 * counts / counts.sum(), width=1.0, align="edge", color=TONES["solid"])  # counted by the micrometre
    if answer.job is not None:
        ax.axvline(IN_UM * answer.job.overcure, color=TONES["limit"], linestyle="--", linewidth=1.6)
    ax.set_xlabel("overcure in the core (µm)")
    ax.set_ylabel("area (%)")


def _draw_edges(ax: Axes, answer: FieldAnswer) -> None:
    """Edge error at its worst places and its usual range."""
    if answer.edge_error is None:
        ax.set_title("no drawn outline", loc="left", fontsize=9)
        ax.set_axis_off()
        return
    low, mean, high = (IN_UM * float(answer.edge_error[k].m_as(MM)) for k in ("low", "mean", "high"))
    ax.axvspan(low, high, color=TONES["light"])
    ax.axvline(mean, color=TONES["solid"], linewidth=2.2)
    worst = np.array([IN_UM * p.value for p in answer.edge_places])
    ax.plot(worst, range(len(worst)), "D", color=TONES["second"], markersize=5)
    ax.invert_yaxis()
    ax.axvline(0.0, color=INK, linewidth=1.2)
    ax.set_yticks([])
    ax.set_xlabel("cured edge beyond the drawing (µm)")
    ax.set_title("mean, 95 % range, worst places", loc="left", fontsize=9)


def part_figure(answer: FieldAnswer, width_mm: float = WIDE, height_mm: float = TALL) -> Figure:
    """Print-through in tones, as seen from below, with the worst places over the part's outlines; the histogram of overcure.

    Parameters
    ----------
    answer : FieldAnswer
        Of `part_field`.
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    job = answer.job
    assert job is not None
    ax, told, histogram, edges = panels(figure, 2, 2, wspace=14.0, hspace=30.0)
    if job.grid.rows * job.grid.columns <= _MOST_SHOWN:
        through, _ = face_map(job)
        if np.isfinite(through).any():
            tones = ax.imshow(IN_UM * through, origin="lower", extent=_extent(job.grid), cmap=_COLOURS, interpolation="nearest")
            _tones_below(ax, tones, "print-through")
    for layer in np.unique(np.linspace(job.first, job.last, 12).astype(int)):
        _outlines(ax, loops_of(job.paths.of_layer(int(layer))), TONES["faint"])
    _marks(ax, answer.print_through_places, "s", TONES["second"], "print-through")
    _marks(ax, answer.weakest_places, "o", TONES["limit"], "weakest bond")
    _marks(ax, answer.deepest_places, "^", TONES["solid"], "deepest")
    _frame(ax, job.grid.window())
    ax.set_aspect("equal")
    figure.legend(loc="upper left", ncols=3, fontsize=9, frameon=False)
    draw_histogram(histogram, answer)
    _draw_edges(edges, answer)
    rows = [f"{name}: {symbols(text)}" for name, text in answer.rows() if not name.startswith((" ", "exposure", "cure depth"))]
    told.set_axis_off()
    told.text(0.0, 1.0, "\n".join(rows), fontsize=8, linespacing=2.0, color=INK, va="top")
    return figure


def _marks(ax: Axes, places: tuple[Place, ...], mark: str, tone: str, label: str) -> None:
    if places:
        ax.plot([p.x for p in places], [p.y for p in places], mark, color=tone, markersize=7, markerfacecolor="none", label=label)


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
    from matplotlib.colors import ListedColormap

    t, law, answer = look.thickness, look.law, look.answer
    edges = _bands(-t, max(float(answer.cure_depth_max.m_as(MM)) - t, 0.0))
    doses = law.dose(t + edges)
    tones = colormaps[_COLOURS](np.linspace(0.0, 1.0, len(edges) - 1))
    logged = np.log(np.clip(look.dose, 0.02 * doses.min(), doses.max()))
    ax.contourf(look.grid.x, look.grid.y, logged, levels=np.log(doses), colors=tones)
    _bond(ax, look.grid, logged, float(np.log(law.dose(t))))
    _outlines(ax, look.loops, INK)
    for name, mark in (("weakest", "o"), ("deepest", "^")):
        for place, _ in look.worst(name)[:1]:
            _ring(ax, place, mark)
    _frame(ax, look.window)
    bar.pcolormesh([0.0, 1.0], IN_UM * edges, np.arange(len(tones))[:, None], cmap=ListedColormap(tones))
    bar.xaxis.set_visible(False)
    bar.grid(visible=False)
    bar.set_ylim(IN_UM * edges.min(), IN_UM * edges.max())
    bar.set_title("µm", fontsize=10, color=INK)
    ax.set_title("Overcure", loc="left")


def _bands(low: float, high: float) -> np.ndarray:
    """Edges from low to high and a little beyond at whole multiples of 1, 2 or 5 times a power of ten, 12 to 30 of them."""
    step = plain_step((high - low) / 12.0)
    inner = step * np.arange(math.ceil(low / step + 1e-9), math.ceil(high / step) + 1)
    return np.concatenate([[low], inner])
