"""The program's source as syntax trees, each file parsed once for all tests that walk it."""

import ast
from functools import cache
from pathlib import Path

import curecalc

ROOT = Path(curecalc.__file__).parent


@cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of one file."""
    return ast.parse(path.read_text(encoding="utf-8"))
