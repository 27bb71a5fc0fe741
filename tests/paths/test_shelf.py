"""Vectors found by place: the same as looked for one by one, in memory and in a file, whatever the blocks."""

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.paths import shelf, stored
from curecalc.paths.reading import read_paths
from curecalc.paths.saving import save_paths
from curecalc.paths.shelf import Shelf
from curecalc.paths.stored import StoredPaths, open_paths, slices
from curecalc.paths.vectors import assembled, joined


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
        wanted = (high_x > 1.7) & (low_x < 2.8) & (high_y > 2.7) & (low_y < 4.3) | (mine.names == "outline")
        assert rows(found).tolist() == rows(mine.chosen(wanted)).tolist()
        assert [len(loop) for loop in found.loops("outline")] == [300]  # whole, though it runs on through blocks
        assert rows(one.of_layer(3)).tolist() == rows(paths.of_layer(3)).tolist()
        assert len(one.of_layer(1)) == 0
        cut = one.cut(window, room)
        assert rows(cut.near(2, window, room)).tolist() == rows(found).tolist()


@pytest.mark.usefixtures("small_blocks")
def test_a_file_left_where_it_is_says_what_is_wrong_as_one_read_whole(tmp_path):
    paths = some(np.random.default_rng(2))
    arrays = {name: getattr(paths, name).copy() for name in ("layer", "x0", "y0", "x1", "y1", "kind")}
    arrays["y1"][700] = np.nan
    file = tmp_path / "paths.npz"
    np.savez(file, kinds=np.array(paths.kinds), **arrays)
    with pytest.raises(FileError) as whole:
        read_paths(file)
    with pytest.raises(FileError) as slices:
        Shelf.of(open_paths(file).filled({}, default={"power": 1.0, "scan_speed": 1.0, "beam_radius": 1.0}), 1, 3)
    assert str(slices.value) == str(whole.value)
    arrays["y1"][700] = 0.0
    np.savez(file, kinds=np.array(paths.kinds), **arrays)
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
    arrays = {name: getattr(mixed, name) for name in ("layer", "x0", "y0", "x1", "y1", "kind", "power", "scan_speed", "beam_radius")}
    np.savez_compressed(tmp_path / "packed.npz", kinds=np.array(mixed.kinds), **arrays)
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
