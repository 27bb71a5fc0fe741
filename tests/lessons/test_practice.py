"""Exercises: each solved from its text alone with the lessons' formulas; slips named; sheets, keys and scores kept."""

import argparse
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curecalc.cli import main
from curecalc.cli.bench import add_bench, bench
from curecalc.errors import FileError, QuantityError
from curecalc.lessons.bench import invented_bench
from curecalc.lessons.exercises import KINDS_BY_GRADE, check_answer, exercise, exercises
from curecalc.lessons.scores import add_scores, read_scores
from curecalc.lessons.telling import ORDER, script
from curecalc.units import Quantity

EVERY = [name for kinds in KINDS_BY_GRADE.values() for name in kinds]
SEEDS = [range(25), pytest.param(range(25, 400), marks=pytest.mark.slow)]
_UNITS = {
    "mm": 1.0,
    "um": 1e-3,
    "mW": 1.0,
    "W": 1e3,
    "mm/s": 1.0,
    "m/s": 1e3,
    "mJ/mm^2": 1.0,
    "mJ/cm^2": 0.01,
    "mm^2": 1.0,
    "cm^2": 100.0,
    "s": 1.0,
    "ms": 1e-3,
    "%": 0.01,
}
_WRITTEN = re.compile(r"(?<![\w^])(\d+(?:\.\d+)?(?:e-?\d+)?) (mJ/mm\^2|mJ/cm\^2|mm\^2|cm\^2|mm/s|m/s|mm|um|mW|ms|W|s|%)(?=[\s,.;)])")


def numbers(text: str) -> list[float]:
    """Quantities of a text in the order they stand there, in mm, s, mW, mJ; read without the package."""
    return [float(n) * _UNITS[u] for n, u in _WRITTEN.findall(text)]


def solved(name: str, text: str) -> float:
    """What a technician with the lessons and a calculator would answer, in mm, s, mW, mJ."""
    q = numbers(text)
    ln, e, k = math.log, math.exp, math.sqrt(2 / math.pi)
    if name == "patch-exposure":
        power, area, time = q
        return power * time / area
    if name == "unit-change":
        return q[0]
    if name == "light-at-depth":
        dp, surface, z = q
        return surface * e(-z / dp)
    if name == "absorbance":
        return q[0] / (float(re.search(r"wavelength is ([\d.]+)\. ", text)[1]) * ln(10))
    if name == "cure-depth":
        dp, ec, dose = q
        return dp * ln(dose / ec)
    if name == "exposure-for-depth":
        dp, ec, depth = q
        return ec * e(depth / dp)
    if name == "more-exposure":
        return q[0] * ln(float(re.search(r"made ([\d.]+) times", text)[1]))
    if name == "beam-radius":
        return q[0] / 2 if "diameter" in text else 0.8493218 * q[0]
    if name == "line-exposure":
        power, diameter, v = q
        return k * power / (diameter / 2 * v)
    if name == "line-width":
        depth, diameter, dp = q
        return diameter / 2 * math.sqrt(2 * depth / dp)
    if name == "raster-mean":
        power, v, h, _ = q
        return power / (v * h)
    if name == "more-passes":
        depth, dp = q
        return depth + dp * ln(int(re.search(r"do (\d+) equal passes", text)[1]))
    if name == "line-speed":
        t, o, power, diameter, dp, ec = q
        return k * power / (diameter / 2 * ec * e((t + o) / dp))
    if name == "overcure-factor":
        _, old, new, dp = q
        return e((new - old) / dp)
    if name == "mean-uncertainty":
        return q[0] / math.sqrt(int(re.match(r"(\d+) coupons", text)[1]))
    if name == "retuned-speed":
        v, old, new = q
        return v * new / old
    if name == "depth-lost":
        _, dp, share = q
        return dp * ln(1 / (1 - share))
    if name == "spot-change":
        wide, narrow, dp = q
        return dp * ln(wide / narrow)
    if name == "raster-speed":
        h, _, t, o, power, dp, ec = q
        return power / (h * ec * e((t + o) / dp))
    if name == "print-through":
        t, cd, dp = q
        return cd - t - dp * ln(1 - e(-t / dp))
    if name == "two-coupons-depth":
        e1 = q[0]
        a, b, c = (float(x) for x in re.search(r"readings were ([\d.]+), ([\d.]+) and ([\d.]+) mm", text).groups())
        e2, y2 = q[2], q[3]
        return (y2 - (a + b + c) / 3) / ln(e2 / e1)
    if name == "two-coupons-critical":
        e1, y1, e2, y2 = q
        return e1 * e(-y1 * ln(e2 / e1) / (y2 - y1))
    if name == "combined-uncertainty":
        a, b, dp = q
        return dp * math.sqrt(a * a + b * b)
    if name == "wrong-meter":
        dp, share = q
        return dp * ln(1 + share)
    if name == "new-lot":
        v, old, new, _, _ = q
        return v * old / new
    raise AssertionError(name)


