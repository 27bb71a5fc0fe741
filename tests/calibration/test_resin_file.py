"""The resin file: round trip of a fit, the three forms of a data sheet, assurance from the stored numbers."""

import math
import re

import numpy as np
import pytest

from curecalc.calibration.coupons import coupons_from_bytes
from curecalc.calibration.curve import fit_coupons
from curecalc.calibration.datasheet import from_two_depths, unverified_line
from curecalc.errors import FileError, NoSolution, QuantityError
from curecalc.jobs.fitted import lot_of_fit, resin_text, save_fit
from curecalc.jobs.lot import RESIN, read_resin
from curecalc.statistics.intervals import inverse, t_quantile
from curecalc.statistics.working_line import WorkingLine, assured_log_exposure, covariance, depth_at, line_of
from curecalc.units import Quantity as Q

TABLE = (
    "# resin = invented amber, lot = 7, machine = north, power_meter = PM-2\n# wavelength = 355 nm, power = 300 mW\n"
    "# hatch_spacing = 0.1 mm\ncoupon,thickness [um],scan_speed [mm/s],temperature [degC]\n"
    "1,160,13000,23\n2,163,13000,23\n3,215,9000,24\n4,222,9000,24\n5,279,6000,24\n6,274,6000,25\n7,340,4000,25\n8,334,4000,24\n"
)


def fit(**more):
    return fit_coupons(coupons_from_bytes("coupons.csv", TABLE.encode()), **more)


def test_round_trip_keeps_every_number(tmp_path):
    one = fit(power_scale_uncertainty=0.03, thickness_bias_uncertainty=Q(2.0, "um"), exclude=["2"])
    path = save_fit(tmp_path / "resin.toml", one)
    back = read_resin(path)
    assert back.verified
    for name in WorkingLine.__dataclass_fields__:
        assert getattr(back.line, name) == pytest.approx(getattr(one.working_line, name), rel=1e-12)
    assert back.resin.penetration_depth.value.m == one.penetration_depth.value.m
    assert back.resin.correlation == one.correlation
    assert back.resin.wavelength.m_as("nm") == 355.0
    assert back.resin.temperature.m_as("degC") == pytest.approx(24.14, abs=0.01)
    assert (back.resin.name, back.lot, back.machine, back.power_meter) == ("invented amber", "7", "north", "PM-2")
    assert (back.power_scale_uncertainty, back.thickness_bias_uncertainty.m_as("um")) == (0.03, pytest.approx(2.0))
    assert back.raster
    assert back.varied == ("scan_speed",)
    assert back.data_sha256 == one.coupons.sha256
    assert back.depth_range[0].m == pytest.approx(0.160)
    with pytest.raises(FileError, match="stands already"):
        save_fit(path, one)
    save_fit(path, one, overwrite=True)


def test_covariance_follows_from_the_stored_numbers():
    one = fit()
    back = lot_of_fit(one)
    np.testing.assert_allclose(covariance(line_of(back.line)), one.covariance, rtol=1e-9)


def test_inverse_prediction_can_be_redone_from_the_file():
    one = fit(at_depth=Q(0.2, "mm"))
    line = lot_of_fit(one).line
    again = inverse(line_of(line), 0.2, future_variance=line.coupon_variance)
    wanted = one.exposure_for_depth[0]
    assert np.exp(again.value) == pytest.approx(wanted.exposure.m, rel=1e-10)
    assert np.exp([again.low, again.high]) == pytest.approx([q.m for q in wanted.next_interval], rel=1e-9)


def test_stated_uncertainties_leave_out_the_degrees_of_freedom():
    text = TABLE.replace("# hatch", "# thickness_standard_uncertainty = 4 um\n# hatch")
    one = fit_coupons(coupons_from_bytes("c.csv", text.encode()))
    assert "t_degrees_of_freedom" not in resin_text(one, name="x").replace("degrees_of_freedom = 6", "")
    assert lot_of_fit(one).line.t_degrees_of_freedom == math.inf


def test_a_resin_without_a_wavelength_says_so_wherever_it_is_used():
    one = fit_coupons(coupons_from_bytes("c.csv", TABLE.replace("wavelength = 355 nm, ", "").encode()))
    assert any("does not say at which wavelength" in note for note in lot_of_fit(one, name="x").resin.notes)
    assert lot_of_fit(one, name="x", wavelength=Q(405.0, "nm")).resin.wavelength.m == 405.0


