"""What a recipe says of its settings: shares of a vector, what limits them, notes on both sides of each threshold; kinds and works."""

import inspect
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.jobs.machine import Machine
from curecalc.physics.light import Gaussian
from curecalc.recipe import recipe as making
from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import Bounds, Hold, RunUp, Task
from curecalc.recipe.draws import draw_depths
from curecalc.recipe.light import Pattern, Shape
from curecalc.recipe.outcome import at_settings
from curecalc.recipe.rates import Work
from curecalc.recipe.record import Limit, assumptions, main_vector
from curecalc.recipe.search import Best
from curecalc.recipe.steps import _reserve_step
from curecalc.recipe.window import process_window
from curecalc.units import Quantity as Q

from .whole_shops import Case, files

Z = 1.6448536
LN_EC = math.log(0.08)
KNOWN = Curve(0.15, LN_EC, LN_EC + 1.0, 0.0, 0.0, 0.0, math.inf)
BOUNDS = Bounds(1.0, 300.0, 0.05, 0.2, 10.0, 5000.0)
LINE = Task("line", Pattern(False), 0.1, 0.15, 0.95, True, KNOWN, Errors(power=0.02), BOUNDS)


def best(task=LINE, **found):
    """Settings that give the line 0.3 mm (two penetration depths), where 0.15 mm and what is unsure are asked for."""
    dose = 0.08 * math.exp(2.0)
    given = {"power": 100.0, "beam_radius": 0.1, "hatch_spacing": None, "scan_speed": math.sqrt(2.0 / math.pi) * 100.0 / (0.1 * dose)}
    made = at_settings(task, *given.values())
    return Best(task, made | {k: v[()] if isinstance(v, np.ndarray) else v for k, v in made.items()} | given | found)


def test_the_assurance_of_more_exposure_than_was_asked_for():
    """0.15 mm beyond what is needed at u = Dp 2 % = 3 um: 50 u; a little more than asked for is worked out, rounding is not."""
    one = best()
    state = making.state_of(one)
    assert state["standard_uncertainty"] == pytest.approx(0.003)
    assert state["assurance"] == pytest.approx(1.0)
    assert making.lower_bound(one, state) == pytest.approx(0.3 - Z * 0.003, rel=1e-6)
    assert making.lower_bound(best(depth=0.001), state) == 0.0
    at = LN_EC + 1.0 + 2.0 * 0.02  # a depth two standard uncertainties beyond the needed: 97.725 %
    for more, sure in ((1e-10, 0.95), (1e-8, 0.977249868), (5e-4, 0.977249868)):
        assert making.state_of(best(log_exposure=at, log_wanted=at - more))["assurance"] == pytest.approx(sure, rel=1e-7)
    kept = best(replace(LINE, reserve=0.01), log_exposure=at, log_wanted=at)
    assert making.state_of(kept)["assurance"] == pytest.approx(0.977249868)


def test_the_share_of_a_vector_at_full_speed():
    """v^2/a of the way is taken by the two ends."""
    task = replace(LINE, vector_length=8.0, acceleration=1e6)
    for speed, share in ((2000.0, 0.5), (4000.0, 0.0)):
        assert making._share_at_speed(best(task, scan_speed=speed)) == pytest.approx(share)
    assert making._share_at_speed(best(replace(task, run_up=RunUp(0.0)), scan_speed=2000.0)) == pytest.approx(0.5)
    assert making._share_at_speed(best(replace(task, run_up=RunUp()), scan_speed=2000.0)) == 1.0
    assert making._share_at_speed(best(replace(task, vector_length=math.inf))) is None
    assert making._share_at_speed(best(replace(task, acceleration=math.inf))) is None


def test_what_holds_where_no_limit_gains_anything():
    fast = replace(LINE, vector_length=4.0, acceleration=1e6)
    assert making._otherwise(best(fast, scan_speed=2000.0)) == "scanner acceleration"
    assert making._otherwise(best(fast, scan_speed=1999.0)) == "scanner speed"
    given = replace(LINE, bounds=replace(BOUNDS, scan_speed_low=5000.0))
    assert making._otherwise(best(given)) == "given scan speed"
    assert making._otherwise(best(power=300.0)) == "laser power"
    assert making._otherwise(best(power=299.9)) == "scanner speed"


