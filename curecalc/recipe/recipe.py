"""Making a recipe: settings for every kind of vector, how sure, what limits them, what they bring, how fast it builds."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from typing import Any

from ..errors import NoSolution
from ..jobs.lot import Lot
from ..jobs.machine import Machine
from ..jobs.needs import Needs, VectorNeeds
from ..units import DEG, G_CM3, IN_CM2, IN_UM, MJ_CM2, MJ_MM2, MM, MM2, MM2_S, MM_S, MW, RAD, Quantity, S
from . import consequences, rates
from .assurance import assurance_of, depth_state, reach_beyond, relative_variance
from .bounds import LIMIT_NAMES, MET_BY_PASSES, Task
from .field import described, far_corner, zones
from .inputs import Inputs, gather
from .record import Limit, Recipe, VectorRecipe
from .search import Best, Binding, best_settings, binding_limits, rounded

__all__ = ["assembled", "hatch_exposure", "layer_rates", "lower_bound", "make_recipe", "state_of", "work_of"]

_PASSES = (1, 2, 3, 4)


def make_recipe(*, machine: Machine, resin: Lot, needs: Needs, today: datetime.date | None = None, gains: bool = True) -> Recipe:
    """Settings for every kind of vector of the needs, the fastest that meet depth with the stated assurance.

    Parameters
    ----------
    machine : Machine
    resin : Lot
    needs : Needs
    today : date, optional
        For the age of the power reading and the recipe's date.
    gains : bool
        Look for what moving each binding limit would gain.

    Returns
    -------
    Recipe

    Raises
    ------
    FileError
        The files contradict each other.
    NoSolution
        Nothing fits; `limit` names what binds.
    """
    gathered = gather(machine, resin, needs, today=today)
    found = _solve_all(needs, gathered)
    return assembled(machine, resin, needs, gathered, found, today=today, gains=gains)


def _solve_all(needs: Needs, gathered: Inputs) -> list[Best]:
    """All kinds; down-facing ones last, since the layers above them take the hatch's exposure."""
    found: dict[int, Best] = {}
    order = sorted(range(len(needs.vectors)), key=lambda i: needs.vectors[i].down_facing)
    for i in order:
        task = gathered.tasks[i]
        if needs.vectors[i].down_facing:
            task = replace(task, above=hatch_exposure(needs, found))
        found[i] = rounded(_with_passes(task, needs.vectors[i].passes))
    return [found[i] for i in range(len(needs.vectors))]


def hatch_exposure(needs: Needs, found: dict[int, Best]) -> float | None:
    """Mean surface exposure of the layers above a down-facing face: that of the first raster kind; None without one."""
    for i, one in enumerate(needs.vectors):
        if one.raster and not one.down_facing and i in found:
            return float(found[i].dose_mean)
    return None


def _with_passes(task: Task, given: int | None) -> Best:
    """The settings, with more passes where one alone would need a speed below the least."""
    if given is not None:
        return best_settings(task)
    first: NoSolution | None = None
    for passes in _PASSES:
        try:
            return best_settings(replace(task, pattern=task.pattern._replace(passes=passes)))
        except NoSolution as refused:
            first = first or refused
            if refused.limit not in MET_BY_PASSES:
                break
    assert first is not None
    raise first


