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

from ..statistics.least_squares import Fit, fit, interval_dof, scan_start, uneven_scatter

__all__ = ["ClipWidth", "KnifeEdge", "clip_factor", "clip_width", "knife_edge", "knife_edge_power"]

_SQRT2 = math.sqrt(2.0)
_FEWEST_WITH_DRIFT = 12
_ROOM_FOR_DRIFT = 1.75


@dataclass(frozen=True)
class ClipWidth:
    """Radius from two clip levels: positions where the normalised power crosses `low` and 1 - `low`."""

    radius: float
    low: float
    position_low: float
    position_high: float


@dataclass(frozen=True)
class KnifeEdge:
    """Fit of a knife-edge scan; lengths in mm, power in the unit of the readings.

    `degrees_of_freedom` belongs to the Student factor of an interval. `travel_before` and `travel_after` say how far
    the scan reaches beyond the beam centre, in radii.
    """

    radius: float
    u_radius: float
    centre: float
    u_centre: float
    dark: float
    full: float
    tilt: float
    drift: float
    u_tilt: float
    u_drift: float
    rising: bool
    residual_sd: float
    degrees_of_freedom: int
    travel_before: float
    travel_after: float
    points_on_edge: int
    with_drift: bool
    weighted: bool
    clip: ClipWidth | None
    fitted: Any
    residuals: Any
    converged: bool


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
    if y[-1] < y[0]:
        x, y = x[::-1], y[::-1]
    ends = []
    for level in (low, 1.0 - low):
        # the middle of all crossings: with noise a level may be crossed more than once
        at = np.flatnonzero((y[:-1] - level) * (y[1:] - level) <= 0.0)
        at = at[y[at] != y[at + 1]]
        if at.size == 0:
            return None
        ends.append(float(np.mean(x[at] + (level - y[at]) / (y[at + 1] - y[at]) * (x[at + 1] - x[at]))))
    width = abs(ends[1] - ends[0])
    return ClipWidth(clip_factor(low) * width, low, ends[0], ends[1]) if width > 0.0 else None


def _start(x: Any, y: Any, with_drift: bool) -> tuple[list[float], bool] | None:
    """First guess and direction: the best knot of a grid of centres and radii."""
    from scipy.special import erf

    room = _ROOM_FOR_DRIFT if with_drift else 0.0
    extra = (lambda s, t: [t, t * s]) if with_drift else (lambda s, t: [])
    found = scan_start(x, y, lambda g: 0.5 * (1.0 + erf(_SQRT2 * g)), extra, room)
    if found is None:
        return None
    centre, radius, c = found
    rising = bool(c[1] >= 0.0)
    if not rising:  # a falling edge is c0 + c1 S = (c0 + c1) - c1 (1 - S)
        c = [c[0] + c[1], -c[1], *([c[2] + c[3], -c[3]] if with_drift else [])]
    return [centre, math.log(radius), *(float(v) for v in c)], rising


def _model(x: Any, middle: float, scale: float, rising: bool, with_drift: bool) -> Any:
    from scipy.special import erf

    sign = 1.0 if rising else -1.0
    t = (x - middle) / scale

    def model(p: Any) -> tuple[Any, Any]:
        centre, log_radius, dark, full = p[:4]
        radius = math.exp(min(max(log_radius, -60.0), 60.0))
        g = (x - centre) / radius
        step = 0.5 * (1.0 + erf(sign * _SQRT2 * g))
        bell = sign * math.sqrt(2.0 / math.pi) / radius * np.exp(-2.0 * g * g)
        if with_drift:
            tilt, drift = p[4:]
            height = full + drift * t
            values = dark + tilt * t + height * step
            columns = [-height * bell, -height * bell * g * radius, np.ones_like(x), step, t, t * step]
        else:
            values = dark + full * step
            columns = [-full * bell, -full * bell * g * radius, np.ones_like(x), step]
        return values, np.stack(columns, axis=1)

    return model


def _best(x: Any, y: Any, with_drift: bool, rising: bool, starts: list[Any], sigma: Any = None) -> Fit | None:
    middle, scale = float(0.5 * (x[0] + x[-1])), float(0.5 * np.ptp(x))
    model = _model(x, middle, scale, rising, with_drift)
    best: Fit | None = None
    for first in starts:
        try:
            found = fit(model, y, first, sigma=sigma)
        except np.linalg.LinAlgError:
            continue
        if best is None or found.residual_sd < best.residual_sd * (1 - 1e-9):
            best = found
    return best


