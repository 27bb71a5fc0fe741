"""One layer of real scan paths: overcure in a window, moved and scaled, at any speed; the weakest and deepest place and why."""

from __future__ import annotations

import json
import shlex
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from ..errors import CurecalcError, FileError, QuantityError
from ..files.shipped import invented_files
from ..map.look import TOLERANCE, Look, looked
from ..map.settings import scanning_of, settings_by_kind, spot_of
from ..paths.reading import APART
from ..paths.table import table_paths
from ..paths.vectors import Paths
from ..units import IN_UM, MM, MM_S, MW, Quantity, show
from .drawing import Board
from .fields import FIELDS, State, read
from .settings_view import Setting, ranges
from .work import Part, Work

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..map.tally import Place

__all__ = ["MapView", "checked_paths"]

INVENTED = "bracket.csv"
MOST_VECTORS = 20_000


def checked_paths(name: str, data: bytes) -> tuple[str, bytes]:
    """An uploaded table of vectors, read and refused where it is not sound.

    Raises
    ------
    FileError
    """
    if name.lower().endswith((*APART, ".xlsx")):
        raise FileError(f"{name}: the page reads plain tables (.csv). For this file use the command line: curecalc map {name}")
    _read(name, data)
    return name, data


@lru_cache(maxsize=16)
def _read(name: str, data: bytes) -> Paths:
    return table_paths(name, data, max_rows=MOST_VECTORS)


@dataclass(frozen=True)
class _Asked:
    """What a look depends on; looks at the same are made once."""

    paths: tuple[str, bytes]
    layer: int
    where: tuple[tuple[str, str], ...]
    parts: tuple[tuple[str, Part], ...]
    start: tuple[tuple[str, str], ...]
    speed_factor: float
    work: Work = field(compare=False, repr=False)
    values: dict[str, Any] = field(compare=False, repr=False)

    def options(self) -> dict[str, Any]:
        """Paths with their settings, resin, layer and scanning, as `curecalc map` takes them."""
        paths, work = _read(*self.paths), self.work
        if work.complete:
            recipe = work.recipe()
            filled = paths.filled(settings_by_kind(recipe.to_dict(), "the recipe"))
            resin, thickness = recipe.lot.resin, recipe.needs.layer_thickness
        else:
            setting = Setting({}, work)
            light = {"power": (setting.beam.power, MW), "scan_speed": (setting.values["scan_speed"], MM_S)}
            light["beam_radius"] = (setting.beam.radius_x, MM)
            filled = paths.filled({}, default={name: float(given.value.m_as(unit)) for name, (given, unit) in light.items()})
            resin, thickness = setting.resin, setting.values["layer_thickness"].value
        machine = work.machine
        return {
            **({} if machine is None else {"scanning": scanning_of(machine)} | spot_of(machine)),
            "paths": filled.faster(self.speed_factor),
            "resin": resin,
            "layer_thickness": thickness,
            "layer": self.layer,
        }


@lru_cache(maxsize=16)
def _look(asked: _Asked) -> Look:
    from ..figures.map import LOOK_BOXES, LOOK_SHAPE

    shape = LOOK_SHAPE * LOOK_BOXES[0][3] / LOOK_BOXES[0][2]
    return looked(**asked.options(), **asked.values, shape=shape)


