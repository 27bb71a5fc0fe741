"""The one model through every caller, against a moving beam integrated by itself: spots, laws, patterns, leaning beams, pulses.

What is compared: every dose to 1e-7 relative, every depth to 1e-7 of itself and of the penetration depth. Pulses: least and greatest
are bounds over where the pulses of each line fall.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache
from math import inf, radians, sqrt

import numpy as np
import pytest

from curecalc.calibration.coupons import coupons_from_bytes, read_coupons
from curecalc.calibration.planning import plan_coupons
from curecalc.errors import CurecalcError
from curecalc.formulas.beam import Beam, TopHatBeam
from curecalc.formulas.resin import PowerThresholdResin
from curecalc.formulas.scan import Scan
from curecalc.logbook.depth import SettingsInForce, depth_over_time, power_for_depth
from curecalc.physics import laws, light, motion
from curecalc.setting.answer import evaluate
from curecalc.setting.layers import evaluate_stack
from curecalc.setting.solving import solve
from curecalc.units import Quantity as Q
from curecalc.units import QuantityError

from . import integration as oracle
from .cases import CLOSE, EVERY, LAWS, PATTERNS, SENSIBLE, Case, Kind, drawn

# bounds over phases of whole rasters take the integration a second each: two at once, all under `slow`
_LONG = [kind for kind in SENSIBLE if kind.pulsed and kind.raster]
_QUICK = [kind for kind in SENSIBLE if kind not in _LONG][::5] + _LONG[3 :: len(_LONG) // 2]


def all_of(kinds, quick=None):
    """Parameters: every kind, those not among the quick ones marked slow."""
    quick = _QUICK if quick is None else quick
    return [pytest.param(kind, id=str(kind), marks=() if kind in quick else pytest.mark.slow) for kind in kinds]


@cache
def told(kind: Kind, seed: int = 0) -> tuple[Case, oracle.Extremes]:
    """The case of a kind, and what the integration says of its dose."""
    case = drawn(kind, seed)
    return case, case.doses()


def same(value):
    return pytest.approx(value, rel=CLOSE, abs=0.0)


# ---------------------------------------------------------------- setting


def agree(case: Case, doses: oracle.Extremes) -> None:
    answer = evaluate(beam=case.beam(), resin=case.resin(), scan=case.record(), layer_thickness=Q(case.layer, "mm"))
    word = "exposure" if case.w == 1.0 else "equivalent"
    got = {end: answer.outputs[f"{word}_{end}"].m_as("mJ/mm^2") for end in ("min", "max", "mean")}
    assert got["mean"] == same(doses.mean)
    assert got["max"] == same(doses.high)
    if case.spot.flat and case.scan.spacing is not None:
        _flat_minimum(case, got["min"], doses.low)
    else:
        assert got["min"] == same(doses.low)
    if case.w != 1.0 and not case.kind.raster:  # the exposure itself is told beside
        assert answer.exposure_peak.m_as("mJ/mm^2") == same(case.doses(weighted=False).mean)
    ends = {"min": got["min"], "max": got["max"], "mean": got["mean"]}
    if not (case.kind.raster or case.kind.pulsed):
        ends = {"": got["min"]}
    for end, dose in ends.items():
        depth = answer.outputs["_".join(["cure_depth", *([end] if end else [])])].m_as("mm")
        assert abs(depth - case.depth(dose)) <= case.near(depth)
    assert answer.overcure.m_as("mm") == pytest.approx(answer.weakest_depth.m_as("mm") - case.layer, abs=1e-12)
    if not case.kind.raster:
        _width(case, answer.line_width.m_as("mm"), got["min"] / doses.mean)


def _flat_minimum(case: Case, least: float, seen: float) -> None:
    """Under sharp outlines the weakest place lies where an outline ends: there the integration agrees; nowhere is it less."""
    assert least <= seen * (1 + CLOSE)
    total, h = 0.0, case.scan.spacing
    assert h is not None
    for turn in (0.0, 90.0) if case.scan.crossed else (0.0,):
        one = replace(case.scan, crossed=False, track_angle=case.scan.track_angle + turn)
        edge = 1 / sqrt(oracle._footprint(case.spot, case.tilt, one.track_angle).across)
        total += oracle.dose_power((0.0, edge), case.w, case.i_ref, case.spot, one, case.tilt)
    assert least == same(total)


def _width(case: Case, width: float, beads: float) -> None:
    """Just inside the line's edge the integration finds solid, just outside none."""
    for y, solid in ((0.5 * width * (1 - CLOSE), True), (0.5 * width * (1 + CLOSE), False)):
        value = oracle.surface_value((0.0, y), case.spot, replace(case.scan, rate=None), case.law, case.tilt)
        assert (case.depth(beads * value) > 0) == solid


