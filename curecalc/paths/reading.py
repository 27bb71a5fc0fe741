"""One reader for all files of paths: the ending and the first bytes say which."""

from __future__ import annotations

from pathlib import Path

from .table import read_table_paths
from .vectors import Paths

__all__ = ["read_paths"]

_LAYER_FILES = (".cli",)


def read_paths(path: str | Path) -> Paths:
    """Paths from a file: our own table (.csv, .txt, .xlsx, .npz) or the Common Layer Interface (.cli, ASCII or binary).

    Parameters
    ----------
    path : path

    Returns
    -------
    Paths
        Power, speed and radius are NaN where the file does not say them: `Paths.filled` puts them in by kind.

    Raises
    ------
    FileError
    """
    if str(path).lower().endswith(_LAYER_FILES):
        from .layerfile import read_layer_file

        return read_layer_file(path)
    return read_table_paths(path)
