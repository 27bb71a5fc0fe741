"""Answers at the ends of what is looked at, folds where two answers meet, flat stretches, and lists that settle: worked by hand."""

import dataclasses
import math

import numpy as np
import pytest

from curecalc.formulas.beam import Beam, TopHatBeam
from curecalc.formulas.resin import Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import MonteCarloOptions, evaluate
from curecalc.setting.layers import evaluate_stack
from curecalc.setting.limits import Limits
from curecalc.setting.solving import solve
from curecalc.units import Measured, NoSolution, QuantityError
from curecalc.units import Quantity as Q

BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
LINE = Scan(scan_speed=Q(1000.0, "mm/s"))
DEPTH = Q(0.15, "mm")  # one penetration depth: the dose needed is 0.08 e
ROOT = math.sqrt(2.0 / math.pi)
C = ROOT * 30.0 / (1000.0 * 0.08)  # E/Ec of a line of radius W is C/W


def mm(q):
    return float(q.m_as("mm"))


def test_passes_up_to_a_million():
    one = ROOT * 30.0 / (0.125 * 0.08 * math.e)  # the speed at which one pass does
    fast = {"beam": BEAM, "resin": RESIN, "cure_depth": DEPTH}
    for times, passes in ((0.3, 1), (1.0 + 1e-14, 1), (1.0 + 1e-7, 2), (999_999.5, 1_000_000)):
        found = solve("passes", **fast, scan=Scan(scan_speed=Q(times * one, "mm/s")))
        assert found.value == passes
        assert found.notes == (f"The exact ratio is {times:.4g} passes.",)
    assert solve("passes", **fast, scan=Scan(scan_speed=Q(1.5 * one, "mm/s"), passes=7)).value == 2  # those it had do not count
    assert solve("scan_speed", **fast, scan=Scan(passes=3)).value.m_as("mm/s") == pytest.approx(3.0 * one)
    with pytest.raises(NoSolution, match=r"^1\.1e\+06 passes would be needed at .* mm/s\. Slow the scan") as refused:
        solve("passes", **fast, scan=Scan(scan_speed=Q(1.1e6 * one, "mm/s")))
    assert refused.value.limit == "passes"
    several = solve("passes", **fast, scan=Scan(scan_speed=Q(np.array([1.5, 2.5]) * one, "mm/s")))
    assert several.value.tolist() == [2, 3]
    assert several.notes == ()


def test_lines_no_scanner_could_draw_are_refused():
    wide = dataclasses.replace(BEAM, power=Q(20.0, "W"), radius_x=Q(60.0, "mm"))
    with pytest.raises(NoSolution, match=r"further apart than 100 mm, beyond any scanner\. Raise the speed or lower the power\."):
        solve("hatch_spacing", beam=wide, resin=RESIN, scan=Scan(scan_speed=Q(100.0, "mm/s")), cure_depth=DEPTH)
    # by the mean, P/(v h): lines just further apart than the closest looked at, and just closer than the widest
    speed = 30.0 / (1.6e-4 * 0.08 * math.e)
    close = solve("hatch_spacing", beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(speed, "mm/s")), cure_depth=DEPTH)
    assert mm(close.value) == pytest.approx(1.6e-4)
    for factor, met in ((0.9, True), (1.1, False)):
        even = dataclasses.replace(BEAM, power=Q(factor * 100.0 * 0.08 * math.e * 100.0, "mW"), radius_x=Q(300.0, "mm"))
        asked = {"beam": even, "resin": RESIN, "scan": Scan(scan_speed=Q(100.0, "mm/s")), "cure_depth": DEPTH}
        if met:
            assert mm(solve("hatch_spacing", **asked).value) == pytest.approx(90.0, rel=1e-6)
            continue
        with pytest.raises(NoSolution, match="further apart than 100 mm"):
            solve("hatch_spacing", **asked)
    with pytest.raises(NoSolution, match=r"closer than 0\.0001 mm, beyond any scanner\. Slow the scan or raise the power\."):
        solve("hatch_spacing", beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(2.0 * speed, "mm/s")), cure_depth=DEPTH)
    for unknown in ("scan_speed", "power"):
        beam = dataclasses.replace(BEAM, power=Q(1e30, "mW")) if unknown == "scan_speed" else BEAM
        scan = LINE if unknown == "scan_speed" else Scan(scan_speed=Q(1e30, "mm/s"))
        with pytest.raises(QuantityError, match=f"^{unknown} comes out as .*: one of the inputs is out of all proportion"):
            solve(unknown, beam=beam, resin=RESIN, scan=scan, cure_depth=DEPTH)
    for power, met in ((0.7e-28, False), (1e-25, True), (0.7e28, True), (1.3e28, False)):  # from 1e-28 to 1e28 mW
        scan = Scan(scan_speed=Q(power * ROOT / (0.125 * 0.08 * math.e), "mm/s"))
        if met:
            assert solve("power", beam=BEAM, resin=RESIN, scan=scan, cure_depth=DEPTH).value.m_as("mW") == pytest.approx(power)
            continue
        with pytest.raises(QuantityError, match=r"^power comes out as .*: one of the inputs is out of all proportion"):
            solve("power", beam=BEAM, resin=RESIN, scan=scan, cure_depth=DEPTH)


