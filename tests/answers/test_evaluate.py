"""A whole setting evaluated: agreement with the plain functions, combinations of options, uncertainty, warnings."""

import dataclasses
import itertools
import math

import numpy as np
import pytest
import scipy.optimize

from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import BleachingResin, PowerThresholdResin, Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import MonteCarloOptions, evaluate
from curecalc.units import Measured, QuantityError
from curecalc.units import Quantity as Q

BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
SCAN = Scan(scan_speed=Q(1000.0, "mm/s"))


def weakest_by_sum(*, wx, wy, spot, track, tilt, lean, n, power, speed, spacing, passes, crossed, rate):
    """Exposure at the weakest place, straight from the two-dimensional Gaussian: pulses or time steps, many lines."""
    # width matrix, stretched along the lean by 1/cos(tilt), by plain linear algebra
    turn = np.array([[math.cos(spot), -math.sin(spot)], [math.sin(spot), math.cos(spot)]])
    matrix = turn @ np.diag([wx**2, wy**2]) @ turn.T
    d = np.array([math.cos(lean), math.sin(lean)])
    stretch = np.eye(2) + (1 / math.cos(tilt) - 1) * np.outer(d, d)
    matrix = stretch @ matrix @ stretch.T
    inverse = np.linalg.inv(matrix)
    total = 0.0
    for direction in (track, track + math.pi / 2) if crossed else (track,):
        t = np.array([math.cos(direction), math.sin(direction)])
        across = np.array([-t[1], t[0]])
        step = speed / rate if rate else 0.02 * math.sqrt(np.linalg.eigvalsh(matrix)[0])
        along = (np.arange(-400, 401) + 0.5) * step
        offsets = (np.arange(-60, 61) + 0.5) * spacing if spacing else np.array([0.0])
        for offset in offsets:
            # pulses of neighbouring lines in the phase that leaves the least: shift by the shear of the ellipse
            shear = -(t @ inverse @ across) / (t @ inverse @ t) * offset
            points = np.outer(along + shear, t) + offset * across
            peak = 2 * power / (math.pi * math.sqrt(np.linalg.det(matrix)))
            values = peak * np.exp(-2 * np.einsum("ij,jk,ik->i", points, inverse, points))
            total += passes * values.sum() * step / speed
    return total


CASES = [
    case
    for case in itertools.product((False, True), (None, 0.1), (1, 3), (False, True), (None, 20e3), (0.0, 0.3))
    if case[1] is not None or not case[3]  # a single line cannot be crossed
]


@pytest.mark.parametrize(("ellipse", "spacing", "passes", "crossed", "rate", "tilt"), CASES)
def test_every_combination_agrees_with_a_sum_of_gaussians(ellipse, spacing, passes, crossed, rate, tilt):
    beam = Beam(
        power=Q(30.0, "mW"),
        radius_x=Q(0.1, "mm"),
        radius_y=Q(0.14, "mm") if ellipse else None,
        angle=Q(20.0, "deg"),
        pulse_rate=None if rate is None else Q(rate, "Hz"),
    )
    scan = Scan(
        scan_speed=Q(2500.0, "mm/s"),
        hatch_spacing=None if spacing is None else Q(spacing, "mm"),
        passes=passes,
        cross_hatch=crossed,
        track_angle=Q(35.0, "deg"),
        incidence_angle=Q(tilt, "rad"),
        incidence_direction=Q(70.0, "deg"),
    )
    got = evaluate(beam=beam, resin=RESIN, scan=scan).outputs["exposure_min"].m_as("mJ/mm^2")
    want = weakest_by_sum(
        wx=0.1,
        wy=0.14 if ellipse else 0.1,
        spot=math.radians(20),
        track=math.radians(35),
        tilt=tilt,
        lean=math.radians(70),
        n=1.5,
        power=30.0,
        speed=2500.0,
        spacing=spacing,
        passes=passes,
        crossed=crossed,
        rate=rate,
    )
    assert got == pytest.approx(want, rel=1e-9)


