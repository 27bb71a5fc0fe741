"""Lessons: numbers recomputed by plain arithmetic, words explained before use, sources named, figures drawn."""

import dataclasses
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from sampling import few

from curecalc.cli import main
from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.lessons import Bench, glossary, invented_bench, lesson
from curecalc.lessons.numbers import coupon_lot
from curecalc.lessons.telling import ORDER, cited, script
from curecalc.units import Measured, QuantityError, parse
from curecalc.units import Quantity as Q
from curecalc.validation import load_sources


def other_bench() -> Bench:
    here = invented_bench()
    return dataclasses.replace(
        here,
        beam=dataclasses.replace(here.beam, power=Measured(Q(820.0, "mW"), Q(30.0, "mW")), radius_x=Q(75.0, "um")),
        resin=dataclasses.replace(here.resin, penetration_depth=Q(0.06, "mm"), critical_exposure=Q(31.0, "mJ/cm^2")),
        hatch_spacing=Q(0.06, "mm"),
        layer_thickness=Q(0.05, "mm"),
        overcure=Q(0.04, "mm"),
        name="a slurry machine",
    )


BENCHES = {"invented": invented_bench, "other": other_bench}


@pytest.fixture(params=BENCHES)
def bench(request: pytest.FixtureRequest) -> Bench:
    return BENCHES[request.param]()


class Plain:
    """The bench in floats (mm, s, mW, mJ) and the textbook formulas, written out again."""

    def __init__(self, b: Bench) -> None:
        self.p, self.w = b.power.m_as("mW"), b.beam_radius.m_as("mm")
        self.dp, self.ec = b.penetration_depth.m_as("mm"), b.critical_exposure.m_as("mJ/mm^2")
        self.h, self.t, self.o = (q.m_as("mm") for q in (b.hatch_spacing, b.layer_thickness, b.overcure))

    def depth(self, e: float) -> float:
        return self.dp * math.log(e / self.ec)

    def line(self, v: float) -> float:
        # energy balance over the bell curve: P/v spread with standard deviation W0/2
        return self.p / v / (self.w / 2 * math.sqrt(2 * math.pi))

    def raster(self, v: float, h: float, y: float) -> float:
        s = self.w / 2
        return sum(self.p / v / (s * math.sqrt(2 * math.pi)) * math.exp(-((y - k * h) ** 2) / (2 * s * s)) for k in range(-60, 61))

    def through(self, t: float, dp: float, n: int = 4000) -> float:
        # exposures of n layers added up at the depth where they reach the critical exposure, by bisection
        e = self.ec * math.exp((t + self.o) / dp)
        low, high = 0.0, 40.0 * dp
        for _ in range(200):
            z = 0.5 * (low + high)
            total = sum(e * math.exp(-(z + t + k * t) / dp) for k in range(n))
            low, high = (z, high) if total > self.ec else (low, z)
        return low


def _close(got: Q, unit: str, want: float, rel: float = 1e-6) -> None:
    assert got.m_as(unit) == pytest.approx(want, rel=rel)


def test_the_invented_bench_is_the_demo_s_machine_and_resin() -> None:
    here, demo = invented_bench(), Path(__file__).parents[2] / "demo"
    machine, lot = read_machine(demo / "machine.toml"), read_resin(demo / "resin.toml")
    assert here.power == machine.power.value
    assert machine.beam_radius_min < here.beam_radius < machine.beam_radius_max
    assert here.wavelength == machine.wavelength
    for name in ("penetration_depth", "critical_exposure"):  # what the coupons say is no more than two standard uncertainties off
        fitted, known = getattr(lot.resin, name), getattr(here.resin, name)
        assert abs(fitted.value - known.value) < 2.0 * fitted.standard_uncertainty


def test_exposure_numbers(bench: Bench) -> None:
    n, x = lesson("exposure", bench).numbers, Plain(bench)
    _close(n["patch_exposure"], "mJ/cm^2", 100 * x.p * n["patch_time"].m_as("s") / n["patch_area"].m_as("mm^2"))
    _close(n["wanted_time"], "s", n["wanted_exposure"].m_as("mJ/mm^2") * n["patch_area"].m_as("mm^2") / x.p)


