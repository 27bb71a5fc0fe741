"""The way of an exercise adds up as it is printed, each slip is worth what its remark says, and numbers are drawn from usual ranges."""

import math
import re
from types import SimpleNamespace

import pytest
from test_practice import EVERY, numbers

from curecalc.lessons.exercises import exercise
from curecalc.lessons.exercises.first import light_at_depth

FACTOR = {"mJ/mm^2": 100.0, "mJ/cm^2": 1.0, "mm": 1000.0, "um": 1.0}
UNIT = re.compile(r"(?<=[\d)]) ?(?:mJ/mm\^2|mJ/cm\^2|mm\^2|mm/s|mm|um|mW|s)(?![\w^])")


def worked_out(text: str) -> list[float]:
    """What a calculator shows for the numbers of a step, units left out; `a x b and x c` are two of them."""
    text = text.rpartition("= ")[2].rpartition(" by ")[2]
    first, _, second = text.partition(" and x ")
    out = []
    for one in [first, *([f"{first.partition(' x ')[0]} x {second}"] if second else [])]:
        one = UNIT.sub("", one).replace(" %", "*0.01").replace("e^(", "exp(").replace("ln 10", "log(10)").replace("ln(", "log(")
        one = one.replace("^", "**").replace("ln", "log").replace(" x ", "*")
        out.append(eval(one, {"exp": math.exp, "log": math.log, "sqrt": math.sqrt}))
    return out


@pytest.mark.parametrize("name", EVERY)
def test_every_step_gives_the_result_that_it_prints(name: str) -> None:
    """Typed into a calculator with the five digits that are printed; then in each further unit that the result is told in."""
    for seed in range(6):
        for step in exercise(name, seed=seed).steps:
            results = [re.match(r"([-\d.e]+) ?(\S*)", part) for part in re.split(" = | and ", step.result)]
            values = [float(found[1]) for found in results]
            given = worked_out(step.numbers)
            assert given[0] == pytest.approx(values[0], rel=3e-4), step
            if " = " in step.result:
                (_, one), (_, other) = (found.groups() for found in results)
                assert values[0] * FACTOR[one] == pytest.approx(values[1] * FACTOR[other], rel=1e-4), step
            else:
                assert given == pytest.approx(values, rel=3e-4), step


