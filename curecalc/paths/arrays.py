"""Our own table of paths as arrays in an .npz, packed or not: read and written some rows at a time."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from ..errors import FileError
from ..symbols import clip
from .table import COLUMNS, Arrays, paths_of
from .vectors import AT_ONCE, LIT, Paths

__all__ = ["Entry", "array_blocks", "checked_arrays", "entries_of"]

_WAY = "Save it with numpy.savez and plain arrays."
_MOST_TEXT = 10_000_000  # bytes of the names of kinds


@dataclass(frozen=True)
class Entry:
    """An array in an archive: its name, type and length, and how many bytes stand before its values."""

    info: zipfile.ZipInfo
    name: str
    kind: np.dtype[Any]
    shape: tuple[int, ...]
    head: int


def entries_of(path: str | Path, archive: zipfile.ZipFile) -> tuple[list[Entry], tuple[str, ...]]:
    """The arrays of numbers in an archive, checked by what their heads say; and the names of kinds.

    Raises
    ------
    FileError
        What unpacks without bound, is no plain array or claims more than it holds, and arrays of unknown names.
    """
    infos = archive.infolist()
    claimed, packed = sum(one.file_size for one in infos), sum(one.compress_size for one in infos)
    if claimed > 1000 * packed + 1_000_000:
        raise FileError(f"{path}: unpacks to {claimed} bytes from {packed}: more than such a table can be. {_WAY}")
    found: list[Entry] = []
    texts: tuple[str, ...] = ()
    for info in infos:
        name = info.filename.removesuffix(".npy")
        if name not in (*COLUMNS, "kinds"):
            raise FileError(f"{path}: unknown array {clip(name)}. Known are {', '.join(COLUMNS)} and kinds. {_WAY}")
        with archive.open(info) as inner:
            one = _entry(info, name, inner)
            if one.kind.hasobject or one.head + int(np.prod(one.shape, dtype=object)) * one.kind.itemsize != info.file_size:
                raise FileError(f"{path}: {name} is no plain array, or not all of it is there. {_WAY}")
            if name != "kinds":
                found.append(one)
            elif info.file_size <= _MOST_TEXT:
                texts = tuple(str(k) for k in np.frombuffer(inner.read(), one.kind))
            else:
                raise FileError(f"{path}: kinds holds {info.file_size} bytes of names. Name a few kinds, like hatch.")
    if not found:
        raise FileError(f"{path}: holds no arrays of vectors or positions. Known are {', '.join(COLUMNS)} and kinds. {_WAY}")
    sizes = {one.name: one.shape for one in found}
    if len(set(sizes.values())) > 1 or any(len(shape) != 1 for shape in sizes.values()):
        raise FileError(f"{path}: the arrays are not of one length: {sizes}. {_WAY}")
    return found, texts


def _entry(info: zipfile.ZipInfo, name: str, inner: IO[bytes]) -> Entry:
    version = np.lib.format.read_magic(inner)
    header = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
    shape, _, kind = header(inner)
    return Entry(info, name, kind, shape, inner.tell())


def array_blocks(path: str | Path) -> Iterator[Paths]:
    """Vectors or recorded positions of an .npz, some rows at a time.

    Raises
    ------
    FileError
    """
    try:
        with ExitStack() as stack:
            archive = stack.enter_context(zipfile.ZipFile(path))
            entries, texts = entries_of(path, archive)
            streams = [(one, stack.enter_context(archive.open(one.info))) for one in entries]
            for one, stream in streams:
                stream.read(one.head)
            (size,), *_ = (one.shape for one in entries)
            last: dict[int, float] = {}
            for start in range(0, max(size, 1), AT_ONCE):
                found = {one.name: np.frombuffer(stream.read(AT_ONCE * one.kind.itemsize), one.kind) for one, stream in streams}
                yield paths_of(checked_arrays(found, texts, str(path), start), str(path), last)
    except FileNotFoundError:
        raise FileError(f"{path}: there is no such file. Check the path and its spelling.") from None
    except FileError:
        raise
    except Exception as error:  # whatever the reader meets in a broken file
        raise FileError(f"{path}: cannot be read as an .npz of arrays ({type(error).__name__}). {_WAY}") from None


def checked_arrays(found: dict[str, np.ndarray], texts: tuple[str, ...], name: str, first: int = 0) -> Arrays:
    """Rows of arrays, from the row `first` on, as float64; what are no numbers is refused."""
    columns = Arrays(found)
    columns.first = first
    for key, array in found.items():
        if key == "kind":
            continue
        if array.dtype.kind not in "fiu":
            raise FileError(f"{name}: {key} holds no numbers ({array.dtype}). {_WAY}")
        if key in LIT and ((array < 0) | np.isinf(array) | ((array == 0) & (key != "power"))).any():
            least = "not below" if key == "power" else "above"
            raise FileError(f"{name}: {key} must be finite and {least} zero. Correct it.")
        columns[key] = array.astype(float)
    if texts and "kind" in found:
        codes = found["kind"]
        if codes.dtype.kind not in "iu" or (codes.size and not 0 <= codes.min() <= codes.max() < len(texts)):
            raise FileError(f"{name}: kind must number the texts in kinds. {_WAY}")
        columns.kinds = texts
    return columns
