"""Checks at the boundary: a quantity becomes a float64 in the unit asked for, or one clear line says why not."""

from __future__ import annotations

import math
import numbers
from dataclasses import dataclass
from typing import Any

import numpy as np
import pint
from pint import Quantity

from ..errors import QuantityError
from .kinds import DEGC, KELVIN, ONE, brief, clip, one_line, unit_text

__all__ = ["Measured", "count", "finite", "measured", "nonnegative", "positive", "ratio"]


@dataclass(frozen=True)
class Measured:
    """A quantity with its standard uncertainty (JCGM 100), both in the same dimension.

    >>> Measured(Quantity(300.0, "mW"), Quantity(6.0, "mW")).relative
    0.02
    """

    value: Quantity
    standard_uncertainty: Quantity

    def __post_init__(self) -> None:
        finite("value", self.value, self.value.units)
        unit = KELVIN if self.value.units == DEGC else self.value.units
        nonnegative("standard_uncertainty", self.standard_uncertainty, unit)

    @property
    def relative(self) -> Any:
        """Standard uncertainty over the magnitude of the value."""
        return abs((self.standard_uncertainty / self.value).m_as(ONE))


def measured(value: Quantity | Measured) -> Measured:
    """The value as `Measured`; a bare quantity gets a standard uncertainty of zero."""
    if isinstance(value, Measured):
        return value
    return Measured(value, Quantity(0.0, KELVIN if value.units == DEGC else value.units))


def _magnitude(name: str, value: Any, unit: Any) -> Any:
    if not isinstance(value, Quantity):
        raise QuantityError(_not_a_quantity(name, value, unit))
    try:
        number = value.m if value.units == unit else value.m_as(unit)
    except pint.DimensionalityError:
        # pint's own one-line description of the dimension, for example [mass] * [length] ** 2 / [time] ** 2
        raise QuantityError(
            f"{name} must convert to {unit_text(unit)}, but {brief(value)} is {value.dimensionality}."
        ) from None
    except (TypeError, ValueError, pint.PintError) as error:
        raise QuantityError(f"{name} cannot be read in {unit_text(unit)}: {one_line(error)}.") from None
    if type(number) is float:
        return number
    if isinstance(number, np.ndarray) and number.dtype == np.float64 and type(number) is np.ndarray:
        return number if number.ndim else float(number)
    return _float64(name, number, unit)


def _float64(name: str, number: Any, unit: Any) -> Any:
    array = np.asarray(number) if not isinstance(number, np.ma.MaskedArray) else None
    if array is None or (array.dtype.kind not in "iuf" and not (array.ndim == 0 and _is_real(number))):
        what = type(number).__name__ if array is None else f"{array.dtype} values"
        raise QuantityError(f"{name} must hold real numbers, got {what}. Give plain numbers in {unit_text(unit)}.")
    return float(array) if array.ndim == 0 else array.astype(np.float64)


def _is_real(number: Any) -> bool:
    from decimal import Decimal

    return isinstance(number, (numbers.Real, Decimal)) and not isinstance(number, bool)


def _not_a_quantity(name: str, value: Any, unit: Any) -> str:
    want = unit_text(unit)
    if isinstance(value, Measured):
        return f"{name} carries an uncertainty, which this function does not take. Give it the value alone."
    if value is None:
        return f"{name} is missing. Give it a quantity, for example Q(20.0, '{want}')."
    if isinstance(value, str):
        return (
            f"{name} is text: got {clip(value)}. Read it first, for example parse('{name}', ...), or Q(20.0, '{want}')."
        )
    if isinstance(value, numbers.Number) and not isinstance(value, bool):
        return f"{name} has no unit: got {value}. Give it one, for example Q({value}, '{want}')."
    if isinstance(value, np.ndarray | list | tuple):
        return f"{name} has no unit: got a bare {type(value).__name__}. Give it one, for example Q(numpy.array([...]), '{want}')."
    return f"{name} must be a quantity, got {type(value).__name__}. Give it one, for example Q(20.0, '{want}')."


