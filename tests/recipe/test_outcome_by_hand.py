"""What settings do, by hand: the dose aimed at, the fastest speed, ends of vectors, two directions, and how far limits may be exceeded."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from curecalc.physics import motion
from curecalc.physics.laws import Threshold
from curecalc.physics.light import Gaussian
from curecalc.recipe import outcome
from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import Bounds, Hold, RunUp, Task
from curecalc.recipe.ends import along, least_along, with_ends
from curecalc.recipe.light import Pattern, shape
from curecalc.recipe.outcome import at_settings, fastest_at, violations, wanted_over_ratio

from .test_search_by_hand import hills

LN_EC = math.log(0.08)
KNOWN = Curve(0.15, LN_EC, LN_EC + 1.0, 0.0, 0.0, 0.0, math.inf)
BOUNDS = Bounds(1.0, 300.0, 0.05, 0.2, 10.0, 5000.0)
LINE = Task("line", Pattern(False), 0.1, 0.15, 0.95, True, KNOWN, Errors(), BOUNDS)
RASTER = replace(LINE, kind="hatch", pattern=Pattern(True))
ROOT, Z = math.sqrt(2.0 / math.pi), 1.6448536
W = np.array([0.1])
OVAL = Gaussian(1.0, 2.0)  # 0.2 mm across a track along x, 0.1 mm across one along y


def bounded(task, **bounds):
    return replace(task, bounds=replace(task.bounds, **bounds))


# ---------------------------------------------------------------- the dose aimed at


def aimed(task, wanted=LN_EC + 1.0):
    """ln of the dose over Ec."""
    return float(np.ravel(outcome._aimed(task, shape(task.pattern, W, None), wanted, W))[0]) - LN_EC


def test_a_line_gets_the_dose_of_its_depth_its_least_width_or_its_accuracy():
    """Lw = W0 sqrt(2 x), x = ln(E/Ec); a power known to 3 % leaves U = 2 Lw 0.03/(2 x) = 0.006 mm/sqrt(2 x)."""
    assert aimed(LINE) == pytest.approx(1.0)
    assert aimed(bounded(LINE, line_width_low=0.1)) == pytest.approx(1.0)  # x = 1/2 would do
    assert aimed(bounded(LINE, line_width_low=0.25)) == pytest.approx(3.125)
    assert aimed(bounded(LINE, line_width_low=10.0)) == pytest.approx(600.0 - LN_EC)  # a number still, if no machine's
    doubtful = replace(LINE, errors=Errors(power=0.03))
    for x, got in ((0.9, 1.0), (1.1, 1.1), (3.0, 3.0), (39.0, 39.0), (41.0, 1.0)):
        task = bounded(doubtful, width_accuracy=0.006 / math.sqrt(2.0 * x))
        assert aimed(task) == pytest.approx(got, rel=1e-9), x
    assert aimed(bounded(doubtful, width_accuracy=0.006 / math.sqrt(6.0), line_width_low=0.25)) == pytest.approx(3.125)
    # a spot known to 2 %: U = 2 W0 sqrt(2 x) 0.02 (1/(2 x) - 1) below x = 1/2, where the two ways in which the radius counts differ
    spot = bounded(replace(LINE, errors=Errors(beam_radius=0.02)), width_accuracy=0.004 * math.sqrt(0.8) * 0.25)
    assert aimed(spot, LN_EC + 0.2) == pytest.approx(0.4)
    raster = bounded(replace(RASTER, errors=Errors(power=0.03)), width_accuracy=1e-9, line_width_low=9.0)
    assert outcome._aimed(raster, None, 0.5, W) == 0.5


def test_the_width_of_a_turned_spot_is_made_sure_for_many_radii_at_once():
    """Radii 1 and 2 across at 45 deg, known to 0.04 rad: over two of them ln W moves by d; U = 2 Lw d/2 |1 - 1/(2 x)|, at x = 0.2."""
    pattern = Pattern(False, spot=Gaussian(1.0, 2.0, 0.25 * math.pi), turned=0.04)
    task = bounded(replace(LINE, pattern=pattern), width_accuracy=1.0)
    radii = np.array([0.05, 0.1, 0.15])
    lit = shape(pattern, radii, None)
    assert outcome._aimed(task, lit, np.full(3, LN_EC + 0.2), radii) == pytest.approx([LN_EC + 0.2] * 3)
    far = math.hypot(math.sin(0.25 * math.pi - 0.08), 2.0 * math.cos(0.25 * math.pi - 0.08))
    moved = 0.5 * math.log(far / math.sqrt(2.5))
    x = 0.3
    widths = radii * math.sqrt(2.5) * math.sqrt(2.0 * x)
    got = [
        float(outcome._aimed(bounded(task, width_accuracy=2.0 * w * moved * (0.5 / x - 1.0)), lit, np.full(3, LN_EC + 0.2), radii)[k])
        for k, w in enumerate(widths)
    ]
    assert got == pytest.approx([LN_EC + x] * 3)


@pytest.mark.parametrize(
    ("bounds", "more", "power", "speed"),
    [
        ({"scan_speed_high": 1e6}, {}, 300.0, ROOT * 300.0 / (0.1 * 0.08 * math.e)),
        ({}, {}, 5000.0 * 0.1 * 0.08 * math.e / ROOT, 5000.0),
        ({"power_low": 250.0}, {}, 250.0, 5000.0),
        ({"scan_speed_high": 1e6}, {"pattern": Pattern(False, 2)}, 300.0, 2.0 * ROOT * 300.0 / (0.1 * 0.08 * math.e)),
        ({}, {"vector_length": 8.0, "acceleration": 1e6}, math.sqrt(8e6) * 0.1 * 0.08 * math.e / ROOT, math.sqrt(8e6)),
        ({"scan_speed_low": 4000.0}, {"vector_length": 8.0, "acceleration": 1e6}, 4000.0 * 0.1 * 0.08 * math.e / ROOT, 4000.0),
    ],
)
def test_full_power_where_the_scanner_keeps_up_else_the_power_that_meets_the_depth(bounds, more, power, speed):
    """E = sqrt(2/pi) P/(W0 v) = Ec e for a depth of one Dp."""
    found = fastest_at(replace(bounded(LINE, **bounds), **more), W, None)
    assert (float(np.ravel(found["power"])[0]), float(found["scan_speed"][0])) == pytest.approx((power, speed))


def test_pulses_no_further_apart_than_allowed():
    task = bounded(replace(LINE, pattern=Pattern(False, pulse_rate=20_000.0)), pulse_share=0.5)
    found = fastest_at(task, W, None)
    assert float(found["scan_speed"][0]) == pytest.approx(0.5 * 20_000.0 * 0.1)
    least = hills(0.5, 0.5) / (math.sqrt(0.5 * math.pi) / 0.5)  # half-way between two pulses over the mean along the line
    dose = ROOT * float(found["power"][0]) / (0.1 * 1000.0) * least
    assert dose == pytest.approx(0.08 * math.e, rel=1e-9)
    slow = fastest_at(bounded(task, power_high=1.5, scan_speed_high=1e6, pulse_share=3.0), W, None)
    pitch = float(slow["scan_speed"][0]) / 20_000.0 / 0.1
    dose = ROOT * 1.5 / (0.1 * float(slow["scan_speed"][0])) * hills(pitch, 0.5) * pitch / math.sqrt(0.5 * math.pi)
    assert dose == pytest.approx(0.08 * math.e, rel=1e-9)


@pytest.mark.parametrize("run_up", [None, RunUp(), RunUp(None, 0.5, 0.5), RunUp(0.0, 0.0), RunUp(1.0)])
@pytest.mark.parametrize("raster", [True, False])
def test_the_table_of_doses_agrees_with_the_doses(run_up, raster):
    doubt = Errors(power=0.01, beam_radius=0.02, beam_radius_scale=0.01, scan_speed=0.01, hatch_spacing=0.01, layer_thickness=0.002)
    task = replace(RASTER if raster else LINE, errors=doubt, run_up=run_up, vector_length=60.0, acceleration=2e6)
    radius, spacing = np.array([0.06, 0.1, 0.19]), np.array([0.05, 0.13, 0.2]) if raster else None
    quick, exact = (fastest_at(task, radius, spacing, table) for table in (wanted_over_ratio(task), None))
    np.testing.assert_allclose(quick["log_wanted"], exact["log_wanted"], atol=2e-6)
    np.testing.assert_allclose(quick["scan_speed"], exact["scan_speed"], rtol=2e-6)


def test_the_table_reaches_from_the_closest_lines_that_are_tried_to_the_widest():
    doubt = Errors(beam_radius=0.02, hatch_spacing=0.01)
    task = replace(bounded(RASTER, scan_speed_high=1e9), errors=doubt)
    radius, spacing = np.full(4, 0.1), np.array([0.005, 0.006, 0.398, 0.4])
    quick, exact = (fastest_at(task, radius, spacing, table) for table in (wanted_over_ratio(task), None))
    np.testing.assert_allclose(quick["log_wanted"], exact["log_wanted"], atol=1e-6)


def test_where_more_than_the_ratio_counts_there_is_no_table():
    place = Hold(0.9, 1.0, 1.0)
    assert wanted_over_ratio(LINE) is not None
    assert wanted_over_ratio(replace(LINE, hold=place)) is not None
    bent = replace(KNOWN, law=Threshold(0.15, 0.08, 0.8, 5.0))
    for task in (
        replace(LINE, pattern=Pattern(False, pulse_rate=1e5)),
        replace(LINE, pattern=Pattern(False, spot=OVAL)),
        replace(LINE, pattern=Pattern(False, exponent=0.8, reference=5.0), curve=bent),
        replace(LINE, hold=replace(place, out_of_focus=1.0)),
        replace(LINE, hold=replace(place, wider=1.1)),
        replace(LINE, run_up=RunUp(0.5)),
    ):
        assert wanted_over_ratio(task) is None


# ---------------------------------------------------------------- ends and directions


def test_of_two_directions_the_weakest_and_the_fullest_place():
    """Hard ends, places from one nominal radius on: Phi(2) of the dose where the spot is 0.1 mm long, Phi(1) where it is 0.2 mm."""
    task = replace(LINE, run_up=RunUp(), vector_length=50.0, pattern=Pattern(False, spot=OVAL, tracks=(0.0, 0.5 * math.pi)))
    for tracks in ((0.0, 0.5 * math.pi), (0.5 * math.pi, 0.0)):
        low, high = along(replace(task, pattern=task.pattern._replace(tracks=tracks)), 100.0, W, 1000.0)
        assert (float(low[0]), float(high[0])) == pytest.approx((stats.norm.cdf(2.0), 1.0))
    one = replace(task, pattern=task.pattern._replace(tracks=(0.5 * math.pi,)))
    assert float(along(one, 100.0, W, 1000.0)[0][0]) == pytest.approx(stats.norm.cdf(1.0))
    assert along(replace(task, run_up=None), 100.0, W, 1000.0) == along(replace(task, vector_length=math.inf), 100.0, W, 1.0) == (1.0, 1.0)
    half = replace(one, run_up=RunUp(margin=0.5))
    assert float(along(half, 100.0, W, 1000.0)[0][0]) == pytest.approx(stats.norm.cdf(0.5))
    # a vector shorter than both margins is looked at in its middle
    short = replace(one, vector_length=0.1)
    assert float(along(short, 100.0, W, 1000.0)[0][0]) == pytest.approx(2.0 * stats.norm.cdf(0.5) - 1.0)


def test_a_power_below_the_least_stays_on_at_full_speed_s_power():
    """Where power would follow speed but cannot fall below what is set, the beam is as bright at rest as at speed."""
    task = replace(LINE, run_up=RunUp(1.0, 0.0), vector_length=10.0, acceleration=1e6, bounds=replace(BOUNDS, power_least=100.0))
    on = along(replace(task, run_up=RunUp(0.0, 0.0)), 100.0, W, 1000.0)
    for power in (100.0, 50.0):
        for got, want in zip(along(task, power, W, 1000.0), on, strict=True):
            assert float(got[0]) == pytest.approx(float(want[0]), rel=1e-6)
    assert float(along(task, 1000.0, W, 1000.0)[1][0]) < float(on[1][0])


@pytest.mark.parametrize(
    ("least", "margin", "w", "follows", "v"),
    [
        (0.44, 0.0, 1.83, 1.0, 4000.0),
        (0.3, 1.0, 1.4, 1.0, 4000.0),
        (0.1, 0.5, 2.0, 1.0, 4000.0),
        (0.6, 0.0, 1.6, 1.0, 4000.0),
        (0.44, 1.0, 0.9, 1.0, 4000.0),
        (0.327, 0.5, 0.546, 1.926, 584.0),  # the weakest place two radii beyond
        (0.811, 0.0, 1.3, 1.0, 450.0),  # a shallow one
        (0.192, 0.0, 1.958, 1.945, 991.0),  # a narrow one, by an end where there is less
    ],
)
def test_the_weakest_place_is_where_power_can_follow_speed_no_further(least, margin, w, follows, v):
    """Light of power w falls towards the ends faster than there is more time, and holds from the least power on: the light added up by
    hand, moment by moment, at many places. A general minimiser closes in on the weakest.
    """
    a, length, radius = 1e6, 30.0, 0.1
    bounds, pattern = replace(BOUNDS, power_least=100.0 * least), Pattern(False, exponent=w)
    task = replace(LINE, run_up=RunUp(follows, 0.0, margin), vector_length=length, acceleration=a, bounds=bounds, pattern=pattern)
    t = np.linspace(0.0, v / a, 20_001)
    rise, light = 0.5 * a * t**2, np.maximum((a * t / v) ** follows, least) ** w

    def dose(x):  # what comes from speeding up, then from full speed up to the middle, which the other end does not reach
        early = np.trapezoid(light * np.exp(-2.0 * w * ((x - rise) / radius) ** 2), t)
        late = math.sqrt(math.pi / (2.0 * w)) * radius / v * stats.norm.cdf(2.0 * math.sqrt(w) * (x - 0.5 * v * v / a) / radius)
        return (early + late) / (math.sqrt(math.pi / (2.0 * w)) * radius / v)

    places = np.concatenate([np.linspace(margin * radius, 0.5 * length, 301), np.linspace(margin * radius, 1.0, 101)])
    rough = places[int(np.argmin([dose(x) for x in places]))]
    near = optimize.minimize_scalar(dose, bounds=(max(rough - 0.1, margin * radius), min(rough + 0.1, 0.5 * length)), method="bounded")
    want = min(near.fun, dose(margin * radius), dose(0.5 * length))
    for found in (along(task, 100.0, np.array([radius]), v)[0], least_along(task, 100.0, np.array([[radius]]), v)[0]):
        assert float(found[0]) == pytest.approx(want, rel=1e-6)


def test_lines_of_a_turned_ellipse_end_some_sooner_some_later():
    """Radii 1 and 2 turned by 45 deg: across sqrt 2.5, along 2/sqrt 2.5, a chord's middle moves by 0.6 for each unit across."""
    spot = Gaussian(1.0, 2.0, 0.25 * math.pi)
    for raster, spacing, long in (
        (False, None, 0.2 / math.sqrt(2.5)),
        (True, 0.3, math.hypot(0.2 / math.sqrt(2.5), 0.6 * 0.3)),
        (True, 0.1, math.hypot(0.2 / math.sqrt(2.5), 0.6 * 0.1 * math.sqrt(2.5))),
    ):
        task = replace(LINE, run_up=RunUp(), vector_length=50.0, pattern=Pattern(raster, spot=spot))
        low, _ = along(task, 100.0, W, 1000.0, spacing=spacing)
        assert float(low[0]) == pytest.approx(stats.norm.cdf(0.2 / long))


