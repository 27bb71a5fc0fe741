"""Process window: any two settings of a recipe's vector, the others held; limits, assurance and depth at one look."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, QuantityError
from ..recipe.window import AXES, Window, axis_text, process_window
from ..symbols import percent
from .drawing import Board
from .settings_view import ranges
from .work import PARTS, Work

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..recipe.record import Recipe

__all__ = ["WindowView"]


class WindowView:
    """The window of the work's recipe; its files give the equal command line."""

    name = "window"
    title = "Process window"
    panels = ("window",)
    answers = ("numbers",)

    def __init__(self, board: Board) -> None:
        self.board = board

    @staticmethod
    def _recipe(work: Work) -> Recipe:
        if not work.complete:
            raise QuantityError("A window belongs to a recipe, and machine, lot and needs are not all here. Give them on the view Recipe.")
        return work.recipe()

    @staticmethod
    def _asked(query: dict[str, str], recipe: Recipe) -> dict[str, str]:
        kinds = [v.kind for v in recipe.vectors]
        raster = next((v.kind for v in recipe.vectors if v.pattern == "raster"), kinds[0])
        kind = query.get("kind", raster)
        if kind not in kinds:
            raise QuantityError(f"Kind of vector must be one of {', '.join(kinds)}.")
        line = recipe.vector(kind).pattern == "line"
        asked = {"kind": kind, "across": query.get("across", "scan_speed")}
        asked["up"] = query.get("up", "beam_radius" if line else "hatch_spacing")
        for axis, other in (("across", "scan_speed"), ("up", "beam_radius")):
            if asked[axis] not in AXES:
                raise QuantityError(f"Axis must be one of {', '.join(AXES)}.")
            if line and asked[axis] == "hatch_spacing":  # left over from a raster kind
                asked[axis] = other
        return asked

    def _window(self, query: dict[str, str], work: Work, *, points: int, assurance: bool) -> Window:
        recipe = self._recipe(work)
        asked = self._asked(query, recipe)
        machine = recipe.machine
        layers = (machine.layer_thickness_min, machine.layer_thickness_max)
        return process_window(
            recipe.vector(asked["kind"]), asked["across"], asked["up"], points=points, with_assurance=assurance, layer_range=layers
        )

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        context: dict[str, Any] = {
            "kinds": [],
            "axes": {n: n.replace("_", " ") for n in AXES},
            "problem": "",
            "asked": {n: query.get(n, "") for n in ("kind", "across", "up")},
            "drawings": [],
            "ranges": ranges(work),
        }
        try:
            recipe = self._recipe(work)
            context["kinds"] = [v.kind for v in recipe.vectors]
            context["asked"] = self._asked(query, recipe)
            window = self._window(query, work, points=41, assurance=False)
        except CurecalcError as error:
            return context | {"problem": str(error)}
        from ..figures.inline import inline_svg
        from ..figures.window import window_figure

        main = (
            f"{window.vector.kind}: chosen {axis_text(window.across, window.chosen[0])}, "
            f"{axis_text(window.up, window.chosen[1])}; {percent(window.inside.mean(), '.0f')} of the shown range holds all limits."
        )
        with self.board.lock:
            drawing = inline_svg(window_figure(window), name=f"Process window. {main}", prefix="w-window")
        rows = [(n.replace("_", " ") + ", held", axis_text(n, v)) for n, v in window.held.items()]
        binding = [(limit.name, limit.sentence.removeprefix(f"{limit.name}: ")) for limit in window.vector.limits]
        return context | {
            "main": main,
            "binding": binding,
            "drawings": [("window", drawing)],
            "rows": rows,
            "commands": [self.command(query, work, "numbers")],
        }

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc window`."""
        return self._window(query, work, points=9, assurance=True).to_dict()

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line."""
        asked = self._asked(query, self._recipe(work))
        words = ["curecalc", "window"]
        for name in PARTS:
            words += [f"--{name}", work.parts[name].path]
        words += ["--vector-kind", asked["kind"], "--across", asked["across"].replace("_", "-")]
        return shlex.join([*words, "--up", asked["up"].replace("_", "-")])

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.window import window_figure

        return window_figure(self._window(query, work, points=81, assurance=False))
