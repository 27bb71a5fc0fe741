"""Settings: what a setting does, what moves it, and the speed that reaches the overcure wanted."""

from __future__ import annotations

import shlex
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode

from ..errors import CurecalcError, QuantityError
from ..formulas.beam import Beam, radius_of
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..setting.answer import Answer, evaluate
from ..units import ONE, Measured, Quantity, count, figure, show, show_span
from .drawing import Board
from .fields import FIELDS, SPOT_WIDTHS, plainly, read
from .work import Work

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..setting.solution import Solution

__all__ = ["LABELS", "Setting", "SettingsView", "ranges"]

_NAMES = ["power", "spot", "scan_speed", "hatch_spacing", "passes", "layer_thickness", "overcure", "penetration_depth", "critical_exposure"]
_SHAPE = ["radius_ratio", "spot_angle", "track_angle", "pulse_rate"]
_RESIN = ("penetration_depth", "critical_exposure")
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


def ranges(work: Work) -> list[tuple[str, str]]:
    """What the machine can do and where the coupons were, as rows of text."""
    from ..jobs.beyond import machine_ranges

    rows = []
    machine, lot = work.machine, work.lot
    if machine is not None:
        told = [
            (name, show_span(*ends) if len(ends) == 2 else show(ends[0]))
            for name, *both in machine_ranges(machine)
            if (ends := [end for end in both if end is not None])
        ]
        rows.append((f"Machine {machine.name}", "; ".join(f"{name} {text}" for name, text in told)))
    if lot is not None:
        span = "no coupons: values of a data sheet"
        if lot.depth_range is not None:
            span = f"coupons {show_span(*lot.depth_range, digits=3)} deep"
        rows.append((f"Lot {lot.resin.name} {lot.lot}".rstrip(), span))
    return rows


