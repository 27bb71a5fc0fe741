"""Plans, comparisons, laws, priors, data sheets: every default and limit just on either side, with the number it stands for by hand."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from curecalc.calibration.budget import budget, scales
from curecalc.calibration.comparing import _notes, _percent, _verdict, compare_lots, comparison_text, lot_from_line
from curecalc.calibration.conditions import Conditions, unlike
from curecalc.calibration.coupons import coupons_from_arrays
from curecalc.calibration.datasheet import from_one_depth, from_two_depths, unverified_line
from curecalc.calibration.design import expected, most_useful
from curecalc.calibration.laws import akaike, bleaching_fit, power_threshold_fit
from curecalc.calibration.outliers import _slip, reading_outliers
from curecalc.calibration.planning import plan_coupons, plan_text
from curecalc.calibration.prior import LinePrior, prior_conflict, prior_from_lots
from curecalc.calibration.prior_use import line_with_prior, prior_use
from curecalc.calibration.slips import refuse_slips
from curecalc.calibration.verdict import law_findings, more_findings
from curecalc.errors import FileError, NoSolution, QuantityError
from curecalc.statistics.line import ordinary_line
from curecalc.statistics.working_line import WorkingLine
from curecalc.units import Quantity as Q

Z = 1.6448536  # normal quantile of 95 %

# ---------------------------------------------------------------- comparisons: an old lot known exactly, a new one at will

MIDDLE = math.log(8.0) + 1.0  # where the old lot, Dp 150 um and Ec 8 mJ/cm^2, cures 150 um


def lot(name, height=0.150, dp=0.150, *, u=1e-9, u_slope=1e-9, dof=math.inf, n=8, sd=0.003, ends=(0.05, 0.3), **more):
    line = WorkingLine(dp, MIDDLE - height / dp, MIDDLE, u**2, u_slope**2, sd**2, dof, 2.0, 4.5)
    return lot_from_line(name, line, coupons=n, residual_sd=sd, depth_low=ends[0], depth_high=ends[1], **more)


def compared(*lots, **more):
    return compare_lots(lots=[lot("a"), *lots], **({"cure_depth": Q(150.0, "um"), "tolerance": Q(10.0, "um")} | more))


@pytest.mark.parametrize(
    ("away", "verdict"),  # um; bounds lie 1.645 x 2 um = 3.29 um to either side
    [
        (6.70, "keep"),
        (6.72, "keep for now"),
        (-6.70, "keep"),
        (-6.72, "keep for now"),
        (13.28, "keep for now"),
        (13.30, "change"),
        (-13.28, "keep for now"),
        (-13.30, "change"),
        (42.6, "change"),  # 30 % more speed: 150 ln 1.3 = 39.35
        (42.7, "reject"),
        (-56.7, "change"),  # 30 % less: 150 ln(1/0.7) = 53.50
        (-56.9, "reject"),
    ],
)
def test_verdicts_turn_where_a_bound_meets_its_limit(away, verdict):
    c = compared(lot("b", 0.150 + away / 1000, u=0.002))
    assert c.verdict == verdict
    d = c.depth_difference
    assert (d.low, d.high) == pytest.approx((away / 1000 - Z * 0.002, away / 1000 + Z * 0.002), rel=1e-6)
    assert c.speed_change == pytest.approx(tuple(math.expm1((away + k * Z * 2) / 150) for k in (0, -1, 1)), rel=1e-6)
    if verdict in ("keep", "change", "keep for now"):
        assert f"changes by {away:+.1f} um ({away - 3.29:+.1f} to {away + 3.29:+.1f} um), tolerance 10 um" in c.sentence


@pytest.mark.parametrize(("share", "verdict"), [(1.232, "change"), (1.234, "reject"), (0.768, "change"), (0.766, "reject")])
def test_another_dp_is_rejected_once_proven_beyond_a_fifth(share, verdict):
    """1.645 x 2 % = 3.29 % beside the 20 %."""
    assert compared(lot("b", 0.170, 0.150 * share, u_slope=0.003)).verdict == verdict
    assert compared(lot("b", 0.170, 0.150 * share, u_slope=0.003), most_depth_change=0.25).verdict == "change"
    wider = 0.150 * (share + math.copysign(0.0136, share - 1.0))
    pair = [lot("a", u_slope=0.003), lot("b", 0.170, wider, u_slope=0.003)]
    both = compare_lots(lots=pair, cure_depth=Q(150.0, "um"), tolerance=Q(10.0, "um"))
    assert both.verdict == verdict  # the old lot's 2 % as well: 1.645 x 2.83 % = 4.65 %


def test_notes_of_a_comparison_on_either_side():
    assert compared(lot("b", wavelength=355.5), lot("c")).verdict == "keep"
    both = [lot("a", wavelength=355.0), lot("b", wavelength=355.5), lot("b", wavelength=355.51)]
    more = {"cure_depth": Q(150.0, "um"), "tolerance": Q(10.0, "um")}
    assert [compare_lots(lots=[both[0], other], **more).verdict for other in both[1:]] == ["keep", "cannot compare"]
    for ratio, noted in ((2.40, False), (2.43, True)):  # F of 6 and 6, upper 2.5 %: 5.82 (handbook table), root 2.412
        assert any("scatter" in n for n in compared(lot("b", sd=0.003 * ratio)).notes) == noted
        assert any("scatter 2.4 times" in n for n in compare_lots(lots=[lot("a", sd=0.003 * ratio), lot("b")], **more).notes) == noted
    for ends, noted in (((0.15, 0.3), False), ((0.1501, 0.3), True), ((0.05, 0.15), False), ((0.05, 0.1499), True)):
        assert any("extrapolated" in n for n in compared(lot("b", ends=ends)).notes) == noted
    for u, known in ((0.163, True), (0.164, False)):  # six times the speed, 150 ln 6 = 268.8 um, is not known to a factor
        assert ("not known to a factor" in comparison_text(compared(lot("b", u=u)))) != known
    three = compared(lot("b"), lot("c", 0.156, u=0.002))
    assert "2 comparisons with the old lot: each bound is at 97.5 %, so that all hold together." in three.notes
    assert three.depth_difference.high == pytest.approx(0.006 + 1.959964 * 0.002, rel=1e-6)
    assert three.to_dict()["speed_change"]["confidence"] == 0.9
    for confidence in (0.5, 1.0):
        with pytest.raises(QuantityError, match=r"confidence must be above 0\.5 and below 1"):
            compared(lot("b"), confidence=confidence)
    assert compared(lot("b"), confidence=0.51).verdict == "keep"


def test_coupons_to_add_are_the_fewest_that_decide():
    """u sqrt(n/(n + m)) t(n + m - 2) within what is left to the tolerance; twenty at most."""

    def needed(u, margin):
        return next((m for m in range(1, 21) if stats.t.ppf(0.95, 6 + m) * u * math.sqrt(8 / (8 + m)) <= margin), None)

    twenty = stats.t.ppf(0.95, 26) * 0.003 * math.sqrt(8 / 28)
    for margin in (0.005, 0.004, 0.003, twenty * 1.001, twenty * 0.999):
        c = compared(lot("b", 0.160 - margin, u=0.003, dof=6.0), confidence=0.95)
        if c.verdict == "keep":
            continue
        assert c.more_coupons == needed(0.003, margin)
        assert (c.more_coupons is None) == (margin < twenty)
    assert "more than 20 of the new one alone" in c.sentence
    # on 3 degrees of freedom it is not decided (t 2.353 x 3 um = 7.06 um), on 7 it is (1.895 x 3 um x sqrt(8/9) = 5.36 um)
    assert compared(lot("b", 0.160 - 0.0065, u=0.003, dof=3.0)).more_coupons == 1
    # beside 2 um of the old lot: t(14) 1.761 sqrt(9 8/16 + 4) = 5.13 um, one less 5.25 um; from 11 normal, 4.59 um (t(17) 4.85 um)
    for margin, more in ((0.0052, 8), (0.00462, 11)):
        old, new = lot("a", u=0.002), lot("b", 0.160 - margin, u=0.003, dof=6.0)
        c = compare_lots(lots=[old, new], cure_depth=Q(150.0, "um"), tolerance=Q(10.0, "um"))
        assert (c.verdict, c.more_coupons) == ("keep for now", more)
        assert c.to_dict()["speed_change"]["interval"] == list(c.speed_change[1:])


@pytest.mark.parametrize(
    ("given", "verdict"),
    [
        ({"low": 0.01}, "keep for now"),
        ({"low": 0.0101}, "change"),
        ({"high": -0.01}, "keep for now"),
        ({"high": -0.0101}, "change"),
        ({"change": (0.0, 0.25, 0.0)}, "keep for now"),
        ({"change": (0.0, 0.2501, 0.0)}, "reject"),
        ({"change": (0.0, 0.0, -0.25)}, "keep for now"),
        ({"change": (0.0, 0.0, -0.2501)}, "reject"),
        ({"dp": 0.3125}, "keep for now"),
        ({"dp": 0.3126}, "reject"),
        ({"dp": 0.1875}, "keep for now"),
        ({"dp": 0.1874}, "reject"),
    ],
)
def test_what_lies_exactly_at_a_limit_is_not_proven(given, verdict):
    """Tolerance 10 um; a quarter of speed or of Dp, 0.25 mm, which are known exactly."""
    asked = {"low": 0.0, "high": 0.0, "change": (0.0, 0.0, 0.0), "dp": 0.25} | given
    pair = [lot(name, dp=dp, u_slope=0.0) for name, dp in (("a", 0.25), ("b", asked["dp"]))]
    moved = SimpleNamespace(value=0.0, low=asked["low"], high=asked["high"], equivalent=False)
    assert _verdict(*pair, 0.15, 0.01, moved, asked["change"], 0.95, 0.25, 0.25)[0] == verdict


def test_words_of_a_comparison_exactly_at_their_limit():
    for slopes, intercepts, said in ((0.05, 0.05, []), (0.0499, 0.05, ["slopes differ"]), (0.05, 0.0499, ["heights differ"])):
        tests = SimpleNamespace(slopes=SimpleNamespace(p=slopes), intercepts=SimpleNamespace(p=intercepts))
        found = _notes([lot("a"), lot("b")], tests, 0.15)
        assert len(found) == len(said)
        assert all(words in note for words, note in zip(said, found, strict=True))
    assert _percent((4.99, 4.99, -4.99)) == "+499.0 % (+499.0 to -499.0 %)"
    assert _percent((5.0, 0.0, 0.0)) == _percent((0.0, 0.0, -5.0)) == _percent((math.nan,) * 3) == "not known to a factor"


# ---------------------------------------------------------------- plans

GUESS = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2")}


def exposures(p):
    return np.sort([c.exposure.m for c in p.coupons])


def test_a_plan_left_to_itself():
    """From 0.6 to 2.4 Dp, or 1.5 times the depth; two on each of four; 4 um between coupons and 3 um of three readings."""
    p = plan_coupons(**GUESS)
    assert exposures(p) == pytest.approx(np.repeat(8.0 * np.exp(np.linspace(0.6, 2.4, 4)), 2))
    assert p.coupon_sd.m_as("um") == pytest.approx(math.sqrt(16 + 9 / 3))
    assert (p.readings, p.levels, p.confidence, p.assurance, p.seed) == (3, 4, 0.95, 0.8, 1)
    assert p.notes == (
        "The repeatability of thickness readings was not given: 3 um was taken (common practice).",
        "The scatter between coupons was not given: 4 um was taken (common practice).",
    )
    assert "a coupon's mean is taken to scatter by 4.36 um" in plan_text(p)
    assert exposures(plan_coupons(**GUESS, at_depth=Q(0.3, "mm")))[-1] == pytest.approx(8.0 * math.exp(3.0))
    assert exposures(plan_coupons(**GUESS, at_depth=Q(0.239, "mm")))[-1] == pytest.approx(8.0 * math.exp(2.4))
    given = plan_coupons(**GUESS, thickness_repeatability=Q(0.0, "um"), coupon_sd=Q(5.0, "um"), levels=2)
    assert (given.coupon_sd.m_as("um"), len(given.coupons)) == (pytest.approx(5.0), 4)
    assert given.notes == ("2 levels cannot tell a bent curve from a straight one. Three or more can.",)
    assert plan_coupons(**GUESS, thickness_repeatability=Q(1.0, "um"), coupon_sd=Q(5.0, "um"), levels=3).notes == ()
    assert p.relative_half_width(p.expected) is None is p.assured_half_width(p.expected)
    deep = plan_coupons(**GUESS, at_depth=Q(0.15, "mm"), to=0.05)
    e = deep.expected
    assert deep.relative_half_width(e) == pytest.approx(e.half_width_factor * e.log_exposure)
    assert deep.assured_half_width(e) == pytest.approx(e.assured_factor * e.log_exposure)
    assert deep.reached == (deep.assured_half_width(e) <= 0.05)
    # sd of Dp: s/sqrt(Sxx), Sxx of two on each of four levels over 1.8 = 2 x 5 x 0.6^2
    assert p.to_dict()["expected"]["penetration_depth"]["standard_uncertainty"] == pytest.approx(math.sqrt(19) / 1000 / math.sqrt(3.6))


def test_bounds_of_a_plan_on_either_side():
    for factor, said in ((1.499, None), (1.501, 1), (2.499, 1), (2.501, 0)):
        asked = {"min_exposure": Q(20.0, "mJ/cm^2"), "max_exposure": Q(20.0 * factor, "mJ/cm^2"), "coupon_sd": Q(4.0, "um")}
        if said is None:
            with pytest.raises(NoSolution, match="too narrow for a working curve"):
                plan_coupons(**GUESS, **asked)
            continue
        p = plan_coupons(**GUESS, **asked, thickness_repeatability=Q(3.0, "um"))
        assert len(p.notes) == said
        assert exposures(p)[[0, -1]] == pytest.approx([20.0, 20.0 * factor])
    for coupons, levels, words in (
        (2, 2, "coupons must be a whole number of at least 3"),
        (3, 4, "coupons must be at least the number of levels, 4, got 3"),
        (10_001, 4, "coupons must be at most 10000, got 10001"),
    ):
        with pytest.raises(QuantityError, match=words):
            plan_coupons(**GUESS, coupons=coupons, levels=levels)
    assert len(plan_coupons(**GUESS, coupons=4).coupons) == 4
    assert len(plan_coupons(**GUESS, coupons=3, levels=3).coupons) == 3
    for confidence in (0.499, 1.0):
        with pytest.raises(QuantityError, match=r"confidence must be at least 0\.5 and below 1"):
            plan_coupons(**GUESS, confidence=confidence)
    assert plan_coupons(**GUESS, confidence=0.5).confidence == 0.5
    with pytest.raises(NoSolution, match=r"even 60 coupons give the speed to .* % only with 80 % assurance, not to 0\.1 %"):
        plan_coupons(**GUESS, at_depth=Q(0.15, "mm"), to=0.001)
    # 300 mW over 0.1 mm at 2000 and 10000 mm/s: 150 and 30 mJ/cm^2
    slow = plan_coupons(**GUESS, power=Q(300.0, "mW"), hatch_spacing=Q(0.1, "mm"), scan_speed_max=Q(10_000.0, "mm/s"))
    assert exposures(slow)[0] == pytest.approx(30.0)
    assert max(c.scan_speed.m for c in slow.coupons) == pytest.approx(10_000.0)


def test_expected_uncertainties_are_the_moments_of_a_ratio():
    """E[1/b] and E[1/b^2] of a normal slope by Gauss-Hermite quadrature; Student's t times c4 and times the root of chi-squared/nu."""
    z, w = np.polynomial.hermite_e.hermegauss(60)
    x = np.array([1.0, 1.0, 2.0, 3.0, 3.0])  # mean 2, Sxx 4
    for scatter, threshold, rel in ((0.0134, 2.0, 1e-6), (0.0134, 0.5, 3e-4)):
        got = expected(x, slope=0.15, log_threshold=threshold, scatter=scatter)
        b = 1.0 + scatter / (0.15 * 2.0) * z
        first, second = (w / b).sum() / w.sum(), (w / b**2).sum() / w.sum()
        d, height = threshold - 2.0, scatter**2 / (0.15**2 * 5)
        assert got.log_threshold == pytest.approx(math.sqrt((d * d + height) * second - (d * first) ** 2), rel=rel)
        assert got.slope == pytest.approx(scatter / 2.0)
    t = stats.t.ppf(0.975, 3)
    assert got.half_width_factor == pytest.approx(t * 0.9213177, rel=1e-6)  # c4 of 4, tables of control charts
    assert got.assured_factor == pytest.approx(t * math.sqrt(stats.chi2.ppf(0.8, 3) / 3))
    deep = expected(x, slope=0.15, log_threshold=0.5, scatter=0.0134, depth=0.225)  # at the centre: 0.5 + 1.5
    assert deep.log_exposure == pytest.approx(expected(x, slope=0.15, log_threshold=2.0, scatter=0.0134).log_threshold)
    assert expected([1.0, 2.0, 2.0], slope=1.0, log_threshold=0.0, scatter=0.1).degrees_of_freedom == 1
    aim = {"slope": 0.15, "log_threshold": 0.0, "scatter": 0.005, "depth": None}
    assert most_useful([], 1.0, 2.0, 2, **aim).tolist() == [2.0, 1.0]
    assert most_useful([1.0, 2.0], 1.0, 2.0, 1, **aim).tolist() == [1.0]


