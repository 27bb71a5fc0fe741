"""Showing quantities: digits set by the uncertainty, and the JSON object of the command contract."""

from __future__ import annotations

import dataclasses
import datetime
import math
from functools import lru_cache
from typing import Any

import numpy as np
from pint import Quantity, Unit

from ..errors import QuantityError
from ..symbols import clip
from .checks import Measured
from .kinds import DEG, DEGC, IN_UM, KELVIN, KINDS, NM, RAD, Kind, unit_text

__all__ = ["Shown", "figure", "from_json", "kind_of", "micrometres", "show", "show_kernel", "show_percent", "show_span", "span", "to_json"]

_DIGITS = 4  # where no uncertainty sets them


def figure(value: float, standard_uncertainty: float | None = None, *, digits: int = _DIGITS) -> str:
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


def micrometres(length: float) -> str:
    """A kernel's length as text in um.

    >>> micrometres(0.01234)
    '12.3 um'
    """
    return f"{figure(IN_UM * float(length), digits=3)} um"


def show_percent(share: float, *, digits: int = 2) -> str:
    """A share in per cent with so many digits, never in powers of ten where they can be written out; `symbols.percent` takes a format.

    >>> show_percent(0.0312), show_percent(0.367879, digits=3), show_percent(1.234)
    ('3.1 %', '36.8 %', '123 %')
    """
    return f"{figure(100.0 * float(share), digits=digits)} %"


def span(low: float, high: float, *, u: float | None = None, digits: int = _DIGITS) -> str:
    """Both ends of a range, to the same place where they are of like size.

    >>> span(407.04, 408.5, u=0.62), span(0.0563, 0.352, digits=3), span(0.05, 0.15), span(0.002, 2.0)
    ('407.04 to 408.50', '0.056 to 0.352', '0.05 to 0.15', '0.002 to 2')
    """
    small, large = sorted((abs(low), abs(high)))
    if u or not large / 100.0 < small <= large < 1e7:
        return " to ".join(figure(end, u, digits=digits) for end in (low, high))
    places = max(digits - 1 - math.floor(math.log10(large)), 0)
    while places and all(f"{end:.{places}f}".endswith("0") for end in (low, high)):
        places -= 1
    return f"{low:.{places}f} to {high:.{places}f}"


def show_span(low: Quantity, high: Quantity, *, u: Quantity | None = None, digits: int = _DIGITS) -> str:
    """A range of quantities as people read it: both ends to the same place, the unit once.

    >>> show_span(Quantity(13.68, "mJ/cm^2"), Quantity(19.5, "mJ/cm^2"))
    '13.68 to 19.50 mJ/cm^2'
    """
    kind = kind_of(low)
    unit = kind.shown if kind else low.units
    spread = None if u is None else float(u.m_as(KELVIN if unit == DEGC else unit))
    return f"{span(float(low.m_as(unit)), float(high.m_as(unit)), u=spread, digits=digits)} {unit_text(unit)}".rstrip()


def show(value: Quantity | Measured, u: Quantity | None = None, *, digits: int = _DIGITS) -> str:
    """A scalar quantity as people read it, in its shown unit: `0.1512 +- 0.0042 mm`, `0.1309 mm`.

    Parameters
    ----------
    value : Quantity or Measured
    u : Quantity, optional
        Standard uncertainty; two digits of it are shown and set those of the value.
    digits : int
        Significant digits where there is no uncertainty.

    >>> show(Quantity(0.3, "W")), show(Quantity(0.15123, "mm"), Quantity(4.2, "um"))
    ('300 mW', '0.1512 +- 0.0042 mm')
    """
    if isinstance(value, Measured):
        value, u = value.value, value.standard_uncertainty
    kind = kind_of(value)
    unit = kind.shown if kind else value.units
    if np.ndim(value.m):
        ends = show_span(*(Quantity(float(end(value.m)), value.units) for end in (np.nanmin, np.nanmax)), digits=digits)
        return f"{ends} ({value.m.size} values)"
    number = float(value.m_as(unit))
    spread = None if u is None else float(u.m_as(KELVIN if unit == DEGC else unit))
    text = figure(number, spread, digits=digits)
    if spread is not None and spread > 0:
        text += f" +- {figure(spread, spread)}"
    return f"{text} {unit_text(unit)}".rstrip()


