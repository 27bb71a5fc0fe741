"""What records and options take and leave out: defaults, and both sides of every limit."""

import math

import numpy as np
import pytest

from curecalc.errors import NoSolution, QuantityError
from curecalc.formulas.beam import Beam, radius_at, rayleigh_range
from curecalc.formulas.field import footprint_factor, fresnel_loss, refraction_angle, transmission_ratio, vertical_depth_factor
from curecalc.formulas.raster import breakup_speed, pulse_exposure, raster_exposure, raster_profile
from curecalc.formulas.resin import (
    PowerThresholdResin,
    Resin,
    cure_depth,
    exposure_for_depth,
    threshold_cure_depth,
    threshold_exposure_for_depth,
)
from curecalc.formulas.scan import Scan, line_width, section_depth, segment_exposure, top_hat_exposure
from curecalc.formulas.stack import interface_exposure, print_through, stack_exposure
from curecalc.setting.answer import MonteCarloOptions, evaluate
from curecalc.setting.limits import Limits
from curecalc.setting.model import Form
from curecalc.setting.solving import solve
from curecalc.units import Measured
from curecalc.units import Quantity as Q

DP, EC = Q(0.15, "mm"), Q(8.0, "mJ/cm^2")
BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
RESIN = Resin(penetration_depth=DP, critical_exposure=EC)


def taken(call, *args, **more):
    try:
        call(*args, **more)
    except (QuantityError, NoSolution):
        return False
    return True


def threshold(w):
    return PowerThresholdResin(penetration_depth=DP, critical_exposure=EC, exponent=w, reference_irradiance=Q(5.0, "mW/mm^2"))


CASES = [
    (lambda r: Resin(penetration_depth=DP, critical_exposure=EC, correlation=r), [-1.0, 0.0, 1.0], [-1.001, 1.001]),
    (lambda n: Resin(penetration_depth=DP, critical_exposure=EC, refractive_index=n), [1.0, 3.99], [0.99, 4.0]),
    (lambda n: refraction_angle(Q(20.0, "deg"), n), [1.0, 3.99], [0.99, 4.0]),
    (threshold, [0.01, 2.0], [0.0, 2.001]),
    (
        lambda w: threshold_cure_depth(equivalent_exposure=EC, penetration_depth=DP, critical_exposure=EC, exponent=w),
        [0.01, 2.0],
        [0.0, 2.001],
    ),
    (
        lambda w: threshold_exposure_for_depth(cure_depth=DP, penetration_depth=DP, critical_exposure=EC, exponent=w),
        [0.01, 2.0],
        [0.0, 2.001],
    ),
    (lambda a: Scan(incidence_angle=Q(a, "deg")), [0.0, 80.0], [-0.001, 80.001]),
    (lambda a: footprint_factor(Q(np.array([10.0, a]), "deg")), [0.0, 80.0], [-0.001, 80.001]),
    (lambda s: Scan(s_polarised_share=s), [0.0, 1.0], [-0.001, 1.001]),
    (lambda n: Scan(passes=n), [1, 2], [0, -1]),
    (lambda r: Beam(power=Q(1.0, "mW"), radius_x=Q(0.1, "mm"), radius_correlation=r), [-1.0, 1.0], [-1.001, 1.001]),
    (lambda m: Beam(power=Q(1.0, "mW"), radius_x=Q(0.1, "mm"), beam_quality=m), [1.0, 30.0], [0.99]),
    (lambda m: rayleigh_range(waist_radius=Q(0.1, "mm"), wavelength=Q(355.0, "nm"), beam_quality=m), [1.0, 30.0], [0.99]),
    (lambda n: MonteCarloOptions(draws=n), [1000, 20_000_000], [999, 20_000_001]),
    (lambda n: MonteCarloOptions(seed=n), [0, 1], [-1]),
    (lambda c: MonteCarloOptions(confidence=c), [0.5, 0.999], [0.499, 1.0]),
    (lambda v: Limits(scan_speed_min=Q(v, "mm/s"), scan_speed_max=Q(100.0, "mm/s")), [99.0, 100.0], [100.1]),
    (lambda p: Limits(power_min=Q(p, "mW"), power_max=Q(100.0, "mW")), [99.0, 100.0], [100.1]),
    (lambda v: Limits(scan_speed_max=Q(100.0, "mm/s")).check_given({"scan_speed": v}), [100.0, 1.0], [100.000001]),
    (lambda v: Limits(scan_speed_min=Q(100.0, "mm/s")).check_given({"scan_speed": v}), [100.0, 1e4], [99.999999]),
    (lambda d: stack_exposure(exposure=EC, depth=Q(d, "mm"), layer_thickness=DP, penetration_depth=DP), [0.0, 1.0], [-1e-9]),
    (
        lambda n: stack_exposure(exposure=EC, depth=DP, layer_thickness=DP, penetration_depth=DP, layers=n),
        [1, math.inf, np.array([1.0, math.inf])],
        [0, 1.5, -math.inf, np.array([0.5, math.inf]), np.array([1.0, -math.inf])],
    ),
    (
        lambda nm: evaluate(
            beam=Beam(power=Q(1.0, "mW"), radius_x=Q(0.1, "mm"), wavelength=Q(nm, "nm")),
            resin=Resin(penetration_depth=DP, critical_exposure=EC, wavelength=Q(355.0, "nm")),
            scan=Scan(scan_speed=Q(1.0, "mm/s")),
        ),
        [352.0, 358.0],
        [351.9, 358.1],
    ),
    (lambda d: exposure_for_depth(cure_depth=Q(d, "mm"), penetration_depth=DP, critical_exposure=EC), [0.0, 100.0], [-0.1, 120.0]),
]


