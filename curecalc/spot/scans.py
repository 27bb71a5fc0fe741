"""Knife-edge scans with units: from positions and readings to a beam radius with its budget."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..statistics.least_squares import student_t
from ..units import MM, Quantity, QuantityError, finite, ratio, show_kernel
from .knife import KnifeEdge, clip_factor, knife_edge
from .measurement import BeamMeasurement, Estimate, checked, estimate

__all__ = ["enough", "knife_edge_beam", "measurement", "pattern", "scan_estimate", "scans_of"]

_SCALE = "common: length scale of the stage (Type B)"


def knife_edge_beam(
    *,
    position: Quantity,
    reading: Any,
    axis: Sequence[str] | None = None,
    drift: bool = True,
    clip_level: float = 0.10,
    scale_uncertainty: float = 0.0,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Beam radius from a knife-edge scan, fitted with P(x) = P0/2 [1 + erf(sqrt2 (x - x0)/W0)] on a dark level.

    Parameters
    ----------
    position : Quantity [mm], shape (n,)
        Of the edge; any order.
    reading : float array (n,) or Quantity
        Transmitted power, or any signal linear in it; rising or falling.
    axis : sequence of str (n,), optional
        "x" or "y" for each reading where the file holds a scan along each.
    drift : bool
        Fit a tilt of the dark level and a drift of the source as well, where the scan is long enough to tell.
    clip_level : float
        Of the two-level estimate shown beside the fit.
    scale_uncertainty : float
        Relative standard uncertainty of the stage's lengths.
    confidence : float

    Returns
    -------
    BeamMeasurement

    Raises
    ------
    QuantityError
        Too few readings, travel too short, steps too coarse or no edge in the noise; the message says what to measure.

    Source: ISO 11146-3 for the method; `knife-edge-scan`, `edge-function`. Valid for a beam near Gaussian along the scan.

    >>> import numpy as np
    >>> from curecalc.spot.knife import knife_edge_power
    >>> x = np.linspace(-0.4, 0.4, 33)
    >>> got = knife_edge_beam(position=Quantity(x, "mm"), reading=5.0 * knife_edge_power(x, 0.125, 0.0) + 0.1)
    >>> f"{got.radius_x.value.m_as('um'):.1f}"
    '125.0'
    """
    ratio("clip_level", clip_level, low=0.0, high=0.5)
    found = {}
    for name, x, y in scans_of(position, reading, axis):
        enough(name, x, 7, "knife-edge scan")
        fitted = checked(knife_edge, x, y, drift=drift, low=clip_level)
        _refuse_edge(name, fitted, x, y)
        found[name] = (fitted, x, y)
    estimates = {
        name: scan_estimate(f.radius, f.u_radius, f.degrees_of_freedom, scale_uncertainty, confidence) for name, (f, _, _) in found.items()
    }
    warnings = [w for name, (f, x, y) in found.items() for w in _edge_warnings(_of(name, found), f, x, y)]
    details: dict[str, Any] = {"clip_level": clip_level}
    for name, (f, _, _) in found.items():
        end = f"_{name}" if len(found) > 1 else ""
        details[f"clip_estimate{end}"] = None if f.clip is None else Quantity(f.clip.radius, MM)
        details[f"residual{end}"] = f.residual_sd / f.full
        details[f"direction{end}"] = "rising" if f.rising else "falling"
        details[f"drift_fitted{end}"] = f.with_drift
        details[f"source_drift{end}"] = f.drift * (f.travel_before + f.travel_after) * f.radius / f.full if f.with_drift else None

    return measurement(
        "knife-edge",
        found,
        estimates,
        details,
        warnings,
        [step for name, (f, _, _) in found.items() for step in _edge_steps(f, estimates[name], clip_level)],
    )


# ---------------------------------------------------------------- shared