def test_absorption_numbers(bench: Bench) -> None:
    n, x = lesson("absorption", bench).numbers, Plain(bench)
    z, e = n["question_depth"].m_as("mm"), n["surface_exposure"].m_as("mJ/cm^2")
    _close(n["question_exposure"], "mJ/cm^2", e * 2.718281828459045 ** (-z / x.dp))
    assert float(n["question_share"]) == pytest.approx(math.exp(-z / x.dp), rel=0.01)
    assert float(n["question_ratio"]) == pytest.approx(z / x.dp, rel=0.005)


def test_working_curve_numbers(bench: Bench) -> None:
    n, x = lesson("working-curve", bench).numbers, Plain(bench)
    e = n["exposure_a"].m_as("mJ/mm^2")
    _close(n["depth_a"], "mm", x.depth(e))
    _close(n["depth_b"], "mm", x.depth(2 * e))
    _close(n["doubling"], "mm", x.depth(2 * e) - x.depth(e))
    _close(n["wanted_exposure"], "mJ/mm^2", x.ec * math.exp(n["wanted_depth"].m_as("mm") / x.dp))
    # the point of the lesson would be lost on a pair where the depth happens to double
    assert not 1.9 < n["depth_b"].m_as("mm") / n["depth_a"].m_as("mm") < 2.1


def test_spot_numbers(bench: Bench) -> None:
    n, x = lesson("spot", bench).numbers, Plain(bench)
    _close(n["beam_diameter"], "mm", 2 * x.w)
    _close(n["beam_fwhm"], "mm", x.w * math.sqrt(2 * math.log(2)))
    _close(n["peak_irradiance"], "mW/mm^2", x.p / (2 * math.pi * (x.w / 2) ** 2))
    _close(n["question_radius"], "mm", n["question_fwhm"].m_as("mm") / math.sqrt(2 * math.log(2)))


def test_line_numbers(bench: Bench) -> None:
    n, x = lesson("line", bench).numbers, Plain(bench)
    v = n["line_speed"].m_as("mm/s")
    _close(n["line_exposure"], "mJ/mm^2", x.line(v))
    _close(n["line_depth"], "mm", x.depth(x.line(v)))
    # the edge of the line is where the bell curve has come down to Ec
    _close(n["line_width"], "mm", 2 * (x.w / 2) * math.sqrt(2 * math.log(x.line(v) / x.ec)))
    _close(n["depth_at_double"], "mm", x.depth(x.line(2 * v)))
    assert x.depth(x.line(n["speed_for_depth"].m_as("mm/s"))) == pytest.approx(x.t + x.o, rel=1e-9)
    _close(n["loss_ten_percent"], "mm", x.depth(x.line(v)) - x.depth(0.9 * x.line(v)))


def test_raster_numbers(bench: Bench) -> None:
    n, x = lesson("raster", bench).numbers, Plain(bench)
    v, wide = n["raster_speed"].m_as("mm/s"), n["wide_spacing"].m_as("mm")
    _close(n["raster_mean"], "mJ/mm^2", x.p / (v * x.h))
    _close(n["raster_ridge"], "mJ/mm^2", x.raster(v, x.h, 0.0))
    _close(n["raster_valley"], "mJ/mm^2", x.raster(v, x.h, x.h / 2))
    _close(n["raster_ripple"], "mm", x.depth(x.raster(v, x.h, 0.0)) - x.depth(x.raster(v, x.h, x.h / 2)))
    _close(n["wide_mean"], "mJ/mm^2", x.p / (v * wide))
    _close(n["wide_valley"], "mJ/mm^2", x.raster(v, wide, wide / 2))
    needed = x.ec * math.exp((x.t + x.o) / x.dp)
    _close(n["needed_exposure"], "mJ/mm^2", needed)
    _close(n["area_rate"], "mm^2/s", x.p / needed)
    # the lesson's claim: at no spacing does a raster whose valley gets what is needed cover more
    for spacing in (0.3 * x.w, x.h, 1.4 * x.w, 1.9 * x.w):
        fastest = x.raster(1.0, spacing, spacing / 2) / needed
        assert fastest * spacing <= n["area_rate"].m_as("mm^2/s") * (1 + 1e-9)
    _close(n["second_pass"], "mm", x.depth(2.0 * 1.5 * x.ec) - x.depth(1.5 * x.ec))
    _close(n["third_pass"], "mm", x.depth(3.0 * x.ec) - x.depth(2.0 * x.ec))


