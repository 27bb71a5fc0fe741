"""The fastest settings of one kind of vector inside all limits, which limits bind, and what moving them would gain.

For given radius and spacing the best speed and power follow at once (`outcome.fastest_at`), so two settings are left to
search, one for a line. The search is a grid that closes in on the best point; ties go to what cures least too deep, then to
the least power, then to the widest spacing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from ..errors import NoSolution
from ..physics import raster, roots
from .bounds import DEPTHS, LIMIT_NAMES, Task, moved
from .light import Shape
from .outcome import CLOSEST, TINY, WIDEST, at_settings, fastest_at, fastest_useful, violations, wanted_over_ratio
from .refusal import refusal

__all__ = ["Best", "Binding", "any_settings", "best_settings", "binding_limits", "on_steps", "rounded", "settable"]

_BROKEN = -1e6  # the score of settings that break a limit, and less
_TIE = 1e-7
_HOLDS = 1e-12
_MOVE = 1.1
_WIDER = 4 * (0.01, 0.03, 0.1, 0.3)
_WHOLE = ((0.0, 1.0), (0.0, 1.0))
_ROUNDS = 22  # of closing in: more than it takes to settle
_ROUNDED = 1e-9  # what rounding alone may leave beyond a limit
_NEAR = np.arange(-4.0, 5.0), np.arange(-4.0, 13.0)  # steps of radius up and of spacing down from the settings found


@dataclass(frozen=True)
class Best:
    """Floats of the settings found, with all that `outcome.at_settings` gives."""

    task: Task
    found: dict[str, Any]

    def __getattr__(self, name: str) -> Any:
        found = self.__dict__.get("found", {})
        if name in found:
            return found[name]
        raise AttributeError(name)

    @property
    def aim(self) -> float:
        """The depth in the centre of the field that is needed: deeper than asked where a slanted place is held too."""
        return float(np.ravel(self.task.depth_for(self.beam_radius, self.hatch_spacing))[0])


@dataclass(frozen=True)
class Binding:
    """A limit at which the settings stand: its field and plain name, its value, the moved value, the rate gained."""

    field: str
    name: str
    value: float
    to: float
    gain: float


# ---------------------------------------------------------------- the grid


@lru_cache
def _ratio_for(limit: float) -> float:
    """Spacing over radius at which the ripple across the lines alone, over Dp, reaches its limit."""
    return float(roots.falling_root(lambda s: -np.log1p(raster.ripple(s) / raster.valley(s)), -limit, CLOSEST, WIDEST))


def _spacings(task: Task, ratio: float, radius: Any) -> tuple[Any, Any]:
    b = task.bounds
    low = b.hatch_spacing_low or CLOSEST * radius
    return np.minimum(low, b.hatch_spacing_high), np.minimum(b.hatch_spacing_high, ratio * radius)


class _Plane:
    """Points (a, b) of the unit square to radius and spacing, and the outcome there."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.low, self.high = math.log(task.bounds.beam_radius_low), math.log(task.bounds.beam_radius_high)
        self.free_radius = self.high != self.low
        # over the widest radius across the tracks, under the law's exponent: no wider spacing keeps the ripple
        widest = max(float(across) for across, _ in map(task.pattern.spot.radii, task.pattern.tracks))
        self.ratio = _ratio_for(task.bounds.ripple / task.curve.penetration_depth) * widest / math.sqrt(task.pattern.exponent)
        self.quick = wanted_over_ratio(task)

    def outcome(self, a: Any, b: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        radius = np.clip(np.exp(self.low + a * (self.high - self.low)), self.task.bounds.beam_radius_low, self.task.bounds.beam_radius_high)
        spacing: Any = None
        narrow: Any = None
        if self.task.pattern.raster:
            least, most = _spacings(self.task, self.ratio, radius)
            narrow = np.log(least / most)
            most = np.maximum(most, least)
            spacing = np.clip(least * (most / least) ** b, least, most)
        with np.errstate(all="ignore"):  # far outside what any machine sets, numbers may run out: no setting there
            found = fastest_at(self.task, radius, spacing, self.quick)
            over = {name: np.where(np.isnan(v), np.inf, v) for name, v in violations(self.task, found).items()}
        if narrow is not None and math.isfinite(self.task.bounds.ripple):
            over["ripple"] = np.maximum(over["ripple"], narrow)
        return found, over


def _axes(plane: _Plane, coarse: bool) -> tuple[Any, Any]:
    many = 13
    more = 25 if coarse else many
    a = np.linspace(0.0, 1.0, many if plane.task.pattern.raster else many * more) if plane.free_radius else np.zeros(1)
    b = np.linspace(0.0, 1.0, more if plane.free_radius else many * more) if plane.task.pattern.raster else np.zeros(1)
    return a, b


def _zoom(
    plane: _Plane, score: Any, rounds: int, spans: tuple[tuple[float, float], tuple[float, float]] = _WHOLE, enough: float = math.inf
) -> tuple[float, float, float]:
    """Close in on the highest score inside the spans, or one that is enough: it, and where.

    score(found, over) gives (score, tie) arrays.
    """
    a_axis, b_axis = _axes(plane, True)
    a_span, b_span = spans
    best: tuple[float, float, float] | None = None
    for _ in range(rounds):
        a, b = np.meshgrid(a_span[0] + a_axis * (a_span[1] - a_span[0]), b_span[0] + b_axis * (b_span[1] - b_span[0]), indexing="ij")
        a, b = a.ravel(), b.ravel()
        value, tie = score(*plane.outcome(a, b))
        near = np.flatnonzero(value >= value.max() - _TIE)
        pick = int(near[np.lexsort(tuple(-t[near] for t in reversed(tie)))[0]])
        if best is None or value[pick] >= best[0] - _TIE:
            best = float(value[pick]), float(a[pick]), float(b[pick])
        a_span = _closer(a_span, a_axis, best[1])
        b_span = _closer(b_span, b_axis, best[2])
        if best[0] >= enough or all(high - low < 2e-8 for low, high in (a_span, b_span)):
            break
        a_axis, b_axis = _axes(plane, False)
    assert best is not None
    return best


def _closer(span: tuple[float, float], axis: Any, centre: float) -> tuple[float, float]:
    if axis.size < 2:
        return centre, centre
    step = 1.5 * (span[1] - span[0]) / (axis.size - 1)
    return max(centre - step, 0.0), min(centre + step, 1.0)


def _ties(found: dict[str, Any]) -> tuple[Any, ...]:
    spacing, beyond = found["hatch_spacing"], found["log_wanted"] - found["log_exposure"]
    power = -np.round(np.log(found["power"]), 7)
    return (np.round(beyond, 9), power, np.zeros_like(power) if spacing is None else spacing)


def _inside(found: dict[str, Any], over: dict[str, Any]) -> tuple[Any, tuple[Any, ...]]:
    """The rate; points that break a limit rank below all others, by how badly."""
    worst = np.max(list(over.values()), axis=0)
    return np.where(worst <= _HOLDS, np.log(np.maximum(found["rate"], TINY)), _BROKEN - np.minimum(worst, -_BROKEN)), _ties(found)


def any_settings(task: Task) -> bool:
    """Whether any settings meet every limit, before they are put on the machine's steps."""

    def excess(found: dict[str, Any], over: dict[str, Any]) -> tuple[Any, tuple[Any, ...]]:
        return -np.max(list(over.values()), axis=0), _ties(found)

    # the search for the fastest looks where rates are high; this one where limits are kept
    return _zoom(_Plane(task), excess, _ROUNDS, enough=-_HOLDS)[0] >= -_HOLDS


def settable(task: Task) -> bool:
    """Whether settings are found for the task, and some on the machine's steps."""
    best = _fastest(task, _ROUNDS)
    return best is not None and _stepped(best) is not None


def best_settings(task: Task, *, rounds: int = _ROUNDS) -> Best:
    """The fastest settings inside all limits.

    Raises
    ------
    NoSolution
        None exist; `limit` names a limit whose relaxation alone admits some, where there is one.
    """
    best = _fastest(task, rounds)
    if best is None:
        raise refusal(task)
    return best


def _fastest(task: Task, rounds: int) -> Best | None:
    """The fastest settings inside all limits; None where there are none."""
    plane = _Plane(task)
    value, a, b = _zoom(plane, _inside, rounds)
    if value <= _BROKEN:
        return _slower(task, rounds)
    quick, plane.quick = plane.quick, None  # the exact exposure at the end
    found, over = plane.outcome(np.array([a]), np.array([b]))
    if quick is not None and max(float(v[0]) for v in over.values()) > _HOLDS:  # the table was a little off at a limit
        for spans in (_about(a, b, 0.02), _WHOLE):
            value, a, b = _zoom(plane, _inside, rounds, spans)
            if value > _BROKEN:
                break
        else:
            return None
        found, over = plane.outcome(np.array([a]), np.array([b]))
    # on a slope as narrow as the least speed leaves, a grid stops short of the end: look about once more, wider each time
    for wide in _WIDER if float(over["scan_speed_low"][0]) > -1e-3 else ():
        again = _zoom(plane, _inside, rounds, _about(a, b, wide))
        if again[0] > value:
            value, a, b = again
            found, over = plane.outcome(np.array([a]), np.array([b]))
    return Best(task, {k: _first(v) for k, v in found.items()})


def _about(a: float, b: float, wide: float) -> tuple[tuple[float, float], tuple[float, float]]:
    return (max(a - wide, 0.0), min(a + wide, 1.0)), (max(b - wide, 0.0), min(b + wide, 1.0))


def _slower(task: Task, rounds: int) -> Best | None:
    """Where the beam stays on at the ends, or fades less than it slows, a slower scanner leaves less there: the greatest speed at which
    settings exist.
    """
    b = task.bounds
    if task.run_up is None or task.run_up.follows is None or task.run_up.follows >= 1.0 or not b.scan_speed_low:
        return None

    def capped(speed: float) -> Task:
        return replace(task, bounds=replace(b, scan_speed_high=speed))

    tried = np.geomspace(min(b.scan_speed_high, fastest_useful(task)), b.scan_speed_low, 13).tolist()
    ends = next((pair for pair in itertools.pairwise(tried) if any_settings(capped(pair[1]))), None)
    if ends is None:
        return None
    high, low = ends
    for _ in range(24):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if any_settings(capped(middle)) else (low, middle)
    best = _fastest(capped(low), rounds)
    return None if best is None else Best(task, best.found)


def rounded(best: Best) -> Best:
    """The settings on the machine's steps, where it has any: of those near the ones found the fastest inside all limits.

    Raises
    ------
    NoSolution
        None of them are.
    """
    found = _stepped(best)
    if found is None:
        raise refusal(best.task)
    return found


def _stepped(best: Best) -> Best | None:
    task, b = best.task, best.task.bounds
    if not (b.power_step or b.scan_speed_step or b.beam_radius_step or b.hatch_spacing_step):
        return best
    radius = np.clip(best.beam_radius + b.beam_radius_step * _NEAR[0], b.beam_radius_low, b.beam_radius_high)
    radius, spacing = _on_step(radius, b.beam_radius_step, np.round, b.beam_radius_low, b.beam_radius_high), None
    if task.pattern.raster:  # a finer spot takes its lines along
        radius, fewer = (grid.ravel() for grid in np.meshgrid(radius, _NEAR[1]))
        spacing = best.hatch_spacing * radius / best.beam_radius - b.hatch_spacing_step * fewer
        spacing = np.clip(spacing, max(b.hatch_spacing_low, min(b.hatch_spacing_step, best.hatch_spacing)), b.hatch_spacing_high)
    found = on_steps(task, radius, spacing)
    found["light"] = Shape(*(v + np.zeros(np.shape(radius)) for v in found["light"]))
    over = [*violations(task, found).values(), found["log_wanted"] - found["log_exposure"]]
    inside = np.max(over, axis=0) <= _ROUNDED
    if not inside.any():
        return None
    rate = np.where(inside, np.round(np.log(found["rate"]) / _TIE), -np.inf)
    pick = int(np.lexsort((*(-tie for tie in reversed(_ties(found))), -rate))[0])
    return Best(task, {k: _first(v, pick) for k, v in found.items()})


def on_steps(task: Task, radius: Any, spacing: Any) -> dict[str, Any]:
    """Settings on the machine's steps: spacing and speed rounded down, power up, the radius to the nearest; speed found anew."""
    b = task.bounds
    radius = _on_step(radius, b.beam_radius_step, np.round, b.beam_radius_low, b.beam_radius_high)
    if spacing is not None:
        spacing = _on_step(spacing, b.hatch_spacing_step, np.floor, b.hatch_spacing_low, b.hatch_spacing_high)
    top = float(_on_step(b.power_high, b.power_step, np.floor, b.power_low, b.power_high))
    found = fastest_at(replace(task, bounds=replace(b, power_high=top)), radius, spacing)
    speed = _on_step(found["scan_speed"], b.scan_speed_step, np.floor, b.scan_speed_low, b.scan_speed_high)
    power = _on_step(found["power"], b.power_step, np.ceil, b.power_low, top)
    return at_settings(task, power, radius, spacing, speed)


def _on_step(value: Any, step: float, way: Callable[[Any], Any], low: float, high: float) -> Any:
    """Values on a step, rounded the given way, but for what rounding alone leaves; kept where no step lies inside the range."""
    if step <= 0.0:
        return value
    exact = value / step
    count = np.where(np.abs(exact - np.round(exact)) < 1e-9, np.round(exact), way(exact))
    most = np.floor(high / step + 1e-9) if math.isfinite(high) else math.inf
    found = np.maximum(np.minimum(count, most), max(math.ceil(low / step - 1e-9), 1)) * step
    return np.where(found <= high * (1.0 + 1e-9), found, value)


def _first(value: Any, pick: int = 0) -> Any:
    if isinstance(value, Shape):
        return Shape(*(float(np.ravel(v)[pick]) for v in value))
    return float(np.ravel(value)[pick if value.ndim else 0]) if isinstance(value, np.ndarray) else value


# ---------------------------------------------------------------- what binds


def _active(best: Best) -> list[str]:
    b, found = best.task.bounds, best.found
    near: list[str] = []

    def at(field: str, value: float, limit: float) -> None:
        if math.isfinite(limit) and abs(value - limit) <= 1e-4 * limit:
            near.append(field)

    at("power_high", found["power"], b.power_high)
    at("power_low", found["power"], b.power_low)
    at("scan_speed_high", found["scan_speed"], b.scan_speed_high)
    at("beam_radius_low", found["beam_radius"], b.beam_radius_low)
    at("beam_radius_high", found["beam_radius"], b.beam_radius_high)
    if best.task.pattern.pulse_rate is not None:
        at("pulse_share", found["scan_speed"], b.pulse_share * best.task.pattern.pulse_rate * found["beam_radius"])
    if best.task.pattern.raster:
        at("hatch_spacing_low", found["hatch_spacing"], b.hatch_spacing_low)
        at("hatch_spacing_high", found["hatch_spacing"], b.hatch_spacing_high)
    # limits of depth and width: by as much as they are exceeded, the depths within a thousandth of the layer
    for field, over in violations(best.task, found).items():
        limit = getattr(b, field)
        if field != "scan_speed_low" and math.isfinite(limit) and limit != 0.0:
            near_enough = 1e-3 * best.task.layer_thickness / abs(limit) if field in DEPTHS else 1e-4
            if abs(float(over)) <= near_enough:
                near.append(field)
    return near


def _relaxed(task: Task, field: str) -> Task:
    """The task with one limit moved by a tenth (a depth: by a tenth of the layer) to the easier side."""
    if field in DEPTHS:
        bounds = replace(task.bounds, **{field: getattr(task.bounds, field) + (_MOVE - 1.0) * task.layer_thickness})
        return replace(task, bounds=bounds)
    return moved(task, field, 1.0 / _MOVE if field.endswith("_low") else _MOVE)


def binding_limits(best: Best) -> list[Binding]:
    """The limits at which the settings stand, greatest gain first; only those whose moving by a tenth gains 0.1 %."""
    result = []
    for field in _active(best):
        eased = _relaxed(best.task, field)
        try:
            gain = best_settings(eased, rounds=7).rate / best.rate - 1.0
        except NoSolution:
            continue
        if gain > 1e-3:
            value, to = getattr(best.task.bounds, field), getattr(eased.bounds, field)
            result.append(Binding(field, LIMIT_NAMES[field], value, to, gain))
    return sorted(result, key=lambda one: -round(one.gain, 9))
