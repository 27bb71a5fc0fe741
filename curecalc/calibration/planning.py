"""Plan a set of coupons: which exposures, how many, the settings that give them, and what they can be expected to tell."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count as numbers
from itertools import islice
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.scan import Scan
from ..physics import laws
from ..setting.holders import HoldsBeam, beam_of
from ..symbols import percent
from ..units import (
    IN_CM2,
    MJ_CM2,
    MM,
    MM_S,
    NoSolution,
    Quantity,
    QuantityError,
    Shown,
    count,
    figure,
    measured,
    micrometres,
    nonnegative,
    ratio,
    show,
    show_percent,
    span,
    to_json,
)
from .coupons import CouponSet
from .design import Expected, expected, levels_and_counts, most_useful
from .exposing import Machine, bare, machine_of, one, recorded, settings_of
from .wanted import confident

__all__ = ["Plan", "PlannedCoupon", "plan_coupons", "plan_text"]

BETWEEN_SD = 0.004
"""Scatter between coupons, mm, where none is known (common practice, no source)."""
MOST_COUPONS = 60
STOP_FROM = 8
"""Coupons from which a batch may end the exposing: fewer agree by chance too often. Stopped so, 95 % intervals hold in at least 92 lots
of 100 (simulated, `reference/simulations/batches.toml`)."""


@dataclass(frozen=True)
class PlannedCoupon:
    """One coupon to expose: its label, its place in the order, its exposure and speed, the depth to expect."""

    label: str
    run_order: int
    exposure: Quantity
    scan_speed: Quantity | None
    expected_depth: Quantity
    level: int

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "coupon": self.label,
            "run_order": self.run_order,
            "exposure": to_json(self.exposure),
            "scan_speed": None if self.scan_speed is None else to_json(self.scan_speed),
            "expected_depth": to_json(self.expected_depth),
            "level": self.level,
        }


@dataclass(frozen=True)
class Plan(Shown):
    """A plan of coupons. `to_dict()` is the JSON of the command `plan`.

    Attributes
    ----------
    coupons : tuple of PlannedCoupon
        In the order to expose them.
    expected : Expected
        Standard uncertainties from these coupons (and those already measured).
    two_more : Expected
        With two more coupons at the most useful exposures, `two_more_exposures`.
    reached : bool or None
        Whether the wanted uncertainty is expected to be met; None where none was asked for.
    verdict : str
        After a batch (coupons measured and an uncertainty wanted): `stop`, with nothing planned, or `two more`; else empty. That no
        sensible number will do, `reject`, is a `NoSolution`.
    half_width_measured : float or None
        After a batch: the relative half-width of the interval that a fit of the coupons measured prints; infinite where unbounded.
    """

    coupons: tuple[PlannedCoupon, ...]
    expected: Expected
    two_more: Expected
    two_more_exposures: tuple[Quantity, ...]
    penetration_depth: Quantity
    critical_exposure: Quantity
    depth: Quantity | None
    wanted: float | None
    reached: bool | None
    confidence: float
    assurance: float
    coupon_sd: Quantity
    readings: int
    machine: Machine | None
    levels: int
    already: int
    seed: int
    notes: tuple[str, ...]
    verdict: str = ""
    half_width_measured: float | None = None

    @property
    def _law(self) -> laws.Plain:
        return laws.Plain(self.penetration_depth.m_as(MM), self.critical_exposure.m_as(MJ_CM2))

    def relative_half_width(self, e: Expected) -> float | None:
        """Expected half-width of the interval of the exposure (and speed) for the wanted depth, relative."""
        return None if e.log_exposure is None else float(e.half_width_factor * e.log_exposure)

    def assured_half_width(self, e: Expected) -> float | None:
        """The relative half-width that is met with the plan's `assurance`."""
        return None if e.log_exposure is None else e.assured_half_width

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command `plan`."""
        return {
            "coupons": [c.to_dict() for c in self.coupons],
            "expected": self._expected(self.expected),
            "with_two_more": self._expected(self.two_more) | {"exposures": [to_json(q) for q in self.two_more_exposures]},
            "guess": {"penetration_depth": to_json(self.penetration_depth), "critical_exposure": to_json(self.critical_exposure)},
            "coupon_sd": to_json(self.coupon_sd),
            "readings": self.readings,
            "levels": self.levels,
            "already_measured": self.already,
            "confidence": self.confidence,
            "assurance": self.assurance,
            "wanted": self.wanted,
            "reached": self.reached,
            "verdict": self.verdict or None,
            "relative_half_width_measured": self.half_width_measured if self.half_width_measured != float("inf") else None,
            "seed": self.seed,
            "notes": list(self.notes),
        }

    def _expected(self, e: Expected) -> dict[str, Any]:
        ec = self.critical_exposure.m_as(MJ_CM2)
        out: dict[str, Any] = {
            "penetration_depth": to_json(self.penetration_depth, Quantity(float(e.slope), MM)),
            "critical_exposure": to_json(self.critical_exposure, Quantity(float(ec * e.log_threshold), MJ_CM2)),
            "degrees_of_freedom": e.degrees_of_freedom,
            "half_width_factor": e.half_width_factor,
        }
        if self.depth is not None and e.log_exposure is not None:
            value = self._law.dose(self.depth.m_as(MM))
            out["exposure_for_depth"] = to_json(Quantity(float(value), MJ_CM2), Quantity(float(value * e.log_exposure), MJ_CM2)) | {
                "depth": to_json(self.depth),
                "relative_standard_uncertainty": float(e.log_exposure),
                "relative_half_width": self.relative_half_width(e),
                "relative_half_width_assured": self.assured_half_width(e),
            }
            if self.machine is not None:
                speed = float(self.machine.speed(value / IN_CM2))
                out["scan_speed"] = to_json(Quantity(speed, MM_S), Quantity(float(speed * e.log_exposure), MM_S))
        return out


def plan_coupons(
    *,
    penetration_depth: Any,
    critical_exposure: Any,
    at_depth: Quantity | None = None,
    to: Any = None,
    coupons: int | None = None,
    levels: int = 4,
    readings: int = 3,
    thickness_repeatability: Quantity | None = None,
    coupon_sd: Quantity | None = None,
    power: Any = None,
    beam_radius: Any = None,
    hatch_spacing: Any = None,
    passes: int = 1,
    beam: Beam | HoldsBeam | None = None,
    scan: Scan | None = None,
    scan_speed_min: Quantity | None = None,
    scan_speed_max: Quantity | None = None,
    min_exposure: Quantity | None = None,
    max_exposure: Quantity | None = None,
    min_depth: Quantity | None = None,
    max_depth: Quantity | None = None,
    measured_coupons: CouponSet | None = None,
    confidence: float = 0.95,
    assurance: Any = 0.8,
    seed: int = 1,
) -> Plan:
    """Plan coupons for a resin of which a guess is known.

    Parameters
    ----------
    penetration_depth, critical_exposure : Quantity or Measured
        The guess: a data sheet, an earlier lot.
    at_depth : Quantity [mm], optional
        Depth whose exposure (so speed) is wanted.
    to : float or Quantity, optional
        How well: relative half-width of its interval at `confidence`, 0.03 for 3 %. Then the fewest coupons that
        meet it with the `assurance` are planned.
    coupons : int, optional
        How many, instead; two a level when neither is given.
    levels : int
        Different exposures, equally spaced in the logarithm; three or more can show curvature.
    readings : int
        On each coupon.
    thickness_repeatability, coupon_sd : Quantity [mm], optional
        Scatter of readings on one coupon, and between coupons. Left out: 3 um and 4 um, and a note says so.
    power, beam_radius, hatch_spacing, passes : optional
        The machine: with power and spacing (raster) or beam radius (single lines) the plan names scan speeds.
    beam, scan : Beam or BeamRecord, Scan, optional
        The same as records, where the spot is an ellipse, tracks are turned or crossed, or the laser is pulsed; the scan's speed is
        not looked at.
    scan_speed_min, scan_speed_max : Quantity [mm/s], optional
    min_exposure, max_exposure, min_depth, max_depth : optional
        Bounds on the coupons.
    measured_coupons : CouponSet, optional
        Coupons already measured: the plan then adds the most useful exposures to them.
    confidence : float
    assurance : float or Quantity
        Probability with which `to` is met (the scatter of few coupons is a matter of chance).
    seed : int
        Of the random order.

    Returns
    -------
    Plan

    Raises
    ------
    QuantityError
    NoSolution
        The bounds leave no useful range, or no sensible number of coupons reaches the wanted uncertainty.

    Source: `gum` H.3 for the variances; equal spacing with replicates because ends alone, though best for a line, cannot show
    curvature (`hoel1964`). Expected uncertainties hold while scatter is the guessed one.

    >>> from curecalc.units import Quantity as Q
    >>> plan = plan_coupons(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), at_depth=Q(0.15, "mm"), to=0.05)
    >>> len(plan.coupons), plan.reached
    (6, True)
    """
    dp = one("penetration_depth", measured(penetration_depth).value if not bare(penetration_depth) else penetration_depth, MM)
    ec = one("critical_exposure", measured(critical_exposure).value if not bare(critical_exposure) else critical_exposure, MJ_CM2)
    confidence = confident(confidence)
    sure = float(ratio("assurance", assurance, high=1.0))
    levels, readings = count("levels", levels, minimum=2), count("readings", readings)
    seed = count("seed", seed, minimum=0)
    light = None if beam is None else beam_of(beam)
    notes: list[str] = [] if light is None else list(light.notes)
    scatter = _scatter(thickness_repeatability, coupon_sd, readings, notes)
    depth = None if at_depth is None else one("at_depth", at_depth, MM)
    aim = None if to is None else float(ratio("to", to, high=1.0))
    if aim is not None and depth is None:
        raise QuantityError("at_depth is missing: an uncertainty is wanted, but of the speed for which depth? Give it.")
    settings = recorded(light, scan) if light is not None else settings_of(power, beam_radius, hatch_spacing, passes)
    machine = machine_of(settings, scan is not None and scan.cross_hatch, scan_speed_min, scan_speed_max)
    bounds = {
        "min_exposure": None if min_exposure is None else one("min_exposure", min_exposure, MJ_CM2),
        "max_exposure": None if max_exposure is None else one("max_exposure", max_exposure, MJ_CM2),
        "min_depth": None if min_depth is None else one("min_depth", min_depth, MM),
        "max_depth": None if max_depth is None else one("max_depth", max_depth, MM),
    }
    low, high = _range(dp, ec, depth, machine, bounds, notes)
    guess: dict[str, Any] = {"slope": dp, "log_threshold": float(np.log(ec)), "scatter": scatter, "depth": depth}
    already = np.empty(0) if measured_coupons is None else measured_coupons.x
    known = None if aim is None or depth is None else _known(measured_coupons, depth, confidence)
    stop = coupons is None and known is not None and aim is not None and known <= aim and already.size >= STOP_FROM
    x_new, reached = (np.empty(0), True) if stop else _how_many(already, low, high, levels, coupons, aim, guess, confidence, sure)
    if levels < 3 and not already.size:
        notes.append(f"{levels} levels cannot tell a bent curve from a straight one. Three or more can.")
    every = np.concatenate([already, x_new])
    more = most_useful(every, low, high, 2, **guess)
    now = expected(every, confidence=confidence, assurance=sure, **guess)
    then = expected(np.concatenate([every, more]), confidence=confidence, assurance=sure, **guess)
    return Plan(
        coupons=_planned(x_new, dp, ec, machine, seed, measured_coupons),
        expected=now,
        two_more=then,
        two_more_exposures=tuple(Quantity(float(np.exp(v)), MJ_CM2) for v in more),
        penetration_depth=Quantity(dp, MM),
        critical_exposure=Quantity(ec, MJ_CM2),
        depth=None if depth is None else Quantity(depth, MM),
        wanted=aim,
        reached=reached,
        confidence=confidence,
        assurance=sure,
        coupon_sd=Quantity(scatter, MM),
        readings=readings,
        machine=machine,
        levels=levels,
        already=already.size,
        seed=seed,
        notes=tuple(notes),
        verdict="stop" if stop else "" if known is None else "two more",
        half_width_measured=known,
    )


def _known(coupons: CouponSet | None, depth: float, confidence: float) -> float | None:
    """Relative half-width at which coupons measured already give the exposure for the depth; infinite where unbounded."""
    from .curve import fit_coupons

    if coupons is None or len(coupons) < 3:
        return None
    low, high = (float(q.m_as(MJ_CM2)) for q in fit_coupons(coupons, confidence=confidence).exposure(Quantity(depth, MM)).mean_interval)
    return 0.5 * float(np.log(high / low)) if low > 0 and np.isfinite(high) else float("inf")


def _scatter(repeatability: Any, coupon_sd: Any, readings: int, notes: list[str]) -> float:
    if repeatability is None:
        repeat = 0.003
        notes.append("The repeatability of thickness readings was not given: 3 um was taken (common practice).")
    else:
        repeat = float(nonnegative("thickness_repeatability", repeatability, MM))
    if coupon_sd is None:
        between = BETWEEN_SD
        notes.append("The scatter between coupons was not given: 4 um was taken (common practice).")
    else:
        between = float(nonnegative("coupon_sd", coupon_sd, MM))
    scatter = float(np.sqrt(between**2 + repeat**2 / readings))
    if not scatter:
        raise QuantityError("coupon_sd and thickness_repeatability are both zero: then two coupons would tell all. Give what you measured.")
    return scatter


def _range(
    dp: float, ec: float, depth: float | None, machine: Machine | None, bounds: dict[str, float | None], notes: list[str]
) -> tuple[float, float]:
    """ln of the least and greatest exposure: well above the gel threshold, wide, inside every bound."""
    lec = float(np.log(ec))
    shallow, deep = 0.6 * dp, max(2.4 * dp, 0.0 if depth is None else 1.5 * depth)
    low = lec + (shallow if bounds["min_depth"] is None else bounds["min_depth"]) / dp
    high = lec + (deep if bounds["max_depth"] is None else bounds["max_depth"]) / dp
    lows, highs = [(low, "")], [(high, "")]
    for name, limits in (("min_exposure", lows), ("max_exposure", highs)):
        if (edge := bounds[name]) is not None:
            limits.append((float(np.log(edge)), name))
    if machine is not None:
        for name, speed, limits in (("scan_speed_max", machine.scan_speed_max, lows), ("scan_speed_min", machine.scan_speed_min, highs)):
            if speed is not None:
                # exposure times speed is constant: the speed at 1 mJ/mm^2 is the exposure at 1 mm/s
                limits.append((float(np.log(IN_CM2 * float(machine.speed(1.0)) / speed)), name))
    (low, from_below), (high, from_above) = max(lows), min(highs)
    bound_by = from_above or from_below
    if high - low < np.log(1.5):
        raise NoSolution(
            f"the bounds leave exposures from {span(*np.exp([low, high]).tolist())} mJ/cm^2 only, too narrow for a working curve.",
            limit=bound_by or "max_depth",
            remedy=f"Move {bound_by or 'min_depth or max_depth'}; with a raster, change hatch spacing or power.",
        )
    if high - low < np.log(2.5):
        notes.append(
            f"The exposures span a factor of {np.exp(high - low):.2g} only ({bound_by or 'as asked'} binds): a wider range is worth more "
            "than more coupons."
        )
    return low, high


def _how_many(
    already: np.ndarray,
    low: float,
    high: float,
    levels: int,
    coupons: int | None,
    aim: float | None,
    guess: dict[str, Any],
    confidence: float,
    assurance: float,
) -> tuple[np.ndarray, bool | None]:
    def made(n: int) -> np.ndarray:
        return most_useful(already, low, high, n, **guess) if already.size else levels_and_counts(low, high, n, levels)

    def good(x: np.ndarray) -> bool:
        e = expected(np.concatenate([already, x]), confidence=confidence, assurance=assurance, **guess)
        return aim is not None and e.assured_half_width <= aim

    if coupons is not None:
        n = count("coupons", coupons, minimum=1 if already.size else 3)
        if n > 10_000:
            raise QuantityError(f"coupons must be at most 10000, got {n}.")
        if not already.size and n < levels:
            raise QuantityError(f"coupons must be at least the number of levels, {levels}, got {n}. Ask for fewer levels.")
        x = made(n)
        return x, None if aim is None else good(x)
    if aim is None:
        return made(2 if already.size else 2 * levels), None
    for n in range(1 if already.size else max(levels, 4), MOST_COUPONS + 1):
        x = made(n)
        if good(x):
            return x, True
    e = expected(np.concatenate([already, made(MOST_COUPONS)]), confidence=confidence, assurance=assurance, **guess)
    start, more = ("reject: ", " more") if already.size else ("", "")
    raise NoSolution(
        f"{start}even {MOST_COUPONS} coupons{more} give the speed to {percent(e.assured_half_width, '.2g')} only with "
        f"{percent(assurance)} assurance, not to {percent(aim, '.2g')}.",
        limit="coupon_sd",
        remedy="Lower the scatter (a better gauge, steadier power), widen the exposures, or ask for less.",
    )


def _planned(
    x: np.ndarray, dp: float, ec: float, machine: Machine | None, seed: int, measured_coupons: CouponSet | None
) -> tuple[PlannedCoupon, ...]:
    order = np.random.default_rng(seed).permutation(x.size)
    rank = np.unique(np.round(x, 9), return_inverse=True)[1]
    taken = set() if measured_coupons is None else set(measured_coupons.labels)
    names = list(islice((name for name in map(str, numbers(1)) if name not in taken), x.size))
    planned = []
    for place, index in enumerate(order):
        e = float(np.exp(x[index]))
        speed = None if machine is None else Quantity(float(machine.speed(e / IN_CM2)), MM_S)
        planned.append(
            PlannedCoupon(
                names[index], place + 1, Quantity(e, MJ_CM2), speed, Quantity(float(laws.Plain(dp, ec).depth(e)), MM), int(rank[index]) + 1
            )
        )
    return tuple(planned)


# ---------------------------------------------------------------- text


def plan_text(plan: Plan) -> str:
    """The plan as people read it in a terminal: the coupons in order, what they will tell, what two more would buy."""
    if plan.verdict == "stop":
        return "\n".join([_said_after_a_batch(plan), *(f"Note: {n}" for n in plan.notes)])
    lines = [f"{'order':>5}  {'coupon':>6}  {'exposure (mJ/cm^2)':>18}  {'scan speed (mm/s)':>17}  {'expect about (mm)':>17}"]
    for c in plan.coupons:
        speed = "" if c.scan_speed is None else figure(c.scan_speed.m)
        lines.append(f"{c.run_order:>5}  {c.label:>6}  {figure(c.exposure.m):>18}  {speed:>17}  {figure(c.expected_depth.m, digits=3):>17}")
    if plan.already:
        lines.append(f"added to {plan.already} coupons already measured")
    lines += ["", *_told("expected", plan, plan.expected)]
    at = " and ".join(figure(q.m, digits=3) for q in plan.two_more_exposures)
    lines += [*_told(f"with two more, at {at} mJ/cm^2", plan, plan.two_more)]
    if plan.verdict:
        lines.append(_said_after_a_batch(plan))
    if plan.wanted is not None:
        word = "is" if plan.reached else "is NOT"
        half = plan.assured_half_width(plan.expected)
        assert half is not None
        lines.append(
            f"the wanted {percent(plan.wanted)} {word} met with {percent(plan.assurance)} probability (so surely: {percent(half, '.2g')}); "
            "after measuring, plan again with those coupons"
        )
    scatter = micrometres(plan.coupon_sd.m_as(MM))
    lines.append(f"{plan.readings} readings on each coupon, on places spread over it; a coupon's mean is taken to scatter by {scatter}")
    if plan.notes:
        lines += ["", *(f"Note: {n}" for n in plan.notes)]
    return "\n".join(lines)


def _said_after_a_batch(plan: Plan) -> str:
    assert plan.half_width_measured is not None
    assert plan.wanted is not None
    known, wanted = plan.half_width_measured, percent(plan.wanted)
    so_far = (
        f"the {plan.already} coupons measured give the speed to {percent(known, '.2g')}"
        if np.isfinite(known)
        else "no bounds are known yet"
    )
    if plan.verdict == "stop":
        held = "Stopped as soon as that is met, 95 % intervals hold in at least 92 lots of 100 (simulated)"
        return f"stop: {so_far}, within the {wanted} wanted. {held}"
    few = f"; with fewer than {STOP_FROM} coupons it is too soon to stop" if known <= plan.wanted else f", {wanted} is wanted"
    return f"two more: {so_far}{few}. Expose the first two of these"


def _told(title: str, plan: Plan, e: Expected) -> list[str]:
    dp, ec = plan.penetration_depth.m_as(MM), plan.critical_exposure.m_as(MJ_CM2)
    parts = [f"Dp {figure(dp, float(e.slope))} +- {figure(float(e.slope), float(e.slope))} mm"]
    u = float(ec * e.log_threshold)
    parts.append(f"Ec {figure(ec, u)} +- {figure(u, u)} mJ/cm^2")
    if e.log_exposure is not None and plan.depth is not None:
        half = plan.relative_half_width(e)
        assert half is not None
        parts.append(
            f"speed for {show(plan.depth)} to {show_percent(e.log_exposure)} (standard), "
            f"{show_percent(half)} ({percent(plan.confidence)} interval)"
        )
    return [f"{title}: " + "; ".join(parts)]