def assembled(
    machine: Machine,
    resin: Lot,
    needs: Needs,
    gathered: Inputs,
    found: list[Best],
    *,
    today: datetime.date | None = None,
    gains: bool = True,
) -> Recipe:
    """The record of settings already found."""
    above = hatch_exposure(needs, dict(enumerate(found)))
    vectors = tuple(_vector(machine, resin, one, best, above, gathered, gains) for one, best in zip(needs.vectors, found))
    built = layer_rates(machine, needs, found)
    density = None if resin.density is None else float(resin.density.m_as(G_CM3))
    layers = None
    if needs.part_height is not None:
        layers = math.ceil(float((needs.part_height / needs.layer_thickness).m_as("dimensionless")) * (1.0 - 1e-9))
    return Recipe(
        name=needs.name,
        vectors=vectors,
        layer_thickness=needs.layer_thickness,
        rates=built,
        mass_rate=None if density is None or built is None else 3.6 * built.volume_rate * density,
        part_layers=layers,
        part_time=None if layers is None or built is None else layers * built.layer_time,
        seam=_seam(needs, found),
        cancelling=gathered.cancelling.sentence,
        power_scale_cancels=gathered.cancelling.power_scale,
        beam_radius_cancels=gathered.cancelling.beam_radius,
        warnings=tuple(dict.fromkeys([*gathered.warnings, *_edge_note(needs, vectors), *(w for v in vectors for w in v.warnings)])),
        date=(today or datetime.date.today()).isoformat(),
        machine=machine,
        lot=resin,
        needs=needs,
        inputs=gathered,
    )


def work_of(one: VectorNeeds) -> rates.Work:
    """What the needs say this kind does in a typical layer."""
    return rates.Work(
        area=0.0 if one.area is None else float(one.area.m_as(MM2)),
        length=0.0 if one.total_length is None else float(one.total_length.m_as(MM)),
        count=one.count,
    )


def layer_rates(machine: Machine, needs: Needs, found: list[Best]) -> rates.Rates | None:
    """Rates of a typical layer; None where no area is stated."""
    kinds = [(best, work_of(one)) for one, best in zip(needs.vectors, found)]
    if not any(work.area > 0.0 for _, work in kinds):
        return None
    return rates.build_rates(
        kinds,
        power_available=float(machine.power.value.m_as(MW)),
        recoat_time=float(machine.recoat_time.m_as(S)),
        layer_thickness=float(needs.layer_thickness.m_as(MM)),
    )


def _seam(needs: Needs, found: list[Best]) -> consequences.Seam | None:
    line = next((b for one, b in zip(needs.vectors, found) if not one.raster), None)
    fill = next((b for one, b in zip(needs.vectors, found) if one.raster and not one.down_facing), None)
    return None if line is None or fill is None else consequences.seam(line, fill)


def state_of(best: Best) -> dict[str, Any]:
    """Depth, its uncertainty and assurance at the settings found."""
    task, light = best.task, best.light
    relative = relative_variance(task.errors, *light.powers)
    state = depth_state(task.curve, task.errors, best.log_exposure, relative, single=task.single)
    state["assurance"] = task.assurance
    if best.log_exposure - best.log_wanted + task.reserve > 1e-9:  # more exposure than the assurance asks for
        state["assurance"] = float(assurance_of(task.curve, task.errors, best.log_exposure, relative, best.aim, single=task.single))
    state["relative"] = relative
    return state


def _budget(best: Best) -> dict[str, Quantity]:
    """Contributions to the standard uncertainty of depth (mm), by what they come from."""
    task, light = best.task, best.light
    e, c = task.errors, task.curve
    at = float(c.coordinate(best.log_exposure))
    dp = float(c.slope(at))
    held = 0.0 if e.coupon_radius_power is None else e.coupon_radius_power
    parts = {
        "curve of the coupons": math.sqrt(c.centre_variance + (at - c.centre) ** 2 * c.slope_variance),
        "scatter of single layers": math.sqrt(c.layer_variance) if task.single else 0.0,
        "power since its reading": dp * light.power_power * e.power,
        "scales of meters and beams": dp * light.power_power * e.exposure_scale,
        "constants of the cure law": math.sqrt(float(c.own_variance(at))),
        "beam radius from day to day": dp * abs(light.radius_power) * e.beam_radius,
        "scale of the beam radius": dp * abs(light.radius_power - held) * e.beam_radius_scale,
        "angle of the spot": dp * float(light.turn),
        "scan speed": dp * abs(light.speed_power) * e.scan_speed,
        "hatch spacing": dp * abs(light.spacing_power) * e.hatch_spacing,
        "recoated layer": e.layer_thickness if task.single else 0.0,
        "thickness gauge": e.depth_bias,
    }
    return {name: Quantity(value, MM) for name, value in parts.items() if value > 0.0}


