"""Times and light of a layer scanned more than once, by energy balance: dose times area over power, however it is shared out."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import Bounds, Task
from curecalc.recipe.light import Pattern
from curecalc.recipe.rates import Work, build_rates, scan_time

CURVE = Curve(0.15, math.log(0.08), math.log(0.08) + 1.5, 2e-6, 9e-6, 1.6e-5, 4.0)
BOUNDS = Bounds(1.0, 300.0, 0.1, 0.2, 10.0, 50_000.0)


def kind(pattern, length=20.0, **more):
    task = Task("kind", pattern, 0.1, 0.15, 0.95, True, CURVE, Errors(), BOUNDS, vector_length=length, settling=0.001, **more)
    spacing = 0.1 if pattern.raster else None
    return SimpleNamespace(task=task, hatch_spacing=spacing, scan_speed=1000.0, beam_radius=0.1, log_wanted=math.log(0.2))


@pytest.mark.parametrize(("passes", "crossed", "times"), [(1, False, 1), (2, False, 2), (1, True, 2), (3, True, 6)])
def test_passes_take_time_and_no_more_light(passes, crossed, times):
    """400 mm^2 at 0.2 mJ/mm^2 and 300 mW: 0.267 s of light; 200 lines of 20 mm at 1 m/s and 1 ms each: 4.2 s a pass."""
    rates = build_rates(
        [(kind(Pattern(True, passes, crossed)), Work(area=400.0))], power_available=300.0, recoat_time=10.0, layer_thickness=0.1
    )
    assert rates.light_time == pytest.approx(400 * 0.2 / 300)
    assert (rates.scan_time, rates.layer_time, rates.volume) == pytest.approx((4.2 * times, 4.2 * times + 10, 40.0))
    assert rates.volume_rate == pytest.approx(40.0 / rates.layer_time)
    assert rates.light_limit_fraction == pytest.approx(rates.light_time / rates.layer_time)
    want = {"light": 400 * 0.2 / 300, "scanner": 4.2 * times - 400 * 0.2 / 300, "recoater": 10.0}
    assert rates.shares == pytest.approx({name: t / rates.layer_time for name, t in want.items()})
    assert rates.bottleneck == ("scanner" if times > 2 else "recoater")
    assert rates.by_kind == pytest.approx({"kind": 4.2 * times})
    if not crossed:  # a line: peak sqrt(2/pi) P/(W0 v), whatever the passes
        line = build_rates(
            [(kind(Pattern(False, passes)), Work(length=100.0))], power_available=300.0, recoat_time=0.0, layer_thickness=0.1
        )
        assert line.light_time == pytest.approx(100 * 0.2 * 0.1 / (math.sqrt(2 / math.pi) * 300))
        assert line.scan_time == pytest.approx(times * 5 * 0.021)
        assert line.volume == 0.0


def test_work_of_many_layers_none_and_less_than_a_vector():
    best = kind(Pattern(True))
    time = scan_time(best, Work(area=np.array([0.0, 1.0, 400.0])))
    assert time == pytest.approx([0.0, 0.011, 4.2])  # 10 mm are one vector of 10 mm
    square = kind(Pattern(True), math.inf)
    assert scan_time(square, Work(area=400.0)) == pytest.approx(200 * 0.021)  # a square of 20 mm
    told = scan_time(best, Work(area=400.0, count=50))
    assert told == pytest.approx(50 * (0.08 + 0.001))
    moved = kind(Pattern(True), move_speed=2000.0)
    assert scan_time(moved, Work(area=400.0)) == pytest.approx(200 * (0.021 + 0.1 / 2000))
    assert scan_time(moved, Work(area=400.0, gap=8.0)) == pytest.approx(200 * (0.021 + 0.004))
    assert scan_time(kind(Pattern(False), math.inf), Work(length=100.0)) == pytest.approx(0.1 + 0.001)
    apart = kind(Pattern(False), math.inf, move_speed=2000.0)
    assert scan_time(apart, Work(length=100.0)) == pytest.approx(0.1 + 0.001)  # moves to lines are not known
    assert scan_time(apart, Work(length=100.0, gap=4.0)) == pytest.approx(0.1 + 0.001 + 0.002)
    layers = build_rates(
        [(best, Work(area=np.array([400.0, 200.0])))], power_available=300.0, recoat_time=10.0, layer_thickness=0.1, layers=2
    )
    assert (layers.recoat_time, layers.volume, layers.scan_time) == pytest.approx((20.0, 60.0, 6.3))
    empty = build_rates([], power_available=300.0, recoat_time=0.0, layer_thickness=0.1)
    assert (empty.volume_rate, empty.light_limit_fraction, empty.shares) == (0.0, 0.0, {"light": 0.0, "scanner": 0.0, "recoater": 0.0})
    quick = build_rates([(best, Work(area=4.0))], power_available=300.0, recoat_time=0.0, layer_thickness=0.1)
    assert (quick.layer_time, quick.volume_rate) == pytest.approx((2 * 0.021, 0.4 / 0.042))
    bright = build_rates([(kind(Pattern(True)), Work(area=400.0))], power_available=1.0, recoat_time=0.0, layer_thickness=0.1)
    assert bright.shares == pytest.approx({"light": 1.0, "scanner": 0.0, "recoater": 0.0})  # no more than all the time