def test_what_an_end_adds_to_the_powers_of_radius_and_speed():
    """d ln Phi(2 s/W)/d ln W at s = W: -2 phi(2)/Phi(2), no matter how fast; nothing without ends."""
    lit = shape(LINE.pattern, W, None)
    found, least = with_ends(replace(LINE, run_up=RunUp(), vector_length=50.0), lit, 100.0, W, 1000.0)
    assert float(least[0]) == pytest.approx(stats.norm.cdf(2.0))
    assert float(found.radius_power[0]) == pytest.approx(-1.0 - 2.0 * stats.norm.pdf(2.0) / stats.norm.cdf(2.0), abs=2e-4)
    assert float(found.speed_power[0]) == pytest.approx(-1.0, abs=1e-6)
    slow = replace(LINE, run_up=RunUp(2.0), vector_length=10.0, acceleration=1e6)  # the power falls as the speed squared

    def log_least(radius, speed):
        return float(np.log(along(slow, 100.0, radius * W, 1000.0 * speed))[0, 0])

    def log_spot(spot):  # a true radius other than the nominal one, which sets the margin
        return float(np.log(along(slow, 100.0, W, 1000.0, spot))[0, 0])

    found, _ = with_ends(slow, lit, 100.0, W, 1000.0)
    step = 1e-3
    by_speed = (log_least(1.0, 1.0 + step) - log_least(1.0, 1.0 - step)) / (2.0 * step)
    by_spot = (log_spot(1.0 + step) - log_spot(1.0 - step)) / (2.0 * step)
    assert by_speed < -0.05
    assert (float(found.speed_power[0]), float(found.radius_power[0])) == pytest.approx((-1.0 + by_speed, -1.0 + by_spot), abs=1e-3)
    assert with_ends(replace(LINE, run_up=RunUp()), lit, 100.0, W, 1000.0) == (lit, 1.0)
    assert with_ends(replace(LINE, vector_length=5.0), lit, 100.0, W, 1000.0) == (lit, 1.0)