def test_the_speed_without_doubt_brings_what_the_depth_needs():
    one = best()
    assert making._speed_without_doubt(one) == pytest.approx(one.scan_speed * math.e)
    assert one.aim == 0.15


def test_notes_of_exposures_beyond_the_coupons_and_of_settings_that_cannot_give_less():
    def said(**found):
        curve = replace(KNOWN, low=LN_EC + 0.5, high=LN_EC + 2.0)
        return making._notes(SimpleNamespace(kind="line"), best(replace(LINE, curve=curve), **found))

    def at(x, **found):
        return said(log_exposure=LN_EC + x, log_wanted=LN_EC + x, **found)

    assert at(0.5) == at(2.0) == at(1.0) == []
    assert at(2.01) == ["line: 59.71 mJ/cm^2 is above the coupons' exposures (to 59.11): extrapolated."]
    assert at(0.49) == ["line: 13.06 mJ/cm^2 is below the coupons' exposures (to 13.19): extrapolated."]
    assert making._notes(SimpleNamespace(kind="line"), best(log_exposure=9.0, log_wanted=9.0)) == []
    more = {"log_exposure": LN_EC + 1.5, "log_wanted": LN_EC + 1.4, "depth": 0.225}
    assert said(**more, power=1.0) == ["line: 15 um deeper than the assurance needs: the power cannot go lower and the speed not higher."]
    assert said(**more, power=1.1) == ["line: 15 um deeper than the assurance needs: the line's width asks for it."]
    assert said(log_exposure=LN_EC + 1.5, log_wanted=LN_EC + 1.5 - 1e-7) == []
    assert len(said(log_exposure=LN_EC + 1.5, log_wanted=LN_EC + 1.5 - 1e-4)) == 1


def test_the_corner_of_the_field_is_told_of_where_it_loses_half_a_micrometre():
    def vector(kind, um, zones=None):
        change = None if um is None else Q(-1e-3 * um, "mm")
        return SimpleNamespace(kind=kind, field_zones=zones, field_depth_change=change, field_incidence_angle=Q(12.0, "deg"))

    def said(*vectors, held=False):
        needs = SimpleNamespace(vectors=[SimpleNamespace(hold_at_field_edge=held)] * len(vectors))
        return making._edge_note(needs, vectors)

    assert said(vector("a", 0.49)) == said(vector("a", None)) == said(vector("a", 9.0, {})) == said(vector("a", 9.0), held=True) == []
    (told,) = said(vector("a", 0.51), vector("b", 7.0), vector("c", 3.0))
    assert "(beam 12 deg from the vertical) depths are up to 7 um less (b); hold_at_field_edge = true" in told


def test_the_layers_of_a_down_facing_face_take_the_first_hatch():
    def kind(raster, down):
        return SimpleNamespace(raster=raster, down_facing=down)

    needs = SimpleNamespace(vectors=[kind(False, False), kind(True, True), kind(True, False), kind(True, False)])
    found = {i: SimpleNamespace(dose_mean=10.0 + i) for i in range(4)}
    assert making.hatch_exposure(needs, found) == 12.0
    assert making.hatch_exposure(needs, {3: found[3], 0: found[0]}) == 13.0
    assert making.hatch_exposure(needs, {0: found[0], 1: found[1]}) is None
    assert main_vector([{"pattern": "line"}, {"pattern": "raster", "down_facing": True}, {"pattern": "raster"}]) == {"pattern": "raster"}
    assert main_vector([{"pattern": "line", "n": 1}, {"pattern": "raster", "down_facing": True}])["n"] == 1


