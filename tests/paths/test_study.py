"""Study paths of meshes against solid geometry known in closed form; hostile meshes refused in one line."""

import io
import math
import os
import zipfile
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.paths import study
from curecalc.paths.study import study_paths
from curecalc.paths.sums import areas, totals
from curecalc.units import Quantity as Q

trimesh = pytest.importorskip("trimesh")
pytest.importorskip("manifold3d")
RULES = {"layer_thickness": Q(0.1, "mm"), "hatch_spacing": Q(0.1, "mm"), "contour_offset": Q(0.06, "mm"), "hatch_offset": Q(0.15, "mm")}


def made(mesh, tmp_path, ending=".stl", **more):
    file = tmp_path / f"part{ending}"
    mesh.export(str(file))
    return study_paths(file, **(RULES | more))


@pytest.mark.parametrize("ending", [".stl", ".obj", ".3mf"])
def test_a_box(tmp_path, ending):
    box = trimesh.creation.box((4.0, 3.0, 1.0))
    paths = made(box, tmp_path, ending)
    assert len(areas(paths)) == 10
    assert areas(paths) == pytest.approx(np.full(10, 12.0), rel=1e-6)
    found = totals(paths)
    assert found["contour"]["length"] == pytest.approx(10 * 2.0 * (4.0 - 0.12 + 3.0 - 0.12), rel=1e-6)
    assert found["hatch"]["longest"] == pytest.approx(4.0 - 0.3, abs=1e-5)
    # along x in odd layers, along y in even ones, at whole multiples of the spacing
    one, two = paths.of_layer(1), paths.of_layer(2)
    hatch = one.chosen(one.names == "hatch")
    assert np.array_equal(hatch.y0, hatch.y1)
    assert len(hatch) == 27
    assert np.sign(hatch.x1 - hatch.x0)[:4].tolist() in ([1, -1, 1, -1], [-1, 1, -1, 1])
    hatch = two.chosen(two.names == "hatch")
    assert np.array_equal(hatch.x0, hatch.x1)
    assert len(hatch) == 37
    three = paths.of_layer(3)
    hatch = three.chosen(three.names == "hatch")
    assert np.array_equal(hatch.y0, hatch.y1)


def test_what_is_narrower_than_its_contour_is_only_drawn(tmp_path):
    assert set(made(trimesh.creation.box((4.0, 0.1, 0.2)), tmp_path).names) == {"outline"}


def test_a_line_that_touches_a_tip_hatches_nothing():
    import shapely

    tip = study._hatch(shapely.Polygon([(0.0, 0.0), (2.0, 0.0), (1.0, 1.0)]), 0.5, along_y=False)
    assert tip.tolist() == [[0.0, 0.0, 2.0, 0.0], [1.5, 0.5, 0.5, 0.5]]


def test_small_shells_are_no_hollows_and_one_inside_out_is_refused(tmp_path):
    one, other = (trimesh.creation.box((0.5, 0.5, 0.5)).apply_translation((x, 0, 0)) for x in (0.0, 2.0))
    both = trimesh.util.concatenate([one, other])
    assert areas(made(both, tmp_path)) == pytest.approx(np.full(5, 0.5), rel=1e-5)
    one = trimesh.creation.box((2, 2, 2))
    one.invert()
    with pytest.raises(FileError, match="has no volume, or is inside out"):
        made(one, tmp_path)


def test_twenty_thousand_layers_are_cut(tmp_path, monkeypatch):
    monkeypatch.setattr(study, "kept", lambda blocks: "cut")
    assert made(trimesh.creation.box((1.0, 1.0, 2000.0)), tmp_path) == "cut"
    with pytest.raises(FileError, match=r"makes 20001 layers of 0\.1 mm, more than 20000"):
        made(trimesh.creation.box((1.0, 1.0, 2000.05)), tmp_path)


