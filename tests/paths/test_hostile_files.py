"""Broken and hostile files of paths: one clear line each, quickly, without memory or tracebacks; good ones read the same in every form."""

import io
import struct
import zipfile

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.paths import layerfile, table
from curecalc.paths.layerfile import layer_blocks
from curecalc.paths.reading import read_paths
from curecalc.paths.saving import save_paths, table_text
from curecalc.paths.vectors import joined

HEAD = b"$$HEADERSTART\n$$%s\n$$UNITS/%s\n$$VERSION/200\n%s$$HEADEREND"


def ascii_file(geometry, *, units=b"1", more=b"", kind=b"ASCII"):
    return HEAD % (kind, units, more) + b"\n$$GEOMETRYSTART\n" + geometry + b"\n$$GEOMETRYEND\n"


def binary_file(geometry, *, units=b"1", more=b""):
    return HEAD % (b"BINARY", units, more) + geometry


GOOD = b"$$LAYER/0.1\n$$POLYLINE/1,1,4,0,0,3,0,3,2,0,0\n$$HATCHES/1,2,0.5,0.5,2.5,0.5,0.5,1,2,1"
LAYER = struct.pack("<Hf", 127, 0.1)
LOOP = struct.pack("<Hiii8f", 130, 1, 1, 4, 0, 0, 3, 0, 3, 2, 0, 0)
HATCH = struct.pack("<Hii8f", 132, 1, 2, 0.5, 0.5, 2.5, 0.5, 0.5, 1, 2, 1)
SHORT = struct.pack("<HH", 128, 100) + struct.pack("<HHHH8H", 129, 1, 1, 4, 0, 0, 3000, 0, 3000, 2000, 0, 0)
SHORT += struct.pack("<HHH8H", 131, 1, 2, 500, 500, 2500, 500, 500, 1000, 2000, 1000)
ALIGNED = struct.pack("<HHHHI", 128, 0, 100, 0, 129)[:8] + struct.pack("<HHHHHH8H", 129, 0, 1, 1, 4, 0, 0, 0, 3000, 0, 3000, 2000, 0, 0)
ALIGNED += struct.pack("<HHHH8H", 131, 0, 1, 2, 500, 500, 2500, 500, 500, 1000, 2000, 1000)


@pytest.fixture(params=[None, 64, 16], ids=["whole", "pieces", "small-pieces"])
def pieces(request, monkeypatch):
    """Files read at once, and some bytes or rows at a time."""
    if request.param:
        monkeypatch.setattr(layerfile, "_PIECE", request.param * 2)
        monkeypatch.setattr(layerfile, "AT_ONCE", 1)
        monkeypatch.setattr(table, "_ROWS", 1)


def read_layer_bytes(name, data):
    return joined(list(layer_blocks(name, io.BytesIO(data))))


def places(paths):
    return np.column_stack([paths.layer, paths.x0, paths.y0, paths.x1, paths.y1, paths.kind])


@pytest.mark.parametrize(
    "data",
    [
        binary_file(LAYER + LOOP + HATCH),
        binary_file(SHORT, units=b"0.001"),
        binary_file(ALIGNED, units=b"0.001", more=b"$$ALIGN\n"),
        ascii_file(GOOD.replace(b"\n", b" // a $$comment, 1 //\n"), more=b"$$LAYERS/1\n$$DATE/010126\n$$LABEL/1,part\n"),
        ascii_file(GOOD.replace(b"4,0,0,3,0,3,2,0,0", b"3,0,0,3,0,3,2")),  # closed by meaning
        ascii_file(GOOD.replace(b",", b" , ")),
    ],
    ids=["floats", "shorts", "aligned", "comments", "open-end", "blanks"],
)
@pytest.mark.usefixtures("pieces")
def test_all_forms_of_the_same_layers_read_alike(data):
    base = read_layer_bytes("a.cli", ascii_file(GOOD))
    found = read_layer_bytes("b.cli", data)
    assert places(found) == pytest.approx(places(base), abs=1e-6)
    assert base.heights == pytest.approx(found.heights)
    assert [len(loop) for loop in base.loops("contour")] == [3]
    assert base.kinds[base.kind[3]] == "hatch"


def test_ascii_and_binary_give_the_same_field():
    from curecalc.map.field import Grid, Optics, layer_dose
    from curecalc.physics.laws import Plain

    settings = {"contour": {"power": 30.0, "scan_speed": 1000.0, "beam_radius": 0.125}}
    fields = []
    for data in (ascii_file(GOOD), binary_file(LAYER + LOOP + HATCH)):
        paths = read_layer_bytes("a.cli", data).filled(settings, default=settings["contour"])
        fields.append(layer_dose(paths, Optics(Plain(0.15, 0.08)), Grid.over((0.0, 0.0, 3.0, 2.0), 0.026)))
    assert np.abs(fields[0] - fields[1]).max() <= 1e-7 * fields[0].max()


