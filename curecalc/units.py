"""The boundary between people and floats: quantities, checks, reading and showing.

This is the only module that imports pint. Public functions take and return quantities; inside, plain float64 numbers
in the lab set mm, s, mW, mJ carry the physics (the set is coherent: mW s = mJ, mW/(mm mm/s) = mJ/mm^2).
"""

from __future__ import annotations

import math
import numbers
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pint
from pint import Quantity

from .errors import CurecalcError, FileError, NoSolution, QuantityError

__all__ = [
    "KINDS", "CurecalcError", "FileError", "Kind", "Measured", "NoSolution", "Quantity", "QuantityError",
    "count", "figure", "finite", "from_json", "kind_of", "measured", "nonnegative", "parse", "parse_measured",
    "positive", "ratio", "show", "show_kernel", "to_json",
]  # fmt: skip

_registry: Any = pint.get_application_registry()

MM, UM, NM, M = (_registry.Unit(u) for u in ("mm", "um", "nm", "m"))
S, MINUTE, HOUR = (_registry.Unit(u) for u in ("s", "minute", "hour"))
MM_S, M_S, MM_S2 = (_registry.Unit(u) for u in ("mm/s", "m/s", "mm/s^2"))
MW, W = (_registry.Unit(u) for u in ("mW", "W"))
MJ = _registry.Unit("mJ")
MJ_MM2, MJ_CM2 = (_registry.Unit(u) for u in ("mJ/mm^2", "mJ/cm^2"))
MW_MM2 = _registry.Unit("mW/mm^2")
MM2, MM3, MM2_S, MM3_S = (_registry.Unit(u) for u in ("mm^2", "mm^3", "mm^2/s", "mm^3/s"))
HZ, DEG, RAD = (_registry.Unit(u) for u in ("Hz", "degree", "radian"))
DEGC, KELVIN = (_registry.Unit(u) for u in ("degC", "kelvin"))
G, G_CM3 = (_registry.Unit(u) for u in ("g", "g/cm^3"))
PER_MM = _registry.Unit("1/mm")
ONE, PERCENT = (_registry.Unit(u) for u in ("dimensionless", "percent"))


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: the unit kernels use, the unit people are shown, the spellings they may write."""

    name: str
    kernel: Any
    shown: Any
    shown_text: str
    spellings: dict[str, Any]
    example: str


def _kind(name: str, kernel: Any, shown: Any, shown_text: str, example: str, **more: Any) -> Kind:
    return Kind(name, kernel, shown, shown_text, {shown_text: shown} | more.pop("spellings"), example)


_u = _registry.Unit
_LENGTHS = {"mm": MM, "um": UM, "nm": NM, "cm": _u("cm"), "m": M, "mil": _u("mil"), "in": _u("inch")}
KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        _kind("length", MM, MM, "mm", "0.1 mm", spellings=_LENGTHS),
        _kind("wavelength", NM, NM, "nm", "355 nm", spellings={"nm": NM, "um": UM}),
        _kind("power", MW, MW, "mW", "300 mW", spellings={"mW": MW, "W": W, "uW": _u("uW")}),
        _kind("speed", MM_S, MM_S, "mm/s", "2500 mm/s",
              spellings={"mm/s": MM_S, "m/s": M_S, "cm/s": _u("cm/s"), "um/s": _u("um/s"), "in/s": _u("inch/s")}),
        _kind("exposure", MJ_MM2, MJ_CM2, "mJ/cm^2", "11.5 mJ/cm^2",
              spellings={"mJ/cm^2": MJ_CM2, "mJ/mm^2": MJ_MM2, "J/cm^2": _u("J/cm^2"), "J/m^2": _u("J/m^2"),
                         "kJ/m^2": _u("kJ/m^2"), "uJ/mm^2": _u("uJ/mm^2"), "uJ/cm^2": _u("uJ/cm^2")}),
        _kind("irradiance", MW_MM2, MW_MM2, "mW/mm^2", "5 mW/mm^2",
              spellings={"mW/cm^2": _u("mW/cm^2"), "W/cm^2": _u("W/cm^2"), "W/m^2": _u("W/m^2")}),
        _kind("energy", MJ, MJ, "mJ", "2 mJ", spellings={"mJ": MJ, "uJ": _u("uJ"), "J": _u("J")}),
        _kind("time", S, S, "s", "20 s",
              spellings={"s": S, "ms": _u("ms"), "us": _u("us"), "min": MINUTE, "h": HOUR, "d": _u("day")}),
        _kind("frequency", HZ, HZ, "Hz", "80 kHz", spellings={"Hz": HZ, "kHz": _u("kHz"), "MHz": _u("MHz")}),
        _kind("angle", RAD, DEG, "deg", "20 deg",
              spellings={"deg": DEG, "°": DEG, "rad": RAD, "mrad": _u("mrad")}),
        _kind("temperature", DEGC, DEGC, "degC", "25 degC", spellings={"degC": DEGC, "°C": DEGC, "K": KELVIN}),
        _kind("area", MM2, MM2, "mm^2", "400 mm^2", spellings={"mm^2": MM2, "cm^2": _u("cm^2"), "um^2": _u("um^2")}),
        _kind("volume", MM3, MM3, "mm^3", "1200 mm^3",
              spellings={"mm^3": MM3, "cm^3": _u("cm^3"), "mL": _u("mL"), "ml": _u("mL"), "L": _u("L"), "l": _u("L")}),
        _kind("mass", G, G, "g", "150 g", spellings={"g": G, "mg": _u("mg"), "kg": _u("kg")}),
        _kind("density", G_CM3, G_CM3, "g/cm^3", "1.12 g/cm^3",
              spellings={"g/cm^3": G_CM3, "kg/m^3": _u("kg/m^3"), "g/mL": _u("g/mL"), "g/ml": _u("g/mL"),
                         "kg/L": _u("kg/L")}),
        _kind("acceleration", MM_S2, MM_S2, "mm/s^2", "2e6 mm/s^2",
              spellings={"mm/s^2": MM_S2, "m/s^2": _u("m/s^2")}),
        _kind("area_rate", MM2_S, MM2_S, "mm^2/s", "500 mm^2/s",
              spellings={"cm^2/s": _u("cm^2/s"), "cm^2/h": _u("cm^2/hour")}),
        _kind("volume_rate", MM3_S, MM3_S, "mm^3/s", "50 mm^3/s",
              spellings={"mL/h": _u("mL/hour"), "ml/h": _u("mL/hour"), "cm^3/h": _u("cm^3/hour"), "L/h": _u("L/hour")}),
        _kind("per_length", PER_MM, PER_MM, "1/mm", "0.2 1/mm", spellings={"1/cm": _u("1/cm"), "1/m": _u("1/m")}),
        _kind("number", ONE, ONE, "", "1.5", spellings={}),
        _kind("fraction", ONE, ONE, "", "5 %", spellings={"%": PERCENT}),
    )
}  # fmt: skip


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


# ---------------------------------------------------------------- checks: a quantity becomes a float64


def _magnitude(name: str, value: Any, unit: Any) -> Any:
    if not isinstance(value, Quantity):
        raise QuantityError(_not_a_quantity(name, value, unit))
    try:
        number = value.m if value.units == unit else value.m_as(unit)
    except pint.DimensionalityError:
        # pint's own one-line description of the dimension, for example [mass] * [length] ** 2 / [time] ** 2
        raise QuantityError(
            f"{name} must convert to {unit_text(unit)}, but {_brief(value)} is {value.dimensionality}."
        ) from None
    except (TypeError, ValueError, pint.PintError) as error:
        raise QuantityError(f"{name} cannot be read in {unit_text(unit)}: {_one_line(error)}.") from None
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
        return f"{name} is text: got {_clip(value)}. Read it first, for example parse('{name}', ...), or Q(20.0, '{want}')."
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
        raise QuantityError(f"{name} must be a whole number of at least {minimum}, got {_clip(str(value))}.")
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
        raise QuantityError(f"{name} must be a number, got {_clip(str(value))}.")
    try:
        return Quantity(value, ONE)
    except (TypeError, ValueError):
        raise QuantityError(f"{name} must be a number, got {type(value).__name__}.") from None


# ---------------------------------------------------------------- reading text

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:[,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?(?![0-9])")
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+(?:[eE][+-]?[0-9]+)?")
_SPACE = " \t\u00a0\u202f\u2009"
_PLUS_MINUS = re.compile(r"\+-|\+/-|±")
_LONGEST = 80


def parse(name: str, text: Any, kind: str) -> Quantity:
    """One number and one unit from text, as a quantity in the unit written.

    Strict on purpose: no expressions, no default unit, no decimal comma, no thousands separator.

    >>> parse("power", "300 mW", "power").m_as("W")
    0.3
    """
    number, rest = _read_number(name, text, kind)
    return Quantity(number, _read_unit(name, text, rest, KINDS[kind]))


def parse_measured(name: str, text: Any, kind: str) -> Measured:
    """Like `parse`, with an optional standard uncertainty: `300 mW +- 6 mW`, `300 +- 6 mW`, `300 mW +- 2 %`.

    >>> parse_measured("power", "300 mW +- 2 %", "power").standard_uncertainty.m_as("mW")
    6.0
    """
    if not isinstance(text, str) or not _PLUS_MINUS.search(text):
        return measured(parse(name, text, kind))
    parts = _PLUS_MINUS.split(text)
    if len(parts) != 2:
        raise QuantityError(f"{name}: cannot read {_clip(text)}. Write one value and one standard uncertainty.")
    left, right = (part.strip(_SPACE) for part in parts)
    spread, spread_unit = _read_number(name, right, kind, whole=text)
    k = KINDS[kind]
    if _NUMBER.fullmatch(left) and spread_unit not in ("", "%"):
        left = f"{left} {spread_unit}"
    value = parse(name, left, kind)
    if spread_unit == "%" and kind not in ("fraction", "temperature"):
        uncertainty = Quantity(abs(value.m) * spread / 100.0, value.units)
    elif kind == "temperature":
        _read_unit(name, text, spread_unit, k)  # a difference in degC is a difference in kelvin
        uncertainty = Quantity(spread, KELVIN)
    else:
        uncertainty = Quantity(spread, _read_unit(name, text, spread_unit, k)).to(value.units)
    if spread < 0:
        raise QuantityError(f"{name}: the standard uncertainty must not be below zero, got {_clip(text)}.")
    return Measured(value, uncertainty)


def _read_number(name: str, text: Any, kind: str, whole: str | None = None) -> tuple[float, str]:
    example = KINDS[kind].example
    if not isinstance(text, str):
        raise QuantityError(
            f"{name} must be text, got {type(text).__name__}. Write a number and a unit, like '{example}'."
        )
    shown = _clip(whole or text)
    body = text.strip(_SPACE)
    if not body:
        raise QuantityError(f"{name}: nothing to read in {shown}. Write a number and a unit, like '{example}'.")
    if len(body) > _LONGEST:
        raise QuantityError(
            f"{name}: cannot read {shown}, it is too long. Write a number and a unit, like '{example}'."
        )
    found = _NUMBER.match(body)
    grouped, comma = _GROUPED.match(body), _COMMA.match(body)
    if grouped and (not found or grouped.end() > found.end()):
        plain = re.sub(r"[,'’ \u00a0\u202f](?=[0-9]{3})", "", grouped.group()).replace(",", ".")
        reading = f"{plain} {body[grouped.end() :].strip(_SPACE)}".strip()
        or_comma = ""
        if comma and comma.end() == grouped.end():
            alternative = f"{comma.group().replace(',', '.')} {body[comma.end() :].strip(_SPACE)}".strip()
            or_comma = f", or '{alternative}' if the comma is a decimal mark"
        raise QuantityError(
            f"{name}: cannot read {shown}. Write it without a thousands separator, like '{reading}'{or_comma}."
        )
    if comma:
        reading = f"{comma.group().replace(',', '.')} {body[comma.end() :].strip(_SPACE)}".strip()
        raise QuantityError(
            f"{name}: cannot read {shown}. Write a number and a unit with a decimal point, like '{reading}'."
        )
    if not found:
        raise QuantityError(f"{name}: cannot read {shown}. Write a number and a unit, like '{example}'.")
    number, rest = float(found.group()), body[found.end() :]
    if not math.isfinite(number):
        raise QuantityError(f"{name}: {shown} is too large to use. Write a number and a unit, like '{example}'.")
    if number == 0.0 and re.search(r"[1-9]", re.split("[eE]", found.group())[0]):
        raise QuantityError(f"{name}: {shown} is too small to use. Write a number and a unit, like '{example}'.")
    return number, rest.strip(_SPACE)


def _read_unit(name: str, text: str, written: str, kind: Kind) -> Any:
    spelled = written.replace("µ", "u").replace("μ", "u").replace("²", "^2").replace("³", "^3").replace("**", "^")
    spelled = re.sub(r"(?<=[cm]m|.m)([23])$", r"^\1", spelled) if "^" not in spelled else spelled
    spelled = re.sub(r"(?<=/s|/h)2$", "^2", spelled)
    known = kind.spellings
    if spelled in known:
        return known[spelled]
    allowed = ", ".join(u for u in known if u)
    if not allowed:
        raise QuantityError(f"{name}: cannot read {_clip(text)}. Write a plain number, like '{kind.example}'.")
    if not spelled:
        raise QuantityError(f"{name} has no unit: got {_clip(text)}. Write a number and a unit, like '{kind.example}'.")
    if _NUMBER.match(written) or "," in written:
        raise QuantityError(f"{name}: cannot read {_clip(text)}. Write one number and one unit, like '{kind.example}'.")
    same = [u for u in known if u.lower() == spelled.lower()]
    hint = f" Did you mean {same[0]}?" if same else ""
    raise QuantityError(f"{name}: unknown unit {_clip(written)} in {_clip(text)}.{hint} Use one of {allowed}.")


# ---------------------------------------------------------------- showing

_TEXT = {k.shown: k.shown_text for k in KINDS.values()} | {
    unit: text for k in KINDS.values() for text, unit in k.spellings.items() if not text.startswith(("ml", "l", "°"))
}  # fmt: skip


def unit_text(unit: Any) -> str:
    """The unit as people write it here, ASCII: mJ/cm^2, um, degC."""
    known = _TEXT.get(unit)
    return known if known is not None else f"{unit:~C}".replace("**", "^").replace("*", " ").replace("µ", "u")


def figure(value: float, standard_uncertainty: float | None = None, *, digits: int = 4) -> str:
    """A number with its digits set by its standard uncertainty (two digits of it), else by `digits`.

    >>> figure(0.151234, 0.0042), figure(1234.5678), figure(2.5e-7)
    ('0.1512', '1235', '2.5e-07')
    """
    value = float(value)
    u = standard_uncertainty
    if u is not None and math.isfinite(u) and u > 0 and math.isfinite(value):
        places = 1 - math.floor(math.log10(float(f"{u:.1e}")))
        if -6 < places < 10:
            return f"{round(value, places):.{max(places, 0)}f}"
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    size = math.floor(math.log10(abs(value)))
    if -5 < size < 7:
        text = f"{value:.{max(digits - 1 - size, 0)}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{value:.{digits}g}"


def show(value: Quantity | Measured, u: Quantity | None = None, *, digits: int = 4) -> str:
    """A scalar quantity as people read it, in its shown unit: `0.1512 +- 0.0042 mm`, `0.1309 mm`.

    >>> show(Quantity(0.3, "W")), show(Quantity(0.15123, "mm"), Quantity(4.2, "um"))
    ('300 mW', '0.1512 +- 0.0042 mm')
    """
    if isinstance(value, Measured):
        value, u = value.value, value.standard_uncertainty
    kind = kind_of(value)
    unit = kind.shown if kind else value.units
    number = float(value.m_as(unit))
    spread = None if u is None else float(u.m_as(KELVIN if unit == DEGC else unit))
    text = figure(number, spread, digits=digits)
    if spread is not None and spread > 0:
        text += f" +- {figure(spread, spread)}"
    return f"{text} {unit_text(unit)}".rstrip()


def show_kernel(number: float, kind: str, u: float | None = None, *, digits: int = 4) -> str:
    """Like `show`, for a float in the kernel unit of `kind`."""
    k = KINDS[kind]
    return show(Quantity(number, k.kernel), None if u is None else Quantity(u, k.kernel), digits=digits)


_SHOWN_ORDER = (
    "length", "power", "speed", "exposure", "energy", "irradiance", "time", "temperature", "area", "volume", "mass",
    "density", "acceleration", "area_rate", "volume_rate", "per_length", "frequency",
)  # fmt: skip
_BY_DIMENSION = {KINDS[k].kernel.dimensionality: KINDS[k] for k in reversed(_SHOWN_ORDER)}


def kind_of(value: Quantity) -> Kind | None:
    """The kind that fixes a quantity's unit in text and JSON; None for a dimension that has no kind here."""
    if value.dimensionless:
        return KINDS["angle"] if value.units in (DEG, RAD, KINDS["angle"].spellings["mrad"]) else KINDS["number"]
    if value.units == NM:
        return KINDS["wavelength"]
    return _BY_DIMENSION.get(value.dimensionality)


