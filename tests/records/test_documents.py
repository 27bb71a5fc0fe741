"""Documents: strict reading with one-line complaints, exact round trips, writing whole or not at all."""

import datetime
import hashlib
import os
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from curecalc.errors import FileError
from curecalc.files.disk import read_bytes, write_bytes
from curecalc.files.documents import Document, Field, Schema, document_text, parse_document, starting_text
from curecalc.files.places import key_lines
from curecalc.units import Measured, Quantity


def read_document(path, schema: Schema) -> Document:
    return parse_document(read_bytes(path, what=schema.name), schema, source=str(path))


def write_document(path, schema: Schema, values, *, overwrite: bool = False, comment: str = "") -> None:
    write_bytes(path, document_text(schema, values, comment=comment), overwrite=overwrite)


BEAM = Field(
    "table",
    fields={
        "beam_radius": Field("length", uncertain=True),
        "beam_diameter": Field("length", uncertain=True),
        "beam_fwhm": Field("length", uncertain=True),
    },
    exactly_one=(("beam_radius", "beam_diameter", "beam_fwhm"),),
)
SCHEMA = Schema(
    "machine",
    {
        "name": Field("text", required=True, help="The name you give it."),
        "power": Field("power", required=True, uncertain=True, help="At the resin surface.\nWith its uncertainty."),
        "slowest": Field("speed"),
        "fastest": Field("speed", low="1 mm/s", high="100 m/s", example="8 m/s"),
        "assurance": Field("fraction", high=1.0),
        "index": Field("number", uncertain=True),
        "date": Field("date"),
        "tuned": Field("boolean"),
        "passes": Field("whole", minimum=1),
        "temperatures": Field("list", item=Field("temperature", uncertain=True), minimum=1),
        "beam": BEAM,
        "needs": Field(
            "tables", fields={"kind": Field("choice", choices=("contour", "hatch"), required=True), "overcure": Field("length")}
        ),
    },
    help="A machine.",
)
GOOD = 'schema = 1\nname = "north"\npower = "300 mW +- 6 mW"\n'

