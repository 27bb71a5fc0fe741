"""A caustic with units: waist, M^2, the radius at the resin surface, and the defocus that gives a wanted radius."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..symbols import percent
from ..units import MM, NM, ONE, RAD, Measured, Quantity, QuantityError, finite, positive, ratio, show_kernel
from .caustic import Caustic, caustic, defocus_window
from .measurement import BeamMeasurement, Estimate, checked, estimate

__all__ = ["caustic_beam"]


def caustic_beam(
    *,
    position: Quantity,
    radius_x: Quantity,
    radius_y: Quantity | None = None,
    wavelength: Quantity,
    standard_uncertainty: Quantity | None = None,
    position_uncertainty: Quantity | None = None,
    relative_errors: bool = False,
    surface_position: Quantity | None = None,
    wanted_radius: Quantity | None = None,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Waist, divergence and M^2 from radii measured at several positions along the beam (ISO 11146-1).

    Parameters
    ----------
    position : Quantity [mm], shape (n,)
        Along the beam axis.
    radius_x, radius_y : Quantity [mm], shape (n,)
        1/e^2 radii (half of D4sigma); NaN where one was not measured. One axis stands for both when `radius_y` is left out.
    wavelength : Quantity [nm]
    standard_uncertainty : Quantity [mm], optional
        Of the radii, where known. The scatter must bear them out (chi-squared at 1 %), else it decides and the interval widens.
    position_uncertainty : Quantity [mm], optional
        Standard uncertainty of each position, beside that of the radii.
    relative_errors : bool
        Errors in proportion to the radius instead of equal.
    surface_position : Quantity [mm], optional
        Where the resin surface stands: the beam radius of the answer is then the one there, else the waist's.
    wanted_radius : Quantity [mm], optional
        Defocus for this radius, and how far it may move before the radius is 5 % off.
    confidence : float

    Returns
    -------
    BeamMeasurement

    Raises
    ------
    QuantityError
        Fewer than four positions, or a waist the positions do not determine.

    Source: `caustic-633nm`, ISO 11146-1 (hyperbolic fit; ten positions, half within one Rayleigh length, half beyond two).

    >>> z = np.linspace(-60.0, 60.0, 11)
    >>> got = caustic_beam(position=Quantity(z, "mm"), radius_x=Quantity(np.hypot(0.0625, 0.0023505 * z), "mm"),
    ...                    wavelength=Quantity(355.0, "nm"), wanted_radius=Quantity(125.0, "um"))
    >>> f"{got.beam_quality[0].value.m:.2f} {got.details['defocus']['x']['distance'].m_as('mm'):.1f}"
    '1.30 46.1'
    """
    lam = positive("wavelength", wavelength, NM) * 1e-6
    z = np.atleast_1d(np.asarray(finite("position", position, MM), dtype=np.float64))
    ratio("confidence", confidence, low=0.5, high=1.0, low_open=False)
    u = None if standard_uncertainty is None else np.broadcast_to(positive("standard_uncertainty", standard_uncertainty, MM), z.shape)
    u_at = 0.0 if position_uncertainty is None else float(positive("position_uncertainty", position_uncertainty, MM))
    fits: list[tuple[str, Caustic, Any, Any]] = []
    for axis, given in (("x", radius_x), ("y", radius_y)):
        if given is None:
            continue
        w = np.atleast_1d(np.asarray(given.m_as(MM), dtype=np.float64))
        if w.shape != z.shape:
            raise QuantityError(f"radius_{axis} and position must be of one length, got {w.size} and {z.size}.")
        here = np.isfinite(w)
        positive(f"radius_{axis}", Quantity(w[here], MM), MM)
        _enough(z[here])
        found = checked(
            caustic,
            position=z[here],
            radius=w[here],
            wavelength=lam,
            u_radius=None if u is None else u[here],
            relative=relative_errors,
            u_position=u_at,
        )
        _refuse(found, z[here])
        fits.append((axis, found, z[here], w[here]))
    known = u is not None
    at = None if surface_position is None else float(finite("surface_position", surface_position, MM))
    radii = [_radius(c, at, known, confidence) for _, c, _, _ in fits]
    quality = [_estimate(c.beam_quality, c.u_beam_quality, c, known, confidence, ONE) for _, c, _, _ in fits]
    details = _details(fits, known, confidence, at)
    if wanted_radius is not None:
        details["defocus"] = _defocus(fits, positive("wanted_radius", wanted_radius, MM))
    of = {axis: "" if radius_y is None else f"{axis} axis: " for axis in "xy"}
    warnings = [w for axis, c, z_, _ in fits for w in _warnings(of[axis], c, z_, at)]
    warnings += [
        f"{axis} axis: no defocus makes the beam as narrow as the wanted radius; its waist is "
        f"{show_kernel(c.waist_radius, 'length')}. Change the focusing optics."
        for axis, c, _, _ in fits
        if wanted_radius is not None and details["defocus"][axis] is None
    ]
    notes = [n for axis, c, _, _ in fits for n in _notes(of[axis], c)]
    if radius_y is None:
        notes.append("one axis is given, so the beam is taken as round. Measure both axes at each position.")
    return BeamMeasurement(
        kind="caustic",
        radius_x=radii[0],
        radius_y=None if radius_y is None else radii[1],
        beam_quality=tuple(quality),
        wavelength=wavelength,
        details=details,
        warnings=tuple(warnings),
        notes=tuple(notes),
        steps=tuple(s for _, c, _, _ in fits for s in _steps(c, lam, at)),
        fits=tuple(fits),
    )


