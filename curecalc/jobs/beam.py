"""The beam record and its file: what a spot measurement and a power reading say about a beam.

`curecalc spot --save beam.toml` writes it, `--beam beam.toml` of the calculating commands reads it.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any

from ..cautions import BEAM_CAUTION, RULES_CAUTION
from ..files.places import KeyPath
from ..files.records import Key, Origin, RecordFile, documented
from ..formulas.beam import Beam
from ..spot.field import FieldMap, Place
from ..spot.light import PowerMeasurement
from ..spot.measurement import COMMON, BeamMeasurement, Estimate
from ..units import DEG, MM, MW, RAD, Measured, Quantity, QuantityError, measured, to_json

__all__ = [
    "BEAM",
    "BeamRecord",
    "BudgetPart",
    "FieldPlace",
    "beam_record",
    "field_map",
    "read_beam",
    "read_beam_record",
    "with_field",
    "with_power",
    "write_beam_record",
]

_text = partial(Key, "text")


@dataclass(frozen=True, kw_only=True)
class BudgetPart:
    """One part of the uncertainty of a radius or the power."""

    of: Annotated[str, Key("choice", choices=("radius_x", "radius_y", "power"))]
    name: Annotated[str, _text()]
    relative_standard_uncertainty: Annotated[float, Key("number", rule="nonnegative")]
    degrees_of_freedom: Annotated[float, Key("number", "infinite when left out")] = math.inf


@dataclass(frozen=True, kw_only=True)
class FieldPlace:
    """The beam at one place of the field, as measured."""

    x: Annotated[Quantity, Key("length", rule="finite")]
    y: Annotated[Quantity, Key("length", rule="finite")]
    radius_x: Annotated[Measured, Key("length", uncertain=True)]
    radius_y: Annotated[Measured | None, Key("length", uncertain=True)] = None
    angle: Annotated[Quantity | None, Key("angle", rule="finite")] = None
    power: Annotated[Quantity | None, Key("power")] = None


@documented
@dataclass(frozen=True, kw_only=True)
class BeamRecord(Origin):
    """A measured beam as kept in a file; a round one has neither `radius_y` nor `angle`."""

    name: Annotated[str, _text("which machine and laser")] = ""
    measured_on: Annotated[datetime.date | None, Key("date", "day of the measurement")] = None
    method: Annotated[str, _text("how the radius was measured", "knife-edge")] = ""
    radius_x: Annotated[Measured, Key("length", "1/e^2 radius along the spot's x axis", "125 um +- 3 um", uncertain=True)]
    radius_y: Annotated[Measured | None, Key("length", "1/e^2 radius along the spot's y axis; a round beam without it", uncertain=True)] = (
        None
    )
    angle: Annotated[
        Measured | None, Key("angle", "of the spot's x axis to the machine's x axis", "20 deg +- 1 deg", rule="finite", uncertain=True)
    ] = None
    beam_quality: Annotated[float | None, Key("number", "M^2", low=1.0)] = None
    wavelength: Annotated[Quantity | None, Key("wavelength", "of the laser")] = None
    power: Annotated[Measured | None, Key("power", "optical power reaching the resin surface", uncertain=True)] = None
    power_measured_on: Annotated[datetime.date | None, Key("date")] = None
    power_data_sha256: Annotated[str, _text()] = ""
    pulse_rate: Annotated[Quantity | None, Key("frequency", "of a pulsed laser")] = None
    data_file: Annotated[str, _text("the measurement's file")] = ""
    data_sha256: Annotated[str, _text("its SHA-256")] = ""
    budget: Annotated[tuple[BudgetPart, ...], Key("tables", "parts of the uncertainties", of=BudgetPart)] = ()
    field: Annotated[tuple[FieldPlace, ...], Key("tables", "the beam over the field: places from its middle", of=FieldPlace)] = ()
    warnings: Annotated[tuple[str, ...], Key("list", item=Key("text"))] = ()
    note: Annotated[str, _text()] = ""

    def beam(self, *, power: Measured | Quantity | None = None, needs_power: bool = True) -> Beam:
        """The beam for calculations; `power` stands in for the file's, and may be missing where it is what is asked for.

        Raises
        ------
        QuantityError
            No power here and none given.
        """
        use = power if power is not None else self.power
        if use is None and needs_power:
            raise QuantityError("power is missing from the beam record. Give power=, or add power readings to its file.")
        return Beam(
            power=use,
            radius_x=self.radius_x,
            radius_y=self.radius_y,
            radius_correlation=self._correlation(),
            angle=self._angle,
            beam_quality=self.beam_quality,
            wavelength=self.wavelength,
            pulse_rate=self.pulse_rate,
            name=self.name,
            notes=tuple(f"beam: {told}" for told in self.warnings),
        )

    def field_map(self) -> FieldMap | None:
        """The map through the places of the record: its `at(x, y)` gives radii, angle, power factor and their covariance."""
        common = sum(b.relative_standard_uncertainty**2 for b in self.budget if b.of == "radius_x" and b.name.startswith(COMMON))
        return field_map(self.field, math.sqrt(common))

    @property
    def _angle(self) -> Quantity:
        return Quantity(0.0, DEG) if self.angle is None else self.angle.value

    def _correlation(self) -> float:
        """Of both radii's errors: what their budgets call common, over the whole."""
        if self.radius_y is None:
            return 0.0
        x, y = ({b.name: b.relative_standard_uncertainty for b in self.budget if b.of == radius} for radius in ("radius_x", "radius_y"))
        shared = sum(x[name] * y[name] for name in x.keys() & y.keys() if name.startswith(COMMON))
        whole = float(self.radius_x.relative) * float(self.radius_y.relative)
        return min(shared / whole, 1.0) if whole else 0.0

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        quantities = {k: getattr(self, k) for k in ("radius_x", "radius_y", "angle", "wavelength", "power", "pulse_rate")}
        quantities["angle"] = self._angle if self.angle is None else self.angle
        return {
            "name": self.name,
            "method": self.method,
            **{k: None if v is None else to_json(v) for k, v in quantities.items()},
            "beam_quality": self.beam_quality,
            "measured_on": self.measured_on.isoformat() if self.measured_on else None,
            "data_file": self.data_file,
            "data_sha256": self.data_sha256,
            "budget": [
                vars(b) | {"degrees_of_freedom": b.degrees_of_freedom if math.isfinite(b.degrees_of_freedom) else None} for b in self.budget
            ],
            "warnings": list(self.warnings),
            "note": self.note,
        }

    def problems(self) -> Iterator[tuple[str | KeyPath, str]]:
        """A round beam cannot be turned."""
        if self.radius_y is None and self._angle.m != 0:
            yield "angle", "turns a round beam. Give radius_y as well, or leave angle out."