FAULTS = [
    ("", "m.toml: is empty. A machine file begins with: schema = 1"),
    (" \n\n", "m.toml: is empty"),
    ('name = "x"', "m.toml: schema: is missing. Write schema = 1"),
    ('schema = "1"', "m.toml:1: schema: must be the whole number 1, got '1'."),
    ("schema = true", "m.toml:1: schema: must be the whole number 1"),
    ("\nschema = 2", "m.toml:2: schema: is 2, but this version of curecalc reads machine files of schema 1. Update curecalc"),
    ("schema = 1\n", 'm.toml: name: is missing. Add, for example: name = "..." (1 more problem in this file.)'),
    ("schema = 1\npower = 300 mW\n", "m.toml:2:13: cannot be read as TOML"),
    ("schema = 1\npower = 300 mW\n", 'A value with a unit goes in quotes: power = "300 mW"'),
    ("schema = 1\nname = 'a", "m.toml:2:"),
    (GOOD + "power = '1 mW'", "m.toml:4:"),
    (GOOD + "power = '1 mW'", "this key stands twice"),
    (GOOD + "nome = 'x'", "m.toml:4: nome: is not a known key in a machine file. The nearest known key is name."),
    (GOOD + "Assurance = 0.9", "The nearest known key is assurance."),
    (GOOD + "zzz = 1", "Known keys: name, power, slowest"),
    (GOOD + "slowest = 300", "m.toml:4: slowest: has no unit: got 300. Write it as text with its unit, like slowest = "),
    (GOOD + "slowest = '300'", "m.toml:4: slowest: has no unit: got '300'."),
    (GOOD + "slowest = '300 mW'", "m.toml:4: slowest: unknown unit 'mW'"),
    (GOOD + "slowest = '3,5 mm/s'", "like '3.5 mm/s'"),
    (GOOD + "slowest = '3 mm/s +- 1 mm/s'", "slowest: takes a value without an uncertainty"),
    (GOOD + "slowest = { value = '3 mm/s', standard_uncertainty = '1 mm/s' }", "slowest: takes a value without an uncertainty"),
    (GOOD + "slowest = true", "slowest: must be text with a number and a unit, got true"),
    (GOOD + "slowest = []", "slowest: must be text with a number and a unit, got a list"),
    (GOOD + "slowest = '-3 mm/s'", "m.toml:4: slowest: must be above zero, got -3 mm/s."),
    (GOOD + "slowest = '0 mm/s'", "must be above zero, got 0 mm/s."),
    (GOOD + "fastest = '0.5 mm/s'", "fastest: must be at least 1 mm/s, got 0.5 mm/s."),
    (GOOD + "fastest = '101 m/s'", "fastest: must be at most 100 m/s"),
    (GOOD + "assurance = 1.01", "m.toml:4: assurance: must be at most 1, got 1.01."),
    (GOOD + "assurance = '95'", "assurance: must be at most 1, got 95."),
    (GOOD + "assurance = nan", "assurance: "),
    (GOOD + "index = inf", "index: "),
    (GOOD + "index = { value = 1.5, standard_uncertainty = [] }", "standard_uncertainty has no unit: got a list"),
    (GOOD + "index = { standard_uncertainty = 0.1 }", "index: has no value."),
    (GOOD + "index = { value = 1.5, u = 0.1 }", "index: has the unknown key u."),
    (GOOD + "index = { value = '1 +- 2', standard_uncertainty = 0.1 }", "value must be one number with a unit"),
    (GOOD + "index = '1 +- -2'", "standard uncertainty must not be below zero"),
    (GOOD + "date = '1.2.2026'", "m.toml:4: date: must be a date as year-month-day, got the text '1.2.2026'."),
    (GOOD + "date = 2026-02-30", "m.toml:4:"),
    (GOOD + "date = 5", "must be a date"),
    (GOOD + "tuned = 'true'", "tuned: must be true or false (without quotes), got the text 'true'."),
    (GOOD + "tuned = 1", "tuned: must be true or false"),
    (GOOD + "passes = 0", "passes: must be a whole number of at least 1, got the number 0."),
    (GOOD + "passes = 1.0", "passes: must be a whole number"),
    (GOOD + "passes = true", "passes: must be a whole number of at least 1, got true."),
    (GOOD + "temperatures = []", "temperatures: needs at least 1, got 0."),
    (GOOD + "temperatures = '25 degC'", "temperatures: must be a list, got the text '25 degC'. Write, for example"),
    (GOOD + "temperatures = ['25 degC',\n'25 mm']", "m.toml:4: temperatures[2]: unknown unit 'mm'"),
    (GOOD + "temperatures = ['-300 degC']", "temperatures[1]: '-300 degC' is below absolute zero"),
    (GOOD + "beam = 3", "m.toml:4: beam: must be a table of keys, got the number 3."),
    (GOOD + "[beam]", "m.toml:4: beam: give exactly one of beam_radius, beam_diameter, beam_fwhm; found none."),
    (GOOD + "[beam]\nbeam_radius = '1 mm'\nbeam_fwhm = '1 mm'", "m.toml:6: beam.beam_fwhm: give exactly one of"),
    (GOOD + "[beam]\nbeam_radius = '1 mm'\nradius = '1 mm'", "m.toml:6: beam.radius: is not a known key here."),
    (GOOD + "[needs]\nkind = 'hatch'", "must be a list of tables, got a table. Begin each with a line [[needs]]"),
    (GOOD + "[[needs]]\nkind = 'hatch'\n[[needs]]\nkind = 'hatching'", "m.toml:7: needs[2].kind: must be one of 'contour'"),
    (GOOD + "[[needs]]\nkind = 'hatch'\n[[needs]]\n", "m.toml:6: needs[2].kind: is missing."),
    (GOOD + "[[needs]]\nkind = 3", "needs[1].kind: must be text in quotes, got the number 3."),
    ("schema = 1\nname = ' '\npower = '1 mW'", "m.toml:2: name: is empty."),
    (b"\xff\xfes\x00", "m.toml: is saved as UTF-16."),
    (b"PK\x03\x04abc", "m.toml: is a zip or office document."),
    (b"schema = 1\n\x00", "m.toml: is a binary file."),
    (b"schema = 1\nname = 'caf\xe9'", "m.toml:2:12: byte 0xe9 is not UTF-8 text."),
    ("schema = 1\nx = " + "[" * 5000 + "]" * 5000, "m.toml: is nested too deeply."),
]


@pytest.mark.parametrize(("text", "words"), FAULTS, ids=range(len(FAULTS)))
def test_a_fault_gets_one_line_that_names_place_rule_and_way_out(text: str | bytes, words: str) -> None:
    with pytest.raises(FileError) as raised:
        parse_document(text, SCHEMA, source="m.toml")
    message = str(raised.value)
    assert words in message
    assert "\n" not in message
    assert message.startswith("m.toml:")
    assert len(message) < 400