def test_no_radius_from_a_micrometre_to_a_decimetre():
    """The widest line: W sqrt(2 ln(C/W)) is greatest at W = C e^(-1/2), where it is W itself."""
    with pytest.raises(NoSolution, match=r"No beam radius from 0\.001 mm to 100 mm gives a line 0\.4 mm wide: the widest is ") as refused:
        solve("beam_radius", beam=BEAM, resin=RESIN, scan=LINE, line_width=Q(0.4, "mm"))
    got, at = (float(word.split(" mm")[0]) for word in str(refused.value).split("the widest is ")[1].split(" at a radius of "))
    assert got == pytest.approx(C * math.exp(-0.5), rel=1e-3)
    assert at == pytest.approx(C * math.exp(-0.5), rel=2e-2)
    with pytest.raises(NoSolution, match=r"Every beam radius from 0\.001 mm to 100 mm goes beyond the target\. Raise the speed"):
        solve(
            "beam_radius",
            beam=dataclasses.replace(BEAM, power=Q(20.0, "W")),
            resin=RESIN,
            scan=Scan(scan_speed=Q(0.1, "mm/s")),
            cure_depth=DEPTH,
        )
    with pytest.raises(
        NoSolution, match=r"reaches 0\.9 mm: the deepest is 0\.8\d+ mm at a radius of 0\.001 mm\. Lower the speed, raise the power\."
    ):
        solve("beam_radius", beam=BEAM, resin=RESIN, scan=LINE, cure_depth=Q(0.9, "mm"))


@pytest.mark.parametrize(("ratio", "said"), [(1.49, False), (1.51, True)])
def test_two_radii_of_one_width_are_told_apart_by_depth(ratio, said):
    """W1^2 x1 = W2^2 x2 and x1 - x2 = ln(W2/W1): for depths in the ratio r the flatter has x2 = ln r/(2 (r - 1))."""
    x = 0.5 * math.log(ratio) / (ratio - 1.0)
    width = C * math.exp(-x) * math.sqrt(2.0 * x)
    found = solve("beam_radius", beam=BEAM, resin=RESIN, scan=LINE, line_width=Q(width, "mm"))
    assert [mm(v) for v in found.values] == pytest.approx([C * math.exp(-ratio * x), C * math.exp(-x)])
    assert found.ranges == (None, None)
    assert "range_of_answers" not in found.to_dict()["beam_radius"][0]
    notes = [n for n in found.notes if n.startswith("Both radii meet the target, but the line is ")]
    assert bool(notes) is said
    if said:
        assert f"{0.15 * ratio * x:.3g} mm deep with {C * math.exp(-ratio * x):.3g} mm and only {0.15 * x:.3g} mm deep with " in notes[0]
    record = found.to_dict()
    assert [one["value"] for one in record["beam_radius"]] == [mm(v) for v in found.values]
    assert [one["cure_depth"]["value"] for one in record["answers"]] == pytest.approx([0.15 * ratio * x, 0.15 * x])
    alone = solve("scan_speed", beam=BEAM, resin=RESIN, cure_depth=DEPTH).to_dict()
    assert "answers" not in alone
    assert next(iter(alone)) == "scan_speed"


