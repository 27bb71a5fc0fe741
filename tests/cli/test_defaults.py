"""What happens without an option is what its help says: the value in brackets, typed, changes nothing."""

import io
import re
from types import SimpleNamespace

import pytest
from parsers import parsers

from curecalc.cli import main
from curecalc.cli.manual import _box
from curecalc.errors import QuantityError

LIGHT = "--power 30mW --beam-radius 0.125mm --penetration-depth 0.15mm --critical-exposure 8mJ/cm2 --layer-thickness 0.1mm"
GUESS = "--penetration-depth 0.14mm --critical-exposure 9mJ/cm2 --at-depth 0.18mm --coupon-sd 4um --to 5%"
STATED = re.compile(r'\((?:default )?(-?\d[\d.e-]*)(?:: [\w ]+)?\)|"([^"]+)" \(default\)')


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "paths.csv").write_text("x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n0,0,1,0\n0,0.1,1,0.1\n")
    for name, least in (("a", 8.0), ("b", 9.0)):
        rows = [f"{k},{e},{1000 * 0.15 * (e / least - 1) ** 0.5:.0f}" for k, e in enumerate((12, 12, 20, 20, 40, 40, 80, 80), 1)]
        text = f"# lot = {name}, wavelength = 355 nm\ncoupon,exposure [mJ/cm^2],thickness [um]\n"
        (tmp_path / f"{name}.csv").write_text(text + "\n".join(rows) + "\n")
    _box(tmp_path / "box.stl")


@pytest.mark.parametrize(
    ("command", "options"),
    [
        (f"depth {LIGHT} --scan-speed 1m/s --hatch-spacing 0.1mm", "passes correlation"),
        (f"depth {LIGHT} --scan-speed 1m/s --incidence-angle 20deg", "s-polarised-share refractive-index"),
        (f"depth {LIGHT.replace('0.15mm', '0.15mm+-5%')} --scan-speed 1m/s --monte-carlo 1000", "seed confidence"),
        (f"stack {LIGHT} --scan-speed 1m/s", "passes"),
        (f"plan {GUESS} --power 240mW --hatch-spacing 0.1mm", "confidence assurance levels readings passes seed"),
        (f"map paths.csv {LIGHT} --scan-speed 1m/s", "speed-factor least-power numerical-error"),
        ("fit a.csv", "confidence"),
        ("compare a.csv b.csv --cure-depth 0.15mm --tolerance 8um", "confidence most-speed-change most-depth-change"),
        ("fit b.csv --prior a.toml", "lot-spread-depth lot-spread-exposure"),
        ("practice --print", "seed count"),
        ("log list --log s.db", "last"),
    ],
)
def test_a_stated_default_is_what_happens(folder, capsys, monkeypatch, command, options):
    words = command.split()
    known = next(parser for names, parser in parsers() if names == words[: len(names)] and names[-1] != "log")
    if "--prior" in words:
        assert main(["fit", "a.csv", "--save", "a.toml"]) == 0
    if "--log" in words:
        readings = "".join(f'{{"kind": "power", "machine": "north", "power": "{240 + k % 3} mW"}}\n' for k in range(45))
        monkeypatch.setattr("sys.stdin", io.StringIO(readings))
        assert main(["log", "add", "lines", "--log", "s.db"]) == 0
    capsys.readouterr()
    assert main(words) == 0
    plain = capsys.readouterr().out
    for option in options.split():
        text = next(action.help for action in known._actions if f"--{option}" in action.option_strings)
        value = next(filter(None, STATED.search(text).groups())).replace("%%", "%")
        assert main([*words, f"--{option}", value]) == 0
        assert capsys.readouterr().out == plain, (option, value)


def test_the_page_is_at_the_port_that_its_help_states(monkeypatch):
    opened = []

    def stop(host, port):
        opened.append((host, port))
        raise QuantityError("not in a test")

    monkeypatch.setattr("curecalc.page.server._opened", stop)
    monkeypatch.setattr("curecalc.page.server.create_app", lambda options: None)
    for typed in ("", "--port 8765", "--port 80 --host localhost", "--port http"):
        assert main(["page", *typed.split()]) == 2
    assert opened == [("127.0.0.1", 8765), ("127.0.0.1", 8765), ("localhost", 80)]


