"""Many lots in one call: the same numbers as `fit_working_curve`, as arrays, without diagnoses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.coupon_line import coupon_line, stated_line
from ..statistics.intervals import Inverse, inverse, slope_interval
from ..statistics.line import LineFit
from ..statistics.working_line import correlation
from ..units import MJ_CM2, MM, Quantity, QuantityError, Shown, nonnegative, positive
from .budget import scales
from .prior import LinePrior
from .prior_use import line_with_prior
from .wanted import confident, widened

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


def fit_lots(
    *,
    exposure: Quantity,
    thickness: Quantity,
    at_depth: Quantity | None = None,
    confidence: float = 0.95,
    readings: Any | None = None,
    repeatability: Quantity | None = None,
    gauge_resolution: Quantity | None = None,
    thickness_uncertainty: Quantity | None = None,
    exposure_uncertainty: Quantity | None = None,
    prior: LinePrior | None = None,
    power_scale_uncertainty: Any = None,
    thickness_bias_uncertainty: Quantity | None = None,
    same_machine: bool = True,
    same_gauge: bool = True,
) -> LotFits:
    """Fit many lots at once, judged as `fit_working_curve` judges one.

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2], (n,) or (lots, n)
        Of each coupon.
    thickness : Quantity [mm], (lots, n) or (lots, n, readings)
        Coupon means, or readings, which are averaged.
    at_depth : Quantity [mm], optional
        One wanted depth.
    confidence : float
    readings : int, (n,) or (lots, n), optional
        Readings behind each mean; where they differ, coupons and readings are two components and `repeatability` is needed.
    repeatability : Quantity [mm], (lots,), optional
        Standard deviation of readings on one coupon, pooled over a lot's coupons.
    gauge_resolution : Quantity [mm], optional
        Step of the gauge.
    thickness_uncertainty, exposure_uncertainty : Quantity [mm], [mJ/cm^2], optional
        Stated standard uncertainties of coupons, broadcast against `thickness`; exposure's goes with thickness's only.
    prior : LinePrior, optional
        Of one lot or with an entry a lot.
    power_scale_uncertainty, thickness_bias_uncertainty, same_machine, same_gauge : optional
        As in `fit_working_curve`.

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
    if np.shape(e) not in (y.shape, y.shape[1:]):
        raise QuantityError(f"exposure has shape {np.shape(e)}, which does not go with {y.shape} lots and coupons.")
    confidence = confident(confidence)
    depth = None if at_depth is None else positive("at_depth", at_depth, MM)
    common = scales(
        power_scale_uncertainty=power_scale_uncertainty,
        thickness_bias_uncertainty=thickness_bias_uncertainty,
        same_machine=same_machine,
        same_gauge=same_gauge,
    )
    x = np.log(e)
    line = _line(x, y, readings, repeatability, gauge_resolution, thickness_uncertainty, exposure_uncertainty, e)
    if prior is not None:
        line, _, _ = line_with_prior(line, prior)
    shared = (0.0 if same_machine else common.power**2) + (0.0 if same_gauge else (common.thickness / np.asarray(line.slope)) ** 2)
    threshold = widened(inverse(line, 0.0, confidence=confidence), shared, confidence)
    wanted = mean = single = None
    if depth is not None:
        for_mean = widened(inverse(line, depth, confidence=confidence), shared, confidence)
        wanted, mean = _exposure(for_mean.value), _ends(for_mean)
        single = _ends(widened(inverse(line, depth, future_variance=line.scale, confidence=confidence), shared, confidence))
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


def _line(x: Any, y: Any, readings: Any, repeatability: Any, step: Any, sigma: Any, sigma_e: Any, e: Any) -> LineFit:
    counts = squares = None
    if readings is not None and np.ptp(readings) > 0:
        counts = np.broadcast_to(np.asarray(readings, dtype=float), y.shape)
        if np.any(counts < 1) or repeatability is None:
            raise QuantityError("readings must be whole numbers from 1, and where they differ repeatability is needed. Give both.")
        squares = nonnegative("repeatability", repeatability, MM) ** 2 * (counts - 1).sum(-1)
    resolution = 0.0 if step is None else positive("gauge_resolution", step, MM)
    own = coupon_line(x, y, counts=counts, within_squares=squares, resolution=resolution)
    if sigma is None:
        if sigma_e is not None:
            raise QuantityError("exposure_uncertainty needs thickness_uncertainty beside it. Give both, or fit one lot at a time.")
        return own.line
    sx = None if sigma_e is None else positive("exposure_uncertainty", sigma_e, MJ_CM2) / e
    return stated_line(x, y, own, sigma_y=positive("thickness_uncertainty", sigma, MM), sigma_x=sx).line


def _exposure(x: Any) -> Quantity:
    with np.errstate(over="ignore"):
        return Quantity(np.exp(x), MJ_CM2)


def _ends(found: Inverse) -> tuple[Quantity, Quantity]:
    with np.errstate(over="ignore"):
        low = np.where(np.isfinite(found.low), np.exp(found.low), -np.inf)
        return Quantity(low, MJ_CM2), Quantity(np.exp(found.high), MJ_CM2)