def test_draws_without_an_answer_are_counted():
    """A width one standard uncertainty of the power below the widest line: 15.9 % of the draws are too weak for it."""
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    width = 0.98 * C * math.exp(-0.5)
    asked = {"beam": beam, "resin": RESIN, "scan": LINE, "line_width": Q(width, "mm")}
    found = solve("beam_radius", **asked, monte_carlo=MonteCarloOptions(draws=4000))
    assert found.monte_carlo == (None, None)
    assert [n for n in found.notes if n.startswith("Monte Carlo: 16 % of the draws have no such beam radius (two answers meet")]
    far = solve("beam_radius", **(asked | {"line_width": Q(0.5 * width, "mm")}), monte_carlo=MonteCarloOptions(draws=4000))
    for u, mc, radius, value in zip(far.standard_uncertainty, far.monte_carlo, (-1, 1), far.values, strict=True):
        assert mc.standard_uncertainty == pytest.approx(mm(u), rel=0.05)
        assert mc.mean == pytest.approx(mm(value), rel=0.01), radius


def test_where_the_radius_does_not_matter_its_interval_is_told():
    """Lines 0.02 mm apart: from a spot of a few spacings on the valley is the mean, P/(v h), which is just enough."""
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    speed = 30.0 / (0.02 * 0.08 * math.e)
    scan = Scan(scan_speed=Q(speed, "mm/s"), hatch_spacing=Q(0.02, "mm"))
    found = solve("beam_radius", beam=beam, resin=RESIN, scan=scan, cure_depth=DEPTH)
    (ends,) = found.ranges
    # 2 exp(-pi^2 W^2/(2 h^2)) is less than rounding leaves of the logarithm, 1e-11, from W = 2.3 h on
    assert mm(ends[0]) == pytest.approx(0.02 * math.sqrt(2.0 * math.log(2e11)) / math.pi, rel=1e-3)
    assert mm(ends[1]) == pytest.approx(100.0)
    assert found.standard_uncertainty == (None,)
    assert [n for n in found.notes if "to 100 mm does alike: the lines are so close that the spot no longer matters." in n]
    assert found.to_dict()["beam_radius"]["range_of_answers"] == pytest.approx([mm(e) for e in ends])


def test_a_radius_that_hardly_matters_is_hardly_known():
    """h/W = 0.8: the valley is 1 - 2 q of the mean, q = exp(-pi^2 W^2/(2 h^2)), and ln of it moves by 2 q pi^2/s^2 for each ln W."""
    q = math.exp(-0.5 * math.pi**2 / 0.64)
    valley = 30.0 / (500.0 * 0.1) * (1.0 - 2.0 * q)
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.0003, "mW")))
    scan = Scan(scan_speed=Q(500.0, "mm/s"), hatch_spacing=Q(0.1, "mm"))
    found = solve("beam_radius", beam=beam, resin=RESIN, scan=scan, cure_depth=Q(0.15 * math.log(valley / 0.08), "mm"))
    assert mm(found.value) == pytest.approx(0.125, rel=1e-6)
    slope = 2.0 * q * math.pi**2 / 0.64 / (1.0 - 2.0 * q)
    assert float((found.standard_uncertainty[0] / found.value).m_as("")) == pytest.approx(1e-5 / slope, rel=1e-3)


def test_a_limit_names_what_would_meet_the_target_instead():
    """A line at 500 mm/s in place of 880.6: half the power would do; a raster may have its lines as much further apart."""
    with pytest.raises(NoSolution) as refused:
        solve("scan_speed", beam=BEAM, resin=RESIN, cure_depth=DEPTH, limits=Limits(scan_speed_max=Q(500.0, "mm/s")))
    exact = ROOT * 30.0 / (0.125 * 0.08 * math.e)
    assert f"Lower the power to {30.0 * 500.0 / exact:.4g} mW." in str(refused.value)
    with pytest.raises(NoSolution, match="is short by") as refused:
        solve("power", beam=BEAM, resin=RESIN, scan=LINE, cure_depth=DEPTH, limits=Limits(power_max=Q(20.0, "mW")))
    assert f"Lower the speed to {exact * 20.0 / 30.0:.4g} mm/s." in str(refused.value)
    close = Scan(scan_speed=Q(1000.0, "mm/s"), hatch_spacing=Q(0.04, "mm"))
    with pytest.raises(NoSolution) as refused:
        solve("scan_speed", beam=BEAM, resin=RESIN, scan=close, cure_depth=DEPTH, limits=Limits(scan_speed_min=Q(6000.0, "mm/s")))
    needed = 30.0 / (6000.0 * 0.08 * math.e)  # spacing that brings the mean
    assert f"Lower the hatch spacing to {needed:.4g} mm or raise the power to " in str(refused.value)


