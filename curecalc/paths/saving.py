"""Writing paths as our own plain table, text or arrays, some vectors at a time."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ..files.disk import writing
from .stored import StoredPaths, slices
from .table import COLUMNS, header
from .vectors import Paths

__all__ = ["save_paths", "table_text"]


def save_paths(path: str | Path, paths: Paths | StoredPaths) -> None:
    """Write vectors as .npz, or as text for any other ending; whole or not at all, replacing what stood there."""
    with writing(path, overwrite=True) as file:
        if str(path).lower().endswith(".npz"):
            _put_arrays(file, paths)
        else:
            file.writelines(text.encode() for text in _texts(paths))


def table_text(paths: Paths | StoredPaths) -> str:
    """The vectors as our plain table; what is not known is blank, a column of which nothing is known is left out."""
    return "".join(_texts(paths))


def _known(paths: Paths | StoredPaths) -> list[str]:
    vectors = [name for name in COLUMNS if name not in ("time", "x", "y")]
    known = {name for part in slices(paths) for name in vectors if name == "kind" or not np.isnan(getattr(part, name)).all()}
    return [name for name in vectors if name in known]


def _texts(paths: Paths | StoredPaths) -> Iterator[str]:
    columns = _known(paths)
    yield header(columns)
    for part in slices(paths):
        values = [part.names if name == "kind" else getattr(part, name) for name in columns]
        rows = zip(*(v.tolist() for v in values))
        yield "".join(",".join("" if cell != cell else str(cell) for cell in row) + "\n" for row in rows)


def _put_arrays(file: BinaryIO, paths: Paths | StoredPaths) -> None:
    first = next(slices(paths))
    with zipfile.ZipFile(file, "w") as archive:
        for name in [*_known(paths), "kinds"]:
            whole = np.array(first.kinds, str) if name == "kinds" else None
            kind = getattr(first, name).dtype if whole is None else whole.dtype
            head = {"descr": kind.str, "fortran_order": False, "shape": (len(paths) if whole is None else len(whole),)}
            with archive.open(f"{name}.npy", "w", force_zip64=True) as one:
                np.lib.format.write_array_header_1_0(one, head)
                for part in [whole] if whole is not None else (getattr(part, name) for part in slices(paths)):
                    one.write(part.tobytes())
