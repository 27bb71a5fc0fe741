"""Checks at the boundary: a quantity becomes a float64 in the unit asked for, or one clear line says why not."""

from __future__ import annotations

import math
import numbers
import sys
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pint
from pint import Quantity

from ..errors import QuantityError
from ..symbols import clip
from .kinds import DEGC, KELVIN, MM, ONE, brief, one_line, unit_text

__all__ = ["Measured", "count", "finite", "measured", "measured_field", "nonnegative", "positive", "ratio"]


@dataclass(frozen=True)
class Measured:
    """A quantity with its standard uncertainty (JCGM 100), both in the same dimension.

    >>> Measured(Quantity(300.0, "mW"), Quantity(6.0, "mW")).relative
    0.02
    """

    value: Quantity
    standard_uncertainty: Quantity

    def __post_init__(self) -> None:
        if not isinstance(self.value, Quantity):
            raise QuantityError(_not_a_quantity("value", self.value, MM))
        value = finite("value", self.value, self.value.units)
        spread = self.standard_uncertainty
        if self.value.units == DEGC and isinstance(spread, Quantity) and spread.units == DEGC:
            raise QuantityError("standard_uncertainty of a temperature is a difference: give it in kelvin, for example Q(0.5, 'kelvin').")
        u = nonnegative("standard_uncertainty", spread, KELVIN if self.value.units == DEGC else self.value.units)
        if np.ndim(u) and np.shape(u) != np.shape(value):
            raise QuantityError(
                f"standard_uncertainty has the shape {np.shape(u)}, its value {np.shape(value)}. Give one, or one for each."
            )

    @property
    def relative(self) -> Any:
        """Standard uncertainty over the magnitude of the value."""
        return abs((self.standard_uncertainty / self.value).m_as(ONE))


def measured(value: Quantity | Measured | None) -> Measured:
    """The value as `Measured`; a bare quantity gets a standard uncertainty of zero."""
    if isinstance(value, Measured):
        return value
    if not isinstance(value, Quantity):
        raise QuantityError(_not_a_quantity("value", value, MM))
    return Measured(value, Quantity(0.0, KELVIN if value.units == DEGC else value.units))


def _magnitude(name: str, value: Any, unit: Any) -> Any:
    if not isinstance(value, Quantity):
        raise QuantityError(_not_a_quantity(name, value, unit))
    try:
        number = value.m
        if value.units != unit:
            if angular(value.units) != angular(unit):
                raise QuantityError(_wrong_angle(name, value, unit))
            if type(number) is not float and getattr(number, "dtype", None) != np.float64:
                # pint converts in the precision given: float32 would lose half of the digits
                value = Quantity(_float64(name, number, value.units), value.units)
            number = value.m_as(unit)
    except QuantityError:
        raise
    except pint.DimensionalityError:
        # pint's own one-line description of the dimension, for example [mass] * [length] ** 2 / [time] ** 2
        raise QuantityError(f"{name} must convert to {_wanted(unit)}, but {brief(value)} is {value.dimensionality}.") from None
    except (TypeError, ValueError, pint.PintError) as error:
        if value._REGISTRY is not unit._REGISTRY:
            raise QuantityError(f"{name} was made by another unit registry. Make it with curecalc.units.Quantity.") from None
        raise QuantityError(f"{name} cannot be read in {_wanted(unit)}: {one_line(error)}.") from None
    if type(number) is float:
        return number
    if isinstance(number, np.ndarray) and number.dtype == np.float64 and type(number) is np.ndarray:
        return number if number.ndim else float(number)
    return _float64(name, number, unit)


@lru_cache
def angular(unit: Any) -> bool:
    """Whether an angle is in the unit: pint lets 20 pass for 20 rad, and rad/s for Hz; people mean different things."""
    _, root = unit._REGISTRY.get_root_units(unit)
    return "radian" in str(root)


