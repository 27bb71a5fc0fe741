"""What solving for an unknown is made of: the target as an excess, its roots, their uncertainty, the solution record."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ...formulas.beam import Beam
from ...formulas.resin import Resin
from ...formulas.scan import Scan
from ...physics import roots
from ...statistics.uncertainty import MonteCarlo, draw_inputs, log_gradient, monte_carlo, standard_uncertainties
from ...units import (
    MM,
    MM_S,
    MW,
    Measured,
    Quantity,
    QuantityError,
    finite,
    measured,
    positive,
    show_kernel,
    to_json,
)
from ..answer import Answer, MonteCarloOptions
from ..model import Problem, depth_of, dose_for, problem, weakest, widths

__all__ = ["Case", "Solution", "case_for", "monotone", "power", "radii", "replaced", "solved", "spacing", "speed",
           "spread_of", "usable", "with_scan"]  # fmt: skip

_UNITS = {
    "scan_speed": MM_S,
    "power": MW,
    "hatch_spacing": MM,
    "beam_radius": MM,
    "layer_thickness": MM,
    "overcure": MM,
}
RADIUS_RANGE = (1e-3, 100.0)
Found = tuple[float, float | None, MonteCarlo | None]


@dataclass(frozen=True)
class Solution:
    """The answers for one unknown, and what each setting does.

    Attributes
    ----------
    unknown : str
    values : tuple of Quantity (of int for `passes`)
        All answers, in rising order.
    answers : tuple of Answer
        The whole setting evaluated at each.
    standard_uncertainty : tuple of Quantity or None
        Of each value, first order, where inputs carry uncertainties.
    monte_carlo : tuple of MonteCarlo or None
    wanted : Quantity or None
        The cure depth asked for, where one was.
    """

    unknown: str
    values: tuple[Any, ...]
    answers: tuple[Answer, ...]
    standard_uncertainty: tuple[Quantity | None, ...] = ()
    monte_carlo: tuple[MonteCarlo | None, ...] = ()
    notes: tuple[str, ...] = field(default=())
    wanted: Quantity | None = None

    @property
    def value(self) -> Any:
        """The answer, where there is one only; the smallest otherwise."""
        return self.values[0]

    @property
    def answer(self) -> Answer:
        """The setting at `value`."""
        return self.answers[0]

    def to_dict(self) -> dict[str, Any]:
        """The JSON object: the unknown's key (a list where several answers exist) and the keys of `depth`."""
        listed = [self._one(i) for i in range(len(self.values))]
        record: dict[str, Any] = {self.unknown: listed[0] if len(listed) == 1 else listed}
        record |= self.answer.to_dict()
        record[self.unknown] = listed[0] if len(listed) == 1 else listed
        if len(listed) > 1:
            record["answers"] = [answer.to_dict() for answer in self.answers]
        record["warnings"] = [*record["warnings"], *self.notes]
        return record

    def _repr_html_(self) -> str:
        from ...units import show
        from ..explain import html_table

        spread = self.standard_uncertainty or (None,) * len(self.values)
        rows = [
            (self.unknown.replace("_", " "), show(v, u) if isinstance(v, Quantity) else str(v))
            for v, u in zip(self.values, spread)
        ]
        first = self.answer
        rows += [(name.replace("_", " "), first.text(name)) for name in first.outputs if name != self.unknown]
        return html_table(rows, (*first.warnings, *self.notes))

    def _one(self, i: int) -> Any:
        value = self.values[i]
        if not isinstance(value, Quantity):
            return value
        record = to_json(value, self.standard_uncertainty[i] if self.standard_uncertainty else None)
        mc = self.monte_carlo[i] if self.monte_carlo else None
        if mc is not None:
            unit = _UNITS[self.unknown]
            ends = (Quantity(mc.interval[0], unit), Quantity(mc.interval[1], unit))
            record["monte_carlo"] = to_json(
                Quantity(mc.mean, unit), Quantity(mc.standard_uncertainty, unit), ends, mc.confidence
            )
            record["monte_carlo"] |= {"shortest_interval": list(mc.shortest), "draws": mc.draws}
        return record


def target(
    layer_thickness: Measured | Quantity | None, overcure: Quantity | None, cure_depth: Quantity | None
) -> tuple[float, float]:
    """(depth wanted beyond the layer, or in all; layer thickness or 0)."""
    if cure_depth is not None:
        if overcure is not None:
            raise QuantityError(
                "cure_depth and overcure cannot both be given: cure_depth is layer_thickness plus overcure."
            )
        return positive("cure_depth", cure_depth, MM), 0.0
    if layer_thickness is None:
        raise QuantityError("layer_thickness is missing. Give layer_thickness and overcure, or cure_depth.")
    if overcure is None:
        raise QuantityError("overcure is missing. Give layer_thickness and overcure, or cure_depth.")
    over = finite("overcure", overcure, MM)
    thick = positive("layer_thickness", measured(layer_thickness).value, MM)
    if thick + over <= 0.0:
        raise QuantityError(
            f"overcure of {over:.6g} mm takes the whole layer of {thick:.6g} mm away: layer_thickness plus overcure must be above zero."
        )
    return over, thick


