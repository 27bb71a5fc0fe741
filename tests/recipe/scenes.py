"""Random machines, resins and needs as tasks: from comfortable to impossible."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import Bounds, RunUp, Task
from curecalc.recipe.light import Pattern

INFINITE = math.inf


def random_task(seed: int) -> Task:
    """One task; about a third carry limits so tight that some cannot be met."""
    r = np.random.default_rng([20262, seed])

    def log(low, high):
        return float(np.exp(r.uniform(np.log(low), np.log(high))))

    def maybe(chance, value, otherwise):
        return value if r.random() < chance else otherwise

    raster = bool(r.random() < 0.6)
    dp, ec = log(0.05, 0.25), log(0.03, 0.3)
    dof = maybe(0.85, float(r.integers(2, 15)), INFINITE)
    scatter = log(0.001, 0.01)
    curve = Curve(
        dp, math.log(ec), math.log(ec) + r.uniform(1.0, 2.5), (scatter / 3.0) ** 2, (scatter / 3.0) ** 2 * log(0.3, 2.0), scatter**2, dof
    )
    errors = Errors(
        power=log(0.003, 0.04),
        exposure_scale=maybe(0.4, log(0.01, 0.06), 0.0),
        beam_radius=log(0.003, 0.03),
        beam_radius_scale=log(0.005, 0.06),
        coupon_radius_power=maybe(0.6, float(r.choice([-1.0, 0.0])), None),
        scan_speed=0.01,
        hatch_spacing=0.01,
        layer_thickness=maybe(0.7, log(0.001, 0.01), 0.0),
        depth_bias=maybe(0.5, 0.002, 0.0),
    )
    layer = log(0.03, 0.2)
    power = log(20.0, 2000.0)
    radius = log(0.04, 0.2)
    given = [bool(r.random() < 0.15) for _ in range(4)]  # power, radius, speed, spacing
    speed = log(300.0, 2e4)
    down = raster and r.random() < 0.3
    bounds = Bounds(
        power_low=power if given[0] else maybe(0.8, power / log(2.0, 40.0), power),
        power_high=power,
        beam_radius_low=radius,
        beam_radius_high=radius if given[1] else radius * log(1.0, 4.0),
        scan_speed_low=speed if given[2] else speed / log(3.0, 1000.0),
        scan_speed_high=speed,
        hatch_spacing_low=maybe(0.3, 0.3 * radius, 0.0) if raster else 0.0,
        hatch_spacing_high=maybe(0.5, radius * log(0.5, 3.0), INFINITE) if raster else INFINITE,
        ripple=maybe(0.7, log(0.002, 0.03), INFINITE) if raster else INFINITE,
        print_through=maybe(0.8, log(0.05, 0.6), INFINITE) if down else INFINITE,
        overcure=maybe(0.2, log(0.1, 0.5), INFINITE),
        pulse_share=1.0,
        line_width_high=INFINITE if raster else maybe(0.5, log(0.08, 0.5), INFINITE),
        line_width_low=0.0 if raster else maybe(0.2, log(0.03, 0.2), 0.0),
        width_accuracy=INFINITE if raster else maybe(0.3, log(0.005, 0.1), INFINITE),
    )
    bond = maybe(0.75, log(0.03, 0.2), 0.0)
    return Task(
        kind="down-facing" if down else "hatch" if raster else "contour",
        pattern=Pattern(
            raster, int(r.integers(1, 4)) if r.random() < 0.2 else 1, bool(raster and r.random() < 0.2), maybe(0.3, log(2e4, 2e5), None)
        ),
        layer_thickness=layer,
        depth=layer + bond,
        assurance=float(r.choice([0.8, 0.95, 0.99])),
        single=bool(r.random() < 0.6),
        curve=curve,
        errors=errors,
        bounds=bounds,
        layers=maybe(0.6, INFINITE, float(r.integers(1, 40))),
        above=None,
        vector_length=maybe(0.4, log(2.0, 100.0), INFINITE),
        acceleration=log(2e5, 1e7),
        settling=maybe(0.5, 3e-4, 0.0),
    )


def whole_task(seed: int) -> Task:
    """A random task whose vectors are looked at from end to end, with any run-up."""
    task, r = random_task(seed), np.random.default_rng([20263, seed])
    run_up = RunUp((None, 0.0, 1.0)[int(r.integers(3))], float(r.choice([0.0, 0.5])), float(r.choice([0.5, 1.0, 2.0])))
    bounds = replace(task.bounds, power_least=float(r.choice([0.0, 0.1])) * task.bounds.power_high)
    length = float(np.exp(r.uniform(np.log(1.0), np.log(60.0))))
    return replace(task, run_up=run_up, bounds=bounds, vector_length=length, pattern=task.pattern._replace(pulse_rate=None))