def scans_of(position: Quantity, reading: Any, axis: Sequence[str] | None) -> list[tuple[str, Any, Any]]:
    """(axis, positions, readings) of each scan in mm; one without a name where no axis is given."""
    x = np.atleast_1d(np.asarray(finite("position", position, MM), dtype=np.float64))
    y = np.atleast_1d(np.asarray(reading.m if isinstance(reading, Quantity) else reading, dtype=np.float64))
    if x.ndim != 1 or y.shape != x.shape:
        raise QuantityError(f"position and reading must be of one length, got {x.shape} and {y.shape}.")
    if not np.isfinite(y).all():
        raise QuantityError(f"reading must be finite, got {y[~np.isfinite(y)][0]} at index {int(np.argmax(~np.isfinite(y)))}.")
    if axis is None:
        return [("x", x, y)]
    names = [str(a).strip().lower() for a in axis]
    if len(names) != x.size:
        raise QuantityError(f"axis must name x or y for each of the {x.size} readings, got {len(names)}.")
    if wrong := sorted(set(names) - {"x", "y"}):
        raise QuantityError(f"axis must be x or y, got {wrong[0]!r}. Use one file for each beam.")
    at = np.array(names)
    return [(name, x[at == name], y[at == name]) for name in ("x", "y") if (at == name).any()]


def _of(name: str, found: dict[str, Any]) -> str:
    return f"{name} scan: " if len(found) > 1 else ""


def enough(name: str, x: Any, least: int, what: str) -> None:
    different = np.unique(x).size
    if different < least:
        raise QuantityError(
            f"a {what} needs readings at {least} positions at the very least, 20 to 60 are good; got {different}. Step the "
            "stage by about a quarter of the beam radius, from well outside one side to well outside the other."
        )


def scan_estimate(radius: float, u: float, dof: int, scale: float, confidence: float, more: Sequence[Any] = ()) -> Estimate:
    ratio("scale_uncertainty", scale, low=0.0, high=0.5, low_open=False)
    ratio("confidence", confidence, low=0.5, high=1.0, low_open=False)
    return estimate(radius, [("fit (Type A)", u, dof), (_SCALE, scale * radius, math.inf), *more], confidence=confidence)


def measurement(
    kind: str, found: dict[str, Any], estimates: dict[str, Estimate], details: dict[str, Any], warnings: list[str], steps: list[Step]
) -> BeamMeasurement:
    if len(found) == 1:
        warnings = [*warnings, "one axis was scanned, so the beam is taken as round. Scan the other axis as well."]
    (first, *other) = found
    centres = {name: Quantity(f.centre, MM) for name, (f, _, _) in found.items()}
    return BeamMeasurement(
        kind=kind,
        radius_x=estimates[first],
        radius_y=estimates[other[0]] if other else None,
        centre=(centres.get("x"), centres.get("y")),
        details=details,
        warnings=tuple(warnings),
        steps=tuple(steps),
        fits=tuple((name, f, x, y) for name, (f, x, y) in found.items()),
    )


# ---------------------------------------------------------------- knife edge


def _refuse_edge(name: str, f: KnifeEdge, x: Any, y: Any) -> None:
    t = student_t(max(f.degrees_of_freedom, 1), 0.99)
    span = float(np.ptp(x))
    if not f.full > 0 or f.full < 4.0 * f.residual_sd or f.u_radius * t > 3.0 * f.radius:
        raise QuantityError(
            "no edge stands out of the scatter of these readings. Check that the edge crosses the whole beam, raise the "
            "power on the detector or average longer, and scan again."
        )
    short = min(f.travel_before, f.travel_after)
    if short < 1.0:
        side = "before" if f.travel_before < f.travel_after else "beyond"
        raise QuantityError(
            f"the knife travel is too short: it reaches only {max(short, 0.0):.1f} beam radii {side} the centre, so one level is "
            f"never seen. Scan from dark to full light, at least {show_kernel(5.0 * min(f.radius, span), 'length', digits=2)} in all "
            "(2.5 radii on either side)."
        )
    if f.points_on_edge < 3:
        raise QuantityError(
            f"only {f.points_on_edge} readings fall on the edge itself, too few to give a width. Step the stage by "
            f"{show_kernel(0.25 * f.radius, 'length', digits=2)} or less."
        )


