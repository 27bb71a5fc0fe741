"""The machine and its file: what laser, beam, scanner, recoater and room can do, and how well each is known."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any

from ..errors import FileError
from ..files.places import KeyPath
from ..files.records import Key, Origin, RecordFile, documented
from ..formulas.beam import Beam, radius_from_diameter, radius_from_fwhm
from ..physics.motion import RUN_UPS
from ..units import DEG, MM, MM_S, Measured, Quantity, S, from_json, parse, show, to_json
from .beam import BeamRecord, FieldPlace, read_beam_record

__all__ = [
    "MACHINE",
    "Machine",
    "machine_beam",
    "named_spot",
    "read_machine",
    "spot_readings",
    "starting_machine",
    "with_spot",
    "with_spot_readings",
]

_laser, _beam, _scanner = (partial(Key, table=table) for table in ("laser", "beam", "scanner"))
_recoater, _room = (partial(Key, table=table) for table in ("recoater", "room"))
_share = partial(Key, "fraction", rule="nonnegative", high=0.5)
_RELATIVE = "Relative standard uncertainty."
_AT = "of the beam at the resin surface."
_MONTH, _SLOW, _NO_TIME = parse("time", "30 d", "time"), Quantity(1.0, MM_S), Quantity(0.0, S)
_NO_LENGTH, _NO_ANGLE = Quantity(0.0, MM), Measured(Quantity(0.0, DEG), Quantity(0.0, DEG))


@documented
@dataclass(frozen=True, kw_only=True)
class Machine(Origin):
    """A machine as its file states it; quantities in the units written."""

    name: Annotated[str, Key("text", "The same name in a resin file: the coupons were made here.", "machine A")]
    wavelength: Annotated[Quantity, _laser("wavelength", "Of the laser.", "355 nm", low="150 nm", high="1100 nm")]
    power: Annotated[
        Measured,
        _laser(
            "power",
            "Greatest power reaching the resin surface, as read last. The standard uncertainty is what may change between\n"
            "readings: repeatability and drift. The scale of the meter stands below.",
            "400 mW +- 1.5 %",
            uncertain=True,
        ),
    ]
    power_held: Annotated[
        bool, _laser("boolean", "Whether a set power is held in milliwatts; false: it is a share of full power, whatever that is.", "true")
    ] = True
    power_step: Annotated[Quantity | None, _laser("power", "Smallest step the power can be set by; left out, any.", "0.5 mW")] = None
    power_min: Annotated[
        Quantity | None, _laser("power", "Least power the machine can be set to. Leave out where the power is fixed.", "40 mW", start=True)
    ] = None
    power_reading_date: Annotated[datetime.date, _laser("date", "When the power was read.")]
    power_reading_valid_for: Annotated[Quantity, _laser("time", "A reading older than this is warned of.", "30 d")] = _MONTH
    power_meter: Annotated[
        str, _laser("text", "Which meter. The same name in a resin file: its scale error cancels.", "meter M-2", start=True)
    ] = ""
    power_scale_uncertainty: Annotated[
        float, _share("Of the meter's scale (calibration certificate). " + _RELATIVE, "2.5 %", table="laser")
    ]
    pulse_rate: Annotated[Quantity | None, _laser("frequency", "Of a pulsed laser; leave out for a continuous one.", "60 kHz")] = None
    pulse_spacing_max: Annotated[
        float,
        _laser("number", "Largest distance between pulses over the beam radius; up to 1 the line does not break up.", "1.0", high=3.0),
    ] = 1.0
    beam_radius_min: Annotated[
        Quantity,
        _beam(
            "length",
            f"Smallest radius at 1/e^2 {_AT}",
            "0.06 mm",
            also={
                "beam_diameter_min": (f"Smallest diameter at 1/e^2 {_AT}", radius_from_diameter),
                "beam_fwhm_min": (f"Smallest full width at half maximum {_AT}", radius_from_fwhm),
            },
        ),
    ]
    beam_radius_max: Annotated[
        Quantity,
        _beam(
            "length",
            f"Largest radius at 1/e^2 {_AT} The same value twice where it is fixed.",
            "0.15 mm",
            also={
                "beam_diameter_max": (f"Largest diameter at 1/e^2 {_AT}", radius_from_diameter),
                "beam_fwhm_max": (f"Largest full width at half maximum {_AT}", radius_from_fwhm),
            },
        ),
    ]
    beam_radius_scale_uncertainty: Annotated[float, _share("Of the radius, common to all measurements. " + _RELATIVE, "3 %", table="beam")]
    beam_radius_repeatability: Annotated[
        float, _share("Of the radius, from one setting or day to the next. " + _RELATIVE, "1 %", table="beam")
    ] = 0.01
    beam_radius_step: Annotated[Quantity | None, _beam("length", "Smallest step of the radius; left out, any.", "0.005 mm")] = None
    beam_quality: Annotated[float, _beam("number", "M^2; enters where the field is out of focus.", "1.2", low=1.0, high=100.0)] = 1.0
    radius_ratio: Annotated[float, _beam("number", "Of an ellipse: y radius over x radius.", "0.9", low=0.2, high=5.0)] = 1.0
    spot_angle: Annotated[
        Measured,
        _beam(
            "angle",
            "Of the spot's x axis to the machine's x axis; its uncertainty counts where a track_angle is needed.",
            "0 deg +- 2 deg",
            rule="finite",
            uncertain=True,
        ),
    ] = _NO_ANGLE
    beam_record: Annotated[
        str,
        _beam(
            "text",
            "The file of a measured beam, seen from the folder of this one: shape and angle of the spot, M^2, its field.",
            "beam.toml",
        ),
    ] = ""
    spot_measurement: Annotated[
        str, _beam("text", "Where the shape of the spot was read; stands on the sheet.", "knife edge along x and y, 2 March")
    ] = ""
    scan_speed_max: Annotated[Quantity, _scanner("speed", "Greatest speed of the spot on the resin.", "8000 mm/s")]
    scan_speed_min: Annotated[Quantity, _scanner("speed", "Least speed.", "10 mm/s")] = _SLOW
    acceleration: Annotated[
        Quantity | None,
        _scanner("acceleration", "Of the spot on the resin; corners and short vectors need it.", "1.5e6 mm/s^2", start=True),
    ] = None
    scan_speed_step: Annotated[Quantity | None, _scanner("speed", "Smallest step of the speed; left out, any.", "1 mm/s")] = None
    run_up_beam: Annotated[
        str,
        _scanner(
            "choice",
            "The beam while the scanner speeds up and slows down: off (the run-up lies outside the vector), on, or its power\n"
            "follows speed.",
            "off",
            choices=tuple(RUN_UPS),
            start=True,
        ),
    ] = "off"
    corner_speed: Annotated[Quantity | None, _scanner("speed", "To which it slows at a corner; left out, a full stop.", "500 mm/s")] = None
    move_speed: Annotated[
        Quantity | None,
        _scanner(
            "speed",
            "With the beam off, from the end of a vector to the next: between the lines of a raster, or as paths go. Left out, such\n"
            "moves take no time.",
            "10000 mm/s",
        ),
    ] = None
    settling_time: Annotated[
        Quantity, _scanner("time", "At each end of a vector, laser off.", "0.3 ms", rule="nonnegative", start=True)
    ] = _NO_TIME
    scan_speed_uncertainty: Annotated[float, _share(_RELATIVE, "1 %", table="scanner")] = 0.01
    hatch_spacing_uncertainty: Annotated[float, _share(_RELATIVE, "1 %", table="scanner")] = 0.01
    hatch_spacing_step: Annotated[Quantity | None, _scanner("length", "Smallest step of the spacing; left out, any.", "0.001 mm")] = None
    hatch_spacing_min: Annotated[Quantity | None, _scanner("length", "Smallest spacing the machine takes.", "0.03 mm")] = None
    hatch_spacing_max: Annotated[Quantity | None, _scanner("length", "Largest spacing the machine takes.", "0.3 mm")] = None
    field_width: Annotated[Quantity | None, _scanner("length", "Of the scan field, in x.", "300 mm", start=True)] = None
    field_length: Annotated[Quantity | None, _scanner("length", "Of the scan field, in y.", "300 mm", start=True)] = None
    beam_height: Annotated[
        Quantity | None,
        _scanner("length", "Of the last mirror above the resin; with the field it gives the beam's tilt.", "900 mm", start=True),
    ] = None
    focus_held: Annotated[
        bool | None,
        _scanner(
            "boolean", "Whether the spot is kept in focus over the whole field; left out, it is taken as not held.", "true", start=True
        ),
    ] = None
    field: Annotated[
        tuple[FieldPlace, ...], Key("tables", "The beam as measured over the field: places from its middle.", of=FieldPlace)
    ] = ()
    layer_thickness_min: Annotated[Quantity, _recoater("length", "Range of layers the machine can make.", "0.05 mm")]
    layer_thickness_max: Annotated[Quantity, _recoater("length", example="0.15 mm")]
    layer_thickness_variation: Annotated[
        Quantity,
        _recoater(
            "length",
            "Standard deviation of the recoated layer from layer to layer; moves single layers, not their mean.",
            "0.004 mm",
            rule="nonnegative",
            start=True,
        ),
    ] = _NO_LENGTH
    recoat_time: Annotated[Quantity, _recoater("time", "From a layer's scan to the next.", "18 s", rule="nonnegative")]
    temperature_min: Annotated[Quantity | None, _room("temperature", "Limits of the room or vat.", "22 degC", start=True)] = None
    temperature_max: Annotated[Quantity | None, _room("temperature", example="28 degC", start=True)] = None
    humidity_min: Annotated[float | None, _room("fraction", "Relative humidity.", "30 %", rule="nonnegative", high=1.0, start=True)] = None
    humidity_max: Annotated[float | None, _room("fraction", rule="nonnegative", high=1.0, example="40 %", start=True)] = None
    warm_up_time: Annotated[
        Quantity | None, _room("time", "Of the laser before settings hold.", "10 min", rule="nonnegative", start=True)
    ] = None

    def reading_age_days(self, today: datetime.date) -> int:
        """Days since the power was read."""
        return (today - self.power_reading_date).days

    @property
    def reading_valid_until(self) -> datetime.date:
        """The last day on which the power reading is not older than it may grow."""
        return self.power_reading_date + datetime.timedelta(seconds=float(self.power_reading_valid_for.m_as(S)))

    def to_dict(self) -> dict[str, Any]:
        """What sheets show of the machine."""
        return {
            "name": self.name,
            "wavelength": to_json(self.wavelength),
            "power": to_json(self.power),
            "power_held": self.power_held,
            "power_reading_date": self.power_reading_date.isoformat(),
            "power_reading_valid_until": self.reading_valid_until.isoformat(),
            "power_meter": self.power_meter,
            "radius_ratio": self.radius_ratio,
            "spot_angle": to_json(self.spot_angle),
            "spot_measurement": self.spot_measurement,
            "scan_speed_max": to_json(self.scan_speed_max),
            "recoat_time": to_json(self.recoat_time),
            "path": self.path,
            "sha256": self.sha256,
        }

    def problems(self) -> Iterator[tuple[str | KeyPath, str]]:
        """What disagrees between fields, and values no such machine has: a wrong unit or a slipped decimal point."""
        for low_name, high_name in _ORDERED:
            low, high = getattr(self, low_name), getattr(self, high_name)
            if low is not None and high is not None and _above(low, high):
                least, got = (f"{q:g}" if isinstance(q, float) else show(_bare(q)) for q in (low, high))
                yield high_name, f"must not be below {low_name} ({least}), got {got}. Exchange the two."
        small, large = self.beam_radius_min, self.beam_radius_max
        if _above(small, large):
            ends = f"largest radius {show(large)}, below the smallest, {show(small)}"
            yield "beam_radius_max", f"makes the {ends}. Exchange the two, or check diameter and radius."
        for name, kind, least, most in _PLAUSIBLE:
            value = _bare(getattr(self, name))
            if value is not None and not parse(name, least, kind) <= value <= parse(name, most, kind):
                yield name, f"of {show(value)} is outside {least} to {most}. Check the unit and the decimal point."
        for end, radius in (("smallest", small), ("largest", large)):
            if not 1e-3 <= radius.m_as(MM) <= 5.0:
                way = "Check the unit and the decimal point."
                yield ("beam",), f"the {end} beam radius of {show(radius)} is outside 1 um to 5 mm. {way}"
        sides = {name: getattr(self, name) is not None for name in ("field_width", "field_length", "beam_height")}
        if len(set(sides.values())) > 1:
            missing = " and ".join(name for name, given in sides.items() if not given)
            first = next(name for name, given in sides.items() if given)
            yield first, f"stands without {missing}: tilt needs all three. Add them, or leave all out."
        if self.beam_record and (self.radius_ratio != 1.0 or self.spot_angle != _NO_ANGLE):
            yield "beam_record", "gives the shape of the spot, and so do radius_ratio and spot_angle. Keep the file, or the two."
        if self.power_reading_date > datetime.date.today() + datetime.timedelta(days=1):
            yield "power_reading_date", f"lies in the future: {self.power_reading_date}. Write the day the power was read."


_ORDERED = (
    ("power_min", "power"),
    ("scan_speed_min", "scan_speed_max"),
    ("hatch_spacing_min", "hatch_spacing_max"),
    ("layer_thickness_min", "layer_thickness_max"),
    ("temperature_min", "temperature_max"),
    ("humidity_min", "humidity_max"),
)
_PLAUSIBLE = (
    ("power", "power", "0.1 mW", "20 W"),
    ("scan_speed_max", "speed", "1 mm/s", "100 m/s"),
    ("acceleration", "acceleration", "100 mm/s^2", "1e9 mm/s^2"),
    ("layer_thickness_min", "length", "1 um", "2 mm"),
    ("layer_thickness_max", "length", "1 um", "2 mm"),
    ("recoat_time", "time", "0 s", "1 h"),
)


def _bare(value: Quantity | Measured) -> Quantity:
    return value.value if isinstance(value, Measured) else value


def _above(low: Quantity | float, high: Quantity | Measured | float) -> bool:
    """Whether the lower end lies above the higher, beyond the rounding of a change of unit."""
    if isinstance(low, float) or isinstance(high, float):
        return isinstance(low, float) and isinstance(high, float) and low > high
    return bool(low.m > _bare(high).m_as(low.units) * (1.0 + 1e-12))


MACHINE = RecordFile(
    Machine,
    "machine",
    help="A machine: laser, beam, scanner, recoater, room. Fill in your own numbers; lines behind # are optional.\n"
    "Quantities are text with a unit; a standard uncertainty goes behind +-, or in a table:\n"
    '  power = { value = "400 mW", standard_uncertainty = "6 mW" }',
)


def starting_machine(today: datetime.date | None = None) -> str:
    """A commented machine file to start from."""
    return MACHINE.start({"laser.power_reading_date": (today or datetime.date.today()).isoformat()})


def read_machine(path: str | Path) -> Machine:
    """The machine in a file, with the spot of the beam file that it names.

    Raises
    ------
    FileError
        Unreadable, unknown or missing key, values that disagree, here or in the beam file.
    """
    machine = MACHINE.read(path)
    spot = named_spot(machine)
    return machine if spot is None else with_spot(machine, spot)


def named_spot(machine: Machine) -> BeamRecord | None:
    """The spot in the beam file that a machine names, beside its own; None where it names none."""
    if not machine.beam_record:
        return None
    try:
        return read_beam_record(Path(machine.path).parent / machine.beam_record)
    except FileError as error:
        raise FileError(f"{machine.path}: beam_record: {error}") from None


def with_spot(machine: Machine, spot: BeamRecord) -> Machine:
    """The machine with the shape of a measured spot: ratio of its radii, angle, M^2, field; its range of radii stays the machine's."""
    said = (spot.name or Path(spot.path).name, spot.method.replace("-", " "), spot.measured_on)
    told = ", ".join(str(one) for one in said if one)
    ratio = 1.0 if spot.radius_y is None else float((spot.radius_y.value / spot.radius_x.value).m_as("dimensionless"))
    quality = machine.beam_quality if spot.beam_quality is None else spot.beam_quality
    angle = spot.angle or _NO_ANGLE
    return replace(machine, radius_ratio=ratio, spot_angle=angle, beam_quality=quality, field=spot.field, spot_measurement=told)