def test_overcure_numbers(bench: Bench) -> None:
    n, x = lesson("overcure", bench).numbers, Plain(bench)
    _close(n["cure_depth"], "mm", x.t + x.o)
    _close(n["five_percent"], "mm", 0.05 * x.dp)
    assert n["overcure_factor"] == pytest.approx(math.exp((n["question_overcure"].m_as("mm") - x.o) / x.dp), rel=1e-9)
    share = float(n["reserve_percent"].removesuffix(" %")) / 100
    # with that much less light the layer ends just at its own thickness
    assert x.depth(x.ec * math.exp((x.t + x.o) / x.dp) * (1 - share)) == pytest.approx(x.t, abs=0.005 * x.dp)
    assert float(n["price_hundredth"]) == pytest.approx(math.exp(0.01 / x.dp), rel=1e-3)


def test_stack_numbers(bench: Bench) -> None:
    n, x = lesson("stack", bench).numbers, Plain(bench)
    _close(n["print_through"], "mm", x.through(x.t, x.dp))
    _close(n["print_through_few"], "mm", x.through(x.t, x.dp, 5))
    _close(n["print_through_thin"], "mm", x.through(x.t / 2, x.dp))
    _close(n["print_through_half_dp"], "mm", x.through(x.t, x.dp / 2))
    assert n["print_through_half_dp"] < n["print_through"] < n["print_through_thin"]
    _close(n["accumulated"], "mm", x.through(x.t, x.dp) - x.o)
    assert float(n["pass_on"].removesuffix(" %")) == pytest.approx(100 * math.exp(-x.t / x.dp), rel=0.005)


def test_coupon_numbers(bench: Bench) -> None:
    n, x = lesson("coupons", bench).numbers, Plain(bench)
    exposure, readings, _ = coupon_lot(bench)
    slope, intercept = np.polyfit(np.log(exposure), readings.mean(axis=1), 1)
    _close(n["fit_dp"], "mm", slope)
    _close(n["fit_ec"], "mJ/cm^2", math.exp(-intercept / slope), rel=1e-5)
    assert abs(slope / x.dp - 1) < 0.08, "the invented lot should look like its resin"
    e1, e2 = n["pair_e1"].m_as("mJ/cm^2"), n["pair_e2"].m_as("mJ/cm^2")
    d1, d2 = n["pair_d1"].m_as("mm"), n["pair_d2"].m_as("mm")
    slope = (d2 - d1) / (math.log(e2) - math.log(e1))
    _close(n["pair_dp"], "mm", slope)
    _close(n["pair_ec"], "mJ/cm^2", math.exp(math.log(e1) - d1 / slope))


def test_uncertainty_numbers(bench: Bench) -> None:
    n, x = lesson("uncertainty", bench).numbers, Plain(bench)
    a, b = (float(n[k].removesuffix(" %")) / 100 for k in ("power_share", "radius_share"))
    _close(n["depth_from_power"], "mm", x.dp * a, rel=0.005)
    _close(n["depth_from_radius"], "mm", x.dp * b, rel=0.005)
    _close(n["depth_from_both"], "mm", x.dp * math.sqrt(a * a + b * b), rel=0.005)
    _close(n["meter_shift"], "mm", x.depth(2.08 * x.ec) - x.depth(2 * x.ec))
    assert n["gauge_u"].m_as("um") / math.sqrt(n["gauge_n"]) == pytest.approx(n["gauge_target"].m_as("um"))


def test_drift_numbers(bench: Bench) -> None:
    n, x = lesson("drift", bench).numbers, Plain(bench)
    v, p = n["old_speed"].m_as("mm/s"), n["faded_power"].m_as("mW")
    _close(n["cure_depth"], "mm", x.depth(x.line(v)))
    faded = Plain(bench)
    faded.p = p
    _close(n["depth_unnoticed"], "mm", x.depth(faded.line(v)))
    assert faded.line(n["new_speed"].m_as("mm/s")) == pytest.approx(x.line(v), rel=1e-9)
    _close(n["depth_lost"], "mm", x.depth(x.line(v)) - x.depth(faded.line(v)))
    faded.p = n["question_power"].m_as("mW")
    assert faded.line(n["question_speed"].m_as("mm/s")) == pytest.approx(x.line(v), rel=1e-9)


