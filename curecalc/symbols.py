"""Spellings of a text: units as symbols or in plain ASCII, shares in per cent, arguments by the names that people see."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

__all__ = ["bare", "clip", "percent", "plain", "renamed", "symbols"]

_SYMBOLS = (
    (re.compile(r"(?<![\w.-])um(?!\.?\w)"), "µm"),
    (re.compile(r"(?<=[\w)])\^2(?!\.?\d)"), "²"),
    (re.compile(r"(?<=[\w)])\^3(?!\.?\d)"), "³"),
    (re.compile(r"(?<= )\+-(?= )"), "±"),
)
_ARGUMENT = re.compile(r"(?<![\w-])([a-z_]+)(=(?:'([^']*)'|(?![\w(])))?(?![\w=])")
_PREDICATE = re.compile(r":| (?:must|is|of|has|carries|cannot)\b")
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


def renamed(message: str, names: Mapping[str, str], *, of: str = " ", calls_only: bool = False) -> str:
    """Arguments by the `names` that people see: in a call, `kind='slit'` or `power=`, and, unless `calls_only`, where one with an
    underscore or the subject of the message stands alone. `of` stands between a name and its value.

    >>> renamed("pixel_size is missing. Say kind='slit', or give pixel_size=.", {"kind": "--kind", "pixel_size": "--pixel-size"})
    '--pixel-size is missing. Say --kind slit, or give --pixel-size.'
    """

    def one(found: re.Match[str]) -> str:
        name, call, value = found.groups()
        subject = not found.start() and _PREDICATE.match(message, found.end())
        if name not in names or not (call or (not calls_only and ("_" in name or subject))):  # a word like any other
            return found[0]
        return names[name] + (f"{of}{value}" if value else "")

    return _ARGUMENT.sub(one, message)


def clip(text: str) -> str:
    """Text as it may be shown in a message: printable, at most 60 characters, quoted."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return repr(clean if len(clean) <= 60 else clean[:57] + "...")
