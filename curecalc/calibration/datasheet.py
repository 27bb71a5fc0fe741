"""Working lines from a data sheet: unverified numbers with an uncertainty wide enough to be honest. Pure arithmetic."""

from __future__ import annotations

import math

import numpy as np

from ..errors import QuantityError
from ..statistics.working_line import WorkingLine

__all__ = [
    "UNVERIFIED_COUPON_SD",
    "UNVERIFIED_CRITICAL_EXPOSURE",
    "UNVERIFIED_PENETRATION_DEPTH",
    "from_one_depth",
    "from_two_depths",
    "unverified_line",
]

UNVERIFIED_PENETRATION_DEPTH = 0.20
"""Relative standard uncertainty added to a data sheet's Dp. In one interlaboratory study 24 laboratories disagreed 7-fold on
one batch (`kolibaba2024`), which is a standard deviation of about 50 % between laboratories; a maker's own sheet is taken as
better than that, not as good as coupons."""
UNVERIFIED_CRITICAL_EXPOSURE = 0.50
"""The same for Ec (70-fold in that study, about 110 %)."""
UNVERIFIED_COUPON_SD = 0.006
"""Scatter of a coupon or layer, mm, where none was measured (common practice, no source)."""


def from_one_depth(*, log_threshold: float, depth: float, log_exposure: float) -> float:
    """Dp from ln Ec and the exposure for one depth: depth/(ln E - ln Ec).

    >>> f"{from_one_depth(log_threshold=math.log(8.0), depth=0.15, log_exposure=math.log(8.0) + 1.0):.3f}"
    '0.150'
    """
    if not log_exposure > log_threshold:
        raise QuantityError(
            f"the exposure for a depth of {depth:.4g} mm, {math.exp(log_exposure):.4g} mJ/cm^2, must be above the critical "
            f"exposure {math.exp(log_threshold):.4g} mJ/cm^2. Check both."
        )
    return depth / (log_exposure - log_threshold)


def from_two_depths(*, depths: tuple[float, float], log_exposures: tuple[float, float]) -> tuple[float, float]:
    """Dp and ln Ec from the exposures for two depths.

    >>> dp, lec = from_two_depths(depths=(0.1, 0.2), log_exposures=(3.0, 3.5))
    >>> f"{dp:.2f} {lec:.2f}"
    '0.20 2.50'
    """
    (d1, d2), (x1, x2) = depths, log_exposures
    if d1 == d2 or x1 == x2 or (d2 - d1) / (x2 - x1) <= 0:
        raise QuantityError(
            f"two depths need two exposures, the deeper the larger: got {d1:.4g} mm at {math.exp(x1):.4g} mJ/cm^2 and {d2:.4g} mm "
            f"at {math.exp(x2):.4g} mJ/cm^2. Check both."
        )
    slope = (d2 - d1) / (x2 - x1)
    return slope, x1 - d1 / slope


def unverified_line(
    *,
    penetration_depth: float,
    log_threshold: float,
    relative_penetration_depth: float,
    relative_critical_exposure: float,
    correlation: float,
) -> WorkingLine:
    """A working line of a data sheet: stated relative standard uncertainties (zero if none) widened by those of no proof.

    Common practice, no source, informed by `kolibaba2024`. Correlation is that of the stated part.
    """
    slope_variance = penetration_depth**2 * (relative_penetration_depth**2 + UNVERIFIED_PENETRATION_DEPTH**2)
    own = relative_critical_exposure**2 + UNVERIFIED_CRITICAL_EXPOSURE**2
    cross = correlation * relative_penetration_depth * relative_critical_exposure * penetration_depth
    # (Dp, ln Ec) to (height at x, Dp): uncorrelated where x - ln Ec = Dp cov/var(Dp)
    away = penetration_depth * cross / slope_variance
    mean_variance = penetration_depth**2 * (own - cross**2 / slope_variance)
    return WorkingLine(
        penetration_depth=penetration_depth,
        log_threshold=log_threshold,
        x_mean=log_threshold + away,
        mean_variance=float(mean_variance),
        slope_variance=float(slope_variance),
        coupon_variance=UNVERIFIED_COUPON_SD**2,
        t_degrees_of_freedom=math.inf,
        x_low=float(-np.inf),
        x_high=float(np.inf),
    )