def test_what_is_given_must_not_contradict_the_table():
    one = fit()
    for more, words in (
        ({"wavelength": Q(405.0, "nm")}, "wavelength is 405 nm, but the coupon table says 355 nm"),
        ({"names": {"lot": "8"}}, "lot is '8', but the coupon table says '7'"),
    ):
        with pytest.raises(QuantityError, match=words):
            resin_text(one, name="x", **more)
    assert 'lot = "7"' in resin_text(one, name="x", names={"lot": "7", "gauge": "g"}, wavelength=Q(355.0, "nm"))


def sheet(text):
    return RESIN.parse(f'schema = 1\nname = "d"\nwavelength = "355 nm"\n{text}', source="r.toml")


ONE = '[[depths]]\ndepth = "0.15 mm"\nexposure = "{}"\n'


def test_the_three_forms_of_a_data_sheet_agree_and_are_marked():
    ec = 8.0
    e150, e300 = (f"{ec * math.exp(d / 0.15):.12g} mJ/cm^2" for d in (0.15, 0.3))
    two = ONE.format(e150) + ONE.format(e300).replace("0.15", "0.3")
    for text in (
        'penetration_depth = "0.15 mm"\ncritical_exposure = "8 mJ/cm^2"',
        f'critical_exposure = "8 mJ/cm^2"\n{ONE.format(e150)}',
        two,
    ):
        lot = sheet(text)
        assert not lot.verified
        assert lot.resin.penetration_depth.value.m == pytest.approx(0.15, rel=1e-9)
        assert lot.resin.critical_exposure.value.m == pytest.approx(8.0, rel=1e-9)
        assert lot.resin.penetration_depth.relative == pytest.approx(0.2, rel=1e-9)
        assert lot.resin.critical_exposure.relative == pytest.approx(0.5, rel=1e-9)
        assert "Unverified" in lot.warnings[0]


def test_a_stated_uncertainty_of_a_data_sheet_is_widened_not_replaced():
    lot = sheet('penetration_depth = "0.15 mm +- 0.03 mm"\ncritical_exposure = "8 mJ/cm^2 +- 2 mJ/cm^2"\ncorrelation = 0.5')
    assert lot.resin.penetration_depth.relative == pytest.approx(math.hypot(0.2, 0.2))
    assert lot.resin.critical_exposure.relative == pytest.approx(math.hypot(0.25, 0.5))
    matrix = covariance(line_of(lot.line))
    assert matrix[0, 1] == pytest.approx(0.5 * 0.03 * 0.25, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "none of the three forms"),
        ('critical_exposure = "8 mJ/cm^2"', "or critical_exposure and one entry of depths"),
        ('penetration_depth = "0.15 mm"', "penetration_depth and critical_exposure"),
        (ONE.format("21 mJ/cm^2"), "or two entries of depths"),
        ('critical_exposure = "30 mJ/cm^2"\n' + ONE.format("21 mJ/cm^2"), "must be above the critical exposure"),
        (ONE.format("21 mJ/cm^2") + ONE.format("16 mJ/cm^2").replace("0.15", "0.3"), "the deeper the larger"),
        ('penetration_depth = "0.15"\ncritical_exposure = "8 mJ/cm^2"', "penetration_depth"),
        ('penetration_dept = "0.15 mm"', "penetration_depth"),
        ('penetration_depth = "0.15 mm"\ncritical_exposure = "8 mJ/cm^2"\ncorrelation = 2.0', "correlation"),
        ('penetration_depth = "0.15 mm"\ncritical_exposure = "8 mJ/cm^2"\n[fit]\ncoupons = 8\n', "fit"),
    ],
)
def test_resin_files_that_cannot_be_used(text, words):
    with pytest.raises(FileError, match=words) as caught:
        sheet(text)
    assert str(caught.value).startswith("r.toml")


def test_two_depths_by_arithmetic():
    assert from_two_depths(depths=(0.1, 0.2), log_exposures=(2.0, 3.0)) == pytest.approx((0.1, 1.0))


# ---------------------------------------------------------------- depth and assurance


def line():
    return lot_of_fit(fit()).line


