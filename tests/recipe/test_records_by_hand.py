"""Recipes taken up again: what retuning keeps and says, what is carried to a logbook, parts of many layers, derivations, records."""

import datetime
import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import FileError, NoSolution, QuantityError
from curecalc.physics import laws
from curecalc.physics.light import Gaussian
from curecalc.recipe import build, retuning
from curecalc.recipe.assurance import Curve
from curecalc.recipe.bounds import Hold, RunUp
from curecalc.recipe.carried import carried, curve_dict, curve_of_headline, curve_read, promises
from curecalc.recipe.file import _after, read_recipe, recipe_from_bytes
from curecalc.recipe.inputs import curve_of, gather
from curecalc.recipe.light import Pattern
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.search import Best
from curecalc.recipe.steps import vector_steps
from curecalc.units import Measured
from curecalc.units import Quantity as Q

from .test_notes_by_hand import KNOWN, LINE
from .whole_shops import Case, files

DAY = datetime.date(2026, 6, 1)
MACHINE, LOT, NEEDS = files(Case(0.95, True, True, 8, True, radius=0.1, spacing=0.12))

# ---------------------------------------------------------------- retuning


def retuned(monkeypatch, *, power=None, radius=None, wrong=False, old=None, refuse=0, **more):
    """Retuned, with the recipes asked for instead of made; the first `refuse` of them are refused."""
    asked = []
    made = tuple(
        SimpleNamespace(kind=kind, scan_speed=Q(950.0, "mm/s"), power=Q(190.0, "mW"), beam_radius=Q(0.1, "mm"), hatch_spacing=Q(0.12, "mm"))
        for kind in ("vector", "new")
    )

    def make(**given):
        asked.append(given)
        if len(asked) <= refuse:
            raise NoSolution(f"refusal {len(asked)}", limit="ripple")
        return SimpleNamespace(vectors=made, warnings=("vector: 9 mJ/cm^2 is extrapolated",), machine=given["machine"])

    monkeypatch.setattr(retuning, "make_recipe", make)
    before = {"kind": "vector", "beam_radius": {"value": 0.1}, "hatch_spacing": {"value": 0.12}, "passes": 2, "ripple": {"value": 0.01}}
    before |= {"scan_speed": {"value": 1000.0}, "power": {"value": 200.0}}
    found = retuning.retune(
        machine=replace(MACHINE, power=Measured(Q(240.0, "mW"), Q(2.4, "mW"))),
        resin=LOT,
        needs=replace(NEEDS, vectors=tuple(replace(one, hatch_spacing=None) for one in NEEDS.vectors)),
        old={"vectors": [before]} | (old or {}),
        power=None if power is None else Measured(Q(power, "mW"), Q(0.0, "mW")),
        beam_radius=None if radius is None else (Q(0.1, "mm"), Q(radius, "mm")),
        earlier_reading_wrong=wrong,
        today=DAY,
        **more,
    )
    return found, asked


def test_a_retuned_recipe_keeps_beam_passes_and_spacing(monkeypatch):
    found, (asked,) = retuned(monkeypatch, power=228.0, radius=0.11)
    (change,) = found.changes  # of a kind that stood in the old recipe
    assert (change.kind, change.old_share, change.new_share) == ("vector", pytest.approx(200.0 / 240.0), pytest.approx(190.0 / 228.0))
    assert change.speed_change == pytest.approx(-0.05)
    assert (found.power_ratio, found.radius_ratio, found.radius_factor) == pytest.approx((0.95, 1.1, 1.1))
    (kept,) = asked["needs"].vectors
    assert (kept.beam_radius.m_as("mm"), kept.hatch_spacing.m_as("mm"), kept.passes) == pytest.approx((0.11, 0.12, 2))
    assert (asked["machine"].power.value.m, asked["machine"].power.standard_uncertainty.m) == pytest.approx((228.0, 2.28))
    readings = found.readings()
    assert (readings["power"]["value"], readings["beam_radius_factor"]) == pytest.approx((228.0, 1.1))
    assert "exposures_scaled_by" not in readings
    once_more, _ = retuned(monkeypatch, radius=0.11, old={"readings": {"beam_radius_factor": 0.9}})
    assert (once_more.radius_factor, once_more.power_ratio) == pytest.approx((0.99, 1.0))
    only_power, _ = retuned(monkeypatch, power=228.0)
    assert (only_power.radius_ratio, only_power.radius_factor) == (1.0, 1.0)
    for old, told in ((None, True), ({"warnings": ["vector: a depth: extrapolated"]}, False), ({"warnings": ["vector: no"]}, True)):
        assert any("extrapolated" in reason for reason in retuned(monkeypatch, power=228.0, old=old)[0].recalibrate) is told
    with pytest.raises(QuantityError, match=r"beam_radius of 1\.1 mm is 11 times the earlier 0\.1 mm"):
        retuned(monkeypatch, radius=1.1)
    with pytest.raises(QuantityError, match="a new reading is missing"):
        retuned(monkeypatch)