def test_tilted_depth_follows_the_energy_absorbed_per_volume():
    """Rays traced by hand: Snell, Fresnel, Beer-Lambert along the ray; solid where dE/dz over depth reaches that of Ec."""
    theta, n, dp, ec = math.radians(20.0), 1.5, 0.15, 0.08
    inside = math.asin(math.sin(theta) / n)
    rs = (math.sin(theta - inside) / math.sin(theta + inside)) ** 2
    rp = (math.tan(theta - inside) / math.tan(theta + inside)) ** 2
    enters = (1 - 0.5 * (rs + rp)) / (1 - ((n - 1) / (n + 1)) ** 2)
    surface = math.sqrt(2 / math.pi) * 30.0 / (0.125 * 1000.0)  # per area of surface; unchanged when scanned along the tilt

    def absorbed(z):
        path = z / math.cos(inside)
        return surface * enters * math.exp(-path / dp) / (dp * math.cos(inside))

    want = scipy.optimize.brentq(lambda z: absorbed(z) - ec / dp, 0.0, 1.0, xtol=1e-14)
    tilted = dataclasses.replace(SCAN, incidence_angle=Q(20.0, "deg"), incidence_direction=Q(0.0, "deg"))
    answer = evaluate(beam=BEAM, resin=RESIN, scan=tilted)
    assert answer.cure_depth.m_as("mm") == pytest.approx(want, rel=1e-11)
    plain = evaluate(beam=BEAM, resin=RESIN, scan=SCAN)
    assert answer.exposure_peak.m_as("mJ/cm^2") == pytest.approx(plain.exposure_peak.m_as("mJ/cm^2"), rel=1e-12)


def test_first_order_and_monte_carlo_agree_for_small_uncertainties():
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.3, "mW")), radius_x=Measured(Q(125.0, "um"), Q(1.5, "um")))
    resin = dataclasses.replace(
        RESIN,
        penetration_depth=Measured(Q(0.15, "mm"), Q(0.002, "mm")),
        critical_exposure=Measured(Q(8.0, "mJ/cm^2"), Q(0.15, "mJ/cm^2")),
        correlation=0.8,
    )
    scan = Scan(scan_speed=Q(400.0, "mm/s"), hatch_spacing=Measured(Q(0.13, "mm"), Q(0.001, "mm")))
    answer = evaluate(beam=beam, resin=resin, scan=scan, monte_carlo=MonteCarloOptions(draws=200_000, seed=3))
    for name in answer.outputs:
        kernel_unit = "mJ/mm^2" if name.startswith("exposure") else "mm"
        first = answer.standard_uncertainty[name].m_as(kernel_unit)
        assert answer.monte_carlo[name].standard_uncertainty == pytest.approx(first, rel=0.02), name


def test_depth_uncertainty_of_a_line_by_hand():
    """JCGM 100 eq. 10 worked by hand: Cd = Dp ln(E/Ec), u(E)/E = 2 % from power."""
    beam = dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    answer = evaluate(beam=beam, resin=RESIN, scan=SCAN)
    assert answer.standard_uncertainty["cure_depth"].m_as("mm") == pytest.approx(0.15 * 0.02, rel=1e-6)


def test_sensitivities_of_a_line_are_one_percent_of_dp():
    moved = evaluate(beam=BEAM, resin=RESIN, scan=SCAN).sensitivity
    assert moved["power"].m_as("mm") == pytest.approx(0.0015, rel=1e-6)
    assert moved["scan_speed"].m_as("mm") == pytest.approx(-0.0015, rel=1e-6)
    assert moved["beam_radius"].m_as("mm") == pytest.approx(-0.0015, rel=1e-6)
    assert moved["critical_exposure"].m_as("mm") == pytest.approx(-0.0015, rel=1e-6)
    depth = 0.15 * math.log(19.149229 / 8)
    assert moved["penetration_depth"].m_as("mm") == pytest.approx(0.01 * depth, rel=1e-6)


@pytest.mark.parametrize("share", [1.0 - 1e-12, 0.999, 0.5, 1e-6])
def test_at_and_below_the_critical_exposure_nothing_cures_and_it_is_said(share):
    resin = dataclasses.replace(RESIN, critical_exposure=Q(19.149229459268762 / share, "mJ/cm^2"))
    answer = evaluate(beam=BEAM, resin=resin, scan=SCAN, layer_thickness=Q(0.1, "mm"))
    assert answer.cure_depth.m_as("mm") == 0.0
    assert answer.line_width.m_as("mm") == 0.0
    assert answer.overcure.m_as("mm") == -0.1
    assert any("Nothing cures" in note for note in answer.warnings)
    assert all(by is None for by in answer.sensitivity.values())


def test_threshold_law_with_exponent_one_is_the_plain_curve():
    threshold = PowerThresholdResin(
        penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), exponent=1.0, reference_irradiance=Q(77.0, "mW/mm^2")
    )
    scan = dataclasses.replace(SCAN, hatch_spacing=Q(0.15, "mm"))
    plain, other = (evaluate(beam=BEAM, resin=r, scan=scan, layer_thickness=Q(0.1, "mm")) for r in (RESIN, threshold))
    for name, value in plain.outputs.items():
        assert other.outputs[name].m_as(value.units) == pytest.approx(value.m, rel=1e-12), name


