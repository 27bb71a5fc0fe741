"""Tables, spreadsheets and workbooks at their limits: sizes, signs, decimal marks, what is named as an example, what a workbook checks."""

import datetime
import io
import zipfile

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.files import rawtable
from curecalc.files.spreadsheets import bounded, spreadsheet_as_csv
from curecalc.files.tables import MOST_BYTES, MOST_ROWS, Column, read_table_bytes, table_blocks
from curecalc.files.workbook import report_workbook, table_file, table_workbook

COLUMNS = {
    "coupon": Column("text", required=True),
    "thickness": Column("length", required=True, sign="positive"),
    "power": Column("power", sign="nonnegative", once=True),
    "tilt": Column("angle", once=True),
    "passes": Column("whole", sign="positive", once=True),
}


def read(text, **more):
    return read_table_bytes("f.csv", text.encode(), COLUMNS, **more)


def refused(words, text, **more):
    with pytest.raises(FileError) as said:
        read(text, **more)
    assert words in str(said.value), str(said.value)


# ---------------------------------------------------------------- sizes


def test_as_many_bytes_and_rows_as_are_allowed():
    assert (MOST_BYTES, MOST_ROWS) == (50_000_000, 500_000)
    text = "coupon,thickness [um]\nA,1\nB,2\nC,3\n"
    assert len(read(text, max_bytes=len(text), max_rows=3)) == 3
    refused(f"{len(text)} bytes, more than the {len(text) - 1} allowed", text, max_bytes=len(text) - 1)
    refused("f.csv:4: more than 2 rows", text, max_rows=2)
    with pytest.raises(FileError, match=r"f\.csv:4: more than 2 rows"):
        list(table_blocks("f.csv", io.BytesIO(text.encode()), COLUMNS, max_rows=2, most=1))


def test_a_line_may_be_just_short_of_what_is_looked_at_together(monkeypatch):
    monkeypatch.setattr(rawtable, "_PIECE", 40)
    head = "coupon,thickness [um]\n"
    assert read(head + "A" * 16 + ",1\n")["coupon"] == ["A" * 16]
    refused("a line is longer than 40 characters", head + "A" * 100 + ",1\n")


def test_ten_thousand_lines_may_stand_above_a_header():
    body = "coupon,thickness [um]\nA,1\n"
    assert read("# note\n" * 9_999 + body).header_line == 10_000
    refused("no header found", "# note\n" * 10_000 + body)


def packed(*parts: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for number, part in enumerate(parts):
            archive.writestr(f"part{number}.xml", part)
    return out.getvalue()


@pytest.mark.parametrize("mark", [b"<c ", b"<c>", b"<c/", b"<row", b"<si"])
def test_a_spreadsheet_is_counted_without_reading_it(mark):
    data = packed(mark * 7, b"x" * 100_000 + mark)
    size = 100_000 + 8 * len(mark)
    bounded("a.xlsx", data, cells=8, unpacked=size)
    with pytest.raises(FileError, match="holds more than 7 cells"):
        bounded("a.xlsx", data, cells=7, unpacked=size)
    with pytest.raises(FileError, match="unpacks to 0 MB"):
        bounded("a.xlsx", data, cells=8, unpacked=size - 1)
    for first in range(len(mark) + 1):  # a mark that two pieces share is one, and so is one at the end of a piece
        half = packed(b"x" * ((1 << 16) - first) + mark + b"x" * 9)
        bounded("a.xlsx", half, cells=1, unpacked=100_000)
        with pytest.raises(FileError, match="holds more than 0 cells"):
            bounded("a.xlsx", half, cells=0, unpacked=100_000)
    with pytest.raises(FileError, match="unpacks to 2 MB"):
        bounded("a.xlsx", packed(b"x" * 2_000_000), cells=1, unpacked=1_000_000)


# ---------------------------------------------------------------- settings, signs, marks


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("power = 0 mW", None),
        ("power = -1 mW", "power must be at least zero, got -1 mW. Correct it."),
        ("tilt = -1 deg", None),
        ("passes = 0", "passes must be above zero, got 0. Correct it."),
        ("passes = 1", None),
        ("passes = 1.5", "passes must be a whole number, got '1.5'."),
    ],
)
def test_signs_of_what_is_stated_once(setting, words):
    text = f"{setting}\ncoupon,thickness [um]\nA,1\n"
    if words:
        refused(f"f.csv:1: {words}", text)
    else:
        name, _, value = setting.partition(" = ")
        assert name in read(text).settings
        assert np.sign(read(text).settings[name]) == np.sign(float(value.split()[0]))


