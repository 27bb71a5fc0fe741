"""How cells of tables are read at the limits: numbers as text, grouped digits, signs, long texts; and what a file of readings holds."""

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.files.tablecells import Cells
from curecalc.files.tablehead import COMMA_NUMBER, MAYBE_GROUPED, NUMBER, Column
from curecalc.files.tables import read_table_bytes
from curecalc.spot import files


def text_of(cell, **spec):
    cells = Cells.__new__(Cells)
    cells.fail = lambda line, column, said: FileError(f"{line}:{column}: {said}")
    cells.lines, cells.fields = [7], {"label": 2}
    return cells._text_column("label", Column("text", **spec), [cell])[0]


def test_numbers_of_a_spreadsheet_as_text():
    for cell, text in ((3.0, "3"), (-2.5, "-2.5"), (0.1 + 0.2, "0.3"), (999999999999999.0, "999999999999999"), (1e15, "1e+15"), (None, "")):
        assert text_of(cell, blank=True) == text
    assert len(text_of("x" * 10_000)) == 10_000
    for cell, words in (
        ("x" * 10_001, "not plain short text"),
        ("a\x1f", "not plain short text"),
        (" \u00a0", "is blank"),
        (None, "is blank"),
    ):
        with pytest.raises(FileError, match=f"7:2: label.*{words}"):
            text_of(cell)
    assert text_of("a\tb\x20") == "a\tb"


@pytest.mark.parametrize(
    ("pattern", "good", "bad"),
    [
        (MAYBE_GROUPED, ("1,234", "-12,345", "+123,456"), ("0,123", "1,23", "1,2345", "1234,567", ",123")),
        (COMMA_NUMBER, ("1,", ",5", "-12,25", "1,5e-3", "1,5E1234"), ("1", ",", "1,5e12345", "1.5", "1,5,6")),
        (NUMBER, ("1", "1.", ".5", "-1.5e+3", "1e1234"), (".", "1,5", "1e", "1e12345", "--1", "0x1")),
    ],
)
def test_what_a_number_looks_like(pattern, good, bad):
    assert all(pattern.fullmatch(text) for text in good)
    assert not any(pattern.fullmatch(text) for text in bad)


def test_signs_and_whole_numbers():
    columns = {"a": Column("number", sign="nonnegative"), "b": Column("number", sign="positive"), "n": Column("whole")}

    def read(a="0", b="0.1", n="2"):
        return read_table_bytes("t.csv", f"a,b,n\n{a},{b},{n}\n".encode(), columns)

    table = read()
    assert [float(np.asarray(table[name])[0]) for name in "abn"] == [0.0, 0.1, 2.0]
    for wrong in ({"a": "-0.1"}, {"b": "0"}, {"b": "-1"}, {"n": "2.5"}, {"n": "1e400"}):
        with pytest.raises(FileError, match=r"t\.csv:2"):
            read(**wrong)


def test_steps_and_peaks_are_told_apart():
    ramp = np.linspace(0.0, 1.0, 10)
    for first, last, said in (
        (0.0, 0.61, "knife-edge"),
        (0.61, 0.0, "knife-edge"),
        (0.0, 0.59, None),
        (0.0, 0.39, "slit"),
        (0.39, 0.39, "slit"),
        (0.41, 0.0, None),
        (0.41, 0.41, None),
    ):
        y = [first, 0.0, 0.5, 1.0, 0.5, 0.0, 0.2, last]
        assert files._step_or_peak(np.arange(8.0), y) == said
        assert files._step_or_peak(-np.arange(8.0), y) == said
    assert files._step_or_peak(ramp[:3], [0.0, 1.0, 0.0]) == "knife-edge"  # fewer than four: the scan itself will say so
    assert files._step_or_peak(ramp[:4], [0.0, 1.0, 0.3, 0.0]) == "slit"
    assert files._step_or_peak(ramp, np.ones(10)) == "knife-edge"
    # of twenty readings the median of two at either end
    twenty = np.concatenate([[0.9, 0.0], np.full(16, 0.1), [0.0, 1.0]])
    assert files._step_or_peak(np.arange(20.0), twenty) is None


def test_twelve_rows_of_twelve_numbers_are_a_picture():
    def rows(n, m, more=""):
        return (more + "\n".join([" ".join(["1"] * m)] * n)).encode()

    assert files._is_matrix(rows(12, 12))
    assert files._is_matrix(rows(12, 12, "# made\npixel size = 5 um\n"))
    for data in (rows(11, 12), rows(12, 11), rows(12, 12) + b"\x00", rows(12, 12).replace(b"1", b"a", 1), rows(11, 12) + b"\n1 2"):
        assert not files._is_matrix(data)


def test_the_channel_of_a_colour_picture():
    def channel(red, green, blue):
        image = np.zeros((3, 3, 3))
        image[1, 1] = red, green, blue
        return files._one_channel(image, "RGB", "a.png")

    image, note = channel(10.0, 6.0, 4.0)
    assert (image[1, 1], "red channel" in note) == (10.0, True)  # half of the light at least
    with pytest.raises(FileError, match="channels share the light"):
        channel(10.0, 6.0, 4.5)
    assert channel(5.0, 5.0, 5.0)[1] == ""
    assert "blue channel" in channel(0.0, 1.0, 9.0)[1]
