"""The way through the job: the command's numbers, files that lead back to them, each browser its own work, hostile steps refused."""

import hashlib
import html
import io
import json
import math
import random
import re
import shlex
from pathlib import Path
from urllib.parse import urlencode

import pytest
from sampling import few

from curecalc.cli import main
from curecalc.jobs.machine import MACHINE

DEMO = Path(__file__).resolve().parents[2] / "demo"
HOME = {"Origin": "http://localhost"}
NAMES_A_BEAM = (DEMO / "machine.toml").read_bytes().replace(b"[beam]", b'[beam]\nbeam_record = "beam.toml"')


def _upload(name, content=None):
    return {"file": (io.BytesIO((DEMO / name).read_bytes() if content is None else content), name)}


@pytest.fixture
def walked(app):
    """A browser that has gone the whole way on invented data."""
    client = app.test_client()
    assert client.post("/work/invented", headers=HOME).headers["Location"] == "/beam"
    assert client.post("/beam/machine", headers=HOME).headers["Location"] == "/recipe"
    assert client.post("/coupons/use", headers=HOME, data={"lot": "7"}).headers["Location"] == "/recipe"
    return client


def _in_folder(client, folder, names=("machine.toml", "resin.toml", "needs.toml")):
    for name in names:
        (folder / name).write_bytes(client.get(f"/files/{name}").data)


