"""The machine as recipes need it: what laser, beam, scanner, recoater and room can do, and how well each is known."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, field, replace
from typing import Any

from ..formulas.beam import Beam
from ..units import MM, Measured, Quantity, Shown, to_json

__all__ = ["Machine", "machine_beam"]


@dataclass(frozen=True)
class Machine(Shown):
    """A machine as its file states it; quantities in the units written."""

    name: str
    wavelength: Quantity
    power: Measured
    power_min: Quantity | None
    power_reading_date: datetime.date
    power_reading_valid_for: Quantity
    power_meter: str
    power_scale_uncertainty: float
    pulse_rate: Quantity | None
    pulse_spacing_max: float
    beam_radius_min: Quantity
    beam_radius_max: Quantity
    beam_radius_scale_uncertainty: float
    beam_radius_repeatability: float
    radius_ratio: float
    spot_angle: Quantity
    scan_speed_min: Quantity
    scan_speed_max: Quantity
    acceleration: Quantity | None
    settling_time: Quantity
    scan_speed_uncertainty: float
    hatch_spacing_uncertainty: float
    hatch_spacing_min: Quantity | None
    hatch_spacing_max: Quantity | None
    field_width: Quantity | None
    field_length: Quantity | None
    beam_height: Quantity | None
    layer_thickness_min: Quantity
    layer_thickness_max: Quantity
    layer_thickness_variation: Quantity
    recoat_time: Quantity
    temperature_min: Quantity | None
    temperature_max: Quantity | None
    humidity_min: float | None
    humidity_max: float | None
    warm_up_time: Quantity | None
    path: str = ""
    sha256: str = ""
    text: str = ""
    lines: dict[tuple[str | int, ...], int] = field(default_factory=dict, repr=False, compare=False)

    def reading_age_days(self, today: datetime.date) -> int:
        """Days since the power was read."""
        return (today - self.power_reading_date).days

    def to_dict(self) -> dict[str, Any]:
        """What sheets show of the machine."""
        return {
            "name": self.name,
            "wavelength": to_json(self.wavelength),
            "power": to_json(self.power),
            "power_reading_date": self.power_reading_date.isoformat(),
            "power_meter": self.power_meter,
            "scan_speed_max": to_json(self.scan_speed_max),
            "recoat_time": to_json(self.recoat_time),
            "path": self.path,
            "sha256": self.sha256,
        }


def machine_beam(machine: Machine) -> Beam:
    """The machine's beam at full power, with the middle of its radius range."""
    low, high = (float(r.m_as(MM)) for r in (machine.beam_radius_min, machine.beam_radius_max))
    radius = 0.5 * (low + high)
    known = math.hypot(machine.beam_radius_scale_uncertainty, machine.beam_radius_repeatability)
    beam = Beam(
        power=machine.power,
        radius_x=Measured(Quantity(radius, MM), Quantity(known * radius, MM)),
        wavelength=machine.wavelength,
        pulse_rate=machine.pulse_rate,
        name=machine.name,
    )
    if machine.radius_ratio == 1.0:
        return beam
    other = Measured(Quantity(radius * machine.radius_ratio, MM), Quantity(known * radius * machine.radius_ratio, MM))
    return replace(beam, radius_y=other, radius_correlation=1.0, angle=machine.spot_angle)
