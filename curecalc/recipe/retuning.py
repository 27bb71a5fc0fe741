"""New speeds after a new power or spot reading, beside the old ones, with the reason, and whether coupons are due instead."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from ..errors import NoSolution, QuantityError
from ..files.records import keys_of
from ..jobs.lot import Lot
from ..jobs.machine import Machine, spot_readings
from ..jobs.needs import Needs
from ..symbols import percent
from ..units import MM, MM_S, MW, Measured, Quantity, Shown, show, to_json
from .recipe import make_recipe
from .record import Recipe, VectorRecipe

__all__ = ["Change", "Retuned", "machine_after", "retune", "shown"]

_POWER_STEP = 0.3  # a change of irradiance beyond which reciprocity is no longer taken for granted
_SPOT_STEP = 0.1
_SLIP = 10.0  # times the earlier value: no drift but a slip of a unit or a digit
_LOT_DAYS = 90
_SAME = 1e-4  # relative change that is none


@dataclass(frozen=True)
class Change:
    """Old and new settings of one kind of vector; shares are of the greatest power as read then and now."""

    kind: str
    old_speed: Quantity
    new_speed: Quantity
    old_power: Quantity
    new_power: Quantity
    old_share: float
    new_share: float
    old_radius: Quantity
    new_radius: Quantity
    old_spacing: Quantity | None
    hatch_spacing: Quantity | None
    reason: str

    @property
    def speed_change(self) -> float:
        """New speed over old, less one."""
        return float((self.new_speed / self.old_speed).m_as("dimensionless")) - 1.0

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "kind": self.kind,
            "old": {
                "scan_speed": to_json(self.old_speed),
                "power": to_json(self.old_power),
                "power_share": self.old_share,
                "beam_radius": to_json(self.old_radius),
            },
            "new": {
                "scan_speed": to_json(self.new_speed),
                "power": to_json(self.new_power),
                "power_share": self.new_share,
                "beam_radius": to_json(self.new_radius),
            },
            "old_hatch_spacing": None if self.old_spacing is None else to_json(self.old_spacing),
            "hatch_spacing": None if self.hatch_spacing is None else to_json(self.hatch_spacing),
            "speed_change": self.speed_change,
            "reason": self.reason,
        }


@dataclass(frozen=True)
class Retuned(Shown):
    """The new recipe, the changes kind by kind, and why coupons are due instead, if they are."""

    recipe: Recipe
    changes: tuple[Change, ...]
    recalibrate: tuple[str, ...]
    power_ratio: float
    radius_ratio: float
    radius_factor: float
    earlier_reading_wrong: bool = False
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of `retune`."""
        return {
            "changes": [one.to_dict() for one in self.changes],
            "recalibrate": list(self.recalibrate),
            "power_ratio": self.power_ratio,
            "beam_radius_ratio": self.radius_ratio,
            "earlier_reading_wrong": self.earlier_reading_wrong,
            "notes": list(self.notes),
            "recipe": self.recipe.to_dict(),
            "readings": self.readings(),
        }

    def readings(self) -> dict[str, Any]:
        """What was read since the machine file was written, for a saved recipe."""
        m = self.recipe.machine
        return {
            "power": to_json(m.power),
            "power_reading_date": m.power_reading_date.isoformat(),
            "power_meter": m.power_meter,
            "beam_radius_factor": self.radius_factor,
            **spot_readings(m),
            **({"exposures_scaled_by": self.power_ratio} if self.earlier_reading_wrong else {}),
        }


def _number(record: dict[str, Any], key: str) -> float | None:
    one = record.get(key)
    return None if one is None else float(one["value"])


