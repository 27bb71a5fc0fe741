"""Plans of coupons and comparisons of lots: bounds, numbers, verdicts, words."""

import json
import math
import re
import tomllib
from html.parser import HTMLParser

import batches
import numpy as np
import pytest

from curecalc.calibration.comparing import compare_lots, comparison_text, lot_from_fit
from curecalc.calibration.coupons import coupons_from_bytes
from curecalc.calibration.curve import fit_coupons, fit_working_curve
from curecalc.calibration.planning import plan_coupons, plan_text
from curecalc.errors import FileError, NoSolution, QuantityError
from curecalc.jobs.fitted import lot_from_resin, lot_of_fit, prior_from_resins
from curecalc.sheets.run_sheet import coupon_csv, run_sheet_html, run_sheet_text
from curecalc.units import Quantity as Q

GUESS = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2")}
MACHINE = {"power": Q(300.0, "mW"), "hatch_spacing": Q(0.1, "mm"), "beam_radius": Q(125.0, "um")}


def plan(**more):
    return plan_coupons(**(GUESS | more))


# ---------------------------------------------------------------- plans


def test_the_default_plan_can_show_curvature_and_lack_of_fit():
    p = plan()
    e = np.array([c.exposure.m for c in p.coupons])
    assert len(p.coupons) == 8
    assert np.unique(np.round(e, 6)).size == 4
    assert e.max() / e.min() > 4
    assert [c.run_order for c in p.coupons] == list(range(1, 9))
    assert sorted(int(c.label) for c in p.coupons) == list(range(1, 9))
    assert all(c.expected_depth.m > 0.3 * 0.15 for c in p.coupons)


def test_order_is_random_but_repeatable():
    one, same, other = plan(seed=3), plan(seed=3), plan(seed=4)
    labels = [[c.label for c in p.coupons] for p in (one, same, other)]
    assert labels[0] == labels[1] != labels[2]


def test_the_fewest_coupons_that_reach_what_is_wanted():
    p = plan(at_depth=Q(0.15, "mm"), to=0.03)
    assert p.reached
    assert p.relative_half_width(p.expected) <= 0.03
    fewer = plan(at_depth=Q(0.15, "mm"), to=0.03, coupons=len(p.coupons) - 1)
    assert not fewer.reached
    assert p.relative_half_width(p.two_more) < p.relative_half_width(p.expected)
    assert plan(at_depth=Q(0.15, "mm"), to=Q(3.0, "percent")).to_dict() == p.to_dict()


def test_speeds_give_the_exposures_on_this_machine():
    raster = plan(**MACHINE)
    for c in raster.coupons:
        assert 300.0 / (c.scan_speed.m * 0.1) * 100 == pytest.approx(c.exposure.m, rel=1e-12)
    twice = plan(**MACHINE, passes=2)
    assert [c.scan_speed.m for c in twice.coupons] == pytest.approx([2 * c.scan_speed.m for c in raster.coupons])
    lines = plan(power=Q(30.0, "mW"), beam_radius=Q(125.0, "um"), passes=2)
    for c in lines.coupons:
        assert 2 * np.sqrt(2 / np.pi) * 30 / (0.125 * c.scan_speed.m) * 100 == pytest.approx(c.exposure.m, rel=1e-12)


def test_bounds_of_the_machine_and_of_handling_are_kept():
    p = plan(**MACHINE, scan_speed_max=Q(12.0, "m/s"), scan_speed_min=Q(4.0, "m/s"))
    v = [c.scan_speed.m for c in p.coupons]
    assert max(v) <= 12000 * (1 + 1e-12)
    assert min(v) >= 4000 * (1 - 1e-12)
    d = plan(min_depth=Q(0.12, "mm"), max_depth=Q(0.3, "mm"))
    depth = [c.expected_depth.m for c in d.coupons]
    assert min(depth) == pytest.approx(0.12)
    assert max(depth) == pytest.approx(0.3)
    e = [c.exposure.m for c in plan(min_exposure=Q(20.0, "mJ/cm^2"), max_exposure=Q(60.0, "mJ/cm^2")).coupons]
    assert (min(e), max(e)) == pytest.approx((20.0, 60.0))