def test_the_narrowest_and_the_widest_direction_of_an_ellipse():
    task = replace(LINE, pattern=Pattern(False, spot=OVAL, tracks=(0.0, 0.5 * math.pi)))
    for x in (0.3, 1.2):  # over Ec, in the direction that gets least; the other gets twice as much
        least = min(0.2 * math.sqrt(2.0 * x), 0.1 * math.sqrt(2.0 * (x + math.log(2.0))))
        assert float(outcome._line_width(task, LN_EC + x, W, 0.0)[0]) == pytest.approx(least)
        most = max(0.2 * math.sqrt(2.0 * x), 0.1 * math.sqrt(2.0 * (x + math.log(2.0))))
        strongest = LN_EC + x + math.log(2.0)
        assert float(outcome._line_width(task, strongest, W, 0.0, widest=True)[0]) == pytest.approx(most)
    below = float(outcome._line_width(task, LN_EC + 1.2, W, 0.1)[0])
    assert below == pytest.approx(min(0.2 * math.sqrt(2.0 * (1.2 - 2 / 3)), 0.1 * math.sqrt(2.0 * (1.2 + math.log(2.0) - 2 / 3))))
    found = at_settings(task, 30.0, W, None, 1000.0)
    weak, full = (ROOT * 30.0 / (across * 1000.0) for across in (0.2, 0.1))
    assert (float(found["dose_min"][0]), float(found["dose_deepest"][0])) == pytest.approx((weak, full))
    assert float(found["depth_max"][0]) == pytest.approx(0.15 * math.log(full / 0.08))