def test_the_first_of_many_settings_is_named():
    speeds = Q(np.array([500.0, 3000.0, 4000.0]), "mm/s")
    (said,) = evaluate(beam=BEAM, resin=RESIN, scan=Scan(scan_speed=speeds)).warnings
    assert said.endswith("The depth there is 0 (at index 1).")
    square = Q(np.array([[500.0, 600.0], [600.0, 4000.0]]), "mm/s")
    (said,) = evaluate(beam=BEAM, resin=RESIN, scan=Scan(scan_speed=square)).warnings
    assert said.endswith("The depth there is 0 (at index (1, 1)).")
    with pytest.raises(NoSolution, match=r"scan_speed of 4000 mm/s is above the limit of 3500 mm/s\. Lower it, or raise the limit"):
        Limits(scan_speed_max=Q(3500.0, "mm/s")).check_setting(BEAM, Scan(scan_speed=speeds))
    with pytest.raises(NoSolution, match=r"scan_speed of 500 mm/s is below the limit of 600 mm/s\. Raise it, or lower the limit"):
        Limits(scan_speed_min=Q(600.0, "mm/s")).check_setting(BEAM, Scan(scan_speed=speeds))


def test_a_layer_bonds_where_its_own_light_gels_its_bottom():
    for share, bonds in ((1.001, True), (0.999, False)):
        exposure = Q(share * 8.0 * math.exp(0.1 / 0.15), "mJ/cm^2")
        assert evaluate_stack(resin=RESIN, exposure=exposure, layer_thickness=Q(0.1, "mm")).bonds is bonds


def test_directions_of_the_tracks_end_on_the_axes_of_the_spot():
    """Radii 0.1 and 0.125 mm, turned by 13.3 deg: a track along the wide axis is narrowest, so deepest."""
    oval = dataclasses.replace(BEAM, radius_x=Q(0.125, "mm"), radius_y=Q(0.1, "mm"), angle=Q(13.3, "deg"))
    low, high, at_low, at_high = evaluate(beam=oval, resin=RESIN, scan=LINE).over_directions["cure_depth"]
    assert (at_low.m_as("deg"), at_high.m_as("deg")) == pytest.approx((103.3, 13.3))
    assert mm(high) - mm(low) == pytest.approx(0.15 * math.log(1.25))
    # where the beam leans the spot's axes are none of the footprint: the nearest of every five degrees
    leaning = Scan(scan_speed=Q(1000.0, "mm/s"), incidence_angle=Q(60.0, "deg"), incidence_direction=Q(63.0, "deg"))
    *_, at_low, at_high = evaluate(beam=oval, resin=RESIN, scan=leaning).over_directions["cure_depth"]
    assert [math.remainder(at.m_as("deg"), 5.0) for at in (at_low, at_high)] == pytest.approx([0.0, 0.0], abs=1e-9)


@pytest.mark.parametrize(("thickness", "layers", "listed"), [(0.1, math.inf, 14), (0.1, 3, 3), (0.002, math.inf, 50), (0.002, 49, 49)])
def test_interfaces_are_listed_until_they_settle(thickness, layers, listed):
    """Layer k + 1 adds q^k of (1 - q^(k + 1))/(1 - q), q = e^(-t/Dp): less than 1e-4 of it from k = 13 on; fifty at most."""
    answer = evaluate_stack(resin=RESIN, exposure=Q(30.0, "mJ/cm^2"), layer_thickness=Q(thickness, "mm"), layers=layers)
    assert len(answer.interfaces) == listed