def test_expected_uncertainty_of_a_plan_matches_simulated_fits():
    p = plan(at_depth=Q(0.15, "mm"), coupons=8, coupon_sd=Q(5.0, "um"), thickness_repeatability=Q(3.0, "um"), readings=2)
    rng = np.random.default_rng(9)
    from curecalc.statistics.line import ordinary_line

    x = np.log([c.exposure.m for c in p.coupons])
    readings = 0.15 * (x - np.log(8)) + rng.normal(0, 0.005, (40_000, 8))
    y = (readings[..., None] + rng.normal(0, 0.003, (40_000, 8, 2))).mean(-1)
    fit = ordinary_line(x, y)
    wanted = fit.x_mean + (0.15 - fit.y_mean) / fit.slope
    assert p.expected.slope == pytest.approx(fit.slope.std(), rel=0.03)
    assert p.expected.log_exposure == pytest.approx(wanted.std(), rel=0.03)


def test_json_and_text_of_a_plan():
    p = plan(at_depth=Q(0.15, "mm"), to=0.03, **MACHINE)
    record = p.to_dict()
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    first = record["coupons"][0]
    assert first["exposure"]["unit"] == "mJ/cm^2"
    assert first["scan_speed"]["unit"] == "mm/s"
    assert record["expected"]["penetration_depth"]["standard_uncertainty"] > 0
    assert record["expected"]["exposure_for_depth"]["relative_half_width"] <= 0.03
    text = plan_text(p)
    assert "with two more" in text
    assert "met with 80 % probability" in text
    assert plan(**MACHINE).to_dict()["coupons"][0]["scan_speed"] is not None
    assert plan().to_dict()["coupons"][0]["scan_speed"] is None


def test_coupons_already_measured_get_the_best_ones_added():
    e = np.repeat([20.0, 30.0, 45.0], 2)
    rng = np.random.default_rng(0)
    text = "coupon,thickness [um],exposure [mJ/cm^2]\n" + "".join(
        f"{i + 1},{1000 * (0.15 * np.log(v / 8) + rng.normal(0, 0.004)):.1f},{v}\n" for i, v in enumerate(e)
    )
    measured = coupons_from_bytes("c.csv", text.encode())
    p = plan(at_depth=Q(0.15, "mm"), measured_coupons=measured)
    assert p.already == 6
    assert {c.label for c in p.coupons} == {"7", "8"}
    with pytest.raises(QuantityError, match="coupons must be a whole number of at least 1, got 0"):
        plan(at_depth=Q(0.15, "mm"), measured_coupons=measured, coupons=0)
    before = plan(at_depth=Q(0.15, "mm"), measured_coupons=measured, coupons=1)
    assert p.expected.log_exposure < before.expected.log_exposure


def batch(n, scatter=0.003):
    """Coupons of a lot as a batch left them: Dp 0.15 mm, Ec 8 mJ/cm^2."""
    e = np.geomspace(14.0, 70.0, n)
    y = 0.15 * np.log(e / 8) + scatter * np.resize([1.0, -1.0, -1.0, 1.0], n)
    rows = "".join(f"{i + 1},{1000 * t:.3f},{v:.6f}\n" for i, (t, v) in enumerate(zip(y, e)))
    return coupons_from_bytes("c.csv", f"coupon,thickness [um],exposure [mJ/cm^2]\n{rows}".encode())


