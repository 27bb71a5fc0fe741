"""A lot's table, however spreadsheets lay it out, gives the fit of its plain .csv: two writers of workbooks, files by hand, text."""

import datetime
import io
import random
import re
import zipfile

import pytest
from sampling import few

from curecalc import fit_coupons, read_coupons
from curecalc.errors import FileError
from curecalc.files.spreadsheets import EXPLANATIONS, spreadsheet_as_csv

SETTINGS = {
    "resin": "clear 12, sample; rev 3",
    "lot": "7",
    "machine": "bay 2",
    "date": "2026-06-15",
    "power meter": "meter 1",
    "gauge": "micrometer 4",
    "wavelength": "355 nm",
    "power": "240 mW",
    "beam radius": "0.11 mm",
    "hatch spacing": "0.1 mm",
    "temperature": "24.4 degC",
}
HEAD = ["coupon", "scan speed [mm/s]", "thickness [um]", "note"]
ROWS = [
    ["7", 3500.0, 284.5, ""],
    ["7", 3500.0, 283.0, "edge"],
    ["6", 5600.0, 214.0, ""],
    ["6", 5600.0, 212.5, ""],
    ["4", 9000.0, 155.0, ""],
    ["4", 9000.0, 151.5, ""],
    ["2", 14000.0, 83.0, "thin, bent"],
    ["2", 14000.0, 84.0, ""],
    ["8", 3500.0, 281.0, ""],
    ["5", 5600.0, 216.0, ""],
    ["3", 9000.0, 149.0, ""],
    ["1", 14000.0, 79.5, ""],
]


def answer(path):
    """What the fit says, and what it read above the header."""
    fit = fit_coupons(read_coupons(path))
    told = fit.to_dict()
    del told["data"]  # the file's own name and hash
    return told, dict(fit.coupons.names)


def plain_csv(path):
    """The table as the README's demo writes it."""
    above = [f"# {name} = {value}\n" for name, value in SETTINGS.items()]
    body = [",".join(f'"{c}"' if "," in str(c) else str(c) for c in row) + "\n" for row in [HEAD, *ROWS]]
    path.write_text("".join([*above, *body]), encoding="utf-8")
    return path


def above_rows(chance, *, typed):
    """The settings as people lay them out: each a row of name and value, one cell each, several in a cell, with or without a mark."""
    way = chance.choice(["pair", "pair mark", "cell", "cell mark", "joined", "colon"])
    rows, waiting = [], []
    for name, value in SETTINGS.items():
        shown = datetime.date(2026, 6, 15) if typed and name == "date" and way.startswith("pair") and chance.random() < 0.5 else value
        if typed and name == "lot" and way.startswith("pair") and chance.random() < 0.5:
            shown = 7
        if way in ("pair", "pair mark"):
            rows.append([("# " if way == "pair mark" else "") + name, shown])
        elif way in ("cell", "cell mark", "colon"):
            rows.append([("# " if way == "cell mark" else "") + f"{name}{': ' if way == 'colon' else ' = '}{value}"])
        elif ";" in value:
            rows.append([f"# {name} = {value}"])
        else:
            waiting.append(f"{name} = {value}")
    if waiting:
        rows.append(["# " + "; ".join(waiting)])
    if chance.random() < 0.5:
        rows.insert(chance.randrange(len(rows) + 1), [])
    return rows


def table_rows(chance, *, typed):
    """The table with columns moved, blank rows, numbers as text, coupons as numbers."""
    order = chance.sample(range(4), 4)
    rows = [[row[i] for i in order] for row in [HEAD, *ROWS]]
    if typed and chance.random() < 0.5:
        rows = [rows[0], *([int(c) if isinstance(c, str) and c.isdigit() else c for c in row] for row in rows[1:])]
    if chance.random() < 0.3:
        rows = [rows[0], *([str(c) for c in row] for row in rows[1:])]
    if chance.random() < 0.4:
        rows.insert(chance.randrange(2, len(rows)), [])
    return rows