@pytest.mark.parametrize(
    ("mark", "value", "got"), [(";", "1,5 mW", 1.5), (";", "1.5 mW", 1.5), (";", "1,500 mW", None), (",", "1,5 mW", None)]
)
def test_a_decimal_comma_above_the_header(mark, value, got):
    text = f"# power = {value}\ncoupon{mark}thickness [um]\nA{mark}1\n"
    if got is None:
        refused("power", text)
    else:
        assert read(text).settings["power"] == got


@pytest.mark.parametrize(
    ("head", "cells", "words"),
    [
        (
            "coupon,thickness [um],power [mW]",
            "A,1,-1",
            "f.csv:2:3: power must be at least zero, got -1 mW. Correct the cell or delete the row.",
        ),
        ("coupon,thickness [um],power [mW]", "A,0,1", "f.csv:2:2: thickness must be above zero, got 0 um."),
        ("coupon,thickness [um],passes", "A,1,0", "f.csv:2:3: passes must be above zero, got 0."),
        ("coupon;thickness [um]", "A;1;", None),
        (
            "coupon;thickness [um]",
            "A;1;2",
            "f.csv:2:3: '2' stands under no header: the header names 2 columns. Remove it, or name the column.",
        ),
        ("coupon;thickness [um]", "A;", "f.csv:2:2: thickness is blank. Fill it in, or delete the row."),
        ("coupon,thickness [um],", "A,1,2", "'2' stands under no header"),
        ("coupon,thickness [um],,power [mW]", "A,1,,3", None),
        ("coupon,thickness [um],,power [mW]", "A,1,2,3", "f.csv:2:3: '2' stands under no header: the header names 3 columns."),
        ("coupon,thickness [um],,", "A,1", None),
        ("coupon,thickness [um],,", "A", "f.csv:2:2: the row ends after cell 1 of 4: thickness is missing."),
        ("coupon,thickness [um]", "A,1,\nB,2", "f.csv:2:3: the row has 3 cells, the header 2."),
        ("1.5,2", "A,1", "Name the columns in the first line, like 'coupon, thickness [mm]'"),
    ],
)
def test_cells_beside_their_columns(head, cells, words):
    if words is None:
        assert read(f"{head}\n{cells}\n")["thickness"].tolist() == [0.001]
    else:
        refused(words, f"{head}\n{cells}\n")


def test_a_line_is_a_header_from_two_known_names_on():
    assert read("power = 3 mW,coupon,thickness [um]\n,A,1\n").settings == {"power": 3.0}
    refused("f.csv:1: power: ", "power = 3 mW;coupon\ncoupon;thickness [um]\nA;1\n")
    alone = read_table_bytes("f.csv", b"coupon\n#1\nB\n", {"coupon": Column("text")})
    assert alone["coupon"] == ["#1", "B"]  # no comment: there is nothing beside it
    for name, near, tail in (("thick", "thickness", ""), ("tik", "tilt", "; known are coupon, passes, power, thickness, tilt")):
        refused(f"unknown column '{name}'. The nearest known is '{near}'{tail}.", f"coupon,{name} [um]\nA,1\n")


def test_a_temperature_is_converted_with_its_zero():
    columns = {"t": Column("temperature"), "x": Column("length")}
    for unit, value in (("K", "293.15"), ("degC", "20")):
        assert read_table_bytes("f.csv", f"t [{unit}],x [cm]\n{value},1\n".encode(), columns)["t"] == pytest.approx([20.0])


def test_two_columns_are_an_example_where_none_is_needed():
    with pytest.raises(FileError, match=r"Name the columns, like 'a \[mm\], b'\."):
        read_table_bytes("f.csv", b" , ,\n1,2,3\n", {"a": Column("length"), "b": Column("number"), "c": Column("text")})


@pytest.mark.parametrize(
    ("header", "mark"),
    [
        ("coupon;thickness [um]", ";"),
        ("coupon\tthickness [um]", "\t"),
        ("coupon;thickness, of all;power [mW]", ";"),
        ("a,coupon;thickness [um]", ";"),  # more names that are known
        ("x;y,z", ";"),  # as many of none: the first of tab, semicolon, comma
        ("x;y,z,w", ","),  # more cells
        ("coupon", ""),
    ],
)
def test_what_separates_cells(header, mark):
    names = rawtable.Names(set(COLUMNS), set(), lambda text: text.strip().lower())
    assert rawtable._delimiter(header, names) == mark


