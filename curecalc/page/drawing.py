"""Drawing for the page: one figure a panel, kept and cleared, since making one anew takes three times as long.

matplotlib is not made for threads, so one lock guards all drawing.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from ..figures.inline import svg_head
from ..figures.style import axes, figure_bytes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["FORMATS", "Board", "Panel"]

FORMATS = {"svg": "image/svg+xml", "png": "image/png", "pdf": "application/pdf"}
Draw = Callable[..., None]


_MOST_KEPT = 400


def _scales(all_axes: list[Axes]) -> str:
    """Where the axes stand in the drawing, as shares of it, and their scales: what the value under the pointer is read from."""
    scales = []
    for ax in all_axes:
        box = ax.get_position()
        sides = {
            name: {"from": ends[0], "to": ends[1], "log": axis.get_scale() == "log", "label": axis.get_label_text().partition(" (")[0]}
            for name, axis, ends in (("x", ax.xaxis, ax.get_xlim()), ("y", ax.yaxis, ax.get_ylim()))
        }
        scales.append({"left": box.x0, "right": box.x1, "top": 1.0 - box.y1, "bottom": 1.0 - box.y0} | sides)
    return escape(json.dumps(scales), {"'": "&#39;"})


def _as_drawn(part: str) -> str:
    """A part whose tones grade from light to dark: it keeps them in the dark too, out of reach of the page's colours."""
    return re.sub(r'="#[0-9a-f]{6}"', lambda found: found[0].upper(), part)


class Panel:
    """A figure with its axes at fixed places. Their frames are most of a drawing: each part of one is drawn once for what it shows."""

    def __init__(self, name: str, width_mm: float, height_mm: float, boxes: tuple[tuple[float, float, float, float], ...]) -> None:
        from ..figures.quick import Pen, QuickAxes

        self.name, self.figure = name, new_figure(width_mm, height_mm)
        self.pen = Pen(self.figure)
        self.axes: list[Any] = [axes(self.figure, box, QuickAxes) for box in boxes]
        self.windows = [ax.window(f"{name}-{i}", self.pen.height) for i, ax in enumerate(self.axes)]
        self.frames = [ax.get_children() for ax in self.axes]
        for ax, (_, _, wide, high) in zip(self.axes, boxes, strict=True):
            # fixed places: matplotlib need not measure the tick labels to find them
            middle, _ = ax.xaxis.label.get_position()
            ax.yaxis.set_label_coords(-13.5 / (width_mm * wide), middle)
            ax.xaxis.set_label_coords(middle, -9.0 / (height_mm * high))
        self.kept: dict[Any, str] = {}

    def contents(self, i: int) -> list[Any]:
        """What was drawn on axes, in the order in which the plotting library draws it."""
        return sorted((one for one in self.axes[i].get_children() if one not in self.frames[i]), key=lambda one: one.get_zorder())

    def clear(self) -> None:
        """Take off what was drawn; the axes stay."""
        for i in range(len(self.axes)):
            for one in self.contents(i):
                one.remove()

    def drawing(self, label: str, graded: bool = False) -> str:
        """All of it as SVG; what is `graded` inside the axes keeps its colours."""
        parts = [self._kept("paper", "", self.figure.patch)]
        for i, ax in enumerate(self.axes):
            levels = [one.get_zorder() for one in (ax.xaxis, ax.spines["left"], ax.title)]
            drawn: list[list[Any]] = [[], [], [], []]
            for one in self.contents(i):
                drawn[sum(one.get_zorder() > level for level in levels)].append(one)
            shown = [self._kept(f"{i}ground", "", ax.patch), *(self._part(f"{i}-{k}", some) for k, some in enumerate(drawn))]
            ground, under, amid, over, above = map(_as_drawn, shown) if graded else shown
            titles = [one for one in self.frames[i] if one.get_zorder() == ax.title.get_zorder()]
            parts += [self.windows[i], ground, under]
            parts += [self._axis(f"{i}x", ax.xaxis), self._axis(f"{i}y", ax.yaxis), amid]
            parts += [self._kept(f"{i}sides", "", *ax.spines.values()), over]
            parts += [self._kept(f"{i}titles", tuple(one.get_text() for one in titles), *titles), above]
        return f"{svg_head(self.pen.width, self.pen.height, label, data_scale=_scales(self.axes))}{''.join(parts)}</svg>"

    def _part(self, name: str, artists: Sequence[Any]) -> str:
        return self.pen.part(artists, prefix=f"{self.name}-{name}") if artists else ""

    def _kept(self, name: str, state: Any, *artists: Any) -> str:
        text = self.kept.get((name, state))
        if text is None:
            if len(self.kept) > _MOST_KEPT:
                self.kept.clear()
            text = self.kept[name, state] = self._part(name, artists)
        return text

    def _axis(self, name: str, axis: Any) -> str:
        state = (*axis.get_view_interval(), axis.get_scale(), axis.get_label_text(), axis.get_visible())
        if (name, state) not in self.kept and axis.get_scale() == "linear":
            from matplotlib.ticker import MaxNLocator

            axis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5]))
        return self._kept(name, state, axis)


class Board:
    """All panels of the page."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self._panels: dict[str, Panel] = {}

    def svg(
        self,
        name: str,
        draw: Draw,
        *,
        label: str,
        graded: bool = False,
        width_mm: float = 122.0,
        height_mm: float = 84.0,
        boxes: tuple[tuple[float, float, float, float], ...] = ((0.155, 0.175, 0.805, 0.715),),
    ) -> str:
        """A panel drawn as SVG for a page; `draw` takes the panel's axes. Of `graded` ones only the frame follows the page's colours."""
        with self.lock:
            panel = self._panels.get(name)
            if panel is None:
                panel = self._panels[name] = Panel(name, width_mm, height_mm, boxes)
            else:
                panel.clear()
            try:
                draw(*panel.axes)
                return panel.drawing(label, graded)
            except BaseException:
                self._panels.pop(name, None)
                raise

    def file(self, make: Callable[[], Any], ending: str) -> bytes:
        """A figure of its own as the bytes of a file."""
        with self.lock:
            return figure_bytes(make(), ending)
