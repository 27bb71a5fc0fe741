"""The scan: its record; exposure of a line and a segment; the cured section; the speed for a depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..physics import line as _line
from ..units import (
    DEG,
    MJ_CM2,
    MJ_MM2,
    MM,
    MM_S,
    MW,
    RAD,
    Measured,
    Quantity,
    QuantityError,
    Shown,
    count,
    finite,
    measured_field,
    nonnegative,
    positive,
    ratio,
)

__all__ = ["Scan", "line_width", "power_for_depth", "scan_exposure", "scan_speed", "section_depth", "segment_exposure", "top_hat_exposure"]


@dataclass(frozen=True, kw_only=True)
class Scan(Shown):
    """How the beam is moved over a layer: one line, or a raster of parallel lines.

    Parameters
    ----------
    scan_speed : Quantity or Measured [mm/s], optional
        Left out where it is what is asked for.
    hatch_spacing : Quantity or Measured [mm], optional
        Distance between neighbouring parallel lines; a single line when left out.
    passes : int
        Equal passes over the same tracks.
    cross_hatch : bool
        A second raster, square to the first, with the same number of passes.
    track_angle : Quantity [deg]
        Of the tracks to the machine's x axis. Matters for an elliptical spot.
    incidence_angle, incidence_direction : Quantity [deg]
        Tilt of the beam from the vertical, and the direction it leans to, from the machine's x axis.
    s_polarised_share : float
        Share of the light polarised across the plane in which it leans; 0.5 for unpolarised light. Matters with a tilt only.

    Raises
    ------
    QuantityError

    >>> from curecalc.units import Quantity as Q
    >>> Scan(scan_speed=Q(2.0, "m/s"), hatch_spacing=Q(100.0, "um"), passes=2).raster
    True
    """

    scan_speed: Measured | Quantity | None = None
    hatch_spacing: Measured | Quantity | None = None
    passes: int = 1
    cross_hatch: bool = False
    track_angle: Quantity = Quantity(0.0, DEG)  # noqa: RUF009
    incidence_angle: Quantity = Quantity(0.0, DEG)  # noqa: RUF009
    incidence_direction: Quantity = Quantity(0.0, DEG)  # noqa: RUF009
    s_polarised_share: float = 0.5

    def __post_init__(self) -> None:
        from .field import _incidence

        if self.scan_speed is not None:
            measured_field(self, "scan_speed", MM_S)
        if self.hatch_spacing is not None:
            measured_field(self, "hatch_spacing", MM)
        count("passes", self.passes)
        finite("track_angle", self.track_angle, RAD)
        finite("incidence_direction", self.incidence_direction, RAD)
        _incidence(self.incidence_angle)
        ratio("s_polarised_share", self.s_polarised_share, high=1.0, low_open=False, high_open=False)

    @property
    def raster(self) -> bool:
        """Whether there are parallel lines."""
        return self.hatch_spacing is not None


def scan_exposure(*, power: Quantity, beam_radius: Quantity, scan_speed: Quantity) -> Quantity:
    r"""Peak surface exposure on the axis of one scanned line, sqrt(2/pi) P / (W0 v).

    Parameters
    ----------
    power : Quantity [mW]
        Optical power reaching the resin surface. Scalar or array; all three broadcast.
    beam_radius : Quantity [mm]
        Radius at 1/e^2 of peak irradiance: not the diameter, not FWHM.
    scan_speed : Quantity [mm/s]

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or not finite and above zero.

    Source: `gibson2015` chapter 4 (line exposure), `jacobs1992` chapter 4. Valid for a Gaussian beam at constant speed,
    several radii away from the ends of the line.

    >>> from curecalc.units import Quantity as Q
    >>> e0 = scan_exposure(power=Q(20.0, "mW"), beam_radius=Q(100.0, "um"), scan_speed=Q(1.0, "m/s"))
    >>> f"{e0.m_as('mJ/cm^2'):.2f}"
    '15.96'
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    return _exposure(_line.scan_exposure(p, w0, positive("scan_speed", scan_speed, MM_S)))