# ---------------------------------------------------------------- laws


def test_criteria_and_laws_need_so_many_points():
    assert [akaike(2.0, n, 3) for n in (4, 5)] == [math.inf, pytest.approx(5 * math.log(0.4) + 6 + 24)]
    li, lt = np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0, 1.0])
    y = 0.1 * li + 0.12 * lt + np.array([1, -1, -1, 1]) * 0.002
    law = power_threshold_fit(li, lt, y, confidence=0.98)
    assert (law.degrees_of_freedom, law.w, law.penetration_depth) == pytest.approx((1, 0.1 / 0.12, 0.1))
    # u of either slope is 4 um on one degree of freedom: no bound at 98 % (t 31.8), one at 95 % (t 12.7) by Fieller's equation
    assert math.isnan(law.w_low)
    near = power_threshold_fit(li, lt, y)
    t = stats.t.ppf(0.975, 1)
    for w in (near.w_low, near.w_high):
        assert abs(0.1 - w * 0.12) == pytest.approx(t * 0.004 * math.sqrt(1 + w * w))
    assert near.p == pytest.approx(2 * stats.t.sf(0.02 / 0.004 / math.sqrt(2), 1))
    assert near.criterion == akaike(near.sum_of_squares, 4, 4) == math.inf
    exact = power_threshold_fit(li, lt, 0.125 * (li + lt))
    assert (exact.w, exact.p) == (1.0, 1.0)
    assert power_threshold_fit(li, lt, 0.125 * li + 0.25 * lt).p == 0.0
    assert power_threshold_fit(li, lt, np.zeros(4)) is None  # no slope to divide by
    x = np.log([10.0, 20.0, 40.0, 60.0, 60.0])
    y = 0.1 * np.log(np.expm1(np.exp(x) / 20.0) / np.expm1(0.2)) + np.array([0, 0, 0, 1e-3, -1e-3])
    bent = bleaching_fit(x, y)
    assert (bent.penetration_depth, np.exp(bent.log_threshold), bent.bleaching_exposure) == pytest.approx((0.1, 4.0, 20.0), rel=1e-4)
    e = np.array([0.1, 0.2, 0.4, 0.7, 1.0])  # of the greatest exposure
    for bleached, told in ((-7.2, False), (-6.8, True), (3.8, True), (4.2, False)):  # ln of the greatest exposure over Eb
        share = np.exp(bleached)
        found = bleaching_fit(np.log(e), 0.1 * np.log(np.expm1(share * e)))
        assert (found is not None) == told
        if told:
            assert found.bleaching_exposure == pytest.approx(1.0 / share, rel=1e-2)
    assert (bent.degrees_of_freedom, bent.criterion) == (2, math.inf)
    assert bleaching_fit(x[:4], y[:4]) is None
    assert bleaching_fit(x[[0, 1, 1, 3, 4]], y[[0, 1, 1, 3, 4]]) is None  # three exposures


