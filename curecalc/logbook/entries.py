"""What an entry of the logbook is, and what each kind of entry must hold."""

from __future__ import annotations

import difflib
import json
import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from ..errors import QuantityError
from ..files.schema import Field
from ..units import KINDS, Measured, Quantity, from_json, to_json
from ..units.kinds import clip

__all__ = [
    "ENTRY_KINDS",
    "Attached",
    "Entry",
    "EntryKind",
    "brief",
    "check_payload",
    "check_time",
    "moment",
    "name_text",
    "payload_json",
    "plain_payload",
]

LONGEST_NAME = 200
GENESIS = "0" * 64


@dataclass(frozen=True)
class EntryKind:
    """A kind of entry: what it is for, which names it needs, which values it holds (others may stand beside them)."""

    name: str
    help: str
    needs: tuple[str, ...] = ()
    fields: Mapping[str, Field] = field(default_factory=dict)


def _fields(**fields: Field) -> dict[str, Field]:
    return fields


_TEXT = Field("text")
_LAYER = _fields(layer_thickness=Field("length"), overcure=Field("length"))
_CHOSEN = _fields(
    power=Field("power", uncertain=True),
    scan_speed=Field("speed"),
    hatch_spacing=Field("length"),
    beam_radius=Field("length", uncertain=True),
    passes=Field("whole", minimum=1),
    cross_hatch=Field("boolean"),
    power_share=Field("fraction", high=1.0),
    beam_share=Field("number"),
)
_ASKED = _fields(
    assurance=Field("fraction", low=0.5, high=0.9999),
    print_through_max=Field("length"),
    ripple_max=Field("length"),
    overcure_max=Field("length"),
    line_width_min=Field("length"),
    line_width_max=Field("length"),
)
ENTRY_KINDS: dict[str, EntryKind] = {
    kind.name: kind
    for kind in (
        EntryKind(
            "machine",
            "a machine: its laser, scanner limits, when its lot must be calibrated again",
            ("machine",),
            _fields(
                wavelength=Field("wavelength"),
                rated_power=Field("power"),
                slowest_scan_speed=Field("speed"),
                fastest_scan_speed=Field("speed"),
                power_reading_every=Field("time"),
                calibration_every=Field("time"),
                beam_reading_every=Field("time"),
                out_of_use=Field("boolean"),
                new_baseline=Field("boolean"),
                note=_TEXT,
            ),
        ),
        EntryKind(
            "lot",
            "a resin lot; with a machine it is the lot now in its vat",
            ("lot",),
            _fields(resin=_TEXT, maker_code=_TEXT, opened=Field("date"), expiry=Field("date"), note=_TEXT),
        ),
        EntryKind(
            "beam",
            "a beam measured",
            (),
            _fields(
                beam_radius=Field("length", required=True, uncertain=True),
                beam_radius_x=Field("length", uncertain=True),
                beam_radius_y=Field("length", uncertain=True),
                beam_quality=Field("number", uncertain=True),
                wavelength=Field("wavelength"),
                method=_TEXT,
                note=_TEXT,
            ),
        ),
        EntryKind(
            "power",
            "a power reading at the resin surface",
            ("machine",),
            _fields(power=Field("power", required=True, uncertain=True), meter=_TEXT, note=_TEXT),
        ),
        EntryKind(
            "calibration",
            "a lot's working curve",
            ("lot",),
            _fields(
                penetration_depth=Field("length", required=True, uncertain=True),
                critical_exposure=Field("exposure", required=True, uncertain=True),
                correlation=Field("number", rule="finite", low=-1.0, high=1.0),
                temperature=Field("temperature", uncertain=True),
                wavelength=Field("wavelength"),
                note=_TEXT,
            ),
        ),
        EntryKind(
            "comparison",
            "the verdict on a new lot against an old one",
            ("lot",),
            _fields(verdict=Field("text", required=True), old_lot=_TEXT, speed_change=Field("number", rule="finite"), note=_TEXT),
        ),
        EntryKind("recipe", "settings that were chosen", ("machine",), _fields(**_LAYER, **_CHOSEN, **_ASKED, note=_TEXT)),
        EntryKind(
            "retune", "settings changed after a new reading", ("machine",), _fields(**_CHOSEN, **_LAYER, **_ASKED, reason=_TEXT, note=_TEXT)
        ),
        EntryKind(
            "room",
            "temperature and humidity",
            (),
            _fields(
                temperature=Field("temperature", required=True, uncertain=True),
                humidity=Field("fraction", rule="nonnegative", high=1.0),
                note=_TEXT,
            ),
        ),
        EntryKind("note", "anything worth writing down", (), _fields(text=Field("text", required=True))),
        EntryKind(
            "correction",
            "strikes out an entry that was wrong, without putting another in its place",
            (),
            _fields(reason=Field("text", required=True)),
        ),
    )
}


