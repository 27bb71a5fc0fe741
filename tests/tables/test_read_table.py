"""The table reader: what files may look like, and the one line each broken file gets."""

import io
import re

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.files.tables import Column, nearest, read_table, read_table_bytes, table_blocks

COLUMNS = {
    "coupon": Column("text", required=True),
    "thickness": Column("length", required=True, sign="positive"),
    "exposure": Column("exposure", sign="positive", once=True),
    "power": Column("power", sign="positive", once=True),
    "temperature": Column("temperature", once=True, blank=True),
    "passes": Column("whole", once=True, sign="positive"),
    "note": Column("text", blank=True, once=True),
    "wavelength": Column("wavelength", only_once=True),
}


def read(text, name="f.csv", **more):
    return read_table_bytes(name, text if isinstance(text, bytes) else text.encode(), COLUMNS, **more)


def read_some(text, most):
    """The same `most` rows at a time, put together."""
    parts = list(table_blocks("f.csv", io.BytesIO(text if isinstance(text, bytes) else text.encode()), COLUMNS, most=most))
    columns = {name: [cell for part in parts for cell in part[name]] for name in parts[0].columns}
    return columns, [line for part in parts for line in part.lines.tolist()], parts


PLAIN = "coupon,thickness [um],exposure [mJ/cm^2]\nA,120,20\nB,130.5,25\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        "\ufeff" + PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace("130.5", "130,5"),
        PLAIN.replace(",", "\t").replace("130.5", "130,5").replace("120", "120,0"),
        "decimal = comma\n" + PLAIN.replace(",", ";").replace("130.5", "130,500"),
        "sep=;\n" + PLAIN.replace(",", ";"),
        "\n\n" + PLAIN + "\n,,\n",
        PLAIN.replace("[um]", "(µm)").replace("mJ/cm^2", "mJ/cm²"),
        PLAIN.replace("thickness [um]", " Thickness[um] ").replace("coupon", "COUPON"),
        PLAIN.replace("[um]", "[mm]").replace("120", "0.12").replace("130.5", "1.305e-1"),
        PLAIN.replace("mJ/cm^2", "mJ/mm^2").replace(",20", ",0.20").replace(",25", ",.25"),
        '"coupon","thickness [um]","exposure [mJ/cm^2]"\n"A","120","20"\n"B","130.5","25"\n',
        "# measured by hand\n" + PLAIN,
        PLAIN.replace("\n", ",,\n"),
    ],
)
def test_all_these_spellings_are_the_same_table(text):
    table = read(text)
    assert table["coupon"] == ["A", "B"]
    np.testing.assert_allclose(table["thickness"], [0.12, 0.1305], rtol=1e-14)
    np.testing.assert_allclose(table["exposure"], [0.2, 0.25], rtol=1e-14)
    assert table.quantity("thickness").to("um").m[1] == pytest.approx(130.5)


def test_windows_1252_is_read_when_it_is_not_utf8():
    table = read("coupon;thickness [µm];note\nA;120;Prüfling\n".encode("cp1252"))
    assert table["note"] == ["Prüfling"]
    assert table["thickness"][0] == pytest.approx(0.12)


@pytest.mark.parametrize(
    "above",
    [
        "power = 300 mW\npasses = 2\n",
        "# power = 300 mW, passes = 2\n",
        "# power: 0.3 W; passes: 2\n",
        "power;300 mW\npasses;2\n",
        "power [mW];300\npasses;2;;\n",
        "power [mW];;300\npasses;;2;\n",
        "Power [mW] = 300\npasses=2\n",
    ],
)
def test_settings_stated_once_above_the_header(above):
    table = read(above + "coupon;thickness [um]\nA;120\nB;100\n")
    assert table.settings == {"power": 300.0, "passes": 2.0}
    assert table.value("power").tolist() == [300.0, 300.0]
    assert "power" in table
    assert "exposure" not in table