def test_other_laws_are_named_below_eight_in_a_thousand_and_two_of_the_criterion():
    plain = akaike(1e-5, 10, 3)
    for p, better, said in ((0.0079, 2.01, True), (0.0081, 2.01, False), (0.0079, 1.99, False)):
        bent = SimpleNamespace(p=p, criterion=plain - better, penetration_depth=0.1, log_threshold=math.log(8.0), bleaching_exposure=20.0)
        found = law_findings(None, bent, plain)
        assert bool(found) == said
        if said:
            assert "(Dp 100 um, Ec 8, Eb 20 mJ/cm^2)" in found[0].sentence
            assert "AICc lower by 2" in found[0].sentence
    for p, said in ((0.0079, 1), (0.0081, 0)):
        assert len(law_findings(SimpleNamespace(p=p, w=0.8, w_low=0.7, w_high=0.9), None, plain)) == said


# ---------------------------------------------------------------- earlier lots


def test_the_spread_of_earlier_lots_counts_from_three_on():
    def prior(k):
        return prior_from_lots(
            [0.15] * k,
            [2.0, 3.0, 2.0, 3.0][:k],
            [np.diag([1e-12, 1e-12])] * k,
            [0.004, 0.002, 0.002, 0.002][:k],
            [6, 12, 12, 12][:k],
            slope_between=0.03,
            log_threshold_between=0.1,
        )

    two, four = prior(2), prior(4)
    assert two.covariance[0, 0] == pytest.approx(0.15**2 * (0.01 + 0.005))
    assert four.covariance[0, 0] == pytest.approx(0.15**2 * (1 / 3 + 0.01 / 4))  # observed: 4 x 0.25/3
    assert four.covariance[1, 1] == pytest.approx((0.03 * 0.15) ** 2 * 1.25)
    three = prior(3)
    assert three.covariance[0, 0] == pytest.approx(0.15**2 * (1 / 3 + 0.01 / 3))
    assert (two.scatter, two.degrees_of_freedom) == pytest.approx((math.sqrt((6 * 16 + 12 * 4) / 18) / 1000, 18))


