"""New speeds after a new power or spot reading, beside the old ones, with the reason, and whether coupons are due instead."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, replace
from typing import Any

from ..errors import QuantityError
from ..jobs.lot import Lot
from ..jobs.machine import Machine
from ..jobs.needs import Needs
from ..units import MM, MM_S, MW, Measured, Quantity, Shown, show, to_json
from .recipe import make_recipe
from .record import Recipe

__all__ = ["Change", "Retuned", "machine_after", "retune", "shown"]

_POWER_STEP = 0.3  # a change of irradiance beyond which reciprocity is no longer taken for granted
_SPOT_STEP = 0.1
_LOT_DAYS = 90


@dataclass(frozen=True)
class Change:
    """Old and new settings of one kind of vector."""

    kind: str
    old_speed: Quantity
    new_speed: Quantity
    old_power: Quantity
    new_power: Quantity
    old_radius: Quantity
    new_radius: Quantity
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
            "old": {"scan_speed": to_json(self.old_speed), "power": to_json(self.old_power), "beam_radius": to_json(self.old_radius)},
            "new": {"scan_speed": to_json(self.new_speed), "power": to_json(self.new_power), "beam_radius": to_json(self.new_radius)},
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

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of `retune`."""
        return {
            "changes": [one.to_dict() for one in self.changes],
            "recalibrate": list(self.recalibrate),
            "power_ratio": self.power_ratio,
            "beam_radius_ratio": self.radius_ratio,
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
    today: datetime.date | None = None,
) -> Retuned:
    """Solve a recipe again for a new reading; beam settings, spacings and passes stay what they were.

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
    today : date, optional

    Raises
    ------
    QuantityError
        Neither reading given.
    NoSolution
        The needs cannot be met any longer.
    """
    if power is None and beam_radius is None:
        raise QuantityError("a new reading is missing: give the power, or the beam radius now measured.")
    day = today or datetime.date.today()
    factor = 1.0
    if beam_radius is not None:
        factor = float((beam_radius[1] / beam_radius[0]).m_as("dimensionless"))
    before = float(machine.power.value.m_as(MW))
    ratio = 1.0 if power is None else float(power.value.m_as(MW)) / before
    now = machine_after(machine, power, factor, power_meter, day)
    kinds = {v["kind"]: v for v in old["vectors"]}
    held = tuple(_held(one, kinds.get(one.kind), factor) for one in needs.vectors)
    recipe = make_recipe(machine=now, resin=resin, needs=replace(needs, vectors=held), today=day)
    changes = []
    for one in recipe.vectors:
        was = kinds.get(one.kind)
        if was is None:
            continue
        changes.append(_change(one, was, ratio, factor))
    # what was extrapolated before is no reason that this change brings
    said = {str(w).split(":")[0] for w in old.get("warnings") or () if "extrapolated" in str(w)}
    return Retuned(
        recipe,
        tuple(changes),
        tuple(_due(machine, now, resin, recipe, ratio, factor, day, said)),
        ratio,
        factor,
        factor * float((old.get("readings") or {}).get("beam_radius_factor", 1.0)),
    )


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
        power=None if one.power is None else one.power,
    )


def _eased(limit: Quantity | None, was: dict[str, Any] | None) -> Quantity | None:
    """A limit at which the old settings stood to the last digit may not refuse the same settings for rounding."""
    if limit is None or was is None:
        return limit
    number = float(limit.m_as(MM))
    return Quantity(max(number, float(was["value"])) + 1e-6 * abs(number), MM) if abs(number - was["value"]) < 1e-4 * abs(number) else limit


def _change(one: Any, was: dict[str, Any], ratio: float, factor: float) -> Change:
    speed, power, radius = _number(was, "scan_speed"), _number(was, "power"), _number(was, "beam_radius")
    assert speed is not None
    assert power is not None
    assert radius is not None
    moved = float(one.scan_speed.m_as(MM_S)) / speed
    light = float(one.power.m_as(MW)) / power
    parts = []
    if abs(light - 1.0) > 1e-4:
        parts.append(f"power {100.0 * (light - 1.0):+.1f} %")
    if factor != 1.0:
        parts.append(f"beam radius {100.0 * (factor - 1.0):+.1f} %")
    if abs(moved - 1.0) < 1e-4:
        reason = "the speed stays" + (f": {' and '.join(parts)} make up for each other" if parts else "; nothing changed here")
    else:
        reason = f"speed {100.0 * (moved - 1.0):+.1f} %"
        reason += f" for {' and '.join(parts)}" if parts else " for the changed uncertainty"
    return Change(
        one.kind,
        Quantity(speed, MM_S),
        one.scan_speed,
        Quantity(power, MW),
        one.power,
        Quantity(radius, MM),
        one.beam_radius,
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
            f"The power changed by {100.0 * (ratio - 1.0):+.0f} %: at another irradiance the resin may "
            "not cure alike for the same exposure."
        )
    known = math.hypot(machine.beam_radius_scale_uncertainty, machine.beam_radius_repeatability)
    if abs(factor - 1.0) > max(_SPOT_STEP, 3.0 * known):
        reasons.append(
            f"The beam radius changed by {100.0 * (factor - 1.0):+.0f} %, more than its uncertainty "
            "explains: the coupons were made with another beam."
        )
    if now.power_meter.strip().lower() != machine.power_meter.strip().lower():
        reasons.append(
            f"The power was read with {now.power_meter}, the coupons with "
            f"{resin.power_meter or 'another meter'}: the scale no longer cancels."
        )
    reasons += [w for w in recipe.warnings if "extrapolated" in w and w.split(":")[0] not in said]
    try:
        age = (day - datetime.date.fromisoformat(resin.date[:10])).days
    except ValueError:
        age = 0
    if age > _LOT_DAYS:
        reasons.append(f"The coupons are {age} days old, more than {_LOT_DAYS}: lots drift.")
    if not resin.verified:
        reasons.append("The resin values were never proved on coupons.")
    return reasons


def shown(change: Change) -> tuple[str, str, str]:
    """Kind, old and new settings as people read them."""
    old = f"{show(change.old_speed)} at {show(change.old_power)}"
    return change.kind, old, f"{show(change.new_speed)} at {show(change.new_power)}"
