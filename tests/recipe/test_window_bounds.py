"""The process window marks only what the machine can set: its own ranges where the needs give one value, nothing beside a fixed value."""

from dataclasses import replace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.refusal import _outward
from curecalc.recipe.window import axis_text, process_window
from curecalc.units import Quantity as Q

from .whole_shops import Case, files


def window(machine, lot, needs, up, **axis):
    recipe = make_recipe(machine=machine, resin=lot, needs=needs, gains=False)
    return process_window(recipe.vectors[0], "scan_speed", up, points=41, with_assurance=False, **axis)


def test_a_value_of_the_needs_leaves_the_machine_s_own_range():
    """Radius 0.10 mm is asked for, the machine can set 0.05 to 0.2 mm: both ends are marked, nothing between."""
    found = window(*files(Case(0.95, True, True, 8, False)), "beam_radius", up_range=(Q(0.03, "mm"), Q(0.3, "mm")))
    beyond = np.maximum(found.over["beam_radius_high"], found.over["beam_radius_low"])[:, 0]
    assert np.array_equal(beyond > 1e-9, (found.y < 0.05) | (found.y > 0.2))


def test_a_machine_of_one_radius_can_set_no_other():
    machine, lot, needs = files(Case(0.95, True, True, 8, False))
    machine = replace(machine, beam_radius_min=Q(0.1, "mm"), beam_radius_max=Q(0.1, "mm"), beam_radius_step=None)
    found = window(machine, lot, needs, "beam_radius", up_range=(Q(0.03, "mm"), Q(0.3, "mm")))
    assert not found.inside[np.abs(found.y - 0.1) > 1e-9].any()
    other = window(machine, lot, needs, "power")
    assert other.inside.any()  # where the radius is held, it is the machine's own


@pytest.fixture(scope="module")
def vector():
    machine, lot, needs = files(Case(0.95, True, True, 8, True))
    return make_recipe(machine=machine, resin=lot, needs=needs, gains=False).vectors[0]


def test_a_window_left_to_itself_reaches_round_the_settings(vector):
    """Powers up to a quarter more, for the margin; the others to twice or 1.6 times; down to about half."""
    best = vector.best
    spans = {
        "power": (best.power, 0.4, 1.25),
        "scan_speed": (best.scan_speed, 0.4, 2.0),
        "hatch_spacing": (best.hatch_spacing, 0.5, 1.6),
        "beam_radius": (best.beam_radius, 0.6, 1.6),
        "layer_thickness": (best.task.layer_thickness, 0.5, 1.6),
    }
    for across, up in (("power", "scan_speed"), ("hatch_spacing", "beam_radius"), ("power", "layer_thickness")):
        found = process_window(vector, across, up, points=5, with_assurance=False)
        for values, name in ((found.x, across), (found.y, up)):
            now, low, high = spans[name]
            assert values == pytest.approx(now * np.linspace(low, high, 5))
        assert found.chosen == (spans[across][0], spans[up][0])
        record = found.to_dict()
        assert [record["chosen"][name]["value"] for name in (across, up)] == pytest.approx([spans[across][0], spans[up][0]])
        assert set(found.held) == set(spans) - {across, up}
        if up == "layer_thickness":  # the bond stays what it was
            assert found.depth_needed[:, 0] == pytest.approx(found.y + best.task.depth - best.task.layer_thickness)
    for points in (4, 202):
        with pytest.raises(QuantityError, match=f"points must be from 5 to 201, got {points}"):
            process_window(vector, "power", "scan_speed", points=points)
    for ends in ((2.0, 1.0), (1.0, 1.0)):
        with pytest.raises(QuantityError, match="the range of power must rise from above zero"):
            process_window(vector, "power", "scan_speed", across_range=tuple(Q(e, "mW") for e in ends))


def test_borders_of_a_window_are_ratios(vector):
    """ln of value over limit; exposure goes as power over speed; assurances of 50, the asked and 99 %."""
    found = process_window(vector, "power", "scan_speed", points=5)
    bounds = vector.best.task.bounds
    assert found.over["power_high"][0] == pytest.approx(np.log(found.x / bounds.power_high))
    assert found.over["power_low"][0] == pytest.approx(np.log(bounds.power_low / found.x))
    assert found.over["scan_speed_high"][:, 0] == pytest.approx(np.log(found.y / bounds.scan_speed_high))
    assert sorted(found.excess) == [0.5, 0.95, 0.99]
    for level, excess in found.excess.items():
        assert excess - excess[0, 0] == pytest.approx((np.log(found.x / found.x[0]) - np.log(found.y / found.y[0])[:, None]), abs=1e-3)
        assert np.array_equal(excess >= 0.0, found.assurance >= level), level
    worst = np.max([found.over[name] for name in found.over], axis=0)
    assert np.array_equal(found.inside, (worst <= 1e-9) & (found.excess[0.95] >= -1e-9))
    for beyond, kept in ((1e-10, True), (1e-8, False)):  # rounding at a border is no breach
        over = replace(found, over={"ripple": np.full(found.cure_depth.shape, beyond)}, excess={0.95: np.zeros(found.cure_depth.shape)})
        short = replace(over, over={"ripple": -np.ones(found.cure_depth.shape)}, excess={0.95: np.full(found.cure_depth.shape, -beyond)})
        assert over.inside.all() == short.inside.all() == kept
        assert np.any(over.to_dict()["limits"]["ripple"]) != kept
    layers = process_window(vector, "layer_thickness", "power", points=5, with_assurance=False, layer_range=(Q(0.06, "mm"), Q(0.1, "mm")))
    assert layers.over["layer range"][0] == pytest.approx(np.maximum(np.log(layers.x / 0.1), np.log(0.06 / layers.x)))


def test_settings_of_an_axis_are_told_in_their_unit():
    for name, value, said in (("power", 100.0, "100 mW"), ("scan_speed", 1234.5, "1234 mm/s"), ("beam_radius", 0.1, "0.1 mm")):
        assert axis_text(name, value) == said


def test_values_of_ways_out_are_rounded_to_the_easier_side():
    for value, up, digits, rounded in (
        (123.4, True, 3, 124.0),
        (123.4, False, 3, 123.0),
        (123.0, True, 3, 123.0),
        (0.1501, True, 3, 0.151),
        (0.1501, True, 4, 0.1501),
        (0.1509, False, 3, 0.15),
        (1.0, False, 3, 1.0),
        (99.96, True, 3, 100.0),
        (0.0, True, 3, 0.0),
        (-0.1234, True, 3, -0.123),
    ):
        assert _outward(value, up, digits) == pytest.approx(rounded, rel=1e-12), (value, up, digits)