@pytest.mark.parametrize("single", [True, False])
@pytest.mark.parametrize("assurance", [0.5, 0.9, 0.95, 0.99])
def test_at_the_assured_exposure_the_lower_bound_is_the_wanted_depth(single, assurance):
    w = line()
    wanted = np.array([0.12, 0.2, 0.3])
    x = assured_log_exposure(w, wanted, assurance=assurance, single=single, more_variance=1e-5)
    depth, mean_sd, single_sd = depth_at(w, x)
    u = np.sqrt((single_sd if single else mean_sd) ** 2 + 1e-5)
    np.testing.assert_allclose(depth - t_quantile(assurance, w.t_degrees_of_freedom) * u, wanted, rtol=1e-9)


def test_assurance_costs_exposure_and_single_layers_cost_more():
    w = line()
    x = [assured_log_exposure(w, 0.2, assurance=a) for a in (0.5, 0.9, 0.99)]
    assert x[0] < x[1] < x[2]
    assert assured_log_exposure(w, 0.2, single=False) < assured_log_exposure(w, 0.2, single=True)
    assert x[0] == pytest.approx(w.log_threshold + 0.2 / w.penetration_depth)


def test_a_slope_not_told_from_zero_assures_nothing():
    bad = unverified_line(
        penetration_depth=0.15, log_threshold=2.0, relative_penetration_depth=0.6, relative_critical_exposure=0.0, correlation=0.0
    )
    with pytest.raises(NoSolution, match="not told from zero"):
        assured_log_exposure(bad, 0.2, assurance=0.99)
    with pytest.raises(QuantityError, match="assurance must be"):
        assured_log_exposure(bad, 0.2, assurance=0.3)


def test_assured_depth_is_kept_in_the_stated_share_of_lots():
    """20,000 simulated lots of 6 coupons: a single layer at each lot's assured exposure reaches the depth 95 % of the time."""
    from curecalc.statistics.line import ordinary_line
    from curecalc.statistics.working_line import working_line

    rng = np.random.default_rng(12)
    dp, lec, s = 0.15, math.log(8.0), 0.005
    x = np.log(np.geomspace(14, 70, 6))
    lots = ordinary_line(x, dp * (x - lec) + rng.normal(0, s, (20_000, 6)))
    reached = {True: 0, False: 0}
    for i in range(0, 20_000, 5):
        one = WorkingLine(
            lots.slope[i],
            lots.x_mean[i] - lots.y_mean[i] / lots.slope[i],
            lots.x_mean[i],
            lots.scale[i] / 6,
            lots.scale[i] / lots.sxx[i],
            lots.scale[i],
            4.0,
            x[0],
            x[-1],
        )
        for single in (True, False):
            at = assured_log_exposure(one, 0.2, assurance=0.95, single=single)
            layer = dp * (at - lec) + (rng.normal(0, s) if single else 0.0)
            reached[single] += layer >= 0.2
    assert reached[True] / 4000 == pytest.approx(0.95, abs=0.011)  # three standard errors
    assert reached[False] / 4000 == pytest.approx(0.95, abs=0.011)
    assert working_line(ordinary_line(x, dp * (x - lec)), x_low=0, x_high=1).penetration_depth == pytest.approx(dp)


@pytest.mark.parametrize("key", ["critical_exposure", "penetration_depth", "correlation"])
@pytest.mark.parametrize("known", [True, False])
def test_a_value_changed_by_hand_since_its_fit_is_remarked(key, known, tmp_path):
    """One per cent of a value. Without the mean depth in the file it shows in the correlation: ln Ec is the centre less that depth over
    Dp, so its correlation with Dp follows from their variances by propagation (JCGM 100, 5.2); a change of Dp alone does not.
    """
    path = save_fit(tmp_path / "resin.toml", fit())
    text = path.read_text(encoding="utf-8")
    if not known:
        text = re.sub(r"(?m)^centre_depth = .*\n", "", text)
        path.write_text(text, encoding="utf-8")
    assert not any("changed by hand" in said for said in read_resin(path).warnings)
    edited = re.sub(rf'(?m)^({key} = "?)([0-9.]+)', lambda found: f"{found[1]}{1.01 * float(found[2])!r}", text)
    assert edited != text
    path.write_text(edited, encoding="utf-8")
    assert any("changed by hand" in said for said in read_resin(path).warnings) is (known or key != "penetration_depth")
