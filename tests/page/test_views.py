"""Views: same numbers as the command line, every state in the address, plain words for what cannot be read."""

import html
import json
import re
import shlex
from urllib.parse import parse_qs, urlencode
from xml.etree import ElementTree

import numpy as np
import pytest
from sampling import few

from curecalc.cli import main
from curecalc.page import PageOptions, create_app
from curecalc.symbols import symbols

PLACES = ["/", "/beam", "/recipe", "/sheet", "/window", "/settings", "/stack", "/coupons", "/lessons", "/lessons/raster", "/practice"]
PLACES += ["/map", "/map?paths=invented"]
FRAGMENT = {"X-Part": "yes"}
SETTINGS = [
    {},
    {"power": "0.31 W", "spot": "180 um", "spot_as": "diameter", "scan_speed": "2.5 m/s", "passes": "3", "crossed": "yes"},
    {"pattern": "line", "spot": "0.2 mm +- 3 %", "spot_as": "fwhm", "critical_exposure": "0.12 mJ/mm^2", "layer_thickness": "50 um"},
    {"scan_speed": "19 m/s", "power": "5 mW"},
]


@pytest.mark.parametrize("place", PLACES)
def test_pages_load_whole(client, place):
    answer = client.get(place)
    assert answer.status_code == 200
    assert answer.text.startswith("<!doctype html>")
    assert answer.text.rstrip().endswith("</html>")
    assert answer.text.count("<h1>") == 1
    assert "lass 4" in answer.text


@pytest.mark.parametrize("place", PLACES)
def test_nothing_is_fetched_from_elsewhere_and_nothing_is_inline(client, place):
    text = client.get(place).text
    for found in re.findall(r"""(?:src|href|action|formaction)=["']([^"']*)["']""", text):
        assert found.startswith(("/", "#")), found
        assert not found.startswith("//")
    assert not re.search(r"<[^>]+\sstyle=", text), "style attributes are refused by the content security policy"
    assert "<style" not in text
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
    assert not re.search(r"\son[a-z]+=", text)
    assert "url(http" not in text


@pytest.mark.parametrize("query", SETTINGS)
@pytest.mark.parametrize("view", ["settings", "stack"])
def test_numbers_and_command_line_agree_with_the_tool(client, capsys, view, query):
    address = urlencode(query)
    numbers = client.get(f"/{view}/numbers.json?{address}")
    command = shlex.split(client.get(f"/{view}/command.txt?{address}").text)
    assert command[0] == "curecalc"
    assert main([*command[1:], "--json"]) in ((0,) if numbers.status_code == 200 else (2, 3))
    if numbers.status_code == 200:
        assert json.loads(capsys.readouterr().out) == numbers.json
        assert numbers.headers["Content-Disposition"].startswith("attachment")


def _random_state(rng):
    """Any setting people might move to, sound or not."""
    query = {
        "power": f"{rng.uniform(20, 1500):.4g} mW" + rng.choice(["", " +- 2 %", " +- 5 mW"]),
        "spot": f"{rng.uniform(30, 300):.3g} um" + rng.choice(["", " +- 3 %"]),
        "spot_as": rng.choice(["radius", "diameter", "fwhm"]),
        "pattern": rng.choice(["raster", "raster", "line"]),
        "scan_speed": f"{10 ** rng.uniform(2, 4.2):.4g} mm/s",
        "hatch_spacing": f"{rng.uniform(0.03, 0.3):.3g} mm",
        "passes": str(rng.choice([1, 1, 1, 2, 3])),
        "crossed": rng.choice(["", "yes"]),
        "layer_thickness": f"{rng.uniform(15, 250):.3g} um",
        "penetration_depth": f"{rng.uniform(0.03, 0.4):.3g} mm" + rng.choice(["", " +- 4 %"]),
        "critical_exposure": f"{rng.uniform(2, 40):.3g} mJ/cm^2",
        "layers": rng.choice(["", "1", "7"]),
    }
    return {name: query[name] for name in query if rng.random() < 0.7}