@dataclass(frozen=True)
class Case:
    """A problem with its target: ln(weakest dose / dose needed) is zero at the answer."""

    given: Problem
    unknown: str
    beyond: float
    uses_layer: bool
    width: float | None = None

    def needed(self, x: Mapping[str, Any]) -> Any:
        """Dose the weakest place needs; a line of width W needs exp(W^2/(2 W0^2)) times the critical one on its axis."""
        form = self.given.form
        if self.width is not None:
            across = widths(x, form, form.track_angle)[0] / np.sqrt(x.get("exponent", 1.0))
            return dose_for(0.0, x, form) * np.exp(0.5 * (self.width / across) ** 2)
        return dose_for(self.beyond + (x["layer_thickness"] if self.uses_layer else 0.0), x, form)

    def depth(self, x: Mapping[str, Any]) -> Any:
        """Depth the weakest place is to reach."""
        if self.width is not None:
            return depth_of(self.needed(x), x, self.given.form)
        return self.beyond + (x["layer_thickness"] if self.uses_layer else 0.0)

    def excess(self, x: Mapping[str, Any]) -> Any:
        """ln of the weakest dose over the dose the target needs."""
        with np.errstate(divide="ignore", under="ignore", over="ignore"):
            return np.log(weakest(x, self.given.form)) - np.log(self.needed(x))


def replaced(x: Mapping[str, Any], unknown: str, value: Any) -> dict[str, Any]:
    """The inputs with another value for the unknown; an elliptical spot keeps its shape."""
    if unknown == "beam_radius" and "radius_x" in x:
        return {**x, "radius_x": value, "radius_y": value * (x["radius_y"] / x["radius_x"])}
    return {**x, unknown: value}


def monotone(case: Case, x: Mapping[str, Any], low: float = 1e-29, high: float = 1e29) -> Any:
    """The value at which the excess falls through zero, for an excess that falls with the unknown; arrays allowed.

    Outside the bracket the end comes back; `usable` refuses it.
    """
    shape = np.broadcast_shapes(*(np.shape(v) for v in x.values()))
    if not shape:
        # work on one lane so that the bracketing loop sees an array
        lane = monotone(case, {k: np.full(1, float(v)) for k, v in x.items()}, low, high)
        return float(lane[0])
    root = roots.falling_root(
        lambda log_value: case.excess(replaced(x, case.unknown, np.exp(log_value))),
        np.zeros(shape),
        math.log(low),
        math.log(high),
    )
    return np.exp(root)


def speed(case: Case, x: Mapping[str, Any]) -> Any:
    """Scan speed at which the weakest place reaches the target."""
    if case.given.form.pulsed:
        return monotone(case, x)
    return np.exp(case.excess(replaced(x, "scan_speed", 1.0)))


def power(case: Case, x: Mapping[str, Any]) -> Any:
    """Power at which the weakest place reaches the target."""
    w = x["exponent"] if case.given.form.cure_model == "threshold" else 1.0
    return np.exp(-case.excess(replaced(x, "power", 1.0)) / w)


def spacing(case: Case, x: Mapping[str, Any]) -> Any:
    """Hatch spacing at which the weakest place reaches the target."""
    return monotone(case, x)


def usable(unknown: str, number: float) -> None:
    """Refuse an answer no machine could hold, also where a bracket ended before the root."""
    if not 1e-28 < number < 1e28:
        raise QuantityError(f"{unknown} comes out as {number:g}: one of the inputs is out of all proportion.")


def solved(
    case: Case, kernel: Callable[[Case, Mapping[str, Any]], Any], options: MonteCarloOptions | None
) -> tuple[Any, ...]:
    """Value, standard uncertainty and Monte Carlo summary of a single-valued unknown, floats."""
    value = float(kernel(case, case.given.x))
    if case.unknown in ("scan_speed", "power", "hatch_spacing"):
        usable(case.unknown, value)
    spread = spread_of(case, value)
    drawn = None
    if options is not None:
        given = case.given
        lanes = draw_inputs(given.x, given.u, given.correlations, draws=options.draws, seed=options.seed)
        many = np.broadcast_to(np.asarray(kernel(case, lanes), float), (options.draws,))
        drawn = monte_carlo(many, confidence=options.confidence)
    return value, spread, drawn