def test_safety_numbers(bench: Bench) -> None:
    n, x = lesson("safety", bench).numbers, Plain(bench)
    _close(n["peak_irradiance"], "mW/mm^2", x.p / (2 * math.pi * (x.w / 2) ** 2))
    assert float(n["sun_times"]) == pytest.approx(n["peak_irradiance"].m_as("mW/mm^2"), rel=0.06)


def test_the_slurry_of_the_last_lesson_gives_the_doses_that_follow_from_the_cited_parameters() -> None:
    """colombo2025: parameters read, doses for 200 um derived: 197.3, 322.4, 239.1 mJ/cm^2."""
    got = [parse("dose", step.result, "exposure").m_as("mJ/cm^2") for step in lesson("beyond").example]
    assert got == pytest.approx([197.3, 322.4, 239.1], abs=0.05)


def test_example_numbers_follow_from_the_numbers_in_the_text(bench: Bench) -> None:
    for name in ("exposure", "working-curve", "spot", "line", "stack", "drift", "uncertainty"):
        one = lesson(name, bench)
        assert one.example
        text = " ".join(step.numbers + " " + step.result for step in one.example)
        assert "nan" not in text.lower()
    results = [step.result for step in lesson("working-curve", bench).example]
    n = lesson("working-curve", bench).numbers
    assert [parse("d", r, "length").m_as("mm") for r in results] == pytest.approx(
        [n["depth_a"].m_as("mm"), n["depth_b"].m_as("mm")], rel=1e-3
    )


@pytest.mark.parametrize("name", ORDER)
def test_every_number_place_is_filled_and_every_number_is_used(name: str) -> None:
    written, one = script(name), lesson(name)
    pieces = [written.text, written.caption, written.question, written.hint, written.answer]
    places = set(re.findall(r"\{(\w+)", " ".join(pieces)))
    assert places <= set(one.numbers)
    assert set(one.numbers) <= places | {"question_depth", "surface_exposure"}, "a number nobody reads"
    shown = json.dumps(one.to_dict())
    assert "{" not in " ".join([one.question, one.hint, one.answer, one.caption, *(line for b in one.text for line in b.lines)])
    assert "NaN" not in shown


def _plain(text: str) -> str:
    return " ".join(text.split()).lower()


# words that are also plain English, looked for as the term only in the sense given here
_SENSES = {
    "power": r"\bpowers?\b",
    "exposure": r"(?<!critical )\bexposures?\b",
    "pass": r"\b(?:one|two|second|third|n|of) pass(?:es)?\b",
    "lot": r"\b(?:the|this|new|a|each|resin) lots?\b(?! of)",
    "reading": r"\breadings\b(?! tell)",
    "bleach": r"\bbleach(?:es|ed|ing)?\b",
    "sensitises": r"\bsensitis\w+",
    "hatch": r"\bhatch\b(?! spacing)",
}


@pytest.mark.parametrize("term", sorted(glossary()))
def test_terms_are_explained_before_they_are_used(term: str) -> None:
    home = next(name for name in ORDER if term in script(name).terms)
    pattern = re.compile(_SENSES.get(term, rf"\b{re.escape(term)}s?\b"))
    for name in ORDER[: ORDER.index(home)]:
        written = script(name)
        for piece in (written.aim, written.text, written.caption, written.question, written.hint, written.answer, *written.terms.values()):
            assert not pattern.search(_plain(piece)), f"{term} is used in {name}, before {home} explains it"
    text = _plain(script(home).text)
    marked = text.find(f"*{term}")
    assert marked >= 0, f"{home} lists {term} but does not introduce it as *{term}*"
    early = pattern.search(text)
    assert early is None or early.start() >= marked - 1, f"{home} uses {term} before it introduces it"


