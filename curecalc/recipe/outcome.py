"""What settings of one kind of vector do: the depths, widths and rates limits are asked of. Floats and arrays."""

from __future__ import annotations

import dataclasses
import math
from typing import Any, NamedTuple

import numpy as np

from ..physics import light as _light
from ..physics import motion, stack
from ..physics.roots import falling_root
from ..statistics.intervals import t_quantile
from .assurance import STEPS, assured_log_exposure, normal_factor, quick_factor, reach_beyond, relative_variance
from .bounds import RunUp, Task
from .ends import along, ends_of, least_along, with_ends
from .light import Pattern, Shape, shape

__all__ = [
    "at_settings",
    "fastest_at",
    "fastest_useful",
    "held",
    "line_widths",
    "log_wanted",
    "move_time",
    "rate",
    "step_of",
    "violations",
    "wanted_over_ratio",
]

_SETTLED = 1e-11  # relative change of speed, or of power at the speed limit
_SHORT = 0.7  # in ln speed
_MORE = np.geomspace(1.0, 40.0)
TINY = np.finfo(float).tiny
_MOST = 600.0  # log exposure no machine reaches, still a number in float64
CLOSEST = 0.05  # spacing over radius of the closest lines tried: below 0.5 they only help a scanner that cannot go slowly enough
WIDEST = 4.0
_RATIOS = np.linspace(CLOSEST, WIDEST, 1000)
COVERAGE = 2.0  # of the expanded uncertainty of a line width


def step_of(task: Task) -> float:
    """Relative error of the radius over which the powers of the settings are taken."""
    return 2.0 * math.hypot(task.errors.beam_radius, task.errors.beam_radius_scale)


def rate(task: Task, speed: Any, spacing: Any) -> Any:
    """Area (or, for lines, length) finished per time, with the overhead at the ends of vectors of typical length."""
    if math.isfinite(task.vector_length):
        ends = task.settling + (move_time(task, spacing) if task.pattern.raster else 0.0)
        speed = task.vector_length / (vector_time(task, task.vector_length, speed) + ends)
    return speed * (spacing if task.pattern.raster else 1.0) / task.pattern.times


def move_time(task: Task, length: Any) -> Any:
    """Time of a move with the beam off, from rest to rest."""
    if not math.isfinite(task.move_speed):
        return 0.0 * length
    if not math.isfinite(task.acceleration):
        return length / task.move_speed
    return motion.vector_time(length, task.move_speed, task.acceleration)


def vector_time(task: Task, length: Any, speed: Any) -> Any:
    """Time of one vector from rest to rest; a run-up with the beam off lies outside it."""
    if not math.isfinite(task.acceleration):
        return length / speed
    if task.run_up is not None and task.run_up.follows is None:
        return length / speed + 2.0 * speed / task.acceleration
    return motion.vector_time(length, speed, task.acceleration)


def fastest_useful(task: Task) -> float:
    """The speed beyond which vectors of typical length take longer, or are at speed for too little of their way."""
    way = task.vector_length * task.acceleration
    if not math.isfinite(way):
        return math.inf
    if task.run_up is None:
        return math.sqrt(way)
    return math.sqrt(0.5 * way if task.run_up.follows is None else (1.0 - task.run_up.reached) * way)


def log_wanted(task: Task, light: Shape, radius: Any, spacing: Any) -> Any:
    """The ln dose that assures the depth asked for, in the centre, with what is kept in reserve."""
    relative = relative_variance(task.errors, *light.powers)
    target = task.depth_for(radius, spacing)
    assured = assured_log_exposure(task.curve, task.errors, relative, target, assurance=task.assurance, single=task.single)
    return assured + task.reserve


