"""Vectors found by place: the same as looked for one by one, in memory and in a file, whatever the blocks."""

import io
import pickle
import struct
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.map.field import Grid, Optics, layer_dose
from curecalc.paths import arrays, layerfile, shelf, stored, table
from curecalc.paths.reading import read_paths
from curecalc.paths.saving import save_paths
from curecalc.paths.shelf import Shelf
from curecalc.paths.stored import StoredPaths, open_paths, slices
from curecalc.paths.sums import areas, layer_sums, totals
from curecalc.paths.vectors import assembled, joined
from curecalc.physics.laws import Plain


def some(rng, layers=3, count=200):
    """Short vectors, and a long outline round about in each layer."""
    x, y = rng.uniform(0.0, 10.0, (2, layers * count))
    dx, dy = rng.uniform(-0.5, 0.5, (2, layers * count))
    angle = np.linspace(0.0, 2.0 * np.pi, 301)
    ring = np.column_stack([5.0 + 4.0 * np.cos(angle), 5.0 + 4.0 * np.sin(angle)])
    loops = [ring[:-1, 0], ring[:-1, 1], ring[1:, 0], ring[1:, 1]]
    places = [np.concatenate([a, *[b] * layers]) for a, b in zip((x, y, x + dx, y + dy), loops)]
    layer = np.concatenate([np.repeat(np.arange(1, layers + 1), count), np.repeat(np.arange(1, layers + 1), 300)])
    kind = np.concatenate([np.ones(layers * count, int), np.zeros(layers * 300, int)])
    size = len(layer)
    lit = [np.full(size, 30.0), rng.uniform(500.0, 1000.0, size), np.full(size, 0.125)]
    return assembled(layer, places, kind, ("outline", "hatch"), lit).chosen(np.argsort(layer, kind="stable"))


def rows(paths):
    return np.column_stack([paths.layer, paths.x0, paths.y0, paths.x1, paths.y1, paths.names == "outline", paths.scan_speed])


@pytest.fixture
def small_blocks(monkeypatch):
    monkeypatch.setattr(shelf, "_BLOCK", 16)
    monkeypatch.setattr(shelf, "AT_ONCE", 64)
    monkeypatch.setattr(stored, "AT_ONCE", 64)
    monkeypatch.setattr(arrays, "AT_ONCE", 128)
    monkeypatch.setattr(table, "_ROWS", 32)
    monkeypatch.setattr(layerfile, "AT_ONCE", 32)
    monkeypatch.setattr(stored, "_LEAST", 100)


@pytest.mark.usefixtures("small_blocks")
def test_all_speeds_times_a_factor_in_memory_and_in_a_file(tmp_path):
    paths = some(np.random.default_rng(2))
    save_paths(tmp_path / "paths.npz", paths)
    for held in (paths, open_paths(tmp_path / "paths.npz").filled({}, default={"power": 1.0, "scan_speed": 1.0, "beam_radius": 1.0})):
        plain, faster = (one.chosen(slice(3, 90)).scan_speed for one in (held, held.faster(2.0).faster(0.75)))
        assert faster == pytest.approx(1.5 * plain, nan_ok=True)
        assert Shelf.of(held.faster(1.5), 2, 3).fastest == pytest.approx(1.5 * Shelf.of(held, 2, 3).fastest)


@pytest.mark.usefixtures("small_blocks")
def test_what_is_near_is_found_in_memory_and_in_a_file(tmp_path):
    paths = some(np.random.default_rng(1))
    save_paths(tmp_path / "paths.npz", paths)
    kept = open_paths(tmp_path / "paths.npz")
    assert isinstance(kept, StoredPaths)
    assert {path for path, *_ in kept.columns.values()} == {str(tmp_path / "paths.npz")}  # read where it lies
    assert kept.layers.tolist() == [1, 2, 3]
    window, room = (2.0, 3.0, 2.5, 4.0), 0.3
    for held in (paths, kept):
        one = Shelf.of(held, 2, 3)
        assert one.bounds() == paths.chosen(paths.layer > 1).bounds()
        assert one.fastest == paths.chosen((paths.layer > 1) & (paths.names == "hatch")).scan_speed.max()
        found = one.near(2, window, room)
        mine = paths.of_layer(2)
        low_x, high_x = np.minimum(mine.x0, mine.x1), np.maximum(mine.x0, mine.x1)
        low_y, high_y = np.minimum(mine.y0, mine.y1), np.maximum(mine.y0, mine.y1)
        wanted = (high_x > 1.7) & (low_x < 2.8) & (high_y > 2.7) & (low_y < 4.3)
        assert rows(found.chosen(found.meets(window, room))).tolist() == rows(mine.chosen(wanted)).tolist()
        (drawn,) = mine.loops("outline")
        assert len(drawn) == 300
        (loop,) = found.loops("outline")  # one closed loop, though it runs on through blocks
        assert len(loop) < 100
        assert surrounded(loop, window, room) == surrounded(drawn, window, room)
        assert rows(one.of_layer(3)).tolist() == rows(paths.of_layer(3)).tolist()
        assert len(one.of_layer(1)) == 0
        cut = one.cut(window, room)
        again = cut.near(2, window, room)
        assert rows(again.chosen(again.meets(window, room))).tolist() == rows(mine.chosen(wanted)).tolist()


