"""Every number in a job's file has its range: the last value that is taken, and the next one that is not; what stands where none does."""

import datetime
import math
import re
from dataclasses import replace

import pytest

from curecalc.calibration.coupons import coupons_from_bytes
from curecalc.calibration.curve import fit_coupons
from curecalc.errors import FileError, QuantityError
from curecalc.jobs.beam import BEAM, BeamRecord, BudgetPart, FieldPlace, beam_record, field_map, with_field
from curecalc.jobs.fitted import lot_of_fit, prior_from_resins
from curecalc.jobs.lot import RESIN
from curecalc.jobs.machine import MACHINE, machine_beam, named_spot, spot_readings, starting_machine, with_spot
from curecalc.jobs.needs import NEEDS, starting_needs
from curecalc.spot.field import Place
from curecalc.spot.measurement import COMMON
from curecalc.units import Measured
from curecalc.units import Quantity as Q

RESIN_TEXT = """schema = 1
name = "r"
penetration_depth = "0.15 mm +- 0.001 mm"
critical_exposure = "8 mJ/cm^2 +- 0.08 mJ/cm^2"
correlation = 0.8
[fit]
coupons = 8
readings = 8
degrees_of_freedom = 6
residual_sd = "0.004 mm"
coupon_sd = "0.004 mm"
centre_exposure = "20 mJ/cm^2"
centre_depth_sd = "0.001 mm"
slope_sd = "0.001 mm"
exposure_low = "10 mJ/cm^2"
exposure_high = "40 mJ/cm^2"
depth_low = "0.05 mm"
depth_high = "0.25 mm"
"""
BEAM_TEXT = 'schema = 1\nradius_x = "0.1 mm +- 0.002 mm"\n'
SHEET = 'schema = 1\nname = "r"\npenetration_depth = "0.15 mm"\ncritical_exposure = "8 mJ/cm^2"\nreference_irradiance = "5 mW/mm^2"\n'
DAY = datetime.date(2026, 3, 1)
FILES = {
    "machine": (MACHINE, starting_machine(DAY)),
    "needs": (NEEDS, starting_needs()),
    "resin": (RESIN, RESIN_TEXT),
    "sheet": (RESIN, SHEET),
    "beam": (BEAM, BEAM_TEXT),
}


def read(file, key, value, table=""):
    """The record of a file in which the key of a table has that value; of [[vectors]] the first."""
    record, text = FILES[file]
    line = f"{key} = {value if not isinstance(value, str) else repr(value)}\n".replace("'", '"')
    head, mark, rest = text.partition(f"\n{table}\n") if table else (*text.partition("\n")[:2], text.partition("\n")[2])
    first, *others = re.split(r"(?m)^(?=\[)", rest)
    first = re.sub(rf"(?m)^{key} = .*\n", "", first)
    return record.parse(f"{head}{mark}{line}{first}{''.join(others)}", source="file")


RANGES = [
    ("machine", "[laser]", "wavelength", ("150 nm", "1100 nm"), ("149 nm", "1101 nm")),
    ("machine", "[laser]", "power_scale_uncertainty", (0.0, 0.5), (-0.01, 0.51)),
    ("machine", "[laser]", "pulse_spacing_max", (0.1, 3.0), (0.0, 3.01)),
    ("machine", "[beam]", "beam_radius_repeatability", (0.0, 0.5), (-0.01, 0.51)),
    ("machine", "[beam]", "beam_quality", (1.0, 100.0), (0.99, 101.0)),
    ("machine", "[beam]", "radius_ratio", (0.2, 5.0), (0.19, 5.01)),
    ("machine", "[scanner]", "scan_speed_uncertainty", (0.0, 0.5), (0.51,)),
    ("machine", "[room]", "humidity_max", (0.3, 1.0), (1.01,)),
    ("machine", "[room]", "humidity_min", (0.0, 0.4), (-0.01, 1.01)),
    ("needs", "", "assurance", (0.5, 0.9999), (0.49, 0.99999)),
    ("needs", "", "power_reserve", (0.0, 0.5), (-0.01, 0.51)),
    ("needs", "", "speed_reached", (0.0, 0.99), (-0.01, 0.995)),
    ("needs", "", "judged_from", (0.0, 10.0), (-0.1, 10.1)),
    ("needs", "", "layers_above", (1, 50), (0, 1.5)),
    ("needs", "[[vectors]]", "assurance", (0.5, 0.9999), (0.49, 0.99999)),
    ("needs", "[[vectors]]", "passes", (1, 5), (0,)),
    ("needs", "[[vectors]]", "count", (0, 9), (-1,)),
    ("resin", "", "refractive_index", (1.0, 4.0), (0.99, 4.01)),
    ("resin", "", "correlation", (-1.0, 1.0), (-1.01, 1.01)),
    ("sheet", "", "exponent", (0.01, 2.0), (0.009, 2.01)),
    ("resin", "[fit]", "confidence", (0.5, 1.0), (0.49, 1.01)),
    ("resin", "[fit]", "coupons", (3, 8), (2,)),
    ("resin", "[fit]", "readings", (3, 8), (2,)),
    ("resin", "[fit]", "degrees_of_freedom", (1, 6), (0,)),
    ("beam", "", "beam_quality", (1.0, 9.0), (0.99,)),
]


