"""A picture of a spot from its pixels to its answer, by hand: rooms, shares, uncertainties, frames and lines."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.spot import image, pictures
from curecalc.spot import moments as spot_moments
from curecalc.spot.frame import Cells, cells, ground
from curecalc.spot.gauss2d import bell, form
from curecalc.spot.image import axes_of, image_spot
from curecalc.spot.moments import moments
from curecalc.statistics.steps import level_error
from curecalc.units import Measured
from curecalc.units import Quantity as Q

PIXEL = (0.5, 0.25)
GRAIN = np.random.default_rng(8).standard_normal((90, 120))


def spot(cx, cy, rx=6.0, ry=3.0, xy=0.0, noise=0.3, shape=(90, 120)):
    """Radii in mm on pixels of 0.5 by 0.25 mm: at least 12 of them."""
    x, y = PIXEL[0] * np.arange(shape[1]), PIXEL[1] * np.arange(shape[0])
    return 20.0 + 200.0 * bell(x, y, (cx, cy), (rx**2 / 4.0, xy, ry**2 / 4.0)) + noise * GRAIN[: shape[0], : shape[1]]


@pytest.mark.parametrize(
    ("cx", "cy", "room"),
    [(15.0, 11.0, 2.5), (44.5, 11.0, 2.5), (30.0, 7.5, 2.5), (30.0, 14.75, 2.5), (9.0, 11.0, 1.5)],  # the sensor ends at 59.5 and 22.25 mm
)
def test_room_is_the_nearest_edge_in_radii(cx, cy, room):
    got = image_spot(spot(cx, cy), PIXEL)
    assert got.room == pytest.approx(room, abs=0.03)
    assert got.centre == pytest.approx((cx, cy), abs=0.02)
    assert got.by_moments is (room > 2.0)
    assert (got.axes.radius_x, got.axes.radius_y) == (pytest.approx(6.0, rel=0.01), pytest.approx(3.0, rel=0.01))


def test_what_a_picture_hands_on():
    got = image_spot(spot(30.0, 11.0), PIXEL)
    # a cut-out of three radii to the pixel that holds its edge, the background taken off
    assert got.profile.shape == (got.profile_y.size, got.profile_x.size)
    assert (got.profile_x[0], got.profile_x[-1]) == (pytest.approx(-18.0, abs=0.6), pytest.approx(18.0, abs=0.6))
    assert (got.profile_y[0], got.profile_y[-1]) == (pytest.approx(-9.0, abs=0.3), pytest.approx(9.0, abs=0.3))
    assert got.profile.max() == pytest.approx(200.0, rel=0.01)
    assert abs(got.profile[0, 0]) < 2.0
    assert got.signal_to_noise == pytest.approx(200.0 / 0.3, rel=0.1)
    assert got.moments.level == pytest.approx(20.0, abs=0.1)
    assert got.moments.ground.level((30.0, 11.0)) == pytest.approx(20.0, abs=0.1)
    assert got.gaussian_residual < 0.002
    assert (got.saturated_share, got.mended, got.findings) == (0.0, 0, ())
    still = image_spot(spot(30.0, 11.0, noise=0.0), PIXEL)
    assert still.signal_to_noise > 1e4  # only the curve itself differs from pixel to pixel


@pytest.mark.parametrize(("noisy", "by_moments"), [(0.04, True), (0.0401, False)])
def test_moments_stand_where_noise_leaves_their_radius_to_four_per_cent(monkeypatch, noisy, by_moments):
    monkeypatch.setattr(image, "_expected_spread", lambda *given: noisy)
    got = image_spot(spot(30.0, 11.0), PIXEL)
    assert got.by_moments is by_moments
    assert [f.key for f in got.findings] == ([] if by_moments else ["noisy"])
    assert (got.moments is None, got.moment_axes is None, got.power_in_ellipse is None) == (not by_moments,) * 3


def test_what_a_gaussian_misses_is_what_noise_does_not_explain():
    x, y = PIXEL[0] * np.arange(120.0), PIXEL[1] * np.arange(90.0)
    inside = form((x - 30.0)[None, :], (y - 11.0)[:, None], (9.0, 0.0, 2.25)) <= 4.0
    got = image_spot(20.0 + 200.0 * inside + 3.0 * GRAIN, PIXEL)
    assert got.gaussian_residual == pytest.approx(math.sqrt(got.bell.residual**2 - got.bell.noise**2))
    assert got.gaussian_residual > 0.1
    assert "not_gaussian" in [f.key for f in got.findings]


@pytest.mark.parametrize(("radius", "mended"), [(6.3, 0), (6.8, 2)])
def test_only_beams_wider_than_six_and_a_half_pixels_are_mended(radius, mended):
    x = np.arange(64.0)
    z = 20.0 + 200.0 * bell(x, x, (31.0, 33.0), (radius**2 / 4.0, 0.0, radius**2 / 4.0)) + 0.3 * GRAIN[:64, :64]
    z[5, 7] = z[50, 58] = 150.0
    assert image_spot(z, (1.0, 1.0)).mended == mended


def test_a_fit_that_finds_another_size_moves_its_window():
    for start in ((30.0, 11.0, 4.0, 0.0, 1.0), (30.0, 11.0, 60.0, 0.0, 15.0)):
        beam, found = image._bell(spot(30.0, 11.0), PIXEL, start)
        assert found.variance == pytest.approx((9.0 + 0.0, 0.0, 2.25), abs=0.03)
        assert (beam.x[0], beam.x[-1]) == (pytest.approx(30.0 - 27.0, abs=1.0), pytest.approx(30.0 + 27.0, abs=1.0))


@pytest.mark.parametrize(("changes", "settles"), [(5, True), (6, False)])
def test_a_window_follows_its_fit_in_six_rounds(monkeypatch, changes, settles):
    sizes = iter([*(1.25**k for k in range(1, changes + 1)), *[1.25**changes] * 9])
    monkeypatch.setattr(image, "window", lambda *_: "cells")
    monkeypatch.setattr(image, "fit_bell", lambda *_: SimpleNamespace(centre=(0.0, 0.0), variance=(next(sizes), 0.0, 1.0)))
    if settles:
        assert image._bell(None, PIXEL, (0.0, 0.0, 1.0, 0.0, 1.0))[0] == "cells"
    else:
        with pytest.raises(ValueError, match="no spot can be made out"):
            image._bell(None, PIXEL, (0.0, 0.0, 1.0, 0.0, 1.0))


def test_the_share_inside_the_ellipse_counts_cells_by_their_covered_part():
    """A disc of light: a share of (a/r)^2 stands inside the ellipse of radius a, whatever the cells are; and a Gaussian's 1 - e^-2."""
    x, y = 0.5 * np.arange(61.0), np.arange(41.0)
    dx, dy = (x - 15.0)[None, :], (y - 20.0)[:, None]
    dark = ground(Cells(np.zeros((41, 61)), x, y, 1), np.ones((41, 61), bool), (15.0, 20.0), 1)
    for variance in ((4.0, 0.0, 9.0), (6.0, 2.0, 9.0), (6.0, -3.0, 9.0)):
        flat = 3.0 * (dx**2 + dy**2 <= 169.0)
        m = SimpleNamespace(centre=(15.0, 20.0), variance=variance, ground=dark, total=3.0 * math.pi * 169.0 / 0.5)
        ellipse = 4.0 * math.sqrt(variance[0] * variance[2] - variance[1] ** 2)
        assert image._power_inside(Cells(flat, x, y, 1), m) == pytest.approx(ellipse / 169.0, rel=7e-3)
        gauss = np.exp(-0.5 * form(dx, dy, variance))
        m = SimpleNamespace(centre=(15.0, 20.0), variance=variance, ground=dark, total=2.0 * math.pi * ellipse / 4.0 / 0.5)
        assert image._power_inside(Cells(gauss, x, y, 1), m) == pytest.approx(1.0 - math.exp(-2.0), abs=3e-3)