def slips(name: str, text: str) -> dict[str, float]:
    """What each slip gives, worked out from the words of its remark, in mm, s, mW, mJ."""
    q = numbers(text)
    ln, e, root = math.log, math.exp, math.sqrt(2 / math.pi)
    if name == "patch-exposure":
        return {"area unit": q[0] * q[2] / q[1] / 100}
    if name == "unit-change":
        return {"linear factor": q[0] / 10, "wrong way": q[0] / 10_000}
    if name == "light-at-depth":
        dp, surface, z = q
        return {"base ten": surface * 10 ** (-z / dp)} | ({"straight line": surface * (1 - z / dp)} if z < 0.9 * dp else {})
    if name == "absorbance":
        return {"without ln 10": q[0] / float(re.search(r"wavelength is ([\d.]+)\. ", text)[1])}
    if name == "cure-depth":
        dp, ec, dose = q
        return {"base ten": dp * math.log10(dose / ec), "area unit": dp * ln(100 * dose / ec), "no logarithm": dp * dose / ec}
    if name == "exposure-for-depth":
        dp, ec, depth = q
        return {"base ten": ec * 10 ** (depth / dp), "upside down": ec * e(dp / depth), "straight line": ec * depth / dp}
    if name == "more-exposure":
        k = float(re.search(r"made ([\d.]+) times", text)[1])
        return {"base ten": q[0] * math.log10(k), "in proportion": (k - 1) * q[1], "new depth": q[1] + q[0] * ln(k)}
    if name == "beam-radius":
        if "diameter" in text:
            return {"factor of two": q[0]}
        narrow = math.sqrt(2 / ln(2)) / 2  # exp(-2 r^2/W0^2) is a half at r = W0 sqrt(ln 2 / 2)
        return {"half of it": q[0] / 2, "diameter": 2 * q[0] * narrow}
    if name == "line-exposure":
        dose = root * q[0] / (q[1] / 2 * q[2])
        return {"diameter for radius": dose / 2, "area unit": dose / 100, "without the root": q[0] / (q[1] / 2 * q[2])}
    if name == "line-width":
        wide = q[1] / 2 * math.sqrt(2 * q[0] / q[2])
        return {"diameter for radius": 2 * wide, "half width": q[1] / 2 * math.sqrt(q[0] / q[2])}
    if name == "raster-mean":
        power, v, h, radius = q
        return {"area unit": power / (v * h) / 100, "single line": root * power / (radius * v)}
    if name == "more-passes":
        n = int(re.search(r"do (\d+) equal passes", text)[1])
        return {"in proportion": n * q[0], "base ten": q[0] + q[1] * math.log10(n), "gain only": q[1] * ln(n)}
    if name == "line-speed":
        t, o, power, diameter, dp, ec = q
        v = root * power / (diameter / 2 * ec)
        right, thin, ten = v * e(-(t + o) / dp), v * e(-t / dp), v * 10 ** (-(t + o) / dp)
        return {"without overcure": thin, "diameter for radius": right / 2, "base ten": ten, "area unit": right / 100}
    if name == "overcure-factor":
        t, old, new, dp = q
        return {"in proportion": (t + new) / (t + old), "base ten": 10 ** ((new - old) / dp), "whole overcure": e(new / dp)}
    if name == "mean-uncertainty":
        n, readings = int(re.match(r"(\d+) coupons", text)[1]), int(re.search(r"measured (\d+) times", text)[1])
        return {"readings counted": q[0] / math.sqrt(n * readings), "without the root": q[0] / n}
    if name == "retuned-speed":
        return {"upside down": q[0] * q[1] / q[2]}
    if name == "depth-lost":
        depth, dp, share = q
        lost = -dp * ln(1 - share)
        return {"in proportion": depth * share, "base ten": -dp * math.log10(1 - share), "remaining depth": depth - lost}
    if name == "spot-change":
        wide, narrow, dp = q
        return {"square": 2 * dp * ln(wide / narrow), "base ten": dp * math.log10(wide / narrow)}
    if name == "raster-speed":
        h, diameter, t, o, power, dp, ec = q
        dose = ec * e((t + o) / dp)
        return {
            "without overcure": power / (h * ec * e(t / dp)),
            "area unit": power / (h * dose) / 100,
            "base ten": power / (h * ec * 10 ** ((t + o) / dp)),
            "single line": root * power / (diameter / 2 * dose),
        }
    if name == "print-through":
        t, cd, dp = q
        above = -dp * ln(1 - e(-t / dp))
        out = {"overcure only": cd - t, "layers above only": above, "not below the face": cd + above}
        return out | {"base ten": cd - t - dp * math.log10(1 - e(-t / dp))}
    if name == "two-coupons-depth":
        a, b, c = (float(x) for x in re.search(r"readings were ([\d.]+), ([\d.]+) and ([\d.]+) mm", text).groups())
        rise = q[3] - (a + b + c) / 3
        return {"base ten": rise / math.log10(q[2] / q[0]), "without logarithm": rise / (q[2] / q[0])}
    if name == "two-coupons-critical":
        e1, y1, e2, y2 = q
        dp, plain = (y2 - y1) / ln(e2 / e1), e1 - y1 * (e2 - e1) / (y2 - y1)
        out = {"base ten": e1 * 10 ** (-y1 / dp), "area unit": e1 * e(-y1 / dp) / 100}
        return out | ({"straight axis": plain} if plain > 0 else {})
    if name == "combined-uncertainty":
        return {"plain sum": q[2] * (q[0] + q[1]), "larger only": q[2] * max(q[:2])}
    if name == "wrong-meter":
        dp, share = q
        out = {"base ten": dp * math.log10(1 + share), "without logarithm": dp * share, "wrong way": -dp * ln(1 - share)}
        return out | {"cancelled": 0.0}
    if name == "new-lot":
        return {"upside down": q[0] * q[2] / q[1]}
    raise AssertionError(name)


@pytest.mark.parametrize("name", EVERY)
def test_a_slip_is_worth_what_its_remark_says(name: str) -> None:
    for seed in range(8):
        one = exercise(name, seed=seed)
        unit = {"exposure": "mJ/mm^2", "length": "mm", "speed": "mm/s", "number": ""}[one.kind]
        found = {slip.name: float(slip.value.m_as(unit)) for slip in one.slips}
        wanted = slips(name, one.text)
        if name == "wrong-meter":  # of a layer whose thickness the text keeps to itself
            del found["share of layer"]
        assert found == pytest.approx(wanted, rel=5e-4, abs=1e-12), one.text


# what a text's factors are drawn from; common practice, no source
CHOICES = {
    "more-exposure": (r"made ([\d.]+) times", {1.5, 2, 3, 4}),
    "mean-uncertainty": (r"^(\d+) coupons", {4, 5, 6, 8, 9, 12}),
    "more-passes": (r"do (\d+) equal", {2, 3, 4, 5}),
    "absorbance": (r"cell holds ([\d.]+) mm", {0.05, 0.1, 0.2}),
}


@pytest.mark.parametrize("name", CHOICES)
def test_factors_are_drawn_from_the_whole_of_a_short_list(name: str) -> None:
    pattern, wanted = CHOICES[name]
    texts = [exercise(name, seed=seed).text for seed in range(80)]
    assert {float(found[1]) for text in texts if (found := re.search(pattern, text))} == wanted


def test_a_straight_line_is_a_slip_short_of_nine_tenths_of_the_penetration_depth() -> None:
    for share in (0.899, 0.9, 0.901):
        draw = SimpleNamespace(dp=0.1, ec=0.08, length=str, exposure=str)
        draw.near = lambda value, low, high, share=share: share * value if value == 0.1 else 3.0 * value
        slips = light_at_depth(draw).slips
        assert ("straight line" in slips) is (share < 0.9)
        assert slips["base ten"][0] == pytest.approx(0.24 * 10**-share)
