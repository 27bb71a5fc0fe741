"""From beam, resin and scan to doses and depths: named floats or arrays in the lab set put to the light and the cure law.

`model(x, form)` is what sensitivities, solving and Monte Carlo call. `problem` makes its inputs from the records. What light and law
do with them stands in `physics`; here is only which number is which.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..physics import light, tilt
from ..physics.laws import Law
from ..units import HZ, MJ_MM2, MM, MM_S, MW, NM, RAD, Measured, Quantity, QuantityError, Unit, measured, positive

__all__ = [
    "FIXED",
    "WAVELENGTHS_APART",
    "Form",
    "Problem",
    "cure_law",
    "doses",
    "exposure_problem",
    "model",
    "problem",
    "scan_of",
    "stated",
]

Inputs = Mapping[str, Any]
FIXED = ("passes", "pulse_rate", "exponent", "reference_irradiance")
"""Inputs in no list of what moves the depth."""
WAVELENGTHS_APART = 3.0
"""Of laser and resin (nm), beyond which Dp and Ec do not carry over; common practice, no source."""


@dataclass(frozen=True)
class Form:
    """What kind of calculation it is: everything that is not a number with an uncertainty."""

    law: type[Law]
    shape: type[light.Spot] = light.Gaussian
    raster: bool = False
    round: bool = True
    pulsed: bool = False
    cross_hatch: bool = False
    spot_angle: Any = 0.0
    track_angle: Any = 0.0
    incidence_angle: Any = 0.0
    incidence_direction: Any = 0.0
    refractive_index: Any = 1.5
    s_polarised_share: Any = 0.5

    def __post_init__(self) -> None:
        if self.weighted and self.pulsed:
            raise QuantityError(
                "pulse_rate cannot be combined with the power threshold law: it would need the length of the pulses. Leave one of them out."
            )

    @property
    def tilted(self) -> bool:
        """Whether the beam comes in at an angle."""
        return bool(np.any(self.incidence_angle))

    @property
    def weighted(self) -> bool:
        """Whether the law's dose is not the exposure itself."""
        return "exponent" in (f.name for f in fields(self.law))


@dataclass(frozen=True)
class Problem:
    """Named inputs in the lab set, their standard uncertainties, correlations, and the form."""

    x: dict[str, Any]
    u: dict[str, Any]
    form: Form
    correlations: dict[tuple[str, str], float] = field(default_factory=dict)

    @property
    def relative(self) -> dict[str, Any]:
        """Relative standard uncertainties of the uncertain inputs."""
        return {name: u / self.x[name] for name, u in self.u.items() if np.any(u > 0.0)}

    @property
    def shape(self) -> tuple[int, ...]:
        """Of the answers: the inputs broadcast."""
        angles = (getattr(self.form, name) for name in ("spot_angle", "track_angle", "incidence_angle", "incidence_direction"))
        return np.broadcast_shapes(*(np.shape(v) for v in (*self.x.values(), *angles)))


class _Gathered:
    """Named floats and their uncertainties, gathered from quantities."""

    def __init__(self) -> None:
        self.x: dict[str, Any] = {}
        self.u: dict[str, Any] = {}

    def put(self, name: str, value: Measured | Quantity | None, unit: Unit) -> None:
        if value is None:
            return
        full = value if isinstance(value, Measured) else measured(value)
        self.x[name] = positive(name, full.value, unit)
        if np.any(full.standard_uncertainty.m > 0):
            self.u[name] = full.standard_uncertainty.m_as(unit)

    def put_resin(self, resin: Resin) -> None:
        for name, unit in resin.law_units.items():
            self.put(name, getattr(resin, name), unit)


def problem(*, beam: Beam, resin: Resin, scan: Scan, layer_thickness: Measured | Quantity | None = None) -> Problem:
    """Named floats of the records; the resin's wavelength must be the beam's where both are stated.

    Raises
    ------
    QuantityError
    """
    inputs = _Gathered()
    inputs.put("power", beam.power, MW)
    inputs.put("beam_radius" if beam.round else "radius_x", beam.radius_x, MM)
    inputs.put("radius_y", beam.radius_y, MM)
    inputs.put("scan_speed", scan.scan_speed, MM_S)
    inputs.put("hatch_spacing", scan.hatch_spacing, MM)
    inputs.put("pulse_rate", beam.pulse_rate, HZ)
    inputs.put_resin(resin)
    inputs.put("layer_thickness", layer_thickness, MM)
    inputs.x["passes"] = np.asarray(scan.passes, float)[()]
    form = Form(
        law=resin.law,
        shape=beam.shape,
        raster=scan.raster,
        round=beam.round,
        pulsed=beam.pulse_rate is not None,
        cross_hatch=scan.cross_hatch,
        spot_angle=beam.angle.m_as(RAD),
        track_angle=scan.track_angle.m_as(RAD),
        incidence_angle=scan.incidence_angle.m_as(RAD),
        incidence_direction=scan.incidence_direction.m_as(RAD),
        refractive_index=float(resin.refractive_index),
        s_polarised_share=float(scan.s_polarised_share),
    )
    _same_wavelength(beam, resin)
    pairs = _pair(resin)
    if beam.radius_correlation and not beam.round:
        pairs["radius_x", "radius_y"] = float(beam.radius_correlation)
    return Problem(inputs.x, inputs.u, form, pairs)


