"""A whole recipe drawn by Monte Carlo (JCGM 101): every shared error drawn once, depths of all kinds through the full model."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np

from ..errors import QuantityError
from .ends import least_along
from .search import Best

__all__ = ["Drawn", "draw_depths"]


@dataclass(frozen=True)
class Drawn:
    """What the draws of one kind say: mean and spread of depth (mm), interval, share that reaches the depth."""

    kind: str
    mean: float
    standard_uncertainty: float
    interval: tuple[float, float]
    reached: float
    draws: int
    confidence: float = 0.95

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "kind": self.kind,
            "cure_depth": {
                "value": self.mean,
                "unit": "mm",
                "standard_uncertainty": self.standard_uncertainty,
                "interval": list(self.interval),
                "confidence": self.confidence,
            },
            "share_that_bonds": self.reached,
            "draws": self.draws,
        }


def draw_depths(kinds: list[Best], *, draws: int = 100_000, seed: int = 1) -> list[Drawn]:
    """Depth of the weakest place of every kind over draws of what is not known.

    The curve of the coupons is drawn as a t distribution (JCGM 101, 6.4.9): one scale for height, slope and scatter, since one
    residual variance served all three. What a build has in common (meter, spot, scanner, gauge) is drawn once for all
    kinds; scatter and recoating are drawn for each.

    Parameters
    ----------
    kinds : list of Best
    draws : int
    seed : int
    """
    if not 1000 <= draws <= 20_000_000:
        raise QuantityError(f"draws must be from 1000 to 20000000, got {draws}. A million settles two digits.")
    random = np.random.default_rng(seed)
    first = kinds[0].task
    curve, e = first.curve, first.errors

    def normal(scale: float) -> Any:
        return scale * random.standard_normal(draws) if scale > 0.0 else 0.0

    dof = curve.degrees_of_freedom
    scale: Any = 1.0
    if math.isfinite(dof):
        scale = np.sqrt(dof / random.chisquare(dof, draws))
    slope = curve.penetration_depth + scale * normal(math.sqrt(curve.slope_variance))
    height = curve.penetration_depth * (curve.centre - curve.log_threshold)
    height = height + scale * normal(math.sqrt(curve.centre_variance)) + normal(e.depth_bias)
    common = normal(e.power) + normal(e.exposure_scale)
    spot, spot_scale = normal(e.beam_radius), normal(e.beam_radius_scale)
    speed, spacing = normal(e.scan_speed), normal(e.hatch_spacing)
    held = 0.0 if e.coupon_radius_power is None else e.coupon_radius_power
    radius = np.exp(spot + spot_scale)
    # the part of the radius that the coupons shared has already been counted in their exposure
    shared = first.pattern.exponent * common - held * spot_scale
    results = []
    for best in kinds:
        task = best.task
        pattern = task.pattern
        if pattern.turned and len(pattern.tracks) == 1:
            pattern = pattern._replace(tracks=(pattern.tracks[0] + normal(pattern.turned),))
        drawn, moved = best.beam_radius * radius, best.scan_speed * np.exp(speed)
        lines = None if best.hatch_spacing is None else best.hatch_spacing * np.exp(spacing)
        dose = reduce(np.minimum, pattern.least_doses(best.power, drawn, lines, moved))
        ends = least_along(task, best.power, best.beam_radius, moved, radius, best.hatch_spacing)
        x = np.log(dose) + np.log(ends) + shared
        depth = np.broadcast_to(slope * (curve.coordinate(x) - curve.centre), (draws,)).copy()
        depth += height
        depth += normal(math.sqrt(float(curve.own_variance(curve.coordinate(best.log_exposure)))))
        needed: Any = best.aim
        if task.single:
            depth += scale * normal(math.sqrt(curve.layer_variance))
            needed = needed + normal(e.layer_thickness)
        low, high = np.quantile(depth, [0.025, 0.975])
        results.append(
            Drawn(task.kind, float(depth.mean()), float(depth.std()), (float(low), float(high)), float(np.mean(depth >= needed)), draws)
        )
    return results