def surrounded(loop, window, room):
    """Which places in and about a window a loop surrounds: where a ray to the right crosses it an odd number of times."""
    x, y = np.random.default_rng(4).uniform((window[0] - room, window[1] - room), (window[2] + room, window[3] + room), (400, 2)).T
    (ax, ay), (bx, by) = loop.T, np.roll(loop, -1, axis=0).T
    across = (ay > y[:, None]) != (by > y[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        right = ax + (y[:, None] - ay) * (bx - ax) / (by - ay) > x[:, None]
    return (np.count_nonzero(across & right, axis=1) % 2).tolist()


@pytest.mark.parametrize("seed", range(40))
def test_a_loop_shortened_far_away_surrounds_the_same_places(seed):
    """Loops that wind at random about a window, through it, or far from it."""
    rng = np.random.default_rng(seed)
    n, turns = int(rng.integers(40, 400)), rng.integers(-3, 4)
    angle = 2 * np.pi * turns * np.arange(n) / n + rng.uniform(0, 6)
    radius = np.exp(np.cumsum(rng.normal(0, 0.1, n)) * np.sin(np.pi * np.arange(n) / n))
    centre = rng.uniform(-3, 3, 2)
    x, y = centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)
    paths = assembled(np.full(n, 1), (x, y, np.roll(x, -1), np.roll(y, -1)), np.zeros(n, int), ("outline",), [np.full(n, np.nan)] * 3)
    window, room = (-0.3, -0.4, 0.5, 0.2), 0.2
    found = Shelf.of(paths, 1, 1).near(1, window, room)
    assert len(found) < n
    assert found.closes(0, len(found))
    loop = np.column_stack([found.x0, found.y0])
    assert surrounded(loop, window, room) == surrounded(np.column_stack([x, y]), window, room)


@pytest.mark.usefixtures("small_blocks")
def test_a_file_left_where_it_is_says_what_is_wrong_as_one_read_whole(tmp_path):
    paths = some(np.random.default_rng(2))
    columns = {name: getattr(paths, name).copy() for name in ("layer", "x0", "y0", "x1", "y1", "kind")}
    columns["y1"][700] = np.nan
    file = tmp_path / "paths.npz"
    np.savez(file, kinds=np.array(paths.kinds), **columns)
    with pytest.raises(FileError) as whole:
        read_paths(file)
    with pytest.raises(FileError) as slices:
        Shelf.of(open_paths(file).filled({}, default={"power": 1.0, "scan_speed": 1.0, "beam_radius": 1.0}), 1, 3)
    assert str(slices.value) == str(whole.value)
    columns["y1"][700] = 0.0
    np.savez(file, kinds=np.array(paths.kinds), **columns)
    with pytest.raises(FileError, match="vectors of kind 'hatch' have no power"):
        Shelf.of(open_paths(file).filled({}), 1, 3)
    file.write_bytes(file.read_bytes()[:-4000])
    with pytest.raises(FileError, match="cannot be read as an"):
        open_paths(file)


@pytest.mark.usefixtures("small_blocks")
def test_layers_out_of_order_and_packed_files_stay_on_the_disk_too(tmp_path):
    """Every kind of file against the same vectors in memory: the temporary folder holds them in order, and goes with them."""
    paths = some(np.random.default_rng(3))
    mixed = paths.chosen(np.random.default_rng(4).permutation(len(paths)))
    ordered = mixed.chosen(np.argsort(mixed.layer, kind="stable"))
    save_paths(tmp_path / "mixed.npz", mixed)
    save_paths(tmp_path / "mixed.csv", mixed)
    save_paths(tmp_path / "mixed_again.npz", open_paths(tmp_path / "mixed.csv"))
    columns = {name: getattr(mixed, name) for name in ("layer", "x0", "y0", "x1", "y1", "kind", "power", "scan_speed", "beam_radius")}
    np.savez_compressed(tmp_path / "packed.npz", kinds=np.array(mixed.kinds), **columns)
    for name in ("mixed.npz", "mixed.csv", "mixed_again.npz", "packed.npz"):
        kept = open_paths(tmp_path / name)
        assert isinstance(kept, StoredPaths)
        assert kept.layers.tolist() == [1, 2, 3]
        assert rows(joined(list(slices(kept)))).tolist() == rows(ordered).tolist(), name
        assert rows(kept.chosen(slice(700, 710))).tolist() == rows(ordered.chosen(slice(700, 710))).tolist()
        folder = kept.folder
        if folder is not None:
            path = Path(folder.path)
            assert path.is_dir()
            del kept, folder
            assert not path.exists()


@pytest.mark.parametrize("columns", [("x0", "y0", "x1", "y1"), ("layer", "x0", "y0", "x1", "y1")])
def test_arrays_that_claim_more_than_they_hold_are_refused(tmp_path, columns):
    """A head that claims a million million rows: no hang, one line."""
    file = tmp_path / "claims.npz"
    head = io.BytesIO()
    np.lib.format.write_array_header_1_0(head, {"descr": "<f8", "fortran_order": False, "shape": (10**12,)})
    with zipfile.ZipFile(file, "w") as archive:
        for name in columns:
            archive.writestr(f"{name}.npy", head.getvalue() + bytes(800))
    with pytest.raises(FileError) as error:
        open_paths(file)
    assert "\n" not in str(error.value)


def positions(rng, layers=3, count=400):
    """A beam recorded along a way of its own in each layer, off now and then."""
    ways = np.cumsum(rng.normal(0.0, 0.05, (layers, 2, count)), axis=2) + 5.0
    time = np.cumsum(rng.uniform(1e-5, 2e-5, (layers, count)), axis=1)
    power = np.where(rng.uniform(size=(layers, count)) < 0.8, 30.0, 0.0)
    columns = {"layer": np.repeat(np.arange(1, layers + 1), count), "time": time.ravel()}
    return columns | {"x": ways[:, 0].ravel(), "y": ways[:, 1].ravel(), "power": power.ravel()}


@pytest.mark.usefixtures("small_blocks")
@pytest.mark.parametrize("ending", [".npz", ".csv", "_packed.npz"])
def test_recorded_positions_on_the_disk_light_as_those_in_memory(tmp_path, ending):
    columns = positions(np.random.default_rng(6))
    file = tmp_path / f"recorded{ending}"
    if ending == ".csv":
        text = "layer,time [s],x [mm],y [mm],power [mW]\n"
        file.write_text(text + "".join(",".join(map(repr, row)) + "\n" for row in zip(*(c.tolist() for c in columns.values()))))
    else:
        (np.savez if ending == ".npz" else np.savez_compressed)(file, **columns)
    kept, held = (one.filled({}, default={"beam_radius": 0.125}) for one in (open_paths(file), read_paths(file)))
    assert isinstance(kept, StoredPaths)
    assert kept.layers.tolist() == held.layers.tolist() == [1, 2, 3]
    own, whole = Shelf.of(kept, 2, 3), Shelf.of(held, 2, 3)
    assert own.recorded
    assert own.bounds() == (*(columns[n][400:].min() for n in "xy"), *(columns[n][400:].max() for n in "xy"))
    grid = Grid(4.8, 4.8, 0.02, 30, 30)
    optics = Optics(Plain(0.15, 0.08), radius=0.125)
    near = own.near(2, grid.window(), 1.0)
    assert 0 < near.rows < 400
    cut = own.cut(grid.window(), 1.0).near(2, (0.0, 0.0, 9.0, 9.0), 1.0)
    doses = [layer_dose(one, optics, grid) for one in (near, whole.near(2, grid.window(), 1.0), cut)]
    assert doses[1].max() > 0.0
    for dose in (doses[0], doses[2]):
        assert np.abs(dose - doses[1]).max() <= 1e-12 * doses[1].max()


@pytest.mark.usefixtures("small_blocks")
def test_times_that_go_back_are_found_between_blocks_too(tmp_path):
    columns = positions(np.random.default_rng(7))
    columns["time"][256] = columns["time"][255]
    np.savez_compressed(tmp_path / "back.npz", **columns)
    np.savez(tmp_path / "back_plain.npz", **columns)
    with pytest.raises(FileError, match="row 257: time does not go on"):
        open_paths(tmp_path / "back.npz")
    with pytest.raises(FileError, match="row 257: time does not go on"):
        Shelf.of(open_paths(tmp_path / "back_plain.npz"), 1, 3)


@pytest.mark.usefixtures("small_blocks")
def test_a_layer_file_on_the_disk_is_the_one_in_memory(tmp_path):
    rng = np.random.default_rng(8)
    body = ""
    for k in range(1, 4):
        body += f"$$LAYER/{0.1 * k:.1f}\n"
        for row in np.round(rng.uniform(0.0, 9.0, (60, 10)), 3).tolist():
            body += "$$POLYLINE/1,2,3," + ",".join(map(str, row[:6])) + "\n$$HATCHES/1,1," + ",".join(map(str, row[6:])) + "\n"
    file = tmp_path / "part.cli"
    file.write_text(f"$$HEADERSTART\n$$ASCII\n$$UNITS/1\n$$HEADEREND\n$$GEOMETRYSTART\n{body}$$GEOMETRYEND\n")
    kept, held = open_paths(file), read_paths(file)
    assert isinstance(kept, StoredPaths)
    assert held.heights == pytest.approx((0.1, 0.2, 0.3))
    whole = joined(list(slices(kept)))
    assert whole.names.tolist() == held.names.tolist()
    assert [getattr(whole, n).tolist() for n in ("layer", "x0", "y0", "x1", "y1")] == [
        getattr(held, n).tolist() for n in ("layer", "x0", "y0", "x1", "y1")
    ]
    assert np.isnan(whole.power).all()
    assert set(kept.columns) == {"layer", "x0", "y0", "x1", "y1", "kind"}  # of what nothing is known nothing is stored


@pytest.mark.usefixtures("small_blocks")
def test_sums_over_slices_are_those_over_all(tmp_path):
    """Outlines and moves run on from slice to slice; here against sums by numpy over the whole."""
    paths = some(np.random.default_rng(9))
    save_paths(tmp_path / "paths.csv", paths)
    kept = open_paths(tmp_path / "paths.csv")
    assert isinstance(kept, StoredPaths)
    polygon = 0.5 * 4.0**2 * 300 * np.sin(2.0 * np.pi / 300)  # the area of 300 corners on a circle
    scan = paths.scanned
    for one in (kept, paths):
        assert areas(one) == pytest.approx(np.full(3, polygon), rel=1e-9)
        found = totals(one)["hatch"]
        assert found["count"] == 600
        assert found["length"] == pytest.approx(scan.length.sum(), rel=1e-12)
        assert found["longest"] == scan.length.max()
        length, count, moves = (part["hatch"] for part in layer_sums(one))
        for k in (1, 2, 3):
            mine = scan.chosen(scan.layer == k)
            assert length[k - 1] == pytest.approx(mine.length.sum(), rel=1e-12)
            assert count[k - 1] == 200
            gaps = np.hypot(mine.x0[1:] - mine.x1[:-1], mine.y0[1:] - mine.y1[:-1])
            assert moves[k - 1] == pytest.approx(gaps.sum(), rel=1e-12)


@pytest.mark.usefixtures("small_blocks")
def test_what_becomes_known_late_is_blank_before(tmp_path):
    rows = "".join(f"1,0,{k},1,{k},{'outline,' if k < 500 else 'hatch,30'}\n" for k in range(900))
    file = tmp_path / "late.csv"
    file.write_text("layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind,power [mW]\n" + rows)
    kept = open_paths(file)
    assert isinstance(kept, StoredPaths)
    power = joined(list(slices(kept))).power
    assert np.isnan(power[:500]).all()
    assert power[500:].tolist() == [30.0] * 400


@pytest.mark.usefixtures("small_blocks")
def test_no_temporary_folder_is_left_after_an_error_or_at_the_end(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    rows = [f"{k % 3 + 1},0,{0.01 * k},1,{0.01 * k},hatch" for k in range(900)]
    file = tmp_path / "paths.csv"

    def written(lines):
        file.write_text("layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind\n" + "\n".join(lines) + "\n")
        return file

    kept = open_paths(written(rows))
    again = pickle.loads(pickle.dumps(kept.faster(2.0)))  # what a worker gets: it reads, and removes nothing
    assert rows_of(again) == rows_of(kept)
    del again
    assert len(list(tmp_path.iterdir())) == 2
    del kept
    assert list(tmp_path.iterdir()) == [file]
    with pytest.raises(FileError, match=r"paths\.csv:802:3: y0: cannot read 'x' as a number"):
        open_paths(written([*rows[:800], "1,0,x,1,1,hatch", *rows[800:]]))
    monkeypatch.setattr(stored, "MOST_KINDS", 20)
    with pytest.raises(FileError, match="more than 20 kinds of vector"):
        open_paths(written([f"{row}{k}" for k, row in enumerate(rows)]))
    monkeypatch.setattr(stored.shutil, "disk_usage", lambda _: SimpleNamespace(free=10))
    with pytest.raises(FileError, match=r"so many paths do not fit .*No space left on device.* TMPDIR") as caught:
        open_paths(written(rows))
    assert "\n" not in str(caught.value)
    del caught
    assert list(tmp_path.iterdir()) == [file]


def rows_of(paths):
    return [one.y0.tolist() for one in slices(paths)]


READ = """
import sys
from pathlib import Path
from curecalc.paths import shelf, stored
from curecalc.paths.sums import areas, layer_sums
from curecalc.paths.shelf import Shelf

stored._LEAST, stored.AT_ONCE, shelf.AT_ONCE = 100_000, 50_000, 50_000
paths = stored.open_paths(sys.argv[1])
length, count, _ = layer_sums(paths)
areas(paths)
Shelf.of(paths.filled({}, default={"power": 30.0, "scan_speed": 1e4, "beam_radius": 0.125}), 1, 20)
peak = Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]
print(type(paths).__name__, int(sum(part.sum() for part in count.values())), float(peak) / 1024.0)
"""


def written(file, layers, count):
    """Hatch of layers in the form that the file's name says."""
    rng = np.random.default_rng(10)
    x, y = np.round(rng.uniform(0.0, 40.0, (2, count)), 2)
    ends = np.column_stack([x, y, x + 0.2, y + 0.1])
    if file.suffix == ".csv":
        lines = "".join(f",{a:.2f},{b:.2f},{c:.2f},{d:.2f},hatch\n" for a, b, c, d in ends.tolist())
        head = "layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind\n"
        file.write_text(head + "".join(lines.replace("\n,", f"\n{k},").replace(",", f"{k},", 1) for k in range(1, layers + 1)))
    elif file.suffix == ".npz":
        tiled = {name: np.tile(column, layers) for name, column in zip(("x0", "y0", "x1", "y1"), ends.T)}
        np.savez_compressed(file, layer=np.repeat(np.arange(1, layers + 1), count), **tiled)
    else:
        form = b"ASCII" if "ascii" in file.name else b"BINARY"
        text = b",".join(b"%.2f" % v for v in ends.ravel().tolist())
        parts = [b"$$HEADERSTART\n$$%s\n$$UNITS/1\n$$HEADEREND" % form, b"$$GEOMETRYSTART" if form == b"ASCII" else b""]
        for k in range(1, layers + 1):
            if form == b"ASCII":
                parts += [b"$$LAYER/%.1f$$HATCHES/1,%d," % (0.1 * k, count), text]
            else:
                parts += [struct.pack("<Hf", 127, 0.1 * k), struct.pack("<Hii", 132, 1, count), ends.astype("<f4").tobytes()]
        file.write_bytes(b"".join([*parts, b"$$GEOMETRYEND" if form == b"ASCII" else b""]))


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read as Linux tells it")
@pytest.mark.parametrize("name", ["paths.csv", "ascii.cli", "binary.cli", "packed.npz"])
def test_memory_does_not_grow_with_the_file(tmp_path, name):
    """Five times the layers, or one layer of as many vectors: a process of its own, its peak as the system counts it."""
    peaks = []
    for layers, count in ((4, 40_000), (20, 40_000), (1, 800_000)):
        written(tmp_path / name, layers, count)
        said = subprocess.run([sys.executable, "-c", READ, str(tmp_path / name)], capture_output=True, text=True, check=True).stdout.split()
        assert said[:2] == ["StoredPaths", str(layers * count)]
        peaks.append(float(said[2]))
    print(name, peaks, "MB")
    assert max(peaks) < 150.0
    assert max(peaks) < peaks[0] + 45.0  # 640,000 vectors more take 46 MB as bare arrays, ten times that on the way there
