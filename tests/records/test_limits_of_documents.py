"""Documents and files at their limits: bounds with their ends, sizes, places in a text, what is shown of long values, who may read."""

import io
import os

import pytest

from curecalc.errors import FileError
from curecalc.files import disk
from curecalc.files.documents import Field, Schema, document_text, parse_document, starting_text
from curecalc.files.places import key_lines
from curecalc.units import Measured, Quantity


def read(text, **fields):
    return parse_document(f"schema = 1\n{text}\n", Schema("test", fields), source="t.toml")


def said(text, **fields):
    with pytest.raises(FileError) as raised:
        read(text, **fields)
    return str(raised.value)


# ---------------------------------------------------------------- values


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        (Field("speed", low="1 mm/s", high="100 m/s"), ("'1 mm/s'", "'100 m/s'"), ("'0.999 mm/s'", "'100.001 m/s'")),
        (Field("fraction", low=0.5, high=0.9), ("0.5", "0.9", "'50 %'"), ("0.499", "0.901")),
        (Field("length", rule="nonnegative"), ("'0 mm'", "'1 um'"), ("'-1 um'",)),
        (Field("length"), ("'1 um'",), ("'0 mm'", "'-1 um'")),
        (Field("number", rule="finite"), ("-3", "0", "0.5"), ("nan", "inf", "true", "'x'")),
        (Field("temperature"), ("'-5 degC'", "'0 degC'"), ("'-300 degC'", "5")),
        (Field("whole", minimum=2), ("2", "3"), ("1", "2.0", "true")),
        (Field("list", item=Field("number"), minimum=2), ("[1, 2]", "[1, 2, 3]"), ("[1]", "1")),
        (Field("text"), ("''", "' '", f"'{'x' * 100_000}'"), (f"'{'x' * 100_001}'", "1")),
        (Field("text", required=True), ("'a'",), ("''", "' '")),
        (Field("number", uncertain=True), ("'3 +- 0.1'", "{ value = 3, standard_uncertainty = 0.1 }", "3"), ("{ value = true }",)),
        (Field("date"), ("2026-01-31", "2026-01-31T07:00:00", "'2026-01-31'"), ("'31.1.2026'", "20260131")),
    ],
)
def test_each_kind_takes_its_range_with_its_ends(field, good, bad):
    for text in good:
        assert read(f"a = {text}", a=field)["a"] is not None
    for text in bad:
        assert said(f"a = {text}", a=field).startswith("t.toml:2: a")


def test_a_value_with_and_without_its_uncertainty():
    field = Field("power", uncertain=True)
    for text, u in (
        ("'300 mW'", 0.0),
        ("'300 mW +- 2 %'", 6.0),
        ("{ value = '0.3 W', standard_uncertainty = '6 mW' }", 6.0),
        ("{ value = '3 W' }", 0.0),
    ):
        found = read(f"a = {text}", a=field)["a"]
        assert isinstance(found, Measured)
        assert found.standard_uncertainty.m_as("mW") == pytest.approx(u)
    for text, words in (
        ("{ value = '3 W', u = '1 W' }", "has the unknown key u"),
        ("{ standard_uncertainty = '1 W' }", "has no value"),
        ("{ value = 3, standard_uncertainty = '1 W' }", "value has no unit: got the number 3"),
        ("{ value = '3 W', standard_uncertainty = 1 }", "standard_uncertainty has no unit: got the number 1"),
        ("{ value = '3 W +- 1 W' }", "value must be one number with a unit"),
        ("{ value = '3 W +/- 1 W' }", "value must be one number with a unit"),
        ("{ value = '3 W ± 1 W' }", "value must be one number with a unit"),
    ):
        assert words in said(f"a = {text}", a=field)
    for mark in ("+-", "+/-", "±"):
        assert "takes a value without an uncertainty" in said(f"a = '3 W {mark} 1 W'", a=Field("power"))


def test_what_is_shown_of_a_long_value():
    assert f"got the text '{'x' * 60}'." in said(f"a = '{'x' * 60}'", a=Field("boolean"))
    assert f"got the text '{'x' * 57}...'." in said(f"a = '{'x' * 61}'", a=Field("boolean"))
    for text, shown in (
        ("1", "the number 1"),
        ("true", "true"),
        ("false", "false"),
        ("{}", "a table"),
        ("[]", "a list"),
        ("07:00:00", "07:00:00"),
    ):
        assert f"got {shown}." in said(f"a = {text}", a=Field("date"))