def test_bleaching_with_a_huge_bleaching_exposure_is_the_plain_curve():
    bleaching = BleachingResin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), bleaching_exposure=Q(1e7, "mJ/cm^2"))
    plain, other = (evaluate(beam=BEAM, resin=r, scan=SCAN) for r in (RESIN, bleaching))
    assert other.cure_depth.m_as("mm") == pytest.approx(plain.cure_depth.m_as("mm"), rel=1e-5)


def test_warnings_name_what_a_technician_should_know():
    scan = dataclasses.replace(SCAN, hatch_spacing=Q(0.2, "mm"), passes=3)
    wide = evaluate(beam=BEAM, resin=RESIN, scan=scan, layer_thickness=Q(0.4, "mm"))
    assert any("exceeds 1.3 beam radii" in note for note in wide.warnings)
    assert any("does not reach the one below" in note for note in wide.warnings)
    beaded = evaluate(beam=dataclasses.replace(BEAM, pulse_rate=Q(4.0, "kHz")), resin=RESIN, scan=SCAN)
    assert any("beaded" in note for note in beaded.warnings)


def test_refuses_what_cannot_go_together():
    threshold = PowerThresholdResin(
        penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), exponent=0.9, reference_irradiance=Q(1.0, "mW/mm^2")
    )
    with pytest.raises(QuantityError, match="pulse_rate cannot be combined"):
        evaluate(beam=dataclasses.replace(BEAM, pulse_rate=Q(4.0, "kHz")), resin=threshold, scan=SCAN)
    with pytest.raises(QuantityError, match="do not carry over"):
        evaluate(
            beam=dataclasses.replace(BEAM, wavelength=Q(355.0, "nm")),
            resin=dataclasses.replace(RESIN, wavelength=Q(405.0, "nm")),
            scan=SCAN,
        )
    with pytest.raises(QuantityError, match="lets Gaussian draws fall to zero"):
        evaluate(
            beam=dataclasses.replace(BEAM, power=Measured(Q(30.0, "mW"), Q(15.0, "mW"))),
            resin=RESIN,
            scan=SCAN,
            monte_carlo=MonteCarloOptions(draws=10_000),
        )
    with pytest.raises(QuantityError, match="cross_hatch needs a hatch_spacing"):
        evaluate(beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(1.0, "m/s"), cross_hatch=True))


def test_units_of_the_input_do_not_matter():
    beam = Beam(power=Q(0.03, "W"), radius_x=Q(125.0, "um"))
    resin = Resin(penetration_depth=Q(1.5e-4, "m"), critical_exposure=Q(80.0, "J/m^2"))
    a = evaluate(beam=beam, resin=resin, scan=Scan(scan_speed=Q(1.0, "m/s")))
    b = evaluate(beam=BEAM, resin=RESIN, scan=SCAN)
    assert a.cure_depth.m_as("mm") == pytest.approx(b.cure_depth.m_as("mm"), rel=1e-12)
    assert a.to_dict()["cure_depth"]["unit"] == "mm"


def test_odd_values_are_said_not_refused():
    notes = evaluate(beam=dataclasses.replace(BEAM, radius_x=Q(125.0, "mm")), resin=RESIN, scan=Scan(scan_speed=Q(0.8, "mm/s"))).warnings
    assert any("beam radius of 125 mm is far outside the usual" in note for note in notes)


def test_an_elliptical_raster_is_judged_across_its_lines():
    beam = dataclasses.replace(BEAM, radius_y=Q(0.25, "mm"))
    scan = dataclasses.replace(SCAN, hatch_spacing=Q(0.2, "mm"))
    assert not evaluate(beam=beam, resin=RESIN, scan=scan).warnings
    along = dataclasses.replace(scan, track_angle=Q(90.0, "deg"))
    assert any("1.3 beam radii" in note for note in evaluate(beam=beam, resin=RESIN, scan=along).warnings)


def test_no_overcure_is_none_and_no_alarm():
    from curecalc.setting.solving import solve_hatch_spacing, solve_scan_speed

    for solve in (solve_scan_speed, solve_hatch_spacing):
        answer = solve(beam=BEAM, resin=RESIN, scan=SCAN, layer_thickness=Q(0.1, "mm"), overcure=Q(0.0, "mm")).answer
        assert answer.overcure.m_as("mm") == 0.0
        assert not any("does not reach" in note for note in answer.warnings)