def test_how_much_narrower_a_turned_ellipse_is():
    def narrower(track, turned=0.05, tracks=()):
        return outcome._narrower(Pattern(True, spot=OVAL, tracks=(track, *tracks), turned=turned))

    across = math.hypot(math.sin(0.1), 2.0 * math.cos(0.1))  # two standard uncertainties off the x axis
    assert narrower(0.0) == pytest.approx(0.5 * math.log(2.0 / across))
    for track in (0.25 * math.pi, -0.25 * math.pi):  # to the narrower side, two standard uncertainties further
        there = math.hypot(math.sin(0.25 * math.pi + 0.1), 2.0 * math.cos(0.25 * math.pi + 0.1))
        assert narrower(track) == pytest.approx(0.5 * math.log(math.sqrt(2.5) / there))
        wider = math.hypot(math.sin(0.25 * math.pi - 0.1), 2.0 * math.cos(0.25 * math.pi - 0.1))
        turn = shape(Pattern(False, spot=OVAL, tracks=(track,), turned=0.05), W, None).turn
        assert float(turn[0]) == pytest.approx(0.5 * math.log(wider / math.sqrt(2.5)))
    assert narrower(0.5 * math.pi) == 0.0  # the narrow side: any turn widens
    assert narrower(0.0, 0.0) == narrower(0.0, tracks=(1.0,)) == 0.0


