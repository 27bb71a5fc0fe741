"""How earlier lots enter a fit, and what the coupons alone would have said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.coupon_line import ENOUGH, with_earlier_lots
from ..statistics.line import LineFit
from ..statistics.working_line import log_threshold, log_threshold_sd
from ..units import MJ_CM2, MM, Measured, Quantity, to_json
from .prior import Conflict, LinePrior, prior_conflict

__all__ = ["CONTRADICTS", "PriorUse", "line_with_prior", "prior_use"]

CONTRADICTS = 0.01
"""Earlier lots are set aside where a line this far from them, or a scatter this much larger, is no more probable."""


@dataclass(frozen=True)
class PriorUse:
    """How earlier lots entered: their names, their weight in the intervals, whether the new coupons contradict them.

    `scatter_shown` is the ratio of scatters, new over earlier, that these coupons would notice in four lots of five.
    """

    names: tuple[str, ...]
    weight: float
    conflict: Conflict
    own_penetration_depth: Measured
    own_critical_exposure: Measured
    scatter_shown: float
    few: bool

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "lots": list(self.names),
            "weight": self.weight,
            "conflict": {
                "f": float(self.conflict.f),
                "p": float(self.conflict.p),
                "scatter_f": float(self.conflict.scatter_f),
                "scatter_p": float(self.conflict.scatter_p),
                "scatter_ratio_shown": self.scatter_shown,
            },
            "without": {"penetration_depth": to_json(self.own_penetration_depth), "critical_exposure": to_json(self.own_critical_exposure)},
        }


def line_with_prior(own: LineFit, prior: LinePrior) -> tuple[LineFit, Any, Conflict]:
    """The line to judge by, the weight of the earlier lots in it, and the conflict.

    With fewer than six coupons the wider interval stands, which is that of the coupons alone; so it does where the new coupons
    contradict the earlier lots. The weight is then zero.
    """
    conflict = prior_conflict(own, prior)
    line, weight = with_earlier_lots(own, prior.mean, prior.covariance, prior.origin)
    aside = np.asarray(conflict.p < CONTRADICTS) | (own.n < ENOUGH)
    if not np.ndim(aside):
        return (own, 0.0, conflict) if aside else (line, weight, conflict)
    from ..statistics.coupon_line import either

    return either(aside, own, line), np.where(aside, 0.0, weight), conflict


def prior_use(own: LineFit, prior: LinePrior, weight: float, conflict: Conflict, names: tuple[str, ...]) -> PriorUse:
    """The record of it, for the report."""
    from scipy.special import fdtri

    ec = float(np.exp(log_threshold(own)))
    dof, earlier = own.degrees_of_freedom, float(prior.degrees_of_freedom)
    shown = np.sqrt(fdtri(dof, earlier, 1.0 - CONTRADICTS) / fdtri(dof, earlier, 0.2))
    return PriorUse(
        names,
        float(weight),
        conflict,
        Measured(Quantity(float(own.slope), MM), Quantity(float(own.slope_sd), MM)),
        Measured(Quantity(ec, MJ_CM2), Quantity(ec * float(log_threshold_sd(own)), MJ_CM2)),
        float(shown),
        own.n < ENOUGH,
    )
