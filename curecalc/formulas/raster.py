"""Sums of equal Gaussians: a raster of parallel lines, a line drawn by pulses, and the rate the light allows."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ..physics import line as _line
from ..physics import raster as _raster
from ..units import HZ, MJ_CM2, MJ_MM2, MM, MM2_S, MM_S, MW, Quantity, count, finite, positive

__all__ = [
    "RasterExposure",
    "breakup_speed",
    "hatch_spacing_for_exposure",
    "light_limited_area_rate",
    "mean_exposure",
    "pulse_exposure",
    "raster_exposure",
    "raster_profile",
]


class RasterExposure(NamedTuple):
    """Surface exposures of a sum of equal Gaussians: on the average, at the strongest, at the weakest place."""

    mean: Quantity
    maximum: Quantity
    minimum: Quantity


def mean_exposure(*, power: Quantity, scan_speed: Quantity, hatch_spacing: Quantity) -> Quantity:
    r"""Mean surface exposure of a raster, P/(v h): the same for any spot.

    Parameters
    ----------
    power : Quantity [mW]
    scan_speed : Quantity [mm/s]
    hatch_spacing : Quantity [mm]
        All three broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: energy balance; `derived`. Above h of about 1.3 W0 the weakest place falls far below it: `raster_exposure`.

    >>> from curecalc.units import Quantity as Q
    >>> f"{mean_exposure(power=Q(30.0, 'mW'), scan_speed=Q(1.0, 'm/s'), hatch_spacing=Q(0.1, 'mm')).m_as('mJ/cm^2'):.1f}"
    '30.0'
    """
    p, v = positive("power", power, MW), positive("scan_speed", scan_speed, MM_S)
    return _exposure(_raster.mean_exposure(p, v, positive("hatch_spacing", hatch_spacing, MM)))


def raster_exposure(
    *, power: Quantity, beam_radius: Quantity, scan_speed: Quantity, hatch_spacing: Quantity, passes: Any = 1
) -> RasterExposure:
    r"""Mean, greatest and least surface exposure of an endless raster of parallel lines.

    Exact for any spacing: the theta-function sum over all lines, in the form that converges fast.

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
        Across the lines, at 1/e^2.
    scan_speed : Quantity [mm/s]
    hatch_spacing : Quantity [mm]
    passes : int
        Equal passes; exposures add. All five broadcast.

    Returns
    -------
    RasterExposure
        `mean`, `maximum` (on a line), `minimum` (half-way between two): Quantity [mJ/cm^2], broadcast shape.

    Raises
    ------
    QuantityError

    Source: `gibson2015` p. 93 (sum over neighbours); Poisson summation, `derived`. Valid a few radii inside the raster's edge.

    >>> from curecalc.units import Quantity as Q
    >>> e = raster_exposure(power=Q(30.0, "mW"), beam_radius=Q(0.125, "mm"), scan_speed=Q(1.0, "m/s"),
    ...                     hatch_spacing=Q(0.15, "mm"))
    >>> [f"{part.m_as('mJ/cm^2'):.3f}" for part in e]
    ['20.000', '21.299', '18.701']
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    v, h = positive("scan_speed", scan_speed, MM_S), positive("hatch_spacing", hatch_spacing, MM)
    mean = _raster.mean_exposure(p, v, h) * count("passes", passes)
    s = h / w0
    return RasterExposure(*(_exposure(mean * factor) for factor in (np.ones_like(s)[()], _raster.ridge(s), _raster.valley(s))))


def raster_profile(
    *, power: Quantity, beam_radius: Quantity, scan_speed: Quantity, hatch_spacing: Quantity, distance: Quantity
) -> Quantity:
    r"""Surface exposure of an endless raster at a distance from one of its lines.

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
    scan_speed : Quantity [mm/s]
    hatch_spacing : Quantity [mm]
    distance : Quantity [mm]
        Across the lines, zero on one of them. All five broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: as `raster_exposure`.

    >>> from curecalc.units import Quantity as Q
    >>> e = raster_profile(power=Q(30.0, "mW"), beam_radius=Q(0.125, "mm"), scan_speed=Q(1.0, "m/s"),
    ...                    hatch_spacing=Q(0.15, "mm"), distance=Q(0.075, "mm"))
    >>> f"{e.m_as('mJ/cm^2'):.3f}"
    '18.701'
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    v, h = positive("scan_speed", scan_speed, MM_S), positive("hatch_spacing", hatch_spacing, MM)
    return _exposure(_raster.mean_exposure(p, v, h) * _raster.profile(finite("distance", distance, MM) / h, h / w0))


def hatch_spacing_for_exposure(*, power: Quantity, beam_radius: Quantity, scan_speed: Quantity, exposure: Quantity) -> Quantity:
    r"""Widest spacing at which the weakest place of a raster still gets an exposure.

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
    scan_speed : Quantity [mm/s]
    exposure : Quantity [mJ/cm^2]
        Wanted half-way between two lines. All four broadcast.

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: the valley of `raster_exposure`, solved by bisection; it falls steadily with spacing, so there is one answer.

    >>> from curecalc.units import Quantity as Q
    >>> h = hatch_spacing_for_exposure(power=Q(30.0, "mW"), beam_radius=Q(0.125, "mm"), scan_speed=Q(1.0, "m/s"),
    ...                                exposure=Q(18.701, "mJ/cm^2"))
    >>> f"{h.m_as('mm'):.4f}"
    '0.1500'
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    peak = _line.scan_exposure(p, w0, positive("scan_speed", scan_speed, MM_S))
    return Quantity(_raster.spacing_ratio(positive("exposure", exposure, MJ_MM2) / peak) * w0, MM)