def test_a_wrong_reading_scales_what_the_coupons_got(monkeypatch):
    found, (asked,) = retuned(monkeypatch, power=228.0, wrong=True)
    assert asked["resin"].critical_exposure.value.m / LOT.critical_exposure.value.m == pytest.approx(0.95)
    assert found.readings()["exposures_scaled_by"] == pytest.approx(0.95)
    assert not [r for r in retuned(monkeypatch, power=150.0, wrong=True)[0].recalibrate if "power changed" in r]
    assert [r for r in retuned(monkeypatch, power=150.0)[0].recalibrate if "power changed by -38 %" in r]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"power": 228.0}, ["taken to have drifted"]),
        ({"power": 228.0, "wrong": True}, ["taken as wrong"]),
        ({"power": 240.0}, []),
        ({"power": 240.0, "wrong": True}, []),
        ({"radius": 0.11}, []),
        ({"radius": 0.11, "refuse": 1}, ["chosen anew"]),
        ({"power": 228.0, "refuse": 1}, ["chosen anew", "taken to have drifted"]),
    ],
)
def test_what_retuning_remarks(monkeypatch, given, words):
    notes = retuned(monkeypatch, **given)[0].notes
    assert len(notes) == len(words)
    assert all(word in note for word, note in zip(words, notes, strict=True))


def test_spacings_are_freed_once_and_no_more(monkeypatch):
    _, asked = retuned(monkeypatch, radius=0.11, refuse=1)
    first, second = (a["needs"].vectors[0].hatch_spacing for a in asked)
    assert (first.m_as("mm"), second) == (0.12, None)  # as the needs leave it
    assert [a["needs"].vectors[0].beam_radius.m_as("mm") for a in asked] == pytest.approx([0.11, 0.11])
    with pytest.raises(NoSolution, match=r"refusal 1$"):  # nothing to free where no kind is kept
        retuned(monkeypatch, radius=0.11, refuse=1, old={"vectors": []})
    with pytest.raises(NoSolution, match=r"refusal 1 Retuning keeps the spots of the old recipe: make a new recipe instead\."):
        retuned(monkeypatch, radius=0.11, refuse=2)


def test_shown_limits_lie_a_millionth_beyond_where_the_old_settings_stood():
    one = NEEDS.vectors[0]
    was = {
        "beam_radius": {"value": 0.1},
        "hatch_spacing": None,
        "passes": 3,
        "ripple": {"value": 0.02},
        "print_through_max": {"value": 0.5},
    }
    kept = retuning._held(replace(one, ripple_max=Q(0.02, "mm"), print_through_max=Q(0.4, "mm")), was, 1.2)
    assert (kept.beam_radius.m_as("mm"), kept.hatch_spacing, kept.passes) == (pytest.approx(0.12), None, 3)
    assert kept.ripple_max.m == pytest.approx(0.02 * (1.0 + 1e-6), abs=1e-12)
    assert kept.print_through_max.m == 0.4
    assert retuning._held(one, None, 1.2) is one