@pytest.mark.slow
@pytest.mark.parametrize("view", ["settings", "stack"])
def test_random_states_agree_with_the_tool(client, capsys, tmp_path, monkeypatch, view):
    """Numbers, notes and, for some, the figure's bytes: what the page says is what its command line says."""
    import random

    monkeypatch.chdir(tmp_path)
    rng = random.Random(20261126)
    panel = {"settings": "section", "stack": "stack"}[view]
    answered = 0
    for k in range(24):
        address = urlencode(_random_state(rng))
        numbers = client.get(f"/{view}/numbers.json?{address}")
        command = shlex.split(client.get(f"/{view}/command.txt?{address}").text)
        figure = ["--figure", f"{k}.svg"] if k % 6 == 0 and numbers.status_code == 200 else []
        assert main([*command[1:], "--json", *figure]) in ((0,) if numbers.status_code == 200 else (2, 3)), address
        told = capsys.readouterr().out
        if numbers.status_code != 200:
            continue
        answered += 1
        assert json.loads(told) == numbers.json, address
        text = html.unescape(client.get(f"/{view}?{address}").text)
        for note in numbers.json.get("warnings", []):
            assert note in text, address
        if figure:
            assert client.get(f"/{view}/{panel}.svg?{address}").data == (tmp_path / f"{k}.svg").read_bytes()
    assert answered > 12