@pytest.mark.parametrize(("call", "good", "bad"), CASES, ids=range(len(CASES)))
def test_both_sides_of_what_is_taken(call, good, bad):
    assert [taken(call, value) for value in good] == [True] * len(good)
    assert [taken(call, value) for value in bad] == [False] * len(bad)


@pytest.mark.parametrize(("angles", "told"), [(81.0, "81"), (-2.0, "-2"), (np.array([20.0, 85.0]), "85"), (np.array([20.0, -1.0]), "-1")])
def test_the_angle_that_leans_too_far_is_told(angles, told):
    with pytest.raises(QuantityError, match=f"incidence_angle must be from 0 to 80 deg, got {told} deg"):
        footprint_factor(Q(angles, "deg"))


def test_what_is_meant_where_nothing_is_said():
    assert (RESIN.correlation, RESIN.refractive_index) == (0.0, 1.5)
    assert (BEAM.radius_correlation, BEAM.angle.m) == (0.0, 0.0)
    form = Form(RESIN.law)
    assert (form.spot_angle, form.track_angle, form.incidence_angle, form.incidence_direction) == (0.0, 0.0, 0.0, 0.0)
    assert (form.refractive_index, form.s_polarised_share) == (1.5, 0.5)
    scan = Scan(scan_speed=Q(1.0, "m/s"))
    assert (scan.passes, scan.cross_hatch, scan.s_polarised_share) == (1, False, 0.5)
    assert [getattr(scan, f"{name}").m for name in ("track_angle", "incidence_angle", "incidence_direction")] == [0.0] * 3
    options = MonteCarloOptions()
    assert (options.draws, options.seed, options.confidence) == (100_000, 1, 0.95)
    angle = Q(30.0, "deg")
    assert refraction_angle(angle).m_as("deg") == pytest.approx(math.degrees(math.asin(0.5 / 1.5)))
    assert vertical_depth_factor(angle).m == pytest.approx(math.sqrt(1 - 1 / 9))
    c, t = math.cos(math.radians(30.0)), math.sqrt(1 - 1 / 9)
    s, p = ((c - 1.5 * t) / (c + 1.5 * t)) ** 2, ((1.5 * c - t) / (1.5 * c + t)) ** 2
    loss = fresnel_loss(angle)
    assert (loss.s.m, loss.p.m, loss.unpolarised.m) == pytest.approx((s, p, (s + p) / 2))
    assert transmission_ratio(angle).m == pytest.approx((1 - (s + p) / 2) / (1 - 0.04))  # 4 % straight down
    assert rayleigh_range(waist_radius=Q(0.05, "mm"), wavelength=Q(355.0, "nm")).m_as("mm") == pytest.approx(math.pi * 0.0025 / 355e-6)
    far = radius_at(defocus=Q(30.0, "mm"), waist_radius=Q(0.05, "mm"), wavelength=Q(355.0, "nm"))
    assert far.m_as("mm") == pytest.approx(0.05 * math.hypot(1.0, 30.0 * 355e-6 / (math.pi * 0.0025)))
    one = {"power": Q(30.0, "mW"), "beam_radius": Q(0.1, "mm"), "scan_speed": Q(1.0, "m/s"), "hatch_spacing": Q(0.1, "mm")}
    once, twice = raster_exposure(**one), raster_exposure(**one, passes=2)
    assert [b.m / a.m for a, b in zip(once, twice)] == pytest.approx([2.0] * 3)


