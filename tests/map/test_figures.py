"""Maps as drawn: tones, scales, marks and outlines stand where the field and the drawing are; the histogram is a share of the area."""

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn import data
from matplotlib import colormaps

from curecalc.figures import map as map_figures
from curecalc.figures.map import _bands, _frame, look_figure, map_figure, part_figure
from curecalc.figures.style import new_figure, panels
from curecalc.map.answer import exposure_field, part_field
from curecalc.map.look import looked
from curecalc.units import Quantity as Q

from .scenes import LINE, POWER, RADIUS, RESIN, SPEED, joined, rectangle, vectors
from .test_answers import box

T = Q(0.1, "mm")


@pytest.fixture(scope="module")
def answer():
    return exposure_field(box(3.0, 4), resin=RESIN, layer_thickness=T, workers=1)


def test_a_layer_and_its_weakest_place(answer):
    whole, near, areas, edges, bar = map_figure(answer).axes
    (picture,) = whole.images
    over, (left, right, bottom, top) = np.asarray(picture.get_array().filled(np.nan)), picture.get_extent()
    # far inside, a field of lines gives P/(v h) in the mean: the depth of it, less the layer, in micrometres
    rows = over.shape[0]
    middle = over[int(rows * (1.5 - bottom) / (top - bottom)), int(over.shape[1] * (1.5 - left) / (right - left))]
    mean = 1e3 * (0.15 * math.log(POWER / (SPEED * 0.1) / 0.08) - 0.1)
    assert middle == pytest.approx(mean, abs=1.0)
    assert whole.get_xlim() == pytest.approx(answer.job.grid.window()[::2])
    assert left <= whole.get_xlim()[0] <= left + 0.1
    assert right - 0.1 <= whole.get_xlim()[1] <= right
    place = answer.weakest_places[0]
    half = 4.0 * RADIUS
    assert near.get_xlim() == pytest.approx((place.x - half, place.x + half))
    assert near.get_ylim() == pytest.approx((place.y - half, place.y + half))
    assert [data(line) for line in near.lines if line.get_marker() == "o"] == [(pytest.approx([place.x]), pytest.approx([place.y]))]
    low, high = (1e3 * (float(q.m_as("mm")) - 0.1) for q in (answer.cure_depth_min, answer.cure_depth_max))
    assert bar.get_xlim() == pytest.approx((max(low - 0.25 * (high - low), -100.0), high))
    for ax in (whole, near):
        (scale,) = (line for line in ax.lines if line.get_linewidth() == 2.5)
        (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
        xs, ys = data(scale)
        assert ys[0] == ys[1]
        assert (xs[0], ys[0]) == pytest.approx((x0 + 0.05 * (x1 - x0), y0 + 0.05 * (y1 - y0)))
        (said,) = (t.get_text() for t in ax.texts if t.get_text()[0].isdigit())
        assert xs[1] - xs[0] == pytest.approx(Q(said.replace("µ", "u")).m_as("mm"))
        assert 0.1 * (x1 - x0) < xs[1] - xs[0] <= 0.3 * (x1 - x0)
    heights = np.array([patch.get_height() for patch in areas.patches])
    assert heights.sum() == pytest.approx(100.0)
    assert areas.get_xlabel() == "overcure in the core (µm)"
    modal = max(areas.patches, key=lambda patch: patch.get_height())
    assert abs(modal.get_x() + modal.get_width() / 2 - mean) < 12.0
    steps, counts = answer.overcure_histogram
    assert [patch.get_x() for patch in areas.patches] == pytest.approx(1e3 * steps)
    assert heights == pytest.approx(100.0 * counts / counts.sum())
    assert data(areas.lines[0])[0] == pytest.approx([1e3 * answer.job.overcure] * 2)
    mean_line = next(line for line in edges.lines if line.get_linewidth() == 2.2)
    assert data(mean_line)[0] == pytest.approx([answer.edge_error["mean"].m_as("um")] * 2)
    worst = next(line for line in edges.lines if line.get_marker() == "D")
    assert data(worst)[0] == pytest.approx([1e3 * p.value for p in answer.edge_places])
    assert data(worst)[1] == pytest.approx(np.arange(len(answer.edge_places)))
    assert edges.get_ylim()[0] > edges.get_ylim()[1], "the worst on top"
    assert data(edges.lines[-1])[0] == pytest.approx([0.0, 0.0])
    (band,) = edges.patches
    inside = band.get_extents().transformed(edges.transData.inverted())
    assert tuple(inside.intervalx) == pytest.approx((answer.edge_error["low"].m_as("um"), answer.edge_error["high"].m_as("um")))


def test_one_line_is_as_deep_as_its_dose_and_white_where_nothing_cures():
    """Along the line Dp ln(E/Ec); at a distance y the dose falls by exp(-2 y^2/W0^2), to nothing beyond the gel point."""
    answer = exposure_field(vectors([(0.0, 0.0, 4.0, 0.0)]), resin=RESIN, layer_thickness=T, workers=1)
    (picture,) = map_figure(answer).axes[0].images
    over, (left, right, bottom, top) = np.asarray(picture.get_array().filled(np.nan)), picture.get_extent()
    high, wide = (top - bottom) / over.shape[0], (right - left) / over.shape[1]
    assert high == pytest.approx(wide)
    column = over[:, int((2.0 - left) / wide)]
    y = bottom + high * (np.arange(over.shape[0]) + 0.5)
    dose = LINE * np.exp(-2.0 * (y / RADIUS) ** 2)
    wanted = np.where(dose >= 0.08, 1e3 * (0.15 * np.log(dose / 0.08) - 0.1), np.nan)
    sure = np.abs(dose / 0.08 - 1.0) > 1e-3
    assert column[sure] == pytest.approx(wanted[sure], abs=0.05, nan_ok=True)


def test_a_part_from_below():
    layers = [box(1.0, 1), *(box(2.0, k) for k in (2, 3, 4))]  # the second overhangs the first
    answer = part_field(joined(*layers), resin=RESIN, layer_thickness=T, overcure=Q(0.05, "mm"), workers=1)
    figure = part_figure(answer)
    below, told, areas, _, bar = figure.axes
    (picture,) = below.images
    assert np.nanmax(picture.get_array()) == pytest.approx(1e3 * float(answer.print_through.m_as("mm")), rel=0.02)
    marks = {line.get_label(): data(line) for line in below.lines if not line.get_label().startswith("_")}
    worst = {"print-through": answer.print_through_places, "weakest bond": answer.weakest_places, "deepest": answer.deepest_places}
    for label, places in worst.items():
        if places:
            assert marks[label] == (pytest.approx([p.x for p in places]), pytest.approx([p.y for p in places]))
    wanted = next(line for line in areas.lines)
    assert data(wanted)[0] == pytest.approx([50.0, 50.0])  # the overcure asked for
    (text,) = told.texts
    rows = dict(answer.rows())
    words = text.get_text().split("\n")
    assert f"print-through, greatest: {rows['print-through, greatest']}" in words
    assert not [word for word in words if word.startswith(("exposure", "cure depth", " "))]
    assert text.get_position() == (0.0, 1.0)
    assert bar.get_xlabel() == "print-through (µm)"
    assert below.get_aspect() == 1.0
    assert [t.get_text() for t in figure.legends[0].get_texts()] == [label for label, places in worst.items() if places]


def test_a_part_from_below_is_computed_up_to_two_million_pixels(monkeypatch):
    answer = part_field(joined(box(1.0, 1), box(1.0, 2)), resin=RESIN, layer_thickness=T, workers=1)
    asked = []
    monkeypatch.setattr(map_figures, "face_map", lambda job: asked.append(job.grid.rows) or (np.full((1, 1), np.nan), None))
    for rows, columns in ((2, 1_000_000), (3, 666_667)):
        grid = replace(answer.job.grid, rows=rows, columns=columns)
        assert not part_figure(replace(answer, job=replace(answer.job, grid=grid))).axes[0].images
    assert asked == [2]


def at_the_line(ax, level, dose):
    """Doses along the dashed white line."""
    (line,) = (c for c in ax.collections if hasattr(c, "levels") and not c.filled)
    assert line.levels.tolist() == pytest.approx([level])
    return np.array([dose(x, y) for path in line.get_paths() for x, y in path.vertices])


def test_a_closer_look_at_a_line_bands_of_overcure_and_the_line_of_bond():
    """Of one long line the dose is that of its distance: bands end where exp(-2 y^2/W0^2) says, and the bond where a layer is gelled."""
    paths = joined(vectors([(0.0, 0.0, 4.0, 0.0)]), rectangle(0.5, -0.1, 3.5, 0.1, kind="outline"))
    seen = looked(paths, resin=RESIN, layer_thickness=T, layer=1, x=Q(2.0, "mm"), y=Q(0.0, "mm"), across=Q(0.5, "mm"))
    figure = look_figure(seen)
    assert figure.get_size_inches() * 25.4 == pytest.approx([150.0, 117.0])
    ax, bar = figure.axes
    low_x, low_y, high_x, high_y = seen.window
    assert (ax.get_xlim(), ax.get_ylim()) == (pytest.approx((low_x, high_x)), pytest.approx((low_y, high_y)))
    # from the layer's whole thickness below to beyond the deepest, 12 steps or more of 1, 2 or 5 times a power of ten
    deepest = 1e3 * (0.15 * math.log(LINE / 0.08) - 0.1)
    edges = [-100.0, *np.arange(-90.0, 40.1, 10.0)]
    assert edges[-2] < deepest < edges[-1]
    mesh = bar.collections[0]
    assert np.asarray(mesh.get_coordinates())[:, 0, 1].tolist() == pytest.approx(edges)
    assert (np.asarray(mesh.get_coordinates())[0, :, 0].tolist(), bar.get_xlim()) == ([0.0, 1.0], (0.0, 1.0))  # as wide as its frame
    assert bar.get_ylim() == pytest.approx((-100.0, 40.0))
    filled = next(c for c in ax.collections if hasattr(c, "levels") and c.filled)
    assert filled.levels == pytest.approx([math.log(0.08) + (0.1 + 1e-3 * e) / 0.15 for e in edges])
    tones = mesh.cmap(mesh.norm(mesh.get_array().ravel()))
    assert filled.get_facecolor() == pytest.approx(tones)
    assert tones == pytest.approx(colormaps["cividis"](np.linspace(0.0, 1.0, len(tones))))
    assert [one.get_position().bounds for one in (ax, bar)] == [
        pytest.approx((0.15, 0.15, 0.66, 0.75)),
        pytest.approx((0.925, 0.15, 0.03, 0.75)),
    ]
    by_hand = lambda x, y: math.log(LINE) - 2.0 * (y / RADIUS) ** 2  # noqa: E731
    gelled = math.log(0.08) + 0.1 / 0.15
    assert at_the_line(ax, gelled, by_hand) == pytest.approx(gelled, abs=0.02)  # straight between pixels of 36 um
    assert [patch.get_xy()[:4].tolist() for patch in ax.patches] == [[[0.5, -0.1], [3.5, -0.1], [3.5, 0.1], [0.5, 0.1]]]
    assert len([line for line in ax.lines if line.get_marker() in ("o", "^")]) == 2


def test_bands_of_a_layer_are_whole_steps_and_reach_beyond_both_ends():
    for low, high, step in ((-0.1, 0.0301, 0.01), (-0.1, 0.021, 0.01), (-0.05, 0.0, 0.002), (-0.1, 0.51, 0.05)):
        edges = _bands(low, high)
        assert edges[0] == low
        assert np.diff(edges[1:]) == pytest.approx(step)
        assert low < edges[1] <= low + step * (1.0 + 1e-9)
        assert high <= edges[-1] + 1e-12 < high + step


def test_a_bar_shows_the_greatest_plain_length_of_three_tenths():
    for wide, length, said in ((1.0, 0.2, "0.2 mm"), (0.2, 0.05, "0.05 mm"), (40.0, 10.0, "10 mm")):
        (ax,) = panels(new_figure())
        _frame(ax, (1.0, 2.0, 1.0 + wide, 3.0))
        (line,) = ax.lines
        assert data(line) == (pytest.approx([1.0 + 0.05 * wide, 1.0 + 0.05 * wide + length]), pytest.approx([2.05, 2.05]))
        assert [t.get_text() for t in ax.texts] == [said]
        assert ax.texts[0].xy == pytest.approx((1.0 + 0.05 * wide, 2.05))
