"""Pieces of the smaller commands by hand: handbook, practice, bench, demo, paths, stack, window, help."""

import argparse
import dataclasses
import json
import re
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.cli import bench, common, demo, helping, main, manual, page, practice, stack, window
from curecalc.errors import QuantityError
from curecalc.units import Quantity as Q

# ---------------------------------------------------------------- handbook and study paths


def test_the_block_of_the_handbook_is_closed_and_its_faces_look_outwards(tmp_path, capsys):
    """4 x 2 x 0.5 mm: twelve triangles, each edge passed once in either direction, 4 mm^3 by the theorem of Gauss."""
    manual._box(tmp_path / "box.stl")
    corners = np.array(re.findall(r"vertex (\S+) (\S+) (\S+)", (tmp_path / "box.stl").read_text()), float).reshape(-1, 3, 3)
    assert len(corners) == 12
    a, b, c = np.moveaxis(corners, 1, 0)
    assert np.einsum("ij,ij", a, np.cross(b, c)) / 6.0 == pytest.approx(4.0)
    edges = [tuple(map(tuple, (one[k], one[k - 2]))) for one in corners for k in range(3)]
    assert len(set(edges)) == len(edges) == 36
    assert {(end, start) for start, end in edges} == set(edges)
    words = ["paths", str(tmp_path / "box.stl"), "--layer-thickness", "0.1mm", "--hatch-spacing", "0.1mm"]
    assert main([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["layers"] == 5
    assert (found["volume"]["value"], found["greatest_area"]["value"]) == pytest.approx((4.0, 8.0))
    # the contour half a spacing inside: twice 3.9 and 1.9 mm on each of five layers
    contour = next(one for one in found["kinds"] if one["kind"] == "contour")
    assert (contour["length"]["value"], contour["longest"]["value"]) == pytest.approx((5 * 2 * (3.9 + 1.9), 3.9))
    assert main([*words, "--contour-offset", "0mm"]) == 0
    assert re.search(r"contour +20 vectors, 0\.06 m, the longest 4 mm", capsys.readouterr().out)
    hatch = [(more, next(k for k in kinds(words, more, capsys) if k["kind"] == "hatch")) for more in ([], ["--hatch-offset", "0.1mm"])]
    assert hatch[0][1] == hatch[1][1]
    for name in ("--contour-offset", "--hatch-offset"):
        assert main([*words, name, "-0.01mm"]) == 2
        assert f"{name} must not be below zero" in capsys.readouterr().err


def kinds(words, more, capsys):
    assert main([*words, *more, "--json"]) == 0
    return json.loads(capsys.readouterr().out)["kinds"]


def test_examples_of_the_handbook(monkeypatch):
    """One for each command that has one; an answer is cut after seventy lines; the page, which would not end, is only named."""
    ran = []

    def run(words, also):
        ran.append((words, also))
        return "\n".join(f"line {k}" for k in range(71 if words[0] == "depth" else 70))

    monkeypatch.setattr(demo, "run_command", run)
    monkeypatch.setattr("curecalc.cli.COMMANDS", {name: ("", f"what {name} does") for name in ("depth", "speed", "page", "new", "demo")})
    told = list(manual._commands())
    assert [text for kind, text in told if kind == "title"] == [f"curecalc {name}" for name in ("depth", "speed", "page", "new", "demo")]
    assert told[1] == ("text", "What depth does.")
    codes = [text.splitlines() for kind, text in told if kind == "code"]
    assert [(len(lines), lines[-1]) for lines in codes[:2]] == [(71, "..."), (70, "line 69")]
    assert codes[2][0].startswith("$ curecalc page --machine")
    assert [words[0] for words, _ in ran] == ["depth", "speed", "new"]
    assert {also for _, also in ran} == {(1, 3)}  # what is due and what cannot be are answers too
    assert ran[0][0] == ["depth", *helping.COMMON["depth"][0].split()]


def test_keys_and_guides_of_the_handbook():
    field = {"help": "what", "fields": {}, "required": True, "sample": lambda: '"3 mW"'}
    inner = SimpleNamespace(**(field | {"required": False}))
    outer = SimpleNamespace(**(field | {"fields": {"power": inner}}))
    assert list(manual._keys({"laser": outer, "name": SimpleNamespace(**field)})) == [
        ("laser", "what", "", "needed"),
        ("laser.power", "what", '"3 mW"', ""),
        ("name", "what", '"3 mW"', "needed"),
    ]
    text = 'TOML; a value is a number and a unit in quotes, and may carry a standard uncertainty: "300 mW +- 2 %".'
    assert next(manual._files()) == ("text", text)
    assert [name for kind, name in manual._tables() if kind == "title"] == ["Coupons", "Scans, images, power readings", "Scan paths"]
    kinds = [kind for kind, _ in manual._guides()]
    assert kinds[0] == "title"
    assert {"title", "text", "code"} == set(kinds)


def test_the_record_in_the_handbook(monkeypatch):
    for name in ("_guides", "_commands", "_files", "_tables", "_statistics"):
        monkeypatch.setattr(manual, name, lambda: iter(()))
    monkeypatch.setattr(manual, "_documented", lambda *_: iter(()))
    told = {"source": "book", "locator": "p. 3", "tag": "read", "published": 1.5}
    outcomes = [SimpleNamespace(id=name, obtained=(1 / 3, 2.0), agrees=agrees, **told) for name, agrees in (("a", True), ("b", False))]
    report = SimpleNamespace(outcomes=outcomes, versions={"numpy": "2", "scipy": "1"}, date="2026-01-31")
    monkeypatch.setattr("curecalc.validation.validate", lambda: report)
    title, head, chapters = manual._gathered()
    assert head.endswith(": exposure settings for laser-scanned vat photopolymerization. Readable offline; made by `curecalc manual`.")
    titles = ("Cautions", "Guides", "Commands", "Files", "Tables", "Formulas", "Statistics", "Words", "Python")
    assert tuple(one.title for one in chapters) == (*titles, "Validation record of this installation")
    assert chapters[2].blocks == (("text", "Every example was run for this handbook, on invented data."),)
    (_, counts), (_, (_, rows)) = chapters[-1].blocks
    assert (title, counts) == ("Handbook", "2 outside checks, 1 agree. 2026-01-31; numpy 2, scipy 1.")
    assert rows == [("a", "book, p. 3 (read)", "1.5", "0.33333333, 2", "yes"), ("b", "book, p. 3 (read)", "1.5", "0.33333333, 2", "NO")]


# ---------------------------------------------------------------- practice, bench, demo


def exercise(number, right):
    verdict = SimpleNamespace(right=right, remark=f"{'Right' if right else 'Wrong'}: {number}", to_dict=lambda: {"right": right})
    return SimpleNamespace(number=number, grade=2, lesson="line", text="how deep", steps=(), told=lambda: f"{number} mm", verdict=verdict)


BLANK = {"score": None, "learner": None, "json": False, "answer": []}


@pytest.fixture
def checked(monkeypatch):
    kept = []

    def check(one, text):
        if text == "rubbish":
            raise QuantityError("answer: cannot read 'rubbish'.")
        return SimpleNamespace(**(vars(one.verdict) | ({"right": True, "remark": "Right at last"} if text == "better" else {})))

    monkeypatch.setattr("curecalc.lessons.exercises.check_answer", check)
    monkeypatch.setattr(
        "curecalc.lessons.scores.add_scores", lambda file, rows, seed, learner: kept.append((file, len(rows), seed, learner))
    )
    monkeypatch.setattr("curecalc.lessons.scores.read_scores", lambda file: SimpleNamespace(text=lambda: "the whole score"))
    return kept


def test_the_first_try_counts_and_an_empty_line_shows_the_way(checked, monkeypatch, capsys):
    typed = iter(["rubbish", "x", "better", "", "y"])

    def said(prompt):
        if (text := next(typed, None)) is None:
            raise EOFError
        return text

    monkeypatch.setattr("builtins.input", said)
    sheet = [exercise(1, False), exercise(2, True), exercise(3, True), exercise(4, True)]
    assert practice._asked(argparse.Namespace(**(BLANK | {"score": "s.csv"})), sheet, 7) == 0
    lines = capsys.readouterr().out.splitlines()
    for said in (
        "answer: cannot read 'rubbish'.",
        "Wrong: 1",
        "Right at last",
        "answer: 2 mm",
        "Right: 3",
        "1 of 2 right at the first try",
    ):
        assert lines.count(said) == 1, said
    assert lines[-1] == "the whole score"
    assert checked == [("s.csv", 2, 7, "")]


def test_answers_given_as_options(checked, capsys):
    sheet = [exercise(1, False), exercise(2, True), exercise(3, True)]
    args = argparse.Namespace(**(BLANK | {"answer": [" 3 = 1 mm", "1=x"]}))
    assert practice._checked(args, sheet, 7) == 0
    assert capsys.readouterr().out.splitlines() == ["1. Wrong: 1", "3. Right: 3", "", "1 of 2 right at the first try"]
    args.json = True
    practice._checked(args, sheet, 7)
    found = json.loads(capsys.readouterr().out)
    assert (found["seed"], found["right"]) == (7, 1)
    assert [(one["number"], one["answer"]) for one in found["answers"]] == [(1, "x"), (3, "1 mm")]
    for texts, said in (
        (["0=1"], "cannot read"),
        (["4=1"], "1 to 3"),
        (["1=x", "1=y"], "exercise 1 is answered twice"),
        (["2=rubbish"], "--answer 2: cannot"),
    ):
        args.answer = texts
        with pytest.raises(QuantityError, match=said):
            practice._checked(args, sheet, 7)
    assert checked == []
    practice._total(args, [])
    assert capsys.readouterr().out == ""


def test_whose_numbers_lessons_use(monkeypatch):
    from curecalc.lessons.bench import invented_bench

    def made(words):
        parser = common.CommandParser(prog="lesson")
        bench.add_bench(parser)
        args = parser.parse_args(words.split())
        return bench.bench_given(args), bench.bench(args)

    plain = invented_bench()
    assert made("") == (False, plain)
    given, one = made(
        "--power 1mW --wavelength 405nm --beam-radius 0.2mm --hatch-spacing 0.07mm --overcure 0.01mm --critical-exposure 5mJ/cm2"
    )
    assert given
    assert one.name == "the values given"
    assert (one.beam.wavelength.m_as("nm"), one.resin.wavelength.m_as("nm")) == (405.0, 405.0)
    assert (one.beam.radius_x.value.m_as("mm"), one.beam.radius_y) == (0.2, None)
    assert (one.hatch_spacing.m_as("mm"), one.overcure.m_as("mm")) == (0.07, 0.01)
    assert (one.resin.critical_exposure.value.m_as("mJ/cm^2"), one.resin.correlation) == (pytest.approx(5.0), 0.0)
    assert one.resin.penetration_depth == plain.resin.penetration_depth
    # a resin file knows its wavelength, which also is the beam's and none other
    resin = dataclasses.replace(plain.resin, wavelength=Q(375.0, "nm"))
    monkeypatch.setattr("curecalc.cli.setting._resin_from_file", lambda path: resin)
    _, one = made("--resin r.toml")
    assert (one.name, one.beam.wavelength.m_as("nm"), one.resin) == ("r.toml", 375.0, resin)
    with pytest.raises(QuantityError, match="they do not belong together"):
        made("--resin r.toml --wavelength 405nm")
    for words in ("--machine m.toml", "--beam b.toml", "--resin r.toml", "--overcure 0mm"):
        parser = common.CommandParser(prog="lesson")
        bench.add_bench(parser)
        assert bench.bench_given(parser.parse_args(words.split()))


def test_a_sheet_says_how_it_is_made_again(monkeypatch):
    written = []
    monkeypatch.setattr("curecalc.sheets.worksheet", lambda sheet, note: f"sheet: {note}")
    monkeypatch.setattr("curecalc.sheets.answer_key", lambda sheet, note: f"key: {note}")
    monkeypatch.setattr(practice, "write_target", lambda args, name, content: written.append((name, content)))
    note = "Sheet made from seed 7. The same seed and options give the same sheet and key."
    for worksheet, key, made in (
        ("w.pdf", None, ["worksheet"]),
        (None, "k.pdf", ["answer_key"]),
        ("w.pdf", "k.pdf", ["worksheet", "answer_key"]),
    ):
        written.clear()
        practice._print_pdf(argparse.Namespace(worksheet=worksheet, answer_key=key), [], 7)
        assert written == [(name, {"worksheet": "sheet: ", "answer_key": "key: "}[name] + note) for name in made]


# ---------------------------------------------------------------- stack, window, page, help


def layers(**values):
    plain = {
        "layers": 7,
        "single_depth": Q(0.15, "mm"),
        "own_exposure": Q(12.0, "mJ/cm^2"),
        "interface_exposure": Q(20.0, "mJ/cm^2"),
        "print_through": Q(0.2, "mm"),
        "standard_uncertainty": {"print_through": Q(0.01, "mm")},
        "print_through_range": (Q(0.2, "mm"), Q(0.2, "mm")),
        "compensation_layers": 2,
        "choices": ((1, Q(0.05, "mm")), (2, Q(-0.05, "mm")), (3, Q(0.0, "mm"))),
        "sensitivity": {"layer_thickness": Q(-0.0012345, "mm"), "power": Q(0.001, "mm"), "spot": Q(0.0, "mm")},
        "warnings": ("odd",),
    }
    return SimpleNamespace(**(plain | values))


def test_a_stack_as_text():
    rows = stack._text(layers()).splitlines()
    assert rows == [
        "layers                                           7",
        "cure depth of one exposure                       0.15 mm",
        "exposure at a layer's bottom, own layer only     12 mJ/cm^2",
        "exposure at a layer's bottom, after all layers   20 mJ/cm^2",
        "print-through below a down-facing face           0.200 +- 0.010 mm",
        "layers to leave out at that face                 2",
        "   leaving out 1                                 0.05 mm of print-through remains",
        "   leaving out 2                                 the face ends 0.05 mm too high",
        "   leaving out 3                                 the face ends 0 mm too high",
        "",
        "1 % more of this moves the print-through by",
        "  layer thickness   -0.00123 mm",
        "  power             +0.001 mm",
        "  spot              0 mm",
        "",
        "note: odd",
    ]
    text = stack._text(layers(layers=float("inf"), print_through_range=(Q(0.1, "mm"), Q(0.25, "mm"))))
    assert text.startswith("layers                                           many\n")
    assert "   from the weakest to the strongest place       0.10 to 0.25 mm\n" in text


def test_a_window_as_text():
    """Rows upwards, the greatest value first; a star where all limits hold."""
    vector = SimpleNamespace(kind="hatch", assurance_asked=0.95)
    found = SimpleNamespace(
        vector=vector,
        across="scan_speed",
        up="hatch_spacing",
        x=[1000.0, 2000.0],
        y=[0.1, 0.2],
        chosen=(1500.0, 0.15),
        inside=[[True, False], [False, True]],
        cure_depth=[[0.2, 0.15], [0.123456, 0.1]],
    )
    assert window._text(found).splitlines() == [
        "hatch: cure depth of the weakest place (mm); * inside all limits and 95 % assured",
        "across scan speed (mm/s), up hatch spacing (mm)",
        "",
        "0.2  0.1235   0.1000*",
        "0.1  0.2000*  0.1500",
        "        1000     2000",
        "",
        "chosen: 1500 mm/s, 0.15 mm",
    ]


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (None, None, None),
        ("1 m/s", "2 m/s", (1000.0, 2000.0)),
        ("1 m/s", None, "--across-to is missing"),
        (None, "1 m/s", "--across-from is missing"),
        ("1 m/s", "1 m/s", "--across-to must be above --across-from"),
        ("0 m/s", "1 m/s", "--across-from must"),
    ],
)
def test_the_ends_of_an_axis(low, high, told):
    if isinstance(told, str):
        with pytest.raises(QuantityError, match=told):
            window._range("across", "scan_speed", low, high)
    else:
        found = window._range("across", "scan_speed", low, high)
        assert (found and tuple(end.m_as("mm/s") for end in found)) == (told and pytest.approx(told))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--write", "--write belongs to --log"),
        ("--host-name a", "--host-name belongs to --host"),
        ("--person a", "--person belongs to --host"),
        ("--certificate-key k", "--certificate-key belongs to --certificate"),
        ("--certificate c --proxy p", "--certificate and --proxy"),
        ("--needs n --overcure 0mm", "--overcure and --needs"),
        ("--machine m --beam b", "--beam and --machine"),
        ("--port 1 --host 0.0.0.0 --host-name a --person b", None),
        ("--proxy 10.0.0.1 --person b", None),
    ],
)
def test_how_the_page_is_started(monkeypatch, words, said):
    served = []
    monkeypatch.setattr("curecalc.page.serve", lambda options, **where: served.append((options, where)))
    monkeypatch.setattr("curecalc.page.names_of", lambda host: (f"names of {host}",))
    monkeypatch.setattr(page, "_stop_on_terminate", lambda: None)
    parser = common.CommandParser(prog="page")
    page.add_arguments(parser)
    args = parser.parse_args(words.split())
    if said:
        with pytest.raises(QuantityError, match=said):
            page.run(args)
        return
    assert page.run(args) == 0
    ((options, where),) = served
    assert list(options.codes.codes) == ["b"]
    assert options.bench is None
    if "--proxy" in words:
        assert (where["host"], where["proxy"], options.hosts) == ("127.0.0.1", "10.0.0.1", ("names of 127.0.0.1",))
    else:
        assert (where["host"], where["port"], options.hosts) == ("0.0.0.0", 1, ("names of 0.0.0.0", "a"))


@pytest.mark.parametrize(("host", "codes"), [("", False), ("--host localhost", False), ("--host ::1", False), ("--host 10.0.0.1", True)])
def test_who_is_asked_for_a_code(monkeypatch, capsys, host, codes):
    served = []
    monkeypatch.setattr("curecalc.page.serve", lambda options, **where: served.append(options))
    monkeypatch.setattr(page, "_stop_on_terminate", lambda: None)
    parser = common.CommandParser(prog="page")
    page.add_arguments(parser)
    page.run(parser.parse_args(host.split()))
    assert (served[0].codes is not None) is codes
    assert ("Access code for the next browser: " in capsys.readouterr().err) is codes
