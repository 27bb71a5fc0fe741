"""Solve, then evaluate: each unknown comes back; limits, several answers and none are told apart."""

import dataclasses
import itertools
import math
import re

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import BleachingResin, PowerThresholdResin, Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import MonteCarloOptions, evaluate
from curecalc.setting.limits import Limits
from curecalc.setting.solving import (
    solve_beam_radius,
    solve_hatch_spacing,
    solve_layer_thickness,
    solve_overcure,
    solve_passes,
    solve_power,
    solve_scan_speed,
)
from curecalc.units import Measured, NoSolution, QuantityError
from curecalc.units import Quantity as Q

BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
LINE = Scan(scan_speed=Q(1000.0, "mm/s"))


def log_uniform(low, high):
    return st.floats(math.log(low), math.log(high)).map(math.exp)


@st.composite
def cases(draw):
    common = {"penetration_depth": Q(draw(log_uniform(0.02, 0.5)), "mm"), "critical_exposure": Q(draw(log_uniform(0.5, 60.0)), "mJ/cm^2")}
    cure_model = draw(st.sampled_from(["plain", "bleaching", "threshold"]))
    if cure_model == "bleaching":
        resin = BleachingResin(**common, bleaching_exposure=Q(draw(log_uniform(5.0, 5e3)), "mJ/cm^2"))
    elif cure_model == "threshold":
        reference = Q(draw(log_uniform(10, 1e4)), "mW/mm^2")
        resin = PowerThresholdResin(**common, exponent=draw(st.floats(0.6, 1.3)), reference_irradiance=reference)
    else:
        resin = Resin(**common)
    pulsed = cure_model != "threshold" and draw(st.booleans())
    wx, wy = draw(log_uniform(0.02, 0.4)), draw(log_uniform(0.02, 0.4))
    beam = Beam(
        power=Q(draw(log_uniform(5, 1000)), "mW"),
        radius_x=Q(wx, "mm"),
        radius_y=Q(wy, "mm") if draw(st.booleans()) else None,
        angle=Q(draw(st.floats(-90, 90)), "deg"),
        pulse_rate=Q(draw(log_uniform(2e4, 1e6)), "Hz") if pulsed else None,
    )
    raster = draw(st.booleans())
    scan = Scan(
        scan_speed=Q(1.0, "m/s"),
        # to five radii apart: between lines further off there is next to no light
        hatch_spacing=Q(draw(log_uniform(0.2, 5.0)) * min(wx, wy), "mm") if raster else None,
        passes=draw(st.integers(1, 4)),
        cross_hatch=raster and draw(st.booleans()),
        track_angle=Q(draw(st.floats(0, 180)), "deg"),
        incidence_angle=Q(draw(st.sampled_from([0.0, 15.0])), "deg"),
    )
    # up to twelve penetration depths: deeper ones ask for exposures of no machine and are tried apart
    depth = Q(draw(st.floats(0.3, 12.0)) * common["penetration_depth"].m, "mm")
    return beam, resin, scan, depth