def layer(n):
    return struct.pack("<Hf", 127, n)


HOSTILE = {
    "empty": b"",
    "not-a-layer-file": b"solid part\nfacet normal 0 0 1\n",
    "no-header-end": b"$$HEADERSTART\n$$ASCII\n$$UNITS/1\n",
    "text-before": b"abc" + ascii_file(GOOD),
    "neither": ascii_file(GOOD, kind=b"VERSION/1"),
    "both": ascii_file(GOOD, more=b"$$BINARY\n"),
    "no-units": ascii_file(GOOD).replace(b"$$UNITS/1\n", b""),
    "units-text": ascii_file(GOOD, units=b"mm"),
    "units-nan": ascii_file(GOOD, units=b"nan"),
    "units-zero": ascii_file(GOOD, units=b"0"),
    "units-negative": ascii_file(GOOD, units=b"-1"),
    "units-huge": ascii_file(GOOD, units=b"1e300"),
    "layers-wrong": ascii_file(GOOD, more=b"$$LAYERS/7\n"),
    "layers-text": ascii_file(GOOD, more=b"$$LAYERS/many\n"),
    "no-geometry-start": ascii_file(GOOD).replace(b"$$GEOMETRYSTART", b""),
    "no-geometry-end": ascii_file(GOOD).replace(b"$$GEOMETRYEND", b""),
    "text-after": ascii_file(GOOD) + b"more",
    "text-in-geometry": ascii_file(b"hello " + GOOD),
    "unknown-command": ascii_file(GOOD + b"\n$$CIRCLE/1,2,3"),
    "no-layer": ascii_file(GOOD.replace(b"$$LAYER/0.1\n", b"")),
    "layer-nan": ascii_file(GOOD.replace(b"0.1", b"nan")),
    "layer-huge": ascii_file(GOOD.replace(b"0.1", b"1e300")),
    "layer-infinite": ascii_file(GOOD.replace(b"0.1", b"1e999")),
    "layer-negative": ascii_file(GOOD.replace(b"0.1", b"-0.1")),
    "layer-two-numbers": ascii_file(GOOD.replace(b"0.1", b"0.1,0.2")),
    "layer-empty": ascii_file(GOOD.replace(b"0.1", b"")),
    "layers-descend": ascii_file(GOOD + b"\n$$LAYER/0.05"),
    "only-layers": ascii_file(b"$$LAYER/0.1\n$$LAYER/0.2"),
    "polyline-short": ascii_file(GOOD.replace(b"1,1,4,0,0,3,0,3,2,0,0", b"1,1,4,0,0,3,0,3,2,0")),
    "polyline-long": ascii_file(GOOD.replace(b"1,1,4,", b"1,1,2,")),
    "polyline-2-billion": ascii_file(GOOD.replace(b"1,1,4,", b"1,1,2000000000,")),
    "polyline-negative-count": ascii_file(GOOD.replace(b"1,1,4,", b"1,1,-4,")),
    "polyline-half-count": ascii_file(GOOD.replace(b"1,1,4,", b"1,1,4.5,")),
    "polyline-one-point": ascii_file(b"$$LAYER/0.1\n$$POLYLINE/1,1,1,0,0"),
    "polyline-no-point": ascii_file(b"$$LAYER/0.1\n$$POLYLINE/1,1,0"),
    "polyline-direction": ascii_file(GOOD.replace(b"1,1,4,", b"1,3,4,")),
    "polyline-half-direction": ascii_file(GOOD.replace(b"1,1,4,", b"1,0.5,4,")),
    "polyline-empty": ascii_file(b"$$LAYER/0.1\n$$POLYLINE/"),
    "polyline-text": ascii_file(GOOD.replace(b"3,2,0,0", b"3,x,0,0")),
    "polyline-nan": ascii_file(GOOD.replace(b"3,2,0,0", b"3,nan,0,0")),
    "polyline-infinite": ascii_file(GOOD.replace(b"3,2,0,0", b"3,inf,0,0")),
    "polyline-huge": ascii_file(GOOD.replace(b"3,2,0,0", b"3,1e300,0,0")),
    "polyline-far": ascii_file(GOOD.replace(b"3,2,0,0", b"3,1e6,0,0")),
    "polyline-hex": ascii_file(GOOD.replace(b"3,2,0,0", b"3,0x10,0,0")),
    "polyline-underscore": ascii_file(GOOD.replace(b"3,2,0,0", b"3,1_0,0,0")),
    "polyline-long-number": ascii_file(GOOD.replace(b"3,2,0,0", b"3,1e99999,0,0")),
    "hatch-short": ascii_file(GOOD.replace(b"1,2,0.5,0.5,2.5,0.5,0.5,1,2,1", b"1,2,0.5,0.5,2.5,0.5,0.5,1,2")),
    "hatch-count": ascii_file(GOOD.replace(b"1,2,0.5,0.5", b"1,3,0.5,0.5")),
    "hatch-2-billion": ascii_file(GOOD.replace(b"1,2,0.5,0.5", b"1,2000000000,0.5,0.5")),
    "hatch-nan": ascii_file(GOOD.replace(b"0.5,1,2,1", b"0.5,1,2,nan")),
    "hatch-empty": ascii_file(b"$$LAYER/0.1\n$$HATCHES/"),
    "nul-bytes": ascii_file(GOOD.replace(b"3,2,0,0", b"3,\0,0,0")),
    "cut-ascii": ascii_file(GOOD)[:-20],
    "direction-infinite": ascii_file(GOOD.replace(b"1,1,4,", b"1,1e999,4,")),
    "comment-open": ascii_file(GOOD + b" // no end"),
    "blank-for-a-long-time": ascii_file(GOOD + b" " * 5_000_000 + b"$$LAYER/0.3"),
    "binary-empty": binary_file(b""),
    "binary-one-byte": binary_file(b"\x7f"),
    "binary-cut-layer": binary_file(LAYER[:4]),
    "binary-cut-head": binary_file(LAYER + LOOP[:9]),
    "binary-cut-points": binary_file(LAYER + LOOP[:-3]),
    "binary-byte-too-many": binary_file(LAYER + LOOP + b"\0"),
    "binary-newline-first": binary_file(b"\n" + LAYER + LOOP),
    "binary-unknown-command": binary_file(LAYER + struct.pack("<H", 999) + LOOP),
    "binary-zero": binary_file(bytes(1000)),
    "binary-noise": binary_file(bytes(range(256)) * 4),
    "binary-2-gb-claim": binary_file(LAYER + struct.pack("<Hiii", 130, 1, 1, 250_000_000)),
    "binary-greatest-claim": binary_file(LAYER + struct.pack("<Hii", 132, 1, 2**31 - 1)),
    "binary-negative-count": binary_file(LAYER + struct.pack("<Hiii", 130, 1, 1, -4) + bytes(64)),
    "binary-direction": binary_file(LAYER + LOOP.replace(struct.pack("<iii", 1, 1, 4), struct.pack("<iii", 1, 9, 4))),
    "binary-nan-layer": binary_file(layer(float("nan")) + LOOP),
    "binary-negative-layer": binary_file(layer(-1.0) + LOOP),
    "binary-infinite-layer": binary_file(layer(float("inf")) + LOOP),
    "binary-descending": binary_file(layer(0.2) + LOOP + LAYER + LOOP),
    "binary-nan-point": binary_file(LAYER + LOOP[:-4] + struct.pack("<f", float("nan"))),
    "binary-huge-point": binary_file(LAYER + LOOP[:-4] + struct.pack("<f", 1e38)),
    "binary-no-layer": binary_file(LOOP),
    "binary-one-point": binary_file(LAYER + struct.pack("<Hiii2f", 130, 1, 1, 1, 0, 0)),
    "binary-big-endian": binary_file(struct.pack(">Hf", 127, 0.1) + LOOP),
    "aligned-but-not-said": binary_file(ALIGNED, units=b"0.001"),
    "said-but-not-aligned": binary_file(SHORT, units=b"0.001", more=b"$$ALIGN\n"),
    "ascii-said-binary": ascii_file(GOOD, kind=b"BINARY"),
}