def test_a_depth_of_sixty_penetration_depths_is_the_deepest_asked_for():
    deep = dataclasses.replace(RESIN, penetration_depth=Q(0.1, "mm"))
    assert mm(solve("scan_speed", beam=BEAM, resin=deep, cure_depth=Q(5.99, "mm")).answer.weakest_depth) == pytest.approx(5.99)
    with pytest.raises(QuantityError, match=r"a depth of 6\.01 mm is 60\.1 penetration depths of 0\.1 mm: no exposure reaches it\."):
        solve("scan_speed", beam=BEAM, resin=deep, cure_depth=Q(6.01, "mm"))
    several = Q(np.array([1.0, 6.02]), "mm")
    with pytest.raises(QuantityError, match=r"a depth of 6\.02 mm is 60\.2 penetration depths"):
        solve("scan_speed", beam=BEAM, resin=deep, layer_thickness=several, overcure=Q(0.0, "mm"))


def test_what_is_asked_for_has_no_uncertainty_of_its_own():
    unsure = Beam(power=Measured(Q(30.0, "mW"), Q(3.0, "mW")), radius_x=Measured(Q(0.125, "mm"), Q(0.0125, "mm")))
    sure = {"resin": RESIN, "cure_depth": Q(0.1, "mm")}
    for unknown, slope in (("power", 0.1), ("beam_radius", 0.1)):  # radius as power, power as radius
        scan = Scan(scan_speed=Q(500.0, "mm/s"))
        found = solve(unknown, beam=unsure, scan=scan, **sure)
        assert (found.standard_uncertainty[0] / found.value).m_as("") == pytest.approx(slope, rel=1e-5)
    oval = dataclasses.replace(unsure, power=Q(30.0, "mW"), radius_y=Measured(Q(0.125, "mm"), Q(0.0125, "mm")))
    assert solve("beam_radius", beam=oval, scan=LINE, resin=RESIN, cure_depth=Q(0.1, "mm")).standard_uncertainty == (None,)
    own = dataclasses.replace(unsure, power=Q(30.0, "mW"))
    assert solve("beam_radius", beam=own, scan=LINE, resin=RESIN, cure_depth=Q(0.1, "mm")).standard_uncertainty == (None,)


def test_a_middle_value_promises_no_depth():
    """Said where something is uncertain and a depth was asked for; not of a width, an overcure or exact inputs."""
    unsure = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    asked = {"resin": RESIN, "scan": LINE}
    assert "about half of all layers fall short of it" in solve("scan_speed", beam=unsure, resin=RESIN, cure_depth=DEPTH).caution
    assert solve("scan_speed", beam=BEAM, resin=RESIN, cure_depth=DEPTH).caution == ""
    assert solve("overcure", beam=unsure, **asked, layer_thickness=Q(0.1, "mm")).caution == ""
    assert solve("power", beam=BEAM, **asked, line_width=Q(0.16, "mm")).caution == ""
    width = solve("scan_speed", beam=unsure, resin=RESIN, line_width=Q(0.16, "mm"))
    assert (width.caution, width.wanted) == ("", None)
    assert mm(solve("scan_speed", beam=unsure, resin=RESIN, cure_depth=DEPTH).wanted) == 0.15


def test_monte_carlo_of_an_answer_in_json():
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    found = solve("scan_speed", beam=beam, resin=RESIN, cure_depth=DEPTH, monte_carlo=MonteCarloOptions(draws=1000))
    (mc,) = found.monte_carlo
    told = found.to_dict()["scan_speed"]["monte_carlo"]
    assert (told["interval"], told["shortest_interval"], told["draws"]) == (list(mc.interval), list(mc.shortest), 1000)
    assert mc.interval[0] < found.value.m < mc.interval[1]


