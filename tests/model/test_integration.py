"""The oracle against closed forms derived here: Gaussian and gamma integrals, theta series, chords and logarithms."""

from dataclasses import replace
from math import cos, erf, exp, expm1, gamma, hypot, log, log1p, pi, radians, sin, sqrt

import numpy as np
import pytest

from .integration import (
    Bleaching,
    Plain,
    Scan,
    Spot,
    Threshold,
    Tilt,
    depth,
    dose,
    dose_power,
    extremes,
    local_depth,
    phase_extremes,
    polyline_dose,
    print_through,
)

ROUND = Spot(0.125)
LINE = Scan(power=30.0, speed=1000.0)
OVAL = Spot(0.1, 0.14, spot_angle=25.0)


def same(value, rel=1e-12):
    return pytest.approx(value, rel=rel, abs=0)


def line(scan, w, y=0.0):
    """Exposure of an endless line by a round spot."""
    return sqrt(2 / pi) * scan.power / (w * scan.speed) * exp(-2 * (y / w) ** 2)


def theta(mean, pitch, w, x):
    """Equal Gaussians (1/e^2 radius w) at every pitch, by Poisson's sum."""
    return mean * (1 + 2 * sum(exp(-((pi * w * m / pitch) ** 2) / 2) * cos(2 * pi * m * x / pitch) for m in range(1, 60)))


# ---------------------------------------------------------------- lines


def test_endless_line():
    assert dose((0.0, 0.0), ROUND, LINE) == pytest.approx(0.191492, abs=5e-7)
    for y in (0.0, 0.05, -0.2, 0.8):
        assert dose((3.0, y), ROUND, LINE) == same(line(LINE, 0.125, y))


def test_ends_of_a_vector():
    scan = replace(LINE, length=20.0)
    assert dose((0.0, 0.0), ROUND, scan) == same(line(LINE, 0.125) / 2)
    assert dose((20.0, 0.1), ROUND, scan) == same(line(LINE, 0.125, 0.1) / 2)
    short = replace(LINE, length=0.2)
    for s in (-0.1, 0.05, 0.2, 0.27):
        share = (erf(sqrt(2) * s / 0.125) - erf(sqrt(2) * (s - 0.2) / 0.125)) / 2
        assert dose((s, 0.03), ROUND, short) == same(share * line(LINE, 0.125, 0.03), 1e-11)


@pytest.mark.parametrize("angle", [0.0, 40.0, 90.0, 200.0])
def test_oval_spot(angle):
    turn = radians(OVAL.spot_angle - angle)
    across = hypot(OVAL.wx * sin(turn), OVAL.wy * cos(turn))
    for y in (0.0, 0.09):
        assert dose((1.0, y), OVAL, replace(LINE, track_angle=angle)) == same(line(LINE, across, y))


def test_flat_spot():
    for y in (0.0, 0.07, 0.0999):
        chord = 2 * sqrt(0.1**2 - y**2)
        assert dose((0.3, y), Spot(0.1, flat=True), LINE) == same(30 / (pi * 0.01) * chord / 1000)
    assert dose((0.3, 0.11), Spot(0.1, flat=True), LINE) == 0
    assert dose((0.0, 0.0), Spot(0.1, flat=True), replace(LINE, length=1.0)) == same(30 / (pi * 0.01) * 0.1 / 1000)


@pytest.mark.parametrize("w", [0.3, 0.7, 1.0, 1.5])
def test_power_of_irradiance_on_a_line(w):
    i_ref, peak = 40.0, 2 * 30 / (pi * 0.125**2)
    wanted = i_ref * (peak / i_ref) ** w * 0.125 * sqrt(pi / (2 * w)) / 1000 * exp(-2 * w * (0.1 / 0.125) ** 2)
    assert dose_power((0.0, 0.1), w, i_ref, ROUND, LINE) == same(wanted)


