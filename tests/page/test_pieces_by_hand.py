"""Pieces of the page told by hand: map, recipe, window, what a browser works with, who is let in."""

import json
from types import SimpleNamespace
from urllib.parse import parse_qs

import numpy as np
import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.page import guard, map_view, recipe_view, stack_view, way, window_view
from curecalc.page.app import _reached, host_part
from curecalc.page.fields import FIELDS
from curecalc.page.map_view import MapView
from curecalc.page.window_view import WindowView
from curecalc.page.work import Part, Scan, Work, Works
from curecalc.units import Quantity as Q

# ---------------------------------------------------------------- map


def test_tiles_and_values_of_a_look():
    place = SimpleNamespace(x=1.23456, y=-2.0, kind="hatch", why="between lines", value=0.1)
    look = SimpleNamespace(worst=lambda name: [], law=SimpleNamespace(depth=lambda value: value))
    assert MapView._tile(look, "weakest") == ("Weakest overcure", "none in this window", "")
    look.worst = lambda name: [(place, Q(0.012345, "mm")), (place, Q(1.0, "mm"))]
    where = "x 1.235 y -2.000 mm, hatch, between lines"
    assert MapView._tile(look, "deepest") == ("Deepest overcure", "0.0123 mm", where)
    place.value = 0.0
    assert MapView._tile(look, "weakest") == ("Weakest overcure", "nothing cures there", where)
    grid = SimpleNamespace(x0=1.0, y0=2.0, pixel=0.5)
    told = json.loads(MapView._values(SimpleNamespace(coarse=lambda: (np.array([[0.01234, np.nan]]), grid))))
    assert told == {"x": 1.0, "y": 2.0, "pixel": 0.5, "values": [[12.3, None]]}  # micrometres


TABLE = b"layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n3,0,0,1,0\n4,0,0,1,0\n"


def test_what_the_map_is_asked():
    view, work = MapView(None), Work(paths=("v.csv", TABLE))
    state = view._state({"layer": " ", "x": "1 mm", "speed_factor": ""}, work)
    asked = view._asked(state, {}, work)
    assert (asked.layer, state.texts["layer"], asked.speed_factor, asked.where) == (3, "3", 1.0, (("x", "1.0"),))
    assert view._asked(view._state({"layer": "4"}, work), {}, work).layer == 4
    with pytest.raises(QuantityError, match=r"Layer must be a whole number, got 3\.5"):
        view._asked(view._state({"layer": "3.5"}, work), {}, work)
    with pytest.raises(QuantityError):
        view._asked(view._state({"layer": "-1"}, work), {}, work)
    for name in ("v.npz", "v.CLI", "v.xlsx"):
        with pytest.raises(FileError, match="the page reads plain tables"):
            map_view.checked_paths(name, TABLE)
    assert map_view.checked_paths("v.csv", TABLE) == ("v.csv", TABLE)


# ---------------------------------------------------------------- recipe and window


def vector(kind, length=float("inf"), pattern="raster"):
    return SimpleNamespace(kind=kind, pattern=pattern, best=SimpleNamespace(task=SimpleNamespace(vector_length=length)))


def recipe(*vectors, main=0):
    return SimpleNamespace(vectors=vectors, main=vectors[main], vector={v.kind: v for v in vectors}.__getitem__)


def test_the_figure_of_a_recipe(monkeypatch):
    drawn = []
    monkeypatch.setattr("curecalc.figures.along.along_figure", lambda made, kinds: drawn.append(kinds))
    monkeypatch.setattr("curecalc.figures.window.window_figure", lambda window: "window")
    monkeypatch.setattr("curecalc.sheets.sheet_window", lambda made: None)
    view = recipe_view.RecipeView(None)
    for made, panel in (
        (recipe(vector("a", 1.0), vector("b", 2.0), main=1), "along"),
        (recipe(vector("a", 1.0), vector("b"), main=1), "along"),
        (recipe(vector("a")), "window"),
    ):
        monkeypatch.setattr(recipe_view, "_whole", lambda work, made=made: made)
        assert view.figure({}, None, panel) == ("window" if panel == "window" else None)
    assert drawn == [("b",), ("a",)]
    with pytest.raises(QuantityError, match="The needs state no vector length"):
        view.figure({}, None, "along")


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ((), "The machine, lot and needs are not here yet"),
        (("machine",), "The lot and needs are not here yet"),
        (("machine", "needs"), "The lot is not here yet"),
    ],
)
def test_what_a_recipe_lacks(parts, said):
    with pytest.raises(QuantityError, match=said):
        recipe_view._whole(Work(parts=dict.fromkeys(parts)))


