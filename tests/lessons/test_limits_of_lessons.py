"""The numbers that stand in the lessons, by hand; what a bench takes and what a score file says."""

from dataclasses import replace
from math import exp, hypot, log, pi

import numpy as np
import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.lessons.bench import invented_bench
from curecalc.lessons.numbers import NUMBERS, coupon_lot
from curecalc.lessons.scores import COLUMNS, Scores, _safe, read_scores
from curecalc.lessons.telling import ORDER, glossary, script
from curecalc.units import Quantity as Q


def test_laser_and_resin_of_a_bench_are_of_one_wavelength():
    bench = invented_bench()
    for gap, fine in ((3.0, True), (-3.0, True), (3.1, False), (-3.1, False)):
        resin = replace(bench.resin, wavelength=Q(355.0 + gap, "nm"))
        if fine:
            assert bench.replaced(resin=resin).wavelength == Q(355.0, "nm")
            continue
        with pytest.raises(QuantityError, match="they do not belong together"):
            bench.replaced(resin=resin)
    assert bench.cure_depth.m_as("mm") == pytest.approx(0.18)
    blue = bench.replaced(beam=replace(bench.beam, wavelength=Q(405.0, "nm")), resin=replace(bench.resin, wavelength=None))
    assert blue.wavelength == Q(405.0, "nm")
    assert bench.replaced(beam=replace(bench.beam, wavelength=None)).wavelength == Q(355.0, "nm")  # where nothing says it
    oval = bench.replaced(beam=replace(bench.beam, radius_x=Q(0.08, "mm"), radius_y=Q(0.18, "mm")))
    assert oval.beam_radius.m_as("mm") == pytest.approx(0.12)


def test_lessons_worst_known_are_named_below_six_of_ten():
    told = Scores({"line": 5, "spot": 5, "stack": 1}, {"line": 3, "spot": 2, "stack": 0}, {"a factor of two": 4, "unit": 1}).text()
    assert told.splitlines() == ["so far: 5 of 11 right", "read again: spot, stack", "most frequent slip: a factor of two (4 times)"]
    assert Scores({"line": 5}, {"line": 3}, {}).text() == "so far: 3 of 5 right"
    assert _safe("x" * 201) == "x" * 200
    assert [_safe(text) for text in ("=1", "+1", "-1", "@a", "1\n2", "")] == ["'=1", "'+1", "'-1", "'@a", "1 2", ""]


def test_score_files_that_are_too_large_or_broken_are_refused_with_the_line(tmp_path):
    path = tmp_path / "scores.csv"
    head, row = ",".join(COLUMNS), ",".join("x" for _ in COLUMNS)
    path.write_text(f"{head}\n{row}\n{row},more\n")
    with pytest.raises(FileError, match=r"scores\.csv:3: has 11 cells, a score file has 10 in each line"):
        read_scores(path)
    for text, told in (
        (f"{row}\n", r":1: is not a score file"),
        ("", ":1: is not a score file"),
        ("x" * 200_000, r"cannot be read \(it is not text\)"),
    ):
        path.write_text(text)
        with pytest.raises(FileError, match=told):
            read_scores(path)
    for size, told in ((20_000_000, "cannot be read"), (20_000_001, "is larger than 20 MB")):
        with path.open("wb") as file:
            file.truncate(size)
        with pytest.raises(FileError, match=told):
            read_scores(path)


