"""What a measurement found as rows of words, the same on paper, screen and page."""

from __future__ import annotations

import math
from typing import Any

from ..symbols import percent
from ..units import Measured, Quantity, figure, show, show_span
from .light import PowerMeasurement
from .measurement import BeamMeasurement, Estimate

__all__ = ["result_rows"]


def result_rows(result: BeamMeasurement | PowerMeasurement) -> list[tuple[str, str]]:
    """Every number of a measurement: what it is called, and its value."""
    return _power_rows(result) if isinstance(result, PowerMeasurement) else _beam_rows(result)


def _estimate(value: Any) -> str:
    if not value.parts:
        return show(value.value)
    ends = show_span(*value.interval, u=value.standard_uncertainty)
    return f"{show(value.measured)}, {percent(value.confidence, '.4g')} in {ends}"


def _beam_rows(result: Any) -> list[tuple[str, str]]:
    rows = [("measured by", result.kind.replace("-", " "))]
    where = f" {result.details['radius_is']}" if "radius_is" in result.details else ""
    if result.radius_y is None:
        rows.append((f"beam radius (1/e^2){where}", _estimate(result.radius_x)))
    else:
        rows += [
            (f"beam radius x (1/e^2){where}", _estimate(result.radius_x)),
            (f"beam radius y (1/e^2){where}", _estimate(result.radius_y)),
            ("mean radius", _estimate(result.beam_radius)),
            ("ellipticity", f"{result.ellipticity:.3f}"),
        ]
        if result.angle.m != 0:
            rows.append(("angle of the x radius", show(result.angle, result.u_angle)))
    centre = [f"{axis} {show(c, digits=5)}" for axis, c in zip("xy", result.centre, strict=True) if c is not None]
    if centre:
        rows.append(("centre", ", ".join(centre)))
    for axis, value in zip(("x", "y"), result.beam_quality, strict=False):
        rows.append((f"M^2 {axis}" if len(result.beam_quality) > 1 else "M^2", _estimate(value)))
    for name, value in result.details.items():
        rows += _detail_rows(name, value)
    return rows


_PERCENT = {
    "residual",
    "source_drift",
    "gaussian_residual",
    "power_in_ellipse",
    "power_in_ellipse_gaussian",
    "saturated_share",
    "clip_level",
    "widest_band",
    "surface_weight_quadratic",
    "surface_weight_thin_plate",
}
_SILENT = {"radius_is", "opening", "drift_fitted", "power_in_ellipse_gaussian", "round_within_noise", "mended_pixels"}
_LABELS = {
    "clip_estimate": "estimate from two levels",
    "residual": "scatter about the fit",
    "direction": "reading",
    "source_drift": "drift of the source",
    "measured_radius": "radius before the correction",
    "clip_level": "clip level of the two-level estimate",
    "surface": "shape the readings ask for",
    "surface_weight_quadratic": "evidence for a quadratic",
    "surface_weight_thin_plate": "evidence for a thin plate",
    "widest_band": "half-width of the map's band, widest",
    "moment_radius": "radius by second moments",
    "gaussian_fit_radius": "radius of a Gaussian fit",
    "gaussian_residual": "misfit of a Gaussian",
    "power_in_ellipse": "power inside 1/e^2 (Gaussian 86.5 %)",
    "room_radii": "room to the sensor's edge, in radii",
    "agreement_p": "widths and depths agree, p",
    "vanishing_speed": "speed at which a line vanishes",
    "speed_range": "fastest over slowest line",
    "penetration_depth": "penetration depth Dp",
    "critical_exposure": "critical exposure Ec",
    "width_sd": "scatter of the widths",
    "depth_sd": "scatter of the depths",
    "saturated_share": "pixels at full scale inside the spot",
}


def _detail_rows(name: str, value: Any) -> list[tuple[str, str]]:
    stem, _, axis = name.rpartition("_")
    if axis not in ("x", "y"):
        stem, axis = name, ""
    if value is None or stem in _SILENT:
        return []
    label = f"{_LABELS.get(stem, stem.replace('_', ' '))} {axis}".rstrip()
    if stem == "line_exposure":
        return _line_rows(value)
    if stem == "coverage":
        return [(f"positions {a}", _coverage(c)) for a, c in value.items()]
    if stem == "defocus":
        return _defocus_rows(value)
    if stem == "divergence":
        return [(f"divergence, full angle, {a}", _milliradians(v)) for a, v in value.items()]
    if isinstance(value, dict):
        return [row for a, v in value.items() for row in _detail_rows(f"{name}_{a}", v)]
    if isinstance(value, Estimate):
        return [(label, _estimate(value))]
    if isinstance(value, Measured | Quantity):
        return [(label, show(value))]
    if stem in _PERCENT and isinstance(value, float):
        return [(label, percent(value, ".3g"))]
    if isinstance(value, bool) or not isinstance(value, int | float):
        return [(label, str(value))]
    return [(label, figure(float(value), digits=3))]


def _milliradians(value: Any) -> str:
    angle, u = (float(part.m_as("mrad")) for part in (value.value, value.standard_uncertainty))
    return f"{figure(angle, u)}" + (f" +- {figure(u, u)}" if u > 0 else "") + " mrad"


def _coverage(c: dict[str, Any]) -> str:
    near, far = c["within_one_rayleigh_length"], c["beyond_two_rayleigh_lengths"]
    return f"{c['positions']}, of them {near} within one Rayleigh length and {far} beyond two"


def _defocus_rows(value: dict[str, Any]) -> list[tuple[str, str]]:
    rows = []
    for axis in "xy":
        found = value.get(axis)
        if found is None:
            continue
        near, far = found["range"]
        rows.append(
            (
                f"defocus for {show(value['wanted_radius'])}, {axis}",
                f"{show(found['distance'])} from the waist; within 5 % from {show_span(near, far)}",
            )
        )
        rows.append(("   at position", " or ".join(show(p) for p in found["positions"])))
    return rows


def _line_rows(value: dict[str, Any]) -> list[tuple[str, str]]:
    def depth(part: dict[str, Any]) -> str:
        return show(part["depth"], digits=2) if "depth" in part else f"{part['in_penetration_depths']:+.3f} Dp"

    low, high = value["image_over_gaussian"]
    near, far = value["perpendicular_radius"]
    return [
        ("line exposure, image over Gaussian", f"{low:.3f} to {high:.3f} over all directions"),
        ("   cure depth differs by", f"{depth(value['depth_difference_low'])} to {depth(value['depth_difference_high'])}"),
        ("radius across the track", f"{show_span(near, far)} over all directions"),
        ("   cure depth of a line varies by", depth(value["depth_range_over_directions"])),
    ]


def _power_rows(result: Any) -> list[tuple[str, str]]:
    r = result.reading
    dof = result.power.degrees_of_freedom
    rows = [
        ("power at the resin surface", _estimate(result.power)),
        ("power at the meter", show(result.at_meter)),
        ("readings used", f"{r.readings} (left out as warm-up: {r.left_out})"),
        ("scatter of the readings", percent(r.sd / r.mean, ".3g")),
        ("drift across the readings", percent(r.drift, "+.2g")),
    ]
    if r.transmission < 1.0:
        rows.append(("transmission to the resin", percent(r.transmission, ".4g")))
    rows.append(("effective degrees of freedom", "infinite" if math.isinf(dof) else f"{dof:.3g}"))
    rows += [(f"   {p.name}", percent(p.relative, ".2g")) for p in result.power.parts]
    return rows