COMMENT = f"A measured beam. Lengths are 1/e^2 radii of irradiance.\n{BEAM_CAUTION}\n{RULES_CAUTION}"
BEAM = RecordFile(BeamRecord, "beam", help="A beam at the resin surface. Lengths are 1/e^2 RADII of irradiance.")


def read_beam_record(path: str | Path) -> BeamRecord:
    """The record in a beam file.

    Raises
    ------
    FileError
        One line naming file, line and key.
    """
    return BEAM.read(path)


def read_beam(path: str | Path, *, power: Measured | Quantity | None = None, needs_power: bool = True) -> Beam:
    """The beam of a file, for calculations.

    Parameters
    ----------
    path : str or Path
    power : Measured or Quantity [mW], optional
        Stands in for the file's.
    needs_power : bool
        False where the power is what is asked for, and may be missing.

    Raises
    ------
    FileError
        Of the file.
    QuantityError
        No power in the file and none given.
    """
    record = read_beam_record(path)
    if power is None and record.power is None and needs_power:
        raise QuantityError(f"{path}: power: is missing. Give power=, or add power readings to the file with `curecalc spot`.")
    return record.beam(power=power, needs_power=needs_power)


def write_beam_record(path: str | Path, record: BeamRecord, *, overwrite: bool = False) -> None:
    """Write a beam file, whole or not at all.

    Parameters
    ----------
    path : str or Path
    record : BeamRecord
    overwrite : bool
        Replace a file that stands already.

    Raises
    ------
    FileError
        The file stands already and `overwrite` is false, or the place cannot be written.
    """
    BEAM.write(path, record, comment=COMMENT, overwrite=overwrite)


