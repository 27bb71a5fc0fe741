"""Slit and pinhole profiles with units: the opening's own width is taken out of the answer."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..symbols import percent
from ..units import MM, Measured, Quantity, QuantityError, measured, positive, show_kernel
from .measurement import BeamMeasurement, Estimate, checked
from .profile import Profile, pinhole_corrected, profile, slit_corrected
from .scans import _spread, doubts, enough, held, measurement, scan_estimate, scans_of

__all__ = ["pinhole_beam", "slit_beam"]


def slit_beam(
    *,
    position: Quantity,
    reading: Any,
    slit_width: Measured | Quantity | None = None,
    axis: Sequence[str] | None = None,
    tilt: bool = True,
    position_uncertainty: Quantity | None = None,
    scale_uncertainty: float = 0.0,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Beam radius from a scanned slit; the slit's width is part of the fitted model.

    Parameters
    ----------
    position : Quantity [mm], shape (n,)
    reading : float array (n,) or Quantity
        Signal behind the slit, linear in power.
    slit_width : Quantity or Measured [mm], optional
        Full width of the opening; taken as far narrower than the beam when left out.
    axis : sequence of str (n,), optional
    tilt : bool
        Let the level under the peak tilt.
    position_uncertainty : Quantity [mm], optional
        Standard uncertainty of each position; found from the scatter where it shows more.
    scale_uncertainty : float
    confidence : float

    Returns
    -------
    BeamMeasurement

    Raises
    ------
    QuantityError

    Source: ISO 11146-3; W0^2 = Wm^2 - s^2/3 is shown beside the fit. That law is exact for second moments; for a
    Gaussian fitted to the profile of a slit as wide as the radius it is 1.6 % high, so the fit carries the slit itself.

    >>> import numpy as np
    >>> x = np.linspace(-0.4, 0.4, 33)
    >>> got = slit_beam(position=Quantity(x, "mm"), reading=np.exp(-2.0 * (x / 0.125) ** 2))
    >>> f"{got.radius_x.value.m_as('um'):.1f}"
    '125.0'
    """
    return _profiles("slit", slit_width, position, reading, axis, tilt, position_uncertainty, scale_uncertainty, confidence)