def exposure_problem(*, exposure: Measured | Quantity, resin: Resin, layer_thickness: Measured | Quantity | None = None) -> Problem:
    """Named floats where the surface exposure itself is given instead of a setting.

    Raises
    ------
    QuantityError
        Also for the power threshold law, which an exposure alone does not feed.
    """
    inputs = _Gathered()
    inputs.put("exposure", exposure, MJ_MM2)
    inputs.put_resin(resin)
    inputs.put("layer_thickness", layer_thickness, MM)
    form = Form(law=resin.law, refractive_index=float(resin.refractive_index))
    if form.weighted:
        raise QuantityError("exposure alone does not fix the cure under the power threshold law: give power, speed and spot.")
    return Problem(inputs.x, inputs.u, form, _pair(resin))


def stated(given: Problem, unknown: str = "") -> None:
    """`QuantityError` where power, radius or speed is missing, but for what is asked for."""
    if given.form.cross_hatch and not given.form.raster:
        raise QuantityError("cross_hatch needs a hatch_spacing: a single line cannot be crossed.")
    radius = "beam_radius" if given.form.round else "radius_x"
    for name, field_name, example in (
        ("power", "power", "300.0, 'mW'"),
        (radius, "radius_x", "0.125, 'mm'"),
        ("scan_speed", "scan_speed", "2000.0, 'mm/s'"),
    ):
        if name != unknown and name not in given.x:
            raise QuantityError(f"{field_name} is missing. Give it a quantity, for example Q({example}).")


def _pair(resin: Resin) -> dict[tuple[str, str], float]:
    return {("penetration_depth", "critical_exposure"): float(resin.correlation)} if resin.correlation else {}


def _same_wavelength(beam: Beam, resin: Resin) -> None:
    if beam.wavelength is None or resin.wavelength is None:
        return
    here, there = float(beam.wavelength.m_as(NM)), float(resin.wavelength.m_as(NM))
    if abs(here - there) > WAVELENGTHS_APART:
        raise QuantityError(
            f"wavelength of the beam is {here:.6g} nm, but the resin was measured at {there:.6g} nm: penetration depth and "
            "critical exposure do not carry over. Calibrate the resin with this laser."
        )


def cure_law(x: Inputs, form: Form) -> Law:
    """The cure law with this setting's numbers, as the beam, tilted or not, sees it."""
    law = form.law(**{f.name: x[f.name] for f in fields(form.law)})
    if not form.tilted:
        return law
    theta, n = form.incidence_angle, form.refractive_index
    return law.tilted(tilt.absorbed_gain(theta, n, form.s_polarised_share), tilt.vertical_factor(theta, n))


def scan_of(x: Inputs, form: Form) -> light.Scan:
    """The pattern of light with this setting's numbers."""
    spot = form.shape(x["beam_radius"]) if form.round else form.shape(x["radius_x"], x["radius_y"], form.spot_angle)
    if form.tilted:
        spot = replace(spot, stretch=tilt.footprint_factor(form.incidence_angle), lean=form.incidence_direction)
    return light.Scan(
        x["power"],
        x["scan_speed"],
        spot,
        x.get("hatch_spacing") if form.raster else None,
        x["passes"],
        form.cross_hatch,
        form.track_angle,
        x.get("pulse_rate"),
    )


def doses(x: Inputs, form: Form) -> dict[str, Any]:
    """Mean, least and greatest dose of the form's cure law over the pattern, or the given exposure."""
    if "exposure" in x:
        return dict.fromkeys(("mean", "min", "max"), x["exposure"])
    law = cure_law(x, form)
    return light.doses(scan_of(x, form), law.exponent, law.reference_irradiance)


def model(x: Inputs, form: Form) -> dict[str, Any]:
    """Exposures, depths, width and overcure of one setting, floats or arrays in the lab set."""
    scan, law = scan_of(x, form), cure_law(x, form)
    dose = exposure = light.doses(scan)
    out = {f"exposure_{key}": value for key, value in exposure.items()}
    if form.weighted:
        # the exposure (w = 1) carries energy only; the cure follows the equivalent dose
        dose = light.doses(scan, law.exponent, law.reference_irradiance)
        out |= {f"equivalent_{key}": value for key, value in dose.items()}
    if form.raster:
        # a raster has no single peak
        out = {name: value for name, value in out.items() if not name.endswith("_peak")}
        out |= {f"cure_depth_{key}": law.depth(dose[key]) for key in ("mean", "min", "max")}
        depth = out["cure_depth_min"]
    else:
        depth = out["cure_depth"] = law.depth(dose["min"])
        if form.pulsed:
            out |= {f"cure_depth_{key}": law.depth(dose[key]) for key in ("mean", "min", "max")}
        out["line_width"] = light.line_width(scan, dose["min"], law.dose(0.0), law.exponent)
        if "layer_thickness" in x:
            below = law.dose(x["layer_thickness"])
            out["line_width_at_layer"] = light.line_width(scan, dose["min"], below, law.exponent)
    if "layer_thickness" in x:
        over = depth - x["layer_thickness"]
        # a difference of rounding errors is none
        out["overcure"] = np.where(np.abs(over) <= 1e-12 * x["layer_thickness"], 0.0, over)[()]
    return out