class Setting:
    """The setting of an address on a browser's work: beam, resin and scan from texts and files.

    The lot's own record is used, with its correlation, law and range, while the resin fields stand as they were filled in.
    """

    def __init__(self, query: dict[str, str], work: Work, *, more: tuple[str, ...] = ()) -> None:
        self.work = work
        self.start = work.start
        line = query.get("pattern", self.start["pattern"]) == "line"
        continuous = not query.get("pulse_rate", self.start["pulse_rate"]).strip()
        idle = {name for name, out in (("hatch_spacing", line), ("pulse_rate", continuous)) if out}
        self.state = read(query, self.start, [n for n in [*_NAMES, *_SHAPE, *more] if n not in idle])
        self.texts, self.values = self.state.texts, self.state.values
        if self.texts["spot_as"] not in SPOT_WIDTHS:
            self.state.problems["spot"] = f"Spot width must be one of {', '.join(SPOT_WIDTHS.values())}."
        if self.texts["pattern"] not in ("raster", "line"):
            self.state.problems["hatch_spacing"] = "Pattern must be raster or line."

    def sound(self) -> Setting:
        """Itself, or `QuantityError` with the first text that cannot be read."""
        if not self.state.good:
            raise QuantityError(next(iter(self.state.problems.values())))
        return self

    @property
    def own_resin(self) -> bool:
        """Whether the resin's values were typed in place of those filled in."""
        return any(self.texts[name] != self.start[name] for name in _RESIN)

    @property
    def beam(self) -> Beam:
        """The spot of the width given, along its own x axis where it is elliptical."""
        radius = radius_of(f"beam_{self.texts['spot_as']}", self.values["spot"])
        beam = Beam(power=self.values["power"], radius_x=radius, pulse_rate=self.values.get("pulse_rate"))
        if self.round:
            return beam
        other = Measured(radius.value * self._ratio, radius.standard_uncertainty * self._ratio)
        return replace(beam, radius_y=other, radius_correlation=1.0, angle=self.values["spot_angle"])

    @property
    def _ratio(self) -> float:
        return float(self.values["radius_ratio"].m_as(ONE))

    @property
    def round(self) -> bool:
        """Whether both radii are the same."""
        return self._ratio == 1.0

    @property
    def resin(self) -> Resin:
        """The lot's record, the bench's pair, or the values typed."""
        lot = self.work.lot
        if lot is not None and not self.own_resin:
            return lot.resin
        correlation = 0.0 if self.own_resin else self.work.base.resin.correlation
        return Resin(**{name: self.values[name] for name in _RESIN}, correlation=correlation)

    @property
    def scan(self) -> Scan:
        """The pattern."""
        raster = self.texts["pattern"] == "raster"
        return Scan(
            scan_speed=self.values["scan_speed"],
            hatch_spacing=self.values["hatch_spacing"] if raster else None,
            passes=count("passes", self.values["passes"]),
            cross_hatch=raster and self.texts["crossed"] == "yes",
            **({} if self.round else {"track_angle": self.values["track_angle"]}),
        )

    def options(self, *, without: str = "") -> list[str]:
        """The options of the command line that describe the setting, texts as typed."""
        t = self.texts
        options = ["--power", t["power"], f"--beam-{t['spot_as']}", t["spot"]]
        if not self.round:
            options += ["--radius-ratio", t["radius_ratio"], "--spot-angle", t["spot_angle"], "--track-angle", t["track_angle"]]
        if "pulse_rate" in self.values:
            options += ["--pulse-rate", t["pulse_rate"]]
        if without != "scan_speed":
            options += ["--scan-speed", t["scan_speed"]]
        if t["pattern"] == "raster":
            options += ["--hatch-spacing", t["hatch_spacing"]]
        if self.values["passes"] != 1:
            options += ["--passes", str(self.values["passes"])]
        if t["pattern"] == "raster" and t["crossed"] == "yes":
            options += ["--cross-hatch"]
        return [*options, *self._resin_options()]

    def _resin_options(self) -> list[str]:
        t = self.texts
        if self.work.lot is not None and not self.own_resin:
            options = ["--resin", self.work.parts["resin"].path]
        else:
            options = ["--penetration-depth", t["penetration_depth"], "--critical-exposure", t["critical_exposure"]]
            if self.resin.correlation:
                options += ["--correlation", f"{self.resin.correlation:g}"]
        return [*options, "--layer-thickness", t["layer_thickness"]]

    def map_options(self) -> list[str]:
        """The options of `curecalc map` for vectors whose file says none; how light falls its machine file says."""
        t = self.texts
        light = ["--power", t["power"], "--scan-speed", t["scan_speed"], f"--beam-{t['spot_as']}", t["spot"]]
        return [*light, *self._resin_options()]

    def answer(self) -> Answer:
        """The setting evaluated."""
        return evaluate(beam=self.beam, resin=self.resin, scan=self.scan, layer_thickness=self.values["layer_thickness"])

    def solution(self) -> Solution:
        """The speed for the overcure wanted, inside the machine's limits where there is one."""
        from ..setting.solving import solve_scan_speed

        return solve_scan_speed(
            beam=self.beam,
            resin=self.resin,
            scan=self.scan,
            layer_thickness=self.values["layer_thickness"],
            overcure=self.values["overcure"],
            limits=self._limits(),
        )

    def _limits(self) -> Any:
        from ..setting.limits import Limits

        machine = self.work.machine
        return None if machine is None else Limits(scan_speed_max=machine.scan_speed_max, scan_speed_min=machine.scan_speed_min)

    def speed_options(self) -> list[str]:
        """The options of `curecalc speed`."""
        options = [*self.options(without="scan_speed"), "--overcure", self.texts["overcure"]]
        machine = self.work.machine
        if machine is not None:
            for end in ("max", "min"):
                limit = float(getattr(machine, f"scan_speed_{end}").m_as("mm/s"))
                options += [f"--scan-speed-{end}", f"{limit!r} mm/s"]
        return options

    def command(self, which: str) -> str:
        """The command line that gives the numbers, or the speed."""
        words = ["depth", *self.options()] if which == "numbers" else ["speed", *self.speed_options()]
        return shlex.join(["curecalc", *words])

    def beyond(self) -> list[str]:
        """What the machine cannot do of it."""
        from ..jobs.beyond import beyond_machine

        machine = self.work.machine
        return [] if machine is None else beyond_machine(machine, self.beam, self.scan, self.values["layer_thickness"])

    def context(self) -> dict[str, Any]:
        """What every template of a setting shows."""
        return {
            "state": self.state,
            "fields": FIELDS,
            "spot_widths": SPOT_WIDTHS,
            "ranges": ranges(self.work),
            "sources": [self.work.source(name) for name in ("machine", "resin", "needs")],
            "problem": "",
            "answer": None,
        }