@settings(max_examples=60, deadline=None)
@given(case=cases())
def test_speed_then_depth(case):
    beam, resin, scan, depth = case
    solution = solve_scan_speed(beam=beam, resin=resin, scan=scan, cure_depth=depth)
    assert solution.answer.weakest_depth.m_as("mm") == pytest.approx(depth.m_as("mm"), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(case=cases())
def test_power_then_depth(case):
    beam, resin, scan, depth = case
    solution = solve_power(beam=beam, resin=resin, scan=scan, cure_depth=depth)
    assert solution.answer.weakest_depth.m_as("mm") == pytest.approx(depth.m_as("mm"), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(case=cases())
def test_spacing_then_depth(case):
    beam, resin, scan, depth = case
    try:
        solution = solve_hatch_spacing(beam=beam, resin=resin, scan=scan, cure_depth=depth)
    except NoSolution:  # lines closer than a tenth of a micrometre: even there the depth is not reached
        closest = dataclasses.replace(scan, hatch_spacing=Q(1e-4, "mm"))
        assert evaluate(beam=beam, resin=resin, scan=closest).weakest_depth < depth
        return
    assert solution.answer.weakest_depth.m_as("mm") == pytest.approx(depth.m_as("mm"), rel=1e-8)


def depth_at_radius(beam, resin, scan, radius):
    ratio = 1.0 if beam.round else (beam.radius_y.value / beam.radius_x.value).m_as("dimensionless")
    other = None if beam.round else Q(radius * ratio, "mm")
    sized = dataclasses.replace(beam, radius_x=Q(radius, "mm"), radius_y=other)
    return evaluate(beam=sized, resin=resin, scan=scan).weakest_depth.m_as("mm")


@settings(max_examples=25, deadline=None)
@given(case=cases())
def test_radius_then_depth_or_a_reason(case):
    beam, resin, scan, depth = case
    radii = np.geomspace(1e-3, 100.0, 60)
    depths = depth_at_radius(beam, resin, scan, radii)
    wanted = depth.m_as("mm")
    if max(depths) < wanted * 0.9 or min(depths) > wanted:
        with pytest.raises(NoSolution, match="beam radius") as caught:
            solve_beam_radius(beam=beam, resin=resin, scan=scan, cure_depth=depth)
        assert caught.value.limit == "beam_radius"
        return
    if max(depths) < wanted * 1.1:
        return
    solution = solve_beam_radius(beam=beam, resin=resin, scan=scan, cure_depth=depth)
    crossings = sum((a < wanted) != (b < wanted) for a, b in itertools.pairwise(depths))
    assert len(solution.values) >= crossings
    for answer in solution.answers:
        assert answer.weakest_depth.m_as("mm") == pytest.approx(depth.m_as("mm"), rel=1e-8)


@settings(max_examples=30, deadline=None)
@given(case=cases())
def test_passes_are_the_fewest(case):
    beam, resin, scan, depth = case
    scan = dataclasses.replace(scan, scan_speed=Q(3.0, "m/s"))
    single = evaluate(beam=beam, resin=resin, scan=dataclasses.replace(scan, passes=100_000)).weakest_depth
    if single.m_as("mm") < depth.m_as("mm"):
        return
    n = solve_passes(beam=beam, resin=resin, scan=scan, cure_depth=depth).value
    enough = evaluate(beam=beam, resin=resin, scan=dataclasses.replace(scan, passes=n)).weakest_depth.m_as("mm")
    assert enough >= depth.m_as("mm") * (1 - 1e-9)
    if n > 1:
        fewer = evaluate(beam=beam, resin=resin, scan=dataclasses.replace(scan, passes=n - 1)).weakest_depth.m_as("mm")
        assert fewer < depth.m_as("mm")


def test_exact_number_of_passes_is_not_rounded_up():
    # two passes: Dp ln 2 deeper, so that depth asks for exactly two
    depth = 0.15 * math.log(2 * 19.149229459268762 / 8)
    assert solve_passes(beam=BEAM, resin=RESIN, scan=LINE, cure_depth=Q(depth, "mm")).value == 2


def test_layer_and_overcure_are_what_the_other_leaves():
    over = solve_overcure(beam=BEAM, resin=RESIN, scan=LINE, layer_thickness=Q(0.1, "mm"))
    assert over.value.m_as("mm") == pytest.approx(0.030923, abs=5e-7)
    layer = solve_layer_thickness(beam=BEAM, resin=RESIN, scan=LINE, overcure=over.value)
    assert layer.value.m_as("mm") == pytest.approx(0.1, rel=1e-12)


def test_a_width_has_two_radii_and_too_great_a_width_none():
    two = solve_beam_radius(beam=BEAM, resin=RESIN, scan=LINE, line_width=Q(0.165153426, "mm"))
    e = 0.7978845608028654 * 30.0 / 1000.0

    def miss(w):
        return w * math.sqrt(2.0 * math.log(e / (w * 0.08))) - 0.165153426

    wide = scipy.optimize.brentq(miss, 0.19, 0.29, xtol=1e-14)
    assert [v.m_as("mm") for v in two.values] == pytest.approx([0.125, wide], rel=1e-8)
    assert [a.line_width.m_as("mm") for a in two.answers] == pytest.approx([0.165153426] * 2, rel=1e-9)
    assert isinstance(two.to_dict()["beam_radius"], list)
    with pytest.raises(NoSolution, match="the widest is"):
        solve_beam_radius(beam=BEAM, resin=RESIN, scan=LINE, line_width=Q(0.4, "mm"))


def test_width_at_the_fold_is_still_found():
    # the widest line: d/dW [W sqrt(2 ln(c/W))] = 0 at ln(c/W) = 1/2
    c = 0.7978845608028654 * 30.0 / (1000.0 * 0.08)
    widest = c * math.exp(-0.5)
    found = solve_beam_radius(beam=BEAM, resin=RESIN, scan=LINE, line_width=Q(widest * (1 - 1e-7), "mm"))
    assert len(found.values) == 2
    assert all(v.m_as("mm") == pytest.approx(c * math.exp(-0.5), rel=1e-2) for v in found.values)


def test_no_radius_reaches_beyond_the_mean_exposure_of_a_raster():
    scan = dataclasses.replace(LINE, hatch_spacing=Q(0.2, "mm"))
    with pytest.raises(NoSolution, match="narrow the hatch spacing"):
        solve_beam_radius(beam=BEAM, resin=RESIN, scan=scan, cure_depth=Q(0.2, "mm"))


def test_speed_beyond_the_limit_says_by_how_much_and_what_would_help():
    scan = dataclasses.replace(LINE, hatch_spacing=Q(0.1, "mm"))
    strong = dataclasses.replace(BEAM, power=Q(3.0, "W"))
    wanted = {"layer_thickness": Q(0.1, "mm"), "overcure": Q(0.05, "mm")}
    with pytest.raises(NoSolution) as caught:
        solve_scan_speed(beam=strong, resin=RESIN, scan=scan, **wanted, limits=Limits(scan_speed_max=Q(5.0, "m/s")))
    said = str(caught.value)
    assert caught.value.limit == "scan_speed_max"
    assert "overcured by" in said
    # the ways out named really lead out
    spacing, power = (float(re.search(pattern, said)[1]) for pattern in (r"spacing to ([\d.]+) mm", r"power to ([\d.]+) mW"))
    there = dataclasses.replace(scan, scan_speed=Q(5.0, "m/s"))
    for beam, pattern in (
        (strong, dataclasses.replace(there, hatch_spacing=Q(spacing, "mm"))),
        (dataclasses.replace(strong, power=Q(power, "mW")), there),
    ):
        depth = evaluate(beam=beam, resin=RESIN, scan=pattern).weakest_depth.m_as("mm")
        assert depth == pytest.approx(0.15, rel=2e-3)


def test_power_beyond_the_limit_and_given_values_beyond_it():
    with pytest.raises(NoSolution, match="short by"):
        solve_power(beam=BEAM, resin=RESIN, scan=LINE, cure_depth=Q(0.3, "mm"), limits=Limits(power_max=Q(40.0, "mW")))
    with pytest.raises(NoSolution, match="above the limit"):
        solve_scan_speed(beam=BEAM, resin=RESIN, cure_depth=Q(0.3, "mm"), limits=Limits(power_max=Q(20.0, "mW")))
    with pytest.raises(QuantityError, match="must not exceed"):
        Limits(power_min=Q(2.0, "W"), power_max=Q(1.0, "W"))


def test_uncertainty_of_a_speed_by_hand():
    """v = c P/(W0 Ec) exp(-Cd/Dp): relative u^2 = 2 %^2 + 1.2 %^2 + 3 %^2 + (Cd/Dp x 1 %)^2."""
    beam = Beam(power=Measured(Q(30.0, "mW"), Q(0.6, "mW")), radius_x=Measured(Q(125.0, "um"), Q(1.5, "um")))
    resin = Resin(
        penetration_depth=Measured(Q(0.15, "mm"), Q(0.0015, "mm")), critical_exposure=Measured(Q(8.0, "mJ/cm^2"), Q(0.24, "mJ/cm^2"))
    )
    solution = solve_scan_speed(beam=beam, resin=resin, cure_depth=Q(0.3, "mm"), monte_carlo=MonteCarloOptions(draws=100_000))
    want = math.sqrt(0.02**2 + 0.012**2 + 0.03**2 + (2 * 0.01) ** 2)
    got = (solution.standard_uncertainty[0] / solution.value).m_as("dimensionless")
    assert got == pytest.approx(want, rel=1e-5)
    v = solution.value.m_as("mm/s")
    assert solution.monte_carlo[0].standard_uncertainty / v == pytest.approx(want, rel=0.02)


def test_uncertainty_of_a_radius_follows_each_branch():
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.06, "mW")))
    found = solve_beam_radius(beam=beam, resin=RESIN, scan=LINE, line_width=Q(0.165, "mm"), monte_carlo=MonteCarloOptions(draws=20_000))
    for u, mc in zip(found.standard_uncertainty, found.monte_carlo, strict=True):
        assert mc.standard_uncertainty == pytest.approx(u.m_as("mm"), rel=0.03)
    lower, upper = (
        solve_beam_radius(beam=dataclasses.replace(BEAM, power=Q(p, "mW")), resin=RESIN, scan=LINE, line_width=Q(0.165, "mm"))
        for p in (29.94, 30.06)
    )
    for i in (0, 1):
        slope = abs(upper.values[i].m_as("mm") - lower.values[i].m_as("mm")) / 2
        assert found.standard_uncertainty[i].m_as("mm") == pytest.approx(slope, rel=1e-3)


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ({}, "layer_thickness is missing"),
        ({"layer_thickness": Q(0.1, "mm")}, "overcure is missing"),
        ({"layer_thickness": Q(0.1, "mm"), "overcure": Q(0.1, "mm"), "cure_depth": Q(0.1, "mm")}, "cannot both be given"),
        ({"layer_thickness": Q(0.1, "mm"), "overcure": Q(-0.1, "mm")}, "must be above zero"),
        ({"cure_depth": Q(0.0, "mm")}, "cure_depth must be finite and above zero"),
        ({"cure_depth": Q(1.0, "m")}, "penetration depths"),
    ],
)
def test_targets_that_cannot_be(wanted, said):
    with pytest.raises((QuantityError, NoSolution), match=said):
        solve_scan_speed(beam=BEAM, resin=RESIN, **wanted)


