"""Settings in force judged by what is known today: every promise of every kind of vector, kept, near its limit, or lost.

A promise is lost only when readings prove it, at a rate of error that leaves healthy machines alone: the margin at the level of the
newest readings is below zero by more than `PROOF` standard deviations of what readings scatter (where the promise held when it was made),
or by more than three of all that is uncertain. What is neither assured nor lost is near its limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..physics import laws
from ..recipe.assurance import Curve, assured_log_exposure, depth_state, relative_variance
from ..recipe.bounds import INFINITE, LIMIT_NAMES, LIMITS, Task
from ..recipe.ends import with_ends
from ..recipe.light import Pattern, Shape, shape
from ..recipe.outcome import Held, at_settings, held, step_of

__all__ = ["STANDINGS", "Judged", "Power", "Promise", "judge"]

STANDINGS = ("lost", "near", "kept")
PROOF = 3.7  # standard deviations of the scatter of readings
SURE = 3.0  # standard uncertainties of all that is uncertain
_STEP = 1e-4
_HELD = 1e-6
_LIKE = 2e-3
# what is promised where no upper limit is stated, common practice, no source: not deeper than chosen by half the bond or a quarter layer
_BOND_SHARE, _LAYER_SHARE = 0.5, 0.25


@dataclass(frozen=True)
class Power:
    """Today's power as a share of what the settings were made for: the newest reading, the level of the newest ones, their scatter.

    `newest_sd` and `level_sd` are relative standard deviations of the change, the scatter of the reading the settings rest on in them.
    """

    newest: float
    level: float
    newest_sd: float
    level_sd: float


@dataclass(frozen=True)
class Promise:
    """One thing promised: its value and limit in mm, the standard uncertainty of the value, and how it stands: kept, near or lost."""

    name: str
    value: float
    limit: float
    standard_uncertainty: float
    standing: str

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        value = {"value": self.value, "unit": "mm", "standard_uncertainty": self.standard_uncertainty}
        return {"promise": self.name, "value": value, "limit": {"value": self.limit, "unit": "mm"}, "standing": self.standing}


@dataclass(frozen=True)
class Judged:
    """One kind of vector today: depth with its standard uncertainty, and its promises. `speed` restores the depth that was chosen."""

    kind: str
    depth: float
    depth_uncertainty: float
    layer: float
    assurance: float
    promises: tuple[Promise, ...]
    speed: float

    @property
    def standing(self) -> str:
        """The worst of its promises."""
        return min((one.standing for one in self.promises), key=STANDINGS.index, default="kept")

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "kind": self.kind,
            "standing": self.standing,
            "cure_depth": {"value": self.depth, "unit": "mm", "standard_uncertainty": self.depth_uncertainty},
            "layer_thickness": {"value": self.layer, "unit": "mm"},
            "assurance": self.assurance,
            "promises": [one.to_dict() for one in self.promises],
        }


def _promises(task: Task, found: dict[str, Any], chosen: float) -> dict[str, Held]:
    """What was promised of what comes out, in mm. Limits of what is set are kept by setting it: no reading moves them."""
    b, t = task.bounds, task.layer_thickness
    need = float(np.ravel(task.depth_for(found["beam_radius"], found["hatch_spacing"]))[0])
    limits = held(task, found)
    over = limits.pop("overcure")
    deepest = t + b.overcure
    if b.overcure == INFINITE and b.print_through == INFINITE:
        deepest = chosen + max(_BOND_SHARE * (task.depth - t), _LAYER_SHARE * t)
    out = {"bond": Held(np.asarray(found["depth"]), need, least=True), "depth": Held(found["depth_max"], deepest, over.clear)}
    out |= {LIMIT_NAMES[field]: one for field, one in limits.items() if LIMITS[field][1] == "length"}
    return {name: one for name, one in out.items() if one.stated}


def _moved(curve: Curve, height: float, slope: float) -> Curve:
    """The curve with its height at the centre and its slope moved, in mm."""
    dp = curve.penetration_depth + slope
    threshold = curve.centre - (curve.penetration_depth * (curve.centre - curve.log_threshold) + height) / dp
    law = curve.law
    if law is not None:
        share = dp / curve.penetration_depth
        law = replace(law, penetration_depth=law.penetration_depth * share, critical_exposure=math.exp(threshold))
    return replace(curve, penetration_depth=dp, log_threshold=threshold, law=law)


def judge(
    task: Task,
    chosen: dict[str, Any],
    *,
    curve: Curve,
    power: Power,
    radius: float = 1.0,
    fresh_lot: bool,
    fresh_spot: bool,
    aim: float | None = None,
) -> Judged:
    """How the settings of one kind of vector stand today.

    Parameters
    ----------
    task : Task
        As it was promised: its curve is that of the recipe.
    chosen : dict
        Settings of the recipe: `power`, `beam_radius`, `hatch_spacing`, `scan_speed` (lab set).
    curve : Curve
        Of the lot now in the vat.
    power : Power
    radius : float
        Today's beam radius over the recipe's.
    fresh_lot, fresh_spot : bool
        Whether lot or spot were measured anew since the recipe: then their uncertainty is part of the change.
    aim : float, optional
        The depth that was chosen (mm), where the settings do not tell it.
    """
    errors, now = task.errors, replace(task, curve=curve)
    up = math.exp(_STEP)
    newest, level = power.newest, power.level
    # shares of what was chosen: today, at the level of the newest readings, as chosen; then power, radius and speed moved up and down
    shares = [(newest, radius, 1.0), (level, radius, 1.0), (1.0, 1.0, 1.0), (up * newest, radius, 1.0), (newest / up, radius, 1.0)]
    shares += [(newest, up * radius, 1.0), (newest, radius / up, 1.0), (newest, radius, up), (newest, radius, 1.0 / up)]
    powers, radii, speeds = (np.array(shares) * [chosen["power"], chosen["beam_radius"], chosen["scan_speed"]]).T
    spacing = None if chosen["hatch_spacing"] is None else np.full(powers.shape, chosen["hatch_spacing"])
    light, _ = with_ends(task, shape(task.pattern, radii, spacing, speeds, step_of(task)), powers, radii, speeds, spacing)
    light = Shape(*(np.broadcast_to(part, powers.shape) for part in light))

    def at(which: Task, rows: slice) -> dict[str, Any]:
        own = Shape(*(part[rows] for part in light))
        between = None if spacing is None else spacing[rows]
        return at_settings(which, powers[rows], radii[rows], between, speeds[rows], light=own)

    relative = relative_variance(errors, *light.powers)

    def wanted(which: Task, row: int) -> float:
        target = which.depth_for(radii[row], None if spacing is None else spacing[row])
        return float(assured_log_exposure(which.curve, errors, relative[row], target, assurance=task.assurance, single=task.single))

    found, then = at(now, slice(None)), at(task, slice(2, 3))
    depth_then = float(then["depth"][0]) if aim is None else aim
    before, today = _promises(task, then, depth_then), _promises(now, found, depth_then)
    # both curves were fitted to coupons of a day: what is uncertain in either stands between them
    fitted = (curve, task.curve) if fresh_lot else (curve,)
    moves = [((math.sqrt(one.centre_variance), 0.0), (0.0, math.sqrt(one.slope_variance))) for one in fitted]
    moved = [[replace(now, curve=_moved(curve, *move), assured_limits=False) for move in pair] for pair in moves]
    bent = [[_promises(one, at(one, slice(1)), depth_then) for one in pair] for pair in moved]
    dose, dose_at_level = found["log_exposure"][:2]
    state = depth_state(curve, errors, dose, relative[0], single=task.single)
    slope = float(curve.slope(curve.coordinate(dose)))
    # what assurance leaves over, as ln dose: today, at the level, as chosen
    need = wanted(now, 0)
    spare = np.array([dose, dose_at_level]) - need
    spare_then = then["log_exposure"].item() - (wanted(task, 2) if fresh_lot or fresh_spot else need)
    from scipy.special import ndtri

    k = float(ndtri(task.assurance))
    promises = []
    for name, one in today.items():
        at_newest, at_level, _, *stepped = np.broadcast_to(one.room, powers.shape)
        by_power, by_radius, by_speed = ((up - down) / (2.0 * _STEP) for up, down in np.reshape(stepped, (3, 2)))
        by_curve, *by_others = (sum((other[name].room.item() - at_newest) ** 2 for other in pair) for pair in bent)
        u = math.sqrt(
            by_power**2 * (errors.power**2 + errors.exposure_scale**2)
            + by_radius**2 * (errors.beam_radius**2 + errors.beam_radius_scale**2)
            + (by_speed * errors.scan_speed) ** 2
            + by_curve
        )
        days = 2.0 * (by_power * errors.power) ** 2  # the powers of both days of coupons
        changed = (by_curve + sum(by_others) + days if fresh_lot else 0.0) + (by_radius * errors.beam_radius if fresh_spot else 0.0) ** 2
        like = _LIKE * abs(one.limit)  # a search ends this near a limit
        # what the recipe kept clear of the limit for its assurance, where it did
        clear_then, clear = (np.ravel(part.clear)[0] for part in (before[name], one))
        margin_then, gap = before[name].room.item(), np.array([at_newest, at_level])
        was_held = margin_then >= clear_then - like
        if was_held:
            gap = gap + like - clear_then
        else:
            was_held, gap = margin_then >= -like, gap + like
        sure = at_newest >= (clear or k * u) - like
        if name == "bond":
            u, sure = float(state["standard_uncertainty"]), spare[0] >= -_HELD
            was_held, gap = (True, spare * slope) if spare_then >= -_HELD else (was_held, np.array([at_newest, at_level]))
        proof = [PROOF * math.hypot(by_power * sd, math.sqrt(changed)) for sd in (power.newest_sd, power.level_sd)]
        lost = at_level < -SURE * u - like or (was_held and bool(np.any(gap < -np.array(proof))))
        shown = float(np.ravel(one.value)[0])
        promises.append(Promise(name, shown, float(one.limit), u, "lost" if lost else "kept" if sure else "near"))
    speed = chosen["scan_speed"] * math.exp(dose - math.log(float(curve.cure.dose(depth_then))))
    return Judged(
        task.kind,
        float(max(found["depth"][0], 0.0)),
        float(state["standard_uncertainty"]),
        task.layer_thickness,
        task.assurance,
        tuple(promises),
        speed,
    )


def hand_task(*, settings: Any, curve: Curve, errors: Any, assurance: float, bounds: Any, kind: str) -> Task:  # settings: SettingsInForce
    """A task for settings written by hand: layer and overcure are what they promise."""
    law: laws.Law = curve.cure
    plain = Pattern(settings.hatch_spacing is not None, settings.passes, settings.cross_hatch)
    pattern = plain._replace(exponent=law.exponent, reference=law.reference_irradiance)
    depth = settings.layer_thickness + (settings.overcure or 0.0)
    return Task(kind, pattern, settings.layer_thickness, depth, assurance, False, curve, errors, bounds)
