"""What a map says of what was counted, by hand; pictures of its doses, and limits of what is tried out and looked at."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.map import answer as answer_module
from curecalc.map import look as look_module
from curecalc.map.answer import answer_of, dose_image, exposure_field, job_of, optics_of, part_field
from curecalc.map.correcting import Correction
from curecalc.map.field import Grid, layer_dose
from curecalc.map.look import looked
from curecalc.map.tally import Place, Tally
from curecalc.units import Quantity as Q

from .scenes import LINE, RADIUS, RESIN, joined, raster, summed, vectors

T = Q(0.1, "mm")
LAW = RESIN.law(**RESIN.constants())


def dose(depth):
    """That cures so deep (mm): Ec exp(depth/Dp)."""
    return 0.08 * math.exp(depth / 0.15)


def place(depth, x, y=0.0, layer=2, region="core"):
    return Place(dose(depth), x, y, layer, region, "hatch", "seam")


def counted():
    """A tally of two layers made by hand: 50 pixels of core, 80 drawn."""
    tally = Tally(dose_sum=50.0 * dose(0.16), core=50, drawn=80, short=20, unsolid=8.0, energy=1.5, uncut=3)
    tally.offer("weakest", [place(0.12 + 0.01 * k, k, -1e-9) for k in range(5)])  # read as zero, without its sign
    tally.offer("deepest", [place(0.22 - 0.01 * k, k, 1.0) for k in range(5)])
    tally.offer("rim_weakest", [place(0.05 + 0.01 * k, k, 2.0, region="rim") for k in range(2)])
    tally.offer("print_through_places", [Place(0.08764 - 0.01 * k, k, 3.0, 2, "down-facing", "hatch", "seam") for k in range(2)])
    tally.offer("edge_places", [Place(v, k, 4.0, 2, "rim") for k, v in enumerate((0.02, -0.03))])
    tally.offer("thin", [Place(0.15 + 0.01 * k, k - 1e-9, 5.0, 2, "rim") for k in range(2)])
    tally.histograms["overcure"].add(np.array([0.0205] * 4 + [0.0405] * 92 + [0.0605] * 4))
    tally.histograms["edge_error"].add(np.array([-0.0105] * 2 + [0.0095] * 96 + [0.0295] * 2))
    for name, value in (("corner_cut", 0.0205), ("inner_corner_fill", 0.0105), ("deep_edge_error", 0.0055)):
        tally.histograms[name].add(np.array([value]))
    return tally


def job(first=1, last=2):
    optics = SimpleNamespace(law=LAW)
    return SimpleNamespace(
        optics=optics, single=first == last, grid=Grid(0.0, 0.0, 0.02468, 9, 9), first=first, last=last, paths=SimpleNamespace(radii=())
    )


def told(tally, **more):
    return answer_of(job(**more), 1.26e-5, tally, RESIN, T, corrected=True)


def test_a_part_is_told_as_it_was_counted():
    answer = told(counted())
    assert dict(answer.rows()) == {
        "exposure, weakest place": f"{100 * dose(0.12):.4g} mJ/cm^2",
        "exposure, mean": f"{100 * dose(0.16):.4g} mJ/cm^2",
        "exposure, strongest place": f"{100 * dose(0.22):.4g} mJ/cm^2",
        "cure depth, weakest place": "0.12 mm",
        "cure depth, strongest place": "0.22 mm",
        "drawn area below bond": "25 %",
        "drawn volume uncured": "10 %",
        "print-through, greatest": "0.0876 mm",
        "walls grow a side by layers above": "0.0055 mm",
        "move outlines inward by": "0.0095 mm",
        "outer corners cut by": "0.0205 mm",
        "inner corners filled by": "0.0105 mm",
        "  weakest": "x 2.000 y 0.000 mm, layer 2, hatch, seam: overcure 40 um",  # the third of three
        "  deepest": "x 2.000 y 1.000 mm, layer 2, hatch, seam: overcure 100 um",
        "  print-through": "x 0.000 y 3.000 mm, layer 2, hatch, seam: 0.0876 mm",
        "  thin": "x 0.000 y 5.000 mm, layer 2: 150 um wide",
        "pixel": "0.0247 mm",
        "numerical error": "1.3e-05 of the peak",
    }
    assert [text.split(",")[0] for name, text in answer.rows() if name == "  weakest"] == [f"x {k}.000 y 0.000 mm" for k in range(3)]
    record = answer.to_dict()
    assert (record["layers"], record["below_bond_fraction"], record["uncured_fraction"], record["energy"]["value"]) == (2, 0.25, 0.1, 1.5)
    assert record["rim_exposure_min"]["value"] == pytest.approx(100 * dose(0.05))
    assert [record[f"overcure_{end}"]["value"] for end in ("min", "max")] == pytest.approx([0.02, 0.12])
    assert [record[f"cure_depth_{end}"]["value"] for end in ("min", "max")] == pytest.approx([0.12, 0.22])
    assert record["print_through"]["value"] == 0.08764
    quantiles = record["overcure_histogram"]["quantiles"]
    assert {name: q["value"] for name, q in quantiles.items()} == pytest.approx({"0.05": 0.0405, "0.5": 0.0405, "0.95": 0.0405})
    assert record["overcure_histogram"]["bin"] == 0.001
    edge = record["edge_error"]
    assert [edge[name]["value"] for name in ("mean", "low", "high")] == pytest.approx([0.0095, 0.0095, 0.0095])
    assert (edge["places_uncured"], edge["places_measured"]) == (3, 103)
    assert [p["edge_error"]["value"] for p in edge["places"]] == [-0.03, 0.02]  # the farthest off first, to either side
    weakest = record["weakest_places"][1]
    assert [weakest[k]["value"] for k in ("x", "cure_depth", "overcure")] == pytest.approx([1.0, 0.13, 0.03])


def test_shares_just_beyond_a_fortieth_and_a_twentieth_are_seen():
    tally = counted()
    tally.histograms["edge_error"].add(np.array([-0.0105, 0.0295]))  # 3 of 102 at either end
    tally.histograms["overcure"].add(np.array([0.0205, 0.0605] * 2))  # 6 of 104
    edge = told(tally).edge_error
    assert [edge[name].m_as("mm") for name in ("low", "high")] == pytest.approx([-0.0105, 0.0295])
    assert [q.m_as("mm") for q in told(tally).overcure_quantiles] == pytest.approx([0.0205, 0.0405, 0.0605])


def test_what_was_not_counted_is_not_told():
    tally = Tally(dose_sum=1.0, core=1)
    tally.offer("weakest", [place(0.12, 0.0)])
    tally.offer("deepest", [place(0.12, 0.0)])
    answer = told(tally)
    assert (answer.below_bond_fraction, answer.uncured_fraction, answer.warnings) == (0.0, 0.0, ())
    record = answer.to_dict()
    missing = ("rim_exposure_min", "print_through", "side_growth", "width_compensation", "corner_cut", "inner_corner_fill", "edge_error")
    assert [record[name] for name in missing] == [None] * 7
    assert "quantiles" not in record["overcure_histogram"]
    with pytest.raises(QuantityError, match="nothing is exposed in the window"):
        told(Tally())
    dark = Tally()
    dark.offer("deepest", [place(0.12, 0.0)])
    with pytest.raises(QuantityError, match="the window holds no core"):
        told(dark)
    with pytest.raises(QuantityError, match="the window holds no core"):
        told(dark, first=1, last=1)


def test_what_one_speed_each_would_mend():
    one = Correction("hatch", (1000.0, 900.0, 1100.0), (dose(0.15), dose(0.30)), (dose(0.18), dose(0.27)))
    answer = replace(told(counted()), vector_corrections=(one,))
    said = dict(answer.rows())["  hatch, one speed each"]
    assert said == "900 to 1100 mm/s: depth along them even to 0.09 mm, now 0.15 mm"
    (record,) = answer.to_dict()["vector_corrections"]
    assert {name: entry["value"] for name, entry in record.items() if name != "kind"} == pytest.approx(
        {
            "scan_speed": 1000.0,
            "scan_speed_min": 900.0,
            "scan_speed_max": 1100.0,
            "gain": 0.06,
            "overcure_min": 0.05,
            "overcure_max": 0.2,
            "overcure_min_after": 0.08,
            "overcure_max_after": 0.17,
        }
    )


LAYERS = joined(*(vectors([(0.0, 0.0, 1.0, 0.0)], layer=k) for k in (3, 5, 6)))


@pytest.mark.parametrize(("layers", "count"), [((3, 3), 1), ((6, 6), 1), ((1, 3), 3), ((6, 9), 4), ((4, 5), 2), (None, 4)])
def test_layers_of_a_part(layers, count):
    box = joined(*(raster(0.1, 7, 0.6, layer=k) for k in (3, 5, 6)))
    assert part_field(box, resin=RESIN, layer_thickness=T, layers=layers, workers=1).layers == count


@pytest.mark.parametrize("layers", [(5, 3), (1, 2), (7, 9), (4, 4)])
def test_layers_that_hold_nothing(layers):
    with pytest.raises(QuantityError, match=f"layers {layers[0]} to {layers[1]} hold nothing: paths has 3 to 6"):
        part_field(LAYERS, resin=RESIN, layer_thickness=T, layers=layers, workers=1)


def test_layers_of_a_map():
    missing = "paths holds 3 layers, 3 to 6. Name one with layer="
    for layer, words in ((None, missing), (4, "layer 4 is not in paths, which holds 3 to 6")):
        with pytest.raises(QuantityError, match=words):
            exposure_field(LAYERS, resin=RESIN, layer_thickness=T, layer=layer, workers=1)


def made(paths, ratio=1.0, window=None, angle=None):
    numbers = paths.layers
    optics = optics_of(paths, RESIN, None, ratio, angle, None, None)
    found, _ = job_of(paths, optics, int(numbers[0]), int(numbers[-1]), T, None, 1e-5, None, window)
    return found


def test_a_map_reaches_three_radii_beyond_its_vectors():
    for ratio, angle, wide in ((1.0, 0.0, RADIUS), (1.6, 0.0, 1.6 * RADIUS), (1.6, 90.0, 1.6 * RADIUS)):
        found = made(vectors([(1.0, 2.0, 3.0, 2.5)]), ratio, angle=Q(angle, "deg"))
        assert found.radius == pytest.approx(wide)
        room = 3.0 * wide
        assert found.grid.window() == pytest.approx((1.0 - room, 2.0 - room, 3.0 + room, 2.5 + room), abs=1.01 * found.grid.pixel)
    for window, fine in (((0, 0, 1, 1), True), ((0, 0, 0, 1), False), ((0, 0, 1, 0), False)):
        ends = tuple(Q(float(v), "mm") for v in window)
        if fine:
            assert made(LAYERS, window=ends).grid.window() == pytest.approx(window, abs=0.03)
        else:
            with pytest.raises(QuantityError, match="x0 below x1 and y0 below y1"):
                made(LAYERS, window=ends)


def test_speeds_are_tried_out_on_so_many_pixels_and_vectors(monkeypatch):
    paths = raster(0.1, 8, 0.8)
    answer = exposure_field(paths, resin=RESIN, layer_thickness=T, workers=1, corrected=False)
    grid = answer.job.grid
    tally = counted()

    def tried(**more):
        return answer_of(answer.job, 1e-5, tally, RESIN, T, **{"corrected": True} | more)

    for name, size in (("_MOST_CORRECTED", grid.rows * grid.columns), ("_MOST_TRIED", 8)):
        monkeypatch.setattr(answer_module, name, size)
        assert len(tried().vector_corrections) == 1
        assert tried().warnings == ()
        monkeypatch.setattr(answer_module, name, size - 1)
        assert tried().vector_corrections == ()
        assert "tried out on maps of up to four million pixels and 700,000 vectors only" in tried().warnings[0]
        assert tried(corrected=False).warnings == ()
        monkeypatch.undo()
    assert (answer_module._MOST_CORRECTED, answer_module._MOST_TRIED) == (4_000_000, 700_000)


def test_a_picture_of_doses_skips_pixels_of_the_same_field():
    found = made(vectors([(0.0, 0.0, 8.0, 7.0)]))
    grid = found.grid
    assert grid.rows > 256
    whole = layer_dose(found.paths.of_layer(1), found.optics, grid)
    for most, step in ((grid.rows * grid.columns, 1), (grid.rows * grid.columns - 1, 2), (grid.rows * grid.columns // 9, 4)):
        image, shown, error = dose_image(found, grid.window(), most=most)
        # the window's ends are pixels' centres, to rounding: a row or column more may be taken along
        rows = np.rint((shown.y - grid.y0) / grid.pixel).astype(int)
        columns = np.rint((shown.x - grid.x0) / grid.pixel).astype(int)
        assert shown.pixel == pytest.approx(step * grid.pixel)
        assert image.shape == (shown.rows, shown.columns)
        assert shown.rows >= grid.rows / step
        inside = (rows >= 0) & (rows < grid.rows), (columns >= 0) & (columns < grid.columns)
        assert image[np.ix_(*inside)] == pytest.approx(whole[np.ix_(rows[inside[0]], columns[inside[1]])], abs=1e-6 * LINE)
        assert error < 1e-5


SHOWN = {"resin": RESIN, "layer_thickness": T, "layer": 1}


def test_a_look_is_of_a_quarter_of_a_million_pixels():
    paths = joined(raster(0.1, 9, 0.8), vectors([(0.0, 0.0, 300.0, 0.0)]))
    pixel = looked(paths, **SHOWN, across=Q(1.0, "mm")).answer.job.grid.pixel
    one = looked(paths, **SHOWN)
    assert one.whole == pytest.approx(300.0 + 6.0 * RADIUS, abs=0.1)
    assert one.widest == pytest.approx(0.99 * 500.0 * pixel)
    left, below, right, above = one.window
    assert (right - left, above - below) == pytest.approx((one.widest, one.widest))
    assert (0.5 * (left + right), 0.5 * (below + above)) == pytest.approx((150.0, 0.4), abs=pixel)
    flat = looked(paths, **SHOWN, shape=0.25, x=Q(0.4, "mm"), y=Q(0.3, "mm"), across=Q(2.0, "mm"))
    assert flat.widest == pytest.approx(2.0 * one.widest)
    assert flat.window == pytest.approx((-0.6, 0.05, 1.4, 0.55))
    assert flat.dose.size <= 40_000
    x, y = np.meshgrid(flat.grid.x, flat.grid.y)
    assert flat.dose == pytest.approx(summed(paths, x, y), abs=2e-4 * flat.dose.max())
    for wide, fine in ((one.widest * 0.999, True), (one.widest * 1.001, False)):
        if fine:
            looked(paths, **SHOWN, across=Q(wide, "mm"))
        else:
            with pytest.raises(QuantityError, match="across must be at most"):
                looked(paths, **SHOWN, across=Q(wide, "mm"))
    tall = looked(raster(0.1, 30, 0.8), **SHOWN, shape=2.0)
    assert tall.whole == pytest.approx(0.5 * (2.9 + 6.0 * RADIUS), abs=0.05)


def test_paths_too_long_to_look_at(monkeypatch):
    """Of a vector that runs through, as much counts as the window's diagonal and twice what light reaches."""
    paths = vectors([(0.0, 0.0, 300.0, 0.0), (0.0, 0.1, 0.5, 0.1)])
    one = looked(paths, **SHOWN, x=Q(0.4, "mm"), across=Q(2.0, "mm"), shape=0.5)
    length = math.hypot(2.0, 1.0) + 2.0 * 6.0 * RADIUS + 0.5
    for most, fine in ((length * 1.0001, True), (length * 0.9999, False)):
        monkeypatch.setattr(look_module, "MOST_POINTS", most / one.answer.job.grid.pixel)
        if fine:
            looked(paths, **SHOWN, x=Q(0.4, "mm"), across=Q(2.0, "mm"), shape=0.5)
        else:
            with pytest.raises(QuantityError, match=f"{length:.4g} mm of path run through this window, more than "):
                looked(paths, **SHOWN, x=Q(0.4, "mm"), across=Q(2.0, "mm"), shape=0.5)
        monkeypatch.undo()
    assert look_module.MOST_POINTS == 2_000_000


