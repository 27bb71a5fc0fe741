r"""How sure a depth is, and the exposure that makes it as sure as asked. Plain floats in mm and mJ/mm^2, over arrays.

Depth at x = ln(E / 1 mJ mm^-2) is Dp (x - ln Ec). Its variance has a part the coupons supply (type A, with the degrees of
freedom of the fit) and a part from what may differ between the coupons and the build (type B: power, spot, speed, spacing,
recoating). Student's t belongs to the first, the normal distribution to the second. For their sum two approximations are
in use: the effective degrees of freedom of Welch and Satterthwaite, a little short of the stated confidence when coupons
are few, and each part with its own factor, added in squares, a little beyond it. The coverage factor here is the root mean
square of the two: over simulated shops it stays closest to what is stated (`reference/data/assured_layers.csv`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from ..errors import NoSolution, QuantityError
from ..physics.laws import Law, Plain
from ..physics.roots import falling_root
from ..statistics.intervals import t_quantile

__all__ = [
    "Curve",
    "Errors",
    "assurance_of",
    "assured_log_exposure",
    "curve_from_covariance",
    "depth_state",
    "normal_factor",
    "quick_factor",
    "reach_beyond",
    "relative_variance",
]

STEPS = 60
_STEP = 1e-6
_SHARES = np.linspace(0.0, 1.0, 4097)


@dataclass(frozen=True)
class Curve:
    """A fitted working curve as numbers, described at its centre, where height and slope are uncorrelated.

    Attributes
    ----------
    penetration_depth : float
        Dp (mm).
    log_threshold : float
        ln(Ec / 1 mJ mm^-2).
    centre : float
        x at which height and slope are uncorrelated.
    centre_variance, slope_variance : float
        Variance of the mean depth there (mm^2), and of Dp (mm^2).
    layer_variance : float
        Variance of a single coupon or layer about the curve (mm^2).
    degrees_of_freedom : float
        Of all three variances; infinite where they were stated rather than estimated.
    low, high : float or None
        Range of x the coupons covered.
    law : Law, optional
        The cure law, where it is not the plain one; `penetration_depth` then is the rise of depth with ln dose where it is straight.
    unsure : tuple of (name, float)
        Relative standard uncertainties of the law's other constants.
    """

    penetration_depth: float
    log_threshold: float
    centre: float
    centre_variance: float
    slope_variance: float
    layer_variance: float
    degrees_of_freedom: float
    low: float | None = None
    high: float | None = None
    law: Law | None = None
    unsure: tuple[tuple[str, float], ...] = ()

    @cached_property
    def cure(self) -> Law:
        """The cure law; the plain one where none was named."""
        return self.law or Plain(self.penetration_depth, np.exp(self.log_threshold))

    @property
    def straight(self) -> bool:
        """Whether depth is a straight line over ln dose, so that a coordinate is ln dose itself."""
        return self.law is None or self.cure.reach is not None

    def coordinate(self, x: Any) -> Any:
        """Where a ln dose stands on the line of slope `penetration_depth`: the ln dose of the straight curve of the same depth."""
        if self.straight:
            return x
        return self.log_threshold + self.cure.height(np.exp(x)) / self.penetration_depth

    def log_dose(self, coordinate: Any) -> Any:
        """The ln dose at a coordinate."""
        if self.straight:
            return coordinate
        return np.log(self.cure.dose((coordinate - self.log_threshold) * self.penetration_depth))

    def slope(self, coordinate: Any) -> Any:
        """Rise of depth with ln dose at a coordinate."""
        return self.penetration_depth if self.straight else self.cure.slope(np.exp(self.log_dose(coordinate)))

    def own_variance(self, coordinate: Any) -> Any:
        """Variance of depth (mm^2) from constants of the law other than Dp and Ec."""
        total: Any = 0.0
        for name, u in self.unsure:
            dose = np.exp(self.log_dose(coordinate))
            up, down = (replace(self.cure, **{name: getattr(self.cure, name) * math.exp(s)}).height(dose) for s in (_STEP, -_STEP))
            total = total + ((up - down) / (2.0 * _STEP) * u) ** 2
        return total

    @property
    def log_threshold_variance(self) -> Any:
        """Variance of ln Ec."""
        own = self.centre_variance + (self.log_threshold - self.centre) ** 2 * self.slope_variance
        return own / self.slope(self.log_threshold) ** 2


@dataclass(frozen=True)
class Errors:
    """What may differ between the coupons and the build, as standard uncertainties.

    Relative ones are of the quantity named. `beam_radius_scale` is the systematic part of the radius; where the coupons
    were made with the same beam, `coupon_radius_power` is the power of the radius in the coupons' exposure (-1 for lines,
    0 for rasters stated by their mean) and the part common to both cancels. None: nothing cancels.
    `layer_thickness` (mm) is recoating from layer to layer and moves single layers only; `depth_bias` (mm) is a standing
    error of the thickness gauge.
    """

    power: float = 0.0
    exposure_scale: float = 0.0
    beam_radius: float = 0.0
    beam_radius_scale: float = 0.0
    coupon_radius_power: float | None = None
    scan_speed: float = 0.0
    hatch_spacing: float = 0.0
    layer_thickness: float = 0.0
    depth_bias: float = 0.0


def curve_from_covariance(
    *,
    penetration_depth: float,
    log_threshold: float,
    variance_depth: float,
    variance_log: float,
    covariance: float,
    layer_variance: float,
    degrees_of_freedom: float,
    low: float | None = None,
    high: float | None = None,
    **more: Any,
) -> Curve:
    r"""The curve whose Dp and ln Ec have this covariance: the square completed in x.

    var(depth) = V (x - L)^2 - 2 Dp C (x - L) + Dp^2 U, with V, U, C the variances and covariance of Dp and L = ln Ec.

    Raises
    ------
    QuantityError
        A covariance no pair of quantities can have.
    """
    dp, big_v, big_u, c = penetration_depth, variance_depth, variance_log, covariance
    if big_v < 0.0 or big_u < 0.0 or c * c > big_v * big_u * (1.0 + 1e-9):
        raise QuantityError("the covariance of penetration_depth and critical_exposure contradicts itself.")
    if big_v == 0.0:
        centre, left = log_threshold, big_u
    else:
        centre, left = log_threshold + dp * c / big_v, max(big_u - c * c / big_v, 0.0)
    return Curve(dp, log_threshold, centre, dp * dp * left, big_v, layer_variance, degrees_of_freedom, low, high, **more)


def relative_variance(errors: Errors, radius: Any, speed: Any, spacing: Any, power: Any = 1.0, turn: Any = 0.0) -> Any:
    """Variance of ln dose from the build, for the powers of radius, speed, spacing and power in the dose, and what a turned spot costs."""
    held = 0.0 if errors.coupon_radius_power is None else errors.coupon_radius_power
    return (
        (power * errors.power) ** 2
        + (power * errors.exposure_scale) ** 2
        + (radius * errors.beam_radius) ** 2
        + ((radius - held) * errors.beam_radius_scale) ** 2
        + (speed * errors.scan_speed) ** 2
        + (spacing * errors.hatch_spacing) ** 2
        + turn**2
    )


def _type_b(curve: Curve, errors: Errors, relative: Any, single: bool, coordinate: Any) -> Any:
    own = errors.depth_bias**2 + (errors.layer_thickness**2 if single else 0.0)
    return curve.slope(coordinate) ** 2 * relative + own + curve.own_variance(coordinate)


def _effective(type_a: Any, type_b: Any, dof: float) -> Any:
    """Effective degrees of freedom of a type A variance with `dof` and a known type B variance."""
    with np.errstate(divide="ignore"):
        return dof / _share(type_a, type_b) ** 2


def _share(type_a: Any, type_b: Any) -> Any:
    """The type A share of the variance; none where nothing varies."""
    with np.errstate(invalid="ignore"):
        return np.nan_to_num(np.asarray(type_a / np.asarray(type_a + type_b)))


def _factor(type_a: Any, type_b: Any, dof: float, assurance: float) -> Any:
    """One-sided coverage factor of the whole variance; see the top of this module."""
    t, z = (t_quantile(assurance, nu) for nu in (dof, np.inf))
    share, effective = _share(type_a, type_b), t_quantile(assurance, _effective(type_a, type_b, dof))
    return np.sqrt(0.5 * (effective**2 + share * t**2 + (1.0 - share) * z**2))


@lru_cache
def _factor_table(dof: float, assurance: float) -> Any:
    """`_factor` over the type A share of the variance, for searches that ask it thousands of times."""
    return _factor(_SHARES, 1.0 - _SHARES, dof, assurance)


def quick_factor(type_a: Any, type_b: Any, dof: float, assurance: float) -> Any:
    """`_factor` from its table: good to about 1e-7."""
    return np.interp(_share(type_a, type_b), _SHARES, _factor_table(dof, assurance))


def depth_state(curve: Curve, errors: Errors, x: Any, relative: Any, *, single: bool, lever: Any = 0.0) -> dict[str, Any]:
    """Depth at x, its standard uncertainty, the variances it is made of, and the effective degrees of freedom.

    `lever` is d x/d ln Dp where the dose itself depends on Dp, as that of many layers does.
    """
    x = np.asarray(curve.coordinate(x), float)
    depth = curve.penetration_depth * (x - curve.log_threshold)
    type_a = curve.centre_variance + (x - curve.centre + lever) ** 2 * curve.slope_variance
    type_a = type_a + (curve.layer_variance if single else 0.0)
    type_b = np.asarray(_type_b(curve, errors, relative, single, x), float)
    return {
        "depth": depth[()],
        "standard_uncertainty": np.sqrt(type_a + type_b)[()],
        "degrees_of_freedom": _effective(type_a, type_b, curve.degrees_of_freedom)[()],
        "type_a": type_a[()],
        "type_b": type_b[()],
    }


def reach_beyond(curve: Curve, errors: Errors, x: Any, relative: Any, *, assurance: float, single: bool, lever: Any = 0.0) -> Any:
    """How far above its expected value the depth at x may lie, one-sided with that confidence (mm)."""
    state = depth_state(curve, errors, x, relative, single=single, lever=lever)
    factor = quick_factor(state["type_a"], state["type_b"], curve.degrees_of_freedom, assurance)
    return factor * state["standard_uncertainty"]


def normal_factor(assurance: float) -> float:
    """One-sided coverage factor of a normal distribution."""
    return float(t_quantile(assurance, np.inf))


def assurance_of(curve: Curve, errors: Errors, x: Any, relative: Any, target: Any, *, single: bool) -> Any:
    """One-sided confidence that the depth at x reaches `target`: the inverse of `assured_log_exposure`."""
    from scipy.special import ndtr, ndtri

    state = depth_state(curve, errors, x, relative, single=single)
    u, gap = np.asarray(state["standard_uncertainty"]), np.asarray(state["depth"] - target)
    u, gap, type_a, type_b = np.broadcast_arrays(u, gap, state["type_a"], state["type_b"])
    # how many standard uncertainties the depth lies off, and the normal deviate whose coverage factor is as large
    off = falling_root(
        lambda z: u * _factor(type_a, type_b, curve.degrees_of_freedom, ndtr(-z)), np.abs(gap), ndtri(np.finfo(float).eps), 0.0
    )
    return ndtr(np.copysign(off, gap))[()]


def assured_log_exposure(curve: Curve, errors: Errors, relative: Any, target: Any, *, assurance: float, single: bool) -> Any:
    r"""The least x at which the one-sided lower confidence bound of depth reaches `target`.

    Parameters
    ----------
    curve : Curve
    errors : Errors
    relative : float64
        Variance of ln E from the build (`relative_variance`); broadcasts with `target`.
    target : float64
        Depth to be reached (mm).
    assurance : float
        One-sided confidence, from 0.5 to below 1.
    single : bool
        For one future layer; otherwise for the mean of many.

    Returns
    -------
    float64

    Raises
    ------
    NoSolution
        The slope is told from zero too badly: at no exposure the bound reaches the depth.

    With k the t quantile at the effective degrees of freedom, c the variance that does not depend on x, v that of the slope:
    (height + Dp d - target)^2 = k^2 (c + d^2 v), the larger root d = x - centre; repeated until d settles.

    Source: `fieller1954` for the bound, `gum` G.4 for the effective degrees of freedom. Valid for normal errors; exact
    where the build adds nothing, else within the coverage of `reference/data/assured_layers.csv`.
    """
    if not 0.5 <= assurance < 1.0:
        raise QuantityError(f"assurance must be at least 0.5 and below 1, got {assurance:g}. A usual value is 0.95.")
    dp, v = curve.penetration_depth, curve.slope_variance
    own = curve.centre_variance + (curve.layer_variance if single else 0.0)
    gap = np.asarray(target, float) - dp * (curve.centre - curve.log_threshold)
    gap, relative = np.broadcast_arrays(gap, relative)
    d = gap / dp
    bent = not curve.straight or curve.unsure
    type_b = np.asarray(_type_b(curve, errors, relative, single, curve.centre + d), float)
    for _ in range(STEPS):
        last = d
        if bent:
            type_b = np.asarray(_type_b(curve, errors, relative, single, curve.centre + d), float)
        k = quick_factor(own + d * d * v, type_b, curve.degrees_of_freedom, assurance)
        lead = dp * dp - k * k * v
        if np.any(lead <= 0.0):
            raise NoSolution(
                f"penetration_depth is not told from zero at an assurance of {assurance:g}: no exposure is sure to reach the depth.",
                limit="coupons",
                remedy="Expose more coupons over a wider range of exposures, or ask for less assurance.",
            )
        d = (dp * gap + k * np.sqrt(gap * gap * v + lead * (own + type_b))) / lead
        if not np.any(np.abs(d - last) > 1e-12):
            break
    return np.asarray(curve.log_dose(curve.centre + d))[()]
