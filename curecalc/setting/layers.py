"""A stack evaluated: what every interface gets, how far solid reaches below a down-facing face, how many layers to leave out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..physics import stack
from ..physics.laws import Law
from ..statistics.uncertainty import log_gradient, standard_uncertainties
from ..units import MJ_CM2, MJ_MM2, MM, Measured, NoSolution, Quantity, QuantityError, Shown, count, show, show_kernel, to_json
from .holders import HoldsBeam, HoldsResin, beam_of, resin_of
from .model import FIXED, Form, Problem, cure_law, doses, exposure_problem, problem
from .plausible import odd_values

__all__ = ["StackAnswer", "evaluate_stack"]

_LISTED = 50


@dataclass(frozen=True)
class StackAnswer(Shown):
    """Equal layers on each other.

    Attributes
    ----------
    given : Problem
        Inputs in the lab set.
    layers : int or math.inf
    print_through : Quantity [mm]
        Solid below the nominal down-facing face, at the mean exposure (of a line: on its axis); negative where the solid
        ends above the face.
    print_through_range : tuple of Quantity
        At the weakest and at the strongest place.
    interface_exposure : Quantity [mJ/cm^2]
        At the bottom of the first layer in the weakest place, after all layers; `own_exposure` from its layer alone.
    interfaces : tuple of Quantity
        Exposure at the bottom of a layer with 0, 1, 2, ... layers on it.
    compensation_layers : int
        Layers to leave out so that the face ends nearest to its nominal place; `residual` is what then remains.
    choices : tuple of (int, Quantity)
        That number of layers and its neighbours, with what remains: above zero solid below the nominal face, below zero
        the solid ends above it.
    sensitivity : dict of input to Quantity
        How far print-through moves for +1 % of that input.
    """

    given: Problem
    resin: Resin
    layers: float
    print_through: Quantity
    print_through_range: tuple[Quantity, Quantity]
    interface_exposure: Quantity
    own_exposure: Quantity
    interfaces: tuple[Quantity, ...]
    compensation_layers: int
    residual: Quantity
    choices: tuple[tuple[int, Quantity], ...]
    single_depth: Quantity
    standard_uncertainty: dict[str, Quantity] = field(default_factory=dict)
    sensitivity: dict[str, Quantity] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def rows(self) -> list[tuple[str, str]]:
        """What the stack comes to."""
        u = self.standard_uncertainty
        names = ("single_depth", "print_through", "own_exposure", "interface_exposure", "residual")
        rows = [(name.replace("_", " "), show(getattr(self, name), u.get(name))) for name in names]
        return [*rows, ("layers to leave out", str(self.compensation_layers))]

    @property
    def bonds(self) -> bool:
        """Whether each layer alone gels its own bottom in the weakest place."""
        least = float(cure_law(self.given.x, self.given.form).dose(0.0))
        return float(self.own_exposure.m_as(MJ_MM2)) > least

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command contract."""
        low, high = self.print_through_range
        u = self.standard_uncertainty
        return {
            "layers": None if math.isinf(self.layers) else int(self.layers),
            "print_through": to_json(self.print_through, u.get("print_through")),
            "print_through_min": to_json(low),
            "print_through_max": to_json(high),
            "interface_exposure": to_json(self.interface_exposure, u.get("interface_exposure")),
            "interface_exposure_own_layer": to_json(self.own_exposure),
            "interfaces": [{"layers_above": k, "exposure": to_json(exposure)} for k, exposure in enumerate(self.interfaces)],
            "compensation_layers": self.compensation_layers,
            "residual_print_through": to_json(self.residual),
            "choices": [{"layers": left_out, "print_through": to_json(rest)} for left_out, rest in self.choices],
            "cure_depth": to_json(self.single_depth),
            "sensitivity": {name: to_json(by) for name, by in self.sensitivity.items()},
            "warnings": list(self.warnings),
        }


