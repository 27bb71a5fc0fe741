"""The handbook holds what is declared, once each, and needs nothing from elsewhere."""

import html
import re

import pytest

import curecalc
from curecalc.calibration.columns import COLUMNS
from curecalc.cautions import CAUTIONS
from curecalc.cli import COMMANDS, main
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


@pytest.mark.slow
def test_as_pdf(tmp_path):
    from curecalc.sheets.handbook import Chapter, handbook_pdf

    blocks = (("text", "a text"), ("title", "a title"), ("code", "a  =  b"), ("caution", "care"), ("table", (("x", "y"), [("1", "2")])))
    data = handbook_pdf("Handbook", "head", [Chapter("one", blocks), Chapter("two", (("text", "more " * 4000),))])
    assert data.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b", data)) >= 3
