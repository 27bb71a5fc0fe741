"""What looks like a slip in an entry: said after it is written, never refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..units import Measured
    from .book import Logbook

__all__ = ["clock_doubts", "implausible", "power_doubts"]

# what values usually are, in kernel units; common practice, no source
_USUAL: dict[str, tuple[str, float, float]] = {
    "beam_radius": ("mm", 0.005, 2.0),
    "beam_radius_x": ("mm", 0.005, 2.0),
    "beam_radius_y": ("mm", 0.005, 2.0),
    "penetration_depth": ("mm", 0.01, 2.0),
    "critical_exposure": ("mJ/cm^2", 0.1, 500.0),
    "power": ("mW", 0.01, 20_000.0),
    "rated_power": ("mW", 0.1, 50_000.0),
    "layer_thickness": ("mm", 0.005, 1.0),
    "overcure": ("mm", 0.0, 1.0),
    "scan_speed": ("mm/s", 0.1, 100_000.0),
    "hatch_spacing": ("mm", 0.002, 5.0),
    "temperature": ("degC", 5.0, 60.0),
}


def implausible(payload: dict[str, Any]) -> str:
    """A sentence on the first value that is far from what is usual; empty when all are usual."""
    from ..units import Measured, Quantity, show

    for name, (unit, low, high) in _USUAL.items():
        given = payload.get(name)
        value = given.value if isinstance(given, Measured) else given
        if isinstance(value, Quantity) and (number := float(value.m_as(unit))) > 0.0 and not low <= number <= high:
            return f"{name} of {show(value)} is unusual (usual: {low:g} to {high:g} {unit})."
    return ""


def clock_doubts(book: Logbook, time: str | None) -> list[str]:
    """What is odd about times: dated ahead of this computer's clock, or the clock before the newest entry."""
    from datetime import UTC, datetime, timedelta

    from ..logbook.entries import check_time, moment

    now, said = datetime.now(UTC), []
    if time is not None and check_time(time) > moment(now + timedelta(minutes=10)):
        said.append(f"{time} is ahead of this computer's clock; the status does not use it before then.")
    newest = book.entry(len(book)).recorded if len(book) else ""
    if newest > moment(now):
        said.append(f"this computer's clock stands before the newest entry ({newest[:16]}): one of the clocks is wrong.")
    return said


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
