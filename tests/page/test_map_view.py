"""The map of a layer on the page: numbers of the command, speed without a new deposit, what is refused and how."""

import html
import io
import json
import math
import re
import shlex
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
import pytest
from sampling import few

from curecalc.cli import main
from curecalc.page import PageOptions, create_app

DEMO = Path(__file__).resolve().parents[2] / "demo"
HOME = {"Origin": "http://localhost"}
HEAD = "layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind"
SQUARE = HEAD + "\n" + "\n".join(f"1,0,{0.1 * k:.1f},2,{0.1 * k:.1f},hatch" for k in range(21)) + "\n"


@pytest.fixture(scope="module")
def shop_client(parts):
    return create_app(PageOptions(parts=parts, burst=1e9, per_second=1e9)).test_client()


def sent(client, content, name="vectors.csv"):
    return client.post("/map/read", data={"file": (io.BytesIO(content.encode()), name)}, headers=HOME)


def told(client, capsys, folder, monkeypatch, query):
    """The page's numbers, and those its own command line gives on the files it hands out."""
    monkeypatch.chdir(folder)
    address = urlencode(query)
    words = shlex.split(client.get(f"/map/command.txt?{address}").text)
    (folder / words[2]).write_bytes(client.get(f"/map/paths.csv?{address}").data)
    if "recipe.json" in words:
        (folder / "recipe.json").write_bytes(client.get("/files/recipe.json").data)
    assert main([*words[1:], "--json"]) == 0
    return client.get(f"/map/numbers.json?{address}").json, json.loads(capsys.readouterr().out)


QUERIES = [
    {"paths": "invented"},
    {"paths": "invented", "layer": "15", "x": "4.2 mm", "y": "1.2 mm", "across": "2 mm"},
    {"paths": "invented", "layer": "15", "speed_factor": "1.4"},
]


@pytest.mark.parametrize("query", few(QUERIES, 3))
@pytest.mark.parametrize("shop", [False, True])
def test_numbers_are_those_of_the_command_and_stand_on_the_page(client, shop_client, shop, query, capsys, tmp_path, monkeypatch):
    one = shop_client if shop else client
    numbers, command = told(one, capsys, tmp_path, monkeypatch, query)
    assert numbers == command
    text = html.unescape(one.get(f"/map?{urlencode(query)}").text)
    for name in ("weakest", "deepest"):
        place = numbers[f"{name}_places"][0]
        where = f"x {place['x']['value']:.3f} y {place['y']['value']:.3f} mm, {place['kind']}, {place['why']}"
        shown = re.search(rf'{name.capitalize()} overcure</p><p class="value">([-\d.]+) mm</p><p class="under-value">([^<]*)<', text)
        assert shown[2] == where
        assert float(shown[1]) == pytest.approx(place["overcure"]["value"], rel=5e-3)
    assert f"at most {numbers['numerical_error']:.1e} of the peak" in text


def test_own_vectors_take_settings_by_kind_from_the_recipe(shop_client, capsys, tmp_path, monkeypatch):
    assert sent(shop_client, SQUARE).status_code == 303
    numbers, command = told(shop_client, capsys, tmp_path, monkeypatch, {})
    assert numbers == command
    hatch = next(v for v in shop_client.get("/recipe/numbers.json").json["vectors"] if v["kind"] == "hatch")
    # far inside a field of lines the mean is P / (v h), whatever the spot: a balance of energy
    mean = hatch["power"]["value"] / (hatch["scan_speed"]["value"] * 0.1) * 100.0
    middle = shop_client.get(f"/map/numbers.json?{urlencode({'x': '1 mm', 'y': '1 mm', 'across': '0.5 mm'})}").json
    assert middle["exposure_mean"]["value"] == pytest.approx(mean, rel=0.01)


@pytest.mark.parametrize("ratio", few([0.85, 1.0, 1.15], 3))
def test_the_machine_s_elliptical_spot_lights_the_map(parts, capsys, tmp_path, monkeypatch, ratio):
    """The middle of a long line gets sqrt(2/pi) P/(v W) of the radius across it: the line integral of a Gaussian."""
    folder = Path(parts["machine"].path).parent
    machine = (folder / "machine.toml").read_text(encoding="utf-8").replace("[beam]", f"[beam]\nradius_ratio = {ratio}")
    app = create_app(PageOptions(parts=parts, burst=1e9, per_second=1e9))
    client = app.test_client()
    read = client.post("/recipe/machine/read", data={"file": (io.BytesIO(machine.encode()), "machine.toml")}, headers=HOME)
    assert read.status_code == 303
    assert sent(client, HEAD + "\n1,0,0,6,0,hatch\n").status_code == 303
    query = {"x": "3 mm", "y": "0 mm", "across": "1 mm"}
    numbers, command = told(client, capsys, tmp_path, monkeypatch, query)
    assert numbers == command
    hatch = next(v for v in client.get("/recipe/numbers.json").json["vectors"] if v["kind"] == "hatch")
    across = ratio * hatch["beam_radius"]["value"]
    peak = 100.0 * math.sqrt(2.0 / math.pi) * hatch["power"]["value"] / (hatch["scan_speed"]["value"] * across)
    assert numbers["exposure_max"]["value"] == pytest.approx(peak, rel=2e-3)