def by_xlsxwriter(path, rows, head, chance):
    import xlsxwriter

    with xlsxwriter.Workbook(str(path)) as book:
        sheet, day = book.add_worksheet("lot"), book.add_format({"num_format": "dd.mm.yyyy"})
        down, right = chance.choice([0, 0, 2]), chance.choice([0, 0, 1])
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if isinstance(cell, datetime.date):
                    sheet.write_datetime(r + down, c + right, datetime.datetime.combine(cell, datetime.time()), day)
                elif isinstance(cell, float) and chance.random() < 0.1:
                    sheet.write_formula(r + down, c + right, f"={cell}*1", None, cell)
                elif cell != "":
                    sheet.write(r + down, c + right, cell)
        if chance.random() < 0.5:
            sheet.write_comment(head + down + 1, right, "measured twice")
        for r in range(head):
            if len(rows[r]) == 1 and chance.random() < 0.5:
                sheet.merge_range(r + down, right, r + down, right + 3, rows[r][0])
        if chance.random() < 0.5:
            book.add_worksheet("empty")


def by_openpyxl(path, rows, head, chance):
    openpyxl = pytest.importorskip("openpyxl")
    from openpyxl.comments import Comment

    book = openpyxl.Workbook()
    sheet = book.active
    for r, row in enumerate(rows, 1):
        for c, cell in enumerate(row, 1):
            if cell != "":
                sheet.cell(r, c, cell)
        if len(row) == 1 and r <= head and chance.random() < 0.5:
            sheet.merge_cells(start_row=r, start_column=1, end_row=r, end_column=4)
    if chance.random() < 0.5:
        sheet.cell(head + 2, 1).comment = Comment("measured twice", "somebody")
    sheet.freeze_panes = "A2"
    sheet.column_dimensions["D"].hidden = True
    book.save(path)


def by_hand(path, rows, head, chance):
    """The least that makes a workbook: texts in the cells, no styles."""
    from xml.sax.saxutils import escape

    def cell(r, c, value):
        place = f'r="{"ABCDEFG"[c]}{r + 1}"' if chance.random() < 0.9 else f'r="{"ABCDEFG"[c]}{r + 1}" s="0"'
        if isinstance(value, float | int):
            return f"<c {place}><v>{value}</v></c>"
        return f'<c {place} t="inlineStr"><is><t xml:space="preserve">{escape(str(value))}</t></is></c>'

    lines = [f'<row r="{r + 1}">' + "".join(cell(r, c, v) for c, v in enumerate(row) if v != "") + "</row>" for r, row in enumerate(rows)]
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    with zipfile.ZipFile(path, "w", chance.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])) as out:
        out.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{package}/content-types">'
            '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
            f'<Override PartName="/xl/worksheets/s.xml" ContentType="{kind}.worksheet+xml"/></Types>',
        )
        out.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}/relationships">'
            f'<Relationship Id="a" Type="{rel}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        out.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets><sheet name="lot" sheetId="1" r:id="b"/></sheets></workbook>',
        )
        out.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{package}/relationships">'
            f'<Relationship Id="b" Type="{rel}/worksheet" Target="worksheets/s.xml"/></Relationships>',
        )
        out.writestr("xl/worksheets/s.xml", f'<worksheet xmlns="{main}"><sheetData>{"".join(lines)}</sheetData></worksheet>')


def by_text(path, rows, head, chance):
    """Separators, line ends, encodings and marks at the beginning as spreadsheets of many countries save them."""
    import csv

    mark = chance.choice([",", ";", "\t"])
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator=chance.choice(["\n", "\r\n"])).writerows(rows)
    path.write_bytes(out.getvalue().encode(chance.choice(["utf-8", "utf-8-sig", "cp1252", "utf-16"])))


WRITERS = {"xlsxwriter": by_xlsxwriter, "openpyxl": by_openpyxl, "hand": by_hand, "text": by_text}


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("seed", few(range(75), 5))
def test_the_same_fit_however_it_was_laid_out(tmp_path, writer, seed):
    chance = random.Random(f"{writer} {seed}")
    typed = writer in ("xlsxwriter", "openpyxl")
    above, table = above_rows(chance, typed=typed), table_rows(chance, typed=writer != "text")
    path = tmp_path / f"lot.{'csv' if writer == 'text' else 'xlsx'}"
    WRITERS[writer](path, [*above, *table], len(above), chance)
    assert answer(path) == answer(plain_csv(tmp_path / "plain.csv"))


