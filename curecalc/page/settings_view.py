"""Settings and depth: what a setting does, what moves it, and the speed that reaches the overcure wanted."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from ..errors import CurecalcError, QuantityError
from ..formulas.beam import Beam, radius_from_fwhm
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..lessons.bench import Bench
from ..setting.answer import Answer, evaluate
from ..units import Measured, Quantity, count, figure, ratio, show
from .drawing import Board
from .fields import FIELDS, SPOT_WIDTHS, State, read, start_texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["SettingsView", "command_options", "records", "setting_state"]

_NAMES = ["power", "spot", "scan_speed", "hatch_spacing", "passes", "layer_thickness", "overcure", "penetration_depth", "critical_exposure"]
LABELS = {
    "exposure_peak": "Exposure on the axis",
    "exposure_mean": "Exposure, mean",
    "exposure_min": "Exposure, weakest place",
    "exposure_max": "Exposure, strongest place",
    "cure_depth": "Cure depth",
    "cure_depth_mean": "Cure depth at the mean exposure",
    "cure_depth_min": "Cure depth, weakest place",
    "cure_depth_max": "Cure depth, strongest place",
    "line_width": "Line width at the surface",
    "line_width_at_layer": "Line width at the layer's bottom",
    "overcure": "Overcure, weakest place",
}


def setting_state(query: dict[str, str], start: dict[str, str], *, more: tuple[str, ...] = ()) -> State:
    """The state of an address for a setting; a single line needs no spacing."""
    names = [n for n in [*_NAMES, *more] if not (n == "hatch_spacing" and _line(query, start))]
    state = read(query, start, names)
    if state.texts["spot_as"] not in SPOT_WIDTHS:
        state.problems["spot"] = f"Spot width must be one of {', '.join(SPOT_WIDTHS.values())}."
    if state.texts["pattern"] not in ("raster", "line"):
        state.problems["hatch_spacing"] = "Pattern must be raster or line."
    try:
        text = state.texts["correlation"]
        state.values["correlation"] = float(text) if text else 0.0
        ratio("correlation", state.values["correlation"], low=-1.0, high=1.0, low_open=False, high_open=False)
    except (ValueError, QuantityError):
        state.problems["critical_exposure"] = "Correlation must be a number between -1 and 1."
    return state


def _line(query: dict[str, str], start: dict[str, str]) -> bool:
    return query.get("pattern", start["pattern"]) == "line"


def records(state: State) -> tuple[Beam, Resin, Scan]:
    """Beam, resin and scan of a good state."""
    v = state.values
    spot: Measured = v["spot"]
    factor = {"radius": 1.0, "diameter": 0.5}.get(state.texts["spot_as"])
    if factor is None:
        factor = float(radius_from_fwhm(Quantity(1.0, "mm")).m_as("mm"))
    beam = Beam(power=v["power"], radius_x=Measured(spot.value * factor, spot.standard_uncertainty * factor))
    resin = Resin(
        penetration_depth=v["penetration_depth"],
        critical_exposure=v["critical_exposure"],
        correlation=v["correlation"] if _uncertain(state) else 0.0,
    )
    raster = state.texts["pattern"] == "raster"
    scan = Scan(
        scan_speed=v["scan_speed"],
        hatch_spacing=v["hatch_spacing"] if raster else None,
        passes=count("passes", v["passes"]),
        cross_hatch=raster and state.texts["crossed"] == "yes",
    )
    return beam, resin, scan


def _uncertain(state: State) -> bool:
    both = (state.values["penetration_depth"], state.values["critical_exposure"])
    return all(v.standard_uncertainty.m > 0 for v in both)


def command_options(state: State) -> list[str]:
    """The options of the command line that describe the setting, texts as typed."""
    t = state.texts
    options = ["--power", t["power"], f"--beam-{t['spot_as']}", t["spot"], "--scan-speed", t["scan_speed"]]
    if t["pattern"] == "raster":
        options += ["--hatch-spacing", t["hatch_spacing"]]
    if state.values["passes"] != 1:
        options += ["--passes", str(state.values["passes"])]
    if t["pattern"] == "raster" and t["crossed"] == "yes":
        options += ["--cross-hatch"]
    options += ["--penetration-depth", t["penetration_depth"], "--critical-exposure", t["critical_exposure"]]
    if _uncertain(state) and state.values["correlation"]:
        options += ["--correlation", t["correlation"]]
    return [*options, "--layer-thickness", t["layer_thickness"]]


class SettingsView:
    """Sliders and fields to a working curve, a section, the exposure across the lines, numbers."""

    name = "settings"
    title = "Settings and depth"
    panels = ("curve", "section", "exposure")

    def __init__(self, bench: Bench, board: Board) -> None:
        self.start = start_texts(bench)
        self.bench_name = bench.name
        self.board = board

    def page(self, query: dict[str, str]) -> dict[str, Any]:
        """Context for the template."""
        state = setting_state(query, self.start)
        context: dict[str, Any] = {
            "state": state,
            "fields": FIELDS,
            "spot_widths": SPOT_WIDTHS,
            "bench_name": self.bench_name,
            "problem": "",
        }
        if not state.good:
            return context | {"answer": None}
        try:
            answer = self._answer(state)
        except CurecalcError as error:
            return context | {"answer": None, "problem": str(error)}
        return context | {
            "answer": answer,
            "rows": [(LABELS.get(n, n), answer.text(n)) for n in answer.outputs if _shown(n, answer)],
            "moves": [(_label(n), f"{float(v.m_as('um')):+.3g} um") for n, v in answer.sensitivity.items() if v is not None],
            "main": _main_line(answer),
            "drawings": self._drawings(answer),
            "solved": self._solved(state),
            "command": self.command(query),
        }

    def record(self, query: dict[str, str]) -> dict[str, Any]:
        """The JSON object of `curecalc depth`."""
        return self._answer(_sound(setting_state(query, self.start))).to_dict()

    def command(self, query: dict[str, str]) -> str:
        """The equal command line."""
        state = _sound(setting_state(query, self.start))
        return shlex.join(["curecalc", "depth", *command_options(state)])

    def figure(self, query: dict[str, str], panel: str) -> Figure:
        """A panel as a figure of its own."""
        from ..figures.ripple import ripple_figure
        from ..figures.section import section_figure
        from ..figures.setting_curve import setting_curve_figure

        make = {"curve": setting_curve_figure, "section": section_figure, "exposure": ripple_figure}[panel]
        return make(self._answer(_sound(setting_state(query, self.start))))

    @staticmethod
    def _answer(state: State) -> Answer:
        beam, resin, scan = records(state)
        return evaluate(beam=beam, resin=resin, scan=scan, layer_thickness=state.values["layer_thickness"])

    def _drawings(self, answer: Answer) -> list[tuple[str, str]]:
        from ..figures.ripple import draw_ripple
        from ..figures.section import draw_section
        from ..figures.setting_curve import draw_setting_curve

        def section(ax: Axes, answer: Answer) -> None:
            draw_section(ax, answer, headed=False)  # the page's own headline says it
            ax.set_title("Cured section")

        said = _main_line(answer)
        made = []
        for panel, draw, what in (
            ("curve", draw_setting_curve, "Working curve of the resin with this setting as a point."),
            ("section", section, "Cross-section of the cured resin."),
            ("exposure", draw_ripple, "Exposure across the scan lines."),
        ):
            made.append((panel, self.board.svg(f"s-{panel}", _fitted(draw, answer), label=f"{what} {said}")))
        return made

    @staticmethod
    def _solved(state: State) -> dict[str, str]:
        from ..setting.solving import solve_scan_speed

        beam, resin, scan = records(state)
        try:
            solution = solve_scan_speed(
                beam=beam, resin=resin, scan=scan, layer_thickness=state.values["layer_thickness"], overcure=state.values["overcure"]
            )
        except CurecalcError as error:
            return {"problem": str(error)}
        speed = f"{figure(float(solution.value.m_as('mm/s')), digits=4)} mm/s"
        given = {k: v for k, v in state.texts.items() if v} | {"scan_speed": speed}
        return {"speed": show(solution.value, solution.standard_uncertainty[0]), "address": urlencode(given)}


def _fitted(draw: Any, answer: Answer) -> Any:
    """Draw for a narrow panel: the settings stand in the fields beside it, so the long title and caption go."""

    def fitted(ax: Any) -> None:
        draw(ax, answer)
        title = ax.get_title(loc="left")
        if title.startswith("Cured section"):
            for text in [t for t in ax.texts if t.get_text().startswith(_caption_start(answer))]:
                text.remove()
            ax.set_title("Cured section across the lines", loc="left", pad=8)

    return fitted


def _caption_start(answer: Answer) -> str:
    from ..figures.section import settings_text
    from ..figures.style import pretty

    return pretty(settings_text(answer))


def _sound(state: State) -> State:
    if not state.good:
        raise QuantityError(next(iter(state.problems.values())))
    return state


def _shown(name: str, answer: Answer) -> bool:
    return answer.scan.raster or not name.startswith(("exposure_mean", "exposure_min", "exposure_max"))


def _label(name: str) -> str:
    return {"beam_radius": "beam radius"}.get(name, name.replace("_", " "))


def _main_line(answer: Answer) -> str:
    place = "Weakest place" if answer.scan.raster else "Line"
    if not answer.cures:
        return f"{place}: nothing cures."
    over = answer.outputs["overcure"]
    short = "overcure" if over.m >= 0 else "short of the layer by"
    return f"{place} {show(answer.weakest_depth, digits=3)} deep, {short} {show(Quantity(abs(float(over.m)), over.units), digits=3)}."