def test_a_speed_factor_divides_every_exposure(client):
    """Exposure goes as one over the speed: plain kinematics; depth falls by Dp ln(factor), the working curve."""
    base = client.get("/map/numbers.json?paths=invented").json
    faster = client.get("/map/numbers.json?paths=invented&speed_factor=1.6").json
    for name in ("exposure_min", "exposure_mean", "exposure_max"):
        assert faster[name]["value"] == pytest.approx(base[name]["value"] / 1.6, rel=1e-9)
    shown = [
        float(re.search(r'Weakest overcure</p><p class="value">([\d.]+)', client.get(f"/map?paths=invented{more}").text)[1])
        for more in ("", "&speed_factor=1.6")
    ]
    dp = 0.142  # of the invented resin, as the page's command line says
    assert "--penetration-depth '0.142 mm" in client.get("/map/command.txt?paths=invented").text
    assert shown[0] - shown[1] == pytest.approx(dp * math.log(1.6), abs=2e-4)


def test_moving_the_slider_deposits_nothing(client, monkeypatch):
    from curecalc.map import field

    text = client.get("/map?paths=invented&layer=3").text
    scales, wide, high = re.search(r"""<svg data-scale='([^']*)'[^>]*viewBox="0 0 ([\d.]+) ([\d.]+)\"""", text).groups()
    assert float(wide) * 25.4 / 72.0 == pytest.approx(122.0, abs=0.1)
    seen, _ = json.loads(html.unescape(scales))
    across, up = (seen["x"]["to"] - seen["x"]["from"]) / float(wide), (seen["y"]["to"] - seen["y"]["from"]) / float(high)
    # a millimetre is as long across as up
    assert across / (seen["right"] - seen["left"]) == pytest.approx(up / (seen["bottom"] - seen["top"]), rel=1e-3)
    monkeypatch.setattr(field, "best_body", lambda: pytest.fail("deposited again"))
    assert 'role="alert"' not in client.get("/map?paths=invented&layer=3&speed_factor=1.31").text


def test_the_machine_that_keeps_the_beam_on_is_mapped_anew():
    """With the beam on through run-up, doses do not go as one over the speed: `faster` refuses."""
    from curecalc.errors import QuantityError
    from curecalc.formulas.resin import Resin
    from curecalc.map.look import looked
    from curecalc.paths.table import table_paths
    from curecalc.units import Quantity as Q

    paths = table_paths("square.csv", SQUARE.encode(), max_rows=100)
    lit = paths.filled({}, default={"power": 200.0, "scan_speed": 2000.0, "beam_radius": 0.1})
    options = {
        "resin": Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2")),
        "layer_thickness": Q(0.1, "mm"),
        "layer": 1,
        "scanning": {"acceleration": Q(1e7, "mm/s^2"), "run_up_beam": "on"},
    }
    look = looked(lit, **options)
    assert not look.scales
    with pytest.raises(QuantityError, match="Map the paths at that speed"):
        look.faster(2.0)
    ends = [float(one.answer.exposure_max.m_as("mJ/cm^2")) for one in (look, looked(lit.faster(2.0), **options))]
    assert abs(ends[1] / ends[0] - 0.5) > 0.05