def evaluate_stack(
    *,
    resin: Resin | HoldsResin,
    layer_thickness: Measured | Quantity,
    beam: Beam | HoldsBeam | None = None,
    scan: Scan | None = None,
    exposure: Measured | Quantity | None = None,
    layers: float = math.inf,
) -> StackAnswer:
    """Exposures and print-through of equal layers, from a setting or from the surface exposure of each layer.

    Parameters
    ----------
    resin : Resin or Lot
        Any cure model; a bleaching resin's doses are summed layer by layer, exactly.
    layer_thickness : Quantity or Measured [mm]
    beam, scan : Beam or BeamRecord, Scan, optional
        The setting of every layer; or
    exposure : Quantity or Measured [mJ/cm^2], optional
        What the surface of every layer gets.
    layers : int or math.inf
        How many layers in all, the down-facing one included; many when left out.

    Returns
    -------
    StackAnswer

    Raises
    ------
    QuantityError
    NoSolution
        A single layer does not cure, or light reaches without bound through a bleaching resin.

    Source: `derived`, Beer-Lambert contributions of the layers added (cured resin absorbs as liquid does).

    >>> from curecalc.units import Quantity as Q
    >>> answer = evaluate_stack(
    ...     resin=Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     exposure=Q(21.7463, "mJ/cm^2"),
    ...     layer_thickness=Q(0.1, "mm"),
    ... )
    >>> f"{answer.print_through.m_as('mm'):.4f}", answer.compensation_layers
    ('0.1581', 2)
    """
    n = layers if isinstance(layers, float) and layers == math.inf else count("layers", layers)
    resin, beam = resin_of(resin), None if beam is None else beam_of(beam)
    given = _given(resin, layer_thickness, beam, scan, exposure)
    if given.shape:
        raise QuantityError("a stack takes one setting at a time, got arrays. Give single values.")
    x, form = given.x, given.form
    law, dose, t = cure_law(x, form), doses(x, form), x["layer_thickness"]
    single = float(law.depth(dose["mean"]))
    if single <= 0.0:
        raise NoSolution(
            f"A single layer does not cure: its exposure does not exceed the critical exposure of "
            f"{show_kernel(law.dose(0.0), 'exposure')}.",
            limit="critical_exposure",
            remedy="Slow the scan or raise the power.",
        )
    out = {key: float(value) for key, value in _reach(x, form, n).items()}
    if not math.isfinite(out["print_through"]):
        raise NoSolution(
            "Light reaches deeper with every layer, without bound: each exposure bleaches more than a layer holds.",
            limit="bleaching_exposure",
            remedy="State the number of layers, or lower the exposure.",
        )
    movers = [name for name in x if name not in FIXED]
    gradient = log_gradient(lambda lanes: _reach(lanes, form, n), x, sorted({*movers, *given.u}))
    spread = standard_uncertainties(gradient, given.relative, given.correlations) if given.u else {}
    layers_out, residual = stack.compensation(law, dose["mean"], t, n)
    near = [k for k in (layers_out - 1, layers_out, layers_out + 1) if 0 <= k < n]
    left = [(k, Quantity(float(stack.print_through(law, dose["mean"], t, n - k)) - k * t, MM)) for k in near]
    own = float(law.below(dose["min"], t))
    kinds = {"print_through": MM, "interface_exposure": MJ_MM2}
    return StackAnswer(
        given=given,
        resin=resin,
        layers=n,
        print_through=Quantity(out["print_through"], MM),
        print_through_range=(Quantity(out["print_through_min"], MM), Quantity(out["print_through_max"], MM)),
        interface_exposure=_exposure(out["interface_exposure"]),
        own_exposure=_exposure(own),
        interfaces=tuple(_exposure(e) for e in _interfaces(law, float(dose["min"]), t, n)),
        compensation_layers=layers_out,
        residual=Quantity(residual, MM),
        choices=tuple(left),
        single_depth=Quantity(single, MM),
        standard_uncertainty={k: Quantity(spread[k], unit) for k, unit in kinds.items()} if spread else {},
        sensitivity={name: Quantity(0.01 * gradient["print_through"][name], MM) for name in movers},
        warnings=(*_warnings(given, law, single, own), *(beam.notes if beam is not None else ())),
    )


def _given(
    resin: Resin, layer_thickness: Measured | Quantity, beam: Beam | None, scan: Scan | None, exposure: Measured | Quantity | None
) -> Problem:
    if layer_thickness is None:
        raise QuantityError("layer_thickness is missing. Give it a quantity, for example Q(0.1, 'mm').")
    if exposure is not None:
        if beam is not None or scan is not None:
            raise QuantityError("exposure already says what each surface gets: leave out beam and scan, or the exposure.")
        return exposure_problem(exposure=exposure, resin=resin, layer_thickness=layer_thickness)
    if beam is None or scan is None:
        raise QuantityError("a stack needs an exposure, or a beam and a scan.")
    return problem(beam=beam, resin=resin, scan=scan, layer_thickness=layer_thickness)


def _reach(x: Mapping[str, Any], form: Form, n: float) -> dict[str, Any]:
    law, dose, t = cure_law(x, form), doses(x, form), x["layer_thickness"]
    with np.errstate(invalid="ignore", over="ignore"):
        reached = {"": dose["mean"], "_min": dose["min"], "_max": dose["max"]}
        return {f"print_through{end}": stack.print_through(law, one, t, n) for end, one in reached.items()} | {
            "interface_exposure": law.below(stack.total(law, dose["min"], t, n), t)
        }


def _interfaces(law: Law, dose: float, t: float, n: float) -> list[float]:
    """Exposure at the bottom of a layer with 0, 1, 2, ... layers on it, until it settles."""
    values = [float(e) for e in law.below(stack.layer_totals(law, dose, t, min(n, _LISTED)), t)]
    for k in range(1, len(values)):
        if values[k] - values[k - 1] <= 1e-4 * values[k]:
            return values[: k + 1]
    return values


def _exposure(number: float) -> Quantity:
    return Quantity(number, MJ_MM2).to(MJ_CM2)


def _warnings(given: Problem, law: Law, single: float, own: float) -> list[str]:
    x = given.x
    notes = odd_values(x)
    if "power" in x and not given.form.raster:
        notes.append("A single line was taken for the face: a flat face is a raster. Give the hatch spacing for its mean exposure.")
    least = law.dose(0.0)
    if own <= least:
        notes.append(
            f"The layer alone does not bond: {show_kernel(own, 'exposure')} reaches its bottom, not more than the critical exposure "
            f"of {show_kernel(least, 'exposure')}."
        )
    if single > 4.0 * x["layer_thickness"]:
        notes.append("One exposure cures more than four layers deep: print-through will be large.")
    return notes