@pytest.mark.parametrize(
    ("query", "asked"),
    [
        ({}, {"kind": "hatch", "across": "scan_speed", "up": "hatch_spacing"}),
        ({"kind": "contour"}, {"kind": "contour", "across": "scan_speed", "up": "beam_radius"}),
        (
            {"kind": "contour", "up": "hatch_spacing", "across": "hatch_spacing"},
            {"kind": "contour", "across": "scan_speed", "up": "beam_radius"},
        ),
        ({"kind": "hatch", "up": "power", "across": "hatch_spacing"}, {"kind": "hatch", "across": "hatch_spacing", "up": "power"}),
        ({"kind": "other"}, "Kind of vector must be one of contour, hatch"),
        ({"across": "temperature"}, "Axis must be one of"),
        ({"up": "passes"}, "Axis must be one of"),
    ],
)
def test_the_axes_of_a_window(query, asked):
    made = recipe(vector("contour", pattern="line"), vector("hatch"))
    if isinstance(asked, str):
        with pytest.raises(QuantityError, match=asked):
            WindowView._asked(query, made)
    else:
        assert WindowView._asked(query, made) == asked
    assert WindowView._asked({}, recipe(vector("contour", pattern="line")))["kind"] == "contour"


def test_how_fine_a_window_is(monkeypatch):
    """As many points a side as the command's table has, with its assurance; a picture needs more and no assurance."""
    asked = []
    monkeypatch.setattr(
        window_view,
        "process_window",
        lambda *axes, points, with_assurance, **_: asked.append((points, with_assurance)) or SimpleNamespace(to_dict=dict),
    )
    monkeypatch.setattr("curecalc.figures.window.window_figure", lambda window: None)
    made = recipe(vector("hatch"))
    made.machine = SimpleNamespace(layer_thickness_min=None, layer_thickness_max=None)
    work = SimpleNamespace(complete=True, recipe=lambda: made)
    view = WindowView(None)
    view.record({}, work, "numbers")
    view.figure({}, work, "window")
    assert asked == [(9, True), (81, False)]


# ---------------------------------------------------------------- work, way, guard, addresses


def test_the_oldest_work_is_forgotten():
    works = Works(Work())
    sessions = [{} for _ in range(201)]
    made = [Work(table=str(k)) for k in range(len(sessions))]
    for session, work in zip(sessions, made, strict=True):
        works.keep(session, work)
    assert works.of(sessions[0]) is works.first
    assert works.of(sessions[1]) is made[1]
    works.keep(sessions[1], made[5])  # kept again, it is the newest
    works.keep({}, made[0])
    assert works.of(sessions[1]) is made[5]
    assert works.of(sessions[2]) is works.first


def test_the_lot_before(monkeypatch):
    lots = {text: SimpleNamespace(data_sha256=text) for text in ("new", "old")}
    monkeypatch.setattr("curecalc.page.work._read", lambda name, text, path: lots.get(text))
    work = Work().changed("resin", "old", "").changed("machine", "m", "").changed("resin", "new", "")
    assert work.earlier("new") is lots["old"]
    assert work.earlier("other") is lots["new"]
    assert Work().changed("resin", "new", "").earlier("new") is None
    assert Work().changed("resin", "new", "").changed("machine", "m", "").earlier("new") is None
    assert work.source("resin") == ""
    assert work.changed("needs", "n", "typed").source("needs") == "typed"


def test_a_beam_that_is_not_in_the_machine():
    scan = Scan("a.csv", b"")
    for source, told in (("the file m.toml", "a.csv"), ("the file m.toml, with a.csv put in", "")):
        assert Work(parts={"machine": Part("", "", source)}, scan=scan).beam_apart == told
    assert Work(scan=scan).beam_apart == ""
    assert Work(parts={"machine": Part("", "", "x")}).beam_apart == ""


def test_steps_that_have_been_taken():
    assert [_reached(name, Work()) for name in ("beam", "coupons", "recipe", "sheet", "log")] == [False] * 5
    whole = Work(scan=Scan("a", b""), parts=dict.fromkeys(("machine", "resin", "needs")), sheet=True)
    assert [_reached(name, whole) for name in ("beam", "coupons", "recipe", "sheet", "log")] == [True] * 4 + [False]


@pytest.mark.parametrize(
    ("host", "name"), [("shop:8765", "shop"), ("shop", "shop"), ("[::1]:8765", "[::1]"), ("[::1]", "[::1]"), ("127.0.0.1:1", "127.0.0.1")]
)
def test_the_name_of_a_host(host, name):
    assert host_part(host) == name


