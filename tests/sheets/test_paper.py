"""Paper: room around it, sizes of type, columns as wide as their words, room to work in; nothing broken that fits."""

import math
from pathlib import Path
from types import SimpleNamespace

import pytest

from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.lessons.exercises import exercises
from curecalc.recipe.recipe import make_recipe
from curecalc.sheets import handbook, paper, pdf_page
from curecalc.sheets.fonts import close_fonts
from curecalc.sheets.handbook import Chapter, handbook_pdf
from curecalc.sheets.pdf_page import recipe_pdf
from curecalc.sheets.practice_sheet import answer_key, worksheet

FPDF = pytest.importorskip("fpdf").FPDF
DEMO = Path(__file__).parents[2] / "demo"
PNG = (DEMO / "beam_image.png").read_bytes()
POINT = 25.4 / 72.0  # mm


@pytest.fixture
def asked(monkeypatch):
    """Sizes of type that were asked for, spaces between, and the finished documents."""
    kept = SimpleNamespace(sizes=set(), spaces=[], pages=[], images=[])
    for name, note in (
        ("set_font", lambda pdf, *given, **named: kept.sizes.add((*given, *named.values())[2])),
        ("ln", lambda pdf, *given: kept.spaces.extend(given)),
        ("output", lambda pdf: kept.pages.append(pdf.pages_count)),
        ("image", lambda pdf, *given, w, **named: kept.images.append(w)),
    ):
        own = getattr(FPDF, name)

        def noted(pdf, *given, own=own, note=note, **named):
            note(pdf, *given, **named)
            return own(pdf, *given, **named)

        monkeypatch.setattr(FPDF, name, noted)
    return kept


def test_paper_is_a4_with_twelve_millimetres_around_or_twice_as_much_above_a_foot():
    for foot, below in (("", 12.0), ("Care.", 24.0)):
        pdf = paper.blank("t", "sheet", foot=foot)
        sides = (pdf.w, pdf.h, pdf.l_margin, pdf.r_margin, pdf.t_margin, pdf.b_margin)
        assert sides == pytest.approx((210.0, 297.0, 12.0, 12.0, 12.0, below), abs=0.1)
        paper.put(pdf, "one line", 10.0)
        assert (pdf.get_x(), pdf.get_y()) == pytest.approx((12.0, 12.0 + 12.0 * POINT), abs=1e-2)  # of 10 points, lines of 12
        close_fonts(pdf)


def test_a_head_stands_on_all_pages_but_the_first_and_a_foot_on_all(monkeypatch):
    said = []
    monkeypatch.setattr(paper, "put", lambda pdf, text, size, style="": said.append((text, size, pdf.get_y())))
    pdf = paper.blank("t", "sheet", head="Recipe", foot="Care.")
    pdf.add_page()
    pdf.add_page()
    assert [text for text, _, _ in said] == ["Care. Page 1 of {nb}.", "Recipe, page 2", "Care. Page 2 of {nb}.", "Recipe, page 3"]
    assert [size for _, size, _ in said] == [7.5, 10.0, 7.5, 10.0]
    assert said[0][2] == pytest.approx(297.0 - 24.0, abs=0.1)
    close_fonts(pdf)


def test_columns_hold_their_widest_word_and_share_the_rest_by_the_root_of_their_length():
    """Words as wide as they are long, a margin of one on both sides of a cell, a hundred in all."""
    made = SimpleNamespace(rows=[], named={})

    class Table:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

        def row(self):
            made.rows.append([])
            return SimpleNamespace(cell=lambda text, style: made.rows[-1].append((text, style)))

    def table(**named):
        made.named = named
        return Table()

    pdf = SimpleNamespace(get_string_width=len, c_margin=1.0, epw=100.0, font_size=4.0, set_font=lambda *_: None, table=table)
    rows = (("speed", "by"), ("mm/s", ""), ("2500", "one or both"))
    paper.table(pdf, rows, 10.0, heads=2, large="speed")
    least = (2.0 + 1.5 * 5.0, 2.0 + 4.0)
    spare, long = 100.0 - sum(least), (math.sqrt(5.0), math.sqrt(11.0))
    assert made.named["col_widths"] == pytest.approx([w + spare * more / sum(long) for w, more in zip(least, long)])
    assert (made.named["line_height"], made.named["num_heading_rows"], made.named["padding"]) == (pytest.approx(4.8), 2, 1.0)
    assert [[text for text, _ in row] for row in made.rows] == [list(row) for row in rows]
    styled = [[style is not None for _, style in row] for row in made.rows]
    assert styled == [[False, False], [False, False], [True, False]], "what is read from afar, not its head"
    assert made.rows[2][0][1].size_pt == 15.0
    paper.table(pdf, (("x" * 200, "y"),), 10.0)
    assert made.named["col_widths"] == [202.0, 3.0]  # no room left: the library takes them as shares
    assert (made.named["num_heading_rows"], made.named["padding"]) == (1, None)


