"""Places of the field and what settings bring, by hand: far corner, grid of a measured map, zones, seams, proofs and shifted layers."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import brentq

from curecalc.physics.laws import Bleaching
from curecalc.physics.light import Gaussian
from curecalc.recipe import consequences, field
from curecalc.recipe.assurance import Errors
from curecalc.recipe.bounds import Hold, RunUp
from curecalc.recipe.light import Pattern
from curecalc.recipe.outcome import at_settings
from curecalc.recipe.search import Best
from curecalc.units import Quantity as Q

from .test_field import field as measured
from .test_field import grows, shop
from .test_notes_by_hand import BOUNDS, KNOWN, LINE, LN_EC
from .test_search_by_hand import hills
from .whole_shops import Case

INDEX = 1.5
RASTER = replace(LINE, pattern=Pattern(True))


def settings(task, power=100.0, radius=0.1, spacing=None, speed=1000.0):
    return Best(
        task, {k: v.item() if isinstance(v, np.ndarray) else v for k, v in at_settings(task, power, radius, spacing, speed).items()}
    )


def test_the_far_corner_of_the_field():
    """300 by 160 mm under a mirror at 850 mm: corner 170 mm away, tan theta = 0.2; M^2 lambda/pi; L (1/cos theta - 1) out of focus."""
    machine = SimpleNamespace(
        beam_height=Q(850.0, "mm"),
        field_width=Q(300.0, "mm"),
        field_length=Q(160.0, "mm"),
        focus_held=False,
        beam_quality=1.3,
        wavelength=Q(355.0, "nm"),
    )
    place = field.far_corner(machine, INDEX)
    slant = math.sqrt(1.0 - (math.sin(math.atan(0.2)) / INDEX) ** 2)
    assert (place.at, place.angle) == ((150.0, 80.0), pytest.approx(math.atan(0.2)))
    assert (place.stretch, place.slant) == pytest.approx((math.hypot(1.0, 0.2), slant))
    assert place.out_of_focus == pytest.approx(850.0 * (math.hypot(1.0, 0.2) - 1.0))
    assert place.divergence == pytest.approx(1.3 * 355e-6 / math.pi)
    machine.focus_held = True
    assert field.far_corner(machine, INDEX).out_of_focus == 0.0
    for name in ("beam_height", "field_width", "field_length"):
        assert field.far_corner(SimpleNamespace(**(vars(machine) | {name: None})), INDEX) is None


def test_a_measured_map_is_read_on_nine_by_nine_places():
    case = Case(0.95, True, True, 8, False)
    machine, _, _ = shop(case, measured(grows, lambda x, y: 1.0 + 0.0004 * x))
    machine = replace(machine, field_width=Q(120.0, "mm"), field_length=Q(80.0, "mm"))
    places = field.measured_places(machine, INDEX)
    assert [p.at for p in places[:2]] + [places[9].at, places[-1].at] == [(-60.0, -40.0), (-45.0, -40.0), (-60.0, -30.0), (60.0, 40.0)]
    assert len(places) == 81
    corner = places[-1]
    # radius and power over those in the middle, whatever the lean: the radius is that on the surface
    assert (corner.wider, corner.gain, corner.stretch, corner.slant) == pytest.approx((grows(60.0, 40.0), 1.024, 1.0, 1.0), rel=2e-3)
    assert (places[40].wider, places[40].gain) == pytest.approx((1.0, 1.0))
    assert not any(p.extrapolated for p in places)
    wide = field.measured_places(replace(machine, field_width=Q(240.0, "mm")), INDEX)
    assert [p.extrapolated for p in wide[36:45]] == [True, False, False, False, False, False, False, False, True]
    u = field.field_map(machine.field).surfaces["power"].at(np.zeros(1), np.zeros(1))[1].item()
    assert (places[40].power_unsure, places[40].spot_unsure > 0.0) == (pytest.approx(math.sqrt(2.0) * u), True)
    assert corner.power_unsure > places[40].power_unsure
    loose = field.measured_places(replace(machine, field_width=None), INDEX)
    assert (loose[0].at, loose[-1].at) == ((-100.0, -100.0), (100.0, 100.0))
    assert field.measured_places(replace(machine, field=()), INDEX) == ()
    bare = field.measured_places(replace(machine, field=measured(grows)), INDEX)
    assert {(p.gain, p.power_unsure) for p in bare} == {(1.0, 0.0)}
    leaning = field.measured_places(replace(machine, field=measured(grows), beam_height=Q(850.0, "mm")), INDEX)
    theta = math.atan(math.hypot(60.0, 40.0) / 850.0)
    assert (leaning[-1].angle, leaning[-1].stretch) == (pytest.approx(theta), 1.0)


def test_the_place_that_asks_most_is_held_and_the_strongest_and_finest_bound():
    strong, weak = Hold(1.1, 1.0, 1.0, wider=0.9, spot_unsure=0.03), Hold(0.9, 1.0, 1.0, wider=1.05, spot_unsure=0.04, power_unsure=0.01)
    assert field.on_field(LINE, ()) is LINE
    line = field.on_field(replace(LINE, errors=Errors(power=0.02, beam_radius=0.03)), (strong, weak))
    assert line.hold is weak
    assert (line.hottest, line.finest) == pytest.approx((1.1 / 0.9, 1.0))
    assert (line.errors.beam_radius, line.errors.power) == pytest.approx((0.05, math.hypot(0.02, 0.01)))
    raster = field.on_field(RASTER, (strong, weak))
    assert (raster.hottest, raster.finest) == pytest.approx((1.1, 0.9))
    dim = field.on_field(RASTER, (replace(weak, wider=1.0), weak))
    assert (dim.hottest, dim.finest) == (1.0, 1.0)  # the middle is a place of the field too


def test_zones_take_the_machine_s_greatest_speed_at_most():
    """Lines: doses go as gain over width. Of nine by nine places three of the edge are 20 % weaker; elsewhere speed could be 1.25 times."""
    places = [Hold(1.0, 1.0, 1.0, at=(float(x), 2.0 * y)) for y in range(9) for x in range(9)]
    for k in (0, 8, 36):
        places[k] = replace(places[k], gain=0.8)
    known = replace(LINE, errors=Errors())
    for cap, factor in ((1e6, 1.25), (1100.0, 1.1), (900.0, 1.0)):
        task = replace(known, hold=places[0], bounds=replace(BOUNDS, scan_speed_high=cap))
        made = settings(task)
        found = field.zones(made, places, Errors())
        rows = [[1.0, factor, 1.0], [1.0, factor, factor], [factor] * 3]
        assert np.array(found.factors) == pytest.approx(np.array(rows))
        assert found.gain == pytest.approx(9.0 / (3.0 + 6.0 / factor) - 1.0)
        assert (found.worst, found.extrapolated, found.span) == ((0.0, 0.0), False, ((0.0, 8.0), (0.0, 16.0)))
    told = field.described(found)
    assert told["held_at"] == {"x": {"value": 0.0, "unit": "mm"}, "y": {"value": 0.0, "unit": "mm"}}
    assert told["span"] == {"x": [0.0, 8.0], "y": [0.0, 16.0], "unit": "mm"}


# ---------------------------------------------------------------- what settings bring


def test_a_proof_lies_in_the_interval_of_a_single_coupon():
    """Two-sided 95 %: 1.959964 u where all is known but the power; t of 4 where the scatter of coupons is all."""
    x = math.log(math.sqrt(2.0 / math.pi) * 100.0 / 100.0) - LN_EC
    one = consequences.proof(settings(replace(LINE, errors=Errors(power=0.02))))
    assert (one.thickness, one.high - one.thickness, one.thickness - one.low) == pytest.approx((0.15 * x, 0.00588, 0.00588), rel=1e-4)
    few = replace(KNOWN, layer_variance=1e-4, degrees_of_freedom=4.0)
    assert (consequences.proof(settings(replace(LINE, errors=Errors(), curve=few))).high - 0.15 * x) == pytest.approx(2.776445 * 0.01)
    assert consequences.proof(settings(replace(LINE, curve=replace(few, layer_variance=1.0)))).low == 0.0
    # a line is told by its peak, so its radius counts; a raster by its mean, which no spot moves
    spot = Errors(beam_radius=0.02)
    assert consequences.proof(settings(replace(LINE, errors=spot))).high - 0.15 * x == pytest.approx(0.00588, rel=1e-4)
    hatch = consequences.proof(settings(replace(RASTER, errors=spot), spacing=0.12))
    assert hatch.high == pytest.approx(hatch.thickness) == pytest.approx(0.15 * (math.log(100.0 / 120.0) - LN_EC))


@pytest.mark.parametrize("layers", [1, 2, 3, 4, 7, math.inf])
def test_layers_with_their_lines_moved_by_half_a_spacing(layers):
    made = settings(replace(RASTER, layers=float(layers)), spacing=0.12)
    through, bond = consequences.shifted(made)
    fading = np.exp(-np.arange(min(layers, 300)) * 0.1 / 0.15)
    odd = np.arange(fading.size) % 2 == 1
    ridge, valley = (math.sqrt(2.0 / math.pi) * hills(1.2, place) for place in (0.0, 0.5))  # the peak of a line is 0.798 mJ/mm^2
    assert (made.dose_max, made.dose_min) == pytest.approx((ridge, valley))
    assert through == pytest.approx(0.15 * math.log((np.where(odd, valley, ridge) * fading).sum() / 0.08) - 0.1)
    assert bond == pytest.approx((np.where(odd, ridge, valley) * fading).sum() * math.exp(-0.1 / 0.15))


def test_shifted_layers_are_for_rasters_whose_doses_add():
    bleaches = replace(RASTER, layers=2.0, curve=replace(KNOWN, law=Bleaching(0.15, 0.08, 0.5)))
    for task, spacing in ((LINE, None), (bleaches, 0.12)):
        with pytest.raises(ValueError, match="for rasters in resins whose doses add"):
            consequences.shifted(settings(task, spacing=spacing))


def test_a_bond_gets_the_layers_above_it():
    made = settings(replace(LINE, layers=3.0))
    e = made.dose_min
    q = math.exp(-0.1 / 0.15)
    assert consequences.interface_exposure(made, 0.5) == pytest.approx((e + 0.5 * (q + q * q)) * q)
    assert consequences.mean_print_through(made) == pytest.approx(0.15 * math.log(e * (1.0 + q + q * q) / 0.08) - 0.1)


def test_corners_of_lines_and_of_rasters():
    """At rest the beam stays on: the stop is worth the factor of the light that comes from one line; a raster's neighbours keep theirs."""
    assert consequences.corner(settings(LINE)) is None
    stopped = replace(LINE, acceleration=1e6)
    line = consequences.corner(settings(stopped))
    assert line.reach == pytest.approx(1000.0**2 / 2e6)
    assert line.depth_error == pytest.approx(0.15 * math.log(line.exposure_factor))
    hatch = consequences.corner(settings(replace(stopped, pattern=Pattern(True)), spacing=0.06))
    share = (math.sqrt(2.0 / math.pi) / 0.1) / (1.0 / 0.06)  # peak of one line over the even dose of close lines
    assert hatch.exposure_factor - 1.0 == pytest.approx(share * (line.exposure_factor - 1.0), rel=1e-4)
    crossed = consequences.corner(settings(replace(stopped, pattern=Pattern(True, 1, True)), spacing=0.06))
    assert crossed.exposure_factor == pytest.approx(hatch.exposure_factor)
    off = consequences.corner(settings(replace(stopped, run_up=RunUp())))
    assert (off.exposure_factor, off.depth_error, off.reach) == (1.0, 0.0, 0.0)
    on = consequences.corner(settings(replace(stopped, run_up=RunUp(0.0, 0.0))))
    assert (on.exposure_factor, on.reach) == pytest.approx((line.exposure_factor, line.reach))


