"""Coupons: what was exposed, what was measured, read from a table or given as arrays of quantities.

Readings of one coupon are averaged here, once: everything later counts coupons.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError, QuantityError
from ..files.tables import Column, Table, read_table, read_table_bytes
from ..physics import light
from ..physics.spot import FWHM_PER_RADIUS
from ..statistics.diagnostics import groups_of
from ..units import DEGC, IN_CM2, MJ_CM2, MM, MM_S, MW, Measured, Quantity, finite, nonnegative, positive, show, to_json
from .columns import COLUMNS
from .exposing import scan_of
from .slips import refuse_slips

__all__ = ["SAME", "Coupon", "CouponSet", "coupons_from_arrays", "coupons_from_table", "read_coupons"]


VARIED = ("power", "scan_speed", "hatch_spacing", "passes", "beam_radius")
_NAMES = ("resin", "lot", "machine", "power_meter", "gauge", "date", "operator", "note")
SAME = 1e-6  # relative; two exposures this close are one setting


@dataclass(frozen=True)
class Coupon:
    """One coupon: its exposure and its readings.

    Attributes
    ----------
    label : str
    exposure : Quantity [mJ/cm^2]
    readings : Quantity [mm], (r,)
    thickness : Quantity [mm]
        Mean of the readings.
    places : tuple of str
        Where each reading stands (`path:line`); empty for arrays.
    """

    label: str
    exposure: Quantity
    readings: Quantity
    thickness: Quantity
    places: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The coupon as it stands in JSON."""
        return {
            "coupon": self.label,
            "exposure": to_json(self.exposure),
            "thickness": to_json(self.thickness),
            "readings": to_json(self.readings)["value"],
        }


@dataclass(frozen=True)
class CouponSet:
    """Coupons as arrays in the lab set, in the order they first appear; `x` is ln of exposure in mJ/cm^2.

    `reading_of` maps each reading to its coupon. `settings` holds one array a coupon (power mW, scan_speed mm/s,
    beam_radius mm, hatch_spacing mm, passes) for those known. Arrays that are unknown are None.
    """

    labels: tuple[str, ...]
    exposure: np.ndarray
    thickness: np.ndarray
    counts: np.ndarray
    readings: np.ndarray
    reading_of: np.ndarray
    places: tuple[str, ...]
    thickness_sd: np.ndarray | None = None
    exposure_sd: np.ndarray | None = None
    temperature: np.ndarray | None = None
    run_order: np.ndarray | None = None
    settings: dict[str, np.ndarray] = field(default_factory=dict)
    exposure_min: np.ndarray | None = None
    exposure_max: np.ndarray | None = None
    computed_exposure: np.ndarray | None = None
    exposure_from: str = "as stated"
    names: dict[str, str] = field(default_factory=dict)
    wavelength: float | None = None
    gauge_resolution: float | None = None
    notes: tuple[str, ...] = ()
    path: str = ""
    sha256: str = ""
    raw: bytes = b""
    blank_rows: tuple[int, ...] = ()
    reasons: dict[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.labels)

    @property
    def x(self) -> np.ndarray:
        """ln(E / 1 mJ cm^-2), one a coupon."""
        return np.log(IN_CM2 * self.exposure)

    @property
    def levels(self) -> np.ndarray:
        """Number of its exposure, one a coupon: coupons of one number are replicates."""
        return groups_of(self.exposure, relative=SAME)

    @property
    def mean_temperature(self) -> Quantity | None:
        """Of the coupons whose temperature is stated; None where none is."""
        known = np.array([]) if self.temperature is None else self.temperature[np.isfinite(self.temperature)]
        return Quantity(float(known.mean()), DEGC) if known.size else None

    def without(self, labels: list[str]) -> CouponSet:
        """The same coupons with some left out; an unknown label is an error."""
        from ..files.tables import nearest

        for label in labels:
            if label not in self.labels:
                raise QuantityError(f"exclude: there is no coupon {label!r}. The nearest label is {nearest(label, self.labels)!r}.")
        keep = np.array([label not in labels for label in self.labels])
        if not keep.any():
            raise QuantityError("exclude: all coupons are left out. Keep at least three.")
        kept_reading = keep[self.reading_of]
        new_index = np.cumsum(keep) - 1

        def part(values: Any) -> Any:
            return None if values is None else values[keep]

        return replace(
            self,
            labels=tuple(label for label, k in zip(self.labels, keep) if k),
            exposure=self.exposure[keep],
            thickness=self.thickness[keep],
            counts=self.counts[keep],
            readings=self.readings[kept_reading],
            reading_of=new_index[self.reading_of[kept_reading]],
            places=tuple(p for p, k in zip(self.places, kept_reading) if k),
            thickness_sd=part(self.thickness_sd),
            exposure_sd=part(self.exposure_sd),
            temperature=part(self.temperature),
            run_order=part(self.run_order),
            settings={name: values[keep] for name, values in self.settings.items()},
            exposure_min=part(self.exposure_min),
            exposure_max=part(self.exposure_max),
            computed_exposure=part(self.computed_exposure),
        )

    def coupons(self) -> list[Coupon]:
        """One frozen record a coupon."""
        order = np.argsort(self.reading_of, kind="stable")
        ends = np.cumsum(self.counts)
        out = []
        for i, label in enumerate(self.labels):
            mine = order[ends[i] - self.counts[i] : ends[i]]
            out.append(
                Coupon(
                    label,
                    Quantity(IN_CM2 * float(self.exposure[i]), MJ_CM2),
                    Quantity(self.readings[mine], MM),
                    Quantity(float(self.thickness[i]), MM),
                    tuple(self.places[j] for j in mine) if self.places else (),
                )
            )
        return out


