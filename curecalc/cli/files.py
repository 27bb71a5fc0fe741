"""Writing a file people named: checked first, whole or not at all."""

from __future__ import annotations

from pathlib import Path

from ..errors import FileError
from ..files.disk import write_bytes

__all__ = ["check_target", "write_whole"]


def check_target(option: str, path: str, endings: tuple[str, ...]) -> Path:
    """The path, refused before any work when its ending or folder cannot be used."""
    target = Path(path)
    if target.suffix.lower() not in endings:
        raise FileError(f"{option}: {path}: the name ends in {' or '.join(endings)}. Give the file this ending.")
    if not target.parent.is_dir():
        raise FileError(f"{option}: {path}: the folder {target.parent} does not exist. Make it first, or name another.")
    if target.is_dir():
        raise FileError(f"{option}: {path}: this is a folder. Name a file in it.")
    return target


def write_whole(option: str, path: str, content: bytes, *, endings: tuple[str, ...]) -> Path:
    """Write the bytes so that the file is there whole or not at all; one that stands is replaced."""
    return write_bytes(check_target(option, path, endings), content, overwrite=True)