def wanted_over_ratio(task: Task) -> Any | None:
    """The exposure needed as a quick function of spacing over radius (any for a line), where it depends on that alone.

    A table for searches, good to about 1e-7; None where more enters: the speed of a pulsed laser, the directions of an ellipse, the
    spot itself under an exponent or where a place out of focus is held, how power follows another power of speed.
    """
    pattern = task.pattern
    if pattern.pulse_rate is not None or pattern.spot.wy is not None or pattern.exponent != 1.0:
        return None
    if task.hold is not None and (task.hold.out_of_focus or task.hold.wider != 1.0):
        return None
    up = task.run_up
    if up is not None and up.follows not in (None, 0.0, 1.0):
        return None
    # vectors so long that one end does not feel the other; where the beam stays on, the weakest place is at full speed, and where power
    # follows speed an end is as hard as one at full speed
    if up is None or up.follows == 0.0:
        far = dataclasses.replace(task, vector_length=math.inf)
    else:
        far = dataclasses.replace(task, vector_length=1e3, run_up=RunUp(margin=up.margin))
    spacing: Any = _RATIOS if pattern.raster else None
    radius = np.ones(np.shape(spacing))
    lit, _ = with_ends(
        far, shape(pattern, radius, spacing, step=step_of(task)), task.bounds.power_high, radius, task.bounds.scan_speed_high
    )
    values = log_wanted(task, lit, radius, spacing)
    return lambda radius, spacing: np.interp(spacing / radius, _RATIOS, values) if pattern.raster else values


def fastest_at(task: Task, radius: Any, spacing: Any, quick: Any | None = None) -> dict[str, Any]:
    """The fastest speed, and the power it takes, for given radii and spacings; then all that `at_settings` gives.

    Full power where the scanner allows the speed it gives; else the speed limit and the power that meets the depth
    there, though not less than the least power. `quick` is `wanted_over_ratio`.
    """
    b, w, pulses = task.bounds, task.pattern.exponent, task.pattern.pulse_rate
    cap: Any = min(b.scan_speed_high, max(fastest_useful(task), b.scan_speed_low))
    if pulses:
        cap = np.minimum(cap, b.pulse_share * pulses * radius)
    # what light a speed leaves depends on it itself where there are pulses or the scanner speeds up inside the vector
    ends = ends_of(task, b.power_high, task.vector_length)
    again = pulses or ends.acceleration
    # a beam that stays on leaves the same at all speeds that the vector is too short for
    runs_up = again and not pulses
    reached = math.sqrt(task.vector_length * task.acceleration) if runs_up and ends.follows == 0.0 else math.inf
    # the speed that full power would allow: beyond the limit it stands for so much less power
    would: Any = cap * np.ones(np.shape(radius))
    most = cap * (b.power_high / b.power_low) ** w if b.power_low else math.inf

    def settings(would: Any) -> tuple[Any, Any]:
        return np.minimum(would, cap), np.clip(b.power_high * np.minimum(cap / would, 1.0) ** (1.0 / w), b.power_low, b.power_high)

    last: tuple[Any, Any] | None = None
    for _ in range(STEPS):
        speed, power = settings(would)
        light = shape(task.pattern, radius, spacing, speed, step_of(task), powers=quick is None)
        if quick is None:
            light, least = with_ends(task, light, power, radius, speed, spacing)
            wanted = log_wanted(task, light, radius, spacing)
        else:
            least, wanted = least_along(task, power, radius, speed, spacing=spacing), quick(radius, spacing)
        new = b.power_high**w * light.weakest * least / np.exp(_aimed(task, light, wanted, radius))
        if pulses:
            # pulses that lie further apart leave less between them: Newton's step in ln speed, from above, where it cannot miss
            new = np.where(new < speed, speed * (new / speed) ** np.reciprocal(-light.speed_power), new)
        new = np.minimum(np.where(new < speed, np.minimum(new, reached), new), most)
        before, would = would, new
        if not again or np.allclose(before, new, _SETTLED, 0.0):
            break
        if not runs_up:
            continue
        here = np.log(before), np.log(new / before)
        if last is not None:  # slower always leaves more: the secant's step in ln speed, where it is short
            with np.errstate(divide="ignore", invalid="ignore"):
                step = -here[1] * (here[0] - last[0]) / (here[1] - last[1])
            would = np.where(np.abs(step) < _SHORT, np.minimum(np.exp(here[0] + step), most), new)
        last = here
    speed, power = settings(would)
    return at_settings(task, power, radius, spacing, speed, light=light, wanted=wanted)


