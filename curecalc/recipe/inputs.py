"""Machine, resin and needs to tasks: limits and errors as floats, and what disagrees between the three files."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import Any

from ..errors import FileError, NoSolution, QuantityError
from ..jobs.lot import Lot
from ..jobs.machine import Machine
from ..jobs.needs import Needs, VectorNeeds
from ..physics.laws import Law, Plain
from ..physics.light import Gaussian
from ..physics.motion import RUN_UPS
from ..setting.model import WAVELENGTHS_APART
from ..units import DEGC, HZ, MM, MM_S, MM_S2, MW, NM, RAD, Quantity, S, measured, show, show_span
from .assurance import Curve, Errors, curve_from_covariance
from .bounds import INFINITE, Hold, RunUp, Task, bounds_of, number_of
from .field import far_corner, measured_places, on_field
from .light import ROUND, Pattern

__all__ = ["Cancelling", "Inputs", "curve_of", "gather"]

_LN_100 = math.log(100.0)  # mJ/cm^2 to mJ/mm^2
_WARM = 1.0  # kelvin between coupons and vat that deserve a word
_REFUSED = 10.0


@dataclass(frozen=True)
class Cancelling:
    """Which systematic errors the coupons and the build share, and the sentence that says so."""

    power_scale: bool
    beam_radius: bool
    sentence: str


@dataclass(frozen=True)
class Inputs:
    """Tasks in the order of the needs, what cancels, warnings about the files, and the places of a measured field."""

    tasks: tuple[Task, ...]
    curve: Curve
    errors: Errors
    cancelling: Cancelling
    warnings: tuple[str, ...]
    places: tuple[Hold, ...] = ()


def curve_of(lot: Lot) -> Curve:
    """The lot's working line in the lab set (x = ln of mJ/mm^2), under the resin's cure law."""
    line, resin = lot.line, lot.resin
    low, high = (e - _LN_100 if math.isfinite(e) else None for e in (line.x_low, line.x_high))
    threshold = line.log_threshold - _LN_100
    if resin.law is Plain:
        return Curve(
            penetration_depth=line.penetration_depth,
            log_threshold=threshold,
            centre=line.x_mean - _LN_100,
            centre_variance=line.mean_variance,
            slope_variance=line.slope_variance,
            layer_variance=line.coupon_variance,
            degrees_of_freedom=line.t_degrees_of_freedom,
            low=low,
            high=high,
        )
    unsure = tuple(
        (name, float(measured(getattr(resin, name)).relative))
        for name in resin.law_units
        if name not in ("penetration_depth", "critical_exposure") and measured(getattr(resin, name)).relative
    )
    dp, back = line.penetration_depth, line.log_threshold - line.x_mean
    law = resin.law(**resin.constants() | {"penetration_depth": dp, "critical_exposure": math.exp(threshold)})
    # what the coupons say of Dp and ln Ec, carried to the rise of depth and to the depth that a change of ln Ec makes
    rise = float(law.reach or dp)
    scale, edge = rise / dp, float(law.slope(law.critical_exposure)) / rise
    if law.exponent != 1.0:  # the coupons' exposures are no doses of this law
        low = high = None
    return curve_from_covariance(
        penetration_depth=rise,
        log_threshold=threshold,
        variance_depth=line.slope_variance * scale**2,
        variance_log=(line.mean_variance + back**2 * line.slope_variance) / dp**2 * edge**2,
        covariance=-back * line.slope_variance / dp * scale * edge,
        layer_variance=line.coupon_variance,
        degrees_of_freedom=line.t_degrees_of_freedom,
        low=low,
        high=high,
        law=law,
        unsure=unsure,
    )


def _same(a: str, b: str) -> bool:
    return bool(a.strip()) and a.strip().lower() == b.strip().lower()


def _cancelling(machine: Machine, lot: Lot) -> Cancelling:
    here = _same(machine.name, lot.machine)
    meter = here and _same(machine.power_meter, lot.power_meter)
    if not lot.verified:
        said = "The resin values are from a data sheet, not from this machine: no systematic error cancels."
    elif not here:
        said = (
            f"The coupons were made on {lot.machine or 'a machine the resin file does not name'}, not on {machine.name}: "
            "systematic errors of power and beam do not cancel."
        )
    elif not meter:
        said = (
            "Coupons and build share the machine but not, or not surely, the power meter: the beam's systematic error cancels, "
            "the meters' do not."
        )
    else:
        lines = "in lines" if not lot.raster else "as far as rasters depend on it"
        said = f"Coupons and build share machine and power meter: the meter's scale error cancels, the beam's {lines}."
    return Cancelling(meter, here, said)


def errors_of(machine: Machine, lot: Lot, cancelling: Cancelling) -> Errors:
    """The budget of what may differ between coupons and build."""
    w = lot.resin.constants().get("exponent", 1.0)
    coupon_power = (2.0 if lot.raster else 1.0) - 2.0 * w
    # what the coupons of one day have in common: that day's power and spot, as repeatable as the machine's
    scale = math.hypot(float(machine.power.relative), coupon_power * machine.beam_radius_repeatability) if lot.verified else 0.0
    if not cancelling.power_scale:
        scale = math.hypot(scale, machine.power_scale_uncertainty, lot.power_scale_uncertainty)
    if not cancelling.beam_radius:
        scale = math.hypot(scale, coupon_power * lot.beam_radius_scale_uncertainty)
    return Errors(
        power=float(machine.power.relative),
        exposure_scale=scale,
        beam_radius=machine.beam_radius_repeatability,
        beam_radius_scale=machine.beam_radius_scale_uncertainty,
        coupon_radius_power=coupon_power if cancelling.beam_radius else None,
        scan_speed=machine.scan_speed_uncertainty,
        hatch_spacing=machine.hatch_spacing_uncertainty,
        layer_thickness=float(machine.layer_thickness_variation.m_as(MM)),
        depth_bias=float(lot.thickness_bias_uncertainty.m_as(MM)),
    )


def gather(machine: Machine, lot: Lot, needs: Needs, *, today: datetime.date | None = None) -> Inputs:
    """Tasks of all kinds of vector, after the files were checked against each other.

    Raises
    ------
    FileError
        The files contradict each other: another wavelength, a vat far from the coupons' temperature.
    NoSolution
        A layer, or a given setting, outside what the machine can do.
    """
    if not isinstance(lot, Lot):
        raise QuantityError(
            f"resin must be a lot, as read_resin reads it or lot_of_fit makes it, got {type(lot).__name__}: a recipe asks how surely the "
            "resin is known."
        )
    day = today or datetime.date.today()
    warnings = [*lot.warnings, *_agree(machine, lot, needs, day)]
    _layer_in_range(machine, needs)
    cancelling = _cancelling(machine, lot)
    curve, errors = curve_of(lot), errors_of(machine, lot, cancelling)
    index = float(lot.resin.refractive_index)
    places = measured_places(machine, index)
    tasks = tuple(on_field(_task(machine, needs, one, curve, errors, index), places) for one in needs.vectors)
    for one, task in zip(needs.vectors, tasks):
        warnings += _depth_covered(lot, one, task)
    return Inputs(tasks, curve, errors, cancelling, tuple(dict.fromkeys(warnings)), places)


# ---------------------------------------------------------------- do the files agree


def _agree(machine: Machine, lot: Lot, needs: Needs, day: datetime.date) -> list[str]:
    notes = []
    resin = lot.resin
    if resin.wavelength is not None:
        there, here = float(resin.wavelength.m_as(NM)), float(machine.wavelength.m_as(NM))
        if abs(here - there) > WAVELENGTHS_APART:
            raise FileError(
                f"{lot.path}: wavelength: the resin was measured at {there:g} nm, the laser of {machine.path} has {here:g} nm: "
                "Dp and Ec do not carry over. Calibrate the resin with this laser."
            )
    notes += _temperatures(machine, lot, needs)
    if float(machine.power.relative) == 0.0:
        notes.append(
            "The power states no standard uncertainty: what it may change by until the next reading is not counted. "
            "Write it, like 240 mW +- 1 %."
        )
    age, valid = machine.reading_age_days(day), float(machine.power_reading_valid_for.m_as(S)) / 86400.0
    if age > valid:
        notes.append(
            f"The power was read {age} days ago ({machine.power_reading_date}), longer than the {valid:g} days it counts for. "
            "Read it again, then retune."
        )
    if lot.verified and not _same(machine.name, lot.machine):
        notes.append(
            f"The resin file was made on {lot.machine or 'an unnamed machine'}, this is {machine.name}: systematic errors do not "
            "cancel; what the two files state of them is counted."
        )
    elif lot.verified and not _same(machine.power_meter, lot.power_meter):
        notes.append(
            f"The coupons' power was read with {lot.power_meter or 'an unnamed meter'}, now with "
            f"{machine.power_meter or 'an unnamed meter'}: the meters' scale errors do not cancel."
        )
    shared = _same(machine.name, lot.machine) and _same(machine.power_meter, lot.power_meter)
    if lot.verified and not shared and lot.power_scale_uncertainty == 0.0:
        notes.append(
            "This recipe cannot promise its assurance: the resin file states no uncertainty of the power scale of its coupons. "
            "Fit again (curecalc fit --power-scale-uncertainty), or expose coupons on this machine with this meter."
        )
    return notes


def _temperatures(machine: Machine, lot: Lot, needs: Needs) -> list[str]:
    notes = []
    vat, coupons = needs.temperature, lot.resin.temperature
    if vat is not None and coupons is not None:
        apart = float(vat.m_as(DEGC)) - float(coupons.m_as(DEGC))
        if abs(apart) > _REFUSED:
            raise FileError(
                f"{needs.path}: temperature: the vat at {show(vat)} is {abs(apart):.3g} K from the coupons of {lot.path} "
                f"({show(coupons)}): the working curve does not carry over. Calibrate at the vat's temperature."
            )
        if abs(apart) > _WARM:
            notes.append(
                f"The vat is at {show(vat)}, the coupons were at {show(coupons)}: the curve shifts with temperature; "
                "calibrate there or bring the vat to it."
            )
    if vat is not None:
        for bound, word in ((machine.temperature_min, "below"), (machine.temperature_max, "above")):
            if bound is None:
                continue
            if vat < bound if word == "below" else vat > bound:
                notes.append(f"The vat at {show(vat)} is {word} the machine's limit of {show(bound)}.")
    return notes


def _layer_in_range(machine: Machine, needs: Needs) -> None:
    layer, low, high = needs.layer_thickness, machine.layer_thickness_min, machine.layer_thickness_max
    for beyond, word in ((float((low - layer).m_as(MM)), "below"), (float((layer - high).m_as(MM)), "above")):
        if beyond > 1e-9:
            where = needs.lines.get(("layer_thickness",))
            raise NoSolution(
                f"{needs.path}{f':{where}' if where else ''}: layer_thickness of {show(layer)} is {word} what the machine makes, "
                f"{show_span(low, high)}.",
                limit="layer range",
                remedy="Choose a layer inside the range.",
            )


def _depth_covered(lot: Lot, one: VectorNeeds, task: Task) -> list[str]:
    if lot.depth_range is None:
        return []
    low, high = (float(d.m_as(MM)) for d in lot.depth_range)
    if low - 1e-9 <= task.depth <= high + 1e-9:
        return []
    side = "deeper" if task.depth > high else "shallower"
    return [f"{one.kind}: a depth of {task.depth:.4g} mm is {side} than the coupons reached ({show_span(*lot.depth_range)}): extrapolated."]


# ---------------------------------------------------------------- tasks


def _given(
    machine: Machine, needs: Needs, one: VectorNeeds, key: str, unit: Any, low: float, high: float, name: str
) -> tuple[float, float]:
    """Range of a setting: the given value, or the machine's range cut by the needs; refused where they do not meet."""
    value = getattr(one, key)
    if value is not None:
        number = float(value.m_as(unit))
        if not low * (1.0 - 1e-9) <= number <= high * (1.0 + 1e-9):
            _outside(machine, needs, one, key, value, low, high, unit, name)
        return number, number
    for end in ("min", "max"):
        bound = getattr(one, f"{key}_{end}", None)
        if bound is None:
            continue
        number = float(bound.m_as(unit))
        if (end == "min" and number > high * (1.0 + 1e-9)) or (end == "max" and number < low * (1.0 - 1e-9)):
            _outside(machine, needs, one, f"{key}_{end}", bound, low, high, unit, name)
        low, high = (max(low, number), high) if end == "min" else (low, min(high, number))
    return low, high