def test_priors_and_conflicts_of_many_lots_are_those_of_each():
    rng = np.random.default_rng(11)
    slopes, thresholds = rng.uniform(0.1, 0.2, (2, 4)), rng.uniform(2.0, 3.0, (2, 4))
    covariances = rng.uniform(1e-6, 1e-4, (2, 4, 2))[..., None] * np.eye(2) + 1e-7
    scatters, dofs = rng.uniform(0.002, 0.004, (2, 4)), np.tile([6, 12, 8, 9], (2, 1))
    between = {"slope_between": 0.03, "log_threshold_between": 0.1}
    many = prior_from_lots(slopes, thresholds, covariances, scatters, dofs, **between)
    x = np.log(np.repeat([14.0, 25.0, 45.0, 80.0], 2))
    y = 0.15 * (x - 2.0) + 0.003 * rng.standard_normal((2, 8))
    found = prior_conflict(ordinary_line(x, y), many)
    for i in range(2):
        one = prior_from_lots(slopes[i], thresholds[i], covariances[i], scatters[i], dofs[i], **between)
        for name in ("mean", "covariance", "origin", "scatter", "degrees_of_freedom"):
            assert getattr(many, name)[i] == pytest.approx(getattr(one, name)), name
        alone = prior_conflict(ordinary_line(x, y[i]), one)
        for name in ("f", "p", "scatter_f", "scatter_p"):
            assert getattr(found, name)[i] == pytest.approx(getattr(alone, name)), name


