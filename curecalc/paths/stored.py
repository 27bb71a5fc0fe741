"""Vectors that stay on the disk, one array a column, read a slice at a time, so that no process ever holds them all.

The columns lie in an .npz of plain arrays as it was saved, or in files of a temporary folder, to which any other file is turned.
"""

from __future__ import annotations

import errno
import math
import os
import shutil
import struct
import tempfile
import weakref
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ..errors import FileError
from .arrays import checked_arrays, entries_of
from .reading import path_blocks
from .table import MOST_KINDS, paths_of
from .vectors import AT_ONCE, ENDS, LIT, MOST_LAYERS, Paths, assembled, joined

__all__ = ["StoredPaths", "kept", "open_paths", "slices"]

_LEAST = 1_000_000  # vectors from which they are not held in memory
_SPARE = 1_000_000_000  # bytes of the disk that are left to others
_TYPES = {"layer": "<i4", "kind": "<i4"}  # all others "<f8"


class _Folder:
    """A folder for temporary files, gone when nothing holds it any more or the process that made it ends."""

    def __init__(self) -> None:
        self.path = tempfile.mkdtemp(prefix="curecalc-")
        weakref.finalize(self, _remove, self.path, os.getpid())

    def __reduce__(self) -> tuple[type[str], tuple[str]]:
        return str, (self.path,)  # other processes only read what lies there


def _remove(path: str, owner: int) -> None:
    if os.getpid() == owner:
        shutil.rmtree(path, ignore_errors=True)


@dataclass(frozen=True, eq=False)
class StoredPaths:
    """Vectors, or recorded positions, on the disk: of each column its file, where it begins, its type; layers ascend.

    `layers` are the numbers of the layers that hold anything, `begin` their first rows and the number of all. Settings are put in by
    kind as slices are read.
    """

    source: str
    columns: dict[str, tuple[str, int, str]]
    layers: np.ndarray
    begin: np.ndarray
    texts: tuple[str, ...] = ()
    folder: _Folder | None = None
    settings: dict[str, dict[str, float]] | None = None
    default: dict[str, float] | None = None
    speed_factor: float = 1.0

    def __len__(self) -> int:
        return int(self.begin[-1])

    @property
    def recorded(self) -> bool:
        """Whether these are positions recorded in time."""
        return "time" in self.columns

    def filled(self, settings: dict[str, dict[str, float]], *, default: dict[str, float] | None = None) -> StoredPaths:
        """As `Paths.filled`; what is missing is put in, or said, when a slice is read."""
        return replace(self, settings=settings, default=default)

    def faster(self, factor: float) -> StoredPaths:
        """As `Paths.faster`."""
        return replace(self, speed_factor=self.speed_factor * factor)

    def chosen(self, which: slice) -> Paths:
        """A slice of the vectors or positions, in memory.

        Raises
        ------
        FileError
        """
        start, stop, _ = which.indices(len(self))
        if start >= stop:
            return replace(self.chosen(slice(1)).chosen(slice(0)), recorded=())
        columns = checked_arrays(self.read(start, stop), self.texts, self.source, start)
        one = paths_of(columns, self.source, {})
        return (one if self.settings is None else one.filled(self.settings, default=self.default)).faster(self.speed_factor)

    def ways(self, start: int, stop: int) -> Paths:
        """A slice as vectors: of positions the ways from each to the next one of its layer."""
        if not self.recorded:
            return self.chosen(slice(start, stop))
        one = self.chosen(slice(start, stop + 1))
        x, y = (np.concatenate([getattr(p, name) for p in one.recorded]) for name in ("x", "y"))
        layer = np.repeat([p.layer for p in one.recorded], [len(p.x) for p in one.recorded])
        to = np.minimum(np.arange(1, len(x) + 1), np.searchsorted(layer, layer, side="right") - 1)
        unknown = [np.full(len(x), np.nan)] * 3
        ways = assembled(layer, [x, y, x[to], y[to]], np.zeros(len(x), np.int64), one.kinds, unknown, self.source)
        return ways.chosen(slice(0, stop - start))

    def read(self, start: int, stop: int, *only: str) -> dict[str, np.ndarray]:
        """The columns of a slice, or some of them, as they are stored."""
        found = {}
        try:
            for name, (path, offset, kind) in self.columns.items():
                if only and name not in only:
                    continue
                found[name] = np.fromfile(path, kind, stop - start, offset=offset + start * np.dtype(kind).itemsize)
        except OSError as error:
            raise FileError(f"{self.source}: the file cannot be read: {error.strerror or error}. Check the path.") from None
        if any(len(a) != stop - start for a in found.values()):
            raise FileError(f"{self.source}: the file ends within its arrays. Save it again.")
        return found


