"""The depth that one fixed set of settings would have given as laser, spot and resin moved: the number that matters."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..physics.laws import Law, Plain
from ..setting.model import Form, cure_law, doses
from ..statistics.uncertainty import log_gradient, standard_uncertainties

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
    cross_hatch: bool = False

    def __post_init__(self) -> None:
        if not (self.scan_speed > 0.0 and math.isfinite(self.scan_speed)):
            raise QuantityError(f"scan_speed must be finite and above zero, got {self.scan_speed:g} mm/s.")
        if self.hatch_spacing is not None and not self.hatch_spacing > 0.0:
            raise QuantityError(f"hatch_spacing must be above zero, got {self.hatch_spacing:g} mm.")

    def form(self, law: type[Law] = Plain) -> Form:
        """The kind of calculation the settings ask of the model."""
        return Form(law, raster=self.hatch_spacing is not None, cross_hatch=self.cross_hatch)

    def inputs(self, power: Any, beam_radius: Any, constants: Mapping[str, Any]) -> dict[str, Any]:
        """Named inputs of the model for a power and a radius as read, and the constants of the resin's law."""
        own = {"power": self.power_share * power, "beam_radius": self.beam_share * beam_radius, "scan_speed": self.scan_speed}
        spacing = {} if self.hatch_spacing is None else {"hatch_spacing": self.hatch_spacing}
        return own | spacing | {"passes": float(self.passes), **constants}


def depth_over_time(
    *,
    settings: SettingsInForce,
    power: Any,
    beam_radius: Any,
    penetration_depth: Any,
    critical_exposure: Any,
    power_uncertainty: Any = 0.0,
    beam_radius_uncertainty: Any = 0.0,
    penetration_depth_uncertainty: Any = 0.0,
    critical_exposure_uncertainty: Any = 0.0,
    correlation: Any = 0.0,
    law: type[Law] = Plain,
    **constants: Any,
) -> tuple[np.ndarray, np.ndarray]:
    r"""Cure depth of the weakest place and its standard uncertainty for each row of what was known then, in mm.

    Uncertainty to first order from power, radius, Dp and Ec with the correlation of Dp and ln Ec. All stated uncertainties enter in
    full: where the same meter served calibration and machine its scale error cancels, and the depth is better known than this says.

    Parameters
    ----------
    settings : SettingsInForce
    power, beam_radius, penetration_depth, critical_exposure : array_like [mW, mm, mm, mJ/mm^2]
        Broadcast together; uncertainties likewise.
    law : type of Law
        The resin's cure law; its further constants by name.

    Source: `gibson2015` eq. 4.10 for the depth, `gum` 5.2.2 for the uncertainty. Depth is 0 where nothing gels.

    >>> d, u = depth_over_time(settings=SettingsInForce(1000.0), power=30.0, beam_radius=0.125, penetration_depth=0.15,
    ...                        critical_exposure=0.08, power_uncertainty=0.6)
    >>> f"{d:.6f} +- {u:.6f}"
    '0.130923 +- 0.003000'
    """
    given = {"power": power, "beam_radius": beam_radius, "penetration_depth": penetration_depth, "critical_exposure": critical_exposure}
    given = {name: np.asarray(x, dtype=np.float64) for name, x in given.items()}
    for name, values in given.items():
        if not (np.isfinite(values) & (values > 0.0)).all():
            raise QuantityError(f"{name} must be finite and above zero in every row.")
    form = settings.form(law)

    def height(x: Mapping[str, Any]) -> dict[str, Any]:
        at = settings.inputs(x["power"], x["beam_radius"], {k: v for k, v in x.items() if k not in ("power", "beam_radius")})
        return {"height": cure_law(at, form).height(doses(at, form)["min"])}

    x = {**given, **constants}
    spread = (power_uncertainty, beam_radius_uncertainty, penetration_depth_uncertainty, critical_exposure_uncertainty)
    relative = {name: np.asarray(u) / given[name] for name, u in zip(given, spread)}
    u = standard_uncertainties(log_gradient(height, x, list(given)), relative, {("penetration_depth", "critical_exposure"): correlation})
    return np.maximum(height(x)["height"], 0.0), np.asarray(u["height"])


def power_for_depth(
    *,
    settings: SettingsInForce,
    depth: float,
    beam_radius: float,
    penetration_depth: float,
    critical_exposure: float,
    law: type[Law] = Plain,
    **constants: Any,
) -> float:
    """Power in mW at which these settings just reach `depth`: the dose goes with a power of the power.

    Source: `gibson2015` eq. 4.10 solved for the power.

    >>> p = power_for_depth(settings=SettingsInForce(1000.0), depth=0.130923, beam_radius=0.125, penetration_depth=0.15,
    ...                     critical_exposure=0.08)
    >>> f"{p:.4f}"
    '30.0000'
    """
    form, known = (settings.form(law), {"penetration_depth": penetration_depth, "critical_exposure": critical_exposure, **constants})
    at = settings.inputs(1.0, beam_radius, known)
    cure = cure_law(at, form)
    return float((cure.dose(depth) / doses(at, form)["min"]) ** (1.0 / cure.exponent))