class SettingsView:
    """Sliders and fields to a working curve, a section, the exposure across the lines, numbers."""

    name = "settings"
    title = "Settings"
    panels = ("curve", "section", "exposure")
    answers = ("numbers", "speed")

    def __init__(self, board: Board) -> None:
        self.board = board

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        setting = Setting(query, work)
        context = setting.context()
        if not setting.state.good:
            return context
        try:
            answer, beside = setting.answer(), _beside(setting)
        except CurecalcError as error:
            return context | {"problem": plainly(str(error))}
        given = {k: v for k, v in setting.texts.items() if v and k != "beside"}
        return context | {
            "answer": answer,
            "rows": [(LABELS.get(n, n), answer.text(n)) for n in answer.outputs if _shown(n, answer)],
            "moves": [(_label(n), f"{float(v.m_as('um')):+.3g} um") for n, v in answer.sensitivity.items() if v is not None],
            "main": _main_line(answer),
            "recipe": _of_recipe(setting),
            "notes": [*setting.beyond(), *answer.warnings],
            "drawings": self._drawings(answer, beside),
            "solved": _solved(setting),
            "keep": urlencode(given | {"beside": urlencode(given)}),
            "leave": urlencode(given),
            "other": _compared(answer, beside),
            "commands": [setting.command(one) for one in self.answers],
        }

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc depth`, or of `curecalc speed`."""
        setting = Setting(query, work).sound()
        return setting.answer().to_dict() if which == "numbers" else setting.solution().to_dict()

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line."""
        return Setting(query, work).sound().command(which)

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """A panel as a figure of its own."""
        from ..figures.ripple import ripple_figure
        from ..figures.section import section_figure
        from ..figures.setting_curve import setting_curve_figure

        make = {"curve": setting_curve_figure, "section": section_figure, "exposure": ripple_figure}[panel]
        return make(Setting(query, work).sound().answer())

    def _drawings(self, answer: Answer, beside: Answer | None) -> list[tuple[str, str]]:
        from ..figures.ripple import draw_ripple
        from ..figures.section import draw_section
        from ..figures.setting_curve import draw_beside, draw_setting_curve

        def curve(ax: Axes) -> None:
            draw_setting_curve(ax, answer)
            if beside is not None:
                draw_beside(ax, beside)
                ax.set_title("Working curve: this setting, the kept one dashed", loc="left", pad=10)

        def section(ax: Axes) -> None:
            draw_section(ax, answer, headed=False)  # the page's own headline says it
            ax.set_title("Cured section across the lines", loc="left", pad=8)

        said = _main_line(answer)
        return [
            (panel, self.board.svg(f"s-{panel}", draw, label=f"{what} {said}"))
            for panel, draw, what in (
                ("curve", curve, "Working curve of the resin with this setting as a point."),
                ("section", section, "Cross-section of the cured resin."),
                ("exposure", lambda ax: draw_ripple(ax, answer), "Exposure across the scan lines."),
            )
        ]


def _of_recipe(setting: Setting) -> str:
    """How these numbers stand to the recipe's, while the settings are still those of its main kind of vector."""
    chosen = setting.work.chosen
    if chosen is None or any(text != setting.start[name] for name, text in setting.texts.items() if name not in ("overcure", "beside")):
        return ""
    return (
        f"These are the settings of {chosen.kind} in the recipe. The recipe's depth, {show(chosen.cure_depth)}, is that of the "
        "weakest judged place of a vector, near its ends, with every doubt counted; here stand places where the spot runs at its speed."
    )


def _beside(setting: Setting) -> Answer | None:
    text = setting.texts["beside"]
    if not text:
        return None
    return Setting(dict(parse_qsl(text)), setting.work).sound().answer()


def _compared(answer: Answer, beside: Answer | None) -> list[tuple[str, str, str, str]]:
    from ..setting.beside import differences

    if beside is None:
        return []
    return [
        (LABELS.get(name, name), answer.text(name), beside.text(name), ("+" if by.m > 0 else "") + show(by, digits=3))
        for name, by in differences(answer, beside).items()
        if _shown(name, answer)
    ]


def _solved(setting: Setting) -> dict[str, Any]:
    try:
        solution = setting.solution()
    except CurecalcError as error:
        return {"problem": plainly(str(error))}
    speed = f"{figure(float(solution.value.m_as('mm/s')), digits=4)} mm/s"
    given = {k: v for k, v in setting.texts.items() if v} | {"scan_speed": speed}
    notes = [text for text in (*solution.answer.warnings, *solution.notes) if text != solution.caution]
    speed = show(solution.value, solution.standard_uncertainty[0])
    caution = solution.caution.replace("curecalc recipe", "the view Recipe")
    return {"speed": speed, "address": urlencode(given), "caution": caution, "notes": notes}


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