def test_a_setting_may_stand_in_the_header_line_itself():
    table = read("coupon,thickness [um],power = 300 mW\nA,120,\n")
    assert table.settings["power"] == 300.0


def test_text_settings_and_comments():
    table = read("# note = second shift\n# the blue cabinet\n# measured at: noon\n" + PLAIN)
    assert table.settings == {"note": "second shift"}
    assert table.comments == ("the blue cabinet", "measured at: noon")


def test_a_label_may_begin_with_a_hash_and_a_comment_between_rows_is_left_out():
    table = read("coupon,thickness [um]\n#1,120\n# next day\n#2,130\n")
    assert table["coupon"] == ["#1", "#2"]
    assert table.lines.tolist() == [2, 4]


def test_blank_cells_only_where_allowed_and_lines_kept():
    table = read("coupon,thickness [um],temperature [degC]\nA,120,23.5\n\nB,130,\n")
    assert table["temperature"][0] == 23.5
    assert np.isnan(table["temperature"][1])
    assert table.lines.tolist() == [2, 4]
    assert str(table.error("thickness", row=1, problem="odd")) == "f.csv:4:2: odd"


def test_bytes_and_hash_are_kept():
    import hashlib

    table = read(PLAIN)
    assert table.raw == PLAIN.encode()
    assert table.sha256 == hashlib.sha256(PLAIN.encode()).hexdigest()