def beam_record(
    measurement: BeamMeasurement,
    *,
    measured_on: datetime.date,
    power: Measured | Quantity | None = None,
    wavelength: Quantity | None = None,
    base: BeamRecord | None = None,
    name: str = "",
) -> BeamRecord:
    """The record of a measured radius; power, wavelength, pulse rate and name of `base` are kept where none is given.

    Parameters
    ----------
    measurement : BeamMeasurement
    measured_on : date
    power : Measured or Quantity [mW], optional
    wavelength : Quantity [nm], optional
    base : BeamRecord, optional
        An earlier record of the beam.
    name : str

    Returns
    -------
    BeamRecord
    """
    quality = measurement.quality
    before = base if base is not None else BeamRecord(radius_x=measurement.radius_x.measured)
    old = before if power is None else BeamRecord(radius_x=before.radius_x, power=measured(power))
    budget = _parts("radius_x", measurement.radius_x) + _parts("radius_y", measurement.radius_y)
    field = before.field
    if measurement.kind == "field":
        field = with_field(before, measurement.fits[0][1].places).field
    return BeamRecord(
        field=field,
        radius_x=measurement.radius_x.measured,
        radius_y=None if measurement.radius_y is None else measurement.radius_y.measured,
        angle=None if measurement.radius_y is None else Measured(measurement.angle, measurement.u_angle),
        beam_quality=quality if quality is None or quality >= 1.0 else None,
        wavelength=next((w for w in (wavelength, measurement.wavelength, before.wavelength) if w is not None), None),
        power=old.power,
        power_measured_on=old.power_measured_on,
        power_data_sha256=old.power_data_sha256,
        pulse_rate=before.pulse_rate,
        name=name or before.name,
        method=measurement.kind,
        measured_on=measured_on,
        data_file=measurement.source,
        data_sha256=measurement.sha256,
        budget=budget + tuple(b for b in old.budget if b.of == "power"),
        warnings=(*measurement.warnings, *measurement.cautions),
    )


def field_map(places: Sequence[FieldPlace], common: float = 0.0) -> FieldMap | None:
    """The map through measured places; None without any. `common`: relative standard uncertainty that all their radii share."""
    return FieldMap(places=tuple(_place(p) for p in places), common=common) if places else None


def _place(p: FieldPlace) -> Place:
    return Place(
        x=float(p.x.m_as(MM)),
        y=float(p.y.m_as(MM)),
        radius_x=float(p.radius_x.value.m_as(MM)),
        radius_y=None if p.radius_y is None else float(p.radius_y.value.m_as(MM)),
        angle=0.0 if p.angle is None else float(p.angle.m_as(RAD)),
        power=None if p.power is None else float(p.power.m_as(MW)),
        relative=float(p.radius_x.relative),
    )


def with_field(base: BeamRecord, places: Sequence[Place]) -> BeamRecord:
    """The record with measured places of the field; the beam itself stays as it was.

    Parameters
    ----------
    base : BeamRecord
    places : sequence of Place

    Returns
    -------
    BeamRecord
    """

    def length(value: float, relative: float) -> Measured:
        return Measured(Quantity(value, MM), Quantity(value * relative, MM))

    kept = tuple(
        FieldPlace(
            x=Quantity(p.x, MM),
            y=Quantity(p.y, MM),
            radius_x=length(p.radius_x, p.relative),
            radius_y=None if p.radius_y is None else length(p.radius_y, p.relative),
            angle=None if p.radius_y is None else Quantity(math.degrees(p.angle), DEG),
            power=None if p.power is None else Quantity(p.power, MW),
        )
        for p in places
    )
    return replace(base, field=kept)


def _parts(of: str, estimate: Estimate | None) -> tuple[BudgetPart, ...]:
    return tuple(
        BudgetPart(of=of, name=p.name, relative_standard_uncertainty=p.relative, degrees_of_freedom=p.degrees_of_freedom)
        for p in (estimate.parts if estimate is not None else ())
    )


def with_power(base: BeamRecord, reading: PowerMeasurement, *, measured_on: datetime.date) -> BeamRecord:
    """The record with a new power and its budget; the radius stays as it was."""
    budget = tuple(b for b in base.budget if b.of != "power") + _parts("power", reading.power)
    return replace(base, power=reading.measured, power_measured_on=measured_on, power_data_sha256=reading.sha256, budget=budget)