def test_roundness_is_judged_along_the_diagonals_too():
    # 2 xy apart by 2e with variance 4c: e^2/c against chi-squared of two at 99 %, 9.2103
    for chi, is_round in ((9.20, True), (9.22, False)):
        got = axes_of((4.0, math.sqrt(1e-4 * chi), 4.0), 1e-4 * np.eye(3))
        assert got.round is is_round
    got = axes_of((4.0, 1.0, 4.0), 1e-4 * np.eye(3))
    assert (got.radius_x, got.radius_y, got.angle) == pytest.approx((2.0 * math.sqrt(5.0), 2.0 * math.sqrt(3.0), math.pi / 4.0))
    # errors that xx and yy share turn no axis, those of their difference do: u = u(xx - yy)/(2 (along - across))
    shared = np.array([[1.0, 0.0, 1.0], [0.0, 0.0, 0.0], [1.0, 0.0, 1.0]])
    assert axes_of((4.0, 1.0, 4.0), 1e-4 * shared).u_angle == pytest.approx(0.0, abs=1e-9)
    assert axes_of((4.0, 1.0, 4.0), 1e-4 * np.diag([1.0, 0.0, 1.0])).u_angle == pytest.approx(0.01 * math.sqrt(2.0) / 2.0 / 2.0)
    # hardly apart though not round: the angle may lie anywhere
    assert axes_of((4.0, 1e-4, 4.0), np.diag([1.0, 1e-10, 1.0])).u_angle == pytest.approx(math.pi / math.sqrt(48.0))
    # pixels of 1.2 by 0.6 on axes at 45 degrees: each radius takes half of either correction, 0.12 and 0.03
    turned = axes_of((4.12, 1.0, 4.03), 1e-12 * np.eye(3), pixel=(1.2, 0.6))
    assert turned.u_x == pytest.approx(math.hypot(0.06, 0.015) / math.sqrt(5.0), rel=1e-4)
    assert turned.u_y == pytest.approx(math.hypot(0.06, 0.015) / math.sqrt(3.0), rel=1e-4)