def pinhole_beam(
    *,
    position: Quantity,
    reading: Any,
    pinhole_diameter: Measured | Quantity,
    axis: Sequence[str] | None = None,
    tilt: bool = True,
    position_uncertainty: Quantity | None = None,
    scale_uncertainty: float = 0.0,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Beam radius from a pinhole scanned through the middle of the beam; the disc is part of the fitted model.

    Parameters
    ----------
    position : Quantity [mm], shape (n,)
    reading : float array (n,) or Quantity
    pinhole_diameter : Quantity or Measured [mm]
    axis : sequence of str (n,), optional
    tilt : bool
    position_uncertainty : Quantity [mm], optional
    scale_uncertainty : float
    confidence : float

    Returns
    -------
    BeamMeasurement

    Raises
    ------
    QuantityError
        Also when the pinhole alone explains the measured width.

    Source: the round beam summed over the disc; W0^2 = Wm^2 - D^2/4 (its second moments) is shown beside the fit. Valid for
    pinholes up to 1.6 radii and near-round beams; the scan must cross the centre.

    >>> import numpy as np
    >>> x = np.linspace(-0.4, 0.4, 33)
    >>> got = pinhole_beam(position=Quantity(x, "mm"), reading=np.exp(-2.0 * (x / 0.125) ** 2),
    ...                    pinhole_diameter=Quantity(50.0, "um"))
    >>> f"{got.radius_x.value.m_as('um'):.0f}"
    '122'
    """
    return _profiles("pinhole", pinhole_diameter, position, reading, axis, tilt, position_uncertainty, scale_uncertainty, confidence)


def _opening(name: str, value: Measured | Quantity | None) -> tuple[float, float]:
    if value is None:
        return 0.0, 0.0
    full = value if isinstance(value, Measured) else measured(value)
    return positive(name, full.value, MM), float(full.standard_uncertainty.m_as(MM))


# ---------------------------------------------------------------- slit and pinhole


@dataclass(frozen=True)
class _Law:
    """What an opening does to a width, W0^2 = Wm^2 - size^2/times, and up to how many radii it is not too wide."""

    argument: str
    symbol: str
    times: float
    widest: float
    corrected: Callable[[float, float], float]


_LAWS = {"slit": _Law("slit_width", "s", 3.0, 2.0, slit_corrected), "pinhole": _Law("pinhole_diameter", "D", 4.0, 1.6, pinhole_corrected)}


def _profiles(
    kind: str,
    opening: Measured | Quantity | None,
    position: Quantity,
    reading: Any,
    axis: Sequence[str] | None,
    tilt: bool,
    spread: Quantity | None,
    scale: float,
    confidence: float,
) -> BeamMeasurement:
    law = _LAWS[kind]
    size, u_size = _opening(law.argument, opening)
    found: dict[str, Any] = {}
    estimates: dict[str, Estimate] = {}
    warnings: list[str] = []
    notes: list[str] = []
    steps: list[Step] = []
    details: dict[str, Any] = {}
    scans = scans_of(position, reading, axis)
    for name, x, y in scans:
        enough(name, x, 6, f"{kind} profile")
        if size > np.ptp(x):
            wide, travel = show_kernel(size, "length"), show_kernel(float(np.ptp(x)), "length")
            raise QuantityError(
                f"{law.argument} is {wide}, more than the whole travel of {travel}. Check the unit of both, and scan with an opening below "
                "a third of the beam radius."
            )
        f = checked(profile, x, y, **{law.argument: size}, tilt=tilt, u_position=_spread(spread))
        _refuse_profile(f)
        found[name] = (f, x, y)
        shift = size * u_size / (law.times * f.radius)  # the law's derivative
        estimates[name] = scan_estimate(
            f.radius, f.u_radius, f.degrees_of_freedom, scale, confidence, [(f"common: {kind} opening (Type B)", shift, math.inf)]
        )
        of = f"{name} scan: " if len(scans) > 1 else ""
        warnings += doubts(of, f, f.peak, notes) + _profile_doubts(of, kind, f, size, notes)
        end = f"_{name}" if len(scans) > 1 else ""
        details[f"measured_radius{end}"] = Quantity(f.measured_radius, MM)
        details[f"moment_radius{end}"] = Quantity(f.moment_radius, MM) if math.isfinite(f.moment_radius) else None
        details[f"residual{end}"] = f.residual_sd / abs(f.peak)
        steps += _profile_steps(kind, f, estimates[name], size)
    details["opening"] = Quantity(size, MM)
    return measurement(kind, found, estimates, details, warnings, notes, steps)


def _refuse_profile(f: Profile) -> None:
    held(f.readings, f.radius, f.u_radius, f.degrees_of_freedom)
    weak = f.peak < 4.0 * f.residual_sd or f.u_radius > f.radius
    r, n = f.residuals, f.residuals.size
    # von Neumann's ratio: neighbours of scatter differ by twice its variance, those of a pattern by less
    if weak and float(np.diff(r) @ np.diff(r)) < 2.0 * (1.0 - 2.3 / math.sqrt(n)) * float(r @ r):
        raise QuantityError(
            "the readings follow a pattern that no single peak has: two lobes, several modes, or the rim of a hollow beam. No radius of "
            "this axis describes it. Take a camera image."
        )
    if weak:
        raise QuantityError(
            "no peak stands out of the scatter of these readings. Check that the opening crosses the beam, raise the power on "
            "the detector or average longer, and scan again. A scan that steps from one level to another is a knife edge: "
            "kind='knife-edge'."
        )
    short = min(f.travel_before, f.travel_after)
    if short < 1.0:
        raise QuantityError(
            f"the travel is too short: it reaches only {max(short, 0.0):.1f} beam radii beyond the peak on one side, so the dark "
            f"level is never seen. Scan at least {show_kernel(5.0 * f.measured_radius, 'length', digits=2)} in all."
        )
    if f.points_on_peak < 2:
        raise QuantityError(
            f"only {f.points_on_peak} reading falls on the peak, too few to give a width. Step by "
            f"{show_kernel(0.25 * f.measured_radius, 'length', digits=2)} or less."
        )


def _profile_doubts(of: str, kind: str, f: Profile, opening: float, notes: list[str]) -> list[str]:
    out = []
    short = min(f.travel_before, f.travel_after)
    if short < 1.2:
        out.append(f"{of}the scan ends {short:.1f} radii from the peak. Scan 2.5 radii on either side.")
    elif not f.with_tilt:
        notes.append(f"{of}a tilt of the dark level is left out of the fit: too few readings or too little travel tell it from the peak.")
    if f.points_on_peak < 5:
        notes.append(f"{of}only {f.points_on_peak} readings fall within one radius of the peak. Step by a quarter of the radius or less.")
    if opening > _LAWS[kind].widest * (f.radius + 2.0 * f.u_radius):
        out.append(
            f"{of}the {kind} is {opening / f.radius:.1f} beam radii wide, so its width decides much of the answer. Use one below a third "
            "of the radius."
        )
    if opening == 0.0 and kind == "slit":
        notes.append(f"{of}no slit width is stated, so none is taken out: the radius comes out too large by s^2/(6 W0). Give slit_width=.")
    return out


def _profile_steps(kind: str, f: Profile, result: Estimate, opening: float) -> list[Step]:
    mm = lambda v, u=None: show_kernel(v, "length", u)  # noqa: E731
    steps = [
        Step(
            "y(x) = dark + peak exp(-2 (x - x0)^2/W0^2)" + (", summed over the slit" if opening and kind == "slit" else ""),
            f"dark = {f.dark:.4g}, peak = {f.peak:.4g}, x0 = {mm(f.centre, f.u_centre)}",
            f"W0 = {mm(f.radius, f.u_radius)}",
            "Least squares finds the Gaussian that the readings follow.",
        )
    ]
    if opening:
        law = _LAWS[kind]
        steps.append(
            Step(
                f"W0^2 = Wm^2 - {law.symbol}^2/{law.times:g}",
                f"Wm = {mm(f.measured_radius)}, {law.symbol} = {mm(opening)}",
                mm(law.corrected(f.measured_radius, opening)),
                f"The {kind} smears the profile; its own second moment comes off.",
            )
        )
    steps.append(
        Step(
            "U = t u",
            f"t = {result.coverage_factor:.4g}, u = {mm(float(result.standard_uncertainty.m_as(MM)))}",
            f"W0 between {' and '.join(mm(float(end.m_as(MM))) for end in result.interval)}",
            f"A {percent(result.confidence, '.0f')} interval with Student's t.",
        )
    )
    return steps
