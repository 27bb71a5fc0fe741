"""How fast the machine builds: time of a layer, volume per hour, share of what the light allows, and what holds it back. Floats."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .outcome import move_time, vector_time
from .search import Best

__all__ = ["Rates", "Work", "build_rates", "scan_time"]


@dataclass(frozen=True)
class Work:
    """What one kind of vector does in a layer: area (mm^2) for rasters, length (mm) for lines, how many vectors, and the mean move (mm)
    to each; a raster's spacing where it is not known, and no move to lines.
    """

    area: Any = 0.0
    length: Any = 0.0
    count: Any | None = None
    gap: Any | None = None


def _length_and_count(best: Best, work: Work) -> tuple[Any, Any]:
    """Total length and number of vectors of one pass."""
    raster, typical = best.task.pattern.raster, best.task.vector_length
    length = np.asarray(work.area / best.hatch_spacing if raster else work.length, float)
    if work.count is not None:
        count = work.count
    elif raster and math.isinf(typical):
        count = np.sqrt(work.area) / best.hatch_spacing  # lines of a square of this area
    else:
        count = length / typical
    return length, np.maximum(count, 1.0)


def scan_time(best: Best, work: Work) -> Any:
    """Time for the work of one kind; seconds, arrays allowed."""
    length, count = _length_and_count(best, work)
    one = vector_time(best.task, length / count, best.scan_speed)
    gap: Any = (best.hatch_spacing or 0.0) if work.gap is None else work.gap
    whole = best.task.pattern.times * count * (one + best.task.settling + move_time(best.task, gap))
    return np.where(length, whole, 0.0)[()]


@dataclass(frozen=True)
class Rates:
    """Rates of one layer, or sums over the layers of a part (times then are totals).

    Attributes
    ----------
    scan_time, recoat_time, layer_time : float
        Seconds.
    light_time : float
        The least time in which the available power could bring the needed exposures.
    volume : float
        Resin made solid (mm^3), nominal.
    bottleneck : str
        What takes the greatest share: `light`, `scanner` or `recoater`.
    shares : dict of str to float
        Of the layer's time: light (what the exposures need at full power), scanner (all scanning beyond it), recoater.
    """

    scan_time: float
    recoat_time: float
    layer_time: float
    light_time: float
    volume: float
    bottleneck: str
    shares: dict[str, float] = field(default_factory=dict)
    by_kind: dict[str, float] = field(default_factory=dict)

    @property
    def volume_rate(self) -> float:
        """mm^3/s over the whole cycle."""
        return self.volume / self.layer_time if self.layer_time else 0.0

    @property
    def light_limit_fraction(self) -> float:
        """Share of the layer's time that the light alone would need."""
        return self.light_time / self.layer_time if self.layer_time else 0.0


def build_rates(
    kinds: list[tuple[Best, Work]], *, power_available: float, recoat_time: float, layer_thickness: float, layers: int = 1
) -> Rates:
    """Rates of the work of all kinds; `Work` may hold arrays over layers, which are summed."""
    scan, light, volume = 0.0, 0.0, 0.0
    by_kind: dict[str, float] = {}
    for best, work in kinds:
        by_kind[best.task.kind] = float(np.sum(scan_time(best, work)))
        scan += by_kind[best.task.kind]
        light += _light_time(best, work, power_available)
        if best.task.pattern.raster:
            volume += float(np.sum(work.area)) * layer_thickness
    recoat = recoat_time * layers
    total = scan + recoat
    parts = {"light": min(light, scan), "scanner": max(scan - light, 0.0), "recoater": recoat}
    shares = {name: value / total if total else 0.0 for name, value in parts.items()}
    return Rates(scan, recoat, total, light, volume, max(parts, key=lambda n: parts[n]), shares, by_kind)


def _light_time(best: Best, work: Work, power: float) -> float:
    """Time in which all the power brings the needed dose as the mean over the area, or along the lines."""
    pattern, spacing = best.task.pattern, 1.0 if best.hatch_spacing is None else best.hatch_spacing
    mean = pattern.doses(pattern.scan(power, best.beam_radius, spacing, 1.0))["mean"]
    much = np.sum(work.area) if pattern.raster else np.sum(work.length)
    return float(pattern.times * much * math.exp(best.log_wanted) / (mean * spacing))  # the dose is that of all passes
