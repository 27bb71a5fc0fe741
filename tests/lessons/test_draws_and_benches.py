"""From where the numbers of exercises are drawn, at both ends; which exercises are clear; what a bench takes from the files given."""

import re
from types import SimpleNamespace

import numpy as np
import pytest
from test_practice import EVERY, numbers

from curecalc.errors import QuantityError
from curecalc.formulas.resin import BleachingResin, Resin
from curecalc.lessons.bench import bench_of, invented_bench
from curecalc.lessons.examples import EXAMPLES
from curecalc.lessons.exercises import KINDS_BY_GRADE, exercise, exercises
from curecalc.lessons.exercises.draw import Draw, Made
from curecalc.lessons.exercises.making import _clear, _code
from curecalc.lessons.numbers import NUMBERS, coupon_lot
from curecalc.lessons.telling import script
from curecalc.units import Quantity as Q


class End:
    """A generator that always draws the least, or always the most."""

    def __init__(self, most):
        self.most = most

    def uniform(self, low, high):
        return high if self.most else low

    def integers(self, low, high=None):
        low, high = (0, low) if high is None else (low, high)
        return high - 1 if self.most else low


class Asked(Draw):
    """A draw that notes from what it draws."""

    def __init__(self, most=False):
        self.asked = []
        super().__init__(End(most), invented_bench())

    def whole(self, low, high):
        self.asked.append((low, high))
        return super().whole(low, high)

    def one_of(self, choices):
        if not isinstance(choices[0], str):
            self.asked.append(tuple(choices))
        return super().one_of(choices)


def made(name, most=False):
    draw = Asked(most)
    return next(kinds[name][1] for kinds in KINDS_BY_GRADE.values() if name in kinds)(draw), draw.asked


def test_an_exercise_is_drawn_near_the_bench_rounded_to_two_digits():
    """Dp 0.142 mm, Ec 0.094 mJ/mm^2 and 240 mW by 0.65 to 1.5; W0 0.11 mm and spacing 0.1 mm by 0.7 to 1.4; layer and overcure."""
    names = ("dp", "ec", "power", "radius", "layer", "overcure", "spacing")
    assert [getattr(Asked(), name) for name in names] == [0.092, 0.061, 160.0, 0.077, 0.06, 0.048, 0.07]
    assert [getattr(Asked(True), name) for name in names] == [0.21, 0.14, 360.0, 0.15, 0.15, 0.11, 0.14]


@pytest.mark.parametrize(
    ("name", "place", "least", "most"),
    [
        ("unit-change", 0, 0.061, 6.0 * 0.14),  # one to six times Ec
        ("two-coupons-critical", 0, 0.11, 0.36),  # 1.8 to 2.6 times Ec, two digits
        ("two-coupons-critical", 2, 0.28, 1.8),  # 2.5 to 5 times that
        ("absorbance", 0, 0.05, 0.2),
        ("patch-exposure", 1, 100.0, 5000.0),
        ("patch-exposure", 2, 0.05, 2.0),
        ("light-at-depth", 1, 0.15, 1.1),  # 2.5 to 8 times Ec
        ("light-at-depth", 2, 0.046, 0.46),  # 0.5 to 2.2 times Dp, 0.092 to 0.21 mm
        ("cure-depth", 2, 0.12, 1.3),  # 2 to 9 times Ec
        ("exposure-for-depth", 2, 0.055, 0.42),  # 0.6 to 2 times Dp
        ("more-exposure", 1, 0.074, 0.38),  # 0.8 to 1.8
        ("line-width", 0, 0.055, 0.34),  # 0.6 to 1.6
        ("more-passes", 0, 0.055, 0.27),  # 0.6 to 1.3
        ("line-exposure", 2, 500.0, 6000.0),
        ("raster-mean", 1, 800.0, 8000.0),
        ("overcure-factor", 2, 0.067, 0.24),  # 1.4 to 2.2 times the overcure, 0.048 to 0.11 mm
        ("retuned-speed", 0, 800.0, 6000.0),
        ("retuned-speed", 2, 115.0, 338.0),  # 72 to 94 % of 160 to 360 mW, three digits
        ("mean-uncertainty", 0, 0.004, 0.015),
        ("combined-uncertainty", 0, 0.01, 0.04),
        ("combined-uncertainty", 1, 0.02, 0.08),
        ("raster-speed", 1, 0.154, 0.308),  # a diameter of 2.2 spacings at least
        ("raster-mean", 3, 0.077, 0.15),  # the radius, which does not matter
        ("new-lot", 4, 0.154, 0.3),  # the diameter, which does not matter
        ("new-lot", 0, 800.0, 6000.0),
        ("new-lot", 2, 0.0519, 0.171),  # 0.85 to 1.22 times Ec, three digits
    ],
)
def test_ends_of_what_is_drawn(name, place, least, most):
    assert [numbers(made(name, end)[0].text)[place] for end in (False, True)] == pytest.approx([least, most])