def _enough(z: Any) -> None:
    different = np.unique(z).size
    if different < 4:
        raise QuantityError(
            f"a caustic of {different} positions cannot be checked: three unknowns always pass through three points. Measure at least "
            "ten positions, five within one Rayleigh length of the waist and five beyond two (ISO 11146-1)."
        )


def _refuse(c: Caustic, z: Any) -> None:
    away = np.abs(z - c.position)
    # the curve must bend within the positions: some beyond 0.6 Rayleigh lengths, some nearer than three
    seen = bool(away.max() > 0.6 * c.rayleigh_range and away.min() < 3.0 * c.rayleigh_range)
    sure = c.waist_radius > 2.0 * c.u_waist_radius and c.divergence > 2.0 * c.u_divergence
    if not (seen and sure and c.converged):
        raise QuantityError(
            "these widths do not determine a waist: the curve is all one straight side, or flat, or lost in scatter. Measure on both "
            "sides of the focus, five positions within one Rayleigh length and five beyond two (ISO 11146-1)."
        )


def _estimate(value: float, u: float, c: Caustic, known: bool, confidence: float, unit: Any = MM) -> Estimate:
    # stated standard uncertainties are not estimated from these few points: infinite degrees of freedom
    stated = known and c.widened == 1.0
    dof = math.inf if stated else c.degrees_of_freedom
    return estimate(value, [("fit (Type B, stated)" if stated else "fit (Type A)", u, dof)], unit=unit, confidence=confidence)


def _radius(c: Caustic, at: float | None, known: bool, confidence: float) -> Estimate:
    if at is None:
        return _estimate(c.waist_radius, c.u_waist_radius, c, known, confidence)
    return _estimate(float(c.radius_at(at)), c.u_radius_at(at), c, known, confidence)


def _details(fits: list[Any], known: bool, confidence: float, at: float | None) -> dict[str, Any]:
    def each(value: Any) -> dict[str, Any]:
        return {axis: value(c) for axis, c, _, _ in fits}

    found: dict[str, Any] = {
        "radius_is": "at the waist" if at is None else "at the resin surface",
        "waist_radius": each(lambda c: _estimate(c.waist_radius, c.u_waist_radius, c, known, confidence)),
        "waist_position": each(lambda c: Measured(Quantity(c.position, MM), Quantity(c.u_position, MM))),
        "divergence": each(lambda c: Measured(Quantity(c.divergence, RAD), Quantity(c.u_divergence, RAD))),
        "rayleigh_range": each(lambda c: Measured(Quantity(c.rayleigh_range, MM), Quantity(c.u_rayleigh_range, MM))),
        "coverage": each(
            lambda c: {
                "positions": c.coverage.positions,
                "within_one_rayleigh_length": c.coverage.within_one,
                "beyond_two_rayleigh_lengths": c.coverage.beyond_two,
                "complete": c.coverage.complete,
            }
        ),
    }
    if at is not None:
        found["surface_position"] = Quantity(at, MM)
    if len(fits) > 1:
        found["astigmatism"] = Quantity(abs(fits[0][1].position - fits[1][1].position), MM)
    return found


def _defocus(fits: list[Any], wanted: float) -> dict[str, Any]:
    out: dict[str, Any] = {"wanted_radius": Quantity(wanted, MM), "tolerance": 0.05}
    for axis, c, _, _ in fits:
        window = defocus_window(waist_radius=c.waist_radius, rayleigh_range=c.rayleigh_range, radius=wanted)
        if window is None:
            out[axis] = None
            continue
        distance, (near, far) = window
        out[axis] = {
            "distance": Quantity(distance, MM),
            "range": [Quantity(near, MM), Quantity(far, MM)],
            "positions": [Quantity(c.position - distance, MM), Quantity(c.position + distance, MM)],
        }
    return out


