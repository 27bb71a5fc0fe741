"""Layers on layers: the bond between layers and print-through, with the settings of the settings view."""

from __future__ import annotations

import math
import shlex
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError
from ..setting.layers import StackAnswer, evaluate_stack
from ..units import show
from .drawing import Board
from .fields import plainly
from .settings_view import Setting
from .work import Work

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["StackView"]


class StackView:
    """Exposure through the layers, the bond between them, and what gels below a down-facing face."""

    name = "stack"
    title = "Layers on layers"
    panels = ("stack",)
    answers = ("numbers",)

    def __init__(self, board: Board) -> None:
        self.board = board

    @staticmethod
    def _setting(query: dict[str, str], work: Work) -> Setting:
        counted = query.get("layers", "").strip() not in ("", "many")
        return Setting(query, work, more=("layers",) if counted else ())

    @staticmethod
    def _answer(setting: Setting) -> StackAnswer:
        layers: Any = setting.values.get("layers", math.inf)
        layer = setting.values["layer_thickness"]
        return evaluate_stack(beam=setting.beam, resin=setting.resin, scan=setting.scan, layer_thickness=layer, layers=layers)

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        setting = self._setting(query, work)
        context = setting.context()
        if not setting.state.good:
            return context
        try:
            answer = self._answer(setting)
        except CurecalcError as error:
            return context | {"problem": plainly(str(error))}
        u = answer.standard_uncertainty
        lifted = f"{answer.compensation_layers} layer{'' if answer.compensation_layers == 1 else 's'}"
        rows = [
            ("Cure depth of one layer alone", show(answer.single_depth, u.get("single_depth"))),
            ("Exposure at a layer's bottom, its own", show(answer.own_exposure, u.get("own_exposure"))),
            ("Exposure there after all later layers", show(answer.interface_exposure, u.get("interface_exposure"))),
        ]
        main = "The layers do not bond: no solid reaches from one to the next."
        if answer.bonds:
            main = f"Print-through {show(answer.print_through, digits=3)}; leave out {lifted}."
            rows += [
                ("Print-through below a down-facing face", show(answer.print_through, u.get("print_through"))),
                ("Layers to leave out at a down-facing face", lifted),
                ("What remains then", show(answer.residual)),
            ]
        from ..figures.stack import draw_stack

        def draw(ax: Axes) -> None:
            draw_stack(ax, answer, headed=False)

        drawing = self.board.svg(
            "k-stack",
            draw,
            label=f"Exposure against depth through the layers. {main}",
            width_mm=150.0,
            height_mm=110.0,
            boxes=((0.12, 0.14, 0.85, 0.78),),
        )
        return context | {
            "answer": answer,
            "rows": rows,
            "main": main,
            "through": show(answer.print_through, u.get("print_through")),
            "lifted": lifted,
            "notes": [*setting.beyond(), *answer.warnings],
            "drawings": [("stack", drawing)],
            "commands": [self.command(query, work, "numbers")],
        }

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc stack`."""
        return self._answer(self._setting(query, work).sound()).to_dict()

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line."""
        setting = self._setting(query, work).sound()
        more = ["--layers", str(setting.values["layers"])] if "layers" in setting.values else []
        return shlex.join(["curecalc", "stack", *setting.options(), *more])

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.stack import stack_figure

        return stack_figure(self._answer(self._setting(query, work).sound()))