def test_where_a_cell_a_setting_and_a_file_stand():
    table = read("# first\npower = 3 mW\ncoupon,thickness [um]\nA,1\n\nB,2\n")
    assert (table.header_line, table.setting_lines) == (3, {"power": 2})
    for name, row, place in (
        ("thickness", 1, "f.csv:6:2"),
        ("coupon", 0, "f.csv:4:1"),
        ("power", 1, "f.csv:2"),
        ("power", None, "f.csv:2"),
        ("passes", 1, "f.csv:6"),
        ("passes", None, "f.csv"),
        ("thickness", None, "f.csv"),
    ):
        assert table.where(name, row) == place
    assert table.quantity("power").m_as("mW") == 3.0
    assert table.value("power").tolist() == [3.0, 3.0]


# ---------------------------------------------------------------- workbooks


def test_a_workbook_to_fill_in_checks_two_hundred_rows_and_explains_its_columns():
    openpyxl = pytest.importorskip("openpyxl")
    long = "thickness of the " + "x" * 30
    columns = COLUMNS | {normal: Column("length", sign="positive") for normal in (long.replace(" ", "_"),)}
    head = f"coupon,thickness [um],passes,power [mW],tilt [deg],{long} [mm]"
    text = f"# measured twice\n# power = 3 mW\n# note = only a comment\n{head}\nA,120.5,2,0\nB,,3\n"
    book = openpyxl.load_workbook(io.BytesIO(table_workbook(text, columns)))
    sheet, notes = book["table"], book["explanations"]
    assert [[cell.value for cell in row][:4] for row in sheet.iter_rows()] == [
        ["power", "3 mW", None, None],
        [None] * 4,
        ["coupon", "thickness [um]", "passes", "power [mW]"],
        ["A", 120.5, 2, 0],
        ["B", None, 3, None],
    ]
    assert sheet.freeze_panes == "A4"
    assert [(one.min, one.max) for one in (page.column_dimensions["A"] for page in (sheet, notes))] == [(1, 6), (1, 1)]
    assert (sheet["A3"].font.b, sheet["A3"].border.bottom.style, sheet["A4"].font.b) == (True, "thin", False)
    checks = {str(one.sqref): (one.type, one.operator, float(one.formula1), one.error) for one in sheet.data_validations.dataValidation}
    unit = ", without a unit: it stands in the header."
    assert checks == {
        "B4:B203": ("decimal", "greaterThan", 0.0, f"One number above zero{unit}"),
        "C4:C203": ("whole", "greaterThan", 0.0, f"One whole number above zero{unit}"),
        "D4:D203": ("decimal", "greaterThanOrEqual", 0.0, f"One number, zero or more{unit}"),
        "E4:E203": ("decimal", "greaterThan", -1e300, f"One number{unit}"),
        "F4:F203": ("decimal", "greaterThan", 0.0, f"One number above zero{unit}"),
    }
    titles = {one.errorTitle for one in sheet.data_validations.dataValidation}
    assert {"passes", f"{long} [mm]"[:32]} <= titles  # as long as a workbook takes
    told = [row[0].value for row in notes.iter_rows()]
    assert told[:3] == ["measured twice", "note = only a comment", "coupon (needed) - "]
    assert notes["A1"].alignment.wrap_text
    assert not notes["B1"].alignment.wrap_text


def test_without_settings_the_header_is_the_first_row():
    openpyxl = pytest.importorskip("openpyxl")
    data = table_file("a.XLSX", "coupon,thickness [um]\nA,1\n", COLUMNS)
    sheet = openpyxl.load_workbook(io.BytesIO(data))["table"]
    assert (sheet["A1"].value, sheet["B2"].value, sheet.freeze_panes) == ("coupon", 1, "A2")
    assert table_file("a.csv", "coupon\n", COLUMNS) == b"coupon\n"


def test_a_report_has_a_bold_header_and_plain_rows():
    openpyxl = pytest.importorskip("openpyxl")
    data = report_workbook({"one": [["name", "value"], ["=1+1", 0.25, "more"], [None, 3]], "two": [["only"]]})
    book = openpyxl.load_workbook(io.BytesIO(data))
    rows = [[cell.value for cell in row] for row in book["one"].iter_rows()]
    assert rows == [["name", "value", None], ["=1+1", 0.25, "more"], [None, 3, None]]
    assert [book["one"][place].font.b for place in ("A1", "B1", "A2", "C2", "B3")] == [True, True, False, False, False]
    assert (book["one"].freeze_panes, book["two"]["A1"].value) == ("A2", "only")
    widths = book["one"].column_dimensions
    assert (widths["A"].min, widths["A"].max) == (1, 3)


