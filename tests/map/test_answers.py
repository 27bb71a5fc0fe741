"""Answers of a layer and of a part: places, why, corrections, stacks; against the closed forms and sums of their own."""

import json
import math

import numpy as np
import pytest

from curecalc.map import answer as answer_module
from curecalc.map.answer import exposure_field, part_field
from curecalc.map.field import Grid
from curecalc.map.reasons import extremes
from curecalc.map.survey import slabs
from curecalc.paths import shelf
from curecalc.physics.laws import Bleaching, Plain
from curecalc.units import Quantity as Q
from curecalc.units import QuantityError

from .scenes import LINE, POWER, RADIUS, RESIN, SPEED, joined, raster, rectangle, summed, vectors

T = Q(0.1, "mm")
KEYS = (
    *("exposure_min", "exposure_max", "exposure_mean", "cure_depth_min", "cure_depth_max", "weakest_places", "deepest_places"),
    *("overcure_histogram", "uncured_fraction", "print_through", "print_through_places", "side_growth", "edge_error", "corner_cut"),
    *("thin_features", "vector_corrections", "pixel", "numerical_error"),
)


def box(size, layer, *, h=0.1):
    """A square of contour (its outline drawn a line's half width outside) and hatch."""
    lines = raster(h, round(size / h) - 1, size - 2 * h, layer=layer)
    moved = vectors(np.column_stack([lines.x0 + h, lines.y0 + h, lines.x1 + h, lines.y1 + h]), layer=layer)
    return joined(rectangle(0.0, 0.0, size, size, kind="contour", layer=layer), moved)


@pytest.mark.parametrize("low", [True, False])
@pytest.mark.parametrize("pitch", [6.2, 7.3, 8.4])
def test_the_worst_of_thousands_is_found_between_the_pixels(pitch, low):
    """A field of crests and troughs known in closed form, all alike but one that lies between pixels, where its pixels hide it."""
    rng, n, sign = np.random.default_rng(7), 420, 1.0 if low else -1.0
    px, py = pitch * (1.0 + 0.01 * rng.standard_normal(2))
    a, b = rng.uniform(0.0, pitch, 2)
    at = [start + p * (np.arange(6, 60) + 0.5) for start, p in ((a, px), (b, py))]
    cx, cy = (one[(one > 40) & (one < n - 40)] for one in at)
    cx, cy = (one[np.argmax(np.abs(one - np.rint(one)))] for one in (cx, cy))
    y, x = np.mgrid[0:n, 0:n].astype(float)
    waves = 0.1 * np.cos(2 * np.pi * (x - a) / px) + 0.1 * np.cos(2 * np.pi * (y - b) / py)
    own = -0.004 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * (2 * pitch) ** 2))
    grid, inside = Grid(0.0, 0.0, 1.0, n, n), np.ones((n, n), bool)
    found = extremes(3.0 * np.exp(sign * (waves + own)), grid, inside, 1, low=low, region="core", own=(slice(10, n - 10),) * 2)
    assert found[0].value == pytest.approx(3.0 * math.exp(sign * -0.204), rel=5e-5)
    assert (found[0].x, found[0].y) == pytest.approx((cx, cy), abs=0.02)


def test_a_raster_answers_with_its_ridge_valley_and_keys():
    h = 1.2 * RADIUS
    answer = exposure_field(raster(h, 21, 4.0), resin=RESIN, layer_thickness=T, workers=1)
    k = np.arange(-30, 31)
    ridge = LINE * np.exp(-2.0 * (k * h / RADIUS) ** 2).sum()
    assert answer.exposure_max.m_as("mJ/mm^2") == pytest.approx(ridge, rel=1.5e-5)
    assert answer.exposure_mean.m_as("mJ/mm^2") == pytest.approx(POWER / (SPEED * h), rel=5e-3)
    assert answer.cure_depth_max.m_as("mm") == pytest.approx(0.15 * math.log(ridge / 0.08), abs=1e-5)
    record = answer.to_dict()
    assert not [key for key in KEYS if key not in record]
    json.dumps(record, allow_nan=False)
    assert record["print_through"] is None
    assert sum(record["overcure_histogram"]["count"]) > 0
    edges, counts = answer.overcure_histogram
    below = np.cumsum(counts) / counts.sum()
    for share, found in zip((0.05, 0.5, 0.95), answer.overcure_quantiles, strict=True):
        k = int(np.flatnonzero(below >= share)[0])
        assert found.m_as("mm") == pytest.approx(edges[k] + 0.0005)
    assert list(record["overcure_histogram"]["quantiles"]) == ["0.05", "0.5", "0.95"]