@pytest.mark.parametrize(
    ("pattern", "typed", "seen"),
    [
        ("raster", "", ("scan_speed", "hatch_spacing", 9)),
        ("line", "", ("scan_speed", "beam_radius", 9)),
        ("raster", "--points 5 --across power --up scan-speed", ("power", "scan_speed", 5)),
        ("raster", "--points 201", ("scan_speed", "hatch_spacing", 201)),
        ("raster", "--points 202", None),
        ("raster", "--points 4", None),
    ],
)
def test_the_axes_of_a_window(monkeypatch, capsys, pattern, typed, seen):
    from curecalc.cli import window

    asked = []
    machine = SimpleNamespace(layer_thickness_min=None, layer_thickness_max=None)
    monkeypatch.setattr(window, "made", lambda args: SimpleNamespace(machine=machine, main=SimpleNamespace(pattern=pattern)))
    monkeypatch.setattr("curecalc.recipe.window.process_window", lambda vector, *axes, points, **_: asked.append((*axes, points)))
    monkeypatch.setattr(window, "_text", lambda found: "")
    monkeypatch.setattr(window, "write_figure", lambda figure, args: None)
    monkeypatch.setattr("curecalc.figures.window.window_figure", lambda found: None)
    assert main(["window", *typed.split()]) == (2 if seen is None else 0)
    assert asked == ([] if seen is None else [seen])
    if seen:  # a picture asks for finer steps than a table
        assert main(["window", *typed.split(), "--figure", "w.png"]) == 0
        assert asked[1:] == [seen, (*seen[:2], 81)]


def test_what_a_chart_is_asked(folder, monkeypatch, capsys):
    """Weight and confidence as the help states them; values in the charted unit, a standard deviation of degC in kelvin."""
    asked = []
    monkeypatch.setattr("curecalc.logbook.drifting.drift_report", lambda book, quantity, **given: asked.append(given))
    monkeypatch.setattr("curecalc.cli.logtext.drift_text", lambda report: "")
    assert main(["log", "add", "note", "--note", "x", "--log", "s.db"]) == 0
    for typed, kept in (
        ("power", {"weight": 0.2, "confidence": 0.95, "baseline_points": None, "rules": ["limit"], "centre": None, "sd": None}),
        ("power --weight 0.3 --confidence 0.9 --baseline 2", {"weight": 0.3, "confidence": 0.9, "baseline_points": 2}),
        ("power --centre 0.3W --sd 4mW --limit 250mW", {"centre": pytest.approx(300.0), "sd": 4.0, "limit": 250.0}),
        ("temperature --centre 24degC --sd 1.5degC --limit 20degC", {"centre": 24.0, "sd": 1.5, "limit": 20.0}),
        ("temperature --rules two-of-three,limit", {"rules": ["two-of-three", "limit"]}),
    ):
        assert main(["log", "drift", *typed.split(), "--log", "s.db"]) == 0
        assert {name: asked[-1][name] for name in kept} == kept
    assert main(["log", "drift", "power", "--log", "s.db", "--baseline", "1"]) == 2
    assert main(["log", "drift", "power", "--log", "s.db", "--sd", "1mW"]) == 2


def test_recipes_are_drawn_from_the_first_seed(monkeypatch, capsys):
    from curecalc.cli import recipe

    asked = []
    monkeypatch.setattr(recipe, "made", lambda args: SimpleNamespace(vectors=()))
    monkeypatch.setattr(recipe, "recipe_text", lambda *_: "")
    monkeypatch.setattr("curecalc.recipe.file.recipe_record", lambda found: {})
    monkeypatch.setattr("curecalc.recipe.draws.draw_depths", lambda best, draws, seed: asked.append((draws, seed)) or [])
    for typed in ("", "--monte-carlo 1000", "--monte-carlo 2000 --seed 1", "--monte-carlo 1000 --seed 0"):
        assert main(["recipe", *typed.split()]) == 0
    assert asked == [(1000, 1), (2000, 1), (1000, 0)]
    assert main(["recipe", "--monte-carlo", "999"]) == 2