@pytest.mark.parametrize("kind", all_of(SENSIBLE))
def test_a_setting(kind):
    agree(*told(kind))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 3))
@pytest.mark.parametrize("kind", all_of(SENSIBLE))
def test_more_settings(kind, seed):
    agree(*told(kind, seed))


def test_all_combinations_are_looked_at():
    assert len(EVERY) == 3 * len(LAWS) * len(PATTERNS) * 4
    assert len(SENSIBLE) == 130
    assert {kind.law for kind in _QUICK} == set(LAWS)
    assert sum(kind.pulsed and kind.raster for kind in _QUICK) >= 2


# ---------------------------------------------------------------- solved for


def _reaches(case: Case, solution, target: float) -> None:
    """The integration cures the weakest place of each solution to the target."""
    for answer in solution.answers:
        beam, scan = answer.beam, answer.scan
        at = replace(
            case,
            spot=replace(
                case.spot, wx=beam.radius_x.value.m_as("mm"), wy=None if beam.radius_y is None else beam.radius_y.value.m_as("mm")
            ),
            scan=replace(
                case.scan,
                power=beam.power.value.m_as("mW"),
                speed=scan.scan_speed.value.m_as("mm/s"),
                spacing=None if scan.hatch_spacing is None else scan.hatch_spacing.value.m_as("mm"),
            ),
        )
        # for a Gaussian the weakest place lies half-way between lines, and pulses: `test_a_setting` proves it
        depth = at.depth(_weakest(at))
        assert abs(depth - target) <= case.near(target)


def _weakest(case: Case) -> float:
    total = 0.0
    for turn in (0.0, 90.0) if case.scan.crossed else (0.0,):
        one = replace(case.scan, crossed=False, track_angle=case.scan.track_angle + turn)
        place = (0.0, 0.5 * (one.spacing or 0.0))
        if one.rate is None:
            total += oracle.dose_power(place, case.w, case.i_ref, case.spot, one, case.tilt)
        else:
            total += oracle.phase_extremes(place, case.spot, one, case.tilt, independent=True).low
    return total


_SOLVED = [kind for kind in SENSIBLE if kind.spot != "flat" and kind.pattern in ("line", "raster", "crossed")]


_UNKNOWNS = ("scan_speed", "power", "beam_radius", "layer_thickness", "overcure", "hatch_spacing")


