"""A recipe taken apart: the formulas with this recipe's numbers, one plain sentence each."""

from __future__ import annotations

import math
from functools import partial

from ..setting.derivation import parameters
from ..setting.explain import Step
from ..symbols import percent
from ..units import IN_UM, MM, show, show_kernel
from .record import Recipe, VectorRecipe
from .search import Best

__all__ = ["vector_steps"]


_show, _kernel = (partial(one, digits=5) for one in (show, show_kernel))


def _f(number: float) -> str:
    return f"{number:.6g}"


def vector_steps(recipe: Recipe, vector: VectorRecipe) -> list[Step]:
    """From the depth that is needed to the settings of one kind, and back again."""
    best, task = vector.best, vector.best.task
    law, told = task.curve.cure, recipe.lot.resin.told
    assured, numbers = math.exp(best.log_wanted - task.reserve), parameters(law, recipe.lot.resin)
    u = float(vector.cure_depth_standard_uncertainty.m_as(MM))
    at = float(law.height(assured))
    factor = (at - best.aim) / u if u > 0.0 else 0.0
    parts = ", ".join(f"{name} {IN_UM * float(q.m_as(MM)):.2g}" for name, q in vector.budget.items())
    dof = vector.effective_degrees_of_freedom
    steps = [
        Step(
            "Cd = t + overcure asked for",
            f"{show_kernel(task.layer_thickness, 'length')} + {show_kernel(task.depth - task.layer_thickness, 'length')}",
            show_kernel(task.depth, "length"),
            "The weakest place must reach through the layer and into the one below.",
        ),
        *_held_step(best),
        Step(
            told.dose,
            f"Cd = {_f(best.aim)} mm, {numbers}",
            _kernel(float(law.dose(best.aim)), "exposure"),
            "The exposure that would do if all were known exactly.",
        ),
        Step(
            "u^2 = sum of squares of the parts",
            f"in um: {parts}",
            f"{IN_UM * u:.3g} um, effective degrees of freedom {'many' if not math.isfinite(dof) else f'{dof:.3g}'}",
            f"What is not known about the depth of {'a single layer' if task.single else 'the mean of many layers'}. " + recipe.cancelling,
        ),
        Step(
            "Cd expected = Cd needed + k u",
            f"{_kernel(best.aim, 'length')} + {factor:.3f} x {IN_UM * u:.3g} um",
            _kernel(at, "length"),
            f"Aiming deeper by k u, the depth is reached with {percent(task.assurance)} assurance (Student's t).",
        ),
        Step(
            told.dose,
            f"Cd expected = {_f(at)} mm, {numbers}",
            _kernel(assured, "exposure"),
            "The exposure the weakest place gets at least.",
        ),
        *_reserve_step(recipe, vector, assured),
        _speed_step(vector),
    ]
    if vector.limits:
        said = "; ".join(limit.sentence for limit in vector.limits)
        steps.append(Step("limits at which the settings stand", "", said, "What would have to move to build faster."))
    else:
        steps.append(Step("limit at which the settings stand", "", vector.limited_by[0], "Moving no limit by a tenth gains anything."))
    if vector.line_width is not None and law.reach is not None:
        steps.append(
            Step(
                "Lw = W0 sqrt(2 Cd/Dp)",
                f"{_f(best.beam_radius)} mm x sqrt(2 x {_f(best.depth)}/{_f(law.penetration_depth)})",
                show(vector.line_width),
                "Half of it is how far the line's centre stands inside the wanted edge.",
            )
        )
    n = "many" if not math.isfinite(task.layers) else f"{task.layers:.0f}"
    steps.append(
        Step(
            "print-through = Cd(dose of all layers) - t",
            f"{n} layers of {_f(task.layer_thickness)} mm",
            show(vector.print_through),
            f"Light of the layers above adds up below a down-facing face: leave out {vector.compensation_layers} there.",
        )
    )
    return steps


def _held_step(best: Best) -> list[Step]:
    """How deep the centre of the field is cured where a place away from it is held too."""
    if best.task.hold is None:
        return []
    x, y = best.task.hold.at
    return [
        Step(
            "Cd needed = depth in the centre that gives the place held its Cd",
            f"{show_kernel(best.task.depth, 'length')} at x {x:.4g} mm, y {y:.4g} mm of the field",
            _kernel(best.aim, "length"),
            "The place that the same settings cure least is held, so all others are cured deeper.",
        )
    ]


def _reserve_step(recipe: Recipe, vector: VectorRecipe, assured: float) -> list[Step]:
    """What is kept in hand, where the needs ask for it."""
    share, w = recipe.needs.power_reserve, vector.best.task.pattern.exponent
    if not share:
        return []
    return [
        Step(
            "E aimed at = E / (1 - power_reserve)" + ("" if w == 1.0 else "^w"),
            f"{_kernel(assured, 'exposure')} / (1 - {share:g})" + ("" if w == 1.0 else f"^{w:g}"),
            _kernel(math.exp(vector.best.log_wanted), "exposure"),
            f"So the depth stays assured until the power has fallen by {percent(share)}.",
        )
    ]


def _speed_step(vector: VectorRecipe) -> Step:
    best = vector.best
    n = best.task.pattern.times
    many = "" if n == 1 else f" x {n}"
    if not best.task.pattern.raster:
        return Step(
            "v = sqrt(2/pi) P/(W0 E)" + many,
            f"0.797885 x {_f(best.power)} mW/({_f(best.beam_radius)} mm x {_f(best.exposure_min)} mJ/mm^2){many}",
            _show(vector.scan_speed),
            "Exposure on the axis of a line falls as one over the speed.",
        )
    share = best.exposure_min / best.exposure_mean
    return Step(
        "v = P (valley/mean)/(h E)" + many,
        f"{_f(best.power)} mW x {_f(share)}/({_f(best.hatch_spacing)} mm x {_f(best.exposure_min)} mJ/mm^2){many}, "
        f"h/W0 = {_f(best.hatch_spacing / best.beam_radius)}",
        _show(vector.scan_speed),
        "Half-way between two lines is the weakest place of a raster.",
    )