def test_conflicts_by_hand():
    """Height 3 um off where the line's u is 1 um and the prior's is 2 um; slopes alike: F = 9/5/2."""
    x = np.arange(-2.5, 3.0)
    y = 0.15 * x + 0.001 * math.sqrt(6) * np.array([1, -1, -1, 1, 0, 0]) * 1.0
    fit = ordinary_line(x, y - np.polyval(np.polyfit(x, y, 1), x) + 0.15 * x + 0.003)
    scale = fit.scale
    prior = LinePrior(np.array([0.0, 0.15]), np.diag([4e-6, 1e-4]), 0.0, math.sqrt(scale / 3.0), 12)
    got = prior_conflict(fit, prior)
    f = 0.5 * 0.003**2 / (scale / 6 + 4e-6)
    share = 0.5 * (scale / 6 / (scale / 6 + 4e-6) + scale / 17.5 / (scale / 17.5 + 1e-4))
    assert (got.f, got.scatter_f) == pytest.approx((f, 3.0))
    assert got.p == pytest.approx(stats.f.sf(f, 2, 4 / share**2))
    assert got.scatter_p == pytest.approx(stats.f.sf(3.0, 4, 12))
    use = prior_use(fit, prior, 0.25, got, ("a",))
    assert use.scatter_shown == pytest.approx(math.sqrt(stats.f.ppf(0.99, 4, 12) / stats.f.ppf(0.2, 4, 12)))
    assert not use.few
    line, weight, _ = line_with_prior(fit, prior)
    assert 0.0 < weight < 1.0
    assert line.slope == pytest.approx(0.15)
    few = ordinary_line(x[:5], fit.y_mean + 0.15 * x[:5] + np.array([1, -1, 0, -1, 1]) * 0.001)
    assert line_with_prior(few, prior)[1] == 0.0
    assert prior_use(few, prior, 0.0, got, ("a",)).few
    # a contradiction at 1 % sets them aside
    for z, aside in ((0.98, False), (1.02, True)):
        limit = stats.f.ppf(0.99, 2, 4 / share**2)
        away = math.sqrt(z * 2 * limit * (scale / 6 + 4e-6))
        moved = LinePrior(np.array([fit.y_mean - away, 0.15]), prior.covariance, 0.0, prior.scatter, 12)
        assert (line_with_prior(fit, moved)[1] == 0.0) == aside


