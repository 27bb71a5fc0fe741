"""One text, two spellings of its units: symbols for paper and screens that have them, plain ASCII for all else. Shares in per cent."""

from __future__ import annotations

import re
import unicodedata

__all__ = ["bare", "clip", "percent", "plain", "symbols"]

_SYMBOLS = (
    (re.compile(r"(?<![\w.-])um(?!\.?\w)"), "µm"),
    (re.compile(r"(?<=[\w)])\^2(?!\.?\d)"), "²"),
    (re.compile(r"(?<=[\w)])\^3(?!\.?\d)"), "³"),
    (re.compile(r"(?<= )\+-(?= )"), "±"),
)
_PLAIN = {"±": "+-", "²": "^2", "³": "^3", "µ": "u", "μ": "u", "°C": "degC", "–": "-", "—": "-", "×": "x", "−": "-"}
_MORE = {"’": "'", "‘": "'", "“": '"', "”": '"', "…": "...", "°": " deg", "ß": "ss"}


def symbols(text: str) -> str:
    """
    >>> symbols("5 um +- 1 um at 8 mJ/cm^2")
    '5 µm ± 1 µm at 8 mJ/cm²'
    """
    for pattern, symbol in _SYMBOLS:
        text = pattern.sub(symbol, text)
    return text


def plain(text: str) -> str:
    """
    >>> plain("5 µm ± 1 µm at 8 mJ/cm²")
    '5 um +- 1 um at 8 mJ/cm^2'
    """
    for symbol, spelled in _PLAIN.items():
        text = text.replace(symbol, spelled)
    return text


def bare(text: str) -> str:
    """In ASCII whatever it holds: letters without their marks, a question mark for what has no likeness.

    >>> bare("Prüfung – 樹脂")
    'Prufung - ??'
    """
    known = _PLAIN | _MORE
    return "".join(known.get(c) or unicodedata.normalize("NFKD", c).encode("ascii", "ignore").decode() or "?" for c in text)


def percent(share: float, form: str = "g", *, to: float | None = None) -> str:
    """
    >>> percent(0.125), percent(0.0312, ".1f"), percent(-0.25, "+.0f"), percent(0.1, to=0.9)
    ('12.5 %', '3.1 %', '-25 %', '10 to 90 %')
    """
    first = f"{100.0 * share:{form}}"
    return f"{first} %" if to is None else f"{first} to {100.0 * to:{form}} %"


def clip(text: str) -> str:
    """Text as it may be shown in a message: printable, at most 60 characters, quoted."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return repr(clean if len(clean) <= 60 else clean[:57] + "...")
