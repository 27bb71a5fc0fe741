"""Paths by hand: lengths, areas, loops, boxes; and the limits of what files may hold."""

import io
import math

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.paths import arrays, layerfile, reading
from curecalc.paths.layerfile import layer_blocks
from curecalc.paths.shelf import Shelf
from curecalc.paths.sums import areas, layer_sums, totals
from curecalc.paths.vectors import joined, paths_from
from curecalc.units import Quantity as Q


def drawn(*points, kind="hatch", layer=1, **lit):
    """One vector from each point to the next."""
    x, y = np.array(points, float).T
    return paths_from(x0=Q(x[:-1], "mm"), y0=Q(y[:-1], "mm"), x1=Q(x[1:], "mm"), y1=Q(y[1:], "mm"), kind=kind, layer=layer, **lit)


SQUARE = [(0, 0), (2, 0), (2, 2), (0, 2), (0, 0)]
HOLE = [(0.5, 0.5), (0.5, 1.5), (1.5, 1.5), (1.5, 0.5), (0.5, 0.5)]


def test_sums_of_paths_by_hand():
    part = joined(
        [
            drawn(*SQUARE, kind="outline"),
            drawn(*HOLE, kind="outline"),
            drawn((0, 0), (3, 4), (3, 5), kind="hatch"),
            drawn((0, 5), (0, 7), kind="contour"),
            drawn(*SQUARE, kind="outline", layer=2),
            drawn((9, 9), (9, 10), kind="hatch", layer=2),
        ]
    )
    assert areas(part).tolist() == pytest.approx([3.0, 4.0])  # the hole comes off
    found = totals(part)
    assert found == {"contour": {"count": 1, "length": 2.0, "longest": 2.0}, "hatch": {"count": 3, "length": 7.0, "longest": 5.0}}
    length, count, moved = layer_sums(part)
    assert {k: v.tolist() for k, v in length.items()} == {"contour": [2.0, 0.0], "hatch": [6.0, 1.0]}
    assert {k: v.tolist() for k, v in count.items()} == {"contour": [1, 0], "hatch": [2, 1]}
    assert {k: v.tolist() for k, v in moved.items()} == {"contour": [3.0, 0.0], "hatch": [0.0, 0.0]}  # none from layer to layer
    assert part.bounds() == (0.0, 0.0, 9.0, 10.0)
    assert len(part.of_layer(2)) == 5
    assert [len(loop) for loop in part.of_layer(1).loops("outline")] == [4, 4]
    assert part.loops("hatch") == []
    # of each block: 2 draws outlines, 1 contours, 0 neither
    shelf = Shelf.of(joined([drawn((0, 0), (1, 1), kind=k, layer=n) for n, k in enumerate(("hatch", "Contour 1", "outline"), 1)]), 1, 3)
    assert shelf.draws.tolist() == [0, 1, 2]


def test_vectors_join_within_a_nanometre():
    for gap, is_joined in ((9e-7, True), (1.1e-6, False)):
        two = joined([drawn((0, 0), (1, 0)), drawn((1 + gap, 0), (2, 0))])
        assert two.joints().tolist() == [False, is_joined]
    assert not drawn((0, 0), (1, 0), (0, 0)).loops("hatch")  # there and back is no loop
    assert len(drawn((0, 0), (1, 0), (0, 1), (0, 0)).loops("hatch")) == 1


def test_boxes_near_a_window_and_times():
    one = drawn((0, 0), (1, 2), scan_speed=Q(10.0, "mm/s"))
    for window, room, near in (
        ((2.0, 0.0, 3.0, 1.0), 1.01, True),
        ((2.0, 0.0, 3.0, 1.0), 1.0, False),
        ((-2.0, 0.0, -1.0, 1.0), 1.01, True),
        ((-2.0, 0.0, -1.0, 1.0), 1.0, False),
        ((0.0, 3.0, 1.0, 4.0), 1.01, True),
        ((0.0, 3.0, 1.0, 4.0), 1.0, False),
        ((0.0, -2.0, 1.0, -1.0), 1.0, False),
        ((0.0, -2.0, 1.0, -1.0), 1.01, True),
    ):
        assert one.meets(window, room).tolist() == [near]
    length = math.sqrt(5.0)
    assert one.scan_time(settling=0.5) == pytest.approx(length / 10.0 + 0.5)
    assert one.scan_time(acceleration=100.0) == pytest.approx(length / 10.0 + 0.1)  # v/a more, from rest to rest
    assert one.faster(2.0).scan_time() == pytest.approx(length / 20.0)
    lit = one.filled({"hatch": {"power": 3.0}}, default={"beam_radius": 0.1, "power": 9.0, "scan_speed": 1.0})
    assert (lit.power[0], lit.scan_speed[0], lit.beam_radius[0]) == (3.0, 10.0, 0.1)