def _questions():
    """Every unknown of every kind that has it; the radius of rasters (with thousands of lines under a wide spot) under `slow`."""
    few = _SOLVED[:: len(_SOLVED) // 12]
    for kind, unknown in itertools.product(_SOLVED, _UNKNOWNS):
        if unknown == "hatch_spacing" and not kind.raster:
            continue
        quick = kind in few and not (unknown == "beam_radius" and (kind.raster or kind.pulsed))
        yield pytest.param(kind, unknown, id=f"{kind}-{unknown}", marks=() if quick else pytest.mark.slow)


@pytest.mark.parametrize(("kind", "unknown"), list(_questions()))
def test_what_is_solved_reaches_its_target(kind, unknown):
    case = drawn(kind)
    start = evaluate(beam=case.beam(), resin=case.resin(), scan=case.record())
    target = start.weakest_depth.m_as("mm") * 0.97
    given = {"beam": case.beam(), "resin": case.resin(), "scan": case.record()}
    if unknown in ("layer_thickness", "overcure"):
        more = {"overcure": Q(0.02, "mm")} if unknown == "layer_thickness" else {"layer_thickness": Q(0.03, "mm")}
        found = solve(unknown, **given, **more).value.m_as("mm")
        known = 0.02 if unknown == "layer_thickness" else 0.03
        assert abs(found + known - case.depth(_weakest(case))) <= case.near(found)
        return
    _reaches(case, solve(unknown, **given, cure_depth=Q(target, "mm")), target)


@pytest.mark.parametrize("kind", all_of([k for k in _SOLVED if k.pattern == "raster"], [k for k in _SOLVED if k.pattern == "raster"][::4]))
def test_the_fewest_passes_are_just_enough(kind):
    case = drawn(kind)
    target = 2.5 * evaluate(beam=case.beam(), resin=case.resin(), scan=case.record()).weakest_depth.m_as("mm") + 0.05
    found = solve("passes", beam=case.beam(), resin=case.resin(), scan=case.record(), cure_depth=Q(target, "mm")).value
    one = _weakest(replace(case, scan=replace(case.scan, passes=1)))
    assert case.depth(found * one) >= target * (1 - CLOSE)
    assert found == 1 or case.depth((found - 1) * one) < target


# ---------------------------------------------------------------- coupons and their plan


def table_of(case: Case) -> str:
    """A coupon table of one setting, as text in a file."""
    columns = {
        "power [mW]": case.scan.power,
        "scan speed [mm/s]": case.scan.speed,
        "beam radius [mm]": case.spot.wx,
        "radius ratio": None if case.spot.wy is None else case.spot.wy / case.spot.wx,
        "spot angle [deg]": case.spot.spot_angle,
        "track angle [deg]": case.scan.track_angle,
        "pulse rate [Hz]": case.scan.rate,
        "hatch spacing [mm]": case.scan.spacing,
        "passes": case.scan.passes,
    }
    known = {name: value for name, value in columns.items() if value is not None}
    head = ",".join(["coupon", "thickness [mm]", *known])
    return f"{head}\nA,0.1,{','.join(repr(value) for value in known.values())}\n"


_TABLES = [k for k in SENSIBLE if k.spot != "flat" and k.law is oracle.Plain and not k.leans and k.pattern != "crossed"]


@pytest.mark.parametrize("kind", all_of(_TABLES))
def test_a_coupon_table(kind, tmp_path):
    case, doses = told(kind)
    path = tmp_path / "coupons.csv"
    path.write_text(table_of(case), encoding="utf-8")
    got = read_coupons(path)
    assert got.exposure[0] == same(doses.mean)
    if kind.raster:
        assert got.exposure_min is not None
        assert got.exposure_max is not None
        assert got.exposure_min[0] == same(doses.low)
        assert got.exposure_max[0] == same(doses.high)


_PLANNED = [k for k in SENSIBLE if k.spot != "flat" and k.law is oracle.Plain and not k.leans]


@pytest.mark.parametrize("kind", all_of(_PLANNED, _PLANNED))
def test_the_speeds_of_a_plan_give_their_exposures(kind):
    case = drawn(kind)
    plan = plan_coupons(
        penetration_depth=Q(case.law.dp, "mm"), critical_exposure=Q(case.law.ec, "mJ/mm^2"), beam=case.beam(), scan=case.record()
    )
    speeds = {}
    for coupon in plan.coupons:
        assert coupon.scan_speed is not None
        speeds[coupon.level] = (coupon.scan_speed.m_as("mm/s"), coupon.exposure.m_as("mJ/mm^2"), coupon.expected_depth.m_as("mm"))
    assert len(speeds) == 4
    for speed, exposure, depth in list(speeds.values())[:2]:
        at = replace(case, scan=replace(case.scan, speed=speed, rate=None))  # pulses leave the mean alone
        assert at.doses().mean == same(exposure)
        assert abs(case.depth(exposure) - depth) <= case.near(depth)


# ---------------------------------------------------------------- depth as laser, spot and resin drift

_FORCE = [k for k in SENSIBLE if k.spot == "round" and k.pattern != "lines" and not (k.leans or k.pulsed)]
_LAW_OF = {oracle.Plain: laws.Plain, oracle.Bleaching: laws.Bleaching, oracle.Threshold: laws.Threshold}


@pytest.mark.parametrize("kind", all_of(_FORCE, [k for k in _FORCE if k in _QUICK]))
def test_depth_over_time(kind):
    case, doses = told(kind)
    settings = SettingsInForce(
        case.scan.speed,
        hatch_spacing=case.scan.spacing,
        passes=case.scan.passes,
        power_share=0.5,
        beam_share=0.8,
        cross_hatch=case.scan.crossed,
    )
    constants = {"penetration_depth": case.law.dp, "critical_exposure": case.law.ec}
    if isinstance(case.law, oracle.Bleaching):
        constants["bleaching_exposure"] = case.law.eb
    if isinstance(case.law, oracle.Threshold):
        constants |= {"exponent": case.law.w, "reference_irradiance": case.law.i_ref}
    law = _LAW_OF[type(case.law)]
    read = np.array([1.0, 0.9]) * 2 * case.scan.power  # half of what is read is used
    depth, _ = depth_over_time(settings=settings, power=read, beam_radius=case.spot.wx / 0.8, law=law, **constants)
    for got, share in zip(depth, (1.0, 0.9)):
        assert abs(got - case.depth(share**case.w * doses.low)) <= case.near(float(got))
    power = power_for_depth(settings=settings, depth=float(depth[0]), beam_radius=case.spot.wx / 0.8, law=law, **constants)
    assert power == pytest.approx(read[0], rel=1e-9)


# ---------------------------------------------------------------- stacks

_STACKED = [k for k in SENSIBLE if k.pattern in ("line", "raster") and not k.pulsed]


@pytest.mark.parametrize("layers", [1, 4])
@pytest.mark.parametrize("kind", all_of(_STACKED))
def test_a_stack(kind, layers):
    case, doses = told(kind)
    answer = evaluate_stack(resin=case.resin(), layer_thickness=Q(case.layer, "mm"), beam=case.beam(), scan=case.record(), layers=layers)
    got = [answer.print_through, *answer.print_through_range]
    low = answer.interface_exposure
    for value, dose in zip(got, (doses.mean, None if case.spot.flat and kind.raster else doses.low, doses.high)):
        if dose is None:
            continue
        wanted = oracle.print_through(dose, case.law, layers, case.layer, case.tilt)
        assert abs(value.m_as("mm") - wanted) <= case.near(abs(wanted))
    assert low.m > 0.0
    # what the bottom of the first layer has had in all cures as deep, from there, as the print-through of the weakest place
    below = case.depth(low.m_as("mJ/mm^2"))
    weakest = answer.print_through_range[0].m_as("mm")
    assert abs(below - max(weakest, 0.0)) <= case.near(below)


@pytest.mark.parametrize("law", LAWS)
def test_a_stack_told_by_its_exposure(law):
    case = drawn(Kind("round", law, "line", False, False))
    given = {"resin": case.resin(), "layer_thickness": Q(case.layer, "mm"), "exposure": Q(0.4, "mJ/mm^2"), "layers": 5}
    if law is oracle.Threshold:
        with pytest.raises(QuantityError, match="exposure alone does not fix the cure under the power threshold law"):
            evaluate_stack(**given)
        return
    wanted = oracle.print_through(0.4, case.law, 5, case.layer)
    assert abs(evaluate_stack(**given).print_through.m_as("mm") - wanted) <= case.near(wanted)


# ---------------------------------------------------------------- vectors with their ends

_ENDS = [
    (spot, w, beam, length, place)
    for spot, w, beam, length in itertools.product(
        ("round", "ellipse", "flat"), (1.0, 0.6, 1.3), ("off", "on", "follows", "least"), (8.0, 0.25)
    )
    for place in ("start", "inside", "beyond")
]


def _vector(spot, w, beam, length):
    shape = {
        "round": (oracle.Spot(0.1), light.Gaussian(0.1)),
        "ellipse": (oracle.Spot(0.12, 0.07, 40.0), light.Gaussian(0.12, 0.07, radians(40.0))),
        "flat": (oracle.Spot(0.1, flat=True), light.TopHat(0.1)),
    }[spot]
    scan = oracle.Scan(
        power=90.0,
        speed=1500.0,
        length=length,
        track_angle=15.0,
        acceleration=1.5e6,
        beam="follows" if beam == "least" else beam,
        least_power=27.0 if beam == "least" else 0.0,
    )
    ends = (
        motion.Ends(length) if beam == "off" else motion.Ends(length, 1.5e6, 0.0 if beam == "on" else 1.0, 0.3 if beam == "least" else 0.0)
    )
    return shape, scan, light.Scan(90.0, 1500.0, shape[1], track=radians(15.0), ends=ends)


@pytest.mark.parametrize(("spot", "w", "beam", "length", "place"), _ENDS)
def test_a_vector_and_its_ends(spot, w, beam, length, place):
    (seen, _), scan, ours = _vector(spot, w, beam, length)
    s = {"start": 0.013, "inside": 0.45 * length, "beyond": length + 0.04}[place]
    for y in (0.0, -0.03):
        wanted = oracle.dose_power((s, y), w, 30.0, seen, scan)
        assert float(light.dose(ours, y, s, w, 30.0)) == pytest.approx(wanted, rel=CLOSE)


@pytest.mark.parametrize("spot", ["round", "ellipse", "flat"])
@pytest.mark.parametrize("beam", ["off", "on", "follows"])
def test_a_raster_of_vectors_and_its_ends(spot, beam):
    (seen, _), scan, ours = _vector(spot, 1.0, beam, 2.0)
    for s, y in ((0.02, 0.0), (0.5, 0.021), (1.99, 0.31)):
        wanted = oracle.dose((s, y), seen, replace(scan, spacing=0.08, passes=2))
        assert float(light.dose(replace(ours, spacing=0.08, passes=2.0), y, s)) == pytest.approx(wanted, rel=CLOSE)


def test_ends_far_away_are_none():
    ours = light.Scan(90.0, 1500.0, light.Gaussian(0.12, 0.07, 0.7), 0.09, track=0.3, ends=motion.Ends(inf))
    for y in (0.0, 0.045):
        assert float(light.dose(ours, y, 5.0)) == pytest.approx(float(light.dose(replace(ours, ends=None), y)), rel=1e-12)


# ---------------------------------------------------------------- what makes no sense is refused, with its reason


@pytest.mark.parametrize("kind", all_of([k for k in EVERY if not k.sensible], EVERY))
def test_what_makes_no_sense_is_refused(kind):
    case = drawn(kind)
    with pytest.raises(QuantityError) as refused:
        evaluate(beam=case.beam(), resin=case.resin(), scan=case.record())
    said = str(refused.value)
    if kind.spot == "flat":
        assert "pulse_rate cannot be combined with a top-hat spot" in said
        assert "jumps with where each pulse falls" in said
    else:
        assert "pulse_rate cannot be combined with the power threshold law" in said
        assert "length of the pulses" in said


@pytest.mark.parametrize("unknown", ["scan_speed", "power", "beam_radius", "layer_thickness"])
def test_the_solver_refuses_pulses_under_a_threshold(unknown):
    case = drawn(Kind("round", oracle.Threshold, "line", False, True))
    more = {"overcure": Q(0.02, "mm")} if unknown == "layer_thickness" else {"cure_depth": Q(0.1, "mm")}
    with pytest.raises(QuantityError, match="pulse_rate cannot be combined with the power threshold law"):
        solve(unknown, beam=case.beam(), resin=case.resin(), scan=case.record(), **more)


def test_a_stack_refuses_what_its_setting_refuses():
    case = drawn(Kind("ellipse", oracle.Threshold, "raster", False, True))
    with pytest.raises(QuantityError, match="pulse_rate cannot be combined with the power threshold law"):
        evaluate_stack(resin=case.resin(), layer_thickness=Q(0.1, "mm"), beam=case.beam(), scan=case.record())


def test_a_line_cannot_be_crossed():
    case = drawn(Kind("round", oracle.Plain, "line", False, False))
    with pytest.raises(QuantityError, match="cross_hatch needs a hatch_spacing"):
        evaluate(beam=case.beam(), resin=case.resin(), scan=replace(case.record(), cross_hatch=True))


def test_coupons_under_a_slanted_beam_are_refused():
    text = "coupon,thickness [mm],power [mW],scan speed [mm/s],beam radius [mm],incidence angle [deg]\nA,0.1,30,1000,0.1,20\n"
    with pytest.raises(CurecalcError, match="slanted beam follow another curve"):
        coupons_from_bytes("c.csv", text.encode())
    upright = text.replace(",20\n", ",0\n")
    assert coupons_from_bytes("c.csv", upright.encode()).exposure[0] == pytest.approx(sqrt(2 / np.pi) * 30 / (0.1 * 1000), rel=1e-12)


@pytest.mark.parametrize(
    ("beam", "scan", "reason"),
    [
        (TopHatBeam(power=Q(30.0, "mW"), radius_x=Q(0.1, "mm")), Scan(hatch_spacing=Q(0.1, "mm")), "not for a top hat"),
        (Beam(power=Q(30.0, "mW"), radius_x=Q(0.1, "mm")), Scan(incidence_angle=Q(10.0, "deg")), "slanted beam follow another curve"),
        (Beam(radius_x=Q(0.1, "mm")), Scan(), "power is missing"),
    ],
)
def test_a_plan_refuses_what_no_working_curve_describes(beam, scan, reason):
    with pytest.raises(QuantityError, match=reason):
        plan_coupons(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), beam=beam, scan=scan)


def test_w_of_one_is_the_plain_law():
    case = drawn(Kind("ellipse", oracle.Plain, "crossed", True, False))
    one = PowerThresholdResin(
        penetration_depth=Q(case.law.dp, "mm"),
        critical_exposure=Q(case.law.ec, "mJ/mm^2"),
        refractive_index=case.tilt.n,
        exponent=1.0,
        reference_irradiance=Q(123.0, "mW/mm^2"),
    )
    plain, threshold = (evaluate(beam=case.beam(), resin=resin, scan=case.record()) for resin in (case.resin(), one))
    for name in ("cure_depth_min", "cure_depth_mean", "cure_depth_max"):
        assert threshold.outputs[name].m == pytest.approx(plain.outputs[name].m, rel=1e-12)