@pytest.mark.parametrize(
    ("n", "to", "verdict"), [(8, 0.05, "stop"), (12, 0.05, "stop"), (7, 0.05, "two more"), (8, 0.015, "two more"), (8, None, "")]
)
def test_after_each_batch_stop_or_two_more(n, to, verdict):
    """Stop from eight coupons, where the interval that a fit prints is within the aim."""
    coupons = batch(n)
    p = plan(at_depth=Q(0.15, "mm"), to=to, measured_coupons=coupons)
    assert p.verdict == verdict
    assert (len(p.coupons) == 0) == (verdict == "stop")
    if to is not None:
        low, high = (q.m for q in fit_coupons(coupons, at_depth=Q(0.15, "mm")).exposure_for_depth[0].mean_interval)
        assert p.half_width_measured == pytest.approx(0.5 * math.log(high / low), rel=1e-9)
        assert verdict in plan_text(p)
        assert ("; with fewer than 8 coupons it is too soon to stop" in plan_text(p)) == (n < 8)
        just = plan(at_depth=Q(0.15, "mm"), to=p.half_width_measured, measured_coupons=coupons)
        assert just.verdict == ("stop" if n >= 8 else "two more")
        assert ("it is too soon to stop" in plan_text(just)) == (n < 8)
    assert plan(at_depth=Q(0.15, "mm"), to=to, coupons=2, measured_coupons=coupons).verdict != "stop"


def test_a_batch_that_will_not_do_is_rejected():
    with pytest.raises(NoSolution, match="reject: even 60 coupons more give the speed to"):
        plan(at_depth=Q(0.15, "mm"), to=0.0005, measured_coupons=batch(8))


def test_the_share_of_intervals_that_hold_after_stopping_is_the_simulated_one():
    """The kept shares hold at least what is printed, and a fresh seed gives them."""
    kept = tomllib.loads(batches.KEPT.read_text(encoding="utf-8"))["stopped"]
    assert [float(aim) for aim in kept] == list(batches.AIMS)
    stop = plan_text(plan(at_depth=Q(0.15, "mm"), to=0.05, measured_coupons=batch(8)))
    said = int(re.search(r"at least (\d+) lots of 100", stop)[1])
    assert said == math.floor(100 * min(row["holds"] for row in kept.values()))
    holds, _ = batches.stopped(0.02, lots=4000, seed=5)
    assert holds == pytest.approx(kept["0.02"]["holds"], abs=4 * math.sqrt(0.065 / 4000))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"to": 0.03}, "at_depth is missing"),
        ({"power": Q(3.0, "mW")}, "hatch_spacing .* or beam_radius .* is missing"),
        ({"hatch_spacing": Q(0.1, "mm")}, "power is missing"),
        ({"coupons": 3}, "at least the number of levels, 4, got 3"),
        ({"coupons": 100_000}, "at most 10000"),
        ({"levels": 1}, "levels must be"),
        ({"readings": 0}, "readings must be"),
        ({"seed": -1}, "seed must be"),
        ({"confidence": 1.5}, "confidence must be"),
        ({"to": 0.0, "at_depth": Q(0.1, "mm")}, "to must be"),
        ({"coupon_sd": Q(0.0, "mm"), "thickness_repeatability": Q(0.0, "mm")}, "both zero"),
        ({"coupon_sd": Q(-1.0, "um")}, "coupon_sd must be"),
        ({"penetration_depth": 0.15}, "penetration_depth has no unit"),
        ({"critical_exposure": Q(8.0, "mJ")}, "critical_exposure must convert"),
        ({"penetration_depth": Q(np.ones(2), "mm")}, "one value"),
        (MACHINE | {"scan_speed_min": Q(5.0, "m/s"), "scan_speed_max": Q(5.0, "m/s")}, "scan_speed_min must be below"),
    ],
)
def test_bad_plans_are_refused_in_words(more, words):
    with pytest.raises(QuantityError, match=words):
        plan(**more)