def test_scanning_that_is_taken_for_steady(monkeypatch):
    seen = []
    monkeypatch.setattr(consequences, "best_settings", lambda task: seen.append(task) or settings(task))
    task = replace(LINE, run_up=RunUp(1.0), assured_limits=True, hold=Hold(0.9, 1.0, 1.0), acceleration=1e6, vector_length=40.0)
    made = consequences.as_if_always_at_speed(settings(task))
    assert (seen[0].run_up, seen[0].assured_limits, seen[0].hold) == (None, False, None)
    assert made.task.run_up.follows == 0.0
    assert (made.along_min, made.along_max) == (1.0, 1.0)


def test_depth_along_a_vector():
    """A hard end: half the dose at the start, Phi(2) of it a radius inside, all of it in the middle."""
    made = settings(replace(LINE, run_up=RunUp(), vector_length=20.0))
    steady = math.sqrt(2.0 / math.pi) / 0.08
    for s, share in ((0.0, 0.5), (0.1, 0.97724987), (10.0, 1.0)):
        assert float(consequences.depth_along(made, s)) == pytest.approx(0.15 * math.log(steady * share))
    assert float(consequences._end(made, 0.0)) == pytest.approx(0.5)
    assert float(consequences._end(settings(LINE), 0.0)) == pytest.approx(0.5)
    oval = replace(LINE, run_up=RunUp(), vector_length=20.0, pattern=Pattern(False, spot=Gaussian(1.0, 2.0)))
    assert float(consequences._end(settings(oval), 0.1)) == pytest.approx(0.97724987)  # as long as its x radius
    assert float(consequences.depth_along(settings(oval), 0.1)) == pytest.approx(0.15 * math.log(0.5 * steady * 0.97724987))