def test_conditions_that_are_taken_as_the_same():
    same = {"machine": "m", "power_meter": "p", "gauge": "g", "temperature": 24.0}
    for wavelength, degrees, codes in (
        (355.5, 26.0, []),
        (355.51, 26.0, ["prior_wavelength"]),
        (354.49, 22.0, ["prior_wavelength"]),
        (355.0, 26.1, ["prior_temperature"]),
        (355.0, 21.9, ["prior_temperature"]),
    ):
        found = unlike(Conditions("new", 355.0, **same), [Conditions("old", wavelength, **(same | {"temperature": degrees}))])
        assert [f.code for f in found] == codes


# ---------------------------------------------------------------- data sheets, slips, scales


def test_lines_of_data_sheets_by_hand():
    """20 % of Dp and 50 % of Ec are added to what is stated; 6 um of scatter."""
    plain = unverified_line(
        penetration_depth=0.15, log_threshold=2.0, relative_penetration_depth=0.0, relative_critical_exposure=0.0, correlation=0.0
    )
    assert math.sqrt(plain.slope_variance) == pytest.approx(0.03)
    assert math.sqrt(plain.mean_variance) == pytest.approx(0.15 * 0.5)
    assert (plain.coupon_variance, plain.x_mean, plain.t_degrees_of_freedom) == (pytest.approx(36e-6), 2.0, math.inf)
    stated = unverified_line(
        penetration_depth=0.15, log_threshold=2.0, relative_penetration_depth=0.15, relative_critical_exposure=0.3, correlation=0.8
    )
    slope, own, cross = (0.15**2 + 0.2**2) * 0.15**2, 0.3**2 + 0.5**2, 0.8 * 0.15 * 0.3 * 0.15
    assert (stated.slope_variance, stated.x_mean) == pytest.approx((slope, 2.0 + 0.15 * cross / slope))
    assert stated.mean_variance == pytest.approx(0.15**2 * (own - cross**2 / slope))
    assert from_one_depth(log_threshold=2.0, depth=0.3, log_exposure=4.0) == 0.15
    assert from_two_depths(depths=(0.1, 0.25), log_exposures=(3.0, 4.0)) == pytest.approx((0.15, 3.0 - 0.1 / 0.15))
    for call in (
        lambda: from_one_depth(log_threshold=2.0, depth=0.3, log_exposure=2.0),
        lambda: from_two_depths(depths=(0.1, 0.1), log_exposures=(3.0, 4.0)),
        lambda: from_two_depths(depths=(0.1, 0.2), log_exposures=(3.0, 3.0)),
        lambda: from_two_depths(depths=(0.2, 0.1), log_exposures=(3.0, 4.0)),
    ):
        with pytest.raises(QuantityError, match="Check both"):
            call()