def test_what_cannot_be_read_is_shown_with_its_own_row_and_way():
    for text, words in (
        ("a = 1\nb = [2", "in 'b = [2'. Write one key = value a line, text in quotes."),
        ("a = 1\na = 2", "(this key stands twice) in 'a = 2'. Keep one of the two."),
        ("[a]\n[a]", "(this key stands twice) in '[a]'. Keep one of the two."),
    ):
        assert said(text, a=Field("text")).endswith(words)


def test_a_value_within_a_table_and_a_list_is_told_by_its_own_key():
    inner = {"name": Field("list", item=Field("text")), "part": Field("tables"), "size": Field("text")}
    for text, words in (
        ("name = [1]", "a.name[1]: must be text in quotes, got the number 1. Write, for example: name = "),
        ("size = 1", "a.size: must be text in quotes, got the number 1. Write, for example: size = "),
        ("part = 1", "a.part: must be a list of tables, got the number 1. Begin each with a line [[a.part]]"),
    ):
        assert words in said(f"[a]\n{text}", a=Field("table", fields=inner))


def test_exactly_one_of_a_group_and_the_nearest_key():
    fields = {"radius": Field("length"), "diameter": Field("length"), "name": Field("text", required=True)}
    schema = Schema("test", fields, exactly_one=(("radius", "diameter"),))

    def told(text):
        with pytest.raises(FileError) as raised:
            parse_document(f"schema = 1\n{text}", schema, source="t.toml")
        return str(raised.value)

    assert parse_document("schema = 1\nname = 'a'\nradius = '1 mm'", schema, source="")["diameter"] is None
    assert told("name = 'a'") == "t.toml: Give exactly one of radius, diameter; found none."
    assert told("name = 'a'\nradius = '1 mm'\ndiameter = '2 mm'").startswith(
        "t.toml:4: diameter: give exactly one of radius, diameter; found radius and"
    )
    # a key that is misspelt is named, and neither it nor its group is missing too
    assert told("nam = 'a'\nradius = '1 mm'") == "t.toml:2: nam: is not a known key in a test file. The nearest known key is name."
    assert (
        told("name = 'a'\ndiametr = '1 mm'") == "t.toml:3: diametr: is not a known key in a test file. The nearest known key is diameter."
    )
    # half of the letters alike are near enough
    assert "The nearest known key is radius." in told("name = 'a'\nradxxx = '1 mm'")
    assert "Known keys: radius" in told("name = 'a'\nradius = '1 mm'\nraxxxx = 1")


def test_how_many_more_problems_there_are():
    fields = {name: Field("boolean") for name in "abc"}
    assert said("a = 1", **fields).endswith("got the number 1.")
    assert said("a = 1\nb = 1", **fields).endswith("(1 more problem in this file.)")
    three = said("c = 1\nb = 1\na = 1", **fields)
    assert three.startswith("t.toml:2: c: ")  # the first by its line
    assert three.endswith("(2 more problems in this file.)")
    # what has no line comes last
    assert said("a = 1", a=Field("boolean"), b=Field("text", required=True)).startswith("t.toml:2: a: ")


# ---------------------------------------------------------------- places


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("a = 'x", ":1:7: "),  # at the end of the document
        ("a = 1\nbbb = [", ":2:8: "),
        ("a = 1\nb = 3 mW\nc = 1", ":2:7: "),
        ("a = 1\n\n  \n= 2", ":4:1: "),
        (b"a = 1\nb = '\xe9'", ":2:6: byte 0xe9"),
        (b"\xe9", ":1:1: byte 0xe9"),
        (b"a\xe9", ":1:2: byte 0xe9"),
    ],
)
def test_where_a_text_cannot_be_read(text, place):
    with pytest.raises(FileError) as raised:
        parse_document(text, Schema("test", {}), source="t.toml")
    assert str(raised.value).startswith(f"t.toml{place}")


def test_how_much_of_a_line_is_shown():
    with pytest.raises(FileError, match=f" in '{'x' * 60}'. "):
        parse_document("x" * 61 + " 1", Schema("test", {}), source="t.toml")
    with pytest.raises(FileError, match=r"A value with a unit goes in quotes: power = \"3 mW\""):
        parse_document("power = 3 mW # at the resin", Schema("test", {}), source="t.toml")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xff\xfea", "is saved as UTF-16"),
        (b"\xfe\xffa", "is saved as UTF-16"),
        (b"PK\x03\x04", "is a zip or office document"),
        (b"PK\x03", "cannot be read as TOML"),
        (b"a\x00", "is a binary file"),
        (b"\xef\xbb\xbf", "is empty"),
        ("schema = 0", "is 0, but this version of curecalc reads"),
        ("schema = 2", "reads test files of schema 1. Update curecalc"),
        ("schema = 1.0", "must be the whole number 1"),
    ],
)
def test_what_is_no_document(data, words):
    with pytest.raises(FileError) as raised:
        parse_document(data, Schema("test", {}), source="t.toml")
    assert words in str(raised.value)