def test_every_kind_of_value_reads_to_its_type() -> None:
    text = (
        '\ufeffschema = 1\r\nname = \'a = [b] # c\'\r\npower = { value = "300 mW", standard_uncertainty = "2 %" }\r\n'
        "assurance = 0.95\r\nindex = 1.5\r\ndate = 2026-03-01\r\ntuned = false\r\npasses = 2\r\n"
        "temperatures = ['25 degC', '20 degC +- 0.5 K']\r\n[beam]\r\nbeam_fwhm = '0.2 mm +- 1 um'\r\n"
        "[[needs]]\r\nkind = 'hatch'\r\n"
    )
    document = parse_document(text, SCHEMA, source="m.toml")
    assert document["name"] == "a = [b] # c"
    assert document["power"].standard_uncertainty.m_as("mW") == pytest.approx(6.0, rel=1e-15)
    assert document["assurance"] == 0.95
    assert isinstance(document["assurance"], float)
    assert document["index"] == Measured(Quantity(1.5, ""), Quantity(0.0, ""))
    assert document["date"] == datetime.date(2026, 3, 1)
    assert document["tuned"] is False
    assert document["passes"] == 2
    assert document["temperatures"][1].standard_uncertainty.m_as("kelvin") == 0.5
    assert document["beam"]["beam_fwhm"].value.m_as("um") == pytest.approx(200.0)
    assert document["beam"]["beam_radius"] is None
    assert document["needs"] == [{"kind": "hatch", "overcure": None}]
    assert document["slowest"] is None
    assert document.sha256 == hashlib.sha256(text.encode()).hexdigest()


def test_missing_files_folders_and_giants_are_named(tmp_path) -> None:
    with pytest.raises(FileError, match=r"gone\.toml: there is no such file"):
        read_document(tmp_path / "gone.toml", SCHEMA)
    with pytest.raises(FileError, match="is a folder"):
        read_document(tmp_path, SCHEMA)
    giant = tmp_path / "giant.toml"
    with giant.open("wb") as stream:
        stream.truncate(5_000_000)
    with pytest.raises(FileError, match="larger than 4 MB"):
        read_document(giant, SCHEMA)
    with pytest.raises(FileError, match="cannot be read"):
        read_document("bad\0name", SCHEMA)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_without_the_right_to_read_is_named(tmp_path) -> None:
    locked = tmp_path / "locked.toml"
    locked.write_text(GOOD)
    locked.chmod(0)
    with pytest.raises(FileError, match="may not be read"):
        read_document(locked, SCHEMA)


def test_a_right_refused_is_said_plainly(tmp_path, monkeypatch) -> None:
    def refuse(*_args: object) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.read_bytes", refuse)
    path = tmp_path / "m.toml"
    path.write_text(GOOD)
    with pytest.raises(FileError, match=r"may not be read\. Close it in other programs"):
        read_document(path, SCHEMA)


# ---------------------------------------------------------------- writing

VALUES = {
    "name": 'quotes " and \\ and\nnew line, ünïcode, =1+1',
    "power": Measured(Quantity(0.3, "W"), Quantity(6.0, "mW")),
    "slowest": Quantity(0.1 + 0.2, "m/s"),
    "assurance": 0.9,
    "index": Measured(Quantity(1.5, ""), Quantity(0.25, "")),
    "date": datetime.date(2026, 1, 2),
    "tuned": True,
    "passes": 3,
    "temperatures": [Quantity(25.5, "degC"), Measured(Quantity(20.0, "degC"), Quantity(0.5, "kelvin"))],
    "beam": {"beam_diameter": Quantity(0.25, "mm")},
    "needs": [{"kind": "hatch", "overcure": Quantity(7.0, "um")}, {"kind": "contour", "overcure": None}],
}


def test_what_is_written_reads_back_exactly(tmp_path) -> None:
    path = tmp_path / "m.toml"
    write_document(path, SCHEMA, VALUES, comment="Made for a test.\nSecond line.")
    document = read_document(path, SCHEMA)
    assert path.read_text().startswith("# Made for a test.\n# Second line.\nschema = 1\n")
    assert document["name"] == VALUES["name"]
    assert document["power"].value.m == 0.3
    assert document["power"].standard_uncertainty.m_as("mW") == pytest.approx(6.0, rel=1e-15)
    assert document["slowest"].m == 0.1 + 0.2
    assert document["needs"][0]["overcure"].m_as("um") == 7.0
    assert document["needs"][1]["overcure"] is None
    assert document["temperatures"][1].standard_uncertainty.m_as("kelvin") == 0.5


@given(
    number=st.floats(1e-9, 1e9),
    relative=st.floats(1e-6, 10),
    unit=st.sampled_from(["mW", "W", "uW"]),
    name=st.text(min_size=1, max_size=40).filter(lambda t: t.strip()),
)
def test_any_text_and_any_power_come_back_as_they_were(number: float, relative: float, unit: str, name: str) -> None:
    power = Measured(Quantity(number, unit), Quantity(number * relative, unit))
    if any(0xD800 <= ord(c) <= 0xDFFF for c in name) or "\x00" in name:
        return
    document = parse_document(document_text(SCHEMA, {"name": name, "power": power}), SCHEMA, source="m")
    assert document["name"] == name
    assert document["power"].value.m == number
    assert document["power"].standard_uncertainty.m == number * relative