def test_a_tube_has_a_hole(tmp_path):
    tube = trimesh.creation.annulus(r_min=1.0, r_max=2.0, height=0.5, sections=256)
    paths = made(tube, tmp_path)
    exact = 128 * math.sin(2 * math.pi / 256) * (4.0 - 1.0)  # polygons of 256 sides
    assert areas(paths) == pytest.approx(np.full(5, exact), rel=1e-4)
    lines = paths.chosen(paths.names == "hatch")
    for u in np.linspace(0.0, 1.0, 21):
        r = np.hypot(lines.x0 + u * (lines.x1 - lines.x0), lines.y0 + u * (lines.y1 - lines.y0))
        assert r.min() > 1.0 + 0.149
        assert r.max() < 2.0 - 0.149


def test_facets_finer_than_five_micrometres_are_no_corners(tmp_path):
    """A chord of a circle leaves it by r (1 - cos(a/2)): within 5 um of r = 10 mm it may span 3.6 degrees, so 100 to 200 chords do."""
    count, length = [], []
    for sections in (32, 400, 1600):
        contour = totals(made(trimesh.creation.cylinder(radius=10.06, height=0.1, sections=sections), tmp_path))["contour"]
        count.append(contour["count"])
        length.append(contour["length"])
    assert count[0] == 32
    assert all(99 <= n <= 200 for n in count[1:])
    assert length[1:] == pytest.approx([2.0 * math.pi * 10.0] * 2, rel=1e-3)


def test_lines_go_there_and_back_and_from_piece_to_piece_as_the_laser_does(tmp_path):
    """Lines at even multiples of the spacing run forward, at odd ones backwards; their pieces follow each other that way."""
    seen = []
    paths = made(trimesh.creation.annulus(r_min=1.0, r_max=2.0, height=0.2), tmp_path, progress=lambda k, n: seen.append((k, n)))
    assert seen == [(1, 2), (2, 2)]
    for layer, (begin, across, end) in ((1, ("x0", "y0", "x1")), (2, ("y0", "x0", "y1"))):
        one = paths.of_layer(layer)
        hatch = one.chosen(one.names == "hatch")
        start, stop, line = getattr(hatch, begin), getattr(hatch, end), np.rint(getattr(hatch, across) / 0.1)
        way = np.where(line % 2 == 0, 1.0, -1.0)
        assert np.sign(stop - start).tolist() == way.tolist()
        same = np.diff(line) == 0
        assert 10 < np.count_nonzero(same) < len(line) - 1
        assert (way[1:] * (start[1:] - stop[:-1]) > 0.0)[same].all()
        assert (np.diff(line) >= 0).all()


def test_layers_are_cut_half_way_up_and_the_last_no_higher_than_the_part(tmp_path):
    """A cone on its tip: areas grow as the square of the height. Its top lies a fifth of a layer into the last."""
    cone = trimesh.creation.cone(radius=1.0, height=0.52, sections=64)
    cone.apply_transform(np.diag([1.0, -1.0, -1.0, 1.0]))
    found = areas(made(cone, tmp_path))
    top = 32.0 * math.sin(2.0 * math.pi / 64)  # a polygon of 64 sides in a circle of 1 mm
    assert found == pytest.approx([*(top * (z / 0.52) ** 2 for z in (0.05, 0.15, 0.25, 0.35, 0.45)), top], rel=1e-4)


@pytest.mark.parametrize(
    ("fine", "wrong", "words"),
    [
        ((1.0, 0.5, 0.5), (0.999, 0.5, 0.5), "0.999 mm at its widest is no part"),
        ((200_000.0, 2.0, 0.5), (200_002.0, 2.0, 0.5), "not numbers within -1e5 to 1e5 mm"),
        ((1.0, 1.0, 5e-4), (1.0, 1e-5, 1e-5), "the mesh has no volume"),
    ],
)
def test_a_mesh_is_refused_beyond_each_limit(fine, wrong, words, tmp_path):
    wide = {"hatch_spacing": Q(1e4, "mm")}
    assert len(made(trimesh.creation.box(fine), tmp_path, **wide)) > 0
    with pytest.raises(FileError, match=words):
        made(trimesh.creation.box(wrong), tmp_path, **wide)


