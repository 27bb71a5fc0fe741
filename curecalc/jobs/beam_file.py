"""The beam record on disk: what a spot measurement and a power reading say about a beam, as TOML.

`curecalc spot --save beam.toml` writes it, `--beam beam.toml` of the calculating commands reads it.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..cautions import BEAM_CAUTION, RULES_CAUTION
from ..files.documents import Document, Field, Schema, read_document, write_document
from ..formulas.beam import Beam
from ..spot.light import PowerMeasurement
from ..spot.measurement import COMMON, BeamMeasurement
from ..units import DEG, Measured, Quantity, QuantityError, Shown, measured, to_json

__all__ = ["BEAM_SCHEMA", "BeamRecord", "beam_record", "read_beam", "read_beam_record", "with_power", "write_beam_record"]


def _check(document: Document) -> None:
    if document["radius_y"] is None and document["angle"] is not None and document["angle"].m != 0:
        raise document.error("angle", "turns a round beam. Give radius_y as well, or leave angle out.")


BEAM_SCHEMA = Schema(
    "beam",
    {
        "name": Field("text", help="which machine and laser"),
        "measured_on": Field("date", help="day of the measurement"),
        "method": Field("text", help="how the radius was measured", example='"knife-edge"'),
        "radius_x": Field("length", required=True, uncertain=True, help="1/e^2 radius along the spot's x axis", example='"125 um +- 3 um"'),
        "radius_y": Field("length", uncertain=True, help="1/e^2 radius along the spot's y axis; a round beam without it"),
        "angle": Field("angle", rule="finite", help="of the spot's x axis to the machine's x axis"),
        "beam_quality": Field("number", low=1.0, help="M^2"),
        "wavelength": Field("wavelength", help="of the laser"),
        "power": Field("power", uncertain=True, help="optical power reaching the resin surface"),
        "power_measured_on": Field("date"),
        "power_data_sha256": Field("text"),
        "pulse_rate": Field("frequency", help="of a pulsed laser"),
        "data_file": Field("text", help="the measurement's file"),
        "data_sha256": Field("text", help="its SHA-256"),
        "budget": Field(
            "tables",
            help="parts of the uncertainties",
            fields={
                "of": Field("choice", choices=("radius_x", "radius_y", "power"), required=True),
                "name": Field("text", required=True),
                "relative_standard_uncertainty": Field("number", rule="nonnegative", required=True),
                "degrees_of_freedom": Field("number", help="infinite when left out"),
            },
        ),
        "warnings": Field("list", item=Field("text")),
        "note": Field("text"),
    },
    help="A beam at the resin surface. Lengths are 1/e^2 RADII of irradiance.",
    check=_check,
)


@dataclass(frozen=True, kw_only=True)
class BeamRecord(Shown):
    """A measured beam as kept in a file; `budget` holds (of, name, relative standard uncertainty, degrees of freedom)."""

    radius_x: Measured
    radius_y: Measured | None = None
    angle: Quantity = Quantity(0.0, DEG)  # noqa: RUF009 (immutable in practice: a scalar quantity)
    beam_quality: float | None = None
    wavelength: Quantity | None = None
    power: Measured | None = None
    pulse_rate: Quantity | None = None
    name: str = ""
    method: str = ""
    measured_on: datetime.date | None = None
    power_measured_on: datetime.date | None = None
    power_data_sha256: str = ""
    data_file: str = ""
    data_sha256: str = ""
    budget: tuple[tuple[str, str, float, float], ...] = ()
    warnings: tuple[str, ...] = ()
    note: str = ""

    def beam(self, *, power: Measured | Quantity | None = None, needs_power: bool = True) -> Beam:
        """The beam for calculations; `power` stands in for the file's, and may be missing where it is what is asked for.

        Raises
        ------
        QuantityError
            No power here and none given.
        """
        use = power if power is not None else self.power
        if use is None and needs_power:
            raise QuantityError("power is missing from the beam file. Give --power, or add power readings to the file.")
        return Beam(
            power=use,
            radius_x=self.radius_x,
            radius_y=self.radius_y,
            radius_correlation=self._correlation(),
            angle=self.angle,
            beam_quality=self.beam_quality,
            wavelength=self.wavelength,
            pulse_rate=self.pulse_rate,
            name=self.name,
        )

    def _correlation(self) -> float:
        """Of both radii's errors: what their budgets call common, over the whole."""
        if self.radius_y is None:
            return 0.0
        x, y = ({name: u for of, name, u, _ in self.budget if of == radius} for radius in ("radius_x", "radius_y"))
        shared = sum(x[name] * y[name] for name in x.keys() & y.keys() if name.startswith(COMMON))
        whole = float(self.radius_x.relative) * float(self.radius_y.relative)
        return min(shared / whole, 1.0) if shared > 0.0 and whole > 0.0 else 0.0

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        quantities = {k: getattr(self, k) for k in ("radius_x", "radius_y", "angle", "wavelength", "power", "pulse_rate")}
        return {
            "name": self.name,
            "method": self.method,
            **{k: None if v is None else to_json(v) for k, v in quantities.items()},
            "beam_quality": self.beam_quality,
            "measured_on": self.measured_on.isoformat() if self.measured_on else None,
            "data_file": self.data_file,
            "data_sha256": self.data_sha256,
            "budget": [
                {"of": of, "name": name, "relative_standard_uncertainty": u, "degrees_of_freedom": d if math.isfinite(d) else None}
                for of, name, u, d in self.budget
            ],
            "warnings": list(self.warnings),
            "note": self.note,
        }


