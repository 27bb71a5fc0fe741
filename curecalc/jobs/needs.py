"""What a job needs: layer, kinds of vector, how deep and how surely each must cure, and what may not be exceeded."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from ..units import Quantity, Shown, to_json

__all__ = ["Needs", "VectorNeeds"]


@dataclass(frozen=True)
class VectorNeeds(Shown):
    """One kind of vector: quantities as written, None where not given."""

    kind: str
    pattern: str
    overcure: Quantity | None = None
    cure_depth: Quantity | None = None
    assurance: float | None = None
    passes: int | None = None
    cross_hatch: bool = False
    track_angle: Quantity | None = None
    power: Quantity | None = None
    beam_radius: Quantity | None = None
    hatch_spacing: Quantity | None = None
    scan_speed: Quantity | None = None
    power_max: Quantity | None = None
    beam_radius_min: Quantity | None = None
    beam_radius_max: Quantity | None = None
    hatch_spacing_min: Quantity | None = None
    hatch_spacing_max: Quantity | None = None
    scan_speed_max: Quantity | None = None
    ripple_max: Quantity | None = None
    overcure_max: Quantity | None = None
    print_through_max: Quantity | None = None
    line_width_min: Quantity | None = None
    line_width_max: Quantity | None = None
    width_accuracy: Quantity | None = None
    vector_length: Quantity | None = None
    area: Quantity | None = None
    total_length: Quantity | None = None
    count: int | None = None
    down_facing: bool = False
    hold_at_field_edge: bool = False
    place: int = 0

    @property
    def raster(self) -> bool:
        """Whether parallel lines fill an area."""
        return self.pattern == "raster"


@dataclass(frozen=True)
class Needs(Shown):
    """A job's needs as the file states them."""

    name: str
    layer_thickness: Quantity
    assurance: float
    single_layer: bool
    vectors: tuple[VectorNeeds, ...]
    temperature: Quantity | None = None
    layers_above: int | None = None
    part_height: Quantity | None = None
    path: str = ""
    sha256: str = ""
    text: str = ""
    lines: dict[tuple[str | int, ...], int] = field(default_factory=dict, repr=False, compare=False)

    def to_dict(self) -> dict[str, Any]:
        """What sheets show of the needs."""
        return {
            "name": self.name,
            "layer_thickness": to_json(self.layer_thickness),
            "assurance": self.assurance,
            "assured_for": "single layer" if self.single_layer else "mean",
            "path": self.path,
            "sha256": self.sha256,
        }