def scan_speed(
    *, power: Quantity, beam_radius: Quantity, penetration_depth: Quantity, critical_exposure: Quantity, cure_depth: Quantity
) -> Quantity:
    r"""Speed at which one line cures to a depth, sqrt(2/pi) P / (W0 Ec) exp(-Cd/Dp).

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
        At 1/e^2 of peak irradiance.
    penetration_depth : Quantity [mm]
    critical_exposure : Quantity [mJ/cm^2]
    cure_depth : Quantity [mm]
        Wanted depth on the axis, not below zero: layer thickness plus overcure. All five broadcast.

    Returns
    -------
    Quantity [mm/s], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: `gibson2015` eq. 4.14 on the axis, solved for v. Valid as `scan_exposure` and `resin.cure_depth`.

    >>> from curecalc.units import Quantity as Q
    >>> v = scan_speed(power=Q(30.0, "mW"), beam_radius=Q(0.125, "mm"), penetration_depth=Q(0.15, "mm"),
    ...                critical_exposure=Q(8.0, "mJ/cm^2"), cure_depth=Q(0.15, "mm"))
    >>> f"{v.m_as('mm/s'):.3f}"
    '880.576'
    """
    p, w0 = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    dp, ec = (positive("penetration_depth", penetration_depth, MM), positive("critical_exposure", critical_exposure, MJ_MM2))
    cd = nonnegative("cure_depth", cure_depth, MM)
    try:
        with np.errstate(over="raise", under="raise"):
            return Quantity(_line.scan_speed(p, w0, dp, ec, cd), MM_S)
    except FloatingPointError:
        raise QuantityError(
            f"cure_depth is {float(np.max(cd / dp)):.4g} penetration depths: no speed a number can hold is slow enough."
        ) from None


def power_for_depth(
    *, scan_speed: Quantity, beam_radius: Quantity, penetration_depth: Quantity, critical_exposure: Quantity, cure_depth: Quantity
) -> Quantity:
    r"""Power at which one line cures to a depth at a given speed, sqrt(pi/2) W0 v Ec exp(Cd/Dp).

    Parameters
    ----------
    scan_speed : Quantity [mm/s]
    beam_radius : Quantity [mm]
    penetration_depth : Quantity [mm]
    critical_exposure : Quantity [mJ/cm^2]
    cure_depth : Quantity [mm]
        Not below zero. All five broadcast.

    Returns
    -------
    Quantity [mW], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `gibson2015` eq. 4.14 on the axis, solved for P. Valid as `scan_speed`.

    >>> from curecalc.units import Quantity as Q
    >>> p = power_for_depth(scan_speed=Q(880.576, "mm/s"), beam_radius=Q(0.125, "mm"), penetration_depth=Q(0.15, "mm"),
    ...                     critical_exposure=Q(8.0, "mJ/cm^2"), cure_depth=Q(0.15, "mm"))
    >>> f"{p.m_as('mW'):.3f}"
    '30.000'
    """
    from .resin import exposure_for_depth

    e = exposure_for_depth(cure_depth=cure_depth, penetration_depth=penetration_depth, critical_exposure=critical_exposure)
    w0, v = positive("beam_radius", beam_radius, MM), positive("scan_speed", scan_speed, MM_S)
    return Quantity(_line.power_for_exposure(e.m_as(MJ_MM2), w0, v), MW)


def line_width(*, beam_radius: Quantity, cure_depth: Quantity, penetration_depth: Quantity, depth: Quantity | None = None) -> Quantity:
    r"""Width of a cured line at a depth below the surface, W0 sqrt(2 (Cd - z)/Dp).

    Parameters
    ----------
    beam_radius : Quantity [mm]
    cure_depth : Quantity [mm]
        On the axis of the line.
    penetration_depth : Quantity [mm]
    depth : Quantity [mm], optional
        Where the width is wanted; the surface when left out. Zero width at and below the cured tip.

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `gibson2015` eq. 4.14, 2 y^2/W0^2 + z/Dp = ln(E/Ec). Published comparisons found widths from an exposure
    threshold wrong by about 30 % (`tang2004`): measure widths where they matter.

    >>> from curecalc.units import Quantity as Q
    >>> w = line_width(beam_radius=Q(0.125, "mm"), cure_depth=Q(0.130923, "mm"), penetration_depth=Q(0.15, "mm"))
    >>> f"{w.m_as('mm'):.5f}"
    '0.16515'
    """
    w0, cd = positive("beam_radius", beam_radius, MM), nonnegative("cure_depth", cure_depth, MM)
    dp = positive("penetration_depth", penetration_depth, MM)
    z = 0.0 if depth is None else nonnegative("depth", depth, MM)
    return Quantity(w0 * np.sqrt(2.0 * np.maximum(cd - z, 0.0) / dp), MM)