def read_beam_record(path: str | Path) -> BeamRecord:
    """The record in a beam file.

    Raises
    ------
    FileError
        One line naming file, line and key.
    """
    document = read_document(path, BEAM_SCHEMA)
    values = {k: v for k, v in document.values.items() if v is not None}
    values["budget"] = tuple(
        (
            b["of"],
            b["name"],
            float(b["relative_standard_uncertainty"]),
            math.inf if b.get("degrees_of_freedom") is None else float(b["degrees_of_freedom"]),
        )
        for b in values.get("budget") or ()
    )
    values["warnings"] = tuple(values.get("warnings") or ())
    return BeamRecord(**values)


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
        raise QuantityError(f"{path}: power: is missing. Give --power, or add power readings to the file with `curecalc spot`.")
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
    values: dict[str, Any] = {k: getattr(record, k) for k in BEAM_SCHEMA.fields}
    values = {k: v for k, v in values.items() if v not in (None, "", ())}
    if record.radius_y is None:
        values.pop("angle", None)
    values["budget"] = [
        {"of": of, "name": name, "relative_standard_uncertainty": u, **({"degrees_of_freedom": d} if math.isfinite(d) else {})}
        for of, name, u, d in record.budget
    ]
    if record.warnings:
        values["warnings"] = list(record.warnings)
    comment = f"A measured beam. Lengths are 1/e^2 radii of irradiance.\n{BEAM_CAUTION}\n{RULES_CAUTION}"
    write_document(path, BEAM_SCHEMA, values, overwrite=overwrite, comment=comment)


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
    parts = [("radius_x", p) for p in measurement.radius_x.parts]
    parts += [("radius_y", p) for p in measurement.radius_y.parts] if measurement.radius_y is not None else []
    kept = () if base is None or power is not None else tuple(b for b in base.budget if b[0] == "power")
    old = base if base is not None and power is None else None
    light = wavelength if wavelength is not None else measurement.wavelength
    if light is None and base is not None:
        light = base.wavelength
    return BeamRecord(
        radius_x=measurement.radius_x.measured,
        radius_y=None if measurement.radius_y is None else measurement.radius_y.measured,
        angle=measurement.angle,
        beam_quality=quality if quality is None or quality >= 1.0 else None,
        wavelength=light,
        power=old.power if old is not None else None if power is None else measured(power),
        power_measured_on=old.power_measured_on if old is not None else None,
        power_data_sha256=old.power_data_sha256 if old is not None else "",
        pulse_rate=base.pulse_rate if base is not None else None,
        name=name or (base.name if base is not None else ""),
        method=measurement.kind,
        measured_on=measured_on,
        data_file=measurement.source,
        data_sha256=measurement.sha256,
        budget=tuple((of, p.name, p.relative, p.degrees_of_freedom) for of, p in parts) + kept,
        warnings=measurement.warnings,
    )


def with_power(base: BeamRecord, reading: PowerMeasurement, *, measured_on: datetime.date) -> BeamRecord:
    """The record with a new power and its budget; the radius stays as it was."""
    budget = tuple(b for b in base.budget if b[0] != "power")
    budget += tuple(("power", p.name, p.relative, p.degrees_of_freedom) for p in reading.power.parts)
    return replace(base, power=reading.measured, power_measured_on=measured_on, power_data_sha256=reading.sha256, budget=budget)