def test_speeds_are_tried_out_on_what_runs_in_the_window():
    """Vectors beside the window change neither what their kind takes for usual nor the range that is told."""
    h = 1.2 * RADIUS
    inside = raster(h, 21, 4.0)
    beside = vectors(np.column_stack([np.full(30, 8.0), h * np.arange(30), np.full(30, 9.0), h * np.arange(30)]), speed=100.0)
    window = (Q(-1.0, "mm"), Q(-1.0, "mm"), Q(5.0, "mm"), Q(4.0, "mm"))
    found = [
        exposure_field(paths, resin=RESIN, layer_thickness=T, workers=1, window=window).vector_corrections[0]
        for paths in (inside, joined(inside, beside))
    ]
    assert found[1].scan_speed == pytest.approx(found[0].scan_speed, rel=1e-6)
    assert found[1].before == pytest.approx(found[0].before, rel=1e-6)
    assert found[1].after == pytest.approx(found[0].after, rel=1e-6)


def test_where_vectors_crowd_tiles_are_smaller_and_the_answer_is_the_same(monkeypatch):
    """Three rasters over each other; a tile is near no more vectors than it may be, and doses are sums over all of them."""
    one = joined(*(raster(0.1, 60, 6.0) for _ in range(3)))
    plain = exposure_field(one, resin=RESIN, layer_thickness=T, workers=1, corrected=False)
    monkeypatch.setattr(answer_module, "_CROWD", 100)
    monkeypatch.setattr(shelf, "_BLOCK", 1)
    crowded = exposure_field(one, resin=RESIN, layer_thickness=T, workers=1, corrected=False)
    job = crowded.job
    assert plain.job.tile == 1024
    assert job.tile == 128
    assert len(job.tiles()) > len(plain.job.tiles())
    for name in ("exposure_max", "exposure_mean", "energy", "exposure_min"):
        assert getattr(crowded, name).m == pytest.approx(getattr(plain, name).m, rel=1e-6)
    assert crowded.below_bond_fraction == plain.below_bond_fraction


def test_a_lone_line_is_half_at_its_ends():
    answer = exposure_field(vectors([(0.0, 0.0, 3.0, 0.0)]), resin=RESIN, layer_thickness=T, workers=1)
    assert answer.exposure_min.m_as("mJ/mm^2") == pytest.approx(0.5 * LINE, rel=1e-4)
    assert answer.exposure_max.m_as("mJ/mm^2") == pytest.approx(LINE, rel=2e-5)
    assert "no place lies" in answer.warnings[0]


def test_extremes_are_found_between_pixels():
    """The nearest pixel may miss a line by half a pixel: up to 2 %."""
    for shift in np.linspace(0.0, 0.03, 7):
        answer = exposure_field(vectors([(0.0, shift, 3.0, shift)]), resin=RESIN, layer_thickness=T, workers=1)
        assert answer.exposure_max.m_as("mJ/mm^2") == pytest.approx(LINE, rel=2e-5)
        assert answer.deepest_places[0].y == pytest.approx(shift, abs=1e-4)


def test_places_say_why():
    seam = joined(
        vectors(np.column_stack([np.zeros(21), np.arange(21) * 0.1, np.full(21, 2.0), np.arange(21) * 0.1])),
        vectors(np.column_stack([np.full(21, 2.12), np.arange(21) * 0.1, np.full(21, 4.0), np.arange(21) * 0.1]), kind="skin"),
    )
    answer = exposure_field(seam, resin=RESIN, layer_thickness=T, workers=1)
    assert answer.weakest_places[0].why == "seam"
    assert answer.weakest_places[0].x == pytest.approx(2.06, abs=0.02)
    expected = float(summed(seam, answer.weakest_places[0].x, answer.weakest_places[0].y))
    assert answer.weakest_places[0].value == pytest.approx(expected, abs=1e-6 * LINE)  # between pixels, summed there
    stop = exposure_field(
        rectangle(0.0, 0.0, 2.0, 2.0, kind="contour"),
        resin=RESIN,
        layer_thickness=T,
        scanning={"acceleration": Q(1e6, "mm/s^2"), "run_up_beam": "on"},
        workers=1,
    )
    assert stop.deepest_places[0].why == "corner"
    away = min(math.hypot(stop.deepest_places[0].x - x, stop.deepest_places[0].y - y) for x in (0.0, 2.0) for y in (0.0, 2.0))
    assert away < 0.5 * RADIUS


