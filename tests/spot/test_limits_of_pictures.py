"""Where a picture, power readings or a map of the field are refused, called doubtful or noted: at each limit and just beyond it.

Student factors and chi-squared are those of printed tables.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.spot import doubts, image, light, mapping, pictures
from curecalc.spot.field import FieldMap, FieldSpot, Place, parting
from curecalc.spot.frame import Cells, Ground
from curecalc.spot.gauss2d import Bell, bell
from curecalc.spot.image import Axes, axes_of
from curecalc.spot.measurement import BeamMeasurement, Estimate, Part, pooled, pooled_quality
from curecalc.spot.moments import inside
from curecalc.spot.power import power_reading
from curecalc.units import MM, ONE
from curecalc.units import Quantity as Q


def refusal(call, *args, **options):
    try:
        call(*args, **options)
    except ValueError as error:
        return str(error)
    return ""


ROUND = Bell(
    centre=(5.0, 5.0),
    u_centre=(0.0, 0.0),
    variance=(0.25, 0.0, 0.25),  # radius 1 mm
    covariance=np.zeros((3, 3)),
    peak=100.0,
    u_peak=0.0,
    ground=Ground(1, (0.0, 0.0), 1.0, np.zeros(3), np.zeros((3, 3)), 0.0),
    residual=0.0,
    noise=0.0,
    block=1,
    converged=True,
)
SPAN, PIXEL = (10.0, 12.0), (0.1, 0.1)


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"u_peak": 10.0}, {"u_peak": 10.1}, doubts.NOTHING),
        ({"converged": False, "residual": 0.5}, {"converged": False, "residual": 0.51}, doubts.NOTHING),
        ({"centre": (1.0, 5.0)}, {"centre": (0.99, 5.0)}, "only 0.99 beam radii fit"),
        ({"centre": (9.0, 5.0)}, {"centre": (9.01, 5.0)}, "only 0.99 beam radii fit"),
        ({"centre": (5.0, 1.0)}, {"centre": (5.0, -0.01)}, "only 0.00 beam radii fit"),
        ({"centre": (5.0, 11.0)}, {"centre": (5.0, 11.01)}, "only 0.99 beam radii fit"),
        ({"u_centre": (2.0, 2.4)}, {"u_centre": (2.01, 0.0)}, "the beam is larger than the sensor holds"),
        ({}, {"u_centre": (0.0, 2.41)}, "the beam is larger than the sensor holds"),
        (
            {"variance": (1.0, 0.0, 0.0057)},
            {"variance": (1.0, 0.0, 0.0056)},
            "the beam radius is only 1.5 pixels, too few to measure (3 pixels",
        ),
    ],
)
def test_a_spot_is_refused_beyond_each_limit(fine, not_fine, words):
    assert refusal(doubts.check_size, replace(ROUND, **fine), SPAN, PIXEL) == ""
    assert words in refusal(doubts.check_size, replace(ROUND, **not_fine), SPAN, PIXEL)


def keys(judge, *args):
    findings = []
    judge(*args, findings)
    return [f.key for f in findings]


def test_saturation_begins_at_its_shares():
    for share, at_scale, peak, said in (
        (0.0005, True, 100.0, []),
        (0.00051, True, 100.0, ["saturated"]),
        (0.10, True, 100.0, ["saturated"]),
        # a peak of 100 counts is flat over 0.5/100 of the ellipse by its digits: three times that and 2 % more is too much
        (0.0349, False, 100.0, []),
        (0.0351, False, 100.0, ["flat_top"]),
        (1.0, False, 0.5, []),
    ):
        assert keys(doubts.judge_saturation, share, 255.0, at_scale, replace(ROUND, peak=peak)) == said
    assert "10 % of the pixels inside the spot sit at full scale (255)" in refusal(doubts.judge_saturation, 0.101, 255.0, True, ROUND, [])


def test_hot_pixels_are_a_fault_of_the_camera_beyond_half_a_per_cent():
    for count, check, words in (
        (1, False, "1 hot or dead pixel replaced"),
        (5, False, "5 hot or dead pixels replaced"),
        (6, True, "6 hot"),
    ):
        findings = []
        doubts.judge_mended(count, 1000, findings)
        assert findings[0].check is check
        assert findings[0].text.startswith(words)
    assert keys(doubts.judge_mended, 0, 1000) == []


def test_zeros_beside_a_noisy_beam():
    # radius 2: the rectangle of 1.5 radii holds 7 x 7 of 20 x 20 pixels, and 351 are left; 2 % of them are 7.02
    found = replace(ROUND, centre=(10.0, 10.0), variance=(1.0, 0.0, 1.0))
    noisy = Cells(np.ones((20, 20)), np.arange(20.0), np.arange(20.0), 2, np.full((20, 20), 0.2504))  # 0.5004 over blocks of two: 1.0008
    still = replace(noisy, noise=np.full((20, 20), 0.25))
    core = replace(noisy, noise=np.zeros((20, 20)))  # the noise of the nine pixels within 0.7 radii: eight ninths of 0.3
    core.noise[9:12, 9:12] = 0.3
    core.noise[10, 10] = 0.0
    for zeros, beam, said in ((7, noisy, []), (8, noisy, ["dark_cut"]), (8, still, []), (8, core, ["dark_cut"])):
        raw = np.ones((20, 20))
        raw.ravel()[:zeros] = 0.0
        assert keys(doubts.judge_dark, raw, 0.0, beam, found, (1.0, 1.0)) == said
    assert keys(doubts.judge_dark, raw, 1.0, noisy, found, (1.0, 1.0)) == []
    for across, said in ((799, ["dark_cut"]), (800, [])):  # every second pixel of a large frame is looked at, and those are bright
        raw = np.ones((20, across))
        raw[:, 1::2] = 0.0
        assert keys(doubts.judge_dark, raw, 0.0, noisy, found, (1.0, 1.0)) == said
    for zeros, said in ((7, []), (8, ["dark_cut"])):  # 350 pixels are left of 21 x 19
        raw = np.ones((21, 19))
        raw.ravel()[:zeros] = 0.0
        assert keys(doubts.judge_dark, raw, 0.0, noisy, found, (1.0, 1.0)) == said
    # a pixel that is looked at is found where it stands: zeros inside the beam do not count
    found = replace(ROUND, centre=(1200.0, 10.0), variance=(3600.0, 0.0, 1.0))
    x, y = 2.0 * np.arange(1000.0), np.arange(20.0)
    raw = np.where(inside(x, y, *found.centre, found.variance, 1.5), 0.0, 1.0)
    beam = Cells(raw, x, y, 1, np.full(raw.shape, 4.0))
    assert keys(doubts.judge_dark, raw, 0.0, beam, found, (2.0, 1.0)) == []
    assert keys(doubts.judge_dark, raw[:, ::-1], 0.0, beam, found, (2.0, 1.0)) == ["dark_cut"]


def axes(radius, u=0.0):
    return Axes(radius, radius, u, u, 0.0, 0.0, True)


@pytest.mark.parametrize(
    ("excess", "share", "measured", "fitted", "said"),
    [
        (0.03, None, axes(1.0), axes(1.0), []),
        (0.0301, None, axes(1.0), axes(1.0), ["not_gaussian"]),
        # inside the ellipse of a Gaussian stand 1 - e^-2 = 0.864665; 3 % and three times 1 % of the radius may be missing
        (0.0, 0.9246, axes(2.0, 0.02), axes(2.0), []),
        (0.0, 0.9248, axes(2.0, 0.02), axes(2.0), ["not_gaussian"]),
        (0.0, 0.8045, axes(2.0, 0.02), axes(2.0), ["not_gaussian"]),
        (0.0, None, axes(1.024), axes(1.0), []),
        (0.0, None, axes(1.026), axes(1.0), ["wings"]),
        (0.0, None, axes(0.974), axes(1.0), ["wings"]),
        (0.03, None, axes(1.026), axes(1.0), ["wings"]),
        (0.0301, None, axes(1.026), axes(1.0), ["not_gaussian"]),
        # four relative uncertainties of 2 % make 4 %, times 1.5
        (0.0, None, axes(1.059, 0.02118), axes(1.0, 0.02), []),
        (0.0, None, axes(1.061, 0.02122), axes(1.0, 0.02), ["wings"]),
    ],
)
def test_what_is_no_gaussian(excess, share, measured, fitted, said):
    assert keys(doubts.judge_shape, excess, share, measured, fitted, True) == said
    assert keys(doubts.judge_shape, excess, share, measured, fitted, False) == [s for s in said if s != "wings"]


def test_room_of_the_sensor():
    assert doubts.room_of((3.0, 8.0), (1.0, 0.0, 0.25), (10.0, 10.0)) == 1.5
    for room, moments, noisy, said in (
        (2.0, True, False, ("tight", False)),
        (1.99, True, False, ("tight", False)),
        (1.99, False, False, ("truncated", True)),
        (1.99, False, True, ("truncated", True)),
        (2.99, True, False, ("tight", False)),
        (3.0, True, False, None),
        (2.0, False, False, ("background", True)),
        (2.0, False, True, ("noisy", False)),
    ):
        findings = []
        doubts.judge_room(room, moments, noisy, findings)
        assert [(f.key, f.check) for f in findings] == ([said] if said else [])
        assert not said or said[0] not in ("tight", "truncated") or "3" in findings[0].text


GRID = np.arange(80.0)
BEAM = replace(ROUND, centre=(39.5, 35.5), variance=(25.0, 0.0, 25.0), peak=1000.0)  # radius 10


def rest(blocks, beam=BEAM):
    """What is said where four by four cells at (x, y) from the centre hold so many counts more."""
    z = beam.peak * bell(GRID, GRID, beam.centre, beam.variance)
    for (x, y), more in blocks.items():
        i, j = int(x + 38), int(y + 34)
        z[j : j + 4, i : i + 4] += more
    findings = []
    doubts.judge_rest(Cells(z, GRID, GRID, 1), beam, beam.ground, findings)
    return findings[0].text if findings else ""


def test_a_second_spot_is_told_with_its_place_and_power():
    # the beam holds 2 pi 25 x 1000 = 157080 counts: 0.4 % are 39.3 counts in 16 cells
    assert rest({(26, 2): 39.0}) == ""
    assert "with about 0.4 % of its power" in rest({(26, 2): 40.0})
    for x, y, way in ((26, 2, 4), (-26, 2, 176), (-26, -2, -176), (26, -2, -4)):
        assert rest({(x, y): 60.0}).startswith(
            f"a second spot stands 2.6 beam radii from the first (at {way} deg in the picture) with about 0.6 %"
        )
    # what stands within 1.5 radii of its brightest place belongs to it
    assert "with about 1.0 % of its power" in rest({(26, 2): 60.0, (26, 14): 40.0})
    assert "with about 0.6 % of its power" in rest({(26, 2): 60.0, (26, 18): 40.0})
    # readings below six times the noise, a thousandth of the peak at least, are nothing, however many
    many = [(x, y) for x in range(-38, 39, 4) for y in (-34, 38)]
    assert rest(dict.fromkeys(many, 5.9)) == ""
    assert rest(dict.fromkeys(many, 6.1)) != ""
    assert rest({(10, 2): 300.0}) == ""  # partly within one radius: the beam itself
    assert rest({(14, 2): 300.0}) != ""


def test_uneven_ground_and_halos_are_told_from_spots():
    assert "uneven" in rest({(22, 2): -60.0})
    assert rest({(14, 2): -60.0}) == ""  # nearer than 1.8 radii a lack of light is the beam's own shape
    assert "uneven" in rest(dict.fromkeys([(x, 38) for x in range(-38, 39, 4)], -6.1))
    assert rest(dict.fromkeys([(x, 38) for x in range(-38, 39, 4)], -5.9)) == ""
    sectors = [(18, 6), (6, 18), (-6, 18), (-18, 6), (-18, -6), (-6, -18), (6, -18)]
    # seven of eight sectors; the weakest counts that holds over a quarter of their mean: w > (600 + w)/32, 19.4
    ring = dict.fromkeys(sectors[:6], 100.0)
    assert "a halo around the beam holds about 6.3 % of its power" in rest(ring | {sectors[6]: 20.0})
    assert "second spot" in rest(ring | {sectors[6]: 19.0})


def test_a_halo_is_within_six_radii():
    narrow = replace(BEAM, variance=(6.25, 0.0, 6.25))  # radius 5: groups of two cells, six radii are 30
    for away, said in ((28.0, "a halo around the beam"), (33.0, "a second spot stands")):
        turn = math.pi / 8.0 * np.arange(1, 16, 2)
        ring = {(2.0 * round(away * math.cos(t) / 2.0), 2.0 * round(away * math.sin(t) / 2.0)): 60.0 for t in turn}
        assert rest(ring, narrow).startswith(said)
    assert rest({}, replace(BEAM, variance=(0.25, 0.0, 0.25))) == ""  # a beam narrower than a cell is looked at cell by cell


def test_axes_of_second_moments_by_hand():
    # xx - yy apart by d with variance 2c: d^2/(2c) against chi-squared of two at 99 %, 9.2103
    for chi, is_round in ((9.20, True), (9.22, False)):
        got = axes_of((4.0 + math.sqrt(2e-4 * chi), 0.0, 4.0), 1e-4 * np.eye(3))
        assert got.round is is_round
        assert got.u_x == pytest.approx(0.01 / 2.0, rel=0.01)  # W = 2 sqrt v, dW = dv/sqrt v
        assert got.u_angle == pytest.approx(0.45345, rel=1e-4) if is_round else got.u_angle < 0.45345  # pi/(2 sqrt 12): anywhere
    # pixels of 1.2 and 0.6, two a side: p^2/12 x 4 comes off, 0.48 and 0.12; the correction is good to one pixel's own, 0.12 and 0.03
    got = axes_of((1.48, 0.0, 1.12), np.diag([0.0, 0.0, 0.0]) + 1.0 * np.eye(3), pixel=(1.2, 0.6), block=2)
    assert (got.radius_x, got.radius_y) == (pytest.approx(2.0), pytest.approx(2.0))
    assert (got.u_x, got.u_y) == (pytest.approx(math.sqrt(1.0 + 0.0144)), pytest.approx(math.sqrt(1.0 + 0.0009)))
    assert "pixels alone explain" in refusal(axes_of, (0.47, 0.0, 1.12), np.eye(3), pixel=(1.2, 0.6), block=2)
    # a clear ellipse: u_angle = u(xy)/(along - across)
    got = axes_of((4.0, 0.0, 1.0), 0.0009 * np.eye(3))
    assert (got.angle, got.u_angle) == (0.0, pytest.approx(0.01))


def test_the_share_of_pixels_at_full_scale():
    centre, variance = (20.0, 20.0), (6.25, 0.0, 6.25)  # radius 5: an ellipse of 78.54 pixels

    def said(places, top, full_scale=None, dark=10.0):
        picture = np.full((40, 40), dark)
        for j, i in places:
            picture[j, i] = top
        return image._saturated(picture, top, centre, variance, (1.0, 1.0), full_scale)

    five = [(20, 15), (20, 25), (15, 20), (25, 20), (20, 20)]  # the edge of the ellipse belongs to it
    assert said(five, 255.0) == (pytest.approx(5 / 78.5398, rel=1e-5), 255.0, True)
    assert said(five[:4], 255.0)[0] == 0.0
    assert said([*five[:4], (20, 26)], 255.0)[0] == 0.0
    for top in (1023.0, 4095.0, 16383.0, 65535.0):
        assert said(five, top)[2]
    assert not said(five, 254.0)[2]
    assert not said(five, 255.0, dark=10.5)[2]  # no plain counts: a mean of frames has no full scale of its own
    assert said(five, 254.0, full_scale=254.0)[1:] == (254.0, True)
    assert said(five, 253.9, full_scale=254.0)[1:] == (253.9, False)
    assert "at least 12 x 12 pixels, this one has 12 x 11" in refusal(image.image_spot, np.eye(12)[:, :11], (1.0, 1.0))
    assert "12 x 12 pixels" not in refusal(image.image_spot, np.eye(12), (1.0, 1.0))


def test_moved_pictures_tell_the_camera_by_hand():
    made = lambda x, y, u: type("S", (), {"centre": (x, y), "u_centre": (u, u), "pixel": (0.1, 0.05)})()  # noqa: E731
    move = (Q(3.0, "mm"), Q(4.0, "mm"))
    # seen along x by 5 mm: the picture's x axis stands at atan2(4, 3) = 53.13 deg; u = sqrt(4 x 0.01^2/2)/5
    turn, u, told = pictures._camera_turn(made(1.0, 2.0, 0.01), made(6.0, 2.0, 0.01), move, 1.0)
    assert (math.degrees(turn), u, told) == (pytest.approx(53.130, rel=1e-4), pytest.approx(0.01 * math.sqrt(2.0) / 5.0), [])
    assert math.degrees(pictures._camera_turn(made(0, 0, 0), made(0, 5, 0), move, -1.0)[0]) == pytest.approx(53.130 + 90.0, rel=1e-4)
    # seen backwards along (-4, -3): 53.13 + 143.13 deg is -163.74
    assert math.degrees(pictures._camera_turn(made(0, 0, 0), made(-4, -3, 0), move, 1.0)[0]) == pytest.approx(-163.740, rel=1e-4)
    for seen, words in ((5.099, ""), (4.899, "A pixel size 1.0206 times as large would agree"), (5.101, "0.9802 times")):
        told = pictures._camera_turn(made(0, 0, 1e-6), made(seen, 0, 1e-6), move, 1.0)[2]
        assert words in "".join(told)
        assert bool(told) == bool(words)
    for seen, said in ((98.0, False), (102.0, False), (102.25, True)):  # 2 % of 100 mm are still fine
        assert bool(pictures._camera_turn(made(0, 0, 0), made(seen, 0, 0), (Q(100.0, "mm"), Q(0.0, "mm")), 1.0)[2]) is said
    # apart by less than four times the uncertainty: no word (0.2 mm, u = sqrt2 x 0.0354 = 0.05)
    for u, said in ((0.0353, True), (0.0354, False)):
        assert bool(pictures._camera_turn(made(0, 0, u), made(5.2, 0, u), move, 1.0)[2]) is said
    assert " ".join(pictures._camera_turn(made(0, 0, 0), made(5.2, 0, 0), move, 1.0)[2]) == (
        "the spot was moved by 5 mm and moves by 5.2 mm in the pictures: the pixel size or the scanner's scale is wrong. "
        "A pixel size 0.9615 times as large would agree."
    )
    small = (Q(0.2, "mm"), Q(0.0, "mm"))
    assert refusal(pictures._camera_turn, made(0, 0, 0), made(0.2, 0, 0), small, 1.0) == ""  # two pixels
    assert refusal(pictures._camera_turn, made(0, 0, 0), made(0.199, 0, 0), small, 1.0) == (
        "the spot hardly moves between the two pictures, so they cannot tell the camera's angle. Move it by several radii."
    )
    for given in ({"moved": move}, {"moved_image": np.ones((9, 9))}, {"moved": move, "moved_image": 0, "camera_angle": Q(1.0, "deg")}):
        assert refusal(pictures.image_beam, image=np.ones((9, 9)), pixel_size=Q(1.0, "um"), **given) == (
            "moved_image and moved go together, in place of camera_angle. Give both, or the angle."
        )
    assert refusal(pictures._camera_turn, made(0, 0, 0.17), made(5, 0, 0.17), move, 1.0) == ""  # 20 x sqrt2 x 0.17 = 4.81
    assert "hardly moves" in refusal(pictures._camera_turn, made(0, 0, 0.18), made(5, 0, 0.18), move, 1.0)  # 5.09
    assert refusal(pictures._camera_turn, made(0, 0, 0.25), made(5, 0, 0), move, 1.0) == ""  # 20 x sqrt(2 x 0.25^2/2) is 5 itself
    assert "hardly moves" in refusal(pictures._camera_turn, made(0, 0, 0), made(5, 0, 0), (Q(0.0, "mm"), Q(0.0, "mm")), 1.0)


# ---------------------------------------------------------------- records


def test_an_interval_is_taken_on_the_logarithm_where_it_would_reach_half_of_the_value():
    low, high = Estimate(Q(2.0, "mm"), (Part("a", 0.4999 / 1.959964),)).interval  # the normal factor
    assert (low.m, high.m) == (pytest.approx(2.0 * 0.5001, rel=1e-6), pytest.approx(2.0 * 1.4999, rel=1e-6))
    low, high = Estimate(Q(2.0, "mm"), (Part("a", 0.5001 / 1.959964),)).interval
    assert (low.m, high.m) == (pytest.approx(2.0 / math.exp(0.5001), rel=1e-6), pytest.approx(2.0 * math.exp(0.5001), rel=1e-6))
    half = type("Half", (Estimate,), {"coverage_factor": 1.0})(Q(2.0, "mm"), (Part("a", 0.5),))  # just at the limit
    assert [end.m for end in half.interval] == pytest.approx([2.0 * math.exp(-0.5), 2.0 * math.exp(0.5)])
    low, high = Estimate(Q(2.0, "mm"), (Part("a", 1e6),)).interval
    assert 0.0 < low.m < 1e-100 < 1e100 < high.m < math.inf  # what is not known at all still has numbers


def test_two_axes_pooled_by_hand():
    x = Estimate(Q(1.0, "mm"), (Part("fit", 0.06, 5), Part("common: scale", 0.01)))
    y = Estimate(Q(4.0, "mm"), (Part("fit", 0.08, 7), Part("common: scale", 0.01)))
    both = pooled(x, y)
    assert both.value.m_as("mm") == pytest.approx(2.0)
    assert [(p.name, p.relative) for p in both.parts] == [("x, fit", 0.03), ("common: scale", 0.01), ("y, fit", 0.04)]
    assert both.relative == pytest.approx(math.sqrt(0.0026))
    q = pooled_quality([Estimate(Q(1.0, ONE), (Part("fit", 0.06),)), Estimate(Q(2.25, ONE), (Part("fit", 0.08),))])
    assert (q.value.m, q.relative) == (pytest.approx(1.5), pytest.approx(0.05))
    beam = BeamMeasurement(kind="image", radius_x=x, radius_y=y, beam_quality=(Estimate(Q(1.0, ONE)),))
    assert (beam.ellipticity, beam.quality) == (0.25, 1.0)
    assert beam.beam(power=Q(1.0, "mW")).beam_quality == 1.0
    assert pooled_quality(beam.beam_quality).value.m == 1.0
    assert beam.beam(power=Q(1.0, "mW")).radius_y.value == Q(4.0, "mm")
    one = replace(beam, radius_y=None, wavelength=Q(355.0, "nm"))
    assert (beam.round, one.round, one.beam(power=Q(1.0, "mW")).radius_y) == (False, True, None)
    assert one.beam(power=Q(1.0, "mW")).wavelength == Q(355.0, "nm")
    assert one.beam(power=Q(1.0, "mW"), wavelength=Q(405.0, "nm")).wavelength == Q(405.0, "nm")
    heard = "one axis was scanned", "directions are those of the picture"
    assert replace(beam, notes=("drift is left out", *heard)).cautions == heard
    assert (beam.angle, beam.u_angle) == (Q(0.0, "deg"), Q(0.0, "deg"))
    assert replace(beam, beam_quality=(Estimate(Q(0.99, ONE)),)).beam(power=Q(1.0, "mW")).beam_quality is None
    assert beam.to_dict()["angle"].get("standard_uncertainty") is None
    assert replace(beam, u_angle=Q(0.5, "deg")).to_dict()["angle"]["standard_uncertainty"] == 0.5


READ = replace(power_reading(reading=np.tile([99.0, 101.0], 10), calibration=0.01), correlation=0.0, drift=0.0, drift_p=1.0, left_out=0)


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"drift_p": 0.01, "drift": 0.1}, {"drift_p": 0.0099, "drift": 0.1}, "still drift by +10.0 % from first to last"),
        ({"drift_p": 0.0, "drift": -0.002}, {"drift_p": 0.0, "drift": -0.0021}, "still drift by -0.2 %"),
        ({"readings": 10}, {"readings": 9}, "9 readings give a Student factor of 2.31"),
        ({"readings": 10}, {"readings": 2}, "2 readings give a Student factor of 12.7"),
        ({}, {"correlation": 0.25}, "(correlation 0.25)"),
        ({}, {"meter": 0.0}, "no meter calibration is stated"),
        (
            {},
            {"left_out": 3, "warm_up_change": -0.05},
            "the first 3 of 20 readings, the first 30 s are left out as warm-up: they begin 5.0 % below",
        ),
        ({}, {"left_out": 3, "warm_up_change": 0.05}, "5.0 % above the settled level"),
        ({}, {"left_out": 3, "warm_up_change": 0.0}, "0.0 % above the settled level"),
        ({}, {"at_top": 4}, "4 of 20 readings stand at one top value"),
        ({}, {"step": 0.5}, "stand on steps of 0.5 mW"),
    ],
)
def test_what_is_said_of_power_readings_begins_at_its_limit(fine, not_fine, words):
    def said(meter=0.01, **changes):
        return " | ".join(light._warnings(replace(READ, **changes), np.zeros(20), 10.0 * np.arange(20.0), meter))

    assert said(**fine) == ""
    assert words in said(**not_fine)


def test_options_of_power_readings_have_their_range():
    good = {"reading": Q([1.0, 1.1, 0.9], "mW")}
    for option, fine, wrong in (("meter_uncertainty", 0.49, 0.5), ("confidence", 0.5, 0.49), ("meter_degrees_of_freedom", 0.5, 0.0)):
        assert light.beam_power(**good, **{option: fine}).power.value.m == pytest.approx(1.0)
        with pytest.raises(QuantityError, match=option):
            light.beam_power(**good, **{option: wrong})
    assert (light.Loss("window", 0.0).standard_uncertainty, light.Loss("window", 0.99, 0.99).share) == (0.0, 0.99)
    for share, u in ((1.01, 0.0), (-0.01, 0.0), (0.0, 1.01), (0.0, -0.01)):
        with pytest.raises(QuantityError):
            light.Loss("window", share, u)


# ---------------------------------------------------------------- the field


def ring(many, middle):
    """A middle and a regular polygon about it: the readings of a plane through them have the leverage 1/n in the middle."""
    turn = 2.0 * math.pi * np.arange(many - 1) / (many - 1)
    return ((0.0, 0.0, middle), *((10.0 * math.cos(t), 10.0 * math.sin(t), 0.0) for t in turn))


def compared(values, relative=0.0):
    places = tuple(Place(x=x, y=y, radius_x=math.exp(v), relative=relative) for x, y, v in values)
    return parting(FieldMap(places=places), lambda _x, _y: (1.0, 1.0, 0.0))


def test_a_map_parts_from_the_optics_beyond_each_limit():
    square = [(x, y) for x in (-10.0, 0.0, 10.0) for y in (-10.0, 0.0, 10.0)]
    for offset, said in ((0.0099, ""), (0.0101, "the spot differs by +1.0 % from what"), (-0.0101, "the spot differs by -1.0 % from what")):
        assert " ".join(compared([(x, y, offset) for x, y in square]).sentences).startswith(said)
        assert bool(compared([(x, y, offset) for x, y in square]).sentences) == bool(said)
    # 3 % over nine places is sure where one place is known to 0.03 x 3/3.7074 (Student at 99 %, six degrees): 2.428 %
    for relative, said in ((0.0242, True), (0.0243, False)):
        got = compared([(x, y, 0.03) for x, y in square], relative)
        assert bool(got.sentences) is said
        assert (got.offset, got.worst_ratio) == (pytest.approx(0.03), pytest.approx(math.exp(0.03)))
        assert got.t == pytest.approx((0.03 * 3.0 / relative, 0.0, 0.0), abs=1e-9)
    for slope, said in ((0.0099, False), (0.0101, True)):  # across the field of 20 mm
        got = compared([(x, y, slope * y / 20.0) for x, y in square])
        assert bool(got.sentences) is said
        assert got.slope == (pytest.approx(0.0, abs=1e-12), pytest.approx(slope / 20.0))
    assert "it grows by 1.0 % across the field towards 90 deg" in got.sentences[0]
    both = compared([(x, y, 0.5 + 0.003 * x + 0.004 * y) for x, y in square], 0.01)  # over 20 mm, atan2(4, 3)
    slope = math.sqrt(600.0) / 0.01  # the root of the sum of squares of x, and of y
    assert both.t == pytest.approx((0.5 * 3.0 / 0.01, 0.003 * slope, 0.004 * slope))
    assert both.sentences[0].startswith("the spot differs by +64.9 %")
    assert both.sentences[1].startswith("it grows by 10.0 % across the field towards 53 deg")
    assert "towards 180 deg" in compared([(x, y, -0.002 * x) for x, y in square]).sentences[0]
    # one place off by d leaves (1 - 1/n) d against a scatter of d sqrt((1 - 1/n)/(n - 3)): 3.49 times it of 16 places, 3.63 of 17
    assert compared(ring(16, 0.1)).sentences == ()
    assert compared(ring(17, 0.1)).sentences == ("the place at 0, 0 mm parts most, by +10.5 %: measure it again.",)
    assert compared(ring(25, 0.0208)).sentences == ()  # 24/25 of it are below 2 %
    assert len(compared(ring(25, 0.0209)).sentences) == 1


def test_a_place_is_inside_up_to_a_twentieth_beyond():
    field = FieldMap(places=tuple(Place(x=x, y=y, radius_x=1.0) for x in (-40.0, 0.0, 60.0) for y in (-50.0, 50.0)))
    middle = 20.0 / 3.0
    for x, y, within in (
        (59.9, 0.0, True),
        (middle + 53.2 * 1.05, 0.0, True),
        (middle + 53.5 * 1.05, 0.0, False),
        (0.0, 52.4, True),
        (0.0, -52.6, False),
    ):
        assert field.inside(x, y) is within


def test_the_spot_of_a_map_by_hand():
    cov = np.zeros((4, 4))
    cov[:2, :2] = [[0.0004, 0.0006], [0.0006, 0.0009]]
    spot = FieldSpot(x=0, y=0, radius_x=1.0, radius_y=4.0, angle=0, power_factor=1, covariance=cov, factor=2, extrapolated=False)
    assert (spot.radius, spot.relative) == (2.0, pytest.approx(0.025))  # both move together: the mean of 2 % and 3 %
    square = [(x, y) for x in (-10.0, 0.0, 10.0) for y in (-10.0, 0.0, 10.0)]
    # radii of 1 and 2 mm turned by 60 degrees: the axis nearest to x is the second one, at -30 degrees
    field = FieldMap(places=tuple(Place(x=x, y=y, radius_x=2.0, radius_y=1.0, angle=math.radians(60.0)) for x, y in square), common=0.01)
    at = field.at(1.0, 2.0)
    assert (at.radius_x, at.radius_y, math.degrees(at.angle)) == (pytest.approx(1.0), pytest.approx(2.0), pytest.approx(-30.0))
    assert at.power_factor == 1.0
    plain = Place(x=0.0, y=0.0, radius_x=1.0)
    assert (plain.radius_y, plain.angle, plain.power, plain.relative, FieldMap(places=(plain,)).common) == (None, 0.0, None, 0.0, 0.0)
    assert at.factor == pytest.approx(2.4469, rel=1e-4)  # Student, nine places less three, 95 %
    assert at.covariance[:2, :2] == pytest.approx(np.full((2, 2), 1e-4), rel=1e-3)
    assert at.covariance[2, 2] <= math.pi**2 / 48.0


def test_what_is_said_of_a_map_by_hand():
    square = [(x, y) for x in (-10.0, 0.0, 10.0) for y in (-10.0, 0.0, 10.0)]
    found = mapping.field_beam(
        [Place(x=x + 50.0, y=y + 30.0, radius_x=0.1 * math.exp(0.01 * x), power=math.exp(0.01 * y)) for x, y in square], common=0.0408
    )
    d = found.details
    assert (d["surface"], d["places"]) == ("a plane", 9)
    assert found.radius_x.value.m_as(MM) == pytest.approx(0.1)
    assert "at 40," in d["smallest_spot"]
    assert "at 60," in d["largest_spot"]
    assert d["power_factor_range"] == [pytest.approx(math.exp(-0.1)), pytest.approx(math.exp(0.1))]
    assert d["widest_band"] == pytest.approx(0.0408 * 2.4469, rel=1e-4)  # Student, six degrees of freedom: below a tenth
    assert found.warnings == ()
    parts = {p.name: p.relative for p in found.radius_x.parts}
    assert parts["common: length scale (Type B)"] == pytest.approx(0.0408)
    with pytest.raises(QuantityError, match="some places state one radius and others two"):
        mapping.field_beam([Place(x=x, y=y, radius_x=0.1, radius_y=0.1 if x else None) for x, y in square])
    bent = mapping.field_beam([Place(x=x, y=y, radius_x=0.1 * math.exp(0.002 * x * x)) for x, y in square], common=0.0409)
    assert bent.details["surface"] == "a quadratic surface"
    alone = mapping.field_beam([Place(x=x, y=y, radius_x=0.1) for x, y in square])
    assert not [p.name for p in alone.radius_x.parts if p.name.startswith("common")]
    assert bent.warnings[0].startswith("the map's 95 % band reaches 10 % of the radius")


@pytest.mark.parametrize("turn", [0.2, 0.5, -0.6])
def test_how_well_the_axes_are_known_does_not_hang_on_how_they_lie(turn):
    """Moments of one ellipse and their covariance, turned together: a rotation of xx, xy, yy is linear in them."""
    c, s = math.cos(turn), math.sin(turn)
    rotate = np.array([[c * c, -2 * c * s, s * s], [c * s, c * c - s * s, -c * s], [s * s, 2 * c * s, c * c]])
    moments, spread = np.array([9.0, 0.0, 4.0]), np.diag([4e-3, 1e-3, 2e-3])
    lying, turned = axes_of(moments, spread), axes_of(rotate @ moments, rotate @ spread @ rotate.T)
    for name in ("radius_x", "radius_y", "u_x", "u_y"):
        assert getattr(turned, name) == pytest.approx(getattr(lying, name), rel=1e-9), name
    assert turned.angle == pytest.approx(turn)