def _outside(
    machine: Machine, needs: Needs, one: VectorNeeds, key: str, value: Quantity, low: float, high: float, unit: Any, name: str
) -> None:
    line = needs.lines.get(("vectors", one.place, key))
    where = f"{needs.path}:{line}" if line else needs.path
    span = show_span(Quantity(low, unit), Quantity(high, unit))
    if low == high:
        span = f"{show(Quantity(high, unit))} only"
    elif high == INFINITE:
        span = f"from {show(Quantity(low, unit))}"
    raise NoSolution(
        f"{where}: {one.kind}: {key} of {show(value)} is outside what {machine.name} allows, {span}.",
        limit=name,
        remedy="Change it, or the machine file if the machine allows more.",
    )


def _held(machine: Machine, needs: Needs, one: VectorNeeds, index: float) -> Hold | None:
    """The far corner of the field, where it is to get the depth too."""
    if not one.hold_at_field_edge:
        return None
    corner = far_corner(machine, index)
    if corner is None:
        line = needs.lines.get(("vectors", one.place, "hold_at_field_edge"))
        raise FileError(
            f"{needs.path}{f':{line}' if line else ''}: hold_at_field_edge: the machine file states no field_width, field_length and "
            "beam_height. Add them there, or leave this out."
        )
    return corner