def test_the_edge_lies_where_the_exposure_falls_to_critical():
    """A wide even area whose outline is drawn: the edge of a raster's end is an error function."""
    from scipy.optimize import brentq
    from scipy.special import erf

    h = 0.03
    lines = raster(h, 101, 3.0)
    area = joined(lines, rectangle(-0.02, -0.02, 3.02, 3.02, kind="outline"))
    answer = exposure_field(area, resin=RESIN, layer_thickness=T, workers=1, corrected=False)
    even = POWER / (SPEED * h)
    past = brentq(lambda s: 0.5 * even * (1.0 - erf(math.sqrt(2.0) * s / RADIUS)) - 0.08, 0.0, 1.0)
    # at the ends of lines the area stops at x = 3.00, across them half a spacing beyond the last
    assert answer.edge_error["low"].m_as("mm") == pytest.approx(past - 0.02, abs=2e-3)
    assert answer.edge_error["high"].m_as("mm") == pytest.approx(past - 0.02 + 0.5 * h, abs=2e-3)
    assert answer.corner_cut.m_as("mm") > -answer.edge_error["mean"].m_as("mm")


def test_one_speed_per_vector_evens_out_what_one_for_all_leaves():
    rng = np.random.default_rng(4)
    y = np.cumsum(rng.uniform(0.07, 0.14, 20))
    answer = exposure_field(vectors(np.column_stack([0 * y, y, 0 * y + 2.0, y])), resin=RESIN, layer_thickness=T, workers=1)
    (one,) = answer.vector_corrections
    assert one.after[0] > one.before[0]
    assert one.after[1] < one.before[1]
    record = answer.to_dict()["vector_corrections"][0]
    assert record["gain"]["value"] > 0.0
    assert record["scan_speed_min"]["value"] <= record["scan_speed"]["value"] <= record["scan_speed_max"]["value"]


def test_a_deep_stack_prints_through_as_the_closed_form_says():
    """A wide face far from its outline against (Cd - t) - Dp ln(1 - e^(-t/Dp)) summed over the layers there are."""
    h, n = 0.05, 8
    even = POWER / (SPEED * h)
    lower = joined(*(rectangle(0.0, 0.0, 0.8, 3.0, kind="outline", layer=k) for k in (1, 2)))
    upper = [joined(raster(h, 61, 3.0, layer=k), rectangle(0.0, 0.0, 3.0, 3.0, kind="outline", layer=k)) for k in range(3, 3 + n)]
    low_lines = [raster(h, 61, 0.8, layer=k) for k in (1, 2)]
    part = joined(lower, *low_lines, *upper)
    answer = part_field(part, resin=RESIN, layer_thickness=T, workers=1)
    cd = 0.15 * math.log(even / 0.08)
    closed = cd - 0.1 + 0.15 * math.log((1.0 - math.exp(-n * 0.1 / 0.15)) / (1.0 - math.exp(-0.1 / 0.15)))
    assert answer.print_through.m_as("mm") == pytest.approx(closed, abs=5e-4)
    assert answer.print_through_places[0].layer == 3


@pytest.mark.parametrize("law", [Plain(0.15, 0.08), Bleaching(0.15, 0.08, 0.3)], ids=["plain", "bleaching"])
def test_voxels_of_a_stack_against_the_sum_layer_by_layer(law):
    """20,000 random places and depths: the light of every layer above, summed where exposures add, passed on where they bleach."""
    from curecalc.map.field import Grid, Optics
    from curecalc.map.survey import Job
    from curecalc.paths.shelf import Shelf

    rng = np.random.default_rng(7)
    layers = []
    for k in range(1, 7):
        x, y = rng.uniform(0.0, 1.0, (2, 12))
        layers.append(vectors(np.column_stack([x, y, y, x]), layer=k))
    part = joined(*layers)
    job = Job(Shelf.of(part, 1, 6), Optics(law), Grid.over((0.0, 0.0, 1.0, 1.0), 0.025), 1, 6, 0.1, 0.0, RADIUS)
    i, j = rng.integers(0, job.grid.rows, 20_000), rng.integers(0, job.grid.columns, 20_000)
    layer, z = rng.integers(1, 7, 20_000), rng.uniform(0.0, 0.4, 20_000)
    x, y = job.grid.x[j], job.grid.y[i]
    own = np.array([summed(p, x, y) for p in layers])
    if isinstance(law, Plain):
        expected = sum(np.where(k >= layer, own[k - 1] * np.exp(-(z + (k - layer) * 0.1) / 0.15), 0.0) for k in range(1, 7))
    else:
        passed = np.zeros(20_000)
        for k in range(6, 0, -1):
            passed = np.where(k >= layer, own[k - 1] + np.where(k < 6, law.below(np.maximum(passed, 1e-12), 0.1), 0.0), passed)
        expected = law.below(passed, z)
    found = np.zeros(20_000)
    for slab in slabs(job, job.grid):
        mine = layer == slab.layer
        total = slab.total[slab.own][i[mine], j[mine]]
        found[mine] = law.below(total, z[mine])
    assert np.abs(found - expected).max() <= 1e-5 * expected.max()