def _aimed(task: Task, light: Shape, wanted: Any, radius: Any) -> Any:
    """The exposure to aim at: what depth needs, or more where a line has to be wider or its width surer."""
    b = task.bounds
    if task.pattern.raster:
        return wanted
    threshold = task.curve.log_threshold
    with np.errstate(over="ignore"):
        needed = _light.dose_for_width(task.pattern.line(radius), b.line_width_low, task.curve.cure.dose(0.0), task.pattern.exponent)
    x = np.maximum(wanted, np.minimum(np.log(needed), _MOST))
    if b.width_accuracy == math.inf:
        return x

    radius = np.asarray(radius, float)
    lit = Shape(*(np.broadcast_to(part, radius.shape)[..., None] for part in light))

    def unsure(excess: Any) -> Any:
        return line_widths(task, lit, threshold + excess, radius[..., None])["line_width_expanded"]

    tried = (x - threshold)[..., None] * _MORE
    fails = unsure(tried) > b.width_accuracy
    if not fails.any():
        return x
    first = np.argmin(fails, axis=-1)[..., None]  # the least exposure at which the width is sure enough
    low, high = (np.take_along_axis(tried, at, -1) for at in (first - 1, first))
    enough = falling_root(unsure, np.full(high.shape, b.width_accuracy), low, high)
    # none is sure enough: leave the depth's exposure, the limit then shows as broken
    never = fails.all(axis=-1)
    return np.where(never | ~fails[..., 0], x, threshold + enough[..., 0])


def at_settings(
    task: Task, power: Any, radius: Any, spacing: Any, speed: Any, *, light: Shape | None = None, wanted: Any = None
) -> dict[str, Any]:
    """Exposures, depths, widths and rate of settings."""
    if light is None:
        light, _ = with_ends(task, shape(task.pattern, radius, spacing, speed, step_of(task)), power, radius, speed, spacing)
        wanted = log_wanted(task, light, radius, spacing)
    pattern, law = task.pattern, task.curve.cure
    per = power**pattern.exponent / speed
    least, most = along(task, power, radius, speed, spacing=spacing)
    hot = most * task.hottest
    fine = _finest(task, light, radius, spacing, speed)
    weakest, mean, strongest = light.weakest * per * least, light.mean * per, fine.strongest * per * hot
    x = np.log(weakest)
    depth = law.height(weakest)
    deep = light.fullest * per * hot  # across the lines the weakest, along them where the scanner is slowest
    deepest = law.height(deep)
    # the exposure carries energy only
    plain, steady, low, high = pattern._replace(exponent=1.0), light, least, most
    if plain != pattern:
        steady = shape(plain, radius, spacing, speed, powers=False)
        low, high = along(dataclasses.replace(task, pattern=plain), power, radius, speed, spacing=spacing)
    out = {
        "power": power,
        "beam_radius": radius,
        "hatch_spacing": spacing,
        "scan_speed": speed,
        "log_exposure": x,
        "log_wanted": wanted,
        "exposure_min": steady.weakest * low * power / speed,
        "exposure_mean": steady.mean * power / speed,
        "exposure_max": steady.strongest * high * power / speed,
        "dose_min": weakest,
        "dose_mean": mean,
        "dose_max": strongest,
        "dose_deepest": deep,
        "depth": depth,
        "depth_max": deepest,
        "along_min": least,
        "along_max": most,
        "ripple": law.height(strongest) - law.height(fine.fullest * per * hot),
        "rate": rate(task, speed, spacing),
        "light": light,
    }
    # this layer at its strongest, and those above at their mean
    out["dose_above"] = mean if task.above is None else task.above
    out["print_through"] = stack.print_through(law, strongest, task.layer_thickness, task.layers, out["dose_above"])
    out |= line_widths(task, light, x, radius)
    out["line_width_max"] = _line_width(task, np.log(deep), radius, 0.0, widest=True)
    out |= _upper(task, out) if task.assured_limits else {}
    return out


def _finest(task: Task, light: Shape, radius: Any, spacing: Any, speed: Any, finer: float = 0.0) -> Shape:
    """The light at the place of the field with the finest spot, itself finer by so much of ln; `light` where that is the centre's."""
    finer -= math.log(task.finest)
    return shape(task.pattern, radius * math.exp(-finer), spacing, speed, powers=False) if finer else light