# ---------------------------------------------------------------- tables to fill in, reports


def run(*words):
    from curecalc.cli import main

    return main(list(words))


def test_an_empty_table_filled_in_fits_as_its_csv(tmp_path):
    """`new coupons` as a workbook, filled in by a spreadsheet library; numbers are checked as they are typed, columns are explained."""
    openpyxl = pytest.importorskip("openpyxl")
    assert run("new", "coupons", str(tmp_path / "lot.xlsx")) == 0
    book = openpyxl.load_workbook(tmp_path / "lot.xlsx")
    assert book.sheetnames == ["table", "explanations"]
    sheet, notes = book["table"], [cell.value for cell in book["explanations"]["A"]]
    heads = [cell.value for cell in sheet[1]]
    assert any(note.startswith("thickness [mm] (needed) - One reading") for note in notes)
    checked = {str(v.sqref).split("1048576")[0][0]: v for v in sheet.data_validations.dataValidation}
    assert checked["C"].operator == "greaterThan"
    assert "without a unit" in checked["C"].error
    rows = [(k, 20.0 + 5 * k, 100.0 + 22 * k + shift) for k in range(1, 9) for shift in (-1.0, 0.0, 1.5)]
    for r, (coupon, exposure, thickness) in enumerate(rows, 2):
        assert sheet.cell(r, 1).value == coupon
        sheet.cell(r, heads.index("exposure [mJ/cm^2]") + 1, exposure)
        sheet.cell(r, heads.index("thickness [um]") + 1, thickness)
        sheet.cell(r, heads.index("run order") + 1, coupon)
        sheet.cell(r, heads.index("temperature [degC]") + 1, 24.0)
    book.save(tmp_path / "filled.xlsx")
    text = "coupon,exposure [mJ/cm^2],thickness [um]\n" + "".join(f"{c},{e},{t}\n" for c, e, t in rows)
    (tmp_path / "same.csv").write_text(text)
    filled, same = (fit_coupons(read_coupons(tmp_path / name)) for name in ("filled.xlsx", "same.csv"))
    assert filled.penetration_depth.value == same.penetration_depth.value
    assert filled.critical_exposure.value == same.critical_exposure.value


def test_a_plan_as_a_workbook_keeps_its_settings(tmp_path, capsys):
    openpyxl = pytest.importorskip("openpyxl")
    words = ["plan", "--penetration-depth", "0.15mm", "--critical-exposure", "9mJ/cm2", "--at-depth", "0.18mm", "--to", "3 %"]
    words += ["--power", "240mW", "--hatch-spacing", "0.1mm"]
    assert run(*words, "--table", str(tmp_path / "p.xlsx")) == 0
    assert run(*words, "--table", str(tmp_path / "p.csv")) == 0
    book = openpyxl.load_workbook(tmp_path / "p.xlsx")
    sheet = book["table"]
    column = next(c.column for row in sheet.iter_rows() for c in row if c.value == "thickness [um]")
    head = next(c.row for row in sheet.iter_rows() for c in row if c.value == "thickness [um]")
    lines = (tmp_path / "p.csv").read_text().splitlines()
    filled = []
    begin = next(i for i, line in enumerate(lines) if line.startswith("coupon")) + 1
    for n, line in enumerate(lines[begin:]):
        cells = line.split(",")
        value = 60.0 + 1.0 * n * n
        sheet.cell(head + 1 + n, column, value)
        cells[3] = str(value)
        filled.append(",".join(cells))
    book.save(tmp_path / "p.xlsx")
    (tmp_path / "p.csv").write_text("\n".join([*lines[:begin], *filled]) + "\n")
    assert answer(tmp_path / "p.xlsx") == answer(tmp_path / "p.csv")