@pytest.mark.parametrize(("file", "table", "key", "good", "bad"), RANGES, ids=lambda v: v if isinstance(v, str) else "")
def test_the_last_value_taken_and_the_next_that_is_not(file, table, key, good, bad):
    if file == "resin" and key == "refractive_index":
        good = (1.0, 3.99)  # a resin for calculations stops short of four
    for value in good:
        read(file, key, value, table)
    for value in bad:
        with pytest.raises(FileError, match=key):
            read(file, key, value, table)


def test_an_exponent_is_no_surer_than_its_whole():
    for u in (0.0, 1.0):
        assert read_sheet(u).exponent_uncertainty == u
    for u in (1.01, -0.1):
        with pytest.raises(FileError, match="exponent_uncertainty"):
            read_sheet(u)


def read_sheet(u):
    return RESIN.parse(f"{SHEET}exponent = 0.8\nexponent_uncertainty = {u}\n", source="r")


def test_what_stands_where_nothing_is_written():
    machine = MACHINE.parse(
        re.sub(r"(?m)^(scan_speed_min|settling_time|layer_thickness_variation) = .*\n", "", FILES["machine"][1]), source="m"
    )
    assert (machine.scan_speed_min.m_as("mm/s"), machine.settling_time.m, machine.layer_thickness_variation.m) == (1.0, 0.0, 0.0)
    assert (machine.beam_radius_repeatability, machine.hatch_spacing_uncertainty, machine.radius_ratio, machine.beam_quality) == (
        0.01,
        0.01,
        1.0,
        1.0,
    )
    assert (machine.spot_angle.value.m, machine.spot_angle.standard_uncertainty.m) == (0.0, 0.0)
    needs = NEEDS.parse(re.sub('assurance = "95 %"', "", FILES["needs"][1]), source="n")
    assert (needs.assurance, needs.single_layer) == (0.95, True)
    assert (read("needs", "assurance", "57 %").assurance, read("needs", "assurance", "57 %", "[[vectors]]").vectors[0].assurance) == (
        0.57,
        0.57,
    )
    assert (needs.speed_reached, needs.judged_from, needs.power_reserve, needs.limits_by) == (0.5, 1.0, 0.0, "assurance")
    lot = RESIN.parse(RESIN_TEXT, source="r")
    assert (lot.power_scale_uncertainty, lot.beam_radius_scale_uncertainty, lot.thickness_bias_uncertainty.m) == (0.0, 0.0, 0.0)
    assert (lot.exponent_uncertainty, lot.line.t_degrees_of_freedom) == (0.0, math.inf)
    assert RESIN.parse(SHEET.replace("reference", "# reference"), source="s").correlation == 0.0


# ---------------------------------------------------------------- lots


def lot(**more):
    return replace(RESIN.parse(RESIN_TEXT, source="r.toml"), **more)


def test_a_fit_that_was_edited_says_so():
    """var(Dp), var(ln Ec) and their covariance follow from centre, slope and height: r = (x - L) u(Dp)/(Dp u(ln Ec))."""
    away = math.log(20.0 / 8.0)
    relative = math.hypot(0.001, away * 0.001) / 0.15
    r = away * 0.001 / (0.15 * relative)
    whole = lot(correlation=r, centre_depth=Q(0.15 * away, "mm"))
    assert not whole._edited
    for change in (
        {"correlation": r + 1.2e-4},
        {"correlation": r - 1.2e-4},
        {"penetration_depth": Measured(Q(0.15, "mm"), Q(0.001 * 1.00012, "mm"))},
        {"centre_depth": Q(0.15 * (away + 1.2e-4), "mm")},
    ):
        assert replace(whole, **change)._edited, change
    for change in (
        {"correlation": r + 0.8e-4},
        {"penetration_depth": Measured(Q(0.15, "mm"), Q(0.001 * 1.00008, "mm"))},
        {"centre_depth": Q(0.15 * (away + 0.8e-4), "mm")},
        {"centre_depth": None},
        {"slope_sd": Q(0.0, "mm"), "correlation": 0.3},
        {"correlation": 0.1, "bleaching_exposure": Measured(Q(40.0, "mJ/cm^2"), Q(0.0, "mJ/cm^2"))},
        {"correlation": 0.1, "exponent": 0.8},
    ):
        assert not replace(whole, **change)._edited, change
    assert "do not agree with the [fit] table" in replace(whole, correlation=0.1).completed().warnings[0]
    assert replace(whole, warnings=()).completed().warnings == ()