def show_kernel(number: float, kind: str, u: float | None = None, *, digits: int = _DIGITS) -> str:
    """Like `show`, for a float in the kernel unit of `kind`."""
    k = KINDS[kind]
    return show(Quantity(number, k.kernel), None if u is None else Quantity(u, k.kernel), digits=digits)


_BY_DIMENSION = {kind.kernel.dimensionality: kind for kind in reversed(KINDS.values())}  # the first of a dimension


def kind_of(value: Quantity) -> Kind | None:
    """The kind that fixes a quantity's unit in text and JSON; None for a dimension that has no kind here."""
    return _kind_of(value.units)


@lru_cache
def _kind_of(unit: Unit) -> Kind | None:
    if unit.dimensionless:
        return KINDS["angle"] if unit in (DEG, RAD, KINDS["angle"].spellings["mrad"]) else KINDS["number"]
    return KINDS["wavelength"] if unit == NM else _BY_DIMENSION.get(unit.dimensionality)


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

    Parameters
    ----------
    value : Quantity or Measured
        Wavelengths stay in nm.
    standard_uncertainty : Quantity, optional
    interval : pair of Quantity, optional
        An unbounded end becomes null.
    confidence : float, optional
        Of the interval.

    >>> to_json(Quantity(0.3, "W"))
    {'value': 300.0, 'unit': 'mW'}
    """
    if isinstance(value, Measured):
        if standard_uncertainty is None and np.any(value.standard_uncertainty.m):
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
    """The quantity of a JSON object written by `to_json`; text where a number belongs is never parsed."""
    unit = next((u for k in KINDS.values() for text, u in k.spellings.items() if text == record["unit"]), None)
    if unit is None:
        raise QuantityError(f"unknown unit {clip(str(record['unit']))}.")
    spread = record.get("standard_uncertainty") or 0.0
    for name, number in (("value", record["value"]), ("standard_uncertainty", spread)):
        if np.asarray(number).dtype.kind not in "iuf":
            raise QuantityError(f"{name} must be a number, got {clip(str(number))}.")
    return Measured(Quantity(record["value"], unit), Quantity(spread, KELVIN if unit == DEGC else unit))


class Shown:
    """Lets a frozen record show itself: a few lines as text, a table in a notebook, a JSON object.

    A record says more by its own `rows`, and what must be said with it by its own `warnings` or `notes`.
    """

    def rows(self) -> list[tuple[str, str]]:
        """What is shown, as (name, text): by default each field that is stated and short."""
        return [(name.replace("_", " "), text) for name, text in _short_fields(self)]

    def _remarks(self) -> tuple[str, ...]:
        return tuple(text for name in ("warnings", "notes") for text in getattr(self, name, ()) or ())

    def __str__(self) -> str:
        rows = [*self.rows(), *(("note", text) for text in self._remarks())]
        width = len(max((name for name, _ in rows), key=len, default=""))
        return "\n".join([type(self).__name__, *(f"  {name:<{width}}  {text}" for name, text in rows)])

    def _repr_html_(self) -> str:
        from html import escape

        body = "".join(f"<tr><th style='text-align:left'>{escape(k)}</th><td>{escape(v)}</td></tr>" for k, v in self.rows())
        listed = "".join(f"<li>{escape(note)}</li>" for note in self._remarks())
        return f"<table>{body}</table>" + (f"<ul>{listed}</ul>" if listed else "")

    def to_dict(self) -> dict[str, Any]:
        """The stated fields as a JSON object."""
        return {field.name: _json(getattr(self, field.name)) for field in dataclasses.fields(self)}  # type: ignore[arg-type]


def _short_fields(record: Any) -> list[tuple[str, str]]:
    found = []
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if isinstance(value, Quantity | Measured):
            found.append((field.name, show(value)))
        elif value is True:
            found.append((field.name, "yes"))
        elif isinstance(value, int | float | str | datetime.date) and value is not False and value != "" and "\n" not in str(value):
            found.append((field.name, f"{value:.6g}" if isinstance(value, float) else str(value)))
        elif isinstance(value, tuple) and len(value) == 2 and all(isinstance(v, Quantity) for v in value):
            found.append((field.name, show_span(*value)))
    return found


def _json(value: Any) -> Any:
    if isinstance(value, Quantity | Measured):
        return to_json(value)
    if hasattr(value, "to_dict"):
        return value.to_dict()
    if isinstance(value, dict):
        return {str(k): _json(v) for k, v in value.items()}
    if isinstance(value, tuple | list):
        return [_json(v) for v in value]
    if isinstance(value, np.ndarray):
        return _plain(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)
