"""Drawing for the page: one figure a panel, kept and cleared, since making one anew takes three times as long.

matplotlib is not made for threads, so one lock guards all drawing.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable
from functools import lru_cache
from io import StringIO
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from ..figures.inline import inline_svg, plain_part
from ..figures.style import SVG_RULES, axes, figure_bytes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["FORMATS", "Board", "Panel", "on_paper"]

FORMATS = {"svg": "image/svg+xml", "png": "image/png", "pdf": "application/pdf"}
Draw = Callable[..., None]


@lru_cache(maxsize=1)
def _renderer() -> Any:
    """matplotlib's own SVG renderer with a memory of the widths of words, and paths to a hundredth of a point.

    matplotlib makes a new renderer for each drawing, and its memory of text sizes belongs to the renderer.
    """
    import matplotlib
    from matplotlib.backends.backend_svg import RendererSVG

    paths: Any = matplotlib._path

    class Remembering(RendererSVG):
        def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> Any:
            key = (s, hash(prop), ismath)
            size = _WORDS.get(key)
            if size is None:
                if len(_WORDS) > 20_000:
                    _WORDS.clear()
                size = _WORDS[key] = super().get_text_width_height_descent(s, prop, ismath)
            return size

        def _convert_path(self, path: Any, transform: Any = None, clip: Any = None, simplify: Any = None, sketch: Any = None) -> str:
            box = (0.0, 0.0, self.width, self.height) if clip else None
            codes = [b"M", b"L", b"Q", b"C", b"z"]
            text: bytes = paths.convert_to_string(path, transform, box, simplify, sketch, 2, codes, False)
            return text.decode("ascii")

    return Remembering


def quick_svg(figure: Figure) -> str:
    """What `svg_text` gives, to a hundredth of a point, in half the time."""
    import matplotlib

    with matplotlib.rc_context(SVG_RULES):
        return _text(figure)


def _text(figure: Figure) -> str:
    buffer = StringIO()
    figure.dpi = 72.0
    width, height = figure.get_size_inches() * 72.0
    renderer = _renderer()(width, height, buffer, image_dpi=160, metadata={"Date": None, "Creator": None})
    figure.draw(renderer)
    renderer.finalize()
    return buffer.getvalue()


_WORDS: dict[Any, Any] = {}
_MOST_KEPT = 400


class _KeptAxis:
    """Draws an axis once for each range and label it shows: ticks, their words and the grid are most of a drawing.

    In the drawing stands a mark, which `Panel.whole` fills in with the text that is kept, plain already.
    """

    def __init__(self, axis: Any, prefix: str) -> None:
        self.axis, self.prefix, self.draw = axis, prefix, axis.draw
        self.kept: dict[Any, tuple[str, dict[Any, Any], dict[Any, Any]]] = {}
        self.text = ""

    def __call__(self, renderer: Any) -> None:
        axis = self.axis
        state = (*axis.get_view_interval(), axis.get_scale(), axis.get_label_text(), axis.get_visible(), *renderer._markers.values())
        found = self.kept.get(state)
        if found is None:
            if len(self.kept) > _MOST_KEPT:
                self.kept.clear()
            found = self.kept[state] = self._drawn(renderer)
        self.text, markers, clips = found
        renderer._markers |= markers
        renderer._clipd |= clips
        renderer.writer.element("g", attrib={"data-kept": f"{self.prefix}-{id(self)}"})

    def _drawn(self, renderer: Any) -> tuple[str, dict[Any, Any], dict[Any, Any]]:
        buffer = StringIO()
        outer, markers, clips = renderer.writer, dict(renderer._markers), renderer._clipd
        renderer.writer, renderer._clipd = type(outer)(buffer), {}
        try:
            self.draw(renderer)
            own = {key: name for key, name in renderer._markers.items() if key not in markers}
            return plain_part(buffer.getvalue(), prefix=self.prefix), own, renderer._clipd
        finally:
            renderer.writer, renderer._clipd = outer, clips


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


def on_paper(drawing: str) -> str:
    """A drawing whose tones grade from light to dark: it stays on white paper in the dark too, out of reach of the page's colours."""
    return re.sub(r'="#[0-9a-f]{6}"', lambda found: found[0].upper(), drawing)


class Panel:
    """A figure with its axes at fixed places."""

    def __init__(self, name: str, width_mm: float, height_mm: float, boxes: tuple[tuple[float, float, float, float], ...]) -> None:
        self.figure: Figure = new_figure(width_mm, height_mm)
        self.axes: list[Axes] = [axes(self.figure, box) for box in boxes]
        self.kept = [_KeptAxis(axis, name) for ax in self.axes for axis in (ax.xaxis, ax.yaxis)]
        for one in self.kept:
            one.axis.draw = one
        self.places = [(-13.5 / (width_mm * w), -9.0 / (height_mm * h)) for _, _, w, h in boxes]

    def clear(self) -> None:
        """Take off what was drawn; the axes, their spines and grid stay."""
        for ax in self.axes:
            for child in list(ax.lines) + list(ax.collections) + list(ax.patches) + list(ax.texts) + list(ax.images):
                child.remove()
            legend = ax.get_legend()
            if legend is not None:
                legend.remove()

    def whole(self, drawing: str) -> str:
        """The drawing with its axes filled in."""
        for one in self.kept:
            drawing = drawing.replace(f'<g data-kept="{one.prefix}-{id(one)}"/>', one.text)
        return drawing


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
        width_mm: float = 122.0,
        height_mm: float = 84.0,
        boxes: tuple[tuple[float, float, float, float], ...] = ((0.155, 0.175, 0.805, 0.715),),
    ) -> str:
        """A panel drawn as SVG for a page; `draw` takes the panel's axes."""
        import matplotlib
        from matplotlib.ticker import MaxNLocator

        with self.lock, matplotlib.rc_context({**SVG_RULES, "axes.titley": 1.02}):
            panel = self._panels.get(name)
            if panel is None:
                panel = self._panels[name] = Panel(name, width_mm, height_mm, boxes)
            else:
                panel.clear()
            try:
                draw(*panel.axes)
                for ax, (left, below) in zip(panel.axes, panel.places, strict=True):
                    # fixed places: matplotlib need not measure the tick labels to find them
                    ax.yaxis.set_label_coords(left, 0.5)
                    ax.xaxis.set_label_coords(0.5, below)
                    for axis in (ax.xaxis, ax.yaxis):
                        if axis.get_scale() == "linear":
                            axis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
                drawing = panel.whole(inline_svg(panel.figure, name=label, prefix=name, text=_text(panel.figure)))
                return drawing.replace("<svg ", f"<svg data-scale='{_scales(panel.axes)}' ", 1)
            except BaseException:
                self._panels.pop(name, None)
                raise

    def file(self, make: Callable[[], Any], ending: str) -> bytes:
        """A figure of its own as the bytes of a file."""
        with self.lock:
            return figure_bytes(make(), ending)