def test_the_share_at_full_scale_on_pixels_of_any_shape():
    x, y = 0.5 * np.arange(40.0), 0.25 * np.arange(50.0)
    variance = (9.0, 1.0, 1.0)
    inside = form((x - 10.0)[None, :], (y - 6.0)[:, None], variance) <= 4.0
    share, level, at_scale = image._saturated(np.where(inside, 255.0, 9.0), 255.0, (10.0, 6.0), variance, PIXEL, None)
    assert (level, at_scale) == (255.0, True)
    assert share == pytest.approx(inside.sum() / (4.0 * math.pi * math.sqrt(8.0) / 0.125))  # over its area in pixels


# ---------------------------------------------------------------- uncertainty of second moments

AT = 0.5 * np.arange(201.0), 0.4 * np.arange(221.0)
CENTRE, SIZES = (52.0, 41.0), (16.5, 9.3)


def light():
    return 100.0 * bell(*AT, CENTRE, (SIZES[0], 0.0, SIZES[1]))


def aperture():
    """Distances from the centre, and what lies within three widths: six standard deviations to either side."""
    dx, dy = np.meshgrid(AT[0] - CENTRE[0], AT[1] - CENTRE[1])
    return dx, dy, (np.abs(dx) <= 6.0 * math.sqrt(SIZES[0])) & (np.abs(dy) <= 6.0 * math.sqrt(SIZES[1]))


def influence():
    dx, dy, within = aperture()
    total = 100.0 * 2.0 * math.pi * math.sqrt(SIZES[0] * SIZES[1]) / 0.2
    return np.stack([dx * dx - SIZES[0], dx * dy, dy * dy - SIZES[1], dx, dy])[:, within] / total