def test_more_passes_only_where_one_is_too_fast(monkeypatch):
    from curecalc.errors import NoSolution

    tried = []

    def settings(enough, limit="least scan speed"):
        def found(task):
            tried.append(task.pattern.passes)
            if task.pattern.passes < enough:
                raise NoSolution(f"{task.pattern.passes}", limit=limit)
            return task.pattern.passes

        tried.clear()
        monkeypatch.setattr(making, "best_settings", found)
        return making._with_passes(LINE, None)

    assert [settings(n) for n in (1, 2, 4)] == [1, 2, 4]
    assert settings(2, "given scan speed") == 2
    for enough, limit, looked in ((5, "least scan speed", [1, 2, 3, 4]), (2, "ripple", [1])):
        with pytest.raises(NoSolution, match="1"):
            settings(enough, limit)
        assert tried == looked
    monkeypatch.setattr(making, "best_settings", lambda task: task.pattern.passes)
    assert making._with_passes(replace(LINE, pattern=Pattern(False, 3)), 3) == 3


def test_limits_are_told_in_their_own_units():
    def told(field, value, to, gain=0.0123):
        one = Limit("name", field, value, to, gain)
        return one.sentence, one.to_dict()["value"]

    assert told("power_high", 100.0, 110.0) == ("name: moved to 110 mW, 1.2 % faster", {"value": 100.0, "unit": "mW"})
    assert told("scan_speed_low", 100.0, 90.91)[0] == "name: moved to 90.9 mm/s, 1.2 % faster"
    assert told("ripple", 0.01, 0.011) == ("name: moved to 0.011 mm, 1.2 % faster", {"value": 0.01, "unit": "mm"})
    assert told("beam_radius_low", 0.1, 0.09)[1]["unit"] == told("print_through", 0.1, 0.11)[1]["unit"] == "mm"
    assert told("pulse_share", 1.0, 1.1)[0] == "name: moved to 1.1, 1.2 % faster"


def test_what_a_recipe_takes_for_granted():
    def said(ratio=1.0, acceleration=None, reserve=0.0):
        machine = SimpleNamespace(radius_ratio=ratio, acceleration=acceleration)
        return assumptions(machine, SimpleNamespace(judged_from=1.5, power_reserve=reserve))

    plain = said()
    assert len(plain) == 4
    assert plain[1] == "Gaussian round spot; the speed is constant along a vector: the machine file states no acceleration."
    oval = said(1.1, Q(1e6, "mm/s^2"), 0.05)
    assert oval[0] == "5 % of the power may be lost before a depth is no longer assured (power_reserve)."
    assert oval[2].startswith("Gaussian elliptical spot; depths hold from 1.5 beam radii inside the ends of a vector")


def test_work_and_rates_of_a_layer():
    one = SimpleNamespace(area=Q(2.0, "cm^2"), total_length=None, count=3)
    work = making.work_of(one)
    assert (float(work.area), work.length, work.count) == (200.0, 0.0, 3)
    other = making.work_of(SimpleNamespace(area=None, total_length=Q(2.0, "cm"), count=None))
    assert (other.area, float(other.length), other.count) == (0.0, 20.0, None)
    nothing = SimpleNamespace(vectors=[SimpleNamespace(area=None, total_length=Q(2.0, "cm"), count=None)])
    assert making.layer_rates(Machine, nothing, [best()]) is None


def test_the_budget_of_a_depth_is_worked_out_part_by_part():
    """Slopes of depth: Dp times the power of each input in the dose (line: power 1, speed -1, radius -1, the coupons shared it)."""
    errors = Errors(0.02, 0.01, 0.03, 0.04, -1.0, 0.005, 0.006, 0.004, 0.002)
    curve = replace(KNOWN, centre_variance=4e-6, slope_variance=9e-6, layer_variance=2.5e-5)
    for single in (True, False):
        one = best(replace(LINE, errors=errors, curve=curve, single=single))
        parts = {name: q.m_as("mm") for name, q in making._budget(one).items()}
        want = {
            "curve of the coupons": math.hypot(0.002, 0.003 * 1.0),
            "power since its reading": 0.15 * 0.02,
            "scales of meters and beams": 0.15 * 0.01,
            "beam radius from day to day": 0.15 * 0.03,
            "scan speed": 0.15 * 0.005,
            "thickness gauge": 0.002,
        } | ({"scatter of single layers": 0.005, "recoated layer": 0.004} if single else {})
        assert parts == pytest.approx(want, rel=1e-4)
    alone = best(replace(LINE, errors=replace(errors, coupon_radius_power=None)))
    assert making._budget(alone)["scale of the beam radius"].m == pytest.approx(0.15 * 0.04, rel=1e-4)


