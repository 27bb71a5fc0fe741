"""Records declared once: read, checked, written, templated and described from the same line; the four jobs keep to it."""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Annotated, get_type_hints

import pytest

from curecalc.errors import FileError
from curecalc.files.records import Key, Origin, RecordFile, documented
from curecalc.jobs.beam import BEAM, BeamRecord, BudgetPart, beam_record, with_power
from curecalc.jobs.lot import RESIN, Lot
from curecalc.jobs.machine import MACHINE, Machine, starting_machine
from curecalc.jobs.needs import NEEDS, Needs, VectorNeeds, starting_needs
from curecalc.units import Measured
from curecalc.units import Quantity as Q


@dataclass(frozen=True, kw_only=True)
class Bulb:
    colour: Annotated[str, Key("choice", choices=("red", "blue"))]
    note: Annotated[str, Key("text")] = "none"


@documented
@dataclass(frozen=True, kw_only=True)
class Lamp(Origin):
    """A lamp."""

    name: Annotated[str, Key("text", "What it is called.", "bench lamp")]
    radius: Annotated[Q, Key("length", "Radius of the beam.", "2 mm", table="beam", also={"diameter": ("Across it.", lambda d: 0.5 * d)})]
    length: Annotated[Q, Key("length", "Along it.", "10 mm", table="beam", also={"half_length": ("Half of it.", lambda h: 2.0 * h)})]
    power: Annotated[Measured | None, Key("power", uncertain=True, table="drive", start="3 mW +- 1 %", example="3 mW")] = None
    on: Annotated[bool, Key("boolean", table="drive")] = False
    bulbs: Annotated[tuple[Bulb, ...], Key("tables", "One each.", of=Bulb)] = ()
    hours: int = 0

    def problems(self) -> Iterator[tuple[str, str]]:
        if self.radius > self.length:
            yield "radius", "is longer than the lamp."
        if any(one.note == "broken" for one in self.bulbs):
            yield ("bulbs", 1, "note"), "is sad."

    def completed(self):
        return replace(self, hours=len(self.bulbs))


LAMP = RecordFile(Lamp, "lamp", help="A lamp.", tables={"drive": "What drives it."})
TEXT = 'schema = 1\nname = "a"\n[beam]\nradius = "2 mm"\nhalf_length = "5 mm"\n'


def test_a_field_is_read_from_its_table_in_either_form_and_a_missing_one_is_the_records_default():
    lamp = LAMP.parse(TEXT + '[[bulbs]]\ncolour = "red"\n', source="l.toml")
    assert (lamp.radius.m_as("mm"), lamp.length.m_as("mm")) == (2.0, 10.0)
    assert (lamp.power, lamp.on, lamp.hours) == (None, False, 1)
    assert lamp.bulbs == (Bulb(colour="red"),)
    assert lamp.path == "l.toml"
    assert lamp.lines["beam", "half_length"] == 5
    assert LAMP.parse(TEXT.replace('radius = "2 mm"', 'diameter = "2 mm"'), source="l.toml").radius.m_as("mm") == 1.0


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "a"', "", "l.toml: name: is missing. Add, for example: name = "),
        ('radius = "2 mm"', "", "l.toml:3: beam: give exactly one of radius, diameter; found none."),
        ('radius = "2 mm"', 'radius = "2 mm"\ndiameter = "4 mm"', "l.toml:5: beam.diameter: give exactly one of radius, diameter;"),
        ('radius = "2 mm"', 'radius = "20 mm"', "l.toml:4: beam.radius: is longer than the lamp."),
        ('radius = "2 mm"', 'diameter = "50 mm"', "l.toml:4: beam.diameter: is longer than the lamp."),
        ("[beam]", "[beem]", "l.toml:3: beem: is not a known key in a lamp file. The nearest known key is beam."),
        ('"5 mm"', '"5 mm"\n[[bulbs]]\ncolour = "red"\n[[bulbs]]\ncolour = "red"\nnote = "broken"', "l.toml:10: bulbs[2].note: is sad."),
        ('"5 mm"', '"5 mm"\n[[bulbs]]\nnote = "x"', "l.toml:6: bulbs[1].colour: is missing."),
        ('"5 mm"', '"5 mm"\n[drive]\npower = "-1 mW"', "l.toml:7: drive.power: must be above zero, got -1 mW."),
    ],
)
def test_what_does_not_fit_names_the_place(old, new, said):
    with pytest.raises(FileError) as caught:
        LAMP.parse(TEXT.replace(old, new), source="l.toml")
    assert str(caught.value).startswith(said)


def test_what_is_written_is_what_differs_from_the_default_and_reads_back_the_same(tmp_path):
    lamp = LAMP.parse(TEXT + '[drive]\npower = "3 mW +- 0.1 mW"\n[[bulbs]]\ncolour = "blue"\n', source="l.toml")
    text = LAMP.text(lamp, comment="Kept.")
    assert text.startswith("# Kept.\nschema = 1\n")
    assert "note" not in text
    assert "on = false" in text  # a no is said, not left out
    LAMP.write(tmp_path / "l.toml", lamp)
    back = LAMP.read(tmp_path / "l.toml")
    assert [getattr(back, f.name) for f in fields(Lamp)[4:]] == [getattr(lamp, f.name) for f in fields(Lamp)[4:]]
    with pytest.raises(FileError, match=r"the lamp to be written:\d+: beam.radius: is longer than the lamp"):
        LAMP.text(replace(lamp, radius=Q(11.0, "mm")))