def _vector(machine: Machine, lot: Lot, one: VectorNeeds, best: Best, above: float | None, gathered: Inputs, gains: bool) -> VectorRecipe:
    task = best.task
    state = state_of(best)
    bindings: list[Binding] = binding_limits(best) if gains else []
    limits = tuple(Limit(b.name, b.field, b.value, b.to, b.gain) for b in bindings)
    raster = task.pattern.raster
    corner = consequences.corner(best)
    far = task.hold if gathered.places else far_corner(machine, float(lot.resin.refractive_index))
    edge = None if far is None else consequences.field_edge(best, far)
    layers_out, left = consequences.compensation(best)
    coupon = consequences.proof(best)

    def mm(value: float | None) -> Quantity | None:
        return None if value is None else Quantity(value, MM)

    def exposure(value: float) -> Quantity:
        return Quantity(value, MJ_MM2).to(MJ_CM2)

    return VectorRecipe(
        kind=one.kind,
        pattern=one.pattern,
        scan_speed=Quantity(best.scan_speed, MM_S),
        power=Quantity(best.power, MW),
        power_share=best.power / float(machine.power.value.m_as(MW)),
        beam_radius=Quantity(best.beam_radius, MM),
        hatch_spacing=mm(best.hatch_spacing) if raster else None,
        passes=task.pattern.passes,
        cross_hatch=task.pattern.crossed,
        exposure_min=exposure(best.exposure_min),
        exposure_mean=exposure(best.exposure_mean),
        exposure_max=exposure(best.exposure_max),
        cure_depth=Quantity(best.depth, MM),
        cure_depth_standard_uncertainty=Quantity(state["standard_uncertainty"], MM),
        cure_depth_assured=Quantity(lower_bound(best, state), MM),
        depth_needed=Quantity(task.depth, MM),
        overcure=Quantity(best.depth - task.layer_thickness, MM),
        assurance=float(state["assurance"]),
        assurance_asked=task.assurance,
        assured_for="single layer" if task.single else "mean",
        effective_degrees_of_freedom=float(state["degrees_of_freedom"]),
        speed_without_doubt=Quantity(_speed_without_doubt(best), MM_S),
        limits=limits,
        limited_by=tuple(limit.name for limit in limits) or (_otherwise(best),),
        rate=Quantity(best.rate, MM2_S if raster else MM_S),
        ripple=Quantity(best.ripple, MM),
        line_width=None if raster else mm(best.line_width),
        line_width_expanded_uncertainty=None if raster else mm(best.line_width_expanded),
        line_width_at_layer=None if raster else mm(best.line_width_at_layer),
        contour_offset=None if raster else mm(0.5 * best.line_width),
        print_through=Quantity(consequences.mean_print_through(best), MM),
        print_through_max=Quantity(best.print_through, MM),
        compensation_layers=layers_out,
        residual_print_through=Quantity(left, MM),
        interface_exposure=exposure(consequences.interface_exposure(best, best.dose_mean if above is None else above)),
        corner_exposure_factor=None if corner is None else corner.exposure_factor,
        corner_depth_error=None if corner is None else mm(corner.depth_error),
        corner_reach=None if corner is None else mm(corner.reach),
        field_incidence_angle=None if edge is None else Quantity(edge.incidence_angle, RAD).to(DEG),
        field_depth_change=None if edge is None else mm(edge.depth_change),
        field_zones=described(zones(best, gathered.places, gathered.errors)) if gathered.places else None,
        coupon_thickness=Quantity(coupon.thickness, MM),
        coupon_low=Quantity(coupon.low, MM),
        coupon_high=Quantity(coupon.high, MM),
        down_facing=one.down_facing,
        dose_along_min=float(best.along_min),
        dose_along_max=float(best.along_max),
        share_at_speed=_share_at_speed(best),
        upper=_upper(best),
        budget=_budget(best),
        warnings=tuple(_notes(one, best)),
        best=best,
    )