def test_readings_of_a_saved_recipe_are_taken_up():
    kept = {"power": {"value": 200.0, "unit": "mW"}, "power_reading_date": "2026-05-01", "power_meter": "B", "beam_radius_factor": 1.1}
    after = _after(MACHINE, kept, "r.json", "Save it again.")
    assert (after.power.value.m, after.power_reading_date, after.power_meter) == (200.0, datetime.date(2026, 5, 1), "B")
    assert after.beam_radius_max.m_as("mm") == pytest.approx(0.22)
    for bad in ({"beam_radius_factor": 0.0}, {"beam_radius_factor": -1.0}, {"power_reading_date": "May"}, {"power": None}):
        with pytest.raises(FileError, match=r"r\.json: readings: cannot be read\. Save it again\."):
            _after(MACHINE, kept | bad, "r.json", "Save it again.")


def test_a_recipe_file_is_whole():
    whole = {"vectors": [], "date": "2026-06-01", "files": {}}
    for record, said in (
        *(({k: v for k, v in whole.items() if k != key}, f"{key}: is missing, so this is not a whole recipe") for key in whole),
        (whole, "files.machine: has no text and sha256"),
        (whole | {"files": {"machine": {"text": "a", "sha256": "b", "path": "m"}}}, "files.resin: has no text and sha256"),
        ([], "is not a recipe"),
    ):
        with pytest.raises(FileError, match=re.escape(f"r.json: {said}")):
            recipe_from_bytes("r.json", json.dumps(record).encode())
    with pytest.raises(FileError, match=r"r\.json:1:2: cannot be read as JSON"):
        recipe_from_bytes("r.json", b"{x")
    with pytest.raises(FileError, match=r"r\.json: is not UTF-8 text"):
        recipe_from_bytes("r.json", b"\xff")


def test_a_recipe_file_has_no_more_than_twenty_megabytes(tmp_path):
    path = tmp_path / "r.json"
    for size, told in ((20_000_000, "cannot be read as JSON"), (20_000_001, "is larger than 20 MB, too large for a recipe file")):
        with path.open("wb") as file:
            file.truncate(size)
        with pytest.raises(FileError, match=told):
            read_recipe(path)


# ---------------------------------------------------------------- carried to a logbook


class Steeper(laws.Bleaching):
    """A law made from another."""


TASKS = [
    LINE,
    replace(LINE, run_up=RunUp(1.0, 0.4, 0.5), hold=Hold(0.9, 0.95, 1.1, at=(3.0, 4.0), extrapolated=True), above=0.7, layers=5.0),
    replace(LINE, run_up=RunUp(), vector_length=12.0, reserve=0.05, hottest=1.1, finest=0.9, able=(("power", 1.0, 2.0),)),
    replace(LINE, pattern=Pattern(True, 2, True, None, Gaussian(1.0, 1.2, 0.3), (0.3, 1.1), turned=0.02)),
    replace(LINE, pattern=Pattern(False, pulse_rate=2e4), bounds=replace(LINE.bounds, pulse_share=1.0, ripple=0.02)),
]


def test_what_a_recipe_promised_comes_back_from_json():
    found = {"power": 100.0, "beam_radius": 0.1, "hatch_spacing": 0.12, "scan_speed": 900.0}
    vectors = [SimpleNamespace(best=Best(task, found | ({} if task.pattern.raster else {"hatch_spacing": None}))) for task in TASKS]
    record = carried(SimpleNamespace(vectors=vectors, inputs=SimpleNamespace(curve=LINE.curve, errors=LINE.errors)))
    again = promises(json.loads(json.dumps(record)))
    for (task, settings), before in zip(again, vectors, strict=True):
        promised, hold = replace(before.best.task, able=()), before.best.task.hold
        assert replace(task, hold=hold) == promised
        assert json.dumps(task.hold and vars(task.hold)) == json.dumps(hold and vars(hold))
        assert settings == before.best.found


def test_curves_come_back_with_their_law():
    bleaching = replace(KNOWN, law=laws.Bleaching(0.15, 0.08, 0.5), unsure=(("bleaching_exposure", 0.05),), low=-1.0)
    for curve in (KNOWN, bleaching, replace(KNOWN, degrees_of_freedom=4.0)):
        assert curve_read(json.loads(json.dumps(curve_dict(curve)))) == curve


def test_a_law_made_from_another_is_found_and_one_that_is_not_loaded_is_named():
    record = curve_dict(replace(KNOWN, law=Steeper(0.15, 0.08, 0.5)))
    assert type(curve_read(json.loads(json.dumps(record))).law) is Steeper
    with pytest.raises(FileError, match=r"^the cure law Flatter is not known here$"):
        curve_read(record | {"law": "Flatter"})