@pytest.mark.parametrize("depth", [5.0, 30.0, 55.0])
@pytest.mark.parametrize("solve", [solve_hatch_spacing, solve_scan_speed, solve_power])
def test_many_penetration_depths_deep_is_met_or_refused_never_missed(solve, depth):
    """e^55 times the critical exposure is beyond any machine, yet what comes back must still reach the depth."""
    beam, resin, scan = (
        Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm")),
        Resin(penetration_depth=Q(0.1, "mm"), critical_exposure=Q(8.0, "mJ/cm^2")),
        Scan(scan_speed=Q(1.0, "m/s")),
    )
    if solve is solve_hatch_spacing and depth > 5.0:
        with pytest.raises(NoSolution, match=r"closer than 0\.0001 mm, beyond any scanner\. Slow the scan or raise the power\."):
            solve(beam=beam, resin=resin, scan=scan, cure_depth=Q(0.1 * depth, "mm"))
        return
    solution = solve(beam=beam, resin=resin, scan=scan, cure_depth=Q(0.1 * depth, "mm"))
    assert solution.answer.weakest_depth.m_as("mm") == pytest.approx(0.1 * depth, rel=1e-9)


@pytest.mark.parametrize("depth", [100.0, 1000.0])
@pytest.mark.parametrize("solve", [solve_hatch_spacing, solve_scan_speed, solve_power])
def test_a_depth_no_number_can_reach_is_refused(solve, depth):
    with pytest.raises(QuantityError, match="penetration depths"):
        solve(
            beam=Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm")),
            resin=Resin(penetration_depth=Q(0.1, "mm"), critical_exposure=Q(8.0, "mJ/cm^2")),
            scan=Scan(scan_speed=Q(1.0, "m/s")),
            cure_depth=Q(0.1 * depth, "mm"),
        )