def test_plans_that_cannot_be_made_say_which_limit_binds():
    with pytest.raises(NoSolution, match="too narrow") as caught:
        plan(**MACHINE, scan_speed_max=Q(3.5, "m/s"))
    assert caught.value.limit == "scan_speed_max"
    with pytest.raises(NoSolution, match="even 60 coupons") as caught:
        plan(at_depth=Q(0.15, "mm"), to=0.001)
    assert caught.value.limit == "coupon_sd"


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.rows = [], 0

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "br"):
            self.open.append(tag)
        self.rows += tag == "tr"

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_run_sheet_and_table_carry_the_same_labels():
    p = plan(**MACHINE, readings=2)
    html, text, table = run_sheet_html(p), run_sheet_text(p), coupon_csv(p, names={"lot": "A <17>"})
    parser = _Tags()
    parser.feed(html)
    assert not parser.open
    assert parser.rows == len(p.coupons) + 1
    for c in p.coupons:
        assert f"<td class='big'>{c.label}</td>" in html
    for words in ("class 4", "gloves"):
        assert words in html
        assert words in text
    assert table.count("\n") == 4 + 1 + 2 * len(p.coupons)
    with pytest.raises(FileError, match="thickness is blank"):
        coupons_from_bytes("plan.csv", table.encode())
    with pytest.raises(FileError, match="no row has a thickness yet"):
        coupons_from_bytes("plan.csv", table.encode(), skip_blank=True)


def test_a_filled_table_of_a_plan_fits():
    p = plan(**MACHINE)
    depth = {c.label: c.expected_depth.m for c in p.coupons}
    rng = np.random.default_rng(5)
    lines = []
    for row in coupon_csv(p).splitlines():
        cells = row.split(",")
        if cells[0] in depth:
            cells[3] = f"{1000 * depth[cells[0]] + rng.normal(0, 2):.1f}"
        lines.append(",".join(cells))
    fit = fit_coupons(coupons_from_bytes("filled.csv", "\n".join(lines).encode()))
    assert fit.penetration_depth.value.m == pytest.approx(0.15, rel=0.03)
    assert len(fit.coupons) == 8
    assert fit.coupons.run_order is not None


# ---------------------------------------------------------------- comparisons


