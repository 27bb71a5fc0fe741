"""What the views hand to their pages, from results made by hand."""

from contextlib import nullcontext
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.page import beam_view, map_view, recipe_view, window_view
from curecalc.page.beam_view import BeamView
from curecalc.page.coupons_view import CouponsView
from curecalc.page.map_view import MapView
from curecalc.page.recipe_view import RecipeView
from curecalc.page.settings_view import ranges
from curecalc.page.window_view import WindowView
from curecalc.page.work import Part as Record
from curecalc.page.work import Scan, Work
from curecalc.spot.measurement import Estimate, Part
from curecalc.units import Measured
from curecalc.units import Quantity as Q

BOARD = SimpleNamespace(lock=nullcontext())


@pytest.fixture
def drawn(monkeypatch):
    """Figures as what they were asked for."""
    asked = []
    monkeypatch.setattr("curecalc.figures.inline.inline_svg", lambda figure, name, prefix: f"{prefix}: {name}")
    for figure in ("spot.spot_figure", "window.window_figure", "along.along_figure"):
        monkeypatch.setattr(f"curecalc.figures.{figure}", lambda *given, figure=figure: asked.append((figure, *given[1:])))
    return asked


def test_a_beam_on_its_page(monkeypatch, drawn):
    power = Estimate(Q(0.24, "W"), (Part("meter", 0.0123), Part("window", 0.00456)))
    found = SimpleNamespace(at_meter=Q(1.0, "W"), measured=power.measured, power=power, warnings=("odd: give power=.",), notes=("even",))
    monkeypatch.setattr(BeamView, "measured", staticmethod(lambda work: found))
    monkeypatch.setattr(beam_view, "changes", lambda work, found: "changes")
    monkeypatch.setattr(beam_view, "result_rows", lambda found: [])
    page = BeamView(BOARD).page({}, Work(scan=Scan("a.csv", b"", (("kind", "power"), ("power", "1 W")))))
    assert drawn == [("spot.spot_figure", 150.0, 125.0)]  # all drawings are as wide
    assert page["budget"] == [("meter", "1.2 %"), ("window", "0.46 %")]
    assert (page["file"], page["kind"], page["power"], page["notes"]) == ("a.csv", "power", True, ['odd: give "Power".', "even"])
    assert {key: text for key, _, _, text in page["options"] if text} == {"power": "1 W"}
    assert page["drawings"] == [("beam", "b-beam: The measurement with its fit. Power at the surface 240.0 +- 3.1 mW.")]

    def refuse(work):
        raise QuantityError("no beam.")

    monkeypatch.setattr(BeamView, "measured", staticmethod(refuse))
    page = BeamView(BOARD).page({}, Work(scan=Scan("a.csv", b"")))
    assert (page["problem"], page["found"]) == ("no beam.", None)


@pytest.mark.parametrize(
    ("query", "power", "radius"),
    [
        ({}, None, None),
        ({"power": " ", "beam_radius": " ", "instead_of": " "}, None, None),
        ({"power": "220 mW +- 1 %"}, 220.0, None),
        ({"beam_radius": "115 um", "instead_of": "0.11 mm"}, None, (0.11, 0.115)),
        ({"power": "1 mW", "beam_radius": "115 um", "instead_of": "0.11 mm"}, 1.0, (0.11, 0.115)),
        ({"power": "0 mW"}, "New power must", None),
        ({"beam_radius": "1 mm"}, "Radius it was taken for", None),
        ({"instead_of": "1 mm"}, "Radius now measured", None),
        ({"instead_of": "0 mm", "beam_radius": "1 mm"}, "Radius it was taken for must", None),
        ({"instead_of": "1 mm", "beam_radius": "-1 mm"}, "Radius now measured must", None),
    ],
)
def test_a_new_reading_on_the_page(monkeypatch, query, power, radius):
    asked = []
    changes = [SimpleNamespace(reason="slower")]
    found = SimpleNamespace(changes=changes, recalibrate=("far",), recipe=SimpleNamespace(warnings=("far", "odd")))
    monkeypatch.setattr("curecalc.recipe.file.recipe_record", lambda made: "record")
    monkeypatch.setattr("curecalc.recipe.retuning.shown", lambda change: ("hatch", "1", "2"))
    monkeypatch.setattr("curecalc.recipe.retuning.retune", lambda **given: asked.append(given) or found)
    made = SimpleNamespace(machine="m", lot="l", needs="n")
    if isinstance(power, str):
        with pytest.raises(QuantityError, match=power):
            recipe_view._retuned(query, made)
        return
    told = recipe_view._retuned(query, made)
    if power is None and radius is None:
        assert (told, asked) == (None, [])
        return
    assert told == {"rows": [("hatch", "1", "2", "slower")], "recalibrate": ("far",), "notes": ["odd"]}
    (given,) = asked
    assert (given["power"] and given["power"].value.m_as("mW")) == (power and pytest.approx(power))
    assert (given["beam_radius"] and tuple(q.m_as("mm") for q in given["beam_radius"])) == (radius and pytest.approx(radius))
    assert (given["machine"], given["resin"], given["needs"], given["old"]) == ("m", "l", "n", "record")


