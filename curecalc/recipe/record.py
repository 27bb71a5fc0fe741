"""The records of a recipe: settings of each kind of vector with what they do, and the JSON they become."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from ..jobs.lot import Lot
from ..jobs.machine import Machine
from ..jobs.needs import Needs
from ..symbols import percent
from ..units import DEG, KINDS, MM, MM3, MM3_S, Quantity, S, Shown, show, to_json
from .bounds import LIMITS
from .consequences import Seam
from .inputs import Inputs
from .light import weakest_track
from .rates import Rates
from .search import Best

__all__ = ["Limit", "Recipe", "VectorRecipe", "assumptions", "main_vector"]

T = TypeVar("T")


@dataclass(frozen=True)
class Limit:
    """A limit at which settings stand, and what moving it would gain."""

    name: str
    field: str
    value: float
    to: float
    gain: float

    @property
    def sentence(self) -> str:
        """What the limit costs, in words."""
        to = _as_quantity(self.field, self.to)
        return f"{self.name}: moved to {show(to, digits=3)}, {percent(self.gain, '.1f')} faster"

    def to_dict(self) -> dict[str, Any]:
        """The limit as it stands in JSON."""
        return {
            "limit": self.name,
            "value": to_json(_as_quantity(self.field, self.value)),
            "moved_to": to_json(_as_quantity(self.field, self.to)),
            "gain": self.gain,
        }


def _as_quantity(name: str, value: float) -> Quantity:
    return Quantity(value, KINDS[LIMITS[name][1]].kernel)


@dataclass(frozen=True)
class VectorRecipe(Shown):
    """Settings of one kind of vector, and what they do. Quantities; None where something does not apply.

    `cure_depth` is the expected depth of the weakest place with its standard uncertainty beside it; `cure_depth_assured`
    the one-sided lower bound at the asked assurance; `assurance` the confidence that layer plus bond is reached. `dose_along_min` and
    `dose_along_max` are the dose along a typical vector over that of the steady line, from the margin inside its ends; `upper` the most
    that limited quantities reach with the asked assurance. A coupon made with these settings is expected to be `coupon_thickness` thick,
    and in 95 % of cases between `coupon_low` and `coupon_high`.
    """

    kind: str
    pattern: str
    scan_speed: Quantity
    power: Quantity
    power_share: float
    beam_radius: Quantity
    hatch_spacing: Quantity | None
    passes: int
    cross_hatch: bool
    exposure_min: Quantity
    exposure_mean: Quantity
    exposure_max: Quantity
    cure_depth: Quantity
    cure_depth_standard_uncertainty: Quantity
    cure_depth_assured: Quantity
    depth_needed: Quantity
    overcure: Quantity
    assurance: float
    assurance_asked: float
    assured_for: str
    effective_degrees_of_freedom: float
    speed_without_doubt: Quantity
    limits: tuple[Limit, ...]
    limited_by: tuple[str, ...]
    rate: Quantity
    ripple: Quantity
    line_width: Quantity | None
    line_width_expanded_uncertainty: Quantity | None
    line_width_at_layer: Quantity | None
    contour_offset: Quantity | None
    print_through: Quantity
    print_through_max: Quantity
    compensation_layers: int
    residual_print_through: Quantity
    interface_exposure: Quantity
    corner_exposure_factor: float | None
    corner_depth_error: Quantity | None
    corner_reach: Quantity | None
    field_incidence_angle: Quantity | None
    field_depth_change: Quantity | None
    field_zones: dict[str, Any] | None
    coupon_thickness: Quantity
    coupon_low: Quantity
    coupon_high: Quantity
    down_facing: bool
    dose_along_min: float
    dose_along_max: float
    share_at_speed: float | None
    upper: dict[str, Quantity]
    budget: dict[str, Quantity]
    warnings: tuple[str, ...]
    best: Best = field(repr=False, compare=False)

    @property
    def weakest_track(self) -> Quantity:
        """Of the directions of its tracks the one in which the weakest place cures least [deg], between -90 and 90."""
        best = self.best
        track = weakest_track(best.task.pattern, best.beam_radius, best.hatch_spacing, best.scan_speed)
        return Quantity(math.remainder(math.degrees(track), 180.0), DEG)

    def to_dict(self) -> dict[str, Any]:
        """The vector's object in the JSON of the command contract."""
        record: dict[str, Any] = {}
        for name, value in self.__dict__.items():
            if name == "best":
                continue
            if isinstance(value, Quantity):
                value = to_json(value)
            elif name == "limits":
                value = [limit.to_dict() for limit in value]
            elif name in ("budget", "upper"):
                value = {key: to_json(q) for key, q in value.items()}
            elif isinstance(value, tuple):
                value = list(value)
            elif isinstance(value, float) and not math.isfinite(value):
                value = None
            record[name] = value
        record["cure_depth"]["standard_uncertainty"] = record.pop("cure_depth_standard_uncertainty")["value"]
        if self.line_width is not None:
            record["line_width"]["expanded_uncertainty"] = record.pop("line_width_expanded_uncertainty")["value"]
            record["line_width"]["coverage_factor"] = 2
        else:
            record.pop("line_width_expanded_uncertainty")
        return record