@pytest.mark.parametrize(
    ("headers", "good"),
    [
        ({"Origin": "http://shop:1"}, True),
        ({"Origin": "https://shop:1", "Sec-Fetch-Site": "none"}, True),
        ({"Origin": "http://shop:1", "Sec-Fetch-Site": "same-origin"}, True),
        ({"Origin": "http://shop:1", "Sec-Fetch-Site": "same-site"}, False),
        ({"Origin": "http://evil:1"}, False),
        ({"Origin": "http://http://shop:1"}, False),
        ({}, False),
    ],
)
def test_a_form_comes_from_this_very_address(headers, good):
    refused = []
    guard.same_place(SimpleNamespace(headers=headers, host="shop:1"), lambda status, said: refused.append(status))
    assert (not refused) is good


def test_a_plan_for_the_speed_to_three_percent(monkeypatch):
    asked = []
    monkeypatch.setattr("curecalc.calibration.planning.plan_coupons", lambda **given: asked.append(given))
    bench = SimpleNamespace(resin=SimpleNamespace(penetration_depth=1, critical_exposure=2), cure_depth=3, power=4, hatch_spacing=5)
    lot = SimpleNamespace(verified=True, residual_sd="sd")
    fast = SimpleNamespace(scan_speed_max="max", scan_speed_min="min")
    for given in (
        (lot, fast),
        (None, None),
        (SimpleNamespace(verified=False, residual_sd="sd"), fast),
        (SimpleNamespace(verified=True, residual_sd=None), fast),
    ):
        way._plan(SimpleNamespace(bench=lambda: bench, lot=given[0], machine=given[1]))
    assert [one["to"].m_as("") for one in asked] == pytest.approx([0.03] * 4)
    assert [("coupon_sd" in one, one["scan_speed_max"], one["scan_speed_min"]) for one in asked] == [
        (True, "max", "min"),
        (False, None, None),
        (False, "max", "min"),
        (False, "max", "min"),
    ]
    assert asked[0]["thickness_repeatability"].m_as("mm") == 0.0


def test_what_each_step_keeps_in_the_logbook(monkeypatch):
    kept = []
    for name in ("spot", "fit", "recipe"):
        monkeypatch.setattr(
            f"curecalc.logbook.recording.record_{name}", lambda log, found, name=name, **more: kept.append((name, found, more))
        )
    monkeypatch.setattr("curecalc.recipe.file.recipe_record", lambda made: "record")
    lot = SimpleNamespace(
        texts=lambda given, work: {"depth": given.get("depth", ""), "lot": given.get("lot", "")},
        fit=lambda given, work: ("coupons", "fit"),
        excluded=lambda given, work, coupons: given.get("exclude", "").split(),
        resin_text=lambda given, work: "resin",
    )
    beam = SimpleNamespace(measured=lambda work: SimpleNamespace(), record_text=lambda work: "beam")
    made = SimpleNamespace(lot=SimpleNamespace(lot="", resin=SimpleNamespace(name="clear")))
    work = SimpleNamespace(machine=SimpleNamespace(name="north"), scan=Scan("a.csv", b"x", (("kind", "slit"),)), recipe=lambda: made)
    for step, given in (
        ("beam", {"operator": " ab "}),
        ("coupons", {}),
        ("coupons", {"depth": "1 mm", "lot": "7", "exclude": "3"}),
        ("recipe", {"machine": "south"}),
    ):
        way._kept("s.db", step, work, given, beam, lot)
    (_, _, spot), (_, _, plain), (_, found, full), (_, record, recipe) = kept
    assert (spot["machine"], spot["operator"], spot["options"], spot["beam_document"]) == ("north", "ab", {"kind": "slit"}, "beam")
    assert (spot["file"].role, spot["file"].name, spot["file"].data) == ("scan", "a.csv", b"x")
    assert (plain["options"], plain["lot"], plain["resin_document"]) == ({"skip_blank": True}, None, "resin")
    assert (found, full["options"], full["lot"]) == ("fit", {"skip_blank": True, "exclude": ["3"], "at_depth": ["1 mm"]}, "7")
    assert (record, recipe["machine"], recipe["lot"], recipe["recipe"]) == ("record", "south", "clear", made)
    beam.measured = lambda work: SimpleNamespace(at_meter=1)
    work.machine, made.lot.lot = None, "L7"
    way._kept("s.db", "beam", work, {}, beam, lot)
    assert (kept[-1][2]["machine"], kept[-1][2]["beam_document"]) == (None, None)
    way._kept("s.db", "recipe", work, {}, beam, lot)
    assert kept[-1][2]["lot"] == "L7"