def _upper(task: Task, found: dict[str, Any]) -> dict[str, Any]:
    """How far each limited quantity may reach beyond its expected value, one-sided with the assurance asked."""
    light, errors, b, out = found["light"], task.errors, task.bounds, {}
    _, *others = light.powers

    def beyond(dose: Any, relative: Any, **lever: Any) -> Any:
        return reach_beyond(task.curve, errors, np.log(dose), relative, assurance=task.assurance, single=task.single, **lever)

    if b.overcure < math.inf:
        out["overcure_beyond"] = beyond(found["dose_deepest"], relative_variance(errors, light.fullest_power, *others))
    if b.print_through < math.inf:
        law, above = task.curve.cure, found["dose_above"]
        deeper = dataclasses.replace(law, penetration_depth=law.penetration_depth * math.exp(_light.STEP))
        # where layers add up without bound nothing more counts
        most = math.exp(_MOST)
        sums = (stack.total(one, found["dose_max"], task.layer_thickness, task.layers, above) for one in (law, deeper))
        total, more = (np.minimum(one, most) for one in sums)
        # the ridges get more from a finer spot, and a deeper resin gets more from the layers above
        step = max(step_of(task), _light.STEP)
        settings = found["beam_radius"], found["hatch_spacing"], found["scan_speed"]
        here, finer = (_finest(task, light, *settings, by) for by in (0.0, step))
        ridges = relative_variance(errors, np.log(here.strongest / finer.strongest) / step, *others)
        out["print_through_beyond"] = beyond(total, ridges, lever=np.log(more / total) / _light.STEP)
    z = normal_factor(task.assurance)
    if b.ripple < math.inf and task.pattern.raster:
        # lines further apart for the spot they meet, in a resin that reaches deeper
        narrower = _narrower(task.pattern)
        apart = math.exp(z * math.hypot(errors.beam_radius, errors.beam_radius_scale, errors.hatch_spacing, narrower))
        law, per = task.curve.cure, found["power"] ** task.pattern.exponent / found["scan_speed"] * found["along_max"] * task.hottest
        spot = found["beam_radius"] * task.finest
        wide = shape(task.pattern, spot, found["hatch_spacing"] * apart, found["scan_speed"], powers=False)
        more = law.height(wide.strongest * per) - law.height(wide.weakest * per) - found["ripple"]
        unsure = np.sqrt(task.curve.slope_variance) / task.curve.penetration_depth * found["ripple"]
        out["ripple_beyond"] = np.hypot(more, t_quantile(task.assurance, task.curve.degrees_of_freedom) * unsure)
    if not task.pattern.raster:
        # of all directions the weakest is the least sure of its width
        there = line_widths(task, light, np.log(found["dose_deepest"] * light.weakest / light.fullest), found["beam_radius"])
        out["width_beyond"] = there["line_width_beyond"] * found["line_width_max"] / np.maximum(there["line_width"], TINY)
        out["width_short"] = found["line_width_beyond"]
    return out


def _narrower(pattern: Pattern) -> float:
    """By how much, as a logarithm, an elliptical spot gets narrower across the tracks when it is turned by a standard uncertainty."""
    if not pattern.turned or len(pattern.tracks) > 1:
        return 0.0
    here, *turned = (float(pattern.spot.radii(pattern.tracks[0] + way * pattern.turned)[0]) for way in (0.0, -2.0, 2.0))
    return 0.5 * max(math.log(here / min(turned)), 0.0)


def _line_width(task: Task, x: Any, radius: Any, depth: float, *, widest: bool = False) -> Any:
    """Width of the cured line at a depth, for ln of the weakest dose on its centre over the directions; zero for rasters.

    In the direction in which it is narrowest, or `widest` for ln of the strongest dose.
    """
    if task.pattern.raster:
        return np.zeros(np.shape(x))
    pattern, dose, threshold = task.pattern, np.exp(np.minimum(x, _MOST)), task.curve.cure.dose(depth)
    scans = [pattern.line(radius, track) for track in pattern.tracks]
    peaks = [pattern.doses(scan)["min"] for scan in scans]
    of = np.max if widest else np.min
    whole = of(peaks, axis=0)
    return of([_light.line_width(scan, dose * (p / whole), threshold, pattern.exponent) for scan, p in zip(scans, peaks)], axis=0)