def test_a_starting_file_shows_what_must_stand_and_what_it_may_begin_with():
    text = LAMP.start()
    assert 'name = "bench lamp"' in text.splitlines()
    assert '# diameter = "2 mm"' in text.splitlines()  # the other form of the same value
    assert text.index("radius") < text.index("length =") < text.index("diameter") < text.index("half_length")
    assert "# What drives it.\n[drive]\n" in text
    assert 'power = "3 mW +- 1 %"' in text.splitlines()
    assert LAMP.parse(text, source="start").power.relative == pytest.approx(0.01)


def test_a_record_describes_its_fields_by_their_files_words():
    assert "radius : length, in [beam]\n    Radius of the beam." in Lamp.__doc__
    assert "power : power with uncertainty, in [drive]" in Lamp.__doc__


# ---------------------------------------------------------------- the four jobs

JOBS = ((Machine, MACHINE), (Needs, NEEDS), (Lot, RESIN), (BeamRecord, BEAM))


@pytest.mark.parametrize(("record", "file"), JOBS, ids=lambda one: getattr(one, "name", ""))
def test_every_field_of_a_job_stands_in_its_file_and_in_its_description(record, file):
    known = {}
    for name, one in file.schema.fields.items():
        known |= dict(one.fields) if one.kind == "table" else {name: one}
    own = [f.name for f in fields(record) if f.name not in {f.name for f in fields(Origin)}]
    assert set(own) <= set(known)
    for name in own:
        assert f"\n{name} : {known[name].kind}" in record.__doc__, name
    assert all(get_type_hints(record)[name] for name in own)


def test_starting_files_read_back_and_every_optional_line_is_true():
    for file, text in ((MACHINE, starting_machine()), (NEEDS, starting_needs()), (RESIN, RESIN.start())):
        record = file.parse(text, source="start")
        assert record.text == text
    machine = MACHINE.parse(starting_machine(), source="start")
    assert machine.power_reading_valid_for == Q(30.0, "day")
    assert (machine.scan_speed_uncertainty, machine.pulse_spacing_max, machine.power_meter) == (0.01, 1.0, "meter M-2")
    needs = NEEDS.parse(starting_needs(), source="start")
    assert [one.place for one in needs.vectors] == [0, 1, 2, 3, 4]
    assert needs.vectors[3].assurance == 0.99
    assert needs.single_layer


def test_needs_made_by_hand_are_held_to_the_rules_of_the_file():
    hatch = VectorNeeds(kind="hatch", pattern="raster", overcure=Q(0.08, "mm"), line_width_min=Q(0.1, "mm"))
    needs = Needs(name="n", layer_thickness=Q(0.1, "mm"), vectors=(hatch,))
    assert hatch.place == 0  # counted when the needs are complete
    assert next(needs.problems())[0] == ("vectors", 0, "line_width_min")
    assert list(replace(needs, vectors=(replace(hatch, line_width_min=None),)).problems()) == []


def test_a_beam_keeps_its_power_until_a_new_one_is_read(tmp_path):
    part = BudgetPart(of="power", name="meter", relative_standard_uncertainty=0.02)
    base = BeamRecord(radius_x=Measured(Q(0.1, "mm"), Q(0.001, "mm")), power=Measured(Q(200.0, "mW"), Q(4.0, "mW")), budget=(part,))
    BEAM.write(tmp_path / "b.toml", base)
    back = BEAM.read(tmp_path / "b.toml")
    assert back.budget == (part,)  # infinite degrees of freedom are left out of the file
    assert back.to_dict()["budget"][0]["degrees_of_freedom"] is None
    assert back.to_dict()["angle"]["value"] == 0.0
    from curecalc.spot.measure import measure_file

    power = tmp_path / "p.csv"
    power.write_text("time [s],power [mW]\n" + "".join(f"{i},{240 + i % 3}\n" for i in range(30)))
    read = with_power(back, measure_file(power), measured_on=None)
    assert read.power.value.m_as("mW") == pytest.approx(241.0, abs=0.1)
    assert {one.of for one in read.budget} == {"power"}
    assert "meter" not in {one.name for one in read.budget}
    scan = tmp_path / "k.csv"
    scan.write_text("x [mm],power [mW]\n0,99.9\n0.05,99.5\n0.1,97.725\n0.15,84.134\n0.2,50\n0.25,15.866\n0.3,2.275\n0.35,0.135\n0.4,0.01\n")
    radius = measure_file(scan, kind="knife-edge")
    kept = beam_record(radius, measured_on=None, base=base)
    assert (kept.power, [one.of for one in kept.budget].count("power")) == (base.power, 1)
    given = beam_record(radius, measured_on=None, base=base, power=Q(100.0, "mW"))
    assert (given.power.value.m, [one.of for one in given.budget].count("power")) == (100.0, 0)