@pytest.mark.usefixtures("pieces")
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_layer_file_is_refused_in_one_line(name):
    with pytest.raises(FileError) as error:
        read_layer_bytes("part.cli", HOSTILE[name])
    text = str(error.value)
    assert text.startswith("part.cli: ")
    assert "\n" not in text
    assert len(text) < 300


@pytest.mark.usefixtures("pieces")
def test_long_lists_are_read_some_at_a_time_and_errors_name_their_command():
    points = ",".join(f"{k},{k % 7}" for k in range(200)).encode()
    long = b"$$LAYER/0.1\n$$POLYLINE/1,2,200," + points
    assert read_layer_bytes("a.cli", ascii_file(long)).x1.tolist() == list(range(1, 200))
    for more, words in (
        (b"\n$$CIRCLE/1,2,3", "command 3: unknown command 'CIRCLE'"),
        (b"\n$$LAYER/1,2", "command 3: a layer has one height"),
    ):
        with pytest.raises(FileError, match=words):
            read_layer_bytes("a.cli", ascii_file(long + more))
    with pytest.raises(FileError, match="command 2 at byte 6 of the geometry: unknown command 999"):
        read_layer_bytes("a.cli", binary_file(LAYER + struct.pack("<H", 999)))
    with pytest.raises(FileError, match="command 3 at byte 52 of the geometry: the file ends within it"):
        read_layer_bytes("a.cli", binary_file(LAYER + LOOP + b"\x7f"))