def test_a_curve_from_dp_and_ec_alone():
    """var(depth) at x: [(x - L) u(Dp)]^2 - 2 (x - L) Dp r u(Dp) u(L) + [Dp u(L)]^2, L = ln Ec; least where curve and height part."""
    given = {"dp": 0.14, "u_dp": 0.002, "ec": 0.09, "u_ec": 0.0045, "correlation": 0.6}
    curve = curve_of_headline(replace(KNOWN, layer_variance=2e-5), **given)
    away = 0.14 * 0.6 * 0.05 / 0.002
    assert (curve.penetration_depth, curve.log_threshold, curve.layer_variance) == (0.14, math.log(0.09), 2e-5)
    assert curve.centre - math.log(0.09) == pytest.approx(away)
    assert (curve.slope_variance, curve.centre_variance) == pytest.approx((4e-6, (0.14 * 0.05 * 0.8) ** 2))
    assert curve.degrees_of_freedom == math.inf
    bent = curve_of_headline(replace(KNOWN, law=laws.Threshold(0.15, 0.08, 0.8, 5.0)), **given)
    assert (bent.penetration_depth, bent.slope_variance) == pytest.approx((0.14 / 0.8, (0.002 / 0.8) ** 2))
    assert bent.law == laws.Threshold(0.14, 0.09, 0.8, 5.0)


def test_the_curve_of_a_lot_is_that_of_its_file():
    """Lab set: exposures over 100 mJ/cm^2."""
    curve = curve_of(LOT)
    assert (curve.penetration_depth, curve.log_threshold, curve.centre) == pytest.approx((0.14, math.log(0.1), math.log(0.5)))
    assert (curve.low, curve.high) == pytest.approx((math.log(0.2), math.log(1.6)))
    assert (curve.centre_variance, curve.slope_variance, curve.layer_variance) == pytest.approx((1e-6, 1e-6, 3.6e-5))
    bent = replace(LOT, exponent=0.8, exponent_uncertainty=0.04, reference_irradiance=Q(5.0, "mW/mm^2"))
    curve = curve_of(bent)
    assert (curve.low, curve.high) == (None, None)
    assert curve.unsure == (("exponent", pytest.approx(0.05)),)
    assert curve.penetration_depth == pytest.approx(0.14 / 0.8)
    assert curve_of(replace(bent, exponent_uncertainty=0.0)).unsure == ()
    bleaching = replace(LOT, bleaching_exposure=Measured(Q(40.0, "mJ/cm^2"), Q(2.0, "mJ/cm^2")))
    curve = curve_of(bleaching)
    assert (curve.low, curve.high) == pytest.approx((math.log(0.2), math.log(1.6)))
    assert curve.unsure == (("bleaching_exposure", pytest.approx(0.05)),)
    assert curve.straight is False
    # what the coupons say of Ec is said again, whatever the law: u(ln Ec) as the line's; they vary together as dose and depth do at Ec
    known = math.hypot(1e-3, math.log(5.0) * 1e-3) / 0.14
    for lot, bend in ((LOT, 1.0), (bent, 1.0), (bleaching, 0.25 / (1.0 - math.exp(-0.25)))):  # d ln(e^r - 1)/d ln r at r = Ec/Eb
        curve = curve_of(lot)
        assert math.sqrt(curve.log_threshold_variance) == pytest.approx(known)
        assert curve.centre - curve.log_threshold == pytest.approx(bend * math.log(5.0))
    sheet = replace(LOT, coupons=None, centre_exposure=None, exposure_low=None)
    assert (curve_of(sheet).low, curve_of(sheet).high) == (None, None)


def test_own_constants_of_a_law_are_counted():
    """Cd = (Dp/w) ln(S/Ec): at a fixed dose a relative change of w moves the depth by itself times the depth."""
    law = laws.Threshold(0.15, 0.08, 0.8, 5.0)
    curve = Curve(0.15 / 0.8, math.log(0.08), math.log(0.08) + 1.0, 0.0, 0.0, 0.0, math.inf, law=law, unsure=(("exponent", 0.05),))
    for x in (0.5, 2.0):
        assert math.sqrt(curve.own_variance(math.log(0.08) + x)) == pytest.approx(0.05 * 0.15 / 0.8 * x, rel=1e-6)
    assert KNOWN.own_variance(0.0) == 0.0


