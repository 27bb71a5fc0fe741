"""A caustic, beam widths against position along the axis, to waist, divergence and M^2 (ISO 11146-1).

Plain float64, mm, radians. The radius follows the hyperbola W(z) = sqrt(W0^2 + (theta/2)^2 (z - z0)^2) with full
divergence angle theta; M^2 = pi W0 (theta/2)/lambda and zR = W0/(theta/2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.intervals import t_p
from ..statistics.least_squares import Fit, fit
from ..statistics.uncertainty import combined

__all__ = ["Caustic", "Coverage", "caustic", "coverage", "defocus_window"]


@dataclass(frozen=True)
class Coverage:
    """ISO 11146-1 rule of positions: at least ten, about half within one Rayleigh length, about half beyond two."""

    positions: int
    within_one: int
    between: int
    beyond_two: int

    @property
    def complete(self) -> bool:
        """Whether the rule is met: ten positions, and of those in either zone about half (a third at least, and four) in each.

        Positions between the zones are over and above the rule, so they cannot break it.
        """
        least = max(4, math.ceil((self.within_one + self.beyond_two) / 3.0))
        return self.positions >= 10 and self.within_one >= least and self.beyond_two >= least


@dataclass(frozen=True)
class Caustic:
    """Fit of a caustic; mm and radians. `covariance` is of (waist radius, position, half divergence).

    `chi_squared` belongs to stated uncertainties (None without); where it is beyond chance (1 %) the covariance is `widened`
    by that factor and the scatter decides. `wild` is the index of the one width that no scatter explains, still in the fit.
    """

    waist_radius: float
    u_waist_radius: float
    position: float
    u_position: float
    divergence: float
    u_divergence: float
    beam_quality: float
    u_beam_quality: float
    rayleigh_range: float
    u_rayleigh_range: float
    covariance: Any
    residual_sd: float
    degrees_of_freedom: int
    weighted: bool
    chi_squared: float | None
    widened: float
    wild: int | None
    coverage: Coverage
    fitted: Any
    residuals: Any
    converged: bool

    def radius_at(self, position: Any) -> Any:
        """Radius of the fitted hyperbola at a position along the axis."""
        half = 0.5 * self.divergence
        return np.hypot(self.waist_radius, half * (np.asarray(position, dtype=np.float64) - self.position))

    def u_radius_at(self, position: float) -> float:
        """Standard uncertainty of `radius_at`, of the fitted curve and not of one more reading."""
        away = position - self.position
        radius, half = float(self.radius_at(position)), 0.5 * self.divergence
        g = np.array([self.waist_radius, -half * half * away, half * away * away]) / radius
        return combined(g, self.covariance)


def coverage(position: Any, waist_position: float, rayleigh_range: float) -> Coverage:
    """How many positions stand within one Rayleigh length of the waist and how many beyond two.

    Source: ISO 11146-1.

    >>> coverage([0.0, 1.0, 2.0, 3.0], 0.0, 1.0).within_one
    2
    """
    away = np.abs(np.asarray(position, dtype=np.float64) - waist_position) / rayleigh_range
    within, beyond = int((away <= 1.0).sum()), int((away >= 2.0).sum())
    return Coverage(away.size, within, away.size - within - beyond, beyond)


def caustic(
    *, position: Any, radius: Any, wavelength: float, u_radius: Any = None, relative: bool = False, u_position: float = 0.0
) -> Caustic:
    """Hyperbola through beam radii measured along the axis.

    Parameters
    ----------
    position, radius : float array (n,), mm
        At least four; radius at 1/e^2 or half of D4sigma.
    wavelength : float, mm
    u_radius : float array (n,), mm, optional
        Stated standard uncertainties: the covariance is then not scaled by the scatter.
    relative : bool
        Errors in proportion to the radius rather than equal; has no say where `u_radius` is given.
    u_position : float, mm
        Standard uncertainty of each position; counts beside `u_radius` by the slope of the curve.

    Returns
    -------
    Caustic

    Source: ISO 11146-1 (hyperbolic fit, coverage rule); the published 633 nm caustics are the outside check.
    Valid for stigmatic beams, or one principal axis of a simply astigmatic beam at a time.

    >>> z = np.linspace(-60.0, 60.0, 11)
    >>> c = caustic(position=z, radius=np.hypot(0.0625, 0.0023505 * z), wavelength=355e-6)
    >>> f"{c.beam_quality:.2f} {c.rayleigh_range:.1f}"
    '1.30 26.6'
    """
    z, w = np.asarray(position, dtype=np.float64), np.asarray(radius, dtype=np.float64)
    middle = float(z.mean())
    t = z - middle
    sigma: Any = np.asarray(u_radius, dtype=np.float64) if u_radius is not None else (w if relative else None)

    def model(p: Any) -> tuple[Any, Any]:
        waist, at, slope = p
        away = t - at
        value = np.hypot(waist, slope * away)
        return value, np.stack([waist / value, -slope * slope * away / value, slope * away * away / value], axis=1)

    known = u_radius is not None
    best = fit(model, w, _start(t, w), sigma=sigma, known_sigma=known)
    if known and u_position:
        _, slopes = model(best.parameters)
        best = fit(model, w, best.parameters, sigma=np.hypot(sigma, slopes[:, 1] * u_position), known_sigma=True)
    chi, widened = _agreement(best) if known else (None, 1.0)
    waist, half = (abs(float(best.parameters[k])) for k in (0, 2))
    at = float(best.parameters[1]) + middle
    # waist and slope stand in the curve as squares, so either may come out below zero
    way = np.array([np.sign(best.parameters[0]), 1.0, np.sign(best.parameters[2])])
    cov = np.outer(way, way) * best.covariance * widened**2
    m2 = math.pi * waist * half / wavelength
    g = np.array([half, 0.0, waist]) * math.pi / wavelength
    zr = waist / half if half > 0 else math.inf
    gr = np.array([1.0 / half, 0.0, -waist / half**2]) if half > 0 else np.zeros(3)
    sd = np.sqrt(np.diag(cov))
    return Caustic(
        waist_radius=waist,
        u_waist_radius=float(sd[0]),
        position=at,
        u_position=float(sd[1]),
        divergence=2.0 * half,
        u_divergence=float(2.0 * sd[2]),
        beam_quality=m2,
        u_beam_quality=combined(g, cov),
        rayleigh_range=zr,
        u_rayleigh_range=combined(gr, cov),
        covariance=cov,
        residual_sd=best.residual_sd,
        degrees_of_freedom=best.degrees_of_freedom,
        weighted=sigma is not None,
        chi_squared=chi,
        widened=widened,
        wild=_wild(model, w, best, sigma),
        coverage=coverage(z, at, zr),
        fitted=best.fitted,
        residuals=best.residuals,
        converged=best.converged,
    )


def _agreement(found: Fit) -> tuple[float, float]:
    """Chi-squared of stated uncertainties, and the factor (Birge) that widens them where it is beyond chance."""
    from scipy.special import chdtrc

    dof = found.degrees_of_freedom
    chi = found.residual_sd**2 * dof
    return chi, found.residual_sd if chdtrc(dof, chi) < 0.01 else 1.0


def _wild(model: Any, w: Any, found: Fit, sigma: Any) -> int | None:
    """The width that lies off the curve through the others beyond chance (one in a thousand, over all of them)."""
    if w.size < 7 or found.residual_sd <= 1e-9:
        return None
    one = np.ones_like(w) if sigma is None else sigma
    _, slopes = model(found.parameters)
    columns = slopes / np.linalg.norm(slopes, axis=0) / one[:, None]
    reach = np.einsum("ij,ji->i", columns, np.linalg.pinv(columns))
    k = int(np.argmax(np.abs(found.residuals / one) / np.sqrt(np.maximum(1.0 - reach, np.finfo(float).eps))))
    keep = np.arange(w.size) != k

    def others(p: Any) -> tuple[Any, Any]:
        value, slopes = model(p)
        return value[keep], slopes[keep]

    rest = fit(others, w[keep], found.parameters, sigma=one[keep])
    value, slopes = model(rest.parameters)
    spread = math.hypot(rest.residual_sd * one[k], combined(slopes[k], rest.covariance))
    p = t_p((w[k] - value[k]) / max(spread, np.finfo(float).tiny), rest.degrees_of_freedom)
    return k if p * w.size < 1e-3 else None


def _start(t: Any, w: Any) -> list[float]:
    """First estimate: the parabola of w^2 where it has a waist, else the least width with the steepest side."""
    square = w * w
    bend = np.polyfit(t, square, 2, w=np.reciprocal(w))
    if bend[0] > 0 and (waist := np.polyval(bend, at := -0.5 * bend[1] / bend[0])) > 0:
        return [math.sqrt(waist), at, math.sqrt(bend[0])]
    least = int(np.argmin(w))
    side = t != t[least]
    steepest = np.max(np.sqrt(square[side] - square[least]) / np.abs(t[side] - t[least]))
    return [w[least], t[least], float(steepest)]


def defocus_window(
    *, waist_radius: float, rayleigh_range: float, radius: float, tolerance: float = 0.05
) -> tuple[float, tuple[float, float]] | None:
    """Distance from the waist that gives `radius`, and the distances between which it stays within `tolerance`.

    None where the waist is wider than the wanted radius. The near end is zero (or runs through the waist to the other
    side, given as its negative) where the waist itself is within the tolerance.

    >>> z, (near, far) = defocus_window(waist_radius=0.0625, rayleigh_range=26.59, radius=0.125)
    >>> f"{z:.2f} {near:.2f} {far:.2f}"
    '46.06 42.96 49.10'
    """
    if radius < waist_radius:
        return None

    def distance(w: float) -> float:
        return rayleigh_range * math.sqrt((w / waist_radius) ** 2 - 1.0)

    low, high = radius * (1.0 - tolerance), radius * (1.0 + tolerance)
    near = distance(low) if low > waist_radius else -distance(high)
    return distance(radius), (near, distance(high))
