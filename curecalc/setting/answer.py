"""What a setting does: exposures, depths, width, overcure, how each input moves them, and how sure they are."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property, reduce
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..statistics.uncertainty import MonteCarlo, draw_inputs, log_gradient, monte_carlo, standard_uncertainties
from ..units import DEG, MJ_CM2, MJ_MM2, MM, Measured, Quantity, QuantityError, Shown, count, show_kernel, show_span, to_json
from .directions import range_over_directions
from .holders import HoldsBeam, HoldsResin, beam_of, resin_of
from .model import FIXED, Problem, cure_law, model, problem, scan_of, stated
from .plausible import odd_values

__all__ = ["Answer", "MonteCarloOptions", "draws_of", "evaluate", "output_kind"]

_EXPOSURES = ("exposure", "equivalent")


@dataclass(frozen=True)
class MonteCarloOptions:
    """How many draws, from which seed, and the coverage probability of the intervals."""

    draws: int = 100_000
    seed: int = 1
    confidence: float = 0.95

    def __post_init__(self) -> None:
        count("draws", self.draws, minimum=1000)
        if self.draws > 20_000_000:
            raise QuantityError(f"draws must be at most 20000000, got {self.draws}. A million settles two digits.")
        count("seed", self.seed, minimum=0)
        if not 0.5 <= self.confidence < 1.0:
            raise QuantityError(f"confidence must be from 0.5 to below 1, got {self.confidence}. Write 0.95 for 95 %.")


@dataclass(frozen=True)
class Answer(Shown):
    """Outputs of one setting, with first-order sensitivities and uncertainties; arrays where the records hold arrays.

    Attributes
    ----------
    outputs : dict of name to Quantity
        Names of the command contract: `exposure_peak`, `cure_depth`, `line_width`; for a raster `exposure_mean`, `_min`,
        `_max`, `cure_depth_mean`, `_min`, `_max`; with a layer thickness `overcure`, of the weakest place.
    standard_uncertainty : dict of name to Quantity
        First order, only where an input carries an uncertainty.
    sensitivity : dict of input to Quantity
        How far the depth of the weakest place moves for +1 % of that input; None below the gel threshold.
    monte_carlo : dict of name to MonteCarlo
    over_directions : dict of name to (least, greatest, track angle of the least, of the greatest)
        Of an elliptical spot, over all track directions; empty for a round one.
    warnings : tuple of str
    """

    beam: Beam
    resin: Resin
    scan: Scan
    layer_thickness: Measured | Quantity | None
    outputs: dict[str, Quantity]
    standard_uncertainty: dict[str, Quantity] = field(default_factory=dict)
    sensitivity: dict[str, Quantity | None] = field(default_factory=dict)
    monte_carlo: dict[str, MonteCarlo] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    over_directions: dict[str, tuple[Quantity, Quantity, Quantity, Quantity]] = field(default_factory=dict)

    @cached_property
    def given(self) -> Problem:
        """The setting as named floats in the lab set."""
        return problem(beam=self.beam, resin=self.resin, scan=self.scan, layer_thickness=self.layer_thickness)

    @property
    def weakest_depth(self) -> Quantity:
        """Cure depth of the weakest place: the valley of a raster, the axis of a line."""
        return self.outputs["cure_depth_min" if self.scan.raster else "cure_depth"]

    @property
    def cures(self) -> bool:
        """Whether the weakest place gels at all."""
        return bool(np.all(self.weakest_depth.m > 0.0))

    def __getattr__(self, name: str) -> Quantity:
        outputs = self.__dict__.get("outputs", {})
        if name in outputs:
            return outputs[name]
        raise AttributeError(f"{type(self).__name__} has no {name!r}; it has {', '.join(outputs)}")

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command contract."""
        record: dict[str, Any] = {}
        # a continuous line has one exposure, its peak; the others would repeat it
        repeats = () if self.scan.raster or self.beam.pulse_rate is not None else ("exposure_mean", "exposure_min", "exposure_max")
        for name, value in self.outputs.items():
            if name in repeats:
                continue
            record[name] = to_json(value, self.standard_uncertainty.get(name))
            if name in self.monte_carlo:
                record[name]["monte_carlo"] = _monte_carlo_json(self.monte_carlo[name], name)
        record["inputs"] = self.inputs()
        record["sensitivity_step"] = "+1 %"
        record["sensitivity"] = {k: None if v is None else to_json(v) for k, v in self.sensitivity.items()}
        if self.over_directions:
            record["over_directions"] = {
                name: {
                    "least": to_json(low),
                    "greatest": to_json(high),
                    "track_angle_least": to_json(at_low),
                    "track_angle_greatest": to_json(at_high),
                }
                for name, (low, high, at_low, at_high) in self.over_directions.items()
            }
        record["warnings"] = list(self.warnings)
        return record

    def inputs(self) -> dict[str, Any]:
        """The setting itself, as JSON: what was put in, with its uncertainties, in the units of the contract."""
        stated: dict[str, Any] = {
            "power": self.beam.power,
            "beam_radius": self.beam.radius_x if self.beam.round else None,
            "radius_x": None if self.beam.round else self.beam.radius_x,
            "radius_y": self.beam.radius_y,
            "wavelength": self.beam.wavelength,
            "pulse_rate": self.beam.pulse_rate,
            "scan_speed": self.scan.scan_speed,
            "hatch_spacing": self.scan.hatch_spacing,
            "layer_thickness": self.layer_thickness,
            "temperature": self.resin.temperature,
        }
        stated |= {name: getattr(self.resin, name) for name in self.resin.law_units}
        record: dict[str, Any] = {name: to_json(value) for name, value in stated.items() if value is not None}
        record |= {"passes": self.scan.passes, "cross_hatch": self.scan.cross_hatch}
        turned = {
            "spot_angle": self.beam.angle,
            "track_angle": self.scan.track_angle,
            "incidence_angle": self.scan.incidence_angle,
            "incidence_direction": self.scan.incidence_direction,
        }
        record |= {name: to_json(angle) for name, angle in turned.items() if np.any(angle.m != 0.0)}
        if "incidence_angle" in record:
            record["s_polarised_share"] = self.scan.s_polarised_share
        return record

    def rows(self) -> list[tuple[str, str]]:
        """Outputs with their uncertainties."""
        return [(name.replace("_", " "), self.text(name)) for name in self.outputs]

    def text(self, name: str) -> str:
        """One output as people read it."""
        from ..units import show

        return show(self.outputs[name], self.standard_uncertainty.get(name))