def test_coupons_agree_with_the_tool(client, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    address = urlencode([("exclude", "3"), ("exclude", "5"), ("depth", "150 um")])
    numbers = client.get(f"/coupons/numbers.json?{address}").json
    (tmp_path / "coupons.csv").write_bytes(client.get(f"/coupons/table.csv?{address}").data)
    command = shlex.split(client.get(f"/coupons/command.txt?{address}").text)
    assert main([*command[1:], "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    for name in ("penetration_depth", "critical_exposure", "correlation", "coupons", "readings", "exposure_for_depth"):
        assert told.get(name) == numbers.get(name), name
    assert numbers["coupons"] != json.loads(client.get("/coupons/numbers.json").text)["coupons"]


def test_the_numbers_on_the_page_are_those_of_the_json(client):
    text = html.unescape(client.get("/settings?pattern=line").text)
    numbers = client.get("/settings/numbers.json?pattern=line").json
    depth, spread = numbers["cure_depth"]["value"], numbers["cure_depth"]["standard_uncertainty"]
    assert f"{depth:.4f} ± {spread:.4f} mm" in text


@pytest.mark.parametrize("view", ["settings", "stack", "coupons"])
def test_part_and_page_hold_the_same_result(client, view):
    whole, part = client.get(f"/{view}").text, client.get(f"/{view}", headers=FRAGMENT).text
    assert "<html" not in part
    assert part.strip() in whole


def test_solved_speed_reaches_the_overcure_wanted(client):
    text = html.unescape(client.get("/settings?overcure=0.05+mm&power=150+mW").text)
    link = re.search(r'href="(/settings\?[^"]*)">Use this speed', text)[1]
    numbers = client.get(link.replace("/settings?", "/settings/numbers.json?")).json
    assert numbers["overcure"]["value"] == pytest.approx(0.05, abs=2e-4)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("power", "240", "Power at the surface has no unit"),
        ("power", "-3 mW", "Power at the surface must be"),
        ("power", "2,5 W", "decimal point, like '2.5 W'"),
        ("spot", "one", "cannot read 'one'"),
        ("scan_speed", "5 mW", "unknown unit 'mW'"),
        ("passes", "1.5", "Passes must be a whole number"),
        ("passes", "0", "Passes must be a whole number"),
        ("hatch_spacing", "", "Hatch spacing: nothing to read"),
        ("layer_thickness", "nan mm", "cannot read"),
        ("critical_exposure", "1e999 mJ/cm^2", "too large"),
        ("spot_as", "area", "Spot width must be one of"),
        ("pattern", "spiral", "Pattern must be raster or line"),
    ],
)
def test_what_cannot_be_read_is_said_at_the_field(client, name, value, words):
    address = urlencode({name: value})
    page = client.get(f"/settings?{address}")
    assert page.status_code == 200
    assert words in html.unescape(page.text)
    assert 'role="alert"' in page.text
    for ending in ("numbers.json", "command.txt", "curve.svg"):
        refused = client.get(f"/settings/{ending}?{address}")
        assert refused.status_code == 400
        assert refused.text.count("\n") == 1
        assert words in refused.text


def test_typed_text_stays_as_typed_and_cannot_break_out(client):
    hostile = '"><script>alert(1)</script>'
    for view in ("settings", "stack", "coupons", "practice"):
        for name in ("power", "table", "depth", "seed", "answer", "spot_as", "exclude", "grade"):
            text = client.get(f"/{view}?{urlencode({name: hostile})}").text
            assert "<script>alert" not in text
    table = "coupon,exposure [mJ/cm^2],thickness [um]\n" + "".join(
        f"<img src=x onerror=alert({i})>,{10 * 2**i},{70 + 70 * i}\n" for i in range(4)
    )
    text = client.get(f"/coupons?{urlencode({'table': table})}").text
    assert "<img src=x" not in text
    assert "&lt;img src=x" in text


@pytest.mark.parametrize("ending", ["svg", "png", "pdf"])
@pytest.mark.parametrize("place", few(["settings/curve", "stack/stack", "settings/section", "settings/exposure", "coupons/curve"], 3))
def test_figures_download(client, place, ending):
    answer = client.get(f"/{place}.{ending}")
    assert answer.status_code == 200
    start = {"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}[ending]
    assert answer.data.startswith(start)


DEFAULTS = {"fill": "#000000", "stroke": "none", "stroke-width": "1", "stroke-dasharray": "", "stroke-linejoin": "round", "opacity": "1"}


def _pieces(svg):
    """Words and paths of a drawing in their order, each with its look and its places; what follows in one look is one."""
    root = ElementTree.fromstring(svg)
    named, pieces = {one.get("id"): one for one in root.iter() if one.get("id")}, []

    def walk(one, clipped):
        kind = one.tag.rpartition("}")[2]
        clipped = clipped or one.get("clip-path") is not None
        look = tuple(str(float(one.get(k, d))) if d == "1" else one.get(k, d).lower() for k, d in DEFAULTS.items())
        if kind == "text":
            place = np.array([[float(one.get("x")), float(one.get("y"))]])
            pieces.append((("text", one.text, one.get("font-size"), one.get("text-anchor"), look[0]), [place]))
        elif kind in ("path", "use"):
            path = one if kind == "path" else named[one.get("href")[1:]]
            if kind == "use":
                look = (*look[:4], path.get("stroke-linejoin", "round"), look[5])
            aside = [0.0, 0.0] if kind == "path" else [float(one.get("x")), float(one.get("y"))]
            read = [re.findall(r"-?[0-9.]+", run) for run in path.get("d").split("M")[1:]]
            runs = [np.array(run, float).reshape(-1, 2) + aside for run in read]
            if one.get("fill-opacity") == "0":
                look = ("none", *look[1:])
            if look[0] != "none":
                runs = [np.vstack([run, run[:1]]) for run in runs]
            elif sum(map(len, runs)) == 1:  # a line from a place to itself
                return
            if pieces and pieces[-1][0] == ("path", clipped, *look):
                pieces[-1][1].extend(runs)
            else:
                pieces.append((("path", clipped, *look), runs))
        for inner in one if kind not in ("defs", "text") else ():
            walk(inner, clipped)

    walk(root, False)
    return pieces


def _farthest(places, runs):
    """How far the farthest place lies from the runs of lines."""
    from_, to = (np.vstack([run[some] if len(run) > 1 else run for run in runs]) for some in (slice(-1), slice(1, None)))
    along = to - from_
    share = np.einsum("ijk,jk->ij", places[:, None] - from_, along) / np.maximum((along**2).sum(1), 1e-12)
    nearest = from_ + np.clip(share, 0.0, 1.0)[..., None] * along
    return float(np.hypot(*np.moveaxis(places[:, None] - nearest, 2, 0)).min(1).max())


@pytest.mark.parametrize(
    "address",
    few(
        [
            "settings",
            "settings?power=900+mW&beside=power%3D400%2BmW",
            "settings?pattern=line",
            "settings?power=1+mW",
            "settings?hatch_spacing=0.2+mm&layer_thickness=0.02+mm",
            "settings?critical_exposure=110+mJ/cm^2",
            "stack",
            "stack?layer_thickness=0.02+mm",
            "coupons",
            "map?paths=invented&layer=15",
        ],
        4,
    ),
)
def test_quick_axes_draw_what_the_plotting_library_draws(address, monkeypatch):
    """Words, looks and order are equal; outlines to twice what each of the two may leave out, since neither keeps what cannot be seen."""
    from matplotlib import rcParams
    from matplotlib.axes import Axes

    from curecalc.figures import quick
    from curecalc.figures.inline import plain_svg
    from curecalc.figures.style import svg_text
    from curecalc.page.drawing import Panel

    def drawn():
        made.clear()
        text = create_app(PageOptions(burst=1e9, per_second=1e9)).test_client().get(f"/{address}", headers=FRAGMENT).text
        return re.findall(r"<svg.*?</svg>", text, re.S)

    made = []
    monkeypatch.setattr(Panel, "drawing", lambda self, *said, whole=Panel.drawing: made.append(self) or whole(self, *said))
    shown = drawn()
    own = {name: getattr(Axes, name) for name in ("plot", "axhline", "axvline", "fill_between", "fill_betweenx", "text", "annotate")}
    monkeypatch.setattr(quick, "QuickAxes", type("PlainAxes", (quick.QuickAxes,), own))
    drawn()
    assert len(shown) == len(made) == (3 if address.startswith("settings") else 1)
    for text, panel in zip(shown, made):
        quickly, wanted = _pieces(text), _pieces(plain_svg(svg_text(panel.figure), prefix="x"))
        assert [look for look, _ in quickly] == [look for look, _ in wanted]
        for (look, places), (_, others) in zip(quickly, wanted):
            for some, rest in ((places, others), (others, places)):
                assert _farthest(np.vstack(some), rest) < (2.0 * rcParams["path.simplify_threshold"] if look[0] == "path" else 0.0072), look


@pytest.mark.slow
@pytest.mark.parametrize("view", ["stack", "settings", "map"])
def test_axes_that_are_kept_are_those_that_would_be_drawn(view):
    """A page that has shown other states draws a state as one that is new."""
    states = ["", "power=900+mW", "pattern=line", "power=1+mW", "hatch_spacing=0.2+mm&layer_thickness=0.02+mm", "power=260+mW", "layers=3"]
    if view == "map":
        states = [f"paths=invented&layer=15&{more}" for more in ("", "speed_factor=2", "across=1+mm", "speed_factor=1.1")]
    used = create_app(PageOptions(burst=1e9, per_second=1e9)).test_client()
    for _ in range(2):
        shown = [used.get(f"/{view}?{state}", headers=FRAGMENT).text for state in states]
    assert shown[0].count("<svg") == (3 if view == "settings" else 1)
    for state, text in zip(states, shown):
        assert create_app(PageOptions(burst=1e9, per_second=1e9)).test_client().get(f"/{view}?{state}", headers=FRAGMENT).text == text


def test_a_setting_is_kept_beside_another_until_it_is_left(client):
    def led(query, word):
        text = client.get(f"/settings?{urlencode(query)}", headers=FRAGMENT).text
        return parse_qs(html.unescape(re.search(rf'href="/settings\?([^"]*)">{word}', text)[1]))

    kept = led({"power": "900 mW"}, "Keep this beside")
    assert kept["power"] == parse_qs(kept["beside"][0])["power"] == ["900 mW"]
    left = led({"power": "800 mW", "beside": "power=900+mW"}, "Stop comparing")
    assert (left["power"], "beside" in left) == (["800 mW"], False)


def test_a_panel_drawn_twice_is_the_same(client):
    first = client.get("/settings", headers=FRAGMENT).text
    client.get("/settings?pattern=line&power=900+mW", headers=FRAGMENT)
    client.get("/settings?power=1+mW", headers=FRAGMENT)
    assert client.get("/settings", headers=FRAGMENT).text == first


def test_coupons_can_be_left_out_and_come_back(client):
    all_in = client.get("/coupons/numbers.json").json
    without = client.get("/coupons/numbers.json?exclude=8").json
    assert without["degrees_of_freedom"] == all_in["degrees_of_freedom"] - 1
    # none left: the page says so and still lists them
    query = urlencode([("exclude", str(i)) for i in range(1, 8)])
    text = client.get(f"/coupons?{query}").text
    assert 'role="alert"' in text
    assert text.count('name="exclude"') == 8


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", "empty"),
        ("a,b\n1,2\n", "coupons.csv:1"),
        ("coupon,exposure [mJ/cm^2],thickness [mm]\n1,10,abc\n", "coupons.csv:2:3"),
        ("coupon,exposure [mJ/cm^2],thickness [kg]\n1,10,1\n", "coupons.csv:1"),
        ("x" * 50_000, "too long"),
    ],
)
def test_bad_tables_are_named(client, table, words):
    answer = client.get(f"/coupons?{urlencode({'table': table})}")
    assert answer.status_code == 200
    assert words in answer.text


