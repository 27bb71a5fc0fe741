"""Retuning, assurance, ways out and rates: thresholds on both sides, factors by hand or from general distributions."""

import datetime
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from curecalc.errors import NoSolution, QuantityError
from curecalc.physics.laws import Threshold
from curecalc.recipe.assurance import (
    Curve,
    Errors,
    assurance_of,
    assured_log_exposure,
    curve_from_covariance,
    depth_state,
    normal_factor,
    quick_factor,
    reach_beyond,
    relative_variance,
)
from curecalc.recipe.bounds import Bounds, Hold, RunUp, Task, moved
from curecalc.recipe.light import Pattern, shape, weakest_track
from curecalc.recipe.retuning import _change, _drift, _due, _eased, machine_after, with_exposures_scaled
from curecalc.units import Measured
from curecalc.units import Quantity as Q

from .test_search_by_hand import hills

DAY = datetime.date(2026, 6, 1)

# ---------------------------------------------------------------- retuning


def due(*, ratio=1.0, factor=1.0, scale=0.0, repeat=0.0, age=0, meters=("A", "a "), warnings=(), said=(), verified=True, date=None):
    machine = SimpleNamespace(beam_radius_scale_uncertainty=scale, beam_radius_repeatability=repeat, power_meter=meters[0])
    resin = SimpleNamespace(
        date=date if date is not None else (DAY - datetime.timedelta(days=age)).isoformat(), verified=verified, power_meter="A"
    )
    return _due(machine, SimpleNamespace(power_meter=meters[1]), resin, SimpleNamespace(warnings=warnings), ratio, factor, DAY, set(said))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, None),
        ({"ratio": 1.299}, None),
        ({"ratio": 1.301}, "The power changed by +30 %"),
        ({"ratio": 0.701}, None),
        ({"ratio": 0.699}, "The power changed by -30 %"),
        ({"factor": 1.099}, None),
        ({"factor": 1.101}, "The beam radius changed by +10 %"),
        ({"factor": 0.899}, "The beam radius changed by -10 %"),
        ({"factor": 1.149, "scale": 0.04, "repeat": 0.03}, None),  # three times 5 %
        ({"factor": 1.151, "scale": 0.04, "repeat": 0.03}, "The beam radius changed by +15 %"),
        ({"age": 90}, None),
        ({"age": 91}, "The coupons are 91 days old, more than 90: lots drift."),
        ({"date": "unknown"}, None),
        ({"date": "2026-01-01T10:00"}, "The coupons are 151 days old"),
        ({"meters": ("A", "B")}, "The power was read with B, the coupons with A"),
        ({"verified": False}, "never proved on coupons"),
        ({"warnings": ("hatch: the depth is extrapolated",)}, "hatch: the depth is extrapolated"),
        ({"warnings": ("hatch: the depth is extrapolated",), "said": ("hatch",)}, None),
    ],
)
def test_coupons_are_due(given, said):
    found = due(**given)
    assert len(found) == (said is not None)
    if said is not None:
        assert said in found[0]


def test_what_is_a_slip_and_what_a_drift():
    for drifted in (999.0, 10.1):
        assert _drift("power", Q(100.0, "mW"), Q(drifted, "mW")) == pytest.approx(drifted / 100.0)
    for slip in (1000.0, 10.0):
        with pytest.raises(QuantityError, match=f"is {slip / 100:.3g} times the earlier 100 mW"):
            _drift("power", Q(100.0, "mW"), Q(slip, "mW"))


def test_limits_at_which_old_settings_stood_are_eased_by_a_millionth():
    for was, eased in ((10.0, 10.00001), (10.0009, 10.00091), (9.9991, 10.00001), (10.0011, 10.0), (9.98, 10.0)):
        assert _eased(Q(10.0, "mm"), {"value": was}).m == pytest.approx(eased, abs=1e-9)
    assert _eased(None, {"value": 1.0}) is None
    assert _eased(Q(10.0, "mm"), None).m == 10.0


