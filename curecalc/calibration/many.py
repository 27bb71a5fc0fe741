"""Many lots in one call: the same numbers as `fit_working_curve`, as arrays, without diagnoses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.intervals import Inverse, inverse, slope_interval
from ..statistics.line import LineFit, ordinary_line
from ..statistics.working_line import correlation
from ..units import MJ_CM2, MM, Quantity, QuantityError, Shown, positive

__all__ = ["LotFits", "fit_lots"]


@dataclass(frozen=True)
class LotFits(Shown):
    """Arrays over lots. Interval ends are infinite where the exact set is unbounded (a zero or unusable slope included).

    `next_coupon_interval` and `mean_interval` belong to `exposure_for_depth`; all three are None without a wanted depth.
    """

    penetration_depth: Quantity
    penetration_depth_interval: tuple[Quantity, Quantity]
    critical_exposure: Quantity
    critical_exposure_interval: tuple[Quantity, Quantity]
    correlation: np.ndarray
    residual_sd: Quantity
    exposure_for_depth: Quantity | None
    mean_interval: tuple[Quantity, Quantity] | None
    next_coupon_interval: tuple[Quantity, Quantity] | None
    degrees_of_freedom: int
    line: LineFit


def fit_lots(*, exposure: Quantity, thickness: Quantity, at_depth: Quantity | None = None, confidence: float = 0.95) -> LotFits:
    """Fit many lots at once by ordinary least squares on coupon means.

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2], (n,) or (lots, n)
        Of each coupon.
    thickness : Quantity [mm], (lots, n) or (lots, n, readings)
        Coupon means, or readings, which are averaged.
    at_depth : Quantity [mm], optional
        One wanted depth.
    confidence : float

    Returns
    -------
    LotFits

    Raises
    ------
    QuantityError

    Source: as `fit_working_curve`, valid as there.

    >>> import numpy as np
    >>> from curecalc.units import Quantity as Q
    >>> e = Q(np.array([15.0, 20.0, 30.0, 40.0, 60.0]), "mJ/cm^2")
    >>> t = Q(np.array([[96.0, 135.0, 201.0, 240.0, 303.0]] * 3), "um")
    >>> f"{fit_lots(exposure=e, thickness=t).penetration_depth[2].m_as('mm'):.4f}"
    '0.1500'
    """
    e, y = positive("exposure", exposure, MJ_CM2), positive("thickness", thickness, MM)
    if np.ndim(y) not in (2, 3):
        raise QuantityError(f"thickness must have two or three axes (lots, coupons, readings), got {np.ndim(y)}.")
    y = y.mean(-1) if y.ndim == 3 else y
    if np.ndim(e) not in (1, 2) or np.shape(e)[-1] != y.shape[1] or (np.ndim(e) == 2 and e.shape != y.shape):
        raise QuantityError(f"exposure has shape {np.shape(e)}, which does not go with {y.shape} lots and coupons.")
    if not 0.5 <= confidence < 1.0:
        raise QuantityError(f"confidence must be at least 0.5 and below 1, got {confidence:g}. A usual value is 0.95.")
    depth = None if at_depth is None else positive("at_depth", at_depth, MM)
    line = ordinary_line(np.log(e), y)
    threshold = inverse(line, 0.0, confidence=confidence)
    wanted = mean = single = None
    if depth is not None:
        for_mean = inverse(line, depth, confidence=confidence)
        wanted, mean = _exposure(for_mean.value), _ends(for_mean)
        single = _ends(inverse(line, depth, future_variance=line.scale, confidence=confidence))
    return LotFits(
        penetration_depth=Quantity(line.slope, MM),
        penetration_depth_interval=tuple(Quantity(v, MM) for v in slope_interval(line, confidence)),  # type: ignore[arg-type]
        critical_exposure=_exposure(threshold.value),
        critical_exposure_interval=_ends(threshold),
        correlation=np.asarray(correlation(line)),
        residual_sd=Quantity(line.residual_sd, MM),
        exposure_for_depth=wanted,
        mean_interval=mean,
        next_coupon_interval=single,
        degrees_of_freedom=line.degrees_of_freedom,
        line=line,
    )


def _exposure(x: Any) -> Quantity:
    with np.errstate(over="ignore"):
        return Quantity(np.exp(x), MJ_CM2)


def _ends(found: Inverse) -> tuple[Quantity, Quantity]:
    with np.errstate(over="ignore"):
        low = np.where(np.isfinite(found.low), np.exp(found.low), -np.inf)
        return Quantity(low, MJ_CM2), Quantity(np.exp(found.high), MJ_CM2)