def test_upload_goes_into_the_address(client):
    import io

    sent = "coupon;exposure [mJ/cm^2];thickness [um]\na;20;105\nb;40;203\nc;80;310\nd;160;402\n"
    answer = client.post(
        "/coupons/upload", data={"file": (io.BytesIO(sent.encode()), "../../etc/passwd.csv")}, headers={"Origin": "http://localhost"}
    )
    assert answer.status_code == 303
    numbers = client.get(answer.headers["Location"].replace("/coupons?", "/coupons/numbers.json?")).json
    assert numbers["coupons"]
    assert numbers["penetration_depth"]["value"] == pytest.approx(0.1434, abs=0.003)


def test_spreadsheet_upload(client, tmp_path):
    import io

    writer = pytest.importorskip("xlsxwriter")
    pytest.importorskip("python_calamine")
    path = tmp_path / "lot.xlsx"
    with writer.Workbook(path) as book:
        sheet = book.add_worksheet()
        rows = [
            ("coupon", "exposure [mJ/cm^2]", "thickness [um]"),
            ("a", 20, 105),
            ("a", 20, 107),
            ("b", 40, 203),
            ("c", 80, 310),
            ("d", 160, 402),
        ]
        for r, row in enumerate(rows):
            sheet.write_row(r, 0, row)
    answer = client.post(
        "/coupons/upload", data={"file": (io.BytesIO(path.read_bytes()), "lot.xlsx")}, headers={"Origin": "http://localhost"}
    )
    assert answer.status_code == 303
    numbers = client.get(answer.headers["Location"].replace("/coupons?", "/coupons/numbers.json?")).json
    assert numbers["readings"] == 5