def test_variances_of_a_lot_are_its_scatters_squared():
    line = lot(coupon_sd=Q(0.005, "mm"), centre_depth_sd=Q(2.0, "um"), slope_sd=None).line
    assert (line.coupon_variance, line.mean_variance, line.slope_variance) == pytest.approx((2.5e-5, 4e-6, 0.0))


def test_what_disagrees_in_a_lot():
    def about(**more):
        return [key for key, _ in lot(**more).problems()]

    assert about() == []
    assert about(exposure_low=Q(40.0, "mJ/cm^2")) == ["exposure_low"]
    assert about(exposure_low=Q(39.9, "mJ/cm^2")) == []
    assert about(penetration_depth=None) == [("fit",)]
    assert about(exponent=0.8) == ["exponent"]
    assert about(reference_irradiance=Q(5.0, "mW/mm^2")) == ["reference_irradiance"]
    both = {
        "exponent": 0.8,
        "reference_irradiance": Q(5.0, "mW/mm^2"),
        "bleaching_exposure": Measured(Q(40.0, "mJ/cm^2"), Q(0.0, "mJ/cm^2")),
    }
    assert about(**both) == ["bleaching_exposure"]
    text = SHEET.replace("reference", "# reference")
    sheet = RESIN.parse(text, source="s")
    assert RESIN.parse(text + "correlation = 0.5\n", source="s").resin.correlation == 0.5
    depth = '[[depths]]\ndepth = "0.15 mm"\nexposure = "21.7 mJ/cm^2"\n'
    one = re.sub("(?m)^penetration_depth.*$", "correlation = 0.5", text)
    assert RESIN.parse(one + depth, source="s").resin.correlation == 0.0  # of a Dp that is not stated
    assert (sheet.exposure_range, sheet.depth_range, sheet.verified) == (None, None, False)


def test_an_unverified_sheet_tells_how_wide_it_was_taken():
    """Common practice, no source: 20 % of Dp and 50 % of Ec at least, added in squares to what is stated."""
    text = (
        SHEET.replace("reference", "# reference").replace('"0.15 mm"', '"0.15 mm +- 15 %"').replace('"8 mJ/cm^2"', '"8 mJ/cm^2 +- 120 %"')
    )
    (said,) = RESIN.parse(text, source="s").warnings
    assert "Dp and Ec of a data sheet, taken with 25 % standard uncertainty of Dp and 130 % of Ec." in said


TABLE = (
    "# resin = r, power = 300 mW, wavelength = 355 nm\n# hatch_spacing = 0.1 mm\n"
    "coupon,thickness [um],scan_speed [mm/s],temperature [degC]\n"
    "1,160,13000,23\n2,215,9000,24\n3,279,6000,24\n4,340,4000,25\n5,341,4000,25\n6,216,9000,24\n7,161,13000,24\n"
)


def test_what_a_fit_leaves_in_its_file():
    """Rasters by their mean, P/(v h); the mean of seven temperatures, 169/7 degC, to a hundredth."""
    fit = fit_coupons(coupons_from_bytes("c.csv", TABLE.encode()))
    kept = lot_of_fit(fit)
    assert [q.m_as("mJ/cm^2") for q in kept.exposure_range] == pytest.approx([100.0 * 300.0 / 1300.0, 100.0 * 300.0 / 400.0])
    assert [q.m_as("mm") for q in kept.depth_range] == pytest.approx([0.16, 0.341])
    assert (kept.temperature.m_as("degC"), kept.coupons, kept.readings, kept.degrees_of_freedom) == (24.14, 7, 7, 5)
    x = [math.log(100.0 * 300.0 / (v * 0.1)) for v in (13000, 9000, 6000, 4000, 4000, 9000, 13000)]
    assert kept.centre_exposure.m_as("mJ/cm^2") == pytest.approx(math.exp(sum(x) / 7.0))
    assert kept.centre_depth.m_as("mm") == pytest.approx((160 + 215 + 279 + 340 + 341 + 216 + 161) / 7000.0)
    for nm, taken in ((354.5, True), (355.5, True), (354.4, False), (355.6, False)):
        if taken:
            assert lot_of_fit(fit, wavelength=Q(nm, "nm")).wavelength.m_as("nm") == nm
            continue
        with pytest.raises(QuantityError, match=f"wavelength is {nm} nm, but the coupon table says 355 nm"):
            lot_of_fit(fit, wavelength=Q(nm, "nm"))