def retune(
    *,
    machine: Machine,
    resin: Lot,
    needs: Needs,
    old: dict[str, Any],
    power: Measured | None = None,
    beam_radius: tuple[Quantity, Quantity] | None = None,
    power_meter: str | None = None,
    earlier_reading_wrong: bool = False,
    today: datetime.date | None = None,
) -> Retuned:
    """Solve a recipe again for a new reading; beam settings, passes and, where limits allow, spacings stay what they were.

    Parameters
    ----------
    machine, resin, needs : as the old recipe was made from
    old : dict
        The old recipe's JSON object.
    power : Measured, optional
        The new reading of the greatest power at the surface.
    beam_radius : tuple of Quantity, optional
        The radius a setting was taken to have, and the radius now measured there; all radii are scaled alike.
    power_meter : str, optional
        Where the new reading was made with another meter.
    earlier_reading_wrong : bool
        The laser is what it was and the earlier reading was off: then the coupons' exposures were off by the same factor, and so is the
        critical exposure. Otherwise the laser has drifted.
    today : date, optional

    Raises
    ------
    QuantityError
        Neither reading given, or one ten times the earlier value or a tenth of it.
    NoSolution
        The needs cannot be met any longer.
    """
    if power is None and beam_radius is None:
        raise QuantityError("a new reading is missing: give the power, or the beam radius now measured.")
    day = today or datetime.date.today()
    before = float(machine.power.value.m_as(MW))
    ratio = 1.0 if power is None else _drift("power", machine.power.value, power.value)
    factor = 1.0 if beam_radius is None else _drift("beam_radius", *beam_radius)
    now = machine_after(machine, power, factor, power_meter, day)
    lot = with_exposures_scaled(resin, ratio) if earlier_reading_wrong else resin
    kinds = {v["kind"]: v for v in old["vectors"]}
    held = tuple(_held(one, kinds.get(one.kind), factor) for one in needs.vectors)
    try:
        recipe, moved = make_recipe(machine=now, resin=lot, needs=replace(needs, vectors=held), today=day), False
    except NoSolution as refused:
        # the old spacings cannot be kept: choose them anew, within the needs
        free = tuple(
            replace(one, hatch_spacing=own.hatch_spacing, hatch_spacing_min=own.hatch_spacing_min, hatch_spacing_max=own.hatch_spacing_max)
            for one, own in zip(held, needs.vectors)
        )
        if free == held:
            raise
        try:
            recipe, moved = make_recipe(machine=now, resin=lot, needs=replace(needs, vectors=free), today=day), True
        except NoSolution:
            raise NoSolution(
                f"{refused} Retuning keeps the spots of the old recipe: make a new recipe instead.", limit=refused.limit
            ) from None
    changes = tuple(_change(one, kinds[one.kind], (before, before * ratio), factor, now) for one in recipe.vectors if one.kind in kinds)
    # what was extrapolated before is no reason that this change brings
    known = {str(w).split(":")[0] for w in old.get("warnings") or () if "extrapolated" in str(w)}
    return Retuned(
        recipe,
        changes,
        tuple(_due(machine, now, lot, recipe, 1.0 if earlier_reading_wrong else ratio, factor, day, known)),
        ratio,
        factor,
        factor * float((old.get("readings") or {}).get("beam_radius_factor", 1.0)),
        earlier_reading_wrong,
        tuple(_remarks(power is not None and ratio != 1.0, earlier_reading_wrong, moved)),
    )


def _drift(name: str, old: Quantity, new: Quantity) -> float:
    """How many times the earlier value the new one is."""
    times = float((new / old).m_as("dimensionless"))
    if not 1.0 / _SLIP < times < _SLIP:
        raise QuantityError(
            f"{name} of {show(new)} is {times:.3g} times the earlier {show(old)}, more than anything drifts. Check the unit and the "
            "decimal point, or make a new recipe for another laser."
        )
    return times


def _remarks(read: bool, wrong: bool, moved: bool) -> Iterator[str]:
    if moved:
        yield "The old hatch spacings cannot be kept inside the limits with this spot: they were chosen anew."
    if read and wrong:
        yield "The earlier reading was taken as wrong: the coupons' exposures, so the critical exposure too, are corrected alike."
    elif read:
        yield "The laser was taken to have drifted. If the earlier reading was wrong instead, say so: the speeds then hardly change."


def with_exposures_scaled(lot: Lot, factor: float) -> Lot:
    """The lot as if every exposure of its coupons had been that many times as large."""
    changes: dict[str, Any] = {}
    for name, (key, _) in keys_of(Lot).items():
        value = getattr(lot, name) if key.kind in ("exposure", "irradiance") else None
        if isinstance(value, Measured):
            changes[name] = Measured(factor * value.value, factor * value.standard_uncertainty)
        elif value is not None:
            changes[name] = factor * value
    depths = tuple(replace(one, exposure=factor * one.exposure) for one in lot.depths)
    return replace(lot, depths=depths, **changes)


def machine_after(machine: Machine, power: Measured | None, factor: float, meter: str | None, day: datetime.date) -> Machine:
    """The machine after new readings: power (at a date, by a meter), radii multiplied by a factor."""
    changes: dict[str, Any] = {}
    if power is not None:
        if float(power.standard_uncertainty.m) == 0.0:  # a bare reading is as uncertain as the last one, relatively
            power = Measured(power.value, float(machine.power.relative) * power.value)
        least = machine.power_min
        if least is not None and least > power.value:
            least = power.value
        changes |= {"power": power, "power_min": least, "power_reading_date": day}
    if factor != 1.0:
        changes |= {"beam_radius_min": factor * machine.beam_radius_min, "beam_radius_max": factor * machine.beam_radius_max}
    if meter is not None:
        changes["power_meter"] = meter
    return replace(machine, **changes)


