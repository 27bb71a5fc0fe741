"""Knife-edge scans with units: from positions and readings to a beam radius with its budget."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..statistics.intervals import t_factor
from ..symbols import percent
from ..units import MM, Quantity, QuantityError, finite, nonnegative, ratio, show_kernel
from .knife import KnifeEdge, clip_factor, knife_edge
from .measurement import BeamMeasurement, Estimate, checked, estimate
from .scanfit import Readings, Scan

__all__ = ["doubts", "enough", "knife_edge_beam", "measurement", "scan_estimate", "scans_of"]

_SCALE = "common: length scale of the stage (Type B)"


def knife_edge_beam(
    *,
    position: Quantity,
    reading: Any,
    axis: Sequence[str] | None = None,
    drift: bool = True,
    clip_level: float = 0.10,
    position_uncertainty: Quantity | None = None,
    scale_uncertainty: float = 0.0,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Beam radius from a knife-edge scan, fitted with P(x) = P0/2 [1 + erf(sqrt2 (x - x0)/W0)] on a dark level.

    Parameters
    ----------
    position : Quantity [mm], shape (n,)
        Of the edge, in the order taken: a scan there and back shows its backlash.
    reading : float array (n,) or Quantity
        Transmitted power, or any signal linear in it; rising or falling.
    axis : sequence of str (n,), optional
        "x" or "y" for each reading where the file holds a scan along each.
    drift : bool
        Fit a tilt of the dark level and a drift of the source as well, where the scan is long enough to tell.
    clip_level : float
        Of the two-level estimate shown beside the fit.
    position_uncertainty : Quantity [mm], optional
        Standard uncertainty of each position; found from the scatter where it shows more.
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
        fitted = checked(knife_edge, x, y, drift=drift, low=clip_level, u_position=_spread(position_uncertainty))
        _refuse_edge(fitted, x)
        found[name] = (fitted, x, y)
    estimates = {
        name: scan_estimate(f.radius, f.u_radius, f.degrees_of_freedom, scale_uncertainty, confidence) for name, (f, _, _) in found.items()
    }
    checks: list[str] = []
    notes: list[str] = []
    for name, (f, x, _) in found.items():
        of = _of(name, found)
        more, told = _edge_doubts(of, f, x)
        checks += doubts(of, f, f.full, notes) + more
        notes += told
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
        checks,
        notes,
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
    return [(name, x[at == name], y[at == name]) for name in sorted(set(names))]


def _of(name: str, found: dict[str, Any]) -> str:
    return f"{name} scan: " if len(found) > 1 else ""


def enough(name: str, x: Any, least: int, what: str) -> None:
    different = np.unique(x).size
    if different < least:
        raise QuantityError(
            f"a {what} needs readings at {least} positions at the very least, 20 to 60 are good; got {different}. Step the "
            "stage by about a quarter of the beam radius, from well outside one side to well outside the other."
        )


def scan_estimate(radius: float, u: float, dof: float, scale: float, confidence: float, more: Sequence[Any] = ()) -> Estimate:
    ratio("scale_uncertainty", scale, low=0.0, high=0.5, low_open=False)
    ratio("confidence", confidence, low=0.5, high=1.0, low_open=False)
    return estimate(radius, [("fit (Type A)", u, dof), (_SCALE, scale * radius, math.inf), *more], confidence=confidence)


def measurement(
    kind: str,
    found: dict[str, Any],
    estimates: dict[str, Estimate],
    details: dict[str, Any],
    warnings: list[str],
    notes: list[str],
    steps: list[Step],
) -> BeamMeasurement:
    for name, (f, _, y) in found.items():
        details |= _readings_record(f.readings, y, f"_{name}" if len(found) > 1 else "")
    if len(found) == 1:
        notes = [*notes, "one axis was scanned, so the beam is taken as round. Scan the other axis as well."]
    (first, *other) = found
    centres = {name: Quantity(f.centre, MM) for name, (f, _, _) in found.items()}
    return BeamMeasurement(
        kind=kind,
        radius_x=estimates[first],
        radius_y=estimates[other[0]] if other else None,
        centre=(centres.get("x"), centres.get("y")),
        details=details,
        warnings=tuple(warnings),
        notes=tuple(notes),
        steps=tuple(steps),
        fits=tuple((name, f, x, y) for name, (f, x, y) in found.items()),
    )


# ---------------------------------------------------------------- knife edge


def _spread(value: Quantity | None) -> float:
    return 0.0 if value is None else float(nonnegative("position_uncertainty", value, MM))


def _readings_record(r: Readings, y: Any, end: str) -> dict[str, Any]:
    """What is odd about the readings, where anything is."""
    found: dict[str, Any] = {f"readings_{name}{end}": n for name, n in (("saturated", r.saturated), ("clipped", r.clipped)) if n}
    if r.wild:
        found[f"readings_left_out{end}"] = [i + 1 for i in r.wild]
    found |= {f"{name}{end}": Quantity(v, MM) for name, v in (("position_jitter", r.jitter), ("backlash", r.backlash)) if v}
    return found


def held(r: Readings, radius: float, u_radius: float, dof: float) -> None:
    """Refuse a scan of which too little is left between the ends of a range."""
    count = r.saturated + r.clipped
    if count and (r.used < 8 or not u_radius * t_factor(0.95, dof) < 0.5 * radius):
        where = "at full scale" if r.saturated else "at the bottom of the range"
        raise QuantityError(
            f"{count} of {r.used + count + len(r.wild)} readings stand {where}, and the {r.used} that are left do not settle a width. "
            f"{_RANGE[bool(r.saturated)]} and scan again."
        )


_RANGE = {
    True: "Lower the power or the detector's gain until the brightest reading is 80 % of full scale",
    False: "Raise the detector's zero",
}


def doubts(of: str, f: Scan, height: float, notes: list[str]) -> list[str]:
    """Checks that every scan shares; what was merely taken into account goes to `notes`."""
    r, out = f.readings, []
    total = r.used + r.saturated + r.clipped + len(r.wild)
    for count, what, high in (
        (r.saturated, "at one top value, below the level the curve runs to: the detector saturates", True),
        (r.clipped, "at one bottom value, above the level the curve runs to: the range cuts them off", False),
    ):
        if count:
            out.append(f"{of}{count} of {total} readings stand {what}. They count as limits only. {_RANGE[high]} and scan again.")
    for i in r.wild:
        out.append(
            f"{of}reading {i + 1} lies {percent(abs(f.residuals[i] / height), '.0f')} of the full reading off the curve and was left out. "
            f"Repeat the scan."
        )
    if r.quantum > 0.02 * abs(height):
        out.append(
            f"{of}the readings stand on steps of {percent(r.quantum / abs(height), '.1f')} of the full reading, too coarse. Choose a finer "
            f"range of the "
            "meter, or write more digits down."
        )
    if r.backlash:
        out.append(
            f"{of}the two directions of travel differ by {show_kernel(r.backlash, 'length', r.u_backlash)}: backlash of the "
            f"stage. It is taken "
            "out; scan in one direction only."
        )
    if r.misfit_p < max(2e-3, 0.5 * r.misfit) and r.misfit > 1.5e-3:  # a large misfit needs less proof
        out.append(
            f"{of}the residuals follow a pattern, not noise ({percent(r.misfit, '.1f')} of the full reading): the beam is not Gaussian "
            f"along this axis, the "
            "scan is not clean, or the detector is not linear. Look at the figure, and take a camera image."
        )
    if r.jitter:
        notes.append(
            f"{of}readings on the slope scatter as if positions were uncertain by {show_kernel(r.jitter, 'length', digits=2)}; "
            f"the interval "
            "counts it."
        )
    if f.u_radius > 0.1 * f.radius:
        notes.append(
            f"{of}the scatter leaves the radius uncertain by {percent(f.u_radius / f.radius, '.0f')}. "
            "Average longer, or take more readings."
        )
    return out


def _refuse_edge(f: KnifeEdge, x: Any) -> None:
    held(f.readings, f.radius, f.u_radius, f.degrees_of_freedom)
    t = t_factor(0.99, f.degrees_of_freedom)
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


def _edge_doubts(of: str, f: KnifeEdge, x: Any) -> tuple[list[str], list[str]]:
    checks, notes = [], []
    short = min(f.travel_before, f.travel_after)
    if short < 1.75:
        checks.append(
            f"{of}the scan reaches only {short:.1f} radii beyond the centre on its short side, so a drift cannot be told from "
            "the edge. Scan 2.5 radii beyond on either side."
        )
    elif not f.with_drift:
        few = "too few readings tell it from the edge" if x.size < 9 else "it was not asked for or cannot be told from the edge"
        notes.append(f"{of}drift of source and dark level is left out of the fit: {few}.")
    if f.points_on_edge < 6:
        notes.append(f"{of}only {f.points_on_edge} readings fall on the edge. Step by a quarter of the radius or less.")
    if f.with_drift and abs(f.drift) > 4.0 * f.u_drift and abs(f.drift) * np.ptp(x) > 0.02 * f.full:
        change = f.drift * float(np.ptp(x)) / f.full
        told = f"{of}the source changed by {percent(change, '+.1f')} during the scan; the fit takes it out. Let the laser settle first."
        (checks if abs(change) > 0.1 else notes).append(told)
    if f.clip is not None and abs(f.clip.radius - f.radius) > max(0.05 * f.radius, 4.0 * f.u_radius):
        notes.append(
            f"{of}the two-level estimate differs by {percent(f.clip.radius / f.radius - 1, '+.0f')} from the fit: the steps are coarse."
        )
    return checks, notes


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
            f"W0 between {' and '.join(mm(float(end.m_as(MM))) for end in result.interval)}",
            f"A {percent(result.confidence, '.0f')} interval from the scatter about the curve, and from the stage where stated.",
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
