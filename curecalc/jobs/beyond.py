"""What of a setting a machine cannot do, in sentences."""

from __future__ import annotations

from ..formulas.beam import Beam
from ..formulas.scan import Scan
from ..units import MM, MM_S, MW, Measured, Quantity, measured, show
from .machine import Machine

__all__ = ["beyond_machine", "machine_ranges"]


def machine_ranges(machine: Machine) -> list[tuple[str, Quantity | None, Quantity | None]]:
    """Name, least and greatest of what a machine bounds; None where it states no end.

    >>> from curecalc.jobs.machine import MACHINE, starting_machine
    >>> machine = MACHINE.parse(starting_machine(), source="machine.toml")
    >>> [name for name, _, _ in machine_ranges(machine)]
    ['power', 'scan speed', 'beam radius', 'hatch spacing', 'layer thickness']
    """
    greatest = machine.power.value
    return [
        ("power", machine.power_min if machine.power_min is not None else greatest, greatest),
        ("scan speed", machine.scan_speed_min, machine.scan_speed_max),
        ("beam radius", machine.beam_radius_min, machine.beam_radius_max),
        ("hatch spacing", machine.hatch_spacing_min, machine.hatch_spacing_max),
        ("layer thickness", machine.layer_thickness_min, machine.layer_thickness_max),
    ]


def beyond_machine(machine: Machine, beam: Beam, scan: Scan, layer_thickness: Measured | Quantity) -> list[str]:
    """A sentence for each of power, speed, radius, spacing and layer that lies outside the machine's range."""
    given = (beam.power, scan.scan_speed, beam.radius_x, scan.hatch_spacing, layer_thickness)
    said = []
    for (name, low, high), asked, unit in zip(machine_ranges(machine), given, (MW, MM_S, MM, MM, MM), strict=True):
        if asked is None:
            continue
        value = measured(asked).value
        if high is not None and float(value.m_as(unit)) > float(high.m_as(unit)) * (1.0 + 1e-9):
            said.append(f"The {name} of {show(value)} is above what the machine {machine.name} can do: at most {show(high)}.")
        elif low is not None and float(value.m_as(unit)) < float(low.m_as(unit)) * (1.0 - 1e-9):
            said.append(f"The {name} of {show(value)} is below what the machine {machine.name} can do: at least {show(low)}.")
    return said
