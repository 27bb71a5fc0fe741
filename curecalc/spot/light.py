"""Power readings with units: the power at the resin surface with its budget, warm-up left out and said so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..cautions import BEAM_CAUTION, RULES_CAUTION
from ..setting.explain import Step
from ..statistics.intervals import t_factor
from ..symbols import percent
from ..units import MW, ONE, Measured, Quantity, QuantityError, S, Shown, finite, measured, nonnegative, ratio, show_kernel
from .measurement import Estimate, Part, checked, plain
from .power import DRIFTS, PowerReading, power_reading

__all__ = ["Loss", "PowerMeasurement", "beam_power"]


@dataclass(frozen=True)
class Loss:
    """A share of the power lost between meter and resin: a window, a mirror."""

    name: str
    share: float
    standard_uncertainty: float = 0.0

    def __post_init__(self) -> None:
        ratio(f"loss {self.name}", self.share, low=0.0, high=1.0, low_open=False)
        ratio(f"uncertainty of loss {self.name}", self.standard_uncertainty, low=0.0, high=1.0, low_open=False)


@dataclass(frozen=True, kw_only=True)
class PowerMeasurement(Shown):
    """Power at the resin surface.

    Attributes
    ----------
    power : Estimate
        At the surface, with its budget: readings (Type A), calibration, resolution, losses, drift (Type B).
    at_meter : Quantity
        Mean of the readings kept.
    reading : PowerReading
        The float result, for figures.
    time : array
        s, in the order of the readings kept and left out.
    """

    power: Estimate
    at_meter: Quantity
    reading: PowerReading
    time: Any
    readings: Any
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    source: str = ""
    sha256: str = ""
    kind: str = "power"

    @property
    def measured(self) -> Measured:
        """Power with its standard uncertainty."""
        return self.power.measured

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of `curecalc spot --kind power --json`."""
        r = self.reading
        return {
            "kind": "power",
            "power": self.power.to_dict(),
            "coverage_factor": self.power.coverage_factor,
            "degrees_of_freedom": plain(self.power.degrees_of_freedom),
            "power_at_meter": plain(self.at_meter),
            "transmission": r.transmission,
            "standard_deviation": plain(Quantity(r.sd, MW)),
            "readings": r.readings,
            "left_out": r.left_out,
            "warm_up_change": r.warm_up_change if r.left_out else None,
            "drift": r.drift,
            "drift_p": r.drift_p,
            "correlation": r.correlation,
            "budget": [p.to_dict() for p in self.power.parts],
            "warnings": list(self.warnings),
            "notes": list(self.notes),
            "source": self.source,
            "data_sha256": self.sha256 or None,
            "cautions": [BEAM_CAUTION, RULES_CAUTION],
        }


def beam_power(
    *,
    reading: Quantity,
    time: Quantity | None = None,
    meter_uncertainty: float = 0.0,
    meter_degrees_of_freedom: float = math.inf,
    dark_reading: Quantity | None = None,
    resolution: Quantity | None = None,
    losses: Sequence[Loss] = (),
    keep_warm_up: bool = False,
    confidence: float = 0.95,
) -> PowerMeasurement:
    r"""Power at the resin surface from repeated readings of a meter.

    Parameters
    ----------
    reading : Quantity [mW], shape (n,)
        In the order taken.
    time : Quantity [s], shape (n,), optional
    meter_uncertainty : float
        Relative standard uncertainty of the meter's calibration (a certificate's expanded one over its factor k).
    meter_degrees_of_freedom : float
    dark_reading : Quantity [mW], optional
        With the beam blocked; taken off.
    resolution : Quantity [mW], optional
        Last digit of the meter.
    losses : sequence of Loss
        Between meter and resin.
    keep_warm_up : bool
        Leave no reading out.
    confidence : float

    Returns
    -------
    PowerMeasurement

    Raises
    ------
    QuantityError
        Fewer than two readings, readings not above zero, losses out of range.

    Source: `gum` 4.2, 4.3, G.4.

    >>> got = beam_power(reading=Quantity(np.array([299.1, 300.4, 300.0, 299.5, 301.0]), "mW"), meter_uncertainty=0.02)
    >>> f"{got.power.value.m_as('mW'):.1f} {got.power.standard_uncertainty.m_as('mW'):.1f}"
    '300.0 6.0'
    """
    y = np.atleast_1d(np.asarray(finite("reading", reading, MW), dtype=np.float64))
    t = None if time is None else np.atleast_1d(np.asarray(finite("time", time, S), dtype=np.float64))
    if t is not None and t.shape != y.shape:
        raise QuantityError(f"time and reading must be of one length, got {t.size} and {y.size}.")
    ratio("meter_uncertainty", meter_uncertainty, low=0.0, high=0.5, low_open=False)
    if not meter_degrees_of_freedom > 0:
        raise QuantityError(f"meter_degrees_of_freedom must be above zero, got {meter_degrees_of_freedom:g}.")
    ratio("confidence", confidence, low=0.5, high=1.0, low_open=False)
    zero = 0.0 if dark_reading is None else float(finite("dark_reading", dark_reading, MW))
    step = 0.0 if resolution is None else float(nonnegative("resolution", resolution, MW))
    r = checked(
        power_reading,
        reading=y,
        time=t,
        calibration=meter_uncertainty,
        calibration_dof=meter_degrees_of_freedom,
        zero=zero,
        resolution=step,
        losses=[(x.name, x.share, x.standard_uncertainty) for x in losses],
        keep_warm_up=keep_warm_up,
    )
    parts = tuple(Part(name, u / r.value, dof) for name, u, dof in r.components)
    power = Estimate(Quantity(r.value, MW), parts, confidence)
    return PowerMeasurement(
        power=power,
        at_meter=Quantity(r.mean, MW),
        reading=r,
        time=np.arange(y.size) if t is None else t,
        readings=y - zero,
        warnings=tuple(_warnings(r, y, t, meter_uncertainty)),
        steps=tuple(_steps(r, power)),
    )


