"""Process window: any two settings of a recipe's vector, the others held; limits, assurance and depth at one look."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, QuantityError
from ..recipe.window import AXES, Window, axis_text, process_window
from .drawing import Board

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["WindowView"]


class WindowView:
    """The window of a recipe made when the page was started; the files named there give the equal command line."""

    name = "window"
    title = "Process window"
    panels = ("window",)

    def __init__(self, recipe: Any, files: tuple[str, str, str], board: Board) -> None:
        self.recipe, self.files, self.board = recipe, files, board

    def _asked(self, query: dict[str, str]) -> dict[str, str]:
        kinds = [v.kind for v in self.recipe.vectors]
        raster = next((v.kind for v in self.recipe.vectors if v.pattern == "raster"), kinds[0])
        kind = query.get("kind", raster)
        if kind not in kinds:
            raise QuantityError(f"Kind of vector must be one of {', '.join(kinds)}.")
        up = "hatch_spacing" if self.recipe.vector(kind).pattern == "raster" else "beam_radius"
        asked = {"kind": kind, "across": query.get("across", "scan_speed"), "up": query.get("up", up)}
        for axis in ("across", "up"):
            if asked[axis] not in AXES:
                raise QuantityError(f"Axis must be one of {', '.join(AXES)}.")
        return asked

    def _window(self, query: dict[str, str], *, points: int, assurance: bool) -> Window:
        asked = self._asked(query)
        machine = self.recipe.machine
        layers = (machine.layer_thickness_min, machine.layer_thickness_max)
        return process_window(
            self.recipe.vector(asked["kind"]), asked["across"], asked["up"], points=points, with_assurance=assurance, layer_range=layers
        )

    def page(self, query: dict[str, str]) -> dict[str, Any]:
        """Context for the template."""
        context: dict[str, Any] = {
            "kinds": [v.kind for v in self.recipe.vectors],
            "axes": {n: n.replace("_", " ") for n in AXES},
            "problem": "",
            "asked": {n: query.get(n, "") for n in ("kind", "across", "up")},
            "drawings": [],
        }
        try:
            context["asked"] = self._asked(query)
            window = self._window(query, points=41, assurance=False)
        except CurecalcError as error:
            return context | {"problem": str(error)}
        from ..figures.inline import inline_svg
        from ..figures.window import window_figure

        share = 100.0 * float(window.inside.mean())
        main = (
            f"{window.vector.kind}: chosen {axis_text(window.across, window.chosen[0])}, "
            f"{axis_text(window.up, window.chosen[1])}; {share:.0f} % of the shown range holds all limits."
        )
        with self.board.lock:
            drawing = inline_svg(window_figure(window), name=f"Process window. {main}", prefix="w-window")
        # its tones grade from light to dark: it stays on white paper in the dark too, out of reach of the page's colours
        drawing = re.sub(r'="#[0-9a-f]{6}"', lambda found: found[0].upper(), drawing)
        rows = [(n.replace("_", " ") + ", held", axis_text(n, v)) for n, v in window.held.items()]
        return context | {"main": main, "drawings": [("window", drawing)], "rows": rows, "command": self.command(query)}

    def record(self, query: dict[str, str]) -> dict[str, Any]:
        """The JSON object of `curecalc window`."""
        return self._window(query, points=9, assurance=True).to_dict()

    def command(self, query: dict[str, str]) -> str:
        """The equal command line."""
        asked = self._asked(query)
        words = ["curecalc", "window"]
        for option, path in zip(("--machine", "--resin", "--needs"), self.files, strict=True):
            words += [option, path]
        words += ["--kind", asked["kind"], "--across", asked["across"].replace("_", "-")]
        return shlex.join([*words, "--up", asked["up"].replace("_", "-")])

    def figure(self, query: dict[str, str], panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.window import window_figure

        return window_figure(self._window(query, points=81, assurance=False))
