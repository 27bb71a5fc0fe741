"""Two further cure models fitted beside the plain line: power threshold and bleaching initiator. Numpy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..physics import laws
from ..statistics.intervals import f_p, t_factor, t_p
from ..statistics.line import ordinary_line

_UNIT = laws.Bleaching(1.0, math.log(2.0), 1.0)  # depth in Dp over dose in Eb, from the dose where e^(E/Eb) - 1 is 1

__all__ = ["Bleaching", "PowerThreshold", "akaike", "bleaching_fit", "power_threshold_fit"]


def akaike(sum_of_squares: float, n: int, parameters: int) -> float:
    """Akaike's criterion corrected for few points; `parameters` counts the scatter too. Infinite with too few points.

    Source: `hurvich1989`. Lower is better; differences below 2 mean nothing.
    """
    if n <= parameters + 1:
        return float("inf")
    likelihood = n * np.log(max(sum_of_squares, np.finfo(float).tiny) / n)
    return float(likelihood + 2 * parameters + 2 * parameters * (parameters + 1) / (n - parameters - 1))


@dataclass(frozen=True)
class PowerThreshold:
    """Solid where the time integral of irradiance^w reaches a threshold: y = a + Dp ln I + (Dp/w) ln time.

    `w_low`, `w_high`: exact interval of the ratio (NaN where unbounded); `p` of w = 1.
    """

    penetration_depth: float
    penetration_depth_sd: float
    w: float
    w_low: float
    w_high: float
    p: float
    sum_of_squares: float
    degrees_of_freedom: int
    criterion: float


def power_threshold_fit(log_irradiance: Any, log_time: Any, y: Any, *, confidence: float = 0.95) -> PowerThreshold | None:
    """Fit the power threshold law; None where irradiance and time were not varied apart from each other.

    Parameters
    ----------
    log_irradiance, log_time : float64, (n,)
        Their sum is ln exposure up to a constant.
    y : float64, (n,)
        Depth.

    Source: derived from the threshold law; w = Dp(power varied)/Dp(time varied), PUBLISHED by `colombo2025`.
    """
    li, lt, y = (np.asarray(a, dtype=float) for a in (log_irradiance, log_time, y))
    n = y.size
    if n < 4:
        return None
    design = np.stack([li - li.mean(), lt - lt.mean()], -1)
    gram = design.T @ design
    sizes = gram.diagonal()
    if np.linalg.det(gram) <= 1e-9 * sizes.prod() or sizes.min() <= 1e-6 * n:
        return None
    inverse = np.linalg.inv(gram)
    b, c = slopes = inverse @ design.T @ y
    squares = float(((y - y.mean() - design @ slopes) ** 2).sum())
    dof = n - 3
    (vb, cov), (_, vc) = squares / dof * inverse
    t = float(t_factor(confidence, dof))
    # Fieller for w = b/c: (b - w c)^2 <= t^2 (vb - 2 w cov + w^2 vc)
    qa, qb, qc = c**2 - t**2 * vc, b * c - t**2 * cov, b**2 - t**2 * vb
    root = max(qb**2 - qa * qc, 0.0)
    low, high = ((qb - np.sqrt(root)) / qa, (qb + np.sqrt(root)) / qa) if qa > 0 else (np.nan, np.nan)
    sd = np.sqrt(vb + vc - 2 * cov)
    p = float(t_p((b - c) / sd, dof)) if sd else float(b == c)
    if not c:
        return None
    return PowerThreshold(float(b), float(np.sqrt(vb)), float(b / c), float(low), float(high), p, squares, dof, akaike(squares, n, 4))


@dataclass(frozen=True)
class Bleaching:
    """Depth = Dp ln[(e^(E/Eb) - 1)/(e^(Ec/Eb) - 1)]; `p` from the F test against the plain curve (Eb infinite)."""

    penetration_depth: float
    log_threshold: float
    bleaching_exposure: float
    sum_of_squares: float
    degrees_of_freedom: int
    p: float
    criterion: float


def bleaching_fit(log_exposure: Any, y: Any) -> Bleaching | None:
    """Fit the bleaching curve by least squares; None with fewer than five points or where the plain curve is not bettered.

    Source: closed form of the fully bleaching initiator, `terrones2001`; the fit is linear in Dp once Eb is chosen, so Eb
    alone is searched (grid, then between its neighbours).
    """
    x, y = np.asarray(log_exposure, dtype=float), np.asarray(y, dtype=float)
    n = y.size
    if n < 5 or np.unique(x).size < 4:
        return None
    from scipy.optimize import minimize_scalar

    def squares(log_u: Any) -> tuple[Any, Any, Any]:
        g = _UNIT.height(np.exp(x + np.asarray(log_u)[..., None]))
        centre = g.mean(-1)
        dg = g - centre[..., None]
        slope = (dg * (y - y.mean())).sum(-1) / (dg * dg).sum(-1)
        return ((y - y.mean() - slope[..., None] * dg) ** 2).sum(-1), slope, y.mean() - slope * centre

    grid = np.linspace(-7.0, 4.0, 111) - x.max()
    first, slopes, _ = squares(grid)
    first = np.where(slopes > 0, first, np.inf)
    k = int(np.argmin(first))
    plain = float(ordinary_line(x, y).sum_of_squares)
    if k in (0, len(grid) - 1) or not first[k] < plain * (1 - 1e-9):
        return None
    log_u = minimize_scalar(lambda log_u: squares(np.array(log_u))[0], bounds=(grid[k - 1], grid[k + 1])).x
    best, slope, constant = (float(v) for v in squares(np.array(log_u)))
    # constant = -Dp ln(expm1(Ec u)): solve for Ec
    level = -constant / slope
    threshold = np.log(_UNIT.dose(level)) - log_u
    f = (plain - best) / (best / (n - 3)) if best > 0 else float("inf")
    return Bleaching(slope, float(threshold), float(np.exp(-log_u)), best, n - 3, float(f_p(f, 1, n - 3)), akaike(best, n, 4))