@pytest.mark.parametrize(
    ("speed", "power", "spacing", "factor", "held", "full", "reason"),
    [
        (1000.0, 300.0, 0.1, 1.0, True, 300.0, "the speed stays; nothing changed here"),
        (1100.0, 330.0, 0.1, 1.0, True, 300.0, "speed +10.0 % for power +10.0 %"),
        (1000.05, 300.02, 0.100005, 1.0, True, 300.0, "the speed stays; nothing changed here"),
        (1000.2, 300.0, 0.1, 1.0, True, 300.0, "speed +0.0 % for the changed uncertainty"),
        (1000.12, 300.0, 0.1, 1.0, True, 300.0, "speed +0.0 % for the changed uncertainty"),
        (1000.0, 300.036, 0.1, 1.0, True, 300.036, "the speed stays, power +0.0 %"),
        (1000.0, 300.0, 0.100012, 1.0, True, 300.0, "the speed stays, hatch spacing +0.0 %"),
        (1000.08, 300.024, 0.100008, 1.0, False, 300.0, "the speed stays; nothing changed here"),
        (
            1000.0,
            300.0,
            0.1,
            1.0,
            False,
            300.036,
            "the speed stays; the machine takes shares of full power: set 100.0 % instead of 100.0 %",
        ),
        (900.0, 300.0, 0.11, 1.0, True, 300.0, "speed -10.0 % for hatch spacing +10.0 %"),
        (1000.0, 330.0, 0.11, 1.0, True, 300.0, "the speed stays: power +10.0 % and hatch spacing +10.0 % make up for each other"),
        (1000.0, 300.0, 0.1, 1.05, True, 300.0, "the speed stays, beam radius +5.0 %"),
        (1000.0, 300.0, 0.1, 1.0, False, 330.0, "the speed stays; the machine takes shares of full power: set 90.9 % instead of 100.0 %"),
    ],
)
def test_reasons_of_a_change(speed, power, spacing, factor, held, full, reason):
    old = {"scan_speed": 1000.0, "power": 300.0, "beam_radius": 0.1, "hatch_spacing": 0.1}
    one = SimpleNamespace(
        kind="hatch", scan_speed=Q(speed, "mm/s"), power=Q(power, "mW"), beam_radius=Q(0.1 * factor, "mm"), hatch_spacing=Q(spacing, "mm")
    )
    got = _change(one, {k: {"value": v} for k, v in old.items()}, (300.0, full), factor, SimpleNamespace(power_held=held))
    assert got.reason == reason
    assert got.speed_change == pytest.approx(speed / 1000.0 - 1.0)
    assert (got.old_share, got.new_share) == pytest.approx((1.0, power / full))
    told = got.to_dict()
    assert (told["old_hatch_spacing"]["value"], told["hatch_spacing"]["value"]) == (0.1, spacing)
    line = replace(got, old_spacing=None, hatch_spacing=None).to_dict()
    assert (line["old_hatch_spacing"], line["hatch_spacing"]) == (None, None)


def test_the_machine_and_the_lot_after_a_reading(monkeypatch):
    from curecalc.recipe import retuning

    monkeypatch.setattr(retuning, "replace", lambda record, **changes: changes)
    machine = SimpleNamespace(
        power=Measured(Q(300.0, "mW"), Q(6.0, "mW")), power_min=Q(280.0, "mW"), beam_radius_min=Q(0.1, "mm"), beam_radius_max=Q(0.2, "mm")
    )
    bare = machine_after(machine, Measured(Q(250.0, "mW"), Q(0.0, "mW")), 1.1, "B", DAY)
    assert bare["power"].standard_uncertainty.m == pytest.approx(5.0)  # 2 % as before
    assert (bare["power_min"].m, bare["power_reading_date"], bare["power_meter"]) == (250.0, DAY, "B")
    assert (bare["beam_radius_min"].m, bare["beam_radius_max"].m) == pytest.approx((0.11, 0.22))
    stated = machine_after(machine, Measured(Q(290.0, "mW"), Q(1.0, "mW")), 1.0, None, DAY)
    assert (stated["power"].standard_uncertainty.m, stated["power_min"].m) == (1.0, 280.0)
    assert set(stated) == {"power", "power_min", "power_reading_date"}
    assert machine_after(machine, None, 1.0, None, DAY) == {}
    lot = SimpleNamespace(
        critical_exposure=Measured(Q(8.0, "mJ/cm^2"), Q(0.4, "mJ/cm^2")),
        bleaching_exposure=None,
        reference_irradiance=None,
        centre_exposure=Q(20.0, "mJ/cm^2"),
        exposure_low=Q(10.0, "mJ/cm^2"),
        exposure_high=Q(40.0, "mJ/cm^2"),
        depths=(),
    )
    scaled = with_exposures_scaled(lot, 1.5)
    assert (scaled["critical_exposure"].value.m, scaled["critical_exposure"].standard_uncertainty.m) == pytest.approx((12.0, 0.6))
    assert [scaled[k].m for k in ("centre_exposure", "exposure_low", "exposure_high")] == [30.0, 15.0, 60.0]