@dataclass(frozen=True)
class Recipe(Shown):
    """A whole recipe. `rates` and `seam` are None where the needs state no areas, or no contour beside a hatch."""

    name: str
    vectors: tuple[VectorRecipe, ...]
    layer_thickness: Quantity
    rates: Rates | None
    mass_rate: float | None
    part_layers: int | None
    part_time: float | None
    seam: Seam | None
    cancelling: str
    power_scale_cancels: bool
    beam_radius_cancels: bool
    warnings: tuple[str, ...]
    date: str
    machine: Machine = field(repr=False)
    lot: Lot = field(repr=False)
    needs: Needs = field(repr=False)
    inputs: Inputs = field(repr=False)
    part: dict[str, Any] | None = None

    @property
    def main(self) -> VectorRecipe:
        """The kind that stands for the recipe: the first raster over no liquid, or the first kind."""
        return main_vector(self.vectors, getattr)

    def rows(self) -> list[tuple[str, str]]:
        """One row a kind: its settings and how sure they are."""
        rows = []
        for one in self.vectors:
            parts = [show(one.scan_speed), show(one.power), f"radius {show(one.beam_radius)}"]
            if one.hatch_spacing is not None:
                parts.append(f"spacing {show(one.hatch_spacing)}")
            parts += [f"{one.passes} pass{'es' if one.passes > 1 else ''}", f"{percent(one.assurance, '.1f')} assured"]
            rows.append((one.kind, ", ".join(parts)))
        return rows

    def vector(self, kind: str) -> VectorRecipe:
        """The settings of one kind by its name."""
        for one in self.vectors:
            if one.kind.lower() == kind.strip().lower():
                return one
        raise KeyError(kind)

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command contract."""
        from .. import __version__
        from ..cautions import CAUTIONS

        r = self.rates
        record: dict[str, Any] = {
            "name": self.name,
            "date": self.date,
            "version": __version__,
            "layer_thickness": to_json(self.layer_thickness),
            "assurance": self.needs.assurance,
            "assured_for": "single layer" if self.needs.single_layer else "mean",
            "vectors": [one.to_dict() for one in self.vectors],
            "layer_time": None if r is None else to_json(Quantity(r.layer_time, S)),
            "volume_rate": None if r is None else to_json(Quantity(r.volume_rate, MM3_S)),
            "light_limit_fraction": None if r is None else r.light_limit_fraction,
        }
        record |= {
            "rates": None if r is None else self._rates_dict(r),
            "seam": None
            if self.seam is None
            else {
                "first_hatch_line": to_json(Quantity(self.seam.first_line, MM)),
                "first_hatch_line_depth": to_json(Quantity(self.seam.first_line_depth, MM)),
                "hatch_line_ends": to_json(Quantity(self.seam.line_ends, MM)),
                "hatch_line_ends_depth": to_json(Quantity(self.seam.line_ends_depth, MM)),
                "overlap": to_json(Quantity(self.seam.overlap, MM)),
                "contour_offset": to_json(Quantity(self.seam.contour_offset, MM)),
            },
            "systematic_errors": {
                "power_scale_cancels": self.power_scale_cancels,
                "beam_radius_cancels": self.beam_radius_cancels,
                "sentence": self.cancelling,
            },
            "resin": self._resin_dict(),
            "machine": self.machine.to_dict(),
            "needs": self.needs.to_dict(),
            "part": self.part,
            "warnings": list(self.warnings),
            "assumptions": list(assumptions(self.machine, self.needs)),
            "cautions": list(CAUTIONS),
            "files": {
                name: {"path": one.path, "sha256": one.sha256}
                for name, one in (("machine", self.machine), ("resin", self.lot), ("needs", self.needs))
            },
        }
        return record

    def _rates_dict(self, r: Rates) -> dict[str, Any]:
        return {
            "scan_time": to_json(Quantity(r.scan_time, S)),
            "recoat_time": to_json(Quantity(r.recoat_time, S)),
            "light_time": to_json(Quantity(r.light_time, S)),
            "volume": to_json(Quantity(r.volume, MM3)),
            "volume_per_hour": {"value": 3.6 * r.volume_rate, "unit": "mL/h"},
            "mass_per_hour": None if self.mass_rate is None else {"value": self.mass_rate, "unit": "g/h"},
            "bottleneck": r.bottleneck,
            "shares": r.shares,
            "scan_time_by_kind": {k: to_json(Quantity(v, S)) for k, v in r.by_kind.items()},
            "part_layers": self.part_layers,
            "part_time": None if self.part_time is None else to_json(Quantity(self.part_time, S)),
        }

    def _resin_dict(self) -> dict[str, Any]:
        lot = self.lot
        return {
            "name": lot.resin.name,
            "lot": lot.lot,
            "verified": lot.verified,
            "penetration_depth": to_json(lot.resin.penetration_depth),
            "critical_exposure": to_json(lot.resin.critical_exposure),
            "correlation": float(lot.resin.correlation),
            "coupons": lot.coupons,
            "degrees_of_freedom": lot.degrees_of_freedom,
            "date": lot.date,
            "wavelength": None if lot.resin.wavelength is None else to_json(lot.resin.wavelength),
            "temperature": None if lot.resin.temperature is None else to_json(lot.resin.temperature),
            "depth_range": None if lot.depth_range is None else [to_json(q) for q in lot.depth_range],
            "exposure_range": None if lot.exposure_range is None else [to_json(q) for q in lot.exposure_range],
        }


def main_vector(vectors: Sequence[T], get: Callable[..., Any] = dict.get) -> T:
    """The kind that stands for a recipe in charts, window and proof coupon: the first raster over no liquid, or the first kind.

    Of JSON objects; with `getattr`, of records.
    """
    return next((one for one in vectors if get(one, "pattern", None) == "raster" and not get(one, "down_facing", None)), vectors[0])


def assumptions(machine: Machine, needs: Needs) -> tuple[str, ...]:
    """What the recipe takes for granted, in sentences."""
    spot = "round" if machine.radius_ratio == 1.0 else "elliptical"
    if machine.acceleration is None:
        ends = "the speed is constant along a vector: the machine file states no acceleration"
    else:
        ends = f"depths hold from {needs.judged_from:g} beam radii inside the ends of a vector; ends and outline are judged as seams"
    kept = needs.power_reserve
    reserve = (f"{percent(kept)} of the power may be lost before a depth is no longer assured (power_reserve).",) if kept else ()
    return (
        *reserve,
        "Depth follows the working curve of the lot's coupons, at this wavelength, temperature and spot.",
        f"Gaussian {spot} spot; {ends}.",
        "Liquid and cured resin absorb alike where layers lie on layers.",
        "A width from an exposure threshold may be off by 15 to 30 %: measure widths where they matter.",
    )
