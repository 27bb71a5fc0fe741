"""Writing paths as our own plain table, text or arrays, some vectors at a time."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ..files.disk import writing
from .stored import StoredPaths, slices
from .table import COLUMNS, header
from .vectors import Paths

__all__ = ["save_paths"]


def save_paths(path: str | Path, paths: Paths | StoredPaths) -> None:
    """Write vectors as .npz, or as text for any other ending; whole or not at all, replacing what stood there.

    What is not known is blank, a column of which nothing is known is left out.
    """
    vectors = [name for name in COLUMNS if name not in ("time", "x", "y")]
    known = {name for part in slices(paths) for name in vectors if name == "kind" or not np.isnan(getattr(part, name)).all()}
    columns = [name for name in vectors if name in known]
    with writing(path, overwrite=True) as file:
        if str(path).lower().endswith(".npz"):
            _arrays(file, paths, columns)
            return
        file.write(header(columns).encode())
        for part in slices(paths):
            values = [part.names if name == "kind" else getattr(part, name) for name in columns]
            rows = zip(*(v.tolist() for v in values))
            file.write("".join(",".join("" if cell != cell else str(cell) for cell in row) + "\n" for row in rows).encode())


def _arrays(file: BinaryIO, paths: Paths | StoredPaths, columns: list[str]) -> None:
    with zipfile.ZipFile(file, "w") as archive:
        first = paths.chosen(slice(0, 1))
        for name in [*columns, "kinds"]:
            whole = name == "kinds"
            kind = np.array(first.kinds, str) if whole else getattr(first, name)
            head = {"descr": kind.dtype.str, "fortran_order": False, "shape": kind.shape if whole else (len(paths),)}
            with archive.open(f"{name}.npy", "w", force_zip64=True) as one:
                np.lib.format.write_array_header_1_0(one, head)
                for part in [kind] if whole else (getattr(part, name) for part in slices(paths)):
                    one.write(part.tobytes())