@pytest.mark.parametrize(
    ("exposure", "layers", "choices"), [(9.0, 1, [0]), (9.0, 2, [0, 1]), (21.7, math.inf, [1, 2, 3]), (21.7, 3, [0, 1, 2])]
)
def test_choices_of_layers_to_leave_out(exposure, layers, choices):
    """The best and its neighbours, of none to all but one."""
    answer = evaluate_stack(resin=RESIN, exposure=Q(exposure, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"), layers=layers)
    assert [k for k, _ in answer.choices] == choices


def test_a_width_is_measured_against_the_radius_across():
    """1.5 mm are 7.5 radii of 0.2 mm, across a track along x, and 15 of 0.1 mm, across one along y: more than ten is a slip."""
    oval = dataclasses.replace(BEAM, radius_x=Q(0.1, "mm"), radius_y=Q(0.2, "mm"))
    asked = {"beam": oval, "resin": RESIN, "line_width": Q(1.5, "mm")}
    found = solve("scan_speed", **asked, scan=Scan(track_angle=Q(0.0, "deg")))
    assert mm(found.answer.line_width) == pytest.approx(1.5)
    with pytest.raises(QuantityError, match=r"a line_width of 1\.5 mm is 15 beam radii of 0\.1 mm"):
        solve("scan_speed", **asked, scan=Scan(track_angle=Q(90.0, "deg")))


@pytest.mark.parametrize(
    ("spot", "radii", "met"),
    [(Beam, 9.5, True), (Beam, 10.0, True), (Beam, 10.1, False), (TopHatBeam, 1.9, True), (TopHatBeam, 2.1, False)],
)
def test_no_line_is_wider_than_its_light(spot, radii, met):
    """A sharp outline ends at two radii; a Gaussian would take e^50 times the critical exposure at ten."""
    beam = spot(power=Q(30.0, "mW"), radius_x=Q(0.1, "mm"))
    if met:
        found = solve("scan_speed", beam=beam, resin=RESIN, line_width=Q(0.1 * radii, "mm"))
        assert mm(found.answer.line_width) == pytest.approx(0.1 * radii)
        return
    with pytest.raises(QuantityError, match=f"is {radii:.3g} beam radii of 0.1 mm: no exposure widens a line that far"):
        solve("scan_speed", beam=beam, resin=RESIN, line_width=Q(0.1 * radii, "mm"))


def test_an_overcure_is_zero_only_within_rounding():
    depth = mm(evaluate(beam=BEAM, resin=RESIN, scan=LINE).cure_depth)
    for share, over in ((1.0, 0.0), (1.0 - 1e-13, 0.0), (1.0 - 1e-9, 1e-9 * depth), (1.0 + 1e-9, -1e-9 * depth)):
        layer = Q(depth * share, "mm")
        assert mm(evaluate(beam=BEAM, resin=RESIN, scan=LINE, layer_thickness=layer).overcure) == pytest.approx(over, rel=1e-5, abs=0.0)


def test_light_that_leans_is_taken_as_unpolarised_unless_told():
    for angle, share, said in ((20.0, 0.5, True), (20.0, 0.25, False), (0.0, 0.5, False)):
        scan = Scan(scan_speed=Q(1000.0, "mm/s"), incidence_angle=Q(angle, "deg"), s_polarised_share=share)
        notes = evaluate(beam=BEAM, resin=RESIN, scan=scan).warnings
        assert any("taken as unpolarised where the beam leans; state s_polarised_share" in note for note in notes) is said


def test_rows_of_a_solution_say_the_unknown_once_and_first():
    found = solve("overcure", beam=BEAM, resin=RESIN, scan=LINE, layer_thickness=Q(0.1, "mm"))
    names = [name for name, _ in found.rows()]
    assert names[0] == "overcure"
    assert names[1:] == [name.replace("_", " ") for name in found.answer.outputs if name != "overcure"]


def test_no_layer_is_left_where_nothing_cures():
    with pytest.raises(NoSolution, match="cures the weakest place to 0 mm, not more than the overcure of 0 mm asked for: no layer is left"):
        solve("layer_thickness", beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(9000.0, "mm/s")), overcure=Q(0.0, "mm"))


def test_a_measured_beam_is_asked_for_its_power_but_where_that_is_sought():
    asked = []

    class Held:
        def beam(self, *, needs_power=True):
            asked.append(needs_power)
            return BEAM

    for unknown, scan in (("power", LINE), ("scan_speed", None)):
        solve(unknown, beam=Held(), resin=RESIN, scan=scan, cure_depth=DEPTH)
    assert asked == [False, True]