def test_a_file_is_refused_from_half_a_gigabyte_on(tmp_path, monkeypatch):
    file = tmp_path / "part.stl"
    file.touch()
    os.truncate(file, 500_000_001)
    with pytest.raises(FileError, match="the file has 500000001 bytes, more than 500000000"):
        study_paths(file, **RULES)
    trimesh.creation.box((1.0, 1.0, 0.1)).export(str(file))
    monkeypatch.setattr(study, "_LARGEST", file.stat().st_size)
    assert len(study_paths(file, **RULES)) > 0


@pytest.mark.parametrize(
    ("size", "packed", "count"),
    [(2_000_000_000, 100_000_000, 1), (1_000_000 + 200 * 7, 7, 1), (0, 0, 10_000)],
    ids=["unpacked", "packed-tightly", "entries"],
)
def test_an_archive_is_refused_beyond_each_limit(size, packed, count, tmp_path, monkeypatch):
    file = tmp_path / "part.3mf"
    file.write_bytes(_archive(b""))

    def checked(size, count):
        entries = [SimpleNamespace(filename="a.png", file_size=size, compress_size=packed)] * count
        monkeypatch.setattr(zipfile.ZipFile, "infolist", lambda _: entries)
        study._harmless("part.3mf", file)

    checked(size, count)
    with pytest.raises(FileError, match="more than a part can be"):
        checked(size + (count == 1), count + (count > 1))


@pytest.mark.parametrize(
    "model",
    [
        b"<!-- " + b"a" * 1_000_000 + b" --><!DocType a><model/>",
        b"<!ENTITY a 'b'><model/>",
        "<model/>".encode("utf-16"),
        b"\xfe\xff" + "<model/>".encode("utf-16-be"),
    ],
    ids=["late", "entity", "little-endian", "big-endian"],
)
def test_no_model_declares_entities(model, tmp_path):
    (tmp_path / "part.3mf").write_bytes(_archive(model))
    with pytest.raises(FileError, match=r"'3D/3dmodel\.model' declares entities"):
        study_paths(tmp_path / "part.3mf", **RULES)


@pytest.mark.parametrize("unit", [0.001, 1.0])
def test_a_part_in_metres_or_cut_off_is_refused_in_plain_words(unit, tmp_path):
    box = trimesh.creation.box((40.0 * unit, 30.0 * unit, 10.0 * unit))
    file = tmp_path / "part.stl"
    data = box.export(file_type="stl")
    file.write_bytes(data if unit < 1.0 else data[: len(data) // 2])
    with pytest.raises(FileError) as error:
        study_paths(file, **RULES)
    said = str(error.value)
    assert ("0.04 mm at its widest is no part: is the mesh in metres?" if unit < 1.0 else "cut off") in said
    assert "Error" not in said


def test_a_contour_loses_corners_within_five_micrometres_of_a_straight_line():
    for bulge, sides in ((0.00499, 4), (0.00501, 5)):
        loop = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 4.0], [5.0, 4.0 + bulge], [0.0, 4.0]])
        outline, contour, _ = study._vectors([loop], 1.0, (0.0, 0.1), along_y=False)
        assert (len(outline), len(contour)) == (5, sides)


def test_overlapping_shells_are_one(tmp_path):
    both = trimesh.util.concatenate([trimesh.creation.box((2, 2, 1)), trimesh.creation.box((2, 2, 1)).apply_translation((1, 0, 0))])
    assert areas(made(both, tmp_path)) == pytest.approx(np.full(10, 6.0), rel=1e-5)


def test_a_shell_inside_out_is_a_hollow(tmp_path):
    inner = trimesh.creation.box((1, 1, 1))
    inner.invert()
    assert areas(made(trimesh.util.concatenate([trimesh.creation.box((2, 2, 2)), inner]), tmp_path))[7] == pytest.approx(3.0, rel=1e-5)


