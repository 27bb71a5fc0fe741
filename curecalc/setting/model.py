"""From beam, resin and scan to doses and depths: one forward model on floats, shared by every answer.

`model(x, form)` takes named floats or arrays in the lab set and returns named floats or arrays; it is what sensitivities,
solving and Monte Carlo call. `problem` makes its inputs from the records.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.resin import BleachingResin, PowerThresholdResin, Resin
from ..formulas.scan import Scan
from ..physics import cure, line, raster, spot, tilt
from ..units import HZ, MJ_MM2, MM, MM_S, MW, MW_MM2, NM, RAD, Measured, Quantity, QuantityError, measured, positive

__all__ = ["Form", "Problem", "depth_of", "dose_at_depth", "dose_for", "doses", "exposure_problem", "model", "problem",
           "resin_seen", "weakest", "widths"]  # fmt: skip

_HALF_PI_ROOT = math.sqrt(0.5 * math.pi)


@dataclass(frozen=True)
class Form:
    """What kind of calculation it is: everything that is not a number with an uncertainty."""

    raster: bool
    round: bool
    pulsed: bool
    cross_hatch: bool
    cure_model: str
    spot_angle: float = 0.0
    track_angle: float = 0.0
    incidence_angle: float = 0.0
    incidence_direction: float = 0.0
    refractive_index: float = 1.5
    reference_irradiance: float = 1.0


@dataclass(frozen=True)
class Problem:
    """Named inputs in the lab set, their standard uncertainties, correlations, and the form."""

    x: dict[str, float]
    u: dict[str, float]
    form: Form
    correlations: dict[tuple[str, str], float] = field(default_factory=dict)

    @property
    def relative(self) -> dict[str, float]:
        """Relative standard uncertainties of the uncertain inputs."""
        return {name: u / self.x[name] for name, u in self.u.items() if u > 0.0}


class _Inputs:
    """Named floats and their uncertainties, gathered from quantities."""

    def __init__(self) -> None:
        self.x: dict[str, float] = {}
        self.u: dict[str, float] = {}

    def put(self, name: str, value: Measured | Quantity | None, unit: Any) -> None:
        if value is None:
            return
        full = value if isinstance(value, Measured) else measured(value)
        self.x[name] = positive(name, full.value, unit)
        if full.standard_uncertainty.m > 0:
            self.u[name] = float(full.standard_uncertainty.m_as(unit))

    def put_resin(self, resin: Resin) -> dict[str, Any]:
        """The resin's inputs; what its cure model adds to the form comes back."""
        self.put("penetration_depth", resin.penetration_depth, MM)
        self.put("critical_exposure", resin.critical_exposure, MJ_MM2)
        form: dict[str, Any] = {"cure_model": "plain", "refractive_index": float(resin.refractive_index)}
        if isinstance(resin, BleachingResin):
            form["cure_model"] = "bleaching"
            self.put("bleaching_exposure", resin.bleaching_exposure, MJ_MM2)
        elif isinstance(resin, PowerThresholdResin):
            form["cure_model"] = "threshold"
            self.x["exponent"] = float(resin.exponent)
            form["reference_irradiance"] = positive("reference_irradiance", resin.reference_irradiance, MW_MM2)
        return form


def problem(*, beam: Beam, resin: Resin, scan: Scan, layer_thickness: Measured | Quantity | None = None) -> Problem:
    """Named floats of the records; the resin's wavelength must be the beam's where both are stated.

    Raises
    ------
    QuantityError
    """
    inputs = _Inputs()
    inputs.put("power", beam.power, MW)
    inputs.put("beam_radius" if beam.round else "radius_x", beam.radius_x, MM)
    inputs.put("radius_y", beam.radius_y, MM)
    inputs.put("scan_speed", scan.scan_speed, MM_S)
    inputs.put("hatch_spacing", scan.hatch_spacing, MM)
    inputs.put("pulse_rate", beam.pulse_rate, HZ)
    more = inputs.put_resin(resin)
    inputs.put("layer_thickness", layer_thickness, MM)
    inputs.x["passes"] = float(scan.passes)
    if isinstance(resin, PowerThresholdResin) and beam.pulse_rate is not None:
        raise QuantityError(
            "pulse_rate cannot be combined with the power threshold law: it would need the length of the pulses. "
            "Leave one of them out."
        )
    _same_wavelength(beam, resin)
    form = Form(
        raster=scan.raster,
        round=beam.round,
        pulsed=beam.pulse_rate is not None,
        cross_hatch=scan.cross_hatch,
        spot_angle=float(beam.angle.m_as(RAD)),
        track_angle=float(scan.track_angle.m_as(RAD)),
        incidence_angle=float(scan.incidence_angle.m_as(RAD)),
        incidence_direction=float(scan.incidence_direction.m_as(RAD)),
        **more,
    )
    return Problem(inputs.x, inputs.u, form, _pair(resin))