HEAD = "coupon,thickness [um],exposure [mJ/cm^2]\n"
BROKEN = [
    ("", "f.csv: the file is empty"),
    ("  \n \n", "the file is empty"),
    ("# only a comment\n", "no header found"),
    (HEAD, "f.csv:1: a header and no rows"),
    ("A,120,20\nB,1,2\n", "f.csv:1: no header"),
    ("1;2;3\n", "no header"),
    (b"PK\x03\x04abc", "spreadsheet or zip archive, not text"),
    (b"\xff\xfea\x00b", "UTF-16 and broken"),
    (b"abc\x00def", "binary file"),
    (b"%PDF-1.7 abc", "binary file"),
    (b"\x89PNG\r\n\x1a\n", "binary file"),
    (b"coupon\x81\xff,x\n", "not readable text"),
    (b"coupon\x07,x\n", "control characters"),
    ("<html><table></table></html>", "web page"),
    ("<!DOCTYPE html>", "web page"),
    (HEAD.replace("thickness", "thicknes") + "A,1,2\n", "f.csv:1:2: unknown column 'thicknes'. The nearest known is 'thickness'"),
    (HEAD.replace("exposure", "dose") + "A,1,2\n", "f.csv:1:3: unknown column 'dose'"),
    ("coupon,thicknes [um]\nA,1\n", "unknown column 'thicknes'"),
    (HEAD.replace(" [um]", "") + "A,1,2\n", "f.csv:1:2: thickness has no unit in the header. Write it like 'thickness [mm]'"),
    (HEAD.replace("um", "mJ") + "A,1,2\n", "f.csv:1:2: thickness: unknown unit 'mJ'"),
    (HEAD.replace("um", "parsec") + "A,1,2\n", "unknown unit 'parsec'"),
    (HEAD.replace("[um]", "[um") + "A,1,2\n", "cannot read the header"),
    (HEAD.replace("[um]", "[um] x") + "A,1,2\n", "cannot read the header"),
    (HEAD.replace("coupon", "coupon [mm]") + "A,1,2\n", "coupon takes no unit"),
    (HEAD.replace("exposure [mJ/cm^2]", "thickness [mm]") + "A,1,2\n", "appears twice, first as column 2"),
    ("exposure = 20 mJ/cm^2\n" + HEAD + "A,1,2\n", "is a column and also stated above"),
    ("power = 3 mW\npower = 4 mW\n" + HEAD + "A,1,2\n", "f.csv:2: power is stated twice, first in line 1"),
    ("power = 3\n" + HEAD + "A,1,2\n", "f.csv:1: power has no unit"),
    ("power = -3 mW\n" + HEAD + "A,1,2\n", "f.csv:1: power must be above zero"),
    ("power =\n" + HEAD + "A,1,2\n", "stated without a value"),
    ("passes = 1.5\n" + HEAD + "A,1,2\n", "passes must be a whole number"),
    ("# powr = 3 mW\n" + HEAD + "A,1,2\n", "unknown setting 'powr'. The nearest known is 'power'"),
    ("thickness = 3 um\n" + HEAD + "A,1,2\n", "cannot be stated once"),
    ("coupon,thickness [um],wavelength [nm]\nA,1,355\n", "holds for the whole file"),
    ("decimal = comma\n" + HEAD + "A,1,2\n", "does not go with commas between cells"),
    ("decimal = perhaps\n" + HEAD + "A,1,2\n", "decimal: cannot read 'perhaps'"),
    (HEAD + "A,12,0,20\n", "f.csv:2:4: '20' stands under no header"),
    (HEAD + "A,120\n", "f.csv:2:3: the row ends after cell 2 of 3: exposure is missing"),
    (HEAD + "A,,20\n", "f.csv:2:2: thickness is blank"),
    (HEAD + ",120,20\n", "f.csv:2:1: coupon is blank"),
    (HEAD + "A,12O,20\n", "f.csv:2:2: thickness: cannot read '12O' as a number"),
    (HEAD + "A,120 um,20\n", "Leave the unit out of the cells"),
    (HEAD + "A,one,20\n", "cannot read 'one' as a number"),
    (HEAD + "A,nan,20\n", "'nan' is not a number"),
    (HEAD + "A,inf,20\n", "'inf' is not a number"),
    (HEAD + "A,1e999,20\n", "'1e999' is too large"),
    (HEAD + "A,1_000,20\n", "cannot read '1_000'"),
    (HEAD + "A,0x10,20\n", "cannot read '0x10'"),
    (HEAD + "A,9**9,20\n", "cannot read '9**9'"),
    (HEAD + "A,=1+2,20\n", "cannot read '=1+2'"),
    (HEAD + "A,\u0661\u0662,20\n", "cannot read"),
    (HEAD + "A,12 0,20\n", "cannot read '12 0'"),
    (HEAD + "A,-120,20\n", "f.csv:2:2: thickness must be above zero, got -120 um"),
    (HEAD + "A,0,20\n", "thickness must be above zero, got 0 um"),
    (HEAD + "A,120,20\nB,130,-1\n", "f.csv:3:3: exposure must be above zero"),
    (HEAD + 'A,"1,234",20\n', "cannot read '1,234'"),
    (HEAD + '"A,120,20\n', "quotation marks"),
    (HEAD.replace(",", ";") + "A;1.234,5;20\n", "without a thousands separator, like '1234.5'"),
    (HEAD.replace(",", ";") + "A;1,234.5;20\n", "without a thousands separator, like '1234.5'"),
    (HEAD.replace(",", ";") + "A;10,5;20.5\n", "Write all numbers with the same decimal mark"),
    (HEAD.replace(",", ";") + "A;1,234;20\n", "'1,234' may be 1.234 or 1234"),
    ("passes,coupon,thickness [um]\n1.5,A,1\n", "f.csv:2:1: passes must be a whole number, got '1.5'"),
    (HEAD + "A" * 20_000 + ",1,2\n", "is not plain short text"),
    ("free words here\n" + HEAD + "A,1,2\n", "unknown column 'free words here'"),
    ("x = 3\n" + HEAD + "A,1,2\n", "unknown setting 'x'"),
    ("coupon\nA\n", "no column 'thickness'"),
]