def lot(name, seed, dp=0.15, ec=8.0, n=8, s=0.003):
    rng = np.random.default_rng(seed)
    e = np.repeat(np.geomspace(15, 75, n // 2), 2)
    t = dp * np.log(e / ec) + rng.normal(0, s, n)
    return lot_from_fit(name, fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm")))


def compare(*lots, **more):
    return compare_lots(lots=lots, **({"cure_depth": Q(0.15, "mm"), "tolerance": Q(10.0, "um")} | more))


def test_the_same_resin_keeps_its_settings():
    c = compare(lot("a", 1), lot("b", 2))
    assert c.verdict == "keep"
    assert c.equivalent
    assert c.sentence.startswith("Keep the settings")


def test_another_ec_asks_for_another_speed_with_an_interval():
    c = compare(lot("a", 1), lot("b", 2, ec=9.2))
    assert c.verdict == "change"
    assert not c.equivalent
    value, low, high = c.speed_change
    assert low < 8.0 / 9.2 - 1 < high
    assert low < value < high
    assert c.slopes.p > 0.05
    assert c.intercepts.p < 0.001
    assert any("power reading" in n for n in c.notes)
    assert "Change the scan speed by -" in c.sentence


def test_another_dp_or_a_far_lot_is_rejected():
    assert compare(lot("a", 1), lot("b", 2, dp=0.22)).verdict == "reject"
    far = compare(lot("a", 1), lot("b", 2, ec=13.0))
    assert far.verdict == "reject"
    assert compare(lot("a", 1), lot("b", 2, ec=13.0), most_speed_change=0.8).verdict == "change"


def test_wild_coupons_decide_nothing():
    c = compare(lot("a", 1), lot("b", 4, s=0.03))
    assert c.verdict == "keep for now"
    assert c.more_coupons is None or c.more_coupons > 0
    assert any("scatter" in n for n in c.notes)


def test_no_difference_found_is_not_equivalence():
    """Two poor lots: the F tests find nothing, and still nothing is proven."""
    c = compare(lot("a", 11, s=0.03), lot("b", 12, s=0.03), tolerance=Q(3.0, "um"))
    assert c.tests.coincidence.p > 0.05
    assert not c.equivalent


def test_depth_and_tolerance_are_asked_for_never_invented():
    with pytest.raises(TypeError, match="tolerance"):
        compare_lots(lots=[lot("a", 1), lot("b", 2)], cure_depth=Q(0.15, "mm"))


def test_proven_bad_is_said_and_undecided_says_how_many_coupons_more():
    bad = compare(lot("a", 1), lot("b", 2, ec=9.6))
    assert bad.verdict == "change"
    assert "proven bad with 95 % confidence" in bad.sentence
    assert bad.depth_difference.high < -0.010
    c = compare(lot("a", 1, n=20), lot("b", 2, n=4), tolerance=Q(6.0, "um"))
    assert c.verdict == "keep for now"
    assert c.more_coupons is not None
    assert f"Keep the settings for now and expose {c.more_coupons} more coupons" in c.sentence
    assert c.to_dict()["more_coupons"] == c.more_coupons


def test_lots_of_another_wavelength_or_machine_cannot_be_compared():
    from dataclasses import replace

    a, b = lot("a", 1), lot("b", 2)
    for change, words in (({"wavelength": 405.0}, "at 355 nm, b at 405 nm"), ({"machine": "south"}, "on north, b on south")):
        c = compare(replace(a, wavelength=355.0, machine="north"), replace(b, **{"wavelength": 355.0, "machine": "north"} | change))
        assert c.verdict == "cannot compare"
        assert words in c.sentence


def test_bounds_of_several_lots_hold_together():
    lots = [lot("a", 1), lot("b", 2), lot("c", 3)]
    two, three = compare(lots[0], lots[2]), compare(*lots)
    assert three.depth_difference.low < two.depth_difference.low
    assert any("97.5 %" in n for n in three.notes)


def test_a_figure_shows_curves_and_the_change_against_the_tolerance():
    from curecalc.figures.comparison import comparison_figure

    figure = comparison_figure(compare(lot("a", 1), lot("b", 2), lot("c", 3, ec=9.0)))
    left, right = figure.axes
    assert [t.get_text() for t in left.get_legend().get_texts()] == ["a", "b", "c"]
    assert right.get_title(loc="left") == "against a; band: ±10 µm"
    assert len(right.texts) == 2


def test_several_lots_with_a_table():
    c = compare(lot("a", 1), lot("b", 2), lot("c", 3), lot("d", 4, ec=9.0))
    record = c.to_dict()
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert [row["name"] for row in record["lots"]] == ["a", "b", "c", "d"]
    assert record["slopes"]["df"] == [3, 24]
    assert record["intercepts"]["df"] == [3, 27]
    assert record["lots"][1]["equivalent"]
    assert not record["lots"][3]["equivalent"]
    text = comparison_text(c)
    assert all(f"\n{name} " in text for name in "abcd")
    for key in ("slopes", "intercepts", "equivalent", "speed_change"):
        assert key in record


def test_extrapolated_comparisons_say_so():
    c = compare(lot("a", 1), lot("b", 2), cure_depth=Q(0.5, "mm"))
    assert sum("extrapolated" in n for n in c.notes) == 2


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"cure_depth": Q(-1.0, "mm")}, "cure_depth must be"),
        ({"tolerance": Q(0.0, "mm")}, "tolerance must be"),
        ({"tolerance": Q(np.ones(2), "mm")}, "one value"),
        ({"confidence": 0.4}, "confidence must be"),
        ({"most_speed_change": 1.5}, "most_speed_change must be"),
        ({"most_depth_change": 0.0}, "most_depth_change must be"),
    ],
)
def test_bad_comparisons_are_refused_in_words(more, words):
    with pytest.raises(QuantityError, match=words):
        compare(lot("a", 1), lot("b", 2), **more)