# ---------------------------------------------------------------- assurance

CURVE = Curve(0.15, math.log(0.08), math.log(0.08) + 1.5, 2e-6, 9e-6, 1.6e-5, 4.0)
BUILD = Errors(
    power=0.01,
    exposure_scale=0.02,
    beam_radius=0.03,
    beam_radius_scale=0.04,
    coupon_radius_power=-1.0,
    scan_speed=0.005,
    hatch_spacing=0.006,
    layer_thickness=0.003,
    depth_bias=0.002,
)


def test_what_the_build_adds_is_a_sum_of_squares():
    got = relative_variance(BUILD, -0.5, -0.9, -1.2, 1.1, 0.007)
    parts = (1.1 * 0.01, 1.1 * 0.02, 0.5 * 0.03, 0.5 * 0.04, 0.9 * 0.005, 1.2 * 0.006, 0.007)
    assert got == pytest.approx(sum(p * p for p in parts))
    alone = relative_variance(Errors(power=0.01, beam_radius_scale=0.04), -0.5, -1.0, -1.0)
    assert alone == pytest.approx(0.01**2 + 0.02**2)  # nothing cancels where the coupons' beam is not known
    assert relative_variance(Errors(), 1.0, 1.0, 1.0) == 0.0
    x = CURVE.centre + 0.4
    for single in (True, False):
        state = depth_state(CURVE, BUILD, x, 0.001, single=single, lever=0.1)
        a = 2e-6 + 0.25 * 9e-6 + (1.6e-5 if single else 0.0)
        b = 0.15**2 * 0.001 + 0.002**2 + (0.003**2 if single else 0.0)
        assert (state["depth"], state["type_a"], state["type_b"]) == pytest.approx((0.15 * 1.9, a, b))
        assert state["standard_uncertainty"] == pytest.approx(math.sqrt(a + b))
        assert state["degrees_of_freedom"] == pytest.approx(4.0 * ((a + b) / a) ** 2)  # Welch and Satterthwaite
        k = math.sqrt(0.5 * (stats.t.ppf(0.95, 4 * ((a + b) / a) ** 2) ** 2 + (a * stats.t.ppf(0.95, 4) ** 2 + b * 1.644854**2) / (a + b)))
        assert quick_factor(a, b, 4.0, 0.95) == pytest.approx(k, rel=1e-6)
        beyond = reach_beyond(CURVE, BUILD, x, 0.001, assurance=0.95, single=single, lever=0.1)
        assert beyond == pytest.approx(k * math.sqrt(a + b), rel=1e-6)
    assert CURVE.log_threshold_variance == pytest.approx((2e-6 + 1.5**2 * 9e-6) / 0.15**2)
    assert [normal_factor(p) for p in (0.5, 0.95, 0.975)] == pytest.approx([0.0, 1.644854, 1.959964], abs=1e-6)
    assert quick_factor(1.0, 0.0, 4.0, 0.95) == pytest.approx(stats.t.ppf(0.95, 4))
    assert quick_factor(0.0, 1.0, 4.0, 0.95) == quick_factor(np.zeros(1), np.zeros(1), 4.0, 0.95)[0] == pytest.approx(1.644854, rel=1e-6)
    assert quick_factor(0.5, 0.5, math.inf, 0.95) == pytest.approx(1.644854, rel=1e-6)