def _refuse(name: str, number: Any, unit: Any, rule: str, bad: Any) -> None:
    if isinstance(number, float):
        raise QuantityError(f"{name} must be {rule}, got {number:.6g} {unit_text(unit)}.".replace(" .", "."))
    if number.size == 0:
        raise QuantityError(f"{name} is empty. Give it at least one value in {unit_text(unit)}.")
    where = tuple(int(i) for i in np.argwhere(bad)[0])
    at = where[0] if len(where) == 1 else where
    raise QuantityError(f"{name} must be {rule}, got {number[where]:.6g} {unit_text(unit)} at index {at}.")


def positive(name: str, value: Any, unit: Any) -> Any:
    """Magnitude of `value` in `unit` as float64, finite and above zero; `QuantityError` otherwise."""
    number = _magnitude(name, value, unit)
    if isinstance(number, float):
        if not 0.0 < number < math.inf:
            _refuse(name, number, unit, "finite and above zero", None)
    elif number.size == 0 or not (number.min() > 0.0 and number.max() < np.inf):
        _refuse(name, number, unit, "finite and above zero", ~((number > 0.0) & (number < np.inf)))
    return number


def nonnegative(name: str, value: Any, unit: Any) -> Any:
    """Magnitude of `value` in `unit` as float64, finite and not below zero; `QuantityError` otherwise."""
    number = _magnitude(name, value, unit)
    if isinstance(number, float):
        if not 0.0 <= number < math.inf:
            _refuse(name, number, unit, "finite and not below zero", None)
    elif number.size == 0 or not (number.min() >= 0.0 and number.max() < np.inf):
        _refuse(name, number, unit, "finite and not below zero", ~((number >= 0.0) & (number < np.inf)))
    return number


def finite(name: str, value: Any, unit: Any) -> Any:
    """Magnitude of `value` in `unit` as float64 and finite, of either sign; `QuantityError` otherwise."""
    number = _magnitude(name, value, unit)
    if isinstance(number, float):
        if not math.isfinite(number):
            _refuse(name, number, unit, "finite", None)
    elif number.size == 0 or not np.isfinite(number).all():
        _refuse(name, number, unit, "finite", ~np.isfinite(number))
    return number


def count(name: str, value: Any, *, minimum: int = 1) -> Any:
    """A whole number (or array of them) not below `minimum`, as int or int64 array; `QuantityError` otherwise."""
    array = np.asarray(value) if not isinstance(value, str | bool) else np.asarray(None)
    if array.dtype.kind not in "iuf":
        raise QuantityError(f"{name} must be a whole number of at least {minimum}, got {clip(str(value))}.")
    if array.size == 0:
        raise QuantityError(f"{name} is empty. Give it at least one whole number.")
    bad = ~(np.isfinite(array) & (array == np.floor(array)) & (array >= minimum) & (np.abs(array) < 2**53))
    if bad.any():
        where = f" at index {int(np.argwhere(bad)[0][0])}" if array.ndim else ""
        got = array[bad].flat[0] if array.ndim else array
        raise QuantityError(f"{name} must be a whole number of at least {minimum}, got {got}{where}.")
    return int(array) if array.ndim == 0 else array.astype(np.int64)


def ratio(
    name: str, value: Any, *, low: float = 0.0, high: float = math.inf, low_open: bool = True, high_open: bool = True
) -> Any:
    """A plain real number (or array) between `low` and `high`, as float64; `QuantityError` otherwise."""
    number = _magnitude(name, value if isinstance(value, Quantity) else _bare(name, value), ONE)
    above = number > low if low_open else number >= low
    below = number < high if high_open else number <= high
    good = above & below & np.isfinite(number)
    if np.size(number) == 0 or not np.all(good):
        rule = f"{'above' if low_open else 'at least'} {low:g}"
        if math.isfinite(high):
            rule += f" and {'below' if high_open else 'at most'} {high:g}"
        _refuse(name, number, ONE, f"finite, {rule}", ~np.asarray(good))
    return number


def _bare(name: str, value: Any) -> Quantity:
    if isinstance(value, str | bool) or value is None:
        raise QuantityError(f"{name} must be a number, got {clip(str(value))}.")
    try:
        return Quantity(value, ONE)
    except (TypeError, ValueError):
        raise QuantityError(f"{name} must be a number, got {type(value).__name__}.") from None