def pulse_exposure(*, power: Quantity, beam_radius: Quantity, scan_speed: Quantity, pulse_rate: Quantity) -> RasterExposure:
    r"""Mean, greatest and least exposure on the axis of a line drawn by pulses a distance v/f apart.

    Parameters
    ----------
    power : Quantity [mW]
        Average power: pulse energy times rate.
    beam_radius : Quantity [mm]
    scan_speed : Quantity [mm/s]
    pulse_rate : Quantity [Hz]
        All four broadcast.

    Returns
    -------
    RasterExposure
        `mean` is that of a continuous beam; Quantity [mJ/cm^2].

    Raises
    ------
    QuantityError

    Source: `derived`, the raster sum with v/f in place of h. Harmless while v/f stays below W0. Holds where exposures add
    (no reciprocity failure at the peak irradiance of the pulses).

    >>> from curecalc.units import Quantity as Q
    >>> e = pulse_exposure(power=Q(30.0, "mW"), beam_radius=Q(0.125, "mm"), scan_speed=Q(5.0, "m/s"), pulse_rate=Q(20.0, "kHz"))
    >>> [f"{part.m_as('mJ/cm^2'):.3f}" for part in e]
    ['3.830', '6.116', '1.654']
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    v, f = positive("scan_speed", scan_speed, MM_S), positive("pulse_rate", pulse_rate, HZ)
    mean, s = _line.scan_exposure(p, w0, v), v / f / w0
    return RasterExposure(*(_exposure(mean * factor) for factor in (np.ones_like(s)[()], _raster.ridge(s), _raster.valley(s))))


def breakup_speed(*, power: Quantity, beam_radius: Quantity, pulse_rate: Quantity, critical_exposure: Quantity) -> Quantity:
    r"""Speed above which a line drawn by pulses breaks up: half-way between two pulses the exposure falls to Ec.

    Parameters
    ----------
    power : Quantity [mW]
        Average power.
    beam_radius : Quantity [mm]
    pulse_rate : Quantity [Hz]
    critical_exposure : Quantity [mJ/cm^2]
        All four broadcast.

    Returns
    -------
    Quantity [mm/s], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `derived`, the valley of `pulse_exposure` set to Ec; one answer, by bisection.

    >>> from curecalc.units import Quantity as Q
    >>> v = breakup_speed(power=Q(30.0, "mW"), beam_radius=Q(0.125, "mm"), pulse_rate=Q(5.0, "kHz"),
    ...                   critical_exposure=Q(8.0, "mJ/cm^2"))
    >>> f"{v.m_as('mm/s'):.1f}"
    '1189.2'
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    f, ec = positive("pulse_rate", pulse_rate, HZ), positive("critical_exposure", critical_exposure, MJ_MM2)
    pulse = 2.0 * p / f / (np.pi * w0**2)
    return Quantity(_raster.breakup_ratio(ec / pulse) * w0 * f, MM_S)


def light_limited_area_rate(*, power: Quantity, exposure: Quantity) -> Quantity:
    r"""Greatest area per time the light allows at a mean exposure, P/E.

    Parameters
    ----------
    power : Quantity [mW]
    exposure : Quantity [mJ/cm^2]
        Both broadcast.

    Returns
    -------
    Quantity [mm^2/s]

    Raises
    ------
    QuantityError

    Source: energy balance, `derived`: no spacing, spot or speed beats it at that power.

    >>> from curecalc.units import Quantity as Q
    >>> f"{light_limited_area_rate(power=Q(300.0, 'mW'), exposure=Q(30.0, 'mJ/cm^2')).m_as('mm^2/s'):.1f}"
    '1000.0'
    """
    p, e = positive("power", power, MW), positive("exposure", exposure, MJ_MM2)
    return Quantity(p / e, MM2_S)


def _exposure(kernel_value: Any) -> Quantity:
    return Quantity(kernel_value, MJ_MM2).to(MJ_CM2)