@pytest.mark.parametrize("assurance", [0.5, 0.9, 0.99])
def test_the_assured_exposure_solves_its_own_equation(assurance):
    for single, relative in ((True, 0.001), (False, 0.0)):
        x = assured_log_exposure(CURVE, BUILD, relative, 0.2, assurance=assurance, single=single)
        state = depth_state(CURVE, BUILD, x, relative, single=single)
        k = quick_factor(state["type_a"], state["type_b"], 4.0, assurance)
        assert state["depth"] - k * state["standard_uncertainty"] == pytest.approx(0.2, abs=1e-9)
        assert assurance_of(CURVE, BUILD, x, relative, 0.2, single=single) == pytest.approx(assurance, abs=1e-6)
    below = assurance_of(CURVE, BUILD, x, 0.0, 2 * state["depth"] - 0.2, single=False)  # as far on the other side
    assert below == pytest.approx(1.0 - assurance, abs=1e-6)
    for bad in (0.499, 1.0):
        with pytest.raises(QuantityError, match=rf"assurance must be at least 0\.5 and below 1, got {bad:g}"):
            assured_log_exposure(CURVE, BUILD, 0.0, 0.2, assurance=bad, single=True)


def test_a_slope_must_be_told_from_zero_by_the_quantile_asked_for():
    t = stats.t.ppf(0.95, 4)
    for share, sure in ((1.01, True), (0.99, False)):
        curve = Curve(0.15, 0.0, 1.0, 0.0, (0.15 / t / share) ** 2, 0.0, 4.0)
        if sure:
            assert assured_log_exposure(curve, Errors(), 0.0, 0.2, assurance=0.95, single=True) > 4 / 3
        else:
            with pytest.raises(NoSolution, match="not told from zero"):
                assured_log_exposure(curve, Errors(), 0.0, 0.2, assurance=0.95, single=True)


def test_covariances_that_can_be_and_those_that_cannot():
    def made(c, v=4e-6, u=1e-2):
        return curve_from_covariance(
            penetration_depth=0.15,
            log_threshold=2.0,
            variance_depth=v,
            variance_log=u,
            covariance=c,
            layer_variance=1e-5,
            degrees_of_freedom=5.0,
        )

    curve = made(1e-4)
    assert (curve.centre, curve.centre_variance) == pytest.approx((2.0 + 0.15 * 25, 0.15**2 * (1e-2 - 2.5e-3)))
    assert made(2e-4).centre_variance == pytest.approx(0.0, abs=1e-15)  # wholly correlated
    known = made(0.0, v=0.0)
    assert (known.centre, known.centre_variance) == pytest.approx((2.0, 0.15**2 * 1e-2))
    for bad in ({"c": 2.0001e-4}, {"c": 0.0, "v": -1e-9}, {"c": 0.0, "u": -1e-9}):
        with pytest.raises(QuantityError, match="contradicts itself"):
            made(**bad)


# ---------------------------------------------------------------- light and bounds


def test_patterns_count_their_scans_and_find_their_weakest_track():
    assert [Pattern(True, n, crossed).times for n, crossed in ((1, False), (3, False), (1, True), (3, True))] == [1, 3, 2, 6]
    line = shape(Pattern(False), 0.1, None)
    peak = math.sqrt(2 / math.pi) / 0.1
    assert (line.weakest, line.mean, line.strongest, line.fullest) == pytest.approx((peak,) * 4)
    assert (line.radius_power, line.speed_power, line.spacing_power, line.power_power, line.turn) == pytest.approx((-1, -1, 0, 1, 0))
    assert shape(Pattern(False, 2), 0.1, None, 500.0).weakest == pytest.approx(2 * peak)
    raster = shape(Pattern(True), 0.1, 0.05)
    assert (raster.weakest, raster.strongest) == pytest.approx((20.0, 20.0), rel=1e-6)
    assert (raster.radius_power, raster.spacing_power) == pytest.approx((0.0, -1.0), abs=1e-5)
    assert shape(Pattern(True), 0.1, 0.05, powers=False).radius_power == 0.0
    from curecalc.physics.light import Gaussian

    oval = Pattern(False, spot=Gaussian(1.0, 2.0), tracks=(0.0, 0.5 * math.pi))
    both = shape(oval, 0.1, None)
    assert (both.weakest, both.fullest, both.strongest) == pytest.approx((peak / 2, peak, peak))  # radius 0.2 and 0.1 across
    assert weakest_track(oval, 0.1, None, 1.0) == 0.0
    turned = shape(Pattern(False, spot=Gaussian(1.0, 2.0), tracks=(0.0,), turned=0.05), 0.1, None)
    assert turned.turn == 0.0  # the widest side: no turn is weaker
    narrow = shape(Pattern(False, spot=Gaussian(1.0, 2.0), tracks=(0.5 * math.pi,), turned=0.05), 0.1, None)
    assert narrow.turn == pytest.approx(0.5 * math.log(math.hypot(math.cos(0.1), 2.0 * math.sin(0.1))))


