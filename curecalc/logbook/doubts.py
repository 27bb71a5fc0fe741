"""What looks like a slip in an entry: said after it is written, never refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..units import Measured
    from .book import Logbook

__all__ = ["power_doubts"]


def power_doubts(book: Logbook, machine_name: str | None, power: Measured | None) -> list[str]:
    """What looks like a slip in a power reading: a machine never introduced, a power far from the last or above the rating."""
    from ..units import from_json, show

    if power is None:
        return []
    said = []
    now = power.value
    last, machine = (book.latest(kind, machine=machine_name) for kind in ("power", "machine"))
    if machine is None and machine_name is not None:
        said.append(f"machine {machine_name!r} has no entry of its own in this logbook.")
    rated: Any = None if machine is None else machine.payload.get("rated_power")
    before: Any = None if last is None else last.payload["power"]
    for text, known, most in (("the machine's rated power", rated, 1.2), ("the last reading", before, 2.0)):
        if known is None:
            continue
        ratio = float((now / from_json(known).value).m_as(""))
        if ratio > most or (ratio < 0.5 and known is not rated):
            said.append(f"{show(now)} is {ratio:.3g} times {text} of {show(from_json(known).value)}.")
    return said