def test_machine_lot_and_needs_become_a_task():
    (task,) = gather(MACHINE, LOT, NEEDS, today=DAY).tasks
    assert (task.kind, task.layer_thickness, task.depth, task.assurance, task.single) == ("vector", 0.1, pytest.approx(0.18), 0.95, True)
    b = task.bounds
    assert (b.power_low, b.power_high, b.power_least) == (24.0, 240.0, 24.0)
    assert (b.beam_radius_low, b.beam_radius_high, b.hatch_spacing_low, b.hatch_spacing_high) == (0.1, 0.1, 0.12, 0.12)
    assert (b.scan_speed_low, b.scan_speed_high, b.pulse_share) == (1.0, 20000.0, math.inf)
    assert (b.power_step, b.scan_speed_step, b.beam_radius_step, b.hatch_spacing_step) == (1.0, 10.0, 0.005, 0.005)
    assert {b.ripple, b.print_through, b.overcure, b.line_width_high, b.width_accuracy} == {math.inf}
    assert (b.line_width_low, task.layers, task.move_speed, task.corner_speed, task.reserve) == (0.0, math.inf, math.inf, 0.0, 0.0)
    assert (task.vector_length, task.acceleration, task.settling) == (12.0, 2e6, 0.0)
    assert task.able == (("beam_radius", 0.05, 0.2), ("hatch_spacing", 0.0, math.inf))
    assert task.run_up == RunUp(None, 0.5, 1.0)
    assert task.pattern == Pattern(True)
    one = replace(NEEDS.vectors[0], passes=3, assurance=0.99, hatch_spacing=None, hatch_spacing_min=Q(0.05, "mm"))
    needs = replace(NEEDS, vectors=(one,), layers_above=4, power_reserve=0.1, limits_by="expected value")
    steps = dict.fromkeys(("power_step", "scan_speed_step", "beam_radius_step", "hatch_spacing_step"))
    bare = replace(MACHINE, power_min=None, **steps, acceleration=None, hatch_spacing_max=Q(0.3, "mm"), pulse_rate=Q(20.0, "kHz"))
    (other,) = gather(replace(bare, corner_speed=Q(300.0, "mm/s"), run_up_beam="follows speed"), LOT, needs, today=DAY).tasks
    assert (other.layers, other.pattern.passes, other.assurance, other.assured_limits) == (5.0, 3, 0.99, False)
    assert (other.bounds.power_low, other.bounds.power_least, other.bounds.pulse_share) == (240.0, 0.0, 1.0)
    assert [getattr(other.bounds, name) for name in steps] == [0.0] * 4
    assert (other.bounds.hatch_spacing_low, other.bounds.hatch_spacing_high) == (0.05, 0.3)
    assert (other.acceleration, other.corner_speed, other.run_up.follows) == (math.inf, 300.0, 1.0)
    assert other.reserve == pytest.approx(-math.log(0.9))
    oval = replace(MACHINE, radius_ratio=1.25, spot_angle=Measured(Q(30.0, "deg"), Q(2.0, "deg")))
    (any_way,) = gather(oval, LOT, NEEDS, today=DAY).tasks
    assert any_way.pattern.tracks == pytest.approx((math.radians(30.0), math.radians(120.0)))
    assert any_way.pattern.turned == pytest.approx(math.radians(2.0))
    crossed = replace(NEEDS, vectors=(replace(NEEDS.vectors[0], cross_hatch=True),))
    assert gather(oval, LOT, crossed, today=DAY).tasks[0].pattern.tracks == pytest.approx((math.radians(30.0), math.radians(75.0)))
    named = replace(NEEDS, vectors=(replace(NEEDS.vectors[0], track_angle=Q(10.0, "deg")),))
    assert gather(oval, LOT, named, today=DAY).tasks[0].pattern.tracks == pytest.approx((math.radians(10.0),))


