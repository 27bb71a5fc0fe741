"""Fields and forms of the page: texts to values and documents and back, by hand."""

from types import SimpleNamespace
from urllib.parse import urlencode

import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.files.schema import Field, Schema
from curecalc.page import fields, forms
from curecalc.page.settings_view import Setting, _compared, _label, _main_line, _of_recipe, _shown
from curecalc.page.work import Work
from curecalc.units import Measured
from curecalc.units import Quantity as Q

SCHEMA = Schema(
    name="made",
    version=3,
    fields={
        "name": Field("text", required=True),
        "kinds": Field("tables", fields={"kind": Field("text"), "power_max": Field("power")}),
        "plain": Field("tables", fields={"size": Field("length")}),
        "laser": Field("table", fields={"power": Field("power", uncertain=True), "on": Field("boolean"), "share": Field("number")}),
        "made_on": Field("date"),
    },
)
TREE = {
    "name": "bay 2",
    "laser": {"power": {"value": "3 mW", "standard_uncertainty": "1 %"}, "on": False},
    "kinds": [{"kind": "hatch", "power_max": 5}, {"power_max": 7}],
}


def test_a_document_as_rows_of_a_form():
    rows = forms.rows_of(SCHEMA, TREE)
    assert [(row.label, row.text, row.kind) for row in rows] == [
        ("Name", "bay 2", "text"),
        ("Laser", "", "table"),
        ("Made on", "", "text"),
        ("Kinds", "", "tables"),
        ("Plain", "", "tables"),
    ]
    assert [(row.name, row.label, row.text, row.filled) for row in rows[1].rows] == [
        ("laser.power", "Power", "3 mW +- 1 %", True),
        ("laser.on", "On", "no", True),
        ("laser.share", "Share", "", False),
    ]
    kinds = rows[3].rows
    assert [(row.name, row.label, row.open) for row in kinds] == [
        ("kinds.0", "hatch", True),
        ("kinds.1", "Kinds 2", True),
        ("kinds.2", "One more", False),
    ]
    assert [row.text for row in kinds[1].rows] == ["", "7"]
    assert forms.rows_of(SCHEMA, {})[0].filled  # it must stand in the file
    assert rows[0].example == "..."


def test_texts_of_a_document_and_the_document_of_texts():
    texts = forms.texts_of(TREE)
    assert texts == {
        "name": "bay 2",
        "laser.power": "3 mW +- 1 %",
        "laser.on": "no",
        "kinds.0.kind": "hatch",
        "kinds.0.power_max": "5",
        "kinds.1.power_max": "7",
    }
    more = {"laser.share": "1e-3", "made_on": "2026-01-31", "name": 'a "b" \\', "plain.12.size": "1 mm", "plain.3.size": "2 mm"}
    more |= {"kinds.2.kind": "line", "kinds.2.power_max": "9 mW", "kinds.2.remove": "yes", "kinds.1000.kind": "too far", "laser.on": "yes"}
    assert forms.document_of(SCHEMA, texts | more).splitlines() == [
        "# Written on the page.",
        "schema = 3",
        'name = "a \\"b\\" \\\\"',
        "made_on = 2026-01-31",
        "",
        "[[kinds]]",
        'kind = "hatch"',
        'power_max = "5"',
        "",
        "[[plain]]",
        'size = "2 mm"',
        "",
        "[[plain]]",
        'size = "1 mm"',
        "",
        "[laser]",
        'power = "3 mW +- 1 %"',
        "on = true",
        "share = 1e-3",
    ]
    assert forms.document_of(SCHEMA, {"name": " "}).splitlines() == ["# Written on the page.", "schema = 3"]
    for text, good in ((" ", True), ("a b", True), ("a\x1fb", False), ("a\nb", False)):
        if good:
            forms.document_of(SCHEMA, {"name": text})
        else:
            with pytest.raises(FileError, match="holds a line break or a control character"):
                forms.document_of(SCHEMA, {"name": text})


def test_texts_of_an_address_over_those_of_the_start():
    start = {"power": "240 mW", "beside": "", "pattern": "raster"}
    query = {"power": "9" * 2001, "layers": "7", "x": "1 mm", "unknown": "1", "beside": "b"}
    state = fields.read(query, start, ["layers", "x"])
    assert state.texts == {"power": "9" * 2000, "beside": "b", "pattern": "raster", "layers": "7", "x": "1 mm"}
    assert state.good
    assert (state.values["layers"], state.values["x"].m_as("mm")) == (7, 1.0)
    state = fields.read({"layers": "1.5", "power": "3 mm"}, start, ["layers", "power", "passes"])
    assert list(state.problems) == ["layers", "power", "passes"]
    assert state.problems["layers"].startswith("Layers in all must be")
    assert not state.good
    assert fields.plainly("scan_speed_max is below scan_speed") == "scan_speed_max is below scan speed"


