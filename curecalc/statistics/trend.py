"""A straight trend in time, what it forecasts, and when it reaches a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..units import ratio
from .intervals import t_factor, t_p
from .series import numbers, same_length

__all__ = ["Crossing", "Trend", "crossing", "trend"]


@dataclass(frozen=True)
class Trend:
    """A least-squares line through a series.

    `level` is its value at `centre`, the mean time; `slope` per unit of time with `slope_uncertainty`; `residual_sd` the
    scatter of single readings about it with `degrees_of_freedom`; `neighbours` the correlation of residuals with the next
    one; `notes` what a reader must know.
    """

    centre: float
    level: float
    slope: float
    slope_uncertainty: float
    residual_sd: float
    degrees_of_freedom: int
    points: int
    spread: float
    first: float
    last: float
    p_value: float
    neighbours: float
    notes: tuple[str, ...] = ()

    def at(self, time: Any) -> Any:
        """The line at a time (scalar or array)."""
        return self.level + self.slope * (np.asarray(time, dtype=np.float64) - self.centre)

    def half_width(self, time: Any, *, confidence: float = 0.95, future: bool = False) -> Any:
        """Half-width of the interval of the line at a time, or of one future reading then."""
        offset = np.asarray(time, dtype=np.float64) - self.centre
        share = 1.0 / self.points + offset**2 / self.spread + (1.0 if future else 0.0)
        return _factor(confidence, self.degrees_of_freedom) * self.residual_sd * np.sqrt(share)

    def to_dict(self) -> dict[str, Any]:
        """The trend as it stands in JSON."""
        return {
            "slope": self.slope,
            "slope_standard_uncertainty": self.slope_uncertainty,
            "level": self.level,
            "mean_time": self.centre,
            "residual_sd": self.residual_sd,
            "degrees_of_freedom": self.degrees_of_freedom,
            "points": self.points,
            "p_value": self.p_value,
            "correlation_of_neighbours": self.neighbours,
            "notes": list(self.notes),
        }


def trend(times: Any, values: Any) -> Trend:
    """Straight line of values over time by least squares, with Student t.

    Parameters
    ----------
    times, values : array_like, shape (n,), n at least 3
        For a fade by a constant fraction per day, give logarithms of the values (and of the limit to `crossing`).

    Source: `gum` H.3 for the line. Valid for independent scatter; the correlation of neighbouring residuals is tested and
    named when it makes the intervals too narrow. A trend knows nothing of what has not happened yet.

    >>> fade = trend([0.0, 10.0, 20.0, 30.0], [300.0, 296.1, 291.8, 288.1])
    >>> f"{fade.slope:.3f} +- {fade.slope_uncertainty:.3f} per day"
    '-0.400 +- 0.008 per day'
    """
    t = numbers("times", times, minimum=3)
    y = numbers("values", values)
    same_length("values", y, "times", t)
    centre = float(t.mean())
    d = t - centre
    spread = float(d @ d)
    if spread == 0.0:
        raise QuantityError("times are all the same, so there is no trend to find. Record readings on other days.")
    level = float(y.mean())
    slope = float(d @ (y - level)) / spread
    residuals = y - level - slope * d
    dof = t.size - 2
    sd = math.sqrt(float(residuals @ residuals) / dof)
    u = sd / math.sqrt(spread)
    order = np.argsort(t, kind="stable")
    r = residuals[order]
    total = float(r @ r)
    neighbours = float(r[1:] @ r[:-1]) / total if total > 0.0 else 0.0
    notes = []
    if t.size >= 10 and neighbours > 1.96 / math.sqrt(t.size):
        notes.append(
            f"Neighbouring readings wander together (correlation {neighbours:.2f}), so the intervals are too narrow: "
            "the change is not a straight line, or something else moves the readings."
        )
    return Trend(
        centre, level, slope, u, sd, dof, t.size, spread, float(t.min()), float(t.max()), _p_value(slope, u, dof), neighbours, tuple(notes)
    )


def _p_value(slope: float, u: float, dof: int) -> float:
    if u == 0.0:
        return 1.0 if slope == 0.0 else 0.0
    return float(t_p(slope / u, dof))


def _factor(confidence: float, dof: int) -> float:
    return float(t_factor(float(ratio("confidence", confidence, high=1.0)), dof))


@dataclass(frozen=True)
class Crossing:
    """When a trend reaches a limit: the line's own time, and the interval of times.

    `low` and `high` bound the times the data allow; an end that the data do not bound is infinite. `time` is infinite
    when the line is level.
    """

    limit: float
    time: float
    low: float
    high: float
    confidence: float

    @property
    def bounded(self) -> bool:
        """Both ends of the interval are finite."""
        return math.isfinite(self.low) and math.isfinite(self.high)

    def to_dict(self) -> dict[str, Any]:
        """The crossing as it stands in JSON; an unbounded end is null."""
        end = [number if math.isfinite(number) else None for number in (self.time, self.low, self.high)]
        return {"limit": self.limit, "time": end[0], "interval": end[1:], "confidence": self.confidence}


def crossing(line: Trend, limit: float, *, confidence: float = 0.95) -> Crossing:
    r"""When the line reaches `limit`, with the exact (Fieller) interval.

    The times t for which the interval of the line covers the limit: b^2 d^2 + 2 b (ybar - limit) d + (ybar - limit)^2 <=
    t^2 s^2 (1/n + d^2/Sxx), d = t - tbar. When the slope is not clearly different from zero that set has no end on one
    side or on both: such an end is infinite. Where the set lies outside two finite times the later side is kept, as a forecast
    asks: the limit is not reached before `low`.

    Source: `graybill1994`, inverse prediction for a mean response. Valid as far as the straight line is.

    >>> fade = trend([0.0, 10.0, 20.0, 30.0], [300.0, 296.1, 291.8, 288.1])
    >>> when = crossing(fade, 280.0)
    >>> f"{when.time:.1f} ({when.low:.1f} to {when.high:.1f})"
    '50.0 (47.2 to 53.3)'
    """
    gap = line.level - float(limit)
    k = _factor(confidence, line.degrees_of_freedom) * line.residual_sd
    time = line.centre - gap / line.slope if line.slope != 0.0 else math.inf
    a = line.slope * line.slope - k * k / line.spread
    if k == 0.0:
        return Crossing(float(limit), time, time, time, confidence)
    square = k * k * (a / line.points + gap * gap / line.spread)  # b^2 (ybar - limit)^2 less a times what does not depend on d

    def end(root: float) -> float:
        return line.centre - (line.slope * gap + root) / a

    if a > 0.0:
        return Crossing(float(limit), time, end(math.sqrt(square)), end(-math.sqrt(square)), confidence)
    low = end(math.sqrt(square)) if a and square > 0.0 else -math.inf
    return Crossing(float(limit), time, low, math.inf, confidence)