@pytest.mark.slow
def test_the_recipe_is_the_command_s_from_the_files_taken_along(walked, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    _in_folder(walked, tmp_path)
    numbers = walked.get("/recipe/numbers.json").json
    command = shlex.split(walked.get("/recipe/command.txt").text)
    assert main([*command[1:], "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(numbers))
    text = html.unescape(walked.get("/recipe").text)
    for vector in numbers["vectors"]:
        assert f"{vector['scan_speed']['value']:.4g}" in text
    assert walked.get("/files/recipe.json").json["vectors"] == numbers["vectors"]
    sheet = walked.get("/files/sheet.pdf")
    assert sheet.data.startswith(b"%PDF")
    assert len(sheet.data) > 20_000
    assert walked.get("/files/recipe.csv").text.count("\n") > len(numbers["vectors"])


def test_each_step_hands_on_to_the_next_and_says_where_numbers_come_from(walked):
    recipe = html.unescape(walked.get("/recipe").text)
    assert "beam_knife_edge.csv put in" in recipe
    assert "Source: invented resin 7, fitted to 8 coupons on the view Lot." in recipe
    settings = html.unescape(walked.get("/settings").text)
    assert "Lot: invented resin 7, fitted to 8 coupons" in settings
    assert "--resin resin.toml" in settings
    assert "invented machine, bay 2" in settings
    start = walked.get("/").text
    assert start.count("(done)") >= 3


def test_browsers_do_not_share_their_work(app, walked):
    other = app.test_client()
    assert "Missing." in other.get("/recipe").text
    assert other.get("/files/machine.toml").status_code == 400
    walked.post("/work/empty", headers=HOME)
    assert "Missing." in walked.get("/recipe").text


def test_settings_show_the_machine_s_limits_and_the_range_of_the_coupons(walked):
    text = html.unescape(walked.get("/settings?scan_speed=7100+mm%2Fs").text)
    assert "The scan speed of 7100 mm/s is above what the machine" in text
    deep = html.unescape(walked.get("/settings?scan_speed=200+mm%2Fs").text)
    assert "lies outside the coupons'" in deep
    assert "about half of all layers fall short" in text
    solved = walked.get("/settings/speed.json")
    assert solved.json["scan_speed"]["value"] < 6000.0
    refused = walked.get("/settings/speed.json?overcure=0.01+mm&power=240+mW")
    assert "above the limit of 6000 mm/s" in refused.text


def test_own_values_of_the_resin_carry_no_correlation(client):
    before = client.get("/settings/command.txt").text
    assert "--correlation 0.9" in before
    after = client.get("/settings/command.txt?critical_exposure=10+mJ%2Fcm%5E2+%2B-+5+%25").text
    assert "--correlation" not in after


@pytest.mark.parametrize("spot", ["0.1 um", "1 um", "5 mm"])
def test_a_spot_out_of_all_proportion_is_answered_in_words(client, spot):
    page = client.get(f"/settings?{urlencode({'spot': spot})}")
    assert page.status_code == 200
    assert "failed here" not in page.text


def test_layers_that_do_not_bond_have_no_print_through(client):
    text = html.unescape(client.get("/stack?layer_thickness=0.3+mm").text)
    assert "do not bond" in text
    assert "leave out" not in text.lower().replace("leave out at", "")


def test_a_table_gives_the_same_numbers_as_csv_and_as_spreadsheet(client, tmp_path):
    writer = pytest.importorskip("xlsxwriter")
    pytest.importorskip("python_calamine")
    rows = [("coupon", "exposure [mJ/cm^2]", "thickness [um]", "thickness standard uncertainty [um]", "note")]
    rows += [(f"c{i}", 12.0 * 1.5**i, 40.0 + 57.0 * i + (-1) ** i * 3.0, 1.0 + 2.0 * (i % 3), "a, b") for i in range(7)]
    path = tmp_path / "lot.xlsx"
    with writer.Workbook(path) as book:
        sheet = book.add_worksheet()
        for r, row in enumerate(rows):
            sheet.write_row(r, 0, row)
    text = "\n".join(",".join(f'"{c}"' if "," in str(c) else str(c) for c in row) for row in rows)
    found = []
    for name, content in (("lot.csv", text.encode()), ("lot.xlsx", path.read_bytes())):
        answer = client.post("/coupons/upload", data=_upload(name, content), headers=HOME)
        assert answer.status_code == 303
        found.append(client.get(answer.headers["Location"].replace("/coupons?", "/coupons/numbers.json?")).json)
    assert found[0]["penetration_depth"] == found[1]["penetration_depth"]
    assert found[0]["method"] == found[1]["method"]


def test_a_spreadsheet_of_many_rows_is_refused_before_it_is_read(client, tmp_path, monkeypatch):
    writer = pytest.importorskip("xlsxwriter")
    path = tmp_path / "many.xlsx"
    with writer.Workbook(path, {"constant_memory": True}) as book:
        sheet = book.add_worksheet()
        for r in range(20_001):  # a row and a cell each
            sheet.write_number(r, 0, 1)
    monkeypatch.setattr("curecalc.page.coupons_view.spreadsheet_as_csv", lambda *_: pytest.fail("it was read"))
    answer = client.post("/coupons/upload", data=_upload("many.xlsx", path.read_bytes()), headers=HOME)
    assert answer.status_code in (400, 413)
    if answer.status_code == 400:
        assert "holds more than" in html.unescape(answer.text)


@pytest.mark.slow
def test_a_beam_that_is_not_in_the_machine_is_said(walked):
    """Put in: nothing to say. The machine given anew, or another beam measured: said on recipe and sheet, until it is put in."""
    said = "The machine was given without the beam measured in"
    assert said not in walked.get("/recipe").text + walked.get("/sheet").text
    machine = {"file": ((DEMO / "machine.toml").open("rb"), "machine.toml")}
    assert walked.post("/recipe/machine/read", data=machine, headers=HOME).status_code == 303
    for view in ("/recipe", "/sheet"):
        assert f"{said} beam_knife_edge.csv" in walked.get(view).text
    walked.post("/beam/machine", headers=HOME)
    assert said not in walked.get("/recipe").text + walked.get("/sheet").text
    walked.post("/beam/read", data=_upload("beam_slit.csv"), headers=HOME)
    assert f"{said} beam_slit.csv" in walked.get("/recipe").text


@pytest.mark.parametrize("file", few(["beam_knife_edge.csv", "beam_slit.csv", "beam_image.png", "beam_power.csv", "beam_caustic.csv"], 3))
def test_beam_files_give_the_command_s_numbers(app, capsys, monkeypatch, file):
    monkeypatch.chdir(DEMO)
    client = app.test_client()
    data = _upload(file) | ({"pixel_size": "4.4 um"} if file.endswith("png") else {})
    assert client.post("/beam/read", data=data, headers=HOME).status_code == 303
    numbers = client.get("/beam/numbers.json")
    command = shlex.split(client.get("/beam/command.txt").text)
    assert main([*command[1:], "--json"]) == 0
    # the command names its options in notes, where the library and the page name the value
    told = re.sub(r"--([a-z]+(?:-[a-z]+)*)", lambda m: m[1].replace("-", "_") + "=", capsys.readouterr().out)
    assert json.loads(told) == numbers.json
    assert client.get("/beam").text.count("<svg") == 1
    saved = client.get("/beam/beam.toml")
    assert saved.status_code == (400 if file == "beam_power.csv" else 200)


def test_the_angle_of_a_spot_goes_into_the_machine_file_with_its_uncertainty(walked, capsys, monkeypatch):
    monkeypatch.chdir(DEMO)
    assert walked.post("/beam/read", data=_upload("beam_image.png") | {"pixel_size": "4.4 um"}, headers=HOME).status_code == 303
    assert walked.post("/beam/machine", headers=HOME).headers["Location"] == "/recipe"
    machine = MACHINE.parse(walked.get("/files/machine.toml").text, source="machine.toml")
    assert main(["spot", "beam_image.png", "--pixel-size", "4.4 um", "--json"]) == 0
    angle = json.loads(capsys.readouterr().out)["angle"]
    assert float(machine.spot_angle.value.m_as("deg")) == pytest.approx(angle["value"], rel=1e-3)
    assert float(machine.spot_angle.standard_uncertainty.m_as("deg")) == pytest.approx(angle["standard_uncertainty"], rel=1e-2)
    assert angle["standard_uncertainty"] > 0.0


def _changes(client):
    table = re.search(r"<caption>What putting it in changes</caption>.*?</table>", client.get("/beam").text, re.S)
    rows = [] if table is None else re.findall(r'<th scope="row">(.*?)</th><td>(.*?)</td><td>(.*?)</td>', table[0])
    return {name: (now, then) for name, now, then in rows}


@pytest.mark.slow
def test_a_beam_says_what_it_changes_before_it_is_put_in(app):
    """A machine with a range keeps it and its uncertainty; one fixed spot takes the radius; a poor measurement makes it less sure."""
    client = app.test_client()
    client.post("/work/invented", headers=HOME)
    found = client.get("/beam/numbers.json").json["beam_radius"]
    ratio = found["y"]["value"] / found["x"]["value"]
    worst = max(found[axis]["standard_uncertainty"] / found[axis]["value"] for axis in "xy")
    assert f"{100.0 * worst:.3g} %" == "0.859 %"
    before = client.get("/files/machine.toml").text
    assert 'beam_radius_scale_uncertainty = "2.5 %"' in before
    changes = _changes(client)
    assert set(changes) == {"Radius ratio", "Spot angle", "Spot measurement"}
    assert float(changes["Radius ratio"][1]) == pytest.approx(ratio, abs=1e-6)
    client.post("/beam/machine", headers=HOME)
    machine = MACHINE.parse(client.get("/files/machine.toml").text, source="machine.toml")
    assert machine.beam_radius_scale_uncertainty == 0.025
    assert machine.radius_ratio == pytest.approx(ratio, abs=1e-6)
    assert machine.spot_measurement.startswith("beam_knife_edge.csv, knife edge, ")
    assert not _changes(client)
    assert "It is in the machine." in client.get("/beam").text
    for now, then in (("2.5 %", ""), ("0.1 %", "0.859 %")):
        text = before.replace('beam_radius_scale_uncertainty = "2.5 %"', f'beam_radius_scale_uncertainty = "{now}"')
        client.post("/recipe/machine/read", data={"file": (io.BytesIO(text.encode()), "m.toml")}, headers=HOME)
        assert _changes(client).get("Beam radius scale uncertainty", ("", ""))[1] == then
    fixed = re.sub(r"beam_radius_(min|max) = .*", r'beam_radius_\1 = "0.12 mm"', before)
    client.post("/recipe/machine/read", data={"file": (io.BytesIO(fixed.encode()), "m.toml")}, headers=HOME)
    assert _changes(client)["Beam radius scale uncertainty"] == ("2.5 %", "0.859 %")
    assert _changes(client)["Beam radius max"] == ("0.12 mm", f"{found['x']['value']:.6g} mm")


def test_settings_of_a_recipe_with_an_elliptical_spot_cure_what_the_recipe_says(walked):
    """At speed the weakest place gets the recipe's dose over its share near the ends: Dp ln of it apart, by the working curve."""
    vector = next(v for v in walked.get("/recipe/numbers.json").json["vectors"] if v["kind"] == "hatch")
    setting = walked.get("/settings/numbers.json").json
    dp = setting["inputs"]["penetration_depth"]["value"]
    expected = vector["cure_depth"]["value"] - dp * math.log(vector["dose_along_min"])
    assert setting["inputs"]["radius_y"]["value"] < 0.9 * setting["inputs"]["radius_x"]["value"]
    assert setting["cure_depth_min"]["value"] == pytest.approx(expected, abs=6e-5)  # texts of four digits
    text = html.unescape(walked.get("/settings").text)
    assert f"These are the settings of hatch in the recipe. The recipe's depth, {vector['cure_depth']['value']:.4f} mm, is that of" in text
    assert "These are the settings of" not in walked.get("/settings?passes=2").text


@pytest.mark.parametrize("ratio", few([0.85, 1.15], 2))
def test_the_direction_of_the_tracks_is_the_one_that_cures_least(walked, ratio):
    """Lines across the long axis of the spot are wider and weaker."""
    given = {"radius_ratio": "2", "spot_angle": "30 deg", "pattern": "line"}
    depths = [walked.get(f"/settings/numbers.json?{urlencode(given | {'track_angle': f'{a} deg'})}").json for a in (30, 120)]
    along, across = (d["cure_depth"]["value"] for d in depths)
    dp = depths[0]["inputs"]["penetration_depth"]["value"]
    assert across - along == pytest.approx(dp * math.log(2.0), rel=1e-9)  # peak of a line goes as 1 / its width across the track
    machine = walked.get("/files/machine.toml").text.replace("radius_ratio = 0.897323", f"radius_ratio = {ratio}")
    machine = machine.replace('spot_angle = "0 deg"', 'spot_angle = "30 deg"')
    walked.post("/recipe/machine/read", data={"file": (io.BytesIO(machine.encode()), "m.toml")}, headers=HOME)
    chosen = re.search(r'name="track_angle" value="(-?\d+) deg"', walked.get("/settings").text)[1]
    least = {a: walked.get(f"/settings/numbers.json?track_angle={a}+deg").json["exposure_min"]["value"] for a in ("30", "-60")}
    assert chosen == min(least, key=least.get)


def test_the_sheet_names_where_the_spot_was_read(walked):
    text = html.unescape(walked.get("/files/sheet.html").text)
    assert re.search(r"elliptical, y radius 0.897 of x, x at 0° \(beam_knife_edge.csv, knife edge, \d{4}-\d\d-\d\d\)", text)


def test_a_lot_is_named_by_its_table_and_belongs_to_the_file_handed_out(walked, client):
    shown = html.unescape(walked.get("/coupons").text)
    for name, value in (("resin", "invented resin"), ("lot", "7"), ("wavelength", "355 nm"), ("temperature", "24.4 degC")):
        assert f'name="{name}" value="{value}"' in shown
    assert "These coupons are invented" not in shown
    table = walked.get("/coupons/table.csv").data
    resin = walked.get("/files/resin.toml").text
    assert 'data_file = "coupons.csv"' in resin
    assert hashlib.sha256(table).hexdigest() in resin
    assert "These coupons are invented, to try the page with." in client.get("/coupons").text
    fresh = client.post("/coupons/use", headers=HOME)
    assert fresh.headers["Location"] == "/recipe"
    assert "fitted to 8 invented coupons on the view Lot" in client.get("/recipe").text
    # the lot before stays the lot before
    table = (DEMO / "coupons_lot_6.csv").read_text(encoding="utf-8")
    walked.post("/coupons/use", headers=HOME, data={"table": table})
    assert "<strong>Against invented resin 7: " in walked.get("/coupons").text


@pytest.mark.parametrize(
    ("place", "data", "words"),
    [
        ("/beam/read", {}, "No file was chosen"),
        ("/beam/machine", {}, "No file was read yet"),
        ("/coupons/use", {"table": "x"}, "coupons.csv"),
        ("/coupons/use", {"wavelength": "3 mW"}, "Wavelength"),
        (
            "/recipe/machine/read",
            {"file": (io.BytesIO(b"\xff\xfe"), "m.toml")},
            "m.toml: is not UTF-8 text. A machine file is plain text (TOML).",
        ),
        (
            "/recipe/resin/read",
            {"file": (io.BytesIO(b"#" * 200_001), "l.toml")},
            "l.toml: is too large for a lot file. Check that it is the right one.",
        ),
        ("/recipe/machine/read", {"file": (io.BytesIO(b"schema = 1"), "m.toml")}, "machine.toml"),
        ("/recipe/machine/read", {"file": (io.BytesIO(NAMES_A_BEAM), "m.toml")}, "put the beam into the machine on the view Beam"),
        ("/recipe/needs/form", {"name": "x"}, "layer_thickness"),
        ("/recipe/needs/form", {"name": 'a"\nb = 1'}, "'a\"?b = 1' holds a line break or a control character. Write it on one line."),
    ],
)
def test_steps_that_cannot_be_taken_are_said_and_change_nothing(app, place, data, words):
    client = app.test_client()
    before = client.get("/recipe").text
    answer = client.post(place, data=data, headers=HOME)
    assert answer.status_code == 400
    assert words in html.unescape(answer.text)
    assert "Traceback" not in answer.text
    assert client.get("/recipe").text == before


@pytest.mark.parametrize(
    "place", ["/work/invented", "/beam/read", "/map/read", "/beam/machine", "/coupons/use", "/recipe/machine/read", "/recipe/keep"][:]
)
def test_steps_are_taken_from_this_page_only(client, place):
    assert client.post(place).status_code == 403
    assert client.post(place, headers={"Origin": "http://evil.example"}).status_code == 403
    assert client.get(place).status_code in (404, 405)


def test_the_form_of_the_needs_is_made_from_the_declaration(walked):
    from curecalc.jobs.needs import NEEDS

    text = html.unescape(walked.get("/recipe/needs/form").text)
    for key, spec in NEEDS.schema.fields.items():
        if spec.kind != "tables":
            assert f'name="{key}"' in text
            assert spec.help.replace("\n", " ")[:40] in text.replace("\n", " ")
    for key in NEEDS.schema.fields["vectors"].fields:
        assert f'name="vectors.0.{key}"' in text
    fields = dict(re.findall(r'<input type="text" id="[^"]*" name="([^"]*)" value="([^"]*)"', walked.get("/recipe/needs/form").text))
    fields = {name: html.unescape(value) for name, value in fields.items()}
    fields |= dict(re.findall(r'name="(vectors\.\d\.pattern)".*?<option selected>(\w+)<', text, re.S))
    fields |= {"layer_thickness": "0.08 mm"} | {f"vectors.{i}.remove": "yes" for i in (2, 3, 4)}
    assert walked.post("/recipe/needs/form", data=fields, headers=HOME).status_code == 303
    kept = walked.get("/files/needs.toml").text
    assert 'layer_thickness = "0.08 mm"' in kept
    assert kept.count("[[vectors]]") == 2


def test_what_a_machine_file_says_survives_the_page(app):
    """The beam over the field, a table a place, and a `false` where left out means true: through a beam put in, and through the form."""
    client, places = app.test_client(), [(0, 0, 0.1), (100, 0, 0.11), (0, 100, 0.12)]
    file = (DEMO / "machine.toml").read_text(encoding="utf-8").replace("[beam]", "power_held = false\n[beam]")
    file += "".join(f'[[field]]\nx = "{x} mm"\ny = "{y} mm"\nradius_x = "{r} mm"\n' for x, y, r in places)
    client.post("/work/invented", headers=HOME)
    client.post("/recipe/machine/read", data={"file": (io.BytesIO(file.encode()), "m.toml")}, headers=HOME)
    client.post("/beam/machine", headers=HOME)
    form = client.get("/recipe/machine/form").text
    fields = dict(re.findall(r'<input type="text" id="[^"]*" name="([^"]*)" value="([^"]*)"', form))
    fields |= dict(re.findall(r'name="(laser.power_held)".*?<option selected>(\w+)<', form, re.S))
    assert client.post("/recipe/machine/form", data=fields | {"field.1.remove": "yes"}, headers=HOME).status_code == 303
    machine = MACHINE.parse(client.get("/files/machine.toml").text, source="machine.toml")
    assert not machine.power_held
    assert [tuple(float(q.m_as("mm")) for q in (p.x, p.y, p.radius_x.value)) for p in machine.field] == [places[0], places[2]]


@pytest.mark.slow
def test_a_new_reading_gives_new_speeds(walked):
    text = html.unescape(walked.get("/recipe?power=228+mW").text)
    assert "After the new reading" in text
    assert "has no unit" in html.unescape(walked.get("/recipe?power=228").text)


def _state(draw):
    """A random setting as an address, from sensible to odd."""

    def number(low, high):
        return f"{low * (high / low) ** draw.random():.4g}"

    state = {
        "power": f"{number(5, 900)} mW" + draw.choice(["", " +- 2 %", " +- 3 mW"]),
        "spot": draw.choice([f"{number(0.03, 0.4)} mm", f"{number(30, 400)} um +- 3 %"]),
        "spot_as": draw.choice(["radius", "diameter", "fwhm"]),
        "pattern": draw.choice(["raster", "raster", "line"]),
        "scan_speed": draw.choice([f"{number(80, 15000)} mm/s", f"{number(0.1, 9)} m/s"]),
        "hatch_spacing": f"{number(0.02, 0.3)} mm",
        "passes": str(draw.choice([1, 1, 2, 3])),
        "layer_thickness": f"{number(0.02, 0.3)} mm",
        "overcure": f"{draw.uniform(-0.02, 0.2):.3f} mm",
    }
    if draw.random() < 0.5:
        state |= {"penetration_depth": f"{number(0.05, 0.3)} mm +- 2 %", "critical_exposure": f"{number(3, 40)} mJ/cm^2 +- 4 %"}
    if draw.random() < 0.3:
        state["crossed"] = "yes"
    if draw.random() < 0.5:
        state |= {"radius_ratio": draw.choice(["1", "0.8", f"{number(0.3, 3)}"]), "spot_angle": f"{draw.uniform(-90, 90):.1f} deg"}
        state["track_angle"] = draw.choice(["0 deg", f"{draw.uniform(-90, 90):.1f} deg"])
    if draw.random() < 0.3:
        state["pulse_rate"] = f"{number(20, 500)} kHz"
    if draw.random() < 0.1:
        state[draw.choice(sorted(state))] = draw.choice(["x", "", "-1 mm", "3"])
    return state


@pytest.mark.parametrize("states", [4, pytest.param(200, marks=pytest.mark.slow)])
def test_random_states_show_the_numbers_of_the_command_line(walked, tmp_path, monkeypatch, capsys, states):
    """Numbers, notes and the place of the point in the figure are those that the printed command line gives."""
    monkeypatch.chdir(tmp_path)
    _in_folder(walked, tmp_path)
    draw, answered = random.Random(20), 0
    for _ in range(states):
        address = urlencode(_state(draw))
        page = walked.get(f"/settings?{address}")
        text = html.unescape(page.text).replace("±", "+-")
        assert page.status_code == 200
        for which, place in (("numbers", "command.txt"), ("speed", "speed-command.txt")):
            said = walked.get(f"/settings/{place}?{address}")
            numbers = walked.get(f"/settings/{which}.json?{address}")
            if said.status_code != 200:
                assert numbers.status_code == 400
                assert page.headers["X-Problem"] == "yes"
                continue
            status = main([*shlex.split(said.text)[1:], "--json"])
            out = capsys.readouterr()
            if numbers.status_code == 400:
                assert status in (2, 3)
                continue
            assert status == 0, (said.text, out.err)
            told = json.loads(out.out)
            assert told == numbers.json
            if which == "numbers":
                answered += 1
                for warning in told["warnings"]:
                    assert warning in text
                depth = told["cure_depth_min" if "hatch_spacing" in told["inputs"] else "cure_depth"]["value"]
                if depth > 0:  # the figure's own words
                    found = re.search(r'aria-label="Working curve[^"]*? ([\d.e-]+) (mm|um|nm) deep', text)
                    scale = {"mm": 1.0, "um": 1e-3, "nm": 1e-6}[found[2]]
                    assert float(found[1]) * scale == pytest.approx(depth, rel=6e-3)
            else:
                assert f"{told['scan_speed']['value']:.4g}"[:4] in text.replace(",", "")
    assert answered > 0.6 * states