def test_what_one_of_each_unit_is_on_a_slider():
    assert fields.FIELDS["spot"].scales["um"] == pytest.approx(1e-3)
    assert fields.FIELDS["scan_speed"].scales["m/s"] == pytest.approx(1e3)
    assert fields.FIELDS["power"].unit == "mW"


@pytest.mark.parametrize("spot_as", ["radius", "diameter", "fwhm"])
@pytest.mark.parametrize("ratio", ["1", "2"])
def test_the_beam_of_a_setting(spot_as, ratio):
    """A diameter is two radii, a full width at half maximum sqrt(2 ln 2) of one."""
    setting = Setting({"spot": "0.2 mm +- 5 %", "spot_as": spot_as, "radius_ratio": ratio, "spot_angle": "30 deg"}, Work())
    radius = 0.2 * {"radius": 1.0, "diameter": 0.5, "fwhm": 1.0 / 1.1774100225}[spot_as]
    beam = setting.sound().beam
    assert beam.radius_x.value.m_as("mm") == pytest.approx(radius)
    assert beam.radius_x.relative == pytest.approx(0.05)
    assert setting.round is (ratio == "1")
    if ratio == "1":
        assert beam.radius_y is None
    else:
        assert beam.radius_y.value.m_as("mm") == pytest.approx(2.0 * radius)
        assert beam.radius_y.relative == pytest.approx(0.05)
        assert (beam.radius_correlation, beam.angle.m_as("deg")) == (1.0, pytest.approx(30.0))


def options(**query):
    return Setting(query, Work()).options()


def test_the_options_of_a_setting():
    plain = options(power="1 mW")
    assert plain[:2] == ["--power", "1 mW"]
    for name, query in {
        "--radius-ratio": {"radius_ratio": "2"},
        "--track-angle": {"radius_ratio": "2", "track_angle": "5 deg"},
        "--pulse-rate": {"pulse_rate": "80 kHz"},
        "--passes": {"passes": "2"},
        "--cross-hatch": {"crossed": "yes"},
    }.items():
        assert name not in plain
        assert name in options(**query)
    assert "--hatch-spacing" in plain
    assert not {"--hatch-spacing", "--cross-hatch"} & set(options(pattern="line", crossed="yes"))
    assert "--scan-speed" not in Setting({}, Work()).options(without="scan_speed")
    assert "--scan-speed" in plain
    own = options(penetration_depth="0.15 mm")
    assert own[own.index("--penetration-depth") + 1] == "0.15 mm"
    assert "--correlation" not in own  # typed values are independent
    for wrong in ({"spot_as": "area"}, {"pattern": "spiral"}):
        with pytest.raises(QuantityError):
            Setting(wrong, Work()).sound()


def answer(raster=True, cures=True, overcure=0.05, **outputs):
    found = {name: Q(value, "mm") for name, value in outputs.items()} | {"overcure": Q(overcure, "mm")}
    return SimpleNamespace(scan=SimpleNamespace(raster=raster), cures=cures, outputs=found, weakest_depth=Q(0.12345, "mm"))


def test_the_main_line_of_a_setting():
    assert _main_line(answer(overcure=0.056784)) == "Weakest place 0.123 mm deep, overcure 0.0568 mm."
    assert _main_line(answer(overcure=0.0)) == "Weakest place 0.123 mm deep, overcure 0 mm."
    assert _main_line(answer(raster=False, overcure=-0.012345)) == "Line 0.123 mm deep, short of the layer by 0.0123 mm."
    assert _main_line(answer(raster=False, cures=False)) == "Line: nothing cures."
    assert [_shown(name, answer(raster=False)) for name in ("exposure_peak", "exposure_mean", "cure_depth")] == [True, False, True]
    assert _shown("exposure_mean", answer())
    assert [_label(name) for name in ("beam_radius", "scan_speed")] == ["beam radius", "scan speed"]


