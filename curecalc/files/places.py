"""Where each key of a TOML text stands: the line numbers that the standard reader does not keep."""

from __future__ import annotations

import re
from itertools import accumulate

__all__ = ["KeyPath", "key_lines"]

KeyPath = tuple[str | int, ...]
# a string or a bare key, a comment, any other character; a string of several lines may end in up to two quotes of its own
_TOKEN = re.compile(r"""(\"{3}(?:\\.|[^\\])*?"{3,5}|'{3}.*?'{3,5}|"(?:\\.|[^"\\])*"|'[^']*'|[A-Za-z0-9_-]+)|#[^\n]*|(.)""", re.DOTALL)
_DEEPER = {"[": 1, "{": 1, "]": -1, "}": -1}
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of each table header and each key at line start, for a text already known to be valid TOML.

    Items of a list of tables carry their index: `("needs", 0, "kind")`. Keys within inline tables are not listed.

    >>> key_lines('schema = 1\\n[beam]\\nradius = "1 mm"\\n')
    {('schema',): 1, ('beam',): 2, ('beam', 'radius'): 3}
    """
    found: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    names: list[str] = []
    line, depth, brackets, reading = 1, 0, "", True  # reading a key or a header, not the value behind
    for token in _TOKEN.finditer(text):
        part, mark = token.groups()
        if mark == "\n" and depth <= 0:
            names, depth, brackets, reading = [], 0, "", True
        elif not reading:
            depth += _DEEPER.get(mark, 0)
        elif part:
            names.append(_plain(part))
        elif mark == "[":
            brackets += mark
        elif mark == "]":
            reading, (*outer, last) = False, names
            if brackets == "[[":
                item = (*_resolve(outer, counts), last)
                counts[item] = counts[item] + 1 if item in counts else 0
            table = _resolve(names, counts)
            found.setdefault(table, line)
            found.setdefault(table[:1], line)
        elif mark == "=":
            reading = False
            for path in accumulate(names, lambda path, name: (*path, name), initial=table):
                found.setdefault(path, line)
        line += token.group().count("\n")
    found.pop((), None)
    return found


def _resolve(names: list[str], counts: dict[KeyPath, int]) -> KeyPath:
    path: KeyPath = ()
    for name in names:
        path = (*path, name)
        if path in counts:
            path = (*path, counts[path])
    return path


def _plain(part: str) -> str:
    """A key without its quotes."""
    if part.startswith("'"):
        return part.strip("'")
    return re.sub(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", _unescape, part.removeprefix('"').removesuffix('"'))


def _unescape(found: re.Match[str]) -> str:
    code = found[1]
    return chr(int(code[1:], 16)) if code.startswith(("u", "U")) else _ESCAPES.get(code, code)
