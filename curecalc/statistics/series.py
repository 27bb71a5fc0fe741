"""Checks that a series of plain numbers can be used; the sentences people see when it cannot."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..errors import QuantityError

__all__ = ["numbers", "same_length"]


def numbers(name: str, values: Any, *, minimum: int = 1, above: float | None = None) -> np.ndarray:
    """`values` as a float64 vector of at least `minimum` finite numbers."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise QuantityError(f"{name} must be plain numbers in one unit.") from None
    if array.ndim != 1:
        raise QuantityError(f"{name} must be a list of numbers, got an array of {array.ndim} dimensions.")
    if array.size < minimum:
        raise QuantityError(f"{name} needs at least {minimum} values, got {array.size}. Record more first.")
    if not np.isfinite(array).all():
        raise QuantityError(f"{name} must be finite, got {array[~np.isfinite(array)][0]:g} at index {_first(~np.isfinite(array))}.")
    if above is not None and (array <= above).any():
        raise QuantityError(f"{name} must be above {above:g}, got {array[array <= above][0]:g} at index {_first(array <= above)}.")
    return array


def same_length(name: str, array: np.ndarray, other: str, reference: np.ndarray) -> None:
    """Refuse two series of different length."""
    if array.shape != reference.shape:
        raise QuantityError(f"{name} has {array.size} values and {other} {reference.size}; they must pair up.")


def _first(mask: np.ndarray) -> int:
    return int(np.flatnonzero(mask)[0])