def measured(dark=0.0, **more):
    beam = replace(Cells(light(), *AT, 2, np.full((221, 201), 0.25)), **more)
    frame = replace(beam, z=light() + dark)
    return moments(beam, frame, (*CENTRE, SIZES[0], 0.0, SIZES[1]))


def test_moments_that_never_settle_end_after_fifteen_rounds(monkeypatch):
    sizes = iter(1.1**k for k in range(1, 99))
    monkeypatch.setattr(spot_moments, "raw_moments", lambda *_: (1.0, 0.0, 0.0, size := next(sizes), 0.0, size))
    monkeypatch.setattr(spot_moments, "ground", lambda *_: SimpleNamespace(degree=1, over=lambda x, y: 0.0))
    monkeypatch.setattr(spot_moments, "_outside", lambda *_: True)
    monkeypatch.setattr(spot_moments, "_finish", lambda *given: given[-1])
    grid = Cells(np.ones((9, 9)), np.arange(9.0), np.arange(9.0), 1)
    assert moments(grid, grid, (4.0, 4.0, 1.0, 0.0, 1.0)) == 15


def test_noise_of_cells_by_the_influence_of_each():
    got = measured()
    assert got.steps == 1  # the first estimate was right
    assert got.total == pytest.approx(light()[aperture()[2]].sum(), rel=1e-6)
    expected = 0.25 * influence() @ influence().T
    assert got.covariance == pytest.approx(expected[:3, :3], rel=1e-3, abs=1e-9 * expected[0, 0])
    assert got.u_centre == pytest.approx(np.sqrt(np.diag(expected)[3:]), rel=1e-3)


def test_counts_have_no_unit_of_their_own():
    """A picture scaled to a millionth is as good; light that is missing has no moments."""
    small = Cells(1e-6 * light(), *AT, 2, np.full((221, 201), 0.25e-12))
    got = moments(small, small, (*CENTRE, SIZES[0], 0.0, SIZES[1]))
    assert got.variance == pytest.approx((SIZES[0], 0.0, SIZES[1]), rel=1e-6, abs=1e-9)
    assert got.covariance == pytest.approx(measured().covariance, rel=1e-6)
    hole = replace(small, z=-small.z)
    assert moments(hole, hole, (*CENTRE, SIZES[0], 0.0, SIZES[1])) is None


def test_the_background_counts_by_its_own_fit():
    """Scatter of +-1 beside the beam on 40 thousand cells, and what its plane's height and slopes do to the sums."""
    checks = np.where(np.add.outer(np.arange(221), np.arange(201)) % 2 == 0, 1.0, -1.0)
    got = measured(checks, noise=np.zeros((221, 201)))
    dx, dy, within = aperture()
    outside = np.stack([np.ones((~within).sum()), dx[~within], dy[~within]])
    inside = np.stack([np.ones(within.sum()), dx[within], dy[within]])
    effect = influence() @ inside.T
    expected = effect @ np.linalg.inv(outside @ outside.T) @ effect.T
    assert got.covariance == pytest.approx(expected[:3, :3], rel=0.02, abs=0.01 * expected[0, 0])
    assert got.u_centre == pytest.approx(np.sqrt(np.diag(expected)[3:]), rel=0.02)


def test_a_ground_on_steps_counts_by_the_pull_of_the_steps():
    """Noise 0.5 over cells of two is 1 a pixel; of it a step of 3 explains 9/12, and 0.5 is left."""
    got = measured(step=3.0)
    plain = measured()
    pull = level_error(0.5, 3.0) * influence().sum(axis=1)
    assert got.covariance - plain.covariance == pytest.approx(np.outer(pull, pull)[:3, :3], rel=2e-3, abs=1e-9)
    coarse = measured(step=6.0)  # 36/12 is more than all the noise
    pull = level_error(0.0, 6.0) * influence().sum(axis=1)
    assert coarse.covariance - plain.covariance == pytest.approx(np.outer(pull, pull)[:3, :3], rel=2e-3, abs=1e-9)


# ---------------------------------------------------------------- frames, lines, records