@dataclass(frozen=True)
class Attached:
    """Source data kept with an entry: its role in the entry, the name it had, its hash and size."""

    role: str
    name: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Entry:
    """One entry as it was written. Times are UTC; `corrected_by` is the number of a later entry that replaces this one."""

    number: int
    kind: str
    time: str
    recorded: str
    operator: str
    version: str
    machine: str | None
    lot: str | None
    beam: str | None
    corrects: int | None
    origin: str
    payload: dict[str, Any]
    payload_text: str
    previous: str
    sha256: str
    attached: tuple[Attached, ...] = ()
    corrected_by: int | None = None

    def quantity(self, name: str) -> Measured | None:
        """A value of the payload as a quantity with its standard uncertainty; None where it has none."""
        value = self.payload.get(name)
        return from_json(value) if isinstance(value, dict) and "unit" in value else None

    def to_dict(self) -> dict[str, Any]:
        """The entry as it stands in JSON."""
        return {
            "number": self.number,
            "kind": self.kind,
            "time": self.time,
            "recorded": self.recorded,
            "operator": self.operator,
            "version": self.version,
            "machine": self.machine,
            "lot": self.lot,
            "beam": self.beam,
            "corrects": self.corrects,
            "corrected_by": self.corrected_by,
            "origin": self.origin,
            "payload": self.payload,
            "sources": [{"role": one.role, "name": one.name, "sha256": one.sha256, "size": one.size} for one in self.attached],
            "previous": self.previous,
            "sha256": self.sha256,
        }