@pytest.mark.parametrize(("text", "words"), BROKEN, ids=[str(i) for i in range(len(BROKEN))])
def test_each_broken_file_gets_its_line(text, words):
    with pytest.raises(FileError) as caught:
        read(text)
    message = str(caught.value)
    assert words in message
    assert message.startswith("f.csv:")
    assert "\n" not in message
    assert message.endswith(".")


@pytest.mark.parametrize("most", [1, 2, 5])
@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "\n".join(["coupon;thickness [um];note", "A;1,234;x", "B;12,345;y", "C;7;z", "D;0,5;", "E;3,25;"]),  # the fourth tells the mark
        "\n".join(["coupon;thickness [um]", "A;1", "B;2", "C;3", "D;3.5"]),
        'coupon,thickness [um],note\nA,1,"two\nlines"\n\n# a comment\nB,2,\n,,\nC,3,"a, b"\n',
        "coupon,thickness [um],temperature [degC]\nA,1,\nB,2,23\nC,3,\nD,4,\n",
        PLAIN.replace("\n", ",,\n"),
        "power = 3 mW\n" + PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("A", "\u00e4").encode("cp1252"),
        (PLAIN + "C,1,2\nD,3,4\n").encode("utf-16"),
    ],
)
def test_rows_read_some_at_a_time_are_those_read_at_once(text, most):
    columns, lines, parts = read_some(text, most)
    whole = read(text)
    assert lines == whole.lines.tolist()
    assert parts[-1].settings == whole.settings
    assert max(map(len, parts)) <= most
    for name in whole.columns:
        np.testing.assert_array_equal(columns[name], whole[name])


@pytest.mark.parametrize("most", [1, 2, 5])
@pytest.mark.parametrize(("text", "words"), BROKEN, ids=[str(i) for i in range(len(BROKEN))])
def test_each_broken_file_gets_its_line_some_rows_at_a_time(text, words, most):
    with pytest.raises(FileError) as caught:
        read_some(text, most)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("E,12O,20\n", "f.csv:6:2: thickness: cannot read '12O' as a number"),
        ('E,"1\n', "f.csv:6: the row cannot be split"),
        ("E,1,2,,\n", "f.csv:6:4: the row has 5 cells, the header 3"),
    ],
)
def test_what_is_wrong_far_below_is_said_with_its_line(more, words):
    text = HEAD + "A,1,2\nB,1,2\nC,1,2\nD,1,2\n" + more + "F,1,2\n"
    for most in (1, 2, 3, 100):
        with pytest.raises(FileError, match=re.escape(words)):
            read_some(text, most)


def test_wide_rows_are_read_fewer_at_a_time_and_a_head_has_an_end():
    wide = ["coupon,thickness [um]" + "," * 1998] + ["A,1" + "," * 1998] * 400
    _, lines, parts = read_some("\n".join(wide), 4096)
    assert len(lines) == 400
    assert max(map(len, parts)) <= 112
    with pytest.raises(FileError, match="no header found"):
        read_some("# note\n" * 10_001 + PLAIN, 2)


def test_padding_that_ends_midway_and_an_endless_line_are_refused():
    with pytest.raises(FileError, match=r"f\.csv:4: the row has 3 cells, those above it 5"):
        read_some(HEAD + "A,1,2,,\nB,1,2,,\nC,1,2\n", 2)
    with pytest.raises(FileError, match="a line is longer than 100000 characters"):
        read_some(HEAD + "A," + "1" * 3_000_000 + ",2\n", 2)