def test_a_standing_file_is_kept_unless_asked(tmp_path) -> None:
    path = tmp_path / "m.toml"
    path.write_text("mine")
    with pytest.raises(FileError, match="stands already"):
        write_document(path, SCHEMA, VALUES)
    assert path.read_text() == "mine"
    write_document(path, SCHEMA, VALUES, overwrite=True)
    assert read_document(path, SCHEMA)["passes"] == 3
    assert os.listdir(tmp_path) == ["m.toml"]


def test_nothing_is_written_when_the_values_do_not_fit(tmp_path) -> None:
    for wrong, words in (
        ({"power": Quantity(-1.0, "mW")}, "must be above zero"),
        ({"nome": "x"}, "nome is not a key"),
        ({"name": "x", "power": Quantity(1.0, "mW"), "needs": [{"kind": "other"}]}, r"needs\[1\]\.kind"),
    ):
        with pytest.raises(FileError, match=words):
            write_document(tmp_path / "m.toml", SCHEMA, wrong)
    assert os.listdir(tmp_path) == []


def test_failing_disks_and_missing_folders_leave_the_old_file(tmp_path, monkeypatch) -> None:
    with pytest.raises(FileError, match=r"does not stand\. Make it first"):
        write_document(tmp_path / "none" / "m.toml", SCHEMA, VALUES)
    path = tmp_path / "m.toml"
    path.write_text("old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match=r"cannot be written \(No space left on device\)"):
        write_document(path, SCHEMA, VALUES, overwrite=True)
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["m.toml"]


# ---------------------------------------------------------------- starting files and places


def test_a_starting_file_is_valid_and_explains_itself() -> None:
    text = starting_text(SCHEMA, values={"fastest": '"8 m/s"', "beam.beam_fwhm": '"0.2 mm"'})
    document = parse_document(text, SCHEMA, source="m")
    assert document["fastest"].m_as("m/s") == 8.0
    assert document["beam"]["beam_fwhm"].value.m_as("mm") == pytest.approx(0.2)
    assert document["beam"]["beam_radius"] is None
    assert "# At the resin surface.\n# With its uncertainty.\npower = " in text


def test_every_commented_key_of_a_starting_file_is_valid_too() -> None:
    lines = starting_text(SCHEMA).splitlines()
    prose = {line for field in SCHEMA.fields.values() for line in field.help.splitlines()} | {"A machine."}
    kept = [line if line[:2] != "# " or line[2:] in prose else line[2:] for line in lines]
    assert kept != lines
    keep_one = [line for line in kept if not line.startswith(("beam_diameter", "beam_fwhm"))]
    document = parse_document("\n".join(keep_one), SCHEMA, source="m")
    assert all(document[key] is not None for key in SCHEMA.fields)


def test_lines_of_keys_are_found_past_strings_comments_and_nesting() -> None:
    text = '''# [no]
a = """
b = 1 ""
"""   # c = 2
"q\\u0041" = '#' # x
d.e = [ # [z]
  "]", { f = 1 },
]
[t."dotted.key"]
g = \'\'\'
[x]\'\'\'
[[many]]
h = 1
[[many]]
[many.sub]
i = 2
[[many.deep]]
j = 3
'''
    tomllib.loads(text)
    assert key_lines(text) == {
        ("a",): 2,
        ("qA",): 5,
        ("d",): 6,
        ("d", "e"): 6,
        ("t", "dotted.key"): 9,
        ("t",): 9,
        ("t", "dotted.key", "g"): 10,
        ("many", 0): 12,
        ("many",): 12,
        ("many", 0, "h"): 13,
        ("many", 1): 14,
        ("many", 1, "sub"): 15,
        ("many", 1, "sub", "i"): 16,
        ("many", 1, "deep", 0): 17,
        ("many", 1, "deep", 0, "j"): 18,
    }


@given(st.text(max_size=300))
def test_no_text_ever_gets_a_traceback(text: str) -> None:
    said = ""
    try:
        parse_document(text.encode("utf-8", "surrogatepass"), SCHEMA, source="m.toml")
    except FileError as error:
        said = str(error)
    assert said.startswith("m.toml")
    assert "\n" not in said


@pytest.mark.skipif(os.name == "nt", reason="no such permissions")
def test_a_file_written_anew_keeps_who_may_read_write_and_run_it(tmp_path):
    path = tmp_path / "notes.toml"
    for mode in (0o600, 0o757):
        path.write_bytes(b"old")
        path.chmod(mode)
        write_bytes(path, b"new", overwrite=True)
        assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"new", mode)
