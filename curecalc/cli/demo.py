"""`curecalc demo`: the whole job on invented data, in one command."""

from __future__ import annotations

import argparse
from itertools import count
from pathlib import Path

from ..errors import CurecalcError, FileError
from .common import _Once

__all__ = ["add_arguments", "run", "run_command"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("--folder", metavar="FOLDER", action=_Once, help="where to write its files (curecalc-demo, or the next free one)")
    parser.add_argument("--overwrite", action="store_true", help="replace files that stand already")


def run(args: argparse.Namespace) -> int:
    """Run the invented scenario and write its figures."""
    print(whole_job(_folder(args.folder, args.overwrite)))
    return 0


def run_command(words: list[str], *, also: tuple[int, ...] = ()) -> str:
    """Run a command as a person would; its text comes back, with the command above it."""
    import contextlib
    import io
    import shlex

    from . import main

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([*words, *(["--overwrite"] if {"--figure", "--sheet"} & set(words) else [])])
    if status and status not in also:
        raise CurecalcError(f"demo: curecalc {shlex.join(words)} ended with status {status}: {err.getvalue().strip()}")
    said = [line for line in err.getvalue().splitlines() if line.startswith("wrote ")]
    return "\n".join([f"$ curecalc {shlex.join(words)}", out.getvalue().strip(), *said])


def _beam(folder: Path) -> str:
    """Measure the invented spot from a knife-edge scan."""
    from ..files.shipped import invented_files

    return run_command(["spot", str(invented_files() / "beam_knife_edge.csv"), "--figure", str(folder / "beam.png")])


def _recipe(folder: Path) -> str:
    """The recipe of the invented machine with the lot just calibrated, and its sheet as HTML and PDF."""
    from importlib.util import find_spec

    from ..files.shipped import invented_files

    files = {name: str(invented_files() / f"{name}.toml") for name in ("machine", "needs")}
    words = ["recipe", "--machine", files["machine"], "--resin", str(folder / "resin_lot_7.toml"), "--needs", files["needs"]]
    more = ["--save", str(folder / "recipe.json"), "--along", str(folder / "along.png")]
    first = run_command([*words, "--sheet", str(folder / "recipe.html"), *more])
    if find_spec("fpdf") is None:
        return first
    second = run_command([*words, "--sheet", str(folder / "recipe.pdf")])
    return "\n".join([first, second.splitlines()[-1]])


def _part(folder: Path) -> str:
    """What real scan paths cure: an invented bracket with thin fins, a bridge and an overhang."""
    from ..files.shipped import invented_files

    words = ["part", str(invented_files() / "bracket.csv"), "--resin", str(invented_files() / "resin.toml"), "--layer-thickness", "0.1mm"]
    return run_command([*words, "--overcure", "0.08mm", "--figure", str(folder / "part.png")])


def _logbook(folder: Path) -> str:
    """An invented year of two machines in a logbook: its state today, and a chart of the fading laser."""
    from ..logbook.demoshop import write_demo_shop

    book = folder / "shop.db"
    write_demo_shop(book).close()
    return run_command(["log", "status", "--log", str(book)], also=(1,))


def whole_job(folder: Path) -> str:
    """Beam, lot, speed, recipe with its sheet, map of a part, logbook, all on invented data; returns the text to print."""
    from .demonstration import calibrate_demo_lot, speed_demo

    for old in ("recipe.html", "recipe.json", "recipe.pdf", "shop.db", "shop.db-wal", "shop.db-shm"):
        (folder / old).unlink(missing_ok=True)
    parts = (
        ("Know the beam", _beam),
        ("Calibrate a lot", calibrate_demo_lot),
        ("Choose a speed", speed_demo),
        ("Write the recipe", _recipe),
        ("Map a part's scan paths", _part),
        ("Keep a logbook", _logbook),
    )
    told = ["Invented data: this machine and this resin do not exist."]
    for title, part in parts:
        told += ["", f"== {title}", part(folder)]
    return "\n".join(told)


def _folder(named: str | None, overwrite: bool) -> Path:
    numbered = (f"curecalc-demo-{n}" for n in count(2))
    target = Path(named or "curecalc-demo")
    try:
        while not overwrite and target.is_dir() and any(target.iterdir()):
            if named is not None:
                raise FileError(f"--folder: {named}: files stand there already. Name another folder, or add --overwrite.")
            target = Path(next(numbered))
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"--folder: {target}: cannot make this folder ({error.strerror}). Name another place.") from None
    return target
