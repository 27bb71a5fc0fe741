"""The handbook holds what is declared, once each, and needs nothing from elsewhere."""

import html
import re

import pytest

import curecalc
from curecalc.calibration.columns import COLUMNS
from curecalc.cautions import CAUTIONS
from curecalc.cli import COMMANDS, main, manual
from curecalc.jobs.machine import MACHINE
from curecalc.jobs.needs import NEEDS
from curecalc.validation import load_checks, reference_folder


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("manual")
    assert main(["manual", str(folder / "h.html")]) == 0
    return folder


@pytest.mark.slow
def test_it_holds_every_command_key_column_formula_and_check(pages):
    text = html.unescape((pages / "h.html").read_text(encoding="utf-8"))
    assert all(f"<h3>curecalc {name}</h3>" in text for name in COMMANDS)
    assert all(f"$ curecalc {name}" in text for name in COMMANDS if name not in ("demo", "manual"))
    assert all(f"<td>{key}</td>" in text for file in (MACHINE, NEEDS) for key in file.schema.fields)
    assert all(re.search(rf"(?:^|>){name}\b", text, re.M) for name in COLUMNS)
    assert all(f"<h3>{name}</h3>" in text for names in curecalc.PUBLIC["formulas"].values() for name in names.split())
    assert all(caution in text for caution in CAUTIONS)
    assert all(f"<td>{check['id']}</td>" in text for check in load_checks(reference_folder()))
    assert text.count("<td>NO</td>") == 0
    assert "Traceback" not in text
    # the worked example of the README, 880.6 mm/s by hand
    assert re.search(r"scan speed +880\.6 mm/s", text)


@pytest.mark.slow
def test_it_can_be_read_offline_and_hides_where_it_was_made(pages):
    text = (pages / "h.html").read_text(encoding="utf-8")
    assert not re.search(r"(?:src|href)\s*=\s*['\"](?!#)", text)
    assert not re.search(r"url\(|@import|<script", text)
    assert str(pages) not in text
    assert "/tmp/" not in text
    ids = re.findall(r'id="(c\d+)"', text)
    assert [f"#{i}" for i in ids] == re.findall(r'href="(#c\d+)"', text)


@pytest.mark.parametrize("count", [70, 71])
def test_an_answer_of_over_seventy_lines_is_cut(monkeypatch, count):
    asked = []
    monkeypatch.setattr("curecalc.cli.demo.run_command", lambda words, also: asked.append((words, also)) or "line\n" * count)
    blocks = list(manual._commands())
    assert {text for kind, text in blocks if kind == "code" and not text.startswith("$")} == {
        "line\n" * 69 + "line" + "\n..." * (count - 70)
    }
    # exit status 1 is of a chart or a check that finds something, 3 of a question without an answer
    assert (["validate"], (1, 3)) in asked
    assert ("text", f"{COMMANDS['validate'][1][0].upper()}{COMMANDS['validate'][1][1:]}.") in blocks


@pytest.mark.slow
def test_as_pdf(tmp_path):
    from curecalc.sheets.handbook import Chapter, handbook_pdf

    blocks = (("text", "a text"), ("title", "a title"), ("code", "a  =  b"), ("caution", "care"), ("table", (("x", "y"), [("1", "2")])))
    data = handbook_pdf("Handbook", "head", [Chapter("one", blocks), Chapter("two", (("text", "more " * 4000),))])
    assert data.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b", data)) >= 3
