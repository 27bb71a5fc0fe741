"""`curecalc map` with every option it takes: the field saved, a picture of the beam, a machine's scanner, and what is refused."""

import json
import math

import numpy as np
import pytest

from curecalc.cli import main
from curecalc.cli import map as map_command
from curecalc.map.beam import beam_of, clean_picture
from curecalc.map.field import Grid, check_savable
from curecalc.physics import light
from curecalc.units import QuantityError

from .scenes import LINE, RADIUS

HEAD = "layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind\n"
SETTINGS = ["--power", "30mW", "--scan-speed", "1m/s", "--beam-radius", "0.125mm", "--penetration-depth", "0.15mm"]
SETTINGS += ["--critical-exposure", "8mJ/cm^2", "--layer-thickness", "0.1mm"]


@pytest.fixture
def ask(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "line.csv").write_text(HEAD + "1,0,0,4,0,hatch\n")

    def call(*more, command="map", settings=SETTINGS, status=0):
        assert main([command, "line.csv", *settings, *more]) == status, capsys.readouterr().err
        out, err = capsys.readouterr()
        return err if status else json.loads(out) if "--json" in more else out

    return call


def test_the_field_is_saved_as_it_was_worked_out(ask):
    """Middle of the line: sqrt(2/pi) P/(v W0), and its working curve; the file holds places, exposure and depth."""
    ask("--save", "field.npz", "--window", "1mm", "-0.3mm", "3mm", "0.3mm")
    with np.load("field.npz") as file:
        x, y, exposure, depth = (file[name] for name in ("x", "y", "exposure", "cure_depth"))
    assert exposure.shape == depth.shape == (y.size, x.size)
    assert (x[0], x[-1]) == (pytest.approx(1.0, abs=0.05), pytest.approx(3.0, abs=0.05))
    across = 100.0 * LINE * np.exp(-2.0 * (y / RADIUS) ** 2)
    assert exposure[:, x.size // 2] == pytest.approx(across, abs=2e-3)
    cured = across > 8.1
    assert depth[cured, x.size // 2] == pytest.approx(0.15 * np.log(across[cured] / 8.0), abs=1e-4)
    assert (depth[across < 7.9] == 0.0).all()


def test_a_factor_of_the_speed_and_a_ramp_at_the_ends(ask):
    plain, fast = ask("--json"), ask("--json", "--speed-factor", "2")
    assert fast["exposure_max"]["value"] == pytest.approx(plain["exposure_max"]["value"] / 2, rel=1e-6)
    slow = ask("--json", "--acceleration", "5000 mm/s^2", "--run-up-beam", "on", "--corner-speed", "100 mm/s")
    assert slow["exposure_max"]["value"] > 1.5 * plain["exposure_max"]["value"]  # the beam is on while the scanner slows down
    with_power = ask("--json", "--acceleration", "5000 mm/s^2", "--run-up-beam", "follows-speed", "--least-power", "0.2")
    assert plain["exposure_max"]["value"] < 1.001 * with_power["exposure_max"]["value"] < slow["exposure_max"]["value"]
    pulsed = ask("--json", "--pulse-rate", "100 kHz")
    assert pulsed["exposure_max"]["value"] == pytest.approx(plain["exposure_max"]["value"], rel=1e-4)  # ten pulses a hundredth of W0


def picture(path, ratio=1.0, noise=0.0):
    """A camera's picture of a Gaussian of radius 25 pixels, 12 bit, on a dark level of 200."""
    from PIL import Image

    y, x = np.mgrid[-64:64, -64:64] + 0.5
    bell = 200.0 + 3000.0 * np.exp(-2.0 * (x**2 + (y / ratio) ** 2) / 25.0**2)
    bell += noise * np.random.default_rng(3).standard_normal(bell.shape)
    Image.fromarray(np.round(bell).astype(np.uint16)).save(path)
    return np.round(bell)


@pytest.mark.parametrize(("noise", "allowed"), [(0.0, "0.01"), pytest.param(10.0, None, marks=pytest.mark.slow)])
def test_a_picture_of_the_beam_lights_the_map_as_its_gaussian_does(ask, noise, allowed):
    """With the error that the refusal names, or more."""
    picture("beam.png", noise=noise)
    given = ("--beam-picture", "beam.png", "--pixel-size", "5um")
    said = ask(*given, status=2)  # its rim, cut out of the noise, is an edge
    assert said.startswith("--numerical-error of 1e-05 of the peak is less than this picture of the beam can be drawn with. Allow ")
    least = said.partition("Allow ")[2].partition(",")[0]
    seen, plain = ask("--json", *given, "--numerical-error", allowed or least), ask("--json")
    assert seen["exposure_max"]["value"] == pytest.approx(plain["exposure_max"]["value"], rel=0.02)
    assert "--pixel-size is missing: the camera pixel pitch of the picture." in ask("--beam-picture", "beam.png", status=2)


def test_a_picture_is_freed_of_its_dark_level(tmp_path):
    image = picture(tmp_path / "beam.png", 1.5)
    light_only = clean_picture(image)
    assert light_only.max() == pytest.approx(image.max() - 200.0, abs=1.0)
    assert light_only.min() == 0.0
    assert light_only.sum() == pytest.approx(3000.0 * math.pi / 2 * 25.0 * 37.5, rel=0.01)
    rows, columns = light_only.shape
    assert rows > columns  # cut out: it is taller than wide
    with pytest.raises(QuantityError, match="holds no light above its dark rim"):
        clean_picture(np.full((40, 40), 7.0))
    with pytest.raises(QuantityError, match="a top hat's sharp outline cannot be put on a grid"):
        beam_of(light.TopHat(0.1), 1.0, 1.0)


def test_long_work_shows_how_far_it_is(monkeypatch, capsys):
    monkeypatch.setattr("sys.stderr.isatty", lambda: False, raising=False)
    assert map_command.progress("layers", "tiles") is None
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    show = map_command.progress("layers", "tiles")
    show(1, 3)
    show(3, 3)
    assert capsys.readouterr().err == f"\rlayers [{'#' * 10}{'.' * 20}] 1/3 tiles\rlayers [{'#' * 30}] 3/3 tiles\n"


def test_more_pixels_than_a_file_may_hold_are_refused_before_the_work(ask, monkeypatch):
    check_savable(Grid(0.0, 0.0, 1.0, 8000, 8000))
    with pytest.raises(QuantityError, match=r"^64008000 pixels are too many for one saved field, which holds 64000000\. Choose a part"):
        check_savable(Grid(0.0, 0.0, 1.0, 8000, 8001))
    monkeypatch.setattr("curecalc.map.answer.surveyed", None)
    wide = ("--save", "field.npz", "--pixel", "0.2um")
    assert "are too many for one saved field, which holds 64000000. Choose a part with --window." in ask(*wide, status=2)
    assert "are too many for one saved field, which holds 64000000. Choose a part with --window." in ask(*wide, command="part", status=2)
