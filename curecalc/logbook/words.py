"""Entries in words. Text from entries is shown with everything unprintable as `?`."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from ..units import figure, from_json, show
from .entries import Entry

__all__ = ["clean", "local", "summary", "value_text"]


def clean(text: str, longest: int = 60) -> str:
    """Text from an entry as it may safely stand on a terminal: one line, no control or direction characters."""
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


def local(time: str) -> str:
    """A stored time as local date and minute."""
    return datetime.fromisoformat(time).astimezone().strftime("%Y-%m-%d %H:%M")


def value_text(value: Any) -> str:
    """A value of an entry as people read it."""
    if isinstance(value, dict) and "unit" in value and "value" in value:
        try:
            return show(from_json(value))
        except (ValueError, TypeError):
            return clean(json.dumps(value))
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict | list):
        return f"({len(value)} values)"
    return figure(value) if isinstance(value, float) else str(value)


_FIRST = (
    "power",
    "beam_radius",
    "penetration_depth",
    "critical_exposure",
    "verdict",
    "temperature",
    "scan_speed",
    "text",
    "reason",
    "resin",
    "humidity",
    "layer_thickness",
    "note",
)
_SHORT = {"penetration_depth": "Dp ", "critical_exposure": "Ec ", "beam_radius": "W0 ", "scan_speed": "at ", "layer_thickness": "layer "}


def summary(entry: Entry) -> str:
    """The two or three values by which one knows an entry."""
    names = [name for name in _FIRST if name in entry.payload] or entry.payload
    parts = [f"{_SHORT.get(name, '')}{value_text(entry.payload[name])}" for name in names]
    text = ", ".join(parts[:3])
    if entry.corrects is not None:
        text = f"(corrects {entry.corrects}) {text}"
    if entry.corrected_by is not None:
        text = f"(corrected by {entry.corrected_by}) {text}"
    return text