def _wrong_angle(name: str, value: Quantity, unit: Any) -> str:
    if value.dimensionality != unit.dimensionality:
        return f"{name} must convert to {_wanted(unit)}, but {brief(value)} is {value.dimensionality}."
    if value.unitless:
        return f"{name} has no unit: got {brief(value)}. Give it one, for example Q(20.0, 'deg')."
    has = "has" if angular(value.units) else "lacks"
    return f"{name} must convert to {_wanted(unit)}, but {brief(value)} {has} an angle in its unit."


def _float64(name: str, number: Any, unit: Any) -> Any:
    array = np.asarray(number) if not _masked(number) else None
    if array is None or (array.dtype.kind not in "iuf" and (array.ndim or not _is_real(number))):
        what = type(number).__name__ if array is None else f"{array.dtype} values"
        in_unit = f" in {unit_text(unit)}" if unit_text(unit) else ""
        raise QuantityError(f"{name} must hold real numbers, got {what}. Give plain numbers{in_unit}.")
    try:
        return array.astype(np.float64) if array.ndim else float(array)
    except OverflowError:
        raise QuantityError(f"{name} is too large a number to use. Check its unit and exponent.") from None


def _masked(value: Any) -> bool:
    # numpy loads its masked arrays when they are asked for, in the time of ten modules of ours: before, there is none
    return "numpy.ma" in sys.modules and isinstance(value, np.ma.MaskedArray)


def _wanted(unit: Any) -> str:
    return unit_text(unit) or "a plain number"


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
        return f"{name} is text: got {clip(value)}. Read it first, for example parse('{name}', ...), or Q(20.0, '{want}')."
    if isinstance(value, numbers.Number) and not isinstance(value, bool):
        return f"{name} has no unit: got {value}. Give it one, for example Q({value}, '{want}')."
    if isinstance(value, np.ndarray | list | tuple):
        return f"{name} has no unit: got a bare {type(value).__name__}. Give it one, for example Q(numpy.array([...]), '{want}')."
    return f"{name} must be a quantity, got {type(value).__name__}. Give it one, for example Q(20.0, '{want}')."


# Sizes beyond which a number is a slip of the pen, whatever its unit: the smallest and largest the lab set will ever hold
# are some twenty orders away, and products of several stay far from overflow.
_SMALLEST, _LARGEST = 1e-30, 1e30


def _within(numbers: np.ndarray, low: float, high: float) -> bool:
    """Whether there are numbers and all lie between; a nan does not."""
    return bool(numbers.size and numbers.min() >= low and numbers.max() <= high)


def _first(bad: np.ndarray) -> tuple[tuple[int, ...], str]:
    """Where the first bad one stands, and that in words; nothing of a single number."""
    where = tuple(np.argwhere(bad)[0].tolist())
    return where, f" at index {where if len(where) > 1 else where[0]}" if where else ""


def _refuse(name: str, number: Any, unit: Any, rule: str, keeps_rule: Any) -> None:
    if not np.size(number):
        raise QuantityError(f"{name} is empty. Give it at least one value in {unit_text(unit)}.".replace(" in .", "."))
    values = np.asarray(number, float)
    with np.errstate(invalid="ignore"):
        broken = ~(np.isfinite(values) & keeps_rule(values))
    absurd = not broken.any()
    size = np.abs(values)
    bad = (size < _SMALLEST) & (size > 0.0) | (size > _LARGEST) if absurd else broken
    where, at = _first(bad)
    got = f"{values[where]:.6g} {unit_text(unit)}".rstrip()
    if absurd:
        few = f"{_SMALLEST:g} to {_LARGEST:g} {unit_text(unit)}".rstrip()
        raise QuantityError(f"{name} is {got}{at}: beyond any use. Check its unit and exponent; {few} can be worked with.")
    raise QuantityError(f"{name} must be {rule}, got {got}{at}.")