def read_coupons(path: str | Path, *, sheet: str | None = None, skip_blank: bool = False) -> CouponSet:
    """Coupons from a file: CSV with comma, semicolon or tab, or .xlsx.

    Parameters
    ----------
    path : str or Path
    sheet : str, optional
        Of a spreadsheet with more than one.
    skip_blank : bool
        Leave out rows whose thickness is blank (coupons of a plan not measured yet); otherwise they are an error.

    Returns
    -------
    CouponSet

    Raises
    ------
    FileError
        Unreadable file or cell, a coupon whose rows disagree, an exposure that is neither given nor computable.
    """
    return coupons_from_table(read_table(path, _columns(skip_blank), sheet=sheet), skip_blank=skip_blank)


def coupons_from_bytes(name: str, data: bytes, *, sheet: str | None = None, skip_blank: bool = False) -> CouponSet:
    """Like `read_coupons`, for bytes in memory."""
    return coupons_from_table(read_table_bytes(name, data, _columns(skip_blank), sheet=sheet), skip_blank=skip_blank)


def _columns(skip_blank: bool) -> dict[str, Column]:
    if not skip_blank:
        return COLUMNS
    return COLUMNS | {"thickness": replace(COLUMNS["thickness"], blank=True)}


def coupons_from_table(table: Table, *, skip_blank: bool = False) -> CouponSet:
    """Coupons from a table already read."""
    rows = np.arange(len(table))
    thickness = table["thickness"]
    blank: tuple[int, ...] = ()
    if skip_blank:
        measured = np.isfinite(thickness)
        blank = tuple(int(line) for line in table.lines[~measured])
        rows = rows[measured]
        if not rows.size:
            raise FileError(f"{table.path}: no row has a thickness yet. Measure the coupons and fill it in.")
    labels = [table["coupon"][i] for i in rows]
    first: dict[str, int] = {}
    reading_of = np.array([first.setdefault(label, len(first)) for label in labels])
    _, begin = np.unique(reading_of, return_index=True)
    one = _Grouped(table, rows, reading_of, rows[begin], tuple(first))
    settings = _settings(table, one)
    computed, low, high = _exposure_from_settings(table, settings, needed="exposure" not in table)
    given = one.column("exposure")
    exposure = given if given is not None else computed
    counts = np.bincount(reading_of)
    refuse_slips(table.path, thickness[rows], exposure, computed if given is not None else None)
    reasons = {table["coupon"][i]: table["reason"][i].strip() for i in rows if "reason" in table and table["reason"][i].strip()}
    return CouponSet(
        labels=tuple(first),
        exposure=exposure,
        thickness=np.bincount(reading_of, thickness[rows]) / counts,
        counts=counts,
        readings=thickness[rows],
        reading_of=reading_of,
        places=tuple(f"{table.path}:{line}" for line in table.lines[rows]),
        thickness_sd=one.root_mean_square("thickness_standard_uncertainty"),
        exposure_sd=one.column("exposure_standard_uncertainty"),
        temperature=one.mean("temperature"),
        run_order=one.mean("run_order"),
        settings=settings,
        exposure_min=low if given is None else None,
        exposure_max=high if given is None else None,
        computed_exposure=computed if given is not None else None,
        exposure_from="as stated" if given is not None else _how(settings),
        names={name: table.settings[name] for name in _NAMES if isinstance(table.settings.get(name), str)},
        wavelength=table.settings.get("wavelength"),
        gauge_resolution=table.settings.get("gauge_resolution"),
        notes=tuple(n for n in dict.fromkeys(table.columns.get("note", [])) if n),
        path=table.path,
        sha256=table.sha256,
        raw=table.raw,
        blank_rows=blank,
        reasons=reasons,
    )


