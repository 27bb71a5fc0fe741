"""The machine file: what the laser, beam, scanner, recoater and room can do, and how well each is known."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from ..files.documents import Document, Field, Schema, read_document, starting_text
from ..units import DEGC, MM, MM_S, MW, Measured, Quantity, parse, show
from .machine import Machine

__all__ = ["MACHINE", "machine_from_document", "read_machine", "starting_machine"]

_RELATIVE = "Relative standard uncertainty."


def _share(help: str, default: float | None = None, **more: Any) -> Field:
    return Field("fraction", rule="nonnegative", high=0.5, help=help, default=default, **more)


_LASER = {
    "wavelength": Field("wavelength", required=True, help="Of the laser.", example='"355 nm"', low="150 nm", high="1100 nm"),
    "power": Field(
        "power",
        required=True,
        uncertain=True,
        example='"400 mW +- 1.5 %"',
        help="Greatest power reaching the resin surface, as read last. The standard uncertainty is what may change between\n"
        "readings: repeatability and drift. The scale of the meter stands below.",
    ),
    "power_min": Field("power", example='"40 mW"', help="Least power the machine can be set to. Leave out where the power is fixed."),
    "power_reading_date": Field("date", required=True, help="When the power was read."),
    "power_reading_valid_for": Field("time", default="30 d", example='"30 d"', help="A reading older than this is warned of."),
    "power_meter": Field("text", example='"meter M-2"', help="Which meter. The same name in a resin file: its scale error cancels."),
    "power_scale_uncertainty": _share("Of the meter's scale (calibration certificate). " + _RELATIVE, required=True, example='"2.5 %"'),
    "pulse_rate": Field("frequency", example='"60 kHz"', help="Of a pulsed laser; leave out for a continuous one."),
    "pulse_spacing_max": Field(
        "number",
        default=1.0,
        example="1.0",
        high=3.0,
        help="Largest distance between pulses over the beam radius; up to 1 the line does not break up.",
    ),
}
_WIDTHS = (("beam_radius", "radius at 1/e^2"), ("beam_diameter", "diameter at 1/e^2"), ("beam_fwhm", "full width at half maximum"))
_BEAM = {
    f"{name}_{end}": Field(
        "length",
        example=f'"{value} mm"',
        help=f"{word} {text} of the beam at the resin surface"
        + (". The same value twice where it is fixed." if end == "max" and name == "beam_radius" else "."),
    )
    for name, text in _WIDTHS
    for end, word, value in (("min", "Smallest", 0.06), ("max", "Largest", 0.15))
} | {
    "beam_radius_scale_uncertainty": _share("Of the radius, common to all measurements. " + _RELATIVE, required=True, example='"3 %"'),
    "beam_radius_repeatability": _share("Of the radius, from one setting or day to the next. " + _RELATIVE, default=0.01, example='"1 %"'),
    "radius_ratio": Field("number", low=0.2, high=5.0, default=1.0, example="0.9", help="Of an ellipse: y radius over x radius."),
    "spot_angle": Field("angle", rule="finite", default="0 deg", example='"0 deg"', help="Of the spot's x axis to the machine's x axis."),
}
_SCANNER = {
    "scan_speed_max": Field("speed", required=True, help="Greatest speed of the spot on the resin.", example='"8000 mm/s"'),
    "scan_speed_min": Field("speed", default="1 mm/s", help="Least speed.", example='"10 mm/s"'),
    "acceleration": Field("acceleration", help="Of the spot on the resin; corners and short vectors need it.", example='"1.5e6 mm/s^2"'),
    "settling_time": Field("time", rule="nonnegative", default="0 s", help="At each end of a vector, laser off.", example='"0.3 ms"'),
    "scan_speed_uncertainty": _share(_RELATIVE, default=0.01, example='"1 %"'),
    "hatch_spacing_uncertainty": _share(_RELATIVE, default=0.01, example='"1 %"'),
    "hatch_spacing_min": Field("length", help="Smallest spacing the machine takes.", example='"0.03 mm"'),
    "hatch_spacing_max": Field("length", help="Largest spacing the machine takes.", example='"0.3 mm"'),
    "field_width": Field("length", help="Of the scan field, in x.", example='"300 mm"'),
    "field_length": Field("length", help="Of the scan field, in y.", example='"300 mm"'),
    "beam_height": Field("length", help="Of the last mirror above the resin; with the field it gives the beam's tilt.", example='"900 mm"'),
}
_RECOATER = {
    "layer_thickness_min": Field("length", required=True, help="Range of layers the machine can make.", example='"0.05 mm"'),
    "layer_thickness_max": Field("length", required=True, example='"0.15 mm"'),
    "layer_thickness_variation": Field(
        "length",
        rule="nonnegative",
        default="0 mm",
        example='"0.004 mm"',
        help="Standard deviation of the recoated layer from layer to layer; moves single layers, not their mean.",
    ),
    "recoat_time": Field("time", required=True, rule="nonnegative", help="From a layer's scan to the next.", example='"18 s"'),
}
_ROOM = {
    "temperature_min": Field("temperature", help="Limits of the room or vat.", example='"22 degC"'),
    "temperature_max": Field("temperature", example='"28 degC"'),
    "humidity_min": Field("fraction", rule="nonnegative", high=1.0, help="Relative humidity.", example='"30 %"'),
    "humidity_max": Field("fraction", rule="nonnegative", high=1.0, example='"40 %"'),
    "warm_up_time": Field("time", rule="nonnegative", help="Of the laser before settings hold.", example='"10 min"'),
}

MACHINE = Schema(
    "machine",
    {
        "name": Field("text", required=True, help="The same name in a resin file: the coupons were made here.", example='"machine A"'),
        "laser": Field("table", required=True, fields=_LASER),
        "beam": Field(
            "table", required=True, fields=_BEAM, exactly_one=(tuple(f"{n}_min" for n, _ in _WIDTHS), tuple(f"{n}_max" for n, _ in _WIDTHS))
        ),
        "scanner": Field("table", required=True, fields=_SCANNER),
        "recoater": Field("table", required=True, fields=_RECOATER),
        "room": Field("table", fields=_ROOM),
    },
    help="A machine: laser, beam, scanner, recoater, room. Fill in your own numbers; lines behind # are optional.\n"
    "Quantities are text with a unit; a standard uncertainty goes behind +-, or in a table:\n"
    '  power = { value = "400 mW", standard_uncertainty = "6 mW" }',
    check=lambda document: _check(document),
)


def starting_machine(today: datetime.date | None = None) -> str:
    """A commented machine file to start from."""
    day = today or datetime.date.today()
    shown = ("power_min", "power_meter")
    live = {f"laser.{key}": _LASER[key].sample() for key in shown} | {"laser.power_reading_date": day.isoformat()}
    live |= {
        f"scanner.{key}": _SCANNER[key].sample() for key in ("acceleration", "settling_time", "field_width", "field_length", "beam_height")
    }
    live |= {"recoater.layer_thickness_variation": _RECOATER["layer_thickness_variation"].sample()}
    live |= {f"room.{key}": _ROOM[key].sample() for key in _ROOM}
    return starting_text(MACHINE, values=live)


def read_machine(path: str | Path) -> Machine:
    """The machine in a file.

    Raises
    ------
    FileError
        Unreadable, unknown or missing key, values that disagree.
    """
    return machine_from_document(read_document(path, MACHINE))


def machine_from_document(document: Document) -> Machine:
    """The machine of a document already read with the schema `MACHINE`."""
    v = document.values
    laser, beam, scanner, recoater, room = (v["laser"], v["beam"], v["scanner"], v["recoater"], v["room"] or dict.fromkeys(_ROOM))
    return Machine(
        name=v["name"],
        path=document.path,
        sha256=document.sha256,
        text=document.text,
        lines=document.lines,
        beam_radius_min=_radius(beam, "min"),
        beam_radius_max=_radius(beam, "max"),
        beam_radius_scale_uncertainty=beam["beam_radius_scale_uncertainty"],
        beam_radius_repeatability=beam["beam_radius_repeatability"],
        radius_ratio=beam["radius_ratio"],
        spot_angle=beam["spot_angle"],
        **{**laser, "power_meter": laser["power_meter"] or ""},
        **scanner,
        **recoater,
        **room,
    )


def _radius(beam: dict[str, Any], end: str) -> Quantity:
    from ..formulas.beam import radius_from_diameter, radius_from_fwhm

    if beam[f"beam_radius_{end}"] is not None:
        return beam[f"beam_radius_{end}"]
    if beam[f"beam_diameter_{end}"] is not None:
        return radius_from_diameter(beam[f"beam_diameter_{end}"])
    return radius_from_fwhm(beam[f"beam_fwhm_{end}"])


def _ordered(document: Document, table: str, low: str, high: str, unit: Any) -> None:
    values = document[table] or {}
    a, b = values.get(low), values.get(high)
    if a is None or b is None:
        return
    a, b = (q.value if isinstance(q, Measured) else q for q in (a, b))
    if isinstance(a, float):
        if a > b:
            raise document.error((table, high), f"must not be below {low} ({a:g}), got {b:g}. Exchange the two.")
    elif a.m_as(unit) > b.m_as(unit) * (1.0 + 1e-12):
        raise document.error((table, high), f"must not be below {low} ({show(a)}), got {show(b)}. Exchange the two.")


def _check(document: Document) -> None:
    _ordered(document, "laser", "power_min", "power", MW)
    _ordered(document, "scanner", "scan_speed_min", "scan_speed_max", MM_S)
    _ordered(document, "scanner", "hatch_spacing_min", "hatch_spacing_max", MM)
    _ordered(document, "recoater", "layer_thickness_min", "layer_thickness_max", MM)
    _ordered(document, "room", "temperature_min", "temperature_max", DEGC)
    _ordered(document, "room", "humidity_min", "humidity_max", None)
    beam = document["beam"]
    low, high = _radius(beam, "min"), _radius(beam, "max")
    key = next(f"{n}_max" for n, _ in _WIDTHS if beam[f"{n}_max"] is not None)
    if low.m_as(MM) > high.m_as(MM) * (1.0 + 1e-12):
        raise document.error(
            ("beam", key),
            f"makes the largest radius {show(high)}, below the smallest, {show(low)}. Exchange the two, or check diameter and radius.",
        )
    _plausible(document, low, high)
    scanner = document["scanner"]
    sides = [key for key in ("field_width", "field_length", "beam_height") if scanner[key] is not None]
    if sides and len(sides) < 3:
        missing = [key for key in ("field_width", "field_length", "beam_height") if key not in sides]
        raise document.error(
            ("scanner", sides[0]), f"stands without {' and '.join(missing)}: tilt needs all three. Add them, or leave all out."
        )
    if document["laser"]["power_reading_date"] > datetime.date.today() + datetime.timedelta(days=1):
        day = document["laser"]["power_reading_date"]
        raise document.error(("laser", "power_reading_date"), f"lies in the future: {day}. Write the day the power was read.")


_PLAUSIBLE = (
    ("laser", "power", "power", "0.1 mW", "20 W"),
    ("scanner", "scan_speed_max", "speed", "1 mm/s", "100 m/s"),
    ("scanner", "acceleration", "acceleration", "100 mm/s^2", "1e9 mm/s^2"),
    ("recoater", "layer_thickness_min", "length", "1 um", "2 mm"),
    ("recoater", "layer_thickness_max", "length", "1 um", "2 mm"),
    ("recoater", "recoat_time", "time", "0 s", "1 h"),
)


def _plausible(document: Document, low: Quantity, high: Quantity) -> None:
    """Values no such machine has: a wrong unit or a slipped decimal point, refused before anything is computed."""
    for table, key, kind, least, most in _PLAUSIBLE:
        given = document[table][key]
        value = given.value if isinstance(given, Measured) else given
        if value is None:
            continue
        ends = parse(key, least, kind), parse(key, most, kind)
        if not ends[0] <= value <= ends[1]:
            raise document.error((table, key), f"of {show(value)} is outside {least} to {most}. Check the unit and the decimal point.")
    for end, radius in (("smallest", low), ("largest", high)):
        if not 1e-3 <= radius.m_as(MM) <= 5.0:
            raise document.error(
                "beam", f"the {end} beam radius of {show(radius)} is outside 1 um to 5 mm. Check the unit and the decimal point."
            )