class _Layers:
    """How many rows each layer has, and whether layers ascend."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.counts: dict[float, int] = {}
        self.ascend, self.last = True, -math.inf

    def add(self, layer: np.ndarray) -> None:
        self.ascend &= bool((np.diff(layer, prepend=self.last) >= 0.0).all())
        self.last = float(layer[-1])
        for number, count in zip(*(a.tolist() for a in np.unique(layer, return_counts=True))):
            self.counts[number] = self.counts.get(number, 0) + count
        if len(self.counts) > MOST_LAYERS:
            raise FileError(f"{self.source}: more than {MOST_LAYERS} layers. Split the file by layers.")

    def table(self) -> tuple[np.ndarray, np.ndarray]:
        """Numbers of the layers, and the row each begins with when they ascend, with the number of rows at the end."""
        numbers = sorted(self.counts)
        return np.array(numbers).astype(np.int64), np.cumsum([0, *(self.counts[n] for n in numbers)])


def open_paths(path: str | Path) -> Paths | StoredPaths:
    """Paths from any file that `read_paths` reads, in memory where they are few; many stay on the disk.

    A great unpacked .npz whose layers ascend stays in its file; of any other file the vectors go to a temporary folder (`TMPDIR` says
    where), which is removed when nothing refers to the paths any more.

    Raises
    ------
    FileError
    """
    stored = _in_place(path) if str(path).lower().endswith(".npz") else None
    return kept(path_blocks(path)) if stored is None else stored


def kept(blocks: Iterable[Paths]) -> Paths | StoredPaths:
    """Blocks of the same paths put together, layer by layer: in memory where they are few, else in a temporary folder."""
    blocks = iter(blocks)
    held: list[Paths] = []
    size = 0
    for block in blocks:
        held.append(block)
        size += block.rows
        if size >= _LEAST:
            return _shelved(chain((held.pop(0) for _ in range(len(held))), blocks))
    return joined(held).in_order()


def slices(paths: Paths | StoredPaths) -> Iterator[Paths]:
    """All vectors in their order, some at a time."""
    for start in range(0, len(paths), AT_ONCE):
        yield paths.chosen(slice(start, start + AT_ONCE))


def _shelved(blocks: Iterator[Paths]) -> StoredPaths:
    folder = _Folder()
    try:
        found, ascend = _written(blocks, folder)
        return found if ascend else _sorted(found, folder)
    except OSError as error:
        raise FileError(
            f"{folder.path}: so many paths do not fit into the folder for temporary files ({error.strerror or error}). "
            "Name one on a larger disk, in the environment variable TMPDIR."
        ) from None


def _written(blocks: Iterator[Paths], folder: _Folder) -> tuple[StoredPaths, bool]:
    """The blocks in files of a folder, and whether their layers ascend."""
    files: dict[str, BinaryIO] = {}
    kinds: dict[str, int] = {}
    layers, size, source = _Layers(""), 0, ""
    with ExitStack() as stack:
        for block in (block for block in blocks if block.rows):
            source = layers.source = block.source
            columns = _columns(block, kinds)
            if len(kinds) > MOST_KINDS:
                raise FileError(f"{source}: more than {MOST_KINDS} kinds of vector. Name a few kinds, like hatch.")
            if shutil.disk_usage(folder.path).free < _SPARE:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            for name, column in columns.items():
                if name not in files and name in LIT and np.isnan(column).all():
                    continue
                if name not in files:
                    files[name] = stack.enter_context(open(os.path.join(folder.path, name), "wb"))
                    for start in range(0, size, AT_ONCE):  # of rows above where it was not known
                        files[name].write(np.full(min(AT_ONCE, size - start), np.nan).data)
                files[name].write(np.ascontiguousarray(column).data)
            size += len(columns["layer"])
            layers.add(columns["layer"])
    places = {name: (file.name, 0, _TYPES.get(name, "<f8")) for name, file in files.items()}
    return StoredPaths(source, places, *layers.table(), tuple(kinds), folder), layers.ascend


def _columns(block: Paths, kinds: dict[str, int]) -> dict[str, np.ndarray]:
    """What is stored of a block; `kinds` numbers all kinds so far."""
    if block.recorded:
        layer = np.repeat([p.layer for p in block.recorded], [len(p.time) for p in block.recorded])
        rest = {name: np.concatenate([getattr(p, name) for p in block.recorded]) for name in ("time", "x", "y", "power")}
        return {"layer": layer.astype(_TYPES["layer"]), **rest}
    numbers = np.array([kinds.setdefault(kind, len(kinds)) for kind in block.kinds])
    whole = {"layer": block.layer.astype(_TYPES["layer"]), "kind": numbers[block.kind].astype(_TYPES["kind"])}
    return whole | {name: getattr(block, name) for name in (*ENDS, *LIT)}


def _sorted(paths: StoredPaths, folder: _Folder) -> StoredPaths:
    """The same with ascending layers: where each begins is known, so its rows are put there, run by run."""
    place = dict(zip(paths.layers.tolist(), paths.begin.tolist()))
    with ExitStack() as stack:
        files = {name: stack.enter_context(open(f"{path}_sorted", "wb")) for name, (path, *_) in paths.columns.items()}
        for start in range(0, len(paths), AT_ONCE):
            found = paths.read(start, min(start + AT_ONCE, len(paths)))
            order = np.argsort(found["layer"], kind="stable")
            numbers, first = np.unique(found["layer"][order], return_index=True)
            for number, rows in zip(numbers.tolist(), np.split(order, first[1:])):
                for name, file in files.items():
                    file.seek(place[number] * found[name].itemsize)
                    file.write(found[name][rows].data)
                place[number] += len(rows)
    for path, *_ in paths.columns.values():
        os.replace(f"{path}_sorted", path)
    return paths


def _in_place(path: str | Path) -> StoredPaths | None:
    """None where a file is small, packed or out of order, or where whatever is wrong is better said by the reader of it all."""
    try:
        with zipfile.ZipFile(path) as archive, open(path, "rb") as file:
            entries, texts = entries_of(path, archive)
            columns = {}
            for one in entries:
                file.seek(one.info.header_offset + 26)
                begin = one.info.header_offset + 30 + sum(struct.unpack("<HH", file.read(4))) + one.head
                columns[one.name] = (str(path), begin, one.kind.str)
    except FileError:
        raise
    except Exception:
        return None
    plain = all(one.info.compress_type == zipfile.ZIP_STORED and one.kind.kind in "fiu" for one in entries)
    vectors, positions = (set(form) <= columns.keys() for form in (ENDS, ("time", "x", "y", "power")))
    (size,), *_ = (one.shape for one in entries)
    if not plain or vectors == positions or size < _LEAST or ("kind" in columns and not texts):
        return None
    layers = _Layers(str(path))
    bare = StoredPaths(str(path), columns, np.ones(1, np.int64), np.array([0, size]), texts)
    if "layer" not in columns:
        return bare
    for start in range(0, size, AT_ONCE):
        layers.add(bare.read(start, min(start + AT_ONCE, size), "layer")["layer"].astype(float))
    numbers, begin = layers.table()
    return replace(bare, layers=numbers, begin=begin) if layers.ascend else None