def spread_of(case: Case, value: float) -> float | None:
    """First-order standard uncertainty of the unknown, by the implicit function theorem on the excess."""
    given = case.given
    if not given.u:
        return None
    at = replaced(given.x, case.unknown, value)
    name = "radius_x" if case.unknown == "beam_radius" and "radius_x" in at else case.unknown
    names = sorted({*given.u, name})
    g = log_gradient(lambda x: {"excess": case.excess(x)}, at, names)["excess"]
    if name == "radius_x":
        g[name] += log_gradient(lambda x: {"excess": case.excess(x)}, at, ["radius_y"])["excess"]["radius_y"]
    if g[name] == 0.0:
        return None
    row = {other: -g[other] / g[name] for other in given.u if other != case.unknown}
    relative = {k: v for k, v in given.relative.items() if k in row}
    return value * standard_uncertainties({"value": row}, relative, given.correlations)["value"]


DEEPEST = 60.0  # penetration depths: e^60 times the critical exposure is no exposure of this world


def case_for(
    unknown: str,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None,
    overcure: Quantity | None,
    cure_depth: Quantity | None,
    line_width: Quantity | None = None,
) -> Case:
    """The problem with its target: a depth, or the width of a single line."""
    if line_width is not None:
        return _width_case(unknown, beam, resin, scan, layer_thickness, overcure, cure_depth, line_width)
    beyond, layer = target(layer_thickness, overcure, cure_depth)
    given = problem(beam=beam, resin=resin, scan=scan, layer_thickness=layer_thickness)
    dp = given.x["penetration_depth"]
    if beyond + layer > DEEPEST * dp:
        raise QuantityError(
            f"a depth of {show_kernel(beyond + layer, 'length')} is {(beyond + layer) / dp:.3g} penetration depths of "
            f"{show_kernel(dp, 'length')}: no exposure reaches it. Check the units of the layer, overcure and penetration depth."
        )
    return Case(given, unknown, beyond, layer > 0.0)


def _width_case(
    unknown: str,
    beam: Beam,
    resin: Resin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None,
    overcure: Quantity | None,
    cure_depth: Quantity | None,
    line_width: Quantity,
) -> Case:
    width = positive("line_width", line_width, MM)
    if scan.raster:
        raise QuantityError(
            "line_width is asked of a single line, but a hatch_spacing is given. Leave one of them out."
        )
    if cure_depth is not None or overcure is not None:
        raise QuantityError("line_width cannot be combined with cure_depth or overcure: give one target.")
    given = problem(beam=beam, resin=resin, scan=scan, layer_thickness=layer_thickness)
    case = Case(given, unknown, 0.0, False, width)
    if unknown != "beam_radius":
        across = float(widths(given.x, given.form, given.form.track_angle)[0])
        if width > 10.0 * across:
            raise QuantityError(
                f"a line_width of {show_kernel(width, 'length')} is {width / across:.3g} beam radii of {show_kernel(across, 'length')}: "
                "no exposure widens a line that far. Check the units of both."
            )
    return case


def with_scan(scan: Scan | None, **changes: Any) -> Scan:
    """The scan with fields replaced; a plain line when there is none."""
    if scan is None:
        return Scan(**({"scan_speed": Quantity(1.0, MM_S)} | changes))
    return dataclasses.replace(scan, **changes)


def radii(case: Case, options: MonteCarloOptions | None) -> list[Found]:
    """All radii in `RADIUS_RANGE` that meet the target, with uncertainty; an empty list where there is none."""
    x = case.given.x
    found = roots.all_roots(lambda r: float(case.excess(replaced(x, "beam_radius", r))), *RADIUS_RANGE)
    return [(r, spread_of(case, r), _radius_draws(case, r, options)) for r in found]


def _radius_draws(case: Case, root: float, options: MonteCarloOptions | None) -> MonteCarlo | None:
    """The root followed through every draw by Newton steps in ln radius; None where draws lose it (a fold is near)."""
    if options is None:
        return None
    given = case.given
    lanes = draw_inputs(given.x, given.u, given.correlations, draws=options.draws, seed=options.seed)
    log_r, step = np.full(options.draws, math.log(root)), 1e-6

    def excess(at: Any) -> Any:
        return case.excess(replaced(lanes, "beam_radius", np.exp(at)))

    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(40):
            value = excess(log_r)
            slope = (excess(log_r + step) - excess(log_r - step)) / (2.0 * step)
            log_r = log_r - np.clip(value / slope, -0.2, 0.2)
        lost = ~(np.abs(excess(log_r)) < 1e-8)
    return None if lost.any() else monte_carlo(np.exp(log_r), confidence=options.confidence)
