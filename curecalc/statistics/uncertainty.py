"""Propagating uncertainty: first order (JCGM 100), Monte Carlo (JCGM 101), effective degrees of freedom.

Plain float64 in and out. A model is a function of a mapping of named inputs, each an array over draws, to a mapping of
named outputs of the same length; all inputs are above zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..symbols import percent

__all__ = [
    "MonteCarlo",
    "combined",
    "draw_inputs",
    "effective_degrees_of_freedom",
    "log_gradient",
    "monte_carlo",
    "shortest_interval",
    "standard_uncertainties",
]

Model = Callable[[dict[str, Any]], Mapping[str, Any]]
_STEP = 1e-6


def combined(slopes: Any, covariance: Any) -> float:
    """Combined standard uncertainty from the slopes of a result and the covariance of what it depends on (JCGM 100, eq. 13).

    >>> combined([3.0, -4.0], np.diag([1.0, 1.0])), combined([1.0, -1.0], np.ones((2, 2)))
    (5.0, 0.0)
    """
    return math.sqrt(max(float(np.dot(slopes, covariance) @ slopes), 0.0))  # rounding may leave a little below none


def log_gradient(model: Model, inputs: Mapping[str, Any], names: list[str]) -> dict[str, dict[str, Any]]:
    """Derivative of each output with respect to the logarithm of each named input, by central differences.

    One call of the model on an array of perturbed inputs, the differences along a new first axis. The step 1e-6 leaves a relative
    error of about 1e-10; a difference of four roundings or less is none.

    >>> g = log_gradient(lambda x: {"f": x["a"] ** 2 / x["b"]}, {"a": 3.0, "b": 2.0}, ["a", "b"])
    >>> f"{g['f']['a']:.6f} {g['f']['b']:.6f}"
    '9.000000 -4.500000'
    """
    m = len(names)
    shape = np.broadcast_shapes(*(np.shape(value) for value in inputs.values()))
    steps = np.exp(_STEP * np.concatenate([np.eye(m), -np.eye(m)]))
    moved = {name: np.array(np.broadcast_to(value, (len(steps), *shape)), float) for name, value in inputs.items()}
    for name, step in zip(names, steps.T):
        moved[name] = np.multiply.outer(step, np.broadcast_to(inputs[name], shape))
    gradient: dict[str, dict[str, Any]] = {}
    for key, values in model(moved).items():
        v = np.broadcast_to(np.asarray(values, float), np.broadcast_shapes(np.shape(values), (len(steps), *shape)))
        change = v[:m] - v[m:]
        change = np.where(np.abs(change) <= 4.0 * np.finfo(float).eps * np.abs(v[:m]), 0.0, change) / (2.0 * _STEP)
        gradient[key] = {name: change[i][()] for i, name in enumerate(names)}
    return gradient


def standard_uncertainties(
    gradient: Mapping[str, Mapping[str, Any]], relative: Mapping[str, Any], correlations: Mapping[tuple[str, str], float] | None = None
) -> dict[str, Any]:
    """Combined standard uncertainty of each output (JCGM 100, eq. 16) from relative input uncertainties.

    Parameters
    ----------
    gradient : as `log_gradient` gives it
    relative : input name to relative standard uncertainty
    correlations : pairs of inputs to correlation, optional

    >>> u = standard_uncertainties({"f": {"a": 3.0, "b": -4.0}}, {"a": 0.01, "b": 0.01})
    >>> f"{u['f']:.3f}"
    '0.050'
    """
    result = {}
    for key, row in gradient.items():
        part = {name: row[name] * u for name, u in relative.items() if name in row}
        variance = sum(p * p for p in part.values())
        for (a, b), r in (correlations or {}).items():
            if a in part and b in part:
                variance = variance + 2.0 * r * part[a] * part[b]
        result[key] = np.sqrt(np.maximum(variance, 0.0))[()]
    return result


def draw_inputs(
    inputs: Mapping[str, float],
    uncertainty: Mapping[str, float],
    correlations: Mapping[tuple[str, str], float] | None = None,
    *,
    draws: int,
    seed: int,
) -> dict[str, Any]:
    """Draws of the inputs (JCGM 101, 6.4.7 and 6.4.8); inputs without uncertainty stay single numbers.

    Gaussian, but for exposures, of which the logarithm is drawn: a threshold is known by its ratio, and the correlation of a line
    fit is that of ln Ec.

    Raises
    ------
    QuantityError
        An uncertainty so large that draws of a quantity that must be above zero are not.
    """
    random = np.random.default_rng(seed)
    names = [name for name, u in uncertainty.items() if u > 0.0 and name in inputs]
    matrix = np.eye(len(names))
    for (a, b), r in (correlations or {}).items():
        if a in names and b in names:
            i, j = names.index(a), names.index(b)
            matrix[i, j] = matrix[j, i] = r
    values, vectors = np.linalg.eigh(matrix)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    if not np.allclose(root @ root.T, matrix):
        raise QuantityError("the stated correlations contradict each other: no distribution has them all.")
    normal = root @ random.standard_normal((len(names), draws))
    drawn: dict[str, Any] = dict(inputs)
    for row, name in zip(normal, names, strict=True):
        if name.endswith("exposure"):
            drawn[name] = inputs[name] * np.exp(uncertainty[name] / inputs[name] * row)
            continue
        drawn[name] = inputs[name] + uncertainty[name] * row
        if drawn[name].min() <= 0.0:
            share = percent(uncertainty[name] / inputs[name], ".3g")
            raise QuantityError(
                f"{name}: a standard uncertainty of {share} lets Gaussian draws fall to zero or below. "
                "State a smaller uncertainty, or leave Monte Carlo off and read the first-order figure with care."
            )
    return drawn


@dataclass(frozen=True)
class MonteCarlo:
    """What a Monte Carlo propagation gives for one output, floats in kernel units."""

    mean: float
    standard_uncertainty: float
    interval: tuple[float, float]
    shortest: tuple[float, float]
    confidence: float
    draws: int


def monte_carlo(values: Any, *, confidence: float) -> MonteCarlo:
    """Mean, standard deviation and coverage intervals of drawn output values (JCGM 101, 7.6 and 7.7).

    >>> mc = monte_carlo(np.arange(1001.0), confidence=0.9)
    >>> f"{mc.mean:.0f} [{mc.interval[0]:.0f}, {mc.interval[1]:.0f}]"
    '500 [50, 950]'
    """
    v = np.sort(np.asarray(values, float))
    tail = 0.5 * (1.0 - confidence)
    low, high = np.quantile(v, [tail, 1.0 - tail])
    return MonteCarlo(
        mean=float(v.mean()),
        standard_uncertainty=float(v.std(ddof=1)),
        interval=(float(low), float(high)),
        shortest=shortest_interval(v, confidence=confidence),
        confidence=confidence,
        draws=v.size,
    )


def shortest_interval(ordered: Any, *, confidence: float) -> tuple[float, float]:
    """Shortest interval holding that share of ordered values (JCGM 101, 7.7.4 note 2).

    >>> shortest_interval(np.array([0.0, 1.0, 1.1, 1.2, 9.0]), confidence=0.6)
    (1.0, 1.2)
    """
    v = np.asarray(ordered, float)
    held = max(round(confidence * v.size), 1)
    widths = v[held - 1 :] - v[: v.size - held + 1]
    start = int(np.argmin(widths))
    return float(v[start]), float(v[start + held - 1])


def effective_degrees_of_freedom(uncertainties: Any, degrees_of_freedom: Any) -> float:
    """Welch-Satterthwaite (JCGM 100, G.4.1): u^4 / sum(u_i^4/nu_i); infinite degrees of freedom are allowed.

    >>> f"{effective_degrees_of_freedom([25.0, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]):.1f}"
    '16.8'
    """
    u, nu = np.asarray(uncertainties, float), np.asarray(degrees_of_freedom, float)
    total = float(np.sum(u**2)) ** 2
    spread = float(np.sum(u**4 / nu))
    return math.inf if spread == 0.0 else total / spread