TABLES = {
    "no-column": "x0 [mm],y0 [mm],x1 [mm]\n0,0,1\n",
    "no-unit": "x0,y0,x1,y1\n0,0,1,1\n",
    "unknown": "x0 [mm],y0 [mm],x1 [mm],y1 [mm],velocity [mm/s]\n0,0,1,1,5\n",
    "both-forms": "x0 [mm],y0 [mm],x1 [mm],y1 [mm],time [s]\n0,0,1,1,5\n",
    "nan": "x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n0,0,nan,1\n",
    "far": "x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n0,0,1e300,1\n",
    "no-rows": "x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n",
    "negative-layer": "layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n-1,0,0,1,1\n",
    "half-layer": "layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n1.5,0,0,1,1\n",
    "no-speed": "x0 [mm],y0 [mm],x1 [mm],y1 [mm],scan_speed [mm/s]\n0,0,1,1,0\n",
    "time-back": "time [s],x [mm],y [mm],power [mW]\n0,0,0,1\n0,1,1,1\n",
    "no-power": "time [s],x [mm],y [mm]\n0,0,0\n1,1,1\n",
}


@pytest.mark.usefixtures("pieces")
@pytest.mark.parametrize("name", TABLES)
def test_a_broken_table_is_refused_in_one_line(name, tmp_path):
    file = tmp_path / "paths.csv"
    file.write_text(TABLES[name])
    with pytest.raises(FileError) as error:
        read_paths(file)
    assert "\n" not in str(error.value)
    assert str(error.value).startswith(str(file))


def _zipped(entries):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def _saved(**arrays):
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    return buffer.getvalue()


def _header_of(shape):
    buffer = io.BytesIO()
    np.lib.format.write_array_header_1_0(buffer, {"descr": "<f8", "fortran_order": False, "shape": shape})
    return buffer.getvalue()


ONE = np.zeros(1)
ARRAYS = {
    "not-a-zip": b"PK\3\4 no",
    "bomb": lambda: _zipped({"x0.npy": bytes(30_000_000)}),
    "claims-more-than-it-holds": _zipped({f"{n}.npy": _header_of((10**9,)) for n in ("x0", "y0", "x1", "y1")}),
    "unequal": _saved(x0=ONE, y0=ONE, x1=ONE, y1=np.zeros(2)),
    "unknown": _saved(x0=ONE, y0=ONE, x1=ONE, y1=ONE, colour=ONE),
    "text": _saved(x0=ONE, y0=ONE, x1=ONE, y1=np.array(["a"])),
    "objects": _saved(x0=np.array([None], dtype=object), y0=ONE, x1=ONE, y1=ONE),
    "matrix": _saved(x0=np.zeros((2, 2)), y0=np.zeros((2, 2)), x1=np.zeros((2, 2)), y1=np.zeros((2, 2))),
    "kind-without-text": _saved(x0=ONE, y0=ONE, x1=ONE, y1=ONE, kind=np.array([5]), kinds=np.array(["hatch"])),
    "nan": _saved(x0=ONE, y0=ONE, x1=ONE + np.nan, y1=ONE),
}


@pytest.mark.parametrize("name", ARRAYS)
def test_broken_arrays_are_refused_in_one_line(name, tmp_path):
    file = tmp_path / "paths.npz"
    file.write_bytes(ARRAYS[name]() if callable(ARRAYS[name]) else ARRAYS[name])
    with pytest.raises(FileError) as error:
        read_paths(file)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("ending", [".csv", ".npz"])
def test_what_is_saved_is_read_back(tmp_path, ending):
    base = read_layer_bytes("a.cli", ascii_file(GOOD)).filled({}, default={"power": 30.0, "scan_speed": 1000.0, "beam_radius": 0.125})
    file = tmp_path / f"paths{ending}"
    save_paths(file, base)
    found = read_paths(file)
    assert found.names.tolist() == base.names.tolist()
    assert places(found)[:, :5] == pytest.approx(places(base)[:, :5])
    assert found.power.tolist() == base.power.tolist()
    assert table_text(base).startswith("layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind,power [mW],scan_speed [mm/s],beam_radius [mm]\n")


def test_outlines_that_hold_no_settings_are_saved_and_read_back_blank(tmp_path):
    text = "layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind,power [mW]\n1,0.0,0.0,1.0,0.0,outline,\n1,0.0,0.0,1.0,0.0,hatch,30.0\n"
    file = tmp_path / "paths.csv"
    file.write_text(text)
    assert table_text(read_paths(file)) == text