@pytest.mark.parametrize(("most", "share"), [(False, 0.06 * 0.09), (True, 0.15 * 0.15)])
def test_a_share_of_the_layer_is_no_depth(most, share):
    """What a wrong meter makes of 0.06 to 0.15 mm, which the text keeps to itself, at 9 to 15 %."""
    assert made("wrong-meter", most)[0].slips["share of layer"][0] == pytest.approx(share)


def test_ends_of_an_absorbance():
    for most, told in ((False, "is 0.25. "), (True, "is 1.4. ")):
        assert told in made("absorbance", most)[0].text


CHOICES = {
    "more-exposure": [(1.5, 2.0, 3.0, 4.0)],
    "beam-radius": [(True, False)],
    "absorbance": [(0.05, 0.1, 0.2)],
    "more-passes": [(2, 5)],
    "retuned-speed": [(72, 94)],
    "depth-lost": [(6, 30)],
    "mean-uncertainty": [(4, 5, 6, 8, 9, 12), (2, 5)],
    "wrong-meter": [(9, 15)],
    "new-lot": [(0.85, 0.9, 1.08, 1.15, 1.22)],
    "spot-change": [(1.15, 1.25, 1.4)],
}


@pytest.mark.parametrize("name", EVERY)
def test_whole_numbers_and_factors_come_from_a_short_list(name):
    """Shares in per cent, passes, coupons, readings; factors that are neither one nor hard to tell from it."""
    assert made(name)[1] == CHOICES.get(name, [])


def test_readings_of_a_coupon_scatter_by_a_fiftieth_of_the_other_coupon_to_a_tenth_of_a_micrometre():
    for seed in range(6):
        text = exercise("two-coupons-depth", seed=seed).text
        low, high, middle = map(float, re.search(r"readings were ([\d.]+), ([\d.]+) and ([\d.]+) mm", text).groups())
        assert (high - low) / 2.0 == pytest.approx(round(0.02 * numbers(text)[-1], 4), abs=1e-9)
        assert middle == pytest.approx((low + high) / 2.0)


@pytest.mark.parametrize(
    ("answer", "slips", "clear"),
    [
        (1.0, (2.0, 3.0), True),
        (0.0, (2.0,), False),
        (np.inf, (2.0,), False),
        (1.0, (np.nan,), False),
        (1.0, (1.0,), False),
        (1.0, (2.0, 0.5), False),  # one slip twice too much, one twice too little: together they give the answer
        (1.0, (1.5, 0.5), False),  # one off by a half up, one down
        (1.0, (1.5, 0.6), True),
        (-1.0, (-2.0, -3.0), True),
        (100.0, (104.0,), False),  # four tolerances of a hundredth away, not more
        (100.0, (96.0,), False),
        (100.0, (200.0, 52.0), False),  # 200 x 52/100 is 104
        (100.0, (150.0, 54.0), False),  # 150 + 54 - 100 is 104
        (100.0, (104.1, 110.0), True),
    ],
)
def test_no_slip_and_no_two_slips_give_the_answer(answer, slips, clear):
    assert _clear(Made("", "length", "mm", answer, [], **{f"s{k}": (value, "") for k, value in enumerate(slips)})) is clear


def test_a_kind_of_exercise_has_its_own_numbers_on_every_machine():
    assert _code("absorbance") == 0x6162736F7262 ^ 10  # absorb in ASCII, ten letters
    assert len({_code(name) for name in EVERY}) == len(EVERY)


def test_names_that_are_no_exercise_or_lesson_are_told_in_forty_letters():
    long = "x" * 41
    for ask in (lambda: exercise(long, seed=1), lambda: exercises(seed=1, lesson=long), lambda: script(long)):
        with pytest.raises(QuantityError) as told:
            ask()
        assert f"got {'x' * 40!r}." in str(told.value)
    assert exercise("absorbance", seed=1).number == 1
    assert exercise("absorbance", seed=1).told(Q(0.123456, "mm")) == "0.1235 mm"
    assert len(exercises(seed=1)) == 6
    assert len(exercises(seed=1, number=200)) == 200
    with pytest.raises(QuantityError, match=r"at most 200, got 201\. Print several sheets"):
        exercises(seed=1, number=201)