def test_spreads_of_a_prior_are_shares():
    """Common practice, no source: 5 % of Dp and 15 % of Ec from lot to lot; a mean of one lot is as uncertain, and by its fit."""
    covariance = prior_from_resins([lot()]).covariance
    line = lot().line
    away = line.x_mean - line.log_threshold
    own = math.hypot(0.001, 0.001 * away) / 0.15
    assert covariance[1, 1] == pytest.approx(2.0 * (0.05 * 0.15) ** 2 + 0.001**2)
    assert covariance[0, 0] == pytest.approx(0.15**2 * (2.0 * 0.15**2 + own**2))
    for name in ("penetration_depth_spread", "critical_exposure_spread"):
        for value, taken in ((0.01, True), (0.99, True), (0.0, False), (1.0, False)):
            if taken:
                prior_from_resins([lot()], **{name: value})
                continue
            with pytest.raises(QuantityError, match=name):
                prior_from_resins([lot()], **{name: value})
    for bad in ({"coupon_sd": Q(0.0, "mm")}, {"degrees_of_freedom": 0}):
        with pytest.raises(QuantityError, match="the earlier fit shows no scatter"):
            prior_from_resins([lot(**bad)])
    (told,) = prior_from_resins([lot(wavelength=Q(0.355, "um"), temperature=Q(25.0, "degC"), machine="m")]).conditions
    assert (told.wavelength, told.temperature, told.machine) == (pytest.approx(355.0), pytest.approx(25.0), "m")


# ---------------------------------------------------------------- beams


def share(of, name, u):
    return BudgetPart(of=of, name=name, relative_standard_uncertainty=u)


def test_radii_are_correlated_by_what_their_budgets_share():
    """Common parts multiplied, over both whole uncertainties (2 % and 4 %)."""
    parts = (
        share("radius_x", f"{COMMON}stage", 0.01),
        share("radius_y", f"{COMMON}stage", 0.02),
        share("radius_x", "noise", 0.015),
        share("radius_y", "noise", 0.03),
        share("power", f"{COMMON}stage", 0.5),
    )
    x, y = (Measured(Q(r, "mm"), Q(r * u, "mm")) for r, u in ((0.1, 0.02), (0.12, 0.04)))
    record = BeamRecord(radius_x=x, radius_y=y, budget=parts)
    assert record.beam(needs_power=False).radius_correlation == pytest.approx(0.01 * 0.02 / (0.02 * 0.04))
    assert replace(record, budget=parts[2:]).beam(needs_power=False).radius_correlation == 0.0
    assert replace(record, radius_y=None).beam(needs_power=False).radius_correlation == 0.0
    much = (replace(parts[0], relative_standard_uncertainty=0.05), parts[1])
    assert replace(record, budget=much).beam(needs_power=False).radius_correlation == 1.0
    sure = replace(record, radius_x=Measured(Q(0.1, "mm"), Q(0.0, "mm")))
    assert sure.beam(needs_power=False).radius_correlation == 0.0


