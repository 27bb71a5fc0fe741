"""Paths by hand: lengths, areas, loops, boxes; and the limits of what files may hold."""

import io
import math
import struct
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.paths import arrays, layerfile, reading, shelf, stored, table
from curecalc.paths.layerfile import layer_blocks
from curecalc.paths.saving import save_paths
from curecalc.paths.shelf import Shelf
from curecalc.paths.stored import StoredPaths, kept, open_paths, slices
from curecalc.paths.sums import areas, layer_sums, totals
from curecalc.paths.vectors import Positions, joined, paths_from
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
    index = Shelf.of(joined([drawn((0, 0), (1, 1), kind=k, layer=n) for n, k in enumerate(("hatch", "Contour 1", "outline"), 1)]), 1, 3)
    assert index.draws.tolist() == [0, 1, 2]
    assert Shelf.of(drawn((0, 0), (1, 1), scan_speed=Q(0.5, "mm/s")), 1, 1).fastest == 0.5


def test_vectors_join_within_a_nanometre():
    for gap, is_joined in ((9e-7, True), (1.1e-6, False)):
        two = joined([drawn((0, 0), (1, 0)), drawn((1 + gap, 0), (2, 0))])
        assert two.joints().tolist() == [False, is_joined]
    assert joined([drawn((-1, 0), (0, 0)), drawn((1e-6, 0), (2, 0))]).joints().tolist() == [False, True]
    assert len(drawn((0, 0), (0, 0), (1, 0)).scanned) == 1
    assert not drawn((0, 0), (1, 0), (0, 0)).loops("hatch")  # there and back is no loop
    assert len(drawn((0, 0), (1, 0), (0, 1), (0, 0)).loops("hatch")) == 1
    assert [len(loop) for loop in drawn((0, 0), (-1, 0), (0, 0), (2, 0), (2, 2), (0, 0)).loops("hatch")] == [5]  # a spike is part of it


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
        assert shelf._meets(np.array([[0.0, 0.0, 1.0, 2.0]]), window, room).tolist() == [near]
    ends = {"x0": Q([0.0, 0.0], "mm"), "y0": Q([0.0, 0.0], "mm"), "x1": Q([1.0, 2.0], "mm"), "y1": Q([1.0, 1.0], "mm")}
    for name in ends:
        with pytest.raises(QuantityError, match="x0, y0, x1 and y1 must be as many, got "):
            paths_from(**ends | {name: Q([0.0, 1.0, 2.0], "mm")})
    plain = paths_from(**ends)
    assert (plain.layer.tolist(), plain.names.tolist()) == ([1, 1], ["hatch", "hatch"])
    length = math.sqrt(5.0)
    assert one.scan_time(settling=0.5) == pytest.approx(length / 10.0 + 0.5)
    assert one.scan_time(acceleration=100.0) == pytest.approx(length / 10.0 + 0.1)  # v/a more, from rest to rest
    assert one.faster(2.0).scan_time() == pytest.approx(length / 20.0)
    lit = one.filled({"hatch": {"power": 3.0}}, default={"beam_radius": 0.1, "power": 9.0, "scan_speed": 1.0})
    assert (lit.power[0], lit.scan_speed[0], lit.beam_radius[0]) == (3.0, 10.0, 0.1)


HATCH = "$$LAYER/0.1 $$HATCHES/1,1,0,0,1,0 "


def test_layers_of_a_file_count_from_one():
    found = read(HATCH * 2 + "$$POLYLINE/1,2,2,0,0,1,0 " + HATCH)
    assert (found.layer.tolist(), found.names.tolist()) == ([1, 2, 2, 3], ["hatch", "hatch", "open", "hatch"])


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
        ({"body": HATCH.replace(",1,0 ", ",1e5,0 ")}, {"body": HATCH.replace(",1,0 ", ",100001,0 ")}, "command 2: a coordinate is"),
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
    for last, vectors in (("", 3), (",0,0", 3), (",0.0000010,0", 3), (",0.0000011,0", 4)):
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
    for name, least in (("power", "not below"), ("beam_radius", "above")):
        with pytest.raises(FileError, match=f"a.npz: {name} must be finite and {least} zero"):
            arrays.checked_arrays({name: np.array([-1.0])}, (), "a.npz")
    assert refused(x0=["a"]) == "x0"
    for codes, word in (([0, 1], ""), ([2], "kind"), ([-1], "kind"), ([0.0], "kind")):
        assert refused(("hatch", "contour"), kind=codes) == word


