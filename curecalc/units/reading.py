"""Reading text: one number and one unit, strictly; never an expression, never a guess."""

from __future__ import annotations

import math
import re
import unicodedata
from typing import Any

from pint import Quantity

from ..errors import QuantityError
from ..symbols import clip
from .checks import Measured, finite, measured
from .kinds import KELVIN, KINDS, Kind

__all__ = ["parse", "parse_measured"]


_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?(?![0-9])")
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+(?:[eE][+-]?[0-9]+)?")
_SPACE = " \t\u00a0\u202f\u2009"
_PLUS_MINUS = re.compile(r"\+-|\+/-|±")
_CONTINENTAL = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+")
_PLAIN = str.maketrans({"−": "-", "–": "-", "—": "-", "‐": "-", "‑": "-"} | dict.fromkeys("'\"“”„‘’«»", ""))
_LONGEST = 80


def parse(name: str, text: Any, kind: str) -> Quantity:
    """One number and one unit from text, as a quantity in the unit written.

    Strict on purpose: no expressions, no default unit, no decimal comma, no thousands separator.

    Parameters
    ----------
    name : str
        What the value is called in a complaint: an argument, an option, a key.
    text : str
        One number and one unit: "300 mW", "125um", "1e-3 m", "10 mJ/cm2".
    kind : str
        Key of `KINDS`: which units may stand there.

    Raises
    ------
    QuantityError
        With what was read, the rule, and text that would do.

    >>> parse("power", "300 mW", "power").m_as("W")
    0.3
    """
    number, rest = _read_number(name, text, kind)
    value = Quantity(number, _read_unit(name, text, rest, KINDS[kind]))
    if kind == "temperature" and value.m_as(KELVIN) < 0.0:
        raise QuantityError(f"{name}: {clip(text)} is below absolute zero. Write a temperature, like '25 degC'.")
    return value


def parse_measured(name: str, text: Any, kind: str) -> Measured:
    """Like `parse`, with an optional standard uncertainty: `300 mW +- 6 mW`, `300 +- 6 mW`, `300 mW +- 2 %`.

    Parameters
    ----------
    name, text, kind : str
        As for `parse`.

    Raises
    ------
    QuantityError

    >>> parse_measured("power", "300 mW +- 2 %", "power").standard_uncertainty.m_as("mW")
    6.0
    """
    if not isinstance(text, str) or not _PLUS_MINUS.search(text):
        alone = parse(name, text, kind)
        finite(name, alone, alone.units)
        return measured(alone)
    parts = _PLUS_MINUS.split(text)
    if len(parts) != 2:
        raise QuantityError(f"{name}: cannot read {clip(text)}. Write one value and one standard uncertainty.")
    left, right = (part.strip(_SPACE) for part in parts)
    if not left or not right:
        missing = "value before" if not left else "standard uncertainty after"
        raise QuantityError(f"{name}: no {missing} the plus-minus sign in {clip(text)}. Write both, like '{KINDS[kind].example} +- 2 %'.")
    spread, spread_unit = _read_number(name, right, kind, whole=text)
    k = KINDS[kind]
    if not spread_unit and k.shown_text:
        raise QuantityError(
            f"{name}: the standard uncertainty has no unit in {clip(text)}. Write it with one, or in per cent, like '{k.example} +- 2 %'."
        )
    if _NUMBER.fullmatch(left) and spread_unit not in ("", "%"):
        left = f"{left} {spread_unit}"
    value = parse(name, left, kind)
    finite(name, value, value.units)
    if spread_unit == "%" and kind not in ("fraction", "temperature"):
        uncertainty = Quantity(abs(value.m) * spread / 100.0, value.units)
    elif kind == "temperature":
        _read_unit(name, text, spread_unit, k)  # a difference in degC is a difference in kelvin
        uncertainty = Quantity(spread, KELVIN)
    else:
        uncertainty = Quantity(spread, _read_unit(name, text, spread_unit, k)).to(value.units)
    if spread < 0:
        raise QuantityError(f"{name}: the standard uncertainty must not be below zero, got {clip(text)}.")
    return Measured(value, uncertainty)


def _wanted(kind: Kind) -> str:
    return "a number and a unit" if kind.shown_text else "a plain number" if kind.name == "number" else "a number"