def payload_json(payload: Mapping[str, Any]) -> str:
    """The payload as the text that is stored and hashed: ASCII, keys in the order given, no NaN."""
    try:
        return json.dumps(payload, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    except ValueError:
        raise QuantityError("an entry may hold only finite numbers and text.") from None
    except TypeError as error:
        raise QuantityError(f"an entry may hold only numbers, text, lists and tables ({error}).") from None


def plain_payload(values: Mapping[str, Any]) -> dict[str, Any]:
    """Quantities to JSON objects, dates to text, None left out; everything else as it is."""
    return {name: _plain(value) for name, value in values.items() if value is not None}


def _plain(value: Any) -> Any:
    if isinstance(value, Measured | Quantity):
        return to_json(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {name: _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value


def check_payload(kind: str, payload: Mapping[str, Any]) -> None:
    """Refuse a payload that lacks what its kind must hold, or holds it in the wrong form."""
    if kind not in ENTRY_KINDS:
        near = difflib.get_close_matches(kind, ENTRY_KINDS, n=1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise QuantityError(f"no entry is of the kind {clip(kind)}.{hint} The kinds are {', '.join(ENTRY_KINDS)}.")
    for name, spec in ENTRY_KINDS[kind].fields.items():
        if name not in payload:
            if spec.required:
                raise QuantityError(f"{name} is missing: a {kind} entry must hold it, for example {spec.sample()}.")
            continue
        _check_value(name, payload[name], spec)


def _check_value(name: str, value: Any, spec: Field) -> None:
    if spec.quantity and isinstance(value, dict):
        try:
            quantity = from_json(value).value
            number = float(quantity.m_as(KINDS[spec.kind].kernel))
        except Exception as error:
            raise QuantityError(f"{name} is not a {spec.kind}: {str(error).splitlines()[0]}") from None
    elif spec.kind in ("number", "fraction") and isinstance(value, int | float) and not isinstance(value, bool):
        number = float(value)
    elif spec.quantity:
        raise QuantityError(f"{name} must be a {spec.kind} with its unit, got {clip(str(value))}.")
    else:
        _check_plain(name, value, spec)
        return
    if not math.isfinite(number):
        raise QuantityError(f"{name} must be finite.")
    if spec.kind != "temperature" and (number < 0 if spec.rule == "nonnegative" else number <= 0) and spec.rule != "finite":
        word = "not be below zero" if spec.rule == "nonnegative" else "be above zero"
        raise QuantityError(f"{name} must {word}, got {number:g}.")
    low, high = (None if bound is None else float(bound) for bound in (spec.low, spec.high))
    if low is not None and number < low:
        raise QuantityError(f"{name} must be at least {low:g}, got {number:g}.")
    if high is not None and number > high:
        raise QuantityError(f"{name} must be at most {high:g}, got {number:g}.")


def _check_plain(name: str, value: Any, spec: Field) -> None:
    good = {
        "text": isinstance(value, str),
        "boolean": isinstance(value, bool),
        "whole": type(value) is int and value >= spec.minimum,
        "date": isinstance(value, str) and _is_date(value),
    }.get(spec.kind, True)
    if not good:
        raise QuantityError(f"{name} must be a {spec.kind}, got {clip(str(value))}.")
    if spec.kind == "text" and spec.required and not value.strip():
        raise QuantityError(f"{name} is empty.")


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def name_text(what: str, name: str | None) -> str | None:
    """A name of a machine, lot, beam or operator: one line of printable text without spaces at its ends."""
    if name is None:
        return None
    if not isinstance(name, str) or not name.strip():
        raise QuantityError(f"{what} is empty. Give its name, or leave it out.")
    if len(name) > LONGEST_NAME:
        raise QuantityError(f"{what} is longer than {LONGEST_NAME} characters.")
    if any(unicodedata.category(c) in ("Cc", "Cs") for c in name):  # control characters and halves of pairs
        raise QuantityError(f"{what} must be one line of printable text, got {clip(name)}.")
    if name != name.strip():
        raise QuantityError(f"{what} begins or ends with a space: {clip(name)}. Leave it out.")
    return name


def brief(sha256: object) -> str:
    """The beginning of a hash, by which people tell data from other data.

    >>> brief("0123456789abcdef")
    '0123456789ab...'
    """
    return f"{str(sha256)[:12]}..."


def moment(when: datetime) -> str:
    """A time as it is stored: UTC, to the microsecond, sorting as text."""
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def check_time(text: str | datetime | None, *, now: datetime | None = None) -> str:
    """A time people give (`2026-03-01`, `2026-03-01 14:30`, with or without a zone) as it is stored; none is now.

    Without a zone it is this computer's local time. More than a day ahead is refused.
    """
    current = now or datetime.now(UTC)
    if text is None:
        return moment(current)
    if isinstance(text, str):
        try:
            when = datetime.fromisoformat(text.strip())
        except ValueError:
            raise QuantityError(f"time: cannot read {clip(text)}. Write year-month-day and hour:minute, like '2026-03-01 14:30'.") from None
    else:
        when = text
    try:
        when = when.astimezone(UTC)
    except (OverflowError, ValueError, OSError):
        raise QuantityError(f"time: {text} is out of range. Write a time like '2026-03-01 14:30'.") from None
    if when > current + timedelta(days=1):
        raise QuantityError(f"time: {text} is in the future. An entry tells what has happened.")
    if when.year < 1970:
        raise QuantityError(f"time: {text} is before 1970. Check the year.")
    return moment(when)