def test_exposure_carries_energy_where_the_dose_goes_with_a_power_of_irradiance():
    """w = 0.8, 5 mW/mm^2: a line's S = integral of I^w dt over 5^(w - 1), summed here; the exposure stays sqrt(2/pi) P/(W0 v)."""
    law = Threshold(0.15, 0.08, 0.8, 5.0)
    task = replace(LINE, pattern=Pattern(False, exponent=0.8, reference=5.0), curve=replace(KNOWN, law=law))
    found = at_settings(task, 30.0, W, None, 1000.0)
    energy = ROOT * 30.0 / (0.1 * 1000.0)
    assert [float(np.ravel(found[f"exposure_{k}"])[0]) for k in ("min", "mean", "max")] == pytest.approx([energy] * 3)
    t = np.linspace(-6e-4, 6e-4, 20001)
    irradiance = 2.0 * 30.0 / (math.pi * 0.01) * np.exp(-2.0 * (1000.0 * t / 0.1) ** 2)
    assert float(found["dose_min"][0]) == pytest.approx(np.trapezoid(irradiance**0.8, t) / 5.0**-0.2, rel=1e-9)
    ends = at_settings(replace(task, run_up=RunUp(), vector_length=50.0), 30.0, W, None, 1000.0)
    assert float(ends["exposure_min"][0]) == pytest.approx(energy * stats.norm.cdf(2.0))
    assert float(ends["dose_min"][0] / found["dose_min"][0]) == pytest.approx(stats.norm.cdf(2.0 * math.sqrt(0.8)))
    hatch = replace(RASTER, pattern=Pattern(True, exponent=0.8, reference=5.0), curve=task.curve)
    found = at_settings(hatch, 30.0, W, np.array([0.12]), 1000.0)
    mean = 30.0 / (1000.0 * 0.12)
    lines = mean * 1.2 / math.sqrt(0.5 * math.pi) * np.array([hills(1.2, 0.5), math.sqrt(0.5 * math.pi) / 1.2, hills(1.2, 0.0)])
    assert [float(np.ravel(found[f"exposure_{k}"])[0]) for k in ("min", "mean", "max")] == pytest.approx(lines.tolist())