def test_values_sent_with_the_picture_are_those_of_a_moving_beam(client):
    """The nearest value of the coarse grid against the sum over the lines, written out: E = sum of erf differences (derived)."""
    from scipy.special import erf

    assert sent(client, SQUARE).status_code == 303
    text = html.unescape(client.get("/map").text)
    grid = json.loads(re.search(r"data-values='([^']*)'", text)[1])
    values = np.array([[math.nan if v is None else v for v in row] for row in grid["values"]])
    assert values.size <= 3000
    command = shlex.split(client.get("/map/command.txt").text)
    power, speed, radius, dp, ec = (
        float(command[command.index(f"--{n}") + 1].split()[0])
        for n in ("power", "scan-speed", "beam-radius", "penetration-depth", "critical-exposure")
    )
    x = grid["x"] + grid["pixel"] * np.arange(values.shape[1])
    y = grid["y"] + grid["pixel"] * np.arange(values.shape[0])
    root = math.sqrt(2.0) / radius
    along = 0.5 * (erf(root * x) - erf(root * (x - 2.0)))
    across = sum(np.exp(-2.0 * ((y - 0.1 * k) / radius) ** 2) for k in range(21))
    dose = 100.0 * math.sqrt(2.0 / math.pi) * power / (radius * speed) * np.outer(across, along)
    solid = dose > 1.02 * ec
    assert np.isnan(values[dose < 0.98 * ec]).all()
    assert values[solid] == pytest.approx(1e3 * (dp * np.log(dose[solid] / ec) - 0.1), abs=0.2)


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"layer": "99"}, "holds 1 to 20"),
        ({"layer": "1.5"}, "Layer must be a whole number"),
        ({"layer": "x"}, "Layer"),
        ({"across": "400 mm"}, "Map more with: curecalc map"),
        ({"across": "-1 mm"}, "Width of the view must be"),
        ({"x": "1e4 mm"}, "nothing is exposed in the window"),
        ({"x": "1"}, "Centre x has no unit"),
        ({"speed_factor": "0"}, "All speeds times must be"),
        ({"speed_factor": "nan"}, "All speeds times"),
        ({"speed_factor": "1e-300"}, ""),
        ({"across": "1e-300 mm"}, ""),
    ],
)
def test_what_cannot_be_shown_is_said(client, query, words):
    address = urlencode({"paths": "invented"} | query)
    page = client.get(f"/map?{address}")
    assert page.status_code == 200
    if words:
        assert words in html.unescape(page.text)
        assert 'role="alert"' in page.text
        assert page.headers["X-Problem"] == "yes"
        for place in ("numbers.json", "command.txt", "map.svg"):
            refused = client.get(f"/map/{place}?{address}")
            assert refused.status_code == 400
            assert refused.text.count("\n") == 1


MANY = HEAD + "\n" + "1,0,0,90,90,hatch\n" * 19_000


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        ("", "a.csv", "empty"),
        ("x,y\n1,2\n", "a.csv", "a.csv:1"),
        (HEAD + "\n1,0,0,1,nan,hatch\n", "a.csv", "a.csv:2"),
        (HEAD + "\n1,0,0,1e300,0,hatch\n", "a.csv", "outside -1e5 to 1e5 mm"),
        (SQUARE, "a.npz", "curecalc map a.npz"),
        (SQUARE, "a.cli", "curecalc map a.cli"),
        (HEAD + "\n" + "1,0,0,1,1,h\n" * 20_001, "a.csv", "20000"),
    ],
)
def test_uploads_that_cannot_be_read_are_named_and_nothing_is_kept(app, content, name, words):
    client = app.test_client()
    answer = sent(client, content, name)
    assert answer.status_code == 400
    assert words in html.unescape(answer.text)
    assert "No table of vectors is here yet" in client.get("/map").text or 'role="alert"' in answer.text


def test_uploads_cannot_break_out_and_stay_with_their_browser(app):
    client = app.test_client()
    assert sent(client, SQUARE, "<script>alert(1)</script>.csv").status_code == 303
    assert "<script>alert" not in client.get("/map").text
    assert app.test_client().get("/map/paths.csv").status_code == 400, "one browser's table is not another's"


def test_too_much_light_for_one_view_is_refused_with_the_command(app):
    client = app.test_client()
    assert sent(client, MANY).status_code == 303
    assert "too much to look at. Map it with: curecalc map" in html.unescape(client.get("/map?across=10+mm").text)


def test_recorded_positions_are_shown_and_pass_faster(app, capsys, tmp_path, monkeypatch):
    client = app.test_client()
    ends = [(x, 0.1 * k) for k in range(11) for x in ((0, 2) if k % 2 == 0 else (2, 0))]
    rows = "".join(f"1,{0.001 * k:.3f},{x},{y:.1f},200\n" for k, (x, y) in enumerate(ends))
    assert sent(client, "layer,time [s],x [mm],y [mm],power [mW]\n" + rows).status_code == 303
    numbers, command = told(client, capsys, tmp_path, monkeypatch, {"speed_factor": "1.25"})
    assert numbers == command
    slow = client.get("/map/numbers.json").json
    assert numbers["exposure_max"]["value"] == pytest.approx(slow["exposure_max"]["value"] / 1.25, rel=1e-9)