def exposure_problem(
    *, exposure: Measured | Quantity, resin: Resin, layer_thickness: Measured | Quantity | None = None
) -> Problem:
    """Named floats where the surface exposure itself is given instead of a setting.

    Raises
    ------
    QuantityError
        Also for the power threshold law, which an exposure alone does not feed.
    """
    if isinstance(resin, PowerThresholdResin):
        raise QuantityError(
            "exposure alone does not fix the cure under the power threshold law: give power, speed and spot."
        )
    inputs = _Inputs()
    inputs.put("exposure", exposure, MJ_MM2)
    more = inputs.put_resin(resin)
    inputs.put("layer_thickness", layer_thickness, MM)
    return Problem(
        inputs.x, inputs.u, Form(raster=False, round=True, pulsed=False, cross_hatch=False, **more), _pair(resin)
    )


def _pair(resin: Resin) -> dict[tuple[str, str], float]:
    return {("penetration_depth", "critical_exposure"): float(resin.correlation)} if resin.correlation else {}


def _same_wavelength(beam: Beam, resin: Resin) -> None:
    if beam.wavelength is None or resin.wavelength is None:
        return
    here, there = float(beam.wavelength.m_as(NM)), float(resin.wavelength.m_as(NM))
    if abs(here - there) > 3.0:
        raise QuantityError(
            f"wavelength of the beam is {here:.6g} nm, but the resin was measured at {there:.6g} nm: penetration depth and "
            "critical exposure do not carry over. Calibrate the resin with this laser."
        )


def widths(x: Mapping[str, Any], form: Form, track: float) -> tuple[Any, Any]:
    """Radii across and along the track at the resin surface, ellipse and tilt included."""
    wx = x["beam_radius"] if form.round else x["radius_x"]
    if form.round and form.incidence_angle == 0.0:
        return wx, wx
    matrix = spot.spot_matrix(wx, wx if form.round else x["radius_y"], form.spot_angle)
    if form.incidence_angle:
        matrix = spot.stretched(matrix, tilt.footprint_factor(form.incidence_angle), form.incidence_direction)
    return spot.perpendicular_radius(matrix, track), spot.along_radius(matrix, track)


def resin_seen(x: Mapping[str, Any], form: Form) -> tuple[Any, Any]:
    """Vertical penetration depth, and critical exposure per area of the surface, as seen by the tilted beam.

    Gelling follows the energy absorbed per volume: of the exposure E per area of the surface, E T enters; across the
    refracted beam that is E T/cos theta', absorbed along a path that is z/cos theta' long at depth z.
    """
    dp, ec = x["penetration_depth"], x["critical_exposure"]
    if form.incidence_angle:
        dp = dp * tilt.vertical_factor(form.incidence_angle, form.refractive_index)
        entering = tilt.transmission_ratio(form.incidence_angle, form.refractive_index)
        ec = ec / (entering * tilt.concentration(form.incidence_angle, form.refractive_index))
    return dp, ec


def depth_of(dose: Any, x: Mapping[str, Any], form: Form) -> Any:
    """Depth of solid for a surface dose, by the form's cure model; zero at and below the critical dose."""
    dp, ec = resin_seen(x, form)
    if form.cure_model == "bleaching":
        return cure.bleaching_depth(dose, dp, ec, x["bleaching_exposure"])
    if form.cure_model == "threshold":
        return cure.threshold_depth(dose, dp, ec, x["exponent"])
    return cure.cure_depth(dose, dp, ec)


