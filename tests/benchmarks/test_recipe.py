"""Time of recipes: draws of a whole recipe, and the search for one kind of vector."""

import math
import time
from dataclasses import replace
from pathlib import Path

from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import Bounds, RunUp, Task
from curecalc.recipe.draws import draw_depths
from curecalc.recipe.inputs import gather
from curecalc.recipe.light import Pattern
from curecalc.recipe.search import best_settings

DEMO = Path(__file__).resolve().parents[2] / "demo"
KINDS = (("hatch", True, 0.18), ("contour", False, 0.18), ("down-facing", True, 0.1), ("support", False, 0.2), ("first", True, 0.3))


def task(kind, raster, depth):
    curve = Curve(0.15, math.log(0.08), math.log(0.4), 4e-6, 4e-6, 2.5e-5, 8.0)
    bounds = Bounds(
        power_low=20.0,
        power_high=800.0,
        beam_radius_low=0.05,
        beam_radius_high=0.2,
        scan_speed_low=10.0,
        scan_speed_high=10000.0,
        ripple=0.01 if raster else math.inf,
    )
    return Task(
        kind=kind,
        pattern=Pattern(raster),
        layer_thickness=0.1,
        depth=depth,
        assurance=0.95,
        single=True,
        curve=curve,
        errors=Errors(power=0.01, beam_radius=0.01),
        bounds=bounds,
    )


def least_time(function, repeats, clock=time.perf_counter):
    times = []
    for _ in range(repeats):
        start = clock()
        function()
        times.append(clock() - start)
    return min(times)


def test_a_million_draws_of_a_whole_recipe_take_less_than_two_seconds():
    best = [best_settings(task(*one)) for one in KINDS]
    took = least_time(lambda: draw_depths(best, draws=1_000_000, seed=1), 3)
    print(f"\n1e6 draws of five kinds: {took:.2f} s (at most 2)")
    assert took < 2.0


def search_of_all(tasks):
    """Seconds of processor time over all kinds, which another program beside this one does not lengthen much."""
    took = {one.kind: least_time(lambda one=one: best_settings(one), 5, time.process_time) for one in tasks}
    print("\nsearch:", ", ".join(f"{kind} {1e3 * t:.1f} ms" for kind, t in took.items()), end="; ")
    print(f"all {1e3 * sum(took.values()):.1f} ms (at most 100)")
    return sum(took.values())


def test_the_search_over_all_kinds_takes_less_than_100_ms():
    assert search_of_all([task(*one) for one in KINDS]) < 0.1


def test_the_search_over_all_kinds_of_the_demonstration_takes_less_than_100_ms():
    """With vectors' ends, limits held with assurance and a line's width: all that the files of the demonstration ask."""
    machine, resin, needs = read_machine(DEMO / "machine.toml"), read_resin(DEMO / "resin.toml"), read_needs(DEMO / "needs.toml")
    assert search_of_all(gather(machine, resin, needs).tasks) < 0.1


def test_a_run_up_with_a_least_power_and_an_exponent_takes_at_most_forty_times_as_long_as_hard_ends():
    """The weakest place is sought at every setting tried."""
    hard = task("hatch", True, 0.18)
    hard = replace(hard, pattern=Pattern(True, exponent=1.6), run_up=RunUp(margin=1.0), vector_length=10.0, acceleration=1.5e6)
    ends = replace(hard, run_up=RunUp(1.0, margin=1.0), bounds=replace(hard.bounds, power_low=300.0, power_least=300.0))
    few, many = (least_time(lambda one=one: best_settings(one), 3, time.process_time) for one in (hard, ends))
    print(f"\nsearch with hard ends {few:.2f} s, with a run-up {many:.2f} s: {many / few:.0f} times (at most 40)")
    assert many < 40.0 * few
