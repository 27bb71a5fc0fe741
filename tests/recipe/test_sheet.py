"""The recipe's sheet: all of it on paper, one meaning of the sign before an uncertainty, a proof coupon with its limits."""

import copy
import hashlib
import math
from pathlib import Path

import pytest
from sampling import few

from curecalc import FileError
from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.recipe.recipe import make_recipe
from curecalc.sheets import recipe_pdf, recipe_view

pytest.importorskip("fpdf")
DEMO = Path(__file__).resolve().parents[2] / "demo"
READERS = {"machine": read_machine, "resin": read_resin, "needs": read_needs}
PNG = (DEMO / "beam_image.png").read_bytes()  # any picture: what is drawn in it is not the matter here


def drawn(record, monkeypatch):
    """Pages of the sheet, and all text that was put on them."""
    from fpdf import FPDF

    said, lowest = [], [0.0]
    for name in ("cell", "multi_cell"):
        own = getattr(FPDF, name)

        def put(self, *args, own=own, **named):
            said.extend(a for a in (*args, named.get("text")) if isinstance(a, str))
            out = own(self, *args, **named)
            lowest[0] = max(lowest[0], self.get_y())
            return out

        monkeypatch.setattr(FPDF, name, put)
    from curecalc.sheets import pdf_page

    pages = []
    finish = pdf_page.pdf_bytes
    monkeypatch.setattr(pdf_page, "pdf_bytes", lambda pdf: (pages.append(pdf.page_no()), finish(pdf))[1])
    data = recipe_pdf(record, PNG)
    assert data.startswith(b"%PDF")
    assert lowest[0] <= 285.5  # twelve millimetres above the edge
    return pages[0], "".join("".join(said).split())


@pytest.fixture(scope="module")
def recipe():
    files = {
        "machine": read_machine(DEMO / "machine.toml"),
        "resin": read_resin(DEMO / "resin.toml"),
        "needs": read_needs(DEMO / "needs.toml"),
    }
    return make_recipe(**files)


def words(view):
    if isinstance(view, str):
        yield view
    else:
        for one in view.values() if isinstance(view, dict) else view:
            yield from words(one)


@pytest.mark.parametrize(("kinds", "warnings", "pages"), few([(16, 12, 2), (1, 0, 1), (5, 2, 1), (40, 60, 3)], 4))
@pytest.mark.slow
def test_nothing_is_dropped_however_long(recipe, monkeypatch, kinds, warnings, pages):
    record = copy.deepcopy(recipe.to_dict())
    five = record["vectors"]
    record["vectors"] = [five[i % 5] | {"kind": five[i % 5]["kind"] + f" {i}" * (i > 4) + "x" * (i == 7) * 60} for i in range(kinds)]
    record["warnings"] = [f"warning {i}: " + "what a shop should look at before it builds, in a line; " * 2 for i in range(warnings)]
    found, text = drawn(record, monkeypatch)
    assert found >= pages
    assert found == 1 or pages > 1
    for said in words(recipe_view(record)):
        assert "".join(said.split()) in text, said


def test_a_sign_without_a_letter_is_refused_before_it_becomes_a_box(recipe):
    record = recipe.to_dict() | {"name": "\u0e0a\u0e31\u0e49\u0e19"}  # Thai: layer
    with pytest.raises(FileError, match=r": the font of PDF sheets has no '.'\. Save the sheet as \.html: browsers have more fonts\.$"):
        recipe_pdf(record, PNG)
    recipe_pdf(
        recipe.to_dict() | {"name": "\u0441\u043b\u043e\u0439 \u03c3\u03c4\u03c1\u03ce\u03bc\u03b1 \u0637\u0628\u0642\u0629"}, PNG
    )  # Cyrillic, Greek, Arabic


def test_one_standard_uncertainty_stands_behind_the_sign(recipe):
    view = recipe_view(recipe.to_dict())
    assert view["spread"] == "Behind ± stands one standard uncertainty, everywhere on this sheet."
    line = next(v for v in recipe.vectors if v.pattern == "line")
    shown = next(row for row in view["effects"] if row[0] == line.kind)[1].split(" ± ")
    assert float(shown[1]) == pytest.approx(line.line_width_expanded_uncertainty.m_as("mm") / 2.0, rel=0.05)


def test_the_proof_coupon_reads_as_the_working_curve_says(recipe):
    # mean exposure P/(v h) of a raster, depth Dp ln(E/Ec) (Jacobs 1992, chapter 4)
    v, resin = recipe.main, recipe.lot.resin
    exposure = float((v.power / (v.scan_speed * v.hatch_spacing)).m_as("mJ/cm^2")) * v.passes
    dp, ec = (float(q.value.m_as(u)) for q, u in ((resin.penetration_depth, "mm"), (resin.critical_exposure, "mJ/cm^2")))
    assert v.coupon_thickness.m_as("mm") == pytest.approx(dp * math.log(exposure / ec), rel=1e-9)
    # at least the scatter of coupons and the power since its reading, two-sided at 95 % of a normal distribution
    least = 1.96 * math.hypot(recipe.lot.coupon_sd.m_as("mm"), dp * float(recipe.machine.power.relative))
    assert least <= v.coupon_high.m_as("mm") - v.coupon_thickness.m_as("mm") <= 4.0 * least
    assert recipe_view(recipe.to_dict())["proof"].startswith(
        f"Proof coupon: expose one free layer with the settings of {v.kind}. Expected 0."
    )


def test_power_as_a_share_and_the_day_the_reading_runs_out(recipe):
    record = recipe.to_dict()
    record["machine"] |= {"power_held": False, "power_reading_date": "2026-03-01"}
    row = recipe_view(record)["settings"][0]
    assert row[2].endswith(f" ({100.0 * record['vectors'][0]['power_share']:.1f} %)")
    assert dict(recipe_view(record)["head"])["valid until"].startswith(recipe.machine.reading_valid_until.isoformat())
    days = (recipe.machine.reading_valid_until - recipe.machine.power_reading_date).days
    assert days == round(float(recipe.machine.power_reading_valid_for.m_as("day")))


def test_what_is_assumed_follows_the_machine_file(recipe):
    assert any("from 1 beam radii inside the ends of a vector" in one for one in recipe.to_dict()["assumptions"])


@pytest.mark.slow
def test_a_retuned_sheet_says_so_and_what_it_takes_the_place_of(tmp_path, capsys):
    from curecalc.cli import main

    files = [part for kind in READERS for part in (f"--{kind}", str(DEMO / f"{kind}.toml"))]
    first, again = tmp_path / "first.html", tmp_path / "again.html"
    assert main(["recipe", *files, "--save", str(tmp_path / "r.json"), "--sheet", str(first)]) == 0
    assert main(["retune", str(tmp_path / "r.json"), "--power", "230 mW", "--sheet", str(again)]) == 0
    capsys.readouterr()
    assert "in place of" not in first.read_text(encoding="utf-8")
    digest = hashlib.sha256((tmp_path / "r.json").read_bytes()).hexdigest()
    assert f"in place of r.json {digest[:8]}" in again.read_text(encoding="utf-8")
