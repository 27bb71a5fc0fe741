"""Axes for a picture that is redrawn many times a second: lines, areas and words write themselves, a tenth of the work.

They write the elements that the plotting library would write; a test holds the two together. What is asked of the axes beyond that,
the library draws. Nothing that writes itself moves the limits of the axes: they must be set.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache, lru_cache
from io import StringIO
from itertools import groupby
from typing import Any

import numpy as np
from matplotlib import _path, rc_context, rcParams
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import MarkerStyle
from matplotlib.patches import BoxStyle, Patch
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Transform

from .inline import plain_part
from .style import SVG_RULES

__all__ = ["Pen", "QuickAxes"]

_CODES = [b"M", b"L", b"Q", b"C", b"z"]
_DASHES = {"--": "dashed", "-.": "dashdot", ":": "dotted"}
_paths: Any = _path
_rules: Any = rcParams


def _told(number: float) -> str:
    return f"{number:.2f}".rstrip("0").rstrip(".")


class Pen(RendererSVG):
    """The library's writer of SVG with a memory of the sizes of words, and paths to a hundredth of a point."""

    writer: Any
    size: Callable[[str, float], tuple[float, float, float]]

    def __init__(self, figure: Figure) -> None:
        figure.dpi = 72.0
        self.figure, self.size = figure, lru_cache(self._size)
        width, height = figure.bbox.size
        self.flip = Affine2D().scale(1.0, -1.0).translate(0.0, height)
        super().__init__(width, height, StringIO(), metadata={"Date": None, "Creator": None})

    def part(self, artists: Iterable[Any], *, prefix: str) -> str:
        """What artists draw, as plain elements whose names have the prefix."""
        parts = []
        for i, (written, some) in enumerate(groupby(artists, key=lambda one: isinstance(one, _Written))):
            buffer = StringIO()
            self.writer = type(self.writer)(buffer)
            if written:
                for one in some:
                    one.draw(self)
                parts.append(buffer.getvalue())
                continue
            self._markers: dict[Any, Any] = {}
            self._clipd: dict[Any, Any] = {}
            with rc_context(SVG_RULES):
                for one in some:
                    one.draw(self)
                self._write_clips()  # type: ignore[attr-defined]
            parts.append(plain_part(buffer.getvalue(), prefix=f"{prefix}-{i}" if i else prefix))
        return "".join(parts)

    def _size(self, text: str, fontsize: float) -> tuple[float, float, float]:
        """Width of a line of words, its height above the baseline and its depth below."""
        words = Text(text=text, fontsize=fontsize)
        words.set_figure(self.figure)
        box = words.get_window_extent(self)
        return box.width, box.y1, -box.y0

    def _convert_path(self, path: Any, transform: Any = None, clip: Any = None, simplify: Any = None, sketch: Any = None) -> str:
        text: bytes = _paths.convert_to_string(path, transform, None, simplify, sketch, 2, _CODES, False)
        return text.decode("ascii")

    def path(self, path: Path, look: dict[str, str]) -> None:
        """A path in points from the lower left corner."""
        self.writer.element("path", attrib={"d": self._convert_path(path, self.flip, simplify=path.should_simplify), **look})


@cache
def _mark(marker: Any, size: float) -> tuple[np.ndarray, np.ndarray, str]:
    """Places and codes of a mark at the origin, and how its sides are joined."""
    kind = MarkerStyle(marker)
    path: Any = (kind.get_transform() + Affine2D().scale(size)).transform_path(kind.get_path())
    codes = path.codes if path.codes is not None else np.full(len(path.vertices), Path.LINETO)
    return np.asarray(path.vertices), np.array([Path.MOVETO, *codes[1:]]), str(kind.get_joinstyle())


class _Written(Artist):
    """What writes itself."""

    def __init__(self, ax: QuickAxes, by: Transform, zorder: float) -> None:
        super().__init__()
        self.by, self.zorder = by, zorder
        ax.add_artist(self)

    def set_clip_path(self, *_: Any) -> None:
        """Of no use here."""


class _Line(_Written):
    """A line through places, marks at them, or both."""

    def __init__(
        self,
        ax: QuickAxes,
        x: Any,
        y: Any,
        by: Transform,
        *,
        color: str,
        linewidth: float = _rules["lines.linewidth"],
        linestyle: str = "-",
        marker: Any = "",
        markersize: float = _rules["lines.markersize"],
        markeredgecolor: str = "",
        markeredgewidth: float = _rules["lines.markeredgewidth"],
        clip_on: bool = True,
        zorder: float = Line2D.zorder,
    ) -> None:
        super().__init__(ax, by, zorder)
        self.places = np.column_stack((x, y))
        inside = ax.inside if clip_on else {}
        self.line: dict[str, str] = {}
        if linestyle != "none" and len(self.places) > 1:
            self.line = {"fill": "none", "stroke": color, "stroke-width": str(linewidth), **inside}
            if linestyle == "-":
                self.line["stroke-linecap"] = "square"
            else:
                dashes = _rules[f"lines.{_DASHES[linestyle]}_pattern"]
                self.line["stroke-dasharray"] = ",".join(_told(linewidth * part) for part in dashes)
        self.mark: Any = None
        if marker:
            *self.mark, join = _mark(marker, markersize)
            self.marked = {"fill": color, "stroke": markeredgecolor or color, "stroke-width": str(markeredgewidth), **inside}
            self.marked["stroke-linejoin"] = join

    def draw(self, renderer: Any) -> None:
        """Write it."""
        places = self.by.transform(self.places)
        if self.line:
            renderer.path(Path(places), self.line)
        if self.mark is not None:
            outline, codes = self.mark
            renderer.path(Path((places[:, None] + outline).reshape(-1, 2), np.tile(codes, len(places))), self.marked)


