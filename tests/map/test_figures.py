"""Maps as drawn: tones, scales, marks and outlines stand where the field and the drawing are; the histogram is a share of the area."""

import math

import numpy as np
import pytest
from drawn import data

from curecalc.figures.map import map_figure, part_figure
from curecalc.map.answer import exposure_field, part_field
from curecalc.units import Quantity as Q

from .scenes import LINE, POWER, RADIUS, RESIN, SPEED, joined, vectors
from .test_answers import box

T = Q(0.1, "mm")


@pytest.fixture(scope="module")
def answer():
    return exposure_field(box(3.0, 4), resin=RESIN, layer_thickness=T, workers=1)


def test_a_layer_and_its_weakest_place(answer):
    whole, near, bar, areas, edges = map_figure(answer).axes
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
    assert [data(line) for line in near.lines if line.get_marker() == "o"] == [(pytest.approx([place.x]), pytest.approx([place.y]))] * 2
    low, high = (1e3 * (float(q.m_as("mm")) - 0.1) for q in (answer.cure_depth_min, answer.cure_depth_max))
    assert bar.get_ylim() == pytest.approx((max(low - 0.25 * (high - low), -100.0), high))
    for ax in (whole, near):
        scale = [data(line) for line in ax.lines if line.get_linewidth() in (5.0, 2.5)]
        (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
        (xs, ys), again = scale
        assert again == (pytest.approx(xs), pytest.approx(ys))
        assert (xs[0], ys[0]) == pytest.approx((x0 + 0.05 * (x1 - x0), y0 + 0.05 * (y1 - y0)))
        (said,) = (t.get_text() for t in ax.texts if t.get_text()[0].isdigit())
        assert xs[1] - xs[0] == pytest.approx(Q(said.replace("µ", "u")).m_as("mm"))
        assert 0.1 * (x1 - x0) < xs[1] - xs[0] <= 0.3 * (x1 - x0)
    heights = np.array([patch.get_height() for patch in areas.patches])
    assert heights.sum() == pytest.approx(100.0)
    assert areas.get_xlabel() == "overcure in the core (µm)"
    modal = max(areas.patches, key=lambda patch: patch.get_height())
    assert abs(modal.get_x() + modal.get_width() / 2 - mean) < 12.0
    mean_line = next(line for line in edges.lines if line.get_linewidth() == 2.2)
    assert data(mean_line)[0] == pytest.approx([answer.edge_error["mean"].m_as("um")] * 2)
    worst = next(line for line in edges.lines if line.get_marker() == "D")
    assert data(worst)[0] == pytest.approx([1e3 * p.value for p in answer.edge_places])
    assert (edges.get_ylim(), data(worst)[1][0], data(worst)[1][-1]) == ((0.0, 1.0), pytest.approx(0.85), pytest.approx(0.15))
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
    below, bar, areas = figure.axes
    (picture,) = below.images
    assert np.nanmax(picture.get_array()) == pytest.approx(1e3 * float(answer.print_through.m_as("mm")), rel=0.02)
    marks = {line.get_label(): data(line) for line in below.lines if not line.get_label().startswith("_")}
    worst = {"print-through": answer.print_through_places, "weakest bond": answer.weakest_places, "deepest": answer.deepest_places}
    for label, places in worst.items():
        if places:
            assert marks[label] == (pytest.approx([p.x for p in places]), pytest.approx([p.y for p in places]))
    wanted = next(line for line in areas.lines)
    assert data(wanted)[0] == pytest.approx([50.0, 50.0])  # the overcure asked for
    words = [text.get_text() for text in figure.texts]
    rows = dict(answer.rows())
    assert f"print-through, greatest: {rows['print-through, greatest']}" in words
    assert [t.get_position()[1] for t in figure.texts] == pytest.approx([0.42 - 0.045 * i for i in range(len(words))])
    assert bar.get_title() == "µm"