def test_missing_folder_and_size(tmp_path):
    with pytest.raises(FileError, match="there is no such file"):
        read_table(tmp_path / "none.csv", COLUMNS)
    with pytest.raises(FileError, match="is a folder"):
        read_table(tmp_path, COLUMNS)
    with pytest.raises(FileError, match="cannot be read"):
        read_table("a\0b.csv", COLUMNS)
    file = tmp_path / "a.csv"
    file.write_text(PLAIN)
    assert len(read_table(file, COLUMNS)) == 2
    with pytest.raises(FileError, match="is larger than 1e-05 MB"):
        read_table(file, COLUMNS, max_bytes=10)
    with pytest.raises(FileError, match="more than 1 rows"):
        read_table(file, COLUMNS, max_rows=1)
    with pytest.raises(FileError, match=r"only \.xlsx files have sheets"):
        read_table(file, COLUMNS, sheet="a")


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    from pathlib import Path

    file = tmp_path / "a.csv"
    file.write_text(PLAIN)

    def locked(self):
        raise PermissionError(13, "denied")

    monkeypatch.setattr(Path, "read_bytes", locked)
    with pytest.raises(FileError, match="Close it in other programs"):
        read_table(file, COLUMNS)


def workbook(*sheets):
    xlsxwriter = pytest.importorskip("xlsxwriter")
    pytest.importorskip("python_calamine")
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"default_date_format": "yyyy-mm-dd"})
    for rows in sheets:
        sheet = book.add_worksheet()
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                sheet.write(r, c, cell)
    book.close()
    return out.getvalue()


ROWS = [["power", "300 mW"], [], ["coupon", "thickness [um]", "exposure [mJ/cm^2]"], [1, 120, 20], ["B", "130,5", 25.0]]


def test_spreadsheet():
    table = read(workbook(ROWS), "a.xlsx")
    assert table["coupon"] == ["1", "B"]
    np.testing.assert_allclose(table["thickness"], [0.12, 0.1305])
    assert table.settings == {"power": 300.0}
    assert table.lines.tolist() == [4, 5]


def test_spreadsheet_errors():
    import datetime

    with pytest.raises(FileError, match=r"a\.xlsx: more than one sheet holds something"):
        read(workbook(ROWS, ROWS), "a.xlsx")
    assert len(read(workbook(ROWS, ROWS), "a.xlsx", sheet="Sheet2")) == 2
    with pytest.raises(FileError, match="there is no sheet 'x'"):
        read(workbook(ROWS), "a.xlsx", sheet="x")
    with pytest.raises(FileError, match="the spreadsheet is empty"):
        read(workbook([[]]), "a.xlsx")
    with pytest.raises(FileError, match=r"no \.xlsx spreadsheet"):
        read(b"PK\x03\x04garbage", "a.xlsx")
    with pytest.raises(FileError, match=r"no \.xlsx spreadsheet"):
        read(PLAIN, "a.xlsx")
    head = ROWS[2]
    with pytest.raises(FileError, match=r"a\.xlsx:2:2: thickness: .* is a date"):
        read(workbook([head, ["A", datetime.date(2024, 5, 1), 3]]), "a.xlsx")
    with pytest.raises(FileError, match=r"a\.xlsx:2:2: thickness: 'True' is a true/false value"):
        read(workbook([head, ["A", True, 3]]), "a.xlsx")
    with pytest.raises(FileError, match=r"a\.xlsx:2:2: thickness is blank \(a formula"):
        read(workbook([head, ["A", "", 3]]), "a.xlsx")


def test_spreadsheet_reader_missing(monkeypatch):
    import sys

    data = workbook(ROWS)
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    with pytest.raises(FileError, match=r"curecalc\[excel\]"):
        read(data, "a.xlsx")


@pytest.mark.parametrize("rows", [10_000, pytest.param(100_000, marks=pytest.mark.slow)])
def test_many_rows(rows):
    text = HEAD + "".join(f"c{i},{i % 100 + 1}.5,{i % 7 + 3}\n" for i in range(rows))
    table = read(text)
    assert len(table) == rows
    assert table["thickness"][rows - 1] == pytest.approx(0.1005)
    with pytest.raises(FileError, match=rf"f\.csv:{rows + 2}:2: thickness: cannot read 'x'"):
        read(text + "z,x,1\n")


def test_nearest():
    assert nearest("powr", {"power", "passes"}) == "power"
