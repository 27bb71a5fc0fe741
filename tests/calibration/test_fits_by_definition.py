"""What a fit says of its lot, by the definitions: intervals, common errors, wanted exposures, many lots at once, least numbers."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from curecalc.calibration.coupons import read_coupons
from curecalc.calibration.curve import fit_coupons, fit_working_curve
from curecalc.calibration.many import fit_lots
from curecalc.errors import QuantityError
from curecalc.units import Quantity as Q

X = np.log(np.repeat([14.0, 25.0, 45.0, 80.0], 2))
Y = 0.15 * (X - math.log(8.0)) + 0.003 * np.tile([1.0, -1.0], 4)
S2 = 8 * 0.003**2 / 6
SXX = float(((X - X.mean()) ** 2).sum())
T = stats.t.ppf(0.975, 6)


def fit(x=X, y=Y, **more):
    return fit_working_curve(exposure=Q(np.exp(x), "mJ/cm^2"), thickness=Q(y, "mm"), **more)


def fieller(depth, t=T, more=0.0):
    """Ends of ln E by the quadratic of the exact set: (line - depth)^2 = t^2 (s^2 (1/n + d^2/Sxx) + more)."""
    gap = 0.15 * (X.mean() - math.log(8.0)) - depth
    return np.sort(np.roots([0.15**2 - t * t * S2 / SXX, 2 * 0.15 * gap, gap**2 - t * t * (S2 / 8 + more)])) + X.mean()


def test_intervals_of_a_lot_and_errors_common_to_its_coupons():
    lot = fit(at_depth=Q(150.0, "um"))
    assert lot.penetration_depth.value.m_as("mm") == pytest.approx(0.15)
    assert lot.penetration_depth.standard_uncertainty.m_as("mm") == pytest.approx(math.sqrt(S2 / SXX))
    assert [q.m_as("mJ/cm^2") for q in lot.critical_exposure_interval] == pytest.approx(np.exp(fieller(0.0)))
    (wanted,) = lot.exposure_for_depth
    assert wanted.exposure.m_as("mJ/cm^2") == pytest.approx(8.0 * math.e)
    assert [q.m_as("mJ/cm^2") for q in wanted.mean_interval] == pytest.approx(np.exp(fieller(0.15)))
    assert [q.m_as("mJ/cm^2") for q in wanted.next_interval] == pytest.approx(np.exp(fieller(0.15, more=S2)))
    u = math.sqrt(S2 / 8 + (math.log(8.0) + 1 - X.mean()) ** 2 * S2 / SXX)
    assert wanted.mean_standard_uncertainty.m / wanted.exposure.m == pytest.approx(u / 0.15)
    assert wanted.next_standard_uncertainty.m / wanted.exposure.m == pytest.approx(math.sqrt(u * u + S2) / 0.15)
    narrow = fit(confidence=0.9)
    assert [q.m_as("mJ/cm^2") for q in narrow.critical_exposure_interval] == pytest.approx(np.exp(fieller(0.0, stats.t.ppf(0.95, 6))))
    # 3 % of a meter that will not set the machine, 6 um of a gauge: added in squares with 1.96
    away = fit(power_scale_uncertainty=0.03, thickness_bias_uncertainty=Q(6.0, "um"), same_machine=False, same_gauge=False)
    ends, common = fieller(0.0) - math.log(8.0), 1.959964**2 * (0.03**2 + 0.04**2)
    low, high = (math.log(q.m_as("mJ/cm^2") / 8.0) for q in away.critical_exposure_interval)
    assert (low, high) == pytest.approx((-math.sqrt(ends[0] ** 2 + common), math.sqrt(ends[1] ** 2 + common)), rel=1e-6)
    (far,) = fit(power_scale_uncertainty=0.03, same_machine=False, at_depth=Q(0.15, "mm")).exposure_for_depth
    assert far.mean_standard_uncertainty.m / far.exposure.m == pytest.approx(math.hypot(u / 0.15, 0.03))
    here = fit(power_scale_uncertainty=0.03, thickness_bias_uncertainty=Q(6.0, "um"))
    assert [q.m for q in here.critical_exposure_interval] == pytest.approx([q.m for q in lot.critical_exposure_interval])


def test_depths_of_a_fit_and_where_they_are_extrapolated():
    lot = fit()
    depth = lot.depth(Q(np.array([4.0, 8.0 * math.e]), "mJ/cm^2"))
    assert depth.value.m_as("mm") == pytest.approx([0.0, 0.15])
    u = math.sqrt(S2 / 8 + (math.log(8.0) + 1 - X.mean()) ** 2 * S2 / SXX)
    assert depth.standard_uncertainty.m_as("mm") == pytest.approx([0.0, u])
    for exposure, beyond in ((14.0001, False), (13.999, True), (79.999, False), (80.001, True)):
        assert lot.exposure(Q(0.15 * math.log(exposure / 8.0), "mm")).extrapolated == beyond
    with pytest.raises(QuantityError, match="no exposure a number can hold"):
        lot.exposure(Q(120.0, "mm"))


def test_many_lots_are_fitted_as_one_by_one():
    more = {"power_scale_uncertainty": 0.03, "thickness_bias_uncertainty": Q(6.0, "um"), "same_machine": False, "same_gauge": False}
    other = Y + 0.002 * np.array([1, 1, -1, -1, -1, -1, 1, 1.0])
    for confidence in (0.95, 0.9):
        lots = fit_lots(
            exposure=Q(np.exp(X), "mJ/cm^2"), thickness=Q(np.stack([Y, other]), "mm"), at_depth=Q(0.15, "mm"), confidence=confidence, **more
        )
        for i, y in enumerate((Y, other)):
            one = fit(y=y, at_depth=Q(0.15, "mm"), confidence=confidence, **more)
            (wanted,) = one.exposure_for_depth
            assert lots.penetration_depth[i].m == pytest.approx(one.penetration_depth.value.m_as("mm"))
            assert lots.critical_exposure[i].m == pytest.approx(one.critical_exposure.value.m)
            for ours, theirs in (
                (lots.penetration_depth_interval, one.penetration_depth_interval),
                (lots.critical_exposure_interval, one.critical_exposure_interval),
                (lots.mean_interval, wanted.mean_interval),
                (lots.next_coupon_interval, wanted.next_interval),
            ):
                assert [end[i].m for end in ours] == pytest.approx([end.m for end in theirs], rel=1e-6)
            assert lots.correlation[i] == pytest.approx(one.correlation)
            assert lots.residual_sd[i].m == pytest.approx(one.residual_sd.m_as("mm"))
    same = fit_lots(exposure=Q(np.exp(X), "mJ/cm^2"), thickness=Q(np.stack([Y, other]), "mm"), readings=np.full(8, 3))
    assert same.penetration_depth[1].m == pytest.approx(lots.penetration_depth[1].m)  # as many on each: plain
    lots = Q(np.stack([Y, other]), "mm")
    own = fit_lots(exposure=Q(np.exp([X, X]), "mJ/cm^2"), thickness=lots)  # exposures of each lot
    assert own.penetration_depth.m == pytest.approx(fit_lots(exposure=Q(np.exp(X), "mJ/cm^2"), thickness=lots).penetration_depth.m)
    for shape in ((3, 8), (1, 8), (7,), (2, 2, 8)):
        with pytest.raises(QuantityError, match="exposure has shape"):
            fit_lots(exposure=Q(np.full(shape, 20.0), "mJ/cm^2"), thickness=lots)
    for bad in (0.499, 1.0):
        with pytest.raises(QuantityError, match=rf"confidence must be at least 0\.5 and below 1, got {bad:g}"):
            fit_lots(exposure=Q(np.exp(X), "mJ/cm^2"), thickness=Q(np.stack([Y, other]), "mm"), confidence=bad)
        with pytest.raises(QuantityError, match=rf"confidence must be at least 0\.5 and below 1, got {bad:g}"):
            fit(confidence=bad)


def test_a_resin_keeps_the_wavelength_of_its_coupons():
    assert fit().resin().wavelength is None
    assert fit_coupons(replace(fit().coupons, wavelength=355.0)).resin().wavelength == Q(355.0, "nm")


def test_exposure_times_speed_is_one_number_to_a_thousandth():
    for off, told in ((0.0, True), (0.0009, True), (0.0011, False)):
        speed = 100.0 / np.exp(X)
        speed[3] *= 1.0 - off
        lot = fit_coupons(replace(fit().coupons, settings={"scan_speed": speed}), at_depth=Q(0.15, "mm"))
        assert (lot.exposure_for_depth[0].scan_speed is not None) == told


def test_chi_squared_of_stated_uncertainties():
    record = fit(thickness_uncertainty=Q(np.full(8, 0.003), "mm")).to_dict()["chi_squared"]
    assert record == {"value": pytest.approx(8.0), "p": pytest.approx(stats.chi2.sf(8.0, 6)), "degrees_of_freedom": 6}


def test_three_coupons_of_two_exposures_are_the_least():
    assert fit(X[[0, 0, 7]], Y[[0, 1, 7]]).line.degrees_of_freedom == 1
    with pytest.raises(QuantityError, match="at least three coupons, got 2"):
        fit(X[[0, 7]], Y[[0, 7]])
    with pytest.raises(QuantityError, match=r"got 2 \(4 readings, but readings of one coupon count once\)"):
        fit(X[[0, 0, 7, 7]], Y[[0, 0, 7, 7]], coupon=["a", "a", "b", "b"])
    with pytest.raises(QuantityError, match="all 3 coupons have the same exposure, 14 mJ/cm"):
        fit(X[[0, 0, 1]], Y[:3])


def test_speeds_for_a_depth_where_nothing_else_varied(tmp_path):
    """300 mW over 0.1 mm: 300000 mJ/cm^2 mm/s; a setting that varied leaves no one speed."""
    head = "# power = 300 mW, hatch_spacing = {h} mm, beam_radius = 0.1 mm\ncoupon,scan speed [mm/s],thickness [um]{more}\n"
    speeds = [20_000.0, 12_000.0, 7_000.0, 4_000.0]
    depths = [1000 * 0.15 * math.log(3e5 / v / 8.0) + d for v, d in zip(speeds, (1.0, -1.0, -1.0, 1.0))]

    def fitted(text):
        path = tmp_path / "lot.csv"
        path.write_text(text, encoding="utf-8")
        return fit_coupons(read_coupons(path), at_depth=Q(0.15, "mm")).exposure_for_depth[0]

    rows = [f"c{i},{v},{y:.4f}" for i, (v, y) in enumerate(zip(speeds, depths))]
    wanted = fitted(head.format(h=0.1, more="") + "\n".join(rows))
    assert wanted.scan_speed.m_as("mm/s") == pytest.approx(3e5 / wanted.exposure.m)
    for speeds_of, interval in (
        (wanted.mean_scan_speed_interval, wanted.mean_interval),
        (wanted.next_scan_speed_interval, wanted.next_interval),
    ):
        assert [q.m_as("mm/s") for q in speeds_of] == pytest.approx([3e5 / interval[1].m, 3e5 / interval[0].m])
    passes = [f"{row},{n}" for row, n in zip(rows, (1, 1, 1, 2))]
    assert fitted(head.format(h=0.1, more=",passes") + "\n".join(passes)).scan_speed is None
