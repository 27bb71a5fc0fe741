"""One text, two spellings of its units: symbols for paper and screens that have them, plain ASCII for everything else."""

from __future__ import annotations

import re
import unicodedata

__all__ = ["bare", "plain", "symbols"]

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
