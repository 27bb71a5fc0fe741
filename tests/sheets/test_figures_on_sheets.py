"""How many digits and which unit each figure of a sheet has, by hand."""

import csv
import io
import math
import struct
from pathlib import Path
from types import SimpleNamespace

import pytest

from curecalc.figures.style import new_figure
from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.recipe.recipe import make_recipe
from curecalc.sheets import recipe_sheet, run_sheet
from curecalc.units import Quantity as Q

DEMO = Path(__file__).parents[2] / "demo"
VALUE, DOUBT = 0.0123456789, 0.0012


def alike(given):
    """The same record with one value and one uncertainty everywhere."""
    if isinstance(given, dict):
        same = {"value": VALUE, "standard_uncertainty": DOUBT, "expanded_uncertainty": 2.0 * DOUBT, "coverage_factor": 2.0}
        return {k: same[k] if k in same and isinstance(v, float | int) else alike(v) for k, v in given.items()}
    return [alike(one) for one in given] if isinstance(given, list) else given


@pytest.fixture(scope="module")
def record():
    files = (read_machine(DEMO / "machine.toml"), read_resin(DEMO / "resin.toml"), read_needs(DEMO / "needs.toml"))
    made = alike(make_recipe(**dict(zip(("machine", "resin", "needs"), files)), gains=False).to_dict())
    made["rates"]["part_time"]["value"] = 44444.0  # s, 12.35 h
    made["machine"] |= {"radius_ratio": 1.23456, "spot_measurement": ""}
    return made | {"retuned_from": {"path": "old/first.json", "sha256": "0123456789abcdef"}}


def test_figures_of_a_recipe(record):
    view = recipe_sheet.recipe_view(record)
    (line, raster), effects = view["settings"][:2], dict(zip(("line", "raster"), view["effects"]))
    both = "0.0123 ± 0.0012"
    assert line == ["contour", *["0.01235"] * 3, "–", "1", both, "95 %", "scanner speed"]
    assert raster[4] == "0.01235"
    # widths, offsets and exposure in three digits, micrometres in three, the reach of a corner in two
    layers = str(record["vectors"][0]["compensation_layers"])
    assert effects["line"] == ["contour", both, "0.0123", "–", "12.3", "12.3", layers, "0.0123", "12.3", "0.012", "12.3"]
    assert effects["raster"][1:4] == ["–", "–", "12.3"]
    assert view["facts"][0] == "layer 0.0123 s: scan 0.0123 s, recoat 0.0123 s"
    assert view["facts"][1] == "0.0123 mL/h, 0.0123 g/h"
    assert view["facts"][3] == f"part of {record['rates']['part_layers']} layers: 12.3 h"
    assert view["facts"][4] == (
        "hatch lines beside the contour: the first 0.0123 mm from its line (12.3 µm deep at least); "
        "hatch lines that end at it: 0.0123 mm from its line (12.3 µm)"
    )
    assert view["validity"][0].startswith(f"Dp {both} mm, Ec {both} mJ/cm², correlation 0.89, ")
    assert view["validity"][1] == "holds for depths 0.0123 to 0.0123 mm, 0.01235 nm, 0.01235 °C"
    assert {part.rpartition(" ")[2] for part in view["budget"].partition(": ")[2].split(", ")} == {"12"}
    assert "Expected 0.0123 mm. Between 0.0123 and 0.0123 mm" in view["proof"]
    head = dict(view["head"])
    assert head["spot"] == "elliptical, y radius 1.23 of x, x at 0.0123°"
    assert head["layer"] == "0.01235 mm"
    assert head["retuned"].endswith("in place of first.json 01234567")
    assert [len(one.split()[2]) for one in view["files"]] == [16] * 3


def test_the_parts_of_the_uncertainty_stand_greatest_first(record):
    first = record["vectors"][0] | {"budget": {"a": {"value": 0.00123}, "b": {"value": 0.003}, "c": {"value": 0.002}}}
    assert recipe_sheet._budget({"vectors": [first]}) == "contour, standard uncertainties of depth in µm: b 3, c 2, a 1.2"


@pytest.mark.parametrize(
    ("ratio", "told", "said"),
    [
        (1.0, "", []),
        (1.0, "scan of today", [("spot", "round (scan of today)")]),
        (0.9, "scan of today", [("spot", "elliptical, y radius 0.9 of x, x at 20° (scan of today)")]),
    ],
)
def test_a_spot_is_told_where_it_is_an_ellipse_or_was_measured(ratio, told, said):
    assert recipe_sheet._spot({"radius_ratio": ratio, "spot_measurement": told, "spot_angle": {"value": 20.0}}) == said


def test_hatch_lines_that_end_at_the_contour_or_pass_it(record):
    for value, side in ((0.0, "0 mm from"), (-0.01, "0.01 mm beyond")):
        seam = record["seam"] | {"hatch_line_ends": {"value": value}}
        assert f"that end at it: {side} its line" in recipe_sheet.recipe_view(record | {"seam": seam})["facts"][-1]


def test_assurance_is_never_shown_as_more_than_it_is_nor_as_certainty():
    shares = {0.95: "95", 0.57: "57", 0.9996: "99.96", 0.99951: "99.95", 0.99996: "99.996", 0.999996: "99.999", 0.9899: "98.9", 1.0: "100"}
    for share, percent in shares.items():
        assert recipe_sheet._percent(share) == f"{percent} %"


