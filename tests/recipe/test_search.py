"""The settings found: re-evaluated independently, inside every limit, not beaten by a dense grid; refusals that hold."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from sampling import few

from curecalc.errors import NoSolution
from curecalc.recipe import search
from curecalc.recipe.bounds import LIMIT_NAMES, Bounds
from curecalc.recipe.light import Pattern
from curecalc.recipe.outcome import at_settings, violations
from curecalc.recipe.search import best_settings, binding_limits

from .forward import broken, lower_bound
from .scenes import INFINITE, random_task

FIELD = {name: field for field, name in LIMIT_NAMES.items()}


def ways_out(task, text):
    """Each way out as a task: the limits of one way set to the numbers as printed."""
    for way in re.split(r"; or |; |Or instead: ", text):
        values = {}
        for name, value in re.findall(rf"({'|'.join(FIELD)}) of [^ ]+(?: mm/s| mm| mW|) would have to be ([0-9.e+-]*[0-9])", way):
            values[FIELD[name]] = float(value)
        if values:
            yield replace(task, bounds=replace(task.bounds, **values))


def examined(seed):
    """'found' or the name of the limit that binds, after all that must hold was checked."""
    task = random_task(seed)
    try:
        best, said, limit = best_settings(task), "", "found"
    except NoSolution as refused:
        best, said, limit = None, str(refused), refused.limit
    assert limit
    if best is None:
        # every way out admits settings, applied as printed
        tried = list(ways_out(task, said))
        assert tried or "Change layer thickness, bond or assurance" in said, said
        for eased in tried:
            assert not broken(eased, best_settings(eased).found)
        return limit
    assert task.depth - lower_bound(task, best.power, best.beam_radius, best.hatch_spacing, best.scan_speed) < 1e-7
    assert not broken(task, best.found)
    return "found"


@pytest.mark.parametrize(
    ("start", "end"), [(0, 8), *(pytest.param(*s, marks=pytest.mark.slow) for s in ((8, 25), (25, 50), (50, 75), (75, 100)))]
)
def test_random_recipes_meet_depth_inside_every_limit(start, end):
    seen = [examined(seed) for seed in range(start, end)]
    assert "found" in seen


@pytest.mark.slow
@pytest.mark.parametrize("start", range(100, 600, 100))
def test_hundreds_of_random_recipes_meet_depth_inside_every_limit(start):
    seen = [examined(seed) for seed in range(start, start + 100)]
    assert seen.count("found") > 50
    assert any(limit != "found" for limit in seen)


def dense(task, many=(23, 51, 61, 7)):
    """Best rate of a grid over radius, spacing, speed and power, judged by depth and limits alone; -inf where none fits."""
    b = task.bounds
    radius = np.geomspace(b.beam_radius_low, b.beam_radius_high, many[0] if b.beam_radius_high > b.beam_radius_low else 1)
    power = np.geomspace(b.power_low, b.power_high, many[3] if b.power_high > b.power_low else 1)
    speed = np.geomspace(b.scan_speed_low, b.scan_speed_high, many[2] if b.scan_speed_high > b.scan_speed_low else 1)
    best = -math.inf
    for w in radius:
        spacing = None
        grids = np.meshgrid(speed, power, indexing="ij")
        if task.pattern.raster:
            low = max(b.hatch_spacing_low, 0.3 * w)
            high = min(b.hatch_spacing_high, 3.0 * w)
            if low > high:
                continue
            spacing = np.geomspace(low, high, many[1] if high > low else 1)
            v, p, spacing = np.meshgrid(speed, power, spacing, indexing="ij")
        else:
            v, p = grids
        found = at_settings(task, p, np.full(p.shape, w), spacing, v)
        ok = found["log_exposure"] >= found["log_wanted"]
        for over in violations(task, found).values():
            ok &= over <= 0.0
        if task.pattern.pulse_rate is not None:
            ok &= v / task.pattern.pulse_rate <= b.pulse_share * w
        if np.any(ok):
            best = max(best, float(found["rate"][ok].max()))
    return best


def compared(seed, many):
    task = random_task(seed)
    grid = dense(task, many)
    try:
        best = best_settings(task)
    except NoSolution:
        assert grid == -math.inf
        return
    assert grid <= best.rate * 1.001


@pytest.mark.parametrize("seed", [*range(4), *(pytest.param(s, marks=pytest.mark.slow) for s in range(4, 12))])
def test_no_point_of_a_grid_is_faster_by_a_thousandth(seed):
    compared(seed, (9, 25, 31, 5))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12, 92))
def test_no_point_of_a_dense_grid_is_faster_by_a_thousandth(seed):
    compared(seed, (17, 41, 61, 7))


def test_a_planted_fault_in_the_search_is_seen_by_the_grid(monkeypatch):
    """A search that stops at half the largest spacing must lose to the grid."""
    real = search._spacings
    monkeypatch.setattr(search, "_spacings", lambda task, ratio, radius: (lambda lo, hi: (lo, lo + 0.0 * hi))(*real(task, ratio, radius)))
    for seed in range(30):
        task = random_task(seed)
        if task.pattern.raster and task.pattern.pulse_rate is None:
            try:
                best = best_settings(task)
            except NoSolution:
                continue
            if dense(task, (5, 25, 31, 5)) > best.rate * 1.001:
                return
    pytest.fail("no grid was faster than a search that stops early")


# ---------------------------------------------------------------- limits that bind


def plain(**changes):
    from curecalc.recipe.assurance import Curve, Errors
    from curecalc.recipe.bounds import Task

    bounds = {
        "power_low": 20.0,
        "power_high": 800.0,
        "beam_radius_low": 0.05,
        "beam_radius_high": 0.2,
        "scan_speed_low": 10.0,
        "scan_speed_high": 10000.0,
        "ripple": 0.01,
    }
    own = {k: changes.pop(k) for k in list(changes) if k in Bounds.__dataclass_fields__}
    curve = Curve(0.15, math.log(0.08), math.log(0.4), 4e-6, 4e-6, 2.5e-5, 8.0)
    given = {
        "kind": "hatch",
        "pattern": Pattern(True),
        "layer_thickness": 0.1,
        "depth": 0.18,
        "assurance": 0.95,
        "single": True,
        "curve": curve,
        "errors": Errors(power=0.01, beam_radius=0.01),
        "bounds": Bounds(**(bounds | own)),
    } | changes
    return Task(**given)


def names(task):
    return [one.field for one in binding_limits(best_settings(task))]


def test_a_slow_scanner_binds_and_a_faster_one_would_gain():
    found = binding_limits(best_settings(plain(scan_speed_high=500.0)))
    assert found[0].field in ("scan_speed_high", "beam_radius_high")
    speed = next(one for one in found if one.field == "scan_speed_high")
    assert speed.gain == pytest.approx(0.1, abs=1e-3)


def test_a_weak_laser_binds():
    assert names(plain(power_high=40.0))[0] == "power_high"


def test_a_given_spot_and_spacing_leave_the_laser():
    found = binding_limits(
        best_settings(plain(beam_radius_low=0.1, beam_radius_high=0.1, hatch_spacing_low=0.1, hatch_spacing_high=0.1, power_high=100.0))
    )
    power = next(one for one in found if one.field == "power_high")
    # with everything else given the speed follows the power
    assert power.gain == pytest.approx(0.1, abs=1e-9)


def test_pulses_bind_where_they_come_slowly():
    task = plain(pattern=Pattern(False, pulse_rate=5000.0), pulse_share=1.0, ripple=INFINITE)
    best = best_settings(task)
    assert best.scan_speed <= 5000.0 * best.beam_radius * (1.0 + 1e-12)
    assert "pulse_share" in [one.field for one in binding_limits(best)]


def test_a_line_takes_the_smallest_spot_and_the_least_power_that_will_do():
    best = best_settings(plain(pattern=Pattern(False), ripple=INFINITE))
    assert best.beam_radius == pytest.approx(0.05)
    assert best.scan_speed == pytest.approx(10000.0)
    assert best.power < 800.0


def test_more_power_never_builds_slower():
    rates = [best_settings(plain(power_high=p)).rate for p in (40.0, 100.0, 250.0, 600.0, 1500.0)]
    assert rates == sorted(rates)


@pytest.mark.parametrize("seeds", [range(10), pytest.param(range(10, 40), marks=pytest.mark.slow)])
def test_the_light_limit_is_never_beaten(seeds):
    for seed in seeds:
        task = random_task(seed)
        if not task.pattern.raster:
            continue
        try:
            best = best_settings(task)
        except NoSolution:
            continue
        assert best.rate <= task.bounds.power_high / best.exposure_min * (1.0 + 1e-9)


def test_a_refusal_says_the_value_that_would_do_and_it_does():
    task = plain(depth=0.1, print_through=0.05)
    with pytest.raises(NoSolution) as refused:
        best_settings(task)
    assert refused.value.limit == "print-through"
    assert "print-through of 0.05 mm would have to be" in str(refused.value)
    needed = float(str(refused.value).split("would have to be ")[1].split(" mm")[0])
    best_settings(replace(task, bounds=replace(task.bounds, print_through=needed)))
    with pytest.raises(NoSolution):
        best_settings(replace(task, bounds=replace(task.bounds, print_through=needed * 0.98)))


def test_too_little_light_is_refused_and_more_power_named():
    task = plain(power_high=0.05, power_low=0.05, scan_speed_low=200.0)
    with pytest.raises(NoSolution) as refused:
        best_settings(task)
    assert refused.value.limit == "least scan speed"
    assert "laser power of" in str(refused.value)


def test_a_laser_that_cannot_be_turned_down_overcures_and_is_told():
    best = best_settings(plain(power_low=800.0, scan_speed_high=500.0, pattern=Pattern(False), ripple=INFINITE))
    assert best.log_exposure > best.log_wanted
    with pytest.raises(NoSolution) as refused:
        best_settings(plain(power_low=800.0, scan_speed_high=500.0, overcure=0.15, pattern=Pattern(False), ripple=INFINITE))
    assert refused.value.limit == "largest overcure"
    assert "least laser power" in str(refused.value)


def test_the_quick_table_agrees_with_the_exact_exposure():
    from curecalc.recipe.outcome import fastest_at, wanted_over_ratio

    task = plain()
    radius, spacing = np.array([0.06, 0.1, 0.19]), np.array([0.05, 0.13, 0.2])
    quick = fastest_at(task, radius, spacing, wanted_over_ratio(task))
    exact = fastest_at(task, radius, spacing)
    np.testing.assert_allclose(quick["scan_speed"], exact["scan_speed"], rtol=1e-6)


def test_a_scanner_that_cannot_go_slowly_puts_its_lines_closer():
    task = plain(power_high=0.5, power_low=0.5, scan_speed_low=200.0)
    best = best_settings(task)
    assert best.hatch_spacing < 0.2 * best.beam_radius
    assert best.scan_speed >= 200.0
    assert not broken(task, best.found)


def test_ties_go_to_what_cures_least_too_deep():
    """A laser that cannot be turned down, at the greatest speed: any spot is as fast, and the dose of a line is as 1/W0 (`jacobs1992`)."""
    task = plain(power_low=800.0, pattern=Pattern(False), ripple=INFINITE, scan_speed_high=2000.0)
    best = best_settings(task)
    assert best.beam_radius == pytest.approx(task.bounds.beam_radius_high, rel=1e-6)
    narrow = best_settings(replace(task, bounds=replace(task.bounds, beam_radius_high=0.05)))
    assert narrow.rate == pytest.approx(best.rate, rel=1e-12)
    assert narrow.depth - best.depth == pytest.approx(0.15 * math.log(0.2 / 0.05), rel=1e-6)


@pytest.mark.parametrize("seed", few([41, 56, *range(3, 9)], 4))
def test_settings_on_the_machines_steps_keep_every_limit(seed):
    """In 41 and 56 the spot's nearest step is so fine that the ripple would be a quarter and a hundredth beyond its limit."""
    task = random_task(seed)
    b = task.bounds
    steps = {"power_step": 0.01 * b.power_high, "scan_speed_step": 0.005 * b.scan_speed_high, "beam_radius_step": 0.005}
    task = replace(task, assured_limits=True, bounds=replace(b, hatch_spacing_step=0.005, **steps))
    try:
        best = search.rounded(best_settings(task))
    except NoSolution:
        assert seed not in (41, 56)
        return
    assert best.beam_radius / 0.005 == pytest.approx(round(best.beam_radius / 0.005), abs=1e-9)
    assert max(float(over) for over in violations(task, best.found).values()) <= 1e-9
    assert task.depth - lower_bound(task, best.power, best.beam_radius, best.hatch_spacing, best.scan_speed) < 1e-7
    assert not broken(task, best.found)