def _edge_warnings(of: str, f: KnifeEdge, x: Any, y: Any) -> list[str]:
    out = []
    short = min(f.travel_before, f.travel_after)
    if short < 1.75:
        out.append(
            f"{of}the scan reaches only {short:.1f} radii beyond the centre on its short side, so a drift cannot be told from "
            "the edge. Scan 2.5 radii beyond on either side."
        )
    elif not f.with_drift and x.size >= 12:
        out.append(f"{of}drift of source and dark level was left out of the fit.")
    if f.points_on_edge < 6:
        out.append(f"{of}only {f.points_on_edge} readings fall on the edge. Step by a quarter of the radius or less.")
    if f.u_radius > 0.1 * f.radius:
        out.append(f"{of}the scatter leaves the radius uncertain by {f.u_radius / f.radius:.0%}. Average longer, or take more readings.")
    if f.with_drift and f.u_drift > 0 and abs(f.drift) > 4.0 * f.u_drift and abs(f.drift) * np.ptp(x) > 0.02 * f.full:
        change = f.drift * float(np.ptp(x)) / f.full
        out.append(f"{of}the source changed by {change:+.1%} during the scan; the fit takes it out. Let the laser settle first.")
    if f.clip is not None and abs(f.clip.radius - f.radius) > max(0.05 * f.radius, 4.0 * f.u_radius):
        out.append(
            f"{of}the two-level estimate differs by {f.clip.radius / f.radius - 1:+.0%} from the fit: the profile is not Gaussian "
            "along this axis, or the steps are coarse. Take a camera image."
        )
    if pattern(f.residuals[np.argsort(x, kind="stable")], f.full):
        out.append(
            f"{of}the residuals follow a pattern, not noise: the beam is not Gaussian along this axis, the edge is not clean, or the "
            "detector is not linear. Look at the figure, and take a camera image."
        )
    return out


def pattern(residuals: Any, full: float) -> bool:
    """Whether residuals in order of position resemble their neighbours beyond chance, and matter (0.3 % of full)."""
    n = residuals.size
    spread = float(residuals @ residuals)
    if n < 15 or math.sqrt(spread / n) < 3e-3 * full:
        return False
    r = float(residuals[1:] @ residuals[:-1]) / spread
    return r > 3.0 / math.sqrt(n)


def _edge_steps(f: KnifeEdge, result: Estimate, low: float) -> list[Step]:
    mm = lambda v, u=None: show_kernel(v, "length", u)  # noqa: E731
    tail = " + drift terms" if f.with_drift else ""
    steps = [
        Step(
            f"P(x) = dark + full/2 [1 {'+' if f.rising else '-'} erf(sqrt2 (x - x0)/W0)]{tail}",
            f"dark = {f.dark:.4g}, full = {f.full:.4g}, x0 = {mm(f.centre, f.u_centre)}",
            f"W0 = {mm(f.radius, f.u_radius)}",
            "The transmitted power is the Gaussian summed up to the edge; least squares finds its radius at 1/e^2.",
        ),
        Step(
            "U = t u",
            f"t = {result.coverage_factor:.4g} for {result.degrees_of_freedom:.3g} degrees of freedom, "
            f"u = {mm(float(result.standard_uncertainty.m_as(MM)))}",
            f"W0 between {mm(float(result.interval[0].m_as(MM)))} and {mm(float(result.interval[1].m_as(MM)))}",
            f"A {result.confidence:.0%} interval from the scatter about the curve, and from the stage where stated.",
        ),
    ]
    if f.clip is not None:
        steps.append(
            Step(
                f"W0 = {clip_factor(low):.6f} (x{100 - 100 * low:g} - x{100 * low:g})",
                f"{clip_factor(low):.6f} x {mm(abs(f.clip.position_high - f.clip.position_low))}",
                mm(f.clip.radius),
                "The quick estimate from two levels, beside the fit: it reads high at coarse steps and uses two points only.",
            )
        )
    return steps
