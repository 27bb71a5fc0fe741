"""How a value depends on what was recorded beside it: critical exposure on temperature and on the age of the lot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from .intervals import t_p
from .series import numbers, same_length

__all__ = ["Covariates", "regress"]


@dataclass(frozen=True)
class Covariates:
    """A linear model value = constant + sum of coefficient x covariate, with Student-t uncertainties.

    `coefficients[0]` is the constant, the others follow `names`.
    """

    names: tuple[str, ...]
    coefficients: tuple[float, ...]
    standard_uncertainties: tuple[float, ...]
    p_values: tuple[float, ...]
    residual_sd: float
    degrees_of_freedom: int
    covariance: np.ndarray
    means: tuple[float, ...]

    def coefficient(self, name: str) -> tuple[float, float, float]:
        """Coefficient, standard uncertainty and p value of one covariate."""
        index = self.names.index(name) + 1
        return self.coefficients[index], self.standard_uncertainties[index], self.p_values[index]

    def to_dict(self) -> dict[str, Any]:
        """The model as it stands in JSON."""
        return {
            "constant": self.coefficients[0],
            "constant_standard_uncertainty": self.standard_uncertainties[0],
            "covariates": {
                name: {"coefficient": b, "standard_uncertainty": u, "p_value": p, "mean": m}
                for name, b, u, p, m in zip(
                    self.names, self.coefficients[1:], self.standard_uncertainties[1:], self.p_values[1:], self.means
                )
            },
            "residual_sd": self.residual_sd,
            "degrees_of_freedom": self.degrees_of_freedom,
        }


def regress(values: Any, covariates: Mapping[str, Any], *, groups: Any = None) -> Covariates:
    """Least squares of values on several covariates at once, so that one does not pass for another.

    Parameters
    ----------
    values : array_like, shape (n,)
        Logarithms, where effects multiply (critical exposure does).
    covariates : mapping of name to array_like, shape (n,)
    groups : sequence, shape (n,), optional
        A level of its own for each group (resin lot): only differences within groups speak, so that differences between lots
        do not pass for an effect. The constant is then the mean level.

    Columns are centred and scaled before a QR factorisation. Covariates that move together cannot be told apart: an error
    says so.

    Source: checked against certified values of `nist_strd` (Pontius, quadratic). Valid for independent scatter of one size.

    >>> m = regress([1.0, 2.1, 2.9, 4.2], {"age": [0.0, 1.0, 2.0, 3.0]})
    >>> f"{m.coefficients[1]:.2f} +- {m.standard_uncertainties[1]:.2f}"
    '1.04 +- 0.06'
    """
    names = tuple(covariates)
    y = numbers("values", values, minimum=len(names) + 2)
    place, lots = (np.zeros(y.size, dtype=np.int64), 1) if groups is None else _places(groups, y)
    if y.size < len(names) + lots + 1:
        raise QuantityError(f"{lots} groups and {len(names)} covariates need at least {len(names) + lots + 1} values, got {y.size}.")
    columns = [numbers(name, covariates[name]) for name in names]
    for name, column in zip(names, columns):
        same_length(name, column, "values", y)
        if np.ptp(_within(column, place)) == 0.0:
            raise QuantityError(f"{name} is the same in every entry, so its effect cannot be seen.")
    if groups is not None:
        columns = [_within(column, place) + float(column.mean()) for column in columns]
        y = _within(y, place) + float(y.mean())
    means = np.array([column.mean() for column in columns])
    scales = np.array([column.std() for column in columns])
    design = np.column_stack([np.ones(y.size), *((column - m) / s for column, m, s in zip(columns, means, scales))])
    q, r = np.linalg.qr(design)
    if np.linalg.matrix_rank(r, tol=1e-9 * math.sqrt(y.size)) <= len(names):
        raise QuantityError(f"{', '.join(names)} move together in these entries, so their effects cannot be told apart.")
    raw = np.linalg.solve(r, q.T @ y)
    residuals = y - design @ raw
    raw = raw + np.linalg.solve(r, q.T @ residuals)  # one step of refinement
    residuals = y - design @ raw
    dof = y.size - len(names) - lots
    variance = float(residuals @ residuals) / dof
    inverse = np.linalg.inv(r)
    back = np.eye(len(names) + 1)
    back[1:, 1:] = np.diag(1.0 / scales)
    back[0, 1:] = -means / scales
    coefficients = back @ raw
    covariance = variance * back @ (inverse @ inverse.T) @ back.T
    u = np.sqrt(np.diag(covariance))
    t = np.divide(coefficients, u, out=np.where(coefficients == 0.0, 0.0, np.inf), where=u > 0.0)
    p = t_p(t, dof)
    return Covariates(
        names,
        tuple(coefficients.tolist()),
        tuple(u.tolist()),
        tuple(p.tolist()),
        math.sqrt(variance),
        dof,
        covariance,
        tuple(means.tolist()),
    )


def _places(groups: Any, y: np.ndarray) -> tuple[np.ndarray, int]:
    labels, place = np.unique(np.asarray(list(groups)).astype(str), return_inverse=True)
    if place.size != y.size:
        raise QuantityError(f"groups has {place.size} labels and values {y.size} readings; they must pair up.")
    return place, int(labels.size)


def _within(column: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Differences from the mean of each group."""
    counts = np.bincount(place).astype(np.float64)
    return column - (np.bincount(place, weights=column) / counts)[place]
