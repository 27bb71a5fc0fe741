"""A lot's table, however spreadsheets lay it out, gives the fit of its plain .csv: two writers of workbooks, files by hand, text."""

import datetime
import io
import random
import zipfile

import pytest

from curecalc import fit_coupons, read_coupons

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
@pytest.mark.parametrize("seed", range(75))
def test_the_same_fit_however_it_was_laid_out(tmp_path, writer, seed):
    chance = random.Random(f"{writer} {seed}")
    typed = writer in ("xlsxwriter", "openpyxl")
    above, table = above_rows(chance, typed=typed), table_rows(chance, typed=writer != "text")
    path = tmp_path / f"lot.{'csv' if writer == 'text' else 'xlsx'}"
    WRITERS[writer](path, [*above, *table], len(above), chance)
    assert answer(path) == answer(plain_csv(tmp_path / "plain.csv"))