def test_numbers_of_the_lessons_by_hand():
    # 240 mW, W0 0.11 mm, Dp 0.142 mm, Ec 9.4 mJ/cm^2 = 0.094 mJ/mm^2, layer 0.1 and overcure 0.08 mm
    bench = invented_bench()
    dp = 0.142

    def told(lesson, name, unit):
        return float(NUMBERS[lesson](bench)[name].m_as(unit))

    for lesson, name, unit, value in (
        ("working-curve", "doubling", "mm", dp * log(2)),
        ("working-curve", "exposure_a", "mJ/cm^2", 28.0),  # three times Ec, to two digits
        ("working-curve", "depth_b", "mm", dp * log(2 * 28.0 / 9.4)),
        ("working-curve", "wanted_exposure", "mJ/cm^2", 9.4 * exp(0.18 / dp)),
        ("absorption", "question_depth", "mm", 0.2),  # 1.4 Dp, to two digits
        ("absorption", "question_exposure", "mJ/cm^2", 33.0 * exp(-0.2 / dp)),
        ("exposure", "patch_area", "mm^2", 400.0),
        ("exposure", "patch_time", "s", 0.56),  # 0.334 mJ/mm^2 x 400/240 s, to two digits
        ("exposure", "patch_exposure", "mJ/mm^2", 0.336),
        ("exposure", "wanted_exposure", "mJ/cm^2", 54.0),  # 1.6 times as much, to two digits
        ("exposure", "wanted_time", "s", 0.54 * 400 / 240),
        ("spot", "beam_diameter", "mm", 0.22),
        ("spot", "beam_fwhm", "mm", 0.11 * (2 * log(2)) ** 0.5),
        ("spot", "peak_irradiance", "mW/mm^2", 2 * 240 / (pi * 0.11**2)),
        ("spot", "question_fwhm", "mm", 0.14),
        ("spot", "question_radius", "mm", 0.14 / (2 * log(2)) ** 0.5),
        ("spot", "question_diameter", "mm", 2 * 0.14 / (2 * log(2)) ** 0.5),
        ("line", "loss_ten_percent", "mm", -dp * log(0.9)),
        ("line", "speed_for_depth", "mm/s", (2 / pi) ** 0.5 * 240 / (0.11 * 0.094 * exp(0.18 / dp))),
        ("raster", "second_pass", "mm", dp * log(2)),
        ("raster", "third_pass", "mm", dp * log(1.5)),
        ("raster", "wide_spacing", "mm", 0.15),
        ("raster", "area_rate", "mm^2/s", 240 / (0.094 * exp(0.18 / dp))),
        ("overcure", "five_percent", "mm", 0.05 * dp),
        ("overcure", "question_overcure", "mm", 0.12),
        ("overcure", "overcure_change", "mm", 0.04),
        ("uncertainty", "meter_shift", "mm", dp * log(1.04)),
        ("uncertainty", "depth_from_power", "mm", dp * 0.02),
        ("uncertainty", "depth_from_radius", "mm", dp * 3 / 110),
        ("uncertainty", "depth_from_both", "mm", dp * hypot(0.02, 3 / 110)),
        ("uncertainty", "gauge_u", "mm", 0.008),
        ("uncertainty", "gauge_target", "mm", 0.002),
        ("line", "double_speed", "mm/s", 2 * told("line", "line_speed", "mm/s")),
        # E exp(-(C - t)/Dp) of every layer gathers at the face: C - t - Dp ln(1 - exp(-t/Dp)), of five layers less
        ("stack", "print_through", "mm", 0.08 - dp * log(1 - exp(-0.1 / dp))),
        ("stack", "accumulated", "mm", -dp * log(1 - exp(-0.1 / dp))),
        ("stack", "print_through_few", "mm", 0.08 + dp * log((1 - exp(-0.5 / dp)) / (1 - exp(-0.1 / dp)))),
        ("stack", "print_through_thin", "mm", 0.08 - dp * log(1 - exp(-0.05 / dp))),
        ("stack", "print_through_half_dp", "mm", 0.08 - dp / 2 * log(1 - exp(-0.2 / dp))),
        ("coupons", "pair_e1", "mJ/cm^2", 19.0),  # twice and six times Ec, to two digits
        ("coupons", "pair_e2", "mJ/cm^2", 56.0),
        ("coupons", "pair_d1", "mm", 0.1),
        ("coupons", "pair_d2", "mm", 0.25),
        ("coupons", "pair_dp", "mm", 0.15 / log(56.0 / 19.0)),
        ("drift", "faded_power", "mW", 210.0),  # 0.88 of it, to two digits
        ("drift", "question_power", "mW", 220.0),
        ("drift", "depth_lost", "mm", -dp * log(210 / 240)),
    ):
        assert told(lesson, name, unit) == pytest.approx(value, rel=1e-6), (lesson, name)
    overcure = NUMBERS["overcure"](bench)
    assert overcure["overcure_factor"] == pytest.approx(exp(0.04 / dp))
    assert overcure["reserve_percent"] == "43.1 %"  # 1 - exp(-0.08/Dp)
    assert overcure["price_hundredth"] == "1.073"  # exp(0.01/Dp)
    assert NUMBERS["stack"](bench)["pass_on"] == "49.4 %"  # exp(-0.1/Dp)
    assert NUMBERS["absorption"](bench)["question_share"] == "0.245"  # exp(-0.2/Dp)
    assert NUMBERS["working-curve"](bench)["wanted_ratio"] == "1.268"  # 0.18/0.142
    assert NUMBERS["drift"](bench)["ec_rise"] == "12 %"
    assert NUMBERS["uncertainty"](bench)["gauge_n"] == (8.0 / 2.0) ** 2


def test_invented_coupons_scatter_by_what_is_said_of_them():
    """At 1.6 to 8 times Ec, to three digits; 3 % of Dp from coupon to coupon, 1.2 % among readings of 0.1 um."""
    exposure, readings, _ = coupon_lot(invented_bench())
    assert exposure.tolist() == [15.0, 15.0, 23.5, 30.1, 37.6, 56.4, 75.2, 75.2]
    random = np.random.default_rng(4)
    means = 0.142 * np.log(exposure / 9.4) + 0.03 * 0.142 * random.standard_normal(8)
    assert readings == pytest.approx(means[:, None] + 0.012 * 0.142 * random.standard_normal((8, 3)), abs=5.1e-5)
    assert np.round(1e4 * readings) == pytest.approx(1e4 * readings, abs=1e-6)


def test_words_of_the_lessons_up_to_one():
    first, second = (set(script(name).terms) for name in ORDER[:2])
    assert set(glossary(ORDER[0])) == first
    assert set(glossary(ORDER[1])) == first | second
    assert set(script(ORDER[-1]).terms) <= set(glossary()) == set(glossary(ORDER[-1]))