@pytest.mark.parametrize("track", [0.0, 30.0])
def test_speed_power_and_passes_for_a_width(track):
    beam = dataclasses.replace(BEAM, radius_y=Q(0.16, "mm"))
    scan = dataclasses.replace(LINE, track_angle=Q(track, "deg"))
    wanted = Q(0.2, "mm")
    for solve in (solve_scan_speed, solve_power):
        answer = solve(beam=beam, resin=RESIN, scan=scan, line_width=wanted).answer
        assert answer.line_width.m_as("mm") == pytest.approx(0.2, rel=1e-9)
    n = solve_passes(beam=beam, resin=RESIN, scan=scan, line_width=wanted).value
    widths = [evaluate(beam=beam, resin=RESIN, scan=dataclasses.replace(scan, passes=k)).line_width.m_as("mm") for k in (n - 1, n)]
    assert widths[0] < 0.2 <= widths[1]


def test_passes_say_the_exposure_of_the_depth_asked_for():
    from curecalc.setting.derivation import solution_steps

    solution = solve_passes(beam=BEAM, resin=RESIN, scan=dataclasses.replace(LINE, scan_speed=Q(2.0, "m/s")), cure_depth=Q(0.15, "mm"))
    assert solution_steps(solution)[0].result == "21.7463 mJ/cm^2"