def test_a_recipe_on_its_page(monkeypatch, drawn):
    windows = []
    monkeypatch.setattr("curecalc.recipe.window.process_window", lambda vector, *axes, **how: windows.append((vector.kind, *axes, how)))
    monkeypatch.setattr("curecalc.recipe.file.recipe_record", lambda made: "record")
    monkeypatch.setattr("curecalc.sheets.recipe_view", lambda record: "sheet")
    monkeypatch.setattr("curecalc.sheets.recipe_columns", lambda: "columns")

    def vector(kind, pattern, length):
        best = SimpleNamespace(task=SimpleNamespace(vector_length=length))
        limit = SimpleNamespace(sentence=f"{kind} could gain.")
        return SimpleNamespace(
            kind=kind, pattern=pattern, best=best, scan_speed=Q(1.23456, "m/s"), cure_depth=Q(0.18, "mm"), limits=(limit,)
        )

    hatch, contour = vector("hatch", "raster", 45.0), vector("contour", "line", float("inf"))
    made = SimpleNamespace(vectors=(hatch, contour), main=hatch, vector={"hatch": hatch, "contour": contour}.__getitem__)
    told = RecipeView(BOARD)._told({}, made)
    assert told["tiles"] == [("Scan speed, hatch", "1235 mm/s"), ("Cures", "0.18 mm")]
    assert told["gains"] == [("hatch", "hatch could gain."), ("contour", "contour could gain.")]
    assert [name for name, _ in told["drawings"]] == ["window", "along"]
    assert told["kinds"] == ["hatch", "contour"]
    assert drawn == [("window.window_figure", 150.0, 115.0), ("along.along_figure", ("hatch",), 150.0, 100.0)]
    assert [name for name, _ in RecipeView(BOARD)._told({"kind": "contour"}, made)["drawings"]] == ["window"]
    assert RecipeView(BOARD)._told({"kind": "other"}, made)["shown"] == "hatch"
    how = {"points": 41, "with_assurance": False}  # a picture of forty steps a side
    assert windows[:2] == [("hatch", "scan_speed", "hatch_spacing", how), ("contour", "scan_speed", "beam_radius", how)]


def test_files_to_take_along_from_a_recipe(monkeypatch):
    monkeypatch.setattr(recipe_view, "_whole", lambda work: "made")
    monkeypatch.setattr("curecalc.recipe.file.recipe_record", lambda made: {"of": made})
    monkeypatch.setattr("curecalc.sheets.recipe_csv", lambda record: f"csv of {record['of']}")
    monkeypatch.setattr("curecalc.sheets.sheet_bytes", lambda made, record, ending: f"{ending} of {made}".encode())
    work = Work(parts={"machine": Record("the machine", "m.toml", "")})
    found = {name: recipe_view.download(work, name) for name in recipe_view.DOWNLOADS if name not in ("resin.toml", "needs.toml")}
    assert found == {
        "sheet.pdf": b"pdf of made",
        "sheet.html": b"html of made",
        "recipe.json": b'{\n  "of": "made"\n}\n',
        "recipe.csv": b"csv of made",
        "machine.toml": b"the machine",
    }
    with pytest.raises(QuantityError, match=r"There is no needs\.toml here yet"):
        recipe_view.download(work, "needs.toml")