def test_one_lot_is_no_comparison():
    with pytest.raises(QuantityError, match="lots: a comparison needs at least two, got 1"):
        compare(lot("a", 1))


def saved(seed, **more):
    rng = np.random.default_rng(seed)
    e = np.repeat(np.geomspace(15, 75, 4), 2)
    t = 0.15 * np.log(e / 8.0) + rng.normal(0, 0.003, 8)
    fit = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(t, "mm"), **more)
    return fit, lot_of_fit(fit, name="x", wavelength=Q(355.0, "nm"))


def test_a_saved_lot_compares_as_its_coupons_do():
    fit, resin = saved(1)
    a, b = lot_from_fit("a", fit), lot_from_resin(resin, "a")
    one, two = (compare(first, lot("b", 2)).to_dict() for first in (a, b))
    for key in ("slopes", "intercepts"):
        assert two[key]["f"] == pytest.approx(one[key]["f"], rel=1e-9)
    assert two["speed_change"]["interval"] == pytest.approx(one["speed_change"]["interval"], rel=1e-9)
    assert two["depth_difference"]["value"] == pytest.approx(one["depth_difference"]["value"], rel=1e-9)
    _, weighted = saved(1, thickness_uncertainty=Q(3.0, "um"))
    with pytest.raises(QuantityError, match="Give its coupon table"):
        lot_from_resin(weighted, "a")


def test_earlier_lots_make_a_prior_and_data_sheets_do_not():
    from curecalc.jobs.lot import RESIN

    prior = prior_from_resins([saved(1)[1], saved(2)[1], saved(3)[1]])
    assert prior.mean[1] == pytest.approx(0.15, rel=0.03)
    sheet = RESIN.parse(
        'schema = 1\nname = "d"\nwavelength = "355 nm"\npenetration_depth = "0.15 mm"\ncritical_exposure = "8 mJ/cm^2"', source="r.toml"
    )
    with pytest.raises(QuantityError, match="unverified data sheet"):
        prior_from_resins([sheet])
    with pytest.raises(QuantityError, match="cannot be compared"):
        lot_from_resin(sheet, "d")
    with pytest.raises(QuantityError, match="no earlier lot"):
        prior_from_resins([])


@pytest.mark.parametrize(("aim", "assurance"), [(0.03, 0.8), (0.05, 0.8), (0.04, 0.9)])
def test_a_planned_precision_is_met_as_surely_as_stated(aim, assurance):
    """20,000 simulated lots of the planned coupons: the share whose interval is as narrow as asked."""
    from curecalc.statistics.intervals import inverse
    from curecalc.statistics.line import ordinary_line

    p = plan_coupons(
        penetration_depth=Q(0.15, "mm"),
        critical_exposure=Q(8.0, "mJ/cm^2"),
        at_depth=Q(0.15, "mm"),
        to=aim,
        assurance=assurance,
        coupon_sd=Q(4.0, "um"),
        thickness_repeatability=Q(3.0, "um"),
    )
    x = np.log([c.exposure.m for c in p.coupons])
    y = 0.15 * (x - math.log(8.0)) + np.random.default_rng(3).normal(0, p.coupon_sd.m_as("mm"), (20_000, x.size))
    met = np.mean(inverse(ordinary_line(x, y), 0.15).half_width <= aim)
    assert met >= assurance - 0.015
    fewer = plan_coupons(
        penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), at_depth=Q(0.15, "mm"), coupons=max(len(p.coupons) - 1, 4),
        assurance=assurance,
        coupon_sd=Q(4.0, "um"), thickness_repeatability=Q(3.0, "um"),
    )  # fmt: skip
    assert len(p.coupons) == 4 or fewer.expected.assured_factor * fewer.expected.log_exposure > aim