def test_arrays_without_rows_or_with_a_wrong_one_are_told(tmp_path):
    file = tmp_path / "a.npz"
    for columns, words in (
        ({"x0": [], "y0": [], "x1": [], "y1": []}, "holds no rows"),
        ({"x0": [0.0], "y0": [0.0], "x1": [1e6], "y1": [0.0]}, "row 1: x1 of 1e\\+06"),
        ({"x0": [0.0] * 2, "y0": [0.0] * 2, "x1": [1.0, 1e6], "y1": [0.0] * 2}, "row 2: x1 of 1e\\+06"),
        ({}, "holds no arrays of vectors or positions"),
    ):
        np.savez(file, **columns)
        for read_file in (reading.read_paths, open_paths):
            with pytest.raises(FileError, match=words):
                read_file(file)


def test_more_vectors_than_the_memory_holds_are_refused(monkeypatch):
    block = SimpleNamespace(rows=50_000_000, in_order=lambda: "all")
    monkeypatch.setattr(reading, "joined", lambda blocks: blocks[0])
    monkeypatch.setattr(reading, "path_blocks", lambda _: iter([block, block]))
    assert reading.read_paths("a.csv") == "all"
    monkeypatch.setattr(reading, "path_blocks", lambda _: iter([block, block, SimpleNamespace(rows=1)]))
    with pytest.raises(FileError, match="more than 100000000 vectors are too many"):
        reading.read_paths("a.csv")


def test_a_million_vectors_and_more_go_to_the_disk(monkeypatch):
    monkeypatch.setattr(stored, "joined", lambda blocks: blocks[0])
    monkeypatch.setattr(stored, "_shelved", lambda blocks: ("on the disk", len(list(blocks))))
    half, rest, last = (SimpleNamespace(rows=rows, in_order=lambda: "in memory") for rows in (500_000, 499_999, 1))
    assert kept(iter([half, rest])) == "in memory"
    assert kept(iter([half, rest, last])) == ("on the disk", 3)


def test_a_layer_file_holds_a_million_layers_at_most():
    layers = layerfile._Geometry("a.cli", 1.0)
    layers.layers = 999_999
    layers.layer(0.1, "command 1")
    with pytest.raises(FileError, match=r"a\.cli: command 2: more than 1000000 layers\."):
        layers.layer(0.2, "command 2")


def test_the_header_of_a_layer_file_and_a_text_in_it_have_their_length():
    text = f"$$HEADERSTART $$ASCII $$UNITS/1 {{}}$$HEADEREND $$GEOMETRYSTART {HATCH}$$GEOMETRYEND"
    room = 1_000_000 - text.format("").index("$$GEOMETRYSTART") + 1
    assert len(list(layer_blocks("a.cli", io.BytesIO(text.format(" " * room).encode())))) == 1
    with pytest.raises(FileError, match=r"no header from \$\$HEADERSTART to \$\$HEADEREND in the first 1000000 bytes"):
        list(layer_blocks("a.cli", io.BytesIO(text.format(" " * (room + 1)).encode())))
    assert [len(text) for text, _ in layerfile._texts("a.cli", io.BytesIO(b" " * 4_000_000))] == [4_000_000]
    with pytest.raises(FileError, match="more than 4000000 bytes without a comma or a command"):
        list(layerfile._texts("a.cli", io.BytesIO(b" " * 4_000_001)))


def test_no_hatches_are_none_and_a_count_beyond_the_file_is_told():
    head = b"$$HEADERSTART $$BINARY $$UNITS/1 $$HEADEREND" + struct.pack("<Hf", 127, 0.1)
    assert read("$$LAYER/0.1 $$HATCHES/1,0 $$HATCHES/1,1,0,0,1,0 ").rows == 1
    one = struct.pack("<Hii4f", 132, 7, 1, 0, 0, 1, 0)
    assert len(joined(list(layer_blocks("a.cli", io.BytesIO(head + struct.pack("<Hii", 132, 7, 0) + one))))) == 1
    with pytest.raises(FileError, match="2 points or hatches are stated, but the file ends before them"):
        list(layer_blocks("a.cli", io.BytesIO(head + one.replace(struct.pack("<ii", 7, 1), struct.pack("<ii", 7, 2)))))


@pytest.mark.parametrize("form", ["text", "arrays"])
@pytest.mark.parametrize(
    ("column", "fine", "wrong"),
    [
        ("layer", (0.0, 9_999_999.0), (-1.0, 10_000_000.0, 0.5)),
        ("x0", (-1e5, 1e5), (-100_001.0, 100_001.0)),
        ("y1", (-1e5, 1e5), (-100_001.0, 100_001.0)),
    ],
)
def test_a_table_is_refused_beyond_each_limit(column, fine, wrong, form):
    def read_value(value):
        columns = {"layer": np.ones(3), "x0": np.zeros(3), "y0": np.zeros(3), "x1": np.ones(3), "y1": np.ones(3)}
        columns[column][1] = value
        if form == "arrays":
            return table.paths_of(arrays.checked_arrays(columns, (), "a", 10), "a", {})
        rows = "".join(",".join(repr(float(c[k])).removesuffix(".0") for c in columns.values()) + "\n" for k in range(3))
        return table.table_paths("a", ("layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n" + rows).encode(), max_rows=3)

    for value in fine:
        assert value in getattr(read_value(value), column)
    for value in wrong:
        with pytest.raises(FileError, match="a: row 12: " if form == "arrays" else "a:3:"):
            read_value(value)


