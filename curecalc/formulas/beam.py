"""The beam where it meets the resin: its record, width conventions, irradiance, ellipse, focus.

`beam_radius` always is the radius at 1/e^2 of the peak irradiance. No unit can tell a radius from a diameter or a full
width at half maximum, so the names of arguments always do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from ..physics import light as _light
from ..physics import spot as _spot
from ..units import (
    DEG,
    HZ,
    MM,
    MW,
    MW_MM2,
    NM,
    ONE,
    RAD,
    Measured,
    Quantity,
    QuantityError,
    Shown,
    finite,
    measured_field,
    nonnegative,
    positive,
    ratio,
)

__all__ = [
    "Beam",
    "TopHatBeam",
    "beam_diameter",
    "beam_fwhm",
    "beam_irradiance",
    "defocus_for_radius",
    "enclosed_power",
    "perpendicular_radius",
    "radius_at",
    "radius_from_d4sigma",
    "radius_from_diameter",
    "radius_from_fwhm",
    "rayleigh_range",
    "top_hat_irradiance",
]


class LightTold(NamedTuple):
    """How a spot's light is told: symbol of its radius, factor of a line's peak with its value, the weakest place between lines and why.

    `numbers` says what goes into the weakest place: {s}, spacing over radius, and {q}, exp(-pi^2/(2 s^2)).
    """

    radius: str
    factor: str
    value: float
    weakest: str
    numbers: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Beam(Shown):
    """A Gaussian beam at the resin surface, round or elliptical, continuous or pulsed.

    Parameters
    ----------
    power : Quantity or Measured, optional
        Optical (average) power reaching the resin surface [mW]; left out where it is what is asked for.
    radius_x : Quantity or Measured, optional
        Radius at 1/e^2 of peak irradiance [mm], along the spot's own x axis; left out where it is what is asked for.
    radius_y : Quantity or Measured, optional
        Along the spot's own y axis; a round beam when left out.
    radius_correlation : float
        Of the errors of both radii, -1 to 1: 1 where one scale (a stage, a pixel) is all that is uncertain.
    angle : Quantity
        Of the spot's x axis to the machine's x axis, anticlockwise.
    wavelength : Quantity, optional
    beam_quality : float or None
        M^2, at least 1.
    pulse_rate : Quantity, optional
        Of a pulsed laser [Hz]; continuous when left out.
    name : str
    notes : tuple of str
        What its measurement calls in question; every answer that uses the beam carries them.

    Raises
    ------
    QuantityError

    >>> from curecalc.units import Quantity as Q
    >>> beam = Beam(power=Q(30.0, "mW"), radius_x=radius_from_diameter(Q(250.0, "um")))
    >>> beam.round, f"{beam.radius_x.value.m_as('mm'):.3f}"
    (True, '0.125')
    """

    power: Measured | Quantity | None = None
    radius_x: Measured | Quantity | None = None
    radius_y: Measured | Quantity | None = None
    radius_correlation: float = 0.0
    angle: Quantity = Quantity(0.0, DEG)  # noqa: RUF009 (immutable in practice: a scalar quantity)
    wavelength: Quantity | None = None
    beam_quality: float | None = None
    pulse_rate: Quantity | None = None
    name: str = ""
    notes: tuple[str, ...] = ()

    shape: ClassVar[type[_light.Spot]] = _light.Gaussian
    told: ClassVar[LightTold] = LightTold(
        "W0",
        "sqrt(2/pi)",
        math.sqrt(2.0 / math.pi),
        "E_mean (1 - 2 q + 2 q^4 - ...), q = exp(-pi^2 W0^2/(2 h^2))",
        "h/W0 = {s}, q = {q}",
        "Half-way between two lines is the weakest place; all lines are summed.",
    )

    def __post_init__(self) -> None:
        for name, unit in (("power", MW), ("radius_x", MM), ("radius_y", MM)):
            if getattr(self, name) is not None:
                measured_field(self, name, unit)
        ratio("radius_correlation", self.radius_correlation, low=-1.0, high=1.0, low_open=False, high_open=False)
        finite("angle", self.angle, RAD)
        if self.wavelength is not None:
            positive("wavelength", self.wavelength, NM)
        if self.beam_quality is not None:
            ratio("beam_quality", self.beam_quality, low=1.0, low_open=False)
        if self.pulse_rate is not None:
            positive("pulse_rate", self.pulse_rate, HZ)

    @property
    def round(self) -> bool:
        """Whether one radius describes the spot."""
        return self.radius_y is None


@dataclass(frozen=True, kw_only=True)
class TopHatBeam(Beam):
    """A beam of even irradiance inside a sharp outline, nothing outside; `radius_x` and `radius_y` are the outline's.

    >>> from curecalc.units import Quantity as Q
    >>> TopHatBeam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um")).round
    True
    """

    shape: ClassVar[type[_light.Spot]] = _light.TopHat
    told: ClassVar[LightTold] = LightTold(
        "R",
        "(2/pi)",
        2.0 / math.pi,
        "E_mean 2 h/(pi R) x the least sum of sqrt(1 - y^2/R^2) over the lines at y nearer than R",
        "h/R = {s}",
        "Where an outline ends is the weakest place: a line counts by the chord of the spot that passes over it.",
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.pulse_rate is not None:
            raise QuantityError(
                "pulse_rate cannot be combined with a top-hat spot: between its sharp outlines the exposure jumps with where "
                "each pulse falls. Leave it out for the mean, or describe the spot as a Gaussian."
            )


def radius_from_diameter(diameter: Quantity) -> Quantity:
    """1/e^2 radius of a 1/e^2 diameter: half of it.

    >>> f"{radius_from_diameter(Quantity(250.0, 'um')).m_as('um'):.1f}"
    '125.0'
    """
    return Quantity(0.5 * positive("beam_diameter", diameter, MM), MM)


def radius_from_fwhm(fwhm: Quantity) -> Quantity:
    """1/e^2 radius of a Gaussian with this full width at half maximum: 0.8493218 FWHM.

    Source: `derived` from exp(-2 r^2/W0^2) = 1/2; Gaussian beams only.

    >>> f"{radius_from_fwhm(Quantity(1.0, 'mm')).m_as('mm'):.7f}"
    '0.8493218'
    """
    return Quantity(positive("beam_fwhm", fwhm, MM) / _spot.FWHM_PER_RADIUS, MM)


def radius_of(width: str, size: Measured) -> Measured:
    """The 1/e^2 radius of a spot whose `beam_radius`, `beam_diameter` or `beam_fwhm` is given: as well known as that."""
    convert = {"beam_radius": lambda radius: radius, "beam_diameter": radius_from_diameter, "beam_fwhm": radius_from_fwhm}[width]
    radius = convert(size.value)
    return Measured(radius, size.standard_uncertainty * float((radius / size.value).m_as(ONE)))


def radius_from_d4sigma(d4sigma: Quantity) -> Quantity:
    """1/e^2 radius of a Gaussian with this second-moment width (ISO 11146-1): half of it.

    >>> f"{radius_from_d4sigma(Quantity(250.0, 'um')).m_as('um'):.1f}"
    '125.0'
    """
    return Quantity(positive("d4sigma", d4sigma, MM) / _spot.D4SIGMA_PER_RADIUS, MM)


def beam_diameter(beam_radius: Quantity) -> Quantity:
    """1/e^2 diameter of a 1/e^2 radius.

    >>> f"{beam_diameter(Quantity(125.0, 'um')).m_as('um'):.1f}"
    '250.0'
    """
    return Quantity(2.0 * positive("beam_radius", beam_radius, MM), MM)


def beam_fwhm(beam_radius: Quantity) -> Quantity:
    """Full width at half maximum of a Gaussian of this 1/e^2 radius: 1.1774100 W0.

    >>> f"{beam_fwhm(Quantity(1.0, 'mm')).m_as('mm'):.7f}"
    '1.1774100'
    """
    return Quantity(positive("beam_radius", beam_radius, MM) * _spot.FWHM_PER_RADIUS, MM)


def beam_irradiance(*, power: Quantity, beam_radius: Quantity, distance: Quantity) -> Quantity:
    r"""Irradiance of a round Gaussian at a distance from its axis, 2P/(pi W0^2) exp(-2 r^2/W0^2).

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
        At 1/e^2 of peak irradiance.
    distance : Quantity [mm]
        From the axis, not below zero. All three broadcast.

    Returns
    -------
    Quantity [mW/mm^2], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: `gibson2015` p. 76. Valid for a beam near the lowest Gaussian mode.

    >>> from curecalc.units import Quantity as Q
    >>> i = beam_irradiance(power=Q(30.0, "mW"), beam_radius=Q(125.0, "um"), distance=Q(0.0, "mm"))
    >>> f"{i.m_as('mW/mm^2'):.1f}"
    '1222.3'
    """
    w0, r = positive("beam_radius", beam_radius, MM), nonnegative("distance", distance, MM)
    return Quantity(_spot.irradiance(positive("power", power, MW), w0, w0, r, 0.0), MW_MM2)


def enclosed_power(*, beam_radius: Quantity, distance: Quantity) -> Quantity:
    r"""Share of the power inside a circle around the axis of a round Gaussian, 1 - exp(-2 r^2/W0^2).

    Parameters
    ----------
    beam_radius, distance : Quantity [mm]
        Both broadcast; distance not below zero.

    Returns
    -------
    Quantity, dimensionless

    Raises
    ------
    QuantityError

    Source: `iso11146`; 86.4665 % inside the 1/e^2 radius.

    >>> from curecalc.units import Quantity as Q
    >>> f"{enclosed_power(beam_radius=Q(125.0, 'um'), distance=Q(125.0, 'um')).m:.6f}"
    '0.864665'
    """
    w0, r = positive("beam_radius", beam_radius, MM), nonnegative("distance", distance, MM)
    return Quantity(_spot.enclosed_power(r, w0), ONE)


def top_hat_irradiance(*, power: Quantity, beam_radius: Quantity) -> Quantity:
    r"""Irradiance of a top-hat beam, P/(pi R^2) inside its radius R.

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
        Outer radius of the flat spot. Both broadcast.

    Returns
    -------
    Quantity [mW/mm^2]

    Raises
    ------
    QuantityError

    Source: `derived`, power over area.

    >>> from curecalc.units import Quantity as Q
    >>> f"{top_hat_irradiance(power=Q(30.0, 'mW'), beam_radius=Q(125.0, 'um')).m_as('mW/mm^2'):.1f}"
    '611.2'
    """
    return Quantity(_spot.top_hat_irradiance(positive("power", power, MW), positive("beam_radius", beam_radius, MM)), MW_MM2)


def perpendicular_radius(*, radius_x: Quantity, radius_y: Quantity, track_angle: Quantity, spot_angle: Quantity | None = None) -> Quantity:
    r"""Radius across a scanned line of an elliptical spot, sqrt(Wx^2 sin^2 psi + Wy^2 cos^2 psi).

    Parameters
    ----------
    radius_x, radius_y : Quantity [mm]
        1/e^2 radii along the spot's own axes.
    track_angle : Quantity [deg]
        Of the track to the machine's x axis. All broadcast.
    spot_angle : Quantity [deg], optional
        Of the spot's x axis to the machine's x axis; zero when left out. psi is the difference.

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `derived`: marginal width of a two-dimensional Gaussian.

    >>> from curecalc.units import Quantity as Q
    >>> w = perpendicular_radius(radius_x=Q(0.1, "mm"), radius_y=Q(0.2, "mm"), track_angle=Q(90.0, "deg"))
    >>> f"{w.m_as('mm'):.3f}"
    '0.100'
    """
    wx, wy = positive("radius_x", radius_x, MM), positive("radius_y", radius_y, MM)
    tilt = 0.0 if spot_angle is None else finite("spot_angle", spot_angle, RAD)
    matrix = _spot.spot_matrix(wx, wy, tilt)
    return Quantity(_spot.perpendicular_radius(matrix, finite("track_angle", track_angle, RAD)), MM)


def rayleigh_range(*, waist_radius: Quantity, wavelength: Quantity, beam_quality: Any = 1.0) -> Quantity:
    r"""Distance from the waist at which the radius has grown by sqrt 2: pi W0^2/(M^2 lambda).

    Parameters
    ----------
    waist_radius : Quantity [mm]
        1/e^2 radius at the waist. All three broadcast.
    wavelength : Quantity [nm]
    beam_quality : float
        M^2, at least 1.

    Returns
    -------
    Quantity [mm]

    Raises
    ------
    QuantityError

    Source: `iso11146` (ISO 11146-1). Valid for stigmatic beams.

    >>> from curecalc.units import Quantity as Q
    >>> z = rayleigh_range(waist_radius=Q(62.5, "um"), wavelength=Q(355.0, "nm"), beam_quality=1.3)
    >>> f"{z.m_as('mm'):.1f}"
    '26.6'
    """
    m2 = ratio("beam_quality", beam_quality, low=1.0, low_open=False)
    return Quantity(_spot.rayleigh_range(positive("waist_radius", waist_radius, MM), m2, positive("wavelength", wavelength, MM)), MM)


def radius_at(*, defocus: Quantity, waist_radius: Quantity, wavelength: Quantity, beam_quality: Any = 1.0) -> Quantity:
    r"""Beam radius at a distance from the waist, W0 sqrt(1 + (z/zR)^2).

    Parameters
    ----------
    defocus : Quantity [mm]
        Distance from the waist, either sign. All broadcast.
    waist_radius : Quantity [mm]
    wavelength : Quantity [nm]
    beam_quality : float
        M^2, at least 1.

    Returns
    -------
    Quantity [mm]

    Raises
    ------
    QuantityError

    Source: `iso11146` (ISO 11146-1).

    >>> from curecalc.units import Quantity as Q
    >>> w = radius_at(defocus=Q(26.59, "mm"), waist_radius=Q(62.5, "um"), wavelength=Q(355.0, "nm"), beam_quality=1.3)
    >>> f"{w.m_as('um'):.1f}"
    '88.4'
    """
    zr = rayleigh_range(waist_radius=waist_radius, wavelength=wavelength, beam_quality=beam_quality).m_as(MM)
    return Quantity(_spot.caustic_radius(finite("defocus", defocus, MM), positive("waist_radius", waist_radius, MM), zr), MM)


def defocus_for_radius(*, beam_radius: Quantity, waist_radius: Quantity, wavelength: Quantity, beam_quality: Any = 1.0) -> Quantity:
    r"""Distance from the waist, either way, at which the beam has a wanted radius: zR sqrt((W/W0)^2 - 1).

    Parameters
    ----------
    beam_radius, waist_radius : Quantity [mm]
        The wanted radius must not be below the waist's. All broadcast.
    wavelength : Quantity [nm]
    beam_quality : float

    Returns
    -------
    Quantity [mm]

    Raises
    ------
    QuantityError
        Also when the wanted radius is smaller than the waist.

    Source: `iso11146` (ISO 11146-1), solved for z.

    >>> from curecalc.units import Quantity as Q
    >>> z = defocus_for_radius(beam_radius=Q(125.0, "um"), waist_radius=Q(62.5, "um"), wavelength=Q(355.0, "nm"),
    ...                        beam_quality=1.3)
    >>> f"{z.m_as('mm'):.2f}"
    '46.06'
    """
    zr = rayleigh_range(waist_radius=waist_radius, wavelength=wavelength, beam_quality=beam_quality).m_as(MM)
    w, w0 = positive("beam_radius", beam_radius, MM), positive("waist_radius", waist_radius, MM)
    if np.any(np.less(w, w0)):
        raise QuantityError("beam_radius must not be below waist_radius: no defocus makes the beam narrower than its waist.")
    return Quantity(_spot.defocus_for_radius(w, w0, zr), MM)
