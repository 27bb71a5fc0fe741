"""Where a scan, a profile, a caustic or cured lines are refused, called doubtful or noted: at each limit and just beyond it.

The limits are those that the handbook and the sentences state; Student factors are those of printed tables (t at 0.975 and 0.995).
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.spot import focus, indirect, openings, scans
from curecalc.spot.caustic import Caustic, Coverage, caustic
from curecalc.spot.cured import cured_lines
from curecalc.spot.knife import ClipWidth, clip_width, knife_edge, knife_edge_power
from curecalc.spot.profile import profile
from curecalc.spot.scanfit import Readings
from curecalc.units import Measured
from curecalc.units import Quantity as Q

X = np.linspace(-3.0, 3.0, 31)
FINE = {"radius": 1.0, "u_radius": 0.0, "residual_sd": 0.0, "degrees_of_freedom": 10, "travel_before": 3.0, "travel_after": 3.0}
FINE |= {"readings": Readings(used=31)}
EDGE = replace(
    knife_edge(X, knife_edge_power(X, 1.0, 0.0)), **FINE, full=1.0, points_on_edge=9, with_drift=True, drift=0.0, u_drift=0.0, clip=None
)
PEAK = replace(
    profile(X, np.exp(-2.0 * X**2)), **FINE, measured_radius=2.0, peak=1.0, points_on_peak=9, with_tilt=True, residuals=np.ones(25)
)


def refusal(call, *args):
    try:
        call(*args)
    except QuantityError as error:
        return str(error)
    return ""


T10_95, T10_99 = 2.2281, 3.1693  # Student, ten degrees of freedom, two-sided


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"residual_sd": 0.25}, {"residual_sd": 0.2501}, "no edge stands out"),
        ({"u_radius": 2.9999 / T10_99}, {"u_radius": 3.0001 / T10_99}, "no edge stands out"),
        ({"full": 1e-6}, {"full": 0.0}, "no edge stands out"),
        ({"travel_before": 1.0}, {"travel_before": 0.94}, "reaches only 0.9 beam radii before the centre"),
        ({"travel_after": 1.0}, {"travel_after": 0.94}, "reaches only 0.9 beam radii beyond the centre"),
        ({}, {"travel_before": 0.94, "travel_after": 0.94}, "reaches only 0.9 beam radii beyond the centre"),
        ({}, {"travel_after": 0.9}, "at least 5 mm in all (2.5 radii on either side)"),
        ({}, {"travel_after": -0.3, "radius": 8.0}, "reaches only 0.0 beam radii beyond the centre, so one level is never seen. "),
        ({}, {"travel_after": -0.3, "radius": 8.0}, "at least 30 mm in all"),  # no more than five times the travel itself
        ({"points_on_edge": 3}, {"points_on_edge": 2}, "only 2 readings fall on the edge itself"),
        ({}, {"points_on_edge": 2}, "Step the stage by 0.25 mm or less"),
        ({}, {"travel_after": 0.9, "radius": 1.234}, "at least 6.2 mm in all"),
        ({}, {"points_on_edge": 2, "radius": 1.234}, "Step the stage by 0.31 mm or less"),
    ],
)
def test_an_edge_is_refused_beyond_each_limit(fine, not_fine, words):
    assert refusal(scans._refuse_edge, replace(EDGE, **fine), X) == ""
    assert words in refusal(scans._refuse_edge, replace(EDGE, **not_fine), X)


def edge_says(x=X, **changes):
    checks, notes = scans._edge_doubts("", replace(EDGE, **changes), x)
    return " | ".join(["check", *checks, "note", *notes])


CLIP = ClipWidth(1.0, 0.1, -0.6, 0.6)


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"travel_after": 1.75}, {"travel_after": 1.74}, "check | the scan reaches only 1.7 radii beyond the centre"),
        ({}, {"with_drift": False, "x": X[:8]}, "note | drift of source and dark level is left out of the fit: too few readings"),
        ({}, {"with_drift": False, "x": X[:9]}, "left out of the fit: it was not asked for"),
        ({"points_on_edge": 6}, {"points_on_edge": 5}, "note | only 5 readings fall on the edge"),
        # a drift of 0.01 a mm over two mm is 2 % of full light
        (
            {"drift": 0.01, "u_drift": 1e-4, "x": X[:11]},
            {"drift": -0.012, "u_drift": 1e-4, "x": X[:11]},
            "note | the source changed by -2.4 %",
        ),
        ({"drift": 0.016, "u_drift": 0.004}, {"drift": 0.0161, "u_drift": 0.004}, "note | the source changed by +9.7 %"),
        ({}, {"drift": 0.05, "u_drift": 0.01, "x": X[:11]}, "note | the source changed by +10.0 %"),
        ({}, {"drift": 0.051, "u_drift": 0.01, "x": X[:11]}, "check | the source changed by +10.2 %"),
        ({"clip": replace(CLIP, radius=1.0499)}, {"clip": replace(CLIP, radius=1.051)}, "note | the two-level estimate differs by +5 %"),
        (
            {"clip": replace(CLIP, radius=2.0), "u_radius": 0.25},
            {"clip": replace(CLIP, radius=2.02), "u_radius": 0.25},
            "differs by +102 %",
        ),
    ],
)
def test_what_is_said_of_an_edge_begins_at_its_limit(fine, not_fine, words):
    assert edge_says(**fine) == "check | note"
    assert words in edge_says(**not_fine)


def scan_says(height=1.0, u_radius=0.0, **readings):
    notes = []
    checks = scans.doubts("", replace(EDGE, u_radius=u_radius, readings=Readings(used=31, **readings)), height, notes)
    return " | ".join([*checks, *notes])


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"quantum": 0.02, "height": -1.0}, {"quantum": 0.0421, "height": -2.0}, "steps of 2.1 % of the full reading"),
        (
            {"misfit_p": 2e-3, "misfit": 0.003},
            {"misfit_p": 1.99e-3, "misfit": 0.003},
            "follow a pattern, not noise (0.3 % of the full reading)",
        ),
        ({"misfit_p": 0.05, "misfit": 0.1}, {"misfit_p": 0.0499, "misfit": 0.1}, "follow a pattern"),
        ({"misfit_p": 0.0, "misfit": 1.5e-3}, {"misfit_p": 0.0, "misfit": 1.51e-3}, "follow a pattern"),
        ({"u_radius": 0.1}, {"u_radius": 0.104}, "the scatter leaves the radius uncertain by 10 %"),
        ({}, {"saturated": 5, "clipped": 3, "wild": (7,)}, "5 of 40 readings stand at one top value"),
        ({}, {"saturated": 5, "clipped": 3, "wild": (7,)}, "3 of 40 readings stand at one bottom value"),
        ({}, {"wild": (7,)}, "reading 8 lies"),
        ({}, {"jitter": 0.1234}, "uncertain by 0.12 mm; the interval counts it"),
        ({}, {"backlash": 0.1234, "u_backlash": 0.01}, "the two directions of travel differ by 0.123 +- 0.010 mm"),
    ],
)
def test_what_is_said_of_any_scan_begins_at_its_limit(fine, not_fine, words):
    assert scan_says(**fine) == ""
    assert words in scan_says(**not_fine)


@pytest.mark.parametrize(
    ("used", "u", "words"),
    [
        (8, 0.4999 / T10_95, ""),
        (8, 0.5001 / T10_95, "6 of 16 readings stand at full scale, and the 8 that are left do not settle a width"),
        (7, 0.0, "6 of 15 readings stand at full scale, and the 7 that are left"),
    ],
)
def test_too_little_between_the_ends_of_the_range(used, u, words):
    said = refusal(scans.held, Readings(used=used, saturated=4, clipped=2, wild=(1, 3)), 1.0, u, 10)
    assert said.startswith(words)
    assert bool(said) == bool(words)
    way_out = "Lower the power or the detector's gain until the brightest reading is 80 % of full scale and scan again."
    assert said.partition(". ")[2] == (way_out if words else "")
    bottom = refusal(scans.held, Readings(used=8, clipped=4, wild=(1,)), 1.0, 0.5001 / T10_95, 10)
    assert bottom.startswith("4 of 13 readings stand at the bottom of the range, and the 8 that are left do not settle a width. Raise the")
    assert scans.held(Readings(used=4), 1.0, 9.0, 10) is None  # nothing at the ends: another check's business


def test_just_at_the_limit_of_a_student_interval(monkeypatch):
    """A factor of two: half of the radius is not settled enough, three times the radius is not yet lost in the scatter."""
    monkeypatch.setattr(scans, "t_factor", lambda *_: 2.0)
    assert "do not settle a width" in refusal(scans.held, Readings(used=8, saturated=4), 1.0, 0.25, 10)
    assert refusal(scans._refuse_edge, replace(EDGE, u_radius=1.5), X) == ""


def test_a_scan_asks_for_its_number_of_positions_and_its_options_for_their_range():
    assert refusal(scans.enough, "x", np.arange(7.0), 7, "scan") == ""
    assert "at 7 positions at the very least, 20 to 60 are good; got 6." in refusal(scans.enough, "x", np.arange(6.0).repeat(2), 7, "scan")
    for call, least in ((scans.knife_edge_beam, 7), (openings.slit_beam, 6)):
        with pytest.raises(QuantityError, match=f"needs readings at {least} positions"):
            call(position=Q(np.arange(least - 1.0), "mm"), reading=np.arange(least - 1.0))
    for scale, confidence, word in (
        (0.49, 0.5, ""),
        (0.5, 0.95, "scale_uncertainty"),
        (-0.01, 0.95, "scale_uncertainty"),
        (0.0, 0.49, "confidence"),
    ):
        assert refusal(scans.scan_estimate, 1.0, 0.1, 5, scale, confidence).partition(" ")[0] == word
    for level, word in ((0.01, "a"), (0.0, "clip_level"), (0.49, "a"), (0.5, "clip_level")):  # "a knife-edge scan needs": the level is fine
        few = {"position": Q(X[:3], "mm"), "reading": X[:3], "clip_level": level}
        assert refusal(lambda given: scans.knife_edge_beam(**given), few).partition(" ")[0] == word
    with pytest.raises(QuantityError, match=r"reading must be finite, got nan at index 2"):
        scans.scans_of(Q([1.0, 2.0, 3.0], "mm"), [1.0, 2.0, math.nan], None)


def test_what_is_odd_about_the_readings_is_kept_with_its_axis():
    kept = scans._readings_record(Readings(used=9, saturated=1, clipped=2, wild=(0, 4), jitter=0.5, backlash=0.25), None, "_y")
    assert kept == {
        "readings_saturated_y": 1,
        "readings_clipped_y": 2,
        "readings_left_out_y": [1, 5],
        "position_jitter_y": Q(0.5, "mm"),
        "backlash_y": Q(0.25, "mm"),
    }
    assert Readings(9) == Readings(9, 0, 0, (), 0.0, 0.0, 0.0, 0.0, 1.0, 0.0)  # nothing odd


def test_the_details_of_an_edge_by_hand():
    # full 2 falls by 0.05 a mm over travel of 6 mm: the source changed by 0.3/2
    x = X[::2]
    y = 0.1 + (2.0 - 0.05 * x) * knife_edge_power(x, 1.0, 0.0)
    d = scans.knife_edge_beam(position=Q(x, "mm"), reading=y).details
    assert d["source_drift"] == pytest.approx(-0.15, rel=1e-6)
    assert d["direction"] == "rising"
    assert d["clip_level"] == knife_edge(x, y).clip.low == 0.1
    assert not knife_edge(-x, y).rising
    assert d["clip_estimate"].m_as("mm") == pytest.approx(1.0, rel=0.1)
    fit = knife_edge(X, knife_edge_power(X, 1.0, 0.0))
    # 2 % to 98 % of the light is 2 x 2.0537 sd = 2.0537 radii (normal table): positions 0.2 apart up to 1.0
    assert fit.points_on_edge == 11


def test_two_levels_of_a_scan_by_hand():
    x, y = np.arange(5.0), np.array([0.0, 0.2, 0.5, 0.8, 1.0])  # crosses 0.1 at 0.5 and 0.9 at 3.5
    for at, reading in ((x, y), (-x, y[::1]), (x, y[::-1])):
        got = clip_width(at, 2.0 * reading + 1.0, dark=1.0, full=2.0)
        assert got.radius == pytest.approx(3.0 * 0.780304, rel=1e-6)  # `knife-clip` in reference/sources.toml
        assert got.low == 0.1
    assert clip_width(x, 0.5 * y, dark=0.0, full=1.0) is None
    noisy = clip_width(np.arange(7.0), np.array([0.0, 0.2, 0.0, 0.2, 1.0, 1.0, 1.0]), dark=0.0, full=1.0)
    assert noisy.position_low == pytest.approx((0.5 + 1.5 + 2.5) / 3.0)  # the middle of all crossings


# ---------------------------------------------------------------- slit and pinhole


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        (
            {"residual_sd": 0.25, "residuals": np.tile([1.0, -1.0], 9)},
            {"residual_sd": 0.2501, "residuals": np.tile([1.0, -1.0], 9)},
            "no peak stands out",
        ),
        ({"u_radius": 1.0}, {"u_radius": 1.0001, "residuals": np.tile([1.0, -1.0], 9)}, "no peak stands out"),
        ({"travel_before": 1.0}, {"travel_before": 0.94}, "reaches only 0.9 beam radii beyond the peak"),
        ({}, {"travel_after": 0.9}, "Scan at least 10 mm in all"),  # five times the radius measured, 2 mm
        ({}, {"travel_after": 0.9, "measured_radius": 2.468}, "Scan at least 12 mm in all"),
        ({}, {"points_on_peak": 1, "measured_radius": 2.468}, "Step by 0.62 mm or less"),
        ({"points_on_peak": 2}, {"points_on_peak": 1}, "only 1 reading falls on the peak, too few to give a width. Step by 0.5 mm"),
    ],
)
def test_a_profile_is_refused_beyond_each_limit(fine, not_fine, words):
    assert refusal(openings._refuse_profile, replace(PEAK, **fine)) == ""
    assert words in refusal(openings._refuse_profile, replace(PEAK, **not_fine))


@pytest.mark.parametrize(("share", "word"), [(1.59, "no single peak has"), (1.61, "no peak stands out")])
def test_a_pattern_is_told_from_scatter_by_the_differences_of_neighbours(share, word):
    # 529 residuals: the limit is 2 (1 - 2.3/23) = 1.8 times the sum of squares; blocks of +-1 whose sign turns k times give 4 k/529
    turns = round({1.59: 1.79, 1.61: 1.81}[share] * 529 / 4)
    signs = np.concatenate([np.resize([1.0, -1.0], turns + 1), np.full(529 - turns - 1, 1.0 if turns % 2 == 0 else -1.0)])
    assert word in refusal(openings._refuse_profile, replace(PEAK, residual_sd=1.0, residuals=signs))


def profile_says(kind="slit", opening=0.3, **changes):
    notes = []
    checks = openings._profile_doubts("", kind, replace(PEAK, **changes), opening, notes)
    return " | ".join([*checks, *notes])


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"travel_before": 1.2}, {"travel_before": 1.19}, "the scan ends 1.2 radii from the peak. Scan 2.5 radii"),
        ({}, {"with_tilt": False}, "a tilt of the dark level is left out"),
        ({"points_on_peak": 5}, {"points_on_peak": 4}, "only 4 readings fall within one radius of the peak"),
        ({"opening": 3.0, "u_radius": 0.25}, {"opening": 3.02, "u_radius": 0.25}, "the slit is 3.0 beam radii wide"),
        (
            {"opening": 2.4, "u_radius": 0.25, "kind": "pinhole"},
            {"opening": 2.42, "u_radius": 0.25, "kind": "pinhole"},
            "the pinhole is 2.4 beam",
        ),
        ({"opening": 0.0, "kind": "pinhole"}, {"opening": 0.0}, "no slit width is stated"),
    ],
)
def test_what_is_said_of_a_profile_begins_at_its_limit(fine, not_fine, words):
    assert profile_says(**fine) == ""
    assert words in profile_says(**not_fine)


def test_an_uncertain_opening_counts_by_the_law_of_its_width():
    # W0^2 = Wm^2 - s^2/3, so dW0 = s u/(3 W0); with D^2/4 it is D u/(4 W0): 0.4 x 0.03/3 = 0.004 and 0.003, over W0 = 1 mm
    size = Measured(Q(0.4, "mm"), Q(0.03, "mm"))
    x = X[::3]
    y = np.exp(-2.0 * x**2)
    slit = openings.slit_beam(position=Q(x, "mm"), reading=y, slit_width=size)
    hole = openings.pinhole_beam(position=Q(x, "mm"), reading=y, pinhole_diameter=size)
    for got, what, times in ((slit, "slit", 3.0), (hole, "pinhole", 4.0)):
        radius = got.radius_x.value.m_as("mm")
        part = next(p for p in got.radius_x.parts if p.name == f"common: {what} opening (Type B)")
        assert part.relative == pytest.approx(0.4 * 0.03 / times / radius**2, rel=1e-9)
        assert got.details["opening"] == Q(0.4, "mm")
        told = got.steps[1]
        assert float(told.result.split()[0]) == pytest.approx(
            math.sqrt(got.details["measured_radius"].m_as("mm") ** 2 - 0.16 / times), rel=2e-3
        )
    with pytest.raises(QuantityError, match="more than the whole travel of 6"):
        openings.slit_beam(position=Q(x, "mm"), reading=y, slit_width=Q(6.1, "mm"))


def test_readings_on_a_peak_and_its_second_moment():
    fit = profile(X, 5.0 * np.exp(-2.0 * X**2) + 2.0)
    assert (fit.points_on_peak, fit.peak, fit.dark) == (9, pytest.approx(5.0), pytest.approx(2.0))  # 0.2 apart, nearer than 1.0
    # inside 2.5 radii = 5 sd: D4sigma of a Gaussian cut there is 1 - 1e-5 of its own (`truncated_width`), plus its slit by a third
    assert fit.moment_radius == pytest.approx(1.0, rel=2e-4)
    wide = profile(X, 5.0 * np.exp(-2.0 * X**2) + np.where(np.abs(X) > 2.55, 0.4, 0.0), tilt=False)
    assert wide.moment_radius < 1.05  # what stands beyond 2.5 radii is not counted


# ---------------------------------------------------------------- caustic

RULE = Coverage(positions=12, within_one=6, between=0, beyond_two=6)
FOCUS: Caustic = replace(
    caustic(position=np.linspace(-3, 3, 12), radius=np.hypot(1.0, np.linspace(-3, 3, 12)), wavelength=1.0),
    waist_radius=1.0,
    u_waist_radius=0.1,
    position=0.0,
    u_position=0.0,
    divergence=2.0,
    u_divergence=0.1,
    rayleigh_range=1.0,
    beam_quality=1.5,
    u_beam_quality=0.01,
    degrees_of_freedom=9,
    coverage=RULE,
    residuals=np.full(12, 0.01),
    fitted=np.ones(12),
)
Z = np.array([-3.0, -2.5, -2.0, -0.5, -0.4, -0.3, 0.3, 0.4, 0.5, 2.0, 2.5, 3.0])


@pytest.mark.parametrize(
    ("fine", "not_fine"),
    [
        ({"z": np.array([0.1, 0.61])}, {"z": np.array([0.1, 0.6])}),
        ({"z": np.array([2.99, 9.0])}, {"z": np.array([3.0, 9.0])}),
        ({"u_waist_radius": 0.499}, {"u_waist_radius": 0.5}),
        ({"u_divergence": 0.999}, {"u_divergence": 1.0}),
        ({}, {"converged": False}),
        ({}, {"rayleigh_range": 0.0}),
    ],
)
def test_a_waist_is_refused_where_the_widths_do_not_bend(fine, not_fine):
    def said(z=Z, **changes):
        return refusal(focus._refuse, replace(FOCUS, **changes), z)

    assert said(**fine) == ""
    assert said(**not_fine).startswith("these widths do not determine a waist")
    assert refusal(focus._enough, np.array([1.0, 2, 3, 4])) == ""
    assert refusal(focus._enough, np.array([1.0, 2, 3, 3])).startswith("a caustic of 3 positions")


def caustic_says(z=Z, at=None, **changes):
    found = replace(FOCUS, **changes)
    return " | ".join([*focus._warnings("", found, z, at), "note", *focus._notes("", found)])


PROPORTIONAL = np.where(np.abs(Z) > 1.5, 0.0401, 0.01)


def sides(far, just=0.5):
    """So many of twelve positions far from a waist, and they scatter ten times as much; one of the others stands at `just`."""
    z = np.r_[np.resize([-3.0, 3.0], far), np.linspace(-0.5, just, 12 - far)]
    return {"z": z, "residuals": np.where(np.abs(z) > 1.4, 0.1, 0.01)}


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({}, {"coverage": replace(RULE, positions=9)}, "do not meet ISO 11146-1: 9 in all, 6 within one Rayleigh length"),
        (
            {"widened": 1.0},
            {"widened": 1.5, "chi_squared": 20.25},
            "scatter 1.5 times as much as their stated uncertainties allow (chi-squared 20.2",
        ),
        ({}, {"wild": 4, "fitted": np.full(12, 0.04)}, "width 5 lies 25 % off the curve"),
        ({"position": 2.9}, {"position": 3.0}, "the waist lies outside the positions measured"),
        ({"position": -2.9}, {"position": -3.0}, "the waist lies outside the positions measured"),
        ({}, {"beam_quality": 0.75, "u_beam_quality": 0.124}, "M^2 comes out at 0.750, below the 1 that no beam can beat, by more"),
        ({}, {"beam_quality": 0.75, "u_beam_quality": 0.125}, "note | M^2 comes out at 0.750, below the 1 that no beam can beat, within"),
        ({"beam_quality": 1.0}, {"beam_quality": 0.999}, "note | M^2 comes out at 0.999"),
        ({"beam_quality": 10.0, "u_beam_quality": 1.0}, {"u_beam_quality": 0.18}, "note | M^2 is uncertain by 12 %"),
        ({"residuals": np.where(np.abs(Z) > 1.5, 0.5, 0.125)}, {"residuals": PROPORTIONAL}, "wide beams scatter far more"),
        (
            {"residuals": PROPORTIONAL, "degrees_of_freedom": 5},
            {"residuals": PROPORTIONAL, "degrees_of_freedom": 6},
            "errors look proportional",
        ),
        ({"residuals": PROPORTIONAL, "weighted": True}, {"residuals": PROPORTIONAL}, "errors look proportional"),
        # four on either side of 1.5 Rayleigh lengths are enough, three are not; what stands just there is near
        (sides(3), sides(4), "errors look proportional"),
        (sides(9), sides(8), "errors look proportional"),
        (sides(3, just=1.5), sides(4), "errors look proportional"),
        ({"at": 3.0}, {"at": 3.1}, "the resin surface lies outside the positions measured"),
        ({"at": -3.0}, {"at": -3.1}, "the resin surface lies outside the positions measured"),
    ],
)
def test_what_is_said_of_a_caustic_begins_at_its_limit(fine, not_fine, words):
    assert caustic_says(**fine) == "note"
    assert words in caustic_says(**not_fine)


def test_what_a_caustic_says_by_hand():
    # W0 = 1 mm and half angle 1 mrad: M^2 = pi W0 half/lambda, 3.1416 at 1000 nm; zR = 1000 mm; sqrt2 mm there
    c = replace(
        FOCUS, divergence=2e-3, rayleigh_range=1000.0, beam_quality=math.pi, u_beam_quality=0.25, covariance=np.diag([0.01, 1.0, 1e-8])
    )
    steps = focus._steps(c, 1e-3, 1000.0)
    assert steps[0].result == "W0 = 1.00 +- 0.10 mm, z0 = 0 mm, theta = 2 mrad"
    assert steps[1].numbers == "pi x 1 mm x 1 mrad / 1000 nm"
    assert steps[1].result == "M^2 = 3.1416 +- 0.2500"
    assert steps[2].numbers == "2 x 1 mm / 2 mrad"
    assert steps[3].result.startswith("1.41")
    # u^2 = (W0 u0/W)^2 + (h^2 d uz/W)^2 + (h d^2 uh/W)^2 with d = zR: 0.005 + 0.5e-6 + 0.5 x 1e6 x 1e-8
    assert c.u_radius_at(1000.0) == pytest.approx(math.sqrt(0.005 + 0.5e-6 + 0.005), rel=1e-9)
    way = focus._defocus([("x", replace(FOCUS, position=10.0), None, None)], math.sqrt(5.0))
    assert (way["tolerance"], way["x"]["distance"].m_as("mm")) == (0.05, pytest.approx(2.0))
    assert [p.m_as("mm") for p in way["x"]["positions"]] == pytest.approx([8.0, 12.0])
    assert [p.m_as("mm") for p in way["x"]["range"]] == pytest.approx([math.sqrt(5 * s * s - 1) for s in (0.95, 1.05)])
    assert focus._defocus([("x", FOCUS, None, None)], 0.99)["x"] is None
    for widened, dof, many in ((1.0, 9, math.inf), (1.2, 9, 9)):
        assert focus._estimate(
            1.0, 0.1, replace(FOCUS, widened=widened, degrees_of_freedom=dof), True, 0.95
        ).degrees_of_freedom == pytest.approx(many)


def test_stated_uncertainties_are_widened_beyond_chance():
    # four readings more than unknowns would have chi-squared 13.277 at 1 % (printed table)
    z = np.linspace(-3.0, 3.0, 7)
    w = np.hypot(1.0, z) + 0.02 * np.array([1, -1, 1, -1, 1, -1, 1])
    free = caustic(position=z, radius=w, wavelength=1.0)
    assert free.degrees_of_freedom == 4
    rest = float(np.sum(free.residuals**2))
    for chi, wider in ((13.27, 1.0), (13.29, math.sqrt(13.29 / 4.0))):
        c = caustic(position=z, radius=w, wavelength=1.0, u_radius=np.full(7, math.sqrt(rest / chi)))
        assert (c.chi_squared, c.widened) == (pytest.approx(chi, rel=1e-6), pytest.approx(wider, rel=1e-6))


# ---------------------------------------------------------------- cured lines

V = np.array([100.0, 200.0, 300.0, 400.0])
LINES = cured_lines(scan_speed=V, line_width=np.sqrt(2 * np.log(8000.0 / V)), cure_depth=np.log(8000.0 / V))


@pytest.mark.parametrize(
    ("fine", "not_fine", "words"),
    [
        ({"agreement_p": 0.01}, {"agreement_p": 0.0099}, "vanishes (p = 0.0099)"),
        ({"speed_range": 4.0}, {"speed_range": 3.94}, "the speeds span only 3.9 to 1"),
        ({}, {"converged": False}, "the fit did not settle"),
        ({}, {"power": None}, "no power is given, so Ec is left out"),
    ],
)
def test_what_is_said_of_cured_lines_begins_at_its_limit(fine, not_fine, words):
    def said(power=1.0, **changes):
        return " | ".join(
            indirect._warnings(replace(LINES, **{"agreement_p": 0.5, "converged": True, "speed_range": 8.0} | changes), power)[1:]
        )

    assert said(**fine) == ""
    assert words in said(**not_fine)


def test_cured_lines_by_hand():
    assert pytest.approx(0.1732051, rel=1e-6) == indirect.THRESHOLD_ERROR  # 30 % taken as rectangular: 0.3/sqrt 3
    # Ec = sqrt(2/pi) P/(W0 v0): 0.797885 x 80 mW/(1 mm x 8000 mm/s)
    got = indirect.cured_line_beam(
        scan_speed=Q(V, "mm/s"), line_width=Q(np.sqrt(2 * np.log(8000.0 / V)), "mm"), power=Measured(Q(80.0, "mW"), Q(8.0, "mW"))
    )
    ec = got.details["critical_exposure"]
    assert ec.value.m_as("mJ/mm^2") == pytest.approx(0.00797885, rel=1e-5)
    assert ec.standard_uncertainty.m_as("mJ/mm^2") == pytest.approx(0.000797885, rel=1e-4)  # the power's 10 %
    assert got.details["speed_range"] == pytest.approx(4.0)
    assert got.details["vanishing_speed"].m_as("mm/s") == pytest.approx(8000.0, rel=1e-6)
    assert got.radius_x.relative == pytest.approx(0.1732051, rel=1e-6)
    for option, value in (("model_uncertainty", 1.01), ("model_uncertainty", -0.01), ("confidence", 0.49)):
        with pytest.raises(QuantityError, match=option):
            indirect.cured_line_beam(scan_speed=Q(V, "mm/s"), line_width=Q(V, "mm"), **{option: value})


@pytest.mark.parametrize(
    ("speeds", "words"), [([1, 2, 3], "3 line widths at 3 speeds"), ([1, 1, 2, 2], "4 line widths at 2 speeds"), ([1, 2, 3, 3], "")]
)
def test_cured_lines_need_four_at_three_speeds(speeds, words):
    v = np.array(speeds, dtype=float)
    try:
        cured_lines(scan_speed=v, line_width=np.sqrt(2 * np.log(8.0 / v)))
        said = ""
    except ValueError as error:
        said = str(error)
    assert said.startswith(words)
    assert bool(said) == bool(words)


# ---------------------------------------------------------------- two axes


def test_a_caustic_of_two_axes_by_hand():
    # waists of 1 mm at 0 and 1.25 mm at 0.5 mm, slopes 1 and 0.5: 1.5 mm at z = 1 along y is hypot(1.25, 0.25)
    z = np.linspace(-6.6, 6.6, 13)
    given = {"position": Q(z, "mm"), "radius_x": Q(np.hypot(1.0, z), "mm"), "wavelength": Q(1e6, "nm")}
    got = focus.caustic_beam(
        **given, radius_y=Q(np.hypot(1.25, 0.5 * (z - 0.5)), "mm"), surface_position=Q(1.0, "mm"), wanted_radius=Q(1.2, "mm")
    )
    assert got.radius_x.value.m_as("mm") == pytest.approx(math.sqrt(2.0))
    assert got.radius_y.value.m_as("mm") == pytest.approx(math.hypot(1.25, 0.25))
    d = got.details
    assert d["radius_is"] == "at the resin surface"
    assert (d["astigmatism"].m_as("mm"), d["surface_position"].m_as("mm")) == (pytest.approx(0.5), 1.0)
    assert [q.value.m for q in got.beam_quality] == pytest.approx([math.pi, 0.625 * math.pi])  # pi W0 slope/lambda, lambda 1 mm
    assert [d["divergence"][a].value.m for a in "xy"] == pytest.approx([2.0, 1.0])
    assert [d["rayleigh_range"][a].value.m for a in "xy"] == pytest.approx([1.0, 2.5])
    assert d["coverage"]["x"] == {"positions": 13, "within_one_rayleigh_length": 1, "beyond_two_rayleigh_lengths": 10, "complete": False}
    assert d["defocus"]["x"]["distance"].m_as("mm") == pytest.approx(math.sqrt(0.44))
    assert d["defocus"]["y"] is None
    assert any(w.startswith("y axis: no defocus makes the beam as narrow") for w in got.warnings)
    assert not [n for n in got.notes if "one axis is given" in n]
    one = focus.caustic_beam(**given)
    assert (one.radius_y, one.details["radius_is"], one.radius_x.value.m_as("mm")) == (None, "at the waist", pytest.approx(1.0))
    assert not {"astigmatism", "surface_position", "defocus"} & one.details.keys()
    assert [n for n in one.notes if n.startswith("one axis is given")]
    assert one.warnings[0].startswith("the positions do not meet")
    assert len(one.steps) == 3
    rough = given | {"radius_x": Q(np.hypot(1.0, z) + 1e-3 * np.cos(7.0 * z), "mm")}
    for more, told in (({}, ("fit (Type A)", 10)), ({"standard_uncertainty": Q(0.01, "mm")}, ("fit (Type B, stated)", math.inf))):
        assert [(p.name, p.degrees_of_freedom) for p in focus.caustic_beam(**rough, **more).radius_x.parts] == [told]


def test_a_scan_along_two_axes_by_hand():
    x = X[::2]
    names = ["x", " Y "] * x.size
    y = np.stack([knife_edge_power(x, 1.0, 0.0), knife_edge_power(x, 1.5, 0.5)], axis=1).ravel()
    got = scans.knife_edge_beam(position=Q(x.repeat(2), "mm"), reading=y, axis=names)
    assert [e.value.m_as("mm") for e in (got.radius_x, got.radius_y)] == pytest.approx([1.0, 1.5])
    assert [c.m_as("mm") for c in got.centre] == pytest.approx([0.0, 0.5], abs=1e-9)
    assert got.to_dict()["centre"]["y"]["value"] == pytest.approx(0.5)
    assert replace(got, centre=(got.centre[0], None)).to_dict()["centre"]["y"] is None
    assert replace(got, centre=(None, None)).to_dict()["centre"] is None
    assert {"clip_estimate_x", "clip_estimate_y", "residual_y", "direction_x"} <= got.details.keys()
    assert not [n for n in got.notes if n.startswith("one axis was scanned")]
    assert [s.formula for s in got.steps if s.formula.startswith("W0 = ")] == ["W0 = 0.780304 (x90 - x10)"] * 2
    alone = scans.measurement("knife-edge", {"x": (got.fits[0][1], x, y)}, {"x": got.radius_x}, {}, [], [], [])
    assert alone.notes == ("one axis was scanned, so the beam is taken as round. Scan the other axis as well.",)
    for axis, words in ((["x"], "must name x or y for each of the 3 readings, got 1"), (["x", "u", "z"], "must be x or y, got 'u'")):
        with pytest.raises(QuantityError, match=words):
            scans.scans_of(Q([1.0, 2.0, 3.0], "mm"), [1.0, 2.0, 3.0], axis)
    assert openings._opening("slit_width", None) == (0.0, 0.0)
    assert [name for name, _, _ in scans.scans_of(Q(X, "mm"), X, ["Y"] * 31)] == ["y"]
    assert scans._spread(None) == 0.0
    assert (scans._of("x", {"x": EDGE}), scans._of("y", {"x": EDGE, "y": EDGE})) == ("", "y scan: ")


def test_one_reading_apart_from_hundreds_at_one_place_gives_no_width():
    """Of 700 readings every second is looked at for a start: the last alone stands elsewhere, and is not among them."""
    position = np.zeros(700)
    position[-1] = 1.0
    with pytest.raises(ValueError, match=r"nearly all 700 readings stand at one position \(0 mm\), so no width can be had\. Check"):
        knife_edge(position, np.random.default_rng(1).standard_normal(700))
