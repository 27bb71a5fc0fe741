"""Laws every kernel must keep for any input: round trips, scaling, monotony, limits, arrays equal to scalars."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from curecalc.physics import laws, line, raster, spot, stack, tilt

PROVE = settings(max_examples=80, deadline=None)


def between(low, high):
    """Positive numbers spread evenly over the decades."""
    return st.floats(math.log(low), math.log(high)).map(math.exp)


P, W0, V, H = between(0.1, 1e3), between(5e-3, 1.0), between(1.0, 2e4), between(5e-3, 2.0)
DP, EC, CD, T = between(0.02, 1.0), between(1e-3, 1.0), between(1e-3, 3.0), between(0.01, 0.5)
S = between(0.05, 20.0)
W = st.floats(0.3, 2.0)
ANGLE = st.floats(-7.0, 7.0)
K = between(0.01, 100.0)


# round trips: solve, then evaluate


@PROVE
@given(P, W0, DP, EC, CD)
def test_speed_for_a_depth_gives_the_depth(p, w0, dp, ec, cd):
    assume(cd / dp < 200.0)
    v = line.scan_speed(p, w0, dp, ec, cd)
    assert laws.Plain(dp, ec).depth(line.scan_exposure(p, w0, v)) == pytest.approx(cd, rel=1e-9, abs=1e-12)


@PROVE
@given(P, W0, V, between(1e-4, 10.0))
def test_speed_and_power_for_an_exposure_give_it(p, w0, v, e):
    assert line.scan_exposure(p, w0, line.speed_for_exposure(p, w0, e)) == pytest.approx(e, rel=1e-14, abs=0.0)
    assert line.scan_exposure(line.power_for_exposure(e, w0, v), w0, v) == pytest.approx(e, rel=1e-14, abs=0.0)


@PROVE
@given(CD, DP, EC, W, between(1e-3, 1e3))
def test_dose_for_a_depth_gives_the_depth_in_every_model(cd, dp, ec, w, eb):
    assume(cd / dp < 300.0)
    assert laws.Plain(dp, ec).depth(laws.Plain(dp, ec).dose(cd)) == pytest.approx(cd, rel=1e-9, abs=1e-13)
    assert laws.Threshold(dp, ec, w).depth(laws.Threshold(dp, ec, w).dose(cd)) == pytest.approx(cd, rel=1e-9, abs=1e-13)
    dose = laws.Bleaching(dp, ec, eb).dose(cd)
    # where the initiator is used up the depth follows the dose in tiny steps: the dose is compared there
    assert laws.Bleaching(dp, ec, eb).depth(dose) == pytest.approx(cd, rel=1e-9, abs=1e-12 * (1.0 + dose / eb) * dp)


@PROVE
@given(between(1.01, 1e6), DP, EC, W, between(0.05, 100.0))
def test_what_is_left_at_the_depth_is_the_critical_dose(ratio, dp, ec, w, eb_ratio):
    e, eb = ratio * ec, eb_ratio * ec
    assume(e / eb < 500.0)
    assert laws.Plain(dp, 1.0).below(e, laws.Plain(dp, ec).depth(e)) == pytest.approx(ec, rel=1e-9, abs=0.0)
    assert laws.Threshold(dp, 1.0, w).below(e, laws.Threshold(dp, ec, w).depth(e)) == pytest.approx(ec, rel=1e-9, abs=0.0)
    depth = laws.Bleaching(dp, ec, eb).depth(e)
    assert laws.Bleaching(dp, 1.0, eb).below(e, depth) == pytest.approx(ec, rel=1e-9, abs=0.0)


@PROVE
@given(S)
def test_spacing_for_a_valley_gives_the_valley(s):
    level = raster.valley(s) * math.sqrt(math.pi / 2) / s
    assume(level > 1e-290)
    assert raster.spacing_ratio(level) == pytest.approx(s, rel=1e-11, abs=0.0)


@PROVE
@given(between(1.0, 100.0), W0, between(0.1, 100.0))
def test_defocus_for_a_radius_gives_the_radius(times, w0, zr):
    z = spot.defocus_for_radius(times * w0, w0, zr)
    assert spot.caustic_radius(z, w0, zr) == pytest.approx(times * w0, rel=1e-9, abs=0.0)
    assert spot.caustic_radius(-z, w0, zr) == spot.caustic_radius(z, w0, zr)


# scaling


@PROVE
@given(P, W0, V, K)
def test_exposure_scales_with_power_and_falls_with_speed_and_width(p, w0, v, k):
    e = line.scan_exposure(p, w0, v)
    for other in (line.scan_exposure(k * p, w0, v), line.scan_exposure(p, w0 / k, v), line.scan_exposure(p, w0, v / k)):
        assert other == pytest.approx(k * e, rel=1e-14, abs=0.0)
    assert raster.mean_exposure(k * p, v, k * w0) == pytest.approx(raster.mean_exposure(p, v, w0), rel=1e-14, abs=0.0)


@PROVE
@given(between(1.0, 1e4), DP, EC, K)
def test_depth_knows_only_the_ratio_of_exposures_and_scales_with_dp(ratio, dp, ec, k):
    cd = laws.Plain(dp, ec).depth(ratio * ec)
    assert laws.Plain(dp, ec * k).depth(ratio * ec * k) == pytest.approx(cd, rel=1e-12, abs=1e-14)
    assert laws.Plain(k * dp, ec).depth(ratio * ec) == pytest.approx(k * cd, rel=1e-12, abs=1e-14)
    # N equal passes: Dp ln N deeper
    assert laws.Plain(dp, ec).depth(7 * ratio * ec) - cd == pytest.approx(dp * math.log(7.0), rel=1e-10, abs=0.0)


@PROVE
@given(P, W0, W0, V, W, K, between(0.1, 1e3))
def test_power_threshold_dose_scales(p, along, perp, v, w, k, i_ref):
    s = line.equivalent_exposure(p, along, perp, v, w, i_ref)
    assert line.equivalent_exposure(k * p, along, perp, v, w, i_ref) == pytest.approx(k**w * s, rel=1e-11, abs=0.0)
    assert line.equivalent_exposure(p, along, perp, k * v, w, i_ref) == pytest.approx(s / k, rel=1e-12, abs=0.0)
    assert line.equivalent_exposure(p, along, perp, v, w, k * i_ref) == pytest.approx(s * k ** (1.0 - w), rel=1e-11, abs=0.0)
    # a spot k times as long along the track irradiates k times as long, 1/k as brightly
    assert line.equivalent_exposure(p, k * along, perp, v, w, i_ref) == pytest.approx(s * k ** (1.0 - w), rel=1e-11, abs=0.0)


@PROVE
@given(P, W0, W0, V, between(0.1, 1e3))
def test_w_of_1_is_the_plain_law_whatever_the_reference(p, along, perp, v, i_ref):
    want = line.scan_exposure(p, perp, v)
    assert line.equivalent_exposure(p, along, perp, v, 1.0, i_ref) == pytest.approx(want, rel=1e-13, abs=0.0)
    assert line.equivalent_exposure(p, along, perp, v, 1.0 + 1e-9, i_ref) == pytest.approx(want, rel=1e-7, abs=0.0)
    assert laws.Threshold(0.1, 1.0, 1.0).depth(3.0) == laws.Plain(0.1, 1.0).depth(3.0)


@PROVE
@given(between(1e-3, 10.0), CD, DP, W0)
def test_the_cured_section_is_as_wide_as_its_width(fraction, cd, dp, w0):
    z = cd * min(fraction, 0.999)
    e, needed = laws.Plain(dp, 1.0).dose(min(cd, 300 * dp)), laws.Plain(dp, 1.0).dose(min(z, 300 * dp))
    assume(cd < 300 * dp)
    half = 0.5 * line.line_width(e, needed, w0)
    assert line.section_depth(half, cd, dp, w0) == pytest.approx(z, rel=1e-9, abs=1e-12 * cd)
    assert line.section_depth(-half, cd, dp, w0) == line.section_depth(half, cd, dp, w0)


# monotony


@PROVE
@given(S, between(1.0001, 2.0))
def test_the_valley_falls_and_the_ridge_rises_with_spacing(s, more):
    assert raster.valley(s * more) <= raster.valley(s) * (1 + 1e-15)
    assert raster.ridge(s * more) >= raster.ridge(s) * (1 - 1e-15)
    over = lambda f, x: f(x) / x  # noqa: E731  over one line's peak both fall
    assert over(raster.ridge, s * more) <= over(raster.ridge, s) * (1 + 1e-15)
    assert over(raster.valley, s * more) < over(raster.valley, s)


@PROVE
@given(S, st.floats(-30.0, 30.0))
def test_the_profile_lies_between_valley_and_ridge_and_repeats(s, u):
    value = raster.profile(u, s)
    assert raster.valley(s) * (1 - 1e-14) <= value <= raster.ridge(s) * (1 + 1e-14)
    assert raster.profile(-u, s) == value
    assert raster.profile(math.floor(u) + 0.5, s) == raster.valley(s)
    assert raster.ripple(s) == pytest.approx(raster.ridge(s) - raster.valley(s), rel=1e-9, abs=1e-15)


@PROVE
@given(between(1.0, 1e5), between(1.0001, 3.0), DP, EC, between(0.1, 100.0), W)
def test_depth_grows_with_dose_and_falls_with_the_threshold(ratio, more, dp, ec, eb_ratio, w):
    e, eb = ratio * ec, eb_ratio * ec
    assert laws.Plain(dp, ec).depth(e * more) > laws.Plain(dp, ec).depth(e)
    assert laws.Plain(dp, ec * more).depth(e) <= laws.Plain(dp, ec).depth(e)
    assert laws.Threshold(dp, ec, w).depth(e * more) > laws.Threshold(dp, ec, w).depth(e)
    assert laws.Bleaching(dp, ec, eb).depth(e * more) > laws.Bleaching(dp, ec, eb).depth(e)
    # a bleaching initiator lets light through: never shallower than the plain curve
    assert laws.Bleaching(dp, ec, eb).depth(e) >= laws.Plain(dp, ec).depth(e) * (1 - 1e-12) - 1e-14 * dp


@PROVE
@given(st.floats(0.0, 1.3), st.floats(1.01, 3.0))
def test_reflection_and_refraction_keep_their_bounds(theta, n):
    s, p, mean = tilt.fresnel_loss(theta, n)
    slack = 1e-15 * math.sqrt(s)  # alike straight from above, but for rounding: a square of what is rounded to a few parts in 1e16
    assert 0.0 <= p <= mean + slack <= s + 2.0 * slack <= 1.0
    assert tilt.refraction_angle(theta, n) <= theta
    assert n * math.sin(tilt.refraction_angle(theta, n)) == pytest.approx(math.sin(theta), rel=1e-12, abs=1e-15)
    assert tilt.vertical_factor(theta, n) == pytest.approx(math.cos(tilt.refraction_angle(theta, n)), rel=1e-12, abs=0.0)
    assert tilt.concentration(theta, n) * math.cos(tilt.refraction_angle(theta, n)) == pytest.approx(1.0, rel=1e-12, abs=0.0)
    assert tilt.transmission_ratio(theta, n) <= 1.0 + 0.03  # p light may gain a little before s takes over
    assert tilt.footprint_factor(theta) >= 1.0


# limits


@PROVE
@given(P, W0, V)
def test_a_spacing_to_zero_is_a_flat_field(p, w0, v):
    for s in (0.3, 0.1, 0.01, 1e-6):
        assert raster.ridge(s) == pytest.approx(1.0, abs=2.1 * math.exp(-0.5 * (math.pi / s) ** 2) + 1e-15)
        assert raster.valley(s) == pytest.approx(1.0, abs=2.1 * math.exp(-0.5 * (math.pi / s) ** 2) + 1e-15)
    # and a spacing to infinity is one line
    h = 50.0 * w0
    assert raster.mean_exposure(p, v, h) * raster.ridge(50.0) == pytest.approx(line.scan_exposure(p, w0, v), rel=1e-14, abs=0.0)


@PROVE
@given(between(1.1, 1e3), DP, EC, st.floats(7.0, 12.0))
def test_a_bleaching_exposure_to_infinity_is_the_plain_curve(ratio, dp, ec, decades):
    e, eb = ratio * ec, ratio * ec * 10.0**decades
    assert laws.Bleaching(dp, ec, eb).depth(e) == pytest.approx(laws.Plain(dp, ec).depth(e), rel=1e-6, abs=0.0)
    assert laws.Bleaching(dp, ec, eb).dose(0.1) == pytest.approx(laws.Plain(dp, ec).dose(0.1), rel=1e-4, abs=0.0)
    assert laws.Bleaching(dp, 1.0, eb).below(e, 0.1) == pytest.approx(laws.Plain(dp, 1.0).below(e, 0.1), rel=1e-6, abs=0.0)
    assert laws.bleaching_transmission(e, dp, dp, eb) == pytest.approx(math.exp(-1.0), rel=1e-6, abs=0.0)


@PROVE
@given(T, DP, st.integers(1, 200))
def test_a_stack_to_infinity_and_layers_to_nothing(t, dp, n):
    assume(t / dp < 30.0)
    many = stack.accumulation(10**9, t, dp)
    assert stack.accumulation(math.inf, t, dp) == pytest.approx(many, rel=1e-13, abs=0.0)
    assert stack.accumulation(1, t, dp) == pytest.approx(1.0, rel=1e-14, abs=0.0)
    assert stack.accumulation(n, 1e-13 * t, dp) == pytest.approx(n, rel=1e-9, abs=0.0)
    assert stack.accumulation(n + 1, t, dp) == pytest.approx(1.0 + math.exp(-t / dp) * stack.accumulation(n, t, dp), rel=1e-12)
    law = laws.Plain(dp, 1.0)
    assert stack.print_through(law, law.dose(0.2), t, 1) == pytest.approx(0.2 - t, abs=1e-14)


@PROVE
@given(W0, ANGLE, ANGLE, st.floats(0.0, 1.2))
def test_an_ellipse_to_round_and_a_tilt_to_zero(w, angle, track, theta):
    round_spot = spot.spot_matrix(w, w, angle)
    assert spot.perpendicular_radius(round_spot, track) == pytest.approx(w, rel=1e-13, abs=0.0)
    assert spot.along_radius(round_spot, track) == pytest.approx(w, rel=1e-13, abs=0.0)
    same = spot.stretched(spot.spot_matrix(w, 1.7 * w, angle), tilt.footprint_factor(0.0), track)
    assert same == pytest.approx(spot.spot_matrix(w, 1.7 * w, angle), rel=1e-13, abs=1e-16)
    tilted = spot.stretched(round_spot, tilt.footprint_factor(theta), angle)
    # along the lean the line keeps W0, across it the line is as wide as the footprint is long
    assert spot.perpendicular_radius(tilted, angle) == pytest.approx(w, rel=1e-11, abs=0.0)
    assert spot.perpendicular_radius(tilted, angle + 0.5 * math.pi) == pytest.approx(w / math.cos(theta), rel=1e-11, abs=0.0)


@PROVE
@given(W0, W0, ANGLE, ANGLE, ANGLE)
def test_turning_spot_and_track_together_changes_nothing(wx, wy, angle, track, turn):
    assume(0.05 < wx / wy < 20.0)
    before = spot.perpendicular_radius(spot.spot_matrix(wx, wy, angle), track)
    assert spot.perpendicular_radius(spot.spot_matrix(wx, wy, angle + turn), track + turn) == pytest.approx(before, rel=1e-11)
    assert min(wx, wy) * (1 - 1e-11) <= before <= max(wx, wy) * (1 + 1e-11)
    swapped = spot.perpendicular_radius(spot.spot_matrix(wy, wx, angle + 0.5 * math.pi), track)
    assert swapped == pytest.approx(before, rel=1e-11, abs=0.0)


@PROVE
@given(W0, st.floats(-3.0, 3.0), between(30.0, 1e3))
def test_a_long_segment_is_an_endless_line_inside_and_half_at_its_end(w0, u, long):
    length = long * w0
    assert line.segment_factor(0.5 * length + u * w0, length, w0) == pytest.approx(1.0, rel=1e-14, abs=0.0)
    assert line.segment_factor(0.0, length, w0) == pytest.approx(0.5, rel=1e-14, abs=0.0)
    assert line.segment_factor(u * w0, length, w0) == pytest.approx(line.segment_factor(length - u * w0, length, w0), rel=1e-9)
    # two segments end to end are one
    half = line.segment_factor(u * w0, 2 * w0, w0) + line.segment_factor(u * w0 - 2 * w0, 3 * w0, w0)
    assert half == pytest.approx(line.segment_factor(u * w0, 5 * w0, w0), rel=1e-12, abs=0.0)


# arrays


def of(law, method, fields):
    """A law's method as one function: first what it is asked, then the law's fields."""

    def kernel(*given_):
        return getattr(law(*given_[-fields:]), method)(*given_[:-fields])

    kernel.__name__ = f"{law.__name__}.{method}"
    return kernel


KERNELS = {
    of(laws.Plain, "depth", 2): "3 .2 .1",
    of(laws.Plain, "dose", 2): ".3 .2 .1",
    of(laws.Plain, "below", 2): "3 .1 .2 1",
    laws.depth_from_absorbance: ".9 .1",
    of(laws.Threshold, "depth", 3): "3 .2 .1 .8",
    of(laws.Threshold, "dose", 3): ".3 .2 .1 .8",
    of(laws.Threshold, "below", 3): "3 .1 .2 1 .8",
    of(laws.Bleaching, "depth", 3): "3 .2 .1 .5",
    of(laws.Bleaching, "dose", 3): ".3 .2 .1 .5",
    of(laws.Bleaching, "below", 3): "3 .1 .2 1 .5",
    of(laws.Bleaching, "slope", 3): "3 .2 .1 .5",
    laws.bleaching_transmission: "3 .1 .2 .5",
    laws.bleached_fraction: "3 .1 .2 .5",
    laws.bleaching_rate: "3 .1 .2 .5",
    line.scan_exposure: "30 .1 900",
    line.speed_for_exposure: "30 .1 .2",
    line.power_for_exposure: ".2 .1 900",
    line.scan_speed: "30 .1 .2 .05 .3",
    line.line_profile: ".3 .1 .04",
    line.equivalent_exposure: "30 .1 .15 900 .8 40",
    line.line_width: ".3 .1 .1",
    line.section_depth: ".02 .3 .2 .1",
    line.segment_factor: ".04 .3 .1",
    line.top_hat_exposure: "30 .1 900 .04",
    raster.mean_exposure: "30 900 .1",
    raster.profile: ".3 1.2",
    raster.ridge: "1.2",
    raster.valley: "1.2",
    raster.harmonic: "1.2",
    raster.ripple: "1.2",
    raster.spacing_ratio: ".7",
    raster.breakup_ratio: ".7",
    raster.log_valley: "1.2",
    spot.irradiance: "30 .1 .2 .03 .04",
    spot.enclosed_power: ".1 .2",
    spot.top_hat_irradiance: "30 .1",
    spot.rayleigh_range: ".1 1.3 .000355",
    spot.caustic_radius: "3 .1 20",
    spot.defocus_for_radius: ".3 .1 20",
    stack.accumulation: "4 .1 .2",
    stack.stack_exposure: ".3 .1 4 .1 .2",
    stack.depth_after_layers: ".3 4 .1 .2",
    tilt.incidence_angle: "100 900",
    tilt.footprint_factor: ".3",
    tilt.refraction_angle: ".3 1.5",
    tilt.vertical_factor: ".3 1.5",
    tilt.transmission_ratio: ".3 1.5",
    tilt.surface_speed: "900 2 .3",
    tilt.concentration: ".3 1.5",
    tilt.absorbed_gain: ".3 1.5 .4",
}
ELSEWHERE = {
    "spot_matrix",
    "stretched",
    "perpendicular_radius",
    "along_radius",
    "layer_totals",
    "fresnel_loss",
    "total",
    "print_through",
    "compensation",
    "Law",
    "Plain",
    "Bleaching",
    "Threshold",
}


def test_every_kernel_is_in_the_table_or_tested_elsewhere():
    for module in (laws, line, raster, spot, stack, tilt):
        for name in module.__all__:
            assert getattr(module, name) in KERNELS or name in ELSEWHERE or name.isupper(), name


@pytest.mark.parametrize("kernel", KERNELS, ids=lambda k: k.__name__)
def test_arrays_equal_scalars_whatever_the_shape(kernel):
    base = [float(x) for x in KERNELS[kernel].split()]
    for shapes in ([(5,)] * len(base), [(3, 1), (4,), (1, 1), (), (1, 4), (3, 4)][: len(base)], [(), *[(7,)] * (len(base) - 1)]):
        given_ = [b * np.linspace(0.7, 1.3, math.prod(s)).reshape(s) if s else b for b, s in zip(base, shapes)]
        kept = [np.array(g) for g in given_]
        got = kernel(*given_)
        whole = np.broadcast_shapes(*shapes)
        assert np.shape(got) == whole
        for g, k in zip(given_, kept):
            assert np.array_equal(g, k), "an input was changed"
        for index in np.ndindex(whole):
            one = kernel(*(float(np.broadcast_to(g, whole)[index]) for g in given_))
            assert got[index] == pytest.approx(one, rel=4e-15, abs=1e-300)


@pytest.mark.parametrize("kernel", KERNELS, ids=lambda k: k.__name__)
def test_scalars_in_scalars_out(kernel):
    got = kernel(*(float(x) for x in KERNELS[kernel].split()))
    assert np.ndim(got) == 0
    assert isinstance(got, float), type(got)
