"""Repeated power readings to one value: warm-up left out, Type A and Type B together, losses on the way to the resin.

Plain float64, mW, s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.intervals import t_p
from ..statistics.steps import step_of
from ..statistics.uncertainty import effective_degrees_of_freedom

__all__ = ["DRIFTS", "PowerReading", "combine", "power_reading", "warm_up"]

DRIFTS = 0.01  # a trend less likely by chance is one
_MOST_LEFT_OUT = 0.6
_ROUNDING = 1e-13  # of readings, relative: scatter below it is the computer's


@dataclass(frozen=True)
class PowerReading:
    """Power at the resin surface; mW.

    `mean` and `type_a` are at the meter, `value` behind the losses. `components` lists (name, standard uncertainty in
    mW at the surface, degrees of freedom). `left_out` readings at the start are warm-up; `drift` is the relative
    change across the readings kept, with its p-value. `at_top` and `at_bottom` readings stand at one end of the meter's range,
    `step` is the digit that the readings stand on (0 where none is seen).
    """

    value: float
    standard_uncertainty: float
    effective_dof: float
    mean: float
    sd: float
    type_a: float
    readings: int
    left_out: int
    warm_up_change: float
    drift: float
    drift_p: float
    correlation: float
    transmission: float
    components: tuple[tuple[str, float, float], ...]
    kept: Any
    at_top: int
    at_bottom: int
    step: float


def combine(*, uncertainties: Any, degrees_of_freedom: Any) -> tuple[float, float]:
    """Combined standard uncertainty and its effective degrees of freedom (Welch-Satterthwaite, JCGM 100 G.2b).

    >>> u, dof = combine(uncertainties=[25.0, 9.7, 2.9, 16.6], degrees_of_freedom=[18, 25.6, 50, 2])
    >>> f"{u:.1f} {dof:.1f}"
    '31.7 16.8'
    """
    total = math.hypot(*(float(u) for u in uncertainties))
    return total, effective_degrees_of_freedom(uncertainties, degrees_of_freedom)


def warm_up(reading: Any, time: Any = None) -> int:
    """How many readings at the start belong to a warm-up.

    A level with an exponential approach, a + b exp(-t/tau), is compared with a level alone (F test at 0.1 %, since tau is
    searched for). Where it is real, readings are left out until the rest of the approach moves the mean of the
    readings kept by less than 0.3 of its own standard uncertainty. Zero when there is no approach, and also when no
    cut within 60 % of the series is enough: the source still drifts, and that is not a warm-up to be left out.

    >>> t = np.arange(60.0)
    >>> 12 < warm_up(100.0 - 8.0 * np.exp(-t / 4.0) + 0.1 * np.cos(7.0 * t)) < 36
    True
    """
    y = np.asarray(reading, dtype=np.float64)
    t = np.arange(y.size, dtype=np.float64) if time is None else np.asarray(time, dtype=np.float64)
    span = float(np.ptp(t))
    if y.size < 8 or span == 0:
        return 0
    from scipy.special import fdtrc

    tau = np.geomspace(0.3 * span / y.size, 3.0 * span, 60)
    shape = np.exp(-(t - np.min(t)) / tau[:, None])
    d = shape - shape.mean(axis=1, keepdims=True)
    size = np.einsum("ij,ij->i", d, d)
    gained = (d @ y) ** 2 / size
    k = int(np.argmax(gained))
    floor = y.size * (_ROUNDING * float(np.abs(y).max())) ** 2
    b = float(d[k] @ y) / size[k]
    rest = max(float(((y - y.mean() - b * d[k]) ** 2).sum()), floor)
    if gained[k] <= floor or fdtrc(2, y.size - 3, gained[k] / rest * (y.size - 3) / 2.0) > 0.001:
        return 0
    noise = math.sqrt(rest / (y.size - 3))
    shape = abs(b) * shape[k]
    for cut in range(1, int(_MOST_LEFT_OUT * y.size) + 1):
        if float(shape[cut:].mean()) < 0.3 * noise / math.sqrt(y.size - cut):
            return cut
    # nearly settled: what is left of the approach stays below one standard uncertainty of the mean
    return cut if float(shape[cut:].mean()) < noise / math.sqrt(y.size - cut) else 0


def _trend(y: Any, t: Any) -> tuple[float, float]:
    """The change that a line makes across the series, and its p-value."""
    span = float(np.ptp(t))
    if y.size < 3 or span == 0:
        return 0.0, 1.0
    d = t - t.mean()
    slope = float(d @ y / (d @ d))
    rest = y - y.mean() - slope * d
    spread = math.sqrt(float(rest @ rest / (d @ d)) / (y.size - 2))
    return slope * span, t_p(slope / max(spread, _ROUNDING * float(np.abs(y).max()) / span), y.size - 2)


def _held(y: Any) -> tuple[int, int]:
    """How many readings stand at the top and at the bottom of a range.

    Rounded readings crowd in the middle of their scatter. Where four or more share the end, three times as many as share any
    other value, the range ends there.
    """
    values, counts = np.unique(y, return_counts=True)
    if values.size < 4:
        return 0, 0
    crowd = max(4, 3 * int(np.max(counts[1:-1])))
    ends = [int(counts[k]) if counts[k] >= crowd else 0 for k in (-1, 0)]
    return ends[0], ends[1]


def _likeliest(y: Any, top: Any, bottom: Any) -> tuple[float, float, float]:
    """Mean, standard deviation and standard uncertainty of the mean of normal readings, those at an end of the range known only as beyond.

    The likelihood of Tobin's model, raised by expectation and maximisation; the uncertainty from its curvature. The deviation counts one
    degree of freedom less than the readings inside the range, as that of a plain mean does.
    """
    from scipy.special import log_ndtr

    inside = y[~(top | bottom)]
    ends = [(float(y[at].max()), int(at.sum()), sign) for at, sign in ((top, 1.0), (bottom, -1.0)) if at.any()]
    mean, sd = float(y.mean()), float(y.std())
    for _ in range(400):
        total, square = float(inside.sum()), float(((inside - mean) ** 2).sum())
        for end, count, sign in ends:
            z = sign * (end - mean) / sd
            hazard = math.exp(-0.5 * z * z - float(log_ndtr(-z))) / math.sqrt(2.0 * math.pi)
            total += count * (mean + sign * sd * hazard)
            square += count * sd**2 * (1.0 + z * hazard)
        mean, sd = total / y.size, math.sqrt(square / y.size)

    def likelihood(m: float, s: float) -> float:
        beyond = sum(count * float(log_ndtr(sign * (m - end) / s)) for end, count, sign in ends)
        return beyond - inside.size * math.log(s) - 0.5 * float(((inside - m) ** 2).sum()) / s**2

    h, best = 1e-3 * sd, likelihood(mean, sd)
    mm, ss = (
        -(likelihood(mean + a * h, sd + b * h) + likelihood(mean - a * h, sd - b * h) - 2.0 * best) / h**2
        for a, b in ((1.0, 0.0), (0.0, 1.0))
    )
    across = sum(a * b * likelihood(mean + a * h, sd + b * h) for a in (-1.0, 1.0) for b in (-1.0, 1.0))
    cross = -across / (4.0 * h * h)
    fair = math.sqrt(inside.size / (inside.size - 1.0))
    return mean, sd * fair, fair * math.sqrt(ss / (mm * ss - cross**2))


def power_reading(
    *,
    reading: Any,
    time: Any = None,
    calibration: float = 0.0,
    calibration_dof: float = math.inf,
    zero: float = 0.0,
    resolution: float = 0.0,
    losses: Any = (),
    keep_warm_up: bool = False,
) -> PowerReading:
    """Mean power at the resin surface with its standard uncertainty.

    Parameters
    ----------
    reading : float array (n,), mW
        In the order taken.
    time : float array (n,), s, optional
        Equal steps when left out.
    calibration : float
        Relative standard uncertainty of the meter (Type B).
    calibration_dof : float
        Its degrees of freedom; infinite when left out.
    zero : float, mW
        Meter reading with the beam blocked, taken off.
    resolution : float, mW
        Last digit of the meter: adds its rectangular share, resolution/sqrt 12. Where the readings themselves stand on
        coarser steps than their scatter, that step counts.
    losses : sequence of (name, loss, standard uncertainty)
        Shares lost between meter and resin, multiplied as (1 - loss).
    keep_warm_up : bool
        Leave nothing out.

    Returns
    -------
    PowerReading

    Source: JCGM 100 4.2 (Type A), 4.3 (Type B), G.4 (effective degrees of freedom). Successive readings that resemble
    each other carry less news: the Type A part grows by sqrt((1 + r)/(1 - r)) for a significant lag-one correlation r. Readings at an
    end of the meter's range count as at least, or at most, that (Tobin's likelihood), where four or more lie inside it.
    """
    y = np.asarray(reading, dtype=np.float64) - zero
    t = np.arange(y.size, dtype=np.float64) if time is None else np.asarray(time, dtype=np.float64)
    if y.size < 2:
        raise ValueError("one reading cannot show its scatter. Take at least ten, a few seconds apart.")
    order = np.argsort(t, kind="stable")
    y, t = y[order], t[order]
    top, bottom = _held(y)
    if 2 * (top + bottom) > y.size:
        where, do = ("full scale", "Choose a wider range of the meter") if top >= bottom else ("the bottom of the range", "Set the zero")
        raise ValueError(f"{max(top, bottom)} of {y.size} readings stand at {where}, so their mean means nothing. {do} and read again.")
    cut = 0 if keep_warm_up else warm_up(y, t)
    kept, when = y[cut:], t[cut:]
    mean, sd = float(kept.mean()), float(kept.std(ddof=1))
    beyond = [found & (kept == end) for found, end in ((bool(top), np.max(y)), (bool(bottom), np.min(y)))]
    out = int(np.sum(beyond))
    if out and kept.size - out >= 4:
        mean, sd, spread = _likeliest(kept, *beyond)
    else:
        spread = sd / math.sqrt(kept.size)
    if not mean > 0:
        raise ValueError("the mean reading is not above zero. Check the shutter, the range of the meter and its zero.")
    change, drift_p = _trend(kept, when)
    step = step_of(kept)
    hidden = step > 2.0 * sd  # noise of half a step would blur it away
    if hidden:
        resolution = max(resolution, step)
    d = kept - kept.mean()
    r = float(d[1:] @ d[:-1] / (d @ d)) if sd > _ROUNDING * mean else 0.0
    used = r if r > 2.0 / math.sqrt(kept.size) else 0.0
    grow = math.sqrt((1.0 + used) / (1.0 - used))
    type_a = spread * grow
    dof_a = max((kept.size - out) / grow**2 - 1.0, 1.0)
    transmission = 1.0
    for name, loss, _ in losses:
        if not 0.0 <= loss < 1.0:
            raise ValueError(f"loss {name} must be at least 0 and below 1, got {loss:g}. Write the share of power lost, like '4 %'.")
        transmission *= 1.0 - loss
    value = mean * transmission
    width = math.sqrt(12.0)  # of a rectangle over its standard deviation
    parts = [
        ("readings (Type A)", type_a * transmission, dof_a),
        ("meter calibration (Type B)", calibration * value, calibration_dof),
        ("meter resolution (Type B)", resolution / width * transmission, math.inf),
        *((f"loss {name} (Type B)", value * u / (1.0 - loss), math.inf) for name, loss, u in losses),
        ("drift (Type B)", (drift_p < DRIFTS) * abs(change) / width * transmission, math.inf),
    ]
    parts = [p for p in parts if p[1] > 0]
    total, dof = combine(uncertainties=[p[1] for p in parts], degrees_of_freedom=[p[2] for p in parts])
    return PowerReading(
        value=value,
        standard_uncertainty=total,
        effective_dof=dof,
        mean=mean,
        sd=sd,
        type_a=type_a,
        readings=int(kept.size),
        left_out=cut,
        warm_up_change=float((y[0] - mean) / mean) if cut else 0.0,
        drift=change / mean,
        drift_p=drift_p,
        correlation=used,
        transmission=transmission,
        components=tuple(parts),
        kept=kept,
        at_top=top,
        at_bottom=bottom,
        step=step if hidden else 0.0,
    )