def test_a_setting_that_cures_nothing_anywhere_is_shown(client):
    """Lines thirteen beam radii apart: hardly any light between them, and still a view, its parts and its figures."""
    address = "/settings?spot=0.02+mm&hatch_spacing=0.26+mm"
    assert client.get(address).status_code == 200
    assert client.get(address, headers={"X-Part": "yes"}).status_code == 200


def test_what_the_speed_warns_of_stands_on_the_view(client):
    state = "power=900+mW&layer_thickness=0.02+mm&overcure=0+mm&spot=0.05+mm&hatch_spacing=0.03+mm&passes=10&crossed=yes"
    warned = client.get(f"/settings/speed.json?{state}").json["warnings"]
    assert any("far outside the usual" in text for text in warned)
    text = html.unescape(client.get(f"/settings?{state}").text)
    for one in warned:
        assert symbols(one) in text


def test_a_mean_exposure_does_not_hang_on_the_spot(client):
    """P / (v h) holds no beam radius, whose uncertainty is the only one here: none of it is shown, not even a rounding's."""
    text = html.unescape(client.get("/settings?power=240+mW").text)
    assert "33.33 mJ/cm²" in text
    assert not re.search(r"e-\d\d mJ", text)


def test_practice_checks_answers(client, monkeypatch):
    from curecalc.lessons import invented_bench
    from curecalc.lessons.exercises import exercises

    one = exercises(seed=4, number=12, bench=invented_bench())[6]
    base = {"seed": "4", "exercise": "7"}
    assert html.unescape(client.get(f"/practice?{urlencode(base)}").text).count(symbols(one.text)) == 1
    right = client.get(f"/practice?{urlencode(base | {'answer': one.told()})}").text
    assert "Right:" in right
    slip = one.slips[0]
    wrong = html.unescape(client.get(f"/practice?{urlencode(base | {'answer': one.told(slip.value)})}").text)
    assert symbols(slip.remark) in wrong
    assert "cannot read" in client.get(f"/practice?{urlencode(base | {'answer': 'xyz'})}").text
    assert f"<strong>{symbols(one.told())}</strong>" in client.get(f"/practice?{urlencode(base | {'way': 'yes'})}").text
    assert client.get("/practice?seed=x").status_code == 400
    assert client.get("/practice/other.pdf").status_code == 404
    for which, make in (("worksheet", "worksheet"), ("key", "answer_key")):
        monkeypatch.setattr(
            f"curecalc.sheets.practice_sheet.{make}", lambda made, note, which=which: f"{which}, {len(made)}. {note}".encode()
        )
        answer = client.get(f"/practice/{which}.pdf?seed=4")
        assert answer.text == f"{which}, 12. Sheet made from seed 4."
        assert answer.headers["Content-Disposition"] == f'attachment; filename="curecalc-{which}.pdf"'


