"""Vectors that stay in their file: an .npz of plain arrays, read a slice at a time, so that no process ever holds them all."""

from __future__ import annotations

import math
import struct
import zipfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ..errors import FileError
from .reading import read_paths
from .table import check_archive, checked_arrays, paths_of
from .vectors import Paths, Positions

__all__ = ["StoredPaths", "open_paths"]

_MOST = 20_000_000  # vectors up to which a file out of order is read whole
_LEAST = 1_000_000  # vectors from which a file is not read whole


@dataclass(frozen=True)
class StoredPaths:
    """Vectors in an .npz that was saved unpacked: where each array begins, its type; and settings to be put in by kind."""

    source: str
    size: int
    arrays: tuple[tuple[str, int, str], ...]
    texts: tuple[str, ...] = ()
    settings: dict[str, dict[str, float]] = field(default_factory=dict)
    default: dict[str, float] = field(default_factory=dict)
    recorded: tuple[Positions, ...] = ()
    speed_factor: float = 1.0

    def __len__(self) -> int:
        return self.size

    @property
    def layers(self) -> np.ndarray:
        """Numbers of the layers that hold anything."""
        found: set[float] = set()
        for start in range(0, self.size, _LEAST):
            found.update(np.unique(self.layer_of(start, min(start + _LEAST, self.size))).tolist())
        return np.array(sorted(found)).astype(np.int64)

    def filled(self, settings: dict[str, dict[str, float]], *, default: dict[str, float] | None = None) -> StoredPaths:
        """As `Paths.filled`; what is missing is put in, or said, when a slice is read."""
        return replace(self, settings=settings, default=default or {})

    def faster(self, factor: float) -> StoredPaths:
        """As `Paths.faster`."""
        return replace(self, speed_factor=self.speed_factor * factor)

    def chosen(self, which: slice) -> Paths:
        """A slice of the vectors, in memory.

        Raises
        ------
        FileError
        """
        start, stop, _ = which.indices(self.size)
        if start >= stop:
            return self.chosen(slice(0, 1)).chosen(slice(0, 0))
        found = self._read(start, stop, tuple(name for name, *_ in self.arrays))
        columns = checked_arrays(found | {"kinds": np.array(self.texts)} if self.texts else found, self.source, start)
        return paths_of(columns, self.source).filled(self.settings, default=self.default).faster(self.speed_factor)

    def layer_of(self, start: int, stop: int) -> np.ndarray:
        """Layers of a slice."""
        found = self._read(start, stop, ("layer",))
        return np.asarray(found["layer"], float) if found else np.ones(stop - start)

    def _read(self, start: int, stop: int, names: tuple[str, ...]) -> dict[str, np.ndarray]:
        found = {}
        try:
            with open(self.source, "rb") as file:
                for name, offset, kind in self.arrays:
                    if name in names:
                        file.seek(offset + start * np.dtype(kind).itemsize)
                        found[name] = np.fromfile(file, kind, stop - start)
        except OSError as error:
            raise FileError(f"{self.source}: the file cannot be read: {error.strerror or error}. Check the path.") from None
        if any(len(a) != stop - start for a in found.values()):
            raise FileError(f"{self.source}: the file ends within its arrays. Save it again.")
        return found


def open_paths(path: str | Path) -> Paths | StoredPaths:
    """Paths from any file that `read_paths` reads; a great unpacked .npz of vectors, sorted by layer, stays in its file.

    Raises
    ------
    FileError
    """
    stored = _stored(path) if str(path).lower().endswith(".npz") else None
    if stored is None or stored.size < _LEAST:
        return read_paths(path)
    last = -1.0
    for start in range(0, stored.size, _LEAST):
        layer = stored.layer_of(start, min(start + _LEAST, stored.size))
        if not (np.diff(layer, prepend=last) >= 0.0).all():
            if stored.size > _MOST:
                raise FileError(f"{path}: layers do not ascend and {stored.size} vectors are too many to sort. Sort the rows by layer.")
            return read_paths(path)
        last = float(layer[-1])
    return stored


def _stored(path: str | Path) -> StoredPaths | None:
    """None where a file must be read whole, or where whatever is wrong is better said by the reader of it all."""
    arrays: list[tuple[str, int, str]] = []
    texts: tuple[str, ...] = ()
    sizes: set[int] = set()
    try:
        check_archive(path, most=math.inf)
        with zipfile.ZipFile(path) as archive, open(path, "rb") as file:
            for entry in archive.infolist():
                name = entry.filename.removesuffix(".npy")
                if name == "kinds":
                    with archive.open(entry) as inner:
                        texts = tuple(str(k) for k in np.lib.format.read_array(inner, allow_pickle=False))
                    continue
                if entry.compress_type != zipfile.ZIP_STORED or name in ("time", "x", "y"):
                    return None
                file.seek(entry.header_offset + 26)
                named, more = struct.unpack("<HH", file.read(4))
                file.seek(named + more, 1)
                version = np.lib.format.read_magic(file)
                header = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
                shape, _, kind = header(file)
                inside = file.tell() - entry.header_offset - 30 - named - more
                if len(shape) != 1 or kind.kind not in "fiu" or entry.file_size != inside + shape[0] * kind.itemsize:
                    return None
                sizes.add(shape[0])
                arrays.append((name, file.tell(), kind.str))
    except FileError:
        raise
    except Exception:  # a broken archive, said by the reader of it all
        return None
    named = {name for name, *_ in arrays}
    plain = len(sizes) == 1 and {"x0", "y0", "x1", "y1"} <= named and ("kind" not in named or texts)
    return StoredPaths(str(path), sizes.pop(), tuple(arrays), texts) if plain else None
