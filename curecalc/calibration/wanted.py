"""The exposure, and the speed, that reach a wanted depth: for the mean of many coupons and for the next one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..statistics.intervals import Inverse, inverse, t_factor
from ..statistics.line import LineFit
from ..statistics.working_line import WorkingLine
from ..units import IN_CM2, MJ_CM2, MM, MM_S, Quantity, QuantityError, to_json
from .coupons import CouponSet
from .findings import varied_settings

__all__ = ["WantedExposure", "confident", "exposures", "wanted_exposure", "widened"]


def confident(confidence: Any) -> float:
    """The confidence of an interval with two ends, checked."""
    if not 0.5 <= confidence < 1.0:
        raise QuantityError(f"confidence must be at least 0.5 and below 1, got {confidence:g}. A usual value is 0.95.")
    return float(confidence)


@dataclass(frozen=True)
class WantedExposure:
    """The exposure that reaches a wanted depth: for the mean of many coupons, and for the next single one.

    `mean_interval` and `next_interval` are the ends (mJ/cm^2), infinite where unbounded. `scan_speed` is the speed
    that gives the exposure with the coupons' other settings, where these did not vary.
    """

    depth: Quantity
    exposure: Quantity
    mean_standard_uncertainty: Quantity
    mean_interval: tuple[Quantity, Quantity]
    next_standard_uncertainty: Quantity
    next_interval: tuple[Quantity, Quantity]
    confidence: float
    scan_speed: Quantity | None = None
    mean_scan_speed_interval: tuple[Quantity, Quantity] | None = None
    next_scan_speed_interval: tuple[Quantity, Quantity] | None = None
    extrapolated: bool = False

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        out: dict[str, Any] = {"depth": to_json(self.depth)}
        for name, u, interval, speeds in (
            ("mean", self.mean_standard_uncertainty, self.mean_interval, self.mean_scan_speed_interval),
            ("next_coupon", self.next_standard_uncertainty, self.next_interval, self.next_scan_speed_interval),
        ):
            out[name] = to_json(self.exposure, u, interval, self.confidence)
            if self.scan_speed is not None:
                out[name]["scan_speed"] = to_json(self.scan_speed, None, speeds, self.confidence)
        out["extrapolated"] = self.extrapolated
        return out


def widened(found: Inverse, variance: Any, confidence: float) -> Inverse:
    """An exact set of x, widened in quadrature about its estimate by errors of x common to all coupons (variance of x)."""
    if not np.any(variance):
        return found
    half = t_factor(confidence, np.inf) ** 2 * np.asarray(variance)
    return replace(
        found,
        standard_error=np.sqrt(found.standard_error**2 + variance)[()],
        low=(found.value - np.sqrt((found.value - found.low) ** 2 + half))[()],
        high=(found.value + np.sqrt((found.high - found.value) ** 2 + half))[()],
    )


def wanted_exposure(line: LineFit, working: WorkingLine, depth: float, c: CouponSet, confidence: float, common: float) -> WantedExposure:
    """`common` is the variance of ln exposure from errors common to all coupons, where they count."""
    mean = widened(inverse(line, depth, confidence=confidence), common, confidence)
    single = widened(inverse(line, depth, future_variance=working.coupon_variance, confidence=confidence), common, confidence)
    with np.errstate(over="ignore"):
        e = float(np.exp(mean.value))
    if not np.isfinite(e):
        raise QuantityError(
            f"at_depth {depth:g} mm is {depth / line.slope:.3g} penetration depths: no exposure a number can hold reaches it."
        )
    scale = _speed_scale(c)
    outside = max(working.x_low - mean.value, mean.value - working.x_high)
    return WantedExposure(
        depth=Quantity(depth, MM),
        exposure=Quantity(e, MJ_CM2),
        mean_standard_uncertainty=Quantity(e * float(mean.standard_error), MJ_CM2),
        mean_interval=exposures(mean),
        next_standard_uncertainty=Quantity(e * float(single.standard_error), MJ_CM2),
        next_interval=exposures(single),
        confidence=confidence,
        scan_speed=None if scale is None else Quantity(scale / e, MM_S),
        mean_scan_speed_interval=None if scale is None else _speeds(scale, mean),
        next_scan_speed_interval=None if scale is None else _speeds(scale, single),
        extrapolated=bool(outside > 1e-9),
    )


def exposures(found: Inverse) -> tuple[Quantity, Quantity]:
    """The ends of a set of x as exposures, infinite where it is not bounded."""
    if found.kind != "bounded":
        return Quantity(-np.inf, MJ_CM2), Quantity(np.inf, MJ_CM2)
    with np.errstate(over="ignore"):
        return Quantity(float(np.exp(found.low)), MJ_CM2), Quantity(float(np.exp(found.high)), MJ_CM2)


def _speeds(scale: float, found: Inverse) -> tuple[Quantity, Quantity]:
    if found.kind != "bounded":
        return Quantity(-np.inf, MM_S), Quantity(np.inf, MM_S)
    with np.errstate(over="ignore", under="ignore"):
        return Quantity(scale * float(np.exp(-found.high)), MM_S), Quantity(scale * float(np.exp(-found.low)), MM_S)


def _speed_scale(c: CouponSet) -> float | None:
    """Exposure times speed (mJ/cm^2 mm/s), where every other setting was the same on all coupons."""
    if "scan_speed" not in c.settings or any(n != "scan_speed" for n in varied_settings(c)):
        return None
    product = IN_CM2 * c.exposure * c.settings["scan_speed"]
    return float(product.mean()) if np.ptp(product) <= 1e-3 * product.max() else None