def test_an_older_schema_is_to_be_written_anew():
    with pytest.raises(FileError, match=r"is 1, but this version of curecalc reads test files of schema 3\. Write the file anew"):
        parse_document("schema = 1", Schema("test", {}, version=3), source="t.toml")


def test_lines_of_keys_in_strings_that_look_like_others():
    text = "\n".join(
        [
            "a = '''one",
            "b = 2'''''",  # two quotes of its own
            'c = """x\\"""',
            'd = 4"""',
            "'e f'.\"g\\t\\U00000041\" = 5 # h = 6",
            "[[i]] # [[j]]",
            "k = { l = [1, 2], m = 'n' }",
            "[[i]]",
            "[i . o]",
            "p = [",
            "  '[q]', # ]",
            "]",
            "r = 1",
        ]
    )
    import tomllib

    tomllib.loads(text)
    assert key_lines(text) == {
        ("a",): 1,
        ("c",): 3,
        ("e f",): 5,
        ("e f", "g\tA"): 5,
        ("i", 0): 6,
        ("i",): 6,
        ("i", 0, "k"): 7,
        ("i", 1): 8,
        ("i", 1, "o"): 9,
        ("i", 1, "o", "p"): 10,
        ("i", 1, "o", "r"): 13,
    }
    assert key_lines("") == {}


# ---------------------------------------------------------------- writing


def test_quantities_are_written_in_their_unit_and_dates_as_days():
    import datetime

    fields = {
        "power": Field("power", uncertain=True),
        "speed": Field("speed"),
        "day": Field("date"),
        "share": Field("fraction"),
        "warm": Field("temperature", uncertain=True),
    }
    values = {
        "power": Measured(Quantity(0.3, "W"), Quantity(6.0, "mW")),
        "speed": Quantity(2.0, "m/s"),
        "day": datetime.datetime(2026, 1, 31, 7, 0),
        "share": Quantity(0.5, ""),
        "warm": Measured(Quantity(23.0, "degC"), Quantity(0.5, "kelvin")),
    }
    text = document_text(Schema("test", fields), values, comment="said\n\nagain")
    assert text.startswith("# said\n#\n# again\nschema = 1\n")
    lines = dict(line.split(" = ") for line in text.splitlines()[3:])
    assert (lines["power"], lines["speed"], lines["day"], lines["share"]) == ('"0.3 W +- 0.006 W"', '"2.0 m/s"', "2026-01-31", "0.5")
    assert lines["warm"] == '"23.0 degC +- 0.5 degC"'
    bare = document_text(Schema("test", fields), {"power": Measured(Quantity(0.3, "W"), Quantity(0.0, "W"))})
    assert 'power = "0.3 W"' in bare


def test_a_starting_file_shows_the_first_of_a_group_and_what_is_given():
    fields = {
        "one": Field("length"),
        "two": Field("length"),
        "in": Field("table", fields={"x": Field("number"), "y": Field("number", start="3.5")}),
    }
    schema = Schema("test", fields, exactly_one=(("one", "two"),))
    text = starting_text(schema)
    assert 'one = "' in text.splitlines()[2]
    assert "# two = " in text
    assert "[in]\n# x = 1.5\n\ny = 3.5\n" in text
    text = starting_text(schema, values={"two": '"2 mm"', "in.x": "7"})
    assert "# one = " in text
    assert 'two = "2 mm"' in text
    assert "x = 7" in text.splitlines()


# ---------------------------------------------------------------- files


def test_a_file_and_a_pipe_of_just_the_largest_size(tmp_path, monkeypatch):
    assert disk.LARGEST == 4e6
    assert disk.json_text({"name": ["\u00e4"]}) == '{\n  "name": [\n    "\u00e4"\n  ]\n}\n'
    path = tmp_path / "a.toml"
    for size, good in ((10, True), (11, False)):
        path.write_bytes(b"x" * size)
        pipe = io.BytesIO(b"x" * size)
        monkeypatch.setattr("sys.stdin", pipe)
        for name in (path, "-"):
            if good:
                assert disk.read_bytes(name, what="test", largest=10) == b"x" * size
            else:
                with pytest.raises(FileError, match="is larger than 1e-05 MB, too large for a test file"):
                    disk.read_bytes(name, what="test", largest=10)


def test_what_can_be_read_but_once_is_read_from_its_beginning(monkeypatch):
    there, here = os.pipe()
    os.write(here, b"abc")
    os.close(here)
    monkeypatch.setattr("sys.stdin", open(there, "rb"))  # noqa: SIM115 - open_file closes it
    with disk.open_file("-", what="table") as stream:
        assert stream.read() == b"abc"