def test_tilted_footprint():
    ahead, aside = Tilt(60.0, 30.0), Tilt(60.0, 120.0)
    scan = replace(LINE, track_angle=30.0)
    assert dose((0.0, 0.1), ROUND, scan, ahead) == same(line(LINE, 0.125, 0.1))
    assert dose((0.0, 0.1), ROUND, scan, aside) == same(line(LINE, 0.25, 0.1))
    end = replace(scan, length=9.0)
    assert dose((-0.1, 0.0), ROUND, end, ahead) == same(line(LINE, 0.125) * (1 - erf(sqrt(2) * 0.1 / 0.25)) / 2, 1e-11)
    w, i_ref, peak = 0.5, 10.0, 30 / (pi * 0.125**2)  # half the peak of an upright spot
    wanted = i_ref * (peak / i_ref) ** w * 0.25 * sqrt(pi / (2 * w)) / 1000
    assert dose_power((0.0, 0.0), w, i_ref, ROUND, scan, ahead) == same(wanted)


def test_only_relative_angles_count():
    scan = replace(LINE, length=0.3, spacing=0.08, acceleration=4e6, beam="on")
    values = [
        dose((0.04, 0.03), replace(OVAL, spot_angle=25 + a), replace(scan, track_angle=10 + a), Tilt(35.0, 70 + a))
        for a in (0.0, 33.0, 180.0)
    ]
    assert values == same([values[0]] * 3)


# ---------------------------------------------------------------- speeding up and stopping


def test_stop_with_the_beam_on():
    spot, scan = Spot(0.1), Scan(power=30.0, speed=2000.0, length=20.0, acceleration=1e6, beam="on")
    factor = dose((20.0, 0.0), spot, scan) / line(scan, 0.1)
    assert factor == same(gamma(5 / 4) * (1e12 / (2 * 0.1**2)) ** -0.25 / (0.1 * sqrt(pi / 2) / 2000))
    assert factor == pytest.approx(5.4394, abs=1e-4)
    assert dose((0.0, 0.0), spot, scan) == same(dose((20.0, 0.0), spot, scan))
    corner = polyline_dose((20.0, 0.0), [(0.0, 0.0), (20.0, 0.0), (20.0, -20.0)], spot, scan)
    assert corner / line(scan, 0.1) == pytest.approx(10.8787, abs=1e-4)
    assert dose((10.0, 0.0), spot, scan) == same(line(scan, 0.1))


def test_run_up_outside_the_vector_is_a_hard_start():
    scan = Scan(power=30.0, speed=2000.0, length=20.0, acceleration=1e6, beam="off")
    assert dose((0.0, 0.0), ROUND, scan) == same(line(scan, 0.125) / 2)


def test_power_that_follows_speed_keeps_the_exposure():
    for length in (20.0, 0.3):  # the short one never reaches its speed
        scan = Scan(power=30.0, speed=2000.0, length=length, acceleration=1e6, beam="follows")
        for s in (-0.05, 0.0, 0.02, 0.15):
            hard = dose((s, 0.03), ROUND, replace(scan, beam="off"))
            assert dose((s, 0.03), ROUND, scan) == same(hard, 1e-11)
    floor = replace(scan, least_power=30.0)
    assert dose((0.0, 0.0), ROUND, floor) == same(dose((0.0, 0.0), ROUND, replace(scan, beam="on")))


@pytest.mark.parametrize("w", [0.3, 0.5, 1.5])
def test_power_of_irradiance_from_rest(w):
    scan = Scan(power=30.0, speed=2000.0, length=20.0, acceleration=1e6, beam="follows")
    k = w * 1e12 / (2 * 0.125**2)
    light = 2 * 30 / (pi * 0.125**2)
    wanted = (light * 1e6 / 2000) ** w * gamma((w + 1) / 4) / 4 / k ** ((w + 1) / 4)
    assert dose_power((0.0, 0.0), w, 1.0, ROUND, scan) == same(wanted, 1e-11)
    wanted = light**w * gamma(5 / 4) / k**0.25
    assert dose_power((0.0, 0.0), w, 1.0, ROUND, replace(scan, beam="on")) == same(wanted)


