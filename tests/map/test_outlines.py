"""Edges, corners, walls and thin parts against sums over the vectors themselves, with the drawing known."""

import math

import numpy as np
import pytest

from curecalc.map.answer import exposure_field, part_field
from curecalc.map.outline import sides_of, wall_width
from curecalc.units import Quantity as Q

from .scenes import RADIUS, RESIN, joined, polyline, rectangle, summed

T, DP, EC = 0.1, 0.15, 0.08
INSET = 0.05
# an L: five corners point outward, one inward
ELL = np.array([(0.0, 0.0), (3.0, 0.0), (3.0, 1.5), (1.5, 1.5), (1.5, 3.0), (0.0, 3.0), (0.0, 0.0)])
SHIFT = INSET * np.array([(1, 1), (-1, 1), (-1, -1), (-1, -1), (-1, -1), (1, -1), (1, 1)])


def crossing(paths, at, out, needed, reach):
    """How far along `out` the outermost place lies where the sum over vectors reaches what is needed."""
    s = np.linspace(-reach, reach, 4001)
    dose = summed(paths, at[0] + s * out[0], at[1] + s * out[1])
    k = int(np.flatnonzero(dose >= needed)[-1])
    a, b = np.log(dose[k] / needed), np.log(dose[k + 1] / needed)
    return s[k] + a / (a - b) * (s[1] - s[0])


def test_corners_are_rounded_and_filled_as_the_sum_over_vectors_says():
    contour = polyline(ELL + SHIFT, kind="contour")
    answer = exposure_field(joined(polyline(ELL, kind="outline"), contour), resin=RESIN, layer_thickness=Q(T, "mm"), workers=1)
    diagonal = 1.0 / math.sqrt(2.0)
    out = crossing(contour, (0.0, 0.0), (-diagonal, -diagonal), EC, 2.5 * RADIUS)
    into = crossing(contour, (1.5, 1.5), (diagonal, diagonal), EC, 2.5 * RADIUS)
    assert answer.corner_cut.m_as("mm") == pytest.approx(-out, abs=6e-4)  # counted in bins of a micrometre
    assert answer.inner_corner_fill.m_as("mm") == pytest.approx(into, abs=6e-4)
    assert abs(out - into) > 0.01


def test_walls_grow_by_the_layers_above_as_the_sum_over_layers_says():
    layers = 14
    loop = [rectangle(INSET, INSET, 1.5 - INSET, 1.5 - INSET, kind="contour", layer=k) for k in range(1, layers + 1)]
    drawn = [rectangle(0.0, 0.0, 1.5, 1.5, kind="outline", layer=k) for k in range(1, layers + 1)]
    answer = part_field(joined(*loop, *drawn), resin=RESIN, layer_thickness=Q(T, "mm"), workers=1)
    deep = math.ceil(3.0 * DP / T)  # layers above from which a wall counts as deep
    along = np.linspace(1.5 * RADIUS, 1.5 - 1.5 * RADIUS, 19)
    grown = []
    for above in range(deep, layers):
        share = sum(math.exp(-k * T / DP) for k in range(above + 1))
        for s in along:
            own, whole = (crossing(loop[0], (s, 0.0), (0.0, -1.0), EC / q, 1.5 * RADIUS) for q in (1.0, share))
            grown.append(whole - own)
    assert answer.side_growth.m_as("mm") == pytest.approx(np.mean(grown), abs=6e-4)
    assert answer.side_growth.m_as("mm") > 0.01


@pytest.mark.parametrize("degrees", [0.0, 20.0, 45.0, 71.0])
def test_a_thin_wall_is_as_wide_as_drawn(degrees):
    a, wide = math.radians(degrees), 0.19
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    wall = np.array([(0.0, 0.0), (1.5, 0.0), (1.5, wide), (0.0, wide), (0.0, 0.0)]) @ turn
    middle = np.array([(0.1, 0.5 * wide), (1.4, 0.5 * wide)]) @ turn
    thick = np.array([(0.0, 2.0), (1.5, 2.0), (1.5, 3.0), (0.0, 3.0), (0.0, 2.0)]) @ turn
    paths = joined(polyline(wall, kind="outline"), polyline(thick, kind="outline"), polyline(middle), polyline(thick))
    answer = exposure_field(paths, resin=RESIN, layer_thickness=Q(T, "mm"), workers=1, corrected=False)
    (found,) = answer.thin_features
    assert found.value == pytest.approx(wide, abs=1e-9)
    assert (turn @ (found.x, found.y))[1] == pytest.approx(0.5 * wide, abs=answer.pixel.m_as("mm"))


def test_the_width_at_a_place_on_the_outline_is_that_across():
    square = [np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 0.3), (0.0, 0.3)])]
    assert wall_width(sides_of(square), 1.0, 0.0) == pytest.approx(0.3)
    assert wall_width(sides_of(square), 1.0, 0.3) == pytest.approx(0.3)
    assert wall_width(sides_of(square), 1.2, 0.1) == pytest.approx(0.3)


def test_hundreds_of_thin_parts_are_surveyed_and_the_narrowest_found():
    """900 thin fins of known widths: the narrowest is told, and only some hundreds are measured along the outline."""
    from curecalc.map import survey
    from curecalc.map.look import looked
    from curecalc.paths.table import table_paths
    from curecalc.units import Quantity as Q

    rows = ["layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind", "1,0,0,9,0,hatch"]
    for k in range(900):
        x, y, w = 0.3 * (k % 30), 0.3 * (k // 30), 0.12 - 0.06 * (k == 517)
        corners = [(x, y), (x + w, y), (x + w, y + 0.2), (x, y + 0.2)]
        rows += [f"1,{a:.3f},{b:.3f},{c:.3f},{d:.3f},outline" for (a, b), (c, d) in zip(corners, corners[1:] + corners[:1])]
    paths = table_paths("fins.csv", "\n".join(rows).encode(), max_rows=20_000)
    lit = paths.filled({}, default={"power": 200.0, "scan_speed": 2000.0, "beam_radius": 0.1})
    measured = []
    real = survey.wall_width
    survey.wall_width = lambda *given: measured.append(1) or real(*given)
    try:
        found = looked(lit, resin=RESIN, layer_thickness=Q(0.1, "mm"), layer=1).answer.thin_features
    finally:
        survey.wall_width = real
    assert len(measured) == 200
    assert found[0].value == pytest.approx(0.06)
    assert abs(found[0].x - 0.3 * (517 % 30)) < 0.1
    assert abs(found[0].y - 0.3 * (517 // 30)) < 0.3
    assert found[1].value == pytest.approx(0.12)