def test_slips_of_a_unit_on_either_side():
    def refused(thickness, exposure, computed=None):
        try:
            refuse_slips("lot.csv", np.full(3, thickness), np.full(3, exposure), None if computed is None else np.full(3, computed))
        except FileError as error:
            return str(error)
        return ""

    for thickness, odd in ((0.002, False), (0.0019, True), (5.0, False), (5.1, True)):
        assert ("the middle thickness is" in refused(thickness, 0.2)) == odd
    for exposure, odd in ((0.005, False), (0.0049, True), (30.0, False), (30.1, True)):
        assert ("the middle exposure is" in refused(0.2, exposure)) == odd
    for factor in (2.0, 100.0, 1000.0):
        for size in (factor, 1 / factor):
            for off, odd in ((1.049, True), (0.951, True), (1.051, False), (0.949, False)):
                assert (f"is {size:g} times what" in refused(0.2, 0.2 * size * off, 0.2)) == odd
    assert refused(0.2, 3000.0, 1000.0) == ""
    assert "coupons have 0.002 to 5 mm" in refused(0.0019, 0.2)
    assert "coupons have 0.5 to 3000 mJ/cm^2" in refused(0.2, 30.1)


def test_scales_that_count_are_added_in_squares():
    def of(raster=True, **more):
        u = {"power_scale_uncertainty": 0.03, "beam_radius_scale_uncertainty": 0.02, "thickness_bias_uncertainty": Q(6.0, "um")}
        return budget(random=0.06, penetration_depth=0.15, stated=scales(**u, **more), raster=raster)

    # 6 um of 150 um are 4 %
    assert (of().here, of().elsewhere) == pytest.approx((0.06, math.sqrt(0.06**2 + 0.03**2 + 0.04**2)))
    assert of(same_machine=False).here == pytest.approx(math.sqrt(0.06**2 + 0.03**2))
    assert of(same_gauge=False).here == pytest.approx(math.sqrt(0.06**2 + 0.04**2))
    assert of(will_set="lines").here == pytest.approx(math.sqrt(0.06**2 + 0.02**2))
    assert of(raster=False).here == pytest.approx(0.06)
    assert of(raster=False, will_set="rasters").here == pytest.approx(math.sqrt(0.06**2 + 0.02**2))
    everything = of(raster=False, same_machine=False, same_gauge=False)
    assert everything.here == everything.elsewhere == pytest.approx(math.sqrt(0.06**2 + 0.03**2 + 0.02**2 + 0.04**2))
    assert everything.sentence.endswith("Counting everything, Ec has a standard uncertainty of 8.1 %.")
    with pytest.raises(QuantityError, match="power_scale_uncertainty must be finite, at least 0 and below 1"):
        scales(power_scale_uncertainty=1.0)
    assert scales().power == scales().beam_radius == scales().thickness == 0.0