def _checked(name: str, value: Any, unit: Any, low: float, rule: str, keeps_rule: Any) -> Any:
    number = _magnitude(name, value, unit)
    if not (low <= number <= _LARGEST if isinstance(number, float) else _within(number, low, _LARGEST)):
        _refuse(name, number, unit, rule, keeps_rule)
    return number


def positive(name: str, value: Any, unit: Any) -> Any:
    """Magnitude of `value` in `unit` as float64, finite and above zero; `QuantityError` otherwise."""
    return _checked(name, value, unit, _SMALLEST, "finite and above zero", lambda x: x > 0.0)


def nonnegative(name: str, value: Any, unit: Any) -> Any:
    """Magnitude of `value` in `unit` as float64, finite and not below zero; `QuantityError` otherwise."""
    return _checked(name, value, unit, 0.0, "finite and not below zero", lambda x: x >= 0.0)


def finite(name: str, value: Any, unit: Any) -> Any:
    """Magnitude of `value` in `unit` as float64 and finite, of either sign; `QuantityError` otherwise."""
    return _checked(name, value, unit, -_LARGEST, "finite", np.isfinite)


def count(name: str, value: Any, *, minimum: int = 1) -> Any:
    """A whole number (or array of them) not below `minimum`, as int or int64 array; `QuantityError` otherwise."""
    if isinstance(value, Quantity):
        raise QuantityError(f"{name} must be a plain whole number of at least {minimum}, got {brief(value)}.")
    plain = not (isinstance(value, str | bool) or _masked(value))
    array = np.asarray(value) if plain else np.asarray(None)
    if array.dtype.kind not in "iuf":
        raise QuantityError(f"{name} must be a whole number of at least {minimum}, got {clip(str(value))}.")
    if not array.size:
        raise QuantityError(f"{name} is empty. Give it at least one whole number.")
    bad = ~(np.isfinite(array) & (array == np.floor(array)) & (array >= minimum) & (np.abs(array) < 2**53))
    if bad.any():
        where, at = _first(bad)
        raise QuantityError(f"{name} must be a whole number of at least {minimum}, got {array[where]}{at}.")
    return array.astype(np.int64) if array.ndim else int(array)


def ratio(name: str, value: Any, *, low: float = 0.0, high: float = math.inf, low_open: bool = True, high_open: bool = True) -> Any:
    """A plain real number (or array) between `low` and `high`, as float64; `QuantityError` otherwise."""
    number = _magnitude(name, value if isinstance(value, Quantity) else _bare(name, value), ONE)

    def inside(x: Any) -> Any:
        return (x > low if low_open else x >= low) & (x < high if high_open else x <= high)

    size = np.abs(number)
    if not np.size(number) or not np.all(inside(number) & (size <= _LARGEST) & ((size >= _SMALLEST) | (size == 0.0))):
        rule = f"{'above' if low_open else 'at least'} {low:g}"
        if math.isfinite(high):
            rule += f" and {'below' if high_open else 'at most'} {high:g}"
        _refuse(name, number, ONE, f"finite, {rule}", inside)
    return number


def _bare(name: str, value: Any) -> Quantity:
    if isinstance(value, str | bool) or value is None:
        raise QuantityError(f"{name} must be a number, got {clip(str(value))}.")
    try:
        return Quantity(value, ONE)
    except (TypeError, ValueError):
        raise QuantityError(f"{name} must be a number, got {type(value).__name__}.") from None


def measured_field(record: Any, name: str, unit: Any) -> None:
    """Make a field of a frozen record a `Measured` above zero, scalar or array; plain numbers where the unit is one."""
    given = getattr(record, name)
    if unit == ONE and not isinstance(given, Quantity | Measured):
        given = _bare(name, given)
    value = measured(given) if isinstance(given, Quantity) else given
    positive(name, value.value if isinstance(value, Measured) else value, unit)
    object.__setattr__(record, name, value)