def test_numbers_of_a_sheet_as_text():
    xlsxwriter = pytest.importorskip("xlsxwriter")
    pytest.importorskip("python_calamine")
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    sheet = book.add_worksheet()
    sheet.write_row(1, 1, [1, 2.5, -3.0, 1e15, 1e-7, True, " ", ""])
    book.add_worksheet("explanations").write(0, 0, "said")
    book.close()
    assert spreadsheet_as_csv("a.xlsx", out.getvalue()) == ",1,2.5,-3,1000000000000000,1e-07,yes"


# ---------------------------------------------------------------- spreadsheets


def sheet(*rows) -> bytes:
    xlsxwriter = pytest.importorskip("xlsxwriter")
    pytest.importorskip("python_calamine")
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"default_date_format": "yyyy-mm-dd"})
    page = book.add_worksheet()
    for r, row in enumerate(rows):
        page.write_row(r, 0, row)
    book.close()
    return out.getvalue()


HEAD = ("coupon", "thickness [um]")


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([HEAD], "a.xlsx:1: a header and no rows below it"),
        ([["power", "3 mW"]], "no header found"),
        ([HEAD, [], ["A", 1], ["B", 2]], "a.xlsx:4: more than 1 rows"),
        ([["coupon", 2.5], ["A", 1]], "a.xlsx:1: no header: 'coupon, 2.5' holds numbers"),
        ([["coupon", datetime.date(2026, 1, 2)], ["A", 1]], "a.xlsx:1:2: unknown column '2026-01-02"),
        ([["coupon", None, "thicknes [um]"], ["A", None, 1]], "a.xlsx:1:3: unknown column 'thicknes'"),
        ([HEAD, ["A", datetime.date(2026, 1, 2)]], "a.xlsx:2:2: thickness: '2026-01-02"),
        ([HEAD, ["A", True]], "'True' is a true/false value, not a number"),
        ([HEAD, ["A"]], "thickness is blank (a formula that was never calculated also reads as blank)"),
    ],
)
def test_what_a_sheet_lacks(rows, words):
    with pytest.raises(FileError) as said:
        read_table_bytes("a.xlsx", sheet(*rows), COLUMNS, max_rows=1)
    assert words in str(said.value)


def test_rows_of_a_sheet_some_at_a_time():
    data = sheet(["power", 3.5, "mW"], ["power [mW]", 3.5], HEAD, ["A", 1], [], ["B", 2], ["C", 3])
    with pytest.raises(FileError, match=r"no header: 'power, 3\.5, mW' holds numbers"):
        read_table_bytes("a.xlsx", data, COLUMNS)
    data = sheet(["power [mW]", 3.5], HEAD, ["A", 1], [], ["B", 2], ["C", 3])
    for most, sizes in ((1, [1, 1, 1]), (2, [2, 1]), (3, [3]), (None, [3])):
        parts = list(table_blocks("-", io.BytesIO(data), COLUMNS, most=most))  # a pipe of it
        assert [len(part) for part in parts] == sizes
        assert [line for part in parts for line in part.lines] == [3, 5, 6]
        assert (parts[0].settings, parts[0].header_line) == ({"power": 3.5}, 2)
    assert read_table_bytes("-", b"coupon,thickness [um]\nA,1\n", COLUMNS)["coupon"] == ["A"]
    aside = read_table_bytes("a.xlsx", sheet([], [], [None, *HEAD], [None, "A", 1]), COLUMNS)
    assert (aside.fields, aside.lines.tolist(), aside.header_line) == ({"coupon": 2, "thickness": 3}, [4], 3)