class _Grouped:
    """Columns of a table brought to one value a coupon; rows of a coupon that disagree are an error."""

    def __init__(self, table: Table, rows: np.ndarray, group: np.ndarray, start: np.ndarray, labels: tuple[str, ...]) -> None:
        self.table, self.rows, self.group, self.start, self.labels = table, rows, group, start, labels

    def column(self, name: str) -> np.ndarray | None:
        if name not in self.table:
            return None
        values = self.table.value(name)
        own = values[self.start]
        off = np.abs(values[self.rows] - own[self.group]) > SAME * np.abs(own[self.group])
        if off.any():
            at = int(np.argmax(off))
            row, coupon = int(self.rows[at]), int(self.group[at])
            unit = self.table.units.get(name, "")
            from ..units import KINDS

            here, there = (
                show(Quantity(float(v), KINDS[self.table.kinds[name]].kernel)) if unit else f"{v:g}" for v in (values[row], own[coupon])
            )
            raise self.table.error(
                name,
                row=row,
                problem=f"coupon {self.labels[coupon]!r} has {name} {here} here and {there} in line "
                f"{int(self.table.lines[self.start[coupon]])}. Rows with one label are readings of one coupon: "
                "correct the value, or give the coupon another label.",
            )
        return own

    def mean(self, name: str) -> np.ndarray | None:
        if name not in self.table:
            return None
        values = self.table.value(name)[self.rows]
        known = np.isfinite(values)
        total = np.bincount(self.group, np.where(known, values, 0.0), len(self.labels))
        count = np.bincount(self.group, known, len(self.labels))
        with np.errstate(invalid="ignore", divide="ignore"):
            return total / count

    def root_mean_square(self, name: str) -> np.ndarray | None:
        if name not in self.table:
            return None
        square = np.bincount(self.group, self.table.value(name)[self.rows] ** 2, len(self.labels))
        return np.sqrt(square / np.bincount(self.group))


def _settings(table: Table, one: _Grouped) -> dict[str, np.ndarray]:
    widths = [n for n in ("beam_radius", "beam_diameter", "beam_fwhm") if n in table]
    if len(widths) > 1:
        raise table.error(widths[1], problem=f"the beam is given twice, as {widths[0]} and {widths[1]}. Keep one of them.", row=None)
    out = {}
    for name in ("power", "scan_speed", "hatch_spacing", "passes", "radius_ratio", "spot_angle", "track_angle", "pulse_rate"):
        values = one.column(name)
        if values is not None:
            out[name] = values
    tilt = one.column("incidence_angle")
    if tilt is not None and tilt.any():
        raise table.error(
            "incidence_angle",
            problem="coupons under a slanted beam follow another curve, less deep and gelling sooner. Expose "
            "them straight below the mirror, and leave this column out.",
            row=None if "incidence_angle" in table.settings else 0,
        )
    if widths:
        width = one.column(widths[0])
        assert width is not None
        factor = {"beam_radius": 1.0, "beam_diameter": 0.5, "beam_fwhm": 1.0 / FWHM_PER_RADIUS}[widths[0]]
        out["beam_radius"] = factor * width
    return out


def _how(settings: dict[str, np.ndarray]) -> str:
    if "hatch_spacing" in settings:
        return "raster mean, P N/(v h)"
    return "peak of one line, sqrt(2/pi) P N/(W0 v)"