def dose_for(depth: Any, x: Mapping[str, Any], form: Form) -> Any:
    """Surface dose that cures to a depth, by the form's cure model."""
    dp, ec = resin_seen(x, form)
    with np.errstate(over="ignore"):  # infinite where no number holds it: solid there is none
        if form.cure_model == "bleaching":
            return cure.bleaching_dose(depth, dp, ec, x["bleaching_exposure"])
        if form.cure_model == "threshold":
            return cure.threshold_dose(depth, dp, ec, x["exponent"])
        return cure.exposure_for_depth(depth, dp, ec)


def dose_at_depth(dose: Any, depth: Any, x: Mapping[str, Any], form: Form) -> Any:
    """Dose left at a depth below a surface that gets `dose`."""
    dp, _ = resin_seen(x, form)
    if form.cure_model == "bleaching":
        return cure.bleaching_dose_at_depth(dose, depth, dp, x["bleaching_exposure"])
    if form.cure_model == "threshold":
        return cure.threshold_dose_at_depth(dose, depth, dp, x["exponent"])
    return cure.exposure_at_depth(dose, depth, dp)


def _doses(x: Mapping[str, Any], form: Form, w: Any) -> dict[str, Any]:
    """Peak, mean, least and greatest surface dose (exposure for w = 1) over the pattern."""
    tracks = [form.track_angle] + ([form.track_angle + 0.5 * math.pi] if form.cross_hatch else [])
    total = {"peak": 0.0, "mean": 0.0, "min": 0.0, "max": 0.0}
    for track in tracks:
        perp, along = widths(x, form, track)
        if form.cure_model == "threshold":
            peak = line.equivalent_exposure(x["power"], along, perp, x["scan_speed"], w, form.reference_irradiance)
        else:
            peak = line.scan_exposure(x["power"], perp, x["scan_speed"])
        peak = peak * x["passes"]
        low = high = 1.0
        if form.pulsed:
            pitch = x["scan_speed"] / x["pulse_rate"] / along
            low, high = raster.valley(pitch), raster.ridge(pitch)
        if form.raster:
            across = perp / np.sqrt(w)
            s = x["hatch_spacing"] / across
            mean = peak * _HALF_PI_ROOT / s
            low, high = mean * raster.valley(s) * low, mean * raster.ridge(s) * high
        else:
            mean, low, high = peak, peak * low, peak * high
        for key, value in (("peak", peak), ("mean", mean), ("min", low), ("max", high)):
            total[key] = total[key] + value
    return total


def model(x: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """Exposures, depths, width and overcure of one setting, floats or arrays in the lab set."""
    exposure = _doses(x, form, 1.0)
    out = {f"exposure_{key}": value for key, value in exposure.items()}
    if form.cure_model == "threshold":
        # the exposure (w = 1) carries energy only; the cure follows the equivalent dose
        dose = _doses(x, form, x["exponent"])
        out |= {f"equivalent_{key}": value for key, value in dose.items()}
    else:
        dose = exposure
    if form.raster:
        # a raster has no single peak
        out = {name: value for name, value in out.items() if not name.endswith("_peak")}
        out |= {f"cure_depth_{key}": depth_of(dose[key], x, form) for key in ("mean", "min", "max")}
        depth = out["cure_depth_min"]
    else:
        depth = out["cure_depth"] = depth_of(dose["min"], x, form)
        if form.pulsed:
            out |= {f"cure_depth_{key}": depth_of(dose[key], x, form) for key in ("mean", "min", "max")}
        perp, _ = widths(x, form, form.track_angle)
        across = perp / np.sqrt(x.get("exponent", 1.0))
        out["line_width"] = line.line_width(dose["min"], dose_for(0.0, x, form), across)
        if "layer_thickness" in x:
            out["line_width_at_layer"] = line.line_width(dose["min"], dose_for(x["layer_thickness"], x, form), across)
    if "layer_thickness" in x:
        over = depth - x["layer_thickness"]
        # a difference of rounding errors is none
        out["overcure"] = np.where(np.abs(over) <= 1e-12 * x["layer_thickness"], 0.0, over)[()]
    return out


def doses(x: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """Mean, least and greatest dose of the form's cure model over the pattern, or the given exposure."""
    if "exposure" in x:
        return dict.fromkeys(("mean", "min", "max"), x["exposure"])
    return _doses(x, form, x["exponent"] if form.cure_model == "threshold" else 1.0)


def weakest(x: Mapping[str, Any], form: Form) -> Any:
    """Dose at the weakest place of the pattern, the one depths are asked of."""
    return doses(x, form)["min"]
