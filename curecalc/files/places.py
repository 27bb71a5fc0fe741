"""Where each key of a TOML text stands: the line numbers that the standard reader does not keep."""

from __future__ import annotations

import re

__all__ = ["KeyPath", "key_lines"]

KeyPath = tuple[str | int, ...]
_BARE = re.compile(r"[A-Za-z0-9_-]+")
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
    at = 0
    while at < len(text):
        while at < len(text) and text[at] in " \t\r\n":
            at += 1
        if at >= len(text):
            break
        line = text.count("\n", 0, at) + 1
        if text[at] == "#":
            at = _line_end(text, at)
        elif text[at] == "[":
            double = text.startswith("[[", at)
            names, at = _keys(text, at + (2 if double else 1))
            table = _resolve(names[:-1], counts)
            if double:
                counts[(*table, names[-1])] = counts.get((*table, names[-1]), -1) + 1
            table = _resolve(names, counts)
            found.setdefault(table, line)
            found.setdefault(tuple(part for part in table[:1]), line)
            at = _line_end(text, at)
        else:
            names, at = _keys(text, at)
            for depth in range(1, len(names) + 1):
                found.setdefault((*table, *names[:depth]), line)
            at = _value_end(text, at)
    return found


def _resolve(names: list[str], counts: dict[KeyPath, int]) -> KeyPath:
    path: KeyPath = ()
    for name in names:
        path = (*path, name)
        if path in counts:
            path = (*path, counts[path])
    return path


def _line_end(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end + 1


def _keys(text: str, at: int) -> tuple[list[str], int]:
    """Dotted key from `at`; stops after '=' or at ']'."""
    names: list[str] = []
    while at < len(text):
        character = text[at]
        if character in "\"'":
            end = _string_end(text, at)
            names.append(_plain(text[at:end]))
            at = end
        elif character == "=":
            return names, at + 1
        elif character in "]\n":
            return names, at
        elif bare := _BARE.match(text, at):
            names.append(bare.group())
            at = bare.end()
        else:
            at += 1
    return names, at


def _plain(quoted: str) -> str:
    if quoted[0] == "'":
        return quoted[1:-1]
    return re.sub(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", _unescape, quoted[1:-1])


def _unescape(found: re.Match[str]) -> str:
    code = found.group(1)
    return chr(int(code[1:], 16)) if code[0] in "uU" else _ESCAPES.get(code, code)


def _string_end(text: str, at: int) -> int:
    quote = text[at]
    mark = quote * 3 if text.startswith(quote * 3, at) else quote
    at += len(mark)
    while at < len(text):
        if quote == '"' and text[at] == "\\":
            at += 2
        elif text.startswith(mark, at):
            at += len(mark)
            while len(mark) == 3 and at < len(text) and text[at] == quote:
                at += 1  # a multi-line string may end in up to two quotes of its own
            return at
        else:
            at += 1
    return at


def _value_end(text: str, at: int) -> int:
    depth = 0
    while at < len(text):
        character = text[at]
        if character in "\"'":
            at = _string_end(text, at)
            continue
        if character == "#":
            at = _line_end(text, at)
            if depth == 0:
                return at
            continue
        if character in "[{":
            depth += 1
        elif character in "]}":
            depth -= 1
        elif character == "\n" and depth == 0:
            return at + 1
        at += 1
    return at