def _exposure_from_settings(table: Table, settings: dict[str, np.ndarray], *, needed: bool) -> tuple[Any, Any, Any]:
    """Exposure mJ/mm^2 with the weakest and strongest place of a raster, or None where the settings do not suffice."""
    missing = [n for n in ("power", "scan_speed") if n not in settings]
    if "hatch_spacing" not in settings and "beam_radius" not in settings:
        missing.append("hatch_spacing (for a raster) or beam_radius, beam_diameter or beam_fwhm (for single lines)")
    if missing:
        if not needed:
            return None, None, None
        have = f"found {', '.join(settings)}; " if settings else ""
        raise FileError(
            f"{table.path}:{table.header_line}: no column 'exposure', and it cannot be computed: {have}missing "
            f"{', '.join(missing)}. Give the exposure, or these settings."
        )
    scan = scan_of(settings)
    mean = light.mean(scan)
    if scan.spacing is None or scan.spot is None:
        return mean, None, None
    dose = light.doses(scan)
    return mean, dose["min"], dose["max"]


def coupons_from_arrays(
    *,
    exposure: Quantity,
    thickness: Quantity,
    coupon: Any | None = None,
    thickness_uncertainty: Quantity | None = None,
    exposure_uncertainty: Quantity | None = None,
    power: Quantity | None = None,
    scan_speed: Quantity | None = None,
    temperature: Any | None = None,
    run_order: Any | None = None,
) -> CouponSet:
    """Coupons from arrays of quantities, one entry a reading; without labels each entry is a coupon of its own.

    Raises
    ------
    QuantityError
        Different lengths, values out of range, labels whose entries disagree in exposure.
    """
    if isinstance(thickness, Measured) or isinstance(exposure, Measured):
        raise QuantityError("thickness and exposure must be arrays of quantities. Give uncertainties in their own arguments.")
    y = np.atleast_1d(positive("thickness", thickness, MM))
    n = y.size
    e = _same_length("exposure", positive("exposure", exposure, MJ_CM2), n) / IN_CM2
    if y.ndim != 1:
        raise QuantityError(f"thickness must have one axis, got {y.ndim}. For many lots at once use fit_lots.")
    labels = [str(i + 1) for i in range(n)] if coupon is None else [str(c) for c in np.atleast_1d(np.asarray(coupon)).ravel()]
    if len(labels) != n:
        raise QuantityError(f"coupon has {len(labels)} labels for {n} readings. Give one label a reading.")
    first: dict[str, int] = {}
    group = np.array([first.setdefault(label, len(first)) for label in labels])
    _, start = np.unique(group, return_index=True)
    off = np.abs(e - e[start][group]) > SAME * e[start][group]
    if off.any():
        at = int(np.argmax(off))
        raise QuantityError(
            f"exposure at index {at} is {IN_CM2 * e[at]:.6g} mJ/cm^2, but coupon {labels[at]!r} has "
            f"{IN_CM2 * e[start][group][at]:.6g} mJ/cm^2 before. Give it another label."
        )
    counts = np.bincount(group)

    def squared(name: str, value: Any, unit: Any, factor: float) -> Any:
        if value is None:
            return None
        each = _same_length(name, positive(name, value, unit), n) * factor
        return np.sqrt(np.bincount(group, each**2) / counts)

    def plain(name: str, value: Any, unit: Any) -> Any:
        if value is None:
            return None
        return np.bincount(group, _same_length(name, nonnegative(name, value, unit), n)) / counts

    settings = {
        k: v for k, v in (("power", plain("power", power, MW)), ("scan_speed", plain("scan_speed", scan_speed, MM_S))) if v is not None
    }
    order = None if run_order is None else np.bincount(group, _same_length("run_order", np.asarray(run_order, float), n)) / counts
    warm = None
    if temperature is not None:
        warm = np.bincount(group, _same_length("temperature", finite("temperature", temperature, DEGC), n)) / counts
    return CouponSet(
        labels=tuple(first),
        exposure=e[start],
        thickness=np.bincount(group, y) / counts,
        counts=counts,
        readings=y,
        reading_of=group,
        places=(),
        thickness_sd=squared("thickness_uncertainty", thickness_uncertainty, MM, 1.0),
        exposure_sd=squared("exposure_uncertainty", exposure_uncertainty, MJ_CM2, 0.01),
        temperature=warm,
        run_order=order,
        settings=settings,
    )


def _same_length(name: str, values: Any, n: int) -> np.ndarray:
    values = np.asarray(values, dtype=float)
    if values.ndim == 0:
        return np.full(n, float(values))
    if values.shape != (n,):
        raise QuantityError(f"{name} has shape {values.shape}, thickness has {n} readings. Give one value a reading, or one for all.")
    return values
