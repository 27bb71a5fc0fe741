"""The depth that one fixed set of settings would have given as laser, spot and resin moved: the number that matters."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..physics import cure, line, raster

__all__ = ["SettingsInForce", "depth_over_time", "power_for_depth"]


@dataclass(frozen=True)
class SettingsInForce:
    """Settings held fixed while the rest moves, in kernel units: mm/s, mm, passes. A spacing makes it a raster.

    `power_share` is the share of the power read that the settings use, `beam_share` their beam radius over the one measured.
    """

    scan_speed: float
    hatch_spacing: float | None = None
    passes: int = 1
    layer_thickness: float | None = None
    overcure: float | None = None
    power_share: float = 1.0
    beam_share: float = 1.0

    def __post_init__(self) -> None:
        if not (self.scan_speed > 0.0 and math.isfinite(self.scan_speed)):
            raise QuantityError(f"scan_speed must be finite and above zero, got {self.scan_speed:g} mm/s.")
        if self.hatch_spacing is not None and not self.hatch_spacing > 0.0:
            raise QuantityError(f"hatch_spacing must be above zero, got {self.hatch_spacing:g} mm.")

    def exposure(self, power: Any, beam_radius: Any) -> Any:
        """Exposure of the weakest place in mJ/mm^2: the axis of one line, or the valley of the raster."""
        power = self.power_share * np.asarray(power, dtype=np.float64)
        beam_radius = self.beam_share * np.asarray(beam_radius, dtype=np.float64)
        if self.hatch_spacing is None:
            return self.passes * line.scan_exposure(power, beam_radius, self.scan_speed)
        mean = raster.mean_exposure(power, self.scan_speed, self.hatch_spacing)
        return self.passes * mean * raster.valley(self.hatch_spacing / np.asarray(beam_radius, dtype=np.float64))


def depth_over_time(
    *, settings: SettingsInForce, power: Any, beam_radius: Any, penetration_depth: Any, critical_exposure: Any,
    power_uncertainty: Any = 0.0, beam_radius_uncertainty: Any = 0.0, penetration_depth_uncertainty: Any = 0.0,
    critical_exposure_uncertainty: Any = 0.0, correlation: Any = 0.0,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    r"""Cure depth and its standard uncertainty for each row of what was known then, in mm.

    Depth = Dp ln(E/Ec) at the weakest place; uncertainty to first order,
    u^2 = (Dp u_E/E)^2 + (L u_Dp)^2 + (Dp u_lnEc)^2 - 2 L Dp r u_Dp u_lnEc with L = ln(E/Ec), r the correlation of Dp and
    ln Ec. All stated uncertainties enter in full: where the same meter served calibration and machine its scale error
    cancels, and the depth is better known than this says.

    Parameters
    ----------
    settings : SettingsInForce
    power, beam_radius, penetration_depth, critical_exposure : array_like [mW, mm, mm, mJ/mm^2]
        Broadcast together; uncertainties likewise.

    Source: `gibson2015` eq. 4.10 for the depth, `gum` 5.2.2 for the uncertainty. Depth is 0 where E <= Ec.

    >>> d, u = depth_over_time(settings=SettingsInForce(1000.0), power=30.0, beam_radius=0.125, penetration_depth=0.15,
    ...                        critical_exposure=0.08, power_uncertainty=0.6)
    >>> f"{d:.6f} +- {u:.6f}"
    '0.130923 +- 0.003000'
    """
    p, w, dp, ec = (np.asarray(x, dtype=np.float64) for x in (power, beam_radius, penetration_depth, critical_exposure))
    for name, values in (("power", p), ("beam_radius", w), ("penetration_depth", dp), ("critical_exposure", ec)):
        if not (np.isfinite(values) & (values > 0.0)).all():
            raise QuantityError(f"{name} must be finite and above zero in every row.")
    exposure = settings.exposure(p, w)
    step = 1e-6
    by_radius = (np.log(settings.exposure(p, w * (1 + step))) - np.log(settings.exposure(p, w * (1 - step)))) / (
        2 * step
    )
    relative = np.hypot(np.asarray(power_uncertainty) / p, by_radius * np.asarray(beam_radius_uncertainty) / w)
    depth = cure.cure_depth(exposure, dp, ec)
    log = np.log(exposure / ec)
    u_dp, u_ec = np.asarray(penetration_depth_uncertainty), np.asarray(critical_exposure_uncertainty) / ec
    square = (dp * relative) ** 2 + (log * u_dp) ** 2 + (dp * u_ec) ** 2 - 2.0 * log * dp * correlation * u_dp * u_ec
    return np.asarray(depth), np.sqrt(np.maximum(square, 0.0))


def power_for_depth(
    *, settings: SettingsInForce, depth: float, beam_radius: float, penetration_depth: float, critical_exposure: float
) -> float:
    """Power in mW at which these settings just reach `depth`: exposure goes with power.

    Source: `gibson2015` eq. 4.10 solved for the power.

    >>> p = power_for_depth(settings=SettingsInForce(1000.0), depth=0.130923, beam_radius=0.125, penetration_depth=0.15,
    ...                     critical_exposure=0.08)
    >>> f"{p:.4f}"
    '30.0000'
    """
    needed = cure.exposure_for_depth(depth, penetration_depth, critical_exposure)
    return float(needed / settings.exposure(1.0, beam_radius))