def test_a_place_held_asks_for_more_and_a_limit_moves_by_a_factor():
    bounds = Bounds(1.0, 300.0, 0.1, 0.2, 10.0, 5000.0, print_through=0.2)
    task = Task("line", Pattern(False), 0.1, 0.15, 0.95, True, CURVE, Errors(), bounds)
    assert task.depth_for(0.1) == 0.15
    assert moved(task, "power_high", 1.1).bounds.power_high == pytest.approx(330.0)
    assert moved(task, "ripple", 1.1).bounds.ripple == math.inf
    assert (moved(task, "hatch_spacing_low", 2.0).bounds.hatch_spacing_low, bounds.pulse_share, bounds.power_least) == (0.0, math.inf, 0.0)
    place = Hold(gain=0.9, slant=1.0, stretch=1.2, out_of_focus=2.0, divergence=0.005, wider=1.1)
    growth = 1.1 * math.hypot(1.0, 0.005 * 2.0 / 0.01)
    assert place.growth(0.1) == pytest.approx(growth)
    held = Task("line", Pattern(False), 0.1, 0.15, 0.95, True, CURVE, Errors(), bounds, hold=place)
    # a tenth less light, on a line wider by growth and stretch
    assert held.depth_for(0.1) == pytest.approx(0.15 + 0.15 * math.log(growth * 1.2 / 0.9))
    raster = Task("hatch", Pattern(True), 0.1, 0.15, 0.95, True, CURVE, Errors(), bounds, hold=Hold(0.9, 1.0, 1.2))
    assert raster.depth_for(0.1) == pytest.approx(0.15 - 0.15 * math.log(0.9))  # lines of a raster make up for one another
    # where the spot was measured a tenth finer the valleys between lines 0.12 mm apart are deeper; where it was not, they do not count
    finer, unfocused = (replace(raster, hold=replace(place, stretch=1.0, wider=w)) for w in (0.9, 1.0))
    sharp = replace(finer, hold=replace(finer.hold, out_of_focus=0.0))
    valleys = hills(1.2, 0.5) / hills(1.2 / 0.9, 0.5) * 0.9
    assert sharp.depth_for(0.1, 0.12) == pytest.approx(0.15 + 0.15 * math.log(valleys / 0.9))
    assert sharp.depth_for(0.1) == unfocused.depth_for(0.1, 0.12) == pytest.approx(0.15 - 0.15 * math.log(0.9))
    # under w = 1.5 light that is spread is worth less: a raster's as the area to the power w - 1, a line's dose itself goes as W^(1 - 2 w)
    bent = replace(CURVE, law=Threshold(0.15, 0.08, 1.5, 5.0))
    for pattern, spread in (
        (Pattern(True, exponent=1.5, reference=5.0), math.sqrt(growth**2 * 1.2)),
        (Pattern(False, exponent=1.5, reference=5.0), growth**2 * 1.2**1.5),
    ):
        task = Task("any", pattern, 0.1, 0.15, 0.95, True, bent, Errors(), bounds, hold=replace(place, wider=1.0))
        wide = spread / 1.1 if pattern.raster else spread / 1.1**2
        assert task.depth_for(0.1) == pytest.approx(0.15 + 0.1 * math.log(wide / 0.9**1.5), rel=1e-6)
    # hard ends one nominal radius away take Phi(2) of the dose of the nominal spot, Phi(2/1.1) of a wider one; a finer one loses none
    ended = Task("line", Pattern(False), 0.1, 0.15, 0.95, True, CURVE, Errors(), bounds, run_up=RunUp(), vector_length=50.0)
    for wider, more in ((1.1, 1.1 * stats.norm.cdf(2.0) / stats.norm.cdf(2.0 / 1.1)), (0.9, 1.0)):
        there = replace(ended, hold=Hold(1.0, 1.0, 1.0, wider=wider))
        assert there.depth_for(0.1) == pytest.approx(0.15 + 0.15 * math.log(more))
    easy = Task("hatch", Pattern(True), 0.1, 0.15, 0.95, True, CURVE, Errors(), bounds, hold=Hold(1.2, 1.0, 1.0))
    assert np.asarray(easy.depth_for(0.1)) == 0.15  # never less than in the centre
