"""Fit the working curve of a resin lot: Dp and Ec with honest uncertainty, a plain verdict, nothing hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..statistics import diagnostics as _d
from ..statistics.coupon_line import CouponLine, coarse, coupon_line, stated_line
from ..statistics.intervals import chi_squared_p, inverse, slope_interval
from ..statistics.line import LineFit, line_of_moments, ordinary_line, york_line
from ..statistics.working_line import WorkingLine, correlation, covariance, log_threshold_sd, working_line
from ..units import IN_CM2, MJ_CM2, MM, Measured, Quantity, QuantityError
from .budget import budget, scales
from .conditions import conditions_of, unlike
from .coupons import CouponSet, coupons_from_arrays
from .findings import findings_of, gauge_step
from .fit import Fit, LeftOut, depths_of
from .laws import Bleaching, PowerThreshold, akaike, bleaching_fit, power_threshold_fit
from .outliers import outliers_of
from .prior import LinePrior
from .prior_use import PriorUse, line_with_prior, prior_use
from .verdict import extrapolation, law_findings, more_findings, robust_finding
from .wanted import WantedExposure, confident, exposures, wanted_exposure, widened

__all__ = ["Fit", "LeftOut", "PriorUse", "WantedExposure", "fit_coupons", "fit_working_curve"]


def fit_working_curve(
    *,
    exposure: Quantity,
    thickness: Quantity,
    coupon: Any | None = None,
    thickness_uncertainty: Quantity | None = None,
    exposure_uncertainty: Quantity | None = None,
    power: Quantity | None = None,
    scan_speed: Quantity | None = None,
    temperature: Quantity | None = None,
    run_order: Any | None = None,
    at_depth: Quantity | Sequence[Quantity] = (),
    exclude: Sequence[str] = (),
    confidence: float = 0.95,
    prior: LinePrior | None = None,
    prior_names: Sequence[str] = (),
    power_scale_uncertainty: Any = None,
    beam_radius_scale_uncertainty: Any = None,
    thickness_bias_uncertainty: Quantity | None = None,
    same_machine: bool = True,
    same_gauge: bool = True,
    will_set: str | None = None,
) -> Fit:
    r"""Fit Cd = Dp ln(E/Ec) to coupons.

    Parameters
    ----------
    exposure, thickness : Quantity [mJ/cm^2], [mm], (n,)
        One entry a reading.
    coupon : sequence, (n,), optional
        Labels: readings with the same label are one coupon and are averaged. Without labels each entry is a coupon.
    thickness_uncertainty : Quantity [mm], optional
        Standard uncertainty of each coupon's thickness. The line is then weighted, and these are taken as known.
    exposure_uncertainty : Quantity [mJ/cm^2], optional
        Random standard uncertainty of each exposure: errors in both axes (York 2004).
    power, scan_speed, temperature, run_order : optional, (n,)
        As recorded; used to see what was varied, to fit the power threshold law, and to find trends.
    at_depth : Quantity [mm], or a sequence of them
        Depths whose exposure is wanted.
    exclude : sequence of str
        Labels of coupons to leave out; the result says so.
    confidence : float
        Of all intervals, two-sided.
    prior : LinePrior, optional
        From earlier lots (`jobs.fitted.prior_from_resins`).
    prior_names : sequence of str
        What to call them in the result.
    power_scale_uncertainty, beam_radius_scale_uncertainty : float or Quantity, optional
        Relative standard uncertainties common to all coupons.
    thickness_bias_uncertainty : Quantity [mm], optional
        Standard uncertainty of an error common to all readings.
    same_machine, same_gauge : bool
        Whether the numbers will be used with the meter and beam, and with the gauge, that made them: then common errors cancel.
    will_set : str, optional
        `lines` or `rasters`, what will be set with the numbers: a beam radius error cancels only where that is what the coupons were.

    Returns
    -------
    Fit

    Raises
    ------
    QuantityError
        Fewer than three coupons, one exposure only, thickness that does not rise with exposure, arrays that do not match.

    Source: `jacobs1992` chapter 4 for the model; `gum` H.3, `iso28037`, `york2004` for the line; `fieller1954` for Ec. Valid
    at the wavelength, temperature and range of exposures of the coupons.

    >>> import numpy as np
    >>> from curecalc.units import Quantity as Q
    >>> e = Q(np.array([15.0, 20.0, 30.0, 40.0, 60.0]), "mJ/cm^2")
    >>> t = Q(np.array([96.0, 135.0, 201.0, 240.0, 303.0]), "um")
    >>> fit = fit_working_curve(exposure=e, thickness=t, at_depth=Q(0.15, "mm"))
    >>> f"{fit.penetration_depth.value.m_as('mm'):.4f} {fit.critical_exposure.value.m_as('mJ/cm^2'):.3f}"
    '0.1500 7.983'
    >>> f"{fit.exposure_for_depth[0].exposure.m_as('mJ/cm^2'):.2f}"
    '21.71'
    """
    coupons = coupons_from_arrays(
        exposure=exposure,
        thickness=thickness,
        coupon=coupon,
        thickness_uncertainty=thickness_uncertainty,
        exposure_uncertainty=exposure_uncertainty,
        power=power,
        scan_speed=scan_speed,
        temperature=temperature,
        run_order=run_order,
    )
    return fit_coupons(
        coupons,
        at_depth=at_depth,
        exclude=exclude,
        confidence=confidence,
        prior=prior,
        prior_names=prior_names,
        power_scale_uncertainty=power_scale_uncertainty,
        beam_radius_scale_uncertainty=beam_radius_scale_uncertainty,
        thickness_bias_uncertainty=thickness_bias_uncertainty,
        same_machine=same_machine,
        same_gauge=same_gauge,
        will_set=will_set,
    )


def fit_coupons(
    coupons: CouponSet,
    *,
    at_depth: Quantity | Sequence[Quantity] = (),
    exclude: Sequence[str] = (),
    confidence: float = 0.95,
    prior: LinePrior | None = None,
    prior_names: Sequence[str] = (),
    power_scale_uncertainty: Any = None,
    beam_radius_scale_uncertainty: Any = None,
    thickness_bias_uncertainty: Quantity | None = None,
    same_machine: bool = True,
    same_gauge: bool = True,
    will_set: str | None = None,
) -> Fit:
    """Like `fit_working_curve`, for coupons already read.

    Parameters
    ----------
    coupons : CouponSet
        From `read_coupons`.
    at_depth, exclude, confidence, prior, prior_names : optional
        As in `fit_working_curve`.
    power_scale_uncertainty, beam_radius_scale_uncertainty : optional
        As in `fit_working_curve`.
    thickness_bias_uncertainty, same_machine, same_gauge, will_set : optional
        As in `fit_working_curve`.

    Returns
    -------
    Fit

    Raises
    ------
    QuantityError

    Source: as `fit_working_curve`, valid as there.
    """
    confidence = confident(confidence)
    depths = depths_of(at_depth)
    stated = scales(
        power_scale_uncertainty=power_scale_uncertainty,
        beam_radius_scale_uncertainty=beam_radius_scale_uncertainty,
        thickness_bias_uncertainty=thickness_bias_uncertainty,
        same_machine=same_machine,
        same_gauge=same_gauge,
        will_set=will_set,
    )
    reasons = dict.fromkeys(exclude, "on request") | coupons.reasons
    used = coupons.without(list(reasons)) if reasons else coupons
    _enough(used)
    x, y = used.x, used.thickness
    judged, method = _judged(used)
    own, weight = judged.plain, judged.weight
    _rising(own, x)  # whatever earlier lots say
    line, prior_used = judged.line, None
    if prior is not None:
        line, share, conflict = line_with_prior(judged.line, prior)
        prior_used = prior_use(judged.line, prior, share, conflict, tuple(prior_names))
        method += "; with earlier lots" if share else ""
    working = _rising(line, x)
    parts = budget(
        random=float(log_threshold_sd(line)), penetration_depth=float(line.slope), stated=stated, raster="hatch_spacing" in used.settings
    )
    common = parts.here**2 - parts.random**2
    threshold = widened(inverse(line, 0.0, confidence=confidence), common, confidence)
    outliers = outliers_of(used, weight)
    findings = findings_of(used, own, weight, confidence=confidence)
    findings += more_findings(used, threshold.kind, reasons=reasons, prior=prior_used, whole=coupons)
    if prior is not None and prior.conditions:
        findings += unlike(conditions_of(coupons), prior.conditions)
    law, bent = _laws(used, confidence)
    plain = akaike(float(((y - own.y_mean - own.slope * (x - own.x_mean)) ** 2).sum()), len(used), 3)
    findings += law_findings(law, bent, plain)
    wanted = tuple(wanted_exposure(line, working, d, used, confidence, common) for d in depths)
    findings += [f for f in (extrapolation(w, used) for w in wanted) if f is not None]
    repeat, between = _components(used, own)
    ec = float(np.exp(threshold.value))
    test = _d.lack_of_fit(x, y, group=used.levels, weight=weight)
    known = not np.isfinite(own.t_degrees_of_freedom)
    robust = _d.robust_line(x, y)
    findings += robust_finding(robust, line)
    return Fit(
        penetration_depth=Measured(Quantity(float(line.slope), MM), Quantity(float(line.slope_sd), MM)),
        penetration_depth_interval=tuple(Quantity(float(v), MM) for v in slope_interval(line, confidence)),  # type: ignore[arg-type]
        critical_exposure=Measured(Quantity(ec, MJ_CM2), Quantity(ec * parts.here, MJ_CM2)),
        critical_exposure_interval=exposures(threshold),
        critical_exposure_set=str(threshold.kind),
        correlation=float(correlation(line)),
        covariance=covariance(line),
        residual_sd=Quantity(_scatter(used, own), MM),
        repeatability_sd=repeat,
        between_coupon_sd=between,
        degrees_of_freedom=own.degrees_of_freedom,
        confidence=confidence,
        method=method,
        line=line,
        data_line=own,
        working_line=working,
        coupons=used,
        weight=weight,
        left_out=_left_out(coupons, reasons),
        lack_of_fit=test,
        curvature=_d.curvature(x, y),
        chi_squared=(float(own.sum_of_squares), float(chi_squared_p(own.sum_of_squares, own.degrees_of_freedom))) if known else None,
        outliers=outliers,
        findings=tuple(findings),
        robust=robust,
        power_threshold=law,
        bleaching=bent,
        plain_criterion=plain,
        exposure_for_depth=wanted,
        budget=parts,
        prior=prior_used,
        scales=stated,
    )


# ---------------------------------------------------------------- inside


def _enough(coupons: CouponSet) -> None:
    n = len(coupons)
    where = f"{coupons.path}: " if coupons.path else ""
    if n < 3:
        more = f" ({coupons.readings.size} readings, but readings of one coupon count once)" if coupons.readings.size > n else ""
        raise QuantityError(
            f"{where}a working curve needs at least three coupons, got {n}{more}. Expose more; eight on four exposures are a good plan."
        )
    if not coupons.levels.any():
        raise QuantityError(
            f"{where}all {n} coupons have the same exposure, {IN_CM2 * coupons.exposure.max():.6g} mJ/cm^2. "
            "Vary it, over a factor of 4 or more."
        )


def _rising(line: LineFit, x: np.ndarray) -> WorkingLine:
    """The working line of these coupons; one that does not rise is refused."""
    return working_line(line, x_low=float(x.min()), x_high=float(x.max()))


def _judged(c: CouponSet) -> tuple[CouponLine, str]:
    """The line of the coupons and what was done in words."""
    x, y = c.x, c.thickness
    sx = None if c.exposure_sd is None else c.exposure_sd / c.exposure
    step = c.gauge_resolution or gauge_step(c.readings) or 0.0
    squares = float(_d.within_groups(c.readings, c.reading_of)[0])
    own = coupon_line(x, y, counts=c.counts, within_squares=squares, resolution=step)
    if c.thickness_sd is not None:
        judged = stated_line(x, y, own, sigma_y=c.thickness_sd, sigma_x=sx)
        said = "errors in both axes as stated (York 2004, errors of adjusted points)"
        method = said if sx is not None else "weighted by the stated thickness uncertainties"
        return judged, method if judged.stated else f"{_OWN[own.weight is not None]}: wider than with the stated uncertainties"
    if sx is None:
        return own, _OWN[own.weight is not None]
    fit, scatter = _york_unknown_y(x, y, sx)
    variance = scatter**2 + fit.slope**2 * sx**2
    level, slope = fit.scale / fit.weight_sum, fit.scale / fit.sxx
    line = line_of_moments(fit, level, slope, max(_scatter(c, fit) ** 2, variance.mean()), fit.t_degrees_of_freedom)
    return (
        CouponLine(coarse(line, step), fit, variance.mean() / variance),
        "errors in both axes (York 2004, errors of adjusted points), exposure's as stated, thickness's from the scatter",
    )


_OWN = ("ordinary least squares on coupon means", "coupon means weighted by their readings (two components, restricted likelihood)")


def _left_out(c: CouponSet, reasons: dict[str, str]) -> tuple[LeftOut, ...]:
    where = {label: i for i, label in enumerate(c.labels)}
    return tuple(
        LeftOut(label, IN_CM2 * float(c.exposure[where[label]]), float(c.thickness[where[label]]), why) for label, why in reasons.items()
    )


def _york_unknown_y(x: np.ndarray, y: np.ndarray, sx: np.ndarray) -> tuple[LineFit, float]:
    """Thickness scatter chosen so that chi-squared equals its degrees of freedom; t then has those degrees of freedom."""
    from scipy.optimize import brentq

    first = ordinary_line(x, y)
    _rising(first, x)
    dof = float(first.degrees_of_freedom)

    def more(scatter: float) -> float:
        return float(york_line(x, y, sx, scatter).sum_of_squares) - dof

    # with all of the residuals taken for thickness's scatter chi-squared is at most the degrees of freedom
    scatter = 0.0 if more(0.0) <= 0.0 else float(brentq(more, 0.0, float(first.residual_sd)))
    return replace(york_line(x, y, sx, scatter), t_degrees_of_freedom=dof), scatter


def _scatter(c: CouponSet, fit: LineFit) -> float:
    residual = c.thickness - fit.y_mean - fit.slope * (c.x - fit.x_mean)
    return float(np.sqrt((residual**2).sum() / fit.degrees_of_freedom))


def _components(c: CouponSet, fit: LineFit) -> tuple[Quantity | None, Quantity | None]:
    squares, dof = _d.within_groups(c.readings, c.reading_of)
    if not dof:
        return None, None
    repeat = float(np.sqrt(squares / dof))
    own = _scatter(c, fit) ** 2 - repeat**2 * float((1.0 / c.counts).mean())
    return Quantity(repeat, MM), Quantity(float(np.sqrt(max(own, 0.0))), MM)


def _laws(c: CouponSet, confidence: float) -> tuple[PowerThreshold | None, Bleaching | None]:
    law = None
    if "power" in c.settings:
        log_irradiance = np.log(c.settings["power"])
        if "beam_radius" in c.settings:
            log_irradiance = log_irradiance - 2.0 * np.log(c.settings["beam_radius"])
        law = power_threshold_fit(log_irradiance, c.x - log_irradiance, c.thickness, confidence=confidence)
    return law, bleaching_fit(c.x, c.thickness)