def _pattern(machine: Machine, one: VectorNeeds, pulses: float | None, law: Law) -> Pattern:
    """The pattern with the machine's spot; of an ellipse the directions the needs name, else those along its own axes."""
    spot: Gaussian = ROUND
    tracks: tuple[float, ...] = (0.0,)
    turned = 0.0
    if machine.radius_ratio != 1.0:
        angle = float(machine.spot_angle.value.m_as(RAD))
        turned = float(machine.spot_angle.standard_uncertainty.m_as(RAD))
        spot = Gaussian(1.0, machine.radius_ratio, angle)
        tracks = (angle, angle + 0.5 * math.pi)
        if one.cross_hatch:
            tracks = (angle, angle + 0.25 * math.pi)
    if one.track_angle is not None:
        tracks = (float(one.track_angle.m_as(RAD)),)
    return Pattern(one.raster, one.passes or 1, one.cross_hatch, pulses, spot, tracks, law.exponent, law.reference_irradiance, turned)


def _task(machine: Machine, needs: Needs, one: VectorNeeds, curve: Curve, errors: Errors, index: float) -> Task:
    thickness = float(needs.layer_thickness.m_as(MM))
    available = float(machine.power.value.m_as(MW))
    own: dict[str, tuple[Any, float, float, str]] = {
        "power": (MW, number_of(machine.power_min, MW, available), available, "laser power"),
        "beam_radius": (MM, number_of(machine.beam_radius_min, MM), number_of(machine.beam_radius_max, MM), "spot range"),
        "scan_speed": (MM_S, number_of(machine.scan_speed_min, MM_S), number_of(machine.scan_speed_max, MM_S), "scanner speed"),
    }
    if one.raster:
        own["hatch_spacing"] = (
            MM,
            number_of(machine.hatch_spacing_min, MM, 0.0),
            number_of(machine.hatch_spacing_max, MM),
            "hatch spacing",
        )
    ranges = {key: _given(machine, needs, one, key, *whole) for key, whole in own.items()}
    law = curve.cure
    if law.exponent != 1.0 and machine.pulse_rate is not None:
        raise FileError(
            f"{machine.path}: pulse_rate: a pulsed laser and a resin in which reciprocity fails cannot go together: the law would need the "
            "length of the pulses. Leave pulse_rate out for a laser that pulses so fast that it counts as continuous."
        )
    pulses = None if machine.pulse_rate is None else float(machine.pulse_rate.m_as(HZ))
    return Task(
        kind=one.kind,
        pattern=_pattern(machine, one, pulses, law),
        layer_thickness=thickness,
        depth=one.depth(thickness),
        assurance=needs.assurance if one.assurance is None else one.assurance,
        single=needs.single_layer,
        curve=curve,
        errors=errors,
        bounds=bounds_of(machine, one, ranges),
        layers=INFINITE if needs.layers_above is None else float(needs.layers_above + 1),
        vector_length=number_of(one.vector_length, MM),
        acceleration=number_of(machine.acceleration, MM_S2),
        settling=float(machine.settling_time.m_as(S)),
        move_speed=number_of(machine.move_speed, MM_S),
        run_up=RunUp(RUN_UPS[machine.run_up_beam], needs.speed_reached, needs.judged_from),
        assured_limits=needs.limits_by == "assurance",
        hold=_held(machine, needs, one, index),
        able=tuple((key, low, high) for key, (_, low, high, _) in own.items() if getattr(one, key) is not None),
        corner_speed=number_of(machine.corner_speed, MM_S, 0.0),
        reserve=-law.exponent * math.log1p(-needs.power_reserve),
    )
