"""The parts of the commands recipe and retune: what they take from where, and their figures in words, by hand."""

from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest

from curecalc.cli import recipe, retune
from curecalc.errors import QuantityError
from curecalc.jobs.needs import read_needs
from curecalc.units import Quantity as Q

DEMO = Path(__file__).parents[2] / "demo"


def vector(**values):
    blank = dict.fromkeys(("line_width", "upper", "corner_depth_error", "field_zones"))
    plain = {"ripple": Q(0.00123, "mm"), "print_through": Q(0.0456, "mm"), "compensation_layers": 2, "limits": ()}
    return SimpleNamespace(**(blank | plain | {"kind": "hatch", "dose_along_max": 1.0, "dose_along_min": 1.0} | values))


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({}, "ripple 1.23 um; print-through 45.6 um, leave out 2 layers below"),
        (
            {"line_width": Q(0.12345, "mm"), "contour_offset": Q(0.0617, "mm")},
            "line 0.123 mm wide, contour offset 0.0617 mm; print-through 45.6 um, leave out 2 layers below",
        ),
        ({"upper": {"line_width": Q(0.2, "mm")}, "assurance_asked": 0.95}, "at most (95 % assured): line width 200 um"),
        ({"dose_along_min": 0.96875, "dose_along_max": 1.0}, "along a vector 96.88 to 100 % of the steady dose"),
        ({"dose_along_min": 1.0, "dose_along_max": 1.03125}, "along a vector 100 to 103.1 % of the steady dose"),
        ({"dose_along_min": 0.97265625}, None),
        ({"corner_depth_error": Q(2e-6, "mm")}, "at a corner 0.002 um deeper"),
        ({"corner_depth_error": Q(5e-7, "mm")}, None),
        (
            {"field_zones": {"held_at": {"x": {"value": -50.0}, "y": {"value": 49.96}}, "gain": 0.0512}},
            "holds at x -50 mm, y 49.96 mm of the field; a speed for each zone gains 5.1 %",
        ),
    ],
)
def test_what_settings_bring_in_words(values, told):
    head, line = recipe._consequences(SimpleNamespace(vectors=[vector(**values)]))
    assert head == "What the settings bring"
    if told is None:
        assert line.endswith("leave out 2 layers below")
    else:
        assert line.startswith("  hatch: ")
        assert line.endswith(told)


def test_a_recipe_as_text(monkeypatch):
    view = {
        "title": "Recipe",
        "head": [("lot", "7")],
        "settings": [["hatch", "8", "x"]],
        "facts": [],
        "validity": ["valid"],
        "warnings": [],
    }
    monkeypatch.setattr("curecalc.sheets.recipe_view", lambda record: view)
    monkeypatch.setattr("curecalc.sheets.recipe_columns", lambda: ["kind", "speed", "why"])
    one = vector(limits=(SimpleNamespace(sentence="more power would help."),))
    record = {"monte_carlo": {"kinds": [{"kind": "hatch", "share_that_bonds": 0.98765, "draws": 2000}]}}
    lines = recipe.recipe_text(SimpleNamespace(vectors=[one]), record).splitlines()
    begin = ["Recipe", "lot   7", "", "kind   speed  why", "hatch      8  x", ""]
    begin += ["What moving a limit would gain", "  hatch: more power would help.", ""]
    assert lines[: len(begin)] == begin
    assert lines[len(begin) + 2 :][:3] == ["hatch: 98.77 % of 2000 draws bond", "", "valid"]
    view["facts"], view["warnings"] = ["a fact"], ["a doubt"]
    lines = recipe.recipe_text(SimpleNamespace(vectors=[vector()]), {}).splitlines()
    assert lines[6] == "What the settings bring"
    assert lines[8:15] == ["", "a fact", "", "valid", "", "note: a doubt", ""]


BLANK = dict.fromkeys(("machine", "machine_name", "lot", "resin", "needs", "log"))