def test_least_power_on_the_ramp():
    """Energy on the resin: the wide spot's own share taken out by a sum over places."""
    scan = Scan(power=30.0, speed=1000.0, length=0.6, acceleration=4e6, beam="follows", least_power=12.0)
    rise, bend = 1000 / 4e6, 0.4 * 1000 / 4e6
    held, ramp = 12 * bend, 30 / rise * (rise**2 - bend**2) / 2
    wanted = 2 * (held + ramp) + 30 * (0.6 / 1000 - rise)
    at, step = np.arange(-0.7, 1.3, 0.025), 0.025
    across = 0.125 * sqrt(pi / 2)  # of the place's own line, y = 0, to all y
    assert across * step * sum(dose((s, 0.0), ROUND, scan) for s in at) == same(wanted, 1e-10)


# ---------------------------------------------------------------- pulses


def test_pulses_on_a_line():
    for rate in (3000.0, 20000.0, 2e5):
        scan, pitch = replace(LINE, rate=rate, phase=0.3), 1000 / rate
        for s in (0.0, 0.07):
            wanted = theta(line(LINE, 0.125, 0.05), pitch, 0.125, s - 0.3 * pitch)
            assert dose((s, 0.05), ROUND, scan) == same(wanted, 1e-11)


def test_pulses_of_a_vector_are_counted():
    scan = replace(LINE, length=1.0, rate=5000.0, phase=0.25)
    at = np.array([0.05, 0.25, 0.45, 0.65, 0.85])
    wanted = 30 / 5000 * 2 / (pi * 0.125**2) * np.exp(-2 * (0.5 - at) ** 2 / 0.125**2).sum()
    assert dose((0.5, 0.0), ROUND, scan) == same(wanted)


def test_dense_pulses_are_a_steady_beam():
    for beam in ("off", "on", "follows"):
        scan = Scan(power=30.0, speed=1000.0, length=2.0, acceleration=2e6, beam=beam, phase=0.5)
        steady = dose((0.1, 0.0), ROUND, scan)
        assert dose((0.1, 0.0), ROUND, replace(scan, rate=4e7)) == same(steady, 1e-7)


def test_long_pulses_of_full_duty_are_a_steady_beam_to_any_power():
    scan = replace(LINE, rate=1e5, pulse_length=1e-5)
    assert dose_power((0.0, 0.0), 0.6, 20.0, ROUND, scan) == same(dose_power((0.0, 0.0), 0.6, 20.0, ROUND, LINE))
    with pytest.raises(ValueError, match="length"):
        dose_power((0.0, 0.0), 0.6, 20.0, ROUND, replace(LINE, rate=1e5))


def test_bounds_over_the_phase():
    scan, pitch = replace(LINE, rate=6000.0), 1000 / 6000
    found = phase_extremes((0.4, 0.0), ROUND, scan)
    mean = line(LINE, 0.125)
    assert (found.low, found.high, found.mean) == same((theta(mean, pitch, 0.125, pitch / 2), theta(mean, pitch, 0.125, 0), mean), 1e-11)
    flat = phase_extremes((0.4, 0.0), Spot(0.1, flat=True), scan)
    one = 30 / 6000 / (pi * 0.01)
    assert (flat.low, flat.high, flat.mean) == same((one, 2 * one, one * 0.2 / pitch))


# ---------------------------------------------------------------- rasters


@pytest.mark.parametrize("h", [0.05, 0.1, 0.15, 0.4])
def test_raster(h):
    scan = replace(LINE, spacing=h)
    for y in (0.0, 0.03, 5 * h + 0.02):
        assert dose((0.0, y), ROUND, scan) == same(theta(30 / (1000 * h), h, 0.125, y), 1e-11)
    found = extremes(ROUND, scan)
    wanted = [theta(30 / (1000 * h), h, 0.125, y) for y in (h / 2, 0)] + [30 / (1000 * h)]
    assert [found.low, found.high, found.mean] == same(wanted, 1e-11)


def test_raster_of_passes_crossed_and_tilted():
    scan, h = replace(LINE, spacing=0.15, crossed=True, passes=3), 0.15
    wanted = 3 * (theta(0.2, h, 0.125, 0.03) + theta(0.2, h, 0.125, 0.06))
    assert dose((0.06, 0.03), ROUND, scan) == same(wanted, 1e-11)
    found = extremes(OVAL, scan, Tilt(40.0, 15.0))
    assert found.mean == same(6 * 0.2, 1e-11)
    aside = extremes(ROUND, scan, Tilt(60.0, 90.0))  # wide for the first set's lines, for the second's no more than round
    assert aside.low == same(3 * (theta(0.2, h, 0.25, h / 2) + theta(0.2, h, 0.125, h / 2)), 1e-11)