@pytest.mark.parametrize("seeds", SEEDS)
@pytest.mark.parametrize("name", EVERY)
def test_every_exercise_is_solved_from_its_text_with_the_formulas_of_the_lessons(name: str, seeds: range) -> None:
    for seed in seeds:
        one = exercise(name, seed=seed)
        want = solved(name, one.text)
        spelled = {"exposure": "mJ/mm^2", "length": "mm", "speed": "mm/s", "number": ""}[one.kind]
        assert check_answer(one, f"{want:.6g} {spelled}").right, (one.text, want, one.told())
        assert one.answer.m == pytest.approx(want, rel=2e-4)


@pytest.mark.parametrize("name", EVERY)
def test_what_an_exercise_needs_is_taught_up_to_its_lesson(name: str) -> None:
    """Each formula of the way stands in the lesson named or an earlier one, and no later word is used."""
    one = exercise(name, seed=5)
    taught = " ".join(" ".join(script(n).text.split()) for n in ORDER[: ORDER.index(one.lesson) + 1])
    spoken = {
        "new depth = old depth + gain": "depth gained by N passes",
        "depth error = Dp ln(factor of exposure)": "the depth is off by Dp ln(1.04)",
        "coupon = mean of its readings": "average the readings of a coupon",
    }
    for step in one.steps:
        assert spoken.get(step.formula, step.formula) in taught, f"{name} needs {step.formula}"
    later = {t for n in ORDER[ORDER.index(one.lesson) + 1 :] for t in script(n).terms if t not in ("pass", "lot", "slope", "drift")}
    words = one.text.lower()
    assert not [t for t in later if re.search(rf"\b{re.escape(t)}s?\b", words)], one.text


@pytest.mark.parametrize("seeds", SEEDS)
@pytest.mark.parametrize("name", EVERY)
def test_slips_are_named_and_never_taken_for_the_answer(name: str, seeds: range) -> None:
    for seed in seeds:
        one = exercise(name, seed=seed)
        assert one.slips
        for slip in one.slips:
            verdict = check_answer(one, one.told(slip.value))
            assert not verdict.right
            assert verdict.slip
            assert verdict.remark in [s.remark for s in one.slips], (name, slip.name, verdict)
        assert check_answer(one, one.told()).right
        right = float(one.answer.m)
        values = [float(s.value.m) for s in one.slips]
        for i, a in enumerate(values):
            for b in values[:i]:  # both slips in one answer: their factors, or what each is off by
                for both in (a * b / right, a + b - right):
                    assert abs(both - right) > 0.01 * abs(right), (name, seed)


def test_a_share_taken_for_its_logarithm_is_named_and_is_no_rounding() -> None:
    for seed in range(60):
        one = exercise("wrong-meter", seed=seed)
        dp, share = numbers(one.text)
        assert check_answer(one, f"{dp * share:.6g} mm").slip in ("without logarithm", "share of layer")
        assert check_answer(one, f"{-dp * math.log(1 - share):.6g} mm").slip in ("wrong way", "share of layer")


@pytest.mark.parametrize("name", EVERY)
def test_no_hint_gives_the_answer_away(name: str) -> None:
    one = exercise(name, seed=8)
    off = float(one.answer.m) * 7.3
    remark = check_answer(one, one.told(type(one.answer)(off, one.answer.units))).remark
    assert not re.search(r"\d[\d.]* times", remark)
    assert one.told().split()[0] not in remark


def test_slips_asked_for_are_all_among_the_exercises() -> None:
    """Radius against diameter, the area unit, the wrong logarithm, depth without overcure, readings for coupons."""
    remarks = " ".join(s.remark for name in EVERY for s in exercise(name, seed=2).slips)
    for words in (
        "W0 is half the beam diameter",
        "mJ/cm^2 and mJ/mm^2 are mixed up",
        "logarithm to the base ten",
        "overcure is missing",
        "readings were counted",
    ):
        assert words in remarks


def test_units_are_mixed_and_any_of_them_is_taken() -> None:
    texts = " ".join(exercise("line-speed", seed=s).text for s in range(12))
    for unit in (" mm ", " um ", " W", " mW", "mJ/cm^2", "mJ/mm^2"):
        assert unit.strip() in texts
    one = exercise("line-speed", seed=3)
    assert check_answer(one, f"{one.answer.m_as('m/s')} m/s").right
    assert check_answer(one, f"{one.answer.m_as('mm/s') * 1.009} mm/s").right
    assert not check_answer(one, f"{one.answer.m_as('mm/s') * 1.012} mm/s").right