@pytest.mark.parametrize(
    ("given", "asked"),
    [
        ({}, None),
        ({"lot": "L7"}, {"machine": None, "lot": "L7", "with_resin": True, "with_needs": True}),
        ({"lot": "L7", "resin": "r.toml"}, None),
        ({"machine_name": "north"}, {"machine": "north", "lot": None, "with_resin": True, "with_needs": True}),
        (
            {"machine_name": "north", "lot": "L7", "resin": "r.toml", "needs": "n.toml"},
            {"machine": "north", "lot": "L7", "with_resin": False, "with_needs": False},
        ),
    ],
)
def test_what_a_recipe_asks_of_the_logbook(monkeypatch, given, asked):
    calls = []

    def inputs(path, **names):
        calls.append(names)
        return "machine", "lot", "needs", "readings"

    monkeypatch.setattr("curecalc.logbook.recording.recipe_inputs", inputs)
    args = SimpleNamespace(**(BLANK | given))
    assert recipe._from_log(args) == ((None, None, None) if asked is None else ("machine", "lot", "needs"))
    assert calls == ([] if asked is None else [asked])


def test_a_machine_is_a_file_or_a_name_of_the_logbook():
    with pytest.raises(QuantityError, match="--machine and --machine-name: "):
        recipe._from_log(SimpleNamespace(**(BLANK | {"machine": "m.toml", "machine_name": "north"})))


def test_a_beam_record_lends_its_spot_and_its_doubts(monkeypatch):
    """What a saved recipe must know of the spot goes with its readings: those of the logbook, else those of the machine file."""
    monkeypatch.setattr("curecalc.jobs.machine.with_spot", lambda machine, record: "shaped")
    monkeypatch.setattr("curecalc.jobs.machine.spot_readings", lambda machine: {"spot": machine})
    machine = SimpleNamespace(power=Q(240.0, "mW"), power_reading_date=date(2026, 1, 31), power_meter="m")
    record = SimpleNamespace(beam=lambda needs_power: SimpleNamespace(notes=("odd",)))
    args = SimpleNamespace()
    assert recipe._with_beam(args, machine, record) == "shaped"
    power = {"value": 240.0, "unit": "mW"}
    plain = {"power": power, "power_reading_date": "2026-01-31", "power_meter": "m", "beam_radius_factor": 1.0}
    assert (args.beam_notes, args.readings) == (("odd",), plain | {"spot": "shaped"})
    args.readings = {"power": "newer"}
    recipe._with_beam(args, machine, record)
    assert args.readings == {"power": "newer", "spot": "shaped"}


FILES = dict.fromkeys(("machine", "resin", "needs", "beam", "log"))


@pytest.mark.parametrize(
    ("given", "made"),
    [
        ({}, "--machine is missing"),
        ({"machine": "m"}, "--resin is missing"),
        ({"machine": "m", "resin": "r"}, "--needs is missing"),
        ({"machine": "m", "resin": "r", "needs": "n"}, ("m file with named", "r file", "n file")),
        ({"machine": "m", "resin": "r", "needs": "n", "beam": "b"}, ("m file with b", "r file", "n file")),
        ({"log": "s"}, ("m log", "r log", "n log")),
        ({"log": "s", "beam": "b", "needs": "n"}, ("m log with b", "r log", "n log")),
    ],
)
def test_which_files_make_a_recipe(monkeypatch, given, made):
    monkeypatch.setattr("curecalc.files.records.RecordFile.read", lambda kind, path: f"{path} file")
    monkeypatch.setattr("curecalc.jobs.machine.named_spot", lambda machine: "named")
    monkeypatch.setattr("curecalc.jobs.lot.read_resin", lambda path: f"{path} file")
    monkeypatch.setattr("curecalc.jobs.needs.read_needs", lambda path: f"{path} file")
    monkeypatch.setattr("curecalc.jobs.beam.read_beam_record", lambda path: path)
    monkeypatch.setattr("curecalc.recipe.recipe.make_recipe", lambda machine, resin, needs: (machine, resin, needs))
    monkeypatch.setattr(recipe, "_from_log", lambda args: ("m log", "r log", "n log"))
    monkeypatch.setattr(recipe, "_with_work", lambda args, needs: needs)
    monkeypatch.setattr(recipe, "_with_beam", lambda args, machine, spot: f"{machine} with {spot}")
    args = SimpleNamespace(**(FILES | given))
    if isinstance(made, str):
        with pytest.raises(QuantityError, match=made):
            recipe.made(args)
    else:
        assert recipe.made(args) == made