def _too_good(c: Caustic) -> bool:
    return 1.0 - c.beam_quality > 2.0 * c.u_beam_quality


def _warnings(of: str, c: Caustic, z: Any, at: float | None) -> list[str]:
    out = []
    rule = c.coverage
    if not rule.complete:
        out.append(
            f"{of}the positions do not meet ISO 11146-1: {rule.positions} in all, {rule.within_one} within one Rayleigh length of the "
            f"waist and {rule.beyond_two} beyond two, where ten are asked for, about half in either zone. M^2 may be off by more than "
            "its interval says. Add positions near and far from the waist."
        )
    if c.widened > 1.0:
        out.append(
            f"{of}the widths scatter {c.widened:.1f} times as much as their stated uncertainties allow (chi-squared {c.chi_squared:.1f} on "
            f"{c.degrees_of_freedom} degrees of freedom); the intervals are widened to the scatter. Repeat the widths, or "
            f"state what they hold."
        )
    if c.wild is not None:
        out.append(
            f"{of}width {c.wild + 1} lies {percent(abs(c.residuals[c.wild]) / c.fitted[c.wild], '.0f')} off the curve, farther than the "
            f"others explain; it "
            "is still in the fit. Repeat it, or leave it out."
        )
    if not z.min() < c.position < z.max():
        out.append(f"{of}the waist lies outside the positions measured, so it is extrapolated. Measure on both sides of the focus.")
    if _too_good(c):
        out.append(
            f"{of}M^2 comes out at {c.beam_quality:.3f}, below the 1 that no beam can beat, by more than its uncertainty. Check the "
            "wavelength, and that the widths are 1/e^2 radii or D4sigma and not FWHM or diameters."
        )
    if not c.weighted and c.degrees_of_freedom >= 6:
        far = np.abs(z - c.position) > 1.5 * c.rayleigh_range
        if min(far.sum(), (~far).sum()) >= 4:
            big, small = np.sqrt(np.mean(c.residuals[far] ** 2)), np.sqrt(np.mean(c.residuals[~far] ** 2))
            if big > 4.0 * small > 0:
                out.append(f"{of}wide beams scatter far more than narrow ones: errors look proportional. Try relative_errors=.")
    if at is not None and not z.min() <= at <= z.max():
        out.append(f"{of}the resin surface lies outside the positions measured; the radius there is extrapolated.")
    return out


def _notes(of: str, c: Caustic) -> list[str]:
    out = []
    if c.beam_quality < 1.0 and not _too_good(c):
        out.append(f"{of}M^2 comes out at {c.beam_quality:.3f}, below the 1 that no beam can beat, within its uncertainty.")
    if c.u_beam_quality > 0.1 * c.beam_quality:
        out.append(f"{of}M^2 is uncertain by {percent(c.u_beam_quality / c.beam_quality, '.0f')}. Repeat the widths, or add positions.")
    return out


def _steps(c: Caustic, lam: float, at: float | None) -> list[Step]:
    mm = lambda v, u=None: show_kernel(v, "length", u)  # noqa: E731
    steps = [
        Step(
            "W(z) = sqrt(W0^2 + (theta/2)^2 (z - z0)^2)",
            f"{c.coverage.positions} positions, least squares",
            f"W0 = {mm(c.waist_radius, c.u_waist_radius)}, z0 = {mm(c.position, c.u_position)}, theta = {1e3 * c.divergence:.4g} mrad",
            "The radius of a beam along its axis is a hyperbola.",
        ),
        Step(
            "M^2 = pi W0 theta/(2 lambda)",
            f"pi x {mm(c.waist_radius)} x {0.5e3 * c.divergence:.4g} mrad / {1e6 * lam:.4g} nm",
            f"M^2 = {c.beam_quality:.4f} +- {c.u_beam_quality:.4f}",
            "How much more the beam spreads than the ideal one of that waist.",
        ),
        Step(
            "zR = 2 W0/theta",
            f"2 x {mm(c.waist_radius)} / {1e3 * c.divergence:.4g} mrad",
            mm(c.rayleigh_range, c.u_rayleigh_range),
            "Within this distance of the waist the radius grows by no more than sqrt 2.",
        ),
    ]
    if at is not None:
        steps.append(
            Step(
                "W(zs) at the resin surface",
                f"zs = {mm(at)}",
                mm(float(c.radius_at(at)), c.u_radius_at(at)),
                "The curve read off where the resin stands.",
            )
        )
    return steps