# ---------------------------------------------------------------- readings


def coupons(readings):
    """Three readings on each of six coupons, spread by 1 um, but for what is put in the place of one."""
    e = np.repeat(np.geomspace(14.0, 80.0, 6), 3)
    y = np.round(0.15 * np.log(e / 8.0), 3) + np.tile([0.001, 0.0, -0.001], 6)
    for place, value in readings.items():
        y[place] = value
    return coupons_from_arrays(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), coupon=np.repeat(list("abcdef"), 3))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (1.89, ", by a factor near 10: a shifted decimal point or a wrong unit. Read"),
        (0.0189, "by a factor near 10: a shifted"),
        (18.9, "by a factor near 100: a shifted"),
        (189.0, "by a factor near 1000: a shifted"),
        (1.89 * 1.24, "by a factor near 10: a shifted"),
        (1.89 * 1.26, "other readings. Read"),
        (0.189 / 7.4, "other readings. Read"),
        (0.819, ": two digits exchanged? 189 um would fit. Read"),
        (0.891, "other readings. Read"),
        (0.23, "other readings. Read"),
    ],
)
def test_slips_of_the_pen_are_hinted_at(value, words):
    """The other two readings of the coupon lie at 189 um."""
    found, keep = reading_outliers(coupons({6: 0.190, 7: value, 8: 0.188}))
    assert [o.coupon for o in found] == ["c"]
    assert words in found[0].sentence
    assert found[0].reading == value
    assert np.flatnonzero(~keep).tolist() == [7]


@pytest.mark.parametrize(
    ("typed", "middle", "turned"),  # um
    [
        (132.0, 126.0, None),  # 123 is 3 away, more than 0.4 of the 6 of what was typed
        (132.0, 125.5, "123"),  # 2.5 of 6.5
        (219.0, 137.0, None),  # 129 is 5.8 % off
        (219.0, 124.0, "129"),  # 4.0 %
        (12_500.0, 1000.0, None),  # a quarter more than ten times
        (125.0, 1000.0, None),  # a quarter more than a tenth
    ],
)
def test_what_might_have_been_meant(typed, middle, turned):
    said = _slip(typed / 1000.0, middle / 1000.0)
    assert said == ("" if turned is None else f": two digits exchanged? {turned} um would fit")


def test_readings_stand_out_at_one_percent_and_two_steps():
    for away, out in ((0.002, False), (0.012, True)):
        assert bool(reading_outliers(coupons({1: round(0.15 * math.log(14 / 8), 3) + away}))[0]) == out
    steady = dict(enumerate(np.repeat([0.084, 0.136, 0.188, 0.241, 0.293, 0.345], 3)))
    for steps, out in ((1.9, False), (2.1, True)):  # beside two readings that agree
        stepped = replace(coupons(steady | {7: 0.188 + steps * 0.001}), gauge_resolution=0.001)
        assert bool(reading_outliers(stepped)[0]) == out
    pairs = coupons_from_arrays(
        exposure=Q(np.repeat(np.geomspace(14.0, 80.0, 6), 2), "mJ/cm^2"),
        thickness=Q([0.084, 0.084, 0.136, 0.236, 0.188, 0.188, 0.241, 0.241, 0.293, 0.293, 0.345, 0.345], "mm"),
        coupon=np.repeat(list("abcdef"), 2),
    )
    assert reading_outliers(pairs)[0] == []  # which of two is wild nobody can tell
    many = coupons({k: 0.5 + 0.1 * k for k in (0, 3, 6, 9, 12, 15)})
    assert len(reading_outliers(many)[0]) <= 5


def test_eight_empty_rows_are_named_and_no_more():
    def said(n):
        c = SimpleNamespace(blank_rows=tuple(range(2, 2 + n)), thickness_sd=None)
        return [f.sentence for f in more_findings(c, "bounded", reasons={}, prior=None, whole=c)]

    assert said(0) == []
    assert said(8) == ["8 rows without a thickness were left out (lines 2, 3, 4, 5, 6, 7, 8, 9)."]
    assert said(9) == ["9 rows without a thickness were left out (lines 2, 3, 4, 5, 6, 7, 8, 9 ...)."]
