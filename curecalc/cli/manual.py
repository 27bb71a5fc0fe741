"""`curecalc manual FILE`: the handbook, put together from what is declared once and from commands that are run for it."""

from __future__ import annotations

import argparse
import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .common import add_target, write_target
from .helping import COMMON, SHORT

__all__ = ["add_arguments", "handbook", "run"]

_MOST = 70  # lines of an answer that are shown


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add_target(parser, "file", "where to write it", ".html", ".pdf")


def run(args: argparse.Namespace) -> int:
    """Gather and write it."""
    from ..sheets.handbook import handbook_pdf

    write_target(args, "file", handbook_pdf(*_gathered()) if args.file.lower().endswith(".pdf") else handbook())
    return 0


def handbook() -> str:
    """The handbook of this installation as a page."""
    from ..sheets.handbook import handbook_html

    return handbook_html(*_gathered())


def _gathered() -> tuple[str, str, list[Any]]:
    from .. import __doc__ as public
    from .. import __version__
    from ..cautions import CAUTIONS
    from ..lessons.telling import glossary
    from ..sheets.handbook import Chapter
    from ..validation import validate

    report = validate()
    record = [
        (
            o.id,
            f"{o.source}, {o.locator} ({o.tag})",
            str(o.published),
            ", ".join(f"{v:.8g}" for v in o.obtained),
            "yes" if o.agrees else "NO",
        )
        for o in report.outcomes
    ]
    agreed = sum(o.agrees for o in report.outcomes)
    versions = ", ".join(f"{name} {v}" for name, v in report.versions.items())
    words: list[tuple[str, Any]] = [("table", (("term", "meaning"), list(glossary().items())))]
    parts: list[tuple[str, list[tuple[str, Any]]]] = [
        ("Cautions", [("caution", text) for text in CAUTIONS]),
        ("Guides", list(_guides())),
        ("Commands", [("text", "Every example was run for this handbook, on invented data."), *_commands()]),
        ("Files", list(_files())),
        ("Tables", list(_tables())),
        ("Formulas", list(_documented("formulas", "setting"))),
        ("Statistics", list(_statistics())),
        ("Words", words),
        ("Python", [("code", inspect.cleandoc(public or ""))]),
        (
            "Validation record of this installation",
            [
                ("text", f"{len(record)} outside checks, {agreed} agree. {report.date}; {versions}."),
                ("table", (("check", "source", "published", "obtained", "agrees"), record)),
            ],
        ),
    ]
    head = (
        f"curecalc {__version__}: exposure settings for laser-scanned vat photopolymerization. Readable offline; made by `curecalc manual`."
    )
    return "Handbook", head, [Chapter(title, tuple(blocks)) for title, blocks in parts]


def _guides() -> Iterator[tuple[str, Any]]:
    from importlib.resources import files

    for file in sorted(files("curecalc.sheets").joinpath("guides").iterdir(), key=lambda one: one.name):
        title, *blocks = file.read_text(encoding="utf-8").strip().split("\n\n")
        yield "title", title
        for block in blocks:
            yield ("code", inspect.cleandoc(block)) if block.startswith("    ") else ("text", block)


def _commands() -> Iterator[tuple[str, Any]]:
    import contextlib
    import os
    import shutil
    import tempfile

    from ..files.shipped import invented_files
    from . import COMMANDS
    from .demo import run_command

    with tempfile.TemporaryDirectory() as folder:
        for file in Path(str(invented_files())).iterdir():
            if file.is_file():
                shutil.copy(file, folder)
        _box(Path(folder) / "bracket.stl")
        with contextlib.chdir(folder):
            for name, (_, text) in COMMANDS.items():
                yield "title", f"curecalc {name}"
                yield "text", f"{text[0].upper()}{text[1:]}."
                for example in SHORT.get(name, (COMMON[name][0],) if name in COMMON else ()):
                    if name == "page":
                        yield "code", f"$ curecalc page {example}"
                        continue
                    lines = run_command([name, *_cut(example)], also=(1, 3)).replace(os.path.realpath(folder) + os.sep, "").splitlines()
                    yield "code", "\n".join([*lines[:_MOST], *(["..."] if len(lines) > _MOST else [])])


def _cut(example: str) -> list[str]:
    import shlex

    return shlex.split(example)


def _box(path: Path) -> None:
    """A closed mesh of a block of 4 x 2 x 0.5 mm, for the example of study paths."""
    faces = ("000 010 110 100", "001 101 111 011", "000 100 101 001", "010 011 111 110", "000 001 011 010", "100 110 111 101")
    triangles = [(f[a], f[b], f[c]) for face in faces for f in [face.split()] for a, b, c in ((0, 1, 2), (0, 2, 3))]
    corner = {c: f"vertex {4 * int(c[0])} {2 * int(c[1])} {0.5 * int(c[2])}\n" for c in " ".join(faces).split()}
    body = "".join(f"facet normal 0 0 0\nouter loop\n{''.join(corner[c] for c in one)}endloop\nendfacet\n" for one in triangles)
    path.write_text(f"solid\n{body}endsolid\n", encoding="ascii")


def _files() -> Iterator[tuple[str, Any]]:
    from ..jobs.beam import BEAM
    from ..jobs.lot import RESIN
    from ..jobs.machine import MACHINE
    from ..jobs.needs import NEEDS

    yield "text", 'TOML; a value is a number and a unit in quotes, and may carry a standard uncertainty: "300 mW +- 2 %".'
    for file in (MACHINE, RESIN, NEEDS, BEAM):
        yield "title", f"{file.name} file"
        yield "table", (("key", "what", "like", ""), list(_keys(file.schema.fields)))


def _keys(fields: Any, before: str = "") -> Iterator[tuple[str, str, str, str]]:
    for name, field in fields.items():
        yield before + name, field.help, "" if field.fields else field.sample(), "needed" if field.required else ""
        yield from _keys(field.fields, f"{before}{name}.")


def _tables() -> Iterator[tuple[str, Any]]:
    from ..calibration.columns import COLUMNS
    from ..files.tables import explained
    from ..paths.table import COLUMNS as PATHS
    from ..spot.files import COLUMNS as SCANS

    for title, columns in (("Coupons", COLUMNS), ("Scans, images, power readings", SCANS), ("Scan paths", PATHS)):
        yield "title", title
        yield "code", "\n".join(explained(columns))


def _documented(*packages: str) -> Iterator[tuple[str, Any]]:
    import curecalc

    for package in packages:
        for names in curecalc.PUBLIC[package].values():
            for name in names.split():
                if text := inspect.getdoc(getattr(curecalc, name)):
                    yield "title", name
                    yield "code", text


def _statistics() -> Iterator[tuple[str, Any]]:
    import pkgutil
    from importlib import import_module

    from .. import statistics

    for found in pkgutil.iter_modules(statistics.__path__):
        module = import_module(f"{statistics.__name__}.{found.name}")
        yield "title", found.name.replace("_", " ")
        yield "text", inspect.cleandoc(module.__doc__ or "")
        told = [(n, inspect.getdoc(getattr(module, n)) or "") for n in module.__all__ if inspect.isfunction(getattr(module, n))]
        yield "code", "\n\n".join(f"{name}: {text}" for name, text in told)
