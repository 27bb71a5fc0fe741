"""One look for every figure: fixed margins, large plain type, tones that differ in grey print, no global state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..files.disk import FIGURES, check_target, write_bytes
from ..symbols import symbols

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "INK",
    "MARKS",
    "SVG_RULES",
    "TONES",
    "arrow",
    "axes",
    "caption",
    "figure_bytes",
    "new_figure",
    "plain_log",
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
SVG_RULES: Any = {"svg.fonttype": "none", "svg.hashsalt": "curecalc"}
_SIZE = 11.0


def new_figure(width_mm: float = 170.0, height_mm: float = 115.0) -> Figure:
    """An empty figure of a given size, without pyplot."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def axes(figure: Figure, box: tuple[float, float, float, float] = (0.13, 0.15, 0.83, 0.74), kind: type[Axes] | None = None) -> Axes:
    """Axes at a fixed place (left, bottom, width, height as shares of the figure), in the common style."""
    ax = figure.add_axes(box, axes_class=kind)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(INK)
    ax.tick_params(colors=INK, labelsize=_SIZE - 1)
    ax.xaxis.label.set(size=_SIZE, color=INK)
    ax.yaxis.label.set(size=_SIZE, color=INK)
    ax.title.set(size=_SIZE + 1, color=INK)
    ax.grid(visible=True, color="#e3e7ea", linewidth=0.8)
    ax.set_axisbelow(True)
    return ax


def roomy(value: float) -> float:
    """The next of 1, 1.25, 1.6, 2, 2.5, 3.2, 4, 5, 6.4, 8 times a power of ten: an axis that ends there keeps still while values move."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next((k * decade for k in (1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0) if k * decade >= value), 10.0 * decade)


def caption(ax: Axes, text: str) -> None:
    """The settings behind a figure, small, above the axes under the title."""
    ax.annotate(
        symbols(text),
        (0.0, 1.0),
        xycoords="axes fraction",
        xytext=(0, 6),
        textcoords="offset points",
        ha="left",
        va="bottom",
        fontsize=9,
        color=INK,
    )


def arrow(ax: Axes, x: Sequence[float], y: Sequence[float]) -> None:
    """An upright arrow with a head at both ends, from the upper end to the lower."""
    ax.plot(x, y, color=INK, linewidth=1.4)
    for i, head in enumerate((6, 7)):  # carets whose tips are at the place
        ax.plot(x[i : i + 1], y[i : i + 1], color=INK, marker=head, markersize=5)


def plain_log(axis: Any) -> None:
    """A logarithmic axis with ticks at 1, 2, 5 of each decade in plain figures."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

    axis.axes.set_xscale("log") if axis.axis_name == "x" else axis.axes.set_yscale("log")
    axis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 2.0, 5.0)))
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