def test_edge_of_a_raster():
    scan = replace(LINE, spacing=0.1, first=0)
    assert dose((0.0, -0.2), ROUND, scan) == same(sum(line(LINE, 0.125, 0.2 + 0.1 * k) for k in range(20)))
    assert dose((0.0, 1.2), ROUND, replace(scan, last=3)) == same(sum(line(LINE, 0.125, 0.9 + 0.1 * k) for k in range(4)))


def test_power_of_irradiance_over_a_raster():
    w, h = 0.5, 0.2
    scan = replace(LINE, spacing=h)
    mean = (2 * 30 / (pi * 0.125**2)) ** w * pi * 0.125**2 / (2 * w) / (1000 * h)
    found = extremes(ROUND, scan, w=w)
    wide = 0.125 / sqrt(w)
    assert [found.low, found.high, found.mean] == same([theta(mean, h, wide, h / 2), theta(mean, h, wide, 0), mean], 1e-11)


def test_flat_spot_over_a_raster():
    found = extremes(Spot(0.1, flat=True), replace(LINE, spacing=0.15))
    one = 30 / (pi * 0.01) / 1000
    assert found.mean == same(0.2, 1e-9)
    assert found.low == same(one * 2 * sqrt(0.01 - 0.05**2), 1e-6)  # beside a neighbour's rim
    assert found.high == same(one * 4 * sqrt(0.01 - 0.075**2), 1e-9)


def test_pulsed_raster():
    h, rate = 0.15, 6000.0
    scan, pitch = replace(LINE, spacing=h, rate=rate), 1000 / rate
    mean = 30 / (1000 * h)
    high = theta(mean, h, 0.125, 0) * theta(1, pitch, 0.125, 0)
    low = theta(mean, h, 0.125, h / 2) * theta(1, pitch, 0.125, pitch / 2)
    for independent in (False, True):  # the bounds agree where all lines lie alike
        found = extremes(ROUND, scan, independent=independent)
        assert [found.low, found.high, found.mean] == same([low, high, mean], 1e-10)
    staggered = extremes(ROUND, replace(scan, phase_step=0.5))
    assert low < staggered.low
    assert staggered.high < high


# ---------------------------------------------------------------- light in the resin


def test_share_that_enters():
    assert Tilt(n=1.5).transmission() == same(0.96)
    assert Tilt(np.degrees(np.arctan(1.5)), s_share=0.0).transmission() == same(1.0)
    assert Tilt(90.0).transmission() == pytest.approx(0, abs=1e-12)
    assert Tilt().gain() == 1
    inner = np.arcsin(sin(radians(50)) / 1.5)
    across = (sin(radians(50) - inner) / sin(radians(50) + inner)) ** 2
    within = (np.tan(radians(50) - inner) / np.tan(radians(50) + inner)) ** 2
    assert Tilt(50.0, s_share=0.3).transmission() == same(1 - 0.3 * across - 0.7 * within)


def test_plain_depth():
    assert local_depth((0.0, 0.0), ROUND, LINE, Plain(0.15, 0.08)) == pytest.approx(0.130923, abs=5e-7)
    for e in (0.081, 0.3, 40.0):
        assert depth(e, Plain(0.15, 0.08)) == same(0.15 * log(e / 0.08), 1e-11)
    assert depth(0.08, Plain(0.15, 0.08)) == 0
    assert depth(0.0, Plain(0.15, 0.08)) == 0


def test_plain_depth_tilted():
    tilt, inner = Tilt(45.0), sqrt(1 - 0.5 / 2.25)
    wanted = 0.15 * inner * log(0.4 * tilt.transmission() / 0.96 / inner / 0.08)
    assert depth(0.4, Plain(0.15, 0.08), tilt) == same(wanted, 1e-11)


def bleached(e, law, path=1.0):
    return law.dp * path * log(expm1(e / law.eb) / expm1(law.ec / law.eb))