def test_a_new_file_may_be_read_by_whom_the_system_says(tmp_path):
    before = os.umask(0o027)
    try:
        disk.write_bytes(tmp_path / "a", "text")
        with pytest.raises(FileError, match="stands already"):
            disk.write_bytes(tmp_path / "a", "other")
    finally:
        after = os.umask(before)
    assert after == 0o027  # asking for it does not change it
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path) == ["a"]


def test_a_target_that_the_command_names_elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in.csv").write_text("x")
    (tmp_path / "bare").write_text("x")
    ok = {"endings": (".csv",)}
    for others in (["in.csv"], [["a", "./in.csv"]], [str(tmp_path / "in.csv")]):
        with pytest.raises(FileError, match="the command names this file in another place"):
            disk.check_target("--save", "in.csv", others=others, **ok)
    for others in ([], ["other.csv"], [None, 3, "", "a\0b", "x" * 5000], ["new"]):
        assert disk.check_target("--save", "in.csv", others=others, **ok).name == "in.csv"
    # a word that only looks like a name of a file that is not there
    assert disk.check_target("--save", "new", (), others=["new"]).name == "new"
    with pytest.raises(FileError, match="another place"):
        disk.check_target("--save", "new.csv", others=["new.csv"], **ok)
    with pytest.raises(FileError, match="another place"):
        disk.check_target("--save", "bare", (), others=["bare"])
    for path, words in (("a.txt", "the name ends in .csv"), ("no/a.csv", "the folder no does not exist"), ("a\u200b.csv", r"U\+200B")):
        with pytest.raises(FileError, match=words):
            disk.check_target("--save", path, **ok)
    with pytest.raises(FileError, match="stands already"):
        disk.check_target("--save", "in.csv", overwrite=False, **ok)


# ---------------------------------------------------------------- declarations


@pytest.mark.parametrize(
    ("field", "sample"),
    [
        (Field("number"), "1.5"),
        (Field("fraction"), "0.05"),
        (Field("power"), '"300 mW"'),
        (Field("text"), '"..."'),
        (Field("choice", choices=("a", "b")), '"a"'),
        (Field("date"), "2026-01-31"),
        (Field("boolean"), "true"),
        (Field("whole"), "1"),
        (Field("whole", minimum=1), "1"),
        (Field("whole", minimum=2), "2"),
        (Field("list", item=Field("number")), "[1.5]"),
        (Field("table"), "{}"),
        (Field("power", example="3 mW"), '"3 mW"'),
        (Field("number", example="3"), "3"),
        (Field("fraction", rule="finite", example="-3.5e-2"), "-3.5e-2"),
        (Field("fraction", example="5 %"), '"5 %"'),
        (Field("text", example="3"), '"3"'),
        (Field("choice", choices=("3",), example="3"), '"3"'),
        (Field("date", example="2026-02-01"), "2026-02-01"),
        (Field("whole", example="7"), "7"),
    ],
)
def test_what_is_shown_as_an_example(field, sample):
    assert field.sample() == sample
    assert parse_document(f"schema = 1\na = {sample}", Schema("test", {"a": field}), source="")["a"] is not None
    assert field.live() is None


def test_what_a_starting_file_shows_without_a_mark():
    assert Field("power", start=True).live() == '"300 mW"'
    assert Field("power", start="3 mW").live() == '"3 mW"'
    assert Field("number", start="3").live() == "3"


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "speeds"},
        {"kind": "speed", "rule": "odd"},
        {"kind": "list"},
        {"kind": "text", "item": Field("text")},
        {"kind": "choice"},
        {"kind": "text", "choices": ("a",)},
        {"kind": "table", "fields": {"a": Field("text")}, "exactly_one": (("a", "b"),)},
    ],
)
def test_a_declaration_that_makes_no_sense_is_refused(wrong):
    with pytest.raises(ValueError):
        Field(**wrong)


def test_what_is_missing_shows_what_to_write():
    for field, way in (
        (Field("table", required=True), "Write its keys below a line [a]"),
        (Field("tables", required=True), "Begin each with a line [[a]]"),
        (Field("speed", required=True), 'Add, for example: a = "'),
    ):
        assert f"a: is missing. {way}" in said("", a=field)


def test_the_names_of_a_choice_and_the_nearest_one():
    field = Field("choice", choices=("contour", "hatch"))
    assert read("a = 'hatch'", a=field)["a"] == "hatch"
    assert said("a = 'Hatching'", a=field).endswith("must be one of 'contour', 'hatch', got the text 'Hatching'. Did you mean 'hatch'?")
    assert said("a = 'x'", a=field).endswith("got the text 'x'.")