def test_a_look_at_another_speed_and_coarser():
    one = looked(raster(0.1, 9, 0.8), **SHOWN)
    fast = one.faster(2.0)
    assert fast.dose == pytest.approx(one.dose / 2.0)
    assert [a.m / b.m for a, b in zip(one.exposures(), fast.exposures())] == pytest.approx([2.0] * 3)
    (before, over), (after, less) = one.worst("deepest")[0], fast.worst("deepest")[0]
    assert before.value == pytest.approx(2.0 * after.value)
    assert over.m_as("mm") - less.m_as("mm") == pytest.approx(0.15 * math.log(2.0))
    assert one.worst("weakest")[0][0] == one.answer.weakest_places[0]
    size = one.dose.size
    for most, step in ((size, 1), (size - 1, 2), ((size - 1) // 4, 3)):
        values, grid = one.coarse(most)
        assert values.shape == (grid.rows, grid.columns) == (-(-one.grid.rows // step), -(-one.grid.columns // step))
        assert grid.pixel == pytest.approx(step * one.grid.pixel)
    for size, rows in ((3000, 3000), (3001, 1501)):  # of more than 3000 every second
        assert len(replace(one, dose=np.ones((size, 1))).coarse()[0]) == rows
    middle = one.overcure()[one.grid.rows // 2, one.grid.columns // 2]
    assert middle == pytest.approx(0.15 * math.log(one.dose[one.grid.rows // 2, one.grid.columns // 2] / 0.08) - 0.1)
    edge = one.overcure()[one.dose < 0.08]
    assert len(edge) > 0
    assert np.isnan(edge).all()