def seen(variance, centre, saturated=False):
    findings = [SimpleNamespace(key="saturated" if saturated else "wings")]
    return SimpleNamespace(bell=SimpleNamespace(variance=variance), centre=centre, findings=findings)


def test_frames_by_hand(monkeypatch):
    """Standard deviation of single radii over the root of their number, as a share of their mean; and of their places."""
    monkeypatch.setattr(pictures, "checked", lambda call, frame, *args, **more: frame)
    whole = SimpleNamespace(axes=SimpleNamespace(radius_x=1.0, radius_y=0.5), findings=[])

    def told(*single):
        return pictures._frames(single, whole, (1.0, 1.0), None)

    radii = [(7.0**2, 0.0, 3.0**2), (7.5**2, 9.0, 3.0**2), (8.0**2, 0.0, 3.6**2)]
    (u_x, u_y), said = told(*(seen(v, (5.0, 5.0)) for v in radii))
    assert (u_x, u_y) == pytest.approx((0.5 / math.sqrt(3.0) / 7.5, 0.5 * math.sqrt(0.12) / math.sqrt(3.0) / 3.2))
    assert said == []
    assert told(seen(radii[0], (0.0, 0.0))) == ((0.0, 0.0), [])
    for step, moves in ((0.0499, False), (0.0501, True)):  # the standard deviation of -d, 0, d is d; a tenth of 0.5
        for way in ((step, 0.0), (0.0, step)):
            said = told(*(seen(radii[0], (k * way[0], k * way[1])) for k in (-1, 0, 1)))[1]
            assert bool(said) is moves
    assert " ".join(told(*(seen(radii[0], (0.0542 * k, 0.0)) for k in (-1, 0, 1)))[1]) == (
        "the beam moves by 0.054 mm (standard deviation) from frame to frame, which widens their mean. "
        "Steady the mount, or measure single frames."
    )
    bright = [seen(radii[0], (0.0, 0.0), saturated=k < 2) for k in range(3)]
    assert told(*bright)[1] == ["2 of 3 frames are saturated. Shorten the exposure time or add attenuation."]
    whole.axes = SimpleNamespace(radius_x=10.0, radius_y=20.0)
    assert told(*(seen(radii[0], (k, 0.0)) for k in (-1.0, 0.0, 1.0)))[1] == []  # a tenth itself
    whole.findings = [SimpleNamespace(key="saturated")]  # said of the mean already
    assert told(*bright)[1] == []


def test_frames_widen_the_radius_by_what_the_noise_does_not_explain(monkeypatch):
    z = spot(30.0, 11.0)
    monkeypatch.setattr(pictures, "_frames", lambda *given: ((0.3, 0.01), ["moved"]))
    got = pictures.image_beam(image=[z, z, z], pixel_size=Q(0.5, "mm"), pixel_size_y=Q(0.25, "mm"))
    own, wander = got.radius_x.parts
    assert 0.0 < own.relative < 0.01
    assert wander.relative == pytest.approx(math.sqrt((0.3 / got.radius_x.value.m_as("mm")) ** 2 - own.relative**2))
    assert wander.degrees_of_freedom == 2
    assert [p.name for p in got.radius_y.parts] == [own.name]  # the noise explains more than their scatter
    assert got.warnings[0] == "moved"


def test_pitches_of_two_axes_and_their_uncertainty():
    z = spot(30.0, 11.0)
    got = pictures.image_beam(
        image=z, pixel_size=Measured(Q(0.5, "mm"), Q(0.005, "mm")), pixel_size_y=Measured(Q(0.25, "mm"), Q(0.005, "mm"))
    )
    assert got.radius_x.value.m_as("mm") == pytest.approx(6.0, rel=0.01)
    assert [p.relative for p in got.radius_y.parts if p.name.startswith("common")] == [pytest.approx(0.02)]  # the larger of 1 % and 2 %
    assert [c.m_as("mm") for c in got.centre] == pytest.approx([30.0, 11.0], abs=0.02)
    told = got.steps[1].result.removeprefix("centre ").split(", ")
    assert [float(text.removesuffix(" mm")) for text in told] == pytest.approx([30.0, 11.0], abs=0.02)
    assert got.angle.m_as("deg") == pytest.approx(0.0, abs=0.5)
    assert got.u_angle.m_as("deg") == pytest.approx(math.degrees(got.fits[0][1].axes.u_angle))  # no camera angle, none of its uncertainty