def test_a_scan_to_fill_in_names_columns_that_spot_knows(tmp_path, capsys):
    assert run("new", "scan", str(tmp_path / "s.xlsx")) == 0
    assert run("new", "scan", str(tmp_path / "s.csv")) == 0
    text = (tmp_path / "s.csv").read_text()
    assert run("spot", str(tmp_path / "s.csv")) == 2
    capsys.readouterr()
    from math import erfc, sqrt

    lines = [line for line in text.splitlines() if line.startswith("#")]
    body = [f"{a},{x / 50:.3f},{120 * erfc(sqrt(2) * (x / 50 - 0.5) / 0.11):.3f}" for a in "xy" for x in range(10, 41)]
    (tmp_path / "filled.csv").write_text("\n".join([*lines, "axis,position [mm],power [mW]", *body]) + "\n")
    assert run("spot", str(tmp_path / "filled.csv"), "--json") == 0
    import json

    told = json.loads(capsys.readouterr().out)
    assert told["beam_radius"]["x"]["value"] == pytest.approx(0.11, rel=2e-3)
    assert told["wavelength"]["value"] == 355.0


def test_a_report_holds_the_result(tmp_path, capsys):
    openpyxl = pytest.importorskip("openpyxl")
    path = plain_csv(tmp_path / "lot.csv")
    assert run("fit", str(path), "--at-depth", "0.18mm", "--report", str(tmp_path / "r.xlsx")) == 0
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    assert book.sheetnames == ["result", "coupons", "readings", "checks"]
    rows = {row[0].value: [c.value for c in row[1:]] for row in book["result"].iter_rows(min_row=2)}
    fit = fit_coupons(read_coupons(path))
    dp = fit.penetration_depth
    value, unit, u = rows["penetration depth"][:3]
    assert (value, u, unit) == (pytest.approx(dp.value.m, rel=1e-15), pytest.approx(dp.standard_uncertainty.m, rel=1e-15), "mm")
    assert rows["lot"][0] == "7"
    assert "exposure for one coupon of 0.18 mm" in rows
    assert [c.value for c in book["coupons"][2]][:2] == ["7", pytest.approx(100 * 240 / (3500 * 0.1))]
    assert book["readings"].max_row == len(ROWS) + 1


def test_a_pipe_is_read_as_the_file(tmp_path, monkeypatch, capsys):
    import sys

    path = plain_csv(tmp_path / "lot.csv")
    by_xlsxwriter(tmp_path / "lot.xlsx", [*([n, v] for n, v in SETTINGS.items()), HEAD, *ROWS], len(SETTINGS), random.Random(1))
    told = answer(path)
    for name in ("lot.csv", "lot.xlsx"):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO((tmp_path / name).read_bytes())))
        assert answer("-") == told
        assert answer("-") == told  # read once, the same again


def book(*sheets):
    """A workbook of sheets by name, each rows of cells."""
    import openpyxl

    made, out = openpyxl.Workbook(), io.BytesIO()
    made.remove(made.active)
    for name, rows in sheets:
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    made.save(out)
    made.close()
    return out.getvalue()


def test_the_page_reads_the_one_sheet_that_holds_something():
    """Whole numbers without a point, other numbers with all digits, yes and no; what is empty at the ends falls away."""
    rows = [
        ["coupon", "exposure [mJ/cm^2]", "good", None],
        [1, 20.0, True, None],
        [2, 0.1, False, None],
        [None, None, None],
        ["a,b", None, None],
    ]
    text = spreadsheet_as_csv("lot.xlsx", book(("empty", []), ("lot", rows), (EXPLANATIONS, [["what the columns are"]])))
    assert text == 'coupon,exposure [mJ/cm^2],good\n1,20,yes\n2,0.1,no\n"a,b"'
    for sheets, said in (
        ((("empty", []),), "lot.xlsx: no sheet holds anything. Keep the table on one sheet."),
        ((("a", rows), ("b", rows)), "lot.xlsx: more than one sheet holds something. Keep the table on one sheet."),
    ):
        with pytest.raises(FileError, match=re.escape(said)):
            spreadsheet_as_csv("lot.xlsx", book(*sheets))
    with pytest.raises(FileError, match=r"lot\.xlsx: the spreadsheet cannot be read \(.+\)\. Save it again as \.xlsx, or as \.csv\."):
        spreadsheet_as_csv("lot.xlsx", b"PK no workbook")