def test_symbols_are_introduced_before_they_are_used() -> None:
    """Each letter of a formula stands beside its word in this lesson or an earlier one."""
    symbols = {
        "exposure": ("P", "E", "A", "T"),
        "absorption": ("Dp", "z", "L"),
        "working-curve": ("Ec", "Cd"),
        "spot": ("W0", "r"),
        "line": ("v", "Lw"),
        "raster": ("h", "N"),
        "overcure": ("t",),
        "uncertainty": ("u", "n"),
    }
    home = {s: name for name, found in symbols.items() for s in found}
    for name in ORDER:
        for formula in script(name).formulas:
            for symbol in re.findall(r"\b(?:Dp|Ec|Cd|Lw|W0|[PEATLzvhN])\b", formula):
                assert ORDER.index(home[symbol]) <= ORDER.index(name), (name, formula, symbol)
    for name, found in symbols.items():
        for symbol in found:
            beside = rf"\b{symbol}\b(?:,| is|:)|a \w+ {symbol}\b|(?:area|time|power|thickness) {symbol}\b|{symbol} (?:equal|coupons)"
            assert re.search(beside, script(name).text), (name, symbol)


@pytest.mark.parametrize("name", ORDER)
def test_formulas_and_sources(name: str) -> None:
    written = script(name)
    text = _plain(written.text)
    for formula in written.formulas:
        assert _plain(formula) in text, f"{name} does not show {formula}"
    known = load_sources()
    assert set(cited(written.text)) <= set(known)
    assert set(lesson(name).sources) >= set(cited(written.text))


def test_claims_about_the_world_carry_a_source_or_say_that_they_have_none() -> None:
    """Sentences with words like usual, measured, found, published name a source or say where they come from."""
    marks = re.compile(r"\[[a-z]+[a-z0-9-]*\]|common practice|from memory|derived")
    claims = re.compile(
        r"\b(?:usual values|usual sizes|usual overcure|laborator(?:y|ies) measured|published|spots of many|slurry gave"
        r"|unfilled resins|filled resins)\b"
    )
    for name in ORDER:
        for block in re.split(r"\n\s*\n", script(name).text):
            if claims.search(_plain(block)):
                assert marks.search(block), f"{name}: {block[:80]}"


@pytest.mark.parametrize("name", few(ORDER, 3))
def test_figures_draw(name: str, bench: Bench) -> None:
    from curecalc.figures.style import svg_text

    svg = svg_text(lesson(name, bench).figure())
    assert svg.count("<text") > 5
    assert "nan" not in svg


def test_html_has_no_outside_reference_and_escapes() -> None:
    from curecalc.lessons.show import lesson_page

    hostile = dataclasses.replace(invented_bench(), name="<script>alert(1)</script>")
    page = lesson_page([lesson(name, hostile) for name in ("line", "coupons")])
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"""(?:src|href)=["'](?!#)""", page)
    assert not re.search(r"url\((?!#)", page)
    assert "class 4" in page


def test_unknown_lesson_names_the_nearest() -> None:
    with pytest.raises(QuantityError, match="Did you mean raster"):
        lesson("rastre")


@pytest.mark.slow
def test_command(capsys: pytest.CaptureFixture[str], tmp_path) -> None:
    assert main(["lesson"]) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in ORDER)
    assert main(["lesson", "line", "--power", "0.5 W", "--beam-radius", "80 um"]) == 0
    told = capsys.readouterr().out
    assert all(word in told for word in ("500 mW", "0.08 mm", "lass 4"))
    assert main(["lesson", "line", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["numbers"]["power"] == {"value": 240.0, "unit": "mW"}
    target = tmp_path / "all.html"
    assert main(["lesson", "all", "--html", str(target)]) == 0
    assert capsys.readouterr().out == ""
    assert target.read_text(encoding="utf-8").count("<article") == len(ORDER)
    assert main(["lesson", "line", "--figure", str(tmp_path / "line.svg")]) == 0
    assert (tmp_path / "line.svg").stat().st_size > 1000


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["lesson", "nonsense"], "lesson must be one of"),
        (["lesson", "line", "--html", "x.pdf"], "--html: x.pdf: the name ends in .html"),
        (["lesson", "line", "--html", "no/such/place.html"], "the folder no/such does not exist"),
        (["lesson", "--figure", "x.png"], "name one lesson"),
        (["lesson", "line", "--power", "0.5"], "--power has no unit"),
        (["lesson", "line", "--overcure", "0 mm"], "--overcure must be"),
    ],
)
def test_bad_input_is_one_line(argv: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
