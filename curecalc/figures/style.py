"""One look for every figure: fixed margins, large plain type, tones that differ in grey print, no global state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..files.disk import FIGURES, check_target, write_bytes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "FINE",
    "HIGH",
    "HOLLOW",
    "INK",
    "MARKS",
    "PLATE",
    "SVG_RULES",
    "TALL",
    "TONES",
    "WIDE",
    "arrow",
    "axes",
    "caption",
    "figure_bytes",
    "new_figure",
    "panels",
    "plain_log",
    "plain_step",
    "plain_ticks",
    "roomy",
    "save",
    "svg_text",
]

# Tones chosen to differ in lightness first (they stay apart in grey print and for colour-blind readers), hue second.
TONES = {
    "solid": "#2f5d7c",  # cured resin, the main curve
    "second": "#b8651b",  # a second curve or set of points
    "third": "#6b8f3a",
    "light": "#c9d6df",  # areas behind curves
    "warm": "#ead7c3",
    "limit": "#8c1d18",  # limits and refusals, always drawn dashed as well
    "faint": "#9aa4ab",
}
INK = "#1d2327"
MARKS = ("o", "s", "^", "D", "v", "P")
HOLLOW: Any = {"markerfacecolor": "white", "markeredgewidth": 1.5}  # how a measured place is marked
PLATE = {"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"}  # under words that stand on curves
SVG_RULES: Any = {"svg.fonttype": "none", "svg.hashsalt": "curecalc"}
FINE = 301  # places along a drawn curve
WIDE, HIGH, TALL = 170.0, 110.0, 145.0  # mm: what a figure takes of a sheet of A4


def new_figure(width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
    """An empty figure of a given size, without pyplot."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def axes(figure: Figure, box: tuple[float, float, float, float], kind: type[Axes] | None = None) -> Axes:
    """Axes at a fixed place (left, bottom, width, height as shares of the figure), in the common style."""
    ax = figure.add_axes(box, axes_class=kind)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(INK)
    ax.tick_params(colors=INK)
    for words in (ax.xaxis.label, ax.yaxis.label, ax.title):
        words.set_color(INK)
    ax.grid(visible=True, color="#e3e7ea", linewidth=0.8)
    ax.set_axisbelow(True)
    return ax


def panels(
    figure: Figure,
    rows: int = 1,
    columns: int = 1,
    *,
    left: float = 20.0,
    right: float = 6.0,
    bottom: float = 17.0,
    top: float = 13.0,
    wspace: float = 26.0,
    hspace: float = 13.0,
) -> list[Axes]:
    """Axes row by row, the first of two rows twice as high; the room around and between them, for numbers and words, in mm."""
    wide, high = 25.4 * figure.get_size_inches()
    each = (wide - left - right - (columns - 1) * wspace) / columns
    inner = high - bottom - top
    low = (inner - hspace) / 3.0
    heights = {1: [(bottom, inner)], 2: [(high - top - 2.0 * low, 2.0 * low), (bottom, low)]}[rows]
    places = [left + i * (each + wspace) for i in range(columns)]
    return [axes(figure, (x / wide, y / high, each / wide, up / high)) for y, up in heights for x in places]


def plain_step(most: float) -> float:
    """The greatest of 1, 2, 5 times a power of ten that is no more."""
    decade = 10.0 ** math.floor(math.log10(most))
    return max(k * decade for k in (1.0, 2.0, 5.0) if k * decade <= most)


def roomy(value: float) -> float:
    """The next of 1, 1.25, 1.6, 2, 2.5, 3.2, 4, 5, 6.4, 8 times a power of ten: an axis that ends there keeps still while values move."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next(k * decade for k in (1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0, 10.0) if k * decade >= value)


def caption(ax: Axes, text: str, side: str = "left", **style: Any) -> None:
    """Words above the axes from one of their upper corners: the settings behind a figure, small, under the title."""
    corner = {"left": (0.0, 1.0), "right": (1.0, 1.0)}[side]
    style = {"fontsize": "small", "color": INK, "ha": side, "va": "bottom", "textcoords": "offset points"} | style
    ax.annotate(text, corner, xycoords="axes fraction", **style)


def arrow(ax: Axes, x: Sequence[float], y: Sequence[float]) -> None:
    """An upright arrow with a head at both ends, from the upper end to the lower."""
    from matplotlib.markers import CARETDOWN, CARETUP  # whose tips are at the place

    ax.plot(x, y, color=INK, linewidth=1.4)
    for at, end, head in zip(x, y, (CARETUP, CARETDOWN)):
        ax.plot([at], [end], color=INK, marker=head, markersize=5)


def plain_ticks() -> Any:
    """Places of ticks at 1, 2, 5 of each decade."""
    from matplotlib.ticker import LogLocator

    return LogLocator(subs=(1.0, 2.0, 5.0))


def plain_log(axis: Any) -> None:
    """A logarithmic axis with such ticks in plain figures."""
    from matplotlib.ticker import FuncFormatter, NullLocator

    axis.axes.set_xscale("log") if axis.axis_name == "x" else axis.axes.set_yscale("log")
    axis.set_major_locator(plain_ticks())
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_locator(NullLocator())


def save(figure: Figure, path: str | Path, *, option: str = "--figure") -> Path:
    """Write the figure as png, svg or pdf by its ending; the same input gives the same bytes; never half a file."""
    target = check_target(option, str(path), FIGURES)
    return write_bytes(target, figure_bytes(figure, target.suffix.lower()[1:]), overwrite=True)


def svg_text(figure: Figure) -> str:
    """The figure as SVG text with selectable labels, for pages and sheets."""
    return figure_bytes(figure, "svg").decode("utf-8")


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """The figure as the bytes of a file: kind is png, svg or pdf."""
    from io import BytesIO

    import matplotlib

    buffer = BytesIO()
    metadata: dict[str, Any] = {"svg": {"Date": None, "Creator": None}, "pdf": {"CreationDate": None}, "png": {}}[kind]
    with matplotlib.rc_context({**SVG_RULES, "pdf.fonttype": 42}):
        figure.savefig(buffer, format=kind, dpi=160, metadata=metadata)
    return buffer.getvalue()