class MapView:
    """The layer of a table of vectors, or of the invented bracket."""

    name = "map"
    title = "Map"
    panels = ("map",)
    answers = ("numbers",)

    def __init__(self, board: Board) -> None:
        self.board = board

    @staticmethod
    def paths(query: dict[str, str], work: Work) -> tuple[str, bytes]:
        """Name and content of the table in use.

        Raises
        ------
        QuantityError
            None was read yet.
        """
        if query.get("paths") == "invented":
            return INVENTED, (invented_files() / INVENTED).read_bytes()
        if work.paths is None:
            raise QuantityError("No table of vectors was read yet. Choose one, or try the invented bracket.")
        return work.paths

    def _state(self, query: dict[str, str], work: Work) -> State:
        first = str(_read(*self.paths(query, work)).layers[0])
        start = {"paths": "", "layer": first, "x": "", "y": "", "across": "", "speed_factor": "1"}
        given = {name: text for name, text in query.items() if text.strip()}
        return read(given, start, [n for n, text in start.items() if n != "paths" and (n in given or text)])

    def _asked(self, state: State, query: dict[str, str], work: Work) -> _Asked:
        if not state.good:
            raise QuantityError(next(iter(state.problems.values())))
        where: dict[str, Any] = {n: state.values[n] for n in ("x", "y", "across") if n in state.values}
        layer = float(state.values["layer"].m)
        if layer != int(layer):
            raise QuantityError(f"Layer must be a whole number, got {layer:g}.")
        texts = tuple((n, repr(float(q.m_as(MM)))) for n, q in where.items())
        return _Asked(self.paths(query, work), int(layer), texts, tuple(work.parts.items()), tuple(work.start.items()), 1.0, work, where)

    def look(self, query: dict[str, str], work: Work) -> tuple[_Asked, Look]:
        """The layer in its window at the speed asked.

        Raises
        ------
        CurecalcError
        """
        from dataclasses import replace

        state = self._state(query, work)
        asked = self._asked(state, query, work)
        factor = float(state.values["speed_factor"].m)
        look = _look(asked)
        if factor == 1.0:
            return asked, look
        faster = replace(asked, speed_factor=factor)
        return faster, look.faster(factor) if look.scales else _look(faster)

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        sources = [work.source(name) for name in ("machine", "resin", "needs")]
        context: dict[str, Any] = {"fields": FIELDS, "problem": "", "look": None, "sources": sources, "ranges": ranges(work), "file": ""}
        context |= {"state": State({"paths": "", "layer": ""}), "drawings": [], "invented": query.get("paths") == "invented"}
        if work.paths is None and not context["invented"]:
            return context
        try:
            name, _ = self.paths(query, work)
            context["state"] = self._state(query, work)
            context |= {"file": name, "layers": _read(*self.paths(query, work)).layers}
            _, look = self.look(query, work)
        except CurecalcError as error:
            return context | {"problem": str(error) if context["state"].good else ""}
        tiles = [self._tile(look, name) for name in ("weakest", "deepest")]
        low, mean, high = (show(q, digits=4) for q in look.exposures())
        rows = [
            ("Exposure, weakest place", low),
            ("Exposure, mean", mean),
            ("Exposure, strongest place", high),
            *(
                (f"{name.capitalize()} place, {k + 1}", f"{show(over, digits=3)}: {_where(place)}")
                for name in ("weakest", "deepest")
                for k, (place, over) in enumerate(look.worst(name)[:3])
            ),
            ("Numerical error of the exposure", f"at most {look.answer.numerical_error:.1e} of the peak"),
            ("Computed on pixels of", show(look.answer.pixel, digits=3)),
        ]
        return context | {
            "look": look,
            "tiles": tiles,
            "rows": rows,
            "notes": look.answer.warnings,
            "moves": self._moves(query, look),
            "drawings": [("map", self._drawing(look, tiles))],
            "values": self._values(look),
            "commands": [self.command(query, work, "numbers")],
        }

    @staticmethod
    def _tile(look: Look, name: str) -> tuple[str, str, str]:
        places = look.worst(name)
        if not places:
            return f"{name.capitalize()} overcure", "none in this window", ""
        place, over = places[0]
        if not look.law.depth(place.value) > 0.0:
            return f"{name.capitalize()} overcure", "nothing cures there", _where(place)
        return f"{name.capitalize()} overcure", show(over, digits=3), _where(place)

    @staticmethod
    def _moves(query: dict[str, str], look: Look) -> list[tuple[str, str, str]]:
        """Where the buttons lead: a quarter of the window aside, closer, farther, the whole layer."""
        left, below, right, above = look.window
        wide, x, y = right - left, 0.5 * (left + right), 0.5 * (below + above)
        aside = 0.25 * wide
        steps = {
            "Left": (x - aside, y, wide),
            "Right": (x + aside, y, wide),
            "Up": (x, y + aside, wide),
            "Down": (x, y - aside, wide),
            "Closer": (x, y, max(wide / 1.5, 0.1)),
            "Farther": (x, y, min(wide * 1.5, 0.999 * look.widest)),
        }
        kept = {n: t for n, t in query.items() if n in ("paths", "layer", "speed_factor") and t}
        made = [(n, n.lower(), kept | {a: f"{v:.4g} mm" for a, v in zip(("x", "y", "across"), to)}) for n, to in steps.items()]
        return [(label, name, urlencode(to)) for label, name, to in [*made, ("Whole layer", "whole", kept)]]

    def _drawing(self, look: Look, tiles: list[tuple[str, str, str]]) -> str:
        from ..figures.map import LOOK_BOXES, LOOK_SHAPE, draw_look

        label = "Overcure of the layer in this window. " + " ".join(f"{what} {value}: {where}." for what, value, where in tiles)
        size = {"width_mm": 122.0, "height_mm": 122.0 * LOOK_SHAPE, "boxes": LOOK_BOXES}
        return self.board.svg("m-map", lambda ax, bar: draw_look(ax, bar, look), label=label, graded=True, **size)  # type: ignore[arg-type]

    @staticmethod
    def _values(look: Look) -> str:
        """Overcure (um) on a coarse grid, for the value under the pointer."""
        values, grid = look.coarse()
        told = [[None if v != v else round(IN_UM * v, 1) for v in row] for row in values.tolist()]
        return json.dumps({"x": grid.x0, "y": grid.y0, "pixel": grid.pixel, "values": told}, separators=(",", ":"))

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc map`."""
        from ..map.answer import exposure_field

        asked, look = self.look(query, work)
        window: Any = tuple(Quantity(v, MM) for v in look.window)
        return exposure_field(**asked.options(), window=window, tolerance=TOLERANCE, workers=1).to_dict()

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line."""
        asked, look = self.look(query, work)
        name, _ = asked.paths
        words = ["curecalc", "map", name, "--layer", str(asked.layer)]
        if work.complete:
            words += ["--recipe", "recipe.json"]
        else:
            words += Setting({}, work).map_options()
            if "machine" in work.parts:
                words += ["--machine", work.parts["machine"].path]
        words += ["--window", *(f"{v!r} mm" for v in look.window), "--numerical-error", f"{TOLERANCE:g}"]
        if asked.speed_factor != 1.0:
            words += ["--speed-factor", repr(asked.speed_factor)]
        return shlex.join(words)

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.map import look_figure

        return look_figure(self.look(query, work)[1])


def _where(place: Place) -> str:
    return f"x {place.x:z.3f} y {place.y:z.3f} mm, {place.kind}, {place.why}"