def _held(one: Any, was: dict[str, Any] | None, factor: float) -> Any:
    """The needs of a kind with beam, spacing and passes as they were (the beam as now measured)."""
    if was is None:
        return one
    radius, spacing = _number(was, "beam_radius"), _number(was, "hatch_spacing")
    assert radius is not None
    return replace(
        one,
        beam_radius=Quantity(radius * factor, MM),
        beam_radius_min=None,
        beam_radius_max=None,
        hatch_spacing=None if spacing is None else Quantity(spacing, MM),
        hatch_spacing_min=None,
        hatch_spacing_max=None,
        passes=int(was["passes"]),
        ripple_max=_eased(one.ripple_max, was.get("ripple")),
        print_through_max=_eased(one.print_through_max, was.get("print_through_max")),
    )


def _eased(limit: Quantity | None, was: dict[str, Any] | None) -> Quantity | None:
    """A limit at which the old settings stood to the last digit may not refuse the same settings for rounding."""
    if limit is None or was is None:
        return limit
    number, stood = float(limit.m_as(MM)), float(was["value"])
    near = abs(number - stood) < _SAME * abs(number)
    return Quantity(max(number, stood) + 1e-6 * abs(number), MM) if near else limit


def _change(one: VectorRecipe, was: dict[str, Any], full: tuple[float, float], factor: float, machine: Machine) -> Change:
    """Old and new settings with the reason; `full` is the greatest power then and now (mW)."""
    speed, power, radius = (float(was[key]["value"]) for key in ("scan_speed", "power", "beam_radius"))
    spacing = _number(was, "hatch_spacing")
    moved = float(one.scan_speed.m_as(MM_S)) / speed
    light = float(one.power.m_as(MW)) / power
    shares = power / full[0], float(one.power.m_as(MW)) / full[1]
    parts = []
    if abs(light - 1.0) > _SAME:
        parts.append(f"power {percent(light - 1.0, '+.1f')}")
    if factor != 1.0:
        parts.append(f"beam radius {percent(factor - 1.0, '+.1f')}")
    if spacing is not None and one.hatch_spacing is not None and abs(float(one.hatch_spacing.m_as(MM)) / spacing - 1.0) > _SAME:
        parts.append(f"hatch spacing {percent(float(one.hatch_spacing.m_as(MM)) / spacing - 1.0, '+.1f')}")
    if abs(moved - 1.0) < _SAME:
        together = f": {' and '.join(parts)} make up for each other" if len(parts) > 1 else f", {parts[0]}" if parts else ""
        reason = "the speed stays" + together
    else:
        reason = f"speed {percent(moved - 1.0, '+.1f')}"
        reason += f" for {' and '.join(parts)}" if parts else " for the changed uncertainty"
    if not machine.power_held and abs(shares[1] - shares[0]) > _SAME:
        reason += f"; the machine takes shares of full power: set {percent(shares[1], '.1f')} instead of {percent(shares[0], '.1f')}"
    elif not parts and abs(moved - 1.0) < _SAME:
        reason += "; nothing changed here"
    return Change(
        one.kind,
        Quantity(speed, MM_S),
        one.scan_speed,
        Quantity(power, MW),
        one.power,
        *shares,
        Quantity(radius, MM),
        one.beam_radius,
        None if spacing is None else Quantity(spacing, MM),
        one.hatch_spacing,
        reason,
    )


def _due(
    machine: Machine, now: Machine, resin: Lot, recipe: Recipe, ratio: float, factor: float, day: datetime.date, said: set[str]
) -> list[str]:
    """Reasons to expose coupons instead of trusting new speeds."""
    reasons = []
    if abs(ratio - 1.0) > _POWER_STEP:
        reasons.append(
            f"The power changed by {percent(ratio - 1.0, '+.0f')}: at another irradiance the resin may "
            "not cure alike for the same exposure."
        )
    known = math.hypot(machine.beam_radius_scale_uncertainty, machine.beam_radius_repeatability)
    if abs(factor - 1.0) > max(_SPOT_STEP, 3.0 * known):
        reasons.append(
            f"The beam radius changed by {percent(factor - 1.0, '+.0f')}, more than its uncertainty "
            "explains: the coupons were made with another beam."
        )
    if now.power_meter.strip().lower() != machine.power_meter.strip().lower():
        reasons.append(
            f"The power was read with {now.power_meter}, the coupons with "
            f"{resin.power_meter or 'another meter'}: the scale no longer cancels."
        )
    reasons += [w for w in recipe.warnings if "extrapolated" in w and w.split(":")[0] not in said]
    with suppress(ValueError):
        age = (day - datetime.date.fromisoformat(resin.date[:10])).days
        if age > _LOT_DAYS:
            reasons.append(f"The coupons are {age} days old, more than {_LOT_DAYS}: lots drift.")
    if not resin.verified:
        reasons.append("The resin values were never proved on coupons.")
    return reasons


def shown(change: Change) -> tuple[str, str, str]:
    """Kind, old and new settings as people read them."""
    old = f"{show(change.old_speed)} at {show(change.old_power)}"
    return change.kind, old, f"{show(change.new_speed)} at {show(change.new_power)}"