WORK = dict.fromkeys(("area", "contour_length", "hatch_vectors", "contour_vectors"))


@pytest.mark.parametrize(
    ("given", "kind", "changed"),
    [
        ({"area": "12 cm^2"}, "hatch", {"area": pytest.approx(1200.0)}),
        ({"area": "0 mm^2", "hatch_vectors": "7"}, "hatch", {"area": 0.0, "count": 7}),
        ({"contour_length": "0.5 m", "contour_vectors": "1"}, "contour", {"total_length": 500.0, "count": 1}),
        ({"contour_length": "0 mm"}, "contour", {"total_length": 0.0}),
    ],
)
def test_the_work_of_a_layer_goes_to_the_first_kind_of_its_pattern(given, kind, changed):
    needs = read_needs(DEMO / "needs.toml")
    made = recipe._with_work(SimpleNamespace(**(WORK | given)), needs)
    (before,), (after,) = ([v for v in one.vectors if v.kind == kind] for one in (needs, made))
    units = {"area": "mm^2", "total_length": "mm"}
    found = {name: getattr(after, name) for name in changed}
    assert {name: value.m_as(units[name]) if name in units else value for name, value in found.items()} == changed
    assert [v for v in made.vectors if v.kind != kind] == [v for v in needs.vectors if v.kind != kind]
    assert before != after


@pytest.mark.parametrize(
    ("given", "what"),
    [
        ({"area": "1 mm^2"}, "raster kind for --area and --hatch-vectors"),
        ({"contour_vectors": "1"}, "line kind for --contour-length and --contour-vectors"),
    ],
)
def test_work_that_no_kind_can_take_is_refused(given, what):
    with pytest.raises(QuantityError, match=f"^n: has no {what}. Add one to the needs, or leave the option out.$"):
        recipe._with_work(SimpleNamespace(**(WORK | given)), SimpleNamespace(vectors=(), path="n"))


@pytest.mark.parametrize("given", [{"area": "-1 mm^2"}, {"contour_length": "-1 mm"}, {"hatch_vectors": "0"}, {"contour_vectors": "1.5"}])
def test_work_that_cannot_be_is_refused(given):
    with pytest.raises(QuantityError, match="--"):
        recipe._with_work(SimpleNamespace(**(WORK | given)), read_needs(DEMO / "needs.toml"))


def test_depth_is_drawn_along_the_shortest_and_the_longest_kind(monkeypatch):
    drawn = []
    monkeypatch.setattr("curecalc.figures.along.along_figure", lambda found, kinds: drawn.append(kinds))

    def kinds(*lengths):
        tasks = [SimpleNamespace(task=SimpleNamespace(vector_length=length)) for length in lengths]
        return SimpleNamespace(vectors=[SimpleNamespace(kind=f"k{n}", best=task) for n, task in enumerate(tasks)])

    recipe._along(kinds(12.0, 45.0, float("inf"), 4.0, 30.0))
    recipe._along(kinds(float("inf"), 5.0))
    assert drawn == [("k3", "k1"), ("k1",)]
    with pytest.raises(QuantityError, match="--along: the needs state no vector_length"):
        recipe._along(kinds(float("inf")))


READ = dict.fromkeys(("power", "power_meter", "beam_radius", "instead_of")) | {"earlier_reading_wrong": False}


