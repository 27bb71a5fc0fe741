"""Knife edge, slit and pinhole, caustic, cured lines, power readings: what a fit must return whatever the scan looks like."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from curecalc.spot.caustic import caustic, coverage, defocus_window
from curecalc.spot.cured import cured_lines
from curecalc.spot.knife import clip_factor, knife_edge, knife_edge_power
from curecalc.spot.power import combine, power_reading, warm_up
from curecalc.spot.profile import pinhole_corrected, profile, slit_corrected, truncated_width
from curecalc.statistics.intervals import t_factor
from curecalc.statistics.least_squares import fit

DATA = Path(__file__).parents[2] / "reference" / "data"


def columns(name):
    with (DATA / name).open() as handle:
        rows = list(csv.DictReader(handle))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


# NIST StRD, certified values and standard deviations
CERTIFIED = {
    "nist_misra1a.csv": (
        lambda x: lambda p: (p[0] * (1 - np.exp(-p[1] * x)), np.stack([1 - np.exp(-p[1] * x), p[0] * x * np.exp(-p[1] * x)], axis=1)),
        ([500.0, 1e-4], [250.0, 5e-4]),
        [238.94212918, 5.5015643181e-4],
        [2.7070075241, 7.2668688436e-6],
        0.10187876330,
    ),
    "nist_danwood.csv": (
        lambda x: lambda p: (p[0] * x ** p[1], np.stack([x ** p[1], p[0] * x ** p[1] * np.log(x)], axis=1)),
        ([1.0, 5.0], [0.7, 4.0]),
        [0.76886226176, 3.8604055871],
        [0.01828197386, 0.051726610913],
        None,
    ),
}


@pytest.mark.parametrize("name", CERTIFIED)
@pytest.mark.parametrize("which", [0, 1])
def test_nonlinear_fit_agrees_with_certified_values(name, which):
    data = columns(name)
    model, starts, values, sd, residual_sd = CERTIFIED[name]
    found = fit(model(data["x"]), data["y"], starts[which])
    assert found.converged
    assert found.parameters == pytest.approx(values, rel=1e-9)
    assert found.sd == pytest.approx(sd, rel=1e-7)
    if residual_sd:
        assert found.residual_sd == pytest.approx(residual_sd, rel=1e-9)


def test_known_sigma_is_not_rescaled_by_the_scatter():
    # ISO/TS 28037:2010, page 13
    data = columns("iso28037_wls_equal.csv")
    x, y = data["x"], data["y"]
    line = lambda p: (p[0] + p[1] * x, np.stack([np.ones_like(x), x], axis=1))  # noqa: E731
    found = fit(line, y, [0.0, 1.0], sigma=np.full(6, 0.5), known_sigma=True)
    assert found.parameters == pytest.approx([1.866667, 1.757143], abs=5e-7)
    assert found.sd == pytest.approx([0.4654747, 0.1195229], abs=5e-8)


# ------------------------------------------------------------------ knife edge

lengths = st.floats(1e-3, 10.0)


@given(w=lengths, at=st.floats(-0.8, 0.8), full=st.floats(1e-3, 1e4), dark=st.floats(-1.0, 1.0), turn=st.booleans())
@settings(max_examples=40, deadline=None)
def test_knife_edge_recovers_truth_in_either_direction(w, at, full, dark, turn):
    x = np.linspace(-3.5 * w, 3.5 * w, 43)
    y = dark * full + full * knife_edge_power(x, w, at * w)
    got = knife_edge(x, y[::-1] if turn else y)
    assert got.radius == pytest.approx(w, rel=1e-7)
    assert got.centre == pytest.approx(-at * w if turn else at * w, abs=1e-6 * w)
    assert got.rising is not turn


def test_knife_edge_sees_through_tilt_and_source_drift():
    w, x = 0.125, np.linspace(-0.4, 0.4, 41)
    y = 0.3 + 0.2 * x + (5.0 - 1.5 * x) * knife_edge_power(x, w, 0.02)
    got = knife_edge(x, y)
    assert got.with_drift
    assert got.radius == pytest.approx(w, rel=1e-8)
    assert (got.tilt, got.drift) == (pytest.approx(0.2), pytest.approx(-1.5))
    assert knife_edge(x, y, drift=False).radius != pytest.approx(w, rel=1e-3)


def test_knife_edge_does_not_depend_on_order_units_or_sign():
    rng = np.random.default_rng(5)
    x = np.linspace(-0.4, 0.4, 41)
    y = knife_edge_power(x, 0.125, 0.0) + 0.01 * rng.standard_normal(41)
    base, shuffled = knife_edge(x, y), rng.permutation(41)
    assert knife_edge(x[shuffled], y[shuffled]).radius == pytest.approx(base.radius, rel=1e-9)
    assert knife_edge(1000 * x, 1e-3 * y).radius == pytest.approx(1000 * base.radius, rel=1e-7)
    assert knife_edge(-x, y).radius == pytest.approx(base.radius, rel=1e-7)
    assert knife_edge(x[shuffled], y[shuffled]).residuals == pytest.approx(base.residuals[shuffled], abs=1e-9)


def test_clip_estimate_is_high_at_coarse_steps_and_the_fit_is_not():
    w = 0.452  # two-point interpolation is 0.8 % high on the published grid, more where the steps fall worse
    highs = []
    for shift in np.linspace(0, 0.1, 11):
        x = np.arange(-1.2, 1.2, 0.1) + shift
        got = knife_edge(x, knife_edge_power(x, w, 0.0))
        assert got.radius == pytest.approx(w, rel=1e-7)
        highs.append(got.clip.radius / w - 1)
    assert min(highs) > 0.005
    assert max(highs) < 0.03


def test_noisier_bright_end_is_weighted():
    rng = np.random.default_rng(2)
    x = np.linspace(-0.4, 0.4, 61)
    s = knife_edge_power(x, 0.125, 0.0)
    assert knife_edge(x, s + 0.03 * s * rng.standard_normal(61) + 1e-3 * rng.standard_normal(61)).weighted
    assert not knife_edge(x, s + 0.01 * rng.standard_normal(61)).weighted


@given(low=st.floats(0.01, 0.45))
def test_clip_factor_is_the_inverse_of_the_edge(low):
    w = clip_factor(low)  # for a distance of one between the clip levels
    assert knife_edge_power(0.5, w, 0.0) - knife_edge_power(-0.5, w, 0.0) == pytest.approx(1 - 2 * low, abs=1e-12)


# ------------------------------------------------------------------ slit, pinhole, window


def slit_reading(x, w, s):
    return knife_edge_power(x + s / 2, w, 0.0) - knife_edge_power(x - s / 2, w, 0.0)


@pytest.mark.slow
@given(w=lengths, ratio=st.floats(0.01, 2.5), full=st.floats(1e-2, 1e3), dark=st.floats(-1, 1), tilt=st.floats(-1, 1))
@settings(max_examples=40, deadline=None)
@example(w=1.0, ratio=1.0, full=1.0, dark=0.0, tilt=2.2250738585e-313)  # steps that only rounding makes
def test_slit_profile_recovers_the_radius_whatever_the_slit(w, ratio, full, dark, tilt):
    s = ratio * w
    x = np.linspace(-4 * w - s, 4 * w + s, 61)
    y = full * (slit_reading(x, w, s) / ratio + dark + tilt * x / (8 * w))
    got = profile(x, y, slit_width=s)
    assert got.radius == pytest.approx(w, rel=1e-5)
    assert slit_corrected(got.measured_radius, s) == pytest.approx(w, rel=1e-5)


def test_second_moment_of_a_slit_profile_grows_by_a_third_of_the_slit_squared():
    w, s = 0.125, 0.1
    x = np.linspace(-1, 1, 4001)
    y = slit_reading(x, w, s)
    measured = 2 * math.sqrt((y * x * x).sum() / y.sum())
    assert slit_corrected(measured, s) == pytest.approx(w, rel=1e-9)


def test_second_moment_behind_a_round_pinhole_grows_by_a_quarter_of_the_diameter_squared():
    w, d, step = 0.125, 0.1, 0.002
    q = (np.arange(512) - 256) * step
    beam = np.exp(-2 * (q[None, :] ** 2 + q[:, None] ** 2) / w**2)
    hole = (np.hypot(q[None, :], q[:, None]) <= d / 2).astype(float)
    seen = np.fft.irfft2(np.fft.rfft2(beam) * np.fft.rfft2(np.fft.ifftshift(hole)), beam.shape).sum(axis=0)
    measured = 2 * math.sqrt((seen * q * q).sum() / seen.sum())
    assert pinhole_corrected(measured, d) == pytest.approx(w, rel=2e-3)


def test_truncated_width_agrees_with_numerical_integration():
    for a in (0.7, 1.0, 1.4, 2.5):
        x = np.linspace(-a, a, 200_001)
        y = np.exp(-2 * x * x)
        assert truncated_width(a) == pytest.approx(2 * math.sqrt((y * x * x).sum() / y.sum()), rel=1e-4)


def test_openings_wider_than_the_width_are_refused():
    with pytest.raises(ValueError, match="slit alone explains"):
        slit_corrected(0.05, 0.1)


# ------------------------------------------------------------------ caustic


@given(w0=st.floats(0.01, 1.0), zr=st.floats(1.0, 500.0), at=st.floats(-2, 2), relative=st.booleans())
@settings(max_examples=40, deadline=None)
def test_caustic_recovers_truth(w0, zr, at, relative):
    z = zr * np.linspace(-3, 3, 11)
    got = caustic(position=z, radius=np.hypot(w0, w0 / zr * (z - at * zr)), wavelength=355e-6, relative=relative)
    assert got.waist_radius == pytest.approx(w0, rel=1e-5)
    assert got.position == pytest.approx(at * zr, abs=1e-5 * zr)
    assert got.beam_quality == pytest.approx(math.pi * w0**2 / zr / 355e-6, rel=1e-5)
    assert got.radius_at(at * zr + got.rayleigh_range) == pytest.approx(math.sqrt(2) * w0, rel=1e-5)


def test_caustic_is_scale_free():
    rng = np.random.default_rng(1)
    z = np.linspace(-80, 80, 12)
    w = np.hypot(0.0625, 0.00235 * z) + 5e-4 * rng.standard_normal(12)
    a = caustic(position=z, radius=w, wavelength=355e-6)
    b = caustic(position=1e3 * z, radius=1e3 * w, wavelength=355e-3)
    assert b.beam_quality == pytest.approx(a.beam_quality, rel=1e-9)
    assert b.u_beam_quality == pytest.approx(a.u_beam_quality, rel=1e-7)


def test_coverage_counts():
    rule = coverage([-3, -2.5, -2, -1, -0.5, 0.5, 1, 2, 2.5, 3], 0.0, 1.0)
    assert (rule.within_one, rule.beyond_two, rule.between, rule.complete) == (4, 6, 0, True)
    assert not coverage([-3, -2.5, -2, -1, -0.5, 0.5, 1, 2, 2.5], 0.0, 1.0).complete
    assert not coverage(np.linspace(-1, 1, 12), 0.0, 1.0).complete


@given(w=st.floats(1.0, 8.0))
def test_defocus_window_gives_the_radius_at_its_ends(w):
    z, (near, far) = defocus_window(waist_radius=1.0, rayleigh_range=30.0, radius=w)
    assert math.hypot(1.0, z / 30.0) == pytest.approx(w)
    assert math.hypot(1.0, far / 30.0) == pytest.approx(1.05 * w)
    assert math.hypot(1.0, near / 30.0) == pytest.approx(0.95 * w if 0.95 * w > 1 else 1.05 * w)
    assert defocus_window(waist_radius=1.0, rayleigh_range=30.0, radius=0.99) is None


# ------------------------------------------------------------------ cured lines


def test_cured_lines_recover_radius_dp_and_ec_together():
    v = np.geomspace(200, 4000, 8)
    w, dp, p, ec = 0.125, 0.15, 100.0, 0.08
    v0 = math.sqrt(2 / math.pi) * p / (w * ec)
    width, depth = w * np.sqrt(2 * np.log(v0 / v)), dp * np.log(v0 / v)
    both = cured_lines(scan_speed=v, line_width=width, cure_depth=depth, power=p)
    assert (both.radius, both.penetration_depth, both.critical_exposure) == pytest.approx((w, dp, ec), rel=1e-6)
    alone = cured_lines(scan_speed=v, cure_depth=depth)
    assert alone.radius is None
    assert alone.penetration_depth == pytest.approx(dp, rel=1e-8)
    holes = np.where(np.arange(8) == 3, np.nan, width)
    assert cured_lines(scan_speed=v, line_width=holes, cure_depth=depth, power=p).radius == pytest.approx(w, rel=1e-6)


def test_widths_that_disagree_with_depths_are_noticed():
    rng = np.random.default_rng(8)
    v = np.geomspace(200, 3000, 10)
    depth = 0.15 * np.log(8000 / v) + 0.004 * rng.standard_normal(10)
    width = 0.125 * np.sqrt(2 * np.log(8000 / v)) + 0.003 * rng.standard_normal(10)
    assert cured_lines(scan_speed=v, line_width=width, cure_depth=depth).agreement_p > 0.01
    grown = width + 0.08  # lines that spread: the threshold model no longer holds
    assert cured_lines(scan_speed=v, line_width=grown, cure_depth=depth).agreement_p < 0.001


# ------------------------------------------------------------------ power


def test_student_factors_of_the_table():
    # JCGM 100 table G.2
    for nu, t in ((1, 12.706), (3, 3.182), (8, 2.306), (10, 2.228)):
        assert t_factor(0.95, nu) == pytest.approx(t, abs=5e-4)
    assert t_factor(0.95, math.inf) == pytest.approx(1.960, abs=5e-4)


def test_type_a_of_plain_readings():
    y = np.array([299.1, 300.4, 300.0, 299.5, 301.0])
    got = power_reading(reading=y, calibration=0.02, losses=[("window", 0.04, 0.005)])
    assert got.value == pytest.approx(y.mean() * 0.96)
    a, b, c = y.std(ddof=1) / math.sqrt(5) * 0.96, 0.02 * got.value, got.value * 0.005 / 0.96
    assert got.standard_uncertainty == pytest.approx(math.sqrt(a * a + b * b + c * c))
    assert got.effective_dof == pytest.approx(got.standard_uncertainty**4 / (a**4 / 4))


def test_warm_up_is_left_out_and_steady_readings_are_not():
    rng = np.random.default_rng(4)
    t = np.arange(60.0) * 5
    rise = 100 - 6 * np.exp(-t / 30) + 0.3 * rng.standard_normal(60)
    got = power_reading(reading=rise, time=t)
    assert 10 < got.left_out < 40
    assert got.warm_up_change < -0.03
    assert abs(got.value - 100) < t_factor(0.95, got.effective_dof) * got.standard_uncertainty
    assert power_reading(reading=rise, time=t, keep_warm_up=True).left_out == 0
    assert sum(warm_up(100 + 0.3 * rng.standard_normal(30)) > 0 for _ in range(200)) <= 4


def test_a_drift_that_never_ends_is_not_left_out_but_counted():
    rng = np.random.default_rng(4)
    got = power_reading(reading=np.linspace(100, 96, 40) + 0.1 * rng.standard_normal(40))
    assert got.left_out == 0
    assert got.drift == pytest.approx(-0.04, abs=0.005)
    assert "drift (Type B)" in [name for name, _, _ in got.components]
    assert got.standard_uncertainty > 1.0


def test_readings_that_follow_each_other_count_for_less():
    rng = np.random.default_rng(6)
    walk = np.convolve(rng.standard_normal(220), np.ones(12) / 12, mode="valid")[:200]
    got = power_reading(reading=100 + walk)
    assert got.correlation > 0.5
    assert got.type_a > 2 * got.sd / math.sqrt(got.readings)


def test_welch_satterthwaite_of_one_sure_part():
    assert combine(uncertainties=[0.0, 2.0], degrees_of_freedom=[3, math.inf]) == (2.0, math.inf)
    assert combine(uncertainties=[0.0], degrees_of_freedom=[3]) == (0.0, math.inf)
