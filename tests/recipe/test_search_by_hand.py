"""The parts of the search by themselves: points to settings, scores and ties, steps of a machine, and what counts as a limit reached."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.recipe import search
from curecalc.recipe.light import Shape
from curecalc.recipe.outcome import TINY, fastest_useful
from curecalc.recipe.search import Best, binding_limits

from .test_search import INFINITE, Pattern, plain


def hills(ratio, place):
    """Sum of equal Gaussians a distance of `ratio` radii apart, at a share of that distance."""
    return np.exp(-2.0 * (ratio * (np.arange(-200, 201) - place)) ** 2).sum()


def test_the_widest_lines_leave_the_ripple_allowed():
    for ratio in (0.8, 1.0, 1.5, 3.0):
        assert search._ratio_for(math.log(hills(ratio, 0.0) / hills(ratio, 0.5))) == pytest.approx(ratio, rel=1e-6)
    assert search._ratio_for(INFINITE) == pytest.approx(4.0)  # where the ripple is free, four radii
    assert search._ratio_for(math.log(hills(4.1, 0.0) / hills(4.1, 0.5))) == pytest.approx(4.0)


def test_points_of_the_square_are_settings():
    """Corners are the ends of the ranges, the middle their geometric mean; lines as wide apart as the ripple or the machine lets."""
    plane = search._Plane(plain(ripple=INFINITE, hatch_spacing_low=0.02, hatch_spacing_high=0.5))
    a, b = np.array([0.0, 0.5, 1.0, 0.0]), np.array([0.0, 0.5, 1.0, 1.0])
    found, _ = plane.outcome(a, b)
    assert found["beam_radius"] == pytest.approx([0.05, 0.1, 0.2, 0.05])
    assert found["hatch_spacing"] == pytest.approx([0.02, math.sqrt(0.02 * 0.4), 0.5, 0.2])
    close, _ = search._Plane(plain()).outcome(np.array([0.0, 1.0]), np.zeros(2))
    assert close["hatch_spacing"] == pytest.approx([0.05 * 0.05, 0.05 * 0.2])
    # where the machine's closest lines are too far apart for the ripple it is broken by at least the ratio of the two
    task = plain(hatch_spacing_low=0.3, beam_radius_low=0.1, beam_radius_high=0.1)
    _, over = search._Plane(task).outcome(np.zeros(1), np.zeros(1))
    widest = 0.1 * search._ratio_for(0.01 / 0.15)
    assert float(over["ripple"][0]) >= math.log(0.3 / widest) > 0.0
    assert search._Plane(plain(pattern=Pattern(True, 1, True))).ratio == search._ratio_for(0.01 / 0.15)


def test_the_next_look_reaches_half_a_step_beyond_the_neighbours():
    axis = np.linspace(0.0, 1.0, 11)
    assert search._closer((0.0, 1.0), axis, 0.5) == pytest.approx((0.35, 0.65))
    assert search._closer((0.2, 0.4), axis, 0.3) == pytest.approx((0.27, 0.33))
    assert search._closer((0.0, 1.0), axis, 0.1) == pytest.approx((0.0, 0.25))
    assert search._closer((0.0, 1.0), axis, 0.9) == pytest.approx((0.75, 1.0))
    assert search._closer((0.0, 1.0), np.zeros(1), 0.3) == (0.3, 0.3)
    two = search._closer((0.0, 1.0), np.linspace(0.0, 1.0, 2), 1.0)
    assert two == (0.0, 1.0)
    assert search._about(0.01, 0.995, 0.02) == (pytest.approx((0.0, 0.03)), pytest.approx((0.975, 1.0)))
    assert search._about(0.5, 0.005, 0.02) == (pytest.approx((0.48, 0.52)), pytest.approx((0.0, 0.025)))


def test_equal_rates_go_to_least_too_deep_then_least_power_then_widest_lines():
    def order(wanted, power, spacing):
        found = {"log_wanted": np.array(wanted), "log_exposure": np.zeros(3), "power": np.array(power), "hatch_spacing": spacing}
        return np.lexsort(tuple(-t for t in reversed(search._ties(found)))).tolist()

    same, wide = np.zeros(3), np.array([0.1, 0.3, 0.2])
    assert order([-0.2, 0.0, -0.1], [1.0, 9.0, 5.0], wide) == [1, 2, 0]
    assert order(same, [9.0, 1.0, 5.0], wide) == [1, 2, 0]
    assert order(same, [5.0, 5.0, 5.0], wide) == [1, 2, 0]
    assert order(same, [5.0, 5.0, 5.0], None) == [0, 1, 2]
    # what rounding leaves is no difference: 1e-10 of the exposure, 1e-8 of the power
    assert order([1e-10, 0.0, -1e-10], [5.0, 5.0, 5.0], wide) == [1, 2, 0]
    assert order(same, [5.0, 5.0 * (1.0 + 1e-8), 5.0 * (1.0 + 2e-8)], wide) == [1, 2, 0]
    assert order([0.0, 1e-8, 0.0], [1.0, 9.0, 2.0], wide)[0] == 1
    assert order(same, [5.0 * (1.0 + 1e-6), 5.0, 5.0 * (1.0 + 1e-6)], np.array([0.9, 0.1, 0.9]))[0] == 1


def test_settings_that_break_a_limit_rank_below_all_others():
    found = {"rate": np.array([1e-300, 1e9, 10.0, 0.0]), "log_wanted": 0.0, "log_exposure": np.zeros(4), "power": np.ones(4)}
    found["hatch_spacing"] = None
    over = {"ripple": np.array([-1.0, 0.1, 0.0, 0.0]), "overcure": np.array([0.0, -1.0, -INFINITE, 0.0])}
    score, _ = search._inside(found, over)
    assert score == pytest.approx([math.log(1e-300), -1e6 - 0.1, math.log(10.0), math.log(TINY)], rel=1e-12)
    for worst, broken in ((1e-13, False), (2e-12, True), (INFINITE, True)):
        score, _ = search._inside(found, {"ripple": np.full(4, worst)})
        assert bool(score.max() <= -1e6) is broken
        assert np.all(np.isfinite(score))


@pytest.mark.parametrize(
    ("value", "step", "way", "low", "high", "there"),
    [
        (0.123, 0.0, np.floor, 0.0, 1.0, 0.123),
        (0.123, 0.01, np.floor, 0.0, 1.0, 0.12),
        (0.123, 0.01, np.ceil, 0.0, 1.0, 0.13),
        (0.123, 0.01, np.round, 0.0, 1.0, 0.12),
        (0.12 * (1.0 + 5e-11), 0.01, np.ceil, 0.0, 1.0, 0.12),  # rounding alone
        (0.12 * (1.0 - 5e-11), 0.01, np.floor, 0.0, 1.0, 0.12),
        (0.12 * (1.0 + 5e-9), 0.01, np.ceil, 0.0, 1.0, 0.13),
        (0.123, 0.01, np.ceil, 0.0, 0.125, 0.12),
        (0.123, 0.01, np.floor, 0.121, 1.0, 0.13),
        (0.123, 0.01, np.floor, 0.121, 0.129, 0.123),  # no step inside
        (0.123, 0.01, np.ceil, 0.0, 0.13, 0.13),
        (0.123, 0.01, np.floor, 0.121, 0.1299, 0.123),
        (0.1295, 0.01, np.ceil, 0.0, 0.129995, 0.12),
        (0.123, 0.01, np.floor, 0.12, 1.0, 0.12),
        (0.004, 0.01, np.floor, 0.0, INFINITE, 0.01),  # never none at all
        (0.004, 0.01, np.floor, 0.0, 0.005, 0.004),
        (5.3, 0.01, np.floor, 0.0, INFINITE, 5.3),
    ],
)
def test_values_on_the_steps_of_a_machine(value, step, way, low, high, there):
    assert float(search._on_step(value, step, way, low, high)) == pytest.approx(there, rel=1e-12)


def test_arrays_and_lights_give_one_of_their_values():
    light = Shape(*(np.array([k, 10.0 + k]) for k in range(10)))
    assert search._first(light) == Shape(*(float(k) for k in range(10)))
    assert search._first(light, 1).mean == 11.0
    assert search._first(np.array([[3.0], [4.0]]), 1) == 4.0
    assert search._first(np.array(3.0), 1) == 3.0
    assert search._first(None) is None
    assert Best(None, {"rate": 3.0}).rate == 3.0
    with pytest.raises(AttributeError):
        _ = Best(None, {}).rate


def test_steps_near_the_settings_are_tried(monkeypatch):
    """Four steps of the radius either way; spacings that go along with it, four steps wider to twelve closer."""
    tried = []

    def caught(task, radius, spacing):
        tried.append((radius, spacing))
        raise LookupError

    monkeypatch.setattr(search, "on_steps", caught)
    found = {"beam_radius": 0.1, "hatch_spacing": 0.12}
    for pattern in (Pattern(True), Pattern(False)):
        task = plain(pattern=pattern, beam_radius_step=0.005, hatch_spacing_step=0.004, ripple=INFINITE)
        assert search._stepped(Best(plain(), found)).found is found  # no steps: as they are
        with pytest.raises(LookupError):
            search._stepped(Best(task, found))
        radius, spacing = tried.pop()
        assert sorted(set(np.round(radius, 9))) == pytest.approx([0.08, 0.085, 0.09, 0.095, 0.1, 0.105, 0.11, 0.115, 0.12])
        if not pattern.raster:
            assert spacing is None
            continue
        assert radius.size == 9 * 17
        there = np.sort(spacing[np.abs(radius - 0.11) < 1e-9])
        assert there == pytest.approx(0.12 * 1.1 - 0.004 * np.arange(12, -5, -1))
    narrow = plain(beam_radius_low=0.097, beam_radius_high=0.108, beam_radius_step=0.005, hatch_spacing_low=0.1, hatch_spacing_high=0.13)
    with pytest.raises(LookupError):
        search._stepped(Best(narrow, found))
    radius, spacing = tried.pop()
    assert set(np.round(radius, 9)) == {0.1, 0.105}
    assert (spacing.min(), spacing.max()) == (pytest.approx(0.12), pytest.approx(0.126))  # no step of its own: goes along alone


# ---------------------------------------------------------------- what binds

FOUND = {
    "power": 100.0,
    "scan_speed": 1000.0,
    "beam_radius": 0.1,
    "hatch_spacing": 0.1,
    "rate": np.array(1.0),
    "ripple": 0.001,
    "print_through": 0.1,
    "depth_max": 0.2,
}
WIDE = {"power_low": 1.0, "scan_speed_low": 1.0, "beam_radius_low": 0.01, "beam_radius_high": 1.0, "ripple": INFINITE}


def reached(pattern=Pattern(True), **bounds):  # noqa: B008
    found = FOUND | ({} if pattern.raster else {"line_width_max": 0.2, "line_width": 0.2, "line_width_expanded": 0.02})
    return search._active(Best(plain(pattern=pattern, **(WIDE | bounds)), found))


@pytest.mark.parametrize(
    ("field", "at"),
    [
        ("power_high", 100.0),
        ("power_low", 100.0),
        ("scan_speed_high", 1000.0),
        ("beam_radius_low", 0.1),
        ("beam_radius_high", 0.1),
        ("hatch_spacing_low", 0.1),
        ("hatch_spacing_high", 0.1),
        ("ripple", 0.001),
    ],
)
def test_a_limit_is_reached_within_a_ten_thousandth(field, at):
    for away, there in ((0.0, True), (0.9e-4, True), (-0.9e-4, True), (1.2e-4, False), (-1.2e-4, False)):
        assert (field in reached(**{field: at * (1.0 + away)})) is there
    assert reached() == []


def test_depths_are_at_their_limit_within_a_thousandth_of_the_layer():
    """Layer 0.1 mm: 0.1 um either way, whatever the limit; the least speed is no limit that its own moving would tell of."""
    for field, at in (("print_through", 0.1), ("overcure", 0.1)):
        for away, there in ((0.0, True), (0.9e-4, True), (-0.9e-4, True), (1.2e-4, False), (-1.2e-4, False)):
            assert (field in reached(**{field: at + away})) is there, (field, away)
    assert reached(overcure=0.0) == []
    assert "scan_speed_low" not in reached(scan_speed_low=1000.0)
    line = Pattern(False)
    for field, at in (("line_width_high", 0.2), ("line_width_low", 0.2), ("width_accuracy", 0.02)):
        assert field in reached(line, **{field: at})
        assert field not in reached(line, **{field: 1.001 * at})
    assert "hatch_spacing_high" not in reached(line, hatch_spacing_high=0.1)
    pulsed = Pattern(False, pulse_rate=5000.0)  # 0.2 mm apart: two radii
    assert [("pulse_share" in reached(pulsed, pulse_share=share)) for share in (2.0, 1.99, 2.01)] == [True, False, False]
    assert "pulse_share" not in reached(pulse_share=2.0)


def test_limits_move_by_a_tenth_to_the_easier_side():
    task = plain(print_through=0.2, overcure=-0.01)
    for field, to in (
        ("power_high", 880.0),
        ("beam_radius_low", 0.05 / 1.1),
        ("ripple", 0.011),
        ("print_through", 0.21),
        ("overcure", 0.0),
    ):
        eased = search._relaxed(task, field)
        assert getattr(eased.bounds, field) == pytest.approx(to, abs=1e-12)
        assert replace(eased, bounds=replace(eased.bounds, **{field: getattr(task.bounds, field)})) == task


def test_only_what_gains_a_thousandth_binds_and_the_greatest_gain_comes_first(monkeypatch):
    gains = {"power_high": 0.0012, "scan_speed_high": 0.3, "beam_radius_low": 0.0009}
    best = Best(plain(), {"rate": 2.0})
    monkeypatch.setattr(search, "_active", lambda best: list(gains))
    monkeypatch.setattr(search, "_relaxed", lambda task, field: SimpleNamespace(bounds=task.bounds, field=field))
    monkeypatch.setattr(search, "best_settings", lambda eased, rounds: SimpleNamespace(rate=2.0 * (1.0 + gains[eased.field])))
    found = binding_limits(best)
    assert [(one.field, one.name) for one in found] == [("scan_speed_high", "scanner speed"), ("power_high", "laser power")]
    assert [one.gain for one in found] == pytest.approx([0.3, 0.0012])


def test_the_speed_beyond_which_vectors_take_longer():
    """L/v + 2 v/a is least at v^2 = L a/2; from rest to rest full speed is reached at v^2 = L a, and over a share at (1 - share) L a."""
    from curecalc.recipe.bounds import RunUp

    task = plain(vector_length=8.0, acceleration=1e6)
    assert fastest_useful(task) == pytest.approx(math.sqrt(8e6))
    assert fastest_useful(replace(task, run_up=RunUp(None, 0.4))) == pytest.approx(math.sqrt(4e6))
    assert fastest_useful(replace(task, run_up=RunUp(1.0, 0.4))) == pytest.approx(math.sqrt(0.6 * 8e6))
    assert fastest_useful(replace(task, run_up=RunUp(0.0, 0.0))) == pytest.approx(math.sqrt(8e6))
    assert fastest_useful(plain(acceleration=1e6)) == fastest_useful(plain(vector_length=8.0)) == INFINITE


# ---------------------------------------------------------------- closing in


def closing_in(score, rounds=22, spans=((0.0, 1.0), (0.0, 1.0)), raster=True, free=True):
    """The search over the unit square, with the two shares themselves for settings."""
    task = SimpleNamespace(pattern=SimpleNamespace(raster=raster))
    plane = SimpleNamespace(task=task, free_radius=free, outcome=lambda a, b: (a, b))
    return search._zoom(plane, lambda a, b: (score(a, b), (np.zeros(a.size),)), rounds, spans)


def test_the_search_closes_in_on_the_highest_score():
    def hill(a, b):
        return -np.hypot(a - 0.3217, b - 0.7771)

    value, a, b = closing_in(hill)
    assert (a, b) == pytest.approx((0.3217, 0.7771), abs=3e-7)
    assert value == pytest.approx(0.0, abs=3e-7)
    assert closing_in(hill, raster=False)[1:] == pytest.approx((0.3217, 0.0), abs=1e-3)
    assert closing_in(hill, free=False)[1:] == pytest.approx((0.0, 0.7771), abs=1e-3)
    assert closing_in(lambda a, b: a + b)[1:] == pytest.approx((1.0, 1.0), abs=3e-7)
    _, a, b = closing_in(hill, 1, ((0.0, 0.2), (0.8, 1.0)))
    assert (a, b) == pytest.approx((0.2, 0.8))
    one = closing_in(hill, 1)
    assert one[1:] == pytest.approx((round(0.3217 * 12) / 12, round(0.7771 * 24) / 24))  # 13 by 25 places
    assert closing_in(hill, 1, raster=False)[1] == pytest.approx(round(0.3217 * 324) / 324)  # as many on one way
    assert closing_in(hill, 1, free=False)[2] == pytest.approx(round(0.7771 * 324) / 324)


def test_a_higher_score_that_later_looks_miss_is_kept():
    """A point of the first look, half as wide as rounding: no later grid hits it as well."""
    at = (3.0 / 12.0, 5.0 / 24.0)

    def score(a, b):
        return np.where(np.hypot(a - at[0], b - at[1]) < 1e-12, 1.0, -np.hypot(a - 0.9, b - 0.9))

    value, a, b = closing_in(score)
    assert (value, a, b) == pytest.approx((1.0, *at))


def test_a_scanner_that_must_go_slower_goes_as_fast_as_settings_are_found(monkeypatch):
    """Where the beam stays on at the ends: settings from 777 mm/s down, the scanner from 10 to 5000 mm/s."""
    from curecalc.recipe.bounds import RunUp

    monkeypatch.setattr(search, "any_settings", lambda task: task.bounds.scan_speed_high <= 777.0)
    monkeypatch.setattr(search, "_fastest", lambda task, rounds: Best(task, {"cap": task.bounds.scan_speed_high}))
    task = plain(run_up=RunUp(0.0), scan_speed_high=5000.0)
    best = search._slower(task, 22)
    assert best.task is task
    assert 777.0 * (1.0 - 1e-6) <= best.cap <= 777.0
    assert search._slower(replace(task, run_up=RunUp(0.99)), 22).cap == best.cap
    assert search._slower(replace(task, run_up=RunUp(1.0)), 22) is None
    assert search._slower(replace(task, run_up=RunUp(None)), 22) is None
    assert search._slower(replace(task, run_up=None), 22) is None
    assert search._slower(replace(task, bounds=replace(task.bounds, scan_speed_low=0.0)), 22) is None
    assert search._slower(replace(task, bounds=replace(task.bounds, scan_speed_low=800.0)), 22) is None
    monkeypatch.setattr(search, "_fastest", lambda task, rounds: None)
    assert search._slower(task, 22) is None


# ---------------------------------------------------------------- from the table to the exact doses


def looked(monkeypatch, answers, *, slowest=-1.0, ripple=-1.0, table=True):
    """The settings found, and where was looked for them; `answers` are the scores of one look after another, each at its own place."""
    spans, places = [], iter(answers)

    class Plane:
        quick = "table" if table else None

        def __init__(self, task):
            pass

        def outcome(self, a, b):
            assert self.quick is None  # the exact doses at the end
            over = {"scan_speed_low": np.array([slowest]), "ripple": np.array([ripple if a[0] == 0.5 else -1.0])}
            return {"at": np.array([a[0]])}, over

    def zoom(plane, score, rounds, where=search._WHOLE):
        spans.append(where)
        return next(places)

    monkeypatch.setattr(search, "_Plane", Plane)
    monkeypatch.setattr(search, "_zoom", zoom)
    monkeypatch.setattr(search, "_slower", lambda task, rounds: "slower")
    best = search._fastest(plain(), 22)
    return best if best is None or best == "slower" else best.at, spans


HERE, NONE = (3.0, 0.5, 0.5), (-1e6 - 0.1, 0.9, 0.9)
WHOLE = ((0.0, 1.0), (0.0, 1.0))


def near(wide, a=0.5):
    return (pytest.approx((a - wide, a + wide)), pytest.approx((a - wide, a + wide)))


def test_what_the_table_finds_is_kept_where_the_exact_doses_keep_every_limit(monkeypatch):
    assert looked(monkeypatch, [HERE]) == (0.5, [WHOLE])
    assert looked(monkeypatch, [HERE], ripple=1e-13) == (0.5, [WHOLE])
    assert looked(monkeypatch, [NONE]) == ("slower", [WHOLE])
    assert looked(monkeypatch, [HERE], ripple=1e-6, table=False) == (0.5, [WHOLE])


def test_where_the_table_was_a_little_off_the_exact_doses_are_searched_nearby_then_everywhere(monkeypatch):
    there = (2.9, 0.6, 0.6)
    assert looked(monkeypatch, [HERE, there], ripple=1e-11) == (0.6, [WHOLE, near(0.02)])
    assert looked(monkeypatch, [HERE, NONE, there], ripple=1e-6) == (0.6, [WHOLE, near(0.02), WHOLE])
    assert looked(monkeypatch, [HERE, NONE, NONE], ripple=1e-6) == (None, [WHOLE, near(0.02), WHOLE])


def test_close_to_the_least_speed_the_search_looks_about_again_wider_each_time(monkeypatch):
    for slowest, again in ((-2e-3, False), (-0.9e-3, True), (0.0, True)):
        found, spans = looked(monkeypatch, [HERE] + 16 * [(3.0, 0.7, 0.7)], slowest=slowest)
        assert found == 0.5  # no better, no other
        assert spans == ([WHOLE, *4 * [near(wide) for wide in (0.01, 0.03, 0.1, 0.3)]] if again else [WHOLE])
    better = [(3.1, 0.55, 0.55), (3.05, 0.6, 0.6), (3.2, 0.52, 0.52)]
    found, spans = looked(monkeypatch, [HERE, *better, *13 * [(3.2, 0.8, 0.8)]], slowest=0.0)
    assert found == 0.52
    assert spans[1:5] == [near(0.01), near(0.03, 0.55), near(0.1, 0.55), near(0.3, 0.52)]
