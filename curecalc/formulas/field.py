"""The beam across the scan field: tilt, footprint, refraction, reflection, speed of the spot.

A tilted beam changes the cure in three ways, all in `settings`: its footprint is stretched by 1/cos theta; a little more is
reflected; in the resin it runs at theta' to the vertical, so it reaches less deep (Dp cos theta') but is denser by
1/cos theta' across the ray than per area of the surface, and gelling follows the energy absorbed per volume.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ..physics import tilt as _tilt
from ..units import DEG, MM, MM_S, ONE, RAD, Quantity, QuantityError, finite, nonnegative, positive, ratio

__all__ = [
    "FresnelLoss",
    "footprint_factor",
    "fresnel_loss",
    "incidence_angle",
    "refraction_angle",
    "surface_speed",
    "transmission_ratio",
    "vertical_depth_factor",
]


class FresnelLoss(NamedTuple):
    """Reflected shares of the light, dimensionless."""

    s: Quantity
    p: Quantity
    unpolarised: Quantity


def _incidence(value: Quantity) -> Any:
    theta = finite("incidence_angle", value, RAD)
    beyond = np.extract(np.clip(theta, 0.0, math.radians(80.0)) != theta, theta)
    if beyond.size:
        raise QuantityError(f"incidence_angle must be from 0 to 80 deg, got {math.degrees(beyond[0]):.6g} deg.")
    return theta


def _index(value: Any) -> Any:
    return ratio("refractive_index", value, low=1.0, low_open=False, high=4.0)


def incidence_angle(*, distance: Quantity, beam_height: Quantity) -> Quantity:
    r"""Angle of the beam to the vertical at a distance from the field centre, atan(d/L).

    Parameters
    ----------
    distance : Quantity [mm]
        From the point straight below the mirror. Both broadcast.
    beam_height : Quantity [mm]
        Of the last mirror above the resin.

    Returns
    -------
    Quantity [deg]

    Raises
    ------
    QuantityError

    Source: `derived`, plane geometry. Valid without a flat-field lens.

    >>> from curecalc.units import Quantity as Q
    >>> f"{incidence_angle(distance=Q(250.0, 'mm'), beam_height=Q(1000.0, 'mm')).m_as('deg'):.2f}"
    '14.04'
    """
    d, height = nonnegative("distance", distance, MM), positive("beam_height", beam_height, MM)
    return Quantity(_tilt.incidence_angle(d, height), RAD).to(DEG)


def footprint_factor(incidence_angle: Quantity) -> Quantity:
    r"""Stretch of the spot along the tilt, 1/cos theta.

    Parameters
    ----------
    incidence_angle : Quantity [deg]
        0 to 80 deg.

    Returns
    -------
    Quantity, dimensionless

    Raises
    ------
    QuantityError

    Source: `derived`, plane geometry.

    >>> f"{footprint_factor(Quantity(20.0, 'deg')).m:.4f}"
    '1.0642'
    """
    return Quantity(_tilt.footprint_factor(_incidence(incidence_angle)), ONE)


def refraction_angle(incidence_angle: Quantity, refractive_index: Any = 1.5) -> Quantity:
    r"""Angle to the vertical inside the resin, asin(sin theta / n) (Snell's law).

    Parameters
    ----------
    incidence_angle : Quantity [deg]
        0 to 80 deg; broadcasts with the index.
    refractive_index : float
        Of the liquid, 1 to 4.

    Returns
    -------
    Quantity [deg]

    Raises
    ------
    QuantityError

    Source: Snell's law, any optics handbook; values `derived`.

    >>> f"{refraction_angle(Quantity(20.0, 'deg'), 1.5).m_as('deg'):.2f}"
    '13.18'
    """
    return Quantity(_tilt.refraction_angle(_incidence(incidence_angle), _index(refractive_index)), RAD).to(DEG)


def vertical_depth_factor(incidence_angle: Quantity, refractive_index: Any = 1.5) -> Quantity:
    r"""Vertical depth over the slanted path in the resin, cos theta'.

    Parameters
    ----------
    incidence_angle : Quantity [deg]
    refractive_index : float

    Returns
    -------
    Quantity, dimensionless

    Raises
    ------
    QuantityError

    Source: Snell's law; values `derived`.

    >>> f"{vertical_depth_factor(Quantity(20.0, 'deg'), 1.5).m:.4f}"
    '0.9737'
    """
    return Quantity(_tilt.vertical_factor(_incidence(incidence_angle), _index(refractive_index)), ONE)


def fresnel_loss(incidence_angle: Quantity, refractive_index: Any = 1.5) -> FresnelLoss:
    r"""Shares of the light reflected at the resin surface, for s and p polarisation and their mean.

    Parameters
    ----------
    incidence_angle : Quantity [deg]
        0 to 80 deg; broadcasts with the index.
    refractive_index : float

    Returns
    -------
    FresnelLoss
        Three dimensionless quantities.

    Raises
    ------
    QuantityError

    Source: Fresnel equations, any optics handbook; values `derived`. Valid for a smooth, non-absorbing surface.

    >>> loss = fresnel_loss(Quantity(20.0, "deg"), 1.5)
    >>> f"{loss.unpolarised.m:.4f}", f"{loss.s.m:.4f}", f"{loss.p.m:.4f}"
    ('0.0403', '0.0471', '0.0335')
    """
    parts = _tilt.fresnel_loss(_incidence(incidence_angle), _index(refractive_index))
    return FresnelLoss(*(Quantity(part, ONE) for part in parts))


def transmission_ratio(incidence_angle: Quantity, refractive_index: Any = 1.5) -> Quantity:
    r"""Light entering the resin at this angle over that entering straight down (unpolarised).

    A resin is calibrated straight down, so only this ratio changes its critical exposure away from the centre.

    Parameters
    ----------
    incidence_angle : Quantity [deg]
    refractive_index : float

    Returns
    -------
    Quantity, dimensionless

    Raises
    ------
    QuantityError

    Source: Fresnel equations; values `derived`.

    >>> f"{transmission_ratio(Quantity(20.0, 'deg'), 1.5).m:.5f}"
    '0.99972'
    """
    return Quantity(_tilt.transmission_ratio(_incidence(incidence_angle), _index(refractive_index)), ONE)


def surface_speed(*, beam_height: Quantity, beam_turn_rate: Quantity, incidence_angle: Quantity) -> Quantity:
    r"""Speed of the spot for a turning beam, away from the centre: L omega/cos^2 theta.

    Parameters
    ----------
    beam_height : Quantity [mm]
    beam_turn_rate : Quantity [deg/s]
        Of the beam: twice the mirror's. All three broadcast.
    incidence_angle : Quantity [deg]

    Returns
    -------
    Quantity [mm/s]

    Raises
    ------
    QuantityError

    Source: `derived`, d(L tan theta)/dt.

    >>> from curecalc.units import Quantity as Q
    >>> v = surface_speed(beam_height=Q(1000.0, "mm"), beam_turn_rate=Q(1.0, "rad/s"), incidence_angle=Q(20.0, "deg"))
    >>> f"{v.m_as('mm/s'):.1f}"
    '1132.5'
    """
    height, omega = positive("beam_height", beam_height, MM), positive("beam_turn_rate", beam_turn_rate, RAD / _S)
    return Quantity(_tilt.surface_speed(height, omega, _incidence(incidence_angle)), MM_S)


_S = Quantity(1.0, "s").units