def needs(*kinds):
    return SimpleNamespace(name="job", layer_thickness=Q(50.0, "um"), vectors=[SimpleNamespace(**kind) for kind in kinds])


def kind(raster=True, down_facing=False, overcure=None, cure_depth=None, hatch_spacing=None):
    depths = {"overcure": overcure, "cure_depth": cure_depth, "hatch_spacing": hatch_spacing}
    return {"raster": raster, "down_facing": down_facing} | {name: None if v is None else Q(v, "mm") for name, v in depths.items()}


@pytest.mark.parametrize(
    ("kinds", "overcure", "spacing"),
    [
        ((kind(overcure=0.03),), 0.03, 0.1),
        ((kind(overcure=0.03, cure_depth=0.2, hatch_spacing=0.09),), 0.03, 0.09),
        ((kind(cure_depth=0.12),), 0.07, 0.1),  # less the layer of 0.05 mm
        ((kind(),), 0.13, 0.1),  # of the other bench, 0.18 mm deep
        ((kind(cure_depth=0.05),), 0.08, 0.1),  # no overcure left: that of the other bench stays
        ((kind(cure_depth=0.04),), 0.08, 0.1),
        ((kind(raster=False, overcure=0.01), kind(down_facing=True, overcure=0.02), kind(overcure=0.03)), 0.03, 0.1),
        ((kind(raster=False, overcure=0.01), kind(down_facing=True, overcure=0.02)), 0.01, 0.1),
    ],
)
def test_layer_overcure_and_spacing_of_a_bench_are_those_of_its_needs(kinds, overcure, spacing):
    bench = bench_of(machine=None, lot=None, needs=needs(*kinds), otherwise=invented_bench())
    told = [float(q.m_as("mm")) for q in (bench.layer_thickness, bench.overcure, bench.hatch_spacing)]
    assert told == pytest.approx([0.05, overcure, spacing])
    assert bench.name == "job"


def test_a_bench_keeps_to_the_plain_working_curve():
    plain = invented_bench()
    given = {name: getattr(plain.resin, name) for name in ("penetration_depth", "critical_exposure", "wavelength")}
    other = plain.replaced(resin=BleachingResin(**given, bleaching_exposure=Q(100.0, "mJ/cm^2")))
    assert type(other.resin) is Resin
    assert other.penetration_depth == plain.penetration_depth


def test_doubts_that_nothing_states_are_two_and_four_per_cent():
    bench = invented_bench()
    assert NUMBERS["uncertainty"](bench)["radius_share"] == "2.73 %"  # 3 of 110 um
    bench = bench.replaced(beam=type(bench.beam)(power=bench.power, radius_x=bench.beam_radius))
    told = NUMBERS["uncertainty"](bench)
    assert (told["power_share"], told["radius_share"]) == ("2 %", "4 %")


def test_worked_examples_begin_with_the_first_coupon_and_twice_the_first_exposure():
    bench = invented_bench()
    _, twice = EXAMPLES["working-curve"](bench)
    assert twice.numbers == "0.142 mm x ln(56 mJ/cm^2/9.4 mJ/cm^2)"
    fading = EXAMPLES["absorption"](bench)
    assert [step.result.split(" at ")[1] for step in fading] == ["0.142 mm", "0.284 mm", "0.426 mm"]
    for step, share in zip(fading, ("36.8 %", "13.5 %", "4.98 %"), strict=True):  # powers of 1/e
        assert f", {share} is left" in step.why
    (peak,) = EXAMPLES["safety"](bench)
    assert peak.result == "12627 mW/mm^2"  # 2 x 240 mW/(pi (0.11 mm)^2), five digits
    first, _, third, *_ = EXAMPLES["coupons"](bench)
    slope, _ = np.polyfit(np.log(coupon_lot(bench)[0]), coupon_lot(bench)[1].mean(1), 1)
    assert third.result == f"{slope:.5g} mm = Dp"
    assert first.numbers.startswith("coupon 1: (")
    assert NUMBERS["absorption"](bench)["question_ratio"] == "1.41"  # 0.2/0.142
    assert first.result.split(" at ")[1] == "15 mJ/cm^2"  # 1.6 times Ec
    assert coupon_lot(bench)[2].tolist() == list(range(1, 9))
    assert NUMBERS["stack"](bench)["compensation"] == "2 layers"
    assert NUMBERS["stack"](bench.replaced(overcure=Q(0.02, "mm")))["compensation"] == "1 layer"
    raster = NUMBERS["raster"](bench)
    assert (raster["spacing_ratio"], raster["wide_ratio"]) == ("0.909", "1.36")  # 0.1 and 0.15 mm over 0.11
