"""The process window marks only what the machine can set: its own ranges where the needs give one value, nothing beside a fixed value."""

from dataclasses import replace

import numpy as np

from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.window import process_window
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