def _monte_carlo_json(mc: MonteCarlo, name: str) -> dict[str, Any]:
    def shown(number: float) -> Quantity:
        return _quantity(name, number)

    low, high = map(shown, mc.interval)
    record = to_json(shown(mc.mean), shown(mc.standard_uncertainty), (low, high), mc.confidence)
    record["shortest_interval"] = [to_json(shown(end))["value"] for end in mc.shortest]
    record["draws"] = mc.draws
    return record


def _degrees(angle: float) -> Quantity:
    return Quantity(math.degrees(angle), DEG)


def output_kind(name: str) -> str:
    """Kind of quantity of an output: exposure or length."""
    return "exposure" if name.split("_")[0] in _EXPOSURES else "length"


def _quantity(name: str, number: Any) -> Quantity:
    number = np.asarray(number, float)[()]
    number = float(number) if number.ndim == 0 else number
    if output_kind(name) == "exposure":
        return Quantity(number, MJ_MM2).to(MJ_CM2)
    return Quantity(number, MM)


def evaluate(
    *,
    beam: Beam | HoldsBeam,
    resin: Resin | HoldsResin,
    scan: Scan,
    layer_thickness: Measured | Quantity | None = None,
    monte_carlo: MonteCarloOptions | None = None,
) -> Answer:
    """Exposures and depths of one setting.

    Parameters
    ----------
    beam : Beam or BeamRecord
    resin : Resin or Lot
        Plain, `BleachingResin` or `PowerThresholdResin`.
    scan : Scan
        A line, or a raster when it has a hatch spacing.
    layer_thickness : Quantity or Measured [mm], optional
        Adds the overcure of the weakest place.
    monte_carlo : MonteCarloOptions, optional
        Propagates the stated uncertainties by Monte Carlo (JCGM 101) beside the first-order law.

    Returns
    -------
    Answer

    Raises
    ------
    QuantityError
        A value out of range, wavelengths that differ, or options that cannot go together.

    Source: the kernels' own. Valid inside a layer, several spot radii from the ends and edges of the scanned pattern.

    >>> from curecalc.units import Quantity as Q
    >>> answer = evaluate(
    ...     beam=Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")),
    ...     resin=Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")),
    ...     scan=Scan(scan_speed=Q(1.0, "m/s")),
    ...     layer_thickness=Q(100.0, "um"),
    ... )
    >>> answer.text("cure_depth"), answer.text("line_width"), answer.text("overcure")
    ('0.1309 mm', '0.1652 mm', '0.03092 mm')
    """
    beam, resin = beam_of(beam), resin_of(resin)
    given = problem(beam=beam, resin=resin, scan=scan, layer_thickness=layer_thickness)
    stated(given)
    with np.errstate(under="ignore"):
        out = model(given.x, given.form)
    for name, value in out.items():
        if not np.all(np.isfinite(value)):
            raise QuantityError(f"{name} is too large for a number to hold: one of the inputs is out of all proportion.")
    first = [name for name in ("power", "scan_speed") if name in given.x]
    movers = [*first, *(name for name in given.x if name not in (*FIXED, *first))]
    depth_key = "cure_depth_min" if scan.raster else "cure_depth"
    cures = out[depth_key] > 0.0
    gradient = log_gradient(lambda x: model(x, given.form), given.x, sorted({*movers, *given.u}))
    spread = standard_uncertainties(gradient, given.relative, given.correlations) if given.u else {}
    drawn: dict[str, MonteCarlo] = {}
    if monte_carlo is not None:
        lanes = draws_of(given, monte_carlo)
        many = model(lanes, given.form)
        drawn = _summaries({k: many[k] for k in out}, monte_carlo)
    turned = range_over_directions(given)
    return Answer(
        beam=beam,
        resin=resin,
        scan=scan,
        over_directions={
            name: (_quantity(name, low), _quantity(name, high), _degrees(at_low), _degrees(at_high))
            for name, (low, high, at_low, at_high) in turned.items()
        },
        layer_thickness=layer_thickness,
        outputs={name: _quantity(name, value) for name, value in out.items()},
        standard_uncertainty={name: _quantity(name, spread[name]) for name in out if spread},
        sensitivity={
            name: _quantity("length", np.where(cures, 0.01 * gradient[depth_key][name], np.nan)) if np.any(cures) else None
            for name in movers
            if name != "layer_thickness"
        },
        monte_carlo=drawn,
        warnings=(*_warnings(given, out, spread, depth_key), *_validity(resin, out[depth_key]), *resin.notes, *beam.notes),
    )


