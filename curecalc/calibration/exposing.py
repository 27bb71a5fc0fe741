"""The light of coupons: settings to exposure, one by one from a table, or what stays the same on all coupons of a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..formulas.beam import Beam
from ..formulas.scan import Scan
from ..physics import light
from ..units import HZ, MM, MM_S, MW, ONE, RAD, count, measured, positive

__all__ = ["Machine", "bare", "machine_of", "one", "recorded", "scan_of", "settings_of"]


def scan_of(settings: Mapping[str, Any], speed: Any = None) -> light.Scan:
    """The light of settings (lab set) that lack nothing; a raster may do without its spot."""
    spot = None
    if "beam_radius" in settings:
        spot = light.Gaussian(settings["beam_radius"])
        if "radius_ratio" in settings:
            spot = replace(spot, wy=settings["radius_ratio"] * spot.wx)
        if "spot_angle" in settings:
            spot = replace(spot, angle=settings["spot_angle"])
    named = {"spacing": "hatch_spacing", "passes": "passes", "track": "track_angle", "pulse_rate": "pulse_rate"}
    pattern = {ours: settings[name] for ours, name in named.items() if name in settings}
    return light.Scan(settings["power"], settings["scan_speed"] if speed is None else speed, spot, **pattern)


@dataclass(frozen=True)
class Machine:
    """What stays the same on all coupons: settings in the lab set as `scan_of` takes them; speed limits (None: unlimited)."""

    settings: dict[str, Any]
    cross_hatch: bool = False
    scan_speed_min: float | None = None
    scan_speed_max: float | None = None

    def speed(self, exposure: Any) -> Any:
        """Scan speed (mm/s) for an exposure (mJ/mm^2): raster mean with a spacing, else the peak of one line."""
        return light.mean(replace(scan_of(self.settings, 1.0), crossed=self.cross_hatch)) / np.asarray(exposure)


def settings_of(power: Any, radius: Any, spacing: Any, passes: Any) -> dict[str, Any] | None:
    """Power, radius, spacing and passes given one by one."""
    passes = count("passes", passes)
    if power is None:
        _no_use_alone(beam_radius=radius, hatch_spacing=spacing)
        return None
    found: dict[str, Any] = {"passes": float(passes)}
    for name, v, unit in (("power", power, MW), ("beam_radius", radius, MM), ("hatch_spacing", spacing, MM)):
        if v is not None:
            found[name] = one(name, v if bare(v) else measured(v).value, unit)
    return found


def recorded(beam: Beam, scan: Scan | None) -> dict[str, Any]:
    """The same from records; what no straight working curve describes is refused."""
    scan = scan or Scan()
    if beam.shape is not light.Gaussian:
        raise QuantityError("coupons are planned for a Gaussian spot, not for a top hat. Give exposures instead of settings.")
    if scan.incidence_angle.m:
        raise QuantityError("coupons under a slanted beam follow another curve: plan them straight below the mirror.")
    found: dict[str, Any] = {"passes": float(scan.passes), "track_angle": float(scan.track_angle.m_as(RAD))}
    for name, v, unit in (
        ("power", beam.power, MW),
        ("beam_radius", beam.radius_x, MM),
        ("hatch_spacing", scan.hatch_spacing, MM),
        ("pulse_rate", beam.pulse_rate, HZ),
    ):
        if v is not None:
            found[name] = one(name, measured(v).value, unit)
    if beam.radius_y is not None:
        found["radius_ratio"] = float((measured(beam.radius_y).value / measured(beam.radius_x).value).m_as(ONE))
        found["spot_angle"] = float(beam.angle.m_as(RAD))
    if "power" not in found:
        raise QuantityError("power is missing from the beam. Give it, or leave the beam out.")
    return found


def machine_of(settings: dict[str, Any] | None, crossed: bool, low: Any, high: Any) -> Machine | None:
    if settings is None:
        _no_use_alone(scan_speed_min=low, scan_speed_max=high)
        return None
    if "beam_radius" not in settings and "hatch_spacing" not in settings:
        raise QuantityError("hatch_spacing (raster coupons) or beam_radius (single lines) is missing. Give one with the power.")
    slow, fast = (
        None if v is None else one(n, v if bare(v) else measured(v).value, MM_S)
        for n, v in (("scan_speed_min", low), ("scan_speed_max", high))
    )
    if slow and fast and slow >= fast:
        raise QuantityError("scan_speed_min must be below scan_speed_max. Check both.")
    return Machine(settings, crossed, slow, fast)


def _no_use_alone(**settings: Any) -> None:
    """Refuse what was given beside a power that is missing."""
    if given := [name for name, value in settings.items() if value is not None]:
        raise QuantityError(f"power is missing: {', '.join(given)} alone give no exposure. Give the power, or leave these out.")


def bare(value: Any) -> bool:
    return not hasattr(value, "units") and not hasattr(value, "standard_uncertainty")


def one(name: str, value: Any, unit: Any) -> float:
    number = positive(name, value, unit)
    if not isinstance(number, float):
        raise QuantityError(f"{name} must be one value, got an array.")
    return number