def test_settings_of_a_recipe_are_called_so_until_one_is_changed():
    chosen = SimpleNamespace(kind="hatch", cure_depth=Q(0.18, "mm"))
    setting = SimpleNamespace(work=SimpleNamespace(chosen=chosen), start={"power": "1 mW", "overcure": "", "beside": ""})
    for texts, same in (
        ({"power": "1 mW", "overcure": "0 mm", "beside": "x"}, True),
        ({"power": "2 mW", "overcure": "", "beside": ""}, False),
    ):
        setting.texts = texts
        assert _of_recipe(setting).startswith("These are the settings of hatch in the recipe. The recipe's depth, 0.18 mm,") is same
        assert bool(_of_recipe(setting)) is same
    setting.work.chosen = None
    assert _of_recipe(setting) == ""


def test_two_settings_beside_one_another(monkeypatch):
    by = {"cure_depth": Q(0.012345, "mm"), "overcure": Q(-0.01, "mm"), "line_width": Q(0.0, "mm"), "exposure_mean": Q(1.0, "mJ/cm^2")}
    monkeypatch.setattr("curecalc.setting.beside.differences", lambda one, other: by)
    one, other = (SimpleNamespace(scan=SimpleNamespace(raster=False), text=lambda name, k=k: f"{name} {k}") for k in (1, 2))
    assert _compared(one, None) == []
    assert _compared(one, other) == [
        ("Cure depth", "cure_depth 1", "cure_depth 2", "+0.0123 mm"),
        ("Overcure, weakest place", "overcure 1", "overcure 2", "-0.01 mm"),
        ("Line width at the surface", "line_width 1", "line_width 2", "0 mm"),
    ]


def test_a_speed_found_is_typed_with_four_digits(monkeypatch):
    found = SimpleNamespace(
        value=Q(1.23456, "m/s"), standard_uncertainty=(Q(7.0, "mm/s"), None), notes=("b", "c"), caution="c: curecalc recipe"
    )
    found.answer = SimpleNamespace(warnings=("a",))
    monkeypatch.setattr(Setting, "solution", lambda self: found)
    from curecalc.page.settings_view import _solved

    solved = _solved(Setting({"power": "1 mW"}, Work()))
    assert solved["speed"] == "1234.6 +- 7.0 mm/s"
    assert urlencode({"scan_speed": "1235 mm/s"}) in solved["address"]
    assert urlencode({"power": "1 mW"}) in solved["address"]
    assert (solved["caution"], solved["notes"]) == ("c: the view Recipe", ["a", "b", "c"])


def test_the_texts_of_a_start():
    beam = SimpleNamespace(
        power=Measured(Q(240.0, "mW"), Q(4.8, "mW")),
        radius_x=Q(0.1, "mm"),
        radius_y=Q(0.1234567, "mm"),
        round=False,
        angle=Q(30.0, "deg"),
        pulse_rate=Q(80.0, "kHz"),
    )
    resin = SimpleNamespace(penetration_depth=Measured(Q(0.142, "mm"), Q(0.0, "mm")), critical_exposure=Q(9.4, "mJ/cm^2"))
    bench = SimpleNamespace(beam=beam, resin=resin, hatch_spacing=Q(0.1, "mm"), layer_thickness=Q(0.1, "mm"), overcure=Q(0.05, "mm"))
    chosen = SimpleNamespace(
        power=Q(200.0, "mW"),
        beam_radius=Q(0.11, "mm"),
        hatch_spacing=Q(0.08, "mm"),
        weakest_track=Q(45.0, "deg"),
        pattern="raster",
        scan_speed=Q(1234.5678, "mm/s"),
        passes=2,
        cross_hatch=True,
    )
    texts = fields.start_texts(bench, chosen)
    shown = {
        "power": "200 mW +- 2 %",
        "spot": "0.11 mm",
        "radius_ratio": "1.23457",
        "spot_angle": "30 deg",
        "track_angle": "45 deg",
        "pulse_rate": "80000 Hz",
        "hatch_spacing": "0.08 mm",
        "passes": "2",
        "crossed": "yes",
        "penetration_depth": "0.142 mm",
        "scan_speed": "1235 mm/s",
    }
    assert {name: texts[name] for name in shown} == shown
    chosen.hatch_spacing, chosen.cross_hatch, beam.round, beam.pulse_rate = None, False, True, None
    texts = fields.start_texts(bench, chosen)
    assert (texts["hatch_spacing"], texts["crossed"], texts["radius_ratio"], texts["pulse_rate"]) == ("0.1 mm", "", "1", "")