def test_sums_of_lines_pulses_and_layers_outright():
    """Every sum again, term by term."""
    p, w, v, h = 30.0, 0.1, 1000.0, 0.14
    peak = 100 * math.sqrt(2 / math.pi) * p / (w * v)
    given = {"power": Q(p, "mW"), "beam_radius": Q(w, "mm"), "scan_speed": Q(v, "mm/s")}
    lines = np.arange(-50, 51) * h

    def at(y):
        return peak * np.exp(-2 * (y - lines) ** 2 / w**2).sum()

    mean, top, low = (q.m_as("mJ/cm^2") for q in raster_exposure(**given, hatch_spacing=Q(h, "mm")))
    assert (mean, top, low) == pytest.approx((100 * p / (v * h), at(0.0), at(h / 2)))
    assert raster_profile(**given, hatch_spacing=Q(h, "mm"), distance=Q(0.03, "mm")).m_as("mJ/cm^2") == pytest.approx(at(0.03))
    rate = v / h
    pulse = 100 * 2 * p / rate / (math.pi * w**2)
    x = np.arange(-50, 51) * h
    mean, top, low = (q.m_as("mJ/cm^2") for q in pulse_exposure(**given, pulse_rate=Q(rate, "Hz")))
    weakest = pulse * np.exp(-2 * (x - h / 2) ** 2 / w**2).sum()
    assert (mean, top, low) == pytest.approx((peak, pulse * np.exp(-2 * x**2 / w**2).sum(), weakest))
    broken = breakup_speed(power=Q(p, "mW"), beam_radius=Q(w, "mm"), pulse_rate=Q(rate, "Hz"), critical_exposure=Q(weakest, "mJ/cm^2"))
    assert broken.m_as("mm/s") == pytest.approx(v)
    stacked = {"exposure": Q(20.0, "mJ/cm^2"), "layer_thickness": Q(0.1, "mm"), "penetration_depth": DP}
    for n in (1, 3, math.inf):
        total = 20.0 * sum(math.exp(-(0.1 + k * 0.1) / 0.15) for k in range(int(min(n, 400))))
        assert interface_exposure(**stacked, layers=n).m_as("mJ/cm^2") == pytest.approx(total)
        more = sum(math.exp(-k * 0.1 / 0.15) for k in range(int(min(n, 400))))
        through = print_through(cure_depth=Q(0.12, "mm"), layer_thickness=Q(0.1, "mm"), penetration_depth=DP, layers=n)
        assert through.m_as("mm") == pytest.approx(0.02 + 0.15 * math.log(more))
    assert cure_depth(exposure=EC, penetration_depth=DP, critical_exposure=EC).m == 0.0
    width = {"beam_radius": Q(0.1, "mm"), "cure_depth": Q(0.3, "mm"), "penetration_depth": DP}
    assert line_width(**width).m_as("mm") == pytest.approx(0.1 * 2.0)  # W0 sqrt(2 x 2)
    assert line_width(**width, depth=Q(0.225, "mm")).m_as("mm") == pytest.approx(0.1)
    assert line_width(**width, depth=Q(0.31, "mm")).m == 0.0
    assert section_depth(**width, distance=Q(0.05, "mm")).m_as("mm") == pytest.approx(0.3 - 2 * 0.15 * 0.25)
    assert section_depth(**width, distance=Q(0.11, "mm")).m == 0.0
    end = segment_exposure(**given, length=Q(5.0, "mm"), position=Q(0.0, "mm"), distance=Q(0.05, "mm"))
    assert end.m_as("mJ/cm^2") == pytest.approx(0.5 * peak * math.exp(-0.5))
    flat = top_hat_exposure(**given, distance=Q(0.06, "mm"))
    assert flat.m_as("mJ/cm^2") == pytest.approx(100 * 2 * p * 0.08 / (math.pi * 0.01 * v))  # a chord of 3, 4, 5
    assert top_hat_exposure(**given).m_as("mJ/cm^2") == pytest.approx(100 * 2 * p / (math.pi * 0.1 * v))


