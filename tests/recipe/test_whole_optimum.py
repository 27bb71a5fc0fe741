"""The fastest settings of whole vectors against a general optimiser, and their limits against a beam followed through the vector."""

import math

import numpy as np
import pytest
from scipy.optimize import differential_evolution

from curecalc.errors import NoSolution
from curecalc.recipe.outcome import at_settings, fastest_useful, violations
from curecalc.recipe.search import best_settings

from .forward import broken, lower_bound
from .scenes import whole_task


def followed(task, power, radius, speed):
    """Least and greatest dose along the vector over the steady line's, the light of each moment added (trapezoids in time)."""
    length, a, up = task.vector_length, task.acceleration, task.run_up
    if up.follows is None:
        t = np.linspace(0.0, length / speed, 400_001)
        place, share = speed * t, np.ones_like(t)
    else:
        top = min(speed, math.sqrt(a * length))
        rise = top / a
        cruise = max(length - top * rise, 0.0) / top
        t = np.linspace(0.0, 2.0 * rise + cruise, 400_001)
        early, late = np.minimum(t, rise), np.maximum(t - rise - cruise, 0.0)
        now = a * early - a * late
        place = 0.5 * a * early**2 + top * np.clip(t - rise, 0.0, cruise) + top * late - 0.5 * a * late**2
        share = np.ones_like(t) if up.follows == 0.0 else np.maximum(now / speed, task.bounds.power_least / power)
    steady = math.sqrt(math.pi / 2.0) * radius / speed
    found = []
    for further in (*np.linspace(0.0, 1.0, 9), math.inf):  # places every eighth of a radius beyond the margin, and the middle
        x = min((up.margin + further) * radius, 0.5 * length)
        found.append(np.trapezoid(share * np.exp(-2.0 * ((x - place) / radius) ** 2), t) / steady)
    return min(found), max(found)


def scores(task, x, rate_only=False):
    """Rate of points (ln radius, ln spacing/radius, ln speed, ln power), below zero by how much a limit is broken."""
    radius, ratio, speed, power = np.exp(x)
    b = task.bounds
    spacing = np.clip(ratio * radius, max(b.hatch_spacing_low, 1e-6), b.hatch_spacing_high) if task.pattern.raster else None
    with np.errstate(all="ignore"):
        found = at_settings(task, power, radius, spacing, speed)
        over = [np.nan_to_num(v, nan=9.0, posinf=9.0) for v in violations(task, found).values()]
        worst = np.max([*over, found["log_wanted"] - found["log_exposure"]], axis=0)
    return np.where(worst <= 1e-9, found["rate"], -np.minimum(np.nan_to_num(worst, nan=9.0), 9.0))


def optimum(task, near, seed):
    """The best rate that differential evolution finds, begun anywhere and around the settings found."""
    b = task.bounds
    bounds = [
        np.log([b.beam_radius_low, b.beam_radius_high]),
        np.log([0.05, 4.0]),
        np.log([b.scan_speed_low, max(min(b.scan_speed_high, fastest_useful(task)), b.scan_speed_low)]),
        np.log([b.power_low, b.power_high]),
    ]
    low, high = np.array(bounds).T
    r = np.random.default_rng(seed)
    first = r.uniform(low, high, (60, 4))
    if near is not None:
        ratio = near.hatch_spacing / near.beam_radius if task.pattern.raster else 1.0
        here = np.log([near.beam_radius, ratio, near.scan_speed, near.power])
        spread = np.repeat([1e-4, 1e-3, 1e-2, 0.1], 8)[:, None]
        first[:32] = np.clip(here + spread * r.standard_normal((32, 4)), low, high)
        first[0] = np.clip(here, low, high)
    found = differential_evolution(
        lambda x: -scores(task, x), bounds, init=first, vectorized=True, updating="deferred", maxiter=250, tol=1e-12, polish=False, rng=seed
    )
    return -float(found.fun)


def compared(seed):
    """Whether settings were found; limits and depth by the followed beam within 1e-6, no faster setting by more than 1e-4."""
    task = whole_task(seed)
    try:
        best = best_settings(task)
    except NoSolution:
        assert optimum(task, None, seed) <= 0.0, "settings exist where none were found"
        return False
    least, most = followed(task, best.power, best.beam_radius, best.scan_speed)
    assert best.along_min == pytest.approx(least, rel=1e-6)
    assert best.along_max == pytest.approx(most, rel=1e-6)
    step, r, v = 1e-3, best.beam_radius, best.scan_speed
    # how the ends change with the true spot, at the same places, and with speed
    wider, narrower = (_spot(task, best, math.exp(s)) for s in (step, -step))
    faster, slower = (followed(task, best.power, r, v * math.exp(s))[0] for s in (step, -step))
    extra = (math.log(wider / narrower) / (2 * step), math.log(faster / slower) / (2 * step))
    assert task.depth - lower_bound(task, best.power, r, best.hatch_spacing, v, ends=(least, *extra)) < 1e-6
    assert not broken(task, best.found, ends=(least, most))
    assert optimum(task, best, seed) <= best.rate * (1.0 + 1e-4)
    return True


def _spot(task, best, factor):
    """Least dose along the vector for a spot wider than set, at the places that the set one names."""
    from dataclasses import replace

    margin = task.run_up.margin / factor
    return followed(replace(task, run_up=replace(task.run_up, margin=margin)), best.power, best.beam_radius * factor, best.scan_speed)[0]


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (0, 1),
        pytest.param(1, 4, marks=pytest.mark.slow),
        *(pytest.param(s, min(s + 6, 100), marks=pytest.mark.slow) for s in range(4, 100, 24)),
    ],
)
def test_a_general_optimiser_finds_nothing_faster(start, end):
    seen = [compared(seed) for seed in range(start, end)]
    assert any(seen)