def _warnings(r: PowerReading, y: Any, t: Any, meter: float) -> list[str]:
    out = []
    for count, where, least, do in (
        (r.at_top, "top", "least", "Choose a wider range of the meter"),
        (r.at_bottom, "bottom", "most", "Set the meter's zero"),
    ):
        if count:
            held = f"{count} of {y.size} readings stand at one {where} value"
            out.append(f"{held}: the range ends there, so they count as at {least} that. {do}.")
    if r.step or not r.sd:
        steps = f"steps of {show_kernel(r.step, 'power')}" if r.step else "one value"
        counts = "the step counts as the meter's resolution" if r.step else "their scatter is hidden: state resolution="
        out.append(f"all {r.readings} readings kept stand on {steps}, coarser than their scatter; {counts}. Choose a finer range.")
    if r.left_out:
        until = ""
        if t is not None:
            first = np.sort(t)
            until = f", the first {show_kernel(float(first[r.left_out] - first[0]), 'time')}"
        out.append(
            f"the first {r.left_out} of {y.size} readings{until} are left out as warm-up: they begin "
            f"{percent(abs(r.warm_up_change), '.1f')} {'below' if r.warm_up_change < 0 else 'above'} the settled "
            "level. keep_warm_up= keeps them."
        )
    if r.drift_p < DRIFTS and abs(r.drift) > 0.002:
        out.append(
            f"the readings still drift by {percent(r.drift, '+.1f')} from first to last; that is counted as a Type B part. Let the laser "
            "settle and read again."
        )
    if r.readings < 10:
        t95 = t_factor(0.95, r.readings - 1)
        out.append(f"{r.readings} readings give a Student factor of {t95:.3g} on their scatter. Take at least ten.")
    if r.correlation:
        out.append(
            f"neighbouring readings resemble each other (correlation {r.correlation:.2f}), so they count for less than their number. "
            "Read more slowly."
        )
    if not meter:
        out.append("no meter calibration is stated, so its uncertainty, mostly the largest part, is left out. Give meter_uncertainty=.")
    return out


def _steps(r: PowerReading, power: Estimate) -> list[Step]:
    mw = lambda v, u=None: show_kernel(v, "power", u)  # noqa: E731
    steps = [
        Step(
            "mean of the readings kept, u_A = s/sqrt(n)",
            f"n = {r.readings}, s = {mw(r.sd)}",
            f"{mw(r.mean, r.type_a or None)} at the meter",
            "Their scatter tells how well the mean is known (Type A).",
        )
    ]
    if r.transmission < 1.0:
        steps.append(
            Step(
                "P = mean x product of (1 - loss)",
                f"{mw(r.mean)} x {r.transmission:.4f}",
                mw(r.value),
                "What lies between meter and resin takes its share.",
            )
        )
    dof = power.degrees_of_freedom
    steps.append(
        Step(
            "u = sqrt(sum u_i^2), nu = u^4/sum(u_i^4/nu_i)",
            "; ".join(f"{p.name}: {percent(p.relative, '.2f')}" for p in power.parts) or "no scatter",
            f"u = {mw(float(power.standard_uncertainty.m_as(MW)))}, nu = {'infinite' if math.isinf(dof) else f'{dof:.3g}'}",
            "Independent parts add in squares; Welch and Satterthwaite say how many readings that is worth.",
        )
    )
    return steps


def loss_of(text: str, value: Measured | Quantity, number: int) -> Loss:
    """A `Loss` from a parsed share; `text` may carry a name."""
    full = value if isinstance(value, Measured) else measured(value)
    return Loss(text or f"{number}", float(full.value.m_as(ONE)), float(full.standard_uncertainty.m_as(ONE)))
