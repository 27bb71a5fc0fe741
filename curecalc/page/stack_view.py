"""Stack and print-through: layers on layers with the settings of the settings view."""

from __future__ import annotations

import math
import shlex
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError
from ..lessons.bench import Bench
from ..setting.layers import StackAnswer, evaluate_stack
from ..units import show
from .drawing import Board
from .fields import FIELDS, SPOT_WIDTHS, State, start_texts
from .settings_view import _sound, command_options, records, setting_state

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["StackView"]


class StackView:
    """Exposure through the layers, the bond between them, and what gels below a down-facing face."""

    name = "stack"
    title = "Layers on layers"
    panels = ("stack",)

    def __init__(self, bench: Bench, board: Board) -> None:
        self.start = start_texts(bench)
        self.bench_name = bench.name
        self.board = board

    def _state(self, query: dict[str, str]) -> State:
        counted = query.get("layers", self.start["layers"]).strip() not in ("", "many")
        return setting_state(query, self.start, more=("layers",) if counted else ())

    @staticmethod
    def _answer(state: State) -> StackAnswer:
        beam, resin, scan = records(state)
        layers: Any = state.values.get("layers", math.inf)
        return evaluate_stack(beam=beam, resin=resin, scan=scan, layer_thickness=state.values["layer_thickness"], layers=layers)

    def page(self, query: dict[str, str]) -> dict[str, Any]:
        """Context for the template."""
        state = self._state(query)
        context: dict[str, Any] = {
            "state": state,
            "fields": FIELDS,
            "spot_widths": SPOT_WIDTHS,
            "problem": "",
            "bench_name": self.bench_name,
        }
        if not state.good:
            return context | {"answer": None}
        try:
            answer = self._answer(state)
        except CurecalcError as error:
            return context | {"answer": None, "problem": str(error)}
        u = answer.standard_uncertainty
        lifted = answer.compensation_layers
        main = f"Print-through {show(answer.print_through, digits=3)}; leave out {lifted} layer{'' if lifted == 1 else 's'}."
        rows = [
            ("Cure depth of one layer alone", show(answer.single_depth, u.get("single_depth"))),
            ("Print-through below a down-facing face", show(answer.print_through, u.get("print_through"))),
            ("Exposure at a layer's bottom, its own", show(answer.own_exposure, u.get("own_exposure"))),
            ("Exposure there after all later layers", show(answer.interface_exposure, u.get("interface_exposure"))),
            ("Layers to leave out at a down-facing face", str(lifted)),
            ("What remains then", show(answer.residual)),
        ]
        from ..figures.stack import draw_stack

        drawing = self.board.svg(
            "k-stack",
            lambda ax: draw_stack(ax, answer, headed=False),
            label=f"Exposure against depth through the layers. {main}",
            width_mm=170.0,
            height_mm=120.0,
            boxes=((0.11, 0.13, 0.86, 0.73),),
        )
        return context | {"answer": answer, "rows": rows, "main": main, "drawings": [("stack", drawing)], "command": self.command(query)}

    def record(self, query: dict[str, str]) -> dict[str, Any]:
        """The JSON object of `curecalc stack`."""
        return self._answer(_sound(self._state(query))).to_dict()

    def command(self, query: dict[str, str]) -> str:
        """The equal command line."""
        state = _sound(self._state(query))
        more = ["--layers", str(state.values["layers"])] if "layers" in state.values else []
        return shlex.join(["curecalc", "stack", *command_options(state), *more])

    def figure(self, query: dict[str, str], panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.stack import stack_figure

        return stack_figure(self._answer(_sound(self._state(query))))