def test_what_a_recipe_leaves_out():
    """Lines have widths and no spacing, rasters the other way round; corners need an acceleration, the field its size and height."""
    lines = {"line_width", "line_width_expanded_uncertainty", "line_width_at_layer", "contour_offset"}
    corner = {"corner_exposure_factor", "corner_depth_error", "corner_reach"}
    edge = {"field_incidence_angle", "field_depth_change"}
    nothing = {"field_zones", "share_at_speed"}
    line = replace(NEEDS.vectors[0], pattern="line", hatch_spacing=None)
    flat = replace(MACHINE, acceleration=None, beam_height=None, field_width=None, field_length=None)
    for machine, one, left_out in (
        (MACHINE, NEEDS.vectors[0], lines | {"field_zones"}),
        (MACHINE, line, {"hatch_spacing", "field_zones"}),
        (flat, line, {"hatch_spacing"} | corner | edge | nothing),
    ):
        recipe = make_recipe(machine=machine, resin=LOT, needs=replace(NEEDS, vectors=(one,)), today=DAY, gains=False)
        (vector,) = recipe.vectors
        assert {name for name, value in vars(vector).items() if value is None} == left_out
        record = vector.to_dict()
        assert record["cure_depth"]["standard_uncertainty"] == vector.cure_depth_standard_uncertainty.m
        assert record["line_width"] is None or record["line_width"]["coverage_factor"] == 2
        assert not {"best", "cure_depth_standard_uncertainty", "line_width_expanded_uncertainty"} & set(record)
        best = vector.best
        assert vector.overcure.m == pytest.approx(best.depth - 0.1)
        assert vector.power_share == pytest.approx(best.power / 240.0)
        assert vector.contour_offset is None or vector.contour_offset.m == pytest.approx(0.5 * best.line_width)
        assert (vector.depth_needed.m, vector.assurance_asked, vector.assured_for) == (pytest.approx(0.18), 0.95, "single layer")
        assert [(q.m, str(q.units)) for q in (vector.scan_speed, vector.power)] == [
            (best.scan_speed, "millimeter / second"),
            (best.power, "milliwatt"),
        ]
    assert recipe.to_dict()["seam"] is None
    assert recipe.to_dict()["rates"] is None
    fill = replace(NEEDS.vectors[0], kind="hatch", area=Q(400.0, "mm^2"))
    both = make_recipe(machine=MACHINE, resin=LOT, needs=replace(NEEDS, vectors=(line, fill)), today=DAY, gains=False)
    told = both.to_dict()
    assert told["seam"]["first_hatch_line"]["value"] == both.seam.first_line
    assert told["volume_rate"]["value"] == pytest.approx(40.0 / both.rates.layer_time)
    assert told["rates"]["volume_per_hour"]["value"] == pytest.approx(3.6 * 40.0 / both.rates.layer_time)
    with pytest.raises(KeyError):
        recipe.vector("none")
    assert recipe.vector(" VECTOR ") is vector


# ---------------------------------------------------------------- parts and derivations


def test_a_part_has_no_more_than_a_million_layers(monkeypatch):
    monkeypatch.setattr(build, "layer_sums", lambda paths: ({}, {}, {}))
    monkeypatch.setattr(build, "areas", lambda paths: np.zeros(2))
    recipe = make_recipe(machine=MACHINE, resin=LOT, needs=NEEDS, today=DAY, gains=False)
    made = build.with_paths(recipe, SimpleNamespace(layers=[3, 1_000_002], source="p.csv"))
    assert made.part["layers"] == made.part_layers == 1_000_000
    assert made.part_time == pytest.approx(14e6)
    with pytest.raises(FileError, match=r"p\.csv: 1000001 layers from the first to the last are more than 1000000"):
        build.with_paths(recipe, SimpleNamespace(layers=[3, 1_000_003], source="p.csv"))
    dense = replace(recipe, lot=replace(LOT, density=Q(1.1, "g/cm^3")))
    monkeypatch.setattr(build, "areas", lambda paths: np.array([100.0, 200.0]))
    made = build.with_paths(dense, SimpleNamespace(layers=[1, 2], source="p.csv"))
    assert (made.part["volume"]["value"], made.part["greatest_area"]["value"]) == pytest.approx((30.0, 200.0))
    assert made.part["mass"] == {"value": pytest.approx(0.033), "unit": "g"}
    assert made.mass_rate == pytest.approx(3.6 * 1.1 * 15.0 / 14.0)
    needs = SimpleNamespace(vectors=[SimpleNamespace(raster=r, down_facing=d) for r, d in ((True, True), (True, False), (False, False))])
    kinds = SimpleNamespace(needs=needs, vectors=[SimpleNamespace(kind=k) for k in ("bottom", "fill", "edge")])
    assert [build._kind_for(kinds, kind) for kind in ("bottom", "hatch", "contour", "edge")] == [0, 1, 2, 2]
    assert build._kind_for(SimpleNamespace(needs=SimpleNamespace(vectors=needs.vectors[:1]), vectors=kinds.vectors[:1]), "skin") is None