# ---------------------------------------------------------------- how far limits may be exceeded


def upper(task, power=100.0, spacing=None, **limits):
    found = at_settings(replace(bounded(task, **limits), assured_limits=True), power, W, spacing, 1000.0)
    return {name: float(np.ravel(found[name])[0]) for name in found if name not in ("light", "log_wanted") and found[name] is not None}


def test_depths_reach_beyond_their_limits_by_the_quantile():
    """Power known to 3 %, radius to 2 %: Dp times that, times 1.645. Of stacked layers the slope of the curve counts with its lever."""
    many = {"overcure": 0.5, "print_through": 0.5}
    for errors, u in ((Errors(power=0.03), 0.03), (Errors(beam_radius=0.02), 0.02), (Errors(beam_radius_scale=0.02), 0.02)):
        found = upper(replace(LINE, errors=errors), **many)
        assert found["overcure_beyond"] == pytest.approx(Z * 0.15 * u, rel=1e-6)
        assert found["print_through_beyond"] == pytest.approx(Z * 0.15 * u, rel=1e-5)
    assert {"overcure_beyond", "print_through_beyond", "ripple_beyond"}.isdisjoint(upper(replace(LINE, errors=errors)))
    bent = replace(LINE, curve=replace(KNOWN, slope_variance=9e-6))
    x = math.log(ROOT * 100.0 / (0.1 * 1000.0)) - LN_EC
    q = math.exp(-0.1 / 0.15)
    lever = (0.1 / 0.15) * q / (1.0 - q)  # d ln[1/(1 - e^(-t/Dp))]/d ln Dp
    found = upper(bent, **many)
    assert found["overcure_beyond"] == pytest.approx(Z * 0.003 * (x - 1.0), rel=1e-6)
    assert found["print_through_beyond"] == pytest.approx(Z * 0.003 * (x - math.log(1.0 - q) - 1.0 + lever), rel=1e-4)
    alone = upper(replace(bent, layers=1.0), **many)["print_through_beyond"]
    assert alone == pytest.approx(Z * 0.003 * (x - 1.0), rel=1e-6)


