"""Cured lines with units: an effective radius, Dp and Ec from widths and depths of lines drawn at several speeds."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..units import MJ_MM2, MM, MM_S, MW, Measured, Quantity, QuantityError, measured, positive, ratio, show_kernel
from .cured import CuredLines, cured_lines
from .measurement import BeamMeasurement, checked, estimate

__all__ = ["THRESHOLD_ERROR", "cured_line_beam"]

THRESHOLD_ERROR = 0.30 / math.sqrt(3.0)
"""Relative standard uncertainty of a threshold model of line size: about 30 % off in `tang2004`, taken as rectangular."""


def cured_line_beam(
    *,
    scan_speed: Quantity,
    line_width: Quantity | None = None,
    cure_depth: Quantity | None = None,
    power: Measured | Quantity | None = None,
    model_uncertainty: float = THRESHOLD_ERROR,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Effective beam radius (with Dp and Ec) from single cured lines, width^2 = 2 W0^2 ln(v0/v), depth = Dp ln(v0/v).

    Parameters
    ----------
    scan_speed : Quantity [mm/s], shape (n,)
    line_width : Quantity [mm], shape (n,)
        At the surface; NaN where not measured. Needed for a radius.
    cure_depth : Quantity [mm], shape (n,), optional
        NaN where not measured.
    power : Quantity or Measured [mW], optional
        At the resin surface; needed for Ec.
    model_uncertainty : float
        Relative standard uncertainty of the threshold model itself, carried by the radius.
    confidence : float

    Returns
    -------
    BeamMeasurement
        An indirect estimate: use a camera, a knife edge or a slit wherever one can be had.

    Raises
    ------
    QuantityError
        Too few lines or speeds, or no widths.

    Source: `gibson2015` eq. 4.14; `tang2004`: an exposure threshold model of line size was about 30 % off.

    >>> v = np.array([200.0, 500.0, 1000.0, 2000.0, 3000.0])
    >>> got = cured_line_beam(scan_speed=Quantity(v, "mm/s"),
    ...                       line_width=Quantity(0.125 * np.sqrt(2 * np.log(8000.0 / v)), "mm"))
    >>> f"{got.radius_x.value.m_as('um'):.1f}"
    '125.0'
    """
    v = np.atleast_1d(positive("scan_speed", scan_speed, MM_S))
    ratio("model_uncertainty", model_uncertainty, low=0.0, high=1.0, low_open=False)
    ratio("confidence", confidence, low=0.5, high=1.0, low_open=False)
    width, depth = _column("line_width", line_width, v), _column("cure_depth", cure_depth, v)
    if width is None or not np.isfinite(width).any():
        raise QuantityError(
            "line_width is missing: depths alone give Dp but no radius. Measure the widths of the lines, or measure the beam itself."
        )
    light: dict[str, float] = {}
    if power is not None:
        p = power if isinstance(power, Measured) else measured(power)
        light = {"power": positive("power", p.value, MW), "u_power": float(p.standard_uncertainty.m_as(MW))}
    found = checked(cured_lines, scan_speed=v, line_width=width, cure_depth=depth, **light)
    assert found.radius is not None
    assert found.u_radius is not None
    radius = estimate(
        found.radius,
        [
            ("fit (Type A)", found.u_radius, found.degrees_of_freedom),
            ("threshold model (Type B)", model_uncertainty * found.radius, math.inf),
        ],
        confidence=confidence,
    )
    return BeamMeasurement(
        kind="cured-lines",
        radius_x=radius,
        details=_details(found),
        warnings=tuple(_warnings(found, light.get("power"))),
        steps=tuple(_steps(found, light.get("power"))),
        fits=(("lines", found, v, (width, depth)),),
    )


def _column(name: str, value: Quantity | None, v: Any) -> Any:
    if value is None:
        return None
    array = np.atleast_1d(np.asarray(value.m_as(MM), dtype=np.float64))
    if array.shape != v.shape:
        raise QuantityError(f"{name} and scan_speed must be of one length, got {array.size} and {v.size}.")
    if np.isfinite(array).any():
        positive(name, Quantity(array[np.isfinite(array)], MM), MM)
    return array


def _details(f: CuredLines) -> dict[str, Any]:
    found: dict[str, Any] = {"vanishing_speed": Quantity(f.vanishing_speed, MM_S), "speed_range": f.speed_range}
    if f.penetration_depth is not None and f.u_penetration_depth is not None:
        found["penetration_depth"] = Measured(Quantity(f.penetration_depth, MM), Quantity(f.u_penetration_depth, MM))
    if f.critical_exposure is not None and f.u_critical_exposure is not None:
        found["critical_exposure"] = Measured(Quantity(f.critical_exposure, MJ_MM2), Quantity(f.u_critical_exposure, MJ_MM2))
    if f.width_sd is not None:
        found["width_sd"] = Quantity(f.width_sd, MM)
    if f.depth_sd is not None:
        found["depth_sd"] = Quantity(f.depth_sd, MM)
    found["agreement_p"] = f.agreement_p
    return found


def _warnings(f: CuredLines, power: float | None) -> list[str]:
    out = [
        (
            "an indirect estimate: published work found threshold models of line size about 30 % off (tang2004), and the radius carries "
            "that as a Type B part. It is the effective radius of this resin on this machine. Measure the beam with a camera, a knife edge "
            "or a slit where one can be had."
        )
    ]
    if f.agreement_p is not None and f.agreement_p < 0.01:
        out.append(
            f"widths and depths do not name the same speed at which a line vanishes (p = {f.agreement_p:.2g}): the threshold model does "
            "not hold for these widths, and the radius, Dp and Ec fitted together are not to be used. Measure the beam itself."
        )
    if f.speed_range < 4.0:
        out.append(f"the speeds span only {f.speed_range:.1f} to 1. Draw lines over a tenfold range of speeds.")
    if power is None:
        out.append("no power is given, so Ec is left out. Give power=, at the resin surface.")
    if not f.converged:
        out.append("the fit did not settle. Check the columns and their units.")
    return out


def _steps(f: CuredLines, power: float | None) -> list[Step]:
    mm = lambda v, u=None: show_kernel(v, "length", u)  # noqa: E731
    assert f.radius is not None
    assert f.u_radius is not None
    steps = [
        Step(
            "width^2 = 2 W0^2 ln(v0/v)",
            f"v0 = {f.vanishing_speed:.5g} mm/s",
            f"W0 = {mm(f.radius, f.u_radius)}",
            "A line is as wide as its exposure stays above Ec; against ln v the width squared is a straight line.",
        )
    ]
    if f.penetration_depth is not None and f.u_penetration_depth is not None:
        steps.append(
            Step(
                "depth = Dp ln(v0/v)",
                f"the same v0 = {f.vanishing_speed:.5g} mm/s",
                f"Dp = {mm(f.penetration_depth, f.u_penetration_depth)}",
                "The working curve, read against speed.",
            )
        )
    if f.critical_exposure is not None and power is not None:
        steps.append(
            Step(
                "Ec = sqrt(2/pi) P/(W0 v0)",
                f"sqrt(2/pi) x {power:.4g} mW / ({mm(f.radius)} x {f.vanishing_speed:.5g} mm/s)",
                show_kernel(f.critical_exposure, "exposure", f.u_critical_exposure),
                "At v0 the peak exposure of the line is just Ec.",
            )
        )
    return steps