HATCH = "$$LAYER/0.1 $$HATCHES/1,1,0,0,1,0 "


def read(body=HATCH, units="1", more=""):
    text = f"$$HEADERSTART $$ASCII $$UNITS/{units} {more}$$HEADEREND $$GEOMETRYSTART {body}$$GEOMETRYEND"
    return joined(list(layer_blocks("a.cli", io.BytesIO(text.encode()))))


@pytest.mark.parametrize(
    ("fine", "wrong", "words"),
    [
        ({"units": "1e-9"}, {"units": "9e-10"}, "must be from 1e-9 to 1000 mm, got 9e-10"),
        ({"units": "1000"}, {"units": "1001"}, "must be from 1e-9 to 1000 mm, got 1001"),
        ({"body": "$$LAYER/0 " + HATCH}, {"body": HATCH.replace("0.1", "-0.1")}, "height must be from 0 to 1e5 mm, got -0.1"),
        ({"body": HATCH.replace("0.1", "1e5")}, {"body": HATCH.replace("0.1", "100001")}, "height must be from 0 to 1e5 mm"),
        ({"body": HATCH + HATCH}, {"body": HATCH + HATCH.replace("0.1", "0.09")}, "must ascend, but 0.09 mm follows 0.1 mm"),
        ({"body": HATCH.replace(",1,0 ", ",1e5,0 ")}, {"body": HATCH.replace(",1,0 ", ",100001,0 ")}, "not a number within -1e5 to 1e5 mm"),
        ({"more": "$$LAYERS/1 "}, {"more": "$$LAYERS/2 "}, "states 2 layers, the file holds 1"),
        ({"body": "$$LAYER/1 $$POLYLINE/1,2,2,0,0,1,0 "}, {"body": "$$LAYER/1 $$POLYLINE/1,3,2,0,0,1,0 "}, "direction is 0, 1 or 2, got 3"),
        ({}, {"body": "$$LAYER/1 $$POLYLINE/1,0,1,0,0 "}, "needs two points or more, got 1"),
        ({}, {"body": "$$LAYER/1 $$HATCHES/1,2,0,0,1,0 "}, "2 points or hatches are stated, but 4 coordinates"),
    ],
)
def test_a_layer_file_is_refused_beyond_each_limit(fine, wrong, words):
    assert len(read(**fine)) >= 1
    with pytest.raises(FileError, match=words):
        read(**wrong)


def test_polylines_close_by_meaning_where_their_last_point_does_not():
    for last, vectors in (("", 3), (",0,0", 3), (",0.0000009,0", 3), (",0.0000011,0", 4)):
        points = 3 + bool(last)
        assert len(read(f"$$LAYER/1 $$POLYLINE/1,0,{points},0,0,1,0,0,1{last} ")) == vectors
    assert read("$$LAYER/1 $$POLYLINE/1,2,3,0,0,1,0,0,1 ").names.tolist() == ["open", "open"]
    assert [layerfile._padded(size, align=True) for size in (1, 2, 3, 4, 5, 8)] == [4, 4, 4, 4, 8, 8]
    assert layerfile._padded(5, align=False) == 5


def test_arrays_hold_numbers_in_their_range():
    def refused(texts=(), **columns):
        try:
            arrays.checked_arrays({k: np.asarray(v) for k, v in columns.items()}, texts, "a.npz")
        except FileError as error:
            return str(error).split(" ")[1]
        return ""

    for name, good, bad in (
        ("power", (0.0, 1.0), (-1.0, math.inf)),
        ("scan_speed", (0.1,), (0.0, -1.0, math.inf)),
        ("beam_radius", (0.1,), (0.0,)),
    ):
        assert [refused(**{name: [v]}) for v in good] == [""] * len(good)
        assert [refused(**{name: [v]}) for v in bad] == [name] * len(bad)
    assert refused(x0=["a"]) == "x0"
    for codes, word in (([0, 1], ""), ([2], "kind"), ([-1], "kind"), ([0.0], "kind")):
        assert refused(("hatch", "contour"), kind=codes) == word


def test_more_vectors_than_the_memory_holds_are_refused(monkeypatch):
    monkeypatch.setattr(reading, "path_blocks", lambda _: iter([drawn((0, 0), (1, 0), (2, 0))]))
    monkeypatch.setattr(reading, "_MOST", 2)
    assert len(reading.read_paths("a.csv")) == 2
    monkeypatch.setattr(reading, "_MOST", 1)
    with pytest.raises(FileError, match="more than 1 vectors are too many"):
        reading.read_paths("a.csv")