def test_typed_texts_stay_in_a_form_that_is_refused():
    from curecalc.page.forms import Row

    inner = Row("laser.power", "Power", None, "old")
    (row,) = way._typed((Row("laser", "Laser", None, rows=(inner,)),), {"laser.power": "new"})
    assert (row.text, row.rows[0].text) == ("", "new")


def test_moves_keep_what_was_asked():
    look = SimpleNamespace(window=(0.0, 0.0, 4.0, 2.0), widest=100.0)
    moves = MapView._moves({"paths": "invented", "speed_factor": "2", "x": "1 mm", "layer": ""}, look)
    assert [label for label, *_ in moves] == ["Left", "Right", "Up", "Down", "Closer", "Farther", "Whole layer"]
    assert parse_qs(moves[-1][2]) == {"paths": ["invented"], "speed_factor": ["2"]}


def test_what_the_sliders_reach():
    """Usual lasers, scanners and resins with room on both sides; half a turn of a line; negative only where it may be."""
    assert {one.name: (one.low, one.high, one.unit) for one in FIELDS.values() if one.low is not None} == {
        "power": (5.0, 2000.0, "mW"),
        "spot": (0.02, 0.6, "mm"),
        "radius_ratio": (1 / 5, 5.0, ""),
        "spot_angle": (-90.0, 90.0, "deg"),
        "track_angle": (-90.0, 90.0, "deg"),
        "pulse_rate": (1e3, 1e6, "Hz"),
        "scan_speed": (50.0, 20e3, "mm/s"),
        "hatch_spacing": (0.01, 0.6, "mm"),
        "passes": (1.0, 10.0, ""),
        "layer_thickness": (0.01, 0.4, "mm"),
        "overcure": (-0.05, 0.3, "mm"),
        "penetration_depth": (0.01, 0.6, "mm"),
        "critical_exposure": (0.5, 120.0, "mJ/cm^2"),
        "speed_factor": (1 / 4, 4.0, ""),
    }


@pytest.mark.parametrize(("layers", "told"), [(0, "0 layers"), (1, "1 layer"), (2, "2 layers")])
def test_a_stack_on_the_page(monkeypatch, layers, told):
    answer = SimpleNamespace(
        standard_uncertainty={"print_through": Q(0.01, "mm")},
        compensation_layers=layers,
        single_depth=Q(0.15, "mm"),
        own_exposure=Q(1.0, "mJ/cm^2"),
        interface_exposure=Q(2.0, "mJ/cm^2"),
        print_through=Q(0.12345, "mm"),
        residual=Q(0.02, "mm"),
        bonds=True,
        warnings=(),
    )
    monkeypatch.setattr(stack_view, "evaluate_stack", lambda **given: answer)
    view = stack_view.StackView(SimpleNamespace(svg=lambda *_, label, **__: label))
    found = view.page({}, Work())
    assert found["main"] == f"Print-through 0.123 mm; leave out {told}."
    assert (found["lifted"], found["through"]) == (told, "0.123 +- 0.010 mm")
    assert len(found["rows"]) == 6
    answer.bonds = False
    found = view.page({}, Work())
    assert found["main"].startswith("The layers do not bond")
    assert len(found["rows"]) == 3


def test_how_many_layers_a_stack_has():
    view = stack_view.StackView(None)
    assert "--layers 7" in view.command({"layers": "7"}, Work(), "numbers")
    for layers in ("", " ", "many"):
        assert "--layers" not in view.command({"layers": layers}, Work(), "numbers")


def test_a_speed_factor_is_asked_of_the_look_itself_where_doses_scale(monkeypatch):
    asked = []
    fake = SimpleNamespace(scales=True, faster=lambda factor: asked.append(factor) or f"faster {factor}")
    monkeypatch.setattr(map_view, "_look", lambda asked: fake if asked.speed_factor == 1.0 else "anew")
    view, work = MapView(None), Work(paths=("v.csv", TABLE))
    found = [view.look({"speed_factor": text}, work) for text in ("1", "1.5", "0.5")]
    assert [one.speed_factor for one, _ in found] == [1.0, 1.5, 0.5]
    assert [look for _, look in found] == [fake, "faster 1.5", "faster 0.5"]
    fake.scales = False
    assert view.look({"speed_factor": "2"}, work)[1] == "anew"
    assert asked == [1.5, 0.5]
