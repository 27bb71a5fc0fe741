"""The record of a fitted working curve: what it is, what it answers, how it shows itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..setting.holders import HoldsBeam
from ..setting.solution import Solution
from ..setting.solving import solve
from ..statistics import diagnostics as _d
from ..statistics.line import LineFit
from ..statistics.working_line import WorkingLine, depth_at
from ..units import MJ_CM2, MM, NM, Measured, Quantity, Shown, positive, show, to_json
from .budget import Budget, Scales
from .coupons import Coupon, CouponSet
from .findings import Finding
from .laws import Bleaching, PowerThreshold
from .outliers import Outlier
from .prior_use import PriorUse
from .wanted import WantedExposure, wanted_exposure

__all__ = ["Fit", "LeftOut", "depths_of"]


@dataclass(frozen=True)
class LeftOut:
    """A coupon left out of the fit, where it lies (mJ/cm^2, mm), and why: its `reason` in the table, or `on request`."""

    label: str
    exposure: float
    thickness: float
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "coupon": self.label,
            "exposure": to_json(Quantity(self.exposure, MJ_CM2)),
            "thickness": to_json(Quantity(self.thickness, MM)),
            "reason": self.reason,
        }


@dataclass(frozen=True)
class Fit(Shown):
    """A fitted working curve. `to_dict()` is the JSON of the command `fit`.

    Attributes
    ----------
    penetration_depth, critical_exposure : Measured
    penetration_depth_interval, critical_exposure_interval : tuple of Quantity
        Student t interval of Dp; exact (Fieller) interval of Ec, infinite where unbounded.
    critical_exposure_set : str
        `bounded`, or `outside`/`everything` where the exact set of Ec is not bounded.
    correlation : float
        Of Dp and ln Ec; `covariance` is the matrix of (Dp in mm, ln Ec).
    residual_sd : Quantity
        Scatter of coupons about the line.
    line, data_line : LineFit
        The line used, and that of the coupons alone (they differ only with earlier lots).
    coupons : CouponSet
    warnings : tuple of str
        Sentences of the findings that call for action.
    """

    penetration_depth: Measured
    penetration_depth_interval: tuple[Quantity, Quantity]
    critical_exposure: Measured
    critical_exposure_interval: tuple[Quantity, Quantity]
    critical_exposure_set: str
    correlation: float
    covariance: np.ndarray
    residual_sd: Quantity
    repeatability_sd: Quantity | None
    between_coupon_sd: Quantity | None
    degrees_of_freedom: int
    confidence: float
    method: str
    line: LineFit
    data_line: LineFit
    working_line: WorkingLine
    coupons: CouponSet
    weight: np.ndarray | None
    left_out: tuple[LeftOut, ...]
    lack_of_fit: _d.LackOfFit | None
    curvature: _d.Term | None
    chi_squared: tuple[float, float] | None
    outliers: tuple[Outlier, ...]
    findings: tuple[Finding, ...]
    robust: Any
    power_threshold: PowerThreshold | None
    bleaching: Bleaching | None
    plain_criterion: float
    exposure_for_depth: tuple[WantedExposure, ...]
    budget: Budget
    prior: PriorUse | None
    scales: Scales

    @property
    def excluded(self) -> tuple[str, ...]:
        """Labels of the coupons left out."""
        return tuple(coupon.label for coupon in self.left_out)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What calls for action, as sentences: first the outliers, then the other findings."""
        return tuple(o.sentence for o in self.outliers if o.check) + tuple(f.sentence for f in self.findings if f.level == "warning")

    @property
    def notes(self) -> tuple[str, ...]:
        """What is worth knowing, as sentences."""
        return tuple(o.sentence for o in self.outliers if not o.check) + tuple(f.sentence for f in self.findings if f.level == "note")

    def depth(self, exposure: Quantity) -> Measured:
        """Cure depth at an exposure, with the standard uncertainty of the fitted curve there; zero where nothing gels.

        Parameters
        ----------
        exposure : Quantity [mJ/cm^2]
            Scalar or array.

        >>> from curecalc.calibration import fit_working_curve
        >>> from curecalc.units import Quantity as Q
        >>> fit = fit_working_curve(exposure=Q([15.0, 20.0, 30.0, 40.0], "mJ/cm^2"), thickness=Q([96.0, 135.0, 201.0, 240.0], "um"))
        >>> f"{fit.depth(Q(25.0, 'mJ/cm^2')).value.m_as('mm'):.3f}"
        '0.171'
        """
        e = positive("exposure", exposure, MJ_CM2)
        value, mean, _ = depth_at(self.working_line, np.log(e))
        return Measured(Quantity(np.maximum(value, 0.0)[()], MM), Quantity(np.where(value > 0.0, mean, 0.0)[()], MM))

    def exposure(self, depth: Quantity) -> WantedExposure:
        """The exposure for a depth with its intervals, for the mean and for one future coupon."""
        common = self.budget.here**2 - self.budget.random**2
        return wanted_exposure(self.line, self.working_line, depths_of(depth)[0], self.coupons, self.confidence, common)

    def resin(self) -> Resin:
        """The fitted resin, for settings: Dp and Ec with their uncertainties and correlation, and the depths of the coupons."""
        depths = self.coupons.thickness
        return Resin(
            penetration_depth=self.penetration_depth,
            critical_exposure=self.critical_exposure,
            correlation=self.correlation,
            depth_range=(Quantity(float(depths.min()), MM), Quantity(float(depths.max()), MM)),
            name=self.coupons.names.get("resin", ""),
            wavelength=None if self.coupons.wavelength is None else Quantity(self.coupons.wavelength, NM),
        )

    def scan_speed(self, *, beam: Beam | HoldsBeam, scan: Scan | None = None, depth: Quantity) -> Solution:
        """The scan speed at which the weakest place reaches a depth in this resin, as `solve` gives it.

        >>> from curecalc.calibration import fit_working_curve
        >>> from curecalc.units import Quantity as Q
        >>> fit = fit_working_curve(exposure=Q([15.0, 20.0, 30.0, 40.0], "mJ/cm^2"), thickness=Q([96.0, 135.0, 201.0, 240.0], "um"))
        >>> speed = fit.scan_speed(beam=Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm")), depth=Q(0.15, "mm"))
        >>> f"{speed.value.m_as('mm/s'):.0f}"
        '882'
        """
        return solve("scan_speed", beam=beam, resin=self.resin(), scan=scan, cure_depth=depth)

    def coupon_records(self) -> list[Coupon]:
        """One frozen record a coupon used."""
        return self.coupons.coupons()

    def rows(self) -> list[tuple[str, str]]:
        """Dp, Ec and how well they are known."""
        rows = [
            ("penetration depth", show(self.penetration_depth)),
            ("critical exposure", show(self.critical_exposure)),
            ("correlation of Dp and ln Ec", f"{self.correlation:.3f}"),
            ("scatter of coupons", show(self.residual_sd)),
            ("coupons", str(len(self.coupons))),
        ]
        rows += [(f"exposure for {show(w.depth)}", show(w.exposure)) for w in self.exposure_for_depth]
        return rows

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command `fit`."""
        from .report import fit_dict

        return fit_dict(self)


def depths_of(at_depth: Any) -> list[float]:
    """The depths asked for (one or several, with units), in mm."""
    items = [at_depth] if isinstance(at_depth, Quantity) else list(at_depth)
    out: list[float] = []
    for item in items:
        out += [float(d) for d in np.atleast_1d(positive("at_depth", item, MM))]
    return out
