"""Knife-edge scans: transmitted power against the position of an edge, to a 1/e^2 radius. Plain float64, mm.

The transmitted part of a Gaussian beam is S(x) = 1/2 [1 + erf(sqrt2 (x - x0)/W0)]; a real scan adds a dark level, a
dark level that tilts, and a source that drifts while the stage moves:

    P(x) = dark + tilt (x - xm) + [full + drift (x - xm)] S(x)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from .scanfit import Scan, fit_scan

__all__ = ["ClipWidth", "KnifeEdge", "clip_factor", "clip_width", "knife_edge", "knife_edge_power"]

_SQRT2 = math.sqrt(2.0)
_FEWEST_WITH_DRIFT = 9
_ROOM_FOR_DRIFT = 1.75


@dataclass(frozen=True)
class ClipWidth:
    """Radius from two clip levels: positions where the normalised power crosses `low` and 1 - `low`."""

    radius: float
    low: float
    position_low: float
    position_high: float


@dataclass(frozen=True, kw_only=True)
class KnifeEdge(Scan):
    """Fit of a knife-edge scan; lengths in mm, power in the unit of the readings.

    `degrees_of_freedom` belongs to the Student factor of an interval. `travel_before` and `travel_after` say how far
    the scan reaches beyond the beam centre, in radii.
    """

    full: float
    drift: float
    u_drift: float
    rising: bool
    points_on_edge: int
    with_drift: bool
    clip: ClipWidth | None


def clip_factor(low: float) -> float:
    """W0 over the distance between the `low` and 1 - `low` levels of a knife-edge scan: 0.780304 for 10/90.

    Source: inverse of the Gaussian edge function; `knife-clip` in reference/sources.toml.

    >>> f"{clip_factor(0.10):.6f} {clip_factor(0.16):.6f}"
    '0.780304 1.005573'
    """
    from scipy.special import ndtri

    return float(1.0 / -ndtri(low))


def knife_edge_power(position: Any, radius: float, centre: float) -> Any:
    """Fraction of a Gaussian beam that passes when the edge uncovers everything below `position`."""
    from scipy.special import erf

    return 0.5 * (1.0 + erf(_SQRT2 * (np.asarray(position, dtype=np.float64) - centre) / radius))


def clip_width(position: Any, reading: Any, *, low: float = 0.10, dark: float, full: float) -> ClipWidth | None:
    """Radius by linear interpolation of two clip levels; None where the scan does not cross them.

    Rougher than the fit: 0.8 to 2 % high at coarse steps, since a chord cuts the bend of the curve.
    """
    x, y = np.asarray(position, dtype=np.float64), (np.asarray(reading, dtype=np.float64) - dark) / full
    ends = []
    for level in (low, 1.0 - low):
        # the middle of all crossings: with noise a level may be crossed more than once
        at = np.flatnonzero((y[:-1] - level) * (y[1:] - level) <= 0.0)
        at = at[y[at] != y[at + 1]]
        if at.size == 0:
            return None
        ends.append(float(np.mean(x[at] + (level - y[at]) / (y[at + 1] - y[at]) * (x[at + 1] - x[at]))))
    return ClipWidth(clip_factor(low) * abs(ends[1] - ends[0]), low, *ends)


def _edge(away: Any, radius: float) -> tuple[Any, Any, Any]:
    from scipy.special import erf

    g = away / radius
    bell = math.sqrt(2.0 / math.pi) / radius * np.exp(-2.0 * g * g)
    return 0.5 * (1.0 + erf(_SQRT2 * g)), bell, -away * bell


def knife_edge(position: Any, reading: Any, *, drift: bool = True, low: float = 0.10, u_position: float = 0.0) -> KnifeEdge:
    """Error-function fit of a knife-edge scan.

    Parameters
    ----------
    position : float array (n,), mm
        Where the edge stands; any order, repeats allowed.
    reading : float array (n,)
        Transmitted power in any linear unit; rising or falling with position.
    drift : bool
        Fit a tilt of the dark level and a drift of the source as well. They are left out where the scan is too short
        to tell them from the edge (fewer than 9 readings, or less than 1.75 radii on either side of the centre).
    low : float
        Clip level of the estimate shown beside the fit, 0.10 for 10/90.
    u_position : float, mm
        Standard uncertainty of each position; more is taken where the scatter shows more.

    Returns
    -------
    KnifeEdge

    Source: ISO 11146-3 (moving knife edge) for the method; the published scan with w = 452 um is the outside check.
    Valid for a beam that is near Gaussian along the scan; a sharp-edged or many-mode beam leaves visible residuals.

    >>> x = np.linspace(-0.3, 0.3, 31)
    >>> f"{knife_edge(x, 0.02 + 3.0 * knife_edge_power(x, 0.125, 0.01)).radius:.6f}"
    '0.125000'
    """
    found = fit_scan(
        position,
        reading,
        _edge,
        wander=2 if drift else 0,
        room=_ROOM_FOR_DRIFT,
        fewest=_FEWEST_WITH_DRIFT,
        is_edge=True,
        u_position=u_position,
    )
    p, sd = found.result.parameters, found.result.sd
    curve, radius, with_drift = found.curve, found.radius, bool(found.wander)
    tilt, slope = p[4:6] / curve.scale if with_drift else (0.0, 0.0)
    common = found.common(radius)
    rising, full, dark = bool(p[3] >= 0.0), float(p[3]), float(p[2])
    if not rising:  # a falling edge is c0 + c1 S = (c0 + c1) - c1 (1 - S)
        common |= {"dark": dark + full, "tilt": float(tilt + slope)}
        full, slope = -full, -slope
    step = found.step if rising else 1.0 - found.step
    plain = curve.y - (common["tilt"] + slope * step) * (curve.x - curve.middle)
    return KnifeEdge(
        radius=radius,
        u_radius=radius * found.u_log_radius,
        full=full,
        drift=float(slope),
        u_drift=float(sd[5] / curve.scale) if with_drift else 0.0,
        rising=rising,
        points_on_edge=int(((step > 0.02) & (step < 0.98) & curve.free).sum()),
        with_drift=with_drift,
        clip=clip_width(curve.x, plain, low=low, dark=common["dark"], full=full) if full > 0 else None,
        **common,
    )