def spot_readings(machine: Machine) -> dict[str, Any]:
    """The measured shape of the spot as a saved recipe keeps it, for `with_spot_readings`."""
    if machine.radius_ratio == 1.0 and not machine.field and not machine.spot_measurement:
        return {}
    places = [{name: to_json(value) for name, value in vars(p).items() if value is not None} for p in machine.field]
    shape = {"radius_ratio": machine.radius_ratio, "spot_angle": to_json(machine.spot_angle), "field": places}
    return shape | {"spot_measurement": machine.spot_measurement}


def with_spot_readings(machine: Machine, readings: Mapping[str, Any]) -> Machine:
    """The machine with the shape of the spot that `spot_readings` kept.

    Raises
    ------
    KeyError, TypeError, ValueError
        They are not such readings.
    """
    if "radius_ratio" not in readings:
        return machine
    ratio, angle = float(readings["radius_ratio"]), from_json(readings["spot_angle"])
    if not ratio > 0.0:
        raise ValueError(f"a ratio of radii of {ratio:g}")
    places = []
    for kept in readings.get("field", ()):
        read: dict[str, Any] = {name: from_json(value) for name, value in kept.items()}
        places.append(FieldPlace(**{name: q if name.startswith("radius") else q.value for name, q in read.items()}))
    told = str(readings.get("spot_measurement", machine.spot_measurement))
    return replace(machine, radius_ratio=ratio, spot_angle=angle, field=tuple(places), spot_measurement=told)


def machine_beam(machine: Machine) -> Beam:
    """The machine's beam at full power, with the middle of its radius range."""
    low, high = (float(r.m_as(MM)) for r in (machine.beam_radius_min, machine.beam_radius_max))
    radius = 0.5 * (low + high)
    known = math.hypot(machine.beam_radius_scale_uncertainty, machine.beam_radius_repeatability)
    beam = Beam(
        power=machine.power,
        radius_x=Measured(Quantity(radius, MM), Quantity(known * radius, MM)),
        wavelength=machine.wavelength,
        pulse_rate=machine.pulse_rate,
        name=machine.name,
    )
    if machine.radius_ratio == 1.0:
        return beam
    other = Measured(Quantity(radius * machine.radius_ratio, MM), Quantity(known * radius * machine.radius_ratio, MM))
    return replace(beam, radius_y=other, radius_correlation=1.0, angle=machine.spot_angle.value)
