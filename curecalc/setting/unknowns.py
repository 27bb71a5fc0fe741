"""What may be asked for, and how each is found: the problem without its unknown, the ways to an answer, and the table of both."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..physics import light, roots
from ..units import MM, MM_S, MW, ONE, Unit
from .model import Problem, cure_law, doses, scan_of

__all__ = ["FLAT", "UNKNOWNS", "Case", "Unknown"]

FLAT = 1e-11  # of ln dose: what rounding leaves of a function that does not move
_IN_PROPORTION = (1e-28, 1e28)


@dataclass(frozen=True)
class Case:
    """A problem without its unknown, and its target: ln(weakest dose/dose needed) is zero at the answer."""

    given: Problem
    unknown: str
    beyond: Any = 0.0
    uses_layer: bool = False
    width: Any = None

    def put(self, x: Mapping[str, Any], value: Any) -> dict[str, Any]:
        """The inputs with a value for the unknown; an elliptical spot keeps its shape."""
        if self.unknown == "beam_radius" and not self.given.form.round:
            own = self.given.x
            return {**x, "radius_x": value, "radius_y": value * (own["radius_y"] / own["radius_x"])}
        return {**x, self.unknown: value}

    def needed(self, x: Mapping[str, Any]) -> Any:
        """Dose the weakest place needs."""
        law = cure_law(x, self.given.form)
        with np.errstate(over="ignore"):
            if self.width is None:
                return law.dose(self.depth(x))
            return light.dose_for_width(scan_of(x, self.given.form), self.width, law.dose(0.0), law.exponent)

    def depth(self, x: Mapping[str, Any]) -> Any:
        """Depth the weakest place is to reach."""
        if self.width is not None:
            return cure_law(x, self.given.form).depth(self.needed(x))
        return self.beyond + (x["layer_thickness"] if self.uses_layer else 0.0)

    def excess(self, x: Mapping[str, Any], value: Any) -> Any:
        """ln of the weakest dose over the dose the target needs, with that value for the unknown."""
        at = self.put(x, value)
        with np.errstate(divide="ignore", under="ignore", over="ignore", invalid="ignore"):
            return np.log(doses(at, self.given.form)["min"]) - np.log(self.needed(at))

    def reached(self, x: Mapping[str, Any]) -> Any:
        """Depth the weakest place does reach."""
        return cure_law(x, self.given.form).depth(doses(x, self.given.form)["min"])


# ---------------------------------------------------------------- ways to an answer: (case, inputs) to values, first axis the answers


def _by_ratio(case: Case, x: Mapping[str, Any]) -> Any:
    """The dose goes as a power of the unknown, so one look says how far off it is."""
    law = cure_law(x, case.given.form)
    power = {"scan_speed": -1.0, "passes": 1.0}.get(case.unknown, law.exponent)
    return np.exp(-case.excess(x, 1.0) / power)[None]


def _by_halving(case: Case, x: Mapping[str, Any]) -> Any:
    """The dose falls steadily with the unknown: bisection of its logarithm; nan where the answer lies outside the range."""
    low, high = (math.log(end) for end in UNKNOWNS[case.unknown].range)
    start = np.asarray(case.excess(x, math.exp(low)), float)
    found = np.exp(roots.falling_root(lambda v: case.excess(x, np.exp(v)), np.zeros_like(start), low, high))
    outside = (start < 0.0) | (np.asarray(case.excess(x, math.exp(high))) > 0.0)
    return np.where(outside, np.nan, found)[None]


def _speeds(case: Case, x: Mapping[str, Any]) -> Any:
    return (_by_halving if case.given.form.pulsed else _by_ratio)(case, x)


def _radii(case: Case, x: Mapping[str, Any]) -> Any:
    """All radii in the range, one element after the other; nan fills up where others have more."""
    shape = np.broadcast_shapes(*(np.shape(v) for v in x.values()))
    flat = {name: np.broadcast_to(v, shape).ravel() for name, v in x.items()}
    each = []
    for i in range(int(np.prod(shape, dtype=int))):
        one = {name: float(v[i]) for name, v in flat.items()}
        each.append([low for low, _ in roots.all_roots(lambda r, at=one: case.excess(at, r), *UNKNOWNS["beam_radius"].range, FLAT)])
    most = max(len(found) for found in each)
    padded = np.array([[*found, *[np.nan] * (most - len(found))] for found in each])
    return padded.T.reshape(most, *shape)


def _left_over(case: Case, x: Mapping[str, Any]) -> Any:
    """What the cure depth leaves after the other is taken."""
    return np.asarray(case.reached(x) - case.depth(x))[None]


@dataclass(frozen=True)
class Unknown:
    """How one unknown is found: its unit and kind, the range looked at (lab set), the way, its story.

    `record` holds it as a number: "beam", "scan", or "" where it is the layer's or has more to it.
    """

    unit: Unit
    kind: str
    range: tuple[float, float]
    find: Callable[[Case, Mapping[str, Any]], Any]
    formula: str
    why: str
    record: str = ""


UNKNOWNS: dict[str, Unknown] = {
    "scan_speed": Unknown(
        MM_S,
        "speed",
        _IN_PROPORTION,
        _speeds,
        "v such that E at the weakest place is what is needed",
        "Exposure falls with speed: one answer.",
        record="scan",
    ),
    "power": Unknown(
        MW,
        "power",
        _IN_PROPORTION,
        _by_ratio,
        "P such that E at the weakest place is what is needed",
        "Exposure grows with power: one answer.",
        record="beam",
    ),
    "hatch_spacing": Unknown(
        MM,
        "length",
        (1e-4, 100.0),
        _by_halving,
        "h such that E_valley(h) is what is needed",
        "The valley falls steadily as lines move apart: one answer.",
        record="scan",
    ),
    "beam_radius": Unknown(
        MM,
        "length",
        (1e-3, 100.0),
        _radii,
        "W0 such that the target is met",
        "A wider beam spreads the light: there may be no answer, one or two.",
    ),
    "passes": Unknown(ONE, "number", (0.0, 1e6), _by_ratio, "N = E needed/E of one pass, rounded up", "Exposures of equal passes add."),
    "layer_thickness": Unknown(
        MM, "length", (0.0, math.inf), _left_over, "t = Cd - overcure", "The layer is what the overcure leaves of the depth."
    ),
    "overcure": Unknown(MM, "length", (-math.inf, math.inf), _left_over, "overcure = Cd - t", "What the depth has beyond the layer."),
}