def test_words_of_a_recipe_stand_on_the_left_and_its_numbers_on_the_right(monkeypatch):
    made = []
    monkeypatch.setattr(pdf_page, "table", lambda pdf, rows, size, **named: made.append((rows[0], named)))
    for name in ("put", "_columns", "_heading"):
        monkeypatch.setattr(pdf_page, name, lambda *_: None)
    monkeypatch.setattr(pdf_page, "blank", lambda *_, **__: SimpleNamespace(ln=lambda: None))
    parts = ("head", "settings", "effects", "facts", "warnings", "cautions", "files", "sign_off")
    pdf_page._drawn(dict.fromkeys(parts, ()) | {"title": "", "proof": "", "foot": ""}, b"", 9.0)
    (settings, one), (effects, two), _ = made
    assert (settings[0], settings[-1], effects[0], effects[-1]) == ("kind", "limited by", "kind", "field edge")
    assert one["align"] == ("LEFT", *["RIGHT"] * (len(settings) - 2), "LEFT")
    assert two["align"] == ("LEFT", *["RIGHT"] * (len(effects) - 1))
    assert (one["heads"], two["heads"]) == (2, 2)  # names and units


@pytest.fixture(scope="module")
def record():
    files = (read_machine(DEMO / "machine.toml"), read_resin(DEMO / "resin.toml"), read_needs(DEMO / "needs.toml"))
    return make_recipe(**dict(zip(("machine", "resin", "needs"), files)), gains=False).to_dict()


@pytest.mark.slow
def test_a_recipe_of_a_page_is_set_in_nine_points_and_a_longer_one_in_seven_and_a_half(asked, record):
    recipe_pdf(record | {"vectors": record["vectors"][:2], "warnings": []}, PNG)
    assert (asked.sizes, asked.pages) == ({9.0, 8.0, 13.5}, [1])
    assert asked.images == pytest.approx([0.5 * 186.0], abs=0.1)
    asked.sizes.clear()
    recipe_pdf(record | {"warnings": ["Look at this. " * 20] * 12}, PNG)
    assert asked.sizes == {9.0, 8.0, 13.5, 7.5, 6.5, 11.25, 10.0}  # tried, then taken, with a head on the second page
    assert asked.pages[1] > 1


@pytest.mark.slow
def test_exercises_have_room_to_work_in_by_their_grade(asked):
    made = exercises(seed=1, number=6)
    worksheet(made)
    assert sorted(set(asked.spaces)) == [10.0 * (grade + 1) for grade in sorted({one.grade for one in made})]
    assert asked.sizes == {10.0, 15.0, 7.5}
    asked.sizes.clear()
    answer_key(made)
    assert asked.sizes == {10.0, 15.0, 7.5}


def test_words_of_a_handbook_are_plain_heads_and_cautions_bold_and_code_of_one_width(monkeypatch):
    put, tables = [], []
    monkeypatch.setattr(handbook, "put", lambda pdf, text, size, style="", family="sheet": put.append((text, size, style, family)))
    monkeypatch.setattr(handbook, "table", lambda pdf, rows, size: tables.append((rows, size)))
    monkeypatch.setattr(handbook, "pdf_bytes", close_fonts)
    blocks = (("text", "Said."), ("code", "typed"), ("title", "Under it"), ("caution", "Look."), ("table", (("a", "b"), (("1", "2"),))))
    handbook_pdf("Title", "Head.", [Chapter("First", blocks)])
    assert put == [
        ("Title", 19.0, "B", "sheet"),
        ("Head.", 9.5, "", "sheet"),
        ("First", 14.25, "B", "sheet"),
        ("Said.", 9.5, "", "sheet"),
        ("typed", 6.6, "", "mono"),
        ("Under it", 9.5, "B", "sheet"),
        ("Look.", 9.5, "B", "sheet"),
    ]
    assert tables == [((("a", "b"), ("1", "2")), 6.6)]


def test_each_chapter_of_a_handbook_begins_a_page(asked):
    blocks = (("text", "Said."), ("code", "typed"), ("title", "Under it"), ("caution", "Look."), ("table", (("a", "b"), (("1", "2"),))))
    handbook_pdf("Title", "Head.", [Chapter("First", blocks), Chapter("Second", ()), Chapter("Third", ())])
    assert asked.pages == [3]
    assert asked.sizes == {19.0, 9.5, 14.25, 6.6}
