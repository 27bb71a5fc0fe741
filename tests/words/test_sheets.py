"""What stands on sheets that people print or keep, word for word; figures masked."""

import sys
from pathlib import Path

import pytest

from curecalc.calibration.coupons import coupons_from_bytes
from curecalc.calibration.curve import fit_coupons
from curecalc.calibration.planning import plan_coupons
from curecalc.errors import CurecalcError
from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.lessons.exercises import exercises
from curecalc.recipe.recipe import make_recipe
from curecalc.sheets import fonts, pdf_page, practice_sheet
from curecalc.sheets.fit_report import fit_sheets
from curecalc.sheets.handbook import Chapter, handbook_html, handbook_pdf
from curecalc.sheets.pdf_page import recipe_pdf
from curecalc.sheets.practice_sheet import answer_key, worksheet
from curecalc.sheets.recipe_sheet import recipe_csv, recipe_html, recipe_view
from curecalc.sheets.run_sheet import coupon_csv, run_sheet_html, run_sheet_text
from curecalc.units import Quantity as Q

from .browsing import Words
from .test_words import DEMO, REWRITE, WRITE, masked

FPDF = pytest.importorskip("fpdf").FPDF
FILE = Path(__file__).with_name("sheets.txt")
PNG = (DEMO / "beam_image.png").read_bytes()


@pytest.fixture
def printed(monkeypatch):
    """Every text that a maker of PDF puts on paper, once; the bytes themselves are not made."""
    said = []
    for own in (FPDF.cell, FPDF.multi_cell):

        def put(self, *given, own=own, **named):
            said.extend(text for text in (*given, named.get("text")) if isinstance(text, str))
            return own(self, *given, **named)

        monkeypatch.setattr(FPDF, own.__name__, put)
    image = FPDF.image
    monkeypatch.setattr(FPDF, "image", lambda self, *given, **named: (said.append(named["alt_text"]), image(self, *given, **named))[1])
    for room in (pdf_page, practice_sheet):
        monkeypatch.setattr(room, "pdf_bytes", fonts.close_fonts)

    def rows(make, *given, **named):
        said.clear()
        make(*given, **named)
        return "\n".join(dict.fromkeys(said))

    return rows


def plans():
    """A plan for a machine, and one by exposures alone."""
    held = {"penetration_depth": Q(0.14, "mm"), "critical_exposure": Q(9.0, "mJ/cm^2"), "coupons": 3, "levels": 3}
    return plan_coupons(**held, power=Q(240.0, "mW"), hatch_spacing=Q(0.1, "mm")), plan_coupons(**held)


def records():
    """A recipe's JSON object, and one that says all else a sheet may say."""
    files = (read_machine(DEMO / "machine.toml"), read_resin(DEMO / "resin.toml"), read_needs(DEMO / "needs.toml"))
    made = make_recipe(**dict(zip(("machine", "resin", "needs"), files)))
    plain, other = made.to_dict(), made.to_dict()
    other["resin"] |= {"verified": False}
    other["machine"] |= {"power_held": False, "spot_measurement": "scan of today"}
    other["rates"] |= {"mass_per_hour": other["rates"]["volume_per_hour"]}
    other["vectors"][0] |= {"cross_hatch": True}
    other["seam"]["hatch_line_ends"]["value"] = 0.01
    return plain, other | {"assured_for": "mean", "log_entry": 3, "log_sha256": "ab12", "retuned_from": {"path": "r.json", "sha256": "1"}}


def chapters():
    """One of each block."""
    blocks = (("text", "Said."), ("code", "typed"), ("title", "Under it"), ("caution", "Look."), ("table", (("a", "b"), (("1", "2"),))))
    return [Chapter("First", blocks)]


@pytest.fixture
def sheets(printed):
    """Name and text of every kind of sheet."""
    plan, by_exposure = plans()
    plain, other = records()
    three, note = exercises(seed=1, number=3), "Made for a class."
    name = "coupons_lot_7.csv"
    report = fit_sheets(fit_coupons(coupons_from_bytes(name, (DEMO / name).read_bytes()), at_depth=[Q(0.18, "mm")]).to_dict())
    return {
        "run sheet": run_sheet_html(plan),
        "run sheet, exposures alone": str(Words(run_sheet_html(by_exposure))),
        "run sheet as text": run_sheet_text(plan),
        "coupon table": coupon_csv(by_exposure, names={"resin": "some", "lot": "", "machine": "one"}),
        "recipe, PDF": printed(recipe_pdf, plain, PNG),
        "recipe, HTML": str(Words(recipe_html(plain, "<svg></svg>"))),
        "recipe, CSV": recipe_csv(other).partition("\n")[0],
        "recipe of other files": "\n".join(f"{name}: {text}" for name, text in recipe_view(other).items()),
        "worksheet": printed(worksheet, three, note=note),
        "answer key": printed(answer_key, three, note=note),
        "fit": "\n".join(f"{sheet}: {rows[0]}\n" + "\n".join(str(row[0]) for row in rows[1:]) for sheet, rows in report.items()),
        "handbook": handbook_html("Title", "Head.", chapters()),
    }


def test_every_word_of_every_sheet(sheets):
    now = "\n".join(f"== {name}\n{masked(text).strip()}\n" for name, text in sheets.items())
    if WRITE:
        FILE.write_text(now, encoding="utf-8")
    assert now == FILE.read_text(encoding="utf-8"), REWRITE


@pytest.mark.parametrize(
    ("library", "make", "given", "what"),
    [
        ("fpdf", lambda: recipe_pdf(records()[0], PNG), (), "a PDF sheet needs one more package."),
        ("fpdf", handbook_pdf, ("", "", []), "a PDF handbook needs one more package."),
        ("fpdf", worksheet, (exercises(seed=1, number=1),), "a PDF sheet needs one more package."),
        ("jinja2", recipe_html, ({}, ""), "an HTML sheet needs one more package."),
    ],
)
def test_the_package_that_is_missing_is_named(monkeypatch, library, make, given, what):
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(CurecalcError) as told:
        make(*given)
    assert str(told.value) == f"{what} Install it with: pip install 'curecalc[pdf]'"