@pytest.mark.parametrize(
    ("given", "power", "radius"),
    [
        ({"power": "225 mW"}, 225.0, None),
        ({"power": "0.2 W", "earlier_reading_wrong": True, "power_meter": "b"}, 200.0, None),
        ({"beam_radius": "0.1 mm", "instead_of": "98 um"}, None, (0.098, 0.1)),
        ({"power": "1 mW", "beam_radius": "0.1 mm", "instead_of": "98 um"}, 1.0, (0.098, 0.1)),
        ({}, "--power is missing", None),
        ({"power": "0 mW"}, "--power must be", None),
        ({"power_meter": "b"}, "--power-meter stands without --power", None),
        ({"beam_radius": "0.1 mm"}, "--instead-of is missing", None),
        ({"instead_of": "0.1 mm"}, "--beam-radius is missing", None),
        ({"beam_radius": "0 mm", "instead_of": "98 um"}, "--beam-radius must be", None),
        ({"beam_radius": "1 mm", "instead_of": "0 um"}, "--instead-of must be", None),
        ({"beam_radius": "1 mm", "instead_of": "1 mm", "earlier_reading_wrong": True}, "--earlier-reading-wrong stands without", None),
    ],
)
def test_new_readings(given, power, radius):
    args = SimpleNamespace(**(READ | given))
    if isinstance(power, str):
        with pytest.raises(QuantityError, match=power):
            retune._readings(args)
        return
    read, sizes = retune._readings(args)
    assert (read and read.value.m_as("mW")) == (power and pytest.approx(power))
    assert (sizes and tuple(q.m_as("mm") for q in sizes)) == (radius and pytest.approx(radius))


@pytest.mark.parametrize(
    ("given", "start"),
    [
        ({"recipe": "r.json", "power": "1 mW"}, ("r.json", "typed", "typed")),
        ({"log": "s.db", "machine": "north"}, ("kept", "kept", "kept")),
        ({"log": "s.db", "machine": "north", "power": "1 mW"}, ("kept", "typed", "typed")),
        ({"log": "s.db", "machine": "north", "beam_radius": "1 mm"}, ("kept", "typed", "typed")),
        ({"log": "s.db"}, None),
        ({"machine": "north"}, None),
    ],
)
def test_where_a_retune_starts(monkeypatch, given, start):
    monkeypatch.setattr("curecalc.recipe.file.read_recipe", lambda path: path)
    monkeypatch.setattr("curecalc.logbook.recording.retune_inputs", lambda path, machine: ("kept", "kept", "kept"))
    monkeypatch.setattr(retune, "_readings", lambda args: ("typed", "typed"))
    args = SimpleNamespace(**(dict.fromkeys(("recipe", "log", "machine", "power", "beam_radius")) | given))
    if start is None:
        with pytest.raises(QuantityError, match=r"RECIPE\.json is missing"):
            retune._start(args)
    else:
        assert retune._start(args) == start


def test_a_retune_on_the_logbook_s_own_readings_writes_no_reading_again(monkeypatch):
    """A power typed is a new reading and is kept as one; one that the logbook gave is there already."""
    kept = []
    monkeypatch.setattr(retune, "_new_record", lambda *_: {})
    monkeypatch.setattr("curecalc.cli.retune.said", lambda entry, path: {})
    monkeypatch.setattr("curecalc.logbook.recording.record_recipe", lambda path, record, **given: kept.append(given))
    lot = SimpleNamespace(lot="", resin=SimpleNamespace(name="clear"))
    saved = SimpleNamespace(record={}, machine=SimpleNamespace(name="north"), lot=lot)
    changes = [SimpleNamespace(kind="hatch", reason="slower"), SimpleNamespace(kind="contour", reason="as before")]
    args = SimpleNamespace(log="s.db", machine=None, lot=None, operator=None, **READ)
    for typed in (None, "225 mW"):
        args.power = typed
        retune._logged(args, SimpleNamespace(recipe=None, changes=changes), saved, "reading", None)
    assert [one["reading"] for one in kept] == [None, "reading"]
    assert {(one["machine"], one["lot"], one["operator"], one["reason"]) for one in kept} == {
        ("north", "clear", "", "hatch: slower; contour: as before")
    }
    assert kept[0]["options"] == {"power": "reading"}
    args.power_meter, args.earlier_reading_wrong, saved.lot.lot = "b", True, "L7"
    retune._logged(args, SimpleNamespace(recipe=None, changes=[]), saved, None, (Q(1.0, "mm"), Q(2.0, "mm")))
    assert kept[2]["lot"] == "L7"
    assert kept[2]["options"]["earlier_reading_wrong"] is True
    assert [one["quantity"]["value"] for one in kept[2]["options"]["beam_radius"]] == [1.0, 2.0]
    assert "power" not in kept[2]["options"]