def test_depths_beyond_the_coupons_are_said():
    def said(low, high):
        resin = Resin(penetration_depth=DP, critical_exposure=EC, depth_range=(Q(low, "mm"), Q(high, "mm")))
        notes = evaluate(beam=BEAM, resin=resin, scan=Scan(scan_speed=Q(1000.0, "mm/s"))).warnings
        return [n for n in notes if "extrapolated" in n]

    under = Resin(penetration_depth=DP, critical_exposure=Q(80.0, "mJ/cm^2"), depth_range=(Q(0.1, "mm"), Q(0.2, "mm")))
    (nothing,) = evaluate(beam=BEAM, resin=under, scan=Scan(scan_speed=Q(1000.0, "mm/s"))).warnings
    assert nothing.startswith("Nothing cures")
    depth = 0.15 * math.log(100 * math.sqrt(2 / math.pi) * 30.0 / (0.125 * 1000.0) / 8.0)
    assert depth == pytest.approx(0.13092, abs=5e-6)
    assert said(0.05, 0.2) == said(depth, 0.2) == said(0.05, depth) == []
    for ends in ((depth * 1.000001, 0.2), (0.05, depth * 0.999999)):
        assert len(said(*ends)) == 1
    assert said(0.14, 0.2) == ["The depth of 0.1309 mm lies outside the coupons' 0.14 to 0.20 mm: the working curve is extrapolated there."]


def test_speeds_at_a_limit_are_met_and_beyond_it_refused():
    """880.576 mm/s by the formula: sqrt(2/pi) 30/(0.125 x 0.08) exp(-1)."""
    exact = math.sqrt(2 / math.pi) * 30.0 / (0.125 * 0.08) * math.exp(-1.0)
    asked = {"beam": BEAM, "resin": RESIN, "layer_thickness": Q(0.1, "mm"), "overcure": Q(0.05, "mm")}
    for end, factor, met in (("max", 1.0, True), ("max", 0.999999, False), ("min", 1.0, True), ("min", 1.000001, False)):
        limits = Limits(**{f"scan_speed_{end}": Q(exact * factor, "mm/s")})
        assert taken(solve, "scan_speed", **asked, limits=limits) == met
    with pytest.raises(NoSolution, match=r"at the limit the weakest place is overcured by 0\.104 mm more than wanted"):
        solve("scan_speed", **asked, limits=Limits(scan_speed_max=Q(exact / 2, "mm/s")))
    sure = Measured(Q(30.0, "mW"), Q(0.6, "mW"))
    found = solve("scan_speed", **(asked | {"beam": Beam(power=sure, radius_x=Q(0.125, "mm"))}))
    assert float(found.standard_uncertainty[0].m) == pytest.approx(0.02 * exact)