def test_where_contour_and_hatch_meet():
    """Lines of both summed here: the widest gap whose weakest place keeps the lesser dose; solid is where there is 0.08 e^(t/Dp)."""
    contour = settings(LINE, power=60.0, radius=0.06)
    hatch = settings(RASTER, radius=0.1, spacing=0.12)
    found = consequences.seam(contour, hatch)
    outline, one = (math.sqrt(2.0 / math.pi) * p / (w * 1000.0) for p, w in ((60.0, 0.06), (100.0, 0.1)))
    lines = 0.12 * np.arange(60)

    def lit(y, first):
        return one * np.exp(-2.0 * ((np.asarray(y)[..., None] - first - lines) / 0.1) ** 2).sum(-1)

    def weakest(gap):
        y = np.linspace(0.0, gap, 4001)
        return (outline * np.exp(-2.0 * (y / 0.06) ** 2) + lit(y, gap)).min()

    target = min(outline, one * hills(1.2, 0.5))
    assert found.first_line == pytest.approx(brentq(lambda gap: weakest(gap) - target, 0.05, 0.5), rel=1e-4)
    assert found.first_line_depth == pytest.approx(0.15 * math.log(target / 0.08), abs=1e-3)
    edge = brentq(lambda y: lit(-y, 0.0) - 0.08 * math.exp(0.1 / 0.15), -0.06, 0.3)  # beyond the first line
    width = 0.06 * math.sqrt(2.0 * (math.log(outline / 0.08) - 0.1 / 0.15))
    assert found.overlap == pytest.approx(0.5 * width + edge - found.first_line, rel=1e-6)
    assert found.contour_offset == pytest.approx(0.5 * 0.06 * math.sqrt(2.0 * math.log(outline / 0.08)))
    assert found.line_ends < found.first_line
