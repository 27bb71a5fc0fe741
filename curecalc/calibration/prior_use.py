"""How earlier lots enter a fit, and what the coupons alone would have said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.line import LineFit
from ..statistics.working_line import log_threshold, log_threshold_sd, working_line
from ..units import MJ_CM2, MM, Measured, Quantity, to_json
from .coupons import CouponSet
from .prior import Conflict, LinePrior, conjugate_line, prior_conflict

__all__ = ["PriorUse", "with_prior"]


@dataclass(frozen=True)
class PriorUse:
    """How earlier lots entered: their names, their weight, whether the new coupons contradict them, the data's own line."""

    names: tuple[str, ...]
    weight: float
    conflict: Conflict
    own_penetration_depth: Measured
    own_critical_exposure: Measured
    equal_coupons: float

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "lots": list(self.names),
            "weight": self.weight,
            "worth_coupons": self.equal_coupons,
            "conflict": {
                "f": self.conflict.f,
                "p": self.conflict.p,
                "scatter_f": self.conflict.scatter_f,
                "scatter_p": self.conflict.scatter_p,
            },
            "without": {"penetration_depth": to_json(self.own_penetration_depth), "critical_exposure": to_json(self.own_critical_exposure)},
        }


def with_prior(own: LineFit, c: CouponSet, weight: np.ndarray | None, prior: LinePrior, names: tuple[str, ...]) -> tuple[LineFit, PriorUse]:
    posterior = conjugate_line(c.x, c.thickness, prior.mean, prior.spread, prior.a, prior.b, prior.origin, weight)
    if not posterior.line.slope > 0:
        working_line(posterior.line, x_low=0.0, x_high=1.0)  # raises
    ec = float(np.exp(log_threshold(own)))
    use = PriorUse(
        names,
        float(posterior.prior_weight),
        prior_conflict(own, prior),
        Measured(Quantity(float(own.slope), MM), Quantity(float(own.slope_sd), MM)),
        Measured(Quantity(ec, MJ_CM2), Quantity(ec * float(log_threshold_sd(own)), MJ_CM2)),
        float(len(c) * posterior.prior_weight / max(1.0 - posterior.prior_weight, 1e-12)),
    )
    return posterior.line, use