def test_a_handbook_is_handed_out_or_the_reason_said(client, monkeypatch):
    import subprocess

    from curecalc.page import handbook_view

    monkeypatch.setattr(handbook_view, "_made", handbook_view._made.__wrapped__)
    monkeypatch.setattr(subprocess, "run", lambda words, **_: subprocess.CompletedProcess(words, 1, "", "no room\n"))
    refused = client.get("/handbook.html")
    assert refused.status_code == 400
    assert ">the handbook could not be made: no room. Try: curecalc manual handbook.html<" in refused.text
    monkeypatch.setattr(handbook_view, "_made", lambda: b"<html>")
    assert client.get("/handbook.html").headers["Content-Disposition"] == 'attachment; filename="curecalc-handbook.html"'


def test_lessons_lead_from_one_to_the_next(client):
    from curecalc.lessons.telling import ORDER

    for place, name in [(0, ORDER[0]), (5, ORDER[5]), (len(ORDER) - 1, ORDER[-1])]:
        text = client.get(f"/lessons/{name}").text
        around = {"Before": ORDER[place - 1] if place else None, "Next": ORDER[place + 1] if place + 1 < len(ORDER) else None}
        for word, other in around.items():
            assert re.findall(rf'<a href="/lessons/([a-z-]+)">{word}: ', text) == ([other] if other else [])


@pytest.mark.slow
def test_every_lesson_loads(client):
    from curecalc.lessons.telling import ORDER

    for name in ORDER:
        text = client.get(f"/lessons/{name}").text
        assert text.count("<h1>") == 1
        assert "<svg" in text
        assert " style=" not in text
    assert client.get("/lessons/nonsense").status_code == 404
