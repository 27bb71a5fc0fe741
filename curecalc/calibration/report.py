"""A fit as a JSON object, as text for a terminal, and as the arithmetic step by step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..setting.explain import Step
from ..statistics.intervals import t_factor
from ..symbols import percent
from ..units import IN_CM2, MJ_CM2, MM, NM, Quantity, figure, micrometres, show, span, to_json
from .findings import varied_settings

if TYPE_CHECKING:
    from .fit import Fit

__all__ = ["MOST_LISTED", "fit_dict", "fit_steps", "fit_text"]

MOST_LISTED = 2000
"""Most coupons listed one by one in JSON (`coupon_table`); with more it is null."""


def fit_dict(fit: Fit) -> dict[str, Any]:
    """The JSON object of the command `fit`."""
    c = fit.coupons
    test, bent = fit.lack_of_fit, fit.curvature
    ends = fit.confidence
    out: dict[str, Any] = {
        "penetration_depth": to_json(fit.penetration_depth, interval=fit.penetration_depth_interval, confidence=ends),
        "critical_exposure": to_json(fit.critical_exposure, interval=fit.critical_exposure_interval, confidence=ends)
        | {"interval_kind": fit.critical_exposure_set},
        "correlation": fit.correlation,
        "covariance": {"of": ["penetration_depth [mm]", "ln critical_exposure"], "matrix": fit.covariance.tolist()},
        "residual_sd": to_json(fit.residual_sd),
        "repeatability_sd": None if fit.repeatability_sd is None else to_json(fit.repeatability_sd),
        "between_coupon_sd": None if fit.between_coupon_sd is None else to_json(fit.between_coupon_sd),
        "coupons": len(c),
        "readings": int(c.readings.size),
        "degrees_of_freedom": fit.degrees_of_freedom,
        "method": fit.method,
        "lack_of_fit": None
        if test is None
        else {
            "f": _number(test.f),
            "p": float(test.p),
            "degrees_of_freedom": [test.lack_of_fit_degrees_of_freedom, test.pure_error_degrees_of_freedom],
            "lack_of_fit_squares": float(test.lack_of_fit_squares),
            "pure_error_squares": float(test.pure_error_squares),
        },
        "curvature": None
        if bent is None
        else {
            "coefficient": to_json(Quantity(float(bent.coefficient), MM)),
            "t": _number(bent.t),
            "p": float(bent.p),
            "degrees_of_freedom": bent.degrees_of_freedom,
        },
        "chi_squared": None
        if fit.chi_squared is None
        else dict(zip(("value", "p"), fit.chi_squared)) | {"degrees_of_freedom": fit.degrees_of_freedom},
        "outliers": [o.to_dict() for o in fit.outliers],
        "warnings": list(fit.warnings),
        "notes": list(fit.notes),
        "findings": [f.to_dict() for f in fit.findings],
        "exposure_for_depth": [w.to_dict() for w in fit.exposure_for_depth],
        "critical_exposure_budget": fit.budget.to_dict(),
        "robust": {
            "penetration_depth": to_json(Quantity(float(fit.robust.slope), MM)),
            "critical_exposure": to_json(Quantity(_exp(-fit.robust.intercept / fit.robust.slope), MJ_CM2)),
        },
        "power_threshold": _law(fit),
        "bleaching": _bleaching(fit),
        "plain_criterion": _number(fit.plain_criterion),
        "prior": None if fit.prior is None else fit.prior.to_dict(),
        "range": {
            "exposure": to_json(Quantity(IN_CM2 * np.array([c.exposure.min(), c.exposure.max()]), MJ_CM2)),
            "thickness": to_json(Quantity(np.array([c.thickness.min(), c.thickness.max()]), MM)),
        },
        "exposure_from": c.exposure_from,
        "excluded": list(fit.excluded),
        "left_out": [coupon.to_dict() for coupon in fit.left_out],
        "line": _line(fit),
        "coupon_table": _table(fit) if len(c) <= MOST_LISTED else None,
    }
    for name, value in c.names.items():
        out.setdefault(name, value)
    if c.wavelength is not None:
        out["wavelength"] = to_json(Quantity(c.wavelength, NM))
    if c.mean_temperature is not None:
        out["temperature"] = to_json(c.mean_temperature)
    if c.path:
        out["data"] = {"file": c.path, "sha256": c.sha256}
    return out


def _line(fit: Fit) -> dict[str, Any]:
    """The fitted line y = intercept + slope x, x = ln(E / 1 mJ cm^-2), y in mm, and its centre: enough to redo everything."""
    line = fit.line
    return {
        "x": "ln(exposure / 1 mJ cm^-2)",
        "slope": to_json(Quantity(float(line.slope), MM), Quantity(float(line.slope_sd), MM)),
        "intercept": to_json(Quantity(float(line.intercept), MM), Quantity(float(line.intercept_sd), MM)),
        "covariance": float(line.covariance),
        "x_mean": float(line.x_mean),
        "y_mean": to_json(Quantity(float(line.y_mean), MM), Quantity(float(np.sqrt(line.scale / line.weight_sum)), MM)),
        "sum_of_squares": float(line.sum_of_squares),
        "uncertainties": line.uncertainties,
        "t_degrees_of_freedom": _number(line.t_degrees_of_freedom),
    }


def _number(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _exp(value: Any) -> float:
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        return float(np.exp(value))


def _law(fit: Fit) -> dict[str, Any] | None:
    law = fit.power_threshold
    if law is None:
        return None
    return {
        "w": {"value": law.w, "interval": [_number(law.w_low), _number(law.w_high)], "confidence": fit.confidence},
        "p": law.p,
        "penetration_depth": to_json(Quantity(law.penetration_depth, MM), Quantity(law.penetration_depth_sd, MM)),
        "criterion": _number(law.criterion),
    }


def _bleaching(fit: Fit) -> dict[str, Any] | None:
    bent = fit.bleaching
    if bent is None:
        return None
    return {
        "penetration_depth": to_json(Quantity(bent.penetration_depth, MM)),
        "critical_exposure": to_json(Quantity(_exp(bent.log_threshold), MJ_CM2)),
        "bleaching_exposure": to_json(Quantity(bent.bleaching_exposure, MJ_CM2)),
        "p": bent.p,
        "criterion": _number(bent.criterion),
    }


def _table(fit: Fit) -> list[dict[str, Any]]:
    from ..statistics.diagnostics import influence

    c, own = fit.coupons, fit.data_line
    inf = influence(own, c.x, weight=fit.weight)
    at = fit.line.y_mean + fit.line.slope * (c.x - fit.line.x_mean)
    rows = []
    for i, record in enumerate(c.coupons()):
        rows.append(
            record.to_dict()
            | {
                "fitted": to_json(Quantity(float(at[i]), MM)),
                "residual": to_json(Quantity(float(c.thickness[i] - at[i]), MM)),
                "leverage": float(inf.leverage[i]),
                "studentised_residual": _number(inf.external[i]),
                "cook": _number(inf.cook[i]),
            }
        )
    return rows


# ---------------------------------------------------------------- text


def fit_text(fit: Fit) -> str:
    """The fit as people read it in a terminal."""
    c = fit.coupons
    sure = percent(fit.confidence)
    head = ", ".join(f"{k.replace('_', ' ')} {v}" for k, v in c.names.items() if k in ("resin", "lot", "machine", "date"))
    lines = [head] if head else []
    dp, ec = fit.penetration_depth, fit.critical_exposure
    dp_interval = _interval(fit.penetration_depth_interval, MM, dp.standard_uncertainty)
    ec_interval = _interval(fit.critical_exposure_interval, MJ_CM2, ec.standard_uncertainty)
    robust_ec = _exp(-fit.robust.intercept / fit.robust.slope)
    dof = fit.degrees_of_freedom
    wide = f"intervals reach {t_factor(fit.confidence, fit.line.t_degrees_of_freedom):.3g} standard uncertainties each way"
    lines += [
        f"penetration depth Dp   {show(dp)}   {sure}: {dp_interval}",
        f"critical exposure Ec   {show(ec)}   {sure}: {ec_interval}",
        f"correlation Dp, ln Ec  {fit.correlation:.4f}",
        f"scatter of coupons     {micrometres(fit.residual_sd.m_as(MM))} about the line, {dof} degrees of freedom: {wide}",
    ]
    if fit.repeatability_sd is not None and fit.between_coupon_sd is not None:
        within, between = (micrometres(sd.m_as(MM)) for sd in (fit.repeatability_sd, fit.between_coupon_sd))
        lines.append(f"                       {within} between readings, {between} between coupons")
    low, high = IN_CM2 * c.exposure.min(), IN_CM2 * c.exposure.max()
    varied = " by " + " and ".join(n.replace("_", " ") for n in varied_settings(c)) if c.settings else ""
    lines += [
        f"coupons                {len(c)} with {c.readings.size} readings, {span(low, high)} mJ/cm^2{varied}",
        f"method                 {fit.method}; exposure {c.exposure_from}",
        f"robust line beside     Dp {figure(float(fit.robust.slope))} mm, Ec {figure(robust_ec)} mJ/cm^2",
    ]
    for w in fit.exposure_for_depth:
        lines.append("")
        lines.append(f"for a depth of {show(w.depth)}: {show(w.exposure, w.mean_standard_uncertainty)}")
        for name, u, interval, speeds in (
            ("mean of many", w.mean_standard_uncertainty, w.mean_interval, w.mean_scan_speed_interval),
            ("next coupon", w.next_standard_uncertainty, w.next_interval, w.next_scan_speed_interval),
        ):
            speed = "" if speeds is None or w.scan_speed is None else (f"   speed {figure(w.scan_speed.m)} mm/s ({_speeds(speeds)})")
            lines.append(f"  {name:<14} {sure}: {_interval(interval, MJ_CM2, u)} mJ/cm^2{speed}")
    lines += ["", fit.budget.sentence]
    if fit.prior is not None:
        own = f"Dp {show(fit.prior.own_penetration_depth)}, Ec {show(fit.prior.own_critical_exposure)}"
        word = "With" if fit.prior.weight else "Beside"
        lines.append(f"{word} earlier lots: {', '.join(fit.prior.names)}. Without them {own}.")
    for title, items in (("Check", fit.warnings), ("Note", fit.notes)):
        if items:
            lines.append("")
            lines += [f"{title}: {sentence}" for sentence in items]
    return "\n".join(lines)


def _speeds(ends: tuple[Quantity, Quantity]) -> str:
    return span(*(float(q.m) for q in ends)) if all(np.isfinite(q.m) for q in ends) else "unbounded"


def _interval(interval: tuple[Quantity, Quantity], unit: Any, u: Quantity) -> str:
    if not all(np.isfinite(q.m) for q in interval):
        return "unbounded"
    spread = float(u.m_as(unit))
    return span(*(float(q.m_as(unit)) for q in interval), u=spread)


def fit_steps(fit: Fit) -> list[Step]:
    """The least-squares arithmetic with this lot's numbers."""
    c, own = fit.coupons, fit.data_line
    dp, ec = fit.penetration_depth.value.m_as(MM), fit.critical_exposure.value.m_as(MJ_CM2)
    first = c.labels[0]
    n, dof = len(c), own.degrees_of_freedom
    known = not np.isfinite(own.t_degrees_of_freedom) or fit.weight is not None
    t = t_factor(fit.confidence, fit.line.t_degrees_of_freedom)
    steps = []
    if c.readings.size > n:
        mine = c.readings[c.reading_of == 0]
        total = " + ".join(f"{v:.4g}" for v in mine[:6]) + (" + ..." if mine.size > 6 else "")
        steps.append(
            Step(
                "y = mean of a coupon's readings",
                f"{first}: ({total})/{mine.size} mm",
                f"{c.thickness[0]:.5g} mm",
                "Readings of one coupon are averaged: only coupons are evidence about the line.",
            )
        )
    steps.append(
        Step(
            "x = ln(E / 1 mJ cm^-2)",
            f"{first}: ln({IN_CM2 * c.exposure[0]:.5g})",
            f"{c.x[0]:.5f}",
            "Light dies off exponentially in the resin, so depth is a straight line against the logarithm of exposure.",
        )
    )
    word = "weighted sums" if known else "sums"
    steps.append(
        Step(
            "xbar, ybar, Sxx = sum (x - xbar)^2, Sxy = sum (x - xbar)(y - ybar)",
            f"{word} over {n} coupons",
            f"xbar {own.x_mean:.5f}, ybar {own.y_mean:.5f} mm, Sxx {own.sxx:.5g}, Sxy {own.sxx * own.slope:.5g} mm",
            "The line passes through the centre of gravity of the points.",
        )
    )
    steps.append(
        Step(
            "Dp = Sxy/Sxx",
            f"{own.sxx * own.slope:.5g} mm / {own.sxx:.5g}",
            f"{own.slope:.5g} mm",
            "The slope is the depth gained each time the exposure grows by a factor e.",
        )
    )
    steps.append(
        Step(
            "ln Ec = xbar - ybar/Dp, Ec = exp(ln Ec)",
            f"{own.x_mean:.5f} - {own.y_mean:.5f}/{own.slope:.5g}",
            f"{own.x_mean - own.y_mean / own.slope:.5f}, so Ec = {np.exp(own.x_mean - own.y_mean / own.slope):.5g} mJ/cm^2",
            "Where the line reaches zero depth, the exposure just gels the resin.",
        )
    )
    if np.isfinite(own.t_degrees_of_freedom):
        steps.append(
            Step(
                "s = sqrt(sum residual^2/(n - 2))",
                f"sqrt({own.sum_of_squares:.5g}/({n} - 2))",
                f"{own.residual_sd:.4g}{' mm' if fit.weight is None else ''}",
                f"Two numbers were fitted, so {dof} of {n} coupons are left to tell the scatter.",
            )
        )
    else:
        steps.append(
            Step(
                "chi^2 = sum (residual/u)^2",
                f"{own.sum_of_squares:.5g} on {dof} degrees of freedom",
                "",
                "The stated uncertainties are taken as they are; chi-squared near its degrees of freedom makes them believable.",
            )
        )
    scale = "s" if np.isfinite(own.t_degrees_of_freedom) else "1"
    steps.append(
        Step(
            f"u(Dp) = {scale}/sqrt(Sxx)",
            f"{np.sqrt(own.scale):.4g}/sqrt({own.sxx:.5g})",
            f"{own.slope_sd:.4g} mm",
            "Spreading the exposures (a large Sxx) pins the slope as surely as adding coupons.",
        )
    )
    if fit.prior is not None:
        steps.append(
            Step(
                "precisions add: V^-1 = V0^-1 + X'X/s^2, with the scatter s and the degrees of freedom of these coupons alone",
                f"weight of the earlier lots {percent(fit.prior.weight, '.2g')}",
                f"Dp {dp:.5g} mm, Ec {ec:.5g} mJ/cm^2",
                "Earlier lots pull the answer in proportion to how sure they are.",
            )
        )
    lead = fit.line.slope_sd
    steps.append(
        Step(
            f"Dp +- t u(Dp), t for {percent(fit.confidence)} and {_dof(fit.line.t_degrees_of_freedom)} degrees of freedom",
            f"{dp:.5g} +- {t:.4g} x {lead:.4g} mm",
            f"{span(dp - t * lead, dp + t * lead)} mm",
            "With few coupons the factor is far above 2, because the scatter itself is poorly known.",
        )
    )
    g = (t * lead / dp) ** 2
    low, high = (q.m_as(MJ_CM2) for q in fit.critical_exposure_interval)
    steps.append(
        Step(
            "Ec: all E with |line at ln E| <= t u(line at ln E) (Fieller)",
            f"g = (t u(Dp)/Dp)^2 = {g:.4g}",
            f"{span(low, high)} mJ/cm^2" if np.isfinite(high) else "unbounded",
            "Ec comes from a ratio, so its interval is lopsided: these are the exposures at which zero depth is credible.",
        )
    )
    for w in fit.exposure_for_depth:
        d = w.depth.m_as(MM)
        steps.append(
            Step(
                "E = Ec exp(Cd/Dp)",
                f"{ec:.5g} mJ/cm^2 x exp({d:.5g}/{dp:.5g})",
                f"{w.exposure.m_as(MJ_CM2):.5g} mJ/cm^2",
                f"The line read backwards gives the exposure for {d:.4g} mm.",
            )
        )
    return steps


def _dof(value: float) -> str:
    return f"{value:g}" if np.isfinite(value) else "unlimited"