def knife_edge(position: Any, reading: Any, *, drift: bool = True, low: float = 0.10) -> KnifeEdge:
    """Error-function fit of a knife-edge scan.

    Parameters
    ----------
    position : float array (n,), mm
        Where the edge stands; any order, repeats allowed.
    reading : float array (n,)
        Transmitted power in any linear unit; rising or falling with position.
    drift : bool
        Fit a tilt of the dark level and a drift of the source as well. They are left out where the scan is too short
        to tell them from the edge (fewer than 12 readings, or less than 1.75 radii on either side of the centre).
    low : float
        Clip level of the estimate shown beside the fit, 0.10 for 10/90.

    Returns
    -------
    KnifeEdge

    Source: ISO 11146-3 (moving knife edge) for the method; the published scan with w = 452 um is the outside check.
    Valid for a beam that is near Gaussian along the scan; a sharp-edged or many-mode beam leaves visible residuals.

    >>> x = np.linspace(-0.3, 0.3, 31)
    >>> f"{knife_edge(x, 0.02 + 3.0 * knife_edge_power(x, 0.125, 0.01)).radius:.6f}"
    '0.125000'
    """
    order = np.argsort(position, kind="stable")
    x = np.asarray(position, dtype=np.float64)[order]
    y = np.asarray(reading, dtype=np.float64)[order]
    scale = float(0.5 * np.ptp(x))
    start = _start(x, y, False)
    result = None if start is None else _best(x, y, False, start[1], [start[0]])
    if result is None or start is None:
        raise ValueError("the scan cannot be fitted")
    rising, with_drift = start[1], False
    if drift and x.size >= _FEWEST_WITH_DRIFT:
        again = _start(x, y, True)
        tries = [([*result.parameters, 0.0, 0.0], rising)] + ([again] if again is not None else [])
        for first, way in tries:
            wider = _best(x, y, True, way, [first])
            if wider is None or not wider.converged or abs(wider.parameters[1]) > 50:
                continue
            room = min(wider.parameters[0] - x[0], x[-1] - wider.parameters[0]) / math.exp(wider.parameters[1])
            if room >= _ROOM_FOR_DRIFT and (not with_drift or wider.residual_sd < result.residual_sd * (1 - 1e-9)):
                result, rising, with_drift = wider, way, True
    step = _step(x, result, rising)
    weighted = False
    sigma = uneven_scatter(result, step)
    if sigma is not None:
        better = _best(x, y, with_drift, rising, [result.parameters], sigma)
        if better is not None and better.converged:
            result, weighted, step = better, True, _step(x, better, rising)
    centre, log_radius, dark, full = result.parameters[:4]
    radius = math.exp(log_radius)
    sd = result.sd
    tilt, slope = (result.parameters[4:] / scale) if with_drift else (0.0, 0.0)
    u_tilt, u_drift = (sd[4:] / scale) if with_drift else (0.0, 0.0)
    back = np.argsort(order, kind="stable")
    plain = y - (tilt + slope * step) * (x - 0.5 * (x[0] + x[-1])) if with_drift else y
    return KnifeEdge(
        radius=radius,
        u_radius=float(radius * sd[1]),
        centre=float(centre),
        u_centre=float(sd[0]),
        dark=float(dark),
        full=float(full),
        tilt=float(tilt),
        drift=float(slope),
        u_tilt=float(u_tilt),
        u_drift=float(u_drift),
        rising=rising,
        residual_sd=float(np.sqrt((result.residuals**2).sum() / max(result.degrees_of_freedom, 1))),
        degrees_of_freedom=interval_dof(result, weighted),
        travel_before=float((centre - x[0]) / radius),
        travel_after=float((x[-1] - centre) / radius),
        points_on_edge=int(((step > 0.02) & (step < 0.98)).sum()),
        with_drift=with_drift,
        weighted=weighted,
        clip=clip_width(x, plain, low=low, dark=float(dark), full=float(full)) if full > 0 else None,
        fitted=result.fitted[back],
        residuals=result.residuals[back],
        converged=result.converged,
    )


def _step(x: Any, result: Fit, rising: bool) -> Any:
    step = knife_edge_power(x, math.exp(min(max(result.parameters[1], -60.0), 60.0)), result.parameters[0])
    return step if rising else 1.0 - step
