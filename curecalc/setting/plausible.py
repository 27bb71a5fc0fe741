"""Values far outside anything this trade uses: almost always a wrong unit, never refused, always said."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..units import KINDS, Quantity, show_kernel, show_span

__all__ = ["RANGES", "odd_values"]

# lab set; common practice, no source: wide enough for every laser-scanned machine and resin, narrow enough for unit slips
RANGES: dict[str, tuple[str, float, float]] = {
    "power": ("power", 0.5, 2e4),
    "beam_radius": ("length", 2e-3, 2.0),
    "radius_x": ("length", 2e-3, 2.0),
    "radius_y": ("length", 2e-3, 2.0),
    "scan_speed": ("speed", 0.5, 1e5),
    "hatch_spacing": ("length", 1e-3, 2.0),
    "penetration_depth": ("length", 5e-3, 2.0),
    "critical_exposure": ("exposure", 1e-3, 5.0),
    "bleaching_exposure": ("exposure", 1e-3, 1e3),
    "exposure": ("exposure", 1e-3, 50.0),
    "layer_thickness": ("length", 2e-3, 2.0),
    "pulse_rate": ("frequency", 500.0, 1e9),
    "passes": ("number", 1.0, 100.0),
}


def odd_values(x: Mapping[str, Any]) -> list[str]:
    """One sentence for each named value (lab set) outside its usual range.

    >>> odd_values({"beam_radius": 125.0})
    ['beam radius of 125 mm is far outside the usual 0.002 to 2 mm: check its unit.']
    """
    notes = []
    for name, (kind, low, high) in RANGES.items():
        if name not in x:
            continue
        values = np.atleast_1d(x[name])
        odd = values[(values < low) | (values > high)]
        if odd.size:
            span = show_span(*(Quantity(end, KINDS[kind].kernel) for end in (low, high)))
            got = show_kernel(float(odd[0]), kind)
            notes.append(f"{name.replace('_', ' ')} of {got} is far outside the usual {span}: check its unit.")
    return notes