def test_tiles_and_processes_count_the_same():
    part = joined(*(box(1.5, k) for k in (1, 2, 3)))
    whole = part_field(part, resin=RESIN, layer_thickness=T, workers=1).to_dict()
    from curecalc.map import answer, spread

    one = part_field(part, resin=RESIN, layer_thickness=T, workers=1)
    from dataclasses import replace

    tiled = spread.surveyed(replace(one.job, tile=37), workers=2)
    again = answer.answer_of(one.job, one.numerical_error, tiled, RESIN, T, corrected=False).to_dict()
    for key in ("exposure_min", "exposure_max", "exposure_mean", "cure_depth_min"):
        assert again[key]["value"] == pytest.approx(whole[key]["value"], rel=1e-6)
    assert sum(again["overcure_histogram"]["count"]) == sum(whole["overcure_histogram"]["count"])
    assert again["uncured_fraction"] == pytest.approx(whole["uncured_fraction"], rel=1e-6)
    assert again["edge_error"]["mean"]["value"] == pytest.approx(whole["edge_error"]["mean"]["value"], abs=1e-6)


def test_interrupted_work_goes_on(tmp_path):
    paths = box(1.5, 1)
    from dataclasses import replace

    from curecalc.map import spread

    job = replace(exposure_field(paths, resin=RESIN, layer_thickness=T, workers=1, corrected=False).job, tile=40)
    done = []
    first = spread.surveyed(job, workers=1, work=tmp_path, progress=lambda k, n: done.append((k, n)))
    kept = sorted(tmp_path.glob("tile_*.json"))
    assert len(kept) == len(job.tiles()) == done[-1][0]
    for file in kept[::2]:
        file.unlink()
    again = []
    second = spread.surveyed(job, workers=1, work=tmp_path, progress=lambda k, n: again.append(k))
    assert len(again) == len(kept[::2])
    assert first.to_json() == second.to_json()
    with pytest.raises(Exception, match="holds the work of another map"):
        spread.surveyed(replace(job, overcure=0.01), workers=1, work=tmp_path)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pixel": Q(0.05, "mm")}, "too coarse for the beam"),
        ({"tolerance": 0.1}, "tolerance must be from 1e-06 to 0.0001"),
        ({"window": tuple(Q(v, "mm") for v in (1, 1, 0, 2))}, "window must be"),
        ({"layer": 7}, "layer 7 is not in"),
        ({"scanning": {"run_up_beam": "on"}}, "needs an acceleration"),
        ({"picture": np.ones((2, 2))}, "picture must be rows"),
        ({"radius_ratio": -1.0}, "radius_ratio"),
    ],
)
def test_what_cannot_be_mapped_is_said_in_one_line(change, words):
    with pytest.raises(QuantityError, match=words) as error:
        exposure_field(box(1.0, 1), resin=RESIN, layer_thickness=T, workers=1, **change)
    assert "\n" not in str(error.value)


def test_a_pixel_too_coarse_names_the_one_that_does():
    with pytest.raises(QuantityError) as error:
        exposure_field(box(1.0, 1), resin=RESIN, layer_thickness=T, pixel=Q(0.05, "mm"), workers=1)
    best = float(str(error.value).rsplit("at most ", 1)[1].split()[0])
    answer = exposure_field(box(1.0, 1), resin=RESIN, layer_thickness=T, pixel=Q(best - 0.01, "um"), workers=1)
    assert answer.numerical_error <= 1e-5