def section_depth(*, distance: Quantity, beam_radius: Quantity, cure_depth: Quantity, penetration_depth: Quantity) -> Quantity:
    r"""Depth of the cured section at a distance from the line's axis: the parabola Cd - 2 Dp y^2/W0^2, not below zero.

    Parameters
    ----------
    distance : Quantity [mm]
        From the axis, either side.
    beam_radius, cure_depth, penetration_depth : Quantity [mm]
        All four broadcast.

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `gibson2015` eq. 4.14.

    >>> from curecalc.units import Quantity as Q
    >>> d = section_depth(distance=Q(0.05, "mm"), beam_radius=Q(0.125, "mm"), cure_depth=Q(0.13, "mm"),
    ...                   penetration_depth=Q(0.15, "mm"))
    >>> f"{d.m_as('mm'):.3f}"
    '0.082'
    """
    y, w0 = finite("distance", distance, MM), positive("beam_radius", beam_radius, MM)
    cd, dp = nonnegative("cure_depth", cure_depth, MM), positive("penetration_depth", penetration_depth, MM)
    return Quantity(_line.section_depth(y, cd, dp, w0), MM)


def segment_exposure(
    *, power: Quantity, beam_radius: Quantity, scan_speed: Quantity, length: Quantity, position: Quantity, distance: Quantity | None = None
) -> Quantity:
    r"""Exposure along a straight segment of finite length, scanned once from end to end at constant speed.

    The endless line's value times 1/2 [erf(sqrt2 s/W0) + erf(sqrt2 (L - s)/W0)]: half of it at the ends.

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
    scan_speed : Quantity [mm/s]
    length : Quantity [mm]
        Of the segment, L.
    position : Quantity [mm]
        Along the track from the start of the segment, s; may lie outside it.
    distance : Quantity [mm], optional
        Across the track; on the axis when left out. All broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `derived`, time integral of the moving Gaussian. Acceleration at the ends is not in it.

    >>> from curecalc.units import Quantity as Q
    >>> e = segment_exposure(power=Q(20.0, "mW"), beam_radius=Q(0.1, "mm"), scan_speed=Q(1.0, "m/s"), length=Q(5.0, "mm"),
    ...                      position=Q(0.0, "mm"))
    >>> f"{e.m_as('mJ/cm^2'):.3f}"
    '7.979'
    """
    w0 = positive("beam_radius", beam_radius, MM)
    peak = _line.scan_exposure(positive("power", power, MW), w0, positive("scan_speed", scan_speed, MM_S))
    share = _line.segment_factor(finite("position", position, MM), positive("length", length, MM), w0)
    y = 0.0 if distance is None else finite("distance", distance, MM)
    return _exposure(_line.line_profile(peak, w0, y) * share)


def top_hat_exposure(*, power: Quantity, beam_radius: Quantity, scan_speed: Quantity, distance: Quantity | None = None) -> Quantity:
    r"""Exposure of a line scanned with a top-hat beam, 2 P sqrt(R^2 - y^2)/(pi R^2 v).

    Parameters
    ----------
    power : Quantity [mW]
    beam_radius : Quantity [mm]
        Outer radius R of the flat spot.
    scan_speed : Quantity [mm/s]
    distance : Quantity [mm], optional
        From the axis; zero exposure beyond R. All broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `derived`, chord of the disc over the speed; on the axis 0.798 of a Gaussian with W0 = R.

    >>> from curecalc.units import Quantity as Q
    >>> e = top_hat_exposure(power=Q(20.0, "mW"), beam_radius=Q(0.1, "mm"), scan_speed=Q(1.0, "m/s"))
    >>> f"{e.m_as('mJ/cm^2'):.2f}"
    '12.73'
    """
    p, r = positive("power", power, MW), positive("beam_radius", beam_radius, MM)
    y = 0.0 if distance is None else finite("distance", distance, MM)
    return _exposure(_line.top_hat_exposure(p, r, positive("scan_speed", scan_speed, MM_S), y))


def _exposure(kernel_value: Any) -> Quantity:
    return Quantity(kernel_value, MJ_MM2).to(MJ_CM2)