def test_what_is_meant_where_nothing_is_said():
    """Continuous round light along x, once; no limits; every vector endless; nothing held, doubted or kept in reserve."""
    free = math.inf
    assert Pattern(True) == Pattern(True, 1, False, None, Gaussian(1.0), (0.0,), 1.0, 1.0, 0.0)
    assert vars(Bounds(1.0, 2.0, 3.0, 4.0, 5.0, 6.0)) == dict(
        zip(vars(BOUNDS), (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 0.0, *[free] * 5, 0.0, free, free, *[0.0] * 5), strict=True)
    )
    bare = Task("k", Pattern(True), 0.1, 0.2, 0.95, True, KNOWN, Errors(), BOUNDS)
    kept = {name: getattr(bare, name) for name in list(vars(bare))[9:]}
    assert kept == {
        "layers": free,
        "above": None,
        "vector_length": free,
        "acceleration": free,
        "settling": 0.0,
        "move_speed": free,
        "run_up": None,
        "assured_limits": False,
        "hold": None,
        "corner_speed": 0.0,
        "hottest": 1.0,
        "finest": 1.0,
        "able": (),
        "reserve": 0.0,
    }
    assert set(vars(Errors()).values()) == {0.0, None}
    assert RunUp() == RunUp(None, 0.5, 1.0)
    assert Hold(1.0, 1.0, 1.0) == Hold(1.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0, (0.0, 0.0), 0.0, False)
    assert vars(Work()) == {"area": 0.0, "length": 0.0, "count": None, "gap": None}
    assert Shape(*range(8)) == (*range(8), 1.0, 0.0)
    asked = inspect.signature(process_window).parameters
    assert (asked["points"].default, asked["with_assurance"].default) == (61, True)
    drawn = inspect.signature(draw_depths).parameters
    assert (drawn["draws"].default, drawn["seed"].default) == (100_000, 1)


def test_a_reserve_goes_with_the_exponent_of_the_law():
    for w, sign, number in ((1.0, "", ""), (0.8, "^w", "^0.8")):
        vector = SimpleNamespace(best=SimpleNamespace(task=SimpleNamespace(pattern=SimpleNamespace(exponent=w)), log_wanted=math.log(0.2)))
        (step,) = _reserve_step(SimpleNamespace(needs=SimpleNamespace(power_reserve=0.06)), vector, 0.188)
        assert step.formula == "E aimed at = E / (1 - power_reserve)" + sign
        assert step.numbers == "18.8 mJ/cm^2 / (1 - 0.06)" + number
        assert (step.result, step.why) == ("20 mJ/cm^2", "So the depth stays assured until the power has fallen by 6 %.")
    assert _reserve_step(SimpleNamespace(needs=SimpleNamespace(power_reserve=0.0)), vector, 0.188) == []


def test_a_bond_of_a_contour_gets_the_hatch_above_it():
    machine, lot, needs = files(Case(0.95, True, True, 8, False, radius=0.1))
    line = needs.vectors[0]
    fill = replace(line, kind="hatch", pattern="raster", hatch_spacing=Q(0.12, "mm"))
    q = math.exp(-0.1 / 0.14)
    for vectors in ((line,), (line, fill)):
        found = making.make_recipe(machine=machine, resin=lot, needs=replace(needs, vectors=vectors), gains=False).vectors
        above = found[-1].best.dose_mean  # of many layers, each weakened by one more
        got = found[0].interface_exposure.m_as("mJ/mm^2")
        assert got == pytest.approx((found[0].best.dose_min + above * q / (1.0 - q)) * q)