def test_layers_above_with_a_dose_of_their_own():
    """Three layers, the two above at 0.5 mJ/mm^2: e + 0.5 (q + q^2); deeper resin lets more of them through."""
    task = replace(LINE, layers=3.0, above=0.5)
    e, q = ROOT * 100.0 / 100.0, math.exp(-0.1 / 0.15)
    total = e + 0.5 * (q + q * q)
    assert float(at_settings(task, 100.0, W, None, 1000.0)["print_through"][0]) == pytest.approx(0.15 * math.log(total / 0.08) - 0.1)
    own = at_settings(replace(task, above=None), 100.0, W, None, 1000.0)
    assert float(own["print_through"][0]) == pytest.approx(0.15 * math.log(e * (1.0 + q + q * q) / 0.08) - 0.1)
    lever = 0.5 * (q + 2.0 * q * q) * (0.1 / 0.15) / total
    beyond = upper(replace(task, curve=replace(KNOWN, slope_variance=9e-6)), print_through=0.5)["print_through_beyond"]
    assert beyond == pytest.approx(Z * 0.003 * (math.log(total / 0.08) - 1.0 + lever), rel=1e-4)


def test_of_two_directions_the_fuller_one_goes_deepest():
    """Lines 0.12 mm apart, 0.2 mm wide along x, 0.1 mm along y: where they overlap most no radius counts, in the weakest place it does."""
    oval = Pattern(True, spot=OVAL, tracks=(0.0, 0.5 * math.pi))
    found = upper(replace(RASTER, pattern=oval, errors=Errors(beam_radius=0.02)), spacing=np.array([0.12]), overcure=0.5)
    assert found["overcure_beyond"] == pytest.approx(0.0, abs=1e-6)
    assert found["dose_min"] < 0.95 * found["dose_deepest"]
    turned = oval._replace(tracks=(0.5 * math.pi,))
    alone = upper(replace(RASTER, pattern=turned, errors=Errors(beam_radius=0.02)), spacing=np.array([0.12]), overcure=0.5)
    power = math.log(hills(1.2 * math.exp(0.04), 0.5) * math.exp(0.04) / hills(1.2, 0.5)) / 0.04
    assert alone["overcure_beyond"] == pytest.approx(Z * 0.15 * 0.02 * abs(power), rel=1e-3)


