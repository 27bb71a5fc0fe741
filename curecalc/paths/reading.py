"""One reader for all files of paths: the ending says which; all give some vectors at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..errors import FileError
from ..files.disk import open_file
from .vectors import Paths, joined

__all__ = ["APART", "path_blocks", "read_paths"]

APART = {".npz": "arrays", ".cli": "a layer file"}  # what is no table of vectors, by ending
_MOST = 100_000_000  # vectors held in memory: seven gigabytes


def read_paths(path: str | Path) -> Paths:
    """All paths of a file, in memory: our own table (.csv, .txt, .xlsx, .npz) or the Common Layer Interface (.cli, ASCII or binary).

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
    held: list[Paths] = []
    size = 0
    for block in path_blocks(path):
        held.append(block)
        size += block.rows
        if size > _MOST:
            raise FileError(f"{path}: more than {_MOST} vectors are too many for the memory. Leave them in their file, with open_paths.")
    return joined(held).in_order()


def path_blocks(path: str | Path) -> Iterator[Paths]:
    """The paths of a file as it holds them, some at a time.

    Raises
    ------
    FileError
    """
    name, ending = str(path), str(path).lower()
    if ending.endswith(".npz"):
        from .arrays import array_blocks

        yield from array_blocks(path)
        return
    try:
        if ending.endswith(".cli"):
            from .layerfile import layer_blocks

            with open_file(path, what="layer") as file:
                yield from layer_blocks(name, file)
        else:
            from .table import text_blocks

            with open_file(path, what="table") as file:
                yield from text_blocks(name, file)
    except OSError as error:
        raise FileError(f"{name}: cannot be read ({error.strerror or error}). Copy the file to a local folder and try again.") from None