def test_a_round_beam_is_not_turned_and_places_keep_their_numbers():
    round_one = BeamRecord(radius_x=Measured(Q(0.1, "mm"), Q(0.001, "mm")))
    assert list(round_one.problems()) == []
    assert [k for k, _ in replace(round_one, angle=Measured(Q(5.0, "deg"), Q(0.0, "deg"))).problems()] == ["angle"]
    assert round_one.to_dict()["angle"]["value"] == 0.0
    assert round_one.field_map() is None
    place = FieldPlace(x=Q(1.0, "cm"), y=Q(-2.0, "mm"), radius_x=Measured(Q(100.0, "um"), Q(2.0, "um")))
    assert field_map([place]).common == 0.0
    (got,) = field_map([place]).places
    assert got == Place(x=10.0, y=-2.0, radius_x=pytest.approx(0.1), radius_y=None, angle=0.0, power=None, relative=pytest.approx(0.02))
    oval = replace(place, radius_y=Measured(Q(120.0, "um"), Q(2.0, "um")), angle=Q(90.0, "deg"), power=Q(0.2, "W"))
    (got,) = field_map([oval]).places
    assert (got.radius_y, got.angle, got.power) == pytest.approx((0.12, 0.5 * math.pi, 200.0))
    first, second = with_field(round_one, field_map([place, oval]).places).field
    assert (first.radius_y, first.angle, first.power, first.radius_x.relative) == (None, None, None, pytest.approx(0.02))
    assert (second.angle.m_as("deg"), second.power.m_as("W")) == pytest.approx((90.0, 0.2))
    assert (second.x.m_as("cm"), second.y.m_as("mm")) == pytest.approx((1.0, -2.0))
    part = replace(share("radius_x", "noise", 0.02), degrees_of_freedom=4.0)
    stage = (share("radius_x", f"{COMMON}stage", 0.03), share("radius_x", f"{COMMON}scale", 0.04), share("radius_y", f"{COMMON}stage", 0.5))
    assert replace(round_one, field=(place,), budget=(*stage, part)).field_map().common == pytest.approx(0.05)
    told = replace(round_one, budget=(part, share("radius_x", "stage", 0.01))).to_dict()["budget"]
    assert [one["degrees_of_freedom"] for one in told] == [4.0, None]


def test_the_machine_s_beam_and_its_measured_shape():
    machine = MACHINE.parse(FILES["machine"][1], source="m.toml")
    known = math.hypot(machine.beam_radius_scale_uncertainty, machine.beam_radius_repeatability)
    plain = machine_beam(machine)
    assert plain.round
    assert plain.radius_x.relative == pytest.approx(known)
    oval = machine_beam(replace(machine, radius_ratio=1.25, spot_angle=Measured(Q(30.0, "deg"), Q(1.0, "deg"))))
    assert float((oval.radius_y.value / oval.radius_x.value).m_as("")) == pytest.approx(1.25)
    assert (oval.radius_y.relative, oval.radius_correlation, oval.angle.m_as("deg")) == pytest.approx((known, 1.0, 30.0))
    assert spot_readings(machine) == {}
    assert set(spot_readings(replace(machine, spot_measurement="edge"))) == {"radius_ratio", "spot_angle", "field", "spot_measurement"}
    spot = BeamRecord(name="b", radius_x=Measured(Q(0.1, "mm"), Q(0.0, "mm")), method="knife-edge", measured_on=DAY)
    made = with_spot(machine, spot)
    assert (made.radius_ratio, made.spot_angle.value.m, made.spot_measurement) == (1.0, 0.0, "b, knife edge, 2026-03-01")
    other = with_spot(machine, replace(spot, radius_y=Measured(Q(0.08, "mm"), Q(0.0, "mm")), beam_quality=1.4))
    assert (other.radius_ratio, other.beam_quality) == (pytest.approx(0.8), 1.4)
    assert named_spot(machine) is None
    about = dict(replace(machine, beam_record="b.toml", radius_ratio=1.1).problems())
    assert "Keep the file, or the two" in about["beam_record"]
    turned = dict(replace(machine, beam_record="b.toml", spot_angle=Measured(Q(1.0, "deg"), Q(0.0, "deg"))).problems())
    assert "beam_record" in turned
    assert "beam_record" not in dict(replace(machine, beam_record="b.toml").problems())


def test_rounding_of_a_unit_does_not_turn_ends_round():
    machine = MACHINE.parse(FILES["machine"][1], source="m.toml")
    least = Q(machine.power.value.m_as("mW") / 1000.0, "W")
    for factor, wrong in ((1.0, False), (1.0 + 5e-13, False), (1.0 + 1e-9, True)):
        assert ("power" in dict(replace(machine, power_min=factor * least).problems())) is wrong


def test_a_beam_quality_below_one_is_not_kept():
    class Estimate:
        measured = Measured(Q(0.1, "mm"), Q(0.001, "mm"))
        parts = ()

    class Measurement:
        kind, source, sha256, angle, u_angle, wavelength = "caustic", "c.csv", "", Q(0.0, "deg"), Q(0.0, "deg"), None
        radius_x, radius_y, warnings, cautions = Estimate, None, (), ()

    for quality, kept in ((1.0, 1.0), (1.3, 1.3), (0.99, None), (None, None)):
        Measurement.quality = quality
        assert beam_record(Measurement, measured_on=DAY).beam_quality == kept