def plan(*, cross_hatch=False, speed=1234.4, **settings):
    machine = SimpleNamespace(settings=settings, cross_hatch=cross_hatch)
    exposing = {"scan_speed": None if speed is None else Q(speed, "mm/s"), "exposure": Q(12.3456, "mJ/cm^2")}
    coupons = [SimpleNamespace(label="a", run_order=1, expected_depth=Q(0.123456, "mm"), **exposing)]
    given = {"coupons": coupons, "readings": 2, "seed": 7, "penetration_depth": Q(0.14, "mm"), "critical_exposure": Q(9.0, "mJ/cm^2")}
    return SimpleNamespace(machine=None if speed is None else machine, **given)


def test_settings_of_a_run_are_told_unless_they_are_what_goes_without_saying():
    told = run_sheet._settings
    assert told(plan(speed=None)) == []
    idle = {"passes": 1.0, "track_angle": 0.0, "spot_angle": 0.0}
    assert told(plan(power=240.0, beam_radius=0.11, **idle)) == [("power", "240 mW"), ("beam radius", "0.11 mm")]
    said = dict(told(plan(passes=2.0, track_angle=math.pi / 2.0, spot_angle=0.1, radius_ratio=1.0, pulse_rate=5.0)))
    assert said == {"passes": "2", "track angle": "90 deg", "spot angle": "5.73 deg", "radius ratio": "1", "pulse rate": "5 Hz"}
    # a crossed raster brings each place its mean twice
    assert told(plan(cross_hatch=True)) == [("passes", "2")]
    assert told(plan(cross_hatch=True, passes=3.0)) == [("passes", "6")]


def test_a_run_sheet_has_blanks_for_each_reading_and_expects_a_depth_in_three_digits():
    text, page = run_sheet.run_sheet_text(plan()), run_sheet.run_sheet_html(plan())
    assert "reading 1  reading 2\n" in text
    row = next(line for line in text.splitlines() if line.split()[:2] == ["1", "a"])
    assert row.split() == ["1", "a", "1234", "12.35", "0.123", *["_" * 9] * 2]
    assert [page.count(f"<th scope='col'>reading {k} (µm)</th>") for k in (0, 1, 2, 3)] == [0, 1, 1, 0]
    assert "<td class='big'>1234</td><td>12.35</td><td>123</td><td class=wide></td><td class=wide></td></tr>" in page
    thin = plan()
    thin.coupons[0].expected_depth = Q(0.0123456, "mm")
    assert "<td>12.35</td><td>12.3</td>" in run_sheet.run_sheet_html(thin)
    table = run_sheet.coupon_csv(plan()).splitlines()
    assert table[-2:] == ["a,1,1234.4,,"] * 2
    assert run_sheet.coupon_csv(plan(speed=None)).splitlines()[-1] == "a,1,12.3456,,"


def test_the_table_of_a_recipe_has_full_precision_and_units_in_its_head(record):
    """Where no kind has a width, a ripple or a spacing, its column is in millimetres all the same."""
    bare = [{**v, "hatch_spacing": None, "cross_hatch": k == 0} for k, v in enumerate(record["vectors"])]
    head, first, second, *_ = csv.reader(io.StringIO(recipe_sheet.recipe_csv({"vectors": bare})))
    assert head[:8] == [
        "kind",
        "pattern",
        "passes",
        "cross hatch",
        "scan speed [mm/s]",
        "power [mW]",
        "beam radius [mm]",
        "hatch spacing [mm]",
    ]
    assert head[-5:] == ["exposure mean [mJ/cm^2]", "exposure min [mJ/cm^2]", "assurance", "compensation layers", "limited by"]
    assert first[:8] == ["contour", "line", "1", "yes", *[repr(VALUE)] * 3, ""]
    assert second[3] == "no"
    assert [row[-1] for row in (first, second)] == ["; ".join(v["limited_by"]) for v in bare[:2]]


def test_the_window_of_a_sheet_is_150_by_110_millimetres(monkeypatch):
    """At 200 dots an inch; the raster's over speed and spacing, a line's over speed and spot; and its table in the record."""
    from curecalc.recipe import window
    from curecalc.sheets import pdf_page, recipe_files

    asked = []

    def found(vector, across, up, **named):
        asked.append((vector.pattern, across, up, named))
        return SimpleNamespace(vector=vector, across=across, up=up, to_dict=lambda: {"points": named["points"]})

    monkeypatch.setattr(window, "process_window", found)
    monkeypatch.setattr("curecalc.figures.window.window_figure", lambda _, **size: new_figure(**size))
    monkeypatch.setattr(pdf_page, "recipe_pdf", lambda record, png: png)
    for pattern, up in (("raster", "hatch_spacing"), ("line", "beam_radius")):
        asked.clear()
        record = {}
        png = recipe_files.sheet_bytes(SimpleNamespace(main=SimpleNamespace(pattern=pattern)), record, "pdf")
        wide, high = struct.unpack(">II", png[16:24])
        assert (wide / 200.0 * 25.4, high / 200.0 * 25.4) == pytest.approx((150.0, 110.0), abs=0.2)
        assert asked == [(pattern, "scan_speed", up, {"points": 61, "with_assurance": False}), (pattern, "scan_speed", up, {"points": 15})]
        assert record == {"window": {"points": 15}}
