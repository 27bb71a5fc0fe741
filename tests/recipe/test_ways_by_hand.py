"""Ways out of a refusal by themselves: what may move, how far it must, what is printed; settings are stood for by plain conditions."""

import math
from dataclasses import replace

import pytest

from curecalc.recipe import refusal, search
from curecalc.recipe.refusal import _Lever

from .test_search import INFINITE, Pattern, plain


def feasible_from(**least):
    """Settings exist where every one of these limits is at least so great (of a lower end: at most)."""

    def feasible(task):
        return all((v >= getattr(task.bounds, k)) if k.endswith("_low") else (getattr(task.bounds, k) >= v) for k, v in least.items())

    return feasible


def test_a_move_is_a_factor_or_a_share_of_the_layer():
    task = plain(print_through=0.2)  # a layer of 0.1 mm, 20 to 800 mW
    up, down = _Lever("power_high", "laser power"), _Lever("power_low", "least laser power")
    deeper = _Lever("print_through", "print-through")
    assert (up.moved(task, math.log(1.5)), down.moved(task, math.log(1.5))) == pytest.approx((1200.0, 20.0 / 1.5))
    assert deeper.moved(task, math.log(1.5)) == pytest.approx(0.25)
    assert (up.down, down.down) == (False, True)
    held, low = replace(up, most=1000.0), replace(down, most=15.0)
    assert (held.moved(task, 1.0), low.moved(task, 1.0)) == (1000.0, 15.0)
    assert held.moved(task, math.log(1.2)) == pytest.approx(960.0)
    assert [held.beyond(v) for v in (1000.0, 1000.1)] == [low.beyond(v) for v in (15.0, 14.9)] == [False, True]
    assert not up.beyond(1e9)


def test_what_may_move():
    def levers(**more):
        return {lever.field: lever for lever in refusal._levers(plain(**more))}

    whole = levers()
    assert list(whole) == ["scan_speed_low", "ripple", "power_high", "power_low", "beam_radius_high", "beam_radius_low", "scan_speed_high"]
    assert all(lever.other is lever.most is None for lever in whole.values())
    assert "scan_speed_low" not in levers(scan_speed_low=0.0)
    assert {"overcure", "print_through"} <= set(levers(overcure=-0.01, print_through=0.0))
    one = levers(power_low=300.0, power_high=300.0)
    assert (one["power_high"].other, one["power_low"].other) == ("power_low", None)
    turned = levers(power_low=300.0, power_high=300.0, power_least=20.0)
    assert turned["power_high"].other is None
    given = levers(power_low=300.0, power_high=300.0, able=(("power", 20.0, 300.0),))
    assert "power_high" not in given  # no more than what stands there
    assert given["power_low"] == _Lever("power_low", "given power", "power_high", 20.0)
    speed = levers(scan_speed_low=500.0, scan_speed_high=500.0, able=(("scan_speed", 10.0, 900.0),))
    assert speed["scan_speed_high"] == _Lever("scan_speed_high", "given scan speed", "scan_speed_low", 900.0)
    assert speed["scan_speed_low"] == _Lever("scan_speed_low", "given scan speed", "scan_speed_high", 10.0)


def test_the_least_move_is_found_to_a_thousandth_of_the_greatest():
    task, up = plain(), (_Lever("power_high", "laser power"),)
    for factor in (1.1, 3.0, 99.0):
        move = refusal._least_move(task, up, feasible_from(power_high=800.0 * factor))
        assert 0.0 <= move - math.log(factor) <= math.log(100.0) / 1000.0
    assert refusal._least_move(task, up, feasible_from(power_high=800.0 * 101.0)) is None
    assert refusal._least_move(task, up, feasible_from(power_high=1600.0), math.log(1.9)) is None
    both = (*up, _Lever("scan_speed_low", "least scan speed"))
    move = refusal._least_move(task, both, feasible_from(power_high=1600.0, scan_speed_low=2.5))
    assert 0.0 <= move - math.log(4.0) <= math.log(100.0) / 1000.0


@pytest.mark.parametrize(
    ("needed", "printed"), [(600.0, "600"), (601.0, "609"), (610.0, "622"), (623.0, "644"), (645.0, "690"), (691.0, None)]
)
def test_values_are_tried_as_printed_and_a_little_further_each_time(monkeypatch, needed, printed):
    """From 300 mW by ln 2 times 1, 1.02, 1.05, 1.1, 1.2: rounded up to three digits."""
    monkeypatch.setattr(search, "settable", feasible_from(power_high=needed))
    task, lever = plain(power_high=300.0), _Lever("power_high", "laser power")
    said = None if printed is None else f"laser power of 300 mW would have to be {printed} mW"
    assert refusal._tried(task, (lever,), math.log(2.0)) == said
    assert refusal._tried(task, (replace(lever, most=600.0),), math.log(2.0)) == (said if printed == "600" else None)


def test_where_three_digits_go_too_far_four_are_printed(monkeypatch):
    monkeypatch.setattr(search, "settable", lambda task: task.bounds.power_high < 602.9)
    task = plain(power_high=301.23, power_low=301.23)
    lever = _Lever("power_high", "laser power", "power_low")
    assert refusal._tried(task, (lever,), math.log(2.0)) == "laser power of 301.2 mW would have to be 602.5 mW"
    monkeypatch.setattr(search, "settable", lambda task: task.bounds.power_high == task.bounds.power_low)
    assert refusal._tried(task, (lever,), math.log(2.0)).endswith("603 mW")  # a setting moves as a whole
    down = _Lever("scan_speed_low", "least scan speed")
    assert refusal._tried(task, (lever, down), math.log(2.0)).endswith("and least scan speed of 10 mm/s would have to be 5 mm/s")


def refused(monkeypatch, task, feasible, settable=None):
    monkeypatch.setattr(search, "any_settings", feasible)
    monkeypatch.setattr(search, "settable", settable or feasible)
    return refusal.refusal(task)


def test_single_ways_come_first_then_the_pair_that_moves_least(monkeypatch):
    task = plain(pattern=Pattern(False), ripple=INFINITE, scan_speed_low=10.0)

    def either(t):
        return t.bounds.power_high >= 1000.0 or t.bounds.scan_speed_low <= 8.0

    said = refused(monkeypatch, task, either)
    first, *more = str(said).split(" Or instead: ")
    assert said.limit == "least scan speed"
    assert first.startswith("hatch: no settings meet every limit; least scan speed of 10 mm/s would have to be 7.9")
    assert len(more) == 1
    assert more[0] == "laser power of 800 mW would have to be 1010 mW."  # to a thousandth of the greatest move, rounded up
    assert refused(monkeypatch, task, feasible_from(power_high=1000.0)).limit == "laser power"
    pair = refused(monkeypatch, task, feasible_from(power_high=1000.0, scan_speed_low=8.0, beam_radius_low=0.05))
    assert pair.limit == "least scan speed and laser power"
    assert "and no single limit is to blame; least scan speed of 10 mm/s would have to be 7.9" in str(pair)
    near = refused(
        monkeypatch, task, lambda t: t.bounds.scan_speed_low <= 8.0 and (t.bounds.power_high >= 8000.0 or t.bounds.beam_radius_high >= 0.21)
    )
    assert near.limit == "least scan speed and largest beam radius"
    none = refused(monkeypatch, task, lambda t: False)
    assert none.limit == "least scan speed"
    assert "no two of them, however far they move, let any. Change layer thickness, bond or assurance." in str(none)
    stepped = refused(monkeypatch, task, lambda t: True, feasible_from(power_high=1000.0))
    assert stepped.limit == "laser power"  # only the machine's steps were in the way