def test_general_slips() -> None:
    one = exercise("retuned-speed", seed=3)
    v = one.answer.m_as("mm/s")
    assert check_answer(one, f"{v / 1000} mm/s").slip == "prefix"
    assert check_answer(one, f"{2 * v} mm/s").slip == "factor of two"
    assert check_answer(one, f"{1.03 * v} mm/s").slip == "rounding"
    assert check_answer(one, f"{-v} mm/s").slip == "sign"
    wrong = check_answer(one, f"{17 * v} mm/s")
    assert wrong.slip == ""
    assert "drift" in wrong.remark


@pytest.mark.parametrize("text", ["", "12", "12 bananas", "1,5 mm/s", "nan mm/s", "2*3 mm/s", "x" * 300])
def test_unreadable_answers_are_refused_not_counted(text: str) -> None:
    with pytest.raises(QuantityError, match="answer"):
        check_answer(exercise("retuned-speed", seed=3), text)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**9), number=st.integers(1, 40))
def test_same_seed_same_sheet_of_rising_grade(seed: int, number: int) -> None:
    sheet = exercises(seed=seed, number=number)
    assert [e.text for e in sheet] == [e.text for e in exercises(seed=seed, number=number)]
    assert [e.number for e in sheet] == list(range(1, number + 1))
    assert [e.grade for e in sheet] == sorted(e.grade for e in sheet)


def test_realistic_ranges() -> None:
    """The draws stay within what is usual in the trade (common practice, no source): Dp 0.05 to 0.3 mm, Ec 2 to 40 mJ/cm^2."""
    for seed in range(200):
        dp, ec, dose = numbers(exercise("cure-depth", seed=seed).text)
        assert 0.05 <= dp <= 0.3
        assert 0.02 <= ec <= 0.4
        assert 1.0 < dose / ec < 12.0


def test_a_radius_is_asked_for_from_the_diameter_and_from_the_width_at_half() -> None:
    assert {exercise("beam-radius", seed=seed).text.split()[1] for seed in range(6)} == {"beam", "data"}


def test_numbers_out_of_all_proportion_are_refused_in_words() -> None:
    bench = replace(invented_bench(), layer_thickness=Quantity(1.0, "m"))
    for name in ("line-speed", "raster-speed", "print-through"):
        with pytest.raises(QuantityError) as told:
            exercise(name, seed=1, bench=bench)
        how = f"the numbers given leave no clear exercise of the kind {name}: check their sizes, or leave them out."
        assert str(told.value) == how


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"grade": 4}, "grade must be 1, 2 or 3"),
        ({"number": 0}, "number must be"),
        ({"number": 201}, "at most 200"),
        ({"lesson": "nonsense"}, "lesson must be one of"),
        ({"lesson": "safety"}, "no exercises of this kind for the lesson safety"),
        ({"seed": -1}, "seed must be"),
    ],
)
def test_bad_requests(given: dict, words: str) -> None:
    with pytest.raises(QuantityError, match=words):
        exercises(**({"seed": 1} | given))


@pytest.mark.slow
def test_worksheet_and_key_say_what_the_exercises_say(tmp_path, capsys) -> None:
    sheet, key = tmp_path / "sheet.pdf", tmp_path / "key.pdf"
    argv = ["practice", "--seed", "11", "--count", "12", "--worksheet", str(sheet), "--answer-key", str(key)]
    assert main(argv) == 0
    assert sheet.read_bytes()[:5] == b"%PDF-"
    first = sheet.read_bytes()
    assert main([*argv, "--overwrite"]) == 0
    assert sheet.read_bytes() == first, "the same seed gives the same bytes"
    import shutil
    import subprocess

    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext here")
    text, solved_text = (
        " ".join(subprocess.run(["pdftotext", "-layout", str(p), "-"], capture_output=True, text=True, check=True).stdout.split())
        for p in (sheet, key)
    )
    for one in exercises(seed=11, number=12):
        told = one.told().replace("^2", "²").replace("um", "µm")
        assert " ".join(one.text.replace("^2", "²").split())[:40] in text.replace("µm", "um")
        assert f"Answer: {told}" in solved_text
        assert f"Answer: {told}" not in text
    assert "lass 4" in text
    assert "eyewear" in solved_text