def test_the_record_of_lines_by_hand():
    tracks = [
        SimpleNamespace(ratio=0.8 + 0.01 * k, image_peak=2.0 + 0.1 * k, radius=0.3 - 0.001 * k, angle=math.radians(5.0 * k))
        for k in range(36)
    ]
    got = pictures._line_record(tracks, math.radians(10.0), -1.0, 0.2)
    assert got["image_over_gaussian"] == pytest.approx([0.8, 1.15])
    assert got["depth_difference_low"]["in_penetration_depths"] == pytest.approx(math.log(0.8))
    assert got["depth_difference_high"]["depth"].m_as("mm") == pytest.approx(0.2 * math.log(1.15))
    assert [r.m_as("mm") for r in got["perpendicular_radius"]] == pytest.approx([0.265, 0.3])
    assert got["strongest_over_weakest_direction"] == pytest.approx(5.5 / 2.0)
    assert got["depth_range_over_directions"]["in_penetration_depths"] == pytest.approx(math.log(2.75))
    assert [d["track_angle"].m_as("deg") for d in got["directions"]] == pytest.approx([(10.0 - 15.0 * k) % 180.0 for k in range(12)])
    assert "depth" not in pictures._line_record(tracks[:3], 0.0, 1.0, None)["depth_difference_low"]


def test_directions_of_a_large_picture_are_taken_in_cells():
    """700 pixels across make cells of three, at their middles; 36 directions of a half turn."""
    x = np.arange(-350.0, 350.0) * 0.01
    z = bell(x, x[::2], (0.0, 0.0), (1.0, 0.0, 0.25))
    large = SimpleNamespace(profile=z, profile_x=x, profile_y=x[::2], moments=None, bell=SimpleNamespace(variance=(1.0, 0.0, 0.25)))
    tracks = pictures.directions(large)
    assert [t.angle for t in tracks] == pytest.approx([math.pi * k / 36.0 for k in range(36)])
    assert [tracks[0].radius, tracks[18].radius] == pytest.approx([1.0, 2.0])
    assert [tracks[0].ratio, tracks[18].ratio] == pytest.approx([1.0, 1.0], abs=2e-3)
    coarse = cells(z, (0.01, 0.02), 3)
    assert coarse.z.shape == (116, 233)
    for many, cell in ((640, 2), (641, 3)):  # 320 cells at most; a line is summed in bins as wide as a cell
        small = SimpleNamespace(**(vars(large) | {"profile": z[:9, :many], "profile_x": x[:many], "profile_y": x[:9]}))
        assert np.diff(pictures.directions(small)[0].distance[:2]) == pytest.approx(0.01 * cell)


def test_a_line_needs_two_radii_of_room():
    for room, fine in ((2.0, True), (1.99, False)):
        held = SimpleNamespace(
            room=room,
            moments=None,
            bell=SimpleNamespace(variance=(0.25, 0.0, 0.25)),
            profile=np.ones((9, 9)),
            profile_x=np.arange(-4.0, 5.0),
            profile_y=np.arange(-4.0, 5.0),
        )
        measurement = SimpleNamespace(kind="image", fits=(("image", held, [], None),))
        if fine:
            assert pictures.line_exposure(measurement=measurement, track_angle=Q(90.0, "deg")).radius == pytest.approx(1.0)
        else:
            with pytest.raises(QuantityError, match="2 radii of room on every side"):
                pictures.line_exposure(measurement=measurement, track_angle=Q(90.0, "deg"))