def test_rows_with_blank_cells_past_the_header_end_alike():
    def some(text):
        return [one for part in table_blocks("f.csv", io.BytesIO(text), COLUMNS, most=1) for one in part["coupon"]]

    assert some(b"coupon,thickness [um]\nA,1,,\nB,2,,\nC,3,,\n") == ["A", "B", "C"]
    with pytest.raises(FileError, match=r"f\.csv:3: the row has 3 cells, those above it 4\. End all rows alike"):
        some(b"coupon,thickness [um]\nA,1,,\nB,2,\n")
    with pytest.raises(FileError, match=r"f\.csv:3:3: the row has 4 cells, the header 2"):
        some(b"coupon,thickness [um]\nA,1\nB,2,,\n")


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("coupon,thickness [um] x", "f.csv:1:2: cannot read the header"),
        ("coupon,[um]", "f.csv:1:2: cannot read the header"),
        ("coupon,thick [um]", "f.csv:1:2: unknown column 'thick'"),
        ("coupon,thickness [um],thickness [mm]", "f.csv:1:3: column thickness appears twice, first as column 2"),
        ("coupon,thickness [um],passes [mm]", "f.csv:1:3: passes takes no unit"),
        ("coupon,thickness", "f.csv:1:2: thickness has no unit in the header"),
        ("coupon,thickness [mW]", "f.csv:1:2: thickness: unknown unit"),
    ],
)
def test_a_header_that_cannot_be_used_is_named_with_its_column(head, words):
    refused(words, f"{head}\nA,1,2\n")
    refused(words.replace("f.csv:1", "f.csv:2"), f"# power = 3 mW\n{head}\nA,1,2\n")
    assert read("coupon,thickness [um]\nA,1\n", max_rows=1).fields == {"coupon": 1, "thickness": 2}


@pytest.mark.parametrize("above", ["# power;3 mW", "power;3 mW", "power = 3 mW", "# power: 3 mW", "power [mW];3"])
def test_a_setting_is_found_in_its_line(above):
    table = read(f"# first\n{above}\ncoupon;thickness [um]\nA;1\n")
    assert (table.settings, table.setting_lines, table.header_line) == ({"power": 3.0}, {"power": 2}, 3)
    refused("f.csv:3: power is stated twice, first in line 2", f"# first\n{above}\n{above}\ncoupon;thickness [um]\nA;1\n")


def test_which_bytes_are_no_text():
    def of(data):
        return rawtable._encoding("f.csv", io.BytesIO(data))

    for code in [*range(1, 32), 127]:
        data = b"a" + bytes([code]) + b"b\n"
        if code in b"\t\n\f\r":
            assert of(data) == "utf-8-sig"
        else:
            with pytest.raises(FileError, match="control characters"):
                of(data)
    assert of(b"a\n" * 60_000 + b"\xe4\n") == "cp1252"
    assert of("\u00e4\n".encode() * 60_000) == "utf-8-sig"  # a letter may lie in two pieces
    assert of(b"x" + "\u00e4\n".encode() * 60_000) == "utf-8-sig"
    assert of("a\n".encode("utf-16")) == "utf-16"
    for data, words in (
        (b"\x81\n", "not readable text"),
        (b"\xe4\n\x81", "not readable text"),
        (b"a\x00", "binary"),
        (b"<HTML>", "web page"),
        (b" " * 195 + b"<html>", "web page"),
    ):
        with pytest.raises(FileError, match=words):
            of(data)
    assert of(b" " * 196 + b"<html>") == "utf-8-sig"  # beyond the bytes by which a kind of file is known
    for start in (b"%PDF-1", b"\xd0\xcf\x11\xe0\xa1\xb1", b"\x89PNG\r\n"):
        with pytest.raises(FileError, match="binary file"):
            of(start + b"more\n")


def test_a_name_with_two_values_above_the_header():
    text = "# power; passes: 2; coupon: b\ncoupon,thickness [um]\nA,1\n"
    refused("f.csv:1:3: expected one value after '# power', got also 'coupon: b'", text)


def test_a_spreadsheet_may_hold_so_many_cells(monkeypatch):
    asked = []
    monkeypatch.setattr(rawtable, "bounded", lambda name, data, **more: asked.append(more))
    assert len(read_table_bytes("a.xlsx", sheet(HEAD, ["A", 1]), COLUMNS)) == 1
    assert asked == [{"cells": 4_500_000, "unpacked": 500_000_000}]


def test_a_name_and_a_text_are_a_setting_unless_the_text_is_like_a_column():
    columns = COLUMNS | {"note": Column("text", once=True, blank=True)}
    body = "coupon;thickness [um]\nA;1\n"
    # four of the letters of `thickness`, in order: 8/13, not enough; eight: 16/17
    assert read_table_bytes("f.csv", f"note;thin\n{body}".encode(), columns).settings == {"note": "thin"}
    with pytest.raises(FileError, match=r"f\.csv:1:2: unknown column 'thicknes'"):
        read_table_bytes("f.csv", f"note;thicknes\n{body}".encode(), columns)
