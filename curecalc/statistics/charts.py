"""Control charts for readings one at a time: individuals with moving range, and exponentially weighted means."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..symbols import percent
from ..units import ratio
from .constants import chart_constants
from .quadrature import gauss_legendre
from .rules import RULES, check_rules, run_length, run_signals
from .series import numbers

__all__ = [
    "Baseline",
    "Chart",
    "Signal",
    "baseline",
    "ewma_chart",
    "ewma_half_width",
    "ewma_run_length",
    "individuals_chart",
    "weighted_means",
]

FEW = 20  # below this many baseline readings the limits themselves are loose


@dataclass(frozen=True)
class Baseline:
    """What a chart holds readings against: centre and standard deviation, and where they came from.

    `points` is the number of readings used, 0 when both were stated.
    """

    centre: float
    sd: float
    points: int = 0
    method: str = "stated"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.centre) and math.isfinite(self.sd)):
            raise QuantityError("the baseline must be finite.")
        if self.sd <= 0.0:
            raise QuantityError(
                "the baseline has no scatter: every reading is the same, perhaps the gauge is too coarse. "
                "State the standard deviation, or take the baseline from readings that differ."
            )

    @property
    def lower(self) -> float:
        """Centre less three standard deviations."""
        return self.centre - 3.0 * self.sd

    @property
    def upper(self) -> float:
        """Centre plus three standard deviations."""
        return self.centre + 3.0 * self.sd

    @property
    def sd_uncertainty(self) -> float:
        """Relative standard uncertainty of `sd` (0 when stated): about 1/sqrt(2 (n - 1)) x 1.28 for moving ranges."""
        if self.points < 2:
            return 0.0
        loss = 1.278 if self.method == "moving range" else 1.0
        return loss / math.sqrt(2.0 * (self.points - 1))

    def to_dict(self) -> dict[str, Any]:
        """The baseline as it stands in JSON."""
        return {"centre": self.centre, "sd": self.sd, "points": self.points, "method": self.method}


def baseline(values: Any, *, span: int = 2, d2: float | None = None) -> Baseline:
    """Centre and standard deviation of readings taken while all was well: mean, and mean moving range over d2.

    Parameters
    ----------
    values : array_like, shape (n,), n at least `span`
        In time order. The moving range is used, not the overall scatter, so that a slow drift within the baseline
        does not widen the limits that are meant to find it.
    span : int
        Readings in each moving range.
    d2 : float, optional
        Another value of the constant, for comparing with charts that rounded it to 1.128.

    Source: `nist_handbook` 6.3.2.2. Valid for independent readings; at least 20 make limits that are worth trusting.

    >>> b = baseline([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> f"{b.centre:.2f} {b.sd:.4f}"
    '50.81 1.6641'
    """
    if span < 2:
        raise QuantityError(f"span must be at least 2, got {span}.")
    x = numbers("values", values, minimum=span)
    ranges = np.ptp(np.lib.stride_tricks.sliding_window_view(x, span), axis=1)
    constant = chart_constants(span).d2 if d2 is None else float(ratio("d2", d2))
    return Baseline(float(x.mean()), float(ranges.mean() / constant), x.size, "moving range")


@dataclass(frozen=True, slots=True)
class Signal:
    """A point at which a rule of the chart speaks: its place in the series, the rule, a sentence."""

    index: int
    rule: str
    text: str

    def to_dict(self) -> dict[str, Any]:
        """The signal as it stands in JSON."""
        return {"index": self.index, "rule": self.rule, "text": self.text}


@dataclass(frozen=True)
class Chart:
    """A control chart: what is plotted, its limits at each point, and where it signals.

    `run_length` is the mean number of points until a false alarm when nothing has changed, if the baseline were exact.
    """

    name: str
    plotted: np.ndarray
    centre: float
    lower: np.ndarray
    upper: np.ndarray
    baseline: Baseline
    signals: tuple[Signal, ...]
    rules: tuple[str, ...]
    run_length: float
    width: float
    weight: float = 1.0
    notes: tuple[str, ...] = ()
    correlation: float = 0.0

    @property
    def in_control(self) -> bool:
        """No point signals."""
        return not self.signals

    @property
    def steady_limits(self) -> tuple[float, float]:
        """The limits after many points (those of an individuals chart are the same everywhere)."""
        half = ewma_half_width(sd=self.baseline.sd, weight=self.weight, width=self.width, correlation=self.correlation)
        return self.centre - half, self.centre + half

    def to_dict(self) -> dict[str, Any]:
        """The chart as it stands in JSON."""
        return {
            "chart": self.name,
            "plotted": self.plotted.tolist(),
            "centre": self.centre,
            "lower": self.lower.tolist(),
            "upper": self.upper.tolist(),
            "baseline": self.baseline.to_dict(),
            "rules": list(self.rules),
            "signals": [signal.to_dict() for signal in self.signals],
            "in_control": self.in_control,
            "false_alarm_run_length": self.run_length,
            "width": self.width,
            "weight": self.weight,
            "correlation": self.correlation,
            "notes": list(self.notes),
        }


def _notes(base: Baseline) -> tuple[str, ...]:
    if 0 < base.points < FEW:
        loose = percent(base.sd_uncertainty, ".0f")
        return (f"The baseline has only {base.points} readings, so its limits are uncertain by {loose}; take {FEW}.",)
    return ()


def individuals_chart(values: Any, *, baseline: Baseline, rules: Iterable[str] = ("limit",), width: float = 3.0) -> Chart:
    """Readings one by one against centre +- `width` standard deviations.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings in time order, the baseline readings among them or not.
    baseline : Baseline
    rules : names out of `curecalc.drift.RULES`
        Run rules beyond the limit itself. Each one finds small shifts sooner and costs false alarms: all four cut the mean
        run length without a change from 370 points to 91.75. They need `width` 3.
    width : float
        Half-width of the limits in standard deviations.

    Source: `nist_handbook` 6.3.2.2; run lengths `champ1987`. Valid for independent normal readings.

    >>> chart = individuals_chart([10.0, 10.2, 14.0], baseline=Baseline(10.0, 1.0))
    >>> [s.index for s in chart.signals], f"{chart.run_length:.0f}"
    ([2], '370')
    """
    x = numbers("values", values)
    names = check_rules(rules)
    width = float(ratio("width", width))
    if width != 3.0 and names != ("limit",):
        raise QuantityError(f"run rules are defined for limits at 3 standard deviations, got {width:g}. Leave width at 3.")
    z = (x - baseline.centre) / baseline.sd
    if names == ("limit",):
        found = {"limit": np.abs(z) > width}
        length = 1.0 / math.erfc(width / math.sqrt(2.0))
    else:
        found = run_signals(z, names)
        length = _run_length(names)
    half = width * baseline.sd
    return Chart(
        "individuals",
        x,
        baseline.centre,
        np.full(x.shape, baseline.centre - half),
        np.full(x.shape, baseline.centre + half),
        baseline,
        _signals(found, z),
        names,
        length,
        width,
        notes=_notes(baseline),
    )


@cache
def _run_length(names: tuple[str, ...]) -> float:
    return run_length(names)


def _signals(found: dict[str, np.ndarray], z: np.ndarray) -> tuple[Signal, ...]:
    order: list[tuple[int, int, Signal]] = []
    for place, (name, mask) in enumerate(found.items()):
        words = [f"{RULES[name].text} ({side})" for side in ("above", "below")]
        below = np.signbit(z).tolist()
        order += [(index, place, Signal(index, name, words[below[index]])) for index in np.flatnonzero(mask).tolist()]
    return tuple(signal for _, _, signal in sorted(order))


def ewma_chart(values: Any, *, baseline: Baseline, weight: float = 0.2, width: float = 3.0, correlation: float = 0.0) -> Chart:
    r"""Exponentially weighted means of the readings, against their exact limits at each point.

    z_i = w x_i + (1 - w) z_(i-1), z_0 the centre; limits centre +- L sd sqrt[w/(2 - w) (1 - (1 - w)^(2 i))], which open
    from the first point instead of holding the early ones to the limits of a long series. Finds a slow fade sooner than
    single readings do: an individuals chart needs 44 points on average to see a shift of one standard deviation, this
    one about 10.

    Parameters
    ----------
    values : array_like, shape (n,)
    baseline : Baseline
    weight : float
        w, above 0 and at most 1; small weights see small shifts. 1 is the individuals chart.
    width : float
        L.
    correlation : float
        Of a reading with the next, at least 0 and below 1, where readings share something for a while (a calibration). The
        limits widen for it; the run length is then that of independent readings and only a guide.

    Source: `nist_handbook` 6.3.2.4; run length `crowder1987`. Valid for independent normal readings.

    >>> chart = ewma_chart([52.0, 47.0, 53.0], baseline=Baseline(50.0, 2.0539), weight=0.3)
    >>> [f"{z:.2f}" for z in chart.plotted], f"{chart.steady_limits[1]:.4f}"
    (['50.60', '49.52', '50.56'], '52.5884')
    """
    x = numbers("values", values)
    w = float(ratio("weight", weight, high=1.0, high_open=False))
    width = float(ratio("width", width))
    smooth = weighted_means(values=x, start=baseline.centre, weight=w)
    shared = float(ratio("correlation", correlation, low_open=False, high=1.0))
    half = ewma_half_width(sd=baseline.sd, weight=w, width=width, points=np.arange(1, x.size + 1), correlation=shared)
    away = smooth - baseline.centre
    words = [f"the weighted mean is {side} its limits" for side in ("above", "below")]
    below = np.signbit(away).tolist()
    signals = tuple(Signal(i, "limit", words[below[i]]) for i in np.flatnonzero(np.abs(away) > half).tolist())
    return Chart(
        "ewma",
        smooth,
        baseline.centre,
        baseline.centre - half,
        baseline.centre + half,
        baseline,
        signals,
        ("limit",),
        ewma_run_length(w, width),
        width,
        w,
        _notes(baseline),
        shared,
    )


def weighted_means(*, values: Any, start: float, weight: float) -> np.ndarray:
    """z_i = w x_i + (1 - w) z_(i-1) from z_0 = `start`.

    Source: `nist_handbook` 6.3.2.4.

    >>> weighted_means(values=[52.0, 47.0], start=50.0, weight=0.5).tolist()
    [51.0, 49.0]
    """
    x = numbers("values", values)
    smooth = np.empty_like(x)
    level = float(start)
    for index, value in enumerate(x.tolist()):
        level += weight * (value - level)
        smooth[index] = level
    return smooth


def ewma_half_width(*, sd: float, weight: float, width: float = 3.0, points: Any = math.inf, correlation: float = 0.0) -> Any:
    r"""Half-width of the limits of an exponentially weighted mean after `points` readings (infinite: steady).

    L sd sqrt[w/(2 - w) (1 - (1 - w)^(2 n))] for independent readings. With `correlation` f of neighbours (first-order
    autoregressive) the exact variance follows V_n = w^2 + (1-w)^2 V_(n-1) + 2 w (1-w) f C_(n-1), C_n = w + (1-w) f C_(n-1);
    its steady value is the one above times [1 + f (1-w)]/[1 - f (1-w)].

    Source: `nist_handbook` 6.3.2.4; the correlated case by arithmetic, checked by simulation.

    >>> f"{ewma_half_width(sd=2.0539, weight=0.3):.4f} {ewma_half_width(sd=2.0, weight=0.3, points=1):.2f}"
    '2.5884 1.80'
    """
    carried = correlation * (1.0 - weight)
    steady = weight / (2.0 - weight) * (1.0 + carried) / (1.0 - carried)
    count = np.asarray(points, dtype=np.float64)
    place = np.where(np.isfinite(count), count, -1).astype(np.int64)  # the last one is steady
    variances, v, c = [0.0], 0.0, 0.0
    for _ in range(int(np.max(place))):
        v, c = weight**2 + (1.0 - weight) ** 2 * v + 2.0 * weight * carried * c, weight + carried * c
        if v == variances[-1]:
            break
        variances.append(v)
    half = width * sd * np.sqrt(np.array([*variances, steady])[np.minimum(place, len(variances) - 1)])
    return float(half) if np.ndim(half) == 0 else half


@lru_cache
def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    r"""Mean number of points until the weighted mean leaves its steady limits, `shift` in standard deviations.

    Solves Crowder's integral equation L(u) = 1 + int L(x) phi((x - (1-w) u)/w - shift)/w dx over the limits by
    Gauss-Legendre quadrature. With the exact limits of the first points (narrower) it is slightly shorter.

    Source: `crowder1987`. Valid for independent normal points about a known centre and standard deviation.

    >>> f"{ewma_run_length(1.0, 3.0):.2f} {ewma_run_length(0.1, 2.814):.0f}"
    '370.40 500'
    """
    half = width * math.sqrt(weight / (2.0 - weight))
    x, h = gauss_legendre(-half, half)
    z = (x[None, :] - (1.0 - weight) * x[:, None]) / weight - shift
    kernel = np.exp(-0.5 * z * z) / (math.sqrt(2.0 * math.pi) * weight)
    lengths = np.linalg.solve(np.eye(x.size) - kernel * h, np.ones(x.size))
    start = np.exp(-0.5 * (x / weight - shift) ** 2) / (math.sqrt(2.0 * math.pi) * weight)
    return float(1.0 + np.sum(start * h * lengths))