def lower_bound(best: Best, state: dict[str, Any]) -> float:
    """The depth that is reached with the asked assurance."""
    task = best.task
    short = reach_beyond(task.curve, task.errors, best.log_exposure, state["relative"], assurance=task.assurance, single=task.single)
    return max(float(best.depth - short), 0.0)


def _share_at_speed(best: Best) -> float | None:
    """Share of a vector of typical length that is scanned at full speed; None where length or acceleration are not stated."""
    task = best.task
    if not math.isfinite(task.vector_length * task.acceleration):
        return None
    if task.run_up is not None and task.run_up.follows is None:
        return 1.0
    return max(1.0 - float(best.scan_speed) ** 2 / (task.vector_length * task.acceleration), 0.0)


def _upper(best: Best) -> dict[str, Quantity]:
    """The most that limited quantities reach, one-sided with the assurance asked; empty where limits hold by the expected value."""
    found, t = best.found, best.task.layer_thickness
    values = {
        "overcure": found["depth_max"] - t + found.get("overcure_beyond", math.nan),
        "print_through": found["print_through"] + found.get("print_through_beyond", math.nan),
        "ripple": found["ripple"] + found.get("ripple_beyond", math.nan),
        "line_width": found["line_width_max"] + found.get("width_beyond", math.nan),
    }
    return {name: Quantity(float(value), MM) for name, value in values.items() if math.isfinite(float(value))}


def _speed_without_doubt(best: Best) -> float:
    """The speed that would do if everything were known exactly, at the same power, beam and spacing."""
    task = best.task
    return float(best.scan_speed * best.dose_min / task.curve.cure.dose(task.depth))


def _otherwise(best: Best) -> str:
    """What holds where no limit's moving by a tenth gains anything."""
    task = best.task
    if math.isfinite(task.vector_length) and task.vector_length * task.acceleration <= best.scan_speed**2 * 1.0001:
        return "scanner acceleration"
    b = task.bounds
    if b.scan_speed_low == b.scan_speed_high:
        return "given scan speed"
    if best.power >= b.power_high * (1.0 - 1e-6):
        return LIMIT_NAMES["power_high"]
    return LIMIT_NAMES["scan_speed_high"]


def _edge_note(needs: Needs, vectors: tuple[VectorRecipe, ...]) -> list[str]:
    """One sentence on what the tilt takes in the far corner of the field, where it is not made up for."""
    lost = [
        v
        for one, v in zip(needs.vectors, vectors)
        if not one.hold_at_field_edge and v.field_zones is None and v.field_depth_change is not None and v.field_depth_change.m < -5e-4
    ]
    if not lost:
        return []
    worst = min(lost, key=lambda v: v.field_depth_change.m if v.field_depth_change is not None else 0.0)
    assert worst.field_depth_change is not None
    assert worst.field_incidence_angle is not None
    said = (
        f"In the far corner of the field (beam {worst.field_incidence_angle.m:.3g} deg from the vertical) depths are up to "
        f"{-IN_UM * worst.field_depth_change.m:.3g} um less ({worst.kind}); hold_at_field_edge = true in the needs makes up for it."
    )
    return [said]


def _notes(one: VectorNeeds, best: Best) -> list[str]:
    task, curve = best.task, best.task.curve
    notes = []
    x = best.log_exposure
    for bound, word in ((curve.high, "above"), (curve.low, "below")):
        if bound is not None and abs(x - bound) > 1e-9 and (x > bound) == (word == "above"):
            notes.append(
                f"{one.kind}: {IN_CM2 * math.exp(x):.4g} mJ/cm^2 is {word} the coupons' exposures "
                f"(to {IN_CM2 * math.exp(bound):.4g}): extrapolated."
            )
    if best.log_exposure - best.log_wanted > 1e-6:
        more = best.depth - float(curve.cure.height(math.exp(best.log_wanted)))
        stuck = best.power <= task.bounds.power_low * (1.0 + 1e-6)
        why = "the power cannot go lower and the speed not higher" if stuck else "the line's width asks for it"
        notes.append(f"{one.kind}: {IN_UM * more:.3g} um deeper than the assurance needs: {why}.")
    return notes