def test_score_file_counts_and_stays_harmless(tmp_path) -> None:
    path = tmp_path / "scores.csv"
    one = exercise("line-speed", seed=1)
    slip = one.told(next(s.value for s in one.slips if s.name == "without overcure"))
    rows = [(one, text, check_answer(one, text)) for text in (one.told(), slip, slip)]
    add_scores(path, rows, seed=1, learner="=HYPERLINK(1)\n;")
    add_scores(path, rows[:1], seed=1)
    scores = read_scores(path)
    assert scores.answers == {"overcure": 4}
    assert scores.right == {"overcure": 2}
    assert scores.slips == {"without overcure": 2}
    assert "\n=" not in path.read_text() and ",=" not in path.read_text()  # noqa: PT018
    assert "read again: overcure" in scores.text()


@pytest.mark.parametrize("content", [b"", b"a,b\n1,2\n", b"\x00\xff\xfe", b"PK\x03\x04"])
def test_other_files_are_not_taken_for_score_files(tmp_path, content: bytes) -> None:
    path = tmp_path / "other.csv"
    path.write_bytes(content)
    one = exercise("line-speed", seed=1)
    with pytest.raises(FileError, match=r"other\.csv"):
        add_scores(path, [(one, "1 mm/s", check_answer(one, "1 mm/s"))], seed=1)
    assert path.read_bytes() == content


def test_command_checks_answers(capsys, tmp_path) -> None:
    sheet = exercises(seed=3, number=4)
    argv = ["practice", "--seed", "3", "--count", "4"]
    score = tmp_path / "s.csv"
    wrong = sheet[1].told(sheet[1].slips[0].value)
    asked = [*argv, "--answer", f"1={sheet[0].told()}", "--answer", f"2={wrong}", "--score", str(score), "--json"]
    assert main(asked) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["right"] == 1
    assert record["answers"][1]["slip"] == sheet[1].slips[0].name
    assert score.exists()
    assert main([*argv, "--print"]) == 0
    shown = capsys.readouterr().out
    assert sheet[3].told() not in shown
    assert main([*argv, "--json"]) == 0
    assert "answer" not in json.loads(capsys.readouterr().out)["exercises"][0]
    assert main([*argv, "--with-answers", "--json"]) == 0
    assert "answer" in json.loads(capsys.readouterr().out)["exercises"][0]


def test_command_asks(capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    sheet = exercises(seed=3, number=2)
    typed = iter(["rubbish", "1 mm", sheet[0].told(), "", EOFError])

    def said(prompt: str) -> str:
        got = next(typed)
        if got is EOFError:
            raise EOFError
        return str(got)

    monkeypatch.setattr("builtins.input", said)
    assert main(["practice", "--seed", "3", "--count", "2"]) == 0
    out = capsys.readouterr().out
    assert "cannot read 'rubbish'" in out
    assert f"Right: {sheet[0].told()}" in out
    assert f"answer: {sheet[1].told()}" in out
    assert "0 of 1 right at the first try" in out


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["--answer", "9=1 mm"], "1 to 6"),
        (["--answer", "one"], "--answer: cannot read 'one'"),
        (["--answer", "1=1"], "--answer 1"),
        (["--answer", "1=1 mm", "--answer", "1=2 mm"], "answered twice"),
        (["--worksheet", "x.html"], "ends in .pdf"),
        (["--learner", "me"], "--learner belongs to --score"),
        (["--score", "x.txt"], "ends in .csv"),
        (["--seed", "x"], "--seed"),
        (["--count", "2.5"], "--count must be a whole number"),
        (["--grade", "7"], "grade must be"),
    ],
)
def test_bad_options_are_one_line(argv: list[str], words: str, capsys) -> None:
    assert main(["practice", *argv]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1


def test_a_sheet_names_every_file_that_gave_numbers(tmp_path) -> None:
    """In the order in which one overrules another: beam, machine, resin, then what was typed."""
    demo = Path(__file__).parents[2] / "demo"
    beam, machine, resin = tmp_path / "beam.toml", demo / "machine.toml", demo / "resin.toml"
    beam.write_text('schema = 1\nradius_x = "0.1 mm"\nradius_y = "0.1 mm"\nangle = "0 deg"\npower = "200 mW"\n')
    parser = argparse.ArgumentParser()
    add_bench(parser)
    words = ["--machine", str(machine), "--beam", str(beam), "--resin", str(resin), "--hatch-spacing", "0.09 mm"]
    made = bench(parser.parse_args(words))
    assert made.name == f"{beam} and {machine} and {resin} and the values given"
    assert (made.power.m_as("mW"), made.hatch_spacing.m_as("mm")) == (200.0, 0.09)