def draws_of(given: Problem, options: MonteCarloOptions) -> dict[str, Any]:
    """The inputs drawn; refused where nothing is uncertain, or where there are several settings.

    Raises
    ------
    QuantityError
    """
    if not given.u:
        raise QuantityError("monte_carlo has nothing to propagate: no input carries an uncertainty. State one, like '30 mW +- 2 %'.")
    if given.shape:
        raise QuantityError("monte_carlo takes one setting at a time, got arrays. Leave it out, or give single values.")
    return draw_inputs(given.x, given.u, given.correlations, draws=options.draws, seed=options.seed)


def _summaries(many: dict[str, Any], options: MonteCarloOptions) -> dict[str, MonteCarlo]:
    return {
        name: monte_carlo(np.broadcast_to(np.asarray(values, float), (options.draws,)), confidence=options.confidence)
        for name, values in many.items()
    }


def _at(where: Any) -> tuple[tuple[int, ...], str] | None:
    """The first place where a condition holds, and how to name it; None where it holds nowhere."""
    held = np.argwhere(where)
    if not np.any(where):
        return None
    index = tuple(int(i) for i in held[0])
    return index, "" if not index else f" (at index {index[0] if len(index) == 1 else index})"


def _validity(resin: Resin, depth: Any) -> list[str]:
    """A warning where the depth lies beyond those of the coupons."""
    if resin.depth_range is None:
        return []
    low, high = (float(end.m_as(MM)) for end in resin.depth_range)
    inside = np.isclose(depth, np.clip(depth, low, high), rtol=1e-9, atol=0.0)
    if (found := _at((depth > 0.0) & ~inside)) is None:
        return []
    span = show_span(*resin.depth_range)
    said = f"The depth of {show_kernel(np.asarray(depth)[found[0]], 'length')} lies outside the coupons' {span}"
    return [f"{said}: the working curve is extrapolated there{found[1]}."]


def _warnings(given: Problem, out: dict[str, Any], spread: dict[str, Any], depth_key: str) -> list[str]:
    x, form = given.x, given.form
    notes = []
    depth = out[depth_key]
    place = "half-way between the lines" if form.raster else "on the axis of the line"
    if form.pulsed:
        place += ", between two pulses"
    if found := _at(depth <= 0.0):
        ec, low = (
            show_kernel(float(np.broadcast_to(v, np.shape(depth))[found[0]]), "exposure")
            for v in (cure_law(x, form).dose(0.0), out.get("equivalent_min", out["exposure_min"]))
        )
        notes.append(
            f"Nothing cures {place}: its exposure of {low} does not exceed the critical exposure of {ec}. The depth there is 0{found[1]}."
        )
    if spread and (found := _at(depth < 2.0 * spread[depth_key])):
        notes.append(
            f"The depth is within two standard uncertainties of zero: the first-order uncertainty is not to be trusted there{found[1]}."
        )
    if "overcure" in out and (found := _at((depth > 0.0) & (out["overcure"] < 0.0))):
        where = "weakest place" if form.raster or form.pulsed else "cured line"
        short = show_kernel(-float(np.asarray(out["overcure"])[found[0]]), "length")
        notes.append(f"The layer does not reach the one below: the {where} ends {short} short of the layer thickness{found[1]}.")
    scan = scan_of(x, form)
    widths = (across for across, _ in map(scan.spot.radii, scan.tracks))
    across, (_, along) = reduce(np.minimum, widths), scan.spot.radii(scan.track)
    if form.raster and (found := _at(x["hatch_spacing"] > 1.3 * across)):
        notes.append(
            f"The hatch spacing exceeds 1.3 beam radii across the lines: the mean exposure says little about the weakest place{found[1]}."
        )
    if form.pulsed and (found := _at(x["scan_speed"] / x["pulse_rate"] > along)):
        notes.append(f"Pulses land more than one beam radius apart: the line is beaded along the track{found[1]}.")
    if form.tilted and form.s_polarised_share == 0.5:
        notes.append("The light was taken as unpolarised where the beam leans; state s_polarised_share if it is not.")
    return notes + odd_values(x)