def line_widths(task: Task, light: Shape, x: Any, radius: Any) -> dict[str, Any]:
    """Width of the cured line at the surface and at the bottom of the layer, its expanded uncertainty, and how far it may reach (mm).

    Lw^2 = 2 W0^2 ln(E/Ec): the radius enters directly and through the exposure. Zero for rasters.
    """
    width = _line_width(task, x, radius, 0.0)
    if task.pattern.raster:
        return {"line_width": width, "line_width_at_layer": width, "line_width_expanded": width, "line_width_beyond": width}
    curve, errors = task.curve, task.errors
    below = _line_width(task, x, radius, task.layer_thickness)
    excess = np.where(width, x - curve.log_threshold, math.inf)
    powers = (light.power_power * errors.power) ** 2 + (light.power_power * errors.exposure_scale) ** 2
    others = powers + (light.speed_power * errors.scan_speed) ** 2 + (errors.depth_bias / curve.slope(curve.log_threshold)) ** 2
    held = 0.0 if errors.coupon_radius_power is None else errors.coupon_radius_power
    # the radius counts directly and through ln E, there without the part that cancels
    type_b = (
        ((1.0 + 0.5 * light.radius_power / excess) * errors.beam_radius) ** 2
        + ((1.0 + 0.5 * (light.radius_power - held) / excess) * errors.beam_radius_scale) ** 2
        + ((1.0 - 0.5 / excess) * light.turn) ** 2
        + others / (4.0 * excess**2)
    )
    type_a = curve.log_threshold_variance / (4.0 * excess**2)
    u, factor = width * np.sqrt(type_a + type_b), quick_factor(type_a, type_b, curve.degrees_of_freedom, task.assurance)
    return {"line_width": width, "line_width_at_layer": below, "line_width_expanded": COVERAGE * u, "line_width_beyond": factor * u}


class Held(NamedTuple):
    """What comes out of settings beside its limit, and how far it is kept clear of it for the assurance asked for."""

    value: Any
    limit: float
    clear: Any = 0.0
    least: bool = False

    @property
    def stated(self) -> bool:
        """Whether a limit is set."""
        return self.limit > 0.0 if self.least else self.limit != math.inf

    @property
    def room(self) -> Any:
        """How far inside its limit the value lies, what is kept clear not counted."""
        return self.value - self.limit if self.least else self.limit - self.value


def held(task: Task, found: dict[str, Any]) -> dict[str, Held]:
    """All that is held within limits, by field of `Bounds`: a recipe keeps them, a logbook looks whether they still hold."""
    b, given = task.bounds, found.get
    out = {
        "scan_speed_low": Held(found["scan_speed"], b.scan_speed_low, least=True),
        "print_through": Held(found["print_through"], b.print_through, given("print_through_beyond", 0.0)),
        "overcure": Held(found["depth_max"] - task.layer_thickness, b.overcure, given("overcure_beyond", 0.0)),
    }
    if task.pattern.raster:
        return out | {"ripple": Held(found["ripple"], b.ripple, given("ripple_beyond", 0.0))}
    return out | {
        "line_width_high": Held(found["line_width_max"], b.line_width_high, given("width_beyond", 0.0)),
        "width_accuracy": Held(found["line_width_expanded"], b.width_accuracy),
        "line_width_low": Held(found["line_width"], b.line_width_low, given("width_short", 0.0), least=True),
    }


def violations(task: Task, found: dict[str, Any]) -> dict[str, Any]:
    """By how much each limit is exceeded, as ln of value over limit: above zero where it does not hold."""

    def over(one: Held) -> Any:
        if not one.stated:
            return np.full(np.shape(found["rate"]), -np.inf)
        if one.least:
            return np.log(one.limit / np.maximum(one.value - one.clear, TINY))
        if one.limit <= 0.0:  # a depth that may not be positive: compared in penetration depths
            return (one.value + one.clear - one.limit) / task.curve.penetration_depth
        return np.log(np.maximum(one.value + one.clear, TINY) / one.limit)

    return {field: over(one) for field, one in held(task, found).items()}