def test_the_volume_is_the_meshes_own(tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=4, radius=2.0)
    assert areas(made(ball, tmp_path)).sum() * 0.1 == pytest.approx(ball.volume, rel=2e-3)


def _archive(model, extra=b""):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", model)
        if extra:
            archive.writestr("3D/more.model", extra)
    return buffer.getvalue()


ENTITIES = b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><model>&b;</model>'
HOSTILE = {
    "empty.stl": b"",
    "text.stl": b"hello",
    "claims-2-gb.stl": b"\0" * 80 + b"\xff\xff\xff\x02" + b"\0" * 100,
    "cut.stl": b"\0" * 80 + b"\x02\0\0\0" + b"\0" * 60,
    "nan.obj": b"v nan 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n",
    "open.obj": b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n",
    "huge.obj": b"v 1e300 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 3 2\nf 1 2 4\nf 2 3 4\nf 3 1 4\n",
    "no-such-corner.obj": b"v 0 0 0\nf 1 2 999999999\n",
    "not-a-zip.3mf": b"PK\3\4",
    "bomb.3mf": lambda: _archive(b"<model></model>", bytes(30_000_000)),
    "entities.3mf": _archive(ENTITIES),
    "empty.3mf": _archive(b""),
    "inside-out.obj": b"v 0 0 0\nv 9 0 0\nv 0 9 0\nv 0 0 9\nf 1 2 3\nf 1 4 2\nf 2 4 3\nf 3 4 1\n",
    "flat.obj": b"v 0 0 0\nv 9 0 0\nv 0 9 0\nv 3 3 0\nf 1 2 3\nf 1 4 2\nf 2 4 3\nf 3 4 1\n",
    "two-flat.obj": b"v 0 0 0\nv 9 0 0\nv 0 9 0\nv 3 3 0\nf 1 2 3\nf 1 4 2\nf 2 4 3\nf 3 4 1\n"
    b"v 0 0 9\nv 9 0 9\nv 0 9 9\nv 3 3 9\nf 5 6 7\nf 5 8 6\nf 6 8 7\nf 7 8 5\n",
    "part.step": b"ISO-10303-21;",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_mesh_is_refused_in_one_line(name, tmp_path):
    file = tmp_path / name
    file.write_bytes(HOSTILE[name]() if callable(HOSTILE[name]) else HOSTILE[name])
    with pytest.raises(FileError) as error:
        study_paths(file, **RULES)
    assert "\n" not in str(error.value)
    assert str(error.value).startswith(str(file))


def test_the_command_makes_what_map_reads(tmp_path, capsys):
    import json

    from curecalc.cli import main

    trimesh.creation.box((1.0, 1.0, 0.2)).export(str(tmp_path / "box.stl"))
    save = str(tmp_path / "box.npz")
    rules = ["--layer-thickness", "0.1mm", "--hatch-spacing", "0.1mm"]
    assert main(["paths", str(tmp_path / "box.stl"), *rules, "--save", save, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["study"] is True
    assert record["volume"]["value"] == pytest.approx(0.2, rel=1e-5)
    setting = ["--power", "30mW", "--scan-speed", "1m/s", "--beam-radius", "0.125mm", "--layer-thickness", "0.1mm"]
    resin = ["--penetration-depth", "0.15mm", "--critical-exposure", "8mJ/cm2"]
    assert main(["map", save, *setting, *resin, "--layer", "1", "--json", "--workers", "1"]) == 0
    one = json.loads(capsys.readouterr().out)
    assert one["edge_error"]["mean"]["value"] > 0.0
    assert main(["part", save, *setting, *resin, "--layer-range", "1-2", "--json", "--workers", "1"]) == 0
    assert json.loads(capsys.readouterr().out)["layers"] == 2
    assert main(["map", save, *setting, *resin, "--json"]) == 2
    assert "layer is missing" in capsys.readouterr().err