def test_a_table_of_both_forms_names_a_column_of_each():
    columns = arrays.checked_arrays({name: np.zeros(1) for name in ("x0", "y0", "x1", "y1", "time", "x", "y")}, (), "a")
    with pytest.raises(FileError, match=r"a: holds both vectors \(x0\) and recorded positions \(time\)\."):
        table.paths_of(columns, "a", {})


def test_a_table_of_many_kinds_is_refused():
    for count in (1000, 1001):
        columns = {name: np.zeros(count) for name in ("x0", "y0", "x1", "y1")}
        given = arrays.checked_arrays(columns | {"kind": np.arange(count)}, tuple(map(str, range(count))), "a")
        if count == 1000:
            assert len(table.paths_of(given, "a", {}).kinds) == 1000
        else:
            with pytest.raises(FileError, match="more than 1000 kinds of vector"):
                table.paths_of(given, "a", {})


def test_recorded_times_go_on_within_a_layer_and_from_block_to_block():
    def read_times(*times, last=None):
        columns = {"time": np.array(times), "x": np.zeros(len(times)), "y": np.zeros(len(times)), "power": np.ones(len(times))}
        return table.paths_of(arrays.checked_arrays(columns, (), "a"), "a", {} if last is None else {1: last})

    assert read_times(0.0, 1e-9).recorded[0].time.tolist() == [0.0, 1e-9]
    assert read_times(3.0, last=2.0).rows == 1
    for times, last, row in (((0.0, 1.0, 1.0), None, 3), ((0.0, -1.0), None, 2), ((2.0,), 2.0, 1)):
        with pytest.raises(FileError, match=f"a: row {row}: time does not go on"):
            read_times(*times, last=last)


def test_an_archive_of_arrays_unpacks_to_so_much():
    """A thousand times its size, and a million bytes."""
    for claimed, words in ((1_007_000, "unknown array 'a'"), (1_007_001, "unpacks to 1007001 bytes from 7")):
        archive = SimpleNamespace(infolist=lambda size=claimed: [SimpleNamespace(filename="a.npy", file_size=size, compress_size=7)])
        with pytest.raises(FileError, match=words):
            arrays.entries_of("a.npz", archive)


def test_the_names_of_kinds_take_ten_million_bytes_at_most():
    for size, words in ((10_000_000, "holds no arrays"), (10_000_001, "kinds holds 10000001 bytes of names")):
        head = io.BytesIO()
        np.lib.format.write_array_header_1_0(head, {"descr": "|S1", "fortran_order": False, "shape": (size - 128,)})
        assert len(head.getvalue()) == 128
        info = SimpleNamespace(filename="kinds.npy", file_size=size, compress_size=size)
        archive = SimpleNamespace(infolist=lambda info=info: [info], open=lambda _, head=head: io.BytesIO(head.getvalue() + b"ab"))
        with pytest.raises(FileError, match=words):
            arrays.entries_of("a.npz", archive)


def test_many_vectors_stay_on_the_disk(tmp_path, monkeypatch):
    one = drawn(*((k, 0) for k in range(9)))
    save_paths(tmp_path / "a.npz", one)
    for least, kind in ((8, StoredPaths), (9, type(one))):
        monkeypatch.setattr(stored, "_LEAST", least)
        assert type(open_paths(tmp_path / "a.npz")) is kind
        assert type(kept(iter([one.chosen(slice(0, 5)), one.chosen(slice(5, 8))]))) is kind
    monkeypatch.setattr(stored, "_LEAST", 8)
    for free, fine in ((1_000_000_000, True), (999_999_999, False)):
        monkeypatch.setattr(stored.shutil, "disk_usage", lambda _, free=free: SimpleNamespace(free=free))
        if fine:
            assert [len(part) for part in slices(kept(iter([one])))] == [8]
        else:
            with pytest.raises(FileError, match="so many paths do not fit"):
                kept(iter([one]))
    layers = stored._Layers("a.npz")
    monkeypatch.setattr(stored, "MOST_LAYERS", 2)
    layers.add(np.array([1.0, 2.0, 2.0]))
    assert [part.tolist() for part in layers.table()] == [[1, 2], [0, 1, 3]]
    with pytest.raises(FileError, match="more than 2 layers"):
        layers.add(np.array([3.0]))


