"""Cured lines at several speeds to an effective radius, Dp and Ec: an indirect estimate, to be taken with caution.

Plain float64, mm, mm/s, mW, mJ/mm^2. A line drawn at speed v has width^2 = 2 W0^2 ln(v0/v) and depth = Dp ln(v0/v),
with v0 the speed at which the line vanishes, v0 = sqrt(2/pi) P/(W0 Ec): one straight line each against ln v.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..physics import line
from ..statistics.intervals import t_p
from ..statistics.least_squares import Fit, fit

__all__ = ["CuredLines", "cured_lines"]

_FASTEST = math.log(np.finfo(np.float64).max)
"""Logarithm of the greatest speed that a float holds: lines that hardly change with speed would vanish beyond it."""


@dataclass(frozen=True)
class CuredLines:
    """What widths or depths of single cured lines say; None for what was not measured.

    `vanishing_speed` is v0. `agreement_p` is the probability that widths and depths name the same v0; a small one says
    the threshold model does not hold for the widths.
    """

    radius: float | None
    u_radius: float | None
    penetration_depth: float | None
    u_penetration_depth: float | None
    critical_exposure: float | None
    u_critical_exposure: float | None
    vanishing_speed: float
    u_log_vanishing_speed: float
    degrees_of_freedom: int
    width_sd: float | None
    depth_sd: float | None
    agreement_p: float | None
    speed_range: float
    converged: bool


def _root(log_vanishing: float, x: Any) -> Any:
    """Width over radius; no number, so that the fit steps back, where lines would vanish that were seen."""
    return np.sqrt(2.0 * (log_vanishing - x))


def _widths(x: Any, y: Any) -> Fit:
    """width = a sqrt(2 (lv - x)) with a the radius: fitted in the width itself, where errors are about equal."""
    slope, intercept = np.polyfit(x, y * y, 1)

    def model(p: Any) -> tuple[Any, Any]:
        radius, root = np.exp(p[0]), _root(p[1], x)
        return radius * root, np.stack([radius * root, radius / root], axis=1)

    if slope < 0.0:
        found = fit(model, y, [0.5 * math.log(-0.5 * slope), max(-intercept / slope, float(x.max()) + 1e-3)])
        if found.parameters[1] < _FASTEST:
            return found
    raise ValueError(
        "the lines do not get narrower as the speed rises, so they cannot tell the beam radius. "
        "Check the columns, and draw lines over a tenfold range of speeds."
    )


def _depths(x: Any, y: Any) -> Fit:
    slope, intercept = np.polyfit(x, y, 1)

    def model(p: Any) -> tuple[Any, Any]:
        dp = np.exp(p[0])
        return dp * (p[1] - x), np.stack([dp * (p[1] - x), np.full_like(x, dp)], axis=1)

    if slope < 0.0:
        found = fit(model, y, [math.log(-slope), -intercept / slope])
        if found.parameters[1] < _FASTEST:
            return found
    raise ValueError(
        "the lines do not get shallower as the speed rises, so they cannot tell Dp. "
        "Check the columns, and draw lines over a tenfold range of speeds."
    )


def cured_lines(
    *, scan_speed: Any, line_width: Any = None, cure_depth: Any = None, power: float | None = None, u_power: float = 0.0
) -> CuredLines:
    """Radius, Dp and Ec from single lines drawn at several speeds.

    Parameters
    ----------
    scan_speed : float array (n,), mm/s
    line_width, cure_depth : float array (n,), mm
        At least one of them; NaN where a line was not measured.
    power : float, mW, optional
        Needed, with `line_width`, for Ec.
    u_power : float, mW
        Standard uncertainty of the power, common to all lines: it moves Ec alone.

    Returns
    -------
    CuredLines

    Raises
    ------
    ValueError
        Too few lines, or widths that do not fall with speed.

    Source: `gibson2015` eq. 4.14 (section of a cured line) solved for W0; tang2004 found a threshold model of line
    size about 30 % off. Valid as an effective radius for this resin and machine, not as a beam measurement.

    >>> v = np.array([200.0, 500.0, 1000.0, 2000.0])
    >>> got = cured_lines(scan_speed=v, line_width=0.125 * np.sqrt(2 * np.log(8000.0 / v)))
    >>> f"{got.radius:.4f} {got.vanishing_speed:.0f}"
    '0.1250 8000'
    """
    x = np.log(np.asarray(scan_speed, dtype=np.float64))
    has_width, width = _present(line_width, x)
    has_depth, depth = _present(cure_depth, x)
    for has, what in ((has_width, "line widths"), (has_depth, "cure depths")):
        if has.any() and (has.sum() < 4 or np.unique(x[has]).size < 3):
            raise ValueError(
                f"{int(has.sum())} {what} at {np.unique(x[has]).size} speeds are too few: draw at least four lines at three or more speeds."
            )
    if not (has_width.any() or has_depth.any()):
        raise ValueError("neither line widths nor cure depths are given. Measure at least one of them.")
    fw = _widths(x[has_width], width[has_width]) if has_width.any() else None
    fd = _depths(x[has_depth], depth[has_depth]) if has_depth.any() else None
    agreement = None
    if fw is not None and fd is not None:
        gap = float(fw.parameters[1] - fd.parameters[1])
        spread = math.sqrt(fw.covariance[1, 1] + fd.covariance[1, 1] + np.finfo(np.float64).eps)  # lines without scatter as well
        # the two scatters are themselves estimates: the smaller count is the honest one for the joint fit
        dof = min(fw.degrees_of_freedom, fd.degrees_of_freedom)
        agreement = t_p(gap / spread, dof)
        names, values, cov, converged = _joint(x, width, depth, has_width, has_depth, fw, fd)
    elif fw is not None:
        names, values, cov = ["W", "v"], fw.parameters, fw.covariance
        dof, converged = fw.degrees_of_freedom, fw.converged
    else:
        assert fd is not None
        names, values, cov = ["D", "v"], fd.parameters, fd.covariance
        dof, converged = fd.degrees_of_freedom, fd.converged
    at = {name: k for k, name in enumerate(names)}
    lv = float(values[at["v"]])
    radius = math.exp(values[at["W"]]) if "W" in at else None
    dp = math.exp(values[at["D"]]) if "D" in at else None
    ec = u_ec = None
    if radius is not None and power is not None:
        ec = float(line.scan_exposure(power, radius, math.exp(lv)))
        i, j = at["W"], at["v"]
        u_ec = ec * math.sqrt(cov[i, i] + cov[j, j] + 2.0 * cov[i, j] + (u_power / power) ** 2)
    return CuredLines(
        radius=radius,
        u_radius=None if radius is None else radius * math.sqrt(cov[at["W"], at["W"]]),
        penetration_depth=dp,
        u_penetration_depth=None if dp is None else dp * math.sqrt(cov[at["D"], at["D"]]),
        critical_exposure=ec,
        u_critical_exposure=u_ec,
        vanishing_speed=math.exp(lv),
        u_log_vanishing_speed=math.sqrt(cov[at["v"], at["v"]]),
        degrees_of_freedom=dof,
        width_sd=fw.residual_sd if fw is not None else None,
        depth_sd=fd.residual_sd if fd is not None else None,
        agreement_p=agreement,
        speed_range=float(math.exp(np.ptp(x))),
        converged=converged,
    )


def _present(values: Any, x: Any) -> tuple[Any, Any]:
    if values is None:
        return np.zeros(x.shape, dtype=bool), np.full(x.shape, np.nan)
    array = np.asarray(values, dtype=np.float64)
    return np.isfinite(array), array


def _joint(x: Any, width: Any, depth: Any, has_width: Any, has_depth: Any, fw: Fit, fd: Fit) -> Any:
    """Both at once with one v0, each weighted by its own scatter."""
    xw, xd = x[has_width], x[has_depth]
    y = np.concatenate([width[has_width], depth[has_depth]])
    floor = 1e-9 * float(np.abs(y).max())
    sigma = np.concatenate([np.full(xw.size, max(fw.residual_sd, floor)), np.full(xd.size, max(fd.residual_sd, floor))])

    def model(p: Any) -> tuple[Any, Any]:
        radius, dp, root, below = np.exp(p[0]), np.exp(p[1]), _root(p[2], xw), p[2] - xd
        no_width, no_depth = np.zeros_like(xd), np.zeros_like(xw)
        columns = [(radius * root, no_width), (no_depth, dp * below), (radius / root, np.full_like(xd, dp))]
        return np.concatenate([radius * root, dp * below]), np.stack([np.concatenate(c) for c in columns], axis=1)

    (log_radius, log_vanishing), (log_dp, _) = fw.parameters, fd.parameters
    found = fit(model, y, [log_radius, log_dp, log_vanishing], sigma=sigma)
    return ["W", "D", "v"], found.parameters, found.covariance, found.converged
