"""Widths of cured lines, times of vectors and broken limits of a recipe, by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import Bounds, RunUp, Task
from curecalc.recipe.light import Pattern, Shape
from curecalc.recipe.outcome import at_settings, line_widths, move_time, rate, step_of, vector_time, violations

LN_EC = math.log(0.08)
CURVE = Curve(0.15, LN_EC, LN_EC + 1.5, 2e-6, 9e-6, 1.6e-5, 4.0)
BOUNDS = Bounds(1.0, 300.0, 0.1, 0.2, 10.0, 5000.0)
LINE = Task("line", Pattern(False), 0.1, 0.15, 0.95, True, CURVE, Errors(), BOUNDS)
LIT = Shape(1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0, 0.0, 1.0, 0.0)
X = LN_EC + 1.2
WIDTH = 0.1 * math.sqrt(2.4)
KNOWN = replace(CURVE, centre_variance=0.0, slope_variance=0.0)


def expanded(light=LIT, curve=KNOWN, **errors):
    """Relative standard uncertainty of the width."""
    return line_widths(replace(LINE, curve=curve, errors=Errors(**errors)), light, X, 0.1)["line_width_expanded"] / WIDTH / 2.0


def test_the_width_of_a_line_and_what_it_owes_to_each_error():
    """Lw = W0 sqrt(2 x), x = ln(E/Ec) = 1.2: a relative error of E moves it by 1/(2 x), of W0 by 1 - 1/(2 x), or by 1 where E keeps."""
    found = line_widths(LINE, LIT, X, 0.1)
    assert found["line_width"] == pytest.approx(WIDTH)
    assert found["line_width_at_layer"] == pytest.approx(0.1 * math.sqrt(2 * (1.2 - 0.1 / 0.15)))
    for given, u in (
        ({"power": 0.03}, 0.03 / 2.4),
        ({"exposure_scale": 0.03}, 0.03 / 2.4),
        ({"scan_speed": 0.03}, 0.03 / 2.4),
        ({"depth_bias": 0.003}, 0.02 / 2.4),  # of Ec
        ({"beam_radius": 0.02}, 0.02 * (1 - 1 / 2.4)),
        ({"beam_radius_scale": 0.02}, 0.02 * (1 - 1 / 2.4)),
        ({"beam_radius_scale": 0.02, "coupon_radius_power": -1.0}, 0.02),  # the exposure's part cancels
        ({"hatch_spacing": 0.5, "layer_thickness": 0.1}, 0.0),
        ({"power": 0.03, "scan_speed": 0.04}, 0.05 / 2.4),
    ):
        assert expanded(**given) == pytest.approx(u, abs=1e-12), given
    assert expanded(LIT._replace(turn=0.02)) == pytest.approx(0.02 * (1 - 1 / 2.4))
    u_ec = math.sqrt(2e-6 + 1.5**2 * 9e-6) / 0.15
    assert expanded(curve=CURVE) == pytest.approx(u_ec / 2.4)
    beyond = line_widths(LINE, LIT, X, 0.1)["line_width_beyond"]
    assert beyond == pytest.approx(stats.t.ppf(0.95, 4) * u_ec / 2.4 * WIDTH)
    raster = line_widths(replace(LINE, pattern=Pattern(True)), LIT, X, 0.1)
    assert set(raster) == set(found)
    assert step_of(replace(LINE, errors=Errors(beam_radius=0.03, beam_radius_scale=0.04))) == pytest.approx(0.1)


def test_settings_of_a_line_by_hand():
    """sqrt(2/pi) P/(W0 v); print-through of many layers; area by speed and spacing."""
    found = at_settings(LINE, 30.0, 0.125, None, 1000.0)
    e = math.sqrt(2 / math.pi) * 30.0 / (0.125 * 1000.0)
    assert (found["exposure_min"], found["exposure_mean"], found["exposure_max"], found["dose_min"]) == pytest.approx((e,) * 4)
    assert (found["depth"], found["depth_max"], found["ripple"]) == pytest.approx((0.15 * math.log(e / 0.08),) * 2 + (0.0,))
    assert found["print_through"] == pytest.approx(0.15 * math.log(e / 0.08 / (1 - math.exp(-0.1 / 0.15))) - 0.1)
    assert found["rate"] == 1000.0
    assert found["log_exposure"] == pytest.approx(math.log(e))
    short = replace(LINE, vector_length=10.0, settling=0.002)
    assert rate(short, 1000.0, None) == pytest.approx(10.0 / 0.012)
    raster = replace(short, pattern=Pattern(True, 2, True), move_speed=100.0)
    assert rate(raster, 1000.0, 0.1) == pytest.approx(10.0 / (0.012 + 0.001) * 0.1 / 4)
    # from rest to rest: L/v + v/a, and 2 sqrt(L/a) where speed is never reached; with the beam off the run-up lies outside: + 2 v/a
    quick = replace(LINE, acceleration=1e6, move_speed=2000.0)
    assert float(vector_time(quick, 10.0, 1000.0)) == pytest.approx(0.011)
    assert float(vector_time(quick, 0.5, 1000.0)) == pytest.approx(2 * math.sqrt(0.5e-6))
    assert float(vector_time(replace(quick, run_up=RunUp()), 10.0, 1000.0)) == pytest.approx(0.012)
    assert float(vector_time(replace(quick, run_up=RunUp(1.0)), 10.0, 1000.0)) == pytest.approx(0.011)
    assert vector_time(LINE, 10.0, 1000.0) == 0.01
    assert float(move_time(quick, 10.0)) == pytest.approx(0.005 + 0.002)


def test_broken_limits_are_logarithms_of_value_over_limit():
    bounds = replace(
        BOUNDS,
        ripple=0.01,
        print_through=0.2,
        overcure=0.05,
        line_width_high=0.3,
        line_width_low=0.1,
        width_accuracy=0.02,
        scan_speed_low=50.0,
    )
    found = {
        "rate": np.ones(1),
        "scan_speed": 100.0,
        "ripple": 0.005,
        "print_through": 0.3,
        "depth_max": 0.16,
        "line_width_max": 0.33,
        "line_width": 0.2,
        "line_width_expanded": 0.03,
    }
    want = {
        "scan_speed_low": 50 / 100,
        "ripple": 0.5,
        "print_through": 1.5,
        "overcure": 0.06 / 0.05,
        "line_width_high": 1.1,
        "line_width_low": 0.5,
        "width_accuracy": 1.5,
    }
    own = {"raster": {"ripple"}, "line": {"line_width_high", "line_width_low", "width_accuracy"}}
    clear = {"ripple_beyond": 0.005, "print_through_beyond": 0.1, "overcure_beyond": 0.04, "width_beyond": 0.03, "width_short": 0.1}
    beyond = {"ripple": 1.0, "print_through": 2.0, "overcure": 2.0, "line_width_high": 1.2, "line_width_low": 1.0}
    for pattern, other in (("line", "raster"), ("raster", "line")):
        task = replace(LINE, bounds=bounds, pattern=Pattern(pattern == "raster"))
        for asked, surer in ((found, {}), (found | clear, beyond)):
            expected = {k: math.log(v) for k, v in (want | surer).items() if k not in own[other]}
            assert {k: float(v) for k, v in violations(task, asked).items()} == pytest.approx(expected)
    # no limit is never broken; a depth that may not be positive is compared in penetration depths
    assert all(np.all(v == -np.inf) for v in violations(replace(LINE, bounds=replace(BOUNDS, scan_speed_low=0.0)), found).values())
    assert float(violations(replace(LINE, bounds=replace(bounds, print_through=-0.03)), found)["print_through"]) == pytest.approx(
        0.33 / 0.15
    )
    assert float(violations(replace(LINE, bounds=replace(bounds, overcure=0.0)), found)["overcure"]) == pytest.approx(0.06 / 0.15)