def test_a_crowd_is_the_most_of_one_layer_near_a_window():
    parts = [drawn(*((x, 0) for x in range(count + 1)), layer=layer) for layer, count in ((0, 3), (2, 5), (3, 4))]
    index = Shelf.of(joined(parts), 0, 3)
    assert index.crowd((0.0, -1.0, 1.0, 1.0), 0.5) == 5
    assert index.crowd((4.5, -1.0, 9.0, 1.0), 0.4) == 5
    assert index.crowd((4.5, -1.0, 9.0, 1.0), 0.6) == 5
    assert Shelf.of(joined(parts), 0, 2).crowd((0.0, -1.0, 1.0, 1.0), 0.5) == 5
    assert Shelf.of(joined(parts), 3, 3).crowd((0.0, -1.0, 1.0, 1.0), 0.5) == 4
    assert index.crowd((9.0, -1.0, 9.5, 1.0), 0.5) == 0
    assert Shelf.of(joined(parts), 1, 1).crowd((0.0, -1.0, 1.0, 1.0), 0.5) == 0


def test_blocks_that_follow_each_other_are_read_together_up_to_so_many(monkeypatch):
    monkeypatch.setattr(shelf, "AT_ONCE", 20)
    for ends, runs in (
        ([], []),
        ([(0, 10), (10, 20), (20, 30)], [(0, 20), (20, 30)]),
        ([(5, 15), (16, 20), (20, 21)], [(5, 15), (16, 21)]),
    ):
        begin, end = np.array(ends, int).reshape(-1, 2).T
        assert list(shelf._runs(begin, end)) == runs


@pytest.mark.parametrize("place", [(-6.6, 0.0), (7.6, 0.0), (0.0, -5.6), (0.0, 8.6)])
def test_a_loop_far_to_one_side_is_three_vectors(place):
    for corners, kind in ((3, "outline"), (4, "Contour 1"), (5, "outline"), (60, "contour")):
        angle = 2.0 * np.pi * np.arange(corners + 1) / corners
        loop = drawn(*np.column_stack([place[0] + np.cos(angle), place[1] + np.sin(angle)]), kind=kind)
        near = Shelf.of(joined([loop, drawn((0, 0), (1, 0)), drawn((9, 9), (9, 10))]), 1, 1).near(1, (-5.0, -4.0, 6.0, 7.0), 0.5)
        assert (len(near.loops(kind)[0]), len(near)) == (3, 4)


def test_positions_of_other_layers_do_not_widen_what_is_mapped():
    places = [Positions(k, np.arange(2.0), np.array([0.0, k]), np.array([0.0, 2.0 * k]), np.ones(2)) for k in (1, 2, 3)]
    every = replace(drawn((0, 0), (1, 0)).chosen(slice(0, 0)), recorded=tuple(places))
    assert Shelf.of(every, 2, 2).bounds() == (0.0, 0.0, 2.0, 4.0)
    assert len(Shelf.of(every, 2, 2).begin) == len(Shelf.of(every, 2, 2).box) == 0
    assert every.bounds() == (0.0, 0.0, 3.0, 6.0)
    assert every.rows == 6
    assert [p.layer for p in every.of_layer(2).recorded] == [2]
    assert every.layers.tolist() == [1, 2, 3]
    assert every.scan_time() == 3.0
    assert every.faster(2.0).scan_time() == 1.5
    assert every.filled({}, default={"power": 1.0, "scan_speed": 1.0, "beam_radius": 0.1}).beam_radius.tolist() == [0.1]


def test_what_a_vector_lacks_is_said_but_not_of_outlines():
    both = joined([drawn((0, 0), (1, 0), kind="outline"), drawn((0, 0), (1, 0), power=Q(2.0, "mW"))])
    with pytest.raises(FileError, match="vectors of kind 'hatch' have no scan_speed"):
        both.filled({"outline": {"scan_speed": 1.0}})
    lit = both.filled({"hatch": {"scan_speed": 3.0, "power": 9.0, "beam_radius": 0.1}})
    assert lit.power.tolist()[1] == 2.0
    assert np.isnan(lit.power[0])


def test_areas_need_three_sides_and_their_layers():
    back = drawn((0, 0), (1, 0), (0, 0), kind="outline", layer=2)
    triangle = drawn((0, 0), (2, 0), (0, 2), (0, 0), kind="outline", layer=4)
    assert areas(joined([back, triangle])).tolist() == [0.0, 0.0, 2.0]
    assert areas(drawn((0, 0), (1, 0))).tolist() == [0.0]