def _plain(number: Any) -> Any:
    if isinstance(number, np.ndarray):
        return [_plain(n) for n in number]
    number = float(number)
    return number if math.isfinite(number) else None


def to_json(
    value: Quantity | Measured,
    standard_uncertainty: Quantity | None = None,
    interval: tuple[Any, Any] | None = None,
    confidence: float | None = None,
) -> dict[str, Any]:
    """A quantity as the JSON object of the command contract, in its fixed unit, with full precision.

    An unbounded interval end is null. Wavelengths stay in nm.

    >>> to_json(Quantity(0.3, "W"))
    {'value': 300.0, 'unit': 'mW'}
    """
    if isinstance(value, Measured):
        if standard_uncertainty is None and np.any(value.standard_uncertainty.m != 0):
            standard_uncertainty = value.standard_uncertainty
        value = value.value
    kind = kind_of(value)
    unit = kind.shown if kind else value.units
    record: dict[str, Any] = {"value": _plain(value.m_as(unit)), "unit": unit_text(unit)}
    if standard_uncertainty is not None:
        record["standard_uncertainty"] = _plain(standard_uncertainty.m_as(KELVIN if unit == DEGC else unit))
    if interval is not None:
        record["interval"] = [_plain(end.m_as(unit)) for end in interval]
    if confidence is not None:
        record["confidence"] = float(confidence)
    return record


def from_json(record: dict[str, Any]) -> Measured:
    """The quantity of a JSON object written by `to_json`."""
    unit = next((u for k in KINDS.values() for text, u in k.spellings.items() if text == record["unit"]), None)
    if unit is None:
        raise QuantityError(f"unknown unit {_clip(str(record['unit']))}.")
    spread = record.get("standard_uncertainty") or 0.0
    return Measured(Quantity(record["value"], unit), Quantity(spread, KELVIN if unit == DEGC else unit))


def _clip(text: str) -> str:
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return repr(clean if len(clean) <= 60 else clean[:57] + "...")


def _brief(value: Quantity) -> str:
    if np.ndim(value.m):
        return f"an array in {unit_text(value.units) or 'no unit'}"
    return f"{value.m:g} {unit_text(value.units)}".rstrip() if isinstance(value.m, numbers.Real) else _clip(str(value))


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__