def _read_number(name: str, text: Any, kind: str, whole: str | None = None) -> tuple[float, str]:
    example, want = KINDS[kind].example, _wanted(KINDS[kind])
    if not isinstance(text, str):
        raise QuantityError(f"{name} must be text, got {type(text).__name__}. Write {want}, like '{example}'.")
    shown = clip(whole or text)
    body = text.strip(_SPACE)
    if not body:
        raise QuantityError(f"{name}: nothing to read in {shown}. Write {want}, like '{example}'.")
    if len(body) > _LONGEST:
        raise QuantityError(f"{name}: cannot read {shown}, it is longer than {_LONGEST} characters. Write {want}, like '{example}'.")
    if hidden := next((c for c in body if not c.isprintable() and c not in _SPACE), None):
        raise QuantityError(f"{name}: {shown} holds a character that cannot be seen (U+{ord(hidden):04X}). Type {want}, like '{example}'.")
    found = _NUMBER.match(body)
    grouped, comma = _GROUPED.match(body), _COMMA.match(body)
    if grouped:
        plain = re.sub(r"[,'’ \u00a0\u202f](?=[0-9]{3})", "", grouped.group()).replace(",", ".")
        reading = _with_unit(plain, body[grouped.end() :], KINDS[kind])
        or_comma = ""
        if comma and comma.end() == grouped.end():
            alternative = _with_unit(comma.group().replace(",", "."), body[comma.end() :], KINDS[kind])
            or_comma = f", or '{alternative}' if the comma is a decimal mark"
        raise QuantityError(f"{name}: cannot read {shown}. Write it without a thousands separator, like '{reading}'{or_comma}.")
    if continental := _CONTINENTAL.match(body):
        plain = continental.group().replace(".", "").replace(",", ".")
        reading = _with_unit(plain, body[continental.end() :], KINDS[kind])
        raise QuantityError(f"{name}: cannot read {shown}. Write it with a decimal point and no thousands separator, like '{reading}'.")
    if comma:
        reading = _with_unit(comma.group().replace(",", "."), body[comma.end() :], KINDS[kind])
        raise QuantityError(f"{name}: cannot read {shown}. Write {want} with a decimal point, like '{reading}'.")
    if not found:
        like = _in_plain_characters(name, body, kind) or example
        raise QuantityError(f"{name}: cannot read {shown}. Write {want}, like '{like}'.")
    number, rest = float(found.group()), body[found.end() :]
    if not math.isfinite(number):
        raise QuantityError(f"{name}: {shown} is too large to use. Write {want}, like '{example}'.")
    if number == 0.0 and re.search(r"[1-9]", re.split("[eE]", found.group())[0]):
        raise QuantityError(f"{name}: {shown} is too small to use. Write {want}, like '{example}'.")
    return number, rest.strip(_SPACE)


def _with_unit(number: str, rest: str, kind: Kind) -> str:
    """A number as it may be typed: with what stood after it, or with the unit people are shown where nothing did."""
    return f"{number} {rest.strip(_SPACE) or kind.shown_text}".strip()


def _in_plain_characters(name: str, body: str, kind: str) -> str | None:
    """The text with full-width digits, dashes for minus and quotation marks made plain, where that can be read."""
    plain = "".join(_plain_character(c) for c in body).translate(_PLAIN).strip(_SPACE)
    if plain == body:
        return None
    try:
        parse(name, plain, kind)
    except QuantityError:
        return None
    return plain


def _plain_character(c: str) -> str:
    if unicodedata.category(c) == "Nd":
        return str(unicodedata.decimal(c))
    return unicodedata.normalize("NFKC", c) if unicodedata.east_asian_width(c) == "F" else c


def _read_unit(name: str, text: str, written: str, kind: Kind) -> Any:
    spelled = written.replace("µ", "u").replace("μ", "u").replace("²", "^2").replace("³", "^3").replace("**", "^")
    spelled = re.sub(r"(?<=[cm]m|.m)([23])$", r"^\1", spelled) if "^" not in spelled else spelled
    spelled = re.sub(r"(?<=/s|/h)2$", "^2", spelled)
    known = kind.spellings
    if spelled in known:
        return known[spelled]
    allowed = ", ".join(u for u in known if u)
    if not allowed:
        raise QuantityError(f"{name}: cannot read {clip(text)}. Write a plain number, like '{kind.example}'.")
    if not spelled:
        raise QuantityError(f"{name} has no unit: got {clip(text)}. Write a number and a unit, like '{kind.example}'.")
    if "_" in text and _NUMBER.match(text.replace("_", "").strip(_SPACE)):
        raise QuantityError(f"{name}: cannot read {clip(text)}. Write it without '_', like '{text.replace('_', '').strip(_SPACE)}'.")
    # digits or signs where no unit has them, or a unit with something before it: not a unit but a number in another style
    *_, last = written.split()
    powers = re.sub(r"(?<=[A-Za-z])\^?-?[1-4]\b", "", written)
    if re.search(r"[,_*()=0-9]", powers) or last in known:
        raise QuantityError(f"{name}: cannot read {clip(text)}. Write one plain number and one unit, like '{kind.example}'.")
    same = [u for u in known if u.lower() == spelled.lower()]
    hint = f" Did you mean {same[0]}?" if same else ""
    if odd := next((c for c in spelled if c.isalpha() and not c.isascii()), None):
        hint = f" It holds {odd!r} (U+{ord(odd):04X}), not a Latin letter."
    raise QuantityError(f"{name}: unknown unit {clip(written)} in {clip(text)}.{hint} Use one of {allowed}.")
