"""What lights the vectors of a file: settings by kind from a recipe, how a machine scans, the shape of its spot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..errors import FileError
from ..jobs.machine import Machine
from ..units import MM, MM_S, MW, from_json

__all__ = ["scanning_of", "settings_by_kind", "spot_of"]


def settings_by_kind(record: Mapping[str, Any], source: str) -> dict[str, dict[str, float]]:
    """Power (mW), scan_speed (mm/s) and beam_radius (mm) by kind from a recipe's JSON object; `source` is what errors call it.

    Raises
    ------
    FileError
    """
    units = {"power": MW, "scan_speed": MM_S, "beam_radius": MM}
    found = {}
    try:
        for vector in record["vectors"]:
            read: dict[str, Any] = {name: from_json(vector[name]) for name in units}
            found[str(vector["kind"])] = {name: float(q.value.m_as(units[name])) for name, q in read.items()}
    except (KeyError, TypeError, ValueError):
        raise FileError(f"{source}: vectors: a setting cannot be read. Save it again with: curecalc recipe ... --save") from None
    return found


def scanning_of(machine: Machine) -> dict[str, Any]:
    """The keywords of `exposure_field`'s scanning that a machine states."""
    names = ("acceleration", "pulse_rate", "corner_speed", "run_up_beam")
    found = {name: getattr(machine, name) for name in names if getattr(machine, name) is not None}
    return found if machine.acceleration is not None else found | {"run_up_beam": "off"}


def spot_of(machine: Machine) -> dict[str, Any]:
    """The keywords of `exposure_field` for a machine's elliptical spot; none for a round one."""
    return {} if machine.radius_ratio == 1.0 else {"radius_ratio": machine.radius_ratio, "spot_angle": machine.spot_angle.value}
