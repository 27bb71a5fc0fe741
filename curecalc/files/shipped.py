"""Folders that come with the program: inside the installed package, or beside it in a source tree."""

from __future__ import annotations

from pathlib import Path

from ..errors import FileError

__all__ = ["invented_files", "shipped_folder"]


def shipped_folder(inside: str, beside: str, holds: str, what: str) -> Path:
    """The folder `inside` the package, or `beside` it, that holds a file; `what` it is for errors.

    Raises
    ------
    FileError
        Neither is there.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / inside, package.parent / beside):
        if (folder / holds).is_file():
            return folder
    raise FileError(f"{beside}: the folder of {what} is missing from this installation. Install curecalc again.")


def invented_files() -> Path:
    """The folder of invented machine, resin, needs, coupons and part."""
    return shipped_folder("demo_files", "demo", "machine.toml", "invented files")