def test_ripple_and_widths_reach_beyond_their_limits():
    raster = replace(RASTER, errors=Errors(beam_radius=0.02, beam_radius_scale=0.01, hatch_spacing=0.02))
    found = upper(raster, spacing=np.array([0.12]), ripple=0.1)
    apart = 1.2 * math.exp(Z * 0.03)

    def ripple(ratio):
        return 0.15 * math.log(hills(ratio, 0.0) / hills(ratio, 0.5))

    assert found["ripple"] == pytest.approx(ripple(1.2))
    assert found["ripple_beyond"] == pytest.approx(ripple(apart) - ripple(1.2), rel=1e-6)
    few = replace(RASTER, curve=replace(KNOWN, slope_variance=9e-6, degrees_of_freedom=4.0))
    found = upper(few, spacing=np.array([0.12]), ripple=0.1)
    assert found["ripple_beyond"] == pytest.approx(stats.t.ppf(0.95, 4) * 0.02 * ripple(1.2), rel=1e-6)
    line = upper(replace(LINE, errors=Errors(power=0.03)))
    x = math.log(ROOT * 100.0 / (0.1 * 1000.0)) - LN_EC
    width = 0.1 * math.sqrt(2.0 * x)
    assert (line["width_beyond"], line["width_short"]) == pytest.approx((Z * width * 0.03 / (2.0 * x),) * 2, rel=1e-6)
    assert line["line_width_max"] == pytest.approx(width)


def test_a_finer_stronger_place_of_the_field_counts_for_what_may_not_be_exceeded():
    """5 % more light in the strongest place: Dp ln 1.05 deeper; ridges of a raster by the finest spot."""
    one = replace(LINE, layers=1.0)
    plain, hot = (at_settings(task, 100.0, W, None, 1000.0) for task in (one, replace(one, hottest=1.05)))
    for name in ("depth_max", "print_through"):
        assert float(hot[name][0] - plain[name][0]) == pytest.approx(0.15 * math.log(1.05))
    fine = at_settings(replace(RASTER, finest=0.8), 100.0, W, np.array([0.12]), 1000.0)
    assert float(fine["ripple"][0]) == pytest.approx(0.15 * math.log(hills(1.5, 0.0) / hills(1.5, 0.5)))
    broken = violations(bounded(RASTER, ripple=0.01), fine)
    assert float(np.ravel(broken["ripple"])[0]) == pytest.approx(math.log(float(fine["ripple"][0]) / 0.01))


@pytest.mark.parametrize("run_up", [RunUp(), RunUp(0.0, 0.0), RunUp(1.0, 0.0), None])
@pytest.mark.parametrize("pulses", [None, 30_000.0])
def test_the_fastest_settings_leave_the_dose_that_is_wanted_at_their_own_ends(run_up, pulses):
    task = replace(LINE, pattern=Pattern(False, pulse_rate=pulses), run_up=run_up, vector_length=5.0, acceleration=5e5)
    task = bounded(task, power_low=0.01, power_least=20.0, scan_speed_high=800.0, power_high=70.0, pulse_share=2.0)
    for power in (5.0, 70.0):  # the laser limits the speed, then the scanner
        found = fastest_at(bounded(task, power_high=power), np.array([0.06, 0.1, 0.19]), None)
        np.testing.assert_allclose(found["log_exposure"], found["log_wanted"], rtol=0.0, atol=1e-10)


def test_the_greatest_dose_along_a_vector_may_lie_a_little_inside_the_margin():
    """Judged from 0.2 radii on, a hundred places along half the vector: the dose still rises from the end to 0.3 radii further in."""
    task = replace(LINE, run_up=RunUp(0.0, 0.0, 0.2), vector_length=10.0, acceleration=1e6)
    ends = outcome.ends_of(task, 100.0, 10.0)
    places = 0.02 + np.linspace(0.0, 0.08, 161)
    doses = motion.share(places, 330.0, 0.1, ends)
    assert places[doses.argmax()] == pytest.approx(0.05, abs=0.003)
    low, high = along(task, 100.0, W, 330.0)
    assert float(high[0]) == pytest.approx(doses.max(), rel=5e-3)
    assert float(low[0]) == pytest.approx(min(doses.min(), float(motion.share(5.0, 330.0, 0.1, ends))))