def test_a_lot_on_its_page(monkeypatch):
    wanted = SimpleNamespace(depth=Q(0.18, "mm"), exposure=Q(33.0, "mJ/cm^2"), mean_standard_uncertainty=Q(0.5, "mJ/cm^2"))
    wanted.mean_interval = (Q(32.0, "mJ/cm^2"), Q(34.0, "mJ/cm^2"))
    fit = SimpleNamespace(
        confidence=0.95,
        penetration_depth=Measured(Q(0.142, "mm"), Q(0.003, "mm")),
        critical_exposure=Measured(Q(9.4, "mJ/cm^2"), Q(0.5, "mJ/cm^2")),
        penetration_depth_interval=(Q(0.136, "mm"), Q(0.148, "mm")),
        critical_exposure_interval=(Q(8.4, "mJ/cm^2"), Q(10.4, "mJ/cm^2")),
        exposure_for_depth=(wanted,),
        residual_sd=Q(0.0031234, "mm"),
        correlation=0.88836,
        degrees_of_freedom=10,
        warnings=(),
        notes=(),
    )
    fit.coupons = type("Coupons", (), {"readings": np.zeros(36), "__len__": lambda self: 12})()
    labels = []
    told = CouponsView(SimpleNamespace(svg=lambda name, draw, *, label, **_: labels.append(label)))._told(fit)
    assert told["sure"] == "95 %"
    assert told["rows"] == [
        ("Penetration depth", "0.1420 +- 0.0030 mm", "0.1360 to 0.1480 mm"),
        ("Critical exposure", "9.40 +- 0.50 mJ/cm^2", "8.40 to 10.40 mJ/cm^2"),
        ("Exposure for 0.18 mm", "33 mJ/cm^2", "32.00 to 34.00 mJ/cm^2"),
    ]
    assert told["more"] == [
        ("Scatter of coupons about the line", "0.003123 mm"),
        ("Correlation of Dp and ln Ec", "0.888"),
        ("Coupons used", "12"),
        ("Readings", "36"),
        ("Degrees of freedom", "10"),
    ]
    assert labels[0].endswith("Dp 0.1420 +- 0.0030 mm, Ec 9.40 +- 0.50 mJ/cm^2.")


def test_what_machine_and_coupons_reach(monkeypatch):
    ends = [("power", Q(15.0, "mW"), Q(240.0, "mW")), ("scan speed", None, Q(6.0, "m/s")), ("layer", None, None)]
    monkeypatch.setattr("curecalc.jobs.beyond.machine_ranges", lambda machine: ends[:2])
    lot = SimpleNamespace(resin=SimpleNamespace(name="clear"), lot="", depth_range=(Q(0.05633, "mm"), Q(0.35167, "mm")))
    work = SimpleNamespace(machine=SimpleNamespace(name="north"), lot=lot)
    assert ranges(work) == [("Machine north", "power 15 to 240 mW; scan speed 6000 mm/s"), ("Lot clear", "coupons 0.056 to 0.352 mm deep")]
    lot.depth_range, lot.lot, work.machine = None, "7", None
    assert ranges(work) == [("Lot clear 7", "no coupons: values of a data sheet")]
    work.lot = None
    assert ranges(work) == []


def test_the_browser_keeps_the_score_of_sixty_exercises(client):
    from curecalc.lessons import invented_bench
    from curecalc.lessons.exercises import exercises

    one = exercises(seed=4, number=12, bench=invented_bench())[0]
    with client.session_transaction() as session:
        session["score"] = {f"9--{k}": True for k in range(60)}
    for answer, right in ((one.told(), True), ("1000 mm", True)):  # the first try counts
        client.get("/practice", query_string={"seed": "4", "exercise": "1", "answer": answer})
        with client.session_transaction() as session:
            assert len(session["score"]) == 60
            assert session["score"]["4--1"] is right
            assert "9--0" not in session["score"]
    assert "Exercise 12 of 12" in client.get("/practice?exercise=99").text
    assert "Exercise 1 of 12" in client.get("/practice?exercise=0").text