def test_bleaching_depth():
    assert depth(0.6, Bleaching(1.0, 0.1, 0.2)) == pytest.approx(3.38168, abs=5e-6)
    for e, ec, eb in ((0.6, 0.1, 0.2), (0.12, 0.1, 5.0), (4.0, 0.08, 0.1), (2.0, 1.5, 0.2), (0.5, 0.001, 0.3), (3.0, 0.1, 1e4)):
        law = Bleaching(0.15, ec, eb)
        assert depth(e, law) == same(bleached(e, law), 1e-9)
    assert depth(0.1, Bleaching(0.15, 0.1001, 0.2)) == 0


def test_bleaching_depth_tilted():
    scan, law = Scan(power=30.0, speed=300.0), Bleaching(0.15, 0.08, 0.2)
    tilt, inner = Tilt(30.0), sqrt(1 - 1 / 9)
    found = local_depth((0.0, 0.0), ROUND, scan, law, tilt)
    assert found == pytest.approx(0.5734, abs=5e-5)
    entering = line(scan, 0.125) * tilt.transmission() / 0.96 / inner
    assert found == same(bleached(entering, law, inner), 1e-9)


@pytest.mark.parametrize("w", [0.3, 1.0, 1.5])
def test_threshold_depth(w):
    law, tilt = Threshold(0.15, 0.08, w, 25.0), Tilt(40.0)
    assert depth(0.3, law) == same(0.15 / w * log(0.3 / 0.08), 1e-11)
    assert depth(0.3, law, tilt) == same(0.15 / w * tilt.inner_cosine * log(0.3 * tilt.gain() ** w / 0.08), 1e-11)
    one = local_depth((0.0, 0.02), ROUND, replace(LINE, passes=20), law)
    many = local_depth((0.0, 0.02), ROUND, replace(LINE, passes=80), law)
    assert many - one == same(0.15 / w * log(4), 1e-10)


# ---------------------------------------------------------------- stacks


def test_one_layer_is_its_depth():
    for law in (Plain(0.15, 0.08), Bleaching(0.15, 0.08, 0.2), Threshold(0.15, 0.08, 0.6, 20.0)):
        assert print_through(0.4, law, 1, 0.05) == same(depth(0.4, law) - 0.05, 1e-11)


@pytest.mark.parametrize("w", [0.5, 1.0])
@pytest.mark.parametrize("incidence", [0.0, 40.0])
def test_layers_of_a_threshold(w, incidence):
    law, t, tilt = Threshold(0.15, 0.08, w, 25.0), 0.05, Tilt(incidence)
    reach = 0.15 * tilt.inner_cosine / w
    total = 0.3 * tilt.gain() ** w * sum(exp(-k * t / reach) for k in range(12))
    assert print_through(0.3, law, 12, t, tilt) == same(reach * log(total / 0.08) - t, 1e-10)


@pytest.mark.parametrize(("e", "layers", "t", "incidence"), [(0.4, 2, 0.1, 0), (0.4, 8, 0.1, 30), (1.0, 4, 0.03, 0), (0.15, 5, 0.2, 0)])
def test_layers_that_bleach(e, layers, t, incidence):
    """All that leaves a layer's bottom enters the one below after that one's own exposure, from the last layer down."""
    law, tilt = Bleaching(0.15, 0.08, 0.2), Tilt(float(incidence))
    inner, x = tilt.inner_cosine, 0.0
    for _ in range(layers):
        x = e * tilt.gain() + law.eb * log1p(expm1(x / law.eb) * exp(-t / (law.dp * inner)))
    assert print_through(e, law, layers, t, tilt) == same(bleached(x, law, inner) - t, 1e-8)


def test_a_layer_too_weak_to_reach_its_bottom():
    assert print_through(0.1, Plain(0.15, 0.08), 1, 0.1) == same(0.15 * log(0.1 / 0.08) - 0.1, 1e-10)
    assert print_through([0.4, 0.2], Plain(0.15, 0.08), 2, 0.1) == same(0.15 * log((0.4 + 0.2 * exp(-0.1 / 0.15)) / 0.08) - 0.1, 1e-10)
