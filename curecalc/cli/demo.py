"""`curecalc demo`: the whole job on invented data, in one command."""

from __future__ import annotations

import argparse

from ..errors import FileError
from .common import _Once

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("--folder", metavar="FOLDER", action=_Once, help="where to write its files (curecalc-demo)")


def run(args: argparse.Namespace) -> int:
    """Run the invented scenario and write its figures."""
    from ..demo import run_demo

    folder = _folder(args.folder or "curecalc-demo")
    print(run_demo(folder))
    return 0


def _folder(path: str):  # type: ignore[no-untyped-def]
    from pathlib import Path

    target = Path(path)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"--folder: {path}: cannot make this folder ({error.strerror}). Name another place.") from None
    return target
