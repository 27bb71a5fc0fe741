"""The file of a record: which keys stand where, several forms of one value, what is left out, where a complaint points."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import pytest

from curecalc.errors import FileError
from curecalc.files.records import Key, Origin, RecordFile, documented
from curecalc.units import Quantity


@dataclass(frozen=True, kw_only=True)
class Part:
    kind: Annotated[str, Key("text")]
    count: Annotated[int, Key("whole", minimum=1)] = 2


@documented
@dataclass(frozen=True, kw_only=True)
class Thing(Origin):
    """A thing."""

    name: Annotated[str, Key("text", help="Its name.")]
    radius: Annotated[Quantity, Key("length", also={"diameter": ("Across.", lambda d: d / 2.0), "third": ("A third.", lambda d: 3.0 * d)})]
    turns: Annotated[int, Key("whole", minimum=1)] = 1
    used: Annotated[bool, Key("boolean")] = False
    note: Annotated[str | None, Key("text", table="more", help="Of it.\nTwo lines.")] = None
    width: Annotated[Quantity, Key("length", table="size", also={"half": ("Half of it.", lambda h: 2.0 * h)})]
    parts: Annotated[tuple[Part, ...], Key("tables", of=Part)] = ()
    angles: Annotated[tuple[float, ...], Key("list", item=Key("number"))] = ()

    def problems(self) -> Iterator[tuple]:
        for name in ("name", "radius", "note", "width"):
            if self.name == f"bad {name}":
                yield name, "is wrong."
        if self.name == "bad part":
            yield ("parts", 1, "kind"), "is wrong."


FILE = RecordFile(Thing, "thing", help="A thing of ours.", tables={"size": "How large."})
HEAD = "schema = 1\nname = 'a'\n"
SIZE = "[size]\nwidth = '1 mm'\n"


def parse(text):
    return FILE.parse(text, source="t.toml")


@pytest.mark.parametrize(("key", "value"), [("radius", 2.0), ("diameter", 1.0), ("third", 6.0)])
def test_a_value_in_any_of_its_forms(key, value):
    found = parse(f"{HEAD}{key} = '2 mm'\n{SIZE}")
    assert found.radius.m_as("mm") == value
    assert parse(f"{HEAD}{key} = '2 mm'\n[size]\nhalf = '2 mm'\n").width.m_as("mm") == 4.0
    assert (found.turns, found.used, found.note, found.parts, found.angles) == (1, False, None, (), ())
    assert (found.path, found.lines["name",], found.lines["size", "width"]) == ("t.toml", 2, 5)
    with pytest.raises(FileError, match="diameter: give exactly one of radius, diameter, third; found radius and diameter"):
        parse(f"{HEAD}radius = '1 mm'\ndiameter = '2 mm'\n{SIZE}")
    for text in (f"{HEAD}{SIZE}", f"{HEAD}radius = '1 mm'\n", f"{HEAD}radius = '1 mm'\n[size]\n"):
        with pytest.raises(FileError):
            parse(text)


def test_a_record_is_written_without_what_is_empty_or_as_it_is_anyway():
    bare = Thing(name="a", radius=Quantity(1.0, "mm"), width=Quantity(2.0, "mm"))
    text = FILE.text(bare, comment="Said.")
    assert text == '# Said.\nschema = 1\nname = "a"\nradius = "1.0 mm"\nused = false\n\n[size]\nwidth = "2.0 mm"\n'  # a no is said
    parts = (Part(kind="x"), Part(kind="y", count=3))
    full = Thing(
        name="a", radius=Quantity(1.0, "mm"), width=Quantity(2.0, "mm"), turns=2, used=True, note="n", parts=parts, angles=(1.0, 2.0)
    )
    again = parse(FILE.text(full))
    assert (again.turns, again.used, again.note, again.parts, again.angles) == (2, True, "n", parts, (1.0, 2.0))
    assert "count = 2" not in FILE.text(full)
    assert "count = 3" in FILE.text(full)


@pytest.mark.parametrize(
    ("name", "more", "place"),
    [
        ("name", "radius = '1 mm'\n", "t.toml:2: name: is wrong."),
        ("radius", "diameter = '1 mm'\n", "t.toml:3: diameter: is wrong."),  # the form it was given in
        ("note", "radius = '1 mm'\n", "t.toml:6: more.note: is wrong."),
        ("width", "radius = '1 mm'\n", "t.toml:8: size.half: is wrong."),
        ("part", "radius = '1 mm'\n", "t.toml:13: parts[2].kind: is wrong."),
    ],
)
def test_a_complaint_points_at_the_key_that_was_written(name, more, place):
    text = f"schema = 1\nname = 'bad {name}'\n{more}\n[more]\nnote = 'n'\n[size]\nhalf = '1 mm'\n"
    text += "[[parts]]\nkind = 'x'\ncount = 1\n[[parts]]\nkind = 'y'\n"
    with pytest.raises(FileError) as said:
        parse(text)
    assert str(said.value) == place


def test_what_is_shown_ends_with_the_file_and_the_docstring_says_what_the_file_says():
    found = parse(f"{HEAD}radius = '2 mm'\n{SIZE}")
    assert [name for name, _ in found.rows()][-2:] == ["path", "sha256"]
    assert "name : text\n    Its name.\nradius : length\n" in Thing.__doc__
    assert "note : text, in [more]\n    Of it.\n    Two lines.\n" in Thing.__doc__


def test_a_starting_file_has_one_form_of_each_value_and_its_tables():
    text = FILE.start({"name": '"b"', "diameter": '"3 mm"', "size.half": '"1 mm"'})
    found = parse(text)
    assert (found.name, found.radius.m_as("mm"), found.width.m_as("mm")) == ("b", 1.5, 2.0)
    assert text.startswith("# A thing of ours.\nschema = 1\n")
    assert "# How large.\n[size]\n" in text
    assert "# radius = " in text