def test_a_part_as_high_as_stated_has_whole_layers():
    for height, layers in ((42.0, 420), (42.01, 421), (0.3, 3), (0.01, 1)):
        needs = replace(NEEDS, part_height=Q(height, "mm"))
        assert make_recipe(machine=MACHINE, resin=LOT, needs=needs, today=DAY, gains=False).part_layers == layers


def test_derivation_adds_the_parts_and_the_coverage_factor():
    """u^2 is the sum of the squares that are listed; k is the normal quantile, the lot's file states no degrees of freedom for t."""
    recipe = make_recipe(machine=MACHINE, resin=LOT, needs=NEEDS, today=DAY, gains=False)
    (vector,) = recipe.vectors
    steps = {step.formula: step for step in vector_steps(recipe, vector)}
    u = 1e3 * vector.cure_depth_standard_uncertainty.m
    parts = [float(one.split()[-1]) for one in steps["u^2 = sum of squares of the parts"].numbers.removeprefix("in um: ").split(", ")]
    assert math.sqrt(sum(p * p for p in parts)) == pytest.approx(u, rel=0.02)
    assert steps["u^2 = sum of squares of the parts"].result.startswith(f"{u:.3g} um, effective degrees of freedom ")
    aimed = steps["Cd expected = Cd needed + k u"]
    needed, times = aimed.numbers.split(" + ")
    k, _, size, _ = times.split()
    assert (needed, size) == ("0.18 mm", f"{u:.3g}")
    assert k == "1.645"
    assert float(aimed.result.split()[0]) == pytest.approx(0.18 + 1e-3 * float(k) * u, abs=2e-5)


def test_derivation_of_a_recipe_in_which_all_is_known():
    """Nothing to add for doubt: the dose of the depth itself, k u = 0; one pass is not counted, more are."""
    exact = dict.fromkeys(("power_scale", "beam_radius_scale", "scan_speed", "hatch_spacing"), 0.0)
    sure = replace(
        MACHINE,
        **{f"{name}_uncertainty": u for name, u in exact.items()},
        power=Measured(Q(240.0, "mW"), Q(0.0, "mW")),
        beam_radius_repeatability=0.0,
        layer_thickness_variation=Q(0.0, "mm"),
        scan_speed_step=None,
        power_step=None,
    )
    zero = dict.fromkeys(("coupon_sd", "centre_depth_sd", "slope_sd", "thickness_bias_uncertainty"), Q(0.0, "mm"))
    for pattern, n in (("line", 1), ("raster", 1), ("line", 2)):
        one = replace(NEEDS.vectors[0], pattern=pattern, passes=n, vector_length=None)
        one = replace(one, hatch_spacing=None) if pattern == "line" else one
        recipe = make_recipe(machine=sure, resin=replace(LOT, **zero), needs=replace(NEEDS, vectors=(one,)), today=DAY, gains=False)
        (vector,) = recipe.vectors
        assert vector.budget == {}
        steps = {step.formula: step for step in vector_steps(recipe, vector)}
        assert steps["Cd expected = Cd needed + k u"].numbers == "0.18 mm + 0.000 x 0 um"
        speed = next(step for name, step in steps.items() if name.startswith("v = "))
        assert float(speed.result.split()[0]) == float(f"{vector.scan_speed.m:.5g}")
        assert (f" x {n}" in speed.formula) is (n > 1)
        assert dict(recipe.rows())["vector"].endswith(f", {n} {'pass' if n == 1 else 'passes'}, 95.0 % assured")