class _Area(_Written):
    """What lies between two curves, without an edge."""

    def __init__(self, ax: QuickAxes, ends: tuple[Any, Any], *, color: str, zorder: float = Patch.zorder, **_: Any) -> None:
        super().__init__(ax, ax.transData, zorder)
        one, other = (np.column_stack(np.broadcast_arrays(*end)) for end in ends)
        self.places, self.look = np.concatenate((other, one[::-1])), {"fill": color, **ax.inside}

    def draw(self, renderer: Any) -> None:
        """Write it."""
        renderer.path(Path(self.by.transform(self.places)), self.look)


@cache
def _box(text: str) -> Any:
    return BoxStyle(text)


_SIDES = {"left": ("start", 0.0), "center": ("middle", 0.5), "right": ("end", 1.0)}


class _Words(_Written):
    """A line of words at a place, or beside it by some points as long as the place is in sight."""

    def __init__(
        self,
        ax: QuickAxes,
        text: str,
        place: Any,
        by: Transform,
        *,
        fontsize: float,
        color: str,
        aside: Any = None,
        ha: str = "left",
        va: str = "baseline",
        bbox: dict[str, Any] | None = None,
        zorder: float = Text.zorder,
    ) -> None:
        super().__init__(ax, by, zorder)
        self.text, self.place, self.aside, self.box, self.size, self.up = text, place, aside, bbox, fontsize, va
        anchor, self.share = _SIDES[ha]
        self.look = {"font-size": f"{fontsize:g}px", "text-anchor": anchor, "fill": color}

    def draw(self, renderer: Any) -> None:
        """Write it."""
        place = self.by.transform(self.place)
        if self.aside is not None:
            axes: Any = self.axes
            if not axes.contains_point(place):
                return
            place = place + self.aside
        x, y = place
        wide, above, below = renderer.size(self.text, self.size)
        y += {"baseline": 0.0, "bottom": below, "center": 0.5 * (below - above), "top": -above}[self.up]
        if self.box is not None:
            look = {"fill": to_hex(self.box["facecolor"])}
            renderer.path(_box(self.box["boxstyle"])(x - self.share * wide, y - below, wide, above + below, self.size), look)
        renderer.writer.element("text", self.text, attrib={"x": _told(x), "y": _told(renderer.height - y), **self.look})


_LINE = {"color", "linewidth", "linestyle", "clip_on", "zorder", "marker", "markersize", "markeredgecolor", "markeredgewidth"}
_WORD = {"fontsize", "color", "ha", "va", "bbox", "zorder"}


def _plain(style: dict[str, Any]) -> bool:
    """Whether an area has no edge."""
    return style.keys() <= {"color", "edgecolor", "linewidth", "zorder"} and (
        style.get("edgecolor") == "none" or not style.get("linewidth", 1)
    )


class QuickAxes(Axes):
    """Axes on which lines, areas and words write themselves."""

    inside: dict[str, str]

    def window(self, name: str, height: float) -> str:
        """The element, of this name, outside of which nothing is seen."""
        self.inside = {"clip-path": f"url(#{name})"}
        box = self.bbox
        sides = {"x": box.x0, "y": height - box.y1, "width": box.width, "height": box.height}
        told = " ".join(f'{side}="{_told(value)}"' for side, value in sides.items())
        return f'<defs><clipPath id="{name}"><rect {told}/></clipPath></defs>\n'

    def plot(self, *args: Any, **style: Any) -> Any:  # type: ignore[override]
        """A line, marks, or both."""
        if len(args) == 2 and "color" in style and style.keys() <= _LINE:
            return [_Line(self, *args, self.transData, **style)]
        return super().plot(*args, **style)

    def axhline(self, y: float, **style: Any) -> Any:  # type: ignore[override]
        """A line from side to side."""
        return _Line(self, (0.0, 1.0), (y, y), self.get_yaxis_transform(), **style)

    def axvline(self, x: float, **style: Any) -> Any:  # type: ignore[override]
        """A line from top to bottom."""
        return _Line(self, (x, x), (0.0, 1.0), self.get_xaxis_transform(), **style)

    def fill_between(self, x: Any, y1: Any, y2: Any, **style: Any) -> Any:  # type: ignore[override]
        """The area between two curves."""
        if _plain(style):
            return _Area(self, ((x, y1), (x, y2)), **style)
        return super().fill_between(x, y1, y2, **style)

    def fill_betweenx(self, y: Any, x1: Any, x2: Any, **style: Any) -> Any:  # type: ignore[override]
        """The area between two upright curves."""
        if _plain(style):
            return _Area(self, ((x1, y), (x2, y)), **style)
        return super().fill_betweenx(y, x1, x2, **style)

    def text(self, x: float, y: float, s: str, transform: Any = None, **style: Any) -> Any:  # type: ignore[override]
        """Words at a place."""
        by = self.transData if transform is None else transform
        return _Words(self, s, (x, y), by, **style) if _WORD.issuperset(style) else super().text(x, y, s, transform=by, **style)

    def annotate(self, text: str, xy: Any, xytext: Any = None, **style: Any) -> Any:  # type: ignore[override]
        """Words beside a place."""
        if style.get("textcoords") == "offset points" and _WORD.issuperset(style.keys() - {"textcoords"}):
            del style["textcoords"]
            return _Words(self, text, xy, self.transData, aside=xytext, **style)
        return super().annotate(text, xy, xytext, **style)

    def set_title(self, label: str, *args: Any, **style: Any) -> Any:
        """A title a little above the axes, for which nothing need be measured."""
        return super().set_title(label, *args, y=1.02, **style)
