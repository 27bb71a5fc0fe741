"""What a map is asked for: settings by kind or by options, whose machine and resin, which beam; the saved field."""

import io
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.cli import map as mapping
from curecalc.cli.common import CommandParser
from curecalc.errors import QuantityError
from curecalc.units import Measured
from curecalc.units import Quantity as Q


def given(words):
    parser = CommandParser(prog="map")
    mapping.add_arguments(parser)
    return parser.parse_args(["paths.csv", *words.split()])


MACHINE = SimpleNamespace(power=Measured(Q(0.24, "W"), Q(1.0, "mW")))
SAVED = SimpleNamespace(
    record="record",
    machine="machine of the recipe",
    lot=SimpleNamespace(resin="resin of the recipe"),
    needs=SimpleNamespace(layer_thickness="layer of the recipe"),
)


class Paths(SimpleNamespace):
    def filled(self, settings, default):
        return Paths(settings=settings, default=default, factor=1.0)

    def faster(self, factor):
        return Paths(settings=self.settings, default=self.default, factor=factor)


@pytest.fixture
def known(monkeypatch):
    monkeypatch.setattr("curecalc.paths.stored.open_paths", lambda path: Paths())
    monkeypatch.setattr("curecalc.recipe.file.read_recipe", lambda path: SAVED)
    monkeypatch.setattr("curecalc.jobs.machine.read_machine", lambda path: MACHINE)
    monkeypatch.setattr("curecalc.map.settings.settings_by_kind", lambda record, path: f"settings of the {record}")
    monkeypatch.setattr(
        "curecalc.map.settings.scanning_of", lambda machine: {"acceleration": "of the machine", "pulse_rate": "of the machine"}
    )
    monkeypatch.setattr("curecalc.map.settings.spot_of", lambda machine: {"picture": "of the machine"})
    monkeypatch.setattr(mapping, "read_resin", lambda args: "resin of the options")
    monkeypatch.setattr(mapping, "_picture", lambda args: ("picture of the options", "pixel"))


@pytest.mark.parametrize(
    ("words", "settings", "default", "factor"),
    [
        ("--power 0.1W --scan-speed 2m/s --beam-radius 100um", {}, {"power": 100.0, "scan_speed": 2000.0, "beam_radius": 0.1}, 1.0),
        ("--machine m.toml", {}, {"power": 240.0}, 1.0),
        ("--machine m.toml --power 100mW --speed-factor 1.5", {}, {"power": 100.0}, 1.5),
        ("--recipe r.json", "settings of the record", {}, 1.0),
        ("--recipe r.json --machine m.toml --power 9mW", "settings of the record", {"power": 9.0}, 1.0),
        ("--recipe r.json --machine m.toml", "settings of the record", {}, 1.0),
    ],
)
def test_settings_of_the_vectors(known, words, settings, default, factor):
    paths, saved = mapping.filled_paths(given(words))
    assert (paths.settings, paths.default, paths.factor) == (settings, pytest.approx(default), factor)
    assert saved is (SAVED if "--recipe" in words else None)


def test_no_speed_is_nothing(known):
    with pytest.raises(QuantityError, match="--speed-factor must"):
        mapping.filled_paths(given("--speed-factor 0"))


LAYER = "--layer-thickness 0.1mm"


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (LAYER, {"resin": "resin of the options", "layer_thickness": Q(0.1, "mm"), "scanning": {}}),
        ("--recipe r.json", {"resin": "resin of the recipe", "layer_thickness": "layer of the recipe", "picture": "of the machine"}),
        (f"--recipe r.json {LAYER} --resin r.toml", {"resin": "resin of the options", "layer_thickness": Q(0.1, "mm")}),
        ("--recipe r.json --penetration-depth 1mm", {"resin": "resin of the options"}),
        (
            f"--machine m.toml {LAYER} --acceleration 1mm/s^2",
            {"scanning": {"acceleration": Q(1.0, "mm/s^2"), "pulse_rate": "of the machine"}},
        ),
        (f"{LAYER} --corner-speed 1mm/s --pulse-rate 80kHz", {"scanning": {"corner_speed": Q(1.0, "mm/s"), "pulse_rate": Q(80.0, "kHz")}}),
        (f"{LAYER} --run-up-beam follows-speed --least-power 5%", {"scanning": {"run_up_beam": "follows speed", "least_power": 0.05}}),
        (f"{LAYER} --pixel 1um --spot-angle 3deg", {"pixel": Q(1.0, "um"), "spot_angle": Q(3.0, "deg"), "scanning": {}}),
        (f"{LAYER} --numerical-error 1e-3 --radius-ratio 2 --workers 3", {"tolerance": 1e-3, "radius_ratio": 2.0, "workers": 3}),
        (f"{LAYER} --window 0mm 1mm 2mm 3mm", {"window": tuple(Q(k, "mm") for k in (0.0, 1.0, 2.0, 3.0))}),
        (f"{LAYER} --beam-picture b.png --machine m.toml", {"picture": "picture of the options", "picture_pixel": "pixel"}),
    ],
)
def test_the_keywords_of_a_map(known, words, found):
    _, options = mapping.field_options(given(words))
    assert {name: options[name] for name in found} == found


def test_a_shape_typed_stands_in_for_the_machine_s(known):
    for words, of_machine in (("", True), ("--radius-ratio 2", False), ("--beam-picture b.png", False)):
        _, options = mapping.field_options(given(f"--machine m.toml {LAYER} {words}"))
        assert (options.get("picture") == "of the machine") is of_machine
    with pytest.raises(QuantityError, match="--layer-thickness is missing"):
        mapping.field_options(given(""))


@pytest.mark.parametrize(("rows", "columns"), [(2, 3), (8000, 8000)])
def test_a_saved_field_is_in_the_units_that_are_stated(monkeypatch, rows, columns):
    """Exposure in mJ/cm^2, a hundred times a dose in mJ/mm^2; depth in mm; no more than 64 million pixels."""
    kept, asked = [], []
    shown = SimpleNamespace(x=np.array([1.0, 2.0, 3.0]), y=np.array([4.0, 5.0]))
    dose = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]])
    monkeypatch.setattr("curecalc.map.answer.dose_image", lambda job, window, most: asked.append(most) or (dose, shown, 0.0))
    monkeypatch.setattr(mapping, "write_target", lambda args, name, content: kept.append((name, content)))
    grid = SimpleNamespace(rows=rows, columns=columns, window=lambda: None)
    law = SimpleNamespace(depth=lambda dose: 2.0 * dose)
    answer = SimpleNamespace(job=SimpleNamespace(grid=grid, optics=SimpleNamespace(law=law)))
    mapping.save(None, answer)
    assert asked == [64_000_000]
    ((name, content),) = kept
    with np.load(io.BytesIO(content)) as field:
        assert name == "save"
        assert field["exposure"] == pytest.approx(100.0 * dose)
        assert field["cure_depth"] == pytest.approx(2.0 * dose)
        assert (*field["x"], *field["y"]) == (1.0, 2.0, 3.0, 4.0, 5.0)
    assert asked[0] >= rows * columns


def test_a_choice_that_is_none_names_those_there_are(capsys):
    from curecalc.cli import main

    assert main(["map", "p.csv", "--run-up-beam", "sometimes"]) == 2
    assert capsys.readouterr().err.startswith("--run-up-beam must be one of off, on, follows-speed, got 'sometimes'. See ")
    assert main(["new", "lamp"]) == 2
    assert capsys.readouterr().err.startswith(
        "machine|resin|needs|coupons|scan must be one of machine, resin, needs, coupons, scan, got 'lamp'."
    )