def test_a_window_on_its_page(monkeypatch, drawn):
    asked = []
    limit = SimpleNamespace(name="ripple", sentence="ripple: 8 um at most")
    window = SimpleNamespace(
        vector=SimpleNamespace(kind="hatch", limits=(limit,)),
        across="scan_speed",
        up="hatch_spacing",
        chosen=(1500.0, 0.1),
        inside=np.array([[True, False, False, False]]),
        held={"beam_radius": 0.11},
    )
    monkeypatch.setattr(window_view, "process_window", lambda *_, **how: asked.append((how["points"], how["with_assurance"])) or window)
    monkeypatch.setattr(window_view, "ranges", lambda work: [])
    monkeypatch.setattr(WindowView, "command", lambda *_: "command")
    machine = SimpleNamespace(layer_thickness_min=None, layer_thickness_max=None)
    vector = SimpleNamespace(kind="hatch", pattern="raster")
    made = SimpleNamespace(machine=machine, vectors=(vector,), vector=lambda kind: vector)
    page = WindowView(BOARD).page({}, SimpleNamespace(complete=True, recipe=lambda: made))
    assert page["main"] == "hatch: chosen 1500 mm/s, 0.1 mm; 25 % of the shown range holds all limits."
    assert page["rows"] == [("beam radius, held", "0.11 mm")]
    assert page["binding"] == [("ripple", "8 um at most")]
    assert asked == [(41, False)]
    assert WindowView(BOARD).page({}, Work())["problem"].startswith("A window belongs to a recipe")


def test_a_map_on_its_page(monkeypatch):
    def place(k):
        return SimpleNamespace(x=float(k), y=0.5, kind="hatch", why="why", value=1.0)

    places = [(place(k), Q(0.0123456 * (k + 1), "mm")) for k in range(4)]
    look = SimpleNamespace(
        worst=lambda name: places,
        law=SimpleNamespace(depth=lambda value: value),
        exposures=lambda: (Q(12.34567, "mJ/cm^2"), Q(20.0, "mJ/cm^2"), Q(30.0, "mJ/cm^2")),
        answer=SimpleNamespace(numerical_error=1.234e-5, pixel=Q(0.0123456, "mm"), warnings=("odd",)),
        window=(0.0, 0.5, 4.0, 2.5),
        widest=9.0,
    )
    asked = SimpleNamespace(paths=("v.csv", b""), layer=3, speed_factor=1.0)
    monkeypatch.setattr(MapView, "look", lambda self, query, work: (asked, look))
    monkeypatch.setattr(MapView, "_values", staticmethod(lambda look: "values"))
    monkeypatch.setattr(map_view, "ranges", lambda work: [])
    labels = []
    view = MapView(SimpleNamespace(svg=lambda name, draw, *, label, **_: labels.append(label)))
    work = Work(paths=("v.csv", b"layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n3,0,0,1,0\n"))
    page = view.page({}, work)
    assert page["rows"][:3] == [
        ("Exposure, weakest place", "12.35 mJ/cm^2"),
        ("Exposure, mean", "20 mJ/cm^2"),
        ("Exposure, strongest place", "30 mJ/cm^2"),
    ]
    where = "y 0.500 mm, hatch, why"
    assert page["rows"][3:6] == [
        ("Weakest place, 1", f"0.0123 mm: x 0.000 {where}"),
        ("Weakest place, 2", f"0.0247 mm: x 1.000 {where}"),
        ("Weakest place, 3", f"0.037 mm: x 2.000 {where}"),
    ]
    assert len(page["rows"]) == 3 + 2 * 3 + 2
    assert page["rows"][-2:] == [("Numerical error of the exposure", "at most 1.2e-05 of the peak"), ("Computed on pixels of", "0.0123 mm")]
    assert (page["file"], page["layers"], page["notes"], page["values"]) == ("v.csv", [3], ("odd",), "values")
    assert labels[0].startswith(f"Overcure of the layer in this window. Weakest overcure 0.0123 mm: x 0.000 {where}. Deepest overcure")
    (command,) = page["commands"]
    assert command.startswith("curecalc map v.csv --layer 3 --power ")
    assert command.endswith(f" --window '0.0 mm' '0.5 mm' '4.0 mm' '2.5 mm' --numerical-error {map_view.TOLERANCE:g}")
    asked.speed_factor = 1.5
    assert view.command({}, work, "numbers").endswith(" --speed-factor 1.5")
    assert view.page({}, Work())["look"] is None
    monkeypatch.setattr("curecalc.figures.map.look_figure", lambda given: given)
    assert view.figure({}, work, "map") is look


def test_files_of_a_recipe_to_take_along():
    labels = ["Sheet (PDF)", "Sheet (HTML)", "Recipe", "Settings as a table", "Machine", "Lot", "Needs"]
    assert [label for label, _ in recipe_view.DOWNLOADS.values()] == labels
